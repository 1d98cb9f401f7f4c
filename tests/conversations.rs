//! Conversations with stations that answer wrongly, late, half or not at all: what was sent, what came instead of the
//! usual answer, how the orders ended, and what the person is told.
//!
//! The peer is a table of replies of its own and knows nothing of the client. Reply forms: the sheet of SRCP facts
//! (`standards/srcp.md`, A2 to A7 and the traps of A10); what a wrong station says is our own invention.
#![expect(clippy::unwrap_used, reason = "helpers of a test fail by panicking, as the tests do")]
use pacewright::config::{self, LinkSpec};
use pacewright::run::desk::Desk;
use pacewright::run::{Input, Output, RecordBody, RunOutcome, RunPlan};
use pacewright::station::{Action, LinkOrder, OrderEnd, OrderId, Session};
use pacewright::time::BenchTime;
use std::collections::{BTreeMap, VecDeque};
use std::fmt::Write as _;
use std::time::Duration;

/// What the peer does in place of its usual answer.
#[derive(Clone, Copy)]
enum Does {
    /// Says these lines.
    Says(&'static [&'static str]),
    /// Says these bytes, no line end added.
    Bytes(&'static [u8]),
    /// The first byte over and over, so many times, then a line end.
    Floods(u8, usize),
    /// Nothing.
    Nothing,
    /// Its usual answer, so much later.
    Late(Duration),
    /// Says these bytes and ends the connection.
    Ends(&'static [u8]),
}
use Does::{Bytes, Ends, Floods, Late, Nothing, Says};

/// A conversation: what it shows, when the peer errs, how often, and what it does.
struct Case {
    name: &'static str,
    /// Beginning of the command, or `connects`, `greets`, `drives`.
    at: &'static str,
    /// Only at the first such command, or only once the engine is driven; else always.
    when: When,
    does: Does,
    line: Line,
}

#[derive(Clone, Copy, PartialEq)]
enum When {
    Always,
    Once,
    Driving,
}

/// How the station is reached.
#[derive(Clone, Copy, PartialEq)]
enum Line {
    Network,
    Serial,
    /// Its greeting came before anybody listened.
    Unheard,
}

const fn case(name: &'static str, at: &'static str, does: Does) -> Case {
    Case { name, at, when: When::Always, does, line: Line::Network }
}

const fn once(name: &'static str, at: &'static str, does: Does) -> Case {
    Case { name, at, when: When::Once, does, line: Line::Network }
}

const fn serial(name: &'static str, at: &'static str, does: Does) -> Case {
    Case { name, at, when: When::Always, does, line: Line::Serial }
}

const fn unheard(name: &'static str, at: &'static str, does: Does) -> Case {
    Case { name, at, when: When::Always, does, line: Line::Unheard }
}

const fn driving(name: &'static str, at: &'static str, does: Does) -> Case {
    Case { name, at, when: When::Driving, does, line: Line::Serial }
}

const OPENS: &str = "connects";
const GREETS: &str = "greets";
const TAKES: &str = "INIT 1 GL";
const LOCKS: &str = "SET 1 LOCK";
const STANDS: &str = "SET 1 GL 4 1 0 ";
/// Any setting that moves the engine.
const DRIVES: &str = "drives";
/// Whatever is said.
const ALL: &str = "";
const READS: &str = "GET 1 SM -1 CV 29";
const NO_POWER: &[&str] = &["1.0 100 INFO 1 DESCRIPTION GL SM LOCK DESCRIPTION"];

/// What a fitting peer replies. `set`: how the engine is set; `cvs`: what its decoder holds.
fn usual(command: &str, set: &mut String, cvs: &mut BTreeMap<u16, u8>) -> String {
    let words: Vec<&str> = command.split(' ').collect();
    let number = |word: &str| word.parse::<u16>().unwrap();
    match words[..] {
        ["SET", "PROTOCOL", ..] => "1.0 201 OK PROTOCOL SRCP".into(),
        ["SET", "CONNECTIONMODE", ..] => "1.0 202 OK CONNECTIONMODE".into(),
        ["GO"] => "1.0 200 OK GO 7".into(),
        ["GET", "0", "SERVER"] => "1.0 100 INFO 0 SERVER RUNNING".into(),
        ["GET", "0", "DESCRIPTION"] => "1.0 100 INFO 0 DESCRIPTION SESSION SERVER".into(),
        ["GET", "1", "DESCRIPTION"] => "1.0 100 INFO 1 DESCRIPTION GL SM POWER LOCK DESCRIPTION".into(),
        ["GET", "1", "POWER"] => "1.0 100 INFO 1 POWER ON".into(),
        ["GET", "1", "GL", "4"] => format!("1.0 100 INFO 1 GL 4 {set}"),
        ["SET", "1", "GL", "4", ref setting @ ..] => {
            *set = setting.join(" ");
            "1.0 200 OK".into()
        }
        ["GET", "1", "SM", "-1", "CV", cv] => {
            let value = cvs.get(&number(cv)).copied().unwrap_or(10);
            format!("1.0 100 INFO 1 SM -1 CV {cv} {value}")
        }
        ["SET", "1", "SM", "-1", "CV", cv, value] => {
            cvs.insert(number(cv), value.parse().unwrap());
            "1.0 200 OK".into()
        }
        _ => "1.0 200 OK".into(),
    }
}

/// A setting above zero.
fn moves(command: &str) -> bool {
    let words: Vec<&str> = command.split(' ').collect();
    matches!(words[..], ["SET", _, "GL", _, _, value, ..] if value != "0")
}

/// A conversation under way.
struct Talk<'a> {
    case: &'a Case,
    desk: Desk,
    now: BenchTime,
    coming: VecDeque<(BenchTime, Input)>,
    open: Vec<Session>,
    set: String,
    cvs: BTreeMap<u16, u8>,
    driven: bool,
    ending: bool,
    erred: u32,
    drives_after: u32,
    text: String,
    actions: BTreeMap<OrderId, Action>,
    ends: Vec<String>,
    outcome: Option<Box<RunOutcome>>,
    samples: u64,
}

impl<'a> Talk<'a> {
    fn new(case: &'a Case) -> Self {
        let mut spec = config::read("lapwing.toml", include_str!("../scenarios/lapwing.toml")).unwrap();
        spec.functions.on.truncate(1);
        // Nothing is waited for: what the person is told of each is what this table is for.
        spec.limits.reconnect = Duration::ZERO;
        if case.line != Line::Network {
            spec.station.link = LinkSpec::Serial { device: "/dev/ttyS0".into(), baud: 115_200 };
        }
        Self {
            case,
            desk: Desk::new(RunPlan::new(spec)),
            now: BenchTime::ZERO,
            coming: VecDeque::new(),
            open: Vec::new(),
            set: "1 0 28 0".into(),
            driven: false,
            ending: false,
            cvs: BTreeMap::from([(1, 4), (17, 192), (18, 3), (19, 0), (20, 0), (29, 6)]),
            erred: 0,
            drives_after: 0,
            text: String::new(),
            actions: BTreeMap::new(),
            ends: Vec::new(),
            outcome: None,
            samples: 0,
        }
    }

    /// Until the run has ended, or has gone on to drive as if nothing had been. Half a bench hour at most.
    fn play(mut self) -> String {
        self.feed(&Input::Wake);
        while self.outcome.is_none() && !self.goes_on() {
            let sample = BenchTime::from_nanos((self.samples + 1) * 20_000_000);
            let next = [self.desk.next_wake(), self.coming.front().map(|(at, _)| *at)];
            let next = next.into_iter().flatten().fold(sample, BenchTime::min).max(self.now);
            assert!(
                next < BenchTime::from_millis(1_800_000),
                "{} does not end: {}",
                self.case.name,
                self.text
            );
            self.now = next;
            if self.coming.front().is_some_and(|(at, _)| *at <= next) {
                let (_, input) = self.coming.pop_front().unwrap();
                self.feed(&input);
            } else if self.desk.next_wake().is_some_and(|at| at <= next) {
                self.feed(&Input::Wake);
            } else {
                self.sample();
            }
        }
        self.told()
    }

    /// It erred, and the run did not mind.
    fn goes_on(&self) -> bool {
        match (self.case.when, self.case.at) {
            _ if self.ending => false,
            (When::Driving, _) => self.erred > 3,
            (_, DRIVES) => self.drives_after > 2,
            _ => self.drives_after > 0,
        }
    }

    /// A sensor beside an axle that stands: its field and a little noise.
    fn sample(&mut self) {
        self.samples += 1;
        let noise = |k: u64| (((self.samples * k * 2_654_435_761) >> 16) & 7) as f64 * 0.001;
        let (x, y, z) = (12.0 + noise(1), -3.0 + noise(3), 30.0 + noise(7));
        let line = format!("{},{x:.3},{y:.3},{z:.3}\n", self.samples * 20_000);
        self.feed(&Input::SensorBytes(line.into_bytes()));
    }

    fn feed(&mut self, input: &Input) {
        self.desk.handle(self.now, input);
        while let Some(output) = self.desk.poll_output() {
            match output {
                Output::OpenSensor => {
                    self.comes(Duration::ZERO, Input::SensorOpened);
                    self.comes(Duration::ZERO, Input::SensorBytes(b"t_us,bx,by,bz\n".to_vec()));
                }
                Output::Link(LinkOrder::Open(session)) => self.opens(session),
                Output::Link(LinkOrder::Close(session)) => self.closes(session),
                Output::Link(LinkOrder::Send(session, bytes)) => {
                    let line = String::from_utf8(bytes).unwrap();
                    self.hears(session, line.trim_end());
                }
                Output::Record(record) => {
                    match record.body {
                        RecordBody::Ordered { order, action, .. } => _ = self.actions.insert(order, action),
                        RecordBody::Ending(_) => self.ending = true,
                        RecordBody::OrderEnded { order, end } => self.order_ended(order, &end),
                        _ => {}
                    }
                    self.comes(Duration::ZERO, Input::Journal { written: record.n, synced: record.n });
                }
                Output::Progress(_) => {}
                Output::Ended(outcome) => self.outcome = Some(outcome),
            }
        }
    }

    fn comes(&mut self, after: Duration, input: Input) {
        let at = self.now + after;
        let place = self.coming.iter().position(|(due, _)| *due > at).unwrap_or(self.coming.len());
        self.coming.insert(place, (at, input));
    }

    fn opens(&mut self, session: Session) {
        self.open.push(session);
        if !self.errs(session, OPENS) {
            self.comes(Duration::from_millis(1), Input::StationOpened(session));
            if self.case.line != Line::Unheard && !self.errs(session, GREETS) {
                self.says(session, Duration::from_millis(2), b"Harbour; SRCP 0.8.4; SRCPOTHER 0.8.3\n");
            }
        }
    }

    fn closes(&mut self, session: Session) {
        self.open.retain(|open| *open != session);
        self.coming.retain(|(_, input)| !matches!(input,
            Input::StationOpened(of) | Input::StationBytes(of, _) | Input::StationClosed(of, _) if *of == session));
    }

    fn says(&mut self, session: Session, after: Duration, bytes: &[u8]) {
        self.comes(after, Input::StationBytes(session, bytes.to_vec()));
    }

    fn hears(&mut self, session: Session, command: &str) {
        self.driven |= moves(command);
        if self.erred > 0 && moves(command) {
            self.drives_after += 1;
        }
        // An empty line on a serial port asks for nothing.
        if !command.is_empty() && !self.errs(session, command) {
            let reply = usual(command, &mut self.set, &mut self.cvs) + "\n";
            self.says(session, Duration::from_millis(2), reply.as_bytes());
        }
    }

    /// Whether it is here that the peer errs; if so, it does.
    fn errs(&mut self, session: Session, command: &str) -> bool {
        let hit = match self.case.at {
            DRIVES => moves(command),
            at if command == GREETS || command == OPENS => command == at,
            at => command.starts_with(at),
        };
        let due = match self.case.when {
            When::Always => true,
            When::Once => self.erred == 0,
            When::Driving => self.driven,
        };
        if !hit || !due {
            return false;
        }
        self.erred += 1;
        let soon = Duration::from_millis(2);
        let came = match self.case.does {
            Says(lines) => {
                for line in lines {
                    self.says(session, soon, format!("{line}\n").as_bytes());
                }
                lines.join("\n< ")
            }
            Bytes(bytes) => {
                self.says(session, soon, bytes);
                format!("bytes {:?}", String::from_utf8_lossy(bytes))
            }
            Floods(byte, count) => {
                let mut bytes = vec![byte; count];
                bytes.push(b'\n');
                self.says(session, soon, &bytes);
                format!("{count} times {:?} and a line end", char::from(byte))
            }
            Nothing => "nothing".into(),
            Late(span) => {
                let reply = if command == GREETS {
                    "SRCP 0.8.4".into()
                } else {
                    usual(command, &mut self.set, &mut self.cvs)
                };
                self.says(session, span, format!("{reply}\n").as_bytes());
                format!("{reply} after {span:?}")
            }
            Ends(bytes) => {
                if !bytes.is_empty() {
                    self.says(session, soon, bytes);
                }
                self.comes(soon, Input::StationClosed(session, "closed by the station".into()));
                format!("{:?}, then the end of the connection", String::from_utf8_lossy(bytes))
            }
        };
        if self.erred == 1 {
            writeln!(self.text, "> {command}\n< {came}").unwrap();
        }
        true
    }

    fn order_ended(&mut self, order: OrderId, end: &OrderEnd) {
        let end = match end {
            OrderEnd::Done { .. } => return,
            OrderEnd::Refused { code, words } => format!("refused, {code}: {words}"),
            OrderEnd::Unknown { why } => format!("unknown: {why}"),
        };
        let action = match &self.actions[&order] {
            Action::Functions { .. } => "Functions".to_owned(),
            action => format!("{action:?}"),
        };
        let line = format!("{action}: {end}");
        if !self.ends.contains(&line) {
            self.ends.push(line);
        }
    }

    /// What is to be read.
    fn told(mut self) -> String {
        assert!(self.erred > 0, "{}: the peer never came to err", self.case.name);
        // What follows while the stop is tried again and again says the same once more.
        for end in self.ends.iter().take(5) {
            writeln!(self.text, "{end}").unwrap();
        }
        match self.outcome {
            None => writeln!(self.text, "The run goes on.").unwrap(),
            Some(outcome) => {
                writeln!(self.text, "{:?}, stop {:?}", outcome.outcome, outcome.stop).unwrap();
                for reason in &outcome.reasons {
                    writeln!(self.text, "{}: {} [{}]", reason.code, reason.text, reason.evidence).unwrap();
                }
            }
        }
        self.text
    }
}

const CASES: &[Case] = &[
    // Connecting and greeting.
    case("no connection", OPENS, Ends(b"")),
    case("a connection that never comes", OPENS, Nothing),
    case("no greeting", GREETS, Nothing),
    case("a greeting after a second and a half", GREETS, Late(Duration::from_millis(1500))),
    case("a greeting too late", GREETS, Late(Duration::from_secs(4))),
    case("another service greets", GREETS, Says(&["220 mail ready"])),
    case("a web server greets", GREETS, Says(&["HTTP/1.1 400 Bad Request"])),
    case("a greeting of an older version", GREETS, Says(&["Harbour; SRCP 0.7.3"])),
    case("a greeting of several lines", GREETS, Says(&["SRCP 0.8.4", "Welcome to the harbour"])),
    case(
        "a greeting with repeated keys and no blanks",
        GREETS,
        Says(&["Harbour;SRCP 0.8.2;SRCPOTHER 0.8.3;SRCPOTHER 0.8.4"]),
    ),
    case("a greeting without a version", GREETS, Says(&["SRCP"])),
    case("half a greeting, then the end", GREETS, Ends(b"Harbour; SR")),
    case("an over-long greeting", GREETS, Floods(b'S', 5000)),
    case("a greeting that is not UTF-8", GREETS, Bytes(b"Harbour \xff\xfe; SRCP 0.8.4\n")),
    // Handshake.
    case(
        "no choice of version, version known",
        "SET PROTOCOL",
        Says(&["1.0 400 ERROR unsupported protocol"]),
    ),
    case("silence to the choice of version", "SET PROTOCOL", Nothing),
    case(
        "no information mode",
        "SET CONNECTIONMODE SRCP INFO",
        Says(&["1.0 401 ERROR unsupported connection mode"]),
    ),
    case("silence to information mode", "SET CONNECTIONMODE SRCP INFO", Nothing),
    case(
        "no command mode by name",
        "SET CONNECTIONMODE SRCP COMMAND",
        Says(&["1.0 401 ERROR unsupported connectionmode"]),
    ),
    case("202, first spelling", "SET CONNECTIONMODE", Says(&["1.0 202 OK CONNECTIONMODEOK"])),
    case("202, second spelling", "SET CONNECTIONMODE", Says(&["1.0 202 OK CONNECTION MODE"])),
    case("202, third spelling", "SET CONNECTIONMODE", Says(&["1.0 202 OK CONNECTIONMODE"])),
    case("a full server", "GO", Says(&["1.0 500 ERROR out of ressources"])),
    case("GO refused", "GO", Says(&["1.0 402 ERROR unsufficient data"])),
    case("silence to GO", "GO", Nothing),
    case("GO answered without id and time stamp", "GO", Says(&["200 OK"])),
    case("noise before the answer to GO", "GO", Says(&["noise", "1.0 200 OK GO 7"])),
    // Attaching.
    case("no DESCRIPTION", "GET 1 DESCRIPTION", Says(&["1.0 423 ERROR unsupported operation"])),
    case("silence to DESCRIPTION", "GET 1 DESCRIPTION", Nothing),
    case(
        "DESCRIPTION of another bus",
        "GET 1 DESCRIPTION",
        Says(&["1.0 100 INFO 2 DESCRIPTION GL SM POWER"]),
    ),
    case("the connection ends at DESCRIPTION", "GET 1 DESCRIPTION", Ends(b"1.0 100 INFO 1 DESC")),
    case(
        "a bus without engines",
        "GET 1 DESCRIPTION",
        Says(&["1.0 100 INFO 1 DESCRIPTION GA FB DESCRIPTION"]),
    ),
    case("no POWER", "GET 1 DESCRIPTION", Says(NO_POWER)),
    case("no LOCK", "GET 1 DESCRIPTION", Says(&["1.0 100 INFO 1 DESCRIPTION GL SM POWER"])),
    case("no SM", "GET 1 DESCRIPTION", Says(&["1.0 100 INFO 1 DESCRIPTION GL POWER LOCK"])),
    case("POWER that is neither on nor off", "GET 1 POWER", Says(&["1.0 100 INFO 1 POWER MAYBE"])),
    // Taking the engine.
    case("wrong bus", "INIT 1 GL", Says(&["1.0 412 ERROR wrong value"])),
    case("no such device protocol", TAKES, Says(&["1.0 420 ERROR unsupported device protocol"])),
    case("engine already announced", TAKES, Says(&["1.0 424 ERROR device reinitialized"])),
    case("engine locked by another", TAKES, Says(&["1.0 414 ERROR device locked"])),
    case("lock held by another", LOCKS, Says(&["1.0 414 ERROR device locked"])),
    case("no lock, though offered", LOCKS, Says(&["1.0 422 ERROR unsupported device group"])),
    case("setting of another engine", "GET 1 GL 4", Says(&["1.0 100 INFO 1 GL 7 1 0 28 0"])),
    case("no data of an engine never driven", "GET 1 GL 4", Says(&["1.0 416 ERROR no data"])),
    case("speed on another scale", "GET 1 GL 4", Says(&["1.0 100 INFO 1 GL 4 1 0 1000 0"])),
    // Setting and driving.
    case("power stays off", "SET 1 POWER ON", Says(&["1.0 413 ERROR temporarily prohibited"])),
    case("setting refused", STANDS, Says(&["1.0 421 ERROR unsupported device"])),
    case("missing time stamps", STANDS, Says(&["200 OK"])),
    case("whole seconds, runs of blanks, CR", STANDS, Says(&["\r1099501615 \t 200   OK \r"])),
    case("wrong code: a value where a yes was due", DRIVES, Says(&["1.0 100 INFO 1 GL 4 1 1 28 0"])),
    case("code of no class", DRIVES, Says(&["1.0 300 OK"])),
    case("silence to driving", DRIVES, Nothing),
    case("late reply to driving", DRIVES, Late(Duration::from_secs(3))),
    case("slow reply to driving", DRIVES, Late(Duration::from_millis(1800))),
    case("driving forbidden", DRIVES, Says(&["1.0 415 ERROR forbidden"])),
    case("driving locked by another", DRIVES, Says(&["1.0 414 ERROR device locked"])),
    case("over-long line while driving", DRIVES, Floods(b'x', 5000)),
    case("not UTF-8 while driving", DRIVES, Bytes(b"1.0 200 \xff\xfe\n")),
    case("half a line while driving", DRIVES, Bytes(b"1.0 200 O")),
    case("half a line, then the end", DRIVES, Ends(b"1.0 200 O")),
    once("one reply too many while driving", DRIVES, Says(&["1.0 200 OK", "1.0 200 OK"])),
    // Programming.
    case("programming refused", "INIT 1 SM", Says(&["1.0 425 ERROR not supported"])),
    case("silence to programming", "INIT 1 SM", Nothing),
    case("nobody acknowledges", "GET 1 SM", Says(&["1.0 416 ERROR no data"])),
    once("nobody acknowledges once", READS, Says(&["1.0 416 ERROR no data"])),
    case("silence to a reading", READS, Nothing),
    case("CV value out of range", READS, Says(&["1.0 100 INFO 1 SM -1 CV 29 256"])),
    case("value of another CV", READS, Says(&["1.0 100 INFO 1 SM -1 CV 95 6"])),
    case("value from the main", READS, Says(&["1.0 100 INFO 1 SM 1234 CV 29 6"])),
    case("value of another bus", READS, Says(&["1.0 100 INFO 2 SM -1 CV 29 6"])),
    case("wrong order: a yes in place of the value", READS, Says(&["1.0 200 OK"])),
    case("reply to another command", READS, Says(&["1.0 100 INFO 1 POWER ON"])),
    once("one reading answered oddly", READS, Says(&["1.0 200 OK"])),
    case("programming track said as address 0", READS, Says(&["1.0 100 INFO 1 SM 0 CV 29 6"])),
    case("writing refused", "SET 1 SM", Says(&["1.0 412 ERROR wrong value"])),
    case("the connection ends while reading", READS, Ends(b"")),
    // A serial port.
    unheard("serial: noise at whatever is said", ALL, Bytes(b"\x00\xf8\x80\n\x1f\xe6")),
    unheard("serial: nothing at all", ALL, Nothing),
    serial("serial: no greeting, an earlier session stands", GREETS, Nothing),
    unheard("serial: no greeting, handshake mode", "GET 0 SERVER", Says(&["1.0 410 ERROR unknown command"])),
    unheard(
        "serial: answers of an earlier session first",
        "GET 0 SERVER",
        Says(&["1.0 200 OK", "1.0 416 ERROR no data", "1.0 100 INFO 0 SERVER RUNNING"]),
    ),
    unheard(
        "serial: no question of ours is known",
        "GET 0",
        Says(&["1.0 422 ERROR unsupported device group"]),
    ),
    serial("serial: wrong speed", GREETS, Bytes(b"\x00\xf8\x80\x1f\xe6\n\x9e\xfe\x00\x06\x98")),
    unheard("serial: another device", ALL, Says(&["t_us,bx,by,bz", "1000,0.1,0.2,0.3"])),
    serial(
        "serial: left-over lines before the greeting",
        GREETS,
        Says(&["00 OK", "1.0 419 ERROR list too short", "Harbour; SRCP 0.8.4"]),
    ),
    serial("serial: half a line glued to the greeting", GREETS, Bytes(b"1.0 20Harbour; SRCP 0.8.3\n")),
    serial("serial: silence to driving", DRIVES, Nothing),
    serial("serial: silence to a reading", READS, Nothing),
    serial("serial: a damaged answer to driving", DRIVES, Bytes(b"1.0 2\xff0 OK\n")),
    driving("serial: power off, told when asked", "GET 1 POWER", Says(&["1.0 100 INFO 1 POWER OFF SHORT"])),
    driving(
        "serial: another throttle, told when asked",
        "GET 1 GL 4",
        Says(&["1.0 100 INFO 1 GL 4 0 20 28 0"]),
    ),
    driving(
        "serial: power not told while driving",
        "GET 1 POWER",
        Says(&["1.0 413 ERROR temporarily prohibited"]),
    ),
    serial("serial: unplugged while driving", DRIVES, Ends(b"")),
];

#[test]
fn wrong_conversations_and_what_the_person_is_told() {
    assert!(CASES.len() >= 40);
    let told: Vec<String> =
        CASES.iter().map(|case| format!("## {}\n{}", case.name, Talk::new(case).play())).collect();
    insta::assert_snapshot!(told.join("\n"));
}
