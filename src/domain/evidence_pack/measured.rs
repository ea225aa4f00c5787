//! Values with the limits they were held against.
//!
//! The rule of this file: what is not decided is never told as kept, and a value that falls short names the limit it breaks.

use chrono::NaiveDate;
use rust_decimal::Decimal;

/// A limit: a value keeps it when `value operator bound` holds.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Bound {
    /// `lt`, `le`, `ge` or `gt`.
    pub operator: String,
    /// The bound.
    pub value: Decimal,
}

impl Bound {
    fn is_maximum(&self) -> bool {
        matches!(self.operator.as_str(), "lt" | "le")
    }

    /// As it is said.
    #[must_use]
    pub fn in_words(&self) -> String {
        let sign = match self.operator.as_str() {
            "lt" => "<",
            "le" => "≤",
            "ge" => "≥",
            _ => ">",
        };
        format!("{sign} {}", self.value)
    }
}

/// A value with the limits it was held against: one for each side, and stricter ones of the law.
#[derive(Clone, Debug)]
pub struct Measured {
    /// Clinic day.
    pub on: NaiveDate,
    /// What was measured.
    pub subject: String,
    /// `lt`, `eq` or `gt`; none: too many to count.
    pub qualifier: Option<String>,
    /// The stated value.
    pub value: Option<Decimal>,
    /// The limits.
    pub limits: Vec<Bound>,
    /// Whether it keeps its limits; none: no limit was in force, or the value does not decide it.
    pub kept: Option<bool>,
    /// Whether a later entry replaces it.
    pub replaced: bool,
}

impl Measured {
    /// Whether it counts as beyond its limits: what was replaced by a later entry does not.
    #[must_use]
    pub fn is_beyond(&self) -> bool {
        self.kept == Some(false) && !self.replaced
    }

    /// The limits that the value breaks for certain.
    #[must_use]
    pub fn broken(&self) -> Vec<&Bound> {
        let breaks = |bound: &&Bound| match (self.qualifier.as_deref(), self.value) {
            // The true value lies below the stated one, or above it.
            (Some("lt"), Some(value)) => !bound.is_maximum() && value <= bound.value,
            (Some("gt"), Some(value)) => bound.is_maximum() && value >= bound.value,
            (_, Some(value)) => !match bound.operator.as_str() {
                "lt" => value < bound.value,
                "le" => value <= bound.value,
                "ge" => value >= bound.value,
                _ => value > bound.value,
            },
            (_, None) => bound.is_maximum(),
        };
        self.limits.iter().filter(breaks).collect()
    }

    /// The value as it is said: with its sign, and its limits beside it.
    #[must_use]
    pub fn in_words(&self) -> String {
        let value = match (self.qualifier.as_deref(), self.value) {
            (Some("lt"), Some(value)) => format!("< {value}"),
            (Some("gt"), Some(value)) => format!("> {value}"),
            (_, Some(value)) => value.to_string(),
            (_, None) => "too many to count".to_owned(),
        };
        let bounds = self.limits.iter().map(Bound::in_words).collect::<Vec<_>>().join(" and ");
        let limits = match self.limits.len() {
            0 => "no limit in force".to_owned(),
            1 => format!("limit {bounds}"),
            _ => format!("limits {bounds}"),
        };
        format!("{} {}: {value}, {limits}", self.on, self.subject)
    }

    /// What its limits say of it.
    #[must_use]
    pub fn standing(&self) -> String {
        let standing = match self.kept {
            Some(true) => "within its limits".to_owned(),
            Some(false) => {
                let broken = self.broken().into_iter().map(Bound::in_words).collect::<Vec<_>>().join(" and ");
                if broken.is_empty() { "beyond its limits".to_owned() } else { format!("beyond its limit {broken}") }
            }
            None if self.limits.is_empty() => "no limit".to_owned(),
            None => "not decided by the value".to_owned(),
        };
        if self.replaced { format!("{standing}; replaced by a later entry") } else { standing }
    }
}

/// Readings of one step of one routine.
#[derive(Clone, Debug)]
pub struct Series {
    /// Routine and step.
    pub name: String,
    /// Unit as a UCUM code.
    pub unit: String,
    /// How many there are.
    pub total: i64,
    /// How many of them are beyond their limits, without those that a later entry replaces.
    pub beyond: i64,
    /// Those that are drawn, in order of their days.
    pub points: Vec<Measured>,
}
