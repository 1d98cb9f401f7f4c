//! Momentum: the step at which the decoder drives follows the step that was ordered, one step a step time.
//!
//! Source: NMRA S-9.2.2 (2012) and RCN-225 (2025), CV 3, 4, 23 and 24; standards/dcc.md section 4. Taken where the texts
//! are silent: a reverse order first brakes to standstill; 126 steps count as 128 in the formula.
use super::cvs::Memory;

/// What was last ordered.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Ordered {
    pub(super) steps: u16,
    pub(super) step: u16,
    pub(super) forward: bool,
}

/// What is ordered and how far the decoder has followed.
#[derive(Clone, Debug)]
pub(super) struct Momentum {
    pub(super) ordered: Ordered,
    /// Signed step at which it drives now, in the steps of `ordered`.
    at_step: i32,
    into_step_s: f64,
}

impl Momentum {
    pub(super) fn at_rest() -> Self {
        Self { ordered: Ordered { steps: 28, step: 0, forward: true }, at_step: 0, into_step_s: 0.0 }
    }

    /// The step at which it drives, and whether forward.
    pub(super) fn now(&self) -> (u16, bool) {
        let forward = self.at_step > 0 || (self.at_step == 0 && self.ordered.forward);
        (u16::try_from(self.at_step.abs()).unwrap_or(0), forward)
    }

    /// Standstill at once, ordered and driven.
    pub(super) fn halt(&mut self) {
        self.ordered.step = 0;
        self.at_step = 0;
        self.into_step_s = 0.0;
    }

    /// Lets `span_s` pass.
    pub(super) fn follow(&mut self, memory: &Memory, span_s: f64) {
        let step = i32::from(self.ordered.step);
        let goal = if self.ordered.forward { step } else { -step };
        self.into_step_s += span_s;
        while self.at_step != goal {
            // Towards standstill it brakes, away from it it gathers speed.
            let rises = self.at_step == 0 || (goal.abs() > self.at_step.abs() && goal * self.at_step > 0);
            let [rate, adjustment] = (if rises { [3, 23] } else { [4, 24] }).map(|cv| memory.get(cv));
            let needed = step_time_s(rate, adjustment, self.ordered.steps);
            if self.into_step_s < needed {
                return;
            }
            self.into_step_s -= needed;
            self.at_step += (goal - self.at_step).signum();
        }
        self.into_step_s = 0.0;
    }

    /// Keeps its place in the range when the number of steps changes.
    pub(super) fn change_steps(&mut self, steps: u16) {
        if steps != self.ordered.steps {
            self.at_step = self.at_step * i32::from(steps) / i32::from(self.ordered.steps);
            self.ordered.steps = steps;
        }
    }
}

/// Time a step takes, s: (CV + adjustment) x 0.896 / steps in use (S-9.2.2 CV 3, 4, 23, 24).
fn step_time_s(rate: u8, adjustment: u8, steps: u16) -> f64 {
    let by = i16::from(adjustment & 0x7F);
    let sum = i16::from(rate) + if adjustment & 0x80 == 0 { by } else { -by };
    let divisor = if steps == 126 { 128.0 } else { f64::from(steps) };
    f64::from(sum.clamp(0, 255)) * 0.896 / divisor
}

#[cfg(test)]
mod tests {
    use super::step_time_s;

    /// Check values 57 to 66 (S-9.2.2 and RCN-225, CV 3, 4, 23, 24).
    #[test]
    fn step_times_follow_the_momentum_formula() {
        let near = |found: f64, expected: f64| assert!((found - expected).abs() < 1e-9, "{found} {expected}");
        near(step_time_s(2, 0, 28), 0.064);
        near(step_time_s(2, 0, 14), 0.128);
        near(step_time_s(2, 0, 126), 0.014);
        near(step_time_s(1, 0, 28), 0.032);
        near(step_time_s(1, 0, 14), 0.064);
        near(step_time_s(1, 0, 126), 0.007);
        near(28.0 * step_time_s(20, 0, 28), 17.92);
        near(14.0 * step_time_s(255, 0, 14), 228.48);
        near(step_time_s(0, 0, 28), 0.0);
        near(28.0 * step_time_s(20, 5, 28), 22.4);
        near(28.0 * step_time_s(20, 133, 28), 13.44);
        near(step_time_s(20, 148, 28), 0.0);
        near(step_time_s(20, 160, 28), 0.0);
        near(step_time_s(200, 127, 28), step_time_s(255, 0, 28));
    }
}
