//! The report of one run.
use super::cautions::cautions;
use super::page::{number, page, picture, wide};
use super::pictures::{Pictures, Unit, events, pictures, unit};
use crate::config;
use crate::dcc::cv;
use crate::journal::RunFolder;
use crate::run::{DecoderState, End, RecordBody, RunOutcome, StepSource, StopGrade, VerdictWord};
use crate::store::Summary;
use crate::words;
use maud::{Markup, html};

/// The report of a run as one HTML file; speeds in km/h of the original, or in mph.
#[must_use]
pub fn run(run: &RunFolder, mph: bool) -> String {
    let summary = Summary::of(run);
    let outcome = run.records.iter().rev().find_map(|record| match &record.body {
        RecordBody::Outcome(outcome) => Some(outcome.as_ref()),
        _ => None,
    });
    let drawn = pictures(run, &summary, mph);
    let unit = unit(summary.scale_ratio, mph);
    let title = format!("{}: {}", summary.engine.name, summary.purpose);
    let body = html! {
        h1 { (summary.engine.name) ", " (summary.engine.address) }
        p class="verdict" { (verdict(outcome)) }
        @if let Some(outcome) = outcome { (reasons(outcome)) }
        (provenance(run, &summary))
        (speeds(&summary, &drawn, unit))
        (table(&summary, &drawn))
        @if let Some(chart) = &drawn.curves {
            section aria-labelledby="before" {
                h2 id="before" { "Before the table" }
                (picture(&chart.title, &chart.in_page(), "Measured with the decoder made linear. The table is worked out from these curves."))
            }
        }
        @if let Some(outcome) = outcome { (warmth(outcome, &drawn)) (doubts(outcome)) }
        (signal(run))
        section aria-labelledby="course" {
            h2 id="course" { "What happened when" }
            (picture(&drawn.time_line.title, &drawn.time_line.in_page(), "Phases of the run; numbers are the events below."))
            @let events = events(run);
            @if events.is_empty() { p { "Nothing out of the ordinary." } } @else {
                ol { @for (at, words) in &events { li { (format!("{at:.1} min: ")) (words) } } }
            }
        }
        (cvs(&summary))
        (cautions())
    };
    page(&title, &body)
}

/// How it ended, in a sentence.
fn verdict(outcome: Option<&RunOutcome>) -> String {
    let Some(outcome) = outcome else {
        return "This run did not end in order, or goes on still.".to_owned();
    };
    let end = match (outcome.outcome, outcome.verdict) {
        (End::Calibrated, VerdictWord::Pass) => {
            "Calibrated: every measured step lies within the tolerance, its doubt included"
        }
        (End::Calibrated, _) => "Calibrated, marginal: the doubt of a step straddles the tolerance",
        (End::Rejected, _) => "Rejected: the engine cannot be calibrated as asked",
        (End::Halted, _) => "Halted: the bench failed",
        (End::Interrupted, _) => "Interrupted",
        (End::Restored, _) => "The decoder holds again what it held before",
        (End::Compared, _) => "Compared; nothing was written",
        (End::Measured, _) => "Measured; the decoder is as it was",
        (End::Checked, VerdictWord::Pass) => "Checked: the table in the decoder keeps its target",
        (End::Checked, VerdictWord::Marginal) => "Checked: whether the table keeps its target is in doubt",
        (End::Checked, VerdictWord::Fail) => "Checked: the table does not keep its target",
        (End::Checked, VerdictWord::None) => {
            "Looked at again; the fleet's records say whether it stayed as it was"
        }
        (End::RanIn, _) => "Run in",
        (End::Rolled, _) => "Rolled",
        (End::Refused, _) => "Nothing was begun",
    };
    let stop = match outcome.stop {
        StopGrade::Still => "The engine was seen to stand.",
        StopGrade::Acknowledged => "The station acknowledged the stop; nobody saw the engine stand.",
        StopGrade::Unconfirmed => "NOBODY CAN SAY WHETHER THE ENGINE STANDS.",
    };
    format!("{end}. {stop}")
}

fn reasons(outcome: &RunOutcome) -> Markup {
    html! {
        @if !outcome.reasons.is_empty() {
            section aria-labelledby="why" {
                h2 id="why" { "What there is to say" }
                @for reason in &outcome.reasons {
                    @match crate::cause::all().find(|cause| cause.code == reason.code) {
                        Some(cause) => p {
                            b { (cause.seen) } " " (reason.evidence) br;
                            "It may be: " (cause.may_be) br;
                            "Try: " (cause.to_try)
                        },
                        // Of a program that knew other causes.
                        None => p { (reason.text) " " (reason.evidence) },
                    }
                }
            }
        }
        @if !outcome.restore_pending.is_empty() {
            p class="bad" {
                b { "Old values that the next start puts back: " }
                @for (cv, value) in &outcome.restore_pending { "CV " (cv) " = " (value) "; " }
            }
        }
        @if matches!(outcome.decoder_state, DecoderState::Mixed | DecoderState::Unknown) && outcome.outcome != End::Compared {
            p class="bad" { b { "What the decoder holds is not whole, or not known." } }
        }
    }
}

fn provenance(run: &RunFolder, summary: &Summary) -> Markup {
    let header = &run.opening.run;
    let axle = config::read(&header.bench_file_name, &header.bench_text).ok().map(|spec| spec.axle);
    html! {
        section aria-labelledby="where" {
            h2 id="where" { "Where and how" }
            dl {
                dt { "Begun" } dd { (header.started_wall) }
                dt { "Took" } dd { (format!("{:.1} min; told to move for {:.1} min; waited for a person for {:.1} min", summary.bench_s / 60.0, summary.driven_s / 60.0, summary.hands_on_s / 60.0)) }
                dt { "Bench" } dd { (summary.bench) ", " (header.endpoint_key) }
                @if let Some(axle) = axle {
                    dt { "Axle" } dd { (axle.circumference_mm) " mm a turn, known to " (format!("{:.2} %", 100.0 * axle.circumference_u_rel)) " (k = 1)" }
                }
                dt { "Voltage at the rails" } dd { (summary.track_voltage_v.map_or_else(|| "not stated".to_owned(), |volts| format!("{volts} V"))) }
                dt { "Scale" } dd { "1:" (summary.scale_ratio) ", " (summary.step_mode) " steps" }
                @if let Some(profile) = &header.profile { dt { "Decoder's profile" } dd { (profile.file) } }
                @if header.time_lapse > 1.0 { dt { "Time-lapse" } dd { b { "a simulated bench, " (header.time_lapse) " times faster" } } }
                dt { "Program" } dd { (header.program_version) ", core revision " (header.core_revision) }
                dt { "Run" } dd { (header.run_id) }
                dt { "Checksum of the bench file" } dd { (summary.bench_crc) " (CRC-32)" }
                dt { "Record" } dd { (run.path.display()) }
            }
        }
    }
}

fn speeds(summary: &Summary, drawn: &Pictures, unit: Unit) -> Markup {
    if summary.steps.is_empty() {
        return html! {};
    }
    let scaled = |value: Option<f64>| number(value.map(|value| value * unit.factor), 2);
    let table = html! {
        table {
            caption { "Speed of the original in " (unit.name) ", of the model in mm/s; doubts hold 95 %." }
            thead { tr {
                th scope="col" { "step" } th scope="col" { "wanted " (unit.name) }
                th scope="col" { "forward" } th scope="col" { "reverse" }
                th scope="col" { "wanted mm/s" } th scope="col" { "forward mm/s" } th scope="col" { "±" }
                th scope="col" { "reverse mm/s" } th scope="col" { "±" } th scope="col" class="words" { "is" }
            } }
            tbody { @for row in &summary.steps { tr {
                th scope="row" { (row.step) }
                td { (scaled(Some(row.target_mm_s))) }
                td { (scaled(row.forward_mm_s)) } td { (scaled(row.reverse_mm_s)) }
                td { (number(Some(row.target_mm_s), 2)) }
                td { (number(row.forward_mm_s, 2)) } td { (number(row.forward_u95_mm_s, 2)) }
                td { (number(row.reverse_mm_s, 2)) } td { (number(row.reverse_u95_mm_s, 2)) }
                td class="words" {
                    @if row.source == StepSource::Measured { "measured" } @else { "predicted" }
                    @if row.short { ", less precisely than asked" }
                }
            } } }
        }
    };
    html! {
        section aria-labelledby="speeds-heading" {
            h2 id="speeds-heading" { "Speeds" }
            @if let Some(chart) = &drawn.speeds {
                (picture(&chart.title, &chart.in_page(), "Bands hold 95 %. Steps without a mark are predicted from the curve."))
            }
            @if let Some(chart) = &drawn.deviations {
                (picture(&chart.title, &chart.in_page(), "A step passes when its whole bar lies within the band. Where a count of the table is coarser than the tolerance, half a count is allowed."))
            }
            (wide("Table of steps", &table))
        }
    }
}

fn table(summary: &Summary, drawn: &Pictures) -> Markup {
    let Some(values) = &summary.table else { return html! {} };
    let cvs = cv::TABLE_WITH_TRIMS.skip(1);
    html! {
        section aria-labelledby="table-heading" {
            h2 id="table-heading" { "The table, to key in by hand" }
            @if let Some([forward, reverse]) = summary.trims {
                p { "Trims: CV 66 (forward) = " b { (forward) } ", CV 95 (reverse) = " b { (reverse) } ". The table acts with bit 4 of CV 29." }
            }
            ul class="values" { @for (cv, value) in cvs.zip(values) { li { "CV " (cv) " = " b { (value) } } } }
            @if let Some(chart) = &drawn.table { (picture(&chart.title, &chart.in_page(), "The same as a picture.")) }
        }
    }
}

fn warmth(outcome: &RunOutcome, drawn: &Pictures) -> Markup {
    let sides = ["forward", "reverse"].into_iter().zip(outcome.engine.warming);
    let known: Vec<_> = sides.filter_map(|(name, warming)| Some((name, warming?))).collect();
    if known.is_empty() && drawn.warm_up.is_none() && outcome.engine.drift.is_none() {
        return html! {};
    }
    html! {
        section aria-labelledby="warm" {
            h2 id="warm" { "Warmth and drift" }
            @if let Some(chart) = &drawn.warm_up {
                (picture(&chart.title, &chart.in_page(), "At one setting, against its first speed."))
            }
            ul {
                @for (name, warming) in known {
                    li { (name) ": warm " (format!("{:+.2} % (±{:.2}, 95 %)", warming.change_percent, 2.0 * warming.change_u_percent)) " against cold" }
                }
                @if let Some(drift) = outcome.engine.drift {
                    li {
                        "during the sweep (" (format!("{:.0}", drift.seconds / 60.0)) " min) the slow anchor changed by "
                        (format!("{:+.3} ± {:.3}", drift.slow_mm_s.0, 2.0 * drift.slow_mm_s.1)) " mm/s a minute, the fast one by "
                        (format!("{:+.3} ± {:.3}", drift.fast_mm_s.0, 2.0 * drift.fast_mm_s.1)) ": "
                        @if drift.corrected { "taken out of the points" } @else { "part of their doubt" }
                    }
                }
            }
        }
    }
}

fn doubts(outcome: &RunOutcome) -> Markup {
    if outcome.budget.is_empty() {
        return html! {};
    }
    html! {
        section aria-labelledby="doubts" {
            h2 id="doubts" { "Where the doubt comes from" }
            @for row in &outcome.budget {
                (wide(&format!("Budget of step {} {}", row.step, words::direction(row.direction)), &html! {
                    table {
                        caption {
                            "Step " (row.step) " " (words::direction(row.direction)) ": "
                            (format!("{:.2} mm/s ± {} (95 %)", row.speed_mm_s, number(row.u95_mm_s, 2)))
                        }
                        thead { tr { th scope="col" { "part" } th scope="col" { "u, mm/s" } th scope="col" { "%" } th scope="col" class="words" { "how it was found" } } }
                        tbody { @for line in &row.lines { tr {
                            th scope="row" { (words::part(line.part)) }
                            td { (number(Some(line.u_mm_s), 3)) }
                            td { (number(Some(100.0 * line.u_mm_s / row.speed_mm_s.abs().max(f64::MIN_POSITIVE)), 2)) }
                            td class="words" { (line.found) }
                        } } }
                    }
                }))
            }
        }
    }
}

/// The signal of a field sensor over all points.
fn signal(run: &RunFolder) -> Markup {
    let seen: Vec<_> = run
        .records
        .iter()
        .filter_map(|record| match &record.body {
            RecordBody::Point { quality, .. } => *quality,
            _ => None,
        })
        .collect();
    if seen.is_empty() {
        return html! {};
    }
    let ends = |of: fn(&crate::motion::SignalQuality) -> f64| {
        seen.iter()
            .map(of)
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), one| (low.min(one), high.max(one)))
    };
    let rows = [
        ("amplitude, in the sensor's unit", ends(|one| one.amplitude), 1),
        ("smaller amplitude over the larger", ends(|one| one.amplitude_ratio), 3),
        ("noise over the amplitude", ends(|one| one.noise_ratio), 4),
        ("samples a second", ends(|one| one.rate_hz), 1),
    ];
    html! {
        section aria-labelledby="signal" {
            h2 id="signal" { "The sensor's signal" }
            (wide("Signal of the sensor", &html! {
            table {
                caption { "Over " (seen.len()) " points." }
                thead { tr { th scope="col" { "what" } th scope="col" { "least" } th scope="col" { "most" } } }
                tbody { @for (what, (least, most), decimals) in rows { tr {
                    th scope="row" { (what) } td { (number(Some(least), decimals)) } td { (number(Some(most), decimals)) }
                } } }
            }
            }))
        }
    }
}

fn cvs(summary: &Summary) -> Markup {
    let text = |value: Option<u8>| value.map_or_else(|| "–".to_owned(), |value| value.to_string());
    html! {
        @if !summary.cvs.is_empty() {
            section aria-labelledby="cvs" {
                h2 id="cvs" { "CVs before and after" }
                (wide("Table of the CVs", &html! {
                    table {
                        caption { "A dash: the record does not say." }
                        thead { tr { th scope="col" { "CV" } th scope="col" { "before" } th scope="col" { "after" } th scope="col" class="words" { "note" } } }
                        tbody { @for seen in &summary.cvs { tr {
                            th scope="row" { (seen.cv) } td { (text(seen.before)) } td { (text(seen.after)) }
                            td class="words" { @if seen.before != seen.after && seen.after.is_some() { "changed" } }
                        } } }
                    }
                }))
            }
        }
    }
}
