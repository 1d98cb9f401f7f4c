//! Programming and limits, with the checks that look across sections.
use super::{Given, Reading};
use crate::cause::bench_file as cause;
use crate::config::key::{AnyKey, Key};
use crate::config::keys::safety as key;
use crate::config::keys::{links, measuring};
use crate::config::kind::Flag;
use crate::config::spec::{LimitSpec, ProgrammingPlace, ProgrammingSpec, TargetSpec};
use crate::dcc::scale;
use std::time::Duration;

/// The speed limit where the file names none, as a multiple of what the target needs (own default: above the
/// fastest point of the sweep with room for scatter, below what harms).
const SPEED_ROOM: f64 = 1.25;

/// The least limit that a file may name, as a multiple of the same (own default): the fastest point of the sweep lies
/// above what the target needs by up to a step, and its scatter must not trip the guard.
const LEAST_SPEED_ROOM: f64 = 1.08;

/// Between a warm-up and the next rest there must be time to measure (own default).
const AFTER_WARM_UP: Duration = Duration::from_secs(5 * 60);

pub(super) fn programming(reading: &mut Reading<'_>) -> Option<ProgrammingSpec> {
    let place = reading.value(&key::PLACE);
    let no_way_back = reading.value(&key::NO_WAY_BACK);
    let only_engine_on_output = reading.value(&key::ONLY_ENGINE);
    let originals = reading.given(&key::ORIGINALS);
    let clear_consist = reading.value(&key::CLEAR_CONSIST);
    let output_isolated = reading.value(&key::OUTPUT_ISOLATED);
    let place = place?;
    if place == ProgrammingPlace::Main && clear_consist == Some(true) {
        let others: &[(&dyn AnyKey, &str)] = &[(&key::PLACE, "CVs are written on the running track")];
        let hint = "on the main nothing can be read, so nobody would know what to put back: take it out with your station";
        reading.contradiction(&key::CLEAR_CONSIST, others, "false on the main", hint);
    }
    match place {
        ProgrammingPlace::Main if no_way_back == Some(false) && matches!(originals, Given::Absent) => {
            let why = "on the main nothing can be read, so what the decoder holds now is lost when it is overwritten: accept \
                       that with this line, or name a list of it with originals = \"lapwing-cvs.csv\"";
            not_stated(reading, &key::NO_WAY_BACK, why);
        }
        ProgrammingPlace::SameTrack | ProgrammingPlace::MovedByHand
            if only_engine_on_output == Some(false) =>
        {
            let why =
                "every engine on the programming output is changed too; look that only this one stands there";
            not_stated(reading, &key::ONLY_ENGINE, why);
        }
        _ => {}
    }
    Some(ProgrammingSpec {
        place,
        no_way_back: no_way_back?,
        only_engine_on_output: only_engine_on_output?,
        originals: originals.optional()?,
        clear_consist: clear_consist?,
        output_isolated: output_isolated?,
    })
}

fn not_stated(reading: &mut Reading<'_>, key: &Key<Flag>, why: &str) {
    let span = if reading.stands(key) { reading.span(key) } else { reading.span(&key::PLACE) };
    let expected = format!("{} = true with this place", key.name);
    reading.complain(&cause::NOT_STATED, key.path(), span, expected, why);
}

pub(super) fn limits(
    reading: &mut Reading<'_>,
    ratio: Option<f64>,
    target: Option<&TargetSpec>,
) -> Option<LimitSpec> {
    let sensor_silence = reading.value(&key::SENSOR_SILENCE);
    let station_silence = reading.value(&key::STATION_SILENCE);
    let program_silence = reading.value(&key::PROGRAM_SILENCE);
    let no_motion = reading.value(&key::NO_MOTION);
    let run_time = reading.value(&key::RUN_TIME);
    let standstill = reading.value(&key::STANDSTILL);
    let reconnect = reading.value(&key::RECONNECT);
    let without_rest = reading.value(&key::WITHOUT_REST);
    let (at_top, rest) = (reading.value(&key::AT_TOP), reading.value(&key::REST));
    let top_reserve = reading.value(&measuring::RESERVE);
    let lower_top = reading.value(&measuring::LOWER_TOP);
    let raise_creep = reading.value(&measuring::RAISE_CREEP);
    let tolerance_rel = reading.value(&measuring::RELATIVE);
    let floor = reading.value(&measuring::FLOOR);
    let needed = target.zip(top_reserve).map(|(target, reserve)| target.top_mm_s() / (1.0 - reserve));
    let speed_mm_s = speed_limit(reading, ratio, needed);
    station_is_asked_in_time(reading);
    precision_is_finer_than_tolerance(reading);
    warm_up_fits_into_run(reading);
    warm_up_fits_before_a_rest(reading);
    Some(LimitSpec {
        sensor_silence: sensor_silence?,
        station_silence: station_silence?,
        program_silence: program_silence?,
        no_motion: no_motion?,
        speed_mm_s: speed_mm_s?,
        run_time: run_time?,
        standstill: standstill?,
        reconnect: reconnect?,
        without_rest: without_rest?,
        at_top: at_top?,
        rest: rest?,
        top_reserve: top_reserve?,
        lower_top: lower_top?,
        raise_creep: raise_creep?,
        tolerance_rel: tolerance_rel?,
        tolerance_floor_mm_s: floor?.model_mm_s(ratio?),
    })
}

/// The limit in mm/s; `needed` is the fastest that the target makes the engine run.
fn speed_limit(reading: &mut Reading<'_>, ratio: Option<f64>, needed: Option<f64>) -> Option<f64> {
    let limit = match reading.given(&key::SPEED) {
        Given::Absent => return Some(needed? * SPEED_ROOM),
        Given::Bad => return None,
        Given::Good(limit) => limit.model_mm_s(ratio?),
    };
    let least = needed? * LEAST_SPEED_ROOM;
    if limit >= least {
        return Some(limit);
    }
    let kmh = scale::kmh(least, ratio?);
    let others: &[(&dyn AnyKey, &str)] = &[
        (&measuring::TOP, "the top"),
        (&measuring::TARGET_POINTS, "the target"),
        (&measuring::RESERVE, "the reserve"),
    ];
    let expected = format!("at least {kmh:.1} km/h ({least:.1} mm/s of the model)");
    let hint = "to prove its reserve the engine must run at top / (1 - reserve), and 8 % above for scatter and the next \
                step: raise the limit, or lower the top";
    reading.contradiction(&key::SPEED, others, expected, hint);
    None
}

/// A healthy but idle station is heard of every interval; the guard must wait longer than that.
fn station_is_asked_in_time(reading: &mut Reading<'_>) {
    let silence = reading.quiet(&key::STATION_SILENCE);
    let (interval, answer) = (reading.quiet(&links::ASK_INTERVAL), reading.quiet(&links::ANSWER_LIMIT));
    let (Some(silence), Some(interval), Some(answer)) = (silence, interval, answer) else { return };
    let heard_within = interval.saturating_add(answer);
    if silence > heard_within {
        return;
    }
    let keys: [(&dyn AnyKey, &str); 3] = [
        (&key::STATION_SILENCE, "the silence allowed"),
        (&links::ASK_INTERVAL, "the interval"),
        (&links::ANSWER_LIMIT, "the wait"),
    ];
    let expected = format!("a silence above {} s", heard_within.as_secs_f64());
    let hint = "station_silence must be longer than ask_interval and answer_limit together, else a healthy station \
                stops the run";
    blame_first_that_stands(reading, &keys, expected, hint);
}

/// A verdict within the tolerance needs measurements that are finer than it.
fn precision_is_finer_than_tolerance(reading: &mut Reading<'_>) {
    let (precision, tolerance) = (reading.quiet(&measuring::PRECISION), reading.quiet(&measuring::RELATIVE));
    let (Some(precision), Some(tolerance)) = (precision, tolerance) else { return };
    if precision < tolerance {
        return;
    }
    let keys: [(&dyn AnyKey, &str); 2] =
        [(&measuring::PRECISION, "the precision"), (&measuring::RELATIVE, "the tolerance")];
    let hint = format!(
        "precision is {:.2} % and tolerance {:.2} %: with so much doubt no speed can be shown to be within",
        precision * 100.0,
        tolerance * 100.0
    );
    blame_first_that_stands(reading, &keys, "a precision finer than the tolerance".into(), &hint);
}

fn warm_up_fits_into_run(reading: &mut Reading<'_>) {
    let (longest, run) = (reading.quiet(&measuring::LONGEST), reading.quiet(&key::RUN_TIME));
    let (Some(longest), Some(run)) = (longest, run) else { return };
    if longest < run {
        return;
    }
    let keys: [(&dyn AnyKey, &str); 2] = [(&key::RUN_TIME, "the run"), (&measuring::LONGEST, "the warm-up")];
    let expected = format!("a run longer than its longest warm-up, {} s", longest.as_secs_f64());
    blame_first_that_stands(reading, &keys, expected, "raise run_time, or lower longest in [warm_up]");
}

/// An engine that must rest before it is warm never gets warm.
fn warm_up_fits_before_a_rest(reading: &mut Reading<'_>) {
    let (longest, without) = (reading.quiet(&measuring::LONGEST), reading.quiet(&key::WITHOUT_REST));
    let (Some(longest), Some(without)) = (longest, without) else { return };
    let least = longest.saturating_add(AFTER_WARM_UP);
    if without >= least {
        return;
    }
    let keys: [(&dyn AnyKey, &str); 2] =
        [(&key::WITHOUT_REST, "running without a rest"), (&measuring::LONGEST, "the warm-up")];
    let expected = format!("at least {} min without a rest", least.as_secs().div_ceil(60));
    let hint = "after each rest the engine must get warm and then measure something: raise without_rest, or lower longest in \
                [warm_up]";
    blame_first_that_stands(reading, &keys, expected, hint);
}

/// Complains at the first key that stands in the file; the others are marked beside it.
pub(super) fn blame_first_that_stands(
    reading: &mut Reading<'_>,
    keys: &[(&dyn AnyKey, &str)],
    expected: String,
    hint: &str,
) {
    let Some(blamed) = keys.iter().position(|(key, _)| reading.stands(*key)) else { return };
    let others: Vec<(&dyn AnyKey, &str)> =
        keys.iter().enumerate().filter(|(at, _)| *at != blamed).map(|(_, other)| *other).collect();
    reading.contradiction(keys[blamed].0, &others, expected, hint);
}
