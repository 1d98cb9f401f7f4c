//! From points of the field to a decoder of angles: the plane in which the magnet turns, and the ellipse in it.
//!
//! The plane is that of the two largest principal components (`standards/measurement.md` 2.1 says why no fixed pair of
//! axes will do). Its sense is kept from one calibration to the next, so that the sign of a speed never changes for the
//! same turning sense.
use super::ellipse::{Conic, Ellipse};
use core::f64::consts::PI;
use nalgebra::{Matrix3, SymmetricEigen, Vector3};

pub(super) const TURN: f64 = 2.0 * PI;
/// Largest arc that may be missing: 300 degrees must be covered (`standards/measurement.md` 1.4).
const WIDEST_GAP: f64 = PI / 3.0;
/// Scatter of the corrected radius above which the points are no ellipse; pure noise gives 0.5. A noise of a sixth of
/// the amplitude, the most that unwraps (2.2), passes.
const MOST_RADIUS_SD: f64 = 0.2;
/// A signal thinner than this has no turning sense.
const THINNEST: f64 = 0.05;

/// The plane of rotation: two axes at right angles, and which way is up.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Plane {
    e1: Vector3<f64>,
    e2: Vector3<f64>,
}

impl Plane {
    /// The sensor's own first two axes.
    pub(super) fn flat() -> Self {
        Self { e1: Vector3::x(), e2: Vector3::y() }
    }

    /// The plane that the points lie in, turned as little as possible from `before`.
    fn of(points: &[[f64; 3]], before: Option<&Self>) -> Option<Self> {
        let normal = normal_of(points)?;
        let (up, ahead) = match before {
            Some(before) => (before.e1.cross(&before.e2), before.e1),
            None => (axis_of_largest(&normal, true), axis_of_largest(&normal, false)),
        };
        let normal = if normal.dot(&up) < 0.0 { -normal } else { normal };
        let flat = |axis: Vector3<f64>| (axis - normal * normal.dot(&axis)).try_normalize(1e-3);
        let e1 = flat(ahead).or_else(|| flat(axis_of_largest(&normal, false)))?;
        Some(Self { e1, e2: normal.cross(&e1) })
    }

    fn project(&self, field: [f64; 3]) -> [f64; 2] {
        let field = Vector3::from(field);
        [self.e1.dot(&field), self.e2.dot(&field)]
    }
}

/// The sensor axis along which the normal is largest (signed so that they agree), or smallest.
fn axis_of_largest(normal: &Vector3<f64>, largest: bool) -> Vector3<f64> {
    let axis = if largest { normal.iamax() } else { normal.iamin() };
    let mut unit = Vector3::zeros();
    unit[axis] = 1.0;
    unit
}

/// Direction of least variance.
fn normal_of(points: &[[f64; 3]]) -> Option<Vector3<f64>> {
    let n = points.len() as f64;
    let mean = points.iter().map(|point| Vector3::from(*point)).sum::<Vector3<f64>>() / n;
    let mut covariance = Matrix3::zeros();
    for point in points {
        let off = Vector3::from(*point) - mean;
        covariance += off * off.transpose();
    }
    let size = covariance.trace();
    if !(size.is_finite() && size > 0.0) {
        return None;
    }
    let eigen = SymmetricEigen::try_new(covariance / size, 1e-15, 1000)?;
    Some(eigen.eigenvectors.column(eigen.eigenvalues.imin()).into_owned())
}

/// What turns a field into an angle.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Decode {
    pub(super) plane: Plane,
    pub(super) ellipse: Ellipse,
    /// Scatter of the corrected radius about its mean, when fitted.
    pub(super) radius_sd: f64,
    /// From a field to each coordinate of the corrected point: factors and what is added.
    onto_circle: [(Vector3<f64>, f64); 2],
}

impl Decode {
    /// The point on the unit circle, but for noise.
    pub(super) fn corrected(&self, field: [f64; 3]) -> [f64; 2] {
        let field = Vector3::from(field);
        self.onto_circle.map(|(factors, added)| factors.dot(&field) + added)
    }

    /// Angle in -pi..pi.
    pub(super) fn angle(&self, field: [f64; 3]) -> f64 {
        angle_of(self.corrected(field))
    }

    /// The field in the plane, from the centre of the ellipse.
    pub(super) fn centred(&self, field: [f64; 3]) -> [f64; 2] {
        let [along, across] = self.plane.project(field);
        [along - self.ellipse.x0, across - self.ellipse.y0]
    }

    /// Where the centre of the field lies in space (within the plane), `off` in parts of each amplitude from the fitted one.
    pub(super) fn centre_moved_by(&self, off: [f64; 2]) -> [f64; 3] {
        let Ellipse { x0, y0, gx, gy, sin_phi, cos_phi } = self.ellipse;
        let along = x0 + gx * off[0];
        let across = y0 + gy * (off[0] * sin_phi + off[1] * cos_phi);
        (self.plane.e1 * along + self.plane.e2 * across).into()
    }

    /// Fits plane and ellipse to `points`; none if they do not cover 300 degrees or do not lie on an ellipse.
    pub(super) fn fit(points: &[[f64; 3]], axes: u8, before: Option<&Plane>) -> Option<Self> {
        let plane = if axes < 3 { Plane::flat() } else { Plane::of(points, before)? };
        let flat: Vec<[f64; 2]> = points.iter().map(|point| plane.project(*point)).collect();
        let ellipse = Ellipse::of(&Conic::fit(&flat)?)?;
        let [larger, smaller] = ellipse.half_axes();
        if smaller < THINNEST * larger {
            return None;
        }
        let corrected: Vec<[f64; 2]> = flat.iter().map(|point| ellipse.corrected(*point)).collect();
        let radius_sd = radius_sd(&corrected);
        if radius_sd.is_nan() || radius_sd > MOST_RADIUS_SD || leaves_gap(&corrected) {
            return None;
        }
        Some(Self { plane, ellipse, radius_sd, onto_circle: onto_circle(&plane, &ellipse) })
    }

    /// How far the points turn, in the order they came, in rad.
    pub(super) fn turned(&self, points: &[[f64; 3]]) -> f64 {
        let angle = |point: &[f64; 3]| self.angle(*point);
        points.windows(2).map(|pair| wrapped(angle(&pair[1]) - angle(&pair[0]))).sum()
    }
}

/// What projects on the plane, takes the centre away and turns the ellipse into the unit circle, in one.
fn onto_circle(plane: &Plane, ellipse: &Ellipse) -> [(Vector3<f64>, f64); 2] {
    let Ellipse { x0, y0, gx, gy, sin_phi, cos_phi } = *ellipse;
    let along = (plane.e1 / gx, -x0 / gx);
    let across = (plane.e2 / gy, -y0 / gy);
    [along, ((across.0 - along.0 * sin_phi) / cos_phi, (across.1 - along.1 * sin_phi) / cos_phi)]
}

/// Angle of a corrected point, in -pi..pi.
pub(super) fn angle_of([u, w]: [f64; 2]) -> f64 {
    libm::atan2(w, u)
}

/// Scatter of the radius about one, its value on the ellipse.
fn radius_sd(corrected: &[[f64; 2]]) -> f64 {
    let off = |[u, w]: &[f64; 2]| (u * u + w * w).sqrt() - 1.0;
    let square = corrected.iter().map(|point| off(point) * off(point)).sum::<f64>();
    (square / (corrected.len() as f64 - 5.0).max(1.0)).sqrt()
}

/// An arc wider than [`WIDEST_GAP`] holds no point. Where points stand in one of so many sectors does not matter, but for the
/// first and the last of each: only these need their angle.
fn leaves_gap(corrected: &[[f64; 2]]) -> bool {
    const SECTORS: usize = 16;
    let mut ends: [Option<(f64, f64)>; SECTORS] = [None; SECTORS];
    for [u, w] in corrected {
        let along = along_square(*u, *w);
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "0 to 15: it lies from 0 to 4"
        )]
        let sector = ((along * (SECTORS as f64 / 4.0)) as usize).min(SECTORS - 1);
        let (low, high) = ends[sector].get_or_insert((along, along));
        (*low, *high) = (low.min(along), high.max(along));
    }
    let mut ends = ends.iter().flatten().map(|(low, high)| (angle_at(*low), angle_at(*high)));
    let Some((first, mut last)) = ends.next() else { return true };
    for (low, high) in ends {
        if low - last > WIDEST_GAP {
            return true;
        }
        last = high;
    }
    first + TURN - last > WIDEST_GAP
}

/// Where the ray through a point meets the square with corners on the axes, counted along it from 0 to 4: rises with the
/// angle from 0 to a turn. No sector of sixteen is wider than 27 degrees.
fn along_square(u: f64, w: f64) -> f64 {
    let size = u.abs() + w.abs();
    if size <= 0.0 {
        return 0.0;
    }
    let part = u / size;
    if w >= 0.0 { 1.0 - part } else { 3.0 + part }
}

/// The angle of a place on that square, from 0 to a turn.
fn angle_at(along: f64) -> f64 {
    let (u, w) = if along <= 2.0 {
        (1.0 - along, 1.0 - (1.0 - along).abs())
    } else {
        (along - 3.0, (along - 3.0).abs() - 1.0)
    };
    let angle = libm::atan2(w, u);
    if angle < 0.0 { angle + TURN } else { angle }
}

/// An angle brought to -pi..pi by one turn at most.
pub(super) fn wrapped(angle: f64) -> f64 {
    if angle > PI {
        angle - TURN
    } else if angle < -PI {
        angle + TURN
    } else {
        angle
    }
}
