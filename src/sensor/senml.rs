//! `SenML` packs (RFC 8428, JSON), one a line: the records of a pack with the same time are one sample.
//!
//! The last part of a record's name, after `:` or `/`, says what it is; `names.rs` lists them with their units. Other
//! records are ignored. Times from 2^28 s on are Unix time, smaller ones count from now (section 4.5.3); a sample can't
//! be taken in the future. Times are JSON numbers, read as doubles and rounded to microseconds: a double holds times of
//! these years in steps of 0.24 us, so a time written with six decimals comes through unchanged.
use super::names::{Name, belongs, listed, needed, other_source};
use super::told::{Fault, House, Told, shown};
use super::{Quantity, Reading, Sample, SensorEvent, Source, Stamp};
use crate::cause::sensor as cause;
use pack::{Record, Value};
use std::collections::BTreeMap;

mod pack;

/// Times below count from now (RFC 8428 section 4.5.3), in s.
const ABSOLUTE_FROM_S: f64 = 268_435_456.0;
/// No clock of a sensor stands there: the year 5138, or Unix time in milliseconds.
const BEYOND_S: f64 = 1e11;
/// Largest whole number up to which a double holds all.
const WHOLE: f64 = 9_007_199_254_740_992.0;
/// Names of other records that go into the evidence.
const SHOWN: usize = 3;

/// A time in whole microseconds: of Unix time, or of the time since now.
type When = (bool, i64);

/// What the records of one time say.
#[derive(Debug, Default)]
struct Group {
    values: [Option<f64>; Name::ALL.len()],
    /// A record of it can't be used.
    spoilt: bool,
}

/// Reads `SenML` packs.
#[derive(Debug)]
pub(super) struct SenmlReader {
    source: Source,
    /// What the samples are, once one came.
    quantity: Option<Quantity>,
}

/// What a pack gave besides samples.
#[derive(Debug, Default)]
struct Found {
    groups: BTreeMap<When, Group>,
    /// Values of other sources.
    others: Vec<Name>,
    /// Names that say nothing.
    strange: Vec<String>,
    housekeeping: bool,
    /// The first thing that is wrong with records of this source: one word a pack is enough.
    fault: Option<Fault>,
}

impl SenmlReader {
    pub(super) fn new(source: Source) -> Self {
        Self { source, quantity: None }
    }

    /// A line that is not blank.
    pub(super) fn line(&mut self, text: &str, house: &mut House, told: &mut Told) {
        let records = match pack::resolve(text) {
            Ok(records) => records,
            Err(fault) => return told.broken(fault),
        };
        let mut found = Found::default();
        let (mut battery_v, mut temperature_c) = (None, None);
        for record in &records {
            let Some(name) = Name::find(record.name.rsplit([':', '/']).next().unwrap_or_default()) else {
                found.strange.push(record.name.clone());
                continue;
            };
            if name.is_housekeeping() {
                found.housekeeping = true;
                match value(name, record) {
                    Ok(value) if name == Name::BatteryV => battery_v = Some(value),
                    Ok(value) => temperature_c = Some(value),
                    Err((_, evidence)) => house.bad(evidence, told),
                }
            } else if belongs(self.source, name) {
                found.take(name, record);
            } else if !found.others.contains(&name) {
                found.others.push(name);
            }
        }
        house.take(battery_v, temperature_c, told);
        self.tell(found, told);
    }

    /// Tells the samples in the order of their times, then what is wrong.
    fn tell(&mut self, mut found: Found, told: &mut Told) {
        let mut samples = 0;
        for ((absolute, us), group) in &found.groups {
            if group.spoilt {
                continue;
            }
            let stamp = if *absolute { Stamp::ClockUs(*us) } else { Stamp::SinceSendingUs(*us) };
            match self.reading(group) {
                Ok((quantity, reading)) => {
                    samples += 1;
                    if self.quantity.replace(quantity) != Some(quantity) {
                        told.push(SensorEvent::Layout(quantity));
                    }
                    told.push(SensorEvent::Sample(Sample { stamp, reading }));
                }
                Err(fault) => {
                    found.fault.get_or_insert(fault);
                }
            }
        }
        if samples == 0 && found.fault.is_none() && self.quantity.is_none() {
            found.fault = self.nothing(&found);
        }
        if let Some(fault) = found.fault {
            told.broken(fault);
        }
    }

    /// Why a pack, without fault and before any sample, gave none.
    fn nothing(&self, found: &Found) -> Option<Fault> {
        if !found.others.is_empty() {
            return Some((&cause::OTHER_SOURCE, other_source(&found.others, self.source)));
        }
        if found.housekeeping {
            return None;
        }
        let names: Vec<String> =
            found.strange.iter().take(SHOWN).map(|name| shown(name.as_bytes())).collect();
        let more = if found.strange.len() > SHOWN { " and others" } else { "" };
        let needs = listed(needed(self.source));
        let evidence = format!("came records named {}{more}, expected {needs}", names.join(", "));
        Some((&cause::SENML_NAMES, evidence))
    }

    fn reading(&self, group: &Group) -> Result<(Quantity, Reading), Fault> {
        let value = |name: Name| {
            group.values[name as usize].ok_or_else(|| {
                let has: Vec<Name> =
                    Name::ALL.into_iter().filter(|name| group.values[*name as usize].is_some()).collect();
                let lacks = name.text();
                let evidence =
                    format!("came {} without {lacks}, expected all with the same time", listed(&has));
                (&cause::SENML_INCOMPLETE, evidence)
            })
        };
        Ok(match self.source {
            Source::Field { .. } => {
                let (bx, by) = (value(Name::Bx)?, value(Name::By)?);
                // A sensor that has shown three axes has them for good.
                let three = self.quantity == Some(Quantity::Field { axes: 3 });
                let bz = if three { Some(value(Name::Bz)?) } else { group.values[Name::Bz as usize] };
                let axes = if bz.is_some() { 3 } else { 2 };
                (Quantity::Field { axes }, Reading::Field([bx, by, bz.unwrap_or(0.0)]))
            }
            Source::Angle { .. } => (Quantity::Angle, Reading::AngleRad(value(Name::AngleRad)?)),
            Source::Distance { .. } => (Quantity::Distance, Reading::DistanceM(value(Name::DistanceM)?)),
            Source::Speed { .. } => (Quantity::Speed, Reading::SpeedMS(value(Name::SpeedMS)?)),
            Source::Pulses { .. } => (Quantity::Pulses, Reading::Pulses(pulses(value(Name::Pulses)?)?)),
        })
    }
}

impl Found {
    /// A record of the source.
    fn take(&mut self, name: Name, record: &Record) {
        let when = match when(record.time_s) {
            Ok(when) => when,
            Err((cause, evidence)) => {
                self.fault.get_or_insert((cause, format!("{} {evidence}", name.text())));
                return;
            }
        };
        let group = self.groups.entry(when).or_default();
        let fault = match value(name, record) {
            Ok(value) if group.values[name as usize].replace(value).is_none() => return,
            Ok(_) => {
                (&cause::SENML_TWICE, format!("{} came twice for the same time, expected once", name.text()))
            }
            Err(fault) => fault,
        };
        group.spoilt = true;
        self.fault.get_or_insert(fault);
    }
}

/// A record's number in the unit of its name.
fn value(name: Name, record: &Record) -> Result<f64, Fault> {
    let text = name.text();
    if let Some(unit) = record.unit.as_deref().filter(|unit| *unit != name.unit()) {
        let evidence = format!("{text} comes in {}, expected \"{}\"", shown(unit.as_bytes()), name.unit());
        return Err((&cause::SENML_UNIT, evidence));
    }
    let came = match &record.value {
        Value::Number(number) if number.is_finite() => return Ok(*number),
        Value::Number(_) => {
            let evidence = format!("{text} with its base value is beyond any number, expected a finite one");
            return Err((&cause::LINE_NOT_FINITE, evidence));
        }
        Value::Text(text) => format!("the text {}", shown(text.as_bytes())),
        Value::Flag(flag) => flag.to_string(),
        Value::Data(data) => format!("the data {}", shown(data.as_bytes())),
        Value::None => record.sum.map_or("without a value".to_owned(), |sum| format!("only the sum {sum}")),
    };
    Err((&cause::LINE_NUMBER, format!("{text} is {came}, expected a number in v")))
}

/// The time of a record in whole microseconds; an error's evidence goes on from the record's name.
fn when(time_s: f64) -> Result<When, Fault> {
    if !(-BEYOND_S..BEYOND_S).contains(&time_s) {
        let evidence = format!("has the time {time_s}, expected seconds since 1970 or before now");
        return Err((&cause::SENML_TIME, evidence));
    }
    let absolute = time_s >= ABSOLUTE_FROM_S;
    if !absolute && time_s > 0.0 {
        let evidence = format!("has the time {time_s}, which is {time_s} s from now, expected 0 or less");
        return Err((&cause::SENML_AHEAD, evidence));
    }
    Ok((absolute, whole(time_s * 1e6)))
}

fn pulses(count: f64) -> Result<i64, Fault> {
    if count.fract() != 0.0 || count.abs() > WHOLE {
        return Err((&cause::LINE_PULSES, format!("pulses is {count}, expected a whole number")));
    }
    Ok(whole(count))
}

#[expect(clippy::cast_possible_truncation, reason = "callers keep within 1e17")]
fn whole(number: f64) -> i64 {
    number.round() as i64
}

#[cfg(test)]
#[path = "senml_tests.rs"]
mod tests;
