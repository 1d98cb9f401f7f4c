//! What the sensor says of itself: kept, told, and written down now and then.
use super::cx::Cx;
use super::outcome::HousekeepingSpan;
use super::record::RecordBody;
use crate::sensor::Housekeeping;
use crate::time::BenchTime;
use std::time::Duration;

/// Written down at most this often,
const EVERY: Duration = Duration::from_secs(60);
/// or when the battery has changed by this much, V. A hair less, as 3.95 - 3.90 is not 0.05 in binary.
const BATTERY_STEP_V: f64 = 0.05 - 1e-9;

/// First and last of what the sensor said, and what was written down of it.
#[derive(Debug, Default)]
pub(super) struct HousekeepingBook {
    span: Option<HousekeepingSpan>,
    recorded: Option<(BenchTime, Housekeeping)>,
}

impl HousekeepingBook {
    /// First and last; none where the sensor says nothing of itself.
    pub(super) fn span(&self) -> Option<HousekeepingSpan> {
        self.span
    }

    /// What holds now.
    pub(super) fn last(&self) -> Option<Housekeeping> {
        self.span.map(|span| span.last)
    }

    /// Whether what holds now should be written down.
    fn is_due(&self, now: BenchTime, last: Housekeeping) -> bool {
        let Some((at, recorded)) = self.recorded else { return true };
        let battery = match (recorded.battery_v, last.battery_v) {
            (Some(before), Some(now)) => (now - before).abs() >= BATTERY_STEP_V,
            (before, now) => before.is_some() != now.is_some(),
        };
        battery || (recorded != last && now >= at + EVERY)
    }
}

impl Cx {
    /// The sensor said this of itself. What it leaves out stays as it was; what is no number is not taken.
    pub(super) fn keep_house(&mut self, told: Housekeeping) {
        let finite = |value: Option<f64>| value.filter(|value| value.is_finite());
        let (battery_v, temperature_c) = (finite(told.battery_v), finite(told.temperature_c));
        if battery_v.is_none() && temperature_c.is_none() {
            return;
        }
        let before = self.housekeeping.last().unwrap_or_default();
        let last = Housekeeping {
            battery_v: battery_v.or(before.battery_v),
            temperature_c: temperature_c.or(before.temperature_c),
        };
        let first = self.housekeeping.span.map_or(last, |span| Housekeeping {
            battery_v: span.first.battery_v.or(battery_v),
            temperature_c: span.first.temperature_c.or(temperature_c),
        });
        self.housekeeping.span = Some(HousekeepingSpan { first, last });
        if self.housekeeping.is_due(self.now, last) {
            self.housekeeping.recorded = Some((self.now, last));
            self.record(RecordBody::Housekeeping(last));
        }
    }
}
