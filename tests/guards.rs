//! Guards of a long night: rests, a tired battery, a weak supply, a disk that fills up. Each is played as a whole run on the
//! virtual bench and held against the simulation's truth; invented figures throughout.
#![expect(
    clippy::unwrap_used,
    clippy::panic,
    clippy::print_stdout,
    reason = "helpers of a test fail by panicking, as the tests do; counts are printed"
)]
mod played;

use pacewright::bench::virtual_bench::{Fault, VirtualBench, VirtualEnd};
use pacewright::run::{
    DecoderState, End, PersonAct, PhaseName, PointPurpose, RecordBody, RunOutcome, StopGrade,
};
use pacewright::sim::SimFault;
use pacewright::station::Action;
use pacewright::time::BenchTime;
use played::{ENGINES, for_each, outcome, play};
use std::time::Duration;

const SEED: u64 = 3;

fn secs(seconds: u64) -> Duration {
    Duration::from_secs(seconds)
}

/// A quicker job than the scenario's.
fn bench() -> VirtualBench {
    let mut bench = ENGINES[1].bench((ENGINES[1].recipe)(SEED));
    let spec = &mut bench.plan.spec;
    (spec.warm_up.shortest, spec.warm_up.longest) = (secs(60), secs(90));
    (spec.sweep.steps, spec.sweep.verify_points) = (pacewright::config::SweepSteps::Spread(10), 5);
    bench
}

fn codes(outcome: &RunOutcome) -> Vec<&str> {
    outcome.reasons.iter().map(|reason| reason.code.as_str()).collect()
}

/// When the engine was told to move, and when to stand: times of each change between nought and more.
fn turns(end: &VirtualEnd) -> Vec<(BenchTime, bool)> {
    let mut turns: Vec<(BenchTime, bool)> = Vec::new();
    for record in &end.records {
        let RecordBody::Ordered { action, .. } = &record.body else { continue };
        let moves = match action {
            Action::Drive { setting, .. } => setting.value > 0,
            Action::Stop | Action::EmergencyStop => false,
            _ => continue,
        };
        if turns.last().map(|(_, before)| *before) != Some(moves) {
            turns.push((record.at, moves));
        }
    }
    turns
}

/// The longest time between two stands of at least `rest`.
fn longest_without(end: &VirtualEnd, rest: Duration) -> Duration {
    let turns = turns(end);
    let (mut longest, mut ran) = (Duration::ZERO, Duration::ZERO);
    for pair in turns.windows(2) {
        let span = pair[1].0.since(pair[0].0);
        if pair[0].1 {
            ran += span;
            longest = longest.max(ran);
        } else if span >= rest {
            ran = Duration::ZERO;
        }
    }
    longest
}

fn worst_part(end: &VirtualEnd, bench: &VirtualBench) -> f64 {
    let outcome = outcome(end);
    let limits = bench.plan.spec.limits;
    outcome
        .steps
        .iter()
        .flat_map(|row| [true, false].map(|forward| (row, forward)))
        .map(|(row, forward)| {
            let truth = end.bench.steady_speed(forward, row.step, outcome.step_mode);
            let allowed = (limits.tolerance_rel * row.target_mm_s).max(limits.tolerance_floor_mm_s);
            (truth - row.target_mm_s).abs() / allowed
        })
        .fold(0.0, f64::max)
}

#[test]
fn an_engine_that_ran_for_long_rests_gets_warm_again_and_measures_its_anchor_anew() {
    let mut bench = bench();
    let rest = secs(180);
    (bench.plan.spec.limits.without_rest, bench.plan.spec.limits.rest) = (secs(250), rest);
    let setup = bench.clone();
    let without = longest_without(&play(self::bench()), rest);
    let end = play(bench);
    let calibrated = outcome(&end);
    assert_eq!(calibrated.outcome, End::Calibrated, "{:?}", calibrated.reasons);
    let rested = |record: &&pacewright::run::Record| matches!(&record.body, RecordBody::Noted(reason) if reason.code == "engine-rested");
    let rests = end.records.iter().filter(rested).count();
    assert_eq!(codes(calibrated).iter().filter(|code| **code == "engine-rested").count(), 1, "said once");
    assert!(rests >= 2, "{rests}");
    let with = longest_without(&end, rest);
    println!("{rests} rests; {without:?} of running without them, {with:?} at most with them");
    assert!(with <= secs(252) && without > secs(500), "{with:?}, {without:?}");
    // A rest amid the sweep: the next point is the anchor.
    let phase_at = |at: BenchTime| {
        let before = end.records.iter().filter(|record| record.at <= at);
        before
            .filter_map(|record| if let RecordBody::Phase(name) = record.body { Some(name) } else { None })
            .next_back()
    };
    let mut anchors = 0;
    for record in &end.records {
        let RecordBody::Noted(reason) = &record.body else { continue };
        if reason.code != "engine-rested" || phase_at(record.at) != Some(PhaseName::Sweep) {
            continue;
        }
        let next =
            end.records.iter().filter(|later| later.at > record.at).find_map(|later| match &later.body {
                RecordBody::Point { purpose, .. } => Some(*purpose),
                _ => None,
            });
        anchors += usize::from(next == Some(PointPurpose::Anchor));
    }
    assert!(anchors >= 1, "a rest amid the sweep ends with its anchor");
    let worst = worst_part(&end, &setup);
    assert!(worst <= 1.0, "{worst:.2} tolerances");
}

#[test]
fn a_pause_of_ten_minutes_ends_with_getting_warm_again() {
    let whole = play(bench());
    let sweep =
        whole.records.iter().find(|record| record.body == RecordBody::Phase(PhaseName::Sweep)).unwrap().at;
    let mut bench = bench();
    let at = sweep + secs(15);
    bench.faults =
        vec![(at, Fault::Person(PersonAct::Pause)), (at + secs(600), Fault::Person(PersonAct::GoOn))];
    let setup = bench.clone();
    let end = play(bench);
    assert_eq!(outcome(&end).outcome, End::Calibrated, "{:?}", outcome(&end).reasons);
    let again = turns(&end).iter().find(|(when, moves)| *when >= at + secs(600) && *moves).unwrap().0;
    let point = end
        .records
        .iter()
        .find(|record| record.at > again && matches!(record.body, RecordBody::Point { .. }));
    let point = point.unwrap();
    assert!(point.at.since(again) >= secs(180), "it ran for {:?}", point.at.since(again));
    assert!(
        matches!(point.body, RecordBody::Point { purpose: PointPurpose::Anchor, .. }),
        "{:?}",
        point.body
    );
    let worst = worst_part(&end, &setup);
    assert!(worst <= 1.0, "{worst:.2} tolerances");
}

/// Ends in order, the decoder as it was.
fn ends_in_order(end: &VirtualEnd, code: &str) {
    let halted = outcome(end);
    assert_eq!((halted.outcome, halted.stop), (End::Halted, StopGrade::Still), "{:?}", halted.reasons);
    assert_eq!(codes(halted).first(), Some(&code), "{:?}", halted.reasons);
    assert_eq!(halted.decoder_state, DecoderState::Original, "{:?}", halted.reasons);
    assert!(halted.restore_pending.is_empty());
}

fn with_battery(start_v: f64, low_v: f64) -> VirtualBench {
    let mut sim = (ENGINES[1].recipe)(SEED);
    sim.sensor.battery_v = Some(start_v);
    let mut bench = ENGINES[1].bench(sim);
    bench.plan.spec.sensor.battery_low_v = Some(low_v);
    bench
}

#[test]
fn a_battery_that_gets_low_ends_the_run_before_the_sensor_falls_silent() {
    let end = play(with_battery(3.9, 3.89));
    ends_in_order(&end, "sensor-battery-low");
    assert!(!turns(&end).is_empty(), "the engine had been under way");
}

#[test]
fn a_battery_that_is_low_from_the_start_moves_nothing() {
    let end = play(with_battery(3.3, 3.4));
    ends_in_order(&end, "sensor-battery-low");
    assert!(turns(&end).iter().all(|(_, moves)| !moves));
    let end = play(with_battery(3.9, 3.4));
    assert_eq!(outcome(&end).outcome, End::Calibrated);
}

#[test]
fn a_charge_lasts_for_all_runs_together() {
    let mut bench = bench();
    bench.plan.spec.sensor.endurance = Some(secs(3600));
    bench.plan.sensor_used = secs(3300);
    let end = play(bench);
    ends_in_order(&end, "sensor-battery-spent");
    let over = end.ended.since(BenchTime::ZERO);
    assert!((300..420).contains(&over.as_secs()), "{over:?}");
}

#[test]
fn a_disk_that_fills_up_ends_the_run_while_there_is_room_for_an_end_in_order() {
    let mut bench = bench();
    bench.faults = vec![(BenchTime::ZERO + secs(90), Fault::DiskRoom(Some(150_000_000)))];
    let end = play(bench);
    ends_in_order(&end, "disk-nearly-full");
    assert!(end.ended.since(BenchTime::ZERO) < secs(200), "{:?}", end.ended);
}

#[test]
fn a_supply_that_sags_is_told_from_a_short() {
    let whole = play(bench());
    let warm =
        whole.records.iter().find(|record| record.body == RecordBody::Phase(PhaseName::WarmUp)).unwrap().at;
    let cut_after = |sags: &[(u64, f64)]| {
        let mut bench = bench();
        let at = warm + secs(30);
        bench.faults = sags
            .iter()
            .map(|(ms, share)| (at + Duration::from_millis(*ms), Fault::Sim(SimFault::Sags(*share))))
            .collect();
        bench.faults.push((at + secs(6), Fault::Sim(SimFault::PowerCut)));
        play(bench)
    };
    let weak = [(500, 0.95), (1500, 0.88), (2500, 0.8), (3500, 0.72), (4500, 0.65)];
    let mut ends = for_each(&[&[][..], &weak], |sags| cut_after(sags));
    let (weak, short) = (ends.pop().unwrap(), ends.pop().unwrap());
    assert_eq!(codes(outcome(&short)).first(), Some(&"power-lost"), "{:?}", outcome(&short).reasons);
    assert_eq!(codes(outcome(&weak)).first(), Some(&"supply-weak"), "{:?}", outcome(&weak).reasons);
    assert!(outcome(&weak).reasons[0].evidence.contains("had sunk by"), "{:?}", outcome(&weak).reasons);
}
