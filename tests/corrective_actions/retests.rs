//! Water tested again: each line that fell short by itself, whoever opened the action and however the routine asks.

use chrono::TimeDelta;
use serde_json::{Value, json};
use sqlx::PgPool;

use super::{action, only_open, people, record, step};
use crate::support::app::App;
use crate::support::scenario::{self, Clinic};
use crate::support::{at, id};

/// At most 500 CFU/mL: CDC, MMWR 52(RR-17) 2003, rec. VII.A, read.
fn water_test(for_each: Option<&str>) -> Value {
    let cdc = json!({ "title": "CDC, MMWR 52(RR-17)", "edition": "2003", "locator": "rec. VII.A", "seen": "read" });
    let mut step = json!({
        "key": "count", "instruction": "Draw from every line.",
        "evidence": { "kind": "water_sample", "most_lines_in_pool": 10,
                      "limits": [{ "operator": "le", "value": "500", "unit": "[CFU]/mL", "source": cdc }] } });
    if let Some(part) = for_each {
        step["for_each"] = json!(part);
    }
    json!({
        "name": "Water test", "subject_kind": "operatory", "on_fail": "water_over_limit",
        "anchor": { "kind": "calendar", "dates": { "rule": "FREQ=MONTHLY;BYDAY=1MO", "starts_on": "2026-01-05" },
                    "place": { "kind": "opening" }, "closed_day": "next_open_day" },
        "window": { "may_start_minutes": 0, "due_by_minutes": 480, "overdue_minutes": 960, "missed_minutes": 7200 },
        "steps": [step], "sources": [cdc], "rough_minutes": 10,
    })
}

async fn clinic_that_tests_water<'a>(app: &'a App, for_each: Option<&str>) -> Clinic<'a> {
    let clinic = scenario::clinic(app, "Europe/London").await;
    people(&clinic).await;
    let body = json!({ "effective_on": "2026-11-01", "routine": water_test(for_each) });
    clinic.admin.put(&format!("/v1/routines/{}", id(905)), body).await.expect(201);
    // What the disinfection must show is not what these tests are about.
    let path = "/v1/corrective-chains/water_over_limit";
    let mut chain = clinic.admin.get(path).await.expect(200)["chain"].clone();
    let steps = chain["steps"].as_array_mut().expect("steps");
    let disinfect = steps.iter_mut().find(|step| step["key"] == "disinfect").expect("the shipped step");
    disinfect["evidence"] = json!({ "kind": "confirmation" });
    clinic.admin.put(path, chain).await.expect(201);
    app.plan().await;
    app.set(at("2026-11-02T09:00:00Z"));
    clinic
}

/// Lines of one bottle with the colonies seen on 0.1 mL: each stands for 10 CFU/mL.
type Bottle<'a> = (&'a [&'a str], u32);

/// Tests the chair's water by the one test that is due; the steps by their keys, each with its bottles.
async fn test(clinic: &Clinic<'_>, n: u32, steps: &[(&str, &[Bottle<'_>])]) -> Value {
    let app = clinic.admin.app;
    app.advance(TimeDelta::minutes(1));
    let task = clinic.due_of(id(905)).await;
    let found = |colonies: u32| json!({ "kind": "plate", "plate": { "plated_ml": "0.1", "seen": { "kind": "counted", "colonies": colonies } } });
    let answer = |(key, bottles): &(&str, &[Bottle<'_>])| {
        let results: Vec<_> =
            bottles.iter().map(|(lines, seen)| json!({ "lines": lines, "found": found(*seen) })).collect();
        let sample = json!({
            "drawn_on": app.clock.now().date_naive(), "draw": { "kind": "first_draw" }, "method": "spread plate",
            "medium": "R2A agar", "neutralised": true, "incubated_celsius": "22", "incubated_days": "7",
            "laboratory": "an invented laboratory", "results": results });
        json!({ "step": key, "status": "done", "given": { "kind": "water_sample", "sample": sample } })
    };
    let answers: Vec<_> = steps.iter().map(answer).collect();
    let body = json!({ "completion_id": id(n), "task_id": task["task_id"], "performed_at": app.clock.now(),
                       "performed_by": "IB", "steps": answers });
    clinic.tablet.post("/v1/completions", body).await.expect(201)["verdict"].clone()
}

/// Works the action up to its retest, and waits until that is due: the fifth day after the work.
async fn up_to_the_retest(clinic: &Clinic<'_>, item: &Value) {
    for (n, key) in [(810, "stop"), (811, "decide-use"), (812, "look-for-cause"), (813, "disinfect")] {
        clinic.admin.app.advance(TimeDelta::minutes(5));
        step(clinic, item, key, record(clinic, n, &json!({}))).await.expect(201);
    }
    clinic.admin.app.advance(TimeDelta::days(5));
}

/// What is said against a test as the retest; empty: it was taken.
async fn against(clinic: &Clinic<'_>, item: &Value, n: u32) -> String {
    let answer = step(clinic, item, "retest", record(clinic, 814, &json!({ "completion_id": id(n) }))).await;
    if answer.status.as_u16() == 201 {
        assert_eq!(answer.json()["result"], "passed");
        return String::new();
    }
    answer.expect(422);
    assert_eq!(answer.pointers(), ["/completion_id"]);
    let standing = action(clinic, item).await["missing_for_release"].to_string();
    let lines =
        |text: &str| text.split_once("left out the lines ").map(|(_, rest)| rest.to_owned()).unwrap_or_default();
    let named = lines(&answer.text).split(", or had them in a pool").next().unwrap_or_default().to_owned();
    assert!(standing.contains(&format!("left out the lines {named}, or")), "{standing}");
    named
}

async fn opened_by_hand(clinic: &Clinic<'_>, line: Option<&str>) -> Value {
    let mut body = json!({ "kind": "water_over_limit", "subject_id": clinic.chair, "routine_id": id(905),
                           "reason": "a strip of our own was over", "opened_by": "MO" });
    if let Some(line) = line {
        body["line"] = json!(line);
    }
    clinic.tablet.put(&format!("/v1/corrective-actions/{}", id(870)), body).await.expect(201)
}

#[sqlx::test]
async fn of_an_action_about_one_line_that_line_is_tested_again_by_itself(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T06:00:00Z")).await;
    let clinic = clinic_that_tests_water(&app, None).await;
    assert_eq!(test(&clinic, 830, &[("count", &[(&["handpiece-1"], 0), (&["syringe"], 0)])]).await, "passed");
    let item = opened_by_hand(&clinic, Some("syringe")).await;
    up_to_the_retest(&clinic, &item).await;
    test(&clinic, 831, &[("count", &[(&["handpiece-1"], 0)])]).await;
    assert_eq!(against(&clinic, &item, 831).await, "syringe");
    test(&clinic, 832, &[("count", &[(&["syringe"], 50)])]).await;
    assert_eq!(against(&clinic, &item, 832).await, "");
}

/// A laboratory's count that is entered as one reading names no line, however low it is.
#[sqlx::test]
async fn a_retest_by_a_later_version_of_the_routine_that_draws_no_water_shows_no_line(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T06:00:00Z")).await;
    let clinic = clinic_that_tests_water(&app, None).await;
    assert_eq!(test(&clinic, 830, &[("count", &[(&["syringe"], 51)])]).await, "failed");
    let item = only_open(&clinic).await;
    let mut later = water_test(None);
    later["anchor"]["dates"]["rule"] = json!("FREQ=WEEKLY;BYDAY=MO");
    let limits = later["steps"][0]["evidence"]["limits"].clone();
    later["steps"][0]["evidence"] =
        json!({ "kind": "reading", "unit": "[CFU]/mL", "on_failure": "record", "limits": limits });
    let body = json!({ "effective_on": "2026-11-05", "routine": later });
    clinic.admin.put(&format!("/v1/routines/{}", id(905)), body).await.expect(200);
    up_to_the_retest(&clinic, &item).await;
    app.set(at("2026-11-09T09:00:00Z"));
    app.plan().await;
    // The week's own test: the one that the action asks for draws water as the one that failed.
    let due = clinic.due(0).await;
    let is_planned = |t: &&Value| t["routine_id"] == json!(id(905)) && t["because"]["fact"]["kind"] != "wanted_test";
    let task = due.iter().find(is_planned).expect("the test of that Monday");
    let read = json!({ "completion_id": id(831), "task_id": task["task_id"], "performed_at": app.clock.now(),
                       "performed_by": "IB",
                       "steps": [{ "step": "count", "status": "done",
                                   "reading": { "qualifier": "eq", "value": "40", "unit": "[CFU]/mL" } }] });
    assert_eq!(clinic.tablet.post("/v1/completions", read).await.expect(201)["verdict"], "passed");
    assert_eq!(against(&clinic, &item, 831).await, "syringe");
}

#[sqlx::test]
async fn of_an_action_that_a_person_opened_about_a_unit_every_circuit_is_tested_again(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T06:00:00Z")).await;
    let clinic = clinic_that_tests_water(&app, None).await;
    test(&clinic, 830, &[("count", &[(&["handpiece-1", "syringe"], 0)])]).await;
    let item = opened_by_hand(&clinic, None).await;
    up_to_the_retest(&clinic, &item).await;
    test(&clinic, 831, &[("count", &[(&["syringe"], 0)])]).await;
    assert_eq!(against(&clinic, &item, 831).await, "handpiece-1");
    test(&clinic, 832, &[("count", &[(&["handpiece-1", "syringe"], 0)])]).await;
    assert_eq!(against(&clinic, &item, 832).await, "handpiece-1, syringe");
    test(&clinic, 833, &[("count", &[(&["handpiece-1"], 0), (&["syringe"], 0)])]).await;
    assert_eq!(against(&clinic, &item, 833).await, "");
}

#[sqlx::test]
async fn bottles_of_several_steps_are_bottles_of_one_test(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T06:00:00Z")).await;
    let clinic = clinic_that_tests_water(&app, Some("circuit")).await;
    let each = |first: u32| -> [(&str, Vec<Bottle<'static>>); 2] {
        [("count:handpiece-1", vec![(&["handpiece-1"], first)]), ("count:syringe", vec![(&["syringe"], 0)])]
    };
    let entered = async |n: u32, steps: &[(&str, Vec<Bottle<'static>>)]| {
        let steps: Vec<(&str, &[Bottle<'_>])> = steps.iter().map(|(key, bottles)| (*key, bottles.as_slice())).collect();
        test(&clinic, n, &steps).await
    };
    assert_eq!(entered(830, &each(51)).await, "failed");
    let item = only_open(&clinic).await;
    up_to_the_retest(&clinic, &item).await;
    assert_eq!(entered(831, &each(0)).await, "passed");
    assert_eq!(against(&clinic, &item, 831).await, "");
}

#[sqlx::test]
async fn a_line_that_has_another_name_since_is_not_left_out_for_that(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T06:00:00Z")).await;
    let clinic = clinic_that_tests_water(&app, None).await;
    assert_eq!(test(&clinic, 830, &[("count", &[(&["handpiece-1"], 0), (&["syringe"], 51)])]).await, "failed");
    let item = only_open(&clinic).await;
    up_to_the_retest(&clinic, &item).await;
    let mut chair = scenario::operatory(clinic.clinic_id, "Chair 0");
    chair["circuits"] = json!(["handpiece-1", "air-syringe"]);
    clinic.admin.put(&format!("/v1/operatories/{}", clinic.chair), chair).await.expect(200);
    app.plan().await;
    test(&clinic, 831, &[("count", &[(&["handpiece-1"], 0)])]).await;
    assert_eq!(against(&clinic, &item, 831).await, "air-syringe");
    test(&clinic, 832, &[("count", &[(&["handpiece-1"], 0), (&["air-syringe"], 0)])]).await;
    assert_eq!(against(&clinic, &item, 832).await, "");
}
