//! The learned response against engines whose answer is known.
use super::*;
use crate::motion::testing::Random;

/// An engine's way in turns: dead time, ramp, first order; the speed differs from turn to turn.
struct Engine {
    dead_s: f64,
    tau_s: f64,
    ramp_s: f64,
    scatter: f64,
    noise_turns: f64,
}

/// The way of a change from `before` to `after` turns a second, at 100 samples a second for `seconds`: by small steps of
/// time, not by the closed form.
fn way(engine: &Engine, (before, after): (f64, f64), seconds: f64, seed: u64) -> Vec<(f64, f64)> {
    let (mut random, mut way) = (Random::new(seed), Vec::new());
    let (mut even, mut turns, mut turn, mut factor) = (before, 0.37, 0.0, 1.0);
    let step_s = 0.0005;
    for k in 0..1_000_000_u32 {
        let t = f64::from(k) * step_s;
        if t >= seconds {
            break;
        }
        let part = if t < engine.dead_s {
            0.0
        } else if engine.ramp_s > 0.0 {
            ((t - engine.dead_s) / engine.ramp_s).min(1.0)
        } else {
            1.0
        };
        let wanted = before + part * (after - before);
        even += (wanted - even) * step_s / engine.tau_s;
        if k % 20 == 0 {
            way.push((t, turns + engine.noise_turns * random.normal()));
        }
        turns += even * factor * step_s;
        if turns.floor() > turn {
            (turn, factor) = (turns.floor(), 1.0 + engine.scatter * random.normal());
        }
    }
    way
}

#[test]
fn what_is_left_of_a_change_is_the_published_exponential() {
    // `standards/measurement.md` 4.1: ln(1/eps) time constants to within eps.
    for (eps, times) in [(0.05, 2.995_732), (0.01, 4.605_170), (0.001, 6.907_755)] {
        let shape = Shape { tau_s: 0.19, ramp_s: 0.0 };
        let at = times * 0.19;
        let left = shape.mean_rest(at - 1e-6, at + 1e-6);
        assert!((left / eps - 1.0).abs() < 1e-5, "{left} {eps}");
    }
}

#[test]
fn the_ramp_is_the_step_drawn_out() {
    // A ramp is the mean of steps spread over it: summed up here, closed there.
    let (tau_s, ramp_s) = (0.4, 1.5);
    let shape = Shape { tau_s, ramp_s };
    for s in [0.2, 0.9, 1.5, 1.7, 4.0] {
        let steps = 20_000;
        let sum: f64 = (0..steps)
            .map(|k| Shape { tau_s, ramp_s: 0.0 }.lag(s - (f64::from(k) + 0.5) / f64::from(steps) * ramp_s))
            .sum();
        // The lag of a later step counts from its own beginning: put both on one origin.
        let mean = sum / f64::from(steps) + ramp_s / 2.0;
        assert!((mean - shape.lag(s)).abs() < 1e-6, "{s}: {mean} {}", shape.lag(s));
    }
}

#[test]
fn a_large_step_tells_dead_time_ramp_and_time_constant() {
    let mut table = Vec::new();
    // (from rest, dead time, time constant, ramp, time looked at)
    for (from_rest, dead_s, tau_s, ramp_s, seconds) in [
        (true, 0.03, 0.19, 0.0, 3.0),
        (false, 0.03, 0.19, 0.0, 3.0),
        (false, 0.05, 1.0, 0.0, 9.0),
        (true, 8.0, 0.19, 0.0, 11.0),
        (true, 3.0, 1.0, 0.0, 12.0),
        (false, 0.05, 0.19, 3.0, 6.0),
        (true, 0.05, 0.19, 2.0, 6.0),
        (true, 4.0, 0.3, 3.0, 13.0),
        (false, 0.05, 1.0, 4.0, 12.0),
    ] {
        for scatter in [0.001, 0.003, 0.01] {
            for seed in 0..6 {
                let engine = Engine { dead_s, tau_s, ramp_s, scatter, noise_turns: 0.0016 };
                let speeds = if from_rest { (0.0, 7.0) } else { (7.0, 1.5) };
                let way = way(&engine, speeds, seconds, seed);
                let Some(fit) = fit_change(&way, speeds.0) else {
                    table.push((format!("{from_rest} {dead_s} {tau_s} {ramp_s} {scatter}: none"), false));
                    continue;
                };
                let whole_s = fit.dead_s + fit.tau_s + fit.ramp_s / 2.0;
                let true_s = dead_s + tau_s + ramp_s / 2.0;
                // What settling rests on: the whole delay, the end of the ramp, and the time constant.
                let ends = (fit.dead_s + fit.ramp_s - dead_s - ramp_s).abs() / (tau_s + 0.1 * ramp_s);
                let wide = 1.0 + 100.0 * scatter;
                let good = (whole_s - true_s).abs() < wide * (0.02 + 0.02 * tau_s + 0.01 * ramp_s)
                    && ends < 0.5
                    && (fit.tau_s - tau_s).abs() < (0.1 * tau_s).max(0.1 * ramp_s)
                    && (ramp_s == 0.0) == (fit.ramp_s == 0.0)
                    && (fit.after / speeds.1 - 1.0).abs() < 3.0 * scatter + 0.002;
                table.push((format!("{from_rest} {dead_s} {tau_s} {ramp_s} {scatter}: {fit:?}"), good));
            }
        }
    }
    let bad: Vec<_> = table.iter().filter(|(_, good)| !good).collect();
    assert!(bad.is_empty(), "{} of {}: {bad:#?}", bad.len(), table.len());
}

#[test]
fn a_way_without_a_change_or_with_few_points_is_not_learned_from() {
    let engine = Engine { dead_s: 0.0, tau_s: 0.2, ramp_s: 0.0, scatter: 0.003, noise_turns: 0.0016 };
    assert!(fit_change(&way(&engine, (7.0, 1.5), 0.05, 1), 7.0).is_none());
    let fit = fit_change(&way(&engine, (7.0, 7.0), 4.0, 1), 7.0);
    assert!(fit.is_none_or(|fit| (fit.after - fit.before).abs() < 0.5), "{fit:?}");
}

#[test]
fn the_rest_that_is_taken_off_is_the_one_that_is_there() {
    let course = Course { tau_s: 1.0, tau_u_rel: 0.1, rate_mm_s2: None };
    let response = Response { dead_s: 0.0, start_s: 0.0, rising: course, falling: course };
    let change = Change { before_mm_s: 100.0, before_u_mm_s: 0.0, single: true, ramp_s: 0.0, begins_s: 0.0 };
    // From 100 to 110 mm/s, from 3 s to 5 s: 10 (e^-3 - e^-5) / 2.
    let rest = response.rest(change, 110.0, (3.0, 5.0));
    let wanted = 5.0 * (libm::exp(-3.0) - libm::exp(-5.0));
    assert!((rest.mean_mm_s - wanted).abs() < 1e-9, "{rest:?}");
    // Its doubt: what a tenth more of time constant changes, and 20 ms of dead time.
    let at = |tau: f64| 5.0 * tau * (libm::exp(-3.0 / tau) - libm::exp(-5.0 / tau));
    let longer = 0.5 * (at(1.1) - at(0.9));
    let later = wanted * (libm::exp(0.02) - 1.0);
    assert!((rest.u_mm_s - libm::hypot(longer, later)).abs() < 1e-6, "{rest:?} {longer} {later}");
    // A change along several orders is only bounded: nothing to the whole, rectangular.
    let many = response.rest(Change { single: false, ..change }, 110.0, (3.0, 5.0));
    assert!(many.mean_mm_s < 0.6 * (wanted + rest.u_mm_s) && many.u_mm_s > 0.28 * wanted, "{many:?}");
}
