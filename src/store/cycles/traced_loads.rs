//! From the label on a pack to the cycle it came from, and to the work that names it.
//!
//! The rule of this file: a label is compared as it was entered. Machines that number alike are told apart by the machine
//! alone, so what is found names its machine.

use chrono::{DateTime, Days, NaiveDate, Utc};
use serde_json::Value;
use sqlx::PgConnection;
use uuid::Uuid;

use super::records::known;
use crate::domain::cycle_load::{Chamber, CycleVerdict, PrintedOutcome};
use crate::store::Result;

/// A cycle whose newest record gives a load this label.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LoadCycle {
    /// The cycle.
    pub cycle_id: Uuid,
    /// The machine.
    pub subject_id: Uuid,
    /// What people call that.
    pub subject_name: String,
    /// The clinic day it ended on.
    pub clinic_day: NaiveDate,
    /// When it ended.
    pub ended_at: DateTime<Utc>,
    /// What the machine calls its program; may be empty.
    pub program: String,
    /// Number of its newest record.
    pub record_number: i32,
    /// Who handed that in.
    pub performed_by: String,
    /// When it reached us.
    pub recorded_at: DateTime<Utc>,
    /// How many readings it has.
    pub reading_count: i32,
    /// Whether implantable devices were in the load.
    pub holds_implants: Option<bool>,
    /// What was in the chamber.
    pub chamber: Option<Chamber>,
    /// How it ended by the print.
    pub outcome_as_printed: Option<PrintedOutcome>,
    /// The machine's own words.
    pub printed_words: Option<String>,
    /// Whether the record falls short.
    pub verdict: Option<CycleVerdict>,
    /// Why, and what could not be judged.
    pub finding: String,
}

/// The cycles of a clinic whose load has this label, the newest first.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn list_cycles(
    db: &mut PgConnection,
    group_id: Uuid,
    (clinic_id, equipment_id): (Uuid, Option<Uuid>),
    label: &str,
    at_most: i64,
) -> Result<Vec<LoadCycle>> {
    let rows = sqlx::query!(
        r#"select m.cycle_id, m.subject_id, u.name as subject_name, m.clinic_day, m.ended_at, m.program, r.number,
                  r.performed_by, r.recorded_at, jsonb_array_length(r.readings) as "reading_count!", r.holds_implants,
                  r.chamber, r.outcome_as_printed, r.printed_words, r.verdict, coalesce(r.finding, '') as "finding!"
           from cycle_record r
           join cycle_receipt l on l.group_id = r.group_id and l.cycle_id = r.cycle_id
           join cycle_mark m on m.group_id = l.group_id and m.clinic_day = l.clinic_day and m.cycle_id = l.cycle_id
           join subject u on u.group_id = m.group_id and u.subject_id = m.subject_id
           where r.group_id = $1 and r.clinic_id = $2 and ($3::uuid is null or r.subject_id = $3) and r.load_reference = $4
             and not exists (select from cycle_record n
                             where n.group_id = r.group_id and n.cycle_id = r.cycle_id and n.number > r.number)
           order by m.ended_at desc, m.cycle_id desc limit $5"#,
        group_id,
        clinic_id,
        equipment_id,
        label,
        at_most
    )
    .fetch_all(db)
    .await?;
    rows.into_iter()
        .map(|row| {
            let id = row.cycle_id;
            let outcome = row.outcome_as_printed.as_deref();
            Ok(LoadCycle {
                cycle_id: id,
                subject_id: row.subject_id,
                subject_name: row.subject_name,
                clinic_day: row.clinic_day,
                ended_at: row.ended_at,
                program: row.program,
                record_number: row.number,
                performed_by: row.performed_by,
                recorded_at: row.recorded_at,
                reading_count: row.reading_count,
                holds_implants: row.holds_implants,
                chamber: known(id, "chamber", row.chamber.as_deref(), Chamber::from_name)?,
                outcome_as_printed: known(id, "outcome_as_printed", outcome, PrintedOutcome::from_name)?,
                printed_words: row.printed_words,
                verdict: known(id, "verdict", row.verdict.as_deref(), CycleVerdict::from_name)?,
                finding: row.finding,
            })
        })
        .collect()
}

/// A spore test that says something of a load.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct CoveringTest {
    /// The completion with its result.
    pub completion_id: Uuid,
    /// When it was made: when it was run, where its result came later.
    pub made_at: DateTime<Utc>,
    /// `passed` or `failed`.
    pub verdict: String,
    /// It ran in the load's own cycle; else it is the first that was made after it.
    pub in_this_cycle: bool,
}

/// The spore test that covers a cycle of a machine: the one that ran in it, else the first that was made after it ended and
/// was decided.
///
/// # Errors
/// When the database does not answer.
pub async fn find_covering(
    db: &mut PgConnection,
    group_id: Uuid,
    (subject_id, cycle_id): (Uuid, Uuid),
    (clinic_day, ended_at): (NaiveDate, DateTime<Utc>),
) -> Result<Option<CoveringTest>> {
    Ok(sqlx::query_as!(
        CoveringTest,
        r#"select f.completion_id, f.made_at as "made_at!", f.verdict, f.in_this_cycle as "in_this_cycle!"
           from (
               select c.completion_id, c.verdict,
                      coalesce(s.given #>> '{strips,cycle_id}' = $3::text, false) as in_this_cycle,
                      test_made_at(c.group_id, c.clinic_day, c.task_id, c.performed_at) as made_at
               from task t
               join completion c on c.group_id = t.group_id and c.clinic_day = t.clinic_day and c.task_id = t.task_id
               join step_result s on s.group_id = c.group_id and s.clinic_day = c.clinic_day
                                 and s.completion_id = c.completion_id
               where t.group_id = $1 and t.subject_id = $2 and t.clinic_day between $4 and $5
                 and c.kind = 'performed' and c.verdict in ('passed', 'failed')
                 and not is_duplicate(c.duplicate, c.outcome, c.completion_id, t.completion_id)
                 and s.kind = 'spore_test' and s.status = 'done'
                 and not exists (select from completion x
                                 where x.group_id = c.group_id and x.clinic_day = c.clinic_day and x.task_id = c.task_id
                                   and x.corrects = c.completion_id)
           ) f
           where f.in_this_cycle or f.made_at >= $6
           order by f.in_this_cycle desc, f.made_at, f.completion_id limit 1"#,
        group_id,
        subject_id,
        cycle_id.to_string(),
        clinic_day - Days::new(crate::store::WINDOW_DAYS),
        clinic_day + Days::new(366),
        ended_at
    )
    .fetch_optional(db)
    .await?)
}

/// Work that names a label: a step that wants what is on packs.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct NamedIn {
    /// The completion.
    pub completion_id: Uuid,
    /// Its step.
    pub step_key: String,
    /// On what it was worked.
    pub subject_id: Uuid,
    /// What people call that.
    pub subject_name: String,
    /// The routine.
    pub routine_id: Uuid,
    /// When it was done.
    pub performed_at: DateTime<Utc>,
    /// Who did it.
    pub performed_by: String,
    /// The completion's verdict.
    pub verdict: String,
}

/// The completions of a clinic that name a label, the newest first; those of clinic days from `since_on` on, where that is
/// given.
///
/// # Errors
/// When the database does not answer.
pub async fn list_named_in(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    label: &str,
    since_on: Option<NaiveDate>,
    at_most: i64,
) -> Result<Vec<NamedIn>> {
    Ok(sqlx::query_as!(
        NamedIn,
        "select c.completion_id, s.step_key, t.subject_id, u.name as subject_name, t.routine_id, c.performed_at,
                c.performed_by, c.verdict
         from step_result s
         join completion c on c.group_id = s.group_id and c.clinic_day = s.clinic_day and c.completion_id = s.completion_id
         join task t on t.group_id = c.group_id and t.clinic_day = c.clinic_day and t.task_id = c.task_id
         join subject u on u.group_id = t.group_id and u.subject_id = t.subject_id
         where s.group_id = $1 and c.clinic_id = $2 and s.kind = 'reference' and s.given -> 'labels' @> $3
           and ($4::date is null or s.clinic_day >= $4)
         order by c.performed_at desc, c.completion_id, s.step_key limit $5",
        group_id,
        clinic_id,
        Value::from(vec![label.to_owned()]),
        since_on,
        at_most
    )
    .fetch_all(db)
    .await?)
}
