//! Profiles: what is known of a kind of decoder, by what it does and not by who made it. Checked like the bench file.
use super::complaint::Complaints;
use super::key::AnyKey;
use super::keys::profile as key;
use super::reading::Reading;
use super::{structure, syntax};
use crate::calibrate::TableReading;
use crate::cause::bench_file as cause;
use crate::dcc::cv;
use serde::{Deserialize, Serialize};
use std::time::Duration;

/// What makes the drive rise in a straight line for the sweep.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LinearBy {
    /// Zeros in CV 2, 5 and 6, and where they do not serve, [`LinearBy::Ends`].
    FindOut,
    /// Zeros in CV 2, 5 and 6.
    Zeros,
    /// CV 2 = 1, CV 6 = 128, CV 5 = 255.
    Ends,
    /// A straight table.
    Table,
}

/// What CV 2, 5 and 6 hold when the table is in use.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum After {
    /// What they held during the sweep.
    AsMeasured,
    /// What they held before.
    Originals,
}

/// CVs that may be written, and with what.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct CvRule {
    /// The first and the last.
    pub cvs: (u16, u16),
    /// The least and the most value.
    pub values: (u8, u8),
}

/// What is known of a kind of decoder.
#[derive(Clone, Debug, PartialEq)]
pub struct DecoderProfile {
    /// What it is called.
    pub name: String,
    /// What it does.
    pub about: String,
    /// The only CVs that are ever written; of rules for one CV the last counts.
    pub touch: Vec<CvRule>,
    /// CVs that get a value before anything is measured, and keep it.
    pub keep: Vec<(u16, u8)>,
    /// What makes it linear.
    pub linear_by: LinearBy,
    /// CV 2, 5 and 6 afterwards.
    pub after: After,
    /// It has a speed table.
    pub has_table: bool,
    /// How 126 steps meet the entries, where that is known.
    pub between: Option<TableReading>,
    /// It may stand so long after an order to start.
    pub start_delay: Duration,
    /// It is left alone for so long after each write.
    pub write_pause: Duration,
}

/// A decoder of which nothing is known: everything that a run changes by itself may be written, the rest is found out.
impl Default for DecoderProfile {
    fn default() -> Self {
        let all = |first, last| CvRule { cvs: (first, last), values: (0, 255) };
        Self {
            name: "Unknown".to_owned(),
            about: "Nothing is known of it.".to_owned(),
            touch: vec![
                all(cv::START_DRIVE, cv::MID_DRIVE),
                all(cv::CONSIST, cv::CONSIST_HUNDREDS),
                all(cv::ACCELERATION_ADJUST, cv::DECELERATION_ADJUST),
                all(cv::SETTINGS, cv::SETTINGS),
                all(cv::TRIM_FORWARD, cv::TRIM_REVERSE),
            ],
            keep: Vec::new(),
            linear_by: LinearBy::FindOut,
            after: After::AsMeasured,
            has_table: true,
            between: None,
            start_delay: Duration::ZERO,
            write_pause: Duration::ZERO,
        }
    }
}

impl DecoderProfile {
    fn rule(&self, cv: u16) -> Option<&CvRule> {
        self.touch.iter().rev().find(|rule| (rule.cvs.0..=rule.cvs.1).contains(&cv))
    }

    /// Whether a CV may be written at all. CV 7 and CV 8 never may.
    #[must_use]
    pub fn touches(&self, cv: u16) -> bool {
        cv::writable(cv).is_ok() && self.rule(cv).is_some()
    }

    /// Whether a CV may be given this value.
    #[must_use]
    pub fn allows(&self, cv: u16, value: u8) -> bool {
        let within = |rule: &CvRule| (rule.values.0..=rule.values.1).contains(&value);
        cv::writable(cv).is_ok() && self.rule(cv).is_some_and(within)
    }
}

/// A profile as it was found. It stands in the journal, for a replay reads no other file.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct ProfileText {
    /// Its file, or its name where it came with the program.
    pub file: String,
    /// All of it.
    pub text: String,
}

impl ProfileText {
    /// What it says.
    ///
    /// # Errors
    /// What is wrong with it.
    pub fn profile(&self) -> Result<DecoderProfile, Complaints> {
        read(&self.file, &self.text)
    }
}

/// Reads a profile. `file_name` serves messages only.
///
/// # Errors
/// Everything that is wrong with it, all together; a text that is no TOML gives the first such place alone.
pub fn read(file_name: &str, text: &str) -> Result<DecoderProfile, Complaints> {
    let tree = match toml::de::DeTable::parse(text) {
        Ok(tree) => tree,
        Err(error) => {
            let complaint = syntax::complaint(key::SECTIONS, text, &error);
            return Err(Complaints::new(file_name, text, vec![complaint]));
        }
    };
    let mut reading = Reading::new(key::SECTIONS, text, tree.get_ref());
    structure::check(&mut reading);
    match profile(&mut reading) {
        Some(profile) if reading.complaints.is_empty() => Ok(profile),
        _ => Err(Complaints::new(file_name, text, reading.complaints)),
    }
}

fn profile(reading: &mut Reading<'_>) -> Option<DecoderProfile> {
    let schema = reading.value(&key::SCHEMA);
    let (name, about) = (reading.value(&key::NAME), reading.value(&key::ABOUT));
    let (touch, within, keep) =
        (reading.value(&key::TOUCH), reading.value(&key::WITHIN), reading.value(&key::KEEP));
    let (linear_by, after) = (reading.value(&key::LINEAR_BY), reading.value(&key::AFTER));
    let (has_table, between) = (reading.value(&key::PRESENT), reading.value(&key::BETWEEN));
    let (start_delay, write_pause) = (reading.value(&key::START_DELAY), reading.value(&key::WRITE_PAUSE));
    let (touch, within, keep) = (touch?, within?, keep?);
    let rule =
        |cvs: &std::ops::RangeInclusive<u16>, values| CvRule { cvs: (*cvs.start(), *cvs.end()), values };
    let named = DecoderProfile {
        name: name.unwrap_or_default(),
        about: about.unwrap_or_default(),
        touch: touch.iter().map(|(cvs, (), _)| rule(cvs, (0, 255))).collect(),
        keep: keep.iter().flat_map(|(cvs, value, _)| cvs.clone().map(move |cv| (cv, *value))).collect(),
        linear_by: linear_by?,
        after: after?,
        has_table: has_table?,
        between: between?,
        start_delay: start_delay?,
        write_pause: write_pause?,
    };
    must_touch(reading, &named);
    without_a_table(reading, &named);
    let whose = "it says whose decoder this is or locks it, and no run writes it";
    for (cvs, (), span) in &touch {
        owned(reading, (key::TOUCH.path(), span), cvs, &IDENTITY, whose);
    }
    for (cvs, _, span) in &within {
        untouched(reading, &named, key::WITHIN.path(), cvs, span);
        let own = if named.has_table { &OWN[3..] } else { &OWN };
        owned(reading, (key::WITHIN.path(), span), cvs, own, "the run must be free to give it any value");
    }
    let limits = within.iter().map(|(cvs, values, _)| rule(cvs, (*values.start(), *values.end())));
    let profile =
        DecoderProfile { touch: named.touch.iter().cloned().chain(limits).collect(), ..named.clone() };
    for (cvs, value, span) in &keep {
        untouched(reading, &named, key::KEEP.path(), cvs, span);
        owned(reading, (key::KEEP.path(), span), cvs, &IDENTITY, whose);
        owned(reading, (key::KEEP.path(), span), cvs, &OWN, "the run gives it values of its own");
        if cvs.clone().any(|cv| named.touches(cv) && !profile.allows(cv, *value)) {
            let hint = "this value lies outside what stands under within";
            reading.complain(&cause::CONTRADICTION, key::KEEP.path(), span.clone(), "a value within", hint);
        }
    }
    line_within(reading, &profile);
    schema?;
    Some(profile)
}

/// CVs that say whose decoder it is, and those that lock it.
const IDENTITY: [(u16, u16); 2] = [(cv::SHORT_ADDRESS, cv::SHORT_ADDRESS), (cv::KEY, cv::LONG_ADDRESS_LOW)];
/// CVs that a run gives values of its own; the first three may be limited, where there is a table.
const OWN: [(u16, u16); 8] = [
    (cv::START_DRIVE, cv::START_DRIVE),
    (cv::TOP_DRIVE, cv::TOP_DRIVE),
    (cv::MID_DRIVE, cv::MID_DRIVE),
    (cv::ACCELERATION, cv::DECELERATION),
    (cv::CONSIST, cv::CONSIST_HUNDREDS),
    (cv::ACCELERATION_ADJUST, cv::DECELERATION_ADJUST),
    (cv::SETTINGS, cv::SETTINGS),
    (cv::TRIM_FORWARD, cv::TRIM_REVERSE),
];

/// Complains where one of these CVs is among those of an entry.
fn owned(
    reading: &mut Reading<'_>,
    (path, span): (String, &std::ops::Range<usize>),
    cvs: &std::ops::RangeInclusive<u16>,
    ranges: &[(u16, u16)],
    why: &str,
) {
    if let Some(cv) = cvs.clone().find(|cv| ranges.iter().any(|(first, last)| (first..=last).contains(&cv))) {
        reading.complain(&cause::CONTRADICTION, path, span.clone(), "other CVs", format!("CV {cv}: {why}"));
    }
}

/// What makes the decoder linear must be allowed.
fn line_within(reading: &mut Reading<'_>, profile: &DecoderProfile) {
    let drives: [u8; 3] = match profile.linear_by {
        LinearBy::Zeros => [0, 0, 0],
        LinearBy::Ends | LinearBy::FindOut => [1, 128, 255],
        LinearBy::Table => return,
    };
    let cvs = [cv::START_DRIVE, cv::MID_DRIVE, cv::TOP_DRIVE];
    let wrong = cvs.into_iter().zip(drives).find(|(cv, value)| !profile.allows(*cv, *value));
    if let Some((cv, value)) = wrong {
        let hint =
            format!("CV {cv} could not be given {value}: put it under touch, or write linear_by = \"table\"");
        let span = reading.span(if profile.touches(cv) { &key::WITHIN } else { &key::TOUCH });
        reading.complain(
            &cause::CONTRADICTION,
            key::LINEAR_BY.path(),
            span,
            "2, 5 and 6 free for a line",
            hint,
        );
    }
}

/// Without these no table can be written and used, or no three points in its place.
fn must_touch(reading: &mut Reading<'_>, named: &DecoderProfile) {
    let (points, table) = ([cv::START_DRIVE, cv::TOP_DRIVE, cv::MID_DRIVE], cv::TABLE_WITH_TRIMS);
    let needed: Vec<u16> = if named.has_table { table.collect() } else { points.to_vec() };
    let needed = [cv::SETTINGS].into_iter().chain(needed);
    let missing: Vec<String> = needed.filter(|cv| !named.touches(*cv)).map(|cv| cv.to_string()).collect();
    if let Some(first) = missing.first() {
        let span = reading.span(&key::TOUCH);
        let which = if named.has_table { "29 and 66 to 95" } else { "29, 2, 5 and 6" };
        let hint = format!("CV {first} is missing: without {which} nothing that serves can be written");
        reading.complain(&cause::CONTRADICTION, key::TOUCH.path(), span, format!("{which} among them"), hint);
    }
}

/// What makes no sense where there is no table.
fn without_a_table(reading: &mut Reading<'_>, named: &DecoderProfile) {
    if named.has_table {
        return;
    }
    let others: &[(&dyn AnyKey, &str)] = &[(&key::PRESENT, "it has none")];
    if named.linear_by == LinearBy::Table {
        let hint = "write zeros, ends or find_out";
        reading.contradiction(&key::LINEAR_BY, others, "not by a table", hint);
    }
    if named.between.is_some() {
        let hint = "there are no entries to be met: leave this out";
        reading.contradiction(&key::BETWEEN, others, "nothing of it", hint);
    }
    if named.after == After::Originals {
        let hint = "CV 2, 5 and 6 hold what the run finds for them: leave this out";
        reading.contradiction(&key::AFTER, others, "not the originals", hint);
    }
}

/// A CV that stands elsewhere must stand under `touch` too.
fn untouched(
    reading: &mut Reading<'_>,
    named: &DecoderProfile,
    path: String,
    cvs: &std::ops::RangeInclusive<u16>,
    span: &std::ops::Range<usize>,
) {
    if let Some(cv) = cvs.clone().find(|cv| !named.touches(*cv)) {
        let hint = format!("CV {cv} does not stand under touch, so it is never written");
        reading.complain(&cause::CONTRADICTION, path, span.clone(), "a CV that stands under touch", hint);
    }
}

#[cfg(test)]
#[path = "profile_tests.rs"]
mod tests;
