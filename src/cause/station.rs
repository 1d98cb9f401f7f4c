//! Causes that lie in the station and its link.
use super::Cause;

/// Every cause of this part.
pub const ALL: &[&Cause] = &[];
