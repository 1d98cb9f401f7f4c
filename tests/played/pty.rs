//! A serial port for whole-program tests: a pseudo-terminal, reached by a name in a folder of the test, with a TCP port of a
//! simulated bench at its far end. A connection there is made when the port is first opened after it was plugged in.
use nix::fcntl::OFlag;
use nix::pty::{grantpt, posix_openpt, ptsname_r, unlockpt};
use nix::sys::termios::{SetArg, cfmakeraw, tcgetattr, tcsetattr};
use std::fs::{self, File, OpenOptions};
use std::io::{ErrorKind, Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::os::fd::AsFd;
use std::os::unix::fs::{OpenOptionsExt, symlink};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::JoinHandle;
use std::time::Duration;

/// Time until a port that has nothing, or takes nothing, is looked at again.
const AGAIN: Duration = Duration::from_millis(1);

/// Looks at one that takes nothing before it is given up.
const WAITS: u32 = 500;

/// What a device does when its port is opened.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(crate) enum Device {
    /// It goes on where it was, as long as it is plugged in.
    GoesOn,
    /// It starts anew each time, as many a sensor board does when its control lines rise.
    StartsAnew,
}

/// A serial port that can be unplugged and plugged in again.
pub(crate) struct SerialPlug {
    folder: tempfile::TempDir,
    address: SocketAddr,
    device: Device,
    plugged: Option<Plugged>,
}

/// What carries bytes while it is plugged in.
struct Plugged {
    pulled: Arc<AtomicBool>,
    carrier: Option<JoinHandle<()>>,
}

impl SerialPlug {
    /// A port with the device at `address` on it, plugged in.
    pub(crate) fn plugged(address: SocketAddr, device: Device) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let mut plug = Self { folder, address, device, plugged: None };
        plug.plug();
        plug
    }

    /// The name of the port: the same each time it is plugged in.
    pub(crate) fn name(&self) -> PathBuf {
        self.folder.path().join("harbour-port")
    }

    /// Plugs it in.
    pub(crate) fn plug(&mut self) {
        self.unplug();
        let (far, near) = pseudo_terminal();
        let name = self.name();
        let _ = fs::remove_file(&name);
        symlink(near, name).unwrap();
        let pulled = Arc::new(AtomicBool::new(false));
        let carrying = Carrying { far, peer: None, address: self.address, device: self.device };
        let told = Arc::clone(&pulled);
        let carrier = std::thread::spawn(move || carrying.carry(&told));
        self.plugged = Some(Plugged { pulled, carrier: Some(carrier) });
    }

    /// Pulls the plug: whoever has the port open is cut off, and the name leads nowhere.
    pub(crate) fn unplug(&mut self) {
        self.plugged = None;
    }
}

impl Drop for Plugged {
    fn drop(&mut self) {
        self.pulled.store(true, Ordering::SeqCst);
        if let Some(carrier) = self.carrier.take() {
            carrier.join().unwrap();
        }
    }
}

/// The far end of a new pseudo-terminal that changes no byte, and the path of its near end.
fn pseudo_terminal() -> (File, PathBuf) {
    let far = posix_openpt(OFlag::O_RDWR | OFlag::O_NOCTTY | OFlag::O_NONBLOCK).unwrap();
    grantpt(&far).unwrap();
    unlockpt(&far).unwrap();
    let mut settings = tcgetattr(&far).unwrap();
    cfmakeraw(&mut settings);
    tcsetattr(&far, SetArg::TCSANOW, &settings).unwrap();
    let near = PathBuf::from(ptsname_r(&far).unwrap());
    // Opened and closed once: from then on reading at the far end says whether anybody has it open.
    drop(OpenOptions::new().read(true).custom_flags(OFlag::O_NOCTTY.bits()).open(&near).unwrap());
    (File::from(far.as_fd().try_clone_to_owned().unwrap()), near)
}

struct Carrying {
    far: File,
    peer: Option<TcpStream>,
    address: SocketAddr,
    device: Device,
}

impl Carrying {
    fn carry(mut self, pulled: &AtomicBool) {
        let mut bytes = [0; 4096];
        while !pulled.load(Ordering::SeqCst) {
            let asked = match self.far.read(&mut bytes) {
                Err(error) if error.kind() == ErrorKind::WouldBlock => 0,
                // Nobody has it open.
                Ok(0) | Err(_) => {
                    if self.device == Device::StartsAnew {
                        self.peer = None;
                    }
                    wait();
                    continue;
                }
                Ok(count) => count,
            };
            if self.peer.is_none() {
                self.peer = Some(self.started());
            }
            let Some(peer) = &mut self.peer else { return };
            if asked > 0 {
                put(peer, &bytes[..asked], pulled);
            }
            match peer.read(&mut bytes) {
                Ok(count @ 1..) => put(&mut self.far, &bytes[..count], pulled),
                _ if asked == 0 => wait(),
                _ => {}
            }
        }
    }

    fn started(&self) -> TcpStream {
        let peer = TcpStream::connect(self.address).unwrap();
        peer.set_nodelay(true).unwrap();
        peer.set_nonblocking(true).unwrap();
        peer
    }
}

/// Writes all of it, unless the plug is pulled or the other side is gone. What is not taken for long is lost, as on a real
/// port.
fn put(to: &mut impl Write, mut bytes: &[u8], pulled: &AtomicBool) {
    let mut waits = 0;
    while !bytes.is_empty() && waits < WAITS && !pulled.load(Ordering::SeqCst) {
        match to.write(bytes) {
            Ok(written) => {
                bytes = &bytes[written..];
                waits = 0;
            }
            Err(error) if error.kind() == ErrorKind::WouldBlock => {
                waits += 1;
                wait();
            }
            Err(_) => return,
        }
    }
}

#[expect(clippy::disallowed_methods, reason = "a thread of a test that waits for another process")]
fn wait() {
    std::thread::sleep(AGAIN);
}

/// A path as a text of TOML.
pub(crate) fn quoted(path: &Path) -> String {
    format!("\"{}\"", path.display())
}
