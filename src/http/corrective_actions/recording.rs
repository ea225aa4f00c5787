//! Recording a step of a corrective action.
//!
//! The rule of this file: a step is recorded once, after those before it. Too early and too late are kept and flagged, as
//! with tasks; a step out of order is refused, and the answer says what comes before.

use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use chrono::{DateTime, SecondsFormat, SubsecRound as _, TimeDelta, Utc};
use serde::{Deserialize, Serialize};
use serde_json::json;
use sqlx::PgConnection;
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use uuid::Uuid;

use super::documents::StepRecordDocument;
use super::{MAY_WORK, find_action, work};
use crate::domain::cautions;
use crate::domain::chain::progress::{Asked, Progress, StepClaim, StepRecord};
use crate::domain::chain::{ChainEvidence, ChainStep, StepEnd};
use crate::domain::corrective_action::{CorrectiveAction, TestRun};
use crate::domain::event::EventKind;
use crate::domain::evidence::CLOCK_TOLERANCE;
use crate::domain::fault::{Fault, check_optional_text, check_text};
use crate::domain::flags::{Flag, Person, StepEntry, step_flags};
use crate::domain::pin::Pin;
use crate::domain::staff::Work;
use crate::http::AppState;
use crate::http::caller::Caller;
use crate::http::configuration::without_faults;
use crate::http::extract::{Body, Path};
use crate::http::openapi::{Example, Part};
use crate::http::problem::{ApiError, ApiResult};
use crate::http::samples;
use crate::http::staff::signature;
use crate::http::staff::who::{self, Said, Who};
use crate::store::corrective_actions::{self, actions, quarantines, step_tests};
use crate::store::{self, events};

/// How long before the opening a first step may have been done: somebody acts before the record says so.
const BEFORE_OPENING: TimeDelta = TimeDelta::days(7);

/// A step as it is recorded.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct StepRecordInput {
    /// Made by the client, so that a repeat is harmless.
    pub record_id: Uuid,
    /// When it was done; not in the future, and not before the step before it.
    pub performed_at: DateTime<Utc>,
    /// The person, by initials as in `/v1/staff`; may be left out where `staff_id` names them. Whoever records a step cannot
    /// close the action.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(min_length = 1, max_length = 40, example = "KV")]
    pub performed_by: Option<String>,
    /// The person, by id: initials change hands.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub staff_id: Option<Uuid>,
    /// The PIN of the person named by `staff_id`: right, it is signed; wrong, nothing is kept. No part of what a repeat is
    /// compared by.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>, pattern = "^[0-9]{4,12}$")]
    pub pin: Option<Pin>,
    /// What was found or decided. No patient or health data.
    #[serde(default)]
    #[schema(max_length = 2000)]
    pub note: String,
    /// Of a paper that is kept elsewhere, where the step wants one.
    #[serde(default)]
    #[schema(max_length = 200)]
    pub reference: String,
    /// Passed or failed, where the step wants a person's judgement.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub result: Option<StepEnd>,
    /// The completion that holds the test's result, where the step wants one. Where the step rests on work: the one that
    /// records it; left out: the newest that shows it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub completion_id: Option<Uuid>,
}

impl StepRecordInput {
    fn claim(&self) -> StepClaim<'_> {
        StepClaim {
            note: &self.note,
            reference: &self.reference,
            result: self.result,
            completion_id: self.completion_id,
        }
    }

    fn text_faults(&self) -> Vec<Fault> {
        let mut faults = Vec::new();
        if let Some(performed_by) = &self.performed_by {
            check_text(&mut faults, "/performed_by", performed_by, 40);
        } else if self.staff_id.is_none() {
            faults.push(Fault::new("/performed_by", "must say who did it, unless staff_id does"));
        }
        if self.pin.is_some() && self.staff_id.is_none() {
            faults.push(Fault::new("/staff_id", "must say whose PIN it is"));
        }
        faults.extend(self.pin.as_ref().and_then(|pin| pin.fault("/pin")));
        check_optional_text(&mut faults, "/note", &self.note, 2000);
        check_optional_text(&mut faults, "/reference", &self.reference, 200);
        faults
    }

    /// Whether it says what was recorded; a result that the service worked out was not sent.
    fn says(&self, record: &StepRecord) -> bool {
        record.record_id == self.record_id
            && record.performed_at == self.performed_at.trunc_subsecs(6)
            && self.performed_by.as_ref().is_none_or(|by| record.performed_by == *by)
            && record.staff_id == self.staff_id
            && record.note == self.note
            && record.reference == self.reference
            && self.result.is_none_or(|result| record.result == Some(result))
            && self.completion_id.is_none_or(|id| record.completion_id == Some(id))
    }
}

pub(super) fn router() -> OpenApiRouter<AppState> {
    OpenApiRouter::new().routes(routes!(record_corrective_action_step))
}

/// Record a step of a corrective action
///
/// In the order of the chain: a step before its turn is refused with 409, and the answer names what comes before. Done
/// before its window or after it was due is kept and flagged, and so is a person of another role than its owner, one without
/// the competence that its tests take, and one who was not on the staff that day. Where the step rests on a test, the
/// verdict of that test decides, as long as it left out no line that is asked for; where it counts tests that passed in a
/// row, or rests on work, it is refused with 409 until they are recorded, and the answer says what is missing. A step that
/// asks for the cycle of its tests counts one that passed only where it is recorded that it ran so: in the program that
/// failed, in an empty chamber, in cycles with none between; the answer says of each other test why it does not count.
#[utoipa::path(put, path = "/v1/corrective-actions/{action_id}/steps/{step_key}", operation_id = "record_corrective_action_step",
    tag = "Corrective actions",
    params(("action_id" = Uuid, Path, description = "The action"), ("step_key" = String, Path, description = "The step")),
    request_body = StepRecordInput,
    responses((status = 201, body = StepRecordDocument, description = "Recorded"),
              (status = 200, body = StepRecordDocument, description = "Recorded so before")))]
async fn record_corrective_action_step(
    State(state): State<AppState>,
    caller: Caller,
    Path((action_id, step_key)): Path<(Uuid, String)>,
    Body(input): Body<StepRecordInput>,
) -> ApiResult<(StatusCode, Json<StepRecordDocument>)> {
    caller.must_be(&MAY_WORK)?;
    without_faults((), input.text_faults()).map_err(ApiError::rules_broken)?;
    let signed = check_signature(&state, &caller, action_id, &step_key, &input).await?;
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let action = find_action(&mut tx, &caller, action_id).await?;
    let place = (action.clinic_id, action.subject_id);
    corrective_actions::lock_subject(&mut tx, caller.group_id, place, caller.now).await?;
    let records = corrective_actions::list_steps(&mut tx, caller.group_id, &[action_id]).await?;
    let records: Vec<StepRecord> = records.into_iter().map(|(_, record)| record).collect();
    let progress = Progress::new(&action.chain, action.opened_at, &records);
    if let Some(record) = progress.record(&step_key) {
        if input.says(record) {
            return Ok((StatusCode::OK, Json(StepRecordDocument::of(record))));
        }
        let detail = format!("step {step_key} was recorded at {}; records are never changed", record.recorded_at);
        return Err(ApiError::conflict("step-recorded", "The step is recorded already", detail));
    }
    let step = action.chain.steps.iter().find(|s| s.key == step_key).ok_or_else(|| ApiError::not_found("step"))?;
    must_be_open(&mut tx, &caller, &action).await?;
    must_be_its_turn(&progress, step, &action)?;
    let mut faults = input.claim().faults(&step.evidence);
    faults.extend(time_fault(&input, &progress, step, &action, caller.now));
    let said = Said {
        staff_id: input.staff_id,
        initials: input.performed_by.as_deref(),
        clinic_id: action.clinic_id,
        performed_at: input.performed_at,
    };
    let who = who::find(&mut tx, &caller, said).await?;
    faults.extend(who.fault());
    without_faults((), faults).map_err(ApiError::rules_broken)?;
    let (result, completion_id) = judge(&mut tx, &caller, &action, (&progress, &records), step, &input).await?;
    let times = progress.times_of(step);
    let performed_at = input.performed_at.trunc_subsecs(6);
    let flags = flags(&mut tx, &caller, &action, step, &who, input.performed_by.as_deref()).await?;
    let record = StepRecord {
        record_id: input.record_id,
        step_key: step_key.clone(),
        performed_at,
        recorded_at: caller.now,
        performed_by: who.performed_by,
        key_id: caller.key_id,
        note: input.note,
        reference: input.reference,
        result,
        completion_id,
        rests_on_at: None,
        early: performed_at < times.may_start_at,
        late: performed_at > times.due_by,
        staff_id: input.staff_id,
        signed: Some(signed),
        flags: Some(flags.iter().map(|flag| flag.as_str().to_owned()).collect()),
    };
    let of = (action_id, action.clinic_id);
    if !corrective_actions::insert_step(&mut tx, caller.group_id, of, &record).await? {
        return Err(ApiError::conflict(
            "record-id-taken",
            "The record id stands for another step",
            "make a new UUID for each record",
        ));
    }
    let document = StepRecordDocument::of(&record);
    let event = json!({ "action_id": action_id, "step": step_key, "record": document, "by_key_id": caller.key_id });
    let clinic = Some(action.clinic_id);
    let kind = EventKind::CorrectiveActionStepRecorded;
    events::append(&mut tx, caller.group_id, kind, clinic, &event, caller.now).await?;
    actions::go_on_after(&mut tx, caller.group_id, &action, step, caller.now).await?;
    tx.commit().await?;
    Ok((StatusCode::CREATED, Json(document)))
}

/// Whether the person's PIN came with it. A step that stands already asks for none: it was signed or not then.
async fn check_signature(
    state: &AppState,
    caller: &Caller,
    action_id: Uuid,
    step_key: &str,
    input: &StepRecordInput,
) -> ApiResult<bool> {
    let (Some(staff_id), Some(pin)) = (input.staff_id, &input.pin) else { return Ok(false) };
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    find_action(&mut tx, caller, action_id).await?;
    let records = corrective_actions::list_steps(&mut tx, caller.group_id, &[action_id]).await?;
    tx.commit().await?;
    if !records.iter().any(|(_, record)| record.step_key == step_key) {
        signature::check_pin(state, caller, staff_id, pin, "/pin").await?;
    }
    Ok(true)
}

/// What a lead should look at.
async fn flags(
    db: &mut PgConnection,
    caller: &Caller,
    action: &CorrectiveAction,
    step: &ChainStep,
    who: &Who,
    initials: Option<&str>,
) -> ApiResult<Vec<Flag>> {
    let Person::Known(person) = &who.person else {
        let (person, owner, day) = (&who.person, step.owner, who.day);
        let nobody = StepEntry { person, initials, day, owner, competences: &[], work: Work::default() };
        return Ok(step_flags(&nobody));
    };
    let routine_id = step.evidence.names_routine().or(action.routine_id).filter(|_| step.evidence.is_test());
    let routine = match routine_id {
        Some(routine_id) => store::routines::find_newest(&mut *db, caller.group_id, routine_id).await?,
        None => None,
    };
    let mut competences = store::staff::list_competences(&mut *db, caller.group_id, &[person.staff_id]).await?;
    let has_competences = match routine_id {
        Some(routine_id) => store::staff::has_competences_for(db, caller.group_id, routine_id).await?,
        None => false,
    };
    let family = routine.as_ref().and_then(|version| version.routine.family.as_deref());
    Ok(step_flags(&StepEntry {
        person: &who.person,
        initials,
        day: who.day,
        owner: step.owner,
        competences: &competences.remove(&person.staff_id).unwrap_or_default(),
        work: Work { routine_id, family, has_competences },
    }))
}

async fn must_be_open(db: &mut PgConnection, caller: &Caller, action: &CorrectiveAction) -> ApiResult<()> {
    match corrective_actions::find_close(db, caller.group_id, action.action_id).await? {
        None => Ok(()),
        Some(closing) => Err(ApiError::conflict(
            "action-closed",
            "The action is closed",
            format!("{} closed it; nothing is added to it any more", closing.closed_by),
        )),
    }
}

fn must_be_its_turn(progress: &Progress<'_>, step: &ChainStep, action: &CorrectiveAction) -> ApiResult<()> {
    let before = progress.missing_before(&step.key);
    if !before.is_empty() {
        let missing = before.iter().map(|s| format!("record missing: step {}, {}", s.key, s.instruction)).collect();
        let caution = action.chain.cautions.first().map_or("", String::as_str);
        return Err(ApiError::not_yet("step-out-of-order", "Other steps come before", missing, caution));
    }
    if progress.asks_for(step) == Asked::No {
        return Err(ApiError::conflict(
            "step-not-asked",
            "The step is not asked for",
            format!("an earlier step ended so that {} is not asked for", step.key),
        ));
    }
    Ok(())
}

fn time_fault(
    input: &StepRecordInput,
    progress: &Progress<'_>,
    step: &ChainStep,
    action: &CorrectiveAction,
    now: DateTime<Utc>,
) -> Option<Fault> {
    let at = input.performed_at.trunc_subsecs(6);
    let fault = |rule: &str| Some(Fault::new("/performed_at", rule));
    if at > now + CLOCK_TOLERANCE {
        return fault("lies in the future; record what has happened");
    }
    match progress.record_before(&step.key) {
        Some(before) if at < before.performed_at => fault("lies before the step before it was done"),
        None if at < action.opened_at - BEFORE_OPENING => fault("lies more than seven days before the opening"),
        _ => None,
    }
}

/// How a step ended, and the test or the work it rests on: said by the person, or by what was recorded.
async fn judge(
    db: &mut PgConnection,
    caller: &Caller,
    action: &CorrectiveAction,
    (progress, records): (&Progress<'_>, &[StepRecord]),
    step: &ChainStep,
    input: &StepRecordInput,
) -> ApiResult<(Option<StepEnd>, Option<Uuid>)> {
    if let ChainEvidence::Work { shows } = &step.evidence {
        let found = work::find(db, caller, action, (progress, records), (step, shows), input).await?;
        return Ok((None, Some(found)));
    }
    if let ChainEvidence::LoadsEnded {} = step.evidence {
        must_hold_no_load(db, caller, action).await?;
    }
    if !step.evidence.is_test() {
        return Ok((input.result, None));
    }
    let made = step_tests::load(db, caller.group_id, action, progress, step).await?.ok_or_else(|| {
        ApiError::conflict(
            "tests-unknown",
            "No tests are known",
            "the action names no routine whose tests these could be",
        )
    })?;
    let caution = action.chain.cautions.first().map_or("", String::as_str);
    if let ChainEvidence::TestsPassed { count, .. } = step.evidence {
        let row = made.in_a_row(&step.evidence, progress.tests_count_from(step));
        if row.passed < count {
            let next = row.next_from.map(|from| {
                format!(", and the next counts from {} on", from.to_rfc3339_opts(SecondsFormat::Secs, true))
            });
            let so_far = format!("{} so far{}", row.passed, next.unwrap_or_default());
            let mut missing = vec![format!("record missing: {count} tests in a row that passed; {so_far}")];
            missing.extend(row.left_out);
            return Err(ApiError::not_yet("tests-missing", "Tests are missing", missing, caution));
        }
        return Ok((Some(StepEnd::Passed), row.last));
    }
    // The first test that decides counts: whoever tests until one passes has not repeated the test once.
    let (first, left_out) = made.first_that_counts(&step.evidence);
    let named = made.tests.iter().find(|test| Some(test.completion_id) == input.completion_id);
    if let Some(why) = named.and_then(TestRun::says_too_little) {
        let rule =
            format!("must name a test made in its window, of every line that is asked for, each by itself; {why}");
        return Err(ApiError::rule_broken("/completion_id", rule));
    }
    let Some(first) = first else {
        let mut missing = vec!["record missing: a decided test of this subject, made since then".to_owned()];
        missing.extend(left_out);
        return Err(ApiError::not_yet("tests-missing", "Tests are missing", missing, caution));
    };
    if input.completion_id != Some(first.completion_id) {
        let mut rule = format!("must name the first test that was made since then: {}", first.completion_id);
        for why in left_out {
            rule.push_str("; ");
            rule.push_str(&why);
        }
        return Err(ApiError::rule_broken("/completion_id", rule));
    }
    let end = if first.passed { StepEnd::Passed } else { StepEnd::Failed };
    Ok((Some(end), Some(first.completion_id)))
}

/// Whoever says that every load came to an end is told of those that are still held.
async fn must_hold_no_load(db: &mut PgConnection, caller: &Caller, action: &CorrectiveAction) -> ApiResult<()> {
    let held = quarantines::list_loads_held(db, caller.group_id, action.action_id).await?;
    if held.is_empty() {
        return Ok(());
    }
    let missing = held.into_iter().map(|load| {
        let label = load.load_reference.unwrap_or_default();
        format!("record missing: what became of load {label}, by a release of quarantine {}", load.quarantine_id)
    });
    Err(ApiError::not_yet("loads-held", "Loads are still held", missing.collect(), cautions::RELEASE))
}

pub(super) fn examples() -> Vec<Example> {
    let input = StepRecordInput {
        record_id: samples::STEP_RECORD,
        performed_at: samples::morning(9, 20),
        performed_by: Some("KV".to_owned()),
        staff_id: Some(samples::STAFF),
        pin: None,
        note: "Work with amalgam stops until the container is changed.".to_owned(),
        reference: String::new(),
        result: None,
        completion_id: None,
    };
    let document = StepRecordDocument {
        record_id: input.record_id,
        performed_at: input.performed_at,
        recorded_at: samples::morning(9, 22),
        performed_by: "KV".to_owned(),
        note: input.note.clone(),
        reference: String::new(),
        result: None,
        completion_id: None,
        early: false,
        late: false,
        staff_id: input.staff_id,
        signed: Some(false),
        flags: Vec::new(),
    };
    let example = |part, value| Example { operation_id: "record_corrective_action_step", part, value };
    vec![example(Part::Request, json!(input)), example(Part::Response, json!(document))]
}
