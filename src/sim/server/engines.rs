//! Generic locomotives (GL): announce, drive, ask, give up (standards/srcp.md A5).
//!
//! Rules of this server where the sheet leaves them open, all marked as derived there: `step = clamp(floor(V S / V_max),
//! 1, S)` for V > 0; V beyond `V_max` is refused; `V_max` 0 means V is a step; after an emergency stop mode 2 and V 0 are
//! reported while the direction is kept inside; SET before INIT is refused; TERM does not stop the engine.
use super::super::packet::{Speed, TrackAddress};
use super::super::track::Slot;
use super::state::{Answer, BUS, Caller, Reply, State};
use super::words::{Refusal, number, ranged};
use crate::time::BenchTime;
use std::fmt::Write;

const MOST_FUNCTIONS: u16 = 29;

/// An engine as announced and as last set.
#[derive(Clone, Debug)]
pub(super) struct Record {
    protocol_version: u16,
    speed_steps: u16,
    function_count: u16,
    mode: u16,
    v: u32,
    v_max: u32,
    pub(super) since: BenchTime,
}

impl Record {
    /// Tail of the 101 line.
    pub(super) fn announced(&self) -> String {
        format!("N {} {} {}", self.protocol_version, self.speed_steps, self.function_count)
    }

    fn moving_steps(&self) -> u16 {
        if self.speed_steps == 128 { 126 } else { self.speed_steps }
    }

    fn step(&self) -> u16 {
        let steps = self.moving_steps();
        if self.v == 0 {
            return 0;
        }
        let wide = if self.v_max == 0 {
            u64::from(self.v)
        } else {
            u64::from(self.v) * u64::from(steps) / u64::from(self.v_max)
        };
        u16::try_from(wide).unwrap_or(steps).clamp(1, steps)
    }

    fn speed(&self) -> Speed {
        match (self.mode, self.step()) {
            (2, _) => Speed::Emergency,
            (_, 0) => Speed::Stand,
            (_, step) => Speed::Step(step),
        }
    }
}

impl State {
    pub(super) fn locomotive(&mut self, caller: Caller, verb: &str, words: &[&str]) -> Reply {
        let address = ranged(words, 3, 1, 10_239)?;
        match verb {
            "GET" => Ok(Answer::Say(self.engine_line(address).ok_or(Refusal::NO_DATA)?)),
            "INIT" => {
                self.may_touch(caller, address)?;
                self.announce(address, words)
            }
            "SET" => {
                self.may_touch(caller, address)?;
                self.drive(address, words)
            }
            "TERM" => {
                self.may_touch(caller, address)?;
                self.engines.remove(&address).ok_or(Refusal::NO_DATA)?;
                self.track.drop_slot(address);
                self.news.push(format!("102 INFO {BUS} GL {address}"));
                Ok(Answer::done())
            }
            _ => Err(Refusal::UNSUPPORTED_OPERATION),
        }
    }

    fn announce(&mut self, address: u16, words: &[&str]) -> Reply {
        match words.get(4).copied() {
            Some("N" | "P") => {}
            Some(_) => return Err(Refusal::UNSUPPORTED_PROTOCOL),
            None => return Err(Refusal::TOO_SHORT),
        }
        let protocol_version = ranged(words, 5, 1, 2)?;
        let speed_steps = number(words, 6)?;
        let function_count = ranged(words, 7, 0, MOST_FUNCTIONS)?;
        if ![14, 28, 128].contains(&speed_steps) || (protocol_version == 1 && address > 127) {
            return Err(Refusal::WRONG_VALUE);
        }
        let known = self.engines.contains_key(&address);
        self.announce_engine(address, protocol_version, speed_steps, function_count);
        if known && self.spec.says_reinitialized { Err(Refusal::REINITIALIZED) } else { Ok(Answer::done()) }
    }

    fn announce_engine(
        &mut self,
        address: u16,
        protocol_version: u16,
        speed_steps: u16,
        function_count: u16,
    ) {
        let record = Record {
            protocol_version,
            speed_steps,
            function_count,
            mode: 1,
            v: 0,
            v_max: u32::from(if speed_steps == 128 { 126 } else { speed_steps }),
            since: self.now,
        };
        let slot = Slot {
            address: TrackAddress { number: address, long: protocol_version == 2 },
            steps: record.moving_steps(),
            speed: Speed::Stand,
            forward: true,
            functions: 0,
            function_count,
        };
        self.news.push(format!("101 INFO {BUS} GL {address} {}", record.announced()));
        self.engines.insert(address, record);
        self.track.put_slot(address, slot);
    }

    fn drive(&mut self, address: u16, words: &[&str]) -> Reply {
        let mode = ranged(words, 4, 0, 2)?;
        let v: u32 = number(words, 5)?;
        let v_max: u32 = number(words, 6)?;
        let record = self.engines.get(&address).ok_or(Refusal::NO_DATA)?;
        if v_max > 0 && v > v_max {
            return Err(Refusal::WRONG_VALUE);
        }
        let tokens = &words[7..];
        if tokens.len() > usize::from(record.function_count) {
            return Err(Refusal::TOO_LONG);
        }
        // While the rail serves programming nothing may be set going; stops are always taken.
        if self.track.in_service() && mode != 2 && v > 0 {
            return Err(Refusal::NOT_NOW);
        }
        let slot = *self.track.slot(address).ok_or(Refusal::NO_DATA)?;
        let mut functions = slot.functions;
        for (bit, token) in tokens.iter().enumerate() {
            match *token {
                "1" => functions |= 1 << bit,
                "0" => functions &= !(1 << bit),
                _ => return Err(Refusal::WRONG_VALUE),
            }
        }
        self.set_going(address, mode, v, v_max, functions);
        Ok(Answer::done())
    }

    fn set_going(&mut self, address: u16, mode: u16, v: u32, v_max: u32, functions: u32) {
        let before = self.engine_line(address);
        let Some((record, slot)) = self.engines.get_mut(&address).zip(self.track.slot(address).copied())
        else {
            return;
        };
        record.mode = mode;
        record.v = if mode == 2 { 0 } else { v };
        record.v_max = v_max;
        let forward = if mode == 2 { slot.forward } else { mode == 1 };
        let slot = Slot { speed: record.speed(), forward, functions, ..slot };
        self.track.put_slot(address, slot);
        let after = self.engine_line(address);
        if after != before {
            if let Some(record) = self.engines.get_mut(&address) {
                record.since = self.now;
            }
            self.news.extend(after);
        }
    }

    /// The engine's 100 line, without timestamp.
    pub(super) fn engine_line(&self, address: u16) -> Option<String> {
        let (record, slot) = self.engines.get(&address).zip(self.track.slot(address))?;
        let (v, v_max) = if self.spec.reports_steps {
            (u32::from(record.step()), u32::from(record.moving_steps()))
        } else {
            (record.v, record.v_max)
        };
        let mut line = format!("100 INFO {BUS} GL {address} {} {v} {v_max}", record.mode);
        for bit in 0..record.function_count {
            let _ = write!(line, " {}", (slot.functions >> bit) & 1);
        }
        Some(line)
    }

    /// Somebody else, at the station itself, sets the engine going.
    pub(super) fn other_throttle(&mut self, address: TrackAddress, step: u16, forward: bool) {
        if !self.engines.contains_key(&address.number) {
            self.announce_engine(address.number, if address.long { 2 } else { 1 }, 128, 5);
        }
        let steps = self.engines.get(&address.number).map_or(126, Record::moving_steps);
        let functions = self.track.slot(address.number).map_or(0, |slot| slot.functions);
        let v = u32::from(step.min(steps));
        self.set_going(address.number, u16::from(forward), v, u32::from(steps), functions);
    }
}
