//! What a run knows of the decoder's CVs: their content, what it was before, and what still has to go back.
use crate::dcc::cv29::Bit;
use crate::dcc::{Cv29, cv};
use std::collections::{BTreeMap, BTreeSet};

/// What the run knows of the decoder's CVs.
#[derive(Debug, Default)]
pub(super) struct CvBook {
    /// Content as last read or confirmed.
    pub(super) known: BTreeMap<u16, u8>,
    /// Content before the first change of this run.
    pub(super) originals: BTreeMap<u16, u8>,
    /// CVs changed and not yet put back.
    pub(super) changed: BTreeSet<u16>,
    /// CVs whose content nobody can say: an order to write them ended without an answer.
    pub(super) doubtful: BTreeSet<u16>,
    /// CVs that do not answer and whose originals come from the list that the person keeps: nothing written to them can
    /// be confirmed.
    pub(super) mute: BTreeSet<u16>,
    /// The new table is in the decoder, whole, with everything that belongs to it.
    pub(super) whole: bool,
    /// What CV 29 must hold where nothing can be read.
    pub(super) assumed_29: Option<Cv29>,
}

impl CvBook {
    /// CV 29 as it is, or as it must be where it cannot be read.
    pub(super) fn settings(&self) -> Cv29 {
        let read = self.known.get(&cv::SETTINGS).copied().map(Cv29::from_value);
        read.or(self.assumed_29).unwrap_or(Cv29::from_value(0).with(Bit::Steps28, true))
    }

    /// What still has to go back.
    pub(super) fn to_restore(&self) -> Vec<(u16, u8)> {
        self.changed.iter().filter_map(|cv| self.originals.get(cv).map(|value| (*cv, *value))).collect()
    }
}
