//! What a decoder held before an earlier run, for putting it back.
use super::start::NotBegun;
use crate::cause::{Reason, engine as engine_causes, record as cause};
use crate::config::{BenchSpec, ProfileText};
use crate::journal::{CvsOf, JOURNAL, RealDisk, RunFolder, cv_contents, identity};
use crate::run::RecordBody;
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

/// What the record of a run says.
#[derive(Clone, Debug)]
pub(super) struct PutBack {
    /// CVs that the run changed (number, value), with what they held before.
    pub(super) values: Vec<(u16, u8)>,
    /// CV 7 and CV 8 of its decoder, as far as they were read.
    owner: Vec<(u16, u8)>,
    /// The list of CVs that it was given.
    pub(super) kept: Vec<(u16, u8)>,
    /// The profile that it was given.
    pub(super) profile: Option<ProfileText>,
}

impl PutBack {
    /// Reads the record of a run of the engine that the bench file names.
    pub(super) fn of(folder: &Path, spec: &BenchSpec) -> Result<Self, NotBegun> {
        let run = RunFolder::open(&RealDisk, folder).map_err(|error| NotBegun::Other(error.reason()))?;
        let header = &run.opening.run;
        if header.engine_address != spec.engine.address {
            let evidence =
                format!("the run: {}, the bench file: {}", header.engine_address, spec.engine.address);
            return Err(NotBegun::Other(Reason::new(&engine_causes::ANOTHER_ENGINE, evidence)));
        }
        if header.engine_name != spec.engine.name {
            let evidence =
                format!("the run: {:?}, the bench file: {:?}", header.engine_name, spec.engine.name);
            return Err(NotBegun::Other(Reason::new(&engine_causes::ANOTHER_ENGINE, evidence)));
        }
        let changed = run.records.iter().filter_map(|record| match record.body {
            RecordBody::CvIntention { cv, .. } => Some(cv),
            _ => None,
        });
        let changed: BTreeSet<u16> = changed.chain(header.pending.iter().map(|(cv, _)| *cv)).collect();
        let owner = identity(&header.pending, &run.records);
        let is_owner = |cv: u16| owner.iter().any(|(number, _)| *number == cv);
        let mut values = cv_contents(header, &run.records, CvsOf::Before).values;
        values.retain(|(cv, _)| changed.contains(cv) && !is_owner(*cv));
        if values.is_empty() {
            let evidence = format!("{}: it changed none", folder.display());
            return Err(NotBegun::Other(Reason::new(&cause::NO_CVS, evidence)));
        }
        Ok(Self { values, owner, kept: header.kept.clone(), profile: header.profile.clone() })
    }

    /// What the next start must put back if this one does not come to its end; what an earlier run left beside it included.
    pub(super) fn pending(&self, left: Vec<(u16, u8)>) -> Vec<(u16, u8)> {
        let own = self.values.iter().chain(&self.owner);
        let is_own = |cv: u16| own.clone().any(|(number, _)| *number == cv);
        let beside: Vec<_> = left.into_iter().filter(|(cv, _)| !is_own(*cv)).collect();
        own.copied().chain(beside).collect()
    }
}

/// The bench file that the run was begun with, where it still is: the next run of the engine looks beside that one.
pub(super) fn bench_file(run: &Path) -> Option<PathBuf> {
    let named = PathBuf::from(RunFolder::open(&RealDisk, run).ok()?.opening.run.bench_file_name);
    // A restore was begun with the copy in a run's folder.
    let copy = named.parent().is_some_and(|folder| folder.join(JOURNAL).exists());
    (named.is_file() && !copy).then_some(named)
}

/// The folder that holds this run's.
pub(super) fn beside(run: &Path) -> Result<PathBuf, NotBegun> {
    let whole = run.canonicalize().ok().and_then(|whole| whole.parent().map(Path::to_owned));
    whole.ok_or_else(|| NotBegun::Other(Reason::new(&cause::JOURNAL_MISSING, run.display().to_string())))
}
