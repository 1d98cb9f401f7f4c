//! The magnet at the axle: where the sensor sees it, and its field there.
//!
//! Geometry of a point dipole whose moment stands across the axle: standards/measurement.md section 2.1; what leans out of
//! that plane gives a part that does not turn. A ring of several pairs of poles has a field that turns so many times a
//! turn, each pair as strong as it happens to be. The program's side of it (angle from field) is in `motion`, of which
//! this module knows nothing.
use super::noise::Noise;
use super::spec::SensorSim;
use std::f64::consts::TAU;

/// Field amplitudes at the sensor's place: radial and axial; the tangential one is 1. And the field there, radial and
/// axial, of a magnet whose poles lie along the axle.
#[derive(Clone, Copy, Debug)]
pub(super) struct Place {
    radial: f64,
    axial: f64,
    along: [f64; 2],
}

impl Place {
    pub(super) fn new(polar_deg: f64) -> Self {
        let (polar_sin, polar_cos) = libm::sincos(polar_deg.to_radians());
        Self {
            radial: 3.0 * polar_sin * polar_sin - 1.0,
            axial: 3.0 * polar_sin * polar_cos,
            along: [3.0 * polar_cos * polar_sin, 3.0 * polar_cos * polar_cos - 1.0],
        }
    }
}

/// The part of a turn in which the wheel stands, as an angle.
fn even(turns: f64) -> f64 {
    TAU * (turns - libm::floor(turns))
}

/// What the once-per-turn error adds to the angle `even`, rad.
fn turn_error(spec: &SensorSim, even: f64) -> f64 {
    spec.turn_error_rad * libm::sin(even - spec.turn_error_at_rad)
}

/// The wheel's way in turns as the sensor sees it.
pub(super) fn seen_turns(spec: &SensorSim, turns: f64) -> f64 {
    turns + turn_error(spec, even(turns)) / TAU
}

/// The field along the sensor's axes, in its unit.
pub(super) fn field(
    spec: &SensorSim,
    place: Place,
    (pole_pairs, uneven): (u16, f64),
    noise: &mut Noise,
    (turns, t_s): (f64, f64),
) -> [f64; 3] {
    let flaws = &spec.flaws;
    let even = even(turns);
    let angle = f64::from(pole_pairs) * even + turn_error(spec, even);
    let (sin, cos) = libm::sincos(angle);
    let strength = 1.0 + uneven * libm::cos(even - spec.turn_error_at_rad);
    let (along, across) = libm::sincos(flaws.lean_rad);
    let turning = [place.radial * cos, -sin, place.axial * cos];
    let standing = [place.along[0], 0.0, place.along[1]];
    let place = [0, 1, 2]
        .map(|part: usize| (turning[part] * across * strength + standing[part] * along) * flaws.strength);
    let [x, y, z] = spec.mount.map(|row| row[0] * place[0] + row[1] * place[1] + row[2] * place[2]);
    let [y_to_x, z_to_x, z_to_y] = spec.skew_rad;
    let seen = [x, y + y_to_x * x, z + z_to_x * x + z_to_y * y];
    let strange = flaws.strange_field(turns, t_s);
    let mut field = [0.0; 3];
    for axis in 0..usize::from(spec.axes) {
        let wanted =
            seen[axis] * spec.gains[axis] + spec.noise * flaws.noise * noise.normal() + strange[axis];
        field[axis] = wanted * spec.amplitude + spec.offsets[axis];
        if let Some(ends) = flaws.full_scale.map(|part| part * spec.amplitude) {
            field[axis] = field[axis].clamp(-ends, ends);
        }
    }
    field
}

#[cfg(test)]
mod tests {
    use super::super::demo_engines;
    use super::super::flaws::Flaws;
    use super::super::noise::Stream;
    use super::*;

    fn still() -> SensorSim {
        SensorSim {
            noise: 0.0,
            mount: [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]],
            gains: [1.0; 3],
            skew_rad: [0.0; 3],
            offsets: [0.0; 3],
            turn_error_rad: 0.0,
            amplitude: 1000.0,
            ..demo_engines::lapwing(1).sensor
        }
    }

    fn at(spec: &SensorSim, poles: (u16, f64), turns: f64) -> [f64; 3] {
        field(spec, Place::new(spec.polar_deg), poles, &mut Noise::new(1, Stream::Sensor), (turns, 0.0))
    }

    /// Radial, tangential and axial amplitude of standards/measurement.md section 2.1 (point dipole).
    #[test]
    #[expect(clippy::approx_constant, reason = "the published table rounds the square root of two")]
    fn the_field_at_published_places_is_the_published_one() {
        for (polar_deg, radial, axial) in [
            (0.0, -1.0, 0.0),
            (30.0, -0.25, 1.299_04),
            (35.264, 0.0, 1.414_21),
            (45.0, 0.5, 1.5),
            (60.0, 1.25, 1.299_04),
            (90.0, 2.0, 0.0),
        ] {
            let spec = SensorSim { polar_deg, ..still() };
            let (at_start, quarter_on) = (at(&spec, (1, 0.0), 0.0), at(&spec, (1, 0.0), 0.25));
            assert!((at_start[0] / 1000.0 - radial).abs() < 2e-5, "{polar_deg}: {at_start:?}");
            assert!((at_start[2] / 1000.0 - axial).abs() < 2e-5, "{polar_deg}: {at_start:?}");
            assert!((quarter_on[1].abs() / 1000.0 - 1.0).abs() < 2e-5, "{polar_deg}: {quarter_on:?}");
        }
    }

    /// Three pairs: the field comes back after a third of a turn, weaker or stronger where the poles are unequal.
    #[test]
    fn three_pairs_of_poles_turn_the_field_three_times() {
        let spec = SensorSim { polar_deg: 90.0, turn_error_at_rad: 0.0, ..still() };
        let even: Vec<f64> = (0..3).map(|third| at(&spec, (3, 0.0), f64::from(third) / 3.0)[0]).collect();
        assert!(even.iter().all(|radial| (radial - 2000.0).abs() < 1e-6), "{even:?}");
        let unequal: Vec<f64> = (0..3).map(|third| at(&spec, (3, 0.1), f64::from(third) / 3.0)[0]).collect();
        for (radial, expected) in unequal.iter().zip([2200.0, 1900.0, 1900.0]) {
            assert!((radial - expected).abs() < 1e-6, "{unequal:?}");
        }
        let sixth_on = at(&spec, (3, 0.0), 1.0 / 6.0)[0];
        assert!((sixth_on + 2000.0).abs() < 1e-6, "{sixth_on}");
    }

    /// Moment along the axle: the field of a point dipole does not change as it turns; with a tilt, the sine of it is left.
    #[test]
    fn poles_along_the_axle_leave_the_sine_of_their_tilt() {
        let quarter = std::f64::consts::FRAC_PI_2;
        for polar_deg in [0.0, 35.264, 60.0, 90.0] {
            for tilt_rad in [0.0, 0.02, 0.1] {
                let flaws = Flaws { lean_rad: quarter - tilt_rad, ..Flaws::default() };
                let (spec, good) =
                    (SensorSim { polar_deg, flaws, ..still() }, SensorSim { polar_deg, ..still() });
                for quarters in 0..4 {
                    let turns = f64::from(quarters) / 4.0;
                    let wobble = |spec: &SensorSim| {
                        let (here, there) = (at(spec, (1, 0.0), turns), at(spec, (1, 0.0), turns + 0.5));
                        [0, 1, 2].map(|axis: usize| here[axis] - there[axis])
                    };
                    for (left, whole) in wobble(&spec).into_iter().zip(wobble(&good)) {
                        assert!((left - whole * libm::sin(tilt_rad)).abs() < 1e-9, "{polar_deg} {tilt_rad}");
                    }
                }
            }
        }
        // At the end of the axle and beside the disc, along it (section 2.1's factors): 2 and -1.
        let along = |polar_deg| {
            let flaws = Flaws { lean_rad: quarter, ..Flaws::default() };
            at(&SensorSim { polar_deg, flaws, ..still() }, (1, 0.0), 0.3)[2]
        };
        assert!((along(0.0) - 2000.0).abs() < 1e-6 && (along(90.0) + 1000.0).abs() < 1e-6);
    }
}
