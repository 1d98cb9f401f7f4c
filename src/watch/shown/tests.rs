//! What readers are given: all at first, then what changed, and never a figure that is no number.
use super::*;
use crate::bench::person::Person;
use crate::bench::status::Status;
use crate::cause::{Reason, sensor};
use crate::motion::Measured;
use crate::run::{GuardName, Margin, Purpose};
use crate::station::Setting;
use crate::time::BenchTime;

fn shown() -> Shown {
    let spec = crate::config::read("lapwing.toml", include_str!("../../../scenarios/lapwing.toml")).unwrap();
    let person = Person::new(Status::before("run-1", "Lapwing", 1.0));
    Shown::new(
        &Subject {
            run_id: "run-1",
            spec: &spec,
            purpose: &Purpose::Calibrate,
            time_lapse: 1.0,
            records: "runs".into(),
            way_in: person.way_in(),
        },
        "page-1",
    )
}

fn progress(phase: PhaseName, value: u16, speed_mm_s: f64) -> News {
    News::Progress(
        BenchTime::from_millis(1_500),
        Box::new(Progress {
            phase,
            ordered: Some((Setting { value, of: 28 }, Direction::Reverse)),
            speed_mm_s: Some(speed_mm_s),
            done: f64::NAN,
            left_s: f64::INFINITY,
            waiting: false,
            housekeeping: None,
            held: None,
            margins: vec![
                Margin { guard: GuardName::TooFast, value: 150.0, limit: 200.0, watches: true },
                Margin { guard: GuardName::Battery, value: 3.6, limit: 3.5, watches: true },
                Margin { guard: GuardName::NotMoving, value: f64::NAN, limit: 0.0, watches: false },
            ],
            field: None,
            quality: None,
        }),
    )
}

fn record(n: u64, body: RecordBody) -> News {
    News::Record(Box::new(Record { n, at: BenchTime::from_millis(2_000), body }))
}

fn point(purpose: PointPurpose, direction: Direction) -> RecordBody {
    let measured = Measured {
        speed_mm_s: -50.0,
        u_repeat_mm_s: 0.1,
        degrees: 10.0,
        u_mm_s: 0.2,
        half_width_mm_s: 0.4,
        turns: 12,
        seconds: 20.0,
        unsteady: false,
        short: false,
        surge: None,
        part_of_lap: None,
    };
    RecordBody::Point { purpose, setting: Setting { value: 14, of: 28 }, direction, measured, quality: None }
}

#[test]
fn a_reader_is_given_all_at_first_and_then_what_changed() {
    let mut shown = shown();
    let mut seen = Seen::default();
    let first = shown.since(&mut seen, true);
    assert_eq!(first["run"]["engine"], "Lapwing");
    assert_eq!(first["run"]["address"], 4);
    assert_eq!(shown.since(&mut seen, true), json!({}), "nothing changed");
    shown.hear(&progress(PhaseName::Sweep, 14, -50.0));
    shown.hear(&record(1, RecordBody::Phase(PhaseName::Sweep)));
    let second = shown.since(&mut seen, false);
    assert_eq!(second["now"]["measured_mm_s"], 50.0);
    assert_eq!(
        second["now"]["wanted_mm_s"],
        Value::Null,
        "before there is a table nothing is wanted of a step"
    );
    assert_eq!(second["now"]["ordered"], json!({ "step": 14, "of": 28, "direction": "reverse" }));
    assert_eq!(second["log"][0]["words"], "measuring");
    assert!(second.get("run").is_none() && second.get("live").is_none());
    let third = shown.since(&mut seen, true);
    assert!(third["live"]["trace"].as_str().unwrap().starts_with("<svg"), "pictures when they are wanted");
    assert!(third.get("now").is_none());
    let mut late = Seen::default();
    let whole = shown.since(&mut late, true);
    for part in ["run", "now", "guards", "live", "log"] {
        assert!(whole.get(part).is_some(), "{part} is missing for whoever comes later");
    }
}

#[test]
fn a_step_of_the_verify_has_a_wanted_speed() {
    let mut shown = shown();
    shown.hear(&progress(PhaseName::Verify, 28, 80.0));
    let target = shown.target.clone().unwrap();
    let told = shown.since(&mut Seen::default(), false);
    assert!((told["now"]["wanted_mm_s"].as_f64().unwrap() - target.top()).abs() < 1e-9);
}

#[test]
fn what_is_no_number_is_left_out_and_margins_lie_between_nothing_and_all() {
    let mut shown = shown();
    shown.hear(&progress(PhaseName::Verify, 0, f64::NAN));
    let told = shown.since(&mut Seen::default(), true);
    assert_eq!(told["now"]["measured_mm_s"], Value::Null);
    assert_eq!(told["now"]["left_s"], Value::Null);
    let guards = told["guards"].as_array().unwrap();
    assert_eq!(guards[0]["used"], 0.75);
    assert!((guards[1]["used"].as_f64().unwrap() - (1.0 - 0.1 / 0.35)).abs() < 1e-9, "{}", guards[1]);
    assert_eq!(guards[1]["least"], true);
    assert_eq!(guards[2]["used"], 0.0);
}

#[test]
fn points_of_both_directions_are_drawn_those_of_the_verify_apart() {
    let mut shown = shown();
    for side in [Direction::Forward, Direction::Reverse] {
        shown.hear(&record(1, point(PointPurpose::Sweep, side)));
        shown.hear(&record(2, point(PointPurpose::WarmUp, side)));
    }
    let mut seen = Seen::default();
    let told = shown.since(&mut seen, true);
    let curves = told["curves"].as_array().unwrap();
    assert_eq!(curves.len(), 1);
    let marks =
        |svg: &Value, class: &str| svg.as_str().unwrap().matches(&format!("class=\"mark {class}\"")).count();
    assert_eq!(
        (marks(&curves[0], "a"), marks(&curves[0], "b")),
        (2, 2),
        "a point and its sample of each side"
    );
    shown.hear(&record(3, point(PointPurpose::Verify, Direction::Forward)));
    let told = shown.since(&mut seen, true);
    assert_eq!(told["curves"].as_array().unwrap().len(), 2);
}

#[test]
fn a_question_stands_until_it_is_answered_and_a_log_stays_short() {
    let mut shown = shown();
    shown.hear(&record(1, RecordBody::Asked { question: 3, what: Question::WhichEndLed }));
    let mut seen = Seen::default();
    let told = shown.since(&mut seen, false);
    assert_eq!(told["now"]["question"]["answers"], json!(["front", "rear"]));
    shown.hear(&record(2, RecordBody::Answered { question: 3, answer: crate::run::Answer::Front }));
    assert_eq!(shown.since(&mut seen, false)["now"]["question"], Value::Null);
    for n in 0..500 {
        shown.hear(&record(n, RecordBody::Noted(Reason::new(&sensor::SILENT, "0.6 s"))));
    }
    let told = shown.since(&mut Seen::default(), false);
    let log = told["log"].as_array().unwrap();
    assert_eq!(log.len(), LINES);
    assert!(log[0]["words"].as_str().unwrap().ends_with("(0.6 s)"));
}
