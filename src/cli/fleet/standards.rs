//! Standards: found, listed with who keeps them, proposed.
use super::args::ProposeArgs;
use super::{json, write_new};
use crate::cause::{Reason, program, record};
use crate::dcc::scale::kmh;
use crate::fleet::propose::{Candidate, Limiter, Proposal, propose as reckon};
use crate::fleet::standard::Standard;
use crate::store::standards::{all, unusable};
use crate::store::{Engine, Fleet};
use serde::Serialize;
use std::fmt::Write;
use std::path::Path;

#[derive(Serialize)]
struct Listed {
    standard: Standard,
    engines: Vec<(String, String)>,
}

pub(super) fn list(fleet: &Fleet, folder: &Path, as_json: bool) -> Result<String, Reason> {
    let mut listed = Vec::new();
    let all = all(folder)?;
    for standard in &all {
        // An older version is kept by nobody any more.
        let newest = all.iter().filter(|other| other.name == standard.name).map(|other| other.version).max();
        let of_class = |engine: &&Engine| engine.class.as_ref() == Some(&standard.class);
        let engines = if newest == Some(standard.version) {
            let members = fleet.engines.iter().filter(of_class);
            members.map(|engine| (engine.id.name.clone(), engine.keeps(standard))).collect()
        } else {
            Vec::new()
        };
        listed.push(Listed { standard: standard.clone(), engines });
    }
    if as_json {
        return json(&listed);
    }
    let mut text = String::new();
    for Listed { standard, engines } in &listed {
        let ends: Vec<String> = standard.points_km_h.iter().map(|(_, kmh)| format!("{kmh}")).collect();
        let _ = writeln!(
            text,
            "{:<14} class {}, decided {}: {} km/h. {}",
            standard.full_name(),
            standard.class,
            standard.decided,
            ends.join(" - "),
            standard.about
        );
        for (name, words) in engines {
            let _ = writeln!(text, "  {name:<16} {words}");
        }
    }
    Ok(text)
}

pub(super) fn propose(engines: &[&Engine], wanted: &ProposeArgs, as_json: bool) -> Result<String, Reason> {
    if !(0.0..50.0).contains(&wanted.headroom) {
        return Err(Reason::new(&program::WRONG_USE, "a headroom from 0 to 50 per cent was expected"));
    }
    let mut ratios: Vec<f64> = Vec::new();
    let mut candidates: Vec<Candidate> = Vec::new();
    for engine in engines {
        let none = || Reason::new(&record::NO_CURVE, engine.id.name.clone());
        candidates.push(engine.candidate().ok_or_else(none)?);
        ratios.push(engine.curve().map_or(0.0, |run| run.scale_ratio));
    }
    let ratio = ratios.first().copied().unwrap_or(0.0);
    if ratios.iter().any(|other| (other - ratio).abs() > 1e-9) {
        let evidence =
            "engines of different scales: a standard of original speeds is proposed for one scale at a time";
        return Err(Reason::new(&record::NO_COMMON_TARGET, evidence));
    }
    let found = reckon(&candidates, wanted.headroom / 100.0)
        .map_err(|error| Reason::new(&record::NO_COMMON_TARGET, error.to_string()))?;
    let mut text = words(&found, ratio, wanted.headroom);
    if let Some(name) = &wanted.write {
        let version = all(&wanted.folder)?
            .iter()
            .filter(|standard| standard.name == *name)
            .map(|standard| standard.version)
            .max()
            .unwrap_or(0)
            + 1;
        let day = jiff::ZonedDateTime::now().date().to_string();
        // To the safe side of a hundredth of a km/h.
        let ends = (
            libm::ceil(100.0 * kmh(found.creep_mm_s, ratio)) / 100.0,
            libm::floor(100.0 * kmh(found.top_mm_s, ratio)) / 100.0,
        );
        let standard = Standard::straight(name, version, &wanted.class, &day, ends);
        let file = standard.text().map_err(unusable)?;
        Standard::read(&file).map_err(unusable)?;
        std::fs::create_dir_all(&wanted.folder).map_err(|error| {
            Reason::new(&program::NO_PLACE_FOR_FILE, format!("{}: {error}", wanted.folder.display()))
        })?;
        let path = wanted.folder.join(format!("{name}-{version}.toml"));
        write_new(&path, &file)?;
        let _ = writeln!(text, "Written: {}. Versions before it stay as they are.", path.display());
    }
    if as_json { json(&found) } else { Ok(text) }
}

fn words(found: &Proposal, ratio: f64, headroom: f64) -> String {
    let km = |mm_s: f64| format!("{:.2} km/h ({mm_s:.1} mm/s)", kmh(mm_s, ratio));
    let by = |limiter: &Limiter| {
        let way = if limiter.reverse { "reverse" } else { "forward" };
        match limiter.without_mm_s {
            Some(other) => format!("{} {way}; without it {}", limiter.engine, km(other)),
            None => format!("{} {way}", limiter.engine),
        }
    };
    format!(
        "Creep {}, by {}\nTop   {}, {headroom} % below what is surely reached, by {}\n",
        km(found.creep_mm_s),
        by(&found.creep_by),
        km(found.top_mm_s),
        by(&found.top_by)
    )
}
