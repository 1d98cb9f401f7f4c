//! The form of the sensor's lines: CSV with a header, or `SenML` packs (RFC 8428), one JSON array a line.
//!
//! Everything is written from whole numbers with a decimal point put in, so that nothing depends on how floating-point
//! numbers are printed.
use super::spec::{Measurand, SenMlTimes};

/// Base name of all `SenML` records.
const BASE_NAME: &str = "wrenfield-bench-1:";
/// Decimals of the battery's voltage and of the temperature.
pub(super) const BATTERY_DECIMALS: u8 = 3;
pub(super) const TEMPERATURE_DECIMALS: u8 = 1;

/// A sample as it is told: whole numbers of the last decimal.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Sample {
    /// The sensor's own time since it began, microseconds.
    pub(super) own_us: i64,
    pub(super) values: [i64; 3],
    pub(super) battery: Option<i64>,
    pub(super) temperature: Option<i64>,
}

/// What the values of a sample are: names, `SenML` unit, decimals of CSV and of `SenML`.
#[derive(Clone, Copy, Debug)]
pub(super) struct Columns {
    names: &'static [&'static str],
    unit: &'static str,
    pub(super) decimals: u8,
    senml_decimals: u8,
}

impl Columns {
    pub(super) fn new(measurand: Measurand, axes: u8, field_decimals: u8) -> Self {
        let of = |names, unit, decimals| Self { names, unit, decimals, senml_decimals: decimals };
        match measurand {
            // Microtesla, told in tesla.
            Measurand::Field { .. } => Self {
                names: if axes == 3 { &["bx", "by", "bz"] } else { &["bx", "by"] },
                unit: "T",
                decimals: field_decimals,
                senml_decimals: field_decimals + 6,
            },
            Measurand::Angle { resolution_rad, .. } => of(&["angle_rad"], "rad", decimals_of(resolution_rad)),
            Measurand::Distance { resolution_m } => of(&["distance_m"], "m", decimals_of(resolution_m)),
            Measurand::Speed { resolution_m_s } => of(&["speed_m_s"], "m/s", decimals_of(resolution_m_s)),
            Measurand::Pulses { .. } => of(&["pulses"], "count", 0),
        }
    }

    /// The header line of CSV.
    pub(super) fn header(&self, battery: bool, temperature: bool) -> Vec<u8> {
        let mut line = b"t_us".to_vec();
        let more = battery.then_some("battery_v").into_iter().chain(temperature.then_some("temperature_c"));
        for name in self.names.iter().copied().chain(more) {
            line.push(b',');
            line.extend_from_slice(name.as_bytes());
        }
        line.push(b'\n');
        line
    }

    /// A line of CSV.
    pub(super) fn csv(&self, stamp_us: u32, sample: &Sample) -> Vec<u8> {
        let mut line = Vec::with_capacity(48);
        put_whole(&mut line, i64::from(stamp_us), 0);
        for value in &sample.values[..self.names.len()] {
            line.push(b',');
            put_whole(&mut line, *value, self.decimals.into());
        }
        let more = [(sample.battery, BATTERY_DECIMALS), (sample.temperature, TEMPERATURE_DECIMALS)];
        for (value, decimals) in more {
            if let Some(value) = value {
                line.push(b',');
                put_whole(&mut line, value, decimals.into());
            }
        }
        line.push(b'\n');
        line
    }

    /// A pack of `SenML`, sent at `sent_us` of the sensor's own time. What the sensor says of itself follows the last sample.
    pub(super) fn senml(&self, times: SenMlTimes, sent_us: i64, samples: &[Sample]) -> Vec<u8> {
        let mut line = b"[{\"bn\":\"".to_vec();
        line.extend_from_slice(BASE_NAME.as_bytes());
        line.extend_from_slice(b"\",\"bu\":\"");
        line.extend_from_slice(self.unit.as_bytes());
        line.push(b'"');
        let base_us = match times {
            SenMlTimes::Absolute { epoch_s } => {
                let base_us = samples.first().map_or(sent_us, |first| first.own_us);
                line.extend_from_slice(b",\"bt\":");
                let epoch_us = i64::try_from(epoch_s.saturating_mul(1_000_000)).unwrap_or(i64::MAX);
                put_whole(&mut line, epoch_us.saturating_add(base_us), 6);
                Some(base_us)
            }
            SenMlTimes::Relative => Some(sent_us),
            SenMlTimes::Untold => None,
        };
        let mut first = true;
        let mut record = |name: &str, unit: Option<&str>, own_us: i64, value: i64, decimals: u8| {
            // The first record goes on where the base fields ended.
            line.extend_from_slice(if first { b",\"n\":\"" } else { b",{\"n\":\"" });
            first = false;
            line.extend_from_slice(name.as_bytes());
            line.push(b'"');
            if let Some(unit) = unit {
                line.extend_from_slice(b",\"u\":\"");
                line.extend_from_slice(unit.as_bytes());
                line.push(b'"');
            }
            if let Some(offset_us) = base_us.map(|base_us| own_us - base_us).filter(|offset| *offset != 0) {
                line.extend_from_slice(b",\"t\":");
                put_whole(&mut line, offset_us, 6);
            }
            line.extend_from_slice(b",\"v\":");
            put_whole(&mut line, value, decimals.into());
            line.push(b'}');
        };
        for sample in samples {
            for (name, value) in self.names.iter().zip(sample.values) {
                record(name, None, sample.own_us, value, self.senml_decimals);
            }
        }
        if let Some(last) = samples.last() {
            let of_itself = [
                ("battery_v", "V", last.battery, BATTERY_DECIMALS),
                ("temperature_c", "Cel", last.temperature, TEMPERATURE_DECIMALS),
            ];
            for (name, unit, value, decimals) in of_itself {
                if let Some(value) = value {
                    record(name, Some(unit), last.own_us, value, decimals);
                }
            }
        }
        line.extend_from_slice(b"]\n");
        line
    }
}

/// 10 to the power of `decimals`.
pub(super) fn scale(decimals: u8) -> f64 {
    (0..decimals).fold(1.0, |scale: f64, _| scale * 10.0)
}

/// Decimals that tell every multiple of `resolution`; 7 where no number up to that does.
fn decimals_of(resolution: f64) -> u8 {
    let whole = |decimals: &u8| {
        let steps = resolution * scale(*decimals);
        (steps - libm::round(steps)).abs() < 1e-6 && steps > 0.5
    };
    (0..7).find(whole).unwrap_or(7)
}

/// Writes a whole number with its decimal point `decimals` digits from the right.
fn put_whole(line: &mut Vec<u8>, value: i64, decimals: usize) {
    let mut digits = [b'0'; 24];
    let mut left = value.unsigned_abs();
    let mut used = 0;
    while left > 0 || used <= decimals {
        digits[used] = b"0123456789"[usize::try_from(left % 10).unwrap_or(0)];
        left /= 10;
        used += 1;
    }
    if value < 0 {
        line.push(b'-');
    }
    for place in (0..used).rev() {
        line.push(digits[place]);
        if place == decimals && decimals > 0 {
            line.push(b'.');
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::noise::nearest;
    use super::*;

    fn text(value: f64, decimals: u8) -> String {
        let mut line = Vec::new();
        put_whole(&mut line, nearest(value * scale(decimals)), decimals.into());
        String::from_utf8(line).unwrap()
    }

    #[test]
    fn numbers_are_written_with_fixed_decimals() {
        for (value, decimals, expected) in [
            (0.0, 0, "0"),
            (0.0, 1, "0.0"),
            (-0.04, 1, "0.0"),
            (-0.06, 1, "-0.1"),
            (1234.56, 1, "1234.6"),
            (-7.0, 3, "-7.000"),
            (0.000_001, 6, "0.000001"),
        ] {
            assert_eq!(text(value, decimals), expected);
        }
    }

    #[test]
    fn a_resolution_gets_the_decimals_it_needs() {
        for (resolution, decimals) in [(1.0, 0), (0.5, 1), (0.001, 3), (2.5e-5, 6), (1.0 / 3.0, 7)] {
            assert_eq!(decimals_of(resolution), decimals, "{resolution}");
        }
    }

    fn sample(own_us: i64, values: [i64; 3]) -> Sample {
        Sample { own_us, values, battery: None, temperature: None }
    }

    fn pack(columns: Columns, times: SenMlTimes, samples: &[Sample]) -> String {
        let sent_us = samples.last().unwrap().own_us;
        String::from_utf8(columns.senml(times, sent_us, samples)).unwrap()
    }

    #[test]
    fn a_pack_says_its_times_in_three_ways() {
        let columns = Columns::new(Measurand::Field { pole_pairs: 1, uneven: 0.0 }, 2, 1);
        let samples = [sample(5_000, [10, -20, 0]), sample(10_000, [15, 3, 0])];
        let head = "[{\"bn\":\"wrenfield-bench-1:\",\"bu\":\"T\"";
        for (times, expected) in [
            (
                SenMlTimes::Absolute { epoch_s: 1_790_000_000 },
                ",\"bt\":1790000000.005000,\"n\":\"bx\",\"v\":0.0000010},{\"n\":\"by\",\"v\":-0.0000020},\
                 {\"n\":\"bx\",\"t\":0.005000,\"v\":0.0000015},{\"n\":\"by\",\"t\":0.005000,\"v\":0.0000003}]\n",
            ),
            (
                SenMlTimes::Relative,
                ",\"n\":\"bx\",\"t\":-0.005000,\"v\":0.0000010},{\"n\":\"by\",\"t\":-0.005000,\"v\":-0.0000020},\
                 {\"n\":\"bx\",\"v\":0.0000015},{\"n\":\"by\",\"v\":0.0000003}]\n",
            ),
            (
                SenMlTimes::Untold,
                ",\"n\":\"bx\",\"v\":0.0000010},{\"n\":\"by\",\"v\":-0.0000020},\
                 {\"n\":\"bx\",\"v\":0.0000015},{\"n\":\"by\",\"v\":0.0000003}]\n",
            ),
        ] {
            assert_eq!(pack(columns, times, &samples), format!("{head}{expected}"));
        }
    }

    #[test]
    fn what_a_sensor_says_of_itself_follows_the_last_sample() {
        let columns = Columns::new(
            Measurand::Pulses { a_turn: 1, sees_direction: true, lines: super::super::PulseLines::Polled },
            3,
            1,
        );
        let last = Sample { battery: Some(3700), temperature: Some(215), ..sample(5_000, [-7, 0, 0]) };
        assert_eq!(
            pack(columns, SenMlTimes::Untold, &[last]),
            "[{\"bn\":\"wrenfield-bench-1:\",\"bu\":\"count\",\"n\":\"pulses\",\"v\":-7},\
             {\"n\":\"battery_v\",\"u\":\"V\",\"v\":3.700},{\"n\":\"temperature_c\",\"u\":\"Cel\",\"v\":21.5}]\n"
        );
        assert_eq!(columns.header(true, true), b"t_us,pulses,battery_v,temperature_c\n");
        assert_eq!(columns.csv(9, &last), b"9,-7,3.700,21.5\n");
    }
}
