//! The rule of a point on ways of known engines.
use super::*;
use crate::motion::response::Course;
use crate::motion::testing::{Random, Rig};

const CIRCUMFERENCE: f64 = 33.0;

fn rule(tau_s: f64, before_mm_s: f64) -> PointRule {
    let course = Course { tau_s, tau_u_rel: 0.1, rate_mm_s2: None };
    let response = Response { dead_s: 0.0, start_s: 0.0, rising: course, falling: course };
    let change = Change { before_mm_s, before_u_mm_s: 0.0, single: true, ramp_s: 0.0, begins_s: 0.0 };
    let wanted = Wanted { rel: 0.005, floor_mm_s: 0.32 };
    PointRule { wanted, change: Some((response, change)), circumference_mm: CIRCUMFERENCE }
}

/// A pool that knows this scatter well, at all speeds.
fn pool(scatter: f64) -> TurnScatter {
    let mut pool = TurnScatter::default();
    for speed in [15.0, 40.0, 100.0, 200.0, 390.0] {
        pool.learn(speed, &seen(scatter, 40, (0.0, 1.0)));
    }
    pool
}

fn seen(scatter: f64, blocks: u32, span_s: (f64, f64)) -> TurnBlocks {
    let variance = scatter * scatter;
    TurnBlocks { blocks, turns_each: 1, variance, slow: variance, slow_degrees: 19.0, ends: 0.0, span_s }
}

/// Time and turns of an engine going from one speed to another with `tau_s`, scatter from turn to turn; after `jump_s` it is
/// faster by the part `jump`.
fn way(
    (from, to): (f64, f64),
    tau_s: f64,
    scatter: f64,
    until_s: f64,
    jump: (f64, f64),
    seed: u64,
) -> Vec<(f64, f64)> {
    let (mut random, mut way) = (Random::new(seed), Vec::new());
    let (mut turns, mut turn, mut factor) = (0.0, 0.0, 1.0);
    for t in (0..100_000_u32).map(|k| f64::from(k) * 0.005).take_while(|t| *t < until_s) {
        way.push((t, -turns));
        let speed = to - (to - from) * libm::exp(-t / tau_s);
        let more = if t > jump.0 { 1.0 + jump.1 } else { 1.0 };
        turns += speed * factor * more * 0.005 / CIRCUMFERENCE;
        if turns.floor() > turn {
            (turn, factor) = (turns.floor(), 1.0 + scatter * random.normal());
        }
    }
    way
}

#[test]
fn averaging_begins_when_the_doubt_of_the_rest_is_small_not_when_nothing_is_left() {
    let (rule, pool) = (rule(1.0, 186.0), pool(0.003));
    let begins = (0..2000).map(|k| f64::from(k) * 0.005).find(|t| {
        // What a quarter second's glance sees.
        let seen = 200.0 - 14.0 * libm::exp(-(t - 0.125_f64).max(0.0));
        rule.may_begin(*t, seen, &pool)
    });
    let begins = begins.expect("it begins");
    // The fixed rule of `standards/measurement.md` 4.6: 1.3 tau ln(|dv| / (0.001 v)) = 5.52 s.
    let fixed = 1.3 * libm::log(14.0 / 0.2);
    assert!((2.0..0.85 * fixed).contains(&begins), "{begins} {fixed}");
    assert!(!rule.may_begin(0.0, 186.0, &pool) && !rule.may_begin(0.3, 186.0, &pool));
}

#[test]
fn the_rest_is_taken_off_and_its_doubt_put_in() {
    let (rule, pool) = (rule(1.0, 186.0), pool(0.003));
    let (from, until) = (3.0, 4.0);
    let left = 14.0 * (libm::exp(-from) - libm::exp(-until));
    let measured = Measured {
        speed_mm_s: -(200.0 - left),
        u_repeat_mm_s: 0.3,
        u_mm_s: 0.5,
        half_width_mm_s: 0.9,
        turns: 6,
        seconds: 1.0,
        unsteady: false,
        short: false,
        degrees: 5.0,
    };
    let judged = rule.judge(measured, &seen(0.003, 6, (from, until)), &pool);
    assert!((judged.measured.speed_mm_s + 200.0).abs() < 0.01, "{judged:?}");
    // 0.3 % over six turns, and more for the doubt of the rest.
    let scatter = 200.0 * 0.003 / 6f64.sqrt();
    assert!(
        judged.measured.u_repeat_mm_s > scatter && judged.measured.u_repeat_mm_s < 1.6 * scatter,
        "{judged:?}"
    );
    assert!(judged.reached && judged.measured.u_mm_s > judged.measured.u_repeat_mm_s, "{judged:?}");
}

#[test]
fn blocks_that_contradict_what_is_known_stand_alone_and_need_ten() {
    let (rule, pool) = (PointRule { change: None, ..rule(1.0, 0.0) }, pool(0.001));
    let measured = |turns: u32| Measured {
        speed_mm_s: 200.0,
        u_repeat_mm_s: 0.2,
        u_mm_s: 0.2,
        half_width_mm_s: 0.45,
        turns,
        seconds: 1.0,
        unsteady: false,
        short: false,
        degrees: 5.0,
    };
    // Ten times the variance that is known.
    let wild = |turns: u32| rule.judge(measured(turns), &seen(0.0032, turns, (0.0, 1.0)), &pool);
    assert!(!wild(9).reached);
    assert!(wild(10).reached);
    assert!((wild(10).measured.half_width_mm_s - 0.45).abs() < 1e-9);
    let tame = rule.judge(measured(3), &seen(0.0012, 3, (0.0, 1.0)), &pool);
    assert!(tame.reached && tame.measured.half_width_mm_s < 0.3, "{tame:?}");
    // Nothing known: ten.
    let none = TurnScatter::default();
    assert!(!rule.judge(measured(9), &seen(0.001, 9, (0.0, 1.0)), &none).reached);
    assert!(rule.judge(measured(10), &seen(0.001, 10, (0.0, 1.0)), &none).reached);
}

#[test]
fn the_guard_notices_a_wrong_time_constant_and_a_jump_and_little_else() {
    let pool = pool(0.003);
    let found = |learned: f64, speeds: (f64, f64), jump: (f64, f64), seed: u64| {
        let rule = rule(learned, speeds.0);
        let way = way(speeds, 1.0, 0.003, 6.0, jump, seed);
        rule.guard(&way, 0.0, -speeds.1, &seen(0.003, 20, (0.0, 1.0)), &pool)
    };
    let never = (1e9, 0.0);
    let count = |wanted: fn(&Option<Off>) -> bool, learned: f64, speeds: (f64, f64), jump: (f64, f64)| {
        (0..100).filter(|seed| wanted(&found(learned, speeds, jump, *seed))).count()
    };
    for speeds in [(36.0, 50.0), (50.0, 36.0), (186.0, 200.0), (366.0, 380.0)] {
        // As learned: hardly ever an alarm. Learned 40 % too low: noticed, and what for is known.
        let false_ones = count(Option::is_some, 1.0, speeds, never);
        assert!(false_ones <= 8, "{speeds:?}: {false_ones} false alarms of 100");
        let longer = count(
            |off| matches!(off, Some(Off::Response { factor }) if (1.3..2.2).contains(factor)),
            0.6,
            speeds,
            never,
        );
        assert!(longer >= 80, "{speeds:?}: {longer} of 100 noticed");
    }
    // One per cent faster from the fifth second on (after the response has had its time).
    let mut rule = rule(0.19, 186.0);
    rule.change = None;
    let jumps = (0..100).filter(|seed| {
        let way = way((200.0, 200.0), 1.0, 0.003, 8.0, (5.0, 0.01), *seed);
        rule.guard(&way, 0.0, 200.0, &seen(0.003, 20, (0.0, 1.0)), &pool) == Some(Off::Jump)
    });
    let jumps = jumps.count();
    assert!(jumps >= 95, "{jumps} of 100 jumps noticed");
}

/// Twenty-eight points upwards at a true time constant of 1 s, learned as `learned`; the worst deviation as a part of what is
/// wanted, the share beyond it, and the time constant at the end.
fn sweep(learned: f64, scatter: f64, seed: u64) -> (f64, f64, f64) {
    let mut rig = Rig::new(seed);
    let mut motion = Rig::motion();
    let mut random = Random::new(seed + 500);
    let (mut turn, mut factor) = (0.0, 1.0);
    let mut step = |rig: &mut Rig, motion: &mut Motion, speed: f64| {
        // The rig takes whole turns off: a smaller angle than before is a new turn.
        let (at, sample) = rig.next(speed * factor);
        motion.take(at, sample);
        if rig.turns < turn {
            factor = 1.0 + scatter * random.normal();
        }
        turn = rig.turns;
        at
    };
    rig.ready(&mut motion, 230.0);
    let known = pool(scatter);
    let mut point = rule(learned, 0.0);
    let (mut from, mut worst, mut beyond) = (3.0, 0.0_f64, 0.0);
    for step_no in 1..=28 {
        let to = 13.67 * f64::from(step_no);
        for _ in 0..100 {
            step(&mut rig, &mut motion, from);
        }
        let origin = rig.time_s;
        motion.begin_trace(rig.at(0.0));
        if let Some((_, change)) = &mut point.change {
            change.before_mm_s = from;
        }
        let (mut measuring, mut from_s, mut tries) = (false, 0.0, 0);
        let found = loop {
            let t = rig.time_s - origin;
            step(&mut rig, &mut motion, to + (from - to) * libm::exp(-t));
            let t = rig.time_s - origin;
            assert!(t < 60.0);
            if !measuring {
                let seen = motion.glance().map_or(0.0, |glance| glance.speed_mm_s);
                measuring = point.may_begin(t, seen, &known);
                if measuring {
                    motion.begin_measure();
                }
                continue;
            }
            let Some(look) = point.look(&motion, &known, from_s).filter(|look| look.judged.reached) else {
                continue;
            };
            let Some(off) = look.off.filter(|_| tries < 3) else { break look.judged.measured.speed_mm_s };
            if let Some((response, _)) = point.change.as_mut() {
                let mut learned = *response;
                point.relearn(off, look.judged.measured.speed_mm_s, &mut learned);
                point.change = point.change.map(|(_, change)| (learned, change));
            }
            (tries, from_s) = (tries + 1, t);
            motion.begin_measure();
        };
        motion.end_measure();
        let part = (found.abs() - to).abs() / point.wanted.at(to);
        worst = worst.max(part);
        beyond += f64::from(u8::from(part > 1.0)) / 28.0;
        from = to;
    }
    (worst, beyond, point.change.map_or(0.0, |(response, _)| response.rising.tau_s))
}

#[test]
fn a_time_constant_learned_forty_per_cent_too_low_gives_no_wrong_results() {
    // At the figures of `standards/measurement.md` 12.D: 0.3 % scatter, line to 120 km/h in H0, half a per cent wanted.
    for learned in [0.6, 1.0, 1.5] {
        let (mut worst, mut beyond, mut ends) = (0.0_f64, 0.0, Vec::new());
        for seed in 0..10 {
            let (most, part, tau_s) = sweep(learned, 0.003, seed);
            worst = worst.max(most);
            beyond += part / 10.0;
            ends.push(tau_s);
        }
        assert!(beyond <= 0.015 && worst < 1.5, "{learned}: {beyond} beyond, worst {worst}, {ends:?}");
        assert!(ends.iter().all(|tau_s| (0.75..1.35).contains(tau_s)), "{learned}: {ends:?}");
    }
}
