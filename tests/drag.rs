//! The verb `drag`: two recorded runs of one engine, with a measuring car and without it, and what cannot be compared.
#![expect(clippy::unwrap_used, reason = "helpers of a test fail by panicking, as the tests do")]
use assert_cmd::Command;
use pacewright::bench::virtual_bench::VirtualBench;
use pacewright::calibrate::budget::Together;
use pacewright::calibrate::{DragSeen, drag};
use pacewright::config;
use pacewright::journal::{Disk, JOURNAL, RESULT, RealDisk, RunFolder, recorded_speeds};
use pacewright::run::RunPlan;
use pacewright::sim::{SimBench, SimFault, SimSpec, demo_engines};
use std::fs;
use std::path::{Path, PathBuf};
use std::time::Duration;

const AVOCET: &str = include_str!("../scenarios/avocet.toml");
const LIMIT: Duration = Duration::from_secs(4 * 3600);
/// A car makes running heavier by this part of the engine's own friction.
const CAR: f64 = 0.5;

/// The one engine; `noise` seeds what is by chance in a run.
fn engine(noise: u64, car: bool) -> SimSpec {
    let mut sim = demo_engines::avocet(5);
    sim.seed = noise;
    if car {
        sim.engine.friction_n_m *= 1.0 + CAR;
    }
    sim
}

/// Plays a run and puts its record into a folder of the system.
fn record(sim: SimSpec, text: &str, number: u32, folder: &Path) -> PathBuf {
    // A sweep that learns measures other settings each time.
    let text = &format!("{text}\n[sweep]\nsteps = 14\n");
    let spec = config::read("avocet.toml", text).unwrap();
    let mut bench = VirtualBench::new(sim, RunPlan::new(spec), text);
    bench.folder = PathBuf::from(format!("/runs/{number}"));
    let end = bench.run_to_end(LIMIT).unwrap();
    assert_eq!(end.broken, None);
    let (from, to) = (Path::new("/runs").join(number.to_string()), folder.join(number.to_string()));
    fs::create_dir(&to).unwrap();
    for name in [JOURNAL, RESULT] {
        fs::write(to.join(name), end.disk.read(&from.join(name)).unwrap()).unwrap();
    }
    to
}

/// Runs the verb; exit code, stdout and stderr.
fn told(with: &Path, without: &Path) -> (i32, String, String) {
    let mut command = Command::cargo_bin("pacewright").unwrap();
    let output =
        command.args(["drag".as_ref(), with, without]).timeout(Duration::from_secs(60)).output().unwrap();
    (
        output.status.code().unwrap_or(-1),
        String::from_utf8(output.stdout).unwrap(),
        String::from_utf8(output.stderr).unwrap(),
    )
}

/// The true mean difference over the settings of the sweep, mm/s, of engines as warm as running makes them.
fn truth(settings: &[u16], forward: bool) -> f64 {
    let speed = |car: bool, step: u16| {
        let mut sim = engine(1, car);
        // The linear baseline: zeros in CV 2, 5 and 6, no table, trims at unity.
        for (cv, value) in [(2, 0), (5, 0), (6, 0), (66, 128), (95, 128)] {
            sim.decoder.cvs.insert(cv, value);
        }
        let settings = sim.decoder.cvs[&29];
        sim.decoder.cvs.insert(29, settings & !0x10 | 0x02);
        let mut bench = SimBench::new(sim);
        bench.apply(SimFault::Warmth(1.0));
        bench.steady_speed(forward, step, 126)
    };
    settings.iter().map(|step| speed(false, *step) - speed(true, *step)).sum::<f64>() / settings.len() as f64
}

#[test]
fn what_the_car_costs_is_seen_and_what_it_is_compared_with_counts() {
    let folder = tempfile::tempdir().unwrap();
    let without = record(engine(21, false), AVOCET, 1, folder.path());
    let again = record(engine(22, false), AVOCET, 2, folder.path());
    let with = record(engine(23, true), AVOCET, 3, folder.path());

    // The same axle in both runs, whose circumference is known to 0.2 % only.
    let speeds = |folder: &Path| recorded_speeds(&RunFolder::open(&RealDisk, folder).unwrap()).unwrap();
    let (one, two, car) = (speeds(&without), speeds(&again), speeds(&with));
    assert_eq!(one.baseline, car.baseline);
    for side in drag(&one.points, &car.points, Together::SameAxle) {
        assert_eq!(side.seen(), DragSeen::Drag, "{side:?}");
        let settings: Vec<u16> = side.points.iter().map(|at| at.value).collect();
        let forward = side.direction == pacewright::station::Direction::Forward;
        let off = side.slower_mm_s - truth(&settings, forward);
        assert!(off.abs() <= 1.5 * side.u95_mm_s, "{off} off, {} said", side.u95_mm_s);
    }
    for side in drag(&one.points, &two.points, Together::SameAxle) {
        assert_eq!(side.seen(), DragSeen::Nothing, "{side:?}");
    }

    let (code, stdout, stderr) = told(&with, &without);
    assert_eq!(code, 0, "{stderr}");
    assert_eq!(stdout.matches("Drag is seen").count(), 2, "{stdout}");
    assert!(stdout.contains("same axle"), "{stdout}");
    let (code, stdout, _) = told(&without, &again);
    assert_eq!((code, stdout.matches("No drag is seen").count()), (0, 2), "{stdout}");
    let (code, stdout, _) = told(&without, &with);
    assert_eq!((code, stdout.matches("Something else is seen").count()), (0, 2), "{stdout}");

    // Refusals, each with its cause.
    let (code, stdout, stderr) = told(&with, &with);
    assert_eq!((code, stdout.as_str()), (2, ""));
    assert!(stderr.contains("runs-unlike") && stderr.contains("same run"), "{stderr}");
    let (code, _, stderr) = told(&with, &folder.path().join("nowhere"));
    assert!(code == 2 && stderr.contains("journal-missing"), "{stderr}");
    let journal = without.join(JOURNAL);
    let whole = fs::read(&journal).unwrap();
    let mut damaged = whole.clone();
    let middle = damaged.len() / 2;
    damaged[middle] ^= 1;
    fs::write(&journal, &damaged).unwrap();
    let (code, _, stderr) = told(&with, &without);
    assert!(code == 2 && stderr.contains("journal-damaged"), "{stderr}");
    fs::write(&journal, &whole[..whole.len() - 20]).unwrap();
    let (code, _, stderr) = told(&with, &without);
    assert!(code == 2 && stderr.contains("journal-damaged"), "{stderr}");
    let first = whole.iter().position(|byte| *byte == b'\n').unwrap();
    fs::write(&journal, &whole[..=first]).unwrap();
    let (code, _, stderr) = told(&with, &without);
    assert!(code == 2 && stderr.contains("no-speeds"), "{stderr}");
}

#[test]
fn other_engines_and_other_baselines_are_refused() {
    let folder = tempfile::tempdir().unwrap();
    let avocet = record(engine(31, false), AVOCET, 1, folder.path());
    let lapwing_text = include_str!("../scenarios/lapwing.toml");
    let lapwing = record(demo_engines::lapwing(5), lapwing_text, 2, folder.path());
    let (code, stdout, stderr) = told(&lapwing, &avocet);
    assert_eq!((code, stdout.as_str()), (2, ""));
    assert!(stderr.contains("runs-of-two-engines") && stderr.contains("Avocet"), "{stderr}");
    // The same address and decoder, but one that takes no zeros: its response is another.
    let mut other = engine(32, false);
    other.decoder.refuses_zeros = true;
    other.decoder.cvs.insert(5, 255);
    let other = record(other, AVOCET, 3, folder.path());
    let (code, _, stderr) = told(&other, &avocet);
    assert!(code == 2 && stderr.contains("runs-unlike") && stderr.contains("CV 2"), "{stderr}");
}
