//! The program over serial ports that are played by pseudo-terminals: stopping a station, a port that somebody else holds,
//! and the whole job with the sensor on one. Loopback only; every wait is bounded.
#![expect(
    clippy::unwrap_used,
    clippy::panic,
    reason = "helpers of a test fail by panicking, as the tests do"
)]
use pacewright::sim::{SimBench, SimFault, demo_engines};
use program::{Running, object, pacewright, report, simulate, until};
use pty::{Device, SerialPlug, quoted};
use serde_json::Value;
use std::fs;
use std::io::Read;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

#[path = "played/program.rs"]
mod program;
#[path = "played/pty.rs"]
mod pty;

/// How much faster than wall time these benches run.
const LAPSE: &str = "20";

/// Seed of the engines that `simulate` plays unless told otherwise.
const SEED: u64 = 1;

/// A simulated bench in a process of its own, its bench file, and where station and sensor listen.
struct Bench {
    folder: tempfile::TempDir,
    file: PathBuf,
    station: SocketAddr,
    sensor: SocketAddr,
    _simulation: Running,
}

fn bench(engine: &str) -> Bench {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("bench.toml");
    let (simulation, [station, sensor]) = simulate(engine, LAPSE, &file);
    Bench { folder, file, station, sensor, _simulation: simulation }
}

impl Bench {
    /// The bench file, from now on with this port in the place of the address.
    fn over(&self, address: SocketAddr, plug: &SerialPlug) -> PathBuf {
        let text = fs::read_to_string(&self.file).unwrap();
        let line = format!("address = \"{address}\"");
        assert!(text.contains(&line), "{text}");
        let serial = text.replace(&line, &format!("serial = {}\nbaud = 115200", quoted(&plug.name())));
        fs::write(&self.file, serial).unwrap();
        self.file.clone()
    }

    /// The object of `stop` and its exit code.
    fn stop(&self, file: &Path) -> (i32, Value) {
        let mut stop = Running(
            pacewright(self.folder.path())
                .arg("stop")
                .arg(file)
                .arg("--json")
                .stdout(Stdio::piped())
                .stderr(Stdio::null())
                .spawn()
                .unwrap(),
        );
        let code = stop.exit_code();
        (code, object(&mut stop))
    }
}

/// At this time-lapse a busy computer is late by seconds of bench time: what is tried here is the way, not its limits.
fn patient(file: &Path) {
    let text = fs::read_to_string(file).unwrap();
    assert!(text.contains("bus = 1\n") && !text.contains("[limits]"), "{text}");
    let text = text.replace("bus = 1\n", "bus = 1\nanswer_limit = \"15 s\"\n");
    let limits = "\n[limits]\nsensor_silence = \"8 s\"\nstation_silence = \"60 s\"\n";
    fs::write(file, format!("{text}{limits}")).unwrap();
}

/// A file with a mistake, too: nobody should have to mend one while an engine runs.
#[test]
fn stop_stops_a_station_on_a_serial_port_unplugged_and_plugged_in_again() {
    let bench = bench("lapwing");
    let mut plug = SerialPlug::plugged(bench.station, Device::GoesOn);
    let file = bench.over(bench.station, &plug);
    let text = fs::read_to_string(&file).unwrap();
    fs::write(&file, text.replace("\"33 mm\"", "\"33 parsecs\"")).unwrap();
    for _ in 0..2 {
        let (code, stopped) = bench.stop(&file);
        assert_eq!(code, 0, "{stopped}");
        assert_eq!(stopped["stop"], "acknowledged", "{stopped}");
        assert!(stopped["power"].as_str().unwrap().contains("carried out"), "{stopped}");
        plug.unplug();
        let (code, stopped) = bench.stop(&file);
        assert_eq!(code, 6, "{stopped}");
        let words = stopped["emergency_stop"].as_str().unwrap();
        assert!(words.contains("The serial port named in the bench file is not there."), "{stopped}");
        plug.plug();
    }
}

#[test]
fn a_port_that_another_program_holds_is_named_with_that_program() {
    let bench = bench("lapwing");
    let plug = SerialPlug::plugged(bench.station, Device::GoesOn);
    let file = bench.over(bench.station, &plug);
    let mut child = Command::new("sh")
        .args(["-c", "exec 3<>\"$0\"; echo held; exec sleep 60"])
        .arg(plug.name())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let mut word = [0; 5];
    child.stdout.take().unwrap().read_exact(&mut word).unwrap();
    let holder = Running(child);
    let (code, stopped) = bench.stop(&file);
    assert_eq!(code, 6, "{stopped}");
    let words = stopped["emergency_stop"].as_str().unwrap();
    assert!(words.contains(&format!("by process {} (", holder.0.id())), "{stopped}");
    drop(holder);
    assert_eq!(bench.stop(&file).0, 0);
}

/// The table in the simulated engine, as warm as it gets: what the result says it does is what it does.
fn as_the_engine_runs(object: &Value) {
    let number = |value: &Value| u8::try_from(value.as_u64().unwrap()).unwrap();
    let mut sim = demo_engines::avocet(SEED);
    for (cv, value) in (67..).zip(object["table"].as_array().unwrap()) {
        sim.decoder.cvs.insert(cv, number(value));
    }
    sim.decoder.cvs.insert(66, number(&object["trim_forward"]));
    sim.decoder.cvs.insert(95, number(&object["trim_reverse"]));
    *sim.decoder.cvs.get_mut(&29).unwrap() |= 16;
    let mut bench = SimBench::new(sim);
    bench.apply(SimFault::Warmth(1.0));
    let steps = object["steps"].as_array().unwrap();
    assert_eq!(steps.len(), 28);
    for row in steps {
        let step = u16::try_from(row["step"].as_u64().unwrap()).unwrap();
        let wanted = row["target_mm_s"].as_f64().unwrap();
        for (forward, said) in [(true, "forward_mm_s"), (false, "reverse_mm_s")] {
            let truth = bench.steady_speed(forward, step, 126);
            let said = row[said].as_f64().unwrap();
            // 2 % or 0.5 km/h, and as much again for an engine that was not quite as warm when it was judged.
            let allowed = 2.0 * (0.02 * wanted).max(0.5 / 3.6 / 87.0 * 1000.0);
            assert!((truth - wanted).abs() <= allowed, "step {step}: {truth} {said} {wanted}");
            assert!((truth - said).abs() <= allowed, "step {step}: {truth} {said} {wanted}");
        }
    }
}

/// A process that hangs keeps the port: its watchman ends it, and stops the engine over the same port.
#[test]
fn a_run_that_hangs_and_holds_the_port_is_ended_and_the_engine_stopped() {
    let bench = bench("avocet");
    let station = SerialPlug::plugged(bench.station, Device::GoesOn);
    let file = bench.over(bench.station, &station);
    patient(&file);
    let mut run = Running(
        pacewright(bench.folder.path())
            .arg("run")
            .arg(&file)
            .args(["--json", "--time-lapse", LAPSE])
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap(),
    );
    let folder = until("the warm-up", || {
        // The log lies beside the run.
        let mut folders =
            fs::read_dir(bench.folder.path().join("runs")).ok()?.flatten().map(|entry| entry.path());
        let folder = folders.find(|path| path.join("journal.jsonl").exists())?;
        let told = pacewright(bench.folder.path()).arg("tell").arg(&folder).arg("status").output().ok()?;
        let status: Value = serde_json::from_slice(&told.stdout).ok()?;
        (status["status"]["phase"] == "warm_up").then_some(folder)
    });
    let suspended = Command::new("sh").arg("-c").arg(format!("kill -STOP {}", run.0.id())).status().unwrap();
    assert!(suspended.success());
    let report = report(&folder);
    assert_eq!(
        (&report["reason"]["code"], &report["stop"]),
        (&"program-hangs".into(), &"acknowledged".into()),
        "{report}"
    );
    assert_eq!(run.exit_code(), -1, "it was killed");
    let (code, stopped) = bench.stop(&file);
    assert_eq!(code, 0, "the port is free again: {stopped}");
}

#[test]
fn the_whole_job_with_station_and_sensor_on_serial_ports() {
    let bench = bench("avocet");
    let sensor = SerialPlug::plugged(bench.sensor, Device::StartsAnew);
    let station = SerialPlug::plugged(bench.station, Device::GoesOn);
    bench.over(bench.sensor, &sensor);
    let file = bench.over(bench.station, &station);
    patient(&file);
    let mut run = Running(
        pacewright(bench.folder.path())
            .arg("run")
            .arg(file)
            .args(["--json", "--time-lapse", LAPSE])
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap(),
    );
    let code = run.exit_code();
    let object = object(&mut run);
    assert_eq!(code, 0, "{object}");
    assert_eq!(object["outcome"], "calibrated");
    assert_eq!(object["stop"], "still");
    as_the_engine_runs(&object);
    let replay = pacewright(bench.folder.path())
        .arg("replay")
        .arg(object["run_folder"].as_str().unwrap())
        .output()
        .unwrap();
    assert_eq!(replay.status.code(), Some(0), "{}", String::from_utf8_lossy(&replay.stdout));
}
