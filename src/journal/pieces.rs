//! A file of which a failed append leaves nothing behind, so that the next one does not follow half a piece.
use super::disk::{AppendFile, DiskError};

/// A file that only ever holds whole pieces, as far as the disk lets it.
#[derive(Debug)]
pub(super) struct Pieces {
    file: Box<dyn AppendFile>,
    /// Bytes of whole pieces.
    pub(super) len: u64,
    /// A piece failed halfway and could not be cut away yet.
    torn: bool,
    /// Something was appended since the last sync.
    dirty: bool,
}

impl Pieces {
    pub(super) fn new(file: Box<dyn AppendFile>) -> Self {
        Self { file, len: 0, torn: false, dirty: false }
    }

    /// A file that holds so many bytes of whole pieces; whatever stands behind them is cut away.
    pub(super) fn going_on(mut file: Box<dyn AppendFile>, len: u64) -> Result<Self, DiskError> {
        file.truncate(len)?;
        Ok(Self { file, len, torn: false, dirty: true })
    }

    /// Appends a piece, or leaves none of it behind.
    pub(super) fn append(&mut self, piece: &[u8]) -> Result<(), DiskError> {
        if self.torn {
            self.file.truncate(self.len)?;
            self.torn = false;
        }
        self.dirty = true;
        if let Err(error) = self.file.append(piece) {
            self.torn = self.file.truncate(self.len).is_err();
            return Err(error);
        }
        self.len += piece.len() as u64;
        Ok(())
    }

    /// Brings all pieces onto the medium.
    pub(super) fn sync(&mut self) -> Result<(), DiskError> {
        if self.dirty {
            self.file.sync()?;
            self.dirty = false;
        }
        Ok(())
    }
}
