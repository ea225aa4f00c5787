//! What is out of use, and who released it.
//!
//! The rule of this file: rows are added and never changed. That a quarantine stands follows from there being no
//! release of it yet.

use std::collections::BTreeMap;

use chrono::{DateTime, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use crate::domain::evidence::LoadHeld;
use crate::domain::quarantine::{CauseKind, LoadDisposition, Quarantine, Release};
use crate::store::{Result, StoreError, seals};

struct Row {
    quarantine_id: Uuid,
    clinic_id: Uuid,
    subject_id: Uuid,
    line: Option<String>,
    load_reference: Option<String>,
    cycle_id: Option<Uuid>,
    cause: String,
    cause_id: Option<Uuid>,
    reason: String,
    begun_at: DateTime<Utc>,
    recorded_at: DateTime<Utc>,
    begun_by: String,
    begun_by_staff_id: Option<Uuid>,
    key_id: Option<Uuid>,
    release_id: Option<Uuid>,
    staff_id: Option<Uuid>,
    released_by: Option<String>,
    release_reason: Option<String>,
    disposition: Option<String>,
    released_at: Option<DateTime<Utc>>,
    release_key_id: Option<Uuid>,
}

impl Row {
    fn release(&self) -> Result<Option<Release>> {
        let disposition =
            match self.disposition.as_deref() {
                None => None,
                Some(name) => Some(LoadDisposition::from_name(name).ok_or_else(|| {
                    StoreError::bad_row("quarantine_release", self.quarantine_id, "disposition", name)
                })?),
            };
        let release = || {
            Some(Release {
                release_id: self.release_id?,
                staff_id: self.staff_id?,
                released_by: self.released_by.clone()?,
                reason: self.release_reason.clone()?,
                disposition,
                recorded_at: self.released_at?,
                key_id: self.release_key_id?,
            })
        };
        Ok(release())
    }
}

impl TryFrom<Row> for Quarantine {
    type Error = StoreError;

    fn try_from(row: Row) -> Result<Self> {
        let cause = CauseKind::from_name(&row.cause)
            .ok_or_else(|| StoreError::bad_row("quarantine", row.quarantine_id, "cause", &row.cause))?;
        Ok(Self {
            release: row.release()?,
            quarantine_id: row.quarantine_id,
            clinic_id: row.clinic_id,
            subject_id: row.subject_id,
            line: row.line,
            load_reference: row.load_reference,
            cycle_id: row.cycle_id,
            cause,
            cause_id: row.cause_id,
            reason: row.reason,
            begun_at: row.begun_at,
            recorded_at: row.recorded_at,
            begun_by: row.begun_by,
            staff_id: row.begun_by_staff_id,
            key_id: row.key_id,
        })
    }
}

fn read(rows: Vec<Row>) -> Result<Vec<Quarantine>> {
    rows.into_iter().map(Quarantine::try_from).collect()
}

/// Keeps a quarantine; `false` when its id is taken. Waits for a transaction that is taking it now.
///
/// # Errors
/// When the database does not answer, or the instant it is recorded at is sealed.
pub async fn insert(db: &mut PgConnection, group_id: Uuid, quarantine: &Quarantine) -> Result<bool> {
    seals::keep_sealer_out(&mut *db, group_id, quarantine.clinic_id, quarantine.recorded_at).await?;
    let done = sqlx::query!(
        "insert into quarantine
             (group_id, quarantine_id, clinic_id, subject_id, line, load_reference, cycle_id, cause, cause_id, reason,
              begun_at, recorded_at, begun_by, key_id, staff_id)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15) on conflict do nothing",
        group_id,
        quarantine.quarantine_id,
        quarantine.clinic_id,
        quarantine.subject_id,
        quarantine.line,
        quarantine.load_reference,
        quarantine.cycle_id,
        quarantine.cause.as_str(),
        quarantine.cause_id,
        quarantine.reason,
        quarantine.begun_at,
        quarantine.recorded_at,
        quarantine.begun_by,
        quarantine.key_id,
        quarantine.staff_id
    )
    .execute(db)
    .await?;
    Ok(done.rows_affected() == 1)
}

/// Keeps the release of a quarantine of a clinic; `false` when it is released already, or the id is taken.
///
/// # Errors
/// When the database does not answer, or the instant it is recorded at is sealed.
pub async fn insert_release(
    db: &mut PgConnection,
    group_id: Uuid,
    (quarantine_id, clinic_id): (Uuid, Uuid),
    release: &Release,
) -> Result<bool> {
    seals::keep_sealer_out(&mut *db, group_id, clinic_id, release.recorded_at).await?;
    let done = sqlx::query!(
        "insert into quarantine_release
             (group_id, release_id, quarantine_id, clinic_id, staff_id, released_by, reason, recorded_at, key_id, disposition)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10) on conflict do nothing",
        group_id,
        release.release_id,
        quarantine_id,
        clinic_id,
        release.staff_id,
        release.released_by,
        release.reason,
        release.recorded_at,
        release.key_id,
        release.disposition.map(LoadDisposition::as_str)
    )
    .execute(db)
    .await?;
    Ok(done.rows_affected() == 1)
}

/// Those quarantines, each with its release where there is one.
macro_rules! rows {
    ($which:literal, $($argument:expr),+ $(,)?) => {
        sqlx::query_as!(
            Row,
            r#"select q.quarantine_id, q.clinic_id, q.subject_id, q.line, q.load_reference, q.cycle_id, q.cause, q.cause_id,
                      q.reason, q.begun_at, q.recorded_at, q.begun_by, q.key_id,
                      q.staff_id as begun_by_staff_id, r.release_id as "release_id?",
                      r.staff_id as "staff_id?", r.released_by as "released_by?", r.reason as "release_reason?",
                      r.recorded_at as "released_at?", r.key_id as "release_key_id?", r.disposition as "disposition?"
               from quarantine q
               left join quarantine_release r on r.group_id = q.group_id and r.quarantine_id = q.quarantine_id "# + $which,
            $($argument),+
        )
    };
}

/// The quarantine with this id.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn find(db: &mut PgConnection, group_id: Uuid, quarantine_id: Uuid) -> Result<Option<Quarantine>> {
    let row =
        rows!(r#"where q.group_id = $1 and q.quarantine_id = $2"#, group_id, quarantine_id).fetch_optional(db).await?;
    row.map(Quarantine::try_from).transpose()
}

/// What stood at `at` against any of these subjects, by what had been recorded by then; the oldest first.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn list_standing(
    db: &mut PgConnection,
    group_id: Uuid,
    subject_ids: &[Uuid],
    at: DateTime<Utc>,
) -> Result<Vec<Quarantine>> {
    list_between(db, group_id, subject_ids, (at, at)).await
}

/// What stood at any instant from the first to the second, both included, against any of these subjects, by what had
/// been recorded by each; the oldest first.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn list_between(
    db: &mut PgConnection,
    group_id: Uuid,
    subject_ids: &[Uuid],
    (from, until): (DateTime<Utc>, DateTime<Utc>),
) -> Result<Vec<Quarantine>> {
    let rows = rows!(
        r#"where q.group_id = $1 and q.subject_id = any($2) and q.recorded_at <= $4
             and (r.recorded_at is null or r.recorded_at > $3)
           order by q.begun_at, q.quarantine_id"#,
        group_id,
        subject_ids,
        from,
        until
    )
    .fetch_all(db)
    .await?;
    read(rows)
}

/// What was put out of use for a cause, but for loads of it; the oldest first.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn list_of_cause(db: &mut PgConnection, group_id: Uuid, cause_id: Uuid) -> Result<Vec<Quarantine>> {
    let rows = rows!(
        r#"where q.group_id = $1 and q.cause_id = $2 and q.load_reference is null
           order by q.begun_at, q.quarantine_id limit 100"#,
        group_id,
        cause_id
    )
    .fetch_all(db)
    .await?;
    read(rows)
}

/// The loads that an action put out of use and that are so still; the oldest first, 20 at most.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn list_loads_held(db: &mut PgConnection, group_id: Uuid, action_id: Uuid) -> Result<Vec<Quarantine>> {
    let rows = rows!(
        r#"where q.group_id = $1 and q.cause_id = $2 and q.load_reference is not null and r.release_id is null
           order by q.begun_at, q.quarantine_id limit 20"#,
        group_id,
        action_id
    )
    .fetch_all(db)
    .await?;
    read(rows)
}

/// Which of these labels are those of loads that are out of use at a clinic now, were so at an instant, or had been discarded
/// or processed again by then while nothing that was processed since bears the label. A load has the label that it was held
/// under, and the one that the newest record of its cycle says.
///
/// # Errors
/// When the database does not answer.
pub async fn list_held_labels(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    labels: &[String],
    at: DateTime<Utc>,
) -> Result<BTreeMap<String, LoadHeld>> {
    if labels.is_empty() {
        return Ok(BTreeMap::new());
    }
    let rows = sqlx::query!(
        r#"with held as (
               select q.quarantine_id, q.load_reference as label from quarantine q
               where q.group_id = $1 and q.clinic_id = $2 and q.load_reference = any($3)
               union
               select q.quarantine_id, c.load_reference from cycle_record c
               join quarantine q on q.group_id = c.group_id and q.cycle_id = c.cycle_id and q.load_reference is not null
               where c.group_id = $1 and c.clinic_id = $2 and c.load_reference = any($3)
                 and not exists (select from cycle_record later
                                 where later.group_id = c.group_id and later.cycle_id = c.cycle_id
                                   and later.number > c.number)
           ), known as (
               select h.label,
                      q.recorded_at <= $4 and (r.release_id is null or r.recorded_at > $4)
                      or r.disposition is not null and r.recorded_at <= $4
                         and not exists (select from cycle_record c
                                         join cycle_mark m on m.group_id = c.group_id and m.cycle_id = c.cycle_id
                                         where c.group_id = q.group_id and c.clinic_id = q.clinic_id
                                           and c.load_reference = h.label and m.ended_at > q.begun_at
                                           and c.cycle_id is distinct from q.cycle_id) as was_held,
                      r.release_id is null as is_held
               from held h
               join quarantine q on q.group_id = $1 and q.quarantine_id = h.quarantine_id
               left join quarantine_release r on r.group_id = q.group_id and r.quarantine_id = q.quarantine_id
           )
           select label as "label!", bool_or(was_held) as "was_held!" from known where was_held or is_held group by label"#,
        group_id,
        clinic_id,
        labels,
        at
    )
    .fetch_all(db)
    .await?;
    let since = |was_held: bool| if was_held { LoadHeld::Before } else { LoadHeld::Since };
    Ok(rows.into_iter().map(|row| (row.label, since(row.was_held))).collect())
}

/// Quarantines of a load at a clinic, of whatever equipment or of one piece: by its label, or by the cycles it came from; the
/// newest first, 200 at most.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn list_of_load(
    db: &mut PgConnection,
    group_id: Uuid,
    (clinic_id, equipment_id): (Uuid, Option<Uuid>),
    (label, cycle_ids): (&str, &[Uuid]),
) -> Result<Vec<Quarantine>> {
    let rows = rows!(
        r#"where q.group_id = $1 and q.clinic_id = $2 and ($3::uuid is null or q.subject_id = $3)
             and q.load_reference is not null and (q.load_reference = $4 or q.cycle_id = any($5))
           order by q.begun_at desc, q.quarantine_id desc limit 200"#,
        group_id,
        clinic_id,
        equipment_id,
        label,
        cycle_ids
    )
    .fetch_all(db)
    .await?;
    read(rows)
}

/// The quarantine of the load of each of these cycles that an action began, by the cycle.
///
/// # Errors
/// When the database does not answer.
pub async fn list_held_for(
    db: &mut PgConnection,
    group_id: Uuid,
    action_id: Uuid,
    cycle_ids: &[Uuid],
) -> Result<Vec<(Uuid, Uuid)>> {
    let rows = sqlx::query!(
        r#"select q.cycle_id as "cycle_id!", q.quarantine_id from quarantine q
           where q.group_id = $1 and q.cause_id = $2 and q.cycle_id = any($3)"#,
        group_id,
        action_id,
        cycle_ids
    )
    .fetch_all(db)
    .await?;
    Ok(rows.into_iter().map(|row| (row.cycle_id, row.quarantine_id)).collect())
}

/// What was put out of use at a clinic, the newest first: at most so many, from before a place in that list; `standing`
/// leaves out what is released.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn list_of_clinic(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    standing: bool,
    before: Option<(DateTime<Utc>, Uuid)>,
    at_most: i64,
) -> Result<Vec<Quarantine>> {
    let (before_at, before_id) = before.unzip();
    let rows = rows!(
        r#"where q.group_id = $1 and q.clinic_id = $2 and (not $3 or r.release_id is null)
             and ($4::timestamptz is null or (q.begun_at, q.quarantine_id) < ($4, $5::uuid))
           order by q.begun_at desc, q.quarantine_id desc limit $6"#,
        group_id,
        clinic_id,
        standing,
        before_at,
        before_id,
        at_most
    )
    .fetch_all(db)
    .await?;
    read(rows)
}
