//! What a decoder may make of a drive that is no whole count of 255: the standards leave it open (`standards/dcc.md` section
//! 4.2), so it has to be found out.
use serde::{Deserialize, Serialize};

/// One habit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Habit {
    /// It keeps fractions.
    Exact,
    /// To the nearest count, halves up.
    Nearest,
    /// Down to the whole count.
    Down,
    /// None of these: by up to half a count beside the nominal drive, nobody knows where.
    Beside,
}

impl Habit {
    /// All there are.
    pub(super) const ALL: [Self; 4] = [Self::Exact, Self::Nearest, Self::Down, Self::Beside];

    /// The drive that the motor gets.
    pub(super) fn used(self, drive: f64) -> f64 {
        match self {
            Self::Exact | Self::Beside => drive,
            Self::Nearest => libm::floor(drive + 0.5),
            Self::Down => libm::floor(drive + 1e-9),
        }
    }

    /// How far the drive may lie beside that, standard uncertainty in counts: half a count, rectangular.
    pub(super) fn u_counts(self) -> f64 {
        if self == Self::Beside { 0.5 / 3f64.sqrt() } else { 0.0 }
    }

    /// How likely it is before anything was measured (own choice).
    pub(super) fn prior(self) -> f64 {
        match self {
            Self::Exact => 0.5,
            Self::Nearest | Self::Down => 0.15,
            Self::Beside => 0.2,
        }
    }
}

/// How likely each habit is by the points of a sweep; they sum to 1.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Habits {
    /// It keeps fractions of a count.
    pub exact: f64,
    /// It rounds to the nearest count.
    pub nearest: f64,
    /// It rounds down.
    pub down: f64,
    /// It does neither: drives lie beside the nominal ones by up to half a count.
    pub beside: f64,
}

impl Habits {
    pub(super) fn by(of: impl Fn(Habit) -> f64) -> Self {
        Self {
            exact: of(Habit::Exact),
            nearest: of(Habit::Nearest),
            down: of(Habit::Down),
            beside: of(Habit::Beside),
        }
    }

    /// One of them is as good as certain.
    #[must_use]
    pub fn is_clear(&self) -> bool {
        self.exact.max(self.nearest).max(self.down) >= 0.9
    }

    /// What rounding may shift a drive of the table by, standard uncertainty in counts: nothing where the drive is a whole
    /// count, else half a count (rectangular) to the nearest, a whole one down; and where the habit is unknown, half a count
    /// in the sweep and half in the table.
    #[must_use]
    pub fn u_counts(&self, drive: f64) -> f64 {
        let off = (drive - libm::floor(drive + 0.5)).abs();
        let whole = off < 0.01;
        let known = if whole { 0.0 } else { self.nearest / 12.0 + self.down / 3.0 };
        (known + self.beside / 6.0).sqrt()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    #[expect(clippy::float_cmp, reason = "whole numbers")]
    fn habits_round_as_they_say() {
        let used = |drive: f64| Habit::ALL.map(|habit| habit.used(drive));
        assert_eq!(used(187.5), [187.5, 188.0, 187.0, 187.5]);
        assert_eq!(used(94.44), [94.44, 94.0, 94.0, 94.44]);
        assert_eq!(Habit::ALL.map(Habit::prior).iter().sum::<f64>(), 1.0);
    }

    #[test]
    fn doubt_of_rounding_follows_the_habit() {
        let sure = |habit: Habit| Habits::by(|one| f64::from(u8::from(one == habit)));
        assert!(sure(Habit::Exact).u_counts(187.5).abs() < 1e-12);
        assert!(sure(Habit::Nearest).u_counts(188.0).abs() < 1e-12);
        assert!((sure(Habit::Nearest).u_counts(187.5) - 0.5 / 3f64.sqrt()).abs() < 1e-12);
        assert!((sure(Habit::Down).u_counts(187.5) - 1.0 / 3f64.sqrt()).abs() < 1e-12);
        // Half a count twice, rectangular.
        assert!((sure(Habit::Beside).u_counts(188.0) - 0.5 * (2.0_f64 / 3.0).sqrt()).abs() < 1e-12);
        assert!(sure(Habit::Down).is_clear() && !sure(Habit::Beside).is_clear());
    }
}
