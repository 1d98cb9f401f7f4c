//! The verb `drag`: what a measuring car costs, from a run with it and a run without.
use super::args::DragArgs;
use super::exit::Exit;
use super::{out, runs};
use crate::bench::start::NotBegun;
use crate::calibrate::budget::Together;
use crate::calibrate::{DragSeen, DragSide, drag};
use crate::cause::{Reason, program, record};
use crate::dcc::scale;
use crate::journal::{RealDisk, RecordedSpeeds, RunFolder, recorded_speeds};
use crate::words;
use std::fmt::Write;
use std::path::Path;

/// Compares the runs, or says why they cannot be compared.
pub(crate) fn compare(args: &DragArgs) -> Exit {
    match compared(args) {
        Ok(text) if out::result(text.trim_end()) => Exit::Good,
        Ok(_) => Exit::WrongUse,
        Err(reason) => {
            runs::say_not_begun(&NotBegun::Other(reason));
            Exit::WrongUse
        }
    }
}

fn compared(args: &DragArgs) -> Result<String, Reason> {
    let (with, without) = (opened(&args.with)?, opened(&args.without)?);
    if with.opening.run.run_id == without.opening.run.run_id {
        return Err(unlike("both names lead to the same run"));
    }
    let (with, without) = (recorded_speeds(&with)?, recorded_speeds(&without)?);
    alike(&with, &without)?;
    let same_axle = with.spec.axle == without.spec.axle;
    let together = if same_axle { Together::SameAxle } else { Together::Apart };
    let sides = drag(&without.points, &with.points, together);
    if sides.is_empty() {
        return Err(unlike("they share fewer than three settings in each direction"));
    }
    let mut text = String::new();
    for side in &sides {
        table(&mut text, side);
    }
    for side in &sides {
        verdict(&mut text, side, with.spec.engine.scale_ratio);
    }
    text += if same_axle {
        "Both were measured on the same axle: the doubt of its circumference is left out of the differences.\n"
    } else {
        "They were measured on two axles: the doubt of both circumferences is in the differences.\n"
    };
    if with.spec.path != without.spec.path {
        text += "They ran on different paths: what curves and grades change is in the differences too.\n";
    }
    Ok(text)
}

fn opened(folder: &Path) -> Result<RunFolder, Reason> {
    runs::is_folder(folder)?;
    let run = RunFolder::open(&RealDisk, folder).map_err(|error| error.reason())?;
    if run.cut_bytes > 0 {
        let evidence = format!("{}: the record is cut off within a line", folder.display());
        return Err(Reason::new(&record::JOURNAL_DAMAGED, evidence));
    }
    if !run.finished {
        out::say(&format!(
            "The run in {} has not ended in order: its points count as far as they go.",
            folder.display()
        ));
    }
    Ok(run)
}

/// The same engine, with the decoder set alike.
fn alike(one: &RecordedSpeeds, other: &RecordedSpeeds) -> Result<(), Reason> {
    let (engine, second) = (&one.spec.engine, &other.spec.engine);
    if engine.address != second.address {
        let evidence =
            format!("{} ({}) and {} ({})", engine.name, engine.address, second.name, second.address);
        return Err(Reason::new(&program::RUNS_OF_TWO_ENGINES, evidence));
    }
    let differing = |one: &std::collections::BTreeMap<u16, u8>,
                     other: &std::collections::BTreeMap<u16, u8>| {
        let pairs = one.iter().filter_map(|(cv, value)| Some((*cv, *value, *other.get(cv)?)));
        let told = pairs.filter(|(_, value, second)| value != second);
        told.map(|(cv, value, second)| format!("CV {cv} {value} and {second}")).collect::<Vec<_>>().join(", ")
    };
    let identity = differing(&one.identity, &other.identity);
    if !identity.is_empty() {
        let evidence = format!("the same address with two decoders: {identity}");
        return Err(Reason::new(&program::RUNS_OF_TWO_ENGINES, evidence));
    }
    if engine.step_mode != second.step_mode {
        return Err(unlike(&format!("{} and {} steps", engine.step_mode, second.step_mode)));
    }
    let baseline = differing(&one.baseline, &other.baseline);
    if !baseline.is_empty() {
        return Err(unlike(&format!("the decoder was set otherwise: {baseline}")));
    }
    Ok(())
}

fn unlike(evidence: &str) -> Reason {
    Reason::new(&program::RUNS_UNLIKE, evidence)
}

fn table(text: &mut String, side: &DragSide) {
    // Writing into a text cannot fail; the same holds below.
    let _ = writeln!(
        text,
        "{:<8} {:>10} {:>10} {:>10} {:>10}   mm/s",
        words::direction(side.direction),
        "without",
        "with",
        "slower",
        "+- 95 %"
    );
    for at in &side.points {
        let seen = if at.slower_mm_s.abs() > at.u95_mm_s { "seen" } else { "" };
        let line = format!(
            "step {:<3} {:>10.2} {:>10.2} {:>+10.2} {:>10.2}   {seen}",
            at.value, at.without_mm_s, at.with_mm_s, at.slower_mm_s, at.u95_mm_s
        );
        let _ = writeln!(text, "{}", line.trim_end());
    }
    text.push('\n');
}

fn verdict(text: &mut String, side: &DragSide, scale_ratio: f64) {
    let way = words::direction(side.direction);
    let size = format!(
        "{:.2} +- {:.2} mm/s, {:.2} % ({:.2} km/h in scale), on the mean of {} settings",
        side.slower_mm_s.abs(),
        side.u95_mm_s,
        side.slower_percent.abs(),
        scale::kmh(side.slower_mm_s.abs(), scale_ratio),
        side.points.len()
    );
    let _ = match side.seen() {
        DragSeen::Drag => writeln!(text, "Drag is seen {way}: with the car the engine is slower by {size}."),
        DragSeen::Nothing => {
            writeln!(text, "No drag is seen {way}: the difference, {size}, lies within its doubt.")
        }
        DragSeen::Faster => writeln!(
            text,
            "Something else is seen {way}: with the car the engine is faster by {size}. No drag does that: it was \
             warmer, or the track voltage was another, or the two names stand the wrong way round."
        ),
    };
}
