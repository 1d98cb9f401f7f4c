//! Station and sensor.
use crate::config::keys::links as key;
use crate::config::reading::Reading;
use crate::config::spec::{LinkSpec, SensorSpec, StationSpec, StreamFormat};
use crate::sensor::Source;

pub(super) fn station(reading: &mut Reading<'_>) -> Option<StationSpec> {
    let protocol = reading.value(&key::PROTOCOL);
    let address = reading.value(&key::STATION_ADDRESS);
    let bus = reading.value(&key::BUS);
    let answer_limit = reading.value(&key::ANSWER_LIMIT);
    let cv_answer_limit = reading.value(&key::CV_ANSWER_LIMIT);
    let ask_interval = reading.value(&key::ASK_INTERVAL);
    protocol?;
    Some(StationSpec {
        link: LinkSpec::Tcp { address: address? },
        bus: bus?,
        answer_limit: answer_limit?,
        cv_answer_limit: cv_answer_limit?,
        ask_interval: ask_interval?,
    })
}

pub(super) fn sensor(reading: &mut Reading<'_>) -> Option<SensorSpec> {
    let format = reading.value(&key::FORMAT);
    let address = reading.value(&key::SENSOR_ADDRESS);
    format?;
    Some(SensorSpec {
        link: LinkSpec::Tcp { address: address? },
        format: StreamFormat::Csv,
        source: Source::Field { pole_pairs: 1 },
        sees_direction: true,
    })
}
