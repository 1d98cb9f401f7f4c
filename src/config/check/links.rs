//! Station and sensor: how they are reached, and what the sensor tells.
use crate::cause::bench_file as cause;
use crate::config::key::{AnyKey, Key};
use crate::config::keys::links::{self as key, SourceWord};
use crate::config::kind::{Device, HostPort, Rate, ResolutionValue};
use crate::config::reading::{Given, Reading};
use crate::config::spec::{LinkSpec, SensorSpec, StationSpec, StreamFormat, USUAL_BAUD};
use crate::sensor::Source;

pub(super) fn station(reading: &mut Reading<'_>) -> Option<StationSpec> {
    let protocol = reading.value(&key::PROTOCOL);
    let link = link(reading, &key::STATION_ADDRESS, &key::STATION_SERIAL, &key::STATION_BAUD);
    let bus = reading.value(&key::BUS);
    let track_voltage = reading.given(&key::TRACK_VOLTAGE).optional();
    let answer_limit = reading.value(&key::ANSWER_LIMIT);
    let cv_answer_limit = reading.value(&key::CV_ANSWER_LIMIT);
    let ask_interval = reading.value(&key::ASK_INTERVAL);
    protocol?;
    Some(StationSpec {
        link: link?,
        bus: bus?,
        track_voltage_v: track_voltage?,
        answer_limit: answer_limit?,
        cv_answer_limit: cv_answer_limit?,
        ask_interval: ask_interval?,
    })
}

/// Exactly one of address and device; that has been checked with the structure. A rate belongs to a device.
fn link(
    reading: &mut Reading<'_>,
    address: &'static Key<HostPort>,
    serial: &'static Key<Device>,
    baud: &'static Key<Rate>,
) -> Option<LinkSpec> {
    let (host, device, rate) = (reading.given(address), reading.given(serial), reading.given(baud));
    if reading.stands(address) && !reading.stands(serial) && reading.stands(baud) {
        let others: &[(&dyn AnyKey, &str)] = &[(address, "over the network")];
        let hint = "a network has no baud rate: leave baud out, or write serial = \"/dev/ttyUSB0\" instead of address";
        reading.contradiction(baud, others, "baud beside serial only", hint);
    }
    match (host, device, rate) {
        (Given::Good(address), Given::Absent, Given::Absent) => Some(LinkSpec::Tcp { address }),
        (Given::Absent, Given::Good(device), Given::Absent) => {
            Some(LinkSpec::Serial { device, baud: USUAL_BAUD })
        }
        (Given::Absent, Given::Good(device), Given::Good(baud)) => Some(LinkSpec::Serial { device, baud }),
        _ => None,
    }
}

/// Station and sensor are two devices.
pub(super) fn apart(reading: &mut Reading<'_>) {
    let (here, there) = (reading.quiet(&key::STATION_SERIAL), reading.quiet(&key::SENSOR_SERIAL));
    if here.is_some() && here == there {
        let hint = "one port leads to one device: write the sensor's own here, or correct the station's";
        let others: &[(&dyn AnyKey, &str)] = &[(&key::STATION_SERIAL, "the station is at this port")];
        reading.contradiction(&key::SENSOR_SERIAL, others, "another port than the station's", hint);
    }
    let lower = |address: String| address.to_lowercase();
    let here = reading.quiet(&key::STATION_ADDRESS).map(lower);
    let there = reading.quiet(&key::SENSOR_ADDRESS).map(lower);
    if here.is_some() && here == there {
        let hint = "write the sensor's own host and port here, or correct the station's";
        let others: &[(&dyn AnyKey, &str)] = &[(&key::STATION_ADDRESS, "the station is at this address")];
        reading.contradiction(&key::SENSOR_ADDRESS, others, "another address than the station's", hint);
    }
}

pub(super) fn sensor(reading: &mut Reading<'_>) -> Option<SensorSpec> {
    let link = link(reading, &key::SENSOR_ADDRESS, &key::SENSOR_SERIAL, &key::SENSOR_BAUD);
    let format = match reading.given(&key::FORMAT) {
        Given::Absent => Some(StreamFormat::ByFirstCharacter),
        Given::Good(format) => Some(format),
        Given::Bad => None,
    };
    let word = reading.value(&key::SOURCE);
    let pole_pairs = reading.given(&key::POLE_PAIRS);
    let a_turn = reading.given(&key::PULSES_PER_TURN);
    let resolution = reading.given(&key::RESOLUTION);
    let sees = reading.given(&key::SEES_DIRECTION);
    let battery_low = reading.given(&key::BATTERY_LOW).optional();
    let endurance = reading.given(&key::ENDURANCE).optional();
    let word = word?;
    let alone = [
        only_with(reading, &key::POLE_PAIRS, word, &[SourceWord::Field]),
        only_with(reading, &key::PULSES_PER_TURN, word, &[SourceWord::Pulses]),
        only_with(reading, &key::RESOLUTION, word, &RESOLVED),
    ];
    let source = match word {
        SourceWord::Field => match pole_pairs {
            Given::Absent => Some(Source::Field { pole_pairs: 1 }),
            Given::Good(pole_pairs) => Some(Source::Field { pole_pairs }),
            Given::Bad => None,
        },
        SourceWord::Pulses => needed(reading, &key::PULSES_PER_TURN, a_turn, "pulses_per_turn = 20")
            .map(|a_turn| Source::Pulses { a_turn }),
        SourceWord::Angle => needed(reading, &key::RESOLUTION, resolution, "resolution = \"0.1 deg\"")
            .and_then(|found| {
                let ResolutionValue::Angle(resolution_rad) = found else {
                    return other_unit(reading, "deg or rad", "an angle");
                };
                Some(Source::Angle { resolution_rad })
            }),
        SourceWord::Distance => needed(reading, &key::RESOLUTION, resolution, "resolution = \"0.1 mm\"")
            .and_then(|found| {
                let ResolutionValue::Distance(resolution_mm) = found else {
                    return other_unit(reading, "mm or m", "a distance");
                };
                Some(Source::Distance { resolution_mm })
            }),
        SourceWord::Speed => needed(reading, &key::RESOLUTION, resolution, "resolution = \"1 mm/s\"")
            .and_then(|found| {
                let ResolutionValue::Speed(resolution_mm_s) = found else {
                    return other_unit(reading, "mm/s or m/s", "a speed");
                };
                Some(Source::Speed { resolution_mm_s })
            }),
    };
    let sees_direction = match (sees, word) {
        (Given::Good(sees), _) => Some(sees),
        (Given::Absent, SourceWord::Field | SourceWord::Angle) => Some(true),
        (Given::Absent, _) => {
            direction_not_stated(reading);
            None
        }
        (Given::Bad, _) => None,
    };
    if alone.contains(&false) {
        return None;
    }
    Some(SensorSpec {
        link: link?,
        format: format?,
        source: source?,
        sees_direction: sees_direction?,
        battery_low_v: battery_low?,
        endurance: endurance?,
    })
}

/// Sources that have a smallest step of their own.
const RESOLVED: [SourceWord; 3] = [SourceWord::Angle, SourceWord::Distance, SourceWord::Speed];

fn written(word: SourceWord) -> &'static str {
    key::SOURCE.kind.0.iter().find(|(_, meant)| *meant == word).map_or("", |(written, _)| *written)
}

/// Complains of a key that stands beside a source it does not belong to; false then.
fn only_with(
    reading: &mut Reading<'_>,
    key: &'static dyn AnyKey,
    word: SourceWord,
    belongs: &[SourceWord],
) -> bool {
    if belongs.contains(&word) || !reading.stands(key) {
        return true;
    }
    let sources: Vec<String> = belongs.iter().map(|word| format!("\"{}\"", written(*word))).collect();
    let (sources, here) = (sources.join(" or "), written(word));
    let note = format!("the source is {here}");
    let expected = format!("{} beside source = {sources} only", key.name());
    let hint = if reading.stands(&key::SOURCE) {
        format!("leave {} out, or correct the source", key.name())
    } else {
        format!(
            "source is \"{here}\" because it is left out: write source = {sources}, or leave {} out",
            key.name()
        )
    };
    reading.contradiction(key, &[(&key::SOURCE, &note)], expected, hint);
    false
}

/// A value that its source cannot do without.
fn needed<K: crate::config::key::Kind>(
    reading: &mut Reading<'_>,
    key: &'static Key<K>,
    given: Given<K::Value>,
    example: &str,
) -> Option<K::Value> {
    match given {
        Given::Good(value) => Some(value),
        Given::Bad => None,
        Given::Absent => {
            reading.missing(key, format!("this source needs it, for example: {example}"));
            None
        }
    }
}

fn other_unit(reading: &mut Reading<'_>, units: &str, what: &str) -> Option<Source> {
    let others: &[(&dyn AnyKey, &str)] = &[(&key::SOURCE, "the source")];
    let expected = format!("a resolution in {units} with this source");
    let hint =
        format!("the sensor tells {what}, so its smallest step is one in {units}; or correct the source");
    reading.contradiction(&key::RESOLUTION, others, expected, hint);
    None
}

fn direction_not_stated(reading: &mut Reading<'_>) {
    let hint = "write sees_direction = false for a single contact, light gate or reed switch: it cannot tell which way; \
                true if the figure falls, or changes its sign, when the engine runs the other way";
    let (name, span) = (key::SEES_DIRECTION.path(), reading.span(&key::SOURCE));
    reading.complain(
        &cause::NOT_STATED,
        name,
        span,
        "sees_direction = true or false beside this source",
        hint,
    );
}
