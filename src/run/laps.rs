//! On a loop: how many points are offered, and how long a run will take. A measurement is whole laps there, and a lap at a
//! slow speed takes long.
//!
//! The rule: a point takes one lap at its wanted speed, at most the bench file's limit for a point, and [`CHANGE`] to get
//! there. So many points a direction are offered as fit into [`SWEEP_MOST`] both ways, and so many are verified as fit
//! into [`VERIFY_MOST`], but never fewer than a curve and a proof need.
use super::cx::{Cx, Failure};
use super::route::spread;
use crate::cause::path as causes;
use crate::config::{BenchSpec, PathKind, SweepSpec, SweepSteps, TargetSpec};
use crate::motion::Lap;
use std::time::Duration;

/// Getting to a setting and settling there, about (own estimate from simulated runs).
const CHANGE: Duration = Duration::from_secs(6);
/// All points of the sweep shall take no longer, and those of verify.
const SWEEP_MOST: Duration = Duration::from_secs(2400);
const VERIFY_MOST: Duration = Duration::from_secs(900);
/// Fewest points a direction.
const FEWEST: u16 = 8;
const FEWEST_VERIFIED: u16 = 4;
/// Reading and writing the decoder, and the way from phase to phase.
const REST: Duration = Duration::from_secs(240);

/// The loop as motion must know it.
pub(super) fn lap(spec: &BenchSpec) -> Option<Lap> {
    let PathKind::Loop { length_mm } = spec.path else { return None };
    Some(Lap { length_mm, within: spec.sweep.point_limit })
}

/// What is offered on a loop.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct LapPlan {
    /// Points a direction, and those asked for.
    pub(super) points: (u16, u16),
    /// Steps verified a direction, and those asked for.
    pub(super) verified: (u16, u16),
    /// Slower than this a lap takes longer than a point may, mm/s.
    pub(super) whole_from_mm_s: f64,
    /// A lap at creep.
    pub(super) creep_lap_s: f64,
    /// The whole run, about.
    pub(super) seconds: f64,
}

/// The plan; none where the path is no loop.
pub(super) fn plan(spec: &BenchSpec) -> Option<LapPlan> {
    let Lap { length_mm, within } = lap(spec)?;
    let point_s = |speed: f64| (length_mm / speed).min(within.as_secs_f64()) + CHANGE.as_secs_f64();
    let (wanted, of) = (asked_points(&spec.sweep), spec.engine.step_mode);
    let sweep_s = |points: u16| {
        let values = spread(points, of);
        let speeds = values.iter().map(|value| wanted_mm_s(&spec.target, f64::from(*value) / f64::from(of)));
        2.0 * speeds.map(point_s).sum::<f64>()
    };
    let verify_s = |points: u16| {
        let shares = (0..points).map(|i| f64::from(i) / f64::from(points - 1));
        2.0 * shares.map(|share| point_s(wanted_mm_s(&spec.target, share))).sum::<f64>()
    };
    let offered = |wanted: u16, fewest: u16, most: Duration, takes_s: &dyn Fn(u16) -> f64| {
        let fits = |points: &u16| takes_s(*points) <= most.as_secs_f64();
        (fewest..=wanted).rev().find(fits).unwrap_or(fewest.min(wanted))
    };
    let points = offered(wanted, FEWEST, SWEEP_MOST, &sweep_s);
    let verified = offered(spec.sweep.verify_points, FEWEST_VERIFIED, VERIFY_MOST, &verify_s);
    let rest_s = (spec.warm_up.shortest + REST).as_secs_f64();
    Some(LapPlan {
        points: (points, wanted),
        verified: (verified, spec.sweep.verify_points),
        whole_from_mm_s: length_mm / within.as_secs_f64(),
        creep_lap_s: length_mm / spec.target.creep_mm_s(),
        seconds: rest_s + sweep_s(points) + verify_s(verified),
    })
}

/// Points a direction at most: a sweep that learns may come to do with fewer.
fn asked_points(sweep: &SweepSpec) -> u16 {
    match sweep.steps {
        SweepSteps::Spread(points) => points,
        SweepSteps::All | SweepSteps::Learn => 28,
    }
}

/// The wanted speed at this share of the range.
fn wanted_mm_s(target: &TargetSpec, share: f64) -> f64 {
    let (creep, top) = (target.creep_mm_s(), target.top_mm_s());
    match target {
        TargetSpec::Line { .. } => creep + (top - creep) * share,
        TargetSpec::Points(points) => {
            let at = 1.0 + 27.0 * share;
            let pair = points.windows(2).find(|pair| at <= f64::from(pair[1].0));
            pair.map_or(top, |pair| {
                let (from, to) = (f64::from(pair[0].0), f64::from(pair[1].0));
                pair[0].1 + (pair[1].1 - pair[0].1) * (at - from) / (to - from)
            })
        }
    }
}

/// Offers fewer points where laps are long. Before the run begins.
pub(super) fn trim(spec: &mut BenchSpec) {
    if let Some(plan) = plan(spec) {
        if plan.points.0 < plan.points.1 {
            spec.sweep.steps = SweepSteps::Spread(plan.points.0);
        }
        spec.sweep.verify_points = plan.verified.0;
    }
}

/// Says before anything moves how many points there are and how long it takes. `asked` is the plan of the bench file as it
/// was written. Fails where grades would cancel nowhere.
pub(super) fn say(cx: &mut Cx, asked: Option<LapPlan>) -> Result<(), Failure> {
    let Some(plan) = asked else { return Ok(()) };
    let (limit, top_mm_s) = (cx.plan.spec.sweep.point_limit.as_secs(), cx.plan.spec.target.top_mm_s());
    if plan.whole_from_mm_s > top_mm_s {
        let lap_s = plan.whole_from_mm_s / top_mm_s * cx.plan.spec.sweep.point_limit.as_secs_f64();
        let evidence = format!("a lap at the wanted top takes {lap_s:.0} s, a point {limit} s at most");
        return Err(Failure::rejected(&causes::LOOP_TOO_LONG, evidence));
    }
    let evidence = format!(
        "about {:.0} min; {} of {} points a direction, {} of {} steps verified",
        plan.seconds / 60.0,
        plan.points.0,
        plan.points.1,
        plan.verified.0,
        plan.verified.1
    );
    cx.note(&causes::LAPS_TAKE_TIME, evidence);
    if plan.creep_lap_s > limit as f64 {
        let evidence = format!(
            "a lap at creep takes {:.0} s, a point {limit} s at most: whole laps from {:.1} mm/s on",
            plan.creep_lap_s, plan.whole_from_mm_s
        );
        cx.note(&causes::PART_OF_LAP, evidence);
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config;

    fn avocet(length_mm: f64) -> BenchSpec {
        let text = include_str!("../../scenarios/avocet.toml");
        let mut spec = config::read("avocet.toml", text).expect("a scenario is right");
        spec.path = PathKind::Loop { length_mm };
        spec
    }

    #[test]
    fn long_laps_leave_room_for_fewer_points() {
        let offered = |length_mm: f64| plan(&avocet(length_mm)).expect("a loop").points.0;
        assert_eq!(offered(1500.0), 28);
        let counts = [3000.0, 6000.0, 12_000.0, 30_000.0].map(offered);
        assert!(counts.windows(2).all(|pair| pair[0] >= pair[1]), "{counts:?}");
        assert!(counts[3] < 28 && counts[3] >= FEWEST, "{counts:?}");
        let mut spec = avocet(1500.0);
        spec.path = PathKind::Rollers;
        assert!(plan(&spec).is_none());
    }

    #[test]
    fn a_plan_is_within_its_time_and_no_more_would_be() {
        let spec = avocet(9000.0);
        let plan = plan(&spec).expect("a loop");
        // 9 m in 60 s are 150 mm/s; creep of 3 km/h in 1:87 is 9.58 mm/s.
        assert!((plan.whole_from_mm_s - 150.0).abs() < 1e-9);
        assert!((plan.creep_lap_s - 9000.0 / (3.0 / 3.6 / 87.0 * 1000.0)).abs() < 1e-6);
        let rest = (spec.warm_up.shortest + REST).as_secs_f64();
        assert!(plan.seconds <= rest + (SWEEP_MOST + VERIFY_MOST).as_secs_f64(), "{plan:?}");
        let mut trimmed = spec.clone();
        trim(&mut trimmed);
        assert_eq!(trimmed.sweep.steps, SweepSteps::Spread(plan.points.0));
        assert_eq!(trimmed.sweep.verify_points, plan.verified.0);
    }
}
