//! What the station tells unasked.
use super::*;

fn told(lines: &[&str]) -> Vec<StationEvent> {
    let mut scene = Scene::taken();
    for line in lines {
        scene.says(Session::Information, line);
    }
    scene.events
}

/// T5 to T11 (trace) in their order, with the session's own lines before and after.
#[test]
fn the_printed_trace_gives_one_power_level_and_nothing_odd() {
    let events = told(&[
        "1099500689.334 100 INFO 0 DESCRIPTION SESSION SERVER TIME",
        "1099501118.653 101 INFO 0 TIME 5 1",
        "1099501653.441 100 INFO 0 TIME 0 1 11 37",
        "1099500689.345 100 INFO 1 DESCRIPTION GA GL FB POWER LOCK DESCRIPTION",
        "1099500689.345 100 INFO 1 POWER OFF AUTO POWER OFF",
        "1099501657.870 100 INFO 0 TIME 0 1 12 0",
        "1099501669.931 100 INFO 0 TIME 0 1 13 0",
    ]);
    assert_eq!(events, vec![StationEvent::Power { on: false, words: "AUTO POWER OFF".into(), level: true }]);
}

/// Q3, Q4, Q5, Q14 to Q16, Q18, Q20, Q23, Q25 (quoted): none is about our engine 3 on bus 1 except Q4, which is
/// part of the first dump.
#[test]
fn quoted_lines_about_others_are_passed_over() {
    let events = told(&[
        "5.0 100 INFO 1 GL 1234 1 2 28 0 1 0 1 0 1 0 1",
        "5.0 101 INFO 1 GL 3 N 1 14 5",
        "5.0 102 INFO 3 GL 1234",
        "5.0 100 INFO 1 SM 1234 CV 2 28",
        "5.0 100 INFO 0 SM 1234 CVBIT 2 0 1",
        "5.0 100 INFO 0 SM 1234 REG 2 28",
        "5.0 100 INFO 0 SERVER RUNNING",
        "5.0 101 INFO 0 SESSION 12345678",
        "5.0 100 INFO 0 TIME 2456678 08 43 12",
        "1455991042.550 100 INFO 0 GM 0 20 note all is well",
        "5.0 100 INFO 1 LOCK GL 1234 2 28",
        "5.0 100 INFO 1 LOCK GA 3 2 28",
    ]);
    assert_eq!(events, vec![]);
}

/// A10 no. 12, 13: levels until a pause or our own first change.
#[test]
fn the_first_dump_ends_with_a_pause_or_our_own_change() {
    let engine = |level| StationEvent::Engine { ratio: 0.5, direction: Some(Direction::Forward), level };
    let line = "5.0 100 INFO 1 GL 3 1 14 28 0 0 0 0";
    let mut scene = Scene::taken();
    scene.says(Session::Information, line);
    scene.wait(Duration::from_millis(299));
    scene.says(Session::Information, line);
    scene.wait(Duration::from_millis(300));
    scene.says(Session::Information, line);
    assert_eq!(scene.events, vec![engine(true), engine(true), engine(false)]);

    let mut scene = Scene::taken();
    scene.says(Session::Information, line);
    scene.drive(14);
    scene.says(Session::Information, line);
    assert_eq!(scene.events, vec![engine(true), engine(false)]);
}

/// Q19 (quoted): the last word of a lock line is the session that holds it.
#[test]
fn a_lock_of_another_session_is_told() {
    let locked = told(&["5.0 100 INFO 1 LOCK GL 3 2 28"]);
    assert_eq!(locked, vec![StationEvent::LockedByAnother { words: "100 1 LOCK GL 3 2 28".into() }]);
    for ours_or_free in
        ["5.0 100 INFO 1 LOCK GL 3 12 51", "5.0 100 INFO 1 LOCK GL 3 0 0", "5.0 101 INFO 1 LOCK GL 3"]
    {
        assert_eq!(told(&[ours_or_free]), vec![], "{ours_or_free}");
    }
}

#[test]
fn another_one_announcing_our_engine_is_told_and_our_own_echo_is_not() {
    for line in ["5.0 101 INFO 1 GL 3 N 1 28 4", "5.0 102 INFO 1 GL 3"] {
        let mut scene = Scene::taken();
        scene.drive(1);
        scene.says(Session::Drive, "1.0 200 OK");
        scene.says(Session::Information, line);
        assert!(
            !scene.events.iter().any(|event| matches!(event, StationEvent::LockedByAnother { .. })),
            "{line}"
        );
        scene.link(Session::Drive, LinkEvent::Closed("end of the test's own asking"));
        scene.wait(ANSWER_LIMIT * 3);
        scene.says(Session::Information, line);
        assert!(
            scene.events.iter().any(|event| matches!(event, StationEvent::LockedByAnother { .. })),
            "{line}"
        );
    }
}

#[test]
fn a_babbling_peer_does_not_flood_the_record() {
    let lines: Vec<String> = (0..1000).map(|n| format!("noise {n}")).collect();
    let events = told(&lines.iter().map(String::as_str).collect::<Vec<_>>());
    // Twenty, then 32, 64, 128, 256, 512.
    assert_eq!(events.len(), 25);
}
