//! Writing: table bit off, table and trims, read back, commit, what else goes back, CV 29 last.
use super::cv_job::{CvJob, CvOp};
use super::cx::Cx;
use crate::calibrate::TableFit;
use crate::config::After;
use crate::dcc::cv29::{Bit, Cv29};
use crate::dcc::{cv, momentum};

/// CVs that come back before verify, so that the engine is measured as it will run.
const MOMENTUM: [u16; 4] =
    [cv::ACCELERATION, cv::DECELERATION, cv::ACCELERATION_ADJUST, cv::DECELERATION_ADJUST];

/// The CV work that brings this table into the decoder.
pub(super) fn job(cx: &Cx, fit: &TableFit) -> CvJob {
    let now = cx.cvs.settings();
    let original = cx.cvs.originals.get(&cv::SETTINGS).copied().map_or(now, Cv29::from_value);
    let mut ops = vec![CvOp::Write(cv::SETTINGS, now.with(Bit::SpeedTable, false).value())];
    let values: Vec<(u16, u8)> = if let Some(points) = fit.points {
        [cv::START_DRIVE, cv::MID_DRIVE, cv::TOP_DRIVE]
            .into_iter()
            .zip([points.start, points.middle, points.top])
            .collect()
    } else {
        let trims = [fit.trim_forward, fit.trim_reverse].map(std::iter::once);
        let [forward, reverse] = trims;
        cv::TABLE_WITH_TRIMS.zip(forward.chain(fit.table).chain(reverse)).collect()
    };
    ops.extend(values.iter().map(|(cv, value)| CvOp::Write(*cv, *value)));
    ops.extend(values.iter().map(|(cv, _)| CvOp::ReadBack(*cv)));
    ops.push(CvOp::Commit(Box::new(*fit)));
    let speed = [cv::START_DRIVE, cv::TOP_DRIVE, cv::MID_DRIVE];
    let speed = speed.into_iter().filter(|_| cx.plan.profile.after == After::Originals);
    let back = MOMENTUM
        .into_iter()
        .chain(speed)
        .filter_map(|cv| cx.cvs.originals.get(&cv).map(|value| CvOp::Write(cv, *value)));
    ops.extend(back);
    let table = now.with(Bit::SpeedTable, fit.points.is_none()).with(Bit::Steps28, cx.steps_28());
    let settings = table.with(Bit::Analogue, original.has(Bit::Analogue));
    ops.push(CvOp::Write(cv::SETTINGS, settings.value()));
    // Trims that the profile leaves out are none.
    let trims = [cv::TRIM_FORWARD, cv::TRIM_REVERSE];
    ops.retain(|op| match op {
        CvOp::Write(cv, _) | CvOp::ReadBack(cv) => !trims.contains(cv) || cx.plan.profile.touches(*cv),
        _ => true,
    });
    CvJob::checked(cx, ops)
}

/// Longest time for a full change of speed by CV 3, 4, 23, 24 as known, seconds.
pub(super) fn momentum_s(cx: &Cx) -> f64 {
    full_change_s(|cv| cx.cvs.known.get(&cv).copied())
}

/// The same as it will be once the originals of these CVs are back.
pub(super) fn momentum_back_s(cx: &Cx) -> f64 {
    // What was not changed yet is its own original.
    full_change_s(|cv| cx.cvs.originals.get(&cv).or_else(|| cx.cvs.known.get(&cv)).copied())
}

fn full_change_s(content: impl Fn(u16) -> Option<u8>) -> f64 {
    let value = |cv: u16| content(cv).unwrap_or(0);
    let full_range_s = |rate, adjust| momentum::full_range_s(value(rate), value(adjust));
    let up = full_range_s(cv::ACCELERATION, cv::ACCELERATION_ADJUST);
    up.max(full_range_s(cv::DECELERATION, cv::DECELERATION_ADJUST))
}
