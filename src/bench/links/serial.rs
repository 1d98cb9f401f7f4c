//! Serial ports: 8 data bits, no parity, 1 stop bit, no flow control. One program at a time has a port, and whatever is wrong
//! with it is said in words of the catalogue.
use super::connect::Turn;
use super::ports;
use crate::cause::link::{
    BAUD_REFUSED, NOT_SERIAL, SERIAL_FAILED, SERIAL_FORBIDDEN, SERIAL_IN_USE, SERIAL_MISSING,
};
use crate::cause::{Reason, heard, told};
use std::fs::{File, Metadata, OpenOptions, TryLockError, metadata};
use std::io::{self, IsTerminal};
use std::os::unix::fs::{FileTypeExt, OpenOptionsExt};
use std::path::{Path, PathBuf};
use std::pin::Pin;
use std::task::{Context, Poll};
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::runtime::Handle;
use tokio_serial::{
    DataBits, ErrorKind, FlowControl, Parity, SerialPort as _, SerialPortBuilder, SerialStream, StopBits,
};

/// Part by which the actual baud rate may differ from the wanted one. Beyond two percent on each side the last bit of a
/// byte is read at its edge (common practice, no source).
const BAUD_TOLERANCE: f64 = 0.02;

/// An open serial port and the turn that goes with it.
pub(super) struct SerialLink {
    stream: Option<SerialStream>,
    turn: Option<Turn>,
}

/// Opens a port, or says why not; the system has until `deadline`.
pub(super) async fn open(
    device: &str,
    baud: u32,
    turn: Turn,
    deadline: Pin<&mut impl Future<Output = ()>>,
) -> Result<SerialLink, String> {
    let name = device.to_owned();
    let opening = tokio::task::spawn_blocking(move || {
        let stream = open_now(&name, baud)?;
        Ok(SerialLink { stream: Some(stream), turn: Some(turn) })
    });
    tokio::select! {
        opened = opening => opened.unwrap_or_else(|error| Err(told(&SERIAL_FAILED, &format!("{device}: {error}")))),
        () = deadline => Err(told(&SERIAL_FAILED, &format!("{device}: it did not open in time"))),
    }
}

fn open_now(device: &str, baud: u32) -> Result<SerialStream, String> {
    let (real, first) = claim(device)?;
    let settings: SerialPortBuilder = tokio_serial::new(real.to_string_lossy(), baud)
        .data_bits(DataBits::Eight)
        .parity(Parity::None)
        .stop_bits(StopBits::One)
        .flow_control(FlowControl::None);
    // It takes the same lock itself and keeps it while the port is open, so ours must be off by now. Ours stays open until
    // then: a port that nobody has open lets its control lines fall, and many a board starts anew at each such fall.
    let opened = SerialStream::open(&settings);
    drop(first);
    let port = opened.map_err(|error| match error.kind {
        ErrorKind::NoDevice => told(&SERIAL_IN_USE, &ports::held(device, &real)),
        ErrorKind::InvalidInput => told(&BAUD_REFUSED, &format!("{device}: {baud} baud: {error}")),
        _ => told(&SERIAL_FAILED, &format!("{device} at {baud} baud: {error}")),
    })?;
    match port.baud_rate() {
        Ok(actual) if !fits(actual, baud) => Err(told(
            &BAUD_REFUSED,
            &format!("{device}: {baud} baud wanted, {actual} baud is what it runs at"),
        )),
        // One that does not say its rate is taken at its word.
        _ => Ok(port),
    }
}

fn fits(actual: u32, wanted: u32) -> bool {
    (f64::from(actual) - f64::from(wanted)).abs() <= f64::from(wanted) * BAUD_TOLERANCE
}

/// The real path of a device that is a serial port which nobody else has, and the device open.
///
/// Exclusive access that the system grants (`TIOCEXCL`) is passed over by the superuser, so an advisory lock stands beside it,
/// and a program that takes neither is found by what it has open.
fn claim(device: &str) -> Result<(PathBuf, File), String> {
    let path = Path::new(device);
    let (real, about, file) = first_look(path)?;
    let in_use = || told(&SERIAL_IN_USE, &ports::held(device, &real));
    match file.try_lock() {
        Err(TryLockError::WouldBlock) => return Err(in_use()),
        Err(TryLockError::Error(error)) => return Err(unopened(path, &error, Some(&about))),
        Ok(()) => file.unlock().map_err(|error| unopened(path, &error, Some(&about)))?,
    }
    if ports::holder(&real).is_some() {
        return Err(in_use());
    }
    Ok((real, file))
}

/// Why this device is no serial port, or is not there; nothing where it is one, whoever may use it.
pub(in crate::bench) fn no_port(device: &str) -> Option<Reason> {
    let why = first_look(Path::new(device)).err()?;
    let (cause, words) = heard(&why, &SERIAL_FAILED);
    [&SERIAL_MISSING, &NOT_SERIAL].contains(&cause).then(|| Reason::new(cause, words))
}

/// The real path of a device that is a serial port, what the system says of it, and the device open.
fn first_look(path: &Path) -> Result<(PathBuf, Metadata, File), String> {
    let real = path.canonicalize().map_err(|error| unopened(path, &error, None))?;
    let about = metadata(&real).map_err(|error| unopened(path, &error, None))?;
    if !about.file_type().is_char_device() || ports::is_screen(&real) {
        return Err(not_serial(path, &about));
    }
    let mut options = OpenOptions::new();
    options.read(true).write(true).custom_flags(libc::O_NOCTTY | libc::O_NONBLOCK);
    let file = options.open(&real).map_err(|error| unopened(path, &error, Some(&about)))?;
    if !file.is_terminal() {
        return Err(not_serial(path, &about));
    }
    Ok((real, about, file))
}

/// Words for a device that the system does not open.
fn unopened(path: &Path, error: &io::Error, about: Option<&Metadata>) -> String {
    let shown = path.display();
    match (error.raw_os_error(), about) {
        (Some(libc::EBUSY), _) => told(&SERIAL_IN_USE, &ports::held(&shown.to_string(), path)),
        // A name without its device: unplugged a moment ago, or never there.
        (Some(libc::ENOENT | libc::ENOTDIR | libc::ENXIO | libc::ENODEV | libc::EIO), _) => {
            told(&SERIAL_MISSING, &format!("{shown}: {error}; {}", ports::there(path)))
        }
        (Some(libc::EACCES | libc::EPERM), Some(about)) => {
            told(&SERIAL_FORBIDDEN, &format!("{shown}: {error}; {}", ports::way_in(about)))
        }
        (Some(libc::EACCES | libc::EPERM), None) => told(
            &SERIAL_FORBIDDEN,
            &format!(
                "{shown}: {error}; a folder on the way to it is closed to this user: give the device's own name"
            ),
        ),
        _ => told(&SERIAL_FAILED, &format!("{shown}: {error}")),
    }
}

fn not_serial(path: &Path, about: &Metadata) -> String {
    let kind = about.file_type();
    let what = if kind.is_dir() {
        "a folder"
    } else if kind.is_file() {
        "a file"
    } else if kind.is_char_device() {
        "a device, but no serial port"
    } else {
        "no device"
    };
    told(&NOT_SERIAL, &format!("{}: it is {what}; {}", path.display(), ports::there(path)))
}

impl SerialLink {
    fn stream(&mut self) -> io::Result<Pin<&mut SerialStream>> {
        let stream = self.stream.as_mut().ok_or(io::ErrorKind::NotConnected)?;
        Ok(Pin::new(stream))
    }
}

impl AsyncRead for SerialLink {
    fn poll_read(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        into: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        self.stream()?.poll_read(cx, into)
    }
}

impl AsyncWrite for SerialLink {
    fn poll_write(mut self: Pin<&mut Self>, cx: &mut Context<'_>, bytes: &[u8]) -> Poll<io::Result<usize>> {
        self.stream()?.poll_write(cx, bytes)
    }

    /// The system's own flush keeps a thread until the last bit is out; closing sees to that, on a thread of its own.
    fn poll_flush(self: Pin<&mut Self>, _: &mut Context<'_>) -> Poll<io::Result<()>> {
        Poll::Ready(Ok(()))
    }

    fn poll_shutdown(self: Pin<&mut Self>, _: &mut Context<'_>) -> Poll<io::Result<()>> {
        Poll::Ready(Ok(()))
    }
}

impl Drop for SerialLink {
    /// Closing waits until what was written is out, which a hung adapter can draw out: not on a thread that others need.
    fn drop(&mut self) {
        let (stream, turn) = (self.stream.take(), self.turn.take());
        let close = move || {
            drop(stream);
            drop(turn);
        };
        match Handle::try_current() {
            Ok(runtime) => drop(runtime.spawn_blocking(close)),
            Err(_) => close(),
        }
    }
}

#[cfg(test)]
mod tests;
