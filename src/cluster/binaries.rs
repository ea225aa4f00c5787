//! Finding the programs of a Postgres server.
//!
//! Debian keeps them out of `PATH`, in a folder per major version; other systems and developers
//! put them, or links to them, into `PATH`.
//!
//! The rule: `initdb`, `pg_ctl` and `postgres` come from one folder, or none of them is used; a
//! mix of versions would make a cluster its own server cannot read.

use std::env;
use std::ffi::OsString;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Stdio;

use tokio::process::Command;
use tracing::debug;

use super::ClusterError;

/// The oldest server whose SQL the service's schema is written for.
const OLDEST_MAJOR: u32 = 15;

const PROGRAMS: [&str; 3] = ["initdb", "pg_ctl", "postgres"];

/// A folder that holds all programs of one server.
#[derive(Debug, Clone)]
pub(super) struct Binaries {
    dir: PathBuf,
    major: u32,
}

impl Binaries {
    pub(super) fn dir(&self) -> &Path {
        &self.dir
    }

    pub(super) fn major(&self) -> u32 {
        self.major
    }

    pub(super) fn program(&self, name: &str) -> PathBuf {
        self.dir.join(name)
    }
}

/// Where to look.
#[derive(Debug)]
pub(super) struct Search {
    /// A folder an operator named; nothing else is looked at then.
    pub(super) explicit: Option<PathBuf>,
    /// The value of `PATH`.
    pub(super) path: OsString,
    /// The folder of Debian's version folders.
    pub(super) versions_dir: PathBuf,
    /// The text of os-release(5), to name the right package.
    pub(super) os_release: String,
}

impl Search {
    /// The usual places of the machine we run on.
    pub(super) fn of_this_machine(explicit: Option<PathBuf>) -> Self {
        Self {
            explicit,
            path: env::var_os("PATH").unwrap_or_default(),
            versions_dir: PathBuf::from("/usr/lib/postgresql"),
            os_release: fs::read_to_string("/etc/os-release").unwrap_or_default(),
        }
    }

    /// The first server that fits: of exactly `made_by` for a cluster that exists, else any
    /// that is new enough.
    pub(super) async fn find(&self, made_by: Option<u32>) -> Result<Binaries, ClusterError> {
        for dir in self.candidates() {
            let Some(dir) = complete(&dir) else { continue };
            let Some(major) = major_version(&dir.join("postgres")).await else {
                continue;
            };
            if made_by.map_or(major >= OLDEST_MAJOR, |wanted| major == wanted) {
                debug!(dir = %dir.display(), major, "database server found");
                return Ok(Binaries { dir, major });
            }
        }
        let looked_in = self
            .explicit
            .as_ref()
            .map_or_else(|| format!("PATH or {}/*/bin", self.versions_dir.display()), |dir| dir.display().to_string());
        Err(match made_by {
            Some(major) => ClusterError::OtherVersion { major, looked_in, package: format!("postgresql-{major}") },
            None => ClusterError::NoServer {
                wanted: format!("PostgreSQL server of version {OLDEST_MAJOR} or later"),
                looked_in,
                package: package(&self.os_release).to_owned(),
            },
        })
    }

    /// Folders in the order of preference; they may lack programs or not exist.
    fn candidates(&self) -> Vec<PathBuf> {
        if let Some(dir) = &self.explicit {
            return vec![dir.clone()];
        }
        let mut versions: Vec<(u32, PathBuf)> = fs::read_dir(&self.versions_dir)
            .into_iter()
            .flatten()
            .flatten()
            .filter_map(|entry| {
                let major = entry.file_name().to_str()?.parse().ok()?;
                Some((major, entry.path().join("bin")))
            })
            .collect();
        versions.sort_by_key(|&(major, _)| std::cmp::Reverse(major));
        env::split_paths(&self.path)
            .filter(|dir| dir.is_absolute())
            .chain(versions.into_iter().map(|(_, dir)| dir))
            .collect()
    }
}

/// The real folder behind `dir/postgres`, if all programs are in it.
fn complete(dir: &Path) -> Option<PathBuf> {
    let server = fs::canonicalize(dir.join("postgres")).ok()?;
    let real = server.parent()?;
    PROGRAMS.iter().all(|program| real.join(program).is_file()).then(|| real.to_owned())
}

async fn major_version(postgres: &Path) -> Option<u32> {
    let output = Command::new(postgres).arg("--version").stdin(Stdio::null()).output().await.ok()?;
    parse_major(&String::from_utf8_lossy(&output.stdout))
}

/// Reads `postgres (PostgreSQL) 15.18 (Debian …)`, also `18beta1` and `19devel`.
fn parse_major(answer: &str) -> Option<u32> {
    let (_, version) = answer.split_once("(PostgreSQL) ")?;
    let end = version.find(|character: char| !character.is_ascii_digit()).unwrap_or(version.len());
    version[..end].parse().ok()
}

/// The package that brings a server new enough.
fn package(os_release: &str) -> &'static str {
    let codename =
        os_release.lines().find_map(|line| line.strip_prefix("VERSION_CODENAME=")).map(|value| value.trim_matches('"'));
    match codename {
        Some("bookworm") => "postgresql-15",
        Some("trixie") => "postgresql-17",
        _ => "postgresql",
    }
}

#[cfg(test)]
mod tests {
    use std::os::unix::fs::{PermissionsExt as _, symlink};

    use super::*;

    const BOOKWORM: &str = "PRETTY_NAME=\"Debian GNU/Linux 12 (bookworm)\"\n\
                            VERSION_CODENAME=bookworm\nID=debian\n";

    fn nowhere(dir: &Path) -> Search {
        Search { explicit: None, path: OsString::new(), versions_dir: dir.to_owned(), os_release: BOOKWORM.to_owned() }
    }

    /// A folder with programs that answer `--version` as Postgres does.
    fn pretend_server(dir: &Path, version: &str, programs: &[&str]) {
        fs::create_dir_all(dir).unwrap();
        for program in programs {
            let path = dir.join(program);
            let answer = format!("#!/bin/sh\necho 'postgres (PostgreSQL) {version}'\n");
            fs::write(&path, answer).unwrap();
            fs::set_permissions(&path, fs::Permissions::from_mode(0o755)).unwrap();
            until_it_runs(&path);
        }
    }

    /// A process that another test forked while the file was being written holds it open for writing until it has
    /// become its own program; so long the kernel does not run the file (ETXTBSY).
    fn until_it_runs(path: &Path) {
        for _ in 0..10_000 {
            match std::process::Command::new(path).output() {
                Err(error) if error.kind() == std::io::ErrorKind::ExecutableFileBusy => std::thread::yield_now(),
                ran => {
                    ran.unwrap();
                    return;
                }
            }
        }
        panic!("{} stays busy", path.display());
    }

    #[tokio::test]
    async fn without_a_server_the_error_is_one_line_that_names_the_package() {
        let empty = tempfile::tempdir().unwrap();
        let error = nowhere(empty.path()).find(None).await.unwrap_err();
        let line = error.to_string();
        // The package as `apt-cache policy postgresql-15` knows it on Debian 12.
        assert!(line.ends_with("install it with: apt-get install postgresql-15"), "{line}");
        assert_eq!(line.lines().count(), 1);
    }

    #[tokio::test]
    async fn an_existing_cluster_asks_for_the_version_that_made_it() {
        let versions = tempfile::tempdir().unwrap();
        pretend_server(&versions.path().join("17/bin"), "17.2", &PROGRAMS);
        let search = nowhere(versions.path());
        let line = search.find(Some(15)).await.unwrap_err().to_string();
        assert!(line.ends_with("apt-get install postgresql-15"), "{line}");
        assert_eq!(search.find(Some(17)).await.unwrap().major(), 17);
    }

    #[tokio::test]
    async fn the_newest_complete_server_wins_and_an_old_one_is_never_taken() {
        let versions = tempfile::tempdir().unwrap();
        let at = |major: &str| versions.path().join(major).join("bin");
        pretend_server(&at("9"), "9.6.24", &PROGRAMS);
        pretend_server(&at("14"), "14.11", &PROGRAMS);
        let search = nowhere(versions.path());
        assert!(search.find(None).await.is_err());

        pretend_server(&at("15"), "15.18 (Debian 15.18-0+deb12u1)", &PROGRAMS);
        pretend_server(&at("16"), "16.1", &PROGRAMS);
        pretend_server(&at("17"), "17.2", &["postgres", "pg_ctl"]);
        assert_eq!(search.find(None).await.unwrap().major(), 16);
    }

    #[tokio::test]
    async fn links_in_path_lead_to_the_folder_that_holds_all_programs() {
        let tree = tempfile::tempdir().unwrap();
        let real = tree.path().join("real");
        let links = tree.path().join("links");
        pretend_server(&real, "16.1", &PROGRAMS);
        fs::create_dir(&links).unwrap();
        symlink(real.join("postgres"), links.join("postgres")).unwrap();
        let search = Search { path: links.into_os_string(), ..nowhere(&tree.path().join("none")) };
        let found = search.find(None).await.unwrap();
        assert_eq!(found.dir(), fs::canonicalize(real).unwrap());
    }

    #[test]
    fn the_package_follows_the_release_of_debian() {
        // VERSION_CODENAME: os-release(5). The packages: Debian 12 and 13 release notes, from
        // memory.
        assert_eq!(package(BOOKWORM), "postgresql-15");
        assert_eq!(package("VERSION_CODENAME=\"trixie\"\n"), "postgresql-17");
        assert_eq!(package("ID=arch\n"), "postgresql");
        assert_eq!(package(""), "postgresql");
    }

    #[test]
    fn versions_before_a_release_count_as_their_major() {
        // Forms of PG_VERSION_STR; from memory, but for 15.18, which this machine answers.
        for (answer, major) in [
            ("postgres (PostgreSQL) 15.18 (Debian 15.18-0+deb12u1)\n", Some(15)),
            ("postgres (PostgreSQL) 18beta1\n", Some(18)),
            ("postgres (PostgreSQL) 19devel\n", Some(19)),
            ("postgres (PostgreSQL) 17", Some(17)),
            ("something else 17.1\n", None),
        ] {
            assert_eq!(parse_major(answer), major, "{answer}");
        }
    }
}
