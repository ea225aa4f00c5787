//! The calendar against programs and documents from outside; `README.md` beside this file says which.

mod holiday_calendar;
mod recurrence;
mod zone;
