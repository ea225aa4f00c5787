//! Rules that are kept and never do what they say at a clinic: on closed days only, several at once, on nothing.
//!
//! The rule of this file: it is read only and nothing of it is stored; each answer is worked out from what stands.

use std::collections::BTreeMap;
use std::sync::Arc;

use axum::Json;
use axum::extract::State;
use axum::response::Response;
use chrono::{DateTime, Days, NaiveDate, Utc};
use serde::{Deserialize, Serialize};
use serde_json::json;
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use uuid::Uuid;

use super::forecast::AT_ONCE;
use crate::domain::plan::Clinic;
use crate::domain::plan::because::RoutineNames;
use crate::domain::plan::warnings::{self, PlanFinding, PlanWarning, Warnings};
use crate::domain::routine::RoutineVersion;
use crate::domain::subject::SubjectKind;
use crate::http::AppState;
use crate::http::caller::Caller;
use crate::http::clinics::find_reached;
use crate::http::extract::{Path, Query};
use crate::http::openapi::{Example, Part};
use crate::http::paging::{ByClinic, linked};
use crate::http::problem::{ApiError, ApiResult};
use crate::http::samples;
use crate::http::tasks::overdue::LIST_READERS;
use crate::store::clinics::ClinicRow;
use crate::store::{self, StoreError};

/// A warning, as data and as a sentence.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct PlanWarningDocument {
    /// The routine; null: it is about the clinic itself.
    #[schema(required)]
    pub routine_id: Option<Uuid>,
    /// What people call the routine.
    #[schema(required)]
    pub routine_name: Option<String>,
    /// The subject, where it depends on one.
    #[schema(required)]
    pub subject_id: Option<Uuid>,
    /// What people call the subject.
    #[schema(required)]
    pub subject_name: Option<String>,
    /// What was found.
    pub finding: PlanFinding,
    /// The same in one sentence.
    pub sentence: String,
}

/// What the plan of one clinic is warned about.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct ClinicPlanWarnings {
    /// The clinic.
    pub clinic_id: Uuid,
    /// What people call it.
    pub clinic_name: String,
    /// The first day that was looked at: the clinic's today.
    pub first_on: NaiveDate,
    /// The last one, the 400th.
    pub last_on: NaiveDate,
    /// The warnings, at most 200: the clinic's own first, then routine by routine. Empty: nothing was found.
    #[schema(max_items = 200)]
    pub warnings: Vec<PlanWarningDocument>,
    /// Further warnings that are not listed here.
    #[schema(minimum = 0)]
    pub warnings_left_out: usize,
    /// Routines of which not every date was looked at, since a clinic is looked at for 100,000 dates at most.
    #[schema(minimum = 0)]
    pub routines_left_out: usize,
}

/// One page of plan warnings.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct PlanWarningPage {
    /// The instant it was worked out for.
    pub as_of: DateTime<Utc>,
    /// The clinics of this page, in the order of their ids, those without warnings too.
    #[schema(max_items = 50)]
    pub items: Vec<ClinicPlanWarnings>,
    /// Warnings that no single clinic has: shown on the first page, and to keys that reach the whole group.
    #[schema(max_items = 200)]
    pub group_warnings: Vec<PlanWarningDocument>,
    /// Further ones of these.
    #[schema(minimum = 0)]
    pub group_warnings_left_out: usize,
}

/// Its routes.
#[must_use]
pub fn router() -> OpenApiRouter<AppState> {
    OpenApiRouter::new().routes(routes!(list_plan_warnings)).routes(routes!(list_clinic_plan_warnings))
}

/// List the warnings about a clinic's plan
///
/// Looks at the clinic's hours and the group's routines over the coming 400 days: a clinic without opening hours or
/// without an open day, a routine all of whose dates are closed days, several dates that closed days move to one, a
/// routine in use that selects nothing here, periods without an open day, an interval of more opening hours than the
/// clinic has, and a routine that follows nothing that is done here. A closure for part of the year alone is no
/// warning as long as one date is left.
#[utoipa::path(
    get,
    path = "/v1/clinics/{clinic_id}/plan-warnings",
    operation_id = "list_clinic_plan_warnings",
    tag = "Manager",
    params(("clinic_id" = Uuid, Path, description = "The clinic.")),
    responses((status = 200, description = "The warnings; none is an empty list.", body = ClinicPlanWarnings))
)]
async fn list_clinic_plan_warnings(
    State(state): State<AppState>,
    caller: Caller,
    Path(clinic_id): Path<Uuid>,
) -> ApiResult<Json<ClinicPlanWarnings>> {
    caller.must_be(&LIST_READERS)?;
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let row = find_reached(&mut tx, &caller, clinic_id).await?;
    tx.commit().await?;
    let found = of_clinic(&state, &caller, row).await?;
    found.map(Json).ok_or_else(|| ApiError::not_found("clinic"))
}

/// List the warnings about the plans of all clinics within reach
///
/// Clinic by clinic, as for one clinic. A `Link` field with `rel="next"` leads to the next page.
#[utoipa::path(
    get,
    path = "/v1/plan-warnings",
    operation_id = "list_plan_warnings",
    tag = "Manager",
    params(ByClinic),
    responses((
        status = 200,
        description = "One page of clinics with their warnings.",
        body = PlanWarningPage,
        headers(("Link" = String, description = "The next page, when there is one (RFC 8288)"))
    ))
)]
async fn list_plan_warnings(
    State(state): State<AppState>,
    caller: Caller,
    Query(query): Query<ByClinic>,
) -> ApiResult<Response> {
    caller.must_be(&LIST_READERS)?;
    let (limit, after) = (query.limit()?, query.after()?);
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let mut rows = store::clinics::list(&mut tx, caller.group_id).await?;
    tx.commit().await?;
    rows.retain(|row| caller.reach.covers_clinic(row.clinic_id) && after.is_none_or(|after| row.clinic_id > after));
    rows.sort_by_key(|row| row.clinic_id);
    let has_more = rows.len() > limit;
    rows.truncate(limit);
    let link = rows.last().filter(|_| has_more).and_then(|last| query.link_after("/v1/plan-warnings", last.clinic_id));
    let mut items = Vec::with_capacity(rows.len());
    for row in rows {
        items.extend(of_clinic(&state, &caller, row).await?);
    }
    let (group_warnings, group_warnings_left_out) =
        if after.is_none() && caller.reach.covers_group() { of_group(&state, &caller).await? } else { (Vec::new(), 0) };
    let page = PlanWarningPage { as_of: caller.now, items, group_warnings, group_warnings_left_out };
    Ok(linked(&page, link))
}

async fn of_clinic(state: &AppState, caller: &Caller, row: ClinicRow) -> ApiResult<Option<ClinicPlanWarnings>> {
    let _turn = AT_ONCE.acquire().await.map_err(|_| ApiError::unavailable("plans are no longer looked at"))?;
    let ClinicRow { clinic_id, name: clinic_name, .. } = row;
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let loaded = store::planning::load(&mut tx, caller.group_id, clinic_id, state.horizon_days, caller.now).await?;
    tx.commit().await?;
    let Some(clinic) = loaded.map(Arc::new) else { return Ok(None) };
    let Warnings { warnings, warnings_left_out, routines_left_out } =
        look_at(Arc::clone(&clinic), clinic_id, caller.now).await?;
    let (first_on, last_on) = warnings::days_looked_at(clinic.hours.clinic_day_of(caller.now));
    let warnings = told(&clinic, warnings);
    Ok(Some(ClinicPlanWarnings {
        clinic_id,
        clinic_name,
        first_on,
        last_on,
        warnings,
        warnings_left_out,
        routines_left_out,
    }))
}

async fn of_group(state: &AppState, caller: &Caller) -> ApiResult<(Vec<PlanWarningDocument>, usize)> {
    // A day early, so that no clinic's today is missed.
    let today = caller.now.date_naive() - Days::new(1);
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let routines = store::routines::list_since(&mut tx, caller.group_id, today).await?;
    let rows = store::clinics::subjects::list(&mut tx, caller.group_id, &SubjectKind::ALL, None).await?;
    tx.commit().await?;
    let subjects: Vec<_> = rows.into_iter().map(|row| row.subject).collect();
    let found = warnings::of_group(&routines, &subjects, today);
    let names = routine_names(&routines);
    let told = found.warnings.into_iter().map(|warning| document(warning, &names, &BTreeMap::new())).collect();
    Ok((told, found.warnings_left_out))
}

/// What a clinic's plan is warned about at an instant. Arithmetic over 400 days and all routines: not on a thread that
/// answers requests.
///
/// # Errors
/// When it was not worked out.
pub(super) async fn look_at(clinic: Arc<Clinic>, clinic_id: Uuid, now: DateTime<Utc>) -> ApiResult<Warnings> {
    let look = move || warnings::of_clinic(&clinic, clinic_id, clinic.hours.clinic_day_of(now));
    Ok(tokio::task::spawn_blocking(look).await.map_err(StoreError::from)?)
}

/// Warnings with the names of what they are about.
pub(super) fn told(clinic: &Clinic, found: Vec<PlanWarning>) -> Vec<PlanWarningDocument> {
    let routines = routine_names(&clinic.routines);
    let subjects = clinic.subjects.iter().map(|subject| (subject.id, subject.name.as_str())).collect();
    found.into_iter().map(|warning| document(warning, &routines, &subjects)).collect()
}

/// What routines are called in their newest version.
fn routine_names(routines: &[Vec<RoutineVersion>]) -> RoutineNames {
    let newest = routines.iter().filter_map(|versions| versions.last());
    RoutineNames(newest.map(|v| (v.routine_id, v.routine.name.clone())).collect())
}

fn document(warning: PlanWarning, routines: &RoutineNames, subjects: &BTreeMap<Uuid, &str>) -> PlanWarningDocument {
    let PlanWarning { routine_id, subject_id, finding } = warning;
    PlanWarningDocument {
        routine_id,
        routine_name: routine_id.and_then(|id| routines.0.get(&id).cloned()),
        subject_id,
        subject_name: subject_id.and_then(|id| subjects.get(&id).map(|name| (*name).to_owned())),
        sentence: finding.sentence(routines),
        finding,
    }
}

/// Examples for the API's document.
pub(in crate::http) fn examples() -> Vec<Example> {
    let (first_on, last_on) = warnings::days_looked_at(samples::day());
    let routine_id = samples::ROUTINE;
    let names = RoutineNames(BTreeMap::from([(routine_id, samples::task().routine_name)]));
    // 2026-11-26 is a Thursday, and so is the last of the 400 days: 57 Sundays lie between.
    let first_dates = [3, 10, 17].map(|days| samples::day() + Days::new(days)).to_vec();
    let finding = PlanFinding::EveryDateClosed { dates: 57, moved: 0, first_dates };
    let warning = PlanWarning { routine_id: Some(routine_id), subject_id: None, finding };
    let clinic = ClinicPlanWarnings {
        clinic_id: samples::CLINIC,
        clinic_name: "Saltmarrow Marrowby Fold".to_owned(),
        first_on,
        last_on,
        warnings: vec![document(warning, &names, &BTreeMap::new())],
        warnings_left_out: 0,
        routines_left_out: 0,
    };
    let unselecting =
        PlanWarning { routine_id: Some(routine_id), subject_id: None, finding: PlanFinding::SelectsNothing {} };
    let page = PlanWarningPage {
        as_of: samples::morning(7, 0),
        items: vec![clinic.clone()],
        group_warnings: vec![document(unselecting, &names, &BTreeMap::new())],
        group_warnings_left_out: 0,
    };
    vec![
        Example { operation_id: "list_clinic_plan_warnings", part: Part::Response, value: json!(clinic) },
        Example { operation_id: "list_plan_warnings", part: Part::Response, value: json!(page) },
    ]
}
