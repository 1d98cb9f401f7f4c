//! Causes that lie in the station and its link.
use super::Cause;

/// No connection to the station could be opened.
pub const STATION_UNREACHABLE: Cause = Cause {
    code: "station-unreachable",
    seen: "No connection to the command station could be opened.",
    may_be: "It may be switched off, its server program may not be running, a cable or the wireless link may be down, or the address or serial port in the bench file may be wrong or in use by another program.",
    to_try: "Switch the station on, check the address or the serial port in the bench file against the station's own settings, and close other programs that use the same serial port.",
};

/// What greeted us is not an SRCP server.
pub const STATION_NOT_SRCP: Cause = Cause {
    code: "station-not-srcp",
    seen: "Something answered where the bench file says the command station is, but it does not speak SRCP.",
    may_be: "The port may belong to another service or another device, or the station may have SRCP switched off.",
    to_try: "Compare the address or serial port in the bench file with the station's own settings (over a network SRCP servers usually listen on 4303), and look there whether SRCP is switched on.",
};

/// What comes over a serial port is no text.
pub const LINE_GIBBERISH: Cause = Cause {
    code: "line-gibberish",
    seen: "What came over the serial port was mostly no readable text.",
    may_be: "The speed in the bench file may not be the one that the device uses, or another device may be on this port.",
    to_try: "Look up the device's speed (in baud) in its handbook and write it into the bench file, and check which device is plugged into this port.",
};

/// No version in common.
pub const STATION_VERSION: Cause = Cause {
    code: "station-version",
    seen: "The station speaks SRCP, but no version that this program knows.",
    may_be: "Its server may be older or newer than the 0.8 family.",
    to_try: "Look whether the station's server can be updated or set to an SRCP version that begins with 0.8.",
};

/// No answer within the time limit.
pub const STATION_SILENT: Cause = Cause {
    code: "station-silent",
    seen: "The command station did not answer within its time limit.",
    may_be: "The network or the cable may have dropped, the station may have hung or be busy, a serial port may have the wrong speed, or the time limit in the bench file may be too short for it.",
    to_try: "Check the cable or network and look whether the station still obeys its own throttle; restart it if it does not, and raise the answer limit in the bench file if it is only slow.",
};

/// The station answers and lets nobody in.
pub const NO_SESSION: Cause = Cause {
    code: "station-no-session",
    seen: "The command station answered, but did not let this program in.",
    may_be: "Other programs may hold all connections that it can keep, it may accept certain computers only, or its server may keep to the protocol only loosely.",
    to_try: "Close other programs and throttles that are connected to it, look in its settings who may connect, and restart it if an earlier connection may have been left behind.",
};

/// The station said no to an ordinary order.
pub const STATION_REFUSED: Cause = Cause {
    code: "station-refused",
    seen: "The command station refused an order.",
    may_be: "The bus number or the engine's address may be wrong for this station, the step mode may not be offered, or the station may be busy with something else.",
    to_try: "Compare bus, address and step mode in the bench file with the station's settings, let other programs finish what they do with the station, and read its own words, which are quoted with this message.",
};

/// An answer did not belong to what was asked.
pub const STATION_REPLY_ODD: Cause = Cause {
    code: "station-reply-odd",
    seen: "The command station sent an answer that does not belong to what was asked.",
    may_be: "Its server may keep to the protocol only loosely, another program may write on the same line, or something between here and there may damage what is sent.",
    to_try: "Close other programs that use the station, try again over another cable or a wired network, look for an update of the station's server, and report the quoted line to its maker.",
};

/// The bus named in the bench file carries no engines.
pub const STATION_NO_ENGINES: Cause = Cause {
    code: "station-no-engines",
    seen: "The command station says that the bus named in the bench file carries no engines.",
    may_be: "The bus number may be that of another output; bus 0 is always the server itself.",
    to_try: "Look up in the station's settings which bus drives the track, and write that number into the bench file.",
};

/// Another session holds the lock of the engine.
pub const ENGINE_LOCKED: Cause = Cause {
    code: "engine-locked",
    seen: "The command station says that the engine is locked by someone else.",
    may_be: "Another throttle or program may be driving this address, or an earlier program may have left its lock behind.",
    to_try: "Release the engine on every other throttle and program, wait a minute for an old lock to run out, and start again.",
};

/// Somebody else drives the engine.
pub const ANOTHER_THROTTLE: Cause = Cause {
    code: "another-throttle",
    seen: "The engine is set to something that this program did not order.",
    may_be: "Another throttle or program may be driving the same address, or a second engine of that address may be handled elsewhere.",
    to_try: "Take the engine off every other throttle and program, make sure that nobody joins in, and start again.",
};

/// Track power went off.
pub const POWER_LOST: Cause = Cause {
    code: "power-lost",
    seen: "Track power went off although it was wanted on.",
    may_be: "A short circuit or an overload may have tripped the station, somebody may have pressed its stop button, or its own supply may have failed.",
    to_try: "Look for a derailed wheel, a tool or a magnet across the rails and feel carefully whether the motor is hot, before power is switched on again.",
};

/// Power went after the speed had sunk.
pub const SUPPLY_WEAK: Cause = Cause {
    code: "supply-weak",
    seen: "The engine grew slower at one setting, and then track power went off.",
    may_be: "The supply or the station may be too weak or too hot for what runs on it, a lead or connector may have a bad contact, or the motor draws more and more as it heats up or binds.",
    to_try: "Let everything cool, take other loads off this supply, feel carefully for warm connectors with the power off, and use only a supply that is rated for the station.",
};

/// Power could not be switched on.
pub const POWER_ON_REFUSED: Cause = Cause {
    code: "power-on-refused",
    seen: "The command station did not switch track power on when it was told to.",
    may_be: "A short circuit may hold it off, its stop button may be pressed, or it may leave switching power to a button or another program.",
    to_try: "Look for metal across the rails and wheels off the track, release the station's stop button, and find out whether power can be switched on at the station itself.",
};

/// Power could not be switched off.
pub const POWER_OFF_REFUSED: Cause = Cause {
    code: "power-off-refused",
    seen: "The command station did not switch track power off when it was told to.",
    may_be: "It may not offer switching power over this link, the link may be gone, or the station may have hung.",
    to_try: "Switch track power off by hand now, at the station or at its supply, and set up an independent cut-off before a run is left alone.",
};

/// A decoder on the programming output did not answer.
pub const PROGRAMMING_NO_ANSWER: Cause = Cause {
    code: "programming-no-answer",
    seen: "No decoder acknowledged on the programming output.",
    may_be: "Likeliest first: dirty wheels or rollers, no motor load to answer with, an energy store that hides the answer, the station's limit of programming current, or a decoder that is locked.",
    to_try: "Clean wheels and rollers, see that the motor is connected, switch the energy store off or wait until it is empty, try a station with a stronger programming output, and look whether the decoder has a lock setting.",
};

/// The station offers no programming.
pub const NO_PROGRAMMING: Cause = Cause {
    code: "no-programming",
    seen: "The command station does not offer programming where the bench file wants it.",
    may_be: "Programming may sit on another bus, may be switched off in the station, or may not be built in.",
    to_try: "Look in the station's settings for its programming output, or choose another place of programming in the bench file.",
};

/// The station does not switch power.
pub const NO_POWER_SWITCH: Cause = Cause {
    code: "no-power-switch",
    seen: "The command station does not offer switching track power.",
    may_be: "The bus may be fed by a separate booster, or the server may leave power to a button.",
    to_try: "Put an independent cut-off into the track feed before a run is left alone, since the last resort of this program is missing here.",
};

/// A session with the station ended.
pub const SESSION_LOST: Cause = Cause {
    code: "session-lost",
    seen: "A connection to the command station ended unasked.",
    may_be: "The station may have restarted, the network or the cable may have dropped, or the station may allow fewer connections at once than are needed.",
    to_try: "Check plugs, cable and network, close other programs that are connected to the station, see that it runs, and start again.",
};

/// A stop was ordered and nobody confirmed it.
pub const STOP_UNCONFIRMED: Cause = Cause {
    code: "stop-unconfirmed",
    seen: "The engine was told to stop, and neither the station nor the sensor confirmed it.",
    may_be: "The link to the station may be down or the station may have hung, and stations go on sending the last speed.",
    to_try: "Go there and cut track power by hand, do not reach into turning wheels, and find out why the station did not answer before the next run.",
};

/// The link is gone and the engine may be running.
pub const ENGINE_OUT_OF_REACH: Cause = Cause {
    code: "engine-out-of-reach",
    seen: "The link to the command station was lost while the engine may be running, and stations go on sending the last speed.",
    may_be: "A cable or the network dropped, or the station hung; the stop is sent again and again until it is heard.",
    to_try: "If the engine turns, cut track power by hand now, and do not reach into turning wheels.",
};

/// Every cause of this part.
pub const ALL: &[&Cause] = &[
    &ENGINE_OUT_OF_REACH,
    &STATION_UNREACHABLE,
    &STATION_NOT_SRCP,
    &LINE_GIBBERISH,
    &STATION_VERSION,
    &STATION_SILENT,
    &NO_SESSION,
    &STATION_REFUSED,
    &STATION_REPLY_ODD,
    &STATION_NO_ENGINES,
    &ENGINE_LOCKED,
    &ANOTHER_THROTTLE,
    &POWER_LOST,
    &SUPPLY_WEAK,
    &POWER_ON_REFUSED,
    &POWER_OFF_REFUSED,
    &PROGRAMMING_NO_ANSWER,
    &NO_PROGRAMMING,
    &NO_POWER_SWITCH,
    &SESSION_LOST,
    &STOP_UNCONFIRMED,
];
