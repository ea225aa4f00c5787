//! The tasks that may stand in the way of using a subject.
//!
//! The rule of this file: it fetches, the domain decides. What it leaves out (occurrences before the latest one that is
//! recorded as its rules ask) could not change the decision; it only keeps a year of good records off the wire.

use chrono::{DateTime, Days, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use super::{Result, StoreError, utc_day};
use crate::domain::readiness::BlockingTask;
use crate::domain::task::{State, TaskId};

/// How far back a record can be missing and still be asked for: a year and a month, so that the last occurrence of a
/// yearly routine does not fall silent before the next one is due.
const LOOK_BACK_DAYS: Days = Days::new(400);
/// A window may open this long before its clinic day, and a little more for the zones.
const LOOK_AHEAD_DAYS: Days = Days::new(92);

struct Row {
    task_id: Uuid,
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

/// The subject's blocking tasks whose moment has come at `now` and that are later than their routine's latest one that
/// is done and did not fail. A routine whose version in force no longer blocks, or is no longer used, asks for
/// nothing, whatever it left unrecorded.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn list_blocking(
    db: &mut PgConnection,
    group_id: Uuid,
    subject_id: Uuid,
    now: DateTime<Utc>,
) -> Result<Vec<BlockingTask>> {
    let today = utc_day(now);
    sqlx::query_as!(
        Row,
        r#"with come as (
               select task_id, routine_id, routine_version, blocks_at, due_by,
                      coalesce(failed_at <= $3, false) as failed,
                      task_state(outcome, outcome_at, due_from, due_by, overdue_at, missed_at, $3) as state
               from task
               where group_id = $1 and subject_id = $2 and clinic_day between $4 and $5 and blocks_at <= $3
           ), recorded as (
               select distinct on (routine_id) routine_id, blocks_at, task_id
               from come where state = 'done' and not failed
               order by routine_id, blocks_at desc, task_id desc
           ), lacking as materialized (
               select c.* from come c
               left join recorded r on r.routine_id = c.routine_id
               where c.state not in ('void', 'not_required')
                 and (r.routine_id is null or (c.blocks_at, c.task_id) > (r.blocks_at, r.task_id))
           )
           select l.task_id as "task_id!", l.routine_id as "routine_id!", v.definition ->> 'name' as "routine_name!",
                  l.blocks_at as "blocks_at!", l.due_by as "due_by!", l.state as "state!", l.failed as "failed!"
           from lacking l
           join routine_version v on v.group_id = $1 and v.routine_id = l.routine_id and v.version = l.routine_version
           where (select coalesce((f.definition ->> 'in_use')::boolean, true) and f.definition ->> 'blocks_from' is not null
                  from routine_version f
                  where f.group_id = $1 and f.routine_id = l.routine_id and f.effective_on <= $6
                  order by f.version desc limit 1)
           order by l.blocks_at, l.task_id"#,
        group_id,
        subject_id,
        now,
        today - LOOK_BACK_DAYS,
        today + LOOK_AHEAD_DAYS,
        today
    )
    .fetch_all(db)
    .await?
    .into_iter()
    .map(BlockingTask::try_from)
    .collect()
}
