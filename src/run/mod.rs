//! The run: one locomotive from first link check to verified table, or to a safe stop and a reason.
//!
//! A pure machine. It knows the contracts of station and sensor, motion and calibrate; it may not know clocks, sockets,
//! files, tokio or the simulator. [`desk::Desk`] joins it with the protocol machines behind one queue.
mod backoff;
mod baseline;
mod climb;
mod cv_book;
mod cv_job;
mod cx;
pub mod desk;
mod doubt;
mod ending;
mod exertion;
mod failure;
mod findings;
mod guards;
mod housekeeping;
mod information_link;
pub mod input;
mod kept;
mod laps;
mod learn;
mod link_check;
mod looks;
mod low_end;
mod machine;
mod margins;
mod mover;
mod outbox;
pub mod outcome;
mod placing;
mod point;
mod progress;
pub mod record;
mod recovery;
mod result;
mod rewarm;
mod roll;
mod route;
mod run_in;
mod sampling;
mod sensor_link;
mod shuttle;
mod signal_watch;
mod snapshot;
mod stopper;
mod straight;
mod supply;
mod sweep;
mod swept;
#[cfg(test)]
mod tests;
mod throttle_watch;
mod verified;
mod verify;
mod warm_up;
mod write;

pub use input::{
    Answer, Held, Input, JournalTrouble, KnownCurve, Output, PersonAct, Progress, Purpose, Question, RunPlan,
};
pub use margins::{GuardName, Margin};
pub use outcome::{
    BudgetRow, DecoderState, End, EngineFound, HousekeepingSpan, LowEnd, RunOutcome, StepRow, StepSource,
    StopGrade, SweepDrift, VerdictWord, Warming,
};
pub use record::{Durability, PhaseName, PointPurpose, Record, RecordBody};
pub use swept::SweepFound;

/// Rises whenever the same inputs may give other orders or another result.
pub const CORE_REVISION: u32 = 6;
