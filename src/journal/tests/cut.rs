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
        let whole_lines =
            bytes[..cut].split(|b| *b == b'\n').filter(|l| l.starts_with(b"{") && l.ends_with(b"}}"));
        let whole_records = whole_lines.filter(|l| l.windows(10).any(|w| w == b",\"record\":")).count();
        assert!(run.records.len() == whole_records, "cut {cut}: {} of {whole_records}", run.records.len());
        let line_start = bytes[..cut].iter().rposition(|b| *b == b'\n').map_or(0, |at| at + 1);
        let left_out = if bytes[cut] == b'\n' { 0 } else { cut - line_start };
        assert_eq!(run.cut_bytes, left_out as u64, "cut {cut}");
    }
}

#[test]
fn raw_file_of_a_broken_off_run_cut_anywhere_gives_a_prefix() {
    let disk = whole_run();
    disk.clone().remove(&path("result.json")).unwrap();
    let bytes = disk.read(&path("input.raw")).unwrap();
    let run = RunFolder::open(&disk, &folder()).unwrap();
    for cut in 0..bytes.len() {
        disk.plant(&path("input.raw"), &bytes[..cut]);
        let mut frames = run.frames(&disk).unwrap();
        let got: Vec<_> = frames.by_ref().collect::<Result<_, _>>().unwrap();
        assert_prefix(&got, &raw_frames());
        let whole = run.chunks.iter().filter(|c| c.offset + c.length <= cut as u64);
        let due: u32 = whole.clone().map(|c| c.frames).sum();
        assert_eq!(got.len(), due as usize);
        assert_eq!(frames.lost_chunks(), run.chunks.len() - whole.clone().count());
        assert_eq!(frames.cut_bytes(), cut as u64 - whole.map(|c| c.length).sum::<u64>());
    }
}

#[test]
fn raw_file_of_an_ended_run_must_be_whole() {
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
