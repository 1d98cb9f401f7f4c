//! Checks the shape of the file before any value: sections and keys that are not known, and those that are missing.
use super::key::{AnyKey, Need, Section};
use super::near::nearest;
use super::reading::Reading;
use crate::cause::bench_file as cause;
use std::ops::Range;
use toml::de::DeValue;

/// Complains of every unknown or missing section and key.
pub(super) fn check(reading: &mut Reading<'_>) {
    top_level(reading);
    for section in reading.sections {
        match reading.section(section.name) {
            Some((_, table)) => {
                for (key, _) in table.iter().filter(|_| !section.name.is_empty()) {
                    if section.key(key.get_ref()).is_none() {
                        unknown_key(reading, Some(section), key.get_ref(), key.span());
                    }
                }
                missing_keys(reading, section);
            }
            None if section.required && !is_misspelt(section, reading) => missing_section(reading, section),
            None => {}
        }
    }
}

/// Everything that stands directly in the file: known sections of the right shape, known keys, or complaints.
fn top_level(reading: &mut Reading<'_>) {
    for (key, value) in reading.tree {
        let name: &str = key.get_ref();
        let section = reading.sections.iter().find(|section| section.name == name);
        let is_table = value.get_ref().is_table();
        if section.is_some() && is_table || reading.sections[0].key(name).is_some() {
            continue;
        }
        match section {
            Some(section) => wrong_shape(reading, section, key.span(), value.get_ref()),
            None if is_table || is_table_list(value.get_ref()) => unknown_section(reading, name, key.span()),
            None => unknown_key(reading, None, name, key.span()),
        }
    }
}

fn is_table_list(value: &DeValue<'_>) -> bool {
    value.as_array().is_some_and(|list| list.first().is_some_and(|item| item.get_ref().is_table()))
}

fn wrong_shape(reading: &mut Reading<'_>, section: &Section, span: Range<usize>, value: &DeValue<'_>) {
    let expected = format!("a section [{}]", section.name);
    let hint = if is_table_list(value) {
        format!("write [{}] in single brackets, once: a bench file describes one of it", section.name)
    } else {
        format!("write the heading [{}] on a line of its own and the keys below it", section.name)
    };
    reading.complain(&cause::WRONG_TYPE, section.name, span, expected, hint);
}

fn unknown_section(reading: &mut Reading<'_>, name: &str, span: Range<usize>) {
    let known = || reading.sections.iter().map(|section| section.name).filter(|name| !name.is_empty());
    let expected = "a known section".to_owned();
    let hint = match nearest(name, known()) {
        Some(near) => format!("did you mean [{near}]?"),
        None => format!("sections are {}", known().collect::<Vec<_>>().join(", ")),
    };
    reading.complain(&cause::UNKNOWN_SECTION, name, span, expected, hint);
}

/// An unknown key in a known section, or above the first heading.
fn unknown_key(reading: &mut Reading<'_>, section: Option<&Section>, name: &str, span: Range<usize>) {
    let here = section.unwrap_or(reading.sections[0]);
    let elsewhere =
        || reading.sections.iter().filter(|other| other.name != here.name && other.key(name).is_some());
    let names = || here.keys.iter().map(|key| key.name());
    let hint = if let Some(near) = nearest(name, names()) {
        let with_unit =
            here.key(near).filter(|key| name.starts_with(&format!("{near}_")) && key.example().contains(' '));
        match with_unit {
            Some(key) => {
                format!("did you mean {near}? A unit stands with the value: {near} = {}", key.example())
            }
            None => format!("did you mean {near}?"),
        }
    } else if let Some(other) = elsewhere().next() {
        format!("{name} belongs into [{}]", other.name)
    } else if here.name.is_empty() {
        "above the first heading stands schema = 1 alone; write this below its heading".into()
    } else {
        format!("keys here are {}", names().collect::<Vec<_>>().join(", "))
    };
    let (path, expected) = if here.name.is_empty() {
        (name.to_owned(), "a known key or a section".to_owned())
    } else {
        (format!("{}.{name}", here.name), format!("a known key of [{}]", here.name))
    };
    reading.complain(&cause::UNKNOWN_KEY, path, span, expected, hint);
}

fn missing_keys(reading: &mut Reading<'_>, section: &Section) {
    for key in section.keys.iter().filter(|key| key.need() == Need::Required) {
        if !reading.stands(*key) && !is_meant(*key, section, reading) {
            reading.missing(*key, example_line(*key));
        }
    }
    either(reading, section);
}

fn example_line(key: &dyn AnyKey) -> String {
    format!("for example: {} = {}", key.name(), key.example())
}

/// Whether an unknown key of the section is most like this one: that complaint says enough.
fn is_meant(key: &dyn AnyKey, section: &Section, reading: &Reading<'_>) -> bool {
    let Some((_, table)) = reading.section(section.name) else { return false };
    let names = || section.keys.iter().map(|key| key.name());
    let mut unknown = table.keys().map(|name| &**name.get_ref()).filter(|name| section.key(name).is_none());
    // At the top level sections stand beside keys; they are not meant to be keys.
    !section.name.is_empty() && unknown.any(|name| nearest(name, names()) == Some(key.name()))
}

/// Whether the section stands in another shape, or an unknown section is most like it: that complaint says enough.
fn is_misspelt(section: &Section, reading: &Reading<'_>) -> bool {
    let is_known = |name: &str| reading.sections.iter().any(|known| known.name == name);
    let names = || reading.sections.iter().map(|section| section.name).filter(|name| !name.is_empty());
    reading.tree.iter().any(|(name, value)| {
        let name: &str = name.get_ref();
        let is_section = value.get_ref().is_table() || is_table_list(value.get_ref());
        name == section.name || is_section && !is_known(name) && nearest(name, names()) == Some(section.name)
    })
}

/// Groups of keys of which exactly one must stand, whole.
fn either(reading: &mut Reading<'_>, section: &Section) {
    let keys = |group: &[&str]| -> Vec<&'static dyn AnyKey> {
        group.iter().filter_map(|name| section.key(name)).collect()
    };
    let groups: Vec<Vec<&dyn AnyKey>> = section.either.iter().map(|group| keys(group)).collect();
    let is_there = |key: &&dyn AnyKey| reading.stands(*key) || is_meant(*key, section, reading);
    let begun: Vec<&Vec<&dyn AnyKey>> = groups.iter().filter(|group| group.iter().any(is_there)).collect();
    match begun[..] {
        [] => {
            if let Some(key) = groups.first().and_then(|group| group.first()) {
                let ways = groups.iter().map(|group| lines(group)).collect::<Vec<_>>().join("; or instead: ");
                reading.missing(*key, format!("for example: {ways}"));
            }
        }
        [one] => {
            let absent: Vec<&dyn AnyKey> = one.iter().copied().filter(|key| !is_there(key)).collect();
            for key in absent {
                reading.missing(key, example_line(key));
            }
        }
        [first, second, ..] => {
            let standing = |group: &[&'static dyn AnyKey], reading: &Reading<'_>| {
                group.iter().copied().find(|key| reading.stands(*key))
            };
            if let (Some(a), Some(b)) = (standing(first, reading), standing(second, reading)) {
                let hint = format!("take one of the two out, {} or {}", a.name(), b.name());
                reading.contradiction(b, &[(a, "stands here too")], "only one of the two", hint);
            }
        }
    }
}

fn lines(group: &[&dyn AnyKey]) -> String {
    let lines: Vec<String> = group.iter().map(|key| format!("{} = {}", key.name(), key.example())).collect();
    lines.join(" and ")
}

fn missing_section(reading: &mut Reading<'_>, section: &Section) {
    let end = reading.end();
    let hint = format!("for example:\n{}", section.example());
    reading.complain(
        &cause::MISSING_SECTION,
        section.name,
        end,
        format!("the section [{}] somewhere in the file", section.name),
        hint,
    );
}
