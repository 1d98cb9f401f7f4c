//! The budget of a speed's doubt, by the GUM (JCGM 100:2008): every line a standard uncertainty with its degrees of
//! freedom; together the root of their squares (5.1.2), with degrees of freedom by Welch and Satterthwaite (G.4), expanded
//! to 95 % by Student's t (G.3). Check values: `standards/measurement.md` section 8.
//!
//! This is the one place where doubts are put together to a verdict's. Lines know with what they are shared: two engines
//! measured on the same roller share the roller's error, which is in each of their speeds and not in the difference.
use crate::motion::stats::{root_of_squares, t_975};
use serde::{Deserialize, Serialize};
use std::borrow::Cow;

/// How a line was evaluated (GUM 4.2 and 4.3).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Evaluation {
    /// From the scatter of repeated observations.
    A,
    /// From anything else that is known.
    B,
}

/// Which other speeds have the same error.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum SharedBy {
    /// None: it is of this figure alone.
    None,
    /// Those of the same run.
    Run,
    /// All that are measured on the same axle, of whatever engine.
    Axle,
}

/// What a line is about.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Part {
    /// Repeatability of whole turns.
    Repeatability,
    /// The curve through the points of the sweep.
    Curve,
    /// What is left of the ellipse, once a turn and twice.
    Ellipse,
    /// Change of the engine while it was measured.
    Drift,
    /// The steps in which the sensor tells speeds.
    Steps,
    /// Whole counts to which a decoder may round.
    Rounding,
    /// The sensor's clock against this computer's.
    Clock,
    /// Another way of standing on the bench each time.
    Placing,
    /// Where the wheel touches.
    Contact,
    /// Distance of one turn of the measured axle.
    Circumference,
}

/// A line of a budget.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct BudgetLine {
    /// What it is about.
    pub part: Part,
    /// How it was evaluated.
    pub evaluation: Evaluation,
    /// Standard uncertainty (k = 1), mm/s.
    pub u_mm_s: f64,
    /// Its degrees of freedom; none: as good as endless.
    pub degrees: Option<f64>,
    /// Which other speeds have the same error.
    pub shared_by: SharedBy,
    /// How it was found, in words.
    pub found: Cow<'static, str>,
}

impl BudgetLine {
    /// From the scatter of observations.
    #[must_use]
    pub fn a(part: Part, u_mm_s: f64, degrees: f64, shared_by: SharedBy, found: &'static str) -> Self {
        let degrees = degrees.is_finite().then_some(degrees);
        Self { part, evaluation: Evaluation::A, u_mm_s, degrees, shared_by, found: found.into() }
    }

    /// From other knowledge.
    #[must_use]
    pub fn b(part: Part, u_mm_s: f64, shared_by: SharedBy, found: &'static str) -> Self {
        Self { part, evaluation: Evaluation::B, u_mm_s, degrees: None, shared_by, found: found.into() }
    }
}

/// Doubts put together.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Combined {
    /// Standard uncertainty (k = 1), in the unit of the parts.
    pub u: f64,
    /// Effective degrees of freedom; none: as good as endless.
    pub degrees: Option<f64>,
}

impl Combined {
    /// The half-width that holds 95 %. Infinite below one degree of freedom: nothing can be said then.
    #[must_use]
    pub fn expanded(self) -> f64 {
        if self.u > 0.0 { self.u * t_975(self.degrees.unwrap_or(f64::INFINITY)) } else { 0.0 }
    }
}

/// Independent standard uncertainties with their degrees of freedom, put together (GUM 5.1.2, G.4).
#[must_use]
pub fn combined(parts: impl IntoIterator<Item = (f64, Option<f64>)> + Clone) -> Combined {
    let u = root_of_squares(parts.clone().into_iter().map(|(u, _)| u));
    // Each as a part of the whole, so that the fourth powers neither vanish nor overflow.
    let shares = parts.into_iter().filter_map(|(part, degrees)| Some((part / u, degrees?)));
    let sum: f64 = shares.map(|(share, degrees)| share * share * share * share / degrees).sum();
    Combined { u, degrees: (sum > 0.0).then(|| 1.0 / sum) }
}

/// The budget of one speed.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Budget {
    /// Its lines, in any order.
    pub lines: Vec<BudgetLine>,
}

impl Budget {
    /// All lines together.
    #[must_use]
    pub fn whole(&self) -> Combined {
        self.of(|_| true)
    }

    /// Lines shared in these ways together.
    #[must_use]
    pub fn of(&self, which: impl Fn(SharedBy) -> bool) -> Combined {
        let lines = self.lines.iter().filter(|line| which(line.shared_by));
        combined(lines.map(|line| (line.u_mm_s, line.degrees)).collect::<Vec<_>>())
    }

    /// The line on this part.
    #[must_use]
    pub fn line(&self, part: Part) -> Option<&BudgetLine> {
        self.lines.iter().find(|line| line.part == part)
    }
}

/// How the figures of two budgets belong together.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Together {
    /// Two speeds of one run.
    SameRun,
    /// Measured on the same axle in two runs.
    SameAxle,
    /// Nothing in common.
    Apart,
}

/// The doubt of the difference of two speeds. What both share is the same error in each: of it only counts by how much
/// it is larger at one of them (GUM 5.2.2 with a correlation of one), nothing where both are equally fast.
#[must_use]
pub fn difference(one: &Budget, other: &Budget, together: Together) -> Combined {
    let common = |line: &BudgetLine| match together {
        Together::SameRun => line.shared_by >= SharedBy::Run,
        Together::SameAxle => line.shared_by >= SharedBy::Axle,
        Together::Apart => false,
    };
    let mut parts = Vec::new();
    for line in &one.lines {
        let twin = if common(line) { other.line(line.part) } else { None };
        parts.push((line.u_mm_s - twin.map_or(0.0, |twin| twin.u_mm_s), line.degrees));
    }
    let alone = |line: &&BudgetLine| !common(line) || one.line(line.part).is_none();
    parts.extend(other.lines.iter().filter(alone).map(|line| (line.u_mm_s, line.degrees)));
    combined(parts)
}

#[cfg(test)]
#[path = "budget_tests.rs"]
mod tests;
