//! What fuzzing feeds, and what must hold whatever is fed. `tests/corpus.rs` feeds the kept inputs to the same functions
//! without a fuzzer.
use pacewright::cause;
use pacewright::config;
use pacewright::dcc::Address;
use pacewright::journal::chunk::{ChunkHead, HEAD_BYTES};
use pacewright::journal::{JOURNAL, RunFolder, VirtualDisk, frame, read_opening, scan};
use pacewright::sensor::{Form, Reading, SensorEvent, SensorMachine, SensorStream, Source};
use pacewright::time::BenchTime;
use std::path::Path;

mod station;
pub use station::station_lines;

/// A bench file: it is taken, or each complaint can be shown.
pub fn bench_file(bytes: &[u8]) {
    let Ok(text) = std::str::from_utf8(bytes) else { return };
    if let Err(complaints) = config::read("fuzz.toml", text) {
        for width in [40, 100] {
            assert!(!complaints.render(width, false).trim().is_empty(), "a complaint says something");
        }
    }
}

/// A journal: as it is; with every line's checksum mended, for no fuzzer guesses one; and the same bytes as a chunk of raw
/// input and as a frame.
pub fn journal(bytes: &[u8]) {
    read_run(bytes);
    read_run(&mended(bytes));
    if let Ok(head) = ChunkHead::read(bytes) {
        let rest = &bytes[HEAD_BYTES..];
        let _ = head.unpack(&rest[..rest.len().min(head.packed)]);
    }
    let (mut left, mut before) = (bytes, BenchTime::ZERO);
    while let Ok(frame) = frame::decode(&mut left, before) {
        before = frame.at;
    }
}

fn read_run(journal: &[u8]) {
    let (records, run) = (Path::new("/runs"), Path::new("/runs/1"));
    let disk = VirtualDisk::new();
    disk.plant(&run.join(JOURNAL), journal);
    let read = RunFolder::salvage(&disk, run);
    let opened = RunFolder::open(&disk, run);
    match read {
        Ok((run, damage)) => {
            assert_eq!(opened.is_ok(), damage.is_empty(), "damage is an error, and nothing else is");
            assert!(run.cut_bytes <= journal.len() as u64);
            if let Ok(frames) = run.frames(&disk) {
                assert!(frames.take(10_000).count() < 10_000, "no raw file is here: frames without end");
            }
            let (key, address) = (run.opening.run.endpoint_key.clone(), run.opening.run.engine_address);
            let found = scan(&disk, records, &key, address).expect("the disk works");
            assert!(found.unreadable.is_empty(), "what was read once is read again");
            if let Some(unfinished) = found.unfinished {
                assert!(unfinished.reasons().iter().all(|reason| cause::find(&reason.code).is_some()));
                let _ = unfinished.for_plan();
            }
        }
        Err(error) => {
            assert!(cause::find(error.cause().code).is_some());
            assert!(opened.is_err());
            assert!(scan(&disk, records, "", Address::Short(3)).is_ok());
        }
    }
    let _ = read_opening(&disk, run);
}

/// Each line with `"crc":"…"` gets the checksum that it should have (see `journal`).
fn mended(journal: &[u8]) -> Vec<u8> {
    let mark = b"\"crc\":\"";
    let mut all = Vec::with_capacity(journal.len());
    for line in journal.split_inclusive(|byte| *byte == b'\n') {
        let mut line = line.to_vec();
        let end = line.len() - usize::from(line.ends_with(b"\n"));
        let place = line.windows(mark.len()).position(|part| part == mark).map(|at| at + mark.len());
        if let Some(at) = place.filter(|at| at + 8 <= end) {
            line[at..at + 8].fill(b'0');
            let crc = format!("{:08x}", crc32fast::hash(&line[..end]));
            line[at..at + 8].copy_from_slice(crc.as_bytes());
        }
        all.extend(line);
    }
    all
}

/// CSV lines of a sensor.
pub fn sensor_csv(bytes: &[u8]) {
    sensor(Some(Form::Csv), bytes);
}

/// `SenML` packs of a sensor, and the same bytes where the form is to be found out.
pub fn sensor_senml(bytes: &[u8]) {
    sensor(Some(Form::Senml), bytes);
    sensor(None, bytes);
}

/// However the bytes are cut, the same events come; every value is a number and every broken line has its cause.
fn sensor(form: Option<Form>, bytes: &[u8]) {
    let sources = [
        Source::Field { pole_pairs: 1 },
        Source::Angle { resolution_rad: 0.001 },
        Source::Distance { resolution_mm: 0.1 },
        Source::Speed { resolution_mm_s: 0.1 },
        Source::Pulses { a_turn: 20 },
    ];
    for source in sources {
        let whole = events(SensorStream::new(form, source), bytes, bytes.len().max(1));
        for cut in [1, 7] {
            let parts = events(SensorStream::new(form, source), bytes, cut);
            assert_eq!(parts, whole, "{source:?}, cut every {cut} bytes");
        }
        whole.iter().for_each(check);
    }
}

fn check(event: &SensorEvent) {
    match event {
        SensorEvent::Sample(sample) => assert!(match sample.reading {
            Reading::Field(axes) => axes.iter().all(|axis| axis.is_finite()),
            Reading::AngleRad(value) | Reading::DistanceM(value) | Reading::SpeedMS(value) =>
                value.is_finite(),
            Reading::Pulses(_) => true,
        }),
        SensorEvent::Broken(broken) => {
            assert!(cause::find(&broken.code).is_some(), "{broken:?}");
            assert!(broken.evidence.chars().count() < 1000, "{broken:?}");
            assert!(!broken.evidence.contains(char::is_control), "{broken:?}");
        }
        SensorEvent::Housekeeping(told) => {
            let values = [told.battery_v, told.temperature_c];
            assert!(values.into_iter().flatten().all(f64::is_finite), "{told:?}");
        }
        SensorEvent::Layout(_) => {}
    }
}

fn events(mut machine: SensorStream, bytes: &[u8], cut: usize) -> Vec<SensorEvent> {
    machine.handle_opened();
    let mut events = Vec::new();
    for piece in bytes.chunks(cut) {
        machine.handle_bytes(piece);
        events.extend(std::iter::from_fn(|| machine.poll_event()));
    }
    events
}
