//! Keys of a profile: what is known of a kind of decoder.
use crate::calibrate::TableReading;
use crate::config::key::{Key, Need, Section};
use crate::config::kind::{Choice, CvLimits, CvSpans, CvValues, Flag, Text, Time, Version};
use crate::config::profile::{After, LinearBy};

/// The version of the format.
pub(in crate::config) static SCHEMA: Key<Version> = Key {
    section: "",
    name: "schema",
    kind: Version(1),
    need: Need::Required,
    example: "1",
    about: "Version of this format. It stands above the first heading.",
};

/// What it is called.
pub(in crate::config) static NAME: Key<Text> = Key {
    section: "profile",
    name: "name",
    kind: Text,
    need: Need::Required,
    example: "\"Linear by zeros\"",
    about: "What this kind of decoder is called, by what it does.",
};

/// What it is.
pub(in crate::config) static ABOUT: Key<Text> = Key {
    section: "profile",
    name: "about",
    kind: Text,
    need: Need::Required,
    example: "\"With CV 2, 5 and 6 at zero the drive rises in a straight line to full.\"",
    about: "What it does, and where that is known from.",
};

/// CVs that may be written.
pub(in crate::config) static TOUCH: Key<CvSpans> = Key {
    section: "cvs",
    name: "touch",
    kind: CvSpans,
    need: Need::Required,
    example: "[\"2 to 6\", \"19 to 20\", \"23 to 24\", \"29\", \"66 to 95\"]",
    about: "The CVs that a run may write; no other is ever written. CV 29 and the table with its trims, 66 to 95, must be among them; without a table CV 29, 2, 5 and 6. The address \
            (1, 17, 18) and the lock (15, 16) never are.",
};

/// Values that may be written.
pub(in crate::config) static WITHIN: Key<CvLimits> = Key {
    section: "cvs",
    name: "within",
    kind: CvLimits,
    need: Need::Default("[]"),
    example: "[]",
    about: "Values that a CV may be given, where it does not take all from 0 to 255. Of those that a run gives values of its own only 2, 5 and 6. What it held \
            before may always go back.",
};

/// Values of their own.
pub(in crate::config) static KEEP: Key<CvValues> = Key {
    section: "cvs",
    name: "keep",
    kind: CvValues,
    need: Need::Default("[]"),
    example: "[]",
    about: "CVs that get this value before anything is measured and keep it, as those of a motor regulation: an engine is \
            measured as it will run. They must stand under touch, and be none that a run gives values of its own.",
};

/// What makes it linear.
pub(in crate::config) static LINEAR_BY: Key<Choice<LinearBy>> = Key {
    section: "drive",
    name: "linear_by",
    kind: Choice(&[
        ("find_out", LinearBy::FindOut),
        ("zeros", LinearBy::Zeros),
        ("ends", LinearBy::Ends),
        ("table", LinearBy::Table),
    ]),
    need: Need::Default("\"find_out\""),
    example: "\"find_out\"",
    about: "What makes the drive rise in a straight line for the sweep. zeros: CV 2, 5 and 6 at zero. ends: CV 2 = 1, CV 6 = \
            128, CV 5 = 255. table: a straight table, for decoders without these CVs. find_out: zeros, then ends.",
};

/// CV 2, 5 and 6 afterwards.
pub(in crate::config) static AFTER: Key<Choice<After>> = Key {
    section: "drive",
    name: "after",
    kind: Choice(&[("as_measured", After::AsMeasured), ("originals", After::Originals)]),
    need: Need::Default("\"as_measured\""),
    example: "\"as_measured\"",
    about: "What CV 2, 5 and 6 hold when the table is in use. as_measured: what they held during the sweep, right for every \
            decoder, for some scale the table by them. originals: what they held before; they go back before the table is \
            verified.",
};

/// How 126 steps meet the entries.
pub(in crate::config) static BETWEEN: Key<Choice<Option<TableReading>>> = Key {
    section: "table",
    name: "between",
    kind: Choice(&[
        ("find_out", None),
        ("end_to_end", Some(TableReading::EndToEnd)),
        ("from_zero", Some(TableReading::FromZero)),
        ("nothing", Some(TableReading::Held)),
    ]),
    need: Need::Default("\"find_out\""),
    example: "\"find_out\"",
    about: "How 126 steps meet the 28 entries. end_to_end: step 1 is entry 1, step 126 entry 28, straight lines between. \
            from_zero: entry 1 lies at step 4.5, and so on. nothing: each entry serves four or five steps. find_out: as \
            end_to_end, until the first verify shows otherwise.",
};

/// How long it takes to start.
pub(in crate::config) static START_DELAY: Key<Time> = Key {
    section: "timing",
    name: "start_delay",
    kind: Time { least: "0 s", most: "60 s" },
    need: Need::Default("\"0 s\""),
    example: "\"0 s\"",
    about: "How long it may stand after an order to start, as while it plays a sound; more is found out.",
};

/// Pause after a write.
pub(in crate::config) static WRITE_PAUSE: Key<Time> = Key {
    section: "timing",
    name: "write_pause",
    kind: Time { least: "0 s", most: "5 s" },
    need: Need::Default("\"0 s\""),
    example: "\"0 s\"",
    about: "How long it is left alone after each write.",
};

static TOP: Section = Section {
    name: "",
    required: true,
    about: "A profile says what is known of a kind of decoder, by what it does.",
    cautions: &[],
    keys: &[&SCHEMA],
    either: &[],
};

static PROFILE: Section = Section {
    name: "profile",
    required: true,
    about: "What it is called.",
    cautions: &[],
    keys: &[&NAME, &ABOUT],
    either: &[],
};

static CVS: Section = Section {
    name: "cvs",
    required: true,
    about: "What may be written.",
    cautions: &["CV 7 and CV 8 can reset a decoder and are never written, whatever stands here."],
    keys: &[&TOUCH, &WITHIN, &KEEP],
    either: &[],
};

static DRIVE: Section = Section {
    name: "drive",
    required: false,
    about: "The drive without the table.",
    cautions: &[],
    keys: &[&LINEAR_BY, &AFTER],
    either: &[],
};

/// Whether there is one.
pub(in crate::config) static PRESENT: Key<Flag> = Key {
    section: "table",
    name: "present",
    kind: Flag,
    need: Need::Default("true"),
    example: "true",
    about: "It has a speed table. false: the best values of CV 2, 6 and 5 are found instead, which three points can do.",
};

static TABLE: Section = Section {
    name: "table",
    required: false,
    about: "The table.",
    cautions: &[],
    keys: &[&PRESENT, &BETWEEN],
    either: &[],
};

static TIMING: Section = Section {
    name: "timing",
    required: false,
    about: "Times.",
    cautions: &[],
    keys: &[&START_DELAY, &WRITE_PAUSE],
    either: &[],
};

/// Every section of a profile.
pub(in crate::config) static SECTIONS: &[&Section] = &[&TOP, &PROFILE, &CVS, &DRIVE, &TABLE, &TIMING];
