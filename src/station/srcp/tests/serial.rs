//! A line that carries one session: its handshake, what stands on it, and stopping without another way.
use super::*;

const HELLO: [&str; 5] =
    ["", "SET PROTOCOL SRCP 0.8.3", "SET CONNECTIONMODE SRCP COMMAND", "GO", "GET 0 SERVER"];
const HALF: Duration = Duration::from_secs(1);
const STOP: &str = "SET 1 GL 3 1 0 28 0 0 0 0";

fn opened() -> (Scene, OrderId) {
    let mut scene = Scene::new(setup_one());
    let attach = scene.order(&Action::Attach);
    scene.link(Session::Drive, LinkEvent::Opened);
    (scene, attach)
}

/// The rest of an attach on a session that is ready.
fn described(scene: &mut Scene, attach: OrderId) {
    assert_eq!(scene.sent(Session::Drive).last(), Some(&"GET 1 DESCRIPTION"), "{:#?}", scene.log);
    scene.says(Session::Drive, "1.0 100 INFO 1 DESCRIPTION GL SM POWER LOCK DESCRIPTION");
    scene.says(Session::Drive, "1.0 100 INFO 1 POWER ON");
    assert_eq!(scene.end(attach), Some(&done()));
}

fn taken() -> Scene {
    let mut scene = Scene::new(setup_one());
    let attach = scene.order(&Action::Attach);
    scene.line_up(51);
    described(&mut scene, attach);
    let take = scene.order(&Action::TakeEngine);
    for line in ["1.0 200 OK", "1.0 100 INFO 1 GL 3 1 0 28 0 0 0 0", "1.0 200 OK"] {
        scene.says(Session::Drive, line);
    }
    assert_eq!(scene.end(take), Some(&done()));
    scene.forget();
    scene
}

#[test]
fn a_greeting_leads_through_the_usual_handshake_and_one_question() {
    let mut scene = Scene::new(setup_one());
    let attach = scene.order(&Action::Attach);
    scene.line_up(51);
    assert_eq!(scene.sent(Session::Drive)[..5], HELLO);
    described(&mut scene, attach);
    let opened: Vec<&String> = scene.log.iter().filter(|line| line.starts_with("Open(")).collect();
    assert_eq!(opened, ["Open(Drive)"]);
    let attached = StationEvent::Attached {
        abilities: Abilities { information: false, ..attach::UNKNOWN_ABILITIES },
        greeting: "Harbour; SRCP 0.8.3".into(),
    };
    assert!(scene.events.contains(&attached), "{:#?}", scene.events);
    assert!(!scene.events.iter().any(|event| matches!(event, StationEvent::Oddity { .. })));
}

#[test]
fn a_session_that_still_stands_is_carried_on() {
    let (mut scene, attach) = opened();
    scene.wait(HALF);
    assert_eq!(scene.sent(Session::Drive), ["", "GET 0 SERVER"]);
    scene.says(Session::Drive, "1.0 100 INFO 0 SERVER RUNNING");
    described(&mut scene, attach);
}

/// A3, A2: in handshake mode everything else is answered 410.
#[test]
fn a_greeting_that_nobody_heard_is_supposed() {
    let (mut scene, attach) = opened();
    scene.wait(HALF);
    scene.says(Session::Drive, "1.0 410 ERROR unknown command");
    for line in ["1.0 201 OK PROTOCOL SRCP", "1.0 202 OK CONNECTIONMODE", "1.0 200 OK GO 7"] {
        scene.says(Session::Drive, line);
    }
    assert_eq!(
        scene.sent(Session::Drive),
        ["", "GET 0 SERVER", HELLO[1], HELLO[2], HELLO[3], "GET 0 DESCRIPTION"]
    );
    scene.says(Session::Drive, "1.0 100 INFO 0 DESCRIPTION SESSION SERVER");
    described(&mut scene, attach);
}

#[test]
fn a_greeting_may_come_late() {
    let (mut scene, attach) = opened();
    scene.wait(HALF);
    for line in
        ["Harbour; SRCP 0.8.3", "1.0 410 ERROR unknown command", "1.0 201 OK", "1.0 202 OK", "1.0 200 OK 7"]
    {
        scene.says(Session::Drive, line);
    }
    scene.says(Session::Drive, "1.0 100 INFO 0 DESCRIPTION SESSION SERVER");
    described(&mut scene, attach);
}

#[test]
fn what_is_left_over_condemns_nothing_and_answers_nothing() {
    // The end of a line, the answer to our half line, and answers to what an earlier program asked.
    let (mut scene, attach) = opened();
    for line in ["00 OK", "1.0 419 ERROR list too short", "1.0 200 OK", "1.0 100 INFO 1 POWER ON"] {
        scene.says(Session::Drive, line);
    }
    scene.wait(HALF);
    for line in ["1.0 200 OK", "1.0 416 ERROR no data", "1.0 100 INFO 1 GL 3 1 0 28 0 0 0 0"] {
        scene.says(Session::Drive, line);
    }
    assert_eq!(scene.sent(Session::Drive).len(), 2);
    scene.says(Session::Drive, "1.0 100 INFO 0 SERVER RUNNING");
    described(&mut scene, attach);
}

#[test]
fn a_half_line_answered_as_unknown_does_not_hide_the_session_behind_it() {
    let (mut scene, attach) = opened();
    scene.wait(HALF);
    // To the half line; the answer to the question comes after the handshake was begun.
    scene.says(Session::Drive, "1.0 410 ERROR unknown command");
    scene.says(Session::Drive, "1.0 100 INFO 0 SERVER RUNNING");
    assert_eq!(scene.sent(Session::Drive)[2..], [HELLO[1], "GET 0 DESCRIPTION"]);
    scene.says(Session::Drive, "1.0 412 ERROR wrong value");
    scene.says(Session::Drive, "1.0 100 INFO 0 DESCRIPTION SESSION SERVER");
    described(&mut scene, attach);
}

#[test]
fn an_answer_to_the_last_openings_question_is_not_taken_for_this_ones() {
    let (mut scene, attach) = opened();
    scene.wait(HALF + ANSWER_LIMIT);
    assert_eq!(code(scene.end(attach)), "station-silent");
    let again = scene.order(&Action::Attach);
    scene.link(Session::Drive, LinkEvent::Opened);
    scene.wait(HALF);
    assert_eq!(scene.sent(Session::Drive), ["", "GET 0 SERVER", "", "GET 0 DESCRIPTION"]);
    scene.says(Session::Drive, "1.0 100 INFO 0 SERVER RUNNING");
    assert_eq!(scene.sent(Session::Drive).len(), 4);
    scene.says(Session::Drive, "1.0 100 INFO 0 DESCRIPTION SESSION SERVER");
    described(&mut scene, again);
}

#[test]
fn a_server_without_such_questions_is_believed_when_the_time_is_over() {
    let (mut scene, attach) = opened();
    scene.wait(HALF);
    scene.says(Session::Drive, "1.0 422 ERROR unsupported device group");
    assert_eq!(scene.sent(Session::Drive).len(), 2);
    scene.wait(ANSWER_LIMIT);
    described(&mut scene, attach);
    // One that knows no choice of a version.
    let (mut scene, attach) = opened();
    scene.says(Session::Drive, "Harbour; SRCP 0.8.2");
    scene.says(Session::Drive, "1.0 410 ERROR unknown command");
    scene.wait(ANSWER_LIMIT);
    scene.says(Session::Drive, "1.0 200 OK 4");
    scene.says(Session::Drive, "1.0 100 INFO 0 SERVER RUNNING");
    described(&mut scene, attach);
}

#[test]
fn what_is_no_station_is_named() {
    type Case = (&'static str, &'static [u8]);
    let cases: [Case; 9] = [
        ("station-silent", b""),
        ("station-silent", b"1.0 200 OK\n1.0 100 INFO 1 POWER ON\n"),
        ("station-silent", b"1.0 200 O"),
        // Bytes as a port at a wrong speed gives them, with a line end by chance and without.
        ("line-gibberish", b"\x00\xf8\x80\x1f\xe6\n\x9e\xfe\x00\x06"),
        ("line-gibberish", b"\xff\xff\x00"),
        ("line-gibberish", &[0; 5000]),
        ("station-not-srcp", b"t_us,bx,by,bz\n1000,0.1,0.2,0.3\n"),
        ("station-not-srcp", b"login: "),
        // One disturbed byte in readable lines is not the wrong speed.
        ("station-not-srcp", b"t_us,bx,by,bz\n1000,0.1,0.\xff,0.3\n"),
    ];
    for (expected, bytes) in cases {
        let (mut scene, attach) = opened();
        scene.raw(Session::Drive, bytes);
        scene.wait(HALF + ANSWER_LIMIT);
        assert_eq!(code(scene.end(attach)), expected, "{:?}", String::from_utf8_lossy(bytes));
        assert!(crate::cause::find(expected).is_some());
        assert!(scene.log_has("Close(Drive)"));
    }
}

/// Whatever noise comes during a handshake, it is never called another service.
#[test]
fn noise_of_every_byte_is_gibberish() {
    let (mut scene, attach) = opened();
    let all: Vec<u8> = (0..=255).collect();
    scene.raw(Session::Drive, &all);
    scene.wait(HALF);
    scene.raw(Session::Drive, &all);
    scene.wait(ANSWER_LIMIT);
    assert_eq!(code(scene.end(attach)), "line-gibberish");
}

#[test]
fn driving_and_programming_share_the_session_in_order() {
    let mut scene = taken();
    let read = scene.order(&Action::ReadCv { place: CvPlace::ProgrammingTrack, cv: 66 });
    let drive = scene.drive(5);
    assert_eq!(scene.sent(Session::Drive), ["GET 1 SM -1 CV 66"]);
    scene.wait(Duration::from_secs(50));
    assert_eq!((scene.end(read), scene.end(drive)), (None, None), "both have the time of programming");
    scene.says(Session::Drive, "1.0 100 INFO 1 SM -1 CV 66 128");
    assert_eq!(scene.end(read), Some(&OrderEnd::Done { value: Some(128) }));
    while scene.end(drive).is_none() {
        let last = scene.sent(Session::Drive).last().copied().unwrap_or_default().to_owned();
        scene.says(Session::Drive, properties::answer(&last));
    }
    assert_eq!(scene.end(drive), Some(&done()));
    assert!(scene.sent(Session::Drive).contains(&"SET 1 GL 3 1 5 28 0 0 0 0"));
    assert!(scene.sent(Session::Programming).is_empty());
}

/// Nothing is told unasked here: a busy session is asked as well.
#[test]
fn power_and_engine_are_asked_for_while_the_engine_is_driven() {
    let mut scene = taken();
    for value in 1..=8 {
        scene.wait(Duration::from_millis(250));
        let drive = scene.drive(value);
        while scene.end(drive).is_none() {
            let last = scene.sent(Session::Drive).last().copied().unwrap_or_default().to_owned();
            let reply = match last.as_str() {
                "GET 1 POWER" => "1.0 100 INFO 1 POWER OFF SHORT",
                "GET 1 GL 3" => "1.0 100 INFO 1 GL 3 0 28 28 0 0 0 0",
                _ => "1.0 200 OK",
            };
            scene.says(Session::Drive, reply);
        }
    }
    let asked = |line: &str| scene.sent(Session::Drive).iter().filter(|sent| **sent == line).count();
    assert_eq!((asked("GET 1 POWER"), asked("GET 1 GL 3")), (2, 2), "each second once: {:#?}", scene.log);
    let power = StationEvent::Power { on: false, words: "SHORT".into(), level: false };
    let engine = StationEvent::Engine { ratio: 1.0, direction: Some(Direction::Reverse), level: false };
    assert!(scene.events.contains(&power) && scene.events.contains(&engine));
}

/// The same over a network where the station knows no information mode, or the session for it was lost.
#[test]
fn without_information_a_busy_station_is_asked_too() {
    let mut scene = Scene::taken();
    scene.wait(Duration::from_millis(900));
    scene.link(Session::Information, LinkEvent::Closed("reset"));
    for value in 1..=3 {
        scene.wait(Duration::from_millis(250));
        scene.drive(value);
        scene.says(Session::Drive, "1.0 200 OK");
    }
    scene.wait(Duration::from_millis(250));
    assert_eq!(
        scene.sent(Session::Drive).last(),
        Some(&"GET 1 POWER"),
        "idle for a quarter of a second only"
    );
    scene.says(Session::Drive, "1.0 100 INFO 1 POWER ON");
    assert_eq!(scene.sent(Session::Drive).last(), Some(&"GET 1 GL 3"));
}

#[test]
fn a_refused_question_does_not_keep_the_other_from_being_asked() {
    let mut scene = taken();
    scene.wait(Duration::from_secs(1));
    scene.says(Session::Drive, "1.0 413 ERROR temporarily prohibited");
    assert_eq!(scene.sent(Session::Drive), ["GET 1 POWER", "GET 1 GL 3"]);
}

#[test]
fn a_stop_is_written_behind_the_outstanding_order() {
    let mut scene = taken();
    let drive = scene.drive(5);
    let stop = scene.order(&Action::Stop);
    assert_eq!(scene.sent(Session::Drive), ["SET 1 GL 3 1 5 28 0 0 0 0", STOP]);
    scene.says(Session::Drive, "1.0 200 OK");
    scene.says(Session::Drive, "1.0 200 OK");
    assert_eq!((scene.end(drive), scene.end(stop)), (Some(&done()), Some(&done())));
    assert!(!scene.log.iter().any(|line| line.starts_with("Open") || line.starts_with("Close")));
}

#[test]
fn a_stop_on_a_session_that_is_condemned_goes_over_a_fresh_one() {
    let mut scene = taken();
    let drive = scene.drive(5);
    scene.wait(HALF);
    let stop = scene.order(&Action::Stop);
    let cut = scene.order(&Action::PowerOff);
    scene.wait(HALF);
    assert_eq!(code(scene.end(drive)), "unknown");
    let close = scene.log.iter().position(|line| line == "Close(Drive)");
    let open = scene.log.iter().position(|line| line == "Open(Drive)");
    assert!(close.is_some() && close < open, "{:#?}", scene.log);
    assert_eq!((scene.end(stop), scene.end(cut)), (None, None), "still owed");
    scene.sent.clear();
    scene.line_up(52);
    assert_eq!(scene.sent(Session::Drive)[5..], [STOP, "SET 1 POWER OFF"]);
    scene.says(Session::Drive, "1.0 200 OK");
    scene.says(Session::Drive, "1.0 200 OK");
    assert_eq!((scene.end(stop), scene.end(cut)), (Some(&done()), Some(&done())));
    assert!(!scene.sent(Session::Drive).contains(&"SET 1 GL 3 1 5 28 0 0 0 0"));
}

#[test]
fn a_stop_that_fails_on_a_fresh_session_too_has_ended() {
    // Sent, and nobody answers it or anything after.
    let mut scene = taken();
    let stop = scene.order(&Action::Stop);
    scene.wait(ANSWER_LIMIT);
    scene.link(Session::Drive, LinkEvent::Opened);
    scene.wait(HALF + ANSWER_LIMIT);
    assert_eq!(code(scene.end(stop)), "unknown", "it may have been carried out");
    assert_eq!(scene.log.iter().filter(|line| *line == "Open(Drive)").count(), 1);
    assert_eq!(scene.client.next_wake(), None);
    // Sent never.
    let stop = scene.order(&Action::EmergencyStop);
    scene.wait(ANSWER_LIMIT);
    assert_eq!(code(scene.end(stop)), "station-unreachable");
    let stop = scene.order(&Action::EmergencyStop);
    scene.link(Session::Drive, LinkEvent::Opened);
    scene.raw(Session::Drive, b"\xff\x00\xff");
    scene.wait(HALF + ANSWER_LIMIT);
    assert_eq!(code(scene.end(stop)), "line-gibberish");
}

#[test]
fn a_stop_works_from_nothing_and_the_engine_is_announced_first() {
    let mut scene = Scene::new(setup_one());
    let stop = scene.order(&Action::Stop);
    scene.line_up(51);
    assert_eq!(scene.sent(Session::Drive)[5..], ["INIT 1 GL 3 N 1 28 4", STOP]);
    scene.says(Session::Drive, "1.0 424 ERROR device reinitialized");
    scene.says(Session::Drive, "1.0 200 OK");
    assert_eq!(scene.end(stop), Some(&done()));
}

#[test]
fn a_stop_waits_for_the_handshake_under_way_and_survives_its_failure() {
    let mut scene = Scene::new(setup_one());
    let attach = scene.order(&Action::Attach);
    scene.link(Session::Drive, LinkEvent::Opened);
    let stop = scene.order(&Action::Stop);
    scene.link(Session::Drive, LinkEvent::Closed("unplugged"));
    assert_eq!((code(scene.end(attach)), scene.end(stop)), ("session-lost", None));
    assert_eq!(scene.log.iter().filter(|line| *line == "Open(Drive)").count(), 2);
    scene.line_up(51);
    for line in ["1.0 200 OK", "1.0 200 OK"] {
        scene.says(Session::Drive, line);
    }
    assert_eq!(scene.end(stop), Some(&done()));
}

#[test]
fn a_stop_behind_programming_is_answered_behind_it() {
    let mut scene = taken();
    let read = scene.order(&Action::ReadCv { place: CvPlace::ProgrammingTrack, cv: 66 });
    scene.wait(Duration::from_secs(1));
    let stop = scene.order(&Action::Stop);
    assert_eq!(scene.sent(Session::Drive), ["GET 1 SM -1 CV 66", STOP], "written at once");
    scene.wait(Duration::from_secs(30));
    scene.says(Session::Drive, "1.0 100 INFO 1 SM -1 CV 66 128");
    assert_eq!(scene.end(read), Some(&OrderEnd::Done { value: Some(128) }));
    scene.says(Session::Drive, "1.0 200 OK");
    assert_eq!(scene.end(stop), Some(&done()));
    // Where the reading is never answered, the stop has a way of its own afterwards.
    let mut scene = taken();
    let read = scene.order(&Action::ReadCv { place: CvPlace::ProgrammingTrack, cv: 66 });
    let stop = scene.order(&Action::Stop);
    scene.wait(CV_ANSWER_LIMIT);
    assert_eq!((code(scene.end(read)), scene.end(stop)), ("unknown", None));
    scene.line_up(52);
    scene.says(Session::Drive, "1.0 200 OK");
    assert_eq!(scene.end(stop), Some(&done()));
}

#[test]
fn a_fresh_session_is_told_again_that_programming_was_begun() {
    let mut scene = taken();
    scene.order(&Action::BeginProgramming);
    scene.says(Session::Drive, "1.0 200 OK");
    scene.link(Session::Drive, LinkEvent::Closed("unplugged"));
    scene.forget();
    scene.order(&Action::ReadCv { place: CvPlace::ProgrammingTrack, cv: 67 });
    scene.line_up(62);
    scene.says(Session::Drive, "1.0 424 ERROR device reinitialized");
    assert_eq!(scene.sent(Session::Drive)[5..], ["INIT 1 SM NMRA", "GET 1 SM -1 CV 67"]);
}
