//! The verb `fleet`: the fleet's records, and what is reckoned from them.
pub(crate) mod args;
mod matching;
mod show;
mod standards;
mod telling;

use super::exit::Exit;
use super::{out, runs};
use crate::bench::start::NotBegun;
use crate::cause::{Cause, Reason, program, record};
use crate::fleet::evening;
use crate::journal::{self, Disk, JOURNAL, RealDisk, RunFolder};
use crate::run::KnownCurve;
use crate::store::{DATABASE, Engine, EngineId, Fleet, Store, StoreError, Summary, exchange};
use args::{EveningArgs, Exported, FleetArgs, FleetVerb};
use serde::Serialize;
use std::fs::OpenOptions;
use std::io::Write;
use std::path::Path;

/// Carries out what was asked of the fleet.
pub(crate) fn fleet(args: &FleetArgs) -> Exit {
    match answer(args) {
        Ok(text) if out::result(text.trim_end()) => Exit::Good,
        Ok(_) => Exit::WrongUse,
        Err(reason) => {
            runs::say_not_begun(&NotBegun::Other(reason));
            Exit::WrongUse
        }
    }
}

/// Takes a run in that has just ended. The run is safe without it: what fails is told, and a rebuild mends it.
pub(crate) fn take_in(run_folder: &Path) -> Option<Reason> {
    let records = run_folder.parent().unwrap_or(Path::new(""));
    let fresh = !records.join(DATABASE).exists();
    let taken = Store::open(records).and_then(|mut store| {
        if fresh { store.rebuild().map(|_| ()) } else { store.take_in(run_folder).map(|_| ()) }
    });
    taken.err().map(|error| error.reason())
}

/// The curves of this engine in this record folder that count.
pub(crate) fn known_curve(records: &Path, engine: &EngineId) -> Result<KnownCurve, Reason> {
    let none = || Reason::new(&record::NO_CURVE, format!("{}, {}", engine.name, engine.address));
    let store = opened(records, false)?;
    let fleet = Fleet::of(&store).map_err(|error| error.reason())?;
    let known = fleet.engines.iter().find(|known| known.named(engine)).ok_or_else(none)?;
    let run = known.curve().ok_or_else(none)?;
    let folder = records.join(&run.folder);
    let run = RunFolder::open(&RealDisk, &folder).map_err(|error| error.reason())?;
    journal::known_curve(&run).ok_or_else(none)
}

/// The store of a folder; where there is no database yet it is made from the runs. A folder in which nothing of ours lies is left
/// as it is, unless something is to be brought into it.
fn opened(records: &Path, may_be_empty: bool) -> Result<Store, Reason> {
    let fresh = !records.join(DATABASE).exists();
    let open = || -> Result<Store, StoreError> {
        let mut store = Store::open(records)?;
        if fresh {
            store.rebuild()?;
        } else {
            store.take_in_told()?;
        }
        Ok(store)
    };
    if !records.is_dir() {
        return Err(Reason::new(&record::FLEET_UNUSABLE, format!("{}: no such folder", records.display())));
    }
    let runs = || RealDisk.folders(records).is_ok_and(|all| all.iter().any(|run| run.join(JOURNAL).exists()));
    if fresh && !may_be_empty && !runs() {
        return Err(Reason::new(
            &record::FLEET_UNUSABLE,
            format!("{}: no run lies in it", records.display()),
        ));
    }
    open().map_err(|error| error.reason())
}

fn answer(args: &FleetArgs) -> Result<String, Reason> {
    let mut store = opened(&args.records, matches!(args.what, FleetVerb::Import { .. }))?;
    let fleet = Fleet::of(&store).map_err(|error| error.reason())?;
    match &args.what {
        FleetVerb::List { class, open } => {
            let of_class = |engine: &&Engine| class.is_none() || engine.class == *class;
            let members = fleet.engines.iter().filter(of_class);
            let chosen: Vec<&Engine> = members.filter(|engine| !open || engine.table.is_none()).collect();
            if args.json { json(&chosen) } else { Ok(show::list(&chosen)) }
        }
        FleetVerb::Show { engine } => {
            let engine = named(&fleet, engine)?;
            if args.json { json(engine) } else { Ok(show::engine(engine)) }
        }
        FleetVerb::Rename { .. }
        | FleetVerb::Class { .. }
        | FleetVerb::Changed { .. }
        | FleetVerb::Except { .. } => telling::tell_of(&store, &fleet, &args.what),
        FleetVerb::Layout(times) => telling::layout(&store, named(&fleet, &times.engine)?, times),
        FleetVerb::Import { file } => telling::import(&mut store, file),
        FleetVerb::Standards { folder } => standards::list(&fleet, folder, args.json),
        FleetVerb::Target { standard, folder } => {
            Ok(crate::store::standards::find(folder, standard)?.section())
        }
        FleetVerb::Propose(wanted) => {
            let chosen = if wanted.engines.is_empty() {
                fleet.engines.iter().filter(|engine| engine.class.as_ref() == Some(&wanted.class)).collect()
            } else {
                several(&fleet, &wanted.engines)?
            };
            standards::propose(&chosen, wanted, args.json)
        }
        FleetVerb::Couple { engines, tolerance, floor, alike } => {
            let all = engines.is_empty();
            let chosen = if all { fleet.engines.iter().collect() } else { several(&fleet, engines)? };
            matching::couple(&chosen, (*tolerance, *floor), *alike, args.json)
        }
        FleetVerb::Evening(wanted) => planned(&fleet, wanted, args.json),
        FleetVerb::Export { what, engine, output } => {
            let only = engine.as_deref().map(|name| named(&fleet, name)).transpose()?;
            let text = exported(&store, &fleet, *what, only)?;
            let Some(path) = output else { return Ok(text) };
            write_new(path, &text)?;
            Ok(format!("Written: {}", path.display()))
        }
        FleetVerb::Check => checked(&store),
        FleetVerb::Rebuild => {
            let rebuilt = store.rebuild().map_err(|error| error.reason())?;
            let counts =
                format!("{} runs and {} lines of what was told taken in.", rebuilt.runs, rebuilt.told);
            let left_out = rebuilt.left_out.iter().map(|folder| format!("left out: {folder}"));
            Ok(std::iter::once(counts).chain(left_out).collect::<Vec<_>>().join("\n"))
        }
        FleetVerb::Report { output, folder } => {
            let page = crate::report::fleet(&fleet, &crate::store::standards::all(folder)?);
            write_over(output, &page)?;
            Ok(format!("Written: {}", output.display()))
        }
    }
}

fn named<'f>(fleet: &'f Fleet, name: &str) -> Result<&'f Engine, Reason> {
    fleet.find(name).ok_or_else(|| Reason::new(&record::ENGINE_UNKNOWN, format!("{name:?}")))
}

fn several<'f>(fleet: &'f Fleet, names: &[String]) -> Result<Vec<&'f Engine>, Reason> {
    names.iter().map(|name| named(fleet, name)).collect()
}

fn checked(store: &Store) -> Result<String, Reason> {
    let checked = store.check().map_err(|error| error.reason())?;
    let left_out = checked.left_out.iter().map(|folder| format!("left out: {folder}"));
    let mut lines: Vec<String> = checked.wrong.iter().cloned().chain(left_out).collect();
    if !checked.wrong.is_empty() {
        return Err(Reason::new(&record::FLEET_UNUSABLE, lines.join("; ")));
    }
    lines.push(format!("The database is whole and says what the runs say ({} rows).", checked.rows));
    Ok(lines.join("\n"))
}

/// What fits into an evening.
fn planned(fleet: &Fleet, wanted: &EveningArgs, as_json: bool) -> Result<String, Reason> {
    let histories: Vec<_> = several(fleet, &wanted.engines)?.iter().map(|engine| engine.history()).collect();
    let begins = wanted.from.as_deref().map_or_else(|| Ok(now_minutes()), minutes)?;
    let ends = minutes(&wanted.until)?;
    // Behind midnight.
    let long = if ends > begins { ends - begins } else { ends + 1440.0 - begins };
    let planned = evening::evening(&histories, long, wanted.change.max(0.0), wanted.shortest_first);
    if as_json { json(&planned) } else { Ok(show::evening(&planned, begins)) }
}

fn json<T: Serialize + ?Sized>(value: &T) -> Result<String, Reason> {
    serde_json::to_string(value).map_err(|error| Reason::new(&program::SYSTEM_REFUSED, error.to_string()))
}

fn minutes(text: &str) -> Result<f64, Reason> {
    let parts = text.split_once(':').and_then(|(hours, minutes)| {
        let (hours, minutes): (u32, u32) = (hours.parse().ok()?, minutes.parse().ok()?);
        (hours < 24 && minutes < 60).then(|| f64::from(60 * hours + minutes))
    });
    parts.ok_or_else(|| {
        Reason::new(&program::WRONG_USE, format!("a time as 22:00 was expected, not {text:?}"))
    })
}

fn now_minutes() -> f64 {
    let now = jiff::ZonedDateTime::now();
    60.0 * f64::from(now.hour()) + f64::from(now.minute())
}

fn exported(store: &Store, fleet: &Fleet, what: Exported, only: Option<&Engine>) -> Result<String, Reason> {
    let named = |engine: &&Engine| only.is_none_or(|only| only.id == engine.id);
    let chosen: Vec<&Engine> = fleet.engines.iter().filter(named).collect();
    if what == Exported::Engines {
        let engines = chosen.into_iter().cloned().collect();
        return Ok(exchange::engines(&Fleet { engines }));
    }
    let mut runs: Vec<Summary> = Vec::new();
    for engine in chosen {
        let counts = |at: usize| what != Exported::Steps || engine.table == Some(at);
        for (_, run) in engine.runs.iter().enumerate().filter(|(at, _)| counts(*at)) {
            let mut run = run.clone();
            store.fill(&mut run).map_err(|error| error.reason())?;
            // As it is called now.
            run.engine = engine.id.clone();
            runs.push(run);
        }
    }
    Ok(match what {
        Exported::Json => exchange::json(&runs),
        Exported::Steps => exchange::steps(&runs),
        Exported::Points => exchange::points(&runs),
        Exported::Cvs => exchange::cvs(&runs),
        Exported::Engines => String::new(),
    })
}

/// A file that is there is never lost.
fn write_new(path: &Path, text: &str) -> Result<(), Reason> {
    let written = OpenOptions::new()
        .write(true)
        .create_new(true)
        .open(path)
        .and_then(|mut file| file.write_all(text.as_bytes()).and_then(|()| file.sync_all()));
    written.map_err(|error| {
        let there = error.kind() == std::io::ErrorKind::AlreadyExists;
        let cause: &Cause = if there { &program::FILE_NOT_WRITTEN } else { &program::NO_PLACE_FOR_FILE };
        Reason::new(cause, format!("{}: {error}", path.display()))
    })
}

/// A report is made anew each time.
pub(crate) fn write_over(path: &Path, text: &str) -> Result<(), Reason> {
    std::fs::write(path, text)
        .map_err(|error| Reason::new(&program::NO_PLACE_FOR_FILE, format!("{}: {error}", path.display())))
}
