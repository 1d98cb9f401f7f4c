//! The nearest known name, for people who mistyped one.

/// Names at least this alike are offered: one slip in a word of four letters still is, another word is not.
const ALIKE: f64 = 0.6;

/// The known name most like `name`, if any is like it.
pub(super) fn nearest<'k>(name: &str, known: impl Iterator<Item = &'k str>) -> Option<&'k str> {
    let plain = |text: &str| text.trim().to_lowercase().replace(['-', ' '], "_");
    let name = plain(name);
    let alike = |other: &str| strsim::normalized_damerau_levenshtein(&name, &plain(other));
    let known: Vec<&str> = known.collect();
    // A known name with something hung on, as a unit: the longest wins.
    let hung_on = |other: &&&str| name.strip_prefix(&plain(other)).is_some_and(|rest| rest.starts_with('_'));
    if let Some(other) = known.iter().filter(hung_on).max_by_key(|other| other.len()) {
        return Some(other);
    }
    known
        .into_iter()
        .map(|other| (alike(other), other))
        .filter(|(alike, _)| *alike >= ALIKE)
        // The first of equals wins, so the order of the table decides and not chance.
        .fold(None, |best: Option<(f64, &str)>, next| match best {
            Some(best) if best.0 >= next.0 => Some(best),
            _ => Some(next),
        })
        .map(|(_, other)| other)
}

#[cfg(test)]
mod tests {
    use super::nearest;

    #[test]
    fn slips_are_found_and_strangers_are_not() {
        let known = ["circumference", "diameter", "km/h", "mph", "mm/s"];
        assert_eq!(nearest("circumfrence", known.into_iter()), Some("circumference"));
        assert_eq!(nearest("Diameter", known.into_iter()), Some("diameter"));
        assert_eq!(nearest("kmh", known.into_iter()), Some("km/h"));
        assert_eq!(nearest("diameter_of_wheel", known.into_iter()), Some("diameter"));
        assert_eq!(nearest("wheelbase", known.into_iter()), None);
        assert_eq!(nearest("", known.into_iter()), None);
    }
}
