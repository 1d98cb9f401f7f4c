//! The station's client, with orders outstanding, against a peer that says anything.
//!
//! The input is text, so that it can be written by hand. Each line is one happening:
//!
//! - `D…`, `P…`, `I…`, `R…`: the driving, programming, information or rescue session says the rest of the line.
//! - `d…`, `p…`, `i…`, `r…`: the same without the line's end.
//! - `+D`: the session's link opened; `-D`: it closed (links open by themselves as soon as they are asked for).
//! - `w250`: so many milliseconds pass. `o4`: an order goes out (see `action`).
//!
//! A `1` before the first line: the station takes one session only; else it takes three.
//!
//! Any other line is said by the driving session as it is.
use pacewright::dcc::Address;
use pacewright::station::srcp::{Sessions, Srcp, SrcpSetup};
use pacewright::station::{
    Action, CvPlace, Direction, LinkEvent, LinkOrder, OrderId, Session, Setting, StationEvent, StationMachine,
};
use pacewright::time::BenchTime;
use std::collections::BTreeSet;
use std::time::Duration;

const ANSWER_LIMIT: Duration = Duration::from_secs(2);
const CV_ANSWER_LIMIT: Duration = Duration::from_secs(60);
/// More wake-ups than this without an end of a wait mean that the client never comes to rest.
const MOST_WAKES: u32 = 20_000;
/// Orders of one script.
const MOST_ORDERS: u64 = 20;

/// Every order ends exactly once, within its limits, whatever the peer says.
pub fn station_lines(bytes: &[u8]) {
    let (sessions, bytes) = match bytes.strip_prefix(b"1") {
        Some(rest) => (Sessions::One, rest),
        None => (Sessions::Three, bytes),
    };
    let mut bench = Bench::new(sessions);
    bench.order(&Action::Attach);
    bench.order(&Action::TakeEngine);
    for line in bytes.split_inclusive(|byte| *byte == b'\n') {
        bench.line(line);
    }
    // Silence from here on: everything ends by its limits alone.
    let sent = u32::try_from(bench.orders).unwrap_or(u32::MAX);
    bench.wait((CV_ANSWER_LIMIT + ANSWER_LIMIT * 12) * sent);
    for order in 1..=bench.orders {
        assert!(bench.ended.contains(&order), "order {order} never ended");
    }
}

struct Bench {
    client: Srcp,
    now: BenchTime,
    orders: u64,
    ended: BTreeSet<u64>,
}

impl Bench {
    fn new(sessions: Sessions) -> Self {
        let client = Srcp::new(SrcpSetup {
            bus: 1,
            address: Address::Short(3),
            step_mode: 126,
            functions: 5,
            answer_limit: ANSWER_LIMIT,
            cv_answer_limit: CV_ANSWER_LIMIT,
            ask_interval: Duration::from_secs(1),
            sessions,
        });
        Self { client, now: BenchTime::ZERO, orders: 0, ended: BTreeSet::new() }
    }

    fn line(&mut self, line: &[u8]) {
        let told = line.strip_suffix(b"\n").unwrap_or(line);
        let rest = told.get(1..).unwrap_or_default();
        let number = || std::str::from_utf8(rest).ok().and_then(|digits| digits.parse::<u64>().ok());
        match told.first() {
            Some(b'w') if number().is_some() => {
                self.wait(Duration::from_millis(number().unwrap_or(0).min(200_000)));
            }
            Some(b'o') if number().is_some() => self.order(&action(number().unwrap_or(0))),
            Some(b'+') => {
                if let Some(session) = rest.first().and_then(|letter| session(*letter)) {
                    self.link(session, LinkEvent::Opened);
                }
            }
            Some(b'-') => {
                if let Some(session) = rest.first().and_then(|letter| session(*letter)) {
                    self.link(session, LinkEvent::Closed("reset"));
                }
            }
            Some(letter) => match session(letter.to_ascii_uppercase()) {
                Some(session) if letter.is_ascii_uppercase() => {
                    self.link(session, LinkEvent::Bytes(&[rest, b"\n"].concat()));
                }
                Some(session) => self.link(session, LinkEvent::Bytes(rest)),
                None => self.link(Session::Drive, LinkEvent::Bytes(line)),
            },
            None => self.link(Session::Drive, LinkEvent::Bytes(line)),
        }
    }

    fn order(&mut self, action: &Action) {
        if self.orders < MOST_ORDERS {
            self.orders += 1;
            self.client.submit(self.now, OrderId(self.orders), action);
            self.collect();
        }
    }

    fn link(&mut self, session: Session, event: LinkEvent<'_>) {
        self.client.handle_link(self.now, session, event);
        self.collect();
    }

    fn wait(&mut self, span: Duration) {
        let until = self.now + span;
        let mut wakes = 0;
        while let Some(due) = self.client.next_wake().filter(|due| *due <= until) {
            wakes += 1;
            assert!(due >= self.now && wakes < MOST_WAKES, "the client never comes to rest");
            self.now = due;
            self.client.handle_wake(due);
            self.collect();
        }
        self.now = until;
    }

    fn collect(&mut self) {
        loop {
            let mut opens = Vec::new();
            while let Some(link) = self.client.poll_link() {
                match link {
                    LinkOrder::Open(session) => opens.push(session),
                    LinkOrder::Send(_, bytes) => {
                        assert!(bytes.ends_with(b"\n") && bytes.is_ascii(), "{bytes:?}");
                    }
                    LinkOrder::Close(_) => {}
                }
            }
            while let Some(event) = self.client.poll_event() {
                if let StationEvent::Ended { order, .. } = event {
                    assert!(self.ended.insert(order.0), "order {} ended twice", order.0);
                }
            }
            if opens.is_empty() {
                return;
            }
            for session in opens {
                self.client.handle_link(self.now, session, LinkEvent::Opened);
            }
        }
    }
}

fn session(letter: u8) -> Option<Session> {
    match letter {
        b'D' => Some(Session::Drive),
        b'P' => Some(Session::Programming),
        b'I' => Some(Session::Information),
        b'R' => Some(Session::Rescue),
        _ => None,
    }
}

fn action(kind: u64) -> Action {
    let place = if kind.is_multiple_of(32) { CvPlace::Main } else { CvPlace::ProgrammingTrack };
    let value = u16::try_from(kind % 127).unwrap_or(0);
    match kind % 16 {
        0 => Action::WriteCv { place, cv: 5, value: 9 },
        1 => Action::Attach,
        2 => Action::TakeEngine,
        3 => Action::ReleaseEngine,
        4 => Action::PowerOn,
        5 => Action::PowerOff,
        6 => Action::AskPower,
        7 => Action::Functions { on: vec![true, false] },
        8 => Action::Stop,
        9 => Action::EmergencyStop,
        10 => Action::AskEngine,
        11 => Action::BeginProgramming,
        12 => Action::ReadCv { place, cv: 5 },
        13 => Action::VerifyCv { place, cv: 5, value: 9 },
        14 => Action::EndProgramming,
        _ => Action::Drive { setting: Setting { value, of: 126 }, direction: Direction::Forward },
    }
}
