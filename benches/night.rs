//! A night through everything that a run does with it: bytes to lines, to speeds, to the phases and guards, to the journal and the
//! kept raw bytes on the disk. And bench-years a day: the same with the simulated bench in the loop.
//!
//! The night is a running-in of the invented Lapwing, which keeps an engine moving for hours. It is played once on the virtual bench
//! (timed: everything in the loop) and its inputs are then fed to a fresh core and a fresh record on the real disk (timed: what a
//! real bench would cost), by a child process, so that its peak memory is its own.
//!
//! Where `PEER_PYTHON` names a Python with the packages of `benches/peer/requirements.txt`, also what a point costs beside a
//! general-purpose experiment orchestrator. `cargo bench --bench night -- 12` for twelve hours; two where no number is given.
#![expect(clippy::print_stdout, reason = "a bench tells its figures")]
#![expect(clippy::disallowed_methods, reason = "a bench is timed")]
use pacewright::bench::virtual_bench::{VirtualBench, VirtualEnd};
use pacewright::config;
use pacewright::journal::{
    BALLAST, BENCH_FILE, Disk, FrameKind, FrameRef, INPUT_RAW, JOURNAL, RealDisk, Recorder, RunFolder,
};
use pacewright::run::desk::Desk;
use pacewright::run::{Durability, Input, Output, Purpose, RecordBody, RunPlan};
use pacewright::sim::{LineForm, Measurand, SensorSim, demo_engines};
use std::error::Error;
use std::path::Path;
use std::process::Command;
use std::time::{Duration, Instant};

const TEXT: &str = include_str!("../scenarios/lapwing.toml");
/// Wall seconds that are timed at the least.
const LEAST_S: f64 = 3.0;
/// A day in which two cores play, against a year, both in hours.
const DAY_OF_YEAR: f64 = 24.0 / (365.25 * 24.0);

fn main() -> Result<(), Box<dyn Error>> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    // Built, but not run, by tests.
    if !arguments.iter().any(|argument| argument == "--bench") {
        return Ok(());
    }
    if let Ok(folder) = std::env::var("NIGHT_FED") {
        return feed(Path::new(&folder));
    }
    let hours: f64 = arguments.iter().find_map(|argument| argument.parse().ok()).unwrap_or(2.0);
    println!(
        "| samples a second | hours | everything in the loop, times real time | bench-years a day, two cores | fed: times real time | ns a sample | peak memory, MiB |"
    );
    println!("|---|---|---|---|---|---|---|");
    for (rate_hz, hours) in [(50, hours), (200, hours), (1000, hours / 4.0), (1000, hours / 2.0)] {
        line(rate_hz, hours)?;
    }
    beside_the_peer(hours)
}

fn line(rate_hz: u16, hours: f64) -> Result<(), Box<dyn Error>> {
    let began = Instant::now();
    // Both cores at work, as in a campaign; the second night is there for that alone.
    let (end, _) = std::thread::scope(|scope| {
        let second = scope.spawn(|| night(rate_hz, hours, 2));
        (night(rate_hz, hours, 1), second.join())
    });
    let (end, wall_s) = (end?, began.elapsed().as_secs_f64());
    let bench_s = end.outcome.as_ref().ok_or("the night did not end")?.bench_seconds;
    let in_the_loop = bench_s / wall_s;
    let years = 2.0 * in_the_loop * DAY_OF_YEAR;
    let folder = std::env::temp_dir().join(format!("pacewright-night-{}", std::process::id()));
    put_on_the_disk(&end, &folder.join("run"))?;
    let fed = Fed::of(&folder, false)?;
    std::fs::remove_dir_all(&folder)?;
    let Fed { seconds: fed_s, samples, times, kib, .. } = fed;
    println!(
        "| {rate_hz} | {:.1} | {in_the_loop:.0} | {years:.0} | {:.0} | {:.0} | {:.0} |",
        bench_s / 3600.0,
        bench_s * times / fed_s,
        1e9 * fed_s / samples,
        kib / 1024.0
    );
    Ok(())
}

/// What the child told of a night that it was fed.
struct Fed {
    seconds: f64,
    samples: f64,
    points: f64,
    /// So often it was fed.
    times: f64,
    kib: f64,
}

impl Fed {
    fn of(folder: &Path, sync_points: bool) -> Result<Self, Box<dyn Error>> {
        let mut child = Command::new(std::env::current_exe()?);
        child.arg("--bench").env("NIGHT_FED", folder);
        if sync_points {
            child.env("NIGHT_SYNCS", "1");
        }
        let child = child.output()?;
        let told = String::from_utf8(child.stdout)?;
        let figures: Vec<f64> = told.split_whitespace().filter_map(|word| word.parse().ok()).collect();
        let [seconds, samples, points, times, kib] = figures[..] else {
            return Err(format!("the child told {told:?} {}", String::from_utf8_lossy(&child.stderr)).into());
        };
        Ok(Self { seconds, samples, points, times, kib })
    }
}

/// What a point costs beside a general-purpose experiment orchestrator (`benches/peer/scan_bluesky.py`, run by the interpreter that
/// `PEER_PYTHON` names). Its points are one reading each of devices that answer at once; ours are a drive, a settling and whole
/// turns, many lines of text from a sensor, with journal and raw bytes on the disk: everything of that is in our figure. Once a
/// running-in with a field at 50 samples a second, thousands of lines a point; and once a sweep of the Avocet with a sensor that tells
/// speeds ten times a second, the least that a point can rest on, so that most of it is orchestration.
fn beside_the_peer(hours: f64) -> Result<(), Box<dyn Error>> {
    let Ok(python) = std::env::var("PEER_PYTHON") else { return Ok(()) };
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/benches/peer/scan_bluesky.py");
    let told = String::from_utf8(Command::new(python).arg(script).output()?.stdout)?;
    let figures: Vec<f64> = told.split_whitespace().filter_map(|word| word.parse().ok()).collect();
    let [peer, peer_mib] = figures[..] else { return Err(format!("the peer told {told:?}").into()) };
    println!("\n| orchestrator | points a second | times the peer | samples a point | peak memory, MiB |");
    println!("|---|---|---|---|---|");
    println!("| bluesky | {peer:.0} | 1 | 1 | {peer_mib:.0} |");
    for (kind, end) in [("running-in", night(50, hours, 1)?), ("sweep", scan()?)] {
        let folder = std::env::temp_dir().join(format!("pacewright-points-{}", std::process::id()));
        put_on_the_disk(&end, &folder.join("run"))?;
        for (name, sync_points) in [("ours", false), ("ours, a sync a point", true)] {
            let fed = Fed::of(&folder, sync_points)?;
            let rate = fed.points / fed.seconds;
            println!(
                "| {name}, {kind} | {rate:.0} | {:.1} | {:.0} | {:.0} |",
                rate / peer,
                fed.samples / fed.points,
                fed.kib / 1024.0
            );
        }
        std::fs::remove_dir_all(&folder)?;
    }
    Ok(())
}

/// A sweep over the speeds that a sensor tells ten times a second.
fn scan() -> Result<VirtualEnd, String> {
    let mut sim = demo_engines::avocet(1);
    sim.sensor = SensorSim {
        measurand: Measurand::Speed { resolution_m_s: 0.0001 },
        form: LineForm::Csv,
        noise: 0.3,
        rate_hz: 10,
        ..sim.sensor
    };
    let keys = "format = \"csv\"\nsource = \"speed\"\nresolution = \"0.1 mm/s\"\nsees_direction = true";
    let text = include_str!("../scenarios/avocet.toml").replace("format = \"csv\"", keys);
    let spec = config::read("avocet.toml", &text).map_err(|wrong| wrong.render(100, false))?;
    let plan = RunPlan { purpose: Purpose::Sweep, ..RunPlan::new(spec) };
    let bench = VirtualBench::new(sim, plan, &text);
    bench.run_to_end(Duration::from_secs(30 * 3600)).map_err(|error| error.to_string())
}

/// Runs in for so many hours.
fn night(rate_hz: u16, hours: f64, seed: u64) -> Result<VirtualEnd, String> {
    let mut sim = demo_engines::lapwing(seed);
    sim.sensor.rate_hz = rate_hz;
    let text = format!("{TEXT}\n[limits]\nrun_time = \"24 h\"\n");
    let spec = config::read("lapwing.toml", &text).map_err(|wrong| wrong.render(100, false))?;
    let mut plan = RunPlan::new(spec);
    let seconds = u32::try_from(Duration::from_secs_f64(hours * 3600.0).as_secs())
        .map_err(|error| error.to_string())?;
    plan.purpose = Purpose::RunIn { shortest_s: seconds, longest_s: seconds, steady_per_hour: 0.01 };
    let bench = VirtualBench::new(sim, plan, &text);
    bench.run_to_end(Duration::from_secs(30 * 3600)).map_err(|error| error.to_string())
}

/// The run's folder as it lies on the virtual disk.
fn put_on_the_disk(end: &VirtualEnd, folder: &Path) -> Result<(), Box<dyn Error>> {
    std::fs::create_dir_all(folder)?;
    for name in [JOURNAL, INPUT_RAW, BENCH_FILE] {
        std::fs::write(folder.join(name), end.disk.read(&end.folder.join(name))?)?;
    }
    Ok(())
}

/// Feeds the inputs of the run in this folder to a fresh core and keeps its record, and tells seconds, samples and peak KiB.
fn feed(folder: &Path) -> Result<(), Box<dyn Error>> {
    let run = RunFolder::open(&RealDisk, &folder.join("run"))?;
    let header = &run.opening.run;
    let spec = config::read("bench.toml", &header.bench_text).map_err(|wrong| wrong.render(100, false))?;
    let plan = RunPlan { purpose: header.purpose.clone(), ..RunPlan::new(spec) };
    let sync_points = std::env::var("NIGHT_SYNCS").is_ok();
    let (mut fed, mut times) = ((0.0, 0, 0), 0.0);
    // What is over soon is fed again, so that there is something to time.
    while fed.0 < LEAST_S {
        let again = folder.join("again");
        let (seconds, samples, points) = feed_once(&run, plan.clone(), &again, sync_points)?;
        fed = (fed.0 + seconds, fed.1 + samples, fed.2 + points);
        times += 1.0;
        std::fs::remove_dir_all(again)?;
    }
    println!("{} {} {} {times} {}", fed.0, fed.1, fed.2, peak_kib());
    Ok(())
}

/// Feeds it once: seconds, samples, points.
fn feed_once(
    run: &RunFolder,
    plan: RunPlan,
    again: &Path,
    sync_points: bool,
) -> Result<(f64, u64, u64), Box<dyn Error>> {
    let mut desk = Desk::new(plan);
    let mut recorder = Recorder::create(Box::new(RealDisk), again, &run.opening.run)?;
    let began = Instant::now();
    let (mut samples, mut points) = (0u64, 0u64);
    for frame in run.frames(&RealDisk)? {
        let frame = frame?;
        let FrameKind::In(input) = &frame.kind else { continue };
        if let Input::SensorBytes(bytes) = input {
            samples += memchr::memchr_iter(b'\n', bytes).count() as u64;
        }
        recorder.frame(frame.at, FrameRef::In(input))?;
        desk.handle(frame.at, input);
        while let Some(output) = desk.poll_output() {
            if let Output::Record(record) = output {
                recorder.record(&record)?;
                let is_point = matches!(record.body, RecordBody::Point { .. });
                points += u64::from(is_point);
                if record.body.durability() == Durability::Synced || is_point && sync_points {
                    recorder.flush_chunk()?;
                    recorder.sync()?;
                }
            }
        }
    }
    // Opening and closing a record costs the same for a minute and for a night.
    let seconds = began.elapsed().as_secs_f64();
    recorder.finish("{}")?;
    if std::fs::metadata(again.join(BALLAST)).is_ok() {
        return Err("the record was not closed".into());
    }
    Ok((seconds, samples, points))
}

/// Peak resident memory of this process, KiB; 0 where the system does not tell.
fn peak_kib() -> u64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:"));
    line.and_then(|line| line.split_whitespace().next()?.parse().ok()).unwrap_or(0)
}
