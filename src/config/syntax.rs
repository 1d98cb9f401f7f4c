//! A text that is no TOML: where, and what people mostly mean there.
use super::complaint::{Complaint, piece, place};
use super::key::{AnyKey, Section};
use crate::cause::bench_file as cause;

/// The complaint for a place that the TOML reader stumbled over.
/// `sections` are those of this kind of file.
pub(super) fn complaint(
    sections: &'static [&'static Section],
    text: &str,
    error: &toml::de::Error,
) -> Complaint {
    let span = error.span().unwrap_or(0..0);
    let (line, column) = place(text, span.start);
    let whole_line = text.lines().nth(line - 1).unwrap_or_default();
    Complaint {
        cause: &cause::SYNTAX,
        key: String::new(),
        line,
        column,
        came: text.get(span.clone()).map(piece).unwrap_or_default(),
        span,
        expected: format!("TOML ({})", error.message().split(',').next().unwrap_or_default().trim()),
        hint: hint(sections, text, (line, whole_line), error.message()),
        also: Vec::new(),
    }
}

/// Signs that nobody sees and TOML does not take between words, as copying from a web page or joining files brings.
const INVISIBLE: [char; 7] =
    ['\u{a0}', '\u{2007}', '\u{2009}', '\u{200b}', '\u{202f}', '\u{2060}', '\u{feff}'];

fn hint(
    sections: &'static [&'static Section],
    text: &str,
    (number, line): (usize, &str),
    message: &str,
) -> String {
    if message.contains("carriage return") {
        return "the lines end in carriage returns alone, as very old programs wrote them: save the file with the line ends \
                of your system"
            .into();
    }
    if line.trim_start().starts_with('{') && number == 1 {
        return "this looks like JSON; a bench file is TOML: begin with `pacewright template`".into();
    }
    if message.contains("array") {
        return "a list is not closed, or a comma is missing in it: write it as [0, 3]; look at the lines above too".into();
    }
    if message.contains("duplicate") {
        return "the same key or heading stands twice; leave one of them".into();
    }
    if line.trim_start().starts_with('[') && !line.contains(']') {
        return "close the heading with a bracket, as [engine]".into();
    }
    if let Some(sign) = line.chars().find(|sign| INVISIBLE.contains(sign)) {
        let code = u32::from(sign);
        return format!(
            "this line holds a sign that nobody sees (U+{code:04X}): delete the line and type it anew"
        );
    }
    if let Some(heading) = line.trim().strip_prefix('[').and_then(|rest| rest.split(']').next())
        && heading.trim().contains(' ')
        && !line.contains('=')
    {
        return format!("a heading holds no spaces: [{}]", heading.trim().replace(' ', "_"));
    }
    let Some((key, value)) = line.split_once('=') else {
        if let Some((key, value)) = line.split_once(':') {
            return format!("an equals sign stands between key and value: {} = {}", key.trim(), value.trim());
        }
        return "a line is a heading [section], a pair key = value, or a comment behind #".into();
    };
    let (key, value) = (key.trim(), value.split('#').next().unwrap_or_default().trim());
    if let Some(remark) =
        ["//", ";", "--"].into_iter().find(|mark| !value.contains('"') && value.contains(mark))
    {
        let value = value.split(remark).next().unwrap_or_default().trim();
        return format!("a remark begins with #: write {key} = {value}, then # and the remark");
    }
    if value.contains(['\u{201c}', '\u{201d}', '\u{201e}', '\u{2018}', '\u{2019}', '`']) {
        let plain: String = value.chars().filter(|c| c.is_alphanumeric() || " .:/%_-".contains(*c)).collect();
        return format!("write straight quotes: {key} = \"{}\"", plain.trim());
    }
    if let Some(value) = value.strip_suffix(',') {
        return format!("leave out the comma at the end: {key} = {value}");
    }
    let odd_quotes = value.matches('"').count() % 2 == 1;
    if value.is_empty() {
        format!("the value of {key} is missing")
    } else if odd_quotes {
        format!("a quote is left open in the value of {key}")
    } else if value.contains('"') || value.starts_with(['[', '{', '\'']) {
        "look for a bracket, quote or comma that is missing or too much".into()
    } else if value.eq_ignore_ascii_case("true") || value.eq_ignore_ascii_case("yes") {
        format!("write {key} = true")
    } else if value.eq_ignore_ascii_case("false") || value.eq_ignore_ascii_case("no") {
        format!("write {key} = false")
    } else if value.starts_with('0') && value.bytes().all(|b| b.is_ascii_digit()) {
        format!("numbers have no leading zero: write {key} = {}", value.trim_start_matches('0'))
    } else if let Some(known) =
        known(sections, text, number, key).filter(|known| !known.example().starts_with('"'))
    {
        format!("write {}, as in {key} = {}", known.expected(), known.example())
    } else {
        format!("texts and values with a unit stand in quotes: {key} = \"{value}\"")
    }
}

/// The key of this name in the section that line `number` stands in.
fn known(
    sections: &'static [&'static Section],
    text: &str,
    number: usize,
    key: &str,
) -> Option<&'static dyn AnyKey> {
    let above: Vec<&str> = text.lines().take(number).collect();
    let heading = above.iter().rev().find_map(|line| line.trim().strip_prefix('[')?.split(']').next());
    let name = heading.unwrap_or_default().trim();
    let section = sections.iter().find(|section| section.name == name)?;
    section.key(key)
}
