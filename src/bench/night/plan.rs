//! The jobs of a night, and their words.
use crate::config::{NightJob, NightSpec};
use std::time::Duration;

/// A job that is to be done.
#[derive(Clone, Debug, PartialEq)]
pub struct Planned {
    /// Which.
    pub job: NightJob,
    /// The how many-th of its kind, from 1, and of how many.
    pub number: (u16, u16),
    /// It does not begin sooner after the begin of the one before, bench time.
    pub after: Duration,
}

/// The jobs of one engine, in their order.
#[must_use]
pub fn jobs(night: &NightSpec) -> Vec<Planned> {
    let times = |job| match job {
        NightJob::Check => (night.checks, night.check_every),
        NightJob::Sweep => (night.sweeps, Duration::ZERO),
        NightJob::RunIn | NightJob::Calibrate => (1, Duration::ZERO),
    };
    let expand = |job: &NightJob| {
        let (job, (count, every)) = (*job, times(*job));
        (1..=count).map(move |number| {
            let after = if number > 1 { every } else { Duration::ZERO };
            Planned { job, number: (number, count), after }
        })
    };
    night.jobs.iter().flat_map(expand).collect()
}

/// A job in words.
#[must_use]
pub fn words(planned: &Planned) -> String {
    let name = job_word(planned.job);
    match planned.number {
        (_, 1) => name.to_owned(),
        (number, count) => format!("{name} {number} of {count}"),
    }
}

/// A job as the bench file names it.
#[must_use]
pub const fn job_word(job: NightJob) -> &'static str {
    match job {
        NightJob::RunIn => "run_in",
        NightJob::Calibrate => "calibrate",
        NightJob::Check => "check",
        NightJob::Sweep => "sweep",
    }
}
