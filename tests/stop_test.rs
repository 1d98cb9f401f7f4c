//! The test of the stop over real sockets, the person played by the test: a program that is killed, a link that is pulled, and
//! what an unattended run needs before it begins. Loopback only; every wait is bounded.
#![expect(
    clippy::unwrap_used,
    clippy::panic,
    reason = "helpers of a test fail by panicking, as the tests do"
)]
use program::{Running, object, pacewright, report, simulate, until};
use serde_json::Value;
use std::fs;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::{Shutdown, SocketAddr, TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::process::Stdio;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};

#[path = "played/program.rs"]
mod program;

const LAPSE: &str = "40";

/// A cable to the sensor that can be pulled.
#[derive(Clone, Default)]
struct Cable {
    pulled: Arc<AtomicBool>,
    ends: Arc<Mutex<Vec<TcpStream>>>,
}

impl Cable {
    /// Its near end.
    fn plugged_into(sensor: SocketAddr) -> (Self, SocketAddr) {
        let (cable, near) = (Self::default(), TcpListener::bind("127.0.0.1:0").unwrap());
        let address = near.local_addr().unwrap();
        let own = cable.clone();
        // It lives as long as the test's process.
        std::thread::spawn(move || {
            for here in near.incoming().flatten() {
                if own.pulled.load(Ordering::SeqCst) {
                    continue;
                }
                let Ok(there) = TcpStream::connect(sensor) else { continue };
                let mut ends = own.ends.lock().unwrap();
                ends.extend([here.try_clone().unwrap(), there.try_clone().unwrap()]);
                drop(ends);
                std::thread::spawn(move || carry(there, here));
            }
        });
        (cable, address)
    }

    fn pull(&self) {
        self.pulled.store(true, Ordering::SeqCst);
        for end in self.ends.lock().unwrap().drain(..) {
            // One that has ended already needs no end.
            let _ = end.shutdown(Shutdown::Both);
        }
    }

    fn plug_in(&self) {
        self.pulled.store(false, Ordering::SeqCst);
    }
}

fn carry(mut from: TcpStream, mut to: TcpStream) {
    let mut bytes = [0; 4096];
    while let Ok(count @ 1..) = from.read(&mut bytes) {
        if to.write_all(&bytes[..count]).is_err() {
            break;
        }
    }
    let _ = (from.shutdown(Shutdown::Both), to.shutdown(Shutdown::Both));
}

/// A simulated bench whose sensor hangs on a cable, and its bench file.
fn bench(folder: &Path) -> (Running, Cable, PathBuf) {
    let file = folder.join("bench.toml");
    let (simulation, [_, sensor]) = simulate("avocet", LAPSE, &file);
    let (cable, near) = Cable::plugged_into(sensor);
    let text = fs::read_to_string(&file).unwrap().replace(&sensor.to_string(), &near.to_string());
    let quick = "\n[warm_up]\nshortest = \"1 min\"\nlongest = \"2 min\"\n[sweep]\nsteps = 8\n";
    fs::write(&file, text + quick).unwrap();
    (simulation, cable, file)
}

/// The test of the stop, its sentences read one by one.
fn stop_test(folder: &Path, file: &Path, hear: impl Fn(&str)) -> (i32, Value) {
    let mut test = Running(
        pacewright(folder)
            .arg("stop-test")
            .arg(file)
            .args(["--json", "--time-lapse", LAPSE])
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap(),
    );
    let mut said = String::new();
    for line in BufReader::new(test.0.stderr.take().unwrap()).lines() {
        let line = line.unwrap();
        hear(&line);
        said += &(line + "\n");
    }
    assert!(said.contains("hand on the switch") && said.contains("cut-off"), "{said}");
    let code = test.exit_code();
    (code, object(&mut test))
}

fn unattended(folder: &Path, file: &Path) -> Running {
    let mut command = pacewright(folder);
    command.arg("run").arg(file).args(["--unattended", "--json", "--time-lapse", LAPSE]);
    Running(command.stdout(Stdio::piped()).stderr(Stdio::null()).spawn().unwrap())
}

fn refused(folder: &Path, file: &Path) -> String {
    let mut run = unattended(folder, file);
    assert_eq!(run.exit_code(), 2);
    let refused = object(&mut run);
    assert_eq!(refused["reasons"][0]["code"], "not-proved", "{refused}");
    refused["reasons"][0]["evidence"].as_str().unwrap().to_owned()
}

#[test]
fn an_unattended_run_begins_once_the_bench_has_proved_that_it_stops_and_not_before() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    let (_simulation, cable, file) = bench(folder);
    let missing = refused(folder, &file);
    assert!(
        missing.contains("killed") && missing.contains("pulled") && missing.contains("beside it"),
        "{missing}"
    );
    let hear = |line: &str| {
        if line.contains("Pull the link") {
            cable.pull();
        }
        if line.contains("Plug the link in again") {
            cable.plug_in();
        }
    };
    let (code, proved) = stop_test(folder, &file, hear);
    assert_eq!((code, proved["outcome"].as_str().unwrap()), (0, "proved"), "{proved}");
    assert!(proved["program_killed"].as_str().unwrap().contains("seen to stand"), "{proved}");
    assert!(proved["link_pulled"].as_str().unwrap().contains("sensor-"), "{proved}");
    let killed = fs::read_dir(folder.join("runs")).unwrap().flatten().map(|entry| entry.path());
    let killed = killed.filter(|path| path.join("watchman.json").exists()).collect::<Vec<_>>();
    assert_eq!(killed.len(), 1, "{killed:?}");
    assert_eq!(report(&killed[0])["reason"]["code"], "program-died");
    let missing = refused(folder, &file);
    assert!(!missing.contains("killed") && !missing.contains("pulled"), "{missing}");
    let mut attended = pacewright(folder);
    attended.arg("run").arg(&file).args(["--json", "--time-lapse", LAPSE]);
    let mut attended = Running(attended.stdout(Stdio::piped()).stderr(Stdio::null()).spawn().unwrap());
    assert_eq!(attended.exit_code(), 0, "{}", object(&mut attended));
    let mut alone = unattended(folder, &file);
    // A killed run leaves its socket behind, which nobody answers.
    until("its stop", || {
        let runs = fs::read_dir(folder.join("runs")).ok()?.flatten().map(|entry| entry.path());
        runs.filter(|path| path.join("control").exists()).find_map(|run| {
            let told = pacewright(folder).arg("tell").arg(&run).arg("stop").output().ok()?;
            serde_json::from_slice::<Value>(&told.stdout).is_ok_and(|told| told["ok"] == true).then_some(())
        })
    });
    assert_eq!(alone.exit_code(), 5);
    assert_eq!(object(&mut alone)["stop"], "still");
}

#[test]
fn a_link_that_nobody_pulls_and_a_sensor_that_does_not_come_back_prove_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    let (_simulation, _cable, file) = bench(folder);
    let (code, found) = stop_test(folder, &file, |_| {});
    assert_eq!(code, 4, "{found}");
    assert_eq!(found["outcome"], "not_proved");
    assert_eq!(found["reasons"][0]["code"], "stop-not-proved", "{found}");
    assert!(found["reasons"][0]["evidence"].as_str().unwrap().contains("rolled"), "{found}");
    let missing = refused(folder, &file);
    assert!(
        missing.contains("pulled") && !missing.contains("killed"),
        "what was proved stays proved: {missing}"
    );
}

#[test]
fn a_run_that_asks_somebody_is_never_alone() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    let (_simulation, _cable, file) = bench(folder);
    let text = fs::read_to_string(&file).unwrap();
    fs::write(&file, text.replace("steps = 8", "steps = 8\nplacings = 3")).unwrap();
    let mut run = unattended(folder, &file);
    assert_eq!(run.exit_code(), 2);
    let refused = object(&mut run);
    assert_eq!(refused["reasons"][0]["code"], "needs-a-person", "{refused}");
    assert!(!folder.join("runs").exists(), "nothing was begun");
}
