//! What a stop needs from a bench file, however wrong the file is: where the station is, its bus, the engine's address.
//!
//! Read from the tree where the text is TOML, else line by line: an open quote or a heading that comes twice must not
//! keep an engine running. It knows the names of six keys and nothing else of the bench file.
use crate::config::{LinkSpec, USUAL_BAUD};
use crate::dcc::Address;

/// Highest long address (NMRA S-9.2.1).
const HIGHEST_ADDRESS: i64 = 10_239;

/// Where to stop what.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Whereabouts {
    /// Where the station is.
    pub(super) station: LinkSpec,
    /// Its bus; none: the file does not say one that can be.
    pub(super) bus: Option<u16>,
    /// The engine; none: the file does not say an address that can be.
    pub(super) engine: Option<Address>,
}

impl Whereabouts {
    /// What this text says; none where it says no station.
    pub(super) fn find(text: &str) -> Option<Self> {
        let tree = text.parse::<toml::Table>().ok();
        let said = |section: &str, key: &str| match &tree {
            Some(tree) => of_tree(tree, section, key),
            None => of_lines(text, section, key),
        };
        let whole = |word: String| word.replace('_', "").parse::<i64>().ok();
        let address = said("station", "address").filter(|address| address.contains(':'));
        let station = match (address, said("station", "serial").filter(|device| device.contains('/'))) {
            (Some(address), _) => LinkSpec::Tcp { address },
            (None, device) => {
                let baud = said("station", "baud").and_then(whole).and_then(|baud| u32::try_from(baud).ok());
                LinkSpec::Serial {
                    device: device?,
                    baud: baud.filter(|baud| *baud > 0).unwrap_or(USUAL_BAUD),
                }
            }
        };
        let bus = said("station", "bus").and_then(whole).and_then(|bus| u16::try_from(bus).ok());
        let number = said("engine", "address")
            .and_then(whole)
            .filter(|number| (1..=HIGHEST_ADDRESS).contains(number))
            .and_then(|number| u16::try_from(number).ok());
        let long = said("engine", "kind").is_some_and(|kind| kind == "long");
        let engine = number.map(|number| match u8::try_from(number) {
            Ok(short @ ..=127) if !long => Address::Short(short),
            _ => Address::Long(number),
        });
        Some(Self { station, bus: bus.filter(|bus| *bus > 0), engine })
    }
}

/// The value of a key in a tree, as a word.
fn of_tree(tree: &toml::Table, section: &str, key: &str) -> Option<String> {
    match tree.get(section)?.get(key)? {
        toml::Value::String(text) => Some(text.trim().to_owned()),
        toml::Value::Integer(number) => Some(number.to_string()),
        _ => None,
    }
}

/// The first value of a key in this section, as a word, in a text that is no TOML.
fn of_lines(text: &str, section: &str, key: &str) -> Option<String> {
    let mut here = String::new();
    for line in text.lines().map(str::trim) {
        if let Some(heading) = line.strip_prefix('[') {
            heading.split([']', '#']).next().unwrap_or_default().trim().clone_into(&mut here);
        } else if let Some((name, value)) = line.split_once('=') {
            let name: String = name.chars().filter(|c| !c.is_whitespace()).collect();
            let named = if here.is_empty() { name } else { format!("{here}.{name}") };
            let word = word(value);
            if named == format!("{section}.{key}") && !word.is_empty() {
                return Some(word.to_owned());
            }
        }
    }
    None
}

/// What stands behind an equals sign, without quotes and remark; a quote may be left open.
fn word(value: &str) -> &str {
    let value = value.trim().trim_start_matches(['"', '\'']);
    value.split(['"', '\'', '#']).next().unwrap_or_default().trim()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const BENCH: &str = include_str!("../../scenarios/lapwing.toml");

    fn lapwing() -> Whereabouts {
        Whereabouts {
            station: LinkSpec::tcp("127.0.0.1:4303"),
            bus: Some(1),
            engine: Some(Address::Short(4)),
        }
    }

    fn with(old: &str, new: &str) -> Option<Whereabouts> {
        assert!(BENCH.contains(old), "{old}");
        Whereabouts::find(&BENCH.replace(old, new))
    }

    #[test]
    fn mistakes_elsewhere_do_not_matter() {
        for (old, new) in [
            ("\"33 mm\"", "\"33 parsecs\""),
            ("\"33 mm\"", "\"33 mm"),
            ("[axle]", "[station]\n[axle]"),
            ("[axle]", "[axle]\n[axle]"),
            ("[axle]", "[axle"),
            ("\"127.0.0.1:4303\"", "\"127.0.0.1:4303"),
            ("\"127.0.0.1:4303\"", "127.0.0.1:4303 # no quotes"),
        ] {
            assert_eq!(with(old, new), Some(lapwing()), "{new}");
        }
        let dotted = "station.address = '127.0.0.1:4303'\nstation . bus = 1\nengine.address = 4\n= =\n";
        assert_eq!(Whereabouts::find(dotted), Some(lapwing()));
    }

    #[test]
    fn a_serial_port_is_found_whatever_its_rate() {
        let line = "address = \"127.0.0.1:4303\"";
        let port = |baud| LinkSpec::Serial { device: "/dev/serial/by-id/harbour".to_owned(), baud };
        for (said, baud) in [
            ("serial = \"/dev/serial/by-id/harbour\"\nbaud = 57600", 57_600),
            ("serial = \"/dev/serial/by-id/harbour\"\nbaud = 57_600", 57_600),
            ("serial = \"/dev/serial/by-id/harbour\"\nbaud = \"fast\"", USUAL_BAUD),
            ("serial = \"/dev/serial/by-id/harbour\"\nbaud = 0", USUAL_BAUD),
            ("serial = \"/dev/serial/by-id/harbour", USUAL_BAUD),
            ("serial = /dev/serial/by-id/harbour # no quotes", USUAL_BAUD),
        ] {
            assert_eq!(with(line, said), Some(Whereabouts { station: port(baud), ..lapwing() }), "{said}");
        }
        let both = format!("{line}\nserial = \"/dev/serial/by-id/harbour\"");
        assert_eq!(with(line, &both), Some(lapwing()));
        assert_eq!(with(line, "serial = \"harbour\""), None);
    }

    #[test]
    fn what_cannot_be_is_not_known() {
        for wrong in ["70000", "-7", "0", "10240", "\"four\"", "4.5", "\"4"] {
            let engine = if wrong == "\"4" { lapwing().engine } else { None };
            assert_eq!(
                with("address = 4\n", &format!("address = {wrong}\n")),
                Some(Whereabouts { engine, ..lapwing() })
            );
        }
        for wrong in ["-1", "0", "70000", "\"main\""] {
            let found = with("bus = 1", &format!("bus = {wrong}"));
            assert_eq!(found, Some(Whereabouts { bus: None, ..lapwing() }), "{wrong}");
        }
    }

    #[test]
    fn no_station_is_nothing() {
        assert_eq!(Whereabouts::find(""), None);
        assert_eq!(Whereabouts::find("[sensor]\naddress = \"127.0.0.1:4311\"\n[["), None);
    }

    proptest! {
        #[test]
        fn no_text_panics(text in "([\\[\\]a-z.=\"'# \n]|\\PC){0,200}") {
            let _ = Whereabouts::find(&text);
        }
    }
}
