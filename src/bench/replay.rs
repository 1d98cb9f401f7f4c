//! Replay: the raw frames of a recorded run go through a fresh core, parsers included, and every byte it sends and every
//! record it makes must be the one on file, bit for bit.
use super::clock::TimeLapse;
use super::start;
use crate::cause::{Reason, record};
use crate::config;
use crate::journal::{Disk, Frame, FrameKind, ReadError, RealDisk, RunFolder};
use crate::run::desk::Desk;
use crate::run::{CORE_REVISION, Input, Output, Record, RunPlan};
use crate::station::{LinkOrder, Session};
use crate::time::BenchTime;
use std::collections::VecDeque;
use std::path::Path;
use std::time::Duration;

mod result;

/// What a replay found.
#[derive(Clone, Debug, PartialEq)]
pub enum Replayed {
    /// Everything agrees.
    Same {
        /// Records compared.
        records: u64,
        /// Sends compared.
        sent: u64,
        /// The run did not end in order; the record was followed to where it stops.
        cut_short: bool,
        /// How much faster than wall time the run's bench time passed.
        lapse: TimeLapse,
    },
    /// The first difference, as a sentence.
    Differs(String),
}

/// Replays the run in this folder.
///
/// # Errors
/// Why it cannot be replayed: the folder cannot be read, or another core made it.
pub fn replay(folder: &Path) -> Result<Replayed, Reason> {
    replay_on(&RealDisk, folder)
}

/// Replays the run in this folder of this disk.
///
/// # Errors
/// As [`replay`].
pub fn replay_on(disk: &dyn Disk, folder: &Path) -> Result<Replayed, Reason> {
    let reason = |error: ReadError| error.reason();
    let run = RunFolder::open(disk, folder).map_err(reason)?;
    let header = &run.opening.run;
    if header.core_revision != CORE_REVISION {
        let revisions =
            format!("the run's core revision is {}, this one's {CORE_REVISION}", header.core_revision);
        return Err(Reason::new(&record::OTHER_CORE, revisions));
    }
    let frames = run.frames(disk).map_err(reason)?;
    let lapse = TimeLapse::new(header.time_lapse)
        .map_err(|error| Reason::new(&record::JOURNAL_DAMAGED, error.to_string()))?;
    let mut again = Again::new(plan_of(&run, lapse)?, &run.records);
    for frame in frames {
        if let Err(first) = again.take(frame.map_err(reason)?) {
            return Ok(Replayed::Differs(first));
        }
    }
    if let Some(difference) = result::difference(disk, &run).map_err(reason)? {
        return Ok(Replayed::Differs(difference));
    }
    let whole = run.finished && run.raw_ended.is_none() && run.cut_bytes == 0;
    Ok(again.end(whole, lapse))
}

/// The plan that the run was given, from the text kept in its journal.
pub(super) fn plan_of(run: &RunFolder, lapse: TimeLapse) -> Result<RunPlan, Reason> {
    let header = &run.opening.run;
    let spec = config::read(&header.bench_file_name, &header.bench_text).map_err(|complaints| {
        Reason::new(&record::JOURNAL_DAMAGED, format!("the bench file kept in it: {complaints}"))
    })?;
    let plan = start::plan(spec, lapse, header.pending.clone(), header.kept.clone());
    let sensor_used = Duration::from_secs(header.sensor_used_s);
    let plan = RunPlan { purpose: header.purpose.clone(), sensor_used, ..plan };
    let Some(text) = &header.profile else { return Ok(plan) };
    let profile = text.profile().map_err(|complaints| {
        Reason::new(&record::JOURNAL_DAMAGED, format!("the profile kept in it: {complaints}"))
    })?;
    Ok(RunPlan { profile, ..plan })
}

/// The core, run again beside what is on file.
struct Again<'a> {
    desk: Desk,
    /// What the core sent and the file must show next.
    sent: VecDeque<(BenchTime, Session, Vec<u8>)>,
    records_on_file: std::slice::Iter<'a, Record>,
    records: u64,
    sends: u64,
    /// Records made beyond the last on file.
    beyond: u64,
    inputs: u64,
    ended: bool,
}

impl<'a> Again<'a> {
    fn new(plan: RunPlan, records: &'a [Record]) -> Self {
        Self {
            desk: Desk::new(plan),
            sent: VecDeque::new(),
            records_on_file: records.iter(),
            records: 0,
            sends: 0,
            beyond: 0,
            inputs: 0,
            ended: false,
        }
    }

    fn take(&mut self, frame: Frame) -> Result<(), String> {
        match frame.kind {
            FrameKind::Sent(session, bytes) => self.on_file(frame.at, session, bytes),
            FrameKind::In(input) => {
                if let Input::Resumed { .. } = input {
                    // What was sent last may not have been kept.
                    self.sent.clear();
                }
                if let Some((at, session, bytes)) = self.sent.pop_front() {
                    return Err(format!(
                        "at {at}, input {}: the replay sent {:?} on {session:?}, the run nothing",
                        self.inputs,
                        String::from_utf8_lossy(&bytes)
                    ));
                }
                self.inputs += 1;
                self.desk.handle(frame.at, &input);
                self.drain(frame.at)
            }
        }
    }

    fn drain(&mut self, at: BenchTime) -> Result<(), String> {
        while let Some(output) = self.desk.poll_output() {
            match output {
                Output::Link(LinkOrder::Send(session, bytes)) => self.sent.push_back((at, session, bytes)),
                Output::Record(record) => self.compare(&record)?,
                Output::Ended(_) => self.ended = true,
                Output::OpenSensor | Output::Link(_) | Output::Progress(_) => {}
            }
        }
        Ok(())
    }

    fn on_file(&mut self, at: BenchTime, session: Session, bytes: Vec<u8>) -> Result<(), String> {
        let on_file = (at, session, bytes);
        let replayed = self.sent.pop_front();
        if replayed.as_ref() == Some(&on_file) {
            self.sends += 1;
            return Ok(());
        }
        let words = |sent: &(BenchTime, Session, Vec<u8>)| {
            format!("{:?} on {:?} at {}", String::from_utf8_lossy(&sent.2), sent.1, sent.0)
        };
        let replayed = replayed.as_ref().map_or_else(|| "nothing".to_owned(), words);
        Err(format!("after input {}: the run sent {}, the replay {replayed}", self.inputs, words(&on_file)))
    }

    /// Records agree when their lines do: to the last digit of every number.
    fn compare(&mut self, record: &Record) -> Result<(), String> {
        let Some(on_file) = self.records_on_file.next() else {
            self.beyond += 1;
            return Ok(());
        };
        self.records += 1;
        let line = |record: &Record| serde_json::to_string(record).unwrap_or_else(|error| error.to_string());
        let (run, replayed) = (line(on_file), line(record));
        if run == replayed {
            return Ok(());
        }
        Err(format!("record {}: the run has {run}, the replay {replayed}", on_file.n))
    }

    /// A run that was cut off may have records without their inputs on file, or the other way round.
    fn end(mut self, whole: bool, lapse: TimeLapse) -> Replayed {
        if whole {
            let missing = self.records_on_file.len();
            if let Some((at, session, bytes)) = self.sent.pop_front() {
                let text = String::from_utf8_lossy(&bytes).into_owned();
                return Replayed::Differs(format!(
                    "at {at} the replay sent {text:?} on {session:?}, the run nothing"
                ));
            }
            if missing > 0 || self.beyond > 0 || !self.ended {
                return Replayed::Differs(format!(
                    "the replay made {} records too few and {} too many, and {}",
                    missing,
                    self.beyond,
                    if self.ended { "ended" } else { "did not end" }
                ));
            }
        }
        Replayed::Same { records: self.records, sent: self.sends, cut_short: !whole, lapse }
    }
}
