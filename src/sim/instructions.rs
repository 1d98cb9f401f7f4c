//! The decoder's reading of packets: whom they are for, what they say. The other half of `packet`, written apart from it.
//!
//! Sources: NMRA S-9.2 (2004), S-9.2.1 and S-9.2.3 (2012); standards/dcc.md sections 2, 3 and 5.
use super::packet::{MOST_BYTES, Speed, TrackAddress};

pub(super) const BROADCAST: TrackAddress = TrackAddress { number: 0, long: false };

/// The bytes before the error byte, where that one is right.
pub(super) fn intact(bytes: &[u8]) -> Option<&[u8]> {
    let sum = bytes.iter().fold(0, |sum, byte| sum ^ byte);
    ((3..=MOST_BYTES).contains(&bytes.len()) && sum == 0).then(|| &bytes[..bytes.len() - 1])
}

/// Whom a packet is for, and the rest of it (S-9.2.1 A).
pub(super) fn addressee(body: &[u8]) -> Option<(TrackAddress, &[u8])> {
    match *body {
        [first @ 0..=127, ref rest @ ..] => {
            Some((TrackAddress { number: u16::from(first), long: false }, rest))
        }
        [first @ 192..=231, second, ref rest @ ..] => {
            let number = (u16::from(first & 0x3F) << 8) | u16::from(second);
            Some((TrackAddress { number, long: true }, rest))
        }
        _ => None,
    }
}

pub(super) fn cv_number(high: u8, low: u8) -> u16 {
    ((u16::from(high & 0x03) << 8) | u16::from(low)) + 1
}

/// A bit operation: 111KDBBB.
pub(super) struct BitForm {
    pub(super) write: bool,
    on: bool,
    bit: u8,
}

impl BitForm {
    pub(super) fn read(data: u8) -> Option<Self> {
        (data & 0xE0 == 0xE0).then_some(Self {
            write: data & 0x10 != 0,
            on: data & 0x08 != 0,
            bit: data & 0x07,
        })
    }

    pub(super) fn put_into(&self, value: u8) -> u8 {
        let mask = 1 << self.bit;
        if self.on { value | mask } else { value & !mask }
    }
}

/// A speed instruction: steps of its mode, the speed, forward. A byte with five speed bits counts 28 steps where the
/// decoder is set so, else its bit 4 is the light and four bits count 14.
pub(super) fn speed(instruction: &[u8], of_28: bool) -> Option<(u16, Speed, bool)> {
    let (steps, code, forward) = match *instruction {
        [0x3F, data] => (126, data & 0x7F, data & 0x80 != 0),
        [byte] if byte & 0xC0 == 0x40 && of_28 => {
            // The lowest of the five bits stands in bit 4; with either value of it the first two codes are the stops.
            let whole = ((byte & 0x0F) << 1) | ((byte >> 4) & 1);
            (28, if whole < 4 { whole >> 1 } else { whole - 2 }, byte & 0x20 != 0)
        }
        [byte] if byte & 0xC0 == 0x40 => (14, byte & 0x0F, byte & 0x20 != 0),
        _ => return None,
    };
    let speed = match code {
        0 => Speed::Stand,
        1 => Speed::Emergency,
        _ => Speed::Step(u16::from(code - 1).min(steps)),
    };
    Some((steps, speed, forward))
}

/// The functions after a group instruction. Bit n is Fn.
pub(super) fn functions(instruction: &[u8], mut now: u32) -> u32 {
    let mut put = |low: u32, mask: u32, bits: u8| {
        now = (now & !(mask << low)) | ((u32::from(bits) & mask) << low);
    };
    match *instruction {
        [byte] if byte & 0xE0 == 0x80 => {
            put(0, 1, byte >> 4);
            put(1, 0x0F, byte);
        }
        [byte] if byte & 0xF0 == 0xB0 => put(5, 0x0F, byte),
        [byte] if byte & 0xF0 == 0xA0 => put(9, 0x0F, byte),
        [0xDE, bits] => put(13, 0xFF, bits),
        [0xDF, bits] => put(21, 0xFF, bits),
        _ => {}
    }
    now
}

/// Two identical packets in a row are wanted for programming; this remembers the first.
#[derive(Clone, Debug, Default)]
pub(super) struct Twin {
    last: Vec<u8>,
    count: u32,
}

impl Twin {
    /// Takes a packet; true at each second identical one.
    pub(super) fn completes(&mut self, bytes: &[u8]) -> bool {
        if self.last != bytes {
            self.last = bytes.to_vec();
            self.count = 0;
        }
        self.count += 1;
        self.count.is_multiple_of(2)
    }

    pub(super) fn forget(&mut self) {
        self.last.clear();
        self.count = 0;
    }

    /// Another packet came: the first one no longer counts.
    pub(super) fn heed(&mut self, bytes: &[u8]) {
        if self.last != bytes {
            self.forget();
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::packet::Packet;
    use super::*;

    /// The table of S-9.2 (2004) figure 2 as standards/dcc.md section 3.2 prints it, forward bytes of steps 1 to 28;
    /// reverse lies 0x20 lower. Holds check value 36.
    const FORWARD_28: [u8; 28] = [
        0x62, 0x72, 0x63, 0x73, 0x64, 0x74, 0x65, 0x75, 0x66, 0x76, 0x67, 0x77, 0x68, 0x78, 0x69, 0x79, 0x6A,
        0x7A, 0x6B, 0x7B, 0x6C, 0x7C, 0x6D, 0x7D, 0x6E, 0x7E, 0x6F, 0x7F,
    ];

    /// The instruction that the station sends, without address and error byte.
    fn sent(steps: u16, speed: Speed, forward: bool) -> Vec<u8> {
        let packet = Packet::speed(TrackAddress { number: 3, long: false }, steps, speed, forward, false);
        intact(packet.bytes()).and_then(addressee).unwrap().1.to_vec()
    }

    #[test]
    fn the_28_step_table_is_sent_and_read() {
        for (step, byte) in (1..).zip(FORWARD_28) {
            for (forward, byte) in [(true, byte), (false, byte - 0x20)] {
                assert_eq!(sent(28, Speed::Step(step), forward), [byte], "step {step}");
                assert_eq!(speed(&[byte], true), Some((28, Speed::Step(step), forward)));
            }
        }
    }

    /// standards/dcc.md check values 37 and 38, and the stop codes of section 3.2 (S-9.2 figures 1 and 2).
    #[test]
    fn either_stop_code_of_28_steps_is_read() {
        assert_eq!(speed(&[0x74], true), Some((28, Speed::Step(6), true)));
        for byte in [0x60, 0x70] {
            assert_eq!(speed(&[byte], true), Some((28, Speed::Stand, true)));
        }
        for byte in [0x41, 0x51] {
            assert_eq!(speed(&[byte], true), Some((28, Speed::Emergency, false)));
        }
        for byte in [0x00, 0x3F, 0x80, 0xFF] {
            assert_eq!(speed(&[byte], true), None, "{byte:02X} is another instruction");
        }
    }

    /// standards/dcc.md check values 39 to 41 (S-9.2.1 C): seven bits have no step 127.
    #[test]
    fn steps_of_126_are_sent_and_read() {
        for (step, data) in [(1, 0x82), (63, 0xC0), (126, 0xFF)] {
            assert_eq!(sent(126, Speed::Step(step), true), [0x3F, data]);
            assert_eq!(speed(&[0x3F, data], true), Some((126, Speed::Step(step), true)));
        }
        assert_eq!(sent(126, Speed::Step(127), true), [0x3F, 0xFF]);
        for (data, read, forward) in
            [(0x81, Speed::Emergency, true), (0x01, Speed::Emergency, false), (0x00, Speed::Stand, false)]
        {
            assert_eq!(speed(&[0x3F, data], true), Some((126, read, forward)));
        }
    }
}
