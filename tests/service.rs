//! What a bench looks like to whoever looks after it from afar: the log, the alert, the signs of life to a service manager and its
//! unit. Real processes on loopback; every wait is bounded.
#![expect(
    clippy::unwrap_used,
    clippy::panic,
    reason = "helpers of a test fail by panicking, as the tests do"
)]
use program::{Running, object, pacewright, report, simulate, until};
use serde_json::Value;
use std::fs;
use std::os::unix::net::UnixDatagram;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::Duration;

#[path = "played/program.rs"]
mod program;

const LAPSE: &str = "40";

/// A simulated bench and the bench file that leads to it, with this at its end.
fn bench(folder: &Path, more: &str) -> (Running, PathBuf) {
    let file = folder.join("bench.toml");
    let (simulation, _) = simulate("avocet", LAPSE, &file);
    let text = fs::read_to_string(&file).unwrap();
    fs::write(&file, text + more).unwrap();
    (simulation, file)
}

fn run(folder: &Path, file: &Path) -> Command {
    let mut command = pacewright(folder);
    command.arg("run").arg(file).args(["--json", "--time-lapse", LAPSE]);
    command.stdout(Stdio::piped()).stderr(Stdio::null());
    command
}

/// The folder of the only run, once it is in this phase.
fn until_phase(folder: &Path, phase: &str) -> PathBuf {
    until(phase, || {
        let runs = fs::read_dir(folder.join("runs")).ok()?.flatten().map(|entry| entry.path());
        runs.filter(|run| run.join("journal.jsonl").exists()).find(|run| {
            let told = pacewright(folder).arg("tell").arg(run).arg("status").output();
            let told = told.ok().and_then(|told| serde_json::from_slice::<Value>(&told.stdout).ok());
            told.is_some_and(|told| told["status"]["phase"] == phase)
        })
    })
}

fn stop(folder: &Path, run: &Path) {
    assert!(pacewright(folder).arg("tell").arg(run).arg("stop").output().unwrap().status.success());
}

/// An alert that writes what it hears to this file.
fn alert(heard: &Path) -> String {
    let script = "{ echo \\\"$PACEWRIGHT_OUTCOME $PACEWRIGHT_CAUSE $PACEWRIGHT_STOP\\\"; cat; } > \\\"$1.new\\\" && mv \\\"$1.new\\\" \\\"$1\\\"";
    format!("\n[alert]\ncommand = [\"sh\", \"-c\", \"{script}\", \"sh\", \"{}\"]\n", heard.display())
}

#[test]
fn the_log_tells_a_run_from_its_begin_to_its_end_and_the_alert_how_it_ended() {
    let folder = tempfile::tempdir().unwrap();
    let heard = folder.path().join("heard");
    let (_simulation, file) = bench(folder.path(), &alert(&heard));
    let mut started = Running(run(folder.path(), &file).spawn().unwrap());
    let record = until_phase(folder.path(), "warm_up");
    stop(folder.path(), &record);
    assert_eq!(started.exit_code(), 5, "the alert changes nothing about the exit");
    let result = object(&mut started);
    let log = fs::read_dir(folder.path().join("runs/log")).unwrap().flatten().map(|entry| entry.path());
    let logs: Vec<PathBuf> = log.collect();
    assert_eq!(logs.len(), 1, "{logs:?}");
    let text = fs::read_to_string(&logs[0]).unwrap();
    let lines: Vec<Value> = text.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    assert_eq!(lines[0]["message"], "run begins", "{text}");
    assert_eq!(lines[0]["engine"], "Avocet");
    assert_eq!(lines[0]["run_id"], result["run_id"]);
    assert!(lines.iter().any(|line| line["phase"] == "warming up"), "{text}");
    let last = lines.last().unwrap();
    assert_eq!((&last["message"], &last["level"]), (&"run ended".into(), &"INFO".into()), "{text}");
    assert!(last["reasons"].as_str().unwrap().contains("person-stopped"), "{text}");
    assert!(lines.len() < 100, "never a line a sample: {}", lines.len());
    let heard = fs::read_to_string(heard).unwrap();
    let (first, json) = heard.split_once('\n').unwrap();
    assert_eq!(first, "interrupted person-stopped still");
    assert_eq!(serde_json::from_str::<Value>(json.trim()).unwrap()["run_id"], result["run_id"]);
}

#[test]
fn a_killed_run_is_told_by_its_watchman() {
    let folder = tempfile::tempdir().unwrap();
    let heard = folder.path().join("heard");
    let (_simulation, file) = bench(folder.path(), &alert(&heard));
    let mut started = Running(run(folder.path(), &file).spawn().unwrap());
    let record = until_phase(folder.path(), "warm_up");
    started.0.kill().unwrap();
    report(&record);
    let heard = until("the alert", || fs::read_to_string(&heard).ok());
    assert!(heard.starts_with("halted program-died acknowledged\n"), "{heard}");
}

#[test]
fn a_service_manager_hears_signs_of_life_from_the_loop_and_none_from_a_process_that_hangs() {
    let folder = tempfile::tempdir().unwrap();
    let (_simulation, file) = bench(folder.path(), "");
    let socket = folder.path().join("notify");
    let manager = UnixDatagram::bind(&socket).unwrap();
    manager.set_read_timeout(Some(Duration::from_secs(4))).unwrap();
    let mut started = run(folder.path(), &file);
    started.env("NOTIFY_SOCKET", &socket).env("WATCHDOG_USEC", "20000000");
    let started = Running(started.spawn().unwrap());
    let hear = || {
        let mut bytes = [0; 200];
        manager.recv(&mut bytes).ok().map(|count| String::from_utf8_lossy(&bytes[..count]).into_owned())
    };
    assert_eq!(hear().as_deref(), Some("READY=1\nWATCHDOG=1\nWATCHDOG_USEC=20000000"));
    for _ in 0..3 {
        assert_eq!(hear().as_deref(), Some("WATCHDOG=1"));
    }
    let signal = |name: &str| {
        let sent = Command::new("sh").arg("-c").arg(format!("kill -{name} {}", started.0.id())).status();
        assert!(sent.unwrap().success());
    };
    signal("STOP");
    // What was on its way may still come.
    while let Some(line) = hear() {
        assert_eq!(line, "WATCHDOG=1");
    }
    assert_eq!(hear(), None, "not a word for four seconds");
    signal("CONT");
}

#[test]
fn the_unit_names_whole_paths_and_systemd_finds_nothing_wrong_with_it() {
    let folder = tempfile::tempdir().unwrap();
    let (_simulation, file) = bench(folder.path(), "");
    let printed = pacewright(folder.path()).arg("unit").arg(&file).output().unwrap();
    assert!(printed.status.success());
    let unit = String::from_utf8(printed.stdout).unwrap();
    let whole = file.canonicalize().unwrap();
    assert!(unit.contains(&format!("run --unattended \"{}\"", whole.display())), "{unit}");
    assert!(unit.contains(&format!("stop \"{}\"", whole.display())), "{unit}");
    assert!(unit.contains("not the only safeguard"), "{unit}");
    let path = folder.path().join("pacewright.service");
    fs::write(&path, &unit).unwrap();
    // `.ci/run` sees to it that this is there.
    let verified = Command::new("systemd-analyze").arg("verify").arg("--man=no").arg(&path).output().unwrap();
    let words = String::from_utf8_lossy(&verified.stderr).into_owned();
    let own: Vec<&str> = words.lines().filter(|line| line.contains("pacewright.service")).collect();
    assert!(own.is_empty(), "{words}");
    let missing =
        pacewright(folder.path()).arg("unit").arg(folder.path().join("none.toml")).output().unwrap();
    assert_eq!(missing.status.code(), Some(2));
}
