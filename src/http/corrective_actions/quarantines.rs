//! What is out of use, and its release.
//!
//! The rule of this file: anybody at work may put something out of use; only a named, competent person releases it, with
//! a PIN of their own and a reason, after what its corrective action asks for is recorded. The service compares records;
//! it never says that something is fit to be used.

mod documents;

use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::Response;
use chrono::SubsecRound as _;
use serde_json::json;
use sqlx::PgConnection;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use uuid::Uuid;

pub use self::documents::{
    QuarantineDocument, QuarantineInput, QuarantinePage, QuarantineQuery, ReleaseDocument, ReleaseInput,
};
use crate::domain::access::Role;
use crate::domain::cautions;
use crate::domain::corrective_action::not_a_second_person;
use crate::domain::event::EventKind;
use crate::domain::fault::{Fault, check_text};
use crate::domain::quarantine::{CauseKind, Quarantine, Release};
use crate::domain::subject::Subject;
use crate::http::AppState;
use crate::http::caller::Caller;
use crate::http::clinics::find_reached;
use crate::http::configuration::{created_or_ok, without_faults};
use crate::http::extract::{Body, Path, Query};
use crate::http::openapi::{Example, Part};
use crate::http::paging::{NewestFirst, linked};
use crate::http::problem::{ApiError, ApiResult};
use crate::http::samples;
use crate::http::staff::signature::Signer;
use crate::http::staff::signing;
use crate::store::clinics::subjects;
use crate::store::corrective_actions::{self, actions, implant_loads, quarantines};
use crate::store::{self, events};

const MAY_BEGIN: [Role; 4] = [Role::Chairside, Role::FrontDesk, Role::Manager, Role::Administrator];
const MAY_RELEASE: [Role; 3] = [Role::Chairside, Role::Manager, Role::Administrator];

/// Its routes.
#[must_use]
pub fn router() -> OpenApiRouter<AppState> {
    OpenApiRouter::new()
        .routes(routes!(list_quarantines))
        .routes(routes!(get_quarantine, put_quarantine))
        .routes(routes!(release_quarantine))
}

/// Quarantine an operatory, a line, equipment or a load
///
/// What is in quarantine is out of use because something failed or somebody doubts it, until a named person releases it.
/// Out of service is something else: a setting of an operatory or of equipment that is not worked with, ended by setting
/// it again. The person is named by initials, or signs with a PIN of their own. Under one id the same may be put any number of
/// times, and nothing else. The id must not be a UUID of version 8: those are the service's own.
#[utoipa::path(put, path = "/v1/quarantines/{quarantine_id}", operation_id = "put_quarantine", tag = "Corrective actions",
    params(("quarantine_id" = Uuid, Path, description = "Its identity, made by the client")),
    request_body = QuarantineInput,
    responses((status = 201, body = QuarantineDocument, description = "It is in quarantine"),
              (status = 200, body = QuarantineDocument, description = "It stood already")))]
async fn put_quarantine(
    State(state): State<AppState>,
    caller: Caller,
    Path(quarantine_id): Path<Uuid>,
    Body(input): Body<QuarantineInput>,
) -> ApiResult<(StatusCode, Json<QuarantineDocument>)> {
    caller.must_be(&MAY_BEGIN)?;
    input.check()?;
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let subject = find_subject(&mut tx, &caller, input.subject_id).await?;
    if let Some(standing) = quarantines::find(&mut tx, caller.group_id, quarantine_id).await? {
        return must_be_the_same(standing, &input).map(|q| (StatusCode::OK, Json(q.into())));
    }
    must_be_a_clients_id(quarantine_id, "quarantine")?;
    tx.commit().await?;
    let teller = input.telling().teller(&state, &caller, subject.clinic_id).await?;
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let mut faults = input.faults_with(&subject, caller.now);
    faults.extend(cycle_fault(&mut tx, &caller, &input).await?);
    without_faults((), faults).map_err(ApiError::rules_broken)?;
    let wanted = Quarantine {
        quarantine_id,
        clinic_id: subject.clinic_id,
        subject_id: subject.id,
        line: input.line.clone(),
        load_reference: input.load_reference.clone(),
        cycle_id: input.cycle_id,
        cause: CauseKind::Person,
        cause_id: None,
        reason: input.reason.clone(),
        begun_at: input.begun_at.unwrap_or(caller.now).trunc_subsecs(6),
        recorded_at: caller.now,
        begun_by: teller.initials,
        staff_id: teller.staff_id,
        key_id: Some(caller.key_id),
        release: None,
    };
    if !quarantines::insert(&mut tx, caller.group_id, &wanted).await? {
        // Somebody took the id between the look and the write.
        let standing = quarantines::find(&mut tx, caller.group_id, quarantine_id).await?;
        let standing = standing.ok_or_else(ApiError::internal)?;
        return must_be_the_same(standing, &input).map(|q| (StatusCode::OK, Json(q.into())));
    }
    actions::tell_of_quarantine(&mut tx, caller.group_id, &wanted, caller.now).await?;
    tx.commit().await?;
    Ok((created_or_ok(true), Json(wanted.into())))
}

/// The subject, if there is one within the caller's reach.
pub(super) async fn find_subject(db: &mut PgConnection, caller: &Caller, subject_id: Uuid) -> ApiResult<Subject> {
    let found = subjects::find(db, caller.group_id, subject_id).await?;
    found.filter(|s| caller.reach.covers_subject(s.clinic_id, s.id)).ok_or_else(|| ApiError::not_found("subject"))
}

/// A client that took an id of the service's making could keep an action from being opened.
pub(super) fn must_be_a_clients_id(id: Uuid, what: &str) -> ApiResult<()> {
    if id.get_version_num() == 8 {
        return Err(ApiError::conflict(
            "id-reserved",
            "The id is one of the service's own",
            format!("make a {what} id of another version; version 8 is derived by the service"),
        ));
    }
    Ok(())
}

async fn cycle_fault(db: &mut PgConnection, caller: &Caller, input: &QuarantineInput) -> ApiResult<Option<Fault>> {
    let Some(cycle_id) = input.cycle_id else { return Ok(None) };
    let cycle = store::cycles::find(db, caller.group_id, cycle_id).await?;
    let is_its = cycle.is_some_and(|c| c.subject_id == input.subject_id);
    Ok((!is_its).then(|| Fault::new("/cycle_id", "names no recorded cycle of this subject")))
}

fn must_be_the_same(standing: Quarantine, input: &QuarantineInput) -> ApiResult<Quarantine> {
    let same_start = input.begun_at.is_none_or(|at| at.trunc_subsecs(6) == standing.begun_at);
    let is_same = standing.cause == CauseKind::Person
        && standing.subject_id == input.subject_id
        && standing.line == input.line
        && standing.load_reference == input.load_reference
        && standing.cycle_id == input.cycle_id
        && standing.reason == input.reason
        && input.telling().is_by(&standing.begun_by, standing.staff_id)
        && same_start;
    if is_same {
        return Ok(standing);
    }
    Err(ApiError::conflict(
        "quarantine-differs",
        "The id names another quarantine",
        "something else was put in quarantine under this id, and that is never changed; make a new id",
    ))
}

/// The quarantine, if there is one within the caller's reach.
async fn find_quarantine(db: &mut PgConnection, caller: &Caller, quarantine_id: Uuid) -> ApiResult<Quarantine> {
    quarantines::find(db, caller.group_id, quarantine_id)
        .await?
        .filter(|q| caller.reach.covers_subject(q.clinic_id, q.subject_id))
        .ok_or_else(|| ApiError::not_found("quarantine"))
}

/// Read one quarantine
#[utoipa::path(get, path = "/v1/quarantines/{quarantine_id}", operation_id = "get_quarantine", tag = "Corrective actions",
    params(("quarantine_id" = Uuid, Path, description = "The quarantine")),
    responses((status = 200, body = QuarantineDocument, description = "The quarantine, and its release if there is one")))]
async fn get_quarantine(
    State(state): State<AppState>,
    caller: Caller,
    Path(quarantine_id): Path<Uuid>,
) -> ApiResult<Json<QuarantineDocument>> {
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let found = find_quarantine(&mut tx, &caller, quarantine_id).await?;
    tx.commit().await?;
    Ok(Json(found.into()))
}

/// List the quarantines of a clinic, the newest first
///
/// By the instant it began. `standing=true` leaves out what is released. A `Link` field with `rel="next"` leads to the
/// next page.
#[utoipa::path(get, path = "/v1/clinics/{clinic_id}/quarantines", operation_id = "list_quarantines", tag = "Corrective actions",
    params(("clinic_id" = Uuid, Path, description = "The clinic"), QuarantineQuery),
    responses((status = 200, body = QuarantinePage, description = "One page of them",
        headers(("Link" = String, description = "The next page, when there is one (RFC 8288)")))))]
async fn list_quarantines(
    State(state): State<AppState>,
    caller: Caller,
    Path(clinic_id): Path<Uuid>,
    Query(query): Query<QuarantineQuery>,
) -> ApiResult<Response> {
    let paging = NewestFirst { limit: query.limit, cursor: query.cursor };
    let (limit, place) = (paging.limit()?, paging.place()?);
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    find_reached(&mut tx, &caller, clinic_id).await?;
    // One more than is shown tells whether there is a next page.
    let at_most = i64::from(limit) + 1;
    let group_id = caller.group_id;
    let mut found = quarantines::list_of_clinic(&mut tx, group_id, clinic_id, query.standing, place, at_most).await?;
    tx.commit().await?;
    let path = format!("/v1/clinics/{clinic_id}/quarantines");
    let filters = [("standing", query.standing.then(|| "true".to_owned()))];
    let link = paging.cut_filtered(&path, &filters, &mut found, limit, |q| (q.begun_at, q.quarantine_id));
    let page = QuarantinePage { items: found.into_iter().map(QuarantineDocument::from).collect() };
    Ok(linked(&page, link))
}

/// Release what is in quarantine
///
/// By a named person who is trained for it, with a PIN of their own and a reason. Refused with 409 while its corrective
/// action lacks a step that stands before a release; the answer names each. A load that was processed again or thrown away
/// waits for none: say so as its `disposition`. Where the chain asks what became of its loads (`loads_ended`), none of them is
/// released without it. Where the action was closed because what opened it was corrected, a load goes back as it was, and
/// nobody who recorded the correction releases anything. A release ends this quarantine and no other.
#[utoipa::path(post, path = "/v1/quarantines/{quarantine_id}/release", operation_id = "release_quarantine", tag = "Corrective actions",
    params(("quarantine_id" = Uuid, Path, description = "The quarantine")),
    request_body = ReleaseInput,
    responses((status = 201, body = QuarantineDocument, description = "It is released"),
              (status = 200, body = QuarantineDocument, description = "It was released so already")))]
async fn release_quarantine(
    State(state): State<AppState>,
    caller: Caller,
    Path(quarantine_id): Path<Uuid>,
    Body(input): Body<ReleaseInput>,
) -> ApiResult<(StatusCode, Json<QuarantineDocument>)> {
    caller.must_be(&MAY_RELEASE)?;
    let mut faults = Vec::new();
    check_text(&mut faults, "/reason", &input.reason, 400);
    faults.extend(input.signature.pin.fault("/signature/pin"));
    without_faults((), faults).map_err(ApiError::rules_broken)?;
    // Looked at first without a lock: a PIN is checked in a transaction of its own, and none may stay open meanwhile.
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let found = find_quarantine(&mut tx, &caller, quarantine_id).await?;
    if found.release.is_some() {
        return must_be_released_so(found, &input).map(|q| (StatusCode::OK, Json(q.into())));
    }
    if input.disposition.is_some() && !found.is_of_load() {
        return Err(ApiError::rule_broken("/disposition", "must be left out: this is not the quarantine of a load"));
    }
    must_miss_nothing(&mut tx, &caller, &found, &input).await?;
    tx.commit().await?;
    let signer = signing::verify_release(&state, &caller, &input.signature, found.clinic_id).await?;
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let place = (found.clinic_id, found.subject_id);
    corrective_actions::lock_subject(&mut tx, caller.group_id, place, caller.now).await?;
    let found = find_quarantine(&mut tx, &caller, quarantine_id).await?;
    if found.release.is_some() {
        return must_be_released_so(found, &input).map(|q| (StatusCode::OK, Json(q.into())));
    }
    must_miss_nothing(&mut tx, &caller, &found, &input).await?;
    must_be_another_than_the_corrector(&mut tx, &caller, &found, &signer).await?;
    let release = Release {
        release_id: input.release_id,
        staff_id: signer.staff_id,
        released_by: signer.name,
        reason: input.reason.clone(),
        disposition: input.disposition,
        recorded_at: caller.now,
        key_id: caller.key_id,
    };
    let of = (quarantine_id, found.clinic_id);
    if !quarantines::insert_release(&mut tx, caller.group_id, of, &release).await? {
        return Err(ApiError::conflict(
            "release-id-taken",
            "The release id stands for another release",
            "make a new UUID for each release",
        ));
    }
    implant_loads::withdraw_test(&mut tx, caller.group_id, &found, caller.now).await?;
    let event = json!({
        "quarantine_id": quarantine_id, "release_id": release.release_id, "subject_id": found.subject_id,
        "by_staff_id": release.staff_id, "reason": release.reason, "disposition": release.disposition,
        "load_reference": found.load_reference, "by_key_id": caller.key_id,
    });
    let clinic = Some(found.clinic_id);
    events::append(&mut tx, caller.group_id, EventKind::QuarantineReleased, clinic, &event, caller.now).await?;
    tx.commit().await?;
    let released = Quarantine { release: Some(release), ..found };
    Ok((StatusCode::CREATED, Json(released.into())))
}

async fn must_miss_nothing(
    db: &mut PgConnection,
    caller: &Caller,
    quarantine: &Quarantine,
    input: &ReleaseInput,
) -> ApiResult<()> {
    if input.disposition.is_some() {
        return Ok(());
    }
    let missing = actions::list_missing_for_release(db, caller.group_id, quarantine).await?;
    if missing.is_empty() {
        return Ok(());
    }
    Err(ApiError::not_yet(
        "release-not-yet",
        "What stands before the release is not recorded",
        missing,
        cautions::RELEASE,
    ))
}

/// A correction that ends an action is nobody's own way out of use.
async fn must_be_another_than_the_corrector(
    db: &mut PgConnection,
    caller: &Caller,
    quarantine: &Quarantine,
    signer: &Signer,
) -> ApiResult<()> {
    let hands = actions::list_correctors_behind(db, caller.group_id, quarantine).await?;
    not_a_second_person(&hands, signer.signing()).map_or(Ok(()), |why| {
        let detail = format!("{why}; another person releases what is out of use on that ground");
        Err(ApiError::conflict("second-person-needed", "Another person releases it", detail))
    })
}

fn must_be_released_so(found: Quarantine, input: &ReleaseInput) -> ApiResult<Quarantine> {
    let is_same = found.release.as_ref().is_some_and(|r| {
        r.release_id == input.release_id
            && r.staff_id == input.signature.staff_id
            && r.reason == input.reason
            && r.disposition == input.disposition
    });
    if is_same {
        return Ok(found);
    }
    Err(ApiError::conflict("released-already", "It is released already", "there is one release of each quarantine"))
}

/// Examples for the API's document.
pub(in crate::http) fn examples() -> Vec<Example> {
    let input = QuarantineInput {
        subject_id: samples::OPERATORY,
        line: Some("handpiece-1".to_owned()),
        load_reference: None,
        cycle_id: None,
        begun_at: Some(samples::morning(8, 10)),
        reason: "The hose drips under pressure.".to_owned(),
        begun_by: Some("KV".to_owned()),
        signature: None,
    };
    let grounds = "Hose replaced, line flushed and disinfected.";
    let release = json!({ "release_id": samples::RELEASE, "reason": grounds, "signature": signing::example() });
    let standing = QuarantineDocument {
        quarantine_id: samples::QUARANTINE,
        clinic_id: samples::CLINIC,
        subject_id: input.subject_id,
        line: input.line.clone(),
        load_reference: None,
        cycle_id: None,
        cause: CauseKind::Person,
        cause_id: None,
        reason: input.reason.clone(),
        begun_at: samples::morning(8, 10),
        recorded_at: samples::morning(8, 12),
        begun_by: "KV".to_owned(),
        staff_id: None,
        release: None,
    };
    let document = ReleaseDocument {
        release_id: samples::RELEASE,
        staff_id: samples::STAFF,
        released_by: "Kofi Vale".to_owned(),
        reason: grounds.to_owned(),
        disposition: None,
        recorded_at: samples::morning(12, 5),
    };
    let released = QuarantineDocument { release: Some(document), ..standing.clone() };
    let page = QuarantinePage { items: vec![standing.clone()] };
    let example = |operation_id, part, value| Example { operation_id, part, value };
    vec![
        example("list_quarantines", Part::Response, json!(page)),
        example("get_quarantine", Part::Response, json!(standing)),
        example("put_quarantine", Part::Request, json!(input)),
        example("put_quarantine", Part::Response, json!(standing)),
        example("release_quarantine", Part::Request, release),
        example("release_quarantine", Part::Response, json!(released)),
    ]
}
