//! Keys of the measured axle, the engine, what it runs on, and its functions.
use crate::config::key::{Key, Need, Section};
use crate::config::kind::{Choice, Doubt, Functions, Length, OneOf, Ratio, Scale, Text, Whole};
use crate::config::spec::LeadingEnd;
use crate::dcc::address::LONG_MAX;

/// Distance a turn.
pub(in crate::config) static CIRCUMFERENCE: Key<Length> = Key {
    section: "axle",
    name: "circumference",
    kind: Length { least: "6 mm", most: "1 m" },
    need: Need::Free("then diameter must stand"),
    example: "\"33 mm\"",
    about: "Distance of one turn of the measured axle: of the roller under the engine, of the engine's own \
            wheel, or of a wheel of the measuring car. Either this or diameter.",
};

/// Diameter of the wheel.
pub(in crate::config) static DIAMETER: Key<Length> = Key {
    section: "axle",
    name: "diameter",
    kind: Length { least: "2 mm", most: "300 mm" },
    need: Need::Free("then circumference must stand"),
    example: "\"10.5 mm\"",
    about: "Diameter of the same wheel or roller where it touches, instead of circumference.",
};

/// How well the wheel is known.
pub(in crate::config) static DOUBT: Key<Doubt> = Key {
    section: "axle",
    name: "doubt",
    kind: Doubt,
    need: Need::Required,
    example: "\"0.2 %\"",
    about: "How well that measure is known: its standard uncertainty (k = 1), in % of it or in mm. About half of \
            what you would be almost sure not to be wrong by. It goes into the doubt of every speed.",
};

/// Where the wheel touches.
pub(in crate::config) static CONTACT: Key<Doubt> = Key {
    section: "axle",
    name: "contact",
    kind: Doubt,
    need: Need::Free("no doubt of it is counted, and the result says so"),
    example: "\"0.1 %\"",
    about: "How far that measure may differ with the place where the wheel touches: treads are tapered, and an engine does \
            not stand alike each time. Standard uncertainty (k = 1), in % of it or in mm. Unlike doubt it is another \
            each time an engine is put on. Where you don't know it, let the run find it with placings under [sweep].",
};

/// The axle.
pub(in crate::config) static AXLE: Section = Section {
    name: "axle",
    required: true,
    about: "The axle that is measured. An error of 1 % here is an error of 1 % in every speed. Where the sensor tells a \
            distance or a speed, the circumference scales nothing, but the doubt still counts: write how well the \
            sensor's own scale is known, found by comparing it with a ruler.",
    cautions: &["Keep fingers, hair and threads away from turning rollers, wheels and gears."],
    keys: &[&CIRCUMFERENCE, &DIAMETER, &DOUBT, &CONTACT],
    either: &[&["circumference"], &["diameter"]],
};

/// Short or long address.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(in crate::config) enum AddressKind {
    /// CV 1.
    Short,
    /// CV 17/18.
    Long,
}

/// The engine's name.
pub(in crate::config) static ENGINE_NAME: Key<Text> = Key {
    section: "engine",
    name: "name",
    kind: Text,
    need: Need::Required,
    example: "\"Lapwing\"",
    about: "The engine's name; it stands in the record.",
};

/// DCC address.
pub(in crate::config) static ADDRESS: Key<Whole> = Key {
    section: "engine",
    name: "address",
    kind: Whole { least: 1, most: LONG_MAX },
    need: Need::Required,
    example: "4",
    about: "The engine's DCC address: 1 to 127 if short, 1 to 10239 if long.",
};

/// Kind of address.
pub(in crate::config) static KIND: Key<Choice<AddressKind>> = Key {
    section: "engine",
    name: "kind",
    kind: Choice(&[("short", AddressKind::Short), ("long", AddressKind::Long)]),
    need: Need::Required,
    example: "\"short\"",
    about: "Kind of the address: short (CV 1) or long (CV 17 and 18). Short 4 and long 4 are two addresses.",
};

/// Scale by name.
pub(in crate::config) static SCALE: Key<Scale> = Key {
    section: "engine",
    name: "scale",
    kind: Scale,
    need: Need::Free("then ratio must stand"),
    example: "\"H0\"",
    about: "Scale by its standard's name. The digit 0 and the letter O differ: H0 is 1:87 and HO is 1:87.1; 0 is \
            1:45 and O is 1:48. Either this or ratio.",
};

/// Scale by ratio.
pub(in crate::config) static RATIO: Key<Ratio> = Key {
    section: "engine",
    name: "ratio",
    kind: Ratio,
    need: Need::Free("then scale must stand"),
    example: "\"1:43.5\"",
    about: "Ratio of the scale instead of its name, as \"1:43.5\" or 43.5.",
};

/// Step mode.
pub(in crate::config) static STEPS: Key<OneOf> = Key {
    section: "engine",
    name: "steps",
    kind: OneOf(&[14, 28, 126]),
    need: Need::Required,
    example: "126",
    about: "Moving speed steps of the step mode the engine is driven in later: 28, 126 (also called 128), or 14 for old \
            decoders, which meet every second entry of the table.",
};

/// Which end leads.
pub(in crate::config) static LEADING_END: Key<Choice<LeadingEnd>> = Key {
    section: "engine",
    name: "leading_end",
    kind: Choice(&[("front", LeadingEnd::Front), ("rear", LeadingEnd::Rear), ("ask", LeadingEnd::Ask)]),
    need: Need::Required,
    example: "\"ask\"",
    about: "Which end leads when the engine is driven forward. ask: the run pauses after its first slow move and asks you.",
};

/// Its kind of decoder.
pub(in crate::config) static DECODER: Key<Text> = Key {
    section: "engine",
    name: "decoder",
    kind: Text,
    need: Need::Free("then the run finds out what kind it is, and writes no CV but those it must"),
    example: "\"linear-by-ends\"",
    about: "Name of a profile of the decoder's kind: what makes it linear, which CVs may be written, and the like. \
            `pacewright profiles` lists them; one of your own is a file NAME.toml in a folder profiles beside this bench \
            file.",
};

/// The engine.
pub(in crate::config) static ENGINE: Section = Section {
    name: "engine",
    required: true,
    about: "The locomotive to calibrate.",
    cautions: &["A motor that runs long gets hot. Feel it after the first runs, and give it rest and air."],
    keys: &[&ENGINE_NAME, &ADDRESS, &KIND, &SCALE, &RATIO, &STEPS, &LEADING_END, &DECODER],
    either: &[&["scale"], &["ratio"]],
};

/// What the engine runs on, without its length.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(in crate::config) enum PathForm {
    /// Rollers.
    Rollers,
    /// A closed loop.
    Loop,
    /// A straight between ends.
    Straight,
}

/// Kind of path.
pub(in crate::config) static PATH_KIND: Key<Choice<PathForm>> = Key {
    section: "path",
    name: "kind",
    kind: Choice(&[
        ("rollers", PathForm::Rollers),
        ("loop", PathForm::Loop),
        ("straight", PathForm::Straight),
    ]),
    need: Need::Required,
    example: "\"rollers\"",
    about: "What the engine runs on: rollers (endless), loop (a closed track), straight (a track between two ends).",
};

/// Length of path.
pub(in crate::config) static LENGTH: Key<Length> = Key {
    section: "path",
    name: "length",
    kind: Length { least: "100 mm", most: "1000 m" },
    need: Need::Free("on rollers, which have none"),
    example: "\"4.2 m\"",
    about: "Of a loop: its length, once round. Of a straight: the way that the engine can go between both ends, that is \
            the length of the track less the length of the engine with its cars. Rollers have none.",
};

/// Kept free at each end of a straight.
pub(in crate::config) static RESERVE: Key<Length> = Key {
    section: "path",
    name: "reserve",
    kind: Length { least: "50 mm", most: "10 m" },
    need: Need::Free("then \"300 mm\" on a straight; only a straight has ends"),
    example: "\"300 mm\"",
    about: "Kept free at each end of a straight: the run turns round before it, and when half of it is used up the engine \
            gets an emergency stop. Before each start put the engine on its start mark: this far from one end, so that it \
            runs away from that end when it is driven forward. The run asks you whether it stands there.",
};

/// What is kept free where the file does not say.
pub(in crate::config) const USUAL_RESERVE_MM: f64 = 300.0;

/// The path.
pub(in crate::config) static PATH: Section = Section {
    name: "path",
    required: true,
    about: "What the engine runs on.",
    cautions: &[
        "See that it can neither fall nor hit anything, at full speed and in both directions.",
        "On a straight put a soft buffer at both ends that stops the engine at full speed: the program steers by the turning \
         of an axle, which may slip, and by links, which may fail. It is never the only safeguard.",
    ],
    keys: &[&PATH_KIND, &LENGTH, &RESERVE],
    either: &[],
};

/// Functions that are on.
pub(in crate::config) static ON: Key<Functions> = Key {
    section: "functions",
    name: "on",
    kind: Functions,
    need: Need::Required,
    example: "[]",
    about: "Numbers of the functions that are on during the run, F0 is 0; all others are forced off. An engine is \
            calibrated as it will run: a function that changes how the motor runs belongs here if it is on in \
            later use.",
};

/// Number of functions.
pub(in crate::config) static COUNT: Key<Whole> = Key {
    section: "functions",
    name: "count",
    kind: Whole { least: 1, most: 69 },
    need: Need::Default("29"),
    example: "29",
    about: "How many functions the engine is announced with to the station, F0 counted: 29 is F0 to F28.",
};

/// The functions.
pub(in crate::config) static FUNCTIONS: Section = Section {
    name: "functions",
    required: true,
    about: "Functions during the run.",
    cautions: &["A smoke generator that runs dry or for hours is a fire risk: leave it off."],
    keys: &[&ON, &COUNT],
    either: &[],
};
