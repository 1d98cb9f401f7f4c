//! Causes that lie in the engine and its decoder, or in what a run found while driving it.
use super::Cause;

/// The engine stands although it was told to move.
pub const NOT_MOVING: Cause = Cause {
    code: "engine-not-moving",
    seen: "The engine was told to move and no turning of the axle was seen.",
    may_be: "The magnet's poles may point along the axle, the magnet may sit loose or be missing, that axle may not be driven or not touch its roller, it may slip, or the engine itself may not move: dirty wheels or pickups, or a jam.",
    to_try: "Watch the axle while the engine runs slowly by hand control: if it turns, see to the magnet; if it does not, clean wheels and rollers and free the engine.",
};
/// The engine moves although nothing was ordered.
pub const MOVES_UNASKED: Cause = Cause {
    code: "engine-moves-unasked",
    seen: "The axle turned although the engine had been told to stand.",
    may_be: "Another controller drives the engine, the decoder runs on from stored energy, or somebody touched the bench.",
    to_try: "Take every other controller off, leave the bench alone during a run, and switch the energy store off in the decoder if it has one.",
};
/// The engine is faster than the limit.
pub const TOO_FAST: Cause = Cause {
    code: "engine-too-fast",
    seen: "The engine ran faster than the limit of the bench file.",
    may_be: "The limit is too tight for this engine, the decoder takes a setting for more than it is, or the circumference in the bench file is wrong.",
    to_try: "Check the circumference, then raise the limit in the bench file only if the speed is harmless on your bench.",
};
/// The engine runs against the ordered direction.
pub const WRONG_WAY: Cause = Cause {
    code: "engine-wrong-way",
    seen: "The axle turned against the ordered direction.",
    may_be: "Somebody changed the direction elsewhere, the sensor moved on its axle, or it counts up whichever way the axle turns.",
    to_try: "Fasten the sensor and keep other controllers away; if the sensor can't tell the direction, say sees_direction = false in the bench file.",
};
/// No standstill after a stop.
pub const NO_STANDSTILL: Cause = Cause {
    code: "engine-no-standstill",
    seen: "The engine was told to stop and standstill was not seen in time.",
    may_be: "The decoder brakes slowly or runs on from an energy store, or the sensor reads a shaking axle.",
    to_try: "Look whether the engine stands, raise the standstill limit if it only brakes slowly, and fasten the sensor.",
};
/// The decoder does not follow the setting.
pub const DOES_NOT_FOLLOW: Cause = Cause {
    code: "decoder-does-not-follow",
    seen: "The speed did not rise with the setting, with CV 2, 6 and 5 at zero nor at 1, 128 and 255.",
    may_be: "The decoder runs a speed curve that these CVs do not switch off, a shunting function is on, or the engine is blocked.",
    to_try: "Switch off shunting and momentum functions in the bench file, set the decoder to its delivered state, and try again.",
};
/// The decoder made crawl or stand with zeros; the other linear baseline is taken.
pub const ZEROS_NOT_LINEAR: Cause = Cause {
    code: "decoder-zeros-not-linear",
    seen: "With CV 2, 5 and 6 at zero the decoder refused a value, crawled whatever the setting, or ran a bent curve.",
    may_be: "This kind of decoder does not read zero as off.",
    to_try: "Nothing needs doing: the run goes on with CV 2 = 1, CV 6 = 128 and CV 5 = 255.",
};
/// The engine on the rails is another one.
pub const ANOTHER_ENGINE: Cause = Cause {
    code: "another-engine",
    seen: "The decoder's identity is not the one expected.",
    may_be: "Another engine stands on the programming output, or the address in the bench file is wrong.",
    to_try: "Put the engine of the bench file on the output alone, or correct its address and kind in the file; if its decoder was replaced, move the earlier run's folder away.",
};
/// An active consist address.
pub const IN_CONSIST: Cause = Cause {
    code: "engine-in-consist",
    seen: "The decoder has a consist address in CV 19 and is deaf to speed orders for its own address.",
    may_be: "The engine was last run coupled to another one.",
    to_try: "Take the engine out of the consist (CV 19 = 0) with your station and start again, or write clear_consist = true in the bench file: then the run takes it out and puts it back at its end.",
};
/// Curves of an earlier run belong to a decoder that held something else.
pub const CURVE_OF_ANOTHER: Cause = Cause {
    code: "curve-of-another-decoder",
    seen: "The decoder does not hold what it held when the curve was measured that the new table was to come from.",
    may_be: "The decoder was exchanged or reset since, or CV 2, 5 or 6 were changed; its speeds are no longer those of the record.",
    to_try: "Calibrate the engine afresh: that sweeps it and makes the table from what it does now.",
};
/// The consist address is taken out for the run.
pub const CONSIST_CLEARED: Cause = Cause {
    code: "consist-cleared",
    seen: "The decoder has a consist address, which the bench file lets the run take out; it goes back at the end.",
    may_be: "The engine was last run coupled to another one.",
    to_try: "Nothing needs doing; while the run lasts the engine answers to its own address alone.",
};
/// The decoder holds something else than before an earlier run.
pub const ORIGINALS_DIFFER: Cause = Cause {
    code: "originals-differ",
    seen: "The decoder holds other values than before that run.",
    may_be: "The run wrote its table, something was changed since, or it was not able to put everything back.",
    to_try: "If these are the values that you want back, give the same command with --yes; what it changes then is written down first as ever.",
};
/// They go back.
pub const ORIGINALS_PUT_BACK: Cause = Cause {
    code: "originals-put-back",
    seen: "The decoder held other values than before that run; they are put back.",
    may_be: "The run wrote its table, or something was changed since.",
    to_try: "Nothing needs doing; the engine runs again as it did before that run.",
};
/// The decoder holds what it held.
pub const ORIGINALS_HELD: Cause = Cause {
    code: "originals-held",
    seen: "The decoder holds what it held before that run.",
    may_be: "They were put back already, or the run changed nothing.",
    to_try: "Nothing needs doing.",
};
/// CV 15 and 16 lock the decoder.
pub const LOCKED: Cause = Cause {
    code: "decoder-locked",
    seen: "The decoder is locked: its CV 15 and CV 16 do not hold the same value.",
    may_be: "Somebody locked it on purpose, or CV 15 was left at the number of another decoder in this engine.",
    to_try: "Write into CV 15 what stands in CV 16 with your station. An engine with several decoders has a number in CV 16 of each: open the one that drives the motor alone.",
};
/// CVs that the run must change cannot be read.
pub const CV_UNREADABLE: Cause = Cause {
    code: "decoder-cv-unreadable",
    seen: "A CV that the run has to change could not be read, so it could not be put back either.",
    may_be: "Likeliest first: dirty wheels or rollers, no motor load to answer with, an energy store that hides the answer, the station's limit of programming current, or a decoder that is locked or has no such CV.",
    to_try: "Clean wheels and rollers, check the motor's connection, switch the energy store off, try a stronger programming output; or write what the CV holds into a list and name it with originals in the bench file, or leave the CV out by a profile if the decoder has none.",
};
/// A CV would not take its value.
pub const CV_REFUSED: Cause = Cause {
    code: "decoder-cv-refused",
    seen: "A CV kept another value than the one written.",
    may_be: "The decoder does not allow this value, is locked by CV 15 and 16, or lost contact while storing.",
    to_try: "Clean wheels and rollers and try again; look up the CV in the decoder's own manual.",
};
/// The table bit does not stay.
pub const NO_TABLE: Cause = Cause {
    code: "decoder-has-no-table",
    seen: "The decoder does not keep the bit in CV 29 that puts its speed table into use.",
    may_be: "This kind of decoder has no speed table.",
    to_try: "Write decoder = \"three-points\" in the bench file: the run then finds the best values of CV 2, 6 and 5 instead.",
};
/// The wanted top speed is out of reach.
pub const TOP_OUT_OF_REACH: Cause = Cause {
    code: "target-top-out-of-reach",
    seen: "The engine is too slow for the wanted top speed with the reserve that the bench file asks for.",
    may_be: "The target is meant for a faster engine, the track voltage is low, or the engine is stiff.",
    to_try: "Lower the top in the bench file to what the evidence names, or set lower_top, and check the track voltage.",
};
/// The wanted creep speed is out of reach.
pub const CREEP_OUT_OF_REACH: Cause = Cause {
    code: "target-creep-out-of-reach",
    seen: "The engine starts with a higher speed than the creep speed asked for at step 1.",
    may_be: "Its friction is high when it starts, as in many old engines and worn gears, or its axles are dry.",
    to_try: "Raise the creep in the bench file to what the evidence names, or set raise_creep; cleaning, oiling and running in help.",
};
/// The curve cannot be computed.
pub const CURVE_UNUSABLE: Cause = Cause {
    code: "engine-curve-unusable",
    seen: "The measured points do not give a usable speed curve.",
    may_be: "The engine ran unevenly, stalled, or the sensor signal was bad for part of the sweep.",
    to_try: "Clean and oil the engine, let it run in, and look at the points in the record.",
};
/// Verify came out beyond the tolerance.
pub const VERIFY_FAILED: Cause = Cause {
    code: "verify-failed",
    seen: "Measured again with the new table, a step lies beyond the tolerance.",
    may_be: "The engine changes while it runs, the decoder scales its table, or the sensor slipped.",
    to_try: "Run the engine in, clean it, and start again; the originals were put back where the result says so.",
};
/// Verify is undecided.
pub const VERIFY_MARGINAL: Cause = Cause {
    code: "verify-marginal",
    seen: "Measured again with the new table, the doubt of a step straddles the tolerance.",
    may_be: "The engine runs unevenly from turn to turn, or the tolerance is tight for this engine.",
    to_try: "Keep the table if the figures suffice for you, or allow longer measuring in the bench file.",
};
/// Warm-up ended without a steady speed.
pub const NOT_STEADY: Cause = Cause {
    code: "engine-not-steady",
    seen: "The speed still changed when the longest warm-up was over.",
    may_be: "The engine is newly oiled or still runs in, or the track voltage drifts.",
    to_try: "Allow a longer warm-up; the remaining change is part of the stated doubt.",
};
/// How the engine answers could not be made out.
pub const RESPONSE_NOT_LEARNED: Cause = Cause {
    code: "engine-response-not-learned",
    seen: "How quickly the engine answers a change of its setting could not be made out.",
    may_be: "It runs unevenly, samples went missing, or the sensor tells too few points a turn.",
    to_try: "Nothing needs doing: the run waits at each point until the speed looks steady, which takes longer.",
};
/// Points that took their whole time.
pub const PRECISION_NOT_REACHED: Cause = Cause {
    code: "precision-not-reached",
    seen: "Points were known less well than the bench file asks when their time was over.",
    may_be: "The engine runs unevenly from turn to turn, the sensor is noisy, or the precision asked for is very fine.",
    to_try: "What was reached is in the stated doubt; clean wheels and pickups, run the engine in, or raise point_limit or precision in the bench file.",
};
/// The anchors moved during the sweep.
pub const DRIFTED: Cause = Cause {
    code: "engine-drifted",
    seen: "The engine's speed changed steadily while the sweep went on: settings measured again later gave another speed.",
    may_be: "The engine was not warm yet or grew hot, or the track voltage changed.",
    to_try: "Allow a longer warm-up; the change was taken out of the points, and what that leaves is part of the stated doubt.",
};
/// The anchors moved too much.
pub const DRIFTS_TOO_MUCH: Cause = Cause {
    code: "engine-drifts-too-much",
    seen: "The engine's speed changed so much while the sweep went on that its points do not make one curve.",
    may_be: "It is far from warm, newly oiled, or grows hot; or the supply of the track is weak and its voltage moves.",
    to_try: "Raise the warm-up's shortest time, let the engine run in, and check the supply; nothing was written.",
};
/// The run lasted longer than allowed.
pub const RUN_TOO_LONG: Cause = Cause {
    code: "run-too-long",
    seen: "The run lasted longer than the bench file allows.",
    may_be: "The engine settles slowly, or the limit is too tight for the points asked for.",
    to_try: "Ask for fewer points or raise the run time in the bench file.",
};
/// The person ended the run.
pub const PERSON_STOPPED: Cause = Cause {
    code: "person-stopped",
    seen: "The run was ended from outside.",
    may_be: "Somebody asked for it, or the system told the program to end.",
    to_try: "Start the run again when the bench is free.",
};
/// The engine stood with the wrong end leading.
pub const REAR_LEADS: Cause = Cause {
    code: "rear-leads",
    seen: "With the decoder told forward the rear end leads.",
    may_be: "The direction bit of CV 29 or the motor's wires are the other way round.",
    to_try: "Nothing needs doing for the table; change bit 0 of CV 29 if forward should mean the front end.",
};

/// Nobody lifted the engine.
pub const PLACINGS_UNANSWERED: Cause = Cause {
    code: "placings-unanswered",
    seen: "Nobody answered when the engine was to be lifted off and put back, so the run went on without that.",
    may_be: "The run was left alone, or the question was not noticed.",
    to_try: "Stay within reach while the run measures if what another placing changes is to be known, or take placings out of the bench file.",
};

/// The table is read from zero.
pub const TABLE_FROM_ZERO: Cause = Cause {
    code: "table-read-from-zero",
    seen: "In 126-step operation this decoder reads its table from standstill on, not from its first entry on, so the table was made anew for that.",
    may_be: "The standards leave it open which step meets which entry, and decoders differ.",
    to_try: "Nothing needs doing; where the slowest speed must be that of step 1, use 28 steps.",
};

/// The trims do nothing.
pub const TRIMS_NOT_OBEYED: Cause = Cause {
    code: "trims-not-obeyed",
    seen: "The new table acts, but the trims in CV 66 and CV 95 do nothing, so a table was made that does without them.",
    may_be: "This kind of decoder has no trims, or needs another setting before they act.",
    to_try: "If both directions came out within the tolerance nothing needs doing; else look up in the decoder's own manual how its directions are matched.",
};

/// The table does nothing.
pub const TABLE_NOT_OBEYED: Cause = Cause {
    code: "table-not-obeyed",
    seen: "The decoder says that its speed table is in use, but the engine runs as without one.",
    may_be: "This kind of decoder has no speed table, or needs another setting before it acts.",
    to_try: "Look up in the decoder's own manual what switches its speed table on beside bit 4 of CV 29; if it has none, it cannot be calibrated this way.",
};

/// The last entries are alike.
pub const TOP_FLAT: Cause = Cause {
    code: "table-top-flat",
    seen: "The last entries of the table are alike, so the last steps run at one speed although faster ones are wanted.",
    may_be: "The engine reaches its full drive there, or its speed hardly rises with the drive near the top.",
    to_try: "Lower the top in the bench file if the last steps should differ.",
};

/// The baseline is no straight line.
pub const CURVE_BENT: Cause = Cause {
    code: "curve-bent",
    seen: "The speed over the steps bends at the middle step, or stops rising there, although the decoder was told to run a straight line.",
    may_be: "The decoder keeps a drive of its own at the middle step (CV 6) or at the top step (CV 5), whatever is written there.",
    to_try: "Set both CVs back to what the decoder's own manual names, switch off shunting and other functions that change the speed, and start again.",
};

/// 126 steps on 28 entries without anything between.
pub const TABLE_NOT_INTERPOLATED: Cause = Cause {
    code: "table-not-interpolated",
    seen: "In 126-step operation this decoder takes the entries of its table as they stand and nothing between them, so several steps run at one speed.",
    may_be: "The standards ask for values between the entries, but leave open which.",
    to_try: "Write steps = 28 in the bench file, and drive this engine with 28 steps.",
};

/// The engine had run for long and rested.
pub const RESTED: Cause = Cause {
    code: "engine-rested",
    seen: "The engine had run for as long as the bench file allows without a rest (without_rest, at_top) and was let stand.",
    may_be: "A motor that runs for hours gets hot.",
    to_try: "Nothing needs doing: it got warm again afterwards and the run went on; if the limit is too tight for this motor, raise it only after feeling the motor at the end of a long run.",
};

/// Every cause of this part.
pub const ALL: &[&Cause] = &[
    &RESTED,
    &NOT_MOVING,
    &MOVES_UNASKED,
    &TOO_FAST,
    &WRONG_WAY,
    &NO_STANDSTILL,
    &DOES_NOT_FOLLOW,
    &ZEROS_NOT_LINEAR,
    &ANOTHER_ENGINE,
    &IN_CONSIST,
    &CONSIST_CLEARED,
    &CURVE_OF_ANOTHER,
    &LOCKED,
    &ORIGINALS_DIFFER,
    &ORIGINALS_HELD,
    &ORIGINALS_PUT_BACK,
    &CV_UNREADABLE,
    &CV_REFUSED,
    &NO_TABLE,
    &TOP_OUT_OF_REACH,
    &TABLE_FROM_ZERO,
    &TRIMS_NOT_OBEYED,
    &TABLE_NOT_OBEYED,
    &CURVE_BENT,
    &TOP_FLAT,
    &TABLE_NOT_INTERPOLATED,
    &CREEP_OUT_OF_REACH,
    &CURVE_UNUSABLE,
    &VERIFY_FAILED,
    &VERIFY_MARGINAL,
    &NOT_STEADY,
    &RESPONSE_NOT_LEARNED,
    &PRECISION_NOT_REACHED,
    &DRIFTED,
    &DRIFTS_TOO_MUCH,
    &RUN_TOO_LONG,
    &PERSON_STOPPED,
    &REAR_LEADS,
    &PLACINGS_UNANSWERED,
];
