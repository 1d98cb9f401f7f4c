//! Causes that lie in the profile of a decoder, or in what it allows.
use super::Cause;

/// No profile of this name.
pub const UNKNOWN: Cause = Cause {
    code: "profile-unknown",
    seen: "The bench file names a profile of the decoder's kind that was not found.",
    may_be: "The name is misspelt, or the profile lies in another folder than those that are searched.",
    to_try: "See what `pacewright profiles` lists, or put the file into a folder named profiles beside the bench file.",
};

/// The file cannot be read.
pub const UNREADABLE: Cause = Cause {
    code: "profile-unreadable",
    seen: "A profile was found and could not be read from the disk.",
    may_be: "This user may not read it, or it is no ordinary file.",
    to_try: "Look at its permissions, or choose another profile.",
};

/// A value that the profile does not allow.
pub const FORBIDS: Cause = Cause {
    code: "profile-forbids",
    seen: "The run needed a value in a CV that the profile of the decoder does not allow.",
    may_be: "The profile is meant for another kind of decoder, or its limits are too narrow.",
    to_try: "Choose another profile, widen its limits if the decoder's own manual says so, or leave the profile out.",
};

/// What the profile says does not go with the bench file.
pub const DOES_NOT_FIT: Cause = Cause {
    code: "profile-does-not-fit",
    seen: "What the profile says of the decoder does not go with what the bench file asks for.",
    may_be: "With 126 steps the sweep on a straight table must know how they meet its entries, and a decoder that holds its entries can't be matched in 126 steps.",
    to_try: "Write steps = 28 in the bench file, or say in the profile how 126 steps meet the entries.",
};

/// Every cause of this part.
pub const ALL: &[&Cause] = &[&UNKNOWN, &UNREADABLE, &FORBIDS, &DOES_NOT_FIT];
