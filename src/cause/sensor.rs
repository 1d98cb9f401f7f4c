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

/// Bytes came that are no text.
pub const GIBBERISH: Cause = Cause {
    code: "sensor-gibberish",
    seen: "What comes from the sensor is no text at all.",
    may_be: "The serial speed in the bench file may not be the sensor's, or this may be the port of another device.",
    to_try: "On a serial link set baud in the bench file to what the sensor's papers or program say; on any link check that the port is the sensor's.",
};

/// The stream has another form than stated.
pub const OTHER_FORM: Cause = Cause {
    code: "sensor-other-format",
    seen: "The sensor sends another format than the bench file says.",
    may_be: "The format in the bench file may be wrong, or the sensor may be set to another output.",
    to_try: "Change format in the bench file to what came, or set the sensor to send what the bench file says.",
};

/// The stream carries other quantities than the stated source.
pub const OTHER_SOURCE: Cause = Cause {
    code: "sensor-other-source",
    seen: "The sensor does not send what the bench file names as the source of the speed.",
    may_be: "The bench file may name the wrong source, or the address may lead to another sensor.",
    to_try: "Change source in the bench file to what the sensor sends, or the address to the sensor you mean.",
};

/// A sample came before any header.
pub const NO_HEADER: Cause = Cause {
    code: "sensor-no-header",
    seen: "A line came from the sensor before any header that names the columns.",
    may_be: "The sensor may send its header only when it starts, or its columns may have other names.",
    to_try: "Let the sensor send a header line when a connection opens and every few seconds after, with the names from the README.",
};

/// A header that lacks a column, or has one twice.
pub const BAD_HEADER: Cause = Cause {
    code: "sensor-header-columns",
    seen: "The sensor's header line lacks a column that is needed, or names one twice.",
    may_be: "The sensor may use other names for its columns, or may be set to send fewer values.",
    to_try: "Let the header name t_us and the columns of the bench file's source once each, written as in the README.",
};

/// A header whose names stand between something else than commas.
pub const SEPARATOR: Cause = Cause {
    code: "sensor-separator",
    seen: "The sensor's header line has no commas between the names.",
    may_be: "The sensor may be set to separate its values by semicolons, tabs or spaces.",
    to_try: "Set the sensor to separate values by commas and to write numbers with a decimal point.",
};

/// A line without end.
pub const LINE_TOO_LONG: Cause = Cause {
    code: "sensor-line-too-long",
    seen: "A line from the sensor was longer than a line may be and was skipped.",
    may_be: "Line ends may be missing, too many samples may stand in one line, or this may not be the sensor's port.",
    to_try: "Let the sensor end each line of CSV, or each array of SenML, with a line feed, and check the port in the bench file.",
};

/// A line that is no text.
pub const LINE_NOT_TEXT: Cause = Cause {
    code: "sensor-line-not-text",
    seen: "A line from the sensor was not readable text and was skipped.",
    may_be: "Bytes may have been damaged on the way by a loose plug or a weak radio link.",
    to_try: "Check plugs, cable and radio link; a few such lines in an hour do no harm.",
};

/// A line with too many or too few fields.
pub const LINE_FIELDS: Cause = Cause {
    code: "sensor-line-fields",
    seen: "A line from the sensor had another number of fields than its header and was skipped.",
    may_be: "Bytes may have been lost on the way, or the sensor may write decimal commas or have changed its columns without a new header.",
    to_try: "Check cable and radio link, and let the sensor write decimal points; a few such lines in an hour do no harm.",
};

/// A field that is no number.
pub const LINE_NUMBER: Cause = Cause {
    code: "sensor-line-number",
    seen: "A line from the sensor held something else where a number belongs and was skipped.",
    may_be: "Bytes may have been damaged on the way, or the sensor may write units or words beside its numbers.",
    to_try: "Let the sensor write plain numbers with a decimal point; a few such lines in an hour do no harm.",
};

/// A field that is not finite.
pub const LINE_NOT_FINITE: Cause = Cause {
    code: "sensor-line-not-finite",
    seen: "A line from the sensor held a value that is no finite number and was skipped.",
    may_be: "The sensor may be over its range, or its own chip may not answer it.",
    to_try: "Switch the sensor off and on, and move a field sensor a little away from the magnet.",
};

/// A stamp outside 32 bits.
pub const LINE_STAMP: Cause = Cause {
    code: "sensor-line-stamp",
    seen: "A line from the sensor had a time stamp outside 0 to 4294967295 microseconds and was skipped.",
    may_be: "The sensor may count in more than 32 bits, or below zero.",
    to_try: "Let the sensor send its microseconds as a 32-bit counter that starts again at zero.",
};

/// A count that is not whole.
pub const LINE_PULSES: Cause = Cause {
    code: "sensor-line-pulses",
    seen: "A line from the sensor held a count of pulses that is not a whole number and was skipped.",
    may_be: "The sensor may send pulses a second or turns instead of a count, or bytes may have been damaged on the way.",
    to_try: "Let the sensor send the count of pulses since it started, without decimals.",
};

/// A battery voltage or temperature that can't be read.
pub const HOUSEKEEPING: Cause = Cause {
    code: "sensor-housekeeping",
    seen: "The battery voltage or temperature that the sensor sends could not be read; its samples are used all the same.",
    may_be: "The sensor may have no such part, or may write the value with a unit or as a word.",
    to_try: "Let the sensor send a plain number in volts or degrees Celsius, or leave the value out.",
};

/// A line that is no JSON.
pub const SENML_JSON: Cause = Cause {
    code: "sensor-senml-json",
    seen: "A line from the sensor begins like a SenML pack but is not whole JSON and was skipped.",
    may_be: "The pack may be spread over several lines, or bytes may have been lost on the way.",
    to_try: "Let the sensor send each pack whole on one line; a single such line after connecting does no harm.",
};

/// JSON that is no pack.
pub const SENML_PACK: Cause = Cause {
    code: "sensor-senml-pack",
    seen: "A line from the sensor is JSON but not a SenML pack and was skipped.",
    may_be: "The sensor may send single records, or a JSON of its own kind.",
    to_try: "Let the sensor put its records in square brackets, such as [{\"n\":\"speed_m_s\",\"u\":\"m/s\",\"v\":0.12}].",
};

/// A record with a field that breaks the rules.
pub const SENML_RECORD: Cause = Cause {
    code: "sensor-senml-record",
    seen: "A SenML pack from the sensor has a record that breaks the rules of RFC 8428 and was skipped.",
    may_be: "The sensor's program may put numbers in quotes, or use spaces or other signs in names.",
    to_try: "Mend that record in the sensor's program; the evidence says what it should be.",
};

/// A pack of a later version.
pub const SENML_VERSION: Cause = Cause {
    code: "sensor-senml-version",
    seen: "A SenML pack from the sensor has a later version than Pacewright knows and was skipped.",
    may_be: "The sensor may follow a newer standard than RFC 8428, which is version 10.",
    to_try: "Set the sensor to send version 10, or leave bver out.",
};

/// A pack with a field that must be understood.
pub const SENML_FIELD: Cause = Cause {
    code: "sensor-senml-field",
    seen: "A SenML pack from the sensor has a field that must be understood and is not, so the pack was skipped.",
    may_be: "The sensor may use an extension of SenML: the names of such fields end in an underscore.",
    to_try: "Switch the extension off in the sensor, or take the underscore off the name if the field may be ignored.",
};

/// Records of no known name.
pub const SENML_NAMES: Cause = Cause {
    code: "sensor-senml-names",
    seen: "The sensor's SenML packs hold no record with a name that Pacewright knows.",
    may_be: "The sensor may use other names, or this may be another sensor.",
    to_try: "Let the names end in those of the README, such as bx and by or speed_m_s, after a colon or slash if more stands before.",
};

/// A unit other than that of the name.
pub const SENML_UNIT: Cause = Cause {
    code: "sensor-senml-unit",
    seen: "A value from the sensor comes in another unit than its name has, so its sample was skipped.",
    may_be: "The sensor may be set to another unit, or a base unit may reach records it is not meant for.",
    to_try: "Let the sensor send the unit of the README with each record: T, rad, m, m/s, count, V or Cel.",
};

/// A value twice for the same time.
pub const SENML_TWICE: Cause = Cause {
    code: "sensor-senml-twice",
    seen: "A SenML pack from the sensor holds the same value twice for one time, so that sample was skipped.",
    may_be: "The sensor may send several samples in a pack without their times.",
    to_try: "Let the sensor give each sample its time t, or send each sample as a pack of its own.",
};

/// Part of a sample.
pub const SENML_INCOMPLETE: Cause = Cause {
    code: "sensor-senml-incomplete",
    seen: "A SenML pack from the sensor holds only a part of a sample, so that sample was skipped.",
    may_be: "The values of a sample may have times that differ a little, or may be spread over several packs.",
    to_try: "Let the sensor give all values of a sample the same time and send them in one pack.",
};

/// A time that can't be.
pub const SENML_TIME: Cause = Cause {
    code: "sensor-senml-time",
    seen: "A SenML record from the sensor has a time that cannot be, so its sample was skipped.",
    may_be: "The sensor may send its time in milliseconds or microseconds instead of seconds.",
    to_try: "Let the sensor send seconds, with decimals for what is finer.",
};

/// A sample of the future.
pub const SENML_AHEAD: Cause = Cause {
    code: "sensor-senml-time-ahead",
    seen: "A SenML record from the sensor says that its sample will be taken later than now, so it was skipped.",
    may_be: "The sensor may send the seconds since it was switched on, but SenML counts small times from now.",
    to_try: "Set the sensor's clock and send seconds since 1970, or send times before now as negative, or send no time.",
};

/// Its battery is low.
pub const BATTERY_LOW: Cause = Cause {
    code: "sensor-battery-low",
    seen: "The sensor told a battery voltage at or below the limit of the bench file (battery_low).",
    may_be: "Its battery is nearly empty or old, or the limit is too high for this kind of cell.",
    to_try: "Charge or change the sensor's battery, never unattended and never while a run goes on, and start again.",
};
/// Its battery has been used for as long as it is said to last.
pub const BATTERY_SPENT: Cause = Cause {
    code: "sensor-battery-spent",
    seen: "The sensor has been used for as long as the bench file says a charge lasts (endurance).",
    may_be: "The runs took longer than one charge allows.",
    to_try: "Charge the sensor's battery, never unattended and never while a run goes on, and start again; or power it from a supply for long nights.",
};

/// Every cause of this part.
pub const ALL: &[&Cause] = &[
    &BATTERY_LOW,
    &BATTERY_SPENT,
    &UNREACHABLE,
    &SILENT,
    &FROZEN,
    &OLD_DATA,
    &SIGNAL_LOST,
    &DIRECTION_NOT_SEEN,
    &TOO_FEW_SAMPLES,
    &GIBBERISH,
    &OTHER_FORM,
    &OTHER_SOURCE,
    &NO_HEADER,
    &BAD_HEADER,
    &SEPARATOR,
    &LINE_TOO_LONG,
    &LINE_NOT_TEXT,
    &LINE_FIELDS,
    &LINE_NUMBER,
    &LINE_NOT_FINITE,
    &LINE_STAMP,
    &LINE_PULSES,
    &HOUSEKEEPING,
    &SENML_JSON,
    &SENML_PACK,
    &SENML_RECORD,
    &SENML_VERSION,
    &SENML_FIELD,
    &SENML_NAMES,
    &SENML_UNIT,
    &SENML_TWICE,
    &SENML_INCOMPLETE,
    &SENML_TIME,
    &SENML_AHEAD,
];
