//! The verb `fleet`: the fleet's records, and what is reckoned from them.
pub(crate) mod args;
mod matching;
mod show;
mod standards;

use super::exit::Exit;
use super::{out, runs};
use crate::bench::start::NotBegun;
use crate::cause::{Cause, Reason, program, record};
use crate::fleet::evening;
use crate::fleet::layout::{LayoutCheck, Voltages, together};
use crate::run::KnownCurve;
use crate::station::Direction;
use crate::store::{Engine, EngineId, Fact, Fleet, Store, StoreError, Summary, Told, exchange, tell};
use args::{Exchanged, Exported, FleetArgs, FleetVerb, LayoutArgs};
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
    let taken = Store::open(records).and_then(|mut store| store.take_in(run_folder));
    taken.err().map(|error| error.reason())
}

/// The curves of this engine in this record folder that count.
pub(crate) fn known_curve(records: &Path, engine: &EngineId) -> Result<KnownCurve, Reason> {
    let none = || Reason::new(&record::NO_CURVE, format!("{}, {}", engine.name, engine.address));
    let store = opened(records)?;
    let fleet = Fleet::of(&store).map_err(|error| error.reason())?;
    let known = fleet.engines.iter().find(|known| known.named(engine)).ok_or_else(none)?;
    let run = known.curve().ok_or_else(none)?;
    let folder = records.join(&run.folder);
    let run = crate::journal::RunFolder::open(&crate::journal::RealDisk, &folder)
        .map_err(|error| error.reason())?;
    crate::journal::known_curve(&run).ok_or_else(none)
}

/// The store of a folder; where there is no database yet it is made from the runs.
fn opened(records: &Path) -> Result<Store, Reason> {
    let fresh = !records.join(crate::store::DATABASE).exists();
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
    open().map_err(|error| error.reason())
}

fn answer(args: &FleetArgs) -> Result<String, Reason> {
    let mut store = opened(&args.records)?;
    let fleet = Fleet::of(&store).map_err(|error| error.reason())?;
    let engine = |name: &str| {
        fleet.find(name).ok_or_else(|| Reason::new(&record::ENGINE_UNKNOWN, format!("{name:?}")))
    };
    let several = |names: &[String]| names.iter().map(|name| engine(name)).collect::<Result<Vec<_>, _>>();
    match &args.what {
        FleetVerb::List { class, open } => {
            let chosen: Vec<&Engine> = fleet
                .engines
                .iter()
                .filter(|engine| class.is_none() || engine.class == *class)
                .filter(|engine| !open || engine.table.is_none())
                .collect();
            if args.json { json(&chosen) } else { Ok(show::list(&chosen)) }
        }
        FleetVerb::Show { engine: name } => {
            let engine = engine(name)?;
            if args.json { json(engine) } else { Ok(show::engine(engine)) }
        }
        FleetVerb::Rename { engine: name, name: new } => {
            let from = engine(name)?.id.clone();
            if new.trim().is_empty() {
                return Err(Reason::new(&program::WRONG_USE, "an engine's name is not empty"));
            }
            let to = EngineId { name: new.clone(), address: from.address.clone() };
            let said = format!("{} is called {new} now.", from.name);
            told(&store, Fact::Renamed { from, to })?;
            Ok(said)
        }
        FleetVerb::Class { engine: name, class } => {
            let engine = engine(name)?.id.clone();
            let said = match class {
                Some(class) => format!("{} belongs to class {class} now.", engine.name),
                None => format!("{} belongs to no class now.", engine.name),
            };
            told(&store, Fact::Classed { engine, class: class.clone() })?;
            Ok(said)
        }
        FleetVerb::Changed { engine: name, what } => {
            let engine = engine(name)?.id.clone();
            let what = match what {
                Exchanged::Decoder => "decoder",
                Exchanged::Wheels => "wheels",
                Exchanged::Motor => "motor",
            };
            let said =
                format!("What was measured of {} before counts no more: calibrate it again.", engine.name);
            told(&store, Fact::Changed { engine, what: what.to_owned() })?;
            Ok(said)
        }
        FleetVerb::Except { engine: name, standard, why } => {
            let engine = engine(name)?.id.clone();
            let said = format!("{} need not keep {standard}: {why}", engine.name);
            told(&store, Fact::Excepted { engine, standard: standard.clone(), why: why.clone() })?;
            Ok(said)
        }
        FleetVerb::Standards { folder } => standards::list(&fleet, folder, args.json),
        FleetVerb::Target { standard, folder } => Ok(standards::find(folder, standard)?.section()),
        FleetVerb::Propose(wanted) => {
            let chosen = if wanted.engines.is_empty() {
                fleet.engines.iter().filter(|engine| engine.class.as_ref() == Some(&wanted.class)).collect()
            } else {
                several(&wanted.engines)?
            };
            standards::propose(&chosen, wanted, args.json)
        }
        FleetVerb::Couple { engines, tolerance, floor, alike } => {
            let chosen = if engines.is_empty() { fleet.engines.iter().collect() } else { several(engines)? };
            matching::couple(&chosen, (*tolerance, *floor), *alike, args.json)
        }
        FleetVerb::Layout(times) => layout(&store, engine(&times.engine)?, times),
        FleetVerb::Evening { until, from, change, shortest_first, engines } => {
            let histories: Vec<_> = several(engines)?.iter().map(|engine| engine.history()).collect();
            let begins = match from {
                Some(text) => minutes(text)?,
                None => now_minutes(),
            };
            let ends = minutes(until)?;
            // Behind midnight.
            let long = if ends > begins { ends - begins } else { ends + 1440.0 - begins };
            let planned = evening::evening(&histories, long, change.max(0.0), *shortest_first);
            if args.json { json(&planned) } else { Ok(show::evening(&planned, begins)) }
        }
        FleetVerb::Export { what, engine: only, output } => {
            let only = only.as_deref().map(engine).transpose()?;
            let text = exported(&store, &fleet, *what, only)?;
            match output {
                None => Ok(text),
                Some(path) => {
                    write_new(path, &text)?;
                    Ok(format!("Written: {}", path.display()))
                }
            }
        }
        FleetVerb::Import { file } => import(&mut store, file),
        FleetVerb::Check => {
            let checked = store.check().map_err(|error| error.reason())?;
            let mut lines = checked.wrong.clone();
            lines.extend(checked.left_out.iter().map(|folder| format!("left out: {folder}")));
            if checked.wrong.is_empty() {
                lines.push(format!(
                    "The database is whole and says what the runs say ({} rows).",
                    checked.rows
                ));
                return Ok(lines.join("\n"));
            }
            Err(Reason::new(&record::FLEET_UNUSABLE, lines.join("; ")))
        }
        FleetVerb::Rebuild => {
            let rebuilt = store.rebuild().map_err(|error| error.reason())?;
            let mut text =
                format!("{} runs and {} lines of what was told taken in.", rebuilt.runs, rebuilt.told);
            for folder in rebuilt.left_out {
                text += &format!("\nleft out: {folder}");
            }
            Ok(text)
        }
        FleetVerb::Report { output, folder } => {
            let standards = standards::all(folder)?;
            let page = crate::report::fleet(&fleet, &standards);
            write_over(output, &page)?;
            Ok(format!("Written: {}", output.display()))
        }
    }
}

fn json<T: Serialize + ?Sized>(value: &T) -> Result<String, Reason> {
    serde_json::to_string(value).map_err(|error| Reason::new(&program::SYSTEM_REFUSED, error.to_string()))
}

/// Keeps what the person told, in the file first.
fn told(store: &Store, fact: Fact) -> Result<(), Reason> {
    keep(store, fact).map_err(|error| error.reason())
}

fn keep(store: &Store, fact: Fact) -> Result<(), StoreError> {
    let after = store.runs()?.iter().map(|run| run.ordinal).max().unwrap_or(0);
    tell(store.folder(), &Told { v: 1, at: jiff::Timestamp::now().to_string(), after, fact })
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

fn layout(store: &Store, engine: &Engine, times: &LayoutArgs) -> Result<String, Reason> {
    let wrong = |what: &str| Err(Reason::new(&program::WRONG_USE, what));
    let usable = |value: f64| value.is_finite() && value > 0.0;
    if !times.times.iter().all(|time| usable(*time)) || !usable(times.length) || times.length_doubt < 0.0 {
        return wrong("times in seconds and a length in mm, all above 0, were expected");
    }
    let direction = if times.reverse { Direction::Reverse } else { Direction::Forward };
    let speeds = engine.speeds();
    let figure = speeds.as_ref().and_then(|speeds| speeds.at(usize::from(times.step), direction));
    let Some(figure) = figure else {
        let evidence = format!("{} has no table that counts: nothing to compare with", engine.id.name);
        return Err(Reason::new(&record::NO_CURVE, evidence));
    };
    let check = LayoutCheck {
        entry: usize::from(times.step),
        reverse: times.reverse,
        length_mm: times.length,
        length_u_mm: times.length_doubt,
        times_s: times.times.clone(),
        with_train: times.train,
        track_voltage_v: times.voltage,
        bench_mm_s: (figure.speed_mm_s, libm::hypot(figure.own_u_mm_s, figure.shared_u_mm_s)),
        bench_voltage_v: engine.table().and_then(|run| run.track_voltage_v),
    };
    let Some(ratio) = check.ratio() else { return wrong("no ratio comes of these figures") };
    let mut text = format!(
        "Step {} {}: {:.1} mm/s on the layout, {:.1} on the bench: {:.3} +/- {:.3} of it (95 %){}.\n",
        times.step,
        if times.reverse { "reverse" } else { "forward" },
        ratio.ratio * figure.speed_mm_s,
        figure.speed_mm_s,
        ratio.ratio,
        2.0 * ratio.u,
        if times.train { ", with a train" } else { "" }
    );
    text += match check.voltages() {
        Voltages::Differ => {
            "Layout and bench have different voltages at the rails: without regulation so do the speeds.\n"
        }
        Voltages::Unknown => {
            "The voltage of one of them is not known (--voltage here, track_voltage in the bench file).\n"
        }
        Voltages::Alike => "",
    };
    let mut all: Vec<_> = engine.layout.iter().filter(|old| old.with_train == times.train).collect();
    all.push(&check);
    let ratios: Vec<_> = all.into_iter().filter_map(LayoutCheck::ratio).collect();
    if let (Some(mean), true) = (together(&ratios), ratios.len() > 1) {
        text += &format!("{} checks together: {:.3} +/- {:.3}.\n", ratios.len(), mean.ratio, 2.0 * mean.u);
    }
    text += "No table was changed.\n";
    told(store, Fact::LayoutChecked { engine: engine.id.clone(), check })?;
    Ok(text)
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

fn import(store: &mut Store, file: &Path) -> Result<String, Reason> {
    let refused =
        |words: String| Reason::new(&record::IMPORT_REFUSED, format!("{}: {words}", file.display()));
    let text = std::fs::read_to_string(file).map_err(|error| refused(error.to_string()))?;
    let runs = exchange::import(&text).map_err(refused)?;
    let known = store.runs().map_err(|error| error.reason())?;
    let newest = known.iter().map(|run| run.ordinal).max().unwrap_or(0);
    let (mut taken, mut passed) = (0, 0);
    for mut run in runs {
        if known.iter().any(|known| known.id == run.id) {
            passed += 1;
            continue;
        }
        run.ordinal = newest;
        told(store, Fact::Imported(Box::new(run)))?;
        taken += 1;
    }
    store.take_in_told().map_err(|error| error.reason())?;
    Ok(format!("{taken} runs taken in, {passed} known already."))
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
