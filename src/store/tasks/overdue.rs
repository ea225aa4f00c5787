//! Everything overdue at an instant, the highest level first.
//!
//! The rule of this file: an answer depends on the instant and nothing else, so that the pages of one list agree. A
//! task whose outcome was recorded after that instant was still open then and stays on the list, and so does a day that
//! was signed after it. What a corrective action waits for is known as it stands now only: one that is worked on while
//! somebody turns pages may leave the list, and never comes onto it.

use chrono::{DateTime, Days, NaiveDate, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use crate::domain::access::Reach;
use crate::domain::ladder::{Audience, OverdueKind};
use crate::domain::subject::SubjectKind;
use crate::store::{Result, StoreError, utc_day};

/// A task ends less than this many days after its clinic day: the table's check `task_window_bounded`.
const LONGEST_OPEN_DAYS: Days = Days::new(100);

/// What is wanted of what is overdue; what is not given does not narrow.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Filter {
    /// Only of this kind.
    pub kind: Option<OverdueKind>,
    /// Only in this clinic.
    pub clinic_id: Option<Uuid>,
    /// Only at this level of the ladder.
    pub level: Option<u8>,
    /// Only at this level of the ladder or above it.
    pub level_at_least: Option<u8>,
    /// Only of this routine.
    pub routine_id: Option<Uuid>,
    /// Only about subjects of this kind.
    pub subject_kind: Option<SubjectKind>,
    /// Only those that can stand in the way of using their subject, or only those that cannot.
    pub blocking: Option<bool>,
}

/// A place in the list.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Position {
    /// Level of what stands at that place.
    pub level: u8,
    /// When it became overdue.
    pub overdue_at: DateTime<Utc>,
    /// Which task, action or day.
    pub item_id: Uuid,
}

/// Something overdue with the names people know things by.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Overdue {
    /// Which kind.
    pub kind: OverdueKind,
    /// Which task, action or day.
    pub item_id: Uuid,
    /// Where it fell due.
    pub clinic_id: Uuid,
    /// What people call that clinic.
    pub clinic_name: String,
    /// What it is about.
    pub subject_id: Uuid,
    /// Of which kind that is.
    pub subject_kind: SubjectKind,
    /// What people call it.
    pub subject_name: String,
    /// The routine of a task, or the one whose tests an action asks for.
    pub routine_id: Option<Uuid>,
    /// What people call it: the routine in the task's version, or the action's chain; empty for a day.
    pub title: String,
    /// The version of a task's routine.
    pub routine_version: Option<i32>,
    /// The step an action waits for; `None`: a second person closes it, or it is no action.
    pub step: Option<String>,
    /// The clinic day of a task, or the one that is not signed.
    pub clinic_day: Option<NaiveDate>,
    /// When it was due.
    pub due_by: DateTime<Utc>,
    /// When grace was over.
    pub overdue_at: DateTime<Utc>,
    /// When a task will be missed.
    pub missed_at: Option<DateTime<Utc>>,
    /// Rungs of the ladder reached.
    pub level: u8,
    /// Whom that tells; `None` at level 0.
    pub audience: Option<Audience>,
    /// It can stand in the way of using its subject.
    pub blocking: bool,
    /// An attempt was recorded that did not keep the rules.
    pub failed_attempt: bool,
}

struct Row {
    kind: String,
    item_id: Uuid,
    clinic_id: Uuid,
    clinic_name: String,
    subject_id: Uuid,
    subject_kind: String,
    subject_name: String,
    routine_id: Option<Uuid>,
    title: String,
    routine_version: Option<i32>,
    step: Option<String>,
    clinic_day: Option<NaiveDate>,
    due_by: DateTime<Utc>,
    overdue_at: DateTime<Utc>,
    missed_at: Option<DateTime<Utc>>,
    level: i32,
    audience: Option<String>,
    blocking: bool,
    failed_attempt: bool,
}

impl TryFrom<Row> for Overdue {
    type Error = StoreError;

    fn try_from(row: Row) -> Result<Self> {
        let bad =
            |column, detail: &dyn ToString| StoreError::bad_row("overdue", row.item_id, column, detail.to_string());
        let subject_kind =
            SubjectKind::from_name(&row.subject_kind).ok_or_else(|| bad("subject_kind", &row.subject_kind))?;
        let level = u8::try_from(row.level).map_err(|_| bad("rung_at", &row.level))?;
        let audience = match row.audience.as_deref() {
            Some(name) => Some(Audience::from_name(name).ok_or_else(|| bad("rung_audience", &name))?),
            None => None,
        };
        Ok(Self {
            kind: OverdueKind::from_name(&row.kind).ok_or_else(|| bad("kind", &row.kind))?,
            item_id: row.item_id,
            clinic_id: row.clinic_id,
            clinic_name: row.clinic_name,
            subject_id: row.subject_id,
            subject_kind,
            subject_name: row.subject_name,
            routine_id: row.routine_id,
            title: row.title,
            routine_version: row.routine_version,
            step: row.step,
            clinic_day: row.clinic_day,
            due_by: row.due_by,
            overdue_at: row.overdue_at,
            missed_at: row.missed_at,
            level,
            audience,
            blocking: row.blocking,
            failed_attempt: row.failed_attempt,
        })
    }
}

/// At most `at_most` of what is overdue at `as_of`, from after a place in the list: the highest level first, then the
/// longest late, then by id.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
#[expect(clippy::too_many_lines, reason = "one query, which is read best in one piece")]
pub async fn list(
    db: &mut PgConnection,
    group_id: Uuid,
    reach: &Reach,
    filter: &Filter,
    as_of: DateTime<Utc>,
    after: Option<Position>,
    at_most: i64,
) -> Result<Vec<Overdue>> {
    let (clinic_ids, subject_id) = match reach {
        Reach::Operatory { operatory_id } => (None, Some(*operatory_id)),
        other => (other.clinics(), None),
    };
    // One arm for each kind. The two ways a task or a day can have been open at `as_of` stand as two conditions, each that
    // of a partial index.
    sqlx::query_as!(
        Row,
        r#"with page as (
               select t.*
               from (
                   select 'task' as kind, group_id, task_id as item_id, clinic_id, subject_id, subject_kind, routine_id,
                          routine_version, clinic_day, due_by, overdue_at, missed_at, rung_audience,
                          blocks_at is not null as blocking, coalesce(failed_at <= $2, false) as failed_attempt,
                          task_level(outcome, outcome_at, rung_at, $2) as level
                   from task
                   where group_id = $1 and clinic_day >= $3
                     and (outcome is null and missed_at > $2
                          or outcome is not null and outcome_at > $2 and missed_at > $2)
                     and overdue_at <= $2
                     and ($4::uuid[] is null or clinic_id = any($4))
                     and ($5::uuid is null or subject_id = $5)
                     and ($6::uuid is null or clinic_id = $6)
                     and ($7::uuid is null or routine_id = $7)
                     and ($8::text is null or subject_kind = $8)
                     and ($9::boolean is null or (blocks_at is not null) = $9)
                     and ($16::text is null or $16 = 'task')
                   union all
                   select 'corrective_action', n.group_id, n.action_id, n.clinic_id, a.subject_id, s.kind, a.routine_id,
                          null, null, n.due_by, n.overdue_at, null, n.rung_audience, false, false,
                          task_level(null, null, n.rung_at, $2)
                   from corrective_action_next n
                   join corrective_action a on a.group_id = n.group_id and a.action_id = n.action_id
                   join subject s on s.group_id = a.group_id and s.subject_id = a.subject_id
                   where n.group_id = $1 and n.overdue_at <= $2 and n.opened_at <= $2
                     and coalesce(n.saved_at <= $2, true)
                     and ($4::uuid[] is null or n.clinic_id = any($4))
                     and ($5::uuid is null or a.subject_id = $5)
                     and ($6::uuid is null or n.clinic_id = $6)
                     and ($7::uuid is null or a.routine_id = $7)
                     and ($8::text is null or s.kind = $8)
                     and ($9::boolean is null or not $9)
                     and ($16::text is null or $16 = 'corrective_action')
                   union all
                   select 'unsigned_day', group_id, day_id, clinic_id, clinic_id, 'clinic', null, null, clinic_day, due_by,
                          overdue_at, null, rung_audience, false, false,
                          task_level(signed_at::text, signed_at, rung_at, $2)
                   from day_to_sign
                   where group_id = $1 and (signed_at is null or signed_at is not null and signed_at > $2)
                     and overdue_at <= $2
                     and ($4::uuid[] is null or clinic_id = any($4))
                     and $5::uuid is null
                     and ($6::uuid is null or clinic_id = $6)
                     and $7::uuid is null
                     and ($8::text is null or $8 = 'clinic')
                     and ($9::boolean is null or not $9)
                     and ($16::text is null or $16 = 'unsigned_day')
               ) t
               where ($10::integer is null or t.level = $10)
                 and ($11::integer is null or t.level >= $11)
                 and ($12::integer is null or (-t.level, t.overdue_at, t.item_id) > (-$12, $13, $14))
               order by t.level desc, t.overdue_at, t.item_id
               limit $15
           )
           select p.kind as "kind!", p.item_id as "item_id!", p.clinic_id as "clinic_id!", c.name as clinic_name,
                  p.subject_id as "subject_id!", p.subject_kind as "subject_kind!", s.name as subject_name,
                  p.routine_id as "routine_id?",
                  coalesce(v.definition ->> 'name', a.chain ->> 'name', '') as "title!",
                  p.routine_version as "routine_version?", n.step_key as "step?", p.clinic_day as "clinic_day?",
                  p.due_by as "due_by!", p.overdue_at as "overdue_at!", p.missed_at as "missed_at?", p.level as "level!",
                  p.rung_audience[p.level] as audience, p.blocking as "blocking!",
                  p.failed_attempt as "failed_attempt!"
           from page p
           join clinic c on c.group_id = p.group_id and c.clinic_id = p.clinic_id
           join subject s on s.group_id = p.group_id and s.subject_id = p.subject_id
           left join routine_version v on v.group_id = p.group_id and v.routine_id = p.routine_id
                                      and v.version = p.routine_version
           left join corrective_action a on a.group_id = p.group_id and a.action_id = p.item_id
           left join corrective_action_next n on n.group_id = p.group_id and n.action_id = p.item_id
           order by p.level desc, p.overdue_at, p.item_id"#,
        group_id,
        as_of,
        utc_day(as_of) - LONGEST_OPEN_DAYS,
        clinic_ids as Option<&[Uuid]>,
        subject_id,
        filter.clinic_id,
        filter.routine_id,
        filter.subject_kind.map(SubjectKind::as_str),
        filter.blocking,
        filter.level.map(i32::from),
        filter.level_at_least.map(i32::from),
        after.map(|a| i32::from(a.level)),
        after.map(|a| a.overdue_at),
        after.map(|a| a.item_id),
        at_most,
        filter.kind.map(OverdueKind::as_str)
    )
    .fetch_all(db)
    .await?
    .into_iter()
    .map(Overdue::try_from)
    .collect()
}
