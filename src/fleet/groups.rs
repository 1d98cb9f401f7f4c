//! The best groups: the largest set of engines of which every two can be coupled, then the largest of the rest, and so on.
//!
//! A largest set of which every two are joined is a maximum clique. It is searched by branch and bound (Carraghan and Pardalos,
//! Operations Research Letters 9, 1990; from memory): a branch is left as soon as all its candidates together could not beat the
//! best found. That is exact, and for fleets of clubs quick; a fleet made to be nasty ends at the limit and is said to be unproved.
use serde::Serialize;

/// Branches looked into before the search is given up.
const BRANCHES_MOST: u64 = 200_000;

/// A group.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Group {
    /// Members, as their places in the list that was handed in, rising.
    pub members: Vec<usize>,
    /// No larger one can be made of the engines that were left; false: none was found in time.
    pub proved: bool,
}

struct Search<'a> {
    joined: &'a dyn Fn(usize, usize) -> bool,
    best: Vec<usize>,
    branches: u64,
}

impl Search<'_> {
    fn grow(&mut self, chosen: &mut Vec<usize>, candidates: &[usize]) {
        if chosen.len() > self.best.len() {
            self.best.clone_from(chosen);
        }
        for (at, next) in candidates.iter().enumerate() {
            self.branches += 1;
            if chosen.len() + candidates.len() - at <= self.best.len() || self.branches > BRANCHES_MOST {
                return;
            }
            let rest: Vec<usize> =
                candidates[at + 1..].iter().copied().filter(|other| (self.joined)(*next, *other)).collect();
            chosen.push(*next);
            self.grow(chosen, &rest);
            chosen.pop();
        }
    }
}

/// Groups of `count` engines, the largest first; `joined` says of two whether they can be coupled, in any order alike. Of
/// groups of one size the one with the engines that come first is taken.
#[must_use]
pub fn groups(count: usize, joined: &dyn Fn(usize, usize) -> bool) -> Vec<Group> {
    let mut left: Vec<usize> = (0..count).collect();
    let mut all = Vec::new();
    while !left.is_empty() {
        let mut search = Search { joined, best: Vec::new(), branches: 0 };
        search.grow(&mut Vec::new(), &left);
        let members = search.best;
        left.retain(|engine| !members.contains(engine));
        all.push(Group { members, proved: search.branches <= BRANCHES_MOST });
    }
    all
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// The size of the largest set of which every two are joined, by trying all.
    fn by_force(count: usize, joined: &dyn Fn(usize, usize) -> bool) -> usize {
        (0u32..1 << count)
            .filter(|set| {
                let members: Vec<usize> = (0..count).filter(|engine| set & (1 << engine) != 0).collect();
                members.iter().all(|one| members.iter().all(|other| one >= other || joined(*one, *other)))
            })
            .map(u32::count_ones)
            .max()
            .unwrap_or(0) as usize
    }

    proptest! {
        #[test]
        fn the_first_group_is_as_large_as_any_and_all_are_whole(
            count in 0usize..11,
            edges in prop::collection::vec(any::<bool>(), 121),
        ) {
            let joined = |one: usize, other: usize| edges[one.min(other) * 11 + one.max(other)];
            let all = groups(count, &joined);
            prop_assert_eq!(all.first().map_or(0, |group| group.members.len()), by_force(count, &joined));
            let mut seen: Vec<usize> = all.iter().flat_map(|group| group.members.clone()).collect();
            seen.sort_unstable();
            prop_assert_eq!(seen, (0..count).collect::<Vec<_>>(), "everybody is in one group");
            for group in &all {
                prop_assert!(group.proved);
                for one in &group.members {
                    for other in group.members.iter().filter(|other| *other > one) {
                        prop_assert!(joined(*one, *other));
                    }
                }
            }
            for pair in all.windows(2) {
                prop_assert!(pair[0].members.len() >= pair[1].members.len());
            }
        }
    }

    #[test]
    fn two_hundred_engines_that_are_joined_without_order_come_to_an_end() {
        // Half of all pairs, by a multiplicative hash: the kind that is hardest.
        let joined = |one: usize, other: usize| {
            let (low, high) = (one.min(other) as u64, one.max(other) as u64);
            (low * 1_000_003 + high * 7_919).wrapping_mul(0x9E37_79B9_7F4A_7C15) >> 63 == 0
        };
        let all = groups(200, &joined);
        assert_eq!(all.iter().map(|group| group.members.len()).sum::<usize>(), 200);
        assert!(all[0].members.len() >= 7, "{:?}", all[0]);
    }
}
