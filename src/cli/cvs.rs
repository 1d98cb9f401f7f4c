//! The verb `cvs`: the CVs of a recorded run as a list in CSV.
use super::args::{CvsArgs, CvsWhich};
use super::exit::Exit;
use super::{out, runs};
use crate::bench::start::NotBegun;
use crate::cause::{Reason, program, record};
use crate::config::cv_list;
use crate::journal::{CvsOf, RealDisk, RunFolder, cv_contents};
use std::fs::{File, OpenOptions};
use std::io::{ErrorKind, Write};
use std::path::Path;

/// Writes the list to stdout or into a file.
pub(crate) fn cvs(args: &CvsArgs) -> Exit {
    match list(args).and_then(|text| deliver(&text, args)) {
        Ok(true) => Exit::Good,
        Ok(false) => Exit::WrongUse,
        Err(reason) => {
            runs::say_not_begun(&NotBegun::Other(reason));
            Exit::WrongUse
        }
    }
}

fn list(args: &CvsArgs) -> Result<String, Reason> {
    runs::is_folder(&args.folder)?;
    let run = RunFolder::open(&RealDisk, &args.folder).map_err(|error| error.reason())?;
    let (of, words) = match args.which {
        CvsWhich::Originals => (CvsOf::Before, "before the run of"),
        CvsWhich::Now => (CvsOf::After, "after the run of"),
    };
    let header = &run.opening.run;
    let contents = cv_contents(header, &run.records, of);
    if contents.values.is_empty() {
        return Err(Reason::new(&record::NO_CVS, args.folder.display().to_string()));
    }
    if of == CvsOf::After && !run.finished {
        out::say(
            "This run has not ended in order, or still goes on: the decoder may hold something else by now.",
        );
    }
    if !contents.uncertain.is_empty() {
        let numbers: Vec<String> = contents.uncertain.iter().map(u16::to_string).collect();
        let which = numbers.join(", ");
        out::say(&format!("Left out, because the record does not say what they hold: CV {which}."));
    }
    let (engine, address) = (&header.engine_name, header.engine_address);
    let note = format!("Engine {engine}, {address}, {words} {}", header.started_wall);
    Ok(cv_list::write(&contents.values, &note))
}

/// False where it did not get out to stdout, which the person knows by now.
fn deliver(text: &str, args: &CvsArgs) -> Result<bool, Reason> {
    let Some(path) = &args.output else {
        return Ok(out::result(text.trim_end()));
    };
    open(path, args.replace)
        .and_then(|mut file| file.write_all(text.as_bytes()).and_then(|()| file.sync_all()))
        .map(|()| true)
        .map_err(|error| {
            let in_the_way = error.kind() == ErrorKind::AlreadyExists && !path.is_dir();
            let cause = if in_the_way { &program::FILE_NOT_WRITTEN } else { &program::NO_PLACE_FOR_FILE };
            Reason::new(cause, format!("{}: {error}", path.display()))
        })
}

/// A file that is there is lost only where the person said so.
fn open(path: &Path, replace: bool) -> std::io::Result<File> {
    let mut options = OpenOptions::new();
    options.write(true);
    if replace {
        options.create(true).truncate(true)
    } else {
        options.create_new(true)
    };
    options.open(path)
}
