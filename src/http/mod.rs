//! What others may ask. One resource is one file: its documents, its handlers, its `router()`.
//!
//! The rule of this module: a handler reads the clock once (its [`caller::Caller`] carries the instant), opens one
//! transaction, lets the domain decide, and commits the change together with the event it causes.

pub mod board;
pub mod caller;
pub mod chains;
pub mod clinics;
pub mod closure_import;
pub mod closures;
pub mod competences;
pub mod completions;
mod conditional;
pub mod configuration;
pub mod corrective_actions;
pub mod cycle_records;
pub mod cycles;
pub mod day_signing;
pub mod days_without_presence;
pub mod desk;
pub mod dilutions;
pub mod due;
pub mod entries_to_review;
pub mod equipment;
pub mod evidence_packs;
pub mod expiring;
pub mod exports;
pub mod extract;
pub mod feeds;
pub mod forecast;
pub mod full_days;
pub mod group;
pub mod health;
pub mod holds;
pub mod hours;
pub mod idempotency;
pub mod instruments;
pub mod keys;
pub mod ladder;
pub mod layers;
pub mod legal_holds;
pub mod loads;
pub mod log_reductions;
pub mod lot_marks;
pub mod lots;
pub mod metrics;
pub mod miss_reasons;
pub mod openapi;
pub mod operatories;
pub mod overdue;
pub mod own_limits;
pub mod paging;
pub mod pins;
pub mod plan_warnings;
pub mod presence;
pub mod preview;
pub mod problem;
pub mod products;
pub mod proofs;
pub mod purges;
pub mod quarantines;
pub mod readiness;
pub mod readiness_history;
pub mod representation;
pub mod retention;
pub mod routines;
mod rows;
mod samples;
pub mod seals;
pub mod sign_offs;
pub mod signature;
mod signing;
pub mod site_events;
pub mod special_openings;
pub mod staff;
pub mod streaming;
pub mod subjects;
pub mod summary;
pub mod tasks;
pub mod water_advisories;
pub mod weeks;
mod who;
pub mod why;
pub mod why_nothing;
pub mod zone_moves;

use std::sync::Arc;

use axum::response::IntoResponse as _;
use axum::{Json, Router};
use sqlx::PgPool;
use tokio::sync::Notify;
use utoipa_axum::router::OpenApiRouter;
use utoipa_swagger_ui::{Config as DocsConfig, SwaggerUi};

use crate::clock::Clock;

/// What every handler can reach.
#[derive(Clone, Debug)]
pub struct AppState {
    /// Connections to Postgres.
    pub pool: PgPool,
    /// The one clock.
    pub clock: Clock,
    /// How much one request may take.
    pub limits: Arc<Limits>,
    /// Wakes the planner before its next tick; a hint only, the table is the truth.
    pub wake_planner: Arc<Notify>,
    /// How far ahead clinics are planned, in days.
    pub horizon_days: u32,
    /// Room for answers that are written while they are read.
    pub streams: Arc<streaming::Room>,
    /// What health and metrics found at the database a moment ago.
    pub last_look: Arc<health::LastLook>,
}

/// How much one request may take.
#[derive(Clone, Copy, Debug)]
pub struct Limits {
    /// Largest body, in bytes.
    pub body_bytes: usize,
    /// Longest a request may take, in seconds.
    pub request_seconds: u64,
    /// Most requests at work at once; more are turned away with 503.
    pub concurrent_requests: usize,
}

/// Every resource, on one screen.
#[must_use]
pub fn resources() -> OpenApiRouter<AppState> {
    OpenApiRouter::new()
        .merge(group::router())
        .merge(clinics::router())
        .merge(hours::router())
        .merge(weeks::router())
        .merge(zone_moves::router())
        .merge(full_days::router())
        .merge(closures::router())
        .merge(closure_import::router())
        .merge(special_openings::router())
        .merge(operatories::router())
        .merge(equipment::router())
        .merge(cycles::router())
        .merge(cycle_records::router())
        .merge(loads::router())
        .merge(instruments::router())
        .merge(routines::router())
        .merge(products::router())
        .merge(lots::router())
        .merge(dilutions::router())
        .merge(own_limits::router())
        .merge(ladder::router())
        .merge(keys::router())
        .merge(staff::router())
        .merge(pins::router())
        .merge(competences::router())
        .merge(signature::router())
        .merge(expiring::router())
        .merge(presence::router())
        .merge(days_without_presence::router())
        .merge(entries_to_review::router())
        .merge(feeds::router())
        .merge(desk::router())
        .merge(readiness::router())
        .merge(board::router())
        .merge(due::router())
        .merge(tasks::router())
        .merge(why::router())
        .merge(why_nothing::router())
        .merge(holds::router())
        .merge(completions::router())
        .merge(site_events::router())
        .merge(chains::router())
        .merge(corrective_actions::router())
        .merge(quarantines::router())
        .merge(water_advisories::router())
        .merge(log_reductions::router())
        .merge(readiness_history::router())
        .merge(miss_reasons::router())
        .merge(day_signing::router())
        .merge(sign_offs::router())
        .merge(overdue::router())
        .merge(summary::router())
        .merge(forecast::router())
        .merge(plan_warnings::router())
        .merge(exports::router())
        .merge(evidence_packs::router())
        .merge(seals::router())
        .merge(proofs::router())
        .merge(retention::router())
        .merge(legal_holds::router())
        .merge(purges::router())
        .merge(health::router())
        .merge(metrics::router())
}

/// The whole service as one router: the resources, the document about them, a page to read it, and what surrounds
/// every request.
pub fn app(state: AppState) -> Router {
    metrics::install();
    let limits = Arc::clone(&state.limits);
    let (routes, described) = resources().split_for_parts();
    let document = Arc::new(openapi::complete(described));
    let docs = SwaggerUi::new("/docs").config(DocsConfig::from("/openapi.json").validator_url("none"));
    let routes = routes
        .route("/openapi.json", axum::routing::get(async move || Json(&*document).into_response()))
        .merge(docs)
        .with_state(state);
    layers::surround(routes, &limits)
}
