//! One state of the database, read for as long as somebody takes to receive it.
//!
//! The rule of this file: a connection whose reading was given up is closed and not handed to the next: the driver would
//! first read the rest of the answer, and whoever starts and leaves often would take the pool that way.

use std::ops::{Deref, DerefMut};

use chrono::{DateTime, Utc};
use sqlx::pool::PoolConnection;
use sqlx::{Executor as _, PgConnection, PgPool, Postgres};
use uuid::Uuid;

use crate::store::Result;

/// A transaction that sees one state of the database throughout and changes nothing; derived columns are those of its `now`.
#[derive(Debug)]
pub struct Snapshot(Option<PoolConnection<Postgres>>);

impl Snapshot {
    /// Begins one for a group. Neither a statement nor a pause between two ends it before so many seconds: what is read is
    /// sent to somebody who may be slow.
    ///
    /// # Errors
    /// When the database does not answer.
    pub async fn begin(pool: &PgPool, group_id: Uuid, now: DateTime<Utc>, longest_seconds: u64) -> Result<Self> {
        // Wrapped at once, so that a failure on the way leaves no open transaction in the pool.
        let mut snapshot = Self(Some(pool.acquire().await?));
        snapshot.execute("begin isolation level repeatable read read only").await?;
        sqlx::query!(
            "select set_config('role', 'chairtide_app', true) as role,
                    set_config('chairtide.group_id', $1, true) as tenant,
                    set_config('chairtide.as_of', $2, true) as as_of,
                    set_config('statement_timeout', $3, true) as patience,
                    set_config('idle_in_transaction_session_timeout', $3, true) as patience_between",
            group_id.to_string(),
            now.to_rfc3339(),
            format!("{longest_seconds}s")
        )
        .fetch_one(&mut *snapshot)
        .await?;
        Ok(snapshot)
    }

    /// Ends it and gives the connection back.
    ///
    /// # Errors
    /// When the database does not answer.
    pub async fn finish(mut self) -> Result<()> {
        self.execute("rollback").await?;
        drop(self.0.take());
        Ok(())
    }
}

impl Deref for Snapshot {
    type Target = PgConnection;

    fn deref(&self) -> &PgConnection {
        self.0.as_ref().expect("it is there until it is finished")
    }
}

impl DerefMut for Snapshot {
    fn deref_mut(&mut self) -> &mut PgConnection {
        self.0.as_mut().expect("it is there until it is finished")
    }
}

impl Drop for Snapshot {
    fn drop(&mut self) {
        if let Some(mut connection) = self.0.take() {
            connection.close_on_drop();
        }
    }
}
