//! Reading and decoding a night of samples: bytes as they came from the sensor, to lines, to fields, to the angle, its
//! noise, standstill, age and the speed just now, against three readers that rest on `NumPy` (`benches/peer/`).
//!
//! The recording is synthesised: 12 h of CSV at 200 Hz, an axle that stands, turns both ways and changes its speed, with
//! 1 % noise, offsets and unlike gains. The peers get the whole file and do less: read the columns, fit the ellipse once,
//! take the angle, unwrap it. Both read the same bytes; Pacewright in pieces of a few hundred bytes, as a link gives them.
//!
//! `cargo bench --bench reading` gives Pacewright's own figures; with `PEER_PYTHON` naming an interpreter that has the
//! packages of `benches/peer/requirements.txt` the peers are run too. Ratios hold within one run.
#![expect(clippy::print_stdout, reason = "a bench tells its figures")]
#![expect(clippy::disallowed_methods, reason = "a bench is timed, and draws its recording by any floats")]
use pacewright::motion::{AxleSetup, Motion};
use pacewright::sensor::{Form, SensorEvent, SensorMachine, SensorStream, Source};
use pacewright::time::BenchTime;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use std::error::Error;
use std::fmt::Write as _;
use std::io::{BufReader, BufWriter, Read, Write};
use std::path::Path;
use std::process::Command;
use std::time::Instant;

const RATE_HZ: u32 = 200;
const HOURS: u32 = 12;
/// Bytes of a piece: what a link gives at once.
const PIECE: usize = 512;
const REPEATS: usize = 3;
const PEERS: [&str; 3] = ["loadtxt", "fromstring", "pandas"];

fn main() -> Result<(), Box<dyn Error>> {
    // Built, but not run, by tests.
    if !std::env::args().any(|argument| argument == "--bench") {
        return Ok(());
    }
    // A child that reads once and tells its peak memory.
    if let Ok(file) = std::env::var("READING_ONCE") {
        let samples = read(Path::new(&file), true)?.0;
        println!("{samples} {}", peak_kib());
        return Ok(());
    }
    let folder = std::env::temp_dir().join(format!("pacewright-reading-{}", std::process::id()));
    std::fs::create_dir_all(&folder)?;
    let outcome = compare(&folder);
    std::fs::remove_dir_all(&folder)?;
    outcome
}

fn compare(folder: &Path) -> Result<(), Box<dyn Error>> {
    let (night, hour) = (folder.join("night.csv"), folder.join("hour.csv"));
    write_recording(&night, HOURS)?;
    write_recording(&hour, 1)?;
    let size = std::fs::metadata(&night)?.len();
    println!("recording: {HOURS} h at {RATE_HZ} Hz, {:.0} MB", size as f64 / 1e6);

    let mut own = f64::INFINITY;
    for motion in [false, true] {
        let mut best = f64::INFINITY;
        for _ in 0..REPEATS {
            let began = Instant::now();
            let (samples, turns) = read(&night, motion)?;
            best = best.min(began.elapsed().as_nanos() as f64 / f64::from(samples));
            if motion && turns < 1000.0 {
                return Err("the axle was not followed".into());
            }
        }
        let what = if motion { "read and decoded" } else { "read only" };
        println!("pacewright, {what}: {best:.1} ns a sample");
        own = best;
    }
    for (what, file) in [("1 h", &hour), ("12 h", &night)] {
        let child =
            Command::new(std::env::current_exe()?).arg("--bench").env("READING_ONCE", file).output()?;
        let told = String::from_utf8(child.stdout)?;
        let kib = told.split_whitespace().nth(1).ok_or("the child told no memory")?;
        println!("pacewright, peak memory over {what}: {kib} KiB");
    }

    let Ok(python) = std::env::var("PEER_PYTHON") else {
        println!("peers: not run, PEER_PYTHON is not set");
        return Ok(());
    };
    let scripts = Path::new(env!("CARGO_MANIFEST_DIR")).join("benches/peer");
    let mut fastest = f64::INFINITY;
    for peer in PEERS {
        let script = scripts.join(format!("read_{peer}.py"));
        let ran = Command::new(&python).arg(script).arg(&night).output()?;
        if !ran.status.success() {
            return Err(format!("{peer}: {}", String::from_utf8_lossy(&ran.stderr)).into());
        }
        let told = String::from_utf8(ran.stdout)?;
        let ns: f64 = told.split_whitespace().next().ok_or("the peer told nothing")?.parse()?;
        println!("peer {peer}: {}", told.trim());
        fastest = fastest.min(ns);
    }
    println!("fastest peer over pacewright: {:.2}", fastest / own);
    Ok(())
}

/// Reads a recording as a link would give it; how many samples, and how many turns the axle went.
fn read(file: &Path, motion: bool) -> Result<(u32, f64), Box<dyn Error>> {
    let source = Source::Field { pole_pairs: 1 };
    let mut stream = SensorStream::new(Some(Form::Csv), source);
    let mut axle =
        Motion::new(AxleSetup { circumference_mm: 33.0, circumference_u_rel: 0.002, source, lap: None });
    let mut bytes = BufReader::with_capacity(1 << 16, std::fs::File::open(file)?);
    let (mut piece, mut samples) = ([0u8; PIECE], 0u32);
    stream.handle_opened();
    loop {
        let count = bytes.read(&mut piece)?;
        if count == 0 {
            break;
        }
        // Arrival: as the samples say, a little late.
        let at = BenchTime::from_millis(u64::from(samples) * 1000 / u64::from(RATE_HZ) + 20);
        stream.handle_bytes(&piece[..count]);
        while let Some(event) = stream.poll_event() {
            match event {
                SensorEvent::Sample(sample) => {
                    samples += 1;
                    if motion {
                        axle.take(at, sample);
                    } else {
                        std::hint::black_box(sample);
                    }
                }
                SensorEvent::Layout(quantity) => axle.set_layout(quantity),
                SensorEvent::Broken(broken) => return Err(format!("{broken:?}").into()),
                SensorEvent::Housekeeping(_) => {}
            }
        }
        // What the run asks at least once for each arrival.
        if motion {
            std::hint::black_box((axle.glance(), axle.standing(), axle.lateness()));
        }
    }
    Ok((samples, axle.distance_mm() / 33.0))
}

/// Ten minutes of standing, turning and changing speed, again and again.
fn write_recording(file: &Path, hours: u32) -> Result<(), Box<dyn Error>> {
    let mut random = ChaCha8Rng::seed_from_u64(12);
    let mut out = BufWriter::new(std::fs::File::create(file)?);
    writeln!(out, "t_us,bx,by,bz")?;
    let (mut turns, mut line) = (0.0f64, String::new());
    for sample in 0..hours * 3600 * RATE_HZ {
        let second = f64::from(sample) / f64::from(RATE_HZ);
        let within = second % 600.0;
        let wanted = if within < 60.0 { 0.0 } else { 0.4 + 11.0 * (within - 60.0) / 540.0 };
        let sense = if (sample / (600 * RATE_HZ)).is_multiple_of(2) { 1.0 } else { -1.0 };
        turns += sense * wanted / f64::from(RATE_HZ);
        let (sin, cos) = (turns * std::f64::consts::TAU).sin_cos();
        let mut noise = || (0..12).map(|_| random.random::<f64>()).sum::<f64>() - 6.0;
        let field = [
            110.0 + 1000.0 * cos + 10.0 * noise(),
            -60.0 + 850.0 * sin + 30.0 * cos + 10.0 * noise(),
            40.0 + 300.0 * cos - 100.0 * sin + 10.0 * noise(),
        ];
        let t_us = u64::from(sample) * 1_000_000 / u64::from(RATE_HZ) % (1 << 32);
        line.clear();
        writeln!(line, "{t_us},{:.2},{:.2},{:.2}", field[0], field[1], field[2])?;
        out.write_all(line.as_bytes())?;
    }
    out.flush()?;
    Ok(())
}

/// Peak resident memory of this process, as the system tells it.
fn peak_kib() -> String {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:"));
    line.and_then(|rest| rest.split_whitespace().next()).unwrap_or("unknown").to_owned()
}
