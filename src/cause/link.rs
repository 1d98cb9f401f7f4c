//! Causes that lie in a link itself, whether the station or the sensor is at its end; and how they come from where links
//! are opened to where a run is judged: as a text that begins with the code, which is what a record keeps and replays.
use super::Cause;

/// No such device.
pub const SERIAL_MISSING: Cause = Cause {
    code: "serial-port-missing",
    seen: "The serial port named in the bench file is not there.",
    may_be: "The adapter may be unplugged or without power, the system may have given it another number, or the name may be misspelt.",
    to_try: "Plug it in, look at the ports that are named here, and write its name from /dev/serial/by-id into the bench file: that one stays the same.",
};

/// The user may not open it.
pub const SERIAL_FORBIDDEN: Cause = Cause {
    code: "serial-port-forbidden",
    seen: "This user may not open the serial port.",
    may_be: "Serial ports belong to a group of users, and this user is not in it, or was put in it after logging in.",
    to_try: "Let whoever looks after this computer do what is named here, then log out and in again.",
};

/// Another program has it.
pub const SERIAL_IN_USE: Cause = Cause {
    code: "serial-port-in-use",
    seen: "The serial port is held by another program.",
    may_be: "A throttle or terminal program, a system service that tries out new ports, or another run of this program may have it open.",
    to_try: "End the program that is named here (a run of this one by Ctrl-C in its window, or with pacewright tell and its folder), and start again.",
};

/// Something else than a serial port.
pub const NOT_SERIAL: Cause = Cause {
    code: "not-a-serial-port",
    seen: "What the bench file names as a serial port is something else.",
    may_be: "It may be the name of a file, a folder or a screen, or of a port that this computer has a name for but not the parts.",
    to_try: "Look at the ports that are named here, and write one of them into the bench file.",
};

/// The port does not take this speed.
pub const BAUD_REFUSED: Cause = Cause {
    code: "serial-baud-refused",
    seen: "The serial port does not take the baud rate in the bench file.",
    may_be: "The adapter may not be able to run at it, or a digit may be mistyped.",
    to_try: "Look up the baud rate of the device at the other end and write that, and try another adapter if this one cannot.",
};

/// The port went away.
pub const SERIAL_UNPLUGGED: Cause = Cause {
    code: "serial-port-unplugged",
    seen: "The serial port went away while it was in use.",
    may_be: "Plug or cable may be loose, the adapter may have lost power, or sparks and motor currents may have upset it.",
    to_try: "Check plug and cable, lead them away from motor and track wires, use a hub with its own supply, and start again.",
};

/// Anything else that the system says of a port.
pub const SERIAL_FAILED: Cause = Cause {
    code: "serial-port-failed",
    seen: "The system could not work with the serial port.",
    may_be: "The adapter or its driver may have hung, or the adapter may not keep to what serial ports do.",
    to_try: "Unplug it, plug it in again, and try another adapter; the system's own words are quoted here.",
};

/// The name in an address leads nowhere.
pub const NAME_UNKNOWN: Cause = Cause {
    code: "address-name-unknown",
    seen: "The name in the address could not be found in the network.",
    may_be: "It may be misspelt, the device may be switched off or still starting, or this computer may be in another network.",
    to_try: "Check the spelling and the network, or write the device's number (IP address) instead of its name and let the router give it the same one always.",
};

/// Somebody is there, and nobody listens.
pub const CONNECTION_REFUSED: Cause = Cause {
    code: "connection-refused",
    seen: "There is a device at the address, but nothing listens at this port.",
    may_be: "Its server program may not run or still be starting, the port number may be wrong, or the device may be another one.",
    to_try: "Start the server or wait until it is up, and compare host and port in the bench file with the device's own settings.",
};

/// Nobody is there.
pub const NOT_REACHED: Cause = Cause {
    code: "address-not-reached",
    seen: "Nothing answered at the address.",
    may_be: "The device may be switched off or have another number now, a cable or the wireless link may be down, or a firewall may swallow what is sent.",
    to_try: "Check that the device has power and both are in one network, and compare the address in the bench file with the device's own settings.",
};

/// Every cause of this part.
pub const ALL: &[&Cause] = &[
    &SERIAL_MISSING,
    &SERIAL_FORBIDDEN,
    &SERIAL_IN_USE,
    &NOT_SERIAL,
    &BAUD_REFUSED,
    &SERIAL_UNPLUGGED,
    &SERIAL_FAILED,
    &NAME_UNKNOWN,
    &CONNECTION_REFUSED,
    &NOT_REACHED,
];

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cause::sensor::UNREACHABLE;
    use crate::cause::{heard, told};

    #[test]
    fn what_is_told_is_heard_and_plain_words_stay_whole() {
        for &cause in ALL {
            let text = told(cause, "/dev/ttyUSB0: held: by process 7");
            assert_eq!(heard(&text, &UNREACHABLE), (cause, "/dev/ttyUSB0: held: by process 7"));
        }
        for plain in ["connection reset", "127.0.0.1:4311: too many open files", ""] {
            assert_eq!(heard(plain, &UNREACHABLE), (&UNREACHABLE, plain));
        }
    }
}
