//! What the person told of the fleet: a file of lines that is only ever appended to. It is as much the truth as the journals are.
use super::summary::{EngineId, Summary};
use super::{StoreError, TOLD};
use crate::fleet::layout::LayoutCheck;
use serde::{Deserialize, Serialize};
use std::fs::{File, OpenOptions};
use std::io::{Read, Seek, SeekFrom, Write};
use std::path::Path;

/// Something told.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Fact {
    /// An engine has another name from here on; its earlier runs are its own still.
    Renamed {
        /// As it was called.
        from: EngineId,
        /// As it is called.
        to: EngineId,
    },
    /// An engine belongs to this class of the fleet.
    Classed {
        /// Which.
        engine: EngineId,
        /// The class; none: to none.
        class: Option<String>,
    },
    /// Something of the engine was exchanged that makes its speeds others: what was measured before counts no more.
    Changed {
        /// Which.
        engine: EngineId,
        /// What: decoder, wheels, motor.
        what: String,
    },
    /// An engine need not keep a standard.
    Excepted {
        /// Which.
        engine: EngineId,
        /// The standard's name.
        standard: String,
        /// Why.
        why: String,
    },
    /// Speeds on a layout were taken.
    LayoutChecked {
        /// Which engine.
        engine: EngineId,
        /// What was found.
        check: LayoutCheck,
    },
    /// A run of another record folder, or speeds from a list.
    Imported(Box<Summary>),
}

/// A line of the file.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Told {
    /// Version of the form.
    pub v: u32,
    /// Wall time, RFC 3339. Annotation.
    pub at: String,
    /// The newest run of the record folder when it was told: what is older lies before it.
    pub after: u64,
    /// What.
    pub fact: Fact,
}

/// Everything told so far. A last line without its end was torn by a crash and left out.
///
/// # Errors
/// A line that cannot be read, or the file itself.
pub fn read_told(record_folder: &Path) -> Result<Vec<Told>, StoreError> {
    let path = record_folder.join(TOLD);
    let text = match std::fs::read_to_string(&path) {
        Ok(text) => text,
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(Vec::new()),
        Err(error) => return Err(StoreError::File { path, error }),
    };
    let whole = text.rfind('\n').map_or("", |end| &text[..end]);
    let lines = whole.lines().enumerate().filter(|(_, line)| !line.trim().is_empty());
    lines
        .map(|(at, line)| {
            serde_json::from_str(line).map_err(|error| StoreError::Line {
                path: path.clone(),
                line: at + 1,
                error: error.to_string(),
            })
        })
        .collect()
}

/// Appends a line; it is on the disk when this returns.
///
/// # Errors
/// The file refused.
pub fn tell(record_folder: &Path, told: &Told) -> Result<(), StoreError> {
    let path = record_folder.join(TOLD);
    let append = || -> std::io::Result<()> {
        let mut file = OpenOptions::new().read(true).append(true).create(true).open(&path)?;
        // One writer at a time.
        file.lock()?;
        end_torn_line(&mut file)?;
        let mut line = serde_json::to_string(told)?;
        line.push('\n');
        file.write_all(line.as_bytes())?;
        file.sync_data()
    };
    append().map_err(|error| StoreError::File { path: path.clone(), error })
}

/// A line that a crash left without its end is cut off: nobody was told that it was kept.
fn end_torn_line(file: &mut File) -> std::io::Result<()> {
    let length = file.seek(SeekFrom::End(0))?;
    let mut at = length;
    let mut byte = [0u8; 1];
    while at > 0 {
        file.seek(SeekFrom::Start(at - 1))?;
        file.read_exact(&mut byte)?;
        if byte == *b"\n" {
            break;
        }
        at -= 1;
    }
    if at < length {
        file.set_len(at)?;
    }
    Ok(())
}
