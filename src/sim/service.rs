//! Programming as the station does it: one job after another, each a sequence of packets.
//!
//! Direct mode of NMRA S-9.2.3 (2012) E: after power-up at least 20 packets; 3 or more resets; 5 or more verifies, cut
//! short by an acknowledgement, then a reset; or 5 or more writes and 6 resets of recovery. A byte is read by eight bit
//! verifies and one byte verify as a check; a check that fails is retried. On the main a write goes out four times.
use super::packet::{Packet, TrackAddress};

const POWER_UP: u32 = 20;
const RESETS: u32 = 3;
const REPEATS: u32 = 5;
const VERIFY_RECOVERY: u32 = 1;
const WRITE_RECOVERY: u32 = 6;
const MAIN_REPEATS: u32 = 4;
/// Attempts at reading a byte.
const ATTEMPTS: u32 = 3;

/// What is to be done.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Task {
    Read { cv: u16 },
    ReadBit { cv: u16, bit: u8 },
    Write { cv: u16, value: u8 },
    WriteBit { cv: u16, bit: u8, on: bool },
    Verify { cv: u16, value: u8 },
    VerifyBit { cv: u16, bit: u8, on: bool },
    MainWrite { address: TrackAddress, cv: u16, value: u8 },
    MainWriteBit { address: TrackAddress, cv: u16, bit: u8, on: bool },
}

/// How a job ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum JobEnd {
    /// The decoder acknowledged, or (on the main) the packets went out. A value where one was read.
    Done { value: Option<u8> },
    /// No acknowledgement.
    Silence,
}

/// What a job wants next.
pub(super) enum Next {
    Send(Packet),
    Ended(JobEnd),
}

/// A question to the decoder: how much of it is still to be sent.
#[derive(Clone, Debug)]
struct Question {
    packet: Packet,
    resets: u32,
    repeats: u32,
    recovery: u32,
    is_write: bool,
    heard: bool,
}

/// A job under way.
#[derive(Clone, Debug)]
pub(super) struct Job {
    task: Task,
    question: Question,
    attempt: u32,
    bit: u8,
    found: u8,
}

impl Job {
    pub(super) fn new(task: Task) -> Self {
        Self { question: first_question(task), task, attempt: 1, bit: 0, found: 0 }
    }

    /// The first job after power came to the rail begins with the packets of the power-on cycle.
    pub(super) fn power_up(&mut self) {
        self.question.resets += POWER_UP;
    }

    pub(super) fn on_main(&self) -> bool {
        matches!(self.task, Task::MainWrite { .. } | Task::MainWriteBit { .. })
    }

    /// The decoder's pulse was seen.
    pub(super) fn acknowledged(&mut self) {
        self.question.heard = true;
        if !self.question.is_write {
            self.question.repeats = 0;
        }
    }

    pub(super) fn next(&mut self) -> Next {
        loop {
            if let Some(packet) = self.question.next() {
                return Next::Send(packet);
            }
            if let Some(end) = self.answered(self.question.heard) {
                return Next::Ended(end);
            }
        }
    }

    /// A question is through: the job's end, or the next question stands ready.
    fn answered(&mut self, heard: bool) -> Option<JobEnd> {
        match self.task {
            Task::Read { cv } => self.read_on(cv, heard),
            Task::ReadBit { cv, bit } => self.read_bit_on(cv, bit, heard),
            Task::MainWrite { .. } | Task::MainWriteBit { .. } => Some(JobEnd::Done { value: None }),
            _ if heard => Some(JobEnd::Done { value: None }),
            _ => Some(JobEnd::Silence),
        }
    }

    fn read_on(&mut self, cv: u16, heard: bool) -> Option<JobEnd> {
        if self.bit < 8 {
            self.found |= u8::from(heard) << self.bit;
            self.bit += 1;
        } else if heard {
            return Some(JobEnd::Done { value: Some(self.found) });
        } else if self.attempt == ATTEMPTS {
            return Some(JobEnd::Silence);
        } else {
            (self.attempt, self.bit, self.found) = (self.attempt + 1, 0, 0);
        }
        self.question = if self.bit < 8 {
            Question::verify(Packet::service_verify_bit(cv, self.bit, true))
        } else {
            Question::verify(Packet::service_verify(cv, self.found))
        };
        None
    }

    /// First "is it on?", then "is it off?", so that silence is told from zero.
    fn read_bit_on(&mut self, cv: u16, bit: u8, heard: bool) -> Option<JobEnd> {
        match (heard, self.attempt) {
            (true, first) => Some(JobEnd::Done { value: Some(u8::from(first == 1)) }),
            (false, 1) => {
                self.attempt = 2;
                self.question = Question::verify(Packet::service_verify_bit(cv, bit, false));
                None
            }
            (false, _) => Some(JobEnd::Silence),
        }
    }
}

fn first_question(task: Task) -> Question {
    match task {
        Task::Read { cv } => Question::verify(Packet::service_verify_bit(cv, 0, true)),
        Task::ReadBit { cv, bit } => Question::verify(Packet::service_verify_bit(cv, bit, true)),
        Task::Verify { cv, value } => Question::verify(Packet::service_verify(cv, value)),
        Task::VerifyBit { cv, bit, on } => Question::verify(Packet::service_verify_bit(cv, bit, on)),
        Task::Write { cv, value } => Question::write(Packet::service_write(cv, value)),
        Task::WriteBit { cv, bit, on } => Question::write(Packet::service_write_bit(cv, bit, on)),
        Task::MainWrite { address, cv, value } => Question::main(Packet::main_write(address, cv, value)),
        Task::MainWriteBit { address, cv, bit, on } => {
            Question::main(Packet::main_write_bit(address, cv, bit, on))
        }
    }
}

impl Question {
    fn verify(packet: Packet) -> Self {
        Self {
            packet,
            resets: RESETS,
            repeats: REPEATS,
            recovery: VERIFY_RECOVERY,
            is_write: false,
            heard: false,
        }
    }

    fn write(packet: Packet) -> Self {
        Self {
            packet,
            resets: RESETS,
            repeats: REPEATS,
            recovery: WRITE_RECOVERY,
            is_write: true,
            heard: false,
        }
    }

    fn main(packet: Packet) -> Self {
        Self { packet, resets: 0, repeats: MAIN_REPEATS, recovery: 0, is_write: true, heard: false }
    }

    fn next(&mut self) -> Option<Packet> {
        for (left, packet) in [
            (&mut self.resets, Packet::reset()),
            (&mut self.repeats, self.packet),
            (&mut self.recovery, Packet::reset()),
        ] {
            if *left > 0 {
                *left -= 1;
                return Some(packet);
            }
        }
        None
    }
}
