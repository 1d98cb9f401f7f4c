//! The program dies at any instant around its writing; the next start on the same bench and disk puts the originals back
//! before anything else, or says what is pending. An engine that stands there instead is never written.
#![expect(
    clippy::unwrap_used,
    clippy::panic,
    reason = "helpers of a test fail by panicking, as the tests do"
)]
mod played;
#[path = "played/thin.rs"]
mod thin;

use pacewright::bench::start::endpoint_key;
use pacewright::bench::virtual_bench::{Fault, VirtualBench, VirtualEnd};
use pacewright::journal::{CvsOf, RunFolder, cv_contents, scan};
use pacewright::run::{
    DecoderState, End, PersonAct, PhaseName, Purpose, Record, RecordBody, RunOutcome, StopGrade,
};
use pacewright::sim::SimBench;
use pacewright::station::Action;
use pacewright::time::BenchTime;
use played::{ENGINES, Engine, for_each, outcome, play};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::time::Duration;
use thin::thinned;

const SEED: u64 = 4;
/// Instants at which the program dies.
const KILLS: usize = 60;

type Cvs = BTreeMap<u16, u8>;

/// A quicker job than the scenario's, to be played often.
fn bench(engine: Engine) -> VirtualBench {
    let mut bench = engine.bench((engine.recipe)(SEED));
    let spec = &mut bench.plan.spec;
    (spec.warm_up.shortest, spec.warm_up.longest) = (Duration::from_secs(60), Duration::from_secs(90));
    (spec.sweep.steps, spec.sweep.verify_points) = (pacewright::config::SweepSteps::Spread(10), 4);
    bench
}

/// All CVs of the engine as it came.
fn delivered(engine: Engine) -> Cvs {
    SimBench::new((engine.recipe)(SEED)).truth().cvs
}

/// Numbers of inputs spread over those at which a CV is going to be changed, is being changed, or was changed, and the
/// input after each.
fn kill_points(engine: Engine, wanted: usize) -> Vec<u64> {
    let whole = play(bench(engine));
    assert_eq!(outcome(&whole).outcome, End::Calibrated, "{:?}", outcome(&whole).reasons);
    let writes = |body: &RecordBody| {
        matches!(
            body,
            RecordBody::CvIntention { .. }
                | RecordBody::CvWritten { .. }
                | RecordBody::Commit(_)
                | RecordBody::Ordered { action: Action::WriteCv { .. } | Action::VerifyCv { .. }, .. }
        )
    };
    let mut inputs: Vec<u64> = std::iter::zip(&whole.records, &whole.made_at)
        .filter(|(record, _)| writes(&record.body))
        .flat_map(|(_, input)| [*input, *input + 1])
        .collect();
    inputs.sort_unstable();
    inputs.dedup();
    let count = inputs.len();
    assert!(count >= wanted, "{count} inputs");
    (0..wanted).map(|at| inputs[at * (count - 1) / (wanted - 1)]).collect()
}

/// What a look through the record folder says is to be put back.
fn left(end: &VirtualEnd, bench: &VirtualBench) -> Vec<(u16, u8)> {
    let spec = &bench.plan.spec;
    let found = scan(&end.disk, Path::new("/runs"), &endpoint_key(spec), spec.engine.address).unwrap();
    assert_eq!(found.unreadable, []);
    found.unfinished.map_or_else(Vec::new, |left| left.pending.originals().to_vec())
}

/// The program dies after so many inputs, and the disk loses what was not synced.
fn killed(mut bench: VirtualBench, kill_at: u64) -> VirtualEnd {
    bench.kill_at = Some(kill_at);
    let end = play(bench);
    assert_eq!(end.outcome, None, "input {kill_at} is not the last");
    end.disk.crash(kill_at);
    end
}

/// The next start: the same bench as it was left, the same disk, what is pending handed on.
fn next(engine: Engine, before: VirtualEnd, number: u32) -> VirtualBench {
    let mut bench = bench(engine);
    bench.plan.pending = left(&before, &bench);
    (bench.bench, bench.began, bench.disk) = (before.bench, before.ended, before.disk);
    bench.folder = PathBuf::from(format!("/runs/{number}"));
    bench
}

/// Where phase `name` began; the number of its record.
fn began(end: &VirtualEnd, name: PhaseName) -> Option<u64> {
    end.records.iter().find(|record| record.body == RecordBody::Phase(name)).map(|record| record.n)
}

/// The originals went back before anything was driven or written otherwise.
fn settled_first(told: &str, end: &VirtualEnd, pending: &[(u16, u8)]) {
    let Some(settling) = began(end, PhaseName::Settling) else {
        return assert_eq!(pending, [], "{told}: pending, and not put back");
    };
    let back = end.records.iter().find(|record| record.body == RecordBody::OriginalsBack).unwrap();
    let baseline = began(end, PhaseName::Baseline).unwrap();
    assert!(settling < back.n && back.n < baseline, "{told}");
    let driven =
        end.records.iter().find(|record| matches!(record.body, RecordBody::Ordered { rising: true, .. }));
    assert!(driven.is_none_or(|driven| driven.n > back.n), "{told}: driven before the originals were back");
    // Nothing but what is pending is written meanwhile; CV 29 also to take the table out of use.
    for record in end.records.iter().filter(|record| record.n < back.n) {
        if let RecordBody::CvIntention { cv, to, .. } = record.body {
            assert!(cv == 29 || pending.contains(&(cv, to)), "{told}: CV {cv} = {to} while settling");
        }
    }
}

/// Calibrated, and everything that is not the table's is as it was delivered.
fn is_new(told: &str, outcome: &RunOutcome, cvs: &Cvs, delivered: &Cvs) {
    assert_eq!(outcome.outcome, End::Calibrated, "{told}");
    assert_eq!(outcome.decoder_state, DecoderState::New, "{told}");
    assert_eq!(outcome.restore_pending, [], "{told}");
    let table: Vec<u8> = (67..=94).map(|cv| cvs[&cv]).collect();
    assert_eq!(outcome.table.map(Vec::from), Some(table), "{told}");
    for (cv, value) in delivered.iter().filter(|(cv, _)| !matches!(cv, 2 | 5 | 6 | 29 | 66..=95)) {
        assert_eq!(cvs.get(cv), Some(value), "{told}: CV {cv}");
    }
    // Direction, steps, analogue operation and long address of CV 29 are as they were (S-9.2.2); the table is in use.
    assert_eq!(cvs[&29] & !0x10, delivered[&29] & !0x10, "{told}: CV 29");
}

fn dies_and_starts_again(engine: Engine, kills: usize) {
    let delivered = delivered(engine);
    let points = kill_points(engine, kills);
    assert!(points.len() >= kills, "{} kill points", points.len());
    let cases: Vec<(usize, u64)> = thinned(points).into_iter().enumerate().collect();
    let pending = for_each(&cases, |(number, kill_at)| {
        let mut second = next(engine, killed(bench(engine), *kill_at), 2);
        let pending = second.plan.pending.clone();
        let told = format!("{} killed at input {kill_at}, left {pending:?}", engine.name);
        // Every other second run is stopped while it measures: then all is as it came.
        let stopped = number % 2 == 1;
        if stopped {
            second.faults = vec![(BenchTime::from_millis(120_000), Fault::Person(PersonAct::Stop))];
        }
        let end = play(second);
        let outcome = outcome(&end);
        let told = format!("{told}: {outcome:?}");
        settled_first(&told, &end, &pending);
        assert_eq!(outcome.stop, StopGrade::Still, "{told}");
        let cvs = end.bench.truth().cvs;
        if stopped {
            assert_eq!(outcome.outcome, End::Interrupted, "{told}");
            assert_eq!(outcome.decoder_state, DecoderState::Original, "{told}");
            assert_eq!(cvs, delivered, "{told}");
        } else {
            is_new(&told, outcome, &cvs, &delivered);
        }
        pending.len()
    });
    let with = pending.iter().filter(|pending| **pending > 0).count();
    assert!(with * 10 >= pending.len() * 9, "only {with} of {} left something to put back", pending.len());
}

#[test]
fn killed_around_any_write_the_next_run_puts_back_and_calibrates() {
    dies_and_starts_again(ENGINES[1], KILLS);
}

/// Inputs at which a line of the journal was made, from the first change of a CV to the end, and the input after each.
fn journal_lines(engine: Engine) -> (Vec<u64>, Cvs) {
    let whole = play(bench(engine));
    assert_eq!(outcome(&whole).outcome, End::Calibrated, "{:?}", outcome(&whole).reasons);
    let changes = |record: &Record| matches!(record.body, RecordBody::CvIntention { .. });
    let lines = std::iter::zip(&whole.records, &whole.made_at).skip_while(|(record, _)| !changes(record));
    let mut inputs: Vec<u64> = lines.flat_map(|(_, input)| [*input, *input + 1]).collect();
    inputs.dedup();
    // The last inputs end the run.
    let last = inputs.iter().rposition(|input| *input < whole.inputs).unwrap();
    inputs.truncate(last + 1);
    (inputs, whole.bench.truth().cvs)
}

/// Dead at any line of the journal and at any write: once the next start has put right what was open, the decoder holds all
/// that it held before or all that the run gave it, and nothing between.
#[test]
#[expect(clippy::print_stderr, reason = "whoever works on it wants the counts")]
fn killed_at_any_line_of_the_journal_the_decoder_ends_old_or_new() {
    let engine = ENGINES[1];
    let (inputs, calibrated) = journal_lines(engine);
    let delivered = delivered(engine);
    let all = std::env::var("PACEWRIGHT_CASES").is_ok_and(|cases| cases == "all");
    let cases: Vec<u64> =
        if all { inputs.clone() } else { inputs.iter().copied().step_by(inputs.len() / 30).collect() };
    let ended = for_each(&cases, |kill_at| {
        let mut second = next(engine, killed(bench(engine), *kill_at), 2);
        second.faults = vec![(BenchTime::from_millis(90_000), Fault::Person(PersonAct::Stop))];
        let end = play(second);
        let told = format!("killed at {kill_at}: {:?}", outcome(&end));
        assert_eq!(outcome(&end).restore_pending, [], "{told}");
        assert_eq!(outcome(&end).stop, StopGrade::Still, "{told}");
        let cvs = end.bench.truth().cvs;
        assert!(cvs == delivered || cvs == calibrated, "{told}: {cvs:?}");
        cvs == delivered
    });
    let old = ended.iter().filter(|old| **old).count();
    eprintln!(
        "{} lines and writes; {} kills: {old} ended old, {} new",
        inputs.len(),
        ended.len(),
        ended.len() - old
    );
    assert!(old > 0, "the originals went back");
}

#[test]
fn an_engine_with_long_address_and_other_baseline_is_put_back_too() {
    dies_and_starts_again(ENGINES[3], 12);
}

#[test]
fn killed_again_while_putting_back_the_third_run_finishes() {
    let engine = ENGINES[1];
    let delivered = delivered(engine);
    let kills = kill_points(engine, 4);
    let late = *kills.last().unwrap();
    let whole = play(next(engine, killed(bench(engine), late), 2));
    let settling: Vec<u64> = std::iter::zip(&whole.records, &whole.made_at)
        .skip_while(|(record, _)| record.body != RecordBody::Phase(PhaseName::Settling))
        .take_while(|(record, _)| record.body != RecordBody::Phase(PhaseName::Baseline))
        .map(|(_, input)| *input)
        .collect();
    assert!(settling.len() > 100, "{} records while settling", settling.len());
    let cases: Vec<u64> = settling.iter().copied().step_by(settling.len() / 8).collect();
    for_each(&cases, |again| {
        let second = next(engine, killed(bench(engine), late), 2);
        let mut third = next(engine, killed(second, *again), 3);
        let pending = third.plan.pending.clone();
        third.faults = vec![(BenchTime::from_millis(120_000), Fault::Person(PersonAct::Stop))];
        let end = play(third);
        let told = format!("killed at {late}, then at {again}, left {pending:?}");
        settled_first(&told, &end, &pending);
        assert_eq!(outcome(&end).decoder_state, DecoderState::Original, "{told}");
        assert_eq!(end.bench.truth().cvs, delivered, "{told}");
    });
}

#[test]
fn another_engine_at_the_restart_is_never_written() {
    let engine = ENGINES[1];
    for kill_at in kill_points(engine, 6) {
        let mut second = next(engine, killed(bench(engine), kill_at), 2);
        let pending = second.plan.pending.clone();
        assert!(!pending.is_empty(), "killed at {kill_at}");
        // Short address 9 in place of 7, its own CVs otherwise.
        let mut other = (engine.recipe)(SEED + 1);
        other.decoder.cvs.insert(1, 9);
        second.bench = SimBench::new(other.clone());
        second.began = BenchTime::ZERO;
        let end = play(second);
        let outcome = outcome(&end);
        let told = format!("killed at {kill_at}: {outcome:?}");
        assert_eq!(
            (outcome.outcome, outcome.reasons[0].code.as_str()),
            (End::Halted, "another-engine"),
            "{told}"
        );
        assert_eq!(end.bench.truth().cvs, SimBench::new(other).truth().cvs, "{told}");
        let wrote = end.sent.iter().any(|(_, _, bytes)| {
            let line = String::from_utf8_lossy(bytes);
            line.starts_with("SET") && line.contains(" SM ")
        });
        assert!(!wrote, "{told}");
        let mut still_pending = outcome.restore_pending.clone();
        still_pending.sort_unstable();
        let mut wanted = pending.clone();
        wanted.sort_unstable();
        assert_eq!(still_pending, wanted, "{told}");
        assert!(outcome.reasons.iter().any(|reason| reason.code == "restore-pending"), "{told}");
        // And the right engine is put right at the start after that.
        let mut after = left(&end, &bench(engine));
        after.sort_unstable();
        assert_eq!(after, wanted, "{told}");
    }
}

/// A bench that holds an engine as a run left it, to put back what that run's record says.
fn to_put_back(engine: Engine, before: VirtualEnd, number: u32, write: bool) -> VirtualBench {
    let run = RunFolder::open(&before.disk, Path::new("/runs/1")).unwrap();
    let changed = |cv: u16| {
        let is =
            |record: &Record| matches!(record.body, RecordBody::CvIntention { cv: one, .. } if one == cv);
        run.records.iter().any(is)
    };
    let mut values = cv_contents(&run.opening.run, &run.records, CvsOf::Before).values;
    values.retain(|(cv, _)| changed(*cv));
    let mut bench = next(engine, before, number);
    bench.plan.pending = if write { values.clone() } else { Vec::new() };
    bench.plan.purpose = Purpose::PutBack { values, write };
    bench
}

fn wrote(end: &VirtualEnd) -> usize {
    end.records.iter().filter(|record| matches!(record.body, RecordBody::CvIntention { .. })).count()
}

fn drove(end: &VirtualEnd) -> bool {
    end.records.iter().any(|record| matches!(record.body, RecordBody::Ordered { rising: true, .. }))
}

#[test]
fn what_a_calibrated_engine_held_before_is_compared_and_put_back() {
    for engine in [ENGINES[1], ENGINES[3]] {
        let delivered = delivered(engine);
        let first = play(bench(engine));
        assert_eq!(outcome(&first).outcome, End::Calibrated);
        let table = first.bench.truth().cvs;

        let look = play(to_put_back(engine, first, 2, false));
        let told = outcome(&look);
        assert_eq!((told.outcome, told.reasons[0].code.as_str()), (End::Compared, "originals-differ"));
        assert_eq!((wrote(&look), drove(&look), look.bench.truth().cvs), (0, false, table.clone()));
        assert_eq!((told.restore_pending.as_slice(), told.stop), (&[][..], StopGrade::Still));
        let differs = |cv: u16| format!("CV {cv} holds {}, held {}", table[&cv], delivered[&cv]);
        for cv in (66..=95).filter(|cv| table[cv] != delivered[cv]) {
            assert!(told.reasons[0].evidence.contains(&differs(cv)), "CV {cv}: {}", told.reasons[0].evidence);
        }
        assert_eq!(left(&look, &bench(engine)), [], "a look leaves nothing to be put back");

        let back = play(to_put_back(engine, look, 3, true));
        let told = outcome(&back);
        assert_eq!(told.outcome, End::Restored, "{:?}", told.reasons);
        assert_eq!((told.decoder_state, told.stop), (DecoderState::Original, StopGrade::Still));
        assert_eq!(back.bench.truth().cvs, delivered, "{}", engine.name);
        assert!(!drove(&back));
        assert_eq!(left(&back, &bench(engine)), []);

        let again = play(to_put_back(engine, back, 4, true));
        let told = outcome(&again);
        assert_eq!((told.outcome, told.reasons[0].code.as_str()), (End::Restored, "originals-held"));
        assert_eq!(wrote(&again), 0);
    }
}

#[test]
fn putting_back_that_dies_is_finished_by_the_next_start() {
    let engine = ENGINES[1];
    let delivered = delivered(engine);
    let writes = {
        let whole = play(to_put_back(engine, play(bench(engine)), 2, true));
        let is_write = |record: &Record| matches!(record.body, RecordBody::CvIntention { .. });
        let at = std::iter::zip(&whole.records, &whole.made_at);
        at.filter(|(record, _)| is_write(record)).map(|(_, input)| *input).collect::<Vec<u64>>()
    };
    assert!(writes.len() > 20, "{}", writes.len());
    for kill_at in writes.iter().step_by(writes.len() / 4) {
        let second = to_put_back(engine, play(bench(engine)), 2, true);
        let mut third = next(engine, killed(second, *kill_at), 3);
        third.faults = vec![(BenchTime::from_millis(120_000), Fault::Person(PersonAct::Stop))];
        let end = play(third);
        assert_eq!(outcome(&end).decoder_state, DecoderState::Original, "killed at {kill_at}");
        assert_eq!(end.bench.truth().cvs, delivered, "killed at {kill_at}");
    }
}

#[test]
fn another_engine_gets_nothing_put_back() {
    let engine = ENGINES[1];
    let first = play(bench(engine));
    let mut other = (engine.recipe)(SEED + 1);
    other.decoder.cvs.insert(1, 9);
    let mut second = to_put_back(engine, first, 2, true);
    second.bench = SimBench::new(other.clone());
    second.began = BenchTime::ZERO;
    let end = play(second);
    assert_eq!(outcome(&end).reasons[0].code, "another-engine", "{:?}", outcome(&end).reasons);
    assert_eq!(end.bench.truth().cvs, SimBench::new(other).truth().cvs);
}
