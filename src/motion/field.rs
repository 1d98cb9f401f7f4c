//! The axle by the field of its magnet: calibration, noise, standstill, and angles of the axle.
use super::decode::TURN;
use super::points::MOST_POINTS;
use super::recent::Recent;
use super::seen::Seen;
use super::still::Still;
use super::track::{Track, Tracked};
use super::trouble::{Swing, Trouble};
use super::verdict::{Known, Watch};
use super::view::FieldView;
use super::{SignalQuality, Standing};

/// A field beyond this is no measurement in any unit; squares and sums of what is below stay finite.
const LARGEST: f64 = 1e100;

/// The follower.
#[derive(Debug)]
pub(super) struct Field {
    still: Still,
    track: Track,
    watch: Watch,
    /// Turns of the field in a turn of the axle.
    pairs: f64,
}

/// How a sample came.
#[derive(Clone, Copy, Debug)]
struct Sampled {
    still: bool,
    measuring: bool,
    by_arrival: bool,
    /// Standard deviation of the field's angle, in rad.
    noise: f64,
}

/// Angle that must be turned before it counts as path, so that noise at rest adds none.
const PATH_STEP: f64 = 0.1;

impl Field {
    /// Three axes are taken for granted until told otherwise.
    pub(super) fn new(pole_pairs: u16) -> Self {
        Self {
            still: Still::default(),
            track: Track::new(3),
            watch: Watch::default(),
            pairs: f64::from(pole_pairs.max(1)),
        }
    }

    pub(super) fn pairs(&self) -> f64 {
        self.pairs
    }

    /// The sensor has so many axes; true where that is news, and calibration begins anew.
    pub(super) fn set_axes(&mut self, axes: u8) -> bool {
        let axes = axes.clamp(2, 3);
        let new = axes != self.track.axes();
        if new {
            self.forget(axes);
        }
        new
    }

    /// Nothing that was seen counts, but for the turning sense.
    pub(super) fn forget_all(&mut self) {
        self.forget(self.track.axes());
    }

    fn forget(&mut self, axes: u8) {
        self.track.set_axes(axes);
        self.still = Still::default();
        self.watch = Watch::default();
    }

    /// The sensor's clock started anew.
    pub(super) fn restarted(&mut self) {
        self.still.forget();
        self.watch.restarted();
    }

    /// Turns can't be followed from the last sample to the next one.
    pub(super) fn cut(&mut self) {
        self.track.forget_last();
        self.watch.cut();
    }

    /// Whether a field may be one.
    pub(super) fn is_sound(field: [f64; 3]) -> bool {
        field.iter().all(|value| value.abs() <= LARGEST)
    }

    /// A sample; `measuring`: the calibration must stay as it is. `by_arrival`: its time is no better than that.
    pub(super) fn take(&mut self, t_us: i64, field: [f64; 3], measuring: bool, by_arrival: bool) -> Seen {
        let still = self.still.take(t_us, field);
        let tracked = self.track.take(t_us, field, self.still.noise(), still, measuring);
        let noise = match tracked {
            Tracked::Phase(phase) => self.track.noise_at(phase.point, self.noise().unwrap_or(0.0)),
            Tracked::Blind | Tracked::Lost => 0.0,
        };
        self.look(t_us, field, tracked, Sampled { still, measuring, by_arrival, noise });
        let seen = match tracked {
            Tracked::Blind => Seen::Nothing,
            Tracked::Lost => Seen::Cut { way: 0.0 },
            Tracked::Phase(phase) => {
                let phi = phase.phi / self.pairs;
                let least = PATH_STEP.max(8.0 * noise / self.pairs);
                Seen::Angle { phi, step: phase.step / self.pairs, least, begins: false }
            }
        };
        if let Some(decode) = self.track.newly_fitted() {
            let sigma = decode.radius_sd * decode.ellipse.half_axes()[0];
            self.still.noise_at_most(sigma * sigma * f64::from(self.track.axes()));
        }
        seen
    }

    /// Lets the watch see the sample.
    fn look(&mut self, t_us: i64, field: [f64; 3], tracked: Tracked, sampled: Sampled) {
        let stood = match self.still.standing() {
            Standing::For(stood) if sampled.still && self.is_calibrated() => Some(stood),
            _ => None,
        };
        self.watch.field(t_us, field, stood);
        if let Tracked::Phase(phase) = tracked {
            self.watch.angle(phase.phi, phase.point);
            if !sampled.by_arrival {
                self.watch.timed(t_us, phase.phi, sampled.noise, sampled.measuring);
            }
        }
        if self.watch.is_due(self.track.axes()) {
            let known = known(&self.track, &self.still, self.pairs);
            self.watch.judge(t_us, &known);
        }
    }

    /// The field that was calibrated is gone.
    pub(super) fn is_lost(&self) -> bool {
        self.track.lost()
    }

    /// Turns can't be followed.
    pub(super) fn is_blind(&self) -> bool {
        self.watch.is_blind()
    }

    /// No rest can be told from turning.
    pub(super) fn hides_turning(&self) -> bool {
        self.watch.hides_turning()
    }

    /// What is wrong with the signal, what explains most first.
    pub(super) fn troubles(&self) -> impl Iterator<Item = Trouble> + '_ {
        self.watch.troubles()
    }

    /// What can be said at once of a signal that something was blamed for.
    pub(super) fn hasty_trouble(&self) -> Option<Trouble> {
        self.watch.hasty(&known(&self.track, &self.still, self.pairs))
    }

    pub(super) fn forgive(&mut self) {
        self.watch.forgive();
    }

    /// What the field did since the engine was told to move, while no turn was seen.
    pub(super) fn swing(&self) -> Option<Swing> {
        self.watch.swing()
    }

    pub(super) fn expect_turning(&mut self) {
        self.watch.expect_turning();
    }

    /// Standard deviation of the axle's angle at `phi`, in rad.
    pub(super) fn angle_noise(&self, phi: f64) -> f64 {
        self.track.angle_noise(phi * self.pairs, self.noise().unwrap_or(0.0)) / self.pairs
    }

    /// Noise an axis, in the sensor's unit.
    fn noise(&self) -> Option<f64> {
        self.still.noise_per_axis(self.track.axes())
    }

    /// Speed of the axle in rad/s and its standard uncertainty, for points that scatter by `jitter` rad besides.
    pub(super) fn glance(&self, recent: &Recent, jitter: f64) -> Option<(f64, f64)> {
        let decode = self.track.decode()?;
        let [larger, smaller] = decode.ellipse.half_axes();
        let sigma = self.noise().unwrap_or(decode.radius_sd * larger);
        let (slope, noise, window) =
            recent.slope((sigma / (larger * smaller).sqrt() / self.pairs).max(jitter))?;
        // What the noise left in the correction shows as ripple of the speed, two periods a turn of the field, until the
        // window averages it (`standards/measurement.md` 1.4, 1.5, 3.3).
        let periods = (2.0 * slope.abs() * self.pairs * window / TURN).max(1.0);
        let ripple = slope * sigma / smaller * (8.0 / MOST_POINTS as f64).sqrt() / (periods * periods);
        Some((slope, (noise * noise + ripple * ripple).sqrt()))
    }

    /// A field that is not that of the calibrated magnet proves nothing.
    pub(super) fn standing(&self) -> Standing {
        if self.track.lost() { Standing::No } else { self.still.standing() }
    }

    /// A whole turn of the field was seen.
    pub(super) fn is_calibrated(&self) -> bool {
        self.track.decode().is_some()
    }

    /// As people see it; none before a whole turn was seen.
    pub(super) fn view(&self, points: usize) -> Option<FieldView> {
        self.track.view(points)
    }

    /// How good the signal is, at so many samples a second; none before a whole turn was seen.
    pub(super) fn quality(&self, rate_hz: f64) -> Option<SignalQuality> {
        let decode = self.track.decode()?;
        let [amplitude, smaller] = decode.ellipse.half_axes();
        Some(SignalQuality {
            amplitude,
            amplitude_ratio: smaller / amplitude,
            noise_ratio: self.noise().map_or(decode.radius_sd, |noise| noise / amplitude),
            rate_hz,
        })
    }
}

/// What a verdict on the signal rests on.
fn known<'a>(track: &'a Track, still: &Still, pairs: f64) -> Known<'a> {
    Known {
        decode: track.decode(),
        sigma: still.noise_per_axis(track.axes()),
        quantum: still.smallest_step(),
        axes: usize::from(track.axes()),
        pairs,
    }
}
