//! Tests of the stream: its form, wrong streams of every kind, bytes cut anywhere.
use super::*;
use crate::cause::find;
use crate::sensor::lines::PACK_CAP;
use proptest::prelude::*;
use std::fmt::Write;

const FIELD: Source = Source::Field { pole_pairs: 1 };
const SPEED: Source = Source::Speed { resolution_mm_s: 1.0 };
const PULSES: Source = Source::Pulses { a_turn: 12 };

fn read(form: Option<Form>, source: Source, pieces: &[&[u8]]) -> Vec<SensorEvent> {
    let mut sensor = SensorStream::new(form, source);
    sensor.handle_opened();
    let mut events = Vec::new();
    for piece in pieces {
        sensor.handle_bytes(piece);
        events.extend(std::iter::from_fn(|| sensor.poll_event()));
    }
    events
}

fn samples(events: &[SensorEvent]) -> usize {
    events.iter().filter(|event| matches!(event, SensorEvent::Sample(_))).count()
}

const CSV: &str = "\r\n t_us,bx,by\r\n1,2,3\r\n";
const PACK: &str = "\n  [{\"n\":\"bx\",\"v\":1},{\"n\":\"by\",\"v\":2}]\n";

#[test]
fn the_first_character_tells_the_form() {
    for text in [CSV, PACK] {
        for mark in ["", "\u{feff}"] {
            let events = read(None, FIELD, &[mark.as_bytes(), text.as_bytes()]);
            assert_eq!((samples(&events), events.len()), (1, 2), "{text}");
        }
    }
    for (form, right, wrong) in [(Form::Csv, CSV, PACK), (Form::Senml, PACK, CSV)] {
        assert_eq!(samples(&read(Some(form), FIELD, &[right.as_bytes()])), 1);
        let events = read(Some(form), FIELD, &[wrong.as_bytes()]);
        assert!(
            matches!(&events[0], SensorEvent::Broken(broken) if broken.code == "sensor-other-format"),
            "{events:?}"
        );
        assert_eq!(samples(&events), 0);
    }
}

#[test]
fn half_a_line_at_the_start_decides_nothing() {
    let events = read(None, FIELD, &[b"\"v\":0.25}]", PACK.as_bytes()]);
    assert_eq!(samples(&events), 1, "{events:?}");
}

#[test]
fn a_settled_form_stays_until_the_link_opens_again() {
    let mut sensor = SensorStream::new(None, FIELD);
    sensor.handle_bytes(CSV.as_bytes());
    sensor.handle_bytes(PACK.as_bytes());
    let events: Vec<_> = std::iter::from_fn(|| sensor.poll_event()).collect();
    assert_eq!(samples(&events), 1);
    sensor.handle_opened();
    sensor.handle_bytes(PACK.as_bytes());
    let events: Vec<_> = std::iter::from_fn(|| sensor.poll_event()).collect();
    assert_eq!(samples(&events), 1);
}

#[test]
fn a_pack_of_the_longest_length_is_read() {
    for (more, good) in [(0, 1), (1, 0)] {
        let bare = PACK.trim();
        let text = format!("{bare}{}\r\n", " ".repeat(PACK_CAP - bare.len() + more));
        let events = read(None, FIELD, &[text.as_bytes()]);
        assert_eq!(samples(&events), good);
    }
}

/// Wrong streams: what the bench file states, what comes.
#[expect(clippy::too_many_lines, reason = "a table")]
fn wrong_streams() -> Vec<(&'static str, Option<Form>, Source, Vec<u8>)> {
    let csv = Some(Form::Csv);
    let senml = Some(Form::Senml);
    let text = |text: &str| text.as_bytes().to_vec();
    let field = |line: &str| format!("t_us,bx,by,bz\n{line}\n").into_bytes();
    let random = |seed: u32, length: u32| -> Vec<u8> {
        // A multiplicative hash scatters the bytes; no source of chance is needed.
        (0..length)
            .map(|k| (k.wrapping_add(seed).wrapping_mul(2_654_435_761) >> 13).to_le_bytes()[0])
            .collect()
    };
    vec![
        ("data without a header", csv, FIELD, text("1000,0.1,0.2,0.3\n")),
        ("a greeting before the header", None, FIELD, text("Sensor ready.\nt_us,bx,by\n1,2,3\n")),
        ("other names", csv, FIELD, text("time,x,y,z\n1,2,3,4\n")),
        ("another name for the time", csv, FIELD, text("time_ms,bx,by,bz\n1,2,3,4\n")),
        ("a name twice", csv, FIELD, text("t_us,bx,bx,by\n1,2,3,4\n")),
        ("one axis only", csv, FIELD, text("t_us,bx\n1,2\n")),
        ("no quantity at all", csv, FIELD, text("t_us,battery_v\n1,3.9\n")),
        ("names in capitals", csv, FIELD, text("T_US,BX,BY\n1,2,3\n")),
        ("names in quotes", csv, FIELD, text("\"t_us\",\"bx\",\"by\"\n1,2,3\n")),
        ("semicolons", csv, FIELD, text("t_us;bx;by\n1;0,5;0,7\n")),
        ("tabs", csv, FIELD, text("t_us\tbx\tby\n1\t2\t3\n")),
        ("a speed where a field is stated", csv, FIELD, text("t_us,speed_m_s\n1,0.5\n")),
        ("a field where pulses are stated", csv, PULSES, text("t_us,bx,by,battery_v\n1,2,3,4\n")),
        ("a field lost", csv, FIELD, field("1,2,3")),
        ("decimal commas", csv, FIELD, field("1,0,5,0,7,0,1")),
        ("a unit at the number", csv, FIELD, field("1,2 mT,3,4")),
        ("a value left out", csv, FIELD, field("1,,3,4")),
        ("a field out of range", csv, FIELD, field("1,2,nan,4")),
        ("a number beyond all bounds", csv, FIELD, field("1,2,3,1e999")),
        ("a time beyond 32 bits", csv, FIELD, field("4294967296,2,3,4")),
        ("a time below zero", csv, FIELD, field("-1,2,3,4")),
        ("a time in decimals", csv, FIELD, field("1.5,2,3,4")),
        ("half a pulse", csv, PULSES, text("t_us,pulses\n1,2.5\n")),
        ("a battery that is a word", csv, FIELD, text("t_us,bx,by,battery_v\n1,2,3,full\n")),
        ("a damaged line", csv, FIELD, [&field("1,2,3,4")[..], b"2,\xff\xfe\x03,3,4\n3,2,3,4\n"].concat()),
        ("no line ends", csv, FIELD, "1000,0.1,0.2,0.3 ".repeat(40).into_bytes()),
        ("commands of a terminal", csv, FIELD, field("1,2,\u{1b}[2J,4")),
        ("SenML where CSV is stated", csv, FIELD, text(PACK)),
        ("CSV where SenML is stated", senml, FIELD, text(CSV)),
        ("a pack over several lines", None, SPEED, text("[\n{\"n\":\"speed_m_s\",\"v\":1}\n]\n")),
        ("half a pack", senml, SPEED, text("[{\"n\":\"speed_m_s\",\"v\":\n")),
        ("JSON that is none", senml, SPEED, text("[{n:speed_m_s,v:1}]\n")),
        ("a number that JSON has not", senml, SPEED, text("[{\"n\":\"speed_m_s\",\"v\":NaN}]\n")),
        ("a record without its array", None, SPEED, text("{\"n\":\"speed_m_s\",\"v\":1}\n")),
        ("numbers for records", None, SPEED, text("[1,2,3]\n")),
        ("an empty pack", None, SPEED, text("[]\n")),
        ("a value in quotes", senml, SPEED, text("[{\"n\":\"speed_m_s\",\"v\":\"0.5\"}]\n")),
        ("a value as text", senml, SPEED, text("[{\"n\":\"speed_m_s\",\"vs\":\"0.5\"}]\n")),
        ("no value", senml, SPEED, text("[{\"n\":\"speed_m_s\"}]\n")),
        ("a sum only", senml, SPEED, text("[{\"n\":\"speed_m_s\",\"s\":12}]\n")),
        ("two values", senml, SPEED, text("[{\"n\":\"speed_m_s\",\"v\":1,\"vb\":true}]\n")),
        ("a space in a name", senml, SPEED, text("[{\"bn\":\"my engine:\",\"n\":\"speed_m_s\",\"v\":1}]\n")),
        ("no name", senml, SPEED, text("[{\"v\":1}]\n")),
        ("a later version", senml, SPEED, text("[{\"bver\":11,\"n\":\"speed_m_s\",\"v\":1}]\n")),
        (
            "two versions",
            senml,
            SPEED,
            text("[{\"n\":\"a\",\"v\":1},{\"bver\":9,\"n\":\"speed_m_s\",\"v\":1}]\n"),
        ),
        ("a field to be understood", senml, SPEED, text("[{\"n\":\"speed_m_s\",\"v\":1,\"mean_\":5}]\n")),
        (
            "other names in a pack",
            senml,
            SPEED,
            text("[{\"bn\":\"dunlin:\",\"n\":\"v\",\"v\":1},{\"n\":\"rpm\",\"v\":2}]\n"),
        ),
        ("a field where a speed is stated", senml, SPEED, text(PACK)),
        ("another unit", senml, SPEED, text("[{\"n\":\"speed_m_s\",\"u\":\"km/h\",\"v\":1}]\n")),
        (
            "two samples now",
            senml,
            SPEED,
            text("[{\"n\":\"speed_m_s\",\"v\":1},{\"n\":\"speed_m_s\",\"v\":2}]\n"),
        ),
        (
            "axes at different times",
            senml,
            FIELD,
            text("[{\"n\":\"bx\",\"v\":1,\"t\":-1},{\"n\":\"by\",\"v\":2}]\n"),
        ),
        ("milliseconds", senml, SPEED, text("[{\"n\":\"speed_m_s\",\"v\":1,\"t\":1764000000000}]\n")),
        ("seconds since switched on", senml, SPEED, text("[{\"n\":\"speed_m_s\",\"v\":1,\"t\":12.5}]\n")),
        ("half a pulse in a pack", senml, PULSES, text("[{\"n\":\"pulses\",\"v\":2.5}]\n")),
        (
            "a value beyond all bounds",
            senml,
            SPEED,
            text("[{\"n\":\"speed_m_s\",\"bv\":1e308,\"v\":1e308}]\n"),
        ),
        (
            "a battery in millivolts",
            senml,
            SPEED,
            text("[{\"n\":\"battery_v\",\"u\":\"mV\",\"v\":3900},{\"n\":\"speed_m_s\",\"v\":1}]\n"),
        ),
        ("a pack without end", senml, SPEED, "[{\"n\":\"speed_m_s\",\"v\":1},".repeat(3000).into_bytes()),
        ("brackets without end", None, SPEED, [&b"[".repeat(5000)[..], b"\n"].concat()),
        ("random bytes", None, FIELD, random(1, 3000)),
        ("zeros", None, FIELD, vec![0; 2000]),
        (
            "text in two-byte units",
            csv,
            FIELD,
            "t_us,bx,by\n1,2,3\n".repeat(9).encode_utf16().flat_map(u16::to_le_bytes).collect(),
        ),
        ("all bits set", senml, FIELD, vec![0xff; 2000]),
    ]
}

#[test]
fn wrong_streams_are_answered() {
    let streams = wrong_streams();
    let mut table = String::new();
    let mut codes = std::collections::BTreeSet::new();
    for (what, form, source, bytes) in &streams {
        let events = read(*form, *source, &[bytes]);
        let first = events.iter().find_map(|event| match event {
            SensorEvent::Broken(broken) => Some(broken),
            _ => None,
        });
        let broken = first.unwrap_or_else(|| panic!("{what}: nothing is told"));
        assert!(find(&broken.code).is_some(), "{} is not in the catalogue", broken.code);
        let told = events.iter().filter(|event| matches!(event, SensorEvent::Broken(_))).count();
        assert!(told <= 3, "{what}: {told} times the same");
        codes.insert(broken.code.clone());
        writeln!(table, "{what}\n    {}, line {}: {}", broken.code, broken.line, broken.evidence)
            .expect("text");
    }
    table.push('\n');
    for cause in codes.iter().filter_map(|code| find(code)) {
        writeln!(table, "{}\n    {}\n    {}\n    {}", cause.code, cause.seen, cause.may_be, cause.to_try)
            .expect("text");
    }
    assert!(streams.len() >= 30);
    insta::assert_snapshot!(table);
}

proptest! {
    #[test]
    fn no_bytes_make_it_panic_and_cuts_do_not_matter(
        bytes in prop_oneof![
            prop::collection::vec(any::<u8>(), 0..3000),
            "(t_us,bx,by\n|[0-9]{1,3},|-?[0-9.]{1,5}|\r\n|\n|bz|,|\\[|\\{|\"n\":\"bx\"|\"v\":1|\\}\\]\n){0,200}"
                .prop_map(String::into_bytes),
            "(\\[\\{\"n\":\"b[xyz]\",\"v\":[0-9]{1,3},\"t\":-?[0-9]\\},\\{\"n\":\"by\",\"v\":1\\}\\]\n|\\[\n|[\u{0}-\u{9f}]{9}\n){0,60}"
                .prop_map(String::into_bytes),
        ],
        cuts in prop::collection::vec(0_usize..3000, 0..6),
        form in prop::sample::select(vec![None, Some(Form::Csv), Some(Form::Senml)]),
        source in prop::sample::select(vec![FIELD, SPEED, PULSES]),
    ) {
        let mut cuts: Vec<usize> = cuts.into_iter().map(|cut| cut.min(bytes.len())).collect();
        cuts.extend([0, bytes.len()]);
        cuts.sort_unstable();
        let pieces: Vec<&[u8]> = cuts.windows(2).map(|pair| &bytes[pair[0]..pair[1]]).collect();
        let whole = read(form, source, &[&bytes]);
        prop_assert_eq!(read(form, source, &pieces), whole.clone());
        let single: Vec<&[u8]> = bytes.chunks(1).collect();
        prop_assert_eq!(read(form, source, &single), whole);
    }
}
