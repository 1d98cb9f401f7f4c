//! The whole job on the virtual bench, held against the simulator's truth, which the program never sees.
//!
//! The bench files are those of the scenarios: whoever reads them can play the same job over sockets with `simulate`.
#![expect(
    clippy::unwrap_used,
    clippy::panic,
    reason = "helpers of a test fail by panicking, as the tests do"
)]
use pacewright::bench::replay::{Replayed, replay_on};
use pacewright::bench::start::endpoint_key;
use pacewright::bench::virtual_bench::{Fault, VirtualBench, VirtualEnd};
use pacewright::config::{self, BenchSpec};
use pacewright::journal::{Disk, scan};
use pacewright::run::{
    DecoderState, End, PersonAct, PhaseName, RecordBody, RunOutcome, RunPlan, StopGrade, VerdictWord,
};
use pacewright::sim::{SimBench, SimSpec, demo_engines};
use pacewright::time::BenchTime;
use std::path::{Path, PathBuf};
use std::time::Duration;

/// Longer than any run may take by its bench file.
const LIMIT: Duration = Duration::from_secs(4 * 3600);

/// An engine of the Wrenfield Harbour Railway: its name, its recipe, its bench file.
type Engine = (&'static str, fn(u64) -> SimSpec, &'static str);

const ENGINES: [Engine; 4] = [
    ("lapwing", demo_engines::lapwing, include_str!("../scenarios/lapwing.toml")),
    ("avocet", demo_engines::avocet, include_str!("../scenarios/avocet.toml")),
    ("curlew", demo_engines::curlew, include_str!("../scenarios/curlew.toml")),
    ("dunlin", demo_engines::dunlin, include_str!("../scenarios/dunlin.toml")),
];

fn spec(text: &str) -> BenchSpec {
    config::read("scenario.toml", text).unwrap_or_else(|wrong| panic!("{}", wrong.render(100, false)))
}

fn bench((_, recipe, text): Engine, seed: u64) -> VirtualBench {
    VirtualBench::new(recipe(seed), RunPlan::new(spec(text)), text)
}

fn play(bench: VirtualBench) -> VirtualEnd {
    let end = bench.run_to_end(LIMIT).unwrap();
    assert_eq!(end.broken, None);
    end
}

fn outcome(end: &VirtualEnd) -> &RunOutcome {
    end.outcome.as_ref().unwrap_or_else(|| panic!("it did not end within {LIMIT:?}"))
}

/// Deviation of the truth from the target at one step, one direction, mm/s: true speed, target, what is allowed.
fn deviations(bench: &SimBench, spec: &BenchSpec, outcome: &RunOutcome) -> Vec<(u16, bool, f64, f64, f64)> {
    let mut all = Vec::new();
    for row in &outcome.steps {
        for forward in [true, false] {
            let truth = bench.steady_speed(forward, row.step, spec.engine.step_mode);
            let allowed = (spec.limits.tolerance_rel * row.target_mm_s).max(spec.limits.tolerance_floor_mm_s);
            all.push((row.step, forward, truth, row.target_mm_s, allowed));
        }
    }
    all
}

fn calibrates(engine: Engine, seed: u64) {
    let (name, _, text) = engine;
    let spec = spec(text);
    let end = play(bench(engine, seed));
    let outcome = outcome(&end);
    let told = format!("{name} {seed}: {:?} {:?} {:?}", outcome.outcome, outcome.verdict, outcome.reasons);
    assert_eq!(outcome.outcome, End::Calibrated, "{told}");
    // Whose doubt straddles the tolerance is said to be marginal; how often that may be stands in tests/seeds.rs.
    assert!(matches!(outcome.verdict, VerdictWord::Pass | VerdictWord::Marginal), "{told}");
    assert_eq!(outcome.stop, StopGrade::Still, "{told}");
    assert_eq!(outcome.decoder_state, DecoderState::New, "{told}");
    assert_eq!(outcome.steps.len(), 28, "{told}");
    for (step, forward, truth, target, allowed) in deviations(&end.bench, &spec, outcome) {
        assert!(
            (truth - target).abs() <= allowed,
            "{told}: step {step} {}: true {truth:.3}, wanted {target:.3} +- {allowed:.3} mm/s",
            if forward { "forward" } else { "reverse" }
        );
    }
    let truth = end.bench.truth();
    assert!(truth.speed_mm_s.abs() < 1e-9 && !truth.rail_live, "{told}: it stands and the rail is dead");
    assert!(truth.highest_speed_mm_s <= spec.limits.speed_mm_s, "{told}: {}", truth.highest_speed_mm_s);
}

#[test]
fn lapwing_is_calibrated() {
    (1..=5).for_each(|seed| calibrates(ENGINES[0], seed));
}

#[test]
fn avocet_is_calibrated() {
    (1..=5).for_each(|seed| calibrates(ENGINES[1], seed));
}

#[test]
fn curlew_is_calibrated() {
    (1..=5).for_each(|seed| calibrates(ENGINES[2], seed));
}

#[test]
fn dunlin_is_calibrated() {
    (1..=5).for_each(|seed| calibrates(ENGINES[3], seed));
}

#[test]
fn the_same_setup_gives_the_same_run_and_its_record_replays() {
    for engine in ENGINES {
        let (first, second) = (play(bench(engine, 3)), play(bench(engine, 3)));
        assert_eq!(first.sent, second.sent, "{}", engine.0);
        assert_eq!(first.records, second.records, "{}", engine.0);
        match replay_on(&first.disk, Path::new("/runs/1")).unwrap() {
            Replayed::Same { records, sent, cut_short, .. } => {
                assert_eq!(records, first.records.len() as u64);
                assert_eq!(sent, first.sent.len() as u64);
                assert_eq!(cut_short, first.outcome.is_none(), "{}", engine.0);
            }
            Replayed::Differs(first) => panic!("{}: {first}", engine.0),
        }
    }
}

#[test]
fn a_forged_or_missing_result_differs() {
    let mut bench = bench(ENGINES[1], 3);
    bench.faults = vec![(BenchTime::from_millis(60_000), Fault::Person(PersonAct::Stop))];
    let mut disk = play(bench).disk;
    let (folder, file) = (Path::new("/runs/1"), Path::new("/runs/1/result.json"));
    let honest = disk.read(file).unwrap();
    assert!(matches!(replay_on(&disk, folder).unwrap(), Replayed::Same { cut_short: false, .. }));
    let forged = String::from_utf8(honest).unwrap().replace("\"interrupted\"", "\"calibrated\"");
    for (planted, said) in [(forged.as_str(), "outcome"), ("{}", "missing"), ("{", "no JSON")] {
        disk.plant(file, planted.as_bytes());
        let Replayed::Differs(first) = replay_on(&disk, folder).unwrap() else { panic!("{planted}") };
        assert!(first.contains(said), "{first}");
    }
    disk.remove(file).unwrap();
    let Replayed::Differs(first) = replay_on(&disk, folder).unwrap() else { panic!("it is missing") };
    assert!(first.contains("not here"), "{first}");
}

#[test]
fn a_stop_in_the_middle_leaves_the_engine_standing_and_the_decoder_as_it_came() {
    let before = SimBench::new(demo_engines::avocet(2)).truth().cvs;
    for minute in [1, 4, 8, 12] {
        let mut bench = bench(ENGINES[1], 2);
        bench.faults = vec![(BenchTime::from_millis(minute * 60_000), Fault::Person(PersonAct::Stop))];
        let end = play(bench);
        let outcome = outcome(&end);
        assert_eq!(outcome.outcome, End::Interrupted, "{minute} min: {:?}", outcome.reasons);
        assert_eq!(outcome.stop, StopGrade::Still, "{minute} min");
        assert_eq!(outcome.decoder_state, DecoderState::Original, "{minute} min");
        let truth = end.bench.truth();
        assert_eq!(truth.cvs, before, "{minute} min");
        assert!(truth.speed_mm_s.abs() < 1e-9, "{minute} min");
    }
}

/// Numbers of the inputs at which a CV is about to be changed or was just changed, spread over the run.
fn inputs_around_cvs(engine: Engine, seed: u64, wanted: usize) -> Vec<u64> {
    let whole = play(bench(engine, seed));
    let mut inputs: Vec<u64> = std::iter::zip(&whole.records, &whole.made_at)
        .filter(|(record, _)| {
            matches!(
                record.body,
                RecordBody::CvIntention { .. } | RecordBody::CvWritten { .. } | RecordBody::Commit(_)
            )
        })
        .map(|(_, input)| *input)
        .collect();
    inputs.dedup();
    let every = inputs.len().div_ceil(wanted);
    inputs.into_iter().step_by(every).collect()
}

#[test]
fn killed_anywhere_the_next_start_settles_what_was_left() {
    let engine = ENGINES[1];
    let spec = spec(engine.2);
    let before = SimBench::new((engine.1)(4)).truth().cvs;
    let mut with_something_left = 0;
    for kill_at in inputs_around_cvs(engine, 4, 16) {
        let mut bench = bench(engine, 4);
        bench.kill_at = Some(kill_at);
        let killed = play(bench);
        assert!(killed.outcome.is_none(), "input {kill_at} is the last");
        killed.disk.crash(kill_at);
        let left = scan(&killed.disk, Path::new("/runs"), &endpoint_key(&spec), spec.engine.address).unwrap();
        let pending = left.unfinished.map_or_else(Vec::new, |left| left.pending.originals().to_vec());
        let mut next = VirtualBench::new(
            (engine.1)(4),
            RunPlan { pending: pending.clone(), ..RunPlan::new(spec.clone()) },
            engine.2,
        );
        (next.bench, next.began, next.disk) = (killed.bench, killed.ended, killed.disk);
        next.folder = PathBuf::from("/runs/2");
        next.faults = vec![(BenchTime::from_millis(200_000), Fault::Person(PersonAct::Stop))];
        let end = play(next);
        let outcome = outcome(&end);
        let told = format!("killed at input {kill_at}, left {pending:?}: {outcome:?}");
        assert_eq!(outcome.outcome, End::Interrupted, "{told}");
        assert_eq!(outcome.decoder_state, DecoderState::Original, "{told}");
        assert_eq!(end.bench.truth().cvs, before, "{told}");
        let settled = end.records.iter().any(|r| r.body == RecordBody::Phase(PhaseName::Settling));
        assert!(settled || pending.is_empty(), "{told}");
        with_something_left += u32::from(!pending.is_empty());
    }
    assert!(with_something_left > 8, "{with_something_left} of the kills left something to settle");
}
