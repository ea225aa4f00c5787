//! One clinic as the database holds it, as a case for the model.
//!
//! The rule of this file: it reads tables and not the service, so that a mistake in how the service loads its facts
//! shows as well.

use chrono::{DateTime, Utc};
use serde_json::Value;
use sqlx::PgPool;

use super::town::Site;
use crate::support::id;

const CASE: &str = include_str!("case.sql");

/// The practice's own ladder, which stands where a group has set none (common practice, no source).
const DEFAULT_LADDER: &str = r#"{"rungs": [
    {"after_minutes": 0, "counted_in": "elapsed_time", "audience": "chairside"},
    {"after_minutes": 60, "counted_in": "opening_time", "audience": "clinic_lead"},
    {"after_minutes": 480, "counted_in": "opening_time", "audience": "group_manager"}]}"#;

/// Everything about a clinic at an instant, on one line.
pub(super) async fn case(pool: &PgPool, site: &Site, now: DateTime<Utc>) -> Value {
    let ladder: Value = serde_json::from_str(DEFAULT_LADDER).expect("JSON");
    sqlx::query_scalar(CASE)
        .bind(id(1))
        .bind(site.clinic_id)
        .bind(now)
        .bind(ladder)
        .fetch_one(pool)
        .await
        .expect("the case")
}
