//! The kinds of values a key can have. Each reads a TOML value, says what it expected, and gives its JSON Schema.
pub(super) mod listed;
pub(super) mod plain;
pub(super) mod quantity;

use super::key::{Fault, Node};
use crate::cause::bench_file as cause;

pub(super) use listed::{Functions, PointList};
pub(super) use plain::{Choice, Flag, HostPort, OneOf, Ratio, Scale, Text, Version, Whole};
pub(super) use quantity::{Doubt, DoubtValue, Length, Part, SpeedKind, Time};

/// The text of a value, or the fault that it is none.
fn text<'v>(value: &'v Node<'_>, hint: &str) -> Result<&'v str, Vec<Fault>> {
    value.get_ref().as_str().ok_or_else(|| vec![Fault::new(&cause::WRONG_TYPE, hint)])
}

/// The whole number of a value, or the fault that it is none.
fn whole(value: &Node<'_>) -> Result<i64, Fault> {
    let wrong = |hint: &str| Fault::new(&cause::WRONG_TYPE, hint).at(value.span());
    let Some(integer) = value.get_ref().as_integer() else {
        let hint = match value.get_ref().as_str() {
            Some(_) => "write the bare number, without quotes",
            None => "write a whole number",
        };
        return Err(wrong(hint));
    };
    i64::from_str_radix(integer.as_str(), integer.radix())
        .map_err(|_| Fault::new(&cause::OUT_OF_RANGE, "this number is far too large").at(value.span()))
}
