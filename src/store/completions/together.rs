//! Entries of one person that are looked at together, and the flags that they raise.
//!
//! The rule of this file: of two entries of a person that are recorded at once, one sees the other. So whoever looks takes
//! the person's turn first, after everything else that its transaction locks.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, Days, NaiveDate, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use crate::domain::flags::{AT_ONE_GO, BURST_SPAN, FEWEST_ENTRIES, Flag, Performed, flags_together};
use crate::store::{Result, StoreError};

/// How many entries around one are looked at, at most: the nearest by when the work was done.
const MOST_LOOKED_AT: i64 = 200;

/// How far the clinic day of a task may lie from when it was worked: the table's check `task_window_bounded`.
const LONGEST_OPEN: Days = Days::new(100);

/// An entry of a person that is recorded.
#[derive(Clone, Copy, Debug)]
pub struct Entered<'a> {
    /// Where.
    pub clinic_id: Uuid,
    /// The person, where one was named by id.
    pub staff_id: Option<Uuid>,
    /// As it is kept.
    pub performed_by: &'a str,
    /// When the work was done.
    pub performed_at: DateTime<Utc>,
    /// When it was entered, where that was said.
    pub entered_at: Option<DateTime<Utc>>,
    /// When it reached us.
    pub recorded_at: DateTime<Utc>,
}

struct Near {
    completion_id: Uuid,
    clinic_day: NaiveDate,
    task_id: Uuid,
    performed_at: DateTime<Utc>,
    entered_at: Option<DateTime<Utc>>,
    corrects: Option<Uuid>,
    is_pending: bool,
    flags: Vec<String>,
}

/// Raises what an entry, which is kept already, shows together with others of its person; answers what is new, by completion.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn raise_flags(
    db: &mut PgConnection,
    group_id: Uuid,
    entry: Entered<'_>,
) -> Result<BTreeMap<Uuid, Vec<Flag>>> {
    take_turn(&mut *db, group_id, entry).await?;
    let near = list_near(&mut *db, group_id, entry).await?;
    let tasks: BTreeSet<Uuid> = near.iter().map(|near| near.task_id).collect();
    if tasks.len() < FEWEST_ENTRIES {
        return Ok(BTreeMap::new());
    }
    let minutes = rough_minutes(&mut *db, group_id, &near).await?;
    let sampled = list_sampled(&mut *db, group_id, &near).await?;
    let entries: Vec<Performed> = near
        .iter()
        .map(|near| Performed {
            completion_id: near.completion_id,
            task_id: near.task_id,
            performed_at: near.performed_at,
            rough_minutes: minutes.get(&near.task_id).copied().unwrap_or(0),
            entered_at: near.entered_at,
            tells_of_before: near.corrects.is_some() || sampled.contains(&near.task_id) && !near.is_pending,
        })
        .collect();
    insert(db, group_id, entry, &near, &flags_together(&entries)).await
}

/// Waits for whoever records an entry of the same person at the clinic. Last of all locks, so that nobody who holds it waits.
async fn take_turn(db: &mut PgConnection, group_id: Uuid, entry: Entered<'_>) -> Result<()> {
    let name = format!("entries {group_id} {} {}", entry.clinic_id, entry.performed_by.to_lowercase());
    sqlx::query!("select pg_advisory_xact_lock(hashtextextended($1, 0))", name).fetch_one(db).await?;
    Ok(())
}

/// Work that the same person said they did at the clinic around an instant, or entered around another. A person is the same
/// by id, or by initials where either entry names none.
async fn list_near(db: &mut PgConnection, group_id: Uuid, entry: Entered<'_>) -> Result<Vec<Near>> {
    let day = entry.performed_at.date_naive();
    Ok(sqlx::query_as!(
        Near,
        r#"select completion_id, clinic_day, task_id, performed_at, entered_at, corrects,
                  verdict = 'result_pending' as "is_pending!", coalesce(flags, '{}') as "flags!"
           from completion
           where group_id = $1 and clinic_id = $2 and kind = 'performed' and clinic_day between $3 and $4
             and (performed_at between $5 and $6 or entered_at between $7 and $8)
             and (staff_id = $9 or (staff_id is null or $9 is null) and lower(performed_by) = lower($10))
           order by abs(extract(epoch from performed_at - $11::timestamptz)), completion_id
           limit $12"#,
        group_id,
        entry.clinic_id,
        day - LONGEST_OPEN,
        day + LONGEST_OPEN,
        entry.performed_at - BURST_SPAN,
        entry.performed_at + BURST_SPAN,
        entry.entered_at.map(|at| at - AT_ONE_GO),
        entry.entered_at.map(|at| at + AT_ONE_GO),
        entry.staff_id,
        entry.performed_by,
        entry.performed_at,
        MOST_LOOKED_AT
    )
    .fetch_all(db)
    .await?)
}

/// The tasks of these entries that a sample was recorded for, which may have been long before.
async fn list_sampled(db: &mut PgConnection, group_id: Uuid, near: &[Near]) -> Result<BTreeSet<Uuid>> {
    let (days, tasks): (Vec<NaiveDate>, Vec<Uuid>) = near.iter().map(|near| (near.clinic_day, near.task_id)).unzip();
    let sampled = sqlx::query_scalar!(
        "select distinct task_id from completion
         where group_id = $1 and clinic_day = any($2) and task_id = any($3) and verdict = 'result_pending'",
        group_id,
        &days,
        &tasks
    );
    Ok(sampled.fetch_all(db).await?.into_iter().collect())
}

/// How long the work of each of these entries takes, roughly, by its task.
async fn rough_minutes(db: &mut PgConnection, group_id: Uuid, near: &[Near]) -> Result<BTreeMap<Uuid, u32>> {
    let (days, tasks): (Vec<NaiveDate>, Vec<Uuid>) = near.iter().map(|near| (near.clinic_day, near.task_id)).unzip();
    let rows = sqlx::query!(
        r#"select t.task_id, coalesce(v.definition ->> 'rough_minutes', '0') as "rough_minutes!"
           from task t
           join routine_version v on v.group_id = t.group_id and v.routine_id = t.routine_id
                                 and v.version = t.routine_version
           where t.group_id = $1 and t.clinic_day = any($2) and t.task_id = any($3)"#,
        group_id,
        &days,
        &tasks
    )
    .fetch_all(db)
    .await?;
    let minutes = |text: &str, task_id: Uuid| {
        text.parse().map_err(|error| StoreError::bad_row("routine_version", task_id, "definition", error))
    };
    rows.into_iter().map(|row| Ok((row.task_id, minutes(&row.rough_minutes, row.task_id)?))).collect()
}

/// Keeps the flags that none of the entries has yet.
async fn insert(
    db: &mut PgConnection,
    group_id: Uuid,
    entry: Entered<'_>,
    near: &[Near],
    flags: &BTreeSet<(Uuid, Flag)>,
) -> Result<BTreeMap<Uuid, Vec<Flag>>> {
    let of: BTreeMap<Uuid, &Near> = near.iter().map(|near| (near.completion_id, near)).collect();
    let (mut days, mut ids, mut names) = (Vec::new(), Vec::new(), Vec::new());
    for (completion_id, flag) in flags {
        // Rows of before such flags stood in a table of their own have them among the others.
        let lacks = |near: &&&Near| !near.flags.iter().any(|name| name == flag.as_str());
        if let Some(near) = of.get(completion_id).filter(lacks) {
            days.push(near.clinic_day);
            ids.push(*completion_id);
            names.push(flag.as_str().to_owned());
        }
    }
    if ids.is_empty() {
        return Ok(BTreeMap::new());
    }
    let rows = sqlx::query!(
        "insert into raised_flag (group_id, completion_id, flag, clinic_id, clinic_day, recorded_at)
         select $1, r.completion_id, r.flag, $2, r.clinic_day, $3
         from unnest($4::uuid[], $5::date[], $6::text[]) as r(completion_id, clinic_day, flag)
         on conflict do nothing returning completion_id, flag",
        group_id,
        entry.clinic_id,
        entry.recorded_at,
        &ids,
        &days,
        &names
    )
    .fetch_all(db)
    .await?;
    let mut raised: BTreeMap<Uuid, Vec<Flag>> = BTreeMap::new();
    for row in rows {
        raised.entry(row.completion_id).or_default().extend(Flag::from_name(&row.flag));
    }
    Ok(raised)
}
