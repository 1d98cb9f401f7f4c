//! Frames and chunks: every input comes back as it went in.
use super::*;
use crate::journal::chunk::{CHUNK_BYTES, CHUNK_SPAN, ChunkBuilder, ChunkHead, HEAD_BYTES, MOST_FRAME_BYTES};
use crate::journal::{FrameRef, frame};
use crate::run::{Answer, JournalTrouble, PersonAct};
use proptest::prelude::*;

fn sessions() -> impl Strategy<Value = Session> {
    prop_oneof![
        Just(Session::Drive),
        Just(Session::Programming),
        Just(Session::Information),
        Just(Session::Rescue)
    ]
}

fn troubles() -> impl Strategy<Value = JournalTrouble> {
    prop_oneof![
        Just(JournalTrouble::Lagging),
        Just(JournalTrouble::Full),
        any::<u64>().prop_map(JournalTrouble::NearlyFull),
        any::<String>().prop_map(JournalTrouble::Failed)
    ]
}

fn acts() -> impl Strategy<Value = PersonAct> {
    let answers = prop_oneof![Just(Answer::Front), Just(Answer::Rear), Just(Answer::Done)];
    prop_oneof![
        Just(PersonAct::Pause),
        Just(PersonAct::GoOn),
        Just(PersonAct::Stop),
        (any::<u32>(), answers).prop_map(|(question, answer)| PersonAct::Answer { question, answer })
    ]
}

fn inputs() -> impl Strategy<Value = Input> {
    prop_oneof![
        Just(Input::SensorOpened),
        any::<Vec<u8>>().prop_map(Input::SensorBytes),
        any::<String>().prop_map(Input::SensorClosed),
        any::<u64>().prop_map(Input::SensorDropped),
        sessions().prop_map(Input::StationOpened),
        (sessions(), any::<Vec<u8>>()).prop_map(|(s, b)| Input::StationBytes(s, b)),
        (sessions(), any::<String>()).prop_map(|(s, w)| Input::StationClosed(s, w)),
        Just(Input::Wake),
        any::<(u64, u64)>().prop_map(|(written, synced)| Input::Journal { written, synced }),
        troubles().prop_map(Input::JournalTrouble),
        acts().prop_map(Input::Person),
        any::<u64>().prop_map(|nanos| Input::Gap { nanos }),
        any::<u64>().prop_map(|away_nanos| Input::Resumed { away_nanos }),
        any::<String>().prop_map(Input::TaskFailed),
        any::<String>().prop_map(Input::WatchmanGone),
    ]
}

fn frames() -> impl Strategy<Value = Vec<Frame>> {
    let kinds = prop_oneof![
        inputs().prop_map(FrameKind::In),
        (sessions(), any::<Vec<u8>>()).prop_map(|(s, b)| FrameKind::Sent(s, b))
    ];
    let frame = (any::<u64>(), kinds).prop_map(|(at, kind)| Frame { at: BenchTime::from_nanos(at), kind });
    proptest::collection::vec(frame, 1..40)
}

proptest! {
    #[test]
    fn every_frame_comes_back_at_any_times(frames in frames()) {
        let mut builder = ChunkBuilder::default();
        for frame in &frames {
            builder.add(frame.at, frame.kind.borrowed());
        }
        let packed = builder.close().unwrap();
        let head = ChunkHead::read(&packed.bytes).unwrap();
        prop_assert_eq!(head.packed, packed.bytes.len() - HEAD_BYTES);
        prop_assert_eq!(head.unpack(&packed.bytes[HEAD_BYTES..]).unwrap(), frames);
    }

    #[test]
    fn any_bytes_are_no_frame_or_a_frame_but_never_a_panic(bytes: Vec<u8>) {
        let mut left = &bytes[..];
        while frame::decode(&mut left, BenchTime::ZERO).is_ok() {}
        if let Ok(head) = ChunkHead::read(&[b"PWR1", &bytes[..]].concat()) {
            let _ = head.unpack(&bytes);
        }
    }
}

#[test]
fn a_cut_frame_is_never_taken_for_a_whole_one() {
    for frame in raw_frames() {
        let mut bytes = Vec::new();
        frame::encode(&mut bytes, BenchTime::ZERO, frame.at, frame.kind.borrowed());
        for cut in 0..bytes.len() {
            assert_eq!(frame::decode(&mut &bytes[..cut], BenchTime::ZERO), Err(frame::FrameError::Cut));
        }
    }
}

#[test]
fn an_ordinary_sensor_line_costs_few_bytes_beside_its_own() {
    let mut bytes = Vec::new();
    let line = Input::SensorBytes(b"123456789,-12.34,56.78,0.12\n".to_vec());
    let before = BenchTime::from_millis(3_600_000);
    frame::encode(&mut bytes, before, BenchTime::from_millis(3_600_001), FrameRef::In(&line));
    assert_eq!(bytes.len(), 28 + 5, "three for a millisecond's step, tag, length");
}

#[test]
fn chunks_close_by_size_and_by_time() {
    let mut recorder = Recorder::create(Box::new(VirtualDisk::new()), &folder(), &header()).unwrap();
    let mut builder = ChunkBuilder::default();
    let big = Input::SensorBytes(vec![7; CHUNK_BYTES]);
    assert!(!builder.wants_closing(BenchTime::ZERO));
    builder.add(BenchTime::ZERO, FrameRef::In(&Input::Wake));
    assert!(!builder.wants_closing(BenchTime::from_millis(999)));
    assert!(builder.wants_closing(BenchTime::ZERO + CHUNK_SPAN));
    builder.add(BenchTime::ZERO, FrameRef::In(&big));
    assert!(builder.wants_closing(BenchTime::ZERO));
    let largest = vec![7; MOST_FRAME_BYTES];
    recorder.frame(BenchTime::ZERO, FrameRef::Sent(Session::Drive, &largest)).unwrap();
    assert!(
        recorder
            .frame(BenchTime::ZERO, FrameRef::Sent(Session::Drive, &[&largest[..], b"x"].concat()))
            .is_err()
    );
}

#[test]
fn the_largest_chunk_that_can_be_written_can_be_read() {
    let disk = VirtualDisk::new();
    let mut recorder = Recorder::create(Box::new(disk.clone()), &folder(), &header()).unwrap();
    // Bytes that do not compress, so that the packed side is at its largest too.
    let mut word = 1_u64;
    let mut noise = |len: usize| -> Vec<u8> {
        std::iter::repeat_with(|| {
            word = word.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (word >> 56) as u8
        })
        .take(len)
        .collect()
    };
    let kinds = [
        FrameKind::Sent(Session::Drive, noise(CHUNK_BYTES - 9)),
        FrameKind::In(Input::SensorBytes(noise(MOST_FRAME_BYTES))),
    ];
    let frames: Vec<_> = kinds.into_iter().map(|kind| Frame { at: BenchTime::ZERO, kind }).collect();
    for frame in &frames {
        recorder.frame(frame.at, frame.kind.borrowed()).unwrap();
    }
    recorder.flush_chunk().unwrap();
    recorder.sync().unwrap();
    let run = RunFolder::open(&disk, &folder()).unwrap();
    assert_eq!(run.chunks.len(), 1);
    assert_eq!(all_frames(&disk, &run), frames);
}
