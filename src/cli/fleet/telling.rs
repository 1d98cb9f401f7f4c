//! What a person tells of the fleet: names, classes, exchanges, times on a layout, runs of others.
use super::args::{Exchanged, FleetVerb, LayoutArgs};
use super::named;
use crate::cause::{Reason, program, record};
use crate::fleet::layout::{LayoutCheck, Voltages, together};
use crate::station::Direction;
use crate::store::{Engine, EngineId, Fact, Fleet, Store, StoreError, Told, exchange, tell};
use std::fmt::Write;
use std::path::Path;

/// Keeps what the person told, in the file first.
fn told(store: &Store, fact: Fact) -> Result<(), Reason> {
    keep(store, fact).map_err(|error| error.reason())
}

fn keep(store: &Store, fact: Fact) -> Result<(), StoreError> {
    let after = store.runs()?.iter().map(|run| run.ordinal).max().unwrap_or(0);
    tell(store.folder(), &Told { v: 1, at: jiff::Timestamp::now().to_string(), after, fact })
}

/// A fact of one engine; what is said to it.
pub(super) fn tell_of(store: &Store, fleet: &Fleet, what: &FleetVerb) -> Result<String, Reason> {
    let id = |name: &str| named(fleet, name).map(|engine| engine.id.clone());
    let (fact, said) = match what {
        FleetVerb::Rename { engine, name } => {
            let from = id(engine)?;
            if name.trim().is_empty() {
                return Err(Reason::new(&program::WRONG_USE, "an engine's name is not empty"));
            }
            let to = EngineId { name: name.clone(), address: from.address.clone() };
            let twin = fleet.engines.iter().any(|engine| engine.id.name == *name && engine.id != from);
            let more =
                if twin { " Another engine is called so too: name either by its address." } else { "" };
            let said = format!("{} is called {name} now.{more}", from.name);
            (Fact::Renamed { from, to }, said)
        }
        FleetVerb::Class { engine, class } => {
            let engine = id(engine)?;
            let said = match class {
                Some(class) => format!("{} belongs to class {class} now.", engine.name),
                None => format!("{} belongs to no class now.", engine.name),
            };
            (Fact::Classed { engine, class: class.clone() }, said)
        }
        FleetVerb::Changed { engine, what } => {
            let engine = id(engine)?;
            let what = match what {
                Exchanged::Decoder => "decoder",
                Exchanged::Wheels => "wheels",
                Exchanged::Motor => "motor",
            };
            let said =
                format!("What was measured of {} before counts no more: calibrate it again.", engine.name);
            (Fact::Changed { engine, what: what.to_owned() }, said)
        }
        FleetVerb::Except { engine, standard, why } => {
            let engine = id(engine)?;
            let said = format!("{} need not keep {standard}: {why}", engine.name);
            (Fact::Excepted { engine, standard: standard.clone(), why: why.clone() }, said)
        }
        // The others tell nothing.
        _ => return Ok(String::new()),
    };
    told(store, fact)?;
    Ok(said)
}

pub(super) fn layout(store: &Store, engine: &Engine, times: &LayoutArgs) -> Result<String, Reason> {
    let wrong = |what: &str| Err(Reason::new(&program::WRONG_USE, what));
    let usable = |value: f64| value.is_finite() && value > 0.0;
    if !times.times.iter().all(|time| usable(*time))
        || ![Some(times.length), Some(times.length_doubt), times.voltage].into_iter().flatten().all(usable)
    {
        return wrong(
            "times in seconds, a length and its doubt in mm and a voltage in V, all above 0, were expected",
        );
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
        // Writing to a text cannot fail.
        let _ =
            writeln!(text, "{} checks together: {:.3} +/- {:.3}.", ratios.len(), mean.ratio, 2.0 * mean.u);
    }
    text += "No table was changed.\n";
    told(store, Fact::LayoutChecked { engine: engine.id.clone(), check })?;
    Ok(text)
}

pub(super) fn import(store: &mut Store, file: &Path) -> Result<String, Reason> {
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
        // It lies in another folder, and comes after all that is here.
        (run.ordinal, run.folder) = (newest, String::new());
        told(store, Fact::Imported(Box::new(run)))?;
        taken += 1;
    }
    store.take_in_told().map_err(|error| error.reason())?;
    Ok(format!("{taken} runs taken in, {passed} known already and left as they are."))
}
