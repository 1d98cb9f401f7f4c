//! The handshake over a line that carries one session: a serial port.
//!
//! The protocol as we have it knows only network connections, which begin with a greeting and end the session when they
//! end (`standards/srcp.md` A2). A serial line has neither. What follows is our own convention:
//!
//! 1. An empty line ends whatever half line an earlier program left behind.
//! 2. A greeting is waited for, for half of the answer limit. It leads to the usual handshake.
//! 3. Without one, a harmless question about bus 0 is asked. A fitting answer means that an earlier session still stands
//!    in command mode, and it is carried on. 410 is what a server says that still waits for the handshake: its greeting
//!    came when nobody listened, and the handshake goes on as if it had been heard.
//! 4. The same question ends the usual handshake. Only its own answer makes the session ready, so an answer that is left
//!    over from before is never taken for one of ours. Two questions take turns, because an answer to the last opening's
//!    question may be left over too.
//!
//! The half line is carried out as far as the station understands it. It was written by a program that died while it wrote;
//! whoever attaches sets the speed to zero before anything else.
//!
//! Lines that fit nothing are noted and passed over until then. A reply whose code may belong to something older is
//! believed only when the time of its step is over and nothing better came.
use super::Srcp;
use super::handshake::{self, Stage, Step};
use super::lines::{Line, is_readable};
use super::reply::{Reply, Welcome};
use crate::cause::station as cause;
use crate::station::{LinkOrder, Session};
use crate::time::BenchTime;

/// The questions that take turns, by the device group that their answers name.
const QUESTIONS: [&str; 2] = ["DESCRIPTION", "SERVER"];

/// At least this part of what came must be no text to be called gibberish. A port at the wrong speed gives bytes of every
/// value, of which more than half are none; a name in a greeting holds a few.
const GIBBERISH_PART: u32 = 5;

/// Bytes of gibberish that are quoted.
const STRANGE_BYTES: usize = 16;

/// Said in handshake mode to everything that is no handshake.
const UNKNOWN_COMMAND: u16 = 410;

/// What came on the line since it was opened.
#[derive(Debug, Default)]
pub(super) struct Heard {
    bytes: u32,
    /// Control characters and bytes beyond ASCII.
    no_text: u32,
    /// From the first byte that is no text on, as much as is quoted.
    strange: Vec<u8>,
    /// The first line that is no reply.
    foreign: Option<String>,
    /// A reply that may belong to this step or to something older.
    doubtful: Option<String>,
    /// The question was asked before the handshake, and its answer may still come.
    asked_early: bool,
    /// Openings and turns so far: which question comes next.
    turn: usize,
}

impl Heard {
    /// The line was opened.
    fn begin(&mut self) {
        *self = Self { turn: self.turn, ..Self::default() };
    }

    /// Counts bytes.
    pub(super) fn count(&mut self, bytes: &[u8]) {
        for byte in bytes {
            self.bytes = self.bytes.saturating_add(1);
            let text = byte.is_ascii_graphic() || matches!(byte, b' ' | b'\t' | b'\r' | b'\n');
            self.no_text = self.no_text.saturating_add(u32::from(!text));
            if self.no_text > 0 && self.strange.len() < STRANGE_BYTES {
                self.strange.push(*byte);
            }
        }
    }

    fn is_gibberish(&self) -> bool {
        self.no_text > 0 && self.no_text.saturating_mul(GIBBERISH_PART) >= self.bytes
    }
}

/// Codes that belong to this step and to nothing else that was sent.
fn is_plain(stage: Stage, code: u16) -> bool {
    match stage {
        Stage::Protocol => matches!(code, 201 | 400),
        Stage::Mode => matches!(code, 202 | 401),
        Stage::Go { .. } => matches!(code, 200 | 402 | 500),
        _ => false,
    }
}

impl Srcp {
    /// The line is open.
    pub(super) fn line_opened(&mut self, at: BenchTime) {
        let deadline = at + self.setup.answer_limit / 2;
        let wire = self.wire(Session::Drive);
        wire.heard.begin();
        wire.welcome = None;
        wire.step(Stage::Greeting, deadline);
        self.links.push_back(LinkOrder::Send(Session::Drive, b"\n".to_vec()));
    }

    /// A line that came before the session is ready.
    pub(super) fn line_shaken(&mut self, stage: Stage, line: &Line) -> Step {
        let wire = self.wire(Session::Drive);
        let before = matches!(stage, Stage::Greeting | Stage::Asking { greeted: false });
        if before && line.welcome().is_some() {
            let (welcome, step) = handshake::welcomed(Session::Drive, line);
            wire.welcome = welcome;
            return step;
        }
        let Some(reply) = line.reply() else {
            // Gibberish holds line ends by chance: only what can be read tells that somebody else is there.
            if matches!(line, Line::Text(text) if is_readable(text)) {
                wire.heard.foreign.get_or_insert_with(|| line.quoted());
            }
            return Step::Odd;
        };
        let answers = self.answers_question(&reply);
        match stage {
            Stage::Asking { .. } if answers => Step::Ready(self.wire(Session::Drive).id),
            Stage::Asking { greeted: false } if reply.code == UNKNOWN_COMMAND => self.suppose_greeting(),
            // The station stands in command mode after all, and may still answer to the steps of the handshake.
            _ if answers => self.question(true),
            _ if is_plain(stage, reply.code) => self.line_replied(stage, &reply),
            _ => {
                let refusal_only = matches!(stage, Stage::Asking { .. });
                if reply.is_refusal() || (reply.is_ok() && !refusal_only) {
                    self.wire(Session::Drive).heard.doubtful = Some(line.quoted());
                }
                Step::Odd
            }
        }
    }

    /// The time of a step is over. None: nothing came that leads further.
    pub(super) fn line_due(&mut self, stage: Stage) -> Option<Step> {
        let wire = self.wire(Session::Drive);
        match (stage, wire.heard.doubtful.take()) {
            (Stage::Greeting, _) => Some(self.question(false)),
            (Stage::Asking { .. }, Some(_)) => Some(Step::Ready(wire.id)),
            (Stage::Asking { greeted: false }, None) => self.not_a_station(),
            (Stage::Protocol | Stage::Mode | Stage::Go { .. }, Some(line)) => {
                Some(self.line_replied(stage, &Reply::parse(&line)?))
            }
            _ => None,
        }
    }

    /// The usual table, with the question behind its end.
    fn line_replied(&mut self, stage: Stage, reply: &Reply<'_>) -> Step {
        let wire = self.wire(Session::Drive);
        wire.heard.doubtful = None;
        let Some(welcome) = &wire.welcome else { return Step::Odd };
        match handshake::replied(Session::Drive, stage, welcome, reply) {
            Step::Ready(id) => {
                wire.id = id;
                self.question(true)
            }
            step => step,
        }
    }

    /// Asks what only a session in command mode answers.
    fn question(&mut self, greeted: bool) -> Step {
        let heard = &mut self.wire(Session::Drive).heard;
        heard.turn = (heard.turn + 1) % QUESTIONS.len();
        heard.asked_early |= !greeted;
        heard.doubtful = None;
        Step::Send(Stage::Asking { greeted }, format!("GET 0 {}", QUESTIONS[heard.turn]))
    }

    /// Whether it answers the question that was asked last on this opening.
    fn answers_question(&self, reply: &Reply<'_>) -> bool {
        let wire = &self.wires[Session::Drive as usize];
        let asked = wire.heard.asked_early || matches!(wire.stage, Stage::Asking { .. });
        let group = QUESTIONS[wire.heard.turn];
        asked && reply.is_value() && reply.device().is_some_and(|(bus, named, _)| bus == 0 && named == group)
    }

    /// The greeting came when nobody listened.
    fn suppose_greeting(&mut self) -> Step {
        let (welcome, step) = Welcome::supposed();
        self.wire(Session::Drive).welcome = Some(welcome);
        Step::Send(Stage::Protocol, step)
    }

    /// Neither greeting nor answer. What came instead names the cause; stray replies alone do not.
    fn not_a_station(&self) -> Option<Step> {
        let wire = &self.wires[Session::Drive as usize];
        let foreign = wire.heard.foreign.is_some();
        if wire.heard.is_gibberish() || (!foreign && !wire.heard.strange.is_empty()) {
            let words: Vec<String> = wire.heard.strange.iter().map(|byte| format!("{byte:02X}")).collect();
            return Some(Step::Fail { code: cause::LINE_GIBBERISH.code.to_owned(), words: words.join(" ") });
        }
        let words = wire.heard.foreign.clone().or_else(|| wire.framer.half_foreign())?;
        Some(Step::Fail { code: cause::STATION_NOT_SRCP.code.to_owned(), words })
    }
}
