//! Reading the station's lines: the welcome line and replies, as tolerantly as the list of traps asks
//! (`standards/srcp.md` A2, A3, A10). Knows nothing of what was asked.

/// Versions this client speaks: 0.8 and whatever follows a dot after it.
const SPOKEN: &str = "0.8";
/// Version asked for where no greeting tells any: the one that servers offer beside a newer one.
const SUPPOSED: &str = "0.8.3";

/// What the welcome line offers.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Welcome {
    /// The line as received.
    pub(super) line: String,
    /// The version spoken if the client names none.
    main: String,
    /// Further versions.
    other: Vec<String>,
}

impl Welcome {
    /// Reads a welcome line: items between `;`, each a key and its value; none if no item is `SRCP <version>`.
    pub(super) fn parse(line: &str) -> Option<Self> {
        let mut main = None;
        let mut other = Vec::new();
        for item in line.split(';') {
            let mut words = item.split_whitespace();
            // The key is compared whole: SRCPOTHER begins with SRCP. The product item may contain anything.
            let key = words.next();
            let versions =
                words.filter(|word| word.starts_with(|c: char| c.is_ascii_digit())).map(str::to_owned);
            match key {
                Some("SRCP") if main.is_none() => main = versions.take(1).next(),
                Some("SRCPOTHER") => other.extend(versions),
                _ => {}
            }
        }
        main.map(|main| Self { line: line.to_owned(), main, other })
    }

    /// What is supposed of a greeting that nobody heard, and the line that asks for the version supposed.
    pub(super) fn supposed() -> (Self, String) {
        let welcome = Self { line: String::new(), main: SUPPOSED.to_owned(), other: Vec::new() };
        (welcome, format!("SET PROTOCOL SRCP {SUPPOSED}"))
    }

    /// Whether the version spoken without asking is one of ours.
    pub(super) fn plain(&self) -> bool {
        spoken(&self.main)
    }

    /// The version to ask for: the newest 0.8 that is offered.
    pub(super) fn version(&self) -> Option<&str> {
        std::iter::once(&self.main)
            .chain(&self.other)
            .map(String::as_str)
            .filter(|version| spoken(version))
            .max_by_key(|version| patch(version))
    }

    /// All versions offered, for a message.
    pub(super) fn offered(&self) -> String {
        std::iter::once(&self.main).chain(&self.other).map(String::as_str).collect::<Vec<_>>().join(", ")
    }
}

fn spoken(version: &str) -> bool {
    version.strip_prefix(SPOKEN).is_some_and(|rest| rest.is_empty() || rest.starts_with('.'))
}

/// The third number of a version, 0 where there is none.
fn patch(version: &str) -> u32 {
    let digits: String =
        version.split('.').nth(2).unwrap_or_default().chars().take_while(char::is_ascii_digit).collect();
    digits.parse().unwrap_or(0)
}

/// A reply or information line. Only `code` and, for codes of 1xx, `words` decide anything.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Reply<'a> {
    /// Three digits.
    pub(super) code: u16,
    /// The words after `INFO`, `OK` or `ERROR`.
    pub(super) words: Vec<&'a str>,
}

impl<'a> Reply<'a> {
    /// Reads `[<timestamp>] <code> [INFO|OK|ERROR] [<text>]`. The time stamp may be missing or hold whole seconds only.
    pub(super) fn parse(line: &'a str) -> Option<Self> {
        let words: Vec<&str> = line.split_whitespace().collect();
        let first = *words.first()?;
        let stamped = match words.get(1) {
            None => false,
            // A whole-second stamp of three digits cannot be told from a code by its look; what follows decides.
            Some(second) if is_keyword(second) => false,
            Some(second) => is_stamp(first) && code_of(second).is_some(),
        };
        let rest = if stamped { words.get(1..)? } else { &words[..] };
        let code = code_of(rest.first()?)?;
        let text = rest.get(1..)?;
        let text = text
            .strip_prefix(&["INFO"])
            .or_else(|| text.strip_prefix(&["OK"]))
            .or_else(|| text.strip_prefix(&["ERROR"]))
            .unwrap_or(text);
        Some(Self { code, words: text.to_vec() })
    }

    /// 1xx: a value.
    pub(super) fn is_value(&self) -> bool {
        self.code / 100 == 1
    }

    /// 2xx: done.
    pub(super) fn is_ok(&self) -> bool {
        self.code / 100 == 2
    }

    /// 4xx and 5xx: no.
    pub(super) fn is_refusal(&self) -> bool {
        matches!(self.code / 100, 4 | 5)
    }

    /// The words as one text, for people.
    pub(super) fn text(&self) -> String {
        self.words.join(" ")
    }

    /// Bus and device group of an information line, and the words behind them.
    pub(super) fn device(&self) -> Option<(u16, &'a str, &[&'a str])> {
        let (bus, rest) = self.words.split_first()?;
        let (group, rest) = rest.split_first()?;
        Some((bus.parse().ok()?, group, rest))
    }
}

fn is_keyword(word: &str) -> bool {
    matches!(word, "INFO" | "OK" | "ERROR")
}

fn is_stamp(word: &str) -> bool {
    let (whole, part) = word.split_once('.').unwrap_or((word, ""));
    !whole.is_empty() && [whole, part].iter().all(|digits| digits.bytes().all(|b| b.is_ascii_digit()))
}

fn code_of(word: &str) -> Option<u16> {
    let digits = word.len() == 3 && word.bytes().all(|b| b.is_ascii_digit());
    digits.then(|| word.parse().ok()).flatten().filter(|code| (100..600).contains(code))
}

/// Engine setting as a GL line tells it: words behind `<bus> GL`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct EngineLine {
    /// Which address.
    pub(super) address: u16,
    /// 0 backward, 1 forward, 2 emergency stop.
    pub(super) mode: u16,
    /// Speed as a ratio of the top, 0 to 1: numbers may come on another scale than they were sent on (A10 no. 10).
    pub(super) ratio: f64,
}

impl EngineLine {
    /// Reads `<addr> <drivemode> <V> <V_max> <f> ...`. `steps` is the range of V where the station says `V_max` = 0.
    pub(super) fn parse(words: &[&str], steps: u16) -> Option<Self> {
        let [address, mode, value, top, ..] = words else { return None };
        let (address, mode) = (address.parse().ok()?, mode.parse().ok().filter(|mode| *mode <= 2)?);
        let (value, top): (u16, u16) = (value.parse().ok()?, top.parse().ok()?);
        let top = if top == 0 { steps } else { top };
        Some(Self { address, mode, ratio: (f64::from(value) / f64::from(top.max(1))).min(1.0) })
    }
}

/// Power state as a POWER line tells it: only the word ON or OFF is read, the rest is free text (A10 no. 16).
pub(super) fn power_of(words: &[&str]) -> Option<(bool, String)> {
    let (state, rest) = words.split_first()?;
    let on = match *state {
        "ON" => true,
        "OFF" => false,
        _ => return None,
    };
    Some((on, rest.join(" ")))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn code(line: &str) -> Option<u16> {
        Reply::parse(line).map(|reply| reply.code)
    }

    /// `standards/srcp.md` A9: T1 (printed trace), Q1 (quoted), and A2 shapes.
    #[test]
    fn welcome_lines() {
        let t1 = Welcome::parse("Harbour 1.2; SRCP 0.8.2").expect("T1");
        assert!(t1.plain());
        assert_eq!(t1.version(), Some("0.8.2"));
        let q1 = Welcome::parse("SRCP 0.8.4; SRCPOTHER 0.8.3").expect("Q1");
        assert_eq!(q1.version(), Some("0.8.4"));
        let older =
            Welcome::parse("Harbour;SRCP 0.7.3 ; SRCPOTHER  0.8.3;SRCPOTHER 0.8.4").expect("repeated keys");
        assert!(!older.plain());
        assert_eq!(older.version(), Some("0.8.4"));
        let old = Welcome::parse("SRCP 0.7.3; SRCPOTHER 0.80").expect("old");
        assert_eq!(old.version(), None);
        assert_eq!(old.offered(), "0.7.3, 0.80");
        // A product item that begins with the key's letters, or is the key with a name behind it.
        assert_eq!(
            Welcome::parse("SRCPHarbour 2; SRCP 0.8.3").expect("product first").version(),
            Some("0.8.3")
        );
        for no in
            ["", "HTTP/1.1 400 Bad Request", "SRCPOTHER 0.8.3", "SRCP", "SRCP server", "1099501402.1 200 OK"]
        {
            assert_eq!(Welcome::parse(no), None, "{no}");
        }
    }

    /// A10 no. 3: a missing time stamp, whole seconds; A10 no. 4: runs of blanks and tabs.
    #[test]
    fn stamps_may_be_missing_or_whole() {
        for line in [
            "1099501615.402 200 OK",
            "200 OK",
            "1099501615 200 OK",
            " 1.5 \t 200   OK ",
            "200",
            "1.0 200",
            "123 200 OK",
        ] {
            assert_eq!(code(line), Some(200), "{line}");
        }
        for line in
            ["", "OK", "20 OK", "2000 OK", "x 200 OK", "999 OK", "1.2.3 200 OK", "-1.5 200 OK", "099 200x OK"]
        {
            assert_eq!(code(line), None, "{line}");
        }
    }

    /// Server lines of A9, T2-T13 (trace) and Q3-Q26 (quoted), by code and first words.
    #[test]
    fn printed_and_quoted_replies_are_read() {
        let cases = [
            ("T2", "1099501615.402 401 ERROR unsupported connectionmode", 401, "unsupported connectionmode"),
            ("T3", "1099501653.440 202 OK CONNECTION MODE", 202, "CONNECTION MODE"),
            ("T4", "1099501653.441 200 OK GO 51", 200, "GO 51"),
            (
                "T5",
                "1099500689.334 100 INFO 0 DESCRIPTION SESSION SERVER TIME",
                100,
                "0 DESCRIPTION SESSION SERVER TIME",
            ),
            ("T6", "1099501118.653 101 INFO 0 TIME 5 1", 101, "0 TIME 5 1"),
            ("T7", "1099501653.441 100 INFO 0 TIME 0 1 11 37", 100, "0 TIME 0 1 11 37"),
            ("T12", "1099502452.748 200 OK GO 27", 200, "GO 27"),
            ("T13", "1099502452.804 200 OK", 200, ""),
            ("Q5", "5.0 102 INFO 3 GL 1234", 102, "3 GL 1234"),
            ("Q18", "5.0 100 INFO 0 SERVER RUNNING", 100, "0 SERVER RUNNING"),
            ("Q20", "5.0 101 INFO 0 SESSION 12345678", 101, "0 SESSION 12345678"),
            ("Q23", "5.0 100 INFO 0 TIME 2456678 08 43 12", 100, "0 TIME 2456678 08 43 12"),
            ("Q26", "5.0 410 ERROR unknown command", 410, "unknown command"),
            ("Q27", "5.0 201 OK PROTOCOL SRCP", 201, "PROTOCOL SRCP"),
        ];
        for (label, line, code, text) in cases {
            let reply = Reply::parse(line).expect(label);
            assert_eq!((reply.code, reply.text().as_str()), (code, text), "{label}");
        }
    }

    /// Q3 (quoted): eight functions; only the ratio counts.
    #[test]
    fn an_engine_line_gives_a_ratio() {
        let reply = Reply::parse("5.0 100 INFO 1 GL 1234 1 2 28 0 1 0 1 0 1 0 1").expect("Q3");
        let (bus, group, rest) = reply.device().expect("device");
        assert_eq!((bus, group), (1, "GL"));
        let engine = EngineLine::parse(rest, 28).expect("engine");
        assert_eq!((engine.address, engine.mode), (1234, 1));
        assert!((engine.ratio - 2.0 / 28.0).abs() < 1e-12);
        assert_eq!(EngineLine::parse(&["3", "1", "14", "0"], 28).map(|e| e.ratio), Some(0.5));
        assert_eq!(EngineLine::parse(&["3", "1", "40", "28"], 28).map(|e| e.ratio), Some(1.0));
        for no in
            [&["3", "1", "4"][..], &["3", "3", "0", "28"], &["3", "1", "-4", "28"], &["x", "1", "4", "28"]]
        {
            assert_eq!(EngineLine::parse(no, 28), None, "{no:?}");
        }
    }

    /// T9 (trace): free text behind the word, itself holding OFF.
    #[test]
    fn a_power_line_keeps_its_free_text() {
        let reply = Reply::parse("1099500689.345 100 INFO 1 POWER OFF AUTO POWER OFF").expect("T9");
        let (_, _, rest) = reply.device().expect("device");
        assert_eq!(power_of(rest), Some((false, "AUTO POWER OFF".to_owned())));
        assert_eq!(power_of(&["ON"]), Some((true, String::new())));
        assert_eq!(power_of(&["MAYBE"]), None);
        assert_eq!(power_of(&[]), None);
    }
}
