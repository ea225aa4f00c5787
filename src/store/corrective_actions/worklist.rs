//! What each open action waits for.
//!
//! The rule of this file: a row follows from the action, its records, the ladder and the clinic's hours, and is made anew
//! whenever a step is recorded. As with tasks, the ladder is turned into instants then: a list asks for no hours, and
//! hours that are edited later move no rung.

use std::collections::BTreeMap;

use chrono::{DateTime, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use crate::domain::access::Reach;
use crate::domain::chain::progress::{Progress, StepTimes};
use crate::domain::chain::{ChainKind, StepOwner};
use crate::domain::corrective_action::CorrectiveAction;
use crate::domain::daybook::DayBook;
use crate::domain::hours::Hours;
use crate::domain::ladder::{Audience, Ladder};
use crate::store::routines::ladders;
use crate::store::{Result, StoreError, clinics};

/// Who closes what has no step left.
const CLOSER: StepOwner = StepOwner::ClinicLead;

/// Makes the row of an open action anew.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn save(
    db: &mut PgConnection,
    group_id: Uuid,
    action: &CorrectiveAction,
    progress: &Progress<'_>,
    now: DateTime<Utc>,
) -> Result<()> {
    let (step_key, owner, times) = match progress.next() {
        Some(step) => (Some(step.key.as_str()), step.owner, progress.times_of(step)),
        None => (None, CLOSER, progress.closing_times()),
    };
    let ladder = ladders::current(&mut *db, group_id).await?;
    let hours = clinics::hours(&mut *db, group_id, action.clinic_id).await?;
    let (rung_at, audience) = rungs(&ladder, hours.as_ref(), times);
    let rung_audience: Vec<String> = audience.into_iter().map(|a| a.as_str().to_owned()).collect();
    sqlx::query!(
        "insert into corrective_action_next
             (group_id, action_id, clinic_id, opened_at, step_key, owner, may_start_at, due_by, overdue_at, rung_at,
              rung_audience, saved_at)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12)
         on conflict (group_id, action_id) do update set
             step_key = excluded.step_key, owner = excluded.owner, may_start_at = excluded.may_start_at,
             due_by = excluded.due_by, overdue_at = excluded.overdue_at, rung_at = excluded.rung_at,
             rung_audience = excluded.rung_audience, saved_at = excluded.saved_at",
        group_id,
        action.action_id,
        action.clinic_id,
        action.opened_at,
        step_key,
        owner.as_str(),
        times.may_start_at,
        times.due_by,
        times.overdue_at,
        &rung_at,
        &rung_audience,
        now
    )
    .execute(db)
    .await?;
    Ok(())
}

fn rungs(ladder: &Ladder, hours: Option<&Hours>, times: StepTimes) -> (Vec<DateTime<Utc>>, Vec<Audience>) {
    let Some(hours) = hours else { return (Vec::new(), Vec::new()) };
    ladder.reached_at(&DayBook::new(hours), times.overdue_at).into_iter().unzip()
}

/// Takes the row of an action away that was closed.
///
/// # Errors
/// When the database does not answer.
pub async fn remove(db: &mut PgConnection, group_id: Uuid, action_id: Uuid) -> Result<()> {
    sqlx::query!("delete from corrective_action_next where group_id = $1 and action_id = $2", group_id, action_id)
        .execute(db)
        .await?;
    Ok(())
}

/// What comes next in an open action.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct NextStep {
    /// The step; `None`: a second person closes it.
    pub step_key: Option<String>,
    /// Whose turn it is.
    pub owner: StepOwner,
    /// When it should be recorded.
    pub due_by: DateTime<Utc>,
}

/// What comes next in each of some actions, as far as they are open.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn list_next_steps(
    db: &mut PgConnection,
    group_id: Uuid,
    action_ids: &[Uuid],
) -> Result<BTreeMap<Uuid, NextStep>> {
    if action_ids.is_empty() {
        return Ok(BTreeMap::new());
    }
    let rows = sqlx::query!(
        "select action_id, step_key, owner, due_by from corrective_action_next
         where group_id = $1 and action_id = any($2)",
        group_id,
        action_ids
    )
    .fetch_all(db)
    .await?;
    rows.into_iter()
        .map(|row| {
            let bad = || StoreError::bad_row("corrective_action_next", row.action_id, "owner", &row.owner);
            let owner = StepOwner::from_name(&row.owner).ok_or_else(bad)?;
            Ok((row.action_id, NextStep { step_key: row.step_key, owner, due_by: row.due_by }))
        })
        .collect()
}

/// Which actions are wanted; what is not given does not narrow.
#[derive(Clone, Debug, Default)]
pub struct ActionFilter {
    /// Only this one.
    pub action_id: Option<Uuid>,
    /// Only in this clinic.
    pub clinic_id: Option<Uuid>,
    /// Only about this subject.
    pub subject_id: Option<Uuid>,
    /// Only of this kind.
    pub kind: Option<ChainKind>,
    /// Only those that wait for this owner.
    pub owner: Option<StepOwner>,
    /// Only those whose next step is overdue, or only the others.
    pub overdue: Option<bool>,
}

/// An action in a list.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ListedAction {
    /// Its identity.
    pub action_id: Uuid,
    /// Where the subject stood.
    pub clinic_id: Uuid,
    /// What failed.
    pub subject_id: Uuid,
    /// What people call that.
    pub subject_name: String,
    /// Which chain.
    pub kind: ChainKind,
    /// What people call the chain.
    pub name: String,
    /// What failed, in words.
    pub reason: String,
    /// When it was opened.
    pub opened_at: DateTime<Utc>,
    /// What it waits for; `None`: it is closed.
    pub waits_for: Option<Awaited>,
    /// When it was closed.
    pub closed_at: Option<DateTime<Utc>>,
}

/// What an open action waits for.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Awaited {
    /// The step that comes next; `None`: a second person closes it.
    pub step_key: Option<String>,
    /// Whose turn it is.
    pub owner: StepOwner,
    /// Its instants.
    pub times: StepTimes,
    /// Rungs of the ladder reached at the instant that was asked about.
    pub level: u8,
    /// Whom that tells.
    pub audience: Option<Audience>,
}

struct Row {
    action_id: Uuid,
    clinic_id: Uuid,
    subject_id: Uuid,
    subject_name: String,
    kind: String,
    name: String,
    reason: String,
    opened_at: DateTime<Utc>,
    step_key: Option<String>,
    owner: Option<String>,
    may_start_at: Option<DateTime<Utc>>,
    due_by: Option<DateTime<Utc>>,
    overdue_at: Option<DateTime<Utc>>,
    level: Option<i32>,
    audience: Option<String>,
    closed_at: Option<DateTime<Utc>>,
}

impl TryFrom<Row> for ListedAction {
    type Error = StoreError;

    fn try_from(row: Row) -> Result<Self> {
        let bad = |column, detail: &dyn ToString| {
            StoreError::bad_row("corrective_action_next", row.action_id, column, detail.to_string())
        };
        let kind = ChainKind::from_name(&row.kind).ok_or_else(|| bad("kind", &row.kind))?;
        let waits_for = match (&row.owner, row.may_start_at, row.due_by, row.overdue_at) {
            (Some(owner), Some(may_start_at), Some(due_by), Some(overdue_at)) => {
                let audience = row
                    .audience
                    .as_deref()
                    .map(|name| Audience::from_name(name).ok_or_else(|| bad("rung_audience", &name)));
                Some(Awaited {
                    step_key: row.step_key.clone(),
                    owner: StepOwner::from_name(owner).ok_or_else(|| bad("owner", owner))?,
                    times: StepTimes { may_start_at, due_by, overdue_at },
                    level: u8::try_from(row.level.unwrap_or(0)).map_err(|_| bad("rung_at", &"too many"))?,
                    audience: audience.transpose()?,
                })
            }
            _ => None,
        };
        Ok(Self {
            action_id: row.action_id,
            clinic_id: row.clinic_id,
            subject_id: row.subject_id,
            subject_name: row.subject_name,
            kind,
            name: row.name,
            reason: row.reason,
            opened_at: row.opened_at,
            waits_for,
            closed_at: row.closed_at,
        })
    }
}

/// The open actions within reach, the oldest first: at most so many, from after a place in that list.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn list_open(
    db: &mut PgConnection,
    group_id: Uuid,
    reach: &Reach,
    filter: &ActionFilter,
    now: DateTime<Utc>,
    after: Option<(DateTime<Utc>, Uuid)>,
    at_most: i64,
) -> Result<Vec<ListedAction>> {
    let (clinic_ids, operatory_id) = narrowed(reach);
    let (after_at, after_id) = after.unzip();
    let rows = sqlx::query_as!(
        Row,
        r#"select a.action_id, a.clinic_id, a.subject_id, s.name as subject_name, a.kind, a.chain ->> 'name' as "name!",
                  a.reason, n.opened_at, n.step_key, n.owner as "owner?", n.may_start_at as "may_start_at?",
                  n.due_by as "due_by?", n.overdue_at as "overdue_at?", l.level as "level?",
                  n.rung_audience[l.level] as audience, null::timestamptz as closed_at
           from corrective_action_next n
           join corrective_action a on a.group_id = n.group_id and a.action_id = n.action_id
           join subject s on s.group_id = a.group_id and s.subject_id = a.subject_id
           cross join lateral (select count(*)::integer as level from unnest(n.rung_at) as r where r <= $2) l
           where n.group_id = $1
             and ($3::uuid[] is null or n.clinic_id = any($3)) and ($4::uuid is null or a.subject_id = $4)
             and ($5::uuid is null or n.clinic_id = $5) and ($6::uuid is null or a.subject_id = $6)
             and ($7::text is null or a.kind = $7) and ($8::text is null or n.owner = $8)
             and ($9::boolean is null or (n.overdue_at <= $2) = $9)
             and ($13::uuid is null or n.action_id = $13)
             and ($10::timestamptz is null or (n.opened_at, n.action_id) > ($10, $11::uuid))
           order by n.opened_at, n.action_id limit $12"#,
        group_id,
        now,
        clinic_ids as Option<&[Uuid]>,
        operatory_id,
        filter.clinic_id,
        filter.subject_id,
        filter.kind.map(ChainKind::as_str),
        filter.owner.map(StepOwner::as_str),
        filter.overdue,
        after_at,
        after_id,
        at_most,
        filter.action_id
    )
    .fetch_all(db)
    .await?;
    rows.into_iter().map(ListedAction::try_from).collect()
}

/// The closed actions within reach, the one opened last first: at most so many, from before a place in that list.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn list_closed(
    db: &mut PgConnection,
    group_id: Uuid,
    reach: &Reach,
    filter: &ActionFilter,
    before: Option<(DateTime<Utc>, Uuid)>,
    at_most: i64,
) -> Result<Vec<ListedAction>> {
    let (clinic_ids, operatory_id) = narrowed(reach);
    let (before_at, before_id) = before.unzip();
    let rows = sqlx::query_as!(
        Row,
        r#"select a.action_id, a.clinic_id, a.subject_id, s.name as subject_name, a.kind, a.chain ->> 'name' as "name!",
                  a.reason, a.recorded_at as opened_at, null::text as step_key, null::text as owner,
                  null::timestamptz as may_start_at, null::timestamptz as due_by, null::timestamptz as overdue_at,
                  null::integer as level, null::text as audience, c.recorded_at as "closed_at?"
           from corrective_action a
           join corrective_action_close c on c.group_id = a.group_id and c.action_id = a.action_id
           join subject s on s.group_id = a.group_id and s.subject_id = a.subject_id
           where a.group_id = $1
             and ($2::uuid[] is null or a.clinic_id = any($2)) and ($3::uuid is null or a.subject_id = $3)
             and ($4::uuid is null or a.clinic_id = $4) and ($5::uuid is null or a.subject_id = $5)
             and ($6::text is null or a.kind = $6)
             and ($7::timestamptz is null or (a.recorded_at, a.action_id) < ($7, $8::uuid))
           order by a.recorded_at desc, a.action_id desc limit $9"#,
        group_id,
        clinic_ids as Option<&[Uuid]>,
        operatory_id,
        filter.clinic_id,
        filter.subject_id,
        filter.kind.map(ChainKind::as_str),
        before_at,
        before_id,
        at_most
    )
    .fetch_all(db)
    .await?;
    rows.into_iter().map(ListedAction::try_from).collect()
}

fn narrowed(reach: &Reach) -> (Option<&[Uuid]>, Option<Uuid>) {
    match reach {
        Reach::Operatory { operatory_id } => (None, Some(*operatory_id)),
        other => (other.clinics(), None),
    }
}
