//! The sensor's stream as one machine: lines, the form they are in, and what they say.
//!
//! The form is stated, or told by the first character of each line until a line could be read: `[` begins a `SenML` pack,
//! anything else is CSV. So half a line at the start, as a serial link gives it, decides nothing.
use super::csv::CsvReader;
use super::lines::{Content, Lines};
use super::noise::Doubt;
use super::senml::SenmlReader;
use super::told::{Fault, House, Told, shown};
use super::{SensorEvent, SensorMachine, Source};
use crate::cause::sensor as cause;
use std::collections::VecDeque;

/// A form of stream.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Form {
    /// CSV lines.
    Csv,
    /// `SenML` packs, one a line.
    Senml,
}

/// A sensor's stream as a machine. What it remembers is bounded by the longest line.
#[derive(Debug)]
pub struct SensorStream {
    lines: Lines,
    readers: Readers,
    doubt: Doubt,
    told: Told,
    events: VecDeque<SensorEvent>,
}

impl SensorStream {
    /// A machine that has seen nothing; without a form it tells the form by what comes.
    #[must_use]
    pub fn new(form: Option<Form>, source: Source) -> Self {
        Self {
            lines: Lines::default(),
            readers: Readers::new(form, source),
            doubt: Doubt::default(),
            told: Told::default(),
            events: VecDeque::new(),
        }
    }
}

impl SensorMachine for SensorStream {
    fn handle_opened(&mut self) {
        self.doubt.release(&mut self.events);
        self.doubt = Doubt::default();
        self.lines = Lines::default();
        self.readers = Readers::new(self.readers.stated, self.readers.source);
    }

    fn handle_bytes(&mut self, bytes: &[u8]) {
        let mut rest = bytes;
        while !rest.is_empty() {
            let (portion, after) = rest.split_at(self.doubt.portion(rest));
            rest = after;
            let (readers, told) = (&mut self.readers, &mut self.told);
            self.lines.take(portion, |number, content| {
                told.line = number;
                readers.line(content, told);
            });
            self.doubt.sift(portion, &mut self.told, &mut self.events);
        }
    }

    fn poll_event(&mut self) -> Option<SensorEvent> {
        self.events.pop_front()
    }
}

/// The readers of both forms, and which of them has the word.
#[derive(Debug)]
struct Readers {
    stated: Option<Form>,
    source: Source,
    /// The form of the first line that could be read.
    settled: Option<Form>,
    csv: CsvReader,
    senml: SenmlReader,
    house: House,
}

impl Readers {
    fn new(stated: Option<Form>, source: Source) -> Self {
        Self {
            stated,
            source,
            settled: None,
            csv: CsvReader::new(source),
            senml: SenmlReader::new(source),
            house: House::default(),
        }
    }

    fn line(&mut self, content: Content<'_>, told: &mut Told) {
        if let (Some(Form::Csv), Ok(bytes)) = (self.settled, content)
            && let Some(sample) = self.csv.quick(bytes)
        {
            return told.push(SensorEvent::Sample(sample));
        }
        let text = match text(content) {
            Ok(text) if text.trim().is_empty() => return,
            Ok(text) => text,
            Err(fault) => return told.broken(fault),
        };
        // An object without its array is no CSV either: what is said of packs helps more.
        let looks = if text.trim_start().starts_with(['[', '{']) { Form::Senml } else { Form::Csv };
        if self.settled.is_none() && self.stated.is_some_and(|stated| stated != looks) {
            return told.broken((&cause::OTHER_FORM, other_form(text, looks)));
        }
        let form = self.settled.or(self.stated).unwrap_or(looks);
        let before = told.events.len();
        match form {
            Form::Csv => self.csv.line(text, &mut self.house, told),
            Form::Senml => self.senml.line(text, &mut self.house, told),
        }
        if told.events[before..].iter().any(|event| !matches!(event, SensorEvent::Broken(_))) {
            self.settled = Some(form);
        }
    }
}

fn other_form(text: &str, looks: Form) -> String {
    let came = shown(text.as_bytes());
    match looks {
        Form::Csv => {
            format!("came {came}, expected SenML, as the bench file says: a line that starts with [")
        }
        Form::Senml => format!("came {came}, expected CSV, as the bench file says"),
    }
}

fn text(content: Content<'_>) -> Result<&str, Fault> {
    let bytes = content.map_err(|(head, cap)| {
        (&cause::LINE_TOO_LONG, format!("came more than {cap} bytes, starting {}", shown(head)))
    })?;
    std::str::from_utf8(bytes)
        .map_err(|_| (&cause::LINE_NOT_TEXT, format!("came {}, expected UTF-8 text", shown(bytes))))
}

#[cfg(test)]
#[path = "stream_tests.rs"]
mod tests;
