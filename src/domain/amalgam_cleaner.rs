//! May this cleaner go through lines that discharge amalgam? Acid and oxidisers set its mercury free.
//!
//! The rule of this file: the rule's own words refuse, and only where it is in force; everything else that gives cause
//! for care is a warning. The rule is data: its range, its place and its dates come with it.

use chrono::NaiveDate;
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::fault::Fault;
use super::jurisdiction::applies_at;
use super::limit::{Seen, Source, decimal_text, optional_decimal_text};

/// A rule that keeps oxidising and acidic cleaners out of lines that discharge amalgam, outside a range of pH.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct AmalgamRule {
    /// Lowest pH that is left alone.
    #[serde(with = "decimal_text")]
    #[schema(value_type = String, pattern = r"^-?[0-9]{1,12}(\.[0-9]{1,9})?$", example = "6")]
    pub lowest_ph: Decimal,
    /// Highest pH that is left alone.
    #[serde(with = "decimal_text")]
    #[schema(value_type = String, pattern = r"^-?[0-9]{1,12}(\.[0-9]{1,9})?$", example = "8")]
    pub highest_ph: Decimal,
    /// Where it is law, by ISO 3166; empty: everywhere.
    #[schema(example = "US")]
    pub jurisdiction: String,
    /// Where it comes from.
    pub source: Source,
    /// First day it is in force; absent: always was.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub effective_from: Option<NaiveDate>,
    /// Last day it is in force; absent: still is.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub effective_until: Option<NaiveDate>,
}

impl AmalgamRule {
    /// The federal rule of the United States: 40 CFR 441.30(b)(2), pH below 6 or above 8 (read). The date it came into
    /// force was not noted when it was read, so none stands here.
    #[must_use]
    pub fn us_federal() -> Self {
        Self {
            lowest_ph: 6.into(),
            highest_ph: 8.into(),
            jurisdiction: "US".to_owned(),
            source: Source {
                title: "US EPA, 40 CFR Part 441".to_owned(),
                edition: "date not noted when it was seen".to_owned(),
                locator: "441.30(b)(2)".to_owned(),
                seen: Seen::Read,
            },
            effective_from: None,
            effective_until: None,
        }
    }

    /// Whether it is law at a place on a day.
    #[must_use]
    pub fn is_in_force(&self, place: &str, on: NaiveDate) -> bool {
        applies_at(&self.jurisdiction, place)
            && self.effective_from.is_none_or(|from| from <= on)
            && self.effective_until.is_none_or(|until| on <= until)
    }
}

/// A cleaner, as its label describes what goes into the line.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct LineCleaner {
    /// It oxidises: bleach, chlorine, iodine, peroxide and their like.
    pub oxidising: bool,
    /// Its pH as used, 0 to 14; absent where the label does not say.
    #[serde(default, with = "optional_decimal_text", skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>, pattern = r"^-?[0-9]{1,12}(\.[0-9]{1,9})?$", example = "7")]
    pub ph: Option<Decimal>,
}

impl LineCleaner {
    /// Every broken rule, with pointers relative to the cleaner.
    #[must_use]
    pub fn faults(&self) -> Vec<Fault> {
        let plausible = |ph: Decimal| (Decimal::ZERO..=Decimal::from(14)).contains(&ph);
        if self.ph.is_none_or(plausible) { Vec::new() } else { vec![Fault::new("/ph", "must be from 0 to 14")] }
    }
}

/// What is said about a cleaner.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum CleanerVerdict {
    /// The rule forbids it, and is in force here.
    Refused,
    /// Nothing forbids it here, and there is cause for care.
    Warned,
    /// Nothing speaks against it.
    Allowed,
}

/// The verdict on a cleaner, with its reason.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct CleanerAnswer {
    /// The verdict.
    pub verdict: CleanerVerdict,
    /// Why, as a sentence.
    pub reason: &'static str,
}

/// What a rule says about a cleaner for lines that discharge amalgam (or do not), at a place on a day. For a cleaner
/// without [`LineCleaner::faults`].
///
/// # Examples
/// ```
/// use chairtide::domain::amalgam_cleaner::{AmalgamRule, CleanerVerdict, LineCleaner, judge_cleaner};
/// let rule = AmalgamRule::us_federal();
/// let peroxide = LineCleaner { oxidising: true, ph: Some(4.into()) };
/// let on = chrono::NaiveDate::from_ymd_opt(2026, 11, 26).unwrap();
/// assert_eq!(judge_cleaner(&rule, &peroxide, true, "US-WA", on).verdict, CleanerVerdict::Refused);
/// assert_eq!(judge_cleaner(&rule, &peroxide, true, "DE", on).verdict, CleanerVerdict::Warned);
/// ```
#[must_use]
pub fn judge_cleaner(
    rule: &AmalgamRule,
    cleaner: &LineCleaner,
    discharges_amalgam: bool,
    place: &str,
    on: NaiveDate,
) -> CleanerAnswer {
    use CleanerVerdict::{Allowed, Refused, Warned};
    let answer = |verdict, reason| CleanerAnswer { verdict, reason };
    if !discharges_amalgam {
        return answer(Allowed, "these lines discharge no amalgam");
    }
    let Some(ph) = cleaner.ph else {
        return answer(Warned, "the pH is not recorded, so the amalgam rule cannot be looked up");
    };
    let neutral = Decimal::from(7);
    let outside = ph < rule.lowest_ph || ph > rule.highest_ph;
    let caught = outside && (cleaner.oxidising || ph < neutral);
    match (outside, caught, rule.is_in_force(place, on)) {
        (false, _, _) => answer(Allowed, "its pH is within the range of the amalgam rule"),
        (true, true, true) => {
            answer(Refused, "oxidising or acidic, and its pH is outside the range of the amalgam rule in force here")
        }
        (true, true, false) => answer(
            Warned,
            "oxidising or acidic, and its pH is outside the range of an amalgam rule that is not in force here",
        ),
        (true, false, _) => answer(
            Warned,
            "its pH is outside the range of the amalgam rule, whose words name only oxidising and acidic cleaners",
        ),
    }
}

#[cfg(test)]
mod tests {
    use CleanerVerdict::{Allowed, Refused, Warned};

    use super::*;

    fn day(year: i32) -> NaiveDate {
        NaiveDate::from_ymd_opt(year, 6, 1).unwrap()
    }

    fn cleaner(oxidising: bool, ph: &str) -> LineCleaner {
        LineCleaner { oxidising, ph: Some(ph.parse().unwrap()) }
    }

    fn verdict(cleaner: LineCleaner, place: &str) -> CleanerVerdict {
        judge_cleaner(&AmalgamRule::us_federal(), &cleaner, true, place, day(2026)).verdict
    }

    /// The rule's words (40 CFR 441.30(b)(2), read): oxidising or acidic cleaners that have a pH below 6 or above 8.
    /// The first four cases are those worked out from them (computed); the others lie beside the words' edges.
    #[test]
    fn the_words_of_the_rule_decide_where_it_is_in_force() {
        let cases = [
            (true, "4.0", Refused, Warned),
            (true, "6.0", Allowed, Allowed),
            (false, "7", Allowed, Allowed),
            (false, "9.5", Warned, Warned),
            (true, "5.99", Refused, Warned),
            (true, "8", Allowed, Allowed),
            (true, "8.01", Refused, Warned),
            (false, "5.99", Refused, Warned),
            (false, "6", Allowed, Allowed),
        ];
        for (oxidising, ph, in_force, elsewhere) in cases {
            let cleaner = cleaner(oxidising, ph);
            assert_eq!(verdict(cleaner, "US-WA"), in_force, "{cleaner:?} in the United States");
            assert_eq!(verdict(cleaner, "GB-ENG"), elsewhere, "{cleaner:?} in England");
        }
    }

    #[test]
    fn a_cleaner_of_unknown_ph_is_warned_about() {
        for oxidising in [true, false] {
            assert_eq!(verdict(LineCleaner { oxidising, ph: None }, "US"), Warned);
        }
    }

    #[test]
    fn lines_without_amalgam_are_not_the_rules_business() {
        let answer = judge_cleaner(&AmalgamRule::us_federal(), &cleaner(true, "4"), false, "US", day(2026));
        assert_eq!(answer.verdict, Allowed);
    }

    #[test]
    fn the_dates_of_a_rule_are_kept() {
        let rule = AmalgamRule {
            effective_from: Some(day(2026)),
            effective_until: Some(day(2028)),
            ..AmalgamRule::us_federal()
        };
        for (year, expected) in [(2025, Warned), (2026, Refused), (2028, Refused), (2029, Warned)] {
            let answer = judge_cleaner(&rule, &cleaner(true, "4"), true, "US", day(year));
            assert_eq!(answer.verdict, expected, "{year}");
        }
    }

    #[test]
    fn a_ph_off_the_scale_is_a_fault() {
        for (ph, faults) in [("-0.1", 1), ("0", 0), ("14", 0), ("14.1", 1)] {
            assert_eq!(cleaner(true, ph).faults().len(), faults, "{ph}");
        }
    }
}
