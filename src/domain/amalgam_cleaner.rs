//! May this cleaner go through lines that discharge amalgam? Acid and oxidisers set its mercury free.
//!
//! The rule of this file: the rule's own words refuse, and only where it is in force; everything else that gives cause
//! for care is a warning. The rule is data: its range, its place and its dates come with it.

use std::sync::LazyLock;

use chrono::NaiveDate;
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::fault::Fault;
use super::jurisdiction::applies_at;
use super::limit::{Limit, Qualifier, optional_decimal_text};
use super::product::PhClass;

static SHIPPED: LazyLock<Vec<AmalgamRule>> = LazyLock::new(|| {
    serde_json::from_str(include_str!("amalgam_cleaner/rules.json")).expect("the shipped rules are read by a test")
});

/// The rules that are shipped, in `amalgam_cleaner/rules.json`: one for each place that has one.
#[must_use]
pub fn shipped() -> &'static [AmalgamRule] {
    &SHIPPED
}

/// A rule that keeps oxidising and acidic cleaners out of lines that discharge amalgam, unless their pH keeps its limits.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct AmalgamRule {
    /// The limits of pH, each with its source, the place it is law at and its dates.
    pub limits: Vec<Limit>,
}

impl AmalgamRule {
    /// Whether it is law at a place on a day.
    #[must_use]
    pub fn is_in_force(&self, place: &str, on: NaiveDate) -> bool {
        self.limits.iter().all(|limit| applies_at(&limit.jurisdiction, place) && limit.is_in_force(on))
    }

    /// Where it comes from, as it is told beside a verdict.
    #[must_use]
    pub fn cited(&self) -> String {
        let source = self.limits.first().map(|limit| &limit.source);
        source.map(|source| format!("{}, {}", source.title, source.locator)).unwrap_or_default()
    }

    fn is_kept_by(&self, ph: Decimal) -> bool {
        self.limits.iter().all(|limit| limit.is_kept_by(Qualifier::Eq, ph) == Some(true))
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
    /// How acid its label calls it, where it gives no figure.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ph_class: Option<PhClass>,
}

impl LineCleaner {
    /// Every broken rule, with pointers relative to the cleaner.
    #[must_use]
    pub fn faults(&self) -> Vec<Fault> {
        let plausible = |ph: Decimal| (Decimal::ZERO..=Decimal::from(14)).contains(&ph);
        if self.ph.is_none_or(plausible) { Vec::new() } else { vec![Fault::new("/ph", "must be from 0 to 14")] }
    }

    /// Whether such a rule's words can name it though its pH is not known: it oxidises, or nothing says that it is no acid.
    fn may_be_named(&self) -> bool {
        self.oxidising || !matches!(self.ph_class, Some(PhClass::Neutral | PhClass::Alkaline))
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
/// without [`LineCleaner::faults`]. One whose pH is not recorded cannot be shown to keep a rule that is in force.
///
/// # Examples
/// ```
/// use chairtide::domain::amalgam_cleaner::{CleanerVerdict, LineCleaner, judge_cleaner, shipped};
/// let rule = &shipped()[0];
/// let peroxide = LineCleaner { oxidising: true, ph: Some(4.into()), ph_class: None };
/// let on = chrono::NaiveDate::from_ymd_opt(2026, 11, 26).unwrap();
/// assert_eq!(judge_cleaner(rule, &peroxide, true, "US-WA", on).verdict, CleanerVerdict::Refused);
/// assert_eq!(judge_cleaner(rule, &peroxide, true, "DE", on).verdict, CleanerVerdict::Warned);
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
    let in_force = rule.is_in_force(place, on);
    let Some(ph) = cleaner.ph else {
        return if in_force && cleaner.may_be_named() {
            answer(Refused, "pH not recorded, so nothing shows that it keeps the amalgam rule in force here")
        } else {
            answer(Warned, "pH not recorded, so the amalgam rule cannot be looked up")
        };
    };
    let neutral = Decimal::from(7);
    let outside = !rule.is_kept_by(ph);
    let caught = outside && (cleaner.oxidising || ph < neutral);
    match (outside, caught, in_force) {
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
        LineCleaner { oxidising, ph: Some(ph.parse().unwrap()), ph_class: None }
    }

    fn verdict(cleaner: LineCleaner, place: &str) -> CleanerVerdict {
        judge_cleaner(&shipped()[0], &cleaner, true, place, day(2026)).verdict
    }

    /// 40 CFR 441.30(b)(2), read: pH 6 to 8. In force from 2017-07-14: thirty days (rule's own DATES, read in its text before
    /// publication) after 2017-06-14 (82 FR 27154, read in a quotation); the sum is computed.
    #[test]
    fn the_shipped_rule_is_the_federal_one_with_its_figures_source_and_date() {
        let [rule] = shipped() else { panic!("one rule is shipped") };
        let told: Vec<String> = rule.limits.iter().map(ToString::to_string).collect();
        assert_eq!(told, ["≥ 6 [pH]", "≤ 8 [pH]"]);
        for limit in &rule.limits {
            assert_eq!(limit.faults(), []);
            assert_eq!((limit.jurisdiction.as_str(), limit.legal), ("US", true));
            assert_eq!(limit.source.locator, "441.30(b)(2)");
        }
        let published = NaiveDate::from_ymd_opt(2017, 6, 14).unwrap();
        let first = published + chrono::Days::new(30);
        assert!(rule.is_in_force("US-WA", first) && !rule.is_in_force("US-WA", first.pred_opt().unwrap()));
        assert!(!rule.is_in_force("GB-ENG", first));
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

    /// Its words name what oxidises or is acid; where the pH is not known, only a label that says otherwise rules that out.
    #[test]
    fn a_cleaner_of_unknown_ph_is_refused_where_the_rule_may_name_it_and_warned_about_elsewhere() {
        use PhClass::{Acidic, Alkaline, Neutral};
        for (oxidising, ph_class, in_force) in [
            (true, None, Refused),
            (true, Some(Neutral), Refused),
            (true, Some(Alkaline), Refused),
            (false, None, Refused),
            (false, Some(Acidic), Refused),
            (false, Some(Neutral), Warned),
            (false, Some(Alkaline), Warned),
        ] {
            let cleaner = LineCleaner { oxidising, ph: None, ph_class };
            assert_eq!(verdict(cleaner, "US"), in_force, "{cleaner:?}");
            assert_eq!(verdict(cleaner, "DE"), Warned, "{cleaner:?}");
            assert!(judge_cleaner(&shipped()[0], &cleaner, true, "US", day(2026)).reason.contains("pH not recorded"));
        }
    }

    #[test]
    fn lines_without_amalgam_are_not_the_rules_business() {
        let answer = judge_cleaner(&shipped()[0], &cleaner(true, "4"), false, "US", day(2026));
        assert_eq!(answer.verdict, Allowed);
    }

    #[test]
    fn the_dates_of_a_rule_are_kept() {
        let mut rule = shipped()[0].clone();
        for limit in &mut rule.limits {
            (limit.effective_from, limit.effective_until) = (Some(day(2026)), Some(day(2028)));
        }
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
