//! Clinic days of which nobody said who was on site.
//!
//! The rule of this file: without a list nothing can be said of a person who was elsewhere, and that is told once a day
//! and not beside each entry. Whoever keeps no lists sees here what is not looked at.

use axum::extract::State;
use axum::response::Response;
use chrono::{Days, NaiveDate, NaiveTime};
use serde::{Deserialize, Serialize};
use serde_json::json;
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use uuid::Uuid;

use crate::domain::access::{Reach, Role};
use crate::domain::sign_off::DayNotice;
use crate::http::AppState;
use crate::http::caller::Caller;
use crate::http::extract::Query;
use crate::http::openapi::{Example, Part};
use crate::http::paging::{NewestFirst, linked};
use crate::http::problem::{ApiError, ApiResult};
use crate::http::samples;
use crate::store::desk::presence::{self, DayWithout};
use crate::store::{self};

const PATH: &str = "/v1/days-without-presence";
const DEFAULT_DAYS: u16 = 31;
const MOST_DAYS: u16 = 366;

/// Which days.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct DaysQuery {
    /// Only at this clinic.
    pub clinic_id: Option<Uuid>,
    /// So many days back from today, its date in UTC; 31 when not given.
    #[param(minimum = 1, maximum = 366, example = 7)]
    pub days_back: Option<u16>,
    /// Most items in one answer; 100 when not given.
    #[param(minimum = 1, maximum = 500)]
    pub limit: Option<u16>,
    /// Where to go on, as the `Link` field of the page before gave it.
    #[param(pattern = "^[A-Za-z0-9_-]{34}$")]
    pub cursor: Option<String>,
}

/// One page of days without a list.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct DaysWithoutPresencePage {
    /// The newest first.
    pub items: Vec<DayWithoutPresence>,
}

/// A clinic day on which people worked, and of which there is no list of those on site.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct DayWithoutPresence {
    /// The clinic.
    pub clinic_id: Uuid,
    /// The clinic day.
    pub clinic_day: NaiveDate,
    /// How many completions tell of work of that day.
    #[schema(minimum = 1)]
    pub entries: i64,
    /// What that means.
    pub notice: DayNotice,
    /// In words.
    #[schema(example = "nobody said who was on site, so nothing tells of work by somebody who was not")]
    pub finding: String,
}

impl From<DayWithout> for DayWithoutPresence {
    fn from(day: DayWithout) -> Self {
        let notice = DayNotice::PresenceNotRecorded;
        let DayWithout { clinic_id, clinic_day, entries } = day;
        Self { clinic_id, clinic_day, entries, notice, finding: notice.words().to_owned() }
    }
}

/// Its routes.
#[must_use]
pub fn router() -> OpenApiRouter<AppState> {
    OpenApiRouter::new().routes(routes!(list_days_without_presence))
}

/// List clinic days without a list of who was on site
///
/// Days on which work was recorded, within the key's reach, the newest first. No entry of such a day is flagged
/// `not_on_site`, whoever made it. A list can be entered for 31 days back. A `Link` field with `rel="next"` leads to the
/// next page.
#[utoipa::path(
    get,
    path = "/v1/days-without-presence",
    operation_id = "list_days_without_presence",
    tag = "Manager",
    params(DaysQuery),
    responses((status = 200, description = "One page of the days.", body = DaysWithoutPresencePage,
               headers(("Link" = String, description = "The next page, when there is one (RFC 8288)"))))
)]
async fn list_days_without_presence(
    State(state): State<AppState>,
    caller: Caller,
    Query(query): Query<DaysQuery>,
) -> ApiResult<Response> {
    caller.must_be(&[Role::Manager, Role::Reader, Role::Administrator])?;
    if matches!(caller.reach, Reach::Operatory { .. }) {
        return Err(ApiError::forbidden("this takes a key that reaches a clinic or the group"));
    }
    let days_back = query.days_back.unwrap_or(DEFAULT_DAYS);
    if !(1..=MOST_DAYS).contains(&days_back) {
        return Err(ApiError::malformed(format!("days_back must be from 1 to {MOST_DAYS}")));
    }
    if let Some(clinic_id) = query.clinic_id {
        caller.must_reach_clinic(clinic_id)?;
    }
    let page = NewestFirst { limit: query.limit, cursor: query.cursor.clone() };
    let (limit, after) = (page.limit()?, page.place()?.map(|(at, clinic_id)| (at.date_naive(), clinic_id)));
    let here = query.clinic_id.map(|clinic_id| vec![clinic_id]);
    let clinic_ids = here.or_else(|| caller.reach.clinics().map(<[Uuid]>::to_vec));
    let today = caller.now.date_naive();
    let days = (today - Days::new(days_back.into()), today);
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    // One more than is shown tells whether there is a next page.
    let at_most = i64::from(limit) + 1;
    let mut found =
        presence::list_days_without(&mut tx, caller.group_id, clinic_ids.as_deref(), days, after, at_most).await?;
    tx.commit().await?;
    let filters = [
        ("clinic_id", query.clinic_id.map(|id| id.to_string())),
        ("days_back", query.days_back.map(|days| days.to_string())),
    ];
    let place = |day: &DayWithout| (day.clinic_day.and_time(NaiveTime::MIN).and_utc(), day.clinic_id);
    let link = page.cut_filtered(PATH, &filters, &mut found, limit, place);
    let items = found.into_iter().map(DayWithoutPresence::from).collect();
    Ok(linked(&DaysWithoutPresencePage { items }, link))
}

/// Examples for the API's document.
pub(in crate::http) fn examples() -> Vec<Example> {
    let day = DayWithout { clinic_id: samples::CLINIC, clinic_day: samples::day(), entries: 43 };
    let page = DaysWithoutPresencePage { items: vec![day.into()] };
    vec![Example { operation_id: "list_days_without_presence", part: Part::Response, value: json!(page) }]
}
