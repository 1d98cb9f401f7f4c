//! How the corrected radius scatters over some turns, and with what harmonics of the angle: a few products a sample.
//!
//! On the ellipse that was fitted the radius is 1. An offset left in it shows as the first harmonic, a wrong ratio of
//! amplitudes as the second, clipping in the fourth (`standards/measurement.md` 1.5, 2.2, 2.4); noise has no harmonic and
//! jumps from sample to sample; a strange field is what is left.
use super::decode::TURN;

/// Sums over a stretch of samples.
#[derive(Debug, Default)]
pub(super) struct Ripple {
    samples: u32,
    phi: [f64; 2],
    reach: [f64; 2],
    sum: f64,
    square: f64,
    /// Against cosine and sine of the angle, twice, and four times it.
    harmonics: [[f64; 2]; 3],
    last: f64,
    steps: f64,
}

impl Ripple {
    /// A sample at the corrected point, with the unwrapped angle `phi`.
    pub(super) fn add(&mut self, phi: f64, [u, w]: [f64; 2]) {
        let square = u * u + w * w;
        let radius = square.sqrt();
        let off = radius - 1.0;
        if self.samples == 0 {
            *self = Self { phi: [phi; 2], reach: [phi; 2], last: off, ..Self::default() };
        }
        self.samples += 1;
        self.phi[1] = phi;
        self.reach = [self.reach[0].min(phi), self.reach[1].max(phi)];
        self.sum += off;
        self.square += off * off;
        self.steps += (off - self.last) * (off - self.last);
        self.last = off;
        if square <= 0.0 {
            return;
        }
        let (by_radius, by_square) = (1.0 / radius, 1.0 / square);
        let one = [u * by_radius, w * by_radius];
        let twice = [(u * u - w * w) * by_square, 2.0 * u * w * by_square];
        let four = [twice[0] * twice[0] - twice[1] * twice[1], 2.0 * twice[0] * twice[1]];
        for (sums, [cos, sin]) in self.harmonics.iter_mut().zip([one, twice, four]) {
            sums[0] += off * cos;
            sums[1] += off * sin;
        }
    }

    /// The angle goes on from another origin: the stretch ends here.
    pub(super) fn cut(&mut self) {
        *self = Self::default();
    }

    pub(super) fn samples(&self) -> u32 {
        self.samples
    }

    /// Angle turned since the first sample, in rad.
    pub(super) fn turned(&self) -> f64 {
        (self.phi[1] - self.phi[0]).abs()
    }

    /// It moved to and fro by little, rather than on: an axle that is reversed goes further.
    pub(super) fn rocks(&self) -> bool {
        let reach = self.reach[1] - self.reach[0];
        reach < TURN / 2.0 && reach > 3.0 * self.turned()
    }

    fn variance(&self) -> f64 {
        let n = f64::from(self.samples.max(1));
        (self.square / n - (self.sum / n) * (self.sum / n)).max(0.0)
    }

    /// Standard deviation of the radius.
    pub(super) fn scatter(&self) -> f64 {
        self.variance().sqrt()
    }

    /// First harmonic: where the centre lies against the fitted one, in parts of the amplitude of each axis.
    pub(super) fn first(&self) -> [f64; 2] {
        let n = f64::from(self.samples.max(1));
        self.harmonics[0].map(|sum| 2.0 * sum / n)
    }

    /// What is left of the scatter without the first and second harmonic, which a new fit would take away.
    pub(super) fn rest(&self) -> f64 {
        let n = f64::from(self.samples.max(1));
        let of_harmonics =
            self.harmonics[..2].iter().flatten().map(|sum| 2.0 * (sum / n) * (sum / n)).sum::<f64>();
        (self.variance() - of_harmonics).max(0.0).sqrt()
    }

    /// Amplitude of the fourth harmonic.
    pub(super) fn fourth(&self) -> f64 {
        let n = f64::from(self.samples.max(1));
        2.0 * libm::hypot(self.harmonics[2][0], self.harmonics[2][1]) / n
    }

    /// Standard deviation of what jumps from sample to sample, as noise does.
    pub(super) fn white(&self) -> f64 {
        let n = f64::from(self.samples.max(2)) - 1.0;
        (self.steps / (2.0 * n)).sqrt()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(point: impl Fn(f64) -> [f64; 2]) -> Ripple {
        let mut ripple = Ripple::default();
        for nth in 0..4000 {
            let phi = 0.05 * f64::from(nth);
            ripple.add(phi, point(phi));
        }
        ripple
    }

    #[test]
    fn an_offset_is_the_first_harmonic() {
        let ripple = of(|phi| [libm::cos(phi) + 0.03, libm::sin(phi) - 0.04]);
        let [x, y] = ripple.first();
        assert!((x - 0.03).abs() < 2e-3 && (y + 0.04).abs() < 2e-3, "{x} {y}");
        // 0.05 as amplitude is 0.0354 as standard deviation; hardly anything else is in it.
        assert!((ripple.scatter() - 0.0354).abs() < 1e-3 && ripple.rest() < 3e-3, "{ripple:?}");
        assert!(!ripple.rocks() && (ripple.turned() - 199.95).abs() < 1e-9);
    }

    /// `standards/measurement.md` 2.4: fourth harmonic of the radius by clipping, 0.00232 at 0.99 and 0.02263 at 0.95. With
    /// deeper clipping the angle, against which it is taken, is bent too.
    #[test]
    fn clipping_shows_in_the_fourth_harmonic_as_published() {
        for (ends, published) in [(0.99, 0.002_32), (0.95, 0.022_63)] {
            let ripple = of(|phi| [libm::cos(phi).clamp(-ends, ends), libm::sin(phi).clamp(-ends, ends)]);
            let found = ripple.fourth();
            assert!((found - published).abs() < 0.02 * published, "{ends}: {found}");
        }
    }

    #[test]
    fn an_axle_that_is_reversed_does_not_rock() {
        let there_and_back = |nth: u32| 0.05 * f64::from(nth.min(400 - nth.min(400)));
        let gone = |turned: &dyn Fn(u32) -> f64| {
            let mut ripple = Ripple::default();
            (0..395).for_each(|nth| ripple.add(turned(nth), [1.0, 0.0]));
            ripple.rocks()
        };
        assert!(!gone(&there_and_back));
        // Twenty times to and fro, and back where it began.
        assert!(gone(&|nth| 0.2 * libm::sin(20.0 * TURN * f64::from(nth) / 394.0)));
    }

    #[test]
    fn a_strange_field_is_what_is_left() {
        let ripple = of(|phi| [libm::cos(phi) + 0.1 * libm::cos(3.7 * phi), libm::sin(phi)]);
        assert!(ripple.rest() > 0.04 && ripple.white() < 0.3 * ripple.rest(), "{ripple:?}");
    }
}
