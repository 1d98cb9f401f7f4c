//! The kinds of values a key can have. Each reads a TOML value, says what it expected, and gives its JSON Schema.
pub(super) mod cvs;
pub(super) mod link;
pub(super) mod listed;
pub(super) mod name;
pub(super) mod plain;
pub(super) mod quantity;
pub(super) mod resolution;
pub(super) mod steps;

use super::key::{Fault, Node};
use crate::cause::bench_file as cause;

pub(super) use cvs::{CvLimits, CvSpans, CvValues};
pub(super) use link::{Device, HostPort, Rate};
pub(super) use listed::{Functions, PointList};
pub(super) use name::{Topic, WholePath};
pub(super) use plain::{Choice, FileName, Flag, OneOf, Ratio, Scale, Text, Texts, Version, Whole, Words};
pub(super) use quantity::{Doubt, DoubtValue, Length, Part, Room, SpeedKind, Time, Voltage};
pub(super) use resolution::{Resolution, ResolutionValue};
pub(super) use steps::Steps;

/// The text of a value, or the fault that it is none.
fn text<'v>(value: &'v Node<'_>, hint: &str) -> Result<&'v str, Vec<Fault>> {
    value.get_ref().as_str().ok_or_else(|| vec![Fault::new(&cause::WRONG_TYPE, hint)])
}

/// The whole number of a value, or the fault that it is none.
fn whole(value: &Node<'_>) -> Result<i64, Fault> {
    let wrong = |hint: &str| Fault::new(&cause::WRONG_TYPE, hint).at(value.span());
    let Some(integer) = value.get_ref().as_integer() else {
        let hint = match value.get_ref().as_str() {
            Some(text) if text.trim().parse::<i64>().is_ok() => {
                format!("write the bare number {}, without quotes", text.trim())
            }
            Some(_) => "write a number in digits, without quotes".to_owned(),
            None => "write a whole number".to_owned(),
        };
        return Err(wrong(&hint));
    };
    i64::from_str_radix(integer.as_str(), integer.radix())
        .map_err(|_| Fault::new(&cause::OUT_OF_RANGE, "this number is far too large").at(value.span()))
}
