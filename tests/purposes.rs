//! What a run can be for beside the whole job: the sweep alone, a check of the table that is there, running in, rolling for a
//! test of the stop. Played on the virtual bench and held against the simulation's truth.
#![expect(
    clippy::unwrap_used,
    clippy::panic,
    clippy::print_stdout,
    reason = "helpers of a test fail by panicking, as the tests do; figures are printed"
)]
mod played;

use pacewright::bench::virtual_bench::{VirtualBench, VirtualEnd};
use pacewright::calibrate::TableUse;
use pacewright::config::TargetSpec;
use pacewright::journal::{RunFolder, known_curve};
use pacewright::run::{
    DecoderState, End, KnownCurve, PhaseName, PointPurpose, Purpose, RecordBody, RunOutcome, StepSource,
    StopGrade, VerdictWord,
};
use pacewright::sim::SimFault;
use pacewright::time::BenchTime;
use played::{ENGINES, for_each, outcome, play};
use std::time::Duration;

const SEED: u64 = 5;

fn secs(seconds: u64) -> Duration {
    Duration::from_secs(seconds)
}

/// A quicker job than the scenario's.
fn bench(engine: usize, purpose: Purpose) -> VirtualBench {
    let mut bench = ENGINES[engine].bench((ENGINES[engine].recipe)(SEED));
    let spec = &mut bench.plan.spec;
    (spec.warm_up.shortest, spec.warm_up.longest) = (secs(120), secs(240));
    bench.plan.purpose = purpose;
    bench
}

/// The same bench after an earlier run.
fn after(end: &VirtualEnd, engine: usize, purpose: Purpose) -> VirtualBench {
    let mut next = bench(engine, purpose);
    next.bench = end.bench.clone();
    next.began = end.ended;
    next
}

fn good(outcome: &RunOutcome, end: End) {
    assert_eq!(outcome.outcome, end, "{:?}", outcome.reasons);
    assert_eq!(outcome.stop, StopGrade::Still);
}

#[test]
fn a_check_says_of_a_written_table_what_the_truth_says_and_writes_nothing() {
    let verdicts = for_each(&[0, 1, 2, 3], |engine| {
        let calibrated = play(bench(*engine, Purpose::Calibrate));
        good(outcome(&calibrated), End::Calibrated);
        let cvs = calibrated.bench.truth().cvs;
        let setup = after(&calibrated, *engine, Purpose::Check);
        let limits = setup.plan.spec.limits;
        let end = play(setup);
        let checked = outcome(&end);
        good(checked, End::Checked);
        assert_eq!(checked.decoder_state, DecoderState::Original);
        assert_eq!(end.bench.truth().cvs, cvs, "nothing was written");
        assert!(checked.steps.len() >= 5, "{}", checked.steps.len());
        for row in &checked.steps {
            for (forward, said, u) in
                [(true, row.forward_mm_s, row.forward_u_mm_s), (false, row.reverse_mm_s, row.reverse_u_mm_s)]
            {
                let truth = end.bench.steady_speed(forward, row.step, checked.step_mode);
                let (said, u) = (said.unwrap(), u.unwrap());
                let allowed = (limits.tolerance_rel * row.target_mm_s).max(limits.tolerance_floor_mm_s);
                assert!(
                    (truth - said).abs() < 3.0 * u + 0.3 * allowed,
                    "step {}: {said} +- {u}, true {truth}",
                    row.step
                );
            }
        }
        checked.verdict
    });
    println!("{verdicts:?}");
    assert!(verdicts.iter().filter(|verdict| **verdict == VerdictWord::Pass).count() >= 3, "{verdicts:?}");
    assert!(!verdicts.contains(&VerdictWord::Fail));
}

#[test]
fn a_check_of_a_decoder_that_was_never_calibrated_fails_and_is_said_so() {
    let end = play(bench(1, Purpose::Check));
    let checked = outcome(&end);
    // Whatever it holds by itself, it is not this target.
    assert!(
        checked.verdict == VerdictWord::Fail
            || checked.reasons.iter().any(|reason| reason.code == "engine-too-fast"),
        "{:?} {:?}",
        checked.verdict,
        checked.reasons
    );
    assert_eq!(checked.decoder_state, DecoderState::Original);
}

#[test]
fn a_sweep_alone_measures_both_curves_and_leaves_the_decoder_as_it_was() {
    let setup = bench(1, Purpose::Sweep);
    let before = setup.bench.truth().cvs;
    let end = play(setup);
    let measured = outcome(&end);
    good(measured, End::Measured);
    assert_eq!(measured.decoder_state, DecoderState::Original);
    assert_eq!(end.bench.truth().cvs, before);
    let points = |purpose| {
        let is = move |body: &RecordBody| matches!(body, RecordBody::Point { purpose: own, .. } if *own == purpose);
        end.records.iter().filter(|record| is(&record.body)).count()
    };
    assert!(points(PointPurpose::Sweep) >= 10);
    assert_eq!(points(PointPurpose::Verify), 0);
    assert!(!end.records.iter().any(|record| matches!(record.body, RecordBody::Commit(_))));
}

#[test]
fn an_engine_is_run_in_both_ways_until_it_is_steady() {
    let purpose = Purpose::RunIn { shortest_s: 3600, longest_s: 4 * 3600, steady_per_hour: 0.01 };
    let mut setup = bench(0, purpose);
    setup.plan.spec.limits.run_time = secs(5 * 3600);
    let limit_mm_s = setup.plan.spec.limits.speed_mm_s;
    let before = setup.bench.truth().cvs;
    let end = setup.run_to_end(secs(6 * 3600)).unwrap();
    let ran_in = outcome(&end);
    good(ran_in, End::RanIn);
    assert_eq!(end.bench.truth().cvs, before);
    let told = end.records.iter().find_map(|record| match &record.body {
        RecordBody::RanIn { seconds, steady, forward, reverse } => {
            Some((*seconds, *steady, *forward, *reverse))
        }
        _ => None,
    });
    let (seconds, steady, forward, reverse) = told.unwrap();
    println!("{seconds} s, steady: {steady}, {forward:?}, {reverse:?}");
    assert!(steady && (3600.0..4.0 * 3600.0).contains(&seconds), "{seconds}");
    assert!(forward.is_some() && reverse.is_some());
    let mut settings: Vec<u16> = Vec::new();
    for record in &end.records {
        if let RecordBody::Point { purpose: PointPurpose::RunIn, setting, measured, .. } = &record.body {
            settings.push(setting.value);
            assert!(measured.speed_mm_s.abs() < limit_mm_s);
        }
    }
    settings.sort_unstable();
    settings.dedup();
    assert!(settings.len() >= 3, "{settings:?}");
}

#[test]
fn an_engine_that_rolls_is_neither_read_nor_written_and_stops_by_itself() {
    let end = play(bench(1, Purpose::Roll { seconds: 60 }));
    good(outcome(&end), End::Rolled);
    let programming = end.sent.iter().any(|(_, _, bytes)| bytes.windows(4).any(|part| part == b" SM "));
    assert!(!programming);
    let began =
        end.records.iter().find(|record| record.body == RecordBody::Phase(PhaseName::Rolling)).unwrap().at;
    let rolled = end.ended.since(began);
    assert!(rolled >= secs(60) && rolled < secs(100), "{rolled:?}");
    assert!(end.ended > BenchTime::ZERO);
}

#[test]
fn a_recheck_takes_about_three_minutes_and_tells_speeds_without_a_verdict() {
    for_each(&[0, 1, 2, 3], |engine| {
        let calibrated = play(bench(*engine, Purpose::Calibrate));
        good(outcome(&calibrated), End::Calibrated);
        let cvs = calibrated.bench.truth().cvs;
        let mut setup = after(&calibrated, *engine, Purpose::Recheck);
        // Days have passed: it is cold again.
        setup.bench.apply(SimFault::Warmth(0.0));
        let end = play(setup);
        let checked = outcome(&end);
        good(checked, End::Checked);
        assert_eq!(end.bench.truth().cvs, cvs, "nothing was written");
        assert_eq!((checked.verdict, &checked.reasons[..]), (VerdictWord::None, &[][..]));
        println!("{}: {:.0} s", ENGINES[*engine].name, checked.bench_seconds);
        assert!(checked.bench_seconds < 240.0, "{}", checked.bench_seconds);
        assert!(checked.steps.len() == 3, "{}", checked.steps.len());
        for row in &checked.steps {
            let truth = end.bench.steady_speed(true, row.step, checked.step_mode);
            let (said, u) = (row.forward_mm_s.unwrap(), row.forward_u_mm_s.unwrap());
            // The engine got warmer until the end: by some per cent.
            assert!((truth - said).abs() < 3.0 * u + 0.04 * truth, "step {}: {said}, {truth}", row.step);
            let (own, shared) = (row.forward_own_u_mm_s.unwrap(), row.forward_shared_u_mm_s.unwrap());
            assert!((libm::hypot(own, shared) - u).abs() < 1e-9 && shared > 0.0, "{own} {shared} {u}");
        }
    });
}

/// The curve that a played run left on its disk.
fn curve_of(end: &VirtualEnd) -> KnownCurve {
    known_curve(&RunFolder::open(&end.disk, &end.folder).unwrap()).unwrap()
}

#[test]
fn a_known_curve_gives_a_table_for_another_target_without_a_sweep() {
    for_each(&[0, 1, 2, 3], |engine| {
        let calibrated = play(bench(*engine, Purpose::Calibrate));
        good(outcome(&calibrated), End::Calibrated);
        let before = outcome(&calibrated).table;
        let curve = curve_of(&calibrated);
        assert!(curve.held.iter().any(|(cv, _)| *cv == 8), "{:?}", curve.held);
        let mut setup = after(&calibrated, *engine, Purpose::Retarget(Box::new(curve)));
        setup.folder = "/runs/2".into();
        let spec = &mut setup.plan.spec;
        let (creep_mm_s, top_mm_s) = match &spec.target {
            TargetSpec::Line { creep_mm_s, top_mm_s } => (1.2 * creep_mm_s, 0.85 * top_mm_s),
            TargetSpec::Points(points) => (1.2 * points[0].1, 0.85 * points[points.len() - 1].1),
        };
        spec.target = TargetSpec::Line { creep_mm_s, top_mm_s };
        let (limits, of) = (spec.limits, spec.engine.step_mode);
        let end = play(setup);
        let done = outcome(&end);
        good(done, End::Calibrated);
        assert_eq!(done.decoder_state, DecoderState::New);
        assert_ne!(done.table, before);
        let swept = end.records.iter().any(|record| record.body == RecordBody::Phase(PhaseName::Sweep));
        assert!(!swept, "nothing was swept");
        println!(
            "{}: {:.0} s after {:.0} s, {:?}, {:?}",
            ENGINES[*engine].name,
            done.bench_seconds,
            outcome(&calibrated).bench_seconds,
            done.verdict,
            done.worst_deviation_percent
        );
        for row in done.steps.iter().filter(|row| row.source == StepSource::Measured) {
            for forward in [true, false] {
                let truth = end.bench.steady_speed(forward, row.step, of);
                let allowed = (limits.tolerance_rel * row.target_mm_s).max(limits.tolerance_floor_mm_s);
                let off = (truth - row.target_mm_s).abs();
                assert!(off < 1.5 * allowed + row.forward_u95_mm_s.unwrap(), "step {}: {off}", row.step);
            }
        }
    });
}

#[test]
fn a_curve_is_not_used_for_a_decoder_that_holds_something_else() {
    let calibrated = play(bench(1, Purpose::Calibrate));
    let mut curve = curve_of(&calibrated);
    let middle = curve.held.iter_mut().find(|(cv, _)| *cv == 6).unwrap();
    middle.1 = middle.1.wrapping_add(9);
    let cvs = calibrated.bench.truth().cvs;
    let end = play(after(&calibrated, 1, Purpose::Retarget(Box::new(curve))));
    let refused = outcome(&end);
    good(refused, End::Rejected);
    assert_eq!(refused.reasons[0].code, "curve-of-another-decoder", "{:?}", refused.reasons);
    assert_eq!(end.bench.truth().cvs, cvs, "nothing was written");
    assert!(!end.records.iter().any(|record| matches!(record.body, RecordBody::CvIntention { .. })));
}

/// A decoder that leaves the trims out would run one direction off its target.
#[test]
fn a_decoder_that_leaves_the_trims_out_is_found_by_a_retarget_too() {
    let asymmetric = |purpose| {
        let mut recipe = (ENGINES[1].recipe)(SEED);
        recipe.decoder.ignores_trims = true;
        let mut setup = ENGINES[1].bench(recipe);
        setup.plan.purpose = purpose;
        setup
    };
    let calibrated = play(asymmetric(Purpose::Calibrate));
    let left_out =
        |end: &VirtualEnd| matches!(outcome(end).engine.table_use, Some(TableUse::WithoutTrims(_)));
    good(outcome(&calibrated), End::Calibrated);
    assert!(left_out(&calibrated), "{:?}", outcome(&calibrated).engine);
    let mut next = asymmetric(Purpose::Retarget(Box::new(curve_of(&calibrated))));
    (next.bench, next.began, next.folder) = (calibrated.bench.clone(), calibrated.ended, "/runs/2".into());
    let TargetSpec::Line { creep_mm_s, top_mm_s } = next.plan.spec.target else {
        panic!("a line is expected")
    };
    next.plan.spec.target = TargetSpec::Line { creep_mm_s, top_mm_s: 0.85 * top_mm_s };
    let (limits, of) = (next.plan.spec.limits, next.plan.spec.engine.step_mode);
    let end = play(next);
    good(outcome(&end), End::Calibrated);
    assert!(left_out(&end), "{:?}", outcome(&end).engine);
    for row in outcome(&end).steps.iter().filter(|row| row.source == StepSource::Measured) {
        for forward in [true, false] {
            let off = (end.bench.steady_speed(forward, row.step, of) - row.target_mm_s).abs();
            let allowed = (limits.tolerance_rel * row.target_mm_s).max(limits.tolerance_floor_mm_s);
            assert!(
                off < 1.5 * allowed + row.forward_u95_mm_s.unwrap(),
                "step {}: {off} of {allowed}",
                row.step
            );
        }
    }
}

/// A check comes straight from the warm-up: it is not warmed a second time, as after a writing that let the engine cool.
#[test]
fn a_check_goes_from_the_warm_up_to_its_first_point_without_another() {
    let calibrated = play(bench(1, Purpose::Calibrate));
    let end = play(after(&calibrated, 1, Purpose::Check));
    let from = |body: &dyn Fn(&RecordBody) -> bool| {
        end.records.iter().find(|record| body(&record.body)).map(|record| record.at).unwrap()
    };
    let verify = from(&|body| *body == RecordBody::Phase(PhaseName::Verify));
    let first = from(&|body| matches!(body, RecordBody::Point { purpose: PointPurpose::Verify, .. }));
    let took = first.since(verify);
    println!("first point of the check after {:.0} s", took.as_secs_f64());
    assert!(took < secs(75), "{took:?}");
}
