//! Publishes a run to a broker (MQTT 3.1.1), where the bench file names one. It hears the news that the terminal hears, and works on a
//! thread and a runtime of its own: a broker that is away, slow or refuses holds up neither the run nor the program's end.
//! Nothing is subscribed, so nobody can act on a run that way.
use super::clock::{instant, pause};
use super::news::{Audience, News, ended_within};
use super::status::Status;
use crate::config::PublishSpec;
use crate::run::{Record, RecordBody};
use crate::words;
use rumqttc::{
    AsyncClient, ConnectReturnCode, ConnectionError, Event, EventLoop, LastWill, MqttOptions, Outgoing,
    Packet, QoS,
};
use serde_json::json;
use std::io::{self, Read};
use std::os::unix::fs::PermissionsExt;
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};
use tokio::sync::mpsc;

/// What waits for a slow broker; more is dropped.
const QUEUE: usize = 256;
/// Wall time between two states.
const STATE_EVERY: Duration = Duration::from_secs(1);
/// Wall time until a broker that is away is tried again: at first, and at most.
const WAITS: [Duration; 2] = [Duration::from_secs(1), Duration::from_secs(30)];
/// A broker that hears nothing for one and a half times this takes the bench for lost.
const KEEP_ALIVE: Duration = Duration::from_secs(5);
/// Wall time for the last words.
const LAST: Duration = Duration::from_secs(1);
/// The largest packet, in bytes: a result with all its steps is well below.
const LARGEST: usize = 1 << 20;
/// The longest password, in bytes.
const LONGEST_PASSWORD: u64 = 1024;

/// What is published.
#[derive(Clone, Debug, PartialEq)]
struct Told {
    /// Behind the prefix.
    topic: &'static str,
    text: String,
    /// Kept by the broker for whoever comes later.
    kept: bool,
}

/// What the threads tell each other.
#[derive(Debug, Default)]
struct Shared {
    /// A sentence for the person.
    said: Mutex<Option<String>>,
}

impl Shared {
    fn say(&self, words: String) {
        *self.said.lock().unwrap_or_else(PoisonError::into_inner) = Some(words);
    }

    fn take(&self) -> Option<String> {
        self.said.lock().unwrap_or_else(PoisonError::into_inner).take()
    }
}

/// Publishes a run until it is closed.
#[derive(Debug)]
pub struct Publisher {
    queue: mpsc::Sender<Told>,
    shared: Arc<Shared>,
    thread: JoinHandle<()>,
}

impl Publisher {
    /// Begins to publish this run; none where no broker is named.
    ///
    /// # Errors
    /// The password cannot be read, or others may read it; the system gives no thread.
    pub fn open(spec: &PublishSpec, run_id: &str) -> io::Result<Option<Self>> {
        // The bench file lets only `host:port` through.
        let Some((broker, (host, port))) =
            spec.broker.as_deref().and_then(|it| Some((it, it.rsplit_once(':')?)))
        else {
            return Ok(None);
        };
        let port = port.parse().map_err(|_| io::Error::from(io::ErrorKind::InvalidInput))?;
        let id: String = run_id.chars().filter(char::is_ascii_alphanumeric).rev().take(12).collect();
        // A name of up to 23 letters and digits is taken by every broker (3.1.3.1).
        let mut options = MqttOptions::new(format!("pacewright{id}"), host.trim_matches(['[', ']']), port);
        options.set_keep_alive(KEEP_ALIVE).set_clean_session(true);
        options.set_max_packet_size(LARGEST, LARGEST);
        options.set_last_will(LastWill::new(format!("{}/bench", spec.topic), "lost", QoS::AtLeastOnce, true));
        let password = spec.password_file.as_deref().map(password).transpose()?;
        if spec.user.is_some() || password.is_some() {
            options.set_credentials(spec.user.clone().unwrap_or_default(), password.unwrap_or_default());
        }
        let (queue, told) = mpsc::channel(QUEUE);
        let shared = Arc::new(Shared::default());
        let (saying, broker, topic) = (Arc::clone(&shared), broker.to_owned(), spec.topic.clone());
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
        let thread = std::thread::Builder::new().name("publish".to_owned()).spawn(move || {
            let (client, events) = AsyncClient::new(options, QUEUE);
            let work = async {
                tokio::select! {
                    () = connected(events, &client, &topic, &broker, &saying) => {}
                    // Within the branch: the other one goes on meanwhile.
                    () = async {
                        publish(told, &client, &topic).await;
                        pause(LAST).await;
                    } => {}
                }
            };
            runtime.block_on(work);
            // A name that is still being looked up is waited for by nobody.
            runtime.shutdown_background();
        })?;
        Ok(Some(Self { queue, shared, thread }))
    }

    /// Lets `inner` hear the news as well.
    #[must_use]
    pub fn hear(&self, status: Status, inner: Box<dyn Audience>) -> Box<dyn Audience> {
        let (queue, shared) = (self.queue.clone(), Arc::clone(&self.shared));
        Box::new(Publishing { inner, queue, shared, status, stated: None })
    }

    /// Publishes how it ended, and takes leave: of whoever does not listen, after a second.
    pub async fn close(self, result: String) {
        for (topic, text) in [("result", result), ("bench", "ended".to_owned())] {
            // Where the queue is full nobody listens.
            let _ = self.queue.try_send(Told { topic, text, kept: true });
        }
        drop(self.queue);
        ended_within(self.thread, LAST + LAST).await;
    }
}

/// The password in this file, without the line end that editors add.
fn password(path: &str) -> io::Result<String> {
    let named = |error: io::Error| io::Error::new(error.kind(), format!("{path}: {error}"));
    let file = std::fs::File::open(path).map_err(named)?;
    if file.metadata().map_err(named)?.permissions().mode() & 0o077 != 0 {
        return Err(named(io::Error::new(io::ErrorKind::PermissionDenied, "other users may read it")));
    }
    let mut text = String::new();
    file.take(LONGEST_PASSWORD).read_to_string(&mut text).map_err(named)?;
    Ok(text.trim_end_matches(['\r', '\n']).to_owned())
}

/// Keeps the connection, and says once when the broker cannot be reached and once when it is back. Ends when leave was taken.
async fn connected(mut events: EventLoop, client: &AsyncClient, topic: &str, broker: &str, shared: &Shared) {
    let [mut wait, most] = WAITS;
    let (mut away, mut leaving) = (false, false);
    loop {
        match events.poll().await {
            Ok(Event::Incoming(Packet::ConnAck(_))) => {
                wait = WAITS[0];
                if std::mem::take(&mut away) {
                    shared.say(format!("The broker at {broker} is back; the run is published again."));
                }
                // The will of an earlier connection may have said that the bench is lost.
                let _ = client.try_publish(format!("{topic}/bench"), QoS::AtLeastOnce, true, "running");
            }
            // Leave was taken once the broker closes: to close first, with its words unread, would take the leave back.
            Ok(Event::Outgoing(Outgoing::Disconnect)) => leaving = true,
            Ok(_) => {}
            Err(_) if leaving => return,
            Err(error) => {
                if !std::mem::replace(&mut away, true) {
                    shared.say(format!(
                        "The run is not published now: {}. It goes on, and the broker is tried again.",
                        unreached(&error, broker)
                    ));
                }
                pause(wait).await;
                wait = (wait * 2).min(most);
            }
        }
    }
}

/// Why the broker is not reached, in words.
fn unreached(error: &ConnectionError, broker: &str) -> String {
    match error {
        ConnectionError::ConnectionRefused(
            ConnectReturnCode::BadUserNamePassword | ConnectReturnCode::NotAuthorized,
        ) => {
            format!("the broker at {broker} does not take name or password")
        }
        ConnectionError::ConnectionRefused(code) => format!("the broker at {broker} refused ({code:?})"),
        ConnectionError::Io(error) => format!("the broker at {broker} is not reached ({error})"),
        other => format!("the broker at {broker} is not reached ({other})"),
    }
}

/// Hands on what is told until nobody tells any more, then takes leave.
async fn publish(mut told: mpsc::Receiver<Told>, client: &AsyncClient, topic: &str) {
    while let Some(one) = told.recv().await {
        let quality = if one.kept { QoS::AtLeastOnce } else { QoS::AtMostOnce };
        let full = format!("{topic}/{}", one.topic);
        // Where the way out is full the broker is away: states are told anew, and what happened meanwhile is not.
        let _ = client.try_publish(full, quality, one.kept, one.text);
    }
    let _ = client.try_disconnect();
}

/// Hears the news, and so does whoever heard them before.
struct Publishing {
    inner: Box<dyn Audience>,
    queue: mpsc::Sender<Told>,
    shared: Arc<Shared>,
    status: Status,
    stated: Option<Instant>,
}

impl Audience for Publishing {
    fn hear(&mut self, news: &News) {
        if let Some(words) = self.shared.take() {
            self.inner.hear(&News::Said(words));
        }
        match news {
            News::Progress(at, progress) => {
                let other_phase = self.status.phase != Some(progress.phase);
                self.status.take(*at, progress);
                let now = instant();
                let due = self.stated.is_none_or(|at| now.saturating_duration_since(at) >= STATE_EVERY);
                if due || other_phase {
                    self.stated = Some(now);
                    // Plain values: they always have a JSON form.
                    let text = serde_json::to_string(&self.status).unwrap_or_default();
                    self.tell(Told { topic: "state", text, kept: true });
                }
            }
            News::Record(record) => {
                if let Some(text) = event(record) {
                    self.tell(Told { topic: "event", text, kept: false });
                }
            }
            News::Asked(_) | News::Said(_) | News::Missed(_) => {}
        }
        self.inner.hear(news);
    }
}

impl Publishing {
    fn tell(&self, told: Told) {
        // Full: the broker takes nothing, and the run waits for nobody.
        let _ = self.queue.try_send(told);
    }
}

/// A record that others may want to know of, as one JSON object.
fn event(record: &Record) -> Option<String> {
    let (kind, code, words) = match &record.body {
        RecordBody::Phase(phase) => ("phase", None, words::phase(*phase).to_owned()),
        RecordBody::Noted(reason) => ("note", Some(&reason.code), words::short(reason)),
        RecordBody::Ending(reason) => ("ending", Some(&reason.code), words::short(reason)),
        RecordBody::Asked { what, .. } => ("asked", None, what.words().to_owned()),
        RecordBody::Person(act) => ("person", None, words::act(*act).to_owned()),
        _ => return None,
    };
    Some(json!({ "at_s": record.at.as_secs_f64(), "kind": kind, "code": code, "words": words }).to_string())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cause::{Reason, sensor};
    use crate::run::{PhaseName, Progress};
    use crate::time::BenchTime;

    struct Heard(Arc<Mutex<Vec<News>>>);

    impl Audience for Heard {
        fn hear(&mut self, news: &News) {
            self.0.lock().unwrap().push(news.clone());
        }
    }

    fn progress(phase: PhaseName) -> News {
        let progress = Progress {
            phase,
            ordered: None,
            speed_mm_s: None,
            done: 0.1,
            left_s: 1.0,
            waiting: false,
            housekeeping: None,
            held: None,
            margins: Vec::new(),
            field: None,
            quality: None,
        };
        News::Progress(BenchTime::from_millis(5), Box::new(progress))
    }

    fn publishing() -> (Publishing, mpsc::Receiver<Told>, Arc<Mutex<Vec<News>>>) {
        let (queue, told) = mpsc::channel(QUEUE);
        let heard = Arc::default();
        let inner = Box::new(Heard(Arc::clone(&heard)));
        let status = Status::before("run-1", "Lapwing", 1.0);
        (Publishing { inner, queue, shared: Arc::default(), status, stated: None }, told, heard)
    }

    #[test]
    fn a_state_comes_once_a_second_and_with_each_phase_and_events_when_they_happen() {
        let (mut publishing, mut told, heard) = publishing();
        for phase in [PhaseName::LinkCheck, PhaseName::LinkCheck, PhaseName::Snapshot, PhaseName::Snapshot] {
            publishing.hear(&progress(phase));
        }
        let reason = Reason::new(&sensor::SILENT, "0.6 s");
        for body in [RecordBody::Noted(reason), RecordBody::OriginalsBack] {
            publishing.hear(&News::Record(Box::new(Record {
                n: 1,
                at: BenchTime::from_millis(1_500),
                body,
            })));
        }
        let mut topics = Vec::new();
        while let Ok(one) = told.try_recv() {
            topics.push((one.topic, one.kept));
            if one.topic == "event" {
                let event: serde_json::Value = serde_json::from_str(&one.text).unwrap();
                assert_eq!(event["code"], sensor::SILENT.code);
                assert_eq!(event["at_s"], 1.5);
            }
        }
        assert_eq!(topics, [("state", true), ("state", true), ("event", false)]);
        assert_eq!(heard.lock().unwrap().len(), 6, "the terminal hears all of it");
    }

    #[test]
    fn what_the_broker_does_is_said_once_and_a_full_queue_holds_nobody_up() {
        let (mut publishing, _told, heard) = publishing();
        publishing.shared.say("The broker is away.".to_owned());
        for n in 0..10 * QUEUE as u64 {
            publishing.hear(&News::Record(Box::new(Record {
                n,
                at: BenchTime::ZERO,
                body: RecordBody::Phase(PhaseName::Sweep),
            })));
        }
        let said = |news: &News| matches!(news, News::Said(_));
        assert_eq!(heard.lock().unwrap().iter().filter(|news| said(news)).count(), 1);
    }

    #[test]
    fn a_password_that_others_may_read_is_refused() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("password");
        std::fs::write(&path, "seven herons\r\n").unwrap();
        let set = |mode| std::fs::set_permissions(&path, std::fs::Permissions::from_mode(mode)).unwrap();
        set(0o600);
        assert_eq!(password(path.to_str().unwrap()).unwrap(), "seven herons");
        set(0o640);
        assert!(
            password(path.to_str().unwrap()).unwrap_err().to_string().contains("other users may read it")
        );
        assert!(password("/nowhere/at/all").unwrap_err().to_string().contains("/nowhere/at/all"));
    }
}
