//! The verdict on the signal of a magnet's field: what is wrong with it, each with its figure.
//!
//! A watch beside the follower gathers a few sums a sample and judges them every two turns or every second. What it finds
//! changes nothing in how angles are taken; the run decides what is said and when it ends. Criteria and their reasons:
//! `standards/measurement.md` 2.2 to 2.4. Two of them are eased, for real magnets have harmonics and noise has a verdict
//! of its own: a scatter of the radius counts from 2 % on, and the fourth harmonic alone is no proof of clipping.
use super::decode::{Decode, TURN};
use super::leaps::{Leaps, Quarters};
use super::ripple::Ripple;
use super::spread::Spread;
use super::trouble::{FALLS, KINDS, LEAPS, PAIR, RAIL, Swing, Trouble, WEAK};
use std::time::Duration;

/// A stretch has at least so many samples, and lasts as long, or so many turns of the field where it turns.
const SAMPLES: u32 = 128;
const STRETCH_US: i64 = 1_000_000;
const TURNS: f64 = 2.0 * TURN;
/// A magnet that has stood for so long tells nothing new.
const REST: Duration = Duration::from_secs(1);
/// A slow axle is judged after so many samples all the same.
const SAMPLES_MOST: u32 = 1 << 14;
/// Noise over the larger amplitude from which on it is said.
const NOISY: f64 = 0.05;
/// Turning part of the field over the standing part: below, the poles lie along the axle.
const ALONG: f64 = 0.25;
/// A rail is told so many times as often as the steps of a coarse sensor make by themselves, and so many times in all.
const RAIL_COARSE: f64 = 2.5;
const RAIL_TIMES: u32 = 8;
/// A fourth harmonic of the radius, and in standard deviations of its own noise, by which half of that suffices.
const FLAT: f64 = 0.02;
const FLAT_NOISE: f64 = 3.0;
/// A swing of less is noise.
const SWING_NOISE: f64 = 10.0;
/// An axis that told one value so often in a row, in a sensor whose noise is this part of its step at least, is stuck.
const STUCK: u32 = 64;
const ALIVE: f64 = 0.6;
/// Scatter of the radius beyond noise.
const SCATTER_NOISE: f64 = 3.0;
const SCATTER: [f64; 2] = [0.02, 0.05];
/// The same, for a ring of several pairs of poles, which are never alike.
const SCATTER_RING: f64 = 0.3;
/// What jumps from sample to sample to this part is noise.
const WHITE: f64 = 0.75;
/// A move of the centre, in parts of the amplitude; more often than this of late, something moves on and on.
const MOVED: f64 = 0.1;
const MOVES: u32 = 6;
const MOVES_FADE: f64 = 0.95;
/// Scatter of the radius up to which the angle is good enough to tell a slip: an offset left in makes a ripple of speed.
const SOUND: f64 = 0.07;
/// What was not found again for so many stretches is over.
const OVER: u32 = 4;

/// What the follower knows at the end of a stretch.
#[derive(Clone, Copy, Debug)]
pub(super) struct Known<'a> {
    pub(super) decode: Option<&'a Decode>,
    /// Noise of an axis.
    pub(super) sigma: Option<f64>,
    /// Smallest step that the sensor told.
    pub(super) quantum: Option<f64>,
    pub(super) axes: usize,
    pub(super) pairs: f64,
}

/// A trouble of one kind as it was found last, and when first and last, in stretches.
#[derive(Clone, Copy, Debug)]
struct Held {
    trouble: Trouble,
    first: u32,
    last: u32,
    times: u32,
}

/// The watch.
#[derive(Debug, Default)]
pub(super) struct Watch {
    spread: Spread,
    /// The value of each axis, and how often in a row it was told.
    rows: [(f64, u32); 3],
    /// The magnet stood for a part of the stretch.
    stood: bool,
    ripple: Ripple,
    leaps: Leaps,
    quarters: Quarters,
    stretch: u32,
    held: [Option<Held>; KINDS],
    /// Centre of the field as last judged.
    centre: Option<[f64; 3]>,
    /// Moves of late, fading.
    moves: f64,
    swing: Option<Swing>,
}

impl Watch {
    /// A field. `stood`: how long a calibrated magnet is known to stand; after a while there is nothing to see.
    pub(super) fn field(&mut self, t_us: i64, field: [f64; 3], stood: Option<Duration>) {
        for (row, value) in self.rows.iter_mut().zip(field) {
            let same = row.0.to_bits() == value.to_bits();
            *row = (value, if same { row.1.saturating_add(1) } else { 1 });
        }
        self.stood |= stood.is_some();
        if stood.is_none_or(|stood| stood < REST) {
            self.spread.add(t_us, field);
        }
    }

    /// The angle that was made of it, unwrapped, and the corrected point.
    pub(super) fn angle(&mut self, phi: f64, point: [f64; 2]) {
        self.ripple.add(phi, point);
    }

    /// The same angle where its time is well known; `noise` is the angle's, and with `steady` one setting holds.
    pub(super) fn timed(&mut self, t_us: i64, phi: f64, noise: f64, steady: bool) {
        self.leaps.take(t_us, phi, noise);
        if steady {
            self.quarters.take(t_us, phi);
        } else {
            self.quarters.cut();
        }
    }

    /// Turns can't be followed from the last sample to the next one.
    pub(super) fn cut(&mut self) {
        self.ripple.cut();
        self.leaps.cut();
        self.quarters.cut();
    }

    /// Stamps begin anew: the open stretch ends unjudged.
    pub(super) fn restarted(&mut self) {
        self.cut();
        self.spread = Spread::default();
    }

    /// What was found counts no more: somebody handles the engine.
    pub(super) fn forgive(&mut self) {
        *self = Self { stretch: self.stretch, swing: self.swing, ..Self::default() };
    }

    /// The engine is told to move: what the field did before is of no interest.
    pub(super) fn expect_turning(&mut self) {
        self.swing = None;
        self.spread = Spread::default();
    }

    /// The largest swing since then while no turn was seen.
    pub(super) fn swing(&self) -> Option<Swing> {
        self.swing
    }

    /// The stretch is long enough to be judged, or an axis of so many has been stuck for long.
    pub(super) fn is_due(&self, axes: u8) -> bool {
        let samples = self.spread.samples();
        let stuck = |(_, times): &(f64, u32)| *times > 0 && times.is_multiple_of(2 * STUCK);
        samples >= SAMPLES
            && (samples >= SAMPLES_MOST
                || self.rows.iter().take(axes.into()).any(stuck)
                || if self.ripple.samples() > 0 && !self.ripple.rocks() {
                    self.ripple.turned() >= TURNS
                } else {
                    self.spread.lasted_us() >= STRETCH_US
                })
    }

    /// What is wrong now, what explains most first.
    pub(super) fn troubles(&self) -> impl Iterator<Item = Trouble> + '_ {
        self.held.iter().flatten().filter(|held| self.stands(held)).map(|held| held.trouble)
    }

    /// Turns can't be followed, whatever explains it: the field is too weak, or one direction of it is missing.
    pub(super) fn is_blind(&self) -> bool {
        let blind = |held: &&Held| {
            matches!(held.trouble, Trouble::Weak { .. } | Trouble::OnePair { .. }) && held.trouble.is_grave()
        };
        self.held.iter().flatten().any(|held| blind(&held) && self.is_sure(held))
    }

    /// The field is lost in its noise: no rest can be told from turning.
    pub(super) fn hides_turning(&self) -> bool {
        let weak = |held: &&Held| matches!(held.trouble, Trouble::Weak { .. }) && held.trouble.is_grave();
        self.held.iter().flatten().any(|held| weak(&held) && self.is_sure(held))
    }

    /// Found often enough, and a stretch has passed since.
    fn is_sure(&self, held: &Held) -> bool {
        held.times >= held.trouble.needs() && self.stretch > held.first
    }

    /// Sure, and nothing else explains it.
    fn stands(&self, held: &Held) -> bool {
        let kind = held.trouble.kind();
        let explained = self.held[..kind]
            .iter()
            .flatten()
            .any(|other| other.last + 1 >= held.first && explains(other, held));
        self.is_sure(held) && !explained
    }

    /// The stretch is over.
    pub(super) fn judge(&mut self, t_us: i64, known: &Known) {
        let (spread, ripple) = (std::mem::take(&mut self.spread), std::mem::take(&mut self.ripple));
        self.stretch += 1;
        let turned = ripple.turned() >= 0.9 * TURNS;
        let stood = std::mem::take(&mut self.stood);
        self.dead_axis(&spread, known);
        if turned && !stood {
            self.rails(&spread, is_flat(&ripple, known), known);
        }
        match known.decode {
            Some(decode) => {
                self.swing = None;
                self.amplitudes(decode, known);
                if turned {
                    self.standing_part(&spread, decode);
                    let from_us = t_us - spread.lasted_us();
                    self.radius(&ripple, decode, known, from_us);
                } else if ripple.rocks() {
                    self.unquiet(&spread, decode);
                }
            }
            None => self.look_for_swing(&spread, known),
        }
        self.slips(t_us, turned && ripple.scatter() < SOUND);
        let stretch = self.stretch;
        for held in &mut self.held {
            *held = held.filter(|held| stretch - held.last < OVER);
        }
    }

    fn find(&mut self, trouble: Trouble) {
        let held = &mut self.held[trouble.kind()];
        let stretch = self.stretch;
        let trouble = match (trouble, held.map(|held| held.trouble)) {
            // A jump comes over two stretches: the larger part is nearer to it.
            (Trouble::OffsetMoved { part }, Some(Trouble::OffsetMoved { part: before })) => {
                Trouble::OffsetMoved { part: part.max(before) }
            }
            _ => trouble,
        };
        *held = Some(match *held {
            Some(held) => Held { trouble, last: stretch, times: held.times + 1, ..held },
            None => Held { trouble, first: stretch, last: stretch, times: 1 },
        });
    }

    /// An axis that is stuck while the others turn; at the largest value of all it has left the sensor's range.
    fn dead_axis(&mut self, spread: &Spread, known: &Known) {
        let Some((axis, value)) = self.stuck(known) else { return };
        let sigma = known.sigma.unwrap_or(0.0);
        let others = (0..known.axes).filter(|other| *other != axis);
        let turn =
            others.clone().any(|other| spread.lives(other) && spread.half_width(other) > SWING_NOISE * sigma);
        if !turn {
            return;
        }
        if others.clone().all(|other| spread.largest(other) <= value.abs()) {
            self.find(Trouble::Clipped { axis, value, part: 1.0 });
        } else {
            self.find(Trouble::AxisDead { axis, value });
        }
    }

    /// An axis that tells one value, where a living one could not.
    fn stuck(&self, known: &Known) -> Option<(usize, f64)> {
        let fine = matches!((known.sigma, known.quantum), (Some(sigma), Some(step)) if sigma > ALIVE * step);
        let some_live = self.rows[..known.axes].iter().any(|(_, times)| *times < STUCK / 2);
        let stuck = self.rows[..known.axes].iter().position(|(_, times)| *times >= STUCK);
        stuck.filter(|_| fine && some_live).map(|axis| (axis, self.rows[axis].0))
    }

    /// What can be said before the open stretch is over.
    pub(super) fn hasty(&self, known: &Known) -> Option<Trouble> {
        let (axis, value) = self.stuck(known)?;
        Some(Trouble::AxisDead { axis, value })
    }

    fn rails(&mut self, spread: &Spread, flat: bool, known: &Known) {
        let sigma = known.sigma.unwrap_or(0.0);
        let times_least = if flat { RAIL_TIMES / 2 } else { RAIL_TIMES };
        let part_least = if flat { RAIL[0] / 2.0 } else { RAIL[0] };
        let worst = (0..known.axes)
            .filter(|axis| spread.half_width(*axis) > SWING_NOISE * sigma)
            .map(|axis| (axis, spread.rail(axis)))
            .filter(|(axis, (_, times, part))| {
                // The top step of a sine holds acos(1 - q/A)/pi of its samples.
                let step = known.quantum.unwrap_or(0.0) / spread.half_width(*axis);
                let coarse = (2.0 * step).sqrt() / core::f64::consts::PI;
                *times >= times_least && *part > part_least.max(RAIL_COARSE * coarse)
            })
            .max_by(|(_, a), (_, b)| a.2.total_cmp(&b.2));
        if let Some((axis, (value, _, part))) = worst {
            self.find(Trouble::Clipped { axis, value, part });
        }
    }

    fn amplitudes(&mut self, decode: &Decode, known: &Known) {
        let [larger, smaller] = decode.ellipse.half_axes();
        let sigma = known.sigma.unwrap_or(decode.radius_sd * larger);
        if smaller < WEAK * sigma {
            self.find(Trouble::Weak { times: smaller / sigma });
        } else if sigma > NOISY * larger {
            self.find(Trouble::Noisy { ratio: sigma / larger });
        }
        if smaller < PAIR[0] * larger {
            self.find(Trouble::OnePair { ratio: smaller / larger });
        }
    }

    fn standing_part(&mut self, spread: &Spread, decode: &Decode) {
        let standing = length(spread.mean());
        let [larger, _] = decode.ellipse.half_axes();
        if larger < ALONG * standing {
            self.find(Trouble::PolesAlong { part: larger / standing });
        }
    }

    /// The corrected radius over whole turns.
    fn radius(&mut self, ripple: &Ripple, decode: &Decode, known: &Known, from_us: i64) {
        let [larger, smaller] = decode.ellipse.half_axes();
        let sigma = known.sigma.unwrap_or(decode.radius_sd * larger);
        let noise = sigma * (0.5 / (larger * larger) + 0.5 / (smaller * smaller)).sqrt();
        if known.pairs > 1.0 {
            // Unequal poles move centre and radius with every pair.
            if ripple.scatter() > SCATTER_RING {
                self.find(Trouble::NotClosing { scatter: ripple.scatter(), noise });
            }
            return;
        }
        let centre = decode.centre_moved_by(ripple.first());
        let moved = self
            .centre
            .replace(centre)
            .map_or(0.0, |before| length([0, 1, 2].map(|axis: usize| centre[axis] - before[axis])) / larger);
        self.moves *= MOVES_FADE;
        if moved > MOVED.max(4.0 * noise) {
            self.moves += 1.0;
            self.leaps.forgive(from_us);
            self.find(Trouble::OffsetMoved { part: moved });
        }
        let (rest, scatter) = (ripple.rest(), ripple.scatter());
        let jumps = ripple.white();
        let strange = (rest * rest - noise * noise).max(0.0).sqrt();
        if self.moves > f64::from(MOVES) {
            self.find(Trouble::NotClosing { scatter, noise });
        } else if (rest > SCATTER_NOISE * noise && rest > SCATTER[0]) || strange > SCATTER[1] {
            if jumps > WHITE * rest {
                self.find(Trouble::Noisy { ratio: jumps * smaller / larger });
            } else {
                self.find(Trouble::NotClosing { scatter, noise });
            }
        }
    }

    /// The field is on the move and the axle does not turn.
    fn unquiet(&mut self, spread: &Spread, decode: &Decode) {
        let [larger, _] = decode.ellipse.half_axes();
        let [first, ..] = spread.swings(0.0);
        if first > NOISY * larger {
            self.find(Trouble::Noisy { ratio: first / larger / 2f64.sqrt() });
        }
    }

    fn look_for_swing(&mut self, spread: &Spread, known: &Known) {
        let noise = known.sigma.unwrap_or(0.0);
        let [first, second, _] = spread.swings(noise);
        let before = self.swing.map_or(-1.0, |swing| swing.swings[0]);
        if first > before {
            self.swing = Some(Swing { standing: length(spread.mean()), swings: [first, second], noise });
        }
    }

    /// `sound`: the axle turned, and its angle was good enough to tell a slip.
    fn slips(&mut self, t_us: i64, sound: bool) {
        self.quarters.close(t_us, sound);
        let falls = self.quarters.lately(t_us);
        let (leaps, widest_rad) = self.leaps.lately(t_us);
        let found = Trouble::Slips { leaps, widest_rad, falls };
        let held = self.held[found.kind()].map(|held| held.trouble);
        if (leaps >= LEAPS[0] || falls >= FALLS[0]) && held != Some(found) {
            self.find(found);
        }
    }
}

/// The radius has the fourth harmonic of a clipped sine.
fn is_flat(ripple: &Ripple, known: &Known) -> bool {
    let Some(decode) = known.decode else { return false };
    let [_, smaller] = decode.ellipse.half_axes();
    let noise = known.sigma.unwrap_or(0.0) / smaller * (2.0 / f64::from(ripple.samples().max(1))).sqrt();
    ripple.fourth() > FLAT.max(FLAT_NOISE * noise)
}

/// Whether one trouble is why the other shows.
fn explains(one: &Held, other: &Held) -> bool {
    use Trouble as T;
    match one.trouble {
        T::AxisDead { .. } => true,
        T::Clipped { .. } => matches!(other.trouble, T::NotClosing { .. }),
        T::PolesAlong { .. } => {
            matches!(
                other.trouble,
                T::Weak { .. } | T::Noisy { .. } | T::OffsetMoved { .. } | T::NotClosing { .. }
            ) && !other.trouble.is_grave()
        }
        T::OffsetMoved { .. } | T::Noisy { .. } => {
            matches!(other.trouble, T::Slips { .. } | T::NotClosing { .. }) && other.times < MOVES
        }
        T::NotClosing { .. } => matches!(other.trouble, T::Slips { .. }),
        _ => false,
    }
}

fn length(field: [f64; 3]) -> f64 {
    field.iter().map(|part| part * part).sum::<f64>().sqrt()
}
