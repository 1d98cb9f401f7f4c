//! What the person types and sees. Results go to stdout, everything else to stderr.
//!
//! With `--json` exactly one object stands on stdout at every exit, wrong use and the program's own failure included.
//! Work is done through [`mod@crate::bench`] alone: sockets, adapters and phases are not its business.
mod args;
mod budget;
mod caution;
mod circumference;
mod cvs;
mod demo;
mod drag;
pub mod exit;
mod fleet;
mod log;
mod night;
mod out;
mod page;
mod report;
pub mod result;
mod runs;
mod show;
mod stop_test;
mod table;
mod terminal;
mod verbs;

use crate::bench::clock::TimeLapse;
use crate::bench::stop_test::ROLLS_S;
use crate::cause::{Reason, program, record};
use crate::run::{End, Purpose, StopGrade};
use crate::words;
use args::{CommandLine, Verb};
use clap::Parser;
use exit::Exit;
use result::ResultJson;
use std::ffi::OsString;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::PathBuf;
use std::process::ExitCode;

/// The whole program: reads the command line, does it, and says how it ended.
#[must_use]
pub fn main() -> ExitCode {
    let words: Vec<OsString> = std::env::args_os().collect();
    let line = match CommandLine::try_parse_from(&words) {
        Ok(line) => line,
        Err(error) => {
            return match stop_all_the_same(&words) {
                Some(bench) if error.use_stderr() => {
                    out::say(error.render().to_string().trim_end());
                    verbs::stop(&bench, wants_json(&words)).into()
                }
                _ => not_understood(&error, wants_json(&words)).into(),
            };
        }
    };
    log::begin();
    // A verb never unwinds out of a run: what failed there was stopped there. This is for everything around it.
    let ended = catch_unwind(AssertUnwindSafe(|| carry_out(line.verb)));
    ended
        .unwrap_or_else(|panic| failed(&crate::bench::panic_words(panic.as_ref()), wants_json(&words)))
        .into()
}

fn carry_out(verb: Verb) -> Exit {
    match verb {
        Verb::Run(args) => runs::drive(args, Purpose::Calibrate),
        Verb::Resume(args) => runs::resume(args),
        Verb::Check(args) => runs::drive(args, Purpose::Check),
        Verb::Sweep(args) => runs::drive(args, Purpose::Sweep),
        Verb::RunIn(args) => {
            let purpose = args.purpose();
            runs::drive(args.run, purpose)
        }
        Verb::Unit { benches, night } => verbs::unit(&benches, night),
        Verb::Night(args) => night::night(args),
        Verb::StopTest(args) => stop_test::stop_test(args),
        Verb::Roll(args) => runs::drive(args, Purpose::Roll { seconds: ROLLS_S }),
        Verb::Demo(args) => demo::demo(args),
        Verb::Simulate(args) => demo::simulate(&args),
        Verb::Stop { bench, json, passed_over } => {
            verbs::stop(&bench, json || passed_over.iter().any(|word| word == "--json"))
        }
        Verb::Watch => runs::watch(),
        Verb::Template => verbs::print(crate::config::template()),
        Verb::Schema => verbs::print(&crate::config::schema()),
        Verb::Replay { folder, json } => verbs::replay(&folder, json),
        Verb::Circumference(args) => circumference::circumference(&args),
        Verb::Drag(args) => drag::compare(&args),
        Verb::Profiles { name, beside } => verbs::profiles(name.as_deref(), &beside),
        Verb::Restore(args) => runs::restore(&args),
        Verb::Cvs(args) => cvs::cvs(&args),
        Verb::Fleet(args) => fleet::fleet(&args),
        Verb::Recheck(args) => runs::drive(args, Purpose::Recheck),
        Verb::Retarget(args) => runs::retarget(args),
        Verb::Report(args) => report::report(&args),
        Verb::Tell { folder, what } => verbs::tell(&folder, what.command()),
    }
}

fn wants_json(words: &[OsString]) -> bool {
    words.iter().skip(1).take_while(|word| *word != "--").any(|word| word == "--json")
}

/// The bench file of a stop whose line is wrong elsewhere: no wrong word keeps an engine running.
fn stop_all_the_same(words: &[OsString]) -> Option<PathBuf> {
    let (verb, rest) = words.get(1..)?.split_first()?;
    rest.iter().map(PathBuf::from).find(|path| verb == "stop" && path.is_file())
}

/// Help and version are results; anything else is wrong use.
fn not_understood(error: &clap::Error, json: bool) -> Exit {
    let text = error.render().to_string();
    if !error.use_stderr() {
        return verbs::print(&text);
    }
    out::say(text.trim_end());
    if json {
        let first = text.lines().next().unwrap_or_default().trim_start_matches("error: ").to_owned();
        not_begun(vec![Reason::new(&program::WRONG_USE, first)], TimeLapse::NONE);
    }
    Exit::WrongUse
}

/// The object of a run that was not begun.
fn not_begun(reasons: Vec<Reason>, lapse: TimeLapse) {
    out::result(&ResultJson::not_begun(End::Refused, reasons, lapse.factor()).line());
}

/// The program failed outside the loop that guards itself; whether anything moves, nobody knows.
fn failed(why: &str, json: bool) -> Exit {
    let reason = Reason::new(&record::PANIC_IN_TASK, why);
    out::say(&format!("{}\n{}", words::reason(&reason), words::stop(StopGrade::Unconfirmed)));
    if json {
        out::result(&ResultJson::not_begun(End::Halted, vec![reason], 1.0).line());
    }
    Exit::StopUnconfirmed
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn json_is_wanted_only_where_it_is_an_option() {
        let words = |line: &str| line.split(' ').map(OsString::from).collect::<Vec<_>>();
        assert!(wants_json(&words("pacewright run --json x.toml")));
        assert!(!wants_json(&words("pacewright run x.toml")));
        assert!(!wants_json(&words("pacewright run -- --json")));
    }
}
