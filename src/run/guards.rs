//! Guards: what must not happen while a run goes on. Each looks at the level, not only at changes, and knows the
//! phase, so that none trips the calibration itself.
use super::cx::{Cx, Failure, Link};
use super::supply::SupplyWatch;
use crate::cause::{
    engine as causes, heard, record as record_causes, sensor as sensor_causes, station as station_causes,
};
use crate::config::ProgrammingPlace;
use crate::motion::Standing;
use crate::station::{Action, Direction, OrderId};
use crate::time::BenchTime;
use std::time::Duration;

/// A disagreement must last this long before it counts.
const LASTING: Duration = Duration::from_secs(1);
/// A battery that sags while its radio sends recovers within this time (own choice).
const BATTERY_LASTING: Duration = Duration::from_secs(10);
/// Moves after a stop this long count as unasked (the decoder brakes, the axle settles).
const COASTING: Duration = Duration::from_secs(2);

/// An engine that showed its speed before may go unseen this long.
const BLIND_MOST: Duration = Duration::from_secs(4);
/// The first whole turn must come round within this time.
const FIRST_TURN_MOST: Duration = Duration::from_secs(60);
/// Faster than this part of the target's top, an engine runs while it is being programmed.
const RUNS_OFF: f64 = 0.1;
/// Farther than this within such a time it goes, however slowly: pulses of a few milliseconds each, some a second, do not
/// take it there (own choice).
const GOES_OFF_MM: f64 = 50.0;
const GOES_OFF_WITHIN: Duration = Duration::from_secs(5);
/// An order waits this long for its record. The journal's own thread tells of trouble sooner, while it lives.
pub(super) const JOURNAL_MOST: Duration = Duration::from_secs(10);

/// The guards' memory: since when a level has been wrong.
#[derive(Debug, Default)]
pub(super) struct Guards {
    wrong_way: Option<BenchTime>,
    unasked: Option<BenchTime>,
    frozen: Option<BenchTime>,
    /// Since when nothing was seen, and whether a turn had been.
    blind: Option<(BenchTime, bool)>,
    too_fast: Option<BenchTime>,
    power_asked: Option<OrderId>,
    power_told_off: BenchTime,
    supply: SupplyWatch,
    battery_low: Option<BenchTime>,
    silence_asked: Option<OrderId>,
    runs_off: RunsOff,
}

/// Notices an engine that runs while the track is used for programming. Acknowledgement pulses jerk the wheels (S-9.2.3 D):
/// that is slow and short, so it is the way that counts, and a speed that lasts.
#[derive(Debug, Default)]
pub(super) struct RunsOff {
    since: Option<BenchTime>,
    /// Where it was, and when, for the way since then.
    from: Option<(BenchTime, f64)>,
}

impl RunsOff {
    /// True once it has run for long enough. An engine that a person carries over may be turned by hand.
    pub(super) fn look(&mut self, cx: &mut Cx) -> bool {
        let by_hand = cx.waiting || cx.plan.spec.programming.place == ProgrammingPlace::MovedByHand;
        let runs = !by_hand && cx.turns_faster_than(RUNS_OFF * cx.plan.spec.target.top_mm_s());
        let way_mm = cx.motion.way().0;
        let (began, from_mm) = *self.from.get_or_insert((cx.now, way_mm));
        let goes = !by_hand && (way_mm - from_mm).abs() > GOES_OFF_MM;
        if by_hand || cx.passed(began, GOES_OFF_WITHIN) {
            self.from = None;
        }
        lasts(&mut self.since, runs, cx) || goes
    }
}

impl Guards {
    /// Looks once; the failure that must stop the run, if any.
    pub(super) fn look(&mut self, cx: &mut Cx) -> Result<(), Failure> {
        if let Some(why) = cx.station.lost.clone() {
            let (cause, evidence) = heard(&why, &station_causes::SESSION_LOST);
            return Err(Failure::halted(cause, format!("station: {evidence}")).by(Link::Station));
        }
        run_time(cx)?;
        journal(cx)?;
        if cx.station.programming || cx.waiting {
            // Acknowledgement pulses jerk the wheels, and the person may be handling the engine.
            return self.resting(cx);
        }
        self.runs_off = RunsOff::default();
        self.supply.look(cx);
        self.battery(cx)?;
        self.station_silence(cx)?;
        self.power(cx)?;
        self.sensor(cx)?;
        self.blind(cx)?;
        self.speed(cx)?;
        self.direction(cx)?;
        self.standing(cx)
    }

    /// While the engine is programmed or handled.
    fn resting(&mut self, cx: &mut Cx) -> Result<(), Failure> {
        let battery_low = self.battery_low;
        *self = Self { runs_off: std::mem::take(&mut self.runs_off), battery_low, ..Self::default() };
        if !self.runs_off.look(cx) {
            return Ok(());
        }
        Err(Failure::emergency(&causes::MOVES_UNASKED, "while the decoder was being programmed"))
    }

    /// While a lost link is waited for. `stopped`: the stop is over, and whatever moves now moves unasked.
    pub(super) fn look_interrupted(&mut self, cx: &mut Cx, stopped: bool) -> Result<(), Failure> {
        run_time(cx)?;
        journal(cx)?;
        if cx.waiting || cx.station.programming {
            return self.resting(cx);
        }
        self.speed(cx)?;
        if stopped { self.standing(cx) } else { Ok(()) }
    }

    /// A station that says nothing may have died while the engine runs. Adapters ask by themselves after a while; where
    /// one does not, it is asked at half of the limit.
    fn station_silence(&mut self, cx: &mut Cx) -> Result<(), Failure> {
        // Who is asked nothing at rest may say nothing: it counts from when the engine was set in motion.
        let heard_at = cx.station.heard_at.max(cx.turned_at);
        let limit = cx.plan.spec.limits.station_silence;
        if let Some(order) = self.silence_asked
            && cx.ended(order).is_some()
        {
            self.silence_asked = None;
        }
        if cx.ordered.0.value == 0 || !cx.passed(heard_at, limit / 2) {
            return Ok(());
        }
        if cx.passed(heard_at, limit) {
            let evidence = format!("not a word for {:.1} s", cx.now.since(heard_at).as_secs_f64());
            return Err(Failure::emergency(&station_causes::STATION_SILENT, evidence).by(Link::Station));
        }
        if self.silence_asked.is_none() {
            self.silence_asked = Some(cx.order(Action::AskEngine));
        }
        Ok(())
    }

    /// A report of "power off" may be older than our own switching on: it counts when asking confirms it.
    fn power(&mut self, cx: &mut Cx) -> Result<(), Failure> {
        if !cx.station.power_wanted || cx.station.power != Some(false) {
            self.power_asked = None;
            return Ok(());
        }
        let Some(order) = self.power_asked else {
            self.power_asked = Some(cx.order(Action::AskPower));
            self.power_told_off = cx.now;
            return Ok(());
        };
        if cx.ended(order).is_none() {
            return Ok(());
        }
        // Somebody or a short circuit cut it: no power and no programming before a person has looked.
        cx.station.power_wanted = false;
        cx.cvs_frozen = true;
        let evidence = "the station reports power off, also when asked";
        if let Some(part) = self.supply.sank(self.power_told_off) {
            let evidence =
                format!("{evidence}; at one setting the speed had sunk by {:.0} % before", 100.0 * part);
            return Err(Failure::halted(&station_causes::SUPPLY_WEAK, evidence));
        }
        Err(Failure::halted(&station_causes::POWER_LOST, evidence))
    }

    /// A sensor that is about to fall silent is not waited for.
    fn battery(&mut self, cx: &mut Cx) -> Result<(), Failure> {
        let spec = &cx.plan.spec.sensor;
        let (low_v, endurance) = (spec.battery_low_v, spec.endurance);
        let told_v = cx.housekeeping.last().and_then(|told| told.battery_v);
        if let (Some(low_v), Some(told_v)) = (low_v, told_v)
            && told_v <= low_v
        {
            let began = *self.battery_low.get_or_insert(cx.now);
            // Before the first move there is nothing to lose by believing it at once.
            if !cx.has_moved() || cx.passed(began, BATTERY_LASTING) {
                let evidence = format!("{told_v:.2} V, limit {low_v:.2} V");
                return Err(Failure::halted(&sensor_causes::BATTERY_LOW, evidence));
            }
        } else {
            self.battery_low = None;
        }
        let Some(left) = endurance.map(|lasts| lasts.saturating_sub(cx.plan.sensor_used)) else {
            return Ok(());
        };
        if cx.passed(BenchTime::ZERO, left) {
            let used = cx.plan.sensor_used + cx.now.since(BenchTime::ZERO);
            let evidence = format!("{:.1} h since it was charged", used.as_secs_f64() / 3600.0);
            return Err(Failure::halted(&sensor_causes::BATTERY_SPENT, evidence));
        }
        Ok(())
    }

    fn sensor(&mut self, cx: &mut Cx) -> Result<(), Failure> {
        let moving = cx.ordered.0.value > 0;
        let newest = cx.motion.newest().unwrap_or(BenchTime::ZERO);
        let silence = cx.plan.spec.limits.sensor_silence;
        if moving && cx.passed(newest, silence) && cx.passed(cx.turned_at, silence) {
            let evidence = format!("no sample for {:.2} s", cx.now.since(newest).as_secs_f64());
            return Err(Failure::emergency(&sensor_causes::SILENT, evidence).by(Link::Sensor));
        }
        let late = cx.motion.lateness();
        if moving && late > silence {
            let evidence = format!("the newest sample came {:.1} s late", late.as_secs_f64());
            return Err(Failure::emergency(&sensor_causes::OLD_DATA, evidence).by(Link::Sensor));
        }
        let frozen = moving && cx.motion.standing() == Standing::Frozen;
        if lasts(&mut self.frozen, frozen, cx) {
            return Err(Failure::emergency(&sensor_causes::FROZEN, "every sample alike for 1 s"));
        }
        Ok(())
    }

    /// Moving, samples come, and nothing can be made of them: nobody watches the engine then.
    fn blind(&mut self, cx: &mut Cx) -> Result<(), Failure> {
        let seen = cx.fresh_glance().is_some() || matches!(cx.motion.standing(), Standing::For(_));
        if cx.ordered.0.value == 0 || seen || !cx.sensor_lives() {
            self.blind = None;
            return Ok(());
        }
        // Before the first whole turn a slow engine shows no speed yet; later one that did shows it all the time.
        let turned = cx.motion.has_seen_turning();
        let limit = if turned { BLIND_MOST } else { FIRST_TURN_MOST };
        // The first turn came round just now: its speed is shown soon.
        self.blind = self.blind.filter(|(_, before)| *before == turned);
        let (began, _) = *self.blind.get_or_insert((cx.now, turned));
        if cx.passed(began, limit) {
            let evidence =
                format!("for {} s at setting {} of {}", limit.as_secs(), cx.ordered.0.value, cx.ordered.0.of);
            return Err(Failure::emergency(&sensor_causes::SIGNAL_LOST, evidence));
        }
        Ok(())
    }

    fn speed(&mut self, cx: &mut Cx) -> Result<(), Failure> {
        let limit = cx.plan.spec.limits.speed_mm_s;
        let Some(glance) = cx.fresh_glance() else { return Ok(()) };
        let sure = glance.speed_mm_s.abs() - 3.0 * glance.u_mm_s;
        let began = *self.too_fast.get_or_insert(cx.now);
        if sure <= limit {
            self.too_fast = None;
        } else if sure > 1.3 * limit || cx.passed(began, Duration::from_millis(300)) {
            let evidence = format!("{:.0} mm/s seen, limit {limit:.0} mm/s", glance.speed_mm_s.abs());
            return Err(Failure::emergency(&causes::TOO_FAST, evidence));
        }
        Ok(())
    }

    fn direction(&mut self, cx: &mut Cx) -> Result<(), Failure> {
        let wanted = if cx.ordered.1 == Direction::Forward { 1.0 } else { -1.0 };
        let against = cx.ordered.0.value > 0
            && cx.speed_forward().is_some_and(|speed| speed * wanted < -floor_mm_s(cx));
        if lasts(&mut self.wrong_way, against, cx) {
            let speed = cx.speed_forward().unwrap_or(0.0);
            return Err(Failure::emergency(
                &causes::WRONG_WAY,
                format!("{:.1} mm/s against the order", speed.abs()),
            ));
        }
        Ok(())
    }

    fn standing(&mut self, cx: &mut Cx) -> Result<(), Failure> {
        if cx.ordered.0.value == 0 {
            let moves = cx
                .fresh_glance()
                .is_some_and(|glance| glance.speed_mm_s.abs() > floor_mm_s(cx) + 3.0 * glance.u_mm_s)
                && matches!(cx.motion.standing(), Standing::No);
            let limit = cx.with_momentum(cx.plan.spec.limits.standstill) + COASTING;
            let due = cx.passed(cx.turned_at, limit);
            if lasts(&mut self.unasked, moves && due, cx) {
                let speed = cx.fresh_glance().map_or(0.0, |glance| glance.speed_mm_s.abs());
                return Err(Failure::emergency(
                    &causes::MOVES_UNASKED,
                    format!("{speed:.1} mm/s at setting 0"),
                ));
            }
            return Ok(());
        }
        let limit = cx.plan.spec.limits.no_motion;
        let stands = !cx.may_stand && cx.stands_for(limit);
        if stands && cx.passed(cx.turned_at, cx.with_momentum(limit) + cx.start_time()) {
            let setting = cx.ordered.0;
            let evidence =
                format!("setting {} of {} for {:.0} s", setting.value, setting.of, limit.as_secs_f64());
            return Err(Failure::halted(&causes::NOT_MOVING, evidence));
        }
        Ok(())
    }
}

fn run_time(cx: &mut Cx) -> Result<(), Failure> {
    let limit = cx.plan.spec.limits.run_time;
    if cx.passed(BenchTime::ZERO, limit) {
        return Err(Failure::halted(&causes::RUN_TOO_LONG, format!("limit {} s", limit.as_secs())));
    }
    Ok(())
}

/// An order that may not leave because the journal says nothing any more.
fn journal(cx: &mut Cx) -> Result<(), Failure> {
    let Some(since) = cx.outbox.gated_since() else { return Ok(()) };
    if cx.passed(since, JOURNAL_MOST) {
        return Err(no_journal());
    }
    Ok(())
}

/// The journal has not answered in time.
pub(super) fn no_journal() -> Failure {
    let evidence = format!("a record was not written down within {} s", JOURNAL_MOST.as_secs());
    Failure::halted(&record_causes::DISK_LAGGING, evidence)
}

/// True once `level` has held for [`LASTING`].
fn lasts(since: &mut Option<BenchTime>, level: bool, cx: &mut Cx) -> bool {
    if !level {
        *since = None;
        return false;
    }
    let began = *since.get_or_insert(cx.now);
    cx.passed(began, LASTING)
}

/// Slower than this is not called motion: a hundredth of the target's top.
pub(super) fn floor_mm_s(cx: &Cx) -> f64 {
    cx.plan.spec.target.top_mm_s() * 0.01
}

/// The process did not run for a while.
pub(super) fn gap(cx: &Cx, nanos: u64) -> Option<Failure> {
    let seconds = nanos as f64 / 1e9;
    (cx.ordered.0.value > 0).then(|| {
        Failure::emergency(
            &record_causes::GAP_IN_TIME,
            format!("{seconds:.1} s missing while the engine ran"),
        )
    })
}
