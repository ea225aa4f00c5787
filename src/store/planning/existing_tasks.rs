//! The stored tasks that a plan of a clinic is compared with.
//!
//! The rule of this file: one query asks one index. What it costs to plan a clinic is the clinic's size and not the
//! group's; `tests/benchmarks/planning.rs` holds the two against each other.

use chrono::{Days, NaiveDate};
use sqlx::PgConnection;
use uuid::Uuid;

use crate::domain::plan::Clinic;
use crate::domain::task::TaskId;
use crate::store::Result;
use crate::store::tasks::{self, Task};

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

/// The rows of these ids, with the lock of its purpose. In the order of ids: two planners of clinics between which a
/// chair moved ask for some of the same rows, and must never wait for each other.
macro_rules! rows {
    ($lock:literal, $group_id:expr, $days:expr, $ids:expr) => {
        sqlx::query_as!(
            tasks::Row,
            "select task_id, clinic_id, subject_id, subject_kind, routine_id, routine_version, slot, anchor_at, due_from,
                    due_by, overdue_at, missed_at, blocks_at, rung_at, rung_audience, started_at, outcome, outcome_at,
                    outcome_reason, outcome_by_plan, completion_id, failed_at, because
             from task
             where group_id = $1 and clinic_day = any($2) and task_id = any($3)
             order by task_id " + $lock,
            $group_id,
            $days,
            $ids
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
    let moved_here = list_moved_here(db, group_id, clinic_id, clinic).await?;
    let mut ids: Vec<Uuid> = sqlx::query_scalar!(
        r#"select task_id as "task_id!" from task
           where group_id = $1 and clinic_id = $2 and clinic_day between $3 and $4
           union all
           select task_id from task
           where group_id = $1 and clinic_id = $2 and clinic_day > $4 and clinic_day <= $5 and slot like 'period:%'"#,
        group_id,
        clinic_id,
        from,
        to,
        last
    )
    .fetch_all(&mut *db)
    .await?;
    if !moved_here.is_empty() {
        let left_elsewhere = sqlx::query_scalar!(
            "select task_id from task
             where group_id = $1 and subject_id = any($6) and clinic_id <> $2 and clinic_day between $3 and $5
               and (clinic_day <= $4 or slot like 'period:%')",
            group_id,
            clinic_id,
            from,
            to,
            last,
            &moved_here
        );
        ids.extend(left_elsewhere.fetch_all(&mut *db).await?);
    }
    if ids.is_empty() {
        return Ok(Vec::new());
    }
    let mut days: Vec<NaiveDate> = ids.iter().filter_map(|id| TaskId::from_uuid(*id)).map(TaskId::clinic_day).collect();
    days.sort_unstable();
    days.dedup();
    let rows = match purpose {
        Purpose::CarryOut => rows!("for update", group_id, &days, &ids).fetch_all(db).await?,
        Purpose::Preview => rows!("", group_id, &days, &ids).fetch_all(db).await?,
    };
    rows.into_iter().map(Task::try_from).collect()
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
