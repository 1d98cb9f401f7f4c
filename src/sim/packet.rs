//! DCC packets as the simulated station sends them: bytes with their error byte, and how long they take on the rail.
//!
//! Sources: NMRA S-9.2 (July 2004) for frame and error byte, S-9.2.1 (July 2012) for address partition, speed, function
//! and programming-on-the-main instructions, S-9.2.3 (July 2012) for service mode, S-9.1 (March 2020) for bit times;
//! as gathered in standards/dcc.md sections 2, 3 and 5.
use std::time::Duration;

/// Preamble ones of an operations packet: "at least 14" (S-9.2 A).
const PREAMBLE: u32 = 14;
/// Preamble ones of a service-mode packet: "at least 20" (S-9.2.3 E).
const LONG_PREAMBLE: u32 = 20;

/// The most bytes a multi-function packet has, its error byte included (S-9.2.1 C).
pub(super) const MOST_BYTES: usize = 6;

/// A decoder's address as packets carry it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct TrackAddress {
    pub(super) number: u16,
    pub(super) long: bool,
}

/// The speed a packet carries: a moving step from 1, standing (with the decoder's braking), or the emergency stop.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Speed {
    Stand,
    Emergency,
    Step(u16),
}

/// A packet: its bytes with the error byte last.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(super) struct Packet {
    bytes: [u8; MOST_BYTES],
    len: usize,
    preamble: u32,
}

impl std::fmt::Debug for Packet {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "Packet {:02X?}", self.bytes())
    }
}

impl Packet {
    fn empty(preamble: u32) -> Self {
        Self { bytes: [0; MOST_BYTES], len: 0, preamble }
    }

    fn with(mut self, byte: u8) -> Self {
        if let Some(place) = self.bytes.get_mut(self.len) {
            *place = byte;
            self.len += 1;
        }
        self
    }

    /// Appends the error byte: the exclusive or of all bytes before it.
    fn sealed(self) -> Self {
        let error = self.bytes().iter().fold(0, |sum, byte| sum ^ byte);
        self.with(error)
    }

    /// The bytes, error byte included.
    pub(super) fn bytes(&self) -> &[u8] {
        &self.bytes[..self.len]
    }

    /// How many ones and zeros go out: preamble, a zero before each byte, the bytes, a closing one (S-9.2 A).
    fn bits(&self) -> (u32, u32) {
        let set: u32 = self.bytes().iter().map(|byte| byte.count_ones()).sum();
        let clear: u32 = self.bytes().iter().map(|byte| byte.count_zeros() + 1).sum();
        (self.preamble + set + 1, clear)
    }

    /// Time on the rail with nominal half bits of 58 and 100 microseconds (S-9.1 table 1).
    pub(super) fn duration(&self) -> Duration {
        let (ones, zeros) = self.bits();
        Duration::from_micros(u64::from(ones * 116 + zeros * 200))
    }

    /// The idle packet (S-9.2 B).
    pub(super) fn idle() -> Self {
        Self::empty(PREAMBLE).with(0xFF).with(0x00).sealed()
    }

    /// The reset packet to all decoders, with the long preamble of service mode (S-9.2 B).
    pub(super) fn reset() -> Self {
        Self::empty(LONG_PREAMBLE).with(0x00).with(0x00).sealed()
    }

    fn to(address: TrackAddress) -> Self {
        let [high, low] = address.number.to_be_bytes();
        if address.long {
            Self::empty(PREAMBLE).with(0xC0 | (high & 0x3F)).with(low)
        } else {
            Self::empty(PREAMBLE).with(low & 0x7F)
        }
    }

    /// A speed instruction in the mode of 14, 28 or (any other number) 126 steps. In 14-step mode bit 4 is `light`.
    pub(super) fn speed(address: TrackAddress, steps: u16, speed: Speed, forward: bool, light: bool) -> Self {
        let start = Self::to(address);
        let direction = if forward { 0x20 } else { 0x00 };
        match steps {
            14 => start.with(0x40 | direction | (u8::from(light) << 4) | code(speed, 14)),
            28 => start.with(0x40 | direction | code_28(speed)),
            _ => start.with(0x3F).with((u8::from(forward) << 7) | code(speed, 126)),
        }
        .sealed()
    }

    /// One of the five function groups: F0-F4, F5-F8, F9-F12, F13-F20, F21-F28. Bit n of `functions` is Fn.
    pub(super) fn functions(address: TrackAddress, group: u8, functions: u32) -> Self {
        let start = Self::to(address);
        let part = |low: u32, mask: u32| u8::try_from((functions >> low) & mask).unwrap_or(0);
        match group {
            0 => start.with(0x80 | (part(0, 1) << 4) | part(1, 0x0F)),
            1 => start.with(0xB0 | part(5, 0x0F)),
            2 => start.with(0xA0 | part(9, 0x0F)),
            3 => start.with(0xDE).with(part(13, 0xFF)),
            _ => start.with(0xDF).with(part(21, 0xFF)),
        }
        .sealed()
    }

    /// Programming on the main, long form: write a byte. The decoder wants two identical ones (S-9.2.1 C).
    pub(super) fn main_write(address: TrackAddress, cv: u16, value: u8) -> Self {
        let (high, low) = cv_bits(cv);
        Self::to(address).with(0xEC | high).with(low).with(value).sealed()
    }

    /// Programming on the main, long form: write one bit.
    pub(super) fn main_write_bit(address: TrackAddress, cv: u16, bit: u8, on: bool) -> Self {
        let (high, low) = cv_bits(cv);
        Self::to(address).with(0xE8 | high).with(low).with(bit_form(true, bit, on)).sealed()
    }

    /// Service mode, direct: write a byte.
    pub(super) fn service_write(cv: u16, value: u8) -> Self {
        Self::service(0x7C, cv, value)
    }

    /// Service mode, direct: is this the CV's value?
    pub(super) fn service_verify(cv: u16, value: u8) -> Self {
        Self::service(0x74, cv, value)
    }

    /// Service mode, direct: write one bit.
    pub(super) fn service_write_bit(cv: u16, bit: u8, on: bool) -> Self {
        Self::service(0x78, cv, bit_form(true, bit, on))
    }

    /// Service mode, direct: is this bit on (or off)?
    pub(super) fn service_verify_bit(cv: u16, bit: u8, on: bool) -> Self {
        Self::service(0x78, cv, bit_form(false, bit, on))
    }

    fn service(instruction: u8, cv: u16, data: u8) -> Self {
        let (high, low) = cv_bits(cv);
        Self::empty(LONG_PREAMBLE).with(instruction | high).with(low).with(data).sealed()
    }
}

/// Speed code with one value a step: 0 stop, 1 emergency stop, step + 1 from there on.
fn code(speed: Speed, top: u16) -> u8 {
    match speed {
        Speed::Stand => 0,
        Speed::Emergency => 1,
        Speed::Step(step) => u8::try_from(step.clamp(1, top) + 1).unwrap_or(0),
    }
}

/// The five bits C SSSS of 28-step mode, C being the lowest (S-9.2 figure 2).
fn code_28(speed: Speed) -> u8 {
    match speed {
        Speed::Stand => 0,
        Speed::Emergency => 1,
        Speed::Step(step) => {
            let whole = u8::try_from(step.clamp(1, 28) + 3).unwrap_or(0);
            ((whole & 1) << 4) | (whole >> 1)
        }
    }
}

/// The ten address bits of a CV, which packets count from 0.
fn cv_bits(cv: u16) -> (u8, u8) {
    let [high, low] = cv.saturating_sub(1).to_be_bytes();
    (high & 0x03, low)
}

/// Data byte of a bit operation: 111KDBBB (S-9.2.3 E).
fn bit_form(write: bool, bit: u8, on: bool) -> u8 {
    0xE0 | (u8::from(write) << 4) | (u8::from(on) << 3) | (bit & 0x07)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn short(number: u16) -> TrackAddress {
        TrackAddress { number, long: false }
    }

    fn long(number: u16) -> TrackAddress {
        TrackAddress { number, long: true }
    }

    /// standards/dcc.md section 3.3 and check values 42 to 50, of S-9.2 fig. 1, S-9.2.1 C and S-9.2.3 E.
    #[test]
    fn packets_have_the_published_bytes() {
        let step = |n| Speed::Step(n);
        let cases: [(Packet, &[u8]); 20] = [
            (Packet::speed(short(55), 28, step(6), true, false), &[0x37, 0x74, 0x43]),
            (Packet::speed(short(3), 126, step(63), true, false), &[0x03, 0x3F, 0xC0, 0xFC]),
            (Packet::speed(long(1000), 126, step(63), true, false), &[0xC3, 0xE8, 0x3F, 0xC0, 0xD4]),
            (Packet::speed(long(1234), 28, step(10), false, false), &[0xC4, 0xD2, 0x56, 0x40]),
            (Packet::main_write(short(3), 66, 128), &[0x03, 0xEC, 0x41, 0x80, 0x2E]),
            (Packet::main_write_bit(short(3), 29, 4, true), &[0x03, 0xE8, 0x1C, 0xFC, 0x0B]),
            (Packet::service_write(2, 10), &[0x7C, 0x01, 0x0A, 0x77]),
            (Packet::service_verify_bit(8, 7, true), &[0x78, 0x07, 0xEF, 0x90]),
            (Packet::service_write(1024, 0), &[0x7F, 0xFF, 0x00, 0x80]),
            (Packet::service_verify(5, 255), &[0x74, 0x04, 0xFF, 0x8F]),
            (Packet::service_write_bit(29, 4, true), &[0x78, 0x1C, 0xFC, 0x98]),
            (Packet::speed(short(3), 28, Speed::Stand, true, false), &[0x03, 0x60, 0x63]),
            (Packet::speed(short(3), 28, Speed::Emergency, true, false), &[0x03, 0x61, 0x62]),
            (Packet::speed(short(3), 28, step(28), false, false), &[0x03, 0x5F, 0x5C]),
            (Packet::speed(short(3), 14, step(7), true, false), &[0x03, 0x68, 0x6B]),
            (Packet::speed(short(3), 126, Speed::Emergency, true, false), &[0x03, 0x3F, 0x81, 0xBD]),
            (Packet::speed(short(3), 126, step(126), false, false), &[0x03, 0x3F, 0x7F, 0x43]),
            (Packet::speed(long(10239), 126, step(1), true, false), &[0xE7, 0xFF, 0x3F, 0x82, 0xA5]),
            (Packet::functions(short(3), 0, 1), &[0x03, 0x90, 0x93]),
            (Packet::main_write(long(1000), 67, 4), &[0xC3, 0xE8, 0xEC, 0x42, 0x04, 0x81]),
        ];
        for (packet, bytes) in cases {
            assert_eq!(packet.bytes(), bytes, "{packet:?}");
        }
    }

    /// standards/dcc.md check values 51 to 53 and more of section 3.3 (S-9.2 B, S-9.1 table 1). The reset there has a
    /// 14-bit preamble.
    #[test]
    fn packets_take_the_published_time() {
        assert_eq!((Packet::idle().bits(), Packet::idle().duration().as_micros()), ((31, 11), 5796));
        let reset = Packet { preamble: PREAMBLE, ..Packet::reset() };
        assert_eq!((reset.bits(), reset.duration().as_micros()), ((15, 27), 7140));
        let own = Packet::speed(short(55), 28, Speed::Step(6), true, false);
        assert_eq!((own.bits(), own.duration().as_micros()), ((27, 15), 6132));
        let emergency = Packet::speed(short(3), 28, Speed::Emergency, true, false);
        assert_eq!((emergency.bits(), emergency.duration().as_micros()), ((23, 19), 6468));
        let long = Packet::speed(long(1000), 126, Speed::Step(63), true, false);
        assert_eq!((long.bits(), long.duration().as_micros()), ((35, 25), 9060));
        let main = Packet::main_write(short(3), 66, 128);
        assert_eq!((main.bits(), main.duration().as_micros()), ((29, 31), 9564));
        let service = Packet::service_write(2, 10);
        assert_eq!((service.bits(), service.duration().as_micros()), ((35, 22), 8460));
    }
}
