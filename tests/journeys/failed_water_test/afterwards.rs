//! What is left of it: seals that hold, and rows that tell other systems the same.

use chairtide::jobs::sealer;
use chairtide::store::reporting;
use serde_json::{Value, json};
use sqlx::{AssertSqlSafe, ConnectOptions as _, PgConnection, PgPool};
use uuid::Uuid;

use super::practice::RECALLED_LOT;
use crate::support::id;
use crate::support::scenario::Clinic;

/// Seals each day that is over, and has every record of theirs compared with what was sealed.
pub(super) async fn every_day_is_as_it_was_sealed(clinic: &Clinic<'_>) {
    let app = clinic.admin.app;
    let report = sealer::seal(&app.pool, &app.clock).await.expect("it seals");
    assert_eq!(report.failed, 0);
    let here = format!("/v1/clinics/{}", clinic.clinic_id);
    // The story lasts seven weeks, and 31 days are looked at in one answer.
    for (from, until) in [("2026-11-02", "2026-12-01"), ("2026-12-02", "2026-12-17")] {
        let path = format!("{here}/verification?from={from}&until={until}");
        let check = clinic.manager.get(&path).await.expect(200);
        assert_eq!(check["findings"], json!([]), "{check}");
        assert!(check["days_checked"].as_u64() > Some(15), "{check}");
    }
}

/// Reads `reporting` as a login of the group, and nothing else.
pub(super) async fn other_systems_are_told_the_same(pool: &PgPool, clinic: &Clinic<'_>, action: &str) {
    let login = format!("manager_{}", Uuid::new_v4().simple());
    sqlx::query(AssertSqlSafe(format!("create role {login} login"))).execute(pool).await.expect("a login");
    let mut owner = pool.acquire().await.expect("a connection");
    reporting::grant_login(&mut owner, id(1), &login).await.expect("let in");
    let options = (*pool.connect_options()).clone().username(&login);
    let mut reader = options.connect().await.expect("the login connects");

    let bottles = "select lines, qualifier, cfu_per_ml::text, kept, pool_finding from reporting.water_results
                   order by drawn_on, completion_id, bottle";
    let expected = json!([
        { "lines": ["handpiece-1", "syringe"], "qualifier": "eq", "cfu_per_ml": "300", "kept": true,
          "pool_finding": "open_for_each_line" },
        { "lines": ["handpiece-1"], "qualifier": "eq", "cfu_per_ml": "510", "kept": false, "pool_finding": null },
        { "lines": ["syringe"], "qualifier": "lt", "cfu_per_ml": "10", "kept": true, "pool_finding": null },
        { "lines": ["handpiece-1"], "qualifier": "eq", "cfu_per_ml": "500", "kept": true, "pool_finding": null },
        { "lines": ["syringe"], "qualifier": "lt", "cfu_per_ml": "10", "kept": true, "pool_finding": null },
        // The three that left a line out.
        { "lines": ["syringe"], "qualifier": "lt", "cfu_per_ml": "10", "kept": true, "pool_finding": null },
        { "lines": ["handpiece-1", "syringe"], "qualifier": "eq", "cfu_per_ml": "10", "kept": true,
          "pool_finding": "every_line_within" },
        { "lines": ["handpiece-1"], "qualifier": "lt", "cfu_per_ml": "10", "kept": true, "pool_finding": null },
        { "lines": ["handpiece-1"], "qualifier": "eq", "cfu_per_ml": "40", "kept": true, "pool_finding": null },
        { "lines": ["syringe"], "qualifier": "lt", "cfu_per_ml": "10", "kept": true, "pool_finding": null },
    ]);
    assert_eq!(rows(&mut reader, bottles).await, expected);

    let actions =
        "select kind, cause, next_step, closed_by, grounds from reporting.corrective_actions order by opened_at";
    let closed = |kind: &str, cause: &str, by: &str| json!({ "kind": kind, "cause": cause, "next_step": null, "closed_by": by, "grounds": "steps_recorded" });
    assert_eq!(
        rows(&mut reader, actions).await,
        json!([
            closed("water_over_limit", "completion", "Sunniva Quill"),
            closed("wrong_or_expired_product", "completion", "Kofi Vale"),
            closed("wrong_or_expired_product", "lot", "Kofi Vale"),
        ])
    );
    let steps = format!(
        "select step_key, performed_by, result from reporting.corrective_action_steps where action_id = '{action}'
         order by performed_at, recorded_at"
    );
    let told: Vec<String> = rows(&mut reader, &steps)
        .await
        .as_array()
        .expect("rows")
        .iter()
        .map(|row| format!("{} {} {}", row["step_key"], row["performed_by"], row["result"]).replace('"', ""))
        .collect();
    assert_eq!(
        told,
        [
            "stop IB null",
            "decide-use KV null",
            "look-for-cause MO null",
            "disinfect IB null",
            "retest IB passed",
            "follow-up-test IB passed",
            "look-at-trend MO null"
        ]
    );
    let out = format!("select cause, released_by, released_at from reporting.quarantines where cause_id = '{action}'");
    assert_eq!(
        rows(&mut reader, &out).await,
        json!([{ "cause": "corrective_action", "released_by": "Mara Oduya",
                 "released_at": "2026-11-30T14:00:00+00:00" }])
    );
    let uses = format!("select verdict from reporting.lot_uses where lot_id = '{}'", id(RECALLED_LOT));
    assert_eq!(rows(&mut reader, &uses).await, json!([{ "verdict": "failed" }]));

    drop(reader);
    sqlx::query(AssertSqlSafe(format!("drop owned by {login}"))).execute(&mut *owner).await.expect("nothing left");
    sqlx::query(AssertSqlSafe(format!("drop role {login}"))).execute(&mut *owner).await.expect("gone");
    drop(owner);
    // What the manager is shown over the API is the same lot's one use, by which it may not pass.
    let uses = clinic.manager.get(&format!("/v1/lots/{}/uses", id(RECALLED_LOT))).await.expect(200);
    assert_eq!(uses["items"].as_array().map(Vec::len), Some(1), "{uses}");
}

async fn rows(reader: &mut PgConnection, query: &str) -> Value {
    sqlx::query("set time zone 'UTC'").execute(&mut *reader).await.expect("set");
    let sql = format!("select to_jsonb(q) from ({query}) q");
    let rows: Vec<Value> = sqlx::query_scalar(AssertSqlSafe(sql)).fetch_all(reader).await.expect("readable");
    Value::Array(rows)
}
