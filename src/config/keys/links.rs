//! Keys of the bench as a whole, the station and the sensor.
use crate::config::key::{Key, Need, Section};
use crate::config::kind::{Choice, HostPort, Text, Time, Whole};

/// What the person calls the bench.
pub(in crate::config) static NAME: Key<Text> = Key {
    section: "bench",
    name: "name",
    kind: Text,
    need: Need::Required,
    example: "\"Roller bench at Wrenfield Harbour\"",
    about: "What you call this bench; it stands in the record.",
};

/// The bench.
pub(in crate::config) static BENCH: Section = Section {
    name: "bench",
    required: true,
    about: "The bench as a whole.",
    cautions: &[],
    keys: &[&NAME],
    either: &[],
};

/// The station's protocol.
pub(in crate::config) static PROTOCOL: Key<Choice<()>> = Key {
    section: "station",
    name: "protocol",
    kind: Choice(&[("srcp", ())]),
    need: Need::Required,
    example: "\"srcp\"",
    about: "The protocol the command station speaks. srcp is SRCP 0.8 over TCP.",
};

/// The station's address.
pub(in crate::config) static STATION_ADDRESS: Key<HostPort> = Key {
    section: "station",
    name: "address",
    kind: HostPort,
    need: Need::Required,
    example: "\"127.0.0.1:4303\"",
    about: "Where the station listens. 4303 is the port that SRCP stations commonly use.",
};

/// The station's bus.
pub(in crate::config) static BUS: Key<Whole> = Key {
    section: "station",
    name: "bus",
    kind: Whole { least: 1, most: 65535 },
    need: Need::Required,
    example: "1",
    about: "The bus that the engine and its track power belong to.",
};

/// Longest wait for an answer.
pub(in crate::config) static ANSWER_LIMIT: Key<Time> = Key {
    section: "station",
    name: "answer_limit",
    kind: Time { least: "250 ms", most: "30 s" },
    need: Need::Default("\"2 s\""),
    example: "\"2 s\"",
    about: "Longest wait for an ordinary answer. Beyond it the order counts as unknown and the engine is stopped.",
};

/// Longest wait for a CV answer.
pub(in crate::config) static CV_ANSWER_LIMIT: Key<Time> = Key {
    section: "station",
    name: "cv_answer_limit",
    kind: Time { least: "1 s", most: "10 min" },
    need: Need::Default("\"60 s\""),
    example: "\"60 s\"",
    about: "Longest wait for the answer to reading or writing one CV. Some stations search for the value, which is slow.",
};

/// Interval of asking a silent station.
pub(in crate::config) static ASK_INTERVAL: Key<Time> = Key {
    section: "station",
    name: "ask_interval",
    kind: Time { least: "200 ms", most: "30 s" },
    need: Need::Default("\"2 s\""),
    example: "\"2 s\"",
    about: "How often a station that says nothing is asked whether it is still there.",
};

/// The station.
pub(in crate::config) static STATION: Section = Section {
    name: "station",
    required: true,
    about: "The command station that drives and programs the engine.",
    cautions: &[
        "Stations repeat the last speed for ever, also when this computer has died: see the first caution.",
    ],
    keys: &[&PROTOCOL, &STATION_ADDRESS, &BUS, &ANSWER_LIMIT, &CV_ANSWER_LIMIT, &ASK_INTERVAL],
    either: &[],
};

/// The sensor's format.
pub(in crate::config) static FORMAT: Key<Choice<()>> = Key {
    section: "sensor",
    name: "format",
    kind: Choice(&[("csv", ())]),
    need: Need::Required,
    example: "\"csv\"",
    about: "The format of the sensor's stream. csv is a header line that names the columns, then a line a sample.",
};

/// The sensor's address.
pub(in crate::config) static SENSOR_ADDRESS: Key<HostPort> = Key {
    section: "sensor",
    name: "address",
    kind: HostPort,
    need: Need::Required,
    example: "\"127.0.0.1:4311\"",
    about: "Where the sensor's stream can be had over TCP.",
};

/// The sensor.
pub(in crate::config) static SENSOR: Section = Section {
    name: "sensor",
    required: true,
    about: "The magnetic-field sensor beside the axle that carries the magnet.",
    cautions: &[
        "Small strong magnets are dangerous when swallowed, above all two of them: count them, and keep them and \
         this bench out of the reach of children.",
    ],
    keys: &[&FORMAT, &SENSOR_ADDRESS],
    either: &[],
};
