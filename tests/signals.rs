//! What is wrong with the magnet or the sensor is said by its name: every fault of the signal, from the start or in the
//! middle of a run, on two engines and several seeds. And nothing is said of a good signal, however it is mounted.
#![expect(
    clippy::unwrap_used,
    clippy::panic,
    clippy::print_stdout,
    reason = "helpers of a test fail by panicking, as the tests do; the matrix is printed"
)]
mod played;
#[path = "played/thin.rs"]
mod thin;

use pacewright::bench::virtual_bench::{Fault, VirtualBench, VirtualEnd};
use pacewright::cause;
use pacewright::config::SweepSteps;
use pacewright::run::{End, PhaseName, RecordBody};
use pacewright::sim::{Flaws, SimFault, SimSpec};
use pacewright::time::BenchTime;
use played::{ENGINES, Engine, for_each, outcome, play};
use std::collections::BTreeMap;
use std::f64::consts::FRAC_PI_2;
use std::fmt::Write as _;
use std::time::Duration;
use thin::thinned;

/// The engines (of `ENGINES`) and seeds that each fault is played on.
const PLAYED: [(usize, u64); 4] = [(1, 2), (1, 5), (2, 3), (2, 8)];
/// Part of the cases in which the first thing said must be the fault.
const NAMED_LEAST: f64 = 0.9;

/// When a fault begins.
#[derive(Clone, Copy, Debug, PartialEq)]
enum When {
    Start,
    Sweep,
}

/// A fault of the signal, and the causes that name it.
#[derive(Clone, Copy)]
struct Row {
    name: &'static str,
    when: When,
    flaws: Flaws,
    /// What else is changed in the recipe.
    sim: fn(&mut SimSpec),
    names: &'static [&'static str],
}

fn good() -> Flaws {
    Flaws::default()
}

const ALONG: &[&str] = &["poles-along-axle"];
const UNMOVED: &[&str] = &["engine-not-moving"];
/// All three tell of a magnet that turned its poles or fell off.
const GONE: &[&str] = &["signal-lost", "no-field", "poles-along-axle", "engine-not-moving"];
const ONE_PAIR: &[&str] = &["field-one-direction"];
const WEAK: &[&str] = &["field-too-weak", "signal-noisy", "poles-along-axle"];
const NOISY: &[&str] = &["signal-noisy"];
const STRANGE: &[&str] = &["field-not-closing", "signal-noisy"];
const MOVING: &[&str] = &["field-not-closing", "field-offset-moved"];
const SLIPS: &[&str] = &["slip-or-jerk"];
const CLIPPED: &[&str] = &["field-clipped"];
const DEAD: &[&str] = &["sensor-axis-dead"];
const FEW: &[&str] = &["too-few-samples-a-turn"];

fn rows() -> Vec<Row> {
    use When::{Start, Sweep};
    let row = |name, when, flaws, names| Row { name, when, flaws, sim: |_| {}, names };
    // The sensor sees no standing field of its own.
    let bare = |name, flaws, names| Row {
        sim: |sim| sim.sensor.offsets = [0.0; 3],
        ..row(name, Start, flaws, names)
    };
    // Off the line of the axle by so much, radial and tangential axis alone.
    let two_axes = |name, sim| Row { sim, ..row(name, Start, good(), ONE_PAIR) };
    let along = |tilt_rad: f64| Flaws { lean_rad: FRAC_PI_2 - tilt_rad, ..good() };
    let slow = Flaws { one_in: 10, ..good() };
    let loose = Flaws { magnet_slips: Some(4.0), ..good() };
    let slipping = Flaws { axle_slips: Some(0.4), ..good() };
    let second = Flaws { second_magnet: Some((0.15, 3.7)), ..good() };
    let alternating = Flaws { alternating: Some((0.15, 7.0)), ..good() };
    let steel = Flaws { steel: Some((0.5, 6.0)), ..good() };
    let noise = Flaws { noise: 12.0, ..good() };
    let dead = Flaws { dead_axis: Some(0), ..good() };
    let clipped = Flaws { full_scale: Some(0.8), ..good() };
    let idle = Flaws { driven: 0.0, ..good() };
    let gone = Flaws { strength: 0.0, ..good() };
    vec![
        row("poles along", Start, along(0.0), UNMOVED),
        row("poles along, tenfold", Start, Flaws { strength: 10.0, ..along(0.0) }, UNMOVED),
        row("poles along, tilt 2 deg", Start, along(0.035), ALONG),
        row("poles along, tilt 6 deg", Start, along(0.1), ALONG),
        bare("magnet weak, 1/16", Flaws { strength: 0.06, ..good() }, WEAK),
        bare("magnet weak, 1/40", Flaws { strength: 0.025, ..good() }, WEAK),
        bare("no magnet, no field", gone, &["no-field"]),
        row("no magnet", Start, gone, UNMOVED),
        row("axle not driven", Start, idle, UNMOVED),
        row("magnet loose", Start, loose, SLIPS),
        row("axle slips", Start, slipping, SLIPS),
        row("clipped", Start, clipped, CLIPPED),
        row("axis dead", Start, dead, DEAD),
        row("second magnet", Start, second, STRANGE),
        row("alternating field", Start, alternating, STRANGE),
        row("steel moves", Start, steel, MOVING),
        row("noise", Start, noise, NOISY),
        row("noise, far too much", Start, Flaws { noise: 40.0, ..good() }, WEAK),
        row("slow samples", Start, slow, FEW),
        two_axes("two axes at 35.264 deg", |sim| on_two_axes(sim, 35.264)),
        two_axes("two axes at 30 deg", |sim| on_two_axes(sim, 30.0)),
        row("poles turn along", Sweep, along(0.0), GONE),
        row("magnet falls off", Sweep, gone, GONE),
        row("magnet turns weak", Sweep, Flaws { strength: 0.06, ..good() }, WEAK),
        row("axle no more driven", Sweep, idle, UNMOVED),
        row("magnet comes loose", Sweep, loose, SLIPS),
        row("axle begins to slip", Sweep, slipping, SLIPS),
        row("begins to clip", Sweep, clipped, CLIPPED),
        row("axis dies", Sweep, dead, DEAD),
        row("second magnet comes", Sweep, second, STRANGE),
        row("alternating field comes", Sweep, alternating, STRANGE),
        row("steel begins to move", Sweep, steel, MOVING),
        row("offset jumps", Sweep, Flaws { offset: [0.3, -0.3, 0.3], ..good() }, &["field-offset-moved"]),
        row("noise comes", Sweep, noise, NOISY),
        row("samples get slow", Sweep, slow, FEW),
    ]
}

/// A sensor of two axes, radial and tangential.
fn on_two_axes(sim: &mut SimSpec, polar_deg: f64) {
    (sim.sensor.axes, sim.sensor.polar_deg) = (2, polar_deg);
    sim.sensor.mount = [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]];
    sim.sensor.skew_rad = [0.0; 3];
}

/// A quicker job than the scenario's.
fn bench(engine: Engine, sim: SimSpec) -> VirtualBench {
    let mut bench = engine.bench(sim);
    let spec = &mut bench.plan.spec;
    (spec.warm_up.shortest, spec.warm_up.longest) = (Duration::from_secs(60), Duration::from_secs(90));
    (spec.sweep.steps, spec.sweep.verify_points) = (SweepSteps::Spread(10), 5);
    // Few points may leave a little of the top out.
    spec.limits.lower_top = true;
    bench
}

/// Everything said, in its order.
fn said(end: &VirtualEnd) -> Vec<(BenchTime, String, String)> {
    let records = end.records.iter();
    records
        .filter_map(|record| match &record.body {
            RecordBody::Noted(reason) | RecordBody::Ending(reason) => {
                Some((record.at, reason.code.clone(), reason.evidence.clone()))
            }
            _ => None,
        })
        .collect()
}

/// A good signal: how it ends, what is said of it, and when its sweep begins.
fn clean(engine: Engine, sim: SimSpec) -> (End, Vec<String>, BenchTime) {
    let end = play(bench(engine, sim));
    let sweep = end.records.iter().find(|record| record.body == RecordBody::Phase(PhaseName::Sweep));
    let codes = said(&end).into_iter().map(|(_, code, evidence)| format!("{code} ({evidence})")).collect();
    (outcome(&end).outcome, codes, sweep.map_or(BenchTime::ZERO, |record| record.at))
}

/// What is said first with this fault, beyond what the good signal gives.
fn first_said(row: &Row, engine: Engine, seed: u64, known: &[String], sweep: BenchTime) -> (String, String) {
    let mut sim = (engine.recipe)(seed);
    (row.sim)(&mut sim);
    if row.when == When::Start {
        sim.sensor.flaws = row.flaws;
    }
    let mut bench = bench(engine, sim);
    if row.when == When::Sweep {
        let at = sweep + Duration::from_millis(40_100);
        bench.faults = vec![(at, Fault::Sim(SimFault::SensorFlawed(row.flaws)))];
    }
    let end = play(bench);
    let codes: Vec<&str> = known.iter().filter_map(|known| known.split(' ').next()).collect();
    let all = said(&end);
    let told = format!(
        "{:?}; {}",
        outcome(&end).outcome,
        all.iter()
            .map(|(at, code, evidence)| format!("{at} {code}: {evidence}"))
            .collect::<Vec<_>>()
            .join(" | ")
    );
    let first = all.iter().find(|(_, code, _)| !codes.contains(&code.as_str()));
    (first.map_or("nothing".to_owned(), |(_, code, _)| code.clone()), told)
}

#[test]
fn a_fault_of_the_signal_is_named() {
    let only = std::env::var("PACEWRIGHT_ROWS").unwrap_or_default();
    let rows: Vec<Row> = rows().into_iter().filter(|row| row.name.contains(&only)).collect();
    let bases = for_each(&PLAYED, |(engine, seed)| {
        let engine = ENGINES[*engine];
        clean(engine, (engine.recipe)(*seed))
    });
    for (base, (engine, seed)) in bases.iter().zip(PLAYED) {
        assert_eq!(base.0, End::Calibrated, "{} {seed}: {:?}", ENGINES[engine].name, base.1);
        assert!(
            base.1.iter().all(|said| !of_the_signal(said)),
            "{} {seed}: {:?}",
            ENGINES[engine].name,
            base.1
        );
    }
    let cases: Vec<(Row, usize)> =
        rows.iter().flat_map(|row| (0..PLAYED.len()).map(move |place| (*row, place))).collect();
    let cases = thinned(cases);
    let found = for_each(&cases, |(row, place)| {
        let (engine, seed) = PLAYED[*place];
        let (_, known, sweep) = &bases[*place];
        first_said(row, ENGINES[engine], seed, known, *sweep)
    });
    let (mut table, mut named, mut wrong) = (String::new(), 0, Vec::new());
    for row in &rows {
        let mine = cases.iter().zip(&found).filter(|((other, _), _)| other.name == row.name);
        let mut counts: BTreeMap<&str, u32> = BTreeMap::new();
        for ((_, place), (first, told)) in mine {
            *counts.entry(first).or_default() += 1;
            if row.names.contains(&first.as_str()) {
                named += 1;
            } else {
                wrong.push(format!("{}, {:?}: {first}\n    {told}", row.name, PLAYED[*place]));
            }
        }
        let counts: Vec<String> = counts.iter().map(|(code, count)| format!("{code} {count}")).collect();
        writeln!(table, "{:26} {}", row.name, counts.join(", ")).unwrap();
    }
    println!("{table}\n{named} of {} named\n{}", cases.len(), wrong.join("\n"));
    assert!(f64::from(named) >= NAMED_LEAST * cases.len() as f64, "{named} of {}\n{table}", cases.len());
}

/// What was said is of the catalogue's part on the signal, or blames engine or sensor for it.
fn of_the_signal(said: &str) -> bool {
    let code = said.split(' ').next().unwrap_or_default();
    cause::signal::ALL.iter().any(|cause| cause.code == code)
        || ["too-few-samples-a-turn", "signal-lost", "engine-not-moving"].contains(&code)
}

#[test]
fn nothing_is_said_of_a_good_signal_however_it_is_mounted() {
    let mut cases: Vec<(usize, u64, SimSpec)> = Vec::new();
    for (place, engine) in ENGINES.iter().enumerate() {
        cases.extend((11..13).map(|seed| (place, seed, (engine.recipe)(seed))));
    }
    for (place, polar_deg) in [0.0, 30.0, 45.0, 60.0, 90.0].into_iter().enumerate() {
        let seed = 21 + place as u64;
        let mut sim = (ENGINES[1].recipe)(seed);
        sim.sensor.polar_deg = polar_deg;
        cases.push((1, seed, sim.clone()));
        if [0.0, 60.0, 90.0].contains(&polar_deg) {
            // Two axes in the plane across the axle: common practice, no source.
            on_two_axes(&mut sim, polar_deg);
            cases.push((1, seed, sim));
        }
    }
    let found = for_each(&cases, |(engine, _, sim)| clean(ENGINES[*engine], sim.clone()));
    for ((engine, seed, sim), (end, codes, _)) in cases.iter().zip(&found) {
        let told = format!("{} {seed} {} deg: {codes:?}", ENGINES[*engine].name, sim.sensor.polar_deg);
        assert_eq!(*end, End::Calibrated, "{told}");
        assert!(codes.iter().all(|said| !of_the_signal(said)), "{told}");
    }
}

/// Common practice, no source: the direction of the field across the axle decides, not its strength. Poles along the axle
/// give nothing even at ten times the field, and across it a tenth of the field is enough.
#[test]
fn the_direction_of_the_field_across_the_axle_decides_not_its_strength() {
    let engine = ENGINES[1];
    let played = |lean_rad: f64, strength: f64| {
        let mut sim = (engine.recipe)(2);
        (sim.sensor.flaws.lean_rad, sim.sensor.flaws.strength) = (lean_rad, strength);
        // The noise is the sensor's own: a weak magnet is noisier.
        sim.sensor.noise = 0.002;
        let end = play(bench(engine, sim));
        let reasons: Vec<String> = outcome(&end).reasons.iter().map(|reason| reason.code.clone()).collect();
        (outcome(&end).outcome, reasons)
    };
    let (end, reasons) = played(FRAC_PI_2, 10.0);
    assert_eq!((end, reasons.first().map(String::as_str)), (End::Halted, Some("engine-not-moving")));
    let text = cause::engine::NOT_MOVING.may_be;
    assert!(text.starts_with("The magnet's poles may point along the axle"), "{text}");
    assert_eq!(played(0.0, 0.1).0, End::Calibrated);
    assert_eq!(played(0.0, 1.0), (End::Calibrated, Vec::new()));
}
