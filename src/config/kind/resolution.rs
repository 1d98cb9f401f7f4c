//! The smallest step that a sensor tells: of an angle, a way or a speed, always the sensor's own and never to scale.
use super::quantity::{Units, quantity, unit_schema};
use crate::cause::bench_file as cause;
use crate::config::key::{Fault, Kind, Node};
use crate::config::quantity::{self as q, NoQuantity};
use serde_json::Value;

/// A smallest step.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(in crate::config) enum ResolutionValue {
    /// Of an angle, in rad.
    Angle(f64),
    /// Of a way, in mm.
    Distance(f64),
    /// Of a speed, in mm/s.
    Speed(f64),
}

/// A smallest step with its unit, which says of what.
#[derive(Debug)]
pub(in crate::config) struct Resolution;

/// Units of an angle, in rad.
pub(in crate::config) const ANGLE_UNITS: Units = &[("deg", std::f64::consts::PI / 180.0), ("rad", 1.0)];
/// Units of a way, in mm.
pub(in crate::config) const DISTANCE_UNITS: Units = &[("mm", 1.0), ("m", 1000.0)];
/// Units of a speed, in mm/s.
pub(in crate::config) const SPEED_UNITS: Units = &[("mm/s", 1.0), ("m/s", 1000.0)];
/// All of them.
const UNITS: Units = &[("deg", 0.0), ("rad", 0.0), ("mm", 0.0), ("m", 0.0), ("mm/s", 0.0), ("m/s", 0.0)];

/// Least and most, in rad, mm or mm/s: finer is no sensor, coarser measures nothing (own limits).
const LIMITS: (f64, f64) = (1e-7, 100.0);
/// An angle told in steps of a quarter of a turn or more does not say which way it turns.
const MOST_ANGLE: f64 = std::f64::consts::FRAC_PI_2;

impl Kind for Resolution {
    type Value = ResolutionValue;
    fn expected(&self) -> String {
        "the smallest step with its unit: deg or rad, mm or m, mm/s or m/s".into()
    }
    fn read(&self, value: &Node<'_>) -> Result<ResolutionValue, Vec<Fault>> {
        let to_scale = |unit: &str| q::SPEED_UNITS[..2].iter().any(|(name, _)| *name == unit);
        if let Some(Err(NoQuantity::UnknownUnit(unit))) = value.get_ref().as_str().map(read)
            && to_scale(&unit)
        {
            let hint = "km/h and mph are scale speeds in this file; write what the sensor itself tells, in mm/s or m/s";
            return Err(vec![Fault::new(&cause::UNKNOWN_UNIT, hint)]);
        }
        if let Some(deg) = value.get_ref().as_str().and_then(of_bits) {
            let hint = format!(
                "that many bits on a turn make steps of 360 deg divided by 2 for each: write \"{deg:.6} deg\""
            );
            return Err(vec![Fault::new(&cause::UNKNOWN_UNIT, hint)]);
        }
        within(quantity(value, UNITS, read)?)
    }
    fn schema(&self) -> Value {
        unit_schema(UNITS)
    }
}

fn read(text: &str) -> Result<ResolutionValue, NoQuantity> {
    let size = |units| q::single(text, units).map(|(number, _, size)| number * size);
    let in_order = [
        size(ANGLE_UNITS).map(ResolutionValue::Angle),
        size(DISTANCE_UNITS).map(ResolutionValue::Distance),
        size(SPEED_UNITS).map(ResolutionValue::Speed),
    ];
    let [angle, distance, speed] = in_order;
    angle.or(distance).or(speed)
}

/// The step in degrees of an angle told in so many bits.
fn of_bits(text: &str) -> Option<f64> {
    let number = text.trim().trim_end_matches('s').strip_suffix("bit")?.trim_end_matches(['-', ' ']);
    let bits: u32 = number.parse().ok().filter(|bits| (2..=24).contains(bits))?;
    Some(360.0 / f64::from(1_u32 << bits))
}

fn within(found: ResolutionValue) -> Result<ResolutionValue, Vec<Fault>> {
    let (ResolutionValue::Angle(size) | ResolutionValue::Distance(size) | ResolutionValue::Speed(size)) =
        found;
    let most = if matches!(found, ResolutionValue::Angle(_)) { MOST_ANGLE } else { LIMITS.1 };
    let hint = if size < LIMITS.0 {
        "every sensor has a smallest step: look it up in its papers, or watch by how much its figures jump"
    } else if size > most {
        "a step as coarse as this tells no speed: at most 90 deg, 100 mm or 100 mm/s"
    } else {
        return Ok(found);
    };
    Err(vec![Fault::new(&cause::OUT_OF_RANGE, hint)])
}

#[cfg(test)]
mod tests {
    use super::*;
    use toml::de::DeValue;

    fn given(text: &str) -> Result<ResolutionValue, Vec<Fault>> {
        Resolution.read(&DeValue::parse(&format!("\"{text}\"")).unwrap())
    }

    #[test]
    fn the_unit_says_of_what() {
        assert_eq!(given("0.001 rad").unwrap(), ResolutionValue::Angle(0.001));
        assert_eq!(given("180 deg").unwrap_err()[0].cause, &cause::OUT_OF_RANGE);
        let ResolutionValue::Angle(rad) = given("0.1 deg").unwrap() else { panic!("an angle") };
        // A degree is pi/180 rad (SI Brochure, 9th edition, table 8).
        assert!((rad - 0.001_745_329_251_994_33).abs() < 1e-15);
        assert_eq!(given("0.1 mm").unwrap(), ResolutionValue::Distance(0.1));
        assert_eq!(given("0.01 m").unwrap(), ResolutionValue::Distance(10.0));
        assert_eq!(given("1 mm/s").unwrap(), ResolutionValue::Speed(1.0));
        assert_eq!(given("0.002 m/s").unwrap(), ResolutionValue::Speed(2.0));
    }

    #[test]
    fn what_is_none_is_said() {
        for (text, code) in [
            ("1 km/h", "unknown-unit"),
            ("1 mph", "unknown-unit"),
            ("1 furlong", "unknown-unit"),
            ("0.1", "missing-unit"),
            ("0,1 mm", "not-a-quantity"),
            ("0 deg", "value-out-of-range"),
            ("101 mm", "value-out-of-range"),
            ("-1 mm", "value-out-of-range"),
        ] {
            assert_eq!(given(text).unwrap_err()[0].cause.code, code, "{text}");
        }
        assert!(given("1 km/h").unwrap_err()[0].hint.contains("scale speeds"));
    }
}
