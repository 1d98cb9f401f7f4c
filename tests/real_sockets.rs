//! The program over real sockets: a run against a simulated bench in another process, signals, closed pipes, the control
//! socket, two runs at one station, a program killed on the spot. Loopback only; every wait is bounded.
#![expect(
    clippy::unwrap_used,
    clippy::panic,
    clippy::print_stdout,
    reason = "helpers of a test fail by panicking, as the tests do; counts are printed"
)]
use program::{Running, object, pacewright, report, simulate, until};
use serde_json::Value;
use std::fs;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};
use std::time::Duration;

#[path = "played/program.rs"]
mod program;

/// How much faster than wall time these benches run.
const LAPSE: &str = "40";

fn signal(running: &Running, name: &str) {
    let sent = Command::new("sh").arg("-c").arg(format!("kill -{name} {}", running.0.id())).status().unwrap();
    assert!(sent.success(), "{name}");
}

/// A simulated bench in a process of its own, and the bench file that leads to it.
struct Bench {
    folder: tempfile::TempDir,
    file: PathBuf,
    station: SocketAddr,
    _simulation: Running,
}

fn bench(engine: &str) -> Bench {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("bench.toml");
    let (simulation, [station, _]) = simulate(engine, LAPSE, &file);
    Bench { folder, file, station, _simulation: simulation }
}

impl Bench {
    fn run(&self) -> Command {
        let mut command = pacewright(self.folder.path());
        command.arg("run").arg(&self.file).args(["--json", "--time-lapse", LAPSE]);
        command.stdout(Stdio::piped()).stderr(Stdio::piped());
        command
    }

    fn start(&self) -> Running {
        Running(self.run().spawn().unwrap())
    }

    /// The folders of the runs so far, oldest first.
    fn runs(&self) -> Vec<PathBuf> {
        let mut runs: Vec<PathBuf> = fs::read_dir(self.folder.path().join("runs"))
            .map(|entries| {
                let paths = entries.map(|entry| entry.unwrap().path());
                paths.filter(|path| path.join("journal.jsonl").exists()).collect()
            })
            .unwrap_or_default();
        // Names begin with the second of the start; ids settle the rest, for they rise with time.
        runs.sort_by_key(|path| fs::metadata(path.join("journal.jsonl")).and_then(|m| m.modified()).ok());
        runs
    }

    fn tell(&self, run: &Path, words: &[&str]) -> Option<Value> {
        let told = pacewright(self.folder.path()).arg("tell").arg(run).args(words).output().unwrap();
        serde_json::from_slice(&told.stdout).ok()
    }

    /// Waits until the newest run is in this phase.
    fn until_phase(&self, phase: &str) -> PathBuf {
        until(phase, || {
            let run = self.runs().pop()?;
            let status = self.tell(&run, &["status"])?;
            (status["status"]["phase"] == phase).then_some(run)
        })
    }

    /// What the station says to each of these orders, on a session of its own.
    fn talks(&self, orders: &[String]) -> Vec<String> {
        let mut session = BufReader::new(TcpStream::connect(self.station).unwrap());
        session.get_ref().set_read_timeout(Some(Duration::from_secs(5))).unwrap();
        session.read_line(&mut String::new()).unwrap();
        let mut replies = Vec::new();
        for order in ["SET CONNECTIONMODE SRCP COMMAND".to_owned(), "GO".to_owned()].iter().chain(orders) {
            session.get_mut().write_all(format!("{order}\n").as_bytes()).unwrap();
            let mut line = String::new();
            session.read_line(&mut line).unwrap();
            replies.push(line);
        }
        replies.split_off(2)
    }

    /// What the station says to this, on a session of its own.
    fn asks(&self, what: &str) -> String {
        self.talks(&[what.to_owned()]).remove(0)
    }

    /// What the decoder holds in the CVs that a run touches, as the station reads them.
    fn cvs(&self) -> Vec<String> {
        let touched = [2, 3, 4, 5, 6, 23, 24, 29, 66].into_iter().chain(67..=95);
        let mut orders = vec!["INIT 1 SM NMRA".to_owned()];
        orders.extend(touched.map(|cv| format!("GET 1 SM -1 CV {cv}")));
        orders.push("TERM 1 SM".to_owned());
        let replies = self.talks(&orders);
        let read: Vec<String> = replies[1..replies.len() - 1]
            .iter()
            .map(|line| line.split_once(" SM ").unwrap_or_else(|| panic!("{line}")).1.trim().to_owned())
            .collect();
        assert_eq!(read.len(), 38);
        read
    }

    fn has_power(&self) -> bool {
        self.asks("GET 1 POWER").contains("POWER ON")
    }

    fn replay(&self, run: &Path) -> Output {
        pacewright(self.folder.path()).arg("replay").arg(run).output().unwrap()
    }
}

#[test]
fn a_terminated_run_puts_the_decoder_back_and_replays() {
    let bench = bench("avocet");
    let mut run = bench.start();
    let folder = bench.until_phase("warm_up");
    signal(&run, "HUP");
    bench.until_phase("warm_up");
    signal(&run, "TERM");
    assert_eq!(run.exit_code(), 5);
    let object = object(&mut run);
    assert_eq!(object["outcome"], "interrupted");
    assert_eq!(object["stop"], "still");
    assert_eq!(object["decoder_state"], "original");
    assert_eq!(object["time_lapse"], 40.0);
    let stored: Value = serde_json::from_slice(&fs::read(folder.join("result.json")).unwrap()).unwrap();
    assert_eq!(stored, object, "the record holds the same result");
    let replay = bench.replay(&folder);
    assert_eq!(replay.status.code(), Some(0), "{}", String::from_utf8_lossy(&replay.stdout));
}

#[test]
fn a_closed_pipe_does_not_end_a_run() {
    let bench = bench("curlew");
    let mut run = bench.start();
    let folder = bench.until_phase("snapshot");
    drop((run.0.stdout.take(), run.0.stderr.take()));
    bench.until_phase("warm_up");
    assert_eq!(bench.tell(&folder, &["stop"]).unwrap()["ok"], true);
    assert_eq!(run.exit_code(), 5);
    let stored: Value = serde_json::from_slice(&fs::read(folder.join("result.json")).unwrap()).unwrap();
    assert_eq!(stored["outcome"], "interrupted");
}

#[test]
fn a_run_can_be_paused_and_goes_on() {
    let bench = bench("dunlin");
    let mut run = bench.start();
    let folder = bench.until_phase("warm_up");
    signal(&run, "TSTP");
    let status =
        |field: &'static str| bench.tell(&folder, &["status"]).map(|reply| reply["status"][field].clone());
    until("the pause", || (status("waiting")? == true && status("setting")?["value"] == 0).then_some(()));
    let refused = bench.tell(&folder, &["answer", "front"]).unwrap();
    assert_eq!(refused["ok"], false, "nothing is being asked");
    assert_eq!(bench.tell(&folder, &["go-on"]).unwrap()["ok"], true);
    until("going on", || (status("waiting")? == false && status("setting")?["value"] != 0).then_some(()));
    assert_eq!(bench.tell(&folder, &["stop"]).unwrap()["ok"], true);
    assert_eq!(run.exit_code(), 5);
}

#[test]
fn two_runs_never_share_a_station() {
    let bench = bench("lapwing");
    let mut first = bench.start();
    let folder = bench.until_phase("snapshot");
    let mut second = bench.start();
    assert_eq!(second.exit_code(), 2);
    let refused = object(&mut second);
    assert_eq!(refused["outcome"], "refused");
    assert_eq!(refused["reasons"][0]["code"], "run-in-progress");
    assert_eq!(bench.tell(&folder, &["stop"]).unwrap()["ok"], true);
    assert_eq!(first.exit_code(), 5);
}

#[test]
fn after_a_killed_program_stop_stops_and_the_next_start_settles_what_was_left() {
    let bench = bench("avocet");
    let mut killed = bench.start();
    let folder = bench.until_phase("warm_up");
    killed.0.kill().unwrap();
    assert_eq!(killed.exit_code(), -1);
    let stopped = pacewright(bench.folder.path()).arg("stop").arg(&bench.file).output().unwrap();
    assert_eq!(stopped.status.code(), Some(0), "{}", String::from_utf8_lossy(&stopped.stderr));
    assert!(String::from_utf8_lossy(&stopped.stdout).starts_with("acknowledged"));
    let replay = bench.replay(&folder);
    assert_eq!(replay.status.code(), Some(0), "as far as the record goes");
    let mut next = bench.start();
    let second = bench.until_phase("settling");
    assert_ne!(folder, second);
    bench.until_phase("warm_up");
    assert_eq!(bench.tell(&second, &["stop"]).unwrap()["ok"], true);
    assert_eq!(next.exit_code(), 5);
    let mut said = String::new();
    next.0.stderr.take().unwrap().read_to_string(&mut said).unwrap();
    assert!(said.contains("restore-pending"), "{said}");
    let object = object(&mut next);
    assert_eq!(object["decoder_state"], "original", "{object}");
    assert_eq!(object["restore_pending"].as_array().map(Vec::len), Some(0));
}

/// Killed between the first write of the baseline and the last of the table: `restore` puts everything back.
#[test]
fn killed_amid_writing_a_decoder_is_as_it_was_after_a_restore() {
    let bench = bench("avocet");
    let quick = "\n[warm_up]\nshortest = \"1 min\"\nlongest = \"2 min\"\n[sweep]\nsteps = 8\n";
    let text = fs::read_to_string(&bench.file).unwrap();
    fs::write(&bench.file, format!("{text}{quick}")).unwrap();
    let before = bench.cvs();
    let mut amid = 0;
    for changes in [1, 4, 7, 14, 30] {
        let mut killed = bench.start();
        let folder = bench.until_phase("baseline");
        until("so many changes", || {
            let journal = fs::read_to_string(folder.join("journal.jsonl")).ok()?;
            (journal.matches("cv_intention").count() >= changes).then_some(())
        });
        killed.0.kill().unwrap();
        assert_eq!(killed.exit_code(), -1);
        report(&folder);
        let left = bench.cvs();
        println!(
            "{changes} changes begun: {} CVs changed",
            left.iter().zip(&before).filter(|(a, b)| a != b).count()
        );
        amid += usize::from(left != before);
        let mut restore = pacewright(bench.folder.path());
        restore.arg("restore").arg(&folder).args(["--yes", "--time-lapse", LAPSE]);
        let put_back = restore.output().unwrap();
        let said = String::from_utf8_lossy(&put_back.stderr);
        let told = String::from_utf8_lossy(&put_back.stdout);
        assert_eq!(put_back.status.code(), Some(0), "{changes}: {told} {said}");
        assert_eq!(bench.cvs(), before, "{changes}: {said}");
    }
    println!("5 kills, {amid} of them with a decoder that was half written");
    assert!(amid >= 3, "{amid}");
}

/// Killed for real, amid the sweep and amid the writing of the table: the run goes on where it was, and calibrates.
#[test]
fn a_run_that_is_killed_twice_is_gone_on_with_and_calibrates() {
    let bench = bench("avocet");
    let quick = "\n[warm_up]\nshortest = \"1 min\"\nlongest = \"2 min\"\n[sweep]\nsteps = 8\n";
    let text = fs::read_to_string(&bench.file).unwrap();
    fs::write(&bench.file, format!("{text}{quick}")).unwrap();
    let mut killed = bench.start();
    let folder = bench.until_phase("sweep");
    let journal = || fs::read_to_string(folder.join("journal.jsonl")).unwrap_or_default();
    let measured = || journal().matches("\"purpose\":\"sweep\"").count();
    until("some points", || (measured() >= 3).then_some(()));
    let kill = |run: &mut Running| {
        run.0.kill().unwrap();
        assert_eq!(run.exit_code(), -1);
        report(&folder);
    };
    kill(&mut killed);
    let before = measured();
    let resume = || {
        let mut resume = pacewright(bench.folder.path());
        resume.arg("resume").arg(&folder).arg("--json").stdout(Stdio::piped()).stderr(Stdio::piped());
        Running(resume.spawn().unwrap())
    };
    let mut killed = resume();
    let intentions = journal().matches("cv_intention").count();
    until("the table half written", || {
        (journal().matches("cv_intention").count() >= intentions + 12).then_some(())
    });
    assert!(measured() > before, "it went on measuring");
    kill(&mut killed);
    let mut last = resume();
    let code = last.exit_code();
    let object = object(&mut last);
    assert_eq!(
        (code, &object["outcome"], &object["stop"]),
        (0, &"calibrated".into(), &"still".into()),
        "{object}"
    );
    assert_eq!(object["run_folder"], folder.display().to_string());
    assert_eq!(bench.runs().len(), 1, "it is one run");
    assert!(folder.join("watchman-1.json").exists() && folder.join("watchman-2.json").exists());
    let replay = bench.replay(&folder);
    assert_eq!(replay.status.code(), Some(0), "{}", String::from_utf8_lossy(&replay.stdout));
    let again = pacewright(bench.folder.path()).arg("resume").arg(&folder).output().unwrap();
    assert_eq!(again.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&again.stderr).contains("not-resumed"));
}

/// The processes that this one has started and that are still there.
/// An engine's years in short: calibrated, looked at again, given another target without a sweep, and all of it in the fleet's records.
#[test]
fn a_calibrated_engine_is_looked_at_again_and_given_another_target_without_a_sweep() {
    let bench = bench("avocet");
    let quick = "\n[warm_up]\nshortest = \"1 min\"\nlongest = \"2 min\"\n[sweep]\nsteps = 8\n";
    let text = fs::read_to_string(&bench.file).unwrap() + quick;
    fs::write(&bench.file, &text).unwrap();
    let verb = |verb: &str| {
        let mut command = pacewright(bench.folder.path());
        command.arg(verb).arg(&bench.file).args(["--json", "--time-lapse", LAPSE]);
        let mut running = Running(command.stdout(Stdio::piped()).stderr(Stdio::null()).spawn().unwrap());
        let code = running.exit_code();
        (code, object(&mut running))
    };
    let (code, refused) = verb("retarget");
    assert_eq!((code, &refused["reasons"][0]["code"]), (2, &Value::from("fleet-unusable")), "no run yet");
    let (code, first) = verb("run");
    assert_eq!((code, &first["outcome"]), (0, &Value::from("calibrated")));
    let (code, again) = verb("recheck");
    assert_eq!((code, &again["outcome"]), (0, &Value::from("checked")));
    assert_eq!(again["steps"].as_array().unwrap().len(), 3);
    fs::write(&bench.file, text.replace("120 km/h", "100 km/h")).unwrap();
    let (code, second) = verb("retarget");
    assert_eq!((code, &second["outcome"]), (0, &Value::from("calibrated")), "{:?}", second["reasons"]);
    assert_ne!(first["table"], second["table"]);
    let newest = bench.runs().pop().unwrap();
    assert!(!fs::read_to_string(newest.join("journal.jsonl")).unwrap().contains("\"phase\":\"sweep\""));
    assert!(bench.replay(&newest).status.success());
    let records = bench.folder.path().join("runs");
    let fleet = |words: &[&str]| {
        let mut command = pacewright(bench.folder.path());
        let told = command.arg("fleet").arg("--records").arg(&records).args(words).output().unwrap();
        assert!(told.status.success(), "{words:?}");
        String::from_utf8(told.stdout).unwrap()
    };
    let engine: Value = serde_json::from_str(&fleet(&["show", "Avocet", "--json"])).unwrap();
    let purposes: Vec<&str> =
        engine["runs"].as_array().unwrap().iter().map(|run| run["purpose"].as_str().unwrap()).collect();
    assert_eq!(purposes, ["run", "recheck", "retarget"]);
    assert_eq!((&engine["table"], &engine["curve"]), (&Value::from(2), &Value::from(0)));
    assert_eq!(engine["runs"][2]["table"], second["table"]);
    assert!(fleet(&["check"]).contains("says what the runs say"));
}

fn children(process: u32) -> Vec<u32> {
    let list = fs::read_to_string(format!("/proc/{process}/task/{process}/children")).unwrap_or_default();
    list.split_whitespace().filter_map(|number| number.parse().ok()).collect()
}

fn lives(process: u32) -> bool {
    Path::new(&format!("/proc/{process}")).exists()
}

/// Its watchman, of which there is one from the beginning.
fn watchman(run: &Running) -> u32 {
    let started = children(run.0.id());
    assert_eq!(started.len(), 1, "{started:?}");
    started[0]
}

#[test]
fn when_a_run_is_killed_its_watchman_stops_the_engine_and_cuts_the_power() {
    let bench = bench("avocet");
    let mut run = bench.start();
    let folder = bench.until_phase("warm_up");
    until("the engine to move", || {
        let status = bench.tell(&folder, &["status"])?;
        (status["status"]["setting"]["value"] != 0).then_some(())
    });
    let watchman = watchman(&run);
    assert!(bench.has_power());
    run.0.kill().unwrap();
    assert_eq!(run.exit_code(), -1);
    let report = report(&folder);
    assert_eq!(report["reason"]["code"], "program-died", "{report}");
    assert_eq!(report["stop"], "acknowledged", "{report}");
    assert!(!bench.has_power());
    assert!(bench.asks("GET 1 GL 7").contains(" 0 126 "), "{}", bench.asks("GET 1 GL 7"));
    until("the watchman's end", || (!lives(watchman)).then_some(()));
    let mut said = String::new();
    run.0.stderr.take().unwrap().read_to_string(&mut said).unwrap();
    assert!(said.contains("program-died"), "it is said where the run was started: {said}");
    let mut next = bench.start();
    let folder = bench.until_phase("warm_up");
    assert_eq!(bench.tell(&folder, &["stop"]).unwrap()["ok"], true);
    assert_eq!(next.exit_code(), 5);
    let mut said = String::new();
    next.0.stderr.take().unwrap().read_to_string(&mut said).unwrap();
    assert!(said.contains("program-died") && said.contains("restore-pending"), "and by the next run: {said}");
}

#[test]
fn when_a_run_hangs_its_watchman_stops_the_engine_and_the_run_does_not_go_on() {
    let bench = bench("avocet");
    let text = fs::read_to_string(&bench.file).unwrap();
    fs::write(&bench.file, format!("{text}\n[limits]\nprogram_silence = \"3 s\"\n")).unwrap();
    let mut run = bench.start();
    let folder = bench.until_phase("warm_up");
    signal(&run, "STOP");
    let report = report(&folder);
    assert_eq!(report["reason"]["code"], "program-hangs", "{report}");
    assert!(!bench.has_power());
    signal(&run, "CONT");
    assert_ne!(run.exit_code(), 0);
    let object = object(&mut run);
    assert_eq!(object["outcome"], "halted", "{object}");
    assert!(!bench.has_power(), "what was cut stays cut");
}

#[test]
fn nothing_runs_without_its_watchman_and_none_stays_behind() {
    let bench = bench("avocet");
    let mut run = bench.start();
    bench.until_phase("warm_up");
    let first = watchman(&run);
    Command::new("sh").arg("-c").arg(format!("kill -KILL {first}")).status().unwrap();
    assert_eq!(run.exit_code(), 4);
    let halted = object(&mut run);
    assert_eq!((&halted["outcome"], &halted["stop"]), (&"halted".into(), &"still".into()), "{halted}");
    assert_eq!(halted["reasons"][0]["code"], "watchman-gone", "{halted}");
    let mut run = bench.start();
    let folder = bench.until_phase("warm_up");
    let second = watchman(&run);
    assert_eq!(bench.tell(&folder, &["stop"]).unwrap()["ok"], true);
    assert_eq!(run.exit_code(), 5);
    assert!(!lives(second), "it goes with the run");
    assert!(!folder.join("watchman.json").exists(), "it had nothing to do");
}

#[test]
fn the_demo_does_the_whole_job() {
    let folder = tempfile::tempdir().unwrap();
    let events = folder.path().join("events.jsonl");
    let mut demo = Running(
        pacewright(folder.path())
            .args(["demo", "--json", "--folder"])
            .arg(folder.path().join("demo"))
            .arg("--events")
            .arg(&events)
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap(),
    );
    let code = demo.exit_code();
    let object = object(&mut demo);
    assert_eq!(code, 0, "{object}");
    assert_eq!(object["outcome"], "calibrated");
    assert_eq!(object["stop"], "still");
    assert_eq!(object["steps"].as_array().map(Vec::len), Some(28));
    assert_eq!(object["table"].as_array().map(Vec::len), Some(28));
    assert!(object["wall_seconds"].as_f64().unwrap() < 90.0, "{object}");
    let lines: Vec<Value> = fs::read_to_string(&events)
        .unwrap()
        .lines()
        .map(|line| serde_json::from_str(line).unwrap())
        .collect();
    assert_eq!(lines.first().unwrap()["run"]["run_id"], object["run_id"]);
    assert_eq!(lines.last().unwrap()["result"], object);
    assert!(lines.iter().filter(|line| line.get("record").is_some()).count() > 100);
    let replay =
        pacewright(folder.path()).arg("replay").arg(object["run_folder"].as_str().unwrap()).output().unwrap();
    assert_eq!(replay.status.code(), Some(0), "{}", String::from_utf8_lossy(&replay.stdout));
}
