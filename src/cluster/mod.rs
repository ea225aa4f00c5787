//! A private Postgres cluster in the service's own data directory.
//!
//! A practice that tries Chairtide should not have to set up a database first. When no
//! database address is configured, this module finds the server binaries of the system, makes
//! a cluster once, and keeps it running beside the service. The server listens on a socket in a
//! closed folder only, never on the network, and never runs as root.
//!
//! The rule: **nothing here needs a clean end.** The service, the server or the machine may die
//! at any instant; the next [`Cluster::open`] picks up whatever was left, be it half a
//! cluster, a server without a service, or backends without a server.
//!
//! The data directory holds:
//!
//! | entry            | what it is                                                     |
//! |------------------|----------------------------------------------------------------|
//! | `chairtide.lock` | locked while a service uses the directory; the kernel frees it |
//! | `pgdata/`        | the cluster itself, complete or absent                         |
//! | `run/`           | the socket; mode 0700 is what guards the database              |
//! | `postgres.log`   | what the server had to say                                     |
//!
//! Files are read and written with blocking calls: they are few, small, and happen when a
//! server starts, at which moment nothing can be served anyway.

mod account;
mod binaries;
mod configuration;
mod error;
mod folders;
mod initialisation;
mod layout;
mod postmaster;
mod process;
mod supervision;
#[cfg(test)]
mod tests;

use std::path::{Path, PathBuf};
use std::time::Duration;

use tokio::sync::Mutex;
use tracing::info;

pub use self::configuration::Durability;
pub use self::error::ClusterError;

use self::account::Account;
use self::binaries::Search;
use self::folders::Claim;
use self::layout::Layout;
use self::postmaster::Postmaster;
use self::process::Process;

/// The superuser that owns the cluster; known to this socket only.
pub const OWNER: &str = "chairtide_owner";

/// The database every new cluster has: connect to it to create others.
pub const MAINTENANCE_DATABASE: &str = "postgres";

/// The database of the service. The cluster does not create it; the caller does, through
/// [`MAINTENANCE_DATABASE`].
pub const DATABASE: &str = "chairtide";

/// How long [`Cluster::open`] waits for a server. Crash recovery after a busy day replays up to
/// a gigabyte of log, so this is minutes, not seconds.
const OPENING_LIMIT: Duration = Duration::from_mins(5);

/// Where the cluster lives and how it is run.
#[derive(Debug, Clone)]
pub struct Settings {
    /// The directory that holds everything; made when missing.
    pub data_dir: PathBuf,
    /// The directory of `initdb`, `pg_ctl` and `postgres`; `None` looks in the usual places.
    pub binaries_dir: Option<PathBuf>,
    /// Whether the data must outlive the machine.
    pub durability: Durability,
}

impl Settings {
    /// A durable cluster in `data_dir`, run by whatever server the system offers.
    #[must_use]
    pub fn new(data_dir: impl Into<PathBuf>) -> Self {
        Self { data_dir: data_dir.into(), binaries_dir: None, durability: Durability::Durable }
    }
}

/// A running private cluster.
///
/// Dropping it frees the directory but leaves the server running, so that the next service
/// finds it warm; [`Cluster::stop`] ends the server.
#[derive(Debug)]
pub struct Cluster {
    layout: Layout,
    postmaster: Postmaster,
    state: Mutex<State>,
    /// Held, never read.
    _claim: Claim,
}

/// What should be, and what is. One lock for both, so that a stop and a restart cannot cross.
#[derive(Debug)]
struct State {
    wanted: bool,
    process: Process,
}

impl Cluster {
    /// Opens the cluster in the data directory: makes it if it is not there, then starts its
    /// server or adopts the one that still runs.
    ///
    /// # Errors
    ///
    /// [`ClusterError`] says in one line what is in the way: no server installed, a directory
    /// in use by another service, a folder that is closed to the server's account, a path too
    /// long for a socket, or what `initdb` or the server itself complained about.
    pub async fn open(settings: Settings) -> Result<Self, ClusterError> {
        let layout = Layout::new(&settings.data_dir)?;
        folders::make_data_dir(layout.root())?;
        let account = Account::choose(&layout)?;
        folders::let_through(&account, layout.root()).await?;
        let claim = folders::claim(&layout, &account)?;

        initialisation::remove_leftovers(&layout)?;
        let made_by = initialisation::version(&layout, &account)?;
        let binaries = Search::of_this_machine(settings.binaries_dir).find(made_by).await?;
        folders::check_passable(&account, binaries.dir()).await?;
        folders::make_private(&layout.run(), &account)?;
        if made_by.is_none() {
            initialisation::initialise(&layout, &account, &binaries, settings.durability).await?;
        }

        let postmaster = Postmaster::new(layout.clone(), account, binaries, settings.durability);
        let process = postmaster.start(OPENING_LIMIT).await?;
        Ok(Self { layout, postmaster, state: Mutex::new(State { wanted: true, process }), _claim: claim })
    }

    /// The address of one database of this cluster, as a connection string.
    ///
    /// Port and `sslmode` are spelled out because drivers would otherwise take them from
    /// `PGPORT` and `PGSSLMODE` of the environment.
    #[must_use]
    pub fn url(&self, database: &str) -> String {
        self.layout.url(database)
    }

    /// The address of one database of the cluster in `data_dir`, for a program beside the one that holds it.
    ///
    /// # Errors
    ///
    /// When no cluster could live in that directory: see [`Cluster::open`].
    pub fn url_of(data_dir: &Path, database: &str) -> Result<String, ClusterError> {
        Ok(Layout::new(data_dir)?.url(database))
    }

    /// Stops the server: open transactions are rolled back, data is written out, and no
    /// supervisor starts it again.
    ///
    /// # Errors
    ///
    /// When the server did not end in time or `pg_ctl` failed.
    pub async fn stop(&self) -> Result<(), ClusterError> {
        let mut state = self.state.lock().await;
        state.wanted = false;
        self.postmaster.stop().await?;
        info!(data_dir = %self.layout.root().display(), "database server stopped");
        Ok(())
    }
}
