//! Legal holds and their lifts.
//!
//! The rule of this file: rows are added and never changed. That a hold stands follows from there being no lift of it.
//! Whoever purges keeps recorders out first, and a hold is recorded like any evidence: so a purge sees it or comes after.

use chrono::{DateTime, NaiveDate, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use crate::domain::retention::RecordClass;
use crate::domain::retention::hold::{LegalHold, Lift};
use crate::store::{Result, StoreError, seals};

/// Keeps a hold; `false` when its id is taken.
///
/// # Errors
/// When the database does not answer, or the instant it is recorded at is sealed.
pub async fn insert(db: &mut PgConnection, group_id: Uuid, hold: &LegalHold) -> Result<bool> {
    seals::keep_sealer_out(&mut *db, group_id, hold.clinic_id, hold.recorded_at).await?;
    let done = sqlx::query!(
        "insert into legal_hold (group_id, legal_hold_id, clinic_id, record_class, subject_id, from_on, until_on, reason,
                                 staff_id, begun_by, recorded_at, key_id)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12) on conflict do nothing",
        group_id,
        hold.legal_hold_id,
        hold.clinic_id,
        hold.record_class.map(RecordClass::as_str),
        hold.subject_id,
        hold.from_on,
        hold.until_on,
        hold.reason,
        hold.staff_id,
        hold.begun_by,
        hold.recorded_at,
        hold.key_id
    )
    .execute(db)
    .await?;
    Ok(done.rows_affected() == 1)
}

/// Keeps the lift of a hold of a clinic; `false` when it is lifted already, or the id is taken.
///
/// # Errors
/// When the database does not answer, or the instant it is recorded at is sealed.
pub async fn insert_lift(
    db: &mut PgConnection,
    group_id: Uuid,
    (legal_hold_id, clinic_id): (Uuid, Uuid),
    lift: &Lift,
) -> Result<bool> {
    seals::keep_sealer_out(&mut *db, group_id, clinic_id, lift.recorded_at).await?;
    let done = sqlx::query!(
        "insert into legal_hold_lift (group_id, lift_id, legal_hold_id, clinic_id, reason, staff_id, lifted_by,
                                      recorded_at, key_id)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9) on conflict do nothing",
        group_id,
        lift.lift_id,
        legal_hold_id,
        clinic_id,
        lift.reason,
        lift.staff_id,
        lift.lifted_by,
        lift.recorded_at,
        lift.key_id
    )
    .execute(db)
    .await?;
    Ok(done.rows_affected() == 1)
}

struct Row {
    legal_hold_id: Uuid,
    clinic_id: Uuid,
    record_class: Option<String>,
    subject_id: Option<Uuid>,
    from_on: Option<NaiveDate>,
    until_on: Option<NaiveDate>,
    reason: String,
    staff_id: Uuid,
    begun_by: String,
    recorded_at: DateTime<Utc>,
    key_id: Uuid,
    lift_id: Option<Uuid>,
    lift_reason: Option<String>,
    lift_staff_id: Option<Uuid>,
    lifted_by: Option<String>,
    lifted_at: Option<DateTime<Utc>>,
    lift_key_id: Option<Uuid>,
}

impl Row {
    fn lift(&self) -> Option<Lift> {
        Some(Lift {
            lift_id: self.lift_id?,
            reason: self.lift_reason.clone()?,
            staff_id: self.lift_staff_id?,
            lifted_by: self.lifted_by.clone()?,
            recorded_at: self.lifted_at?,
            key_id: self.lift_key_id?,
        })
    }
}

impl TryFrom<Row> for LegalHold {
    type Error = StoreError;

    fn try_from(row: Row) -> Result<Self> {
        let class = |name: &String| {
            let bad = || StoreError::bad_row("legal_hold", row.legal_hold_id, "record_class", name);
            RecordClass::from_name(name).ok_or_else(bad)
        };
        Ok(Self {
            lift: row.lift(),
            record_class: row.record_class.as_ref().map(class).transpose()?,
            legal_hold_id: row.legal_hold_id,
            clinic_id: row.clinic_id,
            subject_id: row.subject_id,
            from_on: row.from_on,
            until_on: row.until_on,
            reason: row.reason,
            staff_id: row.staff_id,
            begun_by: row.begun_by,
            recorded_at: row.recorded_at,
            key_id: row.key_id,
        })
    }
}

/// Those legal holds, each with its lift where there is one.
macro_rules! rows {
    ($which:literal, $($argument:expr),+ $(,)?) => {
        sqlx::query_as!(
            Row,
            r#"select h.legal_hold_id, h.clinic_id, h.record_class, h.subject_id, h.from_on, h.until_on, h.reason, h.staff_id,
                      h.begun_by, h.recorded_at, h.key_id, l.lift_id as "lift_id?", l.reason as "lift_reason?",
                      l.staff_id as "lift_staff_id?", l.lifted_by as "lifted_by?", l.recorded_at as "lifted_at?",
                      l.key_id as "lift_key_id?"
               from legal_hold h
               left join legal_hold_lift l on l.group_id = h.group_id and l.legal_hold_id = h.legal_hold_id "# + $which,
            $($argument),+
        )
    };
}

/// The hold with this id.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn find(db: &mut PgConnection, group_id: Uuid, legal_hold_id: Uuid) -> Result<Option<LegalHold>> {
    let row =
        rows!(r#"where h.group_id = $1 and h.legal_hold_id = $2"#, group_id, legal_hold_id).fetch_optional(db).await?;
    row.map(LegalHold::try_from).transpose()
}

/// The holds of a clinic, the newest first: at most so many, from before a place in that list; `standing` leaves out
/// what is lifted.
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
) -> Result<Vec<LegalHold>> {
    let (before_at, before_id) = before.unzip();
    let rows = rows!(
        r#"where h.group_id = $1 and h.clinic_id = $2 and (not $3 or l.lift_id is null)
             and ($4::timestamptz is null or (h.recorded_at, h.legal_hold_id) < ($4, $5::uuid))
           order by h.recorded_at desc, h.legal_hold_id desc limit $6"#,
        group_id,
        clinic_id,
        standing,
        before_at,
        before_id,
        at_most
    )
    .fetch_all(db)
    .await?;
    rows.into_iter().map(LegalHold::try_from).collect()
}

/// Holds of other clinics that stand on a subject which this clinic had.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn list_on_subjects_elsewhere(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
) -> Result<Vec<LegalHold>> {
    let rows = rows!(
        r#"where h.group_id = $1 and h.clinic_id <> $2 and l.lift_id is null
             and h.subject_id in (select c.subject_id from subject_change c where c.group_id = $1 and c.clinic_id = $2
                                  union all
                                  select s.subject_id from subject s where s.group_id = $1 and s.clinic_id = $2)"#,
        group_id,
        clinic_id
    )
    .fetch_all(db)
    .await?;
    rows.into_iter().map(LegalHold::try_from).collect()
}

/// How many holds stand at a clinic.
///
/// # Errors
/// When the database does not answer.
pub async fn count(db: &mut PgConnection, group_id: Uuid, clinic_id: Uuid) -> Result<i64> {
    Ok(sqlx::query_scalar!(
        r#"select count(*) as "count!" from legal_hold h
           where h.group_id = $1 and h.clinic_id = $2
             and not exists (select from legal_hold_lift l where l.group_id = $1 and l.legal_hold_id = h.legal_hold_id)"#,
        group_id,
        clinic_id
    )
    .fetch_one(db)
    .await?)
}
