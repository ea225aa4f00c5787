//! Counts of tasks by what they are at an instant, clinic by clinic.
//!
//! The rule of this file: one query whatever the number of clinics, and each clinic brings its own first and last day,
//! because "today" is not the same date everywhere.

use chrono::{DateTime, NaiveDate, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use crate::store::Result;

/// The clinic days that are counted for a clinic.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Span {
    /// The clinic.
    pub clinic_id: Uuid,
    /// First day.
    pub from_on: NaiveDate,
    /// Last day, itself counted.
    pub to_on: NaiveDate,
}

/// How many tasks of a clinic's span are what.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Counts {
    /// The clinic.
    pub clinic_id: Uuid,
    /// Done, late or not.
    pub done: i64,
    /// Of those, performed after they were due.
    pub done_late: i64,
    /// Window passed with no evidence.
    pub missed: i64,
    /// Of those, such as can stand in the way of using their subject.
    pub blocking_missed: i64,
    /// Sampled, the result awaited.
    pub result_pending: i64,
    /// Invalid tests.
    pub void: i64,
    /// Not required, with a reason.
    pub not_required: i64,
    /// Upcoming, due, in grace or overdue.
    pub open: i64,
    /// Of those, overdue.
    pub overdue: i64,
}

/// The counts at `as_of` of every span, in the order of the spans; a clinic without a task has zeros.
///
/// # Errors
/// When the database does not answer.
pub async fn list(db: &mut PgConnection, group_id: Uuid, spans: &[Span], as_of: DateTime<Utc>) -> Result<Vec<Counts>> {
    let (Some(first_on), Some(last_on)) = (spans.iter().map(|s| s.from_on).min(), spans.iter().map(|s| s.to_on).max())
    else {
        return Ok(Vec::new());
    };
    let clinic_ids: Vec<Uuid> = spans.iter().map(|s| s.clinic_id).collect();
    let from_ons: Vec<NaiveDate> = spans.iter().map(|s| s.from_on).collect();
    let to_ons: Vec<NaiveDate> = spans.iter().map(|s| s.to_on).collect();
    // The outer bounds repeat what each span says: they are known before the query runs and rule out partitions.
    Ok(sqlx::query_as!(
        Counts,
        r#"select w.clinic_id as "clinic_id!",
                  count(*) filter (where t.state = 'done') as "done!",
                  count(*) filter (where t.state = 'done' and t.done_late) as "done_late!",
                  count(*) filter (where t.state = 'missed') as "missed!",
                  count(*) filter (where t.state = 'missed' and t.blocking) as "blocking_missed!",
                  count(*) filter (where t.state = 'result_pending') as "result_pending!",
                  count(*) filter (where t.state = 'void') as "void!",
                  count(*) filter (where t.state = 'not_required') as "not_required!",
                  count(*) filter (where t.state in ('upcoming', 'due', 'grace', 'overdue')) as "open!",
                  count(*) filter (where t.state = 'overdue') as "overdue!"
           from unnest($2::uuid[], $3::date[], $4::date[]) with ordinality as w(clinic_id, from_on, to_on, place)
           left join (
               select clinic_id, clinic_day, done_late, blocks_at is not null as blocking,
                      task_state(outcome, outcome_at, due_from, due_by, overdue_at, missed_at, $7) as state
               from task
               where group_id = $1 and clinic_id = any($2) and clinic_day between $5 and $6
           ) t on t.clinic_id = w.clinic_id and t.clinic_day between w.from_on and w.to_on
           group by w.clinic_id, w.place
           order by w.place"#,
        group_id,
        &clinic_ids,
        &from_ons,
        &to_ons,
        first_on,
        last_on,
        as_of
    )
    .fetch_all(db)
    .await?)
}
