//! Opens the station's information session again after it was lost alone. The run goes on meanwhile: it only hears less
//! of what others do.
use super::backoff::Backoff;
use super::cx::Cx;
use crate::cause::record as causes;
use crate::station::{Action, OrderId};
use crate::time::BenchTime;
use std::time::Duration;

/// Waits between attempts.
pub(super) const STATION_BACKOFF: Backoff = Backoff::new(Duration::from_secs(1), Duration::from_secs(30));

/// The information session, while it is lost.
#[derive(Debug)]
pub(super) struct InformationLink {
    lost: Option<BenchTime>,
    /// When the last attempt was over.
    since: BenchTime,
    order: Option<OrderId>,
    backoff: Backoff,
}

impl Default for InformationLink {
    fn default() -> Self {
        Self { lost: None, since: BenchTime::ZERO, order: None, backoff: STATION_BACKOFF }
    }
}

impl InformationLink {
    /// It was lost.
    pub(super) fn lost(&mut self, now: BenchTime) {
        self.lost.get_or_insert(now);
        self.since = now;
    }

    /// Tries again when it is time. Programming is not disturbed.
    pub(super) fn look(&mut self, cx: &mut Cx) {
        if let Some(order) = self.order {
            if cx.ended(order).is_none() {
                return;
            }
            (self.order, self.since) = (None, cx.now);
            self.backoff.tried();
            if let Some(lost) = self.lost
                && cx.station.abilities.is_some_and(|abilities| abilities.information)
            {
                let away = cx.now.since(lost).as_secs_f64();
                cx.note(&causes::LINK_BACK, format!("the station's information session, after {away:.1} s"));
                self.lost = None;
                self.backoff.reset();
            }
        }
        if self.lost.is_none() || cx.station.programming || cx.station.lost.is_some() {
            return;
        }
        if cx.passed(self.since, self.backoff.wait()) {
            self.order = Some(cx.order(Action::Attach));
        }
    }
}
