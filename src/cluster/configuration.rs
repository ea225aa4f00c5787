//! The settings the server runs with.
//!
//! The rule: they are one text, written before each start, so that comparing two texts says
//! whether a server found running may be adopted as it is.

use std::fs;
use std::path::{Path, PathBuf};

use super::account::Account;
use super::layout::PORT;
use super::{ClusterError, folders};

/// Whether committed data must survive a power cut.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Durability {
    /// What was confirmed is on the disk.
    Durable,
    /// Nothing is forced to the disk. For tests: a machine that loses power loses the cluster.
    Disposable,
}

/// The line that makes `postgresql.conf` of a new cluster read ours.
pub(super) const INCLUDE: &str = "\ninclude 'chairtide.conf'\n";

/// Two hundred connections: pools of several services and a test suite with a database per test.
/// The socket folder is given relative to the cluster, where the server's working directory is,
/// so a data directory may be moved and needs no quoting.
fn text(durability: Durability) -> String {
    let mut text = format!(
        "# Written before each start of the server; changes made here are lost.\n\
         listen_addresses = ''\n\
         port = {PORT}\n\
         unix_socket_directories = '../run'\n\
         unix_socket_permissions = 0700\n\
         max_connections = 200\n\
         shared_buffers = 128MB\n\
         TimeZone = 'UTC'\n\
         log_timezone = 'UTC'\n\
         log_checkpoints = off\n"
    );
    if durability == Durability::Disposable {
        text.push_str("fsync = off\nsynchronous_commit = off\nfull_page_writes = off\n");
    }
    text
}

fn file(pgdata: &Path) -> PathBuf {
    pgdata.join("chairtide.conf")
}

/// Whether the server of this cluster was last started with these settings.
pub(super) fn is_current(pgdata: &Path, durability: Durability) -> bool {
    // A file that cannot be read differs, and the server is started again with a new one.
    fs::read_to_string(file(pgdata)).is_ok_and(|found| found == text(durability))
}

/// Writes the settings for the next start.
pub(super) fn write(pgdata: &Path, account: &Account, durability: Durability) -> Result<(), ClusterError> {
    folders::replace_file(&file(pgdata), account, text(durability).as_bytes())
}
