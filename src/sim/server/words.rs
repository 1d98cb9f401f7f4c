//! Words of the protocol: refusals with their texts, and reading numbers (standards/srcp.md A1, A3).
use std::str::FromStr;

/// An order that is not carried out, by its code.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Refusal(pub(super) u16);

impl Refusal {
    pub(super) const UNKNOWN_COMMAND: Self = Self(410);
    pub(super) const WRONG_VALUE: Self = Self(412);
    pub(super) const NOT_NOW: Self = Self(413);
    pub(super) const LOCKED: Self = Self(414);
    pub(super) const FORBIDDEN: Self = Self(415);
    pub(super) const NO_DATA: Self = Self(416);
    pub(super) const TOO_LONG: Self = Self(418);
    pub(super) const TOO_SHORT: Self = Self(419);
    pub(super) const UNSUPPORTED_PROTOCOL: Self = Self(420);
    pub(super) const UNSUPPORTED_GROUP: Self = Self(422);
    pub(super) const UNSUPPORTED_OPERATION: Self = Self(423);
    pub(super) const REINITIALIZED: Self = Self(424);
    pub(super) const NOT_SUPPORTED: Self = Self(425);
    pub(super) const NO_ROOM: Self = Self(500);

    /// The reply, without timestamp. Texts as in the table of standards/srcp.md A3.
    pub(super) fn line(self) -> String {
        let text = match self.0 {
            400 => "unsupported protocol",
            401 => "unsupported connection mode",
            402 => "insufficient data",
            410 => "unknown command",
            411 => "unknown value",
            412 => "wrong value",
            413 => "temporarily prohibited",
            414 => "device locked",
            415 => "forbidden",
            416 => "no data",
            418 => "list too long",
            419 => "list too short",
            420 => "unsupported device protocol",
            422 => "unsupported device group",
            423 => "unsupported operation",
            424 => "device reinitialized",
            425 => "not supported",
            500 => "out of resources",
            _ => "unspecified error",
        };
        format!("{} ERROR {text}", self.0)
    }
}

/// The number at `place` of a command's words.
pub(super) fn number<T: FromStr>(words: &[&str], place: usize) -> Result<T, Refusal> {
    let word = words.get(place).ok_or(Refusal::TOO_SHORT)?;
    word.parse().map_err(|_| Refusal::WRONG_VALUE)
}

/// A number at `place` that lies in a range.
pub(super) fn ranged(words: &[&str], place: usize, low: u16, high: u16) -> Result<u16, Refusal> {
    let value = number(words, place)?;
    if (low..=high).contains(&value) { Ok(value) } else { Err(Refusal::WRONG_VALUE) }
}
