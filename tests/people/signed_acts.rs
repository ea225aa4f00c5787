//! Acts that a person tells of by initials, or signs for with a PIN of their own.

use serde_json::{Value, json};
use sqlx::{AssertSqlSafe, PgPool};

use super::{give_pin, kit, person, put_person, refused_for};
use crate::support::app::App;
use crate::support::scenario::{self, Clinic};
use crate::support::{at, id};

const PIN: &str = "4711";

/// An act: where it is put, what it says beside who tells it, under which name that stands, and what keeps it.
struct Act {
    path: String,
    body: Value,
    teller: &'static str,
    table: &'static str,
    /// Of an answer: where it says who it was.
    told: &'static str,
}

async fn acts(clinic: &Clinic<'_>) -> Vec<Act> {
    let steriliser = clinic.steriliser;
    let fluid = crate::products::product("Line fluid", false, "7");
    clinic.admin.put(&format!("/v1/products/{}", id(261)), fluid).await.expect(201);
    let lot =
        json!({ "product_id": id(261), "clinic_id": clinic.clinic_id, "lot_number": "A1", "expires_on": "2027-11-30" });
    clinic.tablet.put(&format!("/v1/lots/{}", id(262)), lot).await.expect(201);
    let act = |path: String, body: Value, teller, table, told| Act { path, body, teller, table, told };
    vec![
        act(
            format!("/v1/quarantines/{}", id(870)),
            json!({ "subject_id": clinic.chair, "reason": "a hose drips" }),
            "begun_by",
            "quarantine",
            "/staff_id",
        ),
        act(
            format!("/v1/corrective-actions/{}", id(871)),
            json!({ "subject_id": clinic.chair, "kind": "wrong_or_expired_product", "reason": "a bottle without a label was used" }),
            "opened_by",
            "corrective_action",
            "/staff_id",
        ),
        act(
            format!("/v1/lots/{}/opened", id(262)),
            json!({ "opened_at": "2026-11-02T07:45:00Z" }),
            "performed_by",
            "lot_mark",
            "/marks/0/staff_id",
        ),
        act(
            format!("/v1/equipment/{steriliser}/cycles/{}/record", id(872)),
            json!({ "csv": "elapsed_seconds,temperature_celsius\n0,134\n180,134.4\n" }),
            "performed_by",
            "cycle_record",
            "/staff_id",
        ),
        act(
            format!("/v1/water-advisories/{}", id(873)),
            json!({ "authority": "Saltmarrow Water", "started_at": "2026-11-02T07:15:00Z", "clinic_ids": [clinic.clinic_id] }),
            "opened_by",
            "water_advisory",
            "/staff_id",
        ),
    ]
}

#[sqlx::test]
async fn whoever_tells_of_something_signs_for_it_or_is_named_and_a_repeat_changes_nothing(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T08:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    put_person(&clinic.admin, kit(), person("KV", "assistant")).await.expect(201);
    give_pin(&clinic.admin, kit(), PIN).await;
    let signature = |pin: &str| json!({ "staff_id": kit(), "pin": pin });
    for Act { path, body, teller, table, told } in acts(&clinic).await {
        let with = |initials: Option<&str>, signature: Option<Value>| {
            let mut body = body.clone();
            if let Some(initials) = initials {
                body[teller] = json!(initials);
            }
            if let Some(signature) = signature {
                body["signature"] = signature;
            }
            body
        };
        let pointer = vec![format!("/{teller}")];
        for odd in [with(None, None), with(Some("KV"), Some(signature(PIN)))] {
            let refused = clinic.tablet.put(&path, odd).await;
            assert_eq!((refused.status.as_u16(), refused.pointers()), (422, pointer.clone()), "{path}");
        }
        let wrong = refused_for(&clinic.tablet.put(&path, with(None, Some(signature("1174")))).await);
        assert!(wrong.contains("the PIN is wrong"), "{wrong}");
        let answer = clinic.tablet.put(&path, with(None, Some(signature(PIN)))).await.expect(201);
        assert_eq!(answer.pointer(told), Some(&json!(kit())), "{path}: {answer}");
        clinic.tablet.put(&path, with(None, Some(signature(PIN)))).await.expect(200);
        let sql = format!("select staff_id from {table}");
        let kept: Vec<Option<uuid::Uuid>> =
            sqlx::query_scalar(AssertSqlSafe(sql)).fetch_all(&pool).await.expect("the owner reads everything");
        assert_eq!(kept, [Some(kit())], "{table}");
    }
    let verified = clinic.manager.get(&format!("/v1/clinics/{}/verification", clinic.clinic_id)).await.expect(200);
    assert_eq!(verified["findings"], json!([]));
}
