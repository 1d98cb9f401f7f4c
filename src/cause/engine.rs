//! Causes that lie in the engine and its decoder.
use super::Cause;

/// Every cause of this part.
pub const ALL: &[&Cause] = &[];
