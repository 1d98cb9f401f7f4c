//! What must hold whatever the peer does.
use super::*;
use proptest::prelude::*;

/// A happening at the machine.
#[derive(Clone, Debug)]
enum Act {
    Submit(u8),
    Opened(usize),
    Closed(usize),
    Says(usize, usize),
    Noise(usize, Vec<u8>),
    Answer(usize),
    Wait(u64),
}

/// Lines that a peer may say, fitting or not.
const LINES: [&str; 16] = [
    "SRCP 0.8.3",
    "SRCP 0.7.3; SRCPOTHER 0.8.4",
    "1.0 201 OK PROTOCOL SRCP",
    "1.0 202 OK CONNECTIONMODE",
    "1.0 200 OK GO 7",
    "1.0 200 OK",
    "1.0 400 ERROR unsupported protocol",
    "1.0 402 ERROR insufficient data",
    "1.0 414 ERROR device locked",
    "1.0 416 ERROR no data",
    "1.0 100 INFO 1 DESCRIPTION GL SM POWER LOCK",
    "1.0 100 INFO 1 POWER ON",
    "1.0 100 INFO 1 GL 3 1 14 28 0 0 0 0",
    "1.0 100 INFO 1 SM -1 CV 5 9",
    "1.0 101 INFO 1 LOCK GL 3 9 99",
    "noise",
];

/// The reply that a well-meaning peer would give to a command.
pub(super) fn answer(command: &str) -> &'static str {
    let words: Vec<&str> = command.split(' ').collect();
    match words[..] {
        ["SET", "PROTOCOL", ..] => "1.0 201 OK PROTOCOL SRCP",
        ["SET", "CONNECTIONMODE", ..] => "1.0 202 OK CONNECTION MODE",
        ["GO"] => "1.0 200 OK GO 5",
        ["GET", "0", "SERVER"] => "1.0 100 INFO 0 SERVER RUNNING",
        ["GET", "0", "DESCRIPTION"] => "1.0 100 INFO 0 DESCRIPTION SESSION SERVER",
        ["GET", _, "DESCRIPTION"] => LINES[10],
        ["GET", _, "POWER"] => LINES[11],
        ["GET", _, "GL", _] => LINES[12],
        ["GET", _, "SM", ..] => LINES[13],
        _ => "1.0 200 OK",
    }
}

fn action(kind: u8, nth: u16) -> Action {
    let place = CvPlace::ProgrammingTrack;
    match kind % 16 {
        0 => Action::Attach,
        1 | 2 => Action::TakeEngine,
        3 => Action::ReleaseEngine,
        4 => Action::PowerOn,
        5 => Action::PowerOff,
        6 => Action::AskPower,
        7 => Action::Functions { on: vec![true, false] },
        8 => Action::Stop,
        9 => Action::EmergencyStop,
        10 => Action::AskEngine,
        11 => Action::BeginProgramming,
        12 => Action::ReadCv { place, cv: 5 },
        13 => Action::WriteCv { place, cv: 5, value: 9 },
        // Each drive order has a value of its own, so that its line can be told from every other.
        _ => Action::Drive { setting: Setting { value: 1 + nth, of: 126 }, direction: Direction::Forward },
    }
}

fn acts() -> impl Strategy<Value = Vec<Act>> {
    let act = prop_oneof![
        4 => any::<u8>().prop_map(Act::Submit),
        3 => (0..4usize).prop_map(Act::Opened),
        1 => (0..4usize).prop_map(Act::Closed),
        3 => (0..4usize, 0..LINES.len()).prop_map(|(session, line)| Act::Says(session, line)),
        1 => (0..4usize, prop::collection::vec(any::<u8>(), 0..40)).prop_map(|(session, noise)| Act::Noise(session, noise)),
        12 => (0..4usize).prop_map(Act::Answer),
        2 => (0..4000u64).prop_map(Act::Wait),
    ];
    prop::collection::vec(act, 0..100)
}

fn setup_126(sessions: Sessions) -> SrcpSetup {
    SrcpSetup { step_mode: 126, sessions, ..setup() }
}

fn any_sessions() -> impl Strategy<Value = Sessions> {
    prop_oneof![Just(Sessions::Three), Just(Sessions::One)]
}

/// A peer that answers what it has not answered yet, in order, as a well-meaning one would.
#[derive(Default)]
struct Peer {
    answered: BTreeMap<Session, usize>,
}

impl Peer {
    fn answer(&mut self, scene: &mut Scene, session: Session) {
        let seen = self.answered.entry(session).or_default();
        let stage = scene.client.stage(session);
        match stage {
            Stage::Closed => {}
            Stage::Opening => scene.link(session, LinkEvent::Opened),
            Stage::Greeting => {
                // What was asked on an earlier connection stays unanswered.
                *seen = scene.sent(session).len();
                scene.says(session, LINES[0]);
            }
            _ => {
                if let Some(command) = scene.sent.get(&session).and_then(|sent| sent.get(*seen)) {
                    *seen += 1;
                    let reply = answer(command);
                    scene.says(session, reply);
                }
            }
        }
    }
}

impl Peer {
    /// Everything that is asked gets its answer.
    fn answer_all(&mut self, scene: &mut Scene) {
        for _ in 0..10 {
            for session in SESSIONS {
                self.answer(scene, session);
            }
        }
    }
}

/// V of a command that drives.
fn driven(line: &str) -> Option<u16> {
    let words: Vec<&str> = line.split(' ').collect();
    match words[..] {
        ["SET", _, "GL", _, _, value, top, ..] => {
            assert_ne!(top, "0", "V_max 0 is never sent");
            value.parse().ok().filter(|value| *value > 0)
        }
        _ => None,
    }
}

/// Plays a script; gives the scene and the orders submitted. Checks after each act that no line drives with the value of
/// an order that a stop came after.
fn play(sessions: Sessions, taken: bool, script: &[Act]) -> (Scene, Vec<OrderId>) {
    let mut scene = Scene::new(setup_126(sessions));
    let mut peer = Peer::default();
    let mut orders = Vec::new();
    if taken {
        for kind in [0, 1] {
            orders.push(scene.order(&action(kind, 0)));
            peer.answer_all(&mut scene);
        }
        assert!(scene.client.engine.taken);
    }
    // Drive orders from this one on came after the last stop.
    let mut fresh = 1;
    let mut nth = 0;
    for act in script {
        scene.log.clear();
        match act {
            Act::Submit(kind) => {
                let action = action(*kind, nth % 126);
                nth += 1;
                if matches!(action, Action::Stop | Action::EmergencyStop | Action::PowerOff) {
                    fresh = nth + 1;
                }
                orders.push(scene.order(&action));
            }
            Act::Opened(session) => scene.link(SESSIONS[*session], LinkEvent::Opened),
            Act::Closed(session) => scene.link(SESSIONS[*session], LinkEvent::Closed("reset")),
            Act::Says(session, line) => scene.says(SESSIONS[*session], LINES[*line]),
            Act::Noise(session, noise) => scene.raw(SESSIONS[*session], noise),
            Act::Answer(session) => peer.answer(&mut scene, SESSIONS[*session]),
            Act::Wait(millis) => scene.wait(Duration::from_millis(*millis)),
        }
        for line in &scene.log {
            if let Some(value) = line.split_once(" sends ").and_then(|(_, line)| driven(line)) {
                assert!(value >= fresh, "{line} left after a stop");
            }
        }
    }
    (scene, orders)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(600))]

    #[test]
    fn every_order_ends_exactly_once_and_nothing_drives_after_a_stop(
        sessions in any_sessions(),
        taken in any::<bool>(),
        script in acts(),
    ) {
        let (mut scene, orders) = play(sessions, taken, &script);
        // Silence from here on: everything ends by its limits alone.
        scene.wait(CV_ANSWER_LIMIT * 3 + ANSWER_LIMIT * 20);
        for order in orders {
            prop_assert!(scene.end(order).is_some(), "order {order:?} never ended: {:#?}", scene.log);
        }
    }

    #[test]
    fn bytes_may_be_split_anywhere(
        sessions in any_sessions(),
        script in acts(),
        cuts in prop::collection::vec(1..9usize, 1..20),
    ) {
        let mut whole = Scene::new(setup_126(sessions));
        let mut split = Scene::new(setup_126(sessions));
        let mut cuts = cuts.iter().cycle();
        let mut nth = 0;
        for act in &script {
            let bytes = match act {
                Act::Says(session, line) => Some((SESSIONS[*session], format!("{}\r\n", LINES[*line]).into_bytes())),
                Act::Noise(session, noise) => Some((SESSIONS[*session], noise.clone())),
                _ => None,
            };
            if let Some((session, bytes)) = bytes {
                whole.link(session, LinkEvent::Bytes(&bytes));
                let mut rest = &bytes[..];
                while !rest.is_empty() {
                    let cut = cuts.next().map_or(1, |cut| *cut).min(rest.len());
                    split.link(session, LinkEvent::Bytes(&rest[..cut]));
                    rest = &rest[cut..];
                }
            } else {
                for scene in [&mut whole, &mut split] {
                    match act {
                        Act::Submit(kind) => _ = scene.order(&action(*kind, nth % 126)),
                        Act::Opened(session) | Act::Answer(session) => scene.link(SESSIONS[*session], LinkEvent::Opened),
                        Act::Closed(session) => scene.link(SESSIONS[*session], LinkEvent::Closed("reset")),
                        Act::Wait(millis) => scene.wait(Duration::from_millis(*millis)),
                        Act::Says(..) | Act::Noise(..) => {}
                    }
                }
                nth += 1;
            }
            prop_assert_eq!(&whole.log, &split.log);
        }
    }

    #[test]
    fn noise_never_panics(chunks in prop::collection::vec((0..4usize, prop::collection::vec(any::<u8>(), 0..300)), 0..20)) {
        let mut scene = Scene::taken();
        for (session, bytes) in chunks {
            scene.link(SESSIONS[session], LinkEvent::Bytes(&bytes));
            scene.wait(Duration::from_millis(100));
        }
    }
}

/// The scripts of the first property do reach the states it is about: with a well-meaning peer orders are carried out.
#[test]
fn a_well_meaning_peer_carries_out_the_whole_job() {
    for sessions in [Sessions::Three, Sessions::One] {
        whole_job(sessions);
    }
}

fn whole_job(sessions: Sessions) {
    let mut scene = Scene::new(setup_126(sessions));
    let mut peer = Peer::default();
    for kind in [0, 1, 4, 7, 15, 6, 10, 8, 11, 12, 13, 9, 5, 3] {
        let order = scene.order(&action(kind, 20));
        peer.answer_all(&mut scene);
        assert_eq!(code(scene.end(order)), "done", "{:#?}", scene.log);
    }
    assert!(scene.sent(Session::Drive).contains(&"SET 1 GL 3 1 21 126 1 0 0 0"));
}
