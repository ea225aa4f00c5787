//! A limit is data: operator, value, unit, source, edition and dates, so that two published wordings of one figure
//! ("at most 500" and "fewer than 500") are two limits and not two opinions in code.
//!
//! The rule of this file: a reading that is only known to lie on one side of a number passes or fails only where that
//! settles the question; otherwise the answer is that it does not.

use std::fmt;

use chrono::NaiveDate;
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::fault::{Fault, check_optional_text, check_text};

/// How a reading is compared with a limit.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Operator {
    /// Reading must be less than the value.
    Lt,
    /// Reading must be at most the value.
    Le,
    /// Reading must be at least the value.
    Ge,
    /// Reading must be more than the value.
    Gt,
}

impl fmt::Display for Operator {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Lt => "<",
            Self::Le => "≤",
            Self::Ge => "≥",
            Self::Gt => ">",
        })
    }
}

/// Whether a value was read exactly or only bounded: a plate with no colony is "less than 10", never 0.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Qualifier {
    /// The true value is below the stated one.
    Lt,
    /// The value is the stated one.
    Eq,
    /// The true value is above the stated one.
    Gt,
}

/// How its figure was seen by whoever wrote it down.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
#[schema(as = SourceSeenAs)]
pub enum Seen {
    /// Read in the source's own text.
    Read,
    /// Read in a quotation of the source.
    ReadInQuotation,
    /// From memory; to be confirmed by the clinic before it is relied on.
    FromMemory,
    /// Common practice without a published source.
    CommonPractice,
    /// Taken by the clinic from its own maker's instructions or local code.
    ClinicConfirmed,
}

/// Where a rule or figure comes from.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Source {
    /// Title of the publication, or `common practice`.
    #[schema(example = "CDC, Guidelines for Infection Control in Dental Health-Care Settings, MMWR 52(RR-17)")]
    pub title: String,
    /// Edition or date of the text that was used.
    #[schema(example = "2003")]
    pub edition: String,
    /// Where in it: section, page, paragraph.
    #[serde(default)]
    #[schema(example = "p. 28-29, rec. VII.A")]
    pub locator: String,
    /// How the text was seen.
    pub seen: Seen,
}

impl Source {
    /// Every broken rule, with pointers relative to the source.
    #[must_use]
    pub fn faults(&self) -> Vec<Fault> {
        let mut faults = Vec::new();
        check_text(&mut faults, "/title", &self.title, 300);
        check_text(&mut faults, "/edition", &self.edition, 100);
        check_optional_text(&mut faults, "/locator", &self.locator, 200);
        faults
    }
}

/// Who set a limit.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum SetBy {
    /// Published guidance or law, as it was read.
    #[default]
    Default,
    /// The group.
    Group,
    /// The maker of the unit or product, in its instructions.
    Maker,
    /// The clinic.
    Clinic,
}

#[expect(clippy::trivially_copy_pass_by_ref, reason = "serde hands the field by reference")]
fn is_default(set_by: &SetBy) -> bool {
    *set_by == SetBy::Default
}

/// A limit for a reading.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Limit {
    /// How the reading is compared.
    pub operator: Operator,
    /// The limit, as a decimal string so that no digit is lost.
    #[serde(with = "decimal_text")]
    #[schema(value_type = String, pattern = r"^-?[0-9]{1,12}(\.[0-9]{1,9})?$", example = "500")]
    pub value: Decimal,
    /// Unit as a UCUM code.
    #[schema(example = "[CFU]/mL")]
    pub unit: String,
    /// Where the figure comes from.
    pub source: Source,
    /// First clinic day it applies to; absent: always did.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub effective_from: Option<NaiveDate>,
    /// Last clinic day it applies to; absent: still does.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub effective_until: Option<NaiveDate>,
    /// Who set it; left out: it is published guidance or law.
    #[serde(default, skip_serializing_if = "is_default")]
    pub set_by: SetBy,
    /// Where it applies, by ISO 3166: `US`, `US-WA`; empty or left out: everywhere.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    #[schema(example = "US-WA")]
    pub jurisdiction: String,
    /// It is law there, not advice.
    #[serde(default, skip_serializing_if = "is_false")]
    pub legal: bool,
}

#[expect(clippy::trivially_copy_pass_by_ref, reason = "serde hands the field by reference")]
fn is_false(value: &bool) -> bool {
    !value
}

impl Limit {
    /// Whether the limit is in force on a clinic day.
    #[must_use]
    pub fn is_in_force(&self, on: NaiveDate) -> bool {
        self.effective_from.is_none_or(|from| from <= on) && self.effective_until.is_none_or(|until| on <= until)
    }

    /// A limit that holds everywhere and always did, as far as is known.
    #[must_use]
    pub fn in_force_always(operator: Operator, value: Decimal, unit: &str, source: &Source, set_by: SetBy) -> Self {
        Self {
            operator,
            value,
            unit: unit.to_owned(),
            source: source.clone(),
            effective_from: None,
            effective_until: None,
            set_by,
            jurisdiction: String::new(),
            legal: false,
        }
    }

    /// Whether it bounds from above.
    #[must_use]
    pub fn is_maximum(&self) -> bool {
        matches!(self.operator, Operator::Lt | Operator::Le)
    }

    /// Whether a reading keeps the limit; `None` when its qualifier leaves the question open.
    ///
    /// # Examples
    /// ```
    /// use chairtide::domain::limit::{Limit, Operator, Qualifier, Seen, SetBy, Source};
    /// let limit = Limit {
    ///     operator: Operator::Le,
    ///     value: 500.into(),
    ///     unit: "[CFU]/mL".into(),
    ///     source: Source {
    ///         title: "CDC, MMWR 52(RR-17)".into(),
    ///         edition: "2003".into(),
    ///         locator: "rec. VII.A".into(),
    ///         seen: Seen::Read,
    ///     },
    ///     effective_from: None,
    ///     effective_until: None,
    ///     set_by: SetBy::Default,
    ///     jurisdiction: String::new(),
    ///     legal: false,
    /// };
    /// assert_eq!(limit.is_kept_by(Qualifier::Eq, 500.into()), Some(true));
    /// assert_eq!(limit.is_kept_by(Qualifier::Lt, 10.into()), Some(true));
    /// assert_eq!(limit.is_kept_by(Qualifier::Gt, 300.into()), None);
    /// ```
    #[must_use]
    pub fn is_kept_by(&self, qualifier: Qualifier, value: Decimal) -> Option<bool> {
        let limit = self.value;
        match (qualifier, self.operator) {
            (Qualifier::Eq, Operator::Lt) => Some(value < limit),
            (Qualifier::Eq, Operator::Le) => Some(value <= limit),
            (Qualifier::Eq, Operator::Ge) => Some(value >= limit),
            (Qualifier::Eq, Operator::Gt) => Some(value > limit),
            (Qualifier::Lt, Operator::Lt | Operator::Le) => (value <= limit).then_some(true),
            (Qualifier::Lt, Operator::Ge | Operator::Gt) => (value <= limit).then_some(false),
            (Qualifier::Gt, Operator::Ge | Operator::Gt) => (value >= limit).then_some(true),
            (Qualifier::Gt, Operator::Lt | Operator::Le) => (value >= limit).then_some(false),
        }
    }

    /// Every broken rule, with pointers relative to the limit.
    #[must_use]
    pub fn faults(&self) -> Vec<Fault> {
        let mut faults = unit_faults(&self.unit);
        faults.extend(self.source.faults().into_iter().map(|f| f.under("/source")));
        if let (Some(from), Some(until)) = (self.effective_from, self.effective_until)
            && until < from
        {
            faults.push(Fault::new("/effective_until", "must not be before effective_from"));
        }
        check_optional_text(&mut faults, "/jurisdiction", &self.jurisdiction, 60);
        if self.legal && self.jurisdiction.is_empty() {
            faults.push(Fault::new("/jurisdiction", "is missing: a law holds somewhere"));
        }
        faults
    }
}

impl fmt::Display for Limit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} {} {}", self.operator, self.value, self.unit)
    }
}

/// The rules for a unit: a UCUM code is printable ASCII without spaces.
#[must_use]
pub fn unit_faults(unit: &str) -> Vec<Fault> {
    let good = !unit.is_empty() && unit.len() <= 40 && unit.chars().all(|c| c.is_ascii_graphic());
    if good {
        Vec::new()
    } else {
        vec![Fault::new("/unit", "must be a UCUM code: 1 to 40 ASCII characters, no spaces")]
    }
}

/// A decimal as a JSON string: plain digits, at most twelve before and nine after the point.
pub mod decimal_text {
    use rust_decimal::Decimal;
    use serde::{Deserialize, Deserializer, Serializer};

    /// Writes the digits as they are.
    ///
    /// # Errors
    /// Those of the serializer.
    pub fn serialize<S: Serializer>(value: &Decimal, s: S) -> Result<S::Ok, S::Error> {
        s.collect_str(value)
    }

    /// Reads plain digits; no exponent, no sign but `-`, no spaces.
    ///
    /// # Errors
    /// When the text has another form.
    pub fn deserialize<'de, D: Deserializer<'de>>(d: D) -> Result<Decimal, D::Error> {
        let text = String::deserialize(d)?;
        parse(&text).ok_or_else(|| serde::de::Error::custom(format!("`{text}` is not a plain decimal number")))
    }

    /// The decimal of a text in that form.
    pub(crate) fn parse(text: &str) -> Option<Decimal> {
        let digits = text.strip_prefix('-').unwrap_or(text);
        let (whole, fraction) = digits.split_once('.').map_or((digits, None), |(w, f)| (w, Some(f)));
        let plain = |part: &str, longest: usize| {
            (1..=longest).contains(&part.len()) && part.bytes().all(|b| b.is_ascii_digit())
        };
        (plain(whole, 12) && fraction.is_none_or(|f| plain(f, 9))).then(|| text.parse().ok()).flatten()
    }
}

/// [`decimal_text`] where the value may be absent.
pub mod optional_decimal_text {
    use rust_decimal::Decimal;
    use serde::{Deserialize, Deserializer, Serializer};

    use super::decimal_text;

    #[derive(Deserialize)]
    struct Text(#[serde(with = "decimal_text")] Decimal);

    /// Writes the digits as they are, or null.
    ///
    /// # Errors
    /// Those of the serializer.
    pub fn serialize<S: Serializer>(value: &Option<Decimal>, s: S) -> Result<S::Ok, S::Error> {
        match value {
            Some(value) => s.collect_str(value),
            None => s.serialize_none(),
        }
    }

    /// Reads plain digits or null; say `default` beside it where the field may be left out.
    ///
    /// # Errors
    /// When a text has another form.
    pub fn deserialize<'de, D: Deserializer<'de>>(d: D) -> Result<Option<Decimal>, D::Error> {
        Ok(Option::<Text>::deserialize(d)?.map(|Text(value)| value))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn limit(operator: Operator, value: i64) -> Limit {
        Limit {
            operator,
            value: value.into(),
            unit: "[CFU]/mL".into(),
            source: Source {
                title: "test".into(),
                edition: "1".into(),
                locator: String::new(),
                seen: Seen::CommonPractice,
            },
            effective_from: None,
            effective_until: None,
            set_by: SetBy::Default,
            jurisdiction: String::new(),
            legal: false,
        }
    }

    /// Exactly 500 passes under "≤ 500" (CDC, MMWR 52(RR-17) 2003, rec. VII.A, read; WAC 246-817-660, eff.
    /// 2021-01-23, read) and fails under "fewer than 500" (CDC, Best Practices for Dental Unit Water Quality, read).
    #[test]
    fn the_two_published_wordings_of_500_differ_at_500_only() {
        for (value, at_most, fewer) in [(499, true, true), (500, true, false), (501, false, false)] {
            assert_eq!(limit(Operator::Le, 500).is_kept_by(Qualifier::Eq, value.into()), Some(at_most), "{value}");
            assert_eq!(limit(Operator::Lt, 500).is_kept_by(Qualifier::Eq, value.into()), Some(fewer), "{value}");
        }
    }

    /// A minimum: flush at least 20 s between patients (HTM 01-05, 6.85, read in a quotation; CDC, MMWR 52(RR-17) 2003,
    /// partly from memory).
    #[test]
    fn a_minimum_of_20_seconds_is_kept_from_20_on() {
        let minimum = limit(Operator::Ge, 20);
        for (value, kept) in [(19, false), (20, true), (21, true)] {
            assert_eq!(minimum.is_kept_by(Qualifier::Eq, value.into()), Some(kept), "{value}");
        }
    }

    /// "< 10" stays below every limit from 10 up; "> 300" breaks none of 500 and all up to 300.
    #[test]
    fn a_bounded_reading_is_decided_only_where_the_bound_decides() {
        use Operator::{Ge, Gt, Le, Lt};
        let cases = [
            (Qualifier::Lt, 10, Le, 500, Some(true)),
            (Qualifier::Lt, 500, Lt, 500, Some(true)),
            (Qualifier::Lt, 501, Lt, 500, None),
            (Qualifier::Gt, 300, Le, 500, None),
            (Qualifier::Gt, 500, Le, 500, Some(false)),
            (Qualifier::Gt, 500, Lt, 500, Some(false)),
            (Qualifier::Lt, 2, Ge, 2, Some(false)),
            (Qualifier::Lt, 3, Gt, 2, None),
            (Qualifier::Gt, 2, Gt, 2, Some(true)),
            (Qualifier::Gt, 1, Ge, 2, None),
        ];
        for (qualifier, value, operator, bound, expected) in cases {
            let got = limit(operator, bound).is_kept_by(qualifier, value.into());
            assert_eq!(got, expected, "{qualifier:?} {value} against {operator} {bound}");
        }
    }
}
