//! Notices not to use mains water: started, looked up, lifted.
//!
//! The rule of this file: the service keeps what was recorded of a notice and compares it with where each unit's water
//! comes from. Whether mains water may be used is said by who gave notice, and whether a unit may be by the person who
//! releases it.

mod documents;
mod follow_up;
mod lifting;

use std::collections::{BTreeMap, BTreeSet};

use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::Response;
use chrono::{DateTime, SubsecRound as _, TimeDelta, Utc};
use serde_json::json;
use sqlx::PgConnection;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use uuid::Uuid;

pub use self::documents::{AdvisoryClinic, AdvisoryQuery, FollowUp, LiftingDocument, WaterAdvisoryDocument};
pub use self::documents::{WaterAdvisoryInput, WaterAdvisoryPage};
pub(super) use self::follow_up::after_leaving_mains;
pub use self::lifting::LiftingInput;
use super::AppState;
use super::caller::Caller;
use super::clinics::find_reached;
use super::configuration::{created_or_ok, without_faults};
use super::extract::{Body, Path, Query};
use super::openapi::Example;
use super::paging::linked;
use super::problem::{ApiError, ApiResult};
use super::staff::telling::Teller;
use crate::domain::access::Role;
use crate::domain::event::EventKind;
use crate::domain::evidence::CLOCK_TOLERANCE;
use crate::domain::site_event::SiteEventKind;
use crate::domain::water_advisory::{AdvisoryEdge, WaterAdvisory};
use crate::store::corrective_actions::{self, quarantines};
use crate::store::{self, events, planning, staff, water_advisories};

/// How far back the start of a notice may be entered.
const OLDEST_START: TimeDelta = TimeDelta::days(30);
const MAY_START: [Role; 4] = [Role::Chairside, Role::FrontDesk, Role::Manager, Role::Administrator];

/// Its routes.
#[must_use]
pub fn router() -> OpenApiRouter<AppState> {
    OpenApiRouter::new()
        .routes(routes!(list_water_advisories))
        .routes(routes!(get_water_advisory, put_water_advisory))
        .merge(lifting::router())
}

/// List water advisories, the newest first
///
/// By when they started; each with the clinics within reach that it concerns. `in_force=true` leaves out what is lifted
/// in all of them. A `Link` field with `rel="next"` leads to the next page.
#[utoipa::path(get, path = "/v1/water-advisories", operation_id = "list_water_advisories", tag = "Water advisories",
    params(AdvisoryQuery),
    responses((status = 200, body = WaterAdvisoryPage, description = "One page of the advisories",
               headers(("Link" = String, description = "The next page, when there is one (RFC 8288)")))))]
async fn list_water_advisories(
    State(state): State<AppState>,
    caller: Caller,
    Query(query): Query<AdvisoryQuery>,
) -> ApiResult<Response> {
    let paging = query.paging();
    let (limit, before) = (paging.limit()?, paging.place()?);
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    if let Some(clinic_id) = query.clinic_id {
        find_reached(&mut tx, &caller, clinic_id).await?;
    }
    let asked: Option<Vec<Uuid>> =
        query.clinic_id.map_or_else(|| caller.reach.clinics().map(<[_]>::to_vec), |id| Some(vec![id]));
    let filter = water_advisories::Filter {
        clinic_ids: asked.as_deref(),
        in_force: query.in_force.unwrap_or(false),
        before,
        // One more than is shown tells whether there is a next page.
        at_most: i64::from(limit) + 1,
    };
    let rows = water_advisories::list(&mut tx, caller.group_id, filter).await?;
    let mut notices: Vec<Vec<WaterAdvisory>> = Vec::new();
    for row in rows {
        match notices.last_mut().filter(|last| last[0].advisory_id == row.advisory_id) {
            Some(last) => last.push(row),
            None => notices.push(vec![row]),
        }
    }
    let filters = [
        ("clinic_id", query.clinic_id.map(|id| id.to_string())),
        ("in_force", query.in_force.map(|in_force| in_force.to_string())),
    ];
    let place = |notice: &Vec<WaterAdvisory>| (notice[0].started_at, notice[0].advisory_id);
    let link = paging.cut_filtered("/v1/water-advisories", &filters, &mut notices, limit, place);
    let mut items = Vec::new();
    for notice in notices {
        items.push(document(&mut tx, &caller, notice).await?);
    }
    tx.commit().await?;
    Ok(linked(&WaterAdvisoryPage { items }, link))
}

/// Read one water advisory, with what followed at each chair
#[utoipa::path(get, path = "/v1/water-advisories/{advisory_id}", operation_id = "get_water_advisory", tag = "Water advisories",
    params(("advisory_id" = Uuid, Path, description = "The advisory")),
    responses((status = 200, body = WaterAdvisoryDocument, description = "The advisory")))]
async fn get_water_advisory(
    State(state): State<AppState>,
    caller: Caller,
    Path(advisory_id): Path<Uuid>,
) -> ApiResult<Json<WaterAdvisoryDocument>> {
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let found = find(&mut tx, &caller, advisory_id).await?;
    let answer = document(&mut tx, &caller, found).await?;
    tx.commit().await?;
    Ok(Json(answer))
}

/// Record a water advisory
///
/// A water advisory is a notice not to use mains water. Until it is lifted it stands against every operatory of its
/// clinics that mains water feeds, treated in a plant or not, and work that runs mains water (`runs_mains_water` of a
/// routine) is not required where its anchor, or the instant it is due by, lies in it. A unit with a reservoir of its own
/// is spared. Anybody at work may record it, by initials or with a PIN of their own. Without `clinic_ids` it concerns the
/// clinics within reach whose `supply_area` is the advisory's `area`. Put again with the same content and other clinics it
/// concerns those too.
#[utoipa::path(put, path = "/v1/water-advisories/{advisory_id}", operation_id = "put_water_advisory", tag = "Water advisories",
    params(("advisory_id" = Uuid, Path, description = "The advisory")),
    request_body = WaterAdvisoryInput,
    responses((status = 201, body = WaterAdvisoryDocument, description = "Recorded"),
              (status = 200, body = WaterAdvisoryDocument, description = "Recorded so before")))]
async fn put_water_advisory(
    State(state): State<AppState>,
    caller: Caller,
    Path(advisory_id): Path<Uuid>,
    Body(input): Body<WaterAdvisoryInput>,
) -> ApiResult<(StatusCode, Json<WaterAdvisoryDocument>)> {
    caller.must_be(&MAY_START)?;
    without_faults((), input.text_faults()).map_err(ApiError::rules_broken)?;
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let clinics = clinics_of(&mut tx, &caller, &input).await?;
    let signer_works_at = clinic_of_signer(&mut tx, &caller, &input, &clinics).await?;
    tx.commit().await?;
    let teller = input.telling().teller(&state, &caller, signer_works_at).await?;
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    // Whoever records work holds the plan first and the actions after it, and two must never wait for each other.
    for clinic_id in &clinics {
        planning::lock_clinic(&mut tx, caller.group_id, *clinic_id).await?;
    }
    let mut created = false;
    for clinic_id in clinics {
        // What is started and lifted at a clinic at once comes one after the other.
        corrective_actions::lock_subject(&mut tx, caller.group_id, (clinic_id, clinic_id), caller.now).await?;
        let standing = water_advisories::find(&mut tx, caller.group_id, advisory_id).await?;
        if let Some(differing) = standing.iter().find(|a| !input.is_kept_as(a)) {
            let detail =
                format!("it was recorded at {} with other content, and is never changed", differing.recorded_at);
            return Err(ApiError::conflict("advisory-differs", "The id names another advisory", detail));
        }
        if standing.iter().any(|a| a.clinic_id == clinic_id) {
            continue;
        }
        check_start(input.started_at, caller.now)?;
        start(&mut tx, &caller, input.advisory(advisory_id, clinic_id, &caller, &teller)).await?;
        created = true;
    }
    let kept = find(&mut tx, &caller, advisory_id).await?;
    let answer = document(&mut tx, &caller, kept).await?;
    tx.commit().await?;
    if created {
        state.wake_planner.notify_one();
    }
    Ok((created_or_ok(created), Json(answer)))
}

/// Where a signature is held against: a clinic of the notice that the person works at. Any other refuses it.
async fn clinic_of_signer(
    db: &mut PgConnection,
    caller: &Caller,
    input: &WaterAdvisoryInput,
    clinics: &BTreeSet<Uuid>,
) -> ApiResult<Uuid> {
    let person = match &input.signature {
        Some(signature) => staff::find(db, caller.group_id, signature.staff_id).await?,
        None => None,
    };
    let theirs = clinics.iter().find(|id| person.as_ref().is_some_and(|person| person.works_at(**id)));
    Ok(theirs.or(clinics.first()).copied().unwrap_or_default())
}

async fn start(db: &mut PgConnection, caller: &Caller, advisory: WaterAdvisory) -> ApiResult<()> {
    if !water_advisories::insert(&mut *db, caller.group_id, &advisory).await? {
        return Ok(());
    }
    let event = json!({
        "advisory_id": advisory.advisory_id, "authority": advisory.authority, "notice_number": advisory.notice_number,
        "area": advisory.area, "started_at": advisory.started_at, "by_key_id": caller.key_id,
    });
    let clinic = Some(advisory.clinic_id);
    events::append(&mut *db, caller.group_id, EventKind::WaterAdvisoryStarted, clinic, &event, caller.now).await?;
    let kind = SiteEventKind::WaterAdvisoryStarted;
    follow_up::record_event(db, caller, &advisory, AdvisoryEdge::Started, kind, advisory.started_at).await
}

fn check_start(started_at: DateTime<Utc>, now: DateTime<Utc>) -> ApiResult<()> {
    if started_at > now + CLOCK_TOLERANCE {
        return Err(ApiError::rule_broken("/started_at", "lies in the future; record what applies now"));
    }
    if started_at < now - OLDEST_START {
        return Err(ApiError::rule_broken("/started_at", "lies more than 30 days back"));
    }
    Ok(())
}

/// The clinics a notice concerns, in one order, so that two of these never wait for each other.
async fn clinics_of(db: &mut PgConnection, caller: &Caller, input: &WaterAdvisoryInput) -> ApiResult<BTreeSet<Uuid>> {
    if let Some(clinic_ids) = &input.clinic_ids {
        for clinic_id in clinic_ids {
            find_reached(&mut *db, caller, *clinic_id).await?;
        }
        return Ok(clinic_ids.iter().copied().collect());
    }
    let clinics = store::clinics::list(db, caller.group_id).await?;
    let here = |c: &&store::clinics::ClinicRow| {
        caller.reach.covers_clinic(c.clinic_id) && c.supply_area.to_lowercase() == input.area.trim().to_lowercase()
    };
    let found: BTreeSet<Uuid> = clinics.iter().filter(here).map(|c| c.clinic_id).collect();
    if found.is_empty() || input.area.trim().is_empty() {
        let rule = "must be the supply_area of a clinic within reach where clinic_ids is left out";
        return Err(ApiError::rule_broken("/area", rule));
    }
    Ok(found)
}

/// The advisory in the clinics that the caller reaches.
async fn find(db: &mut PgConnection, caller: &Caller, advisory_id: Uuid) -> ApiResult<Vec<WaterAdvisory>> {
    let mut found = water_advisories::find(db, caller.group_id, advisory_id).await?;
    found.retain(|a| caller.reach.covers_clinic(a.clinic_id));
    if found.is_empty() {
        return Err(ApiError::not_found("water advisory"));
    }
    Ok(found)
}

/// One notice, in the clinics it holds, with what followed there. `notice` must not be empty.
async fn document(
    db: &mut PgConnection,
    caller: &Caller,
    notice: Vec<WaterAdvisory>,
) -> ApiResult<WaterAdvisoryDocument> {
    let mut causes: BTreeSet<Uuid> = notice.iter().filter_map(|a| a.lifting.as_ref().map(|l| l.lifting_id)).collect();
    causes.extend(notice.iter().map(|a| a.advisory_id));
    let causes: Vec<Uuid> = causes.into_iter().collect();
    let mut follow_up: BTreeMap<Uuid, Vec<FollowUp>> = BTreeMap::new();
    for action in corrective_actions::list_of_causes(&mut *db, caller.group_id, &causes).await? {
        let held = quarantines::list_of_cause(&mut *db, caller.group_id, action.action_id).await?;
        let released_at = held.first().and_then(|q| q.release.as_ref()).map(|release| release.recorded_at);
        follow_up.entry(action.clinic_id).or_default().push(FollowUp {
            action_id: action.action_id,
            kind: action.kind,
            subject_id: action.subject_id,
            opened_at: action.opened_at,
            quarantine_id: held.first().map(|q| q.quarantine_id),
            released_at,
        });
    }
    WaterAdvisoryDocument::of(notice, follow_up).ok_or_else(ApiError::internal)
}

impl WaterAdvisoryInput {
    fn advisory(&self, advisory_id: Uuid, clinic_id: Uuid, caller: &Caller, teller: &Teller) -> WaterAdvisory {
        WaterAdvisory {
            advisory_id,
            clinic_id,
            authority: self.authority.clone(),
            notice_number: self.notice_number.clone(),
            area: self.area.clone(),
            note: self.note.clone(),
            started_at: self.started_at.trunc_subsecs(6),
            recorded_at: caller.now,
            opened_by: teller.initials.clone(),
            staff_id: teller.staff_id,
            key_id: caller.key_id,
            lifting: None,
        }
    }
}

/// Examples for the API's document.
pub(super) fn examples() -> Vec<Example> {
    documents::examples().into_iter().chain(lifting::examples()).collect()
}
