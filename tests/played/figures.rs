//! The figures of a result beside the simulator's truth.
use pacewright::config::LimitSpec;
use pacewright::run::{RunOutcome, StepSource};
use pacewright::sim::{SimBench, SimFault, SimSpec, Truth};

/// A figure of the result beside the truth, mm/s.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Figure {
    step: u16,
    forward: bool,
    pub(crate) source: StepSource,
    target: f64,
    /// At the end of the run.
    truth: f64,
    /// When it was judged.
    judged: f64,
    said: f64,
    u: f64,
    /// What the truth may be off the target.
    allowed: f64,
}

impl Figure {
    /// How many of its stated standard uncertainties the figure is off.
    pub(crate) fn off(self) -> f64 {
        (self.said - self.judged).abs() / self.u
    }

    /// The figure in words, for a failing test.
    pub(crate) fn told(self) -> String {
        let way = if self.forward { "forward" } else { "reverse" };
        format!(
            "step {} {way} {:?}: wanted {:.3} +- {:.3}, true {:.3} (judged at {:.3}), said {:.3} +- {:.3} mm/s (k = 1)",
            self.step, self.source, self.target, self.allowed, self.truth, self.judged, self.said, self.u
        )
    }

    /// Deviation of the truth from the target, as a part of what is allowed.
    pub(crate) fn part(self) -> f64 {
        (self.truth - self.target).abs() / self.allowed
    }
}

/// The same engine, as warm, its table raised or lowered by a whole count.
fn neighbour(sim: &SimSpec, truth: &Truth, by: i16) -> SimBench {
    let mut sim = sim.clone();
    sim.decoder.cvs.clone_from(&truth.cvs);
    for cv in 67..=94 {
        if let Some(value) = sim.decoder.cvs.get_mut(&cv) {
            *value = u8::try_from((i16::from(*value) + by).clamp(0, 255)).unwrap();
        }
    }
    let mut bench = SimBench::new(sim);
    bench.apply(SimFault::Warmth(truth.warmth));
    bench
}

/// All 56 figures of a result that shows steps. The table's own limit (half the larger true step to a neighbouring
/// value, `standards/measurement.md` section 9) comes from the simulator's speeds alone.
pub(crate) fn figures(
    sim: &SimSpec,
    bench: &SimBench,
    judged: &SimBench,
    outcome: &RunOutcome,
    limits: &LimitSpec,
) -> Vec<Figure> {
    let (of, truth) = (outcome.step_mode, bench.truth());
    let (less, more) = (neighbour(sim, &truth, -1), neighbour(sim, &truth, 1));
    let mut all = Vec::new();
    for row in &outcome.steps {
        for (forward, said, u) in
            [(true, row.forward_mm_s, row.forward_u_mm_s), (false, row.reverse_mm_s, row.reverse_u_mm_s)]
        {
            let speed = |bench: &SimBench| bench.steady_speed(forward, row.step, of);
            let (truth, judged) = (speed(bench), speed(judged));
            let slower = speed(&less);
            let down = if slower > 0.0 { truth - slower } else { 0.0 };
            let own = (speed(&more) - truth).max(down) / 2.0;
            let allowed = (limits.tolerance_rel * row.target_mm_s).max(limits.tolerance_floor_mm_s).max(own);
            let (said, u) = (said.unwrap(), u.unwrap());
            let target = row.target_mm_s;
            let (step, source) = (row.step, row.source);
            all.push(Figure { step, forward, source, target, truth, judged, said, u, allowed });
        }
    }
    all
}
