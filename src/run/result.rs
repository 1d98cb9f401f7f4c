//! The result of a run from what was found.
use super::cx::Cx;
use super::doubt;
use super::findings::{Computed, Findings};
use super::outcome::{
    BudgetRow, DecoderState, End, EngineFound, RunOutcome, StepRow, StepSource, StopGrade, VerdictWord,
};
use super::verified::Verified;
use crate::calibrate::budget::{Budget, SharedBy};
use crate::calibrate::{ENTRIES, Verdict};
use crate::cause::{Reason, engine as engine_causes, station as station_causes};
use crate::station::Direction;

/// `(stop, broken, interruptions, driven_seconds)`: the grade of the stop, how many sensor lines could not be read, how often a
/// lost link interrupted the run, and how long the engine was told to move.
pub(super) fn outcome(
    cx: &Cx,
    findings: &Findings,
    end: End,
    (stop, broken, interruptions, driven_seconds): (StopGrade, u64, u32, f64),
) -> RunOutcome {
    // A look that saw other values than the originals leaves them where they are.
    let differs = |reason: &Reason| reason.code == engine_causes::ORIGINALS_DIFFER.code;
    let decoder_state = if end == End::Compared && findings.reasons.iter().any(differs) {
        DecoderState::Mixed
    } else {
        decoder_state(cx, end)
    };
    let in_force = if decoder_state == DecoderState::New { findings.computed.as_ref() } else { None };
    let with_table = in_force.filter(|computed| computed.fit.points.is_none());
    let top = findings.target.top();
    let worst =
        findings.verified.iter().max_by(|a, b| a.deviation_mm_s().abs().total_cmp(&b.deviation_mm_s().abs()));
    let figures = match &findings.computed {
        Some(computed) => figures(cx, findings, computed),
        None => checked(findings),
    };
    let mut reasons = findings.reasons.clone();
    if stop == StopGrade::Unconfirmed {
        reasons.insert(0, Reason::new(&station_causes::STOP_UNCONFIRMED, format!("at {}", cx.now)));
    }
    if let (points, Some(last)) = &cx.short {
        let evidence = format!("{points} points, the last of them at {last}");
        reasons.push(Reason::new(&engine_causes::PRECISION_NOT_REACHED, evidence));
    }
    RunOutcome {
        outcome: end,
        verdict: findings.verdict.map_or(VerdictWord::None, |verdict| match verdict {
            Verdict::Pass => VerdictWord::Pass,
            Verdict::Marginal => VerdictWord::Marginal,
            Verdict::Fail => VerdictWord::Fail,
        }),
        reasons,
        stop,
        decoder_state,
        restore_pending: cx.cvs.to_restore(),
        table: with_table.map(|computed| computed.fit.table),
        trim_forward: with_table.map(|computed| computed.fit.trim_forward),
        trim_reverse: with_table.map(|computed| computed.fit.trim_reverse),
        three_points: in_force.and_then(|computed| computed.fit.points),
        step_mode: cx.plan.spec.engine.step_mode,
        steps: figures.iter().map(row).collect(),
        budget: budget(&figures),
        worst_deviation_percent: worst.and_then(|worst| finite(100.0 * worst.deviation_mm_s().abs() / top)),
        worst_deviation_u_percent: worst.and_then(|worst| finite(100.0 * worst.point.measured.u_mm_s / top)),
        predicted_worst_deviation_percent: findings
            .computed
            .as_ref()
            .and_then(|computed| finite(100.0 * computed.worst_predicted_mm_s(&findings.target) / top)),
        engine: engine(cx, findings),
        broken_sensor_lines: broken,
        interruptions,
        housekeeping: cx.housekeeping.span(),
        bench_seconds: cx.now.as_secs_f64(),
        driven_seconds,
    }
}

fn engine(cx: &Cx, findings: &Findings) -> EngineFound {
    let swept = findings.sweep.as_ref();
    EngineFound {
        warming: cx.warming,
        low_end: swept.map(|swept| swept.low_end).unwrap_or_default(),
        points: swept.map(|swept| swept.count).unwrap_or_default(),
        drift: swept.and_then(|swept| swept.drift),
        rounding: findings.computed.as_ref().map(|computed| computed.habits),
        baseline: swept.map(|swept| swept.kind),
        table_use: findings.shown,
        table: findings.quality(cx),
    }
}

fn decoder_state(cx: &Cx, end: End) -> DecoderState {
    if end == End::Calibrated || cx.cvs.whole {
        DecoderState::New
    } else if !cx.cvs.doubtful.is_empty() {
        DecoderState::Unknown
    } else if cx.cvs.changed.is_empty() {
        DecoderState::Original
    } else {
        DecoderState::Mixed
    }
}

/// A step's speed in one direction, and where its doubt comes from.
struct Figure {
    speed_mm_s: f64,
    budget: Budget,
}

/// A step with both directions.
struct Figures {
    step: u16,
    target_mm_s: f64,
    source: StepSource,
    both: [(Direction, Figure); 2],
    short: bool,
}

/// Every step: as measured where both directions were, else as predicted.
fn figures(cx: &Cx, findings: &Findings, computed: &Computed) -> Vec<Figures> {
    let of = cx.plan.spec.engine.step_mode;
    let mut steps: Vec<u16> =
        (1..=ENTRIES).map(|entry| findings.reading().nearest_step(entry as f64, of)).collect();
    // With 14 steps two entries have one step.
    steps.dedup();
    steps
        .into_iter()
        .map(|step| {
            let entry = findings.reading().entry(step, of);
            let seen = |direction| measured(&findings.verified, step, direction);
            let (source, forward, reverse) = if let (Some(forward), Some(reverse)) =
                (seen(Direction::Forward), seen(Direction::Reverse))
            {
                (StepSource::Measured, forward, reverse)
            } else {
                let guess = |direction| predicted(cx, findings, computed, (direction, entry));
                (StepSource::Predicted, guess(Direction::Forward), guess(Direction::Reverse))
            };
            let both = [(Direction::Forward, forward), (Direction::Reverse, reverse)];
            let short = findings.verified.iter().any(|one| one.step == step && one.is_short());
            Figures { step, target_mm_s: findings.target.at(entry), source, both, short }
        })
        .collect()
}

/// The steps of a check: nothing is predicted where nothing was computed.
fn checked(findings: &Findings) -> Vec<Figures> {
    let mut steps: Vec<u16> = findings.verified.iter().map(|one| one.step).collect();
    steps.sort_unstable();
    steps.dedup();
    let both = |step| {
        let seen = |direction| measured(&findings.verified, step, direction);
        Some((seen(Direction::Forward)?, seen(Direction::Reverse)?))
    };
    let row = |step: u16| {
        let (forward, reverse) = both(step)?;
        let own = findings.verified.iter().find(|one| one.step == step)?;
        Some(Figures {
            step,
            target_mm_s: own.target_mm_s,
            source: StepSource::Measured,
            both: [(Direction::Forward, forward), (Direction::Reverse, reverse)],
            short: findings.verified.iter().any(|one| one.step == step && one.is_short()),
        })
    };
    steps.into_iter().filter_map(row).collect()
}

fn measured(verified: &[Verified], step: u16, direction: Direction) -> Option<Figure> {
    let found = verified.iter().find(|one| one.step == step && one.point.direction == direction)?;
    Some(Figure { speed_mm_s: found.point.measured.speed_mm_s, budget: found.budget.clone() })
}

fn predicted(cx: &Cx, findings: &Findings, computed: &Computed, at: (Direction, f64)) -> Figure {
    let (direction, entry) = at;
    let guess = computed.predict(direction, entry);
    let budget = doubt::of_predicted(cx, findings.placing, guess, computed.rounding_u_mm_s(direction, entry));
    Figure { speed_mm_s: guess.speed_mm_s, budget }
}

fn row(figures: &Figures) -> StepRow {
    let [(_, forward), (_, reverse)] = &figures.both;
    let doubts = |figure: &Figure| {
        let whole = figure.budget.whole();
        (finite(whole.u), finite(whole.expanded()))
    };
    let (forward_u_mm_s, forward_u95_mm_s) = doubts(forward);
    let (reverse_u_mm_s, reverse_u95_mm_s) = doubts(reverse);
    StepRow {
        step: figures.step,
        target_mm_s: figures.target_mm_s,
        forward_mm_s: finite(forward.speed_mm_s),
        forward_u_mm_s,
        forward_u95_mm_s,
        reverse_mm_s: finite(reverse.speed_mm_s),
        reverse_u_mm_s,
        reverse_u95_mm_s,
        forward_own_u_mm_s: own_u_mm_s(&forward.budget),
        forward_shared_u_mm_s: shared_u_mm_s(&forward.budget),
        reverse_own_u_mm_s: own_u_mm_s(&reverse.budget),
        reverse_shared_u_mm_s: shared_u_mm_s(&reverse.budget),
        source: figures.source,
        short: figures.short,
    }
}

fn own_u_mm_s(budget: &Budget) -> Option<f64> {
    finite(budget.of(|by| by < SharedBy::Axle).u)
}

fn shared_u_mm_s(budget: &Budget) -> Option<f64> {
    finite(budget.of(|by| by == SharedBy::Axle).u)
}

/// The slowest step, one in the middle (a measured one before any other) and the top.
fn budget(all: &[Figures]) -> Vec<BudgetRow> {
    let off_middle = |figures: &&Figures| {
        let predicted = figures.source == StepSource::Predicted;
        (
            predicted,
            figures.step.abs_diff(all.get((all.len() / 2).saturating_sub(1)).map_or(0, |middle| middle.step)),
        )
    };
    let inner = all.get(1..all.len().saturating_sub(1)).unwrap_or_default();
    let chosen = [all.first(), inner.iter().min_by_key(off_middle), all.last()];
    chosen.into_iter().flatten().filter_map(budget_row).collect()
}

/// The budget of the direction with the larger doubt; none where a number is none.
fn budget_row(figures: &Figures) -> Option<BudgetRow> {
    let doubt = |figure: &Figure| figure.budget.whole().u;
    let larger = |a: &&(Direction, Figure), b: &&(Direction, Figure)| doubt(&a.1).total_cmp(&doubt(&b.1));
    let (direction, figure) = figures.both.iter().max_by(larger)?;
    let whole = figure.budget.whole();
    let mut lines = figure.budget.lines.clone();
    lines.sort_by_key(|line| line.part);
    let good = figure.speed_mm_s.is_finite() && whole.u.is_finite();
    good.then(|| BudgetRow {
        step: figures.step,
        direction: *direction,
        source: figures.source,
        speed_mm_s: figure.speed_mm_s,
        lines,
        own_u_mm_s: own_u_mm_s(&figure.budget).unwrap_or_default(),
        shared_u_mm_s: shared_u_mm_s(&figure.budget).unwrap_or_default(),
        u_mm_s: whole.u,
        degrees: whole.degrees.and_then(finite),
        u95_mm_s: finite(whole.expanded()),
    })
}

/// Non-finite numbers never enter a result.
fn finite(value: f64) -> Option<f64> {
    value.is_finite().then_some(value)
}
