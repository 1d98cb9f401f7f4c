//! Decoders differ in what they accept, how they use the table, and what they do beside: each behaviour of the simulated
//! decoder on two engines. The engine ends within its tolerance in truth, at every step and in both directions, or the run is
//! rejected with the right reason and the decoder is as it came.
#![expect(
    clippy::unwrap_used,
    clippy::panic,
    reason = "helpers of a test fail by panicking, as the tests do"
)]
mod played;

use pacewright::bench::replay::{Replayed, replay_on};
use pacewright::bench::virtual_bench::{Fault, VirtualBench, VirtualEnd};
use pacewright::calibrate::{BaselineKind, TableReading, TableUse};
use pacewright::config::{CvRule, ProfileText, TargetSpec};
use pacewright::run::{DecoderState, End, PersonAct, RecordBody, RunOutcome};
use pacewright::sim::{DecoderSim, Rounding, SimBench, SimFault, TableReading as SimReading};
use pacewright::time::BenchTime;
use played::{ENGINES, Engine, for_each, outcome, play};
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
use std::time::Duration;

const SEED: u64 = 3;

/// What a behaviour must lead to.
#[derive(Clone, Copy)]
enum Want {
    /// Calibrated; with this code among what is said, where there is one.
    Good(Option<&'static str>),
    /// Rejected with this code first, the decoder as it came.
    Rejected(&'static str),
    /// The one or the other, and this code said in any case.
    Either(&'static str),
}

use Want::{Either, Good, Rejected};

/// A behaviour: its name, steps of the mode, what it changes, what it must lead to.
struct Row {
    name: &'static str,
    steps: u16,
    change: fn(&mut DecoderSim),
    want: Want,
}

const fn row(name: &'static str, steps: u16, change: fn(&mut DecoderSim), want: Want) -> Row {
    Row { name, steps, change, want }
}

const fn s(seconds: u64) -> Duration {
    Duration::from_secs(seconds)
}

fn rows() -> Vec<Row> {
    vec![
        row("as the standards say, 28 steps", 28, |_| (), Good(None)),
        row("as the standards say, 126 steps", 126, |_| (), Good(None)),
        row("as the standards say, 14 steps", 14, |_| (), Good(None)),
        row("14 steps, rounds down", 14, |d| d.rounding = Rounding::Down, Good(None)),
        row("14 steps, no trims", 14, |d| d.ignores_trims = true, Either("trims-not-obeyed")),
        row(
            "reads its table from zero",
            126,
            |d| d.reading = SimReading::QuarterSteps,
            Good(Some("table-read-from-zero")),
        ),
        row(
            "does not interpolate",
            126,
            |d| d.reading = SimReading::Stairs,
            Rejected("table-not-interpolated"),
        ),
        row("does not interpolate, 28 steps", 28, |d| d.reading = SimReading::Stairs, Good(None)),
        row("has no trims", 28, |d| d.ignores_trims = true, Either("trims-not-obeyed")),
        row("has no table but says so", 28, |d| d.ignores_table = true, Rejected("table-not-obeyed")),
        row("refuses the table bit", 28, |d| d.has_table = false, Rejected("decoder-has-no-table")),
        row("trims act without the table", 28, |d| d.trims_without_table = true, Good(None)),
        row("table scaled by CV 2 and 5", 28, |d| d.scales_table = true, Good(None)),
        row(
            "table scaled by CV 2 and 5, refuses zeros",
            126,
            |d| (d.scales_table, d.refuses_zeros) = (true, true),
            Good(Some("decoder-zeros-not-linear")),
        ),
        row("rounds down", 126, |d| d.rounding = Rounding::Down, Good(None)),
        row("rounds to the nearest", 28, |d| d.rounding = Rounding::HalfUp, Good(None)),
        row("refuses zeros", 28, |d| d.refuses_zeros = true, Good(Some("decoder-zeros-not-linear"))),
        row("crawls with zeros", 28, |d| d.crawl = Some(34), Good(Some("decoder-zeros-not-linear"))),
        row("stands with zeros", 28, |d| d.crawl = Some(0), Good(Some("decoder-zeros-not-linear"))),
        row("keeps a middle of 64", 28, |d| d.fixed_curve = Some((255, 64)), Rejected("curve-bent")),
        row("keeps a middle of 192", 28, |d| d.fixed_curve = Some((255, 192)), Rejected("curve-bent")),
        row("momentum by CV 3 and 4", 28, |d| d.cvs.extend([(3, 20), (4, 25)]), Good(None)),
        row("momentum of its own", 28, |d| d.kept_momentum = s(4), Good(None)),
        row("starts late", 28, |d| d.start_delay = s(3), Good(None)),
        row("misses packets", 28, |d| d.misses = 0.05, Good(None)),
        row("acknowledges no write", 28, |d| d.acknowledges_writes = false, Good(None)),
        row("loses writes", 28, |d| d.loses_every = 7, Good(None)),
        row("slow to store", 28, |d| d.write_pause = Duration::from_millis(300), Good(None)),
        row("runs on without power", 28, |d| d.store = s(2), Good(None)),
        row("CV 3 does not answer", 28, |d| _ = d.unreadable.insert(3), Rejected("decoder-cv-unreadable")),
        row("locked", 28, |d| d.cvs.extend([(15, 1), (16, 2)]), Rejected("decoder-locked")),
        row("in a consist", 28, |d| d.cvs.extend([(19, 100)]), Rejected("engine-in-consist")),
    ]
}

/// The engines: a stiff one, and a fast one whose directions differ.
fn engines() -> [Engine; 2] {
    [ENGINES[0], ENGINES[1]]
}

fn bench(engine: Engine, steps: u16, change: impl FnOnce(&mut DecoderSim)) -> VirtualBench {
    let mut sim = (engine.recipe)(SEED);
    change(&mut sim.decoder);
    let mut bench = engine.bench(sim);
    let spec = &mut bench.plan.spec;
    spec.engine.step_mode = steps;
    // In 28 steps the linear baseline is nine counts a step, in 14 it is twenty: no place for a creep that hangs on one.
    if let TargetSpec::Line { creep_mm_s, .. } = &mut spec.target {
        *creep_mm_s = creep_mm_s.max(if steps == 14 { 60.0 } else { 30.0 });
    }
    (spec.warm_up.shortest, spec.warm_up.longest) = (s(60), s(120));
    bench
}

fn delivered(engine: Engine, change: impl FnOnce(&mut DecoderSim)) -> BTreeMap<u16, u8> {
    let mut sim = (engine.recipe)(SEED);
    change(&mut sim.decoder);
    SimBench::new(sim).truth().cvs
}

/// The largest true deviation at the steps nearest to the entries that stand in the result, in tolerances; the result's own
/// wanted speeds, for a lowered top or a raised creep is said there.
fn truly(engine: Engine, end: &VirtualEnd, outcome: &RunOutcome) -> f64 {
    let limits = engine.spec().limits;
    let mut warm = end.bench.clone();
    warm.apply(SimFault::Warmth(1.0));
    let off = outcome.steps.iter().flat_map(|row| {
        let allowed = (limits.tolerance_rel * row.target_mm_s).max(limits.tolerance_floor_mm_s);
        let speeds = [true, false].map(|forward| warm.steady_speed(forward, row.step, outcome.step_mode));
        speeds.map(|speed| (speed - row.target_mm_s).abs() / allowed)
    });
    off.fold(0.0, f64::max)
}

fn codes(outcome: &RunOutcome, end: &VirtualEnd) -> Vec<String> {
    let noted = end.records.iter().filter_map(|record| match &record.body {
        RecordBody::Noted(reason) => Some(reason.code.clone()),
        _ => None,
    });
    outcome.reasons.iter().map(|reason| reason.code.clone()).chain(noted).collect()
}

#[test]
#[expect(clippy::print_stderr, reason = "whoever works on it wants the matrix")]
fn every_behaviour_is_calibrated_in_truth_or_rejected_for_the_right_reason() {
    let rows = rows();
    let cases: Vec<(&Row, Engine)> =
        rows.iter().flat_map(|row| engines().map(|engine| (row, engine))).collect();
    for_each(&cases, |(row, engine)| {
        let end = play(bench(*engine, row.steps, row.change));
        let outcome = outcome(&end);
        let told = format!("{}, {}: {:?} {:?}", row.name, engine.name, outcome.outcome, codes(outcome, &end));
        let want = match row.want {
            Either(code) if outcome.outcome == End::Rejected => Rejected(code),
            Either(code) => Good(Some(code)),
            want => want,
        };
        match want {
            Either(_) => {}
            Rejected(code) => {
                assert_eq!(outcome.outcome, End::Rejected, "{told}");
                assert_eq!(outcome.reasons[0].code, code, "{told}");
                assert_eq!(outcome.decoder_state, DecoderState::Original, "{told}");
                assert_eq!(end.bench.truth().cvs, delivered(*engine, row.change), "{told}");
            }
            Good(code) => {
                let worst = truly(*engine, &end, outcome);
                eprintln!("{:45} {:8} {:?} {worst:.2}", row.name, engine.name, outcome.verdict);
                assert_eq!(outcome.outcome, End::Calibrated, "{told}");
                assert!(worst <= 1.0, "{told}: {worst}");
                let said = codes(outcome, &end);
                assert!(code.is_none_or(|code| said.iter().any(|said| said == code)), "{told}");
            }
        }
    });
}

/// A profile that is wrong for the decoder is blamed, and not the engine; a consist that may not be left is refused.
#[test]
fn a_profile_that_does_not_suit_the_decoder_is_named() {
    let refuses = |d: &mut DecoderSim| d.refuses_zeros = true;
    let zeros = include_str!("../profiles/linear-by-zeros.toml");
    let end = play(with_profile(ENGINES[0], 28, zeros, refuses));
    let told = outcome(&end);
    assert_eq!((told.outcome, told.reasons[0].code.as_str()), (End::Rejected, "decoder-cv-refused"));
    assert_eq!(end.bench.truth().cvs, delivered(ENGINES[0], refuses));
    // On a straight table those refusals do not matter.
    let table = profile(USUAL, "linear_by = \"table\"", "");
    let end = play(with_profile(ENGINES[1], 28, &table, refuses));
    assert_eq!(outcome(&end).outcome, End::Calibrated, "{:?}", outcome(&end).reasons);
    let worst = truly(ENGINES[1], &end, outcome(&end));
    assert!(worst <= 1.0, "{worst}");
    // Limits that leave zeros out say that they are refused.
    let limited = profile(&format!("{USUAL}\nwithin = [\"2: 1 to 255\"]"), "", "");
    let end = play(with_profile(ENGINES[0], 28, &limited, refuses));
    assert_eq!(outcome(&end).outcome, End::Calibrated, "{:?}", outcome(&end).reasons);
    assert!(codes(outcome(&end), &end).iter().any(|code| code == "decoder-zeros-not-linear"));
    // CV 19 and 20 left out, and a consist that the bench file lets be left.
    let closed = profile("touch = [\"2 to 6\", \"29\", \"66 to 95\"]", "", "");
    let mut bench = with_profile(ENGINES[0], 28, &closed, |d| d.cvs.extend([(19, 100)]));
    bench.plan.spec.programming.clear_consist = true;
    assert_eq!(outcome(&play(bench)).reasons[0].code, "profile-forbids");
}

/// What was found out stands in the result.
#[test]
fn what_kind_of_decoder_it_is_stands_in_the_result() {
    use TableReading::{EndToEnd, FromZero, Held};
    type Case = (fn(&mut DecoderSim), u16, BaselineKind, TableUse);
    let cases: [Case; 5] = [
        (|_| (), 126, BaselineKind::Zeros, TableUse::Whole(EndToEnd)),
        (|d| d.reading = SimReading::QuarterSteps, 126, BaselineKind::Zeros, TableUse::Whole(FromZero)),
        (|d| d.reading = SimReading::Stairs, 126, BaselineKind::Zeros, TableUse::Whole(Held)),
        (|d| d.ignores_trims = true, 28, BaselineKind::Zeros, TableUse::WithoutTrims(EndToEnd)),
        (|d| d.ignores_table = true, 28, BaselineKind::Zeros, TableUse::None),
    ];
    for_each(&cases, |(change, steps, baseline, used)| {
        let end = play(bench(ENGINES[1], *steps, change));
        let found = outcome(&end).engine;
        assert_eq!((found.baseline, found.table_use), (Some(*baseline), Some(*used)));
    });
}

/// CV 19 and 20 go out for the run and come back at its end, whatever the end is.
#[test]
fn an_engine_is_taken_out_of_its_consist_and_put_back_where_the_file_says_so() {
    let consist = |d: &mut DecoderSim| d.cvs.extend([(19, 100), (20, 1)]);
    for (engine, reachable) in [(ENGINES[0], true), (ENGINES[1], false)] {
        let mut bench = bench(engine, 28, consist);
        bench.plan.spec.programming.clear_consist = true;
        if !reachable {
            bench.plan.spec.target = TargetSpec::Line { creep_mm_s: 14.0, top_mm_s: 900.0 };
            bench.plan.spec.limits.speed_mm_s = 2000.0;
            bench.plan.spec.limits.lower_top = false;
        }
        let end = play(bench);
        let outcome = outcome(&end);
        let cvs = end.bench.truth().cvs;
        let told = format!("{:?} {:?}", outcome.outcome, outcome.reasons);
        assert_eq!((cvs[&19], cvs[&20]), (100, 1), "{told}");
        assert_eq!(outcome.restore_pending, [], "{told}");
        let (wanted, state) = if reachable {
            (End::Calibrated, DecoderState::New)
        } else {
            (End::Rejected, DecoderState::Original)
        };
        assert_eq!((outcome.outcome, outcome.decoder_state), (wanted, state), "{told}");
        assert!(codes(outcome, &end).iter().any(|code| code == "consist-cleared"), "{told}");
    }
}

/// In service mode every decoder on the output is read and written: one that answers otherwise is noticed before
/// anything is written.
#[test]
fn with_a_second_decoder_on_the_output_nothing_is_written() {
    for other in [9_u8, 7, 100] {
        let engine = ENGINES[0];
        let mut sim = (engine.recipe)(SEED);
        let mut beside = (ENGINES[1].recipe)(SEED).decoder;
        beside.cvs.insert(1, other);
        sim.beside = Some(beside);
        let before = SimBench::new(sim.clone()).truth();
        let end = play(engine.bench(sim));
        let outcome = outcome(&end);
        assert_eq!(outcome.outcome, End::Halted, "{other}: {:?}", outcome.reasons);
        assert_eq!(outcome.reasons[0].code, "another-engine", "{other}");
        let after = end.bench.truth();
        assert_eq!((after.cvs, after.beside_cvs), (before.cvs, before.beside_cvs), "{other}");
    }
}

/// A bench whose decoder is known by this profile.
fn with_profile(
    engine: Engine,
    steps: u16,
    text: &str,
    change: impl FnOnce(&mut DecoderSim),
) -> VirtualBench {
    let mut bench = bench(engine, steps, change);
    let profile = ProfileText { file: "mine.toml".to_owned(), text: text.to_owned() };
    bench.plan.profile = profile.profile().unwrap_or_else(|wrong| panic!("{}", wrong.render(100, false)));
    bench.profile = Some(profile);
    bench
}

/// A profile of this kind, with more in its sections.
fn profile(cvs: &str, drive: &str, table: &str) -> String {
    format!(
        "schema = 1\n[profile]\nname = \"Invented\"\nabout = \"For a test.\"\n[cvs]\n{cvs}\n[drive]\n{drive}\n[table]\n{table}\n"
    )
}

const USUAL: &str = "touch = [\"2 to 6\", \"19 to 20\", \"23 to 24\", \"29\", \"66 to 95\"]";

/// Neither CV 2, 5 and 6 nor what they would mean: the sweep runs on a straight table.
#[test]
fn a_decoder_with_a_table_only_is_calibrated_by_its_profile() {
    let table_only = |d: &mut DecoderSim| {
        d.cvs.retain(|cv, _| !matches!(cv, 2 | 5 | 6));
        d.fixed_curve = Some((255, 64));
    };
    let text = include_str!("../profiles/table-only.toml");
    for engine in engines() {
        let end = play(with_profile(engine, 28, text, table_only));
        let outcome = outcome(&end);
        assert_eq!(outcome.outcome, End::Calibrated, "{}: {:?}", engine.name, outcome.reasons);
        let worst = truly(engine, &end, outcome);
        assert!(worst <= 1.0, "{}: {worst}", engine.name);
        assert_eq!(
            outcome.engine.baseline,
            Some(BaselineKind::Table(TableReading::EndToEnd)),
            "{}",
            engine.name
        );
    }
    let without = play(bench(ENGINES[0], 28, table_only));
    assert_eq!(outcome(&without).reasons[0].code, "decoder-cv-unreadable");
    // With 126 steps it must be known how they meet the table.
    let unknown = play(with_profile(ENGINES[1], 126, text, table_only));
    assert_eq!(outcome(&unknown).reasons[0].code, "profile-does-not-fit");
    let known = text.to_owned() + "\n[table]\nbetween = \"from_zero\"\n";
    let end = play(with_profile(ENGINES[1], 126, &known, |d| {
        table_only(d);
        d.reading = SimReading::QuarterSteps;
    }));
    let outcome = outcome(&end);
    assert_eq!(outcome.outcome, End::Calibrated, "{:?}", outcome.reasons);
    assert!(truly(ENGINES[1], &end, outcome) <= 1.0);
}

/// Without a table three points do what they can: the run says what that is, and truth bears it out.
#[test]
fn a_decoder_without_a_table_gets_the_best_three_points() {
    let none = |d: &mut DecoderSim| {
        d.has_table = false;
        d.cvs.retain(|cv, _| !(66..=95).contains(cv));
    };
    let text = include_str!("../profiles/three-points.toml");
    for (engine, steps) in [(ENGINES[1], 28), (ENGINES[1], 126)] {
        let mut bench = with_profile(engine, steps, text, none);
        // What three points and two directions that differ leave: asked for no finer than that.
        bench.plan.spec.limits.tolerance_rel = 0.05;
        let end = play(bench);
        let outcome = outcome(&end);
        assert_eq!(outcome.outcome, End::Calibrated, "{steps}: {:?}", outcome.reasons);
        let points = outcome.three_points.unwrap();
        let cvs = end.bench.truth().cvs;
        assert_eq!((cvs[&2], cvs[&6], cvs[&5]), (points.start, points.middle, points.top));
        assert_eq!((outcome.table, cvs[&29] & 0x10), (None, 0));
        let worst = truly(engine, &end, outcome) * 0.02 / 0.05;
        assert!(worst <= 1.0, "{steps}: {worst}");
    }
    let untold = play(bench(ENGINES[1], 28, none));
    assert_eq!(outcome(&untold).reasons[0].code, "decoder-cv-unreadable");
}

/// The record holds the profile, so that a replay needs no file but it.
#[test]
fn a_run_with_a_profile_replays() {
    let text = include_str!("../profiles/linear-by-ends.toml");
    let profile = ProfileText { file: "linear-by-ends".to_owned(), text: text.to_owned() };
    let mut bench = ENGINES[2].bench((ENGINES[2].recipe)(SEED));
    bench.plan.profile = profile.profile().unwrap();
    bench.profile = Some(profile);
    let end = play(bench);
    assert_eq!(outcome(&end).outcome, End::Calibrated, "{:?}", outcome(&end).reasons);
    let replayed = replay_on(&end.disk, Path::new("/runs/1")).unwrap();
    assert!(matches!(replayed, Replayed::Same { cut_short: false, .. }), "{replayed:?}");
}

fn records(end: &VirtualEnd, wanted: impl Fn(&RecordBody) -> bool) -> usize {
    end.records.iter().filter(|record| wanted(&record.body)).count()
}

/// What is known need not be tried.
#[test]
fn what_a_profile_knows_is_not_found_out_again() {
    let refuses = |d: &mut DecoderSim| d.refuses_zeros = true;
    let failed = |body: &RecordBody| matches!(body, RecordBody::CvFailed { .. });
    let ends = include_str!("../profiles/linear-by-ends.toml");
    let told = play(with_profile(ENGINES[0], 28, ends, refuses));
    let untold = play(bench(ENGINES[0], 28, refuses));
    assert_eq!(records(&told, failed), 0);
    assert!(records(&untold, failed) > 0);
    assert_eq!(outcome(&told).outcome, End::Calibrated, "{:?}", outcome(&told).reasons);

    let from_zero = |d: &mut DecoderSim| d.reading = SimReading::QuarterSteps;
    let text = profile(USUAL, "", "between = \"from_zero\"");
    let judged = |body: &RecordBody| matches!(body, RecordBody::Judged { .. });
    let told = play(with_profile(ENGINES[1], 126, &text, from_zero));
    let untold = play(bench(ENGINES[1], 126, from_zero));
    assert_eq!((records(&told, judged), records(&untold, judged)), (1, 2));
    assert!(truly(ENGINES[1], &told, outcome(&told)) <= 1.0);
    assert!(!codes(outcome(&told), &told).iter().any(|code| code == "table-read-from-zero"));

    // Momentum that may not be switched off is waited for.
    let left = profile("touch = [\"2\", \"5 to 6\", \"29\", \"66 to 95\"]", "", "");
    let slow = |d: &mut DecoderSim| d.cvs.extend([(3, 6), (4, 6)]);
    let end = play(with_profile(ENGINES[1], 28, &left, slow));
    assert_eq!(outcome(&end).outcome, End::Calibrated, "{:?}", outcome(&end).reasons);
    assert!(truly(ENGINES[1], &end, outcome(&end)) <= 1.0);
    assert_eq!((end.bench.truth().cvs[&3], end.bench.truth().cvs[&4]), (6, 6));

    let late = include_str!("../profiles/starts-late.toml");
    let slow = |d: &mut DecoderSim| (d.start_delay, d.write_pause) = (s(4), Duration::from_millis(150));
    let end = play(with_profile(ENGINES[1], 28, late, slow));
    assert_eq!(outcome(&end).outcome, End::Calibrated, "{:?}", outcome(&end).reasons);
}

/// CVs outside the list are never written, nor values outside the limits; those that are kept are there to stay, and go
/// back with the others when the run fails.
#[test]
fn a_profile_bounds_what_is_written_and_keeps_what_it_sets() {
    let numbers = |end: &VirtualEnd| -> BTreeSet<u16> {
        let written = end.records.iter().filter_map(|record| match record.body {
            RecordBody::CvIntention { cv, .. } => Some(cv),
            _ => None,
        });
        written.collect()
    };
    let kept = profile(
        "touch = [\"2 to 6\", \"29\", \"66 to 95\", \"105\"]\nkeep = [\"105: 3\"]",
        "after = \"originals\"",
        "",
    );
    let end = play(with_profile(ENGINES[1], 28, &kept, |d| d.cvs.extend([(23, 4), (24, 4)])));
    let cvs = end.bench.truth().cvs;
    let before = delivered(ENGINES[1], |_| ());
    assert_eq!(outcome(&end).outcome, End::Calibrated, "{:?}", outcome(&end).reasons);
    assert_eq!(cvs[&105], 3);
    assert!([2, 5, 6].iter().all(|cv| cvs[cv] == before[cv]), "{cvs:?}");
    assert!(truly(ENGINES[1], &end, outcome(&end)) <= 1.0);
    let touched: BTreeSet<u16> = (2..=6).chain([29]).chain(66..=95).chain([105]).collect();
    assert!(numbers(&end).is_subset(&touched), "{:?}", numbers(&end));

    let mut stopped = with_profile(ENGINES[1], 28, &kept, |_| ());
    stopped.faults = vec![(BenchTime::from_millis(200_000), Fault::Person(PersonAct::Stop))];
    let end = play(stopped);
    assert_eq!(outcome(&end).decoder_state, DecoderState::Original);
    assert_eq!(end.bench.truth().cvs, before);

    // The reader of profiles refuses such a limit; whatever else may bring it about is stopped before the write.
    let mut narrow = with_profile(ENGINES[0], 28, &profile(USUAL, "", ""), |_| ());
    narrow.plan.profile.touch.push(CvRule { cvs: (67, 94), values: (1, 100) });
    let end = play(narrow);
    let outcome = outcome(&end);
    assert_eq!((outcome.outcome, outcome.reasons[0].code.as_str()), (End::Rejected, "profile-forbids"));
    assert!(outcome.reasons[0].evidence.contains("CV "), "{}", outcome.reasons[0].evidence);
    assert_eq!(end.bench.truth().cvs, delivered(ENGINES[0], |_| ()));
}
