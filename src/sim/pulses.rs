//! A pulse sensor at the axle: edges, and the count of them.
use super::field;
use super::noise::nearest;
use super::spec::SensorSim;

/// An edge within a stretch of way.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Edge {
    /// Where in the stretch: 0 at its begin, 1 at its end.
    pub(super) share: f64,
    /// The count from it on.
    pub(super) count: i64,
}

/// The count of a pulse sensor.
#[derive(Clone, Debug)]
pub(super) struct Pulses {
    a_turn: f64,
    sees_direction: bool,
    count: i64,
    /// Where the wheel stood last, in pulses.
    stood: f64,
}

impl Pulses {
    pub(super) fn new(spec: &SensorSim, a_turn: u16, sees_direction: bool) -> Self {
        let a_turn = f64::from(a_turn.max(1));
        Self { a_turn, sees_direction, count: 0, stood: place(spec, a_turn, 0.0) }
    }

    /// The sensor counts from 0 again.
    pub(super) fn restart(&mut self) {
        self.count = 0;
    }

    /// The wheel has moved on to `turns`; the edges on the way.
    pub(super) fn go_to(&mut self, spec: &SensorSim, turns: f64) -> Vec<Edge> {
        let (from, to) = (self.stood, place(spec, self.a_turn, turns));
        self.stood = to;
        let (first, last) = (nearest(libm::floor(from)), nearest(libm::floor(to)));
        let up = last > first;
        let places: Vec<i64> =
            if up { (first + 1..=last).collect() } else { (last + 1..=first).rev().collect() };
        let mut edges = Vec::with_capacity(places.len());
        for place in places {
            self.count += if up || !self.sees_direction { 1 } else { -1 };
            edges.push(Edge { share: (place as f64 - from) / (to - from), count: self.count });
        }
        edges
    }

    /// The wheel has moved on to `turns`, and nobody saw it.
    pub(super) fn pass_unseen(&mut self, spec: &SensorSim, turns: f64) {
        self.stood = place(spec, self.a_turn, turns);
    }

    /// The count with the wheel a little further, at `turns`.
    pub(super) fn count_at(&self, spec: &SensorSim, turns: f64) -> i64 {
        let to = place(spec, self.a_turn, turns);
        let more = nearest(libm::floor(to)) - nearest(libm::floor(self.stood));
        self.count + if self.sees_direction { more } else { more.abs() }
    }
}

/// Where the wheel stands, in pulses: they do not stand quite evenly around it.
fn place(spec: &SensorSim, a_turn: f64, turns: f64) -> f64 {
    field::seen_turns(spec, turns) * a_turn
}

#[cfg(test)]
mod tests {
    use super::super::demo_engines;
    use super::*;

    /// To and fro between two places: what was passed is counted by hand, 4 pulses a turn, even.
    #[test]
    fn edges_are_counted_with_and_without_direction() {
        let spec = SensorSim { turn_error_rad: 0.0, ..demo_engines::lapwing(1).sensor };
        let way = [0.3, 1.1, 1.1, 0.9, -0.1, 0.05];
        for (sees_direction, expected) in [(true, [1, 4, 4, 3, -1, 0]), (false, [1, 4, 4, 5, 9, 10])] {
            let mut pulses = Pulses::new(&spec, 4, sees_direction);
            for (turns, count) in way.into_iter().zip(expected) {
                assert_eq!(pulses.count_at(&spec, turns), count, "{turns}");
                let edges = pulses.go_to(&spec, turns);
                assert_eq!(pulses.count, count, "{turns}");
                assert!(edges.last().is_none_or(|edge| edge.count == count));
            }
        }
    }

    #[test]
    fn an_edge_is_where_its_place_is_passed() {
        let spec = SensorSim { turn_error_rad: 0.0, ..demo_engines::lapwing(1).sensor };
        let mut pulses = Pulses::new(&spec, 2, true);
        assert_eq!(pulses.go_to(&spec, 0.4), []);
        // From 0.8 to 1.2 pulses, then back: the edge at 1 lies half-way.
        for (turns, count) in [(0.6, 1), (0.4, 0)] {
            let edges = pulses.go_to(&spec, turns);
            assert_eq!(edges.len(), 1);
            assert!((edges[0].share - 0.5).abs() < 1e-9 && edges[0].count == count, "{edges:?}");
        }
    }
}
