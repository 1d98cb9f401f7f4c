//! The next start finds what an earlier run of the same engine left.
use super::*;
use crate::journal::{Pending, scan};

/// A run broken off after these records.
fn broken_off(disk: &VirtualDisk, name: &str, header: &Header, bodies: Vec<RecordBody>) {
    let folder = Path::new("runs").join(name);
    let mut recorder = Recorder::create(Box::new(disk.clone()), &folder, header).unwrap();
    for record in numbered(bodies) {
        recorder.record(&record).unwrap();
    }
    recorder.sync().unwrap();
}

fn look(disk: &VirtualDisk) -> Option<(PathBuf, Pending)> {
    let found = scan(disk, Path::new("runs"), &header().endpoint_key, Address::Short(4)).unwrap();
    assert_eq!(found.unreadable, []);
    found.unfinished.map(|run| (run.folder, run.pending))
}

#[test]
fn an_empty_or_missing_record_folder_has_nothing() {
    assert_eq!(look(&VirtualDisk::new()), None);
}

#[test]
fn the_newest_run_that_touched_the_decoder_decides_whatever_the_wall_clock_said() {
    let disk = VirtualDisk::new();
    // Names and wall times run backwards, as on a small computer that starts in 1970.
    broken_off(
        &disk,
        "z",
        &Header { started_wall: "2026-03-01T12:00:00Z".into(), ..header() },
        vec![intend(2, Some(9), 1)],
    );
    assert_eq!(look(&disk), Some(("runs/z".into(), Pending::Restore(vec![(2, 9)]))));
    broken_off(
        &disk,
        "y",
        &Header { started_wall: "1970-01-01T00:00:00Z".into(), ..header() },
        vec![RecordBody::Phase(PhaseName::LinkCheck)],
    );
    assert_eq!(
        look(&disk),
        Some(("runs/z".into(), Pending::Restore(vec![(2, 9)]))),
        "y never came to the CVs"
    );
    let handed_on = Header { pending: vec![(2, 9)], ..header() };
    broken_off(&disk, "x", &handed_on, vec![intend(2, Some(1), 9), wrote(2, 9), RecordBody::OriginalsBack]);
    assert_eq!(look(&disk), None);
    broken_off(&disk, "w", &handed_on, vec![]);
    assert_eq!(look(&disk), Some(("runs/w".into(), Pending::Restore(vec![(2, 9)]))));
}

#[test]
fn other_engines_and_stations_do_not_matter() {
    let disk = VirtualDisk::new();
    let other_engine = Header { engine_address: Address::Long(4), ..header() };
    let other_bus = Header { endpoint_key: "127.0.0.1:4303 bus 2".to_owned(), ..header() };
    broken_off(&disk, "a", &other_engine, vec![intend(2, Some(9), 1)]);
    broken_off(&disk, "b", &other_bus, vec![intend(2, Some(9), 1)]);
    assert_eq!(look(&disk), None);
}

#[test]
fn a_damaged_journal_gives_what_it_still_holds_and_says_so() {
    let disk = VirtualDisk::new();
    broken_off(
        &disk,
        "a",
        &header(),
        vec![intend(2, Some(9), 1), wrote(2, 1), intend(5, Some(8), 255), wrote(5, 255)],
    );
    let journal = Path::new("runs/a/journal.jsonl");
    let mut bytes = disk.read(journal).unwrap();
    let third_line = bytes.iter().enumerate().filter(|(_, b)| **b == b'\n').nth(1).unwrap().0 + 30;
    bytes[third_line] ^= 1;
    disk.plant(journal, &bytes);
    let found = scan(&disk, Path::new("runs"), &header().endpoint_key, Address::Short(4)).unwrap();
    let run = found.unfinished.unwrap();
    assert_eq!(run.pending, Pending::Restore(vec![(5, 8), (2, 9)]));
    let codes: Vec<_> = run.reasons().into_iter().map(|reason| reason.code).collect();
    assert_eq!(codes, ["restore-pending", "journal-damaged", "journal-damaged"]);
}

#[test]
fn a_folder_without_a_first_line_is_passed_over_and_a_bad_one_is_said() {
    let disk = VirtualDisk::new();
    broken_off(&disk, "a", &header(), vec![intend(2, Some(9), 1)]);
    let bytes = disk.read(Path::new("runs/a/journal.jsonl")).unwrap();
    broken_off(&disk, "b", &header(), vec![]);
    disk.plant(Path::new("runs/b/journal.jsonl"), &bytes[..40]);
    assert_eq!(look(&disk), Some(("runs/a".into(), Pending::Restore(vec![(2, 9)]))));
    let mut bad = bytes;
    bad[60] ^= 1;
    disk.plant(Path::new("runs/b/journal.jsonl"), &bad);
    let found = scan(&disk, Path::new("runs"), &header().endpoint_key, Address::Short(4)).unwrap();
    assert_eq!((found.unreadable.len(), found.unfinished.is_some()), (1, true));
}
