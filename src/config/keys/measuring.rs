//! Keys of warm-up, sweep, target and tolerance.
use crate::config::key::{Key, Need, Section};
use crate::config::kind::{Flag, Part, PointList, SpeedKind, Steps, Time, Whole};

/// Shortest warm-up.
pub(in crate::config) static SHORTEST: Key<Time> = Key {
    section: "warm_up",
    name: "shortest",
    kind: Time { least: "0 s", most: "2 h" },
    need: Need::Default("\"5 min\""),
    example: "\"5 min\"",
    about: "The engine warms up at least this long.",
};

/// Longest warm-up.
pub(in crate::config) static LONGEST: Key<Time> = Key {
    section: "warm_up",
    name: "longest",
    kind: Time { least: "10 s", most: "4 h" },
    need: Need::Default("\"20 min\""),
    example: "\"20 min\"",
    about: "And at most this long. If it is not steady by then, the run says so and counts the drift into the doubt.",
};

/// Steadiness.
pub(in crate::config) static STEADY_PER_MINUTE: Key<Part> = Key {
    section: "warm_up",
    name: "steady_per_minute",
    kind: Part { least: "0.01 %", most: "10 %" },
    need: Need::Default("\"0.2 %\""),
    example: "\"0.2 %\"",
    about: "It is steady when its speed changes by less than this within a minute.",
};

/// Warm-up.
pub(in crate::config) static WARM_UP: Section = Section {
    name: "warm_up",
    required: false,
    about: "Warm-up until the speed is steady. A cold engine runs slower than a warm one.",
    cautions: &[],
    keys: &[&SHORTEST, &LONGEST, &STEADY_PER_MINUTE],
    either: &[],
};

/// Which steps the sweep measures.
pub(in crate::config) static SWEEP_STEPS: Key<Steps> = Key {
    section: "sweep",
    name: "steps",
    kind: Steps { least: 5, most: 126 },
    need: Need::Default("\"learn\""),
    example: "\"learn\"",
    about: "Which steps are measured in each direction. \"learn\": a few first, then those that the table still needs, until \
            its predicted deviation meets the tolerance; \"all\": every step of the step mode that the target needs, which \
            with 126 steps takes long; a number: so many, spread over the range.",
};

/// Precision.
pub(in crate::config) static PRECISION: Key<Part> = Key {
    section: "sweep",
    name: "precision",
    kind: Part { least: "0.05 %", most: "5 %" },
    need: Need::Default("\"0.5 %\""),
    example: "\"0.5 %\"",
    about: "A point is measured until its speed is known this well: half width of its 95 % range, of the speed.",
};

/// Precision floor.
pub(in crate::config) static PRECISION_FLOOR: Key<SpeedKind> = Key {
    section: "sweep",
    name: "precision_floor",
    kind: SpeedKind,
    need: Need::Default("\"0.1 km/h\""),
    example: "\"0.1 km/h\"",
    about: "But no point needs to be known better than this.",
};

/// Longest measuring time.
pub(in crate::config) static POINT_LIMIT: Key<Time> = Key {
    section: "sweep",
    name: "point_limit",
    kind: Time { least: "5 s", most: "30 min" },
    need: Need::Default("\"60 s\""),
    example: "\"60 s\"",
    about: "Longest measuring time of one point; what is not known well enough by then goes into the doubt.",
};

/// Steps measured again.
pub(in crate::config) static VERIFY_POINTS: Key<Whole> = Key {
    section: "sweep",
    name: "verify_points",
    kind: Whole { least: 4, most: 28 },
    need: Need::Default("8"),
    example: "8",
    about: "How many steps of the new table are measured afresh in each direction to prove it.",
};

/// Placings.
pub(in crate::config) static PLACINGS: Key<Whole> = Key {
    section: "sweep",
    name: "placings",
    kind: Whole { least: 1, most: 20 },
    need: Need::Default("1"),
    example: "1",
    about: "In how many placings one speed is measured: 1, or 3 and more; 5 is good. Above 1 the run asks, once the curve is \
            measured, that the engine be lifted off and put back, one time less than this, and counts what that changes \
            into the doubt. Somebody must be there: a question that nobody answers within 10 minutes ends the placings, \
            and the run goes on with those it has.",
};

/// The sweep.
pub(in crate::config) static SWEEP: Section = Section {
    name: "sweep",
    required: false,
    about: "Which points are measured, and how well.",
    cautions: &[],
    keys: &[&SWEEP_STEPS, &PRECISION, &PRECISION_FLOOR, &POINT_LIMIT, &VERIFY_POINTS, &PLACINGS],
    either: &[],
};

/// Top speed.
pub(in crate::config) static TOP: Key<SpeedKind> = Key {
    section: "target",
    name: "top",
    kind: SpeedKind,
    need: Need::Free("then points must stand"),
    example: "\"80 km/h\"",
    about: "Speed at the last table entry (28, CV 94). From creep at entry 1 to here the speed rises in a straight line.",
};

/// Creep speed.
pub(in crate::config) static CREEP: Key<SpeedKind> = Key {
    section: "target",
    name: "creep",
    kind: SpeedKind,
    need: Need::Free("then points must stand"),
    example: "\"2 km/h\"",
    about: "Speed at the first table entry (1, CV 67).",
};

/// Points of the target.
pub(in crate::config) static TARGET_POINTS: Key<PointList> = Key {
    section: "target",
    name: "points",
    kind: PointList,
    need: Need::Free("then top and creep must stand"),
    example: "[[1, \"2 km/h\"], [14, \"30 km/h\"], [28, \"80 km/h\"]]",
    about: "Instead of top and creep: pairs of table entry and speed, joined by straight lines. Entries go from 1 \
            to 28; entries and speeds rise.",
};

/// Reserve at the top.
pub(in crate::config) static RESERVE: Key<Part> = Key {
    section: "target",
    name: "reserve",
    kind: Part { least: "0 %", most: "50 %" },
    need: Need::Default("\"10 %\""),
    example: "\"10 %\"",
    about: "Part of the engine's measured top speed that stays free above the target's top: without load and on \
            the level it is faster than with a train on a grade.",
};

/// Lower the top.
pub(in crate::config) static LOWER_TOP: Key<Flag> = Key {
    section: "target",
    name: "lower_top",
    kind: Flag,
    need: Need::Default("false"),
    example: "false",
    about: "If the engine cannot reach the top: true lowers the target to what it can; false says what it can and \
            writes nothing.",
};

/// Raise the creep.
pub(in crate::config) static RAISE_CREEP: Key<Flag> = Key {
    section: "target",
    name: "raise_creep",
    kind: Flag,
    need: Need::Default("false"),
    example: "false",
    about: "If the engine cannot start as slowly as the creep speed: true raises the low end of the target to what \
            it can; false says what it can and writes nothing.",
};

/// The target.
pub(in crate::config) static TARGET: Section = Section {
    name: "target",
    required: true,
    about: "The speeds the engine is to run at.",
    cautions: &[],
    keys: &[&TOP, &CREEP, &TARGET_POINTS, &RESERVE, &LOWER_TOP, &RAISE_CREEP],
    either: &[&["top", "creep"], &["points"]],
};

/// Tolerance of the speed.
pub(in crate::config) static RELATIVE: Key<Part> = Key {
    section: "tolerance",
    name: "relative",
    kind: Part { least: "0.1 %", most: "20 %" },
    need: Need::Default("\"2 %\""),
    example: "\"2 %\"",
    about: "Largest deviation allowed, of the speed.",
};

/// Tolerance floor.
pub(in crate::config) static FLOOR: Key<SpeedKind> = Key {
    section: "tolerance",
    name: "floor",
    kind: SpeedKind,
    need: Need::Default("\"0.5 km/h\""),
    example: "\"0.5 km/h\"",
    about: "But a deviation of this much is always allowed. Where the 256 values of a table entry are coarser than \
            both, their own limit holds.",
};

/// The tolerance.
pub(in crate::config) static TOLERANCE: Section = Section {
    name: "tolerance",
    required: false,
    about: "When the engine counts as calibrated: deviation and its 95 % doubt together within the larger of these.",
    cautions: &[],
    keys: &[&RELATIVE, &FLOOR],
    either: &[],
};
