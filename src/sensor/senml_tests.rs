//! Tests of `SenML` packs as samples. The values are the project's examples.
use super::*;
use crate::sensor::{Form, Housekeeping, SensorMachine, SensorStream};
use proptest::prelude::*;

const FIELD: Source = Source::Field { pole_pairs: 1 };
const SPEED: Source = Source::Speed { resolution_mm_s: 1.0 };

fn read(source: Source, text: &str) -> Vec<SensorEvent> {
    let mut sensor = SensorStream::new(Some(Form::Senml), source);
    sensor.handle_bytes(text.as_bytes());
    sensor.handle_bytes(b"\n");
    std::iter::from_fn(|| sensor.poll_event()).collect()
}

fn sample(stamp: Stamp, reading: Reading) -> SensorEvent {
    SensorEvent::Sample(Sample { stamp, reading })
}

#[test]
fn records_of_one_time_are_one_sample_and_times_are_in_order() {
    let pack = r#"[{"bn":"curlew:","bt":1764000000,"bu":"T","n":"bx","t":0.02,"v":3e-3},
        {"n":"by","t":0.01,"v":2e-3},{"n":"bx","t":0.01,"v":1e-3},{"n":"by","t":0.02,"v":4e-3}]"#
        .replace('\n', "");
    let at = |us: i64| Stamp::ClockUs(1_764_000_000_000_000 + us);
    assert_eq!(
        read(FIELD, &pack),
        [
            SensorEvent::Layout(Quantity::Field { axes: 2 }),
            sample(at(10_000), Reading::Field([1e-3, 2e-3, 0.0])),
            sample(at(20_000), Reading::Field([3e-3, 4e-3, 0.0])),
        ]
    );
}

#[test]
fn each_source_has_its_name_and_unit() {
    let cases = [
        (Source::Angle { resolution_rad: 0.01 }, "angle_rad", "rad", Quantity::Angle, Reading::AngleRad(2.5)),
        (
            Source::Distance { resolution_mm: 1.0 },
            "distance_m",
            "m",
            Quantity::Distance,
            Reading::DistanceM(2.5),
        ),
        (SPEED, "speed_m_s", "m/s", Quantity::Speed, Reading::SpeedMS(2.5)),
    ];
    for (source, name, unit, quantity, reading) in cases {
        for written in
            [name.to_owned(), format!("urn:dev:mac:0024befffe804ff1:{name}"), format!("dunlin/{name}")]
        {
            for unit in [format!(r#""u":"{unit}","#), String::new()] {
                let pack = format!(r#"[{{"n":"{written}",{unit}"v":2.5}}]"#);
                let expected = [SensorEvent::Layout(quantity), sample(Stamp::SinceSendingUs(0), reading)];
                assert_eq!(read(source, &pack), expected, "{pack}");
            }
        }
    }
    let pulses = Source::Pulses { a_turn: 12 };
    let events = read(pulses, r#"[{"n":"pulses","u":"count","v":9007199254740992,"t":-0.25}]"#);
    assert_eq!(events[1], sample(Stamp::SinceSendingUs(-250_000), Reading::Pulses(1 << 53)));
}

#[test]
fn base_fields_last_to_the_end_of_the_pack_only() {
    let events = read(
        SPEED,
        "[{\"bn\":\"dunlin:\",\"bt\":1764000000,\"n\":\"speed_m_s\",\"v\":1}]\n[{\"n\":\"speed_m_s\",\"v\":2}]",
    );
    assert_eq!(events[2..], [sample(Stamp::SinceSendingUs(0), Reading::SpeedMS(2.0))]);
}

#[test]
fn a_sensor_of_three_axes_has_three_for_good() {
    let events = read(
        FIELD,
        "[{\"n\":\"bx\",\"v\":1},{\"n\":\"by\",\"v\":2},{\"n\":\"bz\",\"v\":3}]\n[{\"n\":\"bx\",\"v\":1},{\"n\":\"by\",\"v\":2}]",
    );
    assert_eq!(events[0], SensorEvent::Layout(Quantity::Field { axes: 3 }));
    assert!(
        matches!(&events[2..], [SensorEvent::Broken(broken)] if broken.line == 2 && broken.code == "sensor-senml-incomplete"),
        "{events:?}"
    );
}

#[test]
fn battery_and_temperature_cost_no_sample() {
    let events = read(
        SPEED,
        r#"[{"n":"battery_v","u":"mV","v":3900},{"n":"temperature_c","u":"Cel","v":21.5},{"n":"speed_m_s","v":1}]"#,
    );
    assert!(
        matches!(&events[0], SensorEvent::Broken(broken) if broken.code == "sensor-housekeeping"),
        "{events:?}"
    );
    let own = Housekeeping { battery_v: None, temperature_c: Some(21.5) };
    assert_eq!(events[1], SensorEvent::Housekeeping(own));
    assert_eq!(events[3], sample(Stamp::SinceSendingUs(0), Reading::SpeedMS(1.0)));
}

#[test]
fn a_bad_record_costs_its_sample_alone() {
    let events = read(
        SPEED,
        r#"[{"n":"speed_m_s","v":1,"t":-3},{"n":"speed_m_s","vs":"2","t":-2},{"n":"speed_m_s","v":3,"t":-1}]"#,
    );
    let speeds: Vec<_> = events.iter().filter(|event| matches!(event, SensorEvent::Sample(_))).collect();
    assert_eq!(speeds.len(), 2);
    assert!(
        matches!(events.last(), Some(SensorEvent::Broken(broken)) if broken.code == "sensor-line-number")
    );
}

/// Section 4.5.3 of RFC 8428: from 2^28 on a time is absolute.
#[test]
fn the_bound_between_now_and_unix_time() {
    let bound = 1_i64 << 28;
    assert_eq!(when(268_435_456.0).ok(), Some((true, bound * 1_000_000)));
    assert_eq!(when(268_435_455.0).map_err(|fault| fault.0.code), Err("sensor-senml-time-ahead"));
    assert_eq!(when(0.0).ok(), Some((false, 0)));
    assert_eq!(when(-1.5).ok(), Some((false, -1_500_000)));
    for far in [1.764e12, -1e12, f64::INFINITY, f64::NAN] {
        assert_eq!(when(far).map_err(|fault| fault.0.code), Err("sensor-senml-time"), "{far}");
    }
}

/// What a double holds: neighbours of a time of the year 2026 lie 2^-22 s = 0.24 us apart.
#[test]
fn a_double_holds_times_in_steps_of_a_quarter_microsecond() {
    let now = 1.792e9_f64;
    assert!(((now.next_up() - now) * 4_194_304.0 - 1.0).abs() < 1e-12);
}

proptest! {
    /// Times of whole microseconds come through unchanged, written whole or as base time and time, for the years 1978 to 2037.
    #[test]
    fn whole_microseconds_stay_exact(seconds in 268_435_457_i64..2_145_916_800, us in 0_i64..1_000_000, part in -999_999_i64..1_000_000) {
        let whole = seconds * 1_000_000 + us;
        let written = |us: i64| {
            let sign = if us < 0 { "-" } else { "" };
            format!("{sign}{}.{:06}", us.abs() / 1_000_000, us.abs() % 1_000_000)
        };
        for pack in [
            format!(r#"[{{"n":"speed_m_s","v":1,"t":{}}}]"#, written(whole)),
            format!(r#"[{{"bt":{},"n":"speed_m_s","v":1,"t":{}}}]"#, written(whole - part), written(part)),
        ] {
            let events = read(SPEED, &pack);
            prop_assert_eq!(&events[1], &sample(Stamp::ClockUs(whole), Reading::SpeedMS(1.0)), "{}", pack);
        }
    }
}
