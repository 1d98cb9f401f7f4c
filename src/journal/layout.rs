//! The first content of a run's folder.
use super::disk::{Disk, DiskError, DiskErrorKind};
use super::header::{Header, Opening};
use super::line::{self, Line};
use super::pieces::Pieces;
use super::{BALLAST, BENCH_FILE, INPUT_RAW, JOURNAL, scan};
use std::path::{Path, PathBuf};

/// Size of the ballast file: room for some thousand last records and the result.
pub const BALLAST_BYTES: usize = 1024 * 1024;

/// The folder's first content, ending with the journal's first line: a folder without it is no run.
pub(super) fn lay_out(
    disk: &mut dyn Disk,
    folder: &Path,
    header: &Header,
) -> Result<(Pieces, Pieces), DiskError> {
    let ordinal = scan::next_ordinal(disk, folder.parent().unwrap_or(Path::new("")))?;
    let mut ballast = disk.create_file(&folder.join(BALLAST))?;
    ballast.append(&ballast_bytes())?;
    ballast.sync()?;
    disk.write_whole(&folder.join(BENCH_FILE), header.bench_text.as_bytes())?;
    let raw = Pieces::new(disk.create_file(&folder.join(INPUT_RAW))?);
    let mut journal = Pieces::new(disk.create_file(&folder.join(JOURNAL))?);
    journal.append(&encode(&Line::Opening(Box::new(Opening { ordinal, run: header.clone() })))?)?;
    journal.sync()?;
    Ok((journal, raw))
}

/// Bytes that no file system makes smaller: the room must really be taken.
fn ballast_bytes() -> Vec<u8> {
    let mut bytes = Vec::with_capacity(BALLAST_BYTES);
    let mut word = 0x2545_f491_4f6c_dd1d_u64;
    while bytes.len() < BALLAST_BYTES {
        // Marsaglia's xorshift (2003), shifts 13, 7, 17.
        word ^= word << 13;
        word ^= word >> 7;
        word ^= word << 17;
        bytes.extend_from_slice(&word.to_le_bytes());
    }
    bytes
}

/// A line as bytes; that it cannot be put into words is told as the disk's refusal.
pub(super) fn encode(content: &Line) -> Result<Vec<u8>, DiskError> {
    line::encode(content).map_err(|error| DiskError {
        kind: DiskErrorKind::Failed,
        doing: "put into words a line of",
        path: PathBuf::from(JOURNAL),
        words: error.to_string(),
    })
}
