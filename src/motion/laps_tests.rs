//! Tests of whole laps on times of turns alone.
use super::super::testing::Random;
use super::*;
use core::f64::consts::TAU;

/// Turns of an engine that wants one turn a second on a track whose speed differs by `share` once a lap of `turns_a_lap`
/// turns, with a scatter from turn to turn.
fn run(turns_a_lap: f64, turns: u32, share: f64, scatter: f64, seed: u64) -> Laps {
    let (mut laps, mut random, mut t) = (Laps::new(turns_a_lap), Random::new(seed), 0.0);
    laps.turn(t);
    for turn in 0..turns {
        let place = (f64::from(turn) + 0.5) / turns_a_lap * TAU;
        t += 1.0 / (1.0 + share * libm::sin(place) + scatter * random.normal());
        laps.turn(t);
    }
    laps
}

#[test]
fn a_grade_cancels_over_whole_laps_and_not_over_a_part() {
    // The mean of v0 (1 + a sin s) over the way, way over time, is v0 sqrt(1 - a^2) (integral of 1/(1 + a sin s), a
    // standard one).
    let wanted = (1.0_f64 - 0.05 * 0.05).sqrt();
    for laps in [1, 2, 5] {
        let summary = run(41.3, 42 * laps, 0.05, 0.0, 1).summary().expect("laps");
        assert_eq!(summary.laps, laps);
        assert!((summary.turns_per_s / wanted - 1.0).abs() < 3e-4, "{summary:?}");
    }
    assert!(run(41.3, 41, 0.05, 0.0, 1).summary().is_none(), "a part of a lap is none");
    // Half a lap is off by 2 a / pi of the speed at most (mean of a half sine).
    let laps = run(41.3, 42, 0.05, 0.0, 1);
    let half = laps.pattern().expect("a lap").u_rel(0.5) * 3f64.sqrt();
    assert!((half - 0.05 * 2.0 / core::f64::consts::PI).abs() < 0.004, "{half}");
    assert!(laps.pattern().expect("a lap").u_rel(1.0) == 0.0);
    assert!((Pattern::default().u_rel(0.3) - UNSEEN).abs() < 1e-12);
}

#[test]
fn the_stated_interval_holds_the_mean_as_often_as_it_says() {
    for laps in [1_u32, 2, 3, 6] {
        let inside = (0..2000_u64)
            .filter(|seed| {
                let turns = 41 * laps / 2 + 1;
                let summary = run(20.5, turns, 0.03, 0.003, *seed + 1).summary().expect("laps");
                let wanted = (1.0_f64 - 0.03 * 0.03).sqrt();
                // What half a turn at the joint of two laps leaves of the grade is no scatter.
                let off = (summary.turns_per_s / wanted - 1.0).abs() - 1.5e-4;
                off <= summary.factor * summary.u_rel
            })
            .count();
        assert!(inside >= 1880, "{laps} laps: {inside} of 2000 inside");
    }
}

#[test]
fn a_lap_that_differs_is_unsteady_and_scatter_is_not() {
    assert!(!run(20.0, 101, 0.03, 0.003, 3).summary().expect("laps").unsteady);
    assert!(unsteady(&[10.0, 10.01, 10.3], 0.001));
    assert!(!unsteady(&[10.0, 10.3], 0.001));
}
