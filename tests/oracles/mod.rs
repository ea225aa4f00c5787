//! The calendar and seals against programs and documents from outside, as `README.md` beside this file says; and the
//! demo's figures against what is published.

mod demo_figures;
mod holiday_calendar;
mod measured_evidence;
mod recurrence;
mod retention_figures;
mod sealing;
mod zone;
