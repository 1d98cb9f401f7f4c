//! One connection: bytes into lines, replies that wait for their time.
use super::state::Mode;
use crate::time::BenchTime;
use std::collections::VecDeque;

/// Longest line, its end included (standards/srcp.md A1).
const LONGEST_LINE: usize = 1000;
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Phase {
    Handshake(Mode),
    Open(Mode, u32),
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Busy {
    No,
    /// A reply is on its way.
    Replying,
    /// A programming job is under way.
    Programming,
}

/// Something to be sent at its time.
#[derive(Clone, Debug)]
pub(super) struct Due {
    pub(super) at: BenchTime,
    pub(super) bytes: Vec<u8>,
    pub(super) is_reply: bool,
    pub(super) closes: bool,
}

/// One connection.
#[derive(Clone, Debug)]
pub(super) struct Link {
    pub(super) phase: Phase,
    part: Vec<u8>,
    too_long: bool,
    pub(super) lines: VecDeque<Option<String>>,
    pub(super) busy: Busy,
    pub(super) due: VecDeque<Due>,
    /// Somebody listens at the other end.
    pub(super) heard: bool,
}

impl Link {
    pub(super) fn new() -> Self {
        Self {
            phase: Phase::Handshake(Mode::Command),
            part: Vec::new(),
            too_long: false,
            lines: VecDeque::new(),
            busy: Busy::No,
            due: VecDeque::new(),
            heard: true,
        }
    }

    /// It could take up a line.
    pub(super) fn is_ready(&self) -> bool {
        self.busy == Busy::No && !self.lines.is_empty()
    }

    /// A byte of a line; a line beyond all length is remembered as such and skipped.
    pub(super) fn take(&mut self, byte: u8) {
        if byte == b'\n' {
            let line = String::from_utf8_lossy(&self.part).trim().to_owned();
            self.lines.push_back((!self.too_long).then_some(line));
            self.part.clear();
            self.too_long = false;
        } else if self.part.len() + 1 < LONGEST_LINE {
            self.part.push(byte);
        } else {
            self.too_long = true;
        }
    }
}
