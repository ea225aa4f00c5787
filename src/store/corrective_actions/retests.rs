//! Tests of an action's subject, and the lines they must show.
//!
//! The rule of this file: what a test shows stands in its record alone. An entry that leaves out steps decides nothing; a
//! test found void neither, nor a value that no limit in force judged.

use chrono::{DateTime, Utc};
use sqlx::PgConnection;
use sqlx::types::Json;
use uuid::Uuid;

use crate::domain::corrective_action::{ActionCause, CorrectiveAction, TestRun, left_out};
use crate::store::Result;
use crate::store::clinics::subjects;

/// The decided tests of a routine on an action's subject that were made after `since`, as far as they were not corrected,
/// the oldest first. What is said about the task that opened the action is no further test.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn list_tests(
    db: &mut PgConnection,
    group_id: Uuid,
    routine_id: Uuid,
    action: &CorrectiveAction,
    since: DateTime<Utc>,
) -> Result<Vec<TestRun>> {
    let asked = list_lines(&mut *db, group_id, action).await?;
    let rows = sqlx::query!(
        r#"select r.completion_id, r.made_at as "made_at!", r.recorded_at, r.passed as "passed!", r.duplicate as "duplicate!",
                  exists (select from step_result s
                          where s.group_id = $1 and s.clinic_day = r.clinic_day and s.completion_id = r.completion_id
                            and s.kind = 'water_sample') as "draws_water!",
                  coalesce((select jsonb_agg(b.bottle -> 'lines')
                            from step_result s cross join lateral jsonb_array_elements(s.lines) as b(bottle)
                            where s.group_id = $1 and s.clinic_day = r.clinic_day
                              and s.completion_id = r.completion_id), '[]') as "bottles!: Json<Vec<Vec<String>>>"
           from (
               select c.completion_id, c.clinic_day, c.recorded_at, c.verdict = 'passed' as passed,
                      is_duplicate(c.duplicate, c.outcome, c.completion_id, t.completion_id) as duplicate,
                      test_made_at(c.group_id, c.clinic_day, c.task_id, c.performed_at) as made_at
               from task t
               join completion c on c.group_id = t.group_id and c.clinic_day = t.clinic_day and c.task_id = t.task_id
               where t.group_id = $1 and t.routine_id = $2 and t.subject_id = $3 and t.clinic_day >= $4
                 and c.kind = 'performed'
                 and (c.verdict = 'passed' and not coalesce('no_limit_in_force' = any(c.flags), false)
                      or c.verdict = 'failed' and exists (
                          select from step_result s
                          where s.group_id = c.group_id and s.clinic_day = c.clinic_day
                            and s.completion_id = c.completion_id and s.status = 'done' and s.verdict = 'failed'))
                 and not exists (select from completion x
                                 where x.group_id = c.group_id and x.clinic_day = c.clinic_day and x.task_id = c.task_id
                                   and x.corrects = c.completion_id)
                 and not exists (select from completion k
                                 where k.group_id = c.group_id and k.clinic_day = c.clinic_day and k.task_id = c.task_id
                                   and k.completion_id = $6)
           ) r
           where r.made_at > $5
           order by r.made_at, r.passed, r.completion_id limit 1000"#,
        group_id,
        routine_id,
        action.subject_id,
        since.date_naive() - chrono::Days::new(crate::store::WINDOW_DAYS),
        since,
        action.cause_id
    )
    .fetch_all(db)
    .await?;
    // A routine that showed lines when it failed must show them again, whatever became of its steps since.
    let showed_lines = action.cause == ActionCause::Completion && action.routine_id == Some(routine_id);
    let runs = rows.into_iter().map(|row| TestRun {
        left_out: if row.draws_water || showed_lines { left_out(&asked, &row.bottles) } else { Vec::new() },
        completion_id: row.completion_id,
        made_at: row.made_at,
        recorded_at: row.recorded_at,
        passed: row.passed,
        duplicate: row.duplicate,
        counts_from: None,
    });
    Ok(runs.collect())
}

/// The lines that are to be tested again, each by itself: those of the samples that fell short; and of what a person
/// opened, the line they named, or every circuit of the unit. Where the unit has one of them no longer, or calls it by
/// another name, every circuit it has is asked for.
async fn list_lines(db: &mut PgConnection, group_id: Uuid, action: &CorrectiveAction) -> Result<Vec<String>> {
    let sampled = sqlx::query_scalar!(
        r#"select distinct l.line as "line!"
           from (select a.cause_id as completion_id from corrective_action a
                 where a.group_id = $1 and a.action_id = $2 and a.cause = 'completion'
                 union
                 select n.completion_id from corrective_action_note n
                 where n.group_id = $1 and n.action_id = $2 and n.kind = 'further_failure') f
           join completion_receipt r on r.group_id = $1 and r.completion_id = f.completion_id
           join step_result s on s.group_id = $1 and s.clinic_day = r.clinic_day and s.completion_id = r.completion_id
           cross join lateral jsonb_array_elements(s.lines) as b(bottle)
           cross join lateral jsonb_array_elements_text(b.bottle -> 'lines') as l(line)"#,
        group_id,
        action.action_id
    )
    .fetch_all(&mut *db)
    .await?;
    let Some(subject) = subjects::find(db, group_id, action.subject_id).await? else { return Ok(Vec::new()) };
    let named: Vec<String> = sampled.into_iter().chain(action.line.clone()).collect();
    let of_whole_unit = action.cause == ActionCause::Person && action.line.is_none();
    let is_renamed = named.iter().any(|line| !subject.circuits.contains(line));
    let is_asked = |line: &String| of_whole_unit || is_renamed || named.contains(line);
    Ok(subject.circuits.into_iter().filter(is_asked).collect())
}

/// When the last passed test of a routine on a subject before an instant was made; `None`: none was recorded.
///
/// # Errors
/// When the database does not answer.
pub async fn find_last_passed(
    db: &mut PgConnection,
    group_id: Uuid,
    (routine_id, subject_id): (Uuid, Uuid),
    before: DateTime<Utc>,
) -> Result<Option<DateTime<Utc>>> {
    Ok(sqlx::query_scalar!(
        r#"select max(r.made_at) as made_at
           from (
               select test_made_at(c.group_id, c.clinic_day, c.task_id, c.performed_at) as made_at
               from task t
               join completion c on c.group_id = t.group_id and c.clinic_day = t.clinic_day and c.task_id = t.task_id
               where t.group_id = $1 and t.routine_id = $2 and t.subject_id = $3
                 and c.kind = 'performed' and c.verdict = 'passed'
                 and not is_duplicate(c.duplicate, c.outcome, c.completion_id, t.completion_id)
                 and not coalesce('no_limit_in_force' = any(c.flags), false)
                 and not exists (select from completion x
                                 where x.group_id = c.group_id and x.clinic_day = c.clinic_day and x.task_id = c.task_id
                                   and x.corrects = c.completion_id)
           ) r
           where r.made_at < $4"#,
        group_id,
        routine_id,
        subject_id,
        before
    )
    .fetch_one(db)
    .await?)
}
