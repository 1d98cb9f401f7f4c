//! Many engines of four kinds, held against the simulator's truth, which the program never sees: within the tolerance
//! at all 28 steps both ways, and within the stated doubts at the stated rate.
mod played;

use pacewright::config::BenchSpec;
use pacewright::run::{End, RunOutcome, StepSource, VerdictWord};
use pacewright::sim::{Rounding, SimBench, SimFault, SimSpec, Truth};
use played::{ENGINES, Engine, for_each, outcome, play};

const SEEDS: u64 = 20;
/// Runs of the 80 that may end "marginal": a speed that lies on the edge of its tolerance is nobody's fault.
const MARGINAL_MOST: usize = 3;
/// Part of the figures that must lie within twice their stated standard uncertainty. Normal: 95 %.
const WITHIN_LEAST: f64 = 0.93;

/// A figure of the result beside the truth, mm/s.
#[derive(Clone, Copy, Debug)]
struct Figure {
    step: u16,
    forward: bool,
    source: StepSource,
    target: f64,
    truth: f64,
    said: f64,
    u: f64,
    /// What the truth may be off the target.
    allowed: f64,
}

impl Figure {
    /// How many of its stated standard uncertainties the figure is off.
    fn off(self) -> f64 {
        (self.said - self.truth).abs() / self.u
    }

    /// Deviation of the truth from the target, as a part of what is allowed.
    fn part(self) -> f64 {
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

/// All 56 figures of a result that shows steps. The table's own limit (half the larger true step to the neighbouring
/// value, `standards/measurement.md` section 9) comes from the simulator's speeds alone.
fn figures(sim: &SimSpec, bench: &SimBench, spec: &BenchSpec, outcome: &RunOutcome) -> Vec<Figure> {
    let (of, truth) = (outcome.step_mode, bench.truth());
    let (less, more) = (neighbour(sim, &truth, -1), neighbour(sim, &truth, 1));
    let mut all = Vec::new();
    for row in &outcome.steps {
        for (forward, said, u) in
            [(true, row.forward_mm_s, row.forward_u_mm_s), (false, row.reverse_mm_s, row.reverse_u_mm_s)]
        {
            let speed = |bench: &SimBench| bench.steady_speed(forward, row.step, of);
            let truth = speed(bench);
            let own = (speed(&more) - truth).max(truth - speed(&less)) / 2.0;
            let limits = &spec.limits;
            let allowed = (limits.tolerance_rel * row.target_mm_s).max(limits.tolerance_floor_mm_s).max(own);
            let (said, u) = (said.unwrap(), u.unwrap());
            let target = row.target_mm_s;
            all.push(Figure { step: row.step, forward, source: row.source, target, truth, said, u, allowed });
        }
    }
    all
}

/// One played engine: what was said, beside the truth.
struct Played {
    told: String,
    outcome: RunOutcome,
    figures: Vec<Figure>,
    highest_mm_s: f64,
    limit_mm_s: f64,
}

fn played(engine: Engine, seed: u64, rounding: Option<Rounding>) -> Played {
    let mut sim = (engine.recipe)(seed);
    if let Some(rounding) = rounding {
        sim.decoder.rounding = rounding;
    }
    let spec = engine.spec();
    let end = play(engine.bench(sim.clone()));
    let outcome = outcome(&end).clone();
    let told = format!(
        "{} {seed} {rounding:?}: {:?} {:?} {:?}",
        engine.name, outcome.outcome, outcome.verdict, outcome.reasons
    );
    let figures = figures(&sim, &end.bench, &spec, &outcome);
    let highest_mm_s = end.bench.truth().highest_speed_mm_s;
    Played { told, outcome, figures, highest_mm_s, limit_mm_s: spec.limits.speed_mm_s }
}

/// Part within twice the stated uncertainty, of so many.
fn within(all: &[Played], source: StepSource) -> (usize, usize) {
    let figures: Vec<&Figure> =
        all.iter().flat_map(|played| &played.figures).filter(|figure| figure.source == source).collect();
    (figures.iter().filter(|figure| figure.off() <= 2.0).count(), figures.len())
}

#[test]
fn twenty_engines_of_four_kinds_are_calibrated_in_truth() {
    let cases: Vec<(Engine, u64)> =
        ENGINES.into_iter().flat_map(|engine| (1..=SEEDS).map(move |seed| (engine, seed))).collect();
    let all = for_each(&cases, |(engine, seed)| played(*engine, *seed, None));
    for one in &all {
        let (told, outcome) = (&one.told, &one.outcome);
        assert_eq!(outcome.outcome, End::Calibrated, "{told}");
        if outcome.verdict == VerdictWord::Marginal {
            assert!(outcome.reasons.iter().any(|reason| reason.code == "verify-marginal"), "{told}");
        } else {
            assert_eq!(outcome.verdict, VerdictWord::Pass, "{told}");
            assert!(!outcome.reasons.iter().any(|reason| reason.code.starts_with("verify-")), "{told}");
        }
        assert_eq!(one.figures.len(), 56, "{told}");
        for figure in &one.figures {
            assert!(figure.part() <= 1.0, "{told}: {figure:?}");
        }
        assert!(one.highest_mm_s <= one.limit_mm_s, "{told}: {} mm/s", one.highest_mm_s);
    }
    let marginal = all.iter().filter(|one| one.outcome.verdict == VerdictWord::Marginal).count();
    assert!(marginal <= MARGINAL_MOST, "{marginal} of {} are marginal", all.len());
    for source in [StepSource::Measured, StepSource::Predicted] {
        let (inside, count) = within(&all, source);
        let rate = inside as f64 / count as f64;
        assert!(rate >= WITHIN_LEAST, "{source:?}: {inside} of {count} within twice their doubt");
    }
}
