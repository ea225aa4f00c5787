//! Starting, adopting and stopping the server.
//!
//! Starting is a loop that looks at what is there and takes one step, so it begins anywhere: at
//! nothing, at a server an earlier service left, at one in crash recovery, at one that is going
//! down, or at backends whose server was killed.
//!
//! The rule: no two servers in one cluster. The lock of the data directory keeps other services
//! out, and a server is started only where no server process was seen.

use std::fs::{self, File};
use std::io::{self, Read as _, Seek as _, SeekFrom};
use std::path::{Path, PathBuf};
use std::process::Stdio;
use std::time::Duration;

use rustix::process::{Pid, Signal};
use tokio::process::Command;
use tokio::time::{Instant, sleep};
use tracing::{info, warn};

use super::account::Account;
use super::binaries::Binaries;
use super::configuration::{self, Durability};
use super::layout::Layout;
use super::process::{self, Process, run, server_processes};
use super::{ClusterError, folders};

/// How long one call of `pg_ctl start` waits; after that we look ourselves.
const START_SLICE_SECONDS: &str = "5";

/// How long a fast shutdown may take: it writes out up to 128 MB of buffers.
const STOP_LIMIT_SECONDS: &str = "120";

/// How long a server that has shut down may take to leave.
const EXIT_LIMIT: Duration = Duration::from_secs(10);

/// How long backends may take to notice that their server is gone. One that waits notices at
/// once; one that computes notices only when it is done, and nobody will read its answer.
const ORPHAN_GRACE: Duration = Duration::from_secs(2);

/// Between two looks at a server that is not ready yet.
const LOOK_PAUSE: Duration = Duration::from_millis(50);

/// The server of one cluster.
#[derive(Debug)]
pub(super) struct Postmaster {
    layout: Layout,
    account: Account,
    binaries: Binaries,
    durability: Durability,
}

/// What is there of a server.
#[derive(Debug)]
enum Sight {
    Nothing,
    /// Processes of a server that is gone.
    Orphans(Vec<Process>),
    Ready(Process),
    Starting,
    Stopping,
}

impl Postmaster {
    pub(super) fn new(layout: Layout, account: Account, binaries: Binaries, durability: Durability) -> Self {
        Self { layout, account, binaries, durability }
    }

    /// The programs of this server's version.
    #[cfg(test)]
    pub(super) fn binaries(&self) -> &Binaries {
        &self.binaries
    }

    /// Brings the server up, or adopts the one that runs with our settings.
    pub(super) async fn start(&self, limit: Duration) -> Result<Process, ClusterError> {
        let begun = Instant::now();
        let mut orphans_since = None;
        let mut started = false;
        loop {
            let state = match self.look().await? {
                Sight::Ready(process) if self.has_our_settings() => {
                    let pid = process.pid().as_raw_pid();
                    let account = self.account.name();
                    if started {
                        info!(pid, account, "database server started");
                    } else {
                        info!(pid, account, "database server was running and is adopted");
                    }
                    return Ok(process);
                }
                Sight::Ready(_) => {
                    info!("the running database server has other settings and is restarted");
                    self.stop().await?;
                    "it did not take over the settings"
                }
                Sight::Nothing => {
                    self.launch().await?;
                    started = true;
                    "it ended again after its start"
                }
                Sight::Orphans(orphans) => {
                    let since = *orphans_since.get_or_insert_with(Instant::now);
                    if since.elapsed() >= ORPHAN_GRACE {
                        warn!(count = orphans.len(), "ending processes of a killed server");
                        for orphan in orphans {
                            orphan.signal(Signal::QUIT)?;
                        }
                        orphans_since = None;
                    }
                    "processes of a killed server have not ended"
                }
                Sight::Starting => "it is still starting or recovering",
                Sight::Stopping => "an earlier server is still stopping",
            };
            if begun.elapsed() >= limit {
                return Err(ClusterError::NotReady { waited_seconds: limit.as_secs(), state, log: self.layout.log() });
            }
            sleep(LOOK_PAUSE).await;
        }
    }

    /// Ends the server in order; a server that does not run is stopped already.
    pub(super) async fn stop(&self) -> Result<(), ClusterError> {
        if matches!(self.look().await?, Sight::Nothing | Sight::Orphans(_)) {
            return Ok(());
        }
        let mut stop = self.pg_ctl();
        stop.args(["stop", "--mode", "fast", "--wait", "--silent"]).args(["--timeout", STOP_LIMIT_SECONDS]);
        match run("pg_ctl stop", &mut stop).await {
            // It may have died between our look and the signal of pg_ctl.
            Err(_) if matches!(self.look().await?, Sight::Nothing) => return Ok(()),
            outcome => drop(outcome?),
        }
        // `pg_ctl` is content when the lock file is gone, which is before the process is.
        let stopped_at = Instant::now();
        while !matches!(self.look().await?, Sight::Nothing) {
            if stopped_at.elapsed() >= EXIT_LIMIT {
                return Err(ClusterError::Program {
                    program: "pg_ctl stop".to_owned(),
                    detail: format!("the server lingers after its end (after {EXIT_LIMIT:?})"),
                });
            }
            sleep(LOOK_PAUSE).await;
        }
        Ok(())
    }

    async fn look(&self) -> Result<Sight, ClusterError> {
        let pgdata = self.layout.pgdata();
        let processes = server_processes(&self.account, &pgdata).await?;
        if processes.is_empty() {
            return Ok(Sight::Nothing);
        }
        let file = PidFile::read(&pid_file(&pgdata))?;
        let server = file.pid.and_then(|pid| processes.iter().find(|process| process.pid() == pid));
        Ok(match (server, file.status.as_str()) {
            (None, _) => Sight::Orphans(processes),
            (Some(&process), "ready" | "standby") => Sight::Ready(process),
            (Some(_), "stopping") => Sight::Stopping,
            (Some(_), _) => Sight::Starting,
        })
    }

    fn has_our_settings(&self) -> bool {
        configuration::is_current(&self.layout.pgdata(), self.durability)
    }

    /// Starts a server where there is none. `Ok` means that one was started, not that it is
    /// ready.
    async fn launch(&self) -> Result<(), ClusterError> {
        let pgdata = self.layout.pgdata();
        remove_misleading_lock_files(&self.layout)?;
        configuration::write(&pgdata, &self.account, self.durability)?;
        let log_path = self.layout.log();
        let log = folders::open_file(&log_path, &self.account)?;
        let log_begins_at = log.metadata().map_err(ClusterError::io("look at", &log_path))?.len();
        let log_of_server = log.try_clone().map_err(ClusterError::io("open", &log_path))?;

        let mut start = self.pg_ctl();
        start
            .args(["start", "--wait", "--silent"])
            .args(["--timeout", START_SLICE_SECONDS])
            .stdout(Stdio::from(log_of_server));
        let outcome = run("pg_ctl start", &mut start).await;
        let Err(error) = outcome else { return Ok(()) };
        if !matches!(self.look().await?, Sight::Nothing) {
            return Ok(());
        }
        Err(match last_complaint(log, log_begins_at) {
            Some(detail) => ClusterError::StartFailed { detail, log: log_path },
            None => error,
        })
    }

    /// `pg_ctl` puts the server into a session of its own, so that a Ctrl-C meant for the
    /// service does not reach it. Cluster and log are handed over as environment and open file:
    /// as arguments they would pass through a shell.
    fn pg_ctl(&self) -> Command {
        let mut command = self.account.command(self.binaries.program("pg_ctl"));
        command.env("PGDATA", self.layout.pgdata());
        command
    }
}

fn pid_file(pgdata: &Path) -> PathBuf {
    pgdata.join("postmaster.pid")
}

/// What a lock file of the server says. Its number is in the first line, and in `postmaster.pid`
/// its state in the eighth, padded with blanks (pidfile.h of Postgres).
#[derive(Debug, Default)]
struct PidFile {
    pid: Option<Pid>,
    status: String,
}

impl PidFile {
    fn read(path: &Path) -> Result<Self, ClusterError> {
        match fs::read_to_string(path) {
            Ok(text) => Ok(Self::parse(&text)),
            Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(Self::default()),
            Err(error) => Err(ClusterError::io("read", path)(error)),
        }
    }

    fn parse(text: &str) -> Self {
        let mut lines = text.lines();
        let pid: Option<i32> = lines.next().and_then(|line| line.trim().parse().ok());
        Self {
            // `postgres --single` marks its number as negative.
            pid: pid.filter(|&pid| pid > 0).and_then(Pid::from_raw),
            status: lines.nth(8 - 2).unwrap_or_default().trim().to_owned(),
        }
    }
}

/// Removes lock files of an ended server whose number is still in use: by another process, or
/// by what remains of the server itself where nobody collects ended processes, as in a container
/// without an init. Postgres takes either for a running server and refuses to start for as long
/// as it is there. Other stale files Postgres deals with itself, and more carefully.
fn remove_misleading_lock_files(layout: &Layout) -> Result<(), ClusterError> {
    for path in [pid_file(&layout.pgdata()), layout.socket_lock()] {
        let Some(pid) = PidFile::read(&path)?.pid else {
            continue;
        };
        if process::is_number_in_use(pid) {
            let pid = pid.as_raw_pid();
            info!(pid, file = %path.display(), "removing the lock file of an ended server");
            fs::remove_file(&path).map_err(ClusterError::io("remove", &path))?;
        }
    }
    Ok(())
}

/// The last grave line the server wrote since `begins_at`, else its last line.
fn last_complaint(mut log: File, begins_at: u64) -> Option<String> {
    let mut bytes = Vec::new();
    log.seek(SeekFrom::Start(begins_at)).ok()?;
    log.read_to_end(&mut bytes).ok()?;
    let text = String::from_utf8_lossy(&bytes);
    text.lines()
        .rfind(|line| line.contains("FATAL:") || line.contains("PANIC:"))
        .or_else(|| text.lines().next_back())
        .map(str::to_owned)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_state_is_read_from_the_eighth_line_of_the_pid_file() {
        // As Postgres 15.18 wrote it.
        let text = "4711\n/srv/pgdata\n1764057600\n5432\n../run\n\n  1234567     98304\nready   \n";
        let file = PidFile::parse(text);
        assert_eq!(file.pid.map(Pid::as_raw_pid), Some(4711));
        assert_eq!(file.status, "ready");
    }

    #[test]
    fn a_pid_file_cut_short_names_no_state_and_an_empty_one_no_process() {
        assert_eq!(PidFile::parse("4711\n/srv/pgdata\n").status, "");
        assert!(PidFile::parse("").pid.is_none());
        assert!(PidFile::parse("-4711\n").pid.is_none());
    }
}
