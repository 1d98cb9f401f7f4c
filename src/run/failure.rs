//! What a part of a run gives back: nothing yet, a result, or why the run cannot go on as it is.
use super::outcome::End;
use crate::cause::{Cause, Reason};

/// A link that a run cannot do without.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Link {
    /// To the sensor.
    Sensor,
    /// The station's driving session.
    Station,
}

/// Why a run cannot go on.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Failure {
    /// What kind of end it leads to.
    pub(super) end: End,
    /// Why.
    pub(super) reason: Reason,
    /// The engine may be out of hand: emergency stop and power off.
    pub(super) emergency: bool,
    /// A link is at fault: if it comes back in time, the run may go on.
    pub(super) link: Option<Link>,
}

impl Failure {
    /// The bench failed.
    pub(super) fn halted(cause: &Cause, evidence: impl Into<String>) -> Self {
        Self { end: End::Halted, reason: Reason::new(cause, evidence), emergency: false, link: None }
    }

    /// The engine cannot be calibrated as asked.
    pub(super) fn rejected(cause: &Cause, evidence: impl Into<String>) -> Self {
        Self { end: End::Rejected, reason: Reason::new(cause, evidence), emergency: false, link: None }
    }

    /// The bench failed and the engine may be out of hand.
    pub(super) fn emergency(cause: &Cause, evidence: impl Into<String>) -> Self {
        Self { emergency: true, ..Self::halted(cause, evidence) }
    }

    /// With more evidence.
    pub(super) fn adding(mut self, more: &str) -> Self {
        self.reason.evidence.push_str("; ");
        self.reason.evidence.push_str(more);
        self
    }

    /// This link is at fault.
    pub(super) fn by(self, link: Link) -> Self {
        Self { link: Some(link), ..self }
    }
}

/// Nothing yet, a result, or the end of the run.
pub(super) type Step<T> = Result<Option<T>, Failure>;
