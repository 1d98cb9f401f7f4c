//! What a run tells people while it goes on. Telling has its own thread: a terminal that is held, or a full pipe, never
//! holds up the loop. Journal records are never dropped from the journal, only from this.
use super::clock::{instant, pause};
use crate::run::{Progress, Question, Record};
use crate::time::BenchTime;
use std::sync::mpsc::{SyncSender, TrySendError, sync_channel};
use std::thread;
use std::time::Duration;

/// Wall time that the last words may take to be shown, once the engine stands.
pub(crate) const LAST_WORDS: Duration = Duration::from_secs(2);

/// News that may wait for a slow terminal or a slow file; more are dropped and counted.
const QUEUE: usize = 10_000;

/// News of a run.
#[derive(Clone, Debug, PartialEq)]
pub enum News {
    /// Where it stands.
    Progress(BenchTime, Box<Progress>),
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

    /// Waits until everything is told, but not for longer than `limit`: a terminal that is held or a full pipe must not
    /// hold up the result, the lock or the exit.
    pub(crate) async fn finish(mut self, limit: Duration) {
        if let Some(queue) = self.queue.take()
            && self.missed > 0
        {
            // No room for this either: then the thread stands still, and nobody reads on.
            let _ = queue.try_send(News::Missed(self.missed));
        }
        if let Some(thread) = self.thread.take() {
            ended_within(thread, limit).await;
        }
    }
}

/// Waits for a thread that talks to somebody, but not for longer than `limit`; left alone, it ends with the process.
pub(crate) async fn ended_within(thread: thread::JoinHandle<()>, limit: Duration) {
    let until = instant() + limit;
    while !thread.is_finished() {
        if instant() >= until {
            return;
        }
        pause(Duration::from_millis(10)).await;
    }
    // An audience that failed has shown its own message; the run's result does not depend on it.
    let _ = thread.join();
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::mpsc::{Receiver, channel};

    /// A terminal that is held until the test lets go.
    struct Held(Receiver<()>);

    impl Audience for Held {
        fn hear(&mut self, _: &News) {
            let _ = self.0.recv();
        }
    }

    #[tokio::test]
    async fn a_held_terminal_does_not_hold_up_the_end() {
        let (let_go, held) = channel();
        let mut telling = Telling::start(Box::new(Held(held)));
        telling.tell(News::Said("anybody there?".to_owned()));
        let began = instant();
        telling.finish(Duration::from_millis(200)).await;
        let took = instant().saturating_duration_since(began);
        assert!((200..2_000).contains(&took.as_millis()), "{took:?}");
        drop(let_go);
    }
}
