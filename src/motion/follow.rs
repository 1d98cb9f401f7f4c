//! One face for the kinds of source: field, position in steps, speed.
use super::blocks::Blocks;
use super::counter::Counter;
use super::field::Field;
use super::rate::Rate;
use super::recent::Recent;
use super::scatter::Scatter;
use super::seen::Seen;
use super::{AxleSetup, SignalQuality, Standing};
use crate::sensor::{Quantity, Reading, Source};

/// The follower of this axle's source.
#[derive(Debug)]
pub(super) enum Follow {
    Field {
        field: Box<Field>,
        /// Scatter of the angle with its time, where that is known by arrival only.
        jitter: Scatter,
        by_arrival: bool,
    },
    Counter(Box<Counter>),
    Rate(Rate),
}

impl Follow {
    pub(super) fn new(setup: &AxleSetup) -> Self {
        if let Some(counter) = Counter::new(setup) {
            return Self::Counter(Box::new(counter));
        }
        if let Some(rate) = Rate::new(setup) {
            return Self::Rate(rate);
        }
        let pole_pairs = if let Source::Field { pole_pairs } = setup.source { pole_pairs } else { 1 };
        Self::Field { field: Box::new(Field::new(pole_pairs)), jitter: Scatter::new(0), by_arrival: false }
    }

    /// True where calibration begins anew.
    pub(super) fn set_layout(&mut self, quantity: Quantity) -> bool {
        match (self, quantity) {
            (Self::Field { field, .. }, Quantity::Field { axes }) => field.set_axes(axes),
            _ => false,
        }
    }

    /// Whether a reading is of the kind that this source tells, and of any size that a measurement has.
    pub(super) fn may_take(&self, reading: Reading) -> bool {
        match (self, reading) {
            (Self::Field { .. }, Reading::Field(field)) => Field::is_sound(field),
            (Self::Counter(counter), reading) => counter.told(reading).is_some(),
            (Self::Rate(_), reading) => Rate::told(reading).is_some(),
            (Self::Field { .. }, _) => false,
        }
    }

    /// A sample; its time may be off by `jitter_s`. `measuring`: what a measurement rests on must stay as it is.
    pub(super) fn take(&mut self, t_us: i64, jitter_s: f64, reading: Reading, measuring: bool) -> Seen {
        match (self, reading) {
            (Self::Field { field, .. }, Reading::Field(value)) => field.take(t_us, value, measuring),
            (Self::Counter(counter), reading) => counter.take(t_us, jitter_s, reading),
            (Self::Rate(rate), reading) => rate.take(t_us, reading),
            (Self::Field { .. }, _) => Seen::Nothing,
        }
    }

    /// An angle of a field came: where it is timed by arrival, that scatters too.
    pub(super) fn time(&mut self, arrival: bool, t_s: f64, phi: f64) {
        if let Self::Field { jitter, by_arrival, .. } = self {
            *by_arrival = arrival;
            if arrival {
                jitter.push(t_s, phi, None);
            }
        }
    }

    /// Standard deviation of the angle at `phi`, in rad.
    pub(super) fn angle_noise(&self, phi: f64) -> f64 {
        match self {
            Self::Field { field, .. } => field.angle_noise(phi).max(self.jitter()),
            Self::Counter(counter) => counter.angle_noise(),
            // The path has no noise of its own: what the speed's noise does to it shows from turn to turn.
            Self::Rate(_) => 0.0,
        }
    }

    fn jitter(&self) -> f64 {
        match self {
            Self::Field { jitter, by_arrival: true, .. } => jitter.variance().unwrap_or(0.0).sqrt(),
            _ => 0.0,
        }
    }

    /// Speed in rad/s and its standard uncertainty.
    pub(super) fn glance(&self, recent: &Recent) -> Option<(f64, f64)> {
        match self {
            Self::Field { field, .. } => field.glance(recent, self.jitter()),
            Self::Counter(counter) => counter.glance(recent),
            Self::Rate(_) => recent.slope(0.0).map(|(slope, u, _)| (slope, u)),
        }
    }

    pub(super) fn standing(&self) -> Standing {
        match self {
            Self::Field { field, .. } => field.standing(),
            Self::Counter(counter) => counter.standing(),
            Self::Rate(rate) => rate.standing(),
        }
    }

    /// A whole turn was seen, or one of the field.
    pub(super) fn has_seen_turning(&self) -> bool {
        match self {
            Self::Field { field, .. } => field.is_calibrated(),
            Self::Counter(counter) => counter.has_turned(),
            Self::Rate(rate) => rate.has_turned(),
        }
    }

    pub(super) fn quality(&self, rate_hz: f64) -> Option<SignalQuality> {
        if let Self::Field { field, .. } = self { field.quality(rate_hz) } else { None }
    }

    /// The field's follower, where the source is a field.
    pub(super) fn field(&self) -> Option<&Field> {
        if let Self::Field { field, .. } = self { Some(field) } else { None }
    }

    /// What was found wrong with the signal counts no more.
    pub(super) fn forgive(&mut self) {
        if let Self::Field { field, .. } = self {
            field.forgive();
        }
    }

    /// The engine is told to move.
    pub(super) fn expect_turning(&mut self) {
        if let Self::Field { field, .. } = self {
            field.expect_turning();
        }
    }

    /// How often the reading repeats in a turn; none where it goes on.
    pub(super) fn periods_a_turn(&self) -> Option<f64> {
        match self {
            Self::Field { field, .. } => Some(field.pairs()),
            Self::Counter(counter) => counter.wraps().then_some(1.0),
            Self::Rate(_) => None,
        }
    }

    /// Samples come as they come: only this follower can tell a gap.
    pub(super) fn tells_gaps(&self) -> bool {
        !matches!(self, Self::Field { .. })
    }

    pub(super) fn step_mm(&self) -> f64 {
        if let Self::Counter(counter) = self { counter.step_mm() } else { 0.0 }
    }

    pub(super) fn u_resolution_mm_s(&self) -> f64 {
        if let Self::Rate(rate) = self { rate.u_resolution_mm_s() } else { 0.0 }
    }

    /// A measurement on what this tells.
    pub(super) fn blocks(&self) -> Blocks {
        match self {
            Self::Field { field, .. } => Blocks::of_samples(field.pairs()),
            _ => Blocks::of_points(),
        }
    }

    pub(super) fn begin_measure(&mut self) {
        match self {
            Self::Field { jitter, .. } => jitter.cut(),
            Self::Counter(counter) => counter.begin_measure(),
            Self::Rate(_) => {}
        }
    }

    /// Samples are missing: the way across them is not known.
    pub(super) fn cut(&mut self) {
        match self {
            Self::Field { field, jitter, .. } => {
                field.cut();
                jitter.cut();
            }
            Self::Counter(counter) => counter.cut(),
            Self::Rate(_) => {}
        }
    }

    /// The sensor's clock started anew.
    pub(super) fn restarted(&mut self) {
        match self {
            Self::Field { field, .. } => field.restarted(),
            Self::Counter(counter) => counter.restarted(),
            Self::Rate(rate) => rate.restarted(),
        }
    }

    /// Nothing that was seen counts.
    pub(super) fn forget_all(&mut self) {
        match self {
            Self::Field { field, .. } => field.forget_all(),
            Self::Counter(counter) => counter.forget_all(),
            Self::Rate(rate) => rate.forget_all(),
        }
    }
}
