//! The one place that asks clocks.
//!
//! Bench time is wall time since the run began times the time-lapse factor; the factor is 1 on a real bench. Waits of
//! the process are bench time; limits on links keep a wall floor, because sockets do not get faster with the clock.
use crate::config::{BenchSpec, LinkSpec};
use crate::time::BenchTime;
use std::net::SocketAddr;
use std::path::Path;
use std::time::{Duration, Instant, SystemTime};

/// Longest silence of the process, in wall time, that is not yet a gap.
const GAP: Duration = Duration::from_secs(2);

/// Interval at which a run looks whether time is missing, in wall time.
pub const HEARTBEAT: Duration = Duration::from_millis(250);

/// No limit on a link is shorter than this, in wall time, whatever the time-lapse.
pub const LINK_FLOOR: Duration = Duration::from_millis(250);

/// How much faster than wall time bench time passes: 1 on a real bench.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TimeLapse(f64);

/// Why a time-lapse is not taken.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum LapseError {
    /// Out of range.
    #[error("time-lapse must lie between 1 and {max}; {0} came", max = TimeLapse::MAX)]
    Range(f64),
    /// A link leaves this computer.
    #[error(
        "time-lapse is for simulated benches only: {0} is neither a loopback address nor a pseudo-terminal of this computer"
    )]
    LeavesComputer(String),
}

impl TimeLapse {
    /// Wall time.
    pub const NONE: Self = Self(1.0);
    /// The greatest factor taken: above it, the wall floor of link limits hides every fault.
    pub const MAX: f64 = 1000.0;

    /// A factor between 1 and [`Self::MAX`].
    ///
    /// # Errors
    /// When the factor lies outside.
    pub fn new(factor: f64) -> Result<Self, LapseError> {
        if (1.0..=Self::MAX).contains(&factor) { Ok(Self(factor)) } else { Err(LapseError::Range(factor)) }
    }

    /// The factor.
    #[must_use]
    pub const fn factor(self) -> f64 {
        self.0
    }

    /// Whether bench time passes faster than wall time.
    #[must_use]
    pub fn is_on(self) -> bool {
        self.0 > 1.0
    }

    /// Refuses the time-lapse where a link may leave this computer: a real engine does not run faster.
    ///
    /// # Errors
    /// Names the first link that may.
    pub fn check(self, spec: &BenchSpec) -> Result<(), LapseError> {
        if !self.is_on() {
            return Ok(());
        }
        match [&spec.station.link, &spec.sensor.link].into_iter().find(|link| !stays_here(link)) {
            Some(link) => Err(LapseError::LeavesComputer(link.to_string())),
            None => Ok(()),
        }
    }

    /// The bench with its link limits stretched to the wall floor. The same bench where the factor is 1.
    #[must_use]
    pub fn stretch(self, mut spec: BenchSpec) -> BenchSpec {
        if self.is_on() {
            let floor = self.bench_span(LINK_FLOOR);
            for limit in [
                &mut spec.station.answer_limit,
                &mut spec.station.cv_answer_limit,
                &mut spec.limits.sensor_silence,
                &mut spec.limits.station_silence,
                &mut spec.limits.no_motion,
                &mut spec.limits.standstill,
            ] {
                *limit = floor.max(*limit);
            }
        }
        spec
    }

    /// Bench time that passes in this wall time.
    #[must_use]
    pub fn bench_span(self, wall: Duration) -> Duration {
        wall.mul_f64(self.0)
    }

    /// Wall time that passes in this bench time.
    #[must_use]
    pub fn wall_span(self, bench: Duration) -> Duration {
        bench.div_f64(self.0)
    }
}

/// Whether what is at the other end can only be a program on this computer.
pub(super) fn stays_here(link: &LinkSpec) -> bool {
    match link {
        LinkSpec::Tcp { address } => is_loopback(address),
        LinkSpec::Serial { device, .. } => is_pseudo_terminal(device),
    }
}

/// A pseudo-terminal has a program at its other end and no wire. Every other serial port leads out of the computer, and
/// nobody can see from here whether what hangs on it is a real engine.
fn is_pseudo_terminal(device: &str) -> bool {
    Path::new(device).canonicalize().is_ok_and(|real| real.starts_with("/dev/pts"))
}

/// Literal loopback addresses and the name that by RFC 6761 never means anything else.
fn is_loopback(address: &str) -> bool {
    match address.parse::<SocketAddr>() {
        Ok(socket) => socket.ip().is_loopback(),
        Err(_) => address.rsplit_once(':').is_some_and(|(host, _)| host.eq_ignore_ascii_case("localhost")),
    }
}

/// The clock of one run.
#[derive(Clone, Copy, Debug)]
pub struct Clock {
    start: Instant,
    /// Bench time at the start.
    at: BenchTime,
    lapse: TimeLapse,
}

impl Clock {
    /// A clock that begins now at bench time zero.
    #[must_use]
    pub fn start(lapse: TimeLapse) -> Self {
        Self::start_at(BenchTime::ZERO, lapse)
    }

    /// A clock that begins now at this bench time.
    #[must_use]
    pub fn start_at(at: BenchTime, lapse: TimeLapse) -> Self {
        Self { start: instant(), at, lapse }
    }

    /// Wall time, since the start, of this bench time; zero where it was before.
    #[must_use]
    pub fn wall_of(&self, at: BenchTime) -> Duration {
        self.lapse.wall_span(at.since(self.at))
    }

    /// The factor.
    #[must_use]
    pub const fn lapse(&self) -> TimeLapse {
        self.lapse
    }

    /// Bench time now. Never goes back.
    #[must_use]
    pub fn now(&self) -> BenchTime {
        self.at + self.lapse.bench_span(self.wall())
    }

    /// Wall time since the start.
    #[must_use]
    pub fn wall(&self) -> Duration {
        instant().saturating_duration_since(self.start)
    }

    /// Waits until this bench time; at once where it has passed.
    pub async fn sleep_until(&self, at: BenchTime) {
        pause(self.wall_of(at).saturating_sub(self.wall())).await;
    }

    /// Waits until this bench time; for ever where there is none.
    pub async fn sleep_until_any(&self, at: Option<BenchTime>) {
        match at {
            Some(at) => self.sleep_until(at).await,
            None => std::future::pending().await,
        }
    }
}

/// Waits this wall time.
#[expect(clippy::disallowed_methods, reason = "the one place that waits")]
pub async fn pause(wall: Duration) {
    tokio::time::sleep(wall).await;
}

/// A monotonic instant, for wall time that only concerns the shell.
#[expect(clippy::disallowed_methods, reason = "the one place that asks the monotonic clock")]
#[must_use]
pub fn instant() -> Instant {
    Instant::now()
}

/// The time of day, for annotation only.
#[expect(clippy::disallowed_methods, reason = "the one place that asks the time of day")]
#[must_use]
pub fn time_of_day() -> SystemTime {
    SystemTime::now()
}

/// Time since the computer was started, sleep included, where the system tells it: the monotonic clock stands still
/// while a computer sleeps, so that alone would not notice.
#[must_use]
pub fn since_boot() -> Option<Duration> {
    let text = std::fs::read_to_string("/proc/uptime").ok()?;
    let seconds: f64 = text.split_ascii_whitespace().next()?.parse().ok()?;
    Duration::try_from_secs_f64(seconds).ok()
}

/// Notices that the process did not run: suspended, starved, or the computer slept.
#[derive(Clone, Copy, Debug, Default)]
pub struct GapWatch {
    wall: Duration,
    boot: Option<Duration>,
}

impl GapWatch {
    /// The process runs, at this wall time since the start; `boot` where it was asked. Returns the wall time that is
    /// missing beyond a heartbeat.
    pub fn beat(&mut self, wall: Duration, boot: Option<Duration>) -> Option<Duration> {
        let awake = wall.saturating_sub(self.wall);
        let slept = match (boot, self.boot) {
            (Some(now), Some(before)) => now.saturating_sub(before),
            _ => Duration::ZERO,
        };
        self.wall = wall;
        self.boot = boot.or(self.boot);
        let missing = awake.max(slept);
        (missing > GAP).then(|| missing.saturating_sub(HEARTBEAT))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const fn ms(millis: u64) -> Duration {
        Duration::from_millis(millis)
    }

    #[test]
    fn a_factor_outside_its_range_is_refused() {
        for wrong in [0.0, 0.5, -3.0, 1000.1, f64::NAN, f64::INFINITY] {
            assert!(TimeLapse::new(wrong).is_err(), "{wrong}");
        }
        assert!(!TimeLapse::new(1.0).unwrap().is_on());
        assert!(TimeLapse::new(60.0).unwrap().is_on());
    }

    #[test]
    fn only_loopback_addresses_are_loopback() {
        for yes in ["127.0.0.1:4303", "127.8.0.1:1", "[::1]:4303", "localhost:4303", "LocalHost:9"] {
            assert!(is_loopback(yes), "{yes}");
        }
        for no in ["192.168.1.4:4303", "station:4303", "0.0.0.0:4303", "localhost.example:1", "localhost", ""]
        {
            assert!(!is_loopback(no), "{no}");
        }
    }

    #[tokio::test]
    async fn of_serial_ports_only_a_pseudo_terminal_stays_here() {
        let serial = |device: &Path| LinkSpec::Serial { device: device.display().to_string(), baud: 115_200 };
        let (_far, near) = tokio_serial::SerialStream::pair().unwrap();
        let real = tokio_serial::SerialPort::name(&near).unwrap();
        let folder = tempfile::tempdir().unwrap();
        let named = folder.path().join("harbour-probe");
        std::os::unix::fs::symlink(&real, &named).unwrap();
        assert!(stays_here(&serial(&named)) && stays_here(&serial(Path::new(&real))));
        for no in ["/dev/ttyUSB0", "/dev/null", "/dev/pts/../null", "/dev/pts/no-such", ""] {
            assert!(!stays_here(&serial(Path::new(no))), "{no}");
        }
        let bench = include_str!("../../scenarios/lapwing.toml");
        let mut spec = crate::config::read("bench.toml", bench).unwrap();
        spec.sensor.link = serial(&named);
        let lapse = TimeLapse::new(60.0).unwrap();
        assert_eq!(lapse.check(&spec), Ok(()));
        spec.sensor.link = serial(Path::new("/dev/ttyUSB0"));
        let refused = lapse.check(&spec).unwrap_err().to_string();
        assert!(refused.contains("/dev/ttyUSB0 at 115200 baud is neither"), "{refused}");
        assert_eq!(TimeLapse::NONE.check(&spec), Ok(()));
    }

    #[test]
    fn spans_convert_both_ways() {
        let lapse = TimeLapse::new(60.0).unwrap();
        assert_eq!(lapse.bench_span(ms(250)), Duration::from_secs(15));
        assert_eq!(lapse.wall_span(Duration::from_secs(15)), ms(250));
    }

    #[test]
    fn a_gap_is_more_than_two_seconds_of_either_clock() {
        let mut watch = GapWatch::default();
        assert_eq!(watch.beat(ms(250), Some(ms(90_000))), None);
        assert_eq!(watch.beat(ms(2_200), Some(ms(91_950))), None);
        assert_eq!(watch.beat(ms(4_300), None), Some(ms(1_850)), "the process stood still");
        assert_eq!(
            watch.beat(ms(4_550), Some(ms(94_300))),
            Some(ms(2_100)),
            "seen against the last time it was asked"
        );
        assert_eq!(watch.beat(ms(4_800), Some(ms(3_694_300))), Some(ms(3_599_750)), "the computer slept");
        assert_eq!(watch.beat(ms(5_050), Some(ms(3_694_550))), None);
    }

    #[tokio::test]
    async fn a_scaled_clock_waits_a_scaled_time() {
        let clock = Clock::start(TimeLapse::new(100.0).unwrap());
        clock.sleep_until(BenchTime::from_millis(5_000)).await;
        assert!(clock.wall() >= ms(50));
        assert!(clock.now() >= BenchTime::from_millis(5_000));
        clock.sleep_until(BenchTime::from_millis(100)).await;
    }
}
