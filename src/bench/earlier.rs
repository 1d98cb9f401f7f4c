//! What earlier runs left in the record folder, as far as the next run of an engine must know it.
//!
//! A journal that cannot be read may be that of the newest run of this engine: what it left in the decoder is not known
//! then, and nothing is begun until a person has looked. The bench file kept beside it says whose it is.
use super::start::endpoint_key;
use crate::cause::Reason;
use crate::config::{self, BenchSpec};
use crate::journal::{BENCH_FILE, Disk, ReadError, Unfinished, scan};
use std::path::Path;

/// What was found.
pub(super) struct Earlier {
    /// What the newest run of this engine left undone.
    pub(super) unfinished: Option<Unfinished>,
    /// Journals of other engines that cannot be read.
    pub(super) passed_over: Vec<Reason>,
}

/// Looks through the record folder.
///
/// # Errors
/// Why nothing may begin: the folder cannot be listed, or a journal that may be this engine's cannot be read at all.
pub(super) fn look(disk: &dyn Disk, records: &Path, spec: &BenchSpec) -> Result<Earlier, Reason> {
    let found = scan(disk, records, &endpoint_key(spec), spec.engine.address)
        .map_err(|error| Reason::new(error.cause(), error.to_string()))?;
    if let Some(error) = found.unreadable.iter().find(|error| may_be_ours(disk, error, spec)) {
        let evidence = format!(
            "{error}; what this run left in the decoder is not known: look at the folder {}, mend it from a backup or \
             move it out of {}, and start again",
            error.folder().display(),
            records.display()
        );
        return Err(Reason::new(error.cause(), evidence));
    }
    let passed_over = found.unreadable.iter().map(ReadError::reason).collect();
    Ok(Earlier { unfinished: found.unfinished, passed_over })
}

/// It is another's only where the bench file beside it says so.
fn may_be_ours(disk: &dyn Disk, error: &ReadError, spec: &BenchSpec) -> bool {
    let bench = disk.read(&error.folder().join(BENCH_FILE)).ok();
    let text = bench.and_then(|bytes| String::from_utf8(bytes).ok());
    text.and_then(|text| config::read(BENCH_FILE, &text).ok()).is_none_or(|other| {
        endpoint_key(&other) == endpoint_key(spec) && other.engine.address == spec.engine.address
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::journal::{JOURNAL, VirtualDisk};

    const BENCH: &str = include_str!("../../scenarios/lapwing.toml");

    #[test]
    fn a_journal_that_may_be_ours_and_cannot_be_read_stops_the_start() {
        let spec = config::read("bench.toml", BENCH).unwrap();
        let mut disk = VirtualDisk::new();
        let (records, run) = (Path::new("/runs"), Path::new("/runs/a"));
        disk.create_folder(run).unwrap();
        disk.plant(&run.join(JOURNAL), b"{\"v\":1,\"crc\":\"00000000\",\"opening\":{}}\n");
        let refused = look(&disk, records, &spec).err().unwrap();
        assert_eq!(refused.code, "journal-damaged");
        assert!(refused.evidence.contains("look at the folder /runs/a"), "{}", refused.evidence);
        disk.plant(&run.join(BENCH_FILE), BENCH.as_bytes());
        assert!(look(&disk, records, &spec).is_err(), "its own bench file says that it is ours");
        let other = BENCH.replace("address = 4\n", "address = 7\n");
        disk.plant(&run.join(BENCH_FILE), other.as_bytes());
        let earlier = look(&disk, records, &spec).unwrap();
        assert!(earlier.unfinished.is_none());
        assert_eq!(earlier.passed_over.len(), 1, "another engine's is said, and passed over");
    }
}
