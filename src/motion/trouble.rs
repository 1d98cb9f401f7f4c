//! What can be wrong with the signal of a magnet's field, and what of it is grave.

/// Amplitude below so many standard deviations of noise: turns may be miscounted (2.3).
pub(super) const WEAK: f64 = 6.0;
/// Part of the samples of an axis on its rail from which on it is clipped, and beyond which nothing is left of the sine.
pub(super) const RAIL: [f64; 2] = [0.03, 0.38];
/// Smaller amplitude over the larger: said, and refused.
pub(super) const PAIR: [f64; 2] = [0.3, 0.1];
/// Leaps of late: said, and refused.
pub(super) const LEAPS: [u32; 2] = [2, 5];
/// Falls of the speed that came back: said, and refused.
pub(super) const FALLS: [u32; 2] = [1, 4];

/// What is wrong with the signal of a field, with its figures.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Trouble {
    /// An axis tells the same value all the time while others live.
    AxisDead {
        /// Which, from 0.
        axis: usize,
        /// The value.
        value: f64,
    },
    /// An axis ends at a value.
    Clipped {
        /// Which, from 0.
        axis: usize,
        /// The value.
        value: f64,
        /// Part of the samples at it.
        part: f64,
    },
    /// The turning part is small against the standing part.
    PolesAlong {
        /// Turning over standing.
        part: f64,
    },
    /// The field swings along one line only.
    OnePair {
        /// Smaller amplitude over the larger.
        ratio: f64,
    },
    /// Hardly above noise.
    Weak {
        /// Smaller amplitude over the noise of an axis.
        times: f64,
    },
    /// The standing part changed at once.
    OffsetMoved {
        /// By this part of the amplitude.
        part: f64,
    },
    /// Noise that is large for this amplitude.
    Noisy {
        /// Noise of an axis over the larger amplitude.
        ratio: f64,
    },
    /// The ellipse does not close: a strange field, or one that moves.
    NotClosing {
        /// Scatter of the radius.
        scatter: f64,
        /// What of it is noise.
        noise: f64,
    },
    /// The angle leapt, or the speed fell and came back, as no motor does.
    Slips {
        /// Leaps of late.
        leaps: u32,
        /// The widest, in rad.
        widest_rad: f64,
        /// Falls of the speed while one setting was measured.
        falls: u32,
    },
}

/// How many kinds of trouble there are.
pub(super) const KINDS: usize = 9;

impl Trouble {
    /// Its place among the kinds: what comes first may be why others show.
    pub(super) fn kind(&self) -> usize {
        match self {
            Self::AxisDead { .. } => 0,
            Self::Clipped { .. } => 1,
            Self::PolesAlong { .. } => 2,
            Self::OnePair { .. } => 3,
            Self::Weak { .. } => 4,
            Self::OffsetMoved { .. } => 5,
            Self::Noisy { .. } => 6,
            Self::NotClosing { .. } => 7,
            Self::Slips { .. } => 8,
        }
    }

    /// Stretches that must show it.
    pub(super) fn needs(&self) -> u32 {
        match self {
            Self::OffsetMoved { .. } | Self::Slips { .. } => 1,
            _ => 2,
        }
    }

    /// Turns or speeds can't be trusted with it.
    #[must_use]
    pub fn is_grave(&self) -> bool {
        match self {
            Self::Weak { times } => *times < WEAK,
            Self::OnePair { ratio } => *ratio < PAIR[1],
            Self::Clipped { part, .. } => *part > RAIL[1],
            Self::Slips { leaps, falls, .. } => *leaps >= LEAPS[1] || *falls >= FALLS[1],
            _ => false,
        }
    }
}

/// What the field did while no turn could be seen in it.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Swing {
    /// Size of the mean field, in the sensor's unit.
    pub standing: f64,
    /// Amplitudes beyond noise along the two directions of most change.
    pub swings: [f64; 2],
    /// Noise of an axis; 0 where it is not known.
    pub noise: f64,
}
