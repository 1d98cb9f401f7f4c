//! Runs published to a real broker, mosquitto of Debian, on loopback. They need it and its clients; the gate gets both.
#![expect(
    clippy::unwrap_used,
    clippy::panic,
    reason = "helpers of a test fail by panicking, as the tests do"
)]
use program::{Running, object, pacewright, report, simulate, until};
use serde_json::Value;
use std::fs;
use std::io::{BufRead, BufReader, Read};
use std::net::TcpListener;
use std::path::Path;
use std::process::{Command, Stdio};
use std::sync::{Arc, Mutex};

#[path = "played/program.rs"]
mod program;

const LAPSE: &str = "60";

/// A broker with one user, and all that it was told below `harbour`, a line each: the topic, then the text.
struct Broker {
    process: Running,
    port: u16,
    told: Arc<Mutex<Vec<(String, String)>>>,
    _listener: Running,
}

impl Broker {
    fn start(folder: &Path) -> Self {
        // The port is free now; nobody else is known to want it before the broker has it.
        let port = TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
        let [config, users] = ["broker.conf", "users"].map(|name| folder.join(name));
        let made = Command::new("mosquitto_passwd")
            .args(["-c", "-b"])
            .arg(&users)
            .args(["bench", "seven herons"])
            .status();
        assert!(made.expect("mosquitto is installed").success());
        let words = format!(
            "listener {port} 127.0.0.1\nallow_anonymous false\npassword_file {}\nuser root\n",
            users.display()
        );
        fs::write(&config, words).unwrap();
        let mut broker = Command::new("mosquitto");
        broker.arg("-c").arg(&config).stdout(Stdio::null()).stderr(Stdio::null());
        let process = Running(broker.spawn().unwrap());
        until("the broker", || std::net::TcpStream::connect(("127.0.0.1", port)).ok());
        let mut listener = Command::new("mosquitto_sub");
        listener.args([
            "-p",
            &port.to_string(),
            "-u",
            "bench",
            "-P",
            "seven herons",
            "-t",
            "harbour/#",
            "-v",
        ]);
        let mut listener = listener.stdout(Stdio::piped()).stderr(Stdio::null()).spawn().unwrap();
        let told = Arc::new(Mutex::new(Vec::new()));
        let (lines, kept) = (BufReader::new(listener.stdout.take().unwrap()).lines(), Arc::clone(&told));
        std::thread::spawn(move || {
            for line in lines.map_while(Result::ok) {
                let (topic, text) = line.split_once(' ').unwrap_or((&line, ""));
                kept.lock().unwrap().push((topic.to_owned(), text.to_owned()));
            }
        });
        Self { process, port, told, _listener: Running(listener) }
    }

    /// All texts of a topic so far.
    fn of(&self, topic: &str) -> Vec<String> {
        let told = self.told.lock().unwrap();
        told.iter().filter(|(known, _)| known == topic).map(|(_, text)| text.clone()).collect()
    }

    fn until_told(&self, topic: &str, text: &str) {
        until(&format!("{topic} {text}"), || {
            self.of(topic).iter().any(|told| told.contains(text)).then_some(())
        });
    }
}

/// A run on a simulated bench whose bench file has these lines more.
fn run(folder: &Path, more: &str) -> (Running, Running) {
    let file = folder.join("bench.toml");
    let (simulation, _) = simulate("avocet", LAPSE, &file);
    let text = fs::read_to_string(&file).unwrap();
    fs::write(&file, format!("{text}\n{more}")).unwrap();
    let mut command = pacewright(folder);
    command.arg("run").arg(&file).args(["--json", "--time-lapse", LAPSE]);
    let run = command.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
    (simulation, Running(run))
}

fn section(folder: &Path, port: u16, password: &str) -> String {
    use std::os::unix::fs::PermissionsExt;
    let file = folder.join("password");
    fs::write(&file, password).unwrap();
    fs::set_permissions(&file, fs::Permissions::from_mode(0o600)).unwrap();
    format!(
        "[publish]\nbroker = \"127.0.0.1:{port}\"\ntopic = \"harbour/bench-1\"\nuser = \"bench\"\npassword_file = \"{}\"\n",
        file.display()
    )
}

fn stderr(run: &mut Running) -> String {
    let mut text = String::new();
    run.0.stderr.take().unwrap().read_to_string(&mut text).unwrap();
    text
}

#[test]
#[ignore = "needs mosquitto; the gate runs it"]
fn a_run_is_published_from_its_beginning_to_its_result() {
    let folder = tempfile::tempdir().unwrap();
    let broker = Broker::start(folder.path());
    let (_simulation, mut run) = run(folder.path(), &section(folder.path(), broker.port, "seven herons"));
    assert_eq!(run.exit_code(), 0);
    broker.until_told("harbour/bench-1/bench", "ended");
    assert_eq!(broker.of("harbour/bench-1/bench"), ["running", "ended"]);
    let result: Value = serde_json::from_str(broker.of("harbour/bench-1/result").last().unwrap()).unwrap();
    assert_eq!(result, object(&mut run), "the same as on stdout");
    assert_eq!(result["outcome"], "calibrated");
    let events = broker.of("harbour/bench-1/event");
    for phase in ["reading the decoder", "warming up", "measuring", "writing the table", "verifying"] {
        assert!(events.iter().any(|event| event.contains(phase)), "{phase} in {events:?}");
    }
    let states = broker.of("harbour/bench-1/state");
    let last: Value = serde_json::from_str(states.last().unwrap()).unwrap();
    assert_eq!((&last["engine"], &last["phase"]), (&"Avocet".into(), &"stopping".into()));
    // The run takes some 25 s: one a second, and one a phase.
    assert!((10..=80).contains(&states.len()), "{}", states.len());
    // Whoever comes later finds what is kept.
    let late = Command::new("mosquitto_sub")
        .args([
            "-p",
            &broker.port.to_string(),
            "-u",
            "bench",
            "-P",
            "seven herons",
            "-t",
            "harbour/bench-1/bench",
            "-C",
            "1",
            "-W",
            "5",
        ])
        .output()
        .unwrap();
    assert_eq!(String::from_utf8_lossy(&late.stdout).trim(), "ended");
}

#[test]
#[ignore = "needs mosquitto; the gate runs it"]
fn a_program_that_dies_is_told_by_its_will() {
    let folder = tempfile::tempdir().unwrap();
    let broker = Broker::start(folder.path());
    let (_simulation, mut run) = run(folder.path(), &section(folder.path(), broker.port, "seven herons"));
    broker.until_told("harbour/bench-1/event", "warming up");
    run.0.kill().unwrap();
    broker.until_told("harbour/bench-1/bench", "lost");
    // Its watchman stops the engine; that is waited for, so that nothing goes on after the test.
    let entries = fs::read_dir(folder.path().join("runs")).unwrap();
    let folder = entries.map(|entry| entry.unwrap().path()).find(|path| path.join("journal.jsonl").exists());
    report(&folder.unwrap());
}

#[test]
#[ignore = "needs mosquitto; the gate runs it"]
fn a_broker_that_is_away_or_stuck_or_refuses_holds_up_nothing_and_is_said_once() {
    let folder = tempfile::tempdir().unwrap();
    let (_simulation, mut run_alone) = run(folder.path(), &section(folder.path(), 1, "seven herons"));
    assert_eq!(run_alone.exit_code(), 0);
    let words = stderr(&mut run_alone);
    assert_eq!(words.matches("The run is not published now").count(), 1, "{words}");

    let folder = tempfile::tempdir().unwrap();
    let broker = Broker::start(folder.path());
    let (_simulation, mut refused) = run(folder.path(), &section(folder.path(), broker.port, "six herons"));
    assert_eq!(refused.exit_code(), 0);
    let words = stderr(&mut refused);
    assert_eq!(words.matches("does not take name or password").count(), 1, "{words}");

    let folder = tempfile::tempdir().unwrap();
    let (_simulation, mut stuck) = run(folder.path(), &section(folder.path(), broker.port, "seven herons"));
    broker.until_told("harbour/bench-1/event", "warming up");
    let signal = format!("kill -STOP {}", broker.process.0.id());
    assert!(Command::new("sh").arg("-c").arg(signal).status().unwrap().success());
    assert_eq!(stuck.exit_code(), 0);
    assert_eq!(object(&mut stuck)["outcome"], "calibrated");
}
