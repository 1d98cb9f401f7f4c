//! Bench time: nanoseconds since the run began, as the shell's clock gives them to the core.
//!
//! The core never asks what time it is; every event carries its bench time. Wall time is annotation only.
use serde::{Deserialize, Serialize};
use std::fmt;
use std::ops::Add;
use std::time::Duration;

/// An instant of bench time, in nanoseconds since the run began.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct BenchTime(u64);

impl BenchTime {
    /// The instant at which the run began.
    pub const ZERO: Self = Self(0);

    /// The instant `nanos` nanoseconds after the run began.
    #[must_use]
    pub const fn from_nanos(nanos: u64) -> Self {
        Self(nanos)
    }

    /// The instant `millis` milliseconds after the run began.
    #[must_use]
    pub const fn from_millis(millis: u64) -> Self {
        Self(millis.saturating_mul(1_000_000))
    }

    /// Nanoseconds since the run began.
    #[must_use]
    pub const fn as_nanos(self) -> u64 {
        self.0
    }

    /// Seconds since the run began.
    #[must_use]
    pub fn as_secs_f64(self) -> f64 {
        self.0 as f64 / 1e9
    }

    /// Time passed since `earlier`; zero where `earlier` is later.
    #[must_use]
    pub const fn since(self, earlier: Self) -> Duration {
        Duration::from_nanos(self.0.saturating_sub(earlier.0))
    }
}

impl Add<Duration> for BenchTime {
    type Output = Self;

    /// Saturates at the end of time (584 years), which no run reaches.
    fn add(self, span: Duration) -> Self {
        let nanos = u64::try_from(span.as_nanos()).unwrap_or(u64::MAX);
        Self(self.0.saturating_add(nanos))
    }
}

impl fmt::Display for BenchTime {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let seconds = self.0 / 1_000_000_000;
        write!(f, "{}:{:02}.{:03}", seconds / 60, seconds % 60, self.0 / 1_000_000 % 1000)
    }
}
