//! The checked bench file. Every value here has its unit in its name and lies in its range.
use crate::sensor::Source;
use serde::{Deserialize, Serialize};
use std::time::Duration;

/// A bench, checked.
#[derive(Clone, Debug, PartialEq)]
pub struct BenchSpec {
    /// What the person calls the bench.
    pub name: String,
    /// The station.
    pub station: StationSpec,
    /// The sensor.
    pub sensor: SensorSpec,
    /// The measured axle.
    pub axle: AxleSpec,
    /// The locomotive.
    pub engine: EngineSpec,
    /// What it runs on.
    pub path: PathKind,
    /// Which functions are on; all others are forced off.
    pub functions: FunctionSpec,
    /// Warm-up.
    pub warm_up: WarmUpSpec,
    /// Which points are measured and how well.
    pub sweep: SweepSpec,
    /// The wanted speeds.
    pub target: TargetSpec,
    /// Where and how CVs are written.
    pub programming: ProgrammingSpec,
    /// Limits and guards.
    pub limits: LimitSpec,
    /// What a night does.
    pub night: NightSpec,
    /// Who is told how a run ended.
    pub alert: AlertSpec,
    /// Where runs are published.
    pub publish: PublishSpec,
    /// The log is kept for so many days; 0: none.
    pub log_days: u16,
    /// Folder for run folders, as written in the file.
    pub record_folder: String,
    /// No run begins or goes on with less room on the disk, bytes.
    pub least_free_bytes: u64,
}

/// Bits a second of a serial port where the file names no rate (common practice, no source).
pub const USUAL_BAUD: u32 = 115_200;

/// How a station or a sensor is reached.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum LinkSpec {
    /// Over the network.
    Tcp {
        /// `host:port`.
        address: String,
    },
    /// Over a serial port: 8 data bits, no parity, 1 stop bit, no flow control.
    Serial {
        /// Path of the device.
        device: String,
        /// Bits a second.
        baud: u32,
    },
}

impl LinkSpec {
    /// Over the network, to this `host:port`.
    #[must_use]
    pub fn tcp(address: &str) -> Self {
        Self::Tcp { address: address.to_owned() }
    }
}

impl std::fmt::Display for LinkSpec {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Tcp { address } => f.write_str(address),
            Self::Serial { device, baud } => write!(f, "{device} at {baud} baud"),
        }
    }
}

/// The station's link and protocol.
#[derive(Clone, Debug, PartialEq)]
pub struct StationSpec {
    /// Where it is.
    pub link: LinkSpec,
    /// Bus of the engine and its power.
    pub bus: u16,
    /// Voltage at the rails as a person measured it, V; none: nobody said.
    pub track_voltage_v: Option<f64>,
    /// Longest wait for an ordinary answer.
    pub answer_limit: Duration,
    /// Longest wait for a CV answer (reading by search is slow).
    pub cv_answer_limit: Duration,
    /// Interval at which a silent station is asked.
    pub ask_interval: Duration,
}

/// The form of the sensor's stream.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum StreamFormat {
    /// Told by the first character that comes.
    ByFirstCharacter,
    /// CSV lines.
    Csv,
    /// SenML packs (RFC 8428), one JSON array a line.
    Senml,
}

/// The sensor's link and what it sends.
#[derive(Clone, Debug, PartialEq)]
pub struct SensorSpec {
    /// Where it is.
    pub link: LinkSpec,
    /// In which form it speaks.
    pub format: StreamFormat,
    /// Where the speed comes from.
    pub source: Source,
    /// Whether the source tells which way the axle turns.
    pub sees_direction: bool,
    /// At this voltage of its battery or less the run ends, V; none: it is not watched.
    pub battery_low_v: Option<f64>,
    /// A full charge lasts this long; none: for ever.
    pub endurance: Option<Duration>,
}

/// The measured axle: wheel of the engine, roller under it, or wheel of a measuring car.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct AxleSpec {
    /// Distance a turn, mm.
    pub circumference_mm: f64,
    /// Its relative standard uncertainty (k = 1).
    pub circumference_u_rel: f64,
    /// Relative standard uncertainty (k = 1) from where on its tread the wheel touches; 0 where none is stated.
    pub contact_u_rel: f64,
}

/// Which end of the engine leads when the decoder is told forward.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum LeadingEnd {
    /// The front end.
    Front,
    /// The rear end.
    Rear,
    /// Ask on the first slow move.
    Ask,
}

/// The locomotive.
#[derive(Clone, Debug, PartialEq)]
pub struct EngineSpec {
    /// Its name.
    pub name: String,
    /// DCC address.
    pub address: crate::dcc::Address,
    /// Scale ratio N of 1:N.
    pub scale_ratio: f64,
    /// Scale as written ("H0", "1:87").
    pub scale_name: String,
    /// Moving steps of the step mode: 14, 28 or 126.
    pub step_mode: u16,
    /// Which end leads forward.
    pub leading_end: LeadingEnd,
    /// Name of the profile of its decoder; none: it is found out.
    pub decoder: Option<String>,
}

/// What the engine runs on.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum PathKind {
    /// Rollers: endless.
    Rollers,
    /// A closed loop of this length.
    Loop {
        /// Length in mm.
        length_mm: f64,
    },
    /// A straight between two ends.
    Straight {
        /// The way that the engine can go between both ends, in mm: the track's length less the train's.
        length_mm: f64,
        /// Kept free at each end, in mm; the start mark lies so far from the end that is left first.
        reserve_mm: f64,
    },
}

/// Functions during the run.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FunctionSpec {
    /// On or off, F0 first; as long as the number of functions the engine is announced with.
    pub on: Vec<bool>,
}

/// Warm-up until steady.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct WarmUpSpec {
    /// At least this long.
    pub shortest: Duration,
    /// At most this long; not steady by then is said and goes on into the doubt.
    pub longest: Duration,
    /// Steady when speed changes by less than this fraction a minute.
    pub steady_per_minute: f64,
}

/// Which steps a sweep measures, a direction.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SweepSteps {
    /// A few first, then those that the table still needs.
    Learn,
    /// Every step that the target needs.
    All,
    /// So many, spread over the range.
    Spread(u16),
}

/// How the sweep measures.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SweepSpec {
    /// Which steps are measured.
    pub steps: SweepSteps,
    /// Wanted 95 % half-width as a fraction of the speed.
    pub precision_rel: f64,
    /// But no finer than this, mm/s.
    pub precision_floor_mm_s: f64,
    /// Longest measuring time of a point.
    pub point_limit: Duration,
    /// Steps of the table measured again in verify, a direction.
    pub verify_points: u16,
    /// How often the engine stands on the bench to be measured: 1, or lifted and put back so often less one.
    pub placings: u16,
}

/// The wanted speeds as model speed.
#[derive(Clone, Debug, PartialEq)]
pub enum TargetSpec {
    /// A straight line from `creep` at table entry 1 to `top` at entry 28.
    Line {
        /// Speed at entry 1, mm/s.
        creep_mm_s: f64,
        /// Speed at entry 28, mm/s.
        top_mm_s: f64,
    },
    /// Straight pieces through these (entry, mm/s); the first is entry 1, the last entry 28.
    Points(Vec<(u8, f64)>),
}

impl TargetSpec {
    /// The speed at entry 1, mm/s.
    #[must_use]
    pub fn creep_mm_s(&self) -> f64 {
        match self {
            Self::Line { creep_mm_s, .. } => *creep_mm_s,
            Self::Points(points) => points.first().map_or(0.0, |(_, speed)| *speed),
        }
    }

    /// The speed at entry 28, mm/s.
    #[must_use]
    pub fn top_mm_s(&self) -> f64 {
        match self {
            Self::Line { top_mm_s, .. } => *top_mm_s,
            Self::Points(points) => points.last().map_or(0.0, |(_, speed)| *speed),
        }
    }
}

/// Where CVs are written.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum ProgrammingPlace {
    /// The rollers are the programming output too.
    SameTrack,
    /// On the main, no read back.
    Main,
    /// The person carries the engine over; the run pauses and asks.
    MovedByHand,
}

/// Programming.
#[expect(clippy::struct_excessive_bools, reason = "each is a statement of its own in the bench file")]
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ProgrammingSpec {
    /// Where.
    pub place: ProgrammingPlace,
    /// The person accepts that originals cannot be read (needed on the main where no list holds them).
    pub no_way_back: bool,
    /// The person states that only this engine is on the programming output.
    pub only_engine_on_output: bool,
    /// File with a list of the decoder's values, as written in the bench file.
    pub originals: Option<String>,
    /// A consist address is taken out for the run and put back at its end.
    pub clear_consist: bool,
    /// No other roller is reached by the programming output.
    pub output_isolated: bool,
}

/// Limits and guards.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LimitSpec {
    /// No sample for this long while moving: stop.
    pub sensor_silence: Duration,
    /// No answer from the station for this long: stop.
    pub station_silence: Duration,
    /// The program says nothing to its watchman for this long: that one stops the engine.
    pub program_silence: Duration,
    /// Ordered to move, not moving for this long: stop.
    pub no_motion: Duration,
    /// Model speed that is never to be exceeded, mm/s; checked at reading to lie above what the target needs.
    pub speed_mm_s: f64,
    /// Longest run.
    pub run_time: Duration,
    /// Standstill must be seen within this time of a stop.
    pub standstill: Duration,
    /// A lost link is waited for this long; zero: not at all.
    pub reconnect: Duration,
    /// The engine rests after running so long.
    pub without_rest: Duration,
    /// And after so long at nine tenths of the highest setting or above.
    pub at_top: Duration,
    /// So long.
    pub rest: Duration,
    /// Part of the measured top kept free above the target's top (0.10 means the target is at most 90 %).
    pub top_reserve: f64,
    /// Lower the target's top instead of stopping when it cannot be reached.
    pub lower_top: bool,
    /// Raise the target's low end instead of stopping when the engine cannot start that slowly.
    pub raise_creep: bool,
    /// Tolerance as a fraction of the speed.
    pub tolerance_rel: f64,
    /// Tolerance floor, mm/s of model speed.
    pub tolerance_floor_mm_s: f64,
}

/// A job of a night.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum NightJob {
    /// Run in until steady.
    RunIn,
    /// The whole job.
    Calibrate,
    /// Measure the table that is there.
    Check,
    /// Measure the curves.
    Sweep,
}

/// What a night does with the engine.
#[derive(Clone, Debug, PartialEq)]
pub struct NightSpec {
    /// The jobs, in their order.
    pub jobs: Vec<NightJob>,
    /// Running in takes this long at least,
    pub run_in_least: Duration,
    /// and at most.
    pub run_in_most: Duration,
    /// It is steady when the speed changes by less than this part within an hour.
    pub run_in_steady: f64,
    /// A job check is done so often.
    pub checks: u16,
    /// Between the begins of two checks.
    pub check_every: Duration,
    /// A job sweep is done so often.
    pub sweeps: u16,
    /// No job begins when the night is older.
    pub no_job_after: Duration,
}

/// When somebody is told.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum AlertWhen {
    /// When a run did not end as it should.
    Trouble,
    /// Whenever one ends.
    Ends,
}

/// Publishing runs to a broker.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PublishSpec {
    /// `host:port`; none: nothing is published.
    pub broker: Option<String>,
    /// What topics begin with.
    pub topic: String,
    /// Our name there.
    pub user: Option<String>,
    /// The whole path of the file with our password.
    pub password_file: Option<String>,
}

/// Telling somebody how a run ended.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct AlertSpec {
    /// A program and its words; empty: nobody is told.
    pub command: Vec<String>,
    /// When.
    pub when: AlertWhen,
    /// It may take so long.
    pub limit: Duration,
}
