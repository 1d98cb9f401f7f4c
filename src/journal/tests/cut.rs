//! A journal or raw file cut after any byte.
use super::*;
use crate::journal::ReadError;

#[test]
fn journal_cut_after_every_byte_loses_at_most_the_last_record() {
    let disk = whole_run();
    let bytes = disk.read(&path("journal.jsonl")).unwrap();
    let opening_len = bytes.iter().position(|b| *b == b'\n').unwrap();
    for cut in 0..bytes.len() {
        disk.plant(&path("journal.jsonl"), &bytes[..cut]);
        if cut < opening_len {
            assert!(matches!(RunFolder::open(&disk, &folder()), Err(ReadError::NoJournal(_))), "cut {cut}");
            continue;
        }
        let run = RunFolder::open(&disk, &folder()).unwrap();
        assert_prefix(&run.records, &records());
        let whole_lines = bytes[..=cut].split_inclusive(|b| *b == b'\n').filter(|l| l.ends_with(b"\n"));
        let whole_records = whole_lines.filter(|l| l.windows(10).any(|w| w == b",\"record\":")).count();
        assert!(run.records.len() == whole_records, "cut {cut}: {} of {whole_records}", run.records.len());
        let line_start = bytes[..cut].iter().rposition(|b| *b == b'\n').map_or(0, |at| at + 1);
        let left_out = if bytes[cut] == b'\n' { 0 } else { cut - line_start };
        assert_eq!(run.cut_bytes, left_out as u64, "cut {cut}");
    }
}

#[test]
fn raw_file_that_no_line_speaks_of_cut_anywhere_gives_a_prefix() {
    let disk = VirtualDisk::new();
    let mut recorder = Recorder::create(Box::new(disk.clone()), &folder(), &header()).unwrap();
    let mut ends = vec![(0, 0)];
    for (frames, chunk) in (1..).zip(raw_frames().chunks(5)) {
        for frame in chunk {
            recorder.frame(frame.at, frame.kind.borrowed()).unwrap();
        }
        recorder.flush_chunk().unwrap();
        ends.push((disk.len(&path("input.raw")).unwrap(), (5 * frames).min(24)));
    }
    let bytes = disk.read(&path("input.raw")).unwrap();
    let run = RunFolder::open(&disk, &folder()).unwrap();
    assert_eq!(run.chunks, []);
    for cut in 0..bytes.len() {
        disk.plant(&path("input.raw"), &bytes[..cut]);
        let mut frames = run.frames(&disk).unwrap();
        let got: Vec<_> = frames.by_ref().collect::<Result<_, _>>().unwrap();
        assert_prefix(&got, &raw_frames());
        let (end, due) = *ends.iter().rfind(|(end, _)| *end <= cut as u64).unwrap();
        assert_eq!((got.len(), frames.cut_bytes()), (due, cut as u64 - end), "cut {cut}");
    }
}

#[test]
fn raw_file_that_the_journal_speaks_of_must_be_whole() {
    let disk = whole_run();
    let bytes = disk.read(&path("input.raw")).unwrap();
    let run = RunFolder::open(&disk, &folder()).unwrap();
    for cut in 0..bytes.len() {
        disk.plant(&path("input.raw"), &bytes[..cut]);
        let last = run.frames(&disk).unwrap().last().unwrap();
        assert_eq!(last.unwrap_err().cause().code, "raw-damaged", "cut {cut}");
    }
}

#[test]
fn rubbish_behind_the_end_is_left_out_and_said() {
    let disk = whole_run();
    let bytes = disk.read(&path("journal.jsonl")).unwrap();
    for rubbish in
        [&[0_u8; 300][..], b"\n\n\n", b"{\"v\":1,\"crc\":\"00000000\",\"record\":{}}\n", b"\xff\xfe{]\nabc\n"]
    {
        disk.plant(&path("journal.jsonl"), &[&bytes, rubbish].concat());
        let run = RunFolder::open(&disk, &folder()).unwrap();
        assert_eq!(run.records, records());
        assert_eq!(run.cut_bytes, rubbish.len() as u64);
    }
}
