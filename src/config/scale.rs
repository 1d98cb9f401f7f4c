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
    ("II", 22.5),
    ("III", 16.0),
];

/// The name as the standard writes it and the ratio N of 1:N; upper and lower case are the same, and NEM 010's gauge
/// letters behind a name (H0m, H0e) leave the ratio as it is.
pub(super) fn ratio_of(name: &str) -> Option<(&'static str, f64)> {
    let find = |name: &str| NAMES.iter().find(|(known, _)| known.eq_ignore_ascii_case(name)).copied();
    let name = name.trim();
    find(name).or_else(|| find(name.strip_suffix(['m', 'e', 'i', 'p'])?))
}

#[cfg(test)]
mod tests {
    use super::ratio_of;

    #[test]
    fn names_have_the_ratios_of_their_standards() {
        // standards/dcc.md section 1.1: NEM 010 table 1; HO by NMRA S-1.2 (section 10, row 16).
        for (name, ratio) in
            [("Z", 220.0), ("n", 160.0), ("TT", 120.0), ("H0", 87.0), ("H0e", 87.0), ("0", 45.0)]
        {
            assert_eq!(ratio_of(name).unwrap().1.to_bits(), f64::to_bits(ratio), "{name}");
        }
        assert!((ratio_of("ho").unwrap().1 - 87.085_714).abs() < 1e-6);
        assert_eq!(ratio_of("H1"), None);
    }
}
