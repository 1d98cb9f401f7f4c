//! Publishing.
use super::Reading;
use crate::config::keys::publish as key;
use crate::config::spec::PublishSpec;

pub(super) fn publish(reading: &mut Reading<'_>) -> Option<PublishSpec> {
    let broker = reading.given(&key::BROKER).optional();
    let topic = reading.value(&key::TOPIC);
    let user = reading.given(&key::USER).optional();
    let password_file = reading.given(&key::PASSWORD_FILE).optional();
    Some(PublishSpec { broker: broker?, topic: topic?, user: user?, password_file: password_file? })
}
