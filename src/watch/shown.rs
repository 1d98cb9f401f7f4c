//! What the page shows of a run, kept from its news. Knows no clock and no network: a number tells each change, and whoever
//! has seen up to some number is given what changed since.
mod pictures;

use super::Subject;
use crate::bench::news::News;
use crate::calibrate::{TableFit, TableReading, Target};
use crate::dcc::{Address, cv};
use crate::run::{
    Held, PhaseName, PointPurpose, Progress, Question, Record, RecordBody, RunOutcome, StopGrade,
};
use crate::station::Direction;
use crate::words;
use pictures::{Drawn, Trace};
use serde_json::{Map, Value, json};
use std::collections::VecDeque;

/// Lines of the log that are kept.
const LINES: usize = 200;
/// Points that are kept: a sweep and two verifies have less.
const POINTS: usize = 1000;

/// A measured point.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Point {
    setting: f64,
    direction: Direction,
    speed_mm_s: f64,
    u_mm_s: f64,
    verify: bool,
}

/// A part of the page, and the change that made it as it is.
#[derive(Debug, Default)]
struct Part<T> {
    at: u64,
    value: T,
}

impl<T> Part<T> {
    fn set(&mut self, at: u64, value: T) {
        (self.at, self.value) = (at, value);
    }
}

/// What a reader has.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Seen {
    /// All but pictures up to this change.
    pub(super) all: u64,
    /// Pictures up to this change.
    pub(super) pictures: u64,
}

/// The state of a page.
#[derive(Debug)]
pub(super) struct Shown {
    change: u64,
    subject: Value,
    ratio: f64,
    step_mode: u16,
    target: Option<Target>,
    now: Part<Option<(f64, Box<Progress>)>>,
    question: Part<Option<(u32, Question)>>,
    points: Part<Vec<Point>>,
    trace: Trace,
    table: Part<Option<TableFit>>,
    log: VecDeque<(u64, Value)>,
    end: Part<Option<Value>>,
    drawn: Drawn,
}

impl Shown {
    /// `page`: tells the page from that of another start of the program.
    pub(super) fn new(subject: &Subject, page: &str) -> Self {
        let spec = subject.spec;
        let engine = &spec.engine;
        Self {
            change: 1,
            subject: json!({
                "id": subject.run_id,
                "page": page,
                "engine": engine.name,
                "address": number(engine.address),
                "bench": spec.name,
                "doing": words::doing(subject.purpose),
                "scale": engine.scale_name,
                "ratio": engine.scale_ratio,
                "lapse": subject.time_lapse,
            }),
            ratio: engine.scale_ratio,
            step_mode: engine.step_mode,
            target: Target::from_spec(&spec.target).ok(),
            now: Part::default(),
            question: Part::default(),
            points: Part::default(),
            trace: Trace::default(),
            table: Part::default(),
            log: VecDeque::new(),
            end: Part::default(),
            drawn: Drawn::default(),
        }
    }

    pub(super) fn run_id(&self) -> &str {
        self.subject["id"].as_str().unwrap_or_default()
    }

    /// Takes a piece of news.
    pub(super) fn hear(&mut self, news: &News) {
        self.change += 1;
        match news {
            News::Progress(at, progress) => {
                let at_s = at.as_secs_f64();
                self.trace.take(at_s, progress.speed_mm_s.map(f64::abs), self.wanted(progress));
                self.now.set(self.change, Some((at_s, progress.clone())));
            }
            News::Record(record) => self.record(record),
            News::Said(said) => self.line(None, said, false),
            News::Missed(count) => {
                self.line(None, &format!("{count} pieces of news were not taken in time"), false);
            }
            // The record says it too, with its number.
            News::Asked(_) => {}
        }
    }

    fn record(&mut self, record: &Record) {
        let at_s = Some(record.at.as_secs_f64());
        match &record.body {
            RecordBody::Phase(phase) => self.line(at_s, words::phase(*phase), false),
            RecordBody::Noted(reason) => self.line(at_s, &words::short(reason), false),
            RecordBody::Ending(reason) => self.line(at_s, &words::short(reason), true),
            RecordBody::Person(act) => self.line(at_s, words::act(*act), false),
            RecordBody::Asked { question, what } => {
                self.line(at_s, &format!("The run asks: {}", what.words()), false);
                self.question.set(self.change, Some((*question, *what)));
            }
            RecordBody::Answered { answer, .. } => {
                self.line(at_s, &format!("The answer: {}", answer.word()), false);
                self.question.set(self.change, None);
            }
            RecordBody::Withdrawn { .. } => self.question.set(self.change, None),
            RecordBody::OriginalsBack => self.line(at_s, "the decoder holds its old values again", false),
            RecordBody::Fitted { fit, .. } | RecordBody::Commit(fit) => {
                self.table.set(self.change, Some(*fit));
            }
            RecordBody::Judged { round, verdict, worst_percent } => {
                let verdict = format!("{verdict:?}").to_lowercase();
                self.line(
                    at_s,
                    &format!("verify {round}: {verdict}, worst {worst_percent:.2} % of the top"),
                    false,
                );
            }
            RecordBody::Point { purpose, setting, direction, measured, .. } => {
                let verify = *purpose == PointPurpose::Verify;
                if verify || matches!(purpose, PointPurpose::Sweep | PointPurpose::Anchor) {
                    self.points.at = self.change;
                    if self.points.value.len() < POINTS {
                        let setting = f64::from(setting.value) * f64::from(self.step_mode)
                            / f64::from(setting.of.max(1));
                        let (speed_mm_s, u_mm_s) = (measured.speed_mm_s.abs(), measured.u_mm_s);
                        self.points.value.push(Point {
                            setting,
                            direction: *direction,
                            speed_mm_s,
                            u_mm_s,
                            verify,
                        });
                    }
                }
            }
            RecordBody::Outcome(outcome) => {
                self.question.set(self.change, None);
                self.end.set(self.change, Some(ended(outcome)));
            }
            _ => {}
        }
    }

    fn line(&mut self, at_s: Option<f64>, words: &str, grave: bool) {
        if self.log.len() == LINES {
            self.log.pop_front();
        }
        self.log.push_back((self.change, json!({ "at_s": at_s, "words": words, "grave": grave })));
    }

    /// The speed wanted of what is ordered, mm/s, where a table is meant to give it.
    fn wanted(&self, progress: &Progress) -> Option<f64> {
        let (setting, _) = progress.ordered.filter(|(setting, _)| setting.value > 0)?;
        let target = self.target.as_ref().filter(|_| progress.phase == PhaseName::Verify)?;
        Some(target.at(TableReading::EndToEnd.entry(setting.value, setting.of)))
    }

    /// What changed since; pictures only where they are wanted. All of it for a reader that has nothing.
    pub(super) fn since(&mut self, seen: &mut Seen, with_pictures: bool) -> Value {
        let from = seen.all;
        let mut frame = Map::new();
        if from == 0 {
            frame.insert("run".to_owned(), self.subject.clone());
        }
        if self.now.at.max(self.question.at) > from {
            frame.insert("now".to_owned(), self.now_told());
        }
        if self.now.at > from
            && let Some((_, progress)) = &self.now.value
        {
            frame.insert("guards".to_owned(), progress.margins.iter().map(guard).collect());
        }
        if self.table.at > from
            && let Some(fit) = &self.table.value
        {
            frame.insert("table".to_owned(), table(fit));
        }
        let lines: Vec<Value> =
            self.log.iter().filter(|(at, _)| *at > from).map(|(_, line)| line.clone()).collect();
        if !lines.is_empty() {
            frame.insert("log".to_owned(), Value::Array(lines));
        }
        if self.end.at > from
            && let Some(end) = &self.end.value
        {
            frame.insert("end".to_owned(), end.clone());
        }
        seen.all = self.change;
        if with_pictures {
            self.pictures(seen.pictures, &mut frame);
            seen.pictures = self.change;
        }
        Value::Object(frame)
    }

    fn now_told(&self) -> Value {
        let question = self.question.value.map(|(number, what)| {
            let answers: Vec<&str> = what.answers().iter().map(|answer| answer.word()).collect();
            json!({ "number": number, "words": what.words(), "answers": answers })
        });
        let Some((at_s, progress)) = &self.now.value else { return json!({ "question": question }) };
        let held = progress.held.as_ref().map(|held| match held {
            Held::Paused => json!({ "words": "Paused by a person.", "paused": true }),
            Held::Asked => json!({ "words": "It waits for an answer." }),
            Held::CoolsDown => json!({ "words": "The motor cools down; it goes on by itself." }),
            Held::Link(reason) => json!({ "words": words::short(reason) }),
        });
        let ordered = progress.ordered.map(|(setting, direction)| {
            json!({ "step": setting.value, "of": setting.of, "direction": words::direction(direction) })
        });
        let speed = progress.speed_mm_s.filter(|speed| speed.is_finite()).map(f64::abs);
        json!({
            "at_s": at_s,
            "phase": words::phase(progress.phase),
            "ordered": ordered,
            "measured_mm_s": speed,
            "wanted_mm_s": self.wanted(progress),
            "done": progress.done.clamp(0.0, 1.0),
            "left_s": (progress.left_s.is_finite() && progress.left_s > 0.0).then_some(progress.left_s),
            "held": held,
            "question": question,
            "battery_v": progress.housekeeping.and_then(|told| told.battery_v),
            "temperature_c": progress.housekeeping.and_then(|told| told.temperature_c),
        })
    }
}

fn number(address: Address) -> u16 {
    match address {
        Address::Short(number) => u16::from(number),
        Address::Long(number) => number,
    }
}

fn guard(margin: &crate::run::Margin) -> Value {
    let (value, limit) = (margin.value, margin.limit);
    let least = margin.guard == crate::run::GuardName::Battery;
    // A battery has its whole margin at a tenth above its limit and more (own choice).
    let used = if least {
        (1.0 - (value - limit) / (0.1 * limit)).clamp(0.0, 1.0)
    } else {
        (value / limit).clamp(0.0, 1.0)
    };
    json!({
        "words": words::guard(margin.guard),
        "value": value,
        "limit": limit,
        "least": least,
        "unit": margin.guard.unit(),
        "watches": margin.watches,
        "used": if used.is_finite() { used } else { 0.0 },
    })
}

fn table(fit: &TableFit) -> Value {
    if let Some(points) = &fit.points {
        return json!({ "values": [[2, points.start], [6, points.middle], [5, points.top]], "trims": [] });
    }
    let values: Vec<(u16, u8)> = cv::TABLE_WITH_TRIMS.skip(1).zip(fit.table).collect();
    json!({ "values": values, "trims": [[cv::TRIM_FORWARD, fit.trim_forward], [cv::TRIM_REVERSE, fit.trim_reverse]] })
}

fn ended(outcome: &RunOutcome) -> Value {
    let grade = match outcome.stop {
        StopGrade::Still => "still",
        StopGrade::Acknowledged => "acknowledged",
        StopGrade::Unconfirmed => "unconfirmed",
    };
    let reasons: Vec<String> = outcome.reasons.iter().map(words::short).collect();
    json!({
        "words": words::end(outcome.outcome),
        "verdict": words::verdict(outcome.verdict),
        "stop": words::stop(outcome.stop),
        "grade": grade,
        "decoder": words::decoder(outcome.decoder_state),
        "reasons": reasons,
    })
}

#[cfg(test)]
mod tests;
