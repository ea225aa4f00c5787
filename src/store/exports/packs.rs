//! Which rows belong to a pack of evidence, read as a stream.
//!
//! The rule of this file: a row belongs to a pack by its clinic day, or by when it was recorded where it has none, or because
//! it followed from what the pack tells, whenever that came. Statements are put together from what `record_sets` and this
//! file say, never from what a caller sent; every one has the arguments of `bind`.

mod following;

use chrono::{DateTime, NaiveDate, Utc};
use futures_util::TryStreamExt as _;
use futures_util::stream::BoxStream;
use sqlx::postgres::PgArguments;
use sqlx::query::QueryAs;
use sqlx::{AssertSqlSafe, PgConnection, Postgres};
use uuid::Uuid;

pub(in crate::store) use self::following::NAMED_HERE;
use super::record_sets::{Pace, RecordSet};
use super::{Cells, Column, cells, order};
use crate::store::{Result, StoreError};

/// What a row of a pack is narrowed to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Narrowing {
    /// Everything of the clinic.
    Clinic,
    /// What is about this subject.
    Subject(Uuid),
    /// What was done with this lot, and what became of it.
    Lot(Uuid),
    /// What this person recorded or signed.
    Person(Uuid),
}

impl Narrowing {
    fn place(self) -> Option<(usize, Uuid)> {
        match self {
            Self::Clinic => None,
            Self::Subject(id) => Some((0, id)),
            Self::Lot(id) => Some((1, id)),
            Self::Person(id) => Some((2, id)),
        }
    }

    /// What it is narrowed to.
    #[must_use]
    pub fn id(self) -> Option<Uuid> {
        self.place().map(|(_, id)| id)
    }

    /// The condition on rows of a kind; none when the kind says nothing of what is asked for.
    pub(super) fn condition(self, set: &RecordSet) -> Option<&'static str> {
        self.place().map_or(Some("true"), |(place, _)| set.of[place])
    }
}

/// From an instant on, and before another.
pub type Times = (DateTime<Utc>, DateTime<Utc>);

/// Which rows of a pack.
#[derive(Clone, Debug)]
pub struct Period {
    /// The clinic.
    pub clinic_id: Uuid,
    /// First clinic day.
    pub from_on: NaiveDate,
    /// Last clinic day.
    pub to_on: NaiveDate,
    /// Where a record has no clinic day: recorded from here on …
    pub from_at: DateTime<Utc>,
    /// … and before here.
    pub until_at: DateTime<Utc>,
    /// In a pack of a person: when that person's initials meant that person.
    pub initials: Vec<Times>,
}

/// Arguments of every statement of a pack: `$1` the clinic, `$2` what it is narrowed to, `$3` and `$4` its days, `$5` and
/// `$6` the instants they begin and end at, `$7` and `$8` from when until when the person's initials meant that person.
pub(super) fn bind<'q, O>(
    query: QueryAs<'q, Postgres, O, PgArguments>,
    period: &Period,
    narrowing: Narrowing,
) -> QueryAs<'q, Postgres, O, PgArguments> {
    let (from, until): (Vec<_>, Vec<_>) = period.initials.iter().copied().unzip();
    query
        .bind([period.clinic_id])
        .bind(narrowing.id())
        .bind(period.from_on)
        .bind(period.to_on)
        .bind(period.from_at)
        .bind(period.until_at)
        .bind(from)
        .bind(until)
}

/// When a row was recorded first and last; nulls where it is configuration.
pub type Instants = Vec<Option<DateTime<Utc>>>;

/// The rows of a kind that belong to a pack, each with the instants it was recorded at; none when the kind says nothing
/// of what the pack is narrowed to. What is configuration comes as it stands.
pub fn stream_period<'a>(
    db: &'a mut PgConnection,
    set: &RecordSet,
    columns: &[Column],
    period: &Period,
    narrowing: Narrowing,
) -> Option<BoxStream<'a, Result<(Instants, Cells)>>> {
    let which = which(set, narrowing)?;
    let at = if set.at.is_empty() { "null::timestamptz" } else { set.at };
    let began_at = set.began.map_or(at, |(began_at, _)| began_at);
    let sql = format!(
        "select array[{began_at}, {at}], {} from {} where {which} order by {}{}",
        cells(columns, set.row()),
        set.from,
        order(set),
        set.then
    );
    let query = sqlx::query_as::<_, (Instants, Cells)>(AssertSqlSafe(sql));
    let rows = bind(query, period, narrowing).fetch(db);
    Some(Box::pin(rows.map_err(StoreError::from)))
}

/// The condition on rows `r` of a kind that belong to a pack; none when the kind says nothing of what it is narrowed to.
pub(super) fn which(set: &RecordSet, narrowing: Narrowing) -> Option<String> {
    let condition = narrowing.condition(set)?;
    Some(format!("{} and ({condition}) and ({})", following::here(set), span(set)))
}

/// Which rows of a kind are of the pack's time.
fn span(set: &RecordSet) -> String {
    let at = set.at;
    let span = match (set.day, set.pace) {
        (Some(day), _) => format!("{day} between $3 and $4"),
        (None, Pace::Whole) => following::times(set).to_owned(),
        (None, Pace::Recorded | Pace::Changed) => match set.began {
            None => format!("{at} >= $5 and {at} < $6"),
            // What began before and still stands, or came to something within it, belongs to it, too.
            Some((began_at, stands)) => format!("{began_at} < $6 and ({at} >= $5 or {stands})"),
        },
    };
    match following::followed(set) {
        Some(followed) => format!("{span} or {followed}"),
        None => span,
    }
}
