//! Verify: speeds measured afresh at steps of the written table, both directions, judged with their doubt.
//!
//! The engine stood while the table was written and has cooled; friction changes the slow steps most. So it runs for a
//! while first, each direction goes from fast to slow, and at the end the slowest forward step is measured again: what
//! it moved by is doubt for all.
use super::cx::{Cx, Failure, Step};
use super::findings::Findings;
use super::input::Purpose;
use super::point::{Point, PointWish};
use super::record::PointPurpose;
use super::rewarm::{COOLED, Rewarm};
use super::route::spread;
use super::sweep::RUNS_WELL;
use super::verified::Verified;
use crate::calibrate::{SeenStep, SpeedEstimate, TableReading, Verdict};
use crate::cause::engine as causes;
use crate::station::Direction;
use std::time::Duration;

/// A point whose doubt straddles the tolerance is measured on with this fraction of the wanted half-width, once each.
const SHARPER: [f64; 2] = [0.5, 0.25];
/// So many steps are measured at most because their prediction is in doubt.
const IN_DOUBT_MOST: usize = 8;
/// Entries that a re-check measures, once each: the slowest steps would take it minutes. How warm the engine is by then, and so
/// how it still changes, is the doubt of whoever compares.
const RECHECKED: [u16; 3] = [8, 17, LAST];
/// The last entry.
const LAST: u16 = 28;
/// Entry of the table that is looked at first: twice its drive, as without trims of 64, is still no more than the top.
const LOOK_ENTRY: f64 = 7.0;
/// Entry of the table at which it runs meanwhile: about 60 % of the top.
const REWARM_ENTRY: f64 = 17.0;

/// How a round ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Round {
    /// Every step has its verdict.
    Judged,
    /// The first look told that trims or table are left out: nothing was judged, and nothing fast was driven.
    NotAsWritten,
}

/// One round of verify under way.
#[derive(Debug)]
pub(super) struct VerifyRound {
    /// One slow step first, where it is not known yet how the decoder uses the table.
    first_look: Option<Point>,
    /// That is not known yet.
    looks: bool,
    rewarm: Option<Rewarm>,
    warm_at: (u16, Direction),
    left: Vec<(u16, Direction)>,
    /// To be measured again at the end: the slowest and the fastest step forward.
    again: Vec<(u16, Direction)>,
    /// What those moved by: speed and change, mm/s.
    moved: Vec<(f64, f64)>,
    total: usize,
    /// A point may be measured so often again.
    sharper: usize,
    tries: usize,
    point: Option<Point>,
    pub(super) done: Vec<Verified>,
}

impl VerifyRound {
    /// Of a spread of steps, and of those at which the prediction leaves it open whether the table is good enough.
    pub(super) fn new(cx: &Cx, findings: &Findings) -> Self {
        let of = cx.plan.spec.engine.step_mode;
        let brief = cx.plan.purpose == Purpose::Recheck;
        let mut entries =
            if brief { RECHECKED.to_vec() } else { spread(cx.plan.spec.sweep.verify_points.min(LAST), LAST) };
        if !brief {
            entries.extend(in_doubt(cx, findings, &entries));
        }
        entries.sort_unstable();
        let reading = findings.reading();
        let mut steps: Vec<u16> =
            entries.iter().map(|entry| reading.nearest_step(f64::from(*entry), of)).collect();
        steps.dedup();
        let rising = |direction| steps.iter().map(move |step| (*step, direction));
        // Taken from the back: forward first, each direction from fast to slow.
        let mut left: Vec<_> = rising(Direction::Reverse).chain(rising(Direction::Forward)).collect();
        // Whether anything lies between the entries shows there alone.
        let between =
            if of > LAST && looks_first(cx, findings) { between_entries(reading, of) } else { [0; 2] };
        let forward = left.split_off(steps.len());
        let mut forward: Vec<u16> = forward.into_iter().map(|(step, _)| step).collect();
        forward.extend(between.into_iter().filter(|step| *step > 0 && !steps.contains(step)));
        forward.sort_unstable();
        left.extend(forward.into_iter().map(|step| (step, Direction::Forward)));
        // A check comes straight from the warm-up.
        let runs = cx.ordered.0.value > 0;
        let stood = if runs { Duration::ZERO } else { cx.now.since(cx.turned_at) };
        // Where it runs to get warm.
        let warm_at = (warm_step(cx, findings), Direction::Forward);
        // On a track a run up to the top for it alone costs too much way.
        let fast = steps.last().filter(|_| cx.is_endless());
        let look = reading.nearest_step(LOOK_ENTRY, of);
        Self {
            looks: looks_first(cx, findings),
            first_look: looks_first(cx, findings)
                .then(|| Point::new(wish((look, Direction::Forward), 2.0, true))),
            rewarm: (!brief).then(|| Rewarm::new(warm_at, stood)),
            warm_at,
            total: left.len(),
            again: fast
                .into_iter()
                .chain(steps.first())
                .filter(|_| !brief)
                .map(|step| (*step, Direction::Forward))
                .collect(),
            moved: Vec::new(),
            left,
            sharper: if brief { 0 } else { SHARPER.len() },
            tries: 0,
            point: None,
            done: Vec::new(),
        }
    }

    /// Begin the present point again; warm again first where the engine stood for long.
    pub(super) fn rewind(&mut self, cx: &mut Cx, stood: Duration) {
        for point in self.point.iter_mut().chain(&mut self.first_look) {
            point.rewind(cx);
        }
        if let Some(rewarm) = &mut self.rewarm {
            rewarm.rewind();
        }
        if stood >= COOLED {
            self.rewarm = Some(Rewarm::new(self.warm_at, stood));
        }
    }

    /// Done once every step has its verdict.
    pub(super) fn poll(&mut self, cx: &mut Cx, findings: &mut Findings) -> Step<Round> {
        if let Some(point) = &mut self.first_look {
            let Some(result) = point.poll(cx)? else { return Ok(None) };
            let (step, direction) = (point.wish.value, point.wish.direction);
            self.first_look = None;
            let measured = result.measured().map_or(SpeedEstimate { speed_mm_s: 0.0, u_mm_s: 0.0 }, |seen| {
                SpeedEstimate { speed_mm_s: seen.speed_mm_s.abs(), u_mm_s: seen.u_repeat_mm_s }
            });
            if findings.is_left_out(cx, &SeenStep { step, direction, measured }) {
                return Ok(Some(Round::NotAsWritten));
            }
        }
        let warms = self.rewarm.is_some();
        if !self.is_warm(cx)? {
            return Ok(None);
        }
        // And once more where it ran to get warm, before the top is asked for.
        if warms
            && self.looks
            && let Some(seen) = seen_now(cx)
            && findings.is_left_out(cx, &seen)
        {
            return Ok(Some(Round::NotAsWritten));
        }
        let findings = &*findings;
        loop {
            cx.phase_done = self.done.len() as f64 / self.total as f64;
            let Some(at) = self.left.last().or(self.again.last()).copied() else {
                self.add_drift();
                return Ok(Some(Round::Judged));
            };
            let sharpness =
                self.tries.checked_sub(1).map_or(1.0, |again| SHARPER[again.min(SHARPER.len() - 1)]);
            let may_stand = may_stand(cx, findings, at.0);
            let point = self.point.get_or_insert_with(|| Point::new(wish(at, sharpness, may_stand)));
            let Some(result) = point.poll(cx)? else { return Ok(None) };
            self.point = None;
            let verified = Verified::judge(cx, findings, at, result.measured());
            if self.left.is_empty() {
                self.again.pop();
                self.moved.extend(self.change(at, &verified));
                continue;
            }
            if verified.verdict == Verdict::Marginal && self.tries < self.sharper {
                self.tries += 1;
                continue;
            }
            self.tries = 0;
            self.left.pop();
            self.done.push(verified);
        }
    }

    /// True once the engine has run long enough.
    fn is_warm(&mut self, cx: &mut Cx) -> Result<bool, Failure> {
        let Some(rewarm) = &mut self.rewarm else { return Ok(true) };
        let warm = rewarm.poll(cx)?;
        if warm {
            self.rewarm = None;
        }
        Ok(warm)
    }

    /// What a step that was measured again moved by, and its speed.
    fn change(&self, at: (u16, Direction), again: &Verified) -> Option<(f64, f64)> {
        let first = self.done.iter().find(|one| (one.step, one.point.direction) == at)?;
        let (before, now) = (first.point.measured.speed_mm_s, again.point.measured.speed_mm_s);
        Some((before, (now - before).abs()))
    }

    /// Every verdict gets its share of doubt: what friction does is alike at all speeds, what magnet and winding do is in
    /// proportion, so between the slow and the fast step it lies on the line through both.
    fn add_drift(&mut self) {
        let drift = |speed: f64| match self.moved[..] {
            [(slow, by_slow), (fast, by_fast)] if fast > slow => {
                let part = ((speed - slow) / (fast - slow)).clamp(0.0, 1.0);
                by_slow + (by_fast - by_slow) * part
            }
            [(_, by), ..] => by,
            [] => 0.0,
        };
        self.done =
            self.done.iter().map(|one| one.with_drift(drift(one.point.measured.speed_mm_s))).collect();
    }

    /// The worst verdict of the round.
    pub(super) fn verdict(&self) -> Verdict {
        self.done.iter().map(|verified| verified.verdict).max().unwrap_or(Verdict::Fail)
    }

    /// The step that deviates most.
    pub(super) fn worst(&self) -> Option<&Verified> {
        self.done.iter().max_by(|a, b| a.deviation_mm_s().abs().total_cmp(&b.deviation_mm_s().abs()))
    }
}

/// The step of a written table at which an engine runs to get warm.
pub(super) fn warm_step(cx: &Cx, findings: &Findings) -> u16 {
    findings.reading().nearest_step(REWARM_ENTRY, cx.plan.spec.engine.step_mode)
}

/// How the decoder uses its table is still to be seen.
fn looks_first(cx: &Cx, findings: &Findings) -> bool {
    let written = matches!(cx.plan.purpose, Purpose::Calibrate | Purpose::Retarget(_));
    written && cx.plan.profile.has_table && findings.shown.is_none()
}

/// What the engine does at the present step.
fn seen_now(cx: &Cx) -> Option<SeenStep> {
    let (setting, direction) = cx.ordered;
    let glance = cx.fresh_glance()?;
    let measured = SpeedEstimate { speed_mm_s: glance.speed_mm_s.abs(), u_mm_s: glance.u_mm_s };
    Some(SeenStep { step: setting.value, direction, measured })
}

/// Two neighbouring steps on either side of the middle between two middle entries.
fn between_entries(reading: TableReading, of: u16) -> [u16; 2] {
    let middle = f64::from(LAST / 2) + 0.5;
    let above = (1..=of).find(|step| reading.entry(*step, of) > middle).unwrap_or(of);
    [above.saturating_sub(1), above]
}

/// The entries that are most in doubt, beside those that are measured anyway; none on a track, where each takes long.
fn in_doubt(cx: &Cx, findings: &Findings, known: &[u16]) -> Vec<u16> {
    let (Some(computed), true) = (&findings.computed, cx.is_endless()) else { return Vec::new() };
    let entries = (1..=LAST).filter(|entry| !known.contains(entry));
    let beyond =
        entries.filter_map(|entry| Some((entry, findings.in_doubt_mm_s(computed, f64::from(entry))?)));
    let mut beyond: Vec<(u16, f64)> = beyond.collect();
    beyond.sort_by(|a, b| b.1.total_cmp(&a.1));
    beyond.into_iter().take(IN_DOUBT_MOST).map(|(entry, _)| entry).collect()
}

fn wish((value, direction): (u16, Direction), sharpness: f64, may_stand: bool) -> PointWish {
    PointWish { purpose: PointPurpose::Verify, value, direction, sharpness, may_stand }
}

/// A slow step at which the engine stands is a wrong table; at a faster one the engine is jammed, or has lost contact.
fn may_stand(cx: &Cx, findings: &Findings, step: u16) -> bool {
    let wanted = findings.target.at(findings.reading().entry(step, cx.plan.spec.engine.step_mode));
    wanted < RUNS_WELL * findings.target.top()
}

/// Says why a round is not a clean pass.
pub(super) fn complain(cx: &mut Cx, round: &VerifyRound) -> Option<crate::cause::Reason> {
    let cause = match round.verdict() {
        Verdict::Pass => return None,
        Verdict::Marginal => &causes::VERIFY_MARGINAL,
        Verdict::Fail => &causes::VERIFY_FAILED,
    };
    let worst = round
        .done
        .iter()
        .filter(|verified| verified.verdict == round.verdict())
        .max_by(|a, b| a.deviation_mm_s().abs().total_cmp(&b.deviation_mm_s().abs()))?;
    let evidence = format!(
        "step {} {}: {:.2} mm/s wanted, {:.2} +/- {:.2} mm/s measured (95 %)",
        worst.step,
        if worst.point.direction == Direction::Forward { "forward" } else { "reverse" },
        worst.target_mm_s,
        worst.point.measured.speed_mm_s,
        worst.doubt_mm_s
    );
    let reason = crate::cause::Reason::new(cause, evidence);
    cx.record(super::record::RecordBody::Noted(reason.clone()));
    Some(reason)
}
