//! Tests of the whole-turn measurement on angles alone.
use super::super::testing::Random;
use super::*;

/// Feeds `turns` turns at `rate` samples a turn, each turn lasting `lasts(k)` seconds, with angle noise of `sigma`.
fn fed(turns: u32, rate: u32, sigma: f64, seed: u64, error: f64, lasts: impl Fn(u32) -> f64) -> Blocks {
    let (mut blocks, mut random, mut start) = (Blocks::of_samples(1.0), Random::new(seed), 0.0);
    for turn in 0..turns {
        for k in 0..rate {
            let part = f64::from(k) / f64::from(rate);
            let phi = TURN * (f64::from(turn) + part);
            let shown = phi + error * libm::sin(phi + 1.0) + sigma * random.normal();
            blocks.push(start + part * lasts(turn), shown, |_| sigma);
        }
        start += lasts(turn);
    }
    blocks
}

#[test]
fn an_error_that_repeats_each_turn_cancels() {
    // `standards/measurement.md` 3.3, table: end minus start over 1, 2, 3, 10 whole turns leaves 0 of a once-per-turn
    // error; 0.1 rad is what an offset of a tenth of the amplitude gives (1.5).
    let summary = fed(12, 400, 0.0, 1, 0.1, |_| 0.5).summary().expect("blocks");
    assert!((summary.turns_per_s - 2.0).abs() < 2e-5, "{summary:?}");
    assert!(summary.u_rel < 1e-5 && !summary.unsteady, "{summary:?}");
}

#[test]
fn speed_is_path_over_time_not_the_mean_of_speeds() {
    // Turns of 1 s and 3 s in turn: 0.5 turns a second, while the mean of the speeds is 0.667.
    let summary =
        fed(11, 200, 0.0, 1, 0.0, |k| if k % 2 == 0 { 1.0 } else { 3.0 }).summary().expect("blocks");
    assert_eq!(summary.turns % 2, 0, "{summary:?}");
    assert!((summary.turns_per_s - 0.5).abs() < 0.01, "{summary:?}");
}

#[test]
fn a_drift_is_unsteady_and_noise_is_not() {
    let drifting = fed(40, 100, 0.01, 2, 0.0, |k| 0.5 + 0.002 * f64::from(k)).summary().expect("blocks");
    assert!(drifting.unsteady);
    let alarms =
        (0..200).filter(|seed| fed(20, 50, 0.01, *seed, 0.0, |_| 0.5).summary().expect("blocks").unsteady);
    // One per cent is meant; the negative correlation of neighbours makes it rarer.
    assert!(alarms.count() <= 6);
}

#[test]
fn turning_back_begins_again_and_little_to_and_fro_does_not() {
    let mut blocks = Blocks::of_samples(1.0);
    for k in 0..4000_u32 {
        let t = f64::from(k) * 0.005;
        blocks.push(t, 4.0 * t + 0.5 * libm::sin(9.0 * t), |_| 0.0);
    }
    assert!(blocks.summary().expect("blocks").turns >= 10);
    blocks.push(20.0, 78.0, |_| 0.0);
    assert!(blocks.summary().is_none());
}

#[test]
fn a_long_measurement_keeps_few_passages_and_every_turn() {
    let blocks = fed(5_000, 8, 0.01, 3, 0.0, |_| 0.1);
    assert!(blocks.passages.len() < MOST_PASSAGES);
    let summary = blocks.summary().expect("blocks");
    assert!(summary.turns > 4_900, "{summary:?}");
    assert!((summary.turns_per_s - 10.0).abs() < 5.0 * 10.0 * summary.u_rel, "{summary:?}");
}

/// (rms of error over u, share inside the 95 % interval) over 400 seeds.
fn honesty(turns: u32, rate: u32, sigma: f64, scatter: f64) -> (f64, f64) {
    let (mut square, mut inside) = (0.0, 0.0);
    for seed in 0..400 {
        let mut random = Random::new(seed + 10_000);
        let lasts: Vec<f64> = (0..turns).map(|_| 0.5 * (1.0 + scatter * random.normal())).collect();
        let blocks = fed(turns, rate, sigma, seed, 0.03, |k| lasts[k as usize]);
        let summary = blocks.summary().expect("blocks");
        let off = summary.turns_per_s / 2.0 - 1.0;
        square += off * off / (summary.u_rel * summary.u_rel);
        inside += f64::from(u8::from(off.abs() <= summary.factor * summary.u_rel));
    }
    ((square / 400.0_f64).sqrt(), inside / 400.0)
}

#[test]
fn stated_doubt_is_honest_for_noise_and_for_scatter_and_for_both() {
    // Noise alone (sparse and dense samples), scatter from turn to turn alone, and both alike.
    let mut table = Vec::new();
    for (turns, rate, sigma, scatter) in [
        (12, 9, 0.01, 0.0),
        (12, 150, 0.01, 0.0),
        (12, 60, 0.0, 0.005),
        (12, 60, 0.02, 0.002),
        (40, 20, 0.01, 0.002),
        (40, 20, 0.001, 0.01),
    ] {
        let (rms, inside) = honesty(turns, rate, sigma, scatter);
        // Without scatter the interval is wider than it need be: so few blocks can't exclude some.
        let good = (0.7..1.3).contains(&rms) && inside >= 0.92 && (inside <= 0.99 || scatter == 0.0);
        table
            .push((format!("{turns} turns, {rate} a turn, {sigma}, {scatter}: {rms:.3}, {inside:.3}"), good));
    }
    assert!(table.iter().all(|(_, good)| *good), "{table:#?}");
}

#[test]
fn scatter_of_few_blocks_without_noise_is_the_usual_variance() {
    // GUM 4.2.2: s^2 of n - 1; the series is the Stein check of `standards/measurement.md` section 5, s = 0.910433352250.
    let values = [99.2, 101.1, 100.4, 98.7, 100.9, 99.8, 101.6, 100.1, 99.5, 100.7];
    let parts = |n: usize| scatter(&values[..n], 0.0);
    let usual = |n: usize| mean_and_variance(&values[..n]).expect("two values").1;
    for n in 2..=FEWEST_SLOW {
        let (variance, degrees) = parts(n);
        assert!((variance - usual(n)).abs() < 1e-9 * usual(n), "{n}: {variance} {}", usual(n));
        assert!((degrees - (n as f64 - 1.0)).abs() < 1e-12);
    }
    assert!((usual(10).sqrt() - 0.910_433_352_250).abs() < 1e-11);
}
