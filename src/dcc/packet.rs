//! Packets as bytes with their error byte, and how long they take on the track.
//!
//! Source: S-9.2 (2004), S-9.2.1 (2012), S-9.2.3 (2012), bit times S-9.1 (2020); `standards/dcc.md` sections
//! 3 and 5.
use super::address::Address;
use super::cv::{CvNumber, WritableCv};
use super::step::{Speed, StepError, StepMode};

/// Ones before a packet on the main.
pub const PREAMBLE_MAIN: u32 = 14;
/// Ones before a packet in service mode.
pub const PREAMBLE_SERVICE: u32 = 20;

/// A packet: its bytes, the last being the exclusive or of all before it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Packet(Vec<u8>);

/// What a CV instruction does, as its two bits CC.
#[derive(Clone, Copy)]
enum CvAct {
    Verify = 0b01,
    Bit = 0b10,
    Write = 0b11,
}

impl Packet {
    /// Closes `bytes` with the error byte.
    fn close(mut bytes: Vec<u8>) -> Self {
        let error = bytes.iter().fold(0, |error, byte| error ^ byte);
        bytes.push(error);
        Self(bytes)
    }

    /// The packet that every decoder ignores.
    #[must_use]
    pub fn idle() -> Self {
        Self::close(vec![0xFF, 0x00])
    }

    /// The packet that resets all decoders and stops every engine.
    #[must_use]
    pub fn reset() -> Self {
        Self::close(vec![0x00, 0x00])
    }

    /// A speed order.
    ///
    /// # Errors
    /// The step does not exist in this mode.
    pub fn speed(address: Address, mode: StepMode, forward: bool, speed: Speed) -> Result<Self, StepError> {
        let mut bytes = address.packet_bytes();
        bytes.extend(mode.instruction(forward, speed)?);
        Ok(Self::close(bytes))
    }

    /// Write a CV on the main. A decoder acts on the second of two with no other packet to it between.
    #[must_use]
    pub fn main_write(address: Address, cv: WritableCv, value: u8) -> Self {
        Self::close(cv_bytes(address.packet_bytes(), 0xE0, CvAct::Write, cv.number(), value))
    }

    /// Write one bit (0 to 7) of a CV on the main.
    #[must_use]
    pub fn main_write_bit(address: Address, cv: WritableCv, bit: u8, on: bool) -> Self {
        Self::close(cv_bytes(address.packet_bytes(), 0xE0, CvAct::Bit, cv.number(), bit_data(true, bit, on)))
    }

    /// Ask for a CV on the main (answered over the rails where that is on).
    #[must_use]
    pub fn main_verify(address: Address, cv: CvNumber, value: u8) -> Self {
        Self::close(cv_bytes(address.packet_bytes(), 0xE0, CvAct::Verify, cv, value))
    }

    /// Write a CV on the programming output, direct mode.
    #[must_use]
    pub fn service_write(cv: WritableCv, value: u8) -> Self {
        Self::close(cv_bytes(Vec::new(), 0x70, CvAct::Write, cv.number(), value))
    }

    /// Verify a CV on the programming output, direct mode.
    #[must_use]
    pub fn service_verify(cv: CvNumber, value: u8) -> Self {
        Self::close(cv_bytes(Vec::new(), 0x70, CvAct::Verify, cv, value))
    }

    /// Verify one bit (0 to 7) of a CV on the programming output, direct mode.
    #[must_use]
    pub fn service_verify_bit(cv: CvNumber, bit: u8, on: bool) -> Self {
        Self::close(cv_bytes(Vec::new(), 0x70, CvAct::Bit, cv, bit_data(false, bit, on)))
    }

    /// The bytes, error byte last.
    #[must_use]
    pub fn bytes(&self) -> &[u8] {
        &self.0
    }

    /// Ones and zeros on the track: preamble, a zero before every byte, a one at the end.
    #[must_use]
    pub fn bits(&self, preamble: u32) -> (u32, u32) {
        self.0.iter().fold((preamble + 1, 0), |(ones, zeros), byte| {
            (ones + byte.count_ones(), zeros + 1 + byte.count_zeros())
        })
    }

    /// Microseconds on the track with nominal half bits of 58 and 100 microseconds.
    #[must_use]
    pub fn nominal_us(&self, preamble: u32) -> u32 {
        let (ones, zeros) = self.bits(preamble);
        116 * ones + 200 * zeros
    }
}

/// Appends `CC` with the ten bits of CV - 1, and the data.
fn cv_bytes(mut bytes: Vec<u8>, prefix: u8, act: CvAct, cv: CvNumber, data: u8) -> Vec<u8> {
    let [high, low] = (cv.get() - 1).to_be_bytes();
    bytes.extend([prefix | (act as u8) << 2 | high, low, data]);
    bytes
}

/// `111KDBBB`: K writes, D the bit's value, BBB its place.
fn bit_data(write: bool, bit: u8, on: bool) -> u8 {
    0xE0 | u8::from(write) << 4 | u8::from(on) << 3 | bit & 7
}

#[cfg(test)]
mod tests {
    use super::*;

    fn cv(number: u16) -> CvNumber {
        CvNumber::new(number).unwrap()
    }

    fn writable(number: u16) -> WritableCv {
        WritableCv::new(number).unwrap()
    }

    fn speed(address: Address, mode: StepMode, forward: bool, speed: Speed) -> Packet {
        Packet::speed(address, mode, forward, speed).unwrap()
    }

    /// A packet, its preamble, its bytes, ones and zeros on the track, nominal microseconds.
    type Row<'a> = (Packet, u32, &'a [u8], (u32, u32), u32);

    fn check(rows: &[Row]) {
        for (packet, preamble, bytes, bits, micros) in rows {
            assert_eq!(packet.bytes(), *bytes);
            assert_eq!(packet.bits(*preamble), *bits, "{bytes:02X?}");
            assert_eq!(packet.nominal_us(*preamble), *micros, "{bytes:02X?}");
        }
    }

    /// `standards/dcc.md` section 3.3 and section 10 rows 42 to 45, 51 to 53. 37 74 43, idle and reset are
    /// S-9.2's own (2004, figure 1 and B); the others follow from S-9.2, S-9.2.1 and the bit times of S-9.1.
    #[test]
    fn packets_on_the_main() {
        use Address::{Long, Short};
        use Speed::{EmergencyStop, Step, Stop};
        use StepMode::{Steps28, Steps126};
        check(&[
            (speed(Short(55), Steps28, true, Step(6)), 14, &[0x37, 0x74, 0x43], (27, 15), 6132),
            (Packet::idle(), 14, &[0xFF, 0x00, 0xFF], (31, 11), 5796),
            (Packet::reset(), 14, &[0x00, 0x00, 0x00], (15, 27), 7140),
            (speed(Short(3), Steps28, true, Stop), 14, &[0x03, 0x60, 0x63], (23, 19), 6468),
            (speed(Short(3), Steps28, true, EmergencyStop), 14, &[0x03, 0x61, 0x62], (23, 19), 6468),
            (speed(Short(3), Steps28, false, Step(28)), 14, &[0x03, 0x5F, 0x5C], (27, 15), 6132),
            (speed(Short(3), Steps126, true, Stop), 14, &[0x03, 0x3F, 0x80, 0xBC], (29, 22), 7764),
            (speed(Short(3), Steps126, true, Step(63)), 14, &[0x03, 0x3F, 0xC0, 0xFC], (31, 20), 7596),
            (speed(Short(127), Steps126, true, Step(10)), 14, &[0x7F, 0x3F, 0x8B, 0xCB], (37, 14), 7092),
            (
                speed(Long(1000), Steps126, true, Step(63)),
                14,
                &[0xC3, 0xE8, 0x3F, 0xC0, 0xD4],
                (35, 25),
                9060,
            ),
            (speed(Long(1234), Steps28, false, Step(10)), 14, &[0xC4, 0xD2, 0x56, 0x40], (27, 24), 7932),
            (
                speed(Long(10_239), Steps126, true, Step(1)),
                14,
                &[0xE7, 0xFF, 0x3F, 0x82, 0xA5],
                (41, 19),
                8556,
            ),
        ]);
    }

    /// Section 3.3 and section 10 rows 46 to 50 (S-9.2.1 long form; S-9.2.3 E).
    #[test]
    fn packets_that_reach_cvs() {
        let long = Address::Long(1000);
        let short = Address::Short(3);
        check(&[
            (
                Packet::main_write(short, writable(66), 128),
                14,
                &[0x03, 0xEC, 0x41, 0x80, 0x2E],
                (29, 31),
                9564,
            ),
            (
                Packet::main_write(long, writable(67), 4),
                14,
                &[0xC3, 0xE8, 0xEC, 0x42, 0x04, 0x81],
                (33, 36),
                11_028,
            ),
            (Packet::main_verify(short, cv(8), 0), 14, &[0x03, 0xE4, 0x07, 0x00, 0xE0], (27, 33), 9732),
            (
                Packet::main_write_bit(short, writable(29), 4, true),
                14,
                &[0x03, 0xE8, 0x1C, 0xFC, 0x0B],
                (33, 27),
                9228,
            ),
            (Packet::service_write(writable(2), 10), 20, &[0x7C, 0x01, 0x0A, 0x77], (35, 22), 8460),
            (Packet::service_verify(cv(5), 255), 20, &[0x74, 0x04, 0xFF, 0x8F], (39, 18), 8124),
            (Packet::service_verify_bit(cv(8), 7, true), 20, &[0x78, 0x07, 0xEF, 0x90], (37, 20), 8292),
            (Packet::service_verify_bit(cv(8), 7, false), 20, &[0x78, 0x07, 0xE7, 0x98], (37, 20), 8292),
            (Packet::service_write(writable(1024), 0), 20, &[0x7F, 0xFF, 0x00, 0x80], (37, 20), 8292),
        ]);
    }
}
