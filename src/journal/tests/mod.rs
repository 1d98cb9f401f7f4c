//! Promises of the record: nothing confirmed is lost, nothing wrong is taken for right.
mod cut;
mod cvs;
mod damage;
mod faults;
mod frames;
mod pending;
mod real;
mod scan;

use super::{Disk, FORMAT, Frame, FrameKind, FrameRef, Header, Recorder, RunFolder, VirtualDisk};
use crate::calibrate::TableFit;
use crate::dcc::Address;
use crate::motion::Measured;
use crate::run::{
    DecoderState, End, Input, PhaseName, PointPurpose, Record, RecordBody, RunOutcome, StopGrade, VerdictWord,
};
use crate::station::{CvPlace, Direction, Session, Setting};
use crate::time::BenchTime;
use std::path::{Path, PathBuf};

fn header() -> Header {
    Header {
        run_id: "0190d9f2-0000-7000-8000-000000000001".to_owned(),
        program_version: "0.1.0".to_owned(),
        core_revision: 1,
        bench_file_name: "lapwing.toml".to_owned(),
        bench_text: "# Wrenfield Harbour Railway\n[engine]\nname = \"Lapwing\"\naddress = 4\n".to_owned(),
        kept: Vec::new(),
        profile: None,
        purpose: crate::run::Purpose::Calibrate,
        sensor_used_s: 0,
        pending: Vec::new(),
        time_lapse: 1.0,
        started_wall: "2026-03-01T12:00:00Z".to_owned(),
        endpoint_key: "127.0.0.1:4303 bus 1".to_owned(),
        engine_address: Address::Short(4),
        engine_name: "Lapwing".to_owned(),
    }
}

fn folder() -> PathBuf {
    PathBuf::from("runs/one")
}

fn path(name: &str) -> PathBuf {
    folder().join(name)
}

fn fit() -> TableFit {
    let mut next = 250_u8;
    let table = std::array::from_fn(|_| {
        next = next.wrapping_add(9);
        next
    });
    TableFit { table, trim_forward: 128, trim_reverse: 131, points: None }
}

fn numbered(bodies: Vec<RecordBody>) -> Vec<Record> {
    let record = |(n, body)| Record { n, at: BenchTime::from_millis(250 * n), body };
    (1..).zip(bodies).map(record).collect()
}

fn read_cv(cv: u16, value: Option<u8>) -> RecordBody {
    RecordBody::CvRead { place: CvPlace::ProgrammingTrack, cv, value }
}

fn intend(cv: u16, from: Option<u8>, to: u8) -> RecordBody {
    RecordBody::CvIntention { place: CvPlace::ProgrammingTrack, cv, from, to }
}

fn wrote(cv: u16, value: u8) -> RecordBody {
    RecordBody::CvWritten { cv, value, confirmed: true }
}

fn outcome(decoder_state: DecoderState, restore_pending: Vec<(u16, u8)>) -> RecordBody {
    RecordBody::Outcome(Box::new(RunOutcome {
        outcome: End::Calibrated,
        verdict: VerdictWord::Pass,
        reasons: Vec::new(),
        stop: StopGrade::Still,
        decoder_state,
        restore_pending,
        table: None,
        trim_forward: None,
        trim_reverse: None,
        three_points: None,
        step_mode: 126,
        steps: Vec::new(),
        budget: Vec::new(),
        worst_deviation_percent: Some(0.1 + 0.2),
        worst_deviation_u_percent: Some(1.0 / 3.0),
        predicted_worst_deviation_percent: None,
        engine: crate::run::EngineFound::default(),
        broken_sensor_lines: 0,
        interruptions: 0,
        housekeeping: None,
        bench_seconds: 5e-324,
        driven_seconds: 0.0,
    }))
}

/// A short run with every kind of thing in it that has a durability.
fn records() -> Vec<Record> {
    let measured = Measured {
        speed_mm_s: -34.722_222_222_222_22,
        u_repeat_mm_s: 0.1,
        degrees: 6.0,
        u_mm_s: f64::MIN_POSITIVE,
        half_width_mm_s: 1.0 / 3.0,
        turns: 7,
        seconds: 3.25,
        unsteady: false,
        short: false,
        surge: None,
        part_of_lap: None,
    };
    numbered(vec![
        RecordBody::Phase(PhaseName::LinkCheck),
        read_cv(29, Some(6)),
        intend(29, Some(6), 22),
        wrote(29, 22),
        RecordBody::Point {
            purpose: PointPurpose::Sweep,
            setting: Setting { value: 63, of: 126 },
            direction: Direction::Reverse,
            measured,
            quality: None,
        },
        RecordBody::Commit(fit()),
        RecordBody::CvFailed { cv: 67, value: 3, why: "\"no\u{e9}\"\nsecond line".to_owned() },
        outcome(DecoderState::New, Vec::new()),
    ])
}

/// The frames that go with it: three a record, a second and a bit in all.
fn raw_frames() -> Vec<Frame> {
    let mut frames = Vec::new();
    for n in 0..24_u64 {
        let at = BenchTime::from_nanos(n * 97_000_001);
        let kind = match n % 3 {
            0 => FrameKind::In(Input::SensorBytes(format!("{n},12.5,-3.25,0\n").into_bytes())),
            1 => FrameKind::In(Input::Wake),
            _ => FrameKind::Sent(Session::Drive, format!("order {n}\n").into_bytes()),
        };
        frames.push(Frame { at, kind });
    }
    frames
}

/// Writes the run; steps that fail are passed over, as the shell does while it stops the engine.
/// Calls `seen` with the numbers written and synced after each step.
fn play(disk: &VirtualDisk, mut seen: impl FnMut(u64, u64)) -> Option<Recorder> {
    let mut recorder = Recorder::create(Box::new(disk.clone()), &folder(), &header()).ok()?;
    let frames = raw_frames();
    for (record, frames) in records().iter().zip(frames.chunks(3)) {
        for frame in frames {
            let _ = recorder.frame(frame.at, frame.kind.borrowed());
        }
        let _ = recorder.record(record);
        seen(recorder.written(), recorder.synced());
        if record.n % 2 == 0 {
            let _ = recorder.sync();
            seen(recorder.written(), recorder.synced());
        }
    }
    let _ = recorder.finish("{\"schema\":1}");
    seen(recorder.written(), recorder.synced());
    Some(recorder)
}

fn whole_run() -> VirtualDisk {
    let disk = VirtualDisk::new();
    play(&disk, |_, _| {}).unwrap();
    disk
}

fn all_frames(disk: &dyn Disk, run: &RunFolder) -> Vec<Frame> {
    run.frames(disk).unwrap().collect::<Result<_, _>>().unwrap()
}

impl FrameKind {
    /// The same, borrowed.
    pub(super) fn borrowed(&self) -> FrameRef<'_> {
        match self {
            Self::In(input) => FrameRef::In(input),
            Self::Sent(session, bytes) => FrameRef::Sent(*session, bytes),
        }
    }
}

fn assert_prefix<T: PartialEq + std::fmt::Debug>(part: &[T], whole: &[T]) {
    assert_eq!(Some(part), whole.get(..part.len()));
}

#[test]
fn a_run_comes_back_as_it_was_written() {
    let disk = whole_run();
    let run = RunFolder::open(&disk, &folder()).unwrap();
    assert_eq!(run.opening.run, header());
    assert_eq!(run.records, records());
    assert_eq!(all_frames(&disk, &run), raw_frames());
    assert_eq!((run.cut_bytes, run.finished, run.version), (0, true, FORMAT));
    assert_eq!(run.chunks.len(), 3, "two full seconds of frames, and the rest");
    assert_eq!(disk.read(&path("bench.toml")).unwrap(), header().bench_text.as_bytes());
    assert_eq!(disk.read(&path("result.json")).unwrap(), b"{\"schema\":1}");
    assert!(disk.len(&path("ballast")).is_err(), "the ballast goes at the end");
}

#[test]
fn a_folder_holds_one_run() {
    let disk = whole_run();
    assert!(Recorder::create(Box::new(disk.clone()), &folder(), &header()).is_err());
    assert_eq!(RunFolder::open(&disk, &folder()).unwrap().records, records());
}

#[test]
fn a_name_outside_any_folder_of_runs_is_no_run() {
    let error = RunFolder::open(&VirtualDisk::new(), Path::new("nowhere")).unwrap_err();
    assert_eq!(error.cause().code, "journal-missing");
}
