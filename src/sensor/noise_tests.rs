//! Tests of the judgement between text and noise, on text as a serial receiver of the wrong speed hears it.
use super::*;
use crate::sensor::{Form, SensorMachine, SensorStream, Source};
use std::fmt::Write;

/// Bits a second of the sender.
const SENT: u64 = 115_200;
/// Instants the receiver looks at the line in a bit, as common receivers do (common practice, no source).
const LOOKS: u64 = 16;

/// What a receiver does with a byte that has no stop bit.
#[derive(Clone, Copy, Debug)]
enum Unstopped {
    Keep,
    Zero,
    Drop,
}

/// The levels of a line that carries `text`: a start bit of 0, eight data bits, the lowest first, a stop bit of 1 (8N1),
/// and so many idle bits after each line of text.
fn levels(text: &[u8], idle: usize) -> Vec<bool> {
    let mut levels = vec![true; 20];
    for byte in text {
        levels.push(false);
        levels.extend((0..8).map(|bit| byte >> bit & 1 == 1));
        levels.push(true);
        if *byte == b'\n' {
            levels.extend(vec![true; idle]);
        }
    }
    levels
}

/// What a receiver set to `rate` bits a second makes of it.
fn heard(levels: &[bool], rate: u64, unstopped: Unstopped) -> Vec<u8> {
    // Time in looks of the receiver; the level is that of the sender's bit at that time.
    let level = |look: u64| {
        let bit = look * SENT / (rate * LOOKS);
        levels.get(usize::try_from(bit).expect("small")).copied()
    };
    let mut bytes = Vec::new();
    let mut look = 0;
    loop {
        // A start bit is a fall of the line.
        while level(look) == Some(false) {
            look += 1;
        }
        while level(look) == Some(true) {
            look += 1;
        }
        let sampled = |bit: u64| level(look + bit * LOOKS + LOOKS / 2);
        let mut byte = 0;
        for bit in 0..8 {
            let Some(high) = sampled(bit + 1) else { return bytes };
            byte |= u8::from(high) << bit;
        }
        match (sampled(9), unstopped) {
            (None, _) => return bytes,
            (Some(true), _) | (Some(false), Unstopped::Keep) => bytes.push(byte),
            (Some(false), Unstopped::Zero) => bytes.push(0),
            (Some(false), Unstopped::Drop) => {}
        }
        look += 9 * LOOKS + LOOKS / 2;
    }
}

fn csv(lines: u32) -> String {
    let mut text = "t_us,bx,by,bz\n".to_owned();
    for k in 0..lines {
        let angle = f64::from(k) * 0.1;
        let (bx, by) = (30.0 * libm::cos(angle), 24.0 * libm::sin(angle));
        writeln!(text, "{},{bx:.3},{by:.3},{:.3}", 4_000_123 + k * 5000, 0.1 * bx).expect("a text grows");
    }
    text
}

fn senml(lines: u32) -> String {
    let mut text = String::new();
    for k in 0..lines {
        let (bt, speed) = (1_764_000_000.0 + f64::from(k) * 0.01, 0.1 + f64::from(k % 7) * 0.003);
        writeln!(text, r#"[{{"bn":"dunlin:","bt":{bt:.6},"n":"speed_m_s","u":"m/s","v":{speed:.4}}}]"#)
            .expect("a text grows");
    }
    text
}

fn events(form: Option<Form>, bytes: &[u8]) -> Vec<SensorEvent> {
    let mut sensor = SensorStream::new(form, Source::Field { pole_pairs: 1 });
    sensor.handle_opened();
    sensor.handle_bytes(bytes);
    std::iter::from_fn(|| sensor.poll_event()).collect()
}

fn codes(events: &[SensorEvent]) -> Vec<&str> {
    events
        .iter()
        .filter_map(|event| match event {
            SensorEvent::Broken(broken) => Some(broken.code.as_str()),
            _ => None,
        })
        .collect()
}

#[test]
fn a_receiver_of_the_right_speed_hears_the_text() {
    let text = csv(20);
    for unstopped in [Unstopped::Keep, Unstopped::Zero, Unstopped::Drop] {
        assert_eq!(heard(&levels(text.as_bytes(), 3), SENT, unstopped), text.as_bytes());
    }
}

#[test]
fn text_at_a_wrong_serial_speed_is_no_text() {
    let rates = [4800, 9600, 14_400, 19_200, 38_400, 57_600, 74_880, 230_400, 250_000, 460_800, 921_600];
    let mut cases = 0;
    for (name, text) in [("csv", csv(300)), ("senml", senml(150))] {
        for rate in rates {
            for unstopped in [Unstopped::Keep, Unstopped::Zero, Unstopped::Drop] {
                for (idle, start) in [(0, 0), (0, 733), (7, 40), (300, 0), (300, 951)] {
                    let bytes = heard(&levels(&text.as_bytes()[start..], idle), rate, unstopped);
                    // Where bytes without a stop bit are dropped, hardly any may be left.
                    if bytes.len() < HEAD {
                        continue;
                    }
                    cases += 1;
                    for form in [None, Some(Form::Csv), Some(Form::Senml)] {
                        let came = events(form, &bytes);
                        let case = format!("{name} at {rate}, {unstopped:?}, idle {idle}, from {start}");
                        assert_eq!(codes(&came), ["sensor-gibberish"], "{case}: {}", shown(&bytes));
                    }
                }
            }
        }
    }
    assert!(cases > 200, "{cases} cases");
}

/// The rule's two shares with room on both sides: text at the right speed, and at half of it, which looks most like text.
#[test]
fn half_the_speed_is_told_by_the_lack_of_digits_and_gaps() {
    let share = |bytes: &[u8]| {
        let (plain, characters) = plain(&bytes[..HEAD]);
        plain as f64 / characters as f64
    };
    for idle in [0, 7, 300] {
        let half = heard(&levels(csv(30).as_bytes(), idle), SENT / 2, Unstopped::Keep);
        assert!(share(&half) < 0.06, "{idle}: {}", share(&half));
        assert!(strangers(&half[..HEAD]) * SHARE < 2 * HEAD, "{idle}: the other mark would do");
    }
    assert!(share(csv(30).as_bytes()) > 0.9);
    assert!(share(senml(30).as_bytes()) > 0.5);
}

#[test]
fn text_is_text_in_any_language_and_with_a_damaged_line() {
    for text in [
        "# Fühler über der Achse, Καρκινικό, датчик\n".repeat(4) + &csv(9),
        "датчик магнитного поля\n".repeat(9),
        csv(9).replacen("4005123,", "4005\u{1}\u{2}\u{3},", 1),
    ] {
        assert!(!codes(&events(None, text.as_bytes())).contains(&"sensor-gibberish"), "{text}");
    }
    let mut damaged = csv(9).into_bytes();
    damaged[20..32].copy_from_slice(&[0xff, 0x80, 0, 3, 0xc3, 0x28, 0xfe, 0, 0, 0x9f, 0xff, 1]);
    assert_eq!(codes(&events(None, &damaged)), ["sensor-line-not-text"]);
}

#[test]
fn a_damaged_header_waits_for_the_verdict_and_is_told() {
    let mut text = csv(9).into_bytes();
    text[5] = 0xff;
    let codes_of = |length: usize| codes(&events(None, &text[..length])).len();
    assert_eq!((codes_of(60), codes_of(HEAD)), (0, 5));
    // A new opening tells what waited.
    let mut sensor = SensorStream::new(None, Source::Field { pole_pairs: 1 });
    sensor.handle_bytes(&text[..60]);
    assert_eq!(sensor.poll_event(), None);
    sensor.handle_opened();
    assert!(
        matches!(sensor.poll_event(), Some(SensorEvent::Broken(broken)) if broken.code == "sensor-line-not-text")
    );
}

#[test]
fn after_noise_a_readable_stream_is_read() {
    // A device may greet at another speed before it speaks at its own.
    let mut bytes = heard(&levels(csv(20).as_bytes(), 0), 74_880, Unstopped::Keep);
    bytes.push(b'\n');
    bytes.extend(csv(5).into_bytes());
    let events = events(None, &bytes);
    assert_eq!(codes(&events), ["sensor-gibberish"]);
    assert_eq!(events.iter().filter(|event| matches!(event, SensorEvent::Sample(_))).count(), 5);
}

#[test]
fn a_character_cut_by_the_end_is_not_held_against_a_text() {
    assert_eq!(strangers("aü".as_bytes()), 0);
    assert_eq!(strangers(&"aü".as_bytes()[..2]), 0);
    assert_eq!(strangers(b"a\xc3b"), 1);
    assert_eq!(strangers(b"\xff\x00\x7f\t\r\n"), 3);
}
