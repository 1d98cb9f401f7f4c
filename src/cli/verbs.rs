//! The small verbs: `template`, `schema`, `stop`, `tell` and `replay`.
use super::exit::Exit;
use super::show::lapse_mark;
use super::{out, runs, words};
use crate::bench::control::{self, Command};
use crate::bench::replay::{self, Replayed};
use crate::bench::rescue::stop_bench;
use crate::bench::start::NotBegun;
use crate::cause::{Reason, program, record};
use crate::run::StopGrade;
use std::path::Path;

/// Prints a text that is the result.
pub(crate) fn print(text: &str) -> Exit {
    out::result(text.trim_end());
    Exit::Good
}

fn wrong(reason: Reason) -> Exit {
    runs::say_not_begun(&NotBegun::Other(reason));
    Exit::WrongUse
}

/// Stops the engine from nothing.
pub(crate) fn stop(bench: &Path) -> Exit {
    let text = match runs::read_bench(bench) {
        Ok(text) => text,
        Err(reason) => return wrong(reason),
    };
    let runtime = match runs::runtime() {
        Ok(runtime) => runtime,
        Err(reason) => return wrong(reason),
    };
    match runtime.block_on(stop_bench(&bench.display().to_string(), &text)) {
        Err(wrong) => {
            runs::say_not_begun(&NotBegun::BenchFile(wrong));
            Exit::WrongUse
        }
        Ok((halted, wrong)) => {
            if let Some(wrong) = wrong {
                out::say(&format!(
                    "The bench file has mistakes; its station was stopped all the same.\n{wrong}"
                ));
            }
            out::say(&format!("emergency stop: {}\npower off:      {}", halted.stop, halted.power));
            out::result(words::stop(halted.grade));
            if halted.grade == StopGrade::Unconfirmed { Exit::StopUnconfirmed } else { Exit::Good }
        }
    }
}

/// Tells a running run something.
pub(crate) fn tell(folder: &Path, command: Command) -> Exit {
    match control::tell(folder, command) {
        Err(error) => wrong(Reason::new(
            &program::FOLDER_UNUSABLE,
            format!("{}: {error}", folder.join(control::SOCKET_NAME).display()),
        )),
        Ok(reply) => {
            out::result(&reply.to_string());
            if reply["ok"] == true { Exit::Good } else { Exit::WrongUse }
        }
    }
}

/// Feeds a recorded run to the core again.
pub(crate) fn replay(folder: &Path) -> Exit {
    match replay::replay(folder) {
        Err(reason) => wrong(reason),
        Ok(Replayed::Same { records, sent, cut_short, lapse }) => {
            let until = if cut_short { ", as far as the record goes" } else { ", result included" };
            let mark = lapse_mark(lapse);
            out::result(&format!("same: {records} records and {sent} sends agree bit for bit{until}{mark}"));
            Exit::Good
        }
        Ok(Replayed::Differs(first)) => {
            let reason = Reason::new(&record::REPLAY_DIFFERS, first);
            out::say(&format!("{}\n  ({})", reason.text, reason.code));
            out::result(&format!("differs: {}", reason.evidence));
            Exit::ReplayDiffers
        }
    }
}
