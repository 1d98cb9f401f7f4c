//! What the person types while a run goes on: answers and commands, a line each.
use super::out;
use crate::bench::control::Command;
use crate::bench::person::WayIn;
use crate::run::Answer;
use std::io::{BufRead, IsTerminal, stdin};
use std::path::Path;
use std::thread;

/// Listens to the terminal, where there is one that is ours to read, and says how questions are answered.
pub(crate) fn listen(way_in: WayIn, folder: &Path) -> String {
    let elsewhere = format!("pacewright tell {} answer ...", folder.display());
    if !(stdin().is_terminal() && in_foreground()) {
        return format!("Answer from another terminal: {elsewhere}");
    }
    let started = thread::Builder::new().name("terminal".to_owned()).spawn(move || read_all(&way_in));
    match started {
        Ok(_) => format!("Type the answer and press Enter here, or from another terminal: {elsewhere}"),
        Err(_) => format!("Answer from another terminal: {elsewhere}"),
    }
}

/// Reading a terminal from the background would suspend this process, and with it the watch over the engine.
fn in_foreground() -> bool {
    let Ok(stat) = std::fs::read_to_string("/proc/self/stat") else { return false };
    // proc(5): after the name in brackets come state, ppid, pgrp, session, tty_nr, tpgid.
    let Some((_, fields)) = stat.rsplit_once(") ") else { return false };
    let fields: Vec<&str> = fields.split(' ').collect();
    matches!((fields.get(2), fields.get(5)), (Some(group), Some(foreground)) if group == foreground)
}

fn read_all(way_in: &WayIn) {
    // The terminal may go away: the run goes on without it.
    for line in stdin().lock().lines().map_while(Result::ok) {
        if line.trim().is_empty() {
            continue;
        }
        match understood(&line).and_then(|command| way_in.command(command)) {
            Ok(true) => out::say(&serde_json::to_string(&way_in.status()).unwrap_or_default()),
            Ok(false) => {}
            Err(why) => {
                out::say(&format!("{why}. Words understood: pause, go-on, stop, status, front, rear, done."));
            }
        }
    }
}

/// An answer may stand alone here.
fn understood(line: &str) -> Result<Command, String> {
    Answer::from_word(line).map_or_else(|| Command::parse(line), |answer| Ok(Command::Answer(answer)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_answer_may_stand_alone() {
        assert_eq!(understood(" Rear "), Ok(Command::Answer(Answer::Rear)));
        assert_eq!(understood("answer done"), Ok(Command::Answer(Answer::Done)));
        assert_eq!(understood("stop"), Ok(Command::Stop));
        assert!(understood("left").is_err());
    }
}
