//! Notices not to use mains water, and that they were lifted.
//!
//! The rule of this file: both are evidence, added and never changed; a notice that concerns several clinics is a row
//! in each, and is in force in each until it is lifted there.

use chrono::{DateTime, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use super::{Result, seals};
use crate::domain::water_advisory::{Lifting, WaterAdvisory};

struct Row {
    advisory_id: Uuid,
    clinic_id: Uuid,
    authority: String,
    notice_number: String,
    area: String,
    note: String,
    started_at: DateTime<Utc>,
    recorded_at: DateTime<Utc>,
    opened_by: String,
    opened_by_staff_id: Option<Uuid>,
    key_id: Uuid,
    lifting_id: Option<Uuid>,
    lifting_number: Option<String>,
    reason: Option<String>,
    lifted_at: Option<DateTime<Utc>>,
    lifting_recorded_at: Option<DateTime<Utc>>,
    staff_id: Option<Uuid>,
    lifted_by: Option<String>,
    lifting_key_id: Option<Uuid>,
}

impl From<Row> for WaterAdvisory {
    fn from(row: Row) -> Self {
        // They come from one row of the other table: all of them, or none.
        let lifting = (|| {
            Some(Lifting {
                lifting_id: row.lifting_id?,
                notice_number: row.lifting_number?,
                reason: row.reason?,
                lifted_at: row.lifted_at?,
                recorded_at: row.lifting_recorded_at?,
                staff_id: row.staff_id?,
                lifted_by: row.lifted_by?,
                key_id: row.lifting_key_id?,
            })
        })();
        Self {
            advisory_id: row.advisory_id,
            clinic_id: row.clinic_id,
            authority: row.authority,
            notice_number: row.notice_number,
            area: row.area,
            note: row.note,
            started_at: row.started_at,
            recorded_at: row.recorded_at,
            opened_by: row.opened_by,
            staff_id: row.opened_by_staff_id,
            key_id: row.key_id,
            lifting,
        }
    }
}

/// Keeps an advisory of one clinic; `false` when it stands there already.
///
/// # Errors
/// When the database does not answer, or the instant it is recorded at is sealed.
pub async fn insert(db: &mut PgConnection, group_id: Uuid, advisory: &WaterAdvisory) -> Result<bool> {
    seals::keep_sealer_out(&mut *db, group_id, advisory.clinic_id, advisory.recorded_at).await?;
    let done = sqlx::query!(
        "insert into water_advisory
             (group_id, advisory_id, clinic_id, authority, notice_number, area, note, started_at, recorded_at, opened_by,
              key_id, staff_id)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12) on conflict do nothing",
        group_id,
        advisory.advisory_id,
        advisory.clinic_id,
        advisory.authority,
        advisory.notice_number,
        advisory.area,
        advisory.note,
        advisory.started_at,
        advisory.recorded_at,
        advisory.opened_by,
        advisory.key_id,
        advisory.staff_id
    )
    .execute(db)
    .await?;
    Ok(done.rows_affected() == 1)
}

/// Keeps that an advisory was lifted at a clinic; `false` when it was already.
///
/// # Errors
/// When the database does not answer, or the instant it is recorded at is sealed.
pub async fn insert_lifting(
    db: &mut PgConnection,
    group_id: Uuid,
    (advisory_id, clinic_id): (Uuid, Uuid),
    lifting: &Lifting,
) -> Result<bool> {
    seals::keep_sealer_out(&mut *db, group_id, clinic_id, lifting.recorded_at).await?;
    let done = sqlx::query!(
        "insert into water_advisory_lifting
             (group_id, advisory_id, clinic_id, lifting_id, notice_number, reason, lifted_at, recorded_at, staff_id,
              lifted_by, key_id)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11) on conflict do nothing",
        group_id,
        advisory_id,
        clinic_id,
        lifting.lifting_id,
        lifting.notice_number,
        lifting.reason,
        lifting.lifted_at,
        lifting.recorded_at,
        lifting.staff_id,
        lifting.lifted_by,
        lifting.key_id
    )
    .execute(db)
    .await?;
    Ok(done.rows_affected() == 1)
}

/// Which advisories are read; what is `None` is not asked for.
#[derive(Clone, Copy, Debug, Default)]
struct Wanted<'a> {
    advisory_id: Option<Uuid>,
    clinic_ids: Option<&'a [Uuid]>,
    /// Recorded by then.
    recorded_by: Option<DateTime<Utc>>,
    /// The record of its lifting, if there is one, is later than that.
    standing_after: Option<DateTime<Utc>>,
    /// As its notices say, it applied at some instant after that.
    applying_after: Option<DateTime<Utc>>,
}

/// The advisories that are wanted; the oldest first.
async fn read(db: &mut PgConnection, group_id: Uuid, wanted: Wanted<'_>) -> Result<Vec<WaterAdvisory>> {
    let rows = sqlx::query_as!(
        Row,
        r#"select a.advisory_id, a.clinic_id, a.authority, a.notice_number, a.area, a.note, a.started_at, a.recorded_at,
                  a.opened_by, a.staff_id as opened_by_staff_id, a.key_id, l.lifting_id as "lifting_id?", l.notice_number as "lifting_number?",
                  l.reason as "reason?", l.lifted_at as "lifted_at?", l.recorded_at as "lifting_recorded_at?",
                  l.staff_id as "staff_id?", l.lifted_by as "lifted_by?", l.key_id as "lifting_key_id?"
           from water_advisory a
           left join water_advisory_lifting l
                  on l.group_id = a.group_id and l.advisory_id = a.advisory_id and l.clinic_id = a.clinic_id
           where a.group_id = $1 and ($2::uuid is null or a.advisory_id = $2)
             and ($3::uuid[] is null or a.clinic_id = any($3))
             and ($4::timestamptz is null or a.recorded_at <= $4)
             and ($5::timestamptz is null or l.recorded_at is null or l.recorded_at > $5)
             and ($6::timestamptz is null or l.lifted_at is null or l.lifted_at > $6)
           order by a.started_at, a.advisory_id, a.clinic_id"#,
        group_id,
        wanted.advisory_id,
        wanted.clinic_ids,
        wanted.recorded_by,
        wanted.standing_after,
        wanted.applying_after
    )
    .fetch_all(db)
    .await?;
    Ok(rows.into_iter().map(WaterAdvisory::from).collect())
}

/// An advisory in each clinic that it concerns, by the clinics' ids; empty: there is none with this id.
///
/// # Errors
/// When the database does not answer.
pub async fn find(db: &mut PgConnection, group_id: Uuid, advisory_id: Uuid) -> Result<Vec<WaterAdvisory>> {
    read(db, group_id, Wanted { advisory_id: Some(advisory_id), ..Wanted::default() }).await
}

/// What stood at `at` in any of these clinics, by what had been recorded by then; the oldest first.
///
/// # Errors
/// When the database does not answer.
pub async fn list_standing(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_ids: &[Uuid],
    at: DateTime<Utc>,
) -> Result<Vec<WaterAdvisory>> {
    list_between(db, group_id, clinic_ids, (at, at)).await
}

/// What stood at any instant from the first to the second, both included, in any of these clinics, by what had been
/// recorded by each; the oldest first.
///
/// # Errors
/// When the database does not answer.
pub async fn list_between(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_ids: &[Uuid],
    (from, until): (DateTime<Utc>, DateTime<Utc>),
) -> Result<Vec<WaterAdvisory>> {
    let wanted = Wanted {
        clinic_ids: Some(clinic_ids),
        recorded_by: Some(until),
        standing_after: Some(from),
        ..Wanted::default()
    };
    read(db, group_id, wanted).await
}

/// Advisories that applied at a clinic at some instant after `since`, as their notices say; the oldest first.
///
/// # Errors
/// When the database does not answer.
pub async fn list_applying(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    since: DateTime<Utc>,
) -> Result<Vec<WaterAdvisory>> {
    let clinic_ids = [clinic_id];
    read(db, group_id, Wanted { clinic_ids: Some(&clinic_ids), applying_after: Some(since), ..Wanted::default() }).await
}

/// What to list.
#[derive(Clone, Copy, Debug)]
pub struct Filter<'a> {
    /// Only of these clinics; `None`: of all.
    pub clinic_ids: Option<&'a [Uuid]>,
    /// Only what is not lifted.
    pub in_force: bool,
    /// From before this place in the list.
    pub before: Option<(DateTime<Utc>, Uuid)>,
    /// So many notices at most.
    pub at_most: i64,
}

/// Advisories by when they started, the newest first; each whole, in every clinic it concerns that is asked for.
///
/// # Errors
/// When the database does not answer.
pub async fn list(db: &mut PgConnection, group_id: Uuid, filter: Filter<'_>) -> Result<Vec<WaterAdvisory>> {
    let (before_at, before_id) = filter.before.unzip();
    let rows = sqlx::query_as!(
        Row,
        r#"with page as (
               select p.advisory_id, p.started_at
               from water_advisory p
               left join water_advisory_lifting f
                      on f.group_id = p.group_id and f.advisory_id = p.advisory_id and f.clinic_id = p.clinic_id
               where p.group_id = $1 and ($2::uuid[] is null or p.clinic_id = any($2))
                 and (not $3 or f.advisory_id is null)
                 and ($4::timestamptz is null or (p.started_at, p.advisory_id) < ($4, $5::uuid))
               group by p.advisory_id, p.started_at
               order by p.started_at desc, p.advisory_id desc limit $6
           )
           select a.advisory_id, a.clinic_id, a.authority, a.notice_number, a.area, a.note, a.started_at, a.recorded_at,
                  a.opened_by, a.staff_id as opened_by_staff_id, a.key_id, l.lifting_id as "lifting_id?", l.notice_number as "lifting_number?",
                  l.reason as "reason?", l.lifted_at as "lifted_at?", l.recorded_at as "lifting_recorded_at?",
                  l.staff_id as "staff_id?", l.lifted_by as "lifted_by?", l.key_id as "lifting_key_id?"
           from page
           join water_advisory a on a.group_id = $1 and a.advisory_id = page.advisory_id
           left join water_advisory_lifting l
                  on l.group_id = a.group_id and l.advisory_id = a.advisory_id and l.clinic_id = a.clinic_id
           where $2::uuid[] is null or a.clinic_id = any($2)
           order by a.started_at desc, a.advisory_id desc, a.clinic_id"#,
        group_id,
        filter.clinic_ids,
        filter.in_force,
        before_at,
        before_id,
        filter.at_most
    )
    .fetch_all(db)
    .await?;
    Ok(rows.into_iter().map(WaterAdvisory::from).collect())
}
