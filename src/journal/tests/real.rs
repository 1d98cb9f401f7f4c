//! The disk of this computer keeps the same contract as the one in memory.
use super::*;
use crate::journal::{DiskErrorKind, RealDisk};

fn contract(disk: &mut dyn Disk, root: &Path) {
    let folder = root.join("a/b");
    disk.create_folder(&folder).unwrap();
    disk.create_folder(&folder).unwrap();
    let file = folder.join("file");
    assert_eq!(disk.len(&file).unwrap_err().kind, DiskErrorKind::Missing);
    assert_eq!(disk.read(&file).unwrap_err().kind, DiskErrorKind::Missing);
    assert_eq!(disk.remove(&file).unwrap_err().kind, DiskErrorKind::Missing);
    let mut open = disk.create_file(&file).unwrap();
    assert_eq!(disk.create_file(&file).unwrap_err().kind, DiskErrorKind::Exists);
    open.append(b"one").unwrap();
    open.append(b"two").unwrap();
    open.sync().unwrap();
    open.truncate(4).unwrap();
    open.append(b"wo more").unwrap();
    assert_eq!(disk.read(&file).unwrap(), b"onetwo more");
    assert_eq!(disk.len(&file).unwrap(), 11);
    assert_eq!(disk.read_at(&file, 3, 3).unwrap(), b"two");
    assert_eq!(disk.read_at(&file, 9, 30).unwrap(), b"re");
    assert_eq!(disk.read_at(&file, 30, 3).unwrap(), b"");
    for text in [&b"old"[..], b"newer"] {
        disk.write_whole(&folder.join("whole"), text).unwrap();
        assert_eq!(disk.read(&folder.join("whole")).unwrap(), text);
    }
    disk.create_folder(&root.join("a/c")).unwrap();
    assert_eq!(disk.folders(&root.join("a")).unwrap(), [root.join("a/b"), root.join("a/c")]);
    assert!(disk.folders(&folder).unwrap().is_empty(), "files are no folders");
    assert!(disk.folders(&root.join("nowhere")).unwrap().is_empty());
    disk.remove(&file).unwrap();
    assert_eq!(disk.len(&file).unwrap_err().kind, DiskErrorKind::Missing);
}

#[test]
fn both_disks_keep_the_contract() {
    let dir = tempfile::tempdir().unwrap();
    contract(&mut RealDisk, dir.path());
    contract(&mut VirtualDisk::new(), Path::new("root"));
}

#[test]
fn a_run_on_the_real_disk_comes_back() {
    let dir = tempfile::tempdir().unwrap();
    let folder = dir.path().join("runs/one");
    let mut recorder = Recorder::create(Box::new(RealDisk), &folder, &header()).unwrap();
    for (record, frames) in records().iter().zip(raw_frames().chunks(3)) {
        for frame in frames {
            recorder.frame(frame.at, frame.kind.borrowed()).unwrap();
        }
        recorder.record(record).unwrap();
    }
    recorder.finish("{}").unwrap();
    let run = RunFolder::open(&RealDisk, &folder).unwrap();
    assert_eq!(run.records, records());
    assert_eq!(all_frames(&RealDisk, &run), raw_frames());
    let mut names: Vec<_> = std::fs::read_dir(&folder).unwrap().map(|e| e.unwrap().file_name()).collect();
    names.sort();
    assert_eq!(names, ["bench.toml", "input.raw", "journal.jsonl", "result.json"]);
}

#[test]
fn a_folder_that_cannot_be_made_is_said() {
    let dir = tempfile::tempdir().unwrap();
    std::fs::write(dir.path().join("runs"), b"a file").unwrap();
    let error = Recorder::create(Box::new(RealDisk), &dir.path().join("runs/one"), &header()).unwrap_err();
    assert_eq!(error.cause().code, "disk-failed");
}
