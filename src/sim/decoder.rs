//! The decoder: takes packets byte by byte, keeps momentum, and gives the motor its drive.
//!
//! Sources: NMRA S-9.2 (2004), S-9.2.1, S-9.2.2, S-9.2.3 (2012), S-9.2.4; standards/dcc.md sections 2 to 6. Taken where
//! the texts are silent: the unit of CV 11 is a second, and any packet to the decoder renews it.
use super::cvs::{Memory, Place};
use super::drive;
use super::instructions::{self, BROADCAST, BitForm, Twin, addressee, cv_number, intact};
use super::momentum::{Momentum, Ordered};
use super::noise::{Noise, Stream};
use super::packet::{Speed, TrackAddress};
use super::spec::DecoderSim;
use crate::time::BenchTime;
use std::time::Duration;

/// Without a service or reset packet for this long the decoder leaves service mode (S-9.2.3 C).
const SERVICE_IDLE: Duration = Duration::from_millis(20);

/// The decoder.
#[derive(Clone, Debug)]
pub(super) struct Decoder {
    spec: DecoderSim,
    memory: Memory,
    noise: Noise,
    momentum: Momentum,
    functions: u32,
    powered: bool,
    dark_since: Option<BenchTime>,
    last_heard: BenchTime,
    service_heard: Option<BenchTime>,
    after_reset: bool,
    service_twin: Twin,
    main_twin: Twin,
    /// The last service instruction to write; forgotten at any other. How many there were; whether the present one is lost.
    writing: Option<[u8; 3]>,
    writes: u32,
    deaf_until: BenchTime,
    runs_away: Option<f64>,
    drive: f64,
    /// What is left of the time for which the drive is withheld after an order to start, s.
    withheld_s: f64,
    /// What `plain_drive` was worked out from: step, steps, forward, changes of the memory.
    drive_basis: Option<(u16, u16, bool, u64)>,
    plain_drive: f64,
}

impl Decoder {
    pub(super) fn new(spec: DecoderSim, seed: u64) -> Self {
        Self {
            memory: Memory::new(spec.clone()),
            withheld_s: spec.start_delay.as_secs_f64(),
            spec,
            noise: Noise::new(seed, Stream::Rail),
            momentum: Momentum::at_rest(),
            functions: 0,
            powered: false,
            dark_since: None,
            last_heard: BenchTime::ZERO,
            service_heard: None,
            after_reset: false,
            service_twin: Twin::default(),
            main_twin: Twin::default(),
            writing: None,
            writes: 0,
            deaf_until: BenchTime::ZERO,
            runs_away: None,
            drive: 0.0,
            drive_basis: None,
            plain_drive: 0.0,
        }
    }

    /// It is another maker's from now on, with whatever the one before held in the other CVs.
    pub(super) fn swap(&mut self) {
        self.memory.become_another();
    }

    pub(super) fn memory(&self) -> &Memory {
        &self.memory
    }

    pub(super) fn ordered(&self) -> Ordered {
        self.momentum.ordered
    }

    pub(super) fn functions(&self) -> u32 {
        self.functions
    }

    /// Drive of the motor, -1 to 1; positive turns it forward as built.
    pub(super) fn drive(&self) -> f64 {
        self.drive
    }

    /// From now on it heeds no order and drives at `share` of full, as long as it has power.
    pub(super) fn run_away(&mut self, share: Option<f64>) {
        self.runs_away = share;
    }

    /// Drive in counts that a setting ends at, with the CVs as they are.
    pub(super) fn counts_at(&self, step: u16, of: u16, forward: bool) -> f64 {
        drive::counts(&self.memory, &self.spec, step, of, forward)
    }

    /// Where an order `forward` turns the motor.
    pub(super) fn turns_forward(&self, forward: bool) -> bool {
        forward != self.memory.reversed()
    }

    /// track power came or went.
    pub(super) fn set_rail(&mut self, at: BenchTime, live: bool) {
        match (live, self.dark_since) {
            (true, Some(since)) if at.since(since) > self.spec.store => self.start_anew(at),
            (true, None) if !self.powered => self.start_anew(at),
            _ => {}
        }
        self.powered |= live;
        if live {
            self.dark_since = None;
        } else if self.powered && self.dark_since.is_none() {
            self.dark_since = Some(at);
        }
    }

    /// Power-up: the engine starts from standstill (S-9.2.4 A).
    fn start_anew(&mut self, at: BenchTime) {
        self.momentum = Momentum::at_rest();
        self.functions = 0;
        self.last_heard = at;
        self.leave_service();
    }

    /// Lets `span_s` pass: momentum, the packet time-out, the store. Works out the drive.
    pub(super) fn tick(&mut self, at: BenchTime, span_s: f64) {
        let alive = self.powered && self.dark_since.is_none_or(|since| at.since(since) <= self.spec.store);
        if !alive {
            self.powered = false;
            self.dark_since = None;
            self.halt();
            self.drive = 0.0;
            return;
        }
        self.watch_time_out(at);
        if self.in_service(at) {
            self.halt();
        }
        if self.is_withheld(span_s) {
            self.drive = 0.0;
            return;
        }
        self.momentum.follow(&self.memory, span_s);
        self.drive = self.follow_drive(span_s);
    }

    /// Standstill at once, ordered and driven.
    fn halt(&mut self) {
        self.momentum.halt();
        self.drive = 0.0;
    }

    /// Counts the time down for which an order to start from rest has no effect yet.
    fn is_withheld(&mut self, span_s: f64) -> bool {
        let rests = self.momentum.now().0 == 0 && self.drive == 0.0;
        if self.momentum.ordered.step == 0 {
            if rests {
                self.withheld_s = self.spec.start_delay.as_secs_f64();
            }
            return false;
        }
        let withheld = rests && self.withheld_s > 0.0;
        if withheld {
            self.withheld_s -= span_s;
        }
        withheld
    }

    /// The drive on its way to what the step says, no faster than the decoder lets it.
    fn follow_drive(&mut self, span_s: f64) -> f64 {
        let goal = self.drive_now();
        let whole_s = self.spec.kept_momentum.as_secs_f64();
        if whole_s <= 0.0 || self.runs_away.is_some() {
            return goal;
        }
        let most = span_s / whole_s;
        self.drive + (goal - self.drive).clamp(-most, most)
    }

    fn watch_time_out(&mut self, at: BenchTime) {
        let limit = u64::from(self.memory.get(11));
        if limit > 0 && at.since(self.last_heard) > Duration::from_secs(limit) {
            self.momentum.ordered.step = 0;
        }
    }

    fn drive_now(&mut self) -> f64 {
        if let Some(share) = self.runs_away {
            return share;
        }
        let (step, forward) = self.momentum.now();
        let steps = self.momentum.ordered.steps;
        let basis = (step, steps, forward, self.memory.changes());
        if self.drive_basis != Some(basis) {
            let share = self.counts_at(step, steps, forward) / drive::FULL;
            self.plain_drive = if self.turns_forward(forward) { share } else { -share };
            self.drive_basis = Some(basis);
        }
        self.plain_drive
    }

    /// A packet has arrived. True where the decoder gives the acknowledgement pulse of service mode for it.
    pub(super) fn receive(&mut self, at: BenchTime, bytes: &[u8]) -> bool {
        let Some(body) = intact(bytes) else { return false };
        let deaf = at < self.deaf_until || self.noise.happens(self.spec.misses);
        if !self.powered || self.dark_since.is_some() || deaf {
            return false;
        }
        if body == [0, 0] {
            self.take_reset(at);
            return false;
        }
        let after_reset = std::mem::take(&mut self.after_reset);
        if body.len() == 3 && body[0] & 0xF0 == 0x70 && (after_reset || self.in_service(at)) {
            self.service_heard = Some(at);
            return self.service_twin.completes(bytes) && self.serve(at, [body[0], body[1], body[2]]);
        }
        self.leave_service();
        self.take_operation(at, bytes, body);
        false
    }

    fn in_service(&self, at: BenchTime) -> bool {
        self.service_heard.is_some_and(|heard| at.since(heard) <= SERVICE_IDLE)
    }

    fn leave_service(&mut self) {
        self.service_heard = None;
        self.service_twin.forget();
    }

    /// The reset packet: volatile things are forgotten, the engine stops at once (S-9.2 B).
    fn take_reset(&mut self, at: BenchTime) {
        if self.in_service(at) {
            self.service_heard = Some(at);
        }
        self.service_twin.forget();
        self.main_twin.forget();
        self.after_reset = true;
        self.last_heard = at;
        self.functions = 0;
        self.halt();
    }

    /// A direct-mode instruction that came twice (S-9.2.3 E): 0111CCAA AAAAAAAA DDDDDDDD.
    fn serve(&mut self, at: BenchTime, body: [u8; 3]) -> bool {
        let (cv, data) = (cv_number(body[0], body[1]), body[2]);
        if body[0] & 0x0C != 0x0C {
            self.writing = None;
        }
        match body[0] & 0x0C {
            0x04 => self.memory.read(cv) == Some(data),
            0x0C => self.serve_write(at, body, (cv, data)),
            0x08 => self.serve_bit(cv, data),
            _ => false,
        }
    }

    fn serve_write(&mut self, at: BenchTime, body: [u8; 3], (cv, data): (u16, u8)) -> bool {
        if self.writing.replace(body) != Some(body) {
            self.writes += 1;
        }
        let lost = self.spec.loses_every > 0 && self.writes.is_multiple_of(self.spec.loses_every);
        let stored = lost || self.memory.write(cv, data, Place::Service);
        if stored {
            self.deaf_until = at + self.spec.write_pause;
        }
        stored && self.spec.acknowledges_writes
    }

    fn serve_bit(&mut self, cv: u16, data: u8) -> bool {
        let Some(form) = BitForm::read(data) else { return false };
        let Some(value) = self.memory.read(cv) else { return false };
        if form.write {
            return self.memory.write(cv, form.put_into(value), Place::Service)
                && self.spec.acknowledges_writes;
        }
        form.put_into(value) == value
    }

    fn take_operation(&mut self, at: BenchTime, bytes: &[u8], body: &[u8]) {
        let Some((to, instruction)) = addressee(body) else { return };
        let own = self.memory.address();
        if to == BROADCAST {
            self.heard(at, bytes);
            self.take_broadcast(instruction);
        } else if own == Some(to) {
            self.heard(at, bytes);
            self.take_own(bytes, instruction);
        } else if let Some((number, reversed)) = self.memory.consist()
            && to == (TrackAddress { number, long: false })
        {
            self.last_heard = at;
            self.take_speed(instruction, reversed);
        }
    }

    fn heard(&mut self, at: BenchTime, bytes: &[u8]) {
        self.last_heard = at;
        // Any other packet to this decoder, broadcasts included, voids a half-ordered write (S-9.2.1 C).
        self.main_twin.heed(bytes);
    }

    /// Broadcasts may only stop; the direction they carry is left alone (S-9.2.1).
    fn take_broadcast(&mut self, instruction: &[u8]) {
        match instruction.first().map(|byte| (byte & 0xC0, byte & 0x0F)) {
            Some((0x40, 0)) => self.momentum.ordered.step = 0,
            Some((0x40, 1)) => self.halt(),
            _ => {}
        }
    }

    fn take_own(&mut self, bytes: &[u8], instruction: &[u8]) {
        match *instruction {
            [0x00] => self.halt(),
            [byte @ (0x12 | 0x13), address] => {
                let reversed = if byte == 0x13 && address > 0 { 0x80 } else { 0 };
                self.memory.write(19, (address & 0x7F) | reversed, Place::Main);
            }
            [byte, low, data] if byte & 0xF0 == 0xE0 => {
                let twice = self.main_twin.completes(bytes);
                self.program_on_main(twice, byte, cv_number(byte, low), data);
            }
            [0xF2, data] => _ = self.memory.write(23, data, Place::Main),
            [0xF3, data] => _ = self.memory.write(24, data, Place::Main),
            [byte, ..] if byte & 0x80 != 0 => {
                self.functions = instructions::functions(instruction, self.functions);
            }
            _ if self.memory.consist().is_none() => self.take_speed(instruction, false),
            _ => {}
        }
    }

    /// Acts on the second of two identical packets.
    fn program_on_main(&mut self, twice: bool, byte: u8, cv: u16, data: u8) {
        match byte & 0x0C {
            _ if !twice => {}
            0x0C => _ = self.memory.write(cv, data, Place::Main),
            0x08 => {
                let form = BitForm::read(data).filter(|form| form.write);
                let value = form.map(|form| form.put_into(self.memory.get(cv)));
                _ = value.map(|value| self.memory.write(cv, value, Place::Main));
            }
            // A verify is answered by bi-directional communication only, which this rail does not carry.
            _ => {}
        }
    }

    fn take_speed(&mut self, instruction: &[u8], reversed: bool) {
        let Some((steps, speed, forward)) = instructions::speed(instruction, self.memory.steps_28()) else {
            return;
        };
        self.momentum.change_steps(steps);
        self.momentum.ordered.forward = forward != reversed;
        match speed {
            Speed::Stand => self.momentum.ordered.step = 0,
            Speed::Emergency => self.halt(),
            Speed::Step(step) => self.momentum.ordered.step = step,
        }
    }
}

#[cfg(test)]
#[path = "decoder_tests.rs"]
mod tests;
