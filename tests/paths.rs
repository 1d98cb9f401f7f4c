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
use pacewright::bench::virtual_bench::{Fault, VirtualBench, VirtualEnd};
use pacewright::config::{PathKind, SweepSteps};
use pacewright::run::{End, PersonAct, PointPurpose, Question, RecordBody, RunOutcome};
use pacewright::sim::{CarSim, PathSim, SimFault, TrackSim};
use pacewright::time::BenchTime;
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
fn a_loop_on_which_no_lap_fits_into_a_point_is_refused_before_anything_moves() {
    let mut bench = ENGINES[1].bench((ENGINES[1].recipe)(1));
    bench.plan.spec.path = PathKind::Loop { length_mm: 30_000.0 };
    let end = play(bench);
    let (outcome, why) = (outcome(&end), &outcome(&end).reasons[0]);
    assert_eq!((outcome.outcome, why.code.as_str()), (End::Rejected, "loop-too-long"));
    assert!(why.evidence.contains("takes 78 s, a point 60 s"), "{}", why.evidence);
    assert!(
        end.records.iter().all(|record| !matches!(record.body, RecordBody::Ordered { rising: true, .. }))
    );
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
        // Below 5 mm/s the simulated swing dies away.
        let seen: Vec<_> = seen.into_iter().filter(|(speed, _)| *speed > 6.0).collect();
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

/// An engine on a straight. The sensor's axle is known less well than it is: its true circumference is a little larger, and
/// it slips.
fn on_straight(
    engine: Engine,
    seed: u64,
    length_mm: f64,
    reserve_mm: f64,
) -> (pacewright::sim::SimSpec, VirtualBench) {
    let mut recipe = (engine.recipe)(seed);
    let track = TrackSim::Straight { length_mm, start_mm: reserve_mm };
    recipe.path = PathSim { track, slip: 0.0002, car: None };
    let mut bench = engine.bench(recipe.clone());
    bench.plan.spec.path = PathKind::Straight { length_mm, reserve_mm };
    (recipe, bench)
}

/// A quicker job than the scenario's, to be played often.
fn quick(mut bench: VirtualBench) -> VirtualBench {
    let spec = &mut bench.plan.spec;
    (spec.warm_up.shortest, spec.warm_up.longest) = (Duration::from_secs(60), Duration::from_secs(120));
    (spec.sweep.steps, spec.sweep.verify_points) = (SweepSteps::Spread(8), 4);
    spec.limits.reconnect = Duration::from_secs(60);
    spec.limits.run_time = Duration::from_secs(4 * 3600);
    bench
}

fn passes(end: &VirtualEnd) -> usize {
    end.records.iter().filter(|record| matches!(record.body, RecordBody::Turned { .. })).count()
}

fn asked(end: &VirtualEnd) -> usize {
    let put = |record: &&pacewright::run::Record| {
        matches!(record.body, RecordBody::Asked { what: Question::PutOnMark, .. })
    };
    end.records.iter().filter(put).count()
}

#[test]
fn on_a_straight_passes_alternate_and_the_truth_is_met_both_ways() {
    let cases: [(Engine, f64, u64); 3] =
        [(ENGINES[1], 6000.0, 1), (ENGINES[0], 4100.0, 2), (ENGINES[2], 5000.0, 3)];
    for_each(&cases, |(engine, length_mm, seed)| {
        let name = format!("{} on a straight of {length_mm} mm", engine.name);
        let (recipe, mut bench) = on_straight(*engine, *seed, *length_mm, 300.0);
        bench.plan.spec.limits.run_time = Duration::from_secs(4 * 3600);
        let setup = bench.clone();
        let end = play(bench);
        eprintln!("{name}: {} passes, asked {} times", passes(&end), asked(&end));
        assert_eq!(end.bench.truth().hit_end_mm_s, None, "{}", told(&name, outcome(&end)));
        judged(&name, &setup, &recipe, &end);
        // It says where it is, between the ends and well enough.
        let last = end.records.iter().rev().find_map(|record| match record.body {
            RecordBody::Turned { place_mm, doubt_mm, .. } => Some((place_mm, doubt_mm)),
            _ => None,
        });
        let (place_mm, doubt_mm) = last.unwrap();
        // What slipped, up to the part of the reserve at which it goes back to its mark and one more pass; and the doubt
        // of the circumference over the way from the mark.
        let most_mm = 0.4 * 300.0 + 0.0005 * length_mm + 2.0 * 0.002 * (length_mm - 300.0);
        assert!(
            (0.0..*length_mm).contains(&place_mm) && doubt_mm < most_mm,
            "{name}: {place_mm} +/- {doubt_mm}"
        );
    });
}

#[test]
fn a_straight_too_short_for_the_top_leaves_steps_out_or_says_the_length_it_needs() {
    let (_, bench) = on_straight(ENGINES[1], 1, 2000.0, 300.0);
    let end = play(quick(bench));
    let why = &outcome(&end).reasons[0];
    assert_eq!((outcome(&end).outcome, why.code.as_str()), (End::Rejected, "path-too-short"));
    assert!(why.evidence.contains("need a straight of"), "{}", why.evidence);
    assert_eq!(passes(&end), 0, "said before anything moves");
    // Without momentum it is long enough for the top, and not for the reserve above it.
    for_each(&[(1800.0, 1), (1900.0, 1), (1900.0, 2), (2000.0, 3), (2100.0, 1)], |(length_mm, seed)| {
        let (mut recipe, _) = on_straight(ENGINES[1], *seed, *length_mm, 300.0);
        recipe.decoder.cvs.extend([(3, 0), (4, 0)]);
        let mut lowered = quick(ENGINES[1].bench(recipe));
        lowered.plan.spec.path = PathKind::Straight { length_mm: *length_mm, reserve_mm: 300.0 };
        lowered.plan.spec.limits.lower_top = true;
        lowered.plan.spec.limits.top_reserve = 0.25;
        lowered.plan.spec.limits.speed_mm_s = 2000.0;
        let end = play(lowered);
        let told = told(&format!("lowered on {length_mm} mm, seed {seed}"), outcome(&end));
        assert_eq!(end.bench.truth().hit_end_mm_s, None, "{told}");
        // On the longer ones the sweep has room enough, and only the check of the new table has not.
        assert_eq!(noted(&end, "straight-steps-left-out").len(), usize::from(*length_mm < 1950.0), "{told}");
        assert_eq!(noted(&end, "straight-lowers-top").len(), 1, "{told}");
        assert_eq!(outcome(&end).outcome, End::Calibrated, "{told}");
    });
}

#[test]
fn nothing_moves_on_a_straight_before_the_person_says_where_the_engine_stands() {
    let (_, mut bench) = on_straight(ENGINES[1], 1, 6000.0, 300.0);
    bench.answers = |_| None;
    let mut bench = quick(bench);
    bench.plan.spec.limits.run_time = Duration::from_secs(600);
    let end = play(bench);
    let moved = |end: &VirtualEnd| {
        end.records.iter().any(|record| matches!(record.body, RecordBody::Ordered { rising: true, .. }))
    };
    assert!(asked(&end) == 1 && !moved(&end), "{}", told("unanswered", outcome(&end)));
    // Killed in the middle of a run: the next start does not know where it is, asks, and moves only then.
    let (_, whole) = on_straight(ENGINES[1], 1, 6000.0, 300.0);
    let whole = quick(whole);
    let played = play(whole);
    let sweep = played
        .records
        .iter()
        .position(|record| matches!(record.body, RecordBody::Point { purpose: PointPurpose::Sweep, .. }));
    let fresh = || quick(on_straight(ENGINES[1], 1, 6000.0, 300.0).1);
    let mut killed = fresh();
    killed.kill_at = Some(played.made_at[sweep.unwrap()]);
    let broken = killed.run_to_end(Duration::from_secs(20_000)).unwrap();
    assert!(broken.outcome.is_none());
    let mut again = fresh();
    (again.bench, again.began, again.disk) = (broken.bench, broken.ended, broken.disk);
    again.folder = "/runs/2".into();
    again.bench.apply(SimFault::Stall);
    again.bench.apply(SimFault::Freed);
    again.answers = |_| None;
    again.plan.spec.limits.run_time = Duration::from_secs(600);
    let end = play(again);
    assert!(!moved(&end), "{}", told("killed", outcome(&end)));
}

/// Prints for each fault how often an engine ran into an end, and how fast.
fn count_ends(results: &[(bool, &str, Option<f64>, String)]) {
    let mut names: Vec<&str> = results.iter().map(|(_, name, _, _)| *name).collect();
    names.dedup();
    for name in names {
        let of: Vec<_> = results.iter().filter(|(_, other, _, _)| *other == name).collect();
        let hits: Vec<f64> = of.iter().filter_map(|(_, _, hit, _)| *hit).collect();
        let worst = hits.iter().copied().fold(0.0, f64::max);
        eprintln!("{name}: {} of {} ran into an end, fastest {worst:.0} mm/s", hits.len(), of.len());
    }
}

#[test]
fn whatever_happens_on_a_straight_the_engine_stays_between_its_ends_where_anything_of_ours_reaches_it() {
    let fresh = || quick(on_straight(ENGINES[1], 2, 6000.0, 300.0).1);
    let whole = play(fresh());
    assert_eq!(outcome(&whole).outcome, End::Calibrated, "{}", told("whole", outcome(&whole)));
    // Moments at which it is worst: shortly before a turn at speed, right at it, in the way back, in the middle of a pass.
    let turns: Vec<_> = whole
        .records
        .iter()
        .filter_map(|record| match record.body {
            RecordBody::Turned { speed_mm_s, .. } if speed_mm_s > 150.0 => Some(record.at),
            _ => None,
        })
        .collect();
    assert!(turns.len() >= 6, "{}", turns.len());
    let before = |turn: usize, millis: u64| {
        BenchTime::from_nanos(turns[turn].as_nanos().saturating_sub(millis * 1_000_000))
    };
    let moments: Vec<BenchTime> =
        [1, 4].into_iter().flat_map(|turn| [2000, 1000].map(|ms| before(turn, ms))).collect();
    let ever = Duration::from_secs(100_000);
    let ms = Duration::from_millis;
    // What must never end at an end, and what no program can help.
    let kept: Vec<(&str, Fault)> = vec![
        ("sensor silent for good", Fault::SensorSilent(ever)),
        ("sensor silent for 3 s", Fault::SensorSilent(ms(3000))),
        ("sensor cut for 5 s", Fault::SensorCut(ms(5000))),
        ("sensor frozen", Fault::Sim(SimFault::SensorFrozen)),
        ("sensor restarts", Fault::Sim(SimFault::SensorRestarts(ms(2000)))),
        ("sessions cut, back at once", Fault::StationCut(ms(0))),
        ("server hangs for 0.4 s", Fault::Sim(SimFault::StationSilent(ms(400)))),
        ("pause", Fault::Person(PersonAct::Pause)),
        ("stop", Fault::Person(PersonAct::Stop)),
        ("power cut", Fault::Sim(SimFault::PowerCut)),
    ];
    let lost: Vec<(&str, Fault)> = vec![
        ("sessions cut for 2 s", Fault::StationCut(ms(2000))),
        ("station silent for 3 s", Fault::StationSilent(ms(3000))),
        ("station silent for good", Fault::StationSilent(ever)),
        ("server hangs for 8 s", Fault::Sim(SimFault::StationSilent(ms(8000)))),
        ("runs away at three tenths", Fault::Sim(SimFault::RunAway(0.3))),
    ];
    let cases: Vec<(bool, &str, &Fault, BenchTime)> = [(true, &kept), (false, &lost)]
        .into_iter()
        .flat_map(|(must, row)| row.iter().map(move |(name, fault)| (must, *name, fault)))
        .flat_map(|(must, name, fault)| moments.iter().map(move |at| (must, name, fault, *at)))
        .collect();
    let results = for_each(&cases, |(must, name, fault, at)| {
        let mut struck = fresh();
        struck.faults = vec![(*at, (*fault).clone())];
        if *name == "pause" {
            struck.faults.push((*at + ms(30_000), Fault::Person(PersonAct::GoOn)));
        }
        struck.plan.spec.limits.reconnect = ms(20_000);
        // What an engine does at an end it does soon.
        let end = struck.run_to_end(at.since(BenchTime::ZERO) + ms(150_000)).unwrap();
        assert_eq!(end.broken, None);
        let hit = end.bench.truth().hit_end_mm_s;
        let ended = end.outcome.as_ref().map(|outcome| (outcome.outcome, &outcome.reasons));
        let told = format!("{name} at {at}: {ended:?}, end at {hit:?}");
        (*must, *name, hit, told)
    });
    count_ends(&results);
    let wrong: Vec<&String> = results
        .iter()
        .filter(|(must, _, hit, _)| *must && hit.is_some())
        .map(|(_, _, _, told)| told)
        .collect();
    assert!(wrong.is_empty(), "{} ran into an end:\n{wrong:#?}", wrong.len());
}
