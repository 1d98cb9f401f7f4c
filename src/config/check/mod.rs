//! From keys to the checked types, section by section. Nothing stops at the first mistake: each section complains of
//! all that is wrong with it and gives what it can to the checks that look across sections.
mod alert;
mod drive;
mod links;
mod measuring;
mod night;
mod publish;
mod safety;

pub(super) use drive::MOST_DOUBT;

use super::keys;
use super::quantity::Speed;
use super::reading::{Given, Reading};
use super::spec::BenchSpec;

/// The bench, if nothing is complained of.
pub(super) fn bench(reading: &mut Reading<'_>) -> Option<BenchSpec> {
    let schema = reading.value(&keys::SCHEMA);
    let name = reading.value(&keys::links::NAME);
    let station = links::station(reading);
    let sensor = links::sensor(reading);
    links::apart(reading);
    let axle = drive::axle(reading);
    let engine = drive::engine(reading);
    let path = drive::path(reading);
    let functions = drive::functions(reading);
    let warm_up = measuring::warm_up(reading);
    let ratio = engine.as_ref().map(|engine| engine.scale_ratio).or_else(|| drive::scale(reading));
    let sweep = measuring::sweep(reading, ratio, engine.as_ref().map(|engine| engine.step_mode));
    let target = measuring::target(reading, ratio);
    let programming = safety::programming(reading);
    let limits = safety::limits(reading, ratio, target.as_ref());
    let record_folder = reading.value(&keys::safety::FOLDER);
    let least_free_bytes = reading.value(&keys::safety::LEAST_FREE);
    let night = night::night(reading);
    let alert = alert::alert(reading);
    let publish = publish::publish(reading);
    let log_days = reading.value(&keys::safety::LOG_DAYS);
    schema?;
    Some(BenchSpec {
        name: name?,
        station: station?,
        sensor: sensor?,
        axle: axle?,
        engine: engine?,
        path: path?,
        functions: functions?,
        warm_up: warm_up?,
        sweep: sweep?,
        target: target?,
        programming: programming?,
        limits: limits?,
        night: night?,
        alert: alert?,
        publish: publish?,
        log_days: log_days?,
        record_folder: record_folder?,
        least_free_bytes: least_free_bytes?,
    })
}
