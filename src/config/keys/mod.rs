//! The table of every known key, in the order of the template: the one source for reader, hints, template and schema.
pub(super) mod alert;
pub(super) mod links;
pub(super) mod measuring;
pub(super) mod night;
pub(super) mod profile;
pub(super) mod publish;
pub(super) mod safety;
pub(super) mod vehicle;

use super::key::{Key, Need, Section};
use super::kind::Version;

/// The version of the format.
pub(super) static SCHEMA: Key<Version> = Key {
    section: "",
    name: "schema",
    kind: Version(1),
    need: Need::Required,
    example: "1",
    about: "Version of this format. It stands above the first heading.",
};

static TOP: Section = Section {
    name: "",
    required: true,
    about: "A bench file describes one bench with one engine on it. Times, lengths, speeds and parts are texts of a \
            number and its unit: \"15 min\", \"10.5 mm\", \"80 km/h\", \"2 %\". Speeds in km/h and mph are scale \
            speeds; mm/s is the model's own speed.",
    cautions: &[
        "An engine running unwatched for hours gets hot and turns fast. The program is never the only safeguard: \
         stay within reach of the main switch, or have a cut-off that works without this computer and was tried on \
         this bench.",
        "Use only a mains supply and fuses that are whole and meant for the job. Keep everything that burns away \
         from track, supply and engine, and charge no packs nearby meanwhile.",
        "The rules of your house, club and country come first.",
    ],
    keys: &[&SCHEMA],
    either: &[],
};

/// Every section.
pub(super) static SECTIONS: &[&Section] = &[
    &TOP,
    &links::BENCH,
    &links::STATION,
    &links::SENSOR,
    &vehicle::AXLE,
    &vehicle::ENGINE,
    &vehicle::PATH,
    &vehicle::FUNCTIONS,
    &measuring::WARM_UP,
    &measuring::SWEEP,
    &measuring::TARGET,
    &measuring::TOLERANCE,
    &safety::PROGRAMMING,
    &safety::LIMITS,
    &safety::RECORD,
    &night::NIGHT,
    &alert::ALERT,
    &publish::PUBLISH,
];

#[cfg(test)]
mod tests {
    use super::SECTIONS;
    use crate::config::key::Need;

    #[test]
    fn every_example_and_default_reads() {
        for key in SECTIONS.iter().chain(super::profile::SECTIONS).flat_map(|section| section.keys) {
            assert!(key.accepts(key.example()), "example of {}", key.path());
            if let Need::Default(toml) = key.need() {
                assert!(key.accepts(toml), "default of {}", key.path());
                // The template shows the example; only the person can state who stands on the output.
                assert_eq!(key.example() == toml, key.name() != "only_engine_on_output", "{}", key.path());
            }
        }
    }

    #[test]
    fn every_key_is_described_and_stands_in_its_own_section() {
        for section in SECTIONS.iter().chain(super::profile::SECTIONS) {
            assert!(section.about.ends_with('.'), "{}", section.name);
            for key in section.keys {
                assert_eq!(key.section(), section.name, "{}", key.name());
                assert!(key.about().ends_with('.'), "{}", key.path());
            }
            for name in section.either.iter().flat_map(|group| group.iter()) {
                assert!(matches!(section.key(name).unwrap().need(), Need::Free(_)), "{name}");
            }
        }
    }
}
