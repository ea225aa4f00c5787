//! The README's own words: its two commands exist, and its tour runs as it is printed.

use std::fs;
use std::io::{BufRead as _, BufReader};
use std::os::unix::fs::PermissionsExt as _;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};

use chairtide::config::VARIABLES;
use serde_json::{Value, json};

const BINARY: &str = env!("CARGO_BIN_EXE_chairtide");

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

/// The shell blocks below a heading, in order.
fn shell_blocks(text: &str, heading: &str) -> Vec<String> {
    let section = text.split_once(heading).unwrap_or_else(|| panic!("no heading {heading}")).1;
    let section = section.split("\n## ").next().unwrap_or(section);
    section.split("```sh\n").skip(1).map(|rest| rest.split("```").next().unwrap_or(rest).to_owned()).collect()
}

fn readme() -> String {
    fs::read_to_string(root().join("README.md")).expect("a readable file")
}

#[test]
fn the_two_commands_of_the_readme_are_there_to_be_run() {
    let first = shell_blocks(&readme(), "# Chairtide").remove(0);
    let commands: Vec<&str> = first.lines().filter_map(|line| line.split_whitespace().next()).collect();
    assert_eq!(commands, ["seed-demo/run", "tests/run"]);
    for command in commands {
        let mode = fs::metadata(root().join(command)).expect("the file").permissions().mode();
        assert_eq!(mode & 0o111, 0o111, "{command} can be executed");
    }
}

/// The demo, served from a directory of its own; both end with it.
struct Demo {
    directory: PathBuf,
    service: Child,
    listen: String,
}

impl Demo {
    fn start() -> Self {
        // Not under the folder of this user alone: as root, the database drops to another account.
        let directory =
            tempfile::Builder::new().prefix("chairtide-readme-").tempdir_in("/tmp").expect("a folder").keep();
        fs::set_permissions(&directory, fs::Permissions::from_mode(0o755)).expect("open to the database's account");
        // The system hands out a free port; nobody else on this machine is told of it.
        let free = std::net::TcpListener::bind("127.0.0.1:0").expect("a port");
        let listen = free.local_addr().expect("an address").to_string();
        drop(free);
        let loaded =
            command(&directory, &listen).args(["demo", "load", "--days", "10", "--data", "seed-demo"]).output();
        let loaded = loaded.expect("the program runs");
        assert!(loaded.status.success(), "{}", String::from_utf8_lossy(&loaded.stderr));
        let mut service = command(&directory, &listen)
            .arg("serve")
            .env("CHAIRTIDE_LOG", "info")
            .stderr(Stdio::piped())
            .spawn()
            .expect("the program runs");
        let log = BufReader::new(service.stderr.take().expect("a pipe"));
        let mut lines = log.lines();
        let serving = lines.by_ref().any(|line| line.is_ok_and(|line| line.contains("serving")));
        assert!(serving, "the service ended before it served");
        // Somebody must read on, or the service would wait for room in the pipe.
        std::thread::spawn(move || lines.for_each(drop));
        Self { directory, service, listen }
    }
}

impl Drop for Demo {
    fn drop(&mut self) {
        // Asked to stop, it stops its database as well; not every machine has a program `kill`.
        let pid = i32::try_from(self.service.id()).ok().and_then(rustix::process::Pid::from_raw);
        if let Some(pid) = pid {
            let _ = rustix::process::kill_process(pid, rustix::process::Signal::TERM);
        }
        drop(self.service.wait());
        drop(fs::remove_dir_all(&self.directory));
    }
}

fn command(directory: &Path, listen: &str) -> Command {
    let mut command = Command::new(BINARY);
    settings(&mut command, directory, listen).env("CHAIRTIDE_LOG", "warn");
    command
}

/// What the program is to find in its environment: these settings, and none of whoever runs the test; except where the
/// server's programs lie, which belongs to the machine.
fn settings<'a>(command: &'a mut Command, directory: &Path, listen: &str) -> &'a mut Command {
    for variable in VARIABLES.iter().filter(|variable| variable.name != "CHAIRTIDE_POSTGRES_BIN") {
        command.env_remove(variable.name);
    }
    command.current_dir(root()).env("CHAIRTIDE_DATA_DIR", directory).env("CHAIRTIDE_LISTEN", listen)
}

#[test]
fn the_tour_of_the_readme_runs_as_it_is_printed() {
    let blocks = shell_blocks(&readme(), "## Five minutes");
    let told = "keys, front desk, tablet, manager, why and what if, what failed, seals, packs and exports, retention";
    assert_eq!(blocks.len(), 9, "{told}");
    let demo = Demo::start();
    // Each answer on a line of its own, and any answer that is not 2xx ends the script.
    let script =
        format!("set -euo pipefail\ncurl() {{ command curl --fail-with-body \"$@\"; echo; }}\n{}", blocks.concat());
    let mut bash = Command::new("bash");
    settings(bash.args(["-c", &script]), &demo.directory, &demo.listen).env("CHAIRTIDE_BIN", BINARY);
    let output = bash.output().expect("bash runs");
    let said = String::from_utf8_lossy(&output.stdout);
    assert!(output.status.success(), "{said}\n{}", String::from_utf8_lossy(&output.stderr));
    let answers: Vec<Value> = said.lines().filter_map(|line| serde_json::from_str(line).ok()).collect();

    let day = answers.iter().find(|a| a["tasks_changed"].is_number()).expect("the day start");
    assert_eq!(day["clinic_id"], "da6d3e20-d683-4780-9c7f-8926350a8790");
    let left = answers.iter().find(|a| a["task_ids"].is_array()).expect("the departure");
    assert_eq!(left["task_ids"].as_array().map(Vec::len), Some(3), "flush, suction, surfaces");
    let completion = answers.iter().find(|a| a["verdict"].is_string()).expect("the completion");
    assert_eq!(completion["verdict"], "passed", "{completion}");
    assert!(left["task_ids"].as_array().is_some_and(|ids| ids.contains(&completion["task_id"])), "{left} {completion}");
    assert_eq!(completion["signed"], json!(true), "{completion}");
    let flags: Vec<&Value> = completion["flags"].as_array().expect("a list").iter().map(|f| &f["flag"]).collect();
    assert_eq!(flags, ["hold_without_record"], "as the README says: {completion}");
    what_failed_is_shown(&answers);

    // The overdue list is right in all three zones: each clinic has something, and each item says so by its own times.
    let overdue = answers.iter().find(|a| a["items"][0]["overdue_seconds"].is_number()).expect("the overdue list");
    let items = overdue["items"].as_array().expect("a list");
    let as_of: chrono::DateTime<chrono::Utc> = read(&overdue["as_of"]);
    let clinics: std::collections::BTreeSet<String> = items.iter().map(|i| i["clinic_id"].to_string()).collect();
    assert_eq!(clinics.len(), 3, "{clinics:?}");
    for item in items {
        // Work can be missed; a step of an action and an unsigned day wait until somebody acts.
        assert!(item["missed_at"].is_null() != (item["kind"] == "task"), "{item}");
        assert!(read(&item["overdue_at"]) <= as_of, "{item}");
        assert!(item["missed_at"].is_null() || as_of < read(&item["missed_at"]), "{item}");
        assert_eq!(item["overdue_seconds"], (as_of - read(&item["overdue_at"])).num_seconds());
    }
    let why = answers.iter().find(|a| a["because"]["fact"]["kind"] == "patient_left").expect("why the flush is due");
    assert!(why["sentence"].as_str().is_some_and(|text| text.starts_with("A patient left")), "{why}");
    let nothing = answers.iter().find(|a| a["reasons"].is_array()).expect("why nothing is due");
    assert!(nothing["reasons"].as_array().is_some_and(|reasons| !reasons.is_empty()), "{nothing}");
    assert!(answers.iter().any(|a| a["clinics"][0]["minutes"].is_array()), "the trial of a closure");
    let holidays = answers.iter().find(|a| a["applied"].is_boolean()).expect("the import");
    assert_eq!(
        (&holidays["applied"], holidays["closures"].as_array().map(Vec::is_empty)),
        (&json!(false), Some(false))
    );
    assert!(said.contains("site_event 6f6f0c7e-3d0e-4c8e-8f0b-0c1f6a2f5b11, as it was sealed"), "the proof: {said}");
    let check = answers.iter().find(|a| a["days_checked"].is_number()).expect("the verification");
    assert_eq!((check["days_checked"].as_u64() > Some(8), &check["findings"]), (true, &json!([])), "{check}");
    assert!(said.contains("completion_id,step_key,"), "the export of readings as CSV has a header row: {said}");
    assert!(said.contains("clinic_id,"), "the summary as CSV has a header row: {said}");
}

/// The failed water test midway through its chain, the recalled lot, and the entries that a lead should look at.
fn what_failed_is_shown(answers: &[Value]) {
    let action = answers.iter().find(|a| a["items"][0]["waits_for"].is_object()).expect("the open actions");
    let item = &action["items"][0];
    assert_eq!((&item["kind"], &item["waits_for"]["step"]), (&json!("water_over_limit"), &json!("retest")), "{action}");
    let standing = answers.iter().find(|a| a["standing"][0]["kind"] == "quarantine").expect("what stands against it");
    assert_eq!(standing["ready_by_record"], json!(false));
    assert!(answers.iter().any(|a| a["name"] == "Bryony Dell" && a["role"] == "clinic_lead"), "who may release");
    let refused = answers.iter().find(|a| a["type"] == "/problems/release-not-yet").expect("the release is refused");
    assert!(refused.to_string().contains("record missing: step retest"), "{refused}");
    let uses = answers.iter().find(|a| a["items"][0]["steps"] == json!(["product"]));
    let uses = uses.expect("the uses of the recalled lot");
    assert!(uses["items"].as_array().is_some_and(|items| items.len() >= 3), "{uses}");
    let flagged = |flag: &str| {
        let has_it = |item: &Value| item["flags"].to_string().contains(flag);
        let lists = answers.iter().filter_map(|a| a["items"].as_array());
        lists.into_iter().any(|items| items.iter().filter(|item| has_it(item)).count() >= 4)
    };
    assert!(flagged("\"burst\"") && flagged("\"late_entry\""), "entries to review: {answers:?}");
}

fn read(instant: &Value) -> chrono::DateTime<chrono::Utc> {
    instant.as_str().and_then(|text| text.parse().ok()).unwrap_or_else(|| panic!("no instant: {instant}"))
}
