//! What the engine runs on: rollers, a loop whose grades and curves show in the speed, a straight between two ends; and
//! a measuring car that swings behind a slack coupling.
//!
//! The ranges of the patterns are own estimates; the coupling's play gives a swing of the way, so that the swing of the
//! speed is the larger a part of it the slower the train runs.
use super::spec::{CarSim, PathSim, TrackSim};
use std::f64::consts::TAU;

/// Below this speed the swing dies away, mm/s.
const CALM_MM_S: f64 = 5.0;

/// Where the train is on its path.
#[derive(Clone, Debug)]
pub(super) struct Way {
    spec: PathSim,
    /// Where the engine stands on its track, mm.
    place_mm: f64,
    /// Speed at which it first ran into an end, mm/s.
    hit_mm_s: Option<f64>,
}

impl Way {
    pub(super) fn new(spec: PathSim) -> Self {
        let place_mm = start_mm(&spec);
        Self { spec, place_mm, hit_mm_s: None }
    }

    /// What grades and curves do to the speed here: a factor.
    pub(super) fn factor(&self) -> f64 {
        let TrackSim::Loop { length_mm, unevenness } = &self.spec.track else { return 1.0 };
        let angle = TAU * self.place_mm / length_mm;
        let waves = unevenness.iter().zip(1_u32..);
        1.0 + waves.map(|(share, wave)| share * libm::cos(f64::from(wave * wave) * angle)).sum::<f64>()
    }

    /// The wheel has gone on by `step_mm`; true where the engine is held by an end.
    pub(super) fn go(&mut self, step_mm: f64, seconds: f64) -> bool {
        self.place_mm += step_mm * (1.0 - self.spec.slip);
        let TrackSim::Straight { length_mm, .. } = self.spec.track else { return false };
        let held = (self.place_mm <= 0.0 && step_mm < 0.0) || (self.place_mm >= length_mm && step_mm > 0.0);
        if held {
            self.place_mm = self.place_mm.clamp(0.0, length_mm);
            self.hit_mm_s.get_or_insert(step_mm.abs() / seconds);
        }
        held
    }

    /// The person puts the engine back to where it began.
    pub(super) fn put_back(&mut self) {
        self.place_mm = start_mm(&self.spec);
    }

    pub(super) fn place_mm(&self) -> f64 {
        self.place_mm
    }

    pub(super) fn hit_mm_s(&self) -> Option<f64> {
        self.hit_mm_s
    }

    /// How far the measuring car is off its even way behind the engine, mm, and how much faster it goes, mm/s.
    pub(super) fn swing(&self, at_s: f64, speed_mm_s: f64) -> (f64, f64) {
        let Some(CarSim { swing_mm, period_s }) = self.spec.car else { return (0.0, 0.0) };
        let reach = swing_mm * (speed_mm_s.abs() / CALM_MM_S).min(1.0);
        let (sin, cos) = libm::sincos(TAU * at_s / period_s);
        (reach * sin, reach * cos * TAU / period_s)
    }
}

fn start_mm(spec: &PathSim) -> f64 {
    if let TrackSim::Straight { start_mm, .. } = spec.track { start_mm } else { 0.0 }
}
