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

/// As good as certain.
const CLEAR: f64 = 0.9;
/// Not as good as excluded.
const NOT_EXCLUDED: f64 = 0.03;
/// Those that say what becomes of a drive.
const ROUNDINGS: [Habit; 3] = [Habit::Exact, Habit::Nearest, Habit::Down];

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
        self.exact.max(self.nearest).max(self.down) >= CLEAR
    }

    /// Those that a table has to serve: the one that is as good as certain, else all that are not as good as excluded.
    pub(super) fn plausible(&self) -> Vec<Habit> {
        let least = if self.is_clear() { CLEAR } else { NOT_EXCLUDED };
        let mut plausible: Vec<Habit> =
            ROUNDINGS.into_iter().filter(|habit| self.share(*habit) >= least).collect();
        if plausible.is_empty() {
            plausible.push(Habit::Exact);
        }
        plausible
    }

    fn share(&self, habit: Habit) -> f64 {
        match habit {
            Habit::Exact => self.exact,
            Habit::Nearest => self.nearest,
            Habit::Down => self.down,
            Habit::Beside => self.beside,
        }
    }

    /// What the motor gets for a drive of the table: rounded where a way of rounding is as good as certain.
    #[must_use]
    pub fn used(&self, drive: f64) -> f64 {
        let clear = ROUNDINGS.into_iter().find(|habit| self.share(*habit) >= CLEAR);
        clear.unwrap_or(Habit::Exact).used(drive)
    }

    /// What rounding may shift a drive of the table by from [`Habits::used`], standard uncertainty in counts: what each way
    /// of rounding makes of it, by its share; and where the habit is unknown, half a count in the sweep and half in the
    /// table (rectangular).
    #[must_use]
    pub fn u_counts(&self, drive: f64) -> f64 {
        let used = self.used(drive);
        let square = |habit: Habit| {
            let off = habit.used(drive) - used;
            self.share(habit) * off * off
        };
        (ROUNDINGS.into_iter().map(square).sum::<f64>() + self.beside / 6.0).sqrt()
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
    #[expect(clippy::float_cmp, reason = "whole numbers")]
    fn a_clear_habit_rounds_and_what_is_left_open_is_doubt() {
        let sure = |habit: Habit| Habits::by(|one| f64::from(u8::from(one == habit)));
        assert_eq!(Habit::ALL.map(|habit| sure(habit).used(187.5)), [187.5, 188.0, 187.0, 187.5]);
        for habit in ROUNDINGS {
            assert!(sure(habit).u_counts(187.5) < 1e-12 && sure(habit).plausible() == [habit]);
            assert!(sure(habit).is_clear());
        }
        // Half a count twice, rectangular.
        assert!((sure(Habit::Beside).u_counts(188.0) - 0.5 * (2.0_f64 / 3.0).sqrt()).abs() < 1e-12);
        assert!(!sure(Habit::Beside).is_clear() && sure(Habit::Beside).plausible() == [Habit::Exact]);
        // Exact, or down by 0.75: as likely.
        let open = Habits { exact: 0.5, down: 0.5, ..Habits::default() };
        assert_eq!((open.used(187.75), open.used(188.0)), (187.75, 188.0));
        assert!((open.u_counts(187.75) - (0.5_f64 * 0.75 * 0.75).sqrt()).abs() < 1e-12);
        assert!(open.u_counts(188.0) < 1e-12 && open.plausible() == [Habit::Exact, Habit::Down]);
    }
}
