//! What completions made of their tasks, against the completions.
//!
//! The rule of this file: a settlement follows from one completion and says nothing of its own, so it is not sealed; but how a
//! chair stood at an instant gone by is answered by it, so it is held against the completion, which is.

use chrono::NaiveDate;
use sqlx::PgConnection;
use uuid::Uuid;

use crate::domain::seal::DaySeal;
use crate::domain::seal::record::RecordName;
use crate::domain::seal::tamper::SealFinding;
use crate::store::Result;

/// How many are named at once: whoever finds so many does not look through them one by one.
const MOST_NAMED: i64 = 1_000;

/// The settlements that are not what the completions of these days say, or lack one of the two. Each completion that counted
/// settled its task once, at the instant it was recorded; it left the task failed where its own verdict is that, and gave it
/// no outcome that the verdict does not give.
///
/// # Errors
/// When the database does not answer.
pub async fn check_settlements(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    days: &[DaySeal],
) -> Result<Vec<SealFinding>> {
    let from = days.iter().map(|seal| seal.recorded_from).min();
    let until = days.iter().map(|seal| seal.recorded_until).max();
    let (Some(from), Some(until)) = (from, until) else { return Ok(Vec::new()) };
    let dates: Vec<NaiveDate> = days.iter().map(|seal| seal.clinic_day).collect();
    let rows = sqlx::query!(
        r#"with turn as (
               select c.task_id, c.completion_id, c.recorded_at, c.verdict, c.duplicate, s.settled_at, s.outcome, s.failed,
                      count(s.number) over (partition by c.completion_id) as turns
               from completion c
               left join task_settlement s on s.group_id = c.group_id and s.task_id = c.task_id
                                          and s.completion_id = c.completion_id
               where c.group_id = $1 and c.clinic_id = $2 and c.recorded_at >= $3 and c.recorded_at < $4
           )
           select task_id as "task_id!", completion_id as "completion_id!" from (
               select task_id, completion_id from turn
               where turns <> case when duplicate then 0 else 1 end
                  or settled_at <> recorded_at
                  or failed <> (verdict = 'failed')
                  or outcome = 'done' and verdict not in ('passed', 'failed')
                  or outcome in ('not_required', 'void') and verdict <> outcome
               union
               -- Of no completion that ever came. The receipt of one that was purged stays.
               select s.task_id, s.completion_id
               from task t
               join task_settlement s on s.group_id = t.group_id and s.task_id = t.task_id
               where t.group_id = $1 and t.clinic_id = $2 and t.clinic_day = any($5)
                 and not exists (select from completion c
                                 where c.group_id = s.group_id and c.clinic_day = s.clinic_day
                                   and c.completion_id = s.completion_id)
                 and not exists (select from completion_receipt r
                                 where r.group_id = s.group_id and r.completion_id = s.completion_id)
           ) odd
           order by task_id, completion_id limit $6"#,
        group_id,
        clinic_id,
        from,
        until,
        &dates,
        MOST_NAMED
    )
    .fetch_all(db)
    .await?;
    let finding = |task_id: Uuid, completion_id: Uuid| SealFinding::SettlementChanged {
        record: RecordName { kind: "task_settlement".to_owned(), id: format!("{task_id}/{completion_id}") },
    };
    Ok(rows.into_iter().map(|row| finding(row.task_id, row.completion_id)).collect())
}
