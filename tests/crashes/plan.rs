//! Plans as they stand in a database.
//!
//! The rule of this file: two plans are the same when every column the planner decides is.

use chairtide::clock::Clock;
use chairtide::jobs::planner;
use chrono::{DateTime, NaiveDate, Utc};
use sqlx::{PgConnection, PgPool};

use crate::support::app::HORIZON_DAYS;
use crate::support::service::until;

/// How many clinics wait to be planned.
pub(super) async fn pending(db: &mut PgConnection) -> i64 {
    sqlx::query_scalar("select count(*) from clinic_plan where plan_due_at <= $1")
        .bind(Clock::System.now())
        .fetch_one(db)
        .await
        .expect("the database answers")
}

pub(super) async fn until_settled(db: &mut PgConnection) {
    until("every clinic is planned", async || (pending(db).await == 0).then_some(())).await;
    let failed: Vec<String> = sqlx::query_scalar("select last_error from clinic_plan where last_error is not null")
        .fetch_all(db)
        .await
        .expect("the database answers");
    assert_eq!(failed, Vec::<String>::new());
}

/// Whether the plan is whole once the planner says so: planning everything again changes nothing. To be asked before
/// an edit has every clinic planned anew, which would make up for what was lost.
pub(super) async fn check_settled(pool: &PgPool) {
    until_settled(&mut pool.acquire().await.expect("the database answers")).await;
    // A midnight that passes somewhere adds a day.
    let through = planned_through(pool).await;
    let planned = whole_tasks(pool, through).await;
    plan_again(pool).await;
    let again = whole_tasks(pool, through).await;
    let lost: Vec<_> = again.iter().filter(|task| !planned.contains(task)).take(3).collect();
    assert!(again == planned, "{} tasks were planned, {} are now; e.g. {lost:#?}", planned.len(), again.len());
}

/// Has every clinic planned again, whether anything changed or not.
async fn plan_again(pool: &PgPool) {
    sqlx::query("update clinic_plan set plan_due_at = $1")
        .bind(Clock::System.now())
        .execute(pool)
        .await
        .expect("the database answers");
    planner::tick(pool, &Clock::System, HORIZON_DAYS).await.expect("the planner ticks");
    // The service's own planner may have taken some of them.
    until_settled(&mut pool.acquire().await.expect("the database answers")).await;
}

/// The last clinic day that every clinic is planned through.
pub(super) async fn planned_through(pool: &PgPool) -> NaiveDate {
    sqlx::query_scalar("select min(planned_through) from clinic_plan").fetch_one(pool).await.expect("planned")
}

/// Every task up to a clinic day that may still be worked on at an instant, without what was recorded about it.
pub(super) async fn tasks(pool: &PgPool, through: NaiveDate, at: DateTime<Utc>) -> Vec<String> {
    sqlx::query_scalar(
        "select (to_jsonb(task) - array['planned_at', 'revision', 'started_at', 'outcome', 'outcome_at', 'completion_id',
                                        'done_late', 'failed_at'])::text
         from task where clinic_day <= $1 and missed_at > $2 order by task_id",
    )
    .bind(through)
    .bind(at)
    .fetch_all(pool)
    .await
    .expect("the database answers")
}

/// Every task up to a clinic day with every column.
async fn whole_tasks(pool: &PgPool, through: NaiveDate) -> Vec<String> {
    sqlx::query_scalar("select to_jsonb(task)::text from task where clinic_day <= $1 order by task_id")
        .bind(through)
        .fetch_all(pool)
        .await
        .expect("the database answers")
}

/// No task twice, and nothing recorded about a task that is not there.
pub(super) async fn check_whole(db: &mut PgConnection) {
    for (what, sql) in [
        (
            "doubled tasks",
            "select count(*) from (select from task group by routine_id, subject_id, clinic_day, slot
                                   having count(*) > 1) as doubled",
        ),
        (
            "completions without a task",
            "select count(*) from completion c
             where not exists (select from task t where t.task_id = c.task_id and t.clinic_day = c.clinic_day)",
        ),
        (
            "holds without a task",
            "select count(*) from hold_mark h
             where not exists (select from task t where t.task_id = h.task_id and t.clinic_day = h.clinic_day)",
        ),
        (
            "step results without a completion",
            "select count(*) from step_result r where not exists
             (select from completion c where c.completion_id = r.completion_id and c.clinic_day = r.clinic_day)",
        ),
        (
            "tasks whose evidence is missing",
            "select count(*) from task t where t.completion_id is not null and not exists
             (select from completion c where c.completion_id = t.completion_id and c.task_id = t.task_id)",
        ),
        (
            "completed tasks that were never started",
            "select count(*) from task t where t.started_at is null
             and exists (select from completion c where c.task_id = t.task_id)",
        ),
    ] {
        let found: i64 = sqlx::query_scalar(sql).fetch_one(&mut *db).await.expect(what);
        assert_eq!(found, 0, "{what}");
    }
}
