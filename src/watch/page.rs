//! The page itself: what stands still in it. What changes is filled in by its script.
use super::door::May;
use crate::figure::style_sheet;
use crate::store::Summary;
use crate::words;
use maud::{DOCTYPE, Markup, html};

/// Fills the page, and asks what the reader wants asked.
pub(super) const SCRIPT: &str = include_str!("page/page.js");

const STYLE: &str = include_str!("page/page.css");

/// The style sheet: that of the pictures, then that of the page.
pub(super) fn style() -> String {
    format!("{}{STYLE}", style_sheet())
}

fn document(title: &str, script: bool, up: &str, body: &Markup) -> String {
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                title { (title) }
                link rel="icon" href="data:,";
                link rel="stylesheet" href={ (up) "page.css" };
                @if script { script src={ (up) "page.js" } defer {} }
            }
            body { (body) }
        }
    }
    .into_string()
}

/// The page of a run, for looking or for acting.
pub(super) fn page(may: May) -> String {
    let body = html! {
        a class="skip" href="#reading" { "To the reading" }
        header {
            div class="who" {
                h1 id="engine" { "Pacewright" }
                p id="doing" { "Waiting for the program." }
            }
            p id="link" class="link" role="status" { "Connecting." }
        }
        noscript { p class="grave" { "This page needs scripts. To stop the engine, cut the power by hand or press Ctrl-C where the program runs." } }
        main {
            div id="lost" class="grave" role="alert" hidden {}
            div id="end" class="end" role="alert" hidden {}
            div id="held" class="held" role="status" hidden {}
            @if may == May::Act { (acts()) } @else {
                p class="quiet" { "This address is for looking only. To stop the engine, cut the power by hand or press Ctrl-C where the program runs." }
            }
            (reading())
            div class="columns" {
                section aria-labelledby="field-head" {
                    h2 id="field-head" { "The turning field" }
                    div id="field" { p class="quiet" { "Nothing to show yet: no whole turn was seen, or the source is no field." } }
                    dl id="quality" class="pairs" {}
                }
                section aria-labelledby="guards-head" {
                    h2 id="guards-head" { "Guards" }
                    p class="quiet" { "What each sees, against what it allows. A guard that rests cannot trip in what the engine does now." }
                    div class="wide" role="region" tabindex="0" aria-label="Table of the guards" {
                        table class="guards" {
                            thead { tr { th scope="col" { "guard" } th scope="col" { "sees" } th scope="col" { "allows" } th scope="col" { "used" } th scope="col" class="words" { "state" } } }
                            tbody id="guards" {}
                        }
                    }
                }
            }
            section aria-labelledby="curves-head" {
                h2 id="curves-head" { "Points measured" }
                div id="curves" class="wide" role="region" tabindex="0" aria-label="Pictures of the points" { p class="quiet" { "None yet." } }
            }
            section aria-labelledby="table-head" {
                h2 id="table-head" { "The table" }
                div id="table" { p class="quiet" { "Not computed yet." } }
            }
            section aria-labelledby="log-head" {
                h2 id="log-head" { "What happened" }
                div class="course-of-things" role="region" tabindex="0" aria-label="List of what happened" { ol id="log" class="log" {} }
            }
        }
        (footer())
    };
    document("Pacewright", true, "", &body)
}

fn reading() -> Markup {
    html! {
            section aria-labelledby="reading" {
                h2 id="reading" { "Reading" }
                div class="reading" {
                    dl class="big" {
                        div { dt { "Measured" } dd { span id="measured" { "–" } " " span class="unit" { "km/h" } br; span id="measured-model" class="quiet" { "" } } }
                        div { dt { "Wanted" } dd { span id="wanted" { "–" } " " span class="unit" { "km/h" } br; span id="wanted-model" class="quiet" { "" } } }
                        div { dt { "Step" } dd { span id="step" { "–" } br; span id="way" class="quiet" { "" } } }
                    }
                    div class="course" {
                        p { span id="phase" { "not begun" } }
                        progress id="done" max="1" value="0" aria-label="Part of the work done" {}
                        p class="quiet" { span id="left" { "" } " " span id="sensor" { "" } }
                    }
                }
                div id="trace" class="wide" role="region" tabindex="0" aria-label="Speed in the last two minutes" {}
            }
    }
}

fn footer() -> Markup {
    html! {
        footer {
            p { a href="fleet" { "Runs and reports of the fleet" } }
            p class="quiet" {
                "This page is no safeguard: it may be out of reach when it is needed. Keep a main switch in reach that works without "
                "any computer; nothing flammable near a motor that runs long; no packs on charge meanwhile; small strong magnets "
                "away from children; fingers, hair and threads off wheels and gears. House, club and local rules come first; ask a "
                "qualified person where mains is concerned."
            }
        }
    }
}

fn acts() -> Markup {
    html! {
        section class="acts" aria-label="What you can ask" {
            button id="stop" type="button" class="stop" disabled { "Stop the engine" }
            div class="lesser" {
                button id="pause" type="button" disabled { "Pause" }
                button id="go-on" type="button" disabled { "Go on" }
                button id="leave" type="button" hidden { "End now; old values go back at the next start" }
            }
            p id="asked" class="asked" role="status" {}
            div id="question" class="held" hidden {}
        }
    }
}

/// The runs of the fleet, newest first.
pub(super) fn runs(runs: &[Summary]) -> String {
    let body = html! {
        header { div class="who" { h1 { "Runs of the fleet" } p { a href="./" { "Back to the run" } } } }
        main {
            p { a href="fleet/report" { "Report of the whole fleet" } }
            @if runs.is_empty() { p class="quiet" { "No run has ended yet." } } @else {
                div class="wide" role="region" tabindex="0" aria-label="Runs" {
                    table {
                        thead { tr {
                            th scope="col" class="words" { "begun" } th scope="col" class="words" { "engine" } th scope="col" class="words" { "for" }
                            th scope="col" class="words" { "ended" } th scope="col" { "worst, %" } th scope="col" class="words" { "report" }
                        } }
                        tbody { @for run in runs.iter().rev() { tr {
                            th scope="row" class="words" { (run.started.get(..16).unwrap_or(&run.started).replace('T', " ")) }
                            td class="words" { (run.engine.name) }
                            td class="words" { (run.purpose) }
                            td class="words" { (run.outcome.map_or("not in order", |end| words::end(end).split(':').next().unwrap_or_default())) }
                            td { (run.worst_percent.map_or_else(|| "–".to_owned(), |worst| format!("{worst:.2}"))) }
                            td class="words" { a href={ "run/" (run.id) } { "report" span class="unseen" { " of " (run.engine.name) " " (run.started) } } }
                        } } }
                    }
                }
            }
        }
    };
    document("Runs of the fleet", false, "", &body)
}
