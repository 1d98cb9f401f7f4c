//! Addresses: short (CV 1), long (CV 17/18), consist (CV 19/20).
//!
//! Source: `standards/dcc.md` section 2 (NMRA S-9.2.2, 2012; RCN-225, 2025).
use super::cv29::{Bit, Cv29};
use serde::{Deserialize, Serialize};
use std::fmt;
use thiserror::Error;

/// Highest short address.
pub const SHORT_MAX: u16 = 127;
/// Highest long address.
pub const LONG_MAX: u16 = 10_239;
/// Added to the high byte of a long address in CV 17.
const LONG_MARK: u8 = 192;

/// The address of a locomotive decoder.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Address {
    /// CV 1, 1 to 127.
    Short(u8),
    /// CV 17/18, 1 to 10239.
    Long(u16),
}

/// Not an address of a locomotive decoder.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Error)]
pub enum AddressError {
    /// Outside 1 to 127.
    #[error("a short address is 1 to {SHORT_MAX}, not {0}")]
    Short(u16),
    /// Outside 1 to 10239.
    #[error("a long address is 1 to {LONG_MAX}, not {0}")]
    Long(u16),
    /// CV 17 outside 192 to 231, or the pair says 0.
    #[error("CV 17 = {cv17} with CV 18 = {cv18} is no long address")]
    LongPair {
        /// Content of CV 17.
        cv17: u8,
        /// Content of CV 18.
        cv18: u8,
    },
}

impl Address {
    /// A short address.
    ///
    /// # Errors
    /// Outside 1 to 127.
    pub fn short(number: u16) -> Result<Self, AddressError> {
        match u8::try_from(number) {
            Ok(small) if (1..=SHORT_MAX).contains(&number) => Ok(Self::Short(small)),
            _ => Err(AddressError::Short(number)),
        }
    }

    /// A long address.
    ///
    /// # Errors
    /// Outside 1 to 10239 (0 is not an address: RCN-225).
    pub fn long(number: u16) -> Result<Self, AddressError> {
        if (1..=LONG_MAX).contains(&number) {
            Ok(Self::Long(number))
        } else {
            Err(AddressError::Long(number))
        }
    }

    /// The long address that CV 17 and CV 18 hold.
    ///
    /// # Errors
    /// The pair holds none.
    pub fn from_long_cvs(cv17: u8, cv18: u8) -> Result<Self, AddressError> {
        let error = AddressError::LongPair { cv17, cv18 };
        let high = cv17.checked_sub(LONG_MARK).ok_or(error)?;
        Self::long(u16::from(high) * 256 + u16::from(cv18)).map_err(|_| error)
    }

    /// The address a decoder listens to, from its CVs; CV 29 says which pair is live.
    ///
    /// # Errors
    /// The live CVs hold no address.
    pub fn live(cv1: u8, cv17: u8, cv18: u8, cv29: Cv29) -> Result<Self, AddressError> {
        if cv29.has(Bit::LongAddress) { Self::from_long_cvs(cv17, cv18) } else { Self::short(cv1.into()) }
    }

    /// The number without its kind.
    #[must_use]
    pub const fn number(self) -> u16 {
        match self {
            Self::Short(number) => number as u16,
            Self::Long(number) => number,
        }
    }
}

impl fmt::Display for Address {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Short(number) => write!(f, "{number} (short)"),
            Self::Long(number) => write!(f, "{number} (long)"),
        }
    }
}

/// A consist the decoder is part of: while it is, it is deaf to speed orders to its own address (S-9.2.1).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Consist {
    /// Address of the consist, 1 to 10239.
    pub number: u16,
    /// The engine runs the other way round in it.
    pub reversed: bool,
}

impl Consist {
    /// The consist that CV 19 and CV 20 say (CV 20 is 0 where a decoder lacks it), or none.
    #[must_use]
    pub fn from_cvs(cv19: u8, cv20: u8) -> Option<Self> {
        let number = u16::from(cv20 & 0x7F) * 100 + u16::from(cv19 & 0x7F);
        (1..=LONG_MAX).contains(&number).then_some(Self { number, reversed: cv19 & 0x80 != 0 })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// `standards/dcc.md` section 10 rows 17 to 22 and the table of section 2 (S-9.2.2, 2012; 1000 is
    /// RCN-225's own).
    #[test]
    fn long_addresses_are_split_over_two_cvs() {
        for (number, cv17, cv18) in [
            (1, 192, 1),
            (100, 192, 100),
            (127, 192, 127),
            (128, 192, 128),
            (255, 192, 255),
            (256, 193, 0),
            (999, 195, 231),
            (1000, 195, 232),
            (1234, 196, 210),
            (3000, 203, 184),
            (4014, 207, 174),
            (9999, 231, 15),
            (10_000, 231, 16),
            (10_239, 231, 255),
        ] {
            assert_eq!(Address::from_long_cvs(cv17, cv18), Ok(Address::Long(number)));
        }
    }

    /// Row 24, and 192/128 = 128 from section 2 (S-9.2.2, 2012).
    #[test]
    fn two_cvs_join_to_a_long_address() {
        assert_eq!(Address::from_long_cvs(199, 222), Ok(Address::Long(2014)));
        assert_eq!(Address::from_long_cvs(192, 128), Ok(Address::Long(128)));
    }

    /// Rows 23, 25, 26 (S-9.2.2 CV 1 and CV 17/18; RCN-225 for long 0).
    #[test]
    fn what_is_no_address_is_refused() {
        assert_eq!(Address::long(10_240), Err(AddressError::Long(10_240)));
        assert_eq!(Address::from_long_cvs(232, 0), Err(AddressError::LongPair { cv17: 232, cv18: 0 }));
        assert_eq!(Address::from_long_cvs(191, 9), Err(AddressError::LongPair { cv17: 191, cv18: 9 }));
        assert_eq!(Address::long(0), Err(AddressError::Long(0)));
        assert_eq!(Address::from_long_cvs(192, 0), Err(AddressError::LongPair { cv17: 192, cv18: 0 }));
        assert_eq!(Address::short(0), Err(AddressError::Short(0)));
        assert_eq!(Address::short(128), Err(AddressError::Short(128)));
    }

    /// S-9.2.2 and RCN-225, CV 29 bit 5.
    #[test]
    fn cv_29_says_which_address_is_live() {
        assert_eq!(Address::live(3, 195, 232, Cv29::from_value(2)), Ok(Address::Short(3)));
        assert_eq!(Address::live(3, 195, 232, Cv29::from_value(34)), Ok(Address::Long(1000)));
        assert_eq!(Address::live(0, 195, 232, Cv29::from_value(2)), Err(AddressError::Short(0)));
    }

    /// Rows 27 to 29 (RCN-225 CV 19/20; S-9.2.2 CV 19).
    #[test]
    fn consist_addresses() {
        assert_eq!(Consist::from_cvs(0, 0), None);
        assert_eq!(Consist::from_cvs(34, 12), Some(Consist { number: 1234, reversed: false }));
        assert_eq!(Consist::from_cvs(131, 0), Some(Consist { number: 3, reversed: true }));
        assert_eq!(Consist::from_cvs(128, 0), None, "reversed, but in no consist");
        assert_eq!(Consist::from_cvs(40, 102), None, "10240 means no consist");
    }
}
