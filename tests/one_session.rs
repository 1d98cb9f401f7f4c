//! The whole job with a station on a serial line, which carries one session: on the virtual bench, against the simulator's
//! truth. The line stays while the program opens and closes its port.
#![expect(clippy::unwrap_used, reason = "helpers of a test fail by panicking, as the tests do")]
#[path = "played/figures.rs"]
mod figures;

use figures::figures;
use pacewright::bench::virtual_bench::{Fault, VirtualBench, VirtualEnd};
use pacewright::config::{self, LinkSpec};
use pacewright::run::{End, RecordBody, RunPlan, StepSource, StopGrade};
use pacewright::sim::{SimFault, StationLine, demo_engines};
use pacewright::station::{Action, Direction, Session, Setting};
use pacewright::time::BenchTime;
use std::time::Duration;

const TEXT: &str = include_str!("../scenarios/lapwing.toml");

fn bench(greets: bool) -> VirtualBench {
    let mut recipe = demo_engines::lapwing(11);
    recipe.server.line = StationLine::Serial { greets };
    let mut spec = config::read("lapwing.toml", TEXT).unwrap();
    spec.station.link = LinkSpec::Serial { device: "/dev/ttyS0".into(), baud: 115_200 };
    VirtualBench::new(recipe, RunPlan::new(spec), TEXT)
}

fn play(bench: VirtualBench) -> VirtualEnd {
    let end = bench.run_to_end(Duration::from_secs(4 * 3600)).unwrap();
    assert_eq!(end.broken, None);
    assert!(end.sent.iter().all(|(_, session, _)| *session == Session::Drive), "there is one session only");
    end
}

fn lines(end: &VirtualEnd, line: &str) -> usize {
    end.sent.iter().filter(|(_, _, bytes)| bytes.starts_with(line.as_bytes())).count()
}

fn code(end: &VirtualEnd) -> Option<&str> {
    end.outcome.as_ref()?.reasons.first().map(|reason| reason.code.as_str())
}

#[test]
fn an_engine_is_calibrated_over_one_session_whether_the_station_greets_or_not() {
    for greets in [true, false] {
        let end = play(bench(greets));
        let outcome = end.outcome.as_ref().unwrap();
        assert_eq!(
            (outcome.outcome, outcome.stop),
            (End::Calibrated, StopGrade::Still),
            "{:?}",
            outcome.reasons
        );
        let mut sim = demo_engines::lapwing(11);
        sim.server.line = StationLine::Serial { greets };
        let limits = bench(greets).plan.spec.limits;
        let figures = figures(&sim, &end.bench, &end.bench, outcome, &limits);
        assert_eq!(figures.len(), 56);
        for figure in &figures {
            assert!(figure.part() <= 1.0, "{}", figure.told());
        }
        let measured: Vec<_> =
            figures.iter().filter(|figure| figure.source == StepSource::Measured).collect();
        assert!(measured.len() >= 14 && measured.iter().all(|figure| figure.off() <= 3.0), "{measured:?}");
        assert_eq!(lines(&end, "GO\n"), 1);
        assert_eq!(lines(&end, "GET 0 "), if greets { 1 } else { 2 });
    }
}

/// Killed in the middle of programming and of driving: the next start finds the session as it was left.
#[test]
fn the_next_start_carries_the_session_of_a_killed_program_on() {
    let whole = play(bench(false));
    let inputs = whole.inputs;
    for part in [200, 4] {
        let mut first = bench(false);
        first.kill_at = Some(inputs / part);
        let killed = play(first);
        assert!(killed.outcome.is_none());
        let mut second = bench(false);
        (second.bench, second.began) = (killed.bench, killed.ended);
        second.faults = vec![(BenchTime::from_millis(200_000), Fault::Sim(SimFault::PowerCut))];
        let end = play(second);
        assert_eq!(lines(&end, "GO\n"), 0, "no new handshake");
        assert_eq!(code(&end), Some("power-lost"), "it got as far as driving: {:?}", end.outcome);
    }
}

/// When the engine has been told to run in reverse, and is told nothing else for so long.
fn runs_in_reverse_for(end: &VirtualEnd, span: Duration) -> BenchTime {
    let drives: Vec<(BenchTime, Setting, Direction)> = end
        .records
        .iter()
        .filter_map(|record| match record.body {
            RecordBody::Ordered { action: Action::Drive { setting, direction, .. }, .. } => {
                Some((record.at, setting, direction))
            }
            _ => None,
        })
        .collect();
    let long = drives.windows(2).find(|pair| {
        let (at, setting, direction) = pair[0];
        direction == Direction::Reverse && setting.value > 0 && pair[1].0.since(at) > span
    });
    long.map(|pair| pair[0].0).unwrap()
}

/// Nothing is told unasked on this line: asking has to find it.
#[test]
fn a_power_cut_and_another_throttle_are_noticed_by_asking() {
    // Turned round, it would be seen at the axle first.
    let in_reverse = runs_in_reverse_for(&play(bench(false)), Duration::from_secs(14));
    for (fault, expected) in [
        (SimFault::PowerCut, "power-lost"),
        (SimFault::AnotherThrottle { step: 20, forward: false }, "another-throttle"),
        (SimFault::AnotherLock, "engine-locked"),
    ] {
        let mut bench = bench(false);
        let struck = in_reverse + Duration::from_millis(500);
        bench.faults = vec![(struck, Fault::Sim(fault))];
        let end = play(bench);
        assert_eq!(code(&end), Some(expected), "{:?}", end.outcome);
        let noticed = end.ended.since(struck);
        assert!(noticed < Duration::from_secs(40), "{expected}: over after {noticed:?}");
    }
}

#[test]
fn a_station_that_hangs_is_stopped_when_it_hears_again() {
    let mut bench = bench(false);
    bench.plan.spec.limits.reconnect = Duration::ZERO;
    let hang = Fault::Sim(SimFault::StationSilent(Duration::from_secs(8)));
    bench.faults = vec![(BenchTime::from_millis(300_000), hang)];
    let end = play(bench);
    assert_eq!(code(&end), Some("station-silent"), "{:?}", end.outcome);
    assert_eq!(end.outcome.as_ref().unwrap().stop, StopGrade::Still);
    assert!(end.bench.truth().speed_mm_s.abs() < 1e-9);
}

/// Where the bench file waits for links, the same hang only interrupts.
#[test]
fn a_station_that_hangs_is_waited_for_over_one_session_too() {
    let mut bench = bench(false);
    let hang = Fault::Sim(SimFault::StationSilent(Duration::from_secs(8)));
    bench.faults = vec![(BenchTime::from_millis(300_000), hang)];
    let end = play(bench);
    let outcome = end.outcome.as_ref().unwrap();
    assert_eq!((outcome.outcome, outcome.interruptions), (End::Calibrated, 1), "{outcome:?}");
}
