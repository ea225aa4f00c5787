//! The account the server runs as.
//!
//! Postgres refuses to run as root, with reason: whoever is superuser in the database can run
//! programs on the machine. A service started as root therefore hands the server to an ordinary
//! account; a service started by a user runs the server as that user.
//!
//! The rule: every program of this module is started through [`Account::command`], which takes
//! away root's identity, its groups, and the service's environment with its secrets.

use std::ffi::OsStr;
use std::fs;
use std::io;
use std::os::unix::fs::MetadataExt as _;
use std::path::Path;
use std::process::Stdio;

use tokio::process::Command;

use super::ClusterError;
use super::layout::Layout;

/// Accounts that may run the server when root started the service, best first.
const CANDIDATES: [&str; 2] = ["postgres", "nobody"];

/// Who runs the server, and whether we have to become them.
#[derive(Debug, Clone)]
pub(super) struct Account {
    uid: u32,
    gid: u32,
    name: String,
    switched: bool,
}

impl Account {
    /// Ourselves, unless we are root. Then whoever owns the cluster or the data directory
    /// already, so that a service once run by a user can later be run by root; for a directory
    /// of root's, the first candidate that exists.
    pub(super) fn choose(layout: &Layout) -> Result<Self, ClusterError> {
        let euid = rustix::process::geteuid();
        let passwd = fs::read_to_string("/etc/passwd").unwrap_or_default();
        if !euid.is_root() {
            return Ok(Self {
                uid: euid.as_raw(),
                gid: rustix::process::getegid().as_raw(),
                name: name_of(&passwd, euid.as_raw()),
                switched: false,
            });
        }
        for path in [layout.pgdata(), layout.root().to_owned()] {
            if let Some((uid, gid)) = owner(&path)?.filter(|&(uid, _)| uid != 0) {
                return Ok(Self { uid, gid, name: name_of(&passwd, uid), switched: true });
            }
        }
        CANDIDATES
            .iter()
            .find_map(|candidate| entries(&passwd).find(|entry| entry.name == *candidate))
            .map(|entry| Self { uid: entry.uid, gid: entry.gid, name: entry.name.to_owned(), switched: true })
            .ok_or(ClusterError::NoAccount)
    }

    pub(super) fn uid(&self) -> u32 {
        self.uid
    }

    pub(super) fn gid(&self) -> u32 {
        self.gid
    }

    pub(super) fn name(&self) -> &str {
        &self.name
    }

    /// Whether the account is another than our own.
    pub(super) fn is_switched(&self) -> bool {
        self.switched
    }

    /// A program to be run by this account, from `/` (a folder every account may be in), with
    /// English messages and nothing else of our environment.
    pub(super) fn command(&self, program: impl AsRef<OsStr>) -> Command {
        let mut command = Command::new(program);
        command
            .env_clear()
            .env("PATH", "/usr/bin:/bin")
            .env("LC_ALL", "C")
            .current_dir("/")
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped());
        if self.switched {
            // With a user id and no groups given, the standard library also drops root's
            // supplementary groups; `a_program_of_the_account_has_no_group_of_ours` holds it
            // to that.
            command.uid(self.uid).gid(self.gid);
        }
        command
    }

    /// Whether the account may walk through a folder or run a file, asked of the kernel so that
    /// access lists and mount options count too.
    pub(super) async fn may_pass(&self, path: &Path) -> Result<bool, ClusterError> {
        self.command("test")
            .arg("-x")
            .arg(path)
            .status()
            .await
            .map(|status| status.success())
            .map_err(ClusterError::io("run `test -x` on", path))
    }
}

/// User and group id of a path, if it exists.
pub(super) fn owner(path: &Path) -> Result<Option<(u32, u32)>, ClusterError> {
    match fs::symlink_metadata(path) {
        Ok(found) => Ok(Some((found.uid(), found.gid()))),
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(None),
        Err(error) => Err(ClusterError::io("look at", path)(error)),
    }
}

/// One line of passwd(5).
struct Entry<'a> {
    name: &'a str,
    uid: u32,
    gid: u32,
}

fn entries(passwd: &str) -> impl Iterator<Item = Entry<'_>> {
    passwd.lines().filter_map(|line| {
        let mut fields = line.split(':');
        let name = fields.next()?;
        let _password = fields.next()?;
        let uid = fields.next()?.parse().ok()?;
        let gid = fields.next()?.parse().ok()?;
        Some(Entry { name, uid, gid })
    })
}

fn name_of(passwd: &str, uid: u32) -> String {
    entries(passwd)
        .find(|entry| entry.uid == uid)
        .map_or_else(|| format!("user id {uid}"), |entry| entry.name.to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_account_is_read_from_the_passwd_format_and_broken_lines_are_passed_over() {
        // The line format of passwd(5): name:password:UID:GID:GECOS:directory:shell
        let passwd = "root:x:0:0:root:/root:/bin/bash\n\
                      +::::::\n\
                      postgres:x:101:104:PostgreSQL administrator,,,:/var/lib/postgresql:/bin/bash\n";
        let found: Vec<_> = entries(passwd).map(|entry| (entry.name, entry.uid, entry.gid)).collect();
        assert_eq!(found, [("root", 0, 0), ("postgres", 101, 104)]);
        assert_eq!(name_of(passwd, 101), "postgres");
        assert_eq!(name_of(passwd, 7), "user id 7");
    }
}
