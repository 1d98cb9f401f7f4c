//! A table of bad station replies, and what the run is told of each.
use super::*;

/// What is on the way when the bad reply comes.
#[derive(Clone, Copy)]
enum Before {
    /// An attach, its driving session just opened.
    Opened,
    /// The driving session sent `SET CONNECTIONMODE`.
    ModeSet,
    /// A drive order is outstanding.
    Driving,
    /// A CV is being read.
    Reading,
    /// Nothing is outstanding.
    Idle,
}

/// What comes then.
enum Bad {
    /// A line.
    Says(&'static str),
    /// Something else.
    Does(fn(&mut Scene, Session)),
}

fn case(before: Before, bad: &Bad) -> String {
    let mut scene = match before {
        Before::Opened | Before::ModeSet => Scene::new(setup()),
        Before::Driving | Before::Reading | Before::Idle => Scene::taken(),
    };
    let mut session = Session::Drive;
    match before {
        Before::Opened => {
            scene.order(&Action::Attach);
            scene.link(session, LinkEvent::Opened);
        }
        Before::ModeSet => {
            scene.order(&Action::Attach);
            scene.link(session, LinkEvent::Opened);
            scene.says(session, "SRCP 0.8.3");
            scene.says(session, "1.0 201 OK PROTOCOL SRCP");
        }
        Before::Driving => _ = scene.drive(5),
        Before::Reading => {
            session = Session::Programming;
            scene.order(&Action::ReadCv { place: CvPlace::ProgrammingTrack, cv: 66 });
        }
        Before::Idle => {}
    }
    scene.log.clear();
    match bad {
        Bad::Says(line) => scene.says(session, line),
        Bad::Does(happening) => happening(&mut scene, session),
    }
    scene.log.join("\n")
}

#[test]
fn bad_replies_and_what_the_run_is_told() {
    let long =
        Bad::Does(|scene, session| scene.raw(session, &[b"200 OK ".repeat(700), vec![b'\n']].concat()));
    let long_greeting =
        Bad::Does(|scene, session| scene.raw(session, &[b"SRCP 0.8.3;".repeat(400), vec![b'\n']].concat()));
    let silence = Bad::Does(|scene, _| scene.wait(ANSWER_LIMIT));
    let half = Bad::Does(|scene, session| {
        scene.raw(session, b"1.0 200 O");
        scene.link(session, LinkEvent::Closed("end of stream"));
    });
    let late = Bad::Does(|scene, session| {
        scene.wait(ANSWER_LIMIT);
        scene.drive(6);
        scene.says(session, "1.0 200 OK");
    });
    let binary = Bad::Does(|scene, session| scene.raw(session, b"1.0 200 \xff\xfe\n"));
    let twice = Bad::Does(|scene, session| scene.raw(session, b"1.0 200 OK\n1.0 200 OK\n"));
    let table: [(&str, Before, Bad); 27] = [
        (
            "wrong code: a value where a yes was due",
            Before::Driving,
            Bad::Says("1.0 100 INFO 1 GL 3 1 5 28 0 0 0 0"),
        ),
        ("code of no class", Before::Driving, Bad::Says("1.0 300 OK")),
        ("wrong order: a yes before the value", Before::Reading, Bad::Says("1.0 200 OK")),
        ("reply to another command", Before::Reading, Bad::Says("1.0 100 INFO 1 POWER ON")),
        ("value of another CV", Before::Reading, Bad::Says("1.0 100 INFO 1 SM -1 CV 95 128")),
        ("value of an engine on the main", Before::Reading, Bad::Says("1.0 100 INFO 1 SM 1234 CV 66 128")),
        ("value above 255", Before::Reading, Bad::Says("1.0 100 INFO 1 SM -1 CV 66 256")),
        ("value of another bus", Before::Reading, Bad::Says("1.0 100 INFO 2 SM -1 CV 66 128")),
        ("late reply", Before::Driving, late),
        ("half a line, then the end", Before::Driving, half),
        ("over-long line", Before::Driving, long),
        ("not UTF-8", Before::Driving, binary),
        ("silence", Before::Driving, silence),
        ("refusal", Before::Driving, Bad::Says("1.0 413 ERROR temporarily prohibited")),
        ("refused reading", Before::Reading, Bad::Says("1.0 416 ERROR no data")),
        ("missing time stamp", Before::Driving, Bad::Says("200 OK")),
        ("whole seconds, runs of blanks, CR", Before::Driving, Bad::Says("\r1099501615 \t 200   OK \r")),
        ("no keyword", Before::Driving, Bad::Says("1.0 200")),
        ("one reply too many", Before::Driving, twice),
        ("unasked line", Before::Idle, Bad::Says("1.0 100 INFO 1 POWER OFF")),
        ("202, first spelling", Before::ModeSet, Bad::Says("1.0 202 OK CONNECTIONMODEOK")),
        ("202, second spelling", Before::ModeSet, Bad::Says("1.0 202 OK CONNECTION MODE")),
        ("202, third spelling", Before::ModeSet, Bad::Says("1.0 202 OK CONNECTIONMODE")),
        ("noise in the handshake", Before::ModeSet, Bad::Says("1.0 noise")),
        ("greeting of something else", Before::Opened, Bad::Says("HTTP/1.1 400 Bad Request")),
        ("greeting of an older version", Before::Opened, Bad::Says("Harbour; SRCP 0.7.3")),
        ("over-long greeting", Before::Opened, long_greeting),
    ];
    let text: Vec<String> =
        table.iter().map(|(name, before, bad)| format!("## {name}\n{}\n", case(*before, bad))).collect();
    insta::assert_snapshot!(text.join("\n"));
}
