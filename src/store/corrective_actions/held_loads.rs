//! Loads that a corrective action puts out of use, one by one.
//!
//! The rule of this file: no load slips through. Whatever the machine ran since its last test that passed is held, with or
//! without a label, those with implantable devices first and marked; only a cycle that is recorded as empty holds no load.
//! A cycle that is posted late is held when it comes, and one that was run while the machine was out of use when its record
//! does. Each has an id derived from action and cycle, so holding again adds
//! only what is new.

use chrono::{DateTime, SecondsFormat, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use super::actions::{self, Followed};
use super::{quarantines, retests};
use crate::domain::corrective_action::{CorrectiveAction, derive_load_quarantine_id};
use crate::domain::cycle_load::Chamber;
use crate::domain::quarantine::{CauseKind, Quarantine};
use crate::store::cycles::records::CycleRecord;
use crate::store::cycles::traced_loads;
use crate::store::{Result, corrective_actions};

/// Most loads that are held each by itself; what ended before them is held together. Fewer than a day's review shows.
const MOST_LOADS: usize = 150;

/// Longest a reason that is made of others' words may be, as the table bounds it.
const LONGEST_REASON: usize = 400;

/// A load to be held.
struct Load {
    cycle_id: Option<Uuid>,
    label: String,
    holds_implants: Option<bool>,
}

impl Load {
    fn of(record: &CycleRecord) -> Self {
        let label = record.load.load_reference.clone();
        let unlabelled = || format!("of a cycle recorded at {}, no label told", text(record.recorded_at));
        Self {
            cycle_id: Some(record.cycle_id),
            label: label.unwrap_or_else(unlabelled),
            holds_implants: record.load.holds_implants,
        }
    }
}

/// Holds the loads of an action's machine since the last test that passed before it was opened: those of cycles that ended
/// at `until` or before, where that is given.
///
/// # Errors
/// When the database does not answer, or `now` is sealed at the clinic.
pub(super) async fn hold_since_last_pass(
    db: &mut PgConnection,
    group_id: Uuid,
    action: &CorrectiveAction,
    until: Option<DateTime<Utc>>,
    now: DateTime<Utc>,
) -> Result<()> {
    let since = find_since(&mut *db, group_id, action).await?;
    // One more than are held by themselves tells whether there are earlier ones.
    let most = i64::try_from(MOST_LOADS).unwrap_or(i64::MAX).saturating_add(1);
    let rows = sqlx::query!(
        r#"select m.cycle_id, m.ended_at, k.load_reference as "load_reference?", k.holds_implants as "holds_implants?"
           from cycle_mark m
           left join lateral (select r.load_reference, r.holds_implants, r.chamber from cycle_record r
                              where r.group_id = m.group_id and r.cycle_id = m.cycle_id
                              order by r.number desc limit 1) k on true
           where m.group_id = $1 and m.subject_id = $2 and ($3::timestamptz is null or m.ended_at > $3)
             and ($4::timestamptz is null or m.ended_at <= $4) and k.chamber is distinct from 'empty'
           order by k.holds_implants is true desc, m.ended_at desc, m.cycle_id desc limit $5"#,
        group_id,
        action.subject_id,
        since,
        until,
        most
    )
    .fetch_all(&mut *db)
    .await?;
    let mut loads: Vec<Load> = Vec::new();
    let rest = rows.get(MOST_LOADS).map(|row| row.ended_at);
    let rest_holds_implants = rows.get(MOST_LOADS).is_some_and(|row| row.holds_implants == Some(true));
    for row in rows.into_iter().take(MOST_LOADS) {
        let label = row.load_reference.unwrap_or_else(|| without_label(row.ended_at));
        loads.push(Load { cycle_id: Some(row.cycle_id), label, holds_implants: row.holds_implants });
    }
    if let Some(ended_at) = rest {
        // Where implantable devices take every place, what held none and ended later is among the rest as well.
        let up_to = if rest_holds_implants { until.unwrap_or(now) } else { ended_at };
        let label = format!("every load up to {}", text(up_to));
        loads.push(Load { cycle_id: None, label, holds_implants: rest_holds_implants.then_some(true) });
    }
    let last =
        since.map_or_else(|| "no test that passed is recorded".to_owned(), |at| format!("last passed {}", text(at)));
    for load in loads {
        hold(&mut *db, group_id, action, &load, &last, now).await?;
    }
    Ok(())
}

/// When the last test that passed before an action was opened was made; `None`: none is recorded.
///
/// # Errors
/// When the database does not answer.
pub async fn find_since(
    db: &mut PgConnection,
    group_id: Uuid,
    action: &CorrectiveAction,
) -> Result<Option<DateTime<Utc>>> {
    let Some(routine_id) = action.routine_id else { return Ok(None) };
    retests::find_last_passed(db, group_id, (routine_id, action.subject_id), action.opened_at).await
}

/// Holds what a cycle that was posted only now adds to the loads of open actions about its machine.
///
/// # Errors
/// When the database does not answer, or `now` is sealed at the clinic.
pub async fn hold_late(
    db: &mut PgConnection,
    group_id: Uuid,
    (clinic_id, subject_id): (Uuid, Uuid),
    now: DateTime<Utc>,
) -> Result<()> {
    corrective_actions::lock_subject(&mut *db, group_id, (clinic_id, subject_id), now).await?;
    let open = corrective_actions::list_open_of_subject(&mut *db, group_id, subject_id).await?;
    for action in open.iter().filter(|action| action.chain.holds_loads) {
        hold_since_last_pass(&mut *db, group_id, action, Some(action.opened_at), now).await?;
    }
    Ok(())
}

/// Holds the load of a cycle that ended while its machine was out of use for an open action that holds loads: also that of
/// the repeat of a test, until the test is read.
///
/// # Errors
/// When the database does not answer, holds a row the model does not know, or `now` is sealed at the clinic.
pub async fn hold_run_meanwhile(
    db: &mut PgConnection,
    group_id: Uuid,
    (record, ended_at): (&CycleRecord, DateTime<Utc>),
    now: DateTime<Utc>,
) -> Result<()> {
    corrective_actions::lock_subject(&mut *db, group_id, (record.clinic_id, record.subject_id), now).await?;
    let open = corrective_actions::list_open_of_subject(&mut *db, group_id, record.subject_id).await?;
    for action in open.iter().filter(|action| action.chain.holds_loads) {
        let machine = quarantines::list_of_cause(&mut *db, group_id, action.action_id).await?;
        if machine.iter().any(|quarantine| quarantine.stands_at(ended_at)) {
            let why = "it was run while the machine was out of use";
            hold(&mut *db, group_id, action, &Load::of(record), why, now).await?;
        }
    }
    Ok(())
}

/// Holds the load of a cycle whose record falls short.
///
/// # Errors
/// When the database does not answer, or `now` is sealed at the clinic.
pub(super) async fn hold_of_cycle(
    db: &mut PgConnection,
    group_id: Uuid,
    action: &CorrectiveAction,
    record: &CycleRecord,
    now: DateTime<Utc>,
) -> Result<()> {
    if record.load.chamber == Some(Chamber::Empty) {
        return Ok(());
    }
    hold(db, group_id, action, &Load::of(record), &record.judged.finding, now).await
}

/// Holds the loads that a completion names which falls short, with the newest recorded cycle of each label.
///
/// # Errors
/// When the database does not answer, or `now` is sealed at the clinic.
pub(super) async fn hold_labels(
    db: &mut PgConnection,
    group_id: Uuid,
    action: &CorrectiveAction,
    what: &Followed<'_>,
    now: DateTime<Utc>,
) -> Result<()> {
    let place = (action.clinic_id, Some(action.subject_id));
    for label in &what.load_labels {
        let newest = traced_loads::list_cycles(&mut *db, group_id, place, label, 1).await?.into_iter().next();
        let load = Load {
            cycle_id: newest.as_ref().map(|cycle| cycle.cycle_id),
            label: label.clone(),
            holds_implants: newest.and_then(|cycle| cycle.holds_implants),
        };
        hold(&mut *db, group_id, action, &load, &what.finding, now).await?;
    }
    Ok(())
}

async fn hold(
    db: &mut PgConnection,
    group_id: Uuid,
    action: &CorrectiveAction,
    load: &Load,
    why: &str,
    now: DateTime<Utc>,
) -> Result<()> {
    let marked = match load.holds_implants {
        Some(true) => "IMPLANTABLE DEVICES, withdraw first. ",
        Some(false) => "",
        None => "Whether it holds implantable devices is not recorded. ",
    };
    let quarantine = Quarantine {
        // A cycle's load is held once for an action, whatever its label is corrected to.
        quarantine_id: match load.cycle_id {
            Some(cycle_id) => derive_load_quarantine_id(action.action_id, Some(cycle_id), ""),
            None => derive_load_quarantine_id(action.action_id, None, &load.label),
        },
        clinic_id: action.clinic_id,
        subject_id: action.subject_id,
        line: None,
        load_reference: Some(load.label.clone()),
        cycle_id: load.cycle_id,
        cause: CauseKind::CorrectiveAction,
        cause_id: Some(action.action_id),
        reason: format!("{marked}{}: {why}", action.chain.name).chars().take(LONGEST_REASON).collect(),
        begun_at: now,
        recorded_at: now,
        begun_by: action.opened_by.clone(),
        staff_id: action.staff_id,
        key_id: action.key_id,
        release: None,
    };
    if quarantines::insert(&mut *db, group_id, &quarantine).await? {
        actions::tell_of_quarantine(db, group_id, &quarantine, now).await?;
    }
    Ok(())
}

fn without_label(ended_at: DateTime<Utc>) -> String {
    format!("of the cycle that ended at {}, no label told", text(ended_at))
}

fn text(at: DateTime<Utc>) -> String {
    at.to_rfc3339_opts(SecondsFormat::Secs, true)
}
