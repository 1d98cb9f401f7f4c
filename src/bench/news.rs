//! What a run tells people while it goes on. Telling has its own thread: a terminal that is held, or a full pipe, never
//! holds up the loop. Journal records are never dropped from the journal, only from this.
use crate::run::{Progress, Question, Record};
use crate::time::BenchTime;
use std::sync::mpsc::{SyncSender, TrySendError, sync_channel};
use std::thread;

/// News that may wait for a slow terminal or a slow file; more are dropped and counted.
const QUEUE: usize = 10_000;

/// News of a run.
#[derive(Clone, Debug, PartialEq)]
pub enum News {
    /// Where it stands.
    Progress(BenchTime, Progress),
    /// A record was made.
    Record(Box<Record>),
    /// The person is asked.
    Asked(Question),
    /// Something the person should know, a sentence.
    Said(String),
    /// So many news were dropped before this because nobody took them.
    Missed(u64),
}

/// Who hears the news.
pub trait Audience: Send {
    /// Hears one.
    fn hear(&mut self, news: &News);
}

/// The loop's side of the telling thread.
pub(crate) struct Telling {
    queue: Option<SyncSender<News>>,
    missed: u64,
    thread: Option<thread::JoinHandle<()>>,
}

impl Telling {
    /// Starts the thread; without one nobody hears anything, which changes nothing for the run.
    pub(crate) fn start(mut audience: Box<dyn Audience>) -> Self {
        let (queue, news) = sync_channel::<News>(QUEUE);
        let thread = thread::Builder::new()
            .name("telling".to_owned())
            .spawn(move || news.iter().for_each(|one| audience.hear(&one)))
            .ok();
        Self { queue: Some(queue), missed: 0, thread }
    }

    /// Tells, if there is room.
    pub(crate) fn tell(&mut self, news: News) {
        let Some(queue) = &self.queue else { return };
        if self.missed > 0 {
            match queue.try_send(News::Missed(self.missed)) {
                Ok(()) => self.missed = 0,
                Err(_) => return self.missed += 1,
            }
        }
        if let Err(TrySendError::Full(_)) = queue.try_send(news) {
            self.missed += 1;
        }
    }

    /// Waits until everything is told. Call it only when the engine stands: a held terminal holds this up.
    pub(crate) fn finish(mut self) {
        self.queue = None;
        if let Some(thread) = self.thread.take() {
            // An audience that failed has shown its own message; the run's result does not depend on it.
            let _ = thread.join();
        }
    }
}
