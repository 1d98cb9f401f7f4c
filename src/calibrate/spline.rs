//! A smooth curve through points that are in doubt, with the doubt of the curve between them.
//!
//! The curve is taken as one whose slope wanders by chance: the smoothing spline as a random walk (G. Wahba, J. R. Stat. Soc. B
//! 40, 1978; recursions of Kalman and of Rauch, Tung and Striebel 1965; from memory). How much the slope wanders is not
//! known beforehand; [`Weave::evidence`] says how well the points speak for a value. Works in parts: drive 1 is full drive,
//! speed 1 the curve's top.

/// One point: place, value and variance of the value.
#[derive(Clone, Copy, Debug)]
pub(super) struct Seen {
    pub(super) x: f64,
    pub(super) y: f64,
    pub(super) variance: f64,
}

/// The curve at one place.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Woven {
    pub(super) y: f64,
    pub(super) variance: f64,
}

/// Variances of value and slope before anything is known.
const UNKNOWN: [f64; 2] = [1e2, 1e4];

/// Value and slope with their covariance (value, both, slope).
#[derive(Clone, Copy, Debug)]
struct State {
    mean: [f64; 2],
    cov: [f64; 3],
}

impl State {
    /// Carried on by `h`; the slope wanders by `wander` a unit of way.
    fn ahead(&self, h: f64, wander: f64) -> Self {
        let [v, b, s] = self.cov;
        Self {
            mean: [self.mean[0] + h * self.mean[1], self.mean[1]],
            cov: [
                v + 2.0 * h * b + h * h * s + wander * h * h * h / 3.0,
                b + h * s + wander * h * h / 2.0,
                s + wander * h,
            ],
        }
    }

    /// With a point taken in; and what that point says for the curve: the logarithm of its density.
    fn with(&self, seen: &Seen) -> (Self, f64) {
        let [v, b, s] = self.cov;
        let total = v + seen.variance;
        let off = seen.y - self.mean[0];
        let gain = [v / total, b / total];
        let state = Self {
            mean: [self.mean[0] + gain[0] * off, self.mean[1] + gain[1] * off],
            cov: [gain[0] * seen.variance, b * seen.variance / total, s - gain[1] * b],
        };
        (state, -0.5 * (libm::log(total) + off * off / total))
    }
}

/// Points in rising place, with how much the slope wanders.
#[derive(Clone, Copy, Debug)]
pub(super) struct Weave<'a> {
    pub(super) seen: &'a [Seen],
    /// Variance of the slope a unit of drive.
    pub(super) wander: f64,
}

impl Weave<'_> {
    fn start() -> State {
        State { mean: [0.0, 0.0], cov: [UNKNOWN[0], 0.0, UNKNOWN[1]] }
    }

    /// Logarithm of the density of the points, but for a constant.
    pub(super) fn evidence(&self) -> f64 {
        let (mut state, mut sum) = (Self::start(), 0.0);
        let mut before = self.seen.first().map_or(0.0, |seen| seen.x);
        for seen in self.seen {
            let (next, density) = state.ahead(seen.x - before, self.wander).with(seen);
            (state, before) = (next, seen.x);
            sum += density;
        }
        sum
    }

    /// The curve at these places, in rising order.
    pub(super) fn at(&self, places: &[f64]) -> Vec<Woven> {
        // Forward: places and points in one row; a point at a place is taken in after it was reached.
        let mut row: Vec<(f64, Option<&Seen>)> = self.seen.iter().map(|seen| (seen.x, Some(seen))).collect();
        row.extend(places.iter().map(|x| (*x, None)));
        row.sort_by(|a, b| a.0.total_cmp(&b.0));
        let mut state = Self::start();
        let mut before = row.first().map_or(0.0, |first| first.0);
        let mut forward: Vec<(State, State)> = Vec::with_capacity(row.len());
        for (x, seen) in &row {
            let predicted = state.ahead(x - before, self.wander);
            state = seen.map_or(predicted, |seen| predicted.with(seen).0);
            before = *x;
            forward.push((predicted, state));
        }
        // Backward: what lies behind a place speaks for it too.
        let mut smooth = forward.last().map(|(_, last)| *last);
        let mut found: Vec<Woven> = Vec::with_capacity(places.len());
        for at in (0..row.len()).rev() {
            let filtered = forward[at].1;
            let here = match (smooth, forward.get(at + 1)) {
                (Some(behind), Some((predicted, _))) => {
                    back(&filtered, predicted, &behind, row[at + 1].0 - row[at].0)
                }
                _ => filtered,
            };
            smooth = Some(here);
            if row[at].1.is_none() {
                found.push(Woven { y: here.mean[0], variance: here.cov[0].max(0.0) });
            }
        }
        found.reverse();
        found
    }
}

/// One step of the backward pass over a way `h`.
fn back(filtered: &State, predicted: &State, behind: &State, h: f64) -> State {
    if h <= 0.0 {
        return *behind;
    }
    let [v, b, s] = filtered.cov;
    // Covariance of the state here with the one ahead.
    let cross = [[v + h * b, b], [b + h * s, s]];
    let [pv, pb, ps] = predicted.cov;
    let det = pv * ps - pb * pb;
    if det.is_nan() || det <= 0.0 {
        return *filtered;
    }
    let gain = cross.map(|[a, c]| [(a * ps - c * pb) / det, (c * pv - a * pb) / det]);
    let off = [behind.mean[0] - predicted.mean[0], behind.mean[1] - predicted.mean[1]];
    let less = [behind.cov[0] - pv, behind.cov[1] - pb, behind.cov[2] - ps];
    let through = |i: usize, k: usize| {
        let ([a, c], [d, e]) = (gain[i], gain[k]);
        a * (less[0] * d + less[1] * e) + c * (less[1] * d + less[2] * e)
    };
    State {
        mean: [0, 1].map(|i: usize| filtered.mean[i] + gain[i][0] * off[0] + gain[i][1] * off[1]),
        cov: [v + through(0, 0), b + through(0, 1), s + through(1, 1)],
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn points(rows: &[(f64, f64)], u: f64) -> Vec<Seen> {
        rows.iter().map(|&(x, y)| Seen { x, y, variance: u * u }).collect()
    }

    /// Without doubt the curve is the natural cubic spline: for points 0, 1, 0 at 0, 1/2, 1 the moment in the middle is
    /// -12, so that 1/4 gives 1/2 + 12/6 (1/4 1/2 - 1/8) 1/2 ... = 11/16 (any textbook of splines).
    #[test]
    fn without_doubt_it_is_the_natural_spline() {
        let seen = points(&[(0.0, 0.0), (0.5, 1.0), (1.0, 0.0)], 1e-6);
        let found = Weave { seen: &seen, wander: 1.0 }.at(&[0.0, 0.25, 0.5, 0.75, 1.0]);
        for (found, wanted) in found.iter().zip([0.0, 0.6875, 1.0, 0.6875, 0.0]) {
            assert!((found.y - wanted).abs() < 1e-4, "{found:?} {wanted}");
        }
    }

    /// Half-way between two points that are known and nothing else, a wandering slope leaves wander h^3/48: the value of
    /// the spline's kernel there.
    #[test]
    fn doubt_between_two_points_is_that_of_the_walk() {
        let seen = points(&[(0.2, 0.1), (0.7, 0.6)], 1e-6);
        let found = Weave { seen: &seen, wander: 0.5 }.at(&[0.2, 0.45, 0.7]);
        assert!((found[1].y - 0.35).abs() < 1e-4, "{found:?}");
        let wanted = 0.5 * 0.125 / 48.0;
        assert!((found[1].variance / wanted - 1.0).abs() < 1e-3, "{} {wanted}", found[1].variance);
        assert!(found[0].variance < 1e-8 && found[2].variance < 1e-8);
    }

    /// With a slope that does not wander it is the straight line of least squares: the points and the doubts of GUM H.3
    /// are of that kind; here four points by hand, slope 1 with variance u^2/s_xx.
    #[test]
    fn a_slope_that_does_not_wander_gives_the_line_of_least_squares() {
        let seen = points(&[(0.0, 0.1), (0.2, 0.1), (0.4, 0.5), (0.6, 0.5)], 0.1);
        let found = Weave { seen: &seen, wander: 1e-12 }.at(&[0.3, 0.6]);
        // Mean 0.3 in both; slope (−0.3·−0.2 + −0.1·−0.2 + 0.1·0.2 + 0.3·0.2)/0.2 = 0.8.
        assert!((found[0].y - 0.3).abs() < 1e-3 && (found[1].y - 0.54).abs() < 1e-3, "{found:?}");
        assert!((found[0].variance - 0.0025).abs() < 1e-5, "{found:?}");
        assert!((found[1].variance - 0.0025 - 0.09 * 0.01 / 0.2).abs() < 1e-4, "{found:?}");
    }

    #[test]
    fn points_that_scatter_speak_against_exactness() {
        let rows = [(0.0, 0.0), (0.2, 0.25), (0.4, 0.35), (0.6, 0.65), (0.8, 0.75), (1.0, 1.0)];
        let evidence = |u: f64| Weave { seen: &points(&rows, u), wander: 0.01 }.evidence();
        assert!(evidence(0.04) > evidence(0.002) && evidence(0.04) > evidence(0.5));
    }
}
