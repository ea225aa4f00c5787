//! A private Postgres around another program, e.g. a test suite.
//!
//! The rule of this file: whatever the program does, its cluster is stopped, a temporary folder is removed, and the
//! program's exit code is ours.

use std::ffi::OsString;
use std::os::unix::process::ExitStatusExt as _;
use std::path::PathBuf;
use std::process::{ExitCode, ExitStatus};

use anyhow::Context as _;
use rustix::process::{Pid, kill_process};
use tokio::process::{Child, Command};
use tokio::signal::unix::{SignalKind, signal};
use uuid::Uuid;

use crate::cluster::{Cluster, DATABASE, Durability, Settings};
use crate::config::Config;
use crate::database;

/// Runs `command` with `DATABASE_URL` set, and answers its exit code.
pub(super) async fn run(config: &Config, migrate: bool, command: &[OsString]) -> anyhow::Result<ExitCode> {
    // A folder that was chosen may hold data somebody wants to keep; only our own is thrown away.
    let temporary = config.data_dir.is_none().then(temporary_folder);
    let settings = Settings {
        binaries_dir: config.postgres_bin.clone(),
        durability: if temporary.is_some() { Durability::Disposable } else { Durability::Durable },
        ..Settings::new(config.data_dir.clone().or_else(|| temporary.clone()).unwrap_or_default())
    };
    let outcome = run_beside(settings, migrate, command).await;
    if let Some(folder) = temporary.filter(|folder| folder.exists()) {
        std::fs::remove_dir_all(&folder).with_context(|| format!("{} cannot be removed", folder.display()))?;
    }
    outcome
}

/// A short path of our own: a socket's path may have 107 bytes.
fn temporary_folder() -> PathBuf {
    let id = Uuid::new_v4().simple().to_string();
    std::env::temp_dir().join(format!("chairtide-{}", &id[..12]))
}

async fn run_beside(settings: Settings, migrate: bool, command: &[OsString]) -> anyhow::Result<ExitCode> {
    let cluster = Cluster::open(settings).await?;
    let outcome = run_in(&cluster, migrate, command).await;
    cluster.stop().await?;
    outcome
}

async fn run_in(cluster: &Cluster, migrate: bool, command: &[OsString]) -> anyhow::Result<ExitCode> {
    database::create_in(cluster).await?;
    let url = cluster.url(DATABASE);
    if migrate {
        database::migrate(&url.parse()?).await?;
    }
    let (program, arguments) = command.split_first().context("there is no command to run")?;
    let child = Command::new(program)
        .args(arguments)
        .env("DATABASE_URL", url)
        .env_remove("CHAIRTIDE_MIGRATION_DATABASE_URL")
        .spawn()
        .with_context(|| format!("{} cannot be run", program.display()))?;
    Ok(exit_code(wait(child).await?))
}

/// Waits for the program. An interrupt from the terminal reaches it without us; a SIGTERM is handed on.
async fn wait(mut child: Child) -> anyhow::Result<ExitStatus> {
    let mut interrupt = signal(SignalKind::interrupt())?;
    let mut terminate = signal(SignalKind::terminate())?;
    loop {
        tokio::select! {
            status = child.wait() => return status.context("the command cannot be waited for"),
            _ = interrupt.recv() => {}
            _ = terminate.recv() => {
                let pid = child.id().and_then(|id| i32::try_from(id).ok()).and_then(Pid::from_raw);
                if let Some(pid) = pid {
                    kill_process(pid, rustix::process::Signal::TERM).context("the command cannot be told to end")?;
                }
            }
        }
    }
}

/// The exit code as a shell gives it: 128 and the signal's number for a program that a signal ended.
fn exit_code(status: ExitStatus) -> ExitCode {
    let code = status.code().or_else(|| status.signal().map(|signal| 128 + signal));
    code.and_then(|code| u8::try_from(code).ok()).map_or(ExitCode::FAILURE, ExitCode::from)
}
