//! The verb `report`: a recorded run as one HTML file, or its pictures.
use super::args::ReportArgs;
use super::exit::Exit;
use super::{fleet, out, runs};
use crate::bench::start::NotBegun;
use crate::cause::{Reason, program};
use crate::journal::{RealDisk, RunFolder};
use crate::report;
use crate::store::Summary;

pub(crate) fn report(args: &ReportArgs) -> Exit {
    match written(args) {
        Ok(text) if out::result(&text) => Exit::Good,
        Ok(_) => Exit::WrongUse,
        Err(reason) => {
            runs::say_not_begun(&NotBegun::Other(reason));
            Exit::WrongUse
        }
    }
}

/// Writes what is wanted; what was written, in words.
fn written(args: &ReportArgs) -> Result<String, Reason> {
    runs::is_folder(&args.folder)?;
    let (run, damage) = RunFolder::salvage(&RealDisk, &args.folder).map_err(|error| error.reason())?;
    for error in &damage {
        out::say(&format!("Left out, because it cannot be read: {error}"));
    }
    let Some(folder) = &args.pictures else {
        let path = args.output.clone().unwrap_or_else(|| args.folder.join("report.html"));
        fleet::write_over(&path, &report::run(&run, args.mph))?;
        return Ok(format!("Written: {}", path.display()));
    };
    std::fs::create_dir_all(folder).map_err(|error| {
        Reason::new(&program::NO_PLACE_FOR_FILE, format!("{}: {error}", folder.display()))
    })?;
    let mut names = Vec::new();
    for (name, svg) in report::pictures(&run, &Summary::of(&run), args.mph).files() {
        fleet::write_over(&folder.join(format!("{name}.svg")), &svg)?;
        names.push(format!("{name}.svg"));
    }
    Ok(format!("Written to {}: {}", folder.display(), names.join(", ")))
}
