//! One run a station and bus: a lock file in the state folder, held as long as the run lives. The operating system
//! gives it up with the process, however that ends, so no stale lock is left behind.
use crate::cause::{Cause, record};
use std::fs::{self, File, OpenOptions, TryLockError};
use std::io::{self, Read, Seek, Write};
use std::path::{Path, PathBuf};
use thiserror::Error;

/// Why the lock could not be taken.
#[derive(Debug, Error)]
pub enum LockError {
    /// Another run has it.
    #[error("{key} is held by {}", holder.map_or_else(|| "another run".to_owned(), |pid| format!("process {pid}")))]
    Held {
        /// Station endpoint and bus.
        key: String,
        /// Id of the process that holds it, where its file says so.
        holder: Option<u32>,
    },
    /// The lock file cannot be used.
    #[error("cannot lock {}: {error}", path.display())]
    Failed {
        /// The file.
        path: PathBuf,
        /// What the operating system said.
        error: io::Error,
    },
}

impl LockError {
    /// The cause in the catalogue.
    #[must_use]
    pub fn cause(&self) -> &'static Cause {
        match self {
            Self::Held { .. } => &record::RUN_IN_PROGRESS,
            Self::Failed { .. } => &record::LOCK_FAILED,
        }
    }
}

/// The lock of a station endpoint and bus. Dropping it gives it up; the file stays, for removing it would let two
/// runs lock two files of one name.
#[derive(Debug)]
pub struct EndpointLock {
    file: File,
}

impl EndpointLock {
    /// Takes the lock for `key` (station endpoint and bus) in the folder `dir`, which is made where it is missing.
    ///
    /// # Errors
    /// [`LockError`].
    pub fn take(dir: &Path, key: &str) -> Result<Self, LockError> {
        let path = dir.join(format!("station-{:016x}.lock", fnv1a(key.as_bytes())));
        let failed = |error| LockError::Failed { path: path.clone(), error };
        fs::create_dir_all(dir).map_err(failed)?;
        let mut file = OpenOptions::new()
            .read(true)
            .write(true)
            .create(true)
            .truncate(false)
            .open(&path)
            .map_err(failed)?;
        match file.try_lock() {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => {
                return Err(LockError::Held { key: key.to_owned(), holder: holder(&mut file) });
            }
            Err(TryLockError::Error(error)) => return Err(failed(error)),
        }
        let lock = Self { file };
        lock.sign(key).map_err(failed)?;
        Ok(lock)
    }

    /// Writes who holds it, for the message of the next one that comes.
    fn sign(&self, key: &str) -> io::Result<()> {
        let mut file = &self.file;
        file.set_len(0)?;
        file.rewind()?;
        file.write_all(format!("{}\n{key}\n", std::process::id()).as_bytes())
    }
}

fn holder(file: &mut File) -> Option<u32> {
    let mut text = String::new();
    file.take(64).read_to_string(&mut text).ok()?;
    text.lines().next()?.parse().ok()
}

/// FNV-1a with 64 bits (Fowler, Noll, Vo): the same for every version of this program, unlike the standard library's hashes.
fn fnv1a(bytes: &[u8]) -> u64 {
    bytes.iter().fold(0xcbf2_9ce4_8422_2325, |hash, byte| {
        (hash ^ u64::from(*byte)).wrapping_mul(0x0000_0100_0000_01b3)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn hash_agrees_with_the_published_vectors() {
        // FNV-1a 64-bit test vectors of Fowler, Noll and Vo: "", "a", "foobar" (from memory).
        assert_eq!(fnv1a(b""), 0xcbf2_9ce4_8422_2325);
        assert_eq!(fnv1a(b"a"), 0xaf63_dc4c_8601_ec8c);
        assert_eq!(fnv1a(b"foobar"), 0x8594_4171_f739_67e8);
    }

    #[test]
    fn a_second_holder_is_refused_and_told_who_holds_it() {
        let dir = tempfile::tempdir().unwrap();
        let key = "station 127.0.0.1:4303 bus 1";
        let first = EndpointLock::take(dir.path(), key).unwrap();
        let second = EndpointLock::take(dir.path(), key).unwrap_err();
        assert!(
            matches!(&second, LockError::Held { holder: Some(pid), .. } if *pid == std::process::id()),
            "{second}"
        );
        assert_eq!(second.cause().code, "run-in-progress");
        let _other_bus = EndpointLock::take(dir.path(), "station 127.0.0.1:4303 bus 2").unwrap();
        drop(first);
        let _again = EndpointLock::take(dir.path(), key).unwrap();
    }

    #[test]
    fn a_folder_that_is_a_file_is_said() {
        let dir = tempfile::tempdir().unwrap();
        let file = dir.path().join("not-a-folder");
        fs::write(&file, b"x").unwrap();
        let error = EndpointLock::take(&file, "any").unwrap_err();
        assert_eq!(error.cause().code, "lock-failed");
    }
}
