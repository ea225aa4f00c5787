//! Legal holds: what must not be purged, whatever its age.
//!
//! The rule of this file: a lead begins and lifts them with a reason and a PIN of their own, and both stay on record.

use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::Response;
use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};
use serde_json::json;
use sqlx::PgConnection;
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use uuid::Uuid;

use crate::domain::access::Role;
use crate::domain::event::EventKind;
use crate::domain::fault::{Fault, check_text};
use crate::domain::retention::RecordClass;
use crate::domain::retention::hold::{LegalHold, Lift};
use crate::http::AppState;
use crate::http::caller::Caller;
use crate::http::clinics::find_reached;
use crate::http::configuration::{check_date, must_have_room, without_faults};
use crate::http::extract::{Body, Path, Query};
use crate::http::openapi::{Example, Part};
use crate::http::paging::{NewestFirst, linked};
use crate::http::problem::{ApiError, ApiResult};
use crate::http::samples;
use crate::http::seals::MAY_READ;
use crate::http::staff::signature::SignatureInput;
use crate::http::staff::signing;
use crate::store::clinics::subjects;
use crate::store::retention::legal_holds;
use crate::store::retention::purge_trials::MOST_HOLDS;
use crate::store::{self, events};

/// Keys on which a lead may sign for what is kept and what goes.
pub(super) const MAY_SIGN: [Role; 2] = [Role::Manager, Role::Administrator];

/// A legal hold as it is begun.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct LegalHoldInput {
    /// Only records of this class, and whatever followed when something failed; left out: of every class.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub record_class: Option<RecordClass>,
    /// Only records about this operatory or piece of equipment, and those that name none; left out: about anything. What is
    /// recorded about it at other clinics of the group, before or after it was moved, is kept too.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub subject_id: Option<Uuid>,
    /// First clinic day whose seal it keeps; left out: from the first.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub from: Option<NaiveDate>,
    /// Last one; left out: also what is still to come.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub until: Option<NaiveDate>,
    /// Why, in the person's words. No patient or health data.
    #[schema(min_length = 1, max_length = 400, example = "Inquiry of the insurer, their letter of 12 October.")]
    pub reason: String,
    /// The lead who begins it.
    pub signature: SignatureInput,
}

impl LegalHoldInput {
    fn check(&self) -> ApiResult<()> {
        let mut faults = Vec::new();
        check_text(&mut faults, "/reason", &self.reason, 400);
        faults.extend(self.signature.pin.fault("/signature/pin"));
        for (pointer, date) in [("/from", self.from), ("/until", self.until)] {
            if let Some(date) = date {
                check_date(&mut faults, pointer, date);
            }
        }
        if self.from.is_some_and(|from| self.until.is_some_and(|until| until < from)) {
            faults.push(Fault::new("/until", "must not be before from"));
        }
        without_faults((), faults).map_err(ApiError::rules_broken)
    }
}

/// The lifting of a legal hold as it is signed.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = LegalHoldLiftInput)]
pub struct LiftInput {
    /// Made by the client, so that a repeat is harmless.
    pub lift_id: Uuid,
    /// Why, in the person's words.
    #[schema(min_length = 1, max_length = 400, example = "The inquiry is closed.")]
    pub reason: String,
    /// The lead who lifts it.
    pub signature: SignatureInput,
}

/// A legal hold.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct LegalHoldDocument {
    /// Its identity.
    pub legal_hold_id: Uuid,
    /// The clinic whose records it keeps.
    pub clinic_id: Uuid,
    /// Only records of this class; null: of every class.
    #[schema(required)]
    pub record_class: Option<RecordClass>,
    /// Only records about this, and those that name none; null: about anything.
    #[schema(required)]
    pub subject_id: Option<Uuid>,
    /// First clinic day whose seal it keeps; null: from the first.
    #[schema(required)]
    pub from: Option<NaiveDate>,
    /// Last one; null: also what is still to come.
    #[schema(required)]
    pub until: Option<NaiveDate>,
    /// Why.
    pub reason: String,
    /// Who began it.
    pub staff_id: Uuid,
    /// That person's name as it was then.
    pub begun_by: String,
    /// When.
    pub recorded_at: DateTime<Utc>,
    /// What ended it; null: it stands.
    #[schema(required)]
    pub lift: Option<LiftDocument>,
}

/// The lifting of a legal hold.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
#[schema(as = LegalHoldLiftDocument)]
pub struct LiftDocument {
    /// Its identity.
    pub lift_id: Uuid,
    /// Why.
    pub reason: String,
    /// Who lifted it.
    pub staff_id: Uuid,
    /// That person's name as it was then.
    pub lifted_by: String,
    /// When.
    pub recorded_at: DateTime<Utc>,
}

impl From<LegalHold> for LegalHoldDocument {
    fn from(hold: LegalHold) -> Self {
        let lift = hold.lift.map(|lift| LiftDocument {
            lift_id: lift.lift_id,
            reason: lift.reason,
            staff_id: lift.staff_id,
            lifted_by: lift.lifted_by,
            recorded_at: lift.recorded_at,
        });
        Self {
            legal_hold_id: hold.legal_hold_id,
            clinic_id: hold.clinic_id,
            record_class: hold.record_class,
            subject_id: hold.subject_id,
            from: hold.from_on,
            until: hold.until_on,
            reason: hold.reason,
            staff_id: hold.staff_id,
            begun_by: hold.begun_by,
            recorded_at: hold.recorded_at,
            lift,
        }
    }
}

/// One page of a clinic's legal holds.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct LegalHoldPage {
    /// The newest first.
    pub items: Vec<LegalHoldDocument>,
}

/// Which legal holds are wanted.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct LegalHoldQuery {
    /// `true`: only those not lifted.
    #[serde(default)]
    #[param(required = false)]
    pub standing: bool,
    /// Most items in one answer; 100 when not given.
    #[param(minimum = 1, maximum = 500)]
    pub limit: Option<u16>,
    /// Where to go on, as the `Link` field of the page before gave it.
    #[param(pattern = "^[A-Za-z0-9_-]{34}$")]
    pub cursor: Option<String>,
}

/// Its routes.
#[must_use]
pub fn router() -> OpenApiRouter<AppState> {
    OpenApiRouter::new()
        .routes(routes!(list_legal_holds))
        .routes(routes!(put_legal_hold))
        .routes(routes!(lift_legal_hold))
}

/// List the legal holds of a clinic, the newest first
///
/// `standing=true` leaves out what is lifted. A `Link` field with `rel="next"` leads to the next page.
#[utoipa::path(get, path = "/v1/clinics/{clinic_id}/legal-holds", operation_id = "list_legal_holds", tag = "Retention",
    params(("clinic_id" = Uuid, Path, description = "The clinic."), LegalHoldQuery),
    responses((status = 200, body = LegalHoldPage, description = "One page of them.",
        headers(("Link" = String, description = "The next page, when there is one (RFC 8288)")))))]
async fn list_legal_holds(
    State(state): State<AppState>,
    caller: Caller,
    Path(clinic_id): Path<Uuid>,
    Query(query): Query<LegalHoldQuery>,
) -> ApiResult<Response> {
    caller.must_be(&MAY_READ)?;
    let paging = NewestFirst { limit: query.limit, cursor: query.cursor };
    let (limit, place) = (paging.limit()?, paging.place()?);
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    find_reached(&mut tx, &caller, clinic_id).await?;
    // One more than is shown tells whether there is a next page.
    let at_most = i64::from(limit) + 1;
    let group_id = caller.group_id;
    let mut found = legal_holds::list_of_clinic(&mut tx, group_id, clinic_id, query.standing, place, at_most).await?;
    tx.commit().await?;
    let path = format!("/v1/clinics/{clinic_id}/legal-holds");
    let filters = [("standing", query.standing.then(|| "true".to_owned()))];
    let link = paging.cut_filtered(&path, &filters, &mut found, limit, |hold| (hold.recorded_at, hold.legal_hold_id));
    Ok(linked(&LegalHoldPage { items: found.into_iter().map(LegalHoldDocument::from).collect() }, link))
}

/// Begin a legal hold
///
/// From then on no purge takes what it keeps, until a lead lifts it. Signed by a clinic lead or a group lead. Under one
/// id the same may be begun any number of times, and nothing else.
#[utoipa::path(put, path = "/v1/clinics/{clinic_id}/legal-holds/{legal_hold_id}", operation_id = "put_legal_hold",
    tag = "Retention",
    params(("clinic_id" = Uuid, Path, description = "The clinic."),
           ("legal_hold_id" = Uuid, Path, description = "Its identity, made by the client.")),
    request_body = LegalHoldInput,
    responses((status = 201, body = LegalHoldDocument, description = "It stands."),
              (status = 200, body = LegalHoldDocument, description = "It stood already.")))]
async fn put_legal_hold(
    State(state): State<AppState>,
    caller: Caller,
    Path((clinic_id, legal_hold_id)): Path<(Uuid, Uuid)>,
    Body(input): Body<LegalHoldInput>,
) -> ApiResult<(StatusCode, Json<LegalHoldDocument>)> {
    caller.must_be(&MAY_SIGN)?;
    input.check()?;
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    find_reached(&mut tx, &caller, clinic_id).await?;
    if let Some(standing) = legal_holds::find(&mut tx, caller.group_id, legal_hold_id).await? {
        return must_be_the_same(standing, clinic_id, &input).map(|hold| (StatusCode::OK, Json(hold.into())));
    }
    if let Some(subject_id) = input.subject_id
        && !subjects::was_at(&mut tx, caller.group_id, subject_id, clinic_id).await?
    {
        return Err(ApiError::rule_broken(
            "/subject_id",
            "names nothing that stands in this clinic or ever stood there",
        ));
    }
    must_have_room(
        legal_holds::count(&mut tx, caller.group_id, clinic_id).await?,
        MOST_HOLDS,
        "legal holds that stand at a clinic",
    )?;
    tx.commit().await?;
    let signer = signing::verify_lead(&state, &caller, &input.signature, clinic_id).await?;
    let hold = LegalHold {
        legal_hold_id,
        clinic_id,
        record_class: input.record_class,
        subject_id: input.subject_id,
        from_on: input.from,
        until_on: input.until,
        reason: input.reason.clone(),
        staff_id: signer.staff_id,
        begun_by: signer.name,
        recorded_at: caller.now,
        key_id: caller.key_id,
        lift: None,
    };
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    if !legal_holds::insert(&mut tx, caller.group_id, &hold).await? {
        // Somebody took the id between the look and the write.
        let standing = legal_holds::find(&mut tx, caller.group_id, legal_hold_id).await?;
        let standing = standing.ok_or_else(ApiError::internal)?;
        return must_be_the_same(standing, clinic_id, &input).map(|hold| (StatusCode::OK, Json(hold.into())));
    }
    let document = LegalHoldDocument::from(hold);
    let event = json!({ "legal_hold": document, "by_key_id": caller.key_id });
    events::append(&mut tx, caller.group_id, EventKind::LegalHoldBegun, Some(clinic_id), &event, caller.now).await?;
    tx.commit().await?;
    Ok((StatusCode::CREATED, Json(document)))
}

fn must_be_the_same(standing: LegalHold, clinic_id: Uuid, input: &LegalHoldInput) -> ApiResult<LegalHold> {
    let is_same = standing.clinic_id == clinic_id
        && standing.record_class == input.record_class
        && standing.subject_id == input.subject_id
        && (standing.from_on, standing.until_on) == (input.from, input.until)
        && standing.reason == input.reason
        && standing.staff_id == input.signature.staff_id;
    if is_same {
        return Ok(standing);
    }
    Err(ApiError::conflict(
        "legal-hold-differs",
        "The id names another legal hold",
        "another hold was begun under this id, and that is never changed; make a new id",
    ))
}

/// The hold, if the clinic has it.
async fn find_hold(db: &mut PgConnection, caller: &Caller, clinic_id: Uuid, hold_id: Uuid) -> ApiResult<LegalHold> {
    find_reached(db, caller, clinic_id).await?;
    let found = legal_holds::find(db, caller.group_id, hold_id).await?;
    found.filter(|hold| hold.clinic_id == clinic_id).ok_or_else(|| ApiError::not_found("legal hold"))
}

/// Lift a legal hold
///
/// What it kept may be purged again by the rules. Signed by a clinic lead or a group lead; the hold stays on record.
#[utoipa::path(post, path = "/v1/clinics/{clinic_id}/legal-holds/{legal_hold_id}/lift", operation_id = "lift_legal_hold",
    tag = "Retention",
    params(("clinic_id" = Uuid, Path, description = "The clinic."),
           ("legal_hold_id" = Uuid, Path, description = "The hold.")),
    request_body = LiftInput,
    responses((status = 201, body = LegalHoldDocument, description = "It is lifted."),
              (status = 200, body = LegalHoldDocument, description = "It was lifted so already.")))]
async fn lift_legal_hold(
    State(state): State<AppState>,
    caller: Caller,
    Path((clinic_id, legal_hold_id)): Path<(Uuid, Uuid)>,
    Body(input): Body<LiftInput>,
) -> ApiResult<(StatusCode, Json<LegalHoldDocument>)> {
    caller.must_be(&MAY_SIGN)?;
    let mut faults = Vec::new();
    check_text(&mut faults, "/reason", &input.reason, 400);
    faults.extend(input.signature.pin.fault("/signature/pin"));
    without_faults((), faults).map_err(ApiError::rules_broken)?;
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let hold = find_hold(&mut tx, &caller, clinic_id, legal_hold_id).await?;
    tx.commit().await?;
    if hold.lift.is_some() {
        return must_be_lifted_so(hold, &input).map(|hold| (StatusCode::OK, Json(hold.into())));
    }
    let signer = signing::verify_lead(&state, &caller, &input.signature, clinic_id).await?;
    let lift = Lift {
        lift_id: input.lift_id,
        reason: input.reason.clone(),
        staff_id: signer.staff_id,
        lifted_by: signer.name,
        recorded_at: caller.now,
        key_id: caller.key_id,
    };
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    if !legal_holds::insert_lift(&mut tx, caller.group_id, (legal_hold_id, clinic_id), &lift).await? {
        let hold = find_hold(&mut tx, &caller, clinic_id, legal_hold_id).await?;
        return must_be_lifted_so(hold, &input).map(|hold| (StatusCode::OK, Json(hold.into())));
    }
    let document = LegalHoldDocument::from(LegalHold { lift: Some(lift), ..hold });
    let event = json!({ "legal_hold": document, "by_key_id": caller.key_id });
    events::append(&mut tx, caller.group_id, EventKind::LegalHoldLifted, Some(clinic_id), &event, caller.now).await?;
    tx.commit().await?;
    Ok((StatusCode::CREATED, Json(document)))
}

fn must_be_lifted_so(hold: LegalHold, input: &LiftInput) -> ApiResult<LegalHold> {
    let is_same = hold.lift.as_ref().is_some_and(|lift| {
        lift.lift_id == input.lift_id && lift.staff_id == input.signature.staff_id && lift.reason == input.reason
    });
    if is_same {
        return Ok(hold);
    }
    let detail = "there is one lift of each hold, and each has an id of its own";
    Err(ApiError::conflict("lifted-already", "It is lifted already, or the lift's id is taken", detail))
}

/// A hold for the API's document.
pub(super) fn sample() -> LegalHoldDocument {
    LegalHoldDocument {
        legal_hold_id: samples::LEGAL_HOLD,
        clinic_id: samples::CLINIC,
        record_class: Some(RecordClass::Sterilisation),
        subject_id: Some(samples::EQUIPMENT),
        from: NaiveDate::from_ymd_opt(2016, 1, 1),
        until: NaiveDate::from_ymd_opt(2016, 12, 31),
        reason: "Inquiry of the insurer, their letter of 12 October.".to_owned(),
        staff_id: samples::STAFF,
        begun_by: "Kofi Vale".to_owned(),
        recorded_at: samples::morning(9, 30),
        lift: None,
    }
}

/// Examples for the API's document.
pub(in crate::http) fn examples() -> Vec<Example> {
    let standing = sample();
    // Written by hand: a PIN is not shown as JSON.
    let input = json!({ "record_class": standing.record_class, "subject_id": standing.subject_id, "from": standing.from,
                        "until": standing.until, "reason": standing.reason, "signature": signing::example() });
    let grounds = "The inquiry is closed.";
    let lift = json!({ "lift_id": samples::LIFT, "reason": grounds, "signature": signing::example() });
    let lifted = LiftDocument {
        lift_id: samples::LIFT,
        reason: grounds.to_owned(),
        staff_id: samples::STAFF,
        lifted_by: "Kofi Vale".to_owned(),
        recorded_at: samples::morning(12, 0),
    };
    let after = LegalHoldDocument { lift: Some(lifted), ..standing.clone() };
    let page = LegalHoldPage { items: vec![standing.clone()] };
    let example = |operation_id, part, value| Example { operation_id, part, value };
    vec![
        example("list_legal_holds", Part::Response, json!(page)),
        example("put_legal_hold", Part::Request, input),
        example("put_legal_hold", Part::Response, json!(standing)),
        example("lift_legal_hold", Part::Request, lift),
        example("lift_legal_hold", Part::Response, json!(after)),
    ]
}
