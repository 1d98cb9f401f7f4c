//! Service mode (SM): decoder address 0 or -1 is the programming track, a positive one the main (standards/srcp.md A6).
//!
//! Rules of this server where the sheet leaves them open: before INIT everything is refused 412; no acknowledgement is
//! 416, a VERIFY that does not agree 412; on the main only SET exists (else 423); while the rail serves programming,
//! and while it is dead, the main is refused 413; main traffic stops with the first job on the programming track and
//! comes back, with the speeds as they were, at TERM.
use super::super::packet::TrackAddress;
use super::super::service::Task;
use super::state::{Answer, BUS, Caller, Pending, Reply, State};
use super::words::{Refusal, number, ranged};

/// What is addressed in a decoder.
#[derive(Clone, Copy)]
struct Target {
    cv: u16,
    bit: Option<u8>,
}

impl State {
    pub(super) fn service_mode(&mut self, caller: Caller, verb: &str, words: &[&str]) -> Reply {
        match verb {
            "INIT" => self.begin_programming(caller, words),
            "TERM" => {
                self.end_programming();
                Ok(Answer::done())
            }
            "SET" | "GET" | "VERIFY" => self.program(caller, verb, words),
            _ => Err(Refusal::UNSUPPORTED_OPERATION),
        }
    }

    fn begin_programming(&mut self, caller: Caller, words: &[&str]) -> Reply {
        match words.get(3).copied() {
            Some("NMRA") => {}
            Some(_) => return Err(Refusal::UNSUPPORTED_PROTOCOL),
            None => return Err(Refusal::TOO_SHORT),
        }
        if self.programming.replace(caller.session).is_none() {
            self.news.push(format!("101 INFO {BUS} SM NMRA"));
        }
        Ok(Answer::done())
    }

    pub(super) fn end_programming(&mut self) {
        self.track.leave_service();
        self.track.keep_sending(self.now);
        if self.programming.take().is_some() {
            self.news.push(format!("102 INFO {BUS} SM"));
        }
    }

    fn program(&mut self, caller: Caller, verb: &str, words: &[&str]) -> Reply {
        if self.programming.is_none() {
            return Err(Refusal::WRONG_VALUE);
        }
        let place: i32 = number(words, 3)?;
        if !(-1..=10_239).contains(&place) {
            return Err(Refusal::WRONG_VALUE);
        }
        let (target, values_at) = target(words)?;
        let value = match (verb, target.bit) {
            ("GET", _) => 0,
            (_, Some(_)) => u8::try_from(ranged(words, values_at, 0, 1)?).unwrap_or(0),
            (_, None) => u8::try_from(ranged(words, values_at, 0, 255)?).unwrap_or(0),
        };
        if self.track.busy() {
            return Err(Refusal::NOT_NOW);
        }
        let task = match u16::try_from(place) {
            Ok(address @ 1..) => self.main_task(verb, address, target, value)?,
            _ => track_task(verb, target, value),
        };
        let named = words[3..values_at].join(" ");
        let reads = verb == "GET";
        let tail = if reads { String::new() } else { format!(" {value}") };
        let pending = Pending {
            conn: caller.conn,
            tells: format!("100 INFO {BUS} SM {named}{tail}"),
            reads,
            changes: verb == "SET",
            on_silence: if verb == "VERIFY" { Refusal::WRONG_VALUE } else { Refusal::NO_DATA },
        };
        Ok(self.begin_job(task, pending))
    }

    fn main_task(&self, verb: &str, number: u16, target: Target, value: u8) -> Result<Task, Refusal> {
        if verb != "SET" {
            return Err(Refusal::UNSUPPORTED_OPERATION);
        }
        if self.track.in_service() || !self.track.powered() {
            return Err(Refusal::NOT_NOW);
        }
        let long = self.track.slot(number).map_or(number > 127, |slot| slot.address.long);
        let address = TrackAddress { number, long };
        let cv = target.cv;
        Ok(match target.bit {
            None => Task::MainWrite { address, cv, value },
            Some(bit) => Task::MainWriteBit { address, cv, bit, on: value == 1 },
        })
    }
}

/// The type, CV and bit of a line, and where its values begin.
fn target(words: &[&str]) -> Result<(Target, usize), Refusal> {
    match words.get(4).copied() {
        Some("CV") => Ok((Target { cv: ranged(words, 5, 1, 1024)?, bit: None }, 6)),
        Some("CVBIT") => {
            let bit = u8::try_from(ranged(words, 6, 0, 7)?).unwrap_or(0);
            Ok((Target { cv: ranged(words, 5, 1, 1024)?, bit: Some(bit) }, 7))
        }
        Some("REG" | "PAGE") => Err(Refusal::NOT_SUPPORTED),
        Some(_) => Err(Refusal(411)),
        None => Err(Refusal::TOO_SHORT),
    }
}

fn track_task(verb: &str, Target { cv, bit }: Target, value: u8) -> Task {
    let on = value == 1;
    match (verb, bit) {
        ("GET", None) => Task::Read { cv },
        ("GET", Some(bit)) => Task::ReadBit { cv, bit },
        ("SET", None) => Task::Write { cv, value },
        ("SET", Some(bit)) => Task::WriteBit { cv, bit, on },
        (_, None) => Task::Verify { cv, value },
        (_, Some(bit)) => Task::VerifyBit { cv, bit, on },
    }
}
