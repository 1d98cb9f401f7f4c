//! Scales by name and ratio, and scale speed: model speed times the ratio, time not scaled.
//!
//! Source: NEM 010 (2011) table 1 for the European names; NMRA S-1.2 and British practice for the others
//! (from memory: the sheets were not at hand). `standards/dcc.md` section 1.
use thiserror::Error;

/// Millimetres in a foot, exactly.
const FOOT_MM: f64 = 304.8;
/// mm/s in 1 km/h, full size.
const MM_S_PER_KMH: f64 = 1_000_000.0 / 3600.0;
/// mm/s in 1 mph, full size, exactly.
const MM_S_PER_MPH: f64 = 447.04;
/// Ratios a bench can mean.
const RATIOS: std::ops::RangeInclusive<f64> = 1.0..=1000.0;

/// Every name and its ratio N of 1:N. NEM writes the digit zero and NMRA the letter O, and both mean their
/// own ratio: "0" is 1:45, "O" is 1:48. British ratios bear the word where another standard has the bare
/// name.
pub const NAMED: [(&str, f64); 21] = [
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

/// A scale.
#[derive(Clone, Debug, PartialEq)]
pub struct Scale {
    /// Its name by the standard, or "1:N".
    pub name: String,
    /// N of 1:N.
    pub ratio: f64,
}

/// Not a scale.
#[derive(Clone, Debug, PartialEq, Error)]
pub enum ScaleError {
    /// Neither a name nor a ratio.
    #[error(
        "\"{text}\" is no scale; write a name such as \"H0\" or a ratio such as \"1:87\" (did you mean \"{nearest}\"?)"
    )]
    Unknown {
        /// What was written.
        text: String,
        /// The name closest to it.
        nearest: &'static str,
    },
    /// A number that no model has.
    #[error("a ratio lies between 1:1 and 1:1000, not 1:{0}")]
    Ratio(f64),
}

impl Scale {
    /// Reads a name ("H0", "ho", "Nm" with a gauge letter) or a ratio ("1:87", "1/87", "87"). A bare "0" and
    /// "1" are names.
    ///
    /// # Errors
    /// Neither of them, or a ratio outside 1:1 to 1:1000.
    pub fn parse(text: &str) -> Result<Self, ScaleError> {
        let text = text.trim();
        if let Some((name, ratio)) = named(text) {
            return Ok(Self { name: name.to_owned(), ratio });
        }
        let digits = text.strip_prefix("1:").or_else(|| text.strip_prefix("1/")).unwrap_or(text);
        match digits.trim().parse::<f64>() {
            Ok(ratio) if RATIOS.contains(&ratio) => Ok(Self { name: format!("1:{ratio}"), ratio }),
            Ok(ratio) => Err(ScaleError::Ratio(ratio)),
            Err(_) => Err(ScaleError::Unknown { text: text.to_owned(), nearest: nearest_name(text) }),
        }
    }

    /// Model speed in mm/s of a full-size speed in km/h.
    #[must_use]
    pub fn mm_s_from_kmh(&self, kmh: f64) -> f64 {
        kmh * MM_S_PER_KMH / self.ratio
    }

    /// Model speed in mm/s of a full-size speed in mph.
    #[must_use]
    pub fn mm_s_from_mph(&self, mph: f64) -> f64 {
        mph * MM_S_PER_MPH / self.ratio
    }

    /// Full-size speed in km/h of a model speed in mm/s.
    #[must_use]
    pub fn kmh(&self, mm_s: f64) -> f64 {
        mm_s * self.ratio / MM_S_PER_KMH
    }

    /// Full-size speed in mph of a model speed in mm/s.
    #[must_use]
    pub fn mph(&self, mm_s: f64) -> f64 {
        mm_s * self.ratio / MM_S_PER_MPH
    }
}

/// The named scale, upper or lower case, also with one of NEM 010's gauge letters behind it (m, e, i, p: the
/// letter tells the gauge, not the ratio).
fn named(text: &str) -> Option<(&'static str, f64)> {
    let find = |name: &str| NAMED.iter().copied().find(|(known, _)| known.eq_ignore_ascii_case(name));
    find(text).or_else(|| find(text.strip_suffix(['m', 'e', 'i', 'p'])?))
}

/// The name closest to `text`, for a hint.
#[must_use]
pub fn nearest_name(text: &str) -> &'static str {
    let wanted = text.to_ascii_uppercase();
    let distance = |name: &str| strsim::damerau_levenshtein(&name.to_ascii_uppercase(), &wanted);
    NAMED.iter().map(|(name, _)| *name).min_by_key(|name| distance(name)).unwrap_or("H0")
}

#[cfg(test)]
mod tests {
    use super::*;

    /// `standards/dcc.md` section 10 rows 1 to 13 and 16: km/h and mph of 0.1 m/s (0.25 m/s in row 13), by
    /// the rule of section 1.2 over the ratios of NEM 010 (2011) and, from memory, NMRA S-1.2 and British
    /// practice.
    #[test]
    fn scale_speeds() {
        for (name, mm_s, kmh, mph) in [
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
            let scale = Scale::parse(name).unwrap();
            assert!((scale.kmh(mm_s) - kmh).abs() < 5.1e-5, "{name} {}", scale.kmh(mm_s));
            assert!((scale.mph(mm_s) - mph).abs() < 5.1e-5, "{name} {}", scale.mph(mm_s));
            assert!((scale.mm_s_from_kmh(scale.kmh(mm_s)) - mm_s).abs() < 1e-9);
            assert!((scale.mm_s_from_mph(scale.mph(mm_s)) - mm_s).abs() < 1e-9);
        }
        assert!((Scale::parse("HO").unwrap().ratio - 87.085_714).abs() < 5e-7);
    }

    /// Rows 14 and 15, `standards/measurement.md` section 9, and 20 km/h in N (all computed from the rule).
    #[test]
    fn model_speeds() {
        let n = Scale::parse("N").unwrap();
        assert!((n.mm_s_from_mph(60.0) - 167.640).abs() < 5e-4);
        assert!((n.mm_s_from_kmh(20.0) - 34.722).abs() < 5e-4);
        assert!((n.mm_s_from_kmh(120.0) - 208.333_333).abs() < 1e-6);
        assert!((Scale::parse("H0").unwrap().mm_s_from_kmh(120.0) - 383.142).abs() < 5e-4);
        let printed = Scale::parse("1:87.1").unwrap();
        assert!((printed.mm_s_from_kmh(120.0) - 382.701_875).abs() < 1e-6);
        assert!((printed.mm_s_from_mph(75.0) - 384.936_854).abs() < 1e-6);
    }

    #[test]
    fn names_and_ratios_are_read() {
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
            ("1:87", "1:87", 87.0),
            ("1/160", "1:160", 160.0),
            ("87", "1:87", 87.0),
            ("1: 22.5", "1:22.5", 22.5),
        ] {
            let scale = Scale::parse(text).unwrap();
            assert_eq!((scale.name.as_str(), scale.ratio), (name, ratio), "{text}");
        }
    }

    #[test]
    fn what_is_no_scale_is_refused() {
        for text in ["", "HH0", "tiny", "1:", "e", "-"] {
            assert!(matches!(Scale::parse(text), Err(ScaleError::Unknown { .. })), "{text}");
        }
        for text in ["1:0", "-87", "1:0.5", "1001", "inf", "NaN", "1:1e400"] {
            assert!(matches!(Scale::parse(text), Err(ScaleError::Ratio(_))), "{text}");
        }
        assert_eq!(nearest_name("HH0"), "H0");
        assert_eq!(nearest_name("Britsh TT"), "British TT");
    }
}
