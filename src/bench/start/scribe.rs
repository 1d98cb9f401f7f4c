//! The recorder of a run folder as the journal thread uses it.
use crate::bench::journaling::Scribe;
use crate::journal::{FrameRef, Recorder, RecorderError};
use crate::run::{Input, JournalTrouble, Record};
use crate::station::Session;
use crate::time::BenchTime;

/// The recorder of a run folder as the journal thread uses it.
pub(super) struct RecorderScribe(pub(super) Recorder);

impl RecorderScribe {
    /// What the core must hear: the trouble kept aside by a call that still got through, or the call's own.
    fn heard(&mut self, done: Result<(), RecorderError>) -> Result<(), JournalTrouble> {
        let kept = self.0.take_trouble();
        done.map_err(|error| error.trouble()).and(kept.map_or(Ok(()), Err))
    }
}

impl Scribe for RecorderScribe {
    fn came(&mut self, at: BenchTime, input: &Input) -> Result<(), JournalTrouble> {
        let done = self.0.frame(at, FrameRef::In(input));
        self.heard(done)
    }

    fn sent(&mut self, at: BenchTime, session: Session, bytes: &[u8]) -> Result<(), JournalTrouble> {
        let done = self.0.frame(at, FrameRef::Sent(session, bytes));
        self.heard(done)
    }

    fn record(&mut self, record: &Record) -> Result<(), JournalTrouble> {
        let done = self.0.record(record);
        self.heard(done)
    }

    fn sync(&mut self) -> Result<(), JournalTrouble> {
        let flushed = self.0.flush_chunk();
        let done = flushed.and(self.0.sync());
        self.heard(done)
    }

    fn counts(&self) -> (u64, u64) {
        (self.0.written(), self.0.synced())
    }

    fn finish(&mut self, result: &str) -> Result<(), JournalTrouble> {
        let done = self.0.finish(result);
        self.heard(done)
    }
}
