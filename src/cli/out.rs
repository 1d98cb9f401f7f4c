//! The one place that writes to stdout and stderr. A closed or broken stream is no reason for anything to end.
use std::io::{IsTerminal, Write, stderr, stdout};

/// Results: what a program reads.
pub(crate) fn result(text: &str) {
    let mut out = stdout().lock();
    // Nobody reads any more: the record and the exit code still say it all.
    let _ = writeln!(out, "{text}").and_then(|()| out.flush());
}

/// A line for the person.
pub(crate) fn say(text: &str) {
    // As above.
    let _ = writeln!(stderr().lock(), "{text}");
}

/// Replaces the line that stands at the end of the terminal; with an empty text, takes it away. What does not fit into
/// the terminal's width is cut off there: a line that wrapped could not be replaced.
pub(crate) fn redraw(text: &str) {
    let mut err = stderr().lock();
    // As above.
    let _ = write!(err, "\r\x1b[2K\x1b[?7l{text}\x1b[?7h").and_then(|()| err.flush());
}

/// Whether the person sits at a terminal that shows stderr and can replace a line.
pub(crate) fn on_terminal() -> bool {
    stderr().is_terminal() && std::env::var_os("TERM").is_none_or(|kind| kind != "dumb")
}
