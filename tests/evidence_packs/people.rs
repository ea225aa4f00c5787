//! Packs of one person: what that person recorded or signed, whoever else has or had the same initials.

use std::collections::BTreeSet;

use axum::http::StatusCode;
use serde_json::json;
use sqlx::PgPool;

use super::{ask, pack_of};
use crate::seals::{eventful_day, sealed_day, sealed_day_with};
use crate::support::app::App;
use crate::support::scenario::{self, Clinic};
use crate::support::{at, id};

fn ids(numbers: &[u32]) -> BTreeSet<String> {
    numbers.iter().map(|n| id(*n).to_string()).collect()
}

async fn person(clinic: &Clinic<'_>, n: u32, initials: &str, (from, until): (&str, Option<&str>)) {
    let mut body =
        json!({ "name": format!("Person {n}"), "initials": initials, "role": "assistant", "active_from": from });
    if let Some(until) = until {
        body["active_until"] = json!(until);
    }
    clinic.admin.put(&format!("/v1/staff/{}", id(n)), body).await.expect(201);
}

#[sqlx::test]
async fn initials_are_those_of_who_had_them_then(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T06:00:00Z")).await;
    let clinic = eventful_day(&app).await;
    // Another KV left before the one of that day came.
    person(&clinic, 750, "KV", ("2025-01-06", Some("2025-12-31"))).await;
    sealed_day_with(&app, &clinic, 1).await;
    let by_initials = [
        ("completions", "completion_id", vec![701, 702]),
        ("readings", "completion_id", vec![702]),
        ("holds", "hold_id", vec![700]),
        ("cycle_records", "cycle_id", vec![704]),
        ("corrective_action_steps", "record_id", vec![709]),
        ("lot_marks", "lot_id", vec![708]),
        ("quarantines", "quarantine_id", vec![707]),
    ];
    let theirs = pack_of(&clinic.manager, &format!("&staff_id={}", id(707))).await;
    let before = pack_of(&clinic.manager, &format!("&staff_id={}", id(750))).await;
    for (kind, column, expected) in &by_initials {
        assert_eq!(theirs.ids(kind, column), ids(expected), "{kind}");
        assert_eq!(before.ids(kind, column), ids(&[]), "{kind} of who had left");
    }
    // Named by id, and with another name beside it: the readings go with the completion.
    let sql = "update completion set staff_id = $1, performed_by = 'Kit' where completion_id = $2";
    sqlx::query(sql).bind(id(750)).bind(id(702)).execute(&pool).await.expect("the owner may");
    let named = pack_of(&clinic.manager, &format!("&staff_id={}", id(750))).await;
    assert_eq!(named.ids("completions", "completion_id"), ids(&[702]));
    assert_eq!(named.ids("readings", "completion_id"), ids(&[702]));
}

#[sqlx::test]
async fn a_pack_of_a_person_holds_what_that_person_signed_and_no_other_signature(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T06:00:00Z")).await;
    let clinic = eventful_day(&app).await;
    // 712 released, closed and signed the day; 715 began and lifted the hold, purged and lifted the notice.
    person(&clinic, 712, "MO", ("2026-01-05", None)).await;
    person(&clinic, 715, "NB", ("2026-01-05", None)).await;
    sealed_day_with(&app, &clinic, 2).await;
    for (who, kind, column, expected) in [
        (712, "corrective_actions", "action_id", vec![708]),
        (712, "quarantines", "quarantine_id", vec![707]),
        (712, "day_sign_offs", "signed_by_staff_id", vec![712]),
        (712, "day_explanations", "sign_off_id", vec![715]),
        (712, "legal_holds", "legal_hold_id", vec![]),
        (712, "purges", "purge_id", vec![]),
        (715, "legal_holds", "legal_hold_id", vec![715]),
        (715, "purges", "purge_id", vec![715]),
        (715, "water_advisories", "advisory_id", vec![715]),
        (715, "corrective_actions", "action_id", vec![]),
        (715, "day_sign_offs", "signed_by_staff_id", vec![]),
        (715, "day_explanations", "sign_off_id", vec![]),
        (715, "readings", "completion_id", vec![]),
    ] {
        let pack = pack_of(&clinic.manager, &format!("&staff_id={}", id(who))).await;
        assert_eq!(pack.ids(kind, column), ids(&expected), "{kind} of {who}");
    }
}

#[sqlx::test]
async fn who_works_elsewhere_now_is_still_told_of_where_the_records_are(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T06:00:00Z")).await;
    let clinic = eventful_day(&app).await;
    sealed_day(&app, &clinic).await;
    scenario::configure(clinic.admin.clone(), "Europe/London", 1).await;
    for (n, name, initials) in [(707, "Kit Vale", "KV"), (751, "Lee Moss", "LM")] {
        let body = json!({ "name": name, "initials": initials, "role": "assistant", "active_from": "2026-01-05",
                           "clinic_ids": [id(101)] });
        let put = clinic.admin.put(&format!("/v1/staff/{}", id(n)), body).await;
        assert!(put.status.is_success(), "{}", put.text);
    }
    let pack = pack_of(&clinic.manager, &format!("&staff_id={}", id(707))).await;
    assert_eq!(pack.ids("completions", "completion_id"), ids(&[701, 702]));
    assert_eq!(pack.ids("staff", "staff_id"), ids(&[707]));
    let whole = pack_of(&clinic.manager, "").await;
    assert!(whole.ids("staff", "staff_id").contains(&id(707).to_string()));
    // Who never was here is not told of.
    assert!(!whole.ids("staff", "staff_id").contains(&id(751).to_string()));
    let path = format!("/v1/clinics/{}/evidence-pack?from=2026-11-02&to=2026-11-03&staff_id={}", id(100), id(751));
    assert_eq!(ask(&clinic.manager, &path).await.status(), StatusCode::NOT_FOUND);
}
