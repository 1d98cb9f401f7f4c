//! The list of CVs that a bench file names: from the disk to the values.
use super::start::NotBegun;
use crate::cause::{Reason, cv_list as cause};
use crate::config::{self, BenchSpec, cv_list};
use std::fs::{File, OpenOptions};
use std::io::{self, Read};
use std::os::unix::fs::OpenOptionsExt;
use std::path::Path;

/// Size of a list in bytes at most: all 1024 CVs with a long note each are far less.
const MOST_BYTES: u64 = 1024 * 1024;

/// The values of the list that this bench file names; none where it names none. A relative name is meant from where the
/// bench file lies.
///
/// # Errors
/// The list cannot be read from the disk, or is wrong.
pub(super) fn read(bench_file: &Path, spec: &BenchSpec) -> Result<Vec<(u16, u8)>, NotBegun> {
    let Some(named) = &spec.programming.originals else { return Ok(Vec::new()) };
    let path = bench_file.parent().unwrap_or(Path::new("")).join(named);
    let name = path.display().to_string();
    let bytes = bytes(&path)
        .map_err(|error| NotBegun::Other(Reason::new(&cause::UNREADABLE, format!("{name}: {error}"))))?;
    config::text(&name, bytes).and_then(|text| cv_list::read(&name, &text)).map_err(NotBegun::BenchFile)
}

/// The bytes of an ordinary file of ordinary size. A pipe could keep a run waiting, and a device never end.
pub(super) fn bytes(path: &Path) -> io::Result<Vec<u8>> {
    // Without waiting: a pipe opens for reading only once somebody writes into it.
    let file: File = OpenOptions::new().read(true).custom_flags(libc::O_NONBLOCK).open(path)?;
    if !file.metadata()?.is_file() {
        return Err(io::Error::other("it is a folder, a pipe or a device, and no ordinary file"));
    }
    let mut bytes = Vec::new();
    file.take(MOST_BYTES + 1).read_to_end(&mut bytes)?;
    if bytes.len() as u64 > MOST_BYTES {
        return Err(io::Error::other("it is larger than 1 MiB, which no list of CVs is"));
    }
    Ok(bytes)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_ordinary_files_of_ordinary_size_are_read() {
        let folder = tempfile::tempdir().unwrap();
        let pipe = folder.path().join("pipe");
        assert!(std::process::Command::new("mkfifo").arg(&pipe).status().unwrap().success());
        for wrong in [pipe.as_path(), folder.path(), Path::new("/dev/zero"), Path::new("/dev/null")] {
            let said = bytes(wrong).unwrap_err().to_string();
            assert!(said.contains("no ordinary file"), "{}: {said}", wrong.display());
        }
        let list = folder.path().join("list.csv");
        std::fs::write(&list, "x".repeat(1024 * 1024)).unwrap();
        assert_eq!(bytes(&list).unwrap().len(), 1024 * 1024);
        std::fs::write(&list, "x".repeat(1024 * 1024 + 1)).unwrap();
        assert!(bytes(&list).unwrap_err().to_string().contains("1 MiB"));
    }
}
