//! Keys of the command that tells somebody how a run ended.
use crate::config::key::{Key, Need, Section};
use crate::config::kind::{Choice, Texts, Time};
use crate::config::spec::AlertWhen;

/// The command.
pub(in crate::config) static COMMAND: Key<Texts> = Key {
    section: "alert",
    name: "command",
    kind: Texts,
    need: Need::Free("then nobody is told"),
    example: "[\"/home/wrenfield/tell-me\", \"bench 2\"]",
    about: "A program and its words, started when a run has ended, the engine stopped and the record closed. No shell is between: each \
            word stands alone. It finds PACEWRIGHT_OUTCOME, PACEWRIGHT_CAUSE, PACEWRIGHT_STOP, PACEWRIGHT_ENGINE, PACEWRIGHT_RUN and \
            PACEWRIGHT_SUMMARY in its environment and the result as JSON on its standard input.",
};

/// When.
pub(in crate::config) static WHEN: Key<Choice<AlertWhen>> = Key {
    section: "alert",
    name: "when",
    kind: Choice(&[("trouble", AlertWhen::Trouble), ("ends", AlertWhen::Ends)]),
    need: Need::Default("\"trouble\""),
    example: "\"trouble\"",
    about: "trouble: when a run did not end as it should. ends: whenever one ends.",
};

/// For how long.
pub(in crate::config) static LIMIT: Key<Time> = Key {
    section: "alert",
    name: "limit",
    kind: Time { least: "1 s", most: "5 min" },
    need: Need::Default("\"30 s\""),
    example: "\"30 s\"",
    about: "It is ended when it takes longer.",
};

/// The alert.
pub(in crate::config) static ALERT: Section = Section {
    name: "alert",
    required: false,
    about: "Telling somebody how a run ended.",
    cautions: &["A message may get lost: it is no safeguard, and nobody may rely on it to stop an engine."],
    keys: &[&COMMAND, &WHEN, &LIMIT],
    either: &[],
};
