//! A complete annotated bench file, made from the table of keys.
use super::key::{AnyKey, Need, Section};
use super::keys::SECTIONS;
use std::sync::LazyLock;

/// Width of the comment lines.
const WIDTH: usize = 100;

static TEMPLATE: LazyLock<String> =
    LazyLock::new(|| SECTIONS.iter().map(|section| written(section)).collect::<Vec<_>>().join("\n"));

/// A complete bench file: every key with its meaning, form and default, and the cautions where they belong.
#[must_use]
pub fn template() -> &'static str {
    &TEMPLATE
}

fn written(section: &Section) -> String {
    let mut text = if section.name.is_empty() { String::new() } else { format!("[{}]\n", section.name) };
    text += &comment("", section.about);
    for caution in section.cautions {
        text += &comment("CAUTION: ", caution);
    }
    for key in section.keys {
        text += &key_lines(*key);
    }
    text
}

fn key_lines(key: &dyn AnyKey) -> String {
    let form = match key.need() {
        Need::Required => format!("Needed: {}.", key.expected()),
        Need::Default(toml) => format!("May be left out, then {toml}: {}.", key.expected()),
        Need::Free(meaning) => format!("May be left out: {meaning}. Form: {}.", key.expected()),
    };
    let value = key.example();
    let mark = if matches!(key.need(), Need::Free(_)) && !stands_in_template(key) { "# " } else { "" };
    format!("\n{}{}{mark}{} = {value}\n", comment("", key.about()), comment("", &form), key.name())
}

/// Of keys that stand for each other the first group is written, the others are commented out.
fn stands_in_template(key: &dyn AnyKey) -> bool {
    let section = SECTIONS.iter().find(|section| section.name == key.section());
    section.and_then(|section| section.either.first()).is_some_and(|group| group.contains(&key.name()))
}

/// `text` as comment lines of at most [`WIDTH`].
fn comment(mark: &str, text: &str) -> String {
    let mut lines = String::new();
    let mut line = format!("# {mark}");
    for word in text.split_whitespace() {
        if line.chars().count() + word.chars().count() > WIDTH {
            lines += line.trim_end();
            lines.push('\n');
            "# ".clone_into(&mut line);
        }
        line += word;
        line.push(' ');
    }
    lines += line.trim_end();
    lines.push('\n');
    lines
}
