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

/// Whether it is written as ISO 3166 writes a country (`US`) or a part of one (`US-WA`). `UK` is none of its countries: the
/// United Kingdom is `GB`.
///
/// # Examples
/// ```
/// use chairtide::domain::jurisdiction::is_code;
/// assert!(is_code("GB") && is_code("US-WA") && is_code("AU-SA"));
/// assert!(!is_code("UK") && !is_code("Washington") && !is_code("us-wa") && !is_code("US-WASH"));
/// ```
#[must_use]
pub fn is_code(text: &str) -> bool {
    let (country, part) = text.split_once('-').map_or((text, None), |(country, part)| (country, Some(part)));
    let is_part = |part: &str| {
        (1..=3).contains(&part.len()) && part.bytes().all(|b| b.is_ascii_uppercase() || b.is_ascii_digit())
    };
    country.len() == 2 && country.bytes().all(|b| b.is_ascii_uppercase()) && country != "UK" && part.is_none_or(is_part)
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
