//! The stored tasks that a plan of a clinic is compared with.
//!
//! The rule of this file: one query asks one index. What it costs to plan a clinic is the clinic's size and not the
//! group's; `tests/benchmarks/planning.rs` holds the two against each other.

use chrono::{Days, NaiveDate};
use sqlx::PgConnection;
use uuid::Uuid;

use super::Result;
use super::tasks::{self, Task};
use crate::domain::plan::Clinic;

/// The longest period, a leap year: so far ahead of a day may the last date of a period lie that holds it.
const LONGEST_PERIOD_DAYS: u64 = 366;

/// Why existing tasks are read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Purpose {
    /// To change them: nobody records anything about them until the transaction ends.
    CarryOut,
    /// To say what would change: nobody at a chair waits for that.
    Preview,
}

/// A query for tasks, by its condition, with the lock of its purpose.
macro_rules! rows {
    ($purpose:expr, $condition:literal, $($argument:expr),+; $db:expr) => {
        match $purpose {
            Purpose::CarryOut => rows!(@ $condition, " for update", $($argument),+).fetch_all($db).await?,
            Purpose::Preview => rows!(@ $condition, "", $($argument),+).fetch_all($db).await?,
        }
    };
    (@ $condition:literal, $lock:literal, $($argument:expr),+) => {
        sqlx::query_as!(
            tasks::Row,
            "select task_id, clinic_id, subject_id, subject_kind, routine_id, routine_version, slot, anchor_at, due_from,
                    due_by, overdue_at, missed_at, blocks_at, rung_at, rung_audience, started_at, outcome, outcome_at,
                    outcome_reason, outcome_by_plan, completion_id, failed_at, because
             from task
             where group_id = $1 and " + $condition + " order by task_id" + $lock,
            $($argument),+
        )
    };
}

/// The tasks of the clinic, and those that subjects which moved here left open where they stood; by id.
pub(super) async fn list(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    clinic: &Clinic,
    (from, to): (NaiveDate, NaiveDate),
    purpose: Purpose,
) -> Result<Vec<Task>> {
    // A period's task belongs to the period's last date, which may lie a year ahead.
    let last = to + Days::new(LONGEST_PERIOD_DAYS);
    let mut rows = rows!(purpose, "clinic_id = $2 and clinic_day between $3 and $4",
        group_id, clinic_id, from, to; &mut *db);
    rows.extend(rows!(purpose, "clinic_id = $2 and clinic_day > $3 and clinic_day <= $4 and slot like 'period:%'",
        group_id, clinic_id, to, last; &mut *db));
    let moved_here = list_moved_here(db, group_id, clinic_id, clinic).await?;
    if !moved_here.is_empty() {
        rows.extend(rows!(purpose, "subject_id = any($2) and clinic_id <> $3 and clinic_day between $4 and $6
                           and (clinic_day <= $5 or slot like 'period:%')",
            group_id, &moved_here, clinic_id, from, to, last; &mut *db));
    }
    let mut tasks = rows.into_iter().map(Task::try_from).collect::<Result<Vec<_>>>()?;
    tasks.sort_by_key(|task| task.id);
    Ok(tasks)
}

/// The clinic's subjects that once stood at another.
async fn list_moved_here(db: &mut PgConnection, group_id: Uuid, clinic_id: Uuid, clinic: &Clinic) -> Result<Vec<Uuid>> {
    let subject_ids: Vec<Uuid> = clinic.subjects.iter().map(|subject| subject.id).collect();
    Ok(sqlx::query_scalar!(
        "select distinct subject_id from subject_change
         where group_id = $1 and subject_id = any($2) and clinic_id <> $3",
        group_id,
        &subject_ids,
        clinic_id
    )
    .fetch_all(db)
    .await?)
}
