//! A person presses the station's stop button while the station is out of reach: the track stays without power, whatever the
//! run does to stop the engine meanwhile, and the run ends.
#![expect(
    clippy::unwrap_used,
    clippy::panic,
    reason = "helpers of a test fail by panicking, as the tests do"
)]
mod played;

use pacewright::bench::virtual_bench::{Fault, VirtualBench, VirtualEnd};
use pacewright::run::{DecoderState, End, PhaseName, RecordBody, StopGrade};
use pacewright::sim::{SimBench, SimFault};
use pacewright::station::StationEvent;
use pacewright::time::BenchTime;
use played::{ENGINES, for_each, outcome, play};
use std::time::Duration;

const SEED: u64 = 2;

/// How long the sessions are gone, and how long after the loss the button is pressed, in milliseconds: right before the
/// station is back, when the stop has been tried once and not yet again, or in the middle.
const GAP_AND_CUT: [(u64, u64); 6] =
    [(1000, 500), (1500, 1000), (2000, 1000), (2000, 1900), (4000, 3900), (8000, 7500)];

fn ms(millis: u64) -> Duration {
    Duration::from_millis(millis)
}

/// A quicker job than the scenario's.
fn bench() -> VirtualBench {
    let mut bench = ENGINES[1].bench((ENGINES[1].recipe)(SEED));
    let spec = &mut bench.plan.spec;
    (spec.warm_up.shortest, spec.warm_up.longest) = (ms(60_000), ms(90_000));
    (spec.sweep.steps, spec.sweep.verify_points) = (pacewright::config::SweepSteps::Spread(10), 5);
    bench
}

/// When this phase of an undisturbed run begins.
fn begins(whole: &VirtualEnd, name: PhaseName) -> BenchTime {
    whole.records.iter().find(|record| record.body == RecordBody::Phase(name)).unwrap().at
}

/// The sessions are gone at `lost`, and somebody cuts the power `cut` later.
fn check(phase: PhaseName, lost: BenchTime, gap: u64, cut: u64) -> Result<(), String> {
    let hand = lost + ms(cut);
    let mut bench = bench();
    bench.faults = vec![(lost, Fault::StationCut(ms(gap))), (hand, Fault::Sim(SimFault::PowerCut))];
    let end = play(bench);
    let outcome = outcome(&end);
    let told = format!(
        "{phase:?}, gone for {gap} ms, cut after {cut} ms: {:?}, {:?}, {:?}",
        outcome.outcome, outcome.decoder_state, outcome.reasons
    );
    let sent = |words: &str| {
        end.sent.iter().any(|(at, _, bytes)| *at >= hand && String::from_utf8_lossy(bytes).contains(words))
    };
    let told_on = end.records.iter().any(|record| {
        record.at > hand && matches!(record.body, RecordBody::Station(StationEvent::Power { on: true, .. }))
    });
    // Service mode would lend the track its power.
    if sent("POWER ON") || sent(" SM ") || told_on || end.bench.truth().rail_live {
        return Err(format!("power came back: {told}"));
    }
    let first = outcome.reasons.first().map(|reason| reason.code.as_str());
    if (outcome.outcome, first, outcome.stop) != (End::Halted, Some("power-lost"), StopGrade::Still) {
        return Err(format!("ended otherwise: {told}"));
    }
    let delivered = SimBench::new((ENGINES[1].recipe)(SEED)).truth().cvs;
    let now = end.bench.truth().cvs;
    let pending = |cv: &u16| {
        outcome.restore_pending.iter().any(|(number, value)| number == cv && *value == delivered[cv])
    };
    if !delivered.iter().all(|(cv, value)| now.get(cv) == Some(value) || pending(cv)) {
        return Err(format!("an original is neither back nor pending: {told}"));
    }
    let untouched = outcome.decoder_state == DecoderState::Original && outcome.restore_pending.is_empty();
    if phase == PhaseName::Write && untouched {
        return Err(format!("nothing had been written: {told}"));
    }
    Ok(())
}

#[test]
fn power_cut_by_hand_during_a_lost_link_stays_off() {
    let whole = play(bench());
    assert_eq!(outcome(&whole).outcome, End::Calibrated);
    let moments = [
        (PhaseName::Snapshot, 3000),
        (PhaseName::WarmUp, 30_000),
        (PhaseName::Sweep, 40_100),
        (PhaseName::Write, 9000),
    ];
    let cases: Vec<(PhaseName, BenchTime, (u64, u64))> = moments
        .iter()
        .map(|(phase, after)| (*phase, begins(&whole, *phase) + ms(*after)))
        .flat_map(|(phase, lost)| GAP_AND_CUT.map(|pair| (phase, lost, pair)))
        .collect();
    let wrong: Vec<String> = for_each(&cases, |(phase, lost, (gap, cut))| check(*phase, *lost, *gap, *cut))
        .into_iter()
        .filter_map(Result::err)
        .collect();
    assert!(wrong.is_empty(), "{} of {}:\n{}", wrong.len(), cases.len(), wrong.join("\n"));
}
