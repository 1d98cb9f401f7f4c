//! The program's log: JSON lines in a file a day beside the runs, for whoever looks after a bench from afar. It holds what a run says
//! of itself, never a line a sample; the record of a run stays the whole truth.
//!
//! It is written on the thread that tells people, or at the begin and end of a run: never by the loop that moves an engine.
use super::out;
use crate::bench::news::News;
use crate::cause::{Reason, program};
use crate::run::{RecordBody, RunOutcome};
use crate::words;
use std::io::{self, Write};
use std::path::Path;
use std::sync::{Mutex, OnceLock, PoisonError};
use tracing::{error, info, warn};
use tracing_appender::rolling::{RollingFileAppender, Rotation};
use tracing_subscriber::fmt::MakeWriter;
use tracing_subscriber::layer::SubscriberExt;
use tracing_subscriber::util::SubscriberInitExt;
use tracing_subscriber::{EnvFilter, Layer, filter};

/// Folder of the logs in the record folder.
pub(crate) const FOLDER: &str = "log";

/// The file of the day, once a bench file said where.
static FILE: OnceLock<Mutex<RollingFileAppender>> = OnceLock::new();

/// Events of this target go to the log.
const TARGET: &str = "pacewright::log";

/// Writes to the file of the day; nowhere before there is one.
#[derive(Clone, Copy, Debug)]
struct ToFile;

impl Write for ToFile {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        match FILE.get() {
            Some(file) => file.lock().unwrap_or_else(PoisonError::into_inner).write(bytes),
            None => Ok(bytes.len()),
        }
    }

    fn flush(&mut self) -> io::Result<()> {
        FILE.get().map_or(Ok(()), |file| file.lock().unwrap_or_else(PoisonError::into_inner).flush())
    }
}

impl MakeWriter<'_> for ToFile {
    type Writer = Self;
    fn make_writer(&self) -> Self {
        *self
    }
}

/// What `RUST_LOG` asks for goes to stderr as before, the log's own events to the file.
pub(crate) fn begin() {
    let own = filter::Targets::new().with_target(TARGET, tracing::Level::INFO);
    let file =
        tracing_subscriber::fmt::layer().json().flatten_event(true).with_target(false).with_writer(ToFile);
    let person = tracing_subscriber::fmt::layer().with_writer(io::stderr).with_ansi(false);
    tracing_subscriber::registry()
        .with(file.with_filter(own))
        .with(person.with_filter(EnvFilter::from_default_env()))
        .init();
}

/// From now on there is a log in this record folder, and of so many days; none for 0. The first bench file of a night says where.
pub(crate) fn open(records: &Path, days: u16) {
    if days == 0 || FILE.get().is_some() {
        return;
    }
    // It complains of a folder that is not there before it makes it. Should that fail here, it says so itself.
    let _ = std::fs::create_dir_all(records.join(FOLDER));
    let made = RollingFileAppender::builder()
        .rotation(Rotation::DAILY)
        .filename_prefix("pacewright")
        .filename_suffix("jsonl")
        .max_log_files(usize::from(days))
        .build(records.join(FOLDER));
    match made {
        // Another thread was first: its file will do.
        Ok(file) => drop(FILE.set(Mutex::new(file))),
        Err(error) => {
            let evidence = format!("{}: {error}", records.join(FOLDER).display());
            out::say(&format!("\n{}", words::reason(&Reason::new(&program::LOG_NOT_WRITTEN, evidence))));
        }
    }
}

/// A run begins.
pub(crate) fn run_begins(run_id: &str, engine: &str, bench: &str, folder: &str, doing: &str) {
    info!(target: TARGET, run_id, engine, bench, folder, doing, "run begins");
}

/// What a run says of itself.
pub(crate) fn news(run_id: &str, news: &News) {
    let News::Record(record) = news else {
        if let News::Missed(count) = news {
            warn!(target: TARGET, run_id, count, "news were dropped");
        }
        return;
    };
    let bench_s = record.at.as_secs_f64();
    match &record.body {
        RecordBody::Phase(phase) => {
            info!(target: TARGET, run_id, bench_s, phase = words::phase(*phase), "phase");
        }
        RecordBody::Noted(Reason { code, evidence, .. }) => {
            info!(target: TARGET, run_id, bench_s, code, evidence, "noted");
        }
        RecordBody::Ending(Reason { code, evidence, .. }) => {
            warn!(target: TARGET, run_id, bench_s, code, evidence, "ending");
        }
        RecordBody::Asked { what, .. } => {
            info!(target: TARGET, run_id, bench_s, question = what.words(), "asked");
        }
        RecordBody::Journal(trouble) => {
            warn!(target: TARGET, run_id, bench_s, trouble = ?trouble, "the journal has trouble");
        }
        _ => {}
    }
}

/// A run has ended.
pub(crate) fn run_ended(run_id: &str, outcome: &RunOutcome) {
    let codes: Vec<&str> = outcome.reasons.iter().map(|reason| reason.code.as_str()).collect();
    let (end, verdict, stop) =
        (words::end(outcome.outcome), words::verdict(outcome.verdict), words::stop(outcome.stop));
    info!(
        target: TARGET, run_id, outcome = end, verdict, stop, reasons = codes.join(" "),
        bench_s = outcome.bench_seconds, "run ended"
    );
}

/// Something was not begun, or went wrong beside a run.
pub(crate) fn trouble(reason: &Reason) {
    error!(target: TARGET, code = reason.code, evidence = reason.evidence, "trouble");
}
