//! Tests of the CSV machine. The format is the project's own; the values are its examples.
use super::*;
use crate::sensor::lines::LINE_CAP;
use crate::sensor::{Form, SensorMachine, SensorStream};
use proptest::prelude::*;

const FIELD: Source = Source::Field { pole_pairs: 1 };

fn sensor() -> SensorStream {
    SensorStream::new(Some(Form::Csv), FIELD)
}

fn read(pieces: &[&[u8]]) -> Vec<SensorEvent> {
    read_by(sensor(), pieces)
}

fn read_by(mut sensor: SensorStream, pieces: &[&[u8]]) -> Vec<SensorEvent> {
    sensor.handle_opened();
    let mut events = Vec::new();
    for piece in pieces {
        sensor.handle_bytes(piece);
        events.extend(std::iter::from_fn(|| sensor.poll_event()));
    }
    events
}

fn sample(stamp_us: u32, field: [f64; 3]) -> SensorEvent {
    SensorEvent::Sample(Sample { stamp: Stamp::CountUs(stamp_us), reading: Reading::Field(field) })
}

#[test]
fn columns_come_in_any_order_and_further_ones_are_ignored() {
    let events = read(&[b"by, temp ,t_us,bx\r\n2.5,warm,4294967295,-1e3\r\n\r\n"]);
    assert_eq!(
        events,
        [SensorEvent::Layout(Quantity::Field { axes: 2 }), sample(u32::MAX, [-1000.0, 2.5, 0.0])]
    );
}

#[test]
fn a_header_may_come_again_in_another_order() {
    let events = read(&[b"t_us,bx,by,bz\n1,2,3,4\nt_us,bz,by,bx\n5,6,7,8\n"]);
    let layout = SensorEvent::Layout(Quantity::Field { axes: 3 });
    assert_eq!(events, [layout.clone(), sample(1, [2.0, 3.0, 4.0]), layout, sample(5, [8.0, 7.0, 6.0])]);
}

#[test]
fn opening_forgets_half_a_line_and_the_layout() {
    let mut sensor = sensor();
    sensor.handle_bytes(b"t_us,bx,by\n1,2");
    sensor.handle_opened();
    sensor.handle_bytes(b"1,2,3\n");
    let events: Vec<_> = std::iter::from_fn(|| sensor.poll_event()).collect();
    assert!(
        matches!(&events[..], [SensorEvent::Layout(Quantity::Field { axes: 2 }), SensorEvent::Broken(broken)]
        if broken.line == 1 && broken.code == "sensor-no-header"),
        "{events:?}"
    );
}

#[test]
fn wrong_lines_are_told_and_skipped() {
    let long = [b"7,".as_slice(), &[b'9'; 600], b"\n"].concat();
    let lines: &[&[u8]] = &[
        b"1,2,3,4\n",
        b"time,bx,by,bz\n",
        b"t_us,bx,bx,by\n",
        b"t_us,bx,by,bz\n",
        b"1,2,3\n",
        b"1,2,3,4,5\n",
        b"1;2;3;4\n",
        b"1,2,north,4\n",
        b"1,,3,4\n",
        b"1,2,NaN,4\n",
        b"1,2,3,1e999\n",
        b"4294967296,2,3,4\n",
        b"-1,2,3,4\n",
        b"1.5,2,3,4\n",
        b"1,2,\xff\xfe,4\n",
        b"1,2,\x1b[2J,4\n",
        &long,
        b"9,8,7,6\n",
    ];
    let events = read(lines);
    assert_eq!(events.last(), Some(&sample(9, [8.0, 7.0, 6.0])));
    let table: Vec<String> = events
        .iter()
        .filter_map(|event| match event {
            SensorEvent::Broken(broken) => {
                assert!(crate::cause::find(&broken.code).is_some(), "{}", broken.code);
                Some(format!("{:>2} {:<24} {}", broken.line, broken.code, broken.evidence))
            }
            _ => None,
        })
        .collect();
    insta::assert_snapshot!(table.join("\n"));
}

#[test]
fn a_line_of_the_longest_length_is_read_with_either_line_end() {
    for (zeros, good) in [(LINE_CAP - 5, true), (LINE_CAP - 4, false)] {
        for end in ["\n", "\r\n"] {
            let text = format!("t_us,bx,by\n{}1,2,3{end}4,5,6\n", "0".repeat(zeros));
            let events = read(&[text.as_bytes()]);
            let split = read(&[&text.as_bytes()[..300], &text.as_bytes()[300..]]);
            assert_eq!(events, split);
            assert_eq!(matches!(events[1], SensorEvent::Sample(_)), good, "{zeros} {end:?}");
            assert_eq!(events[2], sample(4, [5.0, 6.0, 0.0]));
        }
    }
}

const SOURCES: [(Source, &str, &str, Quantity, Reading); 5] = [
    (FIELD, "bx,by", "0.5,-2", Quantity::Field { axes: 2 }, Reading::Field([0.5, -2.0, 0.0])),
    (Source::Angle { resolution_rad: 0.001 }, "angle_rad", "3.25", Quantity::Angle, Reading::AngleRad(3.25)),
    (
        Source::Distance { resolution_mm: 0.1 },
        "distance_m",
        "-12.5",
        Quantity::Distance,
        Reading::DistanceM(-12.5),
    ),
    (Source::Speed { resolution_mm_s: 1.0 }, "speed_m_s", "0.125", Quantity::Speed, Reading::SpeedMS(0.125)),
    (
        Source::Pulses { a_turn: 12 },
        "pulses",
        "-9223372036854775808",
        Quantity::Pulses,
        Reading::Pulses(i64::MIN),
    ),
];

#[test]
fn each_source_has_its_column() {
    for (source, names, values, quantity, reading) in SOURCES {
        let stream = SensorStream::new(Some(Form::Csv), source);
        let text = format!("t_us,{names}\n7,{values}\n");
        let expected = [
            SensorEvent::Layout(quantity),
            SensorEvent::Sample(Sample { stamp: Stamp::CountUs(7), reading }),
        ];
        assert_eq!(read_by(stream, &[text.as_bytes()]), expected, "{names}");
    }
}

#[test]
fn of_several_quantities_the_stated_source_picks() {
    let header = SOURCES.map(|source| source.1).join(",");
    let values = SOURCES.map(|source| source.2).join(",");
    let text = format!("t_us,{header}\n7,{values}\n");
    for (source, _, _, quantity, reading) in SOURCES {
        let stream = SensorStream::new(Some(Form::Csv), source);
        let expected = [
            SensorEvent::Layout(quantity),
            SensorEvent::Sample(Sample { stamp: Stamp::CountUs(7), reading }),
        ];
        assert_eq!(read_by(stream, &[text.as_bytes()]), expected);
    }
}

#[test]
fn a_stream_of_another_source_is_told_once() {
    for (source, names, values, ..) in SOURCES {
        for (stated, ..) in SOURCES.into_iter().filter(|(stated, ..)| *stated != source) {
            let stream = SensorStream::new(Some(Form::Csv), stated);
            let text = format!("t_us,{names},battery_v\n7,{values},4\n8,{values},4\n");
            let events = read_by(stream, &[text.as_bytes()]);
            assert!(
                matches!(&events[..], [SensorEvent::Broken(broken)]
                if broken.line == 1 && broken.code == "sensor-other-source"),
                "{events:?}"
            );
        }
    }
}

#[test]
fn battery_and_temperature_are_told_when_they_change() {
    let text =
        b"t_us,bx,by,battery_v,temperature_c\n1,2,3,,\n2,2,3,3.9,\n3,2,3,3.9,21\n4,2,3,,21\n5,2,3,3.8,21\n";
    let own: Vec<_> = read(&[text])
        .into_iter()
        .filter_map(|event| match event {
            SensorEvent::Housekeeping(own) => Some((own.battery_v, own.temperature_c)),
            _ => None,
        })
        .collect();
    assert_eq!(own, [(Some(3.9), None), (Some(3.9), Some(21.0)), (Some(3.8), Some(21.0))]);
}

#[test]
fn a_bad_battery_value_is_told_once_and_costs_no_sample() {
    let events = read(&[b"t_us,bx,by,battery_v\n1,2,3,low\n2,4,5,NaN\n"]);
    assert_eq!(events[1], sample(1, [2.0, 3.0, 0.0]));
    assert!(
        matches!(&events[2], SensorEvent::Broken(broken) if broken.code == "sensor-housekeeping"),
        "{events:?}"
    );
    assert_eq!(events[3..], [sample(2, [4.0, 5.0, 0.0])]);
}

proptest! {
    /// The long way is the reference: what is read at once it reads alike, whatever the source and the columns.
    #[test]
    fn what_is_read_at_once_is_what_the_long_way_reads(
        lines in prop::collection::vec("(-?[0-9]{1,11}|[0-9]{0,3}\\.[0-9]{0,4}|-?[0-9]{1,16}|e|\\+1| 1)(,(-?[0-9]{0,4}(\\.[0-9]{0,3})?|NaN)){1,4}", 1..30),
        header in prop::sample::select(vec![
            (FIELD, "t_us,bx,by,bz"), (FIELD, "bx,t_us,by"), (FIELD, "note,by,bx,t_us,bz"),
            (Source::Pulses { a_turn: 20 }, "t_us,pulses"), (Source::Speed { resolution_mm_s: 0.0 }, "speed_m_s,t_us"),
        ]),
    ) {
        let mut reader = CsvReader::new(header.0);
        let (mut house, mut told) = (House::default(), Told { line: 1, events: Vec::new() });
        reader.line(header.1, &mut house, &mut told);
        prop_assert!(matches!(reader.header, Header::Usable(_)));
        for line in lines {
            let quick = reader.quick(line.as_bytes());
            told.events.clear();
            reader.line(&line, &mut house, &mut told);
            if let Some(sample) = quick {
                prop_assert_eq!(&told.events[..], &[SensorEvent::Sample(sample)], "{}", line);
            }
        }
    }

    #[test]
    fn no_bytes_make_it_panic_and_cuts_do_not_matter(
        bytes in prop_oneof![
            prop::collection::vec(any::<u8>(), 0..2000),
            "(t_us,bx,by\n|[0-9]{1,3},|-?[0-9.]{1,5}|\r\n|\n|bz|,){0,200}".prop_map(String::into_bytes),
        ],
        cuts in prop::collection::vec(0_usize..2000, 0..6),
    ) {
        let mut cuts: Vec<usize> = cuts.into_iter().map(|cut| cut.min(bytes.len())).collect();
        cuts.extend([0, bytes.len()]);
        cuts.sort_unstable();
        let pieces: Vec<&[u8]> = cuts.windows(2).map(|pair| &bytes[pair[0]..pair[1]]).collect();
        prop_assert_eq!(read(&pieces), read(&[&bytes]));
    }
}
