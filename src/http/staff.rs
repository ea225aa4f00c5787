//! Staff: the people of a group.
//!
//! The rule of this file: what is kept of a person is what the work needs, and no more. Nobody is deleted, since
//! evidence names them; whoever leaves gets a last day.

pub mod competences;
pub mod expiring;
pub mod pins;
pub mod signature;
pub(super) mod signing;
pub(super) mod telling;
pub(super) mod who;

use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use chrono::NaiveDate;
use serde::{Deserialize, Serialize};
use serde_json::json;
use utoipa::{IntoParams, ToSchema};
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
use crate::domain::event::EventKind;
use crate::domain::fault::{Fault, check_text};
use crate::domain::staff::{StaffMember, StaffRole};
use crate::store;
use crate::store::seals::marks;

/// Most people of a group, those who left too.
const MOST_PEOPLE: i64 = 5000;
/// Most clinics one person names; whoever works at more works at all.
const MOST_CLINICS: usize = 200;

/// A person as they are set.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct StaffInput {
    /// Their name.
    #[schema(min_length = 1, max_length = 120, example = "Kit Vale")]
    pub name: String,
    /// What completions name them by: nobody else who is there on one of the same days may have it.
    #[schema(min_length = 1, max_length = 40, example = "KV")]
    pub initials: String,
    /// What they do.
    pub role: StaffRole,
    /// Where they work, at most 200 clinics; empty: at every clinic of the group.
    #[serde(default)]
    #[schema(max_items = 200)]
    pub clinic_ids: Vec<Uuid>,
    /// First day.
    #[schema(example = "2024-03-18")]
    pub active_from: NaiveDate,
    /// Last day; left out: none is set.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub active_until: Option<NaiveDate>,
}

impl StaffInput {
    fn check(mut self, staff_id: Uuid) -> Result<StaffMember, Vec<Fault>> {
        let mut faults = Vec::new();
        check_text(&mut faults, "/name", &self.name, 120);
        check_text(&mut faults, "/initials", &self.initials, 40);
        if self.initials.trim() != self.initials {
            faults.push(Fault::new("/initials", "must not begin or end with a space"));
        }
        check_date(&mut faults, "/active_from", self.active_from);
        if let Some(until) = self.active_until {
            check_date(&mut faults, "/active_until", until);
            if until < self.active_from {
                faults.push(Fault::new("/active_until", "must not be before active_from"));
            }
        }
        // A set, whatever the order it was sent in: a repeat is then recognised.
        self.clinic_ids.sort_unstable();
        self.clinic_ids.dedup();
        if self.clinic_ids.len() > MOST_CLINICS {
            faults.push(Fault::new("/clinic_ids", format!("must name at most {MOST_CLINICS}; leave it empty for all")));
        }
        let Self { name, initials, role, clinic_ids, active_from, active_until } = self;
        let person = StaffMember { staff_id, name, initials, role, clinic_ids, active_from, active_until };
        without_faults(person, faults)
    }
}

/// A person.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct StaffDocument {
    /// Their identity.
    pub staff_id: Uuid,
    /// Their name.
    pub name: String,
    /// What completions name them by.
    pub initials: String,
    /// What they do.
    pub role: StaffRole,
    /// Where they work; empty: at every clinic of the group.
    pub clinic_ids: Vec<Uuid>,
    /// First day.
    pub active_from: NaiveDate,
    /// Last day; null: none is set.
    #[schema(required)]
    pub active_until: Option<NaiveDate>,
}

impl From<StaffMember> for StaffDocument {
    fn from(person: StaffMember) -> Self {
        let StaffMember { staff_id, name, initials, role, clinic_ids, active_from, active_until } = person;
        Self { staff_id, name, initials, role, clinic_ids, active_from, active_until }
    }
}

/// The people of a group.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct StaffList {
    /// By name, those who left too.
    pub items: Vec<StaffDocument>,
}

/// Which people.
#[derive(Clone, Copy, Debug, Default, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct StaffQuery {
    /// Only those who work at this clinic.
    pub clinic_id: Option<Uuid>,
    /// Only those who are there on this day.
    pub active_on: Option<NaiveDate>,
}

/// Its routes.
#[must_use]
pub fn router() -> OpenApiRouter<AppState> {
    OpenApiRouter::new().routes(routes!(list_staff)).routes(routes!(get_staff, put_staff))
}

/// List the people of the group
///
/// Every key of the group may read it: a tablet offers the list to sign from. No PIN is among what is shown.
#[utoipa::path(
    get,
    path = "/v1/staff",
    operation_id = "list_staff",
    tag = "Staff",
    params(StaffQuery),
    responses((status = 200, description = "The people by name, those who left too.", body = StaffList))
)]
async fn list_staff(
    State(state): State<AppState>,
    caller: Caller,
    Query(query): Query<StaffQuery>,
) -> ApiResult<Json<StaffList>> {
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let people = store::staff::list(&mut tx, caller.group_id).await?;
    tx.commit().await?;
    let wanted = people.into_iter().filter(|person| {
        query.clinic_id.is_none_or(|clinic_id| person.works_at(clinic_id))
            && query.active_on.is_none_or(|day| person.is_active_on(day))
    });
    Ok(Json(StaffList { items: wanted.map(StaffDocument::from).collect() }))
}

/// Read one person
#[utoipa::path(
    get,
    path = "/v1/staff/{staff_id}",
    operation_id = "get_staff",
    tag = "Staff",
    params(("staff_id" = Uuid, Path, description = "The person.")),
    responses((status = 200, description = "The person.", body = StaffDocument))
)]
async fn get_staff(
    State(state): State<AppState>,
    caller: Caller,
    Path(staff_id): Path<Uuid>,
) -> ApiResult<Json<StaffDocument>> {
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let person = store::staff::find(&mut tx, caller.group_id, staff_id).await?;
    tx.commit().await?;
    person.map(|person| Json(person.into())).ok_or_else(|| ApiError::not_found("person"))
}

/// Create or replace a person
///
/// The id is made by the client, so a repeat is harmless. Somebody who leaves gets `active_until`; what they recorded
/// stays under their name.
#[utoipa::path(
    put,
    path = "/v1/staff/{staff_id}",
    operation_id = "put_staff",
    tag = "Staff",
    params(("staff_id" = Uuid, Path, description = "The person."), EditQuery),
    request_body = StaffInput,
    responses(
        (status = 200, description = "They stood before, and are now as sent.", body = StaffDocument),
        (status = 201, description = "They were added.", body = StaffDocument)
    )
)]
async fn put_staff(
    State(state): State<AppState>,
    caller: Caller,
    Path(staff_id): Path<Uuid>,
    Query(edit): Query<EditQuery>,
    Body(input): Body<StaffInput>,
) -> Edited<(StatusCode, Json<StaffDocument>)> {
    let (mut change, person) = Change::begin(&state, &caller, edit, input.check(staff_id)).await?;
    let before = store::staff::find(change.db(), caller.group_id, staff_id).await?;
    let document = StaffDocument::from(person.clone());
    if before.as_ref() != Some(&person) {
        if before.is_none() {
            let standing = store::staff::count(change.db(), caller.group_id).await?;
            must_have_room(standing, MOST_PEOPLE, "people of a group")?;
        }
        let mut faults = Vec::new();
        let missing = store::clinics::list_missing(change.db(), caller.group_id, &person.clinic_ids).await?;
        check_found(&mut faults, "/clinic_ids", &missing, "clinic");
        let namesakes = store::staff::list_with_initials(change.db(), caller.group_id, &person.initials).await?;
        if let Some(other) = namesakes.iter().find(|p| p.staff_id != staff_id && p.overlaps(&person)) {
            faults.push(Fault::new("/initials", format!("are those of {}, who is there on the same days", other.name)));
        }
        without_faults((), faults).map_err(ApiError::rules_broken)?;
        store::staff::save(change.db(), caller.group_id, &person, caller.now).await?;
        marks::mark_person(change.db(), caller.group_id, before.as_ref(), &person, caller.marking()).await?;
        change.tell(EventKind::StaffChanged, None, &json!({ "staff": document })).await?;
    }
    change.commit().await?;
    Ok((created_or_ok(before.is_none()), Json(document)))
}

/// Examples for the API's document.
pub(super) fn examples() -> Vec<Example> {
    let input = StaffInput {
        name: "Kit Vale".to_owned(),
        initials: "KV".to_owned(),
        role: StaffRole::Assistant,
        clinic_ids: vec![samples::CLINIC],
        active_from: NaiveDate::from_ymd_opt(2024, 3, 18).unwrap_or_default(),
        active_until: None,
    };
    let document = StaffDocument {
        staff_id: samples::STAFF,
        name: input.name.clone(),
        initials: input.initials.clone(),
        role: input.role,
        clinic_ids: input.clinic_ids.clone(),
        active_from: input.active_from,
        active_until: None,
    };
    let list = StaffList { items: vec![document.clone()] };
    vec![
        Example { operation_id: "list_staff", part: Part::Response, value: json!(list) },
        Example { operation_id: "get_staff", part: Part::Response, value: json!(document) },
        Example { operation_id: "put_staff", part: Part::Request, value: json!(input) },
        Example { operation_id: "put_staff", part: Part::Response, value: json!(document) },
    ]
}
