//! What a pool of several lines says about one of them.
//!
//! The rule of this file: a pool is the mean of its lines, and each of them may carry the whole count alone. So a pool
//! of n lines at P leaves one line open up to n times P, and speaks for every line only at or below the limit's nth
//! part. (Arithmetic; that a pool hides a bad line is told in CDA Essentials 2019(6):40, read.)

use rust_decimal::{Decimal, RoundingStrategy};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::domain::evidence::Reading;
use crate::domain::limit::{Limit, Qualifier, decimal_text, optional_decimal_text};

/// What a pool shows about its lines.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum PoolFinding {
    /// No line can be outside the limit.
    EveryLineWithin,
    /// A line may be outside the limit or not: sample each line alone to know.
    OpenForEachLine,
    /// The mean is outside the limit, so at least one line is.
    SomeLineOutside,
}

/// Information beside the verdict on a pooled sample; it changes none.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct PoolAdvice {
    /// Lines in the pool, in equal parts.
    pub pool_size: u32,
    /// The highest one line can be, in CFU/mL; absent for "more than".
    #[serde(with = "optional_decimal_text", skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>, pattern = r"^-?[0-9]{1,12}(\.[0-9]{1,9})?$", example = "4500")]
    pub one_line_up_to: Option<Decimal>,
    /// What the pool must not exceed to speak for every line: the limit divided by the lines, rounded down to nine
    /// decimals. Compared as the limit is ("at most" or "less than").
    #[serde(with = "decimal_text")]
    #[schema(value_type = String, pattern = r"^-?[0-9]{1,12}(\.[0-9]{1,9})?$", example = "50")]
    pub speaks_for_each_up_to: Decimal,
    /// What this pool shows.
    pub finding: PoolFinding,
}

impl PoolAdvice {
    /// One sentence for people.
    #[must_use]
    pub fn sentence(&self) -> String {
        let Self { pool_size, speaks_for_each_up_to, .. } = self;
        let unit = super::CFU_PER_ML;
        let up_to = self.one_line_up_to.map(|most| format!("; one line can be as high as {most} {unit}"));
        let finding = match self.finding {
            PoolFinding::EveryLineWithin => "every line is within the limit",
            PoolFinding::OpenForEachLine => "this says of no line that it is within the limit",
            PoolFinding::SomeLineOutside => "some line is outside the limit",
        };
        let up_to = up_to.unwrap_or_default();
        format!("a pool of {pool_size} speaks for each line up to {speaks_for_each_up_to} {unit}: {finding}{up_to}")
    }
}

/// What a pool of `pool_size` equal parts says about one line under a maximum, in the reading's unit.
///
/// `None` for a sample of one line, a limit in another unit, or one that bounds from below.
///
/// # Examples
/// ```
/// use chairtide::domain::colony_count::{CFU_PER_ML, PoolFinding, pool_advice};
/// use chairtide::domain::evidence::Reading;
/// use chairtide::domain::limit::Qualifier;
/// # use chairtide::domain::limit::{Limit, Operator, Seen, SetBy, Source};
/// # let source = Source { title: "CDC".into(), edition: "2003".into(), locator: String::new(), seen: Seen::Read };
/// # let unit = "[CFU]/mL".into();
/// # let at_most_500 =
/// #     Limit {
/// #         operator: Operator::Le,
/// #         value: 500.into(),
/// #         unit,
/// #         source,
/// #         effective_from: None,
/// #         effective_until: None,
/// #         set_by: SetBy::Default,
/// #         jurisdiction: String::new(),
/// #         legal: false,
/// #     };
/// let pool = Reading { qualifier: Qualifier::Eq, value: 450.into(), unit: CFU_PER_ML.into() };
/// let advice = pool_advice(10, &pool, &at_most_500).unwrap();
/// assert_eq!(advice.one_line_up_to, Some(4500.into()));
/// assert_eq!(advice.speaks_for_each_up_to, 50.into());
/// assert_eq!(advice.finding, PoolFinding::OpenForEachLine);
/// ```
#[must_use]
pub fn pool_advice(pool_size: u32, pool: &Reading, limit: &Limit) -> Option<PoolAdvice> {
    if pool_size < 2 || !super::is_maximum(limit) || pool.unit != limit.unit {
        return None;
    }
    let lines = Decimal::from(pool_size);
    let worst = pool.value.checked_mul(lines).filter(|_| pool.qualifier != Qualifier::Gt);
    let within = worst.is_some_and(|worst| limit.is_kept_by(pool.qualifier, worst) == Some(true));
    let finding = match limit.is_kept_by(pool.qualifier, pool.value) {
        _ if within => PoolFinding::EveryLineWithin,
        Some(false) => PoolFinding::SomeLineOutside,
        Some(true) | None => PoolFinding::OpenForEachLine,
    };
    let speaks_for_each_up_to = (limit.value / lines).round_dp_with_strategy(9, RoundingStrategy::ToZero).normalize();
    Some(PoolAdvice { pool_size, one_line_up_to: worst, speaks_for_each_up_to, finding })
}
