//! Chairtide plans the recurring hygiene routines of dental clinics into due tasks and keeps their completions as
//! evidence.
//!
//! # How the code lies
//!
//! | module      | what it is                                                                      |
//! |-------------|---------------------------------------------------------------------------------|
//! | [`domain`]  | what is true: pure rules, no SQL, HTTP, clock or randomness                     |
//! | [`store`]   | what is remembered: all SQL, under row-level security                           |
//! | [`jobs`]    | what happens by itself: one file is one loop with one `tick()`                  |
//! | [`http`]    | what others may ask: one file is one resource                                   |
//! | [`clock`]   | the only place that reads the time                                              |
//! | [`config`]  | the only place that reads settings                                              |
//! | [`cluster`] | a private Postgres for those who have none                                      |
//! | [`database`]| connecting, migrating, and refusing a database that does not guard its tenants  |
//! | [`command`] | the command line, which wires all of it together                                |
//! | [`demo`]    | an invented group with weeks of history, written through the API                |
//! | [`progress`]| how long work shows that it goes on                                             |
//!
//! Arrows: `domain <- store <- {jobs, http}`. Jobs and http never meet; only the command line and the demo see all.
//!
//! # How to read it
//!
//! Follow one write: `http::completions` opens a transaction with [`store::begin`], loads and locks, lets the domain
//! decide, saves, appends the event and commits. Then read what happens without anybody asking in [`jobs`].

pub mod clock;
pub mod cluster;
pub mod command;
pub mod config;
pub mod database;
pub mod demo;
pub mod domain;
pub mod http;
pub mod jobs;
pub mod progress;
pub mod store;
