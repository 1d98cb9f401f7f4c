//! Chunks of `input.raw`: frames packed, checksummed and compressed, each readable without the others.
//!
//! Head of 20 bytes, whole numbers with the low byte first: the four letters `PWR1`; length of the frames before
//! compression; number of frames; length after compression; CRC-32 (ISO-HDLC) over the three lengths as written and
//! the compressed bytes. Then the frames, compressed with DEFLATE (RFC 1951).
use super::frame::{self, Frame, FrameError, FrameRef};
use crate::time::BenchTime;
use flate2::Compression;
use flate2::read::{DeflateDecoder, DeflateEncoder};
use std::io::Read;
use std::time::Duration;
use thiserror::Error;

/// A chunk closes when its frames reach this many bytes.
pub const CHUNK_BYTES: usize = 64 * 1024;
/// A chunk closes when its frames span this much bench time: a crash loses no more of them.
pub const CHUNK_SPAN: Duration = Duration::from_secs(1);
/// Bytes of a chunk's head.
pub const HEAD_BYTES: usize = 20;
/// A frame carries at most this many bytes; no link brings more in one read.
pub const MOST_FRAME_BYTES: usize = 1024 * 1024;
/// The frames of a chunk take less: a reader refuses a head that says more instead of filling its memory.
const MOST_BYTES: usize = 2 * 1024 * 1024;

/// Of compression: the usual one takes half as long again for a whole run and saves 3 % (measured by `benches/night.rs`).
const LEVEL: Compression = Compression::new(2);

const MAGIC: &[u8; 4] = b"PWR1";

/// Why a chunk cannot be read.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum ChunkError {
    /// The head is not one.
    #[error("no chunk begins here")]
    Head,
    /// The bytes are not those written.
    #[error("its checksum is {found:08x}, and its bytes give {computed:08x}")]
    Checksum {
        /// As the head says.
        found: u32,
        /// As the bytes give.
        computed: u32,
    },
    /// It does not unpack to what the head says.
    #[error("it does not unpack to the length in its head")]
    Packing,
    /// A frame cannot be read.
    #[error(transparent)]
    Frame(#[from] FrameError),
}

/// Frames on their way into a chunk.
#[derive(Debug, Default)]
pub struct ChunkBuilder {
    bytes: Vec<u8>,
    frames: u32,
    first: BenchTime,
    last: BenchTime,
}

/// A chunk ready for the disk.
#[derive(Debug)]
pub struct PackedChunk {
    /// Head and compressed frames.
    pub bytes: Vec<u8>,
    /// Number of frames.
    pub frames: u32,
    /// Time of the first.
    pub first: BenchTime,
    /// Time of the last.
    pub last: BenchTime,
}

impl ChunkBuilder {
    /// Adds a frame. Ask [`ChunkBuilder::wants_closing`] before: it keeps the chunk within what readers take.
    pub fn add(&mut self, at: BenchTime, frame: FrameRef<'_>) {
        frame::encode(&mut self.bytes, self.last, at, frame);
        if self.frames == 0 {
            self.first = at;
        }
        self.last = at;
        self.frames += 1;
    }

    /// No frame is in it.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.frames == 0
    }

    /// It is full, or a frame of this time would make it span too long.
    #[must_use]
    pub fn wants_closing(&self, at: BenchTime) -> bool {
        self.bytes.len() >= CHUNK_BYTES || (self.frames > 0 && at.since(self.first) >= CHUNK_SPAN)
    }

    /// Closes the chunk and begins an empty one. None: no frame is in it.
    ///
    /// # Panics
    /// Where far more was added than [`ChunkBuilder::wants_closing`] lets in.
    pub fn close(&mut self) -> Option<PackedChunk> {
        let full = std::mem::take(self);
        if full.is_empty() {
            return None;
        }
        let mut packed = Vec::new();
        DeflateEncoder::new(&full.bytes[..], LEVEL)
            .read_to_end(&mut packed)
            .expect("reading from memory and compressing into memory cannot fail");
        let mut numbers = [0; 12];
        numbers[0..4].copy_from_slice(&length(&full.bytes).to_le_bytes());
        numbers[4..8].copy_from_slice(&full.frames.to_le_bytes());
        numbers[8..12].copy_from_slice(&length(&packed).to_le_bytes());
        let mut bytes = Vec::with_capacity(HEAD_BYTES + packed.len());
        bytes.extend_from_slice(MAGIC);
        bytes.extend_from_slice(&numbers);
        bytes.extend_from_slice(&checksum(&numbers, &packed).to_le_bytes());
        bytes.extend_from_slice(&packed);
        Some(PackedChunk { bytes, frames: full.frames, first: full.first, last: full.last })
    }
}

fn length(bytes: &[u8]) -> u32 {
    u32::try_from(bytes.len()).expect("a chunk closes at 64 KiB and its last frame has at most 1 MiB")
}

fn checksum(numbers: &[u8], packed: &[u8]) -> u32 {
    let mut crc = crc32fast::Hasher::new();
    crc.update(numbers);
    crc.update(packed);
    crc.finalize()
}

/// A chunk's head.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ChunkHead {
    raw: usize,
    frames: u32,
    /// Bytes that follow the head.
    pub packed: usize,
    crc: u32,
    numbers: [u8; 12],
}

impl ChunkHead {
    /// Reads a head.
    ///
    /// # Errors
    /// [`ChunkError::Head`].
    pub fn read(bytes: &[u8]) -> Result<Self, ChunkError> {
        let head: &[u8; HEAD_BYTES] =
            bytes.first_chunk().filter(|head| head.starts_with(MAGIC)).ok_or(ChunkError::Head)?;
        let number = |at: usize| u32::from_le_bytes([head[at], head[at + 1], head[at + 2], head[at + 3]]);
        let (raw, packed) = (number(4) as usize, number(12) as usize);
        // DEFLATE makes nothing longer than by 5 bytes in 16 KiB and a little (RFC 1951, stored blocks).
        if raw > MOST_BYTES || packed > raw + raw / 1024 + 64 {
            return Err(ChunkError::Head);
        }
        let mut numbers = [0; 12];
        numbers.copy_from_slice(&head[4..16]);
        Ok(Self { raw, frames: number(8), packed, crc: number(16), numbers })
    }

    /// Checks and unpacks the bytes that follow this head.
    ///
    /// # Errors
    /// [`ChunkError`].
    pub fn unpack(&self, packed: &[u8]) -> Result<Vec<Frame>, ChunkError> {
        let computed = checksum(&self.numbers, packed);
        if computed != self.crc {
            return Err(ChunkError::Checksum { found: self.crc, computed });
        }
        let mut raw = Vec::with_capacity(self.raw);
        DeflateDecoder::new(packed)
            .take(self.raw as u64 + 1)
            .read_to_end(&mut raw)
            .map_err(|_| ChunkError::Packing)?;
        if raw.len() != self.raw {
            return Err(ChunkError::Packing);
        }
        let mut left = &raw[..];
        let mut frames = Vec::new();
        let mut before = BenchTime::ZERO;
        for _ in 0..self.frames {
            let frame = frame::decode(&mut left, before)?;
            before = frame.at;
            frames.push(frame);
        }
        if left.is_empty() { Ok(frames) } else { Err(ChunkError::Packing) }
    }
}
