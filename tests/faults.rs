//! Whatever goes wrong, and whenever: the run ends within a bound (or goes on and calibrates), the engine stands wherever
//! anything of ours could reach it, the grade of the stop is honest, and what is said of the decoder is true.
#![expect(
    clippy::unwrap_used,
    clippy::panic,
    reason = "helpers of a test fail by panicking, as the tests do"
)]
mod played;
#[path = "played/thin.rs"]
mod thin;

use pacewright::bench::virtual_bench::{Fault, VirtualBench, VirtualEnd};
use pacewright::run::{
    DecoderState, End, Input, JournalTrouble, PersonAct, PhaseName, RecordBody, RunOutcome, StopGrade,
};
use pacewright::sim::{SimBench, SimFault};
use pacewright::station::Session;
use pacewright::time::BenchTime;
use played::{ENGINES, for_each, outcome, play};
use std::collections::BTreeMap;
use std::time::Duration;
use thin::thinned;

const SEED: u64 = 2;
const EVER: Duration = Duration::from_secs(100_000);
/// A run that cannot go on ends within this time of the fault, putting back included, and not counting how long a lost
/// link is waited for. The longest are an engine that heeds no order at a speed like the one wanted, noticed when it does
/// not stand before it is reversed.
const BOUND: Duration = Duration::from_secs(300);
/// A lost link is waited for this long.
const RECONNECT: Duration = Duration::from_secs(60);

/// What a fault must lead to.
#[derive(Clone, Copy)]
enum Want {
    /// The run goes on and calibrates.
    On,
    /// The run ends so, for one of these reasons.
    Ends(End, &'static [&'static str]),
}

use Want::On;

const fn halts(codes: &'static [&'static str]) -> Want {
    Want::Ends(End::Halted, codes)
}

/// A fault and what it must lead to: while the run rests, programs, or drives.
struct Row {
    name: &'static str,
    faults: Vec<(u64, Fault)>,
    rest: Want,
    programming: Want,
    driving: Want,
}

fn row(name: &'static str, faults: Vec<(u64, Fault)>, wants: [Want; 3]) -> Row {
    let [rest, programming, driving] = wants;
    Row { name, faults, rest, programming, driving }
}

/// One fault, at once.
fn one(name: &'static str, fault: Fault, wants: [Want; 3]) -> Row {
    row(name, vec![(0, fault)], wants)
}

/// One fault of the simulated bench, at once.
fn sim(name: &'static str, fault: SimFault, wants: [Want; 3]) -> Row {
    one(name, Fault::Sim(fault), wants)
}

fn ms(millis: u64) -> Duration {
    Duration::from_millis(millis)
}

fn links() -> Vec<Row> {
    let lost = [halts(&["session-lost"]); 3];
    let silent = [halts(&["station-silent"]); 3];
    let stale = b"1790000000.100 100 INFO 1 GL 7 1 27 28 0\n".to_vec();
    vec![
        one("sessions cut for good", Fault::StationCut(EVER), lost),
        one("sessions cut, back after 2 s", Fault::StationCut(ms(2000)), [On; 3]),
        one("sessions cut, back after 25 s", Fault::StationCut(ms(25_000)), [On; 3]),
        one("sessions cut, back at once", Fault::StationCut(ms(0)), [On; 3]),
        one("station silent for good", Fault::StationSilent(EVER), silent),
        one("station silent for 5 s", Fault::StationSilent(ms(5000)), [On; 3]),
        sim("server hangs for 0.4 s", SimFault::StationSilent(ms(400)), [On; 3]),
        sim("server hangs for 8 s", SimFault::StationSilent(ms(8000)), [On; 3]),
        sim("server drops all sessions", SimFault::StationDrop(None), [On; 3]),
        sim("replies 0.3 s late", SimFault::LateReplies(ms(300)), [On; 3]),
        sim("replies 10 s late", SimFault::LateReplies(ms(10_000)), silent),
        sim("garbage from the station", SimFault::StationGarbage(300), [On; 3]),
        one(
            "the station tells another setting of the engine, and not when asked",
            Fault::Told(Input::StationBytes(Session::Information, stale)),
            [On; 3],
        ),
    ]
}

fn sensors() -> Vec<Row> {
    let silent = halts(&["sensor-silent"]);
    let unreachable = halts(&["sensor-unreachable"]);
    let nonsense = b"\xff\xfe,,1e999,\n12,nan\n".to_vec();
    vec![
        one("sensor cut for good", Fault::SensorCut(EVER), [silent, silent, unreachable]),
        one("sensor cut, back after 3 s", Fault::SensorCut(ms(3000)), [On; 3]),
        one("sensor silent for good", Fault::SensorSilent(EVER), [silent; 3]),
        one("sensor silent for 10 s", Fault::SensorSilent(ms(10_000)), [On; 3]),
        one("sensor silent for 0.1 s", Fault::SensorSilent(ms(100)), [On; 3]),
        sim("sensor frozen", SimFault::SensorFrozen, [halts(&["sensor-frozen"]); 3]),
        sim("garbage from the sensor", SimFault::SensorGarbage(400), [On; 3]),
        one("nonsense in place of samples", Fault::SensorNoise(nonsense), [On; 3]),
    ]
}

fn engines() -> Vec<Row> {
    let jammed = halts(&["engine-not-moving"]);
    let power = halts(&["power-lost"]);
    let throttle = halts(&["another-throttle"]);
    let freed = vec![(0, Fault::Sim(SimFault::Stall)), (1000, Fault::Sim(SimFault::Freed))];
    // Programming ends any time; who runs off is seen then or before.
    let fast = halts(&["engine-too-fast", "engine-moves-unasked"]);
    let unasked = halts(&["engine-moves-unasked", "engine-no-standstill", "engine-wrong-way"]);
    vec![
        // Service mode takes the track and gives it back with power on.
        sim("protection cuts the power", SimFault::PowerCut, [power, On, power]),
        sim("wheels jam", SimFault::Stall, [jammed; 3]),
        row("wheels jam for 1 s", freed, [On; 3]),
        sim("runs away at full drive", SimFault::RunAway(1.0), [fast; 3]),
        sim("runs away slowly", SimFault::RunAway(0.3), [unasked; 3]),
        sim("runs away backwards", SimFault::RunAway(-0.5), [unasked; 3]),
        // Set during programming, the next order of ours takes the engine back before it moves.
        sim(
            "another throttle speeds it up",
            SimFault::AnotherThrottle { step: 20, forward: true },
            [throttle, On, throttle],
        ),
        sim(
            "another throttle stops it",
            SimFault::AnotherThrottle { step: 0, forward: true },
            [On, On, throttle],
        ),
        sim(
            "another throttle turns it",
            SimFault::AnotherThrottle { step: 9, forward: false },
            [throttle, On, throttle],
        ),
        sim("another takes the lock", SimFault::AnotherLock, [halts(&["engine-locked"]); 3]),
    ]
}

fn computer_and_person() -> Vec<Row> {
    let gap = halts(&["gap-in-time"]);
    let stopped = [Want::Ends(End::Interrupted, &["person-stopped"]); 3];
    let person = |at: u64, act: PersonAct| (at, Fault::Person(act));
    let told = |input: Input| vec![(0, Fault::Told(input))];
    vec![
        one("0.5 s missing", Fault::Gap(ms(500)), [On, On, gap]),
        one("a minute missing", Fault::Gap(ms(60_000)), [On, On, gap]),
        one("disk full", Fault::DiskRoom(Some(100)), [halts(&["disk-full"]); 3]),
        row(
            "disk too slow",
            told(Input::JournalTrouble(JournalTrouble::Lagging)),
            [halts(&["disk-lagging"]); 3],
        ),
        row("a task fails", told(Input::TaskFailed("reader".to_owned())), [halts(&["panic-in-task"]); 3]),
        row("stop", vec![person(0, PersonAct::Stop)], stopped),
        row("stop, and no waiting", vec![person(0, PersonAct::Stop), person(4000, PersonAct::Stop)], stopped),
        row("pause", vec![person(0, PersonAct::Pause), person(60_000, PersonAct::GoOn)], [On; 3]),
        row("stop in a pause", vec![person(0, PersonAct::Pause), person(60_000, PersonAct::Stop)], stopped),
    ]
}

/// A quicker job than the scenario's, to be played often.
fn bench() -> VirtualBench {
    let mut bench = ENGINES[1].bench((ENGINES[1].recipe)(SEED));
    let spec = &mut bench.plan.spec;
    (spec.warm_up.shortest, spec.warm_up.longest) = (Duration::from_secs(60), Duration::from_secs(90));
    (spec.sweep.steps, spec.sweep.verify_points) = (pacewright::config::SweepSteps::Spread(10), 5);
    spec.limits.reconnect = RECONNECT;
    bench
}

/// Which of a row's wants holds.
type Pick = fn(&Row) -> Want;

/// When faults strike: the name of the moment, the time, and which of a row's wants holds.
fn moments() -> Vec<(&'static str, BenchTime, Pick)> {
    let whole = play(bench());
    assert_eq!(outcome(&whole).outcome, End::Calibrated, "{:?}", outcome(&whole).reasons);
    let after = |name, millis| {
        let phase = whole.records.iter().find(|record| record.body == RecordBody::Phase(name)).unwrap();
        phase.at + ms(millis)
    };
    let (rest, programming, driving): (Pick, Pick, Pick) =
        (|row| row.rest, |row| row.programming, |row| row.driving);
    vec![
        ("resting", after(PhaseName::LinkCheck, 500), rest),
        ("in snapshot", after(PhaseName::Snapshot, 3000), programming),
        ("in baseline", after(PhaseName::Baseline, 2200), programming),
        ("in warm-up", after(PhaseName::WarmUp, 30_000), driving),
        ("while it learns", after(PhaseName::Learn, 3000), driving),
        ("in sweep", after(PhaseName::Sweep, 40_100), driving),
        ("in write", after(PhaseName::Write, 9000), programming),
        ("in verify", after(PhaseName::Verify, 40_000), driving),
    ]
}

/// All CVs of the engine as it came.
fn delivered() -> BTreeMap<u16, u8> {
    SimBench::new((ENGINES[1].recipe)(SEED)).truth().cvs
}

/// CVs that do not hold their delivered value, with that value.
fn differing(now: &BTreeMap<u16, u8>) -> Vec<(u16, u8)> {
    delivered().into_iter().filter(|(cv, value)| now.get(cv) != Some(value)).collect()
}

/// What is said of the decoder, against its CVs.
fn check_decoder(told: &str, outcome: &RunOutcome, cvs: &BTreeMap<u16, u8>) {
    let differs = differing(cvs);
    match outcome.decoder_state {
        DecoderState::Original => {
            assert_eq!(differs, [], "{told}");
            assert_eq!(outcome.restore_pending, [], "{told}");
        }
        DecoderState::New => {
            // Written whole, but not proven: then the originals are still to go back.
            let calibrated = outcome.outcome == End::Calibrated;
            let mut pending = outcome.restore_pending.clone();
            pending.sort_unstable();
            assert_eq!(pending, if calibrated { Vec::new() } else { differs.clone() }, "{told}");
            let table: Vec<u8> = (67..=94).map(|cv| cvs[&cv]).collect();
            assert_eq!(outcome.table.map(Vec::from), Some(table), "{told}");
            assert_eq!(
                (outcome.trim_forward, outcome.trim_reverse),
                (Some(cvs[&66]), Some(cvs[&95])),
                "{told}"
            );
            assert_eq!(cvs[&29] & 0x10, 0x10, "{told}: the table is in use");
            let kept = differs.iter().all(|(cv, _)| matches!(cv, 2 | 5 | 6 | 29 | 66..=95));
            assert!(kept, "{told}: {differs:?}");
        }
        DecoderState::Mixed => assert_eq!(outcome.restore_pending, differs, "{told}"),
        // The one write that was not answered is listed in any case.
        DecoderState::Unknown => {
            let all = differs.iter().all(|pair| outcome.restore_pending.contains(pair));
            assert!(all && outcome.restore_pending.len() <= differs.len() + 1, "{told}: {differs:?}");
        }
    }
    if !outcome.restore_pending.is_empty() {
        assert!(outcome.reasons.iter().any(|reason| reason.code == "restore-pending"), "{told}");
    }
}

/// What is said of the stop, against the engine now and a while later.
fn check_stop(told: &str, outcome: &RunOutcome, end: &VirtualEnd) {
    let mut later = end.bench.clone();
    later.advance(end.ended + Duration::from_secs(5));
    let speeds = [end.bench.truth(), later.truth()].map(|truth| truth.speed_mm_s.abs());
    match outcome.stop {
        StopGrade::Still => assert!(speeds.iter().all(|speed| *speed < 1e-9), "{told}: {speeds:?}"),
        StopGrade::Acknowledged => assert!(speeds[1] < 1e-9, "{told}: {speeds:?}"),
        StopGrade::Unconfirmed => assert_eq!(outcome.reasons[0].code, "stop-unconfirmed", "{told}"),
    }
    let said = outcome.reasons.iter().any(|reason| reason.code == "power-off-refused");
    assert!(!end.bench.truth().rail_live || said, "{told}: the rail is live and nobody says so");
    if outcome.stop == StopGrade::Unconfirmed || said {
        let mute = ["cut for good", "silent for good", "10 s late"];
        assert!(mute.iter().any(|name| told.contains(name)), "{told}: it could be reached");
    }
}

fn check(row: &Row, (moment, at, want): (&str, BenchTime, Want)) {
    let mut bench = bench();
    bench.faults = row.faults.iter().map(|(after, fault)| (at + ms(*after), fault.clone())).collect();
    let last = row.faults.iter().map(|(after, _)| at + ms(*after)).max().unwrap_or(at);
    let end = play(bench);
    let outcome = outcome(&end);
    let told = format!(
        "{} {moment} ({at}): {:?} after {:.1} s, {:?}, {:?}, {:?}",
        row.name,
        outcome.outcome,
        end.ended.since(at).as_secs_f64(),
        outcome.stop,
        outcome.decoder_state,
        outcome.reasons.iter().map(|reason| (&reason.code, &reason.evidence)).collect::<Vec<_>>()
    );
    match want {
        On => {
            assert_eq!(outcome.outcome, End::Calibrated, "{told}");
            assert_eq!(outcome.stop, StopGrade::Still, "{told}");
        }
        // Points take a second or two: our own next order may undo what another throttle did before it counts.
        Want::Ends(..) if row.name.starts_with("another throttle") && outcome.outcome == End::Calibrated => {
            assert_eq!(outcome.stop, StopGrade::Still, "{told}");
        }
        Want::Ends(how, codes) => {
            assert_eq!(outcome.outcome, how, "{told}");
            let why = outcome.reasons.iter().find(|reason| reason.code != "stop-unconfirmed");
            assert!(why.is_some_and(|why| codes.contains(&why.code.as_str())), "{told}");
            let missing =
                row.faults.iter().map(|(_, fault)| if let Fault::Gap(gap) = fault { *gap } else { ms(0) });
            assert!(end.ended.since(last) <= BOUND + RECONNECT + missing.sum::<Duration>(), "{told}");
        }
    }
    check_stop(&told, outcome, &end);
    check_decoder(&told, outcome, &end.bench.truth().cvs);
}

fn check_all(rows: &[Row]) {
    let moments = moments();
    let cases: Vec<(&Row, (&str, BenchTime, Want))> = rows
        .iter()
        .flat_map(|row| moments.iter().map(move |(moment, at, want)| (row, (*moment, *at, want(row)))))
        .collect();
    let cases = thinned(cases);
    let failed = std::sync::Mutex::new(Vec::new());
    for_each(&cases, |(row, case)| {
        // All rows are looked at, so that one failure does not hide the next.
        let looked = std::panic::catch_unwind(|| check(row, *case));
        if let Err(why) = looked {
            let why = why.downcast_ref::<String>().cloned().unwrap_or_default();
            failed.lock().unwrap().push(why);
        }
    });
    let failed = failed.into_inner().unwrap();
    assert!(failed.is_empty(), "{} of {} cases failed:\n{}", failed.len(), cases.len(), failed.join("\n\n"));
}

#[test]
fn faults_of_the_station_and_its_link() {
    check_all(&links());
}

#[test]
fn faults_of_the_sensor_and_its_link() {
    check_all(&sensors());
}

#[test]
fn faults_of_engine_and_track_and_other_hands() {
    check_all(&engines());
}

#[test]
fn faults_of_the_computer_and_wishes_of_the_person() {
    check_all(&computer_and_person());
}
