//! Writing: table bit off, table and trims, read back, commit, what else goes back, CV 29 last.
use super::cv_job::{CvJob, CvOp};
use super::cx::Cx;
use super::snapshot::{ANALOGUE_BIT, STEPS_BIT, TABLE_BIT, TABLE_CVS};
use crate::calibrate::TableFit;

/// CVs that come back before verify, so that the engine is measured as it will run.
const MOMENTUM: [u16; 4] = [3, 4, 23, 24];

/// The CV work that brings this table into the decoder.
pub(super) fn job(cx: &Cx, fit: &TableFit) -> CvJob {
    let now = cx.cvs.known.get(&29).copied().or(cx.cvs.assumed_29).unwrap_or(STEPS_BIT);
    let original = cx.cvs.originals.get(&29).copied().unwrap_or(now);
    let mut ops = vec![CvOp::Write(29, now & !TABLE_BIT)];
    let values = std::iter::once(fit.trim_forward).chain(fit.table).chain(std::iter::once(fit.trim_reverse));
    ops.extend(TABLE_CVS.zip(values).map(|(cv, value)| CvOp::Write(cv, value)));
    ops.extend(TABLE_CVS.map(CvOp::ReadBack));
    ops.push(CvOp::Commit(Box::new(*fit)));
    let back =
        MOMENTUM.into_iter().filter_map(|cv| cx.cvs.originals.get(&cv).map(|value| CvOp::Write(cv, *value)));
    ops.extend(back);
    let analogue = original & ANALOGUE_BIT;
    ops.push(CvOp::Write(29, (now & !ANALOGUE_BIT) | analogue | TABLE_BIT | STEPS_BIT));
    CvJob::checked(cx, ops)
}

/// Longest time for a full change of speed by CV 3, 4, 23, 24 as known, seconds (S-9.2.2: 0.896 s a count).
pub(super) fn momentum_s(cx: &Cx) -> f64 {
    let value = |cv: u16| f64::from(cx.cvs.known.get(&cv).copied().unwrap_or(0));
    let adjusted = |cv: u16, by: u16| {
        let by = cx.cvs.known.get(&by).copied().unwrap_or(0);
        let size = f64::from(by & 0x7F);
        let sum = value(cv) + if by & 0x80 == 0 { size } else { -size };
        sum.clamp(0.0, 255.0)
    };
    adjusted(3, 23).max(adjusted(4, 24)) * 0.896
}
