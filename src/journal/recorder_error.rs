//! What a recorder can meet, and what the core is told of it. Knows the catalogue of causes, not the folder.
use super::disk::{DiskError, DiskErrorKind};
use crate::cause::{Cause, record};
use crate::run::JournalTrouble;
use thiserror::Error;

/// What a recorder can meet.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum RecorderError {
    /// No room, the ballast included.
    #[error("the disk is full: {0}")]
    Full(DiskError),
    /// The disk refused.
    #[error(transparent)]
    Failed(DiskError),
    /// Numbers of records rise by one from 1.
    #[error("record {found} came where record {expected} was due")]
    OutOfOrder {
        /// The number due.
        expected: u64,
        /// The number that came.
        found: u64,
    },
    /// It was written, but cannot be read again (a number that is not finite, say).
    #[error("record {n} cannot be read back: {why}")]
    Unreadable {
        /// Its number.
        n: u64,
        /// What the reader said.
        why: String,
    },
    /// A frame longer than any link brings.
    #[error("a frame of {0} bytes is longer than a frame may be")]
    LongFrame(usize),
}

impl RecorderError {
    /// The cause in the catalogue.
    #[must_use]
    pub fn cause(&self) -> &'static Cause {
        match self {
            Self::Full(_) => &record::DISK_FULL,
            Self::Failed(_) => &record::DISK_FAILED,
            _ => &record::PANIC_IN_TASK,
        }
    }

    /// As the core is told.
    #[must_use]
    pub fn trouble(&self) -> JournalTrouble {
        match self {
            Self::Full(_) => JournalTrouble::Full,
            other => JournalTrouble::Failed(other.to_string()),
        }
    }
}

impl From<DiskError> for RecorderError {
    fn from(error: DiskError) -> Self {
        match error.kind {
            DiskErrorKind::Full => Self::Full(error),
            _ => Self::Failed(error),
        }
    }
}
