//! The stated doubt against the error, for every kind of source: seeded axles at steady speed.
use super::super::testing::{CIRCUMFERENCE, Lines, Random, Rig, Told, motion};
use super::*;
use crate::sensor::{Reading, Source, Stamp};

/// Root mean square of error over the doubt of what repeats, with that of resolution, over seeded axles. Each turns `before`
/// times at each of five speeds, then `turns` times at the one to measure.
fn honesty(seeds: u64, speed: f64, (before, turns): (f64, f64), make: impl Fn(u64) -> Told) -> f64 {
    let (mut square, mut count) = (0.0, 0.0);
    for seed in 0..seeds {
        let mut told = make(seed);
        let speed = speed * (0.97 + 0.06 * told.random.unit());
        let mut motion = motion(told.source);
        told.run(&mut motion, 0.0, 1.0);
        // Several speeds, as a run has, then the one to measure.
        for part in [1.6, 0.6, 1.3, 0.8, 1.0] {
            told.run(&mut motion, part * speed, before * CIRCUMFERENCE / speed);
        }
        motion.begin_measure();
        let more = told.random.unit();
        told.turn(&mut motion, turns + more);
        let measured = motion.measured().expect("blocks");
        assert!(measured.speed_mm_s > 0.0 && measured.u_mm_s >= measured.u_repeat_mm_s);
        let u = libm::hypot(measured.u_repeat_mm_s, motion.u_resolution_mm_s());
        let off = (measured.speed_mm_s - speed) / u;
        (square, count) = (square + off * off, count + 1.0);
    }
    let count: f64 = count;
    (square / count).sqrt()
}

fn all_good(table: &[(String, bool)]) {
    assert!(table.iter().all(|(_, good)| *good), "{table:#?}");
}

#[test]
fn pulses_polled() {
    let mut table = Vec::new();
    for (a_turn, rate, speed, uneven) in [
        (1, 50.0, 20.0, 0.0),
        (1, 100.0, 200.0, 0.0),
        (4, 50.0, 60.0, 0.2),
        (4, 20.0, 150.0, 0.2),
        (20, 100.0, 15.0, 0.0),
        (20, 50.0, 100.0, 0.0),
        (20, 50.0, 380.0, 0.0),
        (100, 20.0, 100.0, 0.0),
    ] {
        let make = |seed| Told { uneven, ..Told::new(Source::Pulses { a_turn }, Lines::Polled(rate), seed) };
        let rms = honesty(60, speed, (9.0, 12.0), make);
        table
            .push((format!("{a_turn} a turn, {rate} Hz, {speed} mm/s: {rms:.3}"), (0.6..1.4).contains(&rms)));
    }
    all_good(&table);
}

#[test]
fn thousands_of_pulses_polled() {
    let make = |seed| Told::new(Source::Pulses { a_turn: 4096 }, Lines::Polled(50.0), seed);
    let rms = honesty(12, 100.0, (9.0, 8.0), make);
    assert!((0.5..1.4).contains(&rms), "{rms}");
}

#[test]
fn a_line_for_each_pulse() {
    let mut table = Vec::new();
    for (a_turn, speed, uneven) in [(1, 50.0, 0.0), (1, 300.0, 0.0), (4, 40.0, 0.2), (20, 60.0, 0.0)] {
        let exact =
            |seed| Told { uneven, ..Told::new(Source::Pulses { a_turn }, Lines::EachPulse(0.7), seed) };
        // Stamped when they happen: no more than the microsecond of the stamps is in doubt, or a share of it.
        let rms = honesty(20, speed, (25.0, 12.0), exact);
        table.push((format!("{a_turn} a turn, {speed} mm/s: {rms:.3}"), rms < 1.4));
        // Timed by arrival, with a delay of 4 ms on average.
        let late = |seed| Told { delay_s: 0.004, ..exact(seed) };
        let rms = honesty(60, speed, (25.0, 12.0), late);
        // Where the delays are not small against the interval of lines, they can't be told from polling: more is stated.
        let good = (if a_turn < 20 { 0.6 } else { 0.3 }..1.4).contains(&rms);
        table.push((format!("{a_turn} a turn, {speed} mm/s, by arrival: {rms:.3}"), good));
    }
    all_good(&table);
}

#[test]
fn a_line_for_each_pulse_is_worth_more_than_polling() {
    let doubt = |lines| {
        let mut told = Told::new(Source::Pulses { a_turn: 1 }, lines, 5);
        let mut motion = motion(told.source);
        told.run(&mut motion, 0.0, 1.0);
        for speed in [60.0, 90.0, 120.0, 70.0, 100.0] {
            told.run(&mut motion, speed, 20.0);
        }
        motion.begin_measure();
        told.turn(&mut motion, 12.5);
        let measured = motion.measured().expect("blocks");
        measured.u_repeat_mm_s / measured.speed_mm_s
    };
    let (exact, polled) = (doubt(Lines::EachPulse(0.5)), doubt(Lines::Polled(20.0)));
    assert!(exact < 1e-5 && polled > 1e-3, "{exact} {polled}");
}

#[test]
fn a_way_in_steps() {
    let mut table = Vec::new();
    for (resolution_mm, rate, speed, delay_s) in [
        (1.0, 50.0, 20.0, 0.0),
        (1.0, 10.0, 100.0, 0.0),
        (1.0, 50.0, 300.0, 0.0),
        (0.1, 20.0, 50.0, 0.0),
        (10.0, 50.0, 100.0, 0.0),
        (0.01, 50.0, 100.0, 0.005),
        (1.0, 20.0, 100.0, 0.005),
    ] {
        let make = |seed| Told {
            delay_s,
            ..Told::new(Source::Distance { resolution_mm }, Lines::Polled(rate), seed)
        };
        let rms = honesty(60, speed, (9.0, 12.0), make);
        let good = (0.6..1.4).contains(&rms);
        table.push((format!("{resolution_mm} mm, {rate} Hz, {speed} mm/s, {delay_s} s: {rms:.3}"), good));
    }
    all_good(&table);
}

#[test]
fn an_angle_in_steps() {
    let degree = TURN / 360.0;
    let mut table = Vec::new();
    for (resolution_rad, rate, speed, delay_s) in [
        (degree, 50.0, 20.0, 0.0),
        (degree, 50.0, 200.0, 0.0),
        (15.0 * degree, 50.0, 60.0, 0.0),
        (TURN / 4096.0, 100.0, 100.0, 0.0),
        (TURN / 4096.0, 100.0, 100.0, 0.003),
    ] {
        let make =
            |seed| Told { delay_s, ..Told::new(Source::Angle { resolution_rad }, Lines::Polled(rate), seed) };
        let rms = honesty(40, speed, (9.0, 12.0), make);
        let good = (0.6..1.4).contains(&rms);
        table
            .push((format!("{resolution_rad:.4} rad, {rate} Hz, {speed} mm/s, {delay_s} s: {rms:.3}"), good));
    }
    all_good(&table);
}

#[test]
fn a_speed_in_steps() {
    let mut table = Vec::new();
    for (resolution_mm_s, rate, speed, delay_s) in
        [(1.0, 10.0, 50.0, 0.0), (5.0, 2.0, 100.0, 0.0), (0.1, 50.0, 300.0, 0.0), (1.0, 10.0, 50.0, 0.01)]
    {
        let make = |seed| Told {
            delay_s,
            ..Told::new(Source::Speed { resolution_mm_s }, Lines::Polled(rate), seed)
        };
        let rms = honesty(150, speed, (9.0, 8.0), make);
        let good = (0.6..1.4).contains(&rms);
        table.push((format!("{resolution_mm_s} mm/s, {rate} Hz, {speed} mm/s: {rms:.3}"), good));
    }
    all_good(&table);
}

#[test]
fn a_field_timed_by_arrival() {
    let mut table = Vec::new();
    for (delay_s, speed) in [(0.002, 100.0), (0.004, 30.0), (0.0005, 300.0)] {
        let (mut square, mut count) = (0.0, 0.0);
        for seed in 0..40 {
            let (mut rig, mut motion) = (Rig::new(seed), Rig::motion());
            let mut random = Random::new(seed + 77);
            let mut feed = |motion: &mut Motion, speed: f64, seconds: f64| {
                let until = rig.time_s + seconds;
                while rig.time_s < until - 1e-9 {
                    let (_, sample) = rig.next(speed);
                    let at = rig.at(-delay_s * libm::log(1.0 - random.unit()));
                    motion.take(at, Sample { stamp: Stamp::SinceSendingUs(0), ..sample });
                }
            };
            feed(&mut motion, 0.0, 2.0);
            feed(&mut motion, speed, 3.5 * CIRCUMFERENCE / speed + 0.5);
            motion.begin_measure();
            feed(&mut motion, speed, 16.2 * CIRCUMFERENCE / speed);
            let measured = motion.measured().expect("blocks");
            let off = (measured.speed_mm_s.abs() - speed) / measured.u_repeat_mm_s;
            (square, count) = (square + off * off, count + 1.0_f64);
            // The clock is this computer's: a crystal of 20 ppm, evenly spread.
            assert!(!motion.clock_rate().corrected && motion.clock_rate().u_rel < 12e-6);
        }
        let rms = (square / count).sqrt();
        table.push((format!("{delay_s} s, {speed} mm/s: {rms:.3}"), (0.6..1.4).contains(&rms)));
    }
    all_good(&table);
}

#[test]
fn poles_of_unequal_strength_cancel_over_turns_of_the_axle() {
    let mut table = Vec::new();
    for (pole_pairs, uneven) in [(1_u16, 0.0), (2, 0.1), (4, 0.15), (6, 0.1)] {
        let (mut square, mut count, mut worst) = (0.0, 0.0, 0.0_f64);
        for seed in 0..25 {
            let mut rig = Rig::new(seed);
            (rig.pairs, rig.uneven, rig.rate_hz) = (f64::from(pole_pairs), uneven, 400.0);
            let mut motion = motion(Source::Field { pole_pairs });
            let speed = 60.0 + seed as f64;
            rig.ready(&mut motion, speed);
            motion.begin_measure();
            let before = motion.distance_mm();
            rig.run(&mut motion, speed, 16.2 * CIRCUMFERENCE / speed);
            let way = motion.distance_mm() - before;
            assert!((way / (16.2 * CIRCUMFERENCE) - 1.0).abs() < 0.01, "{way}");
            let glance = motion.glance().expect("a glance");
            assert!((glance.speed_mm_s.abs() / speed - 1.0).abs() < 0.05, "{pole_pairs} pairs: {glance:?}");
            let measured = motion.measured().expect("blocks");
            assert!((14..=16).contains(&measured.turns), "{measured:?}");
            let error = measured.speed_mm_s.abs() / speed - 1.0;
            worst = worst.max(error.abs());
            let off = error * speed / measured.u_repeat_mm_s;
            (square, count) = (square + off * off, count + 1.0_f64);
        }
        let rms = (square / count).sqrt();
        let good = (0.4..1.4).contains(&rms) && worst < 5e-4;
        table.push((format!("{pole_pairs} pairs, {uneven}: {rms:.3}, worst {worst:.1e}"), good));
    }
    all_good(&table);
}

#[test]
fn a_measured_speed_holds_the_resolution_once() {
    // GUM 4.3.7: half-width q/2, evenly spread: q / sqrt(12) = 0.288675 of q.
    let mut told = Told::new(Source::Speed { resolution_mm_s: 2.0 }, Lines::Polled(10.0), 1);
    let mut motion = motion(told.source);
    told.run(&mut motion, -50.6, 10.0);
    motion.begin_measure();
    told.run(&mut motion, -50.6, 30.0);
    let measured = motion.measured().expect("blocks");
    assert!((motion.u_resolution_mm_s() - 0.577_350).abs() < 1e-6);
    assert!((measured.speed_mm_s + 50.0).abs() < 1e-6, "the sign is kept: {measured:?}");
    assert!(measured.half_width_mm_s < 1e-6 && measured.u_repeat_mm_s < 1e-6, "{measured:?}");
    let clock = motion.clock_rate().u_rel * 50.0;
    assert!((measured.u_mm_s - libm::hypot(0.577_350, clock)).abs() < 1e-5, "{measured:?}");
    assert!(matches!(told.reading(), Reading::SpeedMS(m_s) if (m_s + 0.05).abs() < 1e-9));
}

#[test]
fn a_glance_of_steps_states_its_doubt() {
    let mut table = Vec::new();
    for (source, lines, speed) in [
        (Source::Pulses { a_turn: 1 }, Lines::Polled(50.0), 60.0),
        (Source::Pulses { a_turn: 20 }, Lines::Polled(50.0), 10.0),
        (Source::Pulses { a_turn: 20 }, Lines::Polled(50.0), 60.0),
        (Source::Pulses { a_turn: 500 }, Lines::Polled(50.0), 150.0),
        (Source::Distance { resolution_mm: 1.0 }, Lines::Polled(20.0), 100.0),
        (Source::Angle { resolution_rad: TURN / 360.0 }, Lines::Polled(50.0), 40.0),
        (Source::Speed { resolution_mm_s: 1.0 }, Lines::Polled(10.0), 80.0),
    ] {
        let (mut square, mut count) = (0.0, 0.0);
        for seed in 0..20 {
            let (mut told, mut motion) = (Told::new(source, lines, seed), motion(source));
            let speed = speed * (0.97 + 0.06 * told.random.unit());
            told.run(&mut motion, 0.0, 1.0);
            told.run(&mut motion, speed, 3.0);
            for _ in 0..20 {
                told.run(&mut motion, speed, 0.2 + 0.1 * seed as f64 / 20.0);
                let glance = motion.glance().expect("a glance");
                let off = (glance.speed_mm_s - speed) / glance.u_mm_s;
                (square, count) = (square + off * off, count + 1.0_f64);
            }
        }
        let rms = (square / count).sqrt();
        table.push((format!("{source:?}, {speed} mm/s: {rms:.3}"), (0.05..1.5).contains(&rms)));
    }
    all_good(&table);
}
