//! Scales by name, and scale speed: model speed times the ratio, time not scaled.
//!
//! Source: NEM 010 (2011) table 1 for the European names; NMRA S-1.2 and British practice for the others
//! (from memory: the sheets were not at hand). `standards/dcc.md` section 1.

/// Millimetres in a foot, exactly.
const FOOT_MM: f64 = 304.8;
/// mm/s in 1 km/h, full size.
pub const MM_S_PER_KMH: f64 = 1_000_000.0 / 3600.0;
/// mm/s in 1 mph, full size, exactly.
pub const MM_S_PER_MPH: f64 = 447.04;

/// Every name and its ratio N of 1:N. NEM writes the digit zero and NMRA the letter O, and both mean their
/// own ratio: "0" is 1:45, "O" is 1:48. British ratios bear the word where another standard has the bare
/// name.
const NAMED: [(&str, f64); 21] = [
    ("Z", 220.0),
    ("N", 160.0),
    ("TT", 120.0),
    ("H0", 87.0),
    ("HO", FOOT_MM / 3.5),
    ("00", 76.2),
    ("OO", 76.2),
    ("S", 64.0),
    ("O", 48.0),
    ("0", 45.0),
    ("1", 32.0),
    ("I", 32.0),
    ("G", 22.5),
    ("II", 22.5),
    ("III", 16.0),
    ("V", 11.0),
    ("VII", 8.0),
    ("X", 5.5),
    ("British N", 148.0),
    ("British TT", 101.6),
    ("British O", FOOT_MM / 7.0),
];

/// Every name that [`named`] knows, from Z upwards, the British ones last.
pub fn names() -> impl Iterator<Item = &'static str> + Clone {
    NAMED.iter().map(|(name, _)| *name)
}

/// The name as its standard writes it and the ratio N of 1:N, in upper or lower case, also with one of NEM
/// 010's gauge letters behind it (m, e, i, p: the letter tells the gauge, not the ratio).
#[must_use]
pub fn named(text: &str) -> Option<(&'static str, f64)> {
    let find = |name: &str| NAMED.iter().copied().find(|(known, _)| known.eq_ignore_ascii_case(name));
    let text = text.trim();
    find(text).or_else(|| find(text.strip_suffix(['m', 'e', 'i', 'p'])?))
}

/// Scale speed in km/h of a model of 1:`ratio` that runs at `mm_s`.
#[must_use]
pub fn kmh(mm_s: f64, ratio: f64) -> f64 {
    mm_s * ratio / MM_S_PER_KMH
}

/// Speed in mm/s of a model of 1:`ratio` at a scale speed of `kmh`.
#[must_use]
pub fn model_mm_s(kmh: f64, ratio: f64) -> f64 {
    kmh * MM_S_PER_KMH / ratio
}

#[cfg(test)]
mod tests {
    use super::*;

    /// `standards/dcc.md` section 10 rows 1 to 13 and 16: km/h and mph of 0.1 m/s (0.25 m/s in row 13), by
    /// the rule of section 1.2 over the ratios of NEM 010 (2011) and, from memory, NMRA S-1.2 and British
    /// practice.
    #[test]
    fn scale_speeds() {
        for (name, mm_s, km_h, mph) in [
            ("Z", 100.0, 79.2000, 49.2126),
            ("N", 100.0, 57.6000, 35.7910),
            ("TT", 100.0, 43.2000, 26.8432),
            ("H0", 100.0, 31.3200, 19.4613),
            ("HO", 100.0, 31.3509, 19.4805),
            ("OO", 100.0, 27.4320, 17.0455),
            ("S", 100.0, 23.0400, 14.3164),
            ("0", 100.0, 16.2000, 10.0662),
            ("O", 100.0, 17.2800, 10.7373),
            ("British O", 100.0, 15.6754, 9.7403),
            ("I", 100.0, 11.5200, 7.1582),
            ("IIm", 100.0, 8.1000, 5.0331),
            ("H0", 250.0, 78.3000, 48.6534),
        ] {
            let (_, ratio) = named(name).unwrap();
            assert!((kmh(mm_s, ratio) - km_h).abs() < 5.1e-5, "{name} {}", kmh(mm_s, ratio));
            assert!((mm_s * ratio / MM_S_PER_MPH - mph).abs() < 5.1e-5, "{name}");
        }
        assert!((named("HO").unwrap().1 - 87.085_714).abs() < 5e-7);
    }

    /// 20 km/h in N is 34.722 mm/s (common practice, no source); the digits are 20e6 / 3600 / 160, computed.
    #[test]
    fn a_slow_speed_in_n() {
        assert!((kmh(34.722_222, 160.0) - 20.0).abs() < 1e-6);
    }

    #[test]
    fn names_are_read_in_either_case_and_with_a_gauge_letter() {
        for (text, name, ratio) in [
            ("H0", "H0", 87.0),
            (" h0 ", "H0", 87.0),
            ("H0e", "H0", 87.0),
            ("Nm", "N", 160.0),
            ("00", "00", 76.2),
            ("1", "1", 32.0),
            ("0", "0", 45.0),
            ("0m", "0", 45.0),
            ("british n", "British N", 148.0),
        ] {
            assert_eq!(named(text), Some((name, ratio)), "{text}");
        }
        for text in ["", "HH0", "H1", "1:87", "87", "e", "-"] {
            assert_eq!(named(text), None, "{text}");
        }
    }
}
