//! Lines to paste into a shell, one for each thing a client does.
//!
//! The rule of this file: each line works as it stands against the running demo, with ids that exist and a fresh UUID
//! where the client makes one.

use std::fmt::Write as _;
use std::net::SocketAddr;

use chrono::{DateTime, TimeDelta, Utc};
use serde_json::json;
use uuid::Uuid;

use super::keyring::{Example, HoldTask, Keyring};
use crate::domain::access::Role;

/// How old a load may be before its ids and its overdue list are no longer what they were.
const FRESH_FOR: TimeDelta = TimeDelta::hours(24);

/// The lines for every client, for the service at `listen`.
#[must_use]
pub(super) fn lines(keyring: &Keyring, listen: SocketAddr, now: DateTime<Utc>) -> String {
    let mut out = String::new();
    let base = format!("http://{listen}");
    line(&mut out, &format!("{}, loaded {}", keyring.group_name, keyring.loaded_at.format("%Y-%m-%d %H:%M UTC")));
    if now - keyring.loaded_at > FRESH_FOR {
        line(&mut out, "That was more than a day ago: nobody worked since, and most of it is missed by now.");
        line(&mut out, "For a history that ends now, start anew: seed-demo/run --fresh");
    }
    line(&mut out, "");
    for example in &keyring.examples {
        clinic(&mut out, keyring, example, &base);
    }
    manager(&mut out, keyring, &base);
    out
}

/// Shell assignments for one clinic, whose name holds `clinic`: BASE, CLINIC, CHAIR, and the keys DESK, TABLET, MANAGER and ADMIN.
pub(super) fn variables(keyring: &Keyring, listen: SocketAddr, clinic: &str) -> Option<String> {
    let Example { clinic_id, operatory_id, .. } = keyring.examples.iter().find(|e| e.clinic_name.contains(clinic))?;
    let manager = keyring.keys.iter().find(|k| k.role == Role::Manager)?;
    let administrator = keyring.keys.iter().find(|k| k.role == Role::Administrator)?;
    let assignments = [
        ("BASE", format!("http://{listen}")),
        ("CLINIC", clinic_id.to_string()),
        ("CHAIR", operatory_id.to_string()),
        ("DESK", keyring.token(Role::FrontDesk, *clinic_id)?.to_owned()),
        ("TABLET", keyring.token(Role::Chairside, *clinic_id)?.to_owned()),
        ("MANAGER", manager.token.clone()),
        ("ADMIN", administrator.token.clone()),
    ];
    Some(assignments.map(|(name, value)| format!("{name}={value}")).join("\n") + "\n")
}

fn line(out: &mut String, text: &str) {
    out.push_str(text);
    out.push('\n');
}

fn clinic(out: &mut String, keyring: &Keyring, example: &Example, base: &str) {
    let Example { clinic_id, operatory_id, .. } = example;
    let desk = keyring.token(Role::FrontDesk, *clinic_id).unwrap_or_default();
    let tablet = keyring.token(Role::Chairside, *clinic_id).unwrap_or_default();
    let post = |token: &str, path: String, body: &str| {
        format!(
            "curl -sS -X POST -H 'Authorization: Bearer {token}' -H 'Content-Type: application/json' \
             -d '{body}' {base}{path}"
        )
    };
    let post_once = |path: String| {
        let key = Uuid::new_v4();
        format!("{} -H 'Idempotency-Key: \"{key}\"'", post(desk, path, "{}"))
    };
    let get = |token: &str, path: String| format!("curl -sS -H 'Authorization: Bearer {token}' {base}{path}");

    line(out, &format!("# {} ({})", example.clinic_name, example.operatory_name));
    line(out, "# front desk: the day starts; a patient sits down; leaves, and turnover tasks fall due");
    line(out, &post(desk, format!("/v1/clinics/{clinic_id}/day-start"), "{}"));
    line(out, &post_once(format!("/v1/operatories/{operatory_id}/seated")));
    line(out, &post_once(format!("/v1/operatories/{operatory_id}/left")));
    line(out, "# tablet: what is due");
    line(out, &get(tablet, format!("/v1/operatories/{operatory_id}/due")));
    line(out, &get(tablet, format!("/v1/clinics/{clinic_id}/due")));
    if let Some(task) = &example.hold_task {
        hold(out, task, |path, body| post(tablet, path, body));
    }
    line(out, "");
}

fn hold(out: &mut String, task: &HoldTask, post: impl Fn(String, &str) -> String) {
    let hold_id = Uuid::new_v4();
    let task_id = task.task_id;
    let start = json!({ "hold_id": hold_id, "step": task.hold_step, "performed_by": "demo" }).to_string();
    let mut steps: Vec<_> = task.confirmations.iter().map(|step| json!({ "step": step, "status": "done" })).collect();
    steps.push(json!({ "step": task.hold_step, "status": "done", "hold_id": hold_id }));
    let completion = json!({
        "completion_id": Uuid::new_v4(), "task_id": task_id, "performed_at": "PERFORMED_AT",
        "performed_by": "demo", "steps": steps,
    });
    // Leaves the single quotes for the one value that is only known when the line is pasted.
    let completion = completion.to_string().replace("PERFORMED_AT", "'\"$(date -u +%Y-%m-%dT%H:%M:%SZ)\"'");
    let seconds = task.minimum_seconds;
    line(out, "# tablet: a timed hold starts and ends");
    line(out, &post(format!("/v1/tasks/{task_id}/holds"), &start));
    line(out, &post(format!("/v1/tasks/{task_id}/holds/{hold_id}/end"), r#"{"performed_by":"demo"}"#));
    line(out, &format!("# tablet: the completion; before {seconds} s it is kept as failed and the task stays open"));
    line(out, &post("/v1/completions".to_owned(), &completion));
}

fn manager(out: &mut String, keyring: &Keyring, base: &str) {
    let Some(key) = keyring.keys.iter().find(|k| k.role == Role::Manager) else { return };
    let token = &key.token;
    let get = |path: &str, more: &str| format!("curl -sS -H 'Authorization: Bearer {token}'{more} '{base}{path}'");
    line(out, "# manager: what is overdue over all clinics, as JSON and for a spreadsheet; counts by clinic");
    line(out, &get("/v1/overdue", ""));
    line(out, &get("/v1/overdue", " -H 'Accept: text/csv'"));
    let to = keyring.loaded_at.date_naive();
    let from = to - TimeDelta::days(i64::from(keyring.summary.days.min(28)));
    line(out, &get(&format!("/v1/summary?from={from}&to={to}"), ""));
    line(out, "");
    // Writing to a String cannot fail.
    let _ = writeln!(out, "# the API in a browser: {base}/docs");
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::demo::keyring::DemoKey;
    use crate::demo::summary::Summary;
    use crate::domain::access::Reach;

    fn keyring() -> Keyring {
        let clinic_id = Uuid::from_u128(1);
        let reach = Reach::Clinics { clinic_ids: vec![clinic_id] };
        let key = |role, reach: &Reach, token: &str| DemoKey {
            label: String::new(),
            role,
            reach: reach.clone(),
            token: token.to_owned(),
        };
        Keyring {
            group_id: Uuid::nil(),
            group_name: "Group".to_owned(),
            loaded_at: DateTime::from_timestamp(1_800_000_000, 0).expect("an instant"),
            keys: vec![
                key(Role::FrontDesk, &reach, "ct.desk"),
                key(Role::Chairside, &reach, "ct.tablet"),
                key(Role::Manager, &Reach::Group {}, "ct.manager"),
            ],
            examples: vec![Example {
                clinic_id,
                clinic_name: "Clinic".to_owned(),
                operatory_id: Uuid::from_u128(2),
                operatory_name: "Chair".to_owned(),
                hold_task: Some(HoldTask {
                    task_id: Uuid::from_u128(3),
                    hold_step: "run".to_owned(),
                    minimum_seconds: 180,
                    confirmations: vec!["quiet".to_owned()],
                }),
            }],
            summary: Summary::default(),
        }
    }

    // What counts is what a shell makes of a line, so a shell is asked.
    #[test]
    fn a_shell_reads_each_line_as_one_curl_with_a_body_that_is_json() {
        let keyring = keyring();
        let text = lines(&keyring, SocketAddr::from(([127, 0, 0, 1], 8080)), keyring.loaded_at);
        let mut bodies = 0;
        for line in text.lines().filter(|l| l.starts_with("curl ")) {
            let script = format!("curl() {{ printf '%s\\0' \"$@\"; }}\n{line}");
            let output = std::process::Command::new("sh").args(["-c", &script]).output().expect("a shell");
            assert!(output.status.success(), "{line}");
            let said = String::from_utf8(output.stdout).expect("text");
            let words: Vec<&str> = said.split_terminator('\0').collect();
            if let Some(at) = words.iter().position(|w| *w == "-d") {
                serde_json::from_str::<serde_json::Value>(words[at + 1]).expect("a JSON body");
                bodies += 1;
            }
            assert_eq!(words.iter().filter(|w| w.starts_with("http://127.0.0.1:8080/v1/")).count(), 1, "{line}");
        }
        assert_eq!(bodies, 6);
    }

    #[test]
    fn an_old_load_says_that_it_is_old() {
        let keyring = keyring();
        let at = |hours| keyring.loaded_at + TimeDelta::hours(hours);
        let listen = SocketAddr::from(([127, 0, 0, 1], 8080));
        assert!(!lines(&keyring, listen, at(23)).contains("--fresh"));
        assert!(lines(&keyring, listen, at(25)).contains("--fresh"));
    }
}
