//! The cluster against real servers. What is checked is asked of something else than this
//! module: `psql`, `/proc` and the programs of Postgres.
//!
//! The rule: no test waits for time to pass; each waits for a condition, for a bounded time.
//! All tests run both as root and as an ordinary user; what root alone can show says so.

mod opening;
mod recovery;

use std::fs;
use std::os::unix::fs::PermissionsExt as _;
use std::path::Path;
use std::process::{Command, Output, Stdio};
use std::time::Duration;

use rustix::process::Signal;
use tempfile::TempDir;
use tokio::time::{sleep, timeout};

use super::process::Process;
use super::{Cluster, Durability, MAINTENANCE_DATABASE, Settings};

const PATIENCE: Duration = Duration::from_mins(1);

fn settings(dir: &TempDir) -> Settings {
    Settings { durability: Durability::Disposable, ..Settings::new(dir.path()) }
}

async fn open(dir: &TempDir) -> Cluster {
    Cluster::open(settings(dir)).await.unwrap()
}

async fn process(cluster: &Cluster) -> Process {
    cluster.state.lock().await.process
}

fn psql_command(cluster: &Cluster, sql: &str) -> Command {
    let mut psql = Command::new(cluster.postmaster.binaries().program("psql"));
    psql.arg(cluster.url(MAINTENANCE_DATABASE))
        .args(["--no-psqlrc", "--tuples-only", "--no-align", "--quiet"])
        .args(["--command", sql])
        .current_dir("/")
        .stdin(Stdio::null());
    psql
}

fn try_psql(cluster: &Cluster, sql: &str) -> Output {
    psql_command(cluster, sql).output().unwrap()
}

fn psql(cluster: &Cluster, sql: &str) -> String {
    let output = try_psql(cluster, sql);
    assert!(output.status.success(), "{output:?}");
    String::from_utf8(output.stdout).unwrap().trim().to_owned()
}

/// Looks again and again until the condition holds.
async fn until(what: &str, mut holds: impl FnMut() -> bool) {
    let looking = async {
        while !holds() {
            sleep(Duration::from_millis(20)).await;
        }
    };
    timeout(PATIENCE, looking).await.unwrap_or_else(|_| panic!("{what} within {PATIENCE:?}"));
}

async fn kill(process: Process) {
    process.signal(Signal::KILL).unwrap();
    until("the killed process ends", || !process.is_alive()).await;
}

fn set_mode(path: &Path, mode: u32) {
    fs::set_permissions(path, fs::Permissions::from_mode(mode)).unwrap();
}

fn names_in(dir: &Path) -> Vec<String> {
    let mut names: Vec<_> =
        fs::read_dir(dir).unwrap().map(|entry| entry.unwrap().file_name().into_string().unwrap()).collect();
    names.sort();
    names
}
