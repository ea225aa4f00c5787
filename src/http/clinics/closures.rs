//! Dated exceptions that close a clinic.
//!
//! The rule of this file: a closure is what a notice on the door says, in local time. It is turned into instants by
//! the plan, never here.

use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use chrono::{NaiveDateTime, TimeDelta};
use serde::{Deserialize, Serialize};
use serde_json::json;
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use uuid::{Uuid, uuid};

use super::find_reached;
use crate::domain::event::EventKind;
use crate::domain::fault::{Fault, check_text};
use crate::domain::hours::Closure;
use crate::http::AppState;
use crate::http::caller::Caller;
use crate::http::configuration::{
    Change, EditQuery, Edited, check_date, created_or_ok, must_have_room, without_faults,
};
use crate::http::extract::{Body, Path, Query};
use crate::http::openapi::{Example, Part};
use crate::http::problem::ApiResult;
use crate::store;
use crate::store::clinics::ClosureRow;

const LONGEST: TimeDelta = TimeDelta::days(400);
/// Most closures of one clinic, past ones too: two a week for twenty years.
pub(super) const MOST_CLOSURES: i64 = 2000;
const LOCAL_MINUTE: &str = "%Y-%m-%dT%H:%M";

/// A closure as it is set.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ClosureInput {
    /// First closed local time, `YYYY-MM-DDTHH:MM`.
    #[schema(pattern = "^[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}$", example = "2026-12-24T14:00")]
    pub from_local: String,
    /// First local time that is open again, at most 400 days later.
    #[schema(pattern = "^[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}$", example = "2026-12-27T00:00")]
    pub until_local: String,
    /// Why, for the people who read "not required".
    #[schema(min_length = 1, max_length = 200, example = "public holidays")]
    pub reason: String,
}

impl ClosureInput {
    fn check(self) -> Result<Closure, Vec<Fault>> {
        let mut faults = Vec::new();
        check_text(&mut faults, "/reason", &self.reason, 200);
        let from = check_local(&mut faults, "/from_local", &self.from_local);
        let until = check_local(&mut faults, "/until_local", &self.until_local);
        let (Some(from), Some(until)) = (from, until) else { return Err(faults) };
        if until <= from {
            faults.push(Fault::new("/until_local", "must be after from_local"));
        } else if until - from > LONGEST {
            faults.push(Fault::new("/until_local", "must be at most 400 days after from_local"));
        }
        without_faults(Closure { from, until, reason: self.reason }, faults)
    }
}

/// Reads a local time. What a pattern cannot say (30 February) is a broken rule like any other.
fn check_local(faults: &mut Vec<Fault>, pointer: &str, text: &str) -> Option<NaiveDateTime> {
    // chrono reads looser forms too; only the one that is written back is taken.
    let time = NaiveDateTime::parse_from_str(text, LOCAL_MINUTE).ok().filter(|time| write_local(*time) == text);
    match time {
        Some(time) => check_date(faults, pointer, time.date()),
        None => faults.push(Fault::new(pointer, "must be a local time of the calendar, YYYY-MM-DDTHH:MM")),
    }
    time
}

fn write_local(time: NaiveDateTime) -> String {
    time.format(LOCAL_MINUTE).to_string()
}

/// A closure.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct ClosureDocument {
    /// Its identity.
    pub closure_id: Uuid,
    /// First closed local time, `YYYY-MM-DDTHH:MM`.
    pub from_local: String,
    /// First local time that is open again.
    pub until_local: String,
    /// Why.
    pub reason: String,
}

impl From<&ClosureRow> for ClosureDocument {
    fn from(row: &ClosureRow) -> Self {
        Self {
            closure_id: row.closure_id,
            from_local: write_local(row.closure.from),
            until_local: write_local(row.closure.until),
            reason: row.closure.reason.clone(),
        }
    }
}

/// A clinic's closures.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct ClosureList {
    /// By their start.
    pub items: Vec<ClosureDocument>,
}

/// Its routes.
#[must_use]
pub fn router() -> OpenApiRouter<AppState> {
    OpenApiRouter::new().routes(routes!(list_closures)).routes(routes!(put_closure, delete_closure))
}

/// List a clinic's closures, past ones too
#[utoipa::path(
    get,
    path = "/v1/clinics/{clinic_id}/closures",
    operation_id = "list_closures",
    tag = "Clinics",
    params(("clinic_id" = Uuid, Path, description = "The clinic.")),
    responses((status = 200, description = "The closures, by their start.", body = ClosureList))
)]
async fn list_closures(
    State(state): State<AppState>,
    caller: Caller,
    Path(clinic_id): Path<Uuid>,
) -> ApiResult<Json<ClosureList>> {
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    find_reached(&mut tx, &caller, clinic_id).await?;
    let rows = store::clinics::list_closures(&mut tx, caller.group_id, clinic_id).await?;
    tx.commit().await?;
    Ok(Json(ClosureList { items: rows.iter().map(ClosureDocument::from).collect() }))
}

/// Close a clinic for a time
///
/// Work that falls into a closure is planned and marked not required, with the closure's reason, so that the gap in
/// the records explains itself.
#[utoipa::path(
    put,
    path = "/v1/clinics/{clinic_id}/closures/{closure_id}",
    operation_id = "put_closure",
    tag = "Clinics",
    params(
        ("clinic_id" = Uuid, Path, description = "The clinic."),
        ("closure_id" = Uuid, Path, description = "The closure."),
        EditQuery
    ),
    request_body = ClosureInput,
    responses(
        (status = 200, description = "It stood before, and is now as sent.", body = ClosureDocument),
        (status = 201, description = "It was created.", body = ClosureDocument)
    )
)]
async fn put_closure(
    State(state): State<AppState>,
    caller: Caller,
    Path((clinic_id, closure_id)): Path<(Uuid, Uuid)>,
    Query(edit): Query<EditQuery>,
    Body(input): Body<ClosureInput>,
) -> Edited<(StatusCode, Json<ClosureDocument>)> {
    let (mut change, closure) = Change::begin(&state, &caller, edit, input.check()).await?;
    change.clinic(clinic_id).await?;
    let before = store::clinics::find_closure(change.db(), caller.group_id, clinic_id, closure_id).await?;
    let row = ClosureRow { closure_id, closure };
    let document = ClosureDocument::from(&row);
    if before.is_none() {
        let standing = store::clinics::count_closures(change.db(), caller.group_id, clinic_id).await?;
        must_have_room(standing, MOST_CLOSURES, "closures of a clinic")?;
    }
    if before.as_ref() != Some(&row) {
        store::clinics::save_closure(change.db(), caller.group_id, clinic_id, &row, caller.now).await?;
        change.tell(EventKind::ClinicChanged, Some(clinic_id), &json!({ "closure": document })).await?;
        change.replan_clinic(clinic_id).await?;
    }
    change.commit().await?;
    Ok((created_or_ok(before.is_none()), Json(document)))
}

/// Take back a closure
///
/// A repeat, and an id that was never used, are harmless.
#[utoipa::path(
    delete,
    path = "/v1/clinics/{clinic_id}/closures/{closure_id}",
    operation_id = "delete_closure",
    tag = "Clinics",
    params(
        ("clinic_id" = Uuid, Path, description = "The clinic."),
        ("closure_id" = Uuid, Path, description = "The closure."),
        EditQuery
    ),
    responses((status = 204, description = "There is no such closure any more."))
)]
async fn delete_closure(
    State(state): State<AppState>,
    caller: Caller,
    Path((clinic_id, closure_id)): Path<(Uuid, Uuid)>,
    Query(edit): Query<EditQuery>,
) -> Edited<StatusCode> {
    let (mut change, ()) = Change::begin(&state, &caller, edit, Ok(())).await?;
    change.clinic(clinic_id).await?;
    if store::clinics::delete_closure(change.db(), caller.group_id, clinic_id, closure_id).await? {
        let what = json!({ "removed_closure_id": closure_id });
        change.tell(EventKind::ClinicChanged, Some(clinic_id), &what).await?;
        change.replan_clinic(clinic_id).await?;
    }
    change.commit().await?;
    Ok(StatusCode::NO_CONTENT)
}

/// Examples for the API's document.
pub(in crate::http) fn examples() -> Vec<Example> {
    let input = ClosureInput {
        from_local: "2026-12-24T14:00".to_owned(),
        until_local: "2026-12-27T00:00".to_owned(),
        reason: "public holidays".to_owned(),
    };
    let document = ClosureDocument {
        closure_id: uuid!("0b6f2c3e-5d0a-4c57-9a53-7f1e2a90c009"),
        from_local: input.from_local.clone(),
        until_local: input.until_local.clone(),
        reason: input.reason.clone(),
    };
    let list = ClosureList { items: vec![document.clone()] };
    vec![
        Example { operation_id: "list_closures", part: Part::Response, value: json!(list) },
        Example { operation_id: "put_closure", part: Part::Request, value: json!(input) },
        Example { operation_id: "put_closure", part: Part::Response, value: json!(document) },
    ]
}

#[cfg(test)]
mod tests {
    use super::*;

    fn pointers(from: &str, until: &str) -> Vec<String> {
        let input =
            ClosureInput { from_local: from.to_owned(), until_local: until.to_owned(), reason: "works".to_owned() };
        input.check().err().unwrap_or_default().into_iter().map(|f| f.pointer).collect()
    }

    /// The Gregorian calendar: 2028 is a leap year, 2026 is not; 400 days after 2026-01-01 is 2027-02-05.
    #[test]
    fn a_closure_is_a_span_of_the_calendar_of_at_most_400_days() {
        let none: [&str; 0] = [];
        assert_eq!(pointers("2026-12-24T14:00", "2026-12-27T00:00"), none);
        assert_eq!(pointers("2028-02-29T00:00", "2028-03-01T00:00"), none);
        assert_eq!(pointers("2026-02-29T00:00", "2026-03-01T00:00"), ["/from_local"]);
        assert_eq!(pointers("2026-01-01T00:00", "2027-02-05T00:00"), none);
        assert_eq!(pointers("2026-01-01T00:00", "2027-02-05T00:01"), ["/until_local"]);
        assert_eq!(pointers("2026-01-01T00:00", "2026-01-01T00:00"), ["/until_local"]);
        assert_eq!(pointers("1969-12-31T23:59", "1970-01-01T00:00"), ["/from_local"]);
        assert_eq!(pointers("2199-12-31T00:00", "2200-01-01T00:00"), ["/until_local"]);
    }

    #[test]
    fn only_the_one_written_form_of_a_local_time_is_read() {
        for loose in ["2026-1-01T00:00", "2026-01-01T0:00", "2026-01-01 00:00", "2026-01-01T24:00", " 026-01-01T00:00"]
        {
            assert_eq!(pointers(loose, "2026-01-02T00:00"), ["/from_local"], "{loose}");
        }
    }
}
