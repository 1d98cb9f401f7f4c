//! The turning field: points about a middle, with the ellipse through them; both axes have one scale.
use super::chart::wrapped_in;
use super::text::{Anchor, Sheet};
use std::fmt::Write;

/// Side of the picture.
const SIDE: f64 = 260.0;
/// What reaches farthest from the middle lies at this part of the half side.
const REACH: f64 = 0.86;

/// A turning field. Points whose numbers are not finite are left out.
#[derive(Clone, Debug, PartialEq)]
pub struct Ring {
    /// Begins the ids within the picture.
    pub id: String,
    /// What it is.
    pub title: String,
    /// What it says, for those who do not see it.
    pub description: String,
    /// The fitted ellipse, closed.
    pub outline: Vec<(f64, f64)>,
    /// What was seen.
    pub points: Vec<(f64, f64)>,
    /// What is seen now.
    pub now: Option<(f64, f64)>,
    /// Words under it: how large it is.
    pub unit: String,
}

impl Ring {
    /// The picture within a page that has the style sheet.
    #[must_use]
    pub fn in_page(&self) -> String {
        let mut sheet = Sheet::default();
        let finite = |(x, y): &&(f64, f64)| x.is_finite() && y.is_finite();
        let all = || self.outline.iter().chain(&self.points).chain(&self.now).filter(finite);
        let farthest = all().fold(0.0_f64, |most, (x, y)| most.max(x.abs()).max(y.abs()));
        let scale = if farthest > 0.0 { REACH * SIDE / 2.0 / farthest } else { 1.0 };
        let at = |(x, y): &(f64, f64)| (SIDE / 2.0 + x * scale, SIDE / 2.0 - y * scale);
        let half = SIDE / 2.0;
        sheet.element(&format_args!(
            "<path class=\"grid\" d=\"M{half} 6V{:.1}M6 {half}H{:.1}\"/>",
            SIDE - 24.0,
            SIDE - 6.0
        ));
        let mut path = String::new();
        for point in self.outline.iter().filter(finite) {
            let (x, y) = at(point);
            // Writing to a text cannot fail.
            let _ = write!(path, "{}{x:.1} {y:.1}", if path.is_empty() { 'M' } else { 'L' });
        }
        if !path.is_empty() {
            sheet.element(&format_args!("<path class=\"line c\" d=\"{path}z\"/>"));
        }
        for point in self.points.iter().filter(finite) {
            let (x, y) = at(point);
            sheet.element(&format_args!("<circle class=\"mark a\" cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"2.2\"/>"));
        }
        if let Some((x, y)) = self.now.as_ref().filter(finite).map(at) {
            sheet.element(&format_args!("<path class=\"line b\" d=\"M{half} {half}L{x:.1} {y:.1}\"/>"));
            sheet.element(&format_args!("<circle class=\"mark b\" cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"5\"/>"));
        }
        sheet.text((half, SIDE - 8.0), Anchor::Middle, "quiet", &self.unit);
        wrapped_in(&self.id, (&self.title, &self.description), (SIDE, SIDE), "", &sheet.svg)
    }
}
