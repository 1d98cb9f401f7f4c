//! Goes on with a run whose program died. What was kept of its inputs is fed to a fresh core, which comes to where the run was;
//! then it is told that it died. Every point that was measured, every CV that was changed, every doubt is known again as if
//! nothing had happened; links, engine and decoder are looked at anew.
//!
//! Inputs of the last second may be lost with the program. Nothing of weight rests on them: a change of a CV leaves only when
//! its intention and all inputs before it are on the disk, and a point is written down behind its inputs. Lines that rest on
//! lost inputs are put aside, so that the record stays one that replays.
use super::clock::TimeLapse;
use super::replay::plan_of;
use crate::cause::{Reason, record as causes};
use crate::journal::{Disk, FrameKind, ReadError, Recorder, RunFolder, read_opening};
use crate::run::desk::Desk;
use crate::run::{CORE_REVISION, Input, Output, PhaseName, Record, RecordBody, RunPlan};
use crate::time::BenchTime;
use std::path::Path;

/// Whoever died so often dies again.
const MOST: usize = 20;

/// A run that can be gone on with.
#[derive(Debug)]
pub struct TakenUp {
    /// The core, at the point where the program died, but for the input that tells it so.
    pub desk: Desk,
    /// What the run was told at its begin.
    pub plan: RunPlan,
    /// The folder as it was found.
    pub run: RunFolder,
    /// Every record so far.
    pub records: Vec<Record>,
    /// Bench time of the last input that is known.
    pub at: BenchTime,
    /// Bench seconds a wall second.
    pub lapse: TimeLapse,
    /// Where the record goes on.
    pub recorder: Recorder,
}

/// Takes up the run in this folder.
///
/// # Errors
/// Why it cannot be gone on with: nothing on the disk was changed then.
pub fn take_up(disk: Box<dyn Disk>, folder: &Path) -> Result<TakenUp, Reason> {
    let reason = |error: ReadError| error.reason();
    let run = RunFolder::open(disk.as_ref(), folder).map_err(reason)?;
    may_go_on(&run)?;
    is_the_newest(disk.as_ref(), &run)?;
    let lapse = TimeLapse::new(run.opening.run.time_lapse)
        .map_err(|error| Reason::new(&causes::JOURNAL_DAMAGED, error.to_string()))?;
    let plan = plan_of(&run, lapse)?;
    let mut desk = Desk::new(plan.clone());
    let (mut records, mut at, mut count, mut ended) = (Vec::new(), BenchTime::ZERO, 0, false);
    let mut frames = run.frames(disk.as_ref()).map_err(reason)?;
    for frame in &mut frames {
        let frame = frame.map_err(reason)?;
        (at, count) = (frame.at, count + 1);
        let FrameKind::In(input) = frame.kind else { continue };
        desk.handle(at, &input);
        while let Some(output) = desk.poll_output() {
            match output {
                Output::Record(record) => records.push(record),
                Output::Ended(_) => ended = true,
                Output::OpenSensor | Output::Link(_) | Output::Progress(_) => {}
            }
        }
    }
    let (whole_bytes, chunks) = frames.whole();
    if ended {
        return Err(refused("the run had ended; only its result was not written"));
    }
    let differs = records.iter().zip(&run.records).find(|(made, on_file)| line(made) != line(on_file));
    if let Some((made, on_file)) = differs {
        let evidence = format!("record {}: {}, and now {}", on_file.n, line(on_file), line(made));
        return Err(Reason::new(&causes::REPLAY_DIFFERS, evidence));
    }
    let kept = records.len().min(run.records.len());
    let unwritten = |error: crate::journal::RecorderError| Reason::new(error.cause(), error.to_string());
    let mut recorder =
        Recorder::go_on(disk, &run, kept as u64, (whole_bytes, chunks, count)).map_err(unwritten)?;
    for record in &records[kept..] {
        recorder.record(record).map_err(unwritten)?;
    }
    Ok(TakenUp { desk, plan, run, records, at, lapse, recorder })
}

fn refused(why: impl Into<String>) -> Reason {
    Reason::new(&causes::NOT_RESUMED, why)
}

/// What the record says of itself.
fn may_go_on(run: &RunFolder) -> Result<(), Reason> {
    let revision = run.opening.run.core_revision;
    if revision != CORE_REVISION {
        let revisions = format!("the run's core revision is {revision}, this one's {CORE_REVISION}");
        return Err(Reason::new(&causes::OTHER_CORE, revisions));
    }
    if run.finished || run.records.iter().any(|record| matches!(record.body, RecordBody::Outcome(_))) {
        return Err(refused("the run has ended"));
    }
    if let Some(ended) = &run.raw_ended {
        return Err(refused(format!("its inputs were not kept to the end: {}", ended.why)));
    }
    let phases = run.records.iter().rev().filter_map(|record| match record.body {
        RecordBody::Phase(name) => Some(name),
        _ => None,
    });
    if phases.take(1).any(|name| matches!(name, PhaseName::Stopping | PhaseName::Restore | PhaseName::Ended))
    {
        return Err(refused("it was ending; what it left open is settled by the next run, or by restore"));
    }
    let deaths = run.records.iter().filter(
        |record| matches!(&record.body, RecordBody::Noted(noted) if noted.code == crate::cause::program::DIED.code),
    );
    if deaths.count() >= MOST {
        return Err(refused(format!("it was gone on with {MOST} times before")));
    }
    Ok(())
}

/// A later run of this engine has settled what this one left: what this one knows of the decoder is out of date.
fn is_the_newest(disk: &dyn Disk, run: &RunFolder) -> Result<(), Reason> {
    let own = &run.opening;
    let folders = run.path.parent().map(|records| disk.folders(records)).transpose();
    let folders = folders.map_err(|error| Reason::new(error.cause(), error.to_string()))?.unwrap_or_default();
    for folder in folders {
        let Ok(other) = read_opening(disk, &folder) else { continue };
        let same = other.run.endpoint_key == own.run.endpoint_key
            && other.run.engine_address == own.run.engine_address;
        if same && other.ordinal > own.ordinal {
            return Err(refused(format!("a later run of this engine lies in {}", folder.display())));
        }
    }
    Ok(())
}

/// The input that tells a core that it died.
#[must_use]
pub fn told(away: std::time::Duration) -> Input {
    Input::Resumed { away_nanos: u64::try_from(away.as_nanos()).unwrap_or(u64::MAX) }
}

/// Records agree when their lines do.
fn line(record: &Record) -> String {
    serde_json::to_string(record).unwrap_or_else(|error| error.to_string())
}
