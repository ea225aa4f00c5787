//! What belongs to one group is out of every other group's sight and reach: in the database and over HTTP.

use std::collections::{BTreeMap, BTreeSet};

use axum::body::Body;
use axum::http::{Method, Request, StatusCode};
use chairtide::domain::access::Role;
use chairtide::domain::chain::ChainKind;
use chairtide::http::openapi;
use chrono::TimeDelta;
use serde_json::{Value, json};
use sqlx::{AssertSqlSafe, PgPool};
use uuid::Uuid;

use crate::support::app::{App, Client};
use crate::support::contents::{contents, tables};
use crate::support::scenario::{self, Clinic, routine};
use crate::support::{at, id};

/// SQLSTATE `insufficient_privilege` (PostgreSQL documentation, appendix A).
const NO_RIGHT: &str = "42501";

/// A clinic with something in every table, and the ids of all that can be named in a path.
pub(crate) struct Full<'a> {
    clinic: Clinic<'a>,
    ids: BTreeMap<&'static str, String>,
    /// Texts that stand in no other clinic's documents.
    marks: Vec<String>,
}

/// Fills the clinic of a group; `offset` keeps ids apart.
#[expect(clippy::too_many_lines, reason = "one list of one of everything")]
pub(crate) async fn fill<'a>(app: &'a App, admin: Client<'a>, offset: u32) -> Full<'a> {
    app.set(at("2026-11-02T07:40:00Z"));
    let clinic = scenario::clinic_of(app, admin, "Europe/London", offset).await;
    let own = |n: u32| id(1_000 * (offset + 1) + n);
    let here = format!("/v1/clinics/{}", clinic.clinic_id);
    let closure = json!({ "from_local": "2026-12-24T14:00", "until_local": "2026-12-27T00:00", "reason": "holidays" });
    clinic.admin.put(&format!("{here}/closures/{}", own(1)), closure).await.expect(201);
    let special = json!({ "sessions": [{ "opens": "09:00", "closes": "13:00" }], "reason": "extra Saturday" });
    clinic.admin.put(&format!("{here}/special-openings/2026-12-05"), special).await.expect(201);
    clinic.admin.put(&format!("{here}/weeks/2027-06-01"), json!({ "week": scenario::split_week() })).await.expect(201);
    clinic.admin.call(Method::PUT, &format!("{here}/full-days/2026-12-04"), &[], None).await.expect(201);
    let cycle = json!({ "cycle_id": own(7), "ended_at": "2026-11-02T07:30:00Z" });
    clinic.tablet.post(&format!("/v1/equipment/{}/cycles", clinic.steriliser), cycle).await.expect(201);
    worked_with(&clinic, offset).await;
    let rungs = json!([{ "after_minutes": 5, "counted_in": "elapsed_time", "audience": "clinic_lead" }]);
    let ladder = clinic.admin.put("/v1/ladder", json!({ "rungs": rungs })).await;
    assert!(ladder.status.is_success(), "{}", ladder.text);
    let (_, mut content) = scenario::routines().remove(0);
    content["name"] = json!(format!("Flush of group {offset}"));
    content["selection"] = json!({ "clinic_ids": [clinic.clinic_id] });
    let own_routine = json!({ "effective_on": "2026-11-02", "routine": content });
    clinic.admin.put(&format!("/v1/routines/{}", own(2)), own_routine).await.expect(201);
    app.plan().await;

    let flush = clinic.due_of(own(2)).await;
    let task_id = flush["task_id"].as_str().expect("an id").to_owned();
    let hold = json!({ "hold_id": own(3), "step": "flush:syringe", "performed_by": "KV" });
    clinic.tablet.post(&format!("/v1/tasks/{task_id}/holds"), hold).await.expect(201);
    let mut done = clinic.flush(0, &flush, 125);
    done["completion_id"] = json!(own(4));
    clinic.tablet.post("/v1/completions", done).await.expect(201);
    app.set(at("2026-11-02T08:30:00Z"));
    clinic.desk.post(&format!("{here}/day-start"), json!({})).await.expect(201);
    clinic.leave("2026-11-02T08:29:00Z").await;
    let key = json!({ "key_id": own(5), "label": format!("key of group {offset}"), "role": "reader",
                      "reach": { "kind": "group" } });
    clinic.admin.post("/v1/keys", key).await.expect(201);
    let feed = json!({ "feed_id": own(6), "label": format!("feed of group {offset}"), "audience": "chairside",
                       "component": "task" });
    clinic.admin.post(&format!("{here}/feeds"), feed).await.expect(201);
    people(&clinic, offset).await;
    what_failed(app, &clinic, offset, flush["task_id"].as_str().expect("an id")).await;
    what_is_kept(app, &clinic, offset).await;
    // What only an upgrade of the zone data makes.
    let group = clinic.admin.get("/v1/group").await.expect(200);
    sqlx::query(
        "insert into zone_move (group_id, clinic_id, moved_at, task_id, from_release, to_release, anchor_before,
                                anchor_after)
         values ($1, $2, '2026-11-01T00:00Z', $3, '2025b', '2026f',
                 '2026-11-02T08:30Z', '2026-11-02T09:30Z')",
    )
    .bind(group["group_id"].as_str().and_then(|id| id.parse::<Uuid>().ok()))
    .bind(clinic.clinic_id)
    .bind(flush["task_id"].as_str().and_then(|id| id.parse::<Uuid>().ok()))
    .execute(&app.pool)
    .await
    .expect("kept");
    // What only an edit behind the service's back makes.
    app.set(at("2026-11-03T00:10:00Z"));
    chairtide::jobs::sealer::seal(&app.pool, &app.clock).await.expect("it ticks");
    sqlx::query(
        "insert into seal_finding (group_id, finding_id, clinic_id, found_at, finding)
         values ($1, $2, $3, '2026-11-03T00:10Z', '{\"finding\": \"leaves_changed\", \"clinic_day\": \"2026-11-02\"}')",
    )
    .bind(group["group_id"].as_str().and_then(|id| id.parse::<Uuid>().ok()))
    .bind(own(8))
    .bind(clinic.clinic_id)
    .execute(&app.pool)
    .await
    .expect("kept");
    app.set(at("2026-11-02T08:30:00Z"));
    let ids = BTreeMap::from([
        ("clinic_id", clinic.clinic_id.to_string()),
        ("operatory_id", clinic.chair.to_string()),
        ("equipment_id", clinic.steriliser.to_string()),
        ("closure_id", own(1).to_string()),
        ("opens_on", "2026-12-05".to_owned()),
        ("effective_on", "2027-06-01".to_owned()),
        ("full_on", "2026-12-04".to_owned()),
        ("event_id", own(6).to_string()),
        ("routine_id", own(2).to_string()),
        ("hold_id", own(3).to_string()),
        ("completion_id", own(4).to_string()),
        ("key_id", own(5).to_string()),
        ("product_id", own(9).to_string()),
        ("instrument_id", own(11).to_string()),
        ("own_limit_id", own(12).to_string()),
        ("cycle_id", own(13).to_string()),
        ("lot_id", own(10).to_string()),
        ("feed_id", own(6).to_string()),
        ("staff_id", own(9).to_string()),
        ("competence_id", own(10).to_string()),
        ("clinic_day", "2026-11-02".to_owned()),
        ("task_id", task_id),
        ("quarantine_id", own(9).to_string()),
        ("action_id", own(10).to_string()),
        ("sign_off_id", own(15).to_string()),
        ("advisory_id", own(16).to_string()),
        ("step_key", "replace-or-repair".to_owned()),
        ("kind", "failed_load".to_owned()),
        ("legal_hold_id", own(14).to_string()),
        ("purge_id", own(14).to_string()),
        ("record_class", "amalgam".to_owned()),
    ]);
    let mut marks: Vec<String> = ids.values().filter(|v| v.len() == 36).cloned().collect();
    marks.extend([format!("Flush of group {offset}"), format!("key of group {offset}")]);
    Full { clinic, ids, marks }
}

/// What happened, and what work was done with: a repair, a cycle's record, an instrument, limits, a product and a lot of it.
async fn worked_with(clinic: &Clinic<'_>, offset: u32) {
    let own = |n: u32| id(1_000 * (offset + 1) + n);
    let here = format!("/v1/clinics/{}", clinic.clinic_id);
    let event = json!({ "kind": "repair", "happened_at": "2026-11-02T07:00:00Z", "subject_id": clinic.chair });
    clinic.manager.put(&format!("{here}/site-events/{}", own(6)), event).await.expect(201);
    let record = json!({ "csv": "elapsed_seconds,temperature_celsius\n0,134\n180,134\n", "performed_by": "KV" });
    let record_path = format!("/v1/equipment/{}/cycles/{}/record", clinic.steriliser, own(13));
    clinic.tablet.put(&record_path, record).await.expect(201);
    let instrument = json!({ "clinic_id": clinic.clinic_id, "name": format!("Instrument of group {offset}") });
    clinic.admin.put(&format!("/v1/instruments/{}", own(11)), instrument).await.expect(201);
    let limits = own_limits(&json!(clinic.clinic_id));
    clinic.admin.put(&format!("/v1/own-limits/{}", own(12)), limits).await.expect(201);
    let product = crate::products::product("Cleaner R", false, "7");
    clinic.admin.put(&format!("/v1/products/{}", own(9)), product).await.expect(201);
    let lot =
        json!({ "product_id": own(9), "clinic_id": clinic.clinic_id, "lot_number": "L-1", "expires_on": "2027-01-31" });
    clinic.tablet.put(&format!("/v1/lots/{}", own(10)), lot).await.expect(201);
    let opened = json!({ "opened_at": "2026-11-02T07:20:00Z", "performed_by": "KV" });
    clinic.tablet.put(&format!("/v1/lots/{}/opened", own(10)), opened).await.expect(201);
}

/// Somebody who works there, with a PIN and a competence, and a day on which they were there.
async fn people(clinic: &Clinic<'_>, offset: u32) {
    let own = |n: u32| id(1_000 * (offset + 1) + n);
    let here = format!("/v1/clinics/{}", clinic.clinic_id);
    let person = json!({ "name": format!("Person of group {offset}"), "initials": format!("P{offset}"),
                         "role": "assistant", "active_from": "2026-01-05", "clinic_ids": [clinic.clinic_id] });
    clinic.admin.put(&format!("/v1/staff/{}", own(9)), person).await.expect(201);
    clinic.admin.put(&format!("/v1/staff/{}/pin", own(9)), json!({ "pin": "4711" })).await.expect(204);
    let competence = json!({ "for_what": { "kind": "routine", "routine_id": own(2) }, "valid_from": "2026-01-05",
                             "signed_off_by": "MO" });
    clinic.admin.put(&format!("/v1/staff/{}/competences/{}", own(9), own(10)), competence).await.expect(201);
    let there = json!({ "staff_ids": [own(9)] });
    clinic.desk.put(&format!("{here}/presence/2026-11-02"), there).await.expect(201);
}

/// A clinic's own limit beside that of the line disinfection.
fn own_limits(clinic_id: &Value) -> Value {
    let source = json!({ "title": "invented for the test", "edition": "none", "seen": "from_memory" });
    json!({
        "clinic_id": clinic_id, "routine_id": scenario::routine::line_disinfection(), "step": "residual",
        "limits": [{ "operator": "le", "value": "4", "unit": "mg/L", "source": source, "set_by": "clinic" }],
        "reason": "invented for the test",
    })
}

/// Something in every table of what follows a failure; what needs a signature is written as the owner.
async fn what_failed(app: &App, clinic: &Clinic<'_>, offset: u32, task_id: &str) {
    let own = |n: u32| id(1_000 * (offset + 1) + n);
    let chain = clinic.admin.get("/v1/corrective-chains/failed_load").await.expect(200)["chain"].clone();
    let put = clinic.admin.put("/v1/corrective-chains/failed_load", chain).await;
    assert!(put.status.is_success(), "{}", put.text);
    let out = json!({ "subject_id": clinic.chair, "reason": "a hose drips", "begun_by": "KV" });
    clinic.tablet.put(&format!("/v1/quarantines/{}", own(9)), out).await.expect(201);
    let notice = json!({ "authority": "Saltmarrow Water", "started_at": app.clock.now(), "opened_by": "KV",
                         "clinic_ids": [clinic.clinic_id] });
    clinic.tablet.put(&format!("/v1/water-advisories/{}", own(16)), notice).await.expect(201);
    let action = json!({ "kind": "separator_full_or_faulty", "subject_id": clinic.clinic_id, "reason": "alarm on",
                         "opened_by": "KV" });
    let path = format!("/v1/corrective-actions/{}", own(10));
    clinic.tablet.put(&path, action).await.expect(201);
    let step =
        json!({ "record_id": own(11), "performed_at": app.clock.now(), "performed_by": "KV", "note": "stopped" });
    clinic.tablet.put(&format!("{path}/steps/decide-use"), step).await.expect(201);
    let group = clinic.admin.get("/v1/group").await.expect(200);
    for sql in [
        "insert into quarantine_release (group_id, release_id, quarantine_id, clinic_id, staff_id, released_by, reason,
                                         recorded_at, key_id)
         select group_id, $2, quarantine_id, clinic_id, $2, 'Mara Oduya', 'replaced', recorded_at, key_id
         from quarantine where group_id = $1 and quarantine_id = $3",
        "insert into corrective_action_note (group_id, note_id, action_id, clinic_id, kind, completion_id, recorded_at)
         select group_id, $2, action_id, clinic_id, 'duplicate', $2, recorded_at
         from corrective_action where group_id = $1 and action_id = $4",
        "insert into corrective_action_close (group_id, close_id, action_id, clinic_id, grounds, staff_id, closed_by,
                                              reason, recorded_at, key_id)
         select group_id, $2, action_id, clinic_id, 'steps_recorded', $2, 'Mara Oduya', 'read', recorded_at, key_id
         from corrective_action where group_id = $1 and action_id = $4",
        "insert into miss_reason (group_id, task_id, number, clinic_id, reason, told_by, recorded_at, key_id)
         select group_id, $5, 1, clinic_id, 'nobody there', 'KV', recorded_at, key_id
         from corrective_action where group_id = $1 and action_id = $4",
        "insert into water_advisory_lifting (group_id, advisory_id, clinic_id, lifting_id, notice_number, reason,
                                             lifted_at, recorded_at, staff_id, lifted_by, key_id)
         select group_id, advisory_id, clinic_id, $2, '', 'letter', started_at + interval '1 minute', recorded_at, $2,
                'Mara Oduya', key_id
         from water_advisory where group_id = $1 on conflict do nothing",
        "insert into day_sign_off (group_id, sign_off_id, clinic_id, clinic_day, number, staff_id, signed_by, review_digest,
                                   task_counts, explanations, entry_ids, recorded_at, key_id)
         select group_id, $2, clinic_id, '2026-11-01', 1, $2, 'Mara Oduya', sha256(''), '{}', '[]', '{}', recorded_at,
                key_id
         from corrective_action where group_id = $1 and action_id = $4",
        "insert into raised_flag (group_id, completion_id, flag, clinic_id, clinic_day, recorded_at)
         select group_id, completion_id, 'burst', clinic_id, clinic_day, recorded_at
         from completion where group_id = $1 on conflict do nothing",
    ] {
        // Each of them names all that any of them needs.
        let sql = format!("with n as (select $1::uuid, $2::uuid, $3::uuid, $4::uuid, $5::uuid) {sql}");
        sqlx::query(AssertSqlSafe(sql))
            .bind(group["group_id"].as_str().and_then(|id| id.parse::<Uuid>().ok()))
            .bind(own(12))
            .bind(own(9))
            .bind(own(10))
            .bind(task_id.parse::<Uuid>().ok())
            .execute(&app.pool)
            .await
            .expect("kept");
    }
}

/// How long something is kept, a legal hold, its lift, and a purge: what needs a signature or years is written as the owner.
async fn what_is_kept(app: &App, clinic: &Clinic<'_>, offset: u32) {
    let own = |n: u32| id(1_000 * (offset + 1) + n);
    let longer = json!({ "years": 12, "reason": format!("Kept longer by group {offset}") });
    clinic.admin.put(&format!("/v1/clinics/{}/retention/amalgam", clinic.clinic_id), longer).await.expect(201);
    let group = clinic.admin.get("/v1/group").await.expect(200);
    for sql in [
        "insert into legal_hold (group_id, legal_hold_id, clinic_id, reason, staff_id, begun_by, recorded_at, key_id)
         values ($1, $2, $3, 'an inquiry', $2, 'Mara Oduya', $4, $2)",
        "insert into legal_hold_lift (group_id, lift_id, legal_hold_id, clinic_id, reason, staff_id, lifted_by,
                                      recorded_at, key_id)
         values ($1, $2, $2, $3, 'it is closed', $2, 'Mara Oduya', $4, $2)",
        "insert into purge (group_id, purge_id, clinic_id, from_on, until_on, purged_on, record_count, days, classes,
                            reason, staff_id, purged_by, recorded_at, key_id)
         values ($1, $2, $3, '2014-01-01', '2014-12-31', '2026-11-02', 1, '[]', '[]', 'kept long enough', $2,
                 'Mara Oduya', $4, $2)",
        "with n as (select $4::timestamptz)
         insert into purge_entry (group_id, clinic_id, clinic_day, kind, id, leaf, purge_id)
         values ($1, $3, '2014-11-03', 'cycle_mark', $2::uuid::text, sha256('x'), $2)",
    ] {
        sqlx::query(AssertSqlSafe(sql))
            .bind(group["group_id"].as_str().and_then(|id| id.parse::<Uuid>().ok()))
            .bind(own(14))
            .bind(clinic.clinic_id)
            .bind(app.clock.now())
            .execute(&app.pool)
            .await
            .expect("kept");
    }
}

/// Every operation of the API's document under `/v1`: its id, method and path.
fn operations() -> Vec<(String, Method, String)> {
    let document = serde_json::to_value(openapi::document()).expect("JSON");
    let mut operations = Vec::new();
    for (path, item) in document["paths"].as_object().expect("paths").iter().filter(|(p, _)| p.starts_with("/v1/")) {
        for method in [Method::GET, Method::PUT, Method::POST, Method::DELETE] {
            if let Some(operation) = item.get(method.as_str().to_ascii_lowercase()) {
                operations.push((operation["operationId"].as_str().expect("an id").to_owned(), method, path.clone()));
            }
        }
    }
    assert!(operations.len() > 30, "{operations:?}");
    operations
}

/// A body the operation would take from its rightful caller, naming the other's things where it names any.
fn body(operation: &str, full: &Full<'_>) -> Option<Value> {
    let ids = &full.ids;
    let flush = json!({ "task_id": ids["task_id"] });
    let completion = full.clinic.flush(8_001, &flush, 125);
    Some(match operation {
        "put_clinic" => json!({ "name": "Taken over", "zone": "Europe/London" }),
        "put_hours" | "put_week" => json!({ "week": {} }),
        "put_closure" => json!({ "from_local": "2026-12-24T14:00", "until_local": "2026-12-28T00:00", "reason": "x" }),
        "put_special_opening" => json!({ "sessions": [{ "opens": "10:00", "closes": "11:00" }], "reason": "x" }),
        "put_site_event" => json!({ "kind": "repair", "happened_at": "2026-11-02T07:10:00Z" }),
        "record_cycle" => json!({ "cycle_id": id(8_003), "ended_at": "2026-11-02T07:10:00Z" }),
        "put_operatory" => scenario::operatory(full.clinic.clinic_id, "Taken over"),
        "put_cycle_record" => json!({ "csv": "elapsed_seconds,temperature_celsius\n0,121\n", "performed_by": "KV",
                                      "reason": "Taken over" }),
        "put_instrument" => json!({ "clinic_id": ids["clinic_id"], "name": "Taken over" }),
        "put_own_limits" => own_limits(&json!(ids["clinic_id"])),
        "put_equipment" => json!({ "clinic_id": ids["clinic_id"], "kind": "steriliser", "name": "Taken over",
                                   "service": { "state": "in_service" } }),
        "put_routine" => json!({ "routine": scenario::routines()[0].1 }),
        "put_product" => crate::products::product("Taken over", false, "7"),
        "put_lot" => json!({ "product_id": ids["product_id"], "clinic_id": ids["clinic_id"], "lot_number": "L-2",
                             "expires_on": "2027-01-31" }),
        "put_lot_opened" => json!({ "opened_at": "2026-11-02T07:10:00Z", "performed_by": "KV", "reason": "x" }),
        "put_lot_ended" => json!({ "how": "emptied", "ended_at": "2026-11-02T07:10:00Z", "performed_by": "KV" }),
        "put_lot_recall" => json!({ "recalled": true, "reason": "x", "authority": "x", "performed_by": "MO" }),
        "explain_log_reduction" => {
            let count = |value: &str| json!({ "qualifier": "eq", "value": value, "unit": "[CFU]/mL" });
            json!({ "before": count("580"), "after": count("0.725") })
        }
        "explain_dilution" => json!({ "reservoir_ml": "100", "recipe": { "kind": "ratio",
                                      "ratio": { "means": "one_in", "parts": "50" } } }),
        "put_ladder" => json!({ "rungs": [] }),
        "create_key" => json!({ "key_id": ids["key_id"], "label": "Taken over", "role": "reader",
                                "reach": { "kind": "clinics", "clinic_ids": [ids["clinic_id"]] } }),
        "create_feed" => json!({ "feed_id": id(8_003), "label": "Taken over", "audience": "chairside",
                                 "component": "task" }),
        "put_staff" => json!({ "name": "Taken over", "initials": "TO", "role": "assistant",
                               "active_from": "2026-01-05" }),
        "put_pin" => json!({ "pin": "802613" }),
        "put_competence" => json!({ "for_what": { "kind": "family", "family": "release" }, "valid_from": "2026-01-05",
                                    "signed_off_by": "x" }),
        "verify_signature" => json!({ "signature": { "staff_id": ids["staff_id"], "pin": "4711" } }),
        "put_presence" => json!({ "staff_ids": [] }),
        "start_day" | "end_day" | "seat_patient" | "leave_operatory" => json!({}),
        "put_quarantine" => json!({ "subject_id": ids["operatory_id"], "reason": "Taken over", "begun_by": "KV" }),
        "put_corrective_action" => json!({ "kind": "missed_routine", "subject_id": ids["operatory_id"],
                                           "reason": "Taken over", "opened_by": "KV" }),
        "record_corrective_action_step" => json!({ "record_id": id(8_004), "performed_at": "2026-11-02T07:45:00Z",
                                                   "performed_by": "KV", "reference": "R 1" }),
        "release_quarantine" | "close_corrective_action" => {
            let which = if operation == "release_quarantine" { "release_id" } else { "close_id" };
            json!({ which: id(8_005), "reason": "Taken over",
                    "signature": { "staff_id": id(8_006), "pin": "80264" } })
        }
        "put_water_advisory" => json!({ "authority": "Taken over", "clinic_ids": [ids["clinic_id"]], "opened_by": "KV",
                                        "started_at": "2026-11-02T07:10:00Z" }),
        "lift_water_advisory" => json!({ "lifting_id": id(8_005), "reason": "Taken over",
                                         "lifted_at": "2026-11-02T07:40:00Z",
                                         "signature": { "staff_id": id(8_006), "pin": "80264" } }),
        "put_day_signing" => json!({ "from_on": "2026-12-01", "is_asked": false }),
        "put_day_sign_off" => json!({ "review_digest": "0".repeat(64),
                                      "signature": { "staff_id": id(8_006), "pin": "80264" } }),
        "put_group_retention" | "put_clinic_retention" => json!({ "years": 20, "reason": "Taken over" }),
        "put_legal_hold" => json!({ "reason": "Taken over", "signature": { "staff_id": id(8_006), "pin": "80264" } }),
        "lift_legal_hold" => json!({ "lift_id": id(8_005), "reason": "Taken over",
                                     "signature": { "staff_id": id(8_006), "pin": "80264" } }),
        "put_purge" => json!({ "from": "2014-11-03", "until": "2014-11-03", "record_count": 1,
                               "digest": "0".repeat(64), "reason": "Taken over",
                               "signature": { "staff_id": id(8_006), "pin": "80264" } }),
        "put_miss_reason" => json!({ "reason": "Taken over", "told_by": "KV" }),
        "put_corrective_chain" => json!(chairtide::domain::chain::defaults::shipped(ChainKind::FailedLoad)),
        "start_hold" => json!({ "hold_id": id(8_002), "step": "flush:syringe", "performed_by": "KV" }),
        "end_hold" => json!({ "performed_by": "KV" }),
        "record_completion" => completion,
        "record_batch" => json!({ "completions": [completion] }),
        _ => return None,
    })
}

/// Sends the operation for the things of `full`.
async fn try_on(
    client: &Client<'_>,
    (operation, method, path): &(String, Method, String),
    full: &Full<'_>,
) -> crate::support::app::Answer {
    let path = full.ids.iter().fold(path.clone(), |path, (name, value)| path.replace(&format!("{{{name}}}"), value));
    let query = match operation.as_str() {
        "explain_absence" => {
            let (routine_id, subject_id) = (&full.ids["routine_id"], &full.ids["operatory_id"]);
            format!("?routine_id={routine_id}&subject_id={subject_id}&on=2026-11-02")
        }
        "get_record_proof" => format!("?kind=completion&record_id={}", full.ids["completion_id"]),
        "get_consistency_proof" => "?old_size=1".to_owned(),
        "get_readiness_history" => "?from=2026-11-02T07:00:00Z".to_owned(),
        "explain_purge" => "?until=2026-11-02".to_owned(),
        "list_loads" => "?load_reference=118".to_owned(),
        "list_purged_records" => "?clinic_day=2014-11-03".to_owned(),
        "get_evidence_pack" => "?from=2026-11-02&to=2026-11-02".to_owned(),
        "export_records" => format!("?clinic_id={}", full.ids["clinic_id"]),
        _ => String::new(),
    };
    // A kind of records is no id.
    let path = path.replace("{records}", "completions") + &query;
    assert!(!path.contains('{'), "{operation}: a parameter without a value in {path}");
    if operation == "import_closures" {
        let request = Request::post(path)
            .header("authorization", format!("Bearer {}", client.token))
            .header("content-type", "text/calendar")
            .body(Body::from("BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//test//EN\r\nEND:VCALENDAR\r\n"));
        return client.app.send(request.expect("a well-formed request")).await;
    }
    let body = body(operation, full);
    // A full day is a mark without content.
    let needs_body = matches!(*method, Method::PUT | Method::POST) && operation != "put_full_day";
    assert_eq!(body.is_some(), needs_body, "{operation}: whether it has a body here");
    client.call(method.clone(), &path, &[("idempotency-key", "\"trial\"")], body.as_ref()).await
}

/// What a key of another group gets to see: never a mark of this one. `put_clinic` and `put_routine` make something
/// of the caller's own under the same id; a test below shows that the two never meet.
#[sqlx::test]
async fn no_key_reaches_another_group_by_any_operation(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T07:40:00Z")).await;
    let theirs = fill(&app, app.group(id(1)).await, 0).await;
    let ours = fill(&app, app.group(id(2)).await, 50).await;
    let before = contents(&pool, id(1)).await;
    let mut got_past_the_role = BTreeSet::new();
    let with_ids: BTreeSet<_> = operations().into_iter().filter(|(.., p)| p.contains('{')).map(|(o, ..)| o).collect();
    for role in Role::ALL {
        let client = ours.clinic.admin.key(role.as_str(), json!({ "kind": "group" })).await;
        for operation in operations() {
            let (name, method, path) = &operation;
            let natural = ["put_clinic", "put_routine", "put_product", "put_staff", "put_group_retention"];
            if natural.contains(&name.as_str()) || name.contains("corrective_chain") {
                continue;
            }
            let answer = try_on(&client, &operation, &theirs).await;
            let request = format!("{name} as {}: {} {}", role.as_str(), answer.status, answer.text);
            if answer.status.is_success() {
                assert!(!with_ids.contains(name), "{request}");
                let shown = theirs.marks.iter().find(|mark| answer.text.contains(*mark));
                // A batch names the ids it was sent, beside the problem.
                assert!(shown.is_none() || name == "record_batch", "{request}");
                assert!(name != "record_batch" || answer.json()["answers"][0]["problem"]["status"] != json!(null));
            } else if answer.status != StatusCode::FORBIDDEN {
                let by_body =
                    ["put_operatory", "put_equipment", "create_key", "put_lot", "put_instrument", "put_own_limits"];
                let by_body = by_body.contains(&name.as_str());
                assert_eq!(answer.status.as_u16(), if by_body { 422 } else { 404 }, "{request}");
                got_past_the_role.insert(name.clone());
            }
            if role == Role::Administrator && *method == Method::GET && path.contains('{') {
                assert_eq!(answer.status, StatusCode::NOT_FOUND, "{request}");
            }
        }
        for query in ["overdue", "operatories", "equipment"] {
            let path = format!("/v1/{query}?clinic_id={}", theirs.clinic.clinic_id);
            let answer = client.get(&path).await;
            assert!(!theirs.marks.iter().any(|mark| answer.text.contains(mark)), "{path}: {}", answer.text);
        }
    }
    // Nothing was refused for its role alone: each operation was tried by somebody who may use it.
    let untried: Vec<_> = with_ids.difference(&got_past_the_role).collect();
    // Of a kind of failure each group has a chain of its own.
    let of_kind = ["get_corrective_chain", "list_corrective_chain_versions", "put_clinic", "put_corrective_chain"];
    let others = ["put_group_retention", "put_product", "put_routine", "put_staff"];
    assert_eq!(untried, of_kind.into_iter().chain(others).collect::<Vec<_>>());
    assert_eq!(contents(&pool, id(1)).await, before);
}

#[sqlx::test]
async fn two_groups_that_use_the_same_ids_never_meet(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T07:40:00Z")).await;
    let ours = fill(&app, app.group(id(1)).await, 0).await;
    app.plan().await;
    let before = contents(&pool, id(1)).await;
    let theirs = fill(&app, app.group(id(2)).await, 0).await;
    assert_eq!(theirs.ids, ours.ids);
    let site = format!("/v1/clinics/{}", ours.clinic.clinic_id);
    let renamed = json!({ "name": "Across the bay", "zone": "Australia/Adelaide" });
    theirs.clinic.admin.put(&site, renamed).await.expect(200);
    theirs.clinic.admin.delete(&format!("{site}/closures/{}", theirs.ids["closure_id"])).await;
    theirs.clinic.admin.delete(&format!("/v1/keys/{}", theirs.ids["key_id"])).await;
    app.plan().await;
    assert_eq!(contents(&pool, id(1)).await, before);
    assert_eq!(ours.clinic.admin.get(&site).await.expect(200)["name"], "Clinic 0");
    assert_eq!(theirs.clinic.admin.get(&site).await.expect(200)["name"], "Across the bay");
}

/// Operations on what belongs to the group as a whole and to no clinic: every key of the group reads these.
const OF_THE_GROUP: [&str; 19] = [
    "put_group_retention",
    "get_routine",
    "put_routine",
    "list_routine_versions",
    "get_product",
    "put_product",
    "list_product_versions",
    "put_clinic",
    "get_key",
    "revoke_key",
    "get_corrective_chain",
    "list_corrective_chain_versions",
    "put_corrective_chain",
    "get_staff",
    "put_staff",
    "put_pin",
    "list_competences",
    "get_competence",
    "put_competence",
];

#[sqlx::test]
async fn a_key_for_one_clinic_or_one_operatory_gets_404_for_the_next_clinic(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T07:40:00Z")).await;
    let admin = app.group(id(1)).await;
    let here = fill(&app, admin.clone(), 0).await;
    let next = fill(&app, admin.clone(), 50).await;
    let before = contents(&pool, id(1)).await;
    let reaches = [
        json!({ "kind": "clinics", "clinic_ids": [here.clinic.clinic_id] }),
        json!({ "kind": "operatory", "operatory_id": here.clinic.chair }),
    ];
    let mut keys = Vec::new();
    for role in Role::ALL {
        for reach in &reaches {
            keys.push((role, admin.key(role.as_str(), reach.clone()).await));
        }
    }
    let with_keys = contents(&pool, id(1)).await;
    assert_ne!(with_keys, before);
    for (role, client) in &keys {
        for operation in operations() {
            let (name, method, path) = &operation;
            let answer = try_on(client, &operation, &next).await;
            let request = format!("{name} as {}: {} {}", role.as_str(), answer.status, answer.text);
            if path.contains('{') && !OF_THE_GROUP.contains(&name.as_str()) {
                let role_may_not = answer.status == StatusCode::FORBIDDEN;
                assert!(role_may_not || answer.status == StatusCode::NOT_FOUND, "{request}");
                assert!(!role_may_not || *role != Role::Administrator || *method != Method::GET, "{request}");
            }
            let of_clinic = [next.clinic.clinic_id, next.clinic.chair, next.clinic.steriliser].map(|id| id.to_string());
            let lists = matches!(name.as_str(), "list_clinics" | "list_operatories" | "list_equipment")
                || matches!(name.as_str(), "list_overdue" | "get_summary" | "list_entries_to_review")
                || name == "list_days_without_presence";
            assert!(!lists || !of_clinic.iter().any(|id| answer.text.contains(id)), "{request}");
        }
    }
    assert_eq!(contents(&pool, id(1)).await, with_keys);
}

#[sqlx::test]
async fn a_key_for_one_operatory_sees_that_one_and_no_other(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T07:40:00Z")).await;
    let full = fill(&app, app.group(id(1)).await, 0).await;
    let clinic = &full.clinic;
    let second = format!("/v1/operatories/{}", id(299));
    clinic.admin.put(&second, scenario::operatory(clinic.clinic_id, "Chair next door")).await.expect(201);
    app.plan().await;
    app.set(at("2026-11-02T09:15:00Z"));
    let reach = json!({ "kind": "operatory", "operatory_id": clinic.chair });
    let tablet = clinic.admin.key("chairside", reach.clone()).await;
    let reader = clinic.admin.key("reader", reach).await;

    for client in [&tablet, &reader] {
        let list = client.get("/v1/operatories").await.expect(200);
        let seen: Vec<_> = list["items"].as_array().expect("a list").iter().map(|o| &o["operatory_id"]).collect();
        assert_eq!(seen, [&json!(clinic.chair)]);
        client.get(&format!("/v1/operatories/{}", clinic.chair)).await.expect(200);
        client.get(&format!("/v1/operatories/{}/due", clinic.chair)).await.expect(200);
        client.get(&format!("/v1/tasks/{}", full.ids["task_id"])).await.expect(200);
        client.get(&format!("/v1/completions/{}", full.ids["completion_id"])).await.expect(200);
        for out_of_reach in [second.clone(), format!("{second}/due"), format!("{second}/readiness")] {
            client.get(&out_of_reach).await.expect(404);
        }
        client.get(&format!("/v1/clinics/{}", clinic.clinic_id)).await.expect(404);
        client.get(&format!("/v1/clinics/{}/due", clinic.clinic_id)).await.expect(404);
    }
    let others = clinic.due_in_clinic(routine::spore_test()).await;
    tablet.get(&format!("/v1/tasks/{}", others["task_id"].as_str().expect("an id"))).await.expect(404);
    let overdue = reader.get("/v1/overdue").await.expect(200);
    let about: BTreeSet<_> =
        overdue["items"].as_array().expect("a list").iter().map(|i| i["subject_id"].as_str()).collect();
    assert_eq!(about, BTreeSet::from([Some(clinic.chair.to_string().as_str())]), "{overdue}");
    assert_eq!(reader.get("/v1/summary").await.expect(200)["items"], json!([]));
}

/// The SQLSTATE of a refusal, or how many rows were seen.
async fn rows_seen(db: &mut sqlx::PgConnection, table: &str) -> Result<i64, String> {
    // A savepoint, since a refusal ends a transaction.
    sqlx::query("savepoint before_look").execute(&mut *db).await.expect("a savepoint");
    let sql = format!("select count(*) from public.{table}");
    let seen = sqlx::query_scalar(AssertSqlSafe(sql)).fetch_one(&mut *db).await;
    sqlx::query("rollback to savepoint before_look").execute(db).await.expect("back");
    seen.map_err(|error| {
        let database = error.as_database_error().expect("an answer of the database");
        database.code().unwrap_or_default().into_owned()
    })
}

#[sqlx::test]
async fn a_query_without_a_tenant_sees_nothing_and_a_login_without_the_role_may_not_even_ask(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T07:40:00Z")).await;
    fill(&app, app.group(id(1)).await, 0).await;
    let login = format!("onlooker_{}", Uuid::new_v4().simple());
    sqlx::query(AssertSqlSafe(format!("create role {login} login"))).execute(&pool).await.expect("a login");

    let mut tx = pool.begin().await.expect("a transaction");
    let tables = tables(&pool).await;
    assert!(tables.len() >= 20, "{tables:?}");
    for table in &tables {
        let held = rows_seen(&mut tx, table).await.expect("the owner may look");
        // Logins for reporting are entered from the command line; `lists` has one.
        assert!(held > 0 || table == "reporting_login", "{table} is empty, so nothing is shown by seeing nothing");
    }
    for who in ["set local role chairtide_app", "select set_config('chairtide.group_id', '', true)"] {
        sqlx::query(who).execute(&mut *tx).await.expect("done");
        for table in &tables {
            let seen = rows_seen(&mut tx, table).await;
            let hidden = if table == "reporting_login" { Err(NO_RIGHT.to_owned()) } else { Ok(0) };
            assert_eq!(seen, hidden, "{table} after {who}");
        }
    }
    sqlx::query(AssertSqlSafe(format!("set local session authorization {login}"))).execute(&mut *tx).await.expect("in");
    for table in &tables {
        assert_eq!(rows_seen(&mut tx, table).await, Err(NO_RIGHT.to_owned()), "{table} as a plain login");
    }
    tx.rollback().await.expect("back");
    sqlx::query(AssertSqlSafe(format!("drop role {login}"))).execute(&pool).await.expect("gone");
}

/// What row-level security does not bind: superusers, BYPASSRLS, and a table's owner (PostgreSQL documentation, 5.9).
#[sqlx::test]
async fn the_services_role_is_bound_by_row_level_security_on_every_table(pool: PgPool) {
    let _partitions = App::new(pool.clone(), at("2026-11-02T07:40:00Z")).await;
    let (is_super, bypasses, logs_in): (bool, bool, bool) =
        sqlx::query_as("select rolsuper, rolbypassrls, rolcanlogin from pg_roles where rolname = 'chairtide_app'")
            .fetch_one(&pool)
            .await
            .expect("the role");
    assert_eq!((is_super, bypasses, logs_in), (false, false, false));
    let unbound: Vec<String> = sqlx::query_scalar(
        "select c.relname::text from pg_class c join pg_attribute a on a.attrelid = c.oid
         where c.relnamespace = 'public'::regnamespace and c.relkind in ('r', 'p') and a.attname = 'group_id'
           and (pg_has_role('chairtide_app', c.relowner, 'member')
                or case when c.relispartition
                   then has_table_privilege('chairtide_app', c.oid, 'select, insert, update, delete')
                   else not c.relrowsecurity end)",
    )
    .fetch_all(&pool)
    .await
    .expect("the catalogue");
    assert!(unbound.is_empty(), "owned, without row-level security, or a partition open by itself: {unbound:?}");
}

#[sqlx::test]
async fn a_revoked_key_opens_nothing_a_used_one_is_noted_and_none_is_kept_readable(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T07:40:00Z")).await;
    let admin = app.group(id(1)).await;
    let body = json!({ "key_id": id(1), "label": "front desk", "role": "reader", "reach": { "kind": "group" } });
    let made = admin.post("/v1/keys", body).await.expect(201);
    let token = made["token"].as_str().expect("shown once").to_owned();
    let client = Client { app: &app, token: token.clone() };
    let path = format!("/v1/keys/{}", id(1));

    assert_eq!(admin.get(&path).await.expect(200)["last_used_at"], Value::Null);
    // Noted to the minute, so that reading does not become writing.
    for (later, noted) in [(0, "07:40:00"), (50, "07:40:00"), (20, "07:41:10")] {
        app.advance(TimeDelta::seconds(later));
        client.get("/v1/clinics").await.expect(200);
        let key = admin.get(&path).await.expect(200);
        assert_eq!(key["last_used_at"], json!(format!("2026-11-02T{noted}Z")));
    }
    assert_eq!(admin.delete(&path).await.status, StatusCode::NO_CONTENT);
    client.get("/v1/clinics").await.expect(401);
    let revoked = admin.get(&path).await.expect(200);
    assert_eq!(revoked["last_used_at"], "2026-11-02T07:41:10Z", "a use that was refused is no use");
    assert_eq!(revoked["revoked_at"], "2026-11-02T07:41:10Z");

    // SHA-256 by Postgres, of the 32 bytes that RFC 4648 base32 writes in 52 characters.
    let secret = token.rsplit('.').next().expect("three parts");
    let bytes = data_encoding::BASE32_NOPAD.decode(secret.to_ascii_uppercase().as_bytes()).expect("base32");
    let (kept, hashes): (String, bool) =
        sqlx::query_as("select string_agg(k::text, ' '), bool_or(secret_hash = sha256($1)) from api_key k")
            .bind(&bytes)
            .fetch_one(&pool)
            .await
            .expect("keys");
    let readable = [secret.to_owned(), data_encoding::HEXLOWER.encode(&bytes), data_encoding::BASE64.encode(&bytes)];
    assert!(hashes && !readable.iter().any(|text| kept.contains(text)), "{kept}");
}
