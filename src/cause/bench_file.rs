//! Causes that lie in the bench file.
use super::Cause;

/// The text is no TOML.
pub const SYNTAX: Cause = Cause {
    code: "bench-file-syntax",
    seen: "The bench file breaks the rules of TOML.",
    may_be: "Often a text without its quotes, a bracket or quote left open, or the same key written twice.",
    to_try: "Mend the marked place; every value with a unit stands in quotes, as in \"80 km/h\".",
};

/// The bytes are no text.
pub const NOT_UTF8: Cause = Cause {
    code: "file-not-utf8",
    seen: "The file holds bytes that are no text in UTF-8.",
    may_be: "It was saved in an older encoding, as some editors and spreadsheets do, or it is no text at all.",
    to_try: "Save it again with the encoding UTF-8, or write plain letters without accents.",
};

/// No text at all.
pub const NO_TEXT: Cause = Cause {
    code: "file-not-text",
    seen: "The file is no text.",
    may_be: "It may be a spreadsheet's own file, a packed archive, a picture, or damaged.",
    to_try: "Save a list of CVs from the spreadsheet as CSV; a bench file begins with `pacewright template`.",
};

/// The schema number is not ours.
pub const SCHEMA: Cause = Cause {
    code: "bench-file-schema",
    seen: "The bench file is written for another version of its format.",
    may_be: "It may come from a newer program, or the number was changed by hand.",
    to_try: "Use the program that wrote it, or move the values into a fresh file from `pacewright template`.",
};

/// A key that is not known.
pub const UNKNOWN_KEY: Cause = Cause {
    code: "unknown-key",
    seen: "The bench file holds a key that this program does not know.",
    may_be: "It may be misspelt, stand in the wrong section, or belong to another version.",
    to_try: "Correct or remove it; `pacewright template` shows every key.",
};

/// A section that is not known.
pub const UNKNOWN_SECTION: Cause = Cause {
    code: "unknown-section",
    seen: "The bench file holds a section that this program does not know.",
    may_be: "It may be misspelt, or belong to another version.",
    to_try: "Correct or remove it; `pacewright template` shows every section.",
};

/// A key that must stand is not there.
pub const MISSING_KEY: Cause = Cause {
    code: "missing-key",
    seen: "A key that the program cannot do without is missing.",
    may_be: "It may never have been filled in, be commented out, or stand in another section.",
    to_try: "Add it; the example shows the form.",
};

/// A section that must stand is not there.
pub const MISSING_SECTION: Cause = Cause {
    code: "missing-section",
    seen: "A section that the program cannot do without is missing.",
    may_be: "It may never have been filled in, or its heading is commented out.",
    to_try: "Add it; the example shows its form.",
};

/// Another type of value.
pub const WRONG_TYPE: Cause = Cause {
    code: "wrong-type",
    seen: "A value in the bench file is of another kind than the key needs.",
    may_be: "Often quotes are missing around a text or stand around a plain number.",
    to_try: "Write it in the form that is named.",
};

/// A quantity without its unit.
pub const MISSING_UNIT: Cause = Cause {
    code: "missing-unit",
    seen: "A quantity stands without its unit.",
    may_be: "The program never guesses a unit, because a wrong guess makes an engine run away.",
    to_try: "Write the unit behind the number, both in quotes.",
};

/// A unit that is not known.
pub const UNKNOWN_UNIT: Cause = Cause {
    code: "unknown-unit",
    seen: "A quantity has a unit that this key does not take.",
    may_be: "It may be misspelt, or be the unit of another quantity.",
    to_try: "Use one of the units that are named.",
};

/// A text that should be a number with a unit.
pub const NO_QUANTITY: Cause = Cause {
    code: "not-a-quantity",
    seen: "A value that should be a number with its unit cannot be read.",
    may_be: "Often a decimal comma instead of a point, a minus sign, or words.",
    to_try: "Write one number with a decimal point, then its unit.",
};

/// Outside its limits.
pub const OUT_OF_RANGE: Cause = Cause {
    code: "value-out-of-range",
    seen: "A value in the bench file lies outside its limits.",
    may_be: "A digit may be missing or too many, or the unit is another one.",
    to_try: "Choose a value within the limits that are named.",
};

/// None of the words a key takes.
pub const UNKNOWN_CHOICE: Cause = Cause {
    code: "unknown-choice",
    seen: "A key in the bench file takes only certain words or numbers, and this is none of them.",
    may_be: "It may be misspelt, or be something this version cannot do.",
    to_try: "Choose one of those that are named.",
};

/// The form of an address or a scale.
pub const WRONG_FORM: Cause = Cause {
    code: "wrong-form",
    seen: "A text in the bench file does not have the form that the key needs.",
    may_be: "A part of it may be missing or too much.",
    to_try: "Write it as the example shows.",
};

/// Two keys that do not go together.
pub const CONTRADICTION: Cause = Cause {
    code: "contradiction",
    seen: "Two things in the bench file do not go together.",
    may_be: "One of them may be mistyped, or was left over from another engine or bench.",
    to_try: "Decide which of them is meant and change the other.",
};

/// Something the person must state in so many words.
pub const NOT_STATED: Cause = Cause {
    code: "not-stated",
    seen: "The bench file does not state something that only you can know or decide.",
    may_be: "The program never takes for granted that only one engine is programmed, that old values may be lost, or which way a sensor can see.",
    to_try: "Check that it is so, then state it with the line that is named.",
};

/// Every cause of this part.
pub const ALL: &[&Cause] = &[
    &SYNTAX,
    &NOT_UTF8,
    &NO_TEXT,
    &SCHEMA,
    &UNKNOWN_KEY,
    &UNKNOWN_SECTION,
    &MISSING_KEY,
    &MISSING_SECTION,
    &WRONG_TYPE,
    &MISSING_UNIT,
    &UNKNOWN_UNIT,
    &NO_QUANTITY,
    &OUT_OF_RANGE,
    &UNKNOWN_CHOICE,
    &WRONG_FORM,
    &CONTRADICTION,
    &NOT_STATED,
];
