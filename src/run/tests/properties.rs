//! What must hold whatever happens, on whole runs with arbitrary twists and on the desk with arbitrary bytes.
//!
//! Held by the world itself (`world`): no order above the step mode, no turn without an order of standstill between,
//! nothing after the end, every end behind a stop, no endless wake-ups, every run over within its limits.
use super::plan;
use super::world::{Played, Twist, Watch, World, delivered};
use crate::run::desk::Desk;
use crate::run::input::{Answer, Input, JournalTrouble, Output, PersonAct};
use crate::run::outcome::{DecoderState, End, StopGrade};
use crate::run::record::{PhaseName, Record, RecordBody};
use crate::station::{Direction, OrderEnd, Session, StationEvent};
use crate::time::BenchTime;
use proptest::collection::vec;
use proptest::prelude::*;
use std::fmt::Write;
use std::time::Duration;

#[test]
fn a_run_without_twists_calibrates() {
    let played = World::new().play(Vec::new()).unwrap();
    assert_eq!(played.outcome.outcome, End::Calibrated, "{:?}", played.outcome.reasons);
    let table: Vec<u8> = (67..=94).map(|cv| played.cvs[&cv]).collect();
    assert_eq!(played.outcome.table.map(Vec::from), Some(table));
    assert_eq!((played.cvs[&3], played.cvs[&29]), (delivered()[&3], delivered()[&29] | 0x10));
    assert!(played.records.len() > 300, "{}", played.records.len());
}

fn direction() -> impl Strategy<Value = Direction> {
    prop_oneof![Just(Direction::Forward), Just(Direction::Reverse)]
}

fn session() -> impl Strategy<Value = Session> {
    prop_oneof![
        Just(Session::Drive),
        Just(Session::Programming),
        Just(Session::Information),
        Just(Session::Rescue)
    ]
}

fn act() -> impl Strategy<Value = PersonAct> {
    let answer = prop_oneof![Just(Answer::Front), Just(Answer::Rear), Just(Answer::Done)];
    prop_oneof![
        3 => Just(PersonAct::Pause),
        3 => Just(PersonAct::GoOn),
        1 => Just(PersonAct::Stop),
        1 => (0_u32..3, answer).prop_map(|(question, answer)| PersonAct::Answer { question, answer }),
    ]
}

fn failing() -> impl Strategy<Value = Option<OrderEnd>> {
    prop_oneof![
        2 => Just(None),
        1 => "4[0-9]{2}".prop_map(|code| Some(OrderEnd::Refused { code, words: "no".to_owned() })),
        1 => Just(Some(OrderEnd::Unknown { why: "no answer".to_owned() })),
    ]
}

fn event() -> impl Strategy<Value = StationEvent> {
    prop_oneof![
        (any::<bool>(), any::<bool>()).prop_map(|(on, level)| StationEvent::Power {
            on,
            words: String::new(),
            level
        }),
        (0.0..1.5_f64, proptest::option::of(direction()), any::<bool>())
            .prop_map(|(ratio, direction, level)| StationEvent::Engine { ratio, direction, level }),
        session().prop_map(|session| StationEvent::SessionLost { session, why: "gone".to_owned() }),
        Just(StationEvent::LockedByAnother { words: "yours".to_owned() }),
        session().prop_map(|session| StationEvent::Oddity { session, line: "?".to_owned() }),
    ]
}

fn shell() -> impl Strategy<Value = Input> {
    prop_oneof![
        Just(Input::SensorOpened),
        Just(Input::SensorClosed("reset".to_owned())),
        any::<u64>().prop_map(Input::SensorDropped),
        Just(Input::JournalTrouble(JournalTrouble::Lagging)),
        Just(Input::JournalTrouble(JournalTrouble::Full)),
        Just(Input::TaskFailed("task".to_owned())),
        Just(Input::WatchmanGone("signal 9".to_owned())),
        (0_u64..100_000_000_000).prop_map(|nanos| Input::Gap { nanos }),
        (any::<u64>(), any::<u64>()).prop_map(|(written, synced)| Input::Journal { written, synced }),
    ]
}

/// What can go wrong without anybody lying about the decoder.
fn twist() -> impl Strategy<Value = Twist> {
    prop_oneof![
        3 => failing().prop_map(Twist::Answers),
        2 => (0_u32..5000).prop_map(Twist::Late),
        2 => event().prop_map(Twist::Told),
        1 => vec(any::<u8>(), 0..60).prop_map(Twist::Bytes),
        2 => any::<bool>().prop_map(Twist::Sensor),
        2 => (0_u64..90_000).prop_map(Twist::SensorCut),
        1 => Just(Twist::HalfOpen),
        2 => (0_u64..90_000).prop_map(Twist::StationCut),
        1 => Just(Twist::PowerCut),
        1 => any::<bool>().prop_map(Twist::Journal),
        2 => any::<bool>().prop_map(Twist::Held),
        1 => proptest::option::of(-400.0..400.0_f64).prop_map(Twist::RunsAway),
        1 => any::<bool>().prop_map(Twist::Stubborn),
        3 => act().prop_map(Twist::Person),
        2 => shell().prop_map(Twist::Input),
    ]
}

fn twists() -> impl Strategy<Value = Vec<(u64, Twist)>> {
    vec((0_u64..330_000, twist()), 1..7)
}

/// What is said of the decoder is true.
fn check_decoder(played: &Played) -> Result<(), TestCaseError> {
    let differs: Vec<(u16, u8)> =
        delivered().into_iter().filter(|(cv, value)| played.cvs.get(cv) != Some(value)).collect();
    let outcome = &played.outcome;
    match outcome.decoder_state {
        DecoderState::Original => prop_assert_eq!(&differs, &[], "{:?}", outcome),
        DecoderState::Mixed => prop_assert_eq!(&outcome.restore_pending, &differs, "{:?}", outcome),
        DecoderState::Unknown => {
            let listed = differs.iter().all(|pair| outcome.restore_pending.contains(pair));
            prop_assert!(listed, "{:?} differ: {:?}", differs, outcome);
        }
        // Written whole; where the proof was cut short the originals are still to go back.
        DecoderState::New if outcome.outcome == End::Calibrated => {
            prop_assert_eq!(&outcome.restore_pending, &[], "{:?}", outcome);
        }
        DecoderState::New => prop_assert_eq!(&outcome.restore_pending, &differs, "{:?}", outcome),
    }
    Ok(())
}

/// Wheels that somebody held looked like a stop to a station that took none.
#[test]
fn an_engine_that_was_only_held_is_not_called_still() {
    let refused = OrderEnd::Refused { code: "400".to_owned(), words: "no".to_owned() };
    // While it runs fast, in warm-up.
    let plain = World::new().play(Vec::new()).unwrap();
    let warm = |record: &&Record| record.body == RecordBody::Phase(PhaseName::WarmUp);
    let at = plain.records.iter().find(warm).unwrap().at.as_nanos() / 1_000_000 + 5_000;
    // Held at whatever time of the attempts to stop it.
    let mut ran_on = 0;
    for held in (90_000..112_000).step_by(1_000) {
        let twists = vec![
            (at, Twist::Answers(Some(refused.clone()))),
            (at + held, Twist::Held(true)),
            (at + held + 8_340, Twist::Held(false)),
        ];
        let played = World::new().play(twists).unwrap();
        if played.speed_mm_s > 100.0 {
            ran_on += 1;
            assert_eq!(played.outcome.stop, StopGrade::Unconfirmed, "{held}: {:?}", played.outcome.reasons);
        }
    }
    assert!(ran_on >= 3, "{ran_on}");
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 96, max_shrink_iters: 200, ..ProptestConfig::default() })]

    #[test]
    fn whatever_befalls_a_run_it_ends_stopped_and_says_what_is_true(twists in twists()) {
        let moves_by_itself = twists.iter().any(|(_, twist)| matches!(twist, Twist::RunsAway(Some(_))));
        let played = World::new().play(twists).map_err(TestCaseError::fail)?;
        let outcome = &played.outcome;
        if outcome.stop == StopGrade::Still && !moves_by_itself {
            prop_assert!(played.speed_mm_s.abs() < 0.5, "{} mm/s: {:?}", played.speed_mm_s, outcome);
        }
        if outcome.outcome != End::Calibrated {
            prop_assert!(!outcome.reasons.is_empty(), "{:?}", outcome);
        }
        check_decoder(&played)?;
    }
}

/// Lines of a station, so that random talk gets beyond the greeting.
const LINES: [&str; 14] = [
    "SRCP 0.8.4; SRCPOTHER 0.8.3\n",
    "1.0 201 OK PROTOCOL SRCP\n",
    "1.0 202 OK CONNECTIONMODE\n",
    "1.0 200 OK GO 5\n",
    "1.0 200 OK\n",
    "1.0 100 INFO 1 DESCRIPTION GL LOCK POWER SM\n",
    "1.0 100 INFO 1 POWER ON\n",
    "1.0 100 INFO 1 POWER OFF\n",
    "1.0 100 INFO 1 GL 7 1 5 28 0\n",
    "1.0 100 INFO 1 SM -1 CV 7 10\n",
    "1.0 414 ERROR device locked\n",
    "1.0 416 ERROR no data\n",
    "1.0 101 INFO 1 GL 7 N 1 28 1\n",
    "1.0 100 INFO 1 LOCK GL 7 0 9\n",
];

fn talk() -> impl Strategy<Value = Input> {
    let line = prop_oneof![
        4 => proptest::sample::select(&LINES[..]).prop_map(|line| line.as_bytes().to_vec()),
        1 => vec(any::<u8>(), 0..80),
    ];
    let samples =
        (any::<u32>(), vec((-200.0..200.0_f64, -200.0..200.0_f64), 1..20)).prop_map(|(start, fields)| {
            let mut text = String::from("t_us,bx,by\n");
            for (at, (bx, by)) in (0_u32..).zip(fields) {
                writeln!(text, "{},{bx},{by}", start.wrapping_add(at * 5000)).unwrap();
            }
            Input::SensorBytes(text.into_bytes())
        });
    prop_oneof![
        6 => (session(), line).prop_map(|(session, bytes)| Input::StationBytes(session, bytes)),
        2 => session().prop_map(Input::StationOpened),
        1 => session().prop_map(|session| Input::StationClosed(session, "reset".to_owned())),
        2 => samples,
        1 => vec(any::<u8>(), 0..80).prop_map(Input::SensorBytes),
        2 => Just(Input::Wake),
        1 => act().prop_map(Input::Person),
        1 => shell(),
    ]
}

/// The desk, and the rules that hold for what comes out of it.
struct Watched {
    desk: Desk,
    watch: Watch,
    ended: bool,
}

impl Watched {
    fn feed(&mut self, at: BenchTime, input: &Input) -> Result<(), TestCaseError> {
        self.desk.handle(at, input);
        while let Some(output) = self.desk.poll_output() {
            prop_assert!(!self.ended, "after the end: {:?}", output);
            match output {
                Output::Record(record) => {
                    if let RecordBody::Ordered { action, .. } = &record.body {
                        self.watch.see(action);
                    }
                }
                Output::Ended(_) => {
                    prop_assert!(!self.watch.unstopped, "ended without a stop");
                    self.ended = true;
                }
                _ => {}
            }
        }
        prop_assert_eq!(&self.watch.broken, &None);
        Ok(())
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 256, max_shrink_iters: 500, ..ProptestConfig::default() })]

    #[test]
    fn arbitrary_talk_breaks_no_rule_and_every_run_ends(talk in vec((0_u64..3000, talk()), 0..120)) {
        let mut watched = Watched { desk: Desk::new(plan()), watch: Watch::default(), ended: false };
        let mut now = BenchTime::ZERO;
        watched.feed(now, &Input::Wake)?;
        for (millis, input) in talk {
            now = now + Duration::from_millis(millis);
            watched.feed(now, &input)?;
        }
        // Nobody says anything any more: wake-ups alone lead to the end.
        let most = now + plan().spec.limits.run_time + Duration::from_secs(1200);
        let mut wakes = 0_u32;
        while !watched.ended {
            let at = watched.desk.next_wake();
            prop_assert!(at.is_some(), "it waits for nothing at {}", now);
            now = at.unwrap_or(now).max(now);
            prop_assert!(now <= most, "it has not ended by {}", now);
            wakes += 1;
            prop_assert!(wakes < 100_000, "wake-ups without end at {}", now);
            watched.feed(now, &Input::Wake)?;
        }
    }
}
