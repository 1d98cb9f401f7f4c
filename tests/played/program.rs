//! The program as whole-program tests run it: in a process of its own that does not outlive the test, with bounded waits.
use serde_json::Value;
use std::io::{BufRead, BufReader, Read};
use std::net::SocketAddr;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

/// No wait in these tests is longer.
const PATIENCE: Duration = Duration::from_secs(100);

/// The program, with its state in this folder.
pub(crate) fn pacewright(folder: &Path) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_pacewright"));
    command.env("XDG_STATE_HOME", folder).env_remove("RUST_LOG").stdin(Stdio::null());
    command
}

/// A child that does not outlive the test.
pub(crate) struct Running(pub(crate) Child);

impl Drop for Running {
    fn drop(&mut self) {
        // It may have ended by itself.
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

impl Running {
    pub(crate) fn exit_code(&mut self) -> i32 {
        until("the end", || self.0.try_wait().unwrap()).code().unwrap_or(-1)
    }
}

/// Looks again and again until there is something.
#[expect(clippy::disallowed_methods, reason = "a test that waits for another process")]
pub(crate) fn until<T>(what: &str, mut look: impl FnMut() -> Option<T>) -> T {
    let began = Instant::now();
    loop {
        if let Some(found) = look() {
            return found;
        }
        assert!(began.elapsed() < PATIENCE, "{what} did not come");
        std::thread::sleep(Duration::from_millis(20));
    }
}

/// The object on stdout of a child that has ended.
pub(crate) fn object(running: &mut Running) -> Value {
    let mut text = String::new();
    running.0.stdout.take().unwrap().read_to_string(&mut text).unwrap();
    serde_json::from_str(&text).unwrap_or_else(|error| panic!("{error} in {text:?}"))
}

/// The report of the watchman in this run's folder, once it is there.
pub(crate) fn report(folder: &Path) -> Value {
    until("the watchman's report", || {
        serde_json::from_slice(&std::fs::read(folder.join("watchman.json")).ok()?).ok()
    })
}

/// A simulated bench in a process of its own, which writes `file` as the bench file that leads to it, and the addresses of
/// its station and its sensor.
pub(crate) fn simulate(engine: &str, lapse: &str, file: &Path) -> (Running, [SocketAddr; 2]) {
    let mut simulation = Running(
        pacewright(file.parent().unwrap())
            .args(["simulate", "--engine", engine, "--time-lapse", lapse, "--bench-file"])
            .arg(file)
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap(),
    );
    // It prints its ports, a line each, once it listens and the bench file is there.
    let mut lines = BufReader::new(simulation.0.stdout.take().unwrap());
    let addresses = ["station ", "sensor "].map(|who| {
        let mut line = String::new();
        lines.read_line(&mut line).unwrap();
        let address = line.trim().strip_prefix(who).and_then(|address| address.parse().ok());
        address.unwrap_or_else(|| panic!("{line}"))
    });
    (simulation, addresses)
}
