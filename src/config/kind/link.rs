//! How a station or a sensor is reached: network addresses, serial devices and their rates.
use super::{text, whole};
use crate::cause::bench_file as cause;
use crate::config::key::{Fault, Kind, Node};
use serde_json::{Value, json};

/// A network address with its port.
#[derive(Debug)]
pub(in crate::config) struct HostPort;

impl Kind for HostPort {
    type Value = String;
    fn expected(&self) -> String {
        "a network address and port, \"host:port\"".into()
    }
    fn read(&self, value: &Node<'_>) -> Result<String, Vec<Fault>> {
        let address = text(value, "put it in quotes, as \"127.0.0.1:4303\"")?.trim();
        match host_port_fault(address) {
            Some(hint) => Err(vec![Fault::new(&cause::WRONG_FORM, hint)]),
            None => Ok(address.to_owned()),
        }
    }
    fn schema(&self) -> Value {
        json!({ "type": "string", "pattern": "^[^\\s/]+:[0-9]{1,5}$" })
    }
}

/// What is wrong with an address, as a hint.
fn host_port_fault(address: &str) -> Option<String> {
    let hint = if address.is_empty() {
        "write host and port, as \"192.168.1.20:4303\""
    } else if address.starts_with("/dev/") || is_com_port(address) || address.starts_with("tty") {
        return Some(format!(
            "a serial port goes into `serial`: write serial = \"{}\" instead",
            whole_path(address)
        ));
    } else if address.contains('/') {
        "write host and port only, without a scheme or path"
    } else if let Some((host, port)) = address.rsplit_once(':') {
        let is_six = host.starts_with('[') && host.ends_with(']');
        if !is_six && host.contains(':') {
            "an address of version 6 stands in square brackets, as \"[::1]:4303\""
        } else if host.is_empty() || host.contains(char::is_whitespace) {
            "the host before the colon is a name or an address without spaces"
        } else if !matches!(port.parse::<u16>(), Ok(1..)) || !port.bytes().all(|b| b.is_ascii_digit()) {
            "the port behind the colon is a number from 1 to 65535"
        } else {
            return None;
        }
    } else {
        "the port is missing: write it behind a colon, as \"192.168.1.20:4303\""
    };
    Some(hint.to_owned())
}

/// A serial device by its whole path.
#[derive(Debug)]
pub(in crate::config) struct Device;

impl Kind for Device {
    type Value = String;
    fn expected(&self) -> String {
        "the whole path of a serial device".into()
    }
    fn read(&self, value: &Node<'_>) -> Result<String, Vec<Fault>> {
        let device = text(value, "put the path in quotes, as \"/dev/ttyUSB0\"")?.trim();
        match device_fault(device) {
            Some(hint) => Err(vec![Fault::new(&cause::WRONG_FORM, hint)]),
            None => Ok(device.to_owned()),
        }
    }
    fn schema(&self) -> Value {
        json!({ "type": "string", "pattern": "^/[^\\s:,]*[^\\s:,/]$" })
    }
}

/// What is wrong with a device, as a hint.
fn device_fault(device: &str) -> Option<String> {
    let hint = if device.is_empty() {
        "write the path of the device, as \"/dev/ttyUSB0\"; `ls /dev/tty*` before and after plugging it in shows which it is"
    } else if is_com_port(device) {
        "names like COM3 do not exist here: a serial device is a path, as \"/dev/ttyUSB0\"; `ls /dev/tty*` before and \
         after plugging it in shows which it is"
    } else if let Some((path, rate)) = device.split_once([':', ','])
        && path.starts_with('/')
        && rate.starts_with(|c: char| c.is_ascii_digit())
    {
        let rate: String = rate.chars().take_while(char::is_ascii_digit).collect();
        return Some(format!("the rate goes into a key of its own: serial = \"{path}\" and baud = {rate}"));
    } else if device.rsplit_once(':').is_some_and(|(_, port)| port.parse::<u16>().is_ok()) {
        return Some(format!("a network address goes into `address`: write address = \"{device}\" instead"));
    } else if !device.starts_with('/') {
        return Some(format!("write the whole path: \"{}\"", whole_path(device)));
    } else if device.ends_with('/') {
        "this is a folder; the device is a file in it, as \"/dev/ttyUSB0\""
    } else if device.contains(|c: char| c.is_whitespace() || c.is_control() || c == ':' || c == ',') {
        "the path of a device holds no spaces, commas or colons"
    } else {
        return None;
    };
    Some(hint.to_owned())
}

/// The path that a name without its folder most likely means.
fn whole_path(device: &str) -> String {
    if is_com_port(device) {
        return "/dev/ttyUSB0".to_owned();
    }
    let name = device.rsplit('/').next().unwrap_or_default();
    format!("/dev/{name}")
}

fn is_com_port(device: &str) -> bool {
    let number = device.get(..3).filter(|word| word.eq_ignore_ascii_case("com")).map(|_| &device[3..]);
    number.is_some_and(|number| {
        let number = number.trim_end_matches(':');
        !number.is_empty() && number.bytes().all(|b| b.is_ascii_digit())
    })
}

/// Rates that serial drivers commonly offer (common practice, no source), bits a second.
const RATES: [u32; 21] = [
    1200, 2400, 4800, 9600, 19_200, 38_400, 57_600, 115_200, 230_400, 250_000, 460_800, 500_000, 576_000,
    921_600, 1_000_000, 1_152_000, 1_500_000, 2_000_000, 2_500_000, 3_000_000, 4_000_000,
];

/// A rate of a serial link.
#[derive(Debug)]
pub(in crate::config) struct Rate;

impl Kind for Rate {
    type Value = u32;
    fn expected(&self) -> String {
        "a usual rate in bits a second, from 1200 to 4000000".into()
    }
    fn read(&self, value: &Node<'_>) -> Result<u32, Vec<Fault>> {
        let number = whole(value).map_err(|fault| vec![fault])?;
        let distance = |rate: &u32| number.abs_diff(i64::from(*rate));
        let nearest = RATES.into_iter().min_by_key(distance).unwrap_or_default();
        if i64::from(nearest) == number {
            return Ok(nearest);
        }
        let hint = format!(
            "the nearest usual rate is {nearest}; the device's manual says which it speaks, most often 9600, 19200, 57600 \
             or 115200"
        );
        Err(vec![Fault::new(&cause::UNKNOWN_CHOICE, hint)])
    }
    fn schema(&self) -> Value {
        json!({ "type": "integer", "enum": RATES })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use toml::de::DeValue;

    fn hint(kind: &impl Kind<Value = String>, written: &str) -> Option<String> {
        let toml = format!("\"{written}\"");
        let value = DeValue::parse(&toml).unwrap();
        kind.read(&value).err().map(|faults| faults[0].hint.clone())
    }

    #[test]
    fn devices_are_whole_paths() {
        for good in ["/dev/ttyUSB0", "/dev/serial/by-id/usb-one_port-if00", " /dev/ttyACM1 "] {
            assert_eq!(hint(&Device, good), None, "{good}");
        }
        for (written, meant) in [
            ("ttyUSB0", "\"/dev/ttyUSB0\""),
            ("dev/ttyACM1", "\"/dev/ttyACM1\""),
            ("./ttyS0", "\"/dev/ttyS0\""),
            ("COM3", "names like COM3"),
            ("com12:", "names like COM3"),
            ("/dev/", "a folder"),
            ("/dev/ttyUSB0:9600", "serial = \"/dev/ttyUSB0\" and baud = 9600"),
            ("/dev/ttyUSB0,57600,8n1", "baud = 57600"),
            ("192.168.1.20:4311", "address = \"192.168.1.20:4311\""),
            ("/dev/tty USB0", "no spaces"),
            ("", "ls /dev/tty*"),
        ] {
            let hint = hint(&Device, written).unwrap();
            assert!(hint.contains(meant), "{written}: {hint}");
        }
    }

    #[test]
    fn a_device_in_the_place_of_an_address_is_told_where_it_goes() {
        for (written, meant) in
            [("/dev/ttyACM0", "serial = \"/dev/ttyACM0\""), ("COM4", "serial = \"/dev/ttyUSB0\"")]
        {
            assert!(hint(&HostPort, written).unwrap().contains(meant), "{written}");
        }
        assert_eq!(hint(&HostPort, "commons.local:4303"), None);
        assert_eq!(hint(&HostPort, "[::1]:4303"), None);
    }

    #[test]
    fn rates_are_usual_ones() {
        let read = |text: &str| Rate.read(&DeValue::parse(text).unwrap());
        assert_eq!(read("115200").ok(), Some(115_200));
        assert!(read("115000").unwrap_err()[0].hint.contains("115200"));
        assert!(read("-1").unwrap_err()[0].hint.contains("1200"));
        assert!(read("9223372036854775807").unwrap_err()[0].hint.contains("4000000"));
    }
}
