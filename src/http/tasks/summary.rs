//! The manager's figures: how many tasks of each clinic were done, late, missed or still open.
//!
//! The rule of this file: a rate stands beside the counts it was made from, and where nothing was due there is no
//! rate. What is not required, void or awaited is neither done nor missed.

use axum::extract::State;
use axum::response::Response;
use chrono::{DateTime, Datelike, Days, NaiveDate, Utc};
use rust_decimal::{Decimal, RoundingStrategy};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use uuid::Uuid;

use super::overdue::LIST_READERS;
use crate::domain::zone;
use crate::http::AppState;
use crate::http::caller::Caller;
use crate::http::extract::Query;
use crate::http::openapi::{Example, Part};
use crate::http::problem::{ApiError, ApiResult};
use crate::http::representation::{self, CsvRow, Format, text_cell};
use crate::store;
use crate::store::tasks::summary::{Counts, Span};

const DEFAULT_DAYS: u64 = 28;
const MOST_DAYS: i64 = 400;

/// Which clinic days are counted.
#[derive(Clone, Copy, Debug, Default, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct SummaryQuery {
    /// First clinic day; when not given, 28 days are counted. At most 400 days.
    pub from: Option<NaiveDate>,
    /// Last clinic day, itself counted; when not given, each clinic's own today.
    pub to: Option<NaiveDate>,
}

impl SummaryQuery {
    /// First and last day for a clinic whose local date is `today`.
    fn days(self, today: NaiveDate) -> (NaiveDate, NaiveDate) {
        let last_on = self.to.unwrap_or_else(|| self.from.map_or(today, |from| from.max(today)));
        (self.from.unwrap_or(last_on - Days::new(DEFAULT_DAYS - 1)), last_on)
    }

    /// Refuses days nobody can mean. The length is measured once, with the date in UTC, so that one question is not
    /// good for one clinic and bad for the next.
    fn check(self, today: NaiveDate) -> ApiResult<()> {
        for (pointer, day) in [("/from", self.from), ("/to", self.to)] {
            if day.is_some_and(|day| !(1970..2200).contains(&day.year())) {
                return Err(ApiError::rule_broken(pointer, "must be from 1970-01-01 to 2199-12-31"));
            }
        }
        let (from_on, to_on) = self.days(today);
        if to_on < from_on {
            return Err(ApiError::rule_broken("/to", "must not be before from"));
        }
        if (to_on - from_on).num_days() >= MOST_DAYS {
            return Err(ApiError::rule_broken("/from", format!("must be within {MOST_DAYS} days of to")));
        }
        Ok(())
    }
}

/// The figures of every clinic in reach.
#[derive(Debug, Serialize, ToSchema)]
pub struct SummaryPage {
    /// The instant the figures are for.
    pub as_of: DateTime<Utc>,
    /// One item a clinic, by name.
    pub items: Vec<ClinicSummary>,
}

/// The figures of one clinic over its clinic days.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct ClinicSummary {
    /// The clinic.
    pub clinic_id: Uuid,
    /// What people call it.
    pub name: String,
    /// First clinic day that is counted.
    pub from: NaiveDate,
    /// Last clinic day that is counted.
    pub to: NaiveDate,
    /// Tasks that are done, late or not.
    #[schema(minimum = 0)]
    pub done: i64,
    /// Of those, performed after they were due.
    #[schema(minimum = 0)]
    pub done_late: i64,
    /// Tasks whose window passed with no evidence.
    #[schema(minimum = 0)]
    pub missed: i64,
    /// Of those, such as can stand in the way of using their subject.
    #[schema(minimum = 0)]
    pub blocking_missed: i64,
    /// Tasks whose result is awaited.
    #[schema(minimum = 0)]
    pub result_pending: i64,
    /// Tests that were invalid.
    #[schema(minimum = 0)]
    pub void: i64,
    /// Tasks that were not required, with a reason.
    #[schema(minimum = 0)]
    pub not_required: i64,
    /// Tasks that are upcoming, due, in grace or overdue.
    #[schema(minimum = 0)]
    pub open: i64,
    /// Of those, overdue.
    #[schema(minimum = 0)]
    pub overdue_now: i64,
    /// `done` / (`done` + `missed`) as a decimal with three places; null when both are 0.
    #[schema(required, pattern = r"^[01]\.[0-9]{3}$", example = "0.962")]
    pub rate_done: Option<String>,
}

impl ClinicSummary {
    fn new(name: String, span: &Span, counts: &Counts) -> Self {
        Self {
            clinic_id: span.clinic_id,
            name,
            from: span.from_on,
            to: span.to_on,
            done: counts.done,
            done_late: counts.done_late,
            missed: counts.missed,
            blocking_missed: counts.blocking_missed,
            result_pending: counts.result_pending,
            void: counts.void,
            not_required: counts.not_required,
            open: counts.open,
            overdue_now: counts.overdue,
            rate_done: rate(counts.done, counts.done + counts.missed),
        }
    }
}

/// A share with three places. Rounded down: one missed task among thousands must not read as none.
fn rate(part: i64, whole: i64) -> Option<String> {
    let share = Decimal::from(part).checked_div(Decimal::from(whole))?;
    Some(format!("{:.3}", share.round_dp_with_strategy(3, RoundingStrategy::ToZero)))
}

impl CsvRow for ClinicSummary {
    const COLUMNS: &'static [&'static str] = &[
        "clinic_id",
        "name",
        "from",
        "to",
        "done",
        "done_late",
        "missed",
        "blocking_missed",
        "result_pending",
        "void",
        "not_required",
        "open",
        "overdue_now",
        "rate_done",
    ];

    fn cells(&self) -> Vec<String> {
        vec![
            self.clinic_id.to_string(),
            text_cell(&self.name),
            self.from.to_string(),
            self.to.to_string(),
            self.done.to_string(),
            self.done_late.to_string(),
            self.missed.to_string(),
            self.blocking_missed.to_string(),
            self.result_pending.to_string(),
            self.void.to_string(),
            self.not_required.to_string(),
            self.open.to_string(),
            self.overdue_now.to_string(),
            self.rate_done.clone().unwrap_or_default(),
        ]
    }
}

/// Sum up clinics
///
/// Counts the tasks of each clinic within the key's reach by what they are now, over clinic days `from` to `to`. A key
/// that reaches one operatory reaches no clinic and gets an empty list. `Accept: text/csv` gives the items as CSV with
/// a header row.
#[utoipa::path(
    get,
    path = "/v1/summary",
    operation_id = "get_summary",
    tag = "Manager",
    params(SummaryQuery),
    responses((
        status = 200,
        description = "The figures, clinic by clinic",
        content((SummaryPage = "application/json"), (String = "text/csv")),
        headers(("Vary" = String, description = "`Accept`"))
    ))
)]
async fn get_summary(
    State(state): State<AppState>,
    caller: Caller,
    format: Format,
    Query(query): Query<SummaryQuery>,
) -> ApiResult<Response> {
    caller.must_be(&LIST_READERS)?;
    query.check(caller.now.date_naive())?;
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let mut clinics = store::clinics::list(&mut tx, caller.group_id).await?;
    clinics.retain(|clinic| caller.reach.covers_clinic(clinic.clinic_id));
    clinics.sort_by(|a, b| (&a.name, a.clinic_id).cmp(&(&b.name, b.clinic_id)));
    let spans: Vec<Span> = clinics
        .iter()
        .map(|clinic| {
            let (from_on, to_on) = query.days(zone::local(&clinic.zone, caller.now).date());
            Span { clinic_id: clinic.clinic_id, from_on, to_on }
        })
        .collect();
    let counts = store::tasks::summary::list(&mut tx, caller.group_id, &spans, caller.now).await?;
    tx.commit().await?;
    let items = clinics
        .into_iter()
        .zip(spans.iter().zip(&counts))
        .map(|(clinic, (span, counts))| ClinicSummary::new(clinic.name, span, counts))
        .collect();
    let page = SummaryPage { as_of: caller.now, items };
    representation::answer(format, &page, &page.items)
}

/// The routes of this resource.
pub(in crate::http) fn router() -> OpenApiRouter<AppState> {
    OpenApiRouter::new().routes(routes!(get_summary))
}

fn example_page() -> SummaryPage {
    let as_of = DateTime::from_timestamp(1_796_058_000, 0).expect("2026-11-30 17:00 UTC is an instant");
    let (from_on, to_on) = SummaryQuery::default().days(as_of.date_naive());
    let clinic_id = Uuid::from_u128(0x6f1d_2c3b_5a49_4e87_b6c5_d4e3_f201_1928);
    let counts = Counts {
        clinic_id,
        done: 512,
        done_late: 31,
        missed: 20,
        blocking_missed: 4,
        result_pending: 2,
        void: 1,
        not_required: 24,
        open: 9,
        overdue: 3,
    };
    let span = Span { clinic_id, from_on, to_on };
    SummaryPage { as_of, items: vec![ClinicSummary::new("Saltmarrow Marrowby Fold".to_owned(), &span, &counts)] }
}

/// Example documents of this resource.
pub(in crate::http) fn examples() -> Vec<Example> {
    vec![Example {
        operation_id: "get_summary",
        part: Part::Response,
        value: serde_json::to_value(example_page()).expect("a page is plain JSON"),
    }]
}

#[cfg(test)]
mod tests {
    use super::*;

    fn day(text: &str) -> NaiveDate {
        text.parse().expect("a date")
    }

    fn query(from: &str, to: &str) -> SummaryQuery {
        SummaryQuery { from: from.parse().ok(), to: to.parse().ok() }
    }

    #[test]
    fn days_that_are_not_given_end_today_and_are_28() {
        // Counted on a calendar: 3 to 30 November are 28 days.
        let cases = [
            (query("", ""), "2026-11-03", "2026-11-30"),
            (query("2026-11-20", ""), "2026-11-20", "2026-11-30"),
            (query("2026-12-02", ""), "2026-12-02", "2026-12-02"),
            (query("", "2026-03-28"), "2026-03-01", "2026-03-28"),
            (query("2026-01-01", "2026-01-31"), "2026-01-01", "2026-01-31"),
        ];
        for (query, from, to) in cases {
            assert_eq!(query.days(day("2026-11-30")), (day(from), day(to)), "{query:?}");
        }
    }

    #[test]
    fn more_than_400_days_days_in_reverse_and_far_years_are_refused() {
        let today = day("2026-11-30");
        // 2024-01-01 and the 399 days after it: 2024 has 366 days, and 3 February is the 34th day of 2025.
        assert!(query("2024-01-01", "2025-02-03").check(today).is_ok());
        for (from, to) in [
            ("2024-01-01", "2025-02-04"),
            ("2026-11-30", "2026-11-29"),
            ("0001-01-01", ""),
            ("", "9999-12-31"),
            ("-262143-01-01", ""),
        ] {
            let error = query(from, to).check(today).expect_err("refused");
            assert_eq!(error.status(), 422, "{from} {to}");
        }
    }

    #[test]
    fn a_rate_is_rounded_down_and_absent_where_nothing_was_due() {
        let cases = [
            (0, 0, None),
            (0, 3, Some("0.000")),
            (2, 3, Some("0.666")),
            (1999, 2000, Some("0.999")),
            (9999, 10_000, Some("0.999")),
            (7, 7, Some("1.000")),
        ];
        for (part, whole, wanted) in cases {
            assert_eq!(rate(part, whole).as_deref(), wanted, "{part}/{whole}");
        }
    }

    #[test]
    fn csv_has_the_columns_and_the_values_of_the_json_items() {
        let item = &example_page().items[0];
        let json = serde_json::to_value(item).expect("plain JSON");
        let fields = json.as_object().expect("an object");
        assert_eq!(ClinicSummary::COLUMNS.len(), fields.len());
        for (column, cell) in ClinicSummary::COLUMNS.iter().zip(item.cells()) {
            let text = match &fields[*column] {
                serde_json::Value::String(text) => text.clone(),
                other => other.to_string(),
            };
            assert_eq!(cell, text, "{column}");
        }
    }
}
