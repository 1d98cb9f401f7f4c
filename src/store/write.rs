//! Taking runs and what was told into the database.
use super::summary::Summary;
use super::told::{Fact, Told, read_told};
use super::{Store, StoreError};
use crate::journal::{Disk, ReadError, RealDisk, RunFolder};
use crate::station::Direction;
use rusqlite::{Connection, params};
use std::path::Path;

/// What a rebuild did.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Rebuilt {
    /// Runs taken in.
    pub runs: usize,
    /// Lines of what was told.
    pub told: usize,
    /// Folders that could not be read, and why.
    pub left_out: Vec<String>,
}

impl Store {
    /// Takes in the run of this folder; one that is known already is taken in anew.
    ///
    /// # Errors
    /// [`StoreError`]; then nothing of it was taken in.
    pub fn take_in(&mut self, run_folder: &Path) -> Result<Summary, StoreError> {
        let (run, _) = RunFolder::salvage(&RealDisk, run_folder)?;
        let summary = Summary::of(&run);
        self.put(&summary)?;
        Ok(summary)
    }

    /// Takes in a run.
    ///
    /// # Errors
    /// The database refused; then nothing of it was taken in.
    pub fn put(&mut self, summary: &Summary) -> Result<(), StoreError> {
        let done = (|| {
            let step = self.connection.transaction_with_behavior(rusqlite::TransactionBehavior::Immediate)?;
            put(&step, summary)?;
            step.commit()
        })();
        done.map_err(|error| self.failed(error))
    }

    /// Takes in what was told since it was last looked at.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn take_in_told(&mut self) -> Result<(), StoreError> {
        let told = read_told(&self.folder)?;
        let done = (|| {
            let step = self.connection.transaction_with_behavior(rusqlite::TransactionBehavior::Immediate)?;
            put_told(&step, &told)?;
            step.commit()
        })();
        done.map_err(|error| self.failed(error))
    }

    /// Everything anew from the journals and what was told, in one transaction: whoever reads sees the old or the new.
    ///
    /// # Errors
    /// [`StoreError`]; then all is as it was. A run's folder that cannot be read is left out and told.
    pub fn rebuild(&mut self) -> Result<Rebuilt, StoreError> {
        let folders =
            RealDisk.folders(&self.folder).map_err(|error| StoreError::Run(ReadError::Disk(error)))?;
        let told = read_told(&self.folder)?;
        let mut rebuilt = Rebuilt { told: told.len(), ..Rebuilt::default() };
        let mut summaries = Vec::new();
        for folder in folders {
            match RunFolder::salvage(&RealDisk, &folder) {
                Ok((run, _)) => summaries.push(Summary::of(&run)),
                // No run at all, or one that was never begun.
                Err(ReadError::NoJournal(_)) => {}
                Err(error) => rebuilt.left_out.push(error.to_string()),
            }
        }
        rebuilt.runs = summaries.len();
        let done = (|| {
            let step = self.connection.transaction_with_behavior(rusqlite::TransactionBehavior::Immediate)?;
            step.execute_batch("DELETE FROM runs; DELETE FROM told;")?;
            for summary in &summaries {
                put(&step, summary)?;
            }
            put_told(&step, &told)?;
            step.commit()
        })();
        done.map_err(|error| self.failed(error))?;
        Ok(rebuilt)
    }
}

fn direction(direction: Direction) -> u8 {
    u8::from(direction == Direction::Reverse)
}

fn text<T: serde::Serialize>(value: &T) -> String {
    // Words and numbers always have a JSON form.
    serde_json::to_string(value).unwrap_or_default().trim_matches('"').to_owned()
}

fn put(step: &Connection, summary: &Summary) -> rusqlite::Result<()> {
    step.execute("DELETE FROM runs WHERE id = ?1", [&summary.id])?;
    // What has a table of its own is left out of the text.
    let bare = Summary {
        steps: Vec::new(),
        points: Vec::new(),
        curve: Vec::new(),
        cvs: Vec::new(),
        ..summary.clone()
    };
    step.prepare_cached(
        "INSERT INTO runs (id, ordinal, folder, engine, address, outcome, summary) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)",
    )?
    .execute(params![
        summary.id,
        i64::try_from(summary.ordinal).unwrap_or(i64::MAX),
        summary.folder,
        summary.engine.name,
        summary.engine.address,
        summary.outcome.map(|end| text(&end)),
        serde_json::to_string(&bare).unwrap_or_default(),
    ])?;
    let mut rows = step.prepare_cached("INSERT INTO steps VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)")?;
    for row in &summary.steps {
        rows.execute(params![
            summary.id,
            row.step,
            row.target_mm_s,
            row.forward_mm_s,
            row.forward_u_mm_s,
            row.reverse_mm_s,
            row.reverse_u_mm_s,
            serde_json::to_string(row).unwrap_or_default(),
        ])?;
    }
    let mut rows = step.prepare_cached("INSERT INTO points VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9)")?;
    for (number, point) in (1u32..).zip(&summary.points) {
        rows.execute(params![
            summary.id,
            number,
            point.at_s,
            text(&point.purpose),
            direction(point.direction),
            point.setting,
            point.of,
            point.speed_mm_s,
            point.u_mm_s,
        ])?;
    }
    let mut rows = step.prepare_cached("INSERT INTO curves VALUES (?1, ?2, ?3, ?4, ?5, ?6)")?;
    for (number, at) in (1u32..).zip(&summary.curve) {
        rows.execute(params![
            summary.id,
            direction(at.direction),
            number,
            at.drive,
            at.speed_mm_s,
            at.u_mm_s
        ])?;
    }
    let mut rows = step.prepare_cached("INSERT INTO cvs VALUES (?1, ?2, ?3, ?4)")?;
    for seen in &summary.cvs {
        rows.execute(params![summary.id, seen.cv, seen.before, seen.after])?;
    }
    Ok(())
}

fn put_told(step: &Connection, told: &[Told]) -> rusqlite::Result<()> {
    step.execute("DELETE FROM told", [])?;
    let mut rows = step.prepare_cached("INSERT INTO told VALUES (?1, ?2)")?;
    for (number, told) in (1u32..).zip(told) {
        rows.execute(params![number, serde_json::to_string(told).unwrap_or_default()])?;
        if let Fact::Imported(summary) = &told.fact {
            put(step, summary)?;
        }
    }
    Ok(())
}
