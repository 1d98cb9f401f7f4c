//! Tests of the bench file as a whole.
use super::*;
use crate::dcc::Address;
use key::Need;
use keys::SECTIONS;
use std::time::Duration;

/// The template without the keys that have a default.
fn bare_template() -> String {
    let named = |line: &str| line.split(" =").next().unwrap_or_default().to_owned();
    let (mut section, mut text) = ("", String::new());
    for line in template().lines().filter(|line| !line.starts_with('#')) {
        if let Some(name) = line.strip_prefix('[').and_then(|rest| rest.strip_suffix(']')) {
            section = name;
        }
        let known = SECTIONS.iter().find(|known| known.name == section).unwrap();
        let has_default = known.key(&named(line)).is_some_and(|key| matches!(key.need(), Need::Default(_)));
        // Stating who stands on the output has a default that the template's place does not allow.
        if !has_default || line.starts_with("only_engine_on_output") {
            text += line;
            text.push('\n');
        }
    }
    text
}

#[test]
fn the_template_reads_and_states_the_true_defaults() {
    let full =
        read("template", template()).unwrap_or_else(|complaints| panic!("{}", complaints.render(100, false)));
    let bare = read("bare", &bare_template())
        .unwrap_or_else(|complaints| panic!("{}", complaints.render(100, false)));
    assert_eq!(full, bare);
    assert_eq!(full.engine.address, Address::Short(4));
    assert_eq!(full.limits.run_time, Duration::from_secs(3 * 3600));
}

#[test]
fn the_template_names_every_key_and_section() {
    for section in SECTIONS {
        assert!(section.name.is_empty() || template().contains(&format!("\n[{}]\n", section.name)));
        for key in section.keys {
            let stands = template()
                .lines()
                .any(|line| line.trim_start_matches("# ").starts_with(&format!("{} = ", key.name())));
            assert!(stands, "{}", key.path());
        }
    }
}
