//! Links that are lost and come back, or do not.
use super::hand::Hand;
use super::plan;
use super::world::{Played, Twist, World};
use crate::run::input::{Input, Output, PersonAct, RunPlan};
use crate::run::outcome::{End, StopGrade};
use crate::run::record::{PhaseName, PointPurpose, Record, RecordBody};
use crate::sensor::Housekeeping;
use crate::station::{Action, Session, StationEvent};
use crate::time::BenchTime;
use std::time::Duration;

const EVER: u64 = 100_000_000;

/// The millisecond so long after this phase began in a run without twists.
fn after(phase: PhaseName, millis: u64) -> u64 {
    let played = World::new().play(Vec::new()).unwrap();
    let at = played.records.iter().find(|record| record.body == RecordBody::Phase(phase)).unwrap().at;
    at.as_nanos() / 1_000_000 + millis
}

/// The millisecond of the first change of the table in a run without twists.
fn first_write() -> u64 {
    let begun = BenchTime::from_millis(after(PhaseName::Write, 0));
    let played = World::new().play(Vec::new()).unwrap();
    let is = |record: &&Record| record.at > begun && matches!(record.body, RecordBody::CvIntention { .. });
    played.records.iter().find(is).unwrap().at.as_nanos() / 1_000_000
}

/// The millisecond half a second after the third point of this purpose.
fn third_point(wanted: PointPurpose) -> u64 {
    let played = World::new().play(Vec::new()).unwrap();
    let is = |record: &&Record| matches!(record.body, RecordBody::Point { purpose, .. } if purpose == wanted);
    played.records.iter().filter(is).nth(2).unwrap().at.as_nanos() / 1_000_000 + 500
}

fn moving() -> u64 {
    after(PhaseName::WarmUp, 4000)
}

fn play(twists: Vec<(u64, Twist)>) -> Played {
    World::new().play(twists).unwrap()
}

fn play_with(change: impl Fn(&mut RunPlan), twists: Vec<(u64, Twist)>) -> Played {
    let mut plan = plan();
    change(&mut plan);
    World::with(plan).play(twists).unwrap()
}

fn noted<'a>(played: &'a Played, code: &str) -> Vec<&'a Record> {
    let is = |record: &&Record| matches!(&record.body, RecordBody::Noted(reason) if reason.code == code);
    played.records.iter().filter(is).collect()
}

fn ordered(played: &Played, from: u64) -> Vec<(BenchTime, &Action)> {
    let from = BenchTime::from_millis(from);
    let late = played.records.iter().filter(|record| record.at >= from);
    late.filter_map(|record| match &record.body {
        RecordBody::Ordered { action, .. } => Some((record.at, action)),
        _ => None,
    })
    .collect()
}

/// Waits between the openings of the sensor's link from this millisecond to that.
fn waits(played: &Played, from: u64, to: u64) -> Vec<Duration> {
    let (from, to) = (BenchTime::from_millis(from), BenchTime::from_millis(to));
    let opens: Vec<BenchTime> = played.opens.iter().copied().filter(|at| (from..to).contains(at)).collect();
    opens.windows(2).map(|pair| pair[1].since(pair[0])).collect()
}

fn first_reason(played: &Played) -> (&str, &str) {
    let reason = &played.outcome.reasons[0];
    (&reason.code, &reason.evidence)
}

fn went_on(played: &Played, interruptions: u32) {
    let outcome = &played.outcome;
    assert_eq!(outcome.outcome, End::Calibrated, "{:?}", outcome.reasons);
    assert_eq!(outcome.stop, StopGrade::Still);
    assert_eq!(outcome.interruptions, interruptions, "{:?}", outcome.reasons);
    let said = outcome.reasons.iter().filter(|reason| reason.code == "link-back").count();
    assert_eq!(u32::try_from(said), Ok(interruptions), "{:?}", outcome.reasons);
}

#[test]
fn a_sensor_that_is_gone_for_three_seconds_of_programming_is_no_interruption() {
    let at = first_write() + 100;
    let played = play(vec![(at, Twist::SensorCut(3000))]);
    went_on(&played, 0);
    assert_eq!(noted(&played, "sensor-unreachable").len(), 1, "said once, not at every attempt");
    let back = noted(&played, "link-back");
    assert_eq!(back.len(), 1);
    assert!(back[0].at >= BenchTime::from_millis(at + 3000));
}

#[test]
fn while_the_engine_moves_the_sensor_is_asked_for_without_waiting_and_the_run_goes_on() {
    let at = moving();
    let played = play(vec![(at, Twist::SensorCut(3000))]);
    went_on(&played, 1);
    // At once, and then every quarter of a second (the world looks every 20 ms).
    assert!(played.opens.iter().any(|open| open.since(BenchTime::from_millis(at)).as_millis() <= 20));
    let waits = waits(&played, at - 20, at + 3000);
    assert!((10..=12).contains(&waits.len()), "{waits:?}");
    assert!(waits.iter().all(|wait| (240..=280).contains(&wait.as_millis())), "{waits:?}");
    let orders = ordered(&played, at);
    assert_eq!(orders[0].1, &Action::EmergencyStop);
    assert!(orders[0].0.since(BenchTime::from_millis(at)).as_millis() <= 40);
    // The power was cut by the run itself: it may be switched on again.
    let list: Vec<&Action> = orders.iter().map(|(_, action)| *action).collect();
    let place = |action: &Action| list.iter().position(|ordered| *ordered == action);
    assert!(place(&Action::PowerOff) < place(&Action::AskPower), "{list:?}");
    assert!(place(&Action::AskPower) < place(&Action::PowerOn), "{list:?}");
    assert!(place(&Action::PowerOn) < list.iter().position(|ordered| is_moving(ordered)), "{list:?}");
}

fn is_moving(action: &Action) -> bool {
    matches!(action, Action::Drive { setting, .. } if setting.value > 0)
}

#[test]
fn while_the_engine_stands_the_waits_grow() {
    let at = after(PhaseName::Sweep, 5000);
    let person = |at, act| (at, Twist::Person(act));
    let played = play(vec![
        person(at, PersonAct::Pause),
        (at + 15_000, Twist::SensorCut(60_000)),
        person(at + 90_000, PersonAct::GoOn),
    ]);
    went_on(&played, 0);
    let waits = waits(&played, at + 14_000, at + 76_000);
    let seconds: Vec<f64> = waits.iter().map(|wait| (wait.as_secs_f64() * 2.0).round() / 2.0).collect();
    assert_eq!(&seconds[..4], [1.0, 2.0, 4.0, 8.0], "{waits:?}");
    assert!(seconds[4..].iter().all(|wait| (*wait - 8.0).abs() < 0.1), "{waits:?}");
}

#[test]
fn a_sensor_that_is_connected_and_silent_is_opened_anew() {
    let at = first_write() + 100;
    let played = play(vec![(at, Twist::HalfOpen)]);
    went_on(&played, 0);
    let opens: Vec<u128> =
        played.opens.iter().map(|open| open.since(BenchTime::from_millis(at)).as_millis()).collect();
    assert!(opens.iter().any(|after| (2900..=3100).contains(after)), "{opens:?}");
    // While it moves it is stopped, and the link opened at once after that.
    let at = moving();
    let played = play(vec![(at, Twist::HalfOpen)]);
    went_on(&played, 1);
    assert!(played.opens.iter().any(|open| {
        *open > BenchTime::from_millis(at) && open.since(BenchTime::from_millis(at)).as_millis() <= 1100
    }));
}

#[test]
fn a_station_that_comes_back_is_attached_again_and_the_run_goes_on() {
    for (at, back) in [(moving(), 3000), (moving(), 25_000), (after(PhaseName::Verify, 9000), 8000)] {
        let played = play(vec![(at, Twist::StationCut(back))]);
        went_on(&played, 1);
        let orders = ordered(&played, at);
        let list: Vec<&Action> = orders.iter().map(|(_, action)| *action).collect();
        assert!(matches!(list[0], Action::Stop), "{list:?}");
        let back_at = BenchTime::from_millis(at + back);
        let drive = orders.iter().find(|(_, action)| is_moving(action)).unwrap();
        assert!(drive.0 > back_at, "nothing moves before the station is back");
        for needed in [Action::Attach, Action::TakeEngine] {
            assert!(list.contains(&&needed), "{needed:?}: {list:?}");
        }
    }
}

#[test]
fn a_link_that_does_not_come_back_ends_the_run_with_the_first_reason() {
    for (twist, code) in
        [(Twist::StationCut(EVER), "session-lost"), (Twist::SensorCut(EVER), "sensor-unreachable")]
    {
        let at = moving();
        let played = play(vec![(at, twist)]);
        assert_eq!(played.outcome.outcome, End::Halted);
        let reasons = &played.outcome.reasons;
        let why = reasons.iter().find(|reason| reason.code != "stop-unconfirmed").unwrap();
        assert_eq!(why.code, code, "{reasons:?}");
        assert!(why.evidence.contains("not back within 60 s"), "{}", why.evidence);
        assert_eq!(played.outcome.interruptions, 1);
        let ending = played.records.iter().find(|r| matches!(r.body, RecordBody::Ending(_))).unwrap();
        let waited = ending.at.since(BenchTime::from_millis(at));
        assert!((59..=62).contains(&waited.as_secs()), "{waited:?}");
    }
}

/// Waits of 1, 2, 4, 8, 16 and 30 s: without a last attempt at the end of the minute nobody would have looked since half
/// of it.
#[test]
fn a_station_that_comes_back_between_two_attempts_is_still_found() {
    let at = first_write() + 100;
    let played = play(vec![(at, Twist::StationCut(50_000))]);
    went_on(&played, 1);
    let tries: Vec<u64> = ordered(&played, at)
        .iter()
        .filter(|(_, action)| **action == Action::Attach)
        .map(|(tried, _)| tried.since(BenchTime::from_millis(at)).as_secs())
        .collect();
    assert_eq!(tries, [0, 1, 3, 7, 15, 31, 60]);
}

#[test]
fn where_the_bench_file_says_so_nothing_is_waited_for() {
    for (twist, code) in
        [(Twist::StationCut(0), "session-lost"), (Twist::SensorCut(2000), "sensor-unreachable")]
    {
        let played = play_with(|plan| plan.spec.limits.reconnect = Duration::ZERO, vec![(moving(), twist)]);
        assert_eq!((played.outcome.outcome, first_reason(&played).0), (End::Halted, code));
        assert_eq!(played.outcome.interruptions, 0);
        // Also while the run ends the sensor is opened again: so its standstill is seen.
        assert_eq!(played.outcome.stop, StopGrade::Still);
    }
}

#[test]
fn the_sixth_interruption_ends_the_run() {
    let at = moving();
    let cuts = |count: u64| (0..count).map(|n| (at + 30_000 * n, Twist::SensorCut(300))).collect();
    let slow = |plan: &mut RunPlan| {
        (plan.spec.warm_up.shortest, plan.spec.warm_up.longest) =
            (Duration::from_secs(400), Duration::from_secs(500));
    };
    went_on(&play_with(slow, cuts(5)), 5);
    let played = play_with(slow, cuts(6));
    assert_eq!(played.outcome.outcome, End::Halted);
    let (code, evidence) = first_reason(&played);
    assert_eq!(code, "sensor-unreachable");
    assert!(evidence.contains("interrupted 5 times before"), "{evidence}");
    assert_eq!(played.outcome.interruptions, 5);
}

#[test]
fn power_that_somebody_cut_meanwhile_stays_off() {
    let at = moving();
    let played = play(vec![(at, Twist::StationCut(8000)), (at + 1000, Twist::PowerCut)]);
    assert_eq!((played.outcome.outcome, first_reason(&played).0), (End::Halted, "power-lost"));
    let orders = ordered(&played, at);
    assert!(orders.iter().all(|(_, action)| **action != Action::PowerOn), "{orders:?}");
    assert!(orders.iter().all(|(_, action)| !matches!(action, Action::WriteCv { .. })), "{orders:?}");
}

#[test]
fn programming_goes_on_after_identity_and_the_cv_in_doubt_were_read() {
    let (first, mut resumed) = (first_write(), 0);
    // Here and there in the writing: between writes, and within one.
    for part in 0..8 {
        let at = first + 10 + 37 * part;
        let played = play(vec![(at, Twist::StationCut(2000))]);
        went_on(&played, 1);
        let orders = ordered(&played, at + 2000);
        let list: Vec<&Action> = orders.iter().map(|(_, action)| *action).collect();
        let Some(write) = list.iter().position(|action| matches!(action, Action::WriteCv { .. })) else {
            continue;
        };
        resumed += 1;
        let read = |number: u16| {
            list[..write].iter().any(|action| matches!(action, Action::ReadCv { cv, .. } if *cv == number))
        };
        // The version, the maker and the address say which decoder it is.
        assert!(read(7) && read(8) && read(1), "{list:?}");
        let begin = list.iter().position(|action| **action == Action::BeginProgramming);
        assert!(begin < Some(write));
        // The write that was under way, if any, is read first.
        let Action::WriteCv { cv, .. } = list[write] else { unreachable!() };
        let intended = |record: &Record| match record.body {
            RecordBody::CvIntention { cv, .. } if record.at < BenchTime::from_millis(at) => Some(cv),
            _ => None,
        };
        let written = |record: &Record| match record.body {
            RecordBody::CvWritten { cv, .. } if record.at < BenchTime::from_millis(at) => Some(cv),
            _ => None,
        };
        let open = played.records.iter().filter_map(intended).next_back();
        if open != played.records.iter().filter_map(written).next_back() {
            assert!(read(open.unwrap()), "{list:?}");
        }
        // Written ahead as ever.
        let due = played
            .records
            .iter()
            .position(|record| {
                record.at == orders[write].0
                    && matches!(&record.body, RecordBody::Ordered { action, .. } if action == list[write])
            })
            .unwrap();
        let ahead = played.records[..due]
            .iter()
            .rev()
            .find(|record| matches!(record.body, RecordBody::CvIntention { .. }));
        assert!(
            matches!(ahead.map(|record| &record.body), Some(RecordBody::CvIntention { cv: ahead, .. }) if ahead == cv)
        );
    }
    assert!(resumed >= 4, "{resumed}");
}

#[test]
fn after_a_long_wait_the_engine_runs_warm_again() {
    for purpose in [PointPurpose::Sweep, PointPurpose::Verify] {
        let at = third_point(purpose);
        let longer = |plan: &mut RunPlan| plan.spec.limits.reconnect = Duration::from_secs(300);
        for (cut, warm_s) in [(10_000, 0), (200_000, 180)] {
            let played = play_with(longer, vec![(at, Twist::StationCut(cut))]);
            went_on(&played, 1);
            let back = noted(&played, "link-back").last().unwrap().at;
            let point =
                |record: &&Record| record.at > back && matches!(record.body, RecordBody::Point { .. });
            let waited = played.records.iter().find(point).unwrap().at.since(back).as_secs();
            assert!(waited >= warm_s && waited < warm_s + 30, "{purpose:?}: {waited} s");
        }
    }
}

#[test]
fn the_information_session_is_opened_again_beside_the_run() {
    let at = moving();
    let lost = StationEvent::SessionLost { session: Session::Information, why: "gone".to_owned() };
    let played = play(vec![(at, Twist::Told(lost))]);
    went_on(&played, 0);
    let orders = ordered(&played, at);
    assert!(orders.iter().any(|(_, action)| **action == Action::Attach));
    assert_eq!(noted(&played, "link-back").len(), 1);
}

#[test]
fn a_stop_of_the_person_ends_the_waiting() {
    let at = moving();
    let stop = (at + 10_000, Twist::Person(PersonAct::Stop));
    let played = play(vec![(at, Twist::SensorCut(EVER)), stop]);
    assert_eq!((played.outcome.outcome, first_reason(&played).0), (End::Interrupted, "person-stopped"));
    assert_eq!(played.outcome.restore_pending, []);
}

#[test]
fn a_source_without_direction_is_said_once_and_calibrates() {
    let blind = |plan: &mut RunPlan| plan.spec.sensor.sees_direction = false;
    let played = play_with(blind, Vec::new());
    went_on(&played, 0);
    assert_eq!(noted(&played, "direction-not-seen").len(), 1);
    let plain = play(Vec::new());
    assert_eq!(played.outcome.reasons, plain.outcome.reasons);
    // Where the source does tell it, nothing is said.
    assert_eq!(noted(&plain, "direction-not-seen").len(), 0);
}

#[test]
fn a_link_whose_header_is_missing_is_opened_anew() {
    let at = first_write() + 100;
    // The link is told open again without having been asked for: its header is missing until it is opened anew.
    let played = play(vec![(at, Twist::Input(Input::SensorOpened))]);
    went_on(&played, 0);
}

#[test]
fn housekeeping_is_written_down_now_and_then() {
    let mut hand = Hand::new();
    let tell = |hand: &mut Hand, seconds: f64, battery_v, temperature_c| {
        hand.pass(seconds, |_| {});
        hand.cx.keep_house(Housekeeping { battery_v, temperature_c });
        let mut records = Vec::new();
        while let Some(output) = hand.cx.outbox.poll_output() {
            if let Output::Record(Record { body: RecordBody::Housekeeping(told), .. }) = output {
                records.push(told);
            }
        }
        records.pop()
    };
    let of = |battery_v, temperature_c| Some(Housekeeping { battery_v, temperature_c });
    assert_eq!(tell(&mut hand, 1.0, Some(3.95), None), of(Some(3.95), None), "the first");
    assert_eq!(tell(&mut hand, 1.0, Some(3.94), Some(21.0)), None, "too soon");
    assert_eq!(tell(&mut hand, 1.0, Some(3.90), None), of(Some(3.90), Some(21.0)), "the battery fell");
    assert_eq!(tell(&mut hand, 59.0, None, Some(22.0)), None, "too soon");
    assert_eq!(tell(&mut hand, 2.0, None, Some(22.5)), of(Some(3.90), Some(22.5)), "a minute later");
    assert_eq!(tell(&mut hand, 70.0, None, Some(22.5)), None, "nothing new");
    assert_eq!(tell(&mut hand, 70.0, Some(f64::NAN), None), None);
    let span = hand.cx.housekeeping.span().unwrap();
    assert_eq!((Some(span.first), Some(span.last)), (of(Some(3.95), Some(21.0)), of(Some(3.90), Some(22.5))));
}

#[test]
fn a_sensor_that_cannot_be_opened_is_named_at_once_and_no_power_is_given() {
    let played = play(vec![(0, Twist::SensorCut(EVER))]);
    let outcome = &played.outcome;
    assert_eq!((outcome.outcome, outcome.reasons[0].code.as_str()), (End::Halted, "sensor-unreachable"));
    assert!(outcome.reasons[0].evidence.contains("sensor: re"), "{:?}", outcome.reasons);
    let begun = played.records.iter().find(|record| matches!(record.body, RecordBody::Ending(_))).unwrap();
    assert!(begun.at < BenchTime::from_millis(2000), "{}", begun.at);
    assert!(!ordered(&played, 0).iter().any(|(_, action)| **action == Action::PowerOn));
}
