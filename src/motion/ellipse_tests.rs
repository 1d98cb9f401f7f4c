//! Check values of `standards/measurement.md` section 1.3: computed there with an independent program and with the
//! ellipse model of scikit-image 0.26.0, on data made for this project.
use super::*;

fn near(found: f64, wanted: f64, tolerance: f64) {
    assert!((found - wanted).abs() <= tolerance * wanted.abs().max(1.0), "found {found}, wanted {wanted}");
}

fn reference() -> Vec<[f64; 2]> {
    let text = include_str!("../../tests/reference/ellipse16.csv");
    let rows = text.lines().filter(|line| !line.starts_with(['#', 'x']));
    rows.map(|line| {
        let mut fields = line.split(',').map(|field| field.parse().expect("a number"));
        [fields.next().expect("x"), fields.next().expect("y")]
    })
    .collect()
}

#[test]
fn check_a_conic_and_parameters() {
    let points = reference();
    assert_eq!(points.len(), 16);
    let conic = Conic::fit(&points).expect("an ellipse");
    near(conic.a, 0.433_456_676_354, 1e-9);
    near(conic.b, -0.067_064_578_784_2, 1e-9);
    near(conic.c, 0.579_352_973_737, 1e-9);
    near(conic.d, -46.993_888_703_8, 1e-9);
    near(conic.e, -73.549_860_992_9, 1e-9);
    near(conic.f, -473_370.360_259, 1e-9);
    let ellipse = Ellipse::of(&conic).expect("real");
    near(ellipse.x0, 59.384_688_783, 1e-9);
    near(ellipse.y0, 66.912_981_936, 1e-9);
    near(ellipse.gx, 1_051.632_172_812, 1e-9);
    near(ellipse.gy, 909.630_664_005, 1e-9);
    near(libm::asin(ellipse.sin_phi), 0.066_964_304_737, 1e-9);
    let [major, minor] = ellipse.half_axes();
    near(major, 1_058.271_020_740, 1e-9);
    near(minor, 901.898_341_529, 1e-9);
}

#[test]
fn check_a_tilt_of_the_major_axis() {
    // The conic's own quadratic form: tan 2t = b / (a - c), of its two solutions the one along the longer axis.
    let conic = Conic::fit(&reference()).expect("an ellipse");
    let tilt = 0.5 * libm::atan2(-conic.b, conic.c - conic.a);
    near(tilt, 0.215_434_380, 1e-8);
}

#[test]
fn check_a_raw_angles_against_corrected_ones() {
    let points = reference();
    let ellipse = Conic::fit(&points).as_ref().and_then(Ellipse::of).expect("an ellipse");
    let raw: Vec<f64> = points.iter().map(|[x, y]| libm::atan2(*y, *x)).collect();
    for (found, wanted) in raw.iter().zip([0.228_516_605, 0.547_284_381, 0.886_047_016, 1.256_870_339]) {
        near(*found, wanted, 1e-9);
    }
    let turn = core::f64::consts::TAU;
    let degrees: Vec<f64> = points
        .iter()
        .zip(&raw)
        .map(|(point, raw)| {
            let [u, w] = ellipse.corrected(*point);
            let off = raw - libm::atan2(w, u);
            (off - turn * (off / turn).round()).to_degrees()
        })
        .collect();
    // The mean of the differences, the largest of their sizes.
    near(degrees.iter().sum::<f64>() / 16.0, 1.790_192, 1e-6);
    near(degrees.iter().map(|off| off.abs()).fold(0.0, f64::max), 11.418_397, 1e-6);
}

#[test]
fn check_a_corrected_angles_and_radius() {
    let points = reference();
    let ellipse = Conic::fit(&points).as_ref().and_then(Ellipse::of).expect("an ellipse");
    let corrected: Vec<[f64; 2]> = points.iter().map(|point| ellipse.corrected(*point)).collect();
    for (found, wanted) in corrected.iter().zip([0.142_607_033, 0.540_045_437, 0.937_756_339, 1.327_800_010])
    {
        near(libm::atan2(found[1], found[0]), wanted, 1e-9);
    }
    let radii: Vec<f64> = corrected.iter().map(|[u, w]| libm::hypot(*u, *w)).collect();
    let mean = radii.iter().sum::<f64>() / 16.0;
    let square = radii.iter().map(|radius| (radius - mean) * (radius - mean)).sum::<f64>();
    near(mean, 0.999_997_350, 1e-9);
    near((square / 15.0).sqrt(), 0.002_377_489, 1e-9);
}

#[test]
fn check_b_follows_axis_scaling_and_shift() {
    let points: Vec<_> = reference().iter().map(|[x, y]| [3.0 * x + 1000.0, y / 2.0 - 77.0]).collect();
    let ellipse = Conic::fit(&points).as_ref().and_then(Ellipse::of).expect("an ellipse");
    near(ellipse.x0, 1_178.154_066_349, 1e-9);
    near(ellipse.y0, -43.543_509_032, 1e-9);
    near(ellipse.gx, 3_154.896_518_437, 1e-9);
    near(ellipse.gy, 454.815_332_002, 1e-9);
    near(libm::asin(ellipse.sin_phi), 0.066_964_305, 1e-9);
}

#[test]
fn check_c_exact_points_give_the_exact_ellipse() {
    let degree = core::f64::consts::PI / 180.0;
    let points: Vec<_> = (0..12)
        .map(|k| {
            let t = f64::from(k) * 30.0 * degree;
            [120.0 + 800.0 * libm::cos(t), -40.0 + 650.0 * libm::sin(t + 4.0 * degree)]
        })
        .collect();
    let ellipse = Conic::fit(&points).as_ref().and_then(Ellipse::of).expect("an ellipse");
    near(ellipse.x0, 120.0, 1e-9);
    near(ellipse.y0, -40.0, 1e-9);
    near(ellipse.gx, 800.0, 1e-9);
    near(ellipse.gy, 650.0, 1e-9);
    near(libm::asin(ellipse.sin_phi) / degree, 4.0, 1e-9);
}

#[test]
fn a_point_a_line_and_wild_numbers_give_nothing() {
    assert!(Conic::fit(&[[1.0, 2.0]; 20]).is_none());
    let line: Vec<_> = (0..20).map(|k| [f64::from(k), 2.0 * f64::from(k)]).collect();
    assert!(Conic::fit(&line).as_ref().and_then(Ellipse::of).is_none_or(|e| e.half_axes()[1] < 1e-3 * e.gx));
    assert!(
        Conic::fit(&[[1e300, -1e300], [f64::NAN, 0.0], [0.0, 1e300], [1.0, 1.0], [2.0, 0.0], [0.0, 3.0]])
            .is_none()
    );
}

#[test]
fn noise_in_the_angle_is_noise_over_the_amplitude_across_it() {
    // Section 1.5: white noise gives an angle sd of sigma/R; along a weak axis sigma/(k R), section 2.2.
    let ellipse = Ellipse { x0: 5.0, y0: 1.0, gx: 100.0, gy: 50.0, sin_phi: 0.0, cos_phi: 1.0 };
    near(ellipse.angle_noise(0.0, 1.0), 0.02, 1e-12);
    near(ellipse.angle_noise(core::f64::consts::FRAC_PI_2, 1.0), 0.01, 1e-12);
}
