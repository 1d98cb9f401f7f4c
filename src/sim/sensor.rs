//! The sensor: what it takes of the axle and when, by its own clock, and what is wrong with it.
use super::field::{self, Place};
use super::flaws::{Behind, Flaws};
use super::lines::{BATTERY_DECIMALS, Columns, Sample, TEMPERATURE_DECIMALS, scale};
use super::noise::{Noise, Stream, nearest, nearest_count};
use super::outlet::Outlet;
use super::pulses::Pulses;
use super::spec::{BATTERY_FALL_V_H, LineForm, Measurand, PulseLines, SELF_HEATING_K, SensorSim};
use crate::time::BenchTime;
use std::f64::consts::TAU;
use std::time::Duration;

/// Time constant of the sensor's own heating, s.
const HEATING_S: f64 = 600.0;

/// What the sensor does wrong.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Health {
    Well,
    /// The stamps go on, what it sees does not change.
    Frozen,
    /// Nothing is sent.
    Silent,
}

/// How the wheel stands and moves at an instant.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Wheel {
    pub(super) turns: f64,
    pub(super) way_mm: f64,
    pub(super) speed_mm_s: f64,
}

/// The sensor.
#[derive(Clone, Debug)]
pub(super) struct Sensor {
    spec: SensorSim,
    columns: Columns,
    place: Place,
    pulses: Option<Pulses>,
    noise: Noise,
    slips: Noise,
    behind: Behind,
    outlet: Outlet,
    health: Health,
    connected: bool,
    /// Number of the next sample since bench time zero, and when it is due.
    next: u64,
    due: BenchTime,
    since_header: u32,
    header_due: bool,
    last_values: [i64; 3],
    /// Where its stamps begin, and at which of its own microseconds they began there.
    stamps_from_us: i64,
    stamps_since_us: i64,
    /// Without power until then.
    off_until: BenchTime,
    /// It has lost its power and counts from where the wheel stands at its next sample.
    forgets: bool,
    origin_mm: f64,
    /// Samples that wait for a pack.
    pack: Vec<Sample>,
    /// Samples that it kept for whoever connects next, and the age of the first.
    backlog: Option<(u32, Duration)>,
    /// When the last line of a pulse sensor came.
    last_line: BenchTime,
}

impl Sensor {
    pub(super) fn new(mut spec: SensorSim, seed: u64) -> Self {
        spec.rate_hz = spec.rate_hz.clamp(5, 2000);
        spec.axes = spec.axes.clamp(2, 3);
        spec.decimals = spec.decimals.min(6);
        if let LineForm::SenMl { samples, .. } = &mut spec.form {
            *samples = (*samples).max(1);
        }
        let pulses = match spec.measurand {
            Measurand::Pulses { a_turn, sees_direction, .. } => {
                Some(Pulses::new(&spec, a_turn, sees_direction))
            }
            _ => None,
        };
        Self {
            columns: Columns::new(spec.measurand, spec.axes, spec.decimals),
            place: Place::new(spec.polar_deg),
            pulses,
            stamps_from_us: spec.start_us.into(),
            spec,
            noise: Noise::new(seed, Stream::Sensor),
            slips: Noise::new(seed, Stream::Slips),
            behind: Behind::default(),
            outlet: Outlet::new(seed),
            health: Health::Well,
            connected: false,
            next: 0,
            due: BenchTime::ZERO,
            since_header: 0,
            header_due: false,
            last_values: [0; 3],
            stamps_since_us: 0,
            off_until: BenchTime::ZERO,
            forgets: false,
            origin_mm: 0.0,
            pack: Vec::new(),
            backlog: None,
            last_line: BenchTime::ZERO,
        }
    }

    /// It is well or not from `at` on. Samples of a silent time are never sent.
    pub(super) fn set_health(&mut self, at: BenchTime, health: Health) {
        self.skip_to(at);
        self.health = health;
    }

    /// This is wrong with it from now on.
    pub(super) fn set_flaws(&mut self, flaws: Flaws) {
        self.spec.flaws = flaws;
    }

    /// It loses its power at `at`, for `span`.
    pub(super) fn restart(&mut self, at: BenchTime, span: Duration) {
        self.off_until = at + span;
        self.skip_to(self.off_until);
        self.stamps_from_us = 0;
        self.stamps_since_us = self.own_us(self.off_until);
        (self.forgets, self.header_due) = (true, true);
        self.pack.clear();
        self.outlet.clear();
    }

    /// From `at` on a share of its lines comes twice.
    pub(super) fn repeat(&mut self, at: BenchTime, share: f64, lasts: Duration) {
        self.outlet.repeats = (share, at + lasts);
    }

    /// From `at` on a share of its lines gets lost.
    pub(super) fn lose(&mut self, at: BenchTime, share: f64, lasts: Duration) {
        self.outlet.skips = (share, at + lasts);
    }

    /// From `at` on its lines are held for `span`.
    pub(super) fn hold(&mut self, at: BenchTime, span: Duration) {
        self.outlet.stalled_until = at + span;
    }

    /// It keeps samples for whoever connects next.
    pub(super) fn keep(&mut self, samples: u32, old: Duration) {
        self.backlog = Some((samples, old));
    }

    /// Someone listens from `at` on: the header line, and what it kept.
    pub(super) fn connect(&mut self, at: BenchTime) -> Vec<u8> {
        self.connected = true;
        self.since_header = 0;
        self.header_due = at < self.off_until;
        self.last_line = at;
        self.pack.clear();
        self.outlet.clear();
        self.skip_to(at.max(self.off_until));
        if at < self.off_until {
            return Vec::new();
        }
        let mut bytes = self.header();
        if let Some((samples, old)) = self.backlog.take() {
            self.put_backlog(&mut bytes, at, samples, old);
        }
        bytes
    }

    pub(super) fn disconnect(&mut self) {
        self.connected = false;
    }

    fn header(&self) -> Vec<u8> {
        match self.spec.form {
            LineForm::Csv => {
                self.columns.header(self.spec.battery_v.is_some(), self.spec.temperature_c.is_some())
            }
            LineForm::SenMl { .. } => Vec::new(),
        }
    }

    /// It tells each pulse: lines come at ticks, not when they are due.
    pub(super) fn tells_each_pulse(&self) -> bool {
        self.connected && self.health != Health::Silent && self.idle().is_some()
    }

    fn idle(&self) -> Option<Duration> {
        match self.spec.measurand {
            Measurand::Pulses { lines: PulseLines::AtEach { idle }, .. } => Some(idle),
            _ => None,
        }
    }

    /// When the next line is due, if anyone listens.
    pub(super) fn next_line(&self) -> Option<BenchTime> {
        let polled = self.connected && self.health != Health::Silent && self.idle().is_none();
        polled.then_some(self.due)
    }

    /// Leaves out the samples up to `at`: they were taken while it was silent.
    fn skip_to(&mut self, at: BenchTime) {
        self.go_to(self.next.max(self.first_after(at)));
    }

    /// The due line, for the wheel as it is at that time. The header may come before it.
    pub(super) fn line(&mut self, wheel: Wheel) -> Vec<u8> {
        let (at, own_us) = (self.due, self.due_us());
        self.remember(wheel);
        if self.health == Health::Well {
            let before = self.last_values;
            self.last_values = self.values(wheel);
            if let Some(dead) = self.spec.flaws.dead_axis.filter(|axis| *axis < 3) {
                self.last_values[dead] = before[dead];
            }
        }
        self.go_to(self.next + u64::from(self.spec.flaws.one_in.max(1)));
        self.tell(at, own_us)
    }

    /// The wheel has moved on to `wheel` in the tick that began at `began` and ends at `ended`. Pulses of that time.
    pub(super) fn tick(&mut self, began: BenchTime, ended: BenchTime, wheel: Wheel) -> Vec<u8> {
        if self.pulses.is_some() && ended >= self.off_until {
            self.remember(wheel);
        }
        let Some(mut pulses) = self.pulses.take() else { return Vec::new() };
        let mut bytes = Vec::new();
        if self.health == Health::Frozen || ended < self.off_until {
            pulses.pass_unseen(&self.spec, wheel.turns);
        } else {
            let tick_ns = ended.since(began).as_nanos() as f64;
            for edge in pulses.go_to(&self.spec, wheel.turns) {
                let at = began + Duration::from_nanos(nearest_count(edge.share * tick_ns));
                self.last_values[0] = edge.count;
                if self.tells_each_pulse() {
                    bytes.extend(self.tell(at, self.own_us(at)));
                    self.last_line = ended;
                }
            }
        }
        self.pulses = Some(pulses);
        let idle = self.idle().is_some_and(|idle| ended.since(self.last_line) >= idle);
        if idle && self.tells_each_pulse() && ended >= self.off_until {
            bytes.extend(self.tell(ended, self.own_us(ended)));
            self.last_line = ended;
        }
        bytes
    }

    /// After a loss of power, way and count begin where the wheel stands now.
    fn remember(&mut self, wheel: Wheel) {
        if std::mem::take(&mut self.forgets) {
            self.origin_mm = wheel.way_mm;
            self.last_values = [0; 3];
            if let Some(pulses) = &mut self.pulses {
                pulses.restart();
                pulses.pass_unseen(&self.spec, wheel.turns);
            }
        }
    }

    /// The last values on their way out, taken at `own_us` of its own time.
    fn tell(&mut self, at: BenchTime, own_us: i64) -> Vec<u8> {
        let sample = self.sample(own_us, self.last_values);
        let mut line = Vec::new();
        let again = self.spec.header_every > 0 && self.since_header >= self.spec.header_every;
        if again || std::mem::take(&mut self.header_due) {
            line = self.header();
            self.since_header = 0;
        }
        self.since_header += 1;
        line.extend(self.formed(sample, own_us));
        self.outlet.pass(at, &line)
    }

    /// A sample in the form of the sensor's lines; nothing while a pack is being gathered.
    fn formed(&mut self, sample: Sample, sent_us: i64) -> Vec<u8> {
        match self.spec.form {
            LineForm::Csv => self.columns.csv(self.stamp(sample.own_us), &sample),
            LineForm::SenMl { times, samples } => {
                self.pack.push(sample);
                if self.pack.len() < usize::from(samples) {
                    return Vec::new();
                }
                self.columns.senml(times, sent_us, &std::mem::take(&mut self.pack))
            }
        }
    }

    fn put_backlog(&mut self, bytes: &mut Vec<u8>, at: BenchTime, samples: u32, old: Duration) {
        let now_us = self.own_us(at);
        let since_us = now_us.saturating_sub(i64::try_from(old.as_micros()).unwrap_or(i64::MAX));
        for nth in 0..samples {
            let turns = f64::from(nth) / f64::from(self.spec.rate_hz);
            let own_us = since_us.saturating_add(nearest(f64::from(nth) * self.period_us()));
            // Once a turn of a second: its circumference is not known here, and any speed will do.
            let wheel = Wheel { turns, way_mm: turns * 33.0, speed_mm_s: 33.0 };
            let values = match self.spec.measurand {
                Measurand::Pulses { a_turn, .. } => [nearest(libm::floor(turns * f64::from(a_turn))), 0, 0],
                _ => self.values(wheel),
            };
            let sample = self.sample(own_us, values);
            bytes.extend(self.formed(sample, now_us));
        }
    }

    fn sample(&self, own_us: i64, values: [i64; 3]) -> Sample {
        let hours = own_us as f64 / 3.6e9;
        let warmed = 1.0 - libm::exp(-hours.max(0.0) * 3600.0 / HEATING_S);
        let told = |value: f64, decimals| nearest(value * scale(decimals));
        let battery = |start_v: f64| told((start_v - BATTERY_FALL_V_H * hours).max(0.0), BATTERY_DECIMALS);
        let temperature = |start_c: f64| told(start_c + SELF_HEATING_K * warmed, TEMPERATURE_DECIMALS);
        Sample {
            own_us,
            values,
            battery: self.spec.battery_v.map(battery),
            temperature: self.spec.temperature_c.map(temperature),
        }
    }

    fn values(&mut self, wheel: Wheel) -> [i64; 3] {
        let shift = scale(self.columns.decimals);
        let rounded = |value: f64, resolution: f64| {
            let resolution = if resolution > 0.0 { resolution } else { 1.0 / shift };
            [nearest(libm::round(value / resolution) * resolution * shift), 0, 0]
        };
        match self.spec.measurand {
            Measurand::Field { pole_pairs, uneven } => {
                let t_s = self.due.as_nanos() as f64 / 1e9;
                let turns = self.behind.go_to(&self.spec.flaws, &mut self.slips, t_s, wheel.turns);
                field::field(&self.spec, self.place, (pole_pairs, uneven), &mut self.noise, (turns, t_s))
                    .map(|axis| nearest(axis * shift))
            }
            Measurand::Angle { resolution_rad, turns_counted } => {
                let seen = field::seen_turns(&self.spec, wheel.turns);
                let angle = TAU * seen + self.spec.noise * self.noise.normal();
                rounded(
                    if turns_counted { angle } else { angle - TAU * libm::floor(angle / TAU) },
                    resolution_rad,
                )
            }
            Measurand::Distance { resolution_m } => {
                rounded((wheel.way_mm - self.origin_mm) / 1000.0, resolution_m)
            }
            Measurand::Speed { resolution_m_s } => {
                let speed_mm_s = wheel.speed_mm_s + self.spec.noise * self.noise.normal();
                rounded(speed_mm_s / 1000.0, resolution_m_s)
            }
            Measurand::Pulses { .. } => {
                let count = self.pulses.as_ref().map(|pulses| pulses.count_at(&self.spec, wheel.turns));
                [count.unwrap_or(0), 0, 0]
            }
        }
    }

    fn period_us(&self) -> f64 {
        1e6 / f64::from(self.spec.rate_hz)
    }

    fn clock_rate(&self) -> f64 {
        1.0 + self.spec.clock_ppm * 1e-6
    }

    /// True time between samples: a fast clock takes them too early.
    fn period_ns(&self) -> f64 {
        self.period_us() * 1000.0 / self.clock_rate()
    }

    fn go_to(&mut self, number: u64) {
        self.next = number;
        self.due = BenchTime::from_nanos(nearest_count(number as f64 * self.period_ns()));
    }

    fn first_after(&self, at: BenchTime) -> u64 {
        nearest_count(libm::floor(at.as_nanos() as f64 / self.period_ns())) + 1
    }

    /// Its own microseconds since bench time zero: at the next sample, and at any time.
    fn due_us(&self) -> i64 {
        nearest(self.next as f64 * self.period_us())
    }

    fn own_us(&self, at: BenchTime) -> i64 {
        nearest(at.as_nanos() as f64 / 1000.0 * self.clock_rate())
    }

    /// Its stamp: 32 bits, wrapping.
    fn stamp(&self, own_us: i64) -> u32 {
        let stamp = self.stamps_from_us.wrapping_add(own_us).wrapping_sub(self.stamps_since_us);
        u32::try_from(stamp & i64::from(u32::MAX)).unwrap_or(0)
    }
}

#[cfg(test)]
#[path = "sensor_tests.rs"]
mod tests;
