//! 126-step operation with decoders that read their table in either way: the run finds out which, and the engine is held
//! against the wanted speed at every step. No standard gives the readings (`standards/dcc.md` 10.1).
#![expect(
    clippy::unwrap_used,
    clippy::panic,
    reason = "helpers of a test fail by panicking, as the tests do"
)]
use pacewright::bench::virtual_bench::VirtualEnd;
use pacewright::calibrate::Target;
use pacewright::config::BenchSpec;
use pacewright::run::{End, RecordBody, VerdictWord};
use pacewright::sim::{SimBench, SimFault, TableReading};
use played::{ENGINES, Engine, for_each, outcome, play};

#[path = "played/mod.rs"]
mod played;

/// An engine whose decoder reads its table so, in 126 steps.
fn played_with(engine: &Engine, seed: u64, reading: TableReading) -> (BenchSpec, VirtualEnd) {
    let mut recipe = (engine.recipe)(seed);
    recipe.decoder.reading = reading;
    let mut bench = engine.bench(recipe);
    bench.plan.spec.engine.step_mode = 126;
    let spec = bench.plan.spec.clone();
    (spec, play(bench))
}

/// The largest deviation of the true speeds from those wanted at the steps from `first` on, in tolerances.
fn worst(spec: &BenchSpec, end: &VirtualEnd, first: u16) -> (f64, u16) {
    let mut warm: SimBench = end.bench.clone();
    warm.apply(SimFault::Warmth(1.0));
    let target = Target::from_spec(&spec.target).unwrap();
    let off = |step: u16| {
        let wanted = target.at(1.0 + f64::from(step - 1) * 27.0 / 125.0);
        let allowed = (spec.limits.tolerance_rel * wanted).max(spec.limits.tolerance_floor_mm_s);
        let speeds = [true, false].map(|forward| warm.steady_speed(forward, step, 126));
        speeds.map(|speed| (speed - wanted).abs() / allowed).into_iter().fold(0.0, f64::max)
    };
    (first..=126)
        .map(|step| (off(step), step))
        .fold((0.0, 0), |worst, one| if one.0 > worst.0 { one } else { worst })
}

fn said(end: &VirtualEnd) -> bool {
    let read = |record: &&pacewright::run::Record| matches!(&record.body, RecordBody::Noted(reason) if reason.code == "table-read-from-zero");
    end.records.iter().any(|record| read(&record))
}

#[test]
#[expect(clippy::print_stderr, reason = "whoever works on it wants the figures")]
fn a_table_that_is_read_from_zero_is_found_out_and_made_for_that() {
    let cases: Vec<(Engine, u64)> =
        [ENGINES[1], ENGINES[0], ENGINES[3]].into_iter().flat_map(|e| (1..=4).map(move |s| (e, s))).collect();
    for_each(&cases, |(engine, seed)| {
        let (spec, end) = played_with(engine, *seed, TableReading::QuarterSteps);
        let outcome = outcome(&end);
        let (worst, at) = worst(&spec, &end, 5);
        eprintln!("{} {seed}: {:?}, worst {worst:.2} at {at}", engine.name, outcome.verdict);
        assert_eq!(outcome.outcome, End::Calibrated, "{} {seed}: {:?}", engine.name, outcome.reasons);
        assert!(said(&end), "{} {seed}", engine.name);
        assert!(worst <= 1.0, "{} {seed}: {worst} at step {at}", engine.name);
        assert_eq!(outcome.verdict, VerdictWord::Pass, "{} {seed}: {:?}", engine.name, outcome.reasons);
    });
}

#[test]
fn a_table_that_is_read_from_end_to_end_is_not_taken_for_the_other() {
    for_each(&[(ENGINES[1], 1), (ENGINES[0], 2), (ENGINES[1], 3)], |(engine, seed)| {
        let (_, end) = played_with(engine, *seed, TableReading::EndToEnd);
        assert!(!said(&end), "{} {seed}", engine.name);
    });
}
