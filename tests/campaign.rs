//! The fault campaign: jobs drawn from seeds, one to four faults of over thirty kinds each, and the promises held against the
//! simulation's truth at every event and at every end.
//!
//! `PACEWRIGHT_JOBS=20000 cargo test --release --test campaign -- --nocapture` plays that many seeds, from
//! `PACEWRIGHT_FROM` on, so that a long run may be done in parts; `PACEWRIGHT_SEED=17` plays one and tells
//! what is done to it.
#![expect(
    clippy::unwrap_used,
    clippy::panic,
    clippy::print_stdout,
    reason = "helpers of a test fail by panicking, as the tests do; the tally is printed"
)]
#[path = "played/death.rs"]
mod death;
#[path = "played/figures.rs"]
mod figures;
#[path = "campaign/plan.rs"]
mod plan;
mod played;
#[path = "campaign/watch.rs"]
mod watch;

use death::watchman;
use pacewright::bench::replay::{Replayed, replay_on};
use pacewright::bench::start::endpoint_key;
use pacewright::bench::virtual_bench::{Fault, VirtualBench, VirtualEnd};
use pacewright::config;
use pacewright::journal::{DiskFault, RunFolder, scan};
use pacewright::run::{
    DecoderState, End, Purpose, RecordBody, RunOutcome, RunPlan, StepSource, StopGrade, VerdictWord,
};
use pacewright::time::BenchTime;
use plan::{Dice, KINDS, Kind, Plan};
use played::{ENGINES, Engine, for_each, outcome};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::time::Duration;
use watch::{Tally, Watch};

/// Jobs of the gate.
const JOBS: u64 = 80;
/// After so many it is told how far it came.
const BLOCK: usize = 500;
/// A run ends within this bench time, whatever strikes, unless its process is gone: its own limit is an hour.
const RUN_MOST: Duration = Duration::from_secs(3600 + 1800);
const HOUR: Duration = Duration::from_secs(3600);

/// What is played.
struct Shape {
    bench: fn(Engine, u64) -> VirtualBench,
    /// Faults strike within this time; an undisturbed job takes about as long.
    within_ms: u64,
    /// A run ends within this bench time, whatever strikes, unless its process is gone.
    run_most: Duration,
    /// And within this once nothing strikes any more: a whole job, a lost link waited for, originals put back.
    calm_most: Duration,
}

/// A calibration.
const JOB: Shape =
    Shape { bench, within_ms: 700_000, run_most: RUN_MOST, calm_most: Duration::from_secs(2400) };
/// A night of running in, with faults all through it.
const NIGHT: Shape = Shape {
    bench: night_bench,
    within_ms: 12 * 3_600_000,
    run_most: Duration::from_secs(15 * 3600),
    calm_most: Duration::from_secs(14 * 3600),
};
/// Every so many jobs the record of the last run is replayed.
const REPLAYED: u64 = 4;
/// Somebody notices that the computer was off, or that a run died, and starts the next after this time.
const STARTED_AGAIN: Duration = Duration::from_secs(30);

/// What came of a job.
struct Job {
    seed: u64,
    plan: Plan,
    tally: Tally,
    hours: f64,
    runs: u32,
    /// Dead runs that were gone on with.
    gone_on: u32,
    ended: End,
    /// Why, in the order of the result.
    reasons: Vec<String>,
}

/// A quicker job than the scenario's. It stands in the file, so that its record can be replayed.
const QUICK: &str = "
[warm_up]
shortest = \"60 s\"
longest = \"90 s\"
[sweep]
steps = 10
verify_points = 5
[limits]
reconnect = \"60 s\"
run_time = \"1 h\"
";

fn bench(engine: Engine, seed: u64) -> VirtualBench {
    let text = format!("{}{QUICK}", engine.text);
    let spec =
        config::read(engine.name, &text).unwrap_or_else(|wrong| panic!("{}", wrong.render(100, false)));
    VirtualBench { plan: RunPlan::new(spec), bench_text: text, ..engine.bench((engine.recipe)(seed)) }
}

/// Twelve hours on the rollers.
fn night_bench(engine: Engine, seed: u64) -> VirtualBench {
    let text = format!("{}\n[limits]\nrun_time = \"14 h\"\n", engine.text);
    let spec =
        config::read(engine.name, &text).unwrap_or_else(|wrong| panic!("{}", wrong.render(100, false)));
    let mut plan = RunPlan::new(spec);
    plan.purpose = Purpose::RunIn { shortest_s: 12 * 3600, longest_s: 12 * 3600, steady_per_hour: 0.01 };
    VirtualBench { plan, bench_text: text, ..engine.bench((engine.recipe)(seed)) }
}

/// The faults that are still to come, in the time of a run that began so late.
fn coming(plan: &Plan, began: BenchTime) -> Vec<(BenchTime, Fault)> {
    let later = plan.faults.iter().filter(|(at, _)| *at >= began);
    later.map(|(at, fault)| (BenchTime::ZERO + at.since(began), fault.clone())).collect()
}

fn play(seed: u64, shape: &Shape) -> Job {
    let plan = Plan::draw(seed, shape.within_ms);
    let mut dice = Dice::new(seed ^ 0xC0FF_EE00);
    let engine = ENGINES[usize::try_from(dice.below(4)).unwrap()];
    let mut setup = (shape.bench)(engine, seed);
    let delivered = setup.bench.truth().cvs;
    let mut watch = Watch::new(&plan, setup.plan.spec.target.top_mm_s());
    let (mut runs, mut deaths) = (1, plan.deaths.iter());
    let (mut goes_on, mut gone_on) = (None, 0);
    let (end, ended) = loop {
        let began = setup.began;
        setup.faults = coming(&plan, began);
        watch.run_begins(goes_on.is_none());
        let death = deaths.find(|(at, _)| *at > began);
        let limit = death.map_or(shape.run_most, |(at, _)| at.since(began));
        let folder = setup.folder.clone();
        let end = match goes_on.take() {
            None => begins(setup, seed, limit, &mut watch),
            Some(away) => match goes_on_with(&setup, away, limit, &mut watch, touches_the_disk(&plan)) {
                Some(end) => {
                    gone_on += 1;
                    end
                }
                None => begins(anew(setup, runs), seed, limit, &mut watch),
            },
        };
        watch.tally.check("the core comes to rest", is_whole(&end, &plan), || format!("{:?}", end.broken));
        if let Some(outcome) = end.outcome.clone() {
            let calm = plan.over.max(began);
            watch.tally.check(
                "after the last fault a run ends in time",
                end.ended <= calm + shape.calm_most,
                || format!("at {}, calm since {calm}", end.ended),
            );
            watch.ended(&outcome, &end.bench, end.ended, &delivered);
            break (end, outcome);
        }
        watch.tally.check("every run ends", death.is_some(), || {
            format!("not within {:?}, in {:?}", shape.run_most, Watch::phase(&end.records))
        });
        let Some((_, power_fails)) = death else {
            return Job {
                reasons: Vec::new(),
                seed,
                tally: watch.tally,
                hours: 0.0,
                runs,
                gone_on,
                ended: End::Refused,
                plan: plan.clone(),
            };
        };
        runs += 1;
        let again = (shape.bench)(engine, seed);
        setup = next_start(again, seed, end, *power_fails, &plan, &mut watch.tally, &folder);
        // Half of the dead are gone on with, the others begun anew.
        if dice.below(2) == 0 {
            (goes_on, setup.folder) = (Some(STARTED_AGAIN), folder);
        } else {
            setup = anew(setup, runs);
        }
    };
    at_the_end(engine, seed, &plan, (&end, &ended), &mut watch.tally);
    let reasons =
        ended.reasons.iter().map(|reason| format!("{}: {}", reason.code, reason.evidence)).collect();
    let hours = end.ended.since(BenchTime::ZERO).as_secs_f64() / 3600.0;
    Job { seed, tally: watch.tally, hours, runs, gone_on, reasons, ended: ended.outcome, plan: plan.clone() }
}

/// The last run against the truth, and its record against a replay.
fn at_the_end(
    engine: Engine,
    seed: u64,
    plan: &Plan,
    (end, ended): (&VirtualEnd, &RunOutcome),
    tally: &mut Tally,
) {
    let calm = plan.kinds.iter().all(|kind| !matches!(kind, Kind::Sags | Kind::Slips | Kind::SwappedInPause));
    if calm && ended.outcome == End::Calibrated && ended.verdict == VerdictWord::Pass {
        let sim = (engine.recipe)(seed);
        let limits = bench(engine, seed).plan.spec.limits;
        let off = figures::figures(&sim, &end.bench, &end.bench, ended, &limits);
        let measured = off.iter().filter(|figure| figure.source == StepSource::Measured);
        let worst = measured.max_by(|a, b| a.part().total_cmp(&b.part())).unwrap();
        // The last correction was judged while the engine was as warm as then.
        tally.check("a pass is one in truth", worst.part() <= 1.25 && worst.off() <= 5.0, || worst.told());
    }
    if seed.is_multiple_of(REPLAYED) && !touches_the_disk(plan) {
        let replayed = replay_on(&end.disk, &end.folder);
        tally.check("a record replays bit for bit", matches!(replayed, Ok(Replayed::Same { .. })), || {
            format!("{replayed:?}")
        });
    }
}

/// Nothing of the core broke. A disk that lost a sync may refuse the result too, which the program says.
fn is_whole(end: &VirtualEnd, plan: &Plan) -> bool {
    let refused = |words: &String| words.starts_with("the result could not be written");
    end.broken.as_ref().is_none_or(|words| touches_the_disk(plan) && refused(words))
}

fn touches_the_disk(plan: &Plan) -> bool {
    plan.kinds.iter().any(|kind| matches!(kind, Kind::DiskFull | Kind::DiskNearlyFull | Kind::DiskFails))
}

/// The program died: what it left must be readable, and the next start goes on from there.
fn next_start(
    mut setup: VirtualBench,
    seed: u64,
    end: VirtualEnd,
    power_fails: bool,
    plan: &Plan,
    tally: &mut Tally,
    folder: &Path,
) -> VirtualBench {
    let VirtualEnd { bench: mut sim, disk, records, ended, .. } = end;
    if power_fails {
        disk.crash(seed);
        // Rail and station go with the supply of the house.
        sim.apply(pacewright::sim::SimFault::PowerCut);
    } else {
        watchman(&mut sim);
    }
    disk.set_room(None);
    let opened = RunFolder::open(&disk, folder);
    tally.check("what was written can be read", opened.is_ok(), || format!("{:?}", opened.as_ref().err()));
    if let (Ok(run), false) = (&opened, touches_the_disk(plan)) {
        let points = |records: &[pacewright::run::Record], before: BenchTime| {
            let is = |record: &&pacewright::run::Record| {
                matches!(record.body, RecordBody::Point { .. }) && record.at <= before
            };
            records.iter().filter(is).count()
        };
        // Points are synced within half a second.
        let last = records.last().map_or(BenchTime::ZERO, |record| record.at);
        let sure = BenchTime::ZERO + last.since(BenchTime::ZERO).saturating_sub(Duration::from_millis(700));
        let (before, after) = (points(&records, sure), points(&run.records, sure));
        tally.check("nothing measured is lost", after >= before, || format!("{after} of {before}"));
    }
    sim.advance(ended + STARTED_AGAIN);
    while sim.poll_output().is_some() {}
    (setup.bench, setup.began, setup.disk) = (sim, ended + STARTED_AGAIN, disk);
    setup
}

/// A new run on what an earlier one left.
fn anew(mut setup: VirtualBench, number: u32) -> VirtualBench {
    let spec = &setup.plan.spec;
    let found = scan(&setup.disk, Path::new("/runs"), &endpoint_key(spec), spec.engine.address).unwrap();
    setup.plan.pending = found.unfinished.map_or_else(Vec::new, |left| left.pending.originals().to_vec());
    setup.folder = PathBuf::from(format!("/runs/{number}"));
    setup
}

fn begins(setup: VirtualBench, seed: u64, limit: Duration, watch: &mut Watch<'_>) -> VirtualEnd {
    let end = setup.watched(limit, &mut |moment| watch.look(moment));
    end.unwrap_or_else(|error| panic!("seed {seed}: no run began: {error}"))
}

/// Goes on with a dead run; none where that is refused, as it may be of one that was ending or lost its inputs.
fn goes_on_with(
    setup: &VirtualBench,
    away: Duration,
    limit: Duration,
    watch: &mut Watch<'_>,
    disk_failed: bool,
) -> Option<VirtualEnd> {
    match setup.clone().go_on(away, limit, &mut |moment| watch.look(moment)) {
        Ok(end) => Some(end),
        Err(refused) => {
            let why = refused.code == "not-resumed" || disk_failed;
            watch.tally.check("what is not gone on with has its reason", why, || format!("{refused:?}"));
            None
        }
    }
}

/// Everything of all jobs; false where a promise was broken.
fn tell(jobs: &[Job]) -> bool {
    let (mut kinds, mut ends, mut exercised) = (BTreeMap::new(), BTreeMap::new(), BTreeMap::new());
    let mut broken = 0;
    for job in jobs {
        job.plan.kinds.iter().for_each(|kind| *kinds.entry(*kind).or_insert(0u64) += 1);
        *ends.entry(format!("{:?}", job.ended)).or_insert(0u64) += 1;
        for (promise, count) in &job.tally.exercised {
            *exercised.entry(*promise).or_insert(0u64) += count;
        }
        for violation in &job.tally.violations {
            broken += 1;
            println!("VIOLATION seed {}: {violation}\n  {}", job.seed, job.plan.told.join("; "));
        }
    }
    let hours: f64 = jobs.iter().map(|job| job.hours).sum();
    let runs: u32 = jobs.iter().map(|job| job.runs).sum();
    let gone_on: u32 = jobs.iter().map(|job| job.gone_on).sum();
    let faults: u64 = kinds.values().sum();
    println!(
        "{} jobs, {runs} runs ({gone_on} gone on with), {hours:.1} h, {faults} faults, {broken} violations; ends: {ends:?}",
        jobs.len()
    );
    println!("faults: {kinds:?}");
    for (promise, count) in &exercised {
        println!("{count:>9}  {promise}");
    }
    broken == 0
}

#[test]
fn without_faults_the_job_calibrates() {
    for engine in ENGINES {
        let end = played::play(bench(engine, 1));
        assert_eq!(outcome(&end).outcome, End::Calibrated, "{}: {:?}", engine.name, outcome(&end).reasons);
    }
}

#[test]
fn whatever_goes_wrong_the_promises_hold() {
    let number = |name: &str| std::env::var(name).ok().and_then(|text| text.parse::<u64>().ok());
    if let Some(seed) = number("PACEWRIGHT_SEED") {
        println!("{}", Plan::draw(seed, JOB.within_ms).told.join("\n"));
        let job = play(seed, &JOB);
        println!("{}", job.reasons.join("\n"));
        assert!(tell(&[job]));
        return;
    }
    let from = number("PACEWRIGHT_FROM").unwrap_or(1);
    let seeds: Vec<u64> =
        (from..).zip(0..number("PACEWRIGHT_JOBS").unwrap_or(JOBS)).map(|(seed, _)| seed).collect();
    let mut jobs = Vec::with_capacity(seeds.len());
    for block in seeds.chunks(BLOCK) {
        jobs.extend(for_each(block, |seed| play(*seed, &JOB)));
        // A run that is ended before its time has told how far it came.
        let violations: usize = jobs.iter().map(|job| job.tally.violations.len()).sum();
        println!("seeds {from} to {}: {violations} violations", block[block.len() - 1]);
    }
    let good = tell(&jobs);
    assert!(good, "play a seed alone: PACEWRIGHT_SEED=n cargo test --test campaign -- --nocapture");
    let struck: std::collections::BTreeSet<Kind> =
        jobs.iter().flat_map(|job| job.plan.kinds.clone()).collect();
    assert_eq!(struck.len(), KINDS.len(), "every kind strikes: {struck:?}");
    assert!(
        jobs.iter().any(|job| job.ended == End::Calibrated)
            && jobs.iter().any(|job| job.ended == End::Halted)
    );
}

/// Nights of twelve hours with faults, ten unless `PACEWRIGHT_NIGHTS` says how many.
#[test]
#[ignore = "takes minutes: cargo test --release --test campaign -- --ignored --nocapture"]
fn through_a_night_the_promises_hold() {
    let nights = std::env::var("PACEWRIGHT_NIGHTS").ok().and_then(|text| text.parse().ok()).unwrap_or(10);
    let seeds: Vec<u64> = (1..=nights).map(|night| 1_000_000 + night).collect();
    let jobs = for_each(&seeds, |seed| play(*seed, &NIGHT));
    assert!(tell(&jobs));
    let hours: f64 = jobs.iter().map(|job| job.hours).sum();
    assert!(Duration::from_secs_f64(hours * 3600.0) > HOUR / 4, "{hours}");
}

/// The n-th send to the station fails, or the n-th piece of its replies is lost: the run goes on to its end, or ends in order.
#[test]
fn whichever_send_fails_or_reply_is_lost_the_run_ends_as_it_should() {
    let untouched = |fault: Fault| {
        let mut setup = bench(ENGINES[1], 1);
        let delivered = setup.bench.truth().cvs;
        setup.faults = vec![(BenchTime::ZERO, fault.clone())];
        let end = setup.run_to_end(RUN_MOST).unwrap();
        let outcome = outcome(&end);
        let told = format!("{fault:?}: {:?} {:?}", outcome.outcome, outcome.reasons);
        assert_eq!(end.broken, None, "{told}");
        assert_eq!(outcome.stop, StopGrade::Still, "{told}");
        assert!(outcome.outcome == End::Calibrated || !outcome.reasons.is_empty(), "{told}");
        assert!(outcome.outcome == End::Calibrated || end.piece_lost, "{told}");
        // A known state at every end: nothing hangs between the old table and the new.
        let known = matches!(outcome.decoder_state, DecoderState::Original | DecoderState::New);
        assert!(known && outcome.restore_pending.is_empty(), "{told}");
        if outcome.decoder_state == DecoderState::Original {
            assert_eq!(end.bench.truth().cvs, delivered, "{told}");
        }
        (!end.piece_lost, outcome.outcome)
    };
    let all = std::env::var("PACEWRIGHT_CASES").is_ok_and(|cases| cases == "all");
    for (name, of) in [("send", Fault::SendFails as fn(u64) -> Fault), ("reply", Fault::ReplyLost)] {
        let mut end = 64;
        while !untouched(of(end)).0 {
            end *= 2;
        }
        let every = if all { 1 } else { (end / 12).max(1) };
        let numbers: Vec<u64> = (1..end).step_by(usize::try_from(every).unwrap()).collect();
        let ended = for_each(&numbers, |n| untouched(of(*n)));
        let calibrated = ended.iter().filter(|(_, end)| *end == End::Calibrated).count();
        let passed = ended.iter().filter(|(untouched, _)| *untouched).count();
        println!(
            "{name}: {} of the first {end} lost one by one, {calibrated} calibrated, {passed} runs untouched",
            numbers.len()
        );
        assert!(calibrated > passed, "what one link loses is made good");
    }
}

/// The n-th write or sync of a whole run fails: it ends in order and says what it met, or goes on where nothing was lost.
#[test]
fn whichever_write_or_sync_fails_the_run_ends_as_it_should() {
    let untouched = |fault: DiskFault| {
        let setup = bench(ENGINES[1], 1);
        let (disk, delivered) = (setup.disk.clone(), setup.bench.truth().cvs);
        // Counted from the first operation behind the opening of the record.
        let mut setup = setup;
        setup.faults = vec![(BenchTime::ZERO, Fault::Disk(fault))];
        let end = setup.run_to_end(RUN_MOST).unwrap();
        let outcome = outcome(&end);
        let told = format!("{fault:?}: {:?} {:?}", outcome.outcome, outcome.reasons);
        assert_eq!(outcome.stop, StopGrade::Still, "{told}");
        let fired = disk.fault_struck();
        let told_of = outcome.reasons.iter().any(|reason| reason.code.starts_with("disk-"));
        assert!(outcome.outcome == End::Calibrated || (fired && told_of), "{told}");
        if outcome.decoder_state == DecoderState::Original {
            assert_eq!(end.bench.truth().cvs, delivered, "{told}");
        }
        !fired
    };
    let all = std::env::var("PACEWRIGHT_CASES").is_ok_and(|cases| cases == "all");
    for (name, of) in [("write", DiskFault::Write as fn(u64) -> DiskFault), ("sync", DiskFault::Sync)] {
        // Where it ends: doubled until a run passes untouched, then walked through.
        let mut end = 64;
        while !untouched(of(end)) {
            end *= 2;
        }
        let every = if all { 1 } else { (end / 12).max(1) };
        let numbers: Vec<u64> = (1..end).step_by(usize::try_from(every).unwrap()).collect();
        let passed = for_each(&numbers, |n| untouched(of(*n)));
        println!(
            "{name}: {} of the first {end} failed one by one, {} runs untouched",
            numbers.len(),
            passed.iter().filter(|p| **p).count()
        );
    }
}
