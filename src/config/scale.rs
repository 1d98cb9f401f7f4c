//! Scale names and ratios the bench file accepts. The digit and the letter are two standards: H0 and 0 are NEM 010
//! (1:87, 1:45), HO and O are NMRA S-1.2 (304.8/3.5, 1:48). `standards/dcc.md` section 1.1.

/// Every name that [`ratio_of`] knows, with the ratio N of 1:N.
pub(super) const NAMES: &[(&str, f64)] = &[
    ("Z", 220.0),
    ("N", 160.0),
    ("TT", 120.0),
    ("H0", 87.0),
    ("HO", 304.8 / 3.5),
    ("OO", 76.2),
    ("S", 64.0),
    ("O", 48.0),
    ("0", 45.0),
    ("1", 32.0),
    ("IIm", 22.5),
];

/// The name as the standard writes it and the ratio N of 1:N; upper and lower case are the same.
pub(super) fn ratio_of(name: &str) -> Option<(&'static str, f64)> {
    NAMES.iter().find(|(known, _)| known.eq_ignore_ascii_case(name.trim())).copied()
}
