//! The raw frames of a run in order, one chunk in memory at a time.
//!
//! The heads in `input.raw` lead from chunk to chunk. The journal speaks of a chunk only once it is on the medium, so
//! a chunk of its index that does not read is damage, and one behind it is a torn end.
use super::INPUT_RAW;
use super::chunk::{ChunkError, ChunkHead, HEAD_BYTES};
use super::disk::{Disk, DiskErrorKind};
use super::frame::Frame;
use super::reader::{ReadError, RunFolder};
use std::path::PathBuf;

/// Goes over the frames. After an error nothing more comes.
#[derive(Debug)]
pub struct Frames<'d> {
    disk: &'d dyn Disk,
    path: PathBuf,
    /// Up to here the journal says that whole chunks are on the medium.
    indexed: u64,
    len: u64,
    offset: u64,
    chunk: u64,
    ready: std::vec::IntoIter<Frame>,
    ended: bool,
    cut_bytes: u64,
}

impl<'d> Frames<'d> {
    pub(super) fn new(disk: &'d dyn Disk, run: &RunFolder) -> Result<Self, ReadError> {
        let path = run.path.join(INPUT_RAW);
        let len = match disk.len(&path) {
            Err(e) if e.kind == DiskErrorKind::Missing => 0,
            other => other.map_err(ReadError::Disk)?,
        };
        Ok(Self {
            disk,
            path,
            indexed: run.chunks.last().map_or(0, |last| last.offset.saturating_add(last.length)),
            len,
            offset: 0,
            chunk: 0,
            ready: Vec::new().into_iter(),
            ended: false,
            cut_bytes: 0,
        })
    }

    /// Bytes of a torn end that were left out; known once the frames are through.
    #[must_use]
    pub fn cut_bytes(&self) -> u64 {
        self.cut_bytes
    }

    /// Bytes of whole chunks read so far, and how many chunks and frames they hold.
    #[must_use]
    pub fn whole(&self) -> (u64, u64) {
        (self.offset, self.chunk)
    }

    /// The next chunk's frames; none at the end.
    fn load(&mut self) -> Result<Option<Vec<Frame>>, ReadError> {
        if self.offset >= self.len {
            return self.end();
        }
        let head = self.disk.read_at(&self.path, self.offset, HEAD_BYTES).map_err(ReadError::Disk)?;
        let head = match ChunkHead::read(&head) {
            Ok(head) => head,
            Err(what) => return self.bad(what),
        };
        let packed = self
            .disk
            .read_at(&self.path, self.offset + HEAD_BYTES as u64, head.packed)
            .map_err(ReadError::Disk)?;
        match head.unpack(&packed) {
            Ok(frames) => {
                self.chunk += 1;
                self.offset += (HEAD_BYTES + packed.len()) as u64;
                Ok(Some(frames))
            }
            Err(what) => self.bad(what),
        }
    }

    /// A chunk that does not read: damage where the journal says that it or a later one is on the medium.
    fn bad(&mut self, what: ChunkError) -> Result<Option<Vec<Frame>>, ReadError> {
        if self.offset < self.indexed {
            let (path, chunk, offset) = (self.path.clone(), self.chunk + 1, self.offset);
            return Err(ReadError::Chunk { path, chunk, offset, what });
        }
        self.cut_bytes = self.len - self.offset;
        Ok(None)
    }

    fn end(&self) -> Result<Option<Vec<Frame>>, ReadError> {
        if self.offset < self.indexed {
            return Err(ReadError::RawShort {
                path: self.path.clone(),
                len: self.len,
                expected: self.indexed,
            });
        }
        Ok(None)
    }
}

impl Iterator for Frames<'_> {
    type Item = Result<Frame, ReadError>;

    fn next(&mut self) -> Option<Self::Item> {
        loop {
            if let Some(frame) = self.ready.next() {
                return Some(Ok(frame));
            }
            if self.ended {
                return None;
            }
            match self.load() {
                Ok(Some(frames)) => self.ready = frames.into_iter(),
                Ok(None) => self.ended = true,
                Err(error) => {
                    self.ended = true;
                    return Some(Err(error));
                }
            }
        }
    }
}
