//! Readings that a step wants a week apart: several of one afternoon are one.

use serde_json::{Value, json};
use sqlx::PgPool;

use super::{kind_of, only_open, people, record, step};
use crate::support::app::App;
use crate::support::scenario::{self, Clinic};
use crate::support::{at, id};

/// A tap of the chair, each day; hot water at 50 °C or more: HSE, sample recording sheets for L8 / HSG274 part 2, read.
fn hot_tap() -> Value {
    let hse = json!({ "title": "HSE, sample recording sheets for L8 / HSG274 part 2", "edition": "not stated",
                      "locator": "monthly sentinel temperatures", "seen": "read" });
    json!({
        "name": "Sentinel temperature", "subject_kind": "operatory", "on_fail": "temperature_out_of_range",
        "anchor": { "kind": "calendar", "dates": { "rule": "FREQ=DAILY", "starts_on": "2026-01-05" },
                    "place": { "kind": "opening" }, "closed_day": "not_required" },
        "window": { "may_start_minutes": 0, "due_by_minutes": 480, "overdue_minutes": 960, "missed_minutes": 7200 },
        "steps": [{ "key": "hot", "instruction": "Read the hot tap.",
                    "evidence": { "kind": "reading", "unit": "Cel", "on_failure": "record",
                                  "limits": [{ "operator": "ge", "value": "50", "unit": "Cel", "source": hse }] } }],
        "sources": [hse], "rough_minutes": 5,
    })
}

/// The tasks of that routine that are due, the action's own and the day's.
async fn due(clinic: &Clinic<'_>) -> (Vec<Value>, Vec<Value>) {
    let list = clinic.tablet.get(&format!("/v1/clinics/{}/due", clinic.clinic_id)).await.expect(200);
    let tasks = list["tasks"].as_array().expect("a list").iter().filter(|t| t["routine_id"] == json!(id(906))).cloned();
    tasks.partition(|task| task["because"]["fact"]["kind"] == "wanted_test")
}

async fn read(clinic: &Clinic<'_>, n: u32, task: &Value, value: &str) -> Value {
    let body = json!({
        "completion_id": id(n), "task_id": task["task_id"], "performed_at": clinic.admin.app.clock.now(),
        "performed_by": "IB",
        "steps": [{ "step": "hot", "status": "done",
                    "reading": { "qualifier": "eq", "value": value, "unit": "Cel" } }],
    });
    clinic.tablet.post("/v1/completions", body).await.expect(201)
}

/// Weekly until four are in range: common practice, no source.
#[sqlx::test]
async fn four_readings_in_range_lie_six_days_apart_and_the_next_is_asked_for_from_then_on(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T06:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    people(&clinic).await;
    let body = json!({ "effective_on": "2026-11-01", "routine": hot_tap() });
    clinic.admin.put(&format!("/v1/routines/{}", id(906)), body).await.expect(201);
    let newest_of_the_day = async |now: &str| {
        app.set(at(now));
        app.plan().await;
        let (_, planned) = due(&clinic).await;
        planned.into_iter().max_by_key(|t| t["due_by"].as_str().map(str::to_owned)).expect("a task of the day")
    };
    let failing = newest_of_the_day("2026-11-02T10:00:00Z").await;
    read(&clinic, 830, &failing, "45").await;
    let item = only_open(&clinic).await;
    app.set(at("2026-11-02T11:00:00Z"));
    let (again, _) = due(&clinic).await;
    read(&clinic, 831, &again[0], "46").await;
    let retest = record(&clinic, 810, &json!({ "completion_id": id(831) }));
    assert_eq!(step(&clinic, &item, "retest", retest).await.expect(201)["result"], "failed");
    let report = record(&clinic, 811, &json!({ "reference": "report 4" }));
    step(&clinic, &item, "adjust", report).await.expect(201);

    // On one afternoon: the action's own reading, and that of the day which is read beside it.
    app.set(at("2026-11-02T12:00:00Z"));
    let (wanted, _) = due(&clinic).await;
    assert_eq!((wanted.len(), &wanted[0]["due_by"]), (1, &json!("2026-11-08T11:00:00Z")), "{wanted:?}");
    read(&clinic, 832, &wanted[0], "55").await;
    let beside = newest_of_the_day("2026-11-03T12:00:00Z").await;
    read(&clinic, 833, &beside, "56").await;
    let counted = async || {
        let action = super::action(&clinic, &item).await;
        let steps = action["steps"].as_array().expect("steps").clone();
        steps.into_iter().find(|s| s["key"] == "four-in-range").expect("a step")
    };
    let weekly = counted().await;
    assert_eq!(
        (&weekly["tests_passed"], &weekly["next_test_counts_from"]),
        (&json!(1), &json!("2026-11-08T12:00:00Z")),
        "{weekly}"
    );
    assert!(weekly["tests_left_out"].to_string().contains("2026-11-03T12:00:00Z is too early"), "{weekly}");
    let refused = step(&clinic, &item, "four-in-range", record(&clinic, 812, &json!({}))).await;
    assert_eq!(kind_of(&refused), "/problems/tests-missing");
    assert!(refused.text.contains("1 so far, and the next counts from 2026-11-08T12:00:00Z on"), "{}", refused.text);

    // From then on it is asked for, once.
    for (i, day) in (0..).zip(["2026-11-09", "2026-11-16", "2026-11-23"]) {
        app.set(at(&format!("{day}T11:59:00Z")));
        app.plan().await;
        app.set(at(&format!("{day}T12:30:00Z")));
        let (wanted, _) = due(&clinic).await;
        assert_eq!(wanted.len(), 1, "{day}: {wanted:?}");
        let early = step(&clinic, &item, "four-in-range", record(&clinic, 812, &json!({}))).await;
        assert_eq!(kind_of(&early), "/problems/tests-missing", "{day}");
        read(&clinic, 840 + i, &wanted[0], "55").await;
        assert_eq!(counted().await["tests_passed"], json!(i + 2), "{day}");
    }
    let recorded = step(&clinic, &item, "four-in-range", record(&clinic, 812, &json!({}))).await.expect(201);
    assert_eq!((&recorded["result"], &recorded["completion_id"]), (&json!("passed"), &json!(id(842))));
}
