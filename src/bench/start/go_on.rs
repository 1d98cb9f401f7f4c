//! Going on with a run whose program died: the checks before it, and what a dead program left in the folder.
use super::{GoesOn, NotBegun, Prepared, brief, check_lapse, endpoint_key, enough_room};
use crate::bench::clock::time_of_day;
use crate::bench::control::SOCKET_NAME;
use crate::bench::person::Person;
use crate::bench::proof::may_be_alone;
use crate::bench::resume::{self, TakenUp};
use crate::bench::status::Status;
use crate::bench::watchman::REPORT_NAME;
use crate::cause::{Reason, record};
use crate::config;
use crate::journal::{EndpointLock, Header, JOURNAL, RealDisk, RunFolder};
use std::path::{Path, PathBuf};
use std::time::Duration;

/// What the caller knows before a run is gone on with.
#[derive(Clone, Debug)]
pub struct Resume {
    /// The run's folder.
    pub folder: PathBuf,
    /// Folder of the locks.
    pub state_folder: PathBuf,
    /// Nobody stays with it.
    pub unattended: bool,
    /// Listen to the signals of the process.
    pub signals: bool,
    /// The program that keeps watch.
    pub watchman: Option<PathBuf>,
}

impl Prepared {
    /// Goes on with the run in this folder, whose program died.
    ///
    /// # Errors
    /// [`NotBegun`]: why it cannot be gone on with.
    pub fn go_on(request: &Resume) -> Result<Self, NotBegun> {
        let run =
            RunFolder::open(&RealDisk, &request.folder).map_err(|error| NotBegun::Other(error.reason()))?;
        let Header { bench_file_name, bench_text, .. } = run.opening.run;
        let spec = config::read(&bench_file_name, &bench_text).map_err(NotBegun::BenchFile)?;
        let now = std::fs::read_to_string(&bench_file_name);
        if now.is_ok_and(|now| now != bench_text) {
            return Err(NotBegun::Other(Reason::new(&record::BENCH_CHANGED, bench_file_name)));
        }
        let lock = EndpointLock::take(&request.state_folder, &endpoint_key(&spec))
            .map_err(|error| NotBegun::Other(Reason::new(error.cause(), error.to_string())))?;
        let records = request.folder.parent().unwrap_or(Path::new("")).to_owned();
        if request.unattended {
            may_be_alone(&records, &spec)?;
        }
        enough_room(&records, spec.least_free_bytes)?;
        let died = silent_for(&request.folder);
        let TakenUp { desk, plan, run, records: so_far, at, lapse, mut recorder } =
            resume::take_up(Box::new(RealDisk), &request.folder).map_err(NotBegun::Other)?;
        check_lapse(lapse, &spec).map_err(NotBegun::Other)?;
        recorder.watch_room(spec.least_free_bytes);
        put_aside(&request.folder);
        let run_id = run.opening.run.run_id;
        let watchman = request
            .watchman
            .clone()
            .map(|program| (program, brief(bench_file_name, bench_text, request.folder.clone(), &spec)));
        Ok(Self {
            watchman,
            plan,
            person: Person::new(Status::before(&run_id, &spec.engine.name, lapse.factor())),
            signals: request.signals,
            goes_on: Some(GoesOn {
                desk: Box::new(desk),
                at,
                away: Some(lapse.bench_span(died)),
                records: so_far,
            }),
            spec,
            lapse,
            run_id,
            recorder,
            unfinished: None,
            passed_over: Vec::new(),
            lock,
            attended: (!request.unattended).then_some(records),
        })
    }
}

/// Wall time since the run in this folder last wrote a line; none where clocks do not tell.
fn silent_for(folder: &Path) -> Duration {
    let written = std::fs::metadata(folder.join(JOURNAL)).and_then(|about| about.modified());
    written.ok().and_then(|written| time_of_day().duration_since(written).ok()).unwrap_or_default()
}

/// What a dead program left in its folder and a living one needs room for. What is not there needs no room.
fn put_aside(folder: &Path) {
    let _ = std::fs::remove_file(folder.join(SOCKET_NAME));
    let report = folder.join(REPORT_NAME);
    let aside = (1..=u32::MAX).map(|n| folder.join(format!("watchman-{n}.json"))).find(|name| !name.exists());
    if let Some(aside) = aside {
        let _ = std::fs::rename(report, aside);
    }
}
