//! What came of a night: each job, how far the checks drifted, how well the sweeps repeat.
use super::Bench;
use super::plan::Planned;
use crate::calibrate::{Repeatability, SweptSpeed};
use crate::cause::Reason;
use crate::config::NightJob;
use crate::journal::{Disk, RealDisk, RunFolder};
use crate::run::{End, PointPurpose, RecordBody, RunOutcome, StopGrade, VerdictWord};
use crate::station::Direction;
use serde::Serialize;
use std::path::{Path, PathBuf};

/// A job that was done.
#[derive(Clone, Debug, Serialize)]
pub struct JobDone {
    /// Which.
    pub job: NightJob,
    /// The how many-th of its kind.
    pub number: u16,
    /// When it began, by the computer's clock.
    pub began: String,
    /// How it ended.
    pub outcome: End,
    /// The verdict.
    pub verdict: VerdictWord,
    /// How sure the stop is.
    pub stop: StopGrade,
    /// Why, most important first.
    pub reasons: Vec<Reason>,
    /// Worst deviation seen, percent of the target's top.
    pub worst_deviation_percent: Option<f64>,
    /// Minutes it took, bench time.
    pub minutes: f64,
    /// Minutes of them in which the engine was told to move.
    pub driven_minutes: f64,
    /// Where its record lies.
    pub run_folder: String,
}

/// What came of one engine.
#[derive(Clone, Debug, Serialize)]
pub struct EngineNight {
    /// Its name.
    pub engine: String,
    /// Its bench file.
    pub bench_file: String,
    /// What was done.
    pub jobs: Vec<JobDone>,
    /// What was not done any more, and why, a sentence.
    pub left_out: Option<String>,
    /// Hours in which the engine was told to move.
    pub running_hours: f64,
    /// Largest change of a speed from the first check to the last, percent; none with fewer than two.
    pub drift_percent: Option<f64>,
    /// How well its sweeps repeat; none with fewer than two.
    pub repeatability: Option<Repeatability>,
}

/// What came of the night.
#[derive(Clone, Debug, Serialize)]
pub struct NightReport {
    /// Version of this form.
    pub schema: u32,
    /// When it began and ended, by the computer's clock.
    pub began: String,
    /// And ended.
    pub ended: String,
    /// The engines.
    pub engines: Vec<EngineNight>,
}

impl NightReport {
    /// Everything that was planned was done, and ended well.
    #[must_use]
    pub fn is_good(&self) -> bool {
        let good = |job: &JobDone| {
            !matches!(job.outcome, End::Rejected | End::Halted | End::Interrupted | End::Refused)
                && job.stop != StopGrade::Unconfirmed
                && job.verdict != VerdictWord::Fail
        };
        self.engines.iter().all(|engine| engine.left_out.is_none() && engine.jobs.iter().all(good))
    }

    /// The worst grade of a stop.
    #[must_use]
    pub fn stop(&self) -> Option<StopGrade> {
        let stops = self.engines.iter().flat_map(|engine| &engine.jobs).map(|job| job.stop);
        stops.max_by_key(|stop| match stop {
            StopGrade::Still => 0,
            StopGrade::Acknowledged => 1,
            StopGrade::Unconfirmed => 2,
        })
    }
}

impl EngineNight {
    pub(super) fn of(bench: &Bench) -> Self {
        Self {
            engine: bench.spec.engine.name.clone(),
            bench_file: bench.file.display().to_string(),
            jobs: Vec::new(),
            left_out: None,
            running_hours: 0.0,
            drift_percent: None,
            repeatability: None,
        }
    }
}

pub(super) fn done(planned: &Planned, began: String, outcome: &RunOutcome, folder: &Path) -> JobDone {
    JobDone {
        job: planned.job,
        number: planned.number.0,
        began,
        outcome: outcome.outcome,
        verdict: outcome.verdict,
        stop: outcome.stop,
        reasons: outcome.reasons.clone(),
        worst_deviation_percent: outcome.worst_deviation_percent,
        minutes: outcome.bench_seconds / 60.0,
        driven_minutes: outcome.driven_seconds / 60.0,
        run_folder: folder.display().to_string(),
    }
}

/// What the checks saw.
pub(super) fn checked(outcomes: &[(NightJob, RunOutcome)]) -> Vec<&RunOutcome> {
    let checks =
        outcomes.iter().filter(|(job, outcome)| *job == NightJob::Check && outcome.outcome == End::Checked);
    checks.map(|(_, outcome)| outcome).collect()
}

/// Largest change of a speed from the first check to the last, percent.
pub(super) fn drift(checks: &[&RunOutcome]) -> Option<f64> {
    let [first, .., last] = checks else { return None };
    let mut largest: Option<f64> = None;
    for row in &last.steps {
        let Some(before) = first.steps.iter().find(|before| before.step == row.step) else { continue };
        for (before, now) in
            [(before.forward_mm_s, row.forward_mm_s), (before.reverse_mm_s, row.reverse_mm_s)]
        {
            let (Some(before), Some(now)) = (before, now) else { continue };
            let change = 100.0 * (now - before) / before;
            if change.is_finite() && largest.is_none_or(|largest: f64| change.abs() > largest.abs()) {
                largest = Some(change);
            }
        }
    }
    largest
}

/// The points of all sweeps that ended well, from their records.
pub(super) fn swept(jobs: &[JobDone]) -> Vec<Vec<SweptSpeed>> {
    let sweeps = jobs.iter().filter(|job| job.job == NightJob::Sweep && job.outcome == End::Measured);
    let read = sweeps.filter_map(|job| RunFolder::open(&RealDisk, Path::new(&job.run_folder)).ok());
    read.map(|run| {
        let points = run.records.iter().filter_map(|record| match &record.body {
            RecordBody::Point {
                purpose: PointPurpose::Sweep | PointPurpose::Anchor,
                setting,
                direction,
                measured,
                ..
            } => Some(SweptSpeed {
                value: setting.value,
                forward: *direction == Direction::Forward,
                speed_mm_s: measured.speed_mm_s.abs(),
            }),
            _ => None,
        });
        points.collect()
    })
    .collect()
}

/// Writes the report beside the runs, under the same name as before in this night.
///
/// # Errors
/// As a reason.
pub fn keep(report: &NightReport, folder: &Path) -> Result<PathBuf, Reason> {
    let stamp: String = report.began.chars().take(19).map(|c| if c == ':' { '-' } else { c }).collect();
    let path = folder.join(format!("night-{stamp}Z.json"));
    let mut disk = RealDisk;
    // Plain values: this always has a JSON form.
    let text = serde_json::to_string_pretty(report).unwrap_or_default() + "\n";
    let kept = disk.create_folder(folder).and_then(|()| disk.write_whole(&path, text.as_bytes()));
    kept.map(|()| path).map_err(|error| Reason::new(error.cause(), error.to_string()))
}
