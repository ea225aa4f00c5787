//! What the records of operatories and equipment lack: one by one, and as a clinic's board.

use std::collections::BTreeSet;

use axum::http::Method;
use chrono::{DateTime, Days, Utc};
use serde_json::{Value, json};
use sqlx::PgPool;
use uuid::Uuid;

use crate::support::app::App;
use crate::support::scenario::{self, Clinic, routine};
use crate::support::{at, id};

const LEAD: u32 = 801;

/// A lead who is trained to release.
async fn lead(clinic: &Clinic<'_>) {
    let path = format!("/v1/staff/{}", id(LEAD));
    let person = json!({ "name": "Mara Oduya", "initials": "MO", "role": "clinic_lead", "active_from": "2024-01-01" });
    clinic.admin.put(&path, person).await.expect(201);
    clinic.admin.put(&format!("{path}/pin"), json!({ "pin": "80146" })).await.expect(204);
    let competence = json!({ "for_what": { "kind": "family", "family": "release" }, "valid_from": "2026-01-01",
                             "signed_off_by": "the group's lead" });
    clinic.admin.put(&format!("{path}/competences/{}", id(LEAD)), competence).await.expect(201);
}

async fn quarantine(clinic: &Clinic<'_>, n: u32, body: Value) {
    let mut whole = json!({ "reason": "it leaks", "begun_by": "IB" });
    whole.as_object_mut().expect("an object").extend(body.as_object().expect("an object").clone());
    clinic.tablet.put(&format!("/v1/quarantines/{}", id(n)), whole).await.expect(201);
}

async fn board(clinic: &Clinic<'_>) -> Value {
    clinic.desk.get(&format!("/v1/clinics/{}/readiness", clinic.clinic_id)).await.expect(200)
}

/// The chair's place on the board, which must say what the chair's own answer says.
async fn chair(clinic: &Clinic<'_>) -> Value {
    let whole = board(clinic).await;
    let found =
        whole["operatories"].as_array().expect("a list").iter().find(|o| o["operatory_id"] == json!(clinic.chair));
    let found = found.expect("the chair is on the board").clone();
    let one = clinic.tablet.get(&format!("/v1/operatories/{}/readiness", clinic.chair)).await.expect(200);
    for field in ["ready_by_record", "missing", "standing"] {
        assert_eq!(found[field], one[field], "{field}");
    }
    found
}

#[sqlx::test]
async fn a_quarantine_stands_against_a_chair_until_a_named_person_released_it(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T07:40:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    lead(&clinic).await;
    let before = chair(&clinic).await;
    assert_eq!(before["missing"][0]["lack"], "record_missing");
    assert_eq!(before["missing"][0]["solved_by"], "chairside");
    let flush = clinic.due_of(routine::start_flush()).await;
    clinic.tablet.post("/v1/completions", clinic.flush(7001, &flush, 125)).await.expect(201);
    assert_eq!(chair(&clinic).await["ready_by_record"], json!(true));

    quarantine(&clinic, 870, json!({ "subject_id": clinic.chair, "line": "syringe" })).await;
    let held = chair(&clinic).await;
    assert_eq!(held["ready_by_record"], json!(false));
    assert_eq!(
        held["standing"],
        json!([{ "kind": "quarantine", "id": id(870), "action_id": null, "line": "syringe", "reason": "it leaks",
                 "since": "2026-11-02T07:40:00Z", "solved_by": "clinic_lead", "waits_for": null }])
    );

    app.set(at("2026-11-02T08:10:00Z"));
    let signed = json!({ "release_id": id(871), "reason": "the seal was changed",
                         "signature": { "staff_id": id(LEAD), "pin": "80146" } });
    clinic.tablet.post(&format!("/v1/quarantines/{}/release", id(870)), signed).await.expect(201);
    let after = chair(&clinic).await;
    assert_eq!((&after["ready_by_record"], &after["standing"]), (&json!(true), &json!([])));
}

#[sqlx::test]
async fn a_machine_is_held_by_its_own_quarantine_and_not_by_that_of_a_load(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T07:40:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let path = format!("/v1/equipment/{}/readiness", clinic.steriliser);
    assert_eq!(clinic.desk.get(&path).await.expect(200)["ready_by_record"], json!(true));
    quarantine(&clinic, 870, json!({ "subject_id": clinic.steriliser, "load_reference": "L-17" })).await;
    assert_eq!(clinic.desk.get(&path).await.expect(200)["standing"], json!([]));
    quarantine(&clinic, 871, json!({ "subject_id": clinic.steriliser })).await;
    let held = clinic.desk.get(&path).await.expect(200);
    assert_eq!((&held["ready_by_record"], &held["standing"][0]["id"]), (&json!(false), &json!(id(871))));
    assert!(held["notice"].as_str().is_some_and(|notice| notice.contains("records only")), "{held}");
    // An operatory is no equipment, nor the other way round; a chair's tablet sees no machine.
    clinic.desk.get(&format!("/v1/equipment/{}/readiness", clinic.chair)).await.expect(404);
    clinic.desk.get(&format!("/v1/operatories/{}/readiness", clinic.steriliser)).await.expect(404);
    let reach = json!({ "kind": "operatory", "operatory_id": clinic.chair });
    let tablet = clinic.admin.key("chairside", reach).await;
    tablet.get(&path).await.expect(404);
    tablet.get(&format!("/v1/clinics/{}/readiness", clinic.clinic_id)).await.expect(404);
}

#[sqlx::test]
async fn a_board_that_asks_again_is_told_304_until_something_changes(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T07:40:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let path = format!("/v1/clinics/{}/readiness", clinic.clinic_id);
    let first = clinic.desk.get(&path).await;
    let tag = first.header("etag").to_owned();
    let again = async || clinic.desk.call(Method::GET, &path, &[("if-none-match", &tag)], None).await;
    app.set(at("2026-11-02T07:41:00Z"));
    assert_eq!(again().await.status.as_u16(), 304);
    quarantine(&clinic, 870, json!({ "subject_id": clinic.chair })).await;
    assert_ne!(again().await.expect(200), first.json());
}

/// What the look of `store::readiness` must find, written as a walk through all that was planned.
const WALK: &str = "
    with come as (
        select task_id, subject_id, routine_id, blocks_at, coalesce(failed_at <= $2, false) as failed,
               task_state(outcome, outcome_at, due_from, due_by, overdue_at, missed_at, $2) as state
        from task where group_id = $1 and blocks_at <= $2
    )
    select c.task_id from come c
    where c.state not in ('void', 'not_required') and not (c.state = 'done' and not c.failed)
      and not exists (select from come d where d.subject_id = c.subject_id and d.routine_id = c.routine_id
                      and d.state = 'done' and not d.failed and (d.blocks_at, d.task_id) > (c.blocks_at, c.task_id))";

#[sqlx::test]
async fn the_look_from_the_end_finds_what_a_walk_through_all_history_finds(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T06:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let mut sizes = BTreeSet::new();
    for day in 0..9 {
        let morning: DateTime<Utc> = at("2026-11-02T07:40:00Z") + Days::new(day);
        app.set(morning);
        app.plan().await;
        // Monday's is done, Tuesday's missed, Wednesday's too short …; nothing falls due on a closed day.
        let due = clinic.due(0).await;
        let flush = due.iter().find(|task| task["routine_id"] == json!(routine::start_flush()));
        if let Some(flush) = flush.filter(|_| day % 3 != 1) {
            let seconds = if day % 3 == 0 { 125 } else { 20 };
            let n = 7001 + u32::try_from(day).expect("a small number");
            clinic.tablet.post("/v1/completions", clinic.flush(n, flush, seconds)).await.expect(201);
        }
        for hours in [0, 1, 5, 12] {
            let instant = morning + chrono::TimeDelta::hours(hours);
            let walked: Vec<Uuid> =
                sqlx::query_scalar(WALK).bind(id(1)).bind(instant).fetch_all(&pool).await.expect("walked");
            let mut tx = chairtide::store::begin(&pool, id(1)).await.expect("begun");
            let subjects = [clinic.chair, clinic.steriliser];
            let looked =
                chairtide::store::readiness::list_blocking(&mut tx, id(1), &subjects, instant).await.expect("read");
            let looked: BTreeSet<Uuid> = looked.into_values().flatten().map(|task| task.id.as_uuid()).collect();
            let walked: BTreeSet<Uuid> = walked.into_iter().collect();
            sizes.insert(walked.len());
            assert_eq!(looked, walked, "{instant}");
        }
    }
    assert!(sizes.len() >= 3, "days with nothing, with one and with several lacks were seen: {sizes:?}");
}
