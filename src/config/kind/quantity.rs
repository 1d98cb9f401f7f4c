//! Times, lengths, speeds, parts in per cent, and doubts.
use super::text;
use crate::cause::bench_file as cause;
use crate::config::key::{Fault, Kind, Node};
use crate::config::near::nearest;
use crate::config::quantity::{self as q, NoQuantity};
use serde_json::{Value, json};
use std::time::Duration;
use toml::de::DeValue;

/// Units by name, with their sizes.
pub(super) type Units = &'static [(&'static str, f64)];

/// The units as a list for people: `"km/h", "mph" or "mm/s"`.
fn unit_list(units: Units) -> String {
    let names: Vec<String> = units.iter().map(|(name, _)| (*name).to_owned()).collect();
    match names.split_last() {
        Some((last, rest)) if !rest.is_empty() => format!("{} or {last}", rest.join(", ")),
        _ => names.concat(),
    }
}

/// How a number looks with each unit, as hint: `write "80 km/h", "80 mph" or "80 mm/s"`.
fn with_units(number: &str, units: Units) -> String {
    let forms: Vec<String> = units.iter().map(|(name, _)| format!("\"{number} {name}\"")).collect();
    match forms.split_last() {
        Some((last, rest)) if !rest.is_empty() => format!("write {} or {last}", rest.join(", ")),
        _ => format!("write {}", forms.concat()),
    }
}

/// Reads a quantity with `read`; names what is wrong with it.
pub(super) fn quantity<T>(
    value: &Node<'_>,
    units: Units,
    read: impl Fn(&str) -> Result<T, NoQuantity>,
) -> Result<T, Vec<Fault>> {
    match value.get_ref() {
        DeValue::Integer(number) => Err(vec![bare(&number.to_string(), units)]),
        DeValue::Float(number) if number.as_str().ends_with(['f', 'n']) => {
            let hint = format!(
                "{} is no measure: write a number in digits and its unit: {}",
                number.as_str(),
                unit_list(units)
            );
            Err(vec![Fault::new(&cause::NO_QUANTITY, hint)])
        }
        DeValue::Float(number) => Err(vec![bare(number.as_str(), units)]),
        _ => {
            let text =
                text(value, &format!("write the number and its unit ({}) in quotes", unit_list(units)))?;
            read(text).map_err(|fault| vec![explain(fault, text, units)])
        }
    }
}

fn bare(number: &str, units: Units) -> Fault {
    if let (true, Ok(share @ 0.0..1.0)) = (units == q::PERCENT_UNITS, number.parse::<f64>()) {
        // Rounded, so that 0.07 does not become 7.000000000000001.
        let per_cent = (share * 1e8).round() / 1e6;
        let hint = format!(
            "write \"{per_cent} %\" if {number} of the whole is meant, \"{number} %\" if per cent is"
        );
        return Fault::new(&cause::MISSING_UNIT, hint);
    }
    Fault::new(&cause::MISSING_UNIT, with_units(number, units))
}

fn explain(fault: NoQuantity, text: &str, units: Units) -> Fault {
    let known = unit_list(units);
    match fault {
        NoQuantity::NoUnit(number) if text.trim() == number => bare(&number, units),
        NoQuantity::NoUnit(_)
            if text.contains('/') && units.iter().any(|(name, _)| text.trim().ends_with(name)) =>
        {
            let hint = "write a fraction with a decimal point, as 1.25 for one and a quarter";
            Fault::new(&cause::NO_QUANTITY, hint)
        }
        NoQuantity::NoUnit(number) => {
            Fault::new(&cause::MISSING_UNIT, format!("{number} has no unit; units here are {known}"))
        }
        NoQuantity::UnknownUnit(unit) if unit.starts_with(':') && units == q::TIME_UNITS => {
            Fault::new(&cause::NO_QUANTITY, "write the units and no colons, as \"1 h 30 min\" or \"90 s\"")
        }
        NoQuantity::UnknownUnit(unit) if unit == "m/s" => {
            let hint =
                "write the model's own speed in mm/s (1 m/s is 1000 mm/s), or the prototype's in km/h or mph";
            Fault::new(&cause::UNKNOWN_UNIT, hint)
        }
        NoQuantity::UnknownUnit(unit) => {
            let names = || units.iter().map(|(name, _)| *name);
            let spoken = q::SPOKEN_UNITS.iter().find(|(word, _)| unit.eq_ignore_ascii_case(word));
            let meant = spoken.map(|(_, name)| *name).filter(|meant| names().any(|name| name == *meant));
            let hint = match meant.or_else(|| nearest(&unit, names())) {
                Some(near) => format!("did you mean {near}? Units here are {known}"),
                None => format!("{unit} is no unit here; units here are {known}"),
            };
            Fault::new(&cause::UNKNOWN_UNIT, hint)
        }
        NoQuantity::DecimalComma => {
            let text = text.trim();
            let point = format!("write a decimal point: \"{}\"", text.replace(',', "."));
            let behind = text.rsplit(',').next().unwrap_or_default();
            let hint = if behind.bytes().take_while(u8::is_ascii_digit).count() == 3 {
                let whole = text.replace(',', "");
                format!("{point}; or, if the comma parts off thousands, leave it out: \"{whole}\"")
            } else {
                point
            };
            Fault::new(&cause::NO_QUANTITY, hint)
        }
        NoQuantity::Negative => Fault::new(&cause::OUT_OF_RANGE, "it cannot be less than nothing"),
        NoQuantity::NoNumber => {
            Fault::new(&cause::NO_QUANTITY, format!("begin with the number, then the unit: {known}"))
        }
        NoQuantity::TooMuch => Fault::new(&cause::NO_QUANTITY, too_much(units)),
    }
}

fn too_much(units: Units) -> &'static str {
    if units == q::TIME_UNITS {
        "write the longer unit first and each unit once, as \"1 h 30 min\""
    } else {
        "write one number and one unit only"
    }
}

/// The value, if it lies from `least` to `most`; both as written and as value.
fn within<T: PartialOrd>(value: T, least: &(&str, T), most: &(&str, T)) -> Result<T, Vec<Fault>> {
    let out = |side, limit| {
        vec![Fault::new(&cause::OUT_OF_RANGE, format!("the {side} that can stand here is {limit}"))]
    };
    if value < least.1 {
        Err(out("least", least.0))
    } else if value > most.1 {
        Err(out("most", most.0))
    } else {
        Ok(value)
    }
}

/// The schema of a number with one of these units.
pub(super) fn unit_schema(units: Units) -> Value {
    let names: Vec<&str> = units.iter().map(|(name, _)| *name).collect();
    json!({ "type": "string", "pattern": format!("^\\s*[0-9]+(\\.[0-9]+)?\\s*({})\\s*$", names.join("|")) })
}

/// A time within limits, which are written like any other time.
#[derive(Debug)]
pub(in crate::config) struct Time {
    /// The least.
    pub(in crate::config) least: &'static str,
    /// The most.
    pub(in crate::config) most: &'static str,
}

impl Kind for Time {
    type Value = Duration;
    fn expected(&self) -> String {
        format!("a time with its unit, from {} to {}", self.least, self.most)
    }
    fn read(&self, value: &Node<'_>) -> Result<Duration, Vec<Fault>> {
        let time = quantity(value, q::TIME_UNITS, q::time)?;
        // Limits that do not read would let every time pass; a test over all keys proves that they read.
        let least = q::time(self.least).unwrap_or(Duration::ZERO);
        let most = q::time(self.most).unwrap_or(Duration::MAX);
        within(time, &(self.least, least), &(self.most, most))
    }
    fn schema(&self) -> Value {
        let part = "[0-9]+(\\.[0-9]+)?\\s*(h|min|s|ms)";
        json!({ "type": "string", "pattern": format!("^\\s*{part}(\\s*{part})*\\s*$") })
    }
}

/// A length within limits, in mm.
#[derive(Debug)]
pub(in crate::config) struct Length {
    /// The least, as written.
    pub(in crate::config) least: &'static str,
    /// The most, as written.
    pub(in crate::config) most: &'static str,
}

impl Kind for Length {
    type Value = f64;
    fn expected(&self) -> String {
        format!("a length with its unit, from {} to {}", self.least, self.most)
    }
    fn read(&self, value: &Node<'_>) -> Result<f64, Vec<Fault>> {
        let length = quantity(value, q::LENGTH_UNITS, q::length_mm)?;
        let least = q::length_mm(self.least).unwrap_or(0.0);
        let most = q::length_mm(self.most).unwrap_or(f64::MAX);
        within(length, &(self.least, least), &(self.most, most))
    }
    fn schema(&self) -> Value {
        unit_schema(q::LENGTH_UNITS)
    }
}

/// A voltage within limits, in V.
#[derive(Debug)]
pub(in crate::config) struct Voltage {
    /// The least, as written.
    pub(in crate::config) least: &'static str,
    /// The most, as written.
    pub(in crate::config) most: &'static str,
}

impl Kind for Voltage {
    type Value = f64;
    fn expected(&self) -> String {
        format!("a voltage with its unit, from {} to {}", self.least, self.most)
    }
    fn read(&self, value: &Node<'_>) -> Result<f64, Vec<Fault>> {
        let voltage = quantity(value, q::VOLTAGE_UNITS, q::voltage_v)?;
        let least = q::voltage_v(self.least).unwrap_or(0.0);
        let most = q::voltage_v(self.most).unwrap_or(f64::MAX);
        within(voltage, &(self.least, least), &(self.most, most))
    }
    fn schema(&self) -> Value {
        unit_schema(q::VOLTAGE_UNITS)
    }
}

/// Room on a disk within limits, in bytes.
#[derive(Debug)]
pub(in crate::config) struct Room {
    /// The least, as written.
    pub(in crate::config) least: &'static str,
    /// The most, as written.
    pub(in crate::config) most: &'static str,
}

impl Kind for Room {
    type Value = u64;
    fn expected(&self) -> String {
        format!("room on the disk with its unit, from {} to {}", self.least, self.most)
    }
    fn read(&self, value: &Node<'_>) -> Result<u64, Vec<Fault>> {
        let room = quantity(value, q::ROOM_UNITS, q::room_bytes)?;
        let least = q::room_bytes(self.least).unwrap_or(0.0);
        let most = q::room_bytes(self.most).unwrap_or(f64::MAX);
        let bytes = within(room, &(self.least, least), &(self.most, most))?;
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a quantity is never negative, and the most that can stand here fits"
        )]
        Ok(bytes as u64)
    }
    fn schema(&self) -> Value {
        unit_schema(q::ROOM_UNITS)
    }
}

/// A part of a whole, in per cent; read as a fraction.
#[derive(Debug)]
pub(in crate::config) struct Part {
    /// The least, as written.
    pub(in crate::config) least: &'static str,
    /// The most, as written.
    pub(in crate::config) most: &'static str,
}

impl Kind for Part {
    type Value = f64;
    fn expected(&self) -> String {
        format!("a part in per cent, from {} to {}", self.least, self.most)
    }
    fn read(&self, value: &Node<'_>) -> Result<f64, Vec<Fault>> {
        let part = quantity(value, q::PERCENT_UNITS, q::percent)?;
        let least = q::percent(self.least).unwrap_or(0.0);
        let most = q::percent(self.most).unwrap_or(1.0);
        within(part, &(self.least, least), &(self.most, most))
    }
    fn schema(&self) -> Value {
        unit_schema(q::PERCENT_UNITS)
    }
}

/// A speed, of the prototype or of the model.
#[derive(Debug)]
pub(in crate::config) struct SpeedKind;

/// Limits of scale speeds: finer than any locomotive can be set, and faster than any train runs on rails.
const SCALE_SPEEDS: (&str, &str) = ("0.01 km/h", "600 km/h");
/// Limits of model speeds.
const MODEL_SPEEDS: (&str, &str) = ("0.01 mm/s", "5000 mm/s");

impl SpeedKind {
    fn check(speed: q::Speed) -> Result<q::Speed, Vec<Fault>> {
        let (limits, mm_s) = match speed {
            q::Speed::Scale(mm_s) => (SCALE_SPEEDS, mm_s),
            q::Speed::Model(mm_s) => (MODEL_SPEEDS, mm_s),
        };
        let size = |text: &str, otherwise: f64| match q::speed(text) {
            Ok(q::Speed::Scale(mm_s) | q::Speed::Model(mm_s)) => mm_s,
            Err(_) => otherwise,
        };
        within(mm_s, &(limits.0, size(limits.0, 0.0)), &(limits.1, size(limits.1, f64::MAX))).map(|_| speed)
    }
}

impl Kind for SpeedKind {
    type Value = q::Speed;
    fn expected(&self) -> String {
        "a scale speed in km/h or mph, or the model's own speed in mm/s".into()
    }
    fn read(&self, value: &Node<'_>) -> Result<q::Speed, Vec<Fault>> {
        Self::check(quantity(value, q::SPEED_UNITS, q::speed)?)
    }
    fn schema(&self) -> Value {
        unit_schema(q::SPEED_UNITS)
    }
}

/// How well a measure is known.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(in crate::config) enum DoubtValue {
    /// As a fraction of it.
    Fraction(f64),
    /// In mm.
    Length(f64),
}

/// The doubt of a measure: per cent of it, or a length.
#[derive(Debug)]
pub(in crate::config) struct Doubt;

/// Units of a doubt.
const DOUBT_UNITS: Units = &[("%", 0.01), ("mm", 1.0)];

impl Kind for Doubt {
    type Value = DoubtValue;
    fn expected(&self) -> String {
        "a doubt above nothing, in % or mm".into()
    }
    fn read(&self, value: &Node<'_>) -> Result<DoubtValue, Vec<Fault>> {
        let read = |text: &str| match q::percent(text) {
            Ok(fraction) => Ok(DoubtValue::Fraction(fraction)),
            Err(NoQuantity::UnknownUnit(unit)) if unit == "mm" => q::length_mm(text).map(DoubtValue::Length),
            Err(fault) => Err(fault),
        };
        let doubt = quantity(value, DOUBT_UNITS, read)?;
        let (DoubtValue::Fraction(size) | DoubtValue::Length(size)) = doubt;
        if size > 0.0 {
            return Ok(doubt);
        }
        let hint = "no measure is without doubt; half a caliper's smallest division is a start";
        Err(vec![Fault::new(&cause::OUT_OF_RANGE, hint)])
    }
    fn schema(&self) -> Value {
        unit_schema(DOUBT_UNITS)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn speeds_keep_their_limits() {
        let read = |text: &str| SpeedKind.read(&DeValue::parse(text).unwrap());
        assert!(read("\"600 km/h\"").is_ok());
        assert!(read("\"601 km/h\"").is_err());
        assert!(read("\"372 mph\"").is_ok());
        assert!(read("\"373 mph\"").is_err(), "600 km/h are 372.8 mph");
        assert!(read("\"0 km/h\"").is_err());
        assert!(read("\"5001 mm/s\"").is_err());
    }
}
