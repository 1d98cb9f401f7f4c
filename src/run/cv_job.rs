//! A batch of CV work: the engine stands, programming is entered, identity is checked before anything is written,
//! each change is on disk before it is sent, each write is read back, programming is left.
use super::cx::{Cx, Failure, Step};
use super::guards::{JOURNAL_MOST, no_journal};
use super::input::Question;
use super::mover::Mover;
use super::record::{Durability, RecordBody};
use super::recovery::found_off;
use super::snapshot::OWNER;
use crate::calibrate::TableFit;
use crate::cause::{engine as causes, heard, profile as profile_causes, station as station_causes};
use crate::config::ProgrammingPlace;
use crate::dcc::cv::{SETTINGS, writable};
use crate::dcc::cv29::Bit;
use crate::dcc::{Address, Cv29, cv};
use crate::station::{Action, CvPlace, OrderEnd, OrderId};
use crate::time::BenchTime;
use std::collections::VecDeque;
use std::time::Duration;

mod resume;

/// One piece of CV work.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum CvOp {
    /// Read and remember; unreadable is no failure.
    Read(u16),
    /// Must hold this value, else another engine stands there.
    Identity(u16, u8),
    /// Change, confirm. A refusal fails the run.
    Write(u16, u8),
    /// Change, confirm. A refusal is remembered.
    TryWrite(u16, u8),
    /// Read again and compare with what was written.
    ReadBack(u16),
    /// Put the commit record on disk.
    Commit(Box<TableFit>),
}

/// How the present operation stands.
#[derive(Debug)]
enum Doing {
    Next,
    Syncing {
        record: u64,
        since: BenchTime,
        then: Option<(u16, u8)>,
    },
    Reading {
        cv: u16,
        order: OrderId,
    },
    Writing {
        cv: u16,
        value: u8,
        order: OrderId,
    },
    /// The decoder is left alone after a write, as its profile asks.
    Resting {
        cv: u16,
        value: u8,
        end: OrderEnd,
        since: BenchTime,
    },
    Verifying {
        cv: u16,
        value: u8,
        order: OrderId,
    },
    Comparing {
        cv: u16,
        value: u8,
        order: OrderId,
    },
}

#[derive(Debug)]
enum Stage {
    Standing(Mover),
    AskThere(Option<u32>),
    Begin(Option<OrderId>),
    Ops,
    End(Option<OrderId>),
    Repower { asked: Option<OrderId>, order: Option<OrderId> },
    AskBack(Option<u32>),
}

/// Most tries of one operation.
const TRIES: u32 = 3;

/// A batch of CV work.
#[derive(Debug)]
pub(super) struct CvJob {
    ops: VecDeque<CvOp>,
    total: usize,
    stage: Stage,
    doing: Doing,
    tries: u32,
    powered: bool,
    /// A link was lost since programming was entered: who cuts the power now may be a person.
    interrupted: bool,
    /// Where the engine is afterwards does not matter: the person is not asked to carry it back.
    stays: bool,
    /// CVs whose value was refused.
    pub(super) refused: Vec<u16>,
}

impl CvJob {
    pub(super) fn new(cx: &Cx, ops: impl IntoIterator<Item = CvOp>) -> Self {
        let ops: VecDeque<CvOp> = ops.into_iter().collect();
        Self {
            total: ops.len().max(1),
            ops,
            stage: Stage::Standing(Mover::stand(cx)),
            doing: Doing::Next,
            tries: 0,
            powered: false,
            interrupted: false,
            stays: false,
            refused: Vec::new(),
        }
    }

    /// With identity checks in front, from the snapshot.
    pub(super) fn checked(cx: &Cx, ops: impl IntoIterator<Item = CvOp>) -> Self {
        let identity = identity_ops(cx);
        Self::new(cx, identity.into_iter().chain(ops))
    }

    /// While the engine has already been stopped for good: no move is ordered first.
    pub(super) fn without_move(cx: &Cx, ops: impl IntoIterator<Item = CvOp>) -> Self {
        let mut job = Self::checked(cx, ops);
        job.stage = Stage::AskThere(None);
        job.stays = true;
        job
    }

    /// Part done, 0 to 1.
    pub(super) fn done(&self) -> f64 {
        1.0 - self.ops.len() as f64 / self.total as f64
    }

    pub(super) fn poll(&mut self, cx: &mut Cx) -> Step<()> {
        loop {
            let moved = match &mut self.stage {
                Stage::Standing(mover) => mover.poll(cx)?.map(|()| Stage::AskThere(None)),
                Stage::AskThere(asked) => {
                    ask(cx, asked, Question::MoveToProgramming).then_some(Stage::Begin(None))
                }
                Stage::Begin(order) => begin(cx, order, &mut self.powered)?.then_some(Stage::Ops),
                Stage::Ops => {
                    let through = self.poll_ops(cx)?;
                    if !matches!(self.stage, Stage::Ops) {
                        // The session was lost: programming is entered again before the operation is repeated.
                        continue;
                    }
                    through.then_some(Stage::End(None))
                }
                Stage::End(order) => end(cx, order).then_some(Stage::Repower { asked: None, order: None }),
                Stage::Repower { asked, order } => {
                    repower(cx, asked, order, self.interrupted)?.then_some(Stage::AskBack(None))
                }
                Stage::AskBack(asked) => {
                    if self.stays || ask(cx, asked, Question::MoveToBench) {
                        return Ok(Some(()));
                    }
                    None
                }
            };
            match moved {
                Some(stage) => self.stage = stage,
                None => return Ok(None),
            }
        }
    }

    /// True once all operations are through.
    fn poll_ops(&mut self, cx: &mut Cx) -> Result<bool, Failure> {
        loop {
            if matches!(self.doing, Doing::Next) {
                let Some(op) = self.ops.front().cloned() else { return Ok(true) };
                self.start(cx, op)?;
            }
            if !self.advance(cx)? || !matches!(self.stage, Stage::Ops) {
                return Ok(false);
            }
        }
    }

    fn start(&mut self, cx: &mut Cx, op: CvOp) -> Result<(), Failure> {
        let place = place(cx);
        match op {
            CvOp::Read(cv) | CvOp::Identity(cv, _) | CvOp::ReadBack(cv) => {
                if place == CvPlace::Main || cx.cvs.mute.contains(&cv) {
                    self.finish();
                } else {
                    self.doing = Doing::Reading { cv, order: cx.order(Action::ReadCv { place, cv }) };
                }
            }
            CvOp::Write(cv, value) | CvOp::TryWrite(cv, value) => {
                if !may_write(cx, cv, value) {
                    if matches!(op, CvOp::TryWrite(..)) {
                        // As good as refused by the decoder.
                        self.refused.push(cv);
                        self.finish();
                        return Ok(());
                    }
                    let evidence = format!("CV {cv} = {value}, profile \"{}\"", cx.plan.profile.name);
                    return Err(Failure::rejected(&profile_causes::FORBIDS, evidence));
                }
                if cx.cvs.known.get(&cv) == Some(&value) && !cx.cvs.doubtful.contains(&cv) {
                    cx.cvs.settle(cv);
                    self.finish();
                } else {
                    let from = cx.cvs.known.get(&cv).or_else(|| cx.cvs.originals.get(&cv)).copied();
                    cx.cvs.intend(cv);
                    let record = cx.record(RecordBody::CvIntention { place, cv, from, to: value });
                    self.doing = Doing::Syncing { record, since: cx.now, then: Some((cv, value)) };
                }
            }
            CvOp::Commit(fit) => {
                let record = cx.record(RecordBody::Commit(*fit));
                self.doing = Doing::Syncing { record, since: cx.now, then: None };
            }
        }
        Ok(())
    }

    fn finish(&mut self) {
        self.ops.pop_front();
        self.doing = Doing::Next;
        self.tries = 0;
    }

    /// One step of the present operation; false while waiting.
    fn advance(&mut self, cx: &mut Cx) -> Result<bool, Failure> {
        match self.doing {
            Doing::Next => Ok(true),
            Doing::Syncing { record, since, then } => {
                if !cx.outbox.is_safe(record, Durability::Synced) {
                    return if cx.passed(since, JOURNAL_MOST) { Err(no_journal()) } else { Ok(false) };
                }
                match then {
                    Some((cv, value)) => self.write(cx, cv, value),
                    None => self.finish(),
                }
                Ok(true)
            }
            Doing::Reading { cv, order } => match cx.ended(order) {
                None => Ok(false),
                Some(end) => self.was_read(cx, cv, &end).map(|()| true),
            },
            Doing::Writing { cv, value, order } => match cx.ended(order) {
                None => Ok(false),
                Some(end) if cx.plan.profile.write_pause > Duration::ZERO => {
                    self.doing = Doing::Resting { cv, value, end, since: cx.now };
                    Ok(true)
                }
                Some(end) => self.was_written(cx, cv, value, &end).map(|()| true),
            },
            Doing::Resting { cv, value, ref end, since } => {
                if !cx.passed(since, cx.plan.profile.write_pause) {
                    return Ok(false);
                }
                let end = end.clone();
                self.was_written(cx, cv, value, &end).map(|()| true)
            }
            Doing::Verifying { cv, value, order } => match cx.ended(order) {
                None => Ok(false),
                Some(OrderEnd::Done { .. }) => {
                    self.confirm(cx, cv, value);
                    Ok(true)
                }
                Some(_) => {
                    let order = cx.order(Action::ReadCv { place: place(cx), cv });
                    self.doing = Doing::Comparing { cv, value, order };
                    Ok(true)
                }
            },
            Doing::Comparing { cv, value, order } => match cx.ended(order) {
                None => Ok(false),
                Some(end) => self.compared(cx, cv, value, &end).map(|()| true),
            },
        }
    }

    fn write(&mut self, cx: &mut Cx, cv: u16, value: u8) {
        let order = cx.order(Action::WriteCv { place: place(cx), cv, value });
        self.doing = Doing::Writing { cv, value, order };
    }

    fn was_read(&mut self, cx: &mut Cx, cv: u16, end: &OrderEnd) -> Result<(), Failure> {
        let value = if let OrderEnd::Done { value } = end { *value } else { None };
        if value.is_none() && self.again() {
            self.reopen_if_lost(cx, end);
            return Ok(());
        }
        if let OrderEnd::Unknown { why } = end {
            return Err(unanswered(&format!("CV {cv}: "), why));
        }
        cx.record(RecordBody::CvRead { place: place(cx), cv, value });
        match self.ops.front() {
            Some(CvOp::Identity(_, expected)) if value != Some(*expected) => {
                let came = value.map_or("no answer".to_owned(), |value| value.to_string());
                return Err(Failure::halted(
                    &causes::ANOTHER_ENGINE,
                    format!("CV {cv}: expected {expected}, came {came}"),
                ));
            }
            Some(CvOp::ReadBack(_)) if value.is_none() || value != cx.cvs.known.get(&cv).copied() => {
                let came = value.map_or("no answer".to_owned(), |value| value.to_string());
                return Err(Failure::halted(&causes::CV_REFUSED, format!("CV {cv}: read back {came}")));
            }
            _ => {}
        }
        if let Some(value) = value {
            cx.cvs.known.insert(cv, value);
            if cx.cvs.doubtful.contains(&cv) {
                cx.cvs.settle(cv);
            }
        }
        self.finish();
        Ok(())
    }

    fn was_written(&mut self, cx: &mut Cx, cv: u16, value: u8, end: &OrderEnd) -> Result<(), Failure> {
        if let OrderEnd::Unknown { why } = end {
            cx.cvs.doubtful.insert(cv);
            if self.again() {
                self.reopen_if_lost(cx, end);
                return Ok(());
            }
            return Err(unanswered(&format!("CV {cv}: "), why));
        }
        if place(cx) == CvPlace::Main || cx.cvs.mute.contains(&cv) {
            if let OrderEnd::Refused { code, words } = end {
                return self.refuse(cx, cv, value, &format!("{code} {words}"));
            }
            cx.cvs.known.insert(cv, value);
            cx.cvs.sent(cv);
            cx.record(RecordBody::CvWritten { cv, value, confirmed: false });
            self.finish();
            return Ok(());
        }
        let order = cx.order(Action::VerifyCv { place: place(cx), cv, value });
        self.doing = Doing::Verifying { cv, value, order };
        Ok(())
    }

    fn confirm(&mut self, cx: &mut Cx, cv: u16, value: u8) {
        cx.cvs.known.insert(cv, value);
        cx.cvs.settle(cv);
        cx.record(RecordBody::CvWritten { cv, value, confirmed: true });
        self.finish();
    }

    fn compared(&mut self, cx: &mut Cx, cv: u16, value: u8, end: &OrderEnd) -> Result<(), Failure> {
        match end {
            OrderEnd::Done { value: Some(found) } if *found == value => {
                self.confirm(cx, cv, value);
                Ok(())
            }
            OrderEnd::Done { value: Some(found) } => {
                cx.cvs.known.insert(cv, *found);
                cx.cvs.settle(cv);
                if self.again() {
                    self.doing = Doing::Next;
                    return Ok(());
                }
                self.refuse(cx, cv, value, &format!("holds {found}"))
            }
            end => {
                cx.cvs.doubtful.insert(cv);
                if self.again() {
                    self.reopen_if_lost(cx, end);
                    return Ok(());
                }
                self.refuse(cx, cv, value, "no answer to reading it back")
            }
        }
    }

    fn refuse(&mut self, cx: &mut Cx, cv: u16, value: u8, why: &str) -> Result<(), Failure> {
        cx.record(RecordBody::CvFailed { cv, value, why: why.to_owned() });
        if matches!(self.ops.front(), Some(CvOp::TryWrite(..))) {
            self.refused.push(cv);
            self.finish();
            return Ok(());
        }
        // A decoder must refuse the bit of a feature that it lacks (S-9.2.2 CV 29).
        let bit = |value: u8| Cv29::from_value(value).has(Bit::SpeedTable);
        let lacks = cv == SETTINGS && bit(value) && cx.cvs.known.get(&cv).is_some_and(|held| !bit(*held));
        let cause = if lacks { &causes::NO_TABLE } else { &causes::CV_REFUSED };
        Err(Failure::rejected(cause, format!("CV {cv} = {value}: {why}")))
    }

    /// Counts a try; true while another is allowed.
    fn again(&mut self) -> bool {
        self.tries += 1;
        self.tries < TRIES
    }

    /// The operation begins anew; after a lost session programming is entered again first.
    fn reopen_if_lost(&mut self, cx: &mut Cx, end: &OrderEnd) {
        self.doing = Doing::Next;
        if matches!(end, OrderEnd::Unknown { .. }) {
            cx.station.programming = false;
            self.stage = Stage::Begin(None);
        }
    }
}

impl super::cv_book::CvBook {
    /// This CV is going to be changed: keep its first content.
    fn intend(&mut self, cv: u16) {
        if let Some(value) = self.known.get(&cv) {
            self.originals.entry(cv).or_insert(*value);
        }
        self.changed.insert(cv);
        self.doubtful.insert(cv);
        self.whole = false;
    }

    /// This CV was written without being read back: it stays doubtful, and waits no more for its original if that was it.
    fn sent(&mut self, cv: u16) {
        if self.known.get(&cv).is_some_and(|value| self.originals.get(&cv) == Some(value)) {
            self.changed.remove(&cv);
        }
    }

    /// The content of this CV is certain again.
    fn settle(&mut self, cv: u16) {
        self.doubtful.remove(&cv);
        if self.known.get(&cv).is_some_and(|value| self.originals.get(&cv) == Some(value)) {
            self.changed.remove(&cv);
        }
    }
}

/// Whether a CV may be given a value: what the profile allows, and what it held before or an earlier run has to put back.
fn may_write(cx: &Cx, cv: u16, value: u8) -> bool {
    let before = cx.cvs.originals.get(&cv).or_else(|| cx.cvs.known.get(&cv)) == Some(&value);
    let pending = cx.plan.pending.contains(&(cv, value));
    writable(cv).is_ok() && (cx.plan.profile.allows(cv, value) || before || pending)
}

/// Where this bench reaches CVs.
fn place(cx: &Cx) -> CvPlace {
    match cx.plan.spec.programming.place {
        ProgrammingPlace::Main => CvPlace::Main,
        ProgrammingPlace::SameTrack | ProgrammingPlace::MovedByHand => CvPlace::ProgrammingTrack,
    }
}

/// CVs that tell one engine from another, as the snapshot found them.
fn identity_ops(cx: &Cx) -> Vec<CvOp> {
    let address: &[u16] = match cx.plan.spec.engine.address {
        Address::Short(_) => &[cv::SHORT_ADDRESS],
        Address::Long(_) => &[cv::LONG_ADDRESS_HIGH, cv::LONG_ADDRESS_LOW],
    };
    let mut numbers = OWNER.to_vec();
    numbers.extend(address);
    numbers
        .into_iter()
        .filter_map(|cv| cx.cvs.known.get(&cv).map(|value| CvOp::Identity(cv, *value)))
        .collect()
}

/// Asks the person where the engine is carried by hand; true once answered or not needed.
fn ask(cx: &mut Cx, asked: &mut Option<u32>, what: Question) -> bool {
    if cx.plan.spec.programming.place != ProgrammingPlace::MovedByHand {
        return true;
    }
    let question = *asked.get_or_insert_with(|| cx.ask(what));
    cx.answer(question).is_some()
}

/// Nobody can say what became of an order of programming. Where the station itself is silent, gone or answers something
/// else, no wheel needs cleaning.
fn unanswered(what: &str, why: &str) -> Failure {
    let (cause, why) = heard(why, &station_causes::PROGRAMMING_NO_ANSWER);
    Failure::halted(cause, format!("{what}{why}"))
}

/// Enters programming; true once entered. A refusal with the power off is met once by switching it on.
fn begin(cx: &mut Cx, order: &mut Option<OrderId>, powered: &mut bool) -> Result<bool, Failure> {
    let Some(waiting) = *order else {
        // From here on the station may report power off: service mode takes the track.
        cx.station.programming = true;
        *order = Some(cx.order(Action::BeginProgramming));
        return Ok(false);
    };
    match cx.ended(waiting) {
        None => Ok(false),
        Some(OrderEnd::Done { .. }) => Ok(true),
        Some(OrderEnd::Refused { .. }) if !*powered && cx.station.power == Some(false) => {
            *powered = true;
            cx.order(Action::PowerOn);
            *order = Some(cx.order(Action::BeginProgramming));
            Ok(false)
        }
        Some(OrderEnd::Refused { code, words }) => {
            Err(Failure::halted(&station_causes::NO_PROGRAMMING, format!("{code} {words}")))
        }
        Some(OrderEnd::Unknown { why }) => Err(unanswered("", &why)),
    }
}

/// Leaves programming; true once the station answered, whatever it said.
fn end(cx: &mut Cx, order: &mut Option<OrderId>) -> bool {
    let Some(waiting) = *order else {
        *order = Some(cx.order(Action::EndProgramming));
        return false;
    };
    if cx.ended(waiting).is_none() {
        return false;
    }
    // The power guard rests until the power was asked for.
    cx.station.programming = cx.station.power_wanted;
    true
}

/// Some stations leave the track without power after programming, and not all say so: it is asked for, and switched on
/// again, the speed being zero. True once that is done or not needed. After an interruption a person may have cut it: then
/// it stays off and the run ends.
fn repower(
    cx: &mut Cx,
    asked: &mut Option<OrderId>,
    order: &mut Option<OrderId>,
    interrupted: bool,
) -> Result<bool, Failure> {
    if !cx.station.power_wanted {
        return Ok(true);
    }
    let Some(question) = *asked else {
        *asked = Some(cx.order(Action::AskPower));
        return Ok(false);
    };
    if let Some(waiting) = *order {
        let Some(end) = cx.ended(waiting) else { return Ok(false) };
        if matches!(end, OrderEnd::Done { .. }) {
            cx.station.power = Some(true);
        }
        cx.station.programming = false;
        return Ok(true);
    }
    if cx.ended(question).is_none() {
        return Ok(false);
    }
    if cx.station.power != Some(false) {
        cx.station.programming = false;
        return Ok(true);
    }
    if interrupted {
        cx.station.programming = false;
        return Err(found_off(cx, "programming that was interrupted"));
    }
    *order = Some(cx.order(Action::PowerOn));
    Ok(false)
}
