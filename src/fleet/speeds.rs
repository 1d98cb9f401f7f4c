//! The speeds of an engine as it is matched with others.
use crate::calibrate::ENTRIES;
use crate::run::{StepRow, Warming};
use crate::station::Direction;

/// One engine's speed at one entry of the table in one direction.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Figure {
    /// Speed, mm/s.
    pub speed_mm_s: f64,
    /// Doubt that is this engine's alone (its placing too), k = 1, mm/s.
    pub own_u_mm_s: f64,
    /// Doubt that every engine measured on the same axle has likewise, k = 1, mm/s.
    pub shared_u_mm_s: f64,
}

/// How much faster an engine is warm than cold.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Warm {
    /// Change as a part of the cold speed.
    pub change: f64,
    /// Its doubt, k = 1.
    pub u: f64,
}

/// An engine's speeds under its table.
#[derive(Clone, Debug, PartialEq)]
pub struct EngineSpeeds {
    /// Its name.
    pub engine: String,
    /// Engines that were measured on the same axle have equal texts.
    pub axle: String,
    /// Entries 1 to 28; forward and reverse.
    pub entries: Vec<[Option<Figure>; 2]>,
    /// Cold against warm, forward and reverse; none: not known.
    pub warming: [Option<Warm>; 2],
}

impl EngineSpeeds {
    /// From the steps of a result. Steps of another mode than 28 are taken to the entries that they are next to, as the result
    /// has one row for each entry; with 14 steps every other entry has none.
    #[must_use]
    pub fn of(engine: &str, axle: &str, of: u16, rows: &[StepRow], warming: [Option<Warming>; 2]) -> Self {
        let mut entries = vec![[None; 2]; ENTRIES];
        for row in rows {
            let last = ENTRIES as f64;
            let place = if of == 28 {
                f64::from(row.step)
            } else {
                1.0 + (f64::from(row.step) - 1.0) * (last - 1.0) / (f64::from(of.max(2)) - 1.0)
            };
            let Some(entry) = index(place) else { continue };
            let figure = |speed: Option<f64>, u: Option<f64>, own: Option<f64>, shared: Option<f64>| {
                let (own, shared) = (own.or(u)?, shared.unwrap_or(0.0));
                Some(Figure { speed_mm_s: speed?, own_u_mm_s: own, shared_u_mm_s: shared })
            };
            entries[entry] = [
                figure(
                    row.forward_mm_s,
                    row.forward_u_mm_s,
                    row.forward_own_u_mm_s,
                    row.forward_shared_u_mm_s,
                ),
                figure(
                    row.reverse_mm_s,
                    row.reverse_u_mm_s,
                    row.reverse_own_u_mm_s,
                    row.reverse_shared_u_mm_s,
                ),
            ];
        }
        let warm =
            |seen: Warming| Warm { change: seen.change_percent / 100.0, u: seen.change_u_percent / 100.0 };
        Self {
            engine: engine.to_owned(),
            axle: axle.to_owned(),
            entries,
            warming: warming.map(|seen| seen.map(warm)),
        }
    }

    /// Its figure at entry 1 to 28.
    #[must_use]
    pub fn at(&self, entry: usize, direction: Direction) -> Option<Figure> {
        self.entries.get(entry.checked_sub(1)?)?[usize::from(direction == Direction::Reverse)]
    }

    /// What is known of its warming in a direction.
    #[must_use]
    pub fn warm(&self, direction: Direction) -> Option<Warm> {
        self.warming[usize::from(direction == Direction::Reverse)]
    }
}

/// The index of the entry next to a place between 1 and 28.
fn index(place: f64) -> Option<usize> {
    let nearest = libm::round(place);
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "looked at right here")]
    (1.0..=ENTRIES as f64).contains(&nearest).then(|| nearest as usize - 1)
}
