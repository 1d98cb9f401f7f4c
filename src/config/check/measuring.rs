//! Warm-up, sweep, target.
use super::{Given, Reading, Speed};
use crate::cause::bench_file as cause;
use crate::config::key::AnyKey;
use crate::config::keys::measuring as key;
use crate::config::keys::vehicle;
use crate::config::spec::{SweepSpec, SweepSteps, TargetSpec, WarmUpSpec};

pub(super) fn warm_up(reading: &mut Reading<'_>) -> Option<WarmUpSpec> {
    let shortest = reading.value(&key::SHORTEST);
    let longest = reading.value(&key::LONGEST);
    let steady = reading.value(&key::STEADY_PER_MINUTE);
    let (shortest, longest) = (shortest?, longest?);
    if shortest >= longest {
        let (key, other): (&dyn AnyKey, &dyn AnyKey) = if reading.stands(&key::SHORTEST) {
            (&key::SHORTEST, &key::LONGEST)
        } else {
            (&key::LONGEST, &key::SHORTEST)
        };
        let expected = "shortest below longest";
        let hint = format!(
            "shortest is {} s and longest is {} s; left out they are 5 min and 20 min",
            shortest.as_secs_f64(),
            longest.as_secs_f64()
        );
        reading.contradiction(key, &[(other, "the other")], expected, hint);
    }
    Some(WarmUpSpec { shortest, longest, steady_per_minute: steady? })
}

pub(super) fn sweep(
    reading: &mut Reading<'_>,
    ratio: Option<f64>,
    step_mode: Option<u16>,
) -> Option<SweepSpec> {
    let steps = reading.value(&key::SWEEP_STEPS);
    let precision_rel = reading.value(&key::PRECISION);
    let floor = reading.value(&key::PRECISION_FLOOR);
    let point_limit = reading.value(&key::POINT_LIMIT);
    let verify_points = reading.value(&key::VERIFY_POINTS);
    if let (Some(SweepSteps::Spread(wanted)), Some(of)) = (steps, step_mode)
        && wanted > of
    {
        let expected = format!("at most the {of} steps of the step mode");
        let others: &[(&dyn AnyKey, &str)] = &[(&vehicle::STEPS, "the steps")];
        reading.contradiction(&key::SWEEP_STEPS, others, expected, "a step is measured once a direction");
    }
    let placings = reading.value(&key::PLACINGS);
    if placings == Some(2) {
        let (span, path) = (reading.span(&key::PLACINGS), key::PLACINGS.path());
        let hint =
            "two placings say next to nothing of how far others scatter: write 1, or 3 to 20 (5 is good)";
        reading.complain(&cause::OUT_OF_RANGE, path, span, "1, or a whole number from 3 to 20", hint);
        return None;
    }
    Some(SweepSpec {
        steps: steps?,
        precision_rel: precision_rel?,
        precision_floor_mm_s: floor?.model_mm_s(ratio?),
        point_limit: point_limit?,
        verify_points: verify_points?,
        placings: placings?,
    })
}

pub(super) fn target(reading: &mut Reading<'_>, ratio: Option<f64>) -> Option<TargetSpec> {
    let (top, creep) = (reading.given(&key::TOP), reading.given(&key::CREEP));
    let points = reading.given(&key::TARGET_POINTS);
    match (top, creep, points) {
        (Given::Good(top), Given::Good(creep), Given::Absent) => line(reading, ratio?, top, creep),
        (Given::Absent, Given::Absent, Given::Good(points)) => {
            let ratio = ratio?;
            for pair in points.windows(2) {
                if pair[1].1.model_mm_s(ratio) <= pair[0].1.model_mm_s(ratio) {
                    let cause = &crate::cause::bench_file::CONTRADICTION;
                    let hint = "speeds rise from point to point";
                    let expected = "a speed above that of the point before";
                    reading.complain(cause, key::TARGET_POINTS.path(), pair[1].2.clone(), expected, hint);
                }
            }
            Some(TargetSpec::Points(points.iter().map(|p| (p.0, p.1.model_mm_s(ratio))).collect()))
        }
        _ => None,
    }
}

fn line(reading: &mut Reading<'_>, ratio: f64, top: Speed, creep: Speed) -> Option<TargetSpec> {
    let (top_mm_s, creep_mm_s) = (top.model_mm_s(ratio), creep.model_mm_s(ratio));
    if creep_mm_s >= top_mm_s {
        let others: &[(&dyn AnyKey, &str)] = &[(&key::TOP, "the top")];
        let hint = format!(
            "as model speed, creep is {creep_mm_s:.1} mm/s and top is {top_mm_s:.1} mm/s: raise the top or lower the creep, \
             or swap them"
        );
        reading.contradiction(&key::CREEP, others, "a creep speed below the top", hint);
        return None;
    }
    Some(TargetSpec::Line { creep_mm_s, top_mm_s })
}
