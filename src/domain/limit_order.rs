//! Which of several limits decides, on a day and at a place.
//!
//! The rule of this file: the limit of whoever is nearest to the work decides: the maker of what is used and the clinic
//! itself over the group, the group over the default. Between maker and clinic the stricter one decides, for neither may
//! loosen the other. A stricter limit that is law never drops out of sight: it is shown beside the one that decides,
//! with its own answer.
//!
//! Within one rank the more local limit decides (`US-WA` over `US` over everywhere), and then the stricter one.

use std::cmp::Ordering;

use chrono::NaiveDate;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::evidence::Reading;
use super::jurisdiction::applies_at;
use super::limit::{Limit, Operator, SetBy};

/// How near to the work whoever set a limit is.
fn rank(set_by: SetBy) -> u8 {
    match set_by {
        SetBy::Default => 0,
        SetBy::Group => 1,
        SetBy::Maker | SetBy::Clinic => 2,
    }
}

const SETTERS: [SetBy; 4] = [SetBy::Default, SetBy::Group, SetBy::Maker, SetBy::Clinic];

/// From which side a limit bounds; a range has one of each, and each is decided alone.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Side {
    AtMost,
    AtLeast,
}

fn side_of(limit: &Limit) -> Side {
    if limit.is_maximum() { Side::AtMost } else { Side::AtLeast }
}

/// What a limit answers to a reading.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct LimitAnswer {
    /// The limit as it was in force.
    pub limit: Limit,
    /// Whether the reading keeps it; absent where its qualifier leaves that open.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub kept: Option<bool>,
}

/// The limit that decides from one side, and what must be seen beside it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct DecidedLimit {
    /// The one that decides.
    pub deciding: LimitAnswer,
    /// Those in force that are law and stricter, the strictest first. They decide nothing and are never hidden.
    pub stricter_legal: Vec<LimitAnswer>,
}

/// Holds a reading against the limits of its quantity that are in force on a clinic day at a place: one answer from
/// above, one from below, as far as there are limits. Limits in another unit than the reading's are left out.
///
/// # Examples
/// ```
/// use chairtide::domain::evidence::Reading;
/// use chairtide::domain::limit::{Limit, Operator, Qualifier, Seen, SetBy, Source};
/// use chairtide::domain::limit_order::decide;
/// let at_most = |value: i64, set_by, jurisdiction: &str, legal| Limit {
///     operator: Operator::Le,
///     value: value.into(),
///     unit: "[CFU]/mL".into(),
///     source: Source { title: "an example".into(), edition: "1".into(), locator: String::new(), seen: Seen::Read },
///     effective_from: None,
///     effective_until: None,
///     set_by,
///     jurisdiction: jurisdiction.into(),
///     legal,
/// };
/// let limits = [at_most(500, SetBy::Default, "US-WA", true), at_most(200, SetBy::Group, "", false)];
/// let reading = Reading { qualifier: Qualifier::Eq, value: 300.into(), unit: "[CFU]/mL".into() };
/// let on = chrono::NaiveDate::from_ymd_opt(2026, 11, 26).unwrap();
/// let decided = decide(&limits, &reading, on, "US-WA");
/// assert_eq!(decided[0].deciding.limit.set_by, SetBy::Group);
/// assert_eq!(decided[0].deciding.kept, Some(false));
/// assert!(decided[0].stricter_legal.is_empty());
/// ```
#[must_use]
pub fn decide(limits: &[Limit], reading: &Reading, on: NaiveDate, place: &str) -> Vec<DecidedLimit> {
    let in_force =
        |limit: &&Limit| limit.unit == reading.unit && limit.is_in_force(on) && applies_at(&limit.jurisdiction, place);
    let answer =
        |limit: &Limit| LimitAnswer { limit: limit.clone(), kept: limit.is_kept_by(reading.qualifier, reading.value) };
    let decided = [Side::AtMost, Side::AtLeast].into_iter().filter_map(|side| {
        let here: Vec<&Limit> = limits.iter().filter(in_force).filter(|limit| side_of(limit) == side).collect();
        let deciding = first_to_decide(&here)?;
        let mut legal: Vec<&Limit> =
            here.into_iter().filter(|limit| limit.legal && strictest_first(limit, deciding).is_lt()).collect();
        legal.sort_by(|a, b| strictest_first(a, b));
        Some(DecidedLimit { deciding: answer(deciding), stricter_legal: legal.into_iter().map(answer).collect() })
    });
    decided.collect()
}

/// Of limits of one side: the highest rank, of each who set some there the most local, and of those the strictest.
fn first_to_decide<'a>(here: &[&'a Limit]) -> Option<&'a Limit> {
    let highest = here.iter().map(|limit| rank(limit.set_by)).max()?;
    let most_local_of = |setter: SetBy| {
        let theirs = here.iter().copied().filter(|limit| limit.set_by == setter);
        theirs.min_by(|a, b| places(b).cmp(&places(a)).then_with(|| strictest_first(a, b)))
    };
    let setters = SETTERS.into_iter().filter(|setter| rank(*setter) == highest);
    setters.filter_map(most_local_of).min_by(|a, b| strictest_first(a, b))
}

/// How local a limit is: 0 everywhere, 1 for a country, 2 for a part of one.
fn places(limit: &Limit) -> usize {
    limit.jurisdiction.split('-').filter(|part| !part.is_empty()).count()
}

/// Orders two limits of one side; at one value, the one that excludes the value itself is stricter.
fn strictest_first(a: &Limit, b: &Limit) -> Ordering {
    let by_value = match side_of(a) {
        Side::AtMost => a.value.cmp(&b.value),
        Side::AtLeast => b.value.cmp(&a.value),
    };
    let includes_value = |limit: &Limit| matches!(limit.operator, Operator::Le | Operator::Ge);
    by_value.then(includes_value(a).cmp(&includes_value(b)))
}

#[cfg(test)]
mod tests;
