//! Writes a run's folder. Synchronous: it does nothing but what it is told, over any [`Disk`].
//!
//! Order on the medium: the journal speaks of a chunk of raw bytes only once the chunk is synced. A line that did not get
//! through waits and is tried again before any later one, so the journal never has a hole. When the disk is full
//! the ballast goes, the raw bytes end (the journal says so), and the records go on in the room that it left.
use super::chunk::{ChunkBuilder, MOST_FRAME_BYTES};
use super::disk::{Disk, DiskError, DiskErrorKind};
use super::frame::FrameRef;
use super::header::Header;
use super::layout::{encode, lay_out};
use super::line::{self, ChunkIndex, Line, RawEnded};
use super::pieces::Pieces;
use super::reader::RunFolder;
use super::recorder_error::RecorderError;
use super::{BALLAST, INPUT_RAW, JOURNAL, RESULT};
use crate::run::{Input, JournalTrouble, Record, RecordBody};
use crate::time::BenchTime;
use std::collections::VecDeque;
use std::path::{Path, PathBuf};

/// Lines that wait for a disk that fails; beyond, the recorder takes no more.
const MOST_WAITING: usize = 4096;

/// A line that is not on the disk yet.
#[derive(Debug)]
struct Waiting {
    line: Vec<u8>,
    is_record: bool,
}

/// Writes a run's folder.
#[derive(Debug)]
pub struct Recorder {
    disk: Box<dyn Disk>,
    folder: PathBuf,
    journal: Pieces,
    /// None once the raw bytes have ended.
    raw: Option<Pieces>,
    chunk: ChunkBuilder,
    chunks: u64,
    /// Chunks written whose index waits for the next sync.
    unsynced: Vec<ChunkIndex>,
    /// Frames in chunks that are synced.
    frames: u64,
    ballast: bool,
    waiting: VecDeque<Waiting>,
    taken: u64,
    written: u64,
    synced: u64,
    sync_lost: Option<DiskError>,
    trouble: Option<JournalTrouble>,
    /// The run must end with less room than this, bytes.
    least_room: u64,
}

impl Recorder {
    /// Makes the folder of a new run. When this returns, folder, bench file, ballast and header are on the medium.
    ///
    /// # Errors
    /// [`RecorderError::Full`] or [`RecorderError::Failed`]; also where the folder holds a run already.
    pub fn create(disk: Box<dyn Disk>, folder: &Path, header: &Header) -> Result<Self, RecorderError> {
        let mut disk = disk;
        disk.create_folder(folder)?;
        let made = lay_out(disk.as_mut(), folder, header);
        if made.as_ref().is_err_and(|e| e.kind != DiskErrorKind::Exists) {
            // A start that failed must not keep the room it could not use; that this can fail too changes nothing.
            let _ = disk.remove(&folder.join(BALLAST));
        }
        let (journal, raw) = made?;
        Ok(Self {
            disk,
            folder: folder.to_owned(),
            journal,
            raw: Some(raw),
            chunk: ChunkBuilder::default(),
            chunks: 0,
            unsynced: Vec::new(),
            frames: 0,
            ballast: true,
            waiting: VecDeque::new(),
            taken: 0,
            written: 0,
            synced: 0,
            sync_lost: None,
            trouble: None,
            least_room: 0,
        })
    }

    /// Goes on with the record of a run that died: behind its first `records` records and `whole_bytes` of raw bytes in `chunks` whole
    /// chunks of `frames` frames. What stands behind them, lines whose inputs were lost with the program among it, is put
    /// aside in a file of its own.
    ///
    /// # Errors
    /// The disk's; the folder is as it was then, or as it is to be.
    pub fn go_on(
        disk: Box<dyn Disk>,
        run: &RunFolder,
        records: u64,
        (whole_bytes, chunks, frames): (u64, u64, u64),
    ) -> Result<Self, RecorderError> {
        let mut disk = disk;
        let folder = run.path.clone();
        let path = folder.join(JOURNAL);
        let bytes = disk.read(&path)?;
        let (kept, aside) = line::part(&bytes, records, whole_bytes);
        if !aside.is_empty() {
            let name = (1..=u32::MAX)
                .map(|n| folder.join(format!("{JOURNAL}.aside-{n}")))
                .find(|name| disk.len(name).is_err());
            if let Some(name) = name {
                disk.write_whole(&name, &aside)?;
            }
            disk.write_whole(&path, &kept)?;
        }
        let journal = Pieces::going_on(disk.open_file(&path)?, kept.len() as u64)?;
        let raw = Pieces::going_on(disk.open_file(&folder.join(INPUT_RAW))?, whole_bytes)?;
        let ballast = disk.len(&folder.join(BALLAST)).is_ok();
        Ok(Self {
            disk,
            folder,
            journal,
            raw: Some(raw),
            chunk: ChunkBuilder::default(),
            chunks,
            unsynced: Vec::new(),
            frames,
            ballast,
            waiting: VecDeque::new(),
            taken: records,
            written: records,
            synced: records,
            sync_lost: None,
            trouble: None,
            least_room: 0,
        })
    }

    /// From now on less room on the disk than so many bytes is told, once.
    pub fn watch_room(&mut self, least_bytes: u64) {
        self.least_room = least_bytes;
    }

    /// The folder.
    #[must_use]
    pub fn folder(&self) -> &Path {
        &self.folder
    }

    /// Records handed to the operating system.
    #[must_use]
    pub fn written(&self) -> u64 {
        self.written
    }

    /// Records on the medium.
    #[must_use]
    pub fn synced(&self) -> u64 {
        self.synced
    }

    /// What the core must be told, once each time. Ask after every call: a disk that is full is said here even
    /// while the ballast still lets the call succeed.
    #[must_use]
    pub fn take_trouble(&mut self) -> Option<JournalTrouble> {
        self.trouble.take()
    }

    /// Writes a record. After an error of the disk the record waits and is tried again at the next call.
    ///
    /// # Errors
    /// [`RecorderError`].
    pub fn record(&mut self, record: &Record) -> Result<(), RecorderError> {
        let done = self.try_record(record);
        self.noticed(done)
    }

    /// Keeps a frame of raw bytes; a chunk that is full or a second long goes to the disk first.
    ///
    /// # Errors
    /// [`RecorderError`]. Once the raw bytes have ended, frames are left out without an error.
    pub fn frame(&mut self, at: BenchTime, frame: FrameRef<'_>) -> Result<(), RecorderError> {
        let done = self.try_frame(at, frame);
        self.noticed(done)
    }

    /// Writes the frames held back so far as a chunk. Wanted about once a second.
    ///
    /// # Errors
    /// [`RecorderError`].
    pub fn flush_chunk(&mut self) -> Result<(), RecorderError> {
        let done = self.try_flush();
        self.noticed(done)
    }

    /// Brings all that is written onto the medium; [`Recorder::synced`] rises.
    ///
    /// # Errors
    /// [`RecorderError`]. After one failed sync of the journal every later one fails too: nobody knows what is on
    /// the medium then.
    pub fn sync(&mut self) -> Result<(), RecorderError> {
        let done = self.try_sync();
        self.noticed(done)
    }

    /// Ends the record: last chunk, all synced, the result beside it, the ballast gone. Each part is tried even
    /// if one before it failed; may be called again then.
    ///
    /// # Errors
    /// The first [`RecorderError`] met.
    pub fn finish(&mut self, result_json: &str) -> Result<(), RecorderError> {
        let flushed = self.flush_chunk();
        // Lines that wait get a second try: no later call will come.
        let synced = self.sync().or_else(|_| self.sync());
        let path = self.folder.join(RESULT);
        let mut result = self.disk.write_whole(&path, result_json.as_bytes());
        if matches!(&result, Err(e) if e.kind == DiskErrorKind::Full) && self.drop_ballast() {
            result = self.disk.write_whole(&path, result_json.as_bytes());
        }
        let result = self.noticed(result.map_err(RecorderError::from));
        if result.is_ok() {
            self.drop_ballast();
        }
        flushed.and(synced).and(result)
    }

    fn noticed(&mut self, done: Result<(), RecorderError>) -> Result<(), RecorderError> {
        if let Err(error) = &done {
            self.trouble = Some(error.trouble());
        }
        done
    }

    fn try_record(&mut self, record: &Record) -> Result<(), RecorderError> {
        let expected = self.taken + 1;
        if record.n != expected {
            return Err(RecorderError::OutOfOrder { expected, found: record.n });
        }
        if matches!(record.body, RecordBody::Point { .. })
            && let Err(error) = self.try_flush()
        {
            // The record goes on without; that the raw bytes end is written down.
            self.trouble = Some(error.trouble());
        }
        let line = encode(&Line::Record(Box::new(record.clone())))?;
        let readable = line::decode(line.strip_suffix(b"\n").unwrap_or(&line));
        self.queue(line, true)?;
        self.taken += 1;
        self.drain()?;
        // Written first: an odd figure must not cost the records behind it.
        match readable {
            Ok(_) => Ok(()),
            Err(why) => Err(RecorderError::Unreadable { n: record.n, why: why.to_string() }),
        }
    }

    fn queue(&mut self, line: Vec<u8>, is_record: bool) -> Result<(), RecorderError> {
        if self.waiting.len() >= MOST_WAITING {
            self.drain()?;
        }
        self.waiting.push_back(Waiting { line, is_record });
        Ok(())
    }

    fn drain(&mut self) -> Result<(), RecorderError> {
        while let Some(next) = self.waiting.front() {
            match self.journal.append(&next.line) {
                Ok(()) => {
                    self.written += u64::from(next.is_record);
                    self.waiting.pop_front();
                }
                Err(error) if error.kind == DiskErrorKind::Full && self.drop_ballast() => {
                    self.trouble = Some(JournalTrouble::Full);
                }
                Err(error) => return Err(error.into()),
            }
        }
        Ok(())
    }

    /// Gives the ballast's room back. False: it was gone before.
    fn drop_ballast(&mut self) -> bool {
        // Where it cannot be removed the next write fails as well and says why.
        self.ballast && {
            self.ballast = false;
            self.disk.remove(&self.folder.join(BALLAST)).is_ok()
        }
    }

    fn try_frame(&mut self, at: BenchTime, frame: FrameRef<'_>) -> Result<(), RecorderError> {
        if self.raw.is_none() {
            return Ok(());
        }
        let len = payload_len(frame);
        if len > MOST_FRAME_BYTES {
            return Err(RecorderError::LongFrame(len));
        }
        let flushed = if self.chunk.wants_closing(at) { self.try_flush() } else { Ok(()) };
        self.chunk.add(at, frame);
        flushed
    }

    fn try_flush(&mut self) -> Result<(), RecorderError> {
        let (Some(raw), Some(packed)) = (&mut self.raw, self.chunk.close()) else { return Ok(()) };
        let offset = raw.len;
        let mut done = raw.append(&packed.bytes);
        if matches!(&done, Err(e) if e.kind == DiskErrorKind::Full) && self.drop_ballast() {
            self.trouble = Some(JournalTrouble::Full);
            if let Some(raw) = &mut self.raw {
                done = raw.append(&packed.bytes);
            }
        }
        if let Err(error) = done {
            self.end_raw(error.to_string())?;
            return Err(error.into());
        }
        self.chunks += 1;
        // A chunk comes every second.
        if let Some(left) = self.disk.room(&self.folder).filter(|left| *left < self.least_room) {
            self.least_room = 0;
            self.trouble.get_or_insert(JournalTrouble::NearlyFull(left));
        }
        self.unsynced.push(ChunkIndex {
            chunk: self.chunks,
            offset,
            length: packed.bytes.len() as u64,
            frames: packed.frames,
            first: packed.first,
            last: packed.last,
        });
        if self.ballast { Ok(()) } else { self.end_raw("the disk is full".to_owned()) }
    }

    /// No raw bytes are kept from here on; what was kept is synced as far as the disk lets it.
    fn end_raw(&mut self, why: String) -> Result<(), RecorderError> {
        let synced = self.sync_raw();
        if self.raw.take().is_some() {
            self.chunk = ChunkBuilder::default();
            self.unsynced.clear();
            let ended = RawEnded { frames: self.frames, why };
            self.queue(encode(&Line::RawEnded(ended))?, false)?;
            self.drain()?;
        }
        Ok(synced?)
    }

    /// Brings the raw bytes onto the medium and writes down where their chunks lie.
    fn sync_raw(&mut self) -> Result<(), DiskError> {
        let Some(raw) = &mut self.raw else { return Ok(()) };
        raw.sync()?;
        for index in std::mem::take(&mut self.unsynced) {
            self.frames += u64::from(index.frames);
            self.waiting.push_back(Waiting { line: encode(&Line::Chunk(index))?, is_record: false });
        }
        Ok(())
    }

    fn try_sync(&mut self) -> Result<(), RecorderError> {
        let raw = match self.sync_raw() {
            Err(error) => self.end_raw(error.to_string()).and(Err(error.into())),
            Ok(()) => Ok(()),
        };
        let drained = self.drain();
        if let Some(lost) = &self.sync_lost {
            return Err(lost.clone().into());
        }
        if let Err(error) = self.journal.sync() {
            self.sync_lost = Some(error.clone());
            return Err(error.into());
        }
        self.synced = self.written;
        drained.and(raw)
    }
}

fn payload_len(frame: FrameRef<'_>) -> usize {
    match frame {
        FrameRef::Sent(_, bytes) => bytes.len(),
        FrameRef::In(Input::SensorBytes(bytes) | Input::StationBytes(_, bytes)) => bytes.len(),
        FrameRef::In(
            Input::SensorClosed(words)
            | Input::StationClosed(_, words)
            | Input::JournalTrouble(JournalTrouble::Failed(words)),
        ) => words.len(),
        FrameRef::In(_) => 0,
    }
}
