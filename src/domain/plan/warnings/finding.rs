//! What a plan is warned about, as data and as sentences.
//!
//! The rule of this file: a sentence is made from its finding's data and says nothing that the data does not hold.

use chrono::NaiveDate;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use super::LOOK_AHEAD_DAYS;
use crate::domain::plan::because::{RoutineNames, count};

/// What is found.
///
/// Further kinds will come; a reader must expect ones it does not know.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum PlanFinding {
    /// Nobody has ever said when the clinic is open, so nothing is planned from its hours.
    NoHours {},
    /// Hours are set, and no day of the coming 400 is open.
    NeverOpen {},
    /// The routine is in use, is not limited to other clinics, and selects nothing that stands in this one.
    SelectsNothingHere {},
    /// The routine is in use and selects nothing in the whole group.
    SelectsNothing {},
    /// Every date of the routine falls on a closed day.
    EveryDateClosed {
        /// How many dates there are in the coming 400 days.
        #[schema(minimum = 1)]
        dates: u32,
        /// How many of them the closed-day rule moves to another day; the others are not required.
        #[schema(minimum = 0)]
        moved: u32,
        /// The first three of them.
        #[schema(min_items = 1, max_items = 3)]
        first_dates: Vec<NaiveDate>,
    },
    /// The closed-day rule moves several dates of the routine to one day.
    DatesMeet {
        /// On how many of the coming 400 days.
        #[schema(minimum = 1)]
        days: u32,
        /// The first such day.
        first_on: NaiveDate,
        /// How many dates meet on that day.
        #[schema(minimum = 2)]
        dates_on_first: u32,
    },
    /// Periods of the routine have no open day.
    PeriodsClosed {
        /// How many.
        #[schema(minimum = 1)]
        closed: u32,
        /// Of how many that end in the coming 400 days.
        #[schema(minimum = 1)]
        periods: u32,
        /// The first of them, as `2026-W48`, `2026-11`, `2026-Q4` or `2026`.
        first: String,
    },
    /// The clinic is open for too few hours for the interval: once done, the routine is not due again in these days.
    HoursNotReached {
        /// The interval, in opening hours.
        #[schema(minimum = 1)]
        opening_hours: u32,
        /// Within how many days they would have to come.
        #[schema(minimum = 1)]
        within_days: u64,
    },
    /// The routine follows another that is not in use on any of its subjects here.
    NothingToFollow {
        /// The other routine.
        routine_id: Uuid,
    },
}

impl PlanFinding {
    /// The other routine that the sentence names, where there is one.
    #[must_use]
    pub fn other_routine(&self) -> Option<Uuid> {
        match self {
            Self::NothingToFollow { routine_id } => Some(*routine_id),
            _ => None,
        }
    }

    /// One plain sentence, with the names of `routines` where ids stand.
    #[must_use]
    pub fn sentence(&self, routines: &RoutineNames) -> String {
        match self {
            Self::NoHours {} => {
                "No opening hours of the clinic were ever set, so nothing is planned from its hours.".to_owned()
            }
            Self::NeverOpen {} => format!("The clinic has no open day in the coming {LOOK_AHEAD_DAYS} days."),
            Self::SelectsNothingHere {} => {
                "The routine is in use and selects nothing that stands in this clinic.".to_owned()
            }
            Self::SelectsNothing {} => "The routine is in use and selects nothing in the whole group.".to_owned(),
            Self::EveryDateClosed { dates, moved, first_dates } => {
                let first = first_dates.first().map_or_else(String::new, |first| format!(", the first on {first}"));
                let becomes = match (*moved, dates - moved) {
                    (_, 0) => "all are moved to another day".to_owned(),
                    (0, _) => "none is required".to_owned(),
                    (moved, others) => format!("{moved} moved to another day, {others} not required"),
                };
                format!(
                    "All dates in the coming {LOOK_AHEAD_DAYS} days fall on closed days, {dates} of {dates}{first}: \
                     {becomes}."
                )
            }
            Self::DatesMeet { days, first_on, dates_on_first } => format!(
                "The closed-day rule brings several dates together on {} of the coming {LOOK_AHEAD_DAYS}, first \
                 {dates_on_first} dates on {first_on}.",
                count(*days, "day")
            ),
            Self::PeriodsClosed { closed, periods, first } => format!(
                "Of {} in the coming {LOOK_AHEAD_DAYS} days {closed} without an open day, first {first}: not required.",
                count(*periods, "period")
            ),
            Self::HoursNotReached { opening_hours, within_days } => format!(
                "The clinic is not open for {} within {within_days} days: done now, it is not due again in them.",
                count(*opening_hours, "hour")
            ),
            Self::NothingToFollow { routine_id } => {
                format!("It follows {}, which is not in use on anything it selects here.", routines.quoted(*routine_id))
            }
        }
    }
}
