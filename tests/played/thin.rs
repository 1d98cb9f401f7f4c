//! Fewer cases where the time is short: the gate plays every second one, `PACEWRIGHT_CASES=all` plays all.

/// Every second of the cases, where not all are to be played.
pub(crate) fn thinned<C>(cases: Vec<C>) -> Vec<C> {
    if std::env::var("PACEWRIGHT_CASES").is_ok_and(|cases| cases == "all") {
        return cases;
    }
    cases.into_iter().step_by(2).collect()
}
