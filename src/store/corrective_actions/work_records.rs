//! Work that a step of a corrective action asks for: what was recorded of it, and its place on the list of what is due.
//!
//! The rule of this file: a completion stands for such work while it passed and nobody corrected it; what it must show is
//! decided in [`crate::domain::chain::work`].

use chrono::{DateTime, NaiveDate, Utc};
use serde_json::Value;
use sqlx::PgConnection;
use uuid::Uuid;

use super::wanted_tests::{self, Wanted};
use crate::domain::chain::ChainStep;
use crate::domain::chain::progress::Progress;
use crate::domain::chain::work::{PassedStep, WorkShown};
use crate::domain::corrective_action::CorrectiveAction;
use crate::domain::plan::because::Fact;
use crate::domain::routine::Routine;
use crate::store::clinics::subjects;
use crate::store::{Result, StoreError, completions, routines};

/// Most completions that are looked through, the newest first.
const MOST_LOOKED_AT: i64 = 500;

/// A completion that passed, with what was worked.
#[derive(Clone, Debug)]
pub struct PassedWork {
    /// The completion.
    pub completion_id: Uuid,
    /// Its task.
    pub task_id: Uuid,
    /// The clinic day of its task.
    pub clinic_day: NaiveDate,
    /// When the work was done, as the person says.
    pub performed_at: DateTime<Utc>,
    /// The routine.
    pub routine_id: Uuid,
    /// It in the task's version.
    pub routine: Routine,
}

/// What was recorded about a subject as done after an instant and passed, as far as nobody corrected it; the newest first.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn list_passed(
    db: &mut PgConnection,
    group_id: Uuid,
    subject_id: Uuid,
    since: DateTime<Utc>,
) -> Result<Vec<PassedWork>> {
    let rows = sqlx::query!(
        "select c.completion_id, t.task_id, c.clinic_day, c.performed_at, t.routine_id, v.definition
         from task t
         join completion c on c.group_id = t.group_id and c.clinic_day = t.clinic_day and c.task_id = t.task_id
         join routine_version v on v.group_id = t.group_id and v.routine_id = t.routine_id
                               and v.version = t.routine_version
         where t.group_id = $1 and t.subject_id = $2 and t.clinic_day >= $3
           and c.kind = 'performed' and c.verdict = 'passed' and c.performed_at > $4
           and not exists (select from completion x
                           where x.group_id = c.group_id and x.clinic_day = c.clinic_day and x.task_id = c.task_id
                             and x.corrects = c.completion_id)
         order by c.performed_at desc, c.completion_id limit $5",
        group_id,
        subject_id,
        since.date_naive() - chrono::Days::new(crate::store::WINDOW_DAYS),
        since,
        MOST_LOOKED_AT
    )
    .fetch_all(db)
    .await?;
    rows.into_iter()
        .map(|row| {
            let routine = read_routine(row.completion_id, row.definition)?;
            Ok(PassedWork {
                completion_id: row.completion_id,
                task_id: row.task_id,
                clinic_day: row.clinic_day,
                performed_at: row.performed_at,
                routine_id: row.routine_id,
                routine,
            })
        })
        .collect()
}

fn read_routine(completion_id: Uuid, definition: Value) -> Result<Routine> {
    serde_json::from_value(definition)
        .map_err(|error| StoreError::bad_row("routine_version", completion_id, "definition", error))
}

/// What a completion lacks to show some work on a subject; `None`: it shows it.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn lacking(
    db: &mut PgConnection,
    group_id: Uuid,
    shows: &WorkShown,
    subject_id: Uuid,
    work: &PassedWork,
) -> Result<Option<String>> {
    let subject = subjects::find(&mut *db, group_id, subject_id).await?;
    let subject =
        subject.ok_or_else(|| StoreError::bad_row("corrective_action", subject_id, "subject_id", "unknown"))?;
    let steps = completions::list_steps(&mut *db, group_id, work.clinic_day, &[work.completion_id]).await?;
    let passed: Vec<PassedStep<'_>> = steps
        .iter()
        .filter(|step| step.status == "done" && step.verdict == "passed")
        .map(|step| PassedStep {
            key: &step.step_key,
            elapsed_seconds: step.elapsed_seconds.and_then(|seconds| u32::try_from(seconds).ok()),
            has_lot: step.lot_id.is_some(),
        })
        .collect();
    Ok(shows.lacking(&work.routine, &subject, &passed, work.clinic_day))
}

/// Puts the work that the next step of an action asks for on the list of what is due: a task of a routine whose record
/// would show it, modelled on the last one that somebody worked on. Nothing where the group has no such routine, or nobody
/// worked by one yet.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub(super) async fn want(
    db: &mut PgConnection,
    group_id: Uuid,
    action: &CorrectiveAction,
    (progress, step, shows): (&Progress<'_>, &ChainStep, &WorkShown),
    now: DateTime<Utc>,
) -> Result<()> {
    let Some(subject) = subjects::find(&mut *db, group_id, action.subject_id).await? else { return Ok(()) };
    for newest in routines::list_newest(&mut *db, group_id).await? {
        let routine = &newest.routine;
        let is_meant = !shows.is_of_same_routine() || action.routine_id.is_none_or(|meant| meant == newest.routine_id);
        // The very work that opened the action can be done again although its routine has gone out of use since.
        let is_the_one = shows.is_of_same_routine() && action.routine_id == Some(newest.routine_id);
        let is_planned = routine.in_use && routine.selection.picks(&subject);
        let is_for_it = routine.subject_kind == subject.kind && (is_planned || is_the_one);
        if !is_for_it || !is_meant || !shows.is_asked_by(routine, &subject) {
            continue;
        }
        let of = (newest.routine_id, action.subject_id);
        let Some(model) = wanted_tests::find_model(&mut *db, group_id, of).await? else { continue };
        let wanted = Wanted { asked_by: action.action_id, step_key: &step.key, number: 0 };
        let (fact, window) = (Fact::WantedWork { action_id: action.action_id }, progress.times_of(step));
        wanted_tests::insert(&mut *db, group_id, &model, (wanted, fact), window, now).await?;
        return Ok(());
    }
    Ok(())
}
