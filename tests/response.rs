//! Engines whose decoders keep momentum that CV 3 and 4 do not switch off, or withhold the drive at first: the response is
//! learned from a step, not from CVs, and whole jobs end calibrated, in truth.
#![expect(
    clippy::unwrap_used,
    clippy::panic,
    reason = "helpers of a test fail by panicking, as the tests do"
)]
#[path = "played/figures.rs"]
mod figures;
mod played;

use figures::figures;
use pacewright::motion::Response;
use pacewright::run::{End, PointPurpose, Record, RecordBody};
use pacewright::sim::SimSpec;
use played::{ENGINES, for_each, outcome, play};
use std::time::Duration;

/// Kept momentum for the whole range, and delay of a start, s.
type Trouble = (u64, u64);

struct Seen {
    told: String,
    learned: Response,
    records: Vec<Record>,
    sim: SimSpec,
}

fn seen((name, seed, (kept_s, delay_s)): (&str, u64, Trouble)) -> Seen {
    let engine = ENGINES.into_iter().find(|engine| engine.name == name).unwrap();
    let mut sim = (engine.recipe)(seed);
    sim.decoder.kept_momentum = Duration::from_secs(kept_s);
    sim.decoder.start_delay = Duration::from_secs(delay_s);
    let bench = engine.bench(sim.clone());
    let limits = bench.plan.spec.limits;
    let end = play(bench);
    let outcome = outcome(&end);
    let told = format!("{name} {seed}, {kept_s} s kept, {delay_s} s delay: {:?}", outcome.reasons);
    assert_eq!(outcome.outcome, End::Calibrated, "{told}");
    let figures = figures(&sim, &end.bench, &end.bench, outcome, &limits);
    assert_eq!(figures.len(), 56, "{told}");
    for figure in &figures {
        assert!(figure.part() <= 1.0, "{told}: {}", figure.told());
    }
    let inside = figures.iter().filter(|figure| figure.off() <= 2.0).count();
    assert!(inside >= 45, "{told}: {inside} of 56 within twice their doubt");
    assert!(end.bench.truth().highest_speed_mm_s <= limits.speed_mm_s, "{told}");
    let learned = end.records.iter().find_map(|record| match &record.body {
        RecordBody::Learned(response) => Some(*response),
        _ => None,
    });
    let learned = learned.unwrap_or_else(|| panic!("{told}: nothing learned"));
    Seen { told: format!("{told} {learned:?}"), learned, records: end.records, sim }
}

/// Speeds measured at the two ends of the learned step down, and those settings.
fn ends(seen: &Seen) -> [(u16, f64); 2] {
    let point = |wanted: PointPurpose| {
        let found = seen.records.iter().find_map(|record| match &record.body {
            RecordBody::Point { purpose, setting, measured, .. } if *purpose == wanted => {
                Some((setting.value, measured.speed_mm_s.abs()))
            }
            _ => None,
        });
        found.unwrap()
    };
    [point(PointPurpose::WarmUp), point(PointPurpose::Probe)]
}

/// Time constant of the motor (`standards/measurement.md` section 10: J / (K^2 / R + b)), cold; warm it is a few per cent
/// longer.
fn tau_s(sim: &SimSpec) -> f64 {
    let engine = &sim.engine;
    engine.inertia_kg_m2
        / (engine.constant_v_s * engine.constant_v_s / engine.resistance_ohm + engine.viscous_n_m_s)
}

#[test]
fn what_a_decoder_keeps_is_learned_from_a_step_and_the_job_is_done_all_the_same() {
    let cases: [(&str, u64, Trouble); 6] = [
        ("avocet", 3, (0, 0)),
        ("lapwing", 2, (0, 8)),
        ("avocet", 1, (0, 5)),
        ("curlew", 1, (3, 0)),
        ("dunlin", 2, (2, 4)),
        ("lapwing", 5, (4, 0)),
    ];
    for_each(&cases, |case| {
        let seen = seen(*case);
        let (told, learned, (_, _, (kept_s, delay_s))) = (&seen.told, seen.learned, *case);
        let tau_s = tau_s(&seen.sim);
        // The drive arrives with the packets, some tens of milliseconds after the answer.
        assert!(learned.dead_s < 0.25, "{told}");
        if kept_s == 0 {
            assert!(learned.rising.rate_mm_s2.is_none() && learned.falling.rate_mm_s2.is_none(), "{told}");
            for course in [learned.rising, learned.falling] {
                assert!((course.tau_s / tau_s - 1.0).abs() < 0.15, "{told}: {tau_s}");
            }
            let start_s = delay_s as f64;
            assert!((start_s - 0.05..start_s + 0.25).contains(&learned.start_s), "{told}");
        } else {
            // The drive of step n is (n - 1) / 27 of the range, and goes over all of it in the time that is kept.
            let [(high, fast), (low, slow)] = ends(&seen);
            let ramp_s = kept_s as f64 * f64::from(high - low) / 27.0;
            let rate = learned.falling.rate_mm_s2.unwrap_or_else(|| panic!("{told}: no ramp"));
            let found_s = (fast - slow) / rate;
            assert!(
                (found_s - ramp_s).abs() < 0.15 * ramp_s + 0.5 * tau_s,
                "{told}: {found_s} for {ramp_s} s"
            );
            assert!(learned.rising.rate_mm_s2.is_some(), "{told}");
            // From rest the ramp goes through the dead zone first.
            let dead_zone_s = 0.3 * kept_s as f64;
            assert!(
                (delay_s as f64 - 0.05..delay_s as f64 + 0.4 + dead_zone_s).contains(&learned.start_s),
                "{told}"
            );
        }
    });
}
