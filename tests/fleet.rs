//! The fleet's records against the runs they come from, the verbs that use them, and the reports. Records lie in temporary folders; the
//! runs are played on the virtual bench or made up from one that was.
#![expect(
    clippy::unwrap_used,
    clippy::panic,
    clippy::print_stdout,
    reason = "helpers of a test fail by panicking, as the tests do; figures are printed"
)]
mod played;

use html5ever::tendril::TendrilSink;
use pacewright::bench::virtual_bench::VirtualEnd;
use pacewright::cause::Reason;
use pacewright::dcc::Address;
use pacewright::fleet::control::Holding;
use pacewright::journal::{BENCH_FILE, Disk, Header, INPUT_RAW, JOURNAL, RealDisk, Recorder, RunFolder};
use pacewright::report;
use pacewright::run::{
    End, PersonAct, Purpose, Question, Record, RecordBody, RunOutcome, SweepFound, VerdictWord,
};
use pacewright::station::CvPlace;
use pacewright::store::{
    DATABASE, EngineId, Fact, Fleet, Standing, Store, Summary, TOLD, Told, exchange, tell,
};
use pacewright::time::BenchTime;
use played::{ENGINES, for_each, outcome, play};
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::OnceLock;
use std::time::Duration;

/// One whole run of each engine, played once for all tests.
fn base() -> &'static [VirtualEnd] {
    static ONCE: OnceLock<Vec<VirtualEnd>> = OnceLock::new();
    ONCE.get_or_init(|| {
        for_each(&[0, 1], |engine| {
            let mut bench = ENGINES[*engine].bench((ENGINES[*engine].recipe)(1));
            let spec = &mut bench.plan.spec;
            (spec.warm_up.shortest, spec.warm_up.longest) =
                (Duration::from_secs(200), Duration::from_secs(300));
            play(bench)
        })
    })
}

/// The program, with its state in this folder.
fn command(folder: &Path) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_pacewright"));
    command.env("XDG_STATE_HOME", folder.join("state"));
    command
}

/// The run as a folder on the real disk.
fn on_disk(end: &VirtualEnd, folder: &Path) -> RunFolder {
    fs::create_dir_all(folder).unwrap();
    for name in [JOURNAL, INPUT_RAW, BENCH_FILE] {
        fs::write(folder.join(name), end.disk.read(&end.folder.join(name)).unwrap()).unwrap();
    }
    RunFolder::open(&RealDisk, folder).unwrap()
}

/// A made-up run: the result of a played one with another engine, all speeds times `factor`.
struct MadeUp<'a> {
    name: &'a str,
    address: u16,
    factor: f64,
    end: End,
    decoder: Option<[u8; 2]>,
    curve: bool,
    purpose: Purpose,
}

impl MadeUp<'_> {
    fn calibrated(name: &str, address: u16, factor: f64) -> MadeUp<'_> {
        MadeUp {
            name,
            address,
            factor,
            end: End::Calibrated,
            decoder: Some([13, 10]),
            curve: true,
            purpose: Purpose::Calibrate,
        }
    }
}

fn scaled(outcome: &RunOutcome, factor: f64) -> RunOutcome {
    let mut outcome = outcome.clone();
    for row in &mut outcome.steps {
        for value in [
            &mut row.forward_mm_s,
            &mut row.reverse_mm_s,
            &mut row.forward_own_u_mm_s,
            &mut row.reverse_own_u_mm_s,
        ] {
            *value = value.map(|value| value * factor);
        }
    }
    outcome
}

fn curve_of(records: &[Record]) -> SweepFound {
    let found = records.iter().find_map(|record| match &record.body {
        RecordBody::Curve(found) => Some(found.as_ref().clone()),
        _ => None,
    });
    found.unwrap()
}

/// Writes it into the record folder as a run does.
fn make_up(records: &Path, run: &MadeUp<'_>, number: u32) -> PathBuf {
    let end = &base()[0];
    let opening = RunFolder::open(&end.disk, &end.folder).unwrap().opening.run;
    let header = Header {
        run_id: format!("00000000-0000-7000-8000-{number:012}"),
        engine_name: run.name.to_owned(),
        engine_address: Address::short(run.address).unwrap(),
        purpose: run.purpose.clone(),
        ..opening
    };
    let folder = records.join(format!("run-{number:04}"));
    let mut recorder = Recorder::create(Box::new(RealDisk), &folder, &header).unwrap();
    let mut n = 0;
    let mut put = |body: RecordBody| {
        n += 1;
        recorder.record(&Record { n, at: BenchTime::from_millis(n * 1000), body }).unwrap();
    };
    for (cv, value) in [8, 7].into_iter().zip(run.decoder.into_iter().flatten()) {
        put(RecordBody::CvRead { place: CvPlace::ProgrammingTrack, cv, value: Some(value) });
    }
    if run.curve {
        let mut found = curve_of(&end.records);
        for point in found.points.iter_mut().flatten() {
            (point.speed_mm_s, point.u_mm_s) = (point.speed_mm_s * run.factor, point.u_mm_s * run.factor);
        }
        put(RecordBody::Curve(Box::new(found)));
    }
    let mut result = scaled(outcome(end), run.factor);
    result.outcome = run.end;
    put(RecordBody::Outcome(Box::new(result)));
    recorder.finish("{}").unwrap();
    folder
}

/// Takes these in, and what was told.
fn taken_in(records: &Path) -> (Store, Fleet) {
    let mut store = Store::open(records).unwrap();
    store.rebuild().unwrap();
    let fleet = Fleet::of(&store).unwrap();
    (store, fleet)
}

fn said(records: &Path, after: u64, fact: Fact) {
    tell(records, &Told { v: 1, at: "2026-01-01T00:00:00Z".to_owned(), after, fact }).unwrap();
}

fn lapwing() -> EngineId {
    EngineId { name: "Lapwing".to_owned(), address: "short 4".to_owned() }
}

#[test]
fn the_store_says_what_the_journals_say_and_equals_its_rebuild() {
    let folder = tempfile::tempdir().unwrap();
    let mut store = Store::open(folder.path()).unwrap();
    for (number, end) in base().iter().enumerate() {
        let run_folder = folder.path().join(format!("run-{number}"));
        let run = on_disk(end, &run_folder);
        store.take_in(&run_folder).unwrap();
        // Twice makes no second one.
        store.take_in(&run_folder).unwrap();
        let kept = store.run(&run.opening.run.run_id).unwrap().unwrap();
        assert_eq!(kept, Summary::of(&run));
        let told = outcome(end);
        assert_eq!((kept.outcome, kept.verdict), (Some(told.outcome), told.verdict));
        assert_eq!(kept.steps, told.steps);
        assert_eq!(kept.table, told.table.map(|table| table.to_vec()));
        let points = |record: &&Record| matches!(record.body, RecordBody::Point { .. });
        assert_eq!(kept.points.len(), end.records.iter().filter(points).count());
        assert!(kept.curve.len() >= 10 && kept.hands_on_s >= 0.0 && kept.driven_s > 60.0);
        let held = end.bench.truth().cvs;
        for seen in kept.cvs.iter().filter(|seen| seen.after.is_some()) {
            assert_eq!(seen.after, held.get(&seen.cv).copied(), "CV {}", seen.cv);
        }
    }
    // The base runs have one id: the second took the first one's place.
    assert_eq!(store.runs().unwrap().len(), 1);
    let checked = Store::open(folder.path()).unwrap().check().unwrap();
    assert_eq!(checked.left_out, Vec::<String>::new());
    assert!(checked.rows > 100);
}

#[test]
fn a_store_that_was_tampered_with_or_is_of_the_future_is_found_out() {
    let folder = tempfile::tempdir().unwrap();
    make_up(folder.path(), &MadeUp::calibrated("Lapwing", 4, 1.0), 1);
    let (store, _) = taken_in(folder.path());
    assert_eq!(store.check().unwrap().wrong, Vec::<String>::new());
    let raw = rusqlite::Connection::open(folder.path().join(DATABASE)).unwrap();
    raw.execute("UPDATE steps SET forward_mm_s = forward_mm_s + 1 WHERE step = 9", []).unwrap();
    let wrong = store.check().unwrap().wrong;
    assert!(wrong.len() == 1 && wrong[0].starts_with("steps:"), "{wrong:?}");
    raw.pragma_update(None, "user_version", 99).unwrap();
    let refused: Reason = Store::open(folder.path()).unwrap_err().reason();
    assert_eq!(refused.code, "fleet-from-the-future");
}

#[test]
fn what_counts_of_an_engine_lapses_with_its_decoder_its_wheels_and_a_restore() {
    let folder = tempfile::tempdir().unwrap();
    let records = folder.path();
    let good = || MadeUp::calibrated("Lapwing", 4, 1.0);
    make_up(records, &good(), 1);
    let stands = |fleet: &Fleet| {
        let engine = fleet.find("lapwing").unwrap();
        (engine.standing.clone(), engine.table.is_some(), engine.curve.is_some())
    };
    let (_, fleet) = taken_in(records);
    assert_eq!(stands(&fleet), (Standing::Calibrated(VerdictWord::Pass), true, true));
    // Its old values went back: the table is gone, the curve is not.
    make_up(records, &MadeUp { end: End::Restored, curve: false, ..good() }, 2);
    let (standing, table, curve) = stands(&taken_in(records).1);
    assert!(matches!(standing, Standing::Lapsed(why) if why.contains("put back")) && !table && curve);
    make_up(records, &good(), 3);
    assert!(stands(&taken_in(records).1).1);
    // Another decoder was read.
    make_up(records, &MadeUp { end: End::Checked, decoder: Some([99, 10]), curve: false, ..good() }, 4);
    let (standing, table, curve) = stands(&taken_in(records).1);
    assert!(matches!(standing, Standing::Lapsed(why) if why.contains("another decoder")) && !table && !curve);
    make_up(records, &MadeUp { decoder: Some([99, 10]), ..good() }, 5);
    assert!(stands(&taken_in(records).1).1);
    // New wheels, told by the person; a calibration afterwards counts again.
    said(records, 5, Fact::Changed { engine: lapwing(), what: "wheels".to_owned() });
    let (standing, table, curve) = stands(&taken_in(records).1);
    assert!(matches!(standing, Standing::Lapsed(why) if why.contains("wheels")) && !table && !curve);
    make_up(records, &MadeUp { decoder: Some([99, 10]), ..good() }, 6);
    assert_eq!(stands(&taken_in(records).1), (Standing::Calibrated(VerdictWord::Pass), true, true));
}

#[test]
fn re_checks_say_whether_an_engine_holds_drifts_or_has_become_another() {
    let folder = tempfile::tempdir().unwrap();
    let records = folder.path();
    make_up(records, &MadeUp::calibrated("Lapwing", 4, 1.0), 1);
    let mut number = 1;
    let mut recheck = |factor: f64| {
        number += 1;
        let seen = MadeUp {
            end: End::Checked,
            curve: false,
            purpose: Purpose::Recheck,
            ..MadeUp::calibrated("Lapwing", 4, factor)
        };
        make_up(records, &seen, number);
        let control = taken_in(records).1.engines[0].control().unwrap();
        (control.holding, control.level)
    };
    // It is always 1.5 % slower after so short a warm-up: that is its level.
    assert_eq!(recheck(0.985).0, Holding::TooFew);
    assert_eq!(recheck(0.986).0, Holding::TooFew);
    let (holding, level) = recheck(0.984);
    assert_eq!(holding, Holding::Holds);
    assert!((level + 1.5).abs() < 1e-6, "{level}");
    assert_eq!(recheck(0.985).0, Holding::Holds);
    assert_eq!(recheck(0.93).0, Holding::CalibrateAgain);
    // Calibrated again, it begins anew.
    make_up(records, &MadeUp::calibrated("Lapwing", 4, 0.95), 50);
    let engine = taken_in(records).1.engines.remove(0);
    assert!(engine.rechecks.is_empty() && engine.control().unwrap().holding == Holding::TooFew);
}

#[test]
fn hands_on_time_is_that_of_answered_questions_and_pauses() {
    let folder = tempfile::tempdir().unwrap();
    let end = &base()[0];
    let header = RunFolder::open(&end.disk, &end.folder).unwrap().opening.run;
    let run = folder.path().join("run");
    let mut recorder = Recorder::create(Box::new(RealDisk), &run, &header).unwrap();
    let what = Question::PutBack;
    let answer = what.answers()[0];
    let bodies = [
        (10, RecordBody::Asked { question: 1, what }),
        (25, RecordBody::Answered { question: 1, answer }),
        // Nobody came: that was nobody's work.
        (30, RecordBody::Asked { question: 2, what }),
        (630, RecordBody::Withdrawn { question: 2 }),
        (700, RecordBody::Person(PersonAct::Pause)),
        (760, RecordBody::Person(PersonAct::GoOn)),
    ];
    for (n, (at_s, body)) in (1u64..).zip(bodies) {
        recorder.record(&Record { n, at: BenchTime::from_millis(at_s * 1000), body }).unwrap();
    }
    recorder.finish("{}").unwrap();
    let found = Summary::of(&RunFolder::open(&RealDisk, &run).unwrap());
    assert!((found.hands_on_s - (15.0 + 60.0)).abs() < 1e-9, "{}", found.hands_on_s);
}

#[test]
fn a_renamed_engine_keeps_its_runs_and_a_torn_last_line_is_passed_over() {
    let folder = tempfile::tempdir().unwrap();
    make_up(folder.path(), &MadeUp::calibrated("Lapwing", 4, 1.0), 1);
    let to = EngineId { name: "Sandpiper".to_owned(), address: "short 4".to_owned() };
    said(folder.path(), 1, Fact::Renamed { from: lapwing(), to });
    said(folder.path(), 1, Fact::Classed { engine: lapwing(), class: Some("goods".to_owned()) });
    make_up(folder.path(), &MadeUp::calibrated("Lapwing", 4, 1.0), 2);
    let torn = fs::read_to_string(folder.path().join(TOLD)).unwrap() + "{\"v\":1,\"at\":\"20";
    fs::write(folder.path().join(TOLD), &torn).unwrap();
    let (_, fleet) = taken_in(folder.path());
    let engine = fleet.find("sandpiper").unwrap();
    assert_eq!((fleet.engines.len(), engine.runs.len(), engine.class.as_deref()), (1, 2, Some("goods")));
    // The next line ends what was torn.
    said(folder.path(), 2, Fact::Classed { engine: lapwing(), class: None });
    assert_eq!(taken_in(folder.path()).1.engines[0].class, None);
    // A line amid the file that cannot be read is named.
    fs::write(folder.path().join(TOLD), "nonsense\n").unwrap();
    let refused = Store::open(folder.path()).unwrap().rebuild().unwrap_err().reason();
    assert!(refused.code == "fleet-damaged" && refused.evidence.contains("line 1"), "{refused:?}");
}

#[test]
fn what_is_exported_can_be_taken_in_elsewhere_in_both_forms() {
    let folder = tempfile::tempdir().unwrap();
    make_up(folder.path(), &MadeUp::calibrated("Lapwing, \"blue\"", 4, 1.0), 1);
    let (store, _) = taken_in(folder.path());
    let run = store.run("00000000-0000-7000-8000-000000000001").unwrap().unwrap();
    assert_eq!(
        exchange::import(&exchange::json(std::slice::from_ref(&run))).unwrap(),
        std::slice::from_ref(&run)
    );
    let table = exchange::steps(std::slice::from_ref(&run));
    let back = exchange::import(&table).unwrap();
    assert_eq!((back.len(), &back[0].engine), (1, &run.engine));
    for (row, kept) in back[0].steps.iter().zip(&run.steps) {
        assert_eq!(
            (row.step, row.forward_mm_s, row.reverse_u_mm_s),
            (kept.step, kept.forward_mm_s, kept.reverse_u_mm_s)
        );
    }
    for (line, words) in [
        ("Lapwing,short 4,r,28,29,1,1,1,1,1,measured", "step 29 of 28"),
        ("Lapwing,short 4,r,28,x,1,1,1,1,1,measured", "whole number"),
        ("Lapwing,short 4,r,28,2,-1,1,1,1,1,measured", "0 or more"),
        ("Lapwing,short 4,r,28,2,1,NaN,1,1,1,measured", "0 or more"),
        ("Lapwing,short 4,r,28,2,1,1,1,1,1,guessed", "measured or predicted"),
        ("\"Lapwing,short 4", "quote is left open"),
        ("Lapwing,short 4,r", "3 fields"),
        (",short 4,r,28,2,1,1,1,1,1,measured", "may not be empty"),
    ] {
        let refused = exchange::import(&format!("{}\n{line}\n", exchange::STEPS_HEADER)).unwrap_err();
        assert!(refused.contains(words) && refused.starts_with("line 2"), "{line}: {refused}");
    }
    assert!(exchange::import("name;address\n").unwrap_err().contains("columns"));
    assert!(exchange::import("{\"form\":\"else\",\"version\":1,\"runs\":[]}").is_err());
    assert!(exchange::import("").is_err());
}

/// `fleet` with this line, and what it printed.
fn fleet(folder: &Path, line: &[&str]) -> (i32, String, String) {
    let mut command = command(folder);
    command.arg("fleet").arg("--records").arg(folder).args(line);
    let output = command.stdout(Stdio::piped()).stderr(Stdio::piped()).output().unwrap();
    let text = |bytes: &[u8]| String::from_utf8(bytes.to_vec()).unwrap();
    (output.status.code().unwrap(), text(&output.stdout), text(&output.stderr))
}

/// Three engines whose tables count.
fn three_engines() -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    for (number, (name, address, factor)) in
        (1u32..).zip([("Lapwing", 4, 1.0), ("Avocet", 7, 1.012), ("Curlew", 11, 1.2)])
    {
        make_up(folder.path(), &MadeUp::calibrated(name, address, factor), number);
    }
    folder
}

/// What the program answers to a line that is right.
fn good(records: &Path, line: &[&str]) -> String {
    let (code, out, err) = fleet(records, line);
    assert_eq!(code, 0, "{line:?}: {err}");
    out
}

#[test]
fn engines_are_classed_matched_and_held_against_standards() {
    let folder = three_engines();
    let good = |line: &[&str]| good(folder.path(), line);
    assert_eq!(good(&["list"]).lines().count(), 4);
    good(&["class", "Lapwing", "goods"]);
    good(&["class", "7", "goods"]);
    good(&["class", "Curlew", "goods"]);
    good(&["except", "Curlew", "goods", "its gears are too long"]);
    assert_eq!(good(&["list", "--class", "goods"]).lines().count(), 4);
    let coupled = good(&["couple"]);
    assert!(coupled.contains("  Avocet, Lapwing\n  Curlew\n"), "{coupled}");
    let json: serde_json::Value = serde_json::from_str(&good(&["couple", "--json"])).unwrap();
    assert_eq!(json["groups"][0]["members"], serde_json::json!([0, 2]));
    let standards = folder.path().join("targets");
    let standards = standards.to_str().unwrap();
    let proposed = good(&["propose", "--class", "goods", "--write", "harbour", "--folder", standards]);
    assert!(proposed.contains("Written") && proposed.contains("by Lapwing"), "{proposed}");
    good(&["propose", "--class", "goods", "--write", "harbour", "--folder", standards, "--headroom", "10"]);
    let listed = good(&["standards", "--folder", standards]);
    assert!(listed.contains("harbour@1") && listed.contains("harbour@2"), "{listed}");
    assert!(listed.contains("Curlew           excepted: its gears are too long"), "{listed}");
    assert!(good(&["target", "harbour@1", "--folder", standards]).contains("[target]\npoints = [[1, \""));
}

#[test]
fn what_is_told_of_an_engine_is_kept_and_handed_on() {
    let folder = three_engines();
    let records = folder.path();
    let good = |line: &[&str]| good(records, line);
    let refused = |line: &[&str], words: &str| {
        let (code, _, err) = fleet(records, line);
        assert!(code == 2 && err.contains(words), "{line:?}: {code} {err}");
    };
    let took =
        ["layout", "Avocet", "--step", "14", "--length", "3000", "--times", "21.3,21.5", "--voltage", "15"];
    let layout = good(&took);
    assert!(
        layout.contains("No table was changed") && layout.contains("voltage of one of them is not known"),
        "{layout}"
    );
    assert!(good(&took).contains("2 checks together"));
    assert!(good(&["show", "Avocet"]).contains("on the layout alone"));
    let evening = good(&["evening", "--from", "19:30", "--until", "20:20", "Lapwing", "Curlew", "Avocet"]);
    assert!(evening.starts_with("19:30 - ") && evening.contains("Left over"), "{evening}");
    let exported = good(&["export", "steps", "--engine", "Curlew"]);
    assert_eq!(exported.lines().count(), 29);
    for what in ["engines", "points", "cvs", "json"] {
        assert!(good(&["export", what]).len() > 50, "{what}");
    }
    good(&["rename", "Avocet", "Godwit"]);
    assert!(good(&["list"]).contains("Godwit"));
    good(&["changed", "Godwit", "decoder"]);
    assert!(good(&["list", "--open"]).contains("decoder exchanged"));
    assert!(good(&["check"]).contains("says what the runs say"));
    let page = folder.path().join("fleet.html");
    good(&["report", "-o", page.to_str().unwrap()]);
    is_right(&fs::read_to_string(&page).unwrap());
    // Taken in by another fleet.
    let other = tempfile::tempdir().unwrap();
    let file = folder.path().join("all.json");
    good(&["export", "json", "-o", file.to_str().unwrap()]);
    let (code, out, err) = fleet(other.path(), &["import", file.to_str().unwrap()]);
    assert!(code == 0 && out.contains("3 runs taken in"), "{out}{err}");
    assert!(fleet(other.path(), &["import", file.to_str().unwrap()]).1.contains("3 known already"));
    assert!(fleet(other.path(), &["couple"]).1.contains("Lapwing"));
    assert!(fleet(other.path(), &["check"]).1.contains("says what the runs say"));
    refused(&["show", "Plover"], "goes by that name");
    refused(&["evening", "--until", "25:00", "Lapwing"], "22:00");
    refused(&["layout", "Lapwing", "--step", "3", "--length", "100", "--times", "-1"], "");
    for nonsense in ["NaN", "inf", "0", "-3"] {
        let doubt = ["layout", "Lapwing", "--step", "3", "--length", "100", "--times", "2", "--length-doubt"];
        refused(&[&doubt[..], &[&format!("={nonsense}")[1..]]].concat(), "");
        refused(&["couple", "--tolerance", nonsense], "");
    }
    assert!(good(&["check"]).contains("says what the runs say"), "nonsense left nothing behind");
    refused(&["propose", "--class", "tram"], "no engine");
    refused(&["export", "json", "-o", file.to_str().unwrap()], "");
    refused(&["target", "tram"], "known are");
    let (code, _, err) = fleet(Path::new("/nowhere/at/all"), &["list"]);
    assert!(code == 2 && err.contains("no such folder"), "{err}");
    let empty = tempfile::tempdir().unwrap();
    let (code, _, err) = fleet(empty.path(), &["list"]);
    assert!(code == 2 && err.contains("no run lies in it"), "{err}");
    assert!(fs::read_dir(empty.path()).unwrap().next().is_none(), "and nothing was left there");
}

/// The page is HTML as the standard has it, says what is wrong nowhere, needs nothing from elsewhere, and has one of each id.
fn is_right(page: &str) {
    let dom = html5ever::parse_document(markup5ever_rcdom::RcDom::default(), html5ever::ParseOpts::default())
        .one(page);
    assert_eq!(dom.errors.borrow().len(), 0, "{:?}", dom.errors.borrow());
    assert!(page.starts_with("<!DOCTYPE html>") && page.contains("lang=\"en\""));
    for fetched in ["src=", "href=", "@import", "url(", "<script", "<link"] {
        assert!(!page.contains(fetched), "{fetched}");
    }
    let mut ids: Vec<&str> = page.split(" id=\"").skip(1).filter_map(|rest| rest.split('"').next()).collect();
    let count = ids.len();
    ids.sort_unstable();
    ids.dedup();
    assert_eq!(ids.len(), count, "an id stands there twice");
    for label in page.split("aria-labelledby=\"").skip(1).filter_map(|rest| rest.split('"').next()) {
        for id in label.split(' ') {
            assert!(ids.contains(&id), "{id} names nothing");
        }
    }
    assert!(!page.contains("NaN") && !page.contains("inf\""));
    assert!(page.contains("only safeguard") && page.contains("keep them from children"));
}

#[test]
fn the_report_of_a_run_has_all_its_figures_and_is_right() {
    let folder = tempfile::tempdir().unwrap();
    for (number, end) in base().iter().enumerate() {
        let run = on_disk(end, &folder.path().join(number.to_string()));
        let page = report::run(&run, false);
        is_right(&page);
        let told = outcome(end);
        for (cv, value) in (67..).zip(told.table.unwrap()) {
            assert!(page.contains(&format!("CV {cv} = <b>{value}</b>")), "CV {cv}");
        }
        for row in &told.steps {
            assert!(
                page.contains(&format!("<td>{:.2}</td>", row.forward_mm_s.unwrap())),
                "step {}",
                row.step
            );
        }
        assert!(page.contains(&format!("<b>{}</b>", told.trim_reverse.unwrap())));
        for words in
            ["Where the doubt comes from", "circumference", "warm-up", "CVs before and after", "CRC-32"]
        {
            assert!(page.contains(words), "{words}");
        }
        let miles = report::run(&run, true);
        is_right(&miles);
        assert!(miles.contains("original in mph"));
        let drawn = report::pictures(&run, &Summary::of(&run), false).files();
        let names: Vec<&str> = drawn.iter().map(|(name, _)| *name).collect();
        assert_eq!(names, ["speeds", "deviations", "curves", "table", "warm-up", "time-line"]);
        for (name, svg) in drawn {
            assert!(
                svg.starts_with("<svg xmlns=") && svg.contains("<desc") && svg.contains("<style>"),
                "{name}"
            );
        }
    }
}

#[test]
fn a_run_that_was_killed_has_a_report_too() {
    let folder = tempfile::tempdir().unwrap();
    let run_folder = folder.path().join("cut");
    on_disk(&base()[1], &run_folder);
    let whole = fs::read(run_folder.join(JOURNAL)).unwrap();
    for part in [0.02, 0.3, 0.7, 0.95] {
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a part of a length")]
        let cut = (part * whole.len() as f64) as usize;
        fs::write(run_folder.join(JOURNAL), &whole[..cut]).unwrap();
        let Ok((run, _)) = RunFolder::salvage(&RealDisk, &run_folder) else { continue };
        let page = report::run(&run, false);
        is_right(&page);
        assert!(page.contains("did not end in order"), "{part}");
        assert_eq!(Summary::of(&run).outcome, None);
    }
}

#[expect(clippy::disallowed_methods, reason = "a test waits for a process of its own")]
fn wait(time: Duration) {
    std::thread::sleep(time);
}

/// The program is killed while it takes runs in; afterwards the database is whole and holds every run or none that it had not.
#[test]
fn the_store_survives_being_killed_while_it_is_written() {
    let folder = tempfile::tempdir().unwrap();
    for number in 1..=40 {
        let name = format!("Engine {number}");
        make_up(
            folder.path(),
            &MadeUp::calibrated(&name, 1 + u16::try_from(number % 100).unwrap(), 1.0),
            number,
        );
    }
    taken_in(folder.path());
    let (mut kills, mut amid) = (0, 0);
    for wait_ms in (0..30).map(|n| 4 * n) {
        let mut command = command(folder.path());
        command.arg("fleet").arg("--records").arg(folder.path()).arg("rebuild");
        let mut child = command.stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap();
        wait(Duration::from_millis(wait_ms));
        amid += u32::from(child.try_wait().unwrap().is_none());
        child.kill().unwrap();
        child.wait().unwrap();
        kills += 1;
        let store = Store::open(folder.path()).unwrap();
        let checked = store.check().unwrap();
        assert_eq!(checked.wrong, Vec::<String>::new(), "after {wait_ms} ms");
        assert_eq!(store.runs().unwrap().len(), 40);
    }
    println!("{kills} kills, {amid} of them before the program had ended; the database whole after each");
    assert!(amid >= 5, "{amid}");
}

/// Others read while a run is taken in.
#[test]
fn whoever_reads_meanwhile_sees_the_old_or_the_new_and_waits_for_nothing() {
    let folder = tempfile::tempdir().unwrap();
    make_up(folder.path(), &MadeUp::calibrated("Lapwing", 4, 1.0), 1);
    taken_in(folder.path());
    let reader = Store::open(folder.path()).unwrap();
    let raw = rusqlite::Connection::open(folder.path().join(DATABASE)).unwrap();
    raw.execute_batch("BEGIN IMMEDIATE; DELETE FROM runs;").unwrap();
    assert_eq!(reader.runs().unwrap().len(), 1, "what is not committed is not seen");
    raw.execute_batch("COMMIT").unwrap();
    assert_eq!(reader.runs().unwrap().len(), 0);
}
