//! Opening a cluster: made once, set as promised, closed to others, refused with a clear line.

use std::fs;
use std::os::unix::fs::MetadataExt as _;

use rustix::process::geteuid;

use super::{names_in, open, process, psql, set_mode, settings, try_psql};
use crate::cluster::account::Account;
use crate::cluster::layout::Layout;
use crate::cluster::{Cluster, ClusterError, Durability, OWNER, Settings, folders};

#[tokio::test]
async fn the_cluster_is_made_once_and_found_again_with_its_data() {
    let dir = tempfile::tempdir().unwrap();
    let cluster = open(&dir).await;
    psql(&cluster, "create table kept (n int); insert into kept values (7)");
    cluster.stop().await.unwrap();
    assert!(!try_psql(&cluster, "select 1").status.success());
    drop(cluster);

    let cluster = open(&dir).await;
    assert_eq!(psql(&cluster, "select n from kept"), "7");
    assert_eq!(names_in(dir.path()), ["chairtide.lock", "pgdata", "postgres.log", "run"]);
    cluster.stop().await.unwrap();
}

#[tokio::test]
async fn the_server_has_the_settings_we_promise_and_no_network_address() {
    let dir = tempfile::tempdir().unwrap();
    let cluster = open(&dir).await;
    for (setting, value) in [
        ("listen_addresses", ""),
        ("max_connections", "200"),
        ("server_encoding", "UTF8"),
        ("data_checksums", "on"),
        ("TimeZone", "UTC"),
        ("plan_cache_mode", "auto"),
        ("fsync", "off"),
        ("synchronous_commit", "off"),
        ("full_page_writes", "off"),
    ] {
        assert_eq!(psql(&cluster, &format!("show {setting}")), value, "{setting}");
    }
    assert_eq!(psql(&cluster, "select current_user"), OWNER);
    assert_eq!(
        psql(&cluster, "select upper('zähne'), datcollate from pg_database where datname = 'postgres'"),
        "ZÄHNE|C.UTF-8"
    );
    cluster.stop().await.unwrap();
}

#[tokio::test]
async fn other_settings_restart_the_running_server() {
    let dir = tempfile::tempdir().unwrap();
    drop(open(&dir).await);
    let cluster = Cluster::open(Settings::new(dir.path())).await.unwrap();
    for setting in ["fsync", "synchronous_commit", "full_page_writes"] {
        assert_eq!(psql(&cluster, &format!("show {setting}")), "on", "{setting}");
    }
    cluster.stop().await.unwrap();
}

#[tokio::test]
async fn the_server_never_runs_as_root_and_keeps_none_of_our_groups() {
    let dir = tempfile::tempdir().unwrap();
    let cluster = open(&dir).await;
    let pid = process(&cluster).await.pid().as_raw_pid();
    let status = fs::read_to_string(format!("/proc/{pid}/status")).unwrap();
    // The lines of /proc/<pid>/status in proc(5); four user ids: real, effective, saved, file system.
    let field = |name: &str| {
        let line = status.lines().find_map(|line| line.strip_prefix(name));
        line.unwrap().split_whitespace().map(str::to_owned).collect::<Vec<_>>()
    };
    let uids = field("Uid:");
    assert!(uids.iter().all(|uid| uid != "0"), "{uids:?}");
    if geteuid().is_root() {
        assert_eq!(field("Groups:"), Vec::<String>::new());
        assert_eq!(field("CapEff:"), ["0000000000000000"]);
    } else {
        assert_eq!(uids[0], geteuid().as_raw().to_string());
    }
    cluster.stop().await.unwrap();
}

#[tokio::test]
async fn a_ctrl_c_in_our_terminal_does_not_reach_the_server() {
    let dir = tempfile::tempdir().unwrap();
    let cluster = open(&dir).await;
    // A terminal signals the processes of its session; setsid(2) makes its caller lead a new one.
    let server = process(&cluster).await.pid();
    assert_eq!(rustix::process::getsid(Some(server)), Ok(server));
    cluster.stop().await.unwrap();
}

#[tokio::test]
async fn a_program_of_the_account_has_no_group_and_no_secret_of_ours() {
    let dir = tempfile::tempdir().unwrap();
    let layout = Layout::new(dir.path()).unwrap();
    let account = Account::choose(&layout).unwrap();
    let environment = account.command("env").output().await.unwrap();
    let environment = String::from_utf8(environment.stdout).unwrap();
    // PATH and LC_ALL; cargo alone hands a test some thirty variables more.
    assert_eq!(environment.lines().count(), 2, "{environment}");
    if geteuid().is_root() {
        let groups = account.command("id").arg("-G").output().await.unwrap();
        let groups = String::from_utf8(groups.stdout).unwrap();
        assert_eq!(groups.trim(), account.gid().to_string());
    }
}

#[tokio::test]
async fn everything_in_the_data_directory_is_closed_to_others() {
    let parent = tempfile::tempdir().unwrap();
    // One directory that we make, and one that was there and closed; both end the same.
    let ours = parent.path().join("made");
    let theirs = parent.path().join("found");
    set_mode(parent.path(), 0o755);
    fs::create_dir(&theirs).unwrap();
    set_mode(&theirs, 0o700);
    for dir in [ours, theirs] {
        let cluster = Cluster::open(Settings { durability: Durability::Disposable, ..Settings::new(&dir) });
        let cluster = cluster.await.unwrap();
        // Root's directory lets the server's group through, but not look around.
        let of_root = geteuid().is_root();
        for (name, mode) in [
            ("", if of_root { 0o710 } else { 0o700 }),
            ("run", 0o700),
            ("pgdata", 0o700),
            ("postgres.log", 0o600),
            ("chairtide.lock", 0o600),
        ] {
            let found = fs::metadata(dir.join(name)).unwrap();
            assert_eq!(found.mode() & 0o777, mode, "{name}");
        }
        assert_eq!(fs::metadata(&dir).unwrap().uid(), geteuid().as_raw());
        cluster.stop().await.unwrap();
    }
}

#[tokio::test]
async fn a_second_opener_is_refused_and_told_which_directory_and_by_whom() {
    let dir = tempfile::tempdir().unwrap();
    let cluster = open(&dir).await;
    let line = Cluster::open(settings(&dir)).await.unwrap_err().to_string();
    assert!(line.contains(dir.path().to_str().unwrap()), "{line}");
    assert!(line.contains(&format!("process {}", std::process::id())), "{line}");
    assert_eq!(psql(&cluster, "select 1"), "1", "the first is not disturbed");
    cluster.stop().await.unwrap();
}

#[tokio::test]
async fn without_server_binaries_the_line_names_the_package() {
    let dir = tempfile::tempdir().unwrap();
    let empty = tempfile::tempdir().unwrap();
    let settings = Settings { binaries_dir: Some(empty.path().to_owned()), ..settings(&dir) };
    let line = Cluster::open(settings).await.unwrap_err().to_string();
    assert!(line.contains("apt-get install postgresql"), "{line}");
    assert!(line.contains(empty.path().to_str().unwrap()), "{line}");
}

#[tokio::test]
async fn a_server_that_cannot_start_says_why_in_one_line() {
    let dir = tempfile::tempdir().unwrap();
    let cluster = open(&dir).await;
    cluster.stop().await.unwrap();
    drop(cluster);
    let main_file = dir.path().join("pgdata/postgresql.conf");
    let text = fs::read_to_string(&main_file).unwrap();
    fs::write(&main_file, text + "\nno_such_setting = 1\n").unwrap();

    let line = Cluster::open(settings(&dir)).await.unwrap_err().to_string();
    assert!(line.contains("postgresql.conf"), "{line}");
    assert_eq!(line.lines().count(), 1, "{line}");
}

#[tokio::test]
async fn a_folder_that_holds_something_else_is_left_alone() {
    let dir = tempfile::tempdir().unwrap();
    let account = Account::choose(&Layout::new(dir.path()).unwrap()).unwrap();
    let pgdata = dir.path().join("pgdata");
    folders::make_private(&pgdata, &account).unwrap();
    fs::write(pgdata.join("letter"), "precious").unwrap();

    let error = Cluster::open(settings(&dir)).await.unwrap_err();
    assert!(matches!(error, ClusterError::NotACluster { .. }), "{error}");
    assert_eq!(names_in(&pgdata), ["letter"]);
}

/// Root only: an ordinary user's server goes wherever the user goes.
#[tokio::test]
async fn root_is_told_the_first_folder_that_is_closed_to_the_server() {
    if !geteuid().is_root() {
        eprintln!("not tried: needs root");
        return;
    }
    let closed = tempfile::tempdir().unwrap();
    set_mode(closed.path(), 0o700);
    let settings = Settings::new(closed.path().join("inner/data"));
    let line = Cluster::open(settings).await.unwrap_err().to_string();
    let folder = format!("the folder {} is closed", closed.path().display());
    assert!(line.contains(&folder), "{line}");
    assert_eq!(fs::metadata(closed.path()).unwrap().mode() & 0o777, 0o700);
}

/// Root only: it takes root to run a server as somebody else.
#[tokio::test]
async fn root_runs_the_cluster_of_a_user_as_that_user() {
    if !geteuid().is_root() {
        eprintln!("not tried: needs root");
        return;
    }
    let dir = tempfile::tempdir().unwrap();
    // An id without a name would do for us, but `initdb` wants a name: 1 is Debian's `daemon`.
    std::os::unix::fs::chown(dir.path(), Some(1), Some(1)).unwrap();
    let cluster = open(&dir).await;
    for name in ["pgdata", "postgres.log", "chairtide.lock", "run"] {
        assert_eq!(fs::metadata(dir.path().join(name)).unwrap().uid(), 1, "{name}");
    }
    assert_eq!(psql(&cluster, "select 1"), "1");
    cluster.stop().await.unwrap();
}

#[tokio::test]
async fn a_path_with_blanks_quotes_and_dollars_is_no_trouble() {
    let parent = tempfile::tempdir().unwrap();
    set_mode(parent.path(), 0o755);
    let settings = Settings {
        durability: Durability::Disposable,
        ..Settings::new(parent.path().join(r#"it's "$HOME" & `a`\ü"#))
    };
    let cluster = Cluster::open(settings).await.unwrap();
    assert_eq!(psql(&cluster, "select 1"), "1");
    cluster.stop().await.unwrap();
}
