//! The station's rail side: which packets go out, one after another. On the main it repeats the last orders for ever;
//! in service mode it sends the sequences of NMRA S-9.2.3 E and watches for the acknowledgement.
use super::noise::Noise;
use super::packet::{Packet, Speed, TrackAddress};
use super::service::{Job, JobEnd, Next};
use crate::time::BenchTime;
use std::collections::{BTreeMap, VecDeque};

/// What the station repeats for one engine.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Slot {
    pub(super) address: TrackAddress,
    /// 14, 28 or 126.
    pub(super) steps: u16,
    pub(super) speed: Speed,
    pub(super) forward: bool,
    /// Bit n is Fn.
    pub(super) functions: u32,
    /// Functions announced.
    pub(super) function_count: u16,
}

impl Slot {
    fn speed_packet(&self) -> Packet {
        Packet::speed(self.address, self.steps, self.speed, self.forward, self.functions & 1 != 0)
    }

    /// Function groups that the announced functions reach.
    fn groups(&self) -> u8 {
        match self.function_count {
            0..=5 => 1,
            6..=9 => 2,
            10..=13 => 3,
            14..=21 => 4,
            _ => 5,
        }
    }
}

/// What the station sends, and to where it has got.
#[derive(Clone, Debug)]
pub(super) struct Track {
    powered: bool,
    service: bool,
    slots: BTreeMap<u16, Slot>,
    urgent: VecDeque<Packet>,
    on_rail: Option<(Packet, BenchTime)>,
    last_slot: u16,
    turn: u8,
    idle_next: bool,
    job: Option<Job>,
    ended: Option<JobEnd>,
    noise: Noise,
    overlooks: f64,
}

impl Track {
    pub(super) fn new(noise: Noise, overlooks: f64) -> Self {
        Self {
            powered: false,
            service: false,
            slots: BTreeMap::new(),
            urgent: VecDeque::new(),
            on_rail: None,
            last_slot: 0,
            turn: 0,
            idle_next: false,
            job: None,
            ended: None,
            noise,
            overlooks,
        }
    }

    /// The rail carries power: switched on, or lent by service mode.
    pub(super) fn live(&self) -> bool {
        self.powered || self.service
    }

    /// Main power as switched.
    pub(super) fn powered(&self) -> bool {
        self.powered
    }

    pub(super) fn in_service(&self) -> bool {
        self.service
    }

    pub(super) fn busy(&self) -> bool {
        self.job.is_some()
    }

    /// Switches the rail. Off ends service mode too: nothing may stay live.
    pub(super) fn set_power(&mut self, at: BenchTime, on: bool) {
        self.powered = on;
        if !on {
            self.leave_service();
            self.abandon_job();
            self.on_rail = None;
            self.urgent.clear();
        }
        self.keep_sending(at);
    }

    /// Back from service mode to the main; power is again as it was switched.
    pub(super) fn leave_service(&mut self) {
        if self.service {
            self.abandon_job();
            self.service = false;
            if !self.powered {
                self.on_rail = None;
            }
        }
    }

    fn abandon_job(&mut self) {
        if self.job.take().is_some() {
            self.ended = Some(JobEnd::Silence);
        }
    }

    pub(super) fn slot(&self, address: u16) -> Option<&Slot> {
        self.slots.get(&address)
    }

    /// Takes a slot over and sends what it says ahead of everything else.
    pub(super) fn put_slot(&mut self, address: u16, slot: Slot) {
        let before = self.slots.insert(address, slot);
        if !self.powered || self.service {
            return;
        }
        self.urgent.push_back(slot.speed_packet());
        self.urgent.push_back(Packet::idle());
        if before.is_none_or(|before| before.functions != slot.functions) {
            for group in 0..slot.groups() {
                self.urgent.push_back(Packet::functions(slot.address, group, slot.functions));
                self.urgent.push_back(Packet::idle());
            }
        }
    }

    /// Stops repeating for an engine. Nothing in SRCP says that it is stopped, so it is not.
    pub(super) fn drop_slot(&mut self, address: u16) {
        self.slots.remove(&address);
    }

    /// Begins a programming job; the caller saw to it that none is under way.
    pub(super) fn begin(&mut self, at: BenchTime, mut job: Job) {
        if job.on_main() {
            self.urgent.clear();
        } else if !self.service {
            self.service = true;
            job.power_up();
        }
        self.job = Some(job);
        self.keep_sending(at);
    }

    /// How the last job ended, told once.
    pub(super) fn take_ended(&mut self) -> Option<JobEnd> {
        self.ended.take()
    }

    /// When the packet on the rail is through.
    pub(super) fn packet_ends(&self) -> Option<BenchTime> {
        self.on_rail.map(|(_, ends)| ends)
    }

    /// The packet that is through now. The next one follows at once.
    pub(super) fn finish_packet(&mut self, at: BenchTime) -> Option<Packet> {
        self.on_rail.take_if(|(_, ends)| *ends <= at).map(|(packet, _)| packet)
    }

    /// Takes note of an acknowledgement for the packet just finished, and sends the next one.
    pub(super) fn go_on(&mut self, at: BenchTime, pulse: bool) {
        if pulse
            && !self.noise.happens(self.overlooks)
            && let Some(job) = &mut self.job
        {
            job.acknowledged();
        }
        self.keep_sending(at);
    }

    /// Starts a packet where the rail is live and none is on its way.
    pub(super) fn keep_sending(&mut self, at: BenchTime) {
        if self.live() && self.on_rail.is_none() {
            let packet = self.next_packet();
            self.on_rail = Some((packet, at + packet.duration()));
        }
    }

    fn next_packet(&mut self) -> Packet {
        if let Some(job) = &mut self.job {
            match job.next() {
                Next::Send(packet) => return packet,
                Next::Ended(end) => {
                    self.ended = Some(end);
                    self.job = None;
                }
            }
        }
        if self.service {
            return Packet::reset();
        }
        self.urgent.pop_front().unwrap_or_else(|| self.refresh())
    }

    /// Speed, and every second time one of the function groups, of one engine after another; idle in between so that
    /// packets to one decoder keep their distance (S-9.2 C).
    fn refresh(&mut self) -> Packet {
        self.idle_next = !self.idle_next;
        let after = self.slots.range(self.last_slot.saturating_add(1)..).next();
        let Some((&address, slot)) = after.or_else(|| self.slots.iter().next()) else {
            return Packet::idle();
        };
        if !self.idle_next {
            return Packet::idle();
        }
        if address <= self.last_slot {
            self.turn = self.turn.wrapping_add(1);
        }
        self.last_slot = address;
        if self.turn.is_multiple_of(2) {
            slot.speed_packet()
        } else {
            Packet::functions(slot.address, (self.turn / 2) % slot.groups(), slot.functions)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::noise::Stream;
    use super::*;

    fn slot(number: u16) -> Slot {
        Slot {
            address: TrackAddress { number, long: false },
            steps: 126,
            speed: Speed::Step(40),
            forward: true,
            functions: 0,
            function_count: 5,
        }
    }

    fn sent(track: &mut Track, count: usize) -> Vec<Packet> {
        let mut packets = Vec::new();
        while packets.len() < count {
            let at = track.packet_ends().expect("a live rail always carries a packet");
            packets.extend(track.finish_packet(at));
            track.go_on(at, false);
        }
        packets
    }

    #[test]
    fn a_live_rail_repeats_every_engine_for_ever_and_a_dead_one_nothing() {
        let mut track = Track::new(Noise::new(1, Stream::Rail), 0.0);
        track.put_slot(4, slot(4));
        track.put_slot(7, slot(7));
        assert_eq!(track.packet_ends(), None);
        track.set_power(BenchTime::ZERO, true);
        let packets = sent(&mut track, 400);
        for number in [4, 7] {
            let speed = packets.iter().filter(|packet| **packet == slot(number).speed_packet()).count();
            assert!((90..=110).contains(&(speed * 2)), "{speed}");
        }
        track.set_power(BenchTime::ZERO, false);
        assert_eq!(track.packet_ends(), None);
    }

    #[test]
    fn a_new_order_goes_out_next() {
        let mut track = Track::new(Noise::new(1, Stream::Rail), 0.0);
        track.set_power(BenchTime::ZERO, true);
        track.put_slot(4, slot(4));
        let new = Slot { speed: Speed::Emergency, ..slot(4) };
        sent(&mut track, 20);
        track.put_slot(4, new);
        assert!(sent(&mut track, 2).contains(&new.speed_packet()));
    }
}
