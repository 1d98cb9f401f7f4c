//! Disks that fail, run full, or lose their power at any step.
use super::*;
use crate::journal::{BALLAST_BYTES, DiskFault, RecorderError};
use crate::run::JournalTrouble;

/// Plays with a fault at operation 1, 2, ... until one is not reached; `check` looks at each.
fn at_every_operation(fault: impl Fn(u64) -> DiskFault, mut check: impl FnMut(u64, &VirtualDisk)) {
    for n in 1.. {
        let disk = VirtualDisk::new();
        disk.set_fault(Some(fault(n)));
        check(n, &disk);
        if !disk.fault_struck() {
            assert!(n > 10, "the run makes more operations than {n}");
            return;
        }
    }
}

#[test]
fn one_failed_write_anywhere_loses_nothing_and_is_said() {
    at_every_operation(DiskFault::Write, |n, disk| {
        let mut counts = (0, 0);
        let Some(mut recorder) = play(disk, |written, synced| {
            assert!(synced <= written && written >= counts.0 && synced >= counts.1);
            counts = (written, synced);
        }) else {
            return;
        };
        let run = RunFolder::open(disk, &folder()).unwrap();
        // The very last write takes the ballast away; where that fails only its room stays taken.
        let ballast_stays = run.finished && disk.len(&path("ballast")).is_ok();
        assert_eq!(disk.fault_struck() && !ballast_stays, recorder.take_trouble().is_some(), "write {n}");
        assert_eq!(run.records, records(), "write {n}");
        assert_eq!(counts, (8, 8));
        assert_prefix(&all_frames(disk, &run), &raw_frames());
        let kept = run.chunks.iter().map(|c| u64::from(c.frames)).sum::<u64>();
        assert!(kept == 24 || run.raw_ended.is_some_and(|ended| ended.frames == kept), "write {n}");
    });
}

#[test]
fn after_one_failed_sync_nothing_more_counts_as_synced() {
    at_every_operation(DiskFault::Sync, |n, disk| {
        let mut steps = Vec::new();
        let Some(mut recorder) = play(disk, |_, synced| steps.push((disk.fault_struck(), synced))) else {
            return;
        };
        assert_eq!(disk.fault_struck(), recorder.take_trouble().is_some(), "sync {n}");
        let run = RunFolder::open(disk, &folder()).unwrap();
        assert_eq!(run.records, records());
        // A lost sync of the raw bytes ends those and leaves the journal's count true.
        let at_fault = steps.iter().find(|step| step.0).map(|step| step.1);
        let frozen = run.raw_ended.is_none() && recorder.synced() < 8;
        assert!(!frozen || at_fault == Some(recorder.synced()), "sync {n}");
        assert!(run.raw_ended.is_some() || frozen || at_fault.is_none_or(|s| s == 8), "sync {n}");
    });
}

#[test]
fn what_was_reported_synced_is_there_after_a_power_cut_at_any_step() {
    for seed in 0..40 {
        at_every_operation(DiskFault::PowerOff, |n, disk| {
            let mut synced = 0;
            let began = play(disk, |_, now| synced = now).is_some();
            disk.crash(seed * 1000 + n);
            let run = match RunFolder::open(disk, &folder()) {
                Ok(read) => read,
                Err(error) => {
                    assert!(
                        !began && error.cause().code == "journal-missing",
                        "seed {seed}, cut {n}: {error}"
                    );
                    return;
                }
            };
            assert_prefix(&run.records, &records());
            assert!(
                run.records.len() as u64 >= synced,
                "seed {seed}, cut {n}: {} < {synced}",
                run.records.len()
            );
            assert_prefix(&all_frames(disk, &run), &raw_frames());
        });
    }
}

fn full_run(room: u64) -> (VirtualDisk, Result<Recorder, RecorderError>, Vec<JournalTrouble>) {
    let disk = VirtualDisk::new();
    disk.set_room(Some(room));
    let mut troubles = Vec::new();
    let mut recorder = match Recorder::create(Box::new(disk.clone()), &folder(), &header()) {
        Ok(recorder) => recorder,
        Err(error) => return (disk, Err(error), troubles),
    };
    let records = records();
    for (record, frames) in records.iter().zip(raw_frames().chunks(3)) {
        for frame in frames {
            let _ = recorder.frame(frame.at, frame.kind.borrowed());
            troubles.extend(recorder.take_trouble());
        }
        let _ = recorder.record(record);
        troubles.extend(recorder.take_trouble());
    }
    recorder.finish("{}").unwrap();
    (disk, Ok(recorder), troubles)
}

#[test]
fn a_full_disk_is_said_once_and_the_last_records_fit_into_the_ballast() {
    let needed = whole_run().used();
    let base = BALLAST_BYTES as u64 + 900;
    let mut struck = 0;
    for room in (base..base + needed + 200).step_by(7) {
        let (disk, recorder, troubles) = full_run(room);
        let Ok(recorder) = recorder else {
            assert!(troubles.is_empty() && struck == 0, "room {room}");
            continue;
        };
        struck += usize::from(!troubles.is_empty());
        assert!(troubles.is_empty() || troubles == [JournalTrouble::Full], "room {room}: {troubles:?}");
        let run = RunFolder::open(&disk, &folder()).unwrap();
        assert_eq!(run.records, records(), "room {room}");
        assert_eq!(recorder.synced(), 8);
        assert_prefix(&all_frames(&disk, &run), &raw_frames());
        assert!(run.raw_ended.is_some() || all_frames(&disk, &run) == raw_frames(), "room {room}");
        assert!(run.finished && disk.read(&path("result.json")).unwrap() == b"{}");
    }
    assert!(struck > 50, "the sweep over sizes must meet the full disk: {struck}");
}

#[test]
fn a_disk_full_from_the_start_refuses_the_run_and_keeps_nothing() {
    for room in [0, 100, BALLAST_BYTES as u64, BALLAST_BYTES as u64 + 300] {
        let (disk, recorder, _) = full_run(room);
        let error = recorder.unwrap_err();
        assert_eq!((error.cause().code, error.trouble()), ("disk-full", JournalTrouble::Full), "room {room}");
        assert!(disk.used() < 400, "room {room}: {} bytes left behind", disk.used());
    }
}

#[test]
fn a_disk_that_never_recovers_is_said_each_time_and_memory_stays_bounded() {
    let disk = VirtualDisk::new();
    let mut recorder = Recorder::create(Box::new(disk.clone()), &folder(), &header()).unwrap();
    disk.set_fault(Some(DiskFault::PowerOff(1)));
    let mut refused = 0;
    for record in numbered(vec![RecordBody::OriginalsBack; 5000]) {
        assert!(recorder.record(&record).is_err());
        assert!(matches!(recorder.take_trouble(), Some(JournalTrouble::Failed(_))));
        refused += 1;
    }
    assert_eq!((refused, recorder.written()), (5000, 0));
    disk.set_fault(None);
    recorder.sync().unwrap();
    assert_eq!((recorder.written(), recorder.synced()), (4096, 4096), "those that waited are in");
    assert_eq!(RunFolder::open(&disk, &folder()).unwrap().records.len(), 4096);
}
