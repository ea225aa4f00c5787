//! Corrective actions: what opens one, in which order it is worked, who closes it, and who releases what is out of use.

mod chains;
mod failing_again;
mod implant_loads;
mod loads;
mod machine_checks;
mod many_loads;
mod misses;
mod named_loads;
mod quarantine;
mod recalls;
mod retests;
mod second_person;
mod separators;
mod spore_cycles;
mod water;
mod weekly_readings;
mod wrong_products;

use chairtide::domain::access::Role;
use serde_json::{Value, json};
use sqlx::PgPool;
use uuid::Uuid;

use crate::support::app::{Answer, App};
use crate::support::contents::contents;
use crate::support::scenario::{self, Clinic, routine};
use crate::support::{at, id};

/// The lead, who is trained for releases; the clinician, who is not; both may close.
const LEAD: u32 = 801;
const CLINICIAN: u32 = 802;
const ASSISTANT: u32 = 803;

/// People who can sign, each with the PIN of their number.
async fn people(clinic: &Clinic<'_>) {
    for (n, name, initials, role) in [
        (LEAD, "Mara Oduya", "MO", "clinic_lead"),
        (CLINICIAN, "Kofi Vale", "KV", "clinician"),
        (ASSISTANT, "Ines Brook", "IB", "assistant"),
    ] {
        let person = json!({ "name": name, "initials": initials, "role": role, "active_from": "2024-01-01" });
        clinic.admin.put(&format!("/v1/staff/{}", id(n)), person).await.expect(201);
        clinic.admin.put(&format!("/v1/staff/{}/pin", id(n)), json!({ "pin": format!("{n}46") })).await.expect(204);
    }
    for n in [LEAD, ASSISTANT] {
        let competence = json!({ "for_what": { "kind": "family", "family": "release" }, "valid_from": "2026-01-01",
                                 "signed_off_by": "the group's lead" });
        let path = format!("/v1/staff/{}/competences/{}", id(n), id(n));
        clinic.admin.put(&path, competence).await.expect(201);
    }
}

fn signature(n: u32) -> Value {
    json!({ "staff_id": id(n), "pin": format!("{n}46") })
}

/// The clinic with people, where the spore test opens the chain of a positive one, on a Monday when it is due.
async fn clinic_with_spore_chain(app: &App) -> Clinic<'_> {
    let clinic = scenario::clinic(app, "Europe/London").await;
    people(&clinic).await;
    let (_, mut content) = scenario::routines().pop().expect("the spore test");
    content["on_fail"] = json!("positive_spore_test");
    let body = json!({ "effective_on": "2026-11-01", "routine": content });
    clinic.admin.put(&format!("/v1/routines/{}", routine::spore_test()), body).await.expect(200);
    app.plan().await;
    app.set(at("2026-11-02T09:00:00Z"));
    clinic
}

/// A spore test, as the assistant records it: whoever records what opens an action does not close it.
fn strip(clinic: &Clinic<'_>, n: u32, task: &Value, growth: Option<&str>) -> Value {
    let mut body = clinic.spore(n, task, growth);
    body["performed_by"] = json!("IB");
    body
}

/// The same, where the test is a strip beside its control: what says in which cycle it ran.
async fn clinic_with_strips(app: &App) -> Clinic<'_> {
    let clinic = clinic_with_spore_chain(app).await;
    let (_, mut content) = scenario::routines().pop().expect("the spore test");
    content["on_fail"] = json!("positive_spore_test");
    content["steps"] =
        json!([{ "key": "growth", "instruction": "Read both strips.", "evidence": { "kind": "spore_test" } }]);
    let body = json!({ "effective_on": "2026-11-01", "routine": content });
    clinic.admin.put(&format!("/v1/routines/{}", routine::spore_test()), body).await.expect(200);
    app.plan().await;
    clinic
}

/// A cycle of the steriliser ends now.
async fn cycle(clinic: &Clinic<'_>, n: u32, program: &str) {
    let cycle = json!({ "cycle_id": id(n), "ended_at": clinic.admin.app.clock.now(), "program": program });
    clinic.tablet.post(&format!("/v1/equipment/{}/cycles", clinic.steriliser), cycle).await.expect(201);
}

/// A completion of a spore test of lot BI-2207 with a control that grew; `more` says of its strips what else is known.
fn strips(clinic: &Clinic<'_>, n: u32, task: &Value, growth: bool, more: &Value) -> Value {
    let mut strips =
        json!({ "test_lot": "BI-2207", "control_lot": "BI-2207", "test_growth": growth, "control_growth": true });
    strips.as_object_mut().expect("an object").extend(more.as_object().expect("an object").clone());
    json!({
        "completion_id": id(n), "task_id": task["task_id"], "performed_at": clinic.admin.app.clock.now(),
        "performed_by": "IB",
        "steps": [{ "step": "growth", "status": "done", "given": { "kind": "spore_test", "strips": strips } }],
    })
}

/// Records the due spore test of the clinic with its strips.
async fn strips_read(clinic: &Clinic<'_>, n: u32, growth: bool, more: &Value) -> Value {
    let task = clinic.due_in_clinic(routine::spore_test()).await;
    let body = strips(clinic, n, &task, growth, more);
    clinic.tablet.post("/v1/completions", body.clone()).await.expect(201);
    body
}

/// A cycle ends now, and the due spore test that ran in it is read.
async fn spore_in(clinic: &Clinic<'_>, n: u32, growth: bool, chamber: &str) -> Value {
    cycle(clinic, n + 1000, "wrapped 134").await;
    strips_read(clinic, n, growth, &json!({ "cycle_id": id(n + 1000), "chamber": chamber })).await
}

/// Records a spore test; the due one of the clinic.
async fn spore(clinic: &Clinic<'_>, completion: u32, growth: &str) -> Value {
    let task = clinic.due_in_clinic(routine::spore_test()).await;
    let body = strip(clinic, completion, &task, Some(growth));
    clinic.tablet.post("/v1/completions", body.clone()).await.expect(201);
    body
}

/// The one open action.
async fn only_open(clinic: &Clinic<'_>) -> Value {
    let list = clinic.manager.get("/v1/corrective-actions?state=open").await.expect(200);
    let items = list["items"].as_array().expect("a list").clone();
    assert_eq!(items.len(), 1, "{list}");
    items[0].clone()
}

async fn action(clinic: &Clinic<'_>, item: &Value) -> Value {
    clinic.manager.get(&format!("/v1/corrective-actions/{}", text(&item["action_id"]))).await.expect(200)
}

fn text(value: &Value) -> String {
    value.as_str().expect("a text").to_owned()
}

/// A record of a step, by an assistant who signs nothing else.
fn record(clinic: &Clinic<'_>, n: u32, more: &Value) -> Value {
    let mut body = json!({ "record_id": id(n), "performed_at": clinic.admin.app.clock.now(), "performed_by": "IB",
                           "note": "seen and done" });
    body.as_object_mut().expect("an object").extend(more.as_object().expect("an object").clone());
    body
}

async fn step(clinic: &Clinic<'_>, item: &Value, key: &str, body: Value) -> Answer {
    let path = format!("/v1/corrective-actions/{}/steps/{key}", text(&item["action_id"]));
    clinic.tablet.put(&path, body).await
}

async fn release(clinic: &Clinic<'_>, quarantine: &Value, n: u32, who: u32) -> Answer {
    let body = json!({ "release_id": id(n), "reason": "looked at as the chain asks", "signature": signature(who) });
    clinic.tablet.post(&format!("/v1/quarantines/{}/release", text(quarantine)), body).await
}

async fn close(clinic: &Clinic<'_>, item: &Value, n: u32, who: u32) -> Answer {
    let body = json!({ "close_id": id(n), "reason": "all of it read", "signature": signature(who) });
    clinic.tablet.post(&format!("/v1/corrective-actions/{}/close", text(&item["action_id"])), body).await
}

fn kind_of(answer: &Answer) -> String {
    text(&answer.json()["type"])
}

/// Works the steps up to the repeat of the test.
async fn up_to_the_repeat(app: &App, clinic: &Clinic<'_>, item: &Value) {
    for (n, key) in [(810, "take-out"), (811, "withdraw-implants"), (812, "review")] {
        app.advance(chrono::TimeDelta::minutes(5));
        step(clinic, item, key, record(clinic, n, &json!({}))).await.expect(201);
    }
}

/// CDC, MMWR 52(RR-17) 2003, p. 24-25, read in a quotation: out of service, review, repeat at once; a repeat without growth
/// with all else in order puts the machine back into service.
#[sqlx::test]
async fn a_positive_spore_test_whose_repeat_passes_is_worked_released_and_closed(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T06:00:00Z")).await;
    let clinic = clinic_with_strips(&app).await;
    let post = |n: u32, ended: &str| json!({ "cycle_id": id(n), "ended_at": ended, "program": "wrapped 134" });
    let cycles = format!("/v1/equipment/{}/cycles", clinic.steriliser);
    for (n, ended) in [(820, "2026-11-02T07:30:00Z"), (821, "2026-11-02T08:30:00Z")] {
        clinic.tablet.post(&cycles, post(n, ended)).await.expect(201);
    }
    let failed = strips_read(&clinic, 830, true, &json!({ "cycle_id": id(821), "chamber": "loaded" })).await;
    let item = only_open(&clinic).await;
    assert_eq!((&item["kind"], &item["waits_for"]["step"]), (&json!("positive_spore_test"), &json!("take-out")));
    let opened = action(&clinic, &item).await;
    assert_eq!((&opened["cause"], &opened["cause_id"]), (&json!("completion"), &json!(id(830))));
    assert!(!opened["cautions"].as_array().expect("cautions").is_empty());
    let quarantine = opened["quarantine_ids"][0].clone();
    let standing = format!("/v1/clinics/{}/quarantines?standing=true", clinic.clinic_id);
    let machine = |item: &&Value| item["load_reference"] == Value::Null;
    let out = clinic.tablet.get(&standing).await.expect(200)["items"].clone();
    let of_machine: Vec<&Value> = out.as_array().expect("a list").iter().filter(machine).collect();
    assert_eq!((of_machine.len(), &of_machine[0]["quarantine_id"]), (1, &quarantine), "{out}");
    // The test was repeated: no second action, and the same answer.
    clinic.tablet.post("/v1/completions", failed).await.expect(200);
    only_open(&clinic).await;
    // No test has passed yet, so every recorded cycle is in doubt.
    let doubted = format!("/v1/corrective-actions/{}/cycles", text(&item["action_id"]));
    let list = clinic.manager.get(&format!("{doubted}?limit=1")).await;
    assert!(list.header("link").contains("rel=\"next\""));
    assert_eq!(list.expect(200)["since"], Value::Null);
    assert_eq!(clinic.manager.get(&doubted).await.expect(200)["items"].as_array().map(Vec::len), Some(2));

    // Out of order, too early, and by nobody who may.
    let early = step(&clinic, &item, "repeat-test", record(&clinic, 840, &json!({ "completion_id": id(831) }))).await;
    early.expect(409);
    assert_eq!(kind_of(&early), "/problems/step-out-of-order");
    assert!(early.text.contains("take-out") && early.text.contains("review"), "{}", early.text);
    step(&clinic, &item, "dance", record(&clinic, 841, &json!({}))).await.expect(404);
    let too_soon = release(&clinic, &quarantine, 850, LEAD).await;
    assert_eq!(kind_of(&too_soon), "/problems/release-not-yet");
    assert!(too_soon.text.contains("record missing: step take-out"), "{}", too_soon.text);
    assert_eq!(kind_of(&close(&clinic, &item, 860, LEAD).await), "/problems/close-not-yet");

    // The repeat is asked for at once, and may be made while the review is still going on.
    app.advance(chrono::TimeDelta::minutes(20));
    spore_in(&clinic, 831, false, "loaded").await;
    up_to_the_repeat(&app, &clinic, &item).await;
    let wrong = step(&clinic, &item, "repeat-test", record(&clinic, 842, &json!({ "completion_id": id(830) }))).await;
    wrong.expect(422);
    assert_eq!(wrong.pointers(), ["/completion_id"]);
    let repeat = record(&clinic, 843, &json!({ "completion_id": id(831) }));
    let recorded = step(&clinic, &item, "repeat-test", repeat.clone()).await.expect(201);
    assert_eq!(
        (&recorded["result"], &recorded["early"], &recorded["late"]),
        (&json!("passed"), &json!(false), &json!(false))
    );
    assert_eq!(step(&clinic, &item, "repeat-test", repeat).await.expect(200), recorded);
    let other = record(&clinic, 844, &json!({ "completion_id": id(831) }));
    assert_eq!(kind_of(&step(&clinic, &item, "repeat-test", other).await), "/problems/step-recorded");
    step(&clinic, &item, "inspect", record(&clinic, 845, &json!({ "reference": "R 7" }))).await.expect(409);
    release(&clinic, &quarantine, 850, LEAD).await.expect(409);
    let judged = record(&clinic, 846, &json!({ "result": "passed" }));
    step(&clinic, &item, "other-records", judged).await.expect(201);
    let skipped = step(&clinic, &item, "inspect", record(&clinic, 847, &json!({ "reference": "R 7" }))).await;
    assert_eq!(kind_of(&skipped), "/problems/step-not-asked");

    // Every step is there: who may release, and who may not.
    assert_eq!(kind_of(&close(&clinic, &item, 860, LEAD).await), "/problems/close-not-yet");
    let before = contents(&pool, id(1)).await["quarantine_release"].clone();
    release(&clinic, &quarantine, 850, CLINICIAN).await.expect(403);
    release(&clinic, &quarantine, 850, ASSISTANT).await.expect(403);
    assert_eq!(contents(&pool, id(1)).await["quarantine_release"], before);
    let released = release(&clinic, &quarantine, 850, LEAD).await.expect(201);
    assert_eq!(released["release"]["released_by"], "Mara Oduya");
    assert_eq!(release(&clinic, &quarantine, 850, LEAD).await.expect(200), released);
    assert_eq!(kind_of(&release(&clinic, &quarantine, 851, LEAD).await), "/problems/released-already");
    // Each load is released by itself.
    let still_out = clinic.tablet.get(&standing).await.expect(200)["items"].clone();
    let still_out = still_out.as_array().expect("a list");
    assert_eq!((still_out.len(), still_out.iter().filter(machine).count()), (2, 0));
    for (n, load) in (852..).zip(still_out) {
        release(&clinic, &load["quarantine_id"], n, LEAD).await.expect(201);
    }
    assert_eq!(clinic.tablet.get(&standing).await.expect(200)["items"], json!([]));

    // Closed by a second person.
    close(&clinic, &item, 860, ASSISTANT).await.expect(403);
    let closed = close(&clinic, &item, 860, CLINICIAN).await.expect(201);
    assert_eq!((&closed["closing"]["grounds"], &closed["waits_for"]), (&json!("steps_recorded"), &Value::Null));
    close(&clinic, &item, 860, CLINICIAN).await.expect(200);
    assert_eq!(kind_of(&close(&clinic, &item, 861, LEAD).await), "/problems/action-closed");
    assert_eq!(clinic.manager.get("/v1/corrective-actions").await.expect(200)["items"], json!([]));
    let list = clinic.manager.get("/v1/corrective-actions?state=closed").await.expect(200);
    assert_eq!(list["items"][0]["action_id"], item["action_id"]);
}

/// The other way: CDC, MMWR 52(RR-17) 2003, p. 24-25, read in a quotation: three consecutive empty-chamber passes.
#[sqlx::test]
async fn a_repeat_with_growth_keeps_the_machine_out_until_three_tests_in_a_row_pass(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T06:00:00Z")).await;
    let clinic = clinic_with_strips(&app).await;
    spore_in(&clinic, 830, true, "loaded").await;
    let item = only_open(&clinic).await;
    app.advance(chrono::TimeDelta::minutes(20));
    spore_in(&clinic, 831, true, "loaded").await;
    // It failed again while the action was open: noted, and no second action.
    let noted = action(&clinic, &only_open(&clinic).await).await;
    assert_eq!(noted["notes"][0]["kind"], "further_failure");
    up_to_the_repeat(&app, &clinic, &item).await;
    let repeat = record(&clinic, 843, &json!({ "completion_id": id(831) }));
    assert_eq!(step(&clinic, &item, "repeat-test", repeat).await.expect(201)["result"], "failed");
    let skipped = step(&clinic, &item, "other-records", record(&clinic, 844, &json!({ "result": "passed" }))).await;
    skipped.expect(409);
    step(&clinic, &item, "withdraw-loads", record(&clinic, 845, &json!({}))).await.expect(201);
    let without = step(&clinic, &item, "inspect", record(&clinic, 846, &json!({}))).await;
    assert_eq!(without.pointers(), ["/reference"]);
    step(&clinic, &item, "inspect", record(&clinic, 846, &json!({ "reference": "R 7" }))).await.expect(201);
    let counted = async || {
        let steps = action(&clinic, &item).await["steps"].clone();
        steps.as_array().expect("steps").iter().find(|s| s["key"] == "three-empty").expect("a step")["tests_passed"]
            .clone()
    };
    // Two pass, one fails and starts the count again, then three pass.
    for (n, growth, passed) in
        [(832, false, 1), (833, false, 2), (834, true, 0), (835, false, 1), (836, false, 2), (837, false, 3)]
    {
        let early = step(&clinic, &item, "three-empty", record(&clinic, 847, &json!({}))).await;
        assert_eq!(kind_of(&early), "/problems/tests-missing", "{n}");
        app.advance(chrono::TimeDelta::hours(1));
        spore_in(&clinic, n, growth, "empty").await;
        assert_eq!(counted().await, json!(passed), "{n}");
        release(&clinic, &action(&clinic, &item).await["quarantine_ids"][0], 850, LEAD).await.expect(409);
    }
    step(&clinic, &item, "three-empty", record(&clinic, 847, &json!({}))).await.expect(201);
    let standing = action(&clinic, &item).await;
    assert_eq!((&standing["missing_for_release"], &standing["waits_for"]["step"]), (&json!([]), &Value::Null));
    release(&clinic, &standing["quarantine_ids"][0], 850, LEAD).await.expect(201);
    close(&clinic, &item, 860, CLINICIAN).await.expect(201);
    // The cycles in doubt of a later action begin after the last test that passed.
    app.advance(chrono::TimeDelta::days(7));
    app.plan().await;
    let cycle = json!({ "cycle_id": id(822), "ended_at": app.clock.now() });
    clinic.tablet.post(&format!("/v1/equipment/{}/cycles", clinic.steriliser), cycle).await.expect(201);
    app.advance(chrono::TimeDelta::hours(1));
    strips_read(&clinic, 838, true, &json!({ "cycle_id": id(822), "chamber": "loaded" })).await;
    let doubted = format!("/v1/corrective-actions/{}/cycles", text(&only_open(&clinic).await["action_id"]));
    let list = clinic.manager.get(&doubted).await.expect(200);
    assert!(list["since"].is_string());
    assert_eq!(list["items"].as_array().map(Vec::len), Some(1), "{list}");
}

#[sqlx::test]
async fn a_correction_lifts_the_cause_and_a_second_person_closes_on_that_ground(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T06:00:00Z")).await;
    let clinic = clinic_with_spore_chain(&app).await;
    let failed = spore(&clinic, 830, "1").await;
    let item = only_open(&clinic).await;
    let quarantine = action(&clinic, &item).await["quarantine_ids"][0].clone();
    app.advance(chrono::TimeDelta::minutes(5));
    // A second record of the same task is no correction, and lifts nothing.
    let mut duplicate = strip(&clinic, 831, &failed, Some("0"));
    clinic.tablet.post("/v1/completions", duplicate.clone()).await.expect(201);
    let standing = action(&clinic, &item).await;
    assert_eq!((&standing["notes"][0]["kind"], &standing["cause_lifted"]), (&json!("duplicate"), &json!(false)));
    duplicate["completion_id"] = json!(id(832));
    duplicate["corrects"] = json!(id(830));
    duplicate["reason"] = json!("the strip of another machine was read");
    clinic.tablet.post("/v1/completions", duplicate).await.expect(201);
    let standing = action(&clinic, &item).await;
    assert_eq!(standing["cause_lifted"], json!(true));
    assert_eq!(standing["notes"][1]["kind"], "cause_corrected");
    // Nothing is released by a correction: first a second person closes.
    release(&clinic, &quarantine, 850, LEAD).await.expect(409);
    let closed = close(&clinic, &item, 860, CLINICIAN).await.expect(201);
    assert_eq!(closed["closing"]["grounds"], "cause_corrected");
    release(&clinic, &quarantine, 850, LEAD).await.expect(201);
    // The correction is corrected back: a new action, since the other one is closed.
    app.advance(chrono::TimeDelta::minutes(5));
    let mut back = strip(&clinic, 833, &failed, Some("1"));
    back["corrects"] = json!(id(832));
    back["reason"] = json!("it was this machine's after all");
    clinic.tablet.post("/v1/completions", back).await.expect(201);
    assert_ne!(only_open(&clinic).await["action_id"], item["action_id"]);
}

#[sqlx::test]
async fn who_worked_on_an_action_cannot_close_it_and_nobody_adds_to_a_closed_one(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T06:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    people(&clinic).await;
    app.set(at("2026-11-02T09:00:00Z"));
    let path = format!("/v1/corrective-actions/{}", id(870));
    let body = json!({ "kind": "separator_full_or_faulty", "subject_id": clinic.clinic_id, "reason": "alarm on",
                       "opened_by": "ib" });
    let item = clinic.tablet.put(&path, body.clone()).await.expect(201);
    clinic.tablet.put(&path, body.clone()).await.expect(200);
    let mut other = body.clone();
    other["reason"] = json!("another");
    assert_eq!(kind_of(&clinic.tablet.put(&path, other).await), "/problems/action-differs");
    let second = clinic.tablet.put(&format!("/v1/corrective-actions/{}", id(871)), body).await;
    assert_eq!(kind_of(&second), "/problems/action-open");
    let by_lead = |n: u32, more: Value| {
        let mut body = record(&clinic, n, &more);
        body["performed_by"] = json!("mo");
        body
    };
    step(&clinic, &item, "decide-use", by_lead(810, json!({}))).await.expect(201);
    let long_before = record(&clinic, 811, &json!({ "reference": "W 4", "performed_at": "2026-11-02T08:59:00Z" }));
    assert_eq!(step(&clinic, &item, "replace-or-repair", long_before).await.pointers(), ["/performed_at"]);
    // More than five days after the opening: kept, and flagged as late; the list says so before.
    app.advance(chrono::TimeDelta::days(11));
    let overdue = clinic.manager.get("/v1/corrective-actions?overdue=true&owner=engineer").await.expect(200);
    assert_eq!(
        (&overdue["items"][0]["waits_for"]["overdue"], &overdue["items"][0]["age_days"]),
        (&json!(true), &json!(11))
    );
    assert!(overdue["items"][0]["waits_for"]["level"].as_u64() > Some(0), "{overdue}");
    let late = record(&clinic, 811, &json!({ "reference": "W 4" }));
    assert_eq!(step(&clinic, &item, "replace-or-repair", late).await.expect(201)["late"], json!(true));
    step(&clinic, &item, "look-again", record(&clinic, 812, &json!({ "result": "passed" }))).await.expect(201);
    let same = close(&clinic, &item, 860, LEAD).await;
    assert_eq!(kind_of(&same), "/problems/second-person-needed");
    close(&clinic, &item, 860, CLINICIAN).await.expect(201);
    let after =
        step(&clinic, &item, "replace-or-repair-again", record(&clinic, 813, &json!({ "reference": "W 5" }))).await;
    assert_eq!(kind_of(&after), "/problems/action-closed");
    let reader = clinic.admin.key(Role::Reader.as_str(), json!({ "kind": "group" })).await;
    reader.get(&path).await.expect(200);
    reader.put(&path, json!({})).await.expect(400);
}

#[sqlx::test]
async fn two_who_record_one_step_at_once_leave_one_record_and_two_failures_open_one_action(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T06:00:00Z")).await;
    let clinic = clinic_with_spore_chain(&app).await;
    let task = clinic.due_in_clinic(routine::spore_test()).await;
    let (one, other) = (strip(&clinic, 830, &task, Some("1")), strip(&clinic, 831, &task, Some("2")));
    let (one, other) =
        tokio::join!(clinic.tablet.post("/v1/completions", one), clinic.tablet.post("/v1/completions", other));
    for answer in [one, other] {
        answer.expect(201);
    }
    let item = only_open(&clinic).await;
    assert_eq!(action(&clinic, &item).await["notes"].as_array().map(Vec::len), Some(1));
    let (first, second) = tokio::join!(
        step(&clinic, &item, "take-out", record(&clinic, 810, &json!({}))),
        step(&clinic, &item, "take-out", record(&clinic, 811, &json!({})))
    );
    let mut answers = [first.status.as_u16(), second.status.as_u16()];
    answers.sort_unstable();
    assert_eq!(answers, [201, 409]);
}

/// The subject that a routine of [`scenario::routines`] is about, by the kind of chain: all are the steriliser here, since a
/// chain asks for records and not for a kind of equipment.
async fn failing(clinic: &Clinic<'_>, n: u32, kind: &str) -> Uuid {
    let (_, mut content) = scenario::routines().pop().expect("the spore test");
    content["on_fail"] = json!(kind);
    content["name"] = json!(format!("Test for {kind}"));
    let body = json!({ "effective_on": "2026-11-01", "routine": content });
    clinic.admin.put(&format!("/v1/routines/{}", id(n)), body).await.expect(201);
    id(n)
}
