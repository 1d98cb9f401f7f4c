//! Decimals as sensors send them, and lines of nothing else, read in one pass.
//!
//! With at most fifteen digits the whole number and the power of ten are exact, so that their quotient is the nearest
//! float, as the language's own reading gives it (which costs three times as much). Whatever is written otherwise is left
//! to that.

/// Digits that a float holds exactly.
const MOST_DIGITS: usize = 15;
const TENS: [f64; MOST_DIGITS + 1] =
    [1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15];
/// Columns of a line that is read so.
pub(super) const MOST_COLUMNS: usize = 8;

/// A decimal: digits with perhaps a sign before and a point among them.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Decimal {
    whole: u64,
    /// Digits behind the point, where there is one.
    decimals: Option<usize>,
    negative: bool,
}

impl Decimal {
    /// Nothing else is in these bytes.
    pub(super) fn read(bytes: &[u8]) -> Option<Self> {
        let (read, rest) = Self::first(bytes)?;
        rest.is_empty().then_some(read)
    }

    /// The decimal at the start of these bytes, and what is behind it.
    fn first(bytes: &[u8]) -> Option<(Self, &[u8])> {
        let (negative, rest) = match bytes {
            [b'-', rest @ ..] => (true, rest),
            rest => (false, rest),
        };
        let (whole, before, rest) = digits(0, rest);
        let (whole, behind, rest) = match rest {
            [b'.', rest @ ..] => {
                let (whole, behind, rest) = digits(whole, rest);
                (whole, Some(behind), rest)
            }
            rest => (whole, None, rest),
        };
        let count = before + behind.unwrap_or(0);
        (1..=MOST_DIGITS).contains(&count).then_some((Self { whole, decimals: behind, negative }, rest))
    }

    pub(super) fn value(&self) -> f64 {
        let number = self.whole as f64 / TENS[self.decimals.unwrap_or(0)];
        if self.negative { -number } else { number }
    }

    /// The count that it is written as: a whole number without a sign.
    pub(super) fn count(&self) -> Option<u32> {
        if self.negative { None } else { u32::try_from(self.whole()?).ok() }
    }

    /// The whole number that it is written as.
    pub(super) fn whole(&self) -> Option<i64> {
        let whole = i64::try_from(self.whole).ok().filter(|_| self.decimals.is_none())?;
        Some(if self.negative { -whole } else { whole })
    }
}

/// The number that goes on with the digits at the start of these bytes, how many they are, and what is behind them.
fn digits(number: u64, bytes: &[u8]) -> (u64, usize, &[u8]) {
    let (mut number, mut count) = (number, 0);
    for byte in bytes {
        let digit = byte.wrapping_sub(b'0');
        if digit > 9 {
            break;
        }
        // More digits than fit are refused at the end.
        number = number.wrapping_mul(10).wrapping_add(u64::from(digit));
        count += 1;
    }
    (number, count, &bytes[count..])
}

/// The decimals of a line with commas between them, and how many; none where anything else is in it.
pub(super) fn line(bytes: &[u8], into: &mut [Decimal; MOST_COLUMNS]) -> Option<usize> {
    let mut rest = bytes;
    for (nth, place) in into.iter_mut().enumerate() {
        let behind;
        (*place, behind) = Decimal::first(rest)?;
        match behind {
            [] => return Some(nth + 1),
            [b',', behind @ ..] => rest = behind,
            _ => return None,
        }
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        /// The reference is the language's own reading, which rounds to the nearest float.
        #[test]
        fn what_is_read_is_the_nearest_float(text in "-?[0-9]{0,9}(\\.[0-9]{0,9})?") {
            if let Some(read) = Decimal::read(text.as_bytes()) {
                prop_assert_eq!(read.value().to_bits(), text.parse::<f64>().unwrap().to_bits());
                prop_assert_eq!(read.whole(), text.parse::<i64>().ok());
            }
        }
    }

    #[test]
    fn short_decimals_are_read() {
        for (text, wanted) in [
            ("0", 0.0),
            ("-0.05", -0.05),
            (".5", 0.5),
            ("7.", 7.0),
            ("123456789.123456", 123_456_789.123_456),
        ] {
            assert_eq!(Decimal::read(text.as_bytes()).map(|read| read.value()), Some(wanted), "{text}");
        }
    }

    #[test]
    fn anything_else_is_left() {
        for text in [
            "",
            "-",
            ".",
            "-.",
            "--1",
            "1-",
            "+1",
            "1e3",
            " 1",
            "1.2.3",
            "1234567890123456",
            "0x1",
            "1,2",
            "NaN",
        ] {
            assert!(Decimal::read(text.as_bytes()).is_none(), "{text}");
        }
        let mut found = [Decimal::default(); MOST_COLUMNS];
        assert_eq!(line(b"1,-2.50,3", &mut found), Some(3));
        assert!((found[1].value() + 2.5).abs() < 1e-12);
        assert_eq!(line(b"1,,3", &mut found), None);
        assert_eq!(line(b"1,2,3,4,5,6,7,8,9", &mut found), None);
    }
}
