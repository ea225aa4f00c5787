//! Each state that people, what they were trained for, and instruments were in: what is sealed of them.
//!
//! The rule of this file: whoever saves one of those rows marks it in the same transaction. A mark is read from the row
//! itself, so that it cannot say anything else, and is held against it later ([`super::standing`]).

use std::collections::BTreeSet;

use chrono::{DateTime, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use crate::domain::staff::StaffMember;
use crate::store::{Result, clinics, seals};

/// With which key something was changed, and when.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Marking {
    /// When the service received it.
    pub recorded_at: DateTime<Utc>,
    /// The system that sent it.
    pub key_id: Uuid,
}

/// Marks a person as they are now saved; `before` is how they stood, `None` when they were not there. A clinic that they
/// come to is told of their competences too.
///
/// # Errors
/// When the database does not answer, or the instant is sealed at a clinic that it concerns.
pub async fn mark_person(
    db: &mut PgConnection,
    group_id: Uuid,
    before: Option<&StaffMember>,
    person: &StaffMember,
    marking: Marking,
) -> Result<()> {
    let all: BTreeSet<Uuid> = clinics::list(db, group_id).await?.into_iter().map(|clinic| clinic.clinic_id).collect();
    let had = before.map(|before| before.clinics_among(&all)).unwrap_or_default();
    let has = person.clinics_among(&all);
    let concerned: Vec<Uuid> = had.union(&has).copied().collect();
    let gained: Vec<Uuid> = has.difference(&had).copied().collect();
    seals::keep_sealers_out(&mut *db, group_id, &concerned, marking.recorded_at).await?;
    insert_people(db, group_id, &[person.staff_id], &concerned, marking).await?;
    insert_competences(db, group_id, (&[person.staff_id], None), &gained, marking).await
}

/// Marks a competence of a person as it is now saved.
///
/// # Errors
/// When the database does not answer, or the instant is sealed at a clinic where the person works.
pub async fn mark_competence(
    db: &mut PgConnection,
    group_id: Uuid,
    person: &StaffMember,
    competence_id: Uuid,
    marking: Marking,
) -> Result<()> {
    let all = clinics::list(db, group_id).await?.into_iter().map(|clinic| clinic.clinic_id).collect();
    let concerned: Vec<Uuid> = person.clinics_among(&all).into_iter().collect();
    seals::keep_sealers_out(&mut *db, group_id, &concerned, marking.recorded_at).await?;
    insert_competences(db, group_id, (&[person.staff_id], Some(competence_id)), &concerned, marking).await
}

/// Tells a new clinic of those who work at every clinic, and of their competences.
///
/// # Errors
/// When the database does not answer.
pub async fn mark_for_new_clinic(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    marking: Marking,
) -> Result<()> {
    let everywhere = sqlx::query_scalar!(
        "select staff_id from staff where group_id = $1 and cardinality(clinic_ids) = 0 order by staff_id",
        group_id
    )
    .fetch_all(&mut *db)
    .await?;
    seals::keep_sealers_out(&mut *db, group_id, &[clinic_id], marking.recorded_at).await?;
    insert_people(db, group_id, &everywhere, &[clinic_id], marking).await?;
    insert_competences(db, group_id, (&everywhere, None), &[clinic_id], marking).await
}

/// Marks an instrument as it is now saved; it concerns these clinics.
///
/// # Errors
/// When the database does not answer, or the instant is sealed at one of the clinics.
pub async fn mark_instrument(
    db: &mut PgConnection,
    group_id: Uuid,
    instrument_id: Uuid,
    concerned: &BTreeSet<Uuid>,
    marking: Marking,
) -> Result<()> {
    let concerned: Vec<Uuid> = concerned.iter().copied().collect();
    seals::keep_sealers_out(&mut *db, group_id, &concerned, marking.recorded_at).await?;
    sqlx::query!(
        "insert into instrument_mark (group_id, instrument_id, number, clinic_id, name, serial, calibrated_on,
                                      calibration_ends_on, of_clinics, recorded_at, key_id)
         select i.group_id, i.instrument_id,
                (select coalesce(max(m.number), 0) + 1 from instrument_mark m
                 where m.group_id = i.group_id and m.instrument_id = i.instrument_id),
                i.clinic_id, i.name, i.serial, i.calibrated_on, i.calibration_ends_on, $3, $4, $5
         from instrument i where i.group_id = $1 and i.instrument_id = $2",
        group_id,
        instrument_id,
        &concerned,
        marking.recorded_at,
        marking.key_id
    )
    .execute(db)
    .await?;
    Ok(())
}

async fn insert_people(
    db: &mut PgConnection,
    group_id: Uuid,
    staff_ids: &[Uuid],
    of_clinics: &[Uuid],
    marking: Marking,
) -> Result<()> {
    sqlx::query!(
        "insert into staff_mark (group_id, staff_id, number, name, initials, role, clinic_ids, active_from, active_until,
                                 of_clinics, recorded_at, key_id)
         select s.group_id, s.staff_id,
                (select coalesce(max(m.number), 0) + 1 from staff_mark m
                 where m.group_id = s.group_id and m.staff_id = s.staff_id),
                s.name, s.initials, s.role, s.clinic_ids, s.active_from, s.active_until, $3, $4, $5
         from staff s where s.group_id = $1 and s.staff_id = any($2)",
        group_id,
        staff_ids,
        of_clinics,
        marking.recorded_at,
        marking.key_id
    )
    .execute(db)
    .await?;
    Ok(())
}

/// One competence, or (`None`) every one of these people.
async fn insert_competences(
    db: &mut PgConnection,
    group_id: Uuid,
    (staff_ids, competence_id): (&[Uuid], Option<Uuid>),
    of_clinics: &[Uuid],
    marking: Marking,
) -> Result<()> {
    if of_clinics.is_empty() && competence_id.is_none() {
        return Ok(());
    }
    sqlx::query!(
        "insert into competence_mark (group_id, staff_id, competence_id, number, routine_id, family, valid_from,
                                      valid_until, signed_off_by, signed_by_staff_id, note, of_clinics, recorded_at,
                                      key_id)
         select c.group_id, c.staff_id, c.competence_id,
                (select coalesce(max(m.number), 0) + 1 from competence_mark m
                 where m.group_id = c.group_id and m.staff_id = c.staff_id and m.competence_id = c.competence_id),
                c.routine_id, c.family, c.valid_from, c.valid_until, c.signed_off_by, c.signed_by_staff_id, c.note,
                $4, $5, $6
         from competence c
         where c.group_id = $1 and c.staff_id = any($2) and ($3::uuid is null or c.competence_id = $3)",
        group_id,
        staff_ids,
        competence_id,
        of_clinics,
        marking.recorded_at,
        marking.key_id
    )
    .execute(db)
    .await?;
    Ok(())
}
