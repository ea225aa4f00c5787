//! The work that is coming: how many tasks and rough minutes, by clinic, subject, day and hour.
//!
//! The rule of this file: a forecast is the plan itself, made for days ahead and not stored. What is not known yet is
//! not guessed: what hangs on patients, events or completions to come is in it only as far as they happened.

use std::collections::{BTreeMap, BTreeSet};

use axum::extract::State;
use axum::response::Response;
use chrono::{DateTime, Days, NaiveDate, Utc};
use serde::{Deserialize, Serialize};
use tokio::sync::Semaphore;
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use uuid::Uuid;

use crate::domain::access::Role;
use crate::domain::load::Weight;
use crate::domain::plan::{self, Clinic};
use crate::domain::zone;
use crate::http::AppState;
use crate::http::caller::Caller;
use crate::http::extract::Query;
use crate::http::openapi::{Example, Part};
use crate::http::problem::{ApiError, ApiResult};
use crate::http::representation::{self, CsvRow, Format, text_cell};
use crate::http::samples;
use crate::store;
use crate::store::clinics::ClinicRow;

const DEFAULT_DAYS: u64 = 28;
const MOST_DAYS: u64 = 400;
/// Clinics of one forecast: each costs about what planning it costs.
const MOST_CLINICS: usize = 50;
/// How far beyond the last day facts are asked for: a window, and a date that is moved over closed days.
const BEYOND_DAYS: u64 = store::WINDOW_DAYS + 31;
/// Whoever may see sums over clinics, and the front desk, which staffs the day.
const READERS: [Role; 4] = [Role::Manager, Role::Reader, Role::Administrator, Role::FrontDesk];
/// Clinics that are looked far ahead at once by this process, whoever asks: the planner and the chair need its cores
/// too.
pub(super) static AT_ONCE: Semaphore = Semaphore::const_new(2);

const ASSUMES: &str = "The configuration stays as it is, nothing more is recorded, and operatories in service are used \
on every open day. What follows patients, site events or completions is counted only where they happened.";

/// What a forecast is grouped by.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum ForecastBy {
    /// The clinic.
    Clinic,
    /// The operatory, piece of equipment or clinic the work is done on.
    Subject,
    /// The local date the work is due.
    Day,
    /// The local hour of the day the work is due in.
    Hour,
}

/// Which days of which clinics, and how finely.
#[derive(Clone, Debug, Default, PartialEq, Eq, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct ForecastQuery {
    /// First day, of each clinic's own zone, not gone by; when not given, each clinic's own today.
    pub from: Option<NaiveDate>,
    /// Last day, itself counted, at most 400 days ahead; when not given, 28 days are counted.
    pub to: Option<NaiveDate>,
    /// Only these clinics, each once; repeat it for several. When not given, all within reach, at most 50.
    #[param(required = false, max_items = 50)]
    pub clinic_id: BTreeSet<Uuid>,
    /// What to group by, each once; repeat it for several. When not given, by clinic and day.
    #[param(required = false, inline)]
    pub by: BTreeSet<ForecastBy>,
}

impl ForecastQuery {
    /// Reads the parameters one by one, since two of them may be repeated with other values.
    fn read(pairs: Vec<(String, String)>) -> ApiResult<Self> {
        let mut query = Self::default();
        for (name, value) in pairs {
            let unreadable = || ApiError::malformed(format!("{name} cannot be read: {value}"));
            let is_new = match name.as_str() {
                "from" => query.from.replace(value.parse().map_err(|_| unreadable())?).is_none(),
                "to" => query.to.replace(value.parse().map_err(|_| unreadable())?).is_none(),
                "clinic_id" => query.clinic_id.insert(value.parse().map_err(|_| unreadable())?),
                "by" => query.by.insert(serde_json::from_value(value.as_str().into()).map_err(|_| unreadable())?),
                _ => return Err(ApiError::malformed(format!("there is no parameter {name}"))),
            };
            if !is_new {
                return Err(ApiError::malformed(match name.as_str() {
                    "from" | "to" => format!("{name} must be given once"),
                    _ => format!("{name} must name each value once; {value} stands twice"),
                }));
            }
        }
        if query.by.is_empty() {
            query.by = BTreeSet::from([ForecastBy::Clinic, ForecastBy::Day]);
        }
        Ok(query)
    }

    /// First and last day for a clinic whose local date is `today`.
    fn days(&self, today: NaiveDate) -> (NaiveDate, NaiveDate) {
        let from_on = self.from.unwrap_or(today);
        (from_on, self.to.unwrap_or_else(|| from_on + Days::new(DEFAULT_DAYS - 1)))
    }

    /// Refuses days that cannot be forecast. Measured once, with the date in UTC and a day to spare on either side, so
    /// that one question is not good for one clinic and bad for the next.
    fn check(&self, now: DateTime<Utc>) -> ApiResult<()> {
        let today = now.date_naive();
        let (first_on, last_on) = (today - Days::new(1), today + Days::new(MOST_DAYS));
        if self.from.is_some_and(|from| from < first_on || from > last_on) {
            return Err(ApiError::rule_broken("/from", format!("must be from {first_on} to {last_on}")));
        }
        if self.to.is_some_and(|to| to > last_on) {
            return Err(ApiError::rule_broken("/to", format!("must not be after {last_on}")));
        }
        let (from_on, to_on) = self.days(today);
        if to_on < from_on {
            return Err(ApiError::rule_broken("/to", "must not be before from"));
        }
        Ok(())
    }
}

/// The work that is coming.
#[derive(Debug, Serialize, ToSchema)]
pub struct ForecastPage {
    /// The instant it was worked out for.
    pub as_of: DateTime<Utc>,
    /// What it takes for granted.
    pub assumes: String,
    /// One item for each clinic, subject, day and hour that has work, as far as they were asked for.
    pub items: Vec<ForecastItem>,
}

/// The work of one group of tasks. What was not grouped by is null.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct ForecastItem {
    /// The clinic.
    #[schema(required)]
    pub clinic_id: Option<Uuid>,
    /// What people call the clinic.
    #[schema(required)]
    pub clinic_name: Option<String>,
    /// The subject.
    #[schema(required)]
    pub subject_id: Option<Uuid>,
    /// What people call the subject.
    #[schema(required)]
    pub subject_name: Option<String>,
    /// The local date the work is due.
    #[schema(required)]
    pub on: Option<NaiveDate>,
    /// The local hour of the day the work is due in.
    #[schema(required, minimum = 0, maximum = 23)]
    pub hour: Option<u32>,
    /// Required tasks.
    #[schema(minimum = 0)]
    pub tasks: u64,
    /// Their rough minutes.
    #[schema(minimum = 0)]
    pub rough_minutes: u64,
}

impl CsvRow for ForecastItem {
    const COLUMNS: &'static [&'static str] =
        &["clinic_id", "clinic_name", "subject_id", "subject_name", "on", "hour", "tasks", "rough_minutes"];

    fn cells(&self) -> Vec<String> {
        fn shown(value: Option<&impl ToString>) -> String {
            value.map(ToString::to_string).unwrap_or_default()
        }
        vec![
            shown(self.clinic_id.as_ref()),
            text_cell(&shown(self.clinic_name.as_ref())),
            shown(self.subject_id.as_ref()),
            text_cell(&shown(self.subject_name.as_ref())),
            shown(self.on.as_ref()),
            shown(self.hour.as_ref()),
            self.tasks.to_string(),
            self.rough_minutes.to_string(),
        ]
    }
}

/// What tells the items of an answer apart: names first, so that they are in the order people look for them.
type Key = (Option<(String, Uuid)>, Option<(String, Uuid)>, Option<NaiveDate>, Option<u32>);

/// Tasks and rough minutes of each item.
type Sums = BTreeMap<Key, (u64, u64)>;

/// Forecast work
///
/// Counts the tasks that are due on the days `from` to `to` and their rough minutes, as the planner would plan them
/// now; nothing is stored. Tasks that are not required are not counted, and those of today are counted whether they
/// are done or not. What follows a patient, a site event or a completion is in it only where that happened already,
/// so turnovers to come are not. Operatories in service are expected to be used on every open day. Days and hours are
/// each clinic's own. `Accept: text/csv` gives the items as CSV with a header row.
#[utoipa::path(
    get,
    path = "/v1/forecast",
    operation_id = "get_forecast",
    tag = "Manager",
    params(ForecastQuery),
    responses((
        status = 200,
        description = "The work that is coming",
        content((ForecastPage = "application/json"), (String = "text/csv")),
        headers(("Vary" = String, description = "`Accept`"))
    ))
)]
async fn get_forecast(
    State(state): State<AppState>,
    caller: Caller,
    format: Format,
    Query(pairs): Query<Vec<(String, String)>>,
) -> ApiResult<Response> {
    caller.must_be(&READERS)?;
    let query = ForecastQuery::read(pairs)?;
    query.check(caller.now)?;
    let mut sums = Sums::new();
    for row in clinics(&state, &caller, &query).await? {
        let _turn = AT_ONCE.acquire().await.map_err(|_| ApiError::unavailable("forecasts are no longer made"))?;
        let (from_on, to_on) = query.days(zone::local(&row.zone, caller.now).date());
        let mut tx = store::begin(&state.pool, caller.group_id).await?;
        // The facts that the planner would look at, up to the last day.
        let today = caller.now.date_naive();
        let span = (today - Days::new(store::WINDOW_DAYS), to_on + Days::new(BEYOND_DAYS));
        let loaded = store::planning::facts::load(&mut tx, caller.group_id, row.clinic_id, span).await?;
        tx.commit().await?;
        let Some(clinic) = loaded else { continue };
        let (by, now) = (query.by.clone(), caller.now);
        // Arithmetic over up to 400 days of a clinic: not on a thread that answers requests.
        let worked_out = tokio::task::spawn_blocking(move || weigh(&clinic, &row, (from_on, to_on), &by, now)).await;
        for (key, (tasks, minutes)) in worked_out.map_err(store::StoreError::from)? {
            let sum = sums.entry(key).or_default();
            *sum = (sum.0 + tasks, sum.1 + minutes);
        }
    }
    let items = sums.into_iter().map(item).collect();
    let page = ForecastPage { as_of: caller.now, assumes: ASSUMES.to_owned(), items };
    representation::answer(format, &page, &page.items)
}

/// The clinics that are asked for, if the caller reaches them.
async fn clinics(state: &AppState, caller: &Caller, query: &ForecastQuery) -> ApiResult<Vec<ClinicRow>> {
    for clinic_id in &query.clinic_id {
        caller.must_reach_clinic(*clinic_id)?;
    }
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let mut rows = store::clinics::list(&mut tx, caller.group_id).await?;
    tx.commit().await?;
    let wanted = |id: &Uuid| query.clinic_id.is_empty() || query.clinic_id.contains(id);
    rows.retain(|row| caller.reach.covers_clinic(row.clinic_id) && wanted(&row.clinic_id));
    // Only the whole group's key can name a clinic that does not exist.
    if !query.clinic_id.is_empty() && rows.len() < query.clinic_id.len() {
        return Err(ApiError::not_found("clinic"));
    }
    if rows.len() > MOST_CLINICS {
        let rule = format!("must name at most {MOST_CLINICS} clinics: {} are within reach", rows.len());
        return Err(ApiError::rule_broken("/clinic_id", rule));
    }
    Ok(rows)
}

/// Plans a clinic as the planner would, and sums what is due on the days.
fn weigh(
    clinic: &Clinic,
    row: &ClinicRow,
    (from_on, to_on): (NaiveDate, NaiveDate),
    by: &BTreeSet<ForecastBy>,
    now: DateTime<Utc>,
) -> Sums {
    let names: BTreeMap<Uuid, &str> = clinic.subjects.iter().map(|s| (s.id, s.name.as_str())).collect();
    let (behind, ahead) = clinic.reach_days();
    let today = clinic.hours.clinic_day_of(now);
    let mut sums = Sums::new();
    for task in plan::plan(clinic, from_on - Days::new(behind), to_on + Days::new(ahead), today) {
        let Some(weight) = Weight::of(&task) else { continue };
        let (on, hour) = weight.local(&clinic.hours.zone);
        if !(from_on..=to_on).contains(&on) {
            continue;
        }
        let asked = |what: ForecastBy| by.contains(&what);
        let subject = || (names.get(&task.subject_id).copied().unwrap_or_default().to_owned(), task.subject_id);
        let key = (
            asked(ForecastBy::Clinic).then(|| (row.name.clone(), row.clinic_id)),
            asked(ForecastBy::Subject).then(subject),
            asked(ForecastBy::Day).then_some(on),
            asked(ForecastBy::Hour).then_some(hour),
        );
        let sum = sums.entry(key).or_default();
        *sum = (sum.0 + 1, sum.1 + u64::from(weight.rough_minutes));
    }
    sums
}

fn item(((clinic, subject, on, hour), (tasks, rough_minutes)): (Key, (u64, u64))) -> ForecastItem {
    let (clinic_name, clinic_id) = clinic.unzip();
    let (subject_name, subject_id) = subject.unzip();
    ForecastItem { clinic_id, clinic_name, subject_id, subject_name, on, hour, tasks, rough_minutes }
}

/// The routes of this resource.
pub(in crate::http) fn router() -> OpenApiRouter<AppState> {
    OpenApiRouter::new().routes(routes!(get_forecast))
}

/// Example documents of this resource.
pub(in crate::http) fn examples() -> Vec<Example> {
    let key = (Some(("Saltmarrow Marrowby Fold".to_owned(), samples::CLINIC)), None, Some(samples::day()), None);
    let page =
        ForecastPage { as_of: samples::morning(7, 0), assumes: ASSUMES.to_owned(), items: vec![item((key, (14, 95)))] };
    vec![Example {
        operation_id: "get_forecast",
        part: Part::Response,
        value: serde_json::to_value(page).expect("a page is plain JSON"),
    }]
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(text: &str) -> ApiResult<ForecastQuery> {
        let pairs = text.split('&').filter_map(|pair| pair.split_once('='));
        ForecastQuery::read(pairs.map(|(name, value)| (name.to_owned(), value.to_owned())).collect())
    }

    #[test]
    fn clinics_and_groupings_may_be_several_each_named_once_and_nothing_else_may() {
        let query = read("by=hour&by=clinic").expect("read");
        assert_eq!(query.by, BTreeSet::from([ForecastBy::Clinic, ForecastBy::Hour]));
        assert_eq!(read("").expect("read").by, BTreeSet::from([ForecastBy::Clinic, ForecastBy::Day]));
        for bad in ["by=week", "from=2026-11-30&from=2026-11-30", "to=30.11.2026", "clinic_id=1", "form=2026-11-30"] {
            assert_eq!(read(bad).expect_err(bad).status(), 400, "{bad}");
        }
        // As the API's document says: what is named is a set.
        let twice = format!("clinic_id={id}&clinic_id={id}", id = samples::CLINIC);
        for bad in ["by=hour&by=clinic&by=hour", &twice] {
            assert_eq!(read(bad).expect_err(bad).status(), 400, "{bad}");
        }
    }

    #[test]
    fn days_gone_by_days_in_reverse_and_days_beyond_400_are_refused() {
        let now: DateTime<Utc> = "2026-11-30T12:00:00Z".parse().expect("an instant");
        // 400 days after 2026-11-30 is 2028-01-04: 31 days to the year's end, 365 of 2027, 4 of 2028.
        for good in ["from=2026-11-29", "from=2026-11-30&to=2028-01-04", "from=2028-01-04", ""] {
            assert!(read(good).expect("read").check(now).is_ok(), "{good}");
        }
        for bad in ["from=2026-11-28", "to=2028-01-05", "from=2028-01-05", "from=2026-12-02&to=2026-12-01"] {
            assert_eq!(read(bad).expect("read").check(now).expect_err(bad).status(), 422, "{bad}");
        }
    }
}
