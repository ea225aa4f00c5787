//! What an operatory's record lacked over a span gone by.
//!
//! The rule of this file: each instant is answered by what had been recorded by then, as it would have been answered then;
//! a late entry changes nothing before it was recorded.

use axum::Json;
use axum::extract::State;
use chrono::{DateTime, TimeDelta, Utc};
use serde::{Deserialize, Serialize};
use serde_json::json;
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use uuid::Uuid;

use super::{MissingRecord, NOTICE, StandingObstacle, find_operatory};
use crate::domain::readiness_history::Interval;
use crate::http::AppState;
use crate::http::caller::Caller;
use crate::http::extract::{Path, Query};
use crate::http::openapi::{Example, Part};
use crate::http::problem::{ApiError, ApiResult};
use crate::http::readiness;
use crate::store;

/// Longest a span may be.
const LONGEST_SPAN: TimeDelta = TimeDelta::days(31);

/// Which span to tell.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct SpanQuery {
    /// The first instant.
    pub from: DateTime<Utc>,
    /// The first instant after the span: at most 31 days later, and not in the future. Left out: a day later, or now.
    pub until: Option<DateTime<Utc>>,
}

/// What an operatory's record lacked over a span.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct ReadinessHistory {
    /// The operatory.
    pub operatory_id: Uuid,
    /// The span, cut where something changed; the oldest first.
    pub intervals: Vec<ReadinessInterval>,
    /// How the answer is to be read.
    pub notice: &'static str,
}

/// A time in which nothing changed about what was lacking.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct ReadinessInterval {
    /// Its first instant.
    pub from: DateTime<Utc>,
    /// The first instant after it.
    pub until: DateTime<Utc>,
    /// Nothing that blocks was missing from the records, and nothing stood against the operatory.
    pub ready_by_record: bool,
    /// What was missing, longest first.
    pub missing: Vec<MissingRecord>,
    /// What stood against its use whatever was recorded, longest first.
    pub standing: Vec<StandingObstacle>,
}

impl From<Interval> for ReadinessInterval {
    fn from(interval: Interval) -> Self {
        Self {
            from: interval.from,
            until: interval.until,
            ready_by_record: interval.readiness.is_ready(),
            missing: interval.readiness.missing.into_iter().map(MissingRecord::from).collect(),
            standing: interval.readiness.standing.into_iter().map(StandingObstacle::from).collect(),
        }
    }
}

/// Its routes.
#[must_use]
pub fn router() -> OpenApiRouter<AppState> {
    OpenApiRouter::new().routes(routes!(get_readiness_history))
}

/// Read what an operatory's record lacked over a span
///
/// Each instant as it would have been answered then: by what had been recorded by then. Of a plan that was changed since,
/// as it stands now. Other systems find the same times in `reporting.readiness_intervals`.
#[utoipa::path(get, path = "/v1/operatories/{operatory_id}/readiness-history", operation_id = "get_readiness_history",
    tag = "Front desk",
    params(("operatory_id" = Uuid, Path, description = "The operatory"), SpanQuery),
    responses((status = 200, body = ReadinessHistory, description = "The span, cut where something changed")))]
async fn get_readiness_history(
    State(state): State<AppState>,
    caller: Caller,
    Path(operatory_id): Path<Uuid>,
    Query(query): Query<SpanQuery>,
) -> ApiResult<Json<ReadinessHistory>> {
    let (from, until) = query.span(caller.now)?;
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let operatory = find_operatory(&mut tx, &caller, operatory_id).await?;
    let past = store::readiness::history::load(&mut tx, caller.group_id, operatory, (from, until)).await?;
    tx.commit().await?;
    let intervals = past.intervals(from, until).into_iter().map(ReadinessInterval::from).collect();
    Ok(Json(ReadinessHistory { operatory_id, intervals, notice: NOTICE }))
}

impl SpanQuery {
    fn span(&self, now: DateTime<Utc>) -> ApiResult<(DateTime<Utc>, DateTime<Utc>)> {
        let until = match self.until {
            Some(until) => until,
            None => self.from.checked_add_signed(TimeDelta::days(1)).map_or(now, |later| later.min(now)),
        };
        let fits =
            self.from >= DateTime::UNIX_EPOCH && self.from < until && until <= now && until - self.from <= LONGEST_SPAN;
        fits.then_some((self.from, until)).ok_or_else(|| {
            ApiError::rule_broken(
                "/until",
                "must lie after from (1970 or later), at most 31 days later, and not in the future",
            )
        })
    }
}

/// Examples for the API's document.
pub(in crate::http) fn examples() -> Vec<Example> {
    let chair = readiness::example();
    let interval = ReadinessInterval {
        from: chair.as_of - TimeDelta::hours(1),
        until: chair.as_of,
        ready_by_record: false,
        missing: chair.missing,
        standing: Vec::new(),
    };
    let history = ReadinessHistory { operatory_id: chair.operatory_id, intervals: vec![interval], notice: NOTICE };
    vec![Example { operation_id: "get_readiness_history", part: Part::Response, value: json!(history) }]
}
