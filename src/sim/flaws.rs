//! What may be wrong with the magnet, where it sits, and the sensor: a recipe of its own, whole or from an instant on.
//!
//! A magnet whose poles lie along the axle is the same point dipole with its moment turned: the part across the axle
//! turns, the part along it stands still (standards/measurement.md section 2.1).
use super::noise::Noise;
use std::f64::consts::TAU;

/// What is wrong. [`Flaws::default`] is nothing.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Flaws {
    /// How far the magnet's poles lean out of the plane across the axle, rad: 0 across, a quarter turn along it.
    pub lean_rad: f64,
    /// Strength of the magnet, times what the recipe says.
    pub strength: f64,
    /// Noise, times what the recipe says.
    pub noise: f64,
    /// Each axis ends at this field either way, in parts of the recipe's amplitude.
    pub full_scale: Option<f64>,
    /// This axis tells the same for ever: what it told last, or 0.
    pub dead_axis: Option<usize>,
    /// Constant field of each axis besides, in parts of the recipe's amplitude.
    pub offset: [f64; 3],
    /// A second magnet: the size of its field in parts of the recipe's amplitude, and its turns in a turn of the axle.
    pub second_magnet: Option<(f64, f64)>,
    /// An alternating field: its size in parts of the recipe's amplitude, and its periods a second.
    pub alternating: Option<(f64, f64)>,
    /// Steel that moves nearby: an offset that comes and goes in this time, s, up to this part of the recipe's amplitude.
    pub steel: Option<(f64, f64)>,
    /// Only one sample in so many is taken.
    pub one_in: u16,
    /// Part of the wheel's turning that reaches the measured axle: 0 for an axle that is not driven, or a magnet that does
    /// not turn with it.
    pub driven: f64,
    /// The magnet slips on its axle by up to half a turn, once in so many turns.
    pub magnet_slips: Option<f64>,
    /// The measured axle slips: for a part of a second now and then it turns at this part of its speed only.
    pub axle_slips: Option<f64>,
}

impl Default for Flaws {
    fn default() -> Self {
        Self {
            lean_rad: 0.0,
            strength: 1.0,
            noise: 1.0,
            full_scale: None,
            dead_axis: None,
            offset: [0.0; 3],
            second_magnet: None,
            alternating: None,
            steel: None,
            one_in: 1,
            driven: 1.0,
            magnet_slips: None,
            axle_slips: None,
        }
    }
}

impl Flaws {
    /// Strange field along the sensor's axes, in parts of the amplitude, with the axle at `turns` and `t_s` on the clock.
    pub(super) fn strange_field(&self, turns: f64, t_s: f64) -> [f64; 3] {
        let mut field = self.offset;
        if let Some((part, ratio)) = self.second_magnet {
            let (sin, cos) = libm::sincos(TAU * part_of_one(turns * ratio));
            (field[0], field[1]) = (field[0] + part * cos, field[1] + part * sin);
        }
        if let Some((part, hz)) = self.alternating {
            let now = part * libm::sin(TAU * part_of_one(t_s * hz)) / 3f64.sqrt();
            field = field.map(|axis| axis + now);
        }
        if let Some((part, period_s)) = self.steel {
            let now = part * 0.5 * (1.0 - libm::cos(TAU * part_of_one(t_s / period_s))) / 3f64.sqrt();
            field = field.map(|axis| axis + now);
        }
        field
    }
}

fn part_of_one(value: f64) -> f64 {
    value - libm::floor(value)
}

/// How far the magnet has fallen behind the wheel.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Behind {
    turns: f64,
    wheel: Option<f64>,
    /// A slip of the axle lasts until then, s.
    slips_until_s: f64,
    /// The next one begins then, s.
    next_s: f64,
}

impl Behind {
    /// Where the magnet is when the wheel is at `wheel` turns.
    pub(super) fn go_to(&mut self, flaws: &Flaws, noise: &mut Noise, t_s: f64, wheel: f64) -> f64 {
        let moved = self.wheel.replace(wheel).map_or(0.0, |before| wheel - before);
        self.turns += moved * (1.0 - flaws.driven);
        if let Some(every) = flaws.magnet_slips
            && noise.happens(moved.abs() / every)
        {
            self.turns += noise.between(0.15, 0.5);
        }
        if let Some(part) = flaws.axle_slips {
            if t_s >= self.next_s {
                self.slips_until_s = t_s + noise.between(0.1, 0.4);
                self.next_s = self.slips_until_s + noise.between(0.3, 1.5);
            }
            if t_s < self.slips_until_s {
                self.turns += moved * (1.0 - part);
            }
        }
        wheel - self.turns
    }
}
