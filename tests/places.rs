//! The whole job where programming happens elsewhere: on the main without reading back, and on an output to which the
//! person carries the engine. Also the question which end leads, and 126 against 28 steps.
use pacewright::bench::virtual_bench::{VirtualBench, VirtualEnd};
use pacewright::config::{self, BenchSpec, LeadingEnd, ProgrammingPlace};
use pacewright::run::{Answer, DecoderState, End, Question, RecordBody, RunOutcome, RunPlan, StopGrade};
use pacewright::sim::demo_engines;
use std::time::Duration;

const AVOCET: &str = include_str!("../scenarios/avocet.toml");
const LIMIT: Duration = Duration::from_secs(4 * 3600);

fn avocet(change: impl FnOnce(&mut BenchSpec)) -> VirtualBench {
    let mut spec = config::read("avocet.toml", AVOCET).expect("the scenario is right");
    change(&mut spec);
    VirtualBench::new(demo_engines::avocet(5), RunPlan::new(spec), AVOCET)
}

fn play(bench: VirtualBench) -> (VirtualEnd, RunOutcome) {
    let end = bench.run_to_end(LIMIT).expect("the virtual disk takes the record");
    assert_eq!(end.broken, None);
    let outcome = end.outcome.clone().expect("the run ends within the limit");
    (end, outcome)
}

/// Largest deviation of the truth from the target in parts of the tolerance.
fn worst(end: &VirtualEnd, outcome: &RunOutcome, spec: &BenchSpec) -> f64 {
    let deviation = |row: &pacewright::run::StepRow, forward: bool| {
        let truth = end.bench.steady_speed(forward, row.step, outcome.step_mode);
        let allowed = (spec.limits.tolerance_rel * row.target_mm_s).max(spec.limits.tolerance_floor_mm_s);
        (truth - row.target_mm_s).abs() / allowed
    };
    outcome.steps.iter().flat_map(|row| [deviation(row, true), deviation(row, false)]).fold(0.0, f64::max)
}

fn asked(end: &VirtualEnd) -> Vec<Question> {
    let questions = end.records.iter().filter_map(|record| match record.body {
        RecordBody::Asked { what, .. } => Some(what),
        _ => None,
    });
    questions.collect()
}

#[test]
fn on_the_main_the_table_is_written_unread_and_proven_by_measuring() {
    let bench = avocet(|spec| {
        spec.programming.place = ProgrammingPlace::Main;
        spec.programming.no_way_back = true;
    });
    let spec = bench.plan.spec.clone();
    let (end, outcome) = play(bench);
    assert_eq!(outcome.outcome, End::Calibrated, "{:?}", outcome.reasons);
    assert_eq!(outcome.decoder_state, DecoderState::New);
    assert!(worst(&end, &outcome, &spec) <= 1.05, "{}", worst(&end, &outcome, &spec));
    let unconfirmed = |record: &&pacewright::run::Record| {
        matches!(record.body, RecordBody::CvWritten { confirmed: false, .. })
    };
    assert!(
        end.records.iter().filter(unconfirmed).count() >= 30,
        "writes on the main are never called confirmed"
    );
}

#[test]
fn an_engine_carried_to_the_programming_output_is_asked_for_each_time() {
    let bench = avocet(|spec| spec.programming.place = ProgrammingPlace::MovedByHand);
    let spec = bench.plan.spec.clone();
    let (end, outcome) = play(bench);
    assert_eq!(outcome.outcome, End::Calibrated, "{:?}", outcome.reasons);
    assert_eq!(outcome.stop, StopGrade::Still);
    assert!(worst(&end, &outcome, &spec) <= 1.05);
    let asked = asked(&end);
    assert!(asked.len() >= 6, "{asked:?}");
    for pair in asked.chunks(2) {
        assert_eq!(pair, [Question::MoveToProgramming, Question::MoveToBench]);
    }
}

#[test]
fn which_end_leads_is_asked_after_the_first_slow_move_with_the_engine_standing() {
    let mut bench = avocet(|spec| spec.engine.leading_end = LeadingEnd::Ask);
    bench.answers = |question| (question == Question::WhichEndLed).then_some(Answer::Rear);
    let (end, outcome) = play(bench);
    assert_eq!(outcome.outcome, End::Calibrated, "{:?}", outcome.reasons);
    assert_eq!(asked(&end), [Question::WhichEndLed]);
    let noted = |record: &pacewright::run::Record| matches!(&record.body, RecordBody::Noted(reason) if reason.code == "rear-leads");
    assert!(end.records.iter().any(noted));
}

#[test]
fn a_straight_is_refused_before_anything_moves_or_is_written() {
    let bench =
        avocet(|spec| spec.path = config::PathKind::Straight { length_mm: 1500.0, reserve_mm: 250.0 });
    let before = bench.bench.truth().cvs;
    let (end, outcome) = play(bench);
    assert_eq!(outcome.outcome, End::Rejected);
    assert_eq!(outcome.reasons[0].code, "path-too-short");
    assert_eq!(outcome.decoder_state, DecoderState::Original);
    assert_eq!(end.bench.truth().cvs, before);
    let moved =
        |record: &pacewright::run::Record| matches!(record.body, RecordBody::Ordered { rising: true, .. });
    assert!(!end.records.iter().any(moved));
}

#[test]
fn the_top_out_of_reach_is_said_before_anything_of_the_table_is_written() {
    for lower in [false, true] {
        let bench = avocet(|spec| {
            let mm_s = |km_h: f64| km_h / 3.6 / 87.0 * 1000.0;
            spec.target = config::TargetSpec::Line { creep_mm_s: mm_s(3.0), top_mm_s: mm_s(215.0) };
            spec.limits.speed_mm_s = 2000.0;
            spec.limits.lower_top = lower;
        });
        let before = bench.bench.truth().cvs;
        let (end, outcome) = play(bench);
        assert_eq!(outcome.reasons[0].code, "target-top-out-of-reach", "{:?}", outcome.reasons);
        assert!(outcome.reasons[0].evidence.contains("highest reachable"), "{}", outcome.reasons[0].evidence);
        if lower {
            assert_eq!(outcome.outcome, End::Calibrated, "{:?}", outcome.reasons);
        } else {
            assert_eq!((outcome.outcome, outcome.decoder_state), (End::Rejected, DecoderState::Original));
            assert_eq!(end.bench.truth().cvs, before);
            assert!(!end.records.iter().any(|record| matches!(record.body, RecordBody::Commit(_))));
        }
    }
}

#[test]
fn pending_originals_of_another_decoder_with_the_same_address_are_not_written() {
    let mut bench = avocet(|_| ());
    let before = bench.bench.truth().cvs;
    let version = before[&7];
    bench.plan.pending = vec![(7, version.wrapping_add(1)), (8, before[&8]), (2, 99), (5, 17)];
    let (end, outcome) = play(bench);
    assert_eq!((outcome.outcome, outcome.reasons[0].code.as_str()), (End::Halted, "another-engine"));
    assert_eq!(end.bench.truth().cvs, before);
    assert_eq!(outcome.restore_pending, [(2, 99), (5, 17)], "they still wait for their own decoder");
}
