//! The budget of each figure of a result: which lines it has, and how each was found. The sums are `calibrate::budget`'s.
use super::cx::Cx;
use crate::calibrate::budget::{Budget, BudgetLine, Part, SharedBy};
use crate::calibrate::{PlacingPart, SpeedEstimate};
use crate::motion::Measured;

/// Of a speed measured just now. `drift_mm_s` is how far the same setting moved during the round: rectangular doubt.
pub(super) fn of_measured(cx: &Cx, placing: Option<PlacingPart>, measured: Measured) -> Budget {
    let mut lines = vec![
        BudgetLine::a(
            Part::Repeatability,
            measured.u_repeat_mm_s,
            measured.degrees,
            SharedBy::None,
            "scatter of whole turns",
        ),
        BudgetLine::b(
            Part::Ellipse,
            0.0,
            SharedBy::None,
            "cancels: whole turns, timed at one place of the axle; its scatter is in repeatability",
        ),
    ];
    lines.extend(common(cx, placing, measured.speed_mm_s.abs()));
    Budget { lines }
}

/// The same with what the engine changed by while it was measured.
pub(super) fn with_drift(mut budget: Budget, drift_mm_s: f64) -> Budget {
    budget.lines.retain(|line| line.part != Part::Drift);
    let found = "slow and fast step measured again at the end, between them by speed; rectangular";
    // The whole change either way: nobody knows its course.
    budget.lines.push(BudgetLine::b(Part::Drift, drift_mm_s.abs() / 3f64.sqrt(), SharedBy::Run, found));
    budget
}

/// Of a speed predicted from the curve. `rounding_mm_s` is what the decoder's rounding to whole counts may come to.
pub(super) fn of_predicted(
    cx: &Cx,
    placing: Option<PlacingPart>,
    guess: SpeedEstimate,
    rounding_mm_s: f64,
) -> Budget {
    let mut lines = vec![
        BudgetLine::a(
            Part::Curve,
            guess.u_mm_s,
            f64::INFINITY,
            SharedBy::None,
            "points of the sweep, their repeatability and drift, through the curve",
        ),
        BudgetLine::b(
            Part::Rounding,
            rounding_mm_s.abs(),
            SharedBy::None,
            "a decoder may round to whole counts, when swept and now, as the sweep speaks for it",
        ),
    ];
    lines.extend(common(cx, placing, guess.speed_mm_s));
    Budget { lines }
}

/// What every speed of a run has.
fn common(cx: &Cx, placing: Option<PlacingPart>, speed_mm_s: f64) -> Vec<BudgetLine> {
    let axle = &cx.plan.spec.axle;
    let clock = cx.motion.clock_rate();
    let contact = if axle.contact_u_rel > 0.0 { "bench file" } else { "none stated in the bench file" };
    let timed = if clock.corrected {
        "sensor's clock against this computer's, corrected"
    } else {
        "sensor's clock against this computer's, uncorrected"
    };
    let (placing_u_rel, degrees, placed) = match placing {
        Some(part) => (part.u_rel, part.degrees, "lifted and put back, the scatter within taken off"),
        None => (0.0, f64::INFINITY, "measured in one placing: what another would change is not known"),
    };
    vec![
        BudgetLine::b(
            Part::Steps,
            cx.motion.u_resolution_mm_s(),
            SharedBy::None,
            "steps in which the sensor tells speeds",
        ),
        BudgetLine::b(Part::Clock, speed_mm_s * clock.u_rel, SharedBy::Run, timed),
        BudgetLine::a(Part::Placing, speed_mm_s * placing_u_rel, degrees, SharedBy::Run, placed),
        BudgetLine::b(Part::Contact, speed_mm_s * axle.contact_u_rel, SharedBy::Run, contact),
        BudgetLine::b(
            Part::Circumference,
            speed_mm_s * axle.circumference_u_rel,
            SharedBy::Axle,
            "bench file",
        ),
    ]
}
