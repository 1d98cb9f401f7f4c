//! Whole runs with a list of CVs that the person keeps: on the main, where nothing can be read, and on an output where
//! some CVs do not answer.
use pacewright::bench::replay::{Replayed, replay_on};
use pacewright::bench::virtual_bench::{Fault, VirtualBench, VirtualEnd};
use pacewright::config::{self, cv_list};
use pacewright::journal::{CvsOf, RunFolder, cv_contents};
use pacewright::run::{DecoderState, End, PersonAct, RecordBody, RunOutcome, RunPlan};
use pacewright::sim::{SimFault, SimSpec, demo_engines};
use pacewright::time::BenchTime;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::time::Duration;

const AVOCET: &str = include_str!("../scenarios/avocet.toml");
const LIMIT: Duration = Duration::from_secs(4 * 3600);

/// Avocet's bench file with a list, programming here.
fn bench_text(place: &str) -> String {
    let placed = AVOCET
        .replace("place = \"same_track\"", &format!("place = \"{place}\"\noriginals = \"avocet-cvs.csv\""));
    assert!(placed.contains("originals"));
    placed + "\n[limits]\nspeed = \"400 km/h\"\n"
}

/// What the decoder holds, by way of a list in CSV.
fn list_of(cvs: &BTreeMap<u16, u8>) -> Vec<(u16, u8)> {
    let values: Vec<(u16, u8)> = cvs.iter().map(|(cv, value)| (*cv, *value)).collect();
    cv_list::read("avocet-cvs.csv", &cv_list::write(&values, "Engine Avocet, short 7"))
        .expect("what is written is read")
}

fn bench(sim: SimSpec, place: &str) -> VirtualBench {
    let text = bench_text(place);
    let spec = config::read("avocet.toml", &text).expect("the bench file is right");
    let mut bench = VirtualBench::new(sim, RunPlan::new(spec), &text);
    bench.plan.kept = list_of(&bench.bench.truth().cvs);
    bench
}

fn play(bench: VirtualBench) -> (VirtualEnd, RunOutcome) {
    let end = bench.run_to_end(LIMIT).expect("the virtual disk takes the record");
    assert_eq!(end.broken, None);
    let outcome = end.outcome.clone().expect("the run ends within the limit");
    (end, outcome)
}

fn codes(outcome: &RunOutcome) -> Vec<&str> {
    outcome.reasons.iter().map(|reason| reason.code.as_str()).collect()
}

fn noted(end: &VirtualEnd, code: &str) -> bool {
    end.records.iter().any(|record| matches!(&record.body, RecordBody::Noted(reason) if reason.code == code))
}

fn written(end: &VirtualEnd) -> usize {
    end.records.iter().filter(|record| matches!(record.body, RecordBody::CvWritten { .. })).count()
}

#[test]
fn on_the_main_a_table_that_fails_in_verify_gives_way_to_the_kept_originals() {
    let mut sim = demo_engines::avocet(5);
    // It takes the values and never drives by them: only measuring finds that out.
    sim.decoder.has_table = false;
    let bench = bench(sim, "main");
    let before = bench.bench.truth().cvs;
    let (end, outcome) = play(bench);
    assert_eq!((outcome.outcome, outcome.reasons[0].code.as_str()), (End::Rejected, "table-not-obeyed"));
    assert_eq!(end.bench.truth().cvs, before, "every value is back");
    assert_eq!(outcome.restore_pending, []);
    assert!(codes(&outcome).contains(&"originals-back-unread"), "{:?}", codes(&outcome));
    assert_eq!(outcome.decoder_state, DecoderState::Unknown, "sent back, and nobody has read it");
    assert!(noted(&end, "cv-list-stands-in"));
    assert!(written(&end) > 60);
    let confirmed = |record: &pacewright::run::Record| {
        matches!(record.body, RecordBody::CvWritten { confirmed: true, .. })
    };
    assert!(!end.records.iter().any(confirmed), "on the main nothing is confirmed");

    let replayed = replay_on(&end.disk, Path::new("/runs/1")).expect("it can be replayed");
    assert!(matches!(replayed, Replayed::Same { cut_short: false, .. }), "{replayed:?}");

    // The record gives the list again.
    let run = RunFolder::open(&end.disk, Path::new("/runs/1")).expect("the record is whole");
    let contents = cv_contents(&run.opening.run, &run.records, CvsOf::Before);
    assert_eq!(contents.values, list_of(&before));
    assert!(contents.uncertain.is_empty(), "{:?}", contents.uncertain);
}

#[test]
fn on_the_main_without_power_originals_wait_for_the_next_start() {
    let mut first = bench(demo_engines::avocet(5), "main");
    let before = first.bench.truth().cvs;
    first.faults = vec![(BenchTime::from_millis(400_000), Fault::Sim(SimFault::PowerCut))];
    let (kept, plan) = (first.plan.kept.clone(), first.plan.clone());
    let (end, outcome) = play(first);
    assert_eq!((outcome.outcome, outcome.reasons[0].code.as_str()), (End::Halted, "power-lost"));
    assert!(codes(&outcome).contains(&"restore-pending"), "{:?}", codes(&outcome));
    let pending: BTreeMap<u16, u8> = outcome.restore_pending.iter().copied().collect();
    let truth = end.bench.truth().cvs;
    let differs: BTreeMap<u16, u8> =
        before.iter().map(|(cv, value)| (*cv, *value)).filter(|(cv, value)| truth[cv] != *value).collect();
    assert!(!differs.is_empty());
    for (cv, value) in &differs {
        assert_eq!(pending.get(cv), Some(value), "CV {cv}");
    }

    let mut next = bench(demo_engines::avocet(5), "main");
    next.plan = RunPlan { pending: outcome.restore_pending, kept, ..plan };
    (next.bench, next.began, next.disk) = (end.bench, end.ended, end.disk);
    next.folder = PathBuf::from("/runs/2");
    next.faults = vec![(BenchTime::from_millis(200_000), Fault::Person(PersonAct::Stop))];
    let (end, outcome) = play(next);
    assert_eq!(outcome.outcome, End::Interrupted, "{:?}", outcome.reasons);
    assert_eq!((end.bench.truth().cvs, outcome.restore_pending), (before, vec![]));
}

#[test]
fn cvs_that_do_not_answer_are_taken_from_the_list_and_the_run_goes_through() {
    let mut sim = demo_engines::avocet(5);
    sim.decoder.unreadable.extend([3, 80]);
    let with_list = bench(sim.clone(), "same_track");
    let before = with_list.bench.truth().cvs;
    let (end, outcome) = play(with_list);
    assert_eq!(outcome.outcome, End::Calibrated, "{:?}", outcome.reasons);
    assert!(noted(&end, "cv-list-stands-in"));
    let truth = end.bench.truth().cvs;
    assert_eq!(truth[&3], before[&3], "momentum is back as the list has it");
    assert_eq!(Some(truth[&80]), outcome.table.map(|table| table[13]), "CV 80 is entry 14");

    let mut without = bench(sim, "same_track");
    without.plan.kept = Vec::new();
    let (end, outcome) = play(without);
    assert_eq!((outcome.outcome, outcome.reasons[0].code.as_str()), (End::Rejected, "decoder-cv-unreadable"));
    assert_eq!(outcome.reasons[0].evidence, "CV 3, 80");
    assert_eq!(written(&end), 0);
}

#[test]
fn a_list_of_another_decoder_ends_the_run_before_anything_is_written() {
    let mut other = bench(demo_engines::avocet(5), "same_track");
    for (cv, value) in &mut other.plan.kept {
        if *cv == 8 {
            *value = value.wrapping_add(1);
        }
    }
    let before = other.bench.truth().cvs;
    let (end, outcome) = play(other);
    assert_eq!((outcome.outcome, outcome.reasons[0].code.as_str()), (End::Halted, "cv-list-of-another"));
    assert_eq!((end.bench.truth().cvs, written(&end)), (before, 0));
}
