//! Stopping in every state of the sessions.
use super::*;

const STOP: &str = "SET 1 GL 3 1 0 28 0 0 0 0";
const LOCKED: &str = "1.0 414 ERROR device locked";

#[test]
fn a_stop_is_written_behind_the_outstanding_order_and_on_a_fresh_session() {
    let mut scene = Scene::taken();
    let outstanding = scene.drive(5);
    let queued = scene.drive(6);
    let functions = scene.order(&Action::Functions { on: vec![true] });
    let stop = scene.order(&Action::Stop);
    assert_eq!(scene.sent(Session::Drive), ["SET 1 GL 3 1 5 28 0 0 0 0", STOP], "no waiting for the answer");
    assert_eq!((code(scene.end(queued)), code(scene.end(functions))), ("superseded", "superseded"));
    assert!(scene.log_has("Open(Rescue)"));
    scene.says(Session::Drive, "1.0 200 OK");
    assert_eq!((scene.end(outstanding), scene.end(stop)), (Some(&done()), None));
    scene.says(Session::Drive, "1.0 200 OK");
    assert_eq!(scene.end(stop), Some(&done()));
    assert!(scene.log_has("Close(Rescue)"), "it is not needed any more");
}

/// T12 (trace): GO with nothing before it is enough where the welcome names our version.
#[test]
fn the_fresh_session_saves_a_stop_when_the_other_is_silent() {
    let mut scene = Scene::taken();
    let outstanding = scene.drive(5);
    let stop = scene.order(&Action::Stop);
    scene.greet(Session::Rescue, 70);
    assert_eq!(scene.sent(Session::Rescue), ["GO", STOP]);
    scene.says(Session::Rescue, "1.0 200 OK");
    assert_eq!((scene.end(outstanding), scene.end(stop)), (None, Some(&done())));
    scene.wait(ANSWER_LIMIT);
    assert_eq!(code(scene.end(outstanding)), "unknown");
    assert!(scene.log_has("Close(Drive)"));
}

/// D2 (built from the syntax): drive mode 2, V 0.
#[test]
fn an_emergency_stop_is_drive_mode_2() {
    let mut scene = Scene::taken();
    scene.order(&Action::Drive { setting: Setting { value: 9, of: 28 }, direction: Direction::Reverse });
    scene.says(Session::Drive, "1.0 200 OK");
    scene.order(&Action::EmergencyStop);
    assert_eq!(scene.sent(Session::Drive).last(), Some(&"SET 1 GL 3 2 0 28 0 0 0 0"));
    scene.order(&Action::Stop);
    assert_eq!(scene.sent(Session::Drive).last(), Some(&"SET 1 GL 3 0 0 28 0 0 0 0"), "direction is kept");
}

#[test]
fn our_own_lock_in_the_way_of_the_fresh_session_is_no_refusal_yet() {
    let mut scene = Scene::taken();
    let stop = scene.order(&Action::Stop);
    scene.greet(Session::Rescue, 70);
    scene.says(Session::Rescue, LOCKED);
    assert_eq!(scene.end(stop), None, "the driving session may still say yes");
    scene.says(Session::Drive, "1.0 200 OK");
    assert_eq!(scene.end(stop), Some(&done()));
    assert!(!scene.events.iter().any(|event| matches!(event, StationEvent::LockedByAnother { .. })));
}

#[test]
fn a_stop_that_every_session_refuses_is_refused() {
    let mut scene = Scene::taken();
    let stop = scene.order(&Action::Stop);
    scene.says(Session::Drive, LOCKED);
    assert_eq!(scene.end(stop), None);
    assert!(scene.events.contains(&StationEvent::LockedByAnother { words: "device locked".into() }));
    scene.greet(Session::Rescue, 70);
    scene.says(Session::Rescue, LOCKED);
    assert_eq!(code(scene.end(stop)), "414");
}

#[test]
fn a_stop_refused_here_and_unanswered_there_is_unknown() {
    let mut scene = Scene::taken();
    let stop = scene.order(&Action::Stop);
    scene.greet(Session::Rescue, 70);
    scene.says(Session::Rescue, LOCKED);
    scene.wait(ANSWER_LIMIT);
    assert_eq!(code(scene.end(stop)), "unknown");
}

#[test]
fn a_refused_leg_and_one_that_never_came_through_are_refused_in_the_stations_words() {
    let mut scene = Scene::taken();
    let stop = scene.order(&Action::Stop);
    scene.link(Session::Rescue, LinkEvent::Closed("connection refused"));
    scene.says(Session::Drive, "1.0 413 ERROR temporarily prohibited");
    assert_eq!(code(scene.end(stop)), "413");
}

#[test]
fn a_stop_on_a_condemned_session_goes_over_the_fresh_one_alone() {
    let mut scene = Scene::taken();
    scene.drive(5);
    scene.wait(ANSWER_LIMIT);
    scene.forget();
    let stop = scene.order(&Action::Stop);
    assert!(scene.sent(Session::Drive).is_empty());
    scene.greet(Session::Rescue, 70);
    scene.says(Session::Rescue, "1.0 200 OK");
    assert_eq!(scene.end(stop), Some(&done()));
}

#[test]
fn a_stop_works_from_nothing() {
    let mut scene = Scene::new(setup());
    let stop = scene.order(&Action::Stop);
    let power = scene.order(&Action::PowerOff);
    scene.greet(Session::Rescue, 70);
    assert_eq!(scene.sent(Session::Rescue), ["GO", "INIT 1 GL 3 N 1 28 4", STOP, "SET 1 POWER OFF"]);
    scene.says(Session::Rescue, "1.0 424 ERROR device reinitialized");
    assert_eq!(scene.end(stop), None, "announcing the engine is no stop");
    scene.says(Session::Rescue, "1.0 200 OK");
    assert_eq!((scene.end(stop), scene.end(power)), (Some(&done()), None));
    scene.says(Session::Rescue, "1.0 200 OK");
    assert_eq!(scene.end(power), Some(&done()));
    assert!(scene.log_has("Close(Rescue)"));
    assert_eq!(scene.client.next_wake(), None);
}

#[test]
fn a_stop_with_nobody_there_says_so_in_time() {
    let mut scene = Scene::new(setup());
    let stop = scene.order(&Action::Stop);
    scene.wait(ANSWER_LIMIT);
    assert_eq!(code(scene.end(stop)), "station-unreachable");
    let stop = scene.order(&Action::EmergencyStop);
    scene.link(Session::Rescue, LinkEvent::Opened);
    scene.wait(ANSWER_LIMIT);
    assert_eq!(code(scene.end(stop)), "station-silent");
}

#[test]
fn a_stop_waits_for_no_handshake_but_its_own() {
    let mut scene = Scene::new(setup());
    scene.order(&Action::Attach);
    let stop = scene.order(&Action::Stop);
    scene.greet(Session::Drive, 51);
    assert_eq!(scene.sent(Session::Drive)[3..], ["INIT 1 GL 3 N 1 28 4", STOP], "ahead of all that waits");
    scene.says(Session::Drive, "1.0 200 OK");
    scene.says(Session::Drive, "1.0 200 OK");
    assert_eq!(scene.end(stop), Some(&done()));
    assert_eq!(scene.sent(Session::Drive).last(), Some(&"GET 1 DESCRIPTION"));
}

#[test]
fn power_off_goes_over_every_living_session() {
    let mut scene = Scene::taken();
    let read = scene.order(&Action::ReadCv { place: CvPlace::ProgrammingTrack, cv: 1 });
    let power = scene.order(&Action::PowerOff);
    assert_eq!(scene.sent(Session::Drive), ["SET 1 POWER OFF"]);
    assert_eq!(scene.sent(Session::Programming), ["GET 1 SM -1 CV 1", "SET 1 POWER OFF"]);
    scene.says(Session::Drive, "1.0 415 ERROR forbidden");
    scene.greet(Session::Rescue, 70);
    scene.says(Session::Rescue, "1.0 415 ERROR forbidden");
    assert_eq!(scene.end(power), None);
    scene.wait(ANSWER_LIMIT);
    assert_eq!((code(scene.end(read)), code(scene.end(power))), ("unknown", "unknown"));
}

#[test]
fn nothing_that_moves_is_sent_while_a_stop_is_under_way_on_any_session() {
    let mut scene = Scene::taken();
    let stop = scene.order(&Action::Stop);
    scene.greet(Session::Rescue, 70);
    scene.says(Session::Drive, "1.0 200 OK");
    assert_eq!(scene.end(stop), Some(&done()));
    // The stop on the fresh session is still under way and would end what is ordered now.
    let drive = scene.drive(4);
    assert_eq!(scene.sent(Session::Drive), [STOP]);
    scene.says(Session::Rescue, LOCKED);
    assert_eq!(scene.sent(Session::Drive), [STOP, "SET 1 GL 3 1 4 28 0 0 0 0"]);
    scene.says(Session::Drive, "1.0 200 OK");
    assert_eq!(scene.end(drive), Some(&done()));
}

#[test]
fn a_second_try_at_power_on_does_not_follow_a_stop() {
    let mut scene = Scene::taken();
    let on = scene.order(&Action::PowerOn);
    let off = scene.order(&Action::PowerOff);
    scene.says(Session::Drive, "1.0 416 ERROR no data");
    scene.says(Session::Drive, "1.0 200 OK");
    assert_eq!((code(scene.end(on)), scene.end(off)), ("superseded", Some(&done())));
    assert_eq!(scene.sent(Session::Drive), ["SET 1 POWER ON", "SET 1 POWER OFF"]);
}

#[test]
fn functions_after_a_stop_do_not_start_the_engine_again() {
    let mut scene = Scene::taken();
    scene.drive(9);
    scene.says(Session::Drive, "1.0 200 OK");
    scene.order(&Action::Stop);
    scene.says(Session::Drive, "1.0 200 OK");
    scene.order(&Action::Functions { on: vec![true] });
    assert_eq!(scene.sent(Session::Drive).last(), Some(&"SET 1 GL 3 1 0 28 1 0 0 0"));
    scene.says(Session::Drive, "1.0 200 OK");
    // Nor where the answer to an earlier drive order comes after the stop was given.
    scene.drive(9);
    let stop = scene.order(&Action::Stop);
    scene.greet(Session::Rescue, 70);
    scene.says(Session::Drive, "1.0 200 OK");
    scene.says(Session::Drive, "1.0 200 OK");
    scene.says(Session::Rescue, "1.0 200 OK");
    assert_eq!(scene.end(stop), Some(&done()));
    scene.order(&Action::Functions { on: vec![true] });
    assert_eq!(scene.sent(Session::Drive).last(), Some(&"SET 1 GL 3 1 0 28 1 0 0 0"));
    // Nor after a drive order of which nobody knows whether it was carried out.
    scene.says(Session::Drive, "1.0 200 OK");
    scene.drive(9);
    scene.says(Session::Drive, "1.0 200 OK");
    scene.drive(10);
    scene.link(Session::Drive, LinkEvent::Closed("reset"));
    scene.order(&Action::Functions { on: vec![true] });
    scene.greet(Session::Drive, 61);
    assert_eq!(scene.sent(Session::Drive).last(), Some(&"SET 1 GL 3 1 0 28 1 0 0 0"));
}
