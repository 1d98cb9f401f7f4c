//! Who may do what: two tokens, the origin of what is asked, and how often.
//!
//! A token stands in the address, as the first part of its path. Whoever has the one may look, whoever has the other may
//! act as well. There are no cookies: a page of somebody else cannot borrow what it does not know.
use crate::bench::control::Command;
use serde::{Deserialize, Serialize};
use std::collections::VecDeque;
use std::fs::{File, OpenOptions};
use std::io::{self, ErrorKind, Read, Write};
use std::os::unix::fs::{OpenOptionsExt, PermissionsExt};
use std::path::{Path, PathBuf};
use thiserror::Error;

/// Hexadecimal digits of a token: 122 random bits and the six fixed ones of a version 4 UUID.
const DIGITS: usize = 32;
/// Things asked that are remembered, so that what is sent again after a lost reply is not done twice.
const REMEMBERED: usize = 64;
/// So many things may be asked within [`WINDOW_S`].
const MOST: usize = 20;
const WINDOW_S: f64 = 10.0;
/// Longest name of a thing asked.
const LONGEST_ID: usize = 64;
/// The longest file of tokens that is read.
const LONGEST_FILE: u64 = 4096;

/// What the bearer of a token may do.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum May {
    /// Look.
    Look,
    /// Look, stop, pause, go on, answer.
    Act,
}

/// The two tokens of a page.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Tokens {
    /// For looking.
    pub view: String,
    /// For acting.
    pub control: String,
}

/// Why the tokens cannot be kept.
#[derive(Debug, Error)]
pub enum TokensError {
    /// The system's own.
    #[error("{path}: {error}")]
    Io {
        /// The file.
        path: PathBuf,
        /// Why.
        error: io::Error,
    },
    /// Others may read the file.
    #[error("{0} can be read by other users: what is in it is no secret; delete it, new ones are made")]
    Open(PathBuf),
    /// What is in the file are no tokens.
    #[error("{0} holds no tokens; delete it, new ones are made")]
    Wrong(PathBuf),
}

impl Tokens {
    /// New ones, of the system's own randomness.
    #[must_use]
    pub fn fresh() -> Self {
        let token = || uuid::Uuid::new_v4().simple().to_string();
        Self { view: token(), control: token() }
    }

    /// Those of this file, so that an address that was kept on a telephone holds for the next night; made and written,
    /// for this user alone, where there are none.
    ///
    /// # Errors
    /// [`TokensError`].
    pub fn kept(path: &Path) -> Result<Self, TokensError> {
        let io = |error| TokensError::Io { path: path.to_owned(), error };
        match File::open(path) {
            Ok(file) => {
                if file.metadata().map_err(io)?.permissions().mode() & 0o077 != 0 {
                    return Err(TokensError::Open(path.to_owned()));
                }
                let mut text = String::new();
                file.take(LONGEST_FILE).read_to_string(&mut text).map_err(io)?;
                let tokens: Option<Self> = serde_json::from_str(&text).ok();
                tokens.filter(Self::are_whole).ok_or_else(|| TokensError::Wrong(path.to_owned()))
            }
            Err(error) if error.kind() == ErrorKind::NotFound => {
                let tokens = Self::fresh();
                if let Some(folder) = path.parent() {
                    std::fs::create_dir_all(folder).map_err(io)?;
                }
                let mut file =
                    OpenOptions::new().write(true).create_new(true).mode(0o600).open(path).map_err(io)?;
                // Plain texts: they always have a JSON form.
                let text = serde_json::to_string(&tokens).unwrap_or_default();
                file.write_all(text.as_bytes()).map_err(io)?;
                Ok(tokens)
            }
            Err(error) => Err(io(error)),
        }
    }

    fn are_whole(&self) -> bool {
        let whole = |token: &str| token.len() == DIGITS && token.bytes().all(|byte| byte.is_ascii_hexdigit());
        whole(&self.view) && whole(&self.control) && self.view != self.control
    }

    /// What the bearer of this may do.
    pub(super) fn may(&self, token: &str) -> Option<May> {
        // Both are compared, each to its end: how long that takes tells nothing of where they differ.
        let [view, control] = [&self.view, &self.control].map(|own| same(own, token));
        if control { Some(May::Act) } else { view.then_some(May::Look) }
    }
}

fn same(own: &str, other: &str) -> bool {
    own.len() == other.len() && own.bytes().zip(other.bytes()).fold(0, |off, (a, b)| off | (a ^ b)) == 0
}

/// Whether a browser that names this origin shows a page of the host that it asks. One that names none, or "null", does not
/// say so; and whoever is no browser can say what it likes, but needs the token all the same.
pub(super) fn is_own(origin: Option<&str>, host: Option<&str>) -> bool {
    origin.and_then(|origin| origin.strip_prefix("http://")).is_some_and(|origin| Some(origin) == host)
}

/// A thing asked.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Asked {
    /// Its name, by which it is known when it is sent again.
    id: String,
    /// What, as a line of the control socket.
    line: String,
}

/// What came of a thing asked.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Reply {
    /// It was handed to the run, now or when it was asked first.
    Done,
    /// It was not understood, or the run does not take it.
    Refused(String),
    /// Too much is asked.
    TooOften,
}

/// What was asked lately.
#[derive(Debug, Default)]
pub(super) struct Answered {
    done: VecDeque<String>,
    /// Wall times in seconds.
    times: VecDeque<f64>,
}

impl Answered {
    /// Takes a thing asked at this wall time and does it, unless it was done before. A stop is never too often: it is done at
    /// once, and only its repetitions are counted.
    pub(super) fn take(
        &mut self,
        asked: &Asked,
        now_s: f64,
        act: impl FnOnce(Command) -> Result<bool, String>,
    ) -> Reply {
        if asked.id.is_empty() || asked.id.len() > LONGEST_ID {
            return Reply::Refused(format!("expected an id of 1 to {LONGEST_ID} signs"));
        }
        if self.done.contains(&asked.id) {
            return Reply::Done;
        }
        let command = match Command::parse(&asked.line) {
            Ok(Command::Status) => return Reply::Refused("the page shows the status".to_owned()),
            Ok(command) => command,
            Err(why) => return Reply::Refused(why),
        };
        self.times.retain(|at| now_s - at < WINDOW_S);
        if self.times.len() >= MOST && command != Command::Stop {
            return Reply::TooOften;
        }
        if self.times.len() < MOST {
            self.times.push_back(now_s);
        }
        if let Err(why) = act(command) {
            return Reply::Refused(why);
        }
        if self.done.len() == REMEMBERED {
            self.done.pop_front();
        }
        self.done.push_back(asked.id.clone());
        Reply::Done
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn tokens() -> Tokens {
        Tokens::fresh()
    }

    #[test]
    fn each_token_allows_its_own_and_no_more() {
        let own = tokens();
        assert_eq!(own.may(&own.view), Some(May::Look));
        assert_eq!(own.may(&own.control), Some(May::Act));
        let other = tokens();
        let longer = format!("{}0", own.control);
        for wrong in
            ["", "0", &other.view, &other.control, &longer, &own.control[1..], &own.control.to_uppercase()]
        {
            // A token of digits alone is the same in capitals.
            assert!(own.may(wrong).is_none() || wrong == own.control, "{wrong}");
        }
    }

    #[test]
    fn only_a_page_of_the_same_host_is_ones_own() {
        let host = Some("192.0.2.7:8750");
        assert!(is_own(Some("http://192.0.2.7:8750"), host));
        for wrong in [
            None,
            Some("null"),
            Some("https://192.0.2.7:8750"),
            Some("http://192.0.2.7"),
            Some("http://192.0.2.7:8751"),
            Some("http://192.0.2.7:8750.example"),
            Some("http://example"),
            Some(""),
        ] {
            assert!(!is_own(wrong, host), "{wrong:?}");
        }
        assert!(!is_own(Some("http://"), None));
    }

    fn asked(id: &str, line: &str) -> Asked {
        Asked { id: id.to_owned(), line: line.to_owned() }
    }

    #[test]
    fn what_is_sent_again_is_not_done_again() {
        let (mut answered, mut done) = (Answered::default(), 0);
        for _ in 0..3 {
            let reply = answered.take(&asked("a", "stop"), 0.0, |_| {
                done += 1;
                Ok(false)
            });
            assert_eq!(reply, Reply::Done);
        }
        assert_eq!(done, 1);
        let refused = answered.take(&asked("b", "pause"), 0.0, |_| Err("no".to_owned()));
        assert_eq!(refused, Reply::Refused("no".to_owned()));
        assert_eq!(
            answered.take(&asked("b", "pause"), 0.0, |_| Ok(false)),
            Reply::Done,
            "a refusal may be tried again"
        );
    }

    #[test]
    fn too_much_is_refused_for_a_while_but_never_a_stop() {
        let mut answered = Answered::default();
        for n in 0..MOST {
            assert_eq!(answered.take(&asked(&n.to_string(), "pause"), 0.0, |_| Ok(false)), Reply::Done);
        }
        assert_eq!(answered.take(&asked("x", "pause"), 9.0, |_| Ok(false)), Reply::TooOften);
        assert_eq!(answered.take(&asked("y", "stop"), 9.0, |_| Ok(false)), Reply::Done);
        assert_eq!(answered.take(&asked("x", "pause"), 10.1, |_| Ok(false)), Reply::Done);
    }

    #[test]
    fn nonsense_is_refused_in_words_and_reaches_no_run() {
        let mut answered = Answered::default();
        let long = "i".repeat(LONGEST_ID + 1);
        for (id, line) in [("", "stop"), (long.as_str(), "stop"), ("a", "halt"), ("a", ""), ("a", "status")] {
            let reply = answered.take(&asked(id, line), 0.0, |_| unreachable!("{id} {line}"));
            assert!(matches!(reply, Reply::Refused(_)), "{id} {line}: {reply:?}");
        }
    }

    #[test]
    fn kept_tokens_are_the_same_the_next_night_and_for_this_user_alone() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("state/watch.json");
        let first = Tokens::kept(&path).unwrap();
        assert_eq!(Tokens::kept(&path).unwrap(), first);
        assert_eq!(std::fs::metadata(&path).unwrap().permissions().mode() & 0o777, 0o600);
        std::fs::set_permissions(&path, std::fs::Permissions::from_mode(0o644)).unwrap();
        assert!(matches!(Tokens::kept(&path), Err(TokensError::Open(_))));
        std::fs::set_permissions(&path, std::fs::Permissions::from_mode(0o600)).unwrap();
        for wrong in [
            "",
            "{}",
            r#"{"view":"a","control":"b"}"#,
            &format!(r#"{{"view":"{0}","control":"{0}"}}"#, first.view),
        ] {
            std::fs::write(&path, wrong).unwrap();
            assert!(matches!(Tokens::kept(&path), Err(TokensError::Wrong(_))), "{wrong}");
        }
    }
}
