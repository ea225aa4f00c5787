//! What happened at a clinic and makes work.
//!
//! The rule of this file: what was recorded stays as it was. An entry made by mistake is withdrawn, once; it is shown
//! from then on and counts for nothing.

use chrono::{DateTime, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use super::{Result, StoreError, seals};
use crate::domain::facts::SiteEvent;
use crate::domain::site_event::SiteEventKind;

/// A site event as it is kept.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SiteEventRow {
    /// Its identity.
    pub event_id: Uuid,
    /// Where it happened.
    pub clinic_id: Uuid,
    /// What happened.
    pub kind: SiteEventKind,
    /// To what; `None`: to the clinic.
    pub subject_id: Option<Uuid>,
    /// When, as the person says.
    pub happened_at: DateTime<Utc>,
    /// Free text; may be empty.
    pub note: String,
    /// When it reached us.
    pub recorded_at: DateTime<Utc>,
    /// The key it was recorded with.
    pub key_id: Uuid,
    /// When it was withdrawn; `None`: it counts.
    pub withdrawn_at: Option<DateTime<Utc>>,
}

struct Row {
    event_id: Uuid,
    clinic_id: Uuid,
    kind: String,
    subject_id: Option<Uuid>,
    happened_at: DateTime<Utc>,
    note: String,
    recorded_at: DateTime<Utc>,
    key_id: Uuid,
    withdrawn_at: Option<DateTime<Utc>>,
}

impl TryFrom<Row> for SiteEventRow {
    type Error = StoreError;

    fn try_from(row: Row) -> Result<Self> {
        Ok(Self {
            event_id: row.event_id,
            clinic_id: row.clinic_id,
            kind: read_kind(row.event_id, &row.kind)?,
            subject_id: row.subject_id,
            happened_at: row.happened_at,
            note: row.note,
            recorded_at: row.recorded_at,
            key_id: row.key_id,
            withdrawn_at: row.withdrawn_at,
        })
    }
}

fn read_kind(event_id: Uuid, name: &str) -> Result<SiteEventKind> {
    SiteEventKind::from_name(name).ok_or_else(|| StoreError::bad_row("site_event", event_id, "kind", name))
}

/// Keeps a site event; `false` when its id is taken. Waits for a transaction that is taking it now.
///
/// # Errors
/// When the database does not answer, or the instant it is recorded at is sealed.
pub async fn insert(db: &mut PgConnection, group_id: Uuid, event: &SiteEventRow) -> Result<bool> {
    seals::keep_sealer_out(&mut *db, group_id, event.clinic_id, event.recorded_at).await?;
    let done = sqlx::query!(
        "insert into site_event
             (group_id, event_id, clinic_id, kind, subject_id, happened_at, note, recorded_at, key_id)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9) on conflict do nothing",
        group_id,
        event.event_id,
        event.clinic_id,
        event.kind.as_str(),
        event.subject_id,
        event.happened_at,
        event.note,
        event.recorded_at,
        event.key_id
    )
    .execute(db)
    .await?;
    Ok(done.rows_affected() == 1)
}

/// The site event with this id.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn find(db: &mut PgConnection, group_id: Uuid, event_id: Uuid) -> Result<Option<SiteEventRow>> {
    sqlx::query_as!(
        Row,
        "select event_id, clinic_id, kind, subject_id, happened_at, note, recorded_at, key_id, withdrawn_at
         from site_event where group_id = $1 and event_id = $2",
        group_id,
        event_id
    )
    .fetch_optional(db)
    .await?
    .map(SiteEventRow::try_from)
    .transpose()
}

/// Withdraws a site event; `false` when it was withdrawn already.
///
/// # Errors
/// When the database does not answer, or `now` is sealed at its clinic.
pub async fn withdraw(
    db: &mut PgConnection,
    group_id: Uuid,
    event: &SiteEventRow,
    key_id: Uuid,
    now: DateTime<Utc>,
) -> Result<bool> {
    seals::keep_sealer_out(&mut *db, group_id, event.clinic_id, now).await?;
    let done = sqlx::query!(
        "update site_event set withdrawn_at = $4, withdrawn_by_key = $3
         where group_id = $1 and event_id = $2 and withdrawn_at is null",
        group_id,
        event.event_id,
        key_id,
        now
    )
    .execute(db)
    .await?;
    Ok(done.rows_affected() == 1)
}

/// What happened at a clinic, withdrawn entries too, newest first: at most so many, from before a place in that list.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn list_of_clinic(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    before: Option<(DateTime<Utc>, Uuid)>,
    at_most: i64,
) -> Result<Vec<SiteEventRow>> {
    let (before_at, before_id) = before.unzip();
    sqlx::query_as!(
        Row,
        "select event_id, clinic_id, kind, subject_id, happened_at, note, recorded_at, key_id, withdrawn_at
         from site_event
         where group_id = $1 and clinic_id = $2
           and ($3::timestamptz is null or (happened_at, event_id) < ($3, $4::uuid))
         order by happened_at desc, event_id desc limit $5",
        group_id,
        clinic_id,
        before_at,
        before_id,
        at_most
    )
    .fetch_all(db)
    .await?
    .into_iter()
    .map(SiteEventRow::try_from)
    .collect()
}

/// What makes work at a clinic: what happened from `since` on to the clinic itself, or to a subject that stands there
/// now, wherever it stood then. Without what was withdrawn; by instant and then by id.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn list_site_events(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    since: DateTime<Utc>,
) -> Result<Vec<SiteEvent>> {
    let rows = sqlx::query!(
        "select e.event_id, e.kind, e.subject_id, e.happened_at
         from site_event e
         left join subject s on s.group_id = e.group_id and s.subject_id = e.subject_id
         where e.group_id = $1 and e.happened_at >= $3 and e.withdrawn_at is null
           and coalesce(s.clinic_id, e.clinic_id) = $2
         order by e.happened_at, e.event_id",
        group_id,
        clinic_id,
        since
    )
    .fetch_all(db)
    .await?;
    rows.into_iter()
        .map(|row| {
            Ok(SiteEvent {
                event_id: row.event_id,
                kind: read_kind(row.event_id, &row.kind)?,
                subject_id: row.subject_id,
                happened_at: row.happened_at,
            })
        })
        .collect()
}
