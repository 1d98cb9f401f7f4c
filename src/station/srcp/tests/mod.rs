//! The client against scripted peer lines. No simulator: what the peer says stands in each test.
use super::*;
use crate::station::{CvPlace, Direction, Setting};
use std::collections::BTreeMap;

mod bad_replies;
mod information;
mod orders;
mod properties;
mod serial;
mod session;
mod stop;

const SESSIONS: [Session; 4] = [Session::Drive, Session::Programming, Session::Information, Session::Rescue];
const ANSWER_LIMIT: Duration = Duration::from_secs(2);
const CV_ANSWER_LIMIT: Duration = Duration::from_secs(60);

fn setup() -> SrcpSetup {
    SrcpSetup {
        bus: 1,
        address: Address::Short(3),
        step_mode: 28,
        functions: 4,
        answer_limit: ANSWER_LIMIT,
        cv_answer_limit: CV_ANSWER_LIMIT,
        ask_interval: Duration::from_secs(1),
        sessions: Sessions::Three,
    }
}

/// The same bench on a serial port.
fn setup_one() -> SrcpSetup {
    SrcpSetup { sessions: Sessions::One, ..setup() }
}

/// A client and what came out of it.
struct Scene {
    client: Srcp,
    now: BenchTime,
    /// Everything that came out, in order, for snapshots.
    log: Vec<String>,
    /// Commands by session.
    sent: BTreeMap<Session, Vec<String>>,
    events: Vec<StationEvent>,
    next: u64,
}

impl Scene {
    fn new(setup: SrcpSetup) -> Self {
        let (now, sent) = (BenchTime::ZERO, BTreeMap::new());
        Self { client: Srcp::new(setup), now, log: Vec::new(), sent, events: Vec::new(), next: 1 }
    }

    /// Attached to a server that offers `groups` on bus 1, power on.
    fn attached_to(setup: SrcpSetup, groups: &str) -> Self {
        let mut scene = Self::new(setup);
        let attach = scene.order(&Action::Attach);
        scene.greet(Session::Drive, 51);
        scene.greet(Session::Programming, 52);
        scene.greet(Session::Information, 53);
        scene.says(Session::Drive, &format!("1.0 100 INFO 1 DESCRIPTION {groups}"));
        if groups.contains("POWER") {
            scene.says(Session::Drive, "1.0 100 INFO 1 POWER ON");
        }
        assert_eq!(scene.end(attach), Some(&done()));
        scene.forget();
        scene
    }

    fn attached() -> Self {
        Self::attached_to(setup(), "GL SM POWER LOCK DESCRIPTION")
    }

    /// Attached, and the engine taken and locked.
    fn taken() -> Self {
        let mut scene = Self::attached();
        let take = scene.order(&Action::TakeEngine);
        for line in ["1.0 200 OK", "1.0 100 INFO 1 GL 3 1 0 28 0 0 0 0", "1.0 200 OK"] {
            scene.says(Session::Drive, line);
        }
        assert_eq!(scene.end(take), Some(&done()));
        scene.forget();
        scene
    }

    fn forget(&mut self) {
        self.log.clear();
        self.sent.clear();
        self.events.clear();
    }

    fn order(&mut self, action: &Action) -> OrderId {
        let order = OrderId(self.next);
        self.next += 1;
        self.log.push(format!("{:?} <- {action:?}", order.0));
        self.client.submit(self.now, order, action);
        self.collect();
        order
    }

    fn drive(&mut self, value: u16) -> OrderId {
        self.order(&Action::Drive { setting: Setting { value, of: 28 }, direction: Direction::Forward })
    }

    fn link(&mut self, session: Session, event: LinkEvent<'_>) {
        self.client.handle_link(self.now, session, event);
        self.collect();
    }

    fn says(&mut self, session: Session, line: &str) {
        self.raw(session, format!("{line}\n").as_bytes());
    }

    fn raw(&mut self, session: Session, bytes: &[u8]) {
        self.log.push(format!("{session:?} says {}", quote(&String::from_utf8_lossy(bytes))));
        self.link(session, LinkEvent::Bytes(bytes));
    }

    /// The peer goes through a whole handshake.
    fn greet(&mut self, session: Session, id: u64) {
        self.link(session, LinkEvent::Opened);
        self.says(session, "Harbour; SRCP 0.8.3");
        if session != Session::Rescue {
            self.says(session, "1.0 201 OK PROTOCOL SRCP");
            self.says(session, "1.0 202 OK CONNECTIONMODE");
        }
        self.says(session, &format!("1.0 200 OK GO {id}"));
    }

    /// The peer on a line with one session goes through a whole handshake.
    fn line_up(&mut self, id: u64) {
        self.link(Session::Drive, LinkEvent::Opened);
        for line in ["Harbour; SRCP 0.8.3", "1.0 201 OK PROTOCOL SRCP", "1.0 202 OK CONNECTIONMODE"] {
            self.says(Session::Drive, line);
        }
        self.says(Session::Drive, &format!("1.0 200 OK GO {id}"));
        let question = self.sent(Session::Drive).last().copied().unwrap_or_default().to_owned();
        assert!(question.starts_with("GET 0 "), "{question}");
        self.says(Session::Drive, properties::answer(&question));
    }

    /// Time passes; the client is woken exactly when it asked for it.
    fn wait(&mut self, span: Duration) {
        let until = self.now + span;
        while let Some(due) = self.client.next_wake().filter(|due| *due <= until) {
            assert!(due >= self.now, "a wake-up in the past would be asked for again and again");
            self.now = due;
            self.client.handle_wake(due);
            self.collect();
            assert!(self.client.next_wake() != Some(due), "a wake-up that was served is still wanted");
        }
        self.now = until;
    }

    fn collect(&mut self) {
        while let Some(link) = self.client.poll_link() {
            if let LinkOrder::Send(session, bytes) = &link {
                let line = String::from_utf8(bytes.clone()).expect("commands are text");
                let line = line.strip_suffix('\n').expect("a command ends its line");
                assert!(!line.contains('\n'), "one line a command");
                self.log.push(format!("{session:?} sends {line}"));
                self.sent.entry(*session).or_default().push(line.to_owned());
            } else {
                self.log.push(format!("{link:?}"));
            }
        }
        while let Some(event) = self.client.poll_event() {
            self.log.push(format!("event {event:?}"));
            self.events.push(event);
        }
    }

    /// How an order ended; none while it has not. Never twice.
    fn end(&self, order: OrderId) -> Option<&OrderEnd> {
        let mut ends = self.events.iter().filter_map(|event| match event {
            StationEvent::Ended { order: ended, end } if *ended == order => Some(end),
            _ => None,
        });
        let end = ends.next();
        assert_eq!(ends.next(), None, "an order ended twice");
        end
    }

    fn sent(&self, session: Session) -> Vec<&str> {
        self.sent.get(&session).into_iter().flatten().map(String::as_str).collect()
    }

    fn log_has(&self, line: &str) -> bool {
        self.log.iter().any(|logged| logged == line)
    }
}

fn done() -> OrderEnd {
    OrderEnd::Done { value: None }
}

fn code(end: Option<&OrderEnd>) -> &str {
    match end {
        Some(OrderEnd::Refused { code, .. }) => code,
        Some(OrderEnd::Unknown { .. }) => "unknown",
        Some(OrderEnd::Done { .. }) => "done",
        None => "pending",
    }
}
