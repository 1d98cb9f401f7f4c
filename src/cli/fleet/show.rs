//! The fleet in words.
use crate::fleet::control::Holding;
use crate::fleet::evening::Evening;
use crate::fleet::layout::together;
use crate::run::VerdictWord;
use crate::store::{Engine, Standing};
use std::fmt::Write;

/// How an engine stands, in words.
pub(super) fn standing(engine: &Engine) -> String {
    match &engine.standing {
        Standing::Never => "not calibrated".to_owned(),
        Standing::Lapsed(why) => format!("calibrate again: {why}"),
        Standing::Calibrated(verdict) => {
            let verdict = match verdict {
                VerdictWord::Pass => "pass",
                VerdictWord::Marginal => "marginal",
                VerdictWord::Fail => "fail",
                VerdictWord::None => "as told",
            };
            let holds = engine.control().map_or(Holding::TooFew, |control| control.holding);
            format!("{verdict}{}", holding(holds).map_or_else(String::new, |words| format!(", {words}")))
        }
    }
}

fn holding(holding: Holding) -> Option<&'static str> {
    match holding {
        Holding::TooFew => None,
        Holding::Holds => Some("holds"),
        Holding::Drifting => Some("drifting"),
        Holding::CalibrateAgain => Some("calibrate again"),
    }
}

/// The day of a time.
fn day(started: &str) -> &str {
    started.get(..10).unwrap_or(started)
}

/// The list.
pub(super) fn list(engines: &[&Engine]) -> String {
    if engines.is_empty() {
        return "No engine.".to_owned();
    }
    let mut text = format!(
        "{:<16} {:<10} {:<10} {:<10} {:>7} {:>7}  {}\n",
        "engine", "address", "class", "calibrated", "off %", "hours", "stands"
    );
    for engine in engines {
        let run = engine.table();
        let worst = run.and_then(|run| run.worst_percent);
        // Writing to a text cannot fail.
        let _ = writeln!(
            text,
            "{:<16} {:<10} {:<10} {:<10} {:>7} {:>7.1}  {}",
            engine.id.name,
            engine.id.address,
            engine.class.as_deref().unwrap_or("-"),
            run.map_or("-", |run| day(&run.started)),
            worst.map_or_else(|| "-".to_owned(), |worst| format!("{worst:.2}")),
            engine.hours,
            standing(engine)
        );
    }
    text
}

/// One engine.
pub(super) fn engine(engine: &Engine) -> String {
    let mut text = format!(
        "{}, {}, class {}: {}\n",
        engine.id.name,
        engine.id.address,
        engine.class.as_deref().unwrap_or("-"),
        standing(engine)
    );
    if let Some(run) = engine.table() {
        if let Some(table) = &run.table {
            let values: Vec<String> = table.iter().map(u8::to_string).collect();
            let _ = writeln!(text, "CV 67 to 94: {}", values.join(" "));
        }
        if let Some([forward, reverse]) = run.trims {
            let _ = writeln!(text, "CV 66 = {forward}, CV 95 = {reverse}");
        }
        let _ = writeln!(
            text,
            "decoder: CV 8 = {}, CV 7 = {}; rails of the bench: {}",
            run.maker.map_or_else(|| "?".to_owned(), |value| value.to_string()),
            run.version.map_or_else(|| "?".to_owned(), |value| value.to_string()),
            run.track_voltage_v.map_or_else(|| "not known".to_owned(), |volts| format!("{volts} V"))
        );
    }
    staying(&mut text, engine);
    on_the_layout(&mut text, engine);
    text += "runs:\n";
    for (at, run) in engine.runs.iter().enumerate() {
        let marks = [(engine.table == Some(at), "table"), (engine.curve == Some(at), "curve")];
        let marks: Vec<&str> = marks.iter().filter(|(is, _)| *is).map(|(_, word)| *word).collect();
        let outcome =
            run.outcome.map_or_else(|| "not ended".to_owned(), |end| format!("{end:?}").to_lowercase());
        let _ = writeln!(
            text,
            "  {} {:<9} {:<12} {:>5.0} min  {:<13} {}",
            day(&run.started),
            run.purpose,
            outcome,
            run.bench_s / 60.0,
            marks.join(", "),
            run.folder
        );
    }
    text
}

/// Whether it runs as it did.
fn staying(text: &mut String, engine: &Engine) {
    if let Some(control) = engine.control() {
        let words = control.holding.words();
        let _ = writeln!(text, "re-checks: {}; {words}", engine.rechecks.len());
        for (recheck, average) in engine.rechecks.iter().zip(&control.averages) {
            let _ = writeln!(
                text,
                "  {}  {:+.2} % +/- {:.2}, average {:+.2} within {:+.2} +/- {:.2}{}",
                day(&recheck.started),
                recheck.seen.percent,
                2.0 * recheck.seen.u_percent,
                average.average,
                control.level,
                average.limit,
                if average.outside { ", outside" } else { "" }
            );
        }
    }
}

/// What a layout makes of its speeds.
fn on_the_layout(text: &mut String, engine: &Engine) {
    for train in [false, true] {
        let checks = engine.layout.iter().filter(|check| check.with_train == train);
        let ratios: Vec<_> = checks.filter_map(crate::fleet::layout::LayoutCheck::ratio).collect();
        if let Some(ratio) = together(&ratios) {
            let _ = writeln!(
                text,
                "on the layout {}: {:.3} +/- {:.3} of its speed on the bench ({} checks)",
                if train { "with a train" } else { "alone" },
                ratio.ratio,
                2.0 * ratio.u,
                ratios.len()
            );
        }
    }
}

fn clock(minutes: f64) -> String {
    let whole = libm::round(minutes);
    format!("{:02.0}:{:02.0}", libm::floor(whole / 60.0) % 24.0, whole % 60.0)
}

/// The evening.
pub(super) fn evening(evening: &Evening, begins: f64) -> String {
    let mut text = String::new();
    for place in &evening.places {
        let range = match place.range_min {
            None => "never ran: as the others".to_owned(),
            Some((least, most)) => format!("its runs took {least:.0} to {most:.0} min"),
        };
        let _ = writeln!(
            text,
            "{} - {}  {:<16} {:>4.0} min of hands; {range}",
            clock(begins + place.begins_min),
            clock(begins + place.ends_min),
            place.engine,
            place.hands_on_min
        );
    }
    let hands: f64 = evening.places.iter().map(|place| place.hands_on_min).sum();
    let _ = writeln!(text, "{} engines, {hands:.0} minutes of hands.", evening.places.len());
    if !evening.left_over.is_empty() {
        let _ = writeln!(text, "Left over: {}.", evening.left_over.join(", "));
    }
    text
}
