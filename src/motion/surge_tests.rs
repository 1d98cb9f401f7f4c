//! Tests of the swing on speeds and angles alone.
use super::super::testing::Random;
use super::*;

/// A watch that saw `seconds` of an axle that turns `turns_s` times a second, at 200 samples a second with angle noise of
/// 1 %: swing of amplitude `share` and period `period_s`, once-per-turn ripple, scatter from turn to turn.
fn watched(
    seed: u64,
    seconds: f64,
    turns_s: f64,
    (share, period_s): (f64, f64),
    (ripple, scatter): (f64, f64),
) -> SurgeWatch {
    let (mut watch, mut random) = (SurgeWatch::default(), Random::new(seed));
    let (mut phi, mut turn, mut factor) = (0.0, 0.0, 1.0);
    for at in 0..whole(seconds * 200.0) {
        let t = f64::from(at) * 0.005;
        if libm::floor(phi / TAU) > turn {
            turn = libm::floor(phi / TAU);
            factor = 1.0 + scatter * random.normal();
        }
        let swing = share * libm::sin(TAU * t / period_s + 0.3);
        phi += TAU * turns_s * 0.005 * factor * (1.0 + swing + ripple * libm::cos(phi));
        watch.push(t, phi + 0.02 * libm::sin(2.0 * phi) + 0.01 * random.normal(), 0.0);
    }
    watch
}

#[test]
fn what_a_mean_leaves_of_a_swing_is_as_published() {
    // `standards/measurement.md` section 6: T/P and what a boxcar leaves (0.636620 at a half).
    for (ratio, left) in [
        (0.5, core::f64::consts::FRAC_2_PI),
        (1.0, 0.0),
        (1.5, 0.212_207),
        (2.5, 0.127_324),
        (5.5, 0.057_875),
        (10.5, 0.030_315),
    ] {
        assert!((left_of(ratio * 1.7, 1.7) - left).abs() < 5e-7, "{ratio}");
    }
    assert!((left_of(0.0, 1.0) - 1.0).abs() < 1e-12);
}

#[test]
fn turns_are_taken_together_so_that_swings_come_out_whole() {
    for (turn_s, period_s) in [(3.3, 1.5), (0.66, 1.5), (0.165, 1.5), (0.1, 2.2), (1.0, 0.61)] {
        let turns = turns_together(turn_s, period_s);
        let left = left_of(f64::from(turns) * turn_s, period_s);
        assert!(left <= LEFT, "{turn_s} s a turn, {period_s} s a swing: {turns} turns leave {left}");
    }
    assert_eq!(turns_together(20.0, 1.5), 1, "a turn of more than ten swings needs no other beside it");
    assert_eq!(turns_together(1.5, 1.5), 1, "a turn as long as a swing holds it whole");
}

#[test]
fn a_swing_is_found_with_its_period_and_size() {
    for (seed, turns_s, share, period_s) in [
        (1, 0.3, 0.20, 1.5),
        (2, 1.4, 0.05, 1.5),
        (3, 3.0, 0.03, 1.1),
        (4, 6.0, 0.02, 2.3),
        (5, 0.41, 0.1, 0.7),
    ] {
        let watch = watched(seed, 20.0, turns_s, (share, period_s), (0.015, 0.003));
        let (period, size) =
            watch.found().unwrap_or_else(|| panic!("none of {share} at {turns_s} turns a second"));
        assert!((period / period_s - 1.0).abs() < 0.03, "{period} s instead of {period_s} s");
        let size = size / (TAU * turns_s);
        assert!((size / share - 1.0).abs() < 0.2, "{size} instead of {share}");
    }
}

#[test]
fn an_ordinary_engine_has_none() {
    let mut fired = Vec::new();
    for turns_s in [0.3, 0.9, 2.1, 4.0, 9.0] {
        for (ripple, scatter) in [(0.0, 0.0), (0.02, 0.003), (0.05, 0.01)] {
            for seed in 0..40 {
                let watch = watched(seed + 1, 15.0, turns_s, (0.0, 1.0), (ripple, scatter));
                if let Some(found) = watch.found() {
                    fired.push((turns_s, ripple, scatter, seed, found));
                }
            }
        }
    }
    assert!(fired.is_empty(), "{} of 600: {fired:?}", fired.len());
}
