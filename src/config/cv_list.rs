//! A list of CVs as text: CSV by RFC 4180 with a first line `cv,value` or `cv,value,note`, then a line a CV. Pure.
//!
//! CVs are 1 to 1024, values 0 to 255, both in digits; notes are passed over. Quotes, a byte order mark, line ends of any
//! kind that RFC 4180 or text files have, blanks beside the numbers and lines of commas alone, as spreadsheets write
//! them, are taken. Remarks with `#` are not: they are no part of CSV, and no spreadsheet keeps them.
use super::complaint::{Complaint, Complaints, piece, place};
use crate::cause::{Cause, cv_list as cause};
use crate::dcc::cv;
use std::collections::BTreeMap;
use std::ops::Range;

/// The columns that must stand, and the one that may.
const COLUMNS: [&str; 3] = ["cv", "value", "note"];

/// One value of a line, without its quotes.
struct Field {
    span: Range<usize>,
    text: String,
}

/// Reads a list: each CV's number and value, in the order of the list. `file_name` serves messages only.
///
/// # Errors
/// Everything that is wrong with it, all together.
pub fn read(file_name: &str, text: &str) -> Result<Vec<(u16, u8)>, Complaints> {
    let mut reading = Reading { text, complaints: Vec::new() };
    let list = reading.list();
    if reading.complaints.is_empty() {
        return Ok(list);
    }
    Err(Complaints::new(file_name, text, reading.complaints))
}

/// Writes a list that [`read`] reads, with a note beside its first CV. Lines end as RFC 4180 has it.
#[must_use]
pub fn write(values: &[(u16, u8)], note: &str) -> String {
    let lines = values.iter().enumerate().map(|(at, (cv, value))| {
        let note = if at == 0 { quoted(note) } else { String::new() };
        format!("{cv},{value},{note}\r\n")
    });
    std::iter::once(COLUMNS.join(",") + "\r\n").chain(lines).collect()
}

fn quoted(text: &str) -> String {
    if text.contains([',', '"', '\r', '\n']) {
        format!("\"{}\"", text.replace('"', "\"\""))
    } else {
        text.to_owned()
    }
}

struct Reading<'t> {
    text: &'t str,
    complaints: Vec<Complaint>,
}

impl Reading<'_> {
    fn list(&mut self) -> Vec<(u16, u8)> {
        let mut lines = self.lines().into_iter().filter(|line| !is_blank(line));
        let Some(columns) = lines.next().and_then(|first| self.header(&first)) else {
            if self.complaints.is_empty() {
                self.complain(
                    &cause::EMPTY,
                    String::new(),
                    0..0,
                    "a list of CVs",
                    "begin it with the line cv,value",
                );
            }
            return Vec::new();
        };
        let mut places: BTreeMap<u16, Range<usize>> = BTreeMap::new();
        let mut list = Vec::new();
        for line in lines {
            let Some((cv, value)) = self.line(&line, columns) else { continue };
            let span = line[0].span.clone();
            if let Some(first) = places.get(&cv).cloned() {
                let key = format!("CV {cv}");
                self.complain(&cause::TWICE, key, span, "each CV once", "take one of the two lines out");
                if let Some(complaint) = self.complaints.last_mut() {
                    complaint.also = vec![(first, "it stands here too".to_owned())];
                }
            } else {
                places.insert(cv, span);
                list.push((cv, value));
            }
        }
        if list.is_empty() && self.complaints.is_empty() {
            let end = self.text.trim_end().len();
            let hint = "write a line a CV below the first, as 3,12";
            self.complain(&cause::EMPTY, String::new(), end..end, "a line a CV", hint);
        }
        list
    }

    /// The number of columns, if the first line names them.
    fn header(&mut self, line: &[Field]) -> Option<usize> {
        let named = |field: &Field, name: &str| field.text.trim().eq_ignore_ascii_case(name);
        let filled = line.iter().rposition(|field| !field.text.trim().is_empty()).map_or(0, |last| last + 1);
        if (2..=COLUMNS.len()).contains(&filled)
            && line[..filled].iter().zip(COLUMNS).all(|(field, name)| named(field, name))
        {
            return Some(filled);
        }
        let span = whole(line);
        if line.len() == 1 && line[0].text.contains([';', '\t']) {
            let hint = "put a comma between the columns, here and in every line";
            self.complain(&cause::SEPARATOR, String::new(), span, "commas between the values", hint);
        } else {
            let hint = "put the line cv,value above all others";
            self.complain(&cause::HEADER, String::new(), span, "the line cv,value or cv,value,note", hint);
        }
        None
    }

    fn line(&mut self, line: &[Field], columns: usize) -> Option<(u16, u8)> {
        let span = whole(line);
        let first = &line[0];
        if first.text.trim_start().starts_with('#') {
            let hint = "remarks stand in the column note: begin the list with cv,value,note";
            self.complain(&cause::LINE, String::new(), span, "the number of a CV and its value", hint);
            return None;
        }
        let Some(second) = line.get(1) else {
            if first.text.contains([';', '\t']) {
                let hint = "put a comma between the values";
                self.complain(&cause::SEPARATOR, String::new(), span, "commas between the values", hint);
            } else {
                let hint = "write the CV, a comma and its value, as 3,12";
                self.complain(&cause::LINE, String::new(), span, "the number of a CV and its value", hint);
            }
            return None;
        };
        if line.iter().skip(columns).any(|field| !field.text.trim().is_empty()) {
            let hint = "write whole values, 12 and not 12,0; put a remark into the column note, in quotes if it holds commas";
            self.complain(&cause::LINE, String::new(), span, format!("{columns} values"), hint);
            return None;
        }
        let number = self.number(first);
        let key = number.map_or_else(String::new, |cv| format!("CV {cv}"));
        let value = self.value(second, key);
        number.zip(value)
    }

    fn number(&mut self, field: &Field) -> Option<u16> {
        let text = field.text.trim();
        let number =
            digits(text).and_then(|number| u16::try_from(number).ok()).filter(|cv| cv::readable(*cv).is_ok());
        if number.is_none() {
            let bare = text.trim_start_matches(|c: char| !c.is_ascii_digit());
            let hint = match digits(bare) {
                Some(number) if bare.len() < text.len() && !text.contains(['-', '+']) => {
                    format!("write the bare number {number}")
                }
                _ => "CVs are numbered from 1 to 1024".to_owned(),
            };
            self.complain(&cause::NUMBER, String::new(), field.span.clone(), "a CV from 1 to 1024", hint);
        }
        number
    }

    fn value(&mut self, field: &Field, key: String) -> Option<u8> {
        let text = field.text.trim();
        let value = digits(text).and_then(|number| u8::try_from(number).ok());
        if value.is_none() {
            let hint = value_hint(text);
            self.complain(&cause::VALUE, key, field.span.clone(), "a whole number from 0 to 255", hint);
        }
        value
    }

    /// The values of each line. A quote that is left open is complained of.
    fn lines(&mut self) -> Vec<Vec<Field>> {
        let mut cutter = Cutter { text: self.text, at: 0 };
        if self.text.starts_with('\u{feff}') {
            cutter.at = '\u{feff}'.len_utf8();
        }
        let mut lines = Vec::new();
        while cutter.at < self.text.len() {
            match cutter.line() {
                Ok(line) => lines.push(line),
                Err(quote) => {
                    let (expected, hint) =
                        ("a closing quote", "close the quote that begins here, or take it out");
                    self.complain(&cause::LINE, String::new(), quote..quote + 1, expected, hint);
                    break;
                }
            }
        }
        lines
    }

    fn complain(
        &mut self,
        cause: &'static Cause,
        key: String,
        span: Range<usize>,
        expected: impl Into<String>,
        hint: impl Into<String>,
    ) {
        let (line, column) = place(self.text, span.start);
        self.complaints.push(Complaint {
            cause,
            key,
            line,
            column,
            came: self.text.get(span.clone()).map(piece).unwrap_or_default(),
            span,
            expected: expected.into(),
            hint: hint.into(),
            also: Vec::new(),
        });
    }
}

/// Cuts lines into values.
struct Cutter<'t> {
    text: &'t str,
    at: usize,
}

impl Cutter<'_> {
    /// The next line's values; an error is the place of a quote that is never closed.
    fn line(&mut self) -> Result<Vec<Field>, usize> {
        let mut fields = Vec::new();
        loop {
            fields.push(self.field()?);
            let rest = &self.text[self.at..];
            if rest.starts_with(',') {
                self.at += 1;
                continue;
            }
            self.at += if rest.starts_with("\r\n") { 2 } else { usize::from(!rest.is_empty()) };
            return Ok(fields);
        }
    }

    /// A value up to the comma or line end behind it.
    fn field(&mut self) -> Result<Field, usize> {
        let start = self.at;
        let mut text = String::new();
        if self.text[start..].starts_with('"') {
            self.at += 1;
            loop {
                let end = self.text[self.at..].find('"').ok_or(start)?;
                text += &self.text[self.at..self.at + end];
                self.at += end + 1;
                if !self.text[self.at..].starts_with('"') {
                    break;
                }
                text.push('"');
                self.at += 1;
            }
        }
        let rest = &self.text[self.at..];
        let end = rest.find([',', '\r', '\n']).unwrap_or(rest.len());
        text += &rest[..end];
        self.at += end;
        Ok(Field { span: start..self.at, text })
    }
}

fn is_blank(line: &[Field]) -> bool {
    line.iter().all(|field| field.text.trim().is_empty())
}

/// The place of a whole line.
fn whole(line: &[Field]) -> Range<usize> {
    let start = line.first().map_or(0, |field| field.span.start);
    start..line.last().map_or(start, |field| field.span.end)
}

/// A whole number in digits; one too large for any use is none.
fn digits(text: &str) -> Option<u32> {
    let all = !text.is_empty() && text.bytes().all(|b| b.is_ascii_digit());
    if all { text.parse().ok() } else { None }
}

fn value_hint(text: &str) -> String {
    let hexadecimal = text.strip_prefix("0x").or_else(|| text.strip_prefix("0X"));
    let whole = text.split(['.', ',']).next().and_then(digits);
    match (hexadecimal.and_then(|digits| u8::from_str_radix(digits, 16).ok()), whole) {
        _ if text.is_empty() => "it is blank: fill it in, or take the line out".to_owned(),
        (Some(value), _) => format!("write it in decimal: {value}"),
        (None, Some(whole)) if whole <= 255 && text.contains(['.', ',']) => {
            format!("write the whole number {whole}")
        }
        _ => "values go from 0 to 255, in digits".to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn codes(text: &str) -> Vec<(usize, &'static str)> {
        read("list.csv", text).unwrap_err().list().iter().map(|one| (one.line, one.cause.code)).collect()
    }

    #[test]
    fn lists_are_read_as_people_and_spreadsheets_write_them() {
        for text in [
            "cv,value\n3,12\n29,6\n",
            "cv,value\r\n3,12\r\n29,6",
            "\u{feff}CV,Value,Note\n3,12,\"slow, as it was\"\n\n29,6,\n,,\n",
            "cv,value,note,,\n\"3\",\"12\",\"two\nlines and \"\"quotes\"\"\",,\n 29 , 06 ,,,\n",
        ] {
            assert_eq!(read("list.csv", text).unwrap(), [(3, 12), (29, 6)], "{text:?}");
        }
        assert_eq!(read("list.csv", "cv,value\n1024,255\n1,0").unwrap(), [(1024, 255), (1, 0)]);
    }

    #[test]
    fn what_is_wrong_has_its_cause_and_line() {
        for (text, wanted) in [
            ("", &[(1, "cv-list-empty")][..]),
            ("cv,value\n\n", &[(1, "cv-list-empty")]),
            ("3,12\n29,6\n", &[(1, "cv-list-header")]),
            ("cv,value,name\n3,12,x\n", &[(1, "cv-list-header")]),
            ("cv;value\n3;12\n", &[(1, "cv-list-separator")]),
            ("cv\tvalue\n3\t12\n", &[(1, "cv-list-separator")]),
            ("cv,value\n3;12\n4\t7\n", &[(2, "cv-list-separator"), (3, "cv-list-separator")]),
            ("cv,value\n# momentum\n3,12\n", &[(2, "cv-list-line")]),
            ("cv,value\n3\n", &[(2, "cv-list-line")]),
            ("cv,value\n3,12,0\n", &[(2, "cv-list-line")]),
            ("cv,value,note\n3,12,\"open\n4,5\n", &[(2, "cv-list-line")]),
            (
                "cv,value\n0,1\n1025,1\nCV3,1\n-3,1\n",
                &[(2, "cv-list-number"), (3, "cv-list-number"), (4, "cv-list-number"), (5, "cv-list-number")],
            ),
            (
                "cv,value\n3,\n4,256\n5,\"12,0\"\n6,12.5\n7,0x1F\n8,-1\n",
                &[
                    (2, "cv-list-value"),
                    (3, "cv-list-value"),
                    (4, "cv-list-value"),
                    (5, "cv-list-value"),
                    (6, "cv-list-value"),
                    (7, "cv-list-value"),
                ],
            ),
            ("cv,value\n3,12\n4,1\n3,13\n", &[(4, "cv-list-twice")]),
            ("cv,value\nx,y\n", &[(2, "cv-list-number"), (2, "cv-list-value")]),
            ("cv,value\r3,12\r", &[]),
        ] {
            if wanted.is_empty() {
                assert!(read("list.csv", text).is_ok(), "{text:?}");
                continue;
            }
            assert_eq!(codes(text), wanted, "{text:?}");
        }
    }

    #[test]
    fn hints_name_what_to_write() {
        let hint = |text: &str| read("list.csv", text).unwrap_err().list()[0].hint.clone();
        for (line, meant) in [
            ("7,0x1F", "31"),
            ("3,\"12,0\"", "whole number 12"),
            ("CV3,1", "bare number 3"),
            ("3,", "blank"),
            ("# x,y", "column note"),
        ] {
            assert!(hint(&format!("cv,value\n{line}\n")).contains(meant), "{line}");
        }
        let wrong = read("lapwing-cvs.csv", "cv,value\n3,300\n").unwrap_err();
        let evidence = wrong.plain()[0].evidence.clone();
        assert!(evidence.starts_with("lapwing-cvs.csv:2:3: CV 3: came 300"), "{evidence}");
    }

    /// RFC 4180, section 2, rules 1, 6 and 7: CR LF, quotes around commas, quotes doubled within quotes.
    #[test]
    fn lists_are_written_by_the_standard() {
        let text = write(&[(3, 12), (4, 0)], "Engine \"Lapwing\", short 4");
        assert_eq!(text, "cv,value,note\r\n3,12,\"Engine \"\"Lapwing\"\", short 4\"\r\n4,0,\r\n");
    }

    proptest! {
        #[test]
        fn what_is_written_is_read_again(
            values in prop::collection::btree_map(1_u16..=1024, any::<u8>(), 1..60),
            note in "(\\PC|[\",\r\n]){0,40}",
        ) {
            let values: Vec<(u16, u8)> = values.into_iter().collect();
            prop_assert_eq!(read("list.csv", &write(&values, &note)).unwrap(), values);
        }

        #[test]
        fn any_text_is_answered(text in "(cv,value\n)?([0-9,;\"#\r\n\t]|\\PC){0,80}") {
            match read("list.csv", &text) {
                Ok(list) => prop_assert!(!list.is_empty()),
                Err(wrong) => prop_assert!(!wrong.list().is_empty() && !wrong.render(100, false).is_empty()),
            }
        }
    }
}
