//! The database's form and how an older one is brought to it. A step is never changed once it was released; a new form is a new step.
use rusqlite::{Connection, Error};

/// Version of the form; `PRAGMA user_version` holds it.
pub(super) const VERSION: u32 = 1;

/// Every step, from nothing. Speeds in mm/s of the model, doubts k = 1, times in seconds, directions 0 forward and 1 reverse.
const STEPS: [&str; 1] = ["
CREATE TABLE runs (
    id TEXT PRIMARY KEY,
    ordinal INTEGER NOT NULL,
    folder TEXT NOT NULL,
    engine TEXT NOT NULL,
    address TEXT NOT NULL,
    outcome TEXT,
    summary TEXT NOT NULL
) STRICT;
CREATE INDEX runs_by_engine ON runs (engine, address, ordinal);
CREATE TABLE steps (
    run TEXT NOT NULL REFERENCES runs (id) ON DELETE CASCADE,
    step INTEGER NOT NULL,
    target_mm_s REAL NOT NULL,
    forward_mm_s REAL,
    forward_u_mm_s REAL,
    reverse_mm_s REAL,
    reverse_u_mm_s REAL,
    whole TEXT NOT NULL,
    PRIMARY KEY (run, step)
) STRICT;
CREATE TABLE points (
    run TEXT NOT NULL REFERENCES runs (id) ON DELETE CASCADE,
    number INTEGER NOT NULL,
    at_s REAL NOT NULL,
    purpose TEXT NOT NULL,
    direction INTEGER NOT NULL,
    setting INTEGER NOT NULL,
    of INTEGER NOT NULL,
    speed_mm_s REAL NOT NULL,
    u_mm_s REAL NOT NULL,
    PRIMARY KEY (run, number)
) STRICT;
CREATE TABLE curves (
    run TEXT NOT NULL REFERENCES runs (id) ON DELETE CASCADE,
    direction INTEGER NOT NULL,
    number INTEGER NOT NULL,
    drive REAL NOT NULL,
    speed_mm_s REAL NOT NULL,
    u_mm_s REAL NOT NULL,
    PRIMARY KEY (run, direction, number)
) STRICT;
CREATE TABLE cvs (
    run TEXT NOT NULL REFERENCES runs (id) ON DELETE CASCADE,
    cv INTEGER NOT NULL,
    before INTEGER,
    after INTEGER,
    PRIMARY KEY (run, cv)
) STRICT;
CREATE TABLE told (
    number INTEGER PRIMARY KEY,
    line TEXT NOT NULL
) STRICT;
"];

/// Why a database is not used.
pub(super) enum Refused {
    /// A newer program made it.
    Newer(u32),
    /// It refused itself.
    Database(Error),
}

impl From<Error> for Refused {
    fn from(error: Error) -> Self {
        Self::Database(error)
    }
}

/// Set at every opening.
pub(super) fn settle(connection: &Connection) -> Result<(), Error> {
    connection.pragma_update(None, "journal_mode", "WAL")?;
    connection.pragma_update(None, "synchronous", "FULL")?;
    connection.pragma_update(None, "foreign_keys", true)
}

/// Brings a database to this program's form.
pub(super) fn migrate(connection: &mut Connection) -> Result<(), Refused> {
    // One at a time: another may be doing the same just now.
    let step = connection.transaction_with_behavior(rusqlite::TransactionBehavior::Immediate)?;
    let found: u32 = step.pragma_query_value(None, "user_version", |row| row.get(0))?;
    if found > VERSION {
        return Err(Refused::Newer(found));
    }
    for (number, text) in (1u32..).zip(STEPS).filter(|(number, _)| *number > found) {
        step.execute_batch(text)?;
        step.pragma_update(None, "user_version", number)?;
    }
    step.commit()?;
    Ok(())
}
