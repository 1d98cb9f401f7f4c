//! When the ordinary way is gone: the verb `stop`, and the end of a run that its core did not live to tell.
use super::halt::{Halted, cut_power, halt};
use super::whereabouts::Whereabouts;
use crate::cause::Reason;
use crate::config::{self, BenchSpec, Complaints};
use crate::dcc::Address;
use crate::journal::pending_originals;
use crate::run::desk::{sessions, station_machine};
use crate::run::{
    DecoderState, End, HousekeepingSpan, PhaseName, Record, RecordBody, RunOutcome, VerdictWord,
};
use crate::station::srcp::{Srcp, SrcpSetup};
use std::time::Duration;

/// The bus of most stations (common practice, no source).
const USUAL_BUS: u16 = 1;

/// Stops the engine of this bench from nothing.
pub(crate) async fn halt_bench(spec: &BenchSpec) -> Halted {
    halt(station_machine(spec), &spec.station.link, spec.station.answer_limit).await
}

/// The outcome of a run that the core did not live to tell.
pub(crate) fn out_of_order(
    spec: &BenchSpec,
    outcome: End,
    reason: Reason,
    halted: &Halted,
    inherited: &[(u16, u8)],
    records: &[Record],
    bench_seconds: f64,
) -> RunOutcome {
    let restore_pending = pending_originals(inherited, records).originals().to_vec();
    let touched = records.iter().any(|record| matches!(record.body, RecordBody::CvIntention { .. }));
    let interruptions =
        records.iter().filter(|record| record.body == RecordBody::Phase(PhaseName::Recovering)).count();
    RunOutcome {
        outcome,
        verdict: VerdictWord::None,
        reasons: vec![reason],
        stop: halted.grade,
        decoder_state: match (restore_pending.is_empty(), touched) {
            (false, _) => DecoderState::Mixed,
            (true, true) => DecoderState::Unknown,
            (true, false) => DecoderState::Original,
        },
        restore_pending,
        table: None,
        trim_forward: None,
        trim_reverse: None,
        three_points: None,
        step_mode: spec.engine.step_mode,
        steps: Vec::new(),
        budget: Vec::new(),
        worst_deviation_percent: None,
        worst_deviation_u_percent: None,
        predicted_worst_deviation_percent: None,
        engine: crate::run::EngineFound::default(),
        broken_sensor_lines: records
            .iter()
            .filter(|record| matches!(record.body, RecordBody::BrokenLine(_)))
            .count() as u64,
        interruptions: u32::try_from(interruptions).unwrap_or(u32::MAX),
        housekeeping: housekeeping(records),
        bench_seconds,
        driven_seconds: 0.0,
    }
}

/// First and last of what was written down of what the sensor said of itself.
fn housekeeping(records: &[Record]) -> Option<HousekeepingSpan> {
    let mut told = records.iter().filter_map(|record| match record.body {
        RecordBody::Housekeeping(told) => Some(told),
        _ => None,
    });
    let first = told.next()?;
    Some(HousekeepingSpan { first, last: told.next_back().unwrap_or(first) })
}

/// What the verb `stop` did.
#[derive(Debug)]
pub struct Stopped {
    /// What the station said.
    pub halted: Halted,
    /// The file's mistakes; it was stopped all the same.
    pub mistakes: Option<Complaints>,
    /// What was taken for granted because of them, sentences.
    pub supposed: Vec<String>,
}

/// Stops the engine of this bench and cuts its power, from nothing. A file with mistakes elsewhere will do, as long as it
/// says where the station is: nobody should have to mend a file while an engine runs. Where it does not say which engine
/// to stop, the power is cut, which stops every one. The mistakes come back beside.
///
/// # Errors
/// The mistakes of a file that does not say where the station is.
pub async fn stop_bench(file_name: &str, text: &str) -> Result<Stopped, Complaints> {
    let complaints = match config::read(file_name, text) {
        Ok(spec) => {
            let halted = halt_bench(&spec).await;
            return Ok(Stopped { halted, mistakes: None, supposed: Vec::new() });
        }
        Err(complaints) => complaints,
    };
    let Some(found) = Whereabouts::find(text) else { return Err(complaints) };
    let mut supposed = vec![format!("The station was taken to be at {}.", found.station)];
    if found.bus.is_none() {
        supposed.push(format!("Its bus cannot be known from the file: bus {USUAL_BUS} was taken."));
    }
    if found.engine.is_none() {
        supposed
            .push("The engine's address cannot be known from the file: only the power was cut.".to_owned());
    }
    let limit = Duration::from_secs(2);
    let machine = Box::new(Srcp::new(SrcpSetup {
        bus: found.bus.unwrap_or(USUAL_BUS),
        // With no engine known, nothing is sent to any: `cut_power` knows no order that names one.
        address: found.engine.unwrap_or(Address::Short(3)),
        step_mode: 28,
        functions: 1,
        answer_limit: limit,
        cv_answer_limit: Duration::from_secs(60),
        ask_interval: Duration::from_secs(2),
        sessions: sessions(&found.station),
    }));
    let halted = match found.engine {
        Some(_) => halt(machine, &found.station, limit).await,
        None => cut_power(machine, &found.station, limit).await,
    };
    Ok(Stopped { halted, mistakes: Some(complaints), supposed })
}
