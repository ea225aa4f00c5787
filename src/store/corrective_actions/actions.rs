//! Opening corrective actions, what they wait for, and closing them; `after_completion` says what a completion does.
//!
//! The rule of this file: one cause opens one action, and while one of a kind is open about a subject, what falls short
//! again is noted on it. It opens none as long as that one keeps the subject out of use and has a test to come; after
//! that a failure is a new one, and puts the subject out of use again. All of it happens in the transaction that records
//! the cause, so there is no failure without its action and no action without its failure.

mod after_completion;

use chrono::{DateTime, TimeDelta, Utc};
use serde_json::json;
use sqlx::PgConnection;
use uuid::Uuid;

pub use self::after_completion::{Followed, LotRecall, WrongProduct, follow, open_for_recall};
use super::wanted_tests::{self, Wanted, Withdrawn};
use super::{chains, hands, held_loads, implant_loads, make_safe, quarantines, step_tests, work_records, worklist};
use crate::domain::chain::progress::Progress;
use crate::domain::chain::{ChainEvidence, ChainKind, ChainStep, Occasion, Repeated};
use crate::domain::corrective_action::{
    ActionCause, ActionNoteKind, Closing, CorrectiveAction, Grounds, Hand, derive_action_id, derive_cycle_action_id,
    derive_quarantine_id,
};
use crate::domain::cycle_load::CycleVerdict;
use crate::domain::event::EventKind;
use crate::domain::plan::because::Fact;
use crate::domain::quarantine::{CauseKind, Quarantine};
use crate::domain::water_sample::WaterCount;
use crate::store::cycles::records::CycleRecord;
use crate::store::{Result, corrective_actions, cycles, events, routines};

/// Longest a reason that is made of others' words may be, as the tables bound it.
const LONGEST_REASON: usize = 400;

/// How many tests that decided nothing are told of at once.
const MOST_UNDECIDED: usize = 5;

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
    /// The completion, lot, task or cycle.
    pub cause_id: Option<Uuid>,
    /// The routine whose tests its steps ask for.
    pub routine_id: Option<Uuid>,
    /// What the water was tested for, by the routine as it was then; `None`: by the routine as it is now, if one is named.
    pub counted: Option<Vec<WaterCount>>,
    /// What failed, in words.
    pub reason: String,
    /// The person; empty: the service, for its cause.
    pub opened_by: String,
    /// The same by identity, where they signed for it.
    pub staff_id: Option<Uuid>,
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
        let since = now - TimeDelta::days(rule.within_days.into());
        let before = corrective_actions::count_opened(&mut *db, group_id, opening, rule.counted_at, since).await?;
        opened.push((rule, before.saturating_add(1)));
    }
    let count = |rule: &Repeated| opened.iter().find(|(r, _)| r == rule).map_or(1, |(_, count)| *count);
    let mut tested_by: Vec<(ChainKind, Uuid)> = Vec::new();
    for step in &newest.chain.steps {
        if let ChainEvidence::Result { tests_of: Some(kind) } = step.evidence {
            let routine_id = wanted_tests::find_routine_of(&mut *db, group_id, opening.subject_id, kind, now).await?;
            tested_by.extend(routine_id.map(|routine_id| (kind, routine_id)));
        }
    }
    let counted = match (&opening.counted, opening.routine_id) {
        (Some(counted), _) => counted.clone(),
        (None, Some(routine_id)) if newest.chain.steps.iter().any(|step| !step.if_counted.is_empty()) => {
            let routine = routines::find_newest(&mut *db, group_id, routine_id).await?;
            routine.map(|newest| newest.routine.water_counts()).unwrap_or_default()
        }
        _ => Vec::new(),
    };
    let has_make_safe_task = match (opening.cause, opening.cause_id) {
        (ActionCause::MissedTask, Some(task_id)) => {
            make_safe::insert(&mut *db, group_id, (action_id, task_id), now).await?
        }
        _ => false,
    };
    let routine_of = |kind| tested_by.iter().find(|(of, _)| *of == kind).map(|(_, routine_id)| *routine_id);
    let action = CorrectiveAction {
        action_id,
        clinic_id: opening.clinic_id,
        subject_id: opening.subject_id,
        kind: opening.kind,
        chain_version: newest.version,
        chain: newest.chain.for_opening(&Occasion {
            opened: &count,
            routine_of: &routine_of,
            counted: &counted,
            has_make_safe_task,
        }),
        cause: opening.cause,
        cause_id: opening.cause_id,
        routine_id: opening.routine_id,
        line: opening.line.clone(),
        reason: opening.reason.chars().take(LONGEST_REASON).collect(),
        opened_at: now,
        opened_by: opening.opened_by.clone(),
        staff_id: opening.staff_id,
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
        "reason": action.reason, "by_key_id": action.key_id, "by_staff_id": action.staff_id,
    });
    let clinic = Some(action.clinic_id);
    events::append(&mut *db, group_id, EventKind::CorrectiveActionOpened, clinic, &event, now).await?;
    if action.chain.quarantines {
        put_out_of_use(&mut *db, group_id, &action, now).await?;
    }
    if action.chain.holds_loads {
        held_loads::hold_since_last_pass(&mut *db, group_id, &action, None, now).await?;
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
        staff_id: action.staff_id,
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
        "by_staff_id": quarantine.staff_id,
    });
    let clinic = Some(quarantine.clinic_id);
    events::append(db, group_id, EventKind::QuarantineBegun, clinic, &event, now).await
}

/// Makes the worklist of an open action anew, and puts the test or the work that its next step asks for on the list of what
/// is due.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
async fn go_on(db: &mut PgConnection, group_id: Uuid, action: &CorrectiveAction, now: DateTime<Utc>) -> Result<()> {
    let records = corrective_actions::list_steps(&mut *db, group_id, &[action.action_id]).await?;
    let records: Vec<_> = records.into_iter().map(|(_, record)| record).collect();
    let progress = Progress::new(&action.chain, action.opened_at, &records);
    worklist::save(&mut *db, group_id, action, &progress, now).await?;
    if let Some(next) = progress.next()
        && let ChainEvidence::Work { shows } = &next.evidence
    {
        work_records::want(&mut *db, group_id, action, (&progress, next, shows), now).await?;
    }
    let Some(step) = progress.next_test() else { return Ok(()) };
    let Some(routine_id) = step.evidence.names_routine().or(action.routine_id) else { return Ok(()) };
    let since = progress.tests_count_from(step);
    let Some(made) = step_tests::load(&mut *db, group_id, action, &progress, step).await? else { return Ok(()) };
    let place = (routine_id, action.subject_id);
    let (counted, next_from) = match step.evidence {
        ChainEvidence::TestsPassed { .. } => {
            let row = made.in_a_row(&step.evidence, since);
            (row.passed as usize, row.next_from)
        }
        _ => (usize::from(made.first_that_counts(&step.evidence).0.is_some()), None),
    };
    let window = progress.times_of_next_test(step, next_from);
    let awaited = step_tests::count_awaited(&mut *db, group_id, place, window.may_start_at).await?;
    if step.evidence.is_served_by(counted, awaited) {
        return Ok(());
    }
    if step.evidence.apart() > TimeDelta::zero() {
        let of = (action.action_id, action.clinic_id);
        match wanted_tests::find_waiting(&mut *db, group_id, action.action_id, action.clinic_id, now).await? {
            Some(due_from) if due_from >= window.may_start_at => return Ok(()),
            Some(_) => wanted_tests::withdraw(&mut *db, group_id, of, Withdrawn::CountsLater, now).await?,
            None => {}
        }
    }
    let number = made.tests.len() + awaited;
    let Some(model) = wanted_tests::find_model(&mut *db, group_id, (routine_id, action.subject_id)).await? else {
        return Ok(());
    };
    let wanted = Wanted { asked_by: action.action_id, step_key: &step.key, number };
    let fact = Fact::WantedTest { action_id: action.action_id, instruction: step.instruction.clone() };
    wanted_tests::insert(db, group_id, &model, (wanted, fact), window, now).await?;
    Ok(())
}

/// Goes on after a step was recorded: what it asked for, and nobody has begun, is asked for no more.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn go_on_after(
    db: &mut PgConnection,
    group_id: Uuid,
    action: &CorrectiveAction,
    step: &ChainStep,
    now: DateTime<Utc>,
) -> Result<()> {
    let why = match step.evidence {
        ChainEvidence::Work { .. } => Some(Withdrawn::WorkRecorded),
        ChainEvidence::TestResult { .. } | ChainEvidence::TestsPassed { .. } => Some(Withdrawn::TestRecorded),
        _ => None,
    };
    if let Some(why) = why {
        wanted_tests::withdraw(&mut *db, group_id, (action.action_id, action.clinic_id), why, now).await?;
    }
    go_on(db, group_id, action, now).await
}

/// Opens what a cycle's record that falls short asks for, once while that is open: its load and the machine are put out of
/// use as after a completion that falls short.
///
/// # Errors
/// When the database does not answer, holds a row the model does not know, or `now` is sealed at the clinic.
pub async fn follow_cycle(
    db: &mut PgConnection,
    group_id: Uuid,
    record: &CycleRecord,
    now: DateTime<Utc>,
) -> Result<()> {
    corrective_actions::lock_subject(&mut *db, group_id, (record.clinic_id, record.subject_id), now).await?;
    for opened in corrective_actions::list_of_causes(&mut *db, group_id, &[record.cycle_id]).await? {
        if corrective_actions::find_close(&mut *db, group_id, opened.action_id).await?.is_none() {
            return Ok(());
        }
    }
    let kind = ChainKind::FailedLoad;
    let load = record.load.load_reference.as_ref().map_or_else(String::new, |load| format!("load {load}: "));
    let opening = Opening {
        kind,
        action_id: Some(derive_cycle_action_id(kind, record.cycle_id, record.number)),
        clinic_id: record.clinic_id,
        subject_id: record.subject_id,
        line: None,
        cause: ActionCause::Cycle,
        cause_id: Some(record.cycle_id),
        routine_id: None,
        reason: format!("{load}{}", record.judged.finding),
        counted: None,
        opened_by: String::new(),
        staff_id: None,
        key_id: Some(record.key_id),
    };
    let (_, action) = open_for(&mut *db, group_id, &opening, now).await?;
    held_loads::hold_of_cycle(db, group_id, &action, record, now).await
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
    worklist::remove(&mut *db, group_id, action.action_id).await?;
    let of = (action.action_id, action.clinic_id);
    wanted_tests::withdraw(&mut *db, group_id, of, Withdrawn::ActionClosed, now).await?;
    let event = json!({
        "action_id": action.action_id, "close_id": closing.close_id, "kind": action.kind.as_str(),
        "grounds": closing.grounds.as_str(), "by_staff_id": closing.staff_id, "by_key_id": closing.key_id,
    });
    let clinic = Some(action.clinic_id);
    events::append(db, group_id, EventKind::CorrectiveActionClosed, clinic, &event, now).await?;
    Ok(true)
}

/// What stands before a release of what was put out of use for a cause, each as a sentence: the steps of the actions it
/// belongs to, as far as those are open, and of a load that goes back to no use as it was, what became of it. Whoever says
/// what became of a load waits for nothing.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn list_missing_for_release(
    db: &mut PgConnection,
    group_id: Uuid,
    quarantine: &Quarantine,
) -> Result<Vec<String>> {
    let mut missing: Vec<String> =
        implant_loads::find_missing(&mut *db, group_id, quarantine).await?.into_iter().collect();
    for action in list_behind(&mut *db, group_id, quarantine).await? {
        let closing = corrective_actions::find_close(&mut *db, group_id, action.action_id).await?;
        let was_right = closing.as_ref().is_some_and(|closing| closing.grounds == Grounds::CauseCorrected);
        if quarantine.is_of_load() && action.chain.ends_loads() && !was_right {
            missing.push("record missing: what became of the load; as it was, it goes back to no use".to_owned());
        }
        if closing.is_some() {
            continue;
        }
        let records = corrective_actions::list_steps(&mut *db, group_id, &[action.action_id]).await?;
        let records: Vec<_> = records.into_iter().map(|(_, record)| record).collect();
        let progress = Progress::new(&action.chain, action.opened_at, &records);
        missing.extend(list_missing(&mut *db, group_id, &action, &progress).await?);
    }
    Ok(missing)
}

/// Who recorded the corrections that a release of a quarantine rests on: those of actions that were closed for them.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn list_correctors_behind(
    db: &mut PgConnection,
    group_id: Uuid,
    quarantine: &Quarantine,
) -> Result<Vec<Hand>> {
    let mut correctors = Vec::new();
    for action in list_behind(&mut *db, group_id, quarantine).await? {
        let closing = corrective_actions::find_close(&mut *db, group_id, action.action_id).await?;
        if closing.is_some_and(|closing| closing.grounds == Grounds::CauseCorrected) {
            correctors.extend(hands::list_correctors(&mut *db, group_id, &action).await?);
        }
    }
    Ok(correctors)
}

/// The actions that a quarantine belongs to.
async fn list_behind(db: &mut PgConnection, group_id: Uuid, quarantine: &Quarantine) -> Result<Vec<CorrectiveAction>> {
    let Some(cause_id) = quarantine.cause_id else { return Ok(Vec::new()) };
    let behind = match quarantine.cause {
        CauseKind::CorrectiveAction => corrective_actions::list(db, group_id, &[cause_id]).await?,
        _ => corrective_actions::list_of_causes(db, group_id, &[cause_id]).await?,
    };
    Ok(behind.into_iter().filter(|action| action.clinic_id == quarantine.clinic_id).collect())
}

/// What must be recorded before anything of an open action is released, each as a sentence.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn list_missing(
    db: &mut PgConnection,
    group_id: Uuid,
    action: &CorrectiveAction,
    progress: &Progress<'_>,
) -> Result<Vec<String>> {
    let mut missing = progress.missing_for_release();
    if progress.next_test().is_some_and(|step| step.gates_release) {
        missing.extend(list_undecided(db, group_id, action, progress).await?);
    }
    Ok(missing)
}

/// Why tests that passed decide nothing about the step of an open action that waits for one, each as a sentence: the last
/// few of them.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn list_undecided(
    db: &mut PgConnection,
    group_id: Uuid,
    action: &CorrectiveAction,
    progress: &Progress<'_>,
) -> Result<Vec<String>> {
    let Some(step) = progress.next_test() else { return Ok(Vec::new()) };
    let Some(made) = step_tests::load(db, group_id, action, progress, step).await? else { return Ok(Vec::new()) };
    let left_out = match step.evidence {
        ChainEvidence::TestsPassed { .. } => made.in_a_row(&step.evidence, progress.tests_count_from(step)).left_out,
        _ => made.first_that_counts(&step.evidence).1,
    };
    Ok(left_out.into_iter().rev().take(MOST_UNDECIDED).collect())
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
        ActionCause::Cycle => match action.cause_id {
            Some(cycle_id) => {
                let record = cycles::records::find(db, group_id, cycle_id).await?;
                Ok(record.is_some_and(|record| record.judged.verdict != Some(CycleVerdict::Failed)))
            }
            None => Ok(false),
        },
        ActionCause::Lot | ActionCause::Person | ActionCause::WaterAdvisory => Ok(false),
    }
}
