//! A target with a name: what a club or a household has agreed on for a class of engines. A version is never changed; whoever wants
//! another curve decides on another version.
use super::speeds::EngineSpeeds;
use crate::calibrate::{ENTRIES, Target, Verdict, judge_doubt};
use crate::dcc::scale::model_mm_s;
use crate::station::Direction;
use serde::{Deserialize, Serialize};

/// The form of the file.
const SCHEMA: u32 = 1;

/// A standard's file.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Standard {
    /// Form of the file: 1.
    pub schema: u32,
    /// Its name: small letters, digits and hyphens.
    pub name: String,
    /// Its version, from 1.
    pub version: u32,
    /// The class of engines that it is for.
    pub class: String,
    /// When it was decided on, as the person writes it.
    pub decided: String,
    /// A sentence.
    pub about: String,
    /// How far an engine may be off, percent of the speed.
    pub tolerance_percent: f64,
    /// And at least this, km/h of the original.
    pub floor_km_h: f64,
    /// Speeds of the original, km/h, at entries of the table, 1 and 28 among them; straight between them.
    pub points_km_h: Vec<(u16, f64)>,
}

/// How an engine keeps a standard.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Kept {
    /// Pass, in doubt, or beyond.
    #[serde(skip)]
    pub verdict: Verdict,
    /// Entry of the worst figure.
    pub entry: usize,
    /// It is one of reverse.
    pub reverse: bool,
    /// Deviation there, mm/s.
    pub deviation_mm_s: f64,
    /// Half-width of 95 %, mm/s.
    pub doubt_mm_s: f64,
    /// Allowed, mm/s.
    pub allowed_mm_s: f64,
}

impl Standard {
    /// A straight one between two speeds.
    #[must_use]
    pub fn straight(name: &str, version: u32, class: &str, decided: &str, ends_km_h: (f64, f64)) -> Self {
        Self {
            schema: SCHEMA,
            name: name.to_owned(),
            version,
            class: class.to_owned(),
            decided: decided.to_owned(),
            about: "Proposed from the curves of the engines that are to keep it.".to_owned(),
            tolerance_percent: 2.0,
            floor_km_h: 0.5,
            points_km_h: vec![(1, ends_km_h.0), (28, ends_km_h.1)],
        }
    }

    /// From the text of a file.
    ///
    /// # Errors
    /// What is wrong, in words.
    pub fn read(text: &str) -> Result<Self, String> {
        let standard: Self = toml::from_str(text).map_err(|error| error.to_string())?;
        if standard.schema != SCHEMA {
            return Err(format!("schema {} where {SCHEMA} was expected", standard.schema));
        }
        let letters = |name: &str| {
            !name.is_empty() && name.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-')
        };
        if !letters(&standard.name) || standard.version == 0 {
            return Err(
                "a name is of small letters, digits and hyphens, and versions begin with 1".to_owned()
            );
        }
        let positive = |value: f64| value.is_finite() && value > 0.0;
        if !positive(standard.tolerance_percent) || !positive(standard.floor_km_h) {
            return Err("tolerance_percent and floor_km_h are above 0".to_owned());
        }
        standard.target(1.0)?;
        Ok(standard)
    }

    /// As the text of a file.
    ///
    /// # Errors
    /// The form refuses it, which no standard that was read does.
    pub fn text(&self) -> Result<String, String> {
        toml::to_string(self).map_err(|error| error.to_string())
    }

    /// `name@version`.
    #[must_use]
    pub fn full_name(&self) -> String {
        format!("{}@{}", self.name, self.version)
    }

    /// The wanted speeds of a model of this ratio.
    ///
    /// # Errors
    /// Its points don't run from entry 1 to 28, or fall.
    pub fn target(&self, ratio: f64) -> Result<Target, String> {
        let points: Vec<(f64, f64)> = self
            .points_km_h
            .iter()
            .map(|(entry, kmh)| (f64::from(*entry), model_mm_s(*kmh, ratio)))
            .collect();
        Target::through(&points).map_err(|error| error.to_string())
    }

    /// How an engine of this ratio keeps it; none where nothing of it is known.
    #[must_use]
    pub fn kept(&self, engine: &EngineSpeeds, ratio: f64) -> Option<Kept> {
        let target = self.target(ratio).ok()?;
        let floor_mm_s = model_mm_s(self.floor_km_h, ratio);
        let mut all = Vec::new();
        for entry in 1..=ENTRIES {
            for direction in Direction::BOTH {
                let Some(figure) = engine.at(entry, direction) else { continue };
                let wanted = target.at(entry as f64);
                let deviation_mm_s = figure.speed_mm_s - wanted;
                let doubt_mm_s = 2.0 * libm::hypot(figure.own_u_mm_s, figure.shared_u_mm_s);
                let allowed_mm_s = (self.tolerance_percent / 100.0 * wanted).max(floor_mm_s);
                all.push(Kept {
                    verdict: judge_doubt(deviation_mm_s, doubt_mm_s, allowed_mm_s),
                    entry,
                    reverse: direction == Direction::Reverse,
                    deviation_mm_s,
                    doubt_mm_s,
                    allowed_mm_s,
                });
            }
        }
        let part = |kept: &Kept| kept.deviation_mm_s.abs() / kept.allowed_mm_s;
        all.into_iter().max_by(|a, b| a.verdict.cmp(&b.verdict).then(part(a).total_cmp(&part(b))))
    }

    /// The section of a bench file that asks for it.
    #[must_use]
    pub fn section(&self) -> String {
        let points: Vec<String> =
            self.points_km_h.iter().map(|(entry, kmh)| format!("[{entry}, \"{kmh} km/h\"]")).collect();
        format!(
            "# {}, for class {}\n[target]\npoints = [{}]\n",
            self.full_name(),
            self.class,
            points.join(", ")
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fleet::speeds::Figure;
    use proptest::prelude::*;

    fn goods() -> Standard {
        Standard {
            points_km_h: vec![(1, 3.0), (14, 35.0), (28, 80.0)],
            ..Standard::straight("goods", 3, "goods", "2026-11-27", (3.0, 80.0))
        }
    }

    #[test]
    fn a_scale_speed_is_a_model_speed_by_the_ratio() {
        // 80 km/h are 22 222.2 mm/s; at 1:87 that is 255.43 mm/s. Entry 21 lies half way from 35 to 80.
        let target = goods().target(87.0).unwrap();
        assert!((target.top() - 255.427).abs() < 1e-3, "{}", target.top());
        assert!((target.at(21.0) - 57.5 / 0.0036 / 87.0).abs() < 1e-9);
        assert_eq!(goods().full_name(), "goods@3");
    }

    #[test]
    fn an_engine_of_which_nothing_is_known_is_not_judged() {
        let engine = EngineSpeeds {
            engine: "Dunlin".to_owned(),
            axle: String::new(),
            entries: vec![[None, None]; ENTRIES],
            warming: [None, None],
        };
        assert_eq!(goods().kept(&engine, 87.0), None);
    }

    proptest! {
        /// Against all 56 figures, one after the other, in other words.
        #[test]
        fn the_worst_figure_decides(
            off in prop::collection::vec((-0.06f64..0.06, 0.0005f64..0.01), 56),
            shared in 0.0f64..0.01,
        ) {
            // km/h of the original at each entry, the points joined by straight lines, in mm/s at 1:87.
            let wanted = |entry: usize| {
                let at = entry as f64;
                let kmh = if entry <= 14 { 3.0 + (at - 1.0) * 32.0 / 13.0 } else { 35.0 + (at - 14.0) * 45.0 / 14.0 };
                kmh * 1e6 / 3600.0 / 87.0
            };
            let figure = |entry: usize, side: usize| {
                let (part, u) = off[2 * (entry - 1) + side];
                let speed_mm_s = wanted(entry) * (1.0 + part);
                Figure { speed_mm_s, own_u_mm_s: u * speed_mm_s, shared_u_mm_s: shared * speed_mm_s }
            };
            let engine = EngineSpeeds {
                engine: "Dunlin".to_owned(),
                axle: String::new(),
                entries: (1..=ENTRIES).map(|entry| [0, 1].map(|side| Some(figure(entry, side)))).collect(),
                warming: [None, None],
            };
            let floor = 0.5 * 1e6 / 3600.0 / 87.0;
            let (mut beyond, mut sure) = (false, true);
            for entry in 1..=ENTRIES {
                for side in 0..2 {
                    let seen = figure(entry, side);
                    let allowed = (0.02 * wanted(entry)).max(floor);
                    let by = (seen.speed_mm_s - wanted(entry)).abs();
                    let own = seen.own_u_mm_s * seen.own_u_mm_s;
                    let doubt = 2.0 * libm::sqrt(own + seen.shared_u_mm_s * seen.shared_u_mm_s);
                    beyond |= by - doubt > allowed;
                    sure &= by + doubt <= allowed;
                }
            }
            let expected = if beyond { Verdict::Fail } else if sure { Verdict::Pass } else { Verdict::Marginal };
            let kept = goods().kept(&engine, 87.0).unwrap();
            prop_assert_eq!(kept.verdict, expected);
            let named = engine.at(kept.entry, if kept.reverse { Direction::Reverse } else { Direction::Forward });
            prop_assert!((named.unwrap().speed_mm_s - wanted(kept.entry) - kept.deviation_mm_s).abs() < 1e-9);
        }
    }
}
