//! Causes that lie in what the engine runs on: a loop, a straight, a measuring car behind a coupling.
use super::Cause;

/// Whole laps take their time.
pub const LAPS_TAKE_TIME: Cause = Cause {
    code: "loop-laps-take-time",
    seen: "On a loop each speed is measured over whole laps, and that takes this long.",
    may_be: "Grades, curves and rail joints change the speed along the way and cancel only over whole laps, so a long loop leaves time for fewer points.",
    to_try: "Nothing needs doing; a shorter loop or rollers give more points in less time.",
};
/// A whole lap at a slow speed takes longer than a point may.
pub const PART_OF_LAP: Cause = Cause {
    code: "loop-part-of-a-lap",
    seen: "At slow speeds a whole lap takes longer than a point may.",
    may_be: "The loop is long for so slow a speed, so such a point is measured over a part of a lap, and how uneven the track was seen to be goes into its doubt.",
    to_try: "Raise point_limit in the bench file to the time of a lap if the slow steps must be known better, or use rollers.",
};
/// No lap fits into a point.
pub const LOOP_TOO_LONG: Cause = Cause {
    code: "loop-too-long",
    seen: "Not even at the wanted top a whole lap fits into the time that a point may take.",
    may_be: "The loop is long for this engine, its length in the bench file is too large, or point_limit is short.",
    to_try: "Raise point_limit in the bench file to more than the time that the evidence names, check the length, or use a shorter loop or rollers.",
};
/// A speed does not fit on the straight.
pub const TOO_SHORT: Cause = Cause {
    code: "path-too-short",
    seen: "The straight is too short for a speed that was to be measured on it.",
    may_be: "Getting to that speed, settling, measuring and stopping again needs more way than there is between the reserves of both ends.",
    to_try: "Lower the top in the bench file, take a longer straight of the length that the evidence names, or put the engine on rollers.",
};
/// Faster steps were left out.
pub const STEPS_LEFT_OUT: Cause = Cause {
    code: "straight-steps-left-out",
    seen: "Faster steps were left out of the sweep, as the straight is too short for them.",
    may_be: "Getting to such a speed, settling, measuring and stopping again needs more way than there is.",
    to_try: "Nothing needs doing if the top is reached with its reserve; else take a longer straight, as the evidence says.",
};
/// The top was lowered to what there is room for.
pub const TOP_LOWERED: Cause = Cause {
    code: "straight-lowers-top",
    seen: "The top was lowered, as the straight is too short to measure a faster one, or to check it afterwards.",
    may_be: "Getting to the wanted top, settling, measuring and stopping again needs more way than there is, and with the new table the stops count as longer until they are seen.",
    to_try: "Nothing needs doing if the lower top will do; else take a longer straight or rollers, or ask for a lower top.",
};
/// The engine came too near to an end.
pub const END_NEAR: Cause = Cause {
    code: "straight-end-near",
    seen: "The engine came so near to an end of the straight that it was given an emergency stop.",
    may_be: "It stood elsewhere than at its start mark, the length in the bench file is too long, the axle slipped, or a brake took longer than before.",
    to_try: "Look where it stands, put it on its start mark facing as the bench file says, measure the length again, and try with a larger reserve.",
};
/// Where the engine is on the straight is not known.
pub const PLACE_UNSURE: Cause = Cause {
    code: "straight-place-unsure",
    seen: "Where the engine stands on the straight is no longer known well enough to move it.",
    may_be: "A pause, a lost link or a move by hand came between, or what the axle may have slipped has added up over many passes.",
    to_try: "Put the engine on its start mark, facing as at the beginning, and answer the question.",
};
/// The speed swings.
pub const SURGE: Cause = Cause {
    code: "coupling-surge",
    seen: "The speed swings to and fro at a steady beat that is not that of the axle.",
    may_be: "A measuring car swings behind or before the engine in a slack coupling, or the decoder's speed control hunts.",
    to_try: "Nothing needs doing, as whole swings are averaged; a close coupling without play and a little drag on the car make it smaller.",
};

/// Every cause of this part.
pub const ALL: &[&Cause] = &[
    &LAPS_TAKE_TIME,
    &PART_OF_LAP,
    &LOOP_TOO_LONG,
    &TOO_SHORT,
    &STEPS_LEFT_OUT,
    &TOP_LOWERED,
    &END_NEAR,
    &PLACE_UNSURE,
    &SURGE,
];
