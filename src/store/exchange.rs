//! The fleet as files for others: one JSON document, and tables in CSV. And back.
//!
//! | table | columns |
//! |---|---|
//! | `engines` | `name,address,class,standing,verdict,worst_percent,calibrated,running_hours,runs` |
//! | `steps` | `name,address,run,step_mode,step,target_mm_s,forward_mm_s,forward_u_mm_s,reverse_mm_s,reverse_u_mm_s,source` |
//! | `points` | `name,address,run,at_s,purpose,direction,setting,of,speed_mm_s,u_mm_s` |
//! | `cvs` | `name,address,run,cv,before,after` |
//!
//! CSV as RFC 4180 with a header; an empty field is none. Doubts are standard uncertainties (k = 1). The JSON document holds
//! `form` ("pacewright-fleet"), `version` and `runs`, each as [`Summary`] has it. What is brought in is a document of this form, or a
//! table `steps`: its engines count as calibrated elsewhere.
use super::fleet::{Fleet, Standing};
use super::summary::{EngineId, Summary};
use crate::run::{End, StepRow, StepSource, VerdictWord};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::fmt::Write;

/// Name of the JSON form.
const FORM: &str = "pacewright-fleet";
/// Version of both forms.
const VERSION: u32 = 1;
/// First line of a table of steps.
pub const STEPS_HEADER: &str = "name,address,run,step_mode,step,target_mm_s,forward_mm_s,forward_u_mm_s,reverse_mm_s,reverse_u_mm_s,source";

/// The JSON document.
#[derive(Serialize, Deserialize)]
struct Document {
    form: String,
    version: u32,
    runs: Vec<Summary>,
}

/// Runs with all that is kept of them, as a JSON document.
#[must_use]
pub fn json(runs: &[Summary]) -> String {
    let document = Document { form: FORM.to_owned(), version: VERSION, runs: runs.to_vec() };
    // Words, numbers and lists always have a JSON form.
    serde_json::to_string_pretty(&document).unwrap_or_default()
}

/// A field of CSV: in quotes where it must be (RFC 4180, 2.6 and 2.7).
fn field(text: &str) -> String {
    if text.contains([',', '"', '\n', '\r']) {
        format!("\"{}\"", text.replace('"', "\"\""))
    } else {
        text.to_owned()
    }
}

fn number(value: Option<f64>) -> String {
    value.map_or_else(String::new, |value| format!("{value}"))
}

fn count(value: Option<u8>) -> String {
    value.map_or_else(String::new, |value| value.to_string())
}

fn word<T: Serialize>(value: &T) -> String {
    serde_json::to_string(value).unwrap_or_default().trim_matches('"').to_owned()
}

fn who(engine: &EngineId) -> String {
    format!("{},{}", field(&engine.name), field(&engine.address))
}

/// The engines as a table.
#[must_use]
pub fn engines(fleet: &Fleet) -> String {
    let mut text =
        "name,address,class,standing,verdict,worst_percent,calibrated,running_hours,runs\n".to_owned();
    for engine in &fleet.engines {
        let (standing, verdict) = match &engine.standing {
            Standing::Calibrated(verdict) => ("calibrated", word(verdict)),
            Standing::Lapsed(_) => ("lapsed", String::new()),
            Standing::Never => ("never", String::new()),
        };
        let run = engine.table();
        // Writing to a text cannot fail.
        let _ = writeln!(
            text,
            "{},{},{standing},{verdict},{},{},{:.3},{}",
            who(&engine.id),
            field(engine.class.as_deref().unwrap_or_default()),
            number(run.and_then(|run| run.worst_percent)),
            run.map_or("", |run| run.started.as_str()),
            engine.hours,
            engine.runs.len()
        );
    }
    text
}

/// The steps of runs as a table.
#[must_use]
pub fn steps(runs: &[Summary]) -> String {
    let mut text = format!("{STEPS_HEADER}\n");
    for run in runs {
        for row in &run.steps {
            let _ = writeln!(
                text,
                "{},{},{},{},{},{},{},{},{},{}",
                who(&run.engine),
                run.id,
                run.step_mode,
                row.step,
                row.target_mm_s,
                number(row.forward_mm_s),
                number(row.forward_u_mm_s),
                number(row.reverse_mm_s),
                number(row.reverse_u_mm_s),
                word(&row.source)
            );
        }
    }
    text
}

/// The measured points of runs as a table.
#[must_use]
pub fn points(runs: &[Summary]) -> String {
    let mut text = "name,address,run,at_s,purpose,direction,setting,of,speed_mm_s,u_mm_s\n".to_owned();
    for run in runs {
        for point in &run.points {
            let _ = writeln!(
                text,
                "{},{},{},{},{},{},{},{},{}",
                who(&run.engine),
                run.id,
                point.at_s,
                word(&point.purpose),
                word(&point.direction).to_lowercase(),
                point.setting,
                point.of,
                point.speed_mm_s,
                point.u_mm_s
            );
        }
    }
    text
}

/// The CVs of runs as a table.
#[must_use]
pub fn cvs(runs: &[Summary]) -> String {
    let mut text = "name,address,run,cv,before,after\n".to_owned();
    for run in runs {
        for seen in &run.cvs {
            let _ = writeln!(
                text,
                "{},{},{},{},{}",
                who(&run.engine),
                run.id,
                seen.cv,
                count(seen.before),
                count(seen.after)
            );
        }
    }
    text
}

/// Runs from a file of either form.
///
/// # Errors
/// What is wrong, in words, with its line where it has one.
pub fn import(text: &str) -> Result<Vec<Summary>, String> {
    if text.trim_start().starts_with('{') {
        let document: Document = serde_json::from_str(text).map_err(|error| error.to_string())?;
        if document.form != FORM || document.version != VERSION {
            return Err(format!(
                "form {:?}, version {}: {FORM:?}, {VERSION} was expected",
                document.form, document.version
            ));
        }
        return Ok(document.runs);
    }
    let mut lines = text.lines().enumerate();
    let header = lines.next().map(|(_, line)| line.trim_start_matches('\u{feff}').trim_end());
    if header != Some(STEPS_HEADER) {
        return Err(format!("line 1: the columns {STEPS_HEADER} were expected"));
    }
    let mut runs: BTreeMap<String, Summary> = BTreeMap::new();
    for (at, line) in lines.filter(|(_, line)| !line.trim().is_empty()) {
        let wrong = |what: String| format!("line {}: {what}", at + 1);
        let fields = split(line).map_err(|what| wrong(what.to_owned()))?;
        let [name, address, run, mode, step, target, forward, forward_u, reverse, reverse_u, source] =
            &fields[..]
        else {
            return Err(wrong(format!("{} fields instead of 11", fields.len())));
        };
        if name.is_empty() || address.is_empty() {
            return Err(wrong("name and address may not be empty".to_owned()));
        }
        let whole = |text: &str, what: &str| {
            text.parse::<u16>()
                .map_err(|_| wrong(format!("{what}: a whole number was expected, not {text:?}")))
        };
        let real = |text: &str, what: &str| -> Result<Option<f64>, String> {
            if text.is_empty() {
                return Ok(None);
            }
            let value = text.parse::<f64>().ok().filter(|value| value.is_finite() && *value >= 0.0);
            value
                .map(Some)
                .ok_or_else(|| wrong(format!("{what}: a number of 0 or more was expected, not {text:?}")))
        };
        let (step_mode, step) = (whole(mode, "step_mode")?, whole(step, "step")?);
        if !matches!(step_mode, 14 | 28 | 126) || step == 0 || step > step_mode {
            return Err(wrong(format!("step {step} of {step_mode}: 14, 28 or 126 steps, from 1 on")));
        }
        let source = match source.as_str() {
            "measured" => StepSource::Measured,
            "predicted" => StepSource::Predicted,
            other => return Err(wrong(format!("source: measured or predicted was expected, not {other:?}"))),
        };
        let id = if run.is_empty() { format!("imported {name} {address}") } else { run.clone() };
        let summary = runs.entry(id.clone()).or_insert_with(|| elsewhere(id, name, address, step_mode));
        summary.steps.push(StepRow {
            step,
            target_mm_s: real(target, "target_mm_s")?
                .ok_or_else(|| wrong("target_mm_s is missing".to_owned()))?,
            forward_mm_s: real(forward, "forward_mm_s")?,
            forward_u_mm_s: real(forward_u, "forward_u_mm_s")?,
            forward_u95_mm_s: None,
            reverse_mm_s: real(reverse, "reverse_mm_s")?,
            reverse_u_mm_s: real(reverse_u, "reverse_u_mm_s")?,
            reverse_u95_mm_s: None,
            forward_own_u_mm_s: None,
            forward_shared_u_mm_s: None,
            reverse_own_u_mm_s: None,
            reverse_shared_u_mm_s: None,
            source,
            short: false,
        });
    }
    let mut all: Vec<Summary> = runs.into_values().collect();
    for summary in &mut all {
        summary.steps.sort_by_key(|row| row.step);
        let twice = summary.steps.windows(2).find(|pair| pair[0].step == pair[1].step);
        if let Some(pair) = twice {
            return Err(format!("{}: step {} stands there twice", summary.engine.name, pair[0].step));
        }
        summary.creep_mm_s = summary.steps.first().map_or(0.0, |row| row.target_mm_s);
        summary.top_mm_s = summary.steps.last().map_or(0.0, |row| row.target_mm_s);
    }
    Ok(all)
}

/// The fields of a line of CSV; no field goes over a line's end.
fn split(line: &str) -> Result<Vec<String>, &'static str> {
    let (mut fields, mut rest) = (Vec::new(), line.trim_end_matches('\r'));
    loop {
        if let Some(quoted) = rest.strip_prefix('"') {
            let mut text = String::new();
            let mut left = quoted;
            loop {
                let end = left.find('"').ok_or("a quote is left open")?;
                text.push_str(&left[..end]);
                left = &left[end + 1..];
                let Some(more) = left.strip_prefix('"') else { break };
                text.push('"');
                left = more;
            }
            fields.push(text);
            match left.strip_prefix(',') {
                Some(more) => rest = more,
                None if left.is_empty() => return Ok(fields),
                None => return Err("text stands behind a closing quote"),
            }
        } else if let Some((field, more)) = rest.split_once(',') {
            fields.push(field.to_owned());
            rest = more;
        } else {
            fields.push(rest.to_owned());
            return Ok(fields);
        }
    }
}

/// An engine that was calibrated somewhere else.
fn elsewhere(id: String, name: &str, address: &str, step_mode: u16) -> Summary {
    Summary {
        folder: String::new(),
        ordinal: 0,
        engine: EngineId { name: name.to_owned(), address: address.to_owned() },
        purpose: "imported".to_owned(),
        outcome: Some(End::Calibrated),
        verdict: VerdictWord::None,
        reasons: Vec::new(),
        started: String::new(),
        bench: String::new(),
        axle: format!("elsewhere {id}"),
        id,
        track_voltage_v: None,
        step_mode,
        scale_ratio: 0.0,
        creep_mm_s: 0.0,
        top_mm_s: 0.0,
        tolerance_rel: 0.0,
        tolerance_floor_mm_s: 0.0,
        bench_s: 0.0,
        driven_s: 0.0,
        hands_on_s: 0.0,
        worst_percent: None,
        maker: None,
        version: None,
        warming: [None; 2],
        slowest_mm_s: [None; 2],
        fastest_mm_s: [None; 2],
        table: None,
        trims: None,
        program_version: String::new(),
        core_revision: 0,
        time_lapse: 1.0,
        bench_crc: String::new(),
        steps: Vec::new(),
        points: Vec::new(),
        curve: Vec::new(),
        cvs: Vec::new(),
    }
}
