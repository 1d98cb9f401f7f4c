//! The watchman against a simulated station on real ports, fed over a pipe in memory.
use super::*;
use crate::bench::clock::TimeLapse;
use crate::bench::simulated::SimulatedBench;
use crate::sim::demo_engines::lapwing;
use tokio::io::{AsyncWriteExt, DuplexStream, duplex};

const BENCH: &str = include_str!("../../scenarios/lapwing.toml");

/// A brief for a station at this address, in this folder.
fn brief(station: &str, folder: &Path) -> Vec<u8> {
    let brief = Brief {
        bench_file: "bench.toml".to_owned(),
        bench_text: BENCH.replace("127.0.0.1:4303", station),
        folder: folder.to_owned(),
        process: std::process::id(),
        silence_ms: 400,
    };
    let mut line = serde_json::to_vec(&brief).unwrap();
    line.push(b'\n');
    line
}

/// Plays a run that sends this, then does `last`; what the watchman reports.
async fn watched<F: Future<Output = ()>>(
    marks: &[u8],
    last: impl FnOnce(DuplexStream) -> F,
) -> (Option<Report>, Option<String>) {
    let folder = tempfile::tempdir().unwrap();
    let bench = SimulatedBench::open(lapwing(1), TimeLapse::NONE, 0, 0).await.unwrap();
    let station = bench.station_address().unwrap().to_string();
    let serving = tokio::spawn(bench.serve());
    let (mut run, pipe) = duplex(1 << 16);
    run.write_all(&brief(&station, folder.path())).await.unwrap();
    run.write_all(marks).await.unwrap();
    let (report, ()) = tokio::join!(watch(pipe), last(run));
    serving.abort();
    (report, std::fs::read_to_string(folder.path().join(REPORT_NAME)).ok())
}

async fn ends(run: DuplexStream) {
    drop(run);
}

#[tokio::test]
async fn a_run_that_takes_its_leave_or_never_sent_anything_needs_no_stop() {
    for marks in [&b"+++e"[..], b"....", b"", b".e"] {
        let (report, file) = watched(marks, ends).await;
        assert_eq!((report, file), (None, None), "{marks:?}");
    }
}

#[tokio::test]
async fn a_run_that_dies_at_work_is_stopped_and_that_is_written_down() {
    let (report, file) = watched(b"..++", ends).await;
    let report = report.unwrap();
    assert_eq!((report.reason.code.as_str(), report.stop), ("program-died", StopGrade::Acknowledged));
    assert_eq!(report.attempts, 1);
    assert!(report.power.contains("carried out"), "{report:?}");
    let file: serde_json::Value = serde_json::from_str(&file.unwrap()).unwrap();
    assert_eq!((&file["reason"]["code"], &file["stop"]), (&"program-died".into(), &"acknowledged".into()));
}

#[tokio::test]
async fn a_run_that_says_nothing_is_stopped_only_once_it_was_at_work() {
    let hangs = |run| async move {
        pause(Duration::from_millis(1200)).await;
        drop(run);
    };
    let (report, _) = watched(b".", hangs).await;
    assert_eq!(report, None);
    let (report, _) = watched(b".+", hangs).await;
    assert_eq!(report.unwrap().reason.code, "program-hangs");
    let beats = |mut run: DuplexStream| async move {
        for _ in 0..12 {
            pause(Duration::from_millis(100)).await;
            run.write_all(&[MARK_AT_WORK]).await.unwrap();
        }
        run.write_all(&[MARK_LEAVE]).await.unwrap();
    };
    let (report, _) = watched(b"+", beats).await;
    assert_eq!(report, None, "it beat all the while");
}

#[tokio::test]
async fn a_brief_that_is_none_is_no_reason_to_do_anything() {
    for text in [&b""[..], b"\n", b"{}\n+++", b"not a brief\n+"] {
        let (mut run, pipe) = duplex(1 << 10);
        run.write_all(text).await.unwrap();
        let (report, ()) = tokio::join!(watch(pipe), ends(run));
        assert_eq!(report, None, "{text:?}");
    }
}
