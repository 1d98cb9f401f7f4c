//! Causes that lie in bench file.
use super::Cause;

/// Every cause of this part.
pub const ALL: &[&Cause] = &[];
