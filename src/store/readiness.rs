//! The tasks that may stand in the way of using subjects.
//!
//! The rule of this file: it fetches, the domain decides. What it leaves out (occurrences before the latest one that is
//! recorded as its rules ask) could not change the decision; it only keeps a year of good records off the wire.

pub mod history;

use std::collections::BTreeMap;

use chrono::{DateTime, Days, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use super::{Result, StoreError, utc_day};
use crate::domain::readiness::BlockingTask;
use crate::domain::readiness_history::LOOK_BACK_DAYS;
use crate::domain::task::{State, TaskId};

/// A window may open this long before its clinic day, and a little more for the zones.
const LOOK_AHEAD_DAYS: Days = Days::new(92);

struct Row {
    task_id: Uuid,
    subject_id: Uuid,
    routine_id: Uuid,
    routine_name: String,
    blocks_at: DateTime<Utc>,
    due_by: DateTime<Utc>,
    state: String,
    failed: bool,
}

impl TryFrom<Row> for BlockingTask {
    type Error = StoreError;

    fn try_from(row: Row) -> Result<Self> {
        Ok(Self {
            id: TaskId::from_uuid(row.task_id)
                .ok_or_else(|| StoreError::bad_row("task", row.task_id, "task_id", "not a derived id"))?,
            routine_id: row.routine_id,
            routine_name: row.routine_name,
            blocks_at: row.blocks_at,
            due_by: row.due_by,
            state: State::ALL
                .into_iter()
                .find(|s| s.as_str() == row.state)
                .ok_or_else(|| StoreError::bad_row("task", row.task_id, "outcome", &row.state))?,
            failed: row.failed,
        })
    }
}

/// The blocking tasks of these subjects whose moment has come at `now` and that are later than their routine's latest
/// one that is done and did not fail. A routine whose version in force no longer blocks, or is no longer used, asks for
/// nothing, whatever it left unrecorded.
///
/// Each subject's way to its latest good record is the index `task_blocking`, read from its end: a year of good records
/// is not walked through.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn list_blocking(
    db: &mut PgConnection,
    group_id: Uuid,
    subject_ids: &[Uuid],
    now: DateTime<Utc>,
) -> Result<BTreeMap<Uuid, Vec<BlockingTask>>> {
    let today = utc_day(now);
    let rows = sqlx::query_as!(
        Row,
        r#"with asks as materialized (
               select r.routine_id
               from (select distinct routine_id from routine_version where group_id = $1) r
               where (select coalesce((f.definition ->> 'in_use')::boolean, true)
                             and f.definition ->> 'blocks_from' is not null
                      from routine_version f
                      where f.group_id = $1 and f.routine_id = r.routine_id and f.effective_on <= $6
                      order by f.version desc limit 1)
           ), lacking as materialized (
               select l.*
               from unnest($2::uuid[]) as s(subject_id)
               cross join asks a
               left join lateral (
                   select t.blocks_at, t.task_id
                   from task t
                   where t.group_id = $1 and t.subject_id = s.subject_id and t.routine_id = a.routine_id
                     and t.clinic_day between $4 and $5 and t.blocks_at <= $3
                     and t.outcome = 'done' and t.outcome_at <= $3 and not coalesce(t.failed_at <= $3, false)
                   order by t.blocks_at desc, t.task_id desc limit 1
               ) r on true
               cross join lateral (
                   select t.task_id, t.subject_id, t.routine_id, t.routine_version, t.blocks_at, t.due_by,
                          coalesce(t.failed_at <= $3, false) as failed,
                          task_state(t.outcome, t.outcome_at, t.due_from, t.due_by, t.overdue_at, t.missed_at, $3) as state
                   from task t
                   where t.group_id = $1 and t.subject_id = s.subject_id and t.routine_id = a.routine_id
                     and t.clinic_day between $4 and $5 and t.blocks_at <= $3
                     and (t.blocks_at, t.task_id) > (coalesce(r.blocks_at, '-infinity'),
                                                     coalesce(r.task_id, '00000000-0000-0000-0000-000000000000'))
                   offset 0 -- one look for each pair, never one join of everything
               ) l
               where l.state not in ('void', 'not_required')
           )
           select l.task_id as "task_id!", l.subject_id as "subject_id!", l.routine_id as "routine_id!",
                  v.definition ->> 'name' as "routine_name!", l.blocks_at as "blocks_at!", l.due_by as "due_by!",
                  l.state as "state!", l.failed as "failed!"
           from lacking l
           join routine_version v on v.group_id = $1 and v.routine_id = l.routine_id and v.version = l.routine_version
           order by l.blocks_at, l.task_id"#,
        group_id,
        subject_ids,
        now,
        today - LOOK_BACK_DAYS,
        today + LOOK_AHEAD_DAYS,
        today
    )
    .fetch_all(db)
    .await?;
    let mut of_subjects: BTreeMap<Uuid, Vec<BlockingTask>> = BTreeMap::new();
    for row in rows {
        of_subjects.entry(row.subject_id).or_default().push(row.try_into()?);
    }
    Ok(of_subjects)
}
