//! Where a run stands, for people and programs that ask while it goes on.
use crate::run::{Answer, PhaseName, Progress, Question};
use crate::station::{Direction, Setting};
use crate::time::BenchTime;
use serde::Serialize;

/// Where a run stands.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Status {
    /// The run.
    pub run_id: String,
    /// The engine's name.
    pub engine: String,
    /// Factor by which bench time passes faster than wall time; 1 on a real bench.
    pub time_lapse: f64,
    /// Bench time of the last news, seconds.
    pub bench_seconds: f64,
    /// The phase; none before the first news.
    pub phase: Option<PhaseName>,
    /// What is ordered.
    pub setting: Option<Setting>,
    /// And where to.
    pub direction: Option<Direction>,
    /// Speed seen, mm/s.
    pub speed_mm_s: Option<f64>,
    /// Part of the whole work done, 0 to 1.
    pub done: f64,
    /// Bench seconds left, estimated.
    pub left_seconds: Option<f64>,
    /// Waiting for the person.
    pub waiting: bool,
    /// What the person is asked.
    pub question: Option<Asked>,
}

/// A question that waits for its answer.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct Asked {
    /// Its number.
    pub number: u32,
    /// What.
    pub what: Question,
}

impl Status {
    /// A run that has not begun.
    #[must_use]
    pub fn before(run_id: &str, engine: &str, time_lapse: f64) -> Self {
        Self {
            run_id: run_id.to_owned(),
            engine: engine.to_owned(),
            time_lapse,
            bench_seconds: 0.0,
            phase: None,
            setting: None,
            direction: None,
            speed_mm_s: None,
            done: 0.0,
            left_seconds: None,
            waiting: false,
            question: None,
        }
    }

    /// Takes news of the run.
    pub fn take(&mut self, at: BenchTime, progress: &Progress) {
        self.bench_seconds = at.as_secs_f64();
        self.phase = Some(progress.phase);
        self.setting = progress.ordered.map(|(setting, _)| setting);
        self.direction = progress.ordered.map(|(_, direction)| direction);
        self.speed_mm_s = progress.speed_mm_s.filter(|speed| speed.is_finite());
        self.done = if progress.done.is_finite() { progress.done.clamp(0.0, 1.0) } else { 0.0 };
        self.left_seconds = progress.left_s.is_finite().then_some(progress.left_s);
        self.waiting = progress.waiting;
    }
}

impl Question {
    /// The question as the person reads it.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::WhichEndLed => "Which end led on the slow move just made: front or rear?",
            Self::MoveToProgramming => {
                "Put the engine, and nothing else, on the programming output; then say done."
            }
            Self::MoveToBench => {
                "Put the engine back on the bench with its wheels on the sensor axle; then say done."
            }
            Self::MayLift => {
                "The engine is to be lifted off and put back. Say done if you stand beside it, and wait for the next \
                 word before you touch it. Without an answer within 10 minutes the run goes on, and the engine with it."
            }
            Self::PutBack => {
                "The engine stays at rest until you answer. Lift it off and put it back the same way round, all wheels \
                 where they were; its rails or rollers are live, so nothing metal across them. Take fingers, hair and \
                 threads away, then say done: it starts."
            }
        }
    }

    /// The answers it takes.
    #[must_use]
    pub const fn answers(self) -> &'static [Answer] {
        match self {
            Self::WhichEndLed => &[Answer::Front, Answer::Rear],
            Self::MoveToProgramming | Self::MoveToBench | Self::MayLift | Self::PutBack => &[Answer::Done],
        }
    }
}

impl Answer {
    /// The answer as the person types it.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Front => "front",
            Self::Rear => "rear",
            Self::Done => "done",
        }
    }

    /// The answer a person typed, in whatever case and with spaces around it.
    #[must_use]
    pub fn from_word(word: &str) -> Option<Self> {
        let word = word.trim();
        [Self::Front, Self::Rear, Self::Done]
            .into_iter()
            .find(|answer| word.eq_ignore_ascii_case(answer.word()))
    }
}
