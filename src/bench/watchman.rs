//! The watchman: a process beside a run, which stops the engine when the run's own process died or hangs.
//!
//! A station repeats the last speed for ever, so a program that was killed would leave the engine running. The watchman
//! gets the bench file at its beginning and then a mark every quarter of a second over a pipe that ends with the run's
//! process, however that ends. Unless the run took its leave, the watchman stops the engine from a fresh session and cuts
//! the power, and tries that again until the station says that it did. It is no help when the computer dies.
use super::alert::{Message, sound};
use super::clock::{instant, pause, time_of_day};
use super::rescue::stop_bench;
use crate::cause::{Cause, Reason, program};
use crate::config::{self, LinkSpec};
use crate::run::StopGrade;
use serde::{Deserialize, Serialize};
use std::path::{Path, PathBuf};
use std::time::Duration;
use tokio::io::{AsyncBufReadExt, AsyncRead, AsyncReadExt, BufReader};

/// What the watchman leaves in the run folder once it had to stop the engine.
pub const REPORT_NAME: &str = "watchman.json";

/// The run has sent nothing to the station yet: its end needs no stop.
pub(super) const MARK_BEFORE: u8 = b'.';
/// The run lives, and the station has heard from it.
pub(super) const MARK_AT_WORK: u8 = b'+';
/// The run has ended and takes its leave.
pub(super) const MARK_LEAVE: u8 = b'e';

/// Longest brief taken.
const LONGEST_BRIEF: u64 = 4 << 20;
/// Time between two attempts to stop, and how long they go on.
const AGAIN: Duration = Duration::from_secs(2);
const ATTEMPTS_FOR: Duration = Duration::from_secs(120);
/// Time that the system takes to close the port of a process that was killed.
const LETTING_GO: Duration = Duration::from_millis(300);

/// What the watchman must know, a line of JSON at the beginning.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Brief {
    /// Name of the bench file, for what is said of it.
    pub bench_file: String,
    /// Its text.
    pub bench_text: String,
    /// Where the report goes.
    pub folder: PathBuf,
    /// The process that is watched.
    pub process: u32,
    /// It hangs when no mark came for this long, in ms of wall time.
    pub silence_ms: u64,
}

/// What the watchman did, as it stands in the run folder.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Report {
    /// Version of this form.
    pub schema: u32,
    /// When it was noticed, by the computer's clock.
    pub noticed_at: String,
    /// What happened to the run.
    pub reason: Reason,
    /// How sure the stop is.
    pub stop: StopGrade,
    /// What the station said to the emergency stop.
    pub emergency_stop: String,
    /// What it said to power off.
    pub power: String,
    /// How often it was tried.
    pub attempts: u32,
}

impl Report {
    /// What the watchman of the run in this folder left there; none where it had nothing to do.
    #[must_use]
    pub fn of_run(folder: &Path) -> Option<Self> {
        serde_json::from_slice(&std::fs::read(folder.join(REPORT_NAME)).ok()?).ok()
    }

    /// What happened, as a later run says it.
    #[must_use]
    pub fn reason(&self) -> Reason {
        let evidence = format!("{}; {}", self.noticed_at, self.reason.evidence);
        Reason { evidence, ..self.reason.clone() }
    }
}

/// How a vigil ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Vigil {
    /// Nothing needs doing.
    Over,
    /// The pipe ended without a leave.
    Died,
    /// No mark came in time.
    Hangs,
}

/// Watches over the run that this input comes from. A report where it had to act.
pub async fn watch(input: impl AsyncRead + Unpin) -> Option<Report> {
    let mut input = BufReader::new(input);
    let mut line = String::new();
    (&mut input).take(LONGEST_BRIEF).read_line(&mut line).await.ok()?;
    // Without a brief nothing is known that could be stopped; nothing was sent then either.
    let brief: Brief = serde_json::from_str(&line).ok()?;
    let vigil = keep(input, Duration::from_millis(brief.silence_ms)).await;
    let cause = match vigil {
        Vigil::Over => return None,
        Vigil::Died => &program::DIED,
        Vigil::Hangs => &program::HANGS,
    };
    let report = stop(&brief, vigil, cause).await;
    // The disk may be what the run died of; what was done is said on the terminal as well.
    if let Ok(text) = serde_json::to_string_pretty(&report) {
        let _ = std::fs::write(brief.folder.join(REPORT_NAME), text + "\n");
    }
    alert(&brief, &report).await;
    Some(report)
}

/// The person is told as at any other end of a run.
async fn alert(brief: &Brief, report: &Report) {
    let Ok(spec) = config::read(&brief.bench_file, &brief.bench_text) else { return };
    let stop = if report.stop == StopGrade::Unconfirmed { "unconfirmed" } else { "acknowledged" };
    let Reason { code, evidence, .. } = &report.reason;
    let message = Message {
        outcome: "halted".to_owned(),
        cause: code.clone(),
        stop: stop.to_owned(),
        engine: spec.engine.name.clone(),
        folder: brief.folder.display().to_string(),
        summary: format!("{}: halted, stop {stop} ({code}: {evidence})", spec.engine.name),
        trouble: true,
        json: serde_json::to_string(report).unwrap_or_default(),
    };
    // Nobody is left who could be told that this failed.
    let _ = sound(&spec.alert, &message).await;
}

async fn keep(mut input: impl AsyncRead + Unpin, silence: Duration) -> Vigil {
    let (mut at_work, mut marks) = (false, [0; 64]);
    loop {
        let read = tokio::select! {
            read = input.read(&mut marks) => read.unwrap_or(0),
            () = pause(silence), if at_work => return Vigil::Hangs,
        };
        let marks = &marks[..read];
        if marks.contains(&MARK_LEAVE) {
            return Vigil::Over;
        }
        at_work |= marks.contains(&MARK_AT_WORK);
        if read == 0 {
            return if at_work { Vigil::Died } else { Vigil::Over };
        }
    }
}

/// Stops the engine and cuts the power, until the station says that it did.
async fn stop(brief: &Brief, vigil: Vigil, cause: &Cause) -> Report {
    let noticed_at =
        jiff::Timestamp::try_from(time_of_day()).unwrap_or(jiff::Timestamp::UNIX_EPOCH).to_string();
    if vigil == Vigil::Hangs && holds_the_port(brief) {
        kill(brief.process);
        pause(LETTING_GO).await;
    }
    let (began, mut attempts) = (instant(), 0);
    loop {
        attempts += 1;
        let (stop, emergency_stop, power) = match stop_bench(&brief.bench_file, &brief.bench_text).await {
            Ok(stopped) => (stopped.halted.grade, stopped.halted.stop, stopped.halted.power),
            // The run has read the same text.
            Err(complaints) => (StopGrade::Unconfirmed, complaints.to_string(), "not sent".to_owned()),
        };
        if stop != StopGrade::Unconfirmed || instant().saturating_duration_since(began) > ATTEMPTS_FOR {
            let reason = Reason::new(cause, format!("emergency stop: {emergency_stop}; power off: {power}"));
            return Report { schema: 1, noticed_at, reason, stop, emergency_stop, power, attempts };
        }
        pause(AGAIN).await;
    }
}

/// The station hangs on a serial port, which a process that hangs does not let go of.
fn holds_the_port(brief: &Brief) -> bool {
    config::read(&brief.bench_file, &brief.bench_text)
        .is_ok_and(|spec| matches!(spec.station.link, LinkSpec::Serial { .. }))
}

/// Ends the process that is watched. Only while it is this one's parent: then its number has not gone to another.
fn kill(process: u32) {
    if std::os::unix::process::parent_id() != process {
        return;
    }
    if let Ok(process) = i32::try_from(process) {
        // One that is gone by now needs no end.
        let _ =
            nix::sys::signal::kill(nix::unistd::Pid::from_raw(process), nix::sys::signal::Signal::SIGKILL);
    }
}

#[cfg(test)]
#[path = "watchman_tests.rs"]
mod tests;
