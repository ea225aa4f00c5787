//! Whose law applies where: codes of ISO 3166, a country (`US`) or a part of one (`US-WA`).
//!
//! The rule of this file: what a country says holds in its parts; what a part says holds nowhere else.

/// Whether something of `jurisdiction` applies at a `place`. An empty jurisdiction applies everywhere.
///
/// # Examples
/// ```
/// use chairtide::domain::jurisdiction::applies_at;
/// assert!(applies_at("US", "US-WA"));
/// assert!(!applies_at("US-WA", "US-CA"));
/// assert!(applies_at("", "GB-ENG"));
/// ```
#[must_use]
pub fn applies_at(jurisdiction: &str, place: &str) -> bool {
    if jurisdiction.is_empty() {
        return true;
    }
    // `get` and not a slice: a clinic's place is free text and may be cut between bytes of a letter.
    place.get(..jurisdiction.len()).is_some_and(|start| start.eq_ignore_ascii_case(jurisdiction))
        && matches!(place.as_bytes().get(jurisdiction.len()), None | Some(b'-'))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_country_covers_its_parts_and_a_part_only_itself() {
        let cases = [
            ("US", "US", true),
            ("US", "us-wa", true),
            ("US-WA", "US-WA", true),
            ("US-WA", "US", false),
            ("US-WA", "US-W", false),
            ("U", "US", false),
            ("US", "", false),
            ("US", "USA", false),
            ("US", "Üx", false),
            ("", "", true),
        ];
        for (jurisdiction, place, applies) in cases {
            assert_eq!(applies_at(jurisdiction, place), applies, "{jurisdiction:?} at {place:?}");
        }
    }
}
