//! A disk in memory that knows what is written from what is synced, fails where it is told to, runs full, and can
//! lose its power. For the virtual bench and for tests.
//!
//! Its power cut is at least as unkind as a journalling file system: of bytes not synced any prefix survives, the
//! rest is gone or reads as zeros; a name not synced may be gone. A removed file stays removed: nothing of ours
//! depends on its coming back.
use super::disk::{AppendFile, Disk, DiskError, DiskErrorKind};
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

/// What shall go wrong. Operations count from 1, since the disk was made or since [`VirtualDisk::set_fault`].
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum DiskFault {
    /// This write fails halfway, the following ones succeed.
    Write(u64),
    /// This sync fails, the following ones succeed without what it lost.
    Sync(u64),
    /// From this operation (write or sync) on nothing succeeds until [`VirtualDisk::crash`].
    PowerOff(u64),
}

/// A file in memory.
#[derive(Clone, Debug, Default)]
struct Node {
    data: Vec<u8>,
    /// This much of `data` is on the medium.
    synced: usize,
    /// The name is on the medium.
    named: bool,
    /// What a crash may bring back under this name: the content before a replacement that is not synced yet.
    before: Option<Vec<u8>>,
}

#[derive(Debug, Default)]
struct State {
    files: BTreeMap<PathBuf, Node>,
    folders: BTreeSet<PathBuf>,
    fault: Option<DiskFault>,
    fired: bool,
    writes: u64,
    syncs: u64,
    room: Option<u64>,
    /// Handles of an earlier life write nothing.
    life: u64,
}

/// A disk in memory. Clones are the same disk.
#[derive(Clone, Debug, Default)]
pub struct VirtualDisk {
    state: Arc<Mutex<State>>,
}

#[derive(Debug)]
struct VirtualFile {
    state: Arc<Mutex<State>>,
    path: PathBuf,
    life: u64,
}

fn lock(state: &Arc<Mutex<State>>) -> MutexGuard<'_, State> {
    // A test that panicked holding the lock leaves plain data behind: still good to look at.
    state.lock().unwrap_or_else(PoisonError::into_inner)
}

fn refused(kind: DiskErrorKind, doing: &'static str, path: &Path, words: &str) -> DiskError {
    DiskError { kind, doing, path: path.to_owned(), words: words.to_owned() }
}

impl State {
    fn used(&self) -> u64 {
        self.files.values().map(|node| node.data.len() as u64).sum()
    }

    /// Counts a write of `len` bytes and says how many of them get through, and the error if not all.
    fn admit(&mut self, len: usize, doing: &'static str, path: &Path) -> (usize, Option<DiskError>) {
        self.writes += 1;
        let failed = |words| Some(refused(DiskErrorKind::Failed, doing, path, words));
        match self.fault {
            Some(DiskFault::PowerOff(n)) if self.writes + self.syncs >= n => {
                self.fired = true;
                return (0, failed("no power"));
            }
            Some(DiskFault::Write(n)) if self.writes == n => {
                self.fired = true;
                return (len / 2, failed("planned write fault"));
            }
            _ => {}
        }
        match self.room {
            Some(room) if self.used() + len as u64 > room => {
                let fits = usize::try_from(room.saturating_sub(self.used())).unwrap_or(usize::MAX);
                (fits.min(len), Some(refused(DiskErrorKind::Full, doing, path, "no room left")))
            }
            _ => (len, None),
        }
    }

    /// Counts a sync and says whether it succeeds.
    fn admit_sync(&mut self, path: &Path) -> Result<(), DiskError> {
        self.syncs += 1;
        match self.fault {
            Some(DiskFault::PowerOff(n)) if self.writes + self.syncs >= n => {
                self.fired = true;
                Err(refused(DiskErrorKind::Failed, "sync", path, "no power"))
            }
            Some(DiskFault::Sync(n)) if self.syncs == n => {
                self.fired = true;
                Err(refused(DiskErrorKind::Failed, "sync", path, "planned sync fault"))
            }
            _ => Ok(()),
        }
    }

    fn node(&self, doing: &'static str, path: &Path) -> Result<&Node, DiskError> {
        self.files.get(path).ok_or_else(|| refused(DiskErrorKind::Missing, doing, path, "no such file"))
    }
}

impl VirtualDisk {
    /// An empty disk without faults and without end.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Plan a fault (or none); counting begins anew.
    pub fn set_fault(&self, fault: Option<DiskFault>) {
        let mut state = lock(&self.state);
        (state.fault, state.fired, state.writes, state.syncs) = (fault, false, 0, 0);
    }

    /// Whether the planned fault has struck.
    #[must_use]
    pub fn fault_struck(&self) -> bool {
        lock(&self.state).fired
    }

    /// Give the disk room for this many bytes over all files; none: without end.
    pub fn set_room(&self, bytes: Option<u64>) {
        lock(&self.state).room = bytes;
    }

    /// Bytes in use over all files.
    #[must_use]
    pub fn used(&self) -> u64 {
        lock(&self.state).used()
    }

    /// Put these bytes at this name, synced, past every fault: for building damage.
    pub fn plant(&self, path: &Path, bytes: &[u8]) {
        let node = Node { data: bytes.to_vec(), synced: bytes.len(), named: true, before: None };
        lock(&self.state).files.insert(path.to_owned(), node);
    }

    /// The power goes and comes back. What was not synced is lost in part, decided by `seed`; planned faults are
    /// over; files open before write nothing any more.
    pub fn crash(&self, seed: u64) {
        let mut state = lock(&self.state);
        let mut dice = Dice(seed);
        state.files.retain(|_, node| node.named || dice.below(2) == 0);
        for node in state.files.values_mut() {
            if let Some(before) = node.before.take()
                && dice.below(2) == 0
            {
                node.data = before;
                node.synced = node.data.len();
            }
            let loose = node.data.len() - node.synced;
            let kept = node.synced + dice.below(loose + 1);
            if dice.below(2) == 0 {
                node.data.truncate(kept);
            } else {
                node.data[kept..].fill(0);
            }
            (node.synced, node.named) = (node.data.len(), true);
        }
        state.fault = None;
        state.life += 1;
    }
}

/// A tiny source of decisions (the splitmix64 step, Steele, Lea, Flood 2014): the same on every machine.
struct Dice(u64);

impl Dice {
    fn below(&mut self, limit: usize) -> usize {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^= z >> 31;
        usize::try_from(z % limit.max(1) as u64).unwrap_or(0)
    }
}

impl VirtualFile {
    /// Runs `act` on the file's node, if this handle is of the disk's present life.
    fn with<T>(
        &self,
        doing: &'static str,
        act: impl FnOnce(&mut State, &Path) -> Result<T, DiskError>,
    ) -> Result<T, DiskError> {
        let mut state = lock(&self.state);
        if state.life != self.life {
            return Err(refused(DiskErrorKind::Failed, doing, &self.path, "opened before the power went"));
        }
        act(&mut state, &self.path)
    }
}

impl AppendFile for VirtualFile {
    fn append(&mut self, bytes: &[u8]) -> Result<(), DiskError> {
        self.with("append to", |state, path| {
            let (through, error) = state.admit(bytes.len(), "append to", path);
            if let Some(node) = state.files.get_mut(path) {
                node.data.extend_from_slice(&bytes[..through]);
            }
            error.map_or(Ok(()), Err)
        })
    }

    fn sync(&mut self) -> Result<(), DiskError> {
        self.with("sync", |state, path| {
            state.admit_sync(path)?;
            if let Some(node) = state.files.get_mut(path) {
                node.synced = node.data.len();
            }
            Ok(())
        })
    }

    fn truncate(&mut self, len: u64) -> Result<(), DiskError> {
        self.with("cut", |state, path| {
            if let (_, Some(error)) = state.admit(0, "cut", path) {
                return Err(error);
            }
            if let Some(node) = state.files.get_mut(path) {
                node.data.truncate(usize::try_from(len).unwrap_or(usize::MAX));
                node.synced = node.synced.min(node.data.len());
            }
            Ok(())
        })
    }
}

impl Disk for VirtualDisk {
    fn create_folder(&mut self, path: &Path) -> Result<(), DiskError> {
        let mut state = lock(&self.state);
        if state.folders.contains(path) {
            return Ok(());
        }
        if let (_, Some(error)) = state.admit(0, "create folder", path) {
            return Err(error);
        }
        state.admit_sync(path)?;
        state.folders.extend(path.ancestors().map(Path::to_owned));
        Ok(())
    }

    fn create_file(&mut self, path: &Path) -> Result<Box<dyn AppendFile>, DiskError> {
        let mut state = lock(&self.state);
        if state.files.contains_key(path) {
            return Err(refused(DiskErrorKind::Exists, "create", path, "the name is taken"));
        }
        if let (_, Some(error)) = state.admit(0, "create", path) {
            return Err(error);
        }
        state.files.insert(path.to_owned(), Node::default());
        state.admit_sync(path)?;
        if let Some(node) = state.files.get_mut(path) {
            node.named = true;
        }
        Ok(Box::new(VirtualFile { state: Arc::clone(&self.state), path: path.to_owned(), life: state.life }))
    }

    fn open_file(&mut self, path: &Path) -> Result<Box<dyn AppendFile>, DiskError> {
        let state = lock(&self.state);
        state.node("open", path)?;
        Ok(Box::new(VirtualFile { state: Arc::clone(&self.state), path: path.to_owned(), life: state.life }))
    }

    fn write_whole(&mut self, path: &Path, bytes: &[u8]) -> Result<(), DiskError> {
        let mut state = lock(&self.state);
        if let (_, Some(error)) = state.admit(bytes.len(), "write", path) {
            return Err(error);
        }
        state.admit_sync(path)?;
        let old = state.files.remove(path);
        let named = old.as_ref().is_some_and(|node| node.named);
        let before = old.map(|node| node.data);
        let node = Node { data: bytes.to_vec(), synced: bytes.len(), named, before };
        state.files.insert(path.to_owned(), node);
        state.admit_sync(path)?;
        if let Some(node) = state.files.get_mut(path) {
            (node.named, node.before) = (true, None);
        }
        Ok(())
    }

    fn remove(&mut self, path: &Path) -> Result<(), DiskError> {
        let mut state = lock(&self.state);
        state.node("remove", path)?;
        if let (_, Some(error)) = state.admit(0, "remove", path) {
            return Err(error);
        }
        state.files.remove(path);
        Ok(())
    }

    fn room(&self, _path: &Path) -> Option<u64> {
        let state = lock(&self.state);
        state.room.map(|room| room.saturating_sub(state.used()))
    }

    fn len(&self, path: &Path) -> Result<u64, DiskError> {
        lock(&self.state).node("look at", path).map(|node| node.data.len() as u64)
    }

    fn read_at(&self, path: &Path, offset: u64, len: usize) -> Result<Vec<u8>, DiskError> {
        let state = lock(&self.state);
        let data = &state.node("read", path)?.data;
        let from = usize::try_from(offset).unwrap_or(usize::MAX).min(data.len());
        Ok(data[from..data.len().min(from.saturating_add(len))].to_vec())
    }

    fn folders(&self, path: &Path) -> Result<Vec<PathBuf>, DiskError> {
        let state = lock(&self.state);
        Ok(state.folders.iter().filter(|folder| folder.parent() == Some(path)).cloned().collect())
    }
}
