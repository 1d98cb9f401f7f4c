//! Causes that lie in the record, the disk and the process that runs.
use super::Cause;

/// The disk has no room left.
pub const DISK_FULL: Cause = Cause {
    code: "disk-full",
    seen: "The disk that takes the record has no room left.",
    may_be: "Old runs, logs or other programs have filled it, or a quota of this user is used up.",
    to_try: "Make room or choose another record folder, then start again; nothing is measured without a record.",
};

/// The fleet's records cannot be used.
pub const FLEET_UNUSABLE: Cause = Cause {
    code: "fleet-unusable",
    seen: "The fleet's records (fleet.sqlite or fleet.jsonl in the record folder) cannot be opened, read or written.",
    may_be: "The folder is not there or write-protected, the disk is full, the file is damaged, or another program holds it.",
    to_try: "Look at folder and disk. fleet.sqlite may be deleted: pacewright fleet rebuild makes it anew from the runs; fleet.jsonl may not.",
};

/// A newer program made the fleet's records.
pub const FLEET_FROM_THE_FUTURE: Cause = Cause {
    code: "fleet-from-the-future",
    seen: "The fleet's database was made by a newer version of this program.",
    may_be: "A newer Pacewright was used on this record folder.",
    to_try: "Use that version, or move fleet.sqlite away and run pacewright fleet rebuild with this one.",
};

/// What the person told of the fleet cannot be read.
pub const FLEET_DAMAGED: Cause = Cause {
    code: "fleet-damaged",
    seen: "A line of fleet.jsonl, which keeps names, classes and layout checks, cannot be read.",
    may_be: "It was edited by hand, a newer program wrote it, or the disk is failing.",
    to_try: "Mend or remove the line that is named, then run pacewright fleet rebuild.",
};

/// No engine, or several, by that name.
pub const ENGINE_UNKNOWN: Cause = Cause {
    code: "engine-unknown",
    seen: "No engine of the fleet, or more than one, goes by that name or address.",
    may_be: "A slip of the pen, another record folder, or two engines that share an address.",
    to_try: "pacewright fleet list shows the names; --records names another folder.",
};

/// No curve to make a table of.
pub const NO_CURVE: Cause = Cause {
    code: "no-curve",
    seen: "No curve of this engine is known that a table could be made from.",
    may_be: "It was never swept, its sweeps are older than this program, or its decoder, wheels or motor were exchanged since.",
    to_try: "Calibrate it (pacewright run), which sweeps it.",
};

/// A file that was to be brought in cannot be read.
pub const IMPORT_REFUSED: Cause = Cause {
    code: "import-refused",
    seen: "The file is none that the fleet can take in.",
    may_be: "It is of another form, a column is missing, or a number was mistyped.",
    to_try: "pacewright fleet export shows both forms; the README lists the columns.",
};

/// A named standard cannot be used.
pub const STANDARD_UNUSABLE: Cause = Cause {
    code: "standard-unusable",
    seen: "The standard that was named is not there, cannot be read, or would be overwritten.",
    may_be: "A slip of the pen, another folder, or this version exists already.",
    to_try: "pacewright fleet standards lists what is found; a standard changes only by a new version.",
};

/// Engines have no speed in common.
pub const NO_COMMON_TARGET: Cause = Cause {
    code: "no-common-target",
    seen: "These engines have no target in common.",
    may_be: "A shunter was put together with an express, or an engine whose curve is known lacks.",
    to_try: "Leave the one that is named out, or make two standards.",
};

/// A run cannot be gone on with.
pub const NOT_RESUMED: Cause = Cause {
    code: "not-resumed",
    seen: "This run cannot be gone on with.",
    may_be: "It ended in order, was ending, is not the newest of its engine, or its record lacks what is needed.",
    to_try: "Begin a new run, which first puts back what an earlier one left open; or compare the decoder with pacewright restore.",
};

/// The bench file is another one now.
pub const BENCH_CHANGED: Cause = Cause {
    code: "bench-changed",
    seen: "The bench file has been changed since this run began.",
    may_be: "Limits, links or the target were edited; a run goes on only with what it began with.",
    to_try: "Begin a new run with the file as it is now, or put the copy from the run's folder back in its place and go on.",
};

/// The disk is about to be full.
pub const DISK_NEARLY_FULL: Cause = Cause {
    code: "disk-nearly-full",
    seen: "Less room is left on the disk of the record than the bench file asks for (least_free).",
    may_be: "Old runs, logs or other programs are filling it.",
    to_try: "Move old run folders away or choose another record folder, then start again.",
};

/// The disk refused an operation for another reason than room.
pub const DISK_FAILED: Cause = Cause {
    code: "disk-failed",
    seen: "The disk refused to write or read the record.",
    may_be: "The card or disk is wearing out or was pulled, the folder is write-protected, or a network share went away.",
    to_try: "Check that this user may write to the record folder, look into the system's log for disk errors, and use another disk if there are any.",
};

/// Writing takes too long.
pub const DISK_LAGGING: Cause = Cause {
    code: "disk-lagging",
    seen: "The disk took more than a second to write the record, so the engine was stopped.",
    may_be: "Another program keeps the disk busy, the memory card is slow or worn, or the record lies on a network share.",
    to_try: "Let other work on this computer end, or keep the record on a local disk.",
};

/// A place other than the end of the journal cannot be read.
pub const JOURNAL_DAMAGED: Cause = Cause {
    code: "journal-damaged",
    seen: "A line of the journal does not read as it was written.",
    may_be: "The file was edited by hand or by a copying program, or the disk lost a piece of it.",
    to_try: "Take the run's folder from a backup; the lines before and after are still readable in any editor.",
};

/// The journal was written by a newer program.
pub const JOURNAL_FROM_THE_FUTURE: Cause = Cause {
    code: "journal-from-the-future",
    seen: "The journal was written in a newer format than this program knows.",
    may_be: "A newer Pacewright made this run, perhaps on another computer.",
    to_try: "Read it with that version or a later one; this one will not add to it.",
};

/// No journal where one was expected.
pub const JOURNAL_MISSING: Cause = Cause {
    code: "journal-missing",
    seen: "There is no readable start of a journal in this folder.",
    may_be: "It is not the folder of a run, or the run was cut off before it had begun anything.",
    to_try: "Name the folder of one run, the one that holds journal.jsonl.",
};

/// The raw bytes cannot be read.
pub const RAW_DAMAGED: Cause = Cause {
    code: "raw-damaged",
    seen: "A piece of the raw bytes in input.raw does not read as it was written.",
    may_be: "The file was changed or cut by a copying program, or the disk lost a piece of it.",
    to_try: "Take the run's folder from a backup; without these bytes the run can be read but not replayed past this point.",
};

/// Another run holds the station.
pub const RUN_IN_PROGRESS: Cause = Cause {
    code: "run-in-progress",
    seen: "Another run holds this station and bus.",
    may_be: "A Pacewright on this computer is calibrating there now, or one was suspended and never ended.",
    to_try: "Wait for it or stop it; two programs must never drive one bench.",
};

/// The lock file cannot be used.
pub const LOCK_FAILED: Cause = Cause {
    code: "lock-failed",
    seen: "The lock that keeps two runs off one station could not be taken.",
    may_be: "The state folder is missing or write-protected, or lies on a file system without locks.",
    to_try: "Check that this user may write to the state folder, or name another one on a local disk.",
};

/// CVs of this run or an earlier one are still to be put back.
pub const RESTORE_PENDING: Cause = Cause {
    code: "restore-pending",
    seen: "A run of this engine ended before its decoder was put in order.",
    may_be: "The link, the contact to the rails or the power was lost, or the program was stopped twice.",
    to_try: "Put the same engine on the bench and start: what is open is settled first, once the engine is seen to be the same.",
};

/// CVs were changed whose value before nobody knows.
pub const ORIGINAL_UNKNOWN: Cause = Cause {
    code: "original-unknown",
    seen: "An earlier run changed CVs whose values before are not on record.",
    may_be: "The decoder could be written but not read, as on the main without a return channel.",
    to_try: "Look the values up in your own notes, or reset the decoder as its manual says and set it up again.",
};

/// Nothing is said of any CV.
pub const NO_CVS: Cause = Cause {
    code: "record-without-cvs",
    seen: "The record of this run says nothing of the decoder's CVs.",
    may_be: "The run ended before the decoder was read.",
    to_try: "Name the folder of a run that went further.",
};

/// The record holds no speeds.
pub const NO_SPEEDS: Cause = Cause {
    code: "no-speeds",
    seen: "The record of this run holds no speeds of the decoder's linear response.",
    may_be: "The run ended before it measured the curve.",
    to_try: "Name a run that got as far as measuring; what it measured stands even if it did not end calibrated.",
};

/// A replay gave something else.
pub const REPLAY_DIFFERS: Cause = Cause {
    code: "replay-differs",
    seen: "The replay gave other orders or another result than the run did.",
    may_be: "The record was changed after the run, or the program has a fault that makes it give different results from equal input.",
    to_try: "Keep the run's folder as it is and report it: it holds all that is needed to find the fault.",
};

/// The replay is of another core.
pub const OTHER_CORE: Cause = Cause {
    code: "other-core",
    seen: "This run was made by a program with another core revision.",
    may_be: "Pacewright was updated since the run.",
    to_try: "Replay it with the version named in the journal to compare bit for bit; this version can compare the verdict only.",
};

/// The process did not run for a while.
pub const GAP_IN_TIME: Cause = Cause {
    code: "gap-in-time",
    seen: "The program did not get to run for a while, and the engine went unwatched.",
    may_be: "The computer was suspended, or other programs left it no time.",
    to_try: "Switch off automatic sleep for the time of a run and end other heavy work on this computer.",
};

/// A link was lost and is back.
pub const LINK_BACK: Cause = Cause {
    code: "link-back",
    seen: "A link was lost in the run and came back.",
    may_be: "A weak radio link, a loose plug, or a device that was restarted may be behind it.",
    to_try: "Nothing now, the run goes on; if it comes again, look at cables, radio and the device's supply.",
};

/// A part of the program failed.
pub const PANIC_IN_TASK: Cause = Cause {
    code: "panic-in-task",
    seen: "A part of the program failed, so the engine was stopped.",
    may_be: "This is a fault of Pacewright itself.",
    to_try: "Keep the run's folder and report it with the message shown; originals not yet back are put back at the next start.",
};

/// Every cause of this part.
pub const ALL: &[&Cause] = &[
    &DISK_FULL,
    &FLEET_UNUSABLE,
    &FLEET_FROM_THE_FUTURE,
    &FLEET_DAMAGED,
    &ENGINE_UNKNOWN,
    &NO_CURVE,
    &IMPORT_REFUSED,
    &STANDARD_UNUSABLE,
    &NO_COMMON_TARGET,
    &DISK_NEARLY_FULL,
    &NOT_RESUMED,
    &BENCH_CHANGED,
    &DISK_FAILED,
    &DISK_LAGGING,
    &JOURNAL_DAMAGED,
    &JOURNAL_FROM_THE_FUTURE,
    &JOURNAL_MISSING,
    &RAW_DAMAGED,
    &RUN_IN_PROGRESS,
    &LOCK_FAILED,
    &RESTORE_PENDING,
    &ORIGINAL_UNKNOWN,
    &NO_CVS,
    &NO_SPEEDS,
    &REPLAY_DIFFERS,
    &OTHER_CORE,
    &GAP_IN_TIME,
    &LINK_BACK,
    &PANIC_IN_TASK,
];
