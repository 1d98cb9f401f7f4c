//! What the readers of the formats tell, and how evidence shows what came.
use super::{BrokenLine, Housekeeping, SensorEvent};
use crate::cause::{Cause, sensor as cause};

/// Characters of a broken line that go into the evidence.
const SHOWN: usize = 40;

/// Why a line could not be read: the cause, and what came against what was expected.
pub(super) type Fault = (&'static Cause, String);

/// What the line at hand gave.
#[derive(Debug, Default)]
pub(super) struct Told {
    /// The line's number.
    pub(super) line: u64,
    /// What it gave so far, together with lines before that nobody has taken yet.
    pub(super) events: Vec<SensorEvent>,
}

impl Told {
    pub(super) fn push(&mut self, event: SensorEvent) {
        self.events.push(event);
    }

    pub(super) fn broken(&mut self, (cause, evidence): Fault) {
        let line = self.line;
        self.push(SensorEvent::Broken(BrokenLine { line, code: cause.code.to_owned(), evidence }));
    }
}

/// What the sensor said of itself, told when it changes.
#[derive(Debug, Default)]
pub(super) struct House {
    known: Housekeeping,
    /// A value that could not be read was told: once is enough, it costs no sample.
    complained: bool,
}

impl House {
    /// A line's values; none where it has none.
    pub(super) fn take(&mut self, battery_v: Option<f64>, temperature_c: Option<f64>, told: &mut Told) {
        let now = Housekeeping {
            battery_v: battery_v.or(self.known.battery_v),
            temperature_c: temperature_c.or(self.known.temperature_c),
        };
        if now != self.known {
            self.known = now;
            told.push(SensorEvent::Housekeeping(now));
        }
    }

    /// A value that could not be read.
    pub(super) fn bad(&mut self, evidence: String, told: &mut Told) {
        if !std::mem::replace(&mut self.complained, true) {
            told.broken((&cause::HOUSEKEEPING, evidence));
        }
    }
}

/// The start of what came, quoted and safe to print.
pub(super) fn shown(bytes: &[u8]) -> String {
    // Four bytes a character at most; the cut may leave half a character, which the lossy reading marks.
    let head = &bytes[..bytes.len().min(4 * SHOWN)];
    let text = String::from_utf8_lossy(head);
    let mut shown: String = text.chars().take(SHOWN).flat_map(char::escape_debug).collect();
    if text.chars().nth(SHOWN).is_some() || head.len() < bytes.len() {
        shown.push_str("...");
    }
    format!("\"{shown}\"")
}
