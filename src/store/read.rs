//! Reading what the database holds.
use super::summary::{CurveAt, CvSeen, PointSeen, Summary};
use super::told::Told;
use super::{Store, StoreError};
use crate::station::Direction;
use rusqlite::types::Type;
use rusqlite::{Connection, Row};
use serde::de::DeserializeOwned;

impl Store {
    /// Every run in the order of the record folder, without steps, points, curve and CVs.
    ///
    /// # Errors
    /// The database refused.
    pub fn runs(&self) -> Result<Vec<Summary>, StoreError> {
        let query = "SELECT summary FROM runs ORDER BY ordinal, id";
        self.all(query, [], |row| json(row, 0))
    }

    /// A run with all that is kept of it; its id may be cut short as long as it names one run alone.
    ///
    /// # Errors
    /// The database refused.
    pub fn run(&self, id: &str) -> Result<Option<Summary>, StoreError> {
        let query = "SELECT summary FROM runs WHERE id = ?1 OR substr(id, 1, length(?1)) = ?1 LIMIT 2";
        let mut found: Vec<Summary> = self.all(query, [id], |row| json(row, 0))?;
        let (Some(mut summary), None) = (found.pop(), found.pop()) else { return Ok(None) };
        self.fill(&mut summary)?;
        Ok(Some(summary))
    }

    /// Adds steps, points, curve and CVs to a run.
    ///
    /// # Errors
    /// The database refused.
    pub fn fill(&self, summary: &mut Summary) -> Result<(), StoreError> {
        let id = summary.id.clone();
        self.fill_steps(summary)?;
        let query = "SELECT at_s, purpose, direction, setting, of, speed_mm_s, u_mm_s FROM points WHERE run = ?1 ORDER BY number";
        summary.points = self.all(query, [&id], |row| {
            Ok(PointSeen {
                at_s: row.get(0)?,
                purpose: word(row, 1)?,
                direction: direction(row, 2)?,
                setting: row.get(3)?,
                of: row.get(4)?,
                speed_mm_s: row.get(5)?,
                u_mm_s: row.get(6)?,
            })
        })?;
        let query = "SELECT direction, drive, speed_mm_s, u_mm_s FROM curves WHERE run = ?1 ORDER BY direction, number";
        summary.curve = self.all(query, [&id], |row| {
            Ok(CurveAt {
                direction: direction(row, 0)?,
                drive: row.get(1)?,
                speed_mm_s: row.get(2)?,
                u_mm_s: row.get(3)?,
            })
        })?;
        let query = "SELECT cv, before, after FROM cvs WHERE run = ?1 ORDER BY cv";
        summary.cvs = self.all(query, [&id], |row| {
            Ok(CvSeen { cv: row.get(0)?, before: row.get(1)?, after: row.get(2)? })
        })?;
        Ok(())
    }

    /// Adds the steps alone.
    ///
    /// # Errors
    /// The database refused.
    pub fn fill_steps(&self, summary: &mut Summary) -> Result<(), StoreError> {
        let query = "SELECT whole FROM steps WHERE run = ?1 ORDER BY step";
        summary.steps = self.all(query, [&summary.id.clone()], |row| json(row, 0))?;
        Ok(())
    }

    /// What the person told, the oldest first.
    ///
    /// # Errors
    /// The database refused.
    pub fn told(&self) -> Result<Vec<Told>, StoreError> {
        self.all("SELECT line FROM told ORDER BY number", [], |row| json(row, 0))
    }

    fn all<T>(
        &self,
        query: &str,
        values: impl rusqlite::Params,
        read: impl FnMut(&Row<'_>) -> rusqlite::Result<T>,
    ) -> Result<Vec<T>, StoreError> {
        all(&self.connection, query, values, read).map_err(|error| self.failed(error))
    }
}

fn all<T>(
    connection: &Connection,
    query: &str,
    values: impl rusqlite::Params,
    read: impl FnMut(&Row<'_>) -> rusqlite::Result<T>,
) -> rusqlite::Result<Vec<T>> {
    connection.prepare_cached(query)?.query_map(values, read)?.collect()
}

fn json<T: DeserializeOwned>(row: &Row<'_>, column: usize) -> rusqlite::Result<T> {
    let text: String = row.get(column)?;
    parsed(&text, column)
}

/// A word of the core's.
fn word<T: DeserializeOwned>(row: &Row<'_>, column: usize) -> rusqlite::Result<T> {
    let text: String = row.get(column)?;
    parsed(&format!("\"{text}\""), column)
}

fn parsed<T: DeserializeOwned>(text: &str, column: usize) -> rusqlite::Result<T> {
    serde_json::from_str(text)
        .map_err(|error| rusqlite::Error::FromSqlConversionFailure(column, Type::Text, Box::new(error)))
}

fn direction(row: &Row<'_>, column: usize) -> rusqlite::Result<Direction> {
    let reverse: bool = row.get(column)?;
    Ok(if reverse { Direction::Reverse } else { Direction::Forward })
}
