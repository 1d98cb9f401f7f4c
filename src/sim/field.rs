//! The field sensor: a magnet on the axle, a sensor that is mounted anyhow, its faults, its clock, its lines.
//!
//! Geometry of a point dipole whose moment stands across the axle: standards/measurement.md section 2.1. The program's
//! side of it (angle from field) is in `motion`, of which this module knows nothing.
use super::noise::{Noise, Stream, nearest, nearest_count};
use super::spec::SensorSim;
use crate::time::BenchTime;
use std::f64::consts::TAU;

/// What the sensor does wrong.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Health {
    Well,
    /// The stamps go on, the field does not change.
    Frozen,
    /// Nothing is sent.
    Silent,
}

/// The sensor.
#[derive(Clone, Debug)]
pub(super) struct Sensor {
    spec: SensorSim,
    noise: Noise,
    health: Health,
    connected: bool,
    /// Number of the next sample since bench time zero.
    next: u64,
    since_header: u32,
    last_field: [f64; 3],
}

impl Sensor {
    pub(super) fn new(mut spec: SensorSim, seed: u64) -> Self {
        spec.rate_hz = spec.rate_hz.clamp(50, 2000);
        spec.axes = spec.axes.clamp(2, 3);
        spec.decimals = spec.decimals.min(6);
        let noise = Noise::new(seed, Stream::Sensor);
        Self {
            spec,
            noise,
            health: Health::Well,
            connected: false,
            next: 0,
            since_header: 0,
            last_field: [0.0; 3],
        }
    }

    pub(super) fn set_health(&mut self, health: Health) {
        self.health = health;
    }

    /// Someone listens from `at` on: the header line.
    pub(super) fn connect(&mut self, at: BenchTime) -> Vec<u8> {
        self.connected = true;
        self.since_header = 0;
        self.skip_to(at);
        self.header()
    }

    pub(super) fn disconnect(&mut self) {
        self.connected = false;
    }

    fn header(&self) -> Vec<u8> {
        if self.spec.axes == 3 { b"t_us,bx,by,bz\n".to_vec() } else { b"t_us,bx,by\n".to_vec() }
    }

    /// When the next line is due, if anyone listens.
    pub(super) fn next_line(&self) -> Option<BenchTime> {
        (self.connected && self.health != Health::Silent).then(|| self.sample_at(self.next))
    }

    /// Leaves out the samples up to `at`: they were taken while it was silent.
    pub(super) fn skip_to(&mut self, at: BenchTime) {
        self.next = self.next.max(self.first_after(at));
    }

    /// The due line, for the wheel's way `turns` (in turns) at that time. The header may come before it.
    pub(super) fn line(&mut self, turns: f64) -> Vec<u8> {
        let mut line = Vec::with_capacity(48);
        if self.spec.header_every > 0 && self.since_header >= self.spec.header_every {
            line = self.header();
            self.since_header = 0;
        }
        self.since_header += 1;
        if self.health == Health::Well {
            self.last_field = self.field(turns);
        }
        put_whole(&mut line, i64::from(self.stamp()), 0);
        for axis in 0..usize::from(self.spec.axes) {
            line.push(b',');
            put_fixed(&mut line, self.last_field[axis], self.spec.decimals);
        }
        line.push(b'\n');
        self.next += 1;
        line
    }

    fn period_us(&self) -> f64 {
        1e6 / f64::from(self.spec.rate_hz)
    }

    /// True time between samples: a fast clock takes them too early.
    fn period_ns(&self) -> f64 {
        self.period_us() * 1000.0 / (1.0 + self.spec.clock_ppm * 1e-6)
    }

    fn sample_at(&self, number: u64) -> BenchTime {
        BenchTime::from_nanos(nearest_count(number as f64 * self.period_ns()))
    }

    fn first_after(&self, at: BenchTime) -> u64 {
        nearest_count(libm::floor(at.as_nanos() as f64 / self.period_ns())) + 1
    }

    /// Its own microseconds: 32 bits, wrapping.
    fn stamp(&self) -> u32 {
        let own_us = nearest_count(self.next as f64 * self.period_us());
        let wrapped = u64::from(self.spec.start_us).wrapping_add(own_us) & u64::from(u32::MAX);
        u32::try_from(wrapped).unwrap_or(0)
    }

    fn field(&mut self, turns: f64) -> [f64; 3] {
        let even = TAU * (turns - libm::floor(turns));
        let angle = even + self.spec.turn_error_rad * libm::sin(even - self.spec.turn_error_at_rad);
        let (sin, cos) = libm::sincos(angle);
        let (polar_sin, polar_cos) = libm::sincos(self.spec.polar_deg.to_radians());
        let place = [(3.0 * polar_sin * polar_sin - 1.0) * cos, -sin, 3.0 * polar_sin * polar_cos * cos];
        let [x, y, z] = self.spec.mount.map(|row| row[0] * place[0] + row[1] * place[1] + row[2] * place[2]);
        let [y_to_x, z_to_x, z_to_y] = self.spec.skew_rad;
        let seen = [x, y + y_to_x * x, z + z_to_x * x + z_to_y * y];
        let mut field = [0.0; 3];
        for axis in 0..usize::from(self.spec.axes) {
            let wanted = seen[axis] * self.spec.gains[axis] + self.spec.noise * self.noise.normal();
            field[axis] = wanted * self.spec.amplitude + self.spec.offsets[axis];
        }
        field
    }
}

/// Writes `value` with a fixed number of decimals, rounded to the nearest.
fn put_fixed(line: &mut Vec<u8>, value: f64, decimals: u8) {
    let scale = (0..decimals).fold(1.0, |scale: f64, _| scale * 10.0);
    put_whole(line, nearest(value * scale), usize::from(decimals));
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
    use super::super::demo_engines;
    use super::*;

    fn text(value: f64, decimals: u8) -> String {
        let mut line = Vec::new();
        put_fixed(&mut line, value, decimals);
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

    fn still() -> SensorSim {
        SensorSim {
            noise: 0.0,
            mount: [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]],
            gains: [1.0; 3],
            skew_rad: [0.0; 3],
            offsets: [0.0; 3],
            turn_error_rad: 0.0,
            amplitude: 1000.0,
            ..demo_engines::lapwing(1).sensor
        }
    }

    /// Radial, tangential and axial amplitude of standards/measurement.md section 2.1 (point dipole).
    #[test]
    #[expect(clippy::approx_constant, reason = "the published table rounds the square root of two")]
    fn the_field_at_published_places_is_the_published_one() {
        for (polar_deg, radial, axial) in [
            (0.0, -1.0, 0.0),
            (30.0, -0.25, 1.299_04),
            (35.264, 0.0, 1.414_21),
            (45.0, 0.5, 1.5),
            (60.0, 1.25, 1.299_04),
            (90.0, 2.0, 0.0),
        ] {
            let mut sensor = Sensor::new(SensorSim { polar_deg, ..still() }, 1);
            let at_start = sensor.field(0.0);
            let quarter_on = sensor.field(0.25);
            assert!((at_start[0] / 1000.0 - radial).abs() < 2e-5, "{polar_deg}: {at_start:?}");
            assert!((at_start[2] / 1000.0 - axial).abs() < 2e-5, "{polar_deg}: {at_start:?}");
            assert!((quarter_on[1].abs() / 1000.0 - 1.0).abs() < 2e-5, "{polar_deg}: {quarter_on:?}");
        }
    }

    #[test]
    fn the_counter_wraps_at_32_bits_and_a_fast_clock_samples_early() {
        let spec = SensorSim { clock_ppm: 10_000.0, start_us: u32::MAX - 7000, rate_hz: 200, ..still() };
        let mut sensor = Sensor::new(spec, 1);
        assert_eq!(sensor.connect(BenchTime::ZERO), b"t_us,bx,by,bz\n");
        let mut stamps = Vec::new();
        for _ in 0..3 {
            stamps.push(sensor.stamp());
            sensor.line(0.0);
        }
        assert_eq!(stamps, [u32::MAX - 2000, 2999, 7999]);
        let due = sensor.next_line().unwrap().as_secs_f64();
        assert!((due - 4.0 * 0.005 / 1.01).abs() < 1e-8, "{due}");
    }

    #[test]
    fn a_day_of_samples_keeps_its_grid() {
        let mut sensor = Sensor::new(still(), 1);
        sensor.connect(BenchTime::from_millis(24 * 3600 * 1000));
        let rate = 1.0 + sensor.spec.clock_ppm * 1e-6;
        let due = sensor.next_line().unwrap().as_secs_f64();
        assert!(due > 86_400.0 && due <= 86_400.005_1, "{due}");
        let own_us = (due * rate * 1e6 + f64::from(sensor.spec.start_us)).rem_euclid(4_294_967_296.0);
        assert!((own_us - f64::from(sensor.stamp())).abs() < 2.0, "{own_us}");
    }

    #[test]
    fn the_header_comes_again_where_the_recipe_says_so() {
        let mut sensor = Sensor::new(SensorSim { header_every: 2, ..still() }, 1);
        sensor.connect(BenchTime::ZERO);
        let lines: Vec<u8> = (0..5).flat_map(|_| sensor.line(0.0)).collect();
        assert_eq!(String::from_utf8(lines).unwrap().matches("t_us").count(), 2);
    }
}
