//! The page that shows a run while it goes on, and what may be asked of the run from there.
//!
//! It hears the same news as the terminal, on a thread and a runtime of its own: nothing here can hold up the loop that
//! moves the engine. A reader gets the newest state whenever it can take it; what came in between is passed over, so a slow
//! reader costs no memory. What a reader asks goes into the person's queue like a line typed at the terminal.
mod door;
mod fleet;
mod page;
mod serve;
mod shown;
mod visit;

use crate::bench::clock::{instant, pause};
use crate::bench::news::{Audience, News, ended_within};
use crate::bench::person::WayIn;
use crate::config::BenchSpec;
use crate::run::Purpose;
use std::io;
use std::net::{SocketAddr, TcpListener};
use std::path::PathBuf;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};
use tokio::sync::watch;

use door::Answered;
pub use door::{May, Tokens, TokensError};
use shown::Shown;

/// Wall time in which readers are told the end before they are left.
const LEAVE: Duration = Duration::from_millis(500);
/// Wall time after which the thread of the page is no longer waited for.
const LET_GO: Duration = Duration::from_secs(2);

/// A run that is to be shown.
#[derive(Debug)]
pub struct Subject<'a> {
    /// Its id.
    pub run_id: &'a str,
    /// Its bench.
    pub spec: &'a BenchSpec,
    /// What it is for.
    pub purpose: &'a Purpose,
    /// Bench seconds a wall second.
    pub time_lapse: f64,
    /// Where the records of the bench lie.
    pub records: PathBuf,
    /// The way into it.
    pub way_in: WayIn,
}

/// What the page's tasks and the run's news share.
#[derive(Debug)]
struct Shared {
    tokens: Tokens,
    shown: Mutex<Option<Shown>>,
    way_in: Mutex<Option<WayIn>>,
    answered: Mutex<Answered>,
    records: Mutex<Option<PathBuf>>,
    /// Rises with each change of what is shown.
    changed: watch::Sender<u64>,
    closing: watch::Sender<bool>,
    /// When it was opened.
    began: Instant,
    /// Tells this page from that of another start of the program.
    id: String,
}

/// A lock whose holder failed still holds a whole value: every change is made in one go.
fn locked<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

/// The page, served until it is closed. Runs are shown one after another.
#[derive(Debug)]
pub struct Page {
    shared: Arc<Shared>,
    address: SocketAddr,
    thread: Option<JoinHandle<()>>,
}

impl Page {
    /// Listens at this address and serves from a thread of its own.
    ///
    /// # Errors
    /// When the address cannot be listened at, or the system gives no thread.
    pub fn open(listen: SocketAddr, tokens: Tokens) -> io::Result<Self> {
        let listener = TcpListener::bind(listen)?;
        listener.set_nonblocking(true)?;
        let address = listener.local_addr()?;
        let shared = Arc::new(Shared {
            tokens,
            shown: Mutex::new(None),
            way_in: Mutex::new(None),
            answered: Mutex::new(Answered::default()),
            records: Mutex::new(None),
            changed: watch::Sender::new(0),
            closing: watch::Sender::new(false),
            began: instant(),
            id: uuid::Uuid::new_v4().simple().to_string(),
        });
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
        let serving = Arc::clone(&shared);
        let thread = std::thread::Builder::new().name("page".to_owned()).spawn(move || {
            runtime.block_on(serve::serve(listener, serving));
            // A report that is still being drawn is for nobody any more.
            runtime.shutdown_background();
        })?;
        Ok(Self { shared, address, thread: Some(thread) })
    }

    /// Where it listens.
    #[must_use]
    pub fn address(&self) -> SocketAddr {
        self.address
    }

    /// Shows this run from now on, and lets `inner` hear its news as well.
    #[must_use]
    pub fn show(&self, subject: &Subject, inner: Box<dyn Audience>) -> Box<dyn Audience> {
        *locked(&self.shared.shown) = Some(Shown::new(subject, &self.shared.id));
        *locked(&self.shared.way_in) = Some(subject.way_in.clone());
        *locked(&self.shared.records) = Some(subject.records.clone());
        self.shared.bump();
        Box::new(Both { inner, shared: Arc::clone(&self.shared) })
    }

    /// Tells the readers that the program ends, and ends without waiting for them.
    pub async fn close(mut self) {
        self.shared.closing.send_replace(true);
        if let Some(thread) = self.thread.take() {
            ended_within(thread, LEAVE + LET_GO).await;
        }
    }
}

impl Shared {
    fn bump(&self) {
        self.changed.send_modify(|changed| *changed += 1);
    }

    /// Resolves once the page is to end and its readers had their time.
    async fn left(&self) {
        let mut closing = self.closing.subscribe();
        // The sender lives in this very struct.
        let _ = closing.wait_for(|closing| *closing).await;
        pause(LEAVE).await;
    }
}

/// The page hears the news, and so does whoever heard them before.
struct Both {
    inner: Box<dyn Audience>,
    shared: Arc<Shared>,
}

impl Audience for Both {
    fn hear(&mut self, news: &News) {
        if let Some(shown) = locked(&self.shared.shown).as_mut() {
            shown.hear(news);
        }
        self.shared.bump();
        self.inner.hear(news);
    }
}
