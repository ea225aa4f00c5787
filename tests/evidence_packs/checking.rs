//! The checker that lies in a pack, run by whoever received it.

use std::fs;
use std::process::Command;

use serde_json::{Value, json};
use sha2::{Digest as _, Sha256};
use sqlx::PgPool;

use super::{Opened, pack_of};
use crate::seals::{eventful_day, sealed_day};
use crate::support::app::App;
use crate::support::at;

/// What the checker prints about the unpacked folder, and whether it ends well.
fn checked(pack: &Opened) -> (bool, String) {
    let output = Command::new("python3").arg(pack.folder.path().join("check_pack.py")).env_clear().output();
    let output = output.expect("python3 is installed");
    assert_eq!(String::from_utf8_lossy(&output.stderr), "");
    (output.status.success(), String::from_utf8_lossy(&output.stdout).into_owned())
}

/// Writes a file and makes the manifest fit, as somebody would who wants it unseen.
fn forge(pack: &Opened, path: &str, content: &str) {
    fs::write(pack.folder.path().join(path), content).expect("written");
    let mut manifest: Value = serde_json::from_str(&pack.read("manifest.json")).expect("JSON");
    for file in manifest["files"].as_array_mut().expect("a list") {
        if file["path"] == path {
            let hash = Sha256::digest(content.as_bytes());
            file["sha256"] = json!(data_encoding::HEXLOWER.encode(&hash));
            file["bytes"] = json!(content.len());
        }
    }
    fs::write(pack.folder.path().join("manifest.json"), manifest.to_string()).expect("written");
}

#[sqlx::test]
async fn a_pack_is_checked_by_the_script_within_it(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T06:00:00Z")).await;
    let clinic = eventful_day(&app).await;
    let unsealed = pack_of(&clinic.manager, "").await;
    let (well, said) = checked(&unsealed);
    assert!(well && said.contains("no day of this pack is sealed"), "{said}");

    sealed_day(&app, &clinic).await;
    let pack = pack_of(&clinic.manager, "").await;
    let head = clinic.manager.get(&format!("/v1/clinics/{}/chain-head", clinic.clinic_id)).await.expect(200);
    let (well, said) = checked(&pack);
    assert!(well && said.contains("1 proofs, 3 completions, 3 of them vouched for by a seal"), "{said}");
    assert_eq!(serde_json::from_str::<Value>(said.lines().last().expect("a head")).expect("JSON"), head);

    // A byte, a file more, a file less.
    let csv = pack.read("csv/completions.csv");
    for (path, content) in [("csv/completions.csv", csv.replacen("KV", "KW", 1)), ("csv/more.csv", "x".to_owned())] {
        let before = fs::read(pack.folder.path().join(path)).ok();
        fs::write(pack.folder.path().join(path), content).expect("written");
        let (well, said) = checked(&pack);
        assert!(!well && said.contains(&format!("DIFFERS: {path}")), "{said}");
        match before {
            Some(bytes) => fs::write(pack.folder.path().join(path), bytes).expect("written"),
            None => fs::remove_file(pack.folder.path().join(path)).expect("removed"),
        }
    }
    // Whoever makes the manifest fit is found by the proofs, which they cannot make fit.
    let lines = pack.read("json/completions.ndjson");
    let manifest = pack.read("manifest.json");
    let without_first = lines.split_once('\n').expect("lines").1.to_owned();
    for (path, from, to, differs) in [
        ("csv/completions.csv", &csv, csv.replacen("KV", "KW", 1), "performed_by is not as in json"),
        (
            "json/completions.ndjson",
            &lines,
            lines.replacen("\"KV\"", "\"KW\"", 1),
            "performed_by is not as it was sealed",
        ),
        ("json/completions.ndjson", &lines, without_first, "was sealed and is missing"),
    ] {
        assert_ne!(*from, to);
        forge(&pack, path, &to);
        let (well, said) = checked(&pack);
        assert!(!well && said.contains(differs) && !said.contains("manifest says"), "{said}");
        fs::write(pack.folder.path().join(path), from).expect("written");
        fs::write(pack.folder.path().join("manifest.json"), &manifest).expect("written");
    }
    assert!(checked(&pack).0, "as it was");

    sqlx::query("update completion set note = 'edited'").execute(&pool).await.expect("the owner may");
    let (well, said) = checked(&pack_of(&clinic.manager, "").await);
    assert!(!well && said.contains("the service says: 2026-11-02: completion"), "{said}");
}
