//! Who had a hand in an action: named by id, flagged where odd, and no second person.

use axum::http::Method;
use serde_json::{Value, json};
use sqlx::PgPool;

use super::{
    ASSISTANT, CLINICIAN, LEAD, action, clinic_with_spore_chain, clinic_with_strips, close, cycle, kind_of, only_open,
    people, record, release, signature, spore_in, step, strip, strips, up_to_the_repeat,
};
use crate::support::app::App;
use crate::support::scenario::{self, Clinic, routine};
use crate::support::{at, id};

/// A clinician who is trained for releases.
const TRAINED: u32 = 806;
/// An engineer who left the day before.
const GONE: u32 = 807;

async fn more_people(clinic: &Clinic<'_>) {
    for (n, name, initials, role, until) in [
        (TRAINED, "Pia Sorrel", "PS", "clinician", Value::Null),
        (GONE, "Ode Farrow", "OF", "engineer", json!("2026-11-01")),
    ] {
        let mut person = json!({ "name": name, "initials": initials, "role": role, "active_from": "2024-01-01" });
        if !until.is_null() {
            person["active_until"] = until;
        }
        clinic.admin.put(&format!("/v1/staff/{}", id(n)), person).await.expect(201);
        clinic.admin.put(&format!("/v1/staff/{}/pin", id(n)), json!({ "pin": format!("{n}46") })).await.expect(204);
    }
    let competence = json!({ "for_what": { "kind": "family", "family": "release" }, "valid_from": "2026-01-01",
                             "signed_off_by": "the group's lead" });
    clinic.admin.put(&format!("/v1/staff/{}/competences/{}", id(TRAINED), id(1)), competence).await.expect(201);
}

fn flags_of(recorded: &Value) -> Vec<&str> {
    recorded["flags"].as_array().expect("flags").iter().map(|note| note["flag"].as_str().expect("a name")).collect()
}

/// A record of a step that names the person by id alone.
fn by_id(clinic: &Clinic<'_>, n: u32, who: u32, more: &Value) -> Value {
    let mut body = record(clinic, n, more);
    body.as_object_mut().expect("an object").remove("performed_by");
    body["staff_id"] = json!(id(who));
    body
}

#[sqlx::test]
async fn a_step_is_a_persons_and_what_is_odd_about_them_is_kept_shown_and_listed(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T06:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    people(&clinic).await;
    more_people(&clinic).await;
    app.set(at("2026-11-02T09:00:00Z"));
    let path = format!("/v1/corrective-actions/{}", id(870));
    let body = json!({ "kind": "separator_full_or_faulty", "subject_id": clinic.clinic_id, "reason": "alarm on",
                       "opened_by": "SQ" });
    let item = clinic.tablet.put(&path, body).await.expect(201);
    let with_pin = |pin: &str| by_id(&clinic, 810, CLINICIAN, &json!({ "pin": pin }));
    let right = signature(CLINICIAN)["pin"].as_str().expect("a PIN").to_owned();
    let wrong = step(&clinic, &item, "decide-use", with_pin("000000")).await;
    assert_eq!((wrong.status.as_u16(), kind_of(&wrong).as_str()), (403, "/problems/signature-refused"));
    let mut nobodys = record(&clinic, 810, &json!({ "pin": "471146" }));
    assert_eq!(step(&clinic, &item, "decide-use", nobodys.clone()).await.pointers(), ["/staff_id"]);
    nobodys["staff_id"] = json!(id(899));
    nobodys.as_object_mut().expect("an object").remove("pin");
    assert_eq!(step(&clinic, &item, "decide-use", nobodys.clone()).await.pointers(), ["/staff_id"]);
    for field in ["staff_id", "performed_by"] {
        nobodys.as_object_mut().expect("an object").remove(field);
    }
    assert_eq!(step(&clinic, &item, "decide-use", nobodys).await.pointers(), ["/performed_by"]);

    // Signed by the step's owner: the initials are the register's.
    let kept = step(&clinic, &item, "decide-use", with_pin(&right)).await.expect(201);
    assert_eq!(
        (&kept["performed_by"], &kept["staff_id"], &kept["signed"], &kept["flags"]),
        (&json!("KV"), &json!(id(CLINICIAN)), &json!(true), &json!([]))
    );
    // A repeat asks for no PIN, and another person is another record.
    assert_eq!(step(&clinic, &item, "decide-use", by_id(&clinic, 810, CLINICIAN, &json!({}))).await.expect(200), kept);
    let other = step(&clinic, &item, "decide-use", by_id(&clinic, 810, LEAD, &json!({}))).await;
    assert_eq!(kind_of(&other), "/problems/step-recorded");

    // Who left the day before, with another's initials; and a lead in the assistant's place.
    app.advance(chrono::TimeDelta::minutes(1));
    let mut gone = by_id(&clinic, 811, GONE, &json!({ "reference": "W 4" }));
    gone["performed_by"] = json!("IB");
    let kept = step(&clinic, &item, "replace-or-repair", gone).await.expect(201);
    assert_eq!(flags_of(&kept), ["person_inactive", "initials_differ"]);
    app.advance(chrono::TimeDelta::minutes(1));
    let lead = by_id(&clinic, 812, LEAD, &json!({ "result": "passed" }));
    let kept = step(&clinic, &item, "look-again", lead).await.expect(201);
    assert_eq!((flags_of(&kept), &kept["signed"]), (vec!["not_the_owner"], &json!(false)));
    let shown = action(&clinic, &item).await;
    assert_eq!(shown["steps"][2]["record"]["flags"], kept["flags"]);

    let list = "/v1/entries-to-review/steps";
    let items = clinic.manager.get(list).await.expect(200)["items"].clone();
    let listed: Vec<_> = items.as_array().expect("a list").iter().map(|i| (&i["step"], &i["record_id"])).collect();
    assert_eq!(listed, [(&json!("look-again"), &json!(id(812))), (&json!("replace-or-repair"), &json!(id(811)))]);
    let one = clinic.manager.get(&format!("{list}?flag=initials_differ")).await.expect(200)["items"].clone();
    assert_eq!((one.as_array().map(Vec::len), &one[0]["staff_id"]), (Some(1), &json!(id(GONE))));
    let page = clinic.manager.get(&format!("{list}?limit=1")).await;
    let link = page.header("link");
    assert!(link.starts_with("</v1/entries-to-review/steps?") && link.contains("rel=\"next\""), "{link}");
    let csv = clinic.manager.call(Method::GET, list, &[("accept", "text/csv")], None).await;
    assert!(csv.text.starts_with("record_id,action_id,") && csv.text.contains(",person_inactive initials_differ\r\n"));
    clinic.tablet.get(list).await.expect(403);
    // The lead who reviews the day is shown them; the day before had none.
    for (day, shown) in [("2026-11-02", json!([id(812), id(811)])), ("2026-11-01", json!([]))] {
        let path = format!("/v1/clinics/{}/days/{day}/review", clinic.clinic_id);
        let steps = clinic.manager.get(&path).await.expect(200)["steps_to_review"].clone();
        let ids: Vec<Value> = steps.as_array().expect("a list").iter().map(|s| s["record_id"].clone()).collect();
        assert_eq!(json!(ids), shown, "{day}");
    }

    // Known by id, whatever initials they were entered with.
    let third = |who| close(&clinic, &item, 860, who);
    for (who, did) in [(LEAD, "recorded step look-again"), (CLINICIAN, "recorded step decide-use")] {
        let refused = third(who).await;
        assert_eq!(kind_of(&refused), "/problems/second-person-needed");
        assert!(refused.text.contains(did), "{}", refused.text);
    }
    third(TRAINED).await.expect(201);
    // Other systems are told the same.
    app.set(at("2026-11-03T09:00:00Z"));
    let told = clinic.manager.get("/v1/exports/corrective_action_steps").await.text;
    let rows: Vec<Value> = told.lines().map(|line| serde_json::from_str(line).expect("JSON")).collect();
    let row = rows.iter().find(|row| row["record_id"] == json!(id(811))).expect("the step");
    assert_eq!(
        (&row["staff_id"], &row["signed"], &row["flags"]),
        (&json!(id(GONE)), &json!(false), &json!(["person_inactive", "initials_differ"]))
    );
}

#[sqlx::test]
async fn a_step_that_rests_on_tests_takes_the_competence_of_their_family(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T06:00:00Z")).await;
    let clinic = clinic_with_strips(&app).await;
    let (_, mut content) = scenario::routines().pop().expect("the spore test");
    content["on_fail"] = json!("positive_spore_test");
    content["family"] = json!("sterilisers");
    content["steps"] =
        json!([{ "key": "growth", "instruction": "Read both strips.", "evidence": { "kind": "spore_test" } }]);
    let body = json!({ "effective_on": "2026-11-01", "routine": content });
    clinic.admin.put(&format!("/v1/routines/{}", routine::spore_test()), body).await.expect(200);
    spore_in(&clinic, 830, true, "loaded").await;
    let item = only_open(&clinic).await;
    app.advance(chrono::TimeDelta::minutes(20));
    spore_in(&clinic, 831, false, "loaded").await;
    up_to_the_repeat(&app, &clinic, &item).await;
    let repeat = by_id(&clinic, 843, ASSISTANT, &json!({ "completion_id": id(831) }));
    assert_eq!(flags_of(&step(&clinic, &item, "repeat-test", repeat).await.expect(201)), ["no_competence"]);
    let shown = action(&clinic, &item).await;
    let flags: Vec<_> = shown["steps"].as_array().expect("steps").iter().map(|s| &s["record"]["flags"]).collect();
    // The first is the assistant's own, and the next two are the lead's.
    assert_eq!(flags[0], &json!([]));
    assert!(flags[1..3].iter().all(|flags| flags[0]["flag"] == "not_the_owner"), "{shown}");
}

#[sqlx::test]
async fn whoever_recorded_the_failure_or_what_stands_in_its_place_neither_closes_nor_releases(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T06:00:00Z")).await;
    let clinic = clinic_with_spore_chain(&app).await;
    more_people(&clinic).await;
    let task = clinic.due_in_clinic(routine::spore_test()).await;
    let failed = clinic.spore(830, &task, Some("1"));
    clinic.tablet.post("/v1/completions", failed).await.expect(201);
    let item = only_open(&clinic).await;
    let quarantine = action(&clinic, &item).await["quarantine_ids"][0].clone();
    // The assistant says that the result is still awaited, and the lead, who corrects nothing by that, enters it.
    app.advance(chrono::TimeDelta::minutes(5));
    let mut awaited = strip(&clinic, 831, &task, None);
    awaited["corrects"] = json!(id(830));
    awaited["reason"] = json!("the strip of another machine was read");
    clinic.tablet.post("/v1/completions", awaited).await.expect(201);
    app.advance(chrono::TimeDelta::minutes(5));
    let mut result = clinic.spore(832, &task, Some("0"));
    result["performed_by"] = json!("mo");
    clinic.tablet.post("/v1/completions", result).await.expect(201);
    assert_eq!(action(&clinic, &item).await["cause_lifted"], json!(true));
    for (who, did) in [(CLINICIAN, "recorded what opened the action"), (LEAD, "recorded what was said in the place of")]
    {
        let refused = close(&clinic, &item, 860, who).await;
        assert_eq!((refused.status.as_u16(), kind_of(&refused).as_str()), (409, "/problems/second-person-needed"));
        assert!(refused.text.contains(did), "{}", refused.text);
    }
    let closed = close(&clinic, &item, 860, TRAINED).await.expect(201);
    assert_eq!(closed["closing"]["grounds"], "cause_corrected");
    // The lead is trained for releases, and is the one whose word it rests on.
    let own = release(&clinic, &quarantine, 850, LEAD).await;
    assert_eq!((own.status.as_u16(), kind_of(&own).as_str()), (409, "/problems/second-person-needed"));
    let released = release(&clinic, &quarantine, 850, TRAINED).await.expect(201);
    assert_eq!(released["release"]["released_by"], "Pia Sorrel");
}

#[sqlx::test]
async fn whoever_recorded_the_repeat_that_a_step_rests_on_does_not_close_the_action(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T06:00:00Z")).await;
    let clinic = clinic_with_strips(&app).await;
    more_people(&clinic).await;
    spore_in(&clinic, 830, true, "loaded").await;
    let item = only_open(&clinic).await;
    app.advance(chrono::TimeDelta::minutes(20));
    let task = clinic.due_in_clinic(routine::spore_test()).await;
    cycle(&clinic, 1831, "wrapped 134").await;
    let ran = json!({ "cycle_id": id(1831), "chamber": "loaded" });
    let mut repeated = strips(&clinic, 831, &task, false, &ran);
    // By id, with nobody's initials: an id is enough.
    repeated["performed_by"] = json!("--");
    repeated["staff_id"] = json!(id(CLINICIAN));
    clinic.tablet.post("/v1/completions", repeated).await.expect(201);
    up_to_the_repeat(&app, &clinic, &item).await;
    let repeat = record(&clinic, 843, &json!({ "completion_id": id(831) }));
    step(&clinic, &item, "repeat-test", repeat).await.expect(201);
    step(&clinic, &item, "other-records", record(&clinic, 846, &json!({ "result": "passed" }))).await.expect(201);
    // The machine, and the loads in doubt.
    let standing = format!("/v1/clinics/{}/quarantines?standing=true", clinic.clinic_id);
    let out = clinic.tablet.get(&standing).await.expect(200)["items"].as_array().expect("a list").clone();
    for (n, quarantine) in (850..).zip(&out) {
        release(&clinic, &quarantine["quarantine_id"], n, TRAINED).await.expect(201);
    }
    let refused = close(&clinic, &item, 860, CLINICIAN).await;
    assert_eq!(kind_of(&refused), "/problems/second-person-needed");
    assert!(refused.text.contains("recorded what step repeat-test rests on"), "{}", refused.text);
    // Who released it had no hand in the steps.
    close(&clinic, &item, 860, TRAINED).await.expect(201);
}
