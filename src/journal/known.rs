//! What a run's record keeps of an engine's curves, for a new table without another sweep. Pure.
use super::cvs::{CvsOf, cv_contents};
use super::reader::RunFolder;
use crate::dcc::cv;
use crate::run::{KnownCurve, RecordBody};

/// CVs that must be as they were for a curve to be the decoder's own.
const HELD: [u16; 5] = [cv::START_DRIVE, cv::TOP_DRIVE, cv::MID_DRIVE, cv::VERSION, cv::MAKER];

/// The curves of this run and what the decoder held at its end; none where no sweep came to its end.
#[must_use]
pub fn known_curve(run: &RunFolder) -> Option<KnownCurve> {
    let bodies = || run.records.iter().rev().map(|record| &record.body);
    let found =
        bodies().find_map(|body| if let RecordBody::Curve(found) = body { Some(found) } else { None })?;
    let placing =
        bodies().find_map(|body| if let RecordBody::Placings(part) = body { Some(*part) } else { None });
    let contents = cv_contents(&run.opening.run, &run.records, CvsOf::After);
    let held = contents.values.into_iter().filter(|(cv, _)| HELD.contains(cv)).collect();
    Some(KnownCurve { run_id: run.opening.run.run_id.clone(), found: found.as_ref().clone(), placing, held })
}
