//! Closures from an iCalendar file: what it would close, and closing it.
//!
//! The rule of this file: what is shown and what is applied is worked out by the same code from the same file, and
//! nothing is written unless `apply=true` asks for it.

use std::collections::BTreeMap;

use axum::Json;
use axum::extract::State;
use chrono::{DateTime, Days, NaiveDate, NaiveTime, Utc};
use serde::{Deserialize, Serialize};
use serde_json::json;
use sqlx::PgConnection;
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use uuid::{Uuid, uuid};

use super::closures::{ClosureDocument, MOST_CLOSURES};
use crate::domain::daybook::DayBook;
use crate::domain::event::EventKind;
use crate::domain::fault::Fault;
use crate::domain::holiday_calendar::{self, HolidayClosure, LostDay, Novelty, Reading, Scope, Skipped};
use crate::domain::hours::{Closure, Hours, Session};
use crate::http::AppState;
use crate::http::caller::Caller;
use crate::http::configuration::{Change, EditQuery, Edited, check_date, must_configure, must_have_room};
use crate::http::extract::{CalendarBody, Path, Query};
use crate::http::openapi::{Example, Part};
use crate::http::problem::{ApiError, ApiResult};
use crate::store;
use crate::store::clinics::ClosureRow;

/// How many days ahead are looked at when nobody says.
const USUAL_DAYS: u64 = 400;
/// How many days ahead can be looked at.
const MOST_DAYS_AHEAD: u64 = 800;
/// How many days back can be looked at.
const MOST_DAYS_BACK: u64 = 400;

/// Which days of the file are looked at, and whether they are written.
#[derive(Clone, Copy, Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct ClosureImportQuery {
    /// Whether the closures are kept; otherwise they are only shown.
    #[serde(default)]
    #[param(default = false)]
    pub apply: bool,
    /// The first day that is looked at, at most 400 days ago; the clinic's today when it is not given.
    #[serde(default)]
    pub from: Option<NaiveDate>,
    /// The last day that is looked at, from `from` to 800 days after the clinic's today; 400 days after it when it is
    /// not given.
    #[serde(default)]
    pub until: Option<NaiveDate>,
}

impl ClosureImportQuery {
    /// The first and the last day, seen from the clinic's today.
    fn days(self, today: NaiveDate) -> ApiResult<(NaiveDate, NaiveDate)> {
        let mut faults = Vec::new();
        for (pointer, date) in [("/from", self.from), ("/until", self.until)] {
            if let Some(date) = date {
                check_date(&mut faults, pointer, date);
            }
        }
        let ahead = |days| today.checked_add_days(Days::new(days)).unwrap_or(NaiveDate::MAX);
        let earliest = today.checked_sub_days(Days::new(MOST_DAYS_BACK)).unwrap_or(NaiveDate::MIN);
        let (from, until) = (self.from.unwrap_or(today), self.until.unwrap_or_else(|| ahead(USUAL_DAYS)));
        if from < earliest {
            faults.push(Fault::new("/from", format!("must be at most {MOST_DAYS_BACK} days ago")));
        }
        if until < from {
            faults.push(Fault::new("/until", "must not be before from"));
        } else if until > ahead(MOST_DAYS_AHEAD) {
            faults.push(Fault::new("/until", format!("must be at most {MOST_DAYS_AHEAD} days ahead")));
        }
        if faults.is_empty() { Ok((from, until)) } else { Err(ApiError::rules_broken(faults)) }
    }
}

/// What a closure is against what stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum ClosureChange {
    /// It does not stand.
    New,
    /// It stands with other times or another reason.
    Changed,
    /// It stands as it is.
    Unchanged,
    /// It stands, and its event is cancelled: it is taken back.
    Removed,
}

impl From<Novelty> for ClosureChange {
    fn from(novelty: Novelty) -> Self {
        match novelty {
            Novelty::New => Self::New,
            Novelty::Changed => Self::Changed,
            Novelty::Unchanged => Self::Unchanged,
            Novelty::Cancelled => Self::Removed,
        }
    }
}

/// A clinic day that an imported closure shuts or cuts.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct LostDayDocument {
    /// The clinic day.
    pub clinic_day: NaiveDate,
    /// Whether the closure leaves nothing of it open.
    pub is_shut: bool,
    /// What of its sessions the closure takes away.
    pub sessions_lost: Vec<Session>,
}

impl From<LostDay> for LostDayDocument {
    fn from(day: LostDay) -> Self {
        Self { clinic_day: day.clinic_day, is_shut: day.is_shut, sessions_lost: day.sessions_lost }
    }
}

/// A closure that the file asks for, or one that it takes back.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct ImportedClosure {
    /// Its identity, made from clinic, UID and occurrence: the same at each import.
    pub closure_id: Uuid,
    /// First closed local time, `YYYY-MM-DDTHH:MM`.
    pub from_local: String,
    /// First local time that is open again.
    pub until_local: String,
    /// Why: what the event is called.
    pub reason: String,
    /// Against what stood before this request.
    pub change: ClosureChange,
    /// The clinic days among those looked at that it shuts or cuts, each closure taken alone; those that open again
    /// where it is removed.
    pub open_days: Vec<LostDayDocument>,
}

/// An event that closes nothing.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct SkippedEvent {
    /// Its UID, at most 200 characters of it.
    #[schema(required)]
    pub uid: Option<String>,
    /// What it is called.
    #[schema(required)]
    pub summary: Option<String>,
    /// The line of the file in which it begins, counted from 1.
    #[schema(minimum = 1)]
    pub line: usize,
    /// Why it closes nothing.
    pub reason: String,
}

impl From<Skipped> for SkippedEvent {
    fn from(skipped: Skipped) -> Self {
        Self { uid: skipped.uid, summary: skipped.summary, line: skipped.line, reason: skipped.reason }
    }
}

/// What a file means for the clinic.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct ClosureImport {
    /// The closures, by their start.
    pub closures: Vec<ImportedClosure>,
    /// Closures of these days that were imported once, from this file or another, and of which the file says nothing.
    /// They stay: take one back by its id.
    pub left_alone: Vec<ClosureDocument>,
    /// What was left out, in the order of the file.
    pub skipped: Vec<SkippedEvent>,
    /// Whether the closures were kept, and those to be removed taken back.
    pub applied: bool,
}

/// Its routes.
#[must_use]
pub fn router() -> OpenApiRouter<AppState> {
    OpenApiRouter::new().routes(routes!(import_closures))
}

/// Import closures from an iCalendar file
///
/// An event of whole days closes those local days; one with times closes from its start to its end in the clinic's
/// zone. Recurring events, exceptions and moved occurrences are understood; what is not is listed as skipped, with
/// the reason. Without `apply=true` nothing is written. Importing the same file again changes nothing, an event that
/// moved moves its closure, and one that is cancelled (`STATUS:CANCELLED`), alone, in its series or as one occurrence,
/// takes back the closure that was imported of it on the days that are looked at. A closure whose event only left the
/// file stays and is listed: take it back by its id.
#[utoipa::path(
    post,
    path = "/v1/clinics/{clinic_id}/closures/import",
    operation_id = "import_closures",
    tag = "Clinics",
    params(("clinic_id" = Uuid, Path, description = "The clinic."), ClosureImportQuery),
    request_body(
        content = String,
        content_type = "text/calendar",
        description = "An iCalendar file (RFC 5545) in UTF-8 with at most 2,000 events, of which at most 400 closures come.",
        example = json!(EXAMPLE_FILE)
    ),
    responses((status = 200, description = "What the file means, and whether it was applied.", body = ClosureImport))
)]
async fn import_closures(
    State(state): State<AppState>,
    caller: Caller,
    Path(clinic_id): Path<Uuid>,
    Query(query): Query<ClosureImportQuery>,
    CalendarBody(file): CalendarBody,
) -> Edited<Json<ClosureImport>> {
    if !query.apply {
        must_configure(&caller)?;
        let mut tx = store::begin(&state.pool, caller.group_id).await?;
        let clinic = load(&mut tx, &caller, clinic_id).await?;
        // Nothing more is asked of the database: the connection need not wait for the reading.
        tx.commit().await?;
        let (_, import) = work_out(file, clinic, query, caller.now).await?;
        return Ok(Json(import));
    }
    let (mut change, ()) = Change::begin(&state, &caller, EditQuery::default(), Ok(())).await?;
    let clinic = load(change.db(), &caller, clinic_id).await?;
    let standing = i64::try_from(clinic.standing.len()).unwrap_or(i64::MAX);
    let (rows, import) = work_out(file, clinic, query, caller.now).await?;
    let ids_of = |change| import.closures.iter().filter(move |c| c.change == change).map(|closure| closure.closure_id);
    let removed: Vec<Uuid> = ids_of(ClosureChange::Removed).collect();
    let count = |number: usize| i64::try_from(number).unwrap_or(i64::MAX);
    let added = count(ids_of(ClosureChange::New).count());
    if added > 0 {
        must_have_room(standing - count(removed.len()) + added - 1, MOST_CLOSURES, "closures of a clinic")?;
    }
    if !rows.is_empty() || !removed.is_empty() {
        for row in &rows {
            store::clinics::save_closure(change.db(), caller.group_id, clinic_id, row, caller.now).await?;
        }
        for closure_id in &removed {
            store::clinics::delete_closure(change.db(), caller.group_id, clinic_id, *closure_id).await?;
        }
        let documents: Vec<_> = rows.iter().map(ClosureDocument::from).collect();
        let what = json!({ "closures": documents, "removed_closure_ids": removed });
        change.tell(EventKind::ClinicChanged, Some(clinic_id), &what).await?;
        change.replan_clinic(clinic_id).await?;
    }
    change.commit().await?;
    Ok(Json(ClosureImport { applied: true, ..import }))
}

/// What of a clinic decides what a file means for it.
struct Door {
    clinic_id: Uuid,
    /// The hours with all closures.
    hours: Hours,
    standing: BTreeMap<Uuid, Closure>,
}

async fn load(db: &mut PgConnection, caller: &Caller, clinic_id: Uuid) -> ApiResult<Door> {
    let hours = store::clinics::hours(db, caller.group_id, clinic_id).await?;
    let hours = hours.ok_or_else(|| ApiError::not_found("clinic"))?;
    let rows = store::clinics::list_closures(db, caller.group_id, clinic_id).await?;
    let standing = rows.into_iter().map(|row| (row.closure_id, row.closure)).collect();
    Ok(Door { clinic_id, hours, standing })
}

/// The closures to write, and the answer. A large file takes a while, so it is read off the threads that answer.
async fn work_out(
    file: String,
    clinic: Door,
    query: ClosureImportQuery,
    now: DateTime<Utc>,
) -> ApiResult<(Vec<ClosureRow>, ClosureImport)> {
    let worked_out = tokio::task::spawn_blocking(move || {
        let (from, until) = query.days(clinic.hours.clinic_day_of(now))?;
        let Door { clinic_id, hours, standing } = clinic;
        let scope = Scope { clinic_id, zone: &hours.zone, from, until, standing: &standing };
        let reading = holiday_calendar::read(&file, &scope)
            .map_err(|error| ApiError::rule_broken("", format!("the file {error}")))?;
        Ok(answer(reading, hours, standing, from, until))
    });
    worked_out.await.map_err(|error| {
        tracing::error!(%error, "an imported calendar was not worked out");
        ApiError::internal()
    })?
}

fn answer(
    reading: Reading,
    mut hours: Hours,
    mut standing: BTreeMap<Uuid, Closure>,
    from: NaiveDate,
    until: NaiveDate,
) -> (Vec<ClosureRow>, ClosureImport) {
    for asked in &reading.closures {
        standing.remove(&asked.closure_id);
    }
    hours.closures = standing.into_values().collect();
    let book = DayBook::new(&hours);
    let mut rows = Vec::new();
    let mut closures = Vec::with_capacity(reading.closures.len());
    for HolidayClosure { closure_id, closure, novelty } in reading.closures {
        let open_days = holiday_calendar::lost_days(&book, &closure, from, until);
        let row = ClosureRow { closure_id, closure };
        let ClosureDocument { closure_id, from_local, until_local, reason } = ClosureDocument::from(&row);
        let (change, open_days) = (novelty.into(), open_days.into_iter().map(LostDayDocument::from).collect());
        closures.push(ImportedClosure { closure_id, from_local, until_local, reason, change, open_days });
        if matches!(novelty, Novelty::New | Novelty::Changed) {
            rows.push(row);
        }
    }
    let document = |(closure_id, closure)| ClosureDocument::from(&ClosureRow { closure_id, closure });
    let left_alone = reading.left_alone.into_iter().map(document).collect();
    let skipped = reading.skipped.into_iter().map(SkippedEvent::from).collect();
    (rows, ClosureImport { closures, left_alone, skipped, applied: false })
}

/// The file the API's document shows.
const EXAMPLE_FILE: &str = "BEGIN:VCALENDAR\r\n\
    VERSION:2.0\r\n\
    PRODID:-//example//holidays//EN\r\n\
    BEGIN:VEVENT\r\n\
    UID:new-year@calendar.example\r\n\
    DTSTAMP:20261101T090000Z\r\n\
    DTSTART;VALUE=DATE:20270101\r\n\
    RRULE:FREQ=YEARLY\r\n\
    SUMMARY:New Year's Day\r\n\
    END:VEVENT\r\n\
    BEGIN:VEVENT\r\n\
    UID:market@calendar.example\r\n\
    DTSTAMP:20261101T090000Z\r\n\
    DTSTART;VALUE=DATE:20270109\r\n\
    SUMMARY:Market day\r\n\
    TRANSP:TRANSPARENT\r\n\
    END:VEVENT\r\n\
    END:VCALENDAR\r\n";

/// Examples for the API's document.
pub(in crate::http) fn examples() -> Vec<Example> {
    let time = |hour| NaiveTime::from_hms_opt(hour, 0, 0).expect("a full hour of the day");
    let lost = LostDayDocument {
        clinic_day: NaiveDate::from_ymd_opt(2027, 1, 1).expect("a date of the calendar"),
        is_shut: true,
        sessions_lost: vec![Session { opens: time(8), closes: time(17) }],
    };
    let import = ClosureImport {
        closures: vec![ImportedClosure {
            closure_id: uuid!("0b6f2c3e-5d0a-8c57-9a53-7f1e2a90c00a"),
            from_local: "2027-01-01T00:00".to_owned(),
            until_local: "2027-01-02T00:00".to_owned(),
            reason: "New Year's Day".to_owned(),
            change: ClosureChange::New,
            open_days: vec![lost],
        }],
        left_alone: Vec::new(),
        skipped: vec![SkippedEvent {
            uid: Some("market@calendar.example".to_owned()),
            summary: Some("Market day".to_owned()),
            line: 11,
            reason: "it takes up no time (TRANSP:TRANSPARENT)".to_owned(),
        }],
        applied: false,
    };
    vec![Example { operation_id: "import_closures", part: Part::Response, value: json!(import) }]
}
