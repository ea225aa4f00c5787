//! Opening corrective actions, and what a completion does to those that stand.
//!
//! The rule of this file: one cause opens one action, and while one of a kind is open about a subject, what falls short
//! again is noted on it. It opens none as long as that one keeps the subject out of use and has a test to come; after
//! that a failure is a new one, and puts the subject out of use again. All of it happens in the transaction that records
//! the cause, so there is no failure without its action and no action without its failure.

use chrono::{DateTime, TimeDelta, Utc};
use serde_json::json;
use sqlx::PgConnection;
use uuid::Uuid;

use super::tasks::Task;
use super::wanted_tests::Wanted;
use super::{
    Result, action_worklist, chains, completions, corrective_actions, events, make_safe, quarantines, wanted_tests,
};
use crate::domain::chain::progress::Progress;
use crate::domain::chain::{ChainEvidence, ChainKind, CountedAt, Repeated};
use crate::domain::corrective_action::{
    ActionCause, ActionNote, ActionNoteKind, Closing, CorrectiveAction, derive_action_id, derive_note_id,
    derive_quarantine_id,
};
use crate::domain::event::EventKind;
use crate::domain::evidence::Verdict;
use crate::domain::quarantine::{CauseKind, Quarantine};
use crate::domain::routine::Routine;

/// Longest a reason that is made of others' words may be, as the tables bound it.
const LONGEST_REASON: usize = 400;

/// What an action is to be opened for.
#[derive(Clone, Debug)]
pub struct Opening {
    /// Which chain.
    pub kind: ChainKind,
    /// Made by the client, where a person opens it; else it is derived from the cause.
    pub action_id: Option<Uuid>,
    /// Where the subject stands.
    pub clinic_id: Uuid,
    /// What failed; the clinic itself where no one thing did.
    pub subject_id: Uuid,
    /// One line of an operatory.
    pub line: Option<String>,
    /// What for.
    pub cause: ActionCause,
    /// The completion, lot or task.
    pub cause_id: Option<Uuid>,
    /// The routine whose tests its steps ask for.
    pub routine_id: Option<Uuid>,
    /// What failed, in words.
    pub reason: String,
    /// The person; empty: the service, for its cause.
    pub opened_by: String,
    /// The device or system; `None`: the service by itself.
    pub key_id: Option<Uuid>,
}

/// Opens an action, puts its subject out of use where the chain says so, and tells of both; `false` beside the action
/// when it stood already.
///
/// # Errors
/// When the database does not answer, holds a row the model does not know, or `now` is sealed at the clinic.
pub async fn open_for(
    db: &mut PgConnection,
    group_id: Uuid,
    opening: &Opening,
    now: DateTime<Utc>,
) -> Result<(bool, CorrectiveAction)> {
    let place = (opening.clinic_id, opening.subject_id);
    corrective_actions::lock_subject(&mut *db, group_id, place, now).await?;
    let named = opening.action_id.or(opening.cause_id.map(|id| derive_action_id(opening.kind, id, opening.subject_id)));
    let action_id = named.unwrap_or_else(Uuid::nil);
    if let Some(standing) = corrective_actions::find(&mut *db, group_id, action_id).await? {
        return Ok((false, standing));
    }
    let newest = chains::current(&mut *db, group_id, opening.kind).await?;
    let mut opened: Vec<(Repeated, u32)> = Vec::new();
    for rule in newest.chain.steps.iter().filter_map(|s| s.if_repeated) {
        let subject = (rule.counted_at == CountedAt::Subject).then_some(opening.subject_id);
        let since = now - TimeDelta::days(rule.within_days.into());
        let place = (opening.clinic_id, subject);
        let before = corrective_actions::count_opened(&mut *db, group_id, opening.kind, place, since).await?;
        opened.push((rule, before.saturating_add(1)));
    }
    let count = |rule: &Repeated| opened.iter().find(|(r, _)| r == rule).map_or(1, |(_, count)| *count);
    let action = CorrectiveAction {
        action_id,
        clinic_id: opening.clinic_id,
        subject_id: opening.subject_id,
        kind: opening.kind,
        chain_version: newest.version,
        chain: newest.chain.for_opening(count),
        cause: opening.cause,
        cause_id: opening.cause_id,
        routine_id: opening.routine_id,
        line: opening.line.clone(),
        reason: opening.reason.chars().take(LONGEST_REASON).collect(),
        opened_at: now,
        opened_by: opening.opened_by.clone(),
        key_id: opening.key_id,
    };
    if !corrective_actions::insert(&mut *db, group_id, &action).await? {
        // Another subject's opening took the id between the look and the write.
        let standing = corrective_actions::find(&mut *db, group_id, action_id).await?;
        return Ok((false, standing.unwrap_or(action)));
    }
    let event = json!({
        "action_id": action_id, "kind": action.kind.as_str(), "clinic_id": action.clinic_id,
        "subject_id": action.subject_id, "cause": action.cause.as_str(), "cause_id": action.cause_id,
        "reason": action.reason, "by_key_id": action.key_id,
    });
    let clinic = Some(action.clinic_id);
    events::append(&mut *db, group_id, EventKind::CorrectiveActionOpened, clinic, &event, now).await?;
    if action.chain.quarantines {
        put_out_of_use(&mut *db, group_id, &action, now).await?;
    }
    if let (ActionCause::MissedTask, Some(task_id)) = (action.cause, action.cause_id) {
        make_safe::insert(&mut *db, group_id, (action_id, task_id), now).await?;
    }
    go_on(db, group_id, &action, now).await?;
    Ok((true, action))
}

async fn put_out_of_use(
    db: &mut PgConnection,
    group_id: Uuid,
    action: &CorrectiveAction,
    now: DateTime<Utc>,
) -> Result<()> {
    let quarantine = Quarantine {
        quarantine_id: derive_quarantine_id(action.action_id),
        clinic_id: action.clinic_id,
        subject_id: action.subject_id,
        line: action.line.clone(),
        load_reference: None,
        cycle_id: None,
        cause: CauseKind::CorrectiveAction,
        cause_id: Some(action.action_id),
        reason: format!("{}: {}", action.chain.name, action.reason).chars().take(LONGEST_REASON).collect(),
        begun_at: now,
        recorded_at: now,
        begun_by: action.opened_by.clone(),
        key_id: action.key_id,
        release: None,
    };
    if quarantines::insert(&mut *db, group_id, &quarantine).await? {
        tell_of_quarantine(db, group_id, &quarantine, now).await?;
    }
    Ok(())
}

/// Tells of what was put out of use.
///
/// # Errors
/// When the database does not answer.
pub async fn tell_of_quarantine(
    db: &mut PgConnection,
    group_id: Uuid,
    quarantine: &Quarantine,
    now: DateTime<Utc>,
) -> Result<()> {
    let event = json!({
        "quarantine_id": quarantine.quarantine_id, "subject_id": quarantine.subject_id, "line": quarantine.line,
        "load_reference": quarantine.load_reference, "cause": quarantine.cause.as_str(),
        "cause_id": quarantine.cause_id, "reason": quarantine.reason, "by_key_id": quarantine.key_id,
    });
    let clinic = Some(quarantine.clinic_id);
    events::append(db, group_id, EventKind::QuarantineBegun, clinic, &event, now).await
}

/// Makes the worklist of an open action anew, and puts the test that its next step asks for on the list of what is due.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn go_on(db: &mut PgConnection, group_id: Uuid, action: &CorrectiveAction, now: DateTime<Utc>) -> Result<()> {
    let records = corrective_actions::list_steps(&mut *db, group_id, &[action.action_id]).await?;
    let records: Vec<_> = records.into_iter().map(|(_, record)| record).collect();
    let progress = Progress::new(&action.chain, action.opened_at, &records);
    action_worklist::save(&mut *db, group_id, action, &progress, now).await?;
    let Some(step) = progress.next_test() else { return Ok(()) };
    let Some(routine_id) = step.evidence.names_routine().or(action.routine_id) else { return Ok(()) };
    let since = progress.tests_count_from(step);
    let number = corrective_actions::list_tests(&mut *db, group_id, routine_id, action, since).await?.len();
    let is_enough = matches!(step.evidence, ChainEvidence::TestResult { .. }) && number > 0;
    if is_enough {
        return Ok(());
    }
    let Some(model) = wanted_tests::find_model(&mut *db, group_id, (routine_id, action.subject_id)).await? else {
        return Ok(());
    };
    let wanted = Wanted { action_id: action.action_id, step_key: &step.key, number };
    wanted_tests::insert(db, group_id, &model, wanted, progress.times_of(step), now).await?;
    Ok(())
}

/// A completion that was recorded.
#[derive(Clone, Debug)]
pub struct Followed<'a> {
    /// Its task, as it was before.
    pub task: &'a Task,
    /// The routine in the task's version.
    pub routine: &'a Routine,
    /// Its id.
    pub completion_id: Uuid,
    /// What it corrects.
    pub corrects: Option<Uuid>,
    /// Whether a step of it was done and fell short. An entry that leaves steps out is no failure: the task stays open.
    pub fell_short: bool,
    /// What fell short, in words.
    pub finding: String,
    /// What it amounts to.
    pub verdict: Verdict,
    /// Whether the task counts as done by it.
    pub done: bool,
    /// Whether the task had been completed before.
    pub duplicate: bool,
    /// The device.
    pub key_id: Uuid,
}

/// Opens what a completion that falls short asks for, and notes on standing actions what concerns them.
///
/// # Errors
/// When the database does not answer, holds a row the model does not know, or `now` is sealed at the clinic.
pub async fn follow(db: &mut PgConnection, group_id: Uuid, what: &Followed<'_>, now: DateTime<Utc>) -> Result<()> {
    let (task, routine) = (what.task, what.routine);
    if routine.on_fail.is_none() && routine.on_miss.is_none() {
        return Ok(());
    }
    let place = (task.clinic_id, task.subject_id);
    corrective_actions::lock_subject(&mut *db, group_id, place, now).await?;
    if what.done && routine.on_miss.is_some() {
        let missed = corrective_actions::list_of_causes(&mut *db, group_id, &[task.id.as_uuid()]).await?;
        note_all(&mut *db, group_id, &missed, ActionNoteKind::RecordedLate, what.completion_id, now).await?;
    }
    let Some(kind) = routine.on_fail else { return Ok(()) };
    let corrected = list_corrected(&mut *db, group_id, what).await?;
    let of_corrected = corrective_actions::list_of_causes(&mut *db, group_id, &corrected).await?;
    let lifted: Vec<_> =
        of_corrected.into_iter().filter(|a| !what.fell_short && a.kind.lifted_by().contains(&what.verdict)).collect();
    note_all(&mut *db, group_id, &lifted, ActionNoteKind::CauseCorrected, what.completion_id, now).await?;
    let open = corrective_actions::list_open_of_subject(&mut *db, group_id, task.subject_id).await?;
    let of_kind: Vec<_> = open.iter().filter(|a| a.kind == kind).cloned().collect();
    let covered = what.fell_short && is_covered(&mut *db, group_id, what, &of_kind).await?;
    if what.fell_short {
        note_all(&mut *db, group_id, &of_kind, ActionNoteKind::FurtherFailure, what.completion_id, now).await?;
    }
    if what.fell_short && !covered {
        let opening = Opening {
            kind,
            action_id: None,
            clinic_id: task.clinic_id,
            subject_id: task.subject_id,
            line: None,
            cause: ActionCause::Completion,
            cause_id: Some(what.completion_id),
            routine_id: Some(task.routine_id),
            reason: format!("{}: {}", routine.name, what.finding),
            opened_by: String::new(),
            key_id: Some(what.key_id),
        };
        open_for(&mut *db, group_id, &opening, now).await?;
    } else if !what.fell_short && what.duplicate {
        let earlier = completions::list_of_task(&mut *db, group_id, task.id).await?;
        let ids: Vec<Uuid> = earlier.iter().map(|c| c.completion_id).collect();
        let of_task = corrective_actions::list_of_causes(&mut *db, group_id, &ids).await?;
        note_all(&mut *db, group_id, &of_task, ActionNoteKind::Duplicate, what.completion_id, now).await?;
    }
    for action in open.iter().filter(|a| a.routine_id == Some(task.routine_id)) {
        go_on(&mut *db, group_id, action, now).await?;
    }
    Ok(())
}

/// Whether one of these open actions answers for a failure: it keeps its subject out of use until a test is made that
/// is still to come, or it was opened for the same task. One that puts nothing out of use answers while it is open.
async fn is_covered(
    db: &mut PgConnection,
    group_id: Uuid,
    what: &Followed<'_>,
    open: &[CorrectiveAction],
) -> Result<bool> {
    let of_task = completions::list_of_task(&mut *db, group_id, what.task.id).await?;
    for action in open {
        let is_same_task = of_task.iter().any(|c| Some(c.completion_id) == action.cause_id);
        if is_same_task || !action.chain.quarantines {
            return Ok(true);
        }
        let put_out = quarantines::list_of_cause(&mut *db, group_id, action.action_id).await?;
        let records = corrective_actions::list_steps(&mut *db, group_id, &[action.action_id]).await?;
        let records: Vec<_> = records.into_iter().map(|(_, record)| record).collect();
        let progress = Progress::new(&action.chain, action.opened_at, &records);
        if put_out.iter().any(|q| q.release.is_none()) && progress.awaits_gating_test() {
            return Ok(true);
        }
    }
    Ok(false)
}

/// The completions that this one stands in the place of, the newest first.
async fn list_corrected(db: &mut PgConnection, group_id: Uuid, what: &Followed<'_>) -> Result<Vec<Uuid>> {
    let mut corrected = Vec::new();
    if what.corrects.is_none() {
        return Ok(corrected);
    }
    let earlier = completions::list_of_task(db, group_id, what.task.id).await?;
    let mut next = what.corrects;
    while let Some(completion) = next.and_then(|id| earlier.iter().find(|c| c.completion_id == id)) {
        corrected.push(completion.completion_id);
        next = completion.corrects;
    }
    Ok(corrected)
}

async fn note_all(
    db: &mut PgConnection,
    group_id: Uuid,
    actions: &[CorrectiveAction],
    kind: ActionNoteKind,
    completion_id: Uuid,
    now: DateTime<Utc>,
) -> Result<()> {
    for action in actions {
        let note_id = derive_note_id(action.action_id, kind, completion_id);
        let note = ActionNote { note_id, kind, completion_id, recorded_at: now };
        let place = (action.action_id, action.clinic_id);
        if corrective_actions::insert_note(&mut *db, group_id, place, &note).await? {
            let event = json!({
                "action_id": action.action_id, "note": kind.as_str(), "completion_id": completion_id,
            });
            let clinic = Some(action.clinic_id);
            events::append(&mut *db, group_id, EventKind::CorrectiveActionNoted, clinic, &event, now).await?;
        }
    }
    Ok(())
}

/// Keeps the closing of an action, and tells of it; `false` when it is closed already, or the id is taken. Tests it asked
/// for that nobody has begun are withdrawn.
///
/// # Errors
/// When the database does not answer, or the instant it is recorded at is sealed.
pub async fn close(
    db: &mut PgConnection,
    group_id: Uuid,
    action: &CorrectiveAction,
    closing: &Closing,
) -> Result<bool> {
    let (place, now) = ((action.action_id, action.clinic_id), closing.recorded_at);
    if !corrective_actions::insert_close(&mut *db, group_id, place, closing).await? {
        return Ok(false);
    }
    action_worklist::remove(&mut *db, group_id, action.action_id).await?;
    wanted_tests::withdraw(&mut *db, group_id, action.action_id, action.clinic_id, now).await?;
    let event = json!({
        "action_id": action.action_id, "close_id": closing.close_id, "kind": action.kind.as_str(),
        "grounds": closing.grounds.as_str(), "by_staff_id": closing.staff_id, "by_key_id": closing.key_id,
    });
    let clinic = Some(action.clinic_id);
    events::append(db, group_id, EventKind::CorrectiveActionClosed, clinic, &event, now).await?;
    Ok(true)
}

/// What stands before a release of what was put out of use for a cause, each as a sentence: the steps of the actions it
/// belongs to, as far as those are open.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn list_missing_for_release(
    db: &mut PgConnection,
    group_id: Uuid,
    quarantine: &Quarantine,
) -> Result<Vec<String>> {
    let Some(cause_id) = quarantine.cause_id else { return Ok(Vec::new()) };
    let belongs_to = match quarantine.cause {
        CauseKind::CorrectiveAction => corrective_actions::list(&mut *db, group_id, &[cause_id]).await?,
        _ => corrective_actions::list_of_causes(&mut *db, group_id, &[cause_id]).await?,
    };
    let mut missing = Vec::new();
    for action in belongs_to.into_iter().filter(|a| a.clinic_id == quarantine.clinic_id) {
        if corrective_actions::find_close(&mut *db, group_id, action.action_id).await?.is_some() {
            continue;
        }
        let records = corrective_actions::list_steps(&mut *db, group_id, &[action.action_id]).await?;
        let records: Vec<_> = records.into_iter().map(|(_, record)| record).collect();
        missing.extend(Progress::new(&action.chain, action.opened_at, &records).missing_for_release());
    }
    Ok(missing)
}

/// Whether nothing is left of what opened an action and was noted on it: each completion that fell short was corrected,
/// or the missed work was recorded after all. What a lot or a person opened is lifted by no completion.
///
/// # Errors
/// When the database does not answer.
pub async fn is_lifted(db: &mut PgConnection, group_id: Uuid, action: &CorrectiveAction) -> Result<bool> {
    match action.cause {
        ActionCause::Completion => corrective_actions::has_no_failure_left(db, group_id, action).await,
        ActionCause::MissedTask => {
            let notes = corrective_actions::list_notes(db, group_id, action.action_id).await?;
            Ok(notes.iter().any(|note| note.kind == ActionNoteKind::RecordedLate))
        }
        ActionCause::Lot | ActionCause::Person | ActionCause::WaterAdvisory => Ok(false),
    }
}
