//! How people, competences and instruments stand, against the newest mark of each.
//!
//! The rule of this file: the service writes a row and its mark in one transaction, so where they differ, or one is there
//! without the other, somebody else wrote. Only marks that are sealed at the clinic count, so that nobody can put one beside
//! an edit that no seal holds.

use sqlx::PgConnection;
use uuid::Uuid;

use crate::domain::seal::record::RecordName;
use crate::domain::seal::tamper::SealFinding;
use crate::store::Result;

/// What stands at a clinic and is not as its newest mark says, by kind and id.
///
/// # Errors
/// When the database does not answer.
pub async fn check_standing(db: &mut PgConnection, group_id: Uuid, clinic_id: Uuid) -> Result<Vec<SealFinding>> {
    let rows = sqlx::query!(
        r#"with person as (
               select coalesce(s.staff_id, m.staff_id) as staff_id,
                      (s.name, s.initials, s.role, s.clinic_ids, s.active_from, s.active_until)
                          is distinct from
                      (m.name, m.initials, m.role, m.clinic_ids, m.active_from, m.active_until) as differs
               from (select * from staff where group_id = $1) s
               full join (select distinct on (staff_id) * from staff_mark
                          where group_id = $1 and $2 = any(of_clinics)
                          order by staff_id, number desc) m on m.staff_id = s.staff_id
               where cardinality(s.clinic_ids) = 0 or $2 = any(s.clinic_ids)
                  or cardinality(m.clinic_ids) = 0 or $2 = any(m.clinic_ids)
           )
           select kind as "kind!", id as "id!" from (
               select 'staff' as kind, p.staff_id::text as id from person p where p.differs
               union all
               select 'competence', coalesce(c.staff_id, m.staff_id) || '/' || coalesce(c.competence_id, m.competence_id)
               from (select * from competence where group_id = $1) c
               full join (select distinct on (staff_id, competence_id) * from competence_mark
                          where group_id = $1 and $2 = any(of_clinics)
                          order by staff_id, competence_id, number desc) m
                      on m.staff_id = c.staff_id and m.competence_id = c.competence_id
               where coalesce(c.staff_id, m.staff_id) in (select p.staff_id from person p)
                 and (c.routine_id, c.family, c.valid_from, c.valid_until, c.signed_off_by, c.signed_by_staff_id, c.note)
                         is distinct from
                     (m.routine_id, m.family, m.valid_from, m.valid_until, m.signed_off_by, m.signed_by_staff_id, m.note)
               union all
               select 'instrument', coalesce(i.instrument_id, m.instrument_id)::text
               from (select * from instrument where group_id = $1) i
               full join (select distinct on (instrument_id) * from instrument_mark
                          where group_id = $1 and $2 = any(of_clinics)
                          order by instrument_id, number desc) m on m.instrument_id = i.instrument_id
               where $2 in (i.clinic_id, m.clinic_id)
                 and (i.clinic_id, i.name, i.serial, i.calibrated_on, i.calibration_ends_on)
                         is distinct from
                     (m.clinic_id, m.name, m.serial, m.calibrated_on, m.calibration_ends_on)
           ) standing
           order by kind, id"#,
        group_id,
        clinic_id
    )
    .fetch_all(db)
    .await?;
    let findings = rows.into_iter().map(|row| RecordName { kind: row.kind, id: row.id });
    Ok(findings.map(|record| SealFinding::StandingChanged { record }).collect())
}
