//! What readers of the page cost the loop: the time from an order to the word of the station that it was obeyed, in whole runs of
//! the program over real sockets, without readers and with a hundred, by turns. Half of the readers take what they are given, half take
//! nothing. The simulated station answers after 2 ms of bench time; the runs go thirty times faster than time, so the loop has
//! thirty times the work of a real bench. `cargo bench --bench page`.
#![expect(clippy::print_stdout, reason = "a bench tells its figures")]
use serde_json::Value;
use std::collections::BTreeMap;
use std::error::Error;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::path::Path;
use std::process::{Command, Stdio};
use std::thread;

const LAPSE: f64 = 30.0;
const READERS: usize = 100;
const TURNS: usize = 3;

fn main() -> Result<(), Box<dyn Error>> {
    // Built, but not run, by tests.
    if !std::env::args().any(|argument| argument == "--bench") {
        return Ok(());
    }
    let mut taken: [Vec<f64>; 2] = [Vec::new(), Vec::new()];
    for _ in 0..TURNS {
        for (all, readers) in taken.iter_mut().zip([0, READERS]) {
            all.extend(run(readers)?);
        }
    }
    for all in &mut taken {
        all.sort_by(f64::total_cmp);
    }
    let at = |all: &[f64], part: f64| {
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a part of a length")]
        let place = (part * (all.len() as f64 - 1.0)).round() as usize;
        all.get(place).copied().unwrap_or(f64::NAN)
    };
    let [without, with] = &taken;
    println!(
        "from order to answer, ms of wall time ({} orders without, {} with {READERS} readers)",
        without.len(),
        with.len()
    );
    for (name, part) in [("median", 0.5), ("p99", 0.99), ("most", 1.0)] {
        let (a, b) = (at(without, part), at(with, part));
        println!("  {name:7} {a:8.3} {b:8.3}   ratio {:.2}", b / a);
    }
    Ok(())
}

/// A whole run with so many readers; how long each order of speed took, in ms of wall time.
fn run(readers: usize) -> Result<Vec<f64>, Box<dyn Error>> {
    let folder = tempfile::tempdir()?;
    let mut program = Command::new(env!("CARGO_BIN_EXE_pacewright"))
        .args(["demo", "--listen", "127.0.0.1:0", "--time-lapse", &LAPSE.to_string(), "--folder"])
        .arg(folder.path())
        .env("XDG_STATE_HOME", folder.path())
        .stdout(Stdio::null())
        .stderr(Stdio::piped())
        .spawn()?;
    let mut lines = BufReader::new(program.stderr.take().ok_or("no stderr")?).lines().map_while(Result::ok);
    let address = lines
        .find_map(|line| line.trim().strip_prefix("http://").map(str::to_owned))
        .ok_or("the page was not opened")?;
    thread::spawn(move || lines.for_each(drop));
    let (host, token) = address.split_once('/').ok_or("no token")?;
    let mut stuck = Vec::new();
    for number in 0..readers {
        let mut stream = TcpStream::connect(host)?;
        write!(stream, "GET /{token}live HTTP/1.1\r\nHost: {host}\r\n\r\n")?;
        if number % 2 == 0 {
            stuck.push(stream);
        } else {
            thread::spawn(move || {
                let mut piece = [0; 8192];
                while stream.read(&mut piece).is_ok_and(|got| got > 0) {}
            });
        }
    }
    let ended = program.wait()?;
    if !ended.success() {
        return Err(format!("the run ended with {ended}").into());
    }
    let runs = std::fs::read_dir(folder.path().join("runs"))?;
    let journal = runs.flatten().map(|entry| entry.path().join("journal.jsonl")).find(|path| path.exists());
    trips(&journal.ok_or("no journal")?)
}

fn trips(journal: &Path) -> Result<Vec<f64>, Box<dyn Error>> {
    let (mut begun, mut trips) = (BTreeMap::new(), Vec::new());
    for line in std::fs::read_to_string(journal)?.lines() {
        let line: Value = serde_json::from_str(line)?;
        let record = &line["record"];
        let Some(at_ns) = record["at"].as_f64() else { continue };
        let (ordered, ended) = (&record["body"]["ordered"], &record["body"]["order_ended"]);
        if ordered["action"]["drive"].is_object()
            && let Some(order) = ordered["order"].as_u64()
        {
            begun.insert(order, at_ns);
        }
        if let Some(from) = ended["order"].as_u64().and_then(|order| begun.remove(&order)) {
            trips.push((at_ns - from) / 1e6 / LAPSE);
        }
    }
    Ok(trips)
}
