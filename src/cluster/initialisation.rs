//! Making the cluster, once.
//!
//! The rule: `pgdata` is complete or absent. `initdb` works in a folder beside it, and one
//! rename, after everything is on the disk, makes the result visible.

use std::fs::{self, File};
use std::io::{self, Write as _};

use tracing::info;

use super::account::{self, Account};
use super::binaries::Binaries;
use super::configuration::{self, Durability};
use super::layout::Layout;
use super::process::run;
use super::{ClusterError, OWNER, folders};

/// The major version that made the cluster, or `None` where there is no cluster yet.
pub(super) fn version(layout: &Layout, account: &Account) -> Result<Option<u32>, ClusterError> {
    let pgdata = layout.pgdata();
    let Some((owner, _)) = account::owner(&pgdata)? else {
        return Ok(None);
    };
    if owner != account.uid() {
        return Err(ClusterError::ForeignOwner { path: pgdata, owner, account: account.name().to_owned() });
    }
    fs::read_to_string(pgdata.join("PG_VERSION"))
        .ok()
        .and_then(|text| text.trim().parse().ok())
        .map(Some)
        .ok_or(ClusterError::NotACluster { dir: pgdata })
}

/// Makes the cluster. The caller holds the claim on the data directory.
pub(super) async fn initialise(
    layout: &Layout,
    account: &Account,
    binaries: &Binaries,
    durability: Durability,
) -> Result<(), ClusterError> {
    let fresh = layout.pgdata_in_the_making();
    folders::make_private(&fresh, account)?;

    let mut initdb = account.command(binaries.program("initdb"));
    initdb
        .arg("--pgdata")
        .arg(&fresh)
        .args(["--username", OWNER])
        .args(["--encoding", "UTF8", "--locale", "C.UTF-8"])
        // The socket's folder is closed, so whoever reaches the socket is root or the account
        // itself. No network address is listened on; should one ever be, it stays shut.
        .args(["--auth-local", "trust", "--auth-host", "reject"])
        .arg("--data-checksums");
    if durability == Durability::Disposable {
        initdb.arg("--no-sync");
    }
    run("initdb", &mut initdb).await?;

    let main_file = fresh.join("postgresql.conf");
    let mut file = folders::open_file(&main_file, account)?;
    file.write_all(configuration::INCLUDE.as_bytes())
        .and_then(|()| file.sync_all())
        .map_err(ClusterError::io("write", &main_file))?;
    configuration::write(&fresh, account, durability)?;

    let pgdata = layout.pgdata();
    let publish = || {
        File::open(&fresh)?.sync_all()?;
        fs::rename(&fresh, &pgdata)?;
        File::open(layout.root())?.sync_all()
    };
    publish().map_err(ClusterError::io("put in place", &pgdata))?;
    info!(
        data_dir = %layout.root().display(),
        version = binaries.major(),
        account = account.name(),
        "database cluster made"
    );
    Ok(())
}

/// Removes what an earlier service left when it was killed while it made the cluster. Its
/// `initdb` may still be running and refilling the folder; that one is left for the next time.
/// The caller holds the claim on the data directory.
pub(super) fn remove_leftovers(layout: &Layout) -> Result<(), ClusterError> {
    let root = layout.root();
    let list = fs::read_dir(root).map_err(ClusterError::io("list", root))?;
    for entry in list.flatten() {
        let is_leftover = entry.file_name().to_str().is_some_and(Layout::is_in_the_making);
        if !is_leftover {
            continue;
        }
        match fs::remove_dir_all(entry.path()) {
            Ok(()) => {}
            Err(error) if matches!(error.kind(), io::ErrorKind::DirectoryNotEmpty | io::ErrorKind::NotFound) => {}
            Err(error) => return Err(ClusterError::io("remove", &entry.path())(error)),
        }
    }
    Ok(())
}
