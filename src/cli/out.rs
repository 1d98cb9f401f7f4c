//! The one place that writes to stdout and stderr. A closed or broken stream is no reason for anything to end.
use crate::cause::{Reason, program};
use crate::words;
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use std::borrow::Cow;
use std::io::{self, ErrorKind, IsTerminal, Write, stderr, stdout};
use std::sync::{Mutex, MutexGuard, PoisonError};

/// Narrower than this a terminal tells nonsense, or nothing can be read in it anyway.
const NARROWEST: usize = 20;

/// Results: what a program reads. False where they did not get out; the person is told why.
pub(crate) fn result(text: &str) -> bool {
    match write_all(&mut stdout().lock(), text) {
        Ok(()) => true,
        Err(error) => {
            say(&words::reason(&Reason::new(&program::RESULT_NOT_WRITTEN, error.to_string())));
            false
        }
    }
}

fn write_all(out: &mut impl Write, text: &str) -> io::Result<()> {
    match writeln!(out, "{text}").and_then(|()| out.flush()) {
        // Whoever read has seen enough, and went away.
        Err(error) if error.kind() == ErrorKind::BrokenPipe => Ok(()),
        done => done,
    }
}

/// A line for the person, or several. Lines too long for the terminal are broken between words.
pub(crate) fn say(text: &str) {
    let text = harmless(text);
    let columns = if on_terminal() { columns() } else { usize::MAX };
    let write = || {
        // Nobody reads any more: the record and the exit code still say it all.
        let _ = writeln!(stderr().lock(), "{}", wrapped(&text, columns));
    };
    match bar().as_ref() {
        Some(bar) => bar.suspend(write),
        None => write(),
    }
}

/// Columns of the person's terminal, where it tells.
fn columns() -> usize {
    let told = terminal_size::terminal_size_of(stderr()).map(|(width, _)| usize::from(width.0));
    told.filter(|columns| *columns >= NARROWEST).unwrap_or(usize::MAX)
}

/// The lines of a text broken at so many columns; what goes on stands two columns further in than its beginning.
fn wrapped(text: &str, columns: usize) -> Cow<'_, str> {
    if text.lines().all(|line| line.chars().count() <= columns) {
        return Cow::Borrowed(text);
    }
    let lines = text.split('\n').map(|line| {
        let text = line.trim_start_matches(' ');
        if line.chars().count() <= columns {
            return line.to_owned();
        }
        let first = " ".repeat(line.len() - text.len());
        let next = format!("{first}  ");
        textwrap::fill(text, words::wrapping(columns, &first, &next))
    });
    Cow::Owned(lines.collect::<Vec<_>>().join("\n"))
}

/// The text without signs that a terminal obeys: names and lines come from files and devices.
fn harmless(text: &str) -> Cow<'_, str> {
    let obeyed = |sign: char| sign.is_control() && !matches!(sign, '\n' | '\t');
    if !text.contains(obeyed) {
        return Cow::Borrowed(text);
    }
    let mut shown = String::new();
    for sign in text.chars() {
        if obeyed(sign) {
            shown.extend(sign.escape_debug());
        } else {
            shown.push(sign);
        }
    }
    Cow::Owned(shown)
}

/// The line of progress that stands at the end of the terminal while a run goes on; whatever else is said goes above it.
static BAR: Mutex<Option<ProgressBar>> = Mutex::new(None);

/// A bar stays whole when whoever drew it failed.
fn bar() -> MutexGuard<'static, Option<ProgressBar>> {
    BAR.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Shows how much is done, 0 to 1, and these words behind the bar. Without colours, so that nobody has to ask for none.
pub(crate) fn progress(done: f64, words: &str) {
    const PARTS: u64 = 1000;
    let mut bar = bar();
    let bar = bar.get_or_insert_with(|| {
        let style = ProgressStyle::with_template("[{bar:20}] {percent:>3} % {wide_msg}");
        let bar = ProgressBar::with_draw_target(Some(PARTS), ProgressDrawTarget::stderr());
        // The template is the one above: it is well formed.
        bar.with_style(style.unwrap_or_else(|_| ProgressStyle::default_bar()).progress_chars("=> "))
    });
    bar.set_message(harmless(words).into_owned());
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "held between 0 and all parts"
    )]
    bar.set_position((done.clamp(0.0, 1.0) * PARTS as f64) as u64);
}

/// Takes the line of progress away.
pub(crate) fn progress_over() {
    if let Some(bar) = bar().take() {
        bar.finish_and_clear();
    }
}

/// Whether the person sits at a terminal that shows stderr and can replace a line.
pub(crate) fn on_terminal() -> bool {
    stderr().is_terminal() && std::env::var_os("TERM").is_none_or(|kind| kind != "dumb")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_that_a_terminal_obeys_gets_through() {
        assert_eq!(harmless("a line\n\twith ä"), "a line\n\twith ä");
        assert_eq!(harmless("a\u{1b}[2Jb\r\u{9b}\u{7f}"), "a\\u{1b}[2Jb\\r\\u{9b}\\u{7f}");
    }

    #[test]
    fn long_lines_are_broken_between_words_and_go_on_further_in() {
        let text = "short\n  verdict   pass: every measured step lies within\n\n/a/very/long/path/that/is/one/word x";
        let broken = "short\n  verdict   pass:\n    every measured\n    step lies within\n\n\
                      /a/very/long/path/that/is/one/word\n  x";
        assert_eq!(wrapped(text, 20), broken);
        assert_eq!(wrapped(text, 60), text);
        for text in [crate::cli::caution::BEFORE_A_RUN, crate::cli::caution::BEFORE_A_DEMO] {
            assert_eq!(wrapped(text, 79), text, "they fit everywhere");
        }
    }

    /// A stream that fails when it is flushed, as a buffered one on a full disk does.
    struct Fails(ErrorKind);

    impl Write for Fails {
        fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
            Ok(bytes.len())
        }
        fn flush(&mut self) -> io::Result<()> {
            Err(self.0.into())
        }
    }

    #[test]
    fn what_stays_in_the_buffer_is_noticed_and_a_reader_who_leaves_is_no_failure() {
        assert!(write_all(&mut Fails(ErrorKind::StorageFull), "3,12").is_err());
        assert!(write_all(&mut Fails(ErrorKind::BrokenPipe), "3,12").is_ok());
    }
}
