//! Who can be coupled with whom, in words.
use super::json;
use crate::calibrate::Verdict;
use crate::cause::{Reason, program, record};
use crate::fleet::coupling::{CouplingTolerance, Matrix, Mismatch, PairMatch, Warmth, matrix};
use crate::fleet::groups::{Group, groups};
use crate::fleet::speeds::EngineSpeeds;
use crate::store::Engine;
use serde::Serialize;
use std::fmt::Write;

#[derive(Serialize)]
struct Coupled<'a> {
    matrix: &'a Matrix,
    groups: &'a [Group],
    without_a_table: &'a [String],
}

fn holds(found: &PairMatch) -> bool {
    found.verdict == Some(Verdict::Pass)
}

pub(super) fn couple(
    engines: &[&Engine],
    (percent, floor_mm_s): (f64, f64),
    alike: bool,
    as_json: bool,
) -> Result<String, Reason> {
    if !(percent > 0.0 && percent <= 50.0 && (0.0..1e6).contains(&floor_mm_s)) {
        return Err(Reason::new(
            &program::WRONG_USE,
            "a tolerance of 0 to 50 % and a floor from 0 mm/s were expected",
        ));
    }
    let known: Vec<EngineSpeeds> = engines.iter().filter_map(|engine| engine.speeds()).collect();
    let without: Vec<String> = engines
        .iter()
        .filter(|engine| engine.speeds().is_none())
        .map(|engine| engine.id.name.clone())
        .collect();
    if known.len() < 2 {
        let evidence = format!("{} engines with a table that counts; two are needed", known.len());
        return Err(Reason::new(&record::NO_CURVE, evidence));
    }
    let tolerance = CouplingTolerance { part: percent / 100.0, floor_mm_s };
    let found = matrix(&known, tolerance);
    let joined = |one: usize, other: usize| {
        found.pair(one, other).is_some_and(|(same, turned)| holds(same) && (alike || holds(turned)))
    };
    let best = groups(known.len(), &joined);
    if as_json {
        return json(&Coupled { matrix: &found, groups: &best, without_a_table: &without });
    }
    let mut text = format!(
        "Allowed between two: {percent} % of their speed, at least {floor_mm_s} mm/s (common practice, no source).\n\n"
    );
    for (row, column, same, turned) in &found.pairs {
        let _ = writeln!(text, "{} with {}", found.engines[*row], found.engines[*column]);
        for (words, pair) in [("same way", same), ("back to back", turned)] {
            let _ = writeln!(text, "  {words:<13} {}", pair_words(pair));
        }
    }
    text += "\nBest groups";
    text += if alike { " (all looking the same way):\n" } else { " (whichever way they look):\n" };
    for group in &best {
        let names: Vec<&str> = group.members.iter().map(|member| found.engines[*member].as_str()).collect();
        let _ = writeln!(
            text,
            "  {}{}",
            names.join(", "),
            if group.proved { "" } else { " (perhaps not the largest)" }
        );
    }
    if !without.is_empty() {
        let _ = writeln!(text, "Without a table that counts: {}.", without.join(", "));
    }
    Ok(text)
}

fn pair_words(pair: &PairMatch) -> String {
    let Some(worst) = &pair.worst else { return "no step is known of both".to_owned() };
    let verdict = match pair.verdict {
        Some(Verdict::Pass) => "holds",
        Some(Verdict::Fail) => "does not hold",
        _ => "in doubt",
    };
    let warmth = match &pair.worst_of_any_warmth {
        None => "; warming not known".to_owned(),
        Some(cold) if cold.warmth == Warmth::BothWarm => String::new(),
        Some(cold) => format!("; {}: {}", warmth(cold.warmth), figure(cold)),
    };
    format!("{verdict:<13} {}{warmth}", figure(worst))
}

fn warmth(warmth: Warmth) -> &'static str {
    match warmth {
        Warmth::BothWarm => "both warm",
        Warmth::BothCold => "both cold",
        Warmth::FirstCold => "first cold",
        Warmth::SecondCold => "second cold",
    }
}

fn figure(worst: &Mismatch) -> String {
    format!(
        "step {:>2}: {:+.1} +/- {:.1} mm/s of {:.1} allowed",
        worst.entry, worst.difference_mm_s, worst.doubt_mm_s, worst.allowed_mm_s
    )
}
