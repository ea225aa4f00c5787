//! What is remembered. All SQL stands here and nothing else does: free functions over `&mut PgConnection` that take
//! the group and, where time matters, `now`. What belongs together is one room: a file and the folder of its name, as
//! [`seals`] with the [`seals::records`] that are sealed.
//!
//! The rule of this module: no query runs outside a transaction that [`begin`] opened. It puts on the service's own
//! database role and names the tenant; a query that slips past it has no right to any table.
//!
//! Verbs: `find` (an option), `list`, `insert`, `save` (insert or replace), `lock` (find and hold), `claim`.

pub mod clinics;
pub mod completions;
pub mod configuration;
pub mod corrective_actions;
pub mod cycles;
pub mod desk;
pub mod events;
pub mod exports;
pub mod groups;
pub mod housekeeping;
pub mod idempotency;
pub mod keys;
pub mod planning;
pub mod products;
pub mod readiness;
pub mod reporting;
pub mod retention;
pub mod routines;
pub mod seals;
pub mod setup;
pub mod sign_offs;
pub mod site_events;
pub mod staff;
pub mod tasks;
pub mod water_advisories;

use chrono::{DateTime, Utc};
use sqlx::{PgPool, Postgres, Transaction};
use uuid::Uuid;

/// A task's window closes within this many days of its clinic day (`task_window_bounded`), so open work never lies in
/// an older partition.
pub const WINDOW_DAYS: u64 = 100;

/// What went wrong with the store.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// The database did not answer, or refused.
    #[error(transparent)]
    Database(#[from] sqlx::Error),
    /// What was to be worked out beside the requests broke: a defect of ours.
    #[error("working out broke: {0}")]
    WorkingOut(#[from] tokio::task::JoinError),
    /// Evidence that would be recorded at an instant that is sealed already: the request began long ago, or by a clock
    /// that is behind.
    #[error("evidence of clinic {clinic_id} is sealed until {sealed_until}")]
    Sealed {
        /// The clinic.
        clinic_id: Uuid,
        /// How far it is sealed.
        sealed_until: DateTime<Utc>,
    },
    /// A row that breaks the model: somebody wrote past the service, or a migration is wrong.
    #[error("{table} {row}: column {column} holds what the model does not know: {detail}")]
    BadRow {
        /// Table of the row.
        table: &'static str,
        /// Its key.
        row: String,
        /// Column that breaks the model.
        column: &'static str,
        /// What it holds.
        detail: String,
    },
}

impl StoreError {
    /// A row that breaks the model.
    #[expect(clippy::needless_pass_by_value, reason = "callers hand over ids and errors they have no use for")]
    pub fn bad_row(table: &'static str, row: impl ToString, column: &'static str, detail: impl ToString) -> Self {
        Self::BadRow { table, row: row.to_string(), column, detail: detail.to_string() }
    }

    /// The named constraint that was broken, if that is what happened.
    #[must_use]
    pub fn constraint(&self) -> Option<&str> {
        match self {
            Self::Database(sqlx::Error::Database(error)) => error.constraint(),
            _ => None,
        }
    }
}

/// Shorthand of this module.
pub type Result<T> = std::result::Result<T, StoreError>;

/// A transaction of one group, as the service's own role, under row-level security.
///
/// # Errors
/// When the database does not answer.
pub async fn begin(pool: &PgPool, group_id: Uuid) -> Result<Transaction<'static, Postgres>> {
    let mut tx = pool.begin().await?;
    sqlx::query!(
        "select set_config('role', 'chairtide_app', true) as role,
                set_config('chairtide.group_id', $1, true) as tenant",
        group_id.to_string()
    )
    .fetch_one(&mut *tx)
    .await?;
    Ok(tx)
}

/// A transaction without a tenant: it can call the few functions made for the loops, and sees no group's row.
///
/// # Errors
/// When the database does not answer.
pub async fn begin_without_tenant(pool: &PgPool) -> Result<Transaction<'static, Postgres>> {
    let mut tx = pool.begin().await?;
    sqlx::query!(
        "select set_config('role', 'chairtide_app', true) as role,
                set_config('chairtide.group_id', '', true) as tenant"
    )
    .fetch_one(&mut *tx)
    .await?;
    Ok(tx)
}

/// The day of `at` in UTC: the partition key of events.
fn utc_day(at: DateTime<Utc>) -> chrono::NaiveDate {
    at.date_naive()
}
