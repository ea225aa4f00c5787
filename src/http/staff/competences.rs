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

use super::signature::{SignatureInput, Signer};
use super::signing::verify_lead;
use crate::domain::event::EventKind;
use crate::domain::fault::{Fault, check_optional_text, check_text};
use crate::domain::staff::{Competence, CompetentFor, StaffMember, is_family_key};
use crate::http::AppState;
use crate::http::caller::Caller;
use crate::http::configuration::{
    Change, EditQuery, Edited, check_date, check_found, created_or_ok, must_configure, must_have_room, without_faults,
};
use crate::http::extract::{Body, Path, Query};
use crate::http::openapi::{Example, Part};
use crate::http::problem::{ApiError, ApiResult};
use crate::http::samples;
use crate::store;
use crate::store::seals::marks;

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
    /// Who found the person competent, as told; left out where they sign for it themselves.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(min_length = 1, max_length = 120, example = "Mo Orr, clinic lead")]
    pub signed_off_by: Option<String>,
    /// The signature of a lead other than the person, in place of `signed_off_by`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub signature: Option<SignatureInput>,
    /// How; never health data.
    #[serde(default)]
    #[schema(max_length = 400, example = "watched three flushes")]
    pub note: String,
}

impl CompetenceInput {
    /// What was sent, and who is to sign for it; then `signed_off_by` is empty still.
    fn check(self, competence_id: Uuid) -> Result<(Competence, Option<SignatureInput>), Vec<Fault>> {
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
        match (&self.signed_off_by, &self.signature) {
            (Some(told), None) => check_text(&mut faults, "/signed_off_by", told, 120),
            (None, Some(_)) => {}
            (None, None) => faults.push(Fault::new("/signed_off_by", "is missing, and so is a signature")),
            (Some(_), Some(_)) => faults.push(Fault::new("/signed_off_by", "must be left out beside a signature")),
        }
        check_optional_text(&mut faults, "/note", &self.note, 400);
        let Self { for_what, valid_from, valid_until, signed_off_by, signature, note } = self;
        let signed_off_by = signed_off_by.unwrap_or_default();
        let competence = Competence {
            competence_id,
            for_what,
            valid_from,
            valid_until,
            signed_off_by,
            signed_by_staff_id: None,
            note,
        };
        without_faults((competence, signature), faults)
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
    /// Who found the person competent: as told, or the name of who signed.
    pub signed_off_by: String,
    /// Who signed for it with their PIN; null: it was told.
    #[schema(required)]
    pub signed_by_staff_id: Option<Uuid>,
    /// How; may be empty.
    pub note: String,
}

impl CompetenceDocument {
    pub(in crate::http) fn of(staff_id: Uuid, competence: Competence) -> Self {
        let Competence { competence_id, for_what, valid_from, valid_until, signed_off_by, signed_by_staff_id, note } =
            competence;
        Self { competence_id, staff_id, for_what, valid_from, valid_until, signed_off_by, signed_by_staff_id, note }
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

async fn of_person(db: &mut PgConnection, group_id: Uuid, staff_id: Uuid) -> ApiResult<(StaffMember, Vec<Competence>)> {
    let person = store::staff::find(&mut *db, group_id, staff_id).await?;
    let person = person.ok_or_else(|| ApiError::not_found("person"))?;
    let held = store::staff::list_competences(db, group_id, &[staff_id]).await?.remove(&staff_id);
    Ok((person, held.unwrap_or_default()))
}

/// Checks that a lead of a clinic where the person works signs for what they were trained for.
///
/// # Errors
/// As [`verify_lead`]; 403 when the person signs for themselves; 404 when there is no such person; 409 when the group
/// has no clinic yet, whose day could be today.
async fn sign_off(state: &AppState, caller: &Caller, staff_id: Uuid, signature: &SignatureInput) -> ApiResult<Signer> {
    if signature.staff_id == staff_id {
        return Err(ApiError::signature_refused("nobody signs for what they were trained for themselves"));
    }
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let (person, _) = of_person(&mut tx, caller.group_id, staff_id).await?;
    let lead = store::staff::find(&mut tx, caller.group_id, signature.staff_id).await?;
    let all =
        store::clinics::list(&mut tx, caller.group_id).await?.into_iter().map(|clinic| clinic.clinic_id).collect();
    tx.commit().await?;
    let works_at = person.clinics_among(&all);
    // Of several the first where the lead works too; where there is none, the signature is refused for that.
    let shared = works_at.iter().find(|clinic_id| lead.as_ref().is_some_and(|lead| lead.works_at(**clinic_id)));
    let Some(clinic_id) = shared.or(works_at.first()) else {
        let detail = "there is no clinic yet where anybody could sign";
        return Err(ApiError::conflict("no-clinic", "The person works at no clinic", detail));
    };
    verify_lead(state, caller, signature, *clinic_id).await
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
    let (_, competences) = of_person(&mut tx, caller.group_id, staff_id).await?;
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
    let (_, competences) = of_person(&mut tx, caller.group_id, staff_id).await?;
    tx.commit().await?;
    let found = competences.into_iter().find(|c| c.competence_id == competence_id);
    Ok(Json(CompetenceDocument::of(staff_id, found.ok_or_else(|| ApiError::not_found("competence"))?)))
}

/// Create or replace a competence of a person
///
/// The id is made by the client, so a repeat is harmless. To withdraw it, send it with a last day.
///
/// Who found the person competent is told in words, or signs with their PIN: a lead of a clinic where the person works, and
/// not the person. Each state that a competence was in is kept and sealed (`reporting.competence_marks`); what is sent
/// without a signature counts as told from then on, whoever signed for it before.
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
    let mut checked = input.check(competence_id);
    if let Ok((competence, Some(signature))) = &mut checked {
        must_configure(&caller)?;
        let lead = sign_off(&state, &caller, staff_id, signature).await?;
        competence.signed_by_staff_id = Some(lead.staff_id);
        competence.signed_off_by = lead.name;
    }
    let (mut change, (competence, _)) = Change::begin(&state, &caller, edit, checked).await?;
    let (person, standing) = of_person(change.db(), caller.group_id, staff_id).await?;
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
        marks::mark_competence(change.db(), caller.group_id, &person, competence_id, caller.marking()).await?;
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
        signed_off_by: Some(document.signed_off_by.clone()),
        signature: None,
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
        signed_by_staff_id: None,
        note: "watched three flushes".to_owned(),
    }
}
