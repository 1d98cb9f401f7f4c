//! A turning magnet for the tests of motion: written from `standards/measurement.md` section 1.1 alone.
use super::{AxleSetup, Motion};
use crate::sensor::{Reading, Sample, Source, Stamp};
use crate::time::BenchTime;
use core::f64::consts::PI;

/// Seeded random numbers (splitmix64: S. Vigna's public-domain mixing constants, from memory; only scatter is asked of
/// it, checked by `the_random_numbers_scatter_as_they_should`).
#[derive(Clone, Debug)]
pub(super) struct Random(u64);

impl Random {
    pub(super) fn new(seed: u64) -> Self {
        Self(seed.wrapping_mul(0x2545_f491_4f6c_dd1d) ^ 0x1234_5678_9abc_def1)
    }

    /// Evenly between 0 and 1, without 1.
    pub(super) fn unit(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((z ^ (z >> 31)) >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// Normal, mean 0, sd 1 (Box and Muller 1958).
    pub(super) fn normal(&mut self) -> f64 {
        let radius = (-2.0 * libm::log(1.0 - self.unit())).sqrt();
        radius * libm::cos(2.0 * PI * self.unit())
    }
}

/// Sensor and magnet.
#[derive(Clone, Debug)]
pub(super) struct Rig {
    /// Directions and lengths of the field at angle 0 and at 90 degrees.
    pub(super) cosine: [f64; 3],
    pub(super) sine: [f64; 3],
    pub(super) offset: [f64; 3],
    /// Noise sd in each axis.
    pub(super) noise: f64,
    /// Turns of the field in a turn of the axle, and how much stronger its strongest pair of poles is than the mean.
    pub(super) pairs: f64,
    pub(super) uneven: f64,
    pub(super) rate_hz: f64,
    pub(super) first_stamp: u32,
    /// The sensor's clock is slow by this part.
    pub(super) slow: f64,
    pub(super) random: Random,
    /// Samples sent.
    pub(super) sent: u64,
    /// Angle of the axle in turns, and bench time in s.
    pub(super) turns: f64,
    pub(super) time_s: f64,
    /// Bench time of the first sample.
    pub(super) starts_s: f64,
}

pub(super) const CIRCUMFERENCE: f64 = 33.0;

impl Rig {
    /// A tilted plane, unequal amplitudes (about 100 and 70), offsets, 1 % noise at 200 Hz.
    pub(super) fn new(seed: u64) -> Self {
        Self {
            cosine: [80.0, -30.0, 50.0],
            sine: [20.0, 65.0, 15.0],
            offset: [40.0, -20.0, 12.0],
            noise: 1.0,
            pairs: 1.0,
            uneven: 0.0,
            rate_hz: 200.0,
            first_stamp: 4_000_000_000,
            slow: 0.0,
            random: Random::new(seed),
            sent: 0,
            turns: 0.1,
            time_s: 1.0,
            starts_s: 1.0,
        }
    }

    pub(super) fn motion() -> Motion {
        motion(Source::Field { pole_pairs: 1 })
    }

    /// The next sample after turning with `speed` mm/s for one interval.
    pub(super) fn next(&mut self, speed: f64) -> (BenchTime, Sample) {
        self.sent += 1;
        self.time_s = self.starts_s + self.sent as f64 / self.rate_hz;
        self.turns += speed / CIRCUMFERENCE / self.rate_hz;
        // Whole turns make no difference to the field, but would cost the sine its digits.
        self.turns -= self.turns.floor();
        (self.at(0.0), self.sample())
    }

    /// Bench time now, `delay` s later.
    pub(super) fn at(&self, delay: f64) -> BenchTime {
        BenchTime::ZERO + std::time::Duration::from_secs_f64(self.time_s + delay)
    }

    pub(super) fn sample(&mut self) -> Sample {
        let (sin, cos) = libm::sincos(2.0 * PI * self.turns * self.pairs);
        let strength =
            if self.uneven > 0.0 { 1.0 + self.uneven * libm::cos(2.0 * PI * self.turns) } else { 1.0 };
        let mut field = [0.0; 3];
        for (axis, value) in field.iter_mut().enumerate() {
            let noise = if self.noise > 0.0 { self.noise * self.random.normal() } else { 0.0 };
            let turning = strength * (self.cosine[axis] * cos + self.sine[axis] * sin);
            *value = turning + self.offset[axis] + noise;
        }
        let since_us = (self.time_s - self.starts_s) * (1.0 - self.slow) * 1e6;
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "positive and below 2^53"
        )]
        let since_us = since_us.round() as u64;
        let stamp_us =
            u32::try_from(since_us % (1 << 32)).expect("a remainder").wrapping_add(self.first_stamp);
        Sample { stamp: Stamp::CountUs(stamp_us), reading: Reading::Field(field) }
    }

    /// Feeds `seconds` at `speed` mm/s.
    pub(super) fn run(&mut self, motion: &mut Motion, speed: f64, seconds: f64) {
        let until = self.time_s + seconds;
        while self.time_s < until - 1e-9 {
            let (at, sample) = self.next(speed);
            motion.take(at, sample);
        }
    }

    /// Stands for two seconds, then turns at `speed` until the correction is there.
    pub(super) fn ready(&mut self, motion: &mut Motion, speed: f64) {
        self.run(motion, 0.0, 2.0);
        self.run(motion, speed, 3.5 * CIRCUMFERENCE / speed.abs() + 0.5);
    }
}

/// Motion of the axle of these tests, by this source.
pub(super) fn motion(source: Source) -> Motion {
    Motion::new(AxleSetup { circumference_mm: CIRCUMFERENCE, circumference_u_rel: 0.0, source, lap: None })
}

/// The whole number nearest below.
#[expect(clippy::cast_possible_truncation, reason = "below 2^53")]
pub(super) fn whole(value: f64) -> i64 {
    value.floor() as i64
}

/// How lines come.
#[derive(Clone, Copy, Debug)]
pub(super) enum Lines {
    /// At a fixed rate, in Hz.
    Polled(f64),
    /// One at each pulse, and one after each so many seconds without.
    EachPulse(f64),
}

/// An axle whose position or speed is told in steps.
#[derive(Clone, Debug)]
pub(super) struct Told {
    pub(super) source: Source,
    pub(super) lines: Lines,
    /// How far the pulses of a turn are from even places, as a part of their distance.
    pub(super) uneven: f64,
    /// Mean delay of arrival in s, exponential; stamps then count from their sending.
    pub(super) delay_s: f64,
    pub(super) random: Random,
    pub(super) time_s: f64,
    pub(super) turns: f64,
    /// Speed in mm/s.
    pub(super) speed: f64,
    pub(super) arrival_s: f64,
    pub(super) line_s: f64,
    /// Taken off the count: the sensor has started anew meanwhile.
    pub(super) counted: i64,
}

impl Told {
    pub(super) fn new(source: Source, lines: Lines, seed: u64) -> Self {
        let mut random = Random::new(seed);
        let turns = 3.0 + random.unit();
        Self {
            source,
            lines,
            uneven: 0.0,
            delay_s: 0.0,
            random,
            time_s: 1.0,
            turns,
            speed: 0.0,
            arrival_s: 1.0,
            line_s: 1.0,
            counted: 0,
        }
    }

    /// Pulses passed at `turns`.
    pub(super) fn pulses(&self, turns: f64, a_turn: u16) -> i64 {
        let n = f64::from(a_turn);
        let part = turns - turns.floor();
        let passed = (0..a_turn).filter(|k| {
            let place = (f64::from(*k) + 0.5 + self.uneven * libm::sin(2.7 * f64::from(*k))) / n;
            part >= place
        });
        whole(turns) * i64::from(a_turn) + i64::try_from(passed.count()).expect("a few")
    }

    pub(super) fn reading(&self) -> Reading {
        let told = |value: f64, q: f64| (value / q).round() * q;
        match self.source {
            Source::Pulses { a_turn } => Reading::Pulses(self.pulses(self.turns, a_turn) - self.counted),
            Source::Distance { resolution_mm } => {
                Reading::DistanceM(told(self.turns * CIRCUMFERENCE, resolution_mm) * 1e-3)
            }
            Source::Angle { resolution_rad } => {
                Reading::AngleRad(told(2.0 * PI * (self.turns - self.turns.floor()), resolution_rad))
            }
            Source::Speed { resolution_mm_s } => Reading::SpeedMS(told(self.speed, resolution_mm_s) * 1e-3),
            Source::Field { .. } => Reading::Field([0.0; 3]),
        }
    }

    /// Bench time of the newest line, and what it says.
    pub(super) fn line(&mut self) -> (BenchTime, Sample) {
        let delay =
            if self.delay_s > 0.0 { -self.delay_s * libm::log(1.0 - self.random.unit()) } else { 0.0 };
        // Lines do not overtake each other.
        self.arrival_s = self.arrival_s.max(self.time_s + delay);
        let stamp = if self.delay_s > 0.0 {
            Stamp::SinceSendingUs(0)
        } else {
            Stamp::ClockUs(whole(self.time_s * 1e6 + 0.5))
        };
        let at = BenchTime::ZERO + std::time::Duration::from_secs_f64(self.arrival_s);
        (at, Sample { stamp, reading: self.reading() })
    }

    /// Goes on to the next line.
    pub(super) fn next(&mut self) -> (BenchTime, Sample) {
        match self.lines {
            Lines::Polled(rate_hz) => self.pass(1.0 / rate_hz),
            Lines::EachPulse(idle_s) => {
                let due_s = self.line_s + idle_s;
                let left_s = self.to_pulse_s().min(due_s - self.time_s);
                self.pass(left_s.max(1e-6));
                self.line_s = self.time_s;
            }
        }
        self.line()
    }

    fn pass(&mut self, seconds: f64) {
        self.time_s += seconds;
        self.turns += self.speed * seconds / CIRCUMFERENCE;
    }

    /// Time to the next pulse, going on.
    fn to_pulse_s(&self) -> f64 {
        let Source::Pulses { a_turn } = self.source else { return f64::INFINITY };
        if self.speed <= 0.0 {
            return f64::INFINITY;
        }
        let now = self.pulses(self.turns, a_turn);
        let (mut low, mut high) = (0.0, 2.0);
        while high - low > 1e-9 {
            let middle = f64::midpoint(low, high);
            if self.pulses(self.turns + middle, a_turn) > now { high = middle } else { low = middle }
        }
        high * CIRCUMFERENCE / self.speed
    }

    /// Feeds `seconds` at `speed`, reached within a fifth of a second where that can be seen.
    pub(super) fn run(&mut self, motion: &mut Motion, speed: f64, seconds: f64) {
        let (until, from, began) = (self.time_s + seconds, self.speed, self.time_s);
        // Lines at pulses come too rarely to follow a ramp.
        let ramp_s = if matches!(self.lines, Lines::Polled(_)) { 0.2 } else { 0.0 };
        while self.time_s < until - 1e-9 {
            let part = if ramp_s > 0.0 { ((self.time_s - began) / ramp_s).min(1.0) } else { 1.0 };
            self.speed = from + (speed - from) * part;
            let (at, sample) = self.next();
            motion.take(at, sample);
        }
        self.speed = speed;
    }

    /// Feeds whole and half turns at the speed that it has.
    pub(super) fn turn(&mut self, motion: &mut Motion, turns: f64) {
        let seconds = turns * CIRCUMFERENCE / self.speed.abs();
        self.run(motion, self.speed, seconds);
    }
}

#[test]
fn the_random_numbers_scatter_as_they_should() {
    let mut random = Random::new(7);
    let values: Vec<f64> = (0..100_000).map(|_| random.normal()).collect();
    let mean = values.iter().sum::<f64>() / 1e5;
    let square = values.iter().map(|value| value * value).sum::<f64>() / 1e5;
    let tail = values.iter().filter(|value| value.abs() > 1.959_964).count();
    // Three standard deviations of each statistic.
    assert!(mean.abs() < 0.0095 && (square - 1.0).abs() < 0.0135, "{mean} {square}");
    assert!((4_790..5_210).contains(&tail), "{tail}");
}
