//! Causes that lie in a list of CVs, as kept by hand or in a spreadsheet.
use super::Cause;

/// The file cannot be opened.
pub const UNREADABLE: Cause = Cause {
    code: "cv-list-unreadable",
    seen: "The list of CVs that the bench file names could not be read from the disk.",
    may_be: "The name is misspelt, the file lies in another folder than the bench file, or this user may not read it.",
    to_try: "Correct originals in the bench file or put the list where it points; relative names are seen from the bench file's folder.",
};

/// The first line does not name the columns.
pub const HEADER: Cause = Cause {
    code: "cv-list-header",
    seen: "A list of CVs does not begin with the line cv,value.",
    may_be: "The line that names the columns is missing, is misspelt, or is not the first.",
    to_try: "Write cv,value as the first line, or cv,value,note where you keep remarks.",
};

/// Something else than commas between the values.
pub const SEPARATOR: Cause = Cause {
    code: "cv-list-separator",
    seen: "The values in a list of CVs are not parted by commas.",
    may_be: "Spreadsheets write semicolons where the decimal sign is a comma, and tabs for some kinds of text.",
    to_try: "Choose the comma as separator when saving as CSV, or put commas in place of the others in an editor.",
};

/// A line with too few or too many values.
pub const LINE: Cause = Cause {
    code: "cv-list-line",
    seen: "A line in a list of CVs does not have the parts that its first line names.",
    may_be: "A comma is missing or too many, a quote is left open, or a remark stands where none can.",
    to_try: "Write the number of the CV, a comma and its value; a remark with a comma in it stands in quotes in the column note.",
};

/// No such CV.
pub const NUMBER: Cause = Cause {
    code: "cv-list-number",
    seen: "A line in a list of CVs does not name a CV from 1 to 1024.",
    may_be: "A digit is missing or too many, a word stands before the number, or the columns are swapped.",
    to_try: "Write the bare number of the CV in the column cv.",
};

/// No such value.
pub const VALUE: Cause = Cause {
    code: "cv-list-value",
    seen: "A value in a list of CVs is no whole number from 0 to 255.",
    may_be: "It was left blank, is written with a decimal sign, in hexadecimal or in bits, or a digit is too many.",
    to_try: "Write it as a whole number from 0 to 255, or take the line out if you do not know it.",
};

/// A CV that comes twice.
pub const TWICE: Cause = Cause {
    code: "cv-list-twice",
    seen: "A CV stands twice in a list of CVs.",
    may_be: "Two lists were put together, or a number is mistyped.",
    to_try: "Find out which of the two lines is right and take the other out.",
};

/// Nothing in it.
pub const EMPTY: Cause = Cause {
    code: "cv-list-empty",
    seen: "A list of CVs holds no CV.",
    may_be: "It was saved before it was filled in, or it is another file.",
    to_try: "Fill it in, or take originals out of the bench file.",
};

/// Not all that the run changes.
pub const INCOMPLETE: Cause = Cause {
    code: "cv-list-incomplete",
    seen: "The list of CVs does not hold everything that the run changes, and on the main nothing can be read.",
    may_be: "It was kept for another purpose, or before the speed table was used.",
    to_try: "Add the CVs that are named, or accept with no_way_back = true in the bench file that their old values are lost.",
};

/// The list is of another engine or decoder.
pub const OF_ANOTHER: Cause = Cause {
    code: "cv-list-of-another",
    seen: "The list of CVs is of another decoder than the one on the bench.",
    may_be: "The bench file names another engine's list, the decoder was replaced or got a new address, or another engine stands there.",
    to_try: "Name this engine's list in the bench file, or take originals out of it; nothing was written.",
};

/// The decoder says otherwise.
pub const DIFFERS: Cause = Cause {
    code: "cv-list-differs",
    seen: "The decoder holds other values than the list of CVs.",
    may_be: "The decoder was set since the list was kept, or the list was mistyped.",
    to_try: "Nothing needs doing: what was read from the decoder counts; bring the list up to date when you can.",
};

/// Values of the list stand in for what did not answer.
pub const STANDS_IN: Cause = Cause {
    code: "cv-list-stands-in",
    seen: "CVs that cannot be read are taken to hold what the list of CVs says.",
    may_be: "The decoder does not answer for them, or they are written on the main, where nothing can be read.",
    to_try: "See that the list is up to date: if the run fails, these values are written back and nobody can read whether the decoder took them.",
};

/// Originals went back unread.
pub const BACK_UNREAD: Cause = Cause {
    code: "originals-back-unread",
    seen: "The old values were sent back to the decoder, and nothing could be read to see that it took them.",
    may_be: "On the main nothing can be read, and some decoders do not answer for every CV.",
    to_try: "Drive the engine by hand and see that it runs as before, or read the values on a programming track.",
};

/// Every cause of this part.
pub const ALL: &[&Cause] = &[
    &UNREADABLE,
    &HEADER,
    &SEPARATOR,
    &LINE,
    &NUMBER,
    &VALUE,
    &TWICE,
    &EMPTY,
    &INCOMPLETE,
    &OF_ANOTHER,
    &DIFFERS,
    &STANDS_IN,
    &BACK_UNREAD,
];
