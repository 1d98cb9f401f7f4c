//! Connections: one task a station session, one for the sensor. They carry bytes and know no protocol.
//!
//! `connect`: opening, and words for an end. `serial`: the port. `ports`: what the computer says about its ports.
use super::clock::pause;
use crate::config::LinkSpec;
use crate::station::Session;
use std::collections::{BTreeMap, VecDeque};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;
use tokio::io::{AsyncReadExt, AsyncWriteExt, split};
use tokio::sync::{Notify, mpsc};
use tokio::task::JoinSet;

mod connect;
mod ports;
mod serial;

pub(super) use serial::no_port;

use connect::{Carrier, Turn, Turns, connect, ended};

/// Part of the time that a station machine gives a connection, which the link takes for itself: its own words for what
/// is wrong come before the machine gives up.
pub(crate) const IN_TIME: f64 = 0.9;

/// Bytes read at once from a socket.
const CHUNK: usize = 16 * 1024;

/// Station happenings that may wait before the task of a session waits too. A station that floods us is slowed down.
const STATION_QUEUE: usize = 256;

/// Sensor bytes that may wait: half a minute of the fastest stream (2000 lines of 40 bytes a second).
const SENSOR_BUFFER: usize = 2_400_000;

/// What happened to a link.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum Happening {
    /// The connection is open.
    Opened,
    /// Bytes arrived.
    Bytes(Vec<u8>),
    /// It ended, or could not be opened; why.
    Closed(String),
}

/// The station sessions of one run. An event of a session that was closed or opened anew meanwhile never comes out.
pub(crate) struct StationLinks {
    link: LinkSpec,
    limit: Duration,
    open: BTreeMap<Session, OpenSession>,
    generation: u64,
    to_loop: mpsc::Sender<(u64, Session, Happening)>,
    from_tasks: mpsc::Receiver<(u64, Session, Happening)>,
    tasks: JoinSet<()>,
    turns: Turns,
}

/// A session that is open or being opened. Dropping the sender ends the task once everything is written.
struct OpenSession {
    generation: u64,
    to_station: mpsc::UnboundedSender<Vec<u8>>,
}

impl StationLinks {
    /// Links to this endpoint; a connection must be there within `limit` of wall time.
    pub(crate) fn new(link: &LinkSpec, limit: Duration) -> Self {
        let (to_loop, from_tasks) = mpsc::channel(STATION_QUEUE);
        let (open, tasks) = (BTreeMap::new(), JoinSet::new());
        let turns = Turns::default();
        Self { link: link.clone(), limit, open, generation: 0, to_loop, from_tasks, tasks, turns }
    }

    /// Opens a connection for this session; one that was there before is closed.
    pub(crate) fn open(&mut self, session: Session) {
        self.generation += 1;
        let (to_station, writes) = mpsc::unbounded_channel();
        self.open.insert(session, OpenSession { generation: self.generation, to_station });
        let task = SessionTask {
            session,
            generation: self.generation,
            link: self.link.clone(),
            limit: self.limit,
            to_loop: self.to_loop.clone(),
        };
        // Taken here where it is free: who is opened first comes first.
        let turn = Arc::clone(&self.turns).try_lock_owned().ok();
        self.tasks.spawn(task.run(writes, Arc::clone(&self.turns), turn));
    }

    /// Sends bytes; silently nothing where the session is not open (its end was or will be told).
    pub(crate) fn send(&mut self, session: Session, bytes: Vec<u8>) {
        if let Some(open) = self.open.get(&session) {
            // The task is gone: its `Closed` is on its way to the loop.
            let _ = open.to_station.send(bytes);
        }
    }

    /// Closes a session once everything is written. Nothing more is heard of it.
    pub(crate) fn close(&mut self, session: Session) {
        self.open.remove(&session);
    }

    /// The next happening. Safe to drop and call again. A failed task comes as `Err`.
    pub(crate) async fn next(&mut self) -> Result<(Session, Happening), String> {
        loop {
            let (generation, session, happening) = tokio::select! {
                Some(got) = self.from_tasks.recv() => got,
                Some(ended) = self.tasks.join_next() => match ended {
                    Ok(()) => continue,
                    Err(error) => return Err(format!("a station link task failed: {error}")),
                },
            };
            if self.open.get(&session).is_none_or(|open| open.generation != generation) {
                continue;
            }
            if matches!(happening, Happening::Closed(_)) {
                self.open.remove(&session);
            }
            return Ok((session, happening));
        }
    }

    /// Gives up a serial port, within `limit`, so that a fresh session can open it. Sessions in a network stay: they are in
    /// nobody's way, and what was sent last may still go out over them.
    pub(crate) async fn make_way(&mut self, limit: Duration) {
        if let LinkSpec::Serial { .. } = self.link {
            self.open.clear();
            let all_ended = async { while self.tasks.join_next().await.is_some() {} };
            tokio::select! { () = all_ended => {}, () = pause(limit) => self.tasks.abort_all() }
            tokio::select! { _ = self.turns.lock() => {}, () = pause(limit) => {} }
        }
    }

    /// Closes everything, letting what was sent go out, but not for longer than `limit`.
    pub(crate) async fn finish(mut self, limit: Duration) {
        self.open.clear();
        let all_ended = async { while self.tasks.join_next().await.is_some() {} };
        tokio::select! { () = all_ended => {}, () = pause(limit) => {} }
    }
}

/// What a session's task knows.
struct SessionTask {
    session: Session,
    generation: u64,
    link: LinkSpec,
    limit: Duration,
    to_loop: mpsc::Sender<(u64, Session, Happening)>,
}

impl SessionTask {
    async fn run(self, writes: mpsc::UnboundedReceiver<Vec<u8>>, turns: Turns, turn: Option<Turn>) {
        let why = match connect(&self.link, self.limit, &turns, turn).await {
            Err(why) => Some(why),
            Ok(stream) => {
                self.tell(Happening::Opened).await;
                self.carry(stream, writes).await
            }
        };
        if let Some(why) = why {
            self.tell(Happening::Closed(why)).await;
        }
    }

    /// Carries bytes both ways at the same time, so that a peer that does not read cannot keep us from hearing it.
    /// None: we closed it ourselves.
    async fn carry(
        &self,
        stream: Box<dyn Carrier>,
        mut writes: mpsc::UnboundedReceiver<Vec<u8>>,
    ) -> Option<String> {
        let (mut reader, mut writer) = split(stream);
        let ended = |error: Option<&_>| Some(ended(&self.link, "station", error));
        let reading = async {
            let mut buffer = vec![0; CHUNK];
            loop {
                match reader.read(&mut buffer).await {
                    Ok(0) => return ended(None),
                    Ok(n) => self.tell(Happening::Bytes(buffer[..n].to_vec())).await,
                    Err(error) => return ended(Some(&error)),
                }
            }
        };
        let writing = async {
            while let Some(bytes) = writes.recv().await {
                if let Err(error) = writer.write_all(&bytes).await {
                    return ended(Some(&error));
                }
            }
            // Best effort: the peer may be gone already, and then there is nothing to end.
            let _ = writer.shutdown().await;
            None
        };
        tokio::select! { why = reading => why, why = writing => why }
    }

    async fn tell(&self, happening: Happening) {
        // The loop is gone only when the run has ended; nobody wants to know then.
        let _ = self.to_loop.send((self.generation, self.session, happening)).await;
    }
}

/// The sensor link. Its reader never waits for the loop: what does not fit drops the oldest bytes and says so.
pub(crate) struct SensorLink {
    link: LinkSpec,
    limit: Duration,
    buffer: Arc<SensorBuffer>,
    task: JoinSet<()>,
    turns: Turns,
}

/// What the reader leaves for the loop.
#[derive(Default)]
struct SensorBuffer {
    inside: Mutex<SensorWaiting>,
    filled: Notify,
}

#[derive(Default)]
struct SensorWaiting {
    queue: VecDeque<Happening>,
    bytes: usize,
    dropped: u64,
}

/// What the loop finds.
#[derive(Debug, PartialEq, Eq)]
pub(crate) enum SensorNews {
    /// Bytes had to be dropped before everything that follows.
    Dropped(u64),
    /// The link.
    Link(Happening),
    /// The reader failed.
    Failed(String),
}

impl SensorWaiting {
    fn push(&mut self, happening: Happening) {
        if let Happening::Bytes(new) = &happening {
            self.bytes += new.len();
            while self.bytes > SENSOR_BUFFER {
                let Some(oldest) = self.queue.iter().position(|h| matches!(h, Happening::Bytes(_))) else {
                    break;
                };
                if let Some(Happening::Bytes(lost)) = self.queue.remove(oldest) {
                    self.bytes -= lost.len();
                    self.dropped += lost.len() as u64;
                }
            }
            // One read after the other becomes one piece: the loop then takes everything that waits at once.
            if let Some(Happening::Bytes(last)) = self.queue.back_mut()
                && last.len() + new.len() <= CHUNK
            {
                last.extend_from_slice(new);
                return;
            }
        }
        self.queue.push_back(happening);
    }

    fn pop(&mut self) -> Option<SensorNews> {
        if self.dropped > 0 {
            return Some(SensorNews::Dropped(std::mem::take(&mut self.dropped)));
        }
        let happening = self.queue.pop_front()?;
        if let Happening::Bytes(bytes) = &happening {
            self.bytes -= bytes.len();
        }
        Some(SensorNews::Link(happening))
    }
}

impl SensorLink {
    /// A link to this endpoint; a connection must be there within `limit` of wall time.
    pub(crate) fn new(link: &LinkSpec, limit: Duration) -> Self {
        let (buffer, turns) = (Arc::default(), Turns::default());
        Self { link: link.clone(), limit, buffer, task: JoinSet::new(), turns }
    }

    /// Opens the link (again); one that was there before is closed and what it left is forgotten.
    pub(crate) fn open(&mut self) {
        self.task = JoinSet::new();
        self.buffer = Arc::default();
        let (link, limit, buffer) = (self.link.clone(), self.limit, Arc::clone(&self.buffer));
        let turns = Arc::clone(&self.turns);
        self.task.spawn(async move {
            let why = match connect(&link, limit, &turns, None).await {
                Err(why) => why,
                Ok(stream) => {
                    buffer.put(Happening::Opened);
                    read_all(&link, stream, &buffer).await
                }
            };
            buffer.put(Happening::Closed(why));
        });
    }

    /// What came next. Safe to drop and call again.
    pub(crate) async fn next(&mut self) -> SensorNews {
        loop {
            // Registered before looking, so that nothing put in between is missed.
            let filled = self.buffer.filled.notified();
            if let Some(news) = self.buffer.lock().pop() {
                return news;
            }
            tokio::select! {
                () = filled => {}
                Some(ended) = self.task.join_next() => {
                    if let Err(error) = ended {
                        return SensorNews::Failed(format!("the sensor reader failed: {error}"));
                    }
                }
            }
        }
    }
}

impl SensorBuffer {
    fn lock(&self) -> std::sync::MutexGuard<'_, SensorWaiting> {
        // A panic inside cannot leave the queue half changed in a way that matters here: go on with what is there.
        self.inside.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn put(&self, happening: Happening) {
        self.lock().push(happening);
        self.filled.notify_one();
    }
}

/// Reads until the link ends; says why it ended.
async fn read_all(link: &LinkSpec, mut stream: Box<dyn Carrier>, buffer: &SensorBuffer) -> String {
    let mut bytes = vec![0; CHUNK];
    loop {
        match stream.read(&mut bytes).await {
            Ok(0) => return ended(link, "sensor", None),
            Ok(n) => buffer.put(Happening::Bytes(bytes[..n].to_vec())),
            Err(error) => return ended(link, "sensor", Some(&error)),
        }
    }
}

#[cfg(test)]
mod tests;
