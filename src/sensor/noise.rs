//! Tells bytes that are no text from text with a fault: a serial port at the wrong speed, or a device that speaks another
//! language, must be named as such and not as hundreds of broken lines.
//!
//! Only the start of a connection is judged, and only while nothing readable came. Until then broken lines wait. Text in
//! UTF-8 counts as text in any language. Two things count against it: control characters and bytes that are no UTF-8; and
//! the lack of digits and of what stands between words and numbers, as at half the sender's speed, where digits become
//! letters. Both bounds were set by trial on simulated serial lines; the tests repeat it.
use super::told::{Told, shown};
use super::{BrokenLine, SensorEvent};
use crate::cause::sensor as cause;
use std::collections::VecDeque;

/// Bytes from the opening that are judged: three lines of CSV or so.
const HEAD: usize = 128;
/// From one byte in so many that is no text, all of it is none.
const SHARE: usize = 8;
/// From one character in so many that is a digit or parts words and numbers, it may be text.
const PLAIN_SHARE: usize = 10;
/// From one in so many it is text, be it ever so short.
const CLEAR_SHARE: usize = 5;

/// How far the judgement is.
#[derive(Debug)]
pub(super) enum Doubt {
    /// Not judged yet: the bytes so far, and the broken lines that wait.
    Open {
        /// The first bytes.
        head: Vec<u8>,
        /// Broken lines, not told yet.
        held: Vec<SensorEvent>,
    },
    /// No text: broken lines are not worth a word until something readable comes.
    Noise,
    /// Text.
    Text,
}

impl Default for Doubt {
    fn default() -> Self {
        Self::Open { head: Vec::new(), held: Vec::new() }
    }
}

impl Doubt {
    /// How many of these bytes to take in one go: while in doubt up to a line's end, so that cuts on the way change nothing.
    pub(super) fn portion(&self, bytes: &[u8]) -> usize {
        let Self::Open { head, .. } = self else { return bytes.len() };
        let line = bytes.iter().position(|byte| *byte == b'\n').map_or(bytes.len(), |end| end + 1);
        line.min(HEAD - head.len())
    }

    /// These bytes came, and `told` is what was read of them: passes on what is worth telling.
    pub(super) fn sift(&mut self, bytes: &[u8], told: &mut Told, events: &mut VecDeque<SensorEvent>) {
        let first_good = told.events.iter().position(|event| !matches!(event, SensorEvent::Broken(_)));
        if let Some(good) = first_good {
            if matches!(self, Self::Noise) {
                told.events.drain(..good);
            }
            self.release(events);
            *self = Self::Text;
        }
        match self {
            Self::Text => events.extend(told.events.drain(..)),
            Self::Noise => told.events.clear(),
            Self::Open { head, held } => {
                head.extend_from_slice(bytes);
                held.append(&mut told.events);
                // Within a line the judgement would hang on how the bytes are cut.
                if bytes.ends_with(b"\n") && clearly_text(head) {
                    events.extend(held.drain(..));
                }
                if head.len() < HEAD {
                    return;
                }
                if let Some(evidence) = noise(head) {
                    let code = cause::GIBBERISH.code.to_owned();
                    events.push_back(SensorEvent::Broken(BrokenLine { line: 1, code, evidence }));
                    *self = Self::Noise;
                } else {
                    self.release(events);
                    *self = Self::Text;
                }
            }
        }
    }

    /// Tells what waits.
    pub(super) fn release(&mut self, events: &mut VecDeque<SensorEvent>) {
        if let Self::Open { held, .. } = self {
            events.extend(held.drain(..));
        }
    }
}

/// Evidence that these first bytes of a stream are no text.
fn noise(head: &[u8]) -> Option<String> {
    let (length, start) = (head.len(), shown(head));
    let strange = strangers(head);
    if strange * SHARE >= length {
        return Some(format!("{strange} of the first {length} bytes are no text, they start {start}"));
    }
    lacks_plain(head)
        .then(|| format!("the first {length} bytes hold hardly a digit, comma or space, they start {start}"))
}

/// Whether the first bytes, however few, leave no doubt.
fn clearly_text(head: &[u8]) -> bool {
    let (plain, characters) = plain(head);
    head.is_ascii() && strangers(head) == 0 && plain * CLEAR_SHARE >= characters
}

fn lacks_plain(bytes: &[u8]) -> bool {
    let (plain, characters) = plain(bytes);
    plain * PLAIN_SHARE < characters
}

/// How many characters are digits or stand between words and numbers, and how many there are.
fn plain(bytes: &[u8]) -> (usize, usize) {
    let text = String::from_utf8_lossy(bytes);
    let plain = text.chars().filter(|c| c.is_ascii_digit() || c.is_whitespace() || ",.;:-\"".contains(*c));
    (plain.count(), text.chars().count())
}

/// Bytes that text does not hold: control characters other than tab and line ends, and what is no UTF-8. A character cut
/// by the end is not held against it.
fn strangers(bytes: &[u8]) -> usize {
    let mut strange = 0;
    for chunk in bytes.utf8_chunks() {
        strange +=
            chunk.valid().chars().filter(|c| c.is_control() && !matches!(c, '\t' | '\r' | '\n')).count();
        let invalid = chunk.invalid();
        if !(bytes.ends_with(invalid) && cut_short(invalid)) {
            strange += invalid.len();
        }
    }
    strange
}

/// A start of a UTF-8 character whose rest may follow.
fn cut_short(bytes: &[u8]) -> bool {
    std::str::from_utf8(bytes).is_err_and(|error| error.error_len().is_none())
}

#[cfg(test)]
#[path = "noise_tests.rs"]
mod tests;
