//! Water over its limit: retests in their windows, before and after a repair.

use chrono::TimeDelta;
use serde_json::{Value, json};
use sqlx::PgPool;

use super::{CLINICIAN, LEAD, action, close, kind_of, only_open, people, record, release, step};
use crate::support::app::App;
use crate::support::line_work;
use crate::support::scenario::{self, Clinic};
use crate::support::{at, id};

/// A water test of the chair, each Monday; at most 500 CFU/mL: CDC, MMWR 52(RR-17) 2003, rec. VII.A, read.
fn water_test() -> Value {
    let cdc = json!({ "title": "CDC, MMWR 52(RR-17)", "edition": "2003", "locator": "rec. VII.A", "seen": "read" });
    json!({
        "name": "Water test", "subject_kind": "operatory", "on_fail": "water_over_limit",
        "anchor": { "kind": "calendar", "dates": { "rule": "FREQ=MONTHLY;BYDAY=1MO", "starts_on": "2026-01-05" },
                    "place": { "kind": "opening" }, "closed_day": "next_open_day" },
        "window": { "may_start_minutes": 0, "due_by_minutes": 480, "overdue_minutes": 960, "missed_minutes": 7200 },
        "steps": [{ "key": "count", "instruction": "Read the laboratory's count.",
                    "evidence": { "kind": "reading", "unit": "[CFU]/mL", "on_failure": "record",
                                  "result_may_follow": true,
                                  "limits": [{ "operator": "le", "value": "500", "unit": "[CFU]/mL", "source": cdc }] } }],
        "sources": [cdc], "rough_minutes": 10,
    })
}

async fn test(clinic: &Clinic<'_>, n: u32, count: &str) -> Value {
    let task = clinic.due_in_clinic(id(905)).await;
    let body = read(clinic, n, &task, count);
    clinic.tablet.post("/v1/completions", body).await.expect(201);
    task
}

fn read(clinic: &Clinic<'_>, n: u32, task: &Value, count: &str) -> Value {
    json!({
        "completion_id": id(n), "task_id": task["task_id"], "performed_at": clinic.admin.app.clock.now(),
        "performed_by": "IB",
        "steps": [{ "step": "count", "status": "done",
                    "reading": { "qualifier": "eq", "value": count, "unit": "[CFU]/mL" } }],
    })
}

/// WAC 246-817-660, effective 2021-01-23, read: a test 5 to 10 days after the work, and again 21 to 28 days later.
#[sqlx::test]
async fn a_unit_over_its_limit_is_retested_in_its_windows_released_and_out_of_use_again_if_the_follow_up_fails(
    pool: PgPool,
) {
    let app = App::new(pool, at("2026-11-02T06:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    people(&clinic).await;
    let body = json!({ "effective_on": "2026-11-01", "routine": water_test() });
    clinic.admin.put(&format!("/v1/routines/{}", id(905)), body).await.expect(201);
    app.plan().await;
    app.set(at("2026-11-02T09:00:00Z"));
    test(&clinic, 830, "501").await;
    let item = only_open(&clinic).await;
    let work = line_work::set(&clinic).await;
    for (n, key) in [(810, "stop"), (811, "decide-use"), (812, "look-for-cause")] {
        app.advance(TimeDelta::minutes(5));
        step(&clinic, &item, key, record(&clinic, n, &json!({}))).await.expect(201);
    }
    // Somebody's word is no disinfection, nor is one that was cut short.
    work.disinfect(&clinic, 891, 599).await;
    app.advance(TimeDelta::minutes(5));
    let word = step(&clinic, &item, "disinfect", record(&clinic, 813, &json!({}))).await;
    assert_eq!((word.status.as_u16(), kind_of(&word).as_str()), (409, "/problems/work-missing"), "{}", word.text);
    let done = work.disinfect(&clinic, 892, 600).await;
    let recorded = step(&clinic, &item, "disinfect", record(&clinic, 813, &json!({}))).await.expect(201);
    assert_eq!(recorded["completion_id"], json!(done));
    // The retest is on the list of what is due from the fifth day on.
    let listed = async || clinic.tablet.get(&format!("/v1/clinics/{}/due", clinic.clinic_id)).await.expect(200);
    assert!(!listed().await.to_string().contains("Water test"));
    app.advance(TimeDelta::days(5));
    test(&clinic, 831, "500").await;
    let retest = record(&clinic, 814, &json!({ "completion_id": id(831) }));
    assert_eq!(step(&clinic, &item, "retest", retest).await.expect(201)["result"], "passed");
    // It passed: nothing of a repair is asked for, and the unit can be released.
    let standing = action(&clinic, &item).await;
    assert_eq!(standing["waits_for"]["step"], "follow-up-test");
    release(&clinic, &standing["quarantine_ids"][0], 850, LEAD).await.expect(201);
    app.advance(TimeDelta::days(21));
    app.plan().await;
    // The follow-up is over the limit: the unit is out of use again, in an action of its own.
    let task = test(&clinic, 833, "5000").await;
    let standing = format!("/v1/clinics/{}/quarantines?standing=true", clinic.clinic_id);
    let out = clinic.tablet.get(&standing).await.expect(200)["items"].clone();
    assert_eq!((out.as_array().map(Vec::len), &out[0]["subject_id"]), (Some(1), &json!(clinic.chair)), "{out}");
    assert_ne!(out[0]["cause_id"], item["action_id"]);
    let mut corrected = read(&clinic, 832, &task, "40");
    corrected["corrects"] = json!(id(833));
    corrected["reason"] = json!("the count of another clinic was entered");
    clinic.tablet.post("/v1/completions", corrected).await.expect(201);
    step(&clinic, &item, "follow-up-test", record(&clinic, 815, &json!({}))).await.expect(201);
    step(&clinic, &item, "look-at-trend", record(&clinic, 816, &json!({}))).await.expect(201);
    close(&clinic, &item, 860, CLINICIAN).await.expect(201);
}

/// WAC 246-817-660, effective 2021-01-23, read: a test 5 to 10 days after the work, and again 21 to 28 days after that. What is
/// drawn before tells of the product that is still in the lines.
#[sqlx::test]
async fn a_sample_that_is_drawn_too_early_ends_neither_the_retest_nor_the_follow_up(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T06:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    people(&clinic).await;
    let mut daily = water_test();
    daily["anchor"]["dates"]["rule"] = json!("FREQ=DAILY");
    let body = json!({ "effective_on": "2026-11-01", "routine": daily });
    clinic.admin.put(&format!("/v1/routines/{}", id(905)), body).await.expect(201);
    app.plan().await;
    app.set(at("2026-11-02T09:00:00Z"));
    let newest = async || {
        let list = clinic.tablet.get(&format!("/v1/clinics/{}/due", clinic.clinic_id)).await.expect(200);
        let tasks = list["tasks"].as_array().expect("a list").iter().filter(|t| t["routine_id"] == json!(id(905)));
        tasks.max_by_key(|t| t["due_by"].as_str().map(str::to_owned)).expect("a test of the day").clone()
    };
    clinic.tablet.post("/v1/completions", read(&clinic, 830, &newest().await, "501")).await.expect(201);
    let item = only_open(&clinic).await;
    let work = line_work::set(&clinic).await;
    for (n, key) in [(810, "stop"), (811, "decide-use"), (812, "look-for-cause")] {
        app.advance(TimeDelta::minutes(5));
        step(&clinic, &item, key, record(&clinic, n, &json!({}))).await.expect(201);
    }
    work.disinfect(&clinic, 892, 600).await;
    // Written down a day later: the days count from the work.
    app.set(at("2026-11-03T09:00:00Z"));
    step(&clinic, &item, "disinfect", record(&clinic, 813, &json!({}))).await.expect(201);
    let drawn = async |n: u32, day: &str| {
        app.set(at(&format!("{day}T10:00:00Z")));
        app.plan().await;
        let kept = clinic.tablet.post("/v1/completions", read(&clinic, n, &newest().await, "40")).await.expect(201);
        assert_eq!(kept["verdict"], "passed", "{kept}");
    };
    for (n, day) in [(831, "2026-11-03"), (832, "2026-11-06")] {
        drawn(n, day).await;
        let named = record(&clinic, 814, &json!({ "completion_id": id(n) }));
        let refused = step(&clinic, &item, "retest", named).await;
        assert_eq!(refused.pointers(), ["/completion_id"], "{day}: {}", refused.text);
        assert!(
            refused.text.contains("is too early: one that passed counts from 2026-11-07T09:15:00Z on"),
            "{}",
            refused.text
        );
    }
    drawn(833, "2026-11-07").await;
    let named = record(&clinic, 814, &json!({ "completion_id": id(833) }));
    assert_eq!(step(&clinic, &item, "retest", named).await.expect(201)["result"], "passed");

    drawn(834, "2026-11-27").await;
    let refused = step(&clinic, &item, "follow-up-test", record(&clinic, 815, &json!({}))).await;
    assert_eq!(kind_of(&refused), "/problems/tests-missing");
    assert!(refused.text.contains("counts from 2026-11-28T10:00:00Z on"), "{}", refused.text);
    drawn(835, "2026-11-28").await;
    let recorded = step(&clinic, &item, "follow-up-test", record(&clinic, 815, &json!({}))).await.expect(201);
    assert_eq!(recorded["completion_id"], json!(id(835)));
}

/// What another routine counts is retested by that routine: common practice, no source.
#[sqlx::test]
async fn what_another_routine_counts_opens_an_action_of_its_own(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T06:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    people(&clinic).await;
    for n in [905, 906] {
        let body = json!({ "effective_on": "2026-11-01", "routine": water_test() });
        clinic.admin.put(&format!("/v1/routines/{}", id(n)), body).await.expect(201);
    }
    app.plan().await;
    app.set(at("2026-11-02T09:00:00Z"));
    test(&clinic, 830, "501").await;
    let first = only_open(&clinic).await;
    app.advance(TimeDelta::minutes(30));
    let task = clinic.due_in_clinic(id(906)).await;
    clinic.tablet.post("/v1/completions", read(&clinic, 831, &task, "620")).await.expect(201);
    let open = clinic.manager.get("/v1/corrective-actions?state=open").await.expect(200);
    let ids: Vec<&Value> = open["items"].as_array().expect("a list").iter().map(|item| &item["action_id"]).collect();
    assert_eq!((ids.len(), ids.contains(&&first["action_id"])), (2, true), "{open}");
}
