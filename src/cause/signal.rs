//! Causes that the signal of a magnet's field shows by itself: magnet, place and axes of the sensor, strange fields.
use super::Cause;

/// Mostly a standing field.
pub const POLES_ALONG: Cause = Cause {
    code: "poles-along-axle",
    seen: "Most of the field that the sensor sees stands still, and only a small part of it moves as the axle turns.",
    may_be: "The poles of the magnet may point along the axle instead of across it, and then no stronger magnet helps; a magnet that is weak or far away beside something else magnetic looks alike.",
    to_try: "With power off turn the magnet so that its poles point across the axle, or take one that is magnetised across its diameter; bring the sensor closer, and keep other magnets and steel away.",
};

/// Nothing magnetic.
pub const NO_FIELD: Cause = Cause {
    code: "no-field",
    seen: "The engine was told to move, and the sensor sees no magnetic field at all.",
    may_be: "The magnet may be missing or have fallen off, it may be too far from the sensor, or the sensor may not measure.",
    to_try: "With power off look whether the magnet is on the axle, and bring the sensor to within a few millimetres of it.",
};

/// Hardly above noise.
pub const WEAK: Cause = Cause {
    code: "field-too-weak",
    seen: "The turning field is hardly above the noise of the sensor, so turns could be miscounted.",
    may_be: "The magnet may be too far away, too weak or nearly along the axle, the sensor may be set to a coarse range, or something nearby may disturb it.",
    to_try: "Bring the sensor closer to the magnet, see that the poles point across the axle, and set the sensor to its finest range.",
};

/// Noise that is large for this amplitude.
pub const NOISY: Cause = Cause {
    code: "signal-noisy",
    seen: "The signal of the sensor is noisy for the strength of this magnet.",
    may_be: "The magnet may be far from the sensor, or an alternating field may reach it from a transformer, a motor or a cable with a large current.",
    to_try: "Bring the sensor closer to the magnet and further from motor, supply and track cables; the doubt of the speeds already holds the noise.",
};

/// One direction sees nothing.
pub const ONE_PAIR: Cause = Cause {
    code: "field-one-direction",
    seen: "The field changes along one direction only, so that turns are hard to tell or cannot be told at all.",
    may_be: "A sensor of two axes may sit where one of them sees nothing of the magnet, about 35 degrees off the line of the axle, or one axis may be dead.",
    to_try: "Move the sensor to the end of the axle or beside the magnet's rim, or use one of three axes.",
};

/// An axis ends at a value.
pub const CLIPPED: Cause = Cause {
    code: "field-clipped",
    seen: "The field goes beyond what the sensor can show: one axis stops at the same value in every turn.",
    may_be: "The magnet may be too close or too strong, or the sensor may be set to too small a range.",
    to_try: "Move the sensor a little away from the magnet or set it to a larger range; speeds over whole turns hold all the same.",
};

/// An axis that tells one value.
pub const AXIS_DEAD: Cause = Cause {
    code: "sensor-axis-dead",
    seen: "One axis of the sensor tells the same value all the time while the others live.",
    may_be: "That part of the sensor may be broken or switched off, or its program may send one value again and again.",
    to_try: "Switch the sensor off and on and look at the lines it sends; replace it if the axis stays dead.",
};

/// The standing part changed.
pub const OFFSET_MOVED: Cause = Cause {
    code: "field-offset-moved",
    seen: "The standing part of the field changed at once.",
    may_be: "The sensor or its holder may have been pushed, or steel, another magnet or another engine may have been moved nearby.",
    to_try: "Fasten the sensor and leave the bench and what stands around it alone during a run.",
};

/// The corrected points are no circle.
pub const NOT_CLOSING: Cause = Cause {
    code: "field-not-closing",
    seen: "The field changes in a way that the magnet on its axle does not make: it does not come back with every turn, or does not rest with the axle.",
    may_be: "A second magnet, steel that moves nearby, or an alternating field of motor or supply may reach the sensor, or the magnet may wobble on its axle.",
    to_try: "Take other magnets and loose steel away, keep the sensor from motor and cables, and fasten the magnet.",
};

/// Leaps that no motor makes.
pub const SLIPS: Cause = Cause {
    code: "slip-or-jerk",
    seen: "The measured axle jerked as no motor can make it: its angle leapt, or its speed fell and came back at once.",
    may_be: "The magnet may sit loose on its axle, the axle may slip on its roller or wheel, or a coupling may have slack.",
    to_try: "Fasten the magnet, clean wheels and rollers, load the engine so that its wheels grip, and take up slack in couplings.",
};

/// Every cause of this part.
pub const ALL: &[&Cause] = &[
    &POLES_ALONG,
    &NO_FIELD,
    &WEAK,
    &NOISY,
    &ONE_PAIR,
    &CLIPPED,
    &AXIS_DEAD,
    &OFFSET_MOVED,
    &NOT_CLOSING,
    &SLIPS,
];
