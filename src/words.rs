//! The words in which runs are told to people: in the terminal, in reports, on the page.
use crate::calibrate::budget::Part;
use crate::calibrate::{BaselineKind, Habits, TableReading, TableUse};
use crate::cause::{self, Reason};
use crate::run::{
    DecoderState, End, EngineFound, GuardName, PersonAct, PhaseName, Purpose, StopGrade, VerdictWord,
};
use crate::station::Direction;

pub(crate) const fn phase(phase: PhaseName) -> &'static str {
    match phase {
        PhaseName::LinkCheck => "checking the links",
        PhaseName::Settling => "settling what an earlier run left open",
        PhaseName::Snapshot => "reading the decoder",
        PhaseName::Baseline => "making the decoder's response linear",
        PhaseName::WarmUp => "warming up",
        PhaseName::Learn => "learning how the engine answers",
        PhaseName::RunningIn => "running in",
        PhaseName::Rolling => "rolling slowly",
        PhaseName::Sweep => "measuring",
        PhaseName::Placing => "measuring in another placing",
        PhaseName::Fit => "computing the table",
        PhaseName::Write => "writing the table",
        PhaseName::Verify => "verifying",
        PhaseName::Recovering => "waiting for a lost link",
        PhaseName::Restore => "putting originals back",
        PhaseName::Stopping => "stopping",
        PhaseName::Ended => "ended",
    }
}

pub(crate) const fn direction(direction: Direction) -> &'static str {
    match direction {
        Direction::Forward => "forward",
        Direction::Reverse => "reverse",
    }
}

/// What a run does, before the name of its engine.
pub(crate) const fn doing(purpose: &Purpose) -> &'static str {
    match purpose {
        Purpose::Calibrate => "Calibrating",
        Purpose::Sweep => "Measuring the curves of",
        Purpose::Check => "Checking",
        Purpose::Recheck => "Looking for three minutes whether it stayed as it was:",
        Purpose::Retarget(_) => "Making a new table from the known curve of",
        Purpose::RunIn { .. } => "Running in",
        Purpose::Roll { .. } => "Rolling slowly:",
        Purpose::PutBack { write: false, .. } => "Comparing the decoder of",
        Purpose::PutBack { write: true, .. } => "Putting back what the decoder held:",
    }
}

/// What a guard watches.
pub(crate) const fn guard(guard: GuardName) -> &'static str {
    match guard {
        GuardName::SensorSilent => "no sample from the sensor",
        GuardName::OldData => "samples come late",
        GuardName::StationSilent => "no word from the station",
        GuardName::NotMoving => "told to move and standing",
        GuardName::TooFast => "speed",
        GuardName::WrongWay => "speed the wrong way",
        GuardName::MovesUnasked => "speed while told to stand",
        GuardName::WithoutRest => "moving without a rest",
        GuardName::NearTop => "near full speed",
        GuardName::RunTime => "the whole run",
        GuardName::Endurance => "since the sensor was charged",
        GuardName::Battery => "battery of the sensor",
    }
}

/// What a person did.
pub(crate) const fn act(act: PersonAct) -> &'static str {
    match act {
        PersonAct::Pause => "a person paused the run",
        PersonAct::GoOn => "a person let the run go on",
        PersonAct::Stop => "a person stopped the run",
        PersonAct::Answer { .. } => "a person answered",
    }
}

/// A reason in one line: what was seen, and the figures.
pub(crate) fn short(reason: &Reason) -> String {
    let seen = cause::find(&reason.code).map_or(reason.text.as_str(), |cause| cause.seen);
    format!("{seen} ({})", reason.evidence)
}

/// The name of a line of a budget.
pub(crate) const fn part(part: Part) -> &'static str {
    match part {
        Part::Repeatability => "repeatability",
        Part::Curve => "curve of the sweep",
        Part::Ellipse => "ellipse left over",
        Part::Drift => "drift",
        Part::Steps => "steps of the sensor",
        Part::Rounding => "decoder's rounding",
        Part::Clock => "clock of the sensor",
        Part::Placing => "placing",
        Part::Contact => "place of contact",
        Part::Circumference => "circumference",
    }
}

pub(crate) const fn end(end: End) -> &'static str {
    match end {
        End::Calibrated => "calibrated",
        End::Rejected => "rejected: the engine cannot be calibrated as asked",
        End::Halted => "halted: the bench or the program failed",
        End::Interrupted => "interrupted",
        End::Measured => "measured: the decoder is as it was",
        End::Checked => "checked: the table in the decoder was measured, nothing was written",
        End::RanIn => "run in: nothing was written",
        End::Rolled => "rolled: the engine ran slowly and was stopped",
        End::Restored => "restored: the decoder holds again what it held before that run",
        End::Compared => "compared: nothing was written",
        End::Refused => "refused: nothing was begun",
    }
}

pub(crate) const fn verdict(verdict: VerdictWord) -> &'static str {
    match verdict {
        VerdictWord::Pass => "pass: every measured step lies within the tolerance, its 95 % doubt included",
        VerdictWord::Marginal => "marginal: a doubt reaches across the tolerance",
        VerdictWord::Fail => "fail: a step lies beyond the tolerance, whatever its doubt",
        VerdictWord::None => "none: nothing was verified",
    }
}

pub(crate) const fn stop(grade: StopGrade) -> &'static str {
    match grade {
        StopGrade::Still => "still: the sensor saw the wheels stand",
        StopGrade::Acknowledged => {
            "acknowledged: the station says it stopped the engine; the wheels were not seen to stand"
        }
        StopGrade::Unconfirmed => {
            "UNCONFIRMED: nobody can say whether the engine stands. Go and look; cut the power by hand"
        }
    }
}

pub(crate) const fn decoder(state: DecoderState) -> &'static str {
    match state {
        DecoderState::Original => "as it came",
        DecoderState::New => "holds the new table",
        DecoderState::Mixed => "between: some of its originals are not back yet",
        DecoderState::Unknown => "not known",
    }
}

/// What kind of decoder it is, as far as the run found out, and the profile that says so.
pub(crate) fn kind(engine: &EngineFound) -> Option<String> {
    let (linear, profile) = match engine.baseline? {
        BaselineKind::Zeros => ("CV 2, 5 and 6 at zero make it linear", "linear-by-zeros"),
        BaselineKind::OneMidFull => ("CV 2 = 1, CV 6 = 128, CV 5 = 255 make it linear", "linear-by-ends"),
        BaselineKind::Table(_) => ("a straight table makes it linear", "table-only"),
    };
    let mut parts = vec![format!("{linear} (profile {profile})")];
    parts.extend(engine.table_use.map(|used| {
        let trims = match used {
            TableUse::Whole(_) => "table and trims act",
            TableUse::WithoutTrims(_) => "the table acts, its trims do not",
            TableUse::None => return "its table does not act".to_owned(),
        };
        let between = match used.reading() {
            TableReading::EndToEnd => "",
            TableReading::FromZero => ", met from zero in 126 steps",
            TableReading::Held => ", with nothing between its entries in 126 steps",
        };
        format!("{trims}{between}")
    }));
    let rounds = engine.rounding.filter(Habits::is_clear).map(|habits| match (habits.nearest, habits.down) {
        (nearest, _) if nearest >= 0.5 => "it rounds to whole counts",
        (_, down) if down >= 0.5 => "it rounds down to whole counts",
        _ => "it keeps fractions of a count",
    });
    parts.extend(rounds.map(str::to_owned));
    Some(parts.join("; "))
}

/// Seconds as a person says them: "48 s", "12 min", "1 h 05 min".
pub(crate) fn span(seconds: f64) -> String {
    if !seconds.is_finite() || seconds < 0.0 {
        return "-".to_owned();
    }
    let minutes = (seconds / 60.0).round();
    if seconds < 99.5 {
        format!("{seconds:.0} s")
    } else if minutes < 60.0 {
        format!("{minutes:.0} min")
    } else {
        format!("{:.0} h {:02.0} min", (minutes / 60.0).floor(), minutes % 60.0)
    }
}

/// Columns of the lines of a reason.
const WIDTH: usize = 79;

/// Evidence from this length on is broken into lines as well.
const LONG: usize = 400;

/// A reason: its sentences, then its code and evidence.
pub(crate) fn reason(reason: &Reason) -> String {
    indented(reason, "", "")
}

/// The same with the time at which it was found, in a column before it.
pub(crate) fn reason_at(seconds: f64, reason: &Reason) -> String {
    indented(reason, &format!("{:>9}  ", span(seconds)), "           ")
}

fn indented(reason: &Reason, first: &str, next: &str) -> String {
    let text = textwrap::fill(&reason.text, wrapping(WIDTH, first, next));
    // Its line stays whole, for whoever looks for a code or a figure; a terminal gets it broken where it must be.
    let evidence = format!("({}: {})", reason.code, reason.evidence);
    if evidence.len() < LONG {
        return format!("{text}\n{next}  {evidence}");
    }
    // A list, as of CVs, is read in lines.
    let (first, next) = (format!("{next}  "), format!("{next}   "));
    format!("{text}\n{}", textwrap::fill(&evidence, wrapping(WIDTH, &first, &next)))
}

/// How lines are broken everywhere: between words, a longer one standing alone.
pub(crate) fn wrapping<'a>(columns: usize, first: &'a str, next: &'a str) -> textwrap::Options<'a> {
    textwrap::Options::new(columns)
        .initial_indent(first)
        .subsequent_indent(next)
        .word_separator(textwrap::WordSeparator::AsciiSpace)
        .word_splitter(textwrap::WordSplitter::NoHyphenation)
        .break_words(false)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn long_sentences_become_lines_and_no_word_is_lost() {
        let long =
            Reason { code: "code".to_owned(), text: "number ".repeat(40), evidence: "a figure".to_owned() };
        for text in [reason(&long), reason_at(754.0, &long)] {
            assert!(text.lines().all(|line| line.chars().count() <= WIDTH), "{text}");
            assert_eq!(text.matches("number").count(), 40);
            assert!(text.ends_with("  (code: a figure)"), "{text}");
        }
        assert!(reason_at(754.0, &long).starts_with("   13 min  number"));
        let list = Reason { evidence: vec!["CV 66 holds 85, held 0"; 30].join("; "), ..long };
        for text in [reason(&list), reason_at(754.0, &list)] {
            assert!(text.lines().all(|line| line.chars().count() <= WIDTH), "{text}");
            assert_eq!(text.matches("66").count(), 30);
        }
    }

    #[test]
    fn spans_read_like_spoken() {
        let told = [0.0, 48.4, 99.4, 100.0, 754.0, 3600.0, 3900.0, f64::NAN, -1.0].map(span);
        assert_eq!(told, ["0 s", "48 s", "99 s", "2 min", "13 min", "1 h 00 min", "1 h 05 min", "-", "-"]);
    }
}
