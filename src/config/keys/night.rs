//! Keys of a night: what is done one after the other while nobody is there.
use crate::config::key::{Key, Need, Section};
use crate::config::kind::{Choice, Part, Time, Whole, Words};
use crate::config::spec::NightJob;

/// What is done.
pub(in crate::config) static JOBS: Key<Words<NightJob>> = Key {
    section: "night",
    name: "jobs",
    kind: Words(Choice(&[
        ("run_in", NightJob::RunIn),
        ("calibrate", NightJob::Calibrate),
        ("check", NightJob::Check),
        ("sweep", NightJob::Sweep),
    ])),
    need: Need::Default("[\"calibrate\"]"),
    example: "[\"calibrate\"]",
    about: "What `pacewright night` does with this engine, in this order. run_in: run a new engine in until its speed is steady. \
            calibrate: the whole job. check: measure the table again, as often as checks says. sweep: measure the curves, as often \
            as sweeps says, and compare them.",
};

/// Running in, shortest.
pub(in crate::config) static RUN_IN_LEAST: Key<Time> = Key {
    section: "night",
    name: "run_in_least",
    kind: Time { least: "10 min", most: "24 h" },
    need: Need::Default("\"1 h\""),
    example: "\"1 h\"",
    about: "Running in takes this long at least.",
};

/// Running in, longest.
pub(in crate::config) static RUN_IN_MOST: Key<Time> = Key {
    section: "night",
    name: "run_in_most",
    kind: Time { least: "10 min", most: "24 h" },
    need: Need::Default("\"2 h 30 min\""),
    example: "\"2 h 30 min\"",
    about: "And this long at most; run_time in [limits] must be longer.",
};

/// Running in, steadiness.
pub(in crate::config) static RUN_IN_STEADY: Key<Part> = Key {
    section: "night",
    name: "run_in_steady",
    kind: Part { least: "0.1 %", most: "20 %" },
    need: Need::Default("\"1 %\""),
    example: "\"1 %\"",
    about: "It is steady when its speed changes by less than this within an hour.",
};

/// Checks.
pub(in crate::config) static CHECKS: Key<Whole> = Key {
    section: "night",
    name: "checks",
    kind: Whole { least: 1, most: 100 },
    need: Need::Default("1"),
    example: "1",
    about: "A job check is done so many times.",
};

/// Time between checks.
pub(in crate::config) static CHECK_EVERY: Key<Time> = Key {
    section: "night",
    name: "check_every",
    kind: Time { least: "1 min", most: "12 h" },
    need: Need::Default("\"30 min\""),
    example: "\"30 min\"",
    about: "Between the begins of two checks there is so much time at least; the engine stands meanwhile, without power.",
};

/// Sweeps.
pub(in crate::config) static SWEEPS: Key<Whole> = Key {
    section: "night",
    name: "sweeps",
    kind: Whole { least: 1, most: 100 },
    need: Need::Default("3"),
    example: "3",
    about: "A job sweep is done so many times; their scatter says how well curves repeat on this bench.",
};

/// The end of the night.
pub(in crate::config) static NO_JOB_AFTER: Key<Time> = Key {
    section: "night",
    name: "no_job_after",
    kind: Time { least: "10 min", most: "48 h" },
    need: Need::Default("\"10 h\""),
    example: "\"10 h\"",
    about: "No job of this engine begins when the night is older than this.",
};

/// A night.
pub(in crate::config) static NIGHT: Section = Section {
    name: "night",
    required: false,
    about: "What `pacewright night` does, one job after the other.",
    cautions: &[
        "Nothing replaces a cut-off that works without this computer: try it before the first night, and stay away from rules \
         that forbid running unattended.",
    ],
    keys: &[
        &JOBS,
        &RUN_IN_LEAST,
        &RUN_IN_MOST,
        &RUN_IN_STEADY,
        &CHECKS,
        &CHECK_EVERY,
        &SWEEPS,
        &NO_JOB_AFTER,
    ],
    either: &[],
};
