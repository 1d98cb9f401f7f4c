//! A text that is no TOML: where, and what people mostly mean there.
use super::complaint::{Complaint, piece, place};
use crate::cause::bench_file as cause;

/// The complaint for a place that the TOML reader stumbled over.
pub(super) fn complaint(text: &str, error: &toml::de::Error) -> Complaint {
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
        hint: hint(whole_line, error.message()),
        also: Vec::new(),
    }
}

fn hint(line: &str, message: &str) -> String {
    if message.contains("duplicate") {
        return "the same key or heading stands twice; leave one of them".into();
    }
    if line.trim_start().starts_with('[') && !line.contains(']') {
        return "close the heading with a bracket, as [engine]".into();
    }
    let Some((key, value)) = line.split_once('=') else {
        return "a line is a heading [section], a pair key = value, or a comment behind #".into();
    };
    let (key, value) = (key.trim(), value.split('#').next().unwrap_or_default().trim());
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
    } else {
        format!("texts and values with a unit stand in quotes: {key} = \"{value}\"")
    }
}
