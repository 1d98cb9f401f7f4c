//! Looks on at every event of a job and holds the promises against the simulation's truth. It shares nothing with the program but
//! the forms of its records.
use crate::plan::{Kind, Plan, Span};
use pacewright::bench::virtual_bench::Moment;
use pacewright::cause;
use pacewright::run::{DecoderState, End, PhaseName, RecordBody, RunOutcome, StopGrade};
use pacewright::sim::SimBench;
use pacewright::station::Action;
use pacewright::time::BenchTime;
use std::collections::BTreeMap;
use std::time::Duration;

pub(crate) type Cvs = BTreeMap<u16, u8>;

/// An engine whose sensor is dead to the program is stopped within this time: sensor silence, a second in which a level must last,
/// the bench file's standstill, and the cut of the power behind it.
const BLIND_MOST: Duration = Duration::from_secs(20);
/// And one that was told to stand stands within this: its momentum, standstill, emergency stop, cut.
const UNASKED_MOST: Duration = Duration::from_secs(45);
/// After the station hears again, or does as told again, the program needs its attempts.
const AFTER: Duration = Duration::from_secs(15);
/// Slower than this part of the target's top an engine is not said to move.
const FLOOR: f64 = 0.03;

/// Promises, and how often each was put to the proof.
#[derive(Clone, Debug, Default)]
pub(crate) struct Tally {
    pub(crate) exercised: BTreeMap<&'static str, u64>,
    pub(crate) violations: Vec<String>,
}

impl Tally {
    fn proved(&mut self, promise: &'static str) {
        *self.exercised.entry(promise).or_default() += 1;
    }

    pub(crate) fn check(&mut self, promise: &'static str, holds: bool, words: impl FnOnce() -> String) {
        self.proved(promise);
        if !holds {
            self.violations.push(format!("{promise}: {}", words()));
        }
    }
}

/// The one who looks on.
#[derive(Debug)]
pub(crate) struct Watch<'p> {
    plan: &'p Plan,
    floor_mm_s: f64,
    records: usize,
    /// Since when the last order is to stand.
    told_to_stand: Option<BenchTime>,
    blind: Option<BenchTime>,
    unasked: Option<BenchTime>,
    swap: Option<BenchTime>,
    /// What another engine held when it was put on.
    swapped: Option<Cvs>,
    pub(crate) tally: Tally,
}

fn any(spans: &[Span], at: BenchTime, after: Duration) -> bool {
    spans.iter().any(|span| Span { from: span.from, to: span.to + after }.holds(at))
}

impl<'p> Watch<'p> {
    pub(crate) fn new(plan: &'p Plan, top_mm_s: f64) -> Self {
        use pacewright::bench::virtual_bench::Fault;
        use pacewright::sim::SimFault;
        let mut swaps = plan.faults.iter().filter(|(_, fault)| *fault == Fault::Sim(SimFault::Swapped));
        // Swapped twice, the first one stands there again.
        let swap = swaps.next().filter(|_| swaps.next().is_none());
        Self {
            plan,
            floor_mm_s: FLOOR * top_mm_s,
            records: 0,
            told_to_stand: None,
            blind: None,
            unasked: None,
            swap: swap.map(|(at, _)| *at),
            swapped: None,
            tally: Tally::default(),
        }
    }

    /// Another run of the job begins. `anew`: a new one, which takes whatever engine it is given.
    pub(crate) fn run_begins(&mut self, anew: bool) {
        if anew {
            self.swapped = None;
        }
        (self.records, self.told_to_stand) = (0, None);
        (self.blind, self.unasked) = (None, None);
    }

    pub(crate) fn look(&mut self, moment: Moment<'_>) {
        let at = moment.at;
        for record in &moment.records[self.records..] {
            self.records += 1;
            if let RecordBody::CvIntention { cv, .. } = record.body {
                self.tally.check("CV 7 and 8 are never written", !matches!(cv, 7 | 8), || {
                    format!("CV {cv} at {at}")
                });
            }
            let RecordBody::Ordered { action, .. } = &record.body else { continue };
            let stands = match action {
                Action::Drive { setting, .. } => setting.value == 0,
                Action::Stop | Action::EmergencyStop | Action::PowerOff => true,
                _ => continue,
            };
            self.told_to_stand = if stands { self.told_to_stand.or(Some(at)) } else { None };
        }
        if self.swap.is_some_and(|swap| at >= swap) {
            self.swap = None;
            // Who lifts an engine before the run says that it waits is not met by any promise; and before the decoder was read
            // nobody knows which one was meant.
            let handed = !matches!(
                Self::phase(moment.records),
                None | Some(
                    PhaseName::LinkCheck
                        | PhaseName::Snapshot
                        | PhaseName::Settling
                        | PhaseName::Baseline
                        | PhaseName::Write
                        | PhaseName::Restore
                )
            );
            self.swapped = handed.then(|| moment.bench.truth().cvs);
        }
        let moves = moment.bench.speed_mm_s() > self.floor_mm_s && !moment.bench.in_service_mode();
        let plan = self.plan;
        let excused = any(&plan.deaf, at, AFTER) || any(&plan.wild, at, AFTER) || any(&plan.away, at, AFTER);
        let blind = moves && !excused && any(&plan.blind, at, Duration::ZERO);
        if lasts(&mut self.blind, blind, at, BLIND_MOST) {
            self.tally.violations.push(format!("no engine runs unwatched: at {at}"));
            self.blind = None;
        }
        if blind {
            *self.tally.exercised.entry("no engine runs unwatched").or_default() += 1;
        }
        let told = self.told_to_stand.is_some_and(|since| at >= since + UNASKED_MOST);
        if lasts(&mut self.unasked, moves && told && !excused, at, Duration::from_secs(1)) {
            self.tally.violations.push(format!("who is told to stand stands: at {at}"));
            self.unasked = None;
        }
        if told && !excused {
            *self.tally.exercised.entry("who is told to stand stands").or_default() += 1;
        }
    }

    /// A run has ended by itself.
    pub(crate) fn ended(&mut self, outcome: &RunOutcome, bench: &SimBench, at: BenchTime, delivered: &Cvs) {
        let known = outcome.reasons.iter().find(|reason| cause::find(&reason.code).is_none());
        self.tally.check("every reason is in the catalogue", known.is_none(), || format!("{known:?}"));
        let why = matches!(outcome.outcome, End::Rejected | End::Halted | End::Interrupted);
        self.tally.check("every bad end has its reason", !why || !outcome.reasons.is_empty(), || {
            format!("{:?}", outcome.outcome)
        });
        self.stop(outcome, bench, at);
        self.decoder(outcome, &bench.truth().cvs, delivered);
    }

    fn stop(&mut self, outcome: &RunOutcome, bench: &SimBench, at: BenchTime) {
        let mut later = bench.clone();
        later.advance(bench.truth().at + Duration::from_secs(5));
        let speeds = [bench.speed_mm_s(), later.speed_mm_s()];
        let lately = |spans: &[Span]| any(spans, at, Duration::from_secs(150));
        let out_of_hand = lately(&self.plan.deaf) || lately(&self.plan.wild);
        match outcome.stop {
            StopGrade::Still => {
                // A field within its noise for a second may hide the last millimetre of a roll.
                let stands = speeds[0] < 1.0 && speeds[1] < 1e-6;
                // Whoever drives it by another throttle may do so again.
                self.tally.check("still means that it stands", stands || lately(&self.plan.wild), || {
                    format!("{speeds:?}")
                });
            }
            StopGrade::Acknowledged => {
                let holds = speeds[1] < 1e-6 || out_of_hand;
                self.tally.check("acknowledged means stopped", holds, || format!("{speeds:?}"));
            }
            StopGrade::Unconfirmed => {
                let said = outcome.reasons.iter().any(|reason| reason.code == "stop-unconfirmed");
                self.tally.check(
                    "an unconfirmed stop is said and has its reason",
                    said && out_of_hand,
                    || format!("{:?}", outcome.reasons),
                );
            }
        }
        let refused = outcome.reasons.iter().any(|reason| reason.code == "power-off-refused");
        let live = bench.truth().rail_live;
        self.tally.check(
            "no rail stays live unsaid",
            !live || refused || outcome.stop == StopGrade::Unconfirmed,
            || format!("at {at}"),
        );
    }

    fn decoder(&mut self, outcome: &RunOutcome, cvs: &Cvs, delivered: &Cvs) {
        if let Some(other) = &self.swapped {
            let same = other == cvs;
            return self.tally.check("another engine is never written", same, || "CVs differ".to_owned());
        }
        if self.plan.kinds.contains(&Kind::SwappedInPause) {
            // What the engine that stands there now held before it came is nobody's word.
            return;
        }
        let differs: Vec<(u16, u8)> = delivered
            .iter()
            .filter(|(cv, value)| cvs.get(cv) != Some(value))
            .map(|(cv, value)| (*cv, *value))
            .collect();
        let mut pending = outcome.restore_pending.clone();
        pending.sort_unstable();
        let said = format!("{:?}: {pending:?} pending, {differs:?} differ", outcome.decoder_state);
        let holds = match outcome.decoder_state {
            DecoderState::Original => differs.is_empty() && pending.is_empty(),
            DecoderState::New => {
                let table: Vec<u8> = (67..=94).map(|cv| cvs[&cv]).collect();
                outcome.table.map(Vec::from) == Some(table)
                    && (outcome.outcome != End::Calibrated || pending.is_empty())
                    && differs.iter().all(|(cv, _)| matches!(cv, 2 | 5 | 6 | 29 | 66..=95))
            }
            DecoderState::Mixed => differs.iter().all(|pair| pending.contains(pair)),
            DecoderState::Unknown => differs.iter().all(|pair| pending.contains(pair)),
        };
        self.tally.check("what is said of the decoder is true", holds, || said);
    }

    /// The phase in which a run died or ended.
    pub(crate) fn phase(records: &[pacewright::run::Record]) -> Option<PhaseName> {
        records.iter().rev().find_map(|record| match record.body {
            RecordBody::Phase(name) => Some(name),
            _ => None,
        })
    }
}

/// True once a level has held for so long.
fn lasts(since: &mut Option<BenchTime>, level: bool, at: BenchTime, most: Duration) -> bool {
    if !level {
        *since = None;
        return false;
    }
    at >= *since.get_or_insert(at) + most
}
