//! A run whose program dies goes on where it was: every point kept, the decoder as it should be, another engine never written. Killed
//! at inputs spread over the whole run, with and without the disk losing what was not synced, more than once, and for real.
#![expect(
    clippy::unwrap_used,
    clippy::panic,
    clippy::print_stdout,
    reason = "helpers of a test fail by panicking, as the tests do; counts are printed"
)]
#[path = "played/death.rs"]
mod death;
#[path = "played/figures.rs"]
mod figures;
mod played;

use death::watchman;
use pacewright::bench::replay::{Replayed, replay_on};
use pacewright::bench::virtual_bench::{Fault, VirtualBench, VirtualEnd};
use pacewright::config;
use pacewright::run::{DecoderState, End, PhaseName, Record, RecordBody, RunPlan, StepSource, StopGrade};
use pacewright::sim::SimFault;
use pacewright::time::BenchTime;
use played::{ENGINES, for_each, outcome, play};
use std::collections::BTreeMap;
use std::path::Path;
use std::time::Duration;

const SEED: u64 = 6;
/// Longer than any of these runs.
const LONGEST: Duration = Duration::from_secs(3 * 3600);

const QUICK: &str = "
[warm_up]
shortest = \"60 s\"
longest = \"90 s\"
[sweep]
steps = 10
verify_points = 5
";

/// A quicker job than the scenario's. It stands in the file, for a run goes on by what is kept of that.
fn bench() -> VirtualBench {
    let engine = ENGINES[1];
    let text = format!("{}{QUICK}", engine.text);
    let spec =
        config::read(engine.name, &text).unwrap_or_else(|wrong| panic!("{}", wrong.render(100, false)));
    VirtualBench { plan: RunPlan::new(spec), bench_text: text, ..engine.bench((engine.recipe)(SEED)) }
}

/// The bench after the program died: the engine was stopped, and the run may go on.
fn after(end: VirtualEnd, away: Duration) -> VirtualBench {
    let VirtualEnd { bench: mut sim, disk, ended, .. } = end;
    watchman(&mut sim);
    let mut setup = bench();
    sim.advance(ended + away);
    while sim.poll_output().is_some() {}
    (setup.bench, setup.began, setup.disk) = (sim, ended + away, disk);
    setup
}

fn points(records: &[Record]) -> Vec<String> {
    let is = |record: &&Record| matches!(record.body, RecordBody::Point { .. });
    records.iter().filter(is).map(|record| serde_json::to_string(record).unwrap()).collect()
}

fn phase(records: &[Record]) -> PhaseName {
    let names = records.iter().rev().filter_map(|record| match record.body {
        RecordBody::Phase(name) => Some(name),
        _ => None,
    });
    names.take(1).next().unwrap_or(PhaseName::LinkCheck)
}

/// Calibrated in truth, everything said of the decoder true.
fn is_good(told: &str, end: &VirtualEnd) {
    let good = outcome(end);
    assert_eq!(good.outcome, End::Calibrated, "{told}: {:?}", good.reasons);
    assert_eq!((good.stop, good.decoder_state), (StopGrade::Still, DecoderState::New), "{told}");
    assert_eq!(good.restore_pending, [], "{told}");
    let sim = (ENGINES[1].recipe)(SEED);
    let limits = bench().plan.spec.limits;
    let off = figures::figures(&sim, &end.bench, &end.bench, good, &limits);
    let worst = off.iter().filter(|figure| figure.source == StepSource::Measured);
    let worst = worst.max_by(|a, b| a.part().total_cmp(&b.part())).unwrap();
    assert!(worst.part() <= 1.25 && worst.off() <= 5.0, "{told}: {}", worst.told());
    let replayed = replay_on(&end.disk, Path::new("/runs/1"));
    assert!(matches!(replayed, Ok(Replayed::Same { .. })), "{told}: {replayed:?}");
}

/// Dies after so many inputs.
fn killed(mut setup: VirtualBench, kill_at: u64) -> VirtualEnd {
    setup.kill_at = Some(kill_at);
    let end = play(setup);
    assert_eq!(end.outcome, None, "input {kill_at} is not the last");
    end
}

#[test]
fn killed_anywhere_a_run_goes_on_where_it_was_and_keeps_every_point() {
    let whole = play(bench());
    is_good("undisturbed", &whole);
    let count: u64 =
        if std::env::var("PACEWRIGHT_CASES").is_ok_and(|cases| cases == "all") { 400 } else { 48 };
    let kills: Vec<u64> = (1..=count).map(|n| n * (whole.inputs - 1) / (count + 1) + 1).collect();
    let found = for_each(&kills, |kill_at| {
        let end = killed(bench(), *kill_at);
        let (before, died_in) = (points(&end.records), phase(&end.records));
        let told = format!("killed at input {kill_at}, in {died_in:?}");
        // Every other time the house loses its power: what was not synced is gone in part.
        let power_fails = kill_at % 2 == 0;
        if power_fails {
            end.disk.crash(*kill_at);
        }
        let setup = after(end, Duration::from_secs(30));
        match setup.go_on(Duration::from_secs(30), LONGEST, &mut |_| {}) {
            Ok(end) => {
                is_good(&told, &end);
                let after = points(&end.records);
                let kept = before.iter().filter(|point| after.contains(point)).count();
                // What a point rests on goes to the disk before it; a loss of power may take what was not synced yet.
                let lost = before.len() - kept;
                assert!(lost <= usize::from(power_fails), "{told}: {lost} of {} points lost", before.len());
                (died_in, Some(lost))
            }
            Err(reason) => {
                let ending = matches!(died_in, PhaseName::Stopping | PhaseName::Restore | PhaseName::Ended);
                assert!(ending && reason.code == "not-resumed", "{told}: {reason:?}");
                (died_in, None)
            }
        }
    });
    let (mut phases, mut lost) = (BTreeMap::new(), 0);
    for (died_in, points) in &found {
        *phases.entry(format!("{died_in:?}")).or_insert(0) += 1;
        lost += points.unwrap_or(0);
    }
    let on = found.iter().filter(|(_, points)| points.is_some()).count();
    println!("{} kills in {phases:?}: {on} went on and calibrated, {lost} points lost", found.len());
    assert!(on * 10 >= found.len() * 9, "{on}");
}

/// Dead between the intention of a write and its end, where the decoder is half written.
#[test]
fn killed_amid_its_writing_a_run_goes_on_and_leaves_a_whole_table() {
    let whole = play(bench());
    let writes = std::iter::zip(&whole.records, &whole.made_at).filter(|(record, _)| {
        matches!(
            record.body,
            RecordBody::CvIntention { .. } | RecordBody::CvWritten { .. } | RecordBody::Commit(_)
        )
    });
    let mut kills: Vec<u64> = writes.flat_map(|(_, input)| [*input, *input + 1]).collect();
    kills.dedup();
    let all = std::env::var("PACEWRIGHT_CASES").is_ok_and(|cases| cases == "all");
    let (count, every) = (kills.len(), if all { 1 } else { kills.len() / 16 });
    let kills: Vec<u64> = kills.into_iter().step_by(every.max(1)).collect();
    for_each(&kills, |kill_at| {
        let end = killed(bench(), *kill_at);
        if kill_at % 2 == 0 {
            end.disk.crash(*kill_at);
        }
        let setup = after(end, Duration::from_secs(30));
        let end = setup.go_on(Duration::from_secs(30), LONGEST, &mut |_| {}).unwrap();
        is_good(&format!("killed amid writing, at input {kill_at}"), &end);
    });
    println!("{} of {count} kills around writes: all went on and calibrated", kills.len());
}

#[test]
fn a_run_that_dies_three_times_goes_on_three_times() {
    let mut end = killed(bench(), 9_000);
    for death in 1..=3u64 {
        let mut setup = after(end, Duration::from_secs(20));
        // Later each time: the run's inputs are counted from when it goes on.
        setup.kill_at = (death < 3).then_some(6_000);
        end = setup.go_on(Duration::from_secs(20), LONGEST, &mut |_| {}).unwrap();
    }
    is_good("dead three times", &end);
    let died =
        |record: &&Record| matches!(&record.body, RecordBody::Noted(noted) if noted.code == "program-died");
    assert_eq!(end.records.iter().filter(died).count(), 3);
}

#[test]
fn an_engine_that_cooled_meanwhile_gets_warm_before_it_is_measured() {
    let whole = play(bench());
    let sweep =
        whole.records.iter().position(|record| record.body == RecordBody::Phase(PhaseName::Sweep)).unwrap();
    let end = killed(bench(), whole.made_at[sweep] + 3_000);
    assert_eq!(phase(&end.records), PhaseName::Sweep);
    let (before, last) = (points(&end.records).len(), end.records.last().unwrap().at);
    let mut setup = after(end, Duration::from_secs(1800));
    setup.bench.apply(SimFault::Warmth(0.2));
    let end = setup.go_on(Duration::from_secs(1800), LONGEST, &mut |_| {}).unwrap();
    is_good("cooled", &end);
    let next = end
        .records
        .iter()
        .filter(|record| matches!(record.body, RecordBody::Point { .. }))
        .nth(before)
        .unwrap();
    assert!(next.at.since(last) >= Duration::from_secs(180), "{:?} of running first", next.at.since(last));
}

#[test]
fn another_engine_that_stands_there_meanwhile_is_never_written() {
    let whole = play(bench());
    let writes =
        whole.records.iter().position(|record| record.body == RecordBody::Phase(PhaseName::Write)).unwrap();
    for kill_at in [whole.made_at[writes] - 2_000, whole.made_at[writes] + 40] {
        let end = killed(bench(), kill_at);
        let mut setup = after(end, Duration::from_secs(60));
        setup.bench.apply(SimFault::Swapped);
        let before = setup.bench.truth().cvs;
        let end = setup.go_on(Duration::from_secs(60), LONGEST, &mut |_| {}).unwrap();
        let halted = outcome(&end);
        assert_ne!(halted.outcome, End::Calibrated, "{:?}", halted.reasons);
        assert!(halted.reasons.iter().any(|reason| reason.code == "another-engine"), "{:?}", halted.reasons);
        assert_eq!(end.bench.truth().cvs, before, "not one CV was written");
        assert!(!halted.restore_pending.is_empty(), "what the first one still holds is said");
    }
}

#[test]
fn what_has_ended_or_is_out_of_date_is_not_gone_on_with() {
    let mut setup = bench();
    setup.faults = vec![(BenchTime::from_millis(30_000), Fault::Person(pacewright::run::PersonAct::Stop))];
    let ended = play(setup);
    let refused = after(ended, Duration::from_secs(5)).go_on(Duration::from_secs(5), LONGEST, &mut |_| {});
    assert_eq!(refused.unwrap_err().code, "not-resumed");
    // Another run of the same engine came after it.
    let dead = killed(bench(), 9_000);
    let mut later = after(dead, Duration::from_secs(5));
    later.folder = "/runs/2".into();
    later.kill_at = Some(2_000);
    let later = play(later);
    let refused = after(later, Duration::from_secs(5)).go_on(Duration::from_secs(5), LONGEST, &mut |_| {});
    let refused = refused.unwrap_err();
    assert!(refused.code == "not-resumed" && refused.evidence.contains("later run"), "{refused:?}");
}
