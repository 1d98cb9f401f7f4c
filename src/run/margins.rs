//! How far each guard is from tripping, for people. Read off the same levels that the guards look at; nothing hangs on it.
use super::cx::Cx;
use super::exertion::Exertion;
use super::guards::floor_mm_s;
use crate::config::BenchSpec;
use crate::motion::Standing;
use crate::station::Direction;
use crate::time::BenchTime;
use serde::Serialize;
use std::time::Duration;

/// A guard that watches a figure.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum GuardName {
    /// No sample from the sensor, s.
    SensorSilent,
    /// Samples that come late, s.
    OldData,
    /// No word from the station, s.
    StationSilent,
    /// Told to move and standing, s.
    NotMoving,
    /// Speed whatever the direction, mm/s.
    TooFast,
    /// Speed against the order, mm/s.
    WrongWay,
    /// Speed at setting 0, mm/s.
    MovesUnasked,
    /// Moving without a rest, s.
    WithoutRest,
    /// Near full speed, s.
    NearTop,
    /// The whole run, s.
    RunTime,
    /// Time since the sensor was charged, s.
    Endurance,
    /// The sensor's battery, V: the limit is the least.
    Battery,
}

/// How far a guard is from tripping.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Margin {
    /// Which.
    pub guard: GuardName,
    /// What it sees, in the unit of the guard.
    pub value: f64,
    /// What it allows.
    pub limit: f64,
    /// It may trip in what the engine does now; else it rests.
    pub watches: bool,
}

impl GuardName {
    /// The unit of value and limit.
    #[must_use]
    pub const fn unit(self) -> &'static str {
        match self {
            Self::TooFast | Self::WrongWay | Self::MovesUnasked => "mm/s",
            Self::Battery => "V",
            _ => "s",
        }
    }
}

/// Every guard that has something to watch on this bench.
pub(super) fn margins(cx: &Cx, exertion: &Exertion) -> Vec<Margin> {
    let limits = &cx.plan.spec.limits;
    let handled = cx.waiting || cx.station.programming;
    let moving = cx.ordered.0.value > 0;
    let (ran, at_top) = exertion.meters();
    let since = |at: BenchTime| cx.now.since(at);
    let newest = cx.motion.newest().unwrap_or(BenchTime::ZERO).max(cx.turned_at);
    let heard = cx.station.heard_at.max(cx.turned_at);
    let stood = match cx.motion.standing() {
        Standing::For(stood) => stood.min(since(cx.turned_at)),
        Standing::No | Standing::Frozen => Duration::ZERO,
    };
    let speed = cx.fresh_glance().map_or(0.0, |glance| glance.speed_mm_s.abs());
    let wanted = if cx.ordered.1 == Direction::Forward { 1.0 } else { -1.0 };
    let against = (-wanted * cx.speed_forward().unwrap_or(0.0)).max(0.0);
    let spans = [
        (GuardName::SensorSilent, since(newest), limits.sensor_silence, moving),
        (GuardName::OldData, cx.motion.lateness(), limits.sensor_silence, moving),
        (GuardName::StationSilent, since(heard), limits.station_silence, moving),
        (GuardName::NotMoving, stood, limits.no_motion, moving && !cx.may_stand),
        (GuardName::WithoutRest, ran, limits.without_rest, moving),
        (GuardName::NearTop, at_top, limits.at_top, moving),
        (GuardName::RunTime, since(BenchTime::ZERO), limits.run_time, true),
    ];
    let mut all: Vec<Margin> = spans
        .map(|(guard, value, limit, watches)| {
            let watches = watches && (!handled || guard == GuardName::RunTime);
            Margin { guard, value: value.as_secs_f64(), limit: limit.as_secs_f64(), watches }
        })
        .into();
    for (guard, value, limit, watches) in [
        (GuardName::TooFast, speed, limits.speed_mm_s, true),
        (GuardName::WrongWay, against, floor_mm_s(cx), moving),
        (GuardName::MovesUnasked, if moving { 0.0 } else { speed }, floor_mm_s(cx), !moving),
    ] {
        all.push(Margin { guard, value, limit, watches: watches && !handled });
    }
    all.extend(charge(cx, &cx.plan.spec));
    all
}

/// What is known of the charge of the sensor's battery.
fn charge(cx: &Cx, spec: &BenchSpec) -> impl Iterator<Item = Margin> {
    let used = cx.plan.sensor_used + cx.now.since(BenchTime::ZERO);
    let endurance = spec.sensor.endurance.map(|lasts| Margin {
        guard: GuardName::Endurance,
        value: used.as_secs_f64(),
        limit: lasts.as_secs_f64(),
        watches: true,
    });
    let told_v = cx.housekeeping.last().and_then(|told| told.battery_v);
    let battery = told_v.zip(spec.sensor.battery_low_v).map(|(value, limit)| Margin {
        guard: GuardName::Battery,
        value,
        limit,
        watches: true,
    });
    endurance.into_iter().chain(battery)
}
