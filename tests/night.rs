//! Nights over real sockets: several engines and jobs, what is done after a job that did not end well, and what the morning's
//! report says. Loopback only; every wait is bounded.
#![expect(
    clippy::unwrap_used,
    clippy::panic,
    reason = "helpers of a test fail by panicking, as the tests do"
)]
use program::{Running, object, pacewright, report, simulate, until};
use serde_json::Value;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

#[path = "played/program.rs"]
mod program;

const LAPSE: &str = "60";
const QUICK: &str = "\n[warm_up]\nshortest = \"20 s\"\nlongest = \"40 s\"\n[sweep]\nsteps = 5\n";

/// A simulated bench, and the bench file with this at its end.
fn bench(folder: &Path, engine: &str, more: &str) -> (Running, PathBuf) {
    let own = folder.join(engine);
    fs::create_dir(&own).unwrap();
    let file = own.join("bench.toml");
    let (simulation, _) = simulate(engine, LAPSE, &file);
    let text = fs::read_to_string(&file).unwrap();
    fs::write(&file, format!("{text}{QUICK}{more}")).unwrap();
    (simulation, file)
}

fn night(folder: &Path, benches: &[&Path], more: &[&str]) -> Command {
    let mut command = pacewright(folder);
    command.arg("night").args(benches).args(["--json", "--time-lapse", LAPSE]).args(more);
    command.stdout(Stdio::piped()).stderr(Stdio::null());
    command
}

fn outcomes(engine: &Value) -> Vec<&str> {
    engine["jobs"].as_array().unwrap().iter().map(|job| job["outcome"].as_str().unwrap()).collect()
}

/// The report as it lies beside the runs.
fn kept(folder: &Path) -> Value {
    let entries = fs::read_dir(folder.join("runs")).unwrap().flatten().map(|entry| entry.path());
    let is =
        |path: &PathBuf| path.file_name().is_some_and(|name| name.to_string_lossy().starts_with("night-"));
    let found: Vec<PathBuf> = entries.filter(is).collect();
    assert_eq!(found.len(), 1, "{found:?}");
    serde_json::from_slice(&fs::read(&found[0]).unwrap()).unwrap()
}

#[test]
fn two_engines_with_several_jobs_each_are_done_and_told_in_the_morning() {
    let folder = tempfile::tempdir().unwrap();
    let checks = "\n[night]\njobs = [\"calibrate\", \"check\"]\nchecks = 2\ncheck_every = \"1 min\"\n";
    let sweeps = "\n[night]\njobs = [\"sweep\"]\nsweeps = 2\n";
    let (_first, avocet) = bench(folder.path(), "avocet", checks);
    let (_second, curlew) = bench(folder.path(), "curlew", sweeps);
    let mut night = Running(night(folder.path(), &[&avocet, &curlew], &[]).spawn().unwrap());
    let code = night.exit_code();
    let report = object(&mut night);
    assert_eq!(code, 0, "{report}");
    let engines = report["engines"].as_array().unwrap();
    assert_eq!(engines.len(), 2);
    assert_eq!(outcomes(&engines[0]), ["calibrated", "checked", "checked"]);
    assert_eq!(outcomes(&engines[1]), ["measured", "measured"]);
    for engine in engines {
        assert!(engine["left_out"].is_null());
        let hours = engine["running_hours"].as_f64().unwrap();
        let whole: f64 = engine["jobs"]
            .as_array()
            .unwrap()
            .iter()
            .map(|job| job["minutes"].as_f64().unwrap() / 60.0)
            .sum();
        assert!(hours > 0.1 && hours < whole, "{hours} of {whole}");
        for job in engine["jobs"].as_array().unwrap() {
            assert_eq!(job["stop"], "still");
            assert!(Path::new(job["run_folder"].as_str().unwrap()).join("journal.jsonl").exists());
        }
    }
    assert!(engines[0]["drift_percent"].as_f64().unwrap().abs() < 5.0, "{report}");
    let repeats = &engines[1]["repeatability"];
    assert_eq!(repeats["sweeps"], 2, "{report}");
    // Points are asked for to half a per cent; two sweeps of one engine differ by no more than a few of these.
    assert!(
        repeats["settings"].as_u64().unwrap() >= 6 && repeats["sd_percent"].as_f64().unwrap() < 2.0,
        "{repeats}"
    );
    assert_eq!(kept(avocet.parent().unwrap()), report, "beside the runs of the first engine");
}

#[test]
fn after_a_halt_the_rest_of_that_engine_is_left_out_and_another_station_goes_on() {
    let folder = tempfile::tempdir().unwrap();
    let impatient = "\n[limits]\nreconnect = \"0 s\"\n[night]\njobs = [\"calibrate\", \"check\"]\n";
    let (mut first, avocet) = bench(folder.path(), "avocet", impatient);
    let (_second, curlew) = bench(folder.path(), "curlew", "\n[night]\njobs = [\"sweep\"]\nsweeps = 1\n");
    let mut night = Running(night(folder.path(), &[&avocet, &curlew], &[]).spawn().unwrap());
    until("the first engine under way", || {
        let runs = fs::read_dir(avocet.parent().unwrap().join("runs")).ok()?.flatten();
        runs.map(|entry| entry.path()).find_map(|run| {
            let told = pacewright(folder.path()).arg("tell").arg(&run).arg("status").output().ok()?;
            let told: Value = serde_json::from_slice(&told.stdout).ok()?;
            (told["status"]["phase"] == "warm_up").then_some(())
        })
    });
    // Station and sensor are gone at once.
    first.0.kill().unwrap();
    let code = night.exit_code();
    let report = object(&mut night);
    let engines = report["engines"].as_array().unwrap();
    assert_eq!(outcomes(&engines[0]), ["halted"], "{report}");
    if engines[0]["jobs"][0]["stop"] == "unconfirmed" {
        // Nobody can say whether an engine runs: nothing else is begun.
        assert_eq!(code, 6, "{report}");
        assert!(engines[1]["left_out"].as_str().unwrap().contains("stands"), "{report}");
    } else {
        assert_eq!(code, 4, "{report}");
        assert_eq!(outcomes(&engines[1]), ["measured"], "{report}");
    }
    assert!(engines[0]["left_out"].as_str().unwrap().contains("calibrate"), "{report}");
}

#[test]
fn an_engine_that_nobody_puts_on_is_left_out_and_never_expected_of_an_empty_room() {
    let folder = tempfile::tempdir().unwrap();
    let (_simulation, avocet) = bench(folder.path(), "avocet", "\n[night]\njobs = [\"sweep\"]\nsweeps = 1\n");
    let other = avocet.with_file_name("other.toml");
    let text = fs::read_to_string(&avocet).unwrap();
    fs::write(
        &other,
        text.replace("name = \"Avocet\"", "name = \"Curlew\"").replace("address = 7", "address = 11"),
    )
    .unwrap();
    let mut alone = Running(night(folder.path(), &[&avocet, &other], &["--unattended"]).spawn().unwrap());
    assert_eq!(alone.exit_code(), 2);
    assert_eq!(object(&mut alone)["reasons"][0]["code"], "needs-a-person");
    assert!(!avocet.parent().unwrap().join("runs").exists(), "nothing was begun");
    let mut asked = Running(night(folder.path(), &[&avocet, &other], &[]).spawn().unwrap());
    assert_eq!(asked.exit_code(), 4);
    let report = object(&mut asked);
    assert_eq!(outcomes(&report["engines"][0]), ["measured"], "{report}");
    assert_eq!(report["engines"][1]["left_out"], "nobody put it on", "{report}");
}

#[test]
fn a_night_that_is_killed_leaves_what_was_done() {
    let folder = tempfile::tempdir().unwrap();
    let (_simulation, avocet) = bench(folder.path(), "avocet", "\n[night]\njobs = [\"sweep\"]\nsweeps = 3\n");
    let mut night = Running(night(folder.path(), &[&avocet], &[]).spawn().unwrap());
    let runs = avocet.parent().unwrap().join("runs");
    let second = until("the second sweep", || {
        let folders =
            fs::read_dir(&runs).ok()?.flatten().map(|entry| entry.path()).filter(|path| path.is_dir());
        let mut folders: Vec<PathBuf> = folders.collect();
        folders.sort();
        let second = folders.get(1)?.clone();
        let told = pacewright(folder.path()).arg("tell").arg(&second).arg("status").output().ok()?;
        let told: Value = serde_json::from_slice(&told.stdout).ok()?;
        (told["status"]["phase"] == "warm_up").then_some(second)
    });
    night.0.kill().unwrap();
    assert_eq!(report(&second)["reason"]["code"], "program-died");
    let kept = kept(avocet.parent().unwrap());
    assert_eq!(outcomes(&kept["engines"][0]), ["measured"], "{kept}");
}
