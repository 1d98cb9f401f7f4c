//! Taking in what others exported.
use super::{Document, FORM, STEPS_HEADER, VERSION};
use crate::run::{End, StepRow, StepSource, VerdictWord};
use crate::store::summary::{EngineId, Summary};
use std::collections::BTreeMap;

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
        let (engine, run, step_mode, row) = row(line).map_err(|what| format!("line {}: {what}", at + 1))?;
        let id = if run.is_empty() { format!("imported {} {}", engine.name, engine.address) } else { run };
        let summary = runs.entry(id.clone()).or_insert_with(|| elsewhere(id, engine, step_mode));
        summary.steps.push(row);
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

/// A line of steps: engine, run, step mode and row.
fn row(line: &str) -> Result<(EngineId, String, u16, StepRow), String> {
    let fields = split(line)?;
    let [name, address, run, mode, step, target, forward, forward_u, reverse, reverse_u, source] =
        &fields[..]
    else {
        return Err(format!("{} fields instead of 11", fields.len()));
    };
    if name.is_empty() || address.is_empty() {
        return Err("name and address may not be empty".to_owned());
    }
    let (step_mode, step) = (whole(mode, "step_mode")?, whole(step, "step")?);
    if !matches!(step_mode, 14 | 28 | 126) || step == 0 || step > step_mode {
        return Err(format!("step {step} of {step_mode}: 14, 28 or 126 steps, from 1 on"));
    }
    let source = match source.as_str() {
        "measured" => StepSource::Measured,
        "predicted" => StepSource::Predicted,
        other => return Err(format!("source: measured or predicted was expected, not {other:?}")),
    };
    let row = StepRow {
        step,
        target_mm_s: real(target, "target_mm_s")?.ok_or("target_mm_s is missing")?,
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
    };
    Ok((EngineId { name: name.clone(), address: address.clone() }, run.clone(), step_mode, row))
}

fn whole(text: &str, what: &str) -> Result<u16, String> {
    text.parse().map_err(|_| format!("{what}: a whole number was expected, not {text:?}"))
}

/// A number of 0 or more; none where nothing stands there.
fn real(text: &str, what: &str) -> Result<Option<f64>, String> {
    if text.is_empty() {
        return Ok(None);
    }
    let value = text.parse::<f64>().ok().filter(|value| value.is_finite() && *value >= 0.0);
    value.map(Some).ok_or_else(|| format!("{what}: a number of 0 or more was expected, not {text:?}"))
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
fn elsewhere(id: String, engine: EngineId, step_mode: u16) -> Summary {
    Summary {
        folder: String::new(),
        ordinal: 0,
        engine,
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
