//! Quantities as a person writes them: a number and its unit. Pure arithmetic on text; knows nothing of TOML.
//!
//! Conversions are exact by definition: 1 mile is 1609.344 m, 1 inch is 25.4 mm (`standards/dcc.md` section 1.2).
use crate::dcc::scale::{MM_S_PER_KMH, MM_S_PER_MPH};
use std::time::Duration;

/// Units of time, longest first, in seconds.
pub(super) const TIME_UNITS: &[(&str, f64)] = &[("h", 3600.0), ("min", 60.0), ("s", 1.0), ("ms", 0.001)];
/// Units of length in millimetres.
pub(super) const LENGTH_UNITS: &[(&str, f64)] =
    &[("mm", 1.0), ("cm", 10.0), ("m", 1000.0), ("in", 25.4), ("ft", 304.8)];
/// Units of speed: the first two are scale speeds in millimetres a second of the prototype, the last is the model's own.
pub(super) const SPEED_UNITS: &[(&str, f64)] =
    &[("km/h", MM_S_PER_KMH), ("mph", MM_S_PER_MPH), (MODEL_SPEED_UNIT, 1.0)];
/// The unit of the model's own speed.
pub(super) const MODEL_SPEED_UNIT: &str = "mm/s";
/// Units of a voltage.
pub(super) const VOLTAGE_UNITS: &[(&str, f64)] = &[("V", 1.0), ("mV", 0.001)];
/// Units of room on a disk, bytes (SI prefixes).
pub(super) const ROOM_UNITS: &[(&str, f64)] = &[("MB", 1e6), ("GB", 1e9)];
/// The one unit of a part.
pub(super) const PERCENT_UNITS: &[(&str, f64)] = &[("%", 0.01)];

/// Units as they are spoken, and as they are written here; for hints only, never read as the unit.
pub(super) const SPOKEN_UNITS: &[(&str, &str)] = &[
    ("kph", "km/h"),
    ("kmh", "km/h"),
    ("km", "km/h"),
    ("mi/h", "mph"),
    ("miles/h", "mph"),
    ("percent", "%"),
    ("sec", "s"),
    ("second", "s"),
    ("seconds", "s"),
    ("minute", "min"),
    ("minutes", "min"),
    ("hour", "h"),
    ("hours", "h"),
    ("inch", "in"),
    ("feet", "ft"),
    ("mn", "mm"),
    ("volt", "V"),
    ("volts", "V"),
    ("MiB", "MB"),
    ("GiB", "GB"),
];

/// Why a text is no quantity.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum NoQuantity {
    /// No number where one should stand.
    NoNumber,
    /// A comma inside the number.
    DecimalComma,
    /// Below nothing.
    Negative,
    /// A number without its unit; the number as written.
    NoUnit(String),
    /// A unit that this quantity does not have.
    UnknownUnit(String),
    /// More than one number and unit, or not from the longer unit to the shorter.
    TooMuch,
}

/// A number, its unit and that unit's size.
pub(super) type Part = (f64, &'static str, f64);

/// Splits the next number with its unit off `text`.
fn next_part<'t>(
    text: &'t str,
    units: &'static [(&'static str, f64)],
) -> Result<(Part, &'t str), NoQuantity> {
    let end = text.find(|c: char| !(c.is_ascii_digit() || "+-.,".contains(c))).unwrap_or(text.len());
    let (digits, rest) = text.split_at(end);
    let number = number(digits)?;
    let rest = rest.trim_start();
    let end = rest.find(|c: char| c.is_whitespace() || c.is_ascii_digit()).unwrap_or(rest.len());
    let (unit, rest) = rest.split_at(end);
    if unit.is_empty() {
        return Err(NoQuantity::NoUnit(digits.to_owned()));
    }
    let (name, size) = units
        .iter()
        .find(|(name, _)| *name == unit)
        .ok_or_else(|| NoQuantity::UnknownUnit(unit.to_owned()))?;
    Ok(((number, name, *size), rest.trim_start()))
}

fn number(digits: &str) -> Result<f64, NoQuantity> {
    if digits.contains(',') {
        return Err(NoQuantity::DecimalComma);
    }
    let number: f64 = digits.parse().map_err(|_| NoQuantity::NoNumber)?;
    if number < 0.0 { Err(NoQuantity::Negative) } else { Ok(number) }
}

/// One number and its unit.
pub(super) fn single(text: &str, units: &'static [(&'static str, f64)]) -> Result<Part, NoQuantity> {
    let (part, rest) = next_part(text.trim(), units)?;
    if rest.is_empty() { Ok(part) } else { Err(NoQuantity::TooMuch) }
}

/// A time: `500 ms`, `2 s`, `15 min`, `1 h 30 min`.
pub(super) fn time(text: &str) -> Result<Duration, NoQuantity> {
    let mut rest = text.trim();
    let (mut seconds, mut last_size) = (0.0, f64::INFINITY);
    loop {
        let ((number, _, size), after) = next_part(rest, TIME_UNITS)?;
        if size >= last_size {
            return Err(NoQuantity::TooMuch);
        }
        seconds += number * size;
        last_size = size;
        rest = after;
        if rest.is_empty() {
            return Duration::try_from_secs_f64(seconds).map_err(|_| NoQuantity::NoNumber);
        }
    }
}

/// A length in millimetres: `10.5 mm`, `1.2 m`, `6 ft`.
pub(super) fn length_mm(text: &str) -> Result<f64, NoQuantity> {
    single(text, LENGTH_UNITS).map(|(number, _, size)| number * size)
}

/// A voltage in V: `3.4 V`, `3400 mV`.
pub(super) fn voltage_v(text: &str) -> Result<f64, NoQuantity> {
    single(text, VOLTAGE_UNITS).map(|(number, _, size)| number * size)
}

/// Room on a disk in bytes: `500 MB`.
pub(super) fn room_bytes(text: &str) -> Result<f64, NoQuantity> {
    single(text, ROOM_UNITS).map(|(number, _, size)| number * size)
}

/// A part of one: `2 %` is 0.02.
pub(super) fn percent(text: &str) -> Result<f64, NoQuantity> {
    single(text, PERCENT_UNITS).map(|(number, _, _)| number / 100.0)
}

/// A speed as written: of the prototype (a scale speed) or of the model.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Speed {
    /// A scale speed, mm/s of the prototype.
    Scale(f64),
    /// The model's own speed, mm/s.
    Model(f64),
}

impl Speed {
    /// The model's speed in mm/s at a scale of 1:`ratio`.
    pub(super) fn model_mm_s(self, ratio: f64) -> f64 {
        match self {
            Self::Scale(mm_s) => mm_s / ratio,
            Self::Model(mm_s) => mm_s,
        }
    }
}

/// A speed: `80 km/h`, `50 mph`, `250 mm/s`.
pub(super) fn speed(text: &str) -> Result<Speed, NoQuantity> {
    let (number, unit, size) = single(text, SPEED_UNITS)?;
    Ok(if unit == MODEL_SPEED_UNIT { Speed::Model(number) } else { Speed::Scale(number * size) })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn scale_speeds_as_the_fact_sheet_has_them() {
        // standards/dcc.md section 10, rows 14 and 15 (scale rule of 1.2), and 1.2: 20 km/h in N, computed.
        let model = |text: &str, ratio: f64| speed(text).unwrap().model_mm_s(ratio);
        assert!((model("60 mph", 160.0) - 167.640).abs() < 5e-4);
        assert!((model("120 km/h", 87.0) - 383.142).abs() < 5e-4);
        assert!((model("20 km/h", 160.0) - 34.722).abs() < 5e-4);
        assert!((model("100 km/h", 220.0) - 126.26).abs() < 5e-3);
        // Rows 1 and 4 backwards: 0.1 m/s of the model.
        assert!((model("79.2 km/h", 220.0) - 100.0).abs() < 1e-9);
        assert!((model("19.4613 mph", 87.0) - 100.0).abs() < 1e-3);
        assert_eq!(speed("250 mm/s"), Ok(Speed::Model(250.0)));
    }

    #[test]
    fn units() {
        assert_eq!(time("15 min"), Ok(Duration::from_secs(900)));
        assert_eq!(time("2 s"), Ok(Duration::from_secs(2)));
        assert_eq!(time("500ms"), Ok(Duration::from_millis(500)));
        assert_eq!(time("1 h"), Ok(Duration::from_secs(3600)));
        assert_eq!(time(" 1 h 30 min "), Ok(Duration::from_secs(5400)));
        assert_eq!(time("1h30min"), Ok(Duration::from_secs(5400)));
        assert_eq!(time("1.5 s"), Ok(Duration::from_millis(1500)));
        assert_eq!(length_mm("10.5 mm"), Ok(10.5));
        assert_eq!(length_mm("1.2 m"), Ok(1200.0));
        assert_eq!(length_mm("3 cm"), Ok(30.0));
        assert_eq!(length_mm("1 in"), Ok(25.4));
        assert_eq!(length_mm("2 ft"), Ok(609.6));
        assert_eq!(percent("2 %"), Ok(0.02));
        assert_eq!(percent("0.5%"), Ok(0.005));
    }

    #[test]
    fn what_is_no_quantity_says_why() {
        assert_eq!(time("30 min 1 h"), Err(NoQuantity::TooMuch));
        assert_eq!(time("2 s 3 s"), Err(NoQuantity::TooMuch));
        assert_eq!(time("15"), Err(NoQuantity::NoUnit("15".into())));
        assert_eq!(time("1 h 30"), Err(NoQuantity::NoUnit("30".into())));
        assert_eq!(time("15 minutes"), Err(NoQuantity::UnknownUnit("minutes".into())));
        assert_eq!(time("soon"), Err(NoQuantity::NoNumber));
        assert_eq!(time(""), Err(NoQuantity::NoNumber));
        assert_eq!(time("-2 s"), Err(NoQuantity::Negative));
        assert_eq!(speed("80,5 km/h"), Err(NoQuantity::DecimalComma));
        assert_eq!(speed("80"), Err(NoQuantity::NoUnit("80".into())));
        assert_eq!(speed("80 kmh"), Err(NoQuantity::UnknownUnit("kmh".into())));
        assert_eq!(speed("80 km/h 5"), Err(NoQuantity::TooMuch));
        assert_eq!(speed("inf km/h"), Err(NoQuantity::NoNumber));
        assert_eq!(length_mm("1.2.3 mm"), Err(NoQuantity::NoNumber));
        assert!(time(&"9".repeat(400)).is_err());
        assert!(time(&format!("{} h", "9".repeat(400))).is_err());
    }
}
