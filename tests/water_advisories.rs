//! Notices not to use mains water: what stands against which chair, what rests meanwhile, and what follows.

use chrono::TimeDelta;
use serde_json::{Value, json};
use sqlx::PgPool;
use uuid::Uuid;

use crate::support::app::{Answer, App};
use crate::support::contents::contents;
use crate::support::line_work::{self, LineWork};
use crate::support::scenario::{self, Clinic, routine};
use crate::support::{at, id};

const LEAD: u32 = 801;
const SECOND: u32 = 802;
const ASSISTANT: u32 = 803;
const NOTICE: u32 = 700;

/// A lead who is trained to release, another one, and an assistant; all with one PIN.
async fn people(clinic: &Clinic<'_>) {
    for (n, initials, role) in
        [(LEAD, "MO", "clinic_lead"), (SECOND, "KW", "clinic_lead"), (ASSISTANT, "IB", "assistant")]
    {
        let path = format!("/v1/staff/{}", id(n));
        let person = json!({ "name": format!("Person {initials}"), "initials": initials, "role": role,
                             "active_from": "2024-01-01" });
        clinic.admin.put(&path, person).await.expect(201);
        clinic.admin.put(&format!("{path}/pin"), json!({ "pin": "80146" })).await.expect(204);
    }
    let competence = json!({ "for_what": { "kind": "family", "family": "release" }, "valid_from": "2026-01-01",
                             "signed_off_by": "the group's lead" });
    clinic.admin.put(&format!("/v1/staff/{}/competences/{}", id(LEAD), id(LEAD)), competence).await.expect(201);
}

async fn feed_from(clinic: &Clinic<'_>, source: &str) {
    let mut body = scenario::operatory(clinic.clinic_id, "Chair 1");
    body["water_source"] = json!(source);
    clinic.admin.put(&format!("/v1/operatories/{}", clinic.chair), body).await.expect(200);
}

fn notice(clinic: &Clinic<'_>, started_at: &str) -> Value {
    json!({ "authority": "Saltmarrow Water", "notice_number": "7/26", "started_at": started_at, "opened_by": "IB",
            "clinic_ids": [clinic.clinic_id] })
}

async fn start(clinic: &Clinic<'_>, started_at: &str) -> Value {
    clinic.tablet.put(&format!("/v1/water-advisories/{}", id(NOTICE)), notice(clinic, started_at)).await.expect(201)
}

async fn lift(clinic: &Clinic<'_>, n: u32, signer: u32) -> Answer {
    let body = json!({ "lifting_id": id(n), "notice_number": "9/26", "reason": "letter of the supplier",
                       "lifted_at": clinic.admin.app.clock.now(),
                       "signature": { "staff_id": id(signer), "pin": "80146" } });
    clinic.tablet.post(&format!("/v1/water-advisories/{}/lifting", id(NOTICE)), body).await
}

async fn readiness(clinic: &Clinic<'_>) -> Value {
    clinic.admin.get(&format!("/v1/operatories/{}/readiness", clinic.chair)).await.expect(200)
}

fn standing_kinds(answer: &Value) -> Vec<&str> {
    answer["standing"].as_array().expect("a list").iter().filter_map(|o| o["kind"].as_str()).collect()
}

async fn advisory(clinic: &Clinic<'_>) -> Value {
    clinic.manager.get(&format!("/v1/water-advisories/{}", id(NOTICE))).await.expect(200)
}

/// The action about a subject that the notice brought.
async fn follow_up(clinic: &Clinic<'_>, subject: Uuid) -> Value {
    let shown = advisory(clinic).await;
    let all = shown["clinics"][0]["follow_up"].as_array().expect("a list").clone();
    all.into_iter().find(|f| f["subject_id"] == json!(subject)).expect("a follow-up")
}

async fn step(clinic: &Clinic<'_>, action: &Value, key: &str, n: u32) -> Answer {
    let record = json!({ "record_id": id(n), "performed_by": "IB", "note": "done as told",
                         "performed_at": clinic.admin.app.clock.now() });
    clinic.tablet.put(&format!("/v1/corrective-actions/{}/steps/{key}", action.as_str().expect("an id")), record).await
}

/// The same, with the completion it rests on.
async fn named(clinic: &Clinic<'_>, action: &Value, key: &str, n: u32, completion_id: Uuid) -> Answer {
    let record = json!({ "record_id": id(n), "performed_by": "IB", "note": "done as told", "completion_id": completion_id,
                         "performed_at": clinic.admin.app.clock.now() });
    clinic.tablet.put(&format!("/v1/corrective-actions/{}/steps/{key}", action.as_str().expect("an id")), record).await
}

async fn release(clinic: &Clinic<'_>, quarantine: &Value, signer: u32) -> Answer {
    let body = json!({ "release_id": id(760), "reason": "flushed and disinfected",
                       "signature": { "staff_id": id(signer), "pin": "80146" } });
    clinic.tablet.post(&format!("/v1/quarantines/{}/release", quarantine.as_str().expect("an id")), body).await
}

/// CDC, MMWR 52(RR-17), 2003, on boil-water advisories: no mains water while it stands; after it, flush, then disinfect
/// (the order of rec. VII.E, read in a quotation). Then a named person releases: this project's own rule.
#[sqlx::test]
async fn a_chair_on_the_mains_is_held_until_it_is_flushed_then_disinfected_then_released(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T09:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    people(&clinic).await;
    feed_from(&clinic, "mains_air_gap").await;
    let shown = start(&clinic, "2026-11-02T08:45:00Z").await;
    assert!(shown["cautions"].to_string().contains("flush first, then disinfect"), "{shown}");
    let held = readiness(&clinic).await;
    assert_eq!(standing_kinds(&held), ["water_advisory"]);
    assert_eq!(held["standing"][0]["since"], "2026-11-02T08:45:00Z");
    assert_eq!((&held["standing"][0]["id"], &held["ready_by_record"]), (&json!(id(NOTICE)), &json!(false)));
    let work = line_work::set(&clinic).await;

    app.set(at("2026-11-03T10:00:00Z"));
    // What was done while the notice stood is done anew.
    work.flush(&clinic, 730, [300, 300]).await;
    // Lifting is a lead's act, and it releases nothing.
    assert_eq!(lift(&clinic, 710, ASSISTANT).await.expect(403)["type"], "/problems/signature-refused");
    lift(&clinic, 710, SECOND).await.expect(201);
    assert_eq!(standing_kinds(&readiness(&clinic).await), ["quarantine"]);
    let lines = follow_up(&clinic, clinic.chair).await;
    assert_eq!(lines["kind"], "lines_after_advisory");
    assert_eq!(follow_up(&clinic, clinic.clinic_id).await["kind"], "premises_after_advisory");

    let early = release(&clinic, &lines["quarantine_id"], LEAD).await.expect(409);
    assert_eq!(early["type"], "/problems/release-not-yet");
    assert!(early.to_string().contains("flush") && early.to_string().contains("disinfect"), "{early}");
    app.advance(TimeDelta::minutes(5));
    let turned = step(&clinic, &lines["action_id"], "disinfect", 720).await.expect(409);
    assert_eq!(turned["type"], "/problems/step-out-of-order");
    flushed_then_disinfected(&clinic, &work, &lines["action_id"]).await;
    app.advance(TimeDelta::minutes(5));
    step(&clinic, &lines["action_id"], "decide-sample", 723).await.expect(201);
    // A lead without the competence to release, and one with it.
    release(&clinic, &lines["quarantine_id"], SECOND).await.expect(403);
    release(&clinic, &lines["quarantine_id"], LEAD).await.expect(201);
    assert_eq!(standing_kinds(&readiness(&clinic).await), [""; 0]);
    assert_ne!(follow_up(&clinic, clinic.chair).await["released_at"], Value::Null);
}

/// Lines are flushed 1 to 5 minutes where the utility tells nothing, and then disinfected (CDC, MMWR 52(RR-17), 2003, rec.
/// VII.E, read in a quotation): each is a record of that work, and nobody's word.
async fn flushed_then_disinfected(clinic: &Clinic<'_>, work: &LineWork, action: &Value) {
    let app = clinic.admin.app;
    let missing = async |key: &str, n: u32, says: &str| {
        let answer = step(clinic, action, key, n).await.expect(409);
        assert_eq!(answer["type"], "/problems/work-missing", "{answer}");
        assert!(answer.to_string().contains(says), "{says}: {answer}");
        assert!(answer["detail"].as_str().is_some_and(|text| text.contains("instructions")), "its caution: {answer}");
    };
    missing("flush", 721, "a flush of every line, each timed by a hold of ≥ 60 s").await;
    // The lines were not disinfected first: what was put in before the flush counts for nothing after it.
    work.disinfect(clinic, 731, 600).await;
    work.flush(clinic, 732, [60, 59]).await;
    app.advance(TimeDelta::minutes(5));
    missing("flush", 721, "no such hold of syringe").await;
    let flushed = work.flush(clinic, 733, [60, 60]).await;
    let other = named(clinic, action, "flush", 721, id(731)).await.expect(409);
    assert!(other.to_string().contains("Disinfect the lines: no such hold of handpiece-1, syringe"), "{other}");
    let recorded = step(clinic, action, "flush", 721).await.expect(201);
    assert_eq!(recorded["completion_id"], json!(flushed));
    assert_eq!(step(clinic, action, "flush", 721).await.expect(200), recorded);

    app.advance(TimeDelta::minutes(5));
    missing("disinfect", 722, "a product in the waterlines by its lot, held for its contact time").await;
    work.disinfect(clinic, 735, 599).await;
    app.advance(TimeDelta::minutes(5));
    missing("disinfect", 722, "record missing").await;
    for before in [731, 733, 735] {
        let answer = named(clinic, action, "disinfect", 722, id(before)).await;
        answer.expect(422);
        assert_eq!(answer.pointers(), ["/completion_id"], "{before}");
    }
    let disinfected = work.disinfect(clinic, 736, 600).await;
    let recorded = named(clinic, action, "disinfect", 722, disinfected).await.expect(201);
    assert_eq!((&recorded["completion_id"], &recorded["result"]), (&json!(disinfected), &Value::Null));
}

/// A group that wants its lines flushed twice within one time (invented for the test) is not shown one flush for both.
#[sqlx::test]
async fn a_flush_that_stands_for_one_step_stands_for_no_other(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T09:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    people(&clinic).await;
    let path = "/v1/corrective-chains/lines_after_advisory";
    let mut chain = clinic.admin.get(path).await.expect(200)["chain"].clone();
    let steps = chain["steps"].as_array_mut().expect("steps");
    let mut again = steps[0].clone();
    assert_eq!((&again["key"], &again["window"]["counted_from"]), (&json!("flush"), &json!("opening")));
    again["key"] = json!("flush-again");
    steps.insert(1, again);
    clinic.admin.put(path, chain).await.expect(201);
    feed_from(&clinic, "mains_air_gap").await;
    start(&clinic, "2026-11-02T09:00:00Z").await;
    let work = line_work::set(&clinic).await;
    app.advance(TimeDelta::hours(1));
    lift(&clinic, 710, SECOND).await.expect(201);
    let action = follow_up(&clinic, clinic.chair).await["action_id"].clone();
    app.advance(TimeDelta::minutes(5));
    let first = work.flush(&clinic, 731, [60, 60]).await;
    assert_eq!(step(&clinic, &action, "flush", 721).await.expect(201)["completion_id"], json!(first));
    assert_eq!(step(&clinic, &action, "flush-again", 722).await.expect(409)["type"], "/problems/work-missing");
    assert_eq!(named(&clinic, &action, "flush-again", 722, first).await.pointers(), ["/completion_id"]);
    app.advance(TimeDelta::minutes(5));
    let second = work.flush(&clinic, 732, [60, 60]).await;
    assert_eq!(step(&clinic, &action, "flush-again", 722).await.expect(201)["completion_id"], json!(second));
}

/// Once somebody has worked by a routine that would show the work, it stands on the list of what is due.
#[sqlx::test]
async fn the_flush_that_a_lifted_notice_asks_for_is_on_the_list_of_what_is_due(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T09:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    people(&clinic).await;
    feed_from(&clinic, "mains_air_gap").await;
    let morning = clinic.due_of(routine::start_flush()).await;
    clinic.tablet.post("/v1/completions", clinic.flush(740, &morning, 125)).await.expect(201);
    // Worked by last, and too short for what is asked: the newest is not taken for the right one.
    let between = clinic.leave("2026-11-02T09:00:00Z").await;
    clinic.tablet.post("/v1/completions", clinic.flush(742, &between, 25)).await.expect(201);
    start(&clinic, "2026-11-02T09:00:00Z").await;
    app.set(at("2026-11-02T11:00:00Z"));
    lift(&clinic, 710, SECOND).await.expect(201);
    // Two minutes by the routine are more than the one that is asked for; the 20 seconds between patients would be less.
    let wanted = clinic.wanted_of(routine::start_flush()).await;
    assert!(
        wanted["why"].as_str().is_some_and(|why| why.starts_with("A corrective action asks for this work")),
        "{wanted}"
    );
    app.advance(TimeDelta::minutes(5));
    clinic.tablet.post("/v1/completions", clinic.flush(741, &wanted, 125)).await.expect(201);
    let lines = follow_up(&clinic, clinic.chair).await;
    let recorded = step(&clinic, &lines["action_id"], "flush", 721).await.expect(201);
    assert_eq!(recorded["completion_id"], json!(id(741)));
}

/// Shown by work on another task, the step asks for its own no more.
#[sqlx::test]
async fn a_step_that_rests_on_other_work_leaves_none_on_the_list(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T09:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    people(&clinic).await;
    feed_from(&clinic, "mains_air_gap").await;
    let work = line_work::set(&clinic).await;
    let morning = clinic.due_of(routine::start_flush()).await;
    clinic.tablet.post("/v1/completions", clinic.flush(740, &morning, 125)).await.expect(201);
    start(&clinic, "2026-11-02T09:00:00Z").await;
    app.set(at("2026-11-02T11:00:00Z"));
    lift(&clinic, 710, SECOND).await.expect(201);
    let wanted = clinic.wanted_of(routine::start_flush()).await;
    app.advance(TimeDelta::minutes(5));
    work.flush(&clinic, 733, [60, 60]).await;
    let lines = follow_up(&clinic, clinic.chair).await;
    step(&clinic, &lines["action_id"], "flush", 721).await.expect(201);
    let task = clinic.task(&wanted).await["task"].clone();
    assert_eq!(
        (&task["state"], &task["outcome_reason"]),
        (&json!("not_required"), &json!("withdrawn: the step that asked for it is recorded"))
    );
}

/// An isolated source is exempt while the notice stands (CDC, 2003, read); one that is switched over is flushed and
/// disinfected first (the same).
#[sqlx::test]
async fn a_reservoir_is_spared_and_one_that_was_on_the_mains_is_held_when_it_is_switched_over(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T09:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    people(&clinic).await;
    feed_from(&clinic, "own_reservoir").await;
    start(&clinic, "2026-11-02T09:00:00Z").await;
    assert_eq!(standing_kinds(&readiness(&clinic).await), [""; 0]);
    feed_from(&clinic, "treated_plant").await;
    assert_eq!(standing_kinds(&readiness(&clinic).await), ["water_advisory"]);
    feed_from(&clinic, "own_reservoir").await;
    assert_eq!(standing_kinds(&readiness(&clinic).await), ["quarantine"]);
    let lines = follow_up(&clinic, clinic.chair).await;
    release(&clinic, &lines["quarantine_id"], LEAD).await.expect(409);
    let work = line_work::set(&clinic).await;
    for (n, key) in [(721, "flush"), (722, "disinfect"), (723, "decide-sample")] {
        app.advance(TimeDelta::minutes(15));
        match key {
            "flush" => _ = work.flush(&clinic, 733, [60, 60]).await,
            "disinfect" => _ = work.disinfect(&clinic, 736, 600).await,
            _ => {}
        }
        step(&clinic, &lines["action_id"], key, n).await.expect(201);
    }
    release(&clinic, &lines["quarantine_id"], LEAD).await.expect(201);
    assert_eq!(standing_kinds(&readiness(&clinic).await), [""; 0]);
    // Lifted, it brings nothing to a chair that has its own water.
    app.advance(TimeDelta::hours(1));
    lift(&clinic, 710, SECOND).await.expect(201);
    assert_eq!(standing_kinds(&readiness(&clinic).await), [""; 0]);
}

#[sqlx::test]
async fn a_chair_that_is_moved_away_takes_its_flush_and_disinfection_along(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T09:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let next = scenario::clinic_of(&app, clinic.admin.clone(), "Europe/London", 50).await;
    feed_from(&clinic, "mains_air_gap").await;
    start(&clinic, "2026-11-02T09:00:00Z").await;
    let mut body = scenario::operatory(next.clinic_id, "Chair 1");
    body["water_source"] = json!("mains_air_gap");
    clinic.admin.put(&format!("/v1/operatories/{}", clinic.chair), body).await.expect(200);
    assert_eq!(standing_kinds(&readiness(&clinic).await), ["quarantine"]);
}

#[sqlx::test]
async fn work_that_runs_mains_water_rests_while_a_notice_stands_and_other_work_does_not(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T06:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    people(&clinic).await;
    for (n, mut content) in scenario::routines() {
        if n == routine::start_flush() {
            content["runs_mains_water"] = json!(true);
            let body = json!({ "effective_on": "2026-11-01", "routine": content });
            clinic.admin.put(&format!("/v1/routines/{n}"), body).await.expect(200);
        }
    }
    let listed = async || {
        app.plan().await;
        let due =
            clinic.tablet.get(&format!("/v1/clinics/{}/due?ahead_minutes=1440", clinic.clinic_id)).await.expect(200);
        let names = due["tasks"].as_array().expect("tasks").iter().map(|t| t["routine_name"].to_string());
        names.collect::<std::collections::BTreeSet<_>>()
    };
    let flush = "\"Flush before the first patient\"".to_owned();
    let night = "\"Long line disinfection\"".to_owned();
    feed_from(&clinic, "own_reservoir").await;
    start(&clinic, "2026-11-02T05:30:00Z").await;
    assert!(listed().await.contains(&flush), "a reservoir is spared");
    feed_from(&clinic, "mains_air_gap").await;
    let resting = listed().await;
    assert!(!resting.contains(&flush) && resting.contains(&night), "{resting:?}");
    // Due at 08:30: what would have rested is on the list again when the notice was lifted before.
    app.set(at("2026-11-02T07:00:00Z"));
    lift(&clinic, 710, LEAD).await.expect(201);
    assert!(listed().await.contains(&flush));
}

#[sqlx::test]
async fn a_notice_for_an_area_finds_its_clinics_and_is_lifted_in_each_by_itself(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T09:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let next = scenario::clinic_of(&app, clinic.admin.clone(), "Europe/London", 50).await;
    people(&clinic).await;
    for (clinic_id, area) in [(clinic.clinic_id, "Lower Valley"), (next.clinic_id, "Upper Valley")] {
        let body = json!({ "name": "Clinic", "zone": "Europe/London", "supply_area": area });
        clinic.admin.put(&format!("/v1/clinics/{clinic_id}"), body).await.expect(200);
    }
    let path = format!("/v1/water-advisories/{}", id(NOTICE));
    let mut body = json!({ "authority": "Saltmarrow Water", "area": "lower valley", "opened_by": "IB",
                           "started_at": "2026-11-02T08:00:00Z" });
    let first = clinic.admin.put(&path, body.clone()).await.expect(201);
    assert_eq!(first["clinics"].as_array().expect("clinics").len(), 1);
    assert_eq!(first["clinics"][0]["clinic_id"], json!(clinic.clinic_id));
    assert_eq!(clinic.admin.put(&path, body.clone()).await.expect(200), first);
    // The same notice reaches the other clinic later.
    body["clinic_ids"] = json!([next.clinic_id]);
    assert_eq!(
        clinic.admin.put(&path, body.clone()).await.expect(201)["clinics"].as_array().expect("clinics").len(),
        2
    );
    body["authority"] = json!("Somebody else");
    assert_eq!(clinic.admin.put(&path, body.clone()).await.expect(409)["type"], "/problems/advisory-differs");
    body["clinic_ids"] = json!([]);
    assert_eq!(clinic.admin.put(&path, body.clone()).await.pointers(), ["/clinic_ids"]);

    let lifting = |n: u32, clinic_id: Uuid| {
        json!({ "lifting_id": id(n), "reason": "letter", "lifted_at": "2026-11-02T09:00:00Z", "clinic_ids": [clinic_id],
                "signature": { "staff_id": id(LEAD), "pin": "80146" } })
    };
    let lifted = format!("{path}/lifting");
    let once = clinic.admin.post(&lifted, lifting(710, clinic.clinic_id)).await.expect(201);
    assert_eq!(clinic.admin.post(&lifted, lifting(710, clinic.clinic_id)).await.expect(200), once);
    let again = clinic.admin.post(&lifted, lifting(711, clinic.clinic_id)).await.expect(409);
    assert_eq!(again["type"], "/problems/advisory-lifted");
    let list = async |query: &str| {
        let page = clinic.admin.get(&format!("/v1/water-advisories?{query}")).await.expect(200);
        page["items"].as_array().expect("items").len()
    };
    assert_eq!(list("in_force=true").await, 1);
    assert_eq!(list(&format!("in_force=true&clinic_id={}", clinic.clinic_id)).await, 0);
    assert_eq!(list(&format!("clinic_id={}", clinic.clinic_id)).await, 1);

    // What cannot be is refused, and nothing of it is kept.
    let before = contents(&pool, id(1)).await;
    let mut early = lifting(712, next.clinic_id);
    early["lifted_at"] = json!("2026-11-02T08:00:00Z");
    assert_eq!(clinic.admin.post(&lifted, early.clone()).await.pointers(), ["/lifted_at"]);
    early["lifted_at"] = json!("2026-11-02T09:05:00Z");
    assert_eq!(clinic.admin.post(&lifted, early).await.pointers(), ["/lifted_at"]);
    assert_eq!(clinic.admin.post(&lifted, lifting(713, id(999))).await.pointers(), ["/clinic_ids/0"]);
    let mut late = notice(&clinic, "2026-11-02T09:05:00Z");
    assert_eq!(
        clinic.admin.put(&format!("/v1/water-advisories/{}", id(701)), late.clone()).await.pointers(),
        ["/started_at"]
    );
    late["clinic_ids"] = Value::Null;
    late["area"] = json!("Nowhere");
    late["started_at"] = json!("2026-11-02T09:00:00Z");
    assert_eq!(clinic.admin.put(&format!("/v1/water-advisories/{}", id(701)), late).await.pointers(), ["/area"]);
    assert_eq!(contents(&pool, id(1)).await, before);
}
