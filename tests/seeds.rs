//! Many engines of four kinds, held against the simulator's truth, which the program never sees: within the tolerance
//! at all 28 steps both ways, and within the stated doubts at the stated rate.
#![expect(
    clippy::unwrap_used,
    clippy::panic,
    reason = "helpers of a test fail by panicking, as the tests do"
)]
#[path = "played/figures.rs"]
mod figures;
mod played;
#[path = "played/thin.rs"]
mod thin;

use figures::{Figure, figures};
use pacewright::run::{End, PhaseName, Record, RecordBody, RunOutcome, StepSource, VerdictWord};
use pacewright::sim::Rounding;
use pacewright::time::BenchTime;
use played::{ENGINES, Engine, for_each, outcome, play};
use thin::thinned;

const SEEDS: u64 = 20;
/// Runs of the 80 that may end "marginal": a speed that lies on the edge of its tolerance is nobody's fault.
const MARGINAL_MOST: usize = 3;
/// Part of the figures that must lie within twice their stated standard uncertainty. Normal: 95 %.
const WITHIN_LEAST: f64 = 0.93;

/// Where a correction did not improve and the earlier table was written again: when that one was judged. The engine has
/// cooled since; what was said holds for it as warm as it was.
fn judged_before(records: &[Record]) -> Option<BenchTime> {
    let judged = |record: &&Record| matches!(record.body, RecordBody::Judged { .. });
    let last = records.iter().rev().find(judged)?;
    let back =
        records.iter().any(|record| record.n > last.n && record.body == RecordBody::Phase(PhaseName::Write));
    let before = records.iter().rev().filter(judged).nth(1)?;
    back.then_some(before.at)
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
    let bench = engine.bench(sim.clone());
    let limits = bench.plan.spec.limits;
    let end = play(bench);
    let outcome = outcome(&end).clone();
    let told = format!(
        "{} {seed} {rounding:?}: {:?} {:?} {:?}",
        engine.name, outcome.outcome, outcome.verdict, outcome.reasons
    );
    let judged = match judged_before(&end.records) {
        // The same setup gives the same run: this one is looked at when the figures were judged.
        Some(at) => engine.bench(sim.clone()).run_to_end(at.since(BenchTime::ZERO)).unwrap().bench,
        None => end.bench.clone(),
    };
    let figures = figures(&sim, &end.bench, &judged, &outcome, &limits);
    let highest_mm_s = end.bench.truth().highest_speed_mm_s;
    Played { told, outcome, figures, highest_mm_s, limit_mm_s: limits.speed_mm_s }
}

/// Figures within twice their stated uncertainty, of so many. Shown by `cargo test --test seeds -- --nocapture`.
#[expect(
    clippy::print_stderr,
    reason = "whoever works on the doubts wants the counts, not only that they suffice"
)]
fn within(all: &[Played], source: StepSource) -> (usize, usize) {
    let figures: Vec<&Figure> =
        all.iter().flat_map(|played| &played.figures).filter(|figure| figure.source == source).collect();
    let inside = figures.iter().filter(|figure| figure.off() <= 2.0).count();
    let squares: f64 = figures.iter().map(|figure| figure.off() * figure.off()).sum();
    let rms = (squares / figures.len().max(1) as f64).sqrt();
    eprintln!(
        "{source:?}: {inside} of {} within twice their doubt, {rms:.2} of it in the mean",
        figures.len()
    );
    (inside, figures.len())
}

#[test]
fn many_engines_of_four_kinds_are_calibrated_in_truth() {
    let cases: Vec<(Engine, u64)> =
        ENGINES.into_iter().flat_map(|engine| (1..=SEEDS).map(move |seed| (engine, seed))).collect();
    let cases = thinned(cases);
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
            assert!(figure.part() <= 1.0, "{told}: {}", figure.told());
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

/// Decoders that round every drive to a whole count: the sweep sees stairs. How it ends is open, what is said must be true.
#[test]
fn decoders_that_round_are_never_told_wrong() {
    let mut cases = Vec::new();
    for engine in ENGINES {
        for rounding in [Rounding::HalfUp, Rounding::Down] {
            cases.extend((1..=3).map(|seed| (engine, seed, rounding)));
        }
    }
    let cases = thinned(cases);
    let all = for_each(&cases, |(engine, seed, rounding)| played(*engine, *seed, Some(*rounding)));
    for one in &all {
        let (told, outcome) = (&one.told, &one.outcome);
        match (outcome.outcome, outcome.verdict) {
            (End::Calibrated, VerdictWord::Pass) => {}
            (End::Calibrated, VerdictWord::Marginal) | (End::Rejected, _) => {
                assert!(!outcome.reasons.is_empty(), "{told}");
            }
            _ => panic!("{told}"),
        }
        // A rejected engine has its old table back: what verify saw of the new one is not what runs now.
        if outcome.outcome == End::Calibrated {
            for figure in one.figures.iter().filter(|figure| figure.source == StepSource::Measured) {
                assert!(figure.off() <= 3.0, "{told}: {}", figure.told());
                assert!(
                    outcome.verdict != VerdictWord::Pass || figure.part() <= 1.0,
                    "{told}: {}",
                    figure.told()
                );
            }
        }
        assert!(one.highest_mm_s <= one.limit_mm_s, "{told}: {} mm/s", one.highest_mm_s);
    }
    // Nor is what verify saw of a table that was taken back held against what runs now.
    let calibrated: Vec<Played> =
        all.into_iter().filter(|one| one.outcome.outcome == End::Calibrated).collect();
    let (inside, count) = within(&calibrated, StepSource::Measured);
    assert!(inside as f64 >= WITHIN_LEAST * count as f64, "{inside} of {count} within twice their doubt");
}
