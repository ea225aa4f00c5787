//! How much stock and how much water: a sum that is worked out and not kept.
//!
//! The rule of this file: nothing is stored, and the arithmetic is told line by line, so that somebody can check it.

use axum::Json;
use serde::{Deserialize, Serialize};
use serde_json::json;
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;

use crate::domain::cautions;
use crate::domain::dilution::{Dilution, Mixture, Recipe, Strength, StrengthUnit};
use crate::http::AppState;
use crate::http::caller::Caller;
use crate::http::extract::Body;
use crate::http::openapi::{Example, Part};
use crate::http::problem::{ApiError, ApiResult};

/// What to measure out, with its cautions.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct DilutionAnswer {
    /// Stock and water.
    pub mixture: Mixture,
    /// What holds for every product.
    pub cautions: Vec<String>,
}

/// Its routes.
#[must_use]
pub fn router() -> OpenApiRouter<AppState> {
    OpenApiRouter::new().routes(routes!(explain_dilution))
}

/// Work out stock and water for a reservoir
///
/// Nothing is kept. Percent is weight in volume (1 % = 10000 mg/L), and 1 ppm is 1 mg/L. A ratio says what it means by
/// its parts, because `1:50` is read in two ways. Whether a product may be diluted, and how far, is for its maker's
/// instructions.
#[utoipa::path(
    post,
    path = "/v1/dilutions",
    operation_id = "explain_dilution",
    tag = "Products",
    request_body = Dilution,
    responses((status = 200, description = "What to measure out, with the arithmetic.", body = DilutionAnswer))
)]
async fn explain_dilution(_caller: Caller, Body(dilution): Body<Dilution>) -> ApiResult<Json<DilutionAnswer>> {
    let mixture = dilution.work_out().map_err(ApiError::rules_broken)?;
    Ok(Json(DilutionAnswer { mixture, cautions: cautions::PRODUCTS.map(str::to_owned).to_vec() }))
}

/// Examples for the API's document.
pub(in crate::http) fn examples() -> Vec<Example> {
    let strength = |value: i64, scale, unit| Strength { value: rust_decimal::Decimal::new(value, scale), unit };
    let stock = strength(3, 0, StrengthUnit::Percent);
    let wanted = strength(2, 2, StrengthUnit::Percent);
    let dilution = Dilution { reservoir_ml: 2000.into(), recipe: Recipe::Strength { stock, wanted } };
    let mixture = dilution.work_out().expect("an example without faults");
    let answer = DilutionAnswer { mixture, cautions: cautions::PRODUCTS.map(str::to_owned).to_vec() };
    vec![
        Example { operation_id: "explain_dilution", part: Part::Request, value: json!(dilution) },
        Example { operation_id: "explain_dilution", part: Part::Response, value: json!(answer) },
    ]
}
