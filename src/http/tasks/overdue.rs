//! The manager's list: everything overdue now, over all clinics in reach: work, steps of corrective actions, and days that
//! nobody signed.
//!
//! The rule of this file: the list shows one instant. The first page reads the clock, the cursor carries that instant
//! on, and a task recorded or a day signed in between stays on the pages that follow. A client from before there were other
//! kinds than tasks names no kind, and is given tasks.

use axum::extract::State;
use axum::response::Response;
use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use uuid::Uuid;

use crate::domain::access::Role;
use crate::domain::cautions;
use crate::domain::ladder::{Audience, OverdueKind};
use crate::domain::subject::SubjectKind;
use crate::http::AppState;
use crate::http::caller::Caller;
use crate::http::extract::Query;
use crate::http::openapi::{Example, Part};
use crate::http::paging::{self, Cursor};
use crate::http::problem::{ApiError, ApiResult};
use crate::http::representation::{self, CsvRow, Format, instant_cell, text_cell};
use crate::store;
use crate::store::tasks::overdue::{Filter, Overdue, Position};

/// Who reads lists over clinics.
pub(in crate::http) const LIST_READERS: [Role; 3] = [Role::Manager, Role::Reader, Role::Administrator];

const DEFAULT_LIMIT: u16 = 100;
const HIGHEST_LIMIT: u16 = 500;

/// Which kinds of overdue things a list holds.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum OverdueKinds {
    /// Every kind.
    All,
    /// Work on a subject.
    #[default]
    Task,
    /// What open corrective actions wait for: a step, or the closing.
    CorrectiveAction,
    /// Clinic days that no lead has signed.
    UnsignedDay,
}

impl OverdueKinds {
    fn only(self) -> Option<OverdueKind> {
        match self {
            Self::All => None,
            Self::Task => Some(OverdueKind::Task),
            Self::CorrectiveAction => Some(OverdueKind::CorrectiveAction),
            Self::UnsignedDay => Some(OverdueKind::UnsignedDay),
        }
    }
}

/// What is wanted of what is overdue.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct OverdueQuery {
    /// Only this kind, or `all`; `task` when not given, as it was before there were others.
    #[param(inline)]
    pub kind: Option<OverdueKinds>,
    /// Only in this clinic.
    pub clinic_id: Option<Uuid>,
    /// Only at this level of the ladder; 0: nobody is told yet.
    #[param(minimum = 0, maximum = 9)]
    pub level: Option<u8>,
    /// Only at this level of the ladder or above it.
    #[param(minimum = 1, maximum = 9)]
    pub level_at_least: Option<u8>,
    /// Only of this routine, or of actions whose tests it gives.
    pub routine_id: Option<Uuid>,
    /// Only about subjects of this kind; a day is about its clinic.
    pub subject_kind: Option<SubjectKind>,
    /// `true`: only tasks that can stand in the way of using their subject; `false`: only the others.
    pub blocking: Option<bool>,
    /// Most items in one answer; 100 when not given.
    #[param(minimum = 1, maximum = 500)]
    pub limit: Option<u16>,
    /// Where to go on, as the `Link` field of the page before gave it; good for a day.
    #[param(pattern = "^[A-Za-z0-9_-]{46}$")]
    pub cursor: Option<String>,
}

impl OverdueQuery {
    fn filter(&self) -> ApiResult<Filter> {
        if self.level.is_some_and(|level| level > 9) {
            return Err(ApiError::malformed("level must be from 0 to 9"));
        }
        if self.level_at_least.is_some_and(|level| !(1..=9).contains(&level)) {
            return Err(ApiError::malformed("level_at_least must be from 1 to 9"));
        }
        Ok(Filter {
            kind: self.kind.unwrap_or_default().only(),
            clinic_id: self.clinic_id,
            level: self.level,
            level_at_least: self.level_at_least,
            routine_id: self.routine_id,
            subject_kind: self.subject_kind,
            blocking: self.blocking,
        })
    }

    fn limit(&self) -> ApiResult<u16> {
        let limit = self.limit.unwrap_or(DEFAULT_LIMIT);
        if (1..=HIGHEST_LIMIT).contains(&limit) {
            Ok(limit)
        } else {
            Err(ApiError::malformed(format!("limit must be from 1 to {HIGHEST_LIMIT}")))
        }
    }

    /// The same question from `cursor` on.
    fn next(&self, cursor: &Cursor) -> Vec<(&'static str, Option<String>)> {
        let kind = |kind: OverdueKinds| kind.only().map_or("all", OverdueKind::as_str).to_owned();
        vec![
            ("kind", self.kind.map(kind)),
            ("clinic_id", self.clinic_id.map(|id| id.to_string())),
            ("level", self.level.map(|level| level.to_string())),
            ("level_at_least", self.level_at_least.map(|level| level.to_string())),
            ("routine_id", self.routine_id.map(|id| id.to_string())),
            ("subject_kind", self.subject_kind.map(|kind| kind.as_str().to_owned())),
            ("blocking", self.blocking.map(|blocking| blocking.to_string())),
            ("limit", self.limit.map(|limit| limit.to_string())),
            ("cursor", Some(cursor.encode())),
        ]
    }
}

/// One page of the overdue list.
#[derive(Debug, Serialize, ToSchema)]
pub struct OverduePage {
    /// The instant the whole list is for.
    pub as_of: DateTime<Utc>,
    /// The highest level first, then the longest late.
    pub items: Vec<OverdueItem>,
    /// How the list is to be read.
    pub cautions: [&'static str; 2],
}

/// Something overdue: a task, what a corrective action waits for, or a day that nobody signed.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct OverdueItem {
    /// Which kind.
    pub kind: OverdueKind,
    /// Its identity: of the task, of the action, or of the day; the same on every list.
    pub item_id: Uuid,
    /// Which task; null: it is none.
    #[schema(required)]
    pub task_id: Option<Uuid>,
    /// Where it fell due.
    pub clinic_id: Uuid,
    /// What people call that clinic.
    pub clinic_name: String,
    /// What it is about; for a day the clinic.
    pub subject_id: Uuid,
    /// Of which kind that is.
    pub subject_kind: SubjectKind,
    /// What people call it.
    pub subject_name: String,
    /// A task's routine, or the one whose tests an action asks for; null: none.
    #[schema(required)]
    pub routine_id: Option<Uuid>,
    /// The name of a task's routine in that version; null: it is no task.
    #[schema(required)]
    pub routine_name: Option<String>,
    /// The version in force on a task's clinic day; null: it is no task.
    #[schema(required)]
    pub routine_version: Option<i32>,
    /// What people call it: the routine, the action's chain, or that a day is not signed.
    pub title: String,
    /// The step an action waits for; null: a second person closes it, or it is no action.
    #[schema(required)]
    pub step: Option<String>,
    /// The clinic day of a task, or the day that is not signed: a local date at the clinic; null: an action.
    #[schema(required)]
    pub clinic_day: Option<NaiveDate>,
    /// When it was due.
    pub due_by: DateTime<Utc>,
    /// When grace was over; for a day the next opening.
    pub overdue_at: DateTime<Utc>,
    /// When a task will be missed; null: it is none.
    #[schema(required)]
    pub missed_at: Option<DateTime<Utc>>,
    /// Whole seconds since `overdue_at`.
    #[schema(minimum = 0)]
    pub overdue_seconds: i64,
    /// Rungs of the ladder reached; 0: none yet.
    #[schema(minimum = 0, maximum = 9)]
    pub level: u8,
    /// Whom that tells; null at level 0.
    #[schema(required)]
    pub audience: Option<Audience>,
    /// It is a task that can stand in the way of using its subject.
    pub blocking: bool,
    /// An attempt was recorded that did not keep the rules.
    pub failed_attempt: bool,
}

/// What an unsigned day is called.
const DAY_TITLE: &str = "Day sign-off: signature missing";

impl OverdueItem {
    fn new(item: Overdue, as_of: DateTime<Utc>) -> Self {
        let is_task = item.kind == OverdueKind::Task;
        let title = if item.kind == OverdueKind::UnsignedDay { DAY_TITLE.to_owned() } else { item.title };
        Self {
            kind: item.kind,
            item_id: item.item_id,
            task_id: is_task.then_some(item.item_id),
            clinic_id: item.clinic_id,
            clinic_name: item.clinic_name,
            subject_id: item.subject_id,
            subject_kind: item.subject_kind,
            subject_name: item.subject_name,
            routine_id: item.routine_id,
            routine_name: is_task.then(|| title.clone()),
            routine_version: item.routine_version,
            title,
            step: item.step,
            clinic_day: item.clinic_day,
            due_by: item.due_by,
            overdue_at: item.overdue_at,
            missed_at: item.missed_at,
            overdue_seconds: (as_of - item.overdue_at).num_seconds(),
            level: item.level,
            audience: item.audience,
            blocking: item.blocking,
            failed_attempt: item.failed_attempt,
        }
    }
}

/// A cell that is empty where there is nothing to say.
fn cell_of<T: ToString>(value: Option<T>) -> String {
    value.map(|value| value.to_string()).unwrap_or_default()
}

impl CsvRow for OverdueItem {
    // What came later stands at the end: a spreadsheet may know columns by their place.
    const COLUMNS: &'static [&'static str] = &[
        "task_id",
        "clinic_id",
        "clinic_name",
        "subject_id",
        "subject_kind",
        "subject_name",
        "routine_id",
        "routine_name",
        "routine_version",
        "clinic_day",
        "due_by",
        "overdue_at",
        "missed_at",
        "overdue_seconds",
        "level",
        "audience",
        "blocking",
        "failed_attempt",
        "kind",
        "item_id",
        "title",
        "step",
    ];

    fn cells(&self) -> Vec<String> {
        vec![
            cell_of(self.task_id),
            self.clinic_id.to_string(),
            text_cell(&self.clinic_name),
            self.subject_id.to_string(),
            self.subject_kind.as_str().to_owned(),
            text_cell(&self.subject_name),
            cell_of(self.routine_id),
            self.routine_name.as_deref().map(text_cell).unwrap_or_default(),
            cell_of(self.routine_version),
            cell_of(self.clinic_day),
            instant_cell(self.due_by),
            instant_cell(self.overdue_at),
            self.missed_at.map(instant_cell).unwrap_or_default(),
            self.overdue_seconds.to_string(),
            self.level.to_string(),
            self.audience.map_or_else(String::new, |a| a.as_str().to_owned()),
            self.blocking.to_string(),
            self.failed_attempt.to_string(),
            self.kind.as_str().to_owned(),
            self.item_id.to_string(),
            text_cell(&self.title),
            self.step.as_deref().map(text_cell).unwrap_or_default(),
        ]
    }
}

/// List what is overdue
///
/// Every task within the key's reach whose grace is over, that is not missed yet and has no outcome; with `kind=all` also
/// what open corrective actions wait for and clinic days that no lead has signed by the next opening: the highest level
/// of the ladder first, then the longest late. A `Link` field with `rel="next"` leads to the next page; all pages show
/// the instant `as_of` of the first. `Accept: text/csv` gives the items as CSV with a header row; a text that a
/// spreadsheet would take for a formula is led by an apostrophe there. A filter that matches nothing in reach gives an
/// empty list.
#[utoipa::path(
    get,
    path = "/v1/overdue",
    operation_id = "list_overdue",
    tag = "Manager",
    params(OverdueQuery),
    responses((
        status = 200,
        description = "One page of the list",
        content((OverduePage = "application/json"), (String = "text/csv")),
        headers(
            ("Link" = String, description = "The next page, when there is one (RFC 8288)"),
            ("Vary" = String, description = "`Accept`")
        )
    ))
)]
async fn list_overdue(
    State(state): State<AppState>,
    caller: Caller,
    format: Format,
    Query(query): Query<OverdueQuery>,
) -> ApiResult<Response> {
    caller.must_be(&LIST_READERS)?;
    let filter = query.filter()?;
    let limit = query.limit()?;
    let cursor = query.cursor.as_deref().map(|text| Cursor::read(text, caller.now)).transpose()?;
    let as_of = cursor.map_or(caller.now, |c| c.as_of);
    let after = cursor.map(|c| c.after);
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    // One more than is shown tells whether there is a next page.
    let at_most = i64::from(limit) + 1;
    let mut items =
        store::tasks::overdue::list(&mut tx, caller.group_id, &caller.reach, &filter, as_of, after, at_most).await?;
    tx.commit().await?;
    let has_more = items.len() > usize::from(limit);
    items.truncate(usize::from(limit));
    let link = items.last().filter(|_| has_more).and_then(|last| {
        let after = Position { level: last.level, overdue_at: last.overdue_at, item_id: last.item_id };
        paging::next_link("/v1/overdue", &query.next(&Cursor { as_of, after }))
    });
    let items = items.into_iter().map(|item| OverdueItem::new(item, as_of)).collect();
    let page = OverduePage { as_of, items, cautions: cautions::LISTS };
    Ok(paging::with_next(representation::answer(format, &page, &page.items)?, link))
}

/// The routes of this resource.
pub(in crate::http) fn router() -> OpenApiRouter<AppState> {
    OpenApiRouter::new().routes(routes!(list_overdue))
}

fn example_item() -> OverdueItem {
    let overdue_at = DateTime::from_timestamp(1_796_026_200, 0).expect("2026-11-30 08:10 UTC is an instant");
    let task = Overdue {
        kind: OverdueKind::Task,
        item_id: Uuid::from_u128(0x0000_5133_4a1f_8c3e_9d52_7b60_e1f4_a8c9),
        clinic_id: Uuid::from_u128(0x6f1d_2c3b_5a49_4e87_b6c5_d4e3_f201_1928),
        clinic_name: "Saltmarrow Marrowby Fold".to_owned(),
        subject_id: Uuid::from_u128(0x1b2c_3d4e_5f60_4172_8394_a5b6_c7d8_e9fa),
        subject_kind: SubjectKind::Operatory,
        subject_name: "Operatory 2".to_owned(),
        routine_id: Some(Uuid::from_u128(0x9e8d_7c6b_5a49_4838_a726_1504_f3e2_d1c0)),
        title: "Flush waterlines before the first patient".to_owned(),
        routine_version: Some(3),
        step: None,
        clinic_day: Some(overdue_at.date_naive()),
        due_by: overdue_at - TimeDelta::minutes(10),
        overdue_at,
        missed_at: Some(overdue_at + TimeDelta::minutes(230)),
        level: 1,
        audience: Some(Audience::Chairside),
        blocking: true,
        failed_attempt: false,
    };
    OverdueItem::new(task, overdue_at + TimeDelta::minutes(25))
}

/// Example documents of this resource.
pub(in crate::http) fn examples() -> Vec<Example> {
    let item = example_item();
    let as_of = item.overdue_at + TimeDelta::seconds(item.overdue_seconds);
    let page = OverduePage { as_of, items: vec![item], cautions: cautions::LISTS };
    vec![Example {
        operation_id: "list_overdue",
        part: Part::Response,
        value: serde_json::to_value(page).expect("a page is plain JSON"),
    }]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn csv_has_the_columns_and_the_values_of_the_json_items() {
        let item = OverdueItem { routine_name: Some("Rinse, then \"dry\"".to_owned()), ..example_item() };
        let json = serde_json::to_value(&item).expect("plain JSON");
        let fields = json.as_object().expect("an object");
        assert_eq!(OverdueItem::COLUMNS.len(), fields.len());
        for (column, cell) in OverdueItem::COLUMNS.iter().zip(item.cells()) {
            let text = match &fields[*column] {
                serde_json::Value::String(text) => text.clone(),
                serde_json::Value::Null => String::new(),
                other => other.to_string(),
            };
            assert_eq!(cell, text, "{column}");
        }
    }
}
