//! The whole job over every source of speed and either form of lines, held against the simulator's truth: calibrated, and
//! within the tolerance at all 28 steps both ways.
#![expect(
    clippy::unwrap_used,
    clippy::panic,
    reason = "helpers of a test fail by panicking, as the tests do"
)]
#[path = "played/figures.rs"]
mod figures;
mod played;

use figures::figures;
use pacewright::run::{End, VerdictWord};
use pacewright::sim::{LineForm, Measurand, PulseLines, SenMlTimes, SensorSim, SimSpec};
use played::{ENGINES, Engine, for_each, outcome, play};
use std::f64::consts::TAU;
use std::time::Duration;

const SEED: u64 = 2;
/// Part of the figures that must lie within twice their stated standard uncertainty, as in `tests/seeds.rs`.
const WITHIN_LEAST: f64 = 0.93;

/// A source of speed: what the bench file says of the sensor, and how the simulated one is.
struct Source {
    name: &'static str,
    /// In place of the format in the engine's bench file.
    keys: &'static str,
    measurand: Measurand,
    form: LineForm,
}

fn senml(times: SenMlTimes, samples: u16) -> LineForm {
    LineForm::SenMl { times, samples }
}

const FIELD: Measurand = Measurand::Field { pole_pairs: 1, uneven: 0.0 };
const AT_EACH: PulseLines = PulseLines::AtEach { idle: Duration::from_millis(250) };

/// A source, and the engines (of `ENGINES`) it is played on.
type Case = (Source, &'static [usize]);

const fn source(name: &'static str, keys: &'static str, measurand: Measurand, form: LineForm) -> Source {
    Source { name, keys, measurand, form }
}

const ABSOLUTE: SenMlTimes = SenMlTimes::Absolute { epoch_s: 1_790_000_000 };

fn fields() -> Vec<Case> {
    vec![
        (source("field, SenML, base time", "format = \"senml\"", FIELD, senml(ABSOLUTE, 4)), &[0, 1]),
        (
            source("field, SenML, before now", "format = \"senml\"", FIELD, senml(SenMlTimes::Relative, 8)),
            &[1],
        ),
        (source("field, SenML, no times", "format = \"senml\"", FIELD, senml(SenMlTimes::Untold, 1)), &[1]),
        (
            source(
                "field of three pairs of poles",
                "format = \"csv\"\nsource = \"field\"\npole_pairs = 3",
                Measurand::Field { pole_pairs: 3, uneven: 0.1 },
                LineForm::Csv,
            ),
            &[1, 3],
        ),
    ]
}

fn counts() -> Vec<Case> {
    let pulses = |a_turn, sees_direction, lines| Measurand::Pulses { a_turn, sees_direction, lines };
    vec![
        (
            source(
                "20 pulses a turn, polled",
                "format = \"csv\"\nsource = \"pulses\"\npulses_per_turn = 20\nsees_direction = true",
                pulses(20, true, PulseLines::Polled),
                LineForm::Csv,
            ),
            &[1, 2],
        ),
        (
            source(
                "20 pulses a turn, a line each, no direction",
                "format = \"csv\"\nsource = \"pulses\"\npulses_per_turn = 20\nsees_direction = false",
                pulses(20, false, AT_EACH),
                LineForm::Csv,
            ),
            &[0],
        ),
        (
            source(
                "one pulse a turn, a line each, no direction",
                "format = \"csv\"\nsource = \"pulses\"\npulses_per_turn = 1\nsees_direction = false",
                pulses(1, false, AT_EACH),
                LineForm::Csv,
            ),
            &[1, 0],
        ),
        (
            source(
                "one pulse a turn, polled",
                "format = \"csv\"\nsource = \"pulses\"\npulses_per_turn = 1\nsees_direction = true",
                pulses(1, true, PulseLines::Polled),
                LineForm::Csv,
            ),
            &[1],
        ),
    ]
}

fn speeds_ways_and_angles() -> Vec<Case> {
    vec![
        (
            source(
                "speed, SenML",
                "format = \"senml\"\nsource = \"speed\"\nresolution = \"0.1 mm/s\"\nsees_direction = true",
                Measurand::Speed { resolution_m_s: 0.0001 },
                senml(ABSOLUTE, 1),
            ),
            &[1, 2],
        ),
        (
            source(
                "distance",
                "format = \"csv\"\nsource = \"distance\"\nresolution = \"0.1 mm\"\nsees_direction = true",
                Measurand::Distance { resolution_m: 0.0001 },
                LineForm::Csv,
            ),
            &[1, 3],
        ),
        (
            source(
                "angle, again from 0 with each turn",
                "format = \"csv\"\nsource = \"angle\"\nresolution = \"0.001534 rad\"",
                Measurand::Angle { resolution_rad: TAU / 4096.0, turns_counted: false },
                LineForm::Csv,
            ),
            &[1],
        ),
        (
            source(
                "angle, turns counted, SenML",
                "format = \"senml\"\nsource = \"angle\"\nresolution = \"0.001534 rad\"",
                Measurand::Angle { resolution_rad: TAU / 4096.0, turns_counted: true },
                senml(SenMlTimes::Relative, 2),
            ),
            &[2],
        ),
    ]
}

/// The job over a source: figures within twice their doubt, of so many; an error says what is wrong.
fn job(source: &Source, engine: usize) -> Result<(usize, usize), String> {
    let engine = ENGINES[engine];
    let told = format!("{}, {}", source.name, engine.name);
    let recipe = (engine.recipe)(SEED);
    let noise = match source.measurand {
        // An angle has no noise beyond its own share of the field's; a speed has three of its steps.
        Measurand::Angle { .. } => 0.002,
        Measurand::Speed { .. } => 0.3,
        _ => recipe.sensor.noise,
    };
    let sensor = SensorSim { measurand: source.measurand, form: source.form, noise, ..recipe.sensor };
    let sim = SimSpec { sensor, ..recipe };
    assert_eq!(engine.text.matches("format = \"csv\"").count(), 1, "{told}");
    let text = String::leak(engine.text.replace("format = \"csv\"", source.keys));
    let bench = Engine { text, ..engine }.bench(sim.clone());
    let limits = bench.plan.spec.limits;
    let end = play(bench);
    let outcome = outcome(&end);
    let reasons: Vec<_> = outcome.reasons.iter().map(|reason| (&reason.code, &reason.evidence)).collect();
    if outcome.outcome != End::Calibrated {
        return Err(format!("{told}: {:?}, {reasons:?}", outcome.outcome));
    }
    if !matches!(outcome.verdict, VerdictWord::Pass | VerdictWord::Marginal) {
        return Err(format!("{told}: {:?}, {reasons:?}", outcome.verdict));
    }
    let figures = figures(&sim, &end.bench, &end.bench, outcome, &limits);
    assert_eq!(figures.len(), 56, "{told}");
    let off: Vec<String> =
        figures.iter().filter(|figure| figure.part() > 1.0).map(|figure| figure.told()).collect();
    let fast = end.bench.truth().highest_speed_mm_s;
    if fast > limits.speed_mm_s {
        return Err(format!("{told}: {fast} mm/s"));
    }
    if !off.is_empty() {
        return Err(format!("{told}: {:?}, {reasons:?}\n{}", outcome.verdict, off.join("\n")));
    }
    Ok((figures.iter().filter(|figure| figure.off() <= 2.0).count(), figures.len()))
}

#[test]
fn every_source_of_speed_leads_to_a_calibrated_engine() {
    let sources: Vec<Case> = [fields(), counts(), speeds_ways_and_angles()].into_iter().flatten().collect();
    let cases: Vec<(&Source, usize)> = sources
        .iter()
        .flat_map(|(source, engines)| engines.iter().map(move |engine| (source, *engine)))
        .collect();
    let all = for_each(&cases, |(source, engine)| job(source, *engine));
    let failed: Vec<&str> = all.iter().filter_map(|job| job.as_ref().err()).map(String::as_str).collect();
    assert!(failed.is_empty(), "{} of {} failed:\n{}", failed.len(), cases.len(), failed.join("\n\n"));
    let (inside, count) =
        all.iter().flatten().fold((0, 0), |(inside, count), job| (inside + job.0, count + job.1));
    assert!(inside as f64 >= WITHIN_LEAST * count as f64, "{inside} of {count} within twice their doubt");
}
