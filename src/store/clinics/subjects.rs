//! Subjects: the clinic itself, its operatories, its equipment.
//!
//! The rule of this file: where a subject stood and whether it was in service is a history that is only appended to;
//! the subject's own row holds no more than the last of it.

use std::collections::BTreeMap;

use chrono::{DateTime, NaiveDate, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use crate::domain::subject::{ServiceState, Spell, Subject, SubjectKind, WaterSource};
use crate::domain::zone::{self, Zone};
use crate::store::{Result, StoreError};

/// A subject as configured.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SubjectRow {
    /// What the plan sees of it.
    pub subject: Subject,
    /// Its maker's serial number; may be empty.
    pub serial: String,
    /// Whether its lines discharge amalgam; `None`: nobody said.
    pub discharges_amalgam: Option<bool>,
}

struct Row {
    subject_id: Uuid,
    clinic_id: Uuid,
    kind: String,
    name: String,
    serial: String,
    water_source: Option<String>,
    circuits: Vec<String>,
    suction_lines: Vec<String>,
    service_state: String,
    service_reason: String,
    service_since: DateTime<Utc>,
    discharges_amalgam: Option<bool>,
    commissioned_on: Option<NaiveDate>,
    created_at: DateTime<Utc>,
    zone: String,
}

impl Row {
    fn read(self, spells: Vec<Spell>) -> Result<SubjectRow> {
        let row = self;
        let bad = |column, detail: &str| StoreError::bad_row("subject", row.subject_id, column, detail);
        let kind = SubjectKind::from_name(&row.kind).ok_or_else(|| bad("kind", &row.kind))?;
        let water_source = row
            .water_source
            .as_deref()
            .map(|name| WaterSource::from_name(name).ok_or_else(|| bad("water_source", name)))
            .transpose()?;
        let service = match row.service_state.as_str() {
            "in_service" => ServiceState::InService,
            "out_of_service" => ServiceState::OutOfService { reason: row.service_reason, since: row.service_since },
            other => return Err(bad("service_state", other)),
        };
        let commissioned_on = if let Some(on) = row.commissioned_on {
            on
        } else {
            let zone: Zone =
                row.zone.parse().map_err(|error| StoreError::bad_row("clinic", row.clinic_id, "zone", error))?;
            zone::local(&zone, row.created_at).date()
        };
        let subject = Subject {
            id: row.subject_id,
            clinic_id: row.clinic_id,
            kind,
            name: row.name,
            water_source,
            circuits: row.circuits,
            suction_lines: row.suction_lines,
            service,
            commissioned_on,
            spells,
        };
        Ok(SubjectRow { subject, serial: row.serial, discharges_amalgam: row.discharges_amalgam })
    }
}

/// The subject with this id, with all that is configured about it.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn find_row(db: &mut PgConnection, group_id: Uuid, subject_id: Uuid) -> Result<Option<SubjectRow>> {
    let row = sqlx::query_as!(
        Row,
        "select s.subject_id, s.clinic_id, s.kind, s.name, s.serial, s.water_source, s.circuits, s.suction_lines,
                s.service_state, s.service_reason, s.service_since, s.discharges_amalgam, s.commissioned_on, s.created_at,
                c.zone
         from subject s join clinic c on c.group_id = s.group_id and c.clinic_id = s.clinic_id
         where s.group_id = $1 and s.subject_id = $2",
        group_id,
        subject_id
    )
    .fetch_optional(&mut *db)
    .await?;
    let Some(row) = row else { return Ok(None) };
    let spells = list_spells(db, group_id, &[subject_id]).await?.remove(&subject_id).unwrap_or_default();
    row.read(spells).map(Some)
}

/// Whether the subject's lines discharge amalgam; `None`: nobody said.
///
/// # Errors
/// When the database does not answer.
pub async fn discharges_amalgam(db: &mut PgConnection, group_id: Uuid, subject_id: Uuid) -> Result<Option<bool>> {
    let said = sqlx::query_scalar!(
        "select discharges_amalgam from subject where group_id = $1 and subject_id = $2",
        group_id,
        subject_id
    );
    Ok(said.fetch_optional(db).await?.flatten())
}

/// The subject with this id, as the planner and the judge of evidence see it.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn find(db: &mut PgConnection, group_id: Uuid, subject_id: Uuid) -> Result<Option<Subject>> {
    Ok(find_row(db, group_id, subject_id).await?.map(|row| row.subject))
}

/// Whether a subject stands in a clinic, or once stood there.
///
/// # Errors
/// When the database does not answer.
pub async fn was_at(db: &mut PgConnection, group_id: Uuid, subject_id: Uuid, clinic_id: Uuid) -> Result<bool> {
    Ok(sqlx::query_scalar!(
        r#"select exists (select from subject where group_id = $1 and subject_id = $2 and clinic_id = $3)
               or exists (select from subject_change where group_id = $1 and subject_id = $2 and clinic_id = $3) as "was!""#,
        group_id,
        subject_id,
        clinic_id
    )
    .fetch_one(db)
    .await?)
}

/// Every subject that stands in the clinic, the clinic itself included, by name.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn list_of_clinic(db: &mut PgConnection, group_id: Uuid, clinic_id: Uuid) -> Result<Vec<Subject>> {
    let rows = list(db, group_id, &SubjectKind::ALL, Some(&[clinic_id])).await?;
    Ok(rows.into_iter().map(|row| row.subject).collect())
}

/// The subjects of these kinds, in these clinics or (`None`) in all of the group's, by name.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn list(
    db: &mut PgConnection,
    group_id: Uuid,
    kinds: &[SubjectKind],
    clinic_ids: Option<&[Uuid]>,
) -> Result<Vec<SubjectRow>> {
    let kinds: Vec<String> = kinds.iter().map(|kind| kind.as_str().to_owned()).collect();
    let rows = sqlx::query_as!(
        Row,
        "select s.subject_id, s.clinic_id, s.kind, s.name, s.serial, s.water_source, s.circuits, s.suction_lines,
                s.service_state, s.service_reason, s.service_since, s.discharges_amalgam, s.commissioned_on, s.created_at,
                c.zone
         from subject s join clinic c on c.group_id = s.group_id and c.clinic_id = s.clinic_id
         where s.group_id = $1 and s.kind = any($2) and ($3::uuid[] is null or s.clinic_id = any($3))
         order by s.name, s.subject_id",
        group_id,
        &kinds,
        clinic_ids
    )
    .fetch_all(&mut *db)
    .await?;
    let subject_ids: Vec<Uuid> = rows.iter().map(|row| row.subject_id).collect();
    let mut spells = list_spells(db, group_id, &subject_ids).await?;
    rows.into_iter()
        .map(|row| {
            let of_subject = spells.remove(&row.subject_id).unwrap_or_default();
            row.read(of_subject)
        })
        .collect()
}

/// When these subjects were out of service, and are, from their history.
async fn list_spells(
    db: &mut PgConnection,
    group_id: Uuid,
    subject_ids: &[Uuid],
) -> Result<BTreeMap<Uuid, Vec<Spell>>> {
    let changes = sqlx::query!(
        "select subject_id, changed_at, service_state, reason from subject_change
         where group_id = $1 and subject_id = any($2) order by subject_id, changed_at",
        group_id,
        subject_ids
    )
    .fetch_all(db)
    .await?;
    let mut spells: BTreeMap<Uuid, Vec<Spell>> = BTreeMap::new();
    for change in changes {
        let reason = (change.service_state == "out_of_service").then_some(change.reason);
        go_on(spells.entry(change.subject_id).or_default(), change.changed_at, reason);
    }
    Ok(spells)
}

/// Takes spells on by one change of a subject: out of service for this reason from then on, or (`None`) in service.
/// Another reason begins another spell, so that what was not required keeps the reason it was given; a move begins
/// none.
fn go_on(spells: &mut Vec<Spell>, changed_at: DateTime<Utc>, reason: Option<String>) {
    let open = spells.last_mut().filter(|spell| spell.until.is_none());
    if open.as_ref().map(|spell| &spell.reason) == reason.as_ref() {
        return;
    }
    if let Some(spell) = open {
        spell.until = Some(changed_at);
    }
    if let Some(reason) = reason {
        spells.push(Spell { from: changed_at, until: None, reason });
    }
}

/// What people call these subjects.
///
/// # Errors
/// When the database does not answer.
pub async fn names(db: &mut PgConnection, group_id: Uuid, subject_ids: &[Uuid]) -> Result<BTreeMap<Uuid, String>> {
    let rows = sqlx::query!(
        "select subject_id, name from subject where group_id = $1 and subject_id = any($2)",
        group_id,
        subject_ids
    )
    .fetch_all(db)
    .await?;
    Ok(rows.into_iter().map(|row| (row.subject_id, row.name)).collect())
}

/// Those of `subject_ids` that are no subject of this kind in the group.
///
/// # Errors
/// When the database does not answer.
pub async fn list_missing(
    db: &mut PgConnection,
    group_id: Uuid,
    kind: SubjectKind,
    subject_ids: &[Uuid],
) -> Result<Vec<Uuid>> {
    Ok(sqlx::query_scalar!(
        r#"select wanted.id as "id!" from unnest($3::uuid[]) as wanted(id)
           where not exists (
               select from subject s where s.group_id = $1 and s.subject_id = wanted.id and s.kind = $2)
           order by wanted.id"#,
        group_id,
        kind.as_str(),
        subject_ids
    )
    .fetch_all(db)
    .await?)
}

/// Keeps a subject, new or changed, and appends to its history when it moved or its service state changed.
///
/// The kind of a subject never changes; a caller that could be asked for that compares first.
///
/// # Errors
/// When the database does not answer.
pub async fn save(db: &mut PgConnection, group_id: Uuid, row: &SubjectRow, now: DateTime<Utc>) -> Result<()> {
    let subject = &row.subject;
    let (state, reason, since) = match &subject.service {
        ServiceState::InService => ("in_service", "", now),
        ServiceState::OutOfService { reason, since } => ("out_of_service", reason.as_str(), *since),
    };
    sqlx::query!(
        "insert into subject (group_id, subject_id, clinic_id, kind, name, serial, water_source, circuits,
                              suction_lines, service_state, service_reason, service_since, commissioned_on,
                              created_at, updated_at, discharges_amalgam)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $14, $13, $13, $15)
         on conflict (group_id, subject_id) do update
         set clinic_id = excluded.clinic_id, name = excluded.name, serial = excluded.serial,
             water_source = excluded.water_source, circuits = excluded.circuits,
             suction_lines = excluded.suction_lines, discharges_amalgam = excluded.discharges_amalgam,
             service_state = excluded.service_state,
             service_reason = excluded.service_reason,
             service_since = case when subject.service_state = excluded.service_state
                                  then subject.service_since else excluded.service_since end,
             commissioned_on = excluded.commissioned_on, updated_at = excluded.updated_at",
        group_id,
        subject.id,
        subject.clinic_id,
        subject.kind.as_str(),
        subject.name,
        row.serial,
        subject.water_source.map(WaterSource::as_str),
        &subject.circuits,
        &subject.suction_lines,
        state,
        reason,
        since,
        now,
        subject.commissioned_on,
        row.discharges_amalgam
    )
    .execute(&mut *db)
    .await?;
    // A clock that was set back must not turn the history round: an entry always comes after the one before it.
    sqlx::query!(
        "insert into subject_change (group_id, subject_id, changed_at, clinic_id, service_state, reason, water_source)
         select $1, $2, greatest($3, latest.changed_at + interval '1 microsecond'), $4, $5, $6, $7
         from (select 1) as once
         left join lateral (
             select changed_at, clinic_id, service_state, reason, water_source from subject_change
             where group_id = $1 and subject_id = $2 order by changed_at desc limit 1
         ) as latest on true
         where (latest.clinic_id, latest.service_state, latest.reason, latest.water_source)
               is distinct from ($4, $5, $6, $7)",
        group_id,
        subject.id,
        now,
        subject.clinic_id,
        state,
        reason,
        subject.water_source.map(WaterSource::as_str)
    )
    .execute(db)
    .await?;
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A change at a minute: out of service for a reason, or in service.
    type Change<'a> = (i64, Option<&'a str>);
    /// A spell from one minute to another, for a reason.
    type Minutes<'a> = (i64, Option<i64>, &'a str);

    fn minute(n: i64) -> DateTime<Utc> {
        DateTime::from_timestamp(60 * n, 0).expect("an instant")
    }

    /// Worked by hand: a spell is half open, ends where another state or reason begins, and is cut by nothing else.
    #[test]
    fn a_history_of_changes_is_read_as_spells_out_of_service() {
        let cases: [(&[Change<'_>], &[Minutes<'_>]); 6] = [
            (&[], &[]),
            (&[(0, None), (3, None)], &[]),
            (&[(0, Some("leaks"))], &[(0, None, "leaks")]),
            (&[(0, None), (2, Some("leaks")), (5, None)], &[(2, Some(5), "leaks")]),
            // The change in between is a move.
            (
                &[(1, Some("leaks")), (2, Some("leaks")), (5, None), (7, Some("leaks"))],
                &[(1, Some(5), "leaks"), (7, None, "leaks")],
            ),
            (
                &[(1, Some("leaks")), (4, Some("awaiting a part")), (9, None)],
                &[(1, Some(4), "leaks"), (4, Some(9), "awaiting a part")],
            ),
        ];
        for (changes, wanted) in cases {
            let mut spells = Vec::new();
            for (at, reason) in changes {
                go_on(&mut spells, minute(*at), reason.map(str::to_owned));
            }
            let wanted: Vec<_> = wanted
                .iter()
                .map(|(from, until, reason)| Spell {
                    from: minute(*from),
                    until: until.map(minute),
                    reason: (*reason).to_owned(),
                })
                .collect();
            assert_eq!(spells, wanted, "{changes:?}");
        }
    }
}
