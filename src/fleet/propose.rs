//! The best common target that several engines can hold: as fast as the slowest of them, as slow as the roughest.
use crate::station::Direction;
use serde::Serialize;
use thiserror::Error;

/// What an engine can do in one direction: speeds and doubts (k = 1), mm/s.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Reach {
    /// At full drive.
    pub fastest_mm_s: (f64, f64),
    /// The slowest that it keeps.
    pub slowest_mm_s: (f64, f64),
}

/// An engine to be asked.
#[derive(Clone, Debug, PartialEq)]
pub struct Candidate {
    /// Its name.
    pub engine: String,
    /// Forward and reverse.
    pub reach: [Reach; 2],
}

/// Who limits one end.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Limiter {
    /// The engine.
    pub engine: String,
    /// In reverse.
    pub reverse: bool,
    /// Where this end would lie without that engine, mm/s; none: it is the only one.
    pub without_mm_s: Option<f64>,
}

/// A common target.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Proposal {
    /// Speed at entry 1, mm/s.
    pub creep_mm_s: f64,
    /// Speed at entry 28, mm/s.
    pub top_mm_s: f64,
    /// Who limits the creep.
    pub creep_by: Limiter,
    /// Who limits the top.
    pub top_by: Limiter,
}

/// Why there is none.
#[derive(Clone, Debug, PartialEq, Error)]
pub enum NoProposal {
    /// No engine whose curve is known.
    #[error("no engine with a known curve was named")]
    Nobody,
    /// The slowest top lies below the roughest creep.
    #[error(
        "{top_by} reaches {top_mm_s:.1} mm/s at most, and {creep_by} runs no slower than {creep_mm_s:.1} mm/s"
    )]
    Apart {
        /// Limits the top.
        top_by: String,
        /// The top.
        top_mm_s: f64,
        /// Limits the creep.
        creep_by: String,
        /// The creep.
        creep_mm_s: f64,
    },
}

/// The best straight target: top a part `headroom` below what the slowest surely reaches, creep what the roughest surely keeps (95 %).
///
/// # Errors
/// Nobody to ask, or they have no speed in common.
pub fn propose(engines: &[Candidate], headroom: f64) -> Result<Proposal, NoProposal> {
    let top = |reach: Reach| (reach.fastest_mm_s.0 - 2.0 * reach.fastest_mm_s.1) * (1.0 - headroom);
    let creep = |reach: Reach| reach.slowest_mm_s.0 + 2.0 * reach.slowest_mm_s.1;
    let all = || {
        engines.iter().flat_map(|engine| {
            Direction::BOTH.iter().zip(engine.reach).map(move |(way, reach)| (engine, *way, reach))
        })
    };
    let slowest = all().min_by(|a, b| top(a.2).total_cmp(&top(b.2))).ok_or(NoProposal::Nobody)?;
    let roughest = all().max_by(|a, b| creep(a.2).total_cmp(&creep(b.2))).ok_or(NoProposal::Nobody)?;
    let (top_mm_s, creep_mm_s) = (top(slowest.2), creep(roughest.2));
    if creep_mm_s >= top_mm_s {
        return Err(NoProposal::Apart {
            top_by: slowest.0.engine.clone(),
            top_mm_s,
            creep_by: roughest.0.engine.clone(),
            creep_mm_s,
        });
    }
    let without = |who: &Candidate, of: &dyn Fn(Reach) -> f64| -> Vec<f64> {
        all().filter(|(engine, ..)| !std::ptr::eq(*engine, who)).map(|(_, _, reach)| of(reach)).collect()
    };
    Ok(Proposal {
        creep_mm_s,
        top_mm_s,
        top_by: Limiter {
            engine: slowest.0.engine.clone(),
            reverse: slowest.1 == Direction::Reverse,
            without_mm_s: without(slowest.0, &top).into_iter().min_by(f64::total_cmp),
        },
        creep_by: Limiter {
            engine: roughest.0.engine.clone(),
            reverse: roughest.1 == Direction::Reverse,
            without_mm_s: without(roughest.0, &creep).into_iter().max_by(f64::total_cmp),
        },
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn candidate(engine: &str, ends: [(f64, f64); 2]) -> Candidate {
        let reach =
            |(slow, fast): (f64, f64)| Reach { fastest_mm_s: (fast, 0.01 * fast), slowest_mm_s: (slow, 0.1) };
        Candidate { engine: engine.to_owned(), reach: ends.map(reach) }
    }

    #[test]
    fn the_slowest_limits_the_top_and_the_roughest_the_creep() {
        let engines = [
            candidate("Lapwing", [(10.0, 300.0), (11.0, 310.0)]),
            candidate("Avocet", [(20.0, 400.0), (18.0, 390.0)]),
            candidate("Curlew", [(5.0, 500.0), (6.0, 480.0)]),
        ];
        let found = propose(&engines, 0.05).unwrap();
        // 300 less 2 % doubt, less 5 %: 279.3.
        assert!((found.top_mm_s - 279.3).abs() < 1e-9, "{}", found.top_mm_s);
        assert!((found.creep_mm_s - 20.2).abs() < 1e-9);
        assert_eq!((found.top_by.engine.as_str(), found.top_by.reverse), ("Lapwing", false));
        assert_eq!((found.creep_by.engine.as_str(), found.creep_by.reverse), ("Avocet", false));
        assert!((found.top_by.without_mm_s.unwrap() - 390.0 * 0.98 * 0.95).abs() < 1e-9);
        assert!((found.creep_by.without_mm_s.unwrap() - 11.2).abs() < 1e-9);
    }

    #[test]
    fn who_has_no_speed_in_common_is_named() {
        let engines = [candidate("Lapwing", [(10.0, 60.0); 2]), candidate("Dunlin", [(80.0, 300.0); 2])];
        let refused = propose(&engines, 0.05).unwrap_err().to_string();
        assert!(
            refused.contains("Lapwing reaches") && refused.contains("Dunlin runs no slower"),
            "{refused}"
        );
        assert_eq!(propose(&[], 0.05), Err(NoProposal::Nobody));
    }

    proptest! {
        #[test]
        fn every_engine_holds_it_and_nothing_better_is_held_by_all(
            ends in prop::collection::vec((1.0f64..30.0, 100.0f64..600.0, 1.0f64..30.0, 100.0f64..600.0), 1..8),
        ) {
            let engines: Vec<Candidate> = ends
                .iter()
                .enumerate()
                .map(|(at, e)| candidate(&at.to_string(), [(e.0, e.1), (e.2, e.3)]))
                .collect();
            let found = propose(&engines, 0.05).unwrap();
            let holds = |creep: f64, top: f64| {
                engines.iter().flat_map(|engine| engine.reach).all(|reach| {
                    top <= 0.95 * (reach.fastest_mm_s.0 - 2.0 * reach.fastest_mm_s.1) + 1e-9
                        && creep >= reach.slowest_mm_s.0 + 2.0 * reach.slowest_mm_s.1 - 1e-9
                })
            };
            prop_assert!(holds(found.creep_mm_s, found.top_mm_s));
            prop_assert!(!holds(found.creep_mm_s, found.top_mm_s + 0.01));
            prop_assert!(!holds(found.creep_mm_s - 0.01, found.top_mm_s));
        }
    }
}
