//! The control socket of a run: a Unix socket named `control` in the run folder. A line in, a JSON line out.
//!
//! Lines: `pause`, `go-on`, `stop`, `status`, `answer front`, `answer rear`, `answer done`. The socket is for the user
//! who started the run and nobody else. What it takes enters the one queue like everything else.
use super::clock::pause;
use super::person::WayIn;
use super::status::Status;
use crate::run::{Answer, PersonAct};
use serde_json::{Value, json};
use std::io::{self, BufRead, BufReader, Read, Write};
use std::os::fd::AsRawFd;
use std::os::unix::fs::PermissionsExt;
use std::os::unix::net::UnixStream as StdUnixStream;
use std::path::{Path, PathBuf};
use std::time::Duration;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{UnixListener, UnixStream};
use tokio::task::JoinSet;

/// Name of the socket inside the run folder.
pub const SOCKET_NAME: &str = "control";

/// Longest line taken.
const LONGEST_LINE: usize = 200;

/// Visitors at a time; more are turned away, so that nobody can fill the process with connections.
const VISITORS: usize = 16;

/// A visitor that is silent for so long is sent away.
const PATIENCE: Duration = Duration::from_secs(60);

/// Longest path that fits a Unix socket address everywhere, with its end mark.
const LONGEST_PATH: usize = 100;

/// What a visitor may ask.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Command {
    /// Stop the engine and wait.
    Pause,
    /// Go on after a pause.
    GoOn,
    /// End the run.
    Stop,
    /// Where does it stand?
    Status,
    /// Answer the question that is open.
    Answer(Answer),
}

impl Command {
    /// A line as a visitor sends it.
    ///
    /// # Errors
    /// What was expected, as a sentence.
    pub fn parse(line: &str) -> Result<Self, String> {
        let words: Vec<&str> = line.split_ascii_whitespace().collect();
        match words.as_slice() {
            ["pause"] => Ok(Self::Pause),
            ["go-on"] => Ok(Self::GoOn),
            ["stop"] => Ok(Self::Stop),
            ["status"] => Ok(Self::Status),
            ["answer", word] => Answer::from_word(word)
                .map(Self::Answer)
                .ok_or_else(|| format!("expected answer front, answer rear or answer done; {word:?} came")),
            ["answer"] => Err("expected answer front, answer rear or answer done; no answer came".to_owned()),
            _ => Err(format!(
                "expected pause, go-on, stop, status or answer; {:?} came",
                line.chars().take(40).collect::<String>()
            )),
        }
    }

    /// The line that [`Self::parse`] understands.
    #[must_use]
    pub fn line(self) -> String {
        match self {
            Self::Pause => "pause".to_owned(),
            Self::GoOn => "go-on".to_owned(),
            Self::Stop => "stop".to_owned(),
            Self::Status => "status".to_owned(),
            Self::Answer(answer) => format!("answer {}", answer.word()),
        }
    }
}

/// The listening socket of a run; its file goes when this goes.
#[derive(Debug)]
pub struct ControlSocket {
    listener: UnixListener,
    file: PathBuf,
}

impl ControlSocket {
    /// Opens the socket in this run folder, for this user only. Needs to be called inside the runtime.
    ///
    /// # Errors
    /// When the socket cannot be made there.
    pub fn open(folder: &Path) -> io::Result<Self> {
        let file = folder.join(SOCKET_NAME);
        let listener = with_short_path(folder, UnixListener::bind)?;
        std::fs::set_permissions(&file, std::fs::Permissions::from_mode(0o600))?;
        Ok(Self { listener, file })
    }

    /// Serves visitors until dropped.
    pub(crate) async fn serve(self, way_in: WayIn) {
        let mut visitors = JoinSet::new();
        loop {
            tokio::select! {
                accepted = self.listener.accept() => match accepted {
                    Ok((stream, _)) if visitors.len() < VISITORS => {
                        visitors.spawn(serve_one(stream, way_in.clone()));
                    }
                    Ok(_) => {}
                    // Out of file descriptors, say: the run matters more than its visitors.
                    Err(_) => pause(Duration::from_millis(200)).await,
                },
                Some(ended) = visitors.join_next() => {
                    if let Err(error) = ended && let Ok(panic) = error.try_into_panic() {
                        std::panic::resume_unwind(panic);
                    }
                }
            }
        }
    }
}

impl Drop for ControlSocket {
    fn drop(&mut self) {
        // Left behind it would only be a dead file: connecting to it says so.
        let _ = std::fs::remove_file(&self.file);
    }
}

/// Calls `open` with the socket's path, by way of the folder's descriptor where the path is too long for a socket.
fn with_short_path<T>(folder: &Path, open: impl FnOnce(PathBuf) -> io::Result<T>) -> io::Result<T> {
    let path = folder.join(SOCKET_NAME);
    if path.as_os_str().len() <= LONGEST_PATH {
        return open(path);
    }
    let handle = std::fs::File::open(folder)?;
    open(PathBuf::from(format!("/proc/self/fd/{}/{SOCKET_NAME}", handle.as_raw_fd())))
}

async fn serve_one(mut stream: UnixStream, way_in: WayIn) {
    let mut waiting = Vec::new();
    let mut piece = [0; 256];
    loop {
        let got = tokio::select! {
            got = stream.read(&mut piece) => got,
            () = pause(PATIENCE) => return,
        };
        let Ok(n @ 1..) = got else { return };
        waiting.extend_from_slice(&piece[..n]);
        while let Some(end) = waiting.iter().position(|byte| *byte == b'\n') {
            let line: Vec<u8> = waiting.drain(..=end).collect();
            let reply = answer_line(&String::from_utf8_lossy(&line), &way_in);
            if stream.write_all(format!("{reply}\n").as_bytes()).await.is_err() {
                return;
            }
        }
        if waiting.len() > LONGEST_LINE {
            return;
        }
    }
}

fn refusal(why: &str) -> Value {
    json!({ "ok": false, "error": why })
}

fn answer_line(line: &str, way_in: &WayIn) -> Value {
    match Command::parse(line).and_then(|command| way_in.command(command)) {
        Ok(false) => json!({ "ok": true }),
        Ok(true) => json!({ "ok": true, "status": way_in.status() }),
        Err(why) => refusal(&why),
    }
}

/// The act that gives this answer to the open question, or why it cannot be given.
pub(crate) fn act_for(answer: Answer, status: &Status) -> Result<PersonAct, String> {
    let asked = status.question.ok_or("nothing is being asked now")?;
    if !asked.what.answers().contains(&answer) {
        let expected: Vec<&str> = asked.what.answers().iter().map(|answer| answer.word()).collect();
        return Err(format!(
            "{} is no answer to \"{}\"; expected {}",
            answer.word(),
            asked.what.words(),
            expected.join(" or ")
        ));
    }
    Ok(PersonAct::Answer { question: asked.number, answer })
}

/// Tells a run something over its control socket and returns the reply.
///
/// # Errors
/// When no run listens in this folder, or it does not answer within ten seconds.
pub fn tell(folder: &Path, command: Command) -> io::Result<Value> {
    let mut stream = with_short_path(folder, StdUnixStream::connect)?;
    let limit = Some(Duration::from_secs(10));
    stream.set_read_timeout(limit)?;
    stream.set_write_timeout(limit)?;
    stream.write_all(format!("{}\n", command.line()).as_bytes())?;
    let mut reply = String::new();
    BufReader::new(stream.take(1 << 20)).read_line(&mut reply)?;
    serde_json::from_str(&reply).map_err(|error| io::Error::new(io::ErrorKind::InvalidData, error))
}

#[cfg(test)]
mod tests {
    use super::super::person::Person;
    use super::super::status::Asked;
    use super::*;
    use crate::run::Question;
    use proptest::prelude::*;

    #[test]
    fn every_command_parses_from_its_own_line() {
        let answers = [Answer::Front, Answer::Rear, Answer::Done].map(Command::Answer);
        for command in
            [Command::Pause, Command::GoOn, Command::Stop, Command::Status].into_iter().chain(answers)
        {
            assert_eq!(Command::parse(&command.line()), Ok(command));
            assert_eq!(Command::parse(&format!("  {}\r\n", command.line())), Ok(command));
        }
    }

    #[test]
    fn a_wrong_line_says_what_was_expected() {
        for wrong in ["", "halt", "pause now", "answer", "answer left", "PAUSE", "stop\0"] {
            let why = Command::parse(wrong).unwrap_err();
            assert!(why.starts_with("expected "), "{wrong:?}: {why}");
        }
    }

    proptest! {
        #[test]
        fn no_line_panics(line in ".*") {
            let _ = Command::parse(&line);
        }
    }

    fn status(question: Option<Question>) -> Status {
        let mut status = Status::before("run-1", "Lapwing", 1.0);
        status.question = question.map(|what| Asked { number: 4, what });
        status
    }

    #[test]
    fn an_answer_goes_only_to_a_question_that_takes_it() {
        assert!(act_for(Answer::Front, &status(None)).unwrap_err().contains("nothing is being asked"));
        let asked = status(Some(Question::WhichEndLed));
        assert!(act_for(Answer::Done, &asked).unwrap_err().contains("front or rear"));
        assert_eq!(
            act_for(Answer::Rear, &asked),
            Ok(PersonAct::Answer { question: 4, answer: Answer::Rear })
        );
    }

    async fn visit(folder: PathBuf) {
        let mut person = Person::new(status(None));
        let socket = ControlSocket::open(&folder).unwrap();
        let mode = std::fs::metadata(folder.join(SOCKET_NAME)).unwrap().permissions().mode();
        assert_eq!(mode & 0o077, 0, "nobody else may talk to a run");
        let server = tokio::spawn(socket.serve(person.way_in()));
        let asking = folder.clone();
        let replies = tokio::task::spawn_blocking(move || {
            [Command::Pause, Command::Status, Command::Answer(Answer::Front)]
                .map(|c| tell(&asking, c).unwrap())
        });
        let [paused, told, refused] = replies.await.unwrap();
        assert_eq!(paused, json!({ "ok": true }));
        assert_eq!(told["status"]["run_id"], "run-1");
        assert_eq!(refused["ok"], false);
        assert_eq!(person.wanted.recv().await, Some(PersonAct::Pause));
        server.abort();
        let _ = server.await;
        assert!(!folder.join(SOCKET_NAME).exists(), "the socket goes with the run");
    }

    #[tokio::test]
    async fn a_visitor_is_served_over_the_socket() {
        let folder = tempfile::tempdir().unwrap();
        visit(folder.path().to_owned()).await;
    }

    #[tokio::test]
    async fn a_folder_with_a_long_path_works_too() {
        let folder = tempfile::tempdir().unwrap();
        let deep = folder.path().join("a-long-name-of-a-club".repeat(8));
        std::fs::create_dir(&deep).unwrap();
        visit(deep).await;
    }

    #[tokio::test]
    async fn an_endless_line_ends_the_visit() {
        let folder = tempfile::tempdir().unwrap();
        let person = Person::new(status(None));
        let server = tokio::spawn(ControlSocket::open(folder.path()).unwrap().serve(person.way_in()));
        let path = folder.path().to_owned();
        let mut stream = UnixStream::connect(path.join(SOCKET_NAME)).await.unwrap();
        stream.write_all(&[b'x'; 1000]).await.unwrap();
        let mut reply = Vec::new();
        // It ends, whether in order or reset; the test would hang if it did not.
        let _ = stream.read_to_end(&mut reply).await;
        assert_eq!(reply, b"");
        let next = tokio::task::spawn_blocking(move || tell(&path, Command::Status).unwrap()).await.unwrap();
        assert_eq!(next["ok"], true, "the next visitor is served");
        server.abort();
    }
}
