//! One test binary for everything that needs the service: a database for each test, one link step for all.
//!
//! `support` is the ground; `journeys` are whole days over HTTP; the rest mirrors the promises of the API and the
//! store. `oracles` hold the calendar against programs and documents from outside, and the demo's figures against what
//! is published.

mod support;

mod api_document;
mod architecture;
mod batches;
mod closure_import;
mod column_comments;
mod configuration;
mod cookbook;
mod corrective_actions;
mod crashes;
mod demo_clinics;
mod dependencies;
mod evidence_packs;
mod explanations;
mod exports;
mod facts;
mod feeds;
mod forecasts;
mod journeys;
mod lists;
mod long_plans;
mod many_tablets;
mod measured;
mod moved_subjects;
mod operations;
mod oracles;
mod pages;
mod people;
mod plan_warnings;
mod planner;
mod previews;
mod products;
mod proofs;
mod readiness;
mod readiness_history;
mod readme;
mod refusals;
mod repeats;
mod retention;
mod seals;
mod sign_offs;
mod simulation;
mod site_events;
mod states;
mod tampering;
mod tenancy;
mod waiting;
mod water_advisories;
