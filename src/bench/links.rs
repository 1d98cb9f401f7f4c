//! Connections: one task a station session, one for the sensor. They carry bytes and know no protocol.
use super::clock::pause;
use crate::config::LinkSpec;
use crate::station::Session;
use std::collections::{BTreeMap, VecDeque};
use std::io;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;
use tokio::sync::{Notify, mpsc};
use tokio::task::JoinSet;

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

/// A connection with no delay between small writes, or why there is none.
pub(crate) async fn connect(link: &LinkSpec, limit: Duration) -> Result<TcpStream, String> {
    let LinkSpec::Tcp { address } = link else { return Err("serial ports are not carried yet".to_owned()) };
    let attempt = async {
        let stream = TcpStream::connect(address).await?;
        stream.set_nodelay(true)?;
        Ok::<_, io::Error>(stream)
    };
    tokio::select! {
        done = attempt => done.map_err(|error| format!("{address}: {error}")),
        () = pause(limit) => Err(format!("{address}: no connection within {:.1} s", limit.as_secs_f64())),
    }
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
        Self { link: link.clone(), limit, open, generation: 0, to_loop, from_tasks, tasks }
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
        self.tasks.spawn(task.run(writes));
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
    async fn run(self, writes: mpsc::UnboundedReceiver<Vec<u8>>) {
        let why = match connect(&self.link, self.limit).await {
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
    async fn carry(&self, stream: TcpStream, mut writes: mpsc::UnboundedReceiver<Vec<u8>>) -> Option<String> {
        let (mut reader, mut writer) = stream.into_split();
        let reading = async {
            let mut buffer = vec![0; CHUNK];
            loop {
                match reader.read(&mut buffer).await {
                    Ok(0) => return Some("closed by the station".to_owned()),
                    Ok(n) => self.tell(Happening::Bytes(buffer[..n].to_vec())).await,
                    Err(error) => return Some(error.to_string()),
                }
            }
        };
        let writing = async {
            while let Some(bytes) = writes.recv().await {
                if let Err(error) = writer.write_all(&bytes).await {
                    return Some(error.to_string());
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
        Self { link: link.clone(), limit, buffer: Arc::default(), task: JoinSet::new() }
    }

    /// Opens the link (again); one that was there before is closed and what it left is forgotten.
    pub(crate) fn open(&mut self) {
        self.task = JoinSet::new();
        self.buffer = Arc::default();
        let (link, limit, buffer) = (self.link.clone(), self.limit, Arc::clone(&self.buffer));
        self.task.spawn(async move {
            let why = match connect(&link, limit).await {
                Err(why) => why,
                Ok(stream) => {
                    buffer.put(Happening::Opened);
                    read_all(stream, &buffer).await
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
async fn read_all(mut stream: TcpStream, buffer: &SensorBuffer) -> String {
    let mut bytes = vec![0; CHUNK];
    loop {
        match stream.read(&mut bytes).await {
            Ok(0) => return "closed by the sensor".to_owned(),
            Ok(n) => buffer.put(Happening::Bytes(bytes[..n].to_vec())),
            Err(error) => return error.to_string(),
        }
    }
}

#[cfg(test)]
mod tests;
