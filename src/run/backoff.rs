//! Waits that double from one failed attempt to the next.
use std::time::Duration;

/// How long to wait before the next attempt.
#[derive(Clone, Copy, Debug)]
pub(super) struct Backoff {
    first: Duration,
    most: Duration,
    next: Duration,
}

impl Backoff {
    /// From `first`, doubling up to `most`.
    pub(super) const fn new(first: Duration, most: Duration) -> Self {
        Self { first, most, next: first }
    }

    /// The wait before the next attempt.
    pub(super) const fn wait(&self) -> Duration {
        self.next
    }

    /// An attempt was made: the wait after it is twice as long.
    pub(super) fn tried(&mut self) {
        self.next = self.next.saturating_mul(2).min(self.most);
    }

    /// It worked: the next trouble begins with the first wait.
    pub(super) fn reset(&mut self) {
        self.next = self.first;
    }
}
