//! The statistics of the program against the NIST Statistical Reference Datasets: certified values stand in the heads of
//! the files (`tests/reference/`, work of the US government).
use super::{Line, mean_and_variance};

/// The number behind these words in a file's head.
fn certified(text: &str, words: &str) -> f64 {
    let line = text.lines().find(|line| line.starts_with(words)).expect("the head names it");
    line.rsplit(' ').find(|word| !word.is_empty()).expect("a value").parse().expect("a number")
}

/// The values below the dashes.
fn values(text: &str) -> Vec<f64> {
    let data = text.lines().skip_while(|line| !line.starts_with("---")).skip(1);
    data.filter(|line| !line.trim().is_empty()).map(|line| line.trim().parse().expect("a number")).collect()
}

/// Digits in which two numbers agree.
fn digits(found: f64, wanted: f64) -> f64 {
    if found.to_bits() == wanted.to_bits() {
        16.0
    } else {
        -libm::log10((found - wanted).abs() / wanted.abs())
    }
}

/// Mean and standard deviation, each to as many digits as `standards/measurement.md` section 8 says that double
/// precision can give: of the constructed sets the values themselves are no binary fractions.
#[test]
fn means_and_deviations_are_the_certified_ones() {
    for (name, text, count, wanted_digits) in [
        ("Michelso", include_str!("../../tests/reference/Michelso.dat"), 100, 13.8),
        ("Lottery", include_str!("../../tests/reference/Lottery.dat"), 218, 14.7),
        ("Lew", include_str!("../../tests/reference/Lew.dat"), 200, 14.7),
        ("Mavro", include_str!("../../tests/reference/Mavro.dat"), 50, 12.8),
        ("NumAcc3", include_str!("../../tests/reference/NumAcc3.dat"), 1001, 9.4),
        ("NumAcc4", include_str!("../../tests/reference/NumAcc4.dat"), 1001, 8.2),
    ] {
        let values = values(text);
        assert_eq!(values.len(), count, "{name}");
        let (mean, variance) = mean_and_variance(&values).expect("many values");
        let mean_digits = digits(mean, certified(text, "Sample Mean"));
        assert!(mean_digits >= 14.0, "{name}: mean {mean} agrees in {mean_digits:.1} digits");
        let found = digits(variance.sqrt(), certified(text, "Sample Standard Deviation"));
        assert!(found >= wanted_digits, "{name}: deviation {} agrees in {found:.1} digits", variance.sqrt());
    }
}

/// The set Norris: slope, intercept, their standard deviations and that of the residuals.
#[test]
fn the_line_is_the_certified_one() {
    let text = include_str!("../../tests/reference/Norris.dat");
    let rows = text.lines().skip(60).filter(|line| !line.trim().is_empty());
    let points: Vec<(f64, f64)> = rows
        .map(|line| {
            let mut fields = line.split_whitespace().map(|field| field.parse().expect("a number"));
            let y = fields.next().expect("y");
            (fields.next().expect("x"), y)
        })
        .collect();
    assert_eq!(points.len(), 36);
    let line = Line::fit(points.iter().copied()).expect("a line");
    let slope_sd = line.residual / line.s_tt.sqrt();
    let intercept = line.y_mean - line.slope * line.t_mean;
    let intercept_sd = line.residual * (1.0 / 36.0 + line.t_mean * line.t_mean / line.s_tt).sqrt();
    for (found, wanted, least) in [
        (line.slope, 1.002_116_818_020_45, 14.0),
        (intercept, -0.262_323_073_774_029, 12.0),
        (slope_sd, 0.429_796_848_199_937e-3, 12.0),
        (intercept_sd, 0.232_818_234_301_152, 12.0),
        (line.residual, 0.884_796_396_144_373, 12.0),
    ] {
        let agree = digits(found, wanted);
        assert!(agree >= least, "found {found}, certified {wanted}: {agree:.1} digits");
    }
}

/// GUM (JCGM 100:2008) H.3, the calibration of a thermometer: a line through eleven points about 20 degrees. Data and
/// values as in `standards/measurement.md` section 8.
#[test]
fn the_line_of_the_gum_thermometer() {
    let text = include_str!("../../tests/reference/gum_h3.csv");
    let rows = text.lines().filter(|line| line.starts_with(|c: char| c.is_ascii_digit()));
    let points: Vec<(f64, f64)> = rows
        .map(|line| {
            let (t, b) = line.split_once(',').expect("two columns");
            (t.parse::<f64>().expect("a number") - 20.0, b.parse().expect("a number"))
        })
        .collect();
    assert_eq!(points.len(), 11);
    let line = Line::fit(points.iter().copied()).expect("a line");
    let near = |found: f64, wanted: f64, tolerance: f64| {
        assert!((found - wanted).abs() <= tolerance * wanted.abs(), "found {found}, wanted {wanted}");
    };
    let at = |t: f64| line.y_mean + line.slope * (t - line.t_mean);
    let u_at =
        |t: f64| line.residual * (1.0 / 11.0 + (t - line.t_mean) * (t - line.t_mean) / line.s_tt).sqrt();
    near(line.slope, 0.002_182_697_740, 1e-9);
    near(line.residual / line.s_tt.sqrt(), 0.000_667_938_773, 1e-9);
    near(line.residual, 0.003_497_564_0, 2e-8);
    near(at(0.0), -0.171_203_790_1, 1e-9);
    near(u_at(0.0), 0.002_877_597_8, 1e-7);
    near(at(10.0), -0.149_376_812_7, 1e-9);
    near(u_at(10.0), 0.004_138_595_8, 1e-7);
}
