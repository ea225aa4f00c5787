//! Deaths of the server and of the service, at moments nobody chose.

use std::env;
use std::fs;
use std::os::unix::process::ExitStatusExt as _;
use std::path::PathBuf;
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use rustix::process::Pid;
use tempfile::TempDir;
use tokio::sync::oneshot;
use tokio::time::sleep;

use super::{kill, names_in, open, process, psql, psql_command, try_psql, until};
use crate::cluster::account::Account;
use crate::cluster::layout::Layout;
use crate::cluster::process::Process;
use crate::cluster::{Cluster, Durability, Settings, initialisation};

/// Runs a supervisor beside `body`, then ends it, and the server. The cluster is durable: with
/// `synchronous_commit = off` a killed server may lose what it confirmed.
async fn supervised(dir: &TempDir, body: impl AsyncFnOnce(&Cluster)) {
    let cluster = Cluster::open(Settings::new(dir.path())).await.unwrap();
    let (end, ended) = oneshot::channel::<()>();
    let supervisor = cluster.supervise(async { drop(ended.await) });
    let body = async {
        body(&cluster).await;
        end.send(()).expect("the supervisor has not ended by itself");
    };
    tokio::join!(supervisor, body);
    cluster.stop().await.unwrap();
}

#[tokio::test]
async fn a_killed_server_is_started_again_and_what_was_committed_is_there() {
    let dir = tempfile::tempdir().unwrap();
    supervised(&dir, async |cluster| {
        psql(cluster, "create table kept (n int); insert into kept values (7)");
        for _ in 0..2 {
            let first = process(cluster).await;
            kill(first).await;
            until("the server answers again", || try_psql(cluster, "select 1").status.success()).await;
            assert_ne!(process(cluster).await, first);
            assert_eq!(psql(cluster, "select n from kept"), "7");
        }
    })
    .await;
}

#[tokio::test]
async fn a_backend_that_computes_on_after_its_server_was_killed_does_not_block_the_recovery() {
    let dir = tempfile::tempdir().unwrap();
    supervised(&dir, async |cluster| {
        // It ends by itself in the end, lest a failure of this test leaves it computing for ever.
        let endless = "do $$ begin while clock_timestamp() < now() + interval '3 minutes' loop end loop; end $$";
        let mut client = psql_command(cluster, endless).stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap();
        let busy = "select pid from pg_stat_activity where query like 'do %' and state = 'active'";
        let mut backend = None;
        until("the backend computes", || {
            let found: Option<i32> = psql(cluster, busy).parse().ok();
            backend = found.and_then(Pid::from_raw).and_then(Process::find);
            backend.is_some()
        })
        .await;
        let backend = backend.unwrap();

        kill(process(cluster).await).await;
        assert!(backend.is_alive(), "the orphan holds the shared memory");
        until("the server answers again", || try_psql(cluster, "select 1").status.success()).await;
        assert!(!backend.is_alive());
        client.wait().unwrap();
    })
    .await;
}

#[tokio::test]
async fn after_a_stop_the_supervisor_starts_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let cluster = open(&dir).await;
    cluster.stop().await.unwrap();
    assert!(!process(&cluster).await.is_alive());
    // Three times what it takes to notice a server that ended.
    let shutdown = sleep(Duration::from_millis(750));
    cluster.supervise(shutdown).await;
    assert!(!try_psql(&cluster, "select 1").status.success());
    cluster.stop().await.expect("stopping twice is no error");
}

#[tokio::test]
async fn stale_lock_files_whose_number_is_in_use_do_not_block_the_start() {
    let dir = tempfile::tempdir().unwrap();
    let account = Account::choose(&Layout::new(dir.path()).unwrap()).unwrap();
    let mut cluster = open(&dir).await;
    for stranger_lives in [true, false] {
        let server = process(&cluster).await;
        let lock_files = [dir.path().join("pgdata/postmaster.pid"), cluster.layout.socket_lock()];
        let texts = lock_files.each_ref().map(|file| fs::read_to_string(file).unwrap());
        kill(server).await;
        drop(cluster);
        // A process of the server's own account: Postgres does not mistake others for a server.
        let mut stranger = account.command("sleep").arg("600").spawn().unwrap();
        let pid = stranger.id().unwrap();
        if !stranger_lives {
            let stranger = Pid::from_raw(pid.cast_signed()).and_then(Process::find);
            kill(stranger.unwrap()).await;
        }
        let server_pid = server.pid().as_raw_pid().to_string();
        for (file, text) in lock_files.iter().zip(texts) {
            fs::write(file, text.replacen(&server_pid, &pid.to_string(), 1)).unwrap();
        }

        cluster = open(&dir).await;
        assert_eq!(psql(&cluster, "select 1"), "1");
        if stranger_lives {
            assert!(stranger.try_wait().unwrap().is_none(), "it was left alone");
            stranger.kill().await.unwrap();
        }
    }
    cluster.stop().await.unwrap();
}

const VICTIM_DIR: &str = "CHAIRTIDE_TEST_VICTIM_DIR";

/// Not a test of its own: other tests run it as a process they can kill.
#[tokio::test]
#[ignore = "run by other tests as a process to kill"]
async fn victim() {
    let dir = PathBuf::from(env::var_os(VICTIM_DIR).expect("set by the test that runs this"));
    let cluster = Cluster::open(Settings { durability: Durability::Disposable, ..Settings::new(&dir) });
    let _cluster = cluster.await.unwrap();
    fs::write(dir.join("opened"), "").unwrap();
    std::future::pending::<()>().await;
}

fn spawn_victim(dir: &TempDir) -> Child {
    let (_crate_name, module) = module_path!().split_once("::").unwrap();
    Command::new(env::current_exe().unwrap())
        .args(["--exact", &format!("{module}::victim"), "--ignored"])
        .env(VICTIM_DIR, dir.path())
        .stdout(Stdio::null())
        .spawn()
        .unwrap()
}

fn kill_victim(mut victim: Child) {
    victim.kill().unwrap();
    let status = victim.wait().unwrap();
    assert_eq!(status.signal(), Some(9), "it was alive when it was killed");
}

#[tokio::test]
async fn the_server_of_a_killed_service_is_adopted_by_the_next() {
    let dir = tempfile::tempdir().unwrap();
    let victim = spawn_victim(&dir);
    until("the victim has opened", || dir.path().join("opened").exists()).await;
    let pid_file = fs::read_to_string(dir.path().join("pgdata/postmaster.pid")).unwrap();
    kill_victim(victim);

    let cluster = open(&dir).await;
    assert_eq!(
        pid_file.lines().next().unwrap(),
        process(&cluster).await.pid().as_raw_pid().to_string(),
        "the same server goes on"
    );
    assert_eq!(psql(&cluster, "select 1"), "1");
    cluster.stop().await.unwrap();
}

#[tokio::test]
async fn a_service_killed_while_it_makes_the_cluster_leaves_nothing_half_made() {
    let dir = tempfile::tempdir().unwrap();
    let victim = spawn_victim(&dir);
    // `global` is where initdb puts the shared catalogues, well before it is done.
    let unfinished = dir.path().join(format!("pgdata.new-{}", victim.id()));
    until("initdb works", || unfinished.join("global").exists()).await;
    kill_victim(victim);
    assert!(!dir.path().join("pgdata").exists());

    let cluster = open(&dir).await;
    assert_eq!(psql(&cluster, "select 1"), "1");
    cluster.stop().await.unwrap();
    // The orphaned initdb ends by itself, and an opening after that takes its remains away.
    until("the remains are gone", || {
        initialisation::remove_leftovers(&cluster.layout).unwrap();
        names_in(dir.path()) == ["chairtide.lock", "pgdata", "postgres.log", "run"]
    })
    .await;
}
