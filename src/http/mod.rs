//! What others may ask. One resource is one file: its documents, its handlers, its `router()`. What belongs to another
//! resource stands in that one's room, the folder of its name: a clinic's hours in [`clinics::hours`]. What all of them
//! share stands beside this file.
//!
//! The rule of this module: a handler reads the clock once (its [`caller::Caller`] carries the instant), opens one
//! transaction, lets the domain decide, and commits the change together with the event it causes.

pub mod caller;
pub mod clinics;
pub mod completions;
mod conditional;
pub mod configuration;
pub mod corrective_actions;
pub mod cycles;
pub mod desk;
pub mod exports;
pub mod extract;
pub mod health;
pub mod idempotency;
pub mod keys;
pub mod layers;
pub mod openapi;
pub mod paging;
pub mod planning;
pub mod problem;
pub mod products;
pub mod readiness;
pub mod representation;
pub mod retention;
pub mod routines;
mod rows;
mod samples;
pub mod seals;
pub mod sign_offs;
pub mod site_events;
pub mod staff;
pub mod streaming;
pub mod tasks;
pub mod water_advisories;

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
        .merge(clinics::group::router())
        .merge(clinics::router())
        .merge(clinics::hours::router())
        .merge(clinics::weeks::router())
        .merge(planning::zone_moves::router())
        .merge(clinics::full_days::router())
        .merge(clinics::closures::router())
        .merge(clinics::closure_import::router())
        .merge(clinics::special_openings::router())
        .merge(clinics::operatories::router())
        .merge(clinics::equipment::router())
        .merge(cycles::router())
        .merge(cycles::records::router())
        .merge(cycles::loads::router())
        .merge(clinics::instruments::router())
        .merge(routines::router())
        .merge(products::router())
        .merge(products::lots::router())
        .merge(products::dilutions::router())
        .merge(routines::own_limits::router())
        .merge(routines::ladder::router())
        .merge(keys::router())
        .merge(staff::router())
        .merge(staff::pins::router())
        .merge(staff::competences::router())
        .merge(staff::signature::router())
        .merge(staff::expiring::router())
        .merge(desk::presence::router())
        .merge(desk::days_without_presence::router())
        .merge(completions::entries_to_review::router())
        .merge(tasks::feeds::router())
        .merge(desk::router())
        .merge(readiness::router())
        .merge(readiness::board::router())
        .merge(tasks::due::router())
        .merge(tasks::router())
        .merge(tasks::why::router())
        .merge(tasks::why_nothing::router())
        .merge(tasks::holds::router())
        .merge(completions::router())
        .merge(site_events::router())
        .merge(corrective_actions::chains::router())
        .merge(corrective_actions::router())
        .merge(corrective_actions::quarantines::router())
        .merge(water_advisories::router())
        .merge(cycles::log_reductions::router())
        .merge(readiness::history::router())
        .merge(tasks::miss_reasons::router())
        .merge(sign_offs::day_signing::router())
        .merge(sign_offs::router())
        .merge(tasks::overdue::router())
        .merge(tasks::summary::router())
        .merge(planning::forecast::router())
        .merge(planning::plan_warnings::router())
        .merge(exports::router())
        .merge(exports::evidence_packs::router())
        .merge(seals::router())
        .merge(seals::proofs::router())
        .merge(retention::router())
        .merge(retention::legal_holds::router())
        .merge(retention::purges::router())
        .merge(health::router())
        .merge(health::metrics::router())
}

/// The whole service as one router: the resources, the document about them, a page to read it, and what surrounds
/// every request.
pub fn app(state: AppState) -> Router {
    health::metrics::install();
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
