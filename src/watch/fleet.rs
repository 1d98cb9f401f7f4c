//! The fleet behind the page: its runs with their reports. What is asked for is looked up in the records; no address
//! becomes the name of a file.
use super::visit::{may, report as whole_report};
use super::{Shared, locked, page};
use crate::journal::{RealDisk, RunFolder};
use crate::report;
use crate::store::{Fleet, Store, Summary, standards};
use axum::extract::{Path as Parts, State};
use axum::http::StatusCode;
use axum::response::{Html, IntoResponse, Response};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use tokio::sync::Semaphore;

type Told = State<Arc<Shared>>;

/// Reports are drawn one at a time: readers wait for each other, not the run for them.
static DRAWING: Semaphore = Semaphore::const_new(1);

/// Does this with the store on a thread that may wait for the disk.
async fn with_store<T: Send + 'static>(
    shared: &Shared,
    work: impl FnOnce(&Store) -> Result<T, String> + Send + 'static,
) -> Result<T, Response> {
    let records: Option<PathBuf> = locked(&shared.records).clone();
    let no = |status, why: String| (status, format!("{why}\n")).into_response();
    let Some(records) = records else {
        return Err(no(StatusCode::SERVICE_UNAVAILABLE, "no run has begun".to_owned()));
    };
    // It is never closed. Kept by the work itself: a reader that goes away makes no room for more of it.
    let drawing = DRAWING.acquire().await;
    let done = tokio::task::spawn_blocking(move || {
        let _drawing = drawing;
        let store = Store::open(&records).map_err(|error| error.to_string())?;
        work(&store)
    });
    match done.await {
        Ok(Ok(done)) => Ok(done),
        Ok(Err(why)) => Err(no(StatusCode::NOT_FOUND, why)),
        Err(_) => Err(no(StatusCode::INTERNAL_SERVER_ERROR, "this could not be drawn".to_owned())),
    }
}

/// The runs of the record folder, each with its report.
pub(super) async fn list(State(shared): Told, Parts(token): Parts<String>) -> Response {
    if let Err(answer) = may(&shared, &token) {
        return answer;
    }
    let runs = with_store(&shared, |store| store.runs().map_err(|error| error.to_string())).await;
    runs.map_or_else(|answer| answer, |runs: Vec<Summary>| Html(page::runs(&runs)).into_response())
}

/// The report of the whole fleet.
pub(super) async fn report(State(shared): Told, Parts(token): Parts<String>) -> Response {
    if let Err(answer) = may(&shared, &token) {
        return answer;
    }
    let drawn = with_store(&shared, |store| {
        let fleet = Fleet::of(store).map_err(|error| error.to_string())?;
        // A standard that cannot be read is said by `fleet standards`; the page shows the others' table without it.
        let standards = standards::all(Path::new(standards::FOLDER)).unwrap_or_default();
        Ok(report::fleet(&fleet, &standards))
    });
    drawn.await.map_or_else(|answer| answer, whole_report)
}

/// The report of one run.
pub(super) async fn run(State(shared): Told, Parts((token, id)): Parts<(String, String)>) -> Response {
    if let Err(answer) = may(&shared, &token) {
        return answer;
    }
    let drawn = with_store(&shared, move |store| {
        let summary = store.run(&id).map_err(|error| error.to_string())?;
        let summary = summary.ok_or_else(|| "There is nothing at this address.".to_owned())?;
        let folder = RunFolder::open(&RealDisk, &store.folder().join(&summary.folder));
        Ok(report::run(&folder.map_err(|error| error.to_string())?, false))
    });
    drawn.await.map_or_else(|answer| answer, whole_report)
}
