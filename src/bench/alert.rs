//! A command of the person's choice when a run has ended: it may send a message, ring a bell, switch a lamp. It runs when the engine
//! was seen to and the record is closed, is given a limited time, and changes nothing about the run or its exit.
use super::clock::pause;
use crate::cause::{Reason, program};
use crate::config::{AlertSpec, AlertWhen};
use crate::run::{End, RunOutcome, StopGrade, VerdictWord};
use std::io;
use std::path::Path;
use std::process::Stdio;
use tokio::io::AsyncWriteExt;
use tokio::process::{Child, Command};

/// What the command is told.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Message {
    /// How it ended, one word.
    pub(crate) outcome: String,
    /// Code of the most important reason; empty for none.
    pub(crate) cause: String,
    /// How sure the stop is, one word.
    pub(crate) stop: String,
    /// The engine.
    pub(crate) engine: String,
    /// The run's folder.
    pub(crate) folder: String,
    /// One sentence.
    pub(crate) summary: String,
    /// It did not end as it should.
    pub(crate) trouble: bool,
    /// The result as JSON, for the command's standard input.
    pub(crate) json: String,
}

impl Message {
    /// Of a run that has ended.
    pub(crate) fn of(outcome: &RunOutcome, engine: &str, folder: &Path, json: String) -> Self {
        let word = |value: Result<serde_json::Value, serde_json::Error>| {
            // Both are enums of plain words.
            value.ok().and_then(|value| value.as_str().map(str::to_owned)).unwrap_or_default()
        };
        let (end, stop) =
            (word(serde_json::to_value(outcome.outcome)), word(serde_json::to_value(outcome.stop)));
        let reason = outcome.reasons.first();
        let why =
            reason.map_or_else(String::new, |reason| format!(" ({}: {})", reason.code, reason.evidence));
        Self {
            summary: format!("{engine}: {end}, stop {stop}{why}"),
            cause: reason.map_or_else(String::new, |reason| reason.code.clone()),
            outcome: end,
            stop,
            engine: engine.to_owned(),
            folder: folder.display().to_string(),
            trouble: is_trouble(outcome),
            json,
        }
    }
}

fn is_trouble(outcome: &RunOutcome) -> bool {
    matches!(outcome.outcome, End::Rejected | End::Halted | End::Interrupted | End::Refused)
        || outcome.verdict == VerdictWord::Fail
        || outcome.stop == StopGrade::Unconfirmed
        || !outcome.restore_pending.is_empty()
}

/// A message and the command that takes it.
#[derive(Clone, Debug)]
pub struct Alert {
    pub(crate) spec: AlertSpec,
    pub(crate) message: Message,
}

impl Alert {
    /// Runs the command, where the message is one that it wants.
    ///
    /// # Errors
    /// What went wrong with it, to be said.
    pub async fn sound(&self) -> Result<(), Reason> {
        sound(&self.spec, &self.message).await
    }
}

/// As [`Alert::sound`].
pub(crate) async fn sound(spec: &AlertSpec, message: &Message) -> Result<(), Reason> {
    let Some((name, words)) = spec.command.split_first() else { return Ok(()) };
    if spec.when == AlertWhen::Trouble && !message.trouble {
        return Ok(());
    }
    let failed = |why: String| Err(Reason::new(&program::ALERT_FAILED, format!("{name}: {why}")));
    let mut child = match start(name, words, message) {
        Ok(child) => child,
        Err(error) => return failed(error.to_string()),
    };
    let json = message.json.clone();
    let ended = tokio::select! {
        ended = told(&mut child, json) => ended,
        () = pause(spec.limit) => {
            // One that has ended by now needs no end.
            let _ = child.kill().await;
            return failed(format!("not done within {} s", spec.limit.as_secs()));
        }
    };
    match ended {
        Ok(status) if status.success() => Ok(()),
        Ok(status) => failed(status.to_string()),
        Err(error) => failed(error.to_string()),
    }
}

/// No shell: the words go to the program as they stand.
fn start(name: &str, words: &[String], message: &Message) -> io::Result<Child> {
    Command::new(name)
        .args(words)
        // Its life is none of the service manager's business.
        .env_remove("NOTIFY_SOCKET")
        .env("PACEWRIGHT_OUTCOME", &message.outcome)
        .env("PACEWRIGHT_CAUSE", &message.cause)
        .env("PACEWRIGHT_STOP", &message.stop)
        .env("PACEWRIGHT_ENGINE", &message.engine)
        .env("PACEWRIGHT_RUN", &message.folder)
        .env("PACEWRIGHT_SUMMARY", &message.summary)
        .stdin(Stdio::piped())
        .stdout(Stdio::null())
        .kill_on_drop(true)
        .spawn()
}

async fn told(child: &mut Child, json: String) -> io::Result<std::process::ExitStatus> {
    if let Some(mut stdin) = child.stdin.take() {
        // A command that does not read is none the worse for it.
        let _ = stdin.write_all(json.as_bytes()).await;
    }
    child.wait().await
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::time::Duration;

    fn message(trouble: bool) -> Message {
        Message {
            outcome: "halted".to_owned(),
            cause: "power-lost".to_owned(),
            stop: "still".to_owned(),
            engine: "Avocet".to_owned(),
            folder: "/runs/1".to_owned(),
            summary: "Avocet: halted; $(touch pwned) \"quoted\"".to_owned(),
            trouble,
            json: "{\"schema\":1}".to_owned(),
        }
    }

    fn spec(script: &str, folder: &Path, when: AlertWhen, limit: Duration) -> AlertSpec {
        let words = ["sh", "-c", script, "sh", folder.to_str().unwrap()];
        AlertSpec { command: words.map(str::to_owned).to_vec(), when, limit }
    }

    #[tokio::test]
    async fn it_hears_what_happened_and_nothing_goes_through_a_shell() {
        let folder = tempfile::tempdir().unwrap();
        let script = "{ echo \"$PACEWRIGHT_OUTCOME $PACEWRIGHT_CAUSE $PACEWRIGHT_STOP $PACEWRIGHT_ENGINE $PACEWRIGHT_RUN\"; \
                      echo \"$PACEWRIGHT_SUMMARY\"; cat; } > \"$1/heard\"";
        let long = Duration::from_secs(30);
        sound(&spec(script, folder.path(), AlertWhen::Ends, long), &message(false)).await.unwrap();
        let heard = std::fs::read_to_string(folder.path().join("heard")).unwrap();
        let lines: Vec<&str> = heard.lines().collect();
        assert_eq!(lines[0], "halted power-lost still Avocet /runs/1");
        assert_eq!(lines[1], "Avocet: halted; $(touch pwned) \"quoted\"");
        assert_eq!(lines[2], "{\"schema\":1}");
    }

    #[tokio::test]
    async fn it_is_spared_what_it_does_not_want_and_its_own_troubles_are_told() {
        let folder = tempfile::tempdir().unwrap();
        let touch = "touch \"$1/ran\"";
        let long = Duration::from_secs(30);
        sound(&spec(touch, folder.path(), AlertWhen::Trouble, long), &message(false)).await.unwrap();
        assert!(!folder.path().join("ran").exists());
        sound(&spec(touch, folder.path(), AlertWhen::Trouble, long), &message(true)).await.unwrap();
        assert!(folder.path().join("ran").exists());
        let none =
            AlertSpec { command: vec!["/no/such/program".to_owned()], when: AlertWhen::Ends, limit: long };
        for (spec, words) in [
            (spec("exit 3", folder.path(), AlertWhen::Ends, long), "3"),
            (
                spec("exec sleep 60", folder.path(), AlertWhen::Ends, Duration::from_millis(300)),
                "not done within",
            ),
            (none, "/no/such/program"),
        ] {
            let reason = sound(&spec, &message(true)).await.unwrap_err();
            assert_eq!(reason.code, "alert-failed");
            assert!(reason.evidence.contains(words), "{}", reason.evidence);
        }
    }
}
