//! What a completion does to corrective actions: it may open one, or concern some that stand.
//!
//! The rule of this file: what falls short is noted on what is open of its kind, and opens an action where none of those
//! answers for it. A product that should not have been used asks for a chain of its own, whatever its routine says.

use chrono::{DateTime, Utc};
use serde_json::json;
use sqlx::PgConnection;
use uuid::Uuid;

use super::{Opening, go_on, open_for};
use crate::domain::chain::ChainKind;
use crate::domain::chain::progress::Progress;
use crate::domain::corrective_action::{
    ActionCause, ActionNote, ActionNoteKind, CorrectiveAction, derive_note_id, derive_recall_action_id,
};
use crate::domain::event::EventKind;
use crate::domain::evidence::Verdict;
use crate::domain::lot::{LotMark, standing_recall, standing_recall_number};
use crate::domain::routine::Routine;
use crate::store::corrective_actions::{self, held_loads, quarantines};
use crate::store::tasks::Task;
use crate::store::{Result, completions, events};

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
    /// The loads that it names, by what is on their packs.
    pub load_labels: Vec<String>,
    /// Whether the task counts as done by it.
    pub done: bool,
    /// Whether it would end its task, and another completion counts.
    pub duplicate: bool,
    /// What it was worked with and should not have been.
    pub wrong_products: &'a [WrongProduct],
    /// The device.
    pub key_id: Uuid,
}

/// A product that work should not have been done with: wrong for it, expired, over its life or recalled.
#[derive(Clone, Debug)]
pub struct WrongProduct {
    /// What is wrong with it, in words.
    pub finding: String,
    /// The recall that stands, where its lot is recalled.
    pub recall: Option<LotRecall>,
}

/// A recall of a lot.
#[derive(Clone, Debug)]
pub struct LotRecall {
    /// The lot.
    pub lot_id: Uuid,
    /// Which one of the lot's: the place of its mark, from 1.
    pub number: usize,
    /// Why.
    pub reason: String,
    /// The person.
    pub marked_by: String,
    /// The same by identity, where they signed for it.
    pub staff_id: Option<Uuid>,
}

impl LotRecall {
    /// The recall of a lot that stands, of its marks in the order they came.
    #[must_use]
    pub fn standing(lot_id: Uuid, marks: &[LotMark]) -> Option<Self> {
        let (mark, number) = standing_recall(marks).zip(standing_recall_number(marks))?;
        Some(Self {
            lot_id,
            number,
            reason: mark.reason.clone(),
            marked_by: mark.marked_by.clone(),
            staff_id: mark.staff_id,
        })
    }
}

impl Followed<'_> {
    /// Which chains it asks for, with what fell short: the routine's own, and the one of a product that should not have been
    /// used, whatever the routine says.
    fn shortfalls(&self) -> Vec<(ChainKind, &str)> {
        let of_routine = self.routine.chain_on_fail();
        let own = of_routine.filter(|_| self.fell_short).map(|kind| (kind, self.finding.as_str()));
        let of_product = self.wrong_products.first().map(|wrong| (ChainKind::WrongOrExpiredProduct, &*wrong.finding));
        own.into_iter().chain(of_product.filter(|(kind, _)| Some(*kind) != of_routine)).collect()
    }
}

/// Opens what a completion that falls short asks for, and notes on standing actions what concerns them.
///
/// # Errors
/// When the database does not answer, holds a row the model does not know, or `now` is sealed at the clinic.
pub async fn follow(db: &mut PgConnection, group_id: Uuid, what: &Followed<'_>, now: DateTime<Utc>) -> Result<()> {
    let (task, routine) = (what.task, what.routine);
    let asks = routine.chain_on_fail().is_some() || routine.on_miss.is_some();
    if !asks && what.wrong_products.is_empty() && what.corrects.is_none() && !what.duplicate {
        return Ok(());
    }
    let place = (task.clinic_id, task.subject_id);
    corrective_actions::lock_subject(&mut *db, group_id, place, now).await?;
    if what.done && routine.on_miss.is_some() {
        let missed = corrective_actions::list_of_causes(&mut *db, group_id, &[task.id.as_uuid()]).await?;
        note_all(&mut *db, group_id, &missed, ActionNoteKind::RecordedLate, what.completion_id, now).await?;
    }
    let corrected = list_corrected(&mut *db, group_id, what).await?;
    let of_corrected = corrective_actions::list_of_causes(&mut *db, group_id, &corrected).await?;
    let lifted: Vec<_> =
        of_corrected.into_iter().filter(|a| !what.fell_short && a.kind.lifted_by().contains(&what.verdict)).collect();
    note_all(&mut *db, group_id, &lifted, ActionNoteKind::CauseCorrected, what.completion_id, now).await?;
    for recall in what.wrong_products.iter().filter_map(|wrong| wrong.recall.as_ref()) {
        open_for_recall(&mut *db, group_id, recall, place, what.key_id, now).await?;
    }
    let open = corrective_actions::list_open_of_subject(&mut *db, group_id, task.subject_id).await?;
    for (kind, finding) in what.shortfalls() {
        fall_short(&mut *db, group_id, what, &open, (kind, finding), now).await?;
    }
    if !what.fell_short && what.duplicate && what.corrects.is_none() {
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

/// Notes a failure on what is open of its kind, and opens an action where none of those answers for it.
async fn fall_short(
    db: &mut PgConnection,
    group_id: Uuid,
    what: &Followed<'_>,
    open: &[CorrectiveAction],
    (kind, finding): (ChainKind, &str),
    now: DateTime<Utc>,
) -> Result<()> {
    let of_kind: Vec<_> = open.iter().filter(|a| a.kind == kind).cloned().collect();
    let covered = is_covered(&mut *db, group_id, what, &of_kind).await?;
    note_all(&mut *db, group_id, &of_kind, ActionNoteKind::FurtherFailure, what.completion_id, now).await?;
    // What was run in the meantime is in doubt as well.
    for action in of_kind.iter().filter(|a| a.chain.holds_loads) {
        held_loads::hold_since_last_pass(&mut *db, group_id, action, None, now).await?;
    }
    if covered {
        if let (ChainKind::FailedLoad, Some(action)) = (kind, of_kind.first()) {
            held_loads::hold_labels(&mut *db, group_id, action, what, now).await?;
        }
        return Ok(());
    }
    let opening = Opening {
        kind,
        action_id: None,
        clinic_id: what.task.clinic_id,
        subject_id: what.task.subject_id,
        line: None,
        cause: ActionCause::Completion,
        cause_id: Some(what.completion_id),
        routine_id: Some(what.task.routine_id),
        reason: format!("{}: {finding}", what.routine.name),
        counted: Some(what.routine.water_counts()),
        opened_by: String::new(),
        staff_id: None,
        key_id: Some(what.key_id),
    };
    let (_, action) = open_for(&mut *db, group_id, &opening, now).await?;
    if kind == ChainKind::FailedLoad {
        held_loads::hold_labels(db, group_id, &action, what, now).await?;
    }
    Ok(())
}

/// Opens what a recall of a lot asks for about a subject that the lot was used on, unless one of that lot is open about it.
///
/// # Errors
/// When the database does not answer, holds a row the model does not know, or `now` is sealed at the clinic.
pub async fn open_for_recall(
    db: &mut PgConnection,
    group_id: Uuid,
    recall: &LotRecall,
    (clinic_id, subject_id): (Uuid, Uuid),
    key_id: Uuid,
    now: DateTime<Utc>,
) -> Result<()> {
    corrective_actions::lock_subject(&mut *db, group_id, (clinic_id, subject_id), now).await?;
    let open = corrective_actions::list_open_of_subject(&mut *db, group_id, subject_id).await?;
    if open.iter().any(|a| a.cause == ActionCause::Lot && a.cause_id == Some(recall.lot_id)) {
        return Ok(());
    }
    let opening = Opening {
        kind: ChainKind::WrongOrExpiredProduct,
        action_id: Some(derive_recall_action_id(recall.lot_id, recall.number, subject_id)),
        clinic_id,
        subject_id,
        line: None,
        cause: ActionCause::Lot,
        cause_id: Some(recall.lot_id),
        routine_id: None,
        reason: format!("a lot that was used here was recalled: {}", recall.reason),
        counted: None,
        opened_by: recall.marked_by.clone(),
        staff_id: recall.staff_id,
        key_id: Some(key_id),
    };
    open_for(db, group_id, &opening, now).await?;
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
        // Another routine counts something else, or elsewhere: its growth asks for steps and for a retest of its own.
        let is_of_routine = action.routine_id.is_none_or(|routine_id| routine_id == what.task.routine_id);
        if action.kind == ChainKind::WaterOverLimit && !is_of_routine {
            continue;
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
