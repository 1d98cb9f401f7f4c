//! The program as a person or another program meets it: exit codes, stdout and stderr, wrong use, `--json`.
#![expect(
    clippy::unwrap_used,
    clippy::panic,
    reason = "helpers of a test fail by panicking, as the tests do"
)]
use assert_cmd::Command;
use serde_json::Value;
use std::fs;
use std::path::Path;
use std::time::Duration;

/// The program, with its locks in a folder of the test.
fn pacewright(folder: &Path) -> Command {
    let mut command = Command::cargo_bin("pacewright").unwrap();
    command.env("XDG_STATE_HOME", folder).env_remove("RUST_LOG").timeout(Duration::from_secs(60));
    command
}

/// Runs it and gives exit code, stdout and stderr.
fn outcome(command: &mut Command) -> (i32, String, String) {
    let output = command.output().unwrap();
    (
        output.status.code().unwrap_or(-1),
        String::from_utf8(output.stdout).unwrap(),
        String::from_utf8(output.stderr).unwrap(),
    )
}

/// Exactly one JSON object, and nothing else, stands on stdout.
fn one_object(stdout: &str) -> Value {
    let value: Value = serde_json::from_str(stdout).unwrap_or_else(|error| panic!("{error} in {stdout:?}"));
    assert!(value.is_object(), "{value}");
    value
}

#[test]
fn help_names_every_verb_and_exit_code() {
    let folder = tempfile::tempdir().unwrap();
    let (code, stdout, stderr) = outcome(pacewright(folder.path()).arg("--help"));
    assert_eq!((code, stderr.as_str()), (0, ""));
    for verb in [
        "run",
        "demo",
        "simulate",
        "stop",
        "template",
        "schema",
        "replay",
        "cvs",
        "circumference",
        "drag",
        "tell",
    ] {
        assert!(stdout.contains(&format!("\n  {verb} ")), "{verb} is missing in\n{stdout}");
    }
    for exit in ["0", "2", "3", "4", "5", "6", "7"] {
        assert!(stdout.contains(&format!("\n  {exit}  ")), "exit code {exit} is missing in\n{stdout}");
    }
}

#[test]
fn wrong_use_is_exit_2_and_says_so_on_stderr() {
    let folder = tempfile::tempdir().unwrap();
    for line in [&["frobnicate"][..], &[], &["run"], &["run", "a.toml", "--no-such-option"], &["tell", "x"]] {
        let (code, stdout, stderr) = outcome(pacewright(folder.path()).args(line));
        assert_eq!((code, stdout.as_str()), (2, ""), "{line:?}");
        assert!(stderr.contains("Usage"), "{line:?}: {stderr}");
    }
}

#[test]
fn wrong_use_with_json_is_an_object_too() {
    let folder = tempfile::tempdir().unwrap();
    let (code, stdout, _) = outcome(pacewright(folder.path()).args(["run", "--json", "--no-such-option"]));
    assert_eq!(code, 2);
    let object = one_object(&stdout);
    assert_eq!(object["outcome"], "refused");
    assert_eq!(object["reasons"][0]["code"], "wrong-use");
}

#[test]
fn a_missing_bench_file_is_refused_with_its_name() {
    let folder = tempfile::tempdir().unwrap();
    let missing = folder.path().join("nowhere.toml");
    let (code, stdout, stderr) = outcome(pacewright(folder.path()).arg("run").arg(&missing).arg("--json"));
    assert_eq!(code, 2);
    let object = one_object(&stdout);
    assert_eq!(object["reasons"][0]["code"], "bench-file-unreadable");
    assert!(object["reasons"][0]["evidence"].as_str().unwrap().contains("nowhere.toml"));
    assert!(stderr.contains("nowhere.toml"), "{stderr}");
    assert_eq!(object["run_folder"], Value::Null);
}

#[test]
fn a_wrong_bench_file_tells_all_its_mistakes_to_people_and_to_programs() {
    let folder = tempfile::tempdir().unwrap();
    let bench = folder.path().join("bench.toml");
    let wrong = include_str!("../scenarios/lapwing.toml")
        .replace("\"33 mm\"", "\"33 parsecs\"")
        .replace("creep =", "crepe =");
    fs::write(&bench, wrong).unwrap();
    let (code, stdout, stderr) = outcome(pacewright(folder.path()).arg("run").arg(&bench).arg("--json"));
    assert_eq!(code, 2);
    let object = one_object(&stdout);
    assert_eq!((&object["outcome"], &object["verdict"]), (&"refused".into(), &"none".into()));
    assert_eq!(object["stop"], Value::Null, "nothing was begun");
    let evidence: Vec<&str> =
        object["reasons"].as_array().unwrap().iter().filter_map(|r| r["evidence"].as_str()).collect();
    assert!(evidence.iter().any(|text| text.contains("33 parsecs")), "{evidence:?}");
    assert!(evidence.iter().any(|text| text.contains("crepe")), "{evidence:?}");
    assert!(stderr.contains("33 parsecs") && stderr.contains("crepe"), "{stderr}");
    assert!(!folder.path().join("runs").exists(), "nothing was begun");
}

#[test]
fn a_run_begins_with_the_cautions() {
    let folder = tempfile::tempdir().unwrap();
    let (_, _, stderr) = outcome(pacewright(folder.path()).args(["run", "nowhere.toml"]));
    let first: Vec<&str> = stderr.lines().take(12).flat_map(str::split_whitespace).collect();
    let first = first.join(" ");
    for words in ["rules", "fused", "flammable", "packs", "magnets", "gears", "never the only safeguard"] {
        assert!(first.contains(words), "{words} is missing in {first:?}");
    }
}

#[test]
fn a_time_lapse_is_for_this_computer_only() {
    let folder = tempfile::tempdir().unwrap();
    let bench = folder.path().join("bench.toml");
    // 192.0.2.1 is kept for documentation (RFC 5737): nothing is ever sent there, for the run is refused.
    let far = include_str!("../scenarios/lapwing.toml").replace("127.0.0.1:4311", "192.0.2.1:4311");
    fs::write(&bench, far).unwrap();
    let mut command = pacewright(folder.path());
    let (code, stdout, _) = outcome(command.arg("run").arg(&bench).args(["--json", "--time-lapse", "60"]));
    assert_eq!(code, 2);
    let object = one_object(&stdout);
    assert_eq!(object["reasons"][0]["code"], "time-lapse-refused");
    assert!(object["reasons"][0]["evidence"].as_str().unwrap().contains("192.0.2.1"));
    assert_eq!(object["time_lapse"], 60.0);
}

#[test]
fn template_and_schema_go_to_stdout() {
    let folder = tempfile::tempdir().unwrap();
    let (code, template, stderr) = outcome(pacewright(folder.path()).arg("template"));
    assert_eq!((code, stderr.as_str()), (0, ""));
    pacewright::config::read("template", &template)
        .unwrap_or_else(|wrong| panic!("{}", wrong.render(100, false)));
    let (code, schema, _) = outcome(pacewright(folder.path()).arg("schema"));
    assert_eq!(code, 0);
    assert!(one_object(&schema).get("$schema").is_some());
}

#[test]
fn a_run_that_is_not_there_cannot_be_told_anything() {
    let folder = tempfile::tempdir().unwrap();
    let (code, stdout, stderr) =
        outcome(pacewright(folder.path()).arg("tell").arg(folder.path()).arg("status"));
    assert_eq!((code, stdout.as_str()), (2, ""));
    assert!(stderr.contains("folder-unusable"), "{stderr}");
}

#[test]
fn a_folder_that_is_no_run_cannot_be_replayed() {
    let folder = tempfile::tempdir().unwrap();
    let (code, _, stderr) = outcome(pacewright(folder.path()).arg("replay").arg(folder.path()));
    assert_eq!(code, 2);
    assert!(stderr.contains("journal-missing"), "{stderr}");
}

#[test]
fn stopping_at_a_station_that_is_not_there_is_unconfirmed() {
    let folder = tempfile::tempdir().unwrap();
    let bench = folder.path().join("bench.toml");
    // Bound and closed again: nobody listens there.
    let free = std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().to_string();
    fs::write(&bench, include_str!("../scenarios/lapwing.toml").replace("127.0.0.1:4303", &free)).unwrap();
    let (code, stdout, _) = outcome(pacewright(folder.path()).arg("stop").arg(&bench));
    assert_eq!(code, 6);
    assert!(stdout.contains("UNCONFIRMED"), "{stdout}");
}

#[test]
fn stop_and_replay_print_one_object_at_every_exit() {
    let folder = tempfile::tempdir().unwrap();
    let bench = folder.path().join("bench.toml");
    let free = std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().to_string();
    let mistaken = include_str!("../scenarios/lapwing.toml")
        .replace("127.0.0.1:4303", &free)
        .replace("\"33 mm\"", "\"33 mm")
        .replace("bus = 1", "bus = -1");
    fs::write(&bench, mistaken).unwrap();
    let (code, stdout, _) =
        outcome(pacewright(folder.path()).arg("stop").arg(&bench).args(["--events", "x", "--json"]));
    assert_eq!(code, 6, "a file with mistakes and a line with a word too many still go to the station");
    let object = one_object(&stdout);
    assert_eq!((&object["schema"], &object["stop"]), (&1.into(), &"unconfirmed".into()));
    assert!(object["power"].is_string() && !object["reasons"].as_array().unwrap().is_empty(), "{object}");

    let (code, _, stderr) = outcome(pacewright(folder.path()).args(["stop", "--now"]).arg(&bench));
    assert_eq!(code, 6);
    assert!(stderr.contains("--now") && stderr.contains("bus 1 was taken"), "{stderr}");

    let (code, stdout, _) = outcome(pacewright(folder.path()).args(["stop", "nowhere.toml", "--json"]));
    assert_eq!((code, &one_object(&stdout)["outcome"]), (2, &"refused".into()));

    let (code, stdout, _) = outcome(pacewright(folder.path()).arg("replay").arg(folder.path()).arg("--json"));
    assert_eq!(code, 2);
    let object = one_object(&stdout);
    assert_eq!((&object["same"], &object["first_difference"]), (&Value::Null, &Value::Null));
    assert_eq!(object["reasons"][0]["code"], "journal-missing");
}

/// A run's folder with a record of some CVs; its path.
fn recorded(folder: &Path) -> std::path::PathBuf {
    use pacewright::run::{Record, RecordBody};
    use pacewright::station::CvPlace;
    let run = folder.join("recorded");
    let header = pacewright::journal::Header {
        run_id: "0190d9f2-0000-7000-8000-000000000001".to_owned(),
        program_version: "0.1.0".to_owned(),
        core_revision: pacewright::run::CORE_REVISION,
        bench_file_name: "lapwing.toml".to_owned(),
        bench_text: include_str!("../scenarios/lapwing.toml").to_owned(),
        pending: Vec::new(),
        kept: Vec::new(),
        profile: None,
        sensor_used_s: 0,
        purpose: pacewright::run::Purpose::Calibrate,
        time_lapse: 1.0,
        started_wall: "2026-03-01T12:00:00Z".to_owned(),
        endpoint_key: "127.0.0.1:4303 bus 1".to_owned(),
        engine_address: pacewright::dcc::Address::Short(4),
        engine_name: "Lapwing".to_owned(),
    };
    let disk = Box::new(pacewright::journal::RealDisk);
    let mut recorder = pacewright::journal::Recorder::create(disk, &run, &header).unwrap();
    let place = CvPlace::ProgrammingTrack;
    let bodies = [
        RecordBody::CvRead { place, cv: 3, value: Some(12) },
        RecordBody::CvRead { place, cv: 29, value: Some(6) },
        RecordBody::CvIntention { place, cv: 3, from: Some(12), to: 0 },
        RecordBody::CvWritten { cv: 3, value: 0, confirmed: true },
    ];
    for (n, body) in (1..).zip(bodies) {
        recorder.record(&Record { n, at: pacewright::time::BenchTime::from_millis(n), body }).unwrap();
    }
    recorder.finish("{}").unwrap();
    run
}

#[test]
fn cvs_of_a_run_are_written_as_csv_and_no_file_is_lost() {
    let folder = tempfile::tempdir().unwrap();
    let run = recorded(folder.path());
    let (code, stdout, stderr) = outcome(pacewright(folder.path()).arg("cvs").arg(&run));
    assert_eq!((code, stderr.as_str()), (0, ""));
    let first = "3,12,\"Engine Lapwing, ";
    assert!(stdout.starts_with("cv,value,note\r\n") && stdout.contains(first), "{stdout:?}");
    let read = |text: &str| pacewright::config::cv_list::read("cvs.csv", text).unwrap();
    assert_eq!(read(&stdout), [(3, 12), (29, 6)]);

    let file = folder.path().join("lapwing-cvs.csv");
    let to_file = |more: &[&str]| {
        let mut command = pacewright(folder.path());
        outcome(command.arg("cvs").arg(&run).args(["--which", "now", "-o"]).arg(&file).args(more))
    };
    assert_eq!(to_file(&[]).0, 0);
    assert_eq!(read(&fs::read_to_string(&file).unwrap()), [(3, 0), (29, 6)]);
    fs::write(&file, "mine").unwrap();
    let (code, _, stderr) = to_file(&[]);
    assert_eq!((code, fs::read_to_string(&file).unwrap().as_str()), (2, "mine"));
    assert!(stderr.contains("file-not-written"), "{stderr}");
    assert_eq!(to_file(&["--replace"]).0, 0);
    assert_eq!(read(&fs::read_to_string(&file).unwrap()), [(3, 0), (29, 6)]);

    for nowhere in [folder.path().join("nowhere/cvs.csv"), folder.path().to_owned()] {
        let mut command = pacewright(folder.path());
        let (code, _, stderr) = outcome(command.arg("cvs").arg(&run).arg("-o").arg(&nowhere));
        assert_eq!(code, 2);
        assert!(stderr.contains("no-place-for-file") && !stderr.contains("--replace"), "{stderr}");
    }

    let (code, stdout, stderr) = outcome(pacewright(folder.path()).arg("cvs").arg(folder.path()));
    assert_eq!((code, stdout.as_str()), (2, ""));
    assert!(stderr.contains("journal-missing"), "{stderr}");
    for verb in ["cvs", "replay"] {
        let journal = run.join("journal.jsonl");
        let (code, stdout, stderr) = outcome(pacewright(folder.path()).arg(verb).arg(journal));
        assert_eq!((code, stdout.as_str()), (2, ""));
        let meant = format!("name the run's folder, {}", run.display());
        assert!(stderr.contains("journal-missing") && stderr.contains(&meant), "{stderr}");
    }
}

/// Writing to `/dev/full` fails as on a disk without room (full(4)).
#[test]
fn what_does_not_get_out_to_stdout_is_an_error() {
    let folder = tempfile::tempdir().unwrap();
    let run = recorded(folder.path());
    let run = run.to_str().unwrap();
    for line in [&["cvs", run][..], &["template"], &["schema"], &["--help"]] {
        let full = fs::OpenOptions::new().write(true).open("/dev/full").unwrap();
        let program = assert_cmd::cargo::cargo_bin("pacewright");
        let output = std::process::Command::new(program).args(line).stdout(full).output().unwrap();
        let stderr = String::from_utf8(output.stderr).unwrap();
        assert_eq!(output.status.code(), Some(2), "{line:?}: {stderr}");
        assert!(stderr.contains("result-not-written"), "{line:?}: {stderr}");
    }
}

#[test]
fn a_list_that_cvs_wrote_is_taken_into_the_next_run() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("lapwing-cvs.csv");
    let run = recorded(folder.path());
    assert_eq!(outcome(pacewright(folder.path()).arg("cvs").arg(&run).arg("-o").arg(&file)).0, 0);
    let text = include_str!("../scenarios/lapwing.toml")
        .replace("[programming]", "[programming]\noriginals = \"lapwing-cvs.csv\"");
    let bench = folder.path().join("bench.toml");
    fs::write(&bench, text).unwrap();
    // The run is made ready, its record with it; nothing is connected to.
    let prepared = pacewright::bench::start::Prepared::new(&pacewright::bench::start::Request {
        bench_text: fs::read_to_string(&bench).unwrap(),
        bench_file: bench,
        wish: pacewright::bench::start::Wish::Drive(pacewright::run::Purpose::Calibrate),
        unattended: false,
        sensor_used: Duration::ZERO,
        lapse: pacewright::bench::clock::TimeLapse::NONE,
        state_folder: folder.path().to_owned(),
        signals: false,
        watchman: None,
    })
    .unwrap();
    let disk = pacewright::journal::RealDisk;
    let opening = pacewright::journal::read_opening(&disk, prepared.folder()).unwrap();
    assert_eq!(opening.run.kept, [(3, 12), (29, 6)]);
}

#[test]
fn a_list_that_is_missing_or_wrong_keeps_a_run_from_beginning() {
    let folder = tempfile::tempdir().unwrap();
    let bench = folder.path().join("bench.toml");
    let text = include_str!("../scenarios/lapwing.toml")
        .replace("[programming]", "[programming]\noriginals = \"lapwing-cvs.csv\"");
    fs::write(&bench, text).unwrap();
    let refused = || {
        let (code, stdout, stderr) = outcome(pacewright(folder.path()).arg("run").arg(&bench).arg("--json"));
        assert_eq!(code, 2, "{stderr}");
        let reasons = one_object(&stdout)["reasons"].as_array().unwrap().clone();
        reasons
            .iter()
            .map(|reason| (reason["code"].as_str().unwrap().to_owned(), reason["evidence"].to_string()))
            .collect::<Vec<_>>()
    };
    let [(code, evidence)] = &refused()[..] else { panic!("one reason") };
    assert_eq!(code, "cv-list-unreadable");
    assert!(evidence.contains("lapwing-cvs.csv"), "{evidence}");
    let list = folder.path().join("lapwing-cvs.csv");
    fs::write(&list, "cv,value\n3,12\n4;7\n3,300\n").unwrap();
    let codes: Vec<String> = refused().into_iter().map(|(code, _)| code).collect();
    assert_eq!(codes, ["cv-list-separator", "cv-list-value"]);
    fs::write(&list, b"cv,value,note\n3,12,M\xf6we\n").unwrap();
    let [(code, evidence)] = &refused()[..] else { panic!("one reason") };
    assert_eq!(code, "file-not-utf8");
    assert!(evidence.contains(":2:7:"), "{evidence}");
    assert!(!folder.path().join("runs").exists(), "nothing was begun");
}

#[test]
fn a_rolled_distance_is_worked_out_and_nonsense_is_answered() {
    let folder = tempfile::tempdir().unwrap();
    let line = ["circumference", "--distance", "3 m", "--turns", "91", "--doubt", "2 mm"];
    let (code, stdout, stderr) = outcome(pacewright(folder.path()).args(line));
    assert_eq!((code, stderr.as_str()), (0, ""));
    insta::assert_snapshot!(stdout, @r#"
    [axle]
    circumference = "32.9670 mm"
    doubt = "0.071 %"
    # Standard uncertainties (k = 1), put together as the root of their squares:
    #   distance  3 m known to 2 mm: 0.0667 %
    #   turns     91 known to 0.02 of a turn: 0.0220 %
    #   together  0.0702 % = 0.0231 mm of 32.9670 mm
    # Not in it: a wheel that touches elsewhere on its tread than when it was rolled (contact, placings).
    "#);
    let line = ["circumference", "--distance", "3", "--turns", "many", "--doubt", "-2 mm"];
    let (code, stdout, stderr) = outcome(pacewright(folder.path()).args(line));
    assert_eq!((code, stdout.as_str()), (2, ""));
    assert_eq!(stderr.matches("rolled-distance-unusable").count(), 3, "{stderr}");
}
