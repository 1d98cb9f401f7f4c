//! Keys of the bench as a whole, the station and the sensor.
use crate::config::key::{Key, Need, Section};
use crate::config::kind::{Choice, Device, Flag, HostPort, Rate, Resolution, Text, Time, Voltage, Whole};
use crate::config::spec::StreamFormat;

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
    about: "The protocol the command station speaks. srcp is SRCP 0.8, over the network or a serial port.",
};

/// The station's address.
pub(in crate::config) static STATION_ADDRESS: Key<HostPort> = Key {
    section: "station",
    name: "address",
    kind: HostPort,
    need: Need::Free("then serial must stand"),
    example: "\"127.0.0.1:4303\"",
    about: "Where the station listens on the network. 4303 is the port that SRCP stations commonly use. Either this or \
            serial.",
};

/// The station's serial port.
pub(in crate::config) static STATION_SERIAL: Key<Device> = Key {
    section: "station",
    name: "serial",
    kind: Device,
    need: Need::Free("then address must stand"),
    example: "\"/dev/ttyUSB0\"",
    about: "The serial port the station is plugged into, instead of address. It carries one session alone: driving, \
            programming and news share it. Eight data bits, no parity, one stop bit, no flow control.",
};

/// The rate of the station's serial port.
pub(in crate::config) static STATION_BAUD: Key<Rate> = Key {
    section: "station",
    name: "baud",
    kind: Rate,
    need: Need::Free("then it is 115200. It goes with serial only"),
    example: "115200",
    about: "Rate of the serial port in bits a second, as the station's manual says it.",
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

/// Voltage at the rails.
pub(in crate::config) static TRACK_VOLTAGE: Key<Voltage> = Key {
    section: "station",
    name: "track_voltage",
    kind: Voltage { least: "5 V", most: "30 V" },
    need: Need::Free("then nothing is said of it"),
    example: "\"15.2 V\"",
    about: "The voltage at the rails of this bench, as you measured it with a meter that is made for the signal. It is only written down, so \
            that a layout with another voltage shows.",
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
    keys: &[
        &PROTOCOL,
        &STATION_ADDRESS,
        &STATION_SERIAL,
        &STATION_BAUD,
        &BUS,
        &TRACK_VOLTAGE,
        &ANSWER_LIMIT,
        &CV_ANSWER_LIMIT,
        &ASK_INTERVAL,
    ],
    either: &[&["address"], &["serial"]],
};

/// The sensor's address.
pub(in crate::config) static SENSOR_ADDRESS: Key<HostPort> = Key {
    section: "sensor",
    name: "address",
    kind: HostPort,
    need: Need::Free("then serial must stand"),
    example: "\"127.0.0.1:4311\"",
    about: "Where the sensor's stream can be had over the network (TCP). Either this or serial.",
};

/// The sensor's serial port.
pub(in crate::config) static SENSOR_SERIAL: Key<Device> = Key {
    section: "sensor",
    name: "serial",
    kind: Device,
    need: Need::Free("then address must stand"),
    example: "\"/dev/ttyACM0\"",
    about: "The serial port the sensor is plugged into, instead of address. Eight data bits, no parity, one stop bit, \
            no flow control.",
};

/// The rate of the sensor's serial port.
pub(in crate::config) static SENSOR_BAUD: Key<Rate> = Key {
    section: "sensor",
    name: "baud",
    kind: Rate,
    need: Need::Free("then it is 115200. It goes with serial only"),
    example: "115200",
    about: "Rate of the serial port in bits a second, as the sensor's manual says it.",
};

/// The sensor's format.
pub(in crate::config) static FORMAT: Key<Choice<StreamFormat>> = Key {
    section: "sensor",
    name: "format",
    kind: Choice(&[("csv", StreamFormat::Csv), ("senml", StreamFormat::Senml)]),
    need: Need::Free("then the first character that comes tells it"),
    example: "\"csv\"",
    about: "The format of the sensor's stream. csv is a header line that names the columns, then a line a sample; senml \
            is SenML in JSON (RFC 8428), a pack a line.",
};

/// What the sensor tells, without its figures.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(in crate::config) enum SourceWord {
    /// The field of a magnet.
    Field,
    /// An angle.
    Angle,
    /// A way.
    Distance,
    /// A speed.
    Speed,
    /// A count of pulses.
    Pulses,
}

/// What the sensor tells.
pub(in crate::config) static SOURCE: Key<Choice<SourceWord>> = Key {
    section: "sensor",
    name: "source",
    kind: Choice(&[
        ("field", SourceWord::Field),
        ("angle", SourceWord::Angle),
        ("distance", SourceWord::Distance),
        ("speed", SourceWord::Speed),
        ("pulses", SourceWord::Pulses),
    ]),
    need: Need::Default("\"field\""),
    example: "\"field\"",
    about: "What the sensor tells. field: the field of a magnet on the axle, along two or three axes. angle: the angle of \
            the axle. distance: the way it has gone. speed: the model's own speed. pulses: a count of pulses as the axle \
            turns.",
};

/// Pairs of poles.
pub(in crate::config) static POLE_PAIRS: Key<Whole> = Key {
    section: "sensor",
    name: "pole_pairs",
    kind: Whole { least: 1, most: 50 },
    need: Need::Free("then it is 1. It goes with source = \"field\" only"),
    example: "1",
    about: "Pairs of north and south poles of the magnet, counted once round the axle: a plain magnet with its poles \
            across the axle has 1, a ring of eight poles has 4.",
};

/// Pulses a turn.
pub(in crate::config) static PULSES_PER_TURN: Key<Whole> = Key {
    section: "sensor",
    name: "pulses_per_turn",
    kind: Whole { least: 1, most: 10_000 },
    need: Need::Free("with any source but \"pulses\", which needs it"),
    example: "20",
    about: "By how much the count rises in one turn of the axle: turn it by hand and count.",
};

/// The smallest step told.
pub(in crate::config) static RESOLUTION: Key<Resolution> = Key {
    section: "sensor",
    name: "resolution",
    kind: Resolution,
    need: Need::Free("with any source but \"angle\", \"distance\" and \"speed\", which need it"),
    example: "\"0.1 deg\"",
    about: "The smallest step by which what the sensor tells can change: \"0.1 deg\" or \"0.001 rad\" of an angle, \
            \"0.1 mm\" of a distance, \"1 mm/s\" of a speed. Real units of the model, not to scale. It goes into the \
            doubt of every speed.",
};

/// Whether it tells which way.
pub(in crate::config) static SEES_DIRECTION: Key<Flag> = Key {
    section: "sensor",
    name: "sees_direction",
    kind: Flag,
    need: Need::Free("with source = \"field\" or \"angle\", and is true then. Any other source needs it"),
    example: "true",
    about: "Whether the sensor tells which way the axle turns. A single contact, light gate or reed switch cannot: false. \
            Two of them side by side, or a figure that falls or changes its sign on the way back, can: true.",
};

/// Its battery is low.
pub(in crate::config) static BATTERY_LOW: Key<Voltage> = Key {
    section: "sensor",
    name: "battery_low",
    kind: Voltage { least: "0.5 V", most: "60 V" },
    need: Need::Free("then its battery is not watched"),
    example: "\"3.4 V\"",
    about: "The sensor tells its battery's voltage, and at this or less the run ends in order, before it falls silent with the \
            engine moving.",
};

/// How long its battery lasts.
pub(in crate::config) static ENDURANCE: Key<Time> = Key {
    section: "sensor",
    name: "endurance",
    kind: Time { least: "10 min", most: "1000 h" },
    need: Need::Free("then it is taken to last"),
    example: "\"10 h\"",
    about: "A full charge of the sensor lasts this long. The run, or all runs of a night together, end in order when it is over. \
            Charge it before you start.",
};

/// The sensor.
pub(in crate::config) static SENSOR: Section = Section {
    name: "sensor",
    required: true,
    about: "The sensor at the axle that is measured.",
    cautions: &[
        "Small strong magnets are dangerous when swallowed, above all two of them: count them, and keep them and \
         this bench out of the reach of children.",
    ],
    keys: &[
        &SENSOR_ADDRESS,
        &SENSOR_SERIAL,
        &SENSOR_BAUD,
        &FORMAT,
        &SOURCE,
        &POLE_PAIRS,
        &PULSES_PER_TURN,
        &RESOLUTION,
        &SEES_DIRECTION,
        &BATTERY_LOW,
        &ENDURANCE,
    ],
    either: &[&["address"], &["serial"]],
};
