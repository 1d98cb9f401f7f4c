//! Opening sessions, the abilities, and what happens when sessions fail.
use super::*;

const ALL_ABILITIES: Abilities = Abilities {
    power: true,
    lock: true,
    programming_track: true,
    programming_on_main: true,
    information: true,
};

fn abilities(scene: &Scene) -> Option<Abilities> {
    scene.events.iter().find_map(|event| match event {
        StationEvent::Attached { abilities, .. } => Some(*abilities),
        _ => None,
    })
}

/// Q27 (quoted), T3 (trace, with T4's reply): the whole way, the same on all three sessions but for the mode.
#[test]
fn attach_opens_three_sessions_and_asks_for_the_abilities() {
    let mut scene = Scene::new(setup());
    let attach = scene.order(&Action::Attach);
    for session in ["Drive", "Programming", "Information"] {
        assert!(scene.log_has(&format!("Open({session})")), "{session}");
    }
    assert!(SESSIONS.iter().all(|session| scene.sent(*session).is_empty()), "the server speaks first");
    scene.greet(Session::Drive, 51);
    scene.greet(Session::Programming, 52);
    scene.greet(Session::Information, 53);
    let hello = ["SET PROTOCOL SRCP 0.8.3", "SET CONNECTIONMODE SRCP COMMAND", "GO"];
    assert_eq!(scene.sent(Session::Programming), hello);
    assert_eq!(scene.sent(Session::Information)[1], "SET CONNECTIONMODE SRCP INFO");
    assert_eq!(scene.sent(Session::Drive)[3..], ["GET 1 DESCRIPTION"]);
    scene.says(Session::Drive, "1.0 100 INFO 1 DESCRIPTION GA GL FB SM POWER LOCK DESCRIPTION");
    assert_eq!(scene.sent(Session::Drive)[4..], ["GET 1 POWER"]);
    // T9 (trace).
    scene.says(Session::Drive, "1099500689.345 100 INFO 1 POWER OFF AUTO POWER OFF");
    assert_eq!(
        scene.events,
        vec![
            StationEvent::Power { on: false, words: "AUTO POWER OFF".into(), level: true },
            StationEvent::Attached { abilities: ALL_ABILITIES, greeting: "Harbour; SRCP 0.8.3".into() },
            StationEvent::Ended { order: attach, end: done() },
        ]
    );
}

/// T1, T8 (trace): a server without SM; power and lock as listed.
#[test]
fn a_server_without_programming_says_so() {
    let mut scene = Scene::new(setup());
    scene.order(&Action::Attach);
    for (id, session) in [Session::Drive, Session::Programming, Session::Information].into_iter().enumerate()
    {
        scene.link(session, LinkEvent::Opened);
        scene.says(session, "Harbour 1.2; SRCP 0.8.2");
        scene.says(session, "1.0 400 ERROR unsupported protocol");
        if session == Session::Information {
            scene.says(session, "1.0 202 OK CONNECTION MODE");
        }
        scene.says(session, &format!("1.0 200 OK {id}"));
    }
    scene.says(Session::Drive, "1099500689.345 100 INFO 1 DESCRIPTION GA GL FB POWER LOCK DESCRIPTION");
    scene.says(Session::Drive, "1.0 416 ERROR no data");
    let expected = Abilities { programming_track: false, programming_on_main: false, ..ALL_ABILITIES };
    assert_eq!(abilities(&scene), Some(expected));
    let read = scene.order(&Action::ReadCv { place: CvPlace::ProgrammingTrack, cv: 8 });
    assert_eq!(code(scene.end(read)), "not-offered");
}

/// T2 (trace): 401. And an information session that is never answered.
#[test]
fn a_server_without_information_mode_is_good_enough() {
    for line in [Some("1099501615.402 401 ERROR unsupported connectionmode"), None] {
        let mut scene = Scene::new(setup());
        let attach = scene.order(&Action::Attach);
        scene.greet(Session::Drive, 51);
        scene.greet(Session::Programming, 52);
        scene.says(Session::Drive, "1.0 100 INFO 1 DESCRIPTION GL SM");
        assert_eq!(scene.end(attach), None, "the information session is still being opened");
        scene.link(Session::Information, LinkEvent::Opened);
        scene.says(Session::Information, "SRCP 0.8.3");
        scene.says(Session::Information, "201 OK PROTOCOL SRCP");
        match line {
            Some(line) => scene.says(Session::Information, line),
            None => scene.wait(ANSWER_LIMIT),
        }
        assert_eq!(scene.end(attach), Some(&done()));
        assert!(scene.log_has("Close(Information)"));
        let expected = Abilities { power: false, lock: false, information: false, ..ALL_ABILITIES };
        assert_eq!(abilities(&scene), Some(expected));
    }
}

#[test]
fn a_refused_description_means_finding_out_by_trying() {
    let mut scene = Scene::new(setup());
    let attach = scene.order(&Action::Attach);
    scene.greet(Session::Drive, 51);
    scene.greet(Session::Programming, 52);
    scene.greet(Session::Information, 53);
    scene.says(Session::Drive, "1.0 422 ERROR unsupported device group");
    scene.says(Session::Drive, "1.0 100 INFO 1 POWER ON");
    assert_eq!(scene.end(attach), Some(&done()));
    assert_eq!(abilities(&scene), Some(ALL_ABILITIES));
    // The lock is tried, and done without.
    let take = scene.order(&Action::TakeEngine);
    scene.says(Session::Drive, "1.0 200 OK");
    scene.says(Session::Drive, "1.0 416 ERROR no data");
    assert_eq!(scene.sent(Session::Drive).last(), Some(&"SET 1 LOCK GL 3 12"));
    scene.says(Session::Drive, "1.0 422 ERROR unsupported device group");
    assert_eq!(scene.end(take), Some(&done()));
    let again = scene.order(&Action::TakeEngine);
    scene.says(Session::Drive, "1.0 424 ERROR device reinitialized");
    scene.says(Session::Drive, "1.0 416 ERROR no data");
    assert_eq!(scene.end(again), Some(&done()));
}

/// Q24 (quoted) as a bus that only programs.
#[test]
fn a_bus_without_engines_is_refused() {
    let mut scene = Scene::new(setup());
    let attach = scene.order(&Action::Attach);
    scene.greet(Session::Drive, 51);
    scene.says(Session::Drive, "5.0 100 INFO 1 DESCRIPTION SM NMRA");
    assert_eq!(code(scene.end(attach)), "station-no-engines");
}

#[test]
fn attach_names_why_it_failed() {
    type Case = (&'static str, fn(&mut Scene));
    let cases: [Case; 6] = [
        ("station-unreachable", |scene| scene.link(Session::Drive, LinkEvent::Closed("connection refused"))),
        ("station-unreachable", |scene| scene.wait(ANSWER_LIMIT)),
        ("station-silent", |scene| {
            scene.link(Session::Drive, LinkEvent::Opened);
            scene.wait(ANSWER_LIMIT);
        }),
        ("station-not-srcp", |scene| {
            scene.link(Session::Drive, LinkEvent::Opened);
            scene.says(Session::Drive, "220 mail ready");
        }),
        ("station-version", |scene| {
            scene.link(Session::Drive, LinkEvent::Opened);
            scene.says(Session::Drive, "SRCP 0.7.3");
        }),
        ("500", |scene| {
            scene.link(Session::Drive, LinkEvent::Opened);
            scene.says(Session::Drive, "SRCP 0.8.3");
            scene.says(Session::Drive, "201 OK PROTOCOL SRCP");
            scene.says(Session::Drive, "202 OK CONNECTIONMODEOK");
            scene.says(Session::Drive, "1.0 500 ERROR out of ressources");
        }),
    ];
    for (expected, happening) in cases {
        let mut scene = Scene::new(setup());
        let attach = scene.order(&Action::Attach);
        happening(&mut scene);
        assert_eq!(code(scene.end(attach)), expected);
        // Every code that is a cause's is in the catalogue.
        assert!(expected == "500" || crate::cause::find(expected).is_some());
        // A second attempt starts afresh.
        let again = scene.order(&Action::Attach);
        scene.greet(Session::Drive, 61);
        assert_eq!(scene.sent(Session::Drive).last(), Some(&"GET 1 DESCRIPTION"));
        assert_eq!(scene.end(again), None);
    }
}

#[test]
fn a_timeout_condemns_the_session_and_the_next_order_opens_a_fresh_one() {
    let mut scene = Scene::taken();
    let first = scene.drive(5);
    let second = scene.drive(6);
    assert_eq!(scene.sent(Session::Drive), ["SET 1 GL 3 1 5 28 0 0 0 0"], "one outstanding order a session");
    scene.wait(ANSWER_LIMIT);
    assert_eq!(code(scene.end(first)), "unknown");
    assert_eq!(code(scene.end(second)), "session-lost", "known not to have been sent");
    assert!(scene.log_has("Close(Drive)"));
    // The late answer comes to nobody.
    scene.says(Session::Drive, "1.0 200 OK");
    let third = scene.drive(7);
    assert!(scene.log_has("Open(Drive)"));
    scene.says(Session::Drive, "1.0 200 OK");
    assert_eq!(scene.end(third), None);
    scene.greet(Session::Drive, 61);
    assert_eq!(scene.end(third), None);
    assert_eq!(scene.sent(Session::Drive).last(), Some(&"SET 1 GL 3 1 7 28 0 0 0 0"));
    scene.says(Session::Drive, "1.0 200 OK");
    assert_eq!(scene.end(third), Some(&done()));
}

#[test]
fn an_idle_station_is_asked_and_a_half_open_connection_found() {
    let mut scene = Scene::attached();
    scene.wait(Duration::from_millis(999));
    assert!(scene.sent(Session::Drive).is_empty());
    scene.wait(Duration::from_millis(1));
    assert_eq!(scene.sent(Session::Drive), ["GET 1 POWER"]);
    scene.says(Session::Drive, "1.0 100 INFO 1 POWER OFF SHORT");
    assert!(scene.events.contains(&StationEvent::Power { on: false, words: "SHORT".into(), level: false }));
    scene.wait(Duration::from_secs(1) + ANSWER_LIMIT);
    assert_eq!(scene.sent(Session::Drive).len(), 2);
    assert!(scene.events.iter().any(|event| matches!(event, StationEvent::SessionLost { session, .. }
        if *session == Session::Drive)));
    assert_eq!(scene.client.next_wake(), None, "nothing is open to be asked on");
}

#[test]
fn needless_wakes_do_nothing() {
    let mut scene = Scene::taken();
    scene.drive(5);
    let before = scene.log.clone();
    for millis in 0..100 {
        scene.client.handle_wake(scene.now + Duration::from_millis(millis));
        scene.collect();
    }
    assert_eq!(scene.log, before);
}

#[test]
fn an_order_that_cannot_be_sent_ends_within_its_limit_and_a_handshake() {
    let mut scene = Scene::attached();
    let programming = Action::BeginProgramming;
    let first = scene.order(&programming);
    let waiting: Vec<OrderId> = (0..3).map(|_| scene.order(&programming)).collect();
    // The station answers each just in time; the last would wait four limits.
    for _ in 0..2 {
        scene.wait(Duration::from_secs(50));
        for session in [Session::Drive, Session::Programming] {
            scene.says(session, "1.0 200 OK");
        }
    }
    assert_eq!(scene.end(first), Some(&done()));
    assert_eq!(code(scene.end(waiting[2])), "not-sent");
}
