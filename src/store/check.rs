//! Whether the database is whole, and says what the journals say.
use super::{Store, StoreError};
use rusqlite::types::Value;

/// Tables, and the order in which their rows are compared.
const TABLES: [(&str, &str); 6] = [
    ("runs", "id"),
    ("steps", "run, step"),
    ("points", "run, number"),
    ("curves", "run, direction, number"),
    ("cvs", "run, cv"),
    ("told", "number"),
];

/// What a check found.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Checked {
    /// Rows compared.
    pub rows: usize,
    /// What is wrong, in words; empty: nothing.
    pub wrong: Vec<String>,
    /// Folders whose journals cannot be read, and why.
    pub left_out: Vec<String>,
}

impl Store {
    /// Asks the database whether it is whole, and compares each table with one built anew from the journals.
    ///
    /// # Errors
    /// [`StoreError`] where that could not be done.
    pub fn check(&self) -> Result<Checked, StoreError> {
        let mut checked = Checked::default();
        let pages: Vec<String> = self.words("PRAGMA integrity_check")?;
        checked.wrong.extend(pages.into_iter().filter(|words| words != "ok"));
        let foreign: Vec<String> = self.words("SELECT \"table\" FROM pragma_foreign_key_check")?;
        checked.wrong.extend(foreign.into_iter().map(|table| format!("a row of {table} belongs to no run")));
        let mut anew = Self::in_memory(&self.folder)?;
        checked.left_out = anew.rebuild()?.left_out;
        for (table, order) in TABLES {
            let (here, there) = (self.rows(table, order)?, anew.rows(table, order)?);
            checked.rows += here.len();
            let differ = here.iter().zip(&there).filter(|(here, there)| here != there).count();
            if here.len() != there.len() || differ > 0 {
                checked.wrong.push(format!(
                    "{table}: {} rows, {} by the journals, {differ} of those beside each other differ",
                    here.len(),
                    there.len()
                ));
            }
        }
        Ok(checked)
    }

    fn words(&self, query: &str) -> Result<Vec<String>, StoreError> {
        let read = || -> rusqlite::Result<Vec<String>> {
            self.connection.prepare(query)?.query_map([], |row| row.get(0))?.collect()
        };
        read().map_err(|error| self.failed(error))
    }

    /// Every row of a table.
    fn rows(&self, table: &str, order: &str) -> Result<Vec<Vec<Value>>, StoreError> {
        let read = || -> rusqlite::Result<Vec<Vec<Value>>> {
            let mut query = self.connection.prepare(&format!("SELECT * FROM {table} ORDER BY {order}"))?;
            let columns = query.column_count();
            query.query_map([], |row| (0..columns).map(|at| row.get(at)).collect())?.collect()
        };
        read().map_err(|error| self.failed(error))
    }
}
