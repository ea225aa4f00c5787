//! Proofs as they are served, checked without the service: by the command and by a script in another language.

use std::path::PathBuf;
use std::process::{Command, Output};

use chairtide::domain::seal::ChainHead;
use chairtide::domain::seal::proof::check_proof;
use chairtide::jobs::sealer;
use serde_json::{Value, json};
use sqlx::PgPool;

use crate::seals::{eventful_day, sealed_day};
use crate::support::app::App;
use crate::support::{at, id};

fn command(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_chairtide")).args(arguments).output().expect("the program runs")
}

fn script(file: &str) -> Output {
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/seed-demo/check_proof.py");
    Command::new("python3").args([script, file]).output().expect("python3 is installed")
}

#[sqlx::test]
async fn proofs_over_http_are_checked_by_the_command_and_by_a_script_without_the_service(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T06:00:00Z")).await;
    let clinic = eventful_day(&app).await;
    let here = format!("/v1/clinics/{}", clinic.clinic_id);
    let proof_of = |kind: &str, record: &str| format!("{here}/record-proof?kind={kind}&record_id={record}");
    let of_completion = proof_of("completion", &id(701).to_string());
    let refused = clinic.manager.get(&of_completion).await.expect(409);
    assert_eq!(refused["type"], "/problems/not-sealed-yet", "{refused}");
    sealed_day(&app, &clinic).await;
    let old = clinic.manager.get(&format!("{here}/chain-head")).await.expect(200);
    app.set(at("2026-11-05T12:00:00Z"));
    sealer::tick(&pool, &app.clock).await.expect("it ticks");
    let head = clinic.manager.get(&format!("{here}/chain-head")).await;
    let folder = tempfile::tempdir().expect("a folder");
    let keep = |name: &str, text: &str| {
        let file: PathBuf = folder.path().join(name);
        std::fs::write(&file, text).expect("a file");
        file.to_str().expect("a path").to_owned()
    };
    let head_file = keep("head.json", &head.text);
    let head: ChainHead = serde_json::from_value(head.expect(200)).expect("a head");
    let head_text = format!("{}:{}", head.size, head.root);

    let step = format!("{}%2Fflush%3Asyringe", id(701));
    let mark: String =
        sqlx::query_scalar("select mark_id::text from seating_mark limit 1").fetch_one(&pool).await.expect("a mark");
    for (kind, record) in [
        ("completion", id(701).to_string()),
        ("step_result", step),
        ("hold_mark", format!("{}/end", id(700))),
        ("day_mark", "2026-11-02/start".to_owned()),
        ("seating_mark", mark),
        ("cycle_mark", id(704).to_string()),
        ("presence_mark", "2026-11-02/1".to_owned()),
        ("site_event", id(706).to_string()),
        ("site_event_withdrawal", id(706).to_string()),
    ] {
        let answer = clinic.manager.get(&proof_of(kind, &record)).await;
        answer.expect(200);
        assert_eq!(check_proof(&answer.text), Ok(head), "{kind}");
        let file = keep("proof.json", &answer.text);
        for wanted in [&head_file, &head_text] {
            let output = command(&["proof", "check", &file, "--head", wanted]);
            assert!(output.status.success(), "{kind}: {}", String::from_utf8_lossy(&output.stderr));
            let said = String::from_utf8(output.stdout).expect("text");
            assert!(said.contains(kind) && said.contains(&head_text), "{said}");
        }
        let output = script(&file);
        let said: Value = serde_json::from_slice(&output.stdout).expect("a head");
        assert_eq!((output.status.success(), said), (true, json!(head)), "{kind}");
        // Another head, or another word in the record: it proves nothing.
        let other = format!("{}:{}", head.size + 1, head.root);
        assert_eq!(command(&["proof", "check", &file, "--head", &other]).status.code(), Some(1));
        let file = keep("edited.json", &answer.text.replace("2026-11-02", "2026-11-01"));
        assert_eq!(command(&["proof", "check", &file]).status.code(), Some(1), "{kind}");
        assert!(!script(&file).status.success(), "{kind}");
    }
    let answer = clinic.manager.get(&format!("{here}/consistency-proof?old_size=1")).await;
    assert_eq!((&answer.expect(200)["old_head"], check_proof(&answer.text)), (&old, Ok(head)));
    let file = keep("grown.json", &answer.text);
    assert!(
        command(&["proof", "check", &file, "--head", &head_text]).status.success() && script(&file).status.success()
    );
    for (path, status, pointer) in [
        (format!("{here}/consistency-proof?old_size=0"), 422, "/old_size"),
        (format!("{here}/consistency-proof?old_size=4"), 422, "/old_size"),
        (format!("{here}/consistency-proof?old_size=3&size=2"), 422, "/old_size"),
        (format!("{of_completion}&size=9"), 422, "/size"),
    ] {
        let refused = clinic.manager.get(&path).await;
        refused.expect(status);
        assert_eq!(refused.pointers(), [pointer], "{path}");
    }
    clinic.manager.get(&proof_of("completion", &id(9).to_string())).await.expect(404);
    clinic.manager.get(&proof_of("task", &id(701).to_string())).await.expect(404);
    clinic.manager.get(&proof_of("completion", "%00")).await.expect(404);
    sqlx::query("update completion set note = 'edited'").execute(&pool).await.expect("the owner may");
    let refused = clinic.manager.get(&of_completion).await.expect(409);
    assert_eq!(refused["type"], "/problems/not-as-sealed");
}
