//! What the fleet keeps of a run, from its folder. Pure but for the folder being read before.
use crate::config::{self, TargetSpec};
use crate::dcc::{Address, cv};
use crate::journal::{CvsOf, RunFolder, cv_contents, known_curve};
use crate::run::{End, PointPurpose, Purpose, RecordBody, RunOutcome, StepRow, VerdictWord, Warming};
use crate::station::Direction;
use crate::time::BenchTime;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// An engine as runs name it.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct EngineId {
    /// Its name.
    pub name: String,
    /// Its address, as `short 4` or `long 1203`.
    pub address: String,
}

impl EngineId {
    /// As a bench file names it.
    #[must_use]
    pub fn of(name: &str, at: Address) -> Self {
        Self { name: name.to_owned(), address: address(at) }
    }
}

/// A measured point.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct PointSeen {
    /// Bench time, s.
    pub at_s: f64,
    /// Why it was measured.
    pub purpose: PointPurpose,
    /// Where to.
    pub direction: Direction,
    /// Setting.
    pub setting: u16,
    /// Of so many.
    pub of: u16,
    /// Speed, mm/s.
    pub speed_mm_s: f64,
    /// Its doubt, k = 1.
    pub u_mm_s: f64,
}

/// A point of a curve on the linear baseline.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct CurveAt {
    /// Where to.
    pub direction: Direction,
    /// Drive, counts of 255.
    pub drive: f64,
    /// Speed, mm/s.
    pub speed_mm_s: f64,
    /// Its doubt, k = 1.
    pub u_mm_s: f64,
}

/// A CV before and after the run; none: the record does not say.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct CvSeen {
    /// Its number.
    pub cv: u16,
    /// Value before.
    pub before: Option<u8>,
    /// Value after.
    pub after: Option<u8>,
}

/// A run as the fleet keeps it. Everything but points, curve, steps and CVs stands in one JSON text of the database.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Summary {
    /// Id of the run.
    pub id: String,
    /// Its place in the order of the record folder.
    pub ordinal: u64,
    /// Its folder's name in the record folder.
    pub folder: String,
    /// The engine, as the bench file named it.
    pub engine: EngineId,
    /// What the run was for, a word of the command line.
    pub purpose: String,
    /// How it ended; none: it did not, or goes on.
    pub outcome: Option<End>,
    /// The verdict.
    pub verdict: VerdictWord,
    /// Codes of its reasons, most important first.
    pub reasons: Vec<String>,
    /// Wall time at its start, RFC 3339.
    pub started: String,
    /// Name of the bench.
    pub bench: String,
    /// Engines measured with equal texts here were measured on the same axle.
    pub axle: String,
    /// Voltage at the rails, V, where the bench file states it.
    pub track_voltage_v: Option<f64>,
    /// Moving steps of the step mode.
    pub step_mode: u16,
    /// Real size to model.
    pub scale_ratio: f64,
    /// Wanted at entry 1, mm/s.
    pub creep_mm_s: f64,
    /// Wanted at entry 28, mm/s.
    pub top_mm_s: f64,
    /// Relative tolerance of the bench file.
    pub tolerance_rel: f64,
    /// Its floor, mm/s.
    pub tolerance_floor_mm_s: f64,
    /// Length, bench seconds.
    pub bench_s: f64,
    /// For so long the engine was told to move, s.
    pub driven_s: f64,
    /// For so long a question waited for the person, or a pause lasted, s.
    pub hands_on_s: f64,
    /// Worst deviation, percent of the top.
    pub worst_percent: Option<f64>,
    /// CV 8 of the decoder.
    pub maker: Option<u8>,
    /// CV 7 of the decoder.
    pub version: Option<u8>,
    /// Cold against warm, forward and reverse.
    pub warming: [Option<Warming>; 2],
    /// The slowest drive that keeps going, counts of 255: its speed in mm/s and doubt, forward and reverse.
    pub slowest_mm_s: [Option<(f64, f64)>; 2],
    /// The fastest point of the curve: mm/s and doubt, forward and reverse.
    pub fastest_mm_s: [Option<(f64, f64)>; 2],
    /// CV 67 to 94.
    pub table: Option<Vec<u8>>,
    /// CV 66 and 95.
    pub trims: Option<[u8; 2]>,
    /// Version of the program.
    pub program_version: String,
    /// Revision of its core.
    pub core_revision: u32,
    /// Bench seconds a wall second; 1 on a real bench.
    pub time_lapse: f64,
    /// CRC-32 of the bench file's text, eight hexadecimal digits.
    pub bench_crc: String,
    /// The steps.
    #[serde(default)]
    pub steps: Vec<StepRow>,
    /// Measured points.
    #[serde(default)]
    pub points: Vec<PointSeen>,
    /// The curves.
    #[serde(default)]
    pub curve: Vec<CurveAt>,
    /// CVs.
    #[serde(default)]
    pub cvs: Vec<CvSeen>,
}

impl Summary {
    /// Of a run's folder. A bench file that no longer reads leaves its figures at zero: the run is listed all the same.
    #[must_use]
    pub fn of(run: &RunFolder) -> Self {
        let header = &run.opening.run;
        let outcome = run.records.iter().rev().find_map(|record| match &record.body {
            RecordBody::Outcome(outcome) => Some(outcome.as_ref()),
            _ => None,
        });
        let spec = config::read(&header.bench_file_name, &header.bench_text).ok();
        let cvs = cvs(run);
        let after = |cv: u16| cvs.iter().find(|seen| seen.cv == cv).and_then(|seen| seen.after);
        let curve = curve(run);
        let (creep_mm_s, top_mm_s) = spec.as_ref().map_or((0.0, 0.0), |spec| ends(&spec.target));
        Self {
            id: header.run_id.clone(),
            ordinal: run.opening.ordinal,
            folder: run.path.file_name().and_then(|name| name.to_str()).unwrap_or_default().to_owned(),
            engine: EngineId { name: header.engine_name.clone(), address: address(header.engine_address) },
            purpose: purpose(&header.purpose).to_owned(),
            outcome: outcome.map(|outcome| outcome.outcome),
            verdict: outcome.map_or(VerdictWord::None, |outcome| outcome.verdict),
            reasons: outcome.map_or_else(Vec::new, codes),
            started: header.started_wall.clone(),
            bench: spec.as_ref().map(|spec| spec.name.clone()).unwrap_or_default(),
            axle: spec.as_ref().map(axle).unwrap_or_default(),
            track_voltage_v: spec.as_ref().and_then(|spec| spec.station.track_voltage_v),
            step_mode: spec.as_ref().map_or(0, |spec| spec.engine.step_mode),
            scale_ratio: spec.as_ref().map_or(0.0, |spec| spec.engine.scale_ratio),
            creep_mm_s,
            top_mm_s,
            tolerance_rel: spec.as_ref().map_or(0.0, |spec| spec.limits.tolerance_rel),
            tolerance_floor_mm_s: spec.as_ref().map_or(0.0, |spec| spec.limits.tolerance_floor_mm_s),
            bench_s: outcome.map_or(0.0, |outcome| outcome.bench_seconds),
            driven_s: outcome.map_or(0.0, |outcome| outcome.driven_seconds),
            hands_on_s: hands_on_s(run),
            worst_percent: outcome.and_then(|outcome| outcome.worst_deviation_percent),
            maker: after(cv::MAKER),
            version: after(cv::VERSION),
            warming: outcome.map(|outcome| outcome.engine.warming).unwrap_or_default(),
            slowest_mm_s: Direction::BOTH.map(|direction| end_of(&curve, direction, false)),
            fastest_mm_s: Direction::BOTH.map(|direction| end_of(&curve, direction, true)),
            table: outcome.and_then(|outcome| outcome.table).map(|table| table.to_vec()),
            trims: outcome.and_then(|outcome| Some([outcome.trim_forward?, outcome.trim_reverse?])),
            program_version: header.program_version.clone(),
            core_revision: header.core_revision,
            time_lapse: header.time_lapse,
            bench_crc: format!("{:08x}", crc32fast::hash(header.bench_text.as_bytes())),
            steps: outcome.map_or_else(Vec::new, |outcome| outcome.steps.clone()),
            points: points(run),
            curve,
            cvs,
        }
    }

    /// A table came into the decoder and was proved.
    #[must_use]
    pub fn calibrated(&self) -> bool {
        self.outcome == Some(End::Calibrated)
    }
}

/// An address as it is written here.
fn address(address: Address) -> String {
    match address {
        Address::Short(number) => format!("short {number}"),
        Address::Long(number) => format!("long {number}"),
    }
}

fn axle(spec: &config::BenchSpec) -> String {
    format!(
        "{} {} mm {} {}",
        spec.name, spec.axle.circumference_mm, spec.axle.circumference_u_rel, spec.sensor.link
    )
}

fn ends(target: &TargetSpec) -> (f64, f64) {
    match target {
        TargetSpec::Line { creep_mm_s, top_mm_s } => (*creep_mm_s, *top_mm_s),
        TargetSpec::Points(points) => {
            (points.first().map_or(0.0, |(_, speed)| *speed), points.last().map_or(0.0, |(_, speed)| *speed))
        }
    }
}

fn purpose(purpose: &Purpose) -> &'static str {
    match purpose {
        Purpose::Calibrate => "run",
        Purpose::Sweep => "sweep",
        Purpose::Check => "check",
        Purpose::Recheck => "recheck",
        Purpose::Retarget(_) => "retarget",
        Purpose::RunIn { .. } => "run-in",
        Purpose::Roll { .. } => "roll",
        Purpose::PutBack { .. } => "restore",
    }
}

fn codes(outcome: &RunOutcome) -> Vec<String> {
    outcome.reasons.iter().map(|reason| reason.code.clone()).collect()
}

fn points(run: &RunFolder) -> Vec<PointSeen> {
    let seen = |record: &crate::run::Record| match &record.body {
        RecordBody::Point { purpose, setting, direction, measured, .. } => Some(PointSeen {
            at_s: record.at.as_secs_f64(),
            purpose: *purpose,
            direction: *direction,
            setting: setting.value,
            of: setting.of,
            speed_mm_s: measured.speed_mm_s.abs(),
            u_mm_s: measured.u_mm_s,
        })
        .filter(|point| point.speed_mm_s.is_finite() && point.u_mm_s.is_finite()),
        _ => None,
    };
    run.records.iter().filter_map(seen).collect()
}

fn curve(run: &RunFolder) -> Vec<CurveAt> {
    let Some(known) = known_curve(run) else { return Vec::new() };
    let side = |(direction, points): (Direction, Vec<crate::calibrate::CurvePoint>)| {
        points.into_iter().map(move |point| CurveAt {
            direction,
            drive: point.drive,
            speed_mm_s: point.speed_mm_s,
            u_mm_s: point.u_mm_s,
        })
    };
    Direction::BOTH.into_iter().zip(known.found.points).flat_map(side).collect()
}

/// The slowest that moves, or the fastest.
fn end_of(curve: &[CurveAt], direction: Direction, fastest: bool) -> Option<(f64, f64)> {
    let mut moving = curve.iter().filter(|at| at.direction == direction && at.speed_mm_s > 0.0);
    let at = if fastest { moving.next_back() } else { moving.next() }?;
    Some((at.speed_mm_s, at.u_mm_s))
}

fn cvs(run: &RunFolder) -> Vec<CvSeen> {
    let mut all: BTreeMap<u16, CvSeen> = BTreeMap::new();
    for of in [CvsOf::Before, CvsOf::After] {
        for (cv, value) in cv_contents(&run.opening.run, &run.records, of).values {
            let seen = all.entry(cv).or_insert(CvSeen { cv, before: None, after: None });
            match of {
                CvsOf::Before => seen.before = Some(value),
                CvsOf::After => seen.after = Some(value),
            }
        }
    }
    all.into_values().collect()
}

/// How long the run waited for a person who came: questions until they were answered, and pauses.
fn hands_on_s(run: &RunFolder) -> f64 {
    use crate::run::PersonAct;
    let mut asked: BTreeMap<u32, BenchTime> = BTreeMap::new();
    let (mut paused, mut all_s) = (None, 0.0);
    for record in &run.records {
        let since = |began: BenchTime| record.at.since(began).as_secs_f64();
        match &record.body {
            RecordBody::Asked { question, .. } => {
                asked.insert(*question, record.at);
            }
            // A question that nobody answered was nobody's work.
            RecordBody::Answered { question, .. } => {
                all_s += asked.remove(question).map_or(0.0, since);
            }
            RecordBody::Person(PersonAct::Pause) => paused = paused.or(Some(record.at)),
            RecordBody::Person(PersonAct::GoOn) => all_s += paused.take().map_or(0.0, since),
            _ => {}
        }
    }
    all_s
}
