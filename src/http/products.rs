//! Products and their versions.
//!
//! The rule of this file: a change of a product is a new version for days to come. No version is ever changed, and none
//! reaches back to days that were worked under another.

pub mod dilutions;
pub mod lot_marks;
pub mod lots;

use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use serde::{Deserialize, Serialize};
use serde_json::json;
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use uuid::Uuid;

use super::AppState;
use super::caller::Caller;
use super::configuration::{Change, EditQuery, Edited, check_date, created_or_ok, must_have_room, without_faults};
use super::extract::{Body, Path};
use super::openapi::{Example, Part};
use super::problem::{ApiError, ApiResult};
use super::samples;
use crate::domain::cautions;
use crate::domain::event::EventKind;
use crate::domain::fault::Fault;
use crate::domain::limit::{Seen, Source};
use crate::domain::product::{InUseLife, Instructions, PhClass, Product, ProductUse, ProductVersion};
use crate::store;

/// The zone farthest behind UTC: where it is today, it is today or later everywhere.
const FARTHEST_BEHIND_UTC: TimeDelta = TimeDelta::hours(12);
/// Most products of one group, and most versions of one.
const MOST_PRODUCTS: i64 = 500;
const MOST_VERSIONS: i32 = 200;

/// A product as it is set.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ProductInput {
    /// First clinic day this content is in force for, in the years 1970 to 2199. Absent: today. A change of a product
    /// cannot reach back before today.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub effective_on: Option<NaiveDate>,
    /// Its content.
    pub product: Product,
}

impl ProductInput {
    fn check(self) -> Result<Self, Vec<Fault>> {
        let mut faults: Vec<_> = self.product.faults().into_iter().map(|f| f.under("/product")).collect();
        if let Some(effective_on) = self.effective_on {
            check_date(&mut faults, "/effective_on", effective_on);
        }
        without_faults(self, faults)
    }

    fn stands_as(&self, newest: &ProductVersion, today: NaiveDate) -> bool {
        let same_date = match self.effective_on {
            Some(effective_on) => newest.effective_on == effective_on,
            None => newest.effective_on <= today,
        };
        same_date && newest.product == self.product
    }
}

/// A version of a product.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct ProductDocument {
    /// The product's identity, kept over its versions.
    pub product_id: Uuid,
    /// 1, 2, 3 …
    #[schema(minimum = 1)]
    pub version: i32,
    /// First clinic day it is in force for, until the date of a version with a higher number.
    pub effective_on: NaiveDate,
    /// Its content.
    pub product: Product,
    /// What holds for every product, beside the cautions of its own label.
    pub cautions: Vec<String>,
}

impl From<ProductVersion> for ProductDocument {
    fn from(version: ProductVersion) -> Self {
        Self {
            product_id: version.product_id,
            version: version.version,
            effective_on: version.effective_on,
            product: version.product,
            cautions: cautions::PRODUCTS.map(str::to_owned).to_vec(),
        }
    }
}

/// The group's products.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct ProductList {
    /// The newest version of each, by name.
    pub items: Vec<ProductDocument>,
}

/// The versions of a product.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct ProductVersionList {
    /// Oldest first.
    pub items: Vec<ProductDocument>,
}

/// Its routes.
#[must_use]
pub fn router() -> OpenApiRouter<AppState> {
    OpenApiRouter::new()
        .routes(routes!(list_products))
        .routes(routes!(get_product, put_product))
        .routes(routes!(list_product_versions))
}

/// List the group's products
///
/// Products are the group's: every key of the group may read them.
#[utoipa::path(
    get,
    path = "/v1/products",
    operation_id = "list_products",
    tag = "Products",
    responses((status = 200, description = "The newest version of each product, by name.", body = ProductList))
)]
async fn list_products(State(state): State<AppState>, caller: Caller) -> ApiResult<Json<ProductList>> {
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let newest = store::products::list_newest(&mut tx, caller.group_id).await?;
    tx.commit().await?;
    Ok(Json(ProductList { items: newest.into_iter().map(ProductDocument::from).collect() }))
}

/// Read one product in its newest version
#[utoipa::path(
    get,
    path = "/v1/products/{product_id}",
    operation_id = "get_product",
    tag = "Products",
    params(("product_id" = Uuid, Path, description = "The product.")),
    responses((status = 200, description = "Its newest version.", body = ProductDocument))
)]
async fn get_product(
    State(state): State<AppState>,
    caller: Caller,
    Path(product_id): Path<Uuid>,
) -> ApiResult<Json<ProductDocument>> {
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let newest = store::products::find_newest(&mut tx, caller.group_id, product_id).await?;
    tx.commit().await?;
    newest.map(|version| Json(version.into())).ok_or_else(|| ApiError::not_found("product"))
}

/// List every version of a product
#[utoipa::path(
    get,
    path = "/v1/products/{product_id}/versions",
    operation_id = "list_product_versions",
    tag = "Products",
    params(("product_id" = Uuid, Path, description = "The product.")),
    responses((status = 200, description = "Its versions, oldest first.", body = ProductVersionList))
)]
async fn list_product_versions(
    State(state): State<AppState>,
    caller: Caller,
    Path(product_id): Path<Uuid>,
) -> ApiResult<Json<ProductVersionList>> {
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let versions = store::products::list_versions(&mut tx, caller.group_id, &[product_id]).await?;
    tx.commit().await?;
    if versions.is_empty() {
        return Err(ApiError::not_found("product"));
    }
    Ok(Json(ProductVersionList { items: versions.into_iter().map(ProductDocument::from).collect() }))
}

/// Create a product or give it a new version
///
/// The id is made by the client, and a repeat is harmless: content and date of the newest version change nothing. Every
/// figure is taken from the maker's instructions, which are named with their edition.
#[utoipa::path(
    put,
    path = "/v1/products/{product_id}",
    operation_id = "put_product",
    tag = "Products",
    params(("product_id" = Uuid, Path, description = "The product.")),
    request_body = ProductInput,
    responses(
        (status = 200, description = "It stood before; this is its newest version.", body = ProductDocument),
        (status = 201, description = "It was created.", body = ProductDocument)
    )
)]
async fn put_product(
    State(state): State<AppState>,
    caller: Caller,
    Path(product_id): Path<Uuid>,
    Body(input): Body<ProductInput>,
) -> Edited<(StatusCode, Json<ProductDocument>)> {
    let (mut change, input) = Change::begin(&state, &caller, EditQuery::default(), input.check()).await?;
    let today = today_everywhere(caller.now);
    let newest = store::products::find_newest(change.db(), caller.group_id, product_id).await?;
    let next_version = match newest {
        Some(newest) if input.stands_as(&newest, today) => {
            change.commit().await?;
            return Ok((StatusCode::OK, Json(newest.into())));
        }
        Some(newest) => {
            check_reach_back(&input, today)?;
            must_have_room(newest.version.into(), MOST_VERSIONS.into(), "versions of a product")?;
            newest.version + 1
        }
        None => {
            let standing = store::products::count(change.db(), caller.group_id).await?;
            must_have_room(standing, MOST_PRODUCTS, "products in a group")?;
            1
        }
    };
    let effective_on = input.effective_on.unwrap_or(today);
    let version = ProductVersion { product_id, version: next_version, effective_on, product: input.product };
    store::products::append_version(change.db(), caller.group_id, &version, caller.now).await?;
    let document = ProductDocument::from(version);
    change.tell(EventKind::ProductChanged, None, &json!({ "product": document })).await?;
    change.commit().await?;
    Ok((created_or_ok(next_version == 1), Json(document)))
}

/// The date that has begun everywhere.
fn today_everywhere(now: DateTime<Utc>) -> NaiveDate {
    (now - FARTHEST_BEHIND_UTC).date_naive()
}

/// Days gone by were judged by the version that was in force then.
fn check_reach_back(input: &ProductInput, today: NaiveDate) -> ApiResult<()> {
    match input.effective_on {
        Some(effective_on) if effective_on < today => {
            Err(ApiError::rule_broken("/effective_on", format!("must not be before today, {today}")))
        }
        _ => Ok(()),
    }
}

/// An invented product.
pub(super) fn sample() -> Product {
    let instructions =
        Instructions { ifu_reference: "Leaflet LC-3, section 4".to_owned(), edition: "2026-02".to_owned() };
    let source = Source {
        title: "Leaflet LC-3".to_owned(),
        edition: "2026-02".to_owned(),
        locator: "section 4".to_owned(),
        seen: Seen::ClinicConfirmed,
    };
    let product_use = ProductUse {
        key: "line-disinfection".to_owned(),
        purpose: "Filled into the waterlines after the last patient".to_owned(),
        contact_minimum_seconds: Some(600),
        contact_maximum_seconds: None,
        made_up: None,
        life_after_mixing: None,
        source,
    };
    Product {
        name: "Line cleaner LC-3".to_owned(),
        instructions,
        uses: vec![product_use],
        oxidising: false,
        ph: Some(rust_decimal::Decimal::new(72, 1)),
        ph_class: Some(PhClass::Neutral),
        life_after_opening: Some(InUseLife::Days { days: 28 }),
        cautions: vec!["Eye protection while it is poured.".to_owned()],
        in_use: true,
    }
}

/// Examples for the API's document.
pub(super) fn examples() -> Vec<Example> {
    let input = ProductInput { effective_on: Some(samples::day()), product: sample() };
    let version =
        ProductVersion { product_id: samples::PRODUCT, version: 1, effective_on: samples::day(), product: sample() };
    let document = ProductDocument::from(version);
    let list = ProductList { items: vec![document.clone()] };
    let versions = ProductVersionList { items: vec![document.clone()] };
    vec![
        Example { operation_id: "list_products", part: Part::Response, value: json!(list) },
        Example { operation_id: "get_product", part: Part::Response, value: json!(document) },
        Example { operation_id: "put_product", part: Part::Request, value: json!(input) },
        Example { operation_id: "put_product", part: Part::Response, value: json!(document) },
        Example { operation_id: "list_product_versions", part: Part::Response, value: json!(versions) },
    ]
}
