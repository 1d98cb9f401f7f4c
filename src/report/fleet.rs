//! The report of the fleet.
use super::cautions::cautions;
use super::page::{number, page, picture, wide};
use crate::calibrate::Verdict;
use crate::figure::{Axis, Chart, Layer, Series};
use crate::fleet::coupling::{CouplingTolerance, PairMatch, matrix};
use crate::fleet::groups::groups;
use crate::fleet::speeds::EngineSpeeds;
use crate::fleet::standard::Standard;
use crate::run::VerdictWord;
use crate::store::{Engine, Fleet, Standing};
use maud::{Markup, html};

/// The fleet as one HTML file.
#[must_use]
pub fn fleet(fleet: &Fleet, standards: &[Standard]) -> String {
    let body = html! {
        h1 { "The fleet" }
        p { (fleet.engines.len()) " engines, " (fleet.engines.iter().filter(|engine| engine.table.is_some()).count()) " of them calibrated." }
        (engines(fleet))
        (coupled(fleet))
        (kept(fleet, standards))
        (staying(fleet))
        (cautions())
    };
    page("The fleet", &body)
}

fn stands(engine: &Engine) -> String {
    match &engine.standing {
        Standing::Never => "not calibrated".to_owned(),
        Standing::Lapsed(why) => format!("calibrate again: {why}"),
        Standing::Calibrated(VerdictWord::Pass) => "pass".to_owned(),
        Standing::Calibrated(VerdictWord::Marginal) => "marginal".to_owned(),
        Standing::Calibrated(_) => "as told elsewhere".to_owned(),
    }
}

fn engines(fleet: &Fleet) -> Markup {
    html! {
        section aria-labelledby="engines" {
            h2 id="engines" { "Engines" }
            (wide("Table of the engines", &html! {
                table {
                    thead { tr {
                        th scope="col" { "engine" } th scope="col" class="words" { "address" } th scope="col" class="words" { "class" }
                        th scope="col" { "calibrated" } th scope="col" { "worst, %" } th scope="col" { "top mm/s" }
                        th scope="col" { "hours run" } th scope="col" class="words" { "stands" }
                    } }
                    tbody { @for engine in &fleet.engines { @let run = engine.table(); tr {
                        th scope="row" { (engine.id.name) }
                        td class="words" { (engine.id.address) }
                        td class="words" { (engine.class.as_deref().unwrap_or("–")) }
                        td { (run.map_or("–", |run| run.started.get(..10).unwrap_or("–"))) }
                        td { (number(run.and_then(|run| run.worst_percent), 2)) }
                        td { (number(run.map(|run| run.top_mm_s), 1)) }
                        td { (number(Some(engine.hours), 1)) }
                        td class="words" { (stands(engine)) }
                    } } }
                }
            }))
        }
    }
}

fn mark(pair: &PairMatch) -> &'static str {
    match pair.verdict {
        Some(Verdict::Pass) => "✓ holds",
        Some(Verdict::Marginal) => "? in doubt",
        Some(Verdict::Fail) => "✗ no",
        None => "–",
    }
}

fn worst(pair: &PairMatch) -> String {
    let Some(worst) = &pair.worst else { return String::new() };
    format!(", step {}: {:+.1} ± {:.1}", worst.entry, worst.difference_mm_s, worst.doubt_mm_s)
}

/// More engines than this make a table that nobody reads.
const MATRIX_MOST: usize = 40;

fn coupled(fleet: &Fleet) -> Markup {
    let known: Vec<EngineSpeeds> = fleet.engines.iter().filter_map(Engine::speeds).collect();
    if known.len() < 2 {
        return html! {};
    }
    let shown = &known[..known.len().min(MATRIX_MOST)];
    let tolerance = CouplingTolerance::default();
    let found = matrix(shown, tolerance);
    let holds = |pair: &PairMatch| pair.verdict == Some(Verdict::Pass);
    let best = groups(shown.len(), &|a, b| {
        found.pair(a, b).is_some_and(|(alike, turned)| holds(alike) && holds(turned))
    });
    html! {
        section aria-labelledby="coupled" {
            h2 id="coupled" { "Who can be coupled with whom" }
            p {
                "Allowed between two: " (100.0 * tolerance.part) " % of their speed, at least " (tolerance.floor_mm_s)
                " mm/s (common practice, no source). First line of a cell: looking the same way; second: back to back. \
                 Differences in mm/s at the worst step, both engines warm, with 95 %."
            }
            @if shown.len() < known.len() { p { "The first " (MATRIX_MOST) " engines; `pacewright fleet couple` tells any others." } }
            (wide("Pairs", &html! {
                table {
                    thead { tr { th scope="col" { "" } @for name in &found.engines[1..] { th scope="col" class="words" { (name) } } } }
                    tbody { @for row in 0..found.engines.len() - 1 { tr {
                        th scope="row" { (found.engines[row]) }
                        @for column in 1..found.engines.len() {
                            td class="words" { @if column > row { @if let Some((alike, turned)) = found.pair(row, column) {
                                (mark(alike)) (worst(alike)) br; (mark(turned)) (worst(turned))
                            } } }
                        }
                    } } }
                }
            }))
            p { "Best groups, whichever way they look:" }
            ol { @for group in &best { li {
                @for (at, member) in group.members.iter().enumerate() { @if at > 0 { ", " } (found.engines[*member]) }
                @if !group.proved { " (perhaps not the largest)" }
            } } }
        }
    }
}

fn kept(fleet: &Fleet, standards: &[Standard]) -> Markup {
    let newest = |standard: &&Standard| {
        !standards.iter().any(|other| other.name == standard.name && other.version > standard.version)
    };
    let members = |standard: &Standard| -> Vec<&Engine> {
        fleet.engines.iter().filter(|engine| engine.class.as_ref() == Some(&standard.class)).collect()
    };
    let used: Vec<&Standard> =
        standards.iter().filter(newest).filter(|standard| !members(standard).is_empty()).collect();
    html! {
        @if !used.is_empty() {
            section aria-labelledby="standards" {
                h2 id="standards" { "Standards" }
                @for standard in used {
                    p { b { (standard.full_name()) } ", class " (standard.class) ", decided " (standard.decided) ". " (standard.about) }
                    ul { @for engine in members(standard) { li { (engine.id.name) ": " (engine.keeps(standard)) } } }
                }
            }
        }
    }
}

fn staying(fleet: &Fleet) -> Markup {
    html! {
        @for (at, engine) in fleet.engines.iter().enumerate() {
            @if let Some(control) = engine.control().filter(|control| !control.averages.is_empty()) {
                section aria-labelledby=(format!("staying-{at}")) {
                    h2 id=(format!("staying-{at}")) { "Staying alike: " (engine.id.name) }
                    p { "By its re-checks: " (control.holding.words()) "." }
                    @let numbered = || (1u32..).map(f64::from);
                    @let chart = Chart {
                        id: format!("control-{at}"),
                        title: format!("Re-checks of {}", engine.id.name),
                        description: "Mean deviation of each re-check from the calibrated speeds, its weighted average and the limits of that.".to_owned(),
                        x: Axis::new("re-check"),
                        y: Axis::new("%"),
                        layers: vec![
                            Layer::Allowed("limits of the average".to_owned(), numbered().zip(&control.averages).map(|(x, one)| (x, control.level - one.limit, control.level + one.limit)).collect()),
                            Layer::Line(Series::A, "weighted average".to_owned(), numbered().zip(&control.averages).map(|(x, one)| (x, one.average)).collect()),
                            Layer::Points(Series::B, "re-check, 95 %".to_owned(), numbered().zip(&engine.rechecks).map(|(x, one)| (x, one.seen.percent, 2.0 * one.seen.u_percent)).collect()),
                        ],
                        height: 240.0,
                    };
                    (picture(&chart.title, &chart.in_page(), "An average that leaves its limits shows a lasting change (EWMA, NIST/SEMATECH e-Handbook 6.3.2.4)."))
                }
            }
        }
    }
}
