//! Running programs, and telling server processes apart.
//!
//! The rule: a process is its number **and** its start time. Numbers are used again, above all
//! in containers, where a stale file naming process 7 meets a new process 7 at every restart.

use std::fs;
use std::path::Path;

use rustix::io::Errno;
use rustix::process::{Pid, Signal, kill_process};
use tokio::process::Command;

use super::ClusterError;
use super::account::Account;

/// One process of the system, alive or not.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Process {
    pid: Pid,
    /// In clock ticks since the machine started.
    started_ticks: u64,
}

impl Process {
    /// The process that bears this number now.
    pub(super) fn find(pid: Pid) -> Option<Self> {
        // Readable by everyone, unlike the links in the same folder.
        let stat = fs::read_to_string(format!("/proc/{}/stat", pid.as_raw_pid())).ok()?;
        let (state, started_ticks) = parse_stat(&stat)?;
        // A zombie has ended; only its parent has not asked yet.
        (!matches!(state, 'Z' | 'X')).then_some(Self { pid, started_ticks })
    }

    pub(super) fn pid(self) -> Pid {
        self.pid
    }

    pub(super) fn is_alive(self) -> bool {
        Self::find(self.pid) == Some(self)
    }

    /// Sends a signal; a process that is already gone is no error.
    pub(super) fn signal(self, signal: Signal) -> Result<(), ClusterError> {
        if !self.is_alive() {
            return Ok(());
        }
        match kill_process(self.pid, signal) {
            Ok(()) | Err(Errno::SRCH) => Ok(()),
            Err(error) => Err(ClusterError::Program {
                program: format!("kill {}", self.pid.as_raw_pid()),
                detail: error.to_string(),
            }),
        }
    }
}

/// Whether a number stands for anything, be it an ended process nobody has collected.
pub(super) fn is_number_in_use(pid: Pid) -> bool {
    Path::new(&format!("/proc/{}", pid.as_raw_pid())).exists()
}

/// State and start time of `/proc/<pid>/stat`, proc(5). The name in brackets may itself hold brackets and
/// spaces, so the fields are counted from the last bracket.
fn parse_stat(stat: &str) -> Option<(char, u64)> {
    let (_, fields) = stat.rsplit_once(')')?;
    let mut fields = fields.split_ascii_whitespace();
    let state = fields.next()?.chars().next()?;
    // The state is field 3, the start time field 22.
    let started_ticks = fields.nth(22 - 4)?.parse().ok()?;
    Some((state, started_ticks))
}

/// Lists the server processes that work in a cluster: each has it as working directory.
///
/// Asked by the server's own account, because root in a container may not read the working
/// directory of another user's process while that user may.
const LIST_SERVER_PROCESSES: &str = r#"
[ -e /proc/self/cwd ] || { echo "/proc is not mounted" >&2; exit 1; }
for process in /proc/[0-9]*; do
  [ "$process/cwd" -ef "$1" ] || continue
  read -r name <"$process/comm" || continue
  [ "$name" = postgres ] && echo "${process#/proc/}"
done 2>/dev/null
exit 0
"#;

/// All live server processes of the cluster, its backends included.
pub(super) async fn server_processes(account: &Account, pgdata: &Path) -> Result<Vec<Process>, ClusterError> {
    let mut list = account.command("sh");
    list.args(["-c", LIST_SERVER_PROCESSES, "sh"]).arg(pgdata);
    let answer = run("listing server processes", &mut list).await?;
    Ok(answer
        .lines()
        .filter_map(|line| line.parse::<i32>().ok())
        .filter_map(Pid::from_raw)
        .filter_map(Process::find)
        .collect())
}

/// Runs a program to its end and returns what it printed, unless its output goes elsewhere.
pub(super) async fn run(name: &str, command: &mut Command) -> Result<String, ClusterError> {
    let failed = |detail| ClusterError::Program { program: name.to_owned(), detail };
    // Not `Command::output`, which would take back the file that `pg_ctl start` gets for output:
    // the server it leaves behind would hold our pipe, and we would wait for the server's end.
    let running = command.spawn().map_err(|error| failed(error.to_string()))?;
    let output = running.wait_with_output().await.map_err(|error| failed(error.to_string()))?;
    if output.status.success() {
        return Ok(String::from_utf8_lossy(&output.stdout).into_owned());
    }
    let complaint = String::from_utf8_lossy(&output.stderr);
    Err(failed(format!("{} ({})", complaint.split_whitespace().collect::<Vec<_>>().join(" "), output.status)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_process_name_with_brackets_does_not_move_the_fields() {
        // The fields of /proc/<pid>/stat in proc(5), the 22nd being the start time.
        let stat = "7 (post) gres)) S 1 7 7 0 -1 4194560 1 2 3 4 5 6 7 8 20 0 1 0 98765 4096 9";
        assert_eq!(parse_stat(stat), Some(('S', 98765)));
    }

    #[tokio::test]
    async fn a_process_that_was_killed_and_not_waited_for_counts_as_gone() {
        let mut child = std::process::Command::new("sleep").arg("600").spawn().unwrap();
        let process = Process::find(Pid::from_child(&child)).unwrap();
        assert!(process.is_alive());

        process.signal(Signal::KILL).unwrap();
        let gone = async {
            while process.is_alive() {
                tokio::task::yield_now().await;
            }
        };
        tokio::time::timeout(std::time::Duration::from_secs(10), gone).await.expect("a killed process ends");
        child.wait().unwrap();
    }
}
