//! Purging what was kept long enough.
//!
//! The rule of this file: first a trial, then a lead's act over exactly what the trial showed. Nothing goes by itself,
//! and what went is told for ever.

use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::Response;
use chrono::{Days, NaiveDate};
use serde_json::json;
use sqlx::PgConnection;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use uuid::Uuid;

use super::legal_holds::MAY_SIGN;
use crate::domain::event::EventKind;
use crate::domain::fault::{Fault, check_text};
use crate::domain::retention::RecordClass;
use crate::domain::retention::purge::{Purge, digest_of_days};
use crate::domain::seal::DaySeal;
use crate::http::AppState;
use crate::http::caller::Caller;
use crate::http::clinics::find_reached;
use crate::http::configuration::{check_date, without_faults};
use crate::http::extract::{Body, Path, Query};
use crate::http::paging::{NewestFirst, linked};
use crate::http::problem::{ApiError, ApiResult, Problem};
use crate::http::seals::MAY_READ;
use crate::http::staff::signature::clinic_day;
use crate::http::staff::signing;
use crate::store::retention::purge_trials::{self, Trial, Worked};
use crate::store::retention::purges::{self, Act, Outcome};
use crate::store::{self, events, seals};

mod documents;

pub(in crate::http) use documents::examples;
pub use documents::{
    GoingRecords, PurgeDocument, PurgeInput, PurgePage, PurgeTrialDocument, PurgeTrialQuery, PurgedRecordDocument,
    PurgedRecordList, PurgedRecordQuery, StayingRecords,
};

/// Most clinic days that one purge looks at.
const MOST_DAYS: u64 = 366;
/// Most records that one purge looks at: it keeps everybody from recording at the clinic while it works.
const MOST_RECORDS: usize = 100_000;

/// Its routes.
#[must_use]
pub fn router() -> OpenApiRouter<AppState> {
    OpenApiRouter::new()
        .routes(routes!(explain_purge))
        .routes(routes!(list_purges))
        .routes(routes!(put_purge))
        .routes(routes!(list_purged_records))
}

/// The days that are asked for.
#[derive(Clone, Copy, Debug)]
struct Span {
    from: NaiveDate,
    until: NaiveDate,
}

impl Span {
    fn check(from: Option<NaiveDate>, until: NaiveDate) -> ApiResult<Self> {
        let mut faults = Vec::new();
        check_date(&mut faults, "/until", until);
        if let Some(from) = from {
            check_date(&mut faults, "/from", from);
        }
        without_faults((), faults).map_err(ApiError::rules_broken)?;
        let from = from.unwrap_or_else(|| until - Days::new(MOST_DAYS - 1));
        if until < from {
            return Err(ApiError::rule_broken("/until", "must not be before from"));
        }
        if until > from + Days::new(MOST_DAYS - 1) {
            return Err(ApiError::rule_broken("/until", format!("must be at most {MOST_DAYS} days from from on")));
        }
        Ok(Self { from, until })
    }

    /// The seals of these days.
    fn cut(self, all: &[DaySeal]) -> ApiResult<&[DaySeal]> {
        let begin = all.partition_point(|seal| seal.clinic_day < self.from);
        let end = all.partition_point(|seal| seal.clinic_day <= self.until);
        let days = all.get(begin..end).unwrap_or_default();
        let records: usize = days.iter().map(|seal| seal.record_count).sum();
        if records > MOST_RECORDS {
            let detail =
                format!("has {records} records with the days before it; ask for at most {MOST_RECORDS} at once");
            return Err(ApiError::rule_broken("/until", detail));
        }
        Ok(days)
    }
}

async fn work_out(
    db: &mut PgConnection,
    caller: &Caller,
    clinic_id: Uuid,
    span: Span,
    class: Option<RecordClass>,
) -> ApiResult<(NaiveDate, usize, Worked)> {
    let today = clinic_day(db, caller, clinic_id).await?;
    let all = seals::list_seals(db, caller.group_id, clinic_id).await?;
    let days = span.cut(&all)?;
    let trial = Trial { clinic_id, class, today, now: caller.now };
    let worked = purge_trials::work_out(db, caller.group_id, trial, days, &all).await?;
    Ok((today, days.len(), worked))
}

/// Explain what a purge would take
///
/// Of the sealed clinic days that are asked for: how many records of each class would go, and how many stay, and why. It
/// changes nothing. A purge names the count and the digest of this answer, so that what goes is what was looked at. What
/// belongs together goes in one purge or stays (`named_by_what_stays`): an action that was open for longer than one purge
/// looks at, 366 days or 100,000 records, or a lot that was in use so long, is never purged.
#[utoipa::path(get, path = "/v1/clinics/{clinic_id}/purge-trial", operation_id = "explain_purge", tag = "Retention",
    params(("clinic_id" = Uuid, Path, description = "The clinic."), PurgeTrialQuery),
    responses((status = 200, description = "What would go and what would stay.", body = PurgeTrialDocument)))]
async fn explain_purge(
    State(state): State<AppState>,
    caller: Caller,
    Path(clinic_id): Path<Uuid>,
    Query(query): Query<PurgeTrialQuery>,
) -> ApiResult<Json<PurgeTrialDocument>> {
    caller.must_be(&MAY_READ)?;
    let span = Span::check(query.from, query.until)?;
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    find_reached(&mut tx, &caller, clinic_id).await?;
    let (today, days, worked) = work_out(&mut tx, &caller, clinic_id, span, query.record_class).await?;
    tx.commit().await?;
    let asked = (span.from, span.until, query.record_class);
    Ok(Json(PurgeTrialDocument::new(clinic_id, today, asked, days, &worked)))
}

/// Purge records that were kept long enough
///
/// Signed by a clinic lead or a group lead, with the count and the digest of a trial of the same days. The records are
/// gone for good; their names, leaf hashes, the reason and the person stay on record, and the seals of their days verify
/// as before. Left are copies that are no evidence: the plan's tasks with how they ended, by whose initials and for which
/// reason; the log of events; and the receipts by which a device's repeat is known. Under one id the same may be asked any number of times, and is done once.
#[utoipa::path(put, path = "/v1/clinics/{clinic_id}/purges/{purge_id}", operation_id = "put_purge", tag = "Retention",
    params(("clinic_id" = Uuid, Path, description = "The clinic."),
           ("purge_id" = Uuid, Path, description = "Its identity, made by the client.")),
    request_body = PurgeInput,
    responses((status = 201, body = PurgeDocument, description = "It is done."),
              (status = 200, body = PurgeDocument, description = "It was done already."),
              (status = 409, body = Problem, content_type = "application/problem+json",
               description = "Nothing is to go (`nothing-to-purge`), something else than the trial showed \
                              (`not-as-tried`), the database looked again and refused, because somebody recorded, held \
                              or purged meanwhile (`purge-refused`), or the id names \
                              another purge (`purge-differs`).")))]
async fn put_purge(
    State(state): State<AppState>,
    caller: Caller,
    Path((clinic_id, purge_id)): Path<(Uuid, Uuid)>,
    Body(input): Body<PurgeInput>,
) -> ApiResult<(StatusCode, Json<PurgeDocument>)> {
    caller.must_be(&MAY_SIGN)?;
    let mut faults: Vec<Fault> = Vec::new();
    check_text(&mut faults, "/reason", &input.reason, 400);
    faults.extend(input.signature.pin.fault("/signature/pin"));
    without_faults((), faults).map_err(ApiError::rules_broken)?;
    let span = Span::check(Some(input.from), input.until)?;
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    find_reached(&mut tx, &caller, clinic_id).await?;
    let done = purges::find(&mut tx, caller.group_id, purge_id).await?;
    tx.commit().await?;
    if let Some(done) = done {
        return must_be_the_same(done, clinic_id, &input).map(|purge| (StatusCode::OK, Json(purge.into())));
    }
    let signer = signing::verify_lead(&state, &caller, &input.signature, clinic_id).await?;
    // Worked out while everybody goes on recording: a hundred thousand rows are read and hashed for it.
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    seals::must_be_unsealed(&mut tx, caller.group_id, clinic_id, caller.now).await?;
    let worked = work_out(&mut tx, &caller, clinic_id, span, input.record_class).await?;
    if let Some(done) = purges::find(&mut tx, caller.group_id, purge_id).await? {
        return must_be_the_same(done, clinic_id, &input).map(|purge| (StatusCode::OK, Json(purge.into())));
    }
    tx.commit().await?;
    let (today, _, worked) = worked;
    must_be_as_tried((worked.decision.going.len(), &digest_of_days(&worked.days)), &input)?;
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    // Whoever records here waits from now on: neither a hold nor a record that names another comes in between, and the
    // database looks at each record again. Then as a recorder, which tells whether this instant is sealed; the other way
    // about, two purges would wait for each other.
    seals::keep_recorders_out(&mut tx, caller.group_id, clinic_id).await?;
    seals::keep_sealer_out(&mut tx, caller.group_id, clinic_id, caller.now).await?;
    if let Some(done) = purges::find(&mut tx, caller.group_id, purge_id).await? {
        return must_be_the_same(done, clinic_id, &input).map(|purge| (StatusCode::OK, Json(purge.into())));
    }
    let act = Act {
        purge_id,
        clinic_id,
        record_class: input.record_class,
        days: (span.from, span.until),
        purged_on: today,
        recorded_at: caller.now,
        reason: &input.reason,
        staff_id: signer.staff_id,
        purged_by: &signer.name,
        key_id: caller.key_id,
        going: &worked.decision.going,
    };
    if let Outcome::Refused(why) = purges::purge(&mut tx, caller.group_id, &act).await? {
        tracing::warn!(%clinic_id, %purge_id, why, "the database refused a purge that the rules allowed a moment before");
        return Err(ApiError::conflict("purge-refused", "The database refused the purge", why));
    }
    let purge = purges::find(&mut tx, caller.group_id, purge_id).await?.ok_or_else(ApiError::internal)?;
    // What went is what was signed, by the digests that the database wrote.
    must_be_as_tried((purge.record_count, &digest_of_days(&purge.days)), &input)?;
    let document = PurgeDocument::from(purge);
    let event = json!({ "purge": document, "by_key_id": caller.key_id });
    events::append(&mut tx, caller.group_id, EventKind::RecordsPurged, Some(clinic_id), &event, caller.now).await?;
    tx.commit().await?;
    tracing::info!(%clinic_id, %purge_id, records = document.record_count, "records purged");
    Ok((StatusCode::CREATED, Json(document)))
}

fn must_be_as_tried((count, digest): (usize, &str), input: &PurgeInput) -> ApiResult<()> {
    if count == 0 {
        let detail = "no record of these days is old enough and free; a trial says why each stays";
        return Err(ApiError::conflict("nothing-to-purge", "Nothing is to go", detail));
    }
    if (count, digest) != (input.record_count, input.digest.as_str()) {
        return Err(ApiError::conflict(
            "not-as-tried",
            "Something else would go than the trial showed",
            format!("{count} records would go now; try again, look, and sign what you saw"),
        ));
    }
    Ok(())
}

fn must_be_the_same(done: Purge, clinic_id: Uuid, input: &PurgeInput) -> ApiResult<Purge> {
    let is_same = done.clinic_id == clinic_id
        && done.record_class == input.record_class
        && (done.from_on, done.until_on) == (input.from, input.until)
        && done.record_count == input.record_count
        && digest_of_days(&done.days) == input.digest
        && done.reason == input.reason
        && done.staff_id == input.signature.staff_id;
    if is_same {
        return Ok(done);
    }
    Err(ApiError::conflict(
        "purge-differs",
        "The id names another purge",
        "something else was purged under this id; make a new id for each purge",
    ))
}

/// List the purges of a clinic, the newest first
///
/// Who, when, why, by which rule, and how many records of each day and class. A `Link` field with `rel="next"` leads to
/// the next page.
#[utoipa::path(get, path = "/v1/clinics/{clinic_id}/purges", operation_id = "list_purges", tag = "Retention",
    params(("clinic_id" = Uuid, Path, description = "The clinic."), NewestFirst),
    responses((status = 200, body = PurgePage, description = "One page of them.",
        headers(("Link" = String, description = "The next page, when there is one (RFC 8288)")))))]
async fn list_purges(
    State(state): State<AppState>,
    caller: Caller,
    Path(clinic_id): Path<Uuid>,
    Query(query): Query<NewestFirst>,
) -> ApiResult<Response> {
    caller.must_be(&MAY_READ)?;
    let (limit, place) = (query.limit()?, query.place()?);
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    find_reached(&mut tx, &caller, clinic_id).await?;
    // One more than is shown tells whether there is a next page.
    let at_most = i64::from(limit) + 1;
    let mut found = purges::list_of_clinic(&mut tx, caller.group_id, clinic_id, place, at_most).await?;
    tx.commit().await?;
    let path = format!("/v1/clinics/{clinic_id}/purges");
    let link = query.cut(&path, &mut found, limit, |purge| (purge.recorded_at, purge.purge_id));
    Ok(linked(&PurgePage { items: found.into_iter().map(PurgeDocument::from).collect() }, link))
}

/// List the records of one sealed day that a purge took
///
/// Each with its kind, its id and its leaf hash, which stands among the leaves of the day's seal.
#[utoipa::path(get, path = "/v1/clinics/{clinic_id}/purges/{purge_id}/records", operation_id = "list_purged_records",
    tag = "Retention",
    params(("clinic_id" = Uuid, Path, description = "The clinic."),
           ("purge_id" = Uuid, Path, description = "The purge."), PurgedRecordQuery),
    responses((status = 200, description = "They.", body = PurgedRecordList)))]
async fn list_purged_records(
    State(state): State<AppState>,
    caller: Caller,
    Path((clinic_id, purge_id)): Path<(Uuid, Uuid)>,
    Query(query): Query<PurgedRecordQuery>,
) -> ApiResult<Json<PurgedRecordList>> {
    caller.must_be(&MAY_READ)?;
    let day = query.clinic_day;
    let mut faults = Vec::new();
    check_date(&mut faults, "/clinic_day", day);
    without_faults((), faults).map_err(ApiError::rules_broken)?;
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    find_reached(&mut tx, &caller, clinic_id).await?;
    let purge = purges::find(&mut tx, caller.group_id, purge_id).await?;
    if purge.is_none_or(|purge| purge.clinic_id != clinic_id) {
        return Err(ApiError::not_found("purge"));
    }
    let all = purges::list_purged(&mut tx, caller.group_id, clinic_id, (day, day)).await?;
    tx.commit().await?;
    let theirs = all.into_iter().filter(|record| record.purge_id == purge_id);
    Ok(Json(PurgedRecordList { items: theirs.map(PurgedRecordDocument::from).collect() }))
}
