//! Causes that lie in the sensor, its link and the magnet on the axle.
use super::Cause;

/// The sensor's address gives no connection.
pub const UNREACHABLE: Cause = Cause {
    code: "sensor-unreachable",
    seen: "The sensor could not be reached at the address in the bench file.",
    may_be: "It may be switched off, have another address or port, or the network between may be down.",
    to_try: "Check that the sensor has power and that host and port in the bench file are right.",
};

/// Connected, but nothing comes.
pub const SILENT: Cause = Cause {
    code: "sensor-silent",
    seen: "The link to the sensor is open, but no sample came.",
    may_be: "The sensor may have hung, measure only on request, or send to somebody else.",
    to_try: "Switch the sensor off and on, and look whether another program holds it.",
};

/// Every sample is the same.
pub const FROZEN: Cause = Cause {
    code: "sensor-frozen",
    seen: "The sensor sends the same field again and again, to the last digit.",
    may_be: "The sensor may have hung, or it may be too coarse to show its own noise.",
    to_try: "Switch the sensor off and on, and set it to its finest resolution.",
};

/// Samples are old when they come.
pub const OLD_DATA: Cause = Cause {
    code: "sensor-old-data",
    seen: "Samples arrive much later than they were taken.",
    may_be: "A weak radio link, a busy computer or a buffer on the way may hold them back.",
    to_try: "Move the sensor's radio closer or use a cable, and close other programs that load the computer.",
};

/// Samples come and no speed can be had from them.
pub const SIGNAL_LOST: Cause = Cause {
    code: "signal-lost",
    seen: "The engine was told to move, samples came, and neither turning nor standstill could be seen in them.",
    may_be: "The magnet slipped or turned its poles along the axle, an axis of the sensor died, its clock jumps, or something magnetic moves nearby.",
    to_try: "Fasten magnet and sensor, turn the magnet so that its poles point across the axle, and look at the lines that the sensor sends.",
};

/// A source without direction.
pub const DIRECTION_NOT_SEEN: Cause = Cause {
    code: "direction-not-seen",
    seen: "This sensor does not tell which way the axle turns.",
    may_be: "It counts or measures without sign, as the bench file says; an engine that runs the wrong way is then not noticed.",
    to_try: "Watch the first slow moves yourself, and use a sensor that tells the direction where that matters.",
};

/// The sensor samples too slowly for this speed.
pub const TOO_FEW_SAMPLES: Cause = Cause {
    code: "too-few-samples-a-turn",
    seen: "The axle turns too fast for the sensor: fewer than four samples come in a turn.",
    may_be: "The sensor's rate may be set too low, or the measured wheel may be very small.",
    to_try: "Set the sensor to a higher rate, or lower the highest speed in the bench file.",
};

/// A sample came before any header.
pub const NO_HEADER: Cause = Cause {
    code: "sensor-no-header",
    seen: "A line came from the sensor before any header that names the columns.",
    may_be: "The sensor may send its header only when it starts, or its format may not be CSV.",
    to_try: "Let the sensor send a header line such as t_us,bx,by,bz when a connection opens.",
};

/// A header that lacks a column, or has one twice.
pub const BAD_HEADER: Cause = Cause {
    code: "sensor-header-columns",
    seen: "The sensor's header line lacks a column that is needed, or names one twice.",
    may_be: "The sensor may use other names for its columns, or may be set to send fewer values.",
    to_try: "Let the header name t_us, bx and by once each, and bz too for a three-axis sensor.",
};

/// A line without end.
pub const LINE_TOO_LONG: Cause = Cause {
    code: "sensor-line-too-long",
    seen: "A line from the sensor was longer than 512 bytes and was skipped.",
    may_be: "Line ends may be missing, or the sensor may send something other than CSV.",
    to_try: "Check the sensor's format and the port in the bench file.",
};

/// A line that is no text.
pub const LINE_NOT_TEXT: Cause = Cause {
    code: "sensor-line-not-text",
    seen: "A line from the sensor was not readable text and was skipped.",
    may_be: "Bytes may have been damaged on the way, or the sensor may send a binary format.",
    to_try: "Check cable, line speed and the sensor's format.",
};

/// A line with too many or too few fields.
pub const LINE_FIELDS: Cause = Cause {
    code: "sensor-line-fields",
    seen: "A line from the sensor had another number of fields than its header and was skipped.",
    may_be: "Bytes may have been lost on the way, or the sensor may have changed its format without a new header.",
    to_try: "Check cable and radio link; a few such lines in an hour do no harm.",
};

/// A field that is no number.
pub const LINE_NUMBER: Cause = Cause {
    code: "sensor-line-number",
    seen: "A line from the sensor held something that is not a number and was skipped.",
    may_be: "Bytes may have been damaged on the way, or the sensor may write decimal commas or units.",
    to_try: "Let the sensor write plain numbers with a decimal point, separated by commas.",
};

/// A field that is not finite.
pub const LINE_NOT_FINITE: Cause = Cause {
    code: "sensor-line-not-finite",
    seen: "A line from the sensor held a field that is not finite and was skipped.",
    may_be: "The sensor may be over its range, or its own chip may not answer it.",
    to_try: "Move the sensor a little away from the magnet, and switch it off and on.",
};

/// A stamp outside 32 bits.
pub const LINE_STAMP: Cause = Cause {
    code: "sensor-line-stamp",
    seen: "A line from the sensor had a time stamp outside 0 to 4294967295 microseconds and was skipped.",
    may_be: "The sensor may count in more than 32 bits, or below zero.",
    to_try: "Let the sensor send its microseconds as a 32-bit counter that starts again at zero.",
};

/// Every cause of this part.
pub const ALL: &[&Cause] = &[
    &UNREACHABLE,
    &SILENT,
    &FROZEN,
    &OLD_DATA,
    &SIGNAL_LOST,
    &DIRECTION_NOT_SEEN,
    &TOO_FEW_SAMPLES,
    &NO_HEADER,
    &BAD_HEADER,
    &LINE_TOO_LONG,
    &LINE_NOT_TEXT,
    &LINE_FIELDS,
    &LINE_NUMBER,
    &LINE_NOT_FINITE,
    &LINE_STAMP,
];
