//! The small verbs: `template`, `schema`, `profiles`, `stop`, `tell` and `replay`.
use super::exit::Exit;
use super::result::SCHEMA;
use super::show::lapse_mark;
use super::{out, runs};
use crate::bench::control::{self, Command};
use crate::bench::profiles;
use crate::bench::replay::{self, Replayed};
use crate::bench::rescue::{Stopped, stop_bench};
use crate::bench::start::NotBegun;
use crate::bench::unit;
use crate::cause::{Reason, program, record};
use crate::config::{self, Complaints};
use crate::run::StopGrade;
use crate::words;
use serde::Serialize;
use std::path::{Path, PathBuf};

/// Prints a text that is the result.
pub(crate) fn print(text: &str) -> Exit {
    if out::result(text.trim_end()) { Exit::Good } else { Exit::WrongUse }
}

/// Lists profiles of decoders, or prints one.
pub(crate) fn profiles(name: Option<&str>, beside: &Path) -> Exit {
    let folders = profiles::folders(beside);
    if let Some(name) = name {
        return match profiles::find(name, &folders) {
            Ok(found) => print(&found.text),
            Err(not_begun) => {
                runs::say_not_begun(&not_begun);
                Exit::WrongUse
            }
        };
    }
    let mut all_right = true;
    let lines = profiles::names(&folders).into_iter().map(|name| {
        let profile =
            profiles::find(&name, &folders).and_then(|found| found.profile().map_err(NotBegun::BenchFile));
        profile.map_or_else(
            |_| {
                all_right = false;
                format!(
                    "{name:20} cannot be read; `pacewright profiles {name}` prints it, a run with it says why"
                )
            },
            |profile| format!("{name:20} {}", profile.about),
        )
    });
    let lines: Vec<String> = lines.collect();
    let printed = print(&lines.join("\n"));
    if all_right { printed } else { Exit::WrongUse }
}

/// Prints a unit for systemd. Paths in it are whole: a manager knows no folder of ours.
pub(crate) fn unit(benches: &[PathBuf], night: bool) -> Exit {
    let mut whole = Vec::new();
    for bench in benches {
        let read = runs::read_bench(bench)
            .and_then(|text| config::read(&bench.display().to_string(), &text).map_err(NotBegun::BenchFile));
        let path = read.and_then(|_| {
            bench.canonicalize().map_err(|error| {
                let evidence = format!("{}: {error}", bench.display());
                NotBegun::Other(Reason::new(&program::BENCH_FILE_UNREADABLE, evidence))
            })
        });
        match path {
            Ok(path) => whole.push(path),
            Err(why) => {
                runs::say_not_begun(&why);
                return Exit::WrongUse;
            }
        }
    }
    let files: Vec<&Path> = whole.iter().map(PathBuf::as_path).collect();
    match runs::own_program() {
        Ok(own) => print(&unit::unit(&own, &files, night || files.len() > 1)),
        Err(reason) => wrong(reason),
    }
}

fn wrong(reason: Reason) -> Exit {
    runs::say_not_begun(&NotBegun::Other(reason));
    Exit::WrongUse
}

/// What came of a stop, for programs.
#[derive(Serialize)]
struct StopJson<'a> {
    schema: u32,
    /// `stopped`, `unconfirmed` or `refused` (the file does not say where the station is).
    outcome: &'a str,
    stop: StopGrade,
    /// What the station said to the emergency stop; null where nothing was sent.
    emergency_stop: Option<&'a str>,
    /// What the station said to power off; null where nothing was sent.
    power: Option<&'a str>,
    /// Mistakes of the bench file.
    reasons: Vec<Reason>,
    /// What was taken for granted because of them.
    supposed: &'a [String],
}

impl StopJson<'_> {
    fn refused(reasons: Vec<Reason>) -> Self {
        StopJson {
            schema: SCHEMA,
            outcome: "refused",
            stop: StopGrade::Unconfirmed,
            emergency_stop: None,
            power: None,
            reasons,
            supposed: &[],
        }
    }
}

/// One JSON object on stdout; false where it did not get out.
fn object(value: &impl Serialize) -> bool {
    // Every key is a string and every value one that JSON has: this cannot fail, and if it did, `{}` is still JSON.
    out::result(&serde_json::to_string(value).unwrap_or_else(|_| "{}".to_owned()))
}

/// Stops the engine from nothing.
pub(crate) fn stop(bench: &Path, json: bool) -> Exit {
    match read_for_stop(bench).and_then(|text| Ok((text, runs::runtime()?))) {
        Err(reason) => not_stopped(&NotBegun::Other(reason), json),
        // Told before the runtime ends: what hangs in the system must not hold up the word to cut the power by hand.
        Ok((text, runtime)) => runs::carry_out(runtime, async {
            match stop_bench(&bench.display().to_string(), &text).await {
                Err(complaints) => not_stopped(&NotBegun::BenchFile(complaints), json),
                Ok(stopped) => told(&stopped, json),
            }
        }),
    }
}

fn not_stopped(why: &NotBegun, json: bool) -> Exit {
    runs::say_not_begun(why);
    out::say("Nothing was stopped: go and cut the power by hand.");
    if json {
        object(&StopJson::refused(why.reasons()));
    }
    Exit::WrongUse
}

/// Bytes that are no text matter only where the station's address stands.
fn read_for_stop(bench: &Path) -> Result<String, Reason> {
    std::fs::read(bench).map(|bytes| String::from_utf8_lossy(&bytes).into_owned()).map_err(|error| {
        Reason::new(&program::BENCH_FILE_UNREADABLE, format!("{}: {error}", bench.display()))
    })
}

fn told(stopped: &Stopped, json: bool) -> Exit {
    let halted = &stopped.halted;
    if let Some(mistakes) = &stopped.mistakes {
        let count = mistakes.list().len();
        out::say(&format!(
            "The bench file has mistakes ({count}); its station was told to stop all the same."
        ));
    }
    for sentence in &stopped.supposed {
        out::say(sentence);
    }
    out::say(&format!("emergency stop: {}\npower off:      {}", halted.stop, halted.power));
    let unconfirmed = halted.grade == StopGrade::Unconfirmed;
    if json {
        out::say(words::stop(halted.grade));
        object(&StopJson {
            schema: SCHEMA,
            outcome: if unconfirmed { "unconfirmed" } else { "stopped" },
            stop: halted.grade,
            emergency_stop: Some(&halted.stop),
            power: Some(&halted.power),
            reasons: stopped.mistakes.as_ref().map_or_else(Vec::new, Complaints::plain),
            supposed: &stopped.supposed,
        });
    } else {
        out::result(words::stop(halted.grade));
    }
    if unconfirmed { Exit::StopUnconfirmed } else { Exit::Good }
}

/// Tells a running run something.
pub(crate) fn tell(folder: &Path, command: Command) -> Exit {
    match control::tell(folder, command) {
        Err(error) => wrong(Reason::new(
            &program::FOLDER_UNUSABLE,
            format!("{}: {error}", folder.join(control::SOCKET_NAME).display()),
        )),
        Ok(reply) => {
            let told = out::result(&reply.to_string());
            if told && reply["ok"] == true { Exit::Good } else { Exit::WrongUse }
        }
    }
}

/// What a replay found, for programs.
#[derive(Default, Serialize)]
struct ReplayJson {
    schema: u32,
    /// Null where the run could not be replayed.
    same: Option<bool>,
    first_difference: Option<String>,
    records: Option<u64>,
    sends: Option<u64>,
    /// The run did not end in order, and was followed to where its record stops.
    cut_short: Option<bool>,
    reasons: Vec<Reason>,
}

/// Feeds a recorded run to the core again.
pub(crate) fn replay(folder: &Path, json: bool) -> Exit {
    let mut found = ReplayJson { schema: SCHEMA, ..ReplayJson::default() };
    let (line, exit) = match runs::is_folder(folder).and_then(|()| replay::replay(folder)) {
        Err(reason) => {
            runs::say_not_begun(&NotBegun::Other(reason.clone()));
            found.reasons.push(reason);
            (None, Exit::WrongUse)
        }
        Ok(Replayed::Same { records, sent, cut_short, lapse }) => {
            (found.same, found.records, found.sends) = (Some(true), Some(records), Some(sent));
            found.cut_short = Some(cut_short);
            let until = if cut_short { ", as far as the record goes" } else { ", result included" };
            let mark = lapse_mark(lapse);
            (
                Some(format!("same: {records} records and {sent} sends agree bit for bit{until}{mark}")),
                Exit::Good,
            )
        }
        Ok(Replayed::Differs(first)) => {
            let reason = Reason::new(&record::REPLAY_DIFFERS, first.clone());
            out::say(&format!("{}\n  ({})", reason.text, reason.code));
            let line = format!("differs: {first}");
            (found.same, found.first_difference) = (Some(false), Some(first));
            found.reasons.push(reason);
            (Some(line), Exit::ReplayDiffers)
        }
    };
    let told = match line {
        _ if json => object(&found),
        Some(line) => out::result(&line),
        None => true,
    };
    if exit == Exit::Good && !told { Exit::WrongUse } else { exit }
}
