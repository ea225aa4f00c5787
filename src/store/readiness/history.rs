//! What decides a subject's readiness at instants gone by.
//!
//! The rule of this file: it fetches, the domain decides. Occurrences before the latest one that had a good record when the
//! span begins could not change an answer in it, unless that record was taken back: then the lack is told from there on.

use std::collections::BTreeMap;

use chrono::{DateTime, Days, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use crate::domain::readiness_history::{AskingVersion, LOOK_BACK_DAYS, Past, PastTask, Place, Turn};
use crate::domain::subject::{Subject, WaterSource};
use crate::domain::task::{Outcome, TaskId, Times};
use crate::store::corrective_actions::quarantines;
use crate::store::{Result, StoreError, utc_day, water_advisories};

/// A window may open this long before its clinic day, and a little more for the zones.
const LOOK_AHEAD_DAYS: Days = Days::new(92);

/// All that decides a subject's readiness from the first instant to the second, both included.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn load(
    db: &mut PgConnection,
    group_id: Uuid,
    subject: Subject,
    (from, until): (DateTime<Utc>, DateTime<Utc>),
) -> Result<Past> {
    let places = list_places(&mut *db, group_id, subject.id).await?;
    let tasks = list_tasks(&mut *db, group_id, subject.id, (from, until)).await?;
    let mut routines: Vec<Uuid> = tasks.iter().map(|task| task.routine_id).collect();
    routines.sort_unstable();
    routines.dedup();
    let versions = list_versions(&mut *db, group_id, &routines).await?;
    let held = quarantines::list_between(&mut *db, group_id, &[subject.id], (from, until)).await?;
    let mut clinics: Vec<Uuid> = places.iter().map(|place| place.clinic_id).collect();
    clinics.push(subject.clinic_id);
    clinics.sort_unstable();
    clinics.dedup();
    let advisories = water_advisories::list_between(&mut *db, group_id, &clinics, (from, until)).await?;
    Ok(Past { subject, places, tasks, versions, quarantines: held, advisories })
}

async fn list_places(db: &mut PgConnection, group_id: Uuid, subject_id: Uuid) -> Result<Vec<Place>> {
    let rows = sqlx::query!(
        "select changed_at, clinic_id, water_source from subject_change
         where group_id = $1 and subject_id = $2 order by changed_at",
        group_id,
        subject_id
    )
    .fetch_all(db)
    .await?;
    rows.into_iter()
        .map(|row| {
            let source = row.water_source.as_deref().map(|name| {
                WaterSource::from_name(name)
                    .ok_or_else(|| StoreError::bad_row("subject_change", subject_id, "water_source", name))
            });
            Ok(Place { from: row.changed_at, clinic_id: row.clinic_id, water_source: source.transpose()? })
        })
        .collect()
}

async fn list_versions(
    db: &mut PgConnection,
    group_id: Uuid,
    routines: &[Uuid],
) -> Result<BTreeMap<Uuid, Vec<AskingVersion>>> {
    let rows = sqlx::query!(
        r#"select routine_id, version, effective_on,
                  coalesce((definition ->> 'in_use')::boolean, true) and definition ->> 'blocks_from' is not null as "asks!"
           from routine_version where group_id = $1 and routine_id = any($2)"#,
        group_id,
        routines
    )
    .fetch_all(db)
    .await?;
    let mut versions: BTreeMap<Uuid, Vec<AskingVersion>> = BTreeMap::new();
    for row in rows {
        let version = AskingVersion { version: row.version, effective_on: row.effective_on, asks: row.asks };
        versions.entry(row.routine_id).or_default().push(version);
    }
    Ok(versions)
}

async fn list_tasks(
    db: &mut PgConnection,
    group_id: Uuid,
    subject_id: Uuid,
    (from, until): (DateTime<Utc>, DateTime<Utc>),
) -> Result<Vec<PastTask>> {
    let rows = sqlx::query!(
        r#"with here as materialized (
               select t.task_id, t.routine_id, t.routine_version, t.anchor_at, t.due_from, t.due_by, t.overdue_at,
                      t.missed_at, t.blocks_at, t.outcome_by_plan, t.outcome_at
               from task t
               where t.group_id = $1 and t.subject_id = $2 and t.clinic_day between $5 and $6 and t.blocks_at <= $4
           ), good as (
               select distinct on (h.routine_id) h.routine_id, h.blocks_at, h.task_id
               from here h
               cross join lateral (
                   select s.outcome, s.failed from task_settlement s
                   where s.group_id = $1 and s.task_id = h.task_id and s.settled_at <= $3
                   order by s.number desc limit 1) l
               where h.blocks_at <= $3 and l.outcome = 'done' and not l.failed
               order by h.routine_id, h.blocks_at desc, h.task_id desc
           )
           select h.task_id, h.routine_id, v.definition ->> 'name' as "routine_name!", h.anchor_at, h.due_from, h.due_by,
                  h.overdue_at, h.missed_at, h.blocks_at, case when h.outcome_by_plan then h.outcome_at end as rests_from
           from here h
           left join good g on g.routine_id = h.routine_id
           join routine_version v on v.group_id = $1 and v.routine_id = h.routine_id and v.version = h.routine_version
           where g.task_id is null or (h.blocks_at, h.task_id) >= (g.blocks_at, g.task_id)
           order by h.blocks_at, h.task_id"#,
        group_id,
        subject_id,
        from,
        until,
        utc_day(from) - LOOK_BACK_DAYS,
        utc_day(until) + LOOK_AHEAD_DAYS
    )
    .fetch_all(&mut *db)
    .await?;
    let ids: Vec<Uuid> = rows.iter().map(|row| row.task_id).collect();
    let mut turns = list_turns(db, group_id, &ids).await?;
    rows.into_iter()
        .map(|row| {
            let id = TaskId::from_uuid(row.task_id)
                .ok_or_else(|| StoreError::bad_row("task", row.task_id, "task_id", "not a derived id"))?;
            let times = Times {
                anchor_at: row.anchor_at,
                due_from: row.due_from,
                due_by: row.due_by,
                overdue_at: row.overdue_at,
                missed_at: row.missed_at,
                blocks_at: row.blocks_at,
                rungs: Vec::new(),
            };
            Ok(PastTask {
                id,
                routine_id: row.routine_id,
                routine_name: row.routine_name,
                times,
                rests_from: row.rests_from,
                turns: turns.remove(&row.task_id).unwrap_or_default(),
            })
        })
        .collect()
}

async fn list_turns(db: &mut PgConnection, group_id: Uuid, tasks: &[Uuid]) -> Result<BTreeMap<Uuid, Vec<Turn>>> {
    let rows = sqlx::query!(
        "select task_id, settled_at, outcome, failed from task_settlement
         where group_id = $1 and task_id = any($2) order by task_id, number",
        group_id,
        tasks
    )
    .fetch_all(db)
    .await?;
    let mut turns: BTreeMap<Uuid, Vec<Turn>> = BTreeMap::new();
    for row in rows {
        let outcome = row.outcome.as_deref().map(|name| {
            Outcome::from_name(name).ok_or_else(|| StoreError::bad_row("task_settlement", row.task_id, "outcome", name))
        });
        let turn = Turn { at: row.settled_at, outcome: outcome.transpose()?, failed: row.failed };
        turns.entry(row.task_id).or_default().push(turn);
    }
    Ok(turns)
}
