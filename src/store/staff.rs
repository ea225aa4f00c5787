//! People and what they were trained for. Rows change and are never deleted, since evidence names them.

pub mod pins;

use std::collections::BTreeMap;

use chrono::{DateTime, NaiveDate, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use super::{Result, StoreError};
use crate::domain::staff::{Competence, CompetentFor, StaffMember, StaffRole};

struct Row {
    staff_id: Uuid,
    name: String,
    initials: String,
    role: String,
    clinic_ids: Vec<Uuid>,
    active_from: NaiveDate,
    active_until: Option<NaiveDate>,
}

impl TryFrom<Row> for StaffMember {
    type Error = StoreError;

    fn try_from(row: Row) -> Result<Self> {
        let role = StaffRole::ALL
            .into_iter()
            .find(|role| role.as_str() == row.role)
            .ok_or_else(|| StoreError::bad_row("staff", row.staff_id, "role", &row.role))?;
        Ok(Self {
            staff_id: row.staff_id,
            name: row.name,
            initials: row.initials,
            role,
            clinic_ids: row.clinic_ids,
            active_from: row.active_from,
            active_until: row.active_until,
        })
    }
}

/// The person with this id.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn find(db: &mut PgConnection, group_id: Uuid, staff_id: Uuid) -> Result<Option<StaffMember>> {
    sqlx::query_as!(
        Row,
        "select staff_id, name, initials, role, clinic_ids, active_from, active_until
         from staff where group_id = $1 and staff_id = $2",
        group_id,
        staff_id
    )
    .fetch_optional(db)
    .await?
    .map(StaffMember::try_from)
    .transpose()
}

/// Everybody of the group, by name.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn list(db: &mut PgConnection, group_id: Uuid) -> Result<Vec<StaffMember>> {
    sqlx::query_as!(
        Row,
        "select staff_id, name, initials, role, clinic_ids, active_from, active_until
         from staff where group_id = $1 order by name, staff_id",
        group_id
    )
    .fetch_all(db)
    .await?
    .into_iter()
    .map(StaffMember::try_from)
    .collect()
}

/// Those who have or had these initials, whatever the case of their letters.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn list_with_initials(db: &mut PgConnection, group_id: Uuid, initials: &str) -> Result<Vec<StaffMember>> {
    sqlx::query_as!(
        Row,
        "select staff_id, name, initials, role, clinic_ids, active_from, active_until
         from staff where group_id = $1 and lower(initials) = lower(btrim($2)) order by active_from, staff_id",
        group_id,
        initials
    )
    .fetch_all(db)
    .await?
    .into_iter()
    .map(StaffMember::try_from)
    .collect()
}

/// Whether the group keeps any staff.
///
/// # Errors
/// When the database does not answer.
pub async fn is_kept(db: &mut PgConnection, group_id: Uuid) -> Result<bool> {
    let kept = sqlx::query_scalar!(r#"select exists(select from staff where group_id = $1) as "kept!""#, group_id);
    Ok(kept.fetch_one(db).await?)
}

/// How many people the group has, those who left too.
///
/// # Errors
/// When the database does not answer.
pub async fn count(db: &mut PgConnection, group_id: Uuid) -> Result<i64> {
    Ok(sqlx::query_scalar!(r#"select count(*) as "n!" from staff where group_id = $1"#, group_id).fetch_one(db).await?)
}

/// Those of `staff_ids` who are nobody of the group.
///
/// # Errors
/// When the database does not answer.
pub async fn list_missing(db: &mut PgConnection, group_id: Uuid, staff_ids: &[Uuid]) -> Result<Vec<Uuid>> {
    Ok(sqlx::query_scalar!(
        r#"select wanted.id as "id!" from unnest($2::uuid[]) as wanted(id)
           where not exists (select from staff s where s.group_id = $1 and s.staff_id = wanted.id)
           order by wanted.id"#,
        group_id,
        staff_ids
    )
    .fetch_all(db)
    .await?)
}

/// Keeps a person, new or changed.
///
/// # Errors
/// When the database does not answer.
pub async fn save(db: &mut PgConnection, group_id: Uuid, person: &StaffMember, now: DateTime<Utc>) -> Result<()> {
    sqlx::query!(
        "insert into staff (group_id, staff_id, name, initials, role, clinic_ids, active_from, active_until, created_at)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9)
         on conflict (group_id, staff_id) do update
         set name = excluded.name, initials = excluded.initials, role = excluded.role, clinic_ids = excluded.clinic_ids,
             active_from = excluded.active_from, active_until = excluded.active_until",
        group_id,
        person.staff_id,
        person.name,
        person.initials,
        person.role.as_str(),
        &person.clinic_ids,
        person.active_from,
        person.active_until,
        now
    )
    .execute(db)
    .await?;
    Ok(())
}

struct CompetenceRow {
    staff_id: Uuid,
    competence_id: Uuid,
    routine_id: Option<Uuid>,
    family: Option<String>,
    valid_from: NaiveDate,
    valid_until: Option<NaiveDate>,
    signed_off_by: String,
    signed_by_staff_id: Option<Uuid>,
    note: String,
}

impl TryFrom<CompetenceRow> for Competence {
    type Error = StoreError;

    fn try_from(row: CompetenceRow) -> Result<Self> {
        let for_what = match (row.routine_id, row.family) {
            (Some(routine_id), None) => CompetentFor::Routine { routine_id },
            (None, Some(family)) => CompetentFor::Family { family },
            _ => return Err(StoreError::bad_row("competence", row.competence_id, "family", "not for exactly one")),
        };
        Ok(Self {
            competence_id: row.competence_id,
            for_what,
            valid_from: row.valid_from,
            valid_until: row.valid_until,
            signed_off_by: row.signed_off_by,
            signed_by_staff_id: row.signed_by_staff_id,
            note: row.note,
        })
    }
}

/// The competences of some people, each person's oldest first.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn list_competences(
    db: &mut PgConnection,
    group_id: Uuid,
    staff_ids: &[Uuid],
) -> Result<BTreeMap<Uuid, Vec<Competence>>> {
    let rows = sqlx::query_as!(
        CompetenceRow,
        "select staff_id, competence_id, routine_id, family, valid_from, valid_until, signed_off_by, signed_by_staff_id, note
         from competence where group_id = $1 and staff_id = any($2) order by staff_id, valid_from, competence_id",
        group_id,
        staff_ids
    )
    .fetch_all(db)
    .await?;
    let mut competences: BTreeMap<Uuid, Vec<Competence>> = BTreeMap::new();
    for row in rows {
        competences.entry(row.staff_id).or_default().push(row.try_into()?);
    }
    Ok(competences)
}

/// Whether anybody's competence is for this very routine, whatever its dates.
///
/// # Errors
/// When the database does not answer.
pub async fn has_competences_for(db: &mut PgConnection, group_id: Uuid, routine_id: Uuid) -> Result<bool> {
    Ok(sqlx::query_scalar!(
        r#"select exists (select from competence where group_id = $1 and routine_id = $2) as "is_named!""#,
        group_id,
        routine_id
    )
    .fetch_one(db)
    .await?)
}

/// Competences whose last day lies in a span, both ends in it, the first to end first.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn list_ending(
    db: &mut PgConnection,
    group_id: Uuid,
    (first_on, last_on): (NaiveDate, NaiveDate),
    at_most: i64,
) -> Result<Vec<(Uuid, Competence)>> {
    sqlx::query_as!(
        CompetenceRow,
        "select staff_id, competence_id, routine_id, family, valid_from, valid_until, signed_off_by, signed_by_staff_id, note
         from competence where group_id = $1 and valid_until between $2 and $3
         order by valid_until, staff_id, competence_id limit $4",
        group_id,
        first_on,
        last_on,
        at_most
    )
    .fetch_all(db)
    .await?
    .into_iter()
    .map(|row| Ok((row.staff_id, row.try_into()?)))
    .collect()
}

/// Keeps a competence of a person, new or changed.
///
/// # Errors
/// When the database does not answer.
pub async fn save_competence(
    db: &mut PgConnection,
    group_id: Uuid,
    staff_id: Uuid,
    competence: &Competence,
    now: DateTime<Utc>,
) -> Result<()> {
    let (routine_id, family) = match &competence.for_what {
        CompetentFor::Routine { routine_id } => (Some(*routine_id), None),
        CompetentFor::Family { family } => (None, Some(family.as_str())),
    };
    sqlx::query!(
        "insert into competence (group_id, staff_id, competence_id, routine_id, family, valid_from, valid_until,
                                 signed_off_by, note, created_at, signed_by_staff_id)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11)
         on conflict (group_id, staff_id, competence_id) do update
         set routine_id = excluded.routine_id, family = excluded.family, valid_from = excluded.valid_from,
             valid_until = excluded.valid_until, signed_off_by = excluded.signed_off_by, note = excluded.note,
             signed_by_staff_id = excluded.signed_by_staff_id",
        group_id,
        staff_id,
        competence.competence_id,
        routine_id,
        family,
        competence.valid_from,
        competence.valid_until,
        competence.signed_off_by,
        competence.note,
        now,
        competence.signed_by_staff_id
    )
    .execute(db)
    .await?;
    Ok(())
}
