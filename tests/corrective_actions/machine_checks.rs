//! After a load failed: the steriliser is checked, by its control test where it has one and else by a person's word; and the
//! load goes back to no use as it was.

use serde_json::{Value, json};
use sqlx::PgPool;

use super::loads::{load, release_as, say, standing};
use super::{CLINICIAN, LEAD, action, close, cycle, kind_of, only_open, people, record, release, step, text};
use crate::support::app::App;
use crate::support::scenario::{self, Clinic};
use crate::support::{at, id};

/// A daily control test: common practice, no source.
fn control_test() -> Value {
    let source = json!({ "title": "common practice", "edition": "none", "seen": "common_practice" });
    json!({
        "name": "Daily control test", "subject_kind": "steriliser", "anchor": { "kind": "opening" },
        "on_fail": "failed_control_test",
        "window": { "may_start_minutes": -60, "due_by_minutes": 480, "overdue_minutes": 600, "missed_minutes": 2880 },
        "steps": [{ "key": "outcome", "instruction": "Compare with the expected values.",
                    "evidence": { "kind": "choice", "on_failure": "record",
                                  "options": [{ "key": "as-expected", "text": "as expected", "passes": true },
                                              { "key": "other", "text": "not as expected", "passes": false }] } }],
        "rough_minutes": 10, "sources": [source] })
}

async fn clinic_with_control_test(app: &App) -> Clinic<'_> {
    let clinic = scenario::clinic(app, "Europe/London").await;
    let body = json!({ "effective_on": "2026-11-01", "routine": control_test() });
    clinic.admin.put(&format!("/v1/routines/{}", id(905)), body).await.expect(201);
    app.plan().await;
    app.set(at("2026-11-02T09:00:00Z"));
    clinic
}

/// A cycle whose print says that it was aborted opens an action; the steps before the check are recorded.
async fn up_to_the_check(clinic: &Clinic<'_>) -> Value {
    people(clinic).await;
    cycle(clinic, 950, "wrapped 134").await;
    let path = format!("/v1/equipment/{}/cycles/{}/record", clinic.steriliser, id(950));
    let said = json!({ "load_reference": "118", "outcome_as_printed": "aborted", "performed_by": "IB" });
    clinic.tablet.put(&path, said).await.expect(201);
    let item = only_open(clinic).await;
    for (n, key) in [(810, "hold-load"), (811, "trace")] {
        step(clinic, &item, key, record(clinic, n, &json!({}))).await.expect(201);
    }
    item
}

async fn test(clinic: &Clinic<'_>, n: u32, option: &str) -> Value {
    let list = clinic.tablet.get(&format!("/v1/clinics/{}/due", clinic.clinic_id)).await.expect(200);
    let tasks = list["tasks"].as_array().expect("a list");
    let task = tasks.iter().find(|t| t["routine_id"] == json!(id(905))).expect("a control test that is due");
    let body = json!({
        "completion_id": id(n), "task_id": task["task_id"], "performed_at": clinic.admin.app.clock.now(),
        "performed_by": "IB",
        "steps": [{ "step": "outcome", "status": "done", "given": { "kind": "choice", "option": option } }],
    });
    clinic.tablet.post("/v1/completions", body).await.expect(201)
}

async fn asked_for(clinic: &Clinic<'_>, item: &Value) -> Value {
    action(clinic, item).await["waits_for"]["step"].clone()
}

#[sqlx::test]
async fn no_word_says_that_the_machine_passed_where_it_has_a_control_test(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T06:00:00Z")).await;
    let clinic = clinic_with_control_test(&app).await;
    let item = up_to_the_check(&clinic).await;
    let word = record(&clinic, 813, &json!({ "result": "passed" }));
    assert_eq!(step(&clinic, &item, "check-machine", word).await.pointers(), ["/completion_id", "/result"]);
    app.set(at("2026-11-02T09:30:00Z"));
    assert_eq!(test(&clinic, 830, "as-expected").await["verdict"], "passed");
    let by_test = record(&clinic, 814, &json!({ "completion_id": id(830) }));
    assert_eq!(step(&clinic, &item, "check-machine", by_test).await.expect(201)["result"], "passed");
    assert_eq!(asked_for(&clinic, &item).await, "process-again", "passed, so no engineer is asked for");
}

#[sqlx::test]
async fn a_check_that_fails_asks_for_an_engineer_and_another_test_after_the_work(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T06:00:00Z")).await;
    let clinic = clinic_with_control_test(&app).await;
    let item = up_to_the_check(&clinic).await;
    app.set(at("2026-11-02T09:30:00Z"));
    assert_eq!(test(&clinic, 830, "other").await["verdict"], "failed");
    let by_test = record(&clinic, 814, &json!({ "completion_id": id(830) }));
    assert_eq!(step(&clinic, &item, "check-machine", by_test).await.expect(201)["result"], "failed");
    assert_eq!(asked_for(&clinic, &item).await, "engineer");
    app.set(at("2026-11-02T10:30:00Z"));
    let report = record(&clinic, 815, &json!({ "reference": "report 7" }));
    step(&clinic, &item, "engineer", report).await.expect(201);
    assert_eq!(asked_for(&clinic, &item).await, "check-after-engineer");
    // The test of before the work shows nothing of it.
    let before = record(&clinic, 816, &json!({ "completion_id": id(830) }));
    assert_ne!(step(&clinic, &item, "check-after-engineer", before).await.status, 201);
}

#[sqlx::test]
async fn a_machine_without_a_control_test_on_its_list_is_checked_by_a_persons_word(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T06:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    app.set(at("2026-11-02T09:00:00Z"));
    let item = up_to_the_check(&clinic).await;
    let word = record(&clinic, 813, &json!({ "result": "passed" }));
    assert_eq!(step(&clinic, &item, "check-machine", word).await.expect(201)["result"], "passed");
}

/// The load that is out of use, and the machine.
async fn load_and_machine(clinic: &Clinic<'_>) -> (Value, Value) {
    let (loads, machine): (Vec<Value>, Vec<Value>) =
        standing(clinic).await.into_iter().partition(|quarantine| quarantine["load_reference"] != Value::Null);
    (loads[0]["quarantine_id"].clone(), machine[0]["quarantine_id"].clone())
}

/// Packs of a load that fell short are not used, and are processed again from the cleaning on: CDC, MMWR 52(RR-17) 2003, read
/// in a quotation; that the machine may be released before, so that it can be done there, is common practice, no source.
#[sqlx::test]
async fn a_load_that_fell_short_is_processed_again_or_thrown_away_and_never_released_as_it_was(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T06:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    app.set(at("2026-11-02T09:00:00Z"));
    let item = up_to_the_check(&clinic).await;
    let (held, machine) = load_and_machine(&clinic).await;
    let word = record(&clinic, 813, &json!({ "result": "passed" }));
    step(&clinic, &item, "check-machine", word).await.expect(201);
    // The machine waits for its check, and not for the load.
    release(&clinic, &machine, 850, LEAD).await.expect(201);
    let again = || record(&clinic, 814, &json!({}));
    let early = step(&clinic, &item, "process-again", again()).await;
    assert_eq!(kind_of(&early), "/problems/loads-held");
    let still = format!("record missing: what became of load 118, by a release of quarantine {}", text(&held));
    assert_eq!(early.expect(409)["errors"][0]["detail"], still);
    let as_it_was = release(&clinic, &held, 851, LEAD).await;
    assert_eq!(kind_of(&as_it_was), "/problems/release-not-yet");
    let what = "record missing: what became of the load; as it was, it goes back to no use";
    assert_eq!(as_it_was.expect(409)["errors"][0]["detail"], what);
    release_as(&clinic, &held, 852, "processed_again").await.expect(201);
    step(&clinic, &item, "process-again", again()).await.expect(201);
    step(&clinic, &item, "process-again", again()).await.expect(200);
    assert_eq!(asked_for(&clinic, &item).await, Value::Null);
    close(&clinic, &item, 860, CLINICIAN).await.expect(201);
}

#[sqlx::test]
async fn a_load_whose_record_was_corrected_goes_back_to_use_once_the_action_is_closed_for_that(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T09:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    people(&clinic).await;
    load(&clinic, 950, "118", &json!({ "outcome_as_printed": "fault" })).await;
    let item = only_open(&clinic).await;
    let (held, _) = load_and_machine(&clinic).await;
    let corrected = json!({ "outcome_as_printed": "complete", "reason": "the print of another cycle" });
    say(&clinic, 950, &corrected).await.expect(201);
    assert_eq!(kind_of(&release(&clinic, &held, 851, LEAD).await), "/problems/release-not-yet");
    close(&clinic, &item, 860, CLINICIAN).await.expect(201);
    release(&clinic, &held, 852, LEAD).await.expect(201);
}
