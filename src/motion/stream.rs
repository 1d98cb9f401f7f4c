//! The stream: samples in, what the run asks for out. Joins the parts of this module.
use super::backlog::{Backlog, LATE_S, News};
use super::blocks::Blocks;
use super::clock::Clock;
use super::decode::TURN;
use super::field::Field;
use super::follow::Follow;
use super::measuring::{Measuring, Scale};
use super::pool::TurnBlocks;
use super::recent::Recent;
use super::response::{Fitted, fit_change};
use super::seen::Seen;
use super::stamps::{Stamped, Stamps};
use super::stats::root_of_squares;
use super::trace::Trace;
use super::trouble::{Swing, Trouble};
use super::view::FieldView;
use super::{AxleSetup, ClockRate, Glance, Measured, SampleCounts, Sampling, SignalQuality, Standing};
use crate::sensor::{Quantity, Sample};
use crate::time::BenchTime;
use std::cell::OnceCell;
use std::time::Duration;

/// Fewest samples a period of what repeats.
const SAMPLES_A_PERIOD: f64 = 4.0;
/// While stamps run ahead of arrival, no longer rest than this is believed: it may be a day old.
const STOOD_AT_ONCE: Duration = Duration::from_millis(500);

/// What a sensor tells to angle to distance to speed, as samples stream in. Memory is bounded; nothing here looks at a
/// clock.
#[derive(Debug)]
pub struct Motion {
    setup: AxleSetup,
    stamps: Stamps,
    clock: Clock,
    backlog: Backlog,
    /// Age of the newest sample in s, where it tells it; such samples are timed by arrival.
    age_s: Option<f64>,
    follow: Follow,
    recent: Recent,
    measuring: Measuring,
    trace: Option<Trace>,
    counts: SampleCounts,
    newest: Option<BenchTime>,
    /// Stamp of the newest sample, us.
    newest_us: i64,
    /// Angle last known.
    phi: Option<f64>,
    /// Usual interval of samples, in us.
    interval_us: Option<f64>,
    /// When the angle was last known.
    phase_us: Option<i64>,
    path: Path,
    /// Path before stamps began to run ahead of arrival.
    path_before: Path,
    /// How often the way could not be followed.
    breaks: u32,
    /// The speed just now, once somebody asked since the last sample: guards and phases ask many times for each.
    asked: OnceCell<Option<Glance>>,
}

/// Path turned, in rad, with a dead band against noise.
#[derive(Clone, Copy, Debug, Default)]
struct Path {
    turned: f64,
    /// With its sign, where it could be followed.
    net: f64,
    /// Net angle since the path was last counted.
    open: f64,
}

impl Path {
    fn add(&mut self, step: f64, least: f64) {
        self.net += step;
        self.open += step;
        if self.open.abs() >= least {
            self.turned += self.open.abs();
            self.open = 0.0;
        }
    }
}

impl Motion {
    /// Motion of this axle, of which nothing is known yet. Of a field three axes are taken for granted.
    #[must_use]
    pub fn new(setup: AxleSetup) -> Self {
        Self {
            setup,
            stamps: Stamps::default(),
            clock: Clock::new(),
            backlog: Backlog::default(),
            age_s: None,
            follow: Follow::new(&setup),
            recent: Recent::default(),
            measuring: Measuring::default(),
            trace: None,
            counts: SampleCounts::default(),
            newest: None,
            newest_us: 0,
            phi: None,
            interval_us: None,
            phase_us: None,
            path: Path::default(),
            path_before: Path::default(),
            breaks: 0,
            asked: OnceCell::new(),
        }
    }

    /// The sensor has so many axes (2, or else 3). Another number than before begins calibration anew; the same changes
    /// nothing, and neither does what is no field.
    pub fn set_layout(&mut self, quantity: Quantity) {
        self.asked.take();
        if self.follow.set_layout(quantity) {
            self.void();
        }
    }

    /// A sample that arrived at `at`. Samples that are not finite, or beyond any unit, or not what this axle's source
    /// tells, are ignored.
    pub fn take(&mut self, at: BenchTime, sample: Sample) {
        self.take_in(at, sample);
        self.asked.take();
    }

    /// Nobody listened for a time that the stamps know and arrival does not: what comes next begins anew, with all that is known
    /// of the field.
    pub fn listen_again(&mut self) {
        self.stamps.restart();
        self.asked.take();
    }

    fn take_in(&mut self, at: BenchTime, sample: Sample) {
        if !self.follow.may_take(sample.reading) {
            return;
        }
        let taken = self.stamps.take(at, sample.stamp);
        let (t_us, step_us) = match taken.stamped {
            Stamped::Repeated => {
                self.counts.repeated += 1;
                return;
            }
            Stamped::Restart { t_us } => {
                self.counts.restarts += 1;
                self.clock.restart();
                self.backlog.restart();
                self.follow.restarted();
                self.void();
                (t_us, 0)
            }
            Stamped::On { t_us, step_us } => (t_us, step_us),
        };
        self.counts.taken += 1;
        (self.newest, self.newest_us) = (Some(at), t_us);
        self.interval(step_us);
        self.age_s = taken.age_us.map(seconds);
        if self.is_old(t_us, taken.arrival_us) {
            return;
        }
        self.bridge(t_us);
        let jitter_s = if self.age_s.is_some() { LATE_S / 4.0 } else { 0.0 };
        match self.follow.take(t_us, jitter_s, sample.reading, self.measuring.is_on()) {
            Seen::Nothing => {}
            Seen::Cut { way } => {
                self.counts.gaps += u64::from(self.follow.tells_gaps());
                self.path.turned += way.abs();
                self.void();
            }
            Seen::Leap => {
                self.counts.restarts += 1;
                self.void();
            }
            Seen::Angle { phi, step, least, begins } => {
                if begins {
                    self.recent.clear();
                }
                self.phase_us = Some(t_us);
                self.recent.push(t_us, phi);
                self.path.add(step, least);
                self.follow.time(self.age_s.is_some(), seconds(t_us), phi);
                self.phi = Some(phi);
                if let Some(trace) = &mut self.trace {
                    trace.push(seconds(t_us), phi);
                }
                let step = self.follow.step_mm() / self.setup.circumference_mm * TURN;
                self.measuring.push(seconds(t_us), phi, step, |phi| self.follow.angle_noise(phi));
            }
        }
    }

    /// Times the sample against arrival; true while samples are old, which are then not looked at.
    fn is_old(&mut self, t_us: i64, arrival_us: i64) -> bool {
        if !self.backlog.is_falling() {
            self.path_before = self.path;
        }
        let news = if let Some(age_s) = self.age_s {
            self.backlog.take_age(age_s)
        } else {
            self.clock.take(seconds(t_us), seconds(arrival_us - t_us));
            self.backlog.take(seconds(t_us), seconds(arrival_us), self.clock_factor() - 1.0)
        };
        if news != News::None {
            // What was said since it began is of another day.
            self.path = Path { open: 0.0, ..self.path_before };
            self.clock.forget_rate();
            self.follow.forget_all();
            self.void();
        }
        self.backlog.is_old()
    }

    /// Keeps the usual interval; counts gaps.
    fn interval(&mut self, step_us: i64) {
        if step_us <= 0 {
            return;
        }
        let step = step_us as f64;
        // The least of the first few: one of them may be a gap.
        let first = self.counts.taken < 16;
        let usual = self.interval_us.map_or(step, |usual| if first { usual.min(step) } else { usual });
        if step > 1.5 * usual && !self.follow.tells_gaps() {
            self.counts.gaps += 1;
        }
        // Clamped, so that one gap hardly moves it, while a change of rate is followed within some tens of samples.
        self.interval_us = Some(usual + (step.clamp(0.5 * usual, 1.5 * usual) - usual) / 16.0);
    }

    /// After a gap in which half a period or more may have passed unseen, turns can't be counted on: the path is taken
    /// from the speed before, the rest starts anew (`standards/measurement.md` 2.6).
    fn bridge(&mut self, t_us: i64) {
        let usual = self.interval_us.unwrap_or(0.0);
        let (Some(periods), Some(step_us)) =
            (self.follow.periods_a_turn(), self.phase_us.map(|phase_us| t_us - phase_us))
        else {
            return;
        };
        if (step_us as f64) <= 1.5 * usual {
            return;
        }
        if let Some(glance) = self.look() {
            let unseen = (glance.speed_mm_s.abs() + 2.0 * glance.u_mm_s) * seconds(step_us);
            if unseen > self.setup.circumference_mm / (2.0 * periods) {
                self.path.turned +=
                    glance.speed_mm_s.abs() * seconds(step_us) / self.setup.circumference_mm * TURN;
                self.void();
            }
        }
    }

    /// Turns can't be followed from the last sample to the next one.
    fn void(&mut self) {
        self.breaks = self.breaks.saturating_add(1);
        self.measuring.restart();
        self.follow.cut();
        self.recent.clear();
        (self.phase_us, self.phi) = (None, None);
        if let Some(trace) = &mut self.trace {
            trace.tear();
        }
    }

    /// Way since the start in mm as far as it could be followed, forward and back as the sensor sees them, and how often it
    /// could not be.
    #[must_use]
    pub fn way(&self) -> (f64, u32) {
        (self.path.net / TURN * self.setup.circumference_mm, self.breaks)
    }

    /// The running measurement rests: what is seen from now on does not belong to it.
    pub fn interrupt(&mut self) {
        self.asked.take();
        self.measuring.interrupt();
    }

    /// The measurement goes on, in the same sense and at the same setting as before.
    pub fn go_on(&mut self) {
        self.asked.take();
        self.measuring.go_on();
    }

    /// Arrival of the newest sample.
    #[must_use]
    pub fn newest(&self) -> Option<BenchTime> {
        self.newest
    }

    /// How old the newest sample is beyond what the promptest ones are: what a buffer on the way holds back. While a
    /// backlog is caught up, at least what was caught up so far. A delay that is always the same can't be seen by stamps
    /// that count from any origin; only that the axle answers orders late shows it.
    #[must_use]
    pub fn lateness(&self) -> Duration {
        Duration::try_from_secs_f64(self.late_s()).unwrap_or_default()
    }

    fn late_s(&self) -> f64 {
        self.age_s.unwrap_or(self.clock.late_s() + self.backlog.caught_s())
    }

    /// The speed just now; none before the sensor showed one, just after a gap, or of old data.
    #[must_use]
    pub fn glance(&self) -> Option<Glance> {
        *self.asked.get_or_init(|| self.look())
    }

    fn look(&self) -> Option<Glance> {
        let (slope, u) = self.follow.glance(&self.recent)?;
        let mm_per_rad = self.setup.circumference_mm / TURN / self.clock_factor();
        let u_mm_s = u * mm_per_rad;
        let u_mm_s = root_of_squares([u_mm_s, self.u_resolution_mm_s()]);
        Some(Glance { speed_mm_s: slope * mm_per_rad, u_mm_s, at: self.newest? })
    }

    /// Whether the axle stands, and for how long by the sensor's clock. It lasts only while samples come. Old data, and a
    /// field that is not that of the calibrated magnet, prove nothing.
    #[must_use]
    pub fn standing(&self) -> Standing {
        if self.late_s() > LATE_S || self.backlog.is_old() {
            return Standing::No;
        }
        match self.follow.standing() {
            Standing::For(span) if self.backlog.is_falling() => Standing::For(span.min(STOOD_AT_ONCE)),
            other => other,
        }
    }

    /// The sensor has shown the axle turning: from then on it is believed when it shows it standing.
    #[must_use]
    pub fn has_seen_turning(&self) -> bool {
        self.follow.has_seen_turning()
    }

    /// Way that the axle may go without a sign of it, in mm: a step of what is told in steps.
    #[must_use]
    pub fn unseen_mm(&self) -> f64 {
        self.follow.step_mm()
    }

    /// How good the signal is; none before a whole turn was seen, and of what is no field.
    #[must_use]
    pub fn quality(&self) -> Option<SignalQuality> {
        self.follow.quality(self.rate_hz()?)
    }

    /// The field as people see it, with so many points at most; none before a whole turn was seen, and of what is no field.
    #[must_use]
    pub fn view(&self, points: usize) -> Option<FieldView> {
        self.follow.field()?.view(points)
    }

    /// The field is no longer that of the magnet whose turning was seen.
    #[must_use]
    pub fn is_lost(&self) -> bool {
        self.follow.field().is_some_and(Field::is_lost)
    }

    /// Turns can't be followed, whatever else is wrong with the signal.
    #[must_use]
    pub fn is_blind(&self) -> bool {
        self.follow.field().is_some_and(Field::is_blind)
    }

    /// The field is lost in its noise: what looks like rest may be turning.
    #[must_use]
    pub fn hides_turning(&self) -> bool {
        self.follow.field().is_some_and(Field::hides_turning)
    }

    /// What is wrong with the signal of a field, what explains most first; nothing of other sources.
    pub fn troubles(&self) -> impl Iterator<Item = Trouble> + '_ {
        self.follow.field().into_iter().flat_map(Field::troubles)
    }

    /// What can be said at once of a signal that something is about to be blamed for, before a verdict is sure.
    #[must_use]
    pub fn hasty_trouble(&self) -> Option<Trouble> {
        self.follow.field()?.hasty_trouble()
    }

    /// What was found wrong with the signal counts no more: somebody handles the engine.
    pub fn forgive(&mut self) {
        self.follow.forgive();
    }

    /// What a field did since [`Motion::expect_turning`], while no turn was seen in it.
    #[must_use]
    pub fn swing(&self) -> Option<Swing> {
        self.follow.field()?.swing()
    }

    /// The engine is told to move: what [`Motion::swing`] tells begins here.
    pub fn expect_turning(&mut self) {
        self.follow.expect_turning();
    }

    /// The fastest speed, in mm/s, that so many samples a second can follow: a quarter of a period between two samples,
    /// where the signal repeats (`standards/measurement.md` 2.2). None where it goes on for ever, or before the rate is
    /// known.
    #[must_use]
    pub fn fastest_mm_s(&self) -> Option<f64> {
        let periods = self.follow.periods_a_turn()?;
        Some(self.rate_hz()? / SAMPLES_A_PERIOD * self.setup.circumference_mm / periods)
    }

    /// How often the signal repeats, against the samples that must follow it; none where it counts on for ever, or before
    /// a speed is known.
    #[must_use]
    pub fn sampling(&self) -> Option<Sampling> {
        let periods = self.follow.periods_a_turn()?;
        let turns_hz = self.glance()?.speed_mm_s.abs() / self.setup.circumference_mm;
        Some(Sampling { rate_hz: self.rate_hz()?, periods_hz: turns_hz * periods })
    }

    /// Samples a second.
    fn rate_hz(&self) -> Option<f64> {
        Some(1e6 / self.interval_us? / self.clock_factor())
    }

    /// Path since the start in mm, forward and back both counted. Of a field, the first turn counts once it was seen whole.
    #[must_use]
    pub fn distance_mm(&self) -> f64 {
        self.path.turned / TURN * self.setup.circumference_mm
    }

    /// Counts over the whole run.
    #[must_use]
    pub fn counts(&self) -> SampleCounts {
        self.counts
    }

    /// The rate of the sensor's clock; where samples are timed by arrival, that of this computer's.
    #[must_use]
    pub fn clock_rate(&self) -> ClockRate {
        if self.age_s.is_some() { Clock::of_arrival() } else { self.clock.rate() }
    }

    /// Seconds of bench time that a second of the sensor lasts.
    fn clock_factor(&self) -> f64 {
        let rate = self.clock_rate();
        if rate.corrected { 1.0 + rate.rel } else { 1.0 }
    }

    /// The part of every speed's standard uncertainty that comes from the steps in which speeds are told, in mm/s: the
    /// same at each, so no averaging lessens it. Nought where a position is told; its steps are in what scatters.
    #[must_use]
    pub fn u_resolution_mm_s(&self) -> f64 {
        self.follow.u_resolution_mm_s()
    }

    /// Starts a measurement: forgets blocks and keeps the correction as it is.
    pub fn begin_measure(&mut self) {
        self.asked.take();
        self.follow.begin_measure();
        let lap_turns = self.setup.lap.map(|lap| lap.length_mm / self.setup.circumference_mm);
        self.measuring.begin(self.follow.blocks(), lap_turns);
    }

    /// What was measured since `begin_measure`, or since the measurement was last voided; none before two whole turns, and
    /// on a loop none before a whole lap, where one fits into the time.
    #[must_use]
    pub fn measured(&self) -> Option<Measured> {
        let within_s = self.setup.lap.map(|lap| lap.within.as_secs_f64());
        self.measuring.measured(&self.scale(), within_s)
    }

    /// What was measured, be it less than a whole lap: the time is over.
    #[must_use]
    pub fn measured_so_far(&self) -> Option<Measured> {
        self.measuring.measured_so_far(&self.scale())
    }

    fn scale(&self) -> Scale {
        Scale {
            mm_per_turn: self.setup.circumference_mm,
            clock_factor: self.clock_factor(),
            shared_u_rel: [self.clock_rate().u_rel, self.setup.circumference_u_rel],
            u_resolution_mm_s: self.u_resolution_mm_s(),
        }
    }

    /// Whole turns are taken together, for something swings.
    #[must_use]
    pub fn takes_turns_together(&self) -> bool {
        self.measuring.blocks().is_some_and(Blocks::is_grouped)
    }

    /// What the blocks of the measurement show of the engine's scatter; none before two whole turns.
    #[must_use]
    pub fn turn_blocks(&self) -> Option<TurnBlocks> {
        let shown = self.measuring.blocks()?.summary()?.shown;
        let origin_s = self.trace.as_ref().map_or(0.0, Trace::origin_s);
        let factor = self.clock_factor();
        let (first_s, last_s) = shown.span_s;
        Some(TurnBlocks {
            blocks: shown.blocks,
            turns_each: shown.turns_each,
            variance: shown.variance,
            slow: shown.slow.0,
            slow_degrees: shown.slow.1,
            ends: shown.ends,
            span_s: ((first_s - origin_s) * factor, (last_s - origin_s) * factor),
        })
    }

    /// Times of the passages of the measurement, on the time of `TurnBlocks::span_s`.
    pub(super) fn passages(&self) -> impl Iterator<Item = f64> {
        let origin_s = self.trace.as_ref().map_or(0.0, Trace::origin_s);
        let factor = self.clock_factor();
        let passages = self.measuring.blocks().map_or(&[][..], Blocks::passages);
        passages.iter().map(move |t_s| (t_s - origin_s) * factor)
    }

    /// Follows the way from now on: (time in s from `now`, turns of the axle), for what the engine does after an order.
    pub fn begin_trace(&mut self, now: BenchTime) {
        let since_s = self.newest.map_or(0.0, |newest| now.since(newest).as_secs_f64());
        let origin_s = seconds(self.newest_us) + since_s;
        let mut trace = Trace::new(origin_s);
        if let Some(phi) = self.phi {
            trace.push(origin_s, phi);
        }
        self.trace = Some(trace);
    }

    /// The way since `begin_trace`; none where samples went missing on it.
    #[must_use]
    pub fn trace(&self) -> Option<&[(f64, f64)]> {
        self.trace.as_ref()?.points()
    }

    /// How the axle answered the one large change that the trace began with. `before`: its speed until then, turns a
    /// second as the sensor sees them; 0 where it stood.
    pub(crate) fn fit_change(&self, before: f64) -> Option<Fitted> {
        fit_change(self.trace()?, before)
    }

    /// No way is followed any more.
    pub fn end_trace(&mut self) {
        self.trace = None;
    }

    /// Ends the measurement; the correction may follow the signal again.
    pub fn end_measure(&mut self) {
        self.asked.take();
        self.measuring.end();
    }

    /// Samples were dropped on the way: a running measurement begins again.
    pub fn overrun(&mut self) {
        self.asked.take();
        self.void();
    }
}

/// Microseconds as seconds.
fn seconds(us: i64) -> f64 {
    us as f64 * 1e-6
}

#[cfg(test)]
#[path = "motion_tests.rs"]
mod tests;

#[cfg(test)]
#[path = "standing_tests.rs"]
mod standing_tests;

#[cfg(test)]
#[path = "source_tests.rs"]
mod source_tests;

#[cfg(test)]
#[path = "idle_tests.rs"]
mod idle_tests;

#[cfg(test)]
#[path = "age_tests.rs"]
mod age_tests;

#[cfg(test)]
#[path = "honesty_tests.rs"]
mod honesty_tests;

#[cfg(test)]
#[path = "mounting_tests.rs"]
mod mounting_tests;

#[cfg(test)]
#[path = "verdict_tests.rs"]
mod verdict_tests;
