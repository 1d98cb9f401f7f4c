//! Addresses: short (CV 1) and long (CV 17/18). S-9.2.2 and RCN-225, `standards/dcc.md` section 2.
use serde::{Deserialize, Serialize};

/// The address of a locomotive decoder.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Address {
    /// CV 1, 1 to 127.
    Short(u8),
    /// CV 17/18, 1 to 10239.
    Long(u16),
}
