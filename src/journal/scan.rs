//! Looks through the record folder for what an earlier run of an engine left undone.
use super::disk::{Disk, DiskError};
use super::header::Opening;
use super::pending::{Pending, identity, pending_originals, touches_cvs, unknown_originals};
use super::reader::{ReadError, RunFolder, read_opening};
use crate::cause::{Reason, record};
use crate::dcc::Address;
use std::path::{Path, PathBuf};

/// A run that left something undone.
#[derive(Clone, Debug, PartialEq)]
pub struct Unfinished {
    /// Its folder.
    pub folder: PathBuf,
    /// Which run it is.
    pub opening: Opening,
    /// What is to be done.
    pub pending: Pending,
    /// CV 7 and CV 8 of the decoder it belongs to, as far as they were read: another decoder is not to get its values.
    pub identity: Vec<(u16, u8)>,
    /// CVs it changed whose values before are not on record.
    pub unknown_originals: Vec<u16>,
    /// What of its journal could not be read; what is said above rests on the rest.
    pub damage: Vec<ReadError>,
}

impl Unfinished {
    /// What the plan of the next run is told: the originals, and whose they are.
    #[must_use]
    pub fn for_plan(&self) -> Vec<(u16, u8)> {
        let originals = self.pending.originals();
        let identity = if originals.is_empty() { &[][..] } else { &self.identity[..] };
        identity.iter().chain(originals).copied().collect()
    }

    /// For the person: what is open, and what cannot be put back.
    #[must_use]
    pub fn reasons(&self) -> Vec<Reason> {
        let run = &self.opening.run;
        let mut reasons = Vec::new();
        if self.pending != Pending::None {
            let cvs = list(self.pending.originals().iter().map(|(cv, value)| format!("CV {cv} = {value}")));
            let what = match self.pending {
                Pending::RollForward(..) => {
                    "a committed table that was not verified, to be undone, originals"
                }
                _ => "originals to put back",
            };
            let evidence = format!("run {} of {}: {what} {cvs}", run.run_id, run.started_wall);
            reasons.push(Reason::new(&record::RESTORE_PENDING, evidence));
        }
        if !self.unknown_originals.is_empty() {
            let cvs = list(self.unknown_originals.iter().map(|cv| format!("CV {cv}")));
            reasons.push(Reason::new(&record::ORIGINAL_UNKNOWN, format!("run {}: {cvs}", run.run_id)));
        }
        reasons.extend(self.damage.iter().map(ReadError::reason));
        reasons
    }
}

fn list(words: impl Iterator<Item = String>) -> String {
    words.collect::<Vec<_>>().join(", ")
}

/// What a look through the record folder found.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Scan {
    /// The newest run of the engine that had to do with its CVs, if it left something undone.
    pub unfinished: Option<Unfinished>,
    /// Folders whose first line cannot be read: nobody knows whose runs they are.
    pub unreadable: Vec<ReadError>,
}

/// Finds what the newest run of this engine at this station left undone. Runs that never came to the CVs are passed
/// over; the first that did decides, for it was handed whatever older ones had left.
///
/// # Errors
/// [`DiskError`] where the record folder cannot be listed.
pub fn scan(
    disk: &dyn Disk,
    record_folder: &Path,
    endpoint_key: &str,
    engine: Address,
) -> Result<Scan, DiskError> {
    let mut found = Scan::default();
    let mut runs = Vec::new();
    for folder in disk.folders(record_folder)? {
        match read_opening(disk, &folder) {
            Ok(opening)
                if opening.run.endpoint_key == endpoint_key && opening.run.engine_address == engine =>
            {
                runs.push((opening.ordinal, folder));
            }
            // No first line: nothing was begun there, or it is no run at all.
            Ok(_) | Err(ReadError::NoJournal(_)) => {}
            Err(error) => found.unreadable.push(error),
        }
    }
    runs.sort();
    for (_, folder) in runs.into_iter().rev() {
        match RunFolder::salvage(disk, &folder) {
            Ok((run, damage))
                if touches_cvs(&run.opening.run.pending, &run.records) || !damage.is_empty() =>
            {
                found.unfinished = unfinished(run, damage);
                break;
            }
            Ok(_) => {}
            Err(error) => found.unreadable.push(error),
        }
    }
    Ok(found)
}

fn unfinished(run: RunFolder, damage: Vec<ReadError>) -> Option<Unfinished> {
    let inherited = &run.opening.run.pending;
    let pending = pending_originals(inherited, &run.records);
    let unknown_originals = unknown_originals(inherited, &run.records);
    if pending == Pending::None && unknown_originals.is_empty() && damage.is_empty() {
        return None;
    }
    let identity = identity(inherited, &run.records);
    Some(Unfinished { folder: run.path, opening: run.opening, pending, identity, unknown_originals, damage })
}

/// One more than the highest ordinal of the record folder.
///
/// # Errors
/// [`DiskError`] where the record folder cannot be listed.
pub(super) fn next_ordinal(disk: &dyn Disk, record_folder: &Path) -> Result<u64, DiskError> {
    let folders = disk.folders(record_folder)?;
    let highest =
        folders.iter().filter_map(|folder| read_opening(disk, folder).ok()).map(|o| o.ordinal).max();
    Ok(highest.unwrap_or(0).saturating_add(1))
}
