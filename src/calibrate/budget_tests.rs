//! The budget against worked examples of the GUM and the project's own (`standards/measurement.md` section 8).
use super::*;

fn near(found: f64, wanted: f64, tolerance: f64) {
    assert!((found - wanted).abs() <= tolerance * wanted.abs(), "found {found}, wanted {wanted}");
}

fn of(parts: &[(f64, f64)]) -> Combined {
    combined(parts.iter().map(|(u, degrees)| (*u, Some(*degrees))).collect::<Vec<_>>())
}

/// GUM G.4.1: three relative standard uncertainties in %, the example of the Welch-Satterthwaite formula. Printed there:
/// 1.03 %, 19.0, t 2.09, 2.2 %. To all digits: `tests/reference/budget.py` (scipy 1.17.1) and the sheet.
#[test]
fn the_example_of_welch_and_satterthwaite() {
    let whole = of(&[(0.25, 9.0), (0.57, 4.0), (0.82, 14.0)]);
    near(whole.u, 1.029_465_880_9, 1e-10);
    near(whole.degrees.unwrap(), 18.998_742_314_3, 1e-10);
    near(whole.expanded(), 2.154_706_506, 1e-8);
    near(t_975(19.0), 2.093_024, 1e-6);
}

/// GUM H.1, the end gauge: components of 25, 9.7, 2.9 and 16.6 nm; and those of the difference measured.
#[test]
fn the_end_gauge() {
    let whole = of(&[(25.0, 18.0), (9.7, 25.6), (2.9, 50.0), (16.6, 2.0)]);
    near(whole.u, 31.671_122, 1e-7);
    near(whole.degrees.unwrap(), 16.764_554, 1e-7);
    // The GUM takes the root of these, 9.68, for 9.7.
    let measured = of(&[(5.8, 24.0), (3.9, 5.0), (6.7, 8.0)]);
    near(measured.degrees.unwrap() * libm::pow(9.7 / measured.u, 4.0), 25.637_632, 1e-7);
}

/// The own budget of the sheet at 100 mm/s: repeatability, a caliper on the roller's diameter, a crystal, a drift.
fn own_budget() -> Budget {
    let rectangular = 3f64.sqrt();
    Budget {
        lines: vec![
            BudgetLine::a(Part::Repeatability, 0.1, 9.0, SharedBy::None, ""),
            BudgetLine::b(Part::Circumference, 100.0 * 0.02 / 10.504 / rectangular, SharedBy::Axle, ""),
            BudgetLine::b(Part::Clock, 100.0 * 50e-6 / rectangular, SharedBy::Run, ""),
            BudgetLine::b(Part::Drift, 0.25 / rectangular, SharedBy::Run, ""),
        ],
    }
}

#[test]
fn the_own_budget_of_the_sheet() {
    let budget = own_budget();
    near(budget.line(Part::Circumference).unwrap().u_mm_s, 0.109_930, 1e-5);
    near(budget.line(Part::Clock).unwrap().u_mm_s, 0.002_887, 1e-3);
    let whole = budget.whole();
    near(whole.u, 0.207_186_35, 1e-7);
    near(whole.degrees.unwrap(), 165.839_1, 1e-6);
    near(whole.expanded() / whole.u, 1.974_372, 1e-6);
    near(whole.expanded(), 0.409_063, 1e-5);
    let (own, shared) = (budget.of(|by| by < SharedBy::Axle), budget.of(|by| by == SharedBy::Axle));
    near(root_of_squares([own.u, shared.u]), whole.u, 1e-12);
}

#[test]
fn two_engines_on_one_roller_share_its_error() {
    let (one, mut other) = (own_budget(), own_budget());
    let own = root_of_squares([0.1, 100.0 * 50e-6 / 3f64.sqrt(), 0.25 / 3f64.sqrt()]);
    let found = difference(&one, &other, Together::SameAxle);
    near(found.u, own * 2f64.sqrt(), 1e-12);
    assert!(found.expanded() < difference(&one, &other, Together::Apart).expanded());
    near(difference(&one, &other, Together::Apart).u, one.whole().u * 2f64.sqrt(), 1e-12);
    // In one run drift and clock are the same too.
    near(difference(&one, &other, Together::SameRun).u, 0.1 * 2f64.sqrt(), 1e-12);
    // A roller that is off by a part of itself is off by more of a faster speed: by that much it shows.
    other.lines[1].u_mm_s *= 1.5;
    let faster = difference(&one, &other, Together::SameAxle);
    near(faster.u, root_of_squares([found.u, 0.5 * one.lines[1].u_mm_s]), 1e-12);
    // What one of them alone has counts in full.
    other.lines.remove(1);
    near(
        difference(&one, &other, Together::SameAxle).u,
        root_of_squares([found.u, one.lines[1].u_mm_s]),
        1e-12,
    );
    near(
        difference(&other, &one, Together::SameAxle).u,
        root_of_squares([found.u, one.lines[1].u_mm_s]),
        1e-12,
    );
}

#[test]
fn what_is_alone_keeps_its_own_factor() {
    near(of(&[(0.3, 4.0)]).expanded(), 0.3 * t_975(4.0), 1e-12);
    near(of(&[(0.3, 4.0), (0.0, 1.0)]).expanded(), 0.3 * t_975(4.0), 1e-12);
    near(combined([(0.3, None)]).expanded(), 0.3 * 1.959_963_985, 1e-9);
    assert!(combined([(0.3, Some(0.5))]).expanded().is_infinite(), "nothing can be said");
    assert_eq!(combined(Vec::new()), Combined { u: 0.0, degrees: None });
    assert!(combined(Vec::new()).expanded().abs() < f64::EPSILON);
    let small = of(&[(1e-100, 4.0), (1e-100, 4.0)]);
    near(small.degrees.unwrap(), 8.0, 1e-9);
}
