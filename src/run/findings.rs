//! What a run has found out so far, and the computation between sweep and write.
use super::cx::{Cx, Failure};
use super::record::RecordBody;
use super::swept::SweepFound;
use super::verified::Verified;
use crate::calibrate::{
    BaselineKind, Bend, Drawn, Habits, PlacingPart, SeenStep, SpeedCurve, SpeedEstimate, TableFit,
    TableQuality, TableReading, TableTask, TableUse, Target, Tolerance, Verdict, VerifyPoint, Written,
    correct, flat_top, predict, predicted_worst, reachable_top, table_limit,
};
use crate::cause::{Reason, engine as causes, path as path_causes};
use crate::dcc::drive::UNITY_TRIM;
use crate::dcc::scale::kmh;
use crate::station::Direction;

/// Drive of the top step in the linear baseline, as good as: 255 counts.
const FULL_DRIVE: f64 = 250.0;

/// A table with the curves it was computed from.
#[derive(Clone, Debug)]
pub(super) struct Computed {
    pub(super) fit: TableFit,
    pub(super) forward: SpeedCurve,
    pub(super) reverse: SpeedCurve,
    /// What the decoder makes of a drive that is no whole count.
    pub(super) habits: Habits,
}

impl Computed {
    pub(super) fn curve(&self, direction: Direction) -> &SpeedCurve {
        match direction {
            Direction::Forward => &self.forward,
            Direction::Reverse => &self.reverse,
        }
    }

    /// Predicted speed at a table entry.
    pub(super) fn predict(&self, direction: Direction, entry: f64) -> SpeedEstimate {
        predict(&self.fit, self.curve(direction), &self.habits, direction, entry)
    }

    /// Doubt (k = 1) that the decoder's rounding adds to the predicted speed, mm/s.
    pub(super) fn rounding_u_mm_s(&self, direction: Direction, entry: f64) -> f64 {
        let drive = self.fit.drive(direction, entry);
        self.curve(direction).slope_at(drive) * self.habits.u_counts(drive)
    }

    /// Worst predicted deviation over all entries and both directions, mm/s.
    pub(super) fn worst_predicted_mm_s(&self, target: &Target) -> f64 {
        predicted_worst(&self.fit, &self.forward, &self.reverse, &self.habits, target)
    }
}

/// What a run has found out so far.
#[derive(Debug)]
pub(super) struct Findings {
    /// The wanted speeds over the entries as this decoder meets them.
    pub(super) target: Target,
    /// The same over entries that are met evenly from end to end.
    plain: Target,
    /// How the decoder uses its table, as it is taken.
    pub(super) used: TableUse,
    /// The same as the profile says, or as it is taken for granted.
    pub(super) told_before: TableUse,
    /// The same as the first verify showed it; none where that was left open.
    pub(super) shown: Option<TableUse>,
    /// The sweep's drives were stronger than written by this factor, as the first verify showed.
    stronger_by: Option<f64>,
    pub(super) tolerance: Tolerance,
    pub(super) sweep: Option<SweepFound>,
    pub(super) computed: Option<Computed>,
    pub(super) verified: Vec<Verified>,
    pub(super) verdict: Option<Verdict>,
    pub(super) reasons: Vec<Reason>,
    /// Setting at which the engine ran warm.
    pub(super) warm_at: u16,
    /// What another placing on the bench changes; none where that was not looked for.
    pub(super) placing: Option<PlacingPart>,
}

impl Findings {
    pub(super) fn new(cx: &Cx) -> Self {
        let limits = &cx.plan.spec.limits;
        let target = Target::from_spec(&cx.plan.spec.target)
            .expect("the bench file reader lets only targets through that start above 0 and never fall");
        let of = cx.plan.spec.engine.step_mode;
        let profile = &cx.plan.profile;
        let reading = match of {
            // Every second entry: the likely meaning of "leaving values out" (`standards/dcc.md` section 4.2).
            14 if profile.has_table => TableReading::FromZero,
            126 => profile.between.unwrap_or_default(),
            _ => TableReading::default(),
        };
        let plain = target;
        let target = met(&plain, reading, of);
        Self {
            target,
            plain,
            used: TableUse::Whole(reading),
            told_before: TableUse::Whole(reading),
            shown: None,
            stronger_by: None,
            tolerance: Tolerance::new(limits.tolerance_rel, limits.tolerance_floor_mm_s),
            sweep: None,
            computed: None,
            verified: Vec::new(),
            verdict: None,
            reasons: Vec::new(),
            warm_at: 0,
            placing: None,
        }
    }

    /// A bend of the baseline that is the decoder's, in words; none where it is straight.
    pub(super) fn bent(&self) -> Option<String> {
        let sweep = self.sweep.as_ref().filter(|sweep| !matches!(sweep.kind, BaselineKind::Table(_)))?;
        let bend = sweep.points.iter().find_map(|points| Bend::of(points))?;
        let slopes =
            format!("above the middle step the speed rises {:.2} times as fast as below", bend.ratio());
        Some(match bend {
            Bend::MiddleLow(_) | Bend::MiddleHigh(_) => {
                format!("{slopes}, as if CV 6 were {:.0} with a top of 255", bend.middle())
            }
            Bend::Cut(_) => format!("{slopes}, as if CV 5 were no more than CV 6"),
        })
    }

    /// Curves and table from the sweep. Fails where the target cannot be reached or the curve is no curve.
    pub(super) fn compute(&mut self, cx: &mut Cx) -> Result<(), Failure> {
        let Some(sweep) = &self.sweep else { return Ok(()) };
        let drawn = Drawn::through([&sweep.points[0], &sweep.points[1]])
            .map_err(|error| Failure::rejected(&causes::CURVE_UNUSABLE, error.to_string()))?;
        let habits = drawn.habits;
        let [forward, reverse] = drawn.curves;
        let limits = cx.plan.spec.limits;
        let reachable = reachable_top(&forward, &reverse, limits.top_reserve);
        // What is lowered anyway is lowered to what there is room to verify.
        let room_mm_s = if limits.lower_top { cx.fastest_top_mm_s() } else { f64::MAX };
        // Where the sweep went up to full drive on the straight it is the engine that goes no faster.
        let stopped_short = [&forward, &reverse].iter().any(|curve| curve.last_drive() < FULL_DRIVE);
        let too_slow = if room_mm_s < reachable || cx.way_judged && stopped_short {
            &path_causes::TOP_LOWERED
        } else {
            &causes::TOP_OUT_OF_REACH
        };
        let reachable = reachable.min(room_mm_s);
        if reachable < self.target.top() {
            let evidence = top_evidence(cx, self.target.top(), reachable);
            if !limits.lower_top {
                return Err(Failure::rejected(too_slow, evidence));
            }
            let reason = Reason::new(too_slow, format!("{evidence}; the top was lowered"));
            cx.record(RecordBody::Noted(reason.clone()));
            self.reasons.push(reason);
            self.plain = self
                .plain
                .scaled_to_top(reachable)
                .map_err(|error| Failure::rejected(too_slow, error.to_string()))?;
            self.target = met(&self.plain, self.reading(), cx.plan.spec.engine.step_mode);
        }
        let mut computed = self.table(cx, forward, reverse, habits)?;
        if let Some(slowest_mm_s) = self.creep_out_of_reach(cx, &computed) {
            let evidence = creep_evidence(cx, self.target.at(1.0), slowest_mm_s);
            if !limits.raise_creep {
                return Err(Failure::rejected(&causes::CREEP_OUT_OF_REACH, evidence));
            }
            let reason =
                Reason::new(&causes::CREEP_OUT_OF_REACH, format!("{evidence}; the creep was raised"));
            cx.record(RecordBody::Noted(reason.clone()));
            self.reasons.push(reason);
            self.plain = self.plain.raised_to(slowest_mm_s);
            self.target = met(&self.plain, self.reading(), cx.plan.spec.engine.step_mode);
            computed = self.table(cx, computed.forward, computed.reverse, habits)?;
        }
        let alike = flat_top(&computed.fit, &self.target);
        if alike > 0 {
            let evidence = format!("{alike} entries at {}", computed.fit.table[27]);
            self.note_once(cx, Reason::new(&causes::TOP_FLAT, evidence));
        }
        self.keep(cx, computed);
        Ok(())
    }

    /// By how much the predicted deviation at an entry with its doubt (k = 2) goes beyond the tolerance in the worse direction,
    /// mm/s; none where it does not.
    pub(super) fn in_doubt_mm_s(&self, computed: &Computed, entry: f64) -> Option<f64> {
        let wanted = self.target.at(entry);
        let beyond = Direction::BOTH.map(|direction| {
            let guess = computed.predict(direction, entry);
            let u = libm::hypot(guess.u_mm_s, computed.rounding_u_mm_s(direction, entry));
            (guess.speed_mm_s - wanted).abs() + 2.0 * u - self.tolerance.allowed(wanted, 0.0)
        });
        Some(beyond[0].max(beyond[1])).filter(|beyond| *beyond > 0.0)
    }

    /// The slowest speed that both directions start with, where that is beyond the tolerance at entry 1.
    fn creep_out_of_reach(&self, cx: &Cx, computed: &Computed) -> Option<f64> {
        let first = self.reading().entry(1, cx.plan.spec.engine.step_mode).max(1.0);
        let wanted = self.target.at(first);
        let allowed = self.tolerance.allowed(wanted, 0.0);
        let slowest = Direction::BOTH
            .map(|direction| computed.predict(direction, first).speed_mm_s)
            .into_iter()
            .fold(0.0, f64::max);
        let limit = Direction::BOTH
            .map(|direction| table_limit(&computed.fit, computed.curve(direction), direction, first))
            .into_iter()
            .fold(allowed, f64::max);
        (slowest - wanted > limit).then_some(slowest)
    }

    /// How the entries are met, as it is taken.
    pub(super) fn reading(&self) -> TableReading {
        self.used.reading()
    }

    /// Keeps what this verify shows of how the decoder uses its table.
    pub(super) fn look_how_used(&mut self, cx: &Cx, done: &[Verified]) {
        let one = |one: &Verified| SeenStep {
            step: one.step,
            direction: one.point.direction,
            measured: one.point.measured,
        };
        let seen: Vec<SeenStep> = done.iter().map(one).collect();
        self.stronger_by = self.written(cx).and_then(|written| written.stronger_by(&seen));
        let shown = self.written(cx).and_then(|written| written.told_by(&seen));
        // Trims of 128 do not show whether trims act: what was known of that stays.
        self.shown = match (shown, self.used) {
            (Some(TableUse::Whole(reading)), TableUse::WithoutTrims(_)) => {
                Some(TableUse::WithoutTrims(reading))
            }
            _ => shown,
        };
    }

    /// What was written, for a look at how it is used.
    fn written(&self, cx: &Cx) -> Option<Written<'_>> {
        let (computed, sweep) = (self.computed.as_ref()?, self.sweep.as_ref()?);
        // Three points are no table that could be left out.
        if computed.fit.points.is_some() {
            return None;
        }
        Some(Written {
            fit: &computed.fit,
            curves: [&computed.forward, &computed.reverse],
            habits: &computed.habits,
            kind: sweep.kind,
            of: cx.plan.spec.engine.step_mode,
        })
    }

    /// Whether the decoder leaves trims or table out, by one step of the first verify.
    pub(super) fn is_left_out(&mut self, cx: &Cx, seen: &SeenStep) -> bool {
        let left_out = self.written(cx).and_then(|written| written.left_out_at(seen));
        if left_out.is_some() {
            self.shown = left_out;
        }
        left_out.is_some()
    }

    /// A table for the way in which the decoder uses it, where that is not the one that this table was made for; `self`
    /// goes over to that. None where the ways agree or nothing is known.
    ///
    /// # Errors
    /// The table is not used in any way that serves.
    pub(super) fn for_true_use(&mut self, cx: &mut Cx) -> Result<Option<Computed>, Failure> {
        let of = cx.plan.spec.engine.step_mode;
        if let Some(factor) = self.stronger_by {
            let evidence = format!(
                "the swept steps ran with {factor:.2} times the drive written, as if CV 6 were {:.0} with a top of 255",
                (128.0 * factor).min(255.0)
            );
            return Err(Failure::rejected(&causes::CURVE_BENT, evidence));
        }
        let Some(shown) = self.shown.filter(|shown| *shown != self.used) else { return Ok(None) };
        let Some(computed) = &self.computed else { return Ok(None) };
        if shown == TableUse::None {
            let evidence = "with the table written and switched on it has the speeds of the linear curve";
            return Err(Failure::rejected(&causes::TABLE_NOT_OBEYED, evidence));
        }
        if shown.reading() == TableReading::Held {
            let evidence = format!("steps of {of} between two entries run at the speed of one of them");
            return Err(Failure::rejected(&causes::TABLE_NOT_INTERPOLATED, evidence));
        }
        let target = met(&self.plain, shown.reading(), of);
        let task = TableTask {
            curves: [&computed.forward, &computed.reverse],
            habits: &computed.habits,
            target: &target,
            tolerance: &self.tolerance,
            of,
            reading: shown.reading(),
        };
        let fit = if let TableUse::WithoutTrims(_) = shown {
            let bare = TableFit { trim_forward: UNITY_TRIM, trim_reverse: UNITY_TRIM, ..computed.fit };
            task.under_trims_of(&bare).map(|found| found.0)
        } else {
            task.best()
        };
        let Ok(fit) = fit else { return Ok(None) };
        let (trims, better) =
            ([computed.fit.trim_forward, computed.fit.trim_reverse], Computed { fit, ..computed.clone() });
        let computed_for = self.used.reading();
        (self.target, self.used) = (target, shown);
        if shown.reading() == TableReading::FromZero && computed_for != TableReading::FromZero {
            let first = shown.reading().nearest_step(1.0, of);
            let evidence =
                format!("its first entry is met at step {first} of {of}, and steps below it may stand");
            self.note_once(cx, Reason::new(&causes::TABLE_FROM_ZERO, evidence));
        }
        if let TableUse::WithoutTrims(_) = shown {
            let evidence = format!("CV 66 = {} and CV 95 = {} changed no speed", trims[0], trims[1]);
            self.note_once(cx, Reason::new(&causes::TRIMS_NOT_OBEYED, evidence));
        }
        Ok(Some(better))
    }

    fn note_once(&mut self, cx: &mut Cx, reason: Reason) {
        cx.record(RecordBody::Noted(reason.clone()));
        self.reasons.push(reason);
    }

    /// A table from the curves as verify corrects them; none where it stays the same.
    pub(super) fn corrected(&self, cx: &Cx, done: &[Verified]) -> Option<Computed> {
        let computed = self.computed.as_ref()?;
        let side = |direction: Direction| {
            let points: Vec<VerifyPoint> = done
                .iter()
                .map(|verified| verified.point)
                .filter(|point| point.direction == direction)
                .collect();
            correct(computed.curve(direction), &computed.fit, &computed.habits, direction, &points)
        };
        let (forward, reverse) = (side(Direction::Forward), side(Direction::Reverse));
        let habits = computed.habits;
        let task = self.task(cx, [&forward, &reverse], &habits);
        let fit = if computed.fit.points.is_some() {
            task.three_points().ok()?
        } else if let TableUse::WithoutTrims(_) = self.used {
            task.under_trims_of(&computed.fit).ok()?.0
        } else {
            task.after(&computed.fit).ok()?
        };
        (fit != computed.fit).then_some(Computed { fit, forward, reverse, habits })
    }

    /// How good the table is by the curves, and what none goes below.
    pub(super) fn quality(&self, cx: &Cx) -> Option<TableQuality> {
        let computed = self.computed.as_ref()?;
        let task = self.task(cx, [&computed.forward, &computed.reverse], &computed.habits);
        Some(task.quality(&computed.fit))
    }

    fn task<'a>(&'a self, cx: &Cx, curves: [&'a SpeedCurve; 2], habits: &'a Habits) -> TableTask<'a> {
        let (target, tolerance) = (&self.target, &self.tolerance);
        TableTask {
            curves,
            habits,
            target,
            tolerance,
            of: cx.plan.spec.engine.step_mode,
            reading: self.reading(),
        }
    }

    fn table(
        &self,
        cx: &Cx,
        forward: SpeedCurve,
        reverse: SpeedCurve,
        habits: Habits,
    ) -> Result<Computed, Failure> {
        let task = self.task(cx, [&forward, &reverse], &habits);
        let fit = if cx.plan.profile.has_table { task.best() } else { task.three_points() };
        let fit = fit.map_err(|error| Failure::rejected(&causes::CURVE_UNUSABLE, error.to_string()))?;
        Ok(Computed { fit, forward, reverse, habits })
    }

    /// This table is the one to write now.
    pub(super) fn keep(&mut self, cx: &mut Cx, computed: Computed) {
        let predicted_worst_percent = 100.0 * computed.worst_predicted_mm_s(&self.target) / self.target.top();
        cx.record(RecordBody::Fitted { fit: computed.fit, predicted_worst_percent });
        self.computed = Some(computed);
    }
}

/// The wanted speeds over the entries as a decoder meets them.
fn met(plain: &Target, reading: TableReading, of: u16) -> Target {
    if reading == TableReading::FromZero { plain.read_from_zero(of) } else { plain.clone() }
}

/// The creep speeds asked for and reachable, in model and scale speed.
fn creep_evidence(cx: &Cx, asked_mm_s: f64, slowest_mm_s: f64) -> String {
    let ratio = cx.plan.spec.engine.scale_ratio;
    format!(
        "asked {asked_mm_s:.1} mm/s ({:.1} km/h scale) at step 1, slowest that starts both ways {slowest_mm_s:.1} mm/s ({:.1} km/h scale)",
        kmh(asked_mm_s, ratio),
        kmh(slowest_mm_s, ratio)
    )
}

/// The tops asked for and reachable, in model and scale speed.
fn top_evidence(cx: &Cx, asked_mm_s: f64, reachable_mm_s: f64) -> String {
    let ratio = cx.plan.spec.engine.scale_ratio;
    format!(
        "asked {asked_mm_s:.1} mm/s ({:.1} km/h scale), highest reachable {reachable_mm_s:.1} mm/s ({:.1} km/h scale) with {:.0} % reserve",
        kmh(asked_mm_s, ratio),
        kmh(reachable_mm_s, ratio),
        100.0 * cx.plan.spec.limits.top_reserve
    )
}
