//! Progress for the person on stderr, and events for programs in a file, while a run goes on.
use super::{log, out};
use crate::bench::clock::{TimeLapse, instant};
use crate::bench::news::{Audience, News};
use crate::dcc::scale;
use crate::run::{PhaseName, Progress, Question, Record, RecordBody};
use crate::time::BenchTime;
use crate::words;
use serde::Serialize;
use std::fs::File;
use std::io::{self, Write};
use std::path::Path;
use std::time::{Duration, Instant};

/// Without a terminal, a plain line comes this often in wall time.
const PLAIN_EVERY: Duration = Duration::from_secs(10);

/// On a terminal, the line is drawn anew no more often than this.
const REDRAW_EVERY: Duration = Duration::from_millis(100);

/// What is shown of a run.
pub(crate) struct Show {
    pub(crate) lapse: TimeLapse,
    /// For the log.
    pub(crate) run_id: String,
    /// Scale ratio N of 1:N.
    pub(crate) scale_ratio: f64,
    pub(crate) terminal: bool,
    /// How a question is answered, told with each.
    pub(crate) how_to_answer: String,
    pub(crate) events: Option<Events>,
    pub(crate) drawn: Option<(PhaseName, Instant)>,
}

impl Audience for Show {
    fn hear(&mut self, news: &News) {
        log::news(&self.run_id, news);
        match news {
            News::Progress(at, progress) => self.progress(*at, progress),
            News::Record(record) => {
                if let RecordBody::Noted(reason) | RecordBody::Ending(reason) = &record.body {
                    out::say(&words::reason_at(record.at.as_secs_f64(), reason));
                }
                if let Some(events) = &mut self.events {
                    events.record(record);
                }
            }
            News::Asked(question) => self.asked(*question),
            News::Said(words) => out::say(words),
            News::Missed(count) => {
                out::say(&format!("({count} lines were not shown: nobody took them in time)"));
                if let Some(events) = &mut self.events {
                    events.missed(*count);
                }
            }
        }
    }
}

impl Show {
    fn progress(&mut self, at: BenchTime, progress: &Progress) {
        let every = if self.terminal { REDRAW_EVERY } else { PLAIN_EVERY };
        let now = instant();
        let due = self.drawn.is_none_or(|(phase, when)| {
            phase != progress.phase || now.saturating_duration_since(when) >= every
        });
        if !due {
            return;
        }
        self.drawn = Some((progress.phase, now));
        let words = progress_line(at, progress, self.scale_ratio, self.lapse);
        let done = if progress.done.is_finite() { progress.done.clamp(0.0, 1.0) } else { 0.0 };
        if self.terminal {
            out::progress(done, &words);
        } else {
            out::say(&format!("{:3.0} % {words}", 100.0 * done));
        }
    }

    fn asked(&self, question: Question) {
        out::say(&format!("\nThe run asks: {}\n{}\n", question.words(), self.how_to_answer));
    }
}

impl Drop for Show {
    fn drop(&mut self) {
        out::progress_over();
    }
}

/// The time-lapse as it stands behind a line; empty where there is none.
pub(crate) fn lapse_mark(lapse: TimeLapse) -> String {
    if lapse.is_on() { format!("  [time-lapse {}x]", lapse.factor()) } else { String::new() }
}

fn progress_line(at: BenchTime, progress: &Progress, scale_ratio: f64, lapse: TimeLapse) -> String {
    let ordered = progress.ordered.map_or_else(String::new, |(setting, direction)| {
        format!("  step {}/{} {}", setting.value, setting.of, words::direction(direction))
    });
    let speed = progress.speed_mm_s.filter(|speed| speed.is_finite()).map_or_else(String::new, |speed| {
        format!("  {:.1} mm/s = {:.1} km/h", speed.abs(), scale::kmh(speed.abs(), scale_ratio))
    });
    let left = if progress.left_s > 0.0 {
        format!(", {} left", words::span(progress.left_s))
    } else {
        String::new()
    };
    let waiting = if progress.waiting { "  waiting for you" } else { "" };
    format!(
        "{:>9}  {}{ordered}{speed}{left}{waiting}{}",
        words::span(at.as_secs_f64()),
        words::phase(progress.phase),
        lapse_mark(lapse),
    )
}

/// The file that `--events` names: a line that says which run, a line a record, a line where
/// records were dropped, a line with the result.
pub(crate) struct Events {
    file: File,
    failed: bool,
}

#[derive(Serialize)]
#[serde(rename_all = "snake_case")]
enum Line<'a, T: Serialize> {
    Run {
        schema: u32,
        run_id: &'a str,
        run_folder: &'a str,
        time_lapse: f64,
    },
    Record(&'a Record),
    /// So many news, records or not, were dropped here because this file or the terminal took them too slowly.
    Missed(u64),
    Result(&'a T),
}

/// A line without a result.
type Plain<'a> = Line<'a, ()>;

impl Events {
    /// Creates the file, or empties it.
    pub(crate) fn create(path: &Path) -> io::Result<Self> {
        Ok(Self { file: File::create(path)?, failed: false })
    }

    /// A second hand on the same file, for the result.
    pub(crate) fn again(&self) -> io::Result<Self> {
        Ok(Self { file: self.file.try_clone()?, failed: false })
    }

    /// Says which run this is.
    pub(crate) fn run(&mut self, run_id: &str, run_folder: &str, time_lapse: f64) {
        let schema = super::result::SCHEMA;
        self.put(&Plain::Run { schema, run_id, run_folder, time_lapse });
    }

    fn record(&mut self, record: &Record) {
        self.put(&Plain::Record(record));
    }

    fn missed(&mut self, count: u64) {
        self.put(&Plain::Missed(count));
    }

    /// Says how it ended.
    pub(crate) fn result(&mut self, result: &impl Serialize) {
        self.put(&Line::Result(result));
    }

    fn put(&mut self, line: &Line<'_, impl Serialize>) {
        if self.failed {
            return;
        }
        let written = serde_json::to_string(line)
            .map_err(io::Error::from)
            .and_then(|text| self.file.write_all(format!("{text}\n").as_bytes()));
        if let Err(error) = written {
            self.failed = true;
            out::say(&format!(
                "The events file cannot be written any more ({error}); the run goes on without it."
            ));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::station::{Direction, Setting};

    fn somewhere() -> Progress {
        Progress {
            phase: PhaseName::Sweep,
            ordered: Some((Setting { value: 14, of: 28 }, Direction::Reverse)),
            speed_mm_s: Some(-34.722),
            done: 0.43,
            left_s: 540.0,
            waiting: false,
            housekeeping: None,
            held: None,
            margins: Vec::new(),
            field: None,
            quality: None,
        }
    }

    #[test]
    fn a_progress_line_says_where_the_run_stands() {
        let line = progress_line(BenchTime::from_millis(754_000), &somewhere(), 160.0, TimeLapse::NONE);
        assert_eq!(line.trim(), "13 min  measuring  step 14/28 reverse  34.7 mm/s = 20.0 km/h, 9 min left");
    }

    #[test]
    fn what_was_dropped_is_said_in_the_events_file() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("events.jsonl");
        let mut show = Show {
            run_id: String::new(),
            lapse: TimeLapse::NONE,
            scale_ratio: 160.0,
            terminal: false,
            how_to_answer: String::new(),
            events: Some(Events::create(&path).unwrap()),
            drawn: None,
        };
        show.hear(&News::Missed(3));
        assert_eq!(std::fs::read_to_string(path).unwrap(), "{\"missed\":3}\n");
    }

    #[test]
    fn time_lapse_is_shown_where_there_is_one() {
        let lapse = TimeLapse::new(60.0).unwrap();
        let line = progress_line(BenchTime::ZERO, &somewhere(), 160.0, lapse);
        assert!(line.ends_with("[time-lapse 60x]"), "{line}");
    }
}
