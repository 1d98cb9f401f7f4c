//! The person's way into a run: signals, the control socket and the terminal all end in one small queue.
use super::control::{Command, act_for};
use super::status::Status;
use crate::run::PersonAct;
use std::io;
use tokio::signal::unix::{Signal, SignalKind, signal};
use tokio::sync::{mpsc, watch};

/// Acts that may wait. The loop takes them at once; more than this is noise.
const QUEUE: usize = 16;

/// SIGTSTP, Ctrl-Z: the same number on every Linux and BSD.
#[cfg(target_os = "linux")]
const TERMINAL_STOP: i32 = 20;
#[cfg(not(target_os = "linux"))]
const TERMINAL_STOP: i32 = 18;

/// Both ends of the person's queue, and the status that is shown to the person.
#[derive(Debug)]
pub struct Person {
    acts: mpsc::Sender<PersonAct>,
    pub(crate) wanted: mpsc::Receiver<PersonAct>,
    pub(crate) status: watch::Sender<Status>,
}

/// A way in, for a thread or task that asks the person.
#[derive(Clone, Debug)]
pub struct WayIn {
    acts: mpsc::Sender<PersonAct>,
    status: watch::Receiver<Status>,
}

impl Person {
    /// Nobody has said anything yet.
    #[must_use]
    pub fn new(status: Status) -> Self {
        let (acts, wanted) = mpsc::channel(QUEUE);
        Self { acts, wanted, status: watch::Sender::new(status) }
    }

    /// A way in.
    #[must_use]
    pub fn way_in(&self) -> WayIn {
        WayIn { acts: self.acts.clone(), status: self.status.subscribe() }
    }
}

impl WayIn {
    /// Where the run stands.
    #[must_use]
    pub fn status(&self) -> Status {
        self.status.borrow().clone()
    }

    /// Hands an act to the run.
    ///
    /// # Errors
    /// When the run is ending or has too much to do.
    pub fn act(&self, act: PersonAct) -> Result<(), String> {
        self.acts.try_send(act).map_err(|_| "the run is ending or has too much to do; try again".to_owned())
    }

    /// Carries out a command; `Ok(true)` where it asked for the status.
    ///
    /// # Errors
    /// Why it cannot be carried out, as a sentence.
    pub fn command(&self, command: Command) -> Result<bool, String> {
        let act = match command {
            Command::Status => return Ok(true),
            Command::Pause => PersonAct::Pause,
            Command::GoOn => PersonAct::GoOn,
            Command::Stop => PersonAct::Stop,
            Command::Answer(answer) => act_for(answer, &self.status.borrow())?,
        };
        self.act(act).map(|()| false)
    }
}

/// The signals that a run listens to.
///
/// Ctrl-C, the service manager's SIGTERM and SIGQUIT stop the run; Ctrl-Z pauses it, because a suspended process would
/// leave the engine running; a closed terminal (SIGHUP) changes nothing.
pub(crate) struct Signals {
    interrupt: Signal,
    terminate: Signal,
    quit: Signal,
    suspend: Signal,
    hang_up: Signal,
}

impl Signals {
    /// Listens from now on. From here the signals' own effects are off, for the rest of the process.
    pub(crate) fn listen() -> io::Result<Self> {
        Ok(Self {
            interrupt: signal(SignalKind::interrupt())?,
            terminate: signal(SignalKind::terminate())?,
            quit: signal(SignalKind::quit())?,
            suspend: signal(SignalKind::from_raw(TERMINAL_STOP))?,
            hang_up: signal(SignalKind::hangup())?,
        })
    }

    /// The next thing that a signal asks for. Safe to drop and call again.
    pub(crate) async fn next(&mut self) -> PersonAct {
        loop {
            tokio::select! {
                Some(()) = self.interrupt.recv() => return PersonAct::Stop,
                Some(()) = self.terminate.recv() => return PersonAct::Stop,
                Some(()) = self.quit.recv() => return PersonAct::Stop,
                Some(()) = self.suspend.recv() => return PersonAct::Pause,
                Some(()) = self.hang_up.recv() => {}
                else => std::future::pending().await,
            }
        }
    }
}
