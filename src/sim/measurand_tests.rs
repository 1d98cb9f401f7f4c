//! What the sensor tells, in every form, against the truth of the bench. Lines are taken apart by hand here.
use super::tests::{Talk, samples};
use super::*;
use serde_json::Value;
use std::time::Duration;

const CIRCUMFERENCE_MM: f64 = 33.0;

/// Avocet with a sensor that tells `measurand`, its magnet or marks evenly placed, without noise.
fn avocet(measurand: Measurand) -> SimSpec {
    let mut spec = demo_engines::avocet(2);
    spec.sensor =
        SensorSim { measurand, noise: 0.0, turn_error_rad: 0.0, clock_ppm: 0.0, start_us: 0, ..spec.sensor };
    spec
}

/// It runs at `step`, and somebody listens.
fn running(spec: SimSpec, step: i32) -> Talk {
    let (mut talk, conn) = Talk::ready(spec, 7);
    talk.ask(conn, &format!("SET 1 GL 7 1 {step} 126"));
    talk.run(Duration::from_secs(4));
    talk.bench.sensor_connected();
    talk
}

fn drive(talk: &mut Talk, forward: bool, step: u16) {
    let conn = talk.command_session();
    talk.ask(conn, &format!("SET 1 GL 7 {} {step} 126", u8::from(forward)));
    talk.run(Duration::from_secs(3));
}

/// Stamp and first value of the last line that has come.
fn last(talk: &Talk) -> (u32, f64) {
    let (stamp, values) = samples(&talk.sensor).pop().unwrap();
    (stamp, values[0])
}

fn turns(talk: &Talk) -> f64 {
    talk.bench.truth().position_mm / CIRCUMFERENCE_MM
}

#[test]
fn polled_pulses_are_the_turns_that_truth_has() {
    for a_turn in [1, 20, 1000] {
        for sees_direction in [true, false] {
            let lines = PulseLines::Polled;
            let mut talk = running(avocet(Measurand::Pulses { a_turn, sees_direction, lines }), 60);
            talk.run(Duration::from_secs(10));
            assert!(talk.sensor.starts_with(b"t_us,pulses\n"));
            let there = turns(&talk) * f64::from(a_turn);
            // A line is at most 5 ms old: 300 mm/s, 1.5 mm.
            let slack = 1.0 + f64::from(a_turn) * 0.05;
            assert!((last(&talk).1 - there).abs() <= slack, "{:?} {there}", last(&talk));
            drive(&mut talk, false, 60);
            drive(&mut talk, false, 0);
            let back = turns(&talk) * f64::from(a_turn);
            // It turned where it was furthest: not seen here, so only the sign of what follows is held.
            let seen = last(&talk).1;
            if sees_direction {
                assert!((seen - back).abs() <= 1.0, "{seen} {back}");
            } else {
                assert!(seen > there && back < there + slack, "{seen} {back} {there}");
            }
            assert!(samples(&talk.sensor).len() > 3000, "a line a sample");
        }
    }
}

#[test]
fn a_line_comes_at_each_pulse_and_now_and_then_without() {
    let lines = PulseLines::AtEach { idle: Duration::from_millis(250) };
    let mut talk = running(avocet(Measurand::Pulses { a_turn: 20, sees_direction: true, lines }), 60);
    let start = turns(&talk);
    talk.run(Duration::from_secs(10));
    let run = samples(&talk.sensor);
    let speed = (turns(&talk) - start) / 10.0;
    assert!((run.len() as f64 - 10.0 * speed * 20.0).abs() <= 1.0, "{} lines, {speed} turns/s", run.len());
    assert!(run.windows(2).all(|two| (two[1].1[0] - two[0].1[0] - 1.0).abs() < 1e-9 && two[1].0 > two[0].0));
    // Stamps are the instants of the pulses: their spacing is the speed, which changes by its ripple only.
    let spacing = 1e6 / (speed * 20.0);
    let even = run.windows(2).all(|two| (f64::from(two[1].0 - two[0].0) / spacing - 1.0).abs() < 0.03);
    assert!(even, "{spacing}");
    drive(&mut talk, true, 0);
    talk.sensor.clear();
    talk.run(Duration::from_secs(10));
    let idle = samples(&talk.sensor);
    assert_eq!(idle.len(), 40);
    assert!(idle.windows(2).all(|two| two[1].1 == two[0].1 && two[1].0 - two[0].0 == 250_000));
    assert!(talk.bench.next_event().since(talk.now) <= Duration::from_millis(1), "pulses can't be foreseen");
}

/// Everything that comes out, with time cut into the given steps, ms.
fn cut(spec: SimSpec, steps: &[u64]) -> Vec<u8> {
    let mut talk = running(spec, 90);
    let mut steps = steps.iter().cycle();
    let until = talk.now + Duration::from_secs(5);
    while talk.now < until {
        let step = Duration::from_micros(*steps.next().unwrap());
        talk.run(step.min(until.since(talk.now)));
    }
    talk.sensor
}

#[test]
fn how_time_is_cut_changes_no_pulse() {
    for lines in [PulseLines::Polled, PulseLines::AtEach { idle: Duration::from_millis(100) }] {
        let spec = avocet(Measurand::Pulses { a_turn: 7, sees_direction: false, lines });
        let whole = cut(spec.clone(), &[5_000_000]);
        assert_eq!(cut(spec.clone(), &[170, 3000, 999]), whole);
        assert!(whole.len() > 3000);
    }
}

#[test]
fn way_speed_and_angle_are_those_of_truth_rounded() {
    let mut talk = running(avocet(Measurand::Distance { resolution_m: 0.0005 }), 60);
    talk.run(Duration::from_secs(10));
    let way_m = talk.bench.truth().position_mm / 1000.0;
    assert!(talk.sensor.starts_with(b"t_us,distance_m\n"));
    assert!((last(&talk).1 - way_m).abs() < 0.002, "{:?} {way_m}", last(&talk));
    let steps = samples(&talk.sensor)
        .iter()
        .all(|(_, way)| (way[0] * 2000.0 - (way[0] * 2000.0).round()).abs() < 1e-6);
    assert!(steps, "multiples of half a millimetre");

    let mut talk = running(avocet(Measurand::Speed { resolution_m_s: 0.001 }), 60);
    let start = talk.bench.truth().position_mm;
    talk.run(Duration::from_secs(10));
    let speed = (talk.bench.truth().position_mm - start) / 1e4;
    let told = samples(&talk.sensor);
    let mean = told.iter().map(|(_, value)| value[0]).sum::<f64>() / told.len() as f64;
    assert!((mean / speed - 1.0).abs() < 0.002, "{mean} {speed}");
    drive(&mut talk, false, 60);
    assert!((last(&talk).1 + speed).abs() < 0.05 * speed, "reverse is negative");

    for turns_counted in [true, false] {
        let resolution_rad = std::f64::consts::TAU / 4096.0;
        let mut talk = running(avocet(Measurand::Angle { resolution_rad, turns_counted }), 60);
        talk.run(Duration::from_secs(10));
        // Of the last line, which is up to 5 ms old.
        let truth_rad = turns(&talk) * std::f64::consts::TAU;
        let told = samples(&talk.sensor);
        let highest = told.iter().map(|(_, value)| value[0]).fold(0.0, f64::max);
        if turns_counted {
            assert!((last(&talk).1 - truth_rad).abs() < 0.4, "{:?} {truth_rad}", last(&talk));
        } else {
            let off = (last(&talk).1 - truth_rad).rem_euclid(std::f64::consts::TAU);
            assert!(!(0.4..std::f64::consts::TAU - 0.4).contains(&off), "{off}");
            assert!(highest > 6.0 && highest < std::f64::consts::TAU + 0.001, "{highest}");
        }
    }
}

/// The field of three pairs of poles crosses its mean six times a turn, however unequal the poles.
#[test]
fn three_pairs_of_poles_cross_six_times_a_turn() {
    let mut spec = avocet(Measurand::Field { pole_pairs: 3, uneven: 0.1 });
    spec.sensor.offsets = [0.0; 3];
    spec.sensor.turn_error_rad = 0.2;
    let mut talk = running(spec, 20);
    let start = turns(&talk);
    talk.run(Duration::from_secs(20));
    let field = samples(&talk.sensor);
    let crossings = field.windows(2).filter(|two| (two[0].1[0] < 0.0) != (two[1].1[0] < 0.0)).count();
    let turns = turns(&talk) - start;
    assert!((crossings as f64 / 6.0 - turns).abs() <= 0.5, "{crossings} {turns}");
}

/// A record with its base fields resolved: time (none where none is told), name, unit, value. RFC 8428, section 4.6.
fn resolved(pack: &str) -> Vec<(Option<f64>, String, String, f64)> {
    let pack: Vec<Value> = serde_json::from_str(pack).unwrap();
    let first = pack[0].clone();
    let (base_name, base_unit) = (first["bn"].as_str().unwrap(), first["bu"].as_str().unwrap());
    assert_eq!(base_name, "wrenfield-bench-1:");
    let records = pack.iter().map(|record| {
        let time = match (first["bt"].as_f64(), record["t"].as_f64()) {
            (None, None) => None,
            (base, own) => Some(base.unwrap_or(0.0) + own.unwrap_or(0.0)),
        };
        let unit = record["u"].as_str().unwrap_or(base_unit).to_owned();
        (time, record["n"].as_str().unwrap().to_owned(), unit, record["v"].as_f64().unwrap())
    });
    records.collect()
}

/// The same bench in CSV and in `SenML`: the same samples, in tesla, at the same times.
#[test]
fn senml_tells_what_csv_tells() {
    let spec = avocet(Measurand::Field { pole_pairs: 1, uneven: 0.0 });
    let mut csv = running(spec.clone(), 60);
    csv.run(Duration::from_secs(2));
    let expected = samples(&csv.sensor);
    for (times, pack_of) in [
        (SenMlTimes::Absolute { epoch_s: 1_790_000_000 }, 1),
        (SenMlTimes::Absolute { epoch_s: 1_790_000_000 }, 4),
        (SenMlTimes::Relative, 8),
        (SenMlTimes::Untold, 1),
    ] {
        let mut spec = spec.clone();
        spec.sensor.form = LineForm::SenMl { times, samples: pack_of };
        let mut talk = running(spec, 60);
        talk.run(Duration::from_secs(2));
        let text = String::from_utf8(talk.sensor.clone()).unwrap();
        let packs: Vec<_> = text.lines().map(resolved).collect();
        assert_eq!(packs.len(), expected.len() / usize::from(pack_of), "{times:?}");
        let of_pack = expected.chunks_exact(pack_of.into());
        for (pack, samples) in packs.iter().zip(of_pack) {
            assert_eq!(pack.len(), 3 * samples.len());
            let sent = f64::from(samples.last().unwrap().0) / 1e6;
            for (axes, (stamp, field)) in pack.chunks_exact(3).zip(samples) {
                for ((axis, name), value) in axes.iter().zip(["bx", "by", "bz"]).zip(field) {
                    assert_eq!((axis.1.as_str(), axis.2.as_str()), (name, "T"));
                    assert!((axis.3 * 1e6 - value).abs() < 1e-6, "{axis:?} {value}");
                    let seconds = f64::from(*stamp) / 1e6;
                    let time = match times {
                        SenMlTimes::Absolute { .. } => axis.0.unwrap() - 1_790_000_000.0,
                        SenMlTimes::Relative => sent + axis.0.unwrap_or(0.0),
                        SenMlTimes::Untold => {
                            assert_eq!(axis.0, None);
                            continue;
                        }
                    };
                    assert!((time - seconds).abs() < 1e-6, "{times:?}: {time} {seconds}");
                }
            }
        }
    }
}

#[test]
fn other_measurands_have_their_names_and_units_in_senml() {
    let lines = PulseLines::Polled;
    for (measurand, name, unit) in [
        (Measurand::Angle { resolution_rad: 0.001, turns_counted: false }, "angle_rad", "rad"),
        (Measurand::Distance { resolution_m: 0.0001 }, "distance_m", "m"),
        (Measurand::Speed { resolution_m_s: 0.0001 }, "speed_m_s", "m/s"),
        (Measurand::Pulses { a_turn: 20, sees_direction: true, lines }, "pulses", "count"),
    ] {
        let mut spec = avocet(measurand);
        spec.sensor.form = LineForm::SenMl { times: SenMlTimes::Untold, samples: 1 };
        (spec.sensor.battery_v, spec.sensor.temperature_c) = (Some(3.9), Some(21.0));
        let mut talk = running(spec, 60);
        talk.run(Duration::from_secs(1));
        let text = String::from_utf8(talk.sensor.clone()).unwrap();
        let pack = resolved(text.lines().last().unwrap());
        let told: Vec<_> = pack.iter().map(|record| (record.1.as_str(), record.2.as_str())).collect();
        assert_eq!(told, [(name, unit), ("battery_v", "V"), ("temperature_c", "Cel")]);
        assert!(pack[0].3 > 0.0 && (pack[1].3 - 3.9).abs() < 0.001 && pack[2].3 > 21.0, "{pack:?}");
    }
}

#[test]
fn a_battery_falls_and_a_sensor_gets_warmer() {
    let mut spec = avocet(Measurand::Speed { resolution_m_s: 0.001 });
    (spec.sensor.battery_v, spec.sensor.temperature_c) = (Some(3.9), Some(21.0));
    let mut talk = Talk::new(spec);
    talk.run(Duration::from_secs(2 * 3600));
    talk.bench.sensor_connected();
    talk.run(Duration::from_millis(50));
    assert!(talk.sensor.starts_with(b"t_us,speed_m_s,battery_v,temperature_c\n"));
    let (_, values) = samples(&talk.sensor).pop().unwrap();
    assert_eq!(values, [0.0, 3.9 - 2.0 * BATTERY_FALL_V_H, 21.0 + SELF_HEATING_K]);
}

#[test]
fn a_restarted_sensor_begins_anew() {
    for measurand in [
        Measurand::Distance { resolution_m: 0.001 },
        Measurand::Pulses { a_turn: 20, sees_direction: true, lines: PulseLines::Polled },
        Measurand::Pulses {
            a_turn: 20,
            sees_direction: true,
            lines: PulseLines::AtEach { idle: Duration::from_millis(100) },
        },
    ] {
        let mut talk = running(avocet(measurand), 60);
        talk.run(Duration::from_secs(2));
        let before = last(&talk);
        talk.sensor.clear();
        talk.bench.apply(SimFault::SensorRestarts(Duration::from_secs(3)));
        talk.run(Duration::from_millis(2999));
        assert_eq!(talk.sensor, b"", "without power");
        talk.run(Duration::from_millis(1001));
        let text = String::from_utf8(talk.sensor.clone()).unwrap();
        assert_eq!(text.lines().filter(|line| line.starts_with("t_us")).count(), 1, "one header");
        let after = samples(&talk.sensor);
        assert!(talk.sensor.starts_with(b"t_us,") && after[0].0 <= 50_000, "{after:?}");
        assert!(after[0].1[0].abs() <= 1.0, "{after:?}");
        let (stamp, value) = last(&talk);
        assert!((900_000..1_001_000).contains(&stamp) && value < before.1, "{stamp} {value}");
        assert!(value > 0.0);
    }
}

#[test]
fn lines_come_twice_get_lost_and_come_in_bursts() {
    let mut talk = running(avocet(Measurand::Speed { resolution_m_s: 0.001 }), 60);
    let second = Duration::from_secs(1);
    let stamps = |talk: &mut Talk| {
        talk.sensor.clear();
        talk.run(second);
        samples(&talk.sensor).into_iter().map(|(stamp, _)| stamp).collect::<Vec<u32>>()
    };
    talk.bench.apply(SimFault::SensorRepeats { share: 0.5, lasts: second });
    let twice = stamps(&mut talk);
    assert!((250..350).contains(&twice.len()), "{}", twice.len());
    assert!(twice.windows(2).all(|two| [0, 5000].contains(&(two[1] - two[0]))));
    talk.bench.apply(SimFault::SensorSkips { share: 0.5, lasts: second });
    let some = stamps(&mut talk);
    assert!((60..140).contains(&some.len()), "{}", some.len());
    talk.bench.apply(SimFault::SensorStalls(second * 2));
    talk.run(Duration::from_millis(6));
    assert!(stamps(&mut talk).is_empty());
    let burst = stamps(&mut talk);
    assert!((395..=402).contains(&burst.len()), "{}", burst.len());
    assert!(burst.windows(2).all(|two| two[1] - two[0] == 5000), "in order and whole");
    assert!((199..=201).contains(&stamps(&mut talk).len()), "well again");
}

#[test]
fn what_a_sensor_kept_comes_before_what_is() {
    let old = Duration::from_secs(3600);
    let mut talk = Talk::new(avocet(Measurand::Distance { resolution_m: 0.001 }));
    talk.run(Duration::from_secs(7200));
    talk.bench.apply(SimFault::SensorBacklog { samples: 1000, old });
    talk.bench.sensor_connected();
    talk.run(Duration::from_millis(100));
    let all = samples(&talk.sensor);
    let (kept, live) = all.split_at(1000);
    let now = u32::try_from(7_200_000_000_u64 % (1 << 32)).unwrap();
    let age = |stamp: u32| f64::from(now.wrapping_sub(stamp));
    assert!((age(kept[0].0) - 3.6e9).abs() < 1e4, "{:?}", kept[0]);
    assert!((age(kept[999].0) - 3.595e9).abs() < 1e4, "{:?}", kept[999]);
    let fresh = live.iter().all(|(stamp, _)| stamp.wrapping_sub(now) <= 100_000);
    assert!((19..=21).contains(&live.len()) && fresh, "{live:?}");
    talk.bench.sensor_gone();
    talk.bench.sensor_connected();
    talk.sensor.clear();
    talk.run(Duration::from_millis(100));
    assert!(samples(&talk.sensor).len() <= 21, "it is told once");
}
