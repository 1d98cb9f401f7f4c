//! Tells a service manager how it stands, by the notification protocol of systemd (its manual page `sd_notify`): a datagram of `NAME=value` lines to
//! the socket that the environment names. Without one nothing is told. Nothing here ever waits: what cannot be sent is lost.
use std::os::unix::net::{SocketAddr, UnixDatagram};
use std::time::Duration;

/// Where the manager listens.
const SOCKET: &str = "NOTIFY_SOCKET";
/// Between two signs of life, wall time: well below any watchdog that makes sense here.
const EVERY: Duration = Duration::from_secs(1);

/// What the manager lets a process be silent for, microseconds.
const ALLOWED: &str = "WATCHDOG_USEC";
/// Between two runs, and while the end of one is told, no loop lives: then it may be silent for so long, microseconds.
const BETWEEN_US: u64 = 600_000_000;

/// A way to the manager.
#[derive(Debug)]
pub(crate) struct Notify {
    to: Option<(UnixDatagram, SocketAddr)>,
    /// While a run goes on.
    allowed_us: Option<u64>,
    last: Option<Duration>,
}

impl Notify {
    /// To the manager that started this process, if one did.
    pub(crate) fn from_environment() -> Self {
        let allowed_us = std::env::var(ALLOWED).ok().and_then(|text| text.parse().ok());
        Self { to: std::env::var(SOCKET).ok().and_then(|name| open(&name)), allowed_us, last: None }
    }

    /// A run goes on from here: the loop that moves it is watched.
    pub(crate) fn ready(&self) {
        let watched = self.allowed_us.map_or_else(String::new, |us| format!("\nWATCHDOG_USEC={us}"));
        self.tell(&format!("READY=1\nWATCHDOG=1{watched}"));
    }

    /// The loop that moves the run lives. `wall`: time since the run began.
    pub(crate) fn beat(&mut self, wall: Duration) {
        if self.last.is_none_or(|last| wall >= last + EVERY) {
            self.last = Some(wall);
            self.tell("WATCHDOG=1");
        }
    }

    /// The run is over.
    pub(crate) fn over(&self) {
        if self.allowed_us.is_some() {
            self.tell(&format!("WATCHDOG=1\nWATCHDOG_USEC={BETWEEN_US}"));
        }
    }

    fn tell(&self, lines: &str) {
        if let Some((socket, to)) = &self.to {
            // A manager that does not listen any more needs no news.
            let _ = socket.send_to_addr(lines.as_bytes(), to);
        }
    }
}

/// A name that begins with @ is an abstract one.
fn open(name: &str) -> Option<(UnixDatagram, SocketAddr)> {
    #[cfg(target_os = "linux")]
    let to = match name.strip_prefix('@') {
        Some(name) => {
            use std::os::linux::net::SocketAddrExt;
            SocketAddr::from_abstract_name(name).ok()?
        }
        None => SocketAddr::from_pathname(name).ok()?,
    };
    #[cfg(not(target_os = "linux"))]
    let to = SocketAddr::from_pathname(name).ok()?;
    let socket = UnixDatagram::unbound().ok()?;
    socket.set_nonblocking(true).ok()?;
    Some((socket, to))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_manager_hears_of_begin_life_and_end_and_of_life_once_a_second() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("notify");
        let manager = UnixDatagram::bind(&path).unwrap();
        manager.set_nonblocking(true).unwrap();
        let mut notify = Notify { to: open(path.to_str().unwrap()), allowed_us: Some(20), last: None };
        notify.ready();
        for quarter in 0..9 {
            notify.beat(Duration::from_millis(250 * quarter));
        }
        notify.over();
        let mut heard = Vec::new();
        let mut bytes = [0; 100];
        while let Ok(count) = manager.recv(&mut bytes) {
            heard.push(String::from_utf8_lossy(&bytes[..count]).into_owned());
        }
        assert_eq!(
            heard,
            [
                "READY=1\nWATCHDOG=1\nWATCHDOG_USEC=20",
                "WATCHDOG=1",
                "WATCHDOG=1",
                "WATCHDOG=1",
                "WATCHDOG=1\nWATCHDOG_USEC=600000000"
            ]
        );
        drop((manager, folder));
        notify.beat(Duration::from_secs(60));
    }

    #[test]
    #[cfg(target_os = "linux")]
    fn an_abstract_name_is_one() {
        use std::os::linux::net::SocketAddrExt;
        let name = format!("pacewright-{}", std::process::id());
        let manager = UnixDatagram::bind_addr(&SocketAddr::from_abstract_name(&name).unwrap()).unwrap();
        let notify = Notify { to: open(&format!("@{name}")), allowed_us: None, last: None };
        notify.ready();
        let mut bytes = [0; 40];
        assert_eq!(manager.recv(&mut bytes).unwrap(), "READY=1\nWATCHDOG=1".len());
    }
}
