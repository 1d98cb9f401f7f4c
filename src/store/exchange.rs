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
use serde::{Deserialize, Serialize};
use std::fmt::Write;

mod import;

pub use import::import;

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
