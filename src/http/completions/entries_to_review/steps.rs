//! Steps of corrective actions that a lead should look at.
//!
//! The rule of this file: every flagged step is on the list, and nothing takes it off.

use axum::extract::State;
use axum::response::Response;
use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use serde_json::json;
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use uuid::Uuid;

use super::{EntriesQuery, must_be_for_leads};
use crate::domain::flags::Flag;
use crate::http::AppState;
use crate::http::caller::Caller;
use crate::http::completions::FlagNote;
use crate::http::extract::Query;
use crate::http::openapi::{Example, Part};
use crate::http::paging::with_next;
use crate::http::problem::ApiResult;
use crate::http::representation::{self, CsvRow, Format, instant_cell, text_cell};
use crate::http::samples;
use crate::store;
use crate::store::completions::flagged::{self, FlaggedStep};

const PATH: &str = "/v1/entries-to-review/steps";

/// One page of steps.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct StepsToReviewPage {
    /// The last recorded first.
    pub items: Vec<StepToReview>,
}

/// A step of a corrective action that a lead should look at.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct StepToReview {
    /// Its record.
    pub record_id: Uuid,
    /// The action.
    pub action_id: Uuid,
    /// The clinic of the action.
    pub clinic_id: Uuid,
    /// What the action is about.
    pub subject_id: Uuid,
    /// What people call the action's chain.
    pub action_name: String,
    /// Which step.
    pub step: String,
    /// The person, as entered.
    pub performed_by: String,
    /// The person, where the device named one by id.
    #[schema(required)]
    pub staff_id: Option<Uuid>,
    /// Whether that person's PIN came with it; null: recorded before steps were signed.
    #[schema(required)]
    pub signed: Option<bool>,
    /// The device.
    pub key_id: Uuid,
    /// When it was done, as the person says.
    pub performed_at: DateTime<Utc>,
    /// When it reached the service.
    pub recorded_at: DateTime<Utc>,
    /// What to look at.
    pub flags: Vec<FlagNote>,
}

impl From<FlaggedStep> for StepToReview {
    fn from(row: FlaggedStep) -> Self {
        Self {
            record_id: row.record_id,
            action_id: row.action_id,
            clinic_id: row.clinic_id,
            subject_id: row.subject_id,
            action_name: row.action_name,
            step: row.step_key,
            performed_by: row.performed_by,
            staff_id: row.staff_id,
            signed: row.signed,
            key_id: row.key_id,
            performed_at: row.performed_at,
            recorded_at: row.recorded_at,
            flags: FlagNote::of(&row.flags),
        }
    }
}

impl CsvRow for StepToReview {
    const COLUMNS: &'static [&'static str] = &[
        "record_id",
        "action_id",
        "clinic_id",
        "subject_id",
        "action_name",
        "step",
        "performed_by",
        "staff_id",
        "signed",
        "key_id",
        "performed_at",
        "recorded_at",
        "flags",
    ];

    fn cells(&self) -> Vec<String> {
        let flags: Vec<_> = self.flags.iter().map(|note| note.flag.as_str()).collect();
        vec![
            self.record_id.to_string(),
            self.action_id.to_string(),
            self.clinic_id.to_string(),
            self.subject_id.to_string(),
            text_cell(&self.action_name),
            text_cell(&self.step),
            text_cell(&self.performed_by),
            self.staff_id.map(|id| id.to_string()).unwrap_or_default(),
            self.signed.map(|signed| signed.to_string()).unwrap_or_default(),
            self.key_id.to_string(),
            instant_cell(self.performed_at),
            instant_cell(self.recorded_at),
            flags.join(" "),
        ]
    }
}

/// Its routes.
pub(super) fn router() -> OpenApiRouter<AppState> {
    OpenApiRouter::new().routes(routes!(list_steps_to_review))
}

/// List steps of corrective actions that a lead should look at
///
/// Every flagged step within the key's reach, the last recorded first: recorded by somebody of another role than the
/// step's owner, without the competence that its tests take, or by nobody of the staff. A `Link` field with `rel="next"`
/// leads to the next page. `Accept: text/csv` gives the items as CSV with a header row, flags with spaces between them. A
/// flag asks a question about a record and changes no step.
#[utoipa::path(
    get,
    path = "/v1/entries-to-review/steps",
    operation_id = "list_steps_to_review",
    tag = "Manager",
    params(EntriesQuery),
    responses((
        status = 200,
        description = "One page of the list",
        content((StepsToReviewPage = "application/json"), (String = "text/csv")),
        headers(
            ("Link" = String, description = "The next page, when there is one (RFC 8288)"),
            ("Vary" = String, description = "`Accept`")
        )
    ), (status = 422, description = "`from` or `until` lies outside the years 1970 to 2199.", body = crate::http::problem::Problem, content_type = "application/problem+json"))
)]
async fn list_steps_to_review(
    State(state): State<AppState>,
    caller: Caller,
    format: Format,
    Query(query): Query<EntriesQuery>,
) -> ApiResult<Response> {
    must_be_for_leads(&caller)?;
    let page = query.page();
    let (limit, after, filter) = (page.limit()?, page.place()?, query.filter(&caller)?);
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    // One more than is shown tells whether there is a next page.
    let mut rows = flagged::list_steps(&mut tx, caller.group_id, &filter, after, i64::from(limit) + 1).await?;
    tx.commit().await?;
    let place = |row: &FlaggedStep| (row.recorded_at, row.record_id);
    let link = page.cut_filtered(PATH, &query.filters(), &mut rows, limit, place);
    let document = StepsToReviewPage { items: rows.into_iter().map(StepToReview::from).collect() };
    Ok(with_next(representation::answer(format, &document, &document.items)?, link))
}

/// Examples for the API's document.
pub(super) fn examples() -> Vec<Example> {
    let item = StepToReview {
        record_id: samples::STEP_RECORD,
        action_id: samples::ACTION,
        clinic_id: samples::CLINIC,
        subject_id: samples::EQUIPMENT,
        action_name: "Amalgam separator full, leaking or in alarm".to_owned(),
        step: "decide-use".to_owned(),
        performed_by: "KV".to_owned(),
        staff_id: Some(samples::STAFF),
        signed: Some(false),
        key_id: samples::KEY,
        performed_at: samples::morning(9, 20),
        recorded_at: samples::morning(9, 22),
        flags: FlagNote::of(&[Flag::NotTheOwner.as_str().to_owned()]),
    };
    let page = StepsToReviewPage { items: vec![item] };
    vec![Example { operation_id: "list_steps_to_review", part: Part::Response, value: json!(page) }]
}
