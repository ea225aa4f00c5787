//! What completions made of their tasks, against the completions.
//!
//! The rule of this file: a settlement follows from one completion and says nothing of its own, so it is not sealed; but how a
//! chair stood at an instant gone by is answered by it, so it is held against the completion, which is.

use std::collections::{BTreeMap, BTreeSet};

use chrono::NaiveDate;
use sqlx::PgConnection;
use uuid::Uuid;

use crate::domain::evidence::{Entry, Verdict};
use crate::domain::seal::DaySeal;
use crate::domain::seal::record::RecordName;
use crate::domain::seal::settled::{Recorded, Turn, odd_turns};
use crate::domain::seal::tamper::SealFinding;
use crate::domain::task::Outcome;
use crate::store::Result;

/// How many are named at once: whoever finds so many does not look through them one by one.
const MOST_NAMED: usize = 1_000;

/// How many tasks are worked out at once.
const TASKS_AT_ONCE: usize = 5_000;

/// The settlements that are not what the completions of these days say, or lack one of the two.
///
/// # Errors
/// When the database does not answer.
pub async fn check_settlements(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    days: &[DaySeal],
) -> Result<Vec<SealFinding>> {
    let mut odd = list_of_no_completion(&mut *db, group_id, clinic_id, days).await?;
    for tasks in list_to_work_out(&mut *db, group_id, clinic_id, days).await?.chunks(TASKS_AT_ONCE) {
        if odd.len() >= MOST_NAMED {
            break;
        }
        let recorded = list_recorded(&mut *db, group_id, tasks).await?;
        let mut turns = list_turns(&mut *db, group_id, tasks).await?;
        for (task_id, recorded) in recorded {
            let of_task = odd_turns(&recorded, &turns.remove(&task_id).unwrap_or_default());
            odd.extend(of_task.into_iter().map(|completion_id| (task_id, completion_id)));
        }
    }
    let finding = |(task_id, completion_id): (Uuid, Uuid)| SealFinding::SettlementChanged {
        record: RecordName { kind: "task_settlement".to_owned(), id: format!("{task_id}/{completion_id}") },
    };
    Ok(odd.into_iter().take(MOST_NAMED).map(finding).collect())
}

/// Settlements of completions that never came. The receipt of one that was purged stays.
async fn list_of_no_completion(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    days: &[DaySeal],
) -> Result<BTreeSet<(Uuid, Uuid)>> {
    let dates: Vec<NaiveDate> = days.iter().map(|seal| seal.clinic_day).collect();
    let rows = sqlx::query!(
        "select s.task_id, s.completion_id
         from task t
         join task_settlement s on s.group_id = t.group_id and s.task_id = t.task_id
         where t.group_id = $1 and t.clinic_id = $2 and t.clinic_day = any($3)
           and not exists (select from completion c
                           where c.group_id = s.group_id and c.clinic_day = s.clinic_day and c.task_id = s.task_id
                             and c.completion_id = s.completion_id)
           and not exists (select from completion_receipt r
                           where r.group_id = s.group_id and r.completion_id = s.completion_id)
         order by s.task_id, s.completion_id limit $4",
        group_id,
        clinic_id,
        &dates,
        i64::try_from(MOST_NAMED).unwrap_or(i64::MAX)
    )
    .fetch_all(db)
    .await?;
    Ok(rows.into_iter().map(|row| (row.task_id, row.completion_id)).collect())
}

/// The tasks with completions of these days, but for those that have one completion and one turn, which is just what that one
/// says: nearly all.
async fn list_to_work_out(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    days: &[DaySeal],
) -> Result<Vec<(NaiveDate, Uuid)>> {
    let from = days.iter().map(|seal| seal.recorded_from).min();
    let until = days.iter().map(|seal| seal.recorded_until).max();
    let (Some(from), Some(until)) = (from, until) else { return Ok(Vec::new()) };
    let rows = sqlx::query!(
        r#"select distinct t.clinic_day as "clinic_day!", t.task_id as "task_id!"
           from (
               select c.clinic_day, c.task_id,
                      count(*) over (partition by c.task_id) = 1 and c.duplicate is null
                      and s.completion_id = c.completion_id and s.settled_at = c.recorded_at
                      and s.failed = (c.verdict = 'failed') and s.outcome is not distinct from c.outcome as is_plain
               from completion c
               left join task_settlement s on s.group_id = c.group_id and s.task_id = c.task_id
               where c.group_id = $1 and c.clinic_id = $2 and c.recorded_at >= $3 and c.recorded_at < $4
           ) t
           where t.is_plain is not true
           order by 1, 2"#,
        group_id,
        clinic_id,
        from,
        until
    )
    .fetch_all(db)
    .await?;
    Ok(rows.into_iter().map(|row| (row.clinic_day, row.task_id)).collect())
}

async fn list_recorded(
    db: &mut PgConnection,
    group_id: Uuid,
    tasks: &[(NaiveDate, Uuid)],
) -> Result<BTreeMap<Uuid, Vec<Recorded>>> {
    let dates: BTreeSet<NaiveDate> = tasks.iter().map(|(clinic_day, _)| *clinic_day).collect();
    let dates: Vec<NaiveDate> = dates.into_iter().collect();
    let ids: Vec<Uuid> = tasks.iter().map(|(_, task_id)| *task_id).collect();
    let rows = sqlx::query!(
        "select task_id, completion_id, corrects, performed_at, recorded_at, verdict, outcome, duplicate
         from completion where group_id = $1 and clinic_day = any($2) and task_id = any($3)",
        group_id,
        &dates,
        &ids
    )
    .fetch_all(db)
    .await?;
    let mut recorded: BTreeMap<Uuid, Vec<Recorded>> = BTreeMap::new();
    for row in rows {
        let entry = Entry {
            completion_id: row.completion_id,
            corrects: row.corrects,
            performed_at: row.performed_at,
            // One that the model does not know makes nothing of its task; that the row is not as it was sealed is found elsewhere.
            outcome: row.outcome.as_deref().and_then(Outcome::from_name),
            failed: row.verdict == Verdict::Failed.as_str(),
            first_came: row.duplicate.is_some(),
        };
        let one = Recorded { entry, recorded_at: row.recorded_at, verdict: row.verdict, told_duplicate: row.duplicate };
        recorded.entry(row.task_id).or_default().push(one);
    }
    Ok(recorded)
}

async fn list_turns(
    db: &mut PgConnection,
    group_id: Uuid,
    tasks: &[(NaiveDate, Uuid)],
) -> Result<BTreeMap<Uuid, Vec<Turn>>> {
    let ids: Vec<Uuid> = tasks.iter().map(|(_, task_id)| *task_id).collect();
    let rows = sqlx::query!(
        "select task_id, completion_id, settled_at, outcome, failed from task_settlement
         where group_id = $1 and task_id = any($2) order by task_id, number",
        group_id,
        &ids
    )
    .fetch_all(db)
    .await?;
    let mut turns: BTreeMap<Uuid, Vec<Turn>> = BTreeMap::new();
    for row in rows {
        let turn = Turn {
            completion_id: row.completion_id,
            settled_at: row.settled_at,
            outcome: row.outcome,
            failed: row.failed,
        };
        turns.entry(row.task_id).or_default().push(turn);
    }
    Ok(turns)
}
