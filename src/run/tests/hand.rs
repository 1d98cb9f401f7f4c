//! A hand that plays the world around one part of a run: samples of an axle, answers of a station, an obliging journal.
use super::plan;
use crate::run::cx::Cx;
use crate::run::input::{Output, RunPlan};
use crate::sensor::{Reading, Sample, Source, Stamp};
use crate::station::{Action, OrderEnd, OrderId};
use crate::time::BenchTime;
use std::time::Duration;

/// Time between samples.
const TICK: Duration = Duration::from_millis(10);

/// Carried out.
pub(super) const DONE: OrderEnd = OrderEnd::Done { value: None };

/// Refused with this code.
pub(super) fn refused(code: &str) -> OrderEnd {
    OrderEnd::Refused { code: code.to_owned(), words: "no".to_owned() }
}

/// Nobody knows.
pub(super) fn unknown() -> OrderEnd {
    OrderEnd::Unknown { why: "no answer".to_owned() }
}

/// The world around one part.
pub(super) struct Hand {
    pub(super) cx: Cx,
    /// How fast the axle turns, mm/s.
    pub(super) speed_mm_s: f64,
    /// The sensor sends.
    pub(super) sensor: bool,
    /// The station says something now and then.
    pub(super) station: bool,
    /// The journal writes and syncs at once.
    pub(super) journal: bool,
    angle: f64,
    /// Counts pulses, so many a turn; else it tells the field.
    pulses_a_turn: Option<u16>,
    noise: u32,
    waiting: Vec<(OrderId, Action)>,
}

impl Hand {
    /// An engine that has stood for two seconds, its sensor sending.
    pub(super) fn new() -> Self {
        let mut hand = Self::of(plan());
        hand.cx.motion.set_layout(crate::sensor::Quantity::Field { axes: 2 });
        hand.pass(2.0, |_| {});
        hand
    }

    /// The same, whose sensor counts pulses and, as the bench file says, tells their direction.
    pub(super) fn with_pulses(a_turn: u16) -> Self {
        let mut plan = plan();
        plan.spec.sensor.source = Source::Pulses { a_turn };
        plan.spec.sensor.sees_direction = true;
        let mut hand = Self { pulses_a_turn: Some(a_turn), ..Self::of(plan) };
        hand.pass(10.0, |_| {});
        hand
    }

    fn of(plan: RunPlan) -> Self {
        Self {
            cx: Cx::new(plan),
            speed_mm_s: 0.0,
            sensor: true,
            station: true,
            journal: true,
            angle: 0.3,
            pulses_a_turn: None,
            noise: 1,
            waiting: Vec::new(),
        }
    }

    /// Noise from -0.5 to 0.5: a linear congruential step (constants of Numerical Recipes, 2nd edition).
    fn noise(&mut self) -> f64 {
        self.noise = self.noise.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        f64::from(self.noise >> 8) / f64::from(1_u32 << 24) - 0.5
    }

    /// Lets this many seconds pass; `poll` is called after each sample.
    pub(super) fn pass(&mut self, seconds: f64, mut poll: impl FnMut(&mut Self)) {
        let end = self.cx.now + Duration::from_secs_f64(seconds);
        while self.cx.now < end {
            self.tick();
            poll(self);
        }
    }

    fn tick(&mut self) {
        self.cx.now = self.cx.now + TICK;
        if self.station {
            self.cx.station.heard_at = self.cx.now;
        }
        self.angle += self.speed_mm_s / 33.0 * std::f64::consts::TAU * TICK.as_secs_f64();
        if self.sensor {
            let turns = self.angle / std::f64::consts::TAU;
            let field = [
                100.0 * libm::cos(self.angle) + self.noise(),
                100.0 * libm::sin(self.angle) + self.noise(),
                0.0,
            ];
            #[expect(clippy::cast_possible_truncation, reason = "some thousands of pulses")]
            let reading = match self.pulses_a_turn {
                Some(a_turn) => Reading::Pulses((turns * f64::from(a_turn)).floor() as i64),
                None => Reading::Field(field),
            };
            let us = self.cx.now.since(BenchTime::ZERO).as_micros();
            let stamp_us = u32::try_from(us).unwrap();
            self.cx.motion.take(self.cx.now, Sample { stamp: Stamp::CountUs(stamp_us), reading });
        }
        if self.journal {
            self.write_down();
        }
        self.cx.take_wake();
    }

    /// The journal writes and syncs all records so far.
    pub(super) fn write_down(&mut self) {
        let mut last = 0;
        while let Some(output) = self.cx.outbox.poll_output() {
            if let Output::Record(record) = output {
                last = record.n;
            }
        }
        self.cx.outbox.journal_at(last, last);
    }

    /// Orders that have left since this was last asked.
    pub(super) fn left(&mut self) -> Vec<Action> {
        let mut left = Vec::new();
        while let Some((order, action)) = self.cx.outbox.poll_order() {
            left.push(action.clone());
            self.waiting.push((order, action));
        }
        left
    }

    /// Answers everything that has left and is not answered.
    pub(super) fn answer(&mut self, end: &OrderEnd) {
        self.answer_by(|_| end.clone());
    }

    /// Answers everything that has left and is not answered, each by its action.
    pub(super) fn answer_by(&mut self, mut end: impl FnMut(&Action) -> OrderEnd) {
        self.left();
        for (order, action) in std::mem::take(&mut self.waiting) {
            self.cx.post(order, end(&action));
        }
    }

    /// Runs the axle at this speed until its speed can be told.
    pub(super) fn run_at(&mut self, speed_mm_s: f64) {
        self.speed_mm_s = speed_mm_s;
        self.pass(3.0, |_| {});
        assert!(self.cx.fresh_glance().is_some());
    }
}
