//! What a task's completions make of it, once another has come.
//!
//! The rule of this file: which completion counts is the domain's to say ([`what_counts`]); the task is settled anew only
//! where that is another than before, or says something else.

use sqlx::PgConnection;
use uuid::Uuid;

use crate::domain::evidence::{CompletionKind, Counted, Entry, Verdict, what_counts};
use crate::domain::task::Outcome;
use crate::http::caller::Caller;
use crate::http::problem::ApiResult;
use crate::http::tasks::Work;
use crate::store::completions::{self, Completion, repeats};
use crate::store::tasks::{self, Settlement, Task};
use crate::store::{Result, StoreError};

/// Settles the task of a completion that was just kept; the task is as it was before.
pub(super) async fn settle(
    db: &mut PgConnection,
    caller: &Caller,
    work: &Work,
    came: &Completion,
) -> ApiResult<Counted> {
    let task = &work.task;
    let rows = completions::list_of_task(db, caller.group_id, task.id).await?;
    let entries = entries(task, &rows)?;
    let none = || StoreError::bad_row("completion", came.completion_id, "task_id", "the task has no completions");
    let counted = what_counts(&entries).ok_or_else(none)?;
    let before = Counted {
        completion_id: task.completion_id.unwrap_or_default(),
        outcome: task.recorded.map(|(outcome, _)| outcome),
        failed: task.failed_at.is_some(),
    };
    if counted == before && !task.outcome_by_plan {
        return Ok(counted);
    }
    let row = rows.iter().find(|row| row.completion_id == counted.completion_id);
    let settlement = Settlement {
        outcome: counted.outcome,
        reason: reason(db, caller, task, row).await?,
        completion_id: counted.completion_id,
        done_late: counted.outcome == Some(Outcome::Done) && row.is_some_and(|row| row.late),
        failed: counted.failed,
    };
    tasks::settle(db, caller.group_id, task.id, &settlement, caller.now).await?;
    settle_repeat(db, caller, work, &rows, (came.completion_id, counted)).await?;
    Ok(counted)
}

/// The completions of a task as they decide about it. Of those from when the first to come counted, the one that ended the
/// task is the one it keeps; where it was purged, it still is.
fn entries(task: &Task, rows: &[Completion]) -> Result<Vec<Entry>> {
    let kept = task.completion_id.zip(task.recorded).filter(|_| !task.outcome_by_plan);
    let of = |row: &Completion| {
        let told = row.told_duplicate.is_some();
        let settled = kept.filter(|(id, _)| *id == row.completion_id).map(|(_, (outcome, _))| outcome);
        let outcome = match &row.outcome {
            Some(name) => Some(
                Outcome::from_name(name)
                    .ok_or_else(|| StoreError::bad_row("completion", row.completion_id, "outcome", name))?,
            ),
            None => settled.filter(|_| told),
        };
        Ok(Entry {
            completion_id: row.completion_id,
            corrects: row.corrects,
            performed_at: row.performed_at,
            outcome,
            failed: row.verdict == Verdict::Failed.as_str(),
            first_came: told,
        })
    };
    let mut entries: Vec<Entry> = rows.iter().map(of).collect::<Result<_>>()?;
    if let Some((completion_id, (outcome, at))) = kept.filter(|(id, _)| rows.iter().all(|r| r.completion_id != *id)) {
        entries.push(Entry {
            completion_id,
            corrects: None,
            performed_at: at,
            outcome: Some(outcome),
            failed: task.failed_at.is_some(),
            first_came: true,
        });
    }
    Ok(entries)
}

/// Why a task is not required, or void, by the completion that counts.
async fn reason(db: &mut PgConnection, caller: &Caller, task: &Task, row: Option<&Completion>) -> ApiResult<String> {
    let Some(row) = row else { return Ok(String::new()) };
    if row.kind != CompletionKind::Performed.as_str() {
        return Ok(row.reason.clone());
    }
    if row.verdict != Verdict::Void.as_str() {
        return Ok(String::new());
    }
    let steps = completions::list_steps(db, caller.group_id, task.id.clinic_day(), &[row.completion_id]).await?;
    let void = steps.into_iter().find(|step| step.verdict == Verdict::Void.as_str());
    Ok(void.map(|step| step.finding).unwrap_or_default())
}

/// A void test has one repeat that is wanted, whatever else is recorded of it or corrected; what is not void has none.
async fn settle_repeat(
    db: &mut PgConnection,
    caller: &Caller,
    work: &Work,
    rows: &[Completion],
    (came, counted): (Uuid, Counted),
) -> ApiResult<()> {
    let of_task: Vec<Uuid> = rows.iter().map(|row| row.completion_id).collect();
    if counted.outcome != Some(Outcome::Void) {
        repeats::withdraw(db, caller.group_id, &work.task, &of_task, caller.now).await?;
    } else if !repeats::has_any(db, caller.group_id, &work.task, &of_task).await? {
        let minutes = work.routine.rough_minutes;
        repeats::insert(db, caller.group_id, &work.task, came, minutes, caller.now).await?;
    }
    Ok(())
}
