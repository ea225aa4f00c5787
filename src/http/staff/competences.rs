//! What people were trained and signed for.
//!
//! The rule of this file: a competence is withdrawn by its last day and never deleted, since evidence was judged by it.

use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use chrono::NaiveDate;
use serde::{Deserialize, Serialize};
use serde_json::json;
use sqlx::PgConnection;
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use uuid::Uuid;

use crate::domain::event::EventKind;
use crate::domain::fault::{Fault, check_optional_text, check_text};
use crate::domain::staff::{Competence, CompetentFor, is_family_key};
use crate::http::AppState;
use crate::http::caller::Caller;
use crate::http::configuration::{
    Change, EditQuery, Edited, check_date, check_found, created_or_ok, must_have_room, without_faults,
};
use crate::http::extract::{Body, Path, Query};
use crate::http::openapi::{Example, Part};
use crate::http::problem::{ApiError, ApiResult};
use crate::http::samples;
use crate::store;

/// Most competences of one person, ended ones too: twenty a year for ten years.
const MOST_COMPETENCES: i64 = 200;

/// A competence as it is set.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct CompetenceInput {
    /// What for: one routine, or a family of them.
    pub for_what: CompetentFor,
    /// First day.
    #[schema(example = "2026-01-12")]
    pub valid_from: NaiveDate,
    /// Last day; left out: it does not expire. Set it to withdraw the competence.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = "2027-01-11")]
    pub valid_until: Option<NaiveDate>,
    /// Who found the person competent.
    #[schema(min_length = 1, max_length = 120, example = "Mo Orr, clinic lead")]
    pub signed_off_by: String,
    /// How; never health data.
    #[serde(default)]
    #[schema(max_length = 400, example = "watched three flushes")]
    pub note: String,
}

impl CompetenceInput {
    fn check(self, competence_id: Uuid) -> Result<Competence, Vec<Fault>> {
        let mut faults = Vec::new();
        if let CompetentFor::Family { family } = &self.for_what
            && !is_family_key(family)
        {
            faults
                .push(Fault::new("/for_what/family", "must be a lower-case key of at most 40 letters, digits, _ or -"));
        }
        check_date(&mut faults, "/valid_from", self.valid_from);
        if let Some(until) = self.valid_until {
            check_date(&mut faults, "/valid_until", until);
            if until < self.valid_from {
                faults.push(Fault::new("/valid_until", "must not be before valid_from"));
            }
        }
        check_text(&mut faults, "/signed_off_by", &self.signed_off_by, 120);
        check_optional_text(&mut faults, "/note", &self.note, 400);
        let Self { for_what, valid_from, valid_until, signed_off_by, note } = self;
        without_faults(Competence { competence_id, for_what, valid_from, valid_until, signed_off_by, note }, faults)
    }
}

/// A competence.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct CompetenceDocument {
    /// Its identity among those of the person.
    pub competence_id: Uuid,
    /// The person.
    pub staff_id: Uuid,
    /// What for.
    pub for_what: CompetentFor,
    /// First day.
    pub valid_from: NaiveDate,
    /// Last day; null: it does not expire.
    #[schema(required)]
    pub valid_until: Option<NaiveDate>,
    /// Who found the person competent.
    pub signed_off_by: String,
    /// How; may be empty.
    pub note: String,
}

impl CompetenceDocument {
    pub(in crate::http) fn of(staff_id: Uuid, competence: Competence) -> Self {
        let Competence { competence_id, for_what, valid_from, valid_until, signed_off_by, note } = competence;
        Self { competence_id, staff_id, for_what, valid_from, valid_until, signed_off_by, note }
    }
}

/// A person's competences.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct CompetenceList {
    /// By their first day, ended ones too.
    pub items: Vec<CompetenceDocument>,
}

/// Its routes.
#[must_use]
pub fn router() -> OpenApiRouter<AppState> {
    OpenApiRouter::new().routes(routes!(list_competences)).routes(routes!(get_competence, put_competence))
}

async fn of_person(db: &mut PgConnection, group_id: Uuid, staff_id: Uuid) -> ApiResult<Vec<Competence>> {
    if store::staff::find(db, group_id, staff_id).await?.is_none() {
        return Err(ApiError::not_found("person"));
    }
    Ok(store::staff::list_competences(db, group_id, &[staff_id]).await?.remove(&staff_id).unwrap_or_default())
}

/// List a person's competences, ended ones too
#[utoipa::path(
    get,
    path = "/v1/staff/{staff_id}/competences",
    operation_id = "list_competences",
    tag = "Staff",
    params(("staff_id" = Uuid, Path, description = "The person.")),
    responses((status = 200, description = "The competences by their first day.", body = CompetenceList))
)]
async fn list_competences(
    State(state): State<AppState>,
    caller: Caller,
    Path(staff_id): Path<Uuid>,
) -> ApiResult<Json<CompetenceList>> {
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let competences = of_person(&mut tx, caller.group_id, staff_id).await?;
    tx.commit().await?;
    let items = competences.into_iter().map(|c| CompetenceDocument::of(staff_id, c)).collect();
    Ok(Json(CompetenceList { items }))
}

/// Read one competence
#[utoipa::path(
    get,
    path = "/v1/staff/{staff_id}/competences/{competence_id}",
    operation_id = "get_competence",
    tag = "Staff",
    params(("staff_id" = Uuid, Path, description = "The person."),
           ("competence_id" = Uuid, Path, description = "The competence.")),
    responses((status = 200, description = "The competence.", body = CompetenceDocument))
)]
async fn get_competence(
    State(state): State<AppState>,
    caller: Caller,
    Path((staff_id, competence_id)): Path<(Uuid, Uuid)>,
) -> ApiResult<Json<CompetenceDocument>> {
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let competences = of_person(&mut tx, caller.group_id, staff_id).await?;
    tx.commit().await?;
    let found = competences.into_iter().find(|c| c.competence_id == competence_id);
    Ok(Json(CompetenceDocument::of(staff_id, found.ok_or_else(|| ApiError::not_found("competence"))?)))
}

/// Create or replace a competence of a person
///
/// The id is made by the client, so a repeat is harmless. To withdraw it, send it with a last day.
#[utoipa::path(
    put,
    path = "/v1/staff/{staff_id}/competences/{competence_id}",
    operation_id = "put_competence",
    tag = "Staff",
    params(("staff_id" = Uuid, Path, description = "The person."),
           ("competence_id" = Uuid, Path, description = "The competence."), EditQuery),
    request_body = CompetenceInput,
    responses(
        (status = 200, description = "It stood before, and is now as sent.", body = CompetenceDocument),
        (status = 201, description = "It was added.", body = CompetenceDocument)
    )
)]
async fn put_competence(
    State(state): State<AppState>,
    caller: Caller,
    Path((staff_id, competence_id)): Path<(Uuid, Uuid)>,
    Query(edit): Query<EditQuery>,
    Body(input): Body<CompetenceInput>,
) -> Edited<(StatusCode, Json<CompetenceDocument>)> {
    let (mut change, competence) = Change::begin(&state, &caller, edit, input.check(competence_id)).await?;
    let standing = of_person(change.db(), caller.group_id, staff_id).await?;
    let before = standing.iter().find(|c| c.competence_id == competence_id);
    let is_new = before.is_none();
    let document = CompetenceDocument::of(staff_id, competence.clone());
    if before != Some(&competence) {
        if is_new {
            let count = i64::try_from(standing.len()).unwrap_or(i64::MAX);
            must_have_room(count, MOST_COMPETENCES, "competences of a person")?;
        }
        if let CompetentFor::Routine { routine_id } = competence.for_what
            && store::routines::find_newest(change.db(), caller.group_id, routine_id).await?.is_none()
        {
            let mut faults = Vec::new();
            check_found(&mut faults, "/for_what/routine_id", &[routine_id], "routine");
            return Err(ApiError::rules_broken(faults).into());
        }
        store::staff::save_competence(change.db(), caller.group_id, staff_id, &competence, caller.now).await?;
        change.tell(EventKind::CompetenceChanged, None, &json!({ "competence": document })).await?;
    }
    change.commit().await?;
    Ok((created_or_ok(is_new), Json(document)))
}

/// Examples for the API's document.
pub(in crate::http) fn examples() -> Vec<Example> {
    let document = example();
    let input = CompetenceInput {
        for_what: document.for_what.clone(),
        valid_from: document.valid_from,
        valid_until: document.valid_until,
        signed_off_by: document.signed_off_by.clone(),
        note: document.note.clone(),
    };
    let list = CompetenceList { items: vec![document.clone()] };
    vec![
        Example { operation_id: "list_competences", part: Part::Response, value: json!(list) },
        Example { operation_id: "get_competence", part: Part::Response, value: json!(document) },
        Example { operation_id: "put_competence", part: Part::Request, value: json!(input) },
        Example { operation_id: "put_competence", part: Part::Response, value: json!(document) },
    ]
}

/// A competence of the story.
pub(in crate::http) fn example() -> CompetenceDocument {
    CompetenceDocument {
        competence_id: samples::COMPETENCE,
        staff_id: samples::STAFF,
        for_what: CompetentFor::Family { family: "waterlines".to_owned() },
        valid_from: NaiveDate::from_ymd_opt(2026, 1, 12).unwrap_or_default(),
        valid_until: NaiveDate::from_ymd_opt(2027, 1, 11),
        signed_off_by: "Mo Orr, clinic lead".to_owned(),
        note: "watched three flushes".to_owned(),
    }
}
