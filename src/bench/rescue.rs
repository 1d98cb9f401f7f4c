//! When the ordinary way is gone: the verb `stop`, and the end of a run that its core did not live to tell.
use super::halt::{Halted, halt};
use crate::cause::Reason;
use crate::config::{self, BenchSpec, Complaints};
use crate::dcc::Address;
use crate::journal::pending_originals;
use crate::run::desk::station_machine;
use crate::run::{DecoderState, End, Record, RecordBody, RunOutcome, VerdictWord};
use crate::station::srcp::{Srcp, SrcpSetup};
use std::time::Duration;

/// Stops the engine of this bench from nothing.
pub(crate) async fn halt_bench(spec: &BenchSpec) -> Halted {
    halt(station_machine(spec), &spec.station.address, spec.station.answer_limit).await
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
        step_mode: spec.engine.step_mode,
        steps: Vec::new(),
        worst_deviation_percent: None,
        worst_deviation_u_percent: None,
        predicted_worst_deviation_percent: None,
        broken_sensor_lines: records
            .iter()
            .filter(|record| matches!(record.body, RecordBody::BrokenLine(_)))
            .count() as u64,
        bench_seconds,
    }
}

/// Stops the engine of this bench and cuts its power, from nothing. A file with mistakes elsewhere will do, as long as it
/// says where the station is: nobody should have to mend a file while an engine runs. Its mistakes come back beside.
///
/// # Errors
/// The mistakes of a file that does not say where the station is.
pub async fn stop_bench(file_name: &str, text: &str) -> Result<(Halted, Option<Complaints>), Complaints> {
    let complaints = match config::read(file_name, text) {
        Ok(spec) => return Ok((halt_bench(&spec).await, None)),
        Err(complaints) => complaints,
    };
    let Some((address, setup)) = station_alone(text) else { return Err(complaints) };
    let limit = setup.answer_limit;
    Ok((halt(Box::new(Srcp::new(setup)), &address, limit).await, Some(complaints)))
}

/// What a stop needs, from a file that may be wrong elsewhere.
fn station_alone(text: &str) -> Option<(String, SrcpSetup)> {
    let table: toml::Table = text.parse().ok()?;
    let station = table.get("station")?;
    let engine = table.get("engine");
    let whole = |value: Option<&toml::Value>| value.and_then(toml::Value::as_integer);
    let number = u16::try_from(whole(engine.and_then(|engine| engine.get("address"))).unwrap_or(3)).ok()?;
    let long = engine.and_then(|engine| engine.get("kind")).and_then(toml::Value::as_str) == Some("long");
    let setup = SrcpSetup {
        bus: u16::try_from(whole(station.get("bus")).unwrap_or(1)).ok()?,
        address: match u8::try_from(number) {
            Ok(short) if !long => Address::Short(short),
            _ => Address::Long(number),
        },
        step_mode: 28,
        functions: 1,
        answer_limit: Duration::from_secs(2),
        cv_answer_limit: Duration::from_secs(60),
        ask_interval: Duration::from_secs(2),
    };
    Some((station.get("address")?.as_str()?.to_owned(), setup))
}
