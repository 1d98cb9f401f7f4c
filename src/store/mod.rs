//! The fleet's records: one `SQLite` file beside the runs, a projection of their journals and of what the person told.
//!
//! | file in the record folder | what |
//! |---|---|
//! | `fleet.sqlite` (and its `-wal`, `-shm`) | the projection; may be deleted at any time and is built anew by one command |
//! | `fleet.jsonl` | what no journal knows: names, classes, exchanged decoders, layout checks, imported runs; one JSON object a line |
//!
//! Journals and `fleet.jsonl` are the truth: nothing is known by the database alone ([`Store::check`] compares it with a rebuild).
//! The write-ahead log lets others read while a run goes on or is taken in; a transaction takes in a whole run or nothing of it.
//!
//! This module knows no links and no phases; of the core it knows the form of records and results.
mod check;
pub mod exchange;
mod fleet;
mod read;
mod schema;
pub(crate) mod standards;
mod summary;
mod told;
mod write;

pub use check::Checked;
pub use fleet::{Engine, Fleet, Recheck, Standing};
pub use summary::{CurveAt, CvSeen, EngineId, PointSeen, Summary};
pub use told::{Fact, Told, read_told, tell};

use crate::cause::{Reason, record};
use crate::journal::ReadError;
use rusqlite::Connection;
use std::path::{Path, PathBuf};
use std::time::Duration;
use thiserror::Error;

/// Name of the database in the record folder.
pub const DATABASE: &str = "fleet.sqlite";
/// Name of the file of what the person told.
pub const TOLD: &str = "fleet.jsonl";
/// Somebody else's transaction is waited for.
const BUSY: Duration = Duration::from_secs(5);

/// What can go wrong with the store.
#[derive(Debug, Error)]
pub enum StoreError {
    /// The database refused.
    #[error("{}: {error}", path.display())]
    Database {
        /// The file.
        path: PathBuf,
        /// What it said.
        error: rusqlite::Error,
    },
    /// A newer program made it.
    #[error("{}: version {found}, and this program knows up to {known}", path.display())]
    Newer {
        /// The file.
        path: PathBuf,
        /// Its version.
        found: u32,
        /// The newest known.
        known: u32,
    },
    /// A file beside it refused.
    #[error("{}: {error}", path.display())]
    File {
        /// The file.
        path: PathBuf,
        /// What the system said.
        error: std::io::Error,
    },
    /// A line of what the person told cannot be read.
    #[error("{}, line {line}: {error}", path.display())]
    Line {
        /// The file.
        path: PathBuf,
        /// Line, from 1.
        line: usize,
        /// Why.
        error: String,
    },
    /// A run's folder cannot be read.
    #[error(transparent)]
    Run(#[from] ReadError),
}

impl StoreError {
    /// The cause with this case as evidence.
    #[must_use]
    pub fn reason(&self) -> Reason {
        let cause = match self {
            Self::Run(error) => error.cause(),
            Self::Newer { .. } => &record::FLEET_FROM_THE_FUTURE,
            Self::Line { .. } => &record::FLEET_DAMAGED,
            Self::Database { .. } | Self::File { .. } => &record::FLEET_UNUSABLE,
        };
        Reason::new(cause, self.to_string())
    }
}

/// The fleet's records, open. One owner; others open their own.
#[derive(Debug)]
pub struct Store {
    connection: Connection,
    folder: PathBuf,
}

impl Store {
    /// Opens the store of a record folder, creates it where there is none, and brings it to this program's form.
    ///
    /// # Errors
    /// [`StoreError`]; a store of a newer program is refused, never changed.
    pub fn open(record_folder: &Path) -> Result<Self, StoreError> {
        let path = record_folder.join(DATABASE);
        let failed = |error| StoreError::Database { path: path.clone(), error };
        let mut connection = Connection::open(&path).map_err(failed)?;
        connection.busy_timeout(BUSY).map_err(failed)?;
        schema::settle(&connection).map_err(failed)?;
        schema::migrate(&mut connection).map_err(|error| match error {
            schema::Refused::Newer(found) => {
                StoreError::Newer { path: path.clone(), found, known: schema::VERSION }
            }
            schema::Refused::Database(error) => failed(error),
        })?;
        Ok(Self { connection, folder: record_folder.to_owned() })
    }

    /// A store in memory, for a comparison.
    fn in_memory(record_folder: &Path) -> Result<Self, StoreError> {
        let failed = |error| StoreError::Database { path: PathBuf::from("memory"), error };
        let mut connection = Connection::open_in_memory().map_err(failed)?;
        schema::migrate(&mut connection).map_err(|error| match error {
            schema::Refused::Newer(found) => {
                StoreError::Newer { path: PathBuf::from("memory"), found, known: schema::VERSION }
            }
            schema::Refused::Database(error) => failed(error),
        })?;
        Ok(Self { connection, folder: record_folder.to_owned() })
    }

    /// The record folder.
    #[must_use]
    pub fn folder(&self) -> &Path {
        &self.folder
    }

    fn failed(&self, error: rusqlite::Error) -> StoreError {
        StoreError::Database { path: self.folder.join(DATABASE), error }
    }
}
