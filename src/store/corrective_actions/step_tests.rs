//! The tests that were made for a step of a corrective action, with the cycles they ran in.
//!
//! The rule of this file: cycles are looked up only for a step that asks for them, so that a test of water costs nothing.

use std::collections::BTreeMap;
use std::collections::btree_map::Entry;

use chrono::{DateTime, Days, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use super::retests;
use crate::domain::chain::ChainStep;
use crate::domain::chain::cycle_tests::{FailedIn, RanCycle, StepTests, TestedIn, program_of};
use crate::domain::chain::progress::Progress;
use crate::domain::corrective_action::{ActionCause, CorrectiveAction};
use crate::domain::cycle_load::Chamber;
use crate::domain::evidence::Given;
use crate::store::cycles::records::known;
use crate::store::{Result, StoreError};

/// The tests of a step since its window is counted, those that passed before it opens marked as too early; `None`: the action names no routine whose tests these could be.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn load(
    db: &mut PgConnection,
    group_id: Uuid,
    action: &CorrectiveAction,
    progress: &Progress<'_>,
    step: &ChainStep,
) -> Result<Option<StepTests>> {
    let Some(routine_id) = step.evidence.names_routine().or(action.routine_id) else { return Ok(None) };
    let since = progress.tests_count_from(step);
    let mut tests = retests::list_tests(&mut *db, group_id, routine_id, action, since).await?;
    let counts_from = progress.times_of(step).may_start_at;
    for test in &mut tests {
        test.counts_from = (test.made_at < counts_from).then_some(counts_from);
    }
    let mut loaded = StepTests { tests, ..StepTests::default() };
    if let Some(demand) = step.evidence.cycle_demand() {
        let completion_ids: Vec<Uuid> = loaded.tests.iter().map(|test| test.completion_id).collect();
        loaded.tested_in = tested_in(&mut *db, group_id, &completion_ids).await?;
        loaded.cycles = list_cycles(&mut *db, group_id, action.subject_id, since).await?;
        if demand.same_program {
            loaded.failed_in = failed_in(db, group_id, action).await?;
        }
    }
    Ok(Some(loaded))
}

/// How many tests of a routine on a subject were made from an instant on and await their result.
///
/// # Errors
/// When the database does not answer.
pub(super) async fn count_awaited(
    db: &mut PgConnection,
    group_id: Uuid,
    (routine_id, subject_id): (Uuid, Uuid),
    since: DateTime<Utc>,
) -> Result<usize> {
    let count = sqlx::query_scalar!(
        r#"select count(*) as "count!" from task t
           where t.group_id = $1 and t.routine_id = $2 and t.subject_id = $3 and t.clinic_day >= $4
             and t.outcome = 'result_pending'
             and exists (select from completion c
                         where c.group_id = t.group_id and c.clinic_day = t.clinic_day and c.task_id = t.task_id
                           and c.verdict = 'result_pending' and c.performed_at >= $5)"#,
        group_id,
        routine_id,
        subject_id,
        since.date_naive() - Days::new(crate::store::WINDOW_DAYS),
        since
    )
    .fetch_one(db)
    .await?;
    Ok(usize::try_from(count).unwrap_or_default())
}

/// What completions say of the cycle their spore test ran in. One that names several names none.
async fn tested_in(db: &mut PgConnection, group_id: Uuid, completion_ids: &[Uuid]) -> Result<BTreeMap<Uuid, TestedIn>> {
    let rows = sqlx::query!(
        r#"select s.completion_id, s.given as "given!"
           from completion_receipt r
           join step_result s on s.group_id = r.group_id and s.clinic_day = r.clinic_day
                             and s.completion_id = r.completion_id
           where r.group_id = $1 and r.completion_id = any($2) and s.kind = 'spore_test' and s.status = 'done'
             and s.given is not null
           order by s.completion_id, s.ordinal"#,
        group_id,
        completion_ids
    )
    .fetch_all(db)
    .await?;
    let mut found: BTreeMap<Uuid, TestedIn> = BTreeMap::new();
    for row in rows {
        let Some(said) = read(row.completion_id, row.given)? else { continue };
        match found.entry(row.completion_id) {
            Entry::Vacant(entry) => {
                entry.insert(said);
            }
            Entry::Occupied(mut entry) => {
                if *entry.get() != said {
                    entry.insert(TestedIn::default());
                }
            }
        }
    }
    Ok(found)
}

fn read(completion_id: Uuid, given: serde_json::Value) -> Result<Option<TestedIn>> {
    let given = serde_json::from_value(given)
        .map_err(|error| StoreError::bad_row("step_result", completion_id, "given", error))?;
    let Given::SporeTest { strips } = given else { return Ok(None) };
    Ok(Some(TestedIn { cycle_id: strips.cycle_id, chamber: strips.chamber, program: strips.program }))
}

/// The cycles that a machine ended after an instant, the oldest first, with what their newest record says.
async fn list_cycles(
    db: &mut PgConnection,
    group_id: Uuid,
    subject_id: Uuid,
    since: DateTime<Utc>,
) -> Result<Vec<RanCycle>> {
    let rows = sqlx::query!(
        r#"select m.cycle_id, m.ended_at, m.program, k.chamber as "chamber?",
                  coalesce(k.verdict = 'failed', false) as "failed!"
           from cycle_mark m
           left join lateral (select r.chamber, r.verdict from cycle_record r
                              where r.group_id = m.group_id and r.cycle_id = m.cycle_id
                              order by r.number desc limit 1) k on true
           where m.group_id = $1 and m.subject_id = $2 and m.ended_at > $3
           order by m.ended_at, m.cycle_id limit 5000"#,
        group_id,
        subject_id,
        since
    )
    .fetch_all(db)
    .await?;
    rows.into_iter()
        .map(|row| {
            Ok(RanCycle {
                cycle_id: row.cycle_id,
                ended_at: row.ended_at,
                program: row.program,
                chamber: known(row.cycle_id, "chamber", row.chamber.as_deref(), Chamber::from_name)?,
                failed: row.failed,
            })
        })
        .collect()
}

/// The program that the test which opened an action ran in, as it was said last: when it was run, when it was read, or in a
/// correction of either.
async fn failed_in(db: &mut PgConnection, group_id: Uuid, action: &CorrectiveAction) -> Result<FailedIn> {
    let (ActionCause::Completion, Some(completion_id)) = (action.cause, action.cause_id) else {
        return Ok(FailedIn::NoTest);
    };
    let rows = sqlx::query!(
        r#"select x.completion_id, s.given as "given!", m.program as "program?"
           from completion_receipt r
           join completion c on c.group_id = r.group_id and c.clinic_day = r.clinic_day
                            and c.completion_id = r.completion_id
           join task t on t.group_id = c.group_id and t.clinic_day = c.clinic_day and t.task_id = c.task_id
           join completion x on x.group_id = c.group_id and x.clinic_day = c.clinic_day and x.task_id = c.task_id
                            and (x.corrects is not null or x.completion_id = c.completion_id
                                 or not is_duplicate(x.duplicate, x.outcome, x.completion_id, t.completion_id))
           join step_result s on s.group_id = x.group_id and s.clinic_day = x.clinic_day
                             and s.completion_id = x.completion_id
           left join cycle_receipt l on l.group_id = s.group_id and l.cycle_id = (s.given #>> '{strips,cycle_id}')::uuid
           left join cycle_mark m on m.group_id = l.group_id and m.clinic_day = l.clinic_day and m.cycle_id = l.cycle_id
                                 and m.subject_id = $3
           where r.group_id = $1 and r.completion_id = $2 and s.kind = 'spore_test' and s.given is not null
           order by x.recorded_at desc, x.completion_id desc, s.ordinal limit 100"#,
        group_id,
        completion_id,
        action.subject_id
    )
    .fetch_all(db)
    .await?;
    for row in rows {
        let Some(said) = read(row.completion_id, row.given)? else { continue };
        if let Some(program) = program_of(row.program.as_deref(), &said) {
            return Ok(FailedIn::Program(program.to_owned()));
        }
    }
    Ok(FailedIn::NotRecorded)
}
