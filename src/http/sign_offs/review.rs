//! What a lead is shown of a clinic day before signing it.
//!
//! The rule of this file: it shows records and judges none; every gap has a name by which it is explained.

mod documents;

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, Days, NaiveDate, Utc};
use data_encoding::HEXLOWER;
use serde_json::json;
use sqlx::PgConnection;
use uuid::Uuid;

pub use self::documents::{
    DayAction, DayEntryDocument, DayGap, DayQuarantine, DayReview, DayState, ExplainedBy, GapExplanation, TaskCounts,
};
use self::documents::{DayNoticeDocument, DaySeating, NamedGap};
use super::documents::{Explained, SeenExplanation, SignOffDocument};
use crate::domain::daybook::DayBook;
use crate::domain::evidence::Verdict;
use crate::domain::hours::Hours;
use crate::domain::sign_off::{DayNotice, GapKind, Said, Shown, digest, gap_name, over_at};
use crate::domain::staff::StaffRole;
use crate::domain::task::State;
use crate::http::caller::Caller;
use crate::http::completions::entries_to_review::steps::StepToReview;
use crate::http::problem::{ApiError, ApiResult};
use crate::http::staff::signature::Signer;
use crate::http::staff::signing::LEADS;
use crate::store::completions::flagged::{self, FlaggedFilter};
use crate::store::corrective_actions::quarantines;
use crate::store::corrective_actions::worklist::{self, ActionFilter};
use crate::store::desk::{self, presence};
use crate::store::sign_offs::days_to_sign::{self, AskedDay};
use crate::store::sign_offs::{self, DayEntry, DayTask, SignOff, UnreadySeating};
use crate::store::{clinics, staff};

/// Most open actions and standing quarantines that are shown with a day.
const MOST_STANDING: i64 = 200;

/// Most seatings that are shown with a day: each must be explained, so no ordinary day has more.
const MOST_SEATINGS: i64 = 2_000;

/// A review with what the store keeps of it.
pub(super) struct Reviewed {
    pub(super) review: DayReview,
    pub(super) digest: [u8; 32],
    pub(super) entry_ids: Vec<Uuid>,
    pub(super) signed_before: i32,
    /// When the first of what is still open will be missed.
    pub(super) next_miss_at: Option<DateTime<Utc>>,
}

/// What there is to look at.
///
/// # Errors
/// 404 when there is no such clinic.
pub(super) async fn of(
    db: &mut PgConnection,
    caller: &Caller,
    clinic_id: Uuid,
    clinic_day: NaiveDate,
) -> ApiResult<Reviewed> {
    let (group_id, now, place) = (caller.group_id, caller.now, (clinic_id, clinic_day));
    let hours = clinics::hours(&mut *db, group_id, clinic_id).await?.ok_or_else(|| ApiError::not_found("clinic"))?;
    let signed = sign_offs::list(&mut *db, group_id, place).await?;
    let entries = sign_offs::list_entries(&mut *db, group_id, place).await?;
    let tasks = sign_offs::list_tasks(&mut *db, group_id, place, now).await?;
    let asked = days_to_sign::find(&mut *db, group_id, clinic_id, clinic_day, now).await?;
    let over_at = match &asked {
        Some(day) => day.due_by,
        None => over_by_hours(&mut *db, caller, clinic_id, &hours, clinic_day).await?,
    };
    let explained = Explained::of(&signed);
    let gaps: Vec<DayGap> = tasks.iter().filter_map(|task| gap(task, &explained)).collect();
    let entry_ids: Vec<Uuid> = entries.iter().map(|entry| entry.completion_id).collect();
    let flags: Vec<(Uuid, &str)> =
        entries.iter().flat_map(|entry| entry.flags.iter().map(|flag| (entry.completion_id, flag.as_str()))).collect();
    let open_actions = open_actions(&mut *db, caller, clinic_id).await?;
    let quarantines = standing(&mut *db, caller, clinic_id).await?;
    let actions: Vec<(Uuid, &str)> =
        open_actions.iter().map(|action| (action.action_id, action.step.as_deref().unwrap_or_default())).collect();
    let notices = notices(&mut *db, caller, clinic_id, clinic_day, &entries).await?;
    let out_of_use: Vec<Uuid> = quarantines.iter().map(|quarantine| quarantine.quarantine_id).collect();
    let seatings = sign_offs::list_unready_seatings(&mut *db, group_id, place, MOST_SEATINGS).await?;
    let seatings: Vec<DaySeating> = seatings.into_iter().map(|seating| seating_gap(seating, &explained)).collect();
    let to_explain: Vec<NamedGap<'_>> = documents::named(&gaps, &seatings).collect();
    let names: Vec<String> = to_explain.iter().map(|gap| gap.name.to_owned()).collect();
    let said: Vec<Said<'_>> = to_explain.iter().filter_map(NamedGap::said).collect();
    let steps = steps_to_review(&mut *db, caller, (clinic_id, clinic_day), &hours).await?;
    let step_ids: Vec<Uuid> = steps.iter().map(|step| step.record_id).collect();
    let digest = digest(&Shown {
        clinic_id,
        clinic_day,
        signed_before: signed.len(),
        gaps: &names,
        said: &said,
        entries: &entry_ids,
        flags: &flags,
        steps: &step_ids,
        actions: &actions,
        quarantines: &out_of_use,
        notices: &notices,
    });
    let after = after_signing(&signed, &entries);
    let state = match (signed.is_empty(), after.is_empty()) {
        (true, _) if now < over_at => DayState::NotOver,
        (true, _) => DayState::Unsigned,
        (false, _) if to_explain.iter().any(|gap| gap.explanation.is_none()) => DayState::SignedWithLaterGaps,
        (false, true) => DayState::Signed,
        (false, false) => DayState::SignedWithLaterEntries,
    };
    let is_open = |task: &&DayTask| matches!(task.state, State::Upcoming | State::Due | State::Grace | State::Overdue);
    let next_miss_at = tasks.iter().filter(is_open).map(|task| task.missed_at).min();
    let documents = |which: &dyn Fn(&&DayEntry) -> bool| entries.iter().filter(which).map(Into::into).collect();
    let review = DayReview {
        clinic_id,
        clinic_day,
        as_of: now,
        state,
        asked: asked.is_some(),
        over_at,
        overdue_at: asked.as_ref().map(|day: &AskedDay| day.overdue_at),
        level: asked.as_ref().map_or(0, |day| day.level),
        task_counts: TaskCounts::of(&tasks),
        gaps,
        notices: notices.into_iter().map(DayNoticeDocument::from).collect(),
        entries: entries.len(),
        entries_to_review: documents(&|entry| !entry.flags.is_empty()),
        steps_to_review: steps,
        unready_seatings: seatings,
        corrections: documents(&|entry| entry.corrects.is_some()),
        entries_after_signing: after,
        open_actions,
        quarantines,
        sign_offs: signed.iter().map(SignOffDocument::from).collect(),
        may_sign: may_sign(&mut *db, caller, clinic_id, &hours).await?,
        review_digest: HEXLOWER.encode(&digest),
    };
    let signed_before = signed.last().map_or(0, |last| last.number);
    Ok(Reviewed { review, digest, entry_ids, signed_before, next_miss_at })
}

/// The flagged steps of corrective actions that were worked on a clinic day, whenever they reached us.
async fn steps_to_review(
    db: &mut PgConnection,
    caller: &Caller,
    (clinic_id, clinic_day): (Uuid, NaiveDate),
    hours: &Hours,
) -> ApiResult<Vec<StepToReview>> {
    let begins_at = hours.clinic_day_ends_at(clinic_day - Days::new(1));
    let filter = FlaggedFilter {
        clinic_ids: Some(vec![clinic_id]),
        worked: Some((begins_at, hours.clinic_day_ends_at(clinic_day))),
        ..FlaggedFilter::default()
    };
    let steps = flagged::list_steps(db, caller.group_id, &filter, None, MOST_STANDING).await?;
    Ok(steps.into_iter().map(StepToReview::from).collect())
}

/// Without a list of who was on site no entry can be told to be somebody's who was not: that is said once, where anybody
/// worked at all.
async fn notices(
    db: &mut PgConnection,
    caller: &Caller,
    clinic_id: Uuid,
    clinic_day: NaiveDate,
    entries: &[DayEntry],
) -> ApiResult<Vec<DayNotice>> {
    let is_work = |entry: &DayEntry| entry.verdict != Verdict::NotRequired.as_str();
    if !entries.iter().any(is_work) || presence::find(db, caller.group_id, clinic_id, clinic_day).await?.is_some() {
        return Ok(Vec::new());
    }
    Ok(vec![DayNotice::PresenceNotRecorded])
}

/// When a day that does not ask is over: its last session, else the clinic day itself.
async fn over_by_hours(
    db: &mut PgConnection,
    caller: &Caller,
    clinic_id: Uuid,
    hours: &Hours,
    clinic_day: NaiveDate,
) -> ApiResult<DateTime<Utc>> {
    let posted = desk::list_posted(db, caller.group_id, clinic_id, (clinic_day, clinic_day)).await?;
    let posted = posted.get(&clinic_day).copied().unwrap_or_default();
    let over = over_at(&DayBook::new(hours), posted, clinic_day);
    Ok(over.unwrap_or_else(|| hours.clinic_day_ends_at(clinic_day)))
}

fn gap(task: &DayTask, explained: &Explained) -> Option<DayGap> {
    let kind = GapKind::of(task.state, task.failed, task.entered_late.is_some())?;
    let gap = gap_name(kind, task.task_id);
    let by_record = |(words, person): (String, String)| {
        let given_by = if person.is_empty() { ExplainedBy::Plan } else { ExplainedBy::Record };
        GapExplanation { words, given_by, person }
    };
    let recorded = match kind {
        GapKind::Missed => task.miss_reason.clone(),
        GapKind::EnteredLate => {
            task.entered_late.clone().filter(|(words, _)| !words.trim().is_empty()).or_else(|| task.miss_reason.clone())
        }
        GapKind::NotRequired | GapKind::Void if !task.outcome_reason.is_empty() => {
            Some((task.outcome_reason.clone(), task.outcome_by.clone().unwrap_or_default()))
        }
        _ => None,
    };
    let explanation = explained.get(&gap).or_else(|| recorded.map(by_record));
    Some(DayGap {
        kind,
        task_id: task.task_id,
        subject_id: task.subject_id,
        subject_name: task.subject_name.clone(),
        routine_id: task.routine_id,
        routine_name: task.routine_name.clone(),
        due_by: task.due_by,
        blocking: task.blocking,
        explanation,
        gap,
    })
}

fn seating_gap(seating: UnreadySeating, explained: &Explained) -> DaySeating {
    let gap = gap_name(GapKind::SeatedUnready, seating.mark_id);
    let explanation = explained.get(&gap);
    DaySeating::new(seating, gap, explanation)
}

/// What no signer was shown. A completion may be recorded a moment before a signature and kept a moment after it, so its
/// instant does not tell.
fn after_signing(signed: &[SignOff], entries: &[DayEntry]) -> Vec<DayEntryDocument> {
    let Some(last) = signed.last() else { return Vec::new() };
    let seen: BTreeSet<Uuid> = last.entry_ids.iter().copied().collect();
    entries.iter().filter(|entry| !seen.contains(&entry.completion_id)).map(Into::into).collect()
}

async fn open_actions(db: &mut PgConnection, caller: &Caller, clinic_id: Uuid) -> ApiResult<Vec<DayAction>> {
    let filter = ActionFilter { clinic_id: Some(clinic_id), ..ActionFilter::default() };
    let open =
        worklist::list_open(db, caller.group_id, &caller.reach, &filter, caller.now, None, MOST_STANDING).await?;
    let document = |action: worklist::ListedAction| DayAction {
        action_id: action.action_id,
        name: action.name,
        subject_name: action.subject_name,
        reason: action.reason,
        opened_at: action.opened_at,
        step: action.waits_for.and_then(|waits| waits.step_key),
    };
    Ok(open.into_iter().map(document).collect())
}

async fn standing(db: &mut PgConnection, caller: &Caller, clinic_id: Uuid) -> ApiResult<Vec<DayQuarantine>> {
    let found = quarantines::list_of_clinic(db, caller.group_id, clinic_id, true, None, MOST_STANDING).await?;
    let document = |q: crate::domain::quarantine::Quarantine| DayQuarantine {
        quarantine_id: q.quarantine_id,
        subject_id: q.subject_id,
        line: q.line,
        reason: q.reason,
        begun_at: q.begun_at,
    };
    Ok(found.into_iter().map(document).collect())
}

async fn may_sign(db: &mut PgConnection, caller: &Caller, clinic_id: Uuid, hours: &Hours) -> ApiResult<Vec<Signer>> {
    let today = hours.clinic_day_of(caller.now);
    let people = staff::list(db, caller.group_id).await?;
    let may = |role: StaffRole| LEADS.contains(&role);
    Ok(people
        .into_iter()
        .filter(|person| may(person.role) && person.works_at(clinic_id) && person.is_active_on(today))
        .map(Signer::from)
        .collect())
}

/// What leads said as they signed, by the names of gaps; the last words count.
impl Explained {
    fn of(signed: &[SignOff]) -> Self {
        let mut words = BTreeMap::new();
        for sign_off in signed {
            for explanation in super::documents::explanations_of(sign_off) {
                let said = GapExplanation {
                    words: explanation.words,
                    given_by: ExplainedBy::SignOff,
                    person: sign_off.signed_by.clone(),
                };
                words.insert(explanation.gap, said);
            }
        }
        Self(words)
    }

    fn get(&self, gap: &str) -> Option<GapExplanation> {
        self.0.get(gap).cloned()
    }
}

/// What is kept of the explanations that a signature brings: each with its kind and task, for who reads with SQL.
pub(super) fn kept(review: &DayReview, given: &[super::documents::GapExplanationInput]) -> serde_json::Value {
    let gaps: BTreeMap<&str, NamedGap<'_>> = review.named_gaps().map(|gap| (gap.name, gap)).collect();
    let kept = given.iter().filter_map(|e| {
        let gap = gaps.get(e.gap.as_str())?;
        Some(json!({ "gap": e.gap, "kind": gap.kind, "task_id": gap.task_id, "words": e.words }))
    });
    kept.collect()
}

/// What the signer saw that was said about gaps already.
pub(super) fn words_seen(review: &DayReview) -> serde_json::Value {
    let seen = review.named_gaps().filter_map(|gap| {
        let explanation = gap.explanation?;
        Some(SeenExplanation {
            gap: gap.name.to_owned(),
            words: explanation.words.clone(),
            given_by: explanation.given_by,
            person: explanation.person.clone(),
        })
    });
    json!(seen.collect::<Vec<_>>())
}
