//! Keys of the broker to which a run is published.
use crate::config::key::{Key, Need, Section};
use crate::config::kind::{HostPort, Text, Topic, WholePath};

/// The broker.
pub(in crate::config) static BROKER: Key<HostPort> = Key {
    section: "publish",
    name: "broker",
    kind: HostPort,
    need: Need::Free("then nothing is published"),
    example: "\"127.0.0.1:1883\"",
    about: "An MQTT broker (version 3.1.1) of yours. What goes there is not encrypted: in a network of your own only.",
};

/// What the topics begin with.
pub(in crate::config) static TOPIC: Key<Topic> = Key {
    section: "publish",
    name: "topic",
    kind: Topic,
    need: Need::Default("\"pacewright\""),
    example: "\"pacewright\"",
    about: "Topics begin with this: .../bench (running, ended, or lost), .../state, .../event and .../result. Two benches need two.",
};

/// Who we are to the broker.
pub(in crate::config) static USER: Key<Text> = Key {
    section: "publish",
    name: "user",
    kind: Text,
    need: Need::Free("then the broker is told no name"),
    example: "\"harbour-bench\"",
    about: "The name by which the broker knows this bench.",
};

/// Where the password lies.
pub(in crate::config) static PASSWORD_FILE: Key<WholePath> = Key {
    section: "publish",
    name: "password_file",
    kind: WholePath,
    need: Need::Free("then the broker is told no password"),
    example: "\"/home/wrenfield/broker-password\"",
    about: "A file with the password alone, which no other user may read. It never stands here: bench files are handed on with records.",
};

/// Publishing.
pub(in crate::config) static PUBLISH: Section = Section {
    name: "publish",
    required: false,
    about: "Publishing state and results of runs to a broker. Nothing is taken from there: nobody can act on a run that way.",
    cautions: &[
        "What is published may come late or get lost: it is no safeguard, and nobody may rely on it to know that an engine stands.",
    ],
    keys: &[&BROKER, &TOPIC, &USER, &PASSWORD_FILE],
    either: &[],
};
