//! Exit codes, the same for all verbs.
use crate::run::{End, RunOutcome, StopGrade};
use std::process::ExitCode;

/// How the process ends. The numbers are part of the program's interface.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
#[repr(u8)]
pub enum Exit {
    /// 0: the engine is calibrated, or the verb did what it says.
    Good = 0,
    /// 2: wrong use: a wrong command line, bench file or folder; nothing was begun.
    WrongUse = 2,
    /// 3: the engine cannot be calibrated as asked.
    Rejected = 3,
    /// 4: the bench or the program failed.
    Halted = 4,
    /// 5: the person or the system ended the run.
    Interrupted = 5,
    /// 6: nobody can say whether the engine stands. Wins over 0, 3, 4 and 5.
    StopUnconfirmed = 6,
    /// 7: a replay gave other orders or another result than the run.
    ReplayDiffers = 7,
}

impl Exit {
    /// The lines for `--help`.
    pub const HELP: &str = "\
Exit codes, the same for all verbs:
  0  the engine is calibrated, or the verb did what it says
  2  wrong use: a wrong command line, bench file or folder; nothing was begun
  3  rejected: the engine cannot be calibrated as asked
  4  halted: the bench or the program failed
  5  interrupted: the person or the system ended the run
  6  nobody can say whether the engine stands (wins over 0, 3, 4 and 5)
  7  a replay gave other orders or another result than the run";

    /// The exit of a run that ended like this.
    #[must_use]
    pub fn of_run(outcome: End, stop: StopGrade) -> Self {
        match (outcome, stop) {
            (End::Refused, _) => Self::WrongUse,
            (_, StopGrade::Unconfirmed) => Self::StopUnconfirmed,
            (
                End::Calibrated
                | End::Measured
                | End::Checked
                | End::RanIn
                | End::Rolled
                | End::Restored
                | End::Compared,
                _,
            ) => Self::Good,
            (End::Rejected, _) => Self::Rejected,
            (End::Halted, _) => Self::Halted,
            (End::Interrupted, _) => Self::Interrupted,
        }
    }

    /// The exit of this outcome.
    #[must_use]
    pub fn of(outcome: &RunOutcome) -> Self {
        Self::of_run(outcome.outcome, outcome.stop)
    }
}

impl From<Exit> for ExitCode {
    fn from(exit: Exit) -> Self {
        Self::from(exit as u8)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_unconfirmed_stop_wins_over_everything_that_was_begun() {
        for begun in [End::Calibrated, End::Rejected, End::Halted, End::Interrupted] {
            assert_eq!(Exit::of_run(begun, StopGrade::Unconfirmed), Exit::StopUnconfirmed);
        }
        assert_eq!(Exit::of_run(End::Refused, StopGrade::Unconfirmed), Exit::WrongUse, "nothing ever moved");
    }

    #[test]
    fn every_end_has_its_code() {
        let codes = [
            End::Calibrated,
            End::Restored,
            End::Compared,
            End::Refused,
            End::Rejected,
            End::Halted,
            End::Interrupted,
        ]
        .map(|end| Exit::of_run(end, StopGrade::Still) as u8);
        assert_eq!(codes, [0, 0, 0, 2, 3, 4, 5]);
    }

    #[test]
    fn the_help_names_every_code() {
        let all = [
            Exit::Good,
            Exit::WrongUse,
            Exit::Rejected,
            Exit::Halted,
            Exit::Interrupted,
            Exit::StopUnconfirmed,
            Exit::ReplayDiffers,
        ];
        for exit in all {
            assert!(Exit::HELP.contains(&format!("\n  {}  ", exit as u8)), "{exit:?}");
        }
    }
}
