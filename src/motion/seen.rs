//! What a sample comes to, whatever it reads.

/// What a sample says of the path.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Seen {
    /// Nothing new.
    Nothing,
    /// The path is cut: what comes has no known way from what was, but for this much, in rad.
    Cut {
        /// Way across the cut.
        way: f64,
    },
    /// The sensor counts anew, or its reading leapt further than an axle can turn.
    Leap,
    /// The axle is at this angle, in rad, with whole turns counted.
    Angle {
        /// Angle.
        phi: f64,
        /// Change since the angle before.
        step: f64,
        /// Turned so far that it counts as path.
        least: f64,
        /// First of a motion: speeds before are those of another one.
        begins: bool,
    },
}
