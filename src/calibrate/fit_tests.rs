//! Tests of the fit against the limit study of `standards/measurement.md` section 12.C and against brute
//! force.
use super::*;
use crate::calibrate::testing::{KEPT, fit_table};
use crate::calibrate::{CurvePoint, Habits, predict, predicted_worst};
use crate::station::Direction;
use proptest::prelude::*;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// 120 km/h at 1:87.1 in mm/s (`standards/measurement.md` section 9).
const TOP: f64 = 382.701_875;

/// A target far below its tolerance is judged by its largest deviation in mm/s, as in section 12.C.
const ROOMY: Tolerance = Tolerance::new(0.0, 100.0);

/// Speed at a drive of section 12.C: vmax ((n - n0) / (255 - n0))^exponent.
fn law(vmax: f64, n0: f64, exponent: f64) -> impl Fn(f64) -> f64 {
    move |drive| vmax * libm::pow(((drive - n0) / (255.0 - n0)).max(0.0), exponent)
}

/// The curve through that law at every whole drive.
fn dense(speed: impl Fn(f64) -> f64) -> SpeedCurve {
    let points: Vec<CurvePoint> = (0..=255)
        .map(f64::from)
        .map(|drive| CurvePoint { drive, speed_mm_s: speed(drive), u_mm_s: 0.01 })
        .collect();
    SpeedCurve::fit(&points).unwrap()
}

/// The straight line of section 12.C.
fn line() -> Target {
    Target::line(TOP / 28.0, TOP).unwrap()
}

/// Speed over drive.
type Law<'a> = &'a dyn Fn(f64) -> f64;

fn trims(fit: &TableFit) -> (u8, u8) {
    (fit.trim_forward, fit.trim_reverse)
}

/// A decoder that rounds the product to a whole count, halves up.
const ROUNDED: Habits = Habits { exact: 0.0, nearest: 1.0, down: 0.0, beside: 0.0 };

/// `standards/measurement.md` section 12.C, the columns of one trim (that study's own search, written apart from this
/// one): with the product kept exact and with it rounded. Engines that reach the top at full drive are left out: that study
/// goes on beyond 255 counts for them. A symmetric engine gets equal trims: common practice, no source.
#[test]
fn a_symmetric_engine_reaches_the_best_possible_table() {
    for (vmax, n0, exponent, exact, rounded) in [
        (1.25 * TOP, 10.0, 1.25, 0.8069, 1.0344),
        (1.25 * TOP, 40.0, 1.25, 1.0049, 1.3027),
        (1.25 * TOP, 40.0, 0.8, 0.8961, 2.0182),
        (TOP * 200.0 / 120.0, 40.0, 1.25, 0.9792, 1.6108),
        (2.0 * TOP, 40.0, 1.25, 1.0046, 1.8782),
        (2.0 * TOP, 40.0, 0.8, 1.1595, 3.2462),
    ] {
        let curve = dense(law(vmax, n0, exponent));
        for (habits, best) in [(KEPT, exact), (ROUNDED, rounded)] {
            let fit = fit_table(&curve, &curve, &habits, &line(), &ROOMY).unwrap();
            assert_eq!(fit.trim_forward, fit.trim_reverse);
            let worst = predicted_worst(&fit, &curve, &curve, &habits, &line());
            // Between whole counts this curve is a cubic, that study's the law itself.
            assert!(
                (0.975 * best..best + 6e-5).contains(&worst),
                "{vmax} {n0} {exponent}: {worst}, not {best}"
            );
        }
        let fit = fit_table(&curve, &curve, &ROUNDED, &line(), &ROOMY).unwrap();
        assert_eq!(trims(&fit), (128, 128), "no trim makes whole counts finer");
    }
}

/// Section 12.C, "both directions on one table and two trims": best possible by that study's search over trims from 80 to
/// 179 forward and to 189 in reverse, product exact and rounded; and untrimmed.
#[test]
fn unlike_directions_get_the_best_possible_trims() {
    let forward = law(1.25 * TOP, 25.0, 1.1);
    let reverse: [(Law, [f64; 2], f64); 5] = [
        (&|drive| 0.97 * forward(drive), [1.201, 1.414], 6.630),
        (&|drive| 0.95 * forward(drive), [1.403, 1.776], 10.117),
        (&law(1.25 * TOP, 28.0, 1.1), [2.493, 2.705], 3.314),
        (&|drive| 0.95 * law(1.25 * TOP, 30.0, 1.1)(drive), [3.035, 3.316], 11.740),
        (&law(0.97 * 1.25 * TOP, 25.0, 1.15), [2.547, 2.777], 8.664),
    ];
    let forward = dense(&forward);
    for (reverse, best, untrimmed) in reverse {
        let reverse = dense(reverse);
        for (habits, best) in [KEPT, ROUNDED].into_iter().zip(best) {
            let fit = fit_table(&forward, &reverse, &habits, &line(), &ROOMY).unwrap();
            let worst = predicted_worst(&fit, &forward, &reverse, &habits, &line());
            assert!(worst <= best + 6e-4, "{worst}, that study found {best}");
            assert!(worst >= 0.9 * best && worst < untrimmed, "{worst}, that study found {best}");
            let mirrored = fit_table(&reverse, &forward, &habits, &line(), &ROOMY).unwrap();
            let mirrored = predicted_worst(&mirrored, &reverse, &forward, &habits, &line());
            assert!((mirrored - worst).abs() < 1e-9, "directions may be exchanged");
        }
    }
}

/// A decoder of which nothing is known but that it may round: its table is good whichever way it does.
#[test]
fn a_table_serves_every_rounding_that_is_not_excluded() {
    let open = Habits { exact: 0.4, nearest: 0.3, down: 0.3, beside: 0.0 };
    let forward = law(1.25 * TOP, 25.0, 1.1);
    let reverse = dense(|drive| 0.96 * forward(drive));
    let forward = dense(&forward);
    let tolerance = Tolerance::new(0.0, 1.0);
    let worst = |fit: &TableFit| {
        let sure = [KEPT, ROUNDED, Habits { down: 1.0, ..Habits::default() }];
        sure.map(|habits| predicted_worst(fit, &forward, &reverse, &habits, &line()))
            .into_iter()
            .fold(0.0, f64::max)
    };
    let careful = worst(&fit_table(&forward, &reverse, &open, &line(), &tolerance).unwrap());
    let daring = worst(&fit_table(&forward, &reverse, &KEPT, &line(), &tolerance).unwrap());
    assert!(careful < 0.9 * daring, "{careful} {daring}");
    // And an engine that needs no trims gets none, for whole counts are whole for every decoder.
    let fit = fit_table(&forward, &forward, &open, &line(), &tolerance).unwrap();
    assert_eq!(trims(&fit), (128, 128));
}

/// Every table there is: entries by themselves, for speed of one entry hangs on no other; every pair of trims beside it.
#[test]
fn no_other_table_and_trims_are_better() {
    let mut random = ChaCha8Rng::seed_from_u64(5);
    for case in 0..6 {
        let mut between = |low: f64, high: f64| random.random_range(low..high);
        let ahead = law(between(400.0, 700.0), between(5.0, 40.0), between(0.85, 1.25));
        let back = law(between(400.0, 700.0), between(5.0, 40.0), between(0.85, 1.25));
        let tolerance = Tolerance::new(0.02, between(0.2, 1.6));
        let curves = [dense(ahead), dense(back)];
        let habits = if case % 2 == 0 { KEPT } else { ROUNDED };
        let fit = fit_table(&curves[0], &curves[1], &habits, &line(), &tolerance).unwrap();
        let speeds = |curve: &SpeedCurve, trim: u8| -> Vec<Option<f64>> {
            let drives = (1..=255_u8).map(|value| habits.used(f64::from(value) * f64::from(trim) / 128.0));
            drives
                .map(|drive| {
                    let within = drive >= curve.slowest_drive() && drive <= 255.0;
                    within.then(|| curve.speed_at(drive).speed_mm_s)
                })
                .collect()
        };
        let sides = curves
            .each_ref()
            .map(|curve| (LOWEST_TRIM..=HIGHEST_TRIM).map(|trim| speeds(curve, trim)).collect::<Vec<_>>());
        let off = |pair: (&Option<f64>, &Option<f64>), wanted: f64| match pair {
            (Some(a), Some(b)) => (a - wanted).abs().max((b - wanted).abs()),
            _ => f64::INFINITY,
        };
        let wanted: Vec<f64> = (1..=28).map(|entry| line().at(f64::from(entry))).collect();
        let best_of = |ahead: &[Option<f64>], back: &[Option<f64>]| {
            let worst = wanted.iter().map(|wanted| {
                let all = ahead.iter().zip(back).map(|pair| off(pair, *wanted));
                all.fold(f64::INFINITY, f64::min) / tolerance.allowed(*wanted, 0.0)
            });
            worst.fold(0.0, f64::max)
        };
        let pairs = sides[0].iter().flat_map(|ahead| sides[1].iter().map(move |back| (ahead, back)));
        let best = pairs.map(|(ahead, back)| best_of(ahead, back)).fold(f64::INFINITY, f64::min);
        let found = (1..=28_u8).zip(&wanted).flat_map(|(entry, wanted)| {
            let (curves, allowed) = (&curves, tolerance.allowed(*wanted, 0.0));
            Direction::BOTH.into_iter().zip(curves).map(move |(direction, curve)| {
                let speed = predict(&fit, curve, &habits, direction, entry.into()).speed_mm_s;
                (speed - wanted).abs() / allowed
            })
        });
        let found = found.fold(0.0, f64::max);
        assert!((found - best).abs() < 1e-9, "case {case}: {found}, best {best}");
    }
}

#[test]
fn the_top_must_be_reachable_in_both_directions() {
    let fast = dense(law(500.0, 20.0, 1.0));
    let slow = dense(law(400.0, 20.0, 1.0));
    assert!((reachable_top(&fast, &slow, 0.1) - 360.0).abs() < 1e-9);
    assert_eq!(check_top(360.0, &fast, &slow, 0.1), Ok(()));
    let Err(FitError::TopNotReachable { asked_mm_s, reachable_mm_s }) = check_top(361.0, &fast, &slow, 0.1)
    else {
        panic!("361 is more than 360");
    };
    assert!((asked_mm_s - 361.0).abs() < 1e-9 && (reachable_mm_s - 360.0).abs() < 1e-9);
    let target = Target::line(10.0, 401.0).unwrap();
    assert!(matches!(fit_table(&fast, &slow, &KEPT, &target, &ROOMY), Err(FitError::TopNotReachable { .. })));
    assert!(check_top(f64::NAN, &fast, &slow, 0.1).is_err());
    assert!(fit_table(&fast, &slow, &KEPT, &Target::line(10.0, 400.0).unwrap(), &ROOMY).is_ok());
}

#[test]
fn directions_that_no_trim_brings_together_are_refused() {
    let points = |rows: [(f64, f64); 4]| {
        let points = rows.map(|(drive, speed_mm_s)| CurvePoint { drive, speed_mm_s, u_mm_s: 0.1 });
        SpeedCurve::fit(&points).unwrap()
    };
    let early = points([(5.0, 0.0), (10.0, 50.0), (20.0, 100.0), (30.0, 200.0)]);
    let late = points([(200.0, 0.0), (210.0, 50.0), (220.0, 100.0), (255.0, 200.0)]);
    let target = Target::line(10.0, 150.0).unwrap();
    assert_eq!(fit_table(&early, &late, &KEPT, &target, &ROOMY), Err(FitError::DirectionsTooUnlike));
}

#[test]
fn a_creep_speed_that_cannot_be_held_gets_the_slowest_moving_drive() {
    let points: Vec<CurvePoint> = [(18.0, 0.0), (27.0, 14.0), (36.0, 33.0), (255.0, 470.0)]
        .map(|(drive, speed_mm_s)| CurvePoint { drive, speed_mm_s, u_mm_s: 0.1 })
        .to_vec();
    let curve = SpeedCurve::fit(&points).unwrap();
    let target = Target::line(0.5, 300.0).unwrap();
    let fit = fit_table(&curve, &curve, &KEPT, &target, &ROOMY).unwrap();
    let first = fit.drive(Direction::Forward, 1.0);
    assert!((22.5..23.0).contains(&first), "the dead zone ends somewhere between 18 and 27: {first}");
    let creep = predict(&fit, &curve, &KEPT, Direction::Forward, 1.0).speed_mm_s;
    assert!(creep > 2.0, "and the prediction shows that it is faster: {creep}");
}

/// Nothing is asked of drives that were not measured.
#[test]
fn no_entry_lies_above_the_last_measured_drive() {
    let points: Vec<CurvePoint> = (1..=20)
        .map(|step| 255.0 * f64::from(step) / 28.0)
        .map(|drive| CurvePoint { drive, speed_mm_s: 2.0 * drive, u_mm_s: 0.1 })
        .collect();
    let curve = SpeedCurve::fit(&points).unwrap();
    let target = Target::line(10.0, curve.top().speed_mm_s).unwrap();
    let fit = fit_table(&curve, &curve, &KEPT, &target, &ROOMY).unwrap();
    let last = fit.drive(Direction::Forward, 28.0);
    assert!((181.0..=182.15).contains(&last), "the last drive was 182.1: {last}");
}

/// Metamorphic: the same engine in another unit of speed gets the same table.
#[test]
fn the_unit_of_speed_does_not_matter() {
    let speed = law(1.25 * TOP, 25.0, 1.1);
    let fit = |unit: f64| {
        let forward = dense(|drive| unit * speed(drive));
        let reverse = dense(|drive| unit * 0.96 * speed(drive));
        let target = Target::line(unit * 10.0, unit * 380.0).unwrap();
        fit_table(&forward, &reverse, &KEPT, &target, &Tolerance::new(0.02, unit * 1.6)).unwrap()
    };
    assert_eq!(fit(1.0), fit(2.0));
    assert_eq!(fit(1.0), fit(0.25));
}

/// A curve of any shape: rises over drive, with flat stretches.
fn any_curve() -> impl Strategy<Value = SpeedCurve> {
    let point = (0.0..40.0_f64, 0.01..2.0_f64, 0.0..5.0_f64);
    prop::collection::vec(point, 4..30).prop_filter_map("too few points", |steps| {
        let (mut drive, mut speed_mm_s) = (0.0, 0.0);
        let points: Vec<CurvePoint> = steps
            .iter()
            .map(|(rise, more, u_mm_s)| {
                drive = f64::min(drive + more * 10.0, 255.0);
                speed_mm_s += rise;
                CurvePoint { drive, speed_mm_s, u_mm_s: *u_mm_s }
            })
            .collect();
        SpeedCurve::fit(&points).ok()
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    /// Brute force over every value of the table.
    #[test]
    fn for_given_trims_every_entry_is_the_best_there_is(
        forward in any_curve(),
        reverse in any_curve(),
        trim_forward in 1..=255_u8,
        trim_reverse in 1..=255_u8,
        ways in 1..=3_u8,
        wanted in 0.1..500.0_f64
    ) {
        let habits = [Habit::Exact, Habit::Nearest, Habit::Down];
        let habits = &habits[..usize::from(ways)];
        let lanes = (Lane::new(&forward, trim_forward, habits), Lane::new(&reverse, trim_reverse, habits));
        let trial = if let (Some(ahead), Some(back)) = &lanes { Trial::new(ahead, back) } else { None };
        if let Some(trial) = trial {
            let deviations = (trial.values().0..=trial.values().1).map(|value| trial.deviation(value, wanted));
            let brute = deviations.fold(f64::INFINITY, f64::min);
            prop_assert!((trial.best(wanted).1 - brute).abs() < 1e-9);
        }
    }

    /// Common practice, no source.
    #[test]
    fn equal_directions_get_equal_trims(
        curve in any_curve(),
        creep in 0.01..50.0_f64,
        part in 0.1..1.0_f64,
        floor in 0.0..5.0_f64
    ) {
        let top = part * curve.top().speed_mm_s;
        let target = Target::line(creep.min(top), top).unwrap();
        if let Ok(fit) = fit_table(&curve, &curve, &KEPT, &target, &Tolerance::new(0.02, floor)) {
            prop_assert_eq!(fit.trim_forward, fit.trim_reverse);
        }
    }

    #[test]
    fn tables_never_fall_and_stay_in_range(
        forward in any_curve(),
        reverse in any_curve(),
        creep in 0.01..50.0_f64,
        top in 0.01..500.0_f64,
        relative in 0.0..0.1_f64,
        floor in 0.0..5.0_f64
    ) {
        let target = Target::line(creep.min(top), top).unwrap();
        let tolerance = Tolerance::new(relative, floor);
        if let Ok(fit) = fit_table(&forward, &reverse, &KEPT, &target, &tolerance) {
            prop_assert!(fit.table[0] >= 1);
            prop_assert!(fit.table.windows(2).all(|pair| pair[0] <= pair[1]), "{:?}", fit.table);
            let trims = [fit.trim_forward, fit.trim_reverse];
            prop_assert!(trims.iter().all(|trim| (LOWEST_TRIM..=HIGHEST_TRIM).contains(trim)));
            let last = forward.last_drive();
            prop_assert!(fit.drive(Direction::Forward, 28.0) <= last + 1e-9);
            prop_assert_eq!(fit_table(&forward, &reverse, &KEPT, &target, &tolerance), Ok(fit));
        }
    }
}
