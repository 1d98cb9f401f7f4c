//! Getting warm again: an engine that stood or crept has cooled, and friction changes the slow steps most. It runs for a
//! while before what follows is measured.
use super::cx::{Cx, Failure};
use super::mover::Mover;
use crate::station::Direction;
use crate::time::BenchTime;
use std::time::Duration;

/// It runs this many times as long as it stood.
const TIMES: u32 = 2;
/// At least and at most this long.
const LIMITS: [Duration; 2] = [Duration::from_secs(20), Duration::from_secs(180)];

/// An engine that stood unasked for this long has cooled.
pub(super) const COOLED: Duration = Duration::from_secs(120);

/// A run to get warm again.
#[derive(Debug)]
pub(super) struct Rewarm {
    at: (u16, Direction),
    mover: Mover,
    span: Duration,
    since: Option<BenchTime>,
}

impl Rewarm {
    /// At this setting and direction, after standing for `stood`.
    pub(super) fn new(at: (u16, Direction), stood: Duration) -> Self {
        let span = stood.saturating_mul(TIMES).clamp(LIMITS[0], LIMITS[1]);
        Self { at, mover: Mover::to(at.0, at.1), span, since: None }
    }

    /// Begin again, as after a pause.
    pub(super) fn rewind(&mut self) {
        self.mover = Mover::to(self.at.0, self.at.1);
        self.since = None;
    }

    /// True once the engine has run long enough.
    pub(super) fn poll(&mut self, cx: &mut Cx) -> Result<bool, Failure> {
        cx.may_stand = false;
        if self.since.is_none() && self.mover.poll(cx)?.is_some() {
            self.since = Some(cx.now);
        }
        Ok(self.since.is_some_and(|since| cx.passed(since, self.span)))
    }
}
