//! Tests of the choice of points: few where the curve is straight, more where it bends, and enough in the end.
use super::*;

/// Speed at a drive: straight, or bent by a power above a dead zone.
fn speed(power: f64) -> impl Fn(f64) -> f64 {
    move |drive| 420.0 * libm::pow(((drive - 12.0) / 243.0).max(0.0), power)
}

fn drive_of(value: u16, of: u16) -> f64 {
    255.0 * f64::from(value - 1) / f64::from(of - 1)
}

fn point(drive: f64, speed: &impl Fn(f64) -> f64) -> CurvePoint {
    let speed_mm_s = speed(drive);
    CurvePoint { drive, speed_mm_s, u_mm_s: (0.0015 * speed_mm_s).max(0.1) }
}

/// Plays a sweep: begins with a few settings, measures what is asked for until nothing more is. All settings measured.
fn learn(speed: &impl Fn(f64) -> f64, of: u16, tolerance: &Tolerance) -> Vec<u16> {
    let target = Target::line(14.0, 370.0).unwrap();
    let all: Vec<u16> = (2..=of).filter(|value| speed(drive_of(*value, of)) > 3.0).collect();
    let mut known: Vec<u16> = [0, 2, 5, 8, 10].map(|tenth| all[tenth * (all.len() - 1) / 10]).to_vec();
    for _ in 0..12 {
        let points: Vec<CurvePoint> = known.iter().map(|value| point(drive_of(*value, of), speed)).collect();
        let free: Vec<(u16, f64)> = all
            .iter()
            .filter(|value| !known.contains(value))
            .map(|value| (*value, drive_of(*value, of)))
            .collect();
        let [forward, reverse] = next_points([&points, &points], [&free, &free], &target, tolerance);
        assert_eq!(forward, reverse, "both directions are alike here");
        assert!(forward.windows(2).all(|pair| pair[0] < pair[1]), "{forward:?}");
        assert!(forward.iter().all(|value| free.iter().any(|row| row.0 == *value)), "{forward:?}");
        if forward.is_empty() {
            break;
        }
        known.extend(forward);
        known.sort_unstable();
    }
    known
}

#[test]
fn a_straight_curve_needs_few_points_and_a_bent_one_more() {
    let tolerance = Tolerance::new(0.02, 1.6);
    let straight = learn(&speed(1.0), 28, &tolerance);
    let bent = learn(&speed(1.5), 28, &tolerance);
    assert!(straight.len() <= 11, "{straight:?}");
    assert!(bent.len() > straight.len(), "{bent:?} {straight:?}");
    assert!(learn(&speed(1.0), 126, &tolerance).len() <= 16);
}

#[test]
fn a_narrow_tolerance_asks_for_more() {
    let wide = learn(&speed(1.2), 126, &Tolerance::new(0.05, 4.0));
    let narrow = learn(&speed(1.2), 126, &Tolerance::new(0.01, 0.8));
    assert!(narrow.len() > wide.len(), "{} {}", narrow.len(), wide.len());
}

/// What was learned meets the tolerance in truth at every entry, as far as whole numbers can.
#[test]
fn the_table_from_the_points_chosen_meets_the_tolerance() {
    let (target, tolerance) = (Target::line(14.0, 370.0).unwrap(), Tolerance::new(0.02, 1.6));
    for (power, of) in [(1.0, 28), (1.25, 28), (1.5, 28), (1.0, 126), (1.25, 126), (0.85, 126)] {
        let speed = speed(power);
        let points: Vec<CurvePoint> =
            learn(&speed, of, &tolerance).iter().map(|value| point(drive_of(*value, of), &speed)).collect();
        let drawn = Drawn::through([&points, &points]).unwrap();
        let [forward, reverse] = drawn.curves.each_ref();
        let (curves, reading) = ([forward, reverse], TableReading::default());
        let task = TableTask {
            curves,
            habits: &drawn.habits,
            target: &target,
            tolerance: &tolerance,
            of: 28,
            reading,
        };
        let fit = task.best().unwrap();
        for entry in (2..=ENTRIES).map(|entry| entry as f64) {
            let drive = fit.drive(Direction::Forward, entry);
            let own = (speed(drive + 1.0) - speed(drive - 1.0)) / 4.0;
            let off = (speed(drive) - target.at(entry)).abs();
            let allowed = tolerance.allowed(target.at(entry), 1.1 * own);
            assert!(off <= allowed, "power {power}, {of} steps, entry {entry}: {off} of {allowed}");
        }
    }
}

#[test]
fn points_that_make_no_curve_ask_for_nothing() {
    let target = Target::line(14.0, 370.0).unwrap();
    let none = next_points([&[], &[]], [&[(3, 27.0)], &[(3, 27.0)]], &target, &Tolerance::new(0.02, 1.6));
    assert_eq!(none, [Vec::<u16>::new(), Vec::new()]);
}
