//! The alert.
use super::Reading;
use crate::config::keys::alert as key;
use crate::config::spec::AlertSpec;

pub(super) fn alert(reading: &mut Reading<'_>) -> Option<AlertSpec> {
    let command = reading.given(&key::COMMAND).optional();
    let (when, limit) = (reading.value(&key::WHEN), reading.value(&key::LIMIT));
    Some(AlertSpec { command: command?.unwrap_or_default(), when: when?, limit: limit? })
}
