//! Rows of the schema `reporting` in the order of recording, read as a stream.
//!
//! The rule of this file: rows are never collected. A page's end is looked for first, so that a caller hears in the
//! head of the answer where to go on; then its rows are read one by one, as text that each column's [`Form`] says how to
//! write. Both look at one snapshot.
//!
//! The statements are put together from what `record_sets` says and from the catalogue's names of columns, never from
//! what a caller sent.

pub mod evidence_pack;
pub mod packs;
pub mod record_sets;
pub mod snapshots;

use chrono::{DateTime, Utc};
use futures_util::stream::BoxStream;
use sqlx::{AssertSqlSafe, FromRow, PgConnection, Postgres};
use uuid::Uuid;

use self::record_sets::{Pace, RecordSet};
use super::{Result, StoreError};
use crate::domain::seal::SETTLED_AFTER;

/// How a column is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Form {
    /// Words of people or of ours: a JSON string.
    Text,
    /// A UUID, date, instant or decimal: a JSON string that nobody typed.
    Plain,
    /// A whole number or truth value: as JSON writes it.
    Bare,
    /// JSON already.
    Json,
}

/// A column of a view.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Column {
    /// Its name.
    pub name: String,
    /// What Postgres calls its type.
    pub sql_type: String,
    /// What it means, with its unit, as the database says.
    pub meaning: String,
}

impl Column {
    /// How its text is written.
    #[must_use]
    pub fn form(&self) -> Form {
        match self.sql_type.as_str() {
            "boolean" | "integer" | "smallint" | "bigint" => Form::Bare,
            "uuid" | "date" | "numeric" | "timestamp with time zone" | "timestamp without time zone" => Form::Plain,
            "jsonb" | "json" => Form::Json,
            array if array.ends_with("[]") => Form::Json,
            _ => Form::Text,
        }
    }

    /// The expression that reads it as text; instants as records write them (`domain::seal::record::instant_text`).
    fn cell(&self, row: &str) -> String {
        let name = format!("{row}.\"{}\"", self.name.replace('"', "\"\""));
        match self.sql_type.as_str() {
            "timestamp with time zone" => {
                format!(r#"to_char({name} at time zone 'UTC', 'YYYY-MM-DD"T"HH24:MI:SS.US"Z"')"#)
            }
            "timestamp without time zone" => format!(r#"to_char({name}, 'YYYY-MM-DD"T"HH24:MI:SS')"#),
            "date" => format!("to_char({name}, 'YYYY-MM-DD')"),
            array if array.ends_with("[]") => format!("to_json({name})::text"),
            _ => format!("{name}::text"),
        }
    }
}

/// A row: the text of each column, or null.
pub type Cells = Vec<Option<String>>;

/// A place in the order of a kind: what was told up to.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Place {
    /// The instant; none where a kind has no order of recording.
    pub at: Option<DateTime<Utc>>,
    /// The key of the last row; none: everything before the instant, and nothing of it.
    pub key: Option<Vec<String>>,
}

/// What is asked for.
#[derive(Clone, Debug)]
pub struct Page {
    /// Of these clinics; none: of every clinic.
    pub clinics: Option<Vec<Uuid>>,
    /// After this place.
    pub after: Option<Place>,
    /// What was recorded before this instant; the horizon.
    pub before: DateTime<Utc>,
}

/// The horizon at an instant: nothing recorded before it can still appear.
#[must_use]
pub fn horizon(now: DateTime<Utc>) -> DateTime<Utc> {
    now - SETTLED_AFTER
}

/// The columns of a kind, in their order.
///
/// # Errors
/// When the database does not answer.
pub async fn list_columns(db: &mut PgConnection, set: &RecordSet) -> Result<Vec<Column>> {
    Ok(sqlx::query_as!(
        Column,
        r#"select a.attname::text as "name!", format_type(a.atttypid, null) as "sql_type!",
                  coalesce(col_description(a.attrelid, a.attnum), '') as "meaning!"
           from pg_attribute a
           where a.attrelid = to_regclass('reporting.' || quote_ident($1)) and a.attnum > 0 and not a.attisdropped
           order by a.attnum"#,
        set.name
    )
    .fetch_all(db)
    .await?)
}

/// The place that a page of `limit` rows ends with; none when everything up to the horizon is on it. Where steps come
/// with their completion, completions are counted.
///
/// # Errors
/// When the database does not answer.
pub async fn find_end(db: &mut PgConnection, set: &RecordSet, page: &Page, limit: u32) -> Result<Option<Place>> {
    #[derive(FromRow)]
    struct Row {
        at: Option<DateTime<Utc>>,
        key: Vec<String>,
    }
    let at = if set.pace == Pace::Whole { "null::timestamptz" } else { set.at };
    let key: Vec<String> = set.key.iter().map(|(part, _)| format!("{part}::text")).collect();
    let sql = format!(
        "select {at} as at, array[{}] as key from {} where {} order by {} offset $8 limit 1",
        key.join(", "),
        set.places,
        within(set),
        order(set)
    );
    let row: Option<Row> =
        bind(sqlx::query_as(AssertSqlSafe(sql)), page, None).bind(i64::from(limit) - 1).fetch_optional(db).await?;
    Ok(row.map(|row| Place { at: row.at, key: Some(row.key) }))
}

/// The rows of a page, up to its end.
pub fn stream<'a>(
    db: &'a mut PgConnection,
    set: &RecordSet,
    columns: &[Column],
    page: &Page,
    end: Option<&Place>,
) -> BoxStream<'a, Result<Cells>> {
    use futures_util::TryStreamExt as _;

    let sql = format!(
        "select {} from {} where {} and ($7::text[] is null or {}) order by {}{}",
        cells(columns, set.row()),
        set.from,
        within(set),
        compared(set, "<=", "$6", "$7"),
        order(set),
        set.then
    );
    let rows = bind(sqlx::query_as::<_, (Cells,)>(AssertSqlSafe(sql)), page, end).fetch(db);
    Box::pin(rows.map_ok(|(cells,)| cells).map_err(StoreError::from))
}

pub(super) fn cells(columns: &[Column], row: &str) -> String {
    let cells: Vec<String> = columns.iter().map(|column| column.cell(row)).collect();
    format!("array[{}]::text[]", cells.join(", "))
}

/// What is asked for, by the numbers that [`bind`] gives.
fn within(set: &RecordSet) -> String {
    let mut conditions = vec![format!("($1::uuid[] is null or {})", set.of_clinics)];
    if set.pace != Pace::Whole {
        // Beside the comparison of the whole place, for it is what leads an index.
        conditions.push(format!("{at} >= coalesce($4, '-infinity'::timestamptz) and {at} < $3", at = set.at));
    }
    conditions.push(format!("($5::text[] is null or {})", compared(set, ">", "$4", "$5")));
    conditions.join(" and ")
}

fn compared(set: &RecordSet, operator: &str, at: &str, key: &str) -> String {
    let mut left: Vec<String> = set.key.iter().map(|(part, _)| (*part).to_owned()).collect();
    let mut right: Vec<String> = (set.key.iter().enumerate())
        .map(|(place, (_, of))| format!("({key}::text[])[{}]::{}", place + 1, of.sql()))
        .collect();
    if set.pace != Pace::Whole {
        left.insert(0, set.at.to_owned());
        right.insert(0, at.to_owned());
    }
    format!("({}) {operator} ({})", left.join(", "), right.join(", "))
}

pub(super) fn order(set: &RecordSet) -> String {
    let at = (set.pace != Pace::Whole).then_some(set.at);
    at.into_iter().chain(set.key.iter().map(|(part, _)| *part)).collect::<Vec<_>>().join(", ")
}

type Query<'q, O> = sqlx::query::QueryAs<'q, Postgres, O, sqlx::postgres::PgArguments>;

/// `$1` clinics, `$2` unused, `$3` the horizon, `$4` and `$5` the place after which, `$6` and `$7` the place up to which.
fn bind<'q, O>(query: Query<'q, O>, page: &Page, end: Option<&Place>) -> Query<'q, O> {
    let after = page.after.as_ref();
    query
        .bind(page.clinics.clone())
        .bind(None::<Uuid>)
        .bind(page.before)
        .bind(after.and_then(|place| place.at))
        .bind(after.and_then(|place| place.key.clone()))
        .bind(end.and_then(|place| place.at))
        .bind(end.and_then(|place| place.key.clone()))
}
