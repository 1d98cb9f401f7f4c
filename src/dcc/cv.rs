//! Numbers of the configuration variables that the program uses.
//!
//! Source: S-9.2.2 (2012) and RCN-225 (2025), `standards/dcc.md` sections 2, 4 and 5.
use std::ops::RangeInclusive;
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
/// Key of the lock: all other CVs are open while it equals [`LOCK`].
pub const KEY: u16 = 15;
/// Lock, see [`KEY`].
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
/// Basic settings; see [`super::Cv29`].
pub const SETTINGS: u16 = 29;
/// Forward trim.
pub const TRIM_FORWARD: u16 = 66;
/// Reverse trim.
pub const TRIM_REVERSE: u16 = 95;
/// The speed table between its trims: CV 67, its first entry, to CV 94, its last, and the trims on either side.
pub const TABLE_WITH_TRIMS: RangeInclusive<u16> = TRIM_FORWARD..=TRIM_REVERSE;
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
}

/// `cv`, where it is the number of a CV.
///
/// # Errors
/// Outside 1 to 1024.
pub fn readable(cv: u16) -> Result<u16, CvError> {
    if (1..=LAST).contains(&cv) { Ok(cv) } else { Err(CvError::Number(cv)) }
}

/// `cv`, where it is the number of a CV that may be written.
///
/// # Errors
/// Outside 1 to 1024, or 7 or 8.
pub fn writable(cv: u16) -> Result<u16, CvError> {
    match cv {
        VERSION | MAKER => Err(CvError::NeverWritten(cv)),
        _ => readable(cv),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// `standards/dcc.md` section 10 rows 76 and 77 (S-9.2.2 CV 66, 67-94, 95): a trim, 28 entries, a trim.
    #[test]
    fn the_table_lies_between_its_trims() {
        let cvs: Vec<u16> = TABLE_WITH_TRIMS.collect();
        assert_eq!((cvs.len(), cvs[0], cvs[29]), (30, TRIM_FORWARD, TRIM_REVERSE));
        for (entry, cv) in [(1, 67), (14, 80), (28, 94)] {
            assert_eq!(cvs[entry], cv);
        }
    }

    /// `standards/dcc.md` section 5.2: CV 7 is read-only, CV 8 resets (RCN-226; S-9.2.2 CV 8).
    #[test]
    fn the_makers_cvs_cannot_be_written() {
        for cv in 0..=1100 {
            assert_eq!(writable(cv).is_ok(), matches!(cv, 1..=6 | 9..=1024), "{cv}");
            assert_eq!(readable(cv).is_ok(), matches!(cv, 1..=1024), "{cv}");
        }
        let refused = writable(8).unwrap_err().to_string();
        assert_eq!(refused, "CV 8 is never written: writing it can reset the decoder");
    }
}
