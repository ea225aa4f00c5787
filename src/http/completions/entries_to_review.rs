//! Completions that a lead should look at.
//!
//! The rule of this file: every flagged completion is on the list, whoever recorded it, and nothing takes it off. Flagged
//! steps of corrective actions have a list beside it (`steps`).

pub mod steps;

use axum::extract::State;
use axum::response::Response;
use chrono::{DateTime, Datelike as _, NaiveDate, SecondsFormat, Utc};
use serde::{Deserialize, Serialize};
use serde_json::json;
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use uuid::Uuid;

pub use self::steps::{StepToReview, StepsToReviewPage};
use super::FlagNote;
use crate::domain::access::{Reach, Role};
use crate::domain::flags::Flag;
use crate::http::AppState;
use crate::http::caller::Caller;
use crate::http::extract::Query;
use crate::http::openapi::{Example, Part};
use crate::http::paging::{NewestFirst, with_next};
use crate::http::problem::{ApiError, ApiResult};
use crate::http::representation::{self, CsvRow, Format, instant_cell, text_cell};
use crate::http::samples;
use crate::store::completions::flagged::{self, Flagged, FlaggedFilter};
use crate::store::{self};

const PATH: &str = "/v1/entries-to-review";

/// Which entries.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct EntriesQuery {
    /// Only at this clinic.
    pub clinic_id: Option<Uuid>,
    /// Only with this flag.
    pub flag: Option<Flag>,
    /// Recorded at or after this instant, in the years 1970 to 2199.
    pub from: Option<DateTime<Utc>>,
    /// Recorded before this instant, in the years 1970 to 2199.
    pub until: Option<DateTime<Utc>>,
    /// Most items in one answer; 100 when not given.
    #[param(minimum = 1, maximum = 500)]
    pub limit: Option<u16>,
    /// Where to go on, as the `Link` field of the page before gave it.
    #[param(pattern = "^[A-Za-z0-9_-]{34}$")]
    pub cursor: Option<String>,
}

impl EntriesQuery {
    fn page(&self) -> NewestFirst {
        NewestFirst { limit: self.limit, cursor: self.cursor.clone() }
    }

    fn filters(&self) -> [(&'static str, Option<String>); 4] {
        let text = |at: DateTime<Utc>| at.to_rfc3339_opts(SecondsFormat::AutoSi, true);
        [
            ("clinic_id", self.clinic_id.map(|id| id.to_string())),
            ("flag", self.flag.map(|flag| flag.as_str().to_owned())),
            ("from", self.from.map(text)),
            ("until", self.until.map(text)),
        ]
    }

    /// What is asked for, within the caller's reach.
    fn filter(&self, caller: &Caller) -> ApiResult<FlaggedFilter> {
        for (name, at) in [("from", self.from), ("until", self.until)] {
            if at.is_some_and(|at| !(1970..=2199).contains(&at.year())) {
                return Err(ApiError::rule_broken(format!("/{name}"), "must lie in the years 1970 to 2199"));
            }
        }
        let reached = caller.reach.clinics().map(<[Uuid]>::to_vec);
        let clinic_ids = match (self.clinic_id, reached) {
            (Some(asked), Some(reached)) => Some(reached.into_iter().filter(|id| *id == asked).collect()),
            (Some(asked), None) => Some(vec![asked]),
            (None, reached) => reached,
        };
        Ok(FlaggedFilter { clinic_ids, flag: self.flag, from: self.from, until: self.until, worked: None })
    }
}

/// Both lists are for those who answer for a clinic or the group.
fn must_be_for_leads(caller: &Caller) -> ApiResult<()> {
    caller.must_be(&[Role::Manager, Role::Reader, Role::Administrator])?;
    if matches!(caller.reach, Reach::Operatory { .. }) {
        return Err(ApiError::forbidden("this takes a key that reaches a clinic or the group"));
    }
    Ok(())
}

/// One page of entries.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct EntriesPage {
    /// The last recorded first.
    pub items: Vec<EntryToReview>,
}

/// A completion that a lead should look at.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct EntryToReview {
    /// Which completion.
    pub completion_id: Uuid,
    /// Its task.
    pub task_id: Uuid,
    /// Where the task fell due.
    pub clinic_id: Uuid,
    /// The task's clinic day.
    pub clinic_day: NaiveDate,
    /// What the task is about.
    pub subject_id: Uuid,
    /// Its routine.
    pub routine_id: Uuid,
    /// The routine's name in the version that the task was planned by.
    pub routine_name: String,
    /// The person, as sent.
    pub performed_by: String,
    /// The person, where the device named one by id.
    #[schema(required)]
    pub staff_id: Option<Uuid>,
    /// Whether that person's PIN came with it; null: recorded before there were PINs.
    #[schema(required)]
    pub signed: Option<bool>,
    /// The device.
    pub key_id: Uuid,
    /// When the work was done, as the person says.
    pub performed_at: DateTime<Utc>,
    /// When it reached the service.
    pub recorded_at: DateTime<Utc>,
    /// What the device's clock said as it sent.
    #[schema(required)]
    pub device_at: Option<DateTime<Utc>>,
    /// When it was entered on the device, by the device's clock.
    #[schema(required)]
    pub entered_at: Option<DateTime<Utc>>,
    /// The verdict, which flags never change.
    pub verdict: String,
    /// What to look at.
    pub flags: Vec<FlagNote>,
}

impl From<Flagged> for EntryToReview {
    fn from(row: Flagged) -> Self {
        Self {
            completion_id: row.completion_id,
            task_id: row.task_id,
            clinic_id: row.clinic_id,
            clinic_day: row.clinic_day,
            subject_id: row.subject_id,
            routine_id: row.routine_id,
            routine_name: row.routine_name,
            performed_by: row.performed_by,
            staff_id: row.staff_id,
            signed: row.signed,
            key_id: row.key_id,
            performed_at: row.performed_at,
            recorded_at: row.recorded_at,
            device_at: row.device_at,
            entered_at: row.entered_at,
            verdict: row.verdict,
            flags: FlagNote::of(&row.flags),
        }
    }
}

impl CsvRow for EntryToReview {
    const COLUMNS: &'static [&'static str] = &[
        "completion_id",
        "task_id",
        "clinic_id",
        "clinic_day",
        "subject_id",
        "routine_id",
        "routine_name",
        "performed_by",
        "staff_id",
        "signed",
        "key_id",
        "performed_at",
        "recorded_at",
        "device_at",
        "entered_at",
        "verdict",
        "flags",
    ];

    fn cells(&self) -> Vec<String> {
        let flags: Vec<_> = self.flags.iter().map(|note| note.flag.as_str()).collect();
        vec![
            self.completion_id.to_string(),
            self.task_id.to_string(),
            self.clinic_id.to_string(),
            self.clinic_day.to_string(),
            self.subject_id.to_string(),
            self.routine_id.to_string(),
            text_cell(&self.routine_name),
            text_cell(&self.performed_by),
            self.staff_id.map(|id| id.to_string()).unwrap_or_default(),
            self.signed.map(|signed| signed.to_string()).unwrap_or_default(),
            self.key_id.to_string(),
            instant_cell(self.performed_at),
            instant_cell(self.recorded_at),
            self.device_at.map(instant_cell).unwrap_or_default(),
            self.entered_at.map(instant_cell).unwrap_or_default(),
            self.verdict.clone(),
            flags.join(" "),
        ]
    }
}

/// Its routes.
#[must_use]
pub fn router() -> OpenApiRouter<AppState> {
    OpenApiRouter::new().routes(routes!(list_entries_to_review)).merge(steps::router())
}

/// List completions that a lead should look at
///
/// Every flagged completion within the key's reach, the last recorded first. A `Link` field with `rel="next"` leads to
/// the next page. `Accept: text/csv` gives the items as CSV with a header row, flags with spaces between them. A flag
/// asks a question about a record and changes no verdict.
#[utoipa::path(
    get,
    path = "/v1/entries-to-review",
    operation_id = "list_entries_to_review",
    tag = "Manager",
    params(EntriesQuery),
    responses((
        status = 200,
        description = "One page of the list",
        content((EntriesPage = "application/json"), (String = "text/csv")),
        headers(
            ("Link" = String, description = "The next page, when there is one (RFC 8288)"),
            ("Vary" = String, description = "`Accept`")
        )
    ), (status = 422, description = "`from` or `until` lies outside the years 1970 to 2199.", body = crate::http::problem::Problem, content_type = "application/problem+json"))
)]
async fn list_entries_to_review(
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
    let mut rows = flagged::list(&mut tx, caller.group_id, &filter, after, i64::from(limit) + 1).await?;
    tx.commit().await?;
    let place = |row: &Flagged| (row.recorded_at, row.completion_id);
    let link = page.cut_filtered(PATH, &query.filters(), &mut rows, limit, place);
    let document = EntriesPage { items: rows.into_iter().map(EntryToReview::from).collect() };
    Ok(with_next(representation::answer(format, &document, &document.items)?, link))
}

/// Examples for the API's document.
pub(in crate::http) fn examples() -> Vec<Example> {
    let item = EntryToReview {
        completion_id: samples::COMPLETION,
        task_id: samples::TASK,
        clinic_id: samples::CLINIC,
        clinic_day: samples::day(),
        subject_id: samples::OPERATORY,
        routine_id: samples::ROUTINE,
        routine_name: "Flush the waterlines before the first patient".to_owned(),
        performed_by: "KV".to_owned(),
        staff_id: Some(samples::STAFF),
        signed: Some(false),
        key_id: samples::KEY,
        performed_at: samples::morning(8, 9),
        recorded_at: samples::morning(13, 10),
        device_at: Some(samples::morning(13, 10)),
        entered_at: Some(samples::morning(13, 5)),
        verdict: "passed".to_owned(),
        flags: FlagNote::of(&[Flag::LateEntry.as_str().to_owned()]),
    };
    let page = EntriesPage { items: vec![item] };
    let mut examples = steps::examples();
    examples.push(Example { operation_id: "list_entries_to_review", part: Part::Response, value: json!(page) });
    examples
}
