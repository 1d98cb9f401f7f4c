//! What a simulated bench is made of. The sensor's rate, axes, decimals and pack are brought into range by
//! [`super::SimBench::new`]; everything else is taken as it is and should make physical sense.
use super::flaws::Flaws;
use std::collections::{BTreeMap, BTreeSet};
use std::time::Duration;

/// A whole simulated bench. Two benches with the same recipe and the same inputs give the same bytes.
#[derive(Clone, Debug, PartialEq)]
pub struct SimSpec {
    /// Where every random number comes from.
    pub seed: u64,
    /// Motor, gears, friction.
    pub engine: EngineSim,
    /// The decoder in the engine.
    pub decoder: DecoderSim,
    /// Another decoder on the same rails, whose engine never moves.
    pub beside: Option<DecoderSim>,
    /// The field sensor at the axle.
    pub sensor: SensorSim,
    /// The station's server.
    pub server: ServerSim,
    /// What the engine runs on, and a measuring car behind it.
    pub path: PathSim,
}

/// What the engine runs on.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct PathSim {
    /// The track.
    pub track: TrackSim,
    /// Share of the wheel's way by which it slips on the track.
    pub slip: f64,
    /// The sensor sits on a measuring car behind the engine.
    pub car: Option<CarSim>,
}

/// A kind of track.
#[derive(Clone, Debug, Default, PartialEq)]
pub enum TrackSim {
    /// Rollers.
    #[default]
    Rollers,
    /// A closed loop.
    Loop {
        /// Length, mm.
        length_mm: f64,
        /// Shares of the speed by which grades and curves change it: waves of 1, 4, 9, ... periods a lap.
        unevenness: Vec<f64>,
    },
    /// A straight between two ends.
    Straight {
        /// The way that the engine can go, mm.
        length_mm: f64,
        /// Where it stands at the beginning, from the end that it leaves when it runs forward as built, mm.
        start_mm: f64,
    },
}

/// A measuring car on a slack coupling.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CarSim {
    /// Amplitude of its swing to and fro, mm.
    pub swing_mm: f64,
    /// Period of the swing, s.
    pub period_s: f64,
}

/// A brushed permanent-magnet motor with averaged drive, its gears and friction.
///
/// Textbook model, standards/measurement.md section 10:
/// `J dw/dt = K (D Vs - K w)/R - Tc sgn(w) - b w`, `v = C w / (2 pi N)`.
#[derive(Clone, Debug, PartialEq)]
pub struct EngineSim {
    /// Winding resistance when cold, ohm.
    pub resistance_ohm: f64,
    /// Motor constant when cold, V s/rad (and N m/A).
    pub constant_v_s: f64,
    /// Inertia of everything that turns, seen by the motor, kg m2.
    pub inertia_kg_m2: f64,
    /// Running friction when cold, N m.
    pub friction_n_m: f64,
    /// Friction at standstill over running friction.
    pub stiction: f64,
    /// Viscous friction, N m s/rad.
    pub viscous_n_m_s: f64,
    /// Rectified supply, V.
    pub supply_v: f64,
    /// Motor turns a turn of the wheel.
    pub gear: f64,
    /// Circumference of the wheel or roller, mm.
    pub circumference_mm: f64,
    /// Bend of the drive: `D + bend D (1 - D)` reaches the motor. 0 is straight.
    pub bend: f64,
    /// Drive that arrives in reverse over what arrives forward.
    pub reverse_drive: f64,
    /// Friction in reverse over friction forward.
    pub reverse_friction: f64,
    /// Share of the friction that is gone when warm, 0 to 1.
    pub friction_fall: f64,
    /// Share that winding resistance rises by when warm.
    pub winding_rise: f64,
    /// Share of the motor constant that is lost when warm.
    pub flux_loss: f64,
    /// Time constant of warming while it turns, s.
    pub warming_s: f64,
    /// Time constant of cooling while it stands, s.
    pub cooling_s: f64,
    /// Once-per-turn ripple of the real speed, share of the speed.
    pub ripple: f64,
    /// Where on the turn the ripple is at its top, rad.
    pub ripple_at_rad: f64,
    /// Scatter of the speed from turn to turn, standard deviation, share of the speed.
    pub scatter: f64,
    /// Scatter of the speed from one placing on the bench to the next, standard deviation, share of the speed: the wheels
    /// touch elsewhere on their treads. The first placing is one of them.
    pub placing: f64,
}

/// Which entry of the speed table a 126-mode step meets. RCN-225 only says "interpolate"; both readings exist.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum TableReading {
    /// Step 1 is entry 1, step 126 is entry 28: position `1 + (n - 1) x 27/125`.
    EndToEnd,
    /// Entry k lies at step 4.5 k, with zero below entry 1.
    QuarterSteps,
    /// Entry 1 serves steps 1 to 5, entry 2 steps 6 to 9 and so on: 4.5 steps each, and nothing between.
    Stairs,
}

/// What becomes of a drive that is not a whole count.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Rounding {
    /// It stays as it is.
    Exact,
    /// Down to the whole count.
    Down,
    /// To the nearest count, halves up.
    HalfUp,
}

/// A decoder as the NMRA and RCN standards describe it, with the liberties that makers take.
#[derive(Clone, Debug, PartialEq)]
#[expect(clippy::struct_excessive_bools, reason = "each liberty is taken or not, whatever the others")]
pub struct DecoderSim {
    /// The CVs it has, with their values as delivered.
    pub cvs: BTreeMap<u16, u8>,
    /// How 126 steps read the 28 entries.
    pub reading: TableReading,
    /// What becomes of fractions of a count.
    pub rounding: Rounding,
    /// The trims CV 66 and 95 act with the table bit off as well.
    pub trims_without_table: bool,
    /// CV 66 and 95 are stored and do nothing.
    pub ignores_trims: bool,
    /// Bit 4 of CV 29 is stored and does nothing.
    pub ignores_table: bool,
    /// CV 2 and CV 5 scale the table (RCN-225 CV 29 leaves that to the maker): its 0 is CV 2, its 255 CV 5.
    pub scales_table: bool,
    /// CV 5 and 6 are stored, and these values act in their place: top, middle.
    pub fixed_curve: Option<(u8, u8)>,
    /// A write of 0 to CV 2, 5 or 6 is not acknowledged and changes nothing.
    pub refuses_zeros: bool,
    /// With CV 2, 5 and 6 all 0, every moving step drives at this one count.
    pub crawl: Option<u8>,
    /// CVs that are stored but never answer a read.
    pub unreadable: BTreeSet<u16>,
    /// A write that was carried out is acknowledged (S-9.2.3 allows it without requiring it).
    pub acknowledges_writes: bool,
    /// Of its service writes every so manieth is acknowledged and not stored; 0: none.
    pub loses_every: u32,
    /// For this long after a write it hears nothing.
    pub write_pause: Duration,
    /// CV 15 and 16 lock the others unless they are equal.
    pub key_lock: bool,
    /// It has a speed table; without one CV 29 bit 4 stays 0.
    pub has_table: bool,
    /// Share of packets that it misses (S-9.1 B allows 5 %).
    pub misses: f64,
    /// How long it drives on from its own store when the rail is dead.
    pub store: Duration,
    /// Time it takes for a change of the whole drive whatever CV 3 and 4 say: momentum that they do not switch off.
    pub kept_momentum: Duration,
    /// Time for which it withholds the drive after an order to start from rest, as when it plays a sound first.
    pub start_delay: Duration,
}

/// What a sensor tells of the axle.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Measurand {
    /// The field of a magnet on the axle: `bx`, `by`, `bz`.
    Field {
        /// Pairs of poles around the axle.
        pole_pairs: u16,
        /// Share by which the poles on one side of the axle are stronger, those opposite weaker. How far they stand from
        /// their even places is [`SensorSim::turn_error_rad`].
        uneven: f64,
    },
    /// The axle's angle: `angle_rad`.
    Angle {
        /// Smallest step told, rad.
        resolution_rad: f64,
        /// Whole turns are counted; else it begins again at 0 with each.
        turns_counted: bool,
    },
    /// The way of the rim: `distance_m`.
    Distance {
        /// Smallest step told, m.
        resolution_m: f64,
    },
    /// The speed of the rim: `speed_m_s`.
    Speed {
        /// Smallest step told, m/s.
        resolution_m_s: f64,
    },
    /// A count: `pulses`.
    Pulses {
        /// Pulses a turn.
        a_turn: u16,
        /// It counts down in reverse; else up both ways.
        sees_direction: bool,
        /// When it tells the count.
        lines: PulseLines,
    },
}

/// When a pulse sensor tells its count.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PulseLines {
    /// At [`SensorSim::rate_hz`], like any other sample.
    Polled,
    /// At each pulse, stamped with its instant; and the count as it stands after this long without one.
    AtEach {
        /// Longest time without a line.
        idle: Duration,
    },
}

/// The form of what a sensor sends.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LineForm {
    /// A header, then a line a sample.
    Csv,
    /// `SenML` packs (RFC 8428), one JSON array a line.
    SenMl {
        /// How it says when.
        times: SenMlTimes,
        /// Samples that it gathers for a pack, at least 1.
        samples: u16,
    },
}

/// How `SenML` packs say when (RFC 8428, section 4.5.3).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SenMlTimes {
    /// A base time in seconds since 1970, each sample's own behind it.
    Absolute {
        /// The sensor's clock at bench time zero.
        epoch_s: u64,
    },
    /// Seconds before the pack was sent.
    Relative,
    /// Not at all.
    Untold,
}

/// A sensor beside an axle: of the field of a magnet that the axle carries, unless it says something else.
#[derive(Clone, Debug, PartialEq)]
pub struct SensorSim {
    /// What it tells.
    pub measurand: Measurand,
    /// The form of its lines.
    pub form: LineForm,
    /// Samples a second, 5 to 2000.
    pub rate_hz: u16,
    /// 3, or 2 for a sensor without `bz`.
    pub axes: u8,
    /// Decimals of the field that are sent, at most 6.
    pub decimals: u8,
    /// Field of the magnet across its moment at the sensor's place, in the sensor's unit. `SenML` tells tesla: there the
    /// sensor's unit is the microtesla.
    pub amplitude: f64,
    /// Root mean square noise: of an axis, share of the amplitude; of an angle, rad; of a speed, mm/s.
    pub noise: f64,
    /// Where it sits: angle from the axle's line to the sensor, degrees (0 at the axle's end, 90 beside the disc).
    pub polar_deg: f64,
    /// How it is mounted: rows turn (radial, tangential, axial) into its own axes.
    pub mount: [[f64; 3]; 3],
    /// Gain of each axis.
    pub gains: [f64; 3],
    /// Angle by which y leans to x, z to x, and z to y, rad.
    pub skew_rad: [f64; 3],
    /// Constant field of each axis, in the sensor's unit.
    pub offsets: [f64; 3],
    /// Once-per-turn error of the magnet's angle, rad.
    pub turn_error_rad: f64,
    /// Where on the turn that error is zero, rad.
    pub turn_error_at_rad: f64,
    /// Error of its clock rate, parts per million; a positive one runs fast.
    pub clock_ppm: f64,
    /// Its microsecond counter at bench time zero.
    pub start_us: u32,
    /// The header line of CSV comes again after this many samples; 0 for never.
    pub header_every: u32,
    /// Voltage of its battery at bench time zero, V; it falls by [`BATTERY_FALL_V_H`]. None: not told.
    pub battery_v: Option<f64>,
    /// Its temperature at bench time zero, degrees Celsius; it rises by [`SELF_HEATING_K`]. None: not told.
    pub temperature_c: Option<f64>,
    /// What is wrong with it and its magnet.
    pub flaws: Flaws,
}

/// A battery loses this much an hour, V.
pub const BATTERY_FALL_V_H: f64 = 0.05;
/// A sensor gets this much warmer than it began, K, most of it within the first half hour.
pub const SELF_HEATING_K: f64 = 6.0;

/// Spellings of the 202 reply that are seen in the field (standards/srcp.md A2).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Spelling202 {
    /// `202 OK CONNECTIONMODEOK`
    Joined,
    /// `202 OK CONNECTION MODE`
    Apart,
    /// `202 OK CONNECTIONMODE`
    Plain,
}

/// What the station's server hangs on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum StationLine {
    /// Connections over a network, a session each.
    Network,
    /// One serial line, which carries one session.
    Serial {
        /// It sees the port being opened, and greets.
        greets: bool,
    },
}

/// An SRCP server, with the liberties that servers take (standards/srcp.md A10).
#[derive(Clone, Debug, PartialEq)]
#[expect(clippy::struct_excessive_bools, reason = "each liberty is taken or not, whatever the others")]
pub struct ServerSim {
    /// How it writes 202.
    pub spelling: Spelling202,
    /// Replies begin with a timestamp.
    pub timestamps: bool,
    /// Lines end in CR LF.
    pub cr_lf: bool,
    /// It offers LOCK.
    pub locks: bool,
    /// It offers SM.
    pub programming: bool,
    /// `200 OK 7` after GO in place of `200 OK GO 7`.
    pub short_go: bool,
    /// A second INIT of an engine is answered 424 (and carried out all the same).
    pub says_reinitialized: bool,
    /// Speeds are reported in decoder steps, not as they were sent.
    pub reports_steps: bool,
    /// Time from a line to its reply.
    pub reply_delay: Duration,
    /// Its clock at bench time zero, milliseconds since 1970.
    pub epoch_ms: u64,
    /// Error of its clock rate, parts per million.
    pub clock_ppm: f64,
    /// Share of acknowledgement pulses that it overlooks.
    pub overlooks: f64,
    /// Sessions it can hold.
    pub most_sessions: usize,
    /// What it hangs on.
    pub line: StationLine,
}

impl Default for ServerSim {
    fn default() -> Self {
        Self {
            spelling: Spelling202::Plain,
            timestamps: true,
            cr_lf: false,
            locks: true,
            programming: true,
            short_go: false,
            says_reinitialized: false,
            reports_steps: false,
            reply_delay: Duration::from_millis(2),
            epoch_ms: 1_790_000_000_000,
            clock_ppm: 0.0,
            overlooks: 0.0,
            most_sessions: 32,
            line: StationLine::Network,
        }
    }
}
