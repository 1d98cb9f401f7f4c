//! The one catalogue of causes: each has a code and three sentences, used by errors, guards, check, explain,
//! page, report and README. A message never invents its own wording: it names a cause and adds evidence. Words alone:
//! it knows no other part of the program. A cause that nothing names does not stay.
use serde::{Deserialize, Serialize};

pub mod bench_file;
pub mod cv_list;
pub mod engine;
pub mod link;
pub mod path;
pub mod profile;
pub mod program;
pub mod record;
pub mod sensor;
pub mod signal;
pub mod station;

/// A thing that can be wrong, in words for a club member.
#[derive(Debug, PartialEq, Eq)]
pub struct Cause {
    /// Stable kebab-case code, unique in the catalogue.
    pub code: &'static str,
    /// What was seen, one sentence.
    pub seen: &'static str,
    /// What it may be, likeliest first, one sentence.
    pub may_be: &'static str,
    /// What to try, one sentence.
    pub to_try: &'static str,
}

/// A cause met in a run, with the evidence that pointed to it. It goes into the journal and the result.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Reason {
    /// The code of the cause.
    pub code: String,
    /// The three sentences of the cause, joined.
    pub text: String,
    /// Figures and times of this case.
    pub evidence: String,
}

impl Reason {
    /// `cause` met, with `evidence` (figures with units, no full stop).
    #[must_use]
    pub fn new(cause: &Cause, evidence: impl Into<String>) -> Self {
        Self {
            code: cause.code.to_owned(),
            text: format!("{} {} {}", cause.seen, cause.may_be, cause.to_try),
            evidence: evidence.into(),
        }
    }
}

/// Every cause of the catalogue.
pub fn all() -> impl Iterator<Item = &'static Cause> {
    [
        bench_file::ALL,
        cv_list::ALL,
        engine::ALL,
        link::ALL,
        path::ALL,
        profile::ALL,
        program::ALL,
        record::ALL,
        sensor::ALL,
        signal::ALL,
        station::ALL,
    ]
    .into_iter()
    .flatten()
    .copied()
}

/// The cause with this code.
#[must_use]
pub fn find(code: &str) -> Option<&'static Cause> {
    all().find(|cause| cause.code == code)
}

/// The text that carries a cause through an interface of words: its code, then the evidence.
#[must_use]
pub fn told(cause: &Cause, evidence: &str) -> String {
    format!("{}: {evidence}", cause.code)
}

/// The cause whose code begins `why` (`station-silent: no answer to ...`), or `otherwise`; and the words behind it.
#[must_use]
pub fn heard<'a>(why: &'a str, otherwise: &'static Cause) -> (&'static Cause, &'a str) {
    let named = why.split_once(": ").and_then(|(code, words)| Some((find(code)?, words)));
    named.unwrap_or((otherwise, why))
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeSet;

    #[test]
    fn codes_are_unique_and_sentences_are_whole() {
        let mut seen = BTreeSet::new();
        for cause in all() {
            assert!(seen.insert(cause.code), "two causes share the code {}", cause.code);
            assert!(
                cause.code.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-'),
                "{}",
                cause.code
            );
            for sentence in [cause.seen, cause.may_be, cause.to_try] {
                assert!(sentence.ends_with('.') && sentence.len() > 10, "{}: {sentence}", cause.code);
            }
        }
        assert!(find("no-such-cause").is_none());
    }

    #[test]
    fn words_may_begin_with_the_code_of_their_cause() {
        let usual = &station::SESSION_LOST;
        assert_eq!(heard("station-silent: no answer", usual), (&station::STATION_SILENT, "no answer"));
        for why in ["end of stream", "127.0.0.1:4303: reset", ""] {
            assert_eq!(heard(why, usual), (usual, why));
        }
    }
}
