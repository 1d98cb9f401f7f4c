//! What a run's record says of an engine's speeds on the linear baseline. Pure.
use super::reader::RunFolder;
use crate::calibrate::SpeedAt;
use crate::calibrate::budget::{Budget, BudgetLine, Part, SharedBy};
use crate::cause::{Reason, record};
use crate::config::{self, BenchSpec};
use crate::dcc::cv;
use crate::motion::Measured;
use crate::run::{PointPurpose, Record, RecordBody};
use crate::station::Direction;
use std::collections::BTreeMap;

/// CVs that make the response without the table.
const BASELINE: [u16; 10] = [
    cv::START_DRIVE,
    cv::ACCELERATION,
    cv::DECELERATION,
    cv::TOP_DRIVE,
    cv::MID_DRIVE,
    cv::ACCELERATION_ADJUST,
    cv::DECELERATION_ADJUST,
    cv::SETTINGS,
    cv::TRIM_FORWARD,
    cv::TRIM_REVERSE,
];
/// CVs that say whose decoder it is.
const IDENTITY: [u16; 2] = [cv::VERSION, cv::MAKER];

/// The speeds of a run, and on what they were measured.
#[derive(Clone, Debug, PartialEq)]
pub struct RecordedSpeeds {
    /// The bench file of the run.
    pub spec: BenchSpec,
    /// Baseline CVs that the record tells, as they were when the last point was measured.
    pub baseline: BTreeMap<u16, u8>,
    /// Version and maker of the decoder, where they were read.
    pub identity: BTreeMap<u16, u8>,
    /// Points of the sweep; of a setting that was measured more than once the last.
    pub points: Vec<SpeedAt>,
}

/// Goes through the records of a run.
///
/// # Errors
/// Where the bench file in the record does not read, or no speed was measured.
pub fn recorded_speeds(run: &RunFolder) -> Result<RecordedSpeeds, Reason> {
    let header = &run.opening.run;
    let spec = config::read(&header.bench_file_name, &header.bench_text).map_err(|complaints| {
        Reason::new(&record::JOURNAL_DAMAGED, format!("the bench file kept in it: {complaints}"))
    })?;
    let found = gather(&run.records);
    if found.swept.is_empty() {
        return Err(Reason::new(&record::NO_SPEEDS, run.path.display().to_string()));
    }
    let drift_mm_s = found.drift_mm_s();
    let points = found
        .swept
        .iter()
        .map(|((reverse, value), measured)| SpeedAt {
            value: *value,
            direction: if *reverse { Direction::Reverse } else { Direction::Forward },
            speed_mm_s: measured.speed_mm_s.abs(),
            budget: budget(&spec, measured, drift_mm_s),
        })
        .collect();
    Ok(RecordedSpeeds { spec, baseline: found.baseline, identity: found.identity, points })
}

#[derive(Default)]
struct Found {
    /// By reverse and setting.
    swept: BTreeMap<(bool, u16), Measured>,
    anchor: Option<(u16, Direction, Measured)>,
    baseline: BTreeMap<u16, u8>,
    identity: BTreeMap<u16, u8>,
}

impl Found {
    /// How far the anchor moved.
    fn drift_mm_s(&self) -> f64 {
        let Some((value, direction, again)) = &self.anchor else { return 0.0 };
        let first = self.swept.get(&(*direction == Direction::Reverse, *value));
        first.map_or(0.0, |first| again.speed_mm_s.abs() - first.speed_mm_s.abs())
    }
}

fn gather(records: &[Record]) -> Found {
    let mut found = Found::default();
    let mut known = BTreeMap::new();
    for record in records {
        match &record.body {
            RecordBody::CvRead { cv, value: Some(value), .. } | RecordBody::CvWritten { cv, value, .. } => {
                known.insert(*cv, *value);
            }
            RecordBody::Point { purpose, setting, direction, measured, .. } => match purpose {
                PointPurpose::Sweep => {
                    found.swept.insert((*direction == Direction::Reverse, setting.value), *measured);
                    let told = |cvs: &[u16]| {
                        cvs.iter().filter_map(|cv| Some((*cv, *known.get(cv)?))).collect::<BTreeMap<_, _>>()
                    };
                    (found.baseline, found.identity) = (told(&BASELINE), told(&IDENTITY));
                }
                PointPurpose::Anchor => found.anchor = Some((setting.value, *direction, *measured)),
                _ => {}
            },
            _ => {}
        }
    }
    found
}

/// The record tells the whole doubt and repeatability: clock and steps of the sensor are what is left of them.
fn budget(spec: &BenchSpec, measured: &Measured, drift_mm_s: f64) -> Budget {
    let speed_mm_s = measured.speed_mm_s.abs();
    let axle_mm_s = speed_mm_s * spec.axle.circumference_u_rel;
    let square = |u: f64| u * u;
    let rest = square(measured.u_mm_s) - square(measured.u_repeat_mm_s) - square(axle_mm_s);
    // Older records do not tell degrees of freedom.
    let degrees =
        if measured.degrees > 0.0 { measured.degrees } else { f64::from(measured.turns.saturating_sub(1)) };
    let lines = vec![
        BudgetLine::a(Part::Repeatability, measured.u_repeat_mm_s, degrees, SharedBy::None, "whole turns"),
        BudgetLine::b(Part::Drift, drift_mm_s.abs() / 3f64.sqrt(), SharedBy::Run, "anchor"),
        BudgetLine::b(Part::Clock, rest.max(0.0).sqrt(), SharedBy::Run, "clock and steps of the sensor"),
        BudgetLine::b(Part::Contact, speed_mm_s * spec.axle.contact_u_rel, SharedBy::Run, "bench file"),
        BudgetLine::b(Part::Circumference, axle_mm_s, SharedBy::Axle, "bench file"),
    ];
    Budget { lines }
}
