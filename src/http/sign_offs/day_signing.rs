//! From which day on a clinic's open days ask a lead for a signature.
//!
//! The rule of this file: what a past day asked is not rewritten; a setting holds from today on at the earliest. A clinic
//! that was never set asks from the day it was first planned by a version that knows of this.

use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use chrono::NaiveDate;
use serde::{Deserialize, Serialize};
use serde_json::json;
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use uuid::Uuid;

use crate::domain::event::EventKind;
use crate::http::AppState;
use crate::http::caller::Caller;
use crate::http::clinics::find_reached;
use crate::http::configuration::{
    Change, EditQuery, Edited, check_date, created_or_ok, must_have_room, without_faults,
};
use crate::http::extract::{Body, Path, Query};
use crate::http::openapi::{Example, Part};
use crate::http::problem::{ApiError, ApiResult};
use crate::http::samples;
use crate::http::staff::signature::clinic_day;
use crate::store;
use crate::store::sign_offs::days_to_sign::{SigningRule, list_rules, save_rule};

/// Most settings of one clinic.
const MOST_RULES: i64 = 200;

/// Whether open days ask to be signed, from a day on.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct DaySigning {
    /// The first clinic day it holds for: today at the clinic, or later.
    #[schema(example = "2026-12-01")]
    pub from_on: NaiveDate,
    /// Whether open days ask.
    pub is_asked: bool,
}

impl From<SigningRule> for DaySigning {
    fn from(rule: SigningRule) -> Self {
        Self { from_on: rule.from_on, is_asked: rule.is_asked }
    }
}

/// What was set for a clinic.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct DaySigningList {
    /// By day; each holds until the next. Empty: the clinic was not planned yet.
    pub items: Vec<DaySigning>,
}

/// Its routes.
#[must_use]
pub fn router() -> OpenApiRouter<AppState> {
    OpenApiRouter::new().routes(routes!(list_day_signing, put_day_signing))
}

/// List from which day on a clinic's open days ask to be signed
#[utoipa::path(get, path = "/v1/clinics/{clinic_id}/day-signing", operation_id = "list_day_signing",
    tag = "Day sign-off", params(("clinic_id" = Uuid, Path, description = "The clinic")),
    responses((status = 200, body = DaySigningList, description = "What was set, by day")))]
async fn list_day_signing(
    State(state): State<AppState>,
    caller: Caller,
    Path(clinic_id): Path<Uuid>,
) -> ApiResult<Json<DaySigningList>> {
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    find_reached(&mut tx, &caller, clinic_id).await?;
    let rules = list_rules(&mut tx, caller.group_id, clinic_id).await?;
    tx.commit().await?;
    Ok(Json(DaySigningList { items: rules.into_iter().map(DaySigning::from).collect() }))
}

/// Set whether open days ask to be signed, from a day on
///
/// Until the next setting's day. A day that is overdue already stays so. A clinic that was never set asks from the day it
/// was first planned on.
#[utoipa::path(put, path = "/v1/clinics/{clinic_id}/day-signing", operation_id = "put_day_signing",
    tag = "Day sign-off", params(("clinic_id" = Uuid, Path, description = "The clinic"), EditQuery),
    request_body = DaySigning,
    responses((status = 200, body = DaySigning, description = "Something was set for that day before, and it is now as sent"),
              (status = 201, body = DaySigning, description = "It is set")))]
async fn put_day_signing(
    State(state): State<AppState>,
    caller: Caller,
    Path(clinic_id): Path<Uuid>,
    Query(edit): Query<EditQuery>,
    Body(input): Body<DaySigning>,
) -> Edited<(StatusCode, Json<DaySigning>)> {
    let mut faults = Vec::new();
    check_date(&mut faults, "/from_on", input.from_on);
    let (mut change, input) = Change::begin(&state, &caller, edit, without_faults(input, faults)).await?;
    change.clinic(clinic_id).await?;
    let today = clinic_day(change.db(), &caller, clinic_id).await?;
    let rules = list_rules(change.db(), caller.group_id, clinic_id).await?;
    let before = rules.iter().find(|rule| rule.from_on == input.from_on).copied();
    if before.is_none_or(|rule| rule.is_asked != input.is_asked) {
        if input.from_on < today {
            return Err(
                ApiError::rule_broken("/from_on", format!("must be today at the clinic, {today}, or later")).into()
            );
        }
        must_have_room(i64::try_from(rules.len()).unwrap_or(i64::MAX), MOST_RULES, "settings of one clinic")?;
        if rules.is_empty() && input.from_on > today {
            // What the clinic's first planning would set.
            let first = SigningRule { from_on: today, is_asked: true };
            save_rule(change.db(), caller.group_id, clinic_id, first, caller.now).await?;
        }
        let rule = SigningRule { from_on: input.from_on, is_asked: input.is_asked };
        save_rule(change.db(), caller.group_id, clinic_id, rule, caller.now).await?;
        change.tell(EventKind::ClinicChanged, Some(clinic_id), &json!({ "day_signing": input })).await?;
        change.replan_clinic(clinic_id).await?;
    }
    change.commit().await?;
    Ok((created_or_ok(before.is_none()), Json(input)))
}

/// Examples for the API's document.
pub(in crate::http) fn examples() -> Vec<Example> {
    let set = DaySigning { from_on: samples::day() + chrono::Days::new(2000), is_asked: true };
    let list = DaySigningList { items: vec![set.clone()] };
    let example = |operation_id, part, value| Example { operation_id, part, value };
    vec![
        example("list_day_signing", Part::Response, json!(list)),
        example("put_day_signing", Part::Request, json!(set)),
        example("put_day_signing", Part::Response, json!(set)),
    ]
}
