//! Lists of CVs: which may be written, with what values, and which get one.
use super::text;
use crate::cause::bench_file as cause;
use crate::config::key::{Fault, Kind, Node};
use crate::dcc::cv;
use serde_json::{Value, json};
use std::ops::{Range, RangeInclusive};

/// CVs, each alone or a range: `"29"`, `"66 to 95"`. CV 7 and CV 8 are never among them.
#[derive(Debug)]
pub(in crate::config) struct CvSpans;

/// CVs with the values that may be written: `"5: 128 to 255"`.
#[derive(Debug)]
pub(in crate::config) struct CvLimits;

/// CVs with the one value each gets: `"57: 0"`.
#[derive(Debug)]
pub(in crate::config) struct CvValues;

/// A range of CVs and what stands behind its colon, with its place in the file.
pub(in crate::config) type CvEntry<T> = (RangeInclusive<u16>, T, Range<usize>);

impl Kind for CvSpans {
    type Value = Vec<CvEntry<()>>;
    fn expected(&self) -> String {
        "a list of CVs and ranges of CVs, as [\"29\", \"66 to 95\"]".into()
    }
    fn read(&self, value: &Node<'_>) -> Result<Self::Value, Vec<Fault>> {
        each(value, |words| Ok((cvs(words)?, ())))
    }
    fn schema(&self) -> Value {
        list("^[0-9]+( to [0-9]+)?$")
    }
}

impl Kind for CvLimits {
    type Value = Vec<CvEntry<RangeInclusive<u8>>>;
    fn expected(&self) -> String {
        "a list of CVs with their least and most value, as [\"5: 128 to 255\"]".into()
    }
    fn read(&self, value: &Node<'_>) -> Result<Self::Value, Vec<Fault>> {
        each(value, |words| {
            let (left, right) = halves(words)?;
            let values = span(right)?;
            let byte =
                |number: u16| u8::try_from(number).map_err(|_| "a CV holds values from 0 to 255".to_owned());
            Ok((cvs(left)?, byte(*values.start())?..=byte(*values.end())?))
        })
    }
    fn schema(&self) -> Value {
        list("^[0-9]+( to [0-9]+)?: *[0-9]+( to [0-9]+)?$")
    }
}

impl Kind for CvValues {
    type Value = Vec<CvEntry<u8>>;
    fn expected(&self) -> String {
        "a list of CVs with their value, as [\"57: 0\"]".into()
    }
    fn read(&self, value: &Node<'_>) -> Result<Self::Value, Vec<Fault>> {
        each(value, |words| {
            let (left, right) = halves(words)?;
            let value = right.parse().map_err(|_| "a CV holds values from 0 to 255".to_owned())?;
            Ok((cvs(left)?, value))
        })
    }
    fn schema(&self) -> Value {
        list("^[0-9]+( to [0-9]+)?: *[0-9]+$")
    }
}

fn list(pattern: &str) -> Value {
    json!({ "type": "array", "items": { "type": "string", "pattern": pattern } })
}

/// Reads every item of a list of texts; all that is wrong with it at once.
fn each<T>(
    value: &Node<'_>,
    read: impl Fn(&str) -> Result<(RangeInclusive<u16>, T), String>,
) -> Result<Vec<CvEntry<T>>, Vec<Fault>> {
    let Some(items) = value.get_ref().as_array() else {
        let hint = "write a list in square brackets, its parts in quotes";
        return Err(vec![Fault::new(&cause::WRONG_TYPE, hint)]);
    };
    let (mut good, mut faults) = (Vec::new(), Vec::new());
    for item in items {
        let words = text(item, "put each part of the list in quotes").map_err(|mut faults| faults.remove(0));
        match words.and_then(|words| read(words.trim()).map_err(|hint| Fault::new(&cause::WRONG_FORM, hint)))
        {
            Ok((cvs, value)) => good.push((cvs, value, item.span())),
            Err(fault) => faults.push(fault.at(item.span())),
        }
    }
    if faults.is_empty() { Ok(good) } else { Err(faults) }
}

fn halves(words: &str) -> Result<(&str, &str), String> {
    let halves = words.split_once(':').map(|(left, right)| (left.trim(), right.trim()));
    halves.ok_or_else(|| "a colon stands between the CV and its value, as in \"57: 0\"".to_owned())
}

/// Numbers of CVs that may be written.
fn cvs(words: &str) -> Result<RangeInclusive<u16>, String> {
    let span = span(words)?;
    for number in [*span.start(), *span.end()].into_iter().chain([cv::VERSION, cv::MAKER]) {
        if span.contains(&number) {
            cv::writable(number).map_err(|error| error.to_string())?;
        }
    }
    Ok(span)
}

/// `3`, or `3 to 7`.
fn span(words: &str) -> Result<RangeInclusive<u16>, String> {
    let number = |word: &str| {
        word.trim().parse::<u16>().map_err(|_| format!("\"{}\" is no number of this kind", word.trim()))
    };
    let (least, most) = match words.split_once("to") {
        Some((least, most)) => (number(least)?, number(most)?),
        None => (number(words)?, number(words)?),
    };
    if least > most {
        return Err(format!("the smaller number comes first: {most} to {least}"));
    }
    Ok(least..=most)
}
