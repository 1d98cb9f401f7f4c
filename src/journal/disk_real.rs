//! The disk of this computer.
use super::disk::{AppendFile, Disk, DiskError, DiskErrorKind};
use std::ffi::OsString;
use std::fs::{self, File, OpenOptions};
use std::io::{self, ErrorKind, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

/// The disk of this computer, through the standard library.
#[derive(Clone, Copy, Debug, Default)]
pub struct RealDisk;

/// A file on it.
#[derive(Debug)]
struct RealFile {
    file: File,
    path: PathBuf,
}

/// Puts an error of the operating system into ours.
fn told(doing: &'static str, path: &Path, error: &io::Error) -> DiskError {
    let kind = match error.kind() {
        ErrorKind::StorageFull | ErrorKind::QuotaExceeded => DiskErrorKind::Full,
        ErrorKind::NotFound => DiskErrorKind::Missing,
        ErrorKind::AlreadyExists => DiskErrorKind::Exists,
        _ => DiskErrorKind::Failed,
    };
    DiskError { kind, doing, path: path.to_owned(), words: error.to_string() }
}

/// The folder that holds this name; "." for a bare name.
fn parent(path: &Path) -> &Path {
    match path.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent,
        _ => Path::new("."),
    }
}

/// Brings the names in a folder onto the medium. Only Unix lets a folder be opened and synced.
fn sync_folder(path: &Path) -> Result<(), DiskError> {
    if cfg!(unix) {
        File::open(path).and_then(|folder| folder.sync_all()).map_err(|e| told("sync folder", path, &e))?;
    }
    Ok(())
}

/// Room for whoever is not the superuser, bytes.
#[cfg(unix)]
fn room(path: &Path) -> Option<u64> {
    let there = path.ancestors().find(|folder| folder.is_dir()).unwrap_or(Path::new("."));
    let about = nix::sys::statvfs::statvfs(there).ok()?;
    Some(about.blocks_available() as u64 * about.fragment_size() as u64)
}

/// Nobody tells it here.
#[cfg(not(unix))]
fn room(_path: &Path) -> Option<u64> {
    None
}

impl AppendFile for RealFile {
    fn append(&mut self, bytes: &[u8]) -> Result<(), DiskError> {
        self.file.write_all(bytes).map_err(|e| told("append to", &self.path, &e))
    }

    fn sync(&mut self) -> Result<(), DiskError> {
        self.file.sync_data().map_err(|e| told("sync", &self.path, &e))
    }

    fn truncate(&mut self, len: u64) -> Result<(), DiskError> {
        self.file.set_len(len).map_err(|e| told("cut", &self.path, &e))
    }
}

impl Disk for RealDisk {
    fn create_folder(&mut self, path: &Path) -> Result<(), DiskError> {
        if path.as_os_str().is_empty() || path.is_dir() {
            return Ok(());
        }
        self.create_folder(parent(path))?;
        match fs::create_dir(path) {
            Err(e) if !(e.kind() == ErrorKind::AlreadyExists && path.is_dir()) => {
                return Err(told("create folder", path, &e));
            }
            _ => {}
        }
        sync_folder(path)?;
        sync_folder(parent(path))
    }

    fn create_file(&mut self, path: &Path) -> Result<Box<dyn AppendFile>, DiskError> {
        let file = OpenOptions::new()
            .append(true)
            .create_new(true)
            .open(path)
            .map_err(|e| told("create", path, &e))?;
        file.sync_all().map_err(|e| told("sync", path, &e))?;
        sync_folder(parent(path))?;
        Ok(Box::new(RealFile { file, path: path.to_owned() }))
    }

    fn open_file(&mut self, path: &Path) -> Result<Box<dyn AppendFile>, DiskError> {
        let file = OpenOptions::new().append(true).open(path).map_err(|e| told("open", path, &e))?;
        Ok(Box::new(RealFile { file, path: path.to_owned() }))
    }

    fn write_whole(&mut self, path: &Path, bytes: &[u8]) -> Result<(), DiskError> {
        let mut name = path.file_name().map_or_else(OsString::new, ToOwned::to_owned);
        name.push(".new");
        let beside = path.with_file_name(name);
        let written = File::create(&beside).and_then(|mut file| {
            file.write_all(bytes)?;
            file.sync_all()
        });
        if let Err(error) = written.and_then(|()| fs::rename(&beside, path)) {
            // A half-written neighbour only takes room; that it cannot be removed changes nothing.
            let _ = fs::remove_file(&beside);
            return Err(told("write", path, &error));
        }
        sync_folder(parent(path))
    }

    fn remove(&mut self, path: &Path) -> Result<(), DiskError> {
        fs::remove_file(path).map_err(|e| told("remove", path, &e))
    }

    fn room(&self, path: &Path) -> Option<u64> {
        room(path)
    }

    fn len(&self, path: &Path) -> Result<u64, DiskError> {
        fs::metadata(path).map(|about| about.len()).map_err(|e| told("look at", path, &e))
    }

    fn read_at(&self, path: &Path, offset: u64, len: usize) -> Result<Vec<u8>, DiskError> {
        let read = || {
            let mut file = File::open(path)?;
            file.seek(SeekFrom::Start(offset))?;
            let mut bytes = Vec::new();
            file.take(len as u64).read_to_end(&mut bytes)?;
            Ok(bytes)
        };
        read().map_err(|e| told("read", path, &e))
    }

    fn folders(&self, path: &Path) -> Result<Vec<PathBuf>, DiskError> {
        let list = || -> io::Result<Vec<PathBuf>> {
            let mut found = Vec::new();
            for entry in fs::read_dir(path)? {
                let entry = entry?.path();
                if entry.is_dir() {
                    found.push(entry);
                }
            }
            found.sort();
            Ok(found)
        };
        match list() {
            Err(e) if e.kind() == ErrorKind::NotFound => Ok(Vec::new()),
            other => other.map_err(|e| told("list", path, &e)),
        }
    }
}
