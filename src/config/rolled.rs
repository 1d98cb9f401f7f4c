//! The circumference of a wheel or roller from a distance that it rolled, with its doubt. Quantities are written as in
//! the bench file, and read by the same code.
use super::check::MOST_DOUBT;
use super::key::{Fault, Kind};
use super::keys::vehicle::CIRCUMFERENCE;
use super::kind::{Doubt, DoubtValue, Length};
use crate::cause::{Reason, program};
use toml::de::DeValue;

const DISTANCE: Length = Length { least: "10 mm", most: "100 m" };
/// More turns than this nobody counts.
const MOST_TURNS: f64 = 10_000.0;

/// What was rolled, as written.
#[derive(Clone, Copy, Debug)]
pub struct RolledWords<'a> {
    /// Distance, with its unit.
    pub distance: &'a str,
    /// Turns counted on it; parts of a turn are allowed.
    pub turns: &'a str,
    /// Standard uncertainty of the distance, in mm or %.
    pub doubt: &'a str,
    /// Standard uncertainty of the count of turns, in turns.
    pub turns_doubt: &'a str,
}

/// A circumference and where its doubt comes from. Doubts are standard uncertainties (k = 1), relative.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Rolled {
    /// Distance of a turn, mm.
    pub circumference_mm: f64,
    /// From the distance.
    pub distance_u_rel: f64,
    /// From the count of turns.
    pub turns_u_rel: f64,
    /// Both together.
    pub u_rel: f64,
}

/// The circumference.
///
/// # Errors
/// Everything that is wrong with the words, one reason each.
pub fn rolled(words: &RolledWords<'_>) -> Result<Rolled, Vec<Reason>> {
    let mut wrong = Vec::new();
    let distance = quantity("--distance", words.distance, &DISTANCE, &mut wrong);
    let doubt = quantity("--doubt", words.doubt, &Doubt, &mut wrong);
    let turns = number("--turns", words.turns, 1.0, MOST_TURNS, &mut wrong);
    let turns_doubt = number("--turns-doubt", words.turns_doubt, 0.0, MOST_TURNS, &mut wrong);
    let (Some(distance_mm), Some(doubt), Some(turns), Some(turns_doubt)) =
        (distance, doubt, turns, turns_doubt)
    else {
        return Err(wrong);
    };
    let circumference_mm = distance_mm / turns;
    let distance_u_rel = match doubt {
        DoubtValue::Fraction(fraction) => fraction,
        DoubtValue::Length(mm) => mm / distance_mm,
    };
    let turns_u_rel = turns_doubt / turns;
    let u_rel = libm::hypot(distance_u_rel, turns_u_rel);
    let limits = CIRCUMFERENCE.kind.expected();
    let allowed =
        quantity("circumference", &format!("{circumference_mm} mm"), &CIRCUMFERENCE.kind, &mut Vec::new());
    if allowed.is_none() {
        let came = format!("{distance_mm} mm in {turns} turns are {circumference_mm:.3} mm a turn");
        return Err(vec![reason(&format!("{came}; a circumference is {limits}"))]);
    }
    if u_rel > MOST_DOUBT {
        let came = format!("the doubt comes to {:.1} % of the circumference", 100.0 * u_rel);
        return Err(vec![reason(&format!("{came}; at most 10 % can be used: roll more turns"))]);
    }
    Ok(Rolled { circumference_mm, distance_u_rel, turns_u_rel, u_rel })
}

impl Rolled {
    /// The two lines for `[axle]`: the circumference to a tenth of its doubt, the doubt rounded up to two digits.
    #[must_use]
    pub fn lines(&self) -> String {
        let u_mm = self.circumference_mm * self.u_rel;
        let per_cent = 100.0 * self.u_rel;
        let (fine, coarse) = (decimals(u_mm, 2), decimals(per_cent, 1));
        let step = libm::exp10(-(coarse as f64));
        // A little less than one step up: what is on a step already stays there.
        let up = (per_cent / step - 1e-9).ceil() * step;
        format!("circumference = \"{:.fine$} mm\"\ndoubt = \"{up:.coarse$} %\"", self.circumference_mm)
    }
}

/// Decimals that show so many digits behind the first of a number.
fn decimals(value: f64, digits: i32) -> usize {
    let first = libm::floor(libm::log10(value.max(1e-6)));
    #[expect(
        clippy::cast_possible_truncation,
        reason = "-6 to 3 by the line above and the limits of a doubt"
    )]
    let first = first as i32;
    usize::try_from((digits - first).clamp(0, 9)).unwrap_or(0)
}

/// A quantity as in the bench file.
fn quantity<K: Kind>(option: &str, text: &str, kind: &K, wrong: &mut Vec<Reason>) -> Option<K::Value> {
    let said = |faults: Vec<Fault>| {
        let hints: Vec<String> = faults.into_iter().map(|fault| fault.hint).collect();
        reason(&format!("{option} {text:?}: expected {}; {}", kind.expected(), hints.join("; ")))
    };
    // Every text has a form in JSON, and that is one in TOML.
    let quoted = serde_json::to_string(text).unwrap_or_default();
    let read = match DeValue::parse(&quoted) {
        Ok(value) => kind.read(&value).map_err(said),
        Err(_) => Err(said(Vec::new())),
    };
    read.map_err(|reason| wrong.push(reason)).ok()
}

fn number(option: &str, text: &str, least: f64, most: f64, wrong: &mut Vec<Reason>) -> Option<f64> {
    let number = text.trim().parse::<f64>().ok().filter(|number| (least..=most).contains(number));
    if number.is_none() {
        let expected = format!("a number from {least} to {most} with a decimal point and without a unit");
        wrong.push(reason(&format!("{option} {text:?}: expected {expected}")));
    }
    number
}

fn reason(evidence: &str) -> Reason {
    Reason::new(&program::ROLLED_UNUSABLE, evidence)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config;

    const SCENARIO: &str = include_str!("../../scenarios/lapwing.toml");

    fn words(line: [&'static str; 4]) -> RolledWords<'static> {
        let [distance, turns, doubt, turns_doubt] = line;
        RolledWords { distance, turns, doubt, turns_doubt }
    }

    #[test]
    fn a_rolled_distance_becomes_two_lines_that_the_bench_file_takes() {
        // 3000 / 91 = 32.967032967...; 2 mm of 3000 are 0.0667 %, 0.02 of 91 turns 0.0220 %: together 0.0702 %.
        let found = rolled(&words(["3 m", "91", "2 mm", "0.02"])).unwrap();
        assert!((found.circumference_mm - 3000.0 / 91.0).abs() < 1e-12);
        assert!((found.distance_u_rel - 2.0 / 3000.0).abs() < 1e-15);
        assert!((found.turns_u_rel - 0.02 / 91.0).abs() < 1e-15);
        assert!((found.u_rel - 7.019_599_6e-4).abs() < 1e-10, "{}", found.u_rel);
        assert_eq!(found.lines(), "circumference = \"32.9670 mm\"\ndoubt = \"0.071 %\"");
        let mut text = String::new();
        for line in
            SCENARIO.lines().filter(|line| !line.starts_with("circumference") && !line.starts_with("doubt"))
        {
            text += line;
            text.push('\n');
            if line == "[axle]" {
                text += &found.lines();
                text.push('\n');
            }
        }
        let axle = config::read("bench.toml", &text).unwrap().axle;
        assert!(
            (axle.circumference_mm - found.circumference_mm).abs()
                < 0.1 * found.u_rel * found.circumference_mm
        );
        assert!(axle.circumference_u_rel >= found.u_rel && axle.circumference_u_rel < 1.1 * found.u_rel);
    }

    #[test]
    fn doubts_round_up_and_never_to_nothing() {
        for (line, doubt) in [
            (["3 m", "91", "2 mm", "0"], "0.067 %"),
            (["1 m", "10", "5 %", "0"], "5.0 %"),
            (["1 m", "10", "0.07 %", "0"], "0.070 %"),
            (["100 m", "10000", "0.001 mm", "0"], "0.0000010 %"),
        ] {
            let found = rolled(&words(line)).unwrap();
            let told = found.lines();
            assert!(told.ends_with(&format!("doubt = \"{doubt}\"")), "{told}");
        }
    }

    #[test]
    fn nonsense_gets_a_clear_answer() {
        let mut told = Vec::new();
        for line in [
            ["3", "91", "2", "0.02"],
            ["3 metres", "ninety", "2 cm", "-1"],
            ["3,5 m", "0", "0 mm", "x"],
            ["", "inf", "nonsense \"quoted\"", "NaN"],
            ["3 m", "2", "2 mm", "0.02"],
            ["3 m", "1000", "2 mm", "0.02"],
            ["50 mm", "1", "20 mm", "0.02"],
            ["1 km", "91", "2 mm", "0.02"],
        ] {
            told.push(format!("{line:?}"));
            for reason in rolled(&words(line)).unwrap_err() {
                assert_eq!(reason.code, "rolled-distance-unusable");
                told.push(format!("  {}", reason.evidence));
            }
        }
        insta::assert_snapshot!(told.join("\n"));
    }
}
