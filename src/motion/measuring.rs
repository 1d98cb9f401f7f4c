//! The running measurement: whole turns, laps of a loop and swings of the speed, to a speed with its doubt.
use super::Measured;
use super::blocks::{Blocks, Summary};
use super::decode::TURN;
use super::laps::{Laps, Pattern, whole};
use super::stats::root_of_squares;
use super::surge::{Surge, SurgeWatch, turns_together};

/// A swing that is no larger part of the speed does not matter to a mean over some turns.
const SWING_MATTERS: f64 = 0.003;

/// What turns of the axle by the sensor's clock mean.
#[derive(Clone, Copy, Debug)]
pub(super) struct Scale {
    pub(super) mm_per_turn: f64,
    /// Seconds of bench time that a second of the sensor lasts.
    pub(super) clock_factor: f64,
    /// Standard uncertainties that all speeds share: the clock's and the circumference's.
    pub(super) shared_u_rel: [f64; 2],
    /// That of the steps in which speeds are told.
    pub(super) u_resolution_mm_s: f64,
}

impl Scale {
    fn mm_s(&self, turns_per_s: f64) -> f64 {
        turns_per_s * self.mm_per_turn / self.clock_factor
    }

    /// A speed of which only the doubts are known so far: (relative standard uncertainty of what repeats, its degrees of
    /// freedom, factor to the half-width of 95 %).
    fn with_doubts(&self, speed: f64, (repeat_u_rel, degrees, factor): (f64, f64, f64)) -> Measured {
        let [clock, axle] = self.shared_u_rel;
        let parts = [repeat_u_rel, clock, axle].map(|u_rel| speed.abs() * u_rel);
        Measured {
            speed_mm_s: speed,
            u_repeat_mm_s: speed.abs() * repeat_u_rel,
            degrees,
            u_mm_s: root_of_squares(parts.into_iter().chain([self.u_resolution_mm_s])),
            half_width_mm_s: speed.abs() * repeat_u_rel * factor,
            turns: 0,
            seconds: 0.0,
            unsteady: false,
            short: false,
            surge: None,
            part_of_lap: None,
        }
    }
}

/// A measurement, where one runs, and what earlier ones showed of the track and of swings.
#[derive(Debug, Default)]
pub(super) struct Measuring {
    blocks: Option<Blocks>,
    /// It rests: what comes does not belong to it.
    interrupted: bool,
    surge: SurgeWatch,
    /// The swing as last seen, in s and rad/s.
    swing: Option<(f64, f64)>,
    /// What the track does to the speed, as the last whole lap showed it.
    pattern: Pattern,
}

impl Measuring {
    /// Begins, on a loop with laps of so many turns.
    pub(super) fn begin(&mut self, mut blocks: Blocks, lap_turns: Option<f64>) {
        self.surge = SurgeWatch::default();
        blocks.laps = lap_turns.map(Laps::new);
        self.blocks = Some(blocks);
    }

    pub(super) fn end(&mut self) {
        self.interrupted = false;
        if let Some(pattern) = self.blocks.take().and_then(|blocks| blocks.laps?.pattern().cloned()) {
            self.pattern = pattern;
        }
    }

    pub(super) fn is_on(&self) -> bool {
        self.blocks.is_some()
    }

    pub(super) fn blocks(&self) -> Option<&Blocks> {
        self.blocks.as_ref()
    }

    /// The angle in rad at a time of the sensor's clock. `step`: that in which the source tells it; `noise`: its standard
    /// deviation at an angle.
    pub(super) fn push(&mut self, t_s: f64, phi: f64, step: f64, noise: impl Fn(f64) -> f64) {
        if self.interrupted {
            return;
        }
        let Some(blocks) = &mut self.blocks else { return };
        blocks.push(t_s, phi, noise);
        self.surge.push(t_s, phi, step);
        self.group();
    }

    /// Takes so many turns together that whole swings fall into them, where the speed swings.
    fn group(&mut self) {
        self.swing = self.surge.found().or(self.swing);
        let (Some((period_s, size)), Some(blocks)) = (self.swing, &mut self.blocks) else { return };
        let Some(turns_per_s) = blocks.turns_per_s() else { return };
        // A swing of the way is the smaller a part of the speed the faster it goes.
        let matters = size >= SWING_MATTERS * turns_per_s * TURN;
        let turns = if matters { turns_together(1.0 / turns_per_s, period_s) } else { 1 };
        blocks.set_group(turns as usize);
    }

    /// Turns could not be followed: it begins again.
    pub(super) fn restart(&mut self) {
        self.surge.cut();
        if let Some(blocks) = &mut self.blocks {
            blocks.restart();
        }
    }

    pub(super) fn interrupt(&mut self) {
        self.interrupted = true;
        self.surge.cut();
        if let Some(blocks) = &mut self.blocks {
            blocks.interrupt();
        }
    }

    pub(super) fn go_on(&mut self) {
        self.interrupted = false;
    }

    /// None before two whole turns, and on a loop none before a whole lap, where one fits into `within_s`.
    pub(super) fn measured(&self, scale: &Scale, within_s: Option<f64>) -> Option<Measured> {
        let blocks = self.blocks.as_ref()?;
        let (Some(laps), Some(within_s)) = (&blocks.laps, within_s) else {
            return self.by_turns(scale, Blocks::summary, 0.0);
        };
        if laps.summary().is_some() {
            return self.by_laps(scale);
        }
        let lap_s = laps.turns_a_lap() / blocks.turns_per_s()?;
        if lap_s <= within_s { None } else { self.measured_so_far(scale) }
    }

    /// Be it less than a whole lap.
    pub(super) fn measured_so_far(&self, scale: &Scale) -> Option<Measured> {
        let laps = self.blocks.as_ref()?.laps.as_ref();
        let Some(part) = laps.map(Laps::share).filter(|share| *share < 1.0) else {
            return self.by_laps(scale).or_else(|| self.by_turns(scale, Blocks::plain, 0.0));
        };
        let measured = self.by_turns(scale, Blocks::plain, self.pattern.u_rel(part))?;
        Some(Measured { part_of_lap: Some(part), unsteady: false, ..measured })
    }

    fn by_laps(&self, scale: &Scale) -> Option<Measured> {
        let laps = self.blocks.as_ref()?.laps.as_ref()?;
        let (by_turns, rounds) = (self.by_turns(scale, Blocks::plain, 0.0)?, laps.summary()?);
        let (turns, seconds) = (rounds.turns_per_s * rounds.seconds, rounds.seconds * scale.clock_factor);
        let speed = scale.mm_s(rounds.turns_per_s.copysign(by_turns.speed_mm_s));
        let measured = scale.with_doubts(speed, (rounds.u_rel, rounds.degrees, rounds.factor));
        Some(Measured {
            turns: whole(turns),
            seconds,
            unsteady: rounds.unsteady,
            surge: by_turns.surge,
            ..measured
        })
    }

    /// Over whole turns; `more_u_rel` is doubt beside their scatter.
    fn by_turns(
        &self,
        scale: &Scale,
        say: impl Fn(&Blocks) -> Option<Summary>,
        more_u_rel: f64,
    ) -> Option<Measured> {
        let summary = say(self.blocks.as_ref()?)?;
        let doubts = (libm::hypot(summary.u_rel, more_u_rel), summary.degrees, summary.factor);
        let measured = scale.with_doubts(scale.mm_s(summary.turns_per_s), doubts);
        let swing = |(period_s, size): (f64, f64)| Surge {
            period_s: period_s * scale.clock_factor,
            amplitude_mm_s: scale.mm_s(size / TURN),
        };
        Some(Measured {
            turns: summary.turns,
            seconds: summary.seconds * scale.clock_factor,
            unsteady: summary.unsteady,
            surge: self.surge.found().map(swing),
            ..measured
        })
    }
}
