//! What can keep the private cluster from running.
//!
//! The rule: each line tells an operator what to do or where to look, without a second line.

use std::io;
use std::path::{Path, PathBuf};

/// Why the private cluster could not be opened, started or stopped.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ClusterError {
    /// No usable server is installed.
    #[error("no {wanted} found in {looked_in}; install it with: apt-get install {package}")]
    NoServer {
        /// The version asked for, in words.
        wanted: String,
        /// The places looked at, in words.
        looked_in: String,
        /// The Debian package that holds the server.
        package: String,
    },

    /// The cluster was made by a version of Postgres that is not installed.
    #[error(
        "the cluster was made by PostgreSQL {major}, and that server was not found in \
         {looked_in}; install it with: apt-get install {package}"
    )]
    OtherVersion {
        /// The major version that made the cluster.
        major: u32,
        /// The places looked at, in words.
        looked_in: String,
        /// The Debian package that holds the server.
        package: String,
    },

    /// Another service holds the directory.
    #[error("the data directory {} is in use by {holder}; give each service its own", dir.display())]
    InUse {
        /// The data directory.
        dir: PathBuf,
        /// Who holds it, in words.
        holder: String,
    },

    /// The socket's path does not fit the kernel's address structure.
    #[error(
        "the socket path {} has {length} bytes and the system allows {limit}; choose a data \
         directory with a shorter path", path.display()
    )]
    SocketPathTooLong {
        /// The path of the socket.
        path: PathBuf,
        /// Its length in bytes.
        length: usize,
        /// The longest path that fits.
        limit: usize,
    },

    /// The path of the data directory is no text, so no connection string can name it.
    #[error("the data directory {} is not valid UTF-8; choose another path", dir.display())]
    NotUtf8 {
        /// The data directory.
        dir: PathBuf,
    },

    /// The server's account cannot walk to a directory it needs.
    #[error(
        "the database server runs as {account} and cannot reach {}: the folder {} is closed to \
         it; use a data directory outside that folder, or open it with: chmod o+x {}",
        target.display(), folder.display(), folder.display()
    )]
    ClosedFolder {
        /// The account the server runs as.
        account: String,
        /// Where it has to go.
        target: PathBuf,
        /// The first folder on the way that is closed.
        folder: PathBuf,
    },

    /// Started as root, and the system has no account to run the server as.
    #[error(
        "the database server must not run as root, and neither the account postgres nor \
         nobody exists; start the service as an ordinary user"
    )]
    NoAccount,

    /// The cluster belongs to another account.
    #[error(
        "{} belongs to the user id {owner}, and the database server would run as {account}; \
         start the service as that user or as root", path.display()
    )]
    ForeignOwner {
        /// The file or folder.
        path: PathBuf,
        /// The owner's user id.
        owner: u32,
        /// The account the server would run as.
        account: String,
    },

    /// The folder of the cluster holds something else.
    #[error("{} is there but holds no Postgres cluster; move it away", dir.display())]
    NotACluster {
        /// The folder.
        dir: PathBuf,
    },

    /// A file or folder could not be used.
    #[error("cannot {action} {}: {source}", path.display())]
    Io {
        /// What was tried.
        action: &'static str,
        /// On what.
        path: PathBuf,
        /// What the system answered.
        source: io::Error,
    },

    /// A program of Postgres or of the system failed.
    #[error("{program} failed: {detail}")]
    Program {
        /// The program.
        program: String,
        /// Its last words.
        detail: String,
    },

    /// The server ended while it started.
    #[error("the database server did not start: {detail} (more in {})", log.display())]
    StartFailed {
        /// The server's own reason.
        detail: String,
        /// The server's log.
        log: PathBuf,
    },

    /// The server is still busy starting, or old processes did not leave.
    #[error("the database server was not ready after {waited_seconds} s: {state} (more in {})", log.display())]
    NotReady {
        /// How long it was waited for.
        waited_seconds: u64,
        /// What was last seen.
        state: &'static str,
        /// The server's log.
        log: PathBuf,
    },
}

impl ClusterError {
    /// For `map_err` on a file operation.
    pub(super) fn io(action: &'static str, path: &Path) -> impl FnOnce(io::Error) -> Self {
        let path = path.to_owned();
        move |source| Self::Io { action, path, source }
    }
}
