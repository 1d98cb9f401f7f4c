//! The turning field as people see it.

/// The field in the plane of its rotation, about its middle, in the sensor's unit.
#[derive(Clone, Debug, PartialEq)]
pub struct FieldView {
    /// Some of the latest points that the calibration rests on, oldest first.
    pub points: Vec<[f64; 2]>,
    /// The fitted ellipse; see [`FieldView::at`].
    pub(super) along: f64,
    pub(super) across: [f64; 2],
    /// The field of the newest sample.
    pub now: Option<[f64; 2]>,
}

impl FieldView {
    /// Where the fitted ellipse lies when the axle has turned by `angle` rad.
    #[must_use]
    pub fn at(&self, angle: f64) -> [f64; 2] {
        let (sin, cos) = libm::sincos(angle);
        [self.along * cos, self.across[0] * cos + self.across[1] * sin]
    }
}
