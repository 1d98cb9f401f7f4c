//! Opening a connection, whatever carries it, and words for why there is none or why it ended: each begins with its cause
//! where the catalogue has one.
use super::serial;
use crate::bench::clock::pause;
use crate::cause::link::{CONNECTION_REFUSED, NAME_UNKNOWN, NOT_REACHED, SERIAL_IN_USE, SERIAL_UNPLUGGED};
use crate::cause::told;
use crate::config::LinkSpec;
use std::io;
use std::net::SocketAddr;
use std::pin::pin;
use std::sync::Arc;
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::{TcpStream, lookup_host};
use tokio::sync::{Mutex, OwnedMutexGuard};

/// What carries bytes both ways. Shutting it down says "nothing more comes" where the carrier can say it.
pub(super) trait Carrier: AsyncRead + AsyncWrite + Send + Unpin {}
impl<T: AsyncRead + AsyncWrite + Send + Unpin> Carrier for T {}

/// Who may have the port of a link open. A serial port carries one at a time, also while the one before is still closing;
/// in a network nobody waits for it.
pub(super) type Turns = Arc<Mutex<()>>;

/// The turn of one who has it.
pub(super) type Turn = OwnedMutexGuard<()>;

/// A connection, or why there is none within `limit`. `turn`: the one that was free when the connection was asked for.
pub(super) async fn connect(
    link: &LinkSpec,
    limit: Duration,
    turns: &Turns,
    turn: Option<Turn>,
) -> Result<Box<dyn Carrier>, String> {
    match link {
        LinkSpec::Tcp { address } => Ok(Box::new(over_network(address, limit).await?)),
        LinkSpec::Serial { device, baud } => {
            let mut deadline = pin!(pause(limit));
            let turn = if let Some(turn) = turn {
                turn
            } else {
                tokio::select! {
                    turn = Arc::clone(turns).lock_owned() => turn,
                    () = &mut deadline => {
                        return Err(told(&SERIAL_IN_USE, &format!("{device}: by another session of this program")));
                    }
                }
            };
            Ok(Box::new(serial::open(device, *baud, turn, deadline).await?))
        }
    }
}

/// A network connection with no delay between small writes. Its name is looked up anew at each attempt: a device that was
/// switched off may come back under another number.
async fn over_network(address: &str, limit: Duration) -> Result<TcpStream, String> {
    let mut deadline = pin!(pause(limit));
    let late = format!("no answer within {:.1} s", limit.as_secs_f64());
    let found: Vec<SocketAddr> = tokio::select! {
        found = lookup_host(address) => match found {
            Ok(found) => found.collect(),
            Err(error) => return Err(told(&NAME_UNKNOWN, &format!("{address}: {error}"))),
        },
        () = &mut deadline => return Err(told(&NAME_UNKNOWN, &format!("{address}: {late} of who that is"))),
    };
    let named = named(address, &found);
    let attempt = async {
        let stream = TcpStream::connect(&found[..]).await?;
        stream.set_nodelay(true)?;
        Ok(stream)
    };
    tokio::select! {
        done = attempt => done.map_err(|error| not_connected(&named, &error)),
        () = &mut deadline => Err(told(&NOT_REACHED, &format!("{named}: {late}"))),
    }
}

/// The address, with the numbers it stands for where it does not say them itself.
fn named(address: &str, found: &[SocketAddr]) -> String {
    if address.parse::<SocketAddr>().is_ok() || found.is_empty() {
        return address.to_owned();
    }
    let numbers: Vec<String> = found.iter().map(|found| found.ip().to_string()).collect();
    format!("{address} (which is {})", numbers.join(", "))
}

fn not_connected(named: &str, error: &io::Error) -> String {
    use io::ErrorKind as Kind;
    let words = format!("{named}: {error}");
    match error.kind() {
        Kind::ConnectionRefused => told(&CONNECTION_REFUSED, &words),
        Kind::HostUnreachable | Kind::NetworkUnreachable | Kind::NetworkDown | Kind::TimedOut => {
            told(&NOT_REACHED, &words)
        }
        _ => words,
    }
}

/// Words for the end of an open connection with `peer`; no error: it was ended from there. A serial port has no such end,
/// and when its device goes away, reading gives nothing for ever or an I/O error.
pub(super) fn ended(link: &LinkSpec, peer: &str, error: Option<&io::Error>) -> String {
    match (link, error) {
        (LinkSpec::Tcp { .. }, None) => format!("closed by the {peer}"),
        (LinkSpec::Tcp { .. }, Some(error)) => error.to_string(),
        (LinkSpec::Serial { device, .. }, None) => told(&SERIAL_UNPLUGGED, &format!("{device}: hung up")),
        (LinkSpec::Serial { device, .. }, Some(error)) => {
            told(&SERIAL_UNPLUGGED, &format!("{device}: {error}"))
        }
    }
}
