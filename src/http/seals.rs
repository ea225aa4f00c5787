//! What was sealed at a clinic, and whether it is as it was sealed.
//!
//! The rule of this file: it tells of differences and never of worth. That a record is as it was sealed says that
//! nobody changed it since, not that what it says is so.

pub mod proofs;

use std::collections::BTreeMap;
use std::collections::btree_map::Entry;

use axum::Json;
use axum::extract::State;
use axum::response::Response;
use chrono::{DateTime, Days, NaiveDate, Utc};
use serde::{Deserialize, Serialize};
use serde_json::json;
use sqlx::PgConnection;
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use uuid::Uuid;

use super::AppState;
use super::caller::Caller;
use super::clinics::find_reached;
use super::configuration::{check_date, without_faults};
use super::extract::{Path, Query};
use super::openapi::{Example, Part};
use super::paging::{NewestFirst, linked};
use super::problem::{ApiError, ApiResult, Problem};
use super::samples;
use crate::domain::access::{Reach, Role};
use crate::domain::retention::accounted::Accounted;
use crate::domain::retention::purge::Purge;
use crate::domain::seal::record::RecordName;
use crate::domain::seal::tamper::SealFinding;
use crate::domain::seal::tree::TreeHash;
use crate::domain::seal::{ChainHead, DaySeal};
use crate::store::seals::checks::MOST_DAYS;
use crate::store::seals::findings::KeptFinding;
use crate::store::{self, seals};

pub(super) const MAY_READ: [Role; 3] = [Role::Manager, Role::Reader, Role::Administrator];

/// One page of a clinic's seals.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct DaySealPage {
    /// The newest first.
    pub items: Vec<DaySeal>,
}

/// What a check of sealed days came to.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct SealCheck {
    /// The clinic.
    pub clinic_id: Uuid,
    /// When it was checked.
    pub checked_at: DateTime<Utc>,
    /// How many clinic days were compared row by row; the chain of seals was looked at whole.
    pub days_checked: usize,
    /// What is recorded from here on is not sealed yet.
    pub sealed_until: DateTime<Utc>,
    /// Everything that is not as it was sealed; empty: nothing that was looked at.
    pub findings: Vec<SealFinding>,
    /// What is missing from these days because it was purged, which is no finding.
    pub purged: Vec<PurgedPart>,
}

/// Records of a sealed day that were purged.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct PurgedPart {
    /// The sealed day.
    pub clinic_day: NaiveDate,
    /// How many of its records went.
    pub record_count: usize,
    /// By which purge.
    pub purge_id: Uuid,
    /// By whom.
    pub purged_by: String,
    /// When.
    pub purged_at: DateTime<Utc>,
}

/// What the service itself found, when it looked.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct SealFindingDocument {
    /// Its identity: the same finding is kept once.
    pub finding_id: Uuid,
    /// Where.
    pub clinic_id: Uuid,
    /// When it was first seen.
    pub found_at: DateTime<Utc>,
    /// What it is.
    pub finding: SealFinding,
}

impl From<KeptFinding> for SealFindingDocument {
    fn from(kept: KeptFinding) -> Self {
        let KeptFinding { finding_id, clinic_id, found_at, finding } = kept;
        Self { finding_id, clinic_id, found_at, finding }
    }
}

/// One page of what the service found.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct SealFindingPage {
    /// The newest first.
    pub items: Vec<SealFindingDocument>,
}

/// Which state of a clinic's chain.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct ChainQuery {
    /// The chain as it was with so many seals; as it is now when not given.
    #[param(minimum = 1, maximum = 2_147_483_647)]
    pub size: Option<usize>,
}

/// Which sealed days to check.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct CheckQuery {
    /// First clinic day; when not given, 30 days before the last.
    pub from: Option<NaiveDate>,
    /// Last clinic day; when not given, the last that is sealed. At most 31 days are checked at once.
    pub until: Option<NaiveDate>,
}

/// Its routes.
#[must_use]
pub fn router() -> OpenApiRouter<AppState> {
    OpenApiRouter::new()
        .routes(routes!(list_day_seals))
        .routes(routes!(get_chain_head))
        .routes(routes!(verify_records))
        .routes(routes!(list_seal_findings))
}

/// List the seals of a clinic, the newest first
///
/// One for each clinic day, made once nobody can record anything on it any more, ten minutes after its end. It holds
/// what was recorded on that day, whenever it was performed, and names the seal before it. A `Link` field with
/// `rel="next"` leads to the next page.
#[utoipa::path(
    get,
    path = "/v1/clinics/{clinic_id}/day-seals",
    operation_id = "list_day_seals",
    tag = "Seals",
    params(("clinic_id" = Uuid, Path, description = "The clinic."), NewestFirst),
    responses((
        status = 200,
        description = "One page of the seals.",
        body = DaySealPage,
        headers(("Link" = String, description = "The next page, when there is one (RFC 8288)"))
    ))
)]
async fn list_day_seals(
    State(state): State<AppState>,
    caller: Caller,
    Path(clinic_id): Path<Uuid>,
    Query(query): Query<NewestFirst>,
) -> ApiResult<Response> {
    caller.must_be(&MAY_READ)?;
    let (limit, place) = (query.limit()?, query.place()?);
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    find_reached(&mut tx, &caller, clinic_id).await?;
    let all = seals::list_seals(&mut tx, caller.group_id, clinic_id).await?;
    tx.commit().await?;
    let before = |seal: &DaySeal| place.is_none_or(|(at, _)| seal.recorded_until < at);
    // One more than is shown tells whether there is a next page.
    let mut items: Vec<DaySeal> = all.into_iter().rev().filter(before).take(usize::from(limit) + 1).collect();
    let path = format!("/v1/clinics/{clinic_id}/day-seals");
    let link = query.cut(&path, &mut items, limit, |seal| (seal.recorded_until, seal.clinic_id));
    Ok(linked(&DaySealPage { items }, link))
}

/// Read the head of a clinic's chain of seals
///
/// Keep it where nobody who can write this database can write: whoever has it can tell later whether anything that was
/// sealed before was changed. Compare heads whole, size and root.
#[utoipa::path(
    get,
    path = "/v1/clinics/{clinic_id}/chain-head",
    operation_id = "get_chain_head",
    tag = "Seals",
    params(("clinic_id" = Uuid, Path, description = "The clinic."), ChainQuery),
    responses(
        (status = 200, description = "The head.", body = ChainHead),
        (status = 422, description = "It never had that size.", body = Problem, content_type = "application/problem+json")
    )
)]
async fn get_chain_head(
    State(state): State<AppState>,
    caller: Caller,
    Path(clinic_id): Path<Uuid>,
    Query(query): Query<ChainQuery>,
) -> ApiResult<Json<ChainHead>> {
    caller.must_be(&MAY_READ)?;
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let (_, chain) = find_chain(&mut tx, &caller, clinic_id, query.size).await?;
    tx.commit().await?;
    Ok(Json(ChainHead::new(caller.group_id, clinic_id, &chain)))
}

/// The seals of a clinic within the caller's reach, and the leaves of its chain up to a size.
///
/// # Errors
/// 404 without such a clinic or a seal; 422 for a size it never had.
pub(super) async fn find_chain(
    db: &mut PgConnection,
    caller: &Caller,
    clinic_id: Uuid,
    size: Option<usize>,
) -> ApiResult<(Vec<DaySeal>, Vec<TreeHash>)> {
    find_reached(db, caller, clinic_id).await?;
    let all = seals::list_seals(db, caller.group_id, clinic_id).await?;
    if all.is_empty() {
        return Err(ApiError::not_found("seal of this clinic"));
    }
    let size = size.unwrap_or(all.len());
    if !(1..=all.len()).contains(&size) {
        return Err(ApiError::rule_broken("/size", format!("must be from 1 to {}", all.len())));
    }
    let chain = all[..size].iter().map(DaySeal::leaf).collect();
    Ok((all, chain))
}

/// Check what was sealed
///
/// Reads the records of sealed days again and holds them against their seals, and the seals against each other and
/// against the heads that events reported. Every record that was changed, removed or put among them since is named; what
/// a lead purged is counted apart, as far as a purge that is as it was sealed vouches for it. Who
/// can write the database can write seals and events too: against that, compare the chain's head with one kept elsewhere.
#[utoipa::path(
    get,
    path = "/v1/clinics/{clinic_id}/verification",
    operation_id = "verify_records",
    tag = "Seals",
    params(("clinic_id" = Uuid, Path, description = "The clinic."), CheckQuery),
    responses((status = 200, description = "What differs from what was sealed.", body = SealCheck))
)]
async fn verify_records(
    State(state): State<AppState>,
    caller: Caller,
    Path(clinic_id): Path<Uuid>,
    Query(query): Query<CheckQuery>,
) -> ApiResult<Json<SealCheck>> {
    caller.must_be(&MAY_READ)?;
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    find_reached(&mut tx, &caller, clinic_id).await?;
    let progress = seals::find_progress(&mut tx, caller.group_id, clinic_id).await?;
    let progress = progress.ok_or_else(|| ApiError::not_found("seal of this clinic"))?;
    let all = seals::list_seals(&mut tx, caller.group_id, clinic_id).await?;
    let days = query.cut(&all)?;
    let mut findings = seals::checks::check_chain(&mut tx, caller.group_id, clinic_id, &all).await?;
    let (found, accounted) =
        seals::checks::check_and_account(&mut tx, caller.group_id, clinic_id, days, caller.now).await?;
    findings.extend(found);
    findings.extend(seals::standing::check_standing(&mut tx, caller.group_id, clinic_id).await?);
    let purged = purged_parts(&mut tx, &caller, accounted).await?;
    tx.commit().await?;
    Ok(Json(SealCheck {
        clinic_id,
        checked_at: caller.now,
        days_checked: days.len(),
        sealed_until: progress.sealed_until,
        findings,
        purged,
    }))
}

async fn purged_parts(db: &mut PgConnection, caller: &Caller, accounted: Vec<Accounted>) -> ApiResult<Vec<PurgedPart>> {
    let mut purges: BTreeMap<Uuid, Option<Purge>> = BTreeMap::new();
    let mut parts = Vec::new();
    for Accounted { clinic_day, purge_id, record_count } in accounted {
        if let Entry::Vacant(place) = purges.entry(purge_id) {
            place.insert(store::retention::purges::find(db, caller.group_id, purge_id).await?);
        }
        let Some(Some(purge)) = purges.get(&purge_id) else { continue };
        let (purged_by, purged_at) = (purge.purged_by.clone(), purge.recorded_at);
        parts.push(PurgedPart { clinic_day, record_count, purge_id, purged_by, purged_at });
    }
    Ok(parts)
}

impl CheckQuery {
    /// The seals of the days that are asked for.
    fn cut<'s>(&self, all: &'s [DaySeal]) -> ApiResult<&'s [DaySeal]> {
        let mut faults = Vec::new();
        for (pointer, date) in [("/from", self.from), ("/until", self.until)] {
            if let Some(date) = date {
                check_date(&mut faults, pointer, date);
            }
        }
        without_faults((), faults).map_err(ApiError::rules_broken)?;
        let Some(last) = all.last().map(|seal| seal.clinic_day) else { return Ok(&[]) };
        let longest = Days::new(MOST_DAYS as u64 - 1);
        let until = self.until.unwrap_or_else(|| self.from.map_or(last, |from| last.min(from + longest)));
        let from = self.from.unwrap_or_else(|| until - longest);
        if until < from {
            return Err(ApiError::rule_broken("/until", "must not be before from"));
        }
        if until > from + longest {
            return Err(ApiError::rule_broken("/until", format!("must be at most {MOST_DAYS} days from from on")));
        }
        let begin = all.partition_point(|seal| seal.clinic_day < from);
        let end = all.partition_point(|seal| seal.clinic_day <= until);
        Ok(all.get(begin..end).unwrap_or_default())
    }
}

/// List differences from the seals that the service found, the newest first
///
/// Once a clinic day it looks at the chain of each clinic, at its newest 31 days and at a part of the others, so that each is
/// looked at within 31 nights; what it finds is kept for ever, and reported by an event `seal_broken`. A `Link` field with `rel="next"` leads to the next page.
#[utoipa::path(
    get,
    path = "/v1/seal-findings",
    operation_id = "list_seal_findings",
    tag = "Seals",
    params(NewestFirst),
    responses((
        status = 200,
        description = "One page of the findings.",
        body = SealFindingPage,
        headers(("Link" = String, description = "The next page, when there is one (RFC 8288)"))
    ))
)]
async fn list_seal_findings(
    State(state): State<AppState>,
    caller: Caller,
    Query(query): Query<NewestFirst>,
) -> ApiResult<Response> {
    caller.must_be(&MAY_READ)?;
    let (limit, place) = (query.limit()?, query.place()?);
    let reached = match &caller.reach {
        Reach::Group {} => None,
        Reach::Clinics { clinic_ids } => Some(clinic_ids.as_slice()),
        Reach::Operatory { .. } => Some(&[][..]),
    };
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    // One more than is shown tells whether there is a next page.
    let at_most = i64::from(limit) + 1;
    let mut rows = seals::findings::list(&mut tx, caller.group_id, reached, place, at_most).await?;
    tx.commit().await?;
    let link = query.cut("/v1/seal-findings", &mut rows, limit, |kept| (kept.found_at, kept.finding_id));
    let page = SealFindingPage { items: rows.into_iter().map(SealFindingDocument::from).collect() };
    Ok(linked(&page, link))
}

/// Examples for the API's document.
pub(super) fn examples() -> Vec<Example> {
    let (_, seal) = samples::sealed();
    let record = RecordName { kind: "completion".to_owned(), id: samples::COMPLETION.to_string() };
    let finding = SealFinding::RecordChanged { clinic_day: seal.clinic_day, record };
    let head = ChainHead::new(seal.group_id, seal.clinic_id, &[seal.leaf()]);
    let check = SealCheck {
        clinic_id: seal.clinic_id,
        checked_at: seal.sealed_at,
        days_checked: 1,
        sealed_until: seal.recorded_until,
        findings: vec![finding.clone()],
        purged: vec![PurgedPart {
            clinic_day: seal.clinic_day,
            record_count: 3,
            purge_id: samples::PURGE,
            purged_by: "Kofi Vale".to_owned(),
            purged_at: seal.sealed_at,
        }],
    };
    let kept = SealFindingDocument {
        finding_id: samples::FINDING,
        clinic_id: seal.clinic_id,
        found_at: seal.sealed_at,
        finding,
    };
    let example = |operation_id, value| Example { operation_id, part: Part::Response, value };
    vec![
        example("list_day_seals", json!(DaySealPage { items: vec![seal] })),
        example("get_chain_head", json!(head)),
        example("verify_records", json!(check)),
        example("list_seal_findings", json!(SealFindingPage { items: vec![kept] })),
    ]
}
