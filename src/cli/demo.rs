//! The verbs `demo` and `simulate`: a simulated bench on real loopback ports.
use super::args::{DemoArgs, DemoEngine, OutputArgs, SimulateArgs};
use super::exit::Exit;
use super::runs::{self, refuse, say_not_begun};
use super::show::lapse_mark;
use super::{caution, out};
use crate::bench::clock::TimeLapse;
use crate::bench::simulated::SimulatedBench;
use crate::bench::start::{NotBegun, Request, Wish};
use crate::cause::{Reason, program};
use crate::run::Purpose;
use crate::sim::{SimSpec, demo_engines};
use std::io;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};

/// The addresses that the bench files of the scenarios name.
const STATION_IN_FILE: &str = "127.0.0.1:4303";
const SENSOR_IN_FILE: &str = "127.0.0.1:4311";

impl DemoEngine {
    fn spec(self, seed: u64) -> SimSpec {
        match self {
            Self::Lapwing => demo_engines::lapwing(seed),
            Self::Avocet => demo_engines::avocet(seed),
            Self::Curlew => demo_engines::curlew(seed),
            Self::Dunlin => demo_engines::dunlin(seed),
        }
    }

    fn bench_text(self) -> &'static str {
        match self {
            Self::Lapwing => include_str!("../../scenarios/lapwing.toml"),
            Self::Avocet => include_str!("../../scenarios/avocet.toml"),
            Self::Curlew => include_str!("../../scenarios/curlew.toml"),
            Self::Dunlin => include_str!("../../scenarios/dunlin.toml"),
        }
    }
}

/// The bench file of this engine with these addresses.
fn bench_text(engine: DemoEngine, station: SocketAddr, sensor: SocketAddr) -> String {
    engine
        .bench_text()
        .replace(STATION_IN_FILE, &station.to_string())
        .replace(SENSOR_IN_FILE, &sensor.to_string())
}

fn system(what: &str, error: &io::Error) -> Reason {
    Reason::new(&program::SYSTEM_REFUSED, format!("{what}: {error}"))
}

/// The whole job on a simulated bench in this process, over real sockets.
pub(crate) fn demo(args: DemoArgs) -> Exit {
    out::say(caution::BEFORE_A_DEMO);
    let output = args.output.clone();
    let runtime = match runs::runtime() {
        Ok(runtime) => runtime,
        Err(reason) => return refuse(&NotBegun::Other(reason), &output, TimeLapse::NONE),
    };
    runs::carry_out(runtime, demo_run(args, &output))
}

async fn demo_run(args: DemoArgs, output: &OutputArgs) -> Exit {
    let lapse = match TimeLapse::new(args.time_lapse) {
        Ok(lapse) => lapse,
        Err(error) => {
            let reason = Reason::new(&program::TIME_LAPSE_REFUSED, error.to_string());
            return refuse(&NotBegun::Other(reason), output, TimeLapse::NONE);
        }
    };
    match stage(&args, lapse).await {
        Ok((bench, request)) => {
            let serving = tokio::spawn(bench.serve());
            let exit = Box::pin(runs::run_bench(request, output)).await;
            serving.abort();
            exit
        }
        Err(reason) => refuse(&NotBegun::Other(reason), output, lapse),
    }
}

/// The simulated bench, and the request for an ordinary run on it.
async fn stage(args: &DemoArgs, lapse: TimeLapse) -> Result<(SimulatedBench, Request), Reason> {
    let folder = demo_folder(args.folder.as_deref())
        .map_err(|error| Reason::new(&program::FOLDER_UNUSABLE, error.to_string()))?;
    let (bench, station, sensor) = open(args.engine.spec(args.seed), lapse, 0, 0).await?;
    let bench_file = folder.join("bench.toml");
    let bench_text = bench_text(args.engine, station, sensor);
    write(&bench_file, &bench_text)?;
    out::say(&format!("\nBench file of this demo: {}", bench_file.display()));
    let state_folder = folder.join("state");
    // The simulated bench dies with this process: nothing is left that could be stopped.
    let watchman = None;
    let (wish, signals) = (Wish::Drive(Purpose::Calibrate), true);
    Ok((
        bench,
        Request {
            bench_file,
            bench_text,
            wish,
            lapse,
            state_folder,
            unattended: false,
            sensor_used: std::time::Duration::ZERO,
            signals,
            watchman,
        },
    ))
}

fn demo_folder(asked: Option<&Path>) -> io::Result<PathBuf> {
    let folder = match asked {
        Some(folder) => folder.to_owned(),
        None => std::env::temp_dir().join(format!("pacewright-demo-{}", uuid::Uuid::now_v7())),
    };
    std::fs::create_dir_all(&folder)?;
    std::path::absolute(folder)
}

fn write(path: &Path, text: &str) -> Result<(), Reason> {
    std::fs::write(path, text)
        .map_err(|error| Reason::new(&program::FOLDER_UNUSABLE, format!("{}: {error}", path.display())))
}

async fn open(
    spec: SimSpec,
    lapse: TimeLapse,
    station_port: u16,
    sensor_port: u16,
) -> Result<(SimulatedBench, SocketAddr, SocketAddr), Reason> {
    let bench = SimulatedBench::open(spec, lapse, station_port, sensor_port)
        .await
        .map_err(|error| system("the ports of the simulated bench", &error))?;
    let station = bench.station_address().map_err(|error| system("the station's port", &error))?;
    let sensor = bench.sensor_address().map_err(|error| system("the sensor's port", &error))?;
    Ok((bench, station, sensor))
}

/// A simulated bench for a run in another terminal.
pub(crate) fn simulate(args: &SimulateArgs) -> Exit {
    let done = TimeLapse::new(args.time_lapse)
        .map_err(|error| Reason::new(&program::TIME_LAPSE_REFUSED, error.to_string()))
        .and_then(|lapse| runs::carry_out(runs::runtime()?, simulate_until_stopped(args, lapse)));
    match done {
        Ok(()) => Exit::Good,
        Err(reason) => {
            say_not_begun(&NotBegun::Other(reason));
            Exit::WrongUse
        }
    }
}

async fn simulate_until_stopped(args: &SimulateArgs, lapse: TimeLapse) -> Result<(), Reason> {
    let spec = args.engine.spec(args.seed);
    let (bench, station, sensor) = open(spec, lapse, args.station_port, args.sensor_port).await?;
    if let Some(file) = &args.bench_file {
        write(file, &bench_text(args.engine, station, sensor))?;
    }
    out::say(&format!("A simulated bench: nothing real moves.{} Ctrl-C ends it.", lapse_mark(lapse)));
    out::result(&format!("station {station}\nsensor {sensor}"));
    tokio::select! {
        () = bench.serve() => {}
        ended = tokio::signal::ctrl_c() => ended.map_err(|error| system("Ctrl-C", &error))?,
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::{self, LinkSpec};
    use clap::ValueEnum;

    #[test]
    fn every_engine_has_a_bench_file_that_reads_with_any_ports() {
        let station: SocketAddr = "127.0.0.1:50001".parse().unwrap();
        let sensor: SocketAddr = "127.0.0.1:50002".parse().unwrap();
        for engine in DemoEngine::value_variants() {
            let spec = config::read("demo", &bench_text(*engine, station, sensor)).unwrap();
            assert_eq!(spec.station.link, LinkSpec::tcp("127.0.0.1:50001"), "{engine:?}");
            assert_eq!(spec.sensor.link, LinkSpec::tcp("127.0.0.1:50002"), "{engine:?}");
        }
    }
}
