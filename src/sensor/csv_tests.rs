//! Tests of the CSV machine. The format is the project's own; the values are its examples.
use super::*;
use proptest::prelude::*;

fn read(pieces: &[&[u8]]) -> Vec<SensorEvent> {
    let mut sensor = CsvSensor::new();
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
    let mut sensor = CsvSensor::new();
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

proptest! {
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
