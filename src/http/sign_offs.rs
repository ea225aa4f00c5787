//! A lead reviews a clinic day, explains its gaps and signs it.
//!
//! The rule of this file: nobody signs what they did not see, and nobody signs a gap away. A signature stays as it is
//! whatever is recorded later; what came after it is told beside it, and may be signed in turn. Work that is still open as
//! the day is signed needs no words; if it is then missed, the day asks for them.

pub mod day_signing;
mod documents;
mod review;

use std::collections::BTreeSet;

use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use chrono::NaiveDate;
use serde_json::json;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use uuid::Uuid;

pub use self::documents::{
    GapExplanationInput, ManyGapsExplanationInput, SeenExplanation, SignOffDocument, SignOffInput,
};
use self::review::Reviewed;
pub use self::review::{
    DayAction, DayEntryDocument, DayGap, DayQuarantine, DayReview, DayState, ExplainedBy, GapExplanation, TaskCounts,
};
use super::AppState;
use super::caller::Caller;
use super::configuration::{check_date, without_faults};
use super::extract::{Body, Path};
use super::openapi::{Example, Part};
use super::problem::{ApiError, ApiResult};
use super::samples;
use super::staff::signature::Signer;
use super::staff::signing;
use crate::domain::access::Role;
use crate::domain::cautions;
use crate::domain::event::EventKind;
use crate::domain::fault::Fault;
use crate::domain::sign_off::{DayNotice, GapKind, gap_name};
use crate::domain::staff::StaffRole;
use crate::store::sign_offs::{self, SignOff};
use crate::store::{self, events, planning};

const MAY_READ: [Role; 5] = [Role::Chairside, Role::FrontDesk, Role::Manager, Role::Reader, Role::Administrator];
/// The signature is a lead's; the device may be any at work.
const MAY_SIGN_WITH: [Role; 4] = [Role::Chairside, Role::FrontDesk, Role::Manager, Role::Administrator];

/// Its routes.
#[must_use]
pub fn router() -> OpenApiRouter<AppState> {
    OpenApiRouter::new().routes(routes!(get_day_review)).routes(routes!(put_day_sign_off))
}

/// Review a clinic day
///
/// What a lead looks at before signing: the tasks by state, every gap with its name and what was said about it already (work
/// that was recorded after its window had closed and a seating in a chair that was not ready are gaps too), completions with
/// flags and corrections, what is open at the clinic now, who may sign, and the signatures so far. What
/// reached the service after the last signature is listed, and changes nothing of it. Work that was still open then and is
/// missed since is a gap without an explanation: the day is `signed_with_later_gaps` until a further signature explains it.
#[utoipa::path(get, path = "/v1/clinics/{clinic_id}/days/{clinic_day}/review", operation_id = "get_day_review",
    tag = "Day sign-off",
    params(("clinic_id" = Uuid, Path, description = "The clinic"),
           ("clinic_day" = NaiveDate, Path, description = "The clinic day")),
    responses((status = 200, body = DayReview, description = "The day as it stands")))]
async fn get_day_review(
    State(state): State<AppState>,
    caller: Caller,
    Path((clinic_id, clinic_day)): Path<(Uuid, NaiveDate)>,
) -> ApiResult<Json<DayReview>> {
    caller.must_be(&MAY_READ)?;
    caller.must_reach_clinic(clinic_id)?;
    let mut faults = Vec::new();
    check_date(&mut faults, "/clinic_day", clinic_day);
    without_faults((), faults).map_err(ApiError::rules_broken)?;
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let reviewed = review::of(&mut tx, &caller, clinic_id, clinic_day).await?;
    tx.commit().await?;
    Ok(Json(reviewed.review))
}

/// Sign a clinic day
///
/// By a lead of the clinic or of the group, with a PIN of their own, once the day's last session is over. The signature
/// sends back the digest of the review that its signer was shown: when something changed since, it is refused with 409, and
/// the lead looks again. Every gap without an explanation needs one; a refusal names those that are missing. The same may
/// be put any number of times under one id. A day that is signed may be signed again under another id, which adds to the
/// first signature and changes nothing of it. When work that was still open is missed afterwards and nobody says why, the
/// day asks again, and climbs the ladder from the opening after that.
#[utoipa::path(put, path = "/v1/clinics/{clinic_id}/days/{clinic_day}/sign-offs/{sign_off_id}",
    operation_id = "put_day_sign_off", tag = "Day sign-off",
    params(("clinic_id" = Uuid, Path, description = "The clinic"),
           ("clinic_day" = NaiveDate, Path, description = "The clinic day"),
           ("sign_off_id" = Uuid, Path, description = "The signature's identity, made by the client")),
    request_body = SignOffInput,
    responses((status = 201, body = SignOffDocument, description = "It is signed"),
              (status = 200, body = SignOffDocument, description = "It was signed so already")))]
async fn put_day_sign_off(
    State(state): State<AppState>,
    caller: Caller,
    Path((clinic_id, clinic_day, sign_off_id)): Path<(Uuid, NaiveDate, Uuid)>,
    Body(input): Body<SignOffInput>,
) -> ApiResult<(StatusCode, Json<SignOffDocument>)> {
    caller.must_be(&MAY_SIGN_WITH)?;
    caller.must_reach_clinic(clinic_id)?;
    let mut faults = input.faults();
    check_date(&mut faults, "/clinic_day", clinic_day);
    without_faults((), faults).map_err(ApiError::rules_broken)?;
    let place = (clinic_id, clinic_day);
    // Looked at first without a lock: a PIN is checked in a transaction of its own, and none may stay open meanwhile.
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let reviewed = review::of(&mut tx, &caller, clinic_id, clinic_day).await?;
    // After the review: what was signed between the two looks is found, and not taken for a change.
    if let Some(standing) = sign_offs::find(&mut tx, caller.group_id, sign_off_id).await? {
        return must_be_the_same(&standing, place, &input);
    }
    must_be_signable(&reviewed, &caller, &input)?;
    tx.commit().await?;
    let signer = signing::verify_lead(&state, &caller, &input.signature, clinic_id).await?;
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let reviewed = review::of(&mut tx, &caller, clinic_id, clinic_day).await?;
    if let Some(standing) = sign_offs::find(&mut tx, caller.group_id, sign_off_id).await? {
        return must_be_the_same(&standing, place, &input);
    }
    must_be_signable(&reviewed, &caller, &input)?;
    if let Some(next_miss_at) = reviewed.next_miss_at {
        // Then it is looked whether the day asks again. Before the signature: the plan's row comes before the sealer's lock.
        planning::mark_clinic(&mut tx, caller.group_id, clinic_id, next_miss_at).await?;
    }
    let each = input.each();
    let kept = SignOff {
        sign_off_id,
        clinic_id,
        clinic_day,
        number: reviewed.signed_before + 1,
        staff_id: signer.staff_id,
        signed_by: signer.name,
        note: input.note.clone(),
        review_digest: reviewed.digest.to_vec(),
        task_counts: json!(reviewed.review.task_counts),
        explanations: review::kept(&reviewed.review, &each),
        words_seen: Some(review::words_seen(&reviewed.review)),
        entry_ids: reviewed.entry_ids,
        recorded_at: caller.now,
        key_id: caller.key_id,
    };
    if !sign_offs::insert(&mut tx, caller.group_id, &kept).await? {
        // Somebody signed between the look and the write: this very signature, or another that makes the review an old one.
        return match sign_offs::find(&mut tx, caller.group_id, sign_off_id).await? {
            Some(standing) => must_be_the_same(&standing, place, &input),
            None => Err(changed()),
        };
    }
    let document = SignOffDocument::from(&kept);
    let event = json!({
        "sign_off_id": sign_off_id, "clinic_day": clinic_day, "number": kept.number, "by_staff_id": kept.staff_id,
        "gaps_explained": each.len(), "task_counts": document.task_counts, "by_key_id": caller.key_id,
    });
    events::append(&mut tx, caller.group_id, EventKind::DaySigned, Some(clinic_id), &event, caller.now).await?;
    tx.commit().await?;
    Ok((StatusCode::CREATED, Json(document)))
}

/// Refuses what cannot be signed yet, or not so.
fn must_be_signable(reviewed: &Reviewed, caller: &Caller, input: &SignOffInput) -> ApiResult<()> {
    let review = &reviewed.review;
    if caller.now < review.over_at {
        let detail = format!("the last session of {} is over at {}", review.clinic_day, review.over_at.to_rfc3339());
        return Err(ApiError::conflict("day-not-over", "The clinic day is not over", detail));
    }
    if review.review_digest != input.review_digest {
        return Err(changed());
    }
    let mut faults = Vec::new();
    let known: BTreeSet<&str> = review.named_gaps().map(|gap| gap.name).collect();
    for (pointer, gap) in input.named_gaps() {
        if !known.contains(gap) {
            faults.push(Fault::new(pointer, "names no gap of this day"));
        }
    }
    without_faults((), faults).map_err(ApiError::rules_broken)?;
    let explained: BTreeSet<&str> = input.named_gaps().map(|(_, gap)| gap).collect();
    let is_explained = |gap: &str| explained.contains(gap);
    let missing: Vec<String> = review
        .named_gaps()
        .filter(|gap| gap.explanation.is_none() && !is_explained(gap.name))
        .map(|gap| format!("explanation missing: {}, {}", gap.name, gap.about))
        .collect();
    if missing.is_empty() {
        return Ok(());
    }
    Err(ApiError::not_yet("gaps-unexplained", "Gaps of the day are not explained", missing, cautions::DAY_SIGNATURE))
}

fn changed() -> ApiError {
    ApiError::conflict(
        "review-changed",
        "The review is not the one that was shown",
        "something was recorded, signed or ran out since; fetch the review, look at it and sign it with its digest",
    )
}

fn must_be_the_same(
    standing: &SignOff,
    place: (Uuid, NaiveDate),
    input: &SignOffInput,
) -> ApiResult<(StatusCode, Json<SignOffDocument>)> {
    if (standing.clinic_id, standing.clinic_day) == place && input.is_kept_as(standing) {
        return Ok((StatusCode::OK, Json(standing.into())));
    }
    Err(ApiError::conflict(
        "sign-off-differs",
        "The id names another signature",
        "something else was signed under this id, and that is never changed; make a new id",
    ))
}

/// Examples for the API's document.
pub(super) fn examples() -> Vec<Example> {
    let gap = gap_name(GapKind::Missed, samples::TASK);
    let words = "Short of one assistant; the lines were flushed at noon.";
    let digest = "3f1c6a5e0b7d4c2a9e8f7061524334455667788990a1b2c3d4e5f60718293a4b";
    let explanation = GapExplanationInput { gap: gap.clone(), words: words.to_owned() };
    let note = "Walked the rooms at 18:10.";
    let input = json!({ "review_digest": digest, "explanations": [explanation], "note": note,
                        "signature": signing::example() });
    let task_counts = TaskCounts { done: 41, missed: 1, not_required: 2, ..TaskCounts::default() };
    let signed = SignOffDocument {
        sign_off_id: samples::SIGN_OFF,
        clinic_id: samples::CLINIC,
        clinic_day: samples::day(),
        number: 1,
        staff_id: samples::STAFF,
        signed_by: "Kit Vale".to_owned(),
        note: note.to_owned(),
        review_digest: digest.to_owned(),
        task_counts,
        explanations: vec![explanation],
        words_seen: Some(Vec::new()),
        entries: 43,
        recorded_at: samples::morning(18, 12),
    };
    let missed = DayGap {
        gap,
        kind: GapKind::Missed,
        task_id: samples::TASK,
        subject_id: samples::OPERATORY,
        subject_name: "Chair 2".to_owned(),
        routine_id: samples::ROUTINE,
        routine_name: "Flush the waterlines before the first patient".to_owned(),
        due_by: samples::morning(8, 30),
        blocking: true,
        explanation: None,
    };
    let may_sign = Signer {
        staff_id: samples::STAFF,
        name: "Kit Vale".to_owned(),
        initials: "KV".to_owned(),
        role: StaffRole::ClinicLead,
    };
    let review = DayReview {
        clinic_id: samples::CLINIC,
        clinic_day: samples::day(),
        as_of: samples::morning(18, 5),
        state: DayState::Unsigned,
        asked: true,
        over_at: samples::morning(18, 0),
        overdue_at: Some(samples::morning(8, 30) + chrono::TimeDelta::days(1)),
        level: 0,
        task_counts,
        gaps: vec![missed],
        notices: vec![DayNotice::PresenceNotRecorded.into()],
        entries: 43,
        entries_to_review: Vec::new(),
        steps_to_review: Vec::new(),
        unready_seatings: Vec::new(),
        corrections: Vec::new(),
        entries_after_signing: Vec::new(),
        open_actions: Vec::new(),
        quarantines: Vec::new(),
        sign_offs: Vec::new(),
        may_sign: vec![may_sign],
        review_digest: digest.to_owned(),
    };
    let example = |operation_id, part, value| Example { operation_id, part, value };
    vec![
        example("get_day_review", Part::Response, json!(review)),
        example("put_day_sign_off", Part::Request, input),
        example("put_day_sign_off", Part::Response, json!(signed)),
    ]
}
