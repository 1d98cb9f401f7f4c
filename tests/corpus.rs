//! Kept inputs, written by hand or found by fuzzing, fed to the functions that fuzzing feeds: each whole, and cut off
//! anywhere.
#[path = "../fuzz/src/lib.rs"]
#[expect(unreachable_pub, reason = "a library of its own where it is fuzzed")]
mod entries;

use std::fs;
use std::path::Path;

/// Kept inputs of one target are at least so many.
const LEAST_FILES: usize = 5;

fn feed(target: &str, entry: fn(&[u8])) {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/corpus").join(target);
    let mut files: Vec<_> = fs::read_dir(&folder)
        .expect("the folder is in the repository")
        .map(|found| found.expect("a folder entry can be read").path())
        .collect();
    files.sort();
    assert!(
        files.len() >= LEAST_FILES,
        "{target} has {} files: the test looks in the wrong place",
        files.len()
    );
    for path in files {
        let bytes = fs::read(&path).expect("a file can be read");
        for end in (0..=bytes.len()).rev() {
            let fed = std::panic::catch_unwind(|| entry(&bytes[..end]));
            assert!(fed.is_ok(), "{}: the first {end} bytes", path.display());
        }
    }
}

#[test]
fn bench_files() {
    feed("bench_file", entries::bench_file);
}

#[test]
fn journals() {
    feed("journal", entries::journal);
}

#[test]
fn csv_lines_of_a_sensor() {
    feed("sensor_csv", entries::sensor_csv);
}

#[test]
fn senml_packs_of_a_sensor() {
    feed("sensor_senml", entries::sensor_senml);
}

#[test]
fn lines_of_a_station() {
    feed("station_lines", entries::station_lines);
}
