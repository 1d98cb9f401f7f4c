//! Reads a run's folder again.
//!
//! A journal that ends within a line is *torn*: a crash does that, the rest is left out and its size said. Anything
//! else that does not read is *damage*: an error that names file, line and reason.
use super::disk::{Disk, DiskError, DiskErrorKind};
use super::frames::Frames;
use super::header::Opening;
use super::line::{self, ChunkIndex, FORMAT, Line, LineError, RawEnded};
use super::{JOURNAL, RESULT, chunk::ChunkError};
use crate::cause::{Cause, Reason, record};
use crate::run::Record;
use std::path::{Path, PathBuf};
use thiserror::Error;

/// The first line is looked for this far: bench files are a few KiB.
const MOST_OPENING_BYTES: u64 = 16 * 1024 * 1024;

/// Why a run's folder cannot be read.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum ReadError {
    /// The disk refused.
    #[error(transparent)]
    Disk(DiskError),
    /// There is no journal, or not even its first line is whole.
    #[error("{}: no journal with a whole first line is here", .0.display())]
    NoJournal(PathBuf),
    /// A line is not as it was written.
    #[error("{}, line {line}: {what}", path.display())]
    Line {
        /// The journal.
        path: PathBuf,
        /// Line, from 1.
        line: usize,
        /// What is wrong.
        what: LineError,
    },
    /// Records are missing.
    #[error("{}, line {line}: record {expected} was due, record {found} stands here", path.display())]
    Hole {
        /// The journal.
        path: PathBuf,
        /// Line, from 1.
        line: usize,
        /// Number due.
        expected: u64,
        /// Number found.
        found: u64,
    },
    /// A chunk of raw bytes is not as it was written.
    #[error("{}, chunk {chunk} at byte {offset}: {what}", path.display())]
    Chunk {
        /// The raw file.
        path: PathBuf,
        /// Chunk, from 1.
        chunk: u64,
        /// Where its head begins.
        offset: u64,
        /// What is wrong.
        what: ChunkError,
    },
    /// The raw bytes are fewer than the journal of an ended run says.
    #[error("{}: {len} bytes are here, and the journal speaks of {expected}", path.display())]
    RawShort {
        /// The raw file.
        path: PathBuf,
        /// Its length.
        len: u64,
        /// Length due.
        expected: u64,
    },
}

impl ReadError {
    /// The cause in the catalogue.
    #[must_use]
    pub fn cause(&self) -> &'static Cause {
        match self {
            Self::Disk(error) => error.cause(),
            Self::NoJournal(_) => &record::JOURNAL_MISSING,
            Self::Line { what: LineError::Newer(_), .. } => &record::JOURNAL_FROM_THE_FUTURE,
            Self::Line { .. } | Self::Hole { .. } => &record::JOURNAL_DAMAGED,
            Self::Chunk { .. } | Self::RawShort { .. } => &record::RAW_DAMAGED,
        }
    }

    /// The run's folder.
    #[must_use]
    pub fn folder(&self) -> &Path {
        match self {
            Self::NoJournal(folder) => folder,
            Self::Disk(DiskError { path, .. })
            | Self::Line { path, .. }
            | Self::Hole { path, .. }
            | Self::Chunk { path, .. }
            | Self::RawShort { path, .. } => path.parent().unwrap_or(path),
        }
    }

    /// The cause with this case as evidence.
    #[must_use]
    pub fn reason(&self) -> Reason {
        Reason::new(self.cause(), self.to_string())
    }
}

/// A run's folder, read.
#[derive(Clone, Debug, PartialEq)]
pub struct RunFolder {
    /// The folder.
    pub path: PathBuf,
    /// First line: which run this is.
    pub opening: Opening,
    /// All records in order.
    pub records: Vec<Record>,
    /// Where the chunks of raw bytes lie.
    pub chunks: Vec<ChunkIndex>,
    /// The disk refused raw bytes from some point on.
    pub raw_ended: Option<RawEnded>,
    /// Highest format version met; above [`FORMAT`] a newer program wrote it: it may be read here, never added to.
    pub version: u32,
    /// Bytes of a torn end that were left out.
    pub cut_bytes: u64,
    /// The run ended and its result was written.
    pub finished: bool,
}

impl RunFolder {
    /// Reads a run's folder; every damage is an error.
    ///
    /// # Errors
    /// [`ReadError`].
    pub fn open(disk: &dyn Disk, folder: &Path) -> Result<Self, ReadError> {
        let (run, damage) = Self::salvage(disk, folder)?;
        damage.into_iter().next().map_or(Ok(run), Err)
    }

    /// Reads what can be read, and lists the damage.
    ///
    /// # Errors
    /// [`ReadError`] where not even the first line can be read.
    pub fn salvage(disk: &dyn Disk, folder: &Path) -> Result<(Self, Vec<ReadError>), ReadError> {
        let path = folder.join(JOURNAL);
        let bytes = disk.read(&path).map_err(|e| missing_or(e, folder))?;
        let finished = disk.len(&folder.join(RESULT)).is_ok();
        let mut reading = Reading::new(&path);
        let mut lines = bytes.split_inclusive(|byte| *byte == b'\n');
        let first = lines.next().unwrap_or_default();
        let opening = opening_of(first, &path, folder)?;
        reading.version = opening.0;
        for line in lines {
            reading.take(line);
        }
        reading.settle_tail();
        let run = Self {
            path: folder.to_owned(),
            opening: opening.1,
            records: reading.records,
            chunks: reading.chunks,
            raw_ended: reading.raw_ended,
            version: reading.version,
            cut_bytes: reading.tail_bytes,
            finished,
        };
        Ok((run, reading.damage))
    }

    /// The raw frames in order, read chunk by chunk.
    ///
    /// # Errors
    /// [`ReadError`] where the raw file cannot be looked at.
    pub fn frames<'d>(&self, disk: &'d dyn Disk) -> Result<Frames<'d>, ReadError> {
        Frames::new(disk, self)
    }
}

/// Reads only the first line of a run's journal: format version and opening.
///
/// # Errors
/// [`ReadError`].
pub fn read_opening(disk: &dyn Disk, folder: &Path) -> Result<Opening, ReadError> {
    let path = folder.join(JOURNAL);
    let mut bytes = Vec::new();
    let mut block = 16 * 1024;
    while !bytes.contains(&b'\n') && (bytes.len() as u64) < MOST_OPENING_BYTES {
        let more = disk.read_at(&path, bytes.len() as u64, block).map_err(|e| missing_or(e, folder))?;
        if more.is_empty() {
            break;
        }
        bytes.extend_from_slice(&more);
        block *= 2;
    }
    let first = bytes.split_inclusive(|byte| *byte == b'\n').next().unwrap_or_default();
    opening_of(first, &path, folder).map(|(_, opening)| opening)
}

fn missing_or(error: DiskError, folder: &Path) -> ReadError {
    match error.kind {
        DiskErrorKind::Missing => ReadError::NoJournal(folder.to_owned()),
        _ => ReadError::Disk(error),
    }
}

fn opening_of(line: &[u8], path: &Path, folder: &Path) -> Result<(u32, Opening), ReadError> {
    let failed = |what| ReadError::Line { path: path.to_owned(), line: 1, what };
    match line::decode(line.strip_suffix(b"\n").unwrap_or(line)) {
        Ok((version, Line::Opening(opening))) => Ok((version, *opening)),
        Ok(_) => Err(failed(LineError::Content("a journal begins with its opening".to_owned()))),
        Err(what @ (LineError::Newer(_) | LineError::Content(_))) => Err(failed(what)),
        Err(what) if line.ends_with(b"\n") => Err(failed(what)),
        Err(_) => Err(ReadError::NoJournal(folder.to_owned())),
    }
}

/// A journal on its way through the reader.
struct Reading<'a> {
    path: &'a Path,
    records: Vec<Record>,
    chunks: Vec<ChunkIndex>,
    raw_ended: Option<RawEnded>,
    version: u32,
    line: usize,
    damage: Vec<ReadError>,
    /// Damage since the last good line: a torn end, if no good line follows.
    tail: Vec<ReadError>,
    tail_bytes: u64,
}

impl<'a> Reading<'a> {
    fn new(path: &'a Path) -> Self {
        Self {
            path,
            records: Vec::new(),
            chunks: Vec::new(),
            raw_ended: None,
            version: FORMAT,
            line: 1,
            damage: Vec::new(),
            tail: Vec::new(),
            tail_bytes: 0,
        }
    }

    fn take(&mut self, line: &[u8]) {
        self.line += 1;
        let error = match line::decode(line.strip_suffix(b"\n").unwrap_or(line)) {
            Ok((version, content)) => {
                self.good(version, content);
                return;
            }
            Err(what) => what,
        };
        // Such a line was written whole: no crash made it.
        let whole = matches!(error, LineError::Content(_) | LineError::Newer(_));
        self.tail.push(ReadError::Line { path: self.path.to_owned(), line: self.line, what: error });
        self.tail_bytes += line.len() as u64;
        if whole {
            self.tail_is_damage();
        }
    }

    fn good(&mut self, version: u32, content: Line) {
        self.tail_is_damage();
        self.version = self.version.max(version);
        match content {
            Line::Record(record) => {
                // A number that stands in a file may be any.
                let expected = self.records.last().map_or(0, |last| last.n).saturating_add(1);
                if record.n != expected {
                    let (path, line) = (self.path.to_owned(), self.line);
                    self.damage.push(ReadError::Hole { path, line, expected, found: record.n });
                }
                self.records.push(*record);
            }
            Line::Chunk(index) => self.chunks.push(index),
            Line::RawEnded(ended) => self.raw_ended = Some(ended),
            Line::Opening(_) => self.damage.push(ReadError::Line {
                path: self.path.to_owned(),
                line: self.line,
                what: LineError::Content("only the first line is an opening".to_owned()),
            }),
        }
    }

    fn tail_is_damage(&mut self) {
        self.damage.append(&mut self.tail);
        self.tail_bytes = 0;
    }

    /// What is bad at the very end was torn by a crash and is no damage.
    fn settle_tail(&mut self) {
        self.tail.clear();
    }
}
