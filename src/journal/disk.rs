//! What the record needs of a disk, as a contract: a real one ([`super::RealDisk`]) and one in memory that can
//! fail and lose power ([`super::VirtualDisk`]) keep it alike.
//!
//! *Written* means handed to the operating system: it outlives this process. *Synced* means on the medium: it
//! outlives the power. A name in a folder needs a sync of its own, which every call here does that makes a name.
use crate::cause::{Cause, record};
use std::fmt;
use std::path::{Path, PathBuf};
use thiserror::Error;

/// Why a disk said no.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum DiskErrorKind {
    /// No room, or the quota is used up.
    Full,
    /// Nothing of this name is there.
    Missing,
    /// Something of this name is there already.
    Exists,
    /// Anything else.
    Failed,
}

/// An operation that a disk refused.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
#[error("cannot {doing} {}: {words}", path.display())]
pub struct DiskError {
    /// Why, for decisions.
    pub kind: DiskErrorKind,
    /// What was tried: "append to", "sync", ...
    pub doing: &'static str,
    /// On which file or folder.
    pub path: PathBuf,
    /// The operating system's words.
    pub words: String,
}

impl DiskError {
    /// The cause in the catalogue.
    #[must_use]
    pub fn cause(&self) -> &'static Cause {
        match self.kind {
            DiskErrorKind::Full => &record::DISK_FULL,
            _ => &record::DISK_FAILED,
        }
    }
}

/// A file open for appending.
pub trait AppendFile: Send + fmt::Debug {
    /// Hand these bytes to the operating system, behind all that is there.
    ///
    /// # Errors
    /// The disk's own; part of the bytes may have been written then ([`AppendFile::truncate`] takes them away).
    fn append(&mut self, bytes: &[u8]) -> Result<(), DiskError>;

    /// Bring all that was appended onto the medium.
    ///
    /// # Errors
    /// The disk's own; nobody knows then what is on the medium, and a later sync that succeeds proves nothing
    /// about these bytes.
    fn sync(&mut self) -> Result<(), DiskError>;

    /// Cut the file to its first `len` bytes.
    ///
    /// # Errors
    /// The disk's own.
    fn truncate(&mut self, len: u64) -> Result<(), DiskError>;
}

/// A disk.
pub trait Disk: Send + fmt::Debug {
    /// Make a folder and the folders above it, on the medium when this returns. It may be there already.
    ///
    /// # Errors
    /// The disk's own.
    fn create_folder(&mut self, path: &Path) -> Result<(), DiskError>;

    /// Make a new, empty file for appending; its name is on the medium when this returns.
    ///
    /// # Errors
    /// [`DiskErrorKind::Exists`] where the name is taken; else the disk's own.
    fn create_file(&mut self, path: &Path) -> Result<Box<dyn AppendFile>, DiskError>;

    /// Open a file that is there, for appending behind all that it holds.
    ///
    /// # Errors
    /// [`DiskErrorKind::Missing`] where it is not there; else the disk's own.
    fn open_file(&mut self, path: &Path) -> Result<Box<dyn AppendFile>, DiskError>;

    /// Put these bytes at this name as one step: after a crash the name holds all of the old or all of the new.
    /// On the medium when this returns.
    ///
    /// # Errors
    /// The disk's own; what stood there before is unharmed then.
    fn write_whole(&mut self, path: &Path, bytes: &[u8]) -> Result<(), DiskError>;

    /// Remove a file.
    ///
    /// # Errors
    /// [`DiskErrorKind::Missing`] where it is not there; else the disk's own.
    fn remove(&mut self, path: &Path) -> Result<(), DiskError>;

    /// Room that is left where this file or folder lies, bytes; none where nobody knows.
    fn room(&self, path: &Path) -> Option<u64>;

    /// Length of a file in bytes.
    ///
    /// # Errors
    /// [`DiskErrorKind::Missing`] where it is not there; else the disk's own.
    fn len(&self, path: &Path) -> Result<u64, DiskError>;

    /// Up to `len` bytes from `offset`; fewer only at the end of the file.
    ///
    /// # Errors
    /// [`DiskErrorKind::Missing`] where it is not there; else the disk's own.
    fn read_at(&self, path: &Path, offset: u64, len: usize) -> Result<Vec<u8>, DiskError>;

    /// A whole file.
    ///
    /// # Errors
    /// [`DiskErrorKind::Missing`] where it is not there; else the disk's own.
    fn read(&self, path: &Path) -> Result<Vec<u8>, DiskError> {
        let len = self.len(path)?;
        self.read_at(path, 0, usize::try_from(len).unwrap_or(usize::MAX))
    }

    /// The folders directly in this one, by name. A folder that is not there has none.
    ///
    /// # Errors
    /// The disk's own.
    fn folders(&self, path: &Path) -> Result<Vec<PathBuf>, DiskError>;
}
