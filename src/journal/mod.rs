//! What is written down, how durably, and how it is read again. This comment is the documentation of the formats.
//!
//! A run has a folder of its own in the record folder:
//!
//! | file | what |
//! |---|---|
//! | `journal.jsonl` | what happened: one JSON object a line, only ever appended to |
//! | `input.raw` | every input the core got and every byte it sent: what replay feeds |
//! | `bench.toml` | the bench file's text as it was, for people; the journal's first line holds it too |
//! | `result.json` | the result, written whole at the end; a run without it did not end in order |
//! | `ballast` | takes room, given back when the disk is full so that the last records fit; gone after the end |
//!
//! **The journal.** Each line is `{"v":1,"crc":"1f2e3d4c",KIND:{...}}`. `v` is the format version, `crc` the CRC-32
//! of the line without its newline, its own eight digits taken as `0` (see [`mod@line`]). Kinds: `opening` (the first
//! line and only that: the run's [`Header`] and its ordinal among the runs of the record folder), `record` (a
//! [`crate::run::Record`]; their numbers rise by one from 1), `chunk` (where a chunk lies in `input.raw`),
//! `raw_ended` (the disk took no raw bytes from here on). Fields that are not known are skipped; a kind that is not
//! known is an error, named as "from the future" where `v` is newer. A newer journal is read as far as it is
//! understood and never added to.
//!
//! **The raw bytes.** Chunks one behind the other, each with a head, a checksum and compressed frames (see
//! [`chunk`]); frames are packed as [`frame`] says. A chunk closes at 64 KiB of frames, after a second of bench time,
//! or when told.
//!
//! **Durability.** *Written* outlives the process, *synced* outlives the power; both count records from the first.
//! The journal speaks of a chunk of `input.raw` only once that is synced: a chunk it names that does not read is
//! damage, and what lies behind the last one named may be torn. Of a journal cut anywhere all lines but the last
//! are read; rubbish behind the last good line is left out and its size said; a bad line before a good one is damage
//! and an error. A sync that failed is never taken back by one that succeeds.
//!
//! **What is left undone** in a decoder is told from the records ([`pending_originals`]) and found at the next start
//! by [`scan()`], which goes by ordinals, not by wall time. [`EndpointLock`] keeps two runs off one station and bus.
//!
//! This module may not know links, phases or the simulator; it knows no clock.
pub mod chunk;
mod cvs;
mod disk;
mod disk_real;
mod disk_virtual;
pub mod frame;
mod frames;
mod header;
mod known;
mod layout;
pub mod line;
mod lock;
mod pending;
mod pieces;
mod reader;
mod recorder;
mod recorder_error;
mod scan;
mod speeds;
mod varint;

pub use cvs::{CvContents, CvsOf, cv_contents};
pub use disk::{AppendFile, Disk, DiskError, DiskErrorKind};
pub use disk_real::RealDisk;
pub use disk_virtual::{DiskFault, VirtualDisk};
pub use frame::{Frame, FrameKind, FrameRef};
pub use frames::Frames;
pub use header::{Header, Opening};
pub use known::known_curve;
pub use layout::BALLAST_BYTES;
pub use line::{ChunkIndex, FORMAT, LineError, RawEnded};
pub use lock::{EndpointLock, LockError};
pub use pending::{Pending, identity, pending_originals, touches_cvs, unknown_originals};
pub use reader::{ReadError, RunFolder, read_opening};
pub use recorder::Recorder;
pub use recorder_error::RecorderError;
pub use scan::{Scan, Unfinished, scan};
pub use speeds::{RecordedSpeeds, recorded_speeds};

/// Name of the journal in a run's folder.
pub const JOURNAL: &str = "journal.jsonl";
/// Name of the raw bytes in a run's folder.
pub const INPUT_RAW: &str = "input.raw";
/// Name of the bench file's copy in a run's folder.
pub const BENCH_FILE: &str = "bench.toml";
/// Name of the result in a run's folder.
pub const RESULT: &str = "result.json";
/// Name of the file that only takes room.
pub const BALLAST: &str = "ballast";

#[cfg(test)]
mod tests;
