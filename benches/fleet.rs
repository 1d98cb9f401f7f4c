//! How long a fleet of 200 engines and 1,000 runs takes to open, to list, and to match.
//!
//! Runs are made up: forty points and 28 steps each, as a whole job keeps them. `cargo bench --bench fleet`.
#![expect(clippy::print_stdout, reason = "a bench tells its figures")]
#![expect(clippy::disallowed_methods, reason = "a bench is timed")]
use pacewright::fleet::coupling::{CouplingTolerance, matrix};
use pacewright::fleet::speeds::EngineSpeeds;
use pacewright::store::{Engine, Fleet, Store, exchange};
use std::error::Error;
use std::fmt::Write;
use std::time::Instant;

const ENGINES: u32 = 200;
const RUNS: u32 = 1000;

fn main() -> Result<(), Box<dyn Error>> {
    // Built, but not run, by tests.
    if !std::env::args().any(|argument| argument == "--bench") {
        return Ok(());
    }
    let folder = std::env::temp_dir().join(format!("pacewright-fleet-{}", std::process::id()));
    std::fs::create_dir_all(&folder)?;
    let mut store = Store::open(&folder)?;
    let began = Instant::now();
    for number in 0..RUNS {
        let mut table = format!("{}\n", exchange::STEPS_HEADER);
        let engine = number % ENGINES;
        for step in 1..=28u32 {
            let speed = 9.0 * f64::from(step) * (1.0 + 0.0005 * f64::from(engine % 37));
            writeln!(
                table,
                "Engine {engine},short {engine},{number},28,{step},{speed},{speed},0.2,{speed},0.2,measured"
            )?;
        }
        for mut run in exchange::import(&table)? {
            run.ordinal = u64::from(number) + 1;
            store.put(&run)?;
        }
    }
    let put_s = began.elapsed().as_secs_f64();
    drop(store);
    let began = Instant::now();
    let fleet = Fleet::of(&Store::open(&folder)?)?;
    let open_s = began.elapsed().as_secs_f64();
    let began = Instant::now();
    let speeds: Vec<EngineSpeeds> = fleet.engines.iter().filter_map(Engine::speeds).collect();
    let found = matrix(&speeds, CouplingTolerance::default());
    let match_s = began.elapsed().as_secs_f64();
    std::fs::remove_dir_all(&folder)?;
    println!(
        "| engines | runs | a run taken in, ms | opened, ms | {} pairs matched, ms |",
        found.pairs.len()
    );
    println!("|---|---|---|---|---|");
    println!(
        "| {} | {RUNS} | {:.1} | {:.0} | {:.0} |",
        fleet.engines.len(),
        1e3 * put_s / f64::from(RUNS),
        1e3 * open_s,
        1e3 * match_s
    );
    Ok(())
}
