//! Framing: bytes to lines. Knows line ends and a longest line; what a line says is read in `reply`.
//!
//! SRCP is one line a command and a reply (`standards/srcp.md` A1). CR is taken off at either end of a line, because
//! a server may write CR LF or LF CR (A10 no. 4); empty lines are skipped.
use super::reply::{Reply, Welcome};
use std::collections::VecDeque;

/// Longest line taken. The protocol's own limit is remembered as 1000 bytes (A1, memory); four times that is tolerant
/// and still bounds what a peer can make us keep.
pub(super) const LINE_MAX_BYTES: usize = 4096;

/// How much of a line is quoted in an event.
const QUOTE_MAX_CHARS: usize = 80;

/// A line as it came, without its end.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Line {
    /// Text.
    Text(String),
    /// Not UTF-8; with replacements for what is not.
    Strange(String),
    /// Longer than [`LINE_MAX_BYTES`]; its beginning.
    TooLong(String),
}

impl Line {
    /// The line as a reply, if it is one.
    pub(super) fn reply(&self) -> Option<Reply<'_>> {
        match self {
            Self::Text(text) => Reply::parse(text),
            Self::Strange(_) | Self::TooLong(_) => None,
        }
    }

    /// The line as a greeting, if it is one. The name in it may be written in any character set (A10 no. 5).
    pub(super) fn welcome(&self) -> Option<Welcome> {
        match self {
            Self::Text(text) | Self::Strange(text) => Welcome::parse(text),
            Self::TooLong(_) => None,
        }
    }

    /// The line, fit to be shown.
    pub(super) fn quoted(&self) -> String {
        match self {
            Self::Text(text) => quote(text),
            Self::Strange(text) => format!("not UTF-8: {}", quote(text)),
            Self::TooLong(text) => format!("over-long line: {}", quote(text)),
        }
    }
}

/// Cuts a byte stream into lines, wherever the stream was split on its way.
#[derive(Debug, Default)]
pub(super) struct Framer {
    partial: Vec<u8>,
    too_long: bool,
    lines: VecDeque<Line>,
}

impl Framer {
    /// Takes bytes in.
    pub(super) fn push(&mut self, bytes: &[u8]) {
        for &byte in bytes {
            if byte == b'\n' {
                self.end_line();
            } else if self.partial.len() < LINE_MAX_BYTES {
                self.partial.push(byte);
            } else {
                self.too_long = true;
            }
        }
    }

    /// The next whole line.
    pub(super) fn pop(&mut self) -> Option<Line> {
        self.lines.pop_front()
    }

    /// The half line that is left when the connection ends.
    pub(super) fn half(&self) -> Option<String> {
        let text = self.half_text();
        (!text.is_empty()).then(|| format!("half a line: {}", quote(&text)))
    }

    /// The half line that is left, if it is readable and not the beginning of a reply.
    pub(super) fn half_foreign(&self) -> Option<String> {
        let readable = std::str::from_utf8(&self.partial).is_ok_and(is_readable);
        self.half().filter(|_| readable && Reply::parse(&self.half_text()).is_none())
    }

    fn half_text(&self) -> String {
        String::from_utf8_lossy(&self.partial).trim().to_owned()
    }

    fn end_line(&mut self) {
        let bytes = std::mem::take(&mut self.partial);
        if std::mem::take(&mut self.too_long) {
            self.lines.push_back(Line::TooLong(String::from_utf8_lossy(&bytes).into_owned()));
            return;
        }
        match std::str::from_utf8(&bytes) {
            Ok(text) if text.trim().is_empty() => {}
            Ok(text) => self.lines.push_back(Line::Text(text.trim().to_owned())),
            Err(_) => {
                let text = String::from_utf8_lossy(&bytes);
                self.lines.push_back(Line::Strange(text.trim().to_owned()));
            }
        }
    }
}

/// Nothing in it but what people write.
pub(super) fn is_readable(text: &str) -> bool {
    !text.chars().any(|c| c.is_control() && !matches!(c, '\t' | '\r'))
}

/// `text` made fit to be shown: control characters escaped, and shortened.
pub(super) fn quote(text: &str) -> String {
    let mut quoted: String = text.chars().take(QUOTE_MAX_CHARS).flat_map(char::escape_debug).collect();
    if text.chars().nth(QUOTE_MAX_CHARS).is_some() {
        quoted.push_str("...");
    }
    quoted
}

#[cfg(test)]
mod tests {
    use super::*;

    fn lines(bytes: &[u8]) -> Vec<Line> {
        let mut framer = Framer::default();
        framer.push(bytes);
        std::iter::from_fn(|| framer.pop()).collect()
    }

    /// `standards/srcp.md` A10 no. 4: LF, CR LF and LF CR all occur.
    #[test]
    fn line_ends_of_every_order_give_the_same_lines() {
        let expected = vec![Line::Text("1 200 OK".into()), Line::Text("2 200 OK".into())];
        for bytes in ["1 200 OK\n2 200 OK\n", "1 200 OK\r\n2 200 OK\r\n", "1 200 OK\n\r2 200 OK\n\r"] {
            assert_eq!(lines(bytes.as_bytes()), expected, "{bytes:?}");
        }
    }

    #[test]
    fn an_over_long_line_is_cut_and_the_next_one_is_whole() {
        let mut bytes = vec![b'x'; LINE_MAX_BYTES * 3];
        bytes.extend_from_slice(b"\n1 200 OK\n");
        let lines = lines(&bytes);
        assert!(matches!(lines[0], Line::TooLong(_)));
        let quoted = lines[0].quoted();
        assert!(quoted.starts_with("over-long line: xxx") && quoted.len() < 110);
        assert_eq!(lines[1], Line::Text("1 200 OK".into()));
        // Exactly the longest line still passes.
        let mut bytes = vec![b'y'; LINE_MAX_BYTES];
        bytes.push(b'\n');
        assert!(matches!(&self::lines(&bytes)[0], Line::Text(text) if text.len() == LINE_MAX_BYTES));
    }

    #[test]
    fn bytes_that_are_no_text_are_named_and_the_next_line_is_whole() {
        let lines = lines(b"1 200 \xff\xfe\n1 200 OK\n");
        assert!(matches!(lines[0], Line::Strange(_)) && lines[0].quoted().starts_with("not UTF-8: 1 200"));
        assert_eq!(lines[1], Line::Text("1 200 OK".into()));
    }

    #[test]
    fn a_half_line_is_kept_until_the_rest_comes() {
        let mut framer = Framer::default();
        framer.push(b"1 200 ");
        assert_eq!(framer.pop(), None);
        assert_eq!(framer.half().as_deref(), Some("half a line: 1 200"));
        framer.push(b"OK\n");
        assert_eq!(framer.pop(), Some(Line::Text("1 200 OK".into())));
        assert_eq!(framer.half(), None);
    }
}
