//! The sensor's lines against a wheel that is moved by hand.
use super::super::demo_engines;
use super::*;

fn still() -> SensorSim {
    SensorSim { noise: 0.0, ..demo_engines::lapwing(1).sensor }
}

#[test]
fn the_counter_wraps_at_32_bits_and_a_fast_clock_samples_early() {
    let spec = SensorSim { clock_ppm: 10_000.0, start_us: u32::MAX - 7000, rate_hz: 200, ..still() };
    let mut sensor = Sensor::new(spec, 1);
    assert_eq!(sensor.connect(BenchTime::ZERO), b"t_us,bx,by,bz\n");
    let mut stamps = Vec::new();
    for _ in 0..3 {
        stamps.push(sensor.stamp(sensor.due_us()));
        sensor.line(Wheel::default());
    }
    assert_eq!(stamps, [u32::MAX - 2000, 2999, 7999]);
    let due = sensor.next_line().unwrap().as_secs_f64();
    assert!((due - 4.0 * 0.005 / 1.01).abs() < 1e-8, "{due}");
}

#[test]
fn a_day_of_samples_keeps_its_grid() {
    let mut sensor = Sensor::new(still(), 1);
    sensor.connect(BenchTime::from_millis(24 * 3600 * 1000));
    let rate = 1.0 + sensor.spec.clock_ppm * 1e-6;
    let due = sensor.next_line().unwrap().as_secs_f64();
    assert!(due > 86_400.0 && due <= 86_400.005_1, "{due}");
    let own_us = (due * rate * 1e6 + f64::from(sensor.spec.start_us)).rem_euclid(4_294_967_296.0);
    assert!((own_us - f64::from(sensor.stamp(sensor.due_us()))).abs() < 2.0, "{own_us}");
}

#[test]
fn the_header_comes_again_where_the_recipe_says_so() {
    let mut sensor = Sensor::new(SensorSim { header_every: 2, ..still() }, 1);
    sensor.connect(BenchTime::ZERO);
    let lines: Vec<u8> = (0..5).flat_map(|_| sensor.line(Wheel::default())).collect();
    assert_eq!(String::from_utf8(lines).unwrap().matches("t_us").count(), 2);
}
