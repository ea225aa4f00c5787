//! The completion that stands for work which a step of a corrective action asks for.
//!
//! The rule of this file: a person says that the work was done, and its record must show it. A completion stands for one
//! step of an action, and for none before the step that comes before it: so the order of the chain is the order of the work.

use sqlx::PgConnection;
use uuid::Uuid;

use super::recording::StepRecordInput;
use crate::domain::chain::ChainStep;
use crate::domain::chain::progress::{Progress, StepRecord};
use crate::domain::chain::work::WorkShown;
use crate::domain::corrective_action::CorrectiveAction;
use crate::http::caller::Caller;
use crate::http::problem::{ApiError, ApiResult};
use crate::store::corrective_actions::work_records::{self, PassedWork};

/// The completion that shows the work: the one that is named, else the newest that does.
///
/// # Errors
/// 409 when none does, with what is missing; 422 when another is named.
pub(super) async fn find(
    db: &mut PgConnection,
    caller: &Caller,
    action: &CorrectiveAction,
    (progress, records): (&Progress<'_>, &[StepRecord]),
    (step, shows): (&ChainStep, &WorkShown),
    input: &StepRecordInput,
) -> ApiResult<Uuid> {
    let since = progress.tests_count_from(step);
    let mut recorded = work_records::list_passed(db, caller.group_id, action.subject_id, since).await?;
    let is_free = |work: &PassedWork| {
        work.performed_at <= input.performed_at
            && !records.iter().any(|r| r.completion_id == Some(work.completion_id))
            && action.cause_id != Some(work.task_id)
            && (!shows.is_of_same_routine() || action.routine_id.is_none_or(|meant| meant == work.routine_id))
    };
    recorded.retain(is_free);
    if let Some(named) = input.completion_id {
        recorded.retain(|work| work.completion_id == named);
        if recorded.is_empty() {
            let rule = format!(
                "must name a completion about this subject that passed and was not corrected, done after {since} and not \
                 after performed_at, by the routine that opened the action where this step asks for that work again, and \
                 that stands for no other step; what was missed stays missed, whatever is recorded of it later"
            );
            return Err(ApiError::rule_broken("/completion_id", rule));
        }
    }
    let mut nearest = None;
    for work in &recorded {
        let lacking = work_records::lacking(db, caller.group_id, shows, action.subject_id, work).await?;
        match lacking {
            None => return Ok(work.completion_id),
            // Of all that was recorded since, only such work says what it lacks.
            Some(lacking) if input.completion_id.is_some() || shows.is_of(&work.routine) => {
                nearest.get_or_insert((&work.routine.name, lacking));
            }
            Some(_) => {}
        }
    }
    let mut missing = vec![format!("record missing: {shows}, done after {since}")];
    missing.extend(nearest.map(|(name, lacking)| format!("{name}: {lacking}")));
    let caution = action.chain.cautions.first().map_or("", String::as_str);
    Err(ApiError::not_yet("work-missing", "The work is not recorded", missing, caution))
}
