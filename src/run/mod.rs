//! The run: one locomotive from first link check to verified table, or to a safe stop and a reason.
//!
//! A pure machine. It knows the contracts of station and sensor, motion and calibrate; it may not know clocks, sockets,
//! files, tokio or the simulator. [`desk::Desk`] joins it with the protocol machines behind one queue.
pub mod desk;
pub mod input;
pub mod outcome;
pub mod record;

pub use input::{Answer, Input, JournalTrouble, Output, PersonAct, Progress, Question, RunPlan};
pub use outcome::{DecoderState, End, RunOutcome, StepRow, StepSource, StopGrade, VerdictWord};
pub use record::{Durability, PhaseName, PointPurpose, Record, RecordBody};

/// Rises whenever the same inputs may give other orders or another result.
pub const CORE_REVISION: u32 = 1;
