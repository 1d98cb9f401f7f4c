//! Causes that lie in the sensor and its link.
use super::Cause;

/// Every cause of this part.
pub const ALL: &[&Cause] = &[];
