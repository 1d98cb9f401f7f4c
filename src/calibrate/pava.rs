//! Weighted isotonic regression by pooling adjacent violators: the non-decreasing fit with the least weighted
//! squares.
//!
//! Ayer et al. 1955, Barlow et al. 1972; check values in `standards/measurement.md` section 7.

/// Neighbouring points that share one fitted value.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Block {
    /// Weighted mean of the places.
    pub(super) x: f64,
    /// Weighted mean of the values: the fit.
    pub(super) y: f64,
    /// Sum of the weights.
    pub(super) weight: f64,
    /// Weighted sum of squares about the mean.
    pub(super) squares: f64,
    /// Number of points.
    pub(super) count: u32,
}

impl Block {
    /// A block of one point.
    pub(super) const fn single(x: f64, y: f64, weight: f64) -> Self {
        Self { x, y, weight, squares: 0.0, count: 1 }
    }

    /// Both blocks as one.
    pub(super) fn join(self, other: Self) -> Self {
        let weight = self.weight + other.weight;
        let share = other.weight / weight;
        let gap = other.y - self.y;
        Self {
            x: self.x + (other.x - self.x) * share,
            y: self.y + gap * share,
            weight,
            squares: self.squares + other.squares + gap * gap * self.weight * share,
            count: self.count + other.count,
        }
    }

    /// Standard uncertainty of the mean, from the weights (1/u²) or from the scatter inside the block,
    /// whichever is larger: points that had to be pooled may disagree by more than they promised.
    pub(super) fn u(&self) -> f64 {
        let promised = 1.0 / self.weight;
        let seen = self.squares / (f64::from(self.count.max(2) - 1) * self.weight);
        promised.max(seen).sqrt()
    }
}

/// Pools `points`, given in rising `x`, until their values do not fall.
pub(super) fn pool(points: impl IntoIterator<Item = Block>) -> Vec<Block> {
    let mut blocks: Vec<Block> = Vec::new();
    for point in points {
        let mut last = point;
        while let Some(before) = blocks.pop_if(|before| before.y > last.y) {
            last = before.join(last);
        }
        blocks.push(last);
    }
    blocks
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const Y: [f64; 10] = [3.0, 1.0, 4.0, 4.5, 4.2, 9.0, 8.0, 7.5, 12.0, 11.0];

    fn pooled(weights: &[f64]) -> Vec<Block> {
        pool((0_u8..).zip(Y).zip(weights).map(|((x, y), w)| Block::single(x.into(), y, *w)))
    }

    fn check(weights: &[f64; 10], blocks: &[(u32, f64, f64)], squares: f64) {
        let found = pooled(weights);
        assert_eq!(found.len(), blocks.len());
        for (block, (count, fit, weight)) in found.iter().zip(blocks) {
            assert_eq!(block.count, *count);
            assert!((block.y - fit).abs() < 1e-12 * fit, "{block:?}");
            assert!((block.weight - weight).abs() < 1e-12);
        }
        let sum: f64 = found.iter().map(|block| block.squares).sum();
        assert!((sum - squares).abs() < 5e-12, "{sum}");
    }

    /// `standards/measurement.md` section 7: `scipy.optimize.isotonic_regression`, the same from
    /// scikit-learn.
    #[test]
    fn weighted_fit_as_two_libraries_compute_it() {
        let weights = [1.0, 2.0, 1.0, 3.0, 1.0, 1.0, 2.0, 1.0, 4.0, 1.0];
        let fit = [(2, 5.0 / 3.0, 3.0), (1, 4.0, 1.0), (2, 4.425, 4.0), (3, 8.125, 4.0), (2, 11.8, 5.0)];
        check(&weights, &fit, 4.721_666_666_67);
    }

    /// The same section, all weights one.
    #[test]
    fn unweighted_fit_as_two_libraries_compute_it() {
        let fit = [(2, 2.0, 2.0), (1, 4.0, 1.0), (2, 4.35, 2.0), (3, 24.5 / 3.0, 3.0), (2, 11.5, 2.0)];
        check(&[1.0; 10], &fit, 3.711_666_666_67);
    }

    #[test]
    fn pooled_points_that_disagree_are_doubted_by_their_scatter() {
        let agreeing = Block::single(1.0, 10.0, 1.0).join(Block::single(2.0, 10.0, 1.0));
        assert!((agreeing.u() - 0.5_f64.sqrt()).abs() < 1e-12);
        let disagreeing = Block::single(1.0, 14.0, 1.0).join(Block::single(2.0, 6.0, 1.0));
        assert!((disagreeing.u() - 4.0).abs() < 1e-12, "half the range of two points");
        assert!((disagreeing.x - 1.5).abs() < 1e-12);
    }

    proptest! {
        #[test]
        fn fit_never_falls_and_keeps_the_weighted_mean(
            points in prop::collection::vec((0.0..100.0_f64, 0.1..10.0_f64), 1..40)
        ) {
            let singles = points.iter().enumerate().map(|(i, (y, w))| Block::single(i as f64, *y, *w));
            let blocks = pool(singles);
            prop_assert!(blocks.windows(2).all(|pair| pair[0].y <= pair[1].y && pair[0].x < pair[1].x));
            let before: f64 = points.iter().map(|(y, w)| y * w).sum();
            let after: f64 = blocks.iter().map(|block| block.y * block.weight).sum();
            prop_assert!((before - after).abs() < 1e-9 * before.max(1.0));
        }
    }
}
