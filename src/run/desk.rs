//! The desk: sensor machine, station machine and run behind one queue. The whole pure core as one machine.
//!
//! After each `handle` ask `poll_output` until it returns nothing, then `next_wake` once.
use super::input::{Input, Output, RunPlan};
use crate::time::BenchTime;

/// The whole pure core of one run.
#[derive(Debug)]
pub struct Desk {}

impl Desk {
    /// A desk for this plan. The first `handle` (an `Input::Wake` at time zero) starts the run.
    #[must_use]
    pub fn new(_plan: RunPlan) -> Self {
        Self {}
    }

    /// An event, at its bench time; times never go back.
    pub fn handle(&mut self, _at: BenchTime, _input: &Input) {}

    /// The next thing the core wants done.
    #[must_use]
    pub fn poll_output(&mut self) -> Option<Output> {
        None
    }

    /// When `Input::Wake` is wanted next.
    #[must_use]
    pub fn next_wake(&self) -> Option<BenchTime> {
        None
    }
}
