//! Fewer cases where the time is short: the gate plays about every second one, `PACEWRIGHT_CASES=all` plays all.

/// About every second of the cases, where not all are to be played.
pub(crate) fn thinned<C>(cases: Vec<C>) -> Vec<C> {
    if std::env::var("PACEWRIGHT_CASES").is_ok_and(|cases| cases == "all") {
        return cases;
    }
    // Not every other one: rows of an even number of cases would lose the same ones each.
    let kept = |at: usize| (at.wrapping_mul(0x9E37_79B9) >> 16) & 1 == 0;
    cases.into_iter().enumerate().filter_map(|(at, case)| kept(at).then_some(case)).collect()
}
