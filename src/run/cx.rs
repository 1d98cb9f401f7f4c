//! What every part of a run works with: the time, the plan, motion, the mirror of the station, and the way orders
//! and records leave. Parts are polled after each event; a poll that finds nothing to do changes nothing.
use super::cv_book::CvBook;
pub(super) use super::failure::{Failure, Link, Step};
use super::guards::floor_mm_s;
use super::housekeeping::HousekeepingBook;
use super::input::{Answer, Purpose, Question, RunPlan};
use super::laps::{self, LapPlan};
use super::outbox::Outbox;
use super::outcome::Warming;
use super::record::{PhaseName, RecordBody};
use super::sampling::Reach;
use super::sensor_link::SensorLink;
use super::straight::Straight;
use crate::cause::{Cause, Reason, engine as engine_causes, path as path_causes, sensor as sensor_causes};
use crate::config::PathKind;
use crate::motion::{AxleSetup, Glance, Measured, Motion, Response, Standing, TurnScatter};
use crate::sensor::BrokenLine;
use crate::station::{Abilities, Action, Direction, OrderEnd, OrderId, Setting};
use crate::time::BenchTime;
use std::time::Duration;

/// Longest time that a coarse source is given to show a creep.
const UNSEEN_MOST: Duration = Duration::from_secs(20);
/// How long a re-check warms the engine.
const RECHECK_WARMS: Duration = Duration::from_secs(45);
/// A swing of the speed beyond this part of it is said.
const SURGE_SAID: f64 = 0.03;

/// What is known of the station.
#[derive(Debug, Default)]
#[expect(clippy::struct_excessive_bools, reason = "each is an independent fact of the station")]
pub(super) struct StationMirror {
    /// Once attached.
    pub(super) abilities: Option<Abilities>,
    /// Track power as last said.
    pub(super) power: Option<bool>,
    /// We want power on; an "off" from now on is a fault.
    pub(super) power_wanted: bool,
    /// Programming was entered and not left.
    pub(super) programming: bool,
    /// When the station last sent anything.
    pub(super) heard_at: BenchTime,
    /// The driving session is lost.
    pub(super) lost: Option<String>,
    /// It tells changes of the power unasked: its information session lives.
    pub(super) informs: bool,
    /// The station acknowledged that it cut the power for us, while it was on; and it has not been on since.
    pub(super) cut_by_us: bool,
}

/// What every part of a run works with.
#[derive(Debug)]
#[expect(clippy::struct_excessive_bools, reason = "each is an independent fact of the run")]
pub(super) struct Cx {
    pub(super) now: BenchTime,
    /// On a loop, what of the points asked for is offered.
    pub(super) laps_asked: Option<LapPlan>,
    pub(super) plan: RunPlan,
    pub(super) motion: Motion,
    pub(super) station: StationMirror,
    pub(super) cvs: CvBook,
    /// Setting and direction last ordered, and when.
    pub(super) ordered: (Setting, Direction),
    pub(super) ordered_at: BenchTime,
    /// When the setting last became zero or non-zero.
    pub(super) turned_at: BenchTime,
    /// When the process last ran again after a gap in time: waits for the world count from here at the earliest.
    pub(super) resumed_at: BenchTime,
    /// +1 or -1: sensor sense times this is the decoder's forward. None until the first move.
    pub(super) sense: Option<f64>,
    /// Longest time the decoder takes for a full change of speed by CV 3/4 as they are now, seconds.
    pub(super) momentum_s: f64,
    /// A car swings behind it: points do not rest on the response of the engine alone.
    pub(super) swings: bool,
    /// How the engine answers a change of its setting, once learned.
    pub(super) response: Option<Response>,
    /// Longest time that the engine was seen to take from rest until it moved, s: some play a sound before they drive.
    pub(super) start_s: f64,
    /// What is known of its scatter from turn to turn, forward and reverse.
    pub(super) scatter: [TurnScatter; 2],
    /// When the setting was ordered whose steady speed was last measured; that speed and its doubt (k = 1), mm/s.
    pub(super) steady: Option<(BenchTime, f64, f64)>,
    /// Points that were less precise than wanted when their time was over, and the worst of them.
    pub(super) short: (u32, Option<String>),
    /// What the next setting will give.
    pub(super) reach: Reach,
    /// A setting at which the engine may stand (dead zone): the no-motion guard waits.
    pub(super) may_stand: bool,
    /// The first sensor line that could not be read.
    pub(super) first_broken: Option<BrokenLine>,
    /// A moving order was given in this run.
    moved: bool,
    /// The engine was told to move, and since then neither was its standstill seen nor a stop made sure of.
    pub(super) may_move: bool,
    /// The engine ran on after an acknowledged stop, until its power was cut: it is given none again.
    pub(super) disobeyed: bool,
    pub(super) sensor: SensorLink,
    pub(super) housekeeping: HousekeepingBook,
    /// The engine on the rails was seen to be the one of the bench file: only then is anything written.
    pub(super) identified: bool,
    /// The journal failed: no CV may be changed any more.
    pub(super) cvs_frozen: bool,
    /// Cold against warm, forward and reverse, once warm.
    pub(super) warming: [Option<Warming>; 2],
    pub(super) phase: PhaseName,
    /// Part of the present phase done, 0 to 1.
    pub(super) phase_done: f64,
    /// Orders and records on their way out, and the ends of orders.
    pub(super) outbox: Outbox,
    wake: Option<BenchTime>,
    questions: u32,
    answer: Option<Answer>,
    /// Waiting for the person.
    pub(super) waiting: bool,
    surge_said: bool,
    /// A straight, with where the engine is on it.
    pub(super) straight: Option<Box<Straight>>,
    /// A phase wants to run at this setting and must turn round first.
    pub(super) shuttle_wanted: Option<(u16, Direction)>,
    /// It turned round for this setting and may go now.
    pub(super) way_cleared: Option<(u16, Direction)>,
    /// That steps are left out on the straight was said.
    pub(super) way_judged: bool,
    /// When phases rested while the engine turned round.
    pub(super) away: Vec<(BenchTime, BenchTime)>,
}

impl Cx {
    pub(super) fn new(mut plan: RunPlan) -> Self {
        if let Purpose::Roll { .. } = plan.purpose {
            // What is tested is the stop, not the patience afterwards.
            plan.spec.limits.reconnect = Duration::ZERO;
        }
        if plan.purpose == Purpose::Recheck {
            (plan.spec.warm_up.shortest, plan.spec.warm_up.longest) = (RECHECK_WARMS, RECHECK_WARMS);
        }
        let laps_asked = laps::plan(&plan.spec);
        laps::trim(&mut plan.spec);
        let (axle, source) = (plan.spec.axle, plan.spec.sensor.source);
        let lap = laps::lap(&plan.spec);
        let of = plan.spec.engine.step_mode;
        let setup = AxleSetup {
            circumference_mm: axle.circumference_mm,
            circumference_u_rel: axle.circumference_u_rel,
            source,
            lap,
        };
        let straight = if let PathKind::Straight { length_mm, reserve_mm } = plan.spec.path {
            Some(Box::new(Straight::new(length_mm, reserve_mm, setup, plan.spec.target.top_mm_s())))
        } else {
            None
        };
        Self {
            now: BenchTime::ZERO,
            laps_asked,
            start_s: plan.profile.start_delay.as_secs_f64(),
            plan,
            motion: Motion::new(setup),
            station: StationMirror::default(),
            cvs: CvBook::default(),
            ordered: (Setting { value: 0, of }, Direction::Forward),
            ordered_at: BenchTime::ZERO,
            turned_at: BenchTime::ZERO,
            resumed_at: BenchTime::ZERO,
            sense: None,
            momentum_s: 0.0,
            swings: false,
            response: None,
            scatter: Default::default(),
            steady: None,
            short: (0, None),
            reach: Reach::default(),
            may_stand: false,
            first_broken: None,
            moved: false,
            may_move: false,
            disobeyed: false,
            sensor: SensorLink::default(),
            housekeeping: HousekeepingBook::default(),
            identified: false,
            cvs_frozen: false,
            warming: [None; 2],
            phase: PhaseName::LinkCheck,
            phase_done: 0.0,
            outbox: Outbox::default(),
            wake: None,
            questions: 0,
            answer: None,
            waiting: false,
            surge_said: false,
            straight,
            shuttle_wanted: None,
            way_cleared: None,
            way_judged: false,
            away: Vec::new(),
        }
    }

    /// Writes a record down; its number.
    pub(super) fn record(&mut self, body: RecordBody) -> u64 {
        self.outbox.record(self.now, body)
    }

    /// Says something without ending the run.
    pub(super) fn note(&mut self, cause: &Cause, evidence: impl Into<String>) {
        self.record(RecordBody::Noted(Reason::new(cause, evidence)));
    }

    /// Says once that the speed swings, where that is much.
    pub(super) fn note_surge(&mut self, measured: &Measured) {
        let Some(surge) = measured.surge.filter(|_| !self.surge_said) else { return };
        let share = surge.amplitude_mm_s.abs() / measured.speed_mm_s.abs();
        if share >= SURGE_SAID {
            self.surge_said = true;
            let evidence = format!(
                "by {:.1} mm/s to either side ({:.0} %) every {:.2} s at {:.1} mm/s",
                surge.amplitude_mm_s.abs(),
                100.0 * share,
                surge.period_s,
                measured.speed_mm_s.abs()
            );
            self.note(&path_causes::SURGE, evidence);
        }
    }

    /// Gives an order; its end comes by [`Cx::ended`]. A rise of speed leaves only when it is written down.
    pub(super) fn order(&mut self, action: Action) -> OrderId {
        let rising = self.note_drive(&action);
        self.outbox.order(self.now, action, rising)
    }

    /// Keeps track of what the engine is told; true where it may go faster than it went.
    fn note_drive(&mut self, action: &Action) -> bool {
        let (setting, direction) = match action {
            Action::Drive { setting, direction } => (*setting, *direction),
            Action::Stop | Action::EmergencyStop => {
                (Setting { value: 0, of: self.ordered.0.of }, self.ordered.1)
            }
            _ => return false,
        };
        let (before, facing) = self.ordered;
        if (before.value == 0) != (setting.value == 0) {
            self.turned_at = self.now;
            if setting.value > 0 {
                self.motion.expect_turning();
            }
        }
        self.ordered = (setting, direction);
        self.moved |= setting.value > 0;
        self.may_move |= setting.value > 0;
        self.ordered_at = self.now;
        setting.value > 0 && (setting.value > before.value || facing != direction)
    }

    /// An order's end came from the station.
    pub(super) fn post(&mut self, order: OrderId, end: OrderEnd) {
        self.outbox.post(self.now, order, end);
    }

    /// The end of this order, once it is there.
    pub(super) fn ended(&mut self, order: OrderId) -> Option<OrderEnd> {
        self.outbox.ended(order)
    }

    /// Wants to be polled at `at` at the latest.
    pub(super) fn wake_at(&mut self, at: BenchTime) {
        self.wake = Some(self.wake.map_or(at, |wake| wake.min(at)));
    }

    /// True once `span` has passed since `from`; otherwise a wake-up is asked for.
    pub(super) fn passed(&mut self, from: BenchTime, span: Duration) -> bool {
        let due = from + span;
        if self.now >= due {
            return true;
        }
        self.wake_at(due);
        false
    }

    /// Forgets the wake-up; whoever still wants one asks again while polled.
    pub(super) fn take_wake(&mut self) {
        self.wake = None;
    }

    pub(super) fn wake(&self) -> Option<BenchTime> {
        self.wake
    }

    /// Asks the person; the number of the question.
    pub(super) fn ask(&mut self, what: Question) -> u32 {
        self.questions += 1;
        self.answer = None;
        // Who carries the engine about puts it back anywhere.
        if let (Some(straight), false) = (&mut self.straight, what == Question::PutOnMark) {
            straight.lose();
        }
        self.record(RecordBody::Asked { question: self.questions, what });
        self.questions
    }

    /// The person answered; an answer to another question than the open one is dropped.
    pub(super) fn answered(&mut self, question: u32, answer: Answer) {
        if question == self.questions && self.answer.is_none() {
            self.record(RecordBody::Answered { question, answer });
            self.answer = Some(answer);
        }
    }

    /// The question is no longer asked: an answer that comes now is dropped.
    pub(super) fn withdraw(&mut self, question: u32) {
        self.record(RecordBody::Withdrawn { question });
        self.questions += 1;
        self.waiting = false;
    }

    /// The answer to this question, once it is there.
    pub(super) fn answer(&mut self, question: u32) -> Option<Answer> {
        let answer = if question == self.questions { self.answer } else { None };
        self.waiting = answer.is_none();
        answer
    }

    /// The recent speed, if the newest sample is not old.
    pub(super) fn fresh_glance(&self) -> Option<Glance> {
        let glance = self.motion.glance()?;
        (self.now.since(glance.at) <= self.plan.spec.limits.sensor_silence).then_some(glance)
    }

    /// Recent speed positive in the decoder's forward; none while the sense is unknown or data are old. Where the source
    /// does not tell the direction, the one ordered is taken for granted.
    pub(super) fn speed_forward(&self) -> Option<f64> {
        let speed_mm_s = self.fresh_glance()?.speed_mm_s;
        if self.plan.spec.sensor.sees_direction {
            return Some(speed_mm_s * self.sense?);
        }
        Some(if self.ordered.1 == Direction::Forward { speed_mm_s.abs() } else { -speed_mm_s.abs() })
    }

    /// The engine was seen to run in its forward at this speed: that tells what the sensor's sense means.
    pub(super) fn learn_sense(&mut self, speed_mm_s: f64) {
        if !self.plan.spec.sensor.sees_direction {
            if self.sense.is_none() {
                self.note(&sensor_causes::DIRECTION_NOT_SEEN, "as the bench file says of this source");
            }
            self.sense = Some(1.0);
            return;
        }
        self.sense = Some(if speed_mm_s < 0.0 { -1.0 } else { 1.0 });
    }

    /// Samples come.
    pub(super) fn sensor_lives(&self) -> bool {
        self.motion.newest().is_some_and(|at| self.now.since(at) <= self.plan.spec.limits.sensor_silence)
    }

    /// Why no standstill is seen: a sensor that is silent or frozen, or an engine that moves.
    pub(super) fn no_standstill(&self, evidence: String) -> Failure {
        let cause = if !self.sensor_lives() {
            &sensor_causes::SILENT
        } else if self.motion.standing() == Standing::Frozen {
            &sensor_causes::FROZEN
        } else {
            &engine_causes::NO_STANDSTILL
        };
        // An engine that moves on is out of hand.
        let moves = *cause == engine_causes::NO_STANDSTILL;
        let link = (*cause == sensor_causes::SILENT).then_some(Link::Sensor);
        Failure { emergency: moves, link, ..Failure::halted(cause, evidence) }
    }

    /// A living sensor sees the axle turn, faster than `least_mm_s`.
    pub(super) fn turns_faster_than(&self, least_mm_s: f64) -> bool {
        self.motion.standing() == Standing::No
            && self
                .fresh_glance()
                .is_some_and(|glance| glance.speed_mm_s.abs() - 3.0 * glance.u_mm_s > least_mm_s)
    }

    /// CV 29 bit 1 as the step mode needs it: 0 for 14 steps (S-9.2.2); nobody says that 126 steps hang on it.
    pub(super) fn steps_28(&self) -> bool {
        self.plan.spec.engine.step_mode != 14
    }

    /// A moving order was given in this run.
    pub(super) fn has_moved(&self) -> bool {
        self.moved
    }

    /// The sensor has shown the axle turning, or the engine was never told to move: only then its standstill is proof.
    pub(super) fn sensor_proved(&self) -> bool {
        !self.moved || self.motion.has_seen_turning()
    }

    /// Standing for at least `span`, by a living signal, and for as long as this source needs to prove it.
    pub(super) fn stands_for(&self, span: Duration) -> bool {
        let least = span.max(self.unseen_time());
        self.sensor_lives() && matches!(self.motion.standing(), Standing::For(stood) if stood >= least)
    }

    /// How long a coarse source may show no sign of an engine that creeps at half the slowest wanted speed.
    pub(super) fn unseen_time(&self) -> Duration {
        let slow_mm_s = self.plan.spec.target.creep_mm_s() / 2.0;
        let step = Duration::try_from_secs_f64(self.motion.unseen_mm() / slow_mm_s).unwrap_or(UNSEEN_MOST);
        step.min(UNSEEN_MOST)
    }

    /// Speed zero was ordered at `since`, and standstill should have been seen: within the bench file's limit and the
    /// decoder's momentum, and, unless the axle is seen to turn on, the time that a coarse source needs for the proof.
    pub(super) fn standstill_is_late(&mut self, since: BenchTime) -> bool {
        let within = self.with_momentum(self.plan.spec.limits.standstill);
        let turns = self.turns_faster_than(floor_mm_s(self));
        let proof = if turns { Duration::ZERO } else { self.unseen_time() };
        self.passed(since, within + proof)
    }

    /// It may run on for ever without a curve, a grade or an end.
    pub(super) fn is_endless(&self) -> bool {
        matches!(self.plan.spec.path, PathKind::Rollers)
    }

    /// A span stretched by the decoder's own momentum: that of its CVs, and what it keeps in spite of them.
    pub(super) fn with_momentum(&self, span: Duration) -> Duration {
        let top_mm_s = self.plan.spec.limits.speed_mm_s;
        let kept_s = self
            .response
            .map_or(0.0, |response| response.rising.ramp_s(top_mm_s).max(response.falling.ramp_s(top_mm_s)));
        // What a fit says stretches no guard by more than a minute.
        span + Duration::from_secs_f64((self.momentum_s + kept_s.min(60.0)).clamp(0.0, 600.0))
    }

    /// How long the engine may take from rest until it moves.
    pub(super) fn start_time(&self) -> Duration {
        Duration::from_secs_f64(self.start_s.clamp(0.0, 60.0))
    }
}
