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

fn schema_document() -> serde_json::Value {
    serde_json::from_str(&schema()).expect("the schema is JSON")
}

#[test]
fn the_schema_names_every_key() {
    let document = schema_document();
    assert_eq!(document["$schema"], "https://json-schema.org/draft/2020-12/schema");
    for section in SECTIONS {
        let object = if section.name.is_empty() { &document } else { &document["properties"][section.name] };
        assert_eq!(object["additionalProperties"], false, "{}", section.name);
        for key in section.keys {
            let property = &object["properties"][key.name()];
            assert!(property["description"].is_string(), "{}", key.path());
            assert!(!property["examples"][0].is_null(), "{}", key.path());
        }
    }
}

/// Type, choice and range of a value by its schema; a small part of the standard, enough for what we write.
fn fits(schema: &serde_json::Value, value: &serde_json::Value) -> bool {
    if let Some(any) = schema["anyOf"].as_array() {
        return any.iter().any(|one| fits(one, value));
    }
    let of_type = match schema["type"].as_str() {
        Some("string") => value.is_string(),
        Some("integer") => value.is_u64(),
        Some("number") => value.is_number(),
        Some("boolean") => value.is_boolean(),
        Some("array") => value.is_array(),
        _ => false,
    };
    let chosen = schema["enum"].as_array().is_none_or(|choices| choices.contains(value));
    let number = value.as_f64();
    let low = schema["minimum"].as_f64().zip(number).is_none_or(|(least, number)| number >= least);
    let high = schema["maximum"].as_f64().zip(number).is_none_or(|(most, number)| number <= most);
    of_type && chosen && low && high
}

#[test]
fn the_template_keeps_to_the_schema() {
    let document = schema_document();
    let file: toml::Table = template().parse().expect("the template is TOML");
    let file = serde_json::to_value(file).expect("TOML fits into JSON");
    let required = |schema: &serde_json::Value, value: &serde_json::Value| {
        let names = schema["required"].as_array().expect("each object says what it requires");
        names.iter().all(|name| value.get(name.as_str().expect("a name is a text")).is_some())
    };
    assert!(required(&document, &file));
    for (name, value) in file.as_object().expect("a file is an object") {
        let schema = &document["properties"][name];
        let Some(section) = value.as_object() else {
            assert!(fits(schema, value), "{name}");
            continue;
        };
        assert!(required(schema, value), "{name}");
        let groups = schema["oneOf"]
            .as_array()
            .map_or(1, |groups| groups.iter().filter(|group| required(group, value)).count());
        assert_eq!(groups, 1, "{name}");
        for (key, value) in section {
            let schema = &schema["properties"][key];
            assert!(fits(schema, value), "{name}.{key}");
            assert!(schema.get("default").is_none_or(|default| fits(schema, default)), "{name}.{key}");
        }
    }
    assert!(
        !fits(&document["properties"]["engine"]["properties"]["steps"], &128.into()),
        "the check can fail"
    );
}

#[test]
fn examples_of_a_section_read() {
    let text = SECTIONS[1..].iter().map(|section| section.example()).collect::<Vec<_>>().join("\n");
    let spec = read("examples", &format!("schema = 1\n{text}"));
    assert!(spec.is_ok(), "{}", spec.unwrap_err().render(100, false));
}

#[test]
fn station_and_sensor_are_two_devices() {
    let bench = include_str!("../../scenarios/lapwing.toml");
    let (station, sensor) = ("address = \"127.0.0.1:4303\"", "address = \"127.0.0.1:4311\"");
    let with = |of_station: &str, of_sensor: &str| {
        let text = bench.replace(station, of_station).replace(sensor, of_sensor);
        read("bench.toml", &text).map_err(|wrong| {
            wrong.list().iter().map(|one| (one.cause.code, one.key.clone())).collect::<Vec<_>>()
        })
    };
    let (one, two) = ("serial = \"/dev/ttyUSB0\"", "serial = \"/dev/ttyUSB1\"");
    assert_eq!(with(one, one), Err(vec![("contradiction", "sensor.serial".to_owned())]));
    assert!(with(one, two).is_ok());
    let (small, large) = ("address = \"harbour:4303\"", "address = \"Harbour:4303\"");
    assert_eq!(with(small, large), Err(vec![("contradiction", "sensor.address".to_owned())]));
    assert!(with(station, sensor).is_ok());
}
