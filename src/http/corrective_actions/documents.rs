//! The documents of a corrective action: as it is opened, and as it stands.

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use sqlx::PgConnection;
use utoipa::ToSchema;
use uuid::Uuid;

use crate::domain::access::Reach;
use crate::domain::chain::progress::{Asked, Progress, StepRecord, StepTimes};
use crate::domain::chain::{ChainEvidence, ChainKind, ChainStep, StepEnd, StepOwner, defaults};
use crate::domain::corrective_action::{
    ActionCause, ActionNote, ActionNoteKind, Closing, CorrectiveAction, Grounds, TestsInARow,
};
use crate::domain::ladder::Audience;
use crate::domain::limit::Source;
use crate::http::caller::Caller;
use crate::http::completions::FlagNote;
use crate::http::problem::ApiResult;
use crate::http::samples;
use crate::http::staff::signature::SignatureInput;
use crate::http::staff::telling::ToldBy;
use crate::store::corrective_actions::worklist::{self, ActionFilter, Awaited, ListedAction};
use crate::store::corrective_actions::{self, actions, quarantines, step_tests};

/// An action as a person opens it.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ActionInput {
    /// Which chain.
    pub kind: ChainKind,
    /// What failed: an operatory, a piece of equipment, or the clinic by its own id.
    pub subject_id: Uuid,
    /// One circuit or suction line of the operatory; left out: the subject as a whole.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(min_length = 1, max_length = 80)]
    pub line: Option<String>,
    /// The routine whose tests the steps ask for; needed where the chain asks for tests and names no routine.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub routine_id: Option<Uuid>,
    /// What failed, in words. No patient or health data.
    #[schema(min_length = 1, max_length = 400, example = "The separator's alarm stays on.")]
    pub reason: String,
    /// The person, by initials as in `/v1/staff`; left out where the person signs.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(min_length = 1, max_length = 40, example = "KV")]
    pub opened_by: Option<String>,
    /// The person, by a PIN of their own.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub signature: Option<SignatureInput>,
}

impl ActionInput {
    pub(super) fn telling(&self) -> ToldBy<'_> {
        ToldBy::new("/opened_by", self.opened_by.as_ref(), self.signature.as_ref())
    }
}

/// A corrective action.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct ActionDocument {
    /// Its identity.
    pub action_id: Uuid,
    /// Where the subject stood.
    pub clinic_id: Uuid,
    /// What failed.
    pub subject_id: Uuid,
    /// Which chain.
    pub kind: ChainKind,
    /// What people call the chain.
    pub name: String,
    /// Version of the group's chain; 0: the one that is shipped.
    pub chain_version: i32,
    /// What for.
    pub cause: ActionCause,
    /// The completion, lot, task or cycle; null: a person opened it.
    #[schema(required)]
    pub cause_id: Option<Uuid>,
    /// The routine whose tests its steps ask for.
    #[schema(required)]
    pub routine_id: Option<Uuid>,
    /// One line; null: the subject as a whole.
    #[schema(required)]
    pub line: Option<String>,
    /// What failed, in words.
    pub reason: String,
    /// When it was opened.
    pub opened_at: DateTime<Utc>,
    /// The person; empty: the service, for its cause.
    pub opened_by: String,
    /// The same by identity, where they signed for it; null: by initials only.
    #[schema(required)]
    pub staff_id: Option<Uuid>,
    /// What it waits for; null: it is closed.
    #[schema(required)]
    pub waits_for: Option<AwaitedDocument>,
    /// Its steps, in order.
    pub steps: Vec<ActionStepDocument>,
    /// What must be recorded before anything of it is released, each as a sentence.
    pub missing_for_release: Vec<String>,
    /// Whether what opened it was corrected, with nothing left of it: it can then be closed on that ground.
    pub cause_lifted: bool,
    /// What came in beside its steps, in that order.
    pub notes: Vec<ActionNoteDocument>,
    /// The quarantine it began; those of loads stand beside its cycles.
    pub quarantine_ids: Vec<Uuid>,
    /// Its closing; null: it is open.
    #[schema(required)]
    pub closing: Option<ClosingDocument>,
    /// What can hurt, and what no software decides.
    pub cautions: Vec<String>,
    /// On whose authority.
    pub sources: Vec<Source>,
}

/// What an open action waits for.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct AwaitedDocument {
    /// The step that comes next; null: all are recorded, and a second person closes it.
    #[schema(required)]
    pub step: Option<String>,
    /// Whose turn it is.
    pub owner: StepOwner,
    /// It may be done.
    pub may_start_at: DateTime<Utc>,
    /// It is due.
    pub due_by: DateTime<Utc>,
    /// Grace is over.
    pub overdue_at: DateTime<Utc>,
    /// Whether grace is over now.
    pub overdue: bool,
    /// Rungs of the group's ladder reached; 0: none yet.
    #[schema(minimum = 0, maximum = 9)]
    pub level: u8,
    /// Whom that tells; null at level 0.
    #[schema(required)]
    pub audience: Option<Audience>,
}

impl AwaitedDocument {
    fn of(awaited: Awaited, now: DateTime<Utc>) -> Self {
        let Awaited { step_key, owner, times, level, audience } = awaited;
        let StepTimes { may_start_at, due_by, overdue_at } = times;
        Self { step: step_key, owner, may_start_at, due_by, overdue_at, overdue: overdue_at <= now, level, audience }
    }
}

/// Whether an action asks for a step.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum StepAsked {
    /// It does.
    Yes,
    /// An earlier step ended so that it does not.
    No,
    /// That hangs on a step that is not recorded yet.
    Open,
}

/// One step of an action.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct ActionStepDocument {
    /// Its name within the chain.
    pub key: String,
    /// What to do.
    pub instruction: String,
    /// Whose step it is.
    pub owner: StepOwner,
    /// What it wants as evidence.
    pub evidence: ChainEvidence,
    /// Nothing is released before it is recorded, and passed where it has a result.
    pub gates_release: bool,
    /// Whether the action asks for it.
    pub asked: StepAsked,
    /// How it was recorded; null: it is not.
    #[schema(required)]
    pub record: Option<StepRecordDocument>,
    /// Where it rests on tests and comes next: how many passed in a row so far.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tests_passed: Option<u32>,
    /// From when on the next one counts, where they must lie apart and one counts already.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub next_test_counts_from: Option<DateTime<Utc>>,
    /// And why others that passed do not count, each as a sentence.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub tests_left_out: Vec<String>,
}

/// A step as it was recorded.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct StepRecordDocument {
    /// Its identity.
    pub record_id: Uuid,
    /// When it was done.
    pub performed_at: DateTime<Utc>,
    /// When it was recorded.
    pub recorded_at: DateTime<Utc>,
    /// The person.
    pub performed_by: String,
    /// What was found or decided; may be empty.
    pub note: String,
    /// Of a paper; may be empty.
    pub reference: String,
    /// How it ended; null: the step has no result.
    #[schema(required)]
    pub result: Option<StepEnd>,
    /// The test or the work it rests on; null: none.
    #[schema(required)]
    pub completion_id: Option<Uuid>,
    /// Done before its window opened.
    pub early: bool,
    /// Done after it was due.
    pub late: bool,
    /// The person, where the device named one by id; null: by initials alone.
    #[schema(required)]
    pub staff_id: Option<Uuid>,
    /// Whether that person's PIN came with it; null: recorded before steps were signed.
    #[schema(required)]
    pub signed: Option<bool>,
    /// What a lead should look at.
    pub flags: Vec<FlagNote>,
}

impl StepRecordDocument {
    pub(super) fn of(record: &StepRecord) -> Self {
        Self {
            record_id: record.record_id,
            performed_at: record.performed_at,
            recorded_at: record.recorded_at,
            performed_by: record.performed_by.clone(),
            note: record.note.clone(),
            reference: record.reference.clone(),
            result: record.result,
            completion_id: record.completion_id,
            early: record.early,
            late: record.late,
            staff_id: record.staff_id,
            signed: record.signed,
            flags: FlagNote::of(record.flags.as_deref().unwrap_or_default()),
        }
    }
}

/// What came to an action beside its steps.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct ActionNoteDocument {
    /// What it says.
    pub kind: ActionNoteKind,
    /// The evidence that brought it.
    pub completion_id: Uuid,
    /// When that was recorded.
    pub recorded_at: DateTime<Utc>,
}

impl From<ActionNote> for ActionNoteDocument {
    fn from(note: ActionNote) -> Self {
        Self { kind: note.kind, completion_id: note.completion_id, recorded_at: note.recorded_at }
    }
}

/// How an action was closed.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct ClosingDocument {
    /// Its identity.
    pub close_id: Uuid,
    /// On what grounds.
    pub grounds: Grounds,
    /// Who closed it.
    pub staff_id: Uuid,
    /// That person's name as it was then.
    pub closed_by: String,
    /// In that person's words.
    pub reason: String,
    /// When.
    pub recorded_at: DateTime<Utc>,
}

impl From<Closing> for ClosingDocument {
    fn from(closing: Closing) -> Self {
        Self {
            close_id: closing.close_id,
            grounds: closing.grounds,
            staff_id: closing.staff_id,
            closed_by: closing.closed_by,
            reason: closing.reason,
            recorded_at: closing.recorded_at,
        }
    }
}

/// An action in a list.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct ActionListItem {
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
    /// Whole days since then, or until it was closed.
    #[schema(minimum = 0)]
    pub age_days: i64,
    /// What it waits for; null: it is closed.
    #[schema(required)]
    pub waits_for: Option<AwaitedDocument>,
    /// When it was closed; null: it is open.
    #[schema(required)]
    pub closed_at: Option<DateTime<Utc>>,
}

impl ActionListItem {
    pub(super) fn of(listed: ListedAction, now: DateTime<Utc>) -> Self {
        Self {
            age_days: (listed.closed_at.unwrap_or(now) - listed.opened_at).num_days(),
            action_id: listed.action_id,
            clinic_id: listed.clinic_id,
            subject_id: listed.subject_id,
            subject_name: listed.subject_name,
            kind: listed.kind,
            name: listed.name,
            reason: listed.reason,
            opened_at: listed.opened_at,
            waits_for: listed.waits_for.map(|awaited| AwaitedDocument::of(awaited, now)),
            closed_at: listed.closed_at,
        }
    }
}

impl ActionDocument {
    /// The document of an action as it stands now.
    ///
    /// # Errors
    /// When the database does not answer.
    pub(super) async fn of(db: &mut PgConnection, caller: &Caller, action: CorrectiveAction) -> ApiResult<Self> {
        let (group_id, action_id) = (caller.group_id, action.action_id);
        let records = corrective_actions::list_steps(&mut *db, group_id, &[action_id]).await?;
        let records: Vec<StepRecord> = records.into_iter().map(|(_, record)| record).collect();
        let progress = Progress::new(&action.chain, action.opened_at, &records);
        let mut steps = Vec::with_capacity(action.chain.steps.len());
        for step in &action.chain.steps {
            let row = count_passed(&mut *db, group_id, &action, &progress, step).await?;
            steps.push(step_document(&progress, step, row));
        }
        let filter = ActionFilter { action_id: Some(action_id), ..ActionFilter::default() };
        let reach = Reach::Group {};
        let listed = worklist::list_open(&mut *db, group_id, &reach, &filter, caller.now, None, 1).await?;
        let awaited = listed.into_iter().next().and_then(|listed| listed.waits_for);
        let put_out = quarantines::list_of_cause(&mut *db, group_id, action_id).await?;
        let notes = corrective_actions::list_notes(&mut *db, group_id, action_id).await?;
        let closing = corrective_actions::find_close(&mut *db, group_id, action_id).await?;
        let cause_lifted = actions::is_lifted(&mut *db, group_id, &action).await?;
        let missing_for_release = match closing {
            None => actions::list_missing(&mut *db, group_id, &action, &progress).await?,
            Some(_) => Vec::new(),
        };
        Ok(Self {
            missing_for_release,
            action_id,
            clinic_id: action.clinic_id,
            subject_id: action.subject_id,
            kind: action.kind,
            name: action.chain.name,
            chain_version: action.chain_version,
            cause: action.cause,
            cause_id: action.cause_id,
            routine_id: action.routine_id,
            line: action.line,
            reason: action.reason,
            opened_at: action.opened_at,
            opened_by: action.opened_by,
            staff_id: action.staff_id,
            waits_for: awaited.map(|awaited| AwaitedDocument::of(awaited, caller.now)),
            steps,
            cause_lifted,
            notes: notes.into_iter().map(ActionNoteDocument::from).collect(),
            quarantine_ids: put_out.into_iter().map(|q| q.quarantine_id).collect(),
            closing: closing.map(ClosingDocument::from),
            cautions: action.chain.cautions,
            sources: action.chain.sources,
        })
    }
}

/// How far tests in a row have come, for the step that comes next where it counts them.
async fn count_passed(
    db: &mut PgConnection,
    group_id: Uuid,
    action: &CorrectiveAction,
    progress: &Progress<'_>,
    step: &ChainStep,
) -> ApiResult<Option<TestsInARow>> {
    let counts = matches!(step.evidence, ChainEvidence::TestsPassed { .. });
    if !counts || progress.next().is_none_or(|next| next.key != step.key) {
        return Ok(None);
    }
    let made = step_tests::load(db, group_id, action, progress, step).await?;
    Ok(made.map(|made| made.in_a_row(&step.evidence, progress.tests_count_from(step))))
}

fn step_document(progress: &Progress<'_>, step: &ChainStep, row: Option<TestsInARow>) -> ActionStepDocument {
    let tests_passed = row.as_ref().map(|row| row.passed);
    let next_test_counts_from = row.as_ref().and_then(|row| row.next_from);
    ActionStepDocument {
        key: step.key.clone(),
        instruction: step.instruction.clone(),
        owner: step.owner,
        evidence: step.evidence.clone(),
        gates_release: step.gates_release,
        asked: match progress.asks_for(step) {
            Asked::Yes => StepAsked::Yes,
            Asked::No => StepAsked::No,
            Asked::Open => StepAsked::Open,
        },
        record: progress.record(&step.key).map(StepRecordDocument::of),
        tests_passed,
        next_test_counts_from,
        tests_left_out: row.map_or_else(Vec::new, |row| row.left_out),
    }
}

/// An action for the API's document.
pub(super) fn example(input: &ActionInput) -> ActionDocument {
    let chain = defaults::shipped(input.kind);
    let opened_at = samples::morning(9, 5);
    let progress = Progress::new(chain, opened_at, &[]);
    let awaited = chain.steps.first().map(|step| {
        let times = progress.times_of(step);
        Awaited { step_key: Some(step.key.clone()), owner: step.owner, times, level: 0, audience: None }
    });
    ActionDocument {
        action_id: samples::ACTION,
        clinic_id: samples::CLINIC,
        subject_id: input.subject_id,
        kind: input.kind,
        name: chain.name.clone(),
        chain_version: 0,
        cause: ActionCause::Person,
        cause_id: None,
        routine_id: None,
        line: None,
        reason: input.reason.clone(),
        opened_at,
        opened_by: input.opened_by.clone().unwrap_or_default(),
        staff_id: None,
        waits_for: awaited.map(|awaited| AwaitedDocument::of(awaited, opened_at)),
        steps: chain.steps.iter().map(|step| step_document(&progress, step, None)).collect(),
        missing_for_release: progress.missing_for_release(),
        cause_lifted: false,
        notes: Vec::new(),
        quarantine_ids: Vec::new(),
        closing: None,
        cautions: chain.cautions.clone(),
        sources: chain.sources.clone(),
    }
}

/// The same in a list.
pub(super) fn example_item(document: &ActionDocument) -> ActionListItem {
    ActionListItem {
        action_id: document.action_id,
        clinic_id: document.clinic_id,
        subject_id: document.subject_id,
        subject_name: "Amalgam separator".to_owned(),
        kind: document.kind,
        name: document.name.clone(),
        reason: document.reason.clone(),
        opened_at: document.opened_at,
        age_days: 0,
        waits_for: document.waits_for.clone(),
        closed_at: None,
    }
}
