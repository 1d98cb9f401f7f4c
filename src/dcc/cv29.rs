//! CV 29, the decoder's basic settings, bit by bit. S-9.2.2 (2012) and RCN-225 (2025), `standards/dcc.md`
//! section 2.
use serde::{Deserialize, Serialize};

/// A setting in CV 29; its number is its weight.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[repr(u8)]
pub enum Bit {
    /// Forward and reverse are swapped.
    Reversed = 1,
    /// 28 (and 126) steps instead of 14.
    Steps28 = 2,
    /// Analogue power is taken when no packets come: a lost signal could become full speed.
    Analogue = 4,
    /// The decoder answers on the track.
    Answers = 8,
    /// Speed from the table (CV 67 to 94) and trims instead of CV 2, 5, 6.
    SpeedTable = 16,
    /// CV 17/18 instead of CV 1.
    LongAddress = 32,
    /// An accessory decoder: no locomotive.
    Accessory = 128,
}

/// Content of CV 29.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Cv29(u8);

impl Cv29 {
    /// The content as read; every value is possible.
    #[must_use]
    pub const fn from_value(value: u8) -> Self {
        Self(value)
    }

    /// The content to write.
    #[must_use]
    pub const fn value(self) -> u8 {
        self.0
    }

    /// Whether a setting is on.
    #[must_use]
    pub const fn has(self, bit: Bit) -> bool {
        self.0 & bit as u8 != 0
    }

    /// The same with one setting switched, all others as they were.
    #[must_use]
    pub const fn with(self, bit: Bit, on: bool) -> Self {
        if on { Self(self.0 | bit as u8) } else { Self(self.0 & !(bit as u8)) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const ALL: [Bit; 7] = [
        Bit::Reversed,
        Bit::Steps28,
        Bit::Analogue,
        Bit::Answers,
        Bit::SpeedTable,
        Bit::LongAddress,
        Bit::Accessory,
    ];

    /// `standards/dcc.md` section 10 rows 30 to 34 (S-9.2.2, 2012; RCN-225, 2025).
    #[test]
    fn bits_add_up() {
        use Bit::{Analogue, Answers, LongAddress, Reversed, SpeedTable, Steps28};
        for (bits, value) in [
            (&[Steps28, SpeedTable][..], 18),
            (&[Steps28, Analogue], 6),
            (&[Steps28, Analogue, SpeedTable], 22),
            (&[Steps28, Answers, SpeedTable], 26),
            (&[Reversed, Steps28, Answers, SpeedTable, LongAddress], 59),
        ] {
            let cv29 = bits.iter().fold(Cv29::from_value(0), |cv29, bit| cv29.with(*bit, true));
            assert_eq!(cv29.value(), value);
        }
    }

    /// Row 35 (S-9.2.2, 2012).
    #[test]
    fn fifty_is_28_steps_table_and_long_address() {
        let cv29 = Cv29::from_value(50);
        let on: Vec<Bit> = ALL.into_iter().filter(|bit| cv29.has(*bit)).collect();
        assert_eq!(on, [Bit::Steps28, Bit::SpeedTable, Bit::LongAddress]);
    }

    #[test]
    fn switching_the_table_leaves_every_other_bit() {
        for value in 0..=u8::MAX {
            let on = Cv29::from_value(value).with(Bit::SpeedTable, true);
            assert_eq!(on.value() & !16, value & !16);
            assert!(on.has(Bit::SpeedTable));
            let off = on.with(Bit::SpeedTable, false);
            assert_eq!(off.value(), value & !16);
        }
    }
}
