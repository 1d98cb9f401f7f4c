//! Follows the angle: calibrates when a whole turn was seen, adjusts while the axle goes on turning, unwraps.
use super::decode::{Decode, Plane, TURN, angle_of, wrapped};
use super::ellipse::Ellipse;
use super::points::{MOST_POINTS, Points};
use super::view::FieldView;

/// New points and time that make a fit worth while: before the first calibration, and after it.
const FIRST_FIT: (usize, i64) = (16, 100_000);
const NEXT_FIT: (usize, i64) = (64, 250_000);
/// After a fit to as many points as there can be the next waits until they are all new, unless the squares of what the squared
/// radius lies off one, over about so many samples, have come to be so many times what they were for those points.
const CHANGED: f64 = 1.5;
const CHANGED_OVER: f64 = 64.0;
/// A corrected radius outside of 0.4 to 2.5 is not the magnet that was calibrated; here its square.
const SQUARE_RADIUS: core::ops::RangeInclusive<f64> = 0.16..=6.25;
/// After so many such samples in a row, over so long, the calibration is given up.
const LOST: (u32, i64) = (16, 250_000);

/// Angle at a sample.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Phase {
    /// Unwrapped angle in rad; differences over whole turns are exact while the calibration stands.
    pub(super) phi: f64,
    /// Change since the sample before, in rad; the whole path to here for the first one after calibration.
    pub(super) step: f64,
    /// The point on the unit circle, but for noise.
    pub(super) point: [f64; 2],
}

/// What a sample did to the calibration.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Tracked {
    /// Not calibrated, or a stray sample that does not fit the calibration: no angle.
    Blind,
    /// An angle.
    Phase(Phase),
    /// The calibration was given up just now: the magnet moved, fell off, or something stronger came near.
    Lost,
}

/// The follower.
#[derive(Debug)]
pub(super) struct Track {
    axes: u8,
    decode: Option<Decode>,
    /// Kept when a calibration is given up, so that the sense stays.
    plane: Option<Plane>,
    points: Points,
    tried_us: i64,
    last: Option<([f64; 3], f64)>,
    turns: i64,
    shift: f64,
    odd: (u32, i64),
    /// What the squared radius lies off one, squared: a mean in which older samples fade.
    off: f64,
    /// The last fit had as many points as there can be.
    of_whole_ring: bool,
    lost: bool,
    fitted: bool,
}

impl Track {
    pub(super) fn new(axes: u8) -> Self {
        Self {
            axes,
            decode: None,
            plane: None,
            points: Points::new(),
            tried_us: 0,
            last: None,
            turns: 0,
            shift: 0.0,
            odd: (0, 0),
            off: 0.0,
            of_whole_ring: false,
            lost: false,
            fitted: false,
        }
    }

    /// The sensor has so many axes from here on: calibration starts again, the sense stays as far as it can.
    pub(super) fn set_axes(&mut self, axes: u8) {
        *self = Self { plane: self.plane, ..Self::new(axes) };
    }

    pub(super) fn axes(&self) -> u8 {
        self.axes
    }

    pub(super) fn decode(&self) -> Option<&Decode> {
        self.decode.as_ref()
    }

    /// A calibration whose points were single samples, if it is new since this was last asked: its scatter bounds theirs.
    pub(super) fn newly_fitted(&mut self) -> Option<Decode> {
        let fitted = std::mem::take(&mut self.fitted);
        self.decode.filter(|_| fitted && self.points.all_single())
    }

    /// A calibration was given up and none has come since: the field proves nothing.
    pub(super) fn lost(&self) -> bool {
        self.lost || self.odd.0 > 0
    }

    /// The next angle has no known turn count against the last one.
    pub(super) fn forget_last(&mut self) {
        self.last = None;
    }

    /// A sample. `still`: the axle is known to stand, so there is nothing to learn. `frozen`: a measurement rests on
    /// the calibration, so it must stay as it is. `noise`: standard deviation of the field, all axes together.
    pub(super) fn take(
        &mut self,
        t_us: i64,
        field: [f64; 3],
        noise: f64,
        still: bool,
        frozen: bool,
    ) -> Tracked {
        let point = self.decode.as_ref().map(|decode| decode.corrected(field));
        if self.is_odd(t_us, point) {
            return if self.lost { Tracked::Lost } else { Tracked::Blind };
        }
        let calibrated = self.decode.is_some();
        if !(calibrated && still) {
            self.points.offer(field, noise, self.phi());
        }
        if !(calibrated && frozen) && self.fit_is_due(t_us) {
            (self.points.fresh, self.tried_us) = (0, t_us);
            let first = self.fit();
            let Some(phase) = self.decode.map(|decode| self.unwrap(field, decode.corrected(field))) else {
                return Tracked::Blind;
            };
            return Tracked::Phase(first.map_or(phase, |turned| Phase { step: turned, ..phase }));
        }
        point.map_or(Tracked::Blind, |point| Tracked::Phase(self.unwrap(field, point)))
    }

    fn fit_is_due(&self, t_us: i64) -> bool {
        let (points, wait_us) = if self.decode.is_some() { NEXT_FIT } else { FIRST_FIT };
        if self.points.fresh < points || t_us - self.tried_us < wait_us {
            return false;
        }
        let waits = self.decode.as_ref().is_some_and(|decode| {
            self.of_whole_ring && self.points.fresh < MOST_POINTS && self.off <= CHANGED * usual_off(decode)
        });
        !waits
    }

    /// Watches the radius; true when this sample does not fit the calibration.
    fn is_odd(&mut self, t_us: i64, point: Option<[f64; 2]>) -> bool {
        let (Some([u, w]), Some(decode)) = (point, &self.decode) else { return false };
        let square = u * u + w * w;
        if SQUARE_RADIUS.contains(&square) {
            self.odd = (0, t_us);
            self.off += ((square - 1.0) * (square - 1.0) - self.off) / CHANGED_OVER;
            return false;
        }
        self.odd.0 += 1;
        if self.odd.0 >= LOST.0 && t_us - self.odd.1 >= LOST.1 {
            *self = Self { plane: Some(decode.plane), lost: true, tried_us: t_us, ..Self::new(self.axes) };
        }
        true
    }

    /// Tries a fit. The first one needs a whole turn and gives the path of its points.
    fn fit(&mut self) -> Option<f64> {
        let sound = self.points.sound();
        let decode = Decode::fit(&sound, self.axes, self.plane.as_ref())?;
        let Some(before) = self.decode else {
            let turned = decode.turned(&sound);
            if turned.abs() < TURN {
                return None;
            }
            (self.decode, self.plane, self.lost) = (Some(decode), Some(decode.plane), false);
            (self.last, self.fitted) = (None, true);
            return Some(turned);
        };
        // A worse fit is no progress: the magnet may be on the move, or a guest among the points.
        if decode.radius_sd <= (2.0 * before.radius_sd).max(0.02) {
            (self.decode, self.plane, self.fitted) = (Some(decode), Some(decode.plane), true);
            (self.of_whole_ring, self.off) = (self.points.is_full(), usual_off(&decode));
            // The angle goes on without a jump: the shift takes up what the new calibration moved it.
            if let Some((field, theta)) = self.last {
                let again = decode.angle(field);
                let moved = wrapped(again - theta);
                self.shift -= moved;
                self.turns += whole_turn(theta + moved, again);
                self.last = Some((field, again));
            }
        }
        None
    }

    fn unwrap(&mut self, field: [f64; 3], point: [f64; 2]) -> Phase {
        let theta = angle_of(point);
        let before = self.last.replace((field, theta)).map_or(theta, |(_, theta)| theta);
        let step = wrapped(theta - before);
        self.turns += whole_turn(before + step, theta);
        Phase { phi: self.unwrapped(theta), step, point }
    }

    fn unwrapped(&self, theta: f64) -> f64 {
        self.turns as f64 * TURN + theta + self.shift
    }

    /// Unwrapped angle of the last sample.
    fn phi(&self) -> Option<f64> {
        self.last.map(|(_, theta)| self.unwrapped(theta))
    }

    /// The field as people see it.
    pub(super) fn view(&self, points: usize) -> Option<FieldView> {
        let decode = self.decode.as_ref()?;
        let centred = |field| decode.centred(field);
        let Ellipse { gx, gy, sin_phi, cos_phi, .. } = decode.ellipse;
        Some(FieldView {
            points: self.points.latest(points).map(centred).collect(),
            along: gx,
            across: [gy * sin_phi, gy * cos_phi],
            now: self.last.map(|(field, _)| centred(field)),
        })
    }

    /// Standard deviation of the angle at a corrected point, for noise of `sigma` in each axis.
    pub(super) fn noise_at(&self, point: [f64; 2], sigma: f64) -> f64 {
        self.decode.as_ref().map_or(0.0, |decode| decode.ellipse.noise_at(point, sigma))
    }

    /// The same where the unwrapped angle is `phi`.
    pub(super) fn angle_noise(&self, phi: f64, sigma: f64) -> f64 {
        self.decode.as_ref().map_or(0.0, |decode| decode.ellipse.angle_noise(phi - self.shift, sigma))
    }
}

/// Turns to add when an angle that went on to `continuous` shows as `shown`.
fn whole_turn(continuous: f64, shown: f64) -> i64 {
    let off = continuous - shown;
    if off > TURN / 2.0 {
        1
    } else if off < -TURN / 2.0 {
        -1
    } else {
        0
    }
}

/// What the squared radius lies off one, squared, in the mean: the square lies twice as far from one as the radius.
fn usual_off(decode: &Decode) -> f64 {
    4.0 * decode.radius_sd * decode.radius_sd
}
