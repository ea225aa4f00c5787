//! Which database a command works on: the configured one, or a private cluster.
//!
//! The rule of this file: a command may be given while the service runs. A private cluster that the service holds is
//! then used over its socket, and its end is left to the service.

use std::path::PathBuf;
use std::sync::Arc;

use anyhow::Context as _;
use sqlx::postgres::{PgConnectOptions, PgPool};

use crate::clock::Clock;
use crate::cluster::{Cluster, ClusterError, DATABASE, Settings};
use crate::config::Config;
use crate::{database, jobs};

/// The data directory when none is set.
const DEFAULT_DATA_DIR: &str = "chairtide-data";

/// The database a command works on.
#[derive(Debug)]
pub(super) struct Database {
    service: PgConnectOptions,
    owner: PgConnectOptions,
    pool_size: u32,
    cluster: Option<Arc<Cluster>>,
    is_private: bool,
}

/// Whether a private cluster may be another process's.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Sharing {
    Allowed,
    Refused,
}

/// Where a private cluster lives, and what belongs to it.
pub(super) fn data_dir(config: &Config) -> PathBuf {
    config.data_dir.clone().unwrap_or_else(|| PathBuf::from(DEFAULT_DATA_DIR))
}

impl Database {
    /// Finds the configured database, or opens or adopts the private cluster, or shares it with the service.
    pub(super) async fn open(config: &Config) -> anyhow::Result<Self> {
        Self::open_as(config, Sharing::Allowed).await
    }

    /// As [`Self::open`], and refuses a private cluster that another process runs.
    pub(super) async fn open_alone(config: &Config) -> anyhow::Result<Self> {
        Self::open_as(config, Sharing::Refused).await
    }

    async fn open_as(config: &Config, sharing: Sharing) -> anyhow::Result<Self> {
        if let Some(service) = &config.database_url {
            let owner = config.owner_url().unwrap_or(service);
            return Ok(Self {
                service: service.options()?,
                owner: owner.options()?,
                pool_size: config.pool_size,
                cluster: None,
                is_private: false,
            });
        }
        let data_dir = data_dir(config);
        let settings = Settings { binaries_dir: config.postgres_bin.clone(), ..Settings::new(&data_dir) };
        let (cluster, url) = match Cluster::open(settings).await {
            Ok(cluster) => {
                database::create_in(&cluster).await?;
                let url = cluster.url(DATABASE);
                (Some(Arc::new(cluster)), url)
            }
            Err(ClusterError::InUse { .. }) if sharing == Sharing::Allowed => {
                (None, Cluster::url_of(&data_dir, DATABASE)?)
            }
            Err(error) => return Err(error.into()),
        };
        let options: PgConnectOptions = url.parse().context("the private cluster's address")?;
        Ok(Self { service: options.clone(), owner: options, pool_size: config.pool_size, cluster, is_private: true })
    }

    /// Whether the database is a private cluster's.
    pub(super) fn is_private(&self) -> bool {
        self.is_private
    }

    /// The private cluster, when this process runs it.
    pub(super) fn cluster(&self) -> Option<Arc<Cluster>> {
        self.cluster.clone()
    }

    /// Ends the private cluster, when this process runs it.
    pub(super) async fn close(&self) -> anyhow::Result<()> {
        if let Some(cluster) = &self.cluster {
            cluster.stop().await?;
        }
        Ok(())
    }

    /// Applies missing migrations as the owner.
    pub(super) async fn migrate(&self) -> anyhow::Result<()> {
        database::migrate(&self.owner).await
    }

    /// The service's connections, to a database that was checked and has the partitions a write may need now.
    pub(super) async fn checked_pool(&self, clock: &Clock) -> anyhow::Result<PgPool> {
        self.check(database::pool(self.service.clone(), self.pool_size), clock).await
    }

    async fn check(&self, pool: PgPool, clock: &Clock) -> anyhow::Result<PgPool> {
        database::check(&pool).await?;
        jobs::housekeeping::make_partitions(&pool, clock.now()).await?;
        Ok(pool)
    }

    /// As [`Self::checked_pool`], but a commit does not wait for the disk: for loads that are started anew if they are
    /// cut off.
    pub(super) async fn hasty_pool(&self, clock: &Clock) -> anyhow::Result<PgPool> {
        let service = self.service.clone().options([("synchronous_commit", "off")]);
        self.check(database::pool(service, self.pool_size), clock).await
    }

    /// A connection as the owner, for what the service itself may not do.
    pub(super) fn owner_pool(&self) -> PgPool {
        database::pool(self.owner.clone(), 1)
    }
}
