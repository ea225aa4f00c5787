//! Calendar feeds: their addresses, and the tasks they show.
//!
//! The rule of this file: what is read for a feed names no person; who did the work is not among its columns.

use chrono::{DateTime, Days, NaiveDate, Utc};
use serde_json::Value;
use sqlx::PgConnection;
use uuid::Uuid;

use crate::domain::calendar_feed::{Component, Entry, Progress};
use crate::domain::ladder::Audience;
use crate::domain::plan::because::{Because, RoutineNames, sentence_without_reason};
use crate::domain::task::{Outcome, TaskId};
use crate::domain::zone::Zone;
use crate::store::{Result, StoreError};

/// A feed's record; the secret is not in it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Feed {
    /// Its identity.
    pub feed_id: Uuid,
    /// Whose tasks it shows.
    pub clinic_id: Uuid,
    /// What its maker calls it.
    pub label: String,
    /// Whom the tasks concern.
    pub audience: Audience,
    /// What each task is shown as.
    pub component: Component,
    /// When it was made.
    pub created_at: DateTime<Utc>,
    /// When it was revoked.
    pub revoked_at: Option<DateTime<Utc>>,
    /// When it was last fetched, to the minute.
    pub last_used_at: Option<DateTime<Utc>>,
}

struct Row {
    feed_id: Uuid,
    clinic_id: Uuid,
    label: String,
    audience: String,
    component: String,
    created_at: DateTime<Utc>,
    revoked_at: Option<DateTime<Utc>>,
    last_used_at: Option<DateTime<Utc>>,
}

impl TryFrom<Row> for Feed {
    type Error = StoreError;

    fn try_from(row: Row) -> Result<Self> {
        let bad = |column, found: &str| StoreError::bad_row("calendar_feed", row.feed_id, column, found);
        Ok(Self {
            feed_id: row.feed_id,
            clinic_id: row.clinic_id,
            audience: Audience::from_name(&row.audience).ok_or_else(|| bad("audience", &row.audience))?,
            component: Component::from_name(&row.component).ok_or_else(|| bad("component", &row.component))?,
            label: row.label,
            created_at: row.created_at,
            revoked_at: row.revoked_at,
            last_used_at: row.last_used_at,
        })
    }
}

/// The feed with this id.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn find(db: &mut PgConnection, group_id: Uuid, feed_id: Uuid) -> Result<Option<Feed>> {
    sqlx::query_as!(
        Row,
        "select feed_id, clinic_id, label, audience, component, created_at, revoked_at, last_used_at
         from calendar_feed where group_id = $1 and feed_id = $2",
        group_id,
        feed_id
    )
    .fetch_optional(db)
    .await?
    .map(Feed::try_from)
    .transpose()
}

/// The feed with this secret, revoked or not.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn find_by_secret(db: &mut PgConnection, group_id: Uuid, secret_hash: &[u8]) -> Result<Option<Feed>> {
    sqlx::query_as!(
        Row,
        "select feed_id, clinic_id, label, audience, component, created_at, revoked_at, last_used_at
         from calendar_feed where group_id = $1 and secret_hash = $2",
        group_id,
        secret_hash
    )
    .fetch_optional(db)
    .await?
    .map(Feed::try_from)
    .transpose()
}

/// A clinic's feeds by label, revoked ones too.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn list(db: &mut PgConnection, group_id: Uuid, clinic_id: Uuid) -> Result<Vec<Feed>> {
    sqlx::query_as!(
        Row,
        "select feed_id, clinic_id, label, audience, component, created_at, revoked_at, last_used_at
         from calendar_feed where group_id = $1 and clinic_id = $2 order by label, feed_id",
        group_id,
        clinic_id
    )
    .fetch_all(db)
    .await?
    .into_iter()
    .map(Feed::try_from)
    .collect()
}

/// How many of a clinic's feeds are not revoked.
///
/// # Errors
/// When the database does not answer.
pub async fn count_open(db: &mut PgConnection, group_id: Uuid, clinic_id: Uuid) -> Result<i64> {
    Ok(sqlx::query_scalar!(
        r#"select count(*) as "count!" from calendar_feed
           where group_id = $1 and clinic_id = $2 and revoked_at is null"#,
        group_id,
        clinic_id
    )
    .fetch_one(db)
    .await?)
}

/// Keeps a new feed with the hash of its secret and the key that made it; `false` when the id stands already.
///
/// # Errors
/// When the database does not answer.
pub async fn insert(
    db: &mut PgConnection,
    group_id: Uuid,
    feed: &Feed,
    secret_hash: &[u8],
    created_by: Uuid,
) -> Result<bool> {
    let done = sqlx::query!(
        "insert into calendar_feed (group_id, feed_id, clinic_id, label, audience, component, secret_hash, created_at,
                                    created_by)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9) on conflict (group_id, feed_id) do nothing",
        group_id,
        feed.feed_id,
        feed.clinic_id,
        feed.label,
        feed.audience.as_str(),
        feed.component.as_str(),
        secret_hash,
        feed.created_at,
        created_by
    )
    .execute(db)
    .await?;
    Ok(done.rows_affected() == 1)
}

/// Revokes a feed; a second time changes nothing.
///
/// # Errors
/// When the database does not answer.
pub async fn revoke(db: &mut PgConnection, group_id: Uuid, feed_id: Uuid, now: DateTime<Utc>) -> Result<bool> {
    let done = sqlx::query!(
        "update calendar_feed set revoked_at = $3 where group_id = $1 and feed_id = $2 and revoked_at is null",
        group_id,
        feed_id,
        now
    )
    .execute(db)
    .await?;
    Ok(done.rows_affected() == 1)
}

/// Notes a use, at most once a minute.
///
/// # Errors
/// When the database does not answer.
pub async fn touch(db: &mut PgConnection, group_id: Uuid, feed_id: Uuid, now: DateTime<Utc>) -> Result<()> {
    sqlx::query!(
        "update calendar_feed set last_used_at = $3
         where group_id = $1 and feed_id = $2
           and (last_used_at is null or last_used_at < $3::timestamptz - interval '1 minute')",
        group_id,
        feed_id,
        now
    )
    .execute(db)
    .await?;
    Ok(())
}

/// A clinic's tasks as a feed shows them.
#[derive(Debug)]
pub struct FeedTask {
    task_id: Uuid,
    revision: i32,
    anchor_at: DateTime<Utc>,
    due_from: DateTime<Utc>,
    due_by: DateTime<Utc>,
    planned_at: DateTime<Utc>,
    outcome: Option<String>,
    outcome_at: Option<DateTime<Utc>>,
    performed_at: Option<DateTime<Utc>>,
    because: Option<Value>,
    routine_name: String,
    cautions: Value,
    subject_name: String,
}

/// The tasks of the clinic days `from..=to` that concern an audience, soonest due first: those of the chair are all;
/// those of the others block, or climb a ladder that tells them. Of a longer period, once the day comes that its work
/// is planned for.
///
/// # Errors
/// When the database does not answer.
pub async fn list_tasks(
    db: &mut PgConnection,
    group_id: Uuid,
    feed: &Feed,
    (from, to): (NaiveDate, NaiveDate),
    ends_at: DateTime<Utc>,
) -> Result<Vec<FeedTask>> {
    Ok(sqlx::query_as!(
        FeedTask,
        r#"select t.task_id, t.revision, t.anchor_at, t.due_from, t.due_by, t.planned_at, t.outcome, t.outcome_at,
                  c.performed_at as "performed_at?", t.because, v.definition ->> 'name' as "routine_name!",
                  coalesce(v.definition -> 'cautions', '[]') as "cautions!", s.name as "subject_name!"
           from task t
           join routine_version v on v.group_id = t.group_id and v.routine_id = t.routine_id
                and v.version = t.routine_version
           join subject s on s.group_id = t.group_id and s.subject_id = t.subject_id
           left join completion c on c.group_id = t.group_id and c.clinic_day = t.clinic_day
                and c.completion_id = t.completion_id
           where t.group_id = $1 and t.clinic_id = $2
             and (t.clinic_day between $3 and $4
                  or t.clinic_day > $4 and t.clinic_day <= $5 and t.slot like 'period:%' and t.due_by < $6)
             and ($7 = 'chairside' or t.blocks_at is not null or $7 = any(t.rung_audience))
           order by t.due_by, t.task_id"#,
        group_id,
        feed.clinic_id,
        from,
        to,
        to + Days::new(366),
        ends_at,
        feed.audience.as_str()
    )
    .fetch_all(db)
    .await?)
}

impl FeedTask {
    /// Why it is due.
    ///
    /// # Errors
    /// When the row holds a reason the model does not know.
    pub fn because(&self) -> Result<Option<Because>> {
        let because = self.because.clone().map(serde_json::from_value).transpose();
        because.map_err(|error| StoreError::bad_row("task", self.task_id, "because", error))
    }

    /// The entry of the calendar.
    ///
    /// # Errors
    /// When the row holds what the model does not know.
    pub fn entry(self, zone: &Zone, names: &RoutineNames) -> Result<Entry> {
        let bad = |column, detail: &str| StoreError::bad_row("task", self.task_id, column, detail);
        let because = self.because()?;
        let why = because.map_or_else(sentence_without_reason, |because| because.sentence(self.anchor_at, zone, names));
        let progress = match self.outcome.as_deref().map(|name| Outcome::from_name(name).ok_or(name)) {
            None => Progress::Open,
            Some(Ok(Outcome::Done)) => {
                Progress::Done { performed_at: self.performed_at.ok_or_else(|| bad("completion_id", "no evidence"))? }
            }
            Some(Ok(Outcome::NotRequired)) => Progress::NotRequired,
            Some(Ok(Outcome::Void)) => Progress::Void,
            Some(Ok(Outcome::ResultPending)) => Progress::ResultPending,
            Some(Err(name)) => return Err(bad("outcome", name)),
        };
        Ok(Entry {
            task_id: TaskId::from_uuid(self.task_id).ok_or_else(|| bad("task_id", "no derived id"))?,
            revision: u32::try_from(self.revision).map_err(|_| bad("revision", "negative"))?,
            changed_at: self.outcome_at.map_or(self.planned_at, |at| at.max(self.planned_at)),
            due_from: self.due_from,
            due_by: self.due_by,
            progress,
            routine_name: self.routine_name.clone(),
            subject_name: self.subject_name.clone(),
            why,
            cautions: serde_json::from_value(self.cautions.clone())
                .map_err(|error| StoreError::bad_row("routine_version", self.task_id, "definition", error))?,
        })
    }
}
