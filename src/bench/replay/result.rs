//! The result on file beside the outcome in the journal: what a program reads must be what the run came to.
use crate::journal::{BALLAST, Disk, DiskErrorKind, RESULT, ReadError, RunFolder};
use crate::run::{RecordBody, RunOutcome};
use serde_json::Value;

/// How the result differs from the outcome in the journal; none where it does not, or where the run did not come to one.
///
/// # Errors
/// [`ReadError`] where there is a result and the disk refuses it.
pub(super) fn difference(disk: &dyn Disk, run: &RunFolder) -> Result<Option<String>, ReadError> {
    let outcome = run.records.iter().rev().find_map(|record| match &record.body {
        RecordBody::Outcome(outcome) => Some(outcome),
        _ => None,
    });
    let Some(outcome) = outcome else { return Ok(None) };
    if run.finished {
        let bytes = disk.read(&run.path.join(RESULT)).map_err(ReadError::Disk)?;
        return Ok(compare(outcome, &run.opening.run.run_id, &bytes));
    }
    // The ballast goes when the result is written (or when the disk is full, which the journal says).
    let ballast = disk.len(&run.path.join(BALLAST));
    let gone = ballast.is_err_and(|error| error.kind == DiskErrorKind::Missing);
    let was_written = gone && run.raw_ended.is_none();
    Ok(was_written.then(|| format!("the run ended in order, and its {RESULT} is not here")))
}

fn compare(outcome: &RunOutcome, run_id: &str, result: &[u8]) -> Option<String> {
    let result: Value = match serde_json::from_slice(result) {
        Ok(result) => result,
        Err(error) => return Some(format!("{RESULT} is no JSON: {error}")),
    };
    if result.get("run_id").is_some_and(|id| id != run_id) {
        return Some(format!("{RESULT}: run_id is {}, the journal's {run_id}", result["run_id"]));
    }
    // A struct of numbers, words and lists: it always has a JSON form.
    let outcome = serde_json::to_value(outcome).unwrap_or_default();
    outcome.as_object()?.iter().find_map(|(key, due)| {
        let found = result.get(key);
        let same = found.is_some_and(|found| match (key.as_str(), due, found) {
            // Behind the run's own reasons stands what the disk did after its end.
            ("reasons", Value::Array(due), Value::Array(found)) => found.starts_with(due),
            _ => found == due,
        });
        let words = || found.map_or_else(|| "missing".to_owned(), Value::to_string);
        (!same).then(|| format!("{RESULT}: {key} is {}, in the journal {due}", words()))
    })
}
