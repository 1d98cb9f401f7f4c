//! Causes that lie in how the program was called, or in the program itself.
use super::Cause;

/// The command line cannot be understood.
pub const WRONG_USE: Cause = Cause {
    code: "wrong-use",
    seen: "The command line could not be understood.",
    may_be: "A word is misspelt, missing or in the wrong place.",
    to_try: "Compare it with what pacewright --help prints for this verb.",
};

/// The bench file cannot be opened.
pub const BENCH_FILE_UNREADABLE: Cause = Cause {
    code: "bench-file-unreadable",
    seen: "The bench file could not be read from the disk.",
    may_be: "The name is misspelt, the file is somewhere else, or may not be read by this user.",
    to_try: "Check the name and the folder; pacewright template prints a complete file to begin with.",
};

/// A time-lapse where it must not be.
pub const TIME_LAPSE_REFUSED: Cause = Cause {
    code: "time-lapse-refused",
    seen: "A time-lapse was asked for that this bench cannot have.",
    may_be: "The bench is a real one: an engine on rails does not run faster because a clock does.",
    to_try: "Leave the time-lapse away, or let both links point to a simulated bench on this computer.",
};

/// The system refused something a run needs.
pub const SYSTEM_REFUSED: Cause = Cause {
    code: "system-refused",
    seen: "The operating system refused something that a run needs.",
    may_be: "The port is taken by another program, or threads, memory or open files are used up.",
    to_try: "End other programs, or choose another port, and start again.",
};

/// The page of a run cannot be served.
pub const PAGE_NOT_SERVED: Cause = Cause {
    code: "page-not-served",
    seen: "The page on which the run is watched cannot be served.",
    may_be: "The address is none of this computer, another program listens there, or the file of its secrets is of no use.",
    to_try: "Name another address or port, see the evidence for the file, or start without the page.",
};

/// A run cannot be published.
pub const NOT_PUBLISHED: Cause = Cause {
    code: "not-published",
    seen: "This run is not published to the broker of the bench file.",
    may_be: "The file with the password is not there, or other users may read it.",
    to_try: "See the evidence; take the right of reading from others with chmod 600. The run goes on without.",
};

/// No folder of this name can be used.
pub const FOLDER_UNUSABLE: Cause = Cause {
    code: "folder-unusable",
    seen: "The folder named cannot be used.",
    may_be: "The name is misspelt, it is no run folder, no run is going on in it, or this user may not use it.",
    to_try: "Check the name; a run says at its start and at its end where its folder lies.",
};

/// What goes to stdout did not get out.
pub const RESULT_NOT_WRITTEN: Cause = Cause {
    code: "result-not-written",
    seen: "What this command prints could not be written out.",
    may_be: "Its output was led into a file, and the disk with that file is full or was taken away.",
    to_try: "Make room or lead the output to another place; the result of a run also lies in its folder.",
};

/// A file that may not be lost stands where a verb was to write.
pub const FILE_NOT_WRITTEN: Cause = Cause {
    code: "file-not-written",
    seen: "The file was not written.",
    may_be: "A file of this name is there already, perhaps kept from another run.",
    to_try: "Choose another name, or say --replace where the file that is there may be lost.",
};

/// No file can be made in this place.
pub const NO_PLACE_FOR_FILE: Cause = Cause {
    code: "no-place-for-file",
    seen: "The file could not be written in this place.",
    may_be: "The folder is not there, the name is that of a folder, the disk is full, or this user may not write there.",
    to_try: "Name a file in a folder that is there and that you may write to.",
};

/// No circumference from what was rolled.
pub const ROLLED_UNUSABLE: Cause = Cause {
    code: "rolled-distance-unusable",
    seen: "No circumference can be made of what was rolled.",
    may_be: "A unit is missing, a number is mistyped, or distance and turns do not belong together.",
    to_try: "Roll ten turns or more along a ruler from mark to mark, and write it as in --distance \"3 m\" --turns 91 --doubt \"2 mm\".",
};

/// Two runs of two engines.
pub const RUNS_OF_TWO_ENGINES: Cause = Cause {
    code: "runs-of-two-engines",
    seen: "The two runs are not of the same engine.",
    may_be: "One of the folders is another engine's, or its decoder was changed between the runs.",
    to_try: "Name two runs of one engine, one with the measuring car and one without it.",
};

/// Two runs that were made differently.
pub const RUNS_UNLIKE: Cause = Cause {
    code: "runs-unlike",
    seen: "The two runs cannot be compared setting by setting.",
    may_be: "The decoder was set otherwise in one of them, other steps were measured, or both names mean one run.",
    to_try: "Make both runs with the same bench file and decoder, steps = \"all\" under [sweep], one with the measuring car and one without it.",
};

/// The person did not wait for the end.
pub const ENDED_OUT_OF_HAND: Cause = Cause {
    code: "ended-out-of-hand",
    seen: "The run was told to stop again and again, and was ended out of hand.",
    may_be: "The station or the decoder answered too slowly for the run to end in order, or the program has a fault.",
    to_try: "Look whether the engine stands; start again, and what the run left open in the decoder is settled first.",
};

/// The run's process is gone.
pub const DIED: Cause = Cause {
    code: "program-died",
    seen: "The program that ran this bench ended without a word, and its watchman stopped the engine.",
    may_be: "It was killed, the computer ran out of memory, or the program has a fault.",
    to_try: "Look whether the engine stands and the power is off. Start again, and what the run left open in the decoder is settled first.",
};

/// The run's process does nothing.
pub const HANGS: Cause = Cause {
    code: "program-hangs",
    seen: "The program that ran this bench did nothing for longer than program_silence, and its watchman stopped the engine.",
    may_be: "It was suspended, the computer had too much else to do, or the program has a fault.",
    to_try: "Look whether the engine stands and the power is off, and end the program if it is still there. Let other work on this computer end before the next run.",
};

/// The watchman is gone.
pub const WATCHMAN_GONE: Cause = Cause {
    code: "watchman-gone",
    seen: "The process that watches over this program ended, so the engine was stopped: nothing may run unwatched.",
    may_be: "It was killed, or the computer ran out of memory.",
    to_try: "Start again; end only the run itself, by Ctrl-C or tell, and its watchman goes by itself.",
};

/// No run unattended without proof.
pub const NOT_PROVED: Cause = Cause {
    code: "not-proved",
    seen: "A run was to go on unattended on a bench that has not yet shown that its engine is stopped when something fails.",
    may_be: "The bench is new, or its station or sensor is another one than before.",
    to_try: "Do what is named here while you stand beside the bench: pacewright stop-test with the bench file, and then a run without --unattended to its end.",
};

/// A run that needs a person cannot be unattended.
pub const NEEDS_A_PERSON: Cause = Cause {
    code: "needs-a-person",
    seen: "A run was to go on unattended that asks a person to do something.",
    may_be: "The bench file asks for an engine that is carried by hand, placed again, put on its mark, or whose leading end is to be said.",
    to_try: "Stay with it and leave --unattended away, or change in the bench file what is named here.",
};

/// The alert failed.
pub const ALERT_FAILED: Cause = Cause {
    code: "alert-failed",
    seen: "The command that tells somebody how a run ended did not do its work.",
    may_be: "Its name is wrong or it may not be run, it waits for something, or what it sends to cannot be reached.",
    to_try: "Run it by hand with a result as its input; the run itself is as its result says.",
};

/// There is no log.
pub const LOG_NOT_WRITTEN: Cause = Cause {
    code: "log-not-written",
    seen: "The log beside the runs could not be opened.",
    may_be: "The folder may not be written by this user, or the disk is full.",
    to_try: "Give this user the folder log in the record folder; the run goes on without a log.",
};

/// The stop was tested and not proved.
pub const STOP_NOT_PROVED: Cause = Cause {
    code: "stop-not-proved",
    seen: "The test of the stop did not show that the engine is stopped when something fails.",
    may_be: "The link was not pulled in time, the station does not obey a second session, or the sensor cannot show standstill.",
    to_try: "Look whether the engine stands and cut the power by hand if not; mend what is named here, and test again before anything runs unattended.",
};

/// Every cause of this part.
pub const ALL: &[&Cause] = &[
    &ALERT_FAILED,
    &LOG_NOT_WRITTEN,
    &NOT_PROVED,
    &NEEDS_A_PERSON,
    &STOP_NOT_PROVED,
    &WRONG_USE,
    &BENCH_FILE_UNREADABLE,
    &TIME_LAPSE_REFUSED,
    &SYSTEM_REFUSED,
    &PAGE_NOT_SERVED,
    &NOT_PUBLISHED,
    &FOLDER_UNUSABLE,
    &RESULT_NOT_WRITTEN,
    &FILE_NOT_WRITTEN,
    &NO_PLACE_FOR_FILE,
    &ROLLED_UNUSABLE,
    &RUNS_OF_TWO_ENGINES,
    &RUNS_UNLIKE,
    &ENDED_OUT_OF_HAND,
    &DIED,
    &HANGS,
    &WATCHMAN_GONE,
];
