//! Which records belong to a pack of some days: those of the days, and what followed from them.

use std::collections::BTreeSet;

use chrono::{DateTime, Utc};
use serde_json::{Value, json};
use sqlx::PgPool;
use uuid::Uuid;

use super::{Opened, pack_between, pack_of};
use crate::seals::{eventful_day, sealed_day};
use crate::support::app::App;
use crate::support::scenario::{self, Clinic};
use crate::support::{at, id};

/// Without what the service made of it, such as the site event of a water advisory: those are UUIDs of version 8.
fn made_by_clients(mut ids: BTreeSet<String>) -> BTreeSet<String> {
    ids.retain(|id| id.parse::<Uuid>().is_ok_and(|id| id.get_version_num() == 4));
    ids
}

fn ids(numbers: &[u32]) -> BTreeSet<String> {
    numbers.iter().map(|n| id(*n).to_string()).collect()
}

/// One record of each kind that has no clinic day, at an instant; their ids follow `n`.
async fn recorded_at(app: &App, clinic: &Clinic<'_>, n: u32, now: DateTime<Utc>) {
    app.set(now);
    let here = format!("/v1/clinics/{}", clinic.clinic_id);
    let event = json!({ "kind": "repair", "happened_at": now });
    clinic.manager.put(&format!("{here}/site-events/{}", id(n)), event).await.expect(201);
    clinic.manager.delete(&format!("{here}/site-events/{}", id(n))).await.expect(204);
    let cycle = json!({ "cycle_id": id(n), "ended_at": now });
    clinic.tablet.post(&format!("/v1/equipment/{}/cycles", clinic.steriliser), cycle).await.expect(201);
    let record = json!({ "csv": "elapsed_seconds,temperature_celsius\n0,134\n180,134\n", "performed_by": "KV" });
    let path = format!("/v1/equipment/{}/cycles/{}/record", clinic.steriliser, id(n));
    clinic.tablet.put(&path, record).await.expect(201);
    let product = crate::products::product("Cleaner R", false, "7");
    let put = clinic.admin.put(&format!("/v1/products/{}", id(707)), product).await;
    assert!(put.status.is_success(), "{}", put.text);
    let lot = json!({ "product_id": id(707), "clinic_id": clinic.clinic_id, "lot_number": format!("L-{n}"),
                      "expires_on": "2027-01-31" });
    clinic.tablet.put(&format!("/v1/lots/{}", id(n)), lot).await.expect(201);
    let opened = json!({ "opened_at": now, "performed_by": "KV" });
    clinic.tablet.put(&format!("/v1/lots/{}/opened", id(n)), opened).await.expect(201);
    let out = json!({ "subject_id": clinic.chair, "reason": "a hose drips", "begun_by": "KV" });
    clinic.tablet.put(&format!("/v1/quarantines/{}", id(n)), out).await.expect(201);
    let action = json!({ "kind": "separator_full_or_faulty", "subject_id": clinic.clinic_id, "reason": "alarm on",
                         "opened_by": "KV" });
    let path = format!("/v1/corrective-actions/{}", id(n));
    clinic.tablet.put(&path, action).await.expect(201);
    let step = json!({ "record_id": id(n), "performed_at": now, "performed_by": "KV", "note": "stopped" });
    clinic.tablet.put(&format!("{path}/steps/decide-use"), step).await.expect(201);
    let notice = json!({ "authority": "Saltmarrow Water", "started_at": now, "opened_by": "KV",
                         "clinic_ids": [clinic.clinic_id] });
    clinic.tablet.put(&format!("/v1/water-advisories/{}", id(n)), notice).await.expect(201);
    for sql in [
        // So that none of them stands on: only when it was recorded decides.
        "insert into quarantine_release (group_id, release_id, quarantine_id, clinic_id, staff_id, released_by, reason,
                                         recorded_at, key_id)
         values ($1, $2, $2, $3, $2, 'Mara Oduya', 'replaced', $4, $1)",
        "insert into corrective_action_close (group_id, close_id, action_id, clinic_id, grounds, staff_id, closed_by, reason,
                                              recorded_at, key_id)
         values ($1, $2, $2, $3, 'steps_recorded', $2, 'Mara Oduya', 'read', $4, $1)",
        "insert into lot_mark (group_id, lot_id, number, clinic_id, kind, marked_at, marked_by, reason, authority, recorded_at,
                               key_id)
         values ($1, $2, 2, $3, 'emptied', $4, 'KV', '', '', $4, $1)",
        "insert into legal_hold (group_id, legal_hold_id, clinic_id, reason, staff_id, begun_by, recorded_at, key_id)
         values ($1, $2, $3, 'an inquiry', $2, 'Mara Oduya', $4, $1)",
        "insert into legal_hold_lift (group_id, lift_id, legal_hold_id, clinic_id, reason, staff_id, lifted_by, recorded_at,
                                      key_id)
         values ($1, $2, $2, $3, 'it is closed', $2, 'Mara Oduya', $4, $1)",
        "insert into purge (group_id, purge_id, clinic_id, from_on, until_on, purged_on, record_count, days, classes, reason,
                            staff_id, purged_by, recorded_at, key_id)
         values ($1, $2, $3, '2014-01-01', '2014-12-31', '2026-11-02', 1, '[]', '[]', 'kept long enough', $2, 'Mara Oduya',
                 $4, $1)",
        "insert into water_advisory_lifting (group_id, advisory_id, clinic_id, lifting_id, notice_number, reason, lifted_at,
                                             recorded_at, staff_id, lifted_by, key_id)
         values ($1, $2, $3, $2, '9/26', 'letter', $4, $4, $2, 'Mara Oduya', $1)",
        "delete from corrective_action_next where group_id = $1 and action_id = $2 and clinic_id = $3 and opened_at <= $4",
    ] {
        let query = sqlx::query(sql).bind(id(1)).bind(id(n)).bind(clinic.clinic_id).bind(now);
        query.execute(&app.pool).await.unwrap_or_else(|error| panic!("{sql}: {error}"));
    }
}

/// The kinds that go by the instant of recording, with the column that names a row.
const BY_INSTANT: [(&str, &str); 11] = [
    ("cycle_records", "cycle_id"),
    ("site_events", "event_id"),
    ("lot_marks", "lot_id"),
    ("lots", "lot_id"),
    ("quarantines", "quarantine_id"),
    ("corrective_actions", "action_id"),
    ("corrective_action_steps", "record_id"),
    ("water_advisories", "advisory_id"),
    ("legal_holds", "legal_hold_id"),
    ("purges", "purge_id"),
    ("cycles", "cycle_id"),
];

#[sqlx::test]
async fn a_pack_holds_what_was_recorded_in_its_days_and_neither_before_nor_after(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T06:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    for (n, instant) in [
        (810, "2026-11-02T23:59:59Z"),
        (820, "2026-11-03T00:00:00Z"),
        (830, "2026-11-03T23:59:59Z"),
        (840, "2026-11-04T00:00:00Z"),
    ] {
        recorded_at(&app, &clinic, n, at(instant)).await;
    }
    let days = [("2026-11-02", vec![810]), ("2026-11-03", vec![820, 830]), ("2026-11-04", vec![840])];
    for (day, expected) in days {
        let pack = pack_between(&clinic.manager, (day, day), "").await;
        for (kind, column) in BY_INSTANT {
            assert_eq!(made_by_clients(pack.ids(kind, column)), ids(&expected), "{kind} of {day}");
        }
    }
}

#[sqlx::test]
async fn a_clinic_day_that_runs_past_midnight_ends_when_its_sessions_are_over(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T06:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let late = json!({ "sessions": [{ "opens": "18:00", "closes": "02:00" }], "reason": "emergency service" });
    let path = format!("/v1/clinics/{}/special-openings/2026-11-02", clinic.clinic_id);
    clinic.admin.put(&path, late).await.expect(201);
    // Its clinic day lasts until four hours after the session, which is before the next one opens at 08:30.
    for (n, instant) in [(810, "2026-11-03T00:20:00Z"), (820, "2026-11-03T05:59:59Z"), (830, "2026-11-03T06:00:00Z")] {
        recorded_at(&app, &clinic, n, at(instant)).await;
    }
    let monday = pack_between(&clinic.manager, ("2026-11-02", "2026-11-02"), "").await;
    let tuesday = pack_between(&clinic.manager, ("2026-11-03", "2026-11-03"), "").await;
    for (kind, column) in BY_INSTANT {
        assert_eq!(made_by_clients(monday.ids(kind, column)), ids(&[810, 820]), "{kind} of the late session");
        assert_eq!(made_by_clients(tuesday.ids(kind, column)), ids(&[830]), "{kind} of the day after");
    }
}

/// An action for a failed completion, begun on a later day, with a step, a note and something it put out of use; why a task
/// was missed, told on that day; and the record of a cycle.
async fn followed_later(app: &App, clinic: &Clinic<'_>, recorded_at: DateTime<Utc>) {
    for sql in [
        "insert into corrective_action (group_id, action_id, clinic_id, subject_id, kind, chain_version, chain, cause,
                                        cause_id, reason, recorded_at, opened_by)
         values ($1, $2, $3, $4, 'positive_spore_test', 0, '{}', 'completion', $5, 'growth', $6, '')",
        "insert into corrective_action_step (group_id, record_id, action_id, clinic_id, step_key, performed_at, recorded_at,
                                             performed_by, key_id, note, reference, early, late)
         values ($1, $2, $2, $3, 'take-out', $6, $6, 'LM', $4, $5::text, '', false, false)",
        "insert into corrective_action_note (group_id, note_id, action_id, clinic_id, kind, completion_id, recorded_at)
         values ($1, $2, $2, $3, 'recorded_late', $5, $6)",
        "insert into quarantine (group_id, quarantine_id, clinic_id, subject_id, cause, cause_id, reason, begun_at,
                                 recorded_at, begun_by)
         values ($1, $2, $3, $4, 'corrective_action', $2, $5::text, $6, $6, '')",
        "insert into miss_reason (group_id, task_id, number, clinic_id, reason, told_by, recorded_at, key_id)
         select $1, m.task_id, 2, $3, 'told later ' || $2 || $5, 'LM', $6, $4 from miss_reason m where m.group_id = $1",
        "insert into cycle_record (group_id, cycle_id, number, clinic_id, subject_id, performed_by, reason, recorded_at, key_id,
                                   readings)
         select $1, r.cycle_id, 2, $3, $4, 'LM', 'typed anew ' || $2 || $5, $6, r.key_id, r.readings from cycle_record r
         where r.group_id = $1",
    ] {
        let query = sqlx::query(sql)
            .bind(id(1))
            .bind(id(860))
            .bind(clinic.clinic_id)
            .bind(clinic.steriliser)
            .bind(id(702))
            .bind(recorded_at);
        query.execute(&app.pool).await.unwrap_or_else(|error| panic!("{sql}: {error}"));
    }
}

#[sqlx::test]
async fn what_followed_comes_with_the_pack_of_the_days_it_followed_from(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T06:00:00Z")).await;
    let clinic = eventful_day(&app).await;
    followed_later(&app, &clinic, at("2026-11-09T10:00:00Z")).await;
    app.set(at("2026-11-20T10:00:00Z"));
    let pack = pack_of(&clinic.manager, "").await;
    let later = |kind: &str, column: &str| pack.ids(kind, column).contains(&id(860).to_string());
    assert!(later("corrective_actions", "action_id") && later("quarantines", "quarantine_id"));
    assert!(later("corrective_action_steps", "record_id") && later("corrective_action_notes", "note_id"));
    let numbers =
        |pack: &Opened, kind: &str| pack.lines(kind).iter().map(|row| row["number"].clone()).collect::<Vec<Value>>();
    assert_eq!(numbers(&pack, "miss_reasons"), [1, 2]);
    assert_eq!(numbers(&pack, "cycle_records"), [0, 2]);
    // What the page tells of it stands in the files, too.
    assert!(pack.text().contains("take-out by LM") && pack.text().contains("positive spore test"), "{}", pack.text());

    // In a pack of other days it is told where it was recorded then, and not else.
    let then = pack_between(&clinic.manager, ("2026-11-09", "2026-11-09"), "").await;
    assert_eq!((numbers(&then, "miss_reasons"), numbers(&then, "cycle_records")), (vec![json!(2)], vec![json!(2)]));
    let between = pack_between(&clinic.manager, ("2026-11-05", "2026-11-06"), "").await;
    assert_eq!((numbers(&between, "miss_reasons"), numbers(&between, "cycle_records")), (vec![], vec![]));
    assert!(!between.ids("corrective_actions", "action_id").contains(&id(860).to_string()));
}

#[sqlx::test]
async fn a_recalled_lot_comes_with_its_actions_quarantines_uses_and_readings_and_no_other_lots(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T06:00:00Z")).await;
    let clinic = eventful_day(&app).await;
    let other = json!({ "product_id": id(707), "clinic_id": clinic.clinic_id, "lot_number": "L-2", "expires_on": "2027-01-31" });
    clinic.tablet.put(&format!("/v1/lots/{}", id(820)), other).await.expect(201);
    let recall = json!({ "recalled": true, "reason": "invented", "authority": "notice 1", "performed_by": "MO" });
    clinic.manager.put(&format!("/v1/lots/{}/recall", id(708)), recall).await.expect(201);
    for (completion, lot, action) in [(702, 708, 860), (701, 820, 861)] {
        for sql in [
            "update step_result set lot_id = $2 where completion_id = $1 and step_key in ('growth', 'flush:syringe')",
            "insert into corrective_action (group_id, action_id, clinic_id, subject_id, kind, chain_version, chain, cause,
                                            cause_id, reason, recorded_at, opened_by)
             select s.group_id, $3, $4, $5, 'recalled_lot', 0, '{}', 'lot', $2, 'recalled ' || $1, '2026-11-02T10:00Z', ''
             from subject s where s.subject_id = $5",
            "insert into quarantine (group_id, quarantine_id, clinic_id, subject_id, cause, cause_id, reason, begun_at,
                                     recorded_at, begun_by)
             select s.group_id, $3, $4, $5, 'corrective_action', $3, 'lot ' || $1 || $2, '2026-11-02T10:00Z',
                    '2026-11-02T10:00Z', ''
             from subject s where s.subject_id = $5",
        ] {
            let query = sqlx::query(sql)
                .bind(id(completion))
                .bind(id(lot))
                .bind(id(action))
                .bind(clinic.clinic_id)
                .bind(clinic.chair);
            query.execute(&pool).await.unwrap_or_else(|error| panic!("{sql}: {error}"));
        }
    }
    for (lot, completion, action) in [(708, 702, 860), (820, 701, 861)] {
        let pack = pack_of(&clinic.manager, &format!("&lot_id={}", id(lot))).await;
        for (kind, column, expected) in [
            ("completions", "completion_id", completion),
            ("step_results", "completion_id", completion),
            ("lot_uses", "completion_id", completion),
            ("lots", "lot_id", lot),
        ] {
            assert_eq!(pack.ids(kind, column), ids(&[expected]), "{kind} of lot {lot}");
        }
        assert!(pack.ids("corrective_actions", "action_id").contains(&id(action).to_string()), "lot {lot}");
        assert!(pack.ids("quarantines", "quarantine_id").contains(&id(action).to_string()), "lot {lot}");
        let others = pack.lines("corrective_actions");
        assert!(others.iter().all(|row| row["cause_id"] == json!(id(lot))), "{others:?}");
        // Growth was read with the first; no value was read in the flush.
        assert_eq!(pack.ids("readings", "completion_id"), if lot == 708 { ids(&[702]) } else { ids(&[]) });
        let task = pack.lines("tasks");
        assert_eq!((task.len(), &task[0]["completion_id"]), (1, &json!(id(completion))));
    }
}

#[sqlx::test]
async fn a_pack_of_a_subject_holds_what_is_about_all_and_nothing_about_another(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T06:00:00Z")).await;
    let clinic = eventful_day(&app).await;
    sealed_day(&app, &clinic).await;
    for (hold, subject) in [(820, Some(clinic.chair)), (821, Some(clinic.steriliser))] {
        let sql = "insert into legal_hold (group_id, legal_hold_id, clinic_id, subject_id, reason, staff_id, begun_by,
                                           recorded_at, key_id)
                   values ($1, $2, $3, $4, 'an inquiry', $2, 'Mara Oduya', '2026-11-03T00:05Z', $1)";
        let query = sqlx::query(sql).bind(id(1)).bind(id(hold)).bind(clinic.clinic_id).bind(subject);
        query.execute(&pool).await.expect("the owner may");
    }
    let of_chair = pack_of(&clinic.manager, &format!("&subject_id={}", clinic.chair)).await;
    let of_steriliser = pack_of(&clinic.manager, &format!("&subject_id={}", clinic.steriliser)).await;
    // 715 is of the clinic; of the events 705 is about the chair and 706 about the clinic.
    assert_eq!(of_chair.ids("legal_holds", "legal_hold_id"), ids(&[715, 820]));
    assert_eq!(of_steriliser.ids("legal_holds", "legal_hold_id"), ids(&[715, 821]));
    assert_eq!(of_chair.ids("site_events", "event_id"), ids(&[705, 706]));
    assert_eq!(of_steriliser.ids("site_events", "event_id"), ids(&[706]));
    assert_eq!(of_steriliser.ids("readings", "completion_id"), ids(&[702]));

    // One that has moved since is still told of, by what it did here.
    scenario::configure(clinic.admin.clone(), "Europe/London", 1).await;
    let moved = json!({ "clinic_id": id(101), "kind": "steriliser", "name": "Steriliser 0",
                        "service": { "state": "in_service" } });
    clinic.admin.put(&format!("/v1/equipment/{}", clinic.steriliser), moved).await.expect(200);
    let pack = pack_of(&clinic.manager, &format!("&subject_id={}", clinic.steriliser)).await;
    assert_eq!(pack.ids("subjects", "subject_id"), BTreeSet::from([clinic.steriliser.to_string()]));
    assert_eq!(pack.ids("completions", "completion_id"), ids(&[702]));
    let whole = pack_of(&clinic.manager, "").await;
    assert!(whole.ids("subjects", "subject_id").contains(&clinic.steriliser.to_string()));
    assert!(!whole.ids("subjects", "subject_id").contains(&id(301).to_string()), "what never stood here");
}
