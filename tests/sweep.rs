//! What a sweep finds beside its curve, held against the simulator's truth: where the engine starts and keeps going, how it
//! changes while it warms, and how many points a sweep needs.
#![expect(
    clippy::unwrap_used,
    clippy::panic,
    reason = "helpers of a test fail by panicking, as the tests do"
)]
mod played;

use pacewright::config::SweepSteps;
use pacewright::run::{DecoderState, End, LowEnd, PointPurpose, RecordBody, RunOutcome};
use pacewright::sim::{SimBench, SimFault, SimSpec};
use pacewright::station::Direction;
use played::{ENGINES, Engine, for_each, outcome, play};
use std::time::Duration;

const LAPWING: Engine = ENGINES[0];
const AVOCET: Engine = ENGINES[1];

fn played(
    engine: Engine,
    sim: &SimSpec,
    steps: SweepSteps,
) -> (RunOutcome, pacewright::bench::virtual_bench::VirtualEnd) {
    let mut bench = engine.bench(sim.clone());
    bench.plan.spec.sweep.steps = steps;
    let end = play(bench);
    (outcome(&end).clone(), end)
}

/// First step at which the engine moves in the linear baseline of zeros, as warm as this; with or without stiction.
fn first_step(sim: &SimSpec, warmth: f64, of: u16, forward: bool, from_rest: bool) -> u16 {
    let mut sim = sim.clone();
    sim.decoder.cvs.extend([(2, 0), (5, 0), (6, 0), (3, 0), (4, 0), (29, 6), (66, 128), (95, 128)]);
    if !from_rest {
        sim.engine.stiction = 1.0;
    }
    let mut bench = SimBench::new(sim);
    bench.apply(SimFault::Warmth(warmth));
    (1..=of).find(|step| bench.steady_speed(forward, *step, of) > 0.0).unwrap()
}

/// The low end is found to the step where steps are coarse, and to a few where they are fine; friction changes by a percent
/// while the search goes on.
#[test]
fn the_low_end_is_where_it_truly_is() {
    let cases: Vec<(Engine, u64)> =
        [LAPWING, AVOCET].into_iter().flat_map(|e| (1..=3).map(move |s| (e, s))).collect();
    for_each(&cases, |(engine, seed)| {
        let sim = (engine.recipe)(*seed);
        let (outcome, end) = played(*engine, &sim, SweepSteps::Learn);
        assert_eq!(outcome.outcome, End::Calibrated, "{:?}", outcome.reasons);
        let of = outcome.step_mode;
        for (side, forward) in [(0, true), (1, false)] {
            let LowEnd { starts, keeps_going } = outcome.engine.low_end[side];
            let near = |found: Option<u16>, from_rest| {
                // The search was some hundred seconds before the end, and a step may just start at one of the two warmths.
                let at = |warmth: f64| first_step(&sim, warmth, of, forward, from_rest);
                let warmth = end.bench.truth().warmth;
                let (warmer, colder) = (at(warmth + 0.02), at(warmth - 0.02));
                let most = if of == 28 { 0 } else { 2 };
                assert!(
                    (warmer - most..=colder + most).contains(&found.unwrap()),
                    "{} {seed} {forward} from rest {from_rest}: {found:?}, truly {warmer} to {colder}",
                    engine.name
                );
            };
            near(starts, true);
            near(keeps_going, false);
            assert!(starts >= keeps_going);
        }
    });
}

#[test]
fn warm_is_faster_than_cold_by_what_the_engine_gained() {
    let sim = (LAPWING.recipe)(4);
    let (outcome, end) = played(LAPWING, &sim, SweepSteps::Learn);
    let warm_value = end.records.iter().find_map(|record| match &record.body {
        RecordBody::Point { purpose: PointPurpose::WarmUp, setting, .. } => Some(setting.value),
        _ => None,
    });
    let speed = |warmth: f64, forward: bool| {
        let mut sim = sim.clone();
        sim.decoder.cvs.extend([(2, 0), (5, 0), (6, 0), (29, 6), (66, 128), (95, 128)]);
        let mut bench = SimBench::new(sim);
        bench.apply(SimFault::Warmth(warmth));
        bench.steady_speed(forward, warm_value.unwrap(), 28)
    };
    for (side, forward) in [(0, true), (1, false)] {
        let found = outcome.engine.warming[side].unwrap();
        let most = 100.0 * (speed(1.0, forward) / speed(0.0, forward) - 1.0);
        // The first measurement takes eighty turns, reverse comes after it, and the warm-up ends once it is steady, not once
        // all is gained.
        let least = if forward { 0.5 } else { 0.25 };
        assert!(
            found.change_percent > least * most && found.change_percent < 1.05 * most,
            "{found:?} of {most} %"
        );
        assert!(found.change_u_percent > 0.0 && found.change_u_percent < 1.0, "{found:?}");
    }
}

#[test]
fn a_sweep_that_learns_measures_fewer_points_and_calibrates_as_well() {
    let counts = for_each(&[SweepSteps::All, SweepSteps::Learn, SweepSteps::Spread(8)], |steps| {
        let (outcome, _) = played(LAPWING, &(LAPWING.recipe)(2), *steps);
        assert_eq!(outcome.outcome, End::Calibrated, "{steps:?}: {:?}", outcome.reasons);
        outcome.engine.points
    });
    assert!(counts[1][0] < counts[0][0] && counts[1][1] < counts[0][1], "{counts:?}");
    assert!(counts[2].iter().all(|count| *count >= 6), "{counts:?}");
}

/// An engine that goes on warming all the while: seen by the anchors, taken out, and no difference of the directions.
#[test]
fn drift_during_the_sweep_is_seen_and_taken_out() {
    let mut sim = (AVOCET.recipe)(1);
    (sim.engine.flux_loss, sim.engine.friction_fall, sim.engine.warming_s) = (0.2, 0.0, 1200.0);
    sim.engine.reverse_drive = 1.0;
    let (_, end) = played(AVOCET, &sim, SweepSteps::Learn);
    let swept = end.records.iter().find_map(|record| match &record.body {
        RecordBody::Swept { drift, .. } => *drift,
        _ => None,
    });
    let drift = swept.unwrap();
    assert!(drift.corrected, "{drift:?}");
    let (rate, u) = drift.fast_mm_s;
    // Flux falls by 20 % with 1200 s: about 0.3 to 1 % a minute by then, of some 240 mm/s.
    assert!(rate > 0.4 && rate < 3.0 && u < 0.3 * rate, "{drift:?}");
}

/// An engine that is measured while it still warms fast: no straight line takes that out.
#[test]
fn an_engine_that_drifts_too_much_is_rejected() {
    let mut sim = (AVOCET.recipe)(1);
    (sim.engine.flux_loss, sim.engine.friction_fall, sim.engine.warming_s) = (0.4, 0.0, 300.0);
    let mut bench = AVOCET.bench(sim);
    let warm_up = &mut bench.plan.spec.warm_up;
    (warm_up.shortest, warm_up.longest) = (Duration::from_secs(10), Duration::from_secs(60));
    let end = play(bench);
    let outcome = outcome(&end);
    assert_eq!(outcome.outcome, End::Rejected, "{:?}", outcome.reasons);
    assert_eq!(outcome.reasons[0].code, "engine-drifts-too-much", "{:?}", outcome.reasons);
    assert_eq!(outcome.decoder_state, DecoderState::Original, "nothing new was written");
}

/// Every setting of `all` is measured in both directions, from where the engine starts to where it is fast enough.
#[test]
fn all_leaves_no_step_out() {
    let (outcome, end) = played(LAPWING, &(LAPWING.recipe)(3), SweepSteps::All);
    for (side, way) in [(0, Direction::Forward), (1, Direction::Reverse)] {
        let measured: std::collections::BTreeSet<u16> = end
            .records
            .iter()
            .filter_map(|record| match &record.body {
                RecordBody::Point { purpose: PointPurpose::Sweep, setting, direction, .. }
                    if *direction == way =>
                {
                    Some(setting.value)
                }
                _ => None,
            })
            .collect();
        let (first, last) = (outcome.engine.low_end[side].starts.unwrap(), *measured.last().unwrap());
        assert!((first..=last).all(|step| measured.contains(&step)), "{way:?}: {measured:?}");
        assert!(last - first > 10, "{measured:?}");
    }
}
