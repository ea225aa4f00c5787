//! The real program as a process of its own, with its private cluster in a folder of its own.
//!
//! The rule of this file: nothing that was started here outlives its test, however the test ends; and nobody waits for
//! time to pass, only for a condition, and not for ever.

use std::fs::{self, File, Permissions};
use std::os::unix::fs::PermissionsExt as _;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, ExitStatus, Output, Stdio};
use std::time::{Duration, Instant};

use chairtide::cluster::{Cluster, DATABASE};
use reqwest::Method;
use rustix::process::{Pid, Signal, kill_process};
use serde_json::Value;
use sqlx::postgres::PgConnectOptions;
use sqlx::{Connection as _, PgConnection};
use tempfile::TempDir;
use uuid::Uuid;

/// Longest wait for anything. A debug build on a busy machine needs seconds.
const PATIENCE: Duration = Duration::from_mins(1);

/// Between two looks.
const LOOK_PAUSE: Duration = Duration::from_millis(5);

/// The program and the folder it works in.
pub(crate) struct Service {
    home: TempDir,
    running: Option<Running>,
    starts: u32,
}

struct Running {
    child: Child,
    base: String,
}

impl Service {
    /// A folder of its own; nothing runs yet.
    pub(crate) fn new() -> Self {
        let home = tempfile::tempdir().expect("a temporary folder");
        // Root hands the cluster to another account, which must be able to walk in.
        fs::set_permissions(home.path(), Permissions::from_mode(0o755)).expect("the folder is ours");
        Self { home, running: None, starts: 0 }
    }

    pub(crate) fn data_dir(&self) -> PathBuf {
        self.home.path().join("data")
    }

    /// The program with some arguments, and nothing of this process's environment.
    fn command(&self, arguments: &[&str]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_chairtide"));
        command
            .args(arguments)
            .env_clear()
            .env("PATH", std::env::var_os("PATH").unwrap_or_default())
            .env("CHAIRTIDE_DATA_DIR", self.data_dir())
            .env("CHAIRTIDE_LISTEN", "127.0.0.1:0")
            .env("CHAIRTIDE_LOG_FORMAT", "json")
            .stdin(Stdio::null());
        command
    }

    /// Runs the program to its end.
    pub(crate) fn run(&self, arguments: &[&str]) -> Output {
        self.command(arguments).output().expect("the program can be run")
    }

    /// Makes a group by the command line and answers the token of its first administrator.
    pub(crate) fn create_group(&self, group_id: Uuid) -> String {
        let group_id = group_id.to_string();
        let made = self.run(&["group", "create", "--name", "Tidewater Practices", "--group-id", &group_id]);
        assert!(made.status.success(), "{}", String::from_utf8_lossy(&made.stderr));
        let printed = String::from_utf8(made.stdout).expect("UTF-8");
        printed.lines().find_map(|line| line.strip_prefix("key ")).expect("the key is shown once").to_owned()
    }

    /// Starts serving and waits until it is ready.
    pub(crate) async fn start(&mut self) {
        assert!(self.running.is_none(), "it runs already");
        self.starts += 1;
        let log = self.home.path().join(format!("service-{}.log", self.starts));
        let stderr = File::create(&log).expect("a log file");
        let child =
            self.command(&["serve"]).stdout(Stdio::null()).stderr(stderr).spawn().expect("the program can be run");
        let running = self.running.insert(Running { child, base: String::new() });
        running.base = until("the service listens", async || {
            let ended = running.child.try_wait().expect("our own child");
            assert!(ended.is_none(), "it ended ({ended:?}): {}", fs::read_to_string(&log).unwrap_or_default());
            address_in(&log).map(|address| format!("http://{address}"))
        })
        .await;
        self.until_ready().await;
    }

    pub(crate) async fn until_ready(&self) {
        let client = self.client("");
        until("the service is ready", async || {
            let answer = client.call(Method::GET, "/health/ready", None, None).await;
            answer.ok().filter(|(status, _)| *status == 200)
        })
        .await;
    }

    /// Requests with a token, to the service as it runs now.
    pub(crate) fn client(&self, token: &str) -> HttpClient {
        let http = reqwest::Client::builder()
            // A connection to a service that was killed since must not be used again.
            .pool_max_idle_per_host(0)
            .timeout(PATIENCE)
            .build()
            .expect("a client");
        let running = self.running.as_ref().expect("it runs");
        HttpClient { http, base: running.base.clone(), token: token.to_owned() }
    }

    /// Kills the service; its database server is not told.
    pub(crate) fn kill(&mut self) {
        let mut running = self.running.take().expect("it runs");
        running.child.kill().expect("it was alive");
        running.child.wait().expect("our own child");
    }

    /// Kills the database server and nothing else.
    pub(crate) fn kill_database(&self) -> Pid {
        let server = self.database_server().expect("a database server runs");
        kill_process(server, Signal::KILL).expect("it was alive");
        server
    }

    /// Waits until the running service has brought back a database server, another than `killed`.
    pub(crate) async fn until_brought_back(&self, killed: Pid) {
        until("another database server runs", async || self.database_server().filter(|pid| *pid != killed)).await;
        self.until_ready().await;
    }

    /// Asks the service to end, and waits for that.
    pub(crate) async fn terminate(&mut self) -> ExitStatus {
        let mut running = self.running.take().expect("it runs");
        kill_process(Pid::from_child(&running.child), Signal::TERM).expect("it was alive");
        let ended = until("the service ends", async || running.child.try_wait().expect("our own child"));
        ended.await
    }

    /// Number of the service's process.
    pub(crate) fn process_id(&self) -> u32 {
        self.running.as_ref().expect("it runs").child.id()
    }

    /// The process of the database server, if it lives.
    pub(crate) fn database_server(&self) -> Option<Pid> {
        // The number is in the first line (pidfile.h of Postgres).
        let text = fs::read_to_string(self.data_dir().join("pgdata/postmaster.pid")).ok()?;
        let pid = Pid::from_raw(text.lines().next()?.trim().parse().ok()?)?;
        is_live_server(pid).then_some(pid)
    }

    pub(crate) fn database_options(&self) -> PgConnectOptions {
        let url = Cluster::url_of(&self.data_dir(), DATABASE).expect("a short path");
        url.parse().expect("an address")
    }

    /// A connection to the database past the service, for looking only.
    pub(crate) async fn database(&self) -> PgConnection {
        PgConnection::connect_with(&self.database_options()).await.expect("the database answers")
    }
}

impl Drop for Service {
    fn drop(&mut self) {
        // The service first: it would bring the database back.
        if let Some(mut running) = self.running.take() {
            running.child.kill().ok();
            running.child.wait().ok();
        }
        let begun = Instant::now();
        while let Some(server) = self.database_server() {
            // At once, and its backends with it; the data is thrown away anyhow.
            let signal = if begun.elapsed() < Duration::from_secs(5) { Signal::QUIT } else { Signal::KILL };
            // It may have ended by itself just now.
            kill_process(server, signal).ok();
            if begun.elapsed() > Duration::from_secs(10) {
                eprintln!("a database server is left over: process {}", server.as_raw_pid());
                return;
            }
            std::thread::sleep(LOOK_PAUSE);
        }
    }
}

/// A client of the service with one token.
#[derive(Clone)]
pub(crate) struct HttpClient {
    http: reqwest::Client,
    base: String,
    token: String,
}

impl HttpClient {
    /// Where the service answers.
    pub(crate) fn base(&self) -> &str {
        &self.base
    }

    /// Status and body of the answer; an error when there was none, or only a part.
    pub(crate) async fn call(
        &self,
        method: Method,
        path: &str,
        idempotency_key: Option<&str>,
        body: Option<&Value>,
    ) -> reqwest::Result<(u16, Value)> {
        let mut request = self.http.request(method, format!("{}{path}", self.base)).bearer_auth(&self.token);
        if let Some(key) = idempotency_key {
            request = request.header("idempotency-key", format!("\"{key}\""));
        }
        if let Some(body) = body {
            request = request.json(body);
        }
        let response = request.send().await?;
        let status = response.status().as_u16();
        let text = response.bytes().await?;
        Ok((status, serde_json::from_slice(&text).unwrap_or_default()))
    }

    /// The body of an answer that must be a success.
    pub(crate) async fn must(&self, method: Method, path: &str, key: Option<&str>, body: Option<&Value>) -> Value {
        let name = format!("{method} {path}");
        let (status, answer) = self.call(method, path, key, body).await.unwrap_or_else(|e| panic!("{name}: {e:?}"));
        assert!((200..300).contains(&status), "{name}: {status} {answer}");
        answer
    }

    pub(crate) async fn get(&self, path: &str) -> Value {
        self.must(Method::GET, path, None, None).await
    }
}

/// Looks again and again until there is something to find.
pub(crate) async fn until<T>(what: &str, mut look: impl AsyncFnMut() -> Option<T>) -> T {
    let looking = async {
        loop {
            if let Some(found) = look().await {
                return found;
            }
            tokio::time::sleep(LOOK_PAUSE).await;
        }
    };
    tokio::time::timeout(PATIENCE, looking).await.unwrap_or_else(|_| panic!("not within {PATIENCE:?}: {what}"))
}

/// Whether a live server process of Postgres bears the number; what was killed and not yet collected is none.
pub(crate) fn is_live_server(pid: Pid) -> bool {
    let stat = fs::read_to_string(format!("/proc/{}/stat", pid.as_raw_pid())).unwrap_or_default();
    // proc(5): the name in brackets, then the state.
    stat.split_once("(postgres) ").is_some_and(|(_, rest)| !rest.starts_with(['Z', 'X']))
}

/// The address of the log's line "serving", once it is written.
fn address_in(log: &Path) -> Option<String> {
    let text = fs::read_to_string(log).ok()?;
    let lines = text.lines().filter_map(|line| serde_json::from_str::<Value>(line).ok());
    lines.filter(|line| line["message"] == "serving").find_map(|line| Some(line["address"].as_str()?.to_owned()))
}
