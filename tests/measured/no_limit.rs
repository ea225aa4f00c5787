//! A value whose limits are none in force is kept, told of, and proves nothing.

use chrono::TimeDelta;
use serde_json::{Value, json};
use sqlx::PgPool;

use super::{MONDAY, at_most_500, due_with, send};
use crate::support::app::{Answer, App};
use crate::support::scenario;
use crate::support::{at, id};

fn steps(until: Option<&str>) -> Value {
    let mut limit = at_most_500(false);
    if let Some(until) = until {
        limit["effective_until"] = json!(until);
    }
    json!([{ "key": "count", "instruction": "Read it.", "evidence": {
        "kind": "reading", "unit": "[CFU]/mL", "limits": [limit], "on_failure": "record" } }])
}

fn count(value: &str) -> Value {
    json!({ "step": "count", "status": "done", "reading": { "qualifier": "eq", "value": value, "unit": "[CFU]/mL" } })
}

#[sqlx::test]
async fn a_value_that_no_limit_judged_is_on_the_leads_list_and_in_what_others_read(pool: PgPool) {
    let app = App::new(pool.clone(), at(MONDAY)).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let over = due_with(&clinic, 901, "operatory", &steps(Some("2026-11-01"))).await;
    let kept = send(&clinic, 911, &over, count("900000")).await;
    assert_eq!((&kept["verdict"], &kept["steps"][0]["no_limit_in_force"]), (&json!("passed"), &json!(true)));
    assert_eq!((&kept["flags"][0]["flag"], &kept["steps"][0]["limits"]), (&json!("no_limit_in_force"), &Value::Null));
    let finding = kept["findings"][0]["finding"].as_str().expect("a finding");
    assert!(finding.contains("no limit is in force here on 2026-11-02"), "{finding}");
    // One that is in force to the day judges, and one that a step never had is nobody's question.
    let last_day = due_with(&clinic, 902, "operatory", &steps(Some("2026-11-02"))).await;
    let judged = send(&clinic, 912, &last_day, count("900000")).await;
    assert_eq!(
        (&judged["verdict"], &judged["flags"], &judged["steps"][0]["no_limit_in_force"]),
        (&json!("failed"), &json!([]), &Value::Null)
    );
    let mut plain = steps(None);
    plain[0]["evidence"]["limits"] = json!([]);
    let never = due_with(&clinic, 903, "operatory", &plain).await;
    assert_eq!(send(&clinic, 913, &never, count("900000")).await["flags"], json!([]));

    let list = clinic.manager.get("/v1/entries-to-review?flag=no_limit_in_force").await.expect(200);
    let listed: Vec<&Value> = list["items"].as_array().expect("a list").iter().map(|i| &i["completion_id"]).collect();
    assert_eq!(listed, [&json!(id(911))]);
    let day = clinic.manager.get(&format!("/v1/clinics/{}/days/2026-11-02/review", clinic.clinic_id)).await.expect(200);
    assert_eq!(day["entries_to_review"][0]["flags"][0]["flag"], "no_limit_in_force", "{day}");
    app.advance(TimeDelta::minutes(20));
    let read = clinic.manager.get("/v1/exports/readings?limit=10").await;
    let rows = read.text.lines().map(|line| serde_json::from_str::<Value>(line).expect("a line of JSON"));
    let told: Vec<(Value, Value)> =
        rows.map(|row| (row["completion_id"].clone(), row["no_limit_in_force"].clone())).collect();
    assert_eq!(told, [(911, true), (912, false), (913, false)].map(|(n, none)| (json!(id(n)), json!(none))));
}

/// What is answered to a retest of 40 CFU/mL, judged by at most 500 that is in force until a day.
async fn retested(pool: PgPool, until: Option<&str>) -> Answer {
    let app = App::new(pool, at(MONDAY)).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let task = due_with(&clinic, 901, "operatory", &steps(until)).await;
    let opened = json!({ "subject_id": clinic.chair, "kind": "temperature_out_of_range", "routine_id": id(901),
                         "reason": "measured again", "opened_by": "MO" });
    let path = format!("/v1/corrective-actions/{}", id(950));
    clinic.tablet.put(&path, opened).await.expect(201);
    app.advance(TimeDelta::minutes(5));
    assert_eq!(send(&clinic, 911, &task, count("40")).await["verdict"], "passed");
    let record = json!({ "record_id": id(951), "performed_at": app.clock.now(), "performed_by": "IB",
                         "completion_id": id(911) });
    clinic.tablet.put(&format!("{path}/steps/retest"), record).await
}

/// A retest with no limit in force would release a unit on nothing: it is no decided test.
#[sqlx::test]
async fn a_retest_that_no_limit_judged_decides_nothing(pool: PgPool) {
    let refused = retested(pool, Some("2026-11-01")).await.expect(409);
    assert_eq!(refused["type"], "/problems/tests-missing");
}

#[sqlx::test]
async fn a_retest_that_a_limit_in_force_judged_is_taken(pool: PgPool) {
    retested(pool, Some("2026-11-02")).await.expect(201);
}
