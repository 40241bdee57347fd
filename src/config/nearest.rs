//! The nearest valid name to one that is not.
//!
//! Place in the data's path: every problem that comes from a name asks here for its help line.

/// Joins names for a message: `a, b, c`.
pub(super) fn listed<'a>(names: impl IntoIterator<Item = &'a str>) -> String {
    names.into_iter().collect::<Vec<_>>().join(", ")
}

/// The candidate nearest to what was given, where one is near enough to be meant: at most a
/// third of the letters differ, upper and lower case and `-` and `_` counting as the same.
pub(super) fn nearest<'a>(
    given: &str,
    candidates: impl IntoIterator<Item = &'a str>,
) -> Option<&'a str> {
    let plain = |name: &str| name.to_lowercase().replace('_', "-");
    let given = plain(given);
    let longest = given.chars().count();
    candidates
        .into_iter()
        .map(|name| (strsim::damerau_levenshtein(&given, &plain(name)), name))
        .filter(|(distance, name)| *distance <= (longest.max(name.len()) / 3).max(1))
        .min_by_key(|(distance, _)| *distance)
        .map(|(_, name)| name)
}

/// The help line for a name that is not one of the candidates.
pub(super) fn help_for(given: &str, candidates: &[&str]) -> Option<String> {
    if let Some(name) = nearest(given, candidates.iter().copied()) {
        return Some(format!("did you mean `{name}`?"));
    }
    if candidates.is_empty() {
        return None;
    }
    Some(format!(
        "known here: {}",
        listed(candidates.iter().copied())
    ))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_near_name_is_found_and_a_far_one_is_not() {
        let names = ["heat-pump", "dual-fuel", "furnace-and-cooling"];
        assert_eq!(nearest("heatpump", names), Some("heat-pump"));
        assert_eq!(nearest("Dual_Fuel", names), Some("dual-fuel"));
        assert_eq!(nearest("chiller", names), None);
    }

    #[test]
    fn a_far_name_lists_what_is_known() {
        assert_eq!(
            help_for("chiller", &["on", "off"]).as_deref(),
            Some("known here: on, off")
        );
        assert_eq!(help_for("x", &[]), None);
    }
}
