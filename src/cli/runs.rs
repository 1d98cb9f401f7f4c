//! The verb `run`, and what `demo` shares with it.
use super::args::{OutputArgs, RestoreArgs, ResumeArgs, RunArgs};
use super::exit::Exit;
use super::result::{ResultJson, RunFacts};
use super::show::{Events, Show, lapse_mark};
use super::{caution, fleet, log, not_begun, out, page, table, terminal};
use crate::bench::clock::TimeLapse;
use crate::bench::news::{Audience, LAST_WORDS, ended_within};
use crate::bench::publish::Publisher;
use crate::bench::start::{Concluded, NotBegun, Prepared, Request, Resume, Wish, record_folder};
use crate::bench::watchman::{self, Report};
use crate::cause::{Reason, program, record};
use crate::config;
use crate::journal::{BENCH_FILE, RealDisk, RunFolder, Unfinished};
use crate::run::{Purpose, RunOutcome, StopGrade};
use crate::store::EngineId;
use crate::watch::{Page, Subject};
use crate::words;
use std::io;
use std::path::{Path, PathBuf};
use std::thread;
use std::time::Duration;
use tokio::runtime::{Builder, Runtime};

/// Wall time that work left behind in the system is given once the result is out.
const AFTERWARDS: Duration = Duration::from_secs(2);

/// The verbs that drive an engine: `run`, `sweep`, `check`, `run-in`, and the hidden `roll`.
pub(crate) fn drive(args: RunArgs, purpose: Purpose) -> Exit {
    out::say(caution::BEFORE_A_RUN);
    let unattended = args.unattended;
    let request = TimeLapse::new(args.time_lapse)
        .map_err(|error| NotBegun::Other(Reason::new(&program::TIME_LAPSE_REFUSED, error.to_string())))
        .and_then(|lapse| {
            let bench_text = read_bench(&args.bench)?;
            let watchman = Some(own_program().map_err(NotBegun::Other)?);
            let state_folder = state_folder();
            let (bench_file, wish, signals) = (args.bench, Wish::Drive(purpose), true);
            let sensor_used = Duration::ZERO;
            Ok(Request {
                bench_file,
                bench_text,
                wish,
                lapse,
                state_folder,
                unattended,
                sensor_used,
                signals,
                watchman,
            })
        });
    match (request, runtime().map_err(NotBegun::Other)) {
        (Ok(request), Ok(runtime)) => carry_out(runtime, run_bench(request, &args.output)),
        (Err(why), _) | (_, Err(why)) => refuse(&why, &args.output, TimeLapse::NONE),
    }
}

/// The verb `retarget`: a run whose curves are those of an earlier one.
pub(crate) fn retarget(args: RunArgs) -> Exit {
    let purpose = read_bench(&args.bench).and_then(|text| {
        let spec = config::read(&args.bench.display().to_string(), &text).map_err(NotBegun::BenchFile)?;
        let records = record_folder(&args.bench, &spec.record_folder);
        let engine = EngineId::of(&spec.engine.name, spec.engine.address);
        fleet::known_curve(&records, &engine).map_err(NotBegun::Other)
    });
    match purpose {
        Ok(curve) => drive(args, Purpose::Retarget(Box::new(curve))),
        Err(why) => refuse(&why, &args.output, TimeLapse::NONE),
    }
}

/// The verb `restore`: compares, or puts back.
pub(crate) fn restore(args: &RestoreArgs) -> Exit {
    out::say(caution::BEFORE_A_RUN);
    let request = TimeLapse::new(args.time_lapse)
        .map_err(|error| NotBegun::Other(Reason::new(&program::TIME_LAPSE_REFUSED, error.to_string())))
        .and_then(|lapse| {
            is_folder(&args.folder).map_err(NotBegun::Other)?;
            RunFolder::open(&RealDisk, &args.folder).map_err(|error| NotBegun::Other(error.reason()))?;
            let bench_file = args.bench.clone().unwrap_or_else(|| args.folder.join(BENCH_FILE));
            let bench_text = read_bench(&bench_file)?;
            let watchman = Some(own_program().map_err(NotBegun::Other)?);
            let (state_folder, signals) = (state_folder(), true);
            let (run, elsewhere) = (args.folder.clone(), args.bench.is_some());
            let wish = Wish::PutBack { run, elsewhere, write: args.yes };
            let unattended = false;
            let sensor_used = Duration::ZERO;
            Ok(Request {
                bench_file,
                bench_text,
                wish,
                lapse,
                state_folder,
                unattended,
                sensor_used,
                signals,
                watchman,
            })
        });
    match (request, runtime().map_err(NotBegun::Other)) {
        (Ok(request), Ok(runtime)) => carry_out(runtime, run_bench(request, &args.output)),
        (Err(why), _) | (_, Err(why)) => refuse(&why, &args.output, TimeLapse::NONE),
    }
}

/// The verb `resume`: goes on with a run whose program died.
pub(crate) fn resume(args: ResumeArgs) -> Exit {
    out::say(caution::BEFORE_A_RUN);
    let output = args.output;
    let prepared = is_folder(&args.folder).map_err(NotBegun::Other).and_then(|()| {
        let events = events(&output)?;
        let watchman = Some(own_program().map_err(NotBegun::Other)?);
        let (state_folder, unattended, signals) = (state_folder(), args.unattended, true);
        // Its neighbours are looked at too, which "." does not name.
        let folder = args.folder.canonicalize().unwrap_or(args.folder);
        let resume = Resume { folder, state_folder, unattended, signals, watchman };
        let page = page::open(&output.page)?;
        Ok((begun(Prepared::go_on(&resume)?, events, page.as_ref()), page))
    });
    match (prepared, runtime().map_err(NotBegun::Other)) {
        (Ok((begun, page)), Ok(runtime)) => carry_out(runtime, async {
            let lapse = begun.prepared.lapse();
            let exit = match Box::pin(to_the_end(begun, &output)).await {
                Ok((outcome, _)) => Exit::of(&outcome),
                Err(not_begun) => refuse(&not_begun, &output, lapse),
            };
            close(page).await;
            exit
        }),
        (Err(why), _) | (_, Err(why)) => refuse(&why, &output, TimeLapse::NONE),
    }
}

/// Carries this out on the runtime and ends it. What hangs in the system behind it, as a port whose opening never
/// comes back, is waited for a little and no longer: it would keep the process from its end.
pub(crate) fn carry_out<T>(runtime: Runtime, work: impl Future<Output = T>) -> T {
    let done = runtime.block_on(work);
    runtime.shutdown_timeout(AFTERWARDS);
    done
}

/// Refuses the name of a file where a run's folder is meant.
pub(crate) fn is_folder(folder: &Path) -> Result<(), Reason> {
    if !folder.is_file() {
        return Ok(());
    }
    let meant = folder.parent().filter(|parent| !parent.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let words = format!("{} is a file: name the run's folder, {}", folder.display(), meant.display());
    Err(Reason::new(&record::JOURNAL_MISSING, words))
}

/// The text of a bench file, or why it cannot be read.
pub(crate) fn read_bench(path: &Path) -> Result<String, NotBegun> {
    let name = path.display().to_string();
    let bytes = std::fs::read(path).map_err(|error| {
        NotBegun::Other(Reason::new(&program::BENCH_FILE_UNREADABLE, format!("{name}: {error}")))
    })?;
    config::text(&name, bytes).map_err(NotBegun::BenchFile)
}

/// A runtime for links and timers.
pub(crate) fn runtime() -> Result<Runtime, Reason> {
    Builder::new_multi_thread()
        .worker_threads(2)
        .enable_all()
        .build()
        .map_err(|error| Reason::new(&program::SYSTEM_REFUSED, error.to_string()))
}

/// The program that keeps watch over a run: this one, as it lies on the disk.
pub(crate) fn own_program() -> Result<PathBuf, Reason> {
    std::env::current_exe().map_err(|error| Reason::new(&program::SYSTEM_REFUSED, error.to_string()))
}

/// The hidden verb that keeps watch over the run whose pipe is its input.
pub(crate) fn watch() -> Exit {
    let report = match runtime() {
        Ok(runtime) => carry_out(runtime, watchman::watch(tokio::io::stdin())),
        Err(_) => return Exit::WrongUse,
    };
    let Some(report) = report else { return Exit::Good };
    out::say(&format!("\n{}\n{}", words::reason(&report.reason), words::stop(report.stop)));
    if report.stop == StopGrade::Unconfirmed { Exit::StopUnconfirmed } else { Exit::Good }
}

/// Where locks live: the user's state folder by the XDG Base Directory Specification.
pub(crate) fn state_folder() -> PathBuf {
    let set = |name| std::env::var_os(name).filter(|value| !value.is_empty()).map(PathBuf::from);
    set("XDG_STATE_HOME")
        .filter(|path| path.is_absolute())
        .or_else(|| set("HOME").map(|home| home.join(".local/state")))
        .unwrap_or_else(std::env::temp_dir)
        .join("pacewright")
}

/// A run from its request to its exit.
pub(crate) async fn run_bench(request: Request, output: &OutputArgs) -> Exit {
    let lapse = request.lapse;
    let page = match page::open(&output.page) {
        Ok(page) => page,
        Err(not_begun) => return refuse(&not_begun, output, lapse),
    };
    let exit = match one(request, output, page.as_ref()).await {
        Ok((outcome, _)) => Exit::of(&outcome),
        Err(not_begun) => refuse(&not_begun, output, lapse),
    };
    close(page).await;
    exit
}

/// Takes leave of those who watch.
pub(crate) async fn close(page: Option<Page>) {
    if let Some(page) = page {
        page.close().await;
    }
}

/// A run from its request to its end: how it ended, and where its record lies.
pub(crate) async fn one(
    request: Request,
    output: &OutputArgs,
    page: Option<&Page>,
) -> Result<(RunOutcome, PathBuf), NotBegun> {
    let events = events(output)?;
    // Boxed: it is large, and lives as long as the run.
    Box::pin(to_the_end(begun(Prepared::new(&request)?, events, page), output)).await
}

async fn to_the_end(begun: Begun, output: &OutputArgs) -> Result<(RunOutcome, PathBuf), NotBegun> {
    let Begun { prepared, show, publisher, last_events } = begun;
    let lapse = prepared.lapse();
    let (scale_ratio, run_id) = (prepared.spec().engine.scale_ratio, prepared.run_id().to_owned());
    let concluded = Box::pin(prepared.carry_out(show)).await?;
    let ended = (concluded.outcome.clone(), concluded.folder.clone());
    conclude(concluded, output, Ending { lapse, scale_ratio, run_id, last_events, publisher }).await;
    Ok(ended)
}

/// A run about to be carried out.
struct Begun {
    prepared: Prepared,
    show: Box<dyn Audience>,
    publisher: Option<Publisher>,
    last_events: Option<Events>,
}

/// The events file, opened before anything else is.
fn events(output: &OutputArgs) -> Result<Option<(Events, Events)>, NotBegun> {
    output.events.as_deref().map(open_events).transpose()
}

fn begun(prepared: Prepared, events: Option<(Events, Events)>, page: Option<&Page>) -> Begun {
    let lapse = prepared.lapse();
    let (mut events, last_events) = match events {
        Some((first, last)) => (Some(first), Some(last)),
        None => (None, None),
    };
    let folder = prepared.folder().display().to_string();
    if let Some(events) = &mut events {
        events.run(prepared.run_id(), &folder, lapse.factor());
    }
    let doing = words::doing(prepared.purpose());
    out::say(&format!(
        "\n{doing} {} on {:?}{}\nRecord: {folder}\nCtrl-C stops the run; Ctrl-Z pauses it.",
        prepared.spec().engine.name,
        prepared.spec().name,
        lapse_mark(lapse)
    ));
    if let Some(lifts) = prepared.spec().sweep.placings.checked_sub(1).filter(|lifts| *lifts > 0) {
        let times = if lifts == 1 { "once".to_owned() } else { format!("{lifts} times") };
        out::say(&format!(
            "Once the curve is measured it will ask {times} that the engine be lifted off and put back. If nobody\n\
             answers for 10 minutes, the run goes on without, and says so in its result."
        ));
    }
    let left = prepared.unfinished().map_or_else(Vec::new, Unfinished::reasons);
    let stopped =
        prepared.unfinished().and_then(|left| Report::of_run(&left.folder)).map(|report| report.reason());
    for reason in stopped.iter().chain(&left).chain(prepared.passed_over()) {
        out::say(&format!("\n{}", words::reason(reason)));
    }
    log::open(prepared.folder().parent().unwrap_or(Path::new("")), prepared.spec().log_days);
    log::run_begins(prepared.run_id(), &prepared.spec().engine.name, &prepared.spec().name, &folder, doing);
    let show = Show {
        lapse,
        run_id: prepared.run_id().to_owned(),
        scale_ratio: prepared.spec().engine.scale_ratio,
        terminal: out::on_terminal(),
        how_to_answer: terminal::listen(prepared.way_in(), prepared.folder()),
        events,
        drawn: None,
    };
    let show: Box<dyn Audience> = Box::new(show);
    let show = match page {
        None => show,
        Some(page) => page.show(&subject(&prepared), show),
    };
    let publisher = publisher(&prepared);
    let show = match &publisher {
        None => show,
        Some(publisher) => publisher.hear(prepared.way_in().status(), show),
    };
    Begun { prepared, show, publisher, last_events }
}

/// Publishes the run where the bench file says so. What keeps it from that is said, and keeps nothing else.
fn publisher(prepared: &Prepared) -> Option<Publisher> {
    match Publisher::open(&prepared.spec().publish, prepared.run_id()) {
        Ok(publisher) => publisher,
        Err(error) => {
            let reason = Reason::new(&program::NOT_PUBLISHED, error.to_string());
            out::say(&format!("\n{}", words::reason(&reason)));
            None
        }
    }
}

/// A run as the page shows it.
fn subject(prepared: &Prepared) -> Subject<'_> {
    Subject {
        run_id: prepared.run_id(),
        spec: prepared.spec(),
        purpose: prepared.purpose(),
        time_lapse: prepared.lapse().factor(),
        records: prepared.folder().parent().unwrap_or(Path::new("")).to_owned(),
        way_in: prepared.way_in(),
    }
}

fn open_events(path: &Path) -> Result<(Events, Events), NotBegun> {
    let open = || -> io::Result<_> {
        let first = Events::create(path)?;
        let last = first.again()?;
        Ok((first, last))
    };
    open().map_err(|error| {
        NotBegun::Other(Reason::new(
            &program::SYSTEM_REFUSED,
            format!("events file {}: {error}", path.display()),
        ))
    })
}

/// What is needed to tell the end.
struct Ending {
    lapse: TimeLapse,
    scale_ratio: f64,
    run_id: String,
    last_events: Option<Events>,
    publisher: Option<Publisher>,
}

async fn conclude(concluded: Concluded, output: &OutputArgs, mut ending: Ending) {
    let facts = RunFacts {
        run_id: ending.run_id.clone(),
        run_folder: concluded.folder.display().to_string(),
        wall_seconds: concluded.wall_seconds,
        time_lapse: ending.lapse.factor(),
    };
    let mut result = ResultJson::of_run(&concluded.outcome, &facts);
    result.reasons.extend(concluded.beside.iter().cloned());
    log::run_ended(&ending.run_id, &concluded.outcome);
    let alert = concluded.alert(&result.line());
    if let Err(reason) = concluded.seal(result.line()).await {
        log::trouble(&reason);
        result.reasons.push(reason);
    }
    let publisher = ending.publisher.take();
    last_words(result.clone(), ending).await;
    if let Some(publisher) = publisher {
        publisher.close(result.line()).await;
    }
    if output.json {
        out::result(&result.line());
    }
    if let Some(reason) = fleet::take_in(Path::new(&facts.run_folder)) {
        log::trouble(&reason);
        out::say(&format!("\n{}", words::reason(&reason)));
    }
    // The end is told before somebody's command takes its time.
    if let Err(reason) = alert.sound().await {
        log::trouble(&reason);
        out::say(&format!("\n{}", words::reason(&reason)));
    }
}

/// Tells the end to the events file and the person. On a thread of its own: neither may hold up the exit. Where the
/// system gives none, the record and the exit code still say it all.
async fn last_words(result: ResultJson, ending: Ending) {
    let telling = thread::Builder::new().name("last words".to_owned()).spawn(move || {
        out::say(&table::end_of_run(&result, ending.scale_ratio, ending.lapse));
        if let Some(mut events) = ending.last_events {
            events.result(&result);
        }
    });
    if let Ok(thread) = telling {
        ended_within(thread, LAST_WORDS).await;
    }
}

/// Says why nothing was begun.
pub(crate) fn refuse(why: &NotBegun, output: &OutputArgs, lapse: TimeLapse) -> Exit {
    say_not_begun(why);
    if output.json {
        not_begun(why.reasons(), lapse);
    }
    Exit::WrongUse
}

/// The same for people alone.
pub(crate) fn say_not_begun(why: &NotBegun) {
    match why {
        NotBegun::BenchFile(complaints) => {
            out::say(complaints.render(columns(), false).trim_end());
            out::say(&complaints.to_string());
        }
        NotBegun::Other(reason) => out::say(&format!("\n{}", words::reason(reason))),
    }
}

/// Width for drawings: what the shell says, else what fits everywhere.
fn columns() -> usize {
    std::env::var("COLUMNS")
        .ok()
        .and_then(|text| text.parse().ok())
        .filter(|n| (40..=400).contains(n))
        .unwrap_or(100)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::mpsc;

    /// That it ends at all is what is shown: the call behind it never comes back while this test lives.
    #[test]
    fn work_that_hangs_in_the_system_does_not_keep_the_process() {
        let (keep, hangs) = mpsc::channel::<()>();
        let done = carry_out(runtime().unwrap(), async {
            tokio::task::spawn_blocking(move || hangs.recv());
            7
        });
        assert_eq!(done, 7);
        drop(keep);
    }
}
