//! Which steps a sweep measures: a word or a number.
use super::plain::Whole;
use crate::cause::bench_file as cause;
use crate::config::key::{Fault, Kind, Node};
use crate::config::near::nearest;
use crate::config::spec::SweepSteps;
use serde_json::{Value, json};

/// The words and what they stand for.
const WORDS: [(&str, SweepSteps); 2] = [("learn", SweepSteps::Learn), ("all", SweepSteps::All)];

/// "learn", "all", or so many within limits.
#[derive(Debug)]
pub(in crate::config) struct Steps {
    /// The least number.
    pub(in crate::config) least: u16,
    /// The most.
    pub(in crate::config) most: u16,
}

impl Steps {
    fn number(&self) -> Whole {
        Whole { least: self.least, most: self.most }
    }
}

impl Kind for Steps {
    type Value = SweepSteps;
    fn expected(&self) -> String {
        format!("\"learn\", \"all\" or {}", self.number().expected())
    }
    fn read(&self, value: &Node<'_>) -> Result<SweepSteps, Vec<Fault>> {
        let Some(word) = value.get_ref().as_str().filter(|word| word.trim().parse::<i64>().is_err()) else {
            return self.number().read(value).map(SweepSteps::Spread);
        };
        if let Some((_, steps)) = WORDS.iter().find(|(known, _)| *known == word) {
            return Ok(*steps);
        }
        let hint = match nearest(word, WORDS.iter().map(|(known, _)| *known)) {
            Some(near) => format!("did you mean \"{near}\"?"),
            None => "write one of the two words, in quotes, or a number, without".to_owned(),
        };
        Err(vec![Fault::new(&cause::UNKNOWN_CHOICE, hint)])
    }
    fn schema(&self) -> Value {
        json!({ "anyOf": [
            { "type": "string", "enum": WORDS.map(|(word, _)| word) },
            { "type": "integer", "minimum": self.least, "maximum": self.most },
        ] })
    }
}
