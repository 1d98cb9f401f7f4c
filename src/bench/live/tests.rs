//! The loop with cores and scribes played by the test, over real sockets.
use super::*;
use crate::bench::clock::TimeLapse;
use crate::bench::status::Status;
use crate::run::JournalTrouble;
use crate::run::{DecoderState, Durability, End, PhaseName, Progress, Question, StopGrade, VerdictWord};
use std::collections::VecDeque;
use std::sync::{Arc, Mutex};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpListener;

/// What reached the scribe, in order, as words.
type Log = Arc<Mutex<Vec<String>>>;

struct Listener(Log);

impl Scribe for Listener {
    fn came(&mut self, _: BenchTime, input: &Input) -> Result<(), JournalTrouble> {
        self.0.lock().unwrap().push(format!("came {input:?}"));
        Ok(())
    }
    fn sent(&mut self, _: BenchTime, session: Session, bytes: &[u8]) -> Result<(), JournalTrouble> {
        self.0.lock().unwrap().push(format!("sent {session:?} {}", String::from_utf8_lossy(bytes)));
        Ok(())
    }
    fn record(&mut self, record: &Record) -> Result<(), JournalTrouble> {
        assert!(record.body.durability() <= Durability::Synced);
        Ok(())
    }
    fn sync(&mut self) -> Result<(), JournalTrouble> {
        Ok(())
    }
    fn counts(&self) -> (u64, u64) {
        (0, 0)
    }
    fn finish(&mut self, _: &str) -> Result<(), JournalTrouble> {
        Ok(())
    }
}

struct Nobody;

impl Audience for Nobody {
    fn hear(&mut self, _: &News) {}
}

/// A core made of a closure: an input in, what is wanted out.
struct Played<F> {
    play: F,
    wanted: VecDeque<Output>,
    wake: Option<BenchTime>,
}

impl<F: FnMut(BenchTime, &Input) -> Vec<Output>> Core for Played<F> {
    fn handle(&mut self, at: BenchTime, input: &Input) {
        self.wanted.extend((self.play)(at, input));
    }
    fn poll_output(&mut self) -> Option<Output> {
        self.wanted.pop_front()
    }
    fn next_wake(&self) -> Option<BenchTime> {
        self.wake
    }
}

fn played<F: FnMut(BenchTime, &Input) -> Vec<Output>>(play: F) -> Played<F> {
    Played { play, wanted: VecDeque::new(), wake: None }
}

fn ended() -> Output {
    Output::Ended(Box::new(RunOutcome {
        outcome: End::Interrupted,
        verdict: VerdictWord::None,
        reasons: Vec::new(),
        stop: StopGrade::Still,
        decoder_state: DecoderState::Original,
        restore_pending: Vec::new(),
        table: None,
        trim_forward: None,
        trim_reverse: None,
        three_points: None,
        step_mode: 28,
        steps: Vec::new(),
        budget: Vec::new(),
        worst_deviation_percent: None,
        worst_deviation_u_percent: None,
        predicted_worst_deviation_percent: None,
        engine: crate::run::EngineFound::default(),
        broken_sensor_lines: 0,
        interruptions: 0,
        housekeeping: None,
        bench_seconds: 0.0,
        driven_seconds: 0.0,
    }))
}

fn job<C>(core: C, station: &str, log: &Log) -> Job<C> {
    Job {
        core,
        first: Input::Wake,
        records: Vec::new(),
        station: LinkSpec::tcp(station),
        sensor: LinkSpec::tcp(station),
        connect_limit: Duration::from_secs(5),
        clock: Clock::start(TimeLapse::NONE),
        scribe: Box::new(Listener(Arc::clone(log))),
        audience: Box::new(Nobody),
        watched: None,
        person: Person::new(Status::before("run-1", "Lapwing", 1.0)),
        control: None,
        signals: false,
    }
}

fn send(bytes: &[u8]) -> Output {
    Output::Link(LinkOrder::Send(Session::Drive, bytes.to_vec()))
}

#[tokio::test]
async fn what_the_core_orders_reaches_the_wire_and_the_raw_record_in_order() {
    let server = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = server.local_addr().unwrap().to_string();
    let log = Log::default();
    let core = played(|_, input| match input {
        Input::Wake => vec![Output::Link(LinkOrder::Open(Session::Drive))],
        Input::StationOpened(Session::Drive) => vec![send(b"one\n"), send(b"two\n")],
        Input::StationBytes(..) => vec![send(b"bye\n"), ended()],
        _ => Vec::new(),
    });
    let peer = tokio::spawn(async move {
        let (mut stream, _) = server.accept().await.unwrap();
        let mut heard = vec![0; 8];
        stream.read_exact(&mut heard).await.unwrap();
        stream.write_all(b"ok\n").await.unwrap();
        stream.read_to_end(&mut heard).await.unwrap();
        String::from_utf8(heard).unwrap()
    });
    let run_ended = run(job(core, &address, &log)).await.unwrap();
    assert!(matches!(run_ended.end, LoopEnd::Outcome(_)));
    run_ended.rest.tidy_up().await;
    assert_eq!(peer.await.unwrap(), "one\ntwo\nbye\n", "what was sent last still went out");
    run_ended.journal.finish(String::new(), CLOSING).await.unwrap();
    let kept: Vec<String> =
        log.lock().unwrap().iter().filter(|line| !line.contains("Journal")).cloned().collect();
    assert_eq!(
        kept,
        [
            "came Wake",
            "came StationOpened(Drive)",
            "sent Drive one\n",
            "sent Drive two\n",
            "came StationBytes(Drive, [111, 107, 10])",
            "sent Drive bye\n",
        ]
    );
}

#[tokio::test]
async fn a_core_that_fails_ends_the_loop_and_its_last_input_is_kept() {
    let log = Log::default();
    let core = played(|_, input| match input {
        Input::Wake => vec![Output::OpenSensor],
        _ => panic!("the core's own mistake"),
    });
    let run_ended = run(job(core, "127.0.0.1:1", &log)).await.unwrap();
    let LoopEnd::CoreFailed(why) = run_ended.end else { panic!("it did not fail") };
    assert_eq!(why, "the core's own mistake");
    run_ended.journal.finish(String::new(), CLOSING).await.unwrap();
    assert!(log.lock().unwrap().iter().any(|line| line.starts_with("came SensorClosed")));
}

#[tokio::test]
async fn a_wake_that_has_passed_comes_at_once_but_does_not_eat_the_processor() {
    let log = Log::default();
    let wakes = Arc::new(Mutex::new(0_u32));
    let counted = Arc::clone(&wakes);
    let clock = Clock::start(TimeLapse::NONE);
    let mut core = played(move |at, input| {
        *counted.lock().unwrap() += u32::from(*input == Input::Wake);
        if at > BenchTime::from_millis(100) { vec![ended()] } else { Vec::new() }
    });
    core.wake = Some(BenchTime::ZERO);
    run(Job { clock, ..job(core, "127.0.0.1:1", &log) }).await.unwrap();
    let wakes = *wakes.lock().unwrap();
    assert!((2..=110).contains(&wakes), "{wakes} wake-ups in 100 ms");
}

#[tokio::test]
async fn a_loop_that_did_not_run_says_so_before_anything_else() {
    let log = Log::default();
    let mut slept = false;
    #[expect(clippy::disallowed_methods, reason = "the core plays a process that does not run")]
    let core = played(move |_, input| {
        if *input == Input::Wake && !slept {
            slept = true;
            std::thread::sleep(Duration::from_millis(2_300));
        }
        match input {
            Input::Gap { nanos } if *nanos > 1_900_000_000 => vec![ended()],
            other => {
                assert!(matches!(other, Input::Wake), "{other:?} came before the gap was told");
                vec![Output::OpenSensor]
            }
        }
    });
    let run_ended = run(job(core, "127.0.0.1:1", &log)).await.unwrap();
    assert!(matches!(run_ended.end, LoopEnd::Outcome(_)));
}

#[tokio::test]
async fn the_status_follows_progress_and_questions() {
    let log = Log::default();
    let progress = Box::new(Progress {
        phase: PhaseName::WarmUp,
        ordered: None,
        speed_mm_s: Some(f64::NAN),
        done: 0.25,
        left_s: 90.0,
        waiting: true,
        housekeeping: None,
        held: None,
        margins: Vec::new(),
        field: None,
        quality: None,
    });
    let asked = Record {
        n: 1,
        at: BenchTime::ZERO,
        body: RecordBody::Asked { question: 7, what: Question::WhichEndLed },
    };
    let core =
        played(move |_, _| vec![Output::Progress(progress.clone()), Output::Record(asked.clone()), ended()]);
    let job = job(core, "127.0.0.1:1", &log);
    let way_in = job.person.way_in();
    run(job).await.unwrap();
    let status = way_in.status();
    assert_eq!(status.phase, Some(PhaseName::WarmUp));
    assert_eq!(status.speed_mm_s, None, "a speed that is no number is none");
    assert_eq!(status.question.map(|asked| asked.number), Some(7));
    assert!(way_in.act(PersonAct::Stop).is_err(), "nobody takes acts after the end");
}

#[tokio::test]
async fn a_third_stop_after_a_while_ends_a_core_that_does_not() {
    let log = Log::default();
    let core = played(|_, _| Vec::new());
    let job = job(core, "127.0.0.1:1", &log);
    let way_in = job.person.way_in();
    let stopping = tokio::spawn(async move {
        for _ in 0..4 {
            pause(Duration::from_millis(1_800)).await;
            way_in.act(PersonAct::Stop).unwrap();
        }
    });
    let run_ended = run(job).await.unwrap();
    assert!(matches!(run_ended.end, LoopEnd::Insisted));
    stopping.await.unwrap();
    run_ended.journal.finish(String::new(), CLOSING).await.unwrap();
    let stops = log.lock().unwrap().iter().filter(|line| line.contains("Stop")).count();
    assert_eq!(stops, 3, "the three of the first five seconds were handed to the core");
}
