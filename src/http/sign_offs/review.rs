//! What a lead is shown of a clinic day before signing it.
//!
//! The rule of this file: it shows records and judges none; every gap has a name by which it is explained.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, NaiveDate, Utc};
use data_encoding::HEXLOWER;
use serde::{Deserialize, Serialize};
use serde_json::json;
use sqlx::PgConnection;
use utoipa::ToSchema;
use uuid::Uuid;

use super::documents::{Explained, SeenExplanation, SignOffDocument};
use crate::domain::daybook::DayBook;
use crate::domain::evidence::Verdict;
use crate::domain::hours::Hours;
use crate::domain::sign_off::{DayNotice, GapKind, Said, Shown, digest, gap_name, over_at};
use crate::domain::staff::StaffRole;
use crate::domain::task::State;
use crate::http::caller::Caller;
use crate::http::completions::FlagNote;
use crate::http::problem::{ApiError, ApiResult};
use crate::http::staff::signature::Signer;
use crate::http::staff::signing::LEADS;
use crate::store::corrective_actions::quarantines;
use crate::store::corrective_actions::worklist::{self, ActionFilter};
use crate::store::desk::{self, presence};
use crate::store::sign_offs::days_to_sign::{self, AskedDay};
use crate::store::sign_offs::{self, DayEntry, DayTask, SignOff};
use crate::store::{clinics, staff};

/// Most open actions and standing quarantines that are shown with a day.
const MOST_STANDING: i64 = 200;

/// How a clinic day stands with its signature.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum DayState {
    /// Its last session is not over.
    NotOver,
    /// It is over, and nobody signed it.
    Unsigned,
    /// It is signed, and every gap of its record is explained.
    Signed,
    /// It is signed, and something was recorded about it since: see `entries_after_signing`.
    SignedWithLaterEntries,
    /// It was signed, and its record has gaps since that nobody explained: those of `gaps` without an explanation. A
    /// further signature explains them.
    SignedWithLaterGaps,
}

/// How many tasks of a day are in which state.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct TaskCounts {
    /// Recorded.
    pub done: u32,
    /// The window passed without a record.
    pub missed: u32,
    /// Grace is over, and there is still time.
    pub overdue: u32,
    /// Due, and grace runs.
    pub grace: u32,
    /// It may be done.
    pub due: u32,
    /// Its window has not opened.
    pub upcoming: u32,
    /// Sampled; the result is awaited.
    pub result_pending: u32,
    /// The test was invalid.
    pub void: u32,
    /// Not required, with a reason.
    pub not_required: u32,
}

impl TaskCounts {
    fn of(tasks: &[DayTask]) -> Self {
        let count = |state| u32::try_from(tasks.iter().filter(|task| task.state == state).count()).unwrap_or(u32::MAX);
        Self {
            done: count(State::Done),
            missed: count(State::Missed),
            overdue: count(State::Overdue),
            grace: count(State::Grace),
            due: count(State::Due),
            upcoming: count(State::Upcoming),
            result_pending: count(State::ResultPending),
            void: count(State::Void),
            not_required: count(State::NotRequired),
        }
    }
}

/// Where the words about a gap come from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum ExplainedBy {
    /// The plan: closed, or out of service.
    Plan,
    /// The person who recorded it as not required or void, or told why it was missed.
    Record,
    /// A lead, as the day was signed.
    SignOff,
}

/// What was said about a gap.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct GapExplanation {
    /// The words.
    pub words: String,
    /// Where they come from.
    pub given_by: ExplainedBy,
    /// The person; empty: the plan.
    pub person: String,
}

/// One gap of a day's record.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct DayGap {
    /// Its name, to explain it by: the same as long as it is the same gap.
    #[schema(example = "missed:0000512e-9d0a-8c57-9a53-7f1e2a90c004")]
    pub gap: String,
    /// What is lacking.
    pub kind: GapKind,
    /// The task.
    pub task_id: Uuid,
    /// What it is about.
    pub subject_id: Uuid,
    /// What people call that.
    pub subject_name: String,
    /// Its routine.
    pub routine_id: Uuid,
    /// The routine's name in the task's version.
    pub routine_name: String,
    /// When it was due.
    pub due_by: DateTime<Utc>,
    /// It can stand in the way of using its subject.
    pub blocking: bool,
    /// What was said about it already; null: a signature must explain it.
    #[schema(required)]
    pub explanation: Option<GapExplanation>,
}

/// A completion of the day.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct DayEntryDocument {
    /// Which.
    pub completion_id: Uuid,
    /// Its task.
    pub task_id: Uuid,
    /// The person, as sent.
    pub performed_by: String,
    /// When the work was done, as the person says.
    pub performed_at: DateTime<Utc>,
    /// When it reached the service.
    pub recorded_at: DateTime<Utc>,
    /// The verdict.
    pub verdict: String,
    /// The completion it corrects; null: none.
    #[schema(required)]
    pub corrects: Option<Uuid>,
    /// The reason of a correction, a not-required or a void; may be empty.
    pub reason: String,
    /// What to look at.
    pub flags: Vec<FlagNote>,
}

impl From<&DayEntry> for DayEntryDocument {
    fn from(entry: &DayEntry) -> Self {
        Self {
            completion_id: entry.completion_id,
            task_id: entry.task_id,
            performed_by: entry.performed_by.clone(),
            performed_at: entry.performed_at,
            recorded_at: entry.recorded_at,
            verdict: entry.verdict.clone(),
            corrects: entry.corrects,
            reason: entry.reason.clone(),
            flags: FlagNote::of(&entry.flags),
        }
    }
}

/// A corrective action that is open.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct DayAction {
    /// Which.
    pub action_id: Uuid,
    /// What people call its chain.
    pub name: String,
    /// What it is about.
    pub subject_name: String,
    /// What failed, in words.
    pub reason: String,
    /// When it was opened.
    pub opened_at: DateTime<Utc>,
    /// The step it waits for; null: a second person closes it.
    #[schema(required)]
    pub step: Option<String>,
}

/// A quarantine that stands.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct DayQuarantine {
    /// Which.
    pub quarantine_id: Uuid,
    /// What is in quarantine.
    pub subject_id: Uuid,
    /// The one line it concerns; null: the subject as a whole, or a load of it.
    #[schema(required)]
    pub line: Option<String>,
    /// Why.
    pub reason: String,
    /// Since when.
    pub begun_at: DateTime<Utc>,
}

/// What cannot be looked at of the day as a whole.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct DayNoticeDocument {
    /// Its stable name.
    pub notice: DayNotice,
    /// What it says.
    #[schema(example = "nobody said who was on site, so nothing tells of work by somebody who was not")]
    pub finding: String,
}

impl From<DayNotice> for DayNoticeDocument {
    fn from(notice: DayNotice) -> Self {
        Self { notice, finding: notice.words().to_owned() }
    }
}

/// A clinic day as its lead looks at it.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct DayReview {
    /// The clinic.
    pub clinic_id: Uuid,
    /// The day.
    pub clinic_day: NaiveDate,
    /// The instant the review is for.
    pub as_of: DateTime<Utc>,
    /// How it stands.
    pub state: DayState,
    /// Whether the day asks to be signed: closed days do not, nor those before the clinic's setting.
    pub asked: bool,
    /// When its last session is over; it cannot be signed before.
    pub over_at: DateTime<Utc>,
    /// When it is overdue; null: it does not ask.
    #[schema(required)]
    pub overdue_at: Option<DateTime<Utc>>,
    /// Rungs of the ladder reached; 0: none, or signed.
    #[schema(minimum = 0, maximum = 9)]
    pub level: i32,
    /// How many tasks are in which state.
    pub task_counts: TaskCounts,
    /// What its record lacks, by when it was due.
    pub gaps: Vec<DayGap>,
    /// What cannot be looked at of the day as a whole, said once; it takes no explanation.
    pub notices: Vec<DayNoticeDocument>,
    /// How many completions it has.
    #[schema(minimum = 0)]
    pub entries: usize,
    /// Completions with a flag, in the order in which they were recorded.
    pub entries_to_review: Vec<DayEntryDocument>,
    /// Completions that correct others, in that order.
    pub corrections: Vec<DayEntryDocument>,
    /// Completions that reached the service after the last signature.
    pub entries_after_signing: Vec<DayEntryDocument>,
    /// Corrective actions of the clinic that are open now, at most 200.
    pub open_actions: Vec<DayAction>,
    /// Quarantines that stand at the clinic now, at most 200.
    pub quarantines: Vec<DayQuarantine>,
    /// The signatures, the first first.
    pub sign_offs: Vec<SignOffDocument>,
    /// Who may sign.
    pub may_sign: Vec<Signer>,
    /// What a signature must send back, so that it is under what its signer was shown.
    #[schema(pattern = "^[0-9a-f]{64}$")]
    pub review_digest: String,
}

impl ExplainedBy {
    fn as_str(self) -> &'static str {
        match self {
            Self::Plan => "plan",
            Self::Record => "record",
            Self::SignOff => "sign_off",
        }
    }
}

impl DayGap {
    fn said(&self) -> Option<Said<'_>> {
        let GapExplanation { words, given_by, person } = self.explanation.as_ref()?;
        Some(Said { gap: &self.gap, words, given_by: given_by.as_str(), person })
    }
}

impl DayReview {
    /// The gaps that nobody said anything about yet.
    pub(super) fn unexplained(&self) -> impl Iterator<Item = &DayGap> {
        self.gaps.iter().filter(|gap| gap.explanation.is_none())
    }
}

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
    let open_actions = open_actions(&mut *db, caller, clinic_id).await?;
    let quarantines = standing(&mut *db, caller, clinic_id).await?;
    let names: Vec<String> = gaps.iter().map(|gap| gap.gap.clone()).collect();
    let said: Vec<Said<'_>> = gaps.iter().filter_map(DayGap::said).collect();
    let actions: Vec<(Uuid, &str)> =
        open_actions.iter().map(|action| (action.action_id, action.step.as_deref().unwrap_or_default())).collect();
    let notices = notices(&mut *db, caller, clinic_id, clinic_day, &entries).await?;
    let out_of_use: Vec<Uuid> = quarantines.iter().map(|quarantine| quarantine.quarantine_id).collect();
    let digest = digest(&Shown {
        clinic_id,
        clinic_day,
        signed_before: signed.len(),
        gaps: &names,
        said: &said,
        entries: &entry_ids,
        actions: &actions,
        quarantines: &out_of_use,
        notices: &notices,
    });
    let after = after_signing(&signed, &entries);
    let state = match (signed.is_empty(), after.is_empty()) {
        (true, _) if now < over_at => DayState::NotOver,
        (true, _) => DayState::Unsigned,
        (false, _) if gaps.iter().any(|gap| gap.explanation.is_none()) => DayState::SignedWithLaterGaps,
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
    let kind = GapKind::of(task.state, task.failed)?;
    let gap = gap_name(kind, task.task_id);
    let by_record = |(words, person): (String, String)| {
        let given_by = if person.is_empty() { ExplainedBy::Plan } else { ExplainedBy::Record };
        GapExplanation { words, given_by, person }
    };
    let recorded = match kind {
        GapKind::Missed => task.miss_reason.clone(),
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
    let gaps: BTreeMap<&str, &DayGap> = review.gaps.iter().map(|gap| (gap.gap.as_str(), gap)).collect();
    let kept = given.iter().filter_map(|e| {
        let gap = gaps.get(e.gap.as_str())?;
        Some(json!({ "gap": e.gap, "kind": gap.kind, "task_id": gap.task_id, "words": e.words }))
    });
    kept.collect()
}

/// What the signer saw that was said about gaps already.
pub(super) fn words_seen(review: &DayReview) -> serde_json::Value {
    let seen = review.gaps.iter().filter_map(|gap| {
        let explanation = gap.explanation.as_ref()?;
        Some(SeenExplanation {
            gap: gap.gap.clone(),
            words: explanation.words.clone(),
            given_by: explanation.given_by,
            person: explanation.person.clone(),
        })
    });
    json!(seen.collect::<Vec<_>>())
}
