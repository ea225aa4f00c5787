//! What happened at a clinic and makes work: a water advisory, a repair, a return to service.
//!
//! The rule of this file: an entry is never changed. One made by mistake is withdrawn: it stays in the list with the
//! instant of that, and counts for nothing.

use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::Response;
use chrono::{DateTime, SubsecRound as _, TimeDelta, Utc};
use serde::{Deserialize, Serialize};
use serde_json::json;
use sha2::{Digest, Sha256};
use sqlx::PgConnection;
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use uuid::Uuid;

use super::AppState;
use super::caller::Caller;
use super::clinics::find_reached;
use super::configuration::{created_or_ok, without_faults};
use super::extract::{Body, Path, Query};
use super::openapi::{Example, Part};
use super::paging::{NewestFirst, linked};
use super::problem::{ApiError, ApiResult};
use super::samples;
use crate::domain::access::Role;
use crate::domain::event::EventKind;
use crate::domain::evidence::CLOCK_TOLERANCE;
use crate::domain::fault::check_optional_text;
use crate::domain::site_event::SiteEventKind;
use crate::store::clinics::subjects;
use crate::store::site_events::SiteEventRow;
use crate::store::{self, events, planning};

/// How far back an event may be entered: a task of a day before that could not be open any more.
const OLDEST_EVENT: TimeDelta = TimeDelta::days(90);
const MAY_RECORD: [Role; 2] = [Role::Manager, Role::Administrator];

/// A site event as it is recorded.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct SiteEventInput {
    /// What happened.
    pub kind: SiteEventKind,
    /// When: up to 90 days back.
    pub happened_at: DateTime<Utc>,
    /// What it happened to, of what stands in the clinic; left out: the clinic as a whole.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub subject_id: Option<Uuid>,
    /// Free text about the site. No patient or health data.
    #[serde(default)]
    #[schema(max_length = 400, example = "A new tap in the corridor.")]
    pub note: String,
}

/// A site event as it is kept.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct SiteEventDocument {
    /// Its identity.
    pub event_id: Uuid,
    /// Where it happened.
    pub clinic_id: Uuid,
    /// What happened.
    pub kind: SiteEventKind,
    /// When, as entered.
    pub happened_at: DateTime<Utc>,
    /// What it happened to; null: the clinic as a whole.
    #[schema(required)]
    pub subject_id: Option<Uuid>,
    /// Free text about the site; may be empty.
    pub note: String,
    /// When it was recorded.
    pub recorded_at: DateTime<Utc>,
    /// When it was withdrawn as entered by mistake; null: it counts.
    #[schema(required)]
    pub withdrawn_at: Option<DateTime<Utc>>,
}

impl From<SiteEventRow> for SiteEventDocument {
    fn from(event: SiteEventRow) -> Self {
        Self {
            event_id: event.event_id,
            clinic_id: event.clinic_id,
            kind: event.kind,
            happened_at: event.happened_at,
            subject_id: event.subject_id,
            note: event.note,
            recorded_at: event.recorded_at,
            withdrawn_at: event.withdrawn_at,
        }
    }
}

/// One page of what happened at a clinic.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct SiteEventPage {
    /// The newest first.
    pub items: Vec<SiteEventDocument>,
}

/// Its routes.
#[must_use]
pub fn router() -> OpenApiRouter<AppState> {
    OpenApiRouter::new().routes(routes!(list_site_events)).routes(routes!(put_site_event, withdraw_site_event))
}

/// List what happened at a clinic, the newest first
///
/// By the instant it happened; withdrawn entries too. A subject that comes back into service has an entry of kind
/// `return_to_service` that the service made itself. A `Link` field with `rel="next"` leads to the next page.
#[utoipa::path(
    get,
    path = "/v1/clinics/{clinic_id}/site-events",
    operation_id = "list_site_events",
    tag = "Manager",
    params(("clinic_id" = Uuid, Path, description = "The clinic."), NewestFirst),
    responses((
        status = 200,
        description = "One page of the events.",
        body = SiteEventPage,
        headers(("Link" = String, description = "The next page, when there is one (RFC 8288)"))
    ))
)]
async fn list_site_events(
    State(state): State<AppState>,
    caller: Caller,
    Path(clinic_id): Path<Uuid>,
    Query(query): Query<NewestFirst>,
) -> ApiResult<Response> {
    let (limit, place) = (query.limit()?, query.place()?);
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    find_reached(&mut tx, &caller, clinic_id).await?;
    // One more than is shown tells whether there is a next page.
    let at_most = i64::from(limit) + 1;
    let mut rows = store::site_events::list_of_clinic(&mut tx, caller.group_id, clinic_id, place, at_most).await?;
    tx.commit().await?;
    let path = format!("/v1/clinics/{clinic_id}/site-events");
    let link = query.cut(&path, &mut rows, limit, |event| (event.happened_at, event.event_id));
    let page = SiteEventPage { items: rows.into_iter().map(SiteEventDocument::from).collect() };
    Ok(linked(&page, link))
}

/// Record what happened at a clinic
///
/// Routines that hang on such events fall due by it. A water advisory has a resource of its own, which records its two
/// kinds here. The id is made by the client, so a repeat is harmless, after a
/// withdrawal too; other content under the same id is refused, for an entry is never changed. The note is about the
/// site: it has no place for patient or health data.
#[utoipa::path(
    put,
    path = "/v1/clinics/{clinic_id}/site-events/{event_id}",
    operation_id = "put_site_event",
    tag = "Manager",
    params(
        ("clinic_id" = Uuid, Path, description = "The clinic."),
        ("event_id" = Uuid, Path, description = "The event.")
    ),
    request_body = SiteEventInput,
    responses(
        (status = 200, description = "It stood already.", body = SiteEventDocument),
        (status = 201, description = "Recorded.", body = SiteEventDocument)
    )
)]
async fn put_site_event(
    State(state): State<AppState>,
    caller: Caller,
    Path((clinic_id, event_id)): Path<(Uuid, Uuid)>,
    Body(input): Body<SiteEventInput>,
) -> ApiResult<(StatusCode, Json<SiteEventDocument>)> {
    caller.must_be(&MAY_RECORD)?;
    let mut faults = Vec::new();
    check_optional_text(&mut faults, "/note", &input.note, 400);
    without_faults((), faults).map_err(ApiError::rules_broken)?;
    let wanted = SiteEventRow {
        event_id,
        clinic_id,
        kind: input.kind,
        subject_id: input.subject_id,
        happened_at: input.happened_at.trunc_subsecs(6),
        note: input.note,
        recorded_at: caller.now,
        key_id: caller.key_id,
        withdrawn_at: None,
    };
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    find_reached(&mut tx, &caller, clinic_id).await?;
    let (created, kept) = keep(&mut tx, &caller, wanted).await?;
    tx.commit().await?;
    if created {
        state.wake_planner.notify_one();
    }
    Ok((created_or_ok(created), Json(SiteEventDocument::from(kept))))
}

/// Keeps the event, or finds it kept already.
async fn keep(db: &mut PgConnection, caller: &Caller, wanted: SiteEventRow) -> ApiResult<(bool, SiteEventRow)> {
    if let Some(standing) = store::site_events::find(db, caller.group_id, wanted.event_id).await? {
        return must_be_the_same(standing, &wanted).map(|standing| (false, standing));
    }
    if matches!(wanted.kind, SiteEventKind::WaterAdvisoryStarted | SiteEventKind::WaterAdvisoryLifted) {
        let rule = "is recorded under /v1/water-advisories, which makes this event itself";
        return Err(ApiError::rule_broken("/kind", rule));
    }
    check_time(wanted.happened_at, caller.now)?;
    if let Some(subject_id) = wanted.subject_id {
        let subject = subjects::find(db, caller.group_id, subject_id).await?;
        if subject.is_none_or(|s| s.clinic_id != wanted.clinic_id) {
            return Err(ApiError::rule_broken("/subject_id", "names nothing that stands in this clinic"));
        }
    }
    if !record(db, caller, &wanted).await? {
        // Somebody recorded it between the look and the write.
        let standing = store::site_events::find(db, caller.group_id, wanted.event_id).await?;
        let standing = standing.ok_or_else(ApiError::internal)?;
        return must_be_the_same(standing, &wanted).map(|standing| (false, standing));
    }
    Ok((true, wanted))
}

fn check_time(happened_at: DateTime<Utc>, now: DateTime<Utc>) -> ApiResult<()> {
    if happened_at > now + CLOCK_TOLERANCE {
        return Err(ApiError::rule_broken("/happened_at", "lies in the future; record what has happened"));
    }
    if happened_at < now - OLDEST_EVENT {
        return Err(ApiError::rule_broken("/happened_at", "lies more than 90 days back"));
    }
    Ok(())
}

fn must_be_the_same(standing: SiteEventRow, wanted: &SiteEventRow) -> ApiResult<SiteEventRow> {
    let content =
        |event: &SiteEventRow| (event.clinic_id, event.kind, event.subject_id, event.happened_at, event.note.clone());
    if content(&standing) == content(wanted) {
        return Ok(standing);
    }
    Err(ApiError::conflict(
        "site-event-differs",
        "The id names another event",
        "an event with other content was recorded under this id, and entries are never changed; withdraw it and record \
         another under a new id",
    ))
}

/// Writes a new event down, tells of it, and has its clinic planned; `false` when its id is taken.
///
/// # Errors
/// When the database does not answer.
pub(super) async fn record(db: &mut PgConnection, caller: &Caller, event: &SiteEventRow) -> ApiResult<bool> {
    if !store::site_events::insert(db, caller.group_id, event).await? {
        return Ok(false);
    }
    tell(db, caller, EventKind::SiteEventRecorded, event).await?;
    Ok(true)
}

async fn tell(db: &mut PgConnection, caller: &Caller, kind: EventKind, event: &SiteEventRow) -> ApiResult<()> {
    let body = json!({ "by_key_id": caller.key_id, "site_event": SiteEventDocument::from(event.clone()) });
    events::append(db, caller.group_id, kind, Some(event.clinic_id), &body, caller.now).await?;
    // The plan of a subject is made where it stands now.
    let moved_to = match event.subject_id {
        Some(subject_id) => subjects::find(db, caller.group_id, subject_id).await?.map(|s| s.clinic_id),
        None => None,
    };
    let planned_in = moved_to.unwrap_or(event.clinic_id);
    planning::mark_clinic(db, caller.group_id, planned_in, caller.now).await?;
    Ok(())
}

/// Withdraw what was recorded by mistake
///
/// It stays in the list with `withdrawn_at`, and counts for nothing from then on. A repeat is harmless.
#[utoipa::path(
    delete,
    path = "/v1/clinics/{clinic_id}/site-events/{event_id}",
    operation_id = "withdraw_site_event",
    tag = "Manager",
    params(
        ("clinic_id" = Uuid, Path, description = "The clinic."),
        ("event_id" = Uuid, Path, description = "The event.")
    ),
    responses((status = 204, description = "It is withdrawn."))
)]
async fn withdraw_site_event(
    State(state): State<AppState>,
    caller: Caller,
    Path((clinic_id, event_id)): Path<(Uuid, Uuid)>,
) -> ApiResult<StatusCode> {
    caller.must_be(&MAY_RECORD)?;
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    find_reached(&mut tx, &caller, clinic_id).await?;
    let event = store::site_events::find(&mut tx, caller.group_id, event_id).await?;
    let event = event.filter(|e| e.clinic_id == clinic_id).ok_or_else(|| ApiError::not_found("site event"))?;
    let withdrawn = store::site_events::withdraw(&mut tx, caller.group_id, &event, caller.key_id, caller.now).await?;
    if withdrawn {
        let event = SiteEventRow { withdrawn_at: Some(caller.now), ..event };
        tell(&mut tx, &caller, EventKind::SiteEventWithdrawn, &event).await?;
    }
    tx.commit().await?;
    if withdrawn {
        state.wake_planner.notify_one();
    }
    Ok(StatusCode::NO_CONTENT)
}

/// The id of a return to service: a subject comes back once from each time it was out, so a repeat changes nothing.
pub(super) fn derive_return_id(subject_id: Uuid, out_since: DateTime<Utc>) -> Uuid {
    let mut hash = Sha256::new();
    hash.update(b"chairtide return to service v1");
    hash.update(subject_id.as_bytes());
    hash.update(out_since.timestamp_micros().to_be_bytes());
    let digest = hash.finalize();
    let mut bytes = [0; 16];
    bytes.copy_from_slice(&digest[..16]);
    uuid::Builder::from_custom_bytes(bytes).into_uuid()
}

/// Examples for the API's document.
pub(super) fn examples() -> Vec<Example> {
    let input = SiteEventInput {
        kind: SiteEventKind::PlumbingChange,
        happened_at: samples::morning(7, 15),
        subject_id: None,
        note: "A new tap in the corridor.".to_owned(),
    };
    let document = SiteEventDocument {
        event_id: samples::SITE_EVENT,
        clinic_id: samples::CLINIC,
        kind: input.kind,
        happened_at: input.happened_at,
        subject_id: input.subject_id,
        note: input.note.clone(),
        recorded_at: samples::morning(7, 40),
        withdrawn_at: None,
    };
    let page = SiteEventPage { items: vec![document.clone()] };
    vec![
        Example { operation_id: "list_site_events", part: Part::Response, value: json!(page) },
        Example { operation_id: "put_site_event", part: Part::Request, value: json!(input) },
        Example { operation_id: "put_site_event", part: Part::Response, value: json!(document) },
    ]
}
