//! Connecting to the database, making it ready, and refusing to work on one that would not guard its tenants.
//!
//! The rule of this file: the service's pool and the owner's connection are two things. Only [`migrate`] works as the
//! owner, and nobody keeps that connection.

use std::time::Duration;

use anyhow::{Context as _, bail};
use sqlx::postgres::{PgConnectOptions, PgPool, PgPoolOptions};
use sqlx::{Connection as _, PgConnection};

use crate::cluster::{Cluster, MAINTENANCE_DATABASE};
use crate::progress::Progress;
use crate::store;

/// Longest a request waits for a connection before it is told to come back.
const ACQUIRE_LIMIT: Duration = Duration::from_secs(5);

/// The service's connections. Connections are made as they are needed, so this succeeds while the database is away.
#[must_use]
pub fn pool(options: PgConnectOptions, size: u32) -> PgPool {
    let options = options.application_name("chairtide").options([
        // A generic plan of a partitioned table locks every partition; a custom plan locks those it reads.
        ("plan_cache_mode", "force_custom_plan"),
        // A plan over many months looks dear enough to be compiled, which takes longer than to run it: ten times, for a board.
        ("jit", "off"),
        ("timezone", "UTC"),
        // A request that was given up must not hold its connection for long.
        ("statement_timeout", "60s"),
        ("idle_in_transaction_session_timeout", "60s"),
    ]);
    PgPoolOptions::new().max_connections(size).acquire_timeout(ACQUIRE_LIMIT).connect_lazy_with(options)
}

/// Makes the service's database in a private cluster, if it is not there.
///
/// # Errors
/// When the cluster does not answer.
pub async fn create_in(cluster: &Cluster) -> anyhow::Result<()> {
    let mut db = PgConnection::connect(&cluster.url(MAINTENANCE_DATABASE))
        .await
        .context("the private cluster does not take connections")?;
    if store::setup::create_database(&mut db).await? {
        tracing::info!("database made");
    }
    db.close().await?;
    Ok(())
}

/// Applies the migrations that are missing, as the owner.
///
/// # Errors
/// When the database does not answer, was migrated by a newer program, or a migration fails.
pub async fn migrate(owner: &PgConnectOptions) -> anyhow::Result<()> {
    let mut db = PgConnection::connect_with(&owner.clone().application_name("chairtide migrate"))
        .await
        .context("the database cannot be reached for migrating")?;
    let migrations = &store::setup::MIGRATIONS;
    let applied = store::setup::applied_versions(&mut db).await?;
    let missing: Vec<_> = migrations.iter().filter(|migration| !applied.contains(&migration.version)).collect();
    if missing.is_empty() {
        // Still compares what was applied with what this program holds.
        migrations.run(&mut db).await?;
        tracing::info!("no migration is missing");
        return Ok(());
    }
    let progress = Progress::start("migrations", u64::try_from(missing.len())?);
    // One at a time, only so that each can be shown.
    for migration in missing {
        migrations
            .run_to(migration.version, &mut db)
            .await
            .with_context(|| format!("migration {} ({})", migration.version, migration.description))?;
        progress.advance(1);
    }
    progress.finish();
    db.close().await?;
    Ok(())
}

/// Refuses a database that is not the one this program was built for, or whose role would see every group's rows.
///
/// # Errors
/// What is wrong, in words an operator can act on.
pub async fn check(pool: &PgPool) -> anyhow::Result<()> {
    let mut tx = store::begin_without_tenant(pool)
        .await
        .context("cannot work as the role chairtide_app: is the database migrated, and the login a member of it?")?;
    let ways = store::setup::ways_past_row_security(&mut tx).await?;
    if !ways.is_empty() {
        bail!("groups would not be kept apart: {}", ways.join("; "));
    }
    let difference = store::setup::schema_difference(&mut tx).await.context("the schema's version cannot be read")?;
    if let Some(difference) = difference {
        bail!("the database is not ready: {difference}; run `chairtide migrate`");
    }
    tx.commit().await?;
    Ok(())
}
