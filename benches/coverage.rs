//! Coverage of the stated 95 % intervals of a point, against the truth; and what a point costs against the plain rule.
//!
//! What runs here is the program's own: `Motion` from samples of a field, `PointRule` for settling, stopping and guard,
//! `TurnScatter` for what is known beforehand. The axle around it is made up here. Each run is a fresh engine: three long
//! measurements (80 turns at 230 mm/s) stand for the warm-up, then eight points at the speed of the cell, each after a change
//! by 13.7 mm/s; 20 000 points a cell. Its time constant is learned with a standard deviation of 8 %. The speed scatters
//! anew with each turn of the axle. Samples come at 60 a turn, but at 20 Hz at least and 200 Hz at most; field noise 1 %.
//! The sensor is that of a run in progress: calibrated, and going on from point to point.
//!
//! Plain rule: wait 1.3 tau ln(|dv| / (0.001 v)) with the true tau, then ten whole turns or more until Student's t says that
//! it is enough; on a tenth of the points. Time is bench time from the order on, a mean over points.
//!
//! "Whole": the circumference drawn anew each run with the 0.2 % stated for it, the interval with everything in it.
//!
//! `cargo bench --bench coverage` (a first argument that is a number divides the count of points by it).
#![expect(
    clippy::print_stdout,
    clippy::unwrap_used,
    reason = "a bench prints its table, and fails by panicking"
)]
use pacewright::motion::{
    AxleSetup, Change, Course, Measured, Motion, PointRule, Response, TURNS_ALONE, TURNS_TO_LEARN,
    TurnScatter, Wanted,
};
use pacewright::sensor::{Reading, Sample, Source, Stamp};
use pacewright::time::BenchTime;
use std::f64::consts::TAU;
use std::time::Duration;

const CIRCUMFERENCE_MM: f64 = 33.0;
const CIRCUMFERENCE_U: f64 = 0.002;
const CHANGE_MM_S: f64 = 13.7;
const POINTS: u32 = 20_000;
const POINTS_A_RUN: u32 = 8;
/// Half a per cent, but 0.1 km/h in 1:87 at least.
const WANTED: Wanted = Wanted { rel: 0.005, floor_mm_s: 100.0 / 3.6 / 87.0 };
const TAU_LEARNED_SD: f64 = 0.08;
const RETRIES: u32 = 3;

/// splitmix64 (constants in the public domain).
struct Random(u64);

impl Random {
    fn unit(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((z ^ (z >> 31)) >> 11) as f64 / (1_u64 << 53) as f64
    }

    fn normal(&mut self) -> f64 {
        (-2.0 * libm::log(1.0 - self.unit())).sqrt() * libm::cos(TAU * self.unit())
    }
}

/// An axle that turns, its sensor, and the motion that watches it.
struct Axle {
    motion: Motion,
    random: Random,
    now_s: f64,
    turns: f64,
    turn: f64,
    factor: f64,
    scatter: f64,
    circumference_mm: f64,
    stamp_us: u32,
}

impl Axle {
    fn new(seed: u64, scatter: f64) -> Self {
        let mut random = Random(seed.wrapping_mul(0x2545_f491_4f6c_dd1d));
        let circumference_mm = CIRCUMFERENCE_MM * (1.0 + CIRCUMFERENCE_U * random.normal());
        let setup = AxleSetup {
            circumference_mm: CIRCUMFERENCE_MM,
            circumference_u_rel: CIRCUMFERENCE_U,
            source: Source::Field { pole_pairs: 1 },
        };
        let motion = Motion::new(setup);
        let turns = random.unit();
        Self {
            motion,
            random,
            now_s: 1.0,
            turns,
            turn: 0.0,
            factor: 1.0,
            scatter,
            circumference_mm,
            stamp_us: 0,
        }
    }

    /// One sample later, the engine's even speed being this by the stated circumference.
    fn step(&mut self, speed_mm_s: f64, rate_hz: f64) {
        let step_us = (1e6 / rate_hz).round();
        self.now_s += step_us * 1e-6;
        self.stamp_us = self.stamp_us.wrapping_add(step_us as u32);
        let mut left_s = step_us * 1e-6;
        while left_s > 0.0 {
            let rate = speed_mm_s * self.factor / CIRCUMFERENCE_MM;
            let to_next = (self.turn + 1.0 - self.turns) / rate.max(1e-9);
            if to_next > left_s {
                self.turns += rate * left_s;
                break;
            }
            left_s -= to_next;
            self.turn += 1.0;
            self.turns = self.turn;
            self.factor = 1.0 + self.scatter * self.random.normal();
        }
        let (sin, cos) = libm::sincos(TAU * self.turns.fract());
        let mut noise = || self.random.normal();
        let field = [
            80.0 * cos + 20.0 * sin + 40.0 + noise(),
            -30.0 * cos + 65.0 * sin - 20.0 + noise(),
            50.0 * cos + 15.0 * sin + 12.0 + noise(),
        ];
        let sample = Sample { stamp: Stamp::CountUs(self.stamp_us), reading: Reading::Field(field) };
        self.motion.take(self.at(), sample);
    }

    fn at(&self) -> BenchTime {
        BenchTime::ZERO + Duration::from_secs_f64(self.now_s)
    }

    fn run(&mut self, speed_mm_s: f64, seconds: f64) {
        let (rate_hz, until) = (rate_hz(speed_mm_s), self.now_s + seconds);
        while self.now_s < until {
            self.step(speed_mm_s, rate_hz);
        }
    }

    /// Speed that the axle's true circumference gives to what is told by the stated one.
    fn truth(&self, speed_mm_s: f64) -> f64 {
        speed_mm_s * self.circumference_mm / CIRCUMFERENCE_MM
    }

    /// Changes from one speed to another and measures by the program's rule; the result and how long it took.
    fn point(
        &mut self,
        (from, to): (f64, f64),
        tau_s: f64,
        response: &mut Response,
        scatter: &mut TurnScatter,
    ) -> (Measured, f64) {
        self.run(from, 0.6);
        let (began_s, rate_hz) = (self.now_s, rate_hz(to));
        self.motion.begin_trace(self.at());
        let change = Change {
            before_mm_s: from,
            before_u_mm_s: 0.0,
            single: true,
            ramp_s: 0.0,
            begins_s: response.dead_s,
        };
        let (mut measuring, mut from_s, mut tries, mut looked_s) = (false, 0.0, 0, 0.0);
        loop {
            let at_s = self.now_s - began_s;
            self.step(to + (from - to) * libm::exp(-at_s / tau_s), rate_hz);
            let at_s = self.now_s - began_s;
            let rule = PointRule {
                wanted: WANTED,
                change: Some((*response, change)),
                circumference_mm: CIRCUMFERENCE_MM,
            };
            if !measuring {
                let seen = self.motion.glance().map_or(0.0, |glance| glance.speed_mm_s);
                if rule.may_begin(at_s, seen, scatter) {
                    measuring = true;
                    self.motion.begin_measure();
                }
                continue;
            }
            let over = at_s > 60.0;
            let newest_s = self.motion.turn_blocks().map_or(0.0, |seen| seen.span_s.1);
            if newest_s <= looked_s && !over {
                continue;
            }
            looked_s = newest_s;
            let Some(look) = rule.look(&self.motion, scatter, from_s) else { continue };
            if !(look.judged.reached || over) {
                continue;
            }
            if let Some(off) = look.off
                && tries < RETRIES
                && !over
            {
                (tries, from_s, looked_s) = (tries + 1, at_s, 0.0);
                rule.relearn(off, look.judged.measured.speed_mm_s, response);
                self.motion.begin_measure();
                continue;
            }
            scatter.learn(look.judged.measured.speed_mm_s, &look.seen);
            self.motion.end_measure();
            self.motion.end_trace();
            return (look.judged.measured, at_s);
        }
    }

    /// The plain rule; how long it takes.
    fn plain(&mut self, (from, to): (f64, f64), tau_s: f64) -> f64 {
        let wait_s = 1.3 * tau_s * libm::log((to - from).abs() / (0.001 * to));
        let (began_s, rate_hz) = (self.now_s, rate_hz(to));
        let mut measuring = false;
        loop {
            let at_s = self.now_s - began_s;
            self.step(to + (from - to) * libm::exp(-at_s / tau_s), rate_hz);
            if at_s < wait_s {
                continue;
            }
            if !measuring {
                measuring = true;
                self.motion.begin_measure();
            }
            let Some(measured) = self.motion.measured() else { continue };
            let enough = measured.half_width_mm_s <= WANTED.at(measured.speed_mm_s);
            if measured.turns >= TURNS_ALONE && enough || at_s > 60.0 {
                self.motion.end_measure();
                return self.now_s - began_s;
            }
        }
    }
}

fn rate_hz(speed_mm_s: f64) -> f64 {
    (60.0 * speed_mm_s / CIRCUMFERENCE_MM).clamp(20.0, 200.0)
}

/// A calibrated axle and what its warm-up told of its scatter.
fn warm(seed: u64, scatter: f64) -> (Axle, TurnScatter) {
    let mut axle = Axle::new(seed, scatter);
    axle.run(1e-6, 1.0);
    axle.run(230.0, 2.0);
    let mut known = TurnScatter::default();
    for _ in 0..3 {
        axle.motion.begin_measure();
        axle.run(230.0, (f64::from(TURNS_TO_LEARN) + 0.5) * CIRCUMFERENCE_MM / 230.0);
        let (measured, seen) = axle.motion.measured().zip(axle.motion.turn_blocks()).unwrap();
        known.learn(measured.speed_mm_s, &seen);
        axle.motion.end_measure();
    }
    (axle, known)
}

/// What a cell came to.
#[derive(Default)]
struct Cell {
    points: f64,
    inside: f64,
    whole: f64,
    seconds: f64,
    turns: f64,
    close: f64,
    plain_s: (f64, f64),
}

fn cell(scatter: f64, speed: f64, tau_s: f64, points: u32) -> Cell {
    let mut cell = Cell::default();
    let from = (speed - CHANGE_MM_S).max(2.0);
    for run in 0..points.div_ceil(POINTS_A_RUN) {
        let seed = u64::from(run) + ((speed * 7.0 + tau_s * 1000.0 + scatter * 1e6) as u64) * 1_000_003;
        let (mut axle, mut known) = warm(seed, scatter);
        let learned_s = tau_s * (1.0 + TAU_LEARNED_SD * axle.random.normal());
        let course = Course { tau_s: learned_s, tau_u_rel: TAU_LEARNED_SD, rate_mm_s2: None };
        let mut response = Response { dead_s: 0.0, start_s: 0.0, rising: course, falling: course };
        for _ in 0..POINTS_A_RUN {
            let (measured, took_s) = axle.point((from, speed), tau_s, &mut response, &mut known);
            let off = (measured.speed_mm_s.abs() - speed).abs();
            let shared = measured.u_mm_s * measured.u_mm_s - measured.u_repeat_mm_s * measured.u_repeat_mm_s;
            let wide = libm::sqrt(measured.half_width_mm_s * measured.half_width_mm_s + 4.0 * shared);
            let off_whole = (measured.speed_mm_s.abs() - axle.truth(speed)).abs();
            cell.points += 1.0;
            cell.inside += f64::from(u8::from(off <= measured.half_width_mm_s));
            cell.whole += f64::from(u8::from(off_whole <= wide));
            cell.close += f64::from(u8::from(off <= WANTED.at(speed)));
            cell.seconds += took_s;
            cell.turns += f64::from(measured.turns);
        }
        if run % 10 == 0 {
            axle.run(from, 0.6);
            let seconds = axle.plain((from, speed), tau_s);
            cell.plain_s = (cell.plain_s.0 + seconds, cell.plain_s.1 + 1.0);
        }
    }
    cell
}

fn main() {
    if !std::env::args().any(|arg| arg == "--bench") {
        return;
    }
    let part = std::env::args().find_map(|arg| arg.parse::<u32>().ok()).unwrap_or(1).max(1);
    println!(
        "| scatter % | speed mm/s | tau s | inside % | whole % | within wanted % | turns | s | plain s | cost |"
    );
    println!("|---|---|---|---|---|---|---|---|---|---|");
    let mut worst = (100.0_f64, 0.0_f64, 0.0_f64);
    for scatter in [0.001, 0.003, 0.01] {
        for speed in [10.0, 50.0, 200.0, 380.0] {
            for tau_s in [0.19, 1.0] {
                let cell = cell(scatter, speed, tau_s, POINTS / part);
                let share = |count: f64| 100.0 * count / cell.points;
                let (seconds, plain) = (cell.seconds / cell.points, cell.plain_s.0 / cell.plain_s.1);
                println!(
                    "| {:.1} | {speed:.0} | {tau_s} | {:.1} | {:.1} | {:.2} | {:.1} | {seconds:.2} | {plain:.2} | {:.2} |",
                    100.0 * scatter,
                    share(cell.inside),
                    share(cell.whole),
                    share(cell.close),
                    cell.turns / cell.points,
                    seconds / plain
                );
                let inside = share(cell.inside);
                worst = (worst.0.min(inside), worst.1.max(inside), worst.2.max(seconds / plain));
            }
        }
    }
    println!("inside: {:.1} to {:.1} %; cost at most {:.2} of the plain rule", worst.0, worst.1, worst.2);
}
