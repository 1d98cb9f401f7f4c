//! Causes that lie in the record and the disk.
use super::Cause;

/// Every cause of this part.
pub const ALL: &[&Cause] = &[];
