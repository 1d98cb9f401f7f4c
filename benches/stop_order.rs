//! From a fault to the stop on the wire, over real sockets: the sensor of a rolling engine falls silent, and the time is taken from
//! the last sample that got through to the first order of speed that leaves the program, less the silence that the bench file
//! allows. And from there to standstill, as the sensor shows it behind the cut.
//!
//! The program is the real one in a process of its own; station and sensor are the simulated Avocet's at 1000 samples a second, with
//! a cable between that can be cut. Once with a disk that works, and once with one that stalls: `strace` (a Debian package) holds
//! up every sync of the journal thread for two seconds, from just before the fault on. `cargo bench --bench stop_order -- 30` for thirty faults; twenty where no number is given.
#![expect(clippy::print_stdout, reason = "a bench tells its figures")]
#![expect(clippy::disallowed_methods, reason = "a bench is timed")]
use pacewright::bench::clock::TimeLapse;
use pacewright::bench::control::{self, Command as Told};
use pacewright::bench::simulated::SimulatedBench;
use pacewright::sim::demo_engines;
use std::error::Error;
use std::io::{Read, Write};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::thread;
use std::time::{Duration, Instant};

const TEXT: &str = include_str!("../scenarios/avocet.toml");
/// As the bench file's default.
const SILENCE: Duration = Duration::from_secs(1);
/// No wait is longer.
const PATIENCE: Duration = Duration::from_secs(60);
/// What the tracer of the stalled disk saw.
const TRACE: &str = "trace";
/// An order of speed begins like this, for this engine.
const ORDER: &[u8] = b"SET 1 GL 7";

/// What passes between the program and its bench.
#[derive(Clone, Default)]
struct Wires {
    cut: Arc<AtomicBool>,
    seen: Arc<Mutex<Seen>>,
}

#[derive(Default)]
struct Seen {
    /// When a sample last got through.
    sample: Option<Instant>,
    /// When an order of speed left after the cut.
    order: Option<Instant>,
    /// The field behind the cut: when, and the first axis.
    field: Vec<(Instant, f64)>,
}

fn main() -> Result<(), Box<dyn Error>> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    // Built, but not run, by tests.
    if !arguments.iter().any(|argument| argument == "--bench") {
        return Ok(());
    }
    let faults: usize = arguments.iter().find_map(|argument| argument.parse().ok()).unwrap_or(20);
    for stalled in [false, true] {
        if stalled && Command::new("strace").arg("--version").stdout(Stdio::null()).status().is_err() {
            println!("no strace: nothing with a stalled disk");
            break;
        }
        let (mut late_ms, mut still_s) = (Vec::new(), Vec::new());
        for _ in 0..faults {
            let (late, still) = fault(stalled)?;
            late_ms.push(late);
            still_s.extend(still.map(|still| still.as_secs_f64()));
        }
        println!("{}", if stalled { "every sync of the journal takes 2 s:" } else { "a disk that works:" });
        tell("silence over to the stop on the wire, ms", &mut late_ms);
        tell("stop on the wire to standstill, s", &mut still_s);
    }
    Ok(())
}

fn tell(what: &str, values: &mut [f64]) {
    values.sort_by(f64::total_cmp);
    let at = |percent: usize| {
        values.get((values.len().saturating_sub(1)) * percent / 100).copied().unwrap_or(f64::NAN)
    };
    println!(
        "{what}: least {:.2}, median {:.2}, 90 % {:.2}, most {:.2} ({} faults)",
        at(0),
        at(50),
        at(90),
        at(100),
        values.len()
    );
}

/// One fault: how late the stop left, and how long the engine then took to stand.
fn fault(stalled: bool) -> Result<(f64, Option<Duration>), Box<dyn Error>> {
    let folder = std::env::temp_dir().join(format!("pacewright-stop-{}", std::process::id()));
    std::fs::create_dir_all(&folder)?;
    let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(1).enable_all().build()?;
    let mut sim = demo_engines::avocet(1);
    sim.sensor.rate_hz = 1000;
    let bench = runtime.block_on(SimulatedBench::open(sim, TimeLapse::NONE, 0, 0))?;
    let (station, sensor) = (bench.station_address()?, bench.sensor_address()?);
    runtime.spawn(bench.serve());
    let wires = Wires::default();
    let (station, sensor) = (wires.station(station)?, wires.sensor(sensor)?);
    let file = folder.join("bench.toml");
    let text =
        TEXT.replace("127.0.0.1:4303", &station.to_string()).replace("127.0.0.1:4311", &sensor.to_string());
    std::fs::write(&file, text)?;
    let mut child = Command::new(env!("CARGO_BIN_EXE_pacewright"))
        .arg("roll")
        .arg(&file)
        .env("XDG_STATE_HOME", &folder)
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()?;
    let mut stall = None;
    let found = rolling(&folder, &mut child).and_then(|()| {
        if stalled {
            stall = Some(stall_journal(child.id(), &folder.join(TRACE))?);
        }
        wires.cut()
    });
    if let Some(mut stall) = stall {
        let _ = stall.kill();
        let _ = stall.wait();
        // What the tracer wrote is the proof that the disk was held up.
        let trace = std::fs::read_to_string(folder.join(TRACE)).unwrap_or_default();
        if !trace.contains("DELAYED") {
            return Err(format!("no sync was held up: {trace:?}").into());
        }
    }
    // The run ends by itself; whatever came of the measurement, nothing of ours stays.
    let _ = child.kill();
    let _ = child.wait();
    runtime.shutdown_background();
    std::fs::remove_dir_all(&folder)?;
    found
}

/// From now on each sync of the program's journal thread takes two seconds longer, by a tracer that holds it up.
fn stall_journal(program: u32, trace: &Path) -> Result<Child, Box<dyn Error>> {
    let tasks = std::fs::read_dir(format!("/proc/{program}/task"))?.flatten();
    let named = |task: &std::fs::DirEntry| {
        std::fs::read_to_string(task.path().join("comm")).is_ok_and(|name| name.trim() == "journal")
    };
    let task = tasks.into_iter().find(named).ok_or("no journal thread")?.file_name();
    let tracer = Command::new("strace")
        .args(["-qq", "-o"])
        .arg(trace)
        .args(["-e", "trace=fsync,fdatasync"])
        .args(["-e", "inject=fsync,fdatasync:delay_enter=2000000", "-p"])
        .arg(task)
        .stderr(Stdio::null())
        .spawn()?;
    thread::sleep(Duration::from_millis(150));
    Ok(tracer)
}

/// Waits until the engine rolls.
fn rolling(folder: &Path, child: &mut Child) -> Result<(), Box<dyn Error>> {
    let began = Instant::now();
    while began.elapsed() < PATIENCE {
        if let Some(status) = child.try_wait()? {
            return Err(format!("the program ended: {status}").into());
        }
        let runs = std::fs::read_dir(folder.join("runs")).into_iter().flatten().flatten();
        let run: Option<PathBuf> = runs.map(|entry| entry.path()).find(|path| path.join("control").exists());
        let status = run.and_then(|run| control::tell(&run, Told::Status).ok());
        if status
            .is_some_and(|told| told["status"]["phase"] == "rolling" && told["status"]["speed_mm_s"].is_f64())
        {
            thread::sleep(Duration::from_secs(2));
            return Ok(());
        }
        thread::sleep(Duration::from_millis(50));
    }
    Err("the engine does not roll".into())
}

impl Wires {
    /// The near end of a cable to the station.
    fn station(&self, far: SocketAddr) -> std::io::Result<SocketAddr> {
        let near = TcpListener::bind("127.0.0.1:0")?;
        let address = near.local_addr()?;
        let own = self.clone();
        thread::spawn(move || {
            for here in near.incoming().flatten() {
                let Ok(there) = TcpStream::connect(far) else { continue };
                let (Ok(back), Ok(forth)) = (here.try_clone(), there.try_clone()) else { continue };
                let _ = (here.set_nodelay(true), there.set_nodelay(true));
                let own = own.clone();
                thread::spawn(move || pass(here, forth, |bytes| own.said(bytes)));
                thread::spawn(move || pass(there, back, |_| true));
            }
        });
        Ok(address)
    }

    /// The near end of a cable to the sensor.
    fn sensor(&self, far: SocketAddr) -> std::io::Result<SocketAddr> {
        let near = TcpListener::bind("127.0.0.1:0")?;
        let address = near.local_addr()?;
        let own = self.clone();
        thread::spawn(move || {
            for here in near.incoming().flatten() {
                let Ok(there) = TcpStream::connect(far) else { continue };
                let _ = here.set_nodelay(true);
                let own = own.clone();
                thread::spawn(move || pass(there, here, |bytes| own.sensed(bytes)));
            }
        });
        Ok(address)
    }

    /// The program said this to the station.
    fn said(&self, bytes: &[u8]) -> bool {
        if self.cut.load(Ordering::SeqCst) && bytes.windows(ORDER.len()).any(|part| part == ORDER) {
            let mut seen = self.seen.lock().expect("no thread panics while it holds this");
            seen.order.get_or_insert_with(Instant::now);
        }
        true
    }

    /// The sensor said this; true where it gets through.
    fn sensed(&self, bytes: &[u8]) -> bool {
        let mut seen = self.seen.lock().expect("no thread panics while it holds this");
        if !self.cut.load(Ordering::SeqCst) {
            seen.sample = Some(Instant::now());
            return true;
        }
        let now = Instant::now();
        let text = String::from_utf8_lossy(bytes);
        let first = text.lines().filter_map(|line| line.split(',').nth(1)?.parse().ok());
        seen.field.extend(first.map(|field: f64| (now, field)));
        false
    }

    /// Cuts the sensor's cable, and waits for what follows.
    fn cut(&self) -> Result<(f64, Option<Duration>), Box<dyn Error>> {
        self.cut.store(true, Ordering::SeqCst);
        let began = Instant::now();
        let seen = || self.seen.lock().expect("no thread panics while it holds this");
        while began.elapsed() < PATIENCE && seen().order.is_none() {
            thread::sleep(Duration::from_millis(1));
        }
        thread::sleep(Duration::from_secs(4));
        let seen = seen();
        let (Some(sample), Some(order)) = (seen.sample, seen.order) else {
            return Err("no stop came".into());
        };
        // Below nought where it left before the silence was over, for another reason.
        let late_ms = 1e3 * (order.duration_since(sample).as_secs_f64() - SILENCE.as_secs_f64());
        Ok((late_ms, standstill(&seen.field).map(|still| still.saturating_duration_since(order))))
    }
}

/// From when on the field stays within what it does in its last second, which is noise.
fn standstill(field: &[(Instant, f64)]) -> Option<Instant> {
    let end = field.last()?.0;
    let last: Vec<f64> = field
        .iter()
        .filter(|(at, _)| end.duration_since(*at) < Duration::from_secs(1))
        .map(|(_, value)| *value)
        .collect();
    let (least, most) =
        last.iter().fold((f64::MAX, f64::MIN), |(a, b), value| (a.min(*value), b.max(*value)));
    let room = most - least;
    let within = |value: f64| (least - room..=most + room).contains(&value);
    field.iter().rev().find(|(_, value)| !within(*value)).map(|(at, _)| *at)
}

/// Passes bytes on, where they may pass.
fn pass(mut from: TcpStream, mut to: TcpStream, mut may: impl FnMut(&[u8]) -> bool) {
    let mut bytes = [0; 4096];
    while let Ok(count @ 1..) = from.read(&mut bytes) {
        if may(&bytes[..count]) && to.write_all(&bytes[..count]).is_err() {
            break;
        }
    }
    let _ = to.shutdown(std::net::Shutdown::Both);
}
