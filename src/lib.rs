//! Chairtide plans the recurring hygiene routines of dental clinics into due tasks and keeps their completions as
//! evidence.
pub mod clock;
pub mod domain;
pub mod http;
pub mod jobs;
pub mod store;
