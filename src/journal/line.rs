//! One line of `journal.jsonl`: a JSON object that starts with its format version and its checksum.
//!
//! `{"v":1,"crc":"1f2e3d4c","record":{...}}`
//!
//! - `v`: version of the format, rising when an older program could misread a line.
//! - `crc`: CRC-32 (ISO-HDLC, the one of gzip) in eight lower-case hexadecimal digits, over all bytes of the line
//!   without its newline, the eight digits themselves taken as `0`.
//! - then exactly one of the kinds of [`Line`]. Fields that are not known are skipped.
//!
//! `v` and `crc` stand at the front in every version to come, so a newer line is told from a damaged one.
use super::header::Opening;
use crate::run::Record;
use crate::time::BenchTime;
use serde::{Deserialize, Serialize};
use thiserror::Error;

/// The format version written.
pub const FORMAT: u32 = 1;

const BEFORE_VERSION: &[u8] = b"{\"v\":";
const BEFORE_CRC: &[u8] = b",\"crc\":\"";
const AFTER_CRC: &[u8] = b"\",";
const NO_DIGITS: &[u8] = b"00000000";

/// What a line says.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Line {
    /// The first line of a journal, and only that.
    Opening(Box<Opening>),
    /// A record of the run.
    Record(Box<Record>),
    /// A chunk of raw bytes was written.
    Chunk(ChunkIndex),
    /// No raw bytes are kept from here on: the disk refused them.
    RawEnded(RawEnded),
}

/// Where a chunk lies in `input.raw`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct ChunkIndex {
    /// Its number, from 1.
    pub chunk: u64,
    /// First byte of its head.
    pub offset: u64,
    /// Bytes on disk, head included.
    pub length: u64,
    /// Frames in it.
    pub frames: u32,
    /// Bench time of its first frame.
    pub first: BenchTime,
    /// Bench time of its last frame.
    pub last: BenchTime,
}

/// The raw bytes end before the run does.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct RawEnded {
    /// Frames known to be on the medium; some more may follow them in the file.
    pub frames: u64,
    /// What the disk said.
    pub why: String,
}

/// Parts a journal: the opening, the first `records` records and the chunks within `whole_bytes` of raw bytes; and all else.
pub(super) fn part(journal: &[u8], records: u64, whole_bytes: u64) -> (Vec<u8>, Vec<u8>) {
    let (mut kept, mut aside) = (Vec::new(), Vec::new());
    for line in journal.split_inclusive(|byte| *byte == b'\n') {
        let keeps = line.ends_with(b"\n")
            && match decode(line.strip_suffix(b"\n").unwrap_or(line)) {
                Ok((_, Line::Opening(_))) => true,
                Ok((_, Line::Record(record))) => record.n <= records,
                Ok((_, Line::Chunk(index))) => index.offset.saturating_add(index.length) <= whole_bytes,
                Ok((_, Line::RawEnded(_))) | Err(_) => false,
            };
        let part = if keeps { &mut kept } else { &mut aside };
        part.extend_from_slice(line);
    }
    (kept, aside)
}

/// Why a line cannot be read.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum LineError {
    /// It does not start as a line does.
    #[error("it does not begin with \"v\" and \"crc\"")]
    Shape,
    /// The checksum is of other bytes.
    #[error("its checksum is {found}, and its bytes give {computed}")]
    Checksum {
        /// As the line says.
        found: String,
        /// As its bytes give.
        computed: String,
    },
    /// The bytes are as written, but say nothing this program knows.
    #[error("it is whole but cannot be understood: {0}")]
    Content(String),
    /// A newer format that cannot be understood.
    #[error("it has format version {0}, and this program knows versions up to {FORMAT}")]
    Newer(u32),
}

/// The line for this content, newline included.
///
/// # Errors
/// What could not be put into JSON; none of our types can cause it.
pub fn encode(content: &Line) -> Result<Vec<u8>, serde_json::Error> {
    let payload = serde_json::to_vec(content)?;
    let mut line = Vec::with_capacity(payload.len() + 32);
    line.extend_from_slice(BEFORE_VERSION);
    line.extend_from_slice(FORMAT.to_string().as_bytes());
    line.extend_from_slice(BEFORE_CRC);
    let digits = line.len();
    line.extend_from_slice(NO_DIGITS);
    line.extend_from_slice(AFTER_CRC);
    line.extend_from_slice(payload.get(1..).unwrap_or_default());
    let crc = format!("{:08x}", crc32fast::hash(&line));
    line[digits..digits + crc.len()].copy_from_slice(crc.as_bytes());
    line.push(b'\n');
    Ok(line)
}

/// The parts of a line that every version shares.
struct Parts<'a> {
    version: u32,
    /// Where the eight digits begin.
    digits: usize,
    crc: &'a str,
    /// What follows the checksum.
    rest: &'a [u8],
}

fn parts(line: &[u8]) -> Option<Parts<'_>> {
    let after = line.strip_prefix(BEFORE_VERSION)?;
    let wide = after.iter().take_while(|byte| byte.is_ascii_digit()).count();
    let version = std::str::from_utf8(&after[..wide]).ok()?.parse().ok()?;
    let after = after[wide..].strip_prefix(BEFORE_CRC)?;
    let (digits, after) = after.split_at_checked(NO_DIGITS.len())?;
    let crc = std::str::from_utf8(digits).ok()?;
    let rest = after.strip_prefix(AFTER_CRC)?;
    Some(Parts { version, digits: BEFORE_VERSION.len() + wide + BEFORE_CRC.len(), crc, rest })
}

/// Reads a line (without its newline): its version and what it says.
///
/// # Errors
/// [`LineError`]; [`LineError::Newer`] only where the checksum is right and a newer version says what this one
/// cannot understand.
pub fn decode(line: &[u8]) -> Result<(u32, Line), LineError> {
    let parts = parts(line).ok_or(LineError::Shape)?;
    let mut crc = crc32fast::Hasher::new();
    crc.update(&line[..parts.digits]);
    crc.update(NO_DIGITS);
    crc.update(&line[parts.digits + NO_DIGITS.len()..]);
    let computed = format!("{:08x}", crc.finalize());
    if computed != parts.crc {
        return Err(LineError::Checksum { found: parts.crc.to_owned(), computed });
    }
    let mut payload = Vec::with_capacity(parts.rest.len() + 1);
    payload.push(b'{');
    payload.extend_from_slice(parts.rest);
    match serde_json::from_slice(&payload) {
        Ok(content) => Ok((parts.version, content)),
        Err(_) if parts.version > FORMAT => Err(LineError::Newer(parts.version)),
        Err(error) => Err(LineError::Content(error.to_string())),
    }
}
