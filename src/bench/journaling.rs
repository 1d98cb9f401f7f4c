//! The journal's thread: writing and syncing never hold up the loop, and the loop never waits for a disk.
//!
//! The thread takes jobs in order, syncs at once what must be on disk before the run goes on, and everything else
//! within half a second. What it has done is told through a watch, so it can never fill the loop's queue.
use super::clock::{instant, pause};
use crate::run::{Durability, Input, JournalTrouble, Record};
use crate::station::Session;
use crate::time::BenchTime;
use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender, TrySendError, sync_channel};
use std::thread;
use std::time::{Duration, Instant};
use tokio::sync::watch;

/// What is written behind is synced within this wall time.
const SYNC_WITHIN: Duration = Duration::from_millis(500);

/// A job that waits longer than this in wall time means that the journal cannot keep up.
const LAG: Duration = Duration::from_secs(1);

/// Jobs that may wait; beyond, the run is told and stops the engine. Some ten seconds of the fastest sensor, a sample a
/// piece.
const QUEUE: u64 = 20_000;

/// Jobs for which there is room: enough for the run to end in order after it was told. Beyond, the journal stops where it
/// is, without a hole, as a crash would leave it; the memory of a small computer must not fill up while a disk hangs.
const ROOM: usize = 60_000;

/// The result waits this long in wall time before it looks again whether the queue has room.
const LOOK_AGAIN: Duration = Duration::from_millis(10);

/// What writes: the recorder of a run folder, or a stand-in in tests.
pub(crate) trait Scribe: Send {
    /// Keeps what came in.
    fn came(&mut self, at: BenchTime, input: &Input) -> Result<(), JournalTrouble>;
    /// Keeps what was sent to the station.
    fn sent(&mut self, at: BenchTime, session: Session, bytes: &[u8]) -> Result<(), JournalTrouble>;
    /// Writes a record.
    fn record(&mut self, record: &Record) -> Result<(), JournalTrouble>;
    /// Everything so far is safe on disk when this returns.
    fn sync(&mut self) -> Result<(), JournalTrouble>;
    /// Records written and records synced.
    fn counts(&self) -> (u64, u64);
    /// Writes the result and closes.
    fn finish(&mut self, result: &str) -> Result<(), JournalTrouble>;
}

/// Something to write.
enum Job {
    Came(BenchTime, Input),
    Sent(BenchTime, Session, Vec<u8>),
    Record(Box<Record>),
    Finish(String),
}

/// How far the thread is.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
struct Progress {
    handled: u64,
    written: u64,
    synced: u64,
    trouble: Option<JournalTrouble>,
}

/// The loop's side.
pub(crate) struct Journaling {
    jobs: SyncSender<Job>,
    queued: u64,
    /// There was no room once: nothing is taken since, the result excepted.
    overflowed: bool,
    progress: watch::Receiver<Progress>,
    told: Progress,
    probe: Option<(u64, Instant)>,
    lagging: bool,
    thread_ended: bool,
    thread: Option<thread::JoinHandle<()>>,
}

impl Journaling {
    /// Starts the thread.
    ///
    /// # Errors
    /// When the system gives no thread.
    pub(crate) fn start(scribe: Box<dyn Scribe>) -> std::io::Result<Self> {
        Self::with_room(scribe, ROOM)
    }

    fn with_room(scribe: Box<dyn Scribe>, room: usize) -> std::io::Result<Self> {
        let (jobs, work) = sync_channel(room);
        let (tell, progress) = watch::channel(Progress::default());
        let thread = thread::Builder::new().name("journal".to_owned()).spawn(move || {
            Writer { scribe, progress: Progress::default(), tell, unsynced: None }.run(&work);
        })?;
        let told = Progress::default();
        Ok(Self {
            jobs,
            queued: 0,
            overflowed: false,
            progress,
            told,
            probe: None,
            lagging: false,
            thread_ended: false,
            thread: Some(thread),
        })
    }

    /// Keeps what came in.
    pub(crate) fn came(&mut self, at: BenchTime, input: Input) {
        self.push(Job::Came(at, input));
    }

    /// Keeps what was sent.
    pub(crate) fn sent(&mut self, at: BenchTime, session: Session, bytes: Vec<u8>) {
        self.push(Job::Sent(at, session, bytes));
    }

    /// Writes a record.
    pub(crate) fn record(&mut self, record: Record) {
        self.push(Job::Record(Box::new(record)));
    }

    fn push(&mut self, job: Job) {
        if self.overflowed {
            return;
        }
        match self.jobs.try_send(job) {
            // A thread that has ended is told by `next`.
            Ok(()) | Err(TrySendError::Disconnected(_)) => self.queued += 1,
            Err(TrySendError::Full(_)) => self.overflowed = true,
        }
    }

    /// Looks whether the thread keeps up; call it every heartbeat.
    pub(crate) fn lag(&mut self) -> Option<Input> {
        let handled = self.progress.borrow().handled;
        let waiting = self.queued.saturating_sub(handled);
        let late = match self.probe {
            Some((job, since)) if handled < job => instant().saturating_duration_since(since) > LAG,
            _ => {
                self.probe = (waiting > 0).then(|| (self.queued, instant()));
                false
            }
        };
        let lagging = late || waiting > QUEUE || self.overflowed;
        let news = lagging && !self.lagging;
        self.lagging = lagging;
        news.then_some(Input::JournalTrouble(JournalTrouble::Lagging))
    }

    /// What the journal has to tell next. Safe to drop and call again.
    pub(crate) async fn next(&mut self) -> Input {
        loop {
            let now = self.progress.borrow_and_update().clone();
            if now.trouble != self.told.trouble {
                self.told.trouble.clone_from(&now.trouble);
                if let Some(trouble) = now.trouble {
                    return Input::JournalTrouble(trouble);
                }
            }
            if (now.written, now.synced) != (self.told.written, self.told.synced) {
                (self.told.written, self.told.synced) = (now.written, now.synced);
                return Input::Journal { written: now.written, synced: now.synced };
            }
            if self.thread_ended {
                std::future::pending::<()>().await;
            }
            if self.progress.changed().await.is_err() {
                self.thread_ended = true;
                return Input::JournalTrouble(JournalTrouble::Failed(
                    "the journal's thread ended".to_owned(),
                ));
            }
        }
    }

    /// Writes the result and waits until all is on disk, but not for longer than `limit`.
    ///
    /// # Errors
    /// What could not be written.
    pub(crate) async fn finish(mut self, result: String, limit: Duration) -> Result<(), JournalTrouble> {
        let until = instant() + limit;
        let mut last = Job::Finish(result);
        while let Err(TrySendError::Full(back)) = self.jobs.try_send(last) {
            if instant() >= until {
                return Err(JournalTrouble::Lagging);
            }
            last = back;
            pause(LOOK_AGAIN).await;
        }
        drop(self.jobs);
        let done = async { while self.progress.changed().await.is_ok() {} };
        tokio::select! {
            () = done => {}
            () = pause(limit) => return Err(JournalTrouble::Lagging),
        }
        let panicked = self.thread.take().is_some_and(|thread| thread.join().is_err());
        match self.progress.borrow().trouble.clone() {
            Some(trouble) => Err(trouble),
            None if self.overflowed => Err(JournalTrouble::Lagging),
            None if panicked => Err(JournalTrouble::Failed("the journal's thread failed".to_owned())),
            None => Ok(()),
        }
    }
}

/// The thread's side.
struct Writer {
    scribe: Box<dyn Scribe>,
    progress: Progress,
    tell: watch::Sender<Progress>,
    /// Since when something waits to be synced.
    unsynced: Option<Instant>,
}

impl Writer {
    fn run(mut self, work: &Receiver<Job>) {
        loop {
            let wait = self.unsynced.map_or(SYNC_WITHIN, |since| {
                SYNC_WITHIN.saturating_sub(instant().saturating_duration_since(since))
            });
            match work.recv_timeout(wait) {
                Ok(job) => self.handle(job),
                Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => break,
            }
            if self.unsynced.is_some_and(|since| instant().saturating_duration_since(since) >= SYNC_WITHIN) {
                self.sync();
            }
        }
        if self.unsynced.is_some() {
            self.sync();
        }
    }

    fn handle(&mut self, job: Job) {
        let (outcome, durability) = match job {
            Job::Came(at, input) => (self.scribe.came(at, &input), Durability::Behind),
            Job::Sent(at, session, bytes) => (self.scribe.sent(at, session, &bytes), Durability::Behind),
            Job::Record(record) => (self.scribe.record(&record), record.body.durability()),
            Job::Finish(result) => (self.scribe.finish(&result), Durability::Synced),
        };
        self.note(outcome);
        self.unsynced = self.unsynced.or_else(|| Some(instant()));
        self.progress.handled += 1;
        match durability {
            Durability::Synced => self.sync(),
            Durability::Written => self.report(),
            // No news for the run, but the loop wants to know that the thread keeps up.
            Durability::Behind => {
                self.tell.send_if_modified(|told| {
                    told.handled = self.progress.handled;
                    false
                });
            }
        }
    }

    fn sync(&mut self) {
        let outcome = self.scribe.sync();
        self.note(outcome);
        self.unsynced = None;
        self.report();
    }

    fn note(&mut self, outcome: Result<(), JournalTrouble>) {
        if let Err(trouble) = outcome
            && self.progress.trouble.is_none()
        {
            self.progress.trouble = Some(trouble);
            self.report();
        }
    }

    fn report(&mut self) {
        (self.progress.written, self.progress.synced) = self.scribe.counts();
        self.tell.send_replace(self.progress.clone());
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::run::{PhaseName, RecordBody};
    use crate::station::CvPlace;
    use std::sync::{Arc, Mutex};

    /// Counts, and fails or dawdles on demand.
    #[derive(Default)]
    struct Stub {
        written: u64,
        synced: u64,
        dawdle: Duration,
        full_after: Option<u64>,
        result: Arc<Mutex<String>>,
    }

    impl Scribe for Stub {
        fn came(&mut self, _: BenchTime, _: &Input) -> Result<(), JournalTrouble> {
            Ok(())
        }
        fn sent(&mut self, _: BenchTime, _: Session, _: &[u8]) -> Result<(), JournalTrouble> {
            Ok(())
        }
        #[expect(clippy::disallowed_methods, reason = "the stub plays a slow disk")]
        fn record(&mut self, _: &Record) -> Result<(), JournalTrouble> {
            thread::sleep(self.dawdle);
            if self.full_after == Some(self.written) {
                return Err(JournalTrouble::Full);
            }
            self.written += 1;
            Ok(())
        }
        fn sync(&mut self) -> Result<(), JournalTrouble> {
            self.synced = self.written;
            Ok(())
        }
        fn counts(&self) -> (u64, u64) {
            (self.written, self.synced)
        }
        fn finish(&mut self, result: &str) -> Result<(), JournalTrouble> {
            result.clone_into(&mut self.result.lock().unwrap());
            Ok(())
        }
    }

    fn record(n: u64, body: RecordBody) -> Record {
        Record { n, at: BenchTime::ZERO, body }
    }

    fn intention() -> RecordBody {
        RecordBody::CvIntention { place: CvPlace::ProgrammingTrack, cv: 67, from: Some(1), to: 3 }
    }

    #[tokio::test]
    async fn an_intention_is_synced_at_once_and_a_phase_soon() {
        let mut journal = Journaling::start(Box::<Stub>::default()).unwrap();
        journal.record(record(1, RecordBody::Phase(PhaseName::Write)));
        journal.record(record(2, intention()));
        assert_eq!(journal.next().await, Input::Journal { written: 2, synced: 2 });
        journal.record(record(3, RecordBody::Phase(PhaseName::Verify)));
        assert_eq!(journal.next().await, Input::Journal { written: 3, synced: 3 });
    }

    #[tokio::test]
    async fn a_full_disk_is_told_once() {
        let stub = Stub { full_after: Some(1), ..Stub::default() };
        let mut journal = Journaling::start(Box::new(stub)).unwrap();
        for n in 1..4 {
            journal.record(record(n, intention()));
        }
        let mut troubles = 0;
        for _ in 0..2 {
            troubles += u32::from(journal.next().await == Input::JournalTrouble(JournalTrouble::Full));
        }
        assert_eq!(troubles, 1);
        assert_eq!(journal.finish(String::new(), LAG).await, Err(JournalTrouble::Full));
    }

    #[tokio::test]
    async fn a_slow_disk_is_told_after_a_second_and_not_before() {
        let stub = Stub { dawdle: Duration::from_millis(1_600), ..Stub::default() };
        let mut journal = Journaling::start(Box::new(stub)).unwrap();
        journal.record(record(1, RecordBody::Phase(PhaseName::Sweep)));
        assert_eq!(journal.lag(), None);
        pause(Duration::from_millis(500)).await;
        assert_eq!(journal.lag(), None);
        pause(Duration::from_millis(600)).await;
        assert_eq!(journal.lag(), Some(Input::JournalTrouble(JournalTrouble::Lagging)));
        assert_eq!(journal.lag(), None, "told once");
        pause(Duration::from_millis(900)).await;
        assert_eq!(journal.lag(), None);
    }

    #[tokio::test]
    async fn a_full_queue_is_lagging_and_holds_nobody_up() {
        let stub = Stub { dawdle: Duration::from_millis(30), ..Stub::default() };
        let result = Arc::clone(&stub.result);
        let mut journal = Journaling::with_room(Box::new(stub), 2).unwrap();
        let began = instant();
        for n in 1..=50 {
            journal.record(record(n, RecordBody::Phase(PhaseName::Sweep)));
        }
        assert!(instant().saturating_duration_since(began) < Duration::from_millis(30), "it did not wait");
        assert_eq!(journal.lag(), Some(Input::JournalTrouble(JournalTrouble::Lagging)));
        assert_eq!(journal.finish("{}".to_owned(), LAG).await, Err(JournalTrouble::Lagging));
        assert_eq!(*result.lock().unwrap(), "{}", "the result is written all the same");
    }

    #[tokio::test]
    async fn the_result_is_written_last() {
        let stub = Stub::default();
        let result = Arc::clone(&stub.result);
        let mut journal = Journaling::start(Box::new(stub)).unwrap();
        journal.record(record(1, RecordBody::Phase(PhaseName::Ended)));
        assert_eq!(journal.finish("{}".to_owned(), LAG).await, Ok(()));
        assert_eq!(*result.lock().unwrap(), "{}");
    }
}
