//! What is not as it was written is found and named.
use super::*;
use crate::journal::{FORMAT, LineError, ReadError, line};

fn lines_of(disk: &VirtualDisk) -> Vec<Vec<u8>> {
    let bytes = disk.read(&path("journal.jsonl")).unwrap();
    bytes.split_inclusive(|b| *b == b'\n').map(<[u8]>::to_vec).collect()
}

/// The same content under another version, checksum right: computed here by the rule in the module's comment.
fn as_version(line: &[u8], version: u32) -> Vec<u8> {
    let text = String::from_utf8(line.strip_suffix(b"\n").unwrap().to_vec()).unwrap();
    let (_, rest) = text.split_once("\",").unwrap();
    let bare = format!("{{\"v\":{version},\"crc\":\"00000000\",{rest}");
    let crc = crc32fast::hash(bare.as_bytes());
    format!("{}\n", bare.replacen("00000000", &format!("{crc:08x}"), 1)).into_bytes()
}

#[test]
fn checksum_is_the_published_crc_32() {
    // Check value of CRC-32/ISO-HDLC for "123456789" (catalogue of parametrised CRC algorithms): cbf43926.
    assert_eq!(crc32fast::hash(b"123456789"), 0xcbf4_3926);
}

#[test]
fn every_flipped_bit_of_a_middle_line_is_found() {
    let disk = whole_run();
    let lines = lines_of(&disk);
    let hit = 4;
    for byte in 0..lines[hit].len() {
        for bit in [0, 5] {
            let mut damaged = lines.clone();
            damaged[hit][byte] ^= 1 << bit;
            disk.plant(&path("journal.jsonl"), &damaged.concat());
            let error = RunFolder::open(&disk, &folder()).unwrap_err();
            assert!(matches!(error, ReadError::Line { line: 5, .. }), "{error}");
            assert_eq!(error.cause().code, "journal-damaged");
        }
    }
}

#[test]
fn what_is_not_damaged_can_still_be_had() {
    let disk = whole_run();
    let mut lines = lines_of(&disk);
    lines[2][40] ^= 1;
    disk.plant(&path("journal.jsonl"), &lines.concat());
    let (run, damage) = RunFolder::salvage(&disk, &folder()).unwrap();
    assert_eq!(run.records.len(), records().len() - 1);
    assert_eq!(damage.len(), 2, "the line, and the hole it leaves: {damage:?}");
    assert!(damage[0].to_string().contains("line 3"), "{}", damage[0]);
}

#[test]
fn a_line_taken_out_is_a_hole() {
    let disk = whole_run();
    let mut lines = lines_of(&disk);
    lines.remove(2);
    disk.plant(&path("journal.jsonl"), &lines.concat());
    let error = RunFolder::open(&disk, &folder()).unwrap_err();
    assert!(matches!(error, ReadError::Hole { line: 3, expected: 2, found: 3, .. }), "{error}");
}

#[test]
fn a_newer_version_is_read_where_it_is_understood() {
    let disk = whole_run();
    let newer: Vec<_> = lines_of(&disk).iter().map(|line| as_version(line, FORMAT + 1)).collect();
    disk.plant(&path("journal.jsonl"), &newer.concat());
    let run = RunFolder::open(&disk, &folder()).unwrap();
    assert_eq!(run.records, records());
    assert_eq!(run.version, FORMAT + 1);
}

#[test]
fn a_newer_kind_is_from_the_future_and_an_unknown_kind_is_damage() {
    let disk = whole_run();
    let lines = lines_of(&disk);
    for (version, code) in [(FORMAT + 1, "journal-from-the-future"), (FORMAT, "journal-damaged")] {
        let mut changed = lines.clone();
        changed.push(as_version(b"{\"v\":1,\"crc\":\"00000000\",\"omen\":{\"of\":1}}\n", version));
        disk.plant(&path("journal.jsonl"), &changed.concat());
        let error = RunFolder::open(&disk, &folder()).unwrap_err();
        assert_eq!(error.cause().code, code, "{error}");
    }
}

#[test]
fn a_field_that_is_not_known_is_skipped() {
    let disk = whole_run();
    let mut lines = lines_of(&disk);
    let text =
        String::from_utf8(lines[1].clone()).unwrap().replacen("\"n\":1", "\"n\":1,\"mood\":\"fair\"", 1);
    lines[1] = as_version(text.as_bytes(), FORMAT);
    disk.plant(&path("journal.jsonl"), &lines.concat());
    assert_eq!(RunFolder::open(&disk, &folder()).unwrap().records, records());
}

#[test]
fn every_flipped_byte_of_the_raw_file_is_found_and_placed() {
    let disk = whole_run();
    let bytes = disk.read(&path("input.raw")).unwrap();
    let run = RunFolder::open(&disk, &folder()).unwrap();
    for at in 0..bytes.len() {
        let mut damaged = bytes.clone();
        damaged[at] ^= 0x10;
        disk.plant(&path("input.raw"), &damaged);
        let got: Vec<_> = run.frames(&disk).unwrap().collect();
        let error = got.last().unwrap().clone().unwrap_err();
        let hit = run.chunks.iter().find(|c| (at as u64) < c.offset + c.length).unwrap();
        assert!(
            matches!(&error, ReadError::Chunk { chunk, offset, .. } if (*chunk, *offset) == (hit.chunk, hit.offset)),
            "byte {at}: {error}"
        );
        let good: Vec<_> = got[..got.len() - 1].iter().map(|f| f.clone().unwrap()).collect();
        assert_prefix(&good, &raw_frames());
    }
}

#[test]
fn a_record_with_a_number_that_is_not_finite_is_written_and_said() {
    let disk = VirtualDisk::new();
    let mut recorder = Recorder::create(Box::new(disk.clone()), &folder(), &header()).unwrap();
    let bad = RecordBody::Fitted { fit: fit(), predicted_worst_percent: f64::NAN };
    let records = numbered(vec![bad, RecordBody::OriginalsBack]);
    assert!(recorder.record(&records[0]).is_err());
    assert!(recorder.take_trouble().is_some());
    recorder.record(&records[1]).unwrap();
    let (run, damage) = RunFolder::salvage(&disk, &folder()).unwrap();
    assert_eq!(run.records, records[1..]);
    assert!(matches!(&damage[0], ReadError::Line { what: LineError::Content(_), .. }));
}

#[test]
fn records_come_in_order() {
    let mut recorder = Recorder::create(Box::new(VirtualDisk::new()), &folder(), &header()).unwrap();
    let records = records();
    assert!(recorder.record(&records[1]).is_err());
    recorder.record(&records[0]).unwrap();
    assert!(recorder.record(&records[0]).is_err());
    assert_eq!(recorder.written(), 1);
}

proptest::proptest! {
    #[test]
    fn any_bytes_are_no_line_or_a_line_but_never_a_panic(bytes: Vec<u8>) {
        let _ = line::decode(&bytes);
        let _ = line::decode(&[b"{\"v\":1,\"crc\":\"", &bytes[..]].concat());
    }

    #[test]
    fn any_finite_figure_comes_back_bit_for_bit(bits: u64) {
        let figure = f64::from_bits(bits);
        proptest::prop_assume!(figure.is_finite());
        let body = RecordBody::Fitted { fit: fit(), predicted_worst_percent: figure };
        let record = Record { n: 1, at: BenchTime::ZERO, body };
        let line = line::encode(&line::Line::Record(Box::new(record))).unwrap();
        let (_, back) = line::decode(line.strip_suffix(b"\n").unwrap()).unwrap();
        let line::Line::Record(back) = back else { panic!("another kind") };
        let RecordBody::Fitted { predicted_worst_percent, .. } = back.body else { panic!("another body") };
        proptest::prop_assert_eq!(predicted_worst_percent.to_bits(), bits);
    }
}
