//! What running costs the motor: how long the engine has run without a rest, and how long near full speed. After too much
//! of either it rests, and the phase goes on as after any other stop of that length: warm again first.
use super::cx::{Cx, Failure};
use super::mover::Mover;
use crate::station::Setting;
use crate::time::BenchTime;
use std::time::Duration;

/// At this part of the highest setting and above an engine runs near its top, in tenths (own choice).
const NEAR_TOP_TENTHS: u32 = 9;

/// The meter, and the rest under way.
#[derive(Debug, Default)]
pub(super) struct Exertion {
    /// When it was looked at last, and the setting ordered then.
    looked: Option<(BenchTime, Setting)>,
    ran: Duration,
    at_top: Duration,
    stood: Duration,
    rest: Option<Rest>,
    rested: u32,
    /// All that it ran in this run.
    driven: Duration,
}

#[derive(Debug)]
struct Rest {
    mover: Mover,
    /// Since when it stands.
    since: Option<BenchTime>,
}

impl Exertion {
    /// Adds up what went by since the last look; what was too much, in words, where it was.
    pub(super) fn look(&mut self, cx: &mut Cx) -> Option<String> {
        let limits = cx.plan.spec.limits;
        let (since, setting) = self.looked.replace((cx.now, cx.ordered.0)).unwrap_or((cx.now, cx.ordered.0));
        let span = cx.now.since(since);
        if setting.value == 0 {
            self.at_top = Duration::ZERO;
            self.stood += span;
            if self.stood >= limits.rest {
                self.ran = Duration::ZERO;
            }
            return None;
        }
        self.stood = Duration::ZERO;
        self.ran += span;
        self.driven += span;
        let near_top = u32::from(setting.value) * 10 >= u32::from(setting.of) * NEAR_TOP_TENTHS;
        self.at_top = if near_top { self.at_top + span } else { Duration::ZERO };
        if self.ran >= limits.without_rest {
            return Some(format!("{} min without a rest", minutes(self.ran)));
        }
        if self.at_top >= limits.at_top {
            return Some(format!("{} min near full speed", minutes(self.at_top)));
        }
        cx.wake_at(cx.now + (limits.without_rest.saturating_sub(self.ran)));
        if near_top {
            cx.wake_at(cx.now + (limits.at_top.saturating_sub(self.at_top)));
        }
        None
    }

    /// The engine is to rest now.
    pub(super) fn begin_rest(&mut self, cx: &Cx) {
        (self.ran, self.at_top) = (Duration::ZERO, Duration::ZERO);
        self.rested += 1;
        self.rest = Some(Rest { mover: Mover::stand(cx), since: None });
    }

    /// How long it ran without a rest, and how long near full speed.
    pub(super) fn meters(&self) -> (Duration, Duration) {
        (self.ran, self.at_top)
    }

    /// For how long it was told to move, all together.
    pub(super) fn driven(&self) -> Duration {
        self.driven
    }

    /// How often it has rested.
    pub(super) fn rested(&self) -> u32 {
        self.rested
    }

    pub(super) fn rests(&self) -> bool {
        self.rest.is_some()
    }

    /// It was stopped for another reason meanwhile: standing is to be seen again.
    pub(super) fn rewind(&mut self, cx: &Cx) {
        if let Some(rest) = &mut self.rest {
            rest.mover = Mover::stand(cx);
        }
    }

    /// Once it has stood for long enough: for how long.
    pub(super) fn poll_rest(&mut self, cx: &mut Cx) -> Result<Option<Duration>, Failure> {
        let Some(rest) = &mut self.rest else { return Ok(None) };
        if rest.since.is_none() && rest.mover.poll(cx)?.is_none() {
            return Ok(None);
        }
        let since = *rest.since.get_or_insert(cx.now);
        let span = cx.plan.spec.limits.rest;
        if !cx.passed(since, span) {
            return Ok(None);
        }
        self.rest = None;
        Ok(Some(span))
    }
}

fn minutes(span: Duration) -> f64 {
    (span.as_secs_f64() / 6.0).round() / 10.0
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::run::RunPlan;

    /// Looks once a second while the settings of this list, of 126, are ordered for so many seconds each; when it was too much.
    fn too_much(list: &[(u16, u64)]) -> Option<(u64, String)> {
        let spec = crate::config::read("avocet.toml", include_str!("../../scenarios/avocet.toml")).unwrap();
        let mut cx = Cx::new(RunPlan::new(spec));
        let mut meter = Exertion::default();
        let mut second = 0;
        for (value, seconds) in list {
            cx.ordered.0.value = *value;
            for _ in 0..*seconds {
                if let Some(words) = meter.look(&mut cx) {
                    return Some((second, words));
                }
                second += 1;
                cx.now = BenchTime::ZERO + Duration::from_secs(second);
            }
        }
        None
    }

    #[test]
    fn minutes_near_the_top_count_as_one_stretch() {
        assert_eq!(too_much(&[(60, 60), (114, 700)]).unwrap(), (660, "10 min near full speed".to_owned()));
        assert_eq!(too_much(&[(113, 1300)]), None, "below nine tenths of 126");
        assert_eq!(
            too_much(&[(126, 590), (60, 5), (126, 590), (0, 5), (126, 590)]),
            None,
            "with pauses from it"
        );
    }

    #[test]
    fn short_stands_are_no_rest() {
        let hours = [(60, 2700), (0, 599), (60, 2700), (60, 10)];
        assert_eq!(too_much(&hours).unwrap(), (2700 + 599 + 2700, "90 min without a rest".to_owned()));
        assert_eq!(too_much(&[(60, 5399), (0, 600), (60, 5399)]), None, "a rest of ten minutes");
    }
}
