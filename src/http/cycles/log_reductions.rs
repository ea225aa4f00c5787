//! How far a treatment brought a count down: a sum that is worked out and not kept.
//!
//! The rule of this file: it is information beside the verdicts, and never one of them.

use axum::Json;
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use serde_json::json;
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;

use crate::domain::evidence::Reading;
use crate::domain::limit::Qualifier;
use crate::domain::log_reduction::{LogReduction, NoReduction, log_reduction};
use crate::http::AppState;
use crate::http::caller::Caller;
use crate::http::extract::Body;
use crate::http::openapi::{Example, Part};
use crate::http::problem::{ApiError, ApiResult};

const NOTICE: &str = "Information only: it overrides no limit, no failed indicator and no validated cycle.";

/// Two counts in one unit.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct TwoCounts {
    /// Before the treatment.
    pub before: Reading,
    /// After it.
    pub after: Reading,
}

/// The reduction between two counts.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct LogReductionAnswer {
    /// In figures.
    pub reduction: LogReduction,
    /// As people write it.
    #[schema(example = "at least 3-log")]
    pub in_words: String,
    /// How it is to be read.
    pub notice: &'static str,
}

/// Its routes.
#[must_use]
pub fn router() -> OpenApiRouter<AppState> {
    OpenApiRouter::new().routes(routes!(explain_log_reduction))
}

/// Work out the reduction between two counts
///
/// Nothing is kept. A count that is "less than" or "more than" gives a bound, and no figure says more than the counts do:
/// what was known is never 100 %.
#[utoipa::path(
    post,
    path = "/v1/log-reductions",
    operation_id = "explain_log_reduction",
    tag = "Chairside",
    request_body = TwoCounts,
    responses((status = 200, description = "The reduction, as information.", body = LogReductionAnswer))
)]
async fn explain_log_reduction(_caller: Caller, Body(counts): Body<TwoCounts>) -> ApiResult<Json<LogReductionAnswer>> {
    let reduction = log_reduction(&counts.before, &counts.after).map_err(|reason| {
        let is_first = match reason {
            NoReduction::NotAboveZero => counts.before.value <= Decimal::ZERO,
            NoReduction::TooLong | NoReduction::UnitsDiffer | NoReduction::Undecided => false,
        };
        ApiError::rule_broken(if is_first { "/before/value" } else { "/after" }, reason.to_string())
    })?;
    Ok(Json(LogReductionAnswer { in_words: reduction.in_words(), reduction, notice: NOTICE }))
}

/// Examples for the API's document.
pub(in crate::http) fn examples() -> Vec<Example> {
    let count = |qualifier, value: i64| Reading { qualifier, value: value.into(), unit: "[CFU]/mL".to_owned() };
    let counts = TwoCounts { before: count(Qualifier::Eq, 10_000), after: count(Qualifier::Lt, 10) };
    let reduction = log_reduction(&counts.before, &counts.after).expect("an example that allows a statement");
    let answer = LogReductionAnswer { in_words: reduction.in_words(), reduction, notice: NOTICE };
    vec![
        Example { operation_id: "explain_log_reduction", part: Part::Request, value: json!(counts) },
        Example { operation_id: "explain_log_reduction", part: Part::Response, value: json!(answer) },
    ]
}
