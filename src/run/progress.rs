//! Tells people where the run stands, about twice a second of bench time.
use super::cx::Cx;
use super::exertion::Exertion;
use super::input::{Held, Output, Progress, Purpose};
use super::margins::margins;
use super::record::PhaseName;
use crate::time::BenchTime;
use std::time::Duration;

/// Time between two tellings within a phase.
const EVERY: Duration = Duration::from_millis(500);

/// Points of the field that are shown.
const POINTS: usize = 32;

/// Usual share of each phase in the whole of those that a run has, in order (own estimate from simulated runs).
const SHARES: [(PhaseName, f64); 10] = [
    (PhaseName::LinkCheck, 0.01),
    (PhaseName::Snapshot, 0.03),
    (PhaseName::Settling, 0.01),
    (PhaseName::Baseline, 0.05),
    (PhaseName::RunningIn, 2.0),
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
    let purpose = &cx.plan.purpose;
    let has = |phase: PhaseName| match phase {
        PhaseName::LinkCheck | PhaseName::Snapshot | PhaseName::Settling => true,
        PhaseName::Baseline | PhaseName::Learn | PhaseName::Sweep => purpose.changes_curve(),
        PhaseName::RunningIn => matches!(purpose, Purpose::RunIn { .. }),
        PhaseName::WarmUp => {
            purpose.changes_curve() || purpose.checks() || matches!(purpose, Purpose::Retarget(_))
        }
        PhaseName::Verify => {
            purpose.is_calibrate() || purpose.checks() || matches!(purpose, Purpose::Retarget(_))
        }
        PhaseName::Write => purpose.is_calibrate() || matches!(purpose, Purpose::Retarget(_)),
        _ => false,
    };
    // What comes between two phases of the list has done what comes before the second.
    let at = match cx.phase {
        PhaseName::Placing | PhaseName::Fit => PhaseName::Write,
        phase => phase,
    };
    let mine = || SHARES.into_iter().filter(|(phase, _)| has(*phase));
    let Some(place) = mine().position(|(phase, _)| phase == at) else { return 1.0 };
    let whole: f64 = mine().map(|(_, share)| share).sum();
    let before: f64 = mine().take(place).map(|(_, share)| share).sum();
    let within = if at == cx.phase { cx.phase_done.clamp(0.0, 1.0) } else { 0.0 };
    let share = mine().nth(place).map_or(0.0, |(_, share)| share);
    (before + share * within) / whole
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::run::RunPlan;

    /// The part done as these phases come, each at its beginning, its middle and its end.
    fn course(purpose: Purpose, phases: &[PhaseName]) -> Vec<f64> {
        let spec = crate::config::read("avocet.toml", include_str!("../../scenarios/avocet.toml")).unwrap();
        let mut cx = Cx::new(RunPlan { purpose, ..RunPlan::new(spec) });
        let mut parts = Vec::new();
        for phase in phases {
            for within in [0.0, 0.5, 1.0] {
                (cx.phase, cx.phase_done) = (*phase, within);
                parts.push(done(&cx));
            }
        }
        parts
    }

    #[test]
    fn every_kind_of_run_comes_from_nothing_to_all_and_never_goes_back() {
        use PhaseName as P;
        let run_in = Purpose::RunIn { shortest_s: 1, longest_s: 2, steady_per_hour: 0.01 };
        let whole = [
            P::LinkCheck,
            P::Snapshot,
            P::Baseline,
            P::WarmUp,
            P::Learn,
            P::Sweep,
            P::Placing,
            P::Fit,
            P::Write,
            P::Verify,
        ];
        for (purpose, phases) in [
            (Purpose::Calibrate, &whole[..]),
            (Purpose::Sweep, &whole[..6]),
            (Purpose::Check, &[P::LinkCheck, P::Snapshot, P::WarmUp, P::Verify]),
            (Purpose::Recheck, &[P::LinkCheck, P::WarmUp, P::Verify]),
            (run_in, &[P::LinkCheck, P::Snapshot, P::RunningIn]),
        ] {
            let parts = course(purpose.clone(), phases);
            assert!(parts.is_sorted(), "{purpose:?}: {parts:?}");
            assert!(parts[0].abs() < 1e-9, "{purpose:?}: {parts:?}");
            assert!((parts[parts.len() - 1] - 1.0).abs() < 1e-9, "{purpose:?}: {parts:?}");
            let last = parts[parts.len() - 3];
            assert!(last < 0.9, "{purpose:?}: the last phase is work too: {parts:?}");
        }
    }
}
