//! The handshake of a session, from the welcome line to the mode it lives in (`standards/srcp.md` A2).
//!
//! A pure table of (where we stand, what came) to (what to send, where we stand then).
use super::lines::Line;
use super::reply::{Reply, Welcome};
use crate::cause;
use crate::station::Session;

/// Where a session stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Stage {
    /// No connection.
    Closed,
    /// Being opened.
    Opening,
    /// Open, waiting for the welcome line.
    Greeting,
    /// `SET PROTOCOL` sent.
    Protocol,
    /// `SET CONNECTIONMODE` sent.
    Mode,
    /// `GO` sent. `short`: without the two settings before it.
    Go {
        /// Nothing was set before.
        short: bool,
    },
    /// A line with one session only: asked whether it stands in command mode. `greeted`: the handshake is behind it.
    Asking {
        /// Nothing else can follow than the answer.
        greeted: bool,
    },
    /// Through.
    Ready,
}

/// What follows from a line.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Step {
    /// Send this and stand there.
    Send(Stage, String),
    /// Through, with this session id if one was told.
    Ready(Option<u64>),
    /// It ends here: a code (of the station, or of the catalogue of causes) and words.
    Fail {
        /// The code.
        code: String,
        /// The words.
        words: String,
    },
    /// Makes no sense here; wait on.
    Odd,
}

/// What the welcome line leads to. A rescue goes the shortest way that the welcome allows.
pub(super) fn welcomed(session: Session, line: &Line) -> (Option<Welcome>, Step) {
    let Some(welcome) = line.welcome() else {
        return (None, fail(cause::station::STATION_NOT_SRCP.code, &line.quoted()));
    };
    let step = match welcome.version() {
        None => fail(cause::station::STATION_VERSION.code, &format!("offered: {}", welcome.offered())),
        Some(_) if session == Session::Rescue && welcome.plain() => go(true),
        Some(version) => Step::Send(Stage::Protocol, format!("SET PROTOCOL SRCP {version}")),
    };
    (Some(welcome), step)
}

/// What a reply leads to. Codes alone decide: the texts differ between servers (A10 no. 1).
pub(super) fn replied(session: Session, stage: Stage, welcome: &Welcome, reply: &Reply<'_>) -> Step {
    if !reply.is_ok() && !reply.is_refusal() {
        return Step::Odd;
    }
    match (stage, reply.is_ok()) {
        (Stage::Protocol, true) if session == Session::Rescue => go(false),
        (Stage::Protocol, true) => mode(session),
        // The server knows no choice of version, but speaks ours anyway.
        (Stage::Protocol, false) if welcome.plain() && session == Session::Information => mode(session),
        (Stage::Protocol, false) if welcome.plain() => go(false),
        (Stage::Protocol, false) => fail(cause::station::STATION_VERSION.code, &refusal(reply)),
        // Command mode is what GO gives without any choice, so only the information session needs the yes.
        (Stage::Mode, false) if session == Session::Information => {
            fail(&reply.code.to_string(), &reply.text())
        }
        (Stage::Mode, _) => go(false),
        // The id is the last word: "200 OK GO 51" and "200 OK 51" both occur (A10 no. 2).
        (Stage::Go { .. }, true) => Step::Ready(reply.words.last().and_then(|word| word.parse().ok())),
        (Stage::Go { short: true }, false) => match welcome.version() {
            Some(version) => Step::Send(Stage::Protocol, format!("SET PROTOCOL SRCP {version}")),
            None => fail(&reply.code.to_string(), &reply.text()),
        },
        (Stage::Go { short: false }, false) => fail(&reply.code.to_string(), &reply.text()),
        (Stage::Closed | Stage::Opening | Stage::Greeting | Stage::Asking { .. } | Stage::Ready, _) => {
            Step::Odd
        }
    }
}

fn mode(session: Session) -> Step {
    let word = if session == Session::Information { "INFO" } else { "COMMAND" };
    Step::Send(Stage::Mode, format!("SET CONNECTIONMODE SRCP {word}"))
}

fn go(short: bool) -> Step {
    Step::Send(Stage::Go { short }, "GO".to_owned())
}

fn refusal(reply: &Reply<'_>) -> String {
    format!("{} {}", reply.code, reply.text())
}

fn fail(code: &str, words: &str) -> Step {
    Step::Fail { code: code.to_owned(), words: super::lines::quote(words) }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn after(session: Session, stage: Stage, welcome: &str, line: &str) -> Step {
        let welcome = Welcome::parse(welcome).expect("a welcome line");
        replied(session, stage, &welcome, &Reply::parse(line).expect("a reply"))
    }

    fn send(stage: Stage, line: &str) -> Step {
        Step::Send(stage, line.to_owned())
    }

    const LONG: Stage = Stage::Go { short: false };

    /// `standards/srcp.md` A2 and A10 no. 1: three spellings of 202.
    #[test]
    fn every_spelling_of_202_leads_to_go() {
        for text in ["CONNECTIONMODEOK", "CONNECTION MODE", "CONNECTIONMODE"] {
            for session in [Session::Drive, Session::Information] {
                let step = after(session, Stage::Mode, "SRCP 0.8.3", &format!("1.0 202 OK {text}"));
                assert_eq!(step, send(LONG, "GO"), "{text}");
            }
        }
    }

    /// T4, T12 (trace) and the copied code table of A2.
    #[test]
    fn the_session_id_is_the_last_word() {
        for (line, id) in [("1.0 200 OK GO 51", Some(51)), ("200 OK 51", Some(51)), ("1 200 OK GO", None)] {
            assert_eq!(after(Session::Drive, LONG, "SRCP 0.8.3", line), Step::Ready(id), "{line}");
        }
    }

    /// Q27 (quoted).
    #[test]
    fn the_newest_spoken_version_is_asked_for() {
        let (_, step) = welcomed(Session::Drive, &Line::Text("SRCP 0.8.2; SRCPOTHER 0.8.3".into()));
        assert_eq!(step, send(Stage::Protocol, "SET PROTOCOL SRCP 0.8.3"));
        let step =
            after(Session::Drive, Stage::Protocol, "SRCP 0.8.2; SRCPOTHER 0.8.3", "5.0 201 OK PROTOCOL SRCP");
        assert_eq!(step, send(Stage::Mode, "SET CONNECTIONMODE SRCP COMMAND"));
    }

    #[test]
    fn a_refused_protocol_is_passed_over_only_where_ours_is_spoken_anyway() {
        let refused = "1.0 400 ERROR unsupported protocol";
        assert_eq!(after(Session::Drive, Stage::Protocol, "SRCP 0.8.2", refused), send(LONG, "GO"));
        let info = after(Session::Information, Stage::Protocol, "SRCP 0.8.2", refused);
        assert_eq!(info, send(Stage::Mode, "SET CONNECTIONMODE SRCP INFO"));
        let step = after(Session::Drive, Stage::Protocol, "SRCP 0.7.3; SRCPOTHER 0.8.3", refused);
        assert!(matches!(step, Step::Fail { code, .. } if code == "station-version"));
    }

    /// T2 (trace): 401.
    #[test]
    fn without_information_mode_only_the_information_session_ends() {
        let line = "1099501615.402 401 ERROR unsupported connectionmode";
        let step = after(Session::Information, Stage::Mode, "SRCP 0.8.2", line);
        assert_eq!(step, Step::Fail { code: "401".into(), words: "unsupported connectionmode".into() });
        assert_eq!(after(Session::Programming, Stage::Mode, "SRCP 0.8.2", line), send(LONG, "GO"));
    }

    /// T12 (trace): GO with nothing before it.
    #[test]
    fn a_rescue_goes_at_once_and_takes_the_long_way_when_that_is_refused() {
        let (_, step) = welcomed(Session::Rescue, &Line::Text("SRCP 0.8.3".into()));
        assert_eq!(step, send(Stage::Go { short: true }, "GO"));
        let step =
            after(Session::Rescue, Stage::Go { short: true }, "SRCP 0.8.3", "1 402 ERROR unsufficient data");
        assert_eq!(step, send(Stage::Protocol, "SET PROTOCOL SRCP 0.8.3"));
        let step = after(Session::Rescue, LONG, "SRCP 0.8.3", "1 402 ERROR insufficient data");
        assert!(matches!(step, Step::Fail { code, .. } if code == "402"));
        let (_, step) = welcomed(Session::Rescue, &Line::Text("SRCP 0.7.3; SRCPOTHER 0.8.4".into()));
        assert_eq!(step, send(Stage::Protocol, "SET PROTOCOL SRCP 0.8.4"));
    }

    /// A10 no. 5: the product item may contain anything.
    #[test]
    fn a_name_in_another_character_set_does_not_hide_the_version() {
        let (_, step) = welcomed(Session::Drive, &Line::Strange("H\u{fffd}fen 1; SRCP 0.8.4".to_owned()));
        assert_eq!(step, send(Stage::Protocol, "SET PROTOCOL SRCP 0.8.4"));
    }

    #[test]
    fn other_greetings_are_named() {
        let (_, step) = welcomed(Session::Drive, &Line::Text("220 mail ready".into()));
        assert!(matches!(step, Step::Fail { code, .. } if code == "station-not-srcp"));
        let (_, step) = welcomed(Session::Drive, &Line::Text("SRCP 0.7.3".into()));
        assert_eq!(step, Step::Fail { code: "station-version".into(), words: "offered: 0.7.3".into() });
    }
}
