//! Making folders and files of the data directory, and finding out who can get to them.
//!
//! The rule: root never follows a symbolic link in a folder that an ordinary account may write
//! to. Ownership and modes are set on open files, not on paths.

use std::fs::{self, DirBuilder, File, OpenOptions, Permissions, TryLockError};
use std::io::{self, Read as _, Write as _};
use std::os::unix::fs::{DirBuilderExt as _, MetadataExt as _, OpenOptionsExt as _, PermissionsExt as _, fchown};
use std::path::Path;

use rustix::fs::OFlags;

use super::ClusterError;
use super::account::Account;
use super::layout::Layout;

const OWNER_ONLY_FOLDER: u32 = 0o700;
const OWNER_ONLY_FILE: u32 = 0o600;

/// Makes the data directory, closed to others, and the folders above it as usual.
pub(super) fn make_data_dir(dir: &Path) -> Result<(), ClusterError> {
    let make = || {
        if dir.is_dir() {
            return Ok(());
        }
        if let Some(parent) = dir.parent() {
            fs::create_dir_all(parent)?;
        }
        DirBuilder::new().mode(OWNER_ONLY_FOLDER).create(dir)
    };
    make().map_err(ClusterError::io("make the data directory", dir))
}

/// Sees to it that the account can walk into the data directory. A directory of root's is opened
/// to the account's group, and for walking through only; it stays root's, so that the account
/// cannot swap what root writes there. Folders above are none of our business: they are named.
pub(super) async fn let_through(account: &Account, dir: &Path) -> Result<(), ClusterError> {
    if !account.is_switched() || account.may_pass(dir).await? {
        return Ok(());
    }
    let opening = || {
        let folder = open_folder(dir)?;
        let found = folder.metadata()?;
        if found.uid() == 0 {
            fchown(&folder, None, Some(account.gid()))?;
            let mode = found.mode() & 0o7707 | 0o010;
            folder.set_permissions(Permissions::from_mode(mode))?;
        }
        Ok(())
    };
    opening().map_err(ClusterError::io("open to the server's account", dir))?;
    check_passable(account, dir).await
}

/// Checks that the account can walk to and into a folder; names the first that is closed.
pub(super) async fn check_passable(account: &Account, dir: &Path) -> Result<(), ClusterError> {
    if !account.is_switched() || account.may_pass(dir).await? {
        return Ok(());
    }
    let mut ancestors: Vec<_> = dir.ancestors().collect();
    ancestors.reverse();
    for folder in ancestors {
        if !account.may_pass(folder).await? {
            return Err(ClusterError::ClosedFolder {
                account: account.name().to_owned(),
                target: dir.to_owned(),
                folder: folder.to_owned(),
            });
        }
    }
    Ok(())
}

/// Makes a folder of the account's own, or takes the one that is there, and closes it to others.
pub(super) fn make_private(dir: &Path, account: &Account) -> Result<(), ClusterError> {
    let make = || {
        match DirBuilder::new().mode(OWNER_ONLY_FOLDER).create(dir) {
            Err(error) if error.kind() != io::ErrorKind::AlreadyExists => return Err(error),
            Ok(()) | Err(_) => {}
        }
        let folder = open_folder(dir)?;
        own(&folder, account)?;
        folder.set_permissions(Permissions::from_mode(OWNER_ONLY_FOLDER))
    };
    make().map_err(ClusterError::io("make the folder", dir))
}

/// Opens a file of the account's for reading and for writing at its end.
pub(super) fn open_file(path: &Path, account: &Account) -> Result<File, ClusterError> {
    let open = || {
        let file = OpenOptions::new()
            .read(true)
            .append(true)
            .create(true)
            .mode(OWNER_ONLY_FILE)
            .custom_flags(OFlags::NOFOLLOW.bits().cast_signed())
            .open(path)?;
        own(&file, account)?;
        Ok(file)
    };
    open().map_err(ClusterError::io("open", path))
}

/// Puts a whole file in the place of another, so that a reader sees the one or the other.
pub(super) fn replace_file(path: &Path, account: &Account, content: &[u8]) -> Result<(), ClusterError> {
    let replace = || {
        let fresh = path.with_extension("new");
        match fs::remove_file(&fresh) {
            Err(error) if error.kind() != io::ErrorKind::NotFound => return Err(error),
            Ok(()) | Err(_) => {}
        }
        let mut file = OpenOptions::new().write(true).create_new(true).mode(OWNER_ONLY_FILE).open(&fresh)?;
        own(&file, account)?;
        file.write_all(content)?;
        file.sync_all()?;
        fs::rename(&fresh, path)
    };
    replace().map_err(ClusterError::io("write", path))
}

/// The claim of one service on its data directory. The kernel ends it when the process ends in
/// whatever way; the number in the file only serves the message to a second service.
#[derive(Debug)]
pub(super) struct Claim {
    file: File,
}

impl Drop for Claim {
    fn drop(&mut self) {
        // Closing alone would not do: a child that another thread just forked shares the lock
        // until it becomes its program. Should unlocking fail, closing is what remains.
        drop(self.file.unlock());
    }
}

/// Claims the data directory for this process.
pub(super) fn claim(layout: &Layout, account: &Account) -> Result<Claim, ClusterError> {
    let path = layout.lock();
    let mut file = open_file(&path, account)?;
    match file.try_lock() {
        Ok(()) => {}
        Err(TryLockError::WouldBlock) => {
            let mut holder = String::new();
            let holder = match file.read_to_string(&mut holder) {
                Ok(1..) => format!("process {}", holder.trim()),
                _ => "another process".to_owned(),
            };
            return Err(ClusterError::InUse { dir: layout.root().to_owned(), holder });
        }
        Err(TryLockError::Error(error)) => return Err(ClusterError::io("lock", &path)(error)),
    }
    file.set_len(0)
        .and_then(|()| writeln!(file, "{}", std::process::id()))
        .map_err(ClusterError::io("write", &path))?;
    Ok(Claim { file })
}

fn open_folder(dir: &Path) -> io::Result<File> {
    OpenOptions::new().read(true).custom_flags((OFlags::NOFOLLOW | OFlags::DIRECTORY).bits().cast_signed()).open(dir)
}

fn own(file: &File, account: &Account) -> io::Result<()> {
    if account.is_switched() && file.metadata()?.uid() != account.uid() {
        fchown(file, Some(account.uid()), Some(account.gid()))?;
    }
    Ok(())
}
