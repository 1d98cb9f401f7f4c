//! Whole jobs elsewhere than on rollers: on a loop with grades and curves, on a straight between two ends, with a
//! measuring car behind a slack coupling. Each is held against the simulator's truth.
#![expect(
    clippy::unwrap_used,
    clippy::panic,
    clippy::print_stderr,
    reason = "helpers of a test fail by panicking, as the tests do; whoever works on paths wants the figures"
)]
#[path = "played/figures.rs"]
mod figures;
mod played;

use figures::{Figure, figures};
use pacewright::bench::virtual_bench::{VirtualBench, VirtualEnd};
use pacewright::config::PathKind;
use pacewright::run::{End, RecordBody, RunOutcome};
use pacewright::sim::{CarSim, PathSim, TrackSim};
use played::{ENGINES, Engine, for_each, outcome, play};
use std::time::Duration;

/// A loop with grades and curves: the speed differs by a few per cent along it.
fn uneven_loop(length_mm: f64) -> PathSim {
    let track = TrackSim::Loop { length_mm, unevenness: vec![0.025, 0.012, 0.006] };
    PathSim { track, ..PathSim::default() }
}

/// How a job ended, in words.
fn told(name: &str, outcome: &RunOutcome) -> String {
    format!("{name}: {:?} {:?} {:?}", outcome.outcome, outcome.verdict, outcome.reasons)
}

/// The figures of a job that must have calibrated, the worst of them printed.
fn judged(
    name: &str,
    sim_of: &VirtualBench,
    recipe: &pacewright::sim::SimSpec,
    end: &VirtualEnd,
) -> Vec<Figure> {
    let outcome = outcome(end);
    let told = told(name, outcome);
    assert_eq!(outcome.outcome, End::Calibrated, "{told}");
    let all = figures(recipe, &end.bench, &end.bench, outcome, &sim_of.plan.spec.limits);
    assert_eq!(all.len(), 56, "{told}");
    let worst = all.iter().copied().max_by(|a, b| a.part().total_cmp(&b.part())).unwrap();
    let inside = all.iter().filter(|figure| figure.off() <= 2.0).count();
    eprintln!(
        "{name}: worst {:.2} of the tolerance ({}); {inside} of 56 within twice their doubt; {:.0} s, verdict {:?}",
        worst.part(),
        worst.told(),
        outcome.bench_seconds,
        outcome.verdict
    );
    for figure in &all {
        assert!(figure.part() <= 1.0, "{told}: {}", figure.told());
    }
    all
}

fn noted(end: &VirtualEnd, code: &str) -> Vec<String> {
    let evidence = |record: &pacewright::run::Record| match &record.body {
        RecordBody::Noted(reason) if reason.code == code => Some(reason.evidence.clone()),
        _ => None,
    };
    end.records.iter().filter_map(evidence).collect()
}

#[test]
fn on_a_loop_whole_laps_are_measured_and_the_truth_is_met() {
    let cases: [(Engine, f64, u64); 3] =
        [(ENGINES[1], 4200.0, 1), (ENGINES[0], 2500.0, 2), (ENGINES[3], 6000.0, 3)];
    for_each(&cases, |(engine, length_mm, seed)| {
        let name = format!("{} on a loop of {length_mm} mm", engine.name);
        let mut recipe = (engine.recipe)(*seed);
        recipe.path = uneven_loop(*length_mm);
        let mut bench = engine.bench(recipe.clone());
        bench.plan.spec.path = PathKind::Loop { length_mm: *length_mm };
        let setup = bench.clone();
        let end = play(bench);
        judged(&name, &setup, &recipe, &end);
        let said = noted(&end, "loop-laps-take-time");
        eprintln!("{name}: {said:?} {:?}", noted(&end, "loop-part-of-a-lap"));
        assert_eq!(said.len(), 1, "{name}");
        assert!(noted(&end, "coupling-surge").is_empty(), "{name}: grades are no surge");
        let first_move = end
            .records
            .iter()
            .position(|record| matches!(record.body, RecordBody::Ordered { rising: true, .. }));
        let note = end.records.iter().position(
            |record| matches!(&record.body, RecordBody::Noted(reason) if reason.code == "loop-laps-take-time"),
        );
        assert!(note < first_move, "the time is said before anything moves");
    });
}

#[test]
fn behind_a_slack_coupling_whole_swings_are_averaged_and_the_size_is_said() {
    let cases: [(Engine, CarSim, u64); 3] = [
        (ENGINES[1], CarSim { swing_mm: 0.5, period_s: 1.5 }, 1),
        (ENGINES[0], CarSim { swing_mm: 0.4, period_s: 0.9 }, 2),
        (ENGINES[2], CarSim { swing_mm: 0.6, period_s: 2.1 }, 3),
    ];
    for_each(&cases, |(engine, car, seed)| {
        let name =
            format!("{} with a car that swings by {} mm every {} s", engine.name, car.swing_mm, car.period_s);
        let mut recipe = (engine.recipe)(*seed);
        recipe.path.car = Some(*car);
        let bench = engine.bench(recipe.clone());
        let setup = bench.clone();
        let end = play(bench);
        judged(&name, &setup, &recipe, &end);
        let said = noted(&end, "coupling-surge");
        let surges: Vec<_> = end
            .records
            .iter()
            .filter_map(|record| match &record.body {
                RecordBody::Point { measured, .. } => Some((measured.speed_mm_s.abs(), measured.surge)),
                _ => None,
            })
            .collect();
        let seen: Vec<_> = surges.iter().filter_map(|(speed, surge)| Some((*speed, (*surge)?))).collect();
        eprintln!("{name}: seen at {} of {} points; {said:?}", seen.len(), surges.len());
        assert_eq!(said.len(), 1, "{name}");
        let right =
            seen.iter().filter(|(_, surge)| (surge.period_s / car.period_s - 1.0).abs() < 0.05).count();
        let size = car.swing_mm * std::f64::consts::TAU / car.period_s;
        let sized =
            seen.iter().filter(|(_, surge)| (surge.amplitude_mm_s.abs() / size - 1.0).abs() < 0.3).count();
        assert!(
            10 * right >= 9 * seen.len() && 10 * sized >= 9 * seen.len(),
            "{name}: {right}, {sized}: {seen:?}"
        );
    });
}

#[test]
fn an_ordinary_engine_on_rollers_shows_no_surge() {
    for_each(&ENGINES, |engine| {
        let mut bench = engine.bench((engine.recipe)(5));
        bench.plan.spec.warm_up.longest = Duration::from_secs(600);
        let end = play(bench);
        assert!(noted(&end, "coupling-surge").is_empty(), "{}", engine.name);
        let seen = end.records.iter().filter(
            |record| matches!(&record.body, RecordBody::Point { measured, .. } if measured.surge.is_some()),
        );
        assert_eq!(seen.count(), 0, "{}", engine.name);
    });
}
