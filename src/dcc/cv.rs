//! Numbers of the configuration variables that the program uses.
//!
//! Source: S-9.2.2 (2012) and RCN-225 (2025), `standards/dcc.md` sections 2, 4 and 5.
use std::fmt;
use thiserror::Error;

/// Short address.
pub const SHORT_ADDRESS: u16 = 1;
/// Drive at step 1.
pub const START_DRIVE: u16 = 2;
/// Acceleration rate.
pub const ACCELERATION: u16 = 3;
/// Deceleration rate.
pub const DECELERATION: u16 = 4;
/// Drive at the top step.
pub const TOP_DRIVE: u16 = 5;
/// Drive at the middle step.
pub const MID_DRIVE: u16 = 6;
/// Version of the decoder, as its maker counts.
pub const VERSION: u16 = 7;
/// Maker of the decoder.
pub const MAKER: u16 = 8;
/// Longest time without a packet.
pub const PACKET_TIMEOUT: u16 = 11;
/// Lock of the CVs, key.
pub const LOCK_KEY: u16 = 15;
/// Lock of the CVs, lock.
pub const LOCK: u16 = 16;
/// Long address, high byte.
pub const LONG_ADDRESS_HIGH: u16 = 17;
/// Long address, low byte.
pub const LONG_ADDRESS_LOW: u16 = 18;
/// Consist address.
pub const CONSIST: u16 = 19;
/// Consist address, hundreds.
pub const CONSIST_HUNDREDS: u16 = 20;
/// Added to the acceleration rate.
pub const ACCELERATION_ADJUST: u16 = 23;
/// Added to the deceleration rate.
pub const DECELERATION_ADJUST: u16 = 24;
/// Choice of a curve of the maker's, or place of the middle drive.
pub const CURVE_CHOICE: u16 = 25;
/// Basic settings; see [`super::Cv29`].
pub const SETTINGS: u16 = 29;
/// Extra drive between standing and step 1.
pub const KICK_START: u16 = 65;
/// Forward trim.
pub const TRIM_FORWARD: u16 = 66;
/// First entry of the speed table.
pub const TABLE_FIRST: u16 = 67;
/// Last entry of the speed table.
pub const TABLE_LAST: u16 = 94;
/// Reverse trim.
pub const TRIM_REVERSE: u16 = 95;
/// Highest CV a packet can reach.
pub const LAST: u16 = 1024;

/// Not a CV that may be used so.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Error)]
pub enum CvError {
    /// Outside 1 to 1024.
    #[error("CVs are numbered 1 to {LAST}, not {0}")]
    Number(u16),
    /// CV 7 and CV 8 tell who made the decoder; writing them can reset it.
    #[error("CV {0} is never written: writing it can reset the decoder")]
    NeverWritten(u16),
    /// The table has 28 entries.
    #[error("the speed table has entries 1 to 28, not {0}")]
    Entry(usize),
}

/// The number of a CV, 1 to 1024.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct CvNumber(u16);

impl CvNumber {
    /// CV `number`.
    ///
    /// # Errors
    /// Outside 1 to 1024.
    pub fn new(number: u16) -> Result<Self, CvError> {
        if (1..=LAST).contains(&number) { Ok(Self(number)) } else { Err(CvError::Number(number)) }
    }

    /// The number.
    #[must_use]
    pub const fn get(self) -> u16 {
        self.0
    }
}

/// The number of a CV that may be written: 1 to 1024, never 7 or 8.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct WritableCv(CvNumber);

impl WritableCv {
    /// CV `number`, to be written.
    ///
    /// # Errors
    /// Outside 1 to 1024, or 7 or 8.
    pub fn new(number: u16) -> Result<Self, CvError> {
        match number {
            VERSION | MAKER => Err(CvError::NeverWritten(number)),
            _ => CvNumber::new(number).map(Self),
        }
    }

    /// Entry 1 to 28 of the speed table.
    ///
    /// # Errors
    /// No such entry.
    pub fn table_entry(entry: usize) -> Result<Self, CvError> {
        match u16::try_from(entry) {
            Ok(small) if (1..=28).contains(&small) => Self::new(TRIM_FORWARD + small),
            _ => Err(CvError::Entry(entry)),
        }
    }

    /// The number.
    #[must_use]
    pub const fn number(self) -> CvNumber {
        self.0
    }
}

impl fmt::Display for CvNumber {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "CV {}", self.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// `standards/dcc.md` section 10 rows 76 and 77 (S-9.2.2 CV 67-94).
    #[test]
    fn table_entries_lie_in_cv_67_to_94() {
        for (entry, number) in [(1, 67), (14, 80), (28, 94)] {
            assert_eq!(WritableCv::table_entry(entry).unwrap().number().get(), number);
        }
        assert_eq!((TABLE_FIRST, TABLE_LAST), (67, 94));
        for entry in [0, 29, 70_000] {
            assert_eq!(WritableCv::table_entry(entry), Err(CvError::Entry(entry)));
        }
    }

    /// `standards/dcc.md` section 5.2: CV 7 is read-only, CV 8 resets (RCN-226; S-9.2.2 CV 8).
    #[test]
    fn the_makers_cvs_cannot_be_written() {
        for number in 0..=1100 {
            let may = matches!(number, 1..=6 | 9..=1024);
            assert_eq!(WritableCv::new(number).is_ok(), may, "{number}");
        }
        assert_eq!(
            WritableCv::new(8).unwrap_err().to_string(),
            "CV 8 is never written: writing it can reset the decoder"
        );
        assert_eq!(CvNumber::new(8).unwrap().to_string(), "CV 8");
        assert!(CvNumber::new(0).is_err() && CvNumber::new(1025).is_err());
    }
}
