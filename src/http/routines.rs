//! Routines and their versions.
//!
//! The rule of this file: a change of a routine is a new version for clinic days to come. No version is ever changed,
//! and none reaches back to days that were worked under another.

pub mod ladder;
pub mod own_limits;

use std::collections::BTreeSet;

use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use serde::{Deserialize, Serialize};
use serde_json::json;
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use uuid::Uuid;

use super::AppState;
use super::caller::Caller;
use super::configuration::{
    Change, EditQuery, Edited, check_date, check_found, created_or_ok, must_have_room, without_faults,
};
use super::extract::{Body, Path, Query};
use super::openapi::{Example, Part};
use super::problem::{ApiError, ApiResult};
use super::samples;
use crate::domain::anchor::Anchor;
use crate::domain::event::EventKind;
use crate::domain::fault::Fault;
use crate::domain::limit::{Seen, Source};
use crate::domain::routine::{BlocksFrom, Routine, RoutineVersion, Selection, Window};
use crate::domain::step::{Part as UnitPart, Step, StepEvidence};
use crate::domain::subject::SubjectKind;
use crate::store;

/// The zone farthest behind UTC: where it is today, it is today or later everywhere.
const FARTHEST_BEHIND_UTC: TimeDelta = TimeDelta::hours(12);

/// Most routines of one group: ten times what the trade's whole list has.
const MOST_ROUTINES: i64 = 1000;

/// A routine as it is set.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct RoutineInput {
    /// First clinic day this content is in force for, in the years 1970 to 2199. Absent: today. A change of a routine
    /// cannot reach back before today.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub effective_on: Option<NaiveDate>,
    /// Its content. A routine that is no longer used is set to `"in_use": false`; its history stays.
    pub routine: Routine,
}

impl RoutineInput {
    fn check(self) -> Result<Self, Vec<Fault>> {
        let mut faults: Vec<_> = self.routine.faults().into_iter().map(|f| f.under("/routine")).collect();
        if let Some(effective_on) = self.effective_on {
            check_date(&mut faults, "/effective_on", effective_on);
        }
        without_faults(self, faults)
    }

    /// Whether the newest version says all of this already. Without a date, one that is in force today does.
    fn stands_as(&self, newest: &RoutineVersion, today: NaiveDate) -> bool {
        let same_date = match self.effective_on {
            Some(effective_on) => newest.effective_on == effective_on,
            None => newest.effective_on <= today,
        };
        same_date && newest.routine == self.routine
    }
}

/// A version of a routine.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct RoutineDocument {
    /// The routine's identity, kept over its versions.
    pub routine_id: Uuid,
    /// 1, 2, 3 …
    #[schema(minimum = 1)]
    pub version: i32,
    /// First clinic day it is in force for, until the date of a version with a higher number.
    pub effective_on: NaiveDate,
    /// Its content.
    pub routine: Routine,
}

impl From<RoutineVersion> for RoutineDocument {
    fn from(version: RoutineVersion) -> Self {
        Self {
            routine_id: version.routine_id,
            version: version.version,
            effective_on: version.effective_on,
            routine: version.routine,
        }
    }
}

/// The group's routines.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct RoutineList {
    /// The newest version of each, by name.
    pub items: Vec<RoutineDocument>,
}

/// The versions of a routine.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct RoutineVersionList {
    /// Oldest first.
    pub items: Vec<RoutineDocument>,
}

/// Its routes.
#[must_use]
pub fn router() -> OpenApiRouter<AppState> {
    OpenApiRouter::new()
        .routes(routes!(list_routines))
        .routes(routes!(get_routine, put_routine))
        .routes(routes!(list_routine_versions))
}

/// List the group's routines
///
/// Routines are the group's: every key of the group may read them. Each is shown in its newest version, which may come
/// into force later.
#[utoipa::path(
    get,
    path = "/v1/routines",
    operation_id = "list_routines",
    tag = "Routines",
    responses((status = 200, description = "The newest version of each routine, by name.", body = RoutineList))
)]
async fn list_routines(State(state): State<AppState>, caller: Caller) -> ApiResult<Json<RoutineList>> {
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let newest = store::routines::list_newest(&mut tx, caller.group_id).await?;
    tx.commit().await?;
    Ok(Json(RoutineList { items: newest.into_iter().map(RoutineDocument::from).collect() }))
}

/// Read one routine in its newest version
#[utoipa::path(
    get,
    path = "/v1/routines/{routine_id}",
    operation_id = "get_routine",
    tag = "Routines",
    params(("routine_id" = Uuid, Path, description = "The routine.")),
    responses((status = 200, description = "Its newest version.", body = RoutineDocument))
)]
async fn get_routine(
    State(state): State<AppState>,
    caller: Caller,
    Path(routine_id): Path<Uuid>,
) -> ApiResult<Json<RoutineDocument>> {
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let newest = store::routines::find_newest(&mut tx, caller.group_id, routine_id).await?;
    tx.commit().await?;
    newest.map(|version| Json(version.into())).ok_or_else(|| ApiError::not_found("routine"))
}

/// List every version of a routine
#[utoipa::path(
    get,
    path = "/v1/routines/{routine_id}/versions",
    operation_id = "list_routine_versions",
    tag = "Routines",
    params(("routine_id" = Uuid, Path, description = "The routine.")),
    responses((status = 200, description = "Its versions, oldest first.", body = RoutineVersionList))
)]
async fn list_routine_versions(
    State(state): State<AppState>,
    caller: Caller,
    Path(routine_id): Path<Uuid>,
) -> ApiResult<Json<RoutineVersionList>> {
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let versions = store::routines::versions(&mut tx, caller.group_id, routine_id).await?;
    tx.commit().await?;
    if versions.is_empty() {
        return Err(ApiError::not_found("routine"));
    }
    Ok(Json(RoutineVersionList { items: versions.into_iter().map(RoutineDocument::from).collect() }))
}

/// Create a routine or give it a new version
///
/// The id is made by the client, and a repeat is harmless: content and date of the newest version change nothing. What
/// can never be due is refused: a rule of which no date is left from the version's first day on, a season that holds none
/// of the dates, a routine that follows or strengthens one that is not there or of which nothing can come. What depends on
/// the clinics is a plan warning, told by `preview=true` and under `/v1/plan-warnings`.
#[utoipa::path(
    put,
    path = "/v1/routines/{routine_id}",
    operation_id = "put_routine",
    tag = "Routines",
    params(("routine_id" = Uuid, Path, description = "The routine."), EditQuery),
    request_body = RoutineInput,
    responses(
        (status = 200, description = "It stood before; this is its newest version.", body = RoutineDocument),
        (status = 201, description = "It was created.", body = RoutineDocument)
    )
)]
async fn put_routine(
    State(state): State<AppState>,
    caller: Caller,
    Path(routine_id): Path<Uuid>,
    Query(edit): Query<EditQuery>,
    Body(input): Body<RoutineInput>,
) -> Edited<(StatusCode, Json<RoutineDocument>)> {
    let (mut change, input) = Change::begin(&state, &caller, edit, input.check()).await?;
    let today = today_everywhere(caller.now);
    let newest = store::routines::find_newest(change.db(), caller.group_id, routine_id).await?;
    let next_version = match newest {
        Some(newest) if input.stands_as(&newest, today) => {
            change.commit().await?;
            return Ok((StatusCode::OK, Json(newest.into())));
        }
        Some(newest) => {
            check_reach_back(&input, today)?;
            newest.version + 1
        }
        None => {
            let standing = store::routines::count(change.db(), caller.group_id).await?;
            must_have_room(standing, MOST_ROUTINES, "routines in a group")?;
            1
        }
    };
    check_selection(&mut change, caller.group_id, &input.routine).await?;
    check_named_routine(&mut change, caller.group_id, routine_id, &input.routine).await?;
    let effective_on = input.effective_on.unwrap_or(today);
    check_dates_to_come(&input.routine, effective_on)?;
    let version = RoutineVersion { routine_id, version: next_version, effective_on, routine: input.routine };
    store::routines::append_version(change.db(), caller.group_id, &version, caller.now).await?;
    let document = RoutineDocument::from(version);
    change.tell(EventKind::RoutineChanged, None, &json!({ "routine": document })).await?;
    change.replan_group().await?;
    change.commit().await?;
    Ok((created_or_ok(next_version == 1), Json(document)))
}

/// The date that has begun everywhere.
fn today_everywhere(now: DateTime<Utc>) -> NaiveDate {
    (now - FARTHEST_BEHIND_UTC).date_naive()
}

/// Days gone by are judged by the version that was in force then, so a change must not come into force among them.
fn check_reach_back(input: &RoutineInput, today: NaiveDate) -> ApiResult<()> {
    match input.effective_on {
        Some(effective_on) if effective_on < today => {
            Err(ApiError::rule_broken("/effective_on", format!("must not be before today, {today}")))
        }
        _ => Ok(()),
    }
}

/// Every clinic and subject the selection names must be the group's, or the routine would silently plan nothing.
async fn check_selection(change: &mut Change<'_>, group_id: Uuid, routine: &Routine) -> ApiResult<()> {
    let mut faults = Vec::new();
    if let Some(ids) = &routine.selection.clinic_ids {
        let ids: Vec<_> = ids.iter().copied().collect();
        let missing = store::clinics::list_missing(change.db(), group_id, &ids).await?;
        check_found(&mut faults, "/routine/selection/clinic_ids", &missing, "clinic");
    }
    if let Some(ids) = &routine.selection.subject_ids {
        let ids: Vec<_> = ids.iter().copied().collect();
        let kind = routine.subject_kind;
        let missing = store::clinics::subjects::list_missing(change.db(), group_id, kind, &ids).await?;
        check_found(&mut faults, "/routine/selection/subject_ids", &missing, kind.as_str());
    }
    for (i, step) in routine.steps.iter().enumerate() {
        if let StepEvidence::Product { product_ids, .. } = &step.evidence {
            let missing = store::products::list_missing(change.db(), group_id, product_ids).await?;
            let at = format!("/routine/steps/{i}/evidence/product_ids");
            check_found(&mut faults, &at, &missing, "product");
        }
    }
    without_faults((), faults).map_err(ApiError::rules_broken)
}

/// The routine that is followed or strengthened must be there, and be one of which something can come. Completions of
/// routines that follow each other in a circle would wait for one another.
async fn check_named_routine(
    change: &mut Change<'_>,
    group_id: Uuid,
    routine_id: Uuid,
    routine: &Routine,
) -> ApiResult<()> {
    let Some((named_id, pointer)) = routine.names_routine().filter(|_| routine.in_use) else { return Ok(()) };
    let refused = |rule: &str| Err(ApiError::rule_broken(format!("/routine{pointer}"), rule));
    if named_id == routine_id {
        return refused("names the routine itself");
    }
    let Some(named) = store::routines::find_newest(change.db(), group_id, named_id).await? else {
        return refused("names no routine of this group");
    };
    if let Some(rule) = routine.fault_with(&named.routine) {
        return refused(rule);
    }
    let (mut met, mut anchor) = (BTreeSet::from([named_id]), named.routine.anchor);
    while let Anchor::Follows { routine_id: next_id, .. } = anchor {
        if next_id == routine_id {
            return refused(
                "names a routine that follows this one, at once or by others: each would wait for the other",
            );
        }
        let next = store::routines::find_newest(change.db(), group_id, next_id).await?;
        let Some(next) = next.filter(|_| met.insert(next_id)) else { break };
        anchor = next.routine.anchor;
    }
    Ok(())
}

/// A version whose rule has no date from its first day on would plan nothing, ever.
fn check_dates_to_come(routine: &Routine, effective_on: NaiveDate) -> ApiResult<()> {
    if routine.in_use && routine.gives_no_date_from(effective_on) {
        let rule = format!("give no date from {effective_on} on, the version's first day; retire it with in_use false");
        return Err(ApiError::rule_broken("/routine/anchor/dates", rule));
    }
    Ok(())
}

/// Examples for the API's document.
pub(super) fn examples() -> Vec<Example> {
    let source = Source {
        title: "HTM 01-05".to_owned(),
        edition: "2013".to_owned(),
        locator: "para 6.85".to_owned(),
        seen: Seen::Read,
    };
    let routine = Routine {
        name: "Flush the waterlines before the first patient".to_owned(),
        subject_kind: SubjectKind::Operatory,
        selection: Selection::default(),
        anchor: Anchor::Opening {},
        window: Window { may_start_minutes: -60, due_by_minutes: 0, overdue_minutes: 10, missed_minutes: 240 },
        blocks_from: Some(BlocksFrom::MayStart),
        steps: vec![Step {
            key: "flush".to_owned(),
            instruction: "Let the line run with no handpiece fitted.".to_owned(),
            for_each: Some(UnitPart::Circuit),
            required: true,
            cycle: None,
            evidence: StepEvidence::Hold {
                minimum_seconds: 120,
                maximum_seconds: None,
                source: source.clone(),
                minimum_from: None,
            },
        }],
        sources: vec![source],
        cautions: vec!["Run into the suction, away from faces; no bur or tip fitted.".to_owned()],
        rough_minutes: 5,
        family: None,
        ladder: None,
        season: None,
        on_fail: None,
        on_miss: None,
        counts_as_use: true,
        runs_mains_water: true,
        in_use: true,
    };
    let effective_on = samples::day();
    let document = RoutineDocument { routine_id: samples::ROUTINE, version: 1, effective_on, routine: routine.clone() };
    let input = RoutineInput { effective_on: Some(effective_on), routine };
    let list = json!(RoutineList { items: vec![document.clone()] });
    vec![
        Example { operation_id: "list_routines", part: Part::Response, value: list.clone() },
        Example { operation_id: "list_routine_versions", part: Part::Response, value: list },
        Example { operation_id: "get_routine", part: Part::Response, value: json!(document) },
        Example { operation_id: "put_routine", part: Part::Request, value: json!(input) },
        Example { operation_id: "put_routine", part: Part::Response, value: json!(document) },
    ]
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By the definition of UTC−12: its date changes at noon UTC.
    #[test]
    fn today_everywhere_begins_at_noon_utc() {
        let at = |text: &str| DateTime::parse_from_rfc3339(text).expect("an RFC 3339 instant").to_utc();
        let date = |d| NaiveDate::from_ymd_opt(2026, 12, d).expect("a date of the calendar");
        assert_eq!(today_everywhere(at("2026-12-02T11:59:59Z")), date(1));
        assert_eq!(today_everywhere(at("2026-12-02T12:00:00Z")), date(2));
    }
}
