//! Lists: functions that are on, and points of a target.
use super::{SpeedKind, whole};
use crate::cause::bench_file as cause;
use crate::config::key::{Fault, Kind, Node};
use crate::config::quantity::Speed;
use serde_json::{Value, json};
use std::ops::Range;

/// The highest function number: F68 (from memory: newer packets reach beyond F28 up to it).
const LAST_FUNCTION: u16 = 68;

/// Numbers of functions, F0 is 0; each with its place in the file.
#[derive(Debug)]
pub(in crate::config) struct Functions;

impl Kind for Functions {
    type Value = Vec<(u16, Range<usize>)>;
    fn expected(&self) -> String {
        format!("a list of function numbers from 0 to {LAST_FUNCTION}")
    }
    fn read(&self, value: &Node<'_>) -> Result<Self::Value, Vec<Fault>> {
        let Some(list) = value.get_ref().as_array() else {
            let hint = "write the numbers in square brackets, as [0, 3]; [] is none";
            return Err(vec![Fault::new(&cause::WRONG_TYPE, hint)]);
        };
        let (mut numbers, mut faults) = (Vec::new(), Vec::new());
        for item in list {
            match function(item) {
                Ok(number) => numbers.push((number, item.span())),
                Err(fault) => faults.push(fault),
            }
        }
        if faults.is_empty() { Ok(numbers) } else { Err(faults) }
    }
    fn schema(&self) -> Value {
        let item = json!({ "type": "integer", "minimum": 0, "maximum": LAST_FUNCTION });
        json!({ "type": "array", "items": item, "uniqueItems": true })
    }
}

fn function(item: &Node<'_>) -> Result<u16, Fault> {
    let out = || {
        let hint = format!("functions are numbered from 0 to {LAST_FUNCTION}");
        Fault::new(&cause::OUT_OF_RANGE, hint).at(item.span())
    };
    if let Some(text) = item.get_ref().as_str() {
        let number = text.trim_start_matches(['F', 'f']);
        let hint = format!("write the bare number {number}, without quotes");
        return Err(Fault::new(&cause::WRONG_TYPE, hint).at(item.span()));
    }
    u16::try_from(whole(item)?).ok().filter(|n| *n <= LAST_FUNCTION).ok_or_else(out)
}

/// A point of a target: table entry, speed, place in the file.
pub(in crate::config) type PointEntry = (u8, Speed, Range<usize>);

/// Points of a target: pairs of table entry and speed, entries rising from 1 to 28.
#[derive(Debug)]
pub(in crate::config) struct PointList;

impl Kind for PointList {
    type Value = Vec<PointEntry>;
    fn expected(&self) -> String {
        "a list of pairs [entry, speed], entries rising from 1 to 28".into()
    }
    fn read(&self, value: &Node<'_>) -> Result<Self::Value, Vec<Fault>> {
        let Some(list) = value.get_ref().as_array() else {
            let hint = "write a list of pairs, as [[1, \"3 km/h\"], [28, \"80 km/h\"]]";
            return Err(vec![Fault::new(&cause::WRONG_TYPE, hint)]);
        };
        let (mut points, mut faults) = (Vec::new(), Vec::new());
        for item in list {
            match point(item) {
                Ok(point) => points.push(point),
                Err(mut more) => faults.append(&mut more),
            }
        }
        if faults.is_empty() {
            faults = order_faults(&points);
        }
        if faults.is_empty() { Ok(points) } else { Err(faults) }
    }
    fn schema(&self) -> Value {
        let entry = json!({ "type": "integer", "minimum": 1, "maximum": 28 });
        let pair = json!({ "type": "array", "prefixItems": [entry, SpeedKind.schema()], "items": false, "minItems": 2 });
        json!({ "type": "array", "items": pair, "minItems": 2 })
    }
}

fn point(item: &Node<'_>) -> Result<PointEntry, Vec<Fault>> {
    let pair = item.get_ref().as_array().map(|pair| &pair[..]);
    let Some([entry, speed]) = pair else {
        let hint = "each point is a pair of table entry and speed, as [14, \"40 km/h\"]";
        return Err(vec![Fault::new(&cause::WRONG_TYPE, hint).at(item.span())]);
    };
    let number = whole(entry).and_then(|number| {
        let fault = || Fault::new(&cause::OUT_OF_RANGE, "table entries go from 1 to 28").at(entry.span());
        u8::try_from(number).ok().filter(|n| (1..=28).contains(n)).ok_or_else(fault)
    });
    let speed = SpeedKind
        .read(speed)
        .map_err(|faults| faults.into_iter().map(|fault| fault.at(speed.span())).collect::<Vec<Fault>>());
    match (number, speed) {
        (Ok(number), Ok(speed)) => Ok((number, speed, item.span())),
        (number, speed) => {
            let mut faults = speed.err().unwrap_or_default();
            faults.extend(number.err());
            Err(faults)
        }
    }
}

fn order_faults(points: &[PointEntry]) -> Vec<Fault> {
    let fault = |hint: &str| Fault::new(&cause::CONTRADICTION, hint);
    let (Some(first), Some(last)) = (points.first(), points.last()) else {
        return vec![fault("at least the points for entry 1 and entry 28 are needed")];
    };
    let mut faults = Vec::new();
    if first.0 != 1 {
        faults.push(fault("the first point is entry 1").at(first.2.clone()));
    }
    if last.0 != 28 {
        faults.push(fault("the last point is entry 28").at(last.2.clone()));
    }
    for pair in points.windows(2) {
        if pair[1].0 <= pair[0].0 {
            faults.push(fault("entries rise from point to point").at(pair[1].2.clone()));
        }
    }
    faults
}
