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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::run::RunPlan;
    use crate::sensor::Housekeeping;
    use crate::station::Setting;

    fn cx() -> Cx {
        let text = include_str!("../../scenarios/avocet.toml")
            .replace("[sensor]\n", "[sensor]\nbattery_low = \"3.5 V\"\nendurance = \"8 h\"\n");
        Cx::new(RunPlan::new(crate::config::read("avocet.toml", &text).unwrap()))
    }

    fn of(all: &[Margin], guard: GuardName) -> Margin {
        let mut mine = all.iter().filter(|margin| margin.guard == guard);
        let first = *mine.next().unwrap_or_else(|| panic!("no {guard:?}"));
        assert_eq!(mine.next(), None, "{guard:?} twice");
        first
    }

    #[test]
    fn a_guard_watches_in_what_it_may_trip_in_and_rests_otherwise() {
        let mut cx = cx();
        cx.now = BenchTime::from_millis(30_000);
        let standing = margins(&cx, &Exertion::default());
        let watch = |all: &[Margin], guard| of(all, guard).watches;
        for guard in [GuardName::SensorSilent, GuardName::NotMoving, GuardName::WrongWay, GuardName::NearTop]
        {
            assert!(!watch(&standing, guard), "{guard:?} while it stands");
        }
        assert!(watch(&standing, GuardName::MovesUnasked) && watch(&standing, GuardName::TooFast));
        cx.ordered.0 = Setting { value: 40, of: 126 };
        cx.turned_at = BenchTime::from_millis(29_500);
        let moving = margins(&cx, &Exertion::default());
        for guard in
            [GuardName::SensorSilent, GuardName::NotMoving, GuardName::WrongWay, GuardName::WithoutRest]
        {
            assert!(watch(&moving, guard), "{guard:?} while it moves");
        }
        assert!(!watch(&moving, GuardName::MovesUnasked));
        // Nothing came from the sensor: it counts from when the engine was told to move, as the guard does.
        assert!((of(&moving, GuardName::SensorSilent).value - 0.5).abs() < 1e-9);
        cx.may_stand = true;
        assert!(
            !watch(&margins(&cx, &Exertion::default()), GuardName::NotMoving),
            "in the dead zone it may stand"
        );
        cx.waiting = true;
        let handled = margins(&cx, &Exertion::default());
        assert!(handled.iter().all(|margin| {
            margin.watches
                == matches!(margin.guard, GuardName::RunTime | GuardName::Endurance | GuardName::Battery)
        }));
    }

    #[test]
    fn a_battery_shows_once_it_was_told_and_its_charge_from_the_start() {
        let mut cx = cx();
        cx.now = BenchTime::from_millis(3_600_000);
        let before = margins(&cx, &Exertion::default());
        assert!(before.iter().all(|margin| margin.guard != GuardName::Battery));
        let charge = of(&before, GuardName::Endurance);
        assert_eq!((charge.value, charge.limit), (3600.0, 28_800.0));
        cx.keep_house(Housekeeping { battery_v: Some(3.9), temperature_c: None });
        let battery = of(&margins(&cx, &Exertion::default()), GuardName::Battery);
        assert_eq!((battery.value, battery.limit, battery.guard.unit()), (3.9, 3.5, "V"));
    }
}
