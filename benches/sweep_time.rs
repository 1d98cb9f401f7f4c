//! Bench time of a sweep of 28 steps in both directions, from its first order to its last, on the virtual bench: the whole
//! program against the simulated engine of the limit study (`standards/measurement.md` section 12.D: a straight line to
//! 382.7 mm/s, time constant 0.19 s and 1 s, turns that scatter by 0.3 %, a field at 200 samples a second with 1 % noise,
//! 33 mm a turn), against the fixed rule that people use: ten seconds to settle and ten to average at every step, 1120 s.
//!
//! A point is good within the larger of 0.5 % and 0.1 km/h of the true speed; a table is as good as its worst true deviation
//! over the 28 entries and both directions. Step 1 has no drive in the linear baseline, so 27 steps a direction move.
//!
//! An engine that still warms has no one true speed a step: there the table counts alone.
//!
//! `cargo bench --bench sweep_time -- 20` (seeds; 20 where none are named; `--list` shows every point)
#![expect(clippy::print_stdout, reason = "a table for people")]
#![expect(clippy::panic, reason = "a bench that cannot begin has nothing to say")]
use pacewright::bench::virtual_bench::VirtualBench;
use pacewright::calibrate::{TableFit, Target};
use pacewright::config::{self, SweepSteps};
use pacewright::run::{PhaseName, PointPurpose, Record, RecordBody, RunPlan};
use pacewright::sim::{SimBench, SimSpec, demo_engines};
use pacewright::station::{Action, Direction};
use std::f64::consts::TAU;
use std::time::Duration;

/// The fixed rule: settling and averaging at every step of both directions, s.
const FIXED_S: f64 = (10.0 + 10.0) * 56.0;
/// Speed at the top step, mm/s.
const TOP_MM_S: f64 = 382.7;
/// 0.1 km/h of the full size as speed of a model 1:87, mm/s.
const FLOOR_MM_S: f64 = 0.1 / 3.6 * 1000.0 / 87.0;
const LIMIT: Duration = Duration::from_secs(3 * 3600);

const BENCH: &str = r#"schema = 1
[bench]
name = "Roller bench at Wrenfield Harbour"
[station]
protocol = "srcp"
address = "127.0.0.1:4303"
bus = 1
[sensor]
format = "csv"
address = "127.0.0.1:4311"
[axle]
circumference = "33 mm"
doubt = "0.2 %"
[engine]
name = "Lapwing"
address = 4
kind = "short"
scale = "H0"
steps = 28
leading_end = "front"
[path]
kind = "rollers"
[functions]
on = []
[target]
top = "118 km/h"
creep = "5 km/h"
reserve = "0 %"
[programming]
place = "same_track"
only_engine_on_output = true
"#;

/// One engine of the study; one that drifts goes on warming all the while.
fn engine(seed: u64, time_constant_s: f64, drifts: bool) -> SimSpec {
    let mut sim = demo_engines::lapwing(seed);
    let engine = &mut sim.engine;
    (engine.resistance_ohm, engine.constant_v_s, engine.viscous_n_m_s) = (20.0, 0.008, 1e-8);
    let drag = engine.constant_v_s * engine.constant_v_s / engine.resistance_ohm + engine.viscous_n_m_s;
    engine.inertia_kg_m2 = time_constant_s * drag;
    (engine.friction_n_m, engine.stiction, engine.bend) = (0.0, 1.0, 0.0);
    (engine.reverse_drive, engine.reverse_friction) = (1.0, 1.0);
    (engine.friction_fall, engine.winding_rise, engine.flux_loss) = (0.0, 0.0, 0.0);
    (engine.ripple, engine.scatter) = (0.01, 0.003);
    engine.supply_v = 12.0;
    if drifts {
        // A magnet that goes on warming for an hour: about 0.6 % a minute at first.
        (engine.flux_loss, engine.warming_s) = (0.15, 900.0);
    }
    let top_rad_s = engine.constant_v_s / engine.resistance_ohm * engine.supply_v / drag;
    engine.gear = top_rad_s * engine.circumference_mm / (TAU * TOP_MM_S);
    sim.sensor.rate_hz = 200;
    sim.sensor.noise = 0.01;
    sim
}

/// What one sweep came to.
#[derive(Clone, Copy, Debug, Default)]
struct Swept {
    seconds: f64,
    points: f64,
    good: f64,
    measuring_s: f64,
    anchors_s: f64,
    worst_mm_s: f64,
    worst_parts: f64,
    /// 1 where how the engine answers could not be learned: then points settle by looks.
    unlearned: f64,
}

fn sweep(sim: &SimSpec, steps: SweepSteps) -> Swept {
    let mut spec =
        config::read("bench.toml", BENCH).unwrap_or_else(|wrong| panic!("{}", wrong.render(100, false)));
    spec.sweep.steps = steps;
    let target = Target::from_spec(&spec.target).unwrap_or_else(|wrong| panic!("{wrong}"));
    let limits = spec.limits;
    let plan = RunPlan::new(spec);
    let end = VirtualBench::new(sim.clone(), plan, BENCH)
        .run_to_end(LIMIT)
        .unwrap_or_else(|wrong| panic!("{wrong}"));
    let phase = |name| at(&end.records, |body| *body == RecordBody::Phase(name));
    let (Some(entered), Some(ended)) = (phase(PhaseName::Sweep), phase(PhaseName::Fit)) else {
        panic!("no sweep: {:?}", end.outcome.map(|outcome| outcome.reasons));
    };
    let drives = |body: &RecordBody| matches!(body, RecordBody::Ordered { action: Action::Drive { .. }, .. });
    let orders = end.records.iter().filter(|record| record.at >= entered && record.at <= ended);
    let times: Vec<f64> =
        orders.filter(|record| drives(&record.body)).map(|record| record.at.as_secs_f64()).collect();
    let first = times.first().copied().unwrap_or(entered.as_secs_f64()).min(entered.as_secs_f64());
    let mut swept = Swept { seconds: ended.as_secs_f64() - first, ..Swept::default() };
    let noted = |body: &RecordBody| matches!(body, RecordBody::Noted(reason) if reason.code == "engine-response-not-learned");
    swept.unlearned = f64::from(u8::from(at(&end.records, noted).is_some()));
    let linear =
        with_cvs(sim, &[(2, 0), (5, 0), (6, 0), (3, 0), (4, 0), (29, 2), (66, 128), (95, 128)], &end);
    let mut before = entered;
    for record in end.records.iter().filter(|record| record.at >= entered && record.at <= ended) {
        let RecordBody::Point { purpose, setting, direction, measured, .. } = &record.body else { continue };
        let forward = *direction == Direction::Forward;
        let truth = linear.steady_speed(forward, setting.value, setting.of);
        let off = (measured.speed_mm_s.abs() - truth).abs();
        if std::env::args().any(|argument| argument == "--list") {
            println!(
                "  {:7.1} s {purpose:?} {direction:?} {:2} {:7.2} mm/s, {:+.2} % off, averaged {:.1} s",
                record.at.since(entered).as_secs_f64(),
                setting.value,
                measured.speed_mm_s.abs(),
                100.0 * (measured.speed_mm_s.abs() / truth - 1.0),
                measured.seconds
            );
        }
        swept.points += 1.0;
        swept.good += f64::from(u8::from(off <= (0.005 * truth).max(FLOOR_MM_S)));
        swept.measuring_s += measured.seconds;
        if *purpose == PointPurpose::Anchor {
            swept.anchors_s += record.at.since(before).as_secs_f64();
        }
        before = record.at;
    }
    let fit = end.records.iter().find_map(|record| match &record.body {
        RecordBody::Fitted { fit, .. } => Some(*fit),
        _ => None,
    });
    if let Some(fit) = fit {
        let table = with_table(sim, &fit, &end);
        for entry in 1..=28 {
            let wanted = target.at(f64::from(entry));
            let allowed = (limits.tolerance_rel * wanted).max(limits.tolerance_floor_mm_s);
            for forward in [true, false] {
                let off = (table.steady_speed(forward, entry, 28) - wanted).abs();
                swept.worst_mm_s = swept.worst_mm_s.max(off);
                swept.worst_parts = swept.worst_parts.max(off / allowed);
            }
        }
    }
    swept
}

fn at(records: &[Record], is: impl Fn(&RecordBody) -> bool) -> Option<pacewright::time::BenchTime> {
    records.iter().find(|record| is(&record.body)).map(|record| record.at)
}

/// The engine as warm as at the end, with these CVs.
fn with_cvs(
    sim: &SimSpec,
    cvs: &[(u16, u8)],
    end: &pacewright::bench::virtual_bench::VirtualEnd,
) -> SimBench {
    let mut sim = sim.clone();
    sim.decoder.cvs.extend(cvs.iter().copied());
    let mut bench = SimBench::new(sim);
    bench.apply(pacewright::sim::SimFault::Warmth(end.bench.truth().warmth));
    bench
}

fn with_table(sim: &SimSpec, fit: &TableFit, end: &pacewright::bench::virtual_bench::VirtualEnd) -> SimBench {
    let mut cvs = vec![(29, 0x12), (66, fit.trim_forward), (95, fit.trim_reverse), (3, 0), (4, 0)];
    cvs.extend((67u16..).zip(fit.table));
    with_cvs(sim, &cvs, end)
}

fn mean(rows: &[Swept], of: impl Fn(&Swept) -> f64) -> f64 {
    rows.iter().map(of).sum::<f64>() / rows.len() as f64
}

fn spread(rows: &[Swept], of: impl Fn(&Swept) -> f64) -> f64 {
    let middle = mean(rows, &of);
    (rows.iter().map(|row| (of(row) - middle) * (of(row) - middle)).sum::<f64>()
        / (rows.len() - 1).max(1) as f64)
        .sqrt()
}

fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    if !arguments.iter().any(|argument| argument == "--bench") {
        return;
    }
    let seeds = arguments.iter().find_map(|argument| argument.parse().ok()).unwrap_or(20);
    println!("{seeds} seeds a line; the fixed rule takes {FIXED_S:.0} s");
    println!(
        "engine                 | steps | seconds (sd, most) | of the fixed rule | points | good    | averaging | anchors | worst of the table, mm/s (most), of its tolerance | response not learned"
    );
    for (name, time_constant_s, drifts) in [
        ("time constant 0.19 s", 0.19, false),
        ("time constant 1 s", 1.0, false),
        ("0.19 s, still warming", 0.19, true),
    ] {
        for (word, steps) in [("all", SweepSteps::All), ("learn", SweepSteps::Learn)] {
            let rows: Vec<Swept> = std::thread::scope(|scope| {
                let halves = [0, 1].map(|half: u64| {
                    scope.spawn(move || {
                        let own = (1..=seeds).filter(|seed| seed % 2 == half);
                        own.map(|seed| sweep(&engine(seed, time_constant_s, drifts), steps))
                            .collect::<Vec<Swept>>()
                    })
                });
                halves.into_iter().flat_map(|half| half.join().unwrap_or_default()).collect()
            });
            let most = |of: fn(&Swept) -> f64| rows.iter().map(of).fold(0.0, f64::max);
            let seconds = mean(&rows, |row| row.seconds);
            println!(
                "{name:22} | {word:5} | {seconds:5.1} ({:4.1}, {:5.1}) | {:5.3} | {:4.1} | {:>8} | {:5.1} s | {:4.1} s | {:.2} ({:.2}), {:.2} | {:.0}",
                spread(&rows, |row| row.seconds),
                most(|row| row.seconds),
                seconds / FIXED_S,
                mean(&rows, |row| row.points),
                if drifts {
                    "-".to_owned()
                } else {
                    format!("{:.2} %", 100.0 * mean(&rows, |row| row.good) / mean(&rows, |row| row.points))
                },
                mean(&rows, |row| row.measuring_s),
                mean(&rows, |row| row.anchors_s),
                mean(&rows, |row| row.worst_mm_s),
                most(|row| row.worst_mm_s),
                mean(&rows, |row| row.worst_parts),
                rows.iter().map(|row| row.unlearned).sum::<f64>(),
            );
        }
    }
}
