//! What fits into an evening, by what earlier runs took.
use serde::Serialize;

/// So many of the newest runs of an engine count.
pub const NEWEST: usize = 5;
/// Minutes from door to door of an engine where nothing is known at all: some warm-up, some fifty points, a verify (from the
/// simulated engines that come with the program).
pub const DEFAULT_MINUTES: f64 = 30.0;
/// Minutes of hands where nothing is known: put on the rollers, look at it, take off (common practice, no source).
pub const DEFAULT_HANDS_ON: f64 = 5.0;

/// What earlier runs of an engine took.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct History {
    /// The engine.
    pub engine: String,
    /// Minutes of each whole run, the oldest first: bench minutes, with what a person did meanwhile.
    pub minutes: Vec<f64>,
    /// Minutes of them in which it waited for a person.
    pub hands_on: Vec<f64>,
}

/// An engine of the evening.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Place {
    /// The engine.
    pub engine: String,
    /// Begin, minutes after the evening's.
    pub begins_min: f64,
    /// Its end.
    pub ends_min: f64,
    /// Minutes of it with hands on, the change of engines among them.
    pub hands_on_min: f64,
    /// Least and most of what its runs took; none: it never ran, the fleet's median counts.
    pub range_min: Option<(f64, f64)>,
}

/// The evening.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Evening {
    /// Engines that fit, in their order.
    pub places: Vec<Place>,
    /// Engines that do not.
    pub left_over: Vec<String>,
}

fn median(values: &[f64]) -> Option<f64> {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let middle = sorted.len() / 2;
    match sorted.len() {
        0 => None,
        even if even % 2 == 0 => Some(f64::midpoint(sorted[middle - 1], sorted[middle])),
        _ => Some(sorted[middle]),
    }
}

fn newest(values: &[f64]) -> &[f64] {
    &values[values.len().saturating_sub(NEWEST)..]
}

/// Plans `minutes` of time for these engines in their order, or the shortest first, which gets the most of them in.
/// `change_min` is what it takes to exchange one for the next. An engine that does not fit is passed over for one behind it that does.
#[must_use]
pub fn evening(engines: &[History], minutes: f64, change_min: f64, shortest_first: bool) -> Evening {
    let all = |of: fn(&History) -> &Vec<f64>| -> Vec<f64> {
        engines.iter().flat_map(|engine| newest(of(engine)).to_vec()).collect()
    };
    let usual = median(&all(|engine| &engine.minutes)).unwrap_or(DEFAULT_MINUTES);
    let usual_hands = median(&all(|engine| &engine.hands_on)).unwrap_or(DEFAULT_HANDS_ON);
    let takes = |engine: &History| median(newest(&engine.minutes)).unwrap_or(usual);
    let mut order: Vec<&History> = engines.iter().collect();
    if shortest_first {
        order.sort_by(|a, b| takes(a).total_cmp(&takes(b)));
    }
    let mut evening = Evening { places: Vec::new(), left_over: Vec::new() };
    let mut now = 0.0;
    for engine in order {
        let ends = now + change_min + takes(engine);
        if ends > minutes {
            evening.left_over.push(engine.engine.clone());
            continue;
        }
        let seen = newest(&engine.minutes);
        let range = seen
            .iter()
            .copied()
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(least, most), one| (least.min(one), most.max(one)));
        evening.places.push(Place {
            engine: engine.engine.clone(),
            begins_min: now,
            ends_min: ends,
            hands_on_min: change_min + median(newest(&engine.hands_on)).unwrap_or(usual_hands),
            range_min: (!seen.is_empty()).then_some(range),
        });
        now = ends;
    }
    evening
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn history(engine: &str, minutes: &[f64]) -> History {
        History { engine: engine.to_owned(), minutes: minutes.to_vec(), hands_on: vec![2.0; minutes.len()] }
    }

    #[test]
    fn engines_fit_by_what_their_own_runs_took() {
        let engines = [
            history("Lapwing", &[90.0, 20.0, 22.0, 24.0, 26.0, 28.0]),
            history("Avocet", &[]),
            history("Dunlin", &[40.0]),
        ];
        let planned = evening(&engines, 90.0, 4.0, false);
        // The oldest of six no longer counts; an engine that never ran takes the median of 20 22 24 26 28 40.
        let ends: Vec<f64> = planned.places.iter().map(|place| place.ends_min).collect();
        assert_eq!(ends, [28.0, 57.0]);
        assert_eq!(planned.left_over, ["Dunlin"]);
        assert_eq!(planned.places[0].range_min, Some((20.0, 28.0)));
        assert_eq!(planned.places[1].range_min, None);
        assert!((planned.places[0].hands_on_min - 6.0).abs() < 1e-12);
        let nothing_known = evening(&[history("Curlew", &[])], 60.0, 0.0, false);
        assert!((nothing_known.places[0].ends_min - DEFAULT_MINUTES).abs() < 1e-12);
    }

    proptest! {
        #[test]
        fn nothing_overlaps_nothing_is_late_and_the_shortest_first_gets_the_most_in(
            took in prop::collection::vec(1.0f64..60.0, 0..9),
            minutes in 0.0f64..200.0,
        ) {
            let engines: Vec<History> =
                took.iter().enumerate().map(|(at, one)| history(&at.to_string(), &[*one])).collect();
            let planned = evening(&engines, minutes, 3.0, true);
            let mut now = 0.0;
            for place in &planned.places {
                prop_assert!(place.begins_min >= now && place.ends_min <= minutes);
                now = place.ends_min;
            }
            prop_assert_eq!(planned.places.len() + planned.left_over.len(), took.len());
            // By trying every choice.
            let most = (0u32..1 << took.len())
                .filter(|set| {
                    let sum: f64 = (0..took.len()).filter(|at| set & (1 << at) != 0).map(|at| took[at] + 3.0).sum();
                    sum <= minutes
                })
                .map(u32::count_ones)
                .max()
                .unwrap_or(0) as usize;
            prop_assert_eq!(planned.places.len(), most);
        }
    }
}
