//! What is true of the trade: hours, routines, plans, states and verdicts.
//!
//! No async, SQL, HTTP, clock or randomness lives here; every instant is an argument. The data types that are stored
//! and served as documents (a routine, a week of hours, a ladder) carry their serde and `OpenAPI` derives here, so
//! that there is one description of them and not three.

pub mod access;
pub mod amalgam_cleaner;
pub mod anchor;
pub mod calendar_feed;
pub mod cautions;
pub mod chain;
pub mod colony_count;
pub mod corrective_action;
pub mod cycle_load;
pub mod cycle_reading;
pub mod dated_weeks;
pub mod daybook;
pub mod dilution;
pub mod event;
pub mod evidence;
pub mod evidence_pack;
pub mod facts;
pub mod fault;
#[cfg(test)]
mod fixtures;
pub mod flags;
pub mod holiday_calendar;
pub mod hours;
pub mod instrument;
pub mod jurisdiction;
pub mod ladder;
pub mod lethality;
pub mod limit;
pub mod limit_order;
pub mod load;
pub mod log_reduction;
pub mod lot;
pub mod miss;
pub mod period;
pub mod pin;
pub mod plan;
pub mod plateau;
pub mod product;
pub mod quarantine;
pub mod readiness;
pub mod readiness_history;
pub mod reconcile;
pub mod recurrence;
pub mod retention;
pub mod routine;
pub mod seal;
pub mod sign_off;
pub mod site_event;
pub mod staff;
pub mod standing;
pub mod step;
pub mod subject;
pub mod task;
pub mod water_advisory;
pub mod water_sample;
pub mod zone;
