//! The options of the page, and its addresses as text and as a picture that a telephone reads.
use super::{out, runs};
use crate::bench::start::NotBegun;
use crate::cause::{Reason, program};
use crate::watch::{Page, Tokens};
use clap::Args;
use nix::ifaddrs::getifaddrs;
use nix::sys::socket::SockaddrIn6;
use qrcode::QrCode;
use qrcode::render::unicode::Dense1x2;
use std::fmt::Write;
use std::io;
use std::net::{IpAddr, Ipv4Addr, SocketAddr};

/// The usual port; another one is taken where it is in use and none was asked for.
const PORT: u16 = 8750;

/// The file of the tokens in the state folder.
const TOKENS: &str = "page-tokens.json";

/// Where the run can be watched.
#[derive(Clone, Debug, Default, Args)]
pub(crate) struct PageArgs {
    /// Serve a page for a browser of this computer, on which the run can be watched and stopped
    #[arg(long)]
    pub(crate) watch: bool,
    /// Serve it at this address of this computer instead, for telephones in the same network: 192.0.2.7, 192.0.2.7:8750,
    /// or 0.0.0.0 for every address it has
    #[arg(long, value_name = "ADDRESS", value_parser = listen_at)]
    pub(crate) listen: Option<SocketAddr>,
    /// Make new secrets for the page's addresses; the ones given out before open nothing any more
    #[arg(long)]
    pub(crate) new_addresses: bool,
}

fn listen_at(text: &str) -> Result<SocketAddr, String> {
    let alone = text.parse::<IpAddr>().map(|address| SocketAddr::new(address, PORT));
    alone.or_else(|_| text.parse()).map_err(|_| {
        "expected an address of this computer as a number, with or without a port: 192.0.2.7 or 192.0.2.7:8750"
            .to_owned()
    })
}

fn not_open(words: String) -> NotBegun {
    NotBegun::Other(Reason::new(&program::PAGE_NOT_SERVED, words))
}

/// Opens the page where one is wanted, and says where it is.
pub(crate) fn open(args: &PageArgs) -> Result<Option<Page>, NotBegun> {
    if !args.watch && args.listen.is_none() && !args.new_addresses {
        return Ok(None);
    }
    let file = runs::state_folder().join(TOKENS);
    if args.new_addresses
        && let Err(error) = std::fs::remove_file(&file)
        && error.kind() != io::ErrorKind::NotFound
    {
        return Err(not_open(format!("{}: {error}", file.display())));
    }
    let tokens = Tokens::kept(&file).map_err(|error| not_open(error.to_string()))?;
    let page = match args.listen {
        Some(address) => Page::open(address, tokens.clone())
            .map_err(|error| not_open(format!("listening at {address}: {error}")))?,
        None => here(&tokens).map_err(|error| not_open(format!("listening at 127.0.0.1: {error}")))?,
    };
    say(&page, &tokens);
    Ok(Some(page))
}

fn here(tokens: &Tokens) -> io::Result<Page> {
    let at = |port| SocketAddr::from((Ipv4Addr::LOCALHOST, port));
    Page::open(at(PORT), tokens.clone()).or_else(|_| Page::open(at(0), tokens.clone()))
}

/// Where others reach this computer: the address itself, or all it has where every one was asked for.
fn reached_at(address: SocketAddr) -> Vec<IpAddr> {
    if !address.ip().is_unspecified() {
        return vec![address.ip()];
    }
    let all = getifaddrs().into_iter().flatten().filter_map(|interface| {
        let socket = interface.address?;
        let four = socket.as_sockaddr_in().map(|at| IpAddr::V4(at.ip()));
        // A link-local address of version 6 needs the name of an interface, which no browser takes.
        let six = socket.as_sockaddr_in6().map(SockaddrIn6::ip).filter(|at| !at.is_unicast_link_local());
        four.or_else(|| six.filter(|_| address.is_ipv6()).map(IpAddr::V6))
    });
    let mut all: Vec<IpAddr> = all.collect();
    // Those that others reach come first.
    all.sort_by_key(IpAddr::is_loopback);
    all.dedup();
    all
}

fn say(page: &Page, tokens: &Tokens) {
    let address = page.address();
    let at = |ip: IpAddr, token: &str| format!("http://{}/{token}/", SocketAddr::new(ip, address.port()));
    let reached = reached_at(address);
    let list = |token: &str| reached.iter().map(|ip| at(*ip, token)).collect::<Vec<_>>().join("\n  ");
    let mut text = format!(
        "\nTo watch and to stop the run, open\n  {}\nTo watch it only\n  {}",
        list(&tokens.control),
        list(&tokens.view)
    );
    if let Some(first) = reached.first().filter(|first| !first.is_loopback()) {
        // Writing to a text cannot fail.
        let _ = write!(
            text,
            "\nWhoever has the first address can stop and pause the engine. What goes over the\n\
             network is not encrypted: serve the page in a network of your own only. The page\n\
             is no safeguard: keep a main switch in reach."
        );
        if let Some(picture) = picture(&at(*first, &tokens.control)).filter(|_| out::on_terminal()) {
            let _ = write!(text, "\n{picture}");
        }
    }
    out::say(&text);
}

/// The address as a QR code (ISO/IEC 18004), light on dark as terminals are.
fn picture(address: &str) -> Option<String> {
    let code = QrCode::new(address).ok()?;
    let drawn = code.render::<Dense1x2>().dark_color(Dense1x2::Light).light_color(Dense1x2::Dark).build();
    Some(drawn)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_address_may_stand_with_or_without_a_port() {
        assert_eq!(listen_at("192.0.2.7"), Ok(SocketAddr::from(([192, 0, 2, 7], PORT))));
        assert_eq!(listen_at("192.0.2.7:81"), Ok(SocketAddr::from(([192, 0, 2, 7], 81))));
        assert_eq!(listen_at("::1").map(|at| at.to_string()), Ok(format!("[::1]:{PORT}")));
        for wrong in ["", "bench", "bench:80", "192.0.2", "192.0.2.7:", "192.0.2.7:99999", ":80"] {
            assert!(listen_at(wrong).unwrap_err().starts_with("expected an address"), "{wrong}");
        }
    }

    #[test]
    fn every_address_of_this_computer_is_named_where_all_are_asked_for() {
        let all = reached_at(SocketAddr::from(([0, 0, 0, 0], PORT)));
        assert!(all.contains(&IpAddr::V4(Ipv4Addr::LOCALHOST)), "{all:?}");
        assert!(all.iter().all(IpAddr::is_ipv4));
        let one = SocketAddr::from(([192, 0, 2, 7], PORT));
        assert_eq!(reached_at(one), [one.ip()]);
    }

    #[test]
    fn an_address_fits_a_terminal_as_a_picture() {
        let address = format!("http://[2001:db8:1234:5678:9abc:def0:1234:5678]:65535/{}/", "f".repeat(32));
        let lines: Vec<usize> = picture(&address).unwrap().lines().map(|line| line.chars().count()).collect();
        assert!(lines.len() <= 30 && lines.iter().all(|wide| *wide <= 60), "{lines:?}");
    }
}
