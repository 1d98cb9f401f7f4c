//! Orders and their command lines, against the quoted lines of `standards/srcp.md` A9.
use super::*;

const TRACK: CvPlace = CvPlace::ProgrammingTrack;

/// Q2, Q30 (quoted): announcing an engine. Long addresses are version 2 (A5, memory); 128 means 126 moving steps.
#[test]
fn engines_are_announced_as_quoted() {
    let q2 = SrcpSetup { bus: 2, ..setup() };
    let q30 = SrcpSetup { address: Address::Short(1), step_mode: 126, ..setup() };
    let long = SrcpSetup { address: Address::Long(1203), step_mode: 126, functions: 29, ..setup() };
    let old = SrcpSetup { step_mode: 14, ..setup() };
    for (setup, expected) in [
        (old, "INIT 1 GL 3 N 1 14 4"),
        (q2, "INIT 2 GL 3 N 1 28 4"),
        (q30, "INIT 1 GL 1 N 1 128 4"),
        (long, "INIT 1 GL 1203 N 2 128 29"),
    ] {
        let mut scene = Scene::new(setup);
        scene.order(&Action::TakeEngine);
        scene.greet(Session::Drive, 51);
        assert_eq!(scene.sent(Session::Drive).last(), Some(&expected));
    }
}

/// D1 (built from the syntax): mode, V, `V_max`, functions.
#[test]
fn driving_keeps_the_functions() {
    let mut scene = Scene::taken();
    let functions = scene.order(&Action::Functions { on: vec![true, false, true] });
    scene.says(Session::Drive, "1.0 200 OK");
    assert_eq!(scene.end(functions), Some(&done()));
    let drive = scene.drive(14);
    scene.says(Session::Drive, "1.0 200 OK");
    assert_eq!(scene.end(drive), Some(&done()));
    scene.order(&Action::Functions { on: vec![false; 9] });
    scene.says(Session::Drive, "1.0 200 OK");
    scene.order(&Action::Drive { setting: Setting { value: 3, of: 28 }, direction: Direction::Reverse });
    assert_eq!(
        scene.sent(Session::Drive),
        [
            "SET 1 GL 3 1 0 28 1 0 1 0",
            "SET 1 GL 3 1 14 28 1 0 1 0",
            "SET 1 GL 3 1 14 28 0 0 0 0",
            "SET 1 GL 3 0 3 28 0 0 0 0",
        ]
    );
}

#[test]
fn settings_outside_the_step_mode_and_engines_not_taken_are_refused_by_construction() {
    let mut scene = Scene::attached();
    let drive = scene.drive(5);
    assert_eq!(code(scene.end(drive)), "engine-not-taken");
    let mut scene = Scene::taken();
    for (value, of) in [(29, 28), (5, 126), (0, 0)] {
        let drive =
            scene.order(&Action::Drive { setting: Setting { value, of }, direction: Direction::Forward });
        assert_eq!(code(scene.end(drive)), "setting-range", "{value} of {of}");
    }
    assert!(scene.sent(Session::Drive).is_empty());
}

#[test]
fn a_drive_behind_a_taking_that_fails_is_not_sent() {
    let mut scene = Scene::attached();
    let take = scene.order(&Action::TakeEngine);
    let drive = scene.drive(5);
    scene.says(Session::Drive, "1.0 412 ERROR wrong value");
    assert_eq!(code(scene.end(take)), "412");
    assert_eq!(code(scene.end(drive)), "engine-not-taken");
    assert_eq!(scene.sent(Session::Drive), ["INIT 1 GL 3 N 1 28 4"]);
}

/// Q28 (quoted); A7: a switch that nobody announced yet is announced and tried once more.
#[test]
fn power_is_switched_and_announced_where_needed() {
    let mut scene = Scene::attached();
    let on = scene.order(&Action::PowerOn);
    for line in ["1.0 416 ERROR no data", "1.0 200 OK", "1.0 200 OK"] {
        scene.says(Session::Drive, line);
    }
    assert_eq!(scene.end(on), Some(&done()));
    assert_eq!(scene.sent(Session::Drive), ["SET 1 POWER ON", "INIT 1 POWER", "SET 1 POWER ON"]);
    let again = scene.order(&Action::PowerOn);
    for line in ["1.0 416 ERROR no data", "1.0 200 OK", "1.0 416 ERROR no data"] {
        scene.says(Session::Drive, line);
    }
    assert_eq!(code(scene.end(again)), "416");
    let ask = scene.order(&Action::AskPower);
    scene.says(Session::Drive, "1.0 100 INFO 1 POWER ON");
    assert_eq!(scene.end(ask), Some(&done()));
}

/// Q6, Q7, Q11 with its printed reply, Q17's order (quoted).
#[test]
fn programming_on_the_track() {
    let mut scene = Scene::attached();
    let steps: [(Action, &str, &str, OrderEnd); 5] = [
        (Action::BeginProgramming, "INIT 1 SM NMRA", "5.0 200 OK", done()),
        (
            Action::ReadCv { place: TRACK, cv: 8 },
            "GET 1 SM -1 CV 8",
            "1264343601.156 100 INFO 1 SM -1 CV 8 99",
            OrderEnd::Done { value: Some(99) },
        ),
        (Action::WriteCv { place: TRACK, cv: 29, value: 2 }, "SET 1 SM -1 CV 29 2", "5.0 200 OK", done()),
        (
            Action::VerifyCv { place: TRACK, cv: 19, value: 20 },
            "VERIFY 1 SM -1 CV 19 20",
            "5.0 200 OK",
            done(),
        ),
        (Action::EndProgramming, "TERM 1 SM", "5.0 200 OK", done()),
    ];
    for (action, command, reply, end) in steps {
        let order = scene.order(&action);
        assert_eq!(scene.sent(Session::Programming).last(), Some(&command));
        scene.says(Session::Programming, reply);
        assert_eq!(scene.end(order), Some(&end), "{command}");
    }
    assert!(scene.sent(Session::Drive).is_empty());
}

/// Q12 (quoted): a server that says 0 for the programming track.
#[test]
fn address_0_is_the_programming_track_too() {
    let mut scene = Scene::attached_to(SrcpSetup { bus: 1, ..setup() }, "GL SM");
    let read = scene.order(&Action::ReadCv { place: TRACK, cv: 19 });
    scene.says(Session::Programming, "5.0 100 INFO 1 SM 0 CV 19 07");
    assert_eq!(scene.end(read), Some(&OrderEnd::Done { value: Some(7) }));
}

/// Q8 (quoted): a positive address writes on the main.
#[test]
fn on_the_main_a_cv_can_only_be_written() {
    let mut scene = Scene::attached_to(SrcpSetup { address: Address::Long(1210), ..setup() }, "GL SM");
    let write = scene.order(&Action::WriteCv { place: CvPlace::Main, cv: 29, value: 2 });
    assert_eq!(scene.sent(Session::Programming), ["SET 1 SM 1210 CV 29 2"]);
    scene.says(Session::Programming, "5.0 200 OK");
    assert_eq!(scene.end(write), Some(&done()));
    let read = scene.order(&Action::ReadCv { place: CvPlace::Main, cv: 29 });
    let verify = scene.order(&Action::VerifyCv { place: CvPlace::Main, cv: 29, value: 2 });
    assert_eq!((code(scene.end(read)), code(scene.end(verify))), ("not-offered", "not-offered"));
}

/// A6: any 4xx means "not confirmed", never a value. CV 7 and 8 are never written (S-9.2.2: version and maker).
#[test]
fn programming_refusals() {
    let mut scene = Scene::attached();
    for refusal in ["412", "413", "416", "417", "499"] {
        let read = scene.order(&Action::ReadCv { place: TRACK, cv: 1 });
        scene.says(Session::Programming, &format!("5.0 {refusal} ERROR no"));
        assert_eq!(code(scene.end(read)), refusal);
    }
    for (cv, expected) in [(7, "never-written"), (8, "never-written"), (0, "cv-range"), (1025, "cv-range")] {
        for place in [TRACK, CvPlace::Main] {
            let write = scene.order(&Action::WriteCv { place, cv, value: 8 });
            assert_eq!(code(scene.end(write)), expected, "CV {cv}");
        }
    }
    assert_eq!(scene.sent(Session::Programming).len(), 5, "none of those was sent");
}

#[test]
fn a_new_session_is_told_again_that_programming_was_begun() {
    let mut scene = Scene::attached();
    scene.order(&Action::BeginProgramming);
    scene.says(Session::Programming, "5.0 200 OK");
    let write = scene.order(&Action::WriteCv { place: TRACK, cv: 67, value: 1 });
    scene.wait(Duration::from_secs(59));
    assert_eq!(scene.end(write), None, "programming has its own limit");
    scene.wait(Duration::from_secs(1));
    assert_eq!(code(scene.end(write)), "unknown");
    scene.forget();
    let read = scene.order(&Action::ReadCv { place: TRACK, cv: 67 });
    scene.greet(Session::Programming, 62);
    scene.says(Session::Programming, "5.0 424 ERROR device reinitialized");
    scene.says(Session::Programming, "5.0 100 INFO 1 SM -1 CV 67 1");
    assert_eq!(scene.end(read), Some(&OrderEnd::Done { value: Some(1) }));
    assert_eq!(scene.sent(Session::Programming)[3..], ["INIT 1 SM NMRA", "GET 1 SM -1 CV 67"]);
}

/// D9 (built from the syntax): another session holds the lock.
#[test]
fn a_lock_of_somebody_else_refuses_the_engine() {
    let answers = [
        vec!["5.0 414 ERROR device locked"],
        vec!["5.0 200 OK", "5.0 416 ERROR no data", "5.0 414 ERROR device locked"],
    ];
    for lines in answers {
        let mut scene = Scene::attached();
        let take = scene.order(&Action::TakeEngine);
        for line in lines {
            scene.says(Session::Drive, line);
        }
        assert_eq!(code(scene.end(take)), "414");
        assert!(scene.events.contains(&StationEvent::LockedByAnother { words: "device locked".into() }));
        let drive = scene.drive(1);
        assert_eq!(code(scene.end(drive)), "engine-not-taken");
    }
}

/// A7: the own repeated SET LOCK renews the time.
#[test]
fn the_lock_is_renewed_at_half_its_time_and_its_loss_told() {
    let mut scene = Scene::taken();
    // 12 s for an answer limit of 2 s: half of it leaves room for two slow answers and the second between.
    for _ in 0..6 {
        scene.wait(Duration::from_secs(1));
        let last = scene.sent(Session::Drive).last().copied().unwrap_or_default().to_owned();
        match last.as_str() {
            "GET 1 POWER" => scene.says(Session::Drive, "1.0 100 INFO 1 POWER ON"),
            other => assert_eq!(other, "SET 1 LOCK GL 3 12"),
        }
    }
    assert_eq!(scene.sent(Session::Drive).last(), Some(&"SET 1 LOCK GL 3 12"));
    scene.says(Session::Drive, "1.0 414 ERROR device locked");
    assert!(scene.events.contains(&StationEvent::LockedByAnother { words: "device locked".into() }));
}

#[test]
fn giving_the_engine_back_releases_the_lock_first() {
    let mut scene = Scene::taken();
    let release = scene.order(&Action::ReleaseEngine);
    scene.says(Session::Drive, "1.0 200 OK");
    scene.says(Session::Drive, "1.0 200 OK");
    assert_eq!(scene.end(release), Some(&done()));
    assert_eq!(scene.sent(Session::Drive), ["TERM 1 LOCK GL 3", "TERM 1 GL 3"]);
    assert_eq!(scene.client.renewal_due(), None);
}

/// A5: what is reported may be on another scale; the ratio counts. Mode 2 tells no direction.
#[test]
fn asking_the_engine_tells_a_ratio() {
    let mut scene = Scene::taken();
    for (line, ratio, direction) in [
        ("1.0 100 INFO 1 GL 3 0 63 126 0", 0.5, Some(Direction::Reverse)),
        ("1.0 100 INFO 1 GL 3 2 0 28 0", 0.0, None),
    ] {
        let ask = scene.order(&Action::AskEngine);
        scene.says(Session::Drive, line);
        assert_eq!(scene.end(ask), Some(&done()));
        assert!(scene.events.contains(&StationEvent::Engine { ratio, direction, level: false }));
    }
}
