//! Keys of programming, guards and the record.
use crate::config::key::{Key, Need, Section};
use crate::config::kind::{Choice, FileName, Flag, Room, SpeedKind, Text, Time, Whole};
use crate::config::spec::ProgrammingPlace;

/// Where programming happens.
pub(in crate::config) static PLACE: Key<Choice<ProgrammingPlace>> = Key {
    section: "programming",
    name: "place",
    kind: Choice(&[
        ("same_track", ProgrammingPlace::SameTrack),
        ("main", ProgrammingPlace::Main),
        ("moved_by_hand", ProgrammingPlace::MovedByHand),
    ]),
    need: Need::Required,
    example: "\"same_track\"",
    about: "same_track: the bench is connected to the programming output too. moved_by_hand: you carry the engine \
            to the programming track; the run pauses and asks. main: CVs are written on the running track, where \
            they cannot be read back.",
};

/// Nothing can be put back.
pub(in crate::config) static NO_WAY_BACK: Key<Flag> = Key {
    section: "programming",
    name: "no_way_back",
    kind: Flag,
    need: Need::Default("false"),
    example: "false",
    about: "You accept that what the decoder held before cannot be read and so never be put back. Must be true for main \
            without originals.",
};

/// Values kept elsewhere.
pub(in crate::config) static ORIGINALS: Key<FileName> = Key {
    section: "programming",
    name: "originals",
    kind: FileName,
    need: Need::Free("then only what can be read can be put back"),
    example: "\"lapwing-cvs.csv\"",
    about: "A list of what the decoder holds, as CSV, seen from the folder of this bench file: a first line cv,value, then a \
            line a CV. `pacewright cvs` writes one from an earlier run; or type it from your notes. On the main its values \
            go back if the run fails; elsewhere they stand in for CVs that do not answer. A wrong list is written back all \
            the same: make sure that it is this engine's and up to date.",
};

/// Only one engine on the output.
pub(in crate::config) static ONLY_ENGINE: Key<Flag> = Key {
    section: "programming",
    name: "only_engine_on_output",
    kind: Flag,
    need: Need::Default("false"),
    example: "true",
    about: "You have looked: this engine alone stands on the programming output. Every engine that stands there is \
            changed too. Must be true for same_track and moved_by_hand.",
};

/// A consist may be left and entered again.
pub(in crate::config) static CLEAR_CONSIST: Key<Flag> = Key {
    section: "programming",
    name: "clear_consist",
    kind: Flag,
    need: Need::Default("false"),
    example: "false",
    about: "An engine with a consist address (CV 19 and 20) is deaf to its own, so the run refuses it. true: the run takes it \
            out of the consist and puts it back at its end. Not on the main, where nothing can be read.",
};

/// Other rollers have outputs of their own.
pub(in crate::config) static OUTPUT_ISOLATED: Key<Flag> = Key {
    section: "programming",
    name: "output_isolated",
    kind: Flag,
    need: Need::Default("false"),
    example: "false",
    about: "You have looked: no other roller of this station is reached by this bench's programming output, also while several \
            engines stand on the rollers. Without it `pacewright night` asks for each engine of a station to be put on, and \
            the one before to be taken off.",
};

/// Programming.
pub(in crate::config) static PROGRAMMING: Section = Section {
    name: "programming",
    required: true,
    about: "Where CVs are read and written.",
    cautions: &[],
    keys: &[&PLACE, &NO_WAY_BACK, &ONLY_ENGINE, &ORIGINALS, &CLEAR_CONSIST, &OUTPUT_ISOLATED],
    either: &[],
};

/// Sensor silence.
pub(in crate::config) static SENSOR_SILENCE: Key<Time> = Key {
    section: "limits",
    name: "sensor_silence",
    kind: Time { least: "100 ms", most: "10 s" },
    need: Need::Default("\"1 s\""),
    example: "\"1 s\"",
    about: "No sample for this long while the engine moves: stop.",
};

/// Station silence.
pub(in crate::config) static STATION_SILENCE: Key<Time> = Key {
    section: "limits",
    name: "station_silence",
    kind: Time { least: "1 s", most: "60 s" },
    need: Need::Default("\"5 s\""),
    example: "\"5 s\"",
    about: "No answer from the station for this long: stop. Longer than ask_interval and answer_limit together.",
};

/// Silence of the program.
pub(in crate::config) static PROGRAM_SILENCE: Key<Time> = Key {
    section: "limits",
    name: "program_silence",
    kind: Time { least: "3 s", most: "60 s" },
    need: Need::Default("\"5 s\""),
    example: "\"5 s\"",
    about: "The program hangs for this long: a second process of it stops the engine and cuts the power; at once if it dies.",
};

/// No motion.
pub(in crate::config) static NO_MOTION: Key<Time> = Key {
    section: "limits",
    name: "no_motion",
    kind: Time { least: "1 s", most: "60 s" },
    need: Need::Default("\"8 s\""),
    example: "\"8 s\"",
    about: "Told to move but standing for this long: stop. A motor that is blocked burns.",
};

/// Speed limit.
pub(in crate::config) static SPEED: Key<SpeedKind> = Key {
    section: "limits",
    name: "speed",
    kind: SpeedKind,
    need: Need::Free("1.25 times what the target needs, which is its top divided by (1 - reserve)"),
    example: "\"120 km/h\"",
    about: "The engine is never to be faster than this; if it is: stop.",
};

/// Longest run.
pub(in crate::config) static RUN_TIME: Key<Time> = Key {
    section: "limits",
    name: "run_time",
    kind: Time { least: "1 min", most: "24 h" },
    need: Need::Default("\"3 h\""),
    example: "\"3 h\"",
    about: "Longest run; then the engine is stopped.",
};

/// Time to standstill.
pub(in crate::config) static STANDSTILL: Key<Time> = Key {
    section: "limits",
    name: "standstill",
    kind: Time { least: "1 s", most: "2 min" },
    need: Need::Default("\"10 s\""),
    example: "\"10 s\"",
    about: "After a stop the sensor must see standstill within this time; if not, power is cut.",
};

/// Waiting for a lost link.
pub(in crate::config) static RECONNECT: Key<Time> = Key {
    section: "limits",
    name: "reconnect",
    kind: Time { least: "0 s", most: "1 h" },
    need: Need::Default("\"5 min\""),
    example: "\"5 min\"",
    about: "A lost link to station or sensor is waited for this long, the engine standing; then the run ends. 0 s: do \
            not wait.",
};

/// Running without a rest.
pub(in crate::config) static WITHOUT_REST: Key<Time> = Key {
    section: "limits",
    name: "without_rest",
    kind: Time { least: "10 min", most: "24 h" },
    need: Need::Default("\"90 min\""),
    example: "\"90 min\"",
    about: "After running so long the engine rests, gets warm again, and goes on where it was; on a sweep a speed is measured \
            again first.",
};

/// How long it may run near full speed.
pub(in crate::config) static AT_TOP: Key<Time> = Key {
    section: "limits",
    name: "at_top",
    kind: Time { least: "5 min", most: "2 h" },
    need: Need::Default("\"10 min\""),
    example: "\"10 min\"",
    about: "After so long at nine tenths of the highest setting or above, without a pause from it, the engine rests.",
};

/// How long it rests.
pub(in crate::config) static REST: Key<Time> = Key {
    section: "limits",
    name: "rest",
    kind: Time { least: "1 min", most: "2 h" },
    need: Need::Default("\"10 min\""),
    example: "\"10 min\"",
    about: "So long it rests then. Feel the motor after a first long run, with the power off: what is too hot to be touched \
            rests too seldom.",
};

/// Limits.
pub(in crate::config) static LIMITS: Section = Section {
    name: "limits",
    required: false,
    about: "Guards that stop the engine.",
    cautions: &["They help against much, not against everything: see the first caution."],
    keys: &[
        &SENSOR_SILENCE,
        &STATION_SILENCE,
        &PROGRAM_SILENCE,
        &NO_MOTION,
        &SPEED,
        &RUN_TIME,
        &STANDSTILL,
        &RECONNECT,
        &WITHOUT_REST,
        &AT_TOP,
        &REST,
    ],
    either: &[],
};

/// Folder of the records.
pub(in crate::config) static FOLDER: Key<Text> = Key {
    section: "record",
    name: "folder",
    kind: Text,
    need: Need::Default("\"runs\""),
    example: "\"runs\"",
    about: "Folder for the records, one folder a run, seen from the folder of this bench file.",
};

/// Room on the disk.
pub(in crate::config) static LEAST_FREE: Key<Room> = Key {
    section: "record",
    name: "least_free",
    kind: Room { least: "10 MB", most: "100 GB" },
    need: Need::Default("\"200 MB\""),
    example: "\"200 MB\"",
    about: "With less room on the disk no run begins, and one under way ends in order, its decoder put back, before the disk \
            is full. A night at 200 samples a second keeps about 100 MB.",
};

/// Days of the log.
pub(in crate::config) static LOG_DAYS: Key<Whole> = Key {
    section: "record",
    name: "log_days",
    kind: Whole { least: 0, most: 365 },
    need: Need::Default("14"),
    example: "14",
    about: "A log of what runs say of themselves is kept for so many days, in the folder log beside the runs: JSON, a file a day. \
            0: none.",
};

/// The record.
pub(in crate::config) static RECORD: Section = Section {
    name: "record",
    required: false,
    about: "Where the record of a run is kept.",
    cautions: &[],
    keys: &[&FOLDER, &LEAST_FREE, &LOG_DAYS],
    either: &[],
};
