//! The night, and that running in fits into a run.
use super::Reading;
use super::safety::blame_first_that_stands;
use crate::config::key::AnyKey;
use crate::config::keys::{night as key, safety};
use crate::config::spec::{NightJob, NightSpec};

pub(super) fn night(reading: &mut Reading<'_>) -> Option<NightSpec> {
    let jobs = reading.value(&key::JOBS);
    let (least, most) = (reading.value(&key::RUN_IN_LEAST), reading.value(&key::RUN_IN_MOST));
    let steady = reading.value(&key::RUN_IN_STEADY);
    let (checks, check_every) = (reading.value(&key::CHECKS), reading.value(&key::CHECK_EVERY));
    let (sweeps, no_job_after) = (reading.value(&key::SWEEPS), reading.value(&key::NO_JOB_AFTER));
    running_in_goes_on_long_enough(reading);
    if jobs.as_ref().is_some_and(|jobs| jobs.contains(&NightJob::RunIn)) {
        running_in_fits_into_a_run(reading);
    }
    Some(NightSpec {
        jobs: jobs?,
        run_in_least: least?,
        run_in_most: most?,
        run_in_steady: steady?,
        checks: checks?,
        check_every: check_every?,
        sweeps: sweeps?,
        no_job_after: no_job_after?,
    })
}

fn running_in_goes_on_long_enough(reading: &mut Reading<'_>) {
    let (least, most) = (reading.quiet(&key::RUN_IN_LEAST), reading.quiet(&key::RUN_IN_MOST));
    let (Some(least), Some(most)) = (least, most) else { return };
    if least <= most {
        return;
    }
    let keys: [(&dyn AnyKey, &str); 2] = [(&key::RUN_IN_MOST, "at most"), (&key::RUN_IN_LEAST, "at least")];
    let expected = format!("no more at least than at most, {} min", most.as_secs() / 60);
    blame_first_that_stands(reading, &keys, expected, "raise run_in_most, or lower run_in_least");
}

fn running_in_fits_into_a_run(reading: &mut Reading<'_>) {
    let (most, run) = (reading.quiet(&key::RUN_IN_MOST), reading.quiet(&safety::RUN_TIME));
    let (Some(most), Some(run)) = (most, run) else { return };
    if most < run {
        return;
    }
    let keys: [(&dyn AnyKey, &str); 2] = [(&safety::RUN_TIME, "the run"), (&key::RUN_IN_MOST, "running in")];
    let expected = format!("a run longer than its running in, {} min", most.as_secs().div_ceil(60));
    blame_first_that_stands(reading, &keys, expected, "raise run_time, or lower run_in_most in [night]");
}
