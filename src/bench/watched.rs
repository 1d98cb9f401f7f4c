//! A run's side of its watchman (see [`mod@super::watchman`]): starts it, gives it a mark at every heartbeat of the loop that
//! moves the run, and takes leave of it at the end.
use super::clock::{HEARTBEAT, pause};
use super::watchman::{Brief, MARK_AT_WORK, MARK_BEFORE, MARK_LEAVE};
use std::io;
use std::path::Path;
use std::process::Stdio;
use std::time::Duration;
use tokio::io::AsyncWriteExt;
use tokio::process::{Child, ChildStdin, Command};
use tokio::sync::watch;
use tokio::task::JoinHandle;

/// The hidden verb of the program that keeps watch.
pub(crate) const VERB: &str = "watch";

/// Wall time that the watchman has to hear that the run has ended.
const LEAVE: Duration = Duration::from_secs(2);

/// What it is told next.
#[derive(Clone, Copy, Debug, Default)]
struct Tell {
    beats: u64,
    at_work: bool,
    leave: bool,
}

/// A run's hold on its watchman. Dropped without [`Watched::leave`] it is as if the run had died.
#[derive(Debug)]
pub(crate) struct Watched {
    tell: watch::Sender<Tell>,
    keeping: JoinHandle<String>,
    lost: bool,
}

impl Watched {
    /// Starts a watchman: this program with its hidden verb, in a process group of its own, so that what a terminal sends
    /// to the run does not reach it. Needs to be called inside the runtime.
    ///
    /// # Errors
    /// When the system starts no process.
    pub(crate) fn start(program: &Path, brief: &Brief) -> io::Result<Self> {
        let mut line = serde_json::to_vec(brief)?;
        line.push(b'\n');
        let mut child = Command::new(program)
            .arg(VERB)
            .stdin(Stdio::piped())
            .stdout(Stdio::null())
            .process_group(0)
            .spawn()?;
        let stdin = child.stdin.take().ok_or_else(|| io::Error::other("no pipe to the watchman"))?;
        let (tell, told) = watch::channel(Tell::default());
        let keeping = tokio::spawn(keep(child, stdin, line, told));
        Ok(Self { tell, keeping, lost: false })
    }

    /// The loop that moves the run lives. `at_work`: something was sent to the station.
    pub(crate) fn beat(&self, at_work: bool) {
        self.tell.send_modify(|tell| {
            tell.beats += 1;
            tell.at_work |= at_work;
        });
    }

    /// Beats as long as this lasts, which the loop no longer does.
    pub(crate) async fn while_working<T>(&self, work: impl Future<Output = T>) -> T {
        let mut work = std::pin::pin!(work);
        loop {
            self.beat(true);
            tokio::select! {
                done = &mut work => return done,
                () = pause(HEARTBEAT) => {}
            }
        }
    }

    /// Why the watchman is gone, once it is. Safe to drop and call again.
    pub(crate) async fn lost(&mut self) -> String {
        if self.lost {
            return std::future::pending().await;
        }
        let why = (&mut self.keeping).await.unwrap_or_else(|error| error.to_string());
        self.lost = true;
        why
    }

    /// The run has ended and the engine was seen to.
    pub(crate) async fn leave(mut self) {
        self.tell.send_modify(|tell| tell.leave = true);
        tokio::select! {
            _ = self.lost() => {}
            () = pause(LEAVE) => {}
        }
    }
}

/// Passes on what is told, until leave is taken; why it ended.
async fn keep(
    mut child: Child,
    mut stdin: ChildStdin,
    brief: Vec<u8>,
    mut told: watch::Receiver<Tell>,
) -> String {
    let telling = async {
        stdin.write_all(&brief).await?;
        // A run that is dropped says nothing any more: the pipe ends without a leave.
        while told.changed().await.is_ok() {
            let tell = *told.borrow_and_update();
            let mark = match tell {
                Tell { leave: true, .. } => MARK_LEAVE,
                Tell { at_work: true, .. } => MARK_AT_WORK,
                Tell { .. } => MARK_BEFORE,
            };
            stdin.write_all(&[mark]).await?;
            if tell.leave {
                break;
            }
        }
        stdin.shutdown().await
    };
    let told: io::Result<()> = telling.await;
    drop(stdin);
    match (told, child.wait().await) {
        (Ok(()), Ok(status)) => format!("the watchman ended ({status})"),
        (Err(error), _) | (_, Err(error)) => format!("the watchman is gone: {error}"),
    }
}
