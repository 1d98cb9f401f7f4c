//! Tells people where the run stands, about twice a second of bench time.
use super::cx::Cx;
use super::exertion::Exertion;
use super::input::{Held, Output, Progress};
use super::margins::margins;
use super::record::PhaseName;
use crate::time::BenchTime;
use std::time::Duration;

/// Time between two tellings within a phase.
const EVERY: Duration = Duration::from_millis(500);

/// Points of the field that are shown.
const POINTS: usize = 32;

/// Usual share of each phase in the whole, in order (own estimate from simulated runs).
const SHARES: [(PhaseName, f64); 9] = [
    (PhaseName::LinkCheck, 0.01),
    (PhaseName::Snapshot, 0.03),
    (PhaseName::Settling, 0.01),
    (PhaseName::Baseline, 0.05),
    (PhaseName::WarmUp, 0.30),
    (PhaseName::Learn, 0.02),
    (PhaseName::Sweep, 0.32),
    (PhaseName::Write, 0.06),
    (PhaseName::Verify, 0.20),
];

/// Remembers when it told last.
#[derive(Debug, Default)]
pub(super) struct ProgressTeller {
    last: Option<(BenchTime, PhaseName)>,
    /// Part of the whole done when the present interruption began.
    done: f64,
}

impl ProgressTeller {
    /// `held` is asked only where something is told.
    pub(super) fn tell(&mut self, cx: &mut Cx, exertion: &Exertion, held: impl FnOnce(&Cx) -> Option<Held>) {
        if let Some((at, phase)) = self.last
            && phase == cx.phase
            && cx.now < at + EVERY
        {
            return;
        }
        self.last = Some((cx.now, cx.phase));
        if cx.phase != PhaseName::Recovering {
            self.done = done(cx);
        }
        let done = self.done;
        let spent = cx.now.as_secs_f64();
        cx.outbox.push(Output::Progress(Box::new(Progress {
            phase: cx.phase,
            ordered: Some(cx.ordered),
            speed_mm_s: cx.speed_forward(),
            done,
            left_s: if done > 0.02 { spent * (1.0 - done) / done } else { 0.0 },
            waiting: cx.waiting,
            housekeeping: cx.housekeeping.last(),
            held: held(cx),
            margins: margins(cx, exertion),
            field: cx.motion.view(POINTS),
            quality: cx.motion.quality(),
        })));
    }
}

/// Part of the whole, by the usual shares; the ends of a run count as all.
fn done(cx: &Cx) -> f64 {
    let mut before = 0.0;
    for (phase, share) in SHARES {
        if phase == cx.phase {
            return before + share * cx.phase_done.clamp(0.0, 1.0);
        }
        before += share;
    }
    match cx.phase {
        PhaseName::Placing | PhaseName::Fit => 0.74,
        _ => 1.0,
    }
}
