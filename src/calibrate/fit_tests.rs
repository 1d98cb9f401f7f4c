//! Tests of the fit against the limit study of `standards/measurement.md` section 12.C and against brute
//! force.
use super::*;
use crate::calibrate::{CurvePoint, predict, predicted_worst};
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

/// `standards/measurement.md` section 12.C, column "best possible worst case, table only" (that study's brute
/// force). A symmetric engine gets equal trims: common practice, no source.
#[test]
fn a_symmetric_engine_reaches_the_best_possible_table() {
    for (vmax, n0, exponent, best) in [
        (TOP, 10.0, 1.0, 0.7810),
        (TOP, 40.0, 1.25, 0.9665),
        (1.25 * TOP, 10.0, 1.25, 1.0344),
        (1.25 * TOP, 40.0, 1.25, 1.3027),
        (1.25 * TOP, 40.0, 0.8, 2.0182),
        (TOP * 200.0 / 120.0, 40.0, 1.25, 1.6108),
        (2.0 * TOP, 40.0, 1.25, 1.8782),
    ] {
        let curve = dense(law(vmax, n0, exponent));
        let fit = fit_table(&curve, &curve, &line(), &ROOMY).unwrap();
        assert_eq!(trims(&fit), (128, 128));
        let worst = predicted_worst(&fit, &curve, &curve, &line());
        assert!((worst - best).abs() < 6e-5, "{vmax} {n0} {exponent}: {worst}");
    }
}

/// Section 12.C, "both directions on one table and two trims": best possible with any trims, and untrimmed.
/// That study also lowers or raises both trims together to hit the table's steps; here the slower direction
/// keeps 128, which costs up to a quarter.
#[test]
fn unlike_directions_come_close_to_the_best_possible_trims() {
    let forward = law(1.25 * TOP, 25.0, 1.1);
    let reverse: [(Law, f64, f64); 5] = [
        (&|drive| 0.97 * forward(drive), 1.201, 6.630),
        (&|drive| 0.95 * forward(drive), 1.403, 10.117),
        (&law(1.25 * TOP, 28.0, 1.1), 2.493, 3.314),
        (&|drive| 0.95 * law(1.25 * TOP, 30.0, 1.1)(drive), 3.035, 11.740),
        (&law(0.97 * 1.25 * TOP, 25.0, 1.15), 2.547, 8.664),
    ];
    let forward = dense(&forward);
    for (reverse, best, untrimmed) in reverse {
        let reverse = dense(reverse);
        let fit = fit_table(&forward, &reverse, &line(), &ROOMY).unwrap();
        assert_eq!(fit.trim_reverse, 128, "the slower one keeps its drive");
        let worst = predicted_worst(&fit, &forward, &reverse, &line());
        assert!(worst >= best - 1e-3 && worst <= 1.25 * best && worst < untrimmed, "{worst} {best}");
        let mirrored = fit_table(&reverse, &forward, &line(), &ROOMY).unwrap();
        assert_eq!(mirrored.table, fit.table, "directions may be exchanged");
        assert_eq!(trims(&mirrored), (fit.trim_reverse, fit.trim_forward));
    }
}

/// Section 12.C: 3 % slower in reverse is best met by 124/127, a ratio of 0.976.
#[test]
fn three_percent_slower_in_reverse_is_trimmed_by_as_much() {
    let forward = law(1.25 * TOP, 25.0, 1.1);
    let reverse = dense(|drive| 0.97 * forward(drive));
    let fit = fit_table(&dense(&forward), &reverse, &line(), &ROOMY).unwrap();
    assert_eq!(trims(&fit), (125, 128));
    assert!((125.0_f64 / 128.0 - 124.0 / 127.0).abs() < 0.5 / 128.0);
}

/// Common practice, no source. Points scatter by 0.3 %, as far as turns do (section 10: 0.1 to 1 %).
#[test]
fn scatter_does_not_pull_a_symmetric_engine_from_unity() {
    let speed = law(1.25 * TOP, 25.0, 1.1);
    for seed in 0..20 {
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let mut measured = || {
            let points: Vec<CurvePoint> = (1..=28)
                .map(|step| 255.0 * f64::from(step) / 28.0)
                .map(|drive| {
                    let true_speed = speed(drive);
                    let scatter = 0.003 * true_speed;
                    let speed_mm_s = true_speed + random.random_range(-scatter..=scatter);
                    CurvePoint { drive, speed_mm_s, u_mm_s: scatter }
                })
                .collect();
            SpeedCurve::fit(&points).unwrap()
        };
        let fit = fit_table(&measured(), &measured(), &line(), &Tolerance::new(0.02, 1.6)).unwrap();
        assert_eq!(trims(&fit), (128, 128), "seed {seed}");
    }
}

/// Section 12.C, row 765.4 (40, 0.80) of the study's output: table only 3.2462 mm/s, with one trim 1.1595
/// (79).
#[test]
fn a_fast_engine_beyond_tolerance_gets_finer_steps() {
    let curve = dense(law(2.0 * TOP, 40.0, 0.8));
    let tight = Tolerance::new(0.0, 1.0);
    let fit = fit_table(&curve, &curve, &line(), &tight).unwrap();
    let worst = predicted_worst(&fit, &curve, &curve, &line());
    assert_eq!(fit.trim_forward, fit.trim_reverse, "equal trims for a symmetric engine");
    assert!(worst < 1.05 * 1.1595, "{worst} with {:?}", trims(&fit));
    let content = fit_table(&curve, &curve, &line(), &Tolerance::new(0.0, 4.4)).unwrap();
    assert_eq!(trims(&content), (128, 128), "well within tolerance nothing rests on how a decoder rounds");
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
    assert!(matches!(fit_table(&fast, &slow, &target, &ROOMY), Err(FitError::TopNotReachable { .. })));
    assert!(check_top(f64::NAN, &fast, &slow, 0.1).is_err());
    assert!(fit_table(&fast, &slow, &Target::line(10.0, 400.0).unwrap(), &ROOMY).is_ok());
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
    assert_eq!(fit_table(&early, &late, &target, &ROOMY), Err(FitError::DirectionsTooUnlike));
}

#[test]
fn a_creep_speed_that_cannot_be_held_gets_the_slowest_moving_drive() {
    let points: Vec<CurvePoint> = [(18.0, 0.0), (27.0, 14.0), (36.0, 33.0), (255.0, 470.0)]
        .map(|(drive, speed_mm_s)| CurvePoint { drive, speed_mm_s, u_mm_s: 0.1 })
        .to_vec();
    let curve = SpeedCurve::fit(&points).unwrap();
    let target = Target::line(0.5, 300.0).unwrap();
    let fit = fit_table(&curve, &curve, &target, &ROOMY).unwrap();
    assert_eq!(fit.table[0], 23, "the dead zone ends somewhere between 18 and 27");
    let creep = predict(&fit, &curve, Direction::Forward, 1.0).speed_mm_s;
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
    let fit = fit_table(&curve, &curve, &target, &ROOMY).unwrap();
    assert_eq!(fit.table[27], 182, "the last drive was 182.1");
}

/// Metamorphic: the same engine in another unit of speed gets the same table.
#[test]
fn the_unit_of_speed_does_not_matter() {
    let speed = law(1.25 * TOP, 25.0, 1.1);
    let fit = |unit: f64| {
        let forward = dense(|drive| unit * speed(drive));
        let reverse = dense(|drive| unit * 0.96 * speed(drive));
        let target = Target::line(unit * 10.0, unit * 380.0).unwrap();
        fit_table(&forward, &reverse, &target, &Tolerance::new(0.02, unit * 1.6)).unwrap()
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
        trim_forward in 64..=128_u8,
        trim_reverse in 64..=128_u8,
        wanted in 0.1..500.0_f64
    ) {
        if let Some(trial) = Trial::new(&forward, &reverse, trim_forward, trim_reverse) {
            let deviations = trial.values().map(|value| trial.deviation(value.into(), wanted));
            let brute = deviations.fold(f64::INFINITY, f64::min);
            prop_assert!((trial.best_deviation(wanted) - brute).abs() < 1e-9);
            prop_assert!(trial.smooth_deviation(wanted) <= brute + 1e-6, "without steps it is never worse");
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
        if let Ok(fit) = fit_table(&curve, &curve, &target, &Tolerance::new(0.02, floor)) {
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
        if let Ok(fit) = fit_table(&forward, &reverse, &target, &tolerance) {
            prop_assert!(fit.table[0] >= 1);
            prop_assert!(fit.table.windows(2).all(|pair| pair[0] <= pair[1]), "{:?}", fit.table);
            let trims = [fit.trim_forward, fit.trim_reverse];
            prop_assert!(trims.iter().all(|trim| (LOWEST_TRIM..=UNITY).contains(trim)));
            let last = forward.last_drive();
            prop_assert!(fit.drive(Direction::Forward, 28.0) <= last + 1e-9);
            prop_assert_eq!(fit_table(&forward, &reverse, &target, &tolerance), Ok(fit));
        }
    }
}
