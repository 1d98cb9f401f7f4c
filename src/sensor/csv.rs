//! CSV lines: a header that names the columns, then a line a sample.
//!
//! `t_us,bx,by,bz` in any order; further columns are ignored; without `bz` the sensor has two axes. `t_us` is the
//! sensor's own 32-bit count of microseconds, the field comes in any unit. The header may come again and may change the
//! order. Line ends are LF or CR LF (RFC 4180 names CR LF; plain LF is common practice, no source). Empty lines are
//! nothing. What can't be read is told and skipped. This is the project's own format; only the framing is RFC 4180's,
//! without quoting, as no value needs it.
use super::{BrokenLine, Quantity, Reading, Sample, SensorEvent, SensorMachine, Stamp};
use crate::cause::{Cause, sensor as cause};
use std::collections::VecDeque;

/// Longest line in bytes without its end. A sample takes about 50.
const LINE_CAP: usize = 512;
/// Characters of a broken line that go into the evidence.
const SHOWN: usize = 40;
const NAMES: [&str; 4] = ["t_us", "bx", "by", "bz"];

/// Where the columns stand.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Layout {
    columns: usize,
    stamp: usize,
    axes: [usize; 2],
    third: Option<usize>,
}

/// The CSV format as a machine.
#[derive(Debug, Default)]
pub struct CsvSensor {
    /// Start of a line whose end has not come yet.
    part: Vec<u8>,
    /// The rest of an over-long line is being skipped.
    skipping: bool,
    line: u64,
    layout: Option<Layout>,
    events: VecDeque<SensorEvent>,
}

/// Why a line could not be read: the cause, and what came against what was expected.
type Fault = (&'static Cause, String);

impl CsvSensor {
    /// A machine that has seen nothing.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    fn broken(&mut self, (cause, evidence): Fault) {
        let line = self.line;
        self.events.push_back(SensorEvent::Broken(BrokenLine {
            line,
            code: cause.code.to_owned(),
            evidence,
        }));
    }

    /// Bytes that hold no line end: kept, or skipped once the line is over-long.
    fn keep(&mut self, bytes: &[u8]) {
        if self.skipping {
            return;
        }
        let room = (LINE_CAP + 2).saturating_sub(self.part.len());
        self.part.extend_from_slice(&bytes[..bytes.len().min(room)]);
        if self.part.len() > LINE_CAP + 1 {
            self.skipping = true;
            self.line += 1;
            let evidence = too_long(&self.part);
            self.part.clear();
            self.broken((&cause::LINE_TOO_LONG, evidence));
        }
    }

    /// A whole line without its LF.
    fn line(&mut self, bytes: &[u8]) {
        self.line += 1;
        let bytes = bytes.strip_suffix(b"\r").unwrap_or(bytes);
        let bytes = if self.line == 1 { bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes) } else { bytes };
        if bytes.len() > LINE_CAP {
            return self.broken((&cause::LINE_TOO_LONG, too_long(bytes)));
        }
        let Ok(text) = std::str::from_utf8(bytes) else {
            return self
                .broken((&cause::LINE_NOT_TEXT, format!("came {}, expected UTF-8 text", shown(bytes))));
        };
        if text.trim().is_empty() {
            return;
        }
        if text.split(',').any(|field| NAMES.contains(&field.trim())) {
            return self.header(text);
        }
        let Some(layout) = self.layout else {
            let evidence = format!("came {}, expected a header such as t_us,bx,by,bz first", shown(bytes));
            return self.broken((&cause::NO_HEADER, evidence));
        };
        match sample(text, layout) {
            Ok(sample) => self.events.push_back(SensorEvent::Sample(sample)),
            Err(fault) => self.broken(fault),
        }
    }

    fn header(&mut self, text: &str) {
        match header(text) {
            Ok(layout) => {
                self.layout = Some(layout);
                let axes = if layout.third.is_some() { 3 } else { 2 };
                self.events.push_back(SensorEvent::Layout(Quantity::Field { axes }));
            }
            // The order may have changed: what follows can't be trusted to the old one.
            Err(evidence) => {
                self.layout = None;
                self.broken((&cause::BAD_HEADER, evidence));
            }
        }
    }
}

impl SensorMachine for CsvSensor {
    fn handle_opened(&mut self) {
        self.part.clear();
        self.skipping = false;
        self.line = 0;
        self.layout = None;
    }

    fn handle_bytes(&mut self, bytes: &[u8]) {
        let mut rest = bytes;
        while let Some(end) = rest.iter().position(|byte| *byte == b'\n') {
            let (line, after) = (&rest[..end], &rest[end + 1..]);
            rest = after;
            if self.skipping {
                self.skipping = false;
            } else if self.part.is_empty() && line.len() <= LINE_CAP + 1 {
                self.line(line);
            } else {
                self.keep(line);
                // `keep` has told an over-long line already and emptied the part.
                if !std::mem::take(&mut self.skipping) {
                    let mut part = std::mem::take(&mut self.part);
                    self.line(&part);
                    part.clear();
                    self.part = part;
                }
            }
        }
        if !rest.is_empty() {
            self.keep(rest);
        }
    }

    fn poll_event(&mut self) -> Option<SensorEvent> {
        self.events.pop_front()
    }
}

/// The columns a header names; an error is evidence.
fn header(text: &str) -> Result<Layout, String> {
    let mut at = [None; 4];
    let mut columns = 0;
    for (index, field) in text.split(',').enumerate() {
        columns += 1;
        let Some(name) = NAMES.iter().position(|name| *name == field.trim()) else { continue };
        if at[name].replace(index).is_some() {
            return Err(format!("came {}, expected {} only once", shown(text.as_bytes()), NAMES[name]));
        }
    }
    let needed = |name: usize| {
        at[name].ok_or_else(|| format!("came {}, expected {} too", shown(text.as_bytes()), NAMES[name]))
    };
    Ok(Layout { columns, stamp: needed(0)?, axes: [needed(1)?, needed(2)?], third: at[3] })
}

fn sample(text: &str, layout: Layout) -> Result<Sample, Fault> {
    let found = text.split(',').count();
    if found != layout.columns {
        let columns = layout.columns;
        let evidence = format!("came {found} fields in {}, expected {columns}", shown(text.as_bytes()));
        return Err((&cause::LINE_FIELDS, evidence));
    }
    let (mut stamp_us, mut axes) = (0, [0.0; 3]);
    for (index, value) in text.split(',').enumerate() {
        let value = value.trim();
        if index == layout.stamp {
            stamp_us = stamp(value)?;
        } else if index == layout.axes[0] {
            axes[0] = field("bx", value)?;
        } else if index == layout.axes[1] {
            axes[1] = field("by", value)?;
        } else if Some(index) == layout.third {
            axes[2] = field("bz", value)?;
        }
    }
    Ok(Sample { stamp: Stamp::CountUs(stamp_us), reading: Reading::Field(axes) })
}

fn stamp(value: &str) -> Result<u32, Fault> {
    if let Ok(stamp) = value.parse() {
        return Ok(stamp);
    }
    let digits = value.trim_start_matches(['+', '-']);
    let came = shown(value.as_bytes());
    Err(if !digits.is_empty() && digits.bytes().all(|byte| byte.is_ascii_digit()) {
        (&cause::LINE_STAMP, format!("t_us is {came}, expected 0 to {}", u32::MAX))
    } else {
        (&cause::LINE_NUMBER, format!("t_us is {came}, expected whole microseconds"))
    })
}

fn field(name: &str, value: &str) -> Result<f64, Fault> {
    match value.parse::<f64>() {
        Ok(field) if field.is_finite() => Ok(field),
        Ok(_) => Err((
            &cause::LINE_NOT_FINITE,
            format!("{name} is {}, expected a finite number", shown(value.as_bytes())),
        )),
        Err(_) => {
            Err((&cause::LINE_NUMBER, format!("{name} is {}, expected a number", shown(value.as_bytes()))))
        }
    }
}

fn too_long(bytes: &[u8]) -> String {
    format!("came more than {LINE_CAP} bytes, starting {}", shown(bytes))
}

/// The start of what came, quoted and safe to print.
fn shown(bytes: &[u8]) -> String {
    // Four bytes a character at most; the cut may leave half a character, which the lossy reading marks.
    let head = &bytes[..bytes.len().min(4 * SHOWN)];
    let text = String::from_utf8_lossy(head);
    let mut shown: String = text.chars().take(SHOWN).flat_map(char::escape_debug).collect();
    if text.chars().nth(SHOWN).is_some() || head.len() < bytes.len() {
        shown.push_str("...");
    }
    format!("\"{shown}\"")
}

#[cfg(test)]
#[path = "csv_tests.rs"]
mod tests;
