//! The verb `stop-test`.
use super::args::StopTestArgs;
use super::exit::Exit;
use super::result::SCHEMA;
use super::{caution, out, runs};
use crate::bench::clock::TimeLapse;
use crate::bench::start::NotBegun;
use crate::bench::stop_test::StopTest;
use crate::cause::{Reason, program};
use crate::words;
use serde::Serialize;

const BEFORE: &str = "
This test makes the engine roll slowly, twice. Stay beside it with a hand on the switch that cuts the mains.
1. The program that drives it is killed; its watchman must stop the engine and cut the power.
2. You pull the sensor's link; the program must stop the engine.";

const AFTER: &str = "
What no program can stop is an engine whose computer dies, or whose station is cut off: the station repeats the last
speed for ever. Against that only a cut-off helps that works without this computer and this station: a timer or a
switch in the mains, as your local rules allow, fitted by a qualified person. Try it on this bench before you leave the
room: pull the computer's plug while the engine rolls.";

/// What was proved, for programs.
#[derive(Serialize)]
struct StopTestJson {
    schema: u32,
    /// `proved` or `not_proved`.
    outcome: &'static str,
    /// What happened when the program was killed; null where that was not proved.
    program_killed: Option<String>,
    /// What happened when the link was pulled; null where that was not proved.
    link_pulled: Option<String>,
    reasons: Vec<Reason>,
}

pub(crate) fn stop_test(args: StopTestArgs) -> Exit {
    out::say(caution::BEFORE_A_RUN);
    out::say(BEFORE);
    let ready = TimeLapse::new(args.time_lapse)
        .map_err(|error| NotBegun::Other(Reason::new(&program::TIME_LAPSE_REFUSED, error.to_string())))
        .and_then(|lapse| {
            let text = runs::read_bench(&args.bench)?;
            let own = runs::own_program().map_err(NotBegun::Other)?;
            StopTest::new(own, args.bench, &text, lapse)
        });
    let found = match (ready, runs::runtime().map_err(NotBegun::Other)) {
        (Ok(test), Ok(runtime)) => runs::carry_out(runtime, carry_out(&test)),
        (Err(why), _) | (_, Err(why)) => {
            runs::say_not_begun(&why);
            let found = StopTestJson { reasons: why.reasons(), ..nothing() };
            return told(&found, args.json, Exit::WrongUse);
        }
    };
    let exit = if found.reasons.is_empty() { Exit::Good } else { Exit::Halted };
    told(&found, args.json, exit)
}

fn nothing() -> StopTestJson {
    StopTestJson {
        schema: SCHEMA,
        outcome: "not_proved",
        program_killed: None,
        link_pulled: None,
        reasons: Vec::new(),
    }
}

async fn carry_out(test: &StopTest) -> StopTestJson {
    let mut found = nothing();
    let mut say = |sentence: &str| out::say(sentence);
    out::say("\n1. The program is killed. The engine begins to roll ...");
    match test.program_killed(&mut say).await {
        Ok(how) => found.program_killed = Some(how),
        Err(reason) => found.reasons.push(reason),
    }
    // An engine that was not stopped is no engine for a second test.
    if let Some(how) = &found.program_killed {
        out::say(&format!("Proved: {how}.\n\n2. A link is pulled. The engine begins to roll ..."));
        match test.link_pulled(&mut say).await {
            Ok(how) => found.link_pulled = Some(how),
            Err(reason) => found.reasons.push(reason),
        }
    }
    if let Some(how) = &found.link_pulled {
        out::say(&format!("Proved: {how}."));
        found.outcome = "proved";
    }
    for reason in &found.reasons {
        out::say(&format!("\n{}", words::reason(reason)));
    }
    out::say(AFTER);
    found
}

fn told(found: &StopTestJson, json: bool, exit: Exit) -> Exit {
    // Strings and numbers alone: this always has a JSON form.
    let text = serde_json::to_string(found).unwrap_or_else(|_| "{}".to_owned());
    let told = if json { out::result(&text) } else { out::result(found.outcome.replace('_', " ").as_str()) };
    if exit == Exit::Good && !told { Exit::WrongUse } else { exit }
}
