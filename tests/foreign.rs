//! A station, an engine and a sensor written from the published facts only, from a bench file alone: `tests/foreign/`
//! follows standards/srcp.md, standards/dcc.md and standards/measurement.md 1.1, and shares no line with the program or
//! its simulator. Its three manners and two engines take the published facts apart where they leave a choice: what
//! passes here depends on no single reading. It runs in python3, which the gate (`.ci/run`) installs.
//!
//! The checks are the issue's own: calibrated, and the engine's true speed, which the program never sees, within the
//! larger of 2 % and 0.5 km/h scale at all 28 steps in both directions.

use serde_json::Value;
use std::fs;
use std::io::{BufRead, BufReader, Write};
use std::net::TcpStream;
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdin, Command, Stdio};
use std::time::Duration;

/// Longest time a run may take on the wall.
const LIMIT: Duration = Duration::from_secs(90);
const TIME_LAPSE: &str = "40";
/// 0.5 km/h at 1:87 (NEM 010), mm/s of the model.
const FLOOR_MM_S: f64 = 0.5 / 3.6 * 1000.0 / 87.0;
const TOP_MM_S: f64 = 100.0 / 3.6 * 1000.0 / 87.0;
const CREEP_MM_S: f64 = 4.0 / 3.6 * 1000.0 / 87.0;

/// The stranger's process, its ports, and a line to the truth.
struct Peer {
    child: Child,
    /// The process ends when this closes.
    _alive: ChildStdin,
    ports: [u16; 3],
    truth: BufReader<TcpStream>,
}

impl Peer {
    fn start(style: &str, engine: &str, address: u16) -> Self {
        let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/foreign/peer.py");
        let mut child = Command::new("python3")
            .arg(script)
            .args(["--time-lapse", TIME_LAPSE, "--seed", "3", "--style", style, "--engine", engine])
            .args(["--address", &address.to_string()])
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .expect("python3 is there: the gate installs it");
        let alive = child.stdin.take().expect("standard input is a pipe");
        let mut ready = String::new();
        let mut stdout = BufReader::new(child.stdout.take().expect("standard output is a pipe"));
        stdout.read_line(&mut ready).expect("the bench says its ports or ends");
        let words: Vec<&str> = ready.split_whitespace().collect();
        assert!(matches!(words[..], ["station", _, "sensor", _, "truth", _]), "it did not begin: {ready:?}");
        let ports = [1, 3, 5].map(|at| words[at].parse().expect("a port is a whole number"));
        let link =
            TcpStream::connect(("127.0.0.1", ports[2])).expect("the truth port listens when it is named");
        link.set_read_timeout(Some(Duration::from_secs(10))).expect("ten seconds are a valid limit");
        Self { child, _alive: alive, ports, truth: BufReader::new(link) }
    }

    fn ask(&mut self, question: &str) -> String {
        writeln!(self.truth.get_mut(), "{question}").expect("the bench lives as long as the test");
        let mut answer = String::new();
        self.truth.read_line(&mut answer).expect("it answers every line at once");
        answer.trim().to_owned()
    }

    fn number(&mut self, question: &str) -> f64 {
        self.ask(question).parse().expect("the question is one that a number answers")
    }
}

impl Drop for Peer {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// A bench file as somebody would write it who knows the bench, not the program.
fn bench_file(folder: &Path, peer: &Peer, address: u16) -> PathBuf {
    let [station, sensor, _] = peer.ports;
    let kind = if address > 127 { "long" } else { "short" };
    let records = folder.join("runs");
    let text = format!(
        r#"schema = 1

[bench]
name = "A bench from elsewhere"

[station]
protocol = "srcp"
address = "127.0.0.1:{station}"
bus = 1

[sensor]
format = "csv"
address = "127.0.0.1:{sensor}"

[axle]
diameter = "11.5 mm"
doubt = "0.1 %"

[engine]
name = "Dunlin"
address = {address}
kind = "{kind}"
scale = "H0"
steps = 28
leading_end = "front"

[path]
kind = "rollers"

[functions]
on = []
count = 5

[warm_up]
shortest = "2 min"

[target]
top = "100 km/h"
creep = "4 km/h"

[programming]
place = "same_track"
only_engine_on_output = true

[record]
folder = '{}'
"#,
        records.display()
    );
    let path = folder.join("bench.toml");
    fs::write(&path, text).expect("the test's own folder can be written");
    path
}

/// Runs the program on the bench and gives the object that it prints.
fn calibrate(folder: &Path, bench: &Path) -> Value {
    let output = assert_cmd::Command::new(env!("CARGO_BIN_EXE_pacewright"))
        .env("XDG_STATE_HOME", folder)
        .env_remove("RUST_LOG")
        .arg("run")
        .arg(bench)
        .args(["--json", "--time-lapse", TIME_LAPSE])
        .timeout(LIMIT)
        .output()
        .expect("the program was built for this test");
    let said = String::from_utf8_lossy(&output.stderr);
    let result: Value = serde_json::from_slice(&output.stdout).unwrap_or_default();
    assert!(result.is_object(), "no result ({}); it said\n{said}", output.status);
    assert_eq!(result["outcome"], "calibrated", "{}\n{said}", result["reasons"]);
    assert_eq!(output.status.code(), Some(0), "{said}");
    result
}

/// What the engine truly does at every step, against what was wanted.
fn check_truth(peer: &mut Peer) {
    for step in 1..=28_u32 {
        let wanted = CREEP_MM_S + (TOP_MM_S - CREEP_MM_S) * f64::from(step - 1) / 27.0;
        let allowed = FLOOR_MM_S.max(0.02 * wanted);
        for way in ["forward", "reverse"] {
            let speed = peer.number(&format!("truth {step} 28 {way}"));
            assert!(
                (speed - wanted).abs() <= allowed,
                "step {step} {way}: {speed:.2} mm/s, wanted {wanted:.2} within {allowed:.2}"
            );
        }
    }
}

/// The whole story on one bench, then the state it leaves the engine in.
fn calibrates(style: &str, engine: &str, address: u16) {
    let folder = tempfile::tempdir().expect("the system gives a folder");
    let mut peer = Peer::start(style, engine, address);
    let momentum = [peer.ask("cv 3"), peer.ask("cv 4")];
    let bench = bench_file(folder.path(), &peer, address);
    let result = calibrate(folder.path(), &bench);
    check_truth(&mut peer);
    assert_eq!([peer.ask("cv 3"), peer.ask("cv 4")], momentum, "momentum was put back");
    assert_eq!(peer.ask("speed"), "0.0000", "the engine stands at the end");
    for entry in 0..28 {
        let stored = peer.ask(&format!("cv {}", 67 + entry));
        assert_eq!(result["table"][entry].to_string(), stored, "CV {}", 67 + entry);
    }
}

#[test]
fn a_plain_station_with_a_smooth_engine() {
    calibrates("plain", "smooth", 4);
}

#[test]
fn an_odd_station_with_a_stiff_engine_on_a_long_address() {
    calibrates("odd", "stiff", 1203);
}

#[test]
fn a_bare_station_with_a_stiff_engine() {
    calibrates("bare", "stiff", 7);
}
