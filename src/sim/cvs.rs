//! The decoder's memory: which configuration variables exist, what a write does, what a read may see.
//!
//! Sources: NMRA S-9.2.2 (2012), RCN-225 (2025), S-9.2.3 (2012), as gathered in standards/dcc.md sections 2, 4 and 5.
use super::packet::TrackAddress;
use super::spec::DecoderSim;
use std::collections::BTreeMap;

/// Where a write came from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Place {
    Service,
    Main,
}

const SHORT_ADDRESS: u16 = 1;
const VERSION: u16 = 7;
const MAKER: u16 = 8;
const KEY: u16 = 15;
const LOCK: u16 = 16;
const LONG_HIGH: u16 = 17;
const LONG_LOW: u16 = 18;
const CONSIST: u16 = 19;
const SETUP: u16 = 29;

/// The bits of CV 29.
const REVERSED: u8 = 0x01;
const STEPS_28: u8 = 0x02;
const TABLE: u8 = 0x10;
const LONG: u8 = 0x20;
/// Bits 6 and 7 belong to features that an engine's decoder lacks.
const KNOWN_SETUP: u8 = 0x3F;

/// The memory. Numbers count from 1, as in the standards.
#[derive(Clone, Debug)]
pub(super) struct Memory {
    spec: DecoderSim,
    now: BTreeMap<u16, u8>,
    long_address: u16,
    factory_resets: u32,
    changes: u64,
}

impl Memory {
    pub(super) fn new(spec: DecoderSim) -> Self {
        let mut memory = Self { now: spec.cvs.clone(), spec, long_address: 0, factory_resets: 0, changes: 0 };
        memory.take_long_address();
        memory
    }

    /// Another maker's from now on (CV 8); the rest stays.
    pub(super) fn become_another(&mut self) {
        let maker = self.get(8) ^ 0x55;
        self.now.insert(8, maker);
        self.spec.cvs.insert(8, maker);
        self.changes += 1;
    }

    /// The value, 0 where the decoder has no such CV.
    pub(super) fn get(&self, cv: u16) -> u8 {
        self.now.get(&cv).copied().unwrap_or(0)
    }

    pub(super) fn all(&self) -> &BTreeMap<u16, u8> {
        &self.now
    }

    pub(super) fn factory_resets(&self) -> u32 {
        self.factory_resets
    }

    /// Rises with every write.
    pub(super) fn changes(&self) -> u64 {
        self.changes
    }

    pub(super) fn reversed(&self) -> bool {
        self.get(SETUP) & REVERSED != 0
    }

    pub(super) fn steps_28(&self) -> bool {
        self.get(SETUP) & STEPS_28 != 0
    }

    pub(super) fn table_on(&self) -> bool {
        self.get(SETUP) & TABLE != 0
    }

    /// The address that is live: CV 29 bit 5 chooses. `None` where the short one is out of range (RCN-225 CV 1).
    pub(super) fn address(&self) -> Option<TrackAddress> {
        if self.get(SETUP) & LONG != 0 {
            return Some(TrackAddress { number: self.long_address, long: true });
        }
        let number = u16::from(self.get(SHORT_ADDRESS));
        (1..=127).contains(&number).then_some(TrackAddress { number, long: false })
    }

    /// Consist address and whether the engine runs reversed in it; `None` while not in a consist.
    pub(super) fn consist(&self) -> Option<(u16, bool)> {
        let value = self.get(CONSIST);
        (value & 0x7F != 0).then_some((u16::from(value & 0x7F), value & 0x80 != 0))
    }

    /// What a read sees: nothing where the CV does not exist, does not answer, or is locked.
    pub(super) fn read(&self, cv: u16) -> Option<u8> {
        if self.spec.unreadable.contains(&cv) || self.locked(cv) {
            return None;
        }
        self.now.get(&cv).copied()
    }

    fn locked(&self, cv: u16) -> bool {
        self.spec.key_lock && cv != KEY && self.get(KEY) != self.get(LOCK)
    }

    /// Writes a CV; says whether the decoder did.
    pub(super) fn write(&mut self, cv: u16, value: u8, place: Place) -> bool {
        if !self.now.contains_key(&cv) || self.locked(cv) {
            return false;
        }
        match cv {
            VERSION => false,
            MAKER => place == Place::Service && value == 8 && self.factory_reset(),
            SHORT_ADDRESS => place == Place::Service && self.write_short_address(value),
            2 | 5 | 6 if value == 0 && self.spec.refuses_zeros => false,
            LONG_HIGH => (192..=231).contains(&value) && self.store(cv, value),
            LONG_LOW => self.store(cv, value) && self.take_long_address(),
            SETUP => {
                let lacking = if self.spec.has_table { 0 } else { TABLE };
                self.store(cv, value & KNOWN_SETUP & !lacking)
            }
            _ => self.store(cv, value),
        }
    }

    fn store(&mut self, cv: u16, value: u8) -> bool {
        self.changes += 1;
        self.now.insert(cv, value);
        true
    }

    /// A write of CV 1 also ends the long address and the consist (S-9.2.3 E, address-only).
    fn write_short_address(&mut self, value: u8) -> bool {
        if value > 127 {
            return false;
        }
        let setup = self.get(SETUP) & !LONG;
        self.store(SETUP, setup);
        self.store(CONSIST, 0);
        self.store(SHORT_ADDRESS, value)
    }

    /// The pair counts from the write of CV 18 on (S-9.2.1 footnote 8).
    fn take_long_address(&mut self) -> bool {
        self.long_address = (u16::from(self.get(LONG_HIGH) & 0x3F) << 8) | u16::from(self.get(LONG_LOW));
        true
    }

    fn factory_reset(&mut self) -> bool {
        self.now.clone_from(&self.spec.cvs);
        self.factory_resets += 1;
        self.changes += 1;
        self.take_long_address()
    }
}

#[cfg(test)]
mod tests {
    use super::super::demo_engines;
    use super::*;

    fn memory(change: impl FnOnce(&mut DecoderSim)) -> Memory {
        let mut spec = demo_engines::lapwing(1).decoder;
        change(&mut spec);
        Memory::new(spec)
    }

    /// standards/dcc.md check values 17 to 25 (S-9.2.2 and RCN-225, CV 17/18).
    #[test]
    fn long_addresses_are_read_from_the_pair_when_its_low_half_is_written() {
        let mut memory = memory(|_| ());
        assert!(memory.write(29, 0x26, Place::Service));
        for (high, low, address) in [
            (195, 232, 1000),
            (192, 1, 1),
            (196, 210, 1234),
            (231, 15, 9999),
            (231, 255, 10239),
            (199, 222, 2014),
        ] {
            let before = memory.address();
            assert!(memory.write(17, high, Place::Main));
            assert_eq!(memory.address(), before, "the high half alone changes nothing");
            assert!(memory.write(18, low, Place::Main));
            assert_eq!(memory.address(), Some(TrackAddress { number: address, long: true }));
        }
        assert!(!memory.write(17, 232, Place::Service));
    }

    /// standards/dcc.md sections 2 and 5 (S-9.2.2 CV 1, S-9.2.3 E address-only).
    #[test]
    fn a_new_short_address_ends_the_long_one_and_the_consist() {
        let mut memory = memory(|_| ());
        assert!(memory.write(29, 0x26, Place::Service) && memory.write(19, 131, Place::Service));
        assert_eq!(memory.consist(), Some((3, true)), "standards/dcc.md check value 29");
        assert!(memory.write(1, 9, Place::Service));
        assert_eq!(memory.address(), Some(TrackAddress { number: 9, long: false }));
        assert_eq!((memory.consist(), memory.get(29)), (None, 6));
        assert!(!memory.write(1, 128, Place::Service));
        assert!(!memory.write(1, 5, Place::Main));
    }

    #[test]
    fn identity_is_read_only_and_8_in_cv_8_resets_everything() {
        let mut memory = memory(|_| ());
        let delivered = memory.get(3);
        assert!(memory.write(3, 77, Place::Service));
        assert!(!memory.write(7, 1, Place::Service) && !memory.write(8, 1, Place::Service));
        assert!(!memory.write(8, 8, Place::Main), "resets are for service mode (RCN-226)");
        assert_eq!((memory.get(3), memory.factory_resets()), (77, 0));
        assert!(memory.write(8, 8, Place::Service));
        assert_eq!((memory.get(3), memory.factory_resets()), (delivered, 1));
    }

    #[test]
    fn zeros_are_refused_where_the_decoder_refuses_them() {
        let mut memory = memory(|spec| spec.refuses_zeros = true);
        for cv in [2, 5, 6] {
            assert!(memory.write(cv, 1, Place::Service));
            assert!(!memory.write(cv, 0, Place::Service));
            assert_eq!(memory.get(cv), 1);
        }
        assert!(memory.write(3, 0, Place::Service));
    }

    #[test]
    fn cv_15_and_16_lock_all_others_unless_equal() {
        let mut memory = memory(|spec| spec.key_lock = true);
        assert!(memory.write(16, 2, Place::Service));
        assert!(!memory.write(3, 9, Place::Service));
        assert_eq!((memory.read(3), memory.read(15)), (None, Some(0)));
        assert!(memory.write(15, 2, Place::Service) && memory.write(3, 9, Place::Service));
    }

    /// A decoder "must refuse to set a bit for a feature it lacks" (standards/dcc.md section 2, S-9.2.2 CV 29).
    #[test]
    fn cv_29_keeps_only_bits_of_features_it_has() {
        let mut memory = memory(|spec| spec.has_table = false);
        assert!(memory.write(29, 0xFF, Place::Service));
        assert_eq!(memory.get(29), 0x2F);
        assert!(!memory.write(512, 1, Place::Service), "no such CV");
    }
}
