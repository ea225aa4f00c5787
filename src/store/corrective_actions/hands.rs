//! Who had a hand in an action beside its steps.
//!
//! The rule of this file: whoever recorded what opened an action, what lifted its cause, or a test or work that it rests on
//! worked on it, as whoever recorded a step did.

use sqlx::PgConnection;
use uuid::Uuid;

use crate::domain::corrective_action::{CorrectiveAction, Hand};
use crate::store::{Result, corrective_actions};

/// Everybody who had a hand in an action.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn list(db: &mut PgConnection, group_id: Uuid, action: &CorrectiveAction) -> Result<Vec<Hand>> {
    let mut hands = vec![Hand::of_opening(&action.opened_by, action.staff_id)];
    let steps = corrective_actions::list_steps(&mut *db, group_id, &[action.action_id]).await?;
    hands.extend(steps.iter().map(|(_, step)| Hand::of_step(step)));
    hands.extend(list_recorders(&mut *db, group_id, action).await?);
    hands.extend(list_correctors(db, group_id, action).await?);
    Ok(hands)
}

/// Who recorded the completion, or the cycle, that opened an action, and the tests and the work that its steps name.
async fn list_recorders(db: &mut PgConnection, group_id: Uuid, action: &CorrectiveAction) -> Result<Vec<Hand>> {
    let rows = sqlx::query!(
        r#"select c.performed_by as "performed_by!", c.staff_id, n.step_key
           from (select a.cause_id as completion_id, null::text as step_key from corrective_action a
                 where a.group_id = $1 and a.action_id = $2 and a.cause = 'completion'
                 union all
                 select s.completion_id, s.step_key from corrective_action_step s
                 where s.group_id = $1 and s.action_id = $2 and s.completion_id is not null) n
           join completion_receipt r on r.group_id = $1 and r.completion_id = n.completion_id
           join completion c on c.group_id = $1 and c.clinic_day = r.clinic_day and c.completion_id = r.completion_id
           union all
           select y.performed_by, y.staff_id, null::text
           from corrective_action a
           join cycle_record y on y.group_id = a.group_id and y.cycle_id = a.cause_id and y.recorded_at <= a.recorded_at
           where a.group_id = $1 and a.action_id = $2 and a.cause = 'cycle'"#,
        group_id,
        action.action_id
    )
    .fetch_all(db)
    .await?;
    let hands = rows.into_iter().map(|row| Hand {
        did: match row.step_key {
            None => "recorded what opened the action".to_owned(),
            Some(step) => format!("recorded what step {step} rests on"),
        },
        staff_id: row.staff_id,
        entered: row.performed_by,
    });
    Ok(hands.collect())
}

/// Who recorded what was said in the place of an action's failures, or that missed work was done after all.
///
/// # Errors
/// When the database does not answer.
pub async fn list_correctors(db: &mut PgConnection, group_id: Uuid, action: &CorrectiveAction) -> Result<Vec<Hand>> {
    let rows = sqlx::query!(
        r#"select s.performed_by as "performed_by!", s.staff_id from said_of_failures($1, $2) s where not s.is_failure
           union all
           select c.performed_by, c.staff_id
           from corrective_action_note n
           join completion_receipt r on r.group_id = $1 and r.completion_id = n.completion_id
           join completion c on c.group_id = $1 and c.clinic_day = r.clinic_day and c.completion_id = r.completion_id
           where n.group_id = $1 and n.action_id = $2 and n.kind = 'recorded_late'
           union all
           select y.performed_by, y.staff_id
           from corrective_action a
           join cycle_record y on y.group_id = a.group_id and y.cycle_id = a.cause_id and y.recorded_at > a.recorded_at
           where a.group_id = $1 and a.action_id = $2 and a.cause = 'cycle'"#,
        group_id,
        action.action_id
    )
    .fetch_all(db)
    .await?;
    let did = "recorded what was said in the place of what opened the action";
    let hands =
        rows.into_iter().map(|row| Hand { did: did.to_owned(), staff_id: row.staff_id, entered: row.performed_by });
    Ok(hands.collect())
}
