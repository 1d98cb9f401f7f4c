//! The engine: motor with averaged drive, gears, friction that falls as it warms, ripple and scatter of the speed.
//!
//! Model and ranges: standards/measurement.md section 10 (textbook brushed motor; ranges partly from memory there).
//! Between two ticks the drive is constant, so the motor's speed follows its exponential exactly.
use super::noise::{Noise, Stream};
use super::spec::EngineSim;
use std::f64::consts::TAU;

/// Length of a tick, s.
pub(super) const TICK_S: f64 = 0.001;
/// Ticks between two looks at the temperature.
const THERMAL_TICKS: u32 = 100;

/// What follows from the recipe at the present temperature.
#[derive(Clone, Copy, Debug)]
struct Constants {
    /// Torque a volt of drive gives at standstill, N m/V.
    torque_per_volt: f64,
    /// Torque lost a rad/s, N m s.
    drag: f64,
    /// Running friction forward, N m.
    friction: f64,
    /// What is left of a speed difference after one tick.
    left_per_tick: f64,
}

/// The running engine.
#[derive(Clone, Debug)]
pub(super) struct Engine {
    spec: EngineSim,
    noise: Noise,
    constants: Constants,
    motor_rad_s: f64,
    warmth: f64,
    ticks_to_thermal: u32,
    position_mm: f64,
    speed_mm_s: f64,
    turn: f64,
    turn_factor: f64,
    /// Speed as it stands now over the mean of all placings.
    placed: f64,
    stalled: bool,
}

impl Engine {
    pub(super) fn new(spec: EngineSim, seed: u64) -> Self {
        let constants = constants(&spec, 0.0);
        let mut engine = Self {
            spec,
            noise: Noise::new(seed, Stream::Engine),
            constants,
            motor_rad_s: 0.0,
            warmth: 0.0,
            ticks_to_thermal: THERMAL_TICKS,
            position_mm: 0.0,
            speed_mm_s: 0.0,
            turn: 0.0,
            turn_factor: 1.0,
            placed: 1.0,
            stalled: false,
        };
        engine.lift();
        engine
    }

    /// It is lifted off and put back.
    pub(super) fn lift(&mut self) {
        if self.spec.placing > 0.0 {
            self.placed = 1.0 + self.spec.placing * self.noise.normal().clamp(-4.0, 4.0);
        }
    }

    /// Real speed of the wheel's rim, mm/s, signed.
    pub(super) fn speed_mm_s(&self) -> f64 {
        self.speed_mm_s
    }

    /// Way run since the start, mm, signed; `into_tick_s` seconds after the last tick.
    pub(super) fn position_mm(&self, into_tick_s: f64) -> f64 {
        self.position_mm + self.speed_mm_s * into_tick_s
    }

    /// 0 cold, 1 as warm as running makes it.
    pub(super) fn warmth(&self) -> f64 {
        self.warmth
    }

    /// Blocks the wheels, or sets them free.
    pub(super) fn set_stalled(&mut self, stalled: bool) {
        self.stalled = stalled;
    }

    /// Makes it as warm as said, at once.
    pub(super) fn set_warmth(&mut self, warmth: f64) {
        self.warmth = warmth.clamp(0.0, 1.0);
        self.constants = constants(&self.spec, self.warmth);
    }

    /// Runs one tick under a drive of -1 to 1.
    pub(super) fn tick(&mut self, drive: f64) {
        self.position_mm += self.speed_mm_s * TICK_S;
        self.motor_rad_s = if self.stalled { 0.0 } else { self.next_rad_s(drive) };
        self.warm();
        self.speed_mm_s = if self.motor_rad_s == 0.0 { 0.0 } else { self.rim_speed() };
    }

    fn next_rad_s(&self, drive: f64) -> f64 {
        let now = self.motor_rad_s;
        let torque = self.torque(drive);
        if now == 0.0 {
            let friction = self.friction(torque);
            if torque.abs() <= friction * self.spec.stiction {
                return 0.0;
            }
            return self.approach(0.0, torque - friction.copysign(torque));
        }
        let next = self.approach(now, torque - self.friction(now).copysign(now));
        // It passes through standstill only by starting anew: friction holds it there first.
        if next * now <= 0.0 { 0.0 } else { next }
    }

    fn approach(&self, now: f64, net_torque: f64) -> f64 {
        let end = net_torque / self.constants.drag;
        end + (now - end) * self.constants.left_per_tick
    }

    fn torque(&self, drive: f64) -> f64 {
        let share = drive.abs().min(1.0);
        let bent = share + self.spec.bend * share * (1.0 - share);
        let arrives = if drive < 0.0 { -bent * self.spec.reverse_drive } else { bent };
        self.constants.torque_per_volt * arrives * self.spec.supply_v
    }

    fn friction(&self, way: f64) -> f64 {
        self.constants.friction * if way < 0.0 { self.spec.reverse_friction } else { 1.0 }
    }

    fn rim_speed(&mut self) -> f64 {
        let turn = libm::floor(self.position_mm / self.spec.circumference_mm);
        if (turn - self.turn).abs() > 0.5 {
            self.turn = turn;
            self.turn_factor = 1.0 + self.spec.scatter * self.noise.normal().clamp(-4.0, 4.0);
        }
        let angle = TAU * (self.position_mm / self.spec.circumference_mm - turn);
        let ripple = 1.0 + self.spec.ripple * libm::cos(angle - self.spec.ripple_at_rad);
        self.even_speed(self.motor_rad_s) * ripple * self.turn_factor
    }

    fn even_speed(&self, motor_rad_s: f64) -> f64 {
        self.placed * motor_rad_s * self.spec.circumference_mm / (TAU * self.spec.gear)
    }

    fn warm(&mut self) {
        self.ticks_to_thermal -= 1;
        if self.ticks_to_thermal > 0 {
            return;
        }
        self.ticks_to_thermal = THERMAL_TICKS;
        let (goal, constant_s) =
            if self.motor_rad_s == 0.0 { (0.0, self.spec.cooling_s) } else { (1.0, self.spec.warming_s) };
        let share = 1.0 - libm::exp(-f64::from(THERMAL_TICKS) * TICK_S / constant_s);
        let warmth = self.warmth + (goal - self.warmth) * share;
        self.set_warmth(warmth);
    }

    /// Speed to which it settles from standstill under a drive of -1 to 1, as warm as it is: the way of a turn over
    /// its time, scatter left out. Signed, mm/s. Ripple makes a turn take longer by `1/sqrt(1 - ripple^2)`.
    pub(super) fn steady_speed(&self, drive: f64) -> f64 {
        let torque = self.torque(drive);
        let friction = self.friction(torque);
        if torque.abs() <= friction * self.spec.stiction.max(1.0) {
            return 0.0;
        }
        let motor_rad_s = (torque - friction.copysign(torque)) / self.constants.drag;
        self.even_speed(motor_rad_s) * (1.0 - self.spec.ripple * self.spec.ripple).max(0.0).sqrt()
    }
}

fn constants(spec: &EngineSim, warmth: f64) -> Constants {
    let constant = spec.constant_v_s * (1.0 - spec.flux_loss * warmth);
    let resistance = spec.resistance_ohm * (1.0 + spec.winding_rise * warmth);
    let drag = constant * constant / resistance + spec.viscous_n_m_s;
    Constants {
        torque_per_volt: constant / resistance,
        drag,
        friction: spec.friction_n_m * (1.0 - spec.friction_fall * warmth),
        left_per_tick: libm::exp(-TICK_S * drag / spec.inertia_kg_m2),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The motor of the check in standards/measurement.md section 10.
    fn check_motor() -> EngineSim {
        EngineSim {
            resistance_ohm: 20.0,
            constant_v_s: 0.008,
            inertia_kg_m2: 6e-7,
            friction_n_m: 2e-4,
            stiction: 1.0,
            viscous_n_m_s: 1e-8,
            supply_v: 12.0,
            gear: 15.0,
            circumference_mm: 33.0,
            bend: 0.0,
            reverse_drive: 1.0,
            reverse_friction: 1.0,
            friction_fall: 0.0,
            winding_rise: 0.0,
            flux_loss: 0.0,
            warming_s: 150.0,
            cooling_s: 600.0,
            ripple: 0.0,
            ripple_at_rad: 0.0,
            scatter: 0.0,
            placing: 0.0,
        }
    }

    fn assert_near(found: f64, expected: f64, relative: f64) {
        assert!((found - expected).abs() <= relative * expected.abs(), "{found}, expected {expected}");
    }

    /// Closed forms of standards/measurement.md section 10: time constant, D0, steady speeds.
    #[test]
    fn steady_speeds_and_dead_zone_are_those_of_the_closed_form() {
        let engine = Engine::new(check_motor(), 1);
        for (drive, speed) in
            [(0.1, 30.541_883_16), (0.25, 109.078_154_14), (0.5, 239.971_939_12), (1.0, 501.759_509_06)]
        {
            assert_near(engine.steady_speed(drive), speed, 1e-9);
            assert_near(engine.steady_speed(-drive), -speed, 1e-9);
        }
        let dead_zone = 10.625 / 255.0;
        assert!(engine.steady_speed(dead_zone * 0.9999) == 0.0);
        assert!(engine.steady_speed(dead_zone * 1.0001) > 0.0);
    }

    /// Start from standstill under half drive: w(t) of scipy's integrator in standards/measurement.md section 10.
    #[test]
    fn the_start_follows_the_published_exponential() {
        let mut engine = Engine::new(check_motor(), 1);
        let mut ticks = 0;
        for (until, rad_s) in [
            (50, 160.860_21),
            (100, 283.964_972),
            (200, 450.274_536),
            (500, 638.132_392),
            (1000, 682.104_071),
        ] {
            while ticks < until {
                engine.tick(0.5);
                ticks += 1;
            }
            assert_near(engine.motor_rad_s, rad_s, 1e-7);
        }
        let tau_s = -TICK_S / libm::log(engine.constants.left_per_tick);
        assert_near(tau_s, 0.186_915_887_9, 1e-9);
    }

    /// Change of speed by warming, all parts, of standards/measurement.md section 10 (winding +20 K, magnet +15 K
    /// ferrite, friction -20 %).
    #[test]
    fn warming_changes_the_speed_as_published() {
        let spec = EngineSim { friction_fall: 0.2, winding_rise: 0.0786, flux_loss: 0.03, ..check_motor() };
        for (drive, percent) in [(0.15, 7.423), (0.25, 5.322), (0.5, 4.080), (1.0, 3.541)] {
            let mut engine = Engine::new(spec.clone(), 1);
            let cold = engine.steady_speed(drive);
            engine.set_warmth(1.0);
            let change = 100.0 * (engine.steady_speed(drive) / cold - 1.0);
            assert!((change - percent).abs() < 0.02, "{drive}: {change} % instead of {percent} %");
        }
    }

    #[test]
    fn stiction_holds_it_until_overcome_and_running_friction_keeps_it_going() {
        let mut engine = Engine::new(EngineSim { stiction: 1.5, ..check_motor() }, 1);
        let dead_zone = 0.041_666_67;
        let run = |engine: &mut Engine, drive: f64| (0..3000).for_each(|_| engine.tick(drive));
        run(&mut engine, dead_zone * 1.4);
        assert!(engine.speed_mm_s() == 0.0);
        run(&mut engine, dead_zone * 1.6);
        assert!(engine.speed_mm_s() > 5.0);
        run(&mut engine, dead_zone * 1.4);
        assert!(engine.speed_mm_s() > 5.0, "running friction is lower than stiction");
        run(&mut engine, 0.0);
        assert!(engine.speed_mm_s() == 0.0);
    }

    #[test]
    fn a_turn_with_ripple_takes_the_time_that_the_steady_speed_says() {
        let mut engine = Engine::new(EngineSim { ripple: 0.05, ripple_at_rad: 1.0, ..check_motor() }, 1);
        for _ in 0..5000 {
            engine.tick(0.5);
        }
        let start = engine.position_mm(0.0);
        for _ in 0..200_000 {
            engine.tick(0.5);
        }
        let mean = (engine.position_mm(0.0) - start) / 200.0;
        assert_near(mean, engine.steady_speed(0.5), 2e-4);
    }

    #[test]
    fn it_warms_while_it_turns_and_cools_while_it_stands() {
        let mut engine = Engine::new(EngineSim { friction_fall: 0.3, ..check_motor() }, 1);
        for _ in 0..150_000 {
            engine.tick(0.3);
        }
        assert!((engine.warmth() - 0.632).abs() < 0.01, "{}", engine.warmth());
        let warm = engine.warmth();
        for _ in 0..600_000 {
            engine.tick(0.0);
        }
        assert!((engine.warmth() - warm * 0.368).abs() < 0.01, "{}", engine.warmth());
    }
}
