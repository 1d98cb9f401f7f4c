//! What is wrong with a bench file, each with its place, for people (underlined) and for programs (plain).
use crate::cause::{Cause, Reason};
use miette::{Diagnostic, GraphicalReportHandler, GraphicalTheme, LabeledSpan, NamedSource, SourceCode};
use std::fmt::{self, Write};
use std::ops::Range;

/// One mistake.
#[derive(Clone, Debug)]
pub struct Complaint {
    /// Its cause in the catalogue.
    pub cause: &'static Cause,
    /// Section and key, as `axle.circumference`; empty where the file as a whole is meant.
    pub key: String,
    /// Line, from 1.
    pub line: usize,
    /// Column in characters, from 1.
    pub column: usize,
    /// Bytes of the text to underline.
    pub span: Range<usize>,
    /// What was expected.
    pub expected: String,
    /// What stood there, shortened.
    pub came: String,
    /// What to write instead.
    pub hint: String,
    /// Other places that belong to it, each with a word why.
    pub also: Vec<(Range<usize>, String)>,
}

impl Complaint {
    /// What came and what was expected, in one line.
    fn label(&self) -> String {
        if self.came.is_empty() {
            format!("expected {}", self.expected)
        } else {
            format!("came {}, expected {}", self.came, self.expected)
        }
    }
}

impl fmt::Display for Complaint {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.key.is_empty() {
            f.write_str(self.cause.seen)
        } else {
            write!(f, "{}: {}", self.key, self.cause.seen)
        }
    }
}

impl std::error::Error for Complaint {}

impl Diagnostic for Complaint {
    fn code<'a>(&'a self) -> Option<Box<dyn fmt::Display + 'a>> {
        Some(Box::new(self.cause.code))
    }
    fn help<'a>(&'a self) -> Option<Box<dyn fmt::Display + 'a>> {
        Some(Box::new(&self.hint))
    }
    fn labels(&self) -> Option<Box<dyn Iterator<Item = LabeledSpan> + '_>> {
        let main = LabeledSpan::new_primary_with_span(Some(self.label()), self.span.clone());
        let also =
            self.also.iter().map(|(span, why)| LabeledSpan::new_with_span(Some(why.clone()), span.clone()));
        Some(Box::new(std::iter::once(main).chain(also)))
    }
}

/// All mistakes of one bench file, in the order of the file.
#[derive(Debug)]
pub struct Complaints {
    file_name: String,
    source: NamedSource<String>,
    list: Vec<Complaint>,
}

impl Complaints {
    /// These mistakes of `text`; sorted here.
    pub(super) fn new(file_name: &str, text: &str, mut list: Vec<Complaint>) -> Self {
        list.sort_by_key(|complaint| (complaint.span.start, complaint.span.end));
        for one in &mut list {
            for words in [&mut one.key, &mut one.expected, &mut one.came, &mut one.hint] {
                *words = spelled(words);
            }
        }
        let file_name = spelled(file_name);
        // miette shows no place in an empty text, so an empty file is shown as one empty line.
        let shown = if text.is_empty() { "\n".to_owned() } else { harmless(text) };
        Self { source: NamedSource::new(&file_name, shown), file_name, list }
    }

    /// Each mistake.
    #[must_use]
    pub fn list(&self) -> &[Complaint] {
        &self.list
    }

    /// Each mistake as a reason for the result, with place, expectation and hint as evidence.
    #[must_use]
    pub fn plain(&self) -> Vec<Reason> {
        let evidence = |one: &Complaint| {
            let key = if one.key.is_empty() { String::new() } else { format!(" {}:", one.key) };
            format!("{}:{}:{}:{key} {}; {}", self.file_name, one.line, one.column, one.label(), one.hint)
        };
        self.list.iter().map(|one| Reason::new(one.cause, evidence(one))).collect()
    }

    /// The mistakes as text, each underlined in the file, of very many only the first; lines of at most about `width`
    /// columns.
    #[must_use]
    pub fn render(&self, width: usize, colours: bool) -> String {
        let theme = if colours { GraphicalTheme::unicode() } else { GraphicalTheme::unicode_nocolor() };
        let handler = GraphicalReportHandler::new_themed(theme).with_width(width).with_links(false);
        let mut text = String::new();
        // Writing into a text cannot fail; should the renderer itself, the plain form says the same.
        if handler.render_report(&mut text, self).is_err() {
            let plain = self.plain();
            let shown = plain.iter().take(MOST_SHOWN);
            let lines: Vec<String> =
                shown.map(|reason| format!("{} ({})", reason.evidence, reason.code)).collect();
            text = lines.join("\n");
        }
        let more = self.list.len().saturating_sub(MOST_SHOWN);
        if more > 0 {
            let _ = write!(text, "\nand {more} more, further down in the file\n");
        }
        text
    }
}

impl fmt::Display for Complaints {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let count = self.list.len();
        let mistakes = if count == 1 { "mistake" } else { "mistakes" };
        write!(f, "{}: {count} {mistakes}, nothing was started", self.file_name)
    }
}

impl std::error::Error for Complaints {}

impl Diagnostic for Complaints {
    fn source_code(&self) -> Option<&dyn SourceCode> {
        Some(&self.source)
    }
    fn related<'a>(&'a self) -> Option<Box<dyn Iterator<Item = &'a dyn Diagnostic> + 'a>> {
        Some(Box::new(self.list.iter().take(MOST_SHOWN).map(|complaint| complaint as &dyn Diagnostic)))
    }
}

/// Mistakes drawn at most: more push the first ones off the screen.
const MOST_SHOWN: usize = 20;

/// The text with every sign that a terminal obeys spelled out, as `\u{1b}`; line ends and tabs stay.
fn spelled(text: &str) -> String {
    let mut shown = String::new();
    for sign in text.chars() {
        if sign.is_control() && !matches!(sign, '\n' | '\t') {
            shown.extend(sign.escape_debug());
        } else {
            shown.push(sign);
        }
    }
    shown
}

/// The text with another sign of the same length in bytes for every one that a terminal obeys, so that each place in it
/// stays what it is.
fn harmless(text: &str) -> String {
    let mut signs = text.chars().peekable();
    let mut shown = String::with_capacity(text.len());
    while let Some(sign) = signs.next() {
        let ends_line = sign == '\n' || sign == '\r' && signs.peek() == Some(&'\n');
        shown.push(match sign.len_utf8() {
            _ if !sign.is_control() || ends_line || sign == '\t' => sign,
            1 => '?',
            // Every other control character lies between U+0080 and U+009F: two bytes, as this mark.
            _ => '\u{bf}',
        });
    }
    shown
}

/// The longest piece of the file repeated in a message, in characters.
const LONGEST_PIECE: usize = 40;

/// A piece of the file as it is repeated in a message: one line, shortened.
pub(super) fn piece(text: &str) -> String {
    let line = text.lines().next().unwrap_or_default().trim();
    let short: String = line.chars().take(LONGEST_PIECE).collect();
    if short.len() < text.trim().len() { format!("{short}...") } else { short }
}

/// Line and column, both from 1, of a byte in the text; a byte inside a character counts as its begin.
pub(super) fn place(text: &str, byte: usize) -> (usize, usize) {
    let end = (0..=byte.min(text.len())).rev().find(|at| text.is_char_boundary(*at)).unwrap_or(0);
    let before = &text[..end];
    let line_start = before.rfind('\n').map_or(0, |at| at + 1);
    (before.matches('\n').count() + 1, before[line_start..].chars().count() + 1)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn places_count_characters() {
        assert_eq!(place("", 0), (1, 1));
        assert_eq!(place("a\nbäc", 5), (2, 3));
        assert_eq!(place("a\nbäc", 4), (2, 2), "inside the character");
        assert_eq!(place("a\n", 99), (2, 1));
    }

    #[test]
    fn signs_that_a_terminal_obeys_are_shown_and_change_no_place() {
        let text = "a\u{1b}[2J\u{9b}\u{7f}\r\n\tb\r\u{e4}\n";
        let shown = harmless(text);
        assert_eq!((shown.as_str(), shown.len()), ("a?[2J\u{bf}?\r\n\tb?\u{e4}\n", text.len()));
        assert_eq!(spelled("\u{1b}[2J\u{9b}\r\n\u{e4}"), "\\u{1b}[2J\\u{9b}\\r\n\u{e4}");
        let wrong = [
            super::super::cv_list::read("a\u{1b}b.csv", "cv,value\n3,\u{1b}]0;x\u{7}\n").unwrap_err(),
            super::super::read("a\u{1b}b.toml", "\u{1b}[31m = 1\n").unwrap_err(),
            super::super::read("b.toml", "schema = 1\n[engine]\n\"na\\u001bme\" = \"\u{9b}\"\n").unwrap_err(),
        ];
        for wrong in wrong {
            let plain: Vec<String> = wrong.plain().into_iter().map(|reason| reason.evidence).collect();
            let said = format!("{}{wrong}{}", wrong.render(100, false), plain.join(""));
            let obeyed = |sign: char| sign.is_control() && sign != '\n';
            assert!(!said.contains(obeyed), "{said:?}");
        }
    }

    #[test]
    fn of_very_many_mistakes_the_first_are_drawn_and_the_rest_counted() {
        let list = |lines: usize| format!("cv,value\n{}", "3,300\n".repeat(lines));
        let few = super::super::cv_list::read("list.csv", &list(20)).unwrap_err();
        assert_eq!(few.render(100, false).matches("300, expected").count(), 20);
        assert!(!few.render(100, false).contains("more, further"));
        let many = super::super::cv_list::read("list.csv", &list(23)).unwrap_err();
        let drawn = many.render(100, false);
        assert_eq!(drawn.matches("300, expected").count(), 20, "{drawn}");
        assert!(drawn.ends_with("and 3 more, further down in the file\n"), "{drawn}");
        assert_eq!(many.plain().len(), 23, "programs get them all");
    }

    #[test]
    fn pieces_are_one_short_line() {
        assert_eq!(piece("\"80\""), "\"80\"");
        assert_eq!(piece("[1,\n 2]"), "[1,...");
        assert_eq!(piece(&"ä".repeat(60)), format!("{}...", "ä".repeat(40)));
    }
}
