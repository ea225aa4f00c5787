//! Sealing: days in order, and nothing that slips behind a seal.

use std::time::Duration;

use axum::http::Method;
use chairtide::domain::corrective_action::{ActionNote, ActionNoteKind, Closing, Grounds};
use chairtide::domain::quarantine::Release;
use chairtide::domain::seal::DaySeal;
use chairtide::jobs::sealer;
use chairtide::store::corrective_actions::{self, quarantines};
use chairtide::store::cycles::CycleMark;
use chairtide::store::sign_offs::{self, SignOff};
use chairtide::store::tasks::misses::{self, MissReason};
use chairtide::store::{self, StoreError, seals};
use chrono::{NaiveDate, TimeDelta};
use serde_json::{Value, json};
use sqlx::PgPool;

use crate::support::app::App;
use crate::support::contents::contents;
use crate::support::scenario::{self, Clinic, routine};
use crate::support::{at, id};

/// A Monday with every kind of evidence in it.
pub(crate) async fn eventful_day(app: &App) -> Clinic<'_> {
    let clinic = scenario::clinic(app, "Europe/London").await;
    let here = format!("/v1/clinics/{}", clinic.clinic_id);
    app.set(at("2026-11-02T08:00:00.25Z"));
    let flush = clinic.due_of(routine::start_flush()).await;
    let holds = format!("/v1/tasks/{}/holds", flush["task_id"].as_str().expect("an id"));
    let hold = json!({ "hold_id": id(700), "step": "flush:syringe", "performed_by": "KV" });
    clinic.tablet.post(&holds, hold).await.expect(201);
    app.set(at("2026-11-02T08:02:10Z"));
    clinic.tablet.post(&format!("{holds}/{}/end", id(700)), json!({ "performed_by": "KV" })).await.expect(200);
    let mut done = clinic.flush(701, &flush, 125);
    done["steps"][1] = json!({ "step": "flush:syringe", "status": "done", "hold_id": id(700) });
    clinic.tablet.post("/v1/completions", done).await.expect(201);
    app.set(at("2026-11-02T08:30:00Z"));
    clinic.desk.post(&format!("{here}/day-start"), json!({})).await.expect(201);
    let seat = format!("/v1/operatories/{}/seated", clinic.chair);
    clinic.desk.post_once(&seat, "seat", json!({})).await.expect(201);
    let spore = clinic.due_in_clinic(routine::spore_test()).await;
    clinic.tablet.post("/v1/completions", clinic.spore(702, &spore, Some("1"))).await.expect(201);
    app.set(at("2026-11-02T09:00:00Z"));
    let turnover = clinic.leave("2026-11-02T09:00:00Z").await;
    let not_required = json!({
        "completion_id": id(703), "task_id": turnover["task_id"], "performed_at": app.clock.now(), "performed_by": "MO",
        "kind": "not_required", "reason": "the chair is taken out for repair", "steps": [],
    });
    clinic.manager.post("/v1/completions", not_required).await.expect(201);
    let cycle = json!({ "cycle_id": id(704), "ended_at": "2026-11-02T08:50:00Z", "program": "wrapped 134" });
    clinic.tablet.post(&format!("/v1/equipment/{}/cycles", clinic.steriliser), cycle).await.expect(201);
    let record = json!({ "csv": "elapsed_seconds,temperature_celsius\n0,134\n180,134\n", "performed_by": "KV",
        "band": { "lowest_celsius": "134", "highest_celsius": "137",
                  "source": { "title": "invented for the test", "edition": "none", "seen": "from_memory" } } });
    let path = format!("/v1/equipment/{}/cycles/{}/record", clinic.steriliser, id(704));
    clinic.tablet.put(&path, record).await.expect(201);
    let product = crate::products::product("Cleaner R", false, "7");
    clinic.admin.put(&format!("/v1/products/{}", id(707)), product).await.expect(201);
    let lot = json!({ "product_id": id(707), "clinic_id": clinic.clinic_id, "lot_number": "L-1", "expires_on": "2027-01-31" });
    clinic.tablet.put(&format!("/v1/lots/{}", id(708)), lot).await.expect(201);
    let opened = json!({ "opened_at": "2026-11-02T08:40:00Z", "performed_by": "KV" });
    clinic.tablet.put(&format!("/v1/lots/{}/opened", id(708)), opened).await.expect(201);
    for (event, subject) in [(705, Some(clinic.chair)), (706, None)] {
        let mut body =
            json!({ "kind": "repair", "happened_at": "2026-11-02T07:00:00Z", "note": "the syringe of Chair 0" });
        if let Some(subject) = subject {
            body["subject_id"] = json!(subject);
        }
        clinic.manager.put(&format!("{here}/site-events/{}", id(event)), body).await.expect(201);
    }
    clinic.manager.delete(&format!("{here}/site-events/{}", id(706))).await.expect(204);
    what_failed(app, &clinic, &turnover).await;
    let person = json!({ "name": "Kit Vale", "initials": "KV", "role": "assistant", "active_from": "2026-01-05" });
    clinic.admin.put(&format!("/v1/staff/{}", id(707)), person).await.expect(201);
    let trained = json!({ "for_what": { "kind": "family", "family": "waterlines" }, "valid_from": "2026-01-12",
                          "signed_off_by": "Mara Oduya" });
    clinic.admin.put(&format!("/v1/staff/{}/competences/{}", id(707), id(716)), trained).await.expect(201);
    let gauge = json!({ "clinic_id": clinic.clinic_id, "name": "Gauge 1" });
    clinic.admin.put(&format!("/v1/instruments/{}", id(717)), gauge).await.expect(201);
    clinic.desk.put(&format!("{here}/presence/2026-11-02"), json!({ "staff_ids": [id(707)] })).await.expect(201);
    clinic
}

/// Something out of use and released, an action with a step, a note and its closing, and why a task was missed: what needs
/// a signature or a later hour is written by the store.
async fn what_failed(app: &App, clinic: &Clinic<'_>, task: &Value) {
    let out = json!({ "subject_id": clinic.chair, "reason": "a hose drips", "begun_by": "KV" });
    clinic.tablet.put(&format!("/v1/quarantines/{}", id(707)), out).await.expect(201);
    let action = json!({ "kind": "separator_full_or_faulty", "subject_id": clinic.clinic_id, "reason": "alarm on",
                         "opened_by": "KV" });
    let path = format!("/v1/corrective-actions/{}", id(708));
    clinic.tablet.put(&path, action).await.expect(201);
    let step =
        json!({ "record_id": id(709), "performed_at": app.clock.now(), "performed_by": "KV", "note": "stopped" });
    clinic.tablet.put(&format!("{path}/steps/decide-use"), step).await.expect(201);
    let (group_id, clinic_id, recorded_at, key_id) = (id(1), clinic.clinic_id, app.clock.now(), id(1));
    let mut tx = store::begin(&app.pool, group_id).await.expect("begun");
    let release = Release {
        release_id: id(711),
        staff_id: id(712),
        released_by: "Mara Oduya".to_owned(),
        reason: "hose replaced".to_owned(),
        disposition: None,
        recorded_at,
        key_id,
    };
    quarantines::insert_release(&mut tx, group_id, (id(707), clinic_id), &release).await.expect("kept");
    let note = ActionNote { note_id: id(713), kind: ActionNoteKind::Duplicate, completion_id: id(702), recorded_at };
    corrective_actions::insert_note(&mut tx, group_id, (id(708), clinic_id), &note).await.expect("kept");
    let closing = Closing {
        close_id: id(714),
        grounds: Grounds::StepsRecorded,
        staff_id: id(712),
        closed_by: "Mara Oduya".to_owned(),
        reason: "read".to_owned(),
        recorded_at,
        key_id,
    };
    corrective_actions::insert_close(&mut tx, group_id, (id(708), clinic_id), &closing).await.expect("kept");
    let task_id = task["task_id"].as_str().and_then(|id| id.parse().ok()).expect("an id");
    let (reason, told_by) = ("nobody was there".to_owned(), "KV".to_owned());
    let reason = MissReason { number: 1, code: None, reason, told_by, staff_id: None, recorded_at, key_id };
    misses::insert_reason(&mut tx, group_id, (task_id, clinic_id), &reason).await.expect("kept");
    let signed = SignOff {
        sign_off_id: id(715),
        clinic_id,
        clinic_day: recorded_at.date_naive(),
        number: 1,
        staff_id: id(712),
        signed_by: "Mara Oduya".to_owned(),
        note: "walked the rooms".to_owned(),
        review_digest: vec![7; 32],
        task_counts: json!({ "done": 3 }),
        explanations: json!([{ "gap": format!("missed:{task_id}"), "kind": "missed", "task_id": task_id, "words": "x" }]),
        words_seen: Some(
            json!([{ "gap": format!("failed:{task_id}"), "words": "x", "given_by": "record", "person": "KV" }]),
        ),
        entry_ids: vec![id(701), id(702)],
        recorded_at,
        key_id,
    };
    sign_offs::insert(&mut tx, group_id, &signed).await.expect("kept");
    tx.commit().await.expect("committed");
    what_is_kept(app, clinic).await;
}

/// A legal hold and its lift, a water advisory and its lifting, and a purge of days long before; only a function of the database writes one in earnest.
async fn what_is_kept(app: &App, clinic: &Clinic<'_>) {
    for sql in [
        "insert into legal_hold (group_id, legal_hold_id, clinic_id, reason, staff_id, begun_by, recorded_at, key_id)
         values ($1, $2, $3, 'an inquiry', $2, 'Mara Oduya', $4, $1)",
        "insert into legal_hold_lift (group_id, lift_id, legal_hold_id, clinic_id, reason, staff_id, lifted_by,
                                      recorded_at, key_id)
         values ($1, $2, $2, $3, 'it is closed', $2, 'Mara Oduya', $4, $1)",
        "insert into purge (group_id, purge_id, clinic_id, from_on, until_on, purged_on, record_count, days, classes,
                            reason, staff_id, purged_by, recorded_at, key_id)
         values ($1, $2, $3, '2014-01-01', '2014-12-31', '2026-11-02', 1, '[]', '[]', 'kept long enough', $2,
                 'Mara Oduya', $4, $1)",
        "insert into water_advisory (group_id, advisory_id, clinic_id, authority, notice_number, area, note, started_at,
                                     recorded_at, opened_by, key_id)
         values ($1, $2, $3, 'Saltmarrow Water', '7/26', '', '', $4, $4, 'KV', $1)",
        "insert into water_advisory_lifting (group_id, advisory_id, clinic_id, lifting_id, notice_number, reason,
                                             lifted_at, recorded_at, staff_id, lifted_by, key_id)
         values ($1, $2, $3, $2, '9/26', 'letter', $4, $4, $2, 'Mara Oduya', $1)",
    ] {
        let query = sqlx::query(sql).bind(id(1)).bind(id(715)).bind(clinic.clinic_id).bind(app.clock.now());
        query.execute(&app.pool).await.expect("the owner may");
    }
}

/// Seals that Monday, and nothing after it.
pub(crate) async fn sealed_day(app: &App, clinic: &Clinic<'_>) -> NaiveDate {
    sealed_day_with(app, clinic, 0).await
}

/// The same, where so many more people were entered on it.
pub(crate) async fn sealed_day_with(app: &App, clinic: &Clinic<'_>, people: usize) -> NaiveDate {
    app.set(at("2026-11-03T00:09:59Z"));
    assert_eq!(sealer::seal(&app.pool, &app.clock).await.expect("it ticks").sealed, 0, "somebody may be writing still");
    app.set(at("2026-11-03T00:10:00Z"));
    let report = sealer::seal(&app.pool, &app.clock).await.expect("it ticks");
    assert_eq!((report.sealed, report.failed), (1, 0));
    let seal = list(clinic).await.pop().expect("a seal");
    assert_eq!((seal.number, seal.recorded_until), (0, at("2026-11-03T00:00:00Z")));
    // Two holds' edges, two completions with two steps and one, one without, two marks of the desk and one of a day,
    // one cycle and its record, two events and a withdrawal, a lot and its opening, and a list of those on site; a
    // quarantine and its release, an action, its step, a note and its closing, the reason of a miss, and a lead's signature
    // under the day; a legal hold, its lift and a purge; a water advisory and its lifting; and how a person,
    // a competence and an instrument stand.
    assert_eq!(seal.record_count, 2 + 3 + 3 + 2 + 1 + 2 + 2 + 1 + 2 + 1 + 2 + 4 + 1 + 1 + 3 + 2 + 3 + people);
    seal.clinic_day
}

/// The clinic's seals, the oldest first.
async fn list(clinic: &Clinic<'_>) -> Vec<DaySeal> {
    let page = clinic.manager.get(&format!("/v1/clinics/{}/day-seals", clinic.clinic_id)).await.expect(200);
    let mut seals: Vec<DaySeal> = serde_json::from_value(page["items"].clone()).expect("seals");
    seals.reverse();
    seals
}

#[sqlx::test]
async fn every_day_is_sealed_once_it_is_over_and_days_are_caught_up_with(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T06:00:00Z")).await;
    let clinic = eventful_day(&app).await;
    let first = sealed_day(&app, &clinic).await;
    assert_eq!(first, at("2026-11-02T00:00:00Z").date_naive());
    // A late entry goes into the seal of the day it came on.
    let cycle = json!({ "cycle_id": id(720), "ended_at": "2026-11-02T16:00:00Z" });
    clinic.tablet.post(&format!("/v1/equipment/{}/cycles", clinic.steriliser), cycle).await.expect(201);
    // An instance that was away for seven weeks, across a change of clocks nobody has to know of.
    app.set(at("2026-12-20T12:00:00Z"));
    app.keep_house().await;
    let report = sealer::tick(&pool, &app.clock).await.expect("it ticks");
    assert_eq!((report.sealed, report.failed, report.found), (47, 0, 0));
    let seals = list(&clinic).await;
    assert_eq!(seals.len(), 48);
    let mut last = None;
    for seal in &seals {
        assert_eq!(seal.follows(last), Ok(()));
        last = Some(seal);
    }
    let counts: Vec<usize> = seals.iter().map(|seal| seal.record_count).collect();
    assert_eq!((counts[0], counts[1], counts[2..].iter().sum::<usize>()), (35, 1, 0));
    assert_eq!(sealer::tick(&pool, &app.clock).await.expect("it ticks").sealed, 0);

    // Told of with the head, page by page, and read back.
    let told: Vec<Value> =
        sqlx::query_scalar("select body from event where kind = 'day_sealed' order by (body ->> 'number')::int")
            .fetch_all(&pool)
            .await
            .expect("events");
    let path = format!("/v1/clinics/{}/chain-head", clinic.clinic_id);
    assert_eq!(told.len(), 48);
    assert_eq!(told[47]["head"], clinic.manager.get(&path).await.expect(200));
    assert_eq!(told[4]["head"], clinic.manager.get(&format!("{path}?size=5")).await.expect(200));
    let page = clinic.manager.get(&format!("/v1/clinics/{}/day-seals?limit=20", clinic.clinic_id)).await;
    let next = page.header("link").split(['<', '>']).nth(1).expect("a link").to_owned();
    let (first, second) = (page.expect(200), clinic.manager.get(&next).await.expect(200));
    assert_eq!((&first["items"][0]["number"], &second["items"][0]["number"]), (&json!(47), &json!(27)));
    for (query, pointer) in [("?size=0", "/size"), ("?size=49", "/size")] {
        let refused = clinic.manager.get(&format!("{path}{query}")).await;
        refused.expect(422);
        assert_eq!(refused.pointers(), [pointer]);
    }
}

#[sqlx::test]
async fn spans_join_when_hours_and_zone_are_edited_between_seals(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T06:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let here = format!("/v1/clinics/{}", clinic.clinic_id);
    let night = json!([{ "opens": "20:00", "closes": "03:00" }]);
    for (now, zone, week) in [
        ("2026-11-04T12:00:00Z", "Europe/London", scenario::split_week()),
        // Its days end six hours later than those before …
        ("2026-11-06T12:00:00Z", "America/Chicago", scenario::split_week()),
        // … and now so much earlier that a day is over before the last seal's end …
        ("2026-11-08T12:00:00Z", "Pacific/Auckland", scenario::split_week()),
        // … and now run into the morning.
        ("2026-11-11T12:00:00Z", "Europe/London", json!({ "monday": night, "tuesday": night, "wednesday": night })),
        ("2026-11-14T12:00:00Z", "Europe/London", scenario::split_week()),
    ] {
        app.set(at(now));
        assert_eq!(sealer::tick(&pool, &app.clock).await.expect("it ticks").failed, 0);
        clinic.admin.put(&here, json!({ "name": "Clinic 0", "zone": zone })).await.expect(200);
        clinic.admin.put(&format!("{here}/hours"), json!({ "week": week })).await.expect(200);
    }
    app.set(at("2026-11-20T12:00:00Z"));
    let report = sealer::tick(&pool, &app.clock).await.expect("it ticks");
    assert_eq!((report.failed, report.found), (0, 0));
    let seals = list(&clinic).await;
    let mut last = None;
    for seal in &seals {
        assert_eq!(seal.follows(last), Ok(()));
        last = Some(seal);
    }
    assert_eq!(last.map(|seal| seal.recorded_until), Some(at("2026-11-20T00:00:00Z")));
    assert!((16..=18).contains(&seals.len()), "{} seals", seals.len());
}

#[sqlx::test]
async fn two_sealers_at_once_make_one_seal_a_day(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T06:00:00Z")).await;
    let clinic = eventful_day(&app).await;
    app.set(at("2026-11-05T12:00:00Z"));
    let (one, other) = tokio::join!(sealer::tick(&pool, &app.clock), sealer::tick(&pool, &app.clock));
    let (one, other) = (one.expect("it ticks"), other.expect("it ticks"));
    assert_eq!((one.sealed + other.sealed, one.failed + other.failed, one.found + other.found), (3, 0, 0));
    let seals = list(&clinic).await;
    assert_eq!(seals.iter().map(|seal| seal.number).collect::<Vec<_>>(), [0, 1, 2]);
}

/// Waits until somebody waits for an advisory lock, or the future ends.
async fn until_one_waits(pool: &PgPool) {
    let waiting = "select exists (select from pg_locks where locktype = 'advisory' and not granted
                                  and database = (select oid from pg_database where datname = current_database()))";
    for _ in 0..2_000 {
        if sqlx::query_scalar::<_, bool>(waiting).fetch_one(pool).await.expect("the locks") {
            return;
        }
        tokio::time::sleep(Duration::from_millis(5)).await;
    }
    panic!("nobody waits");
}

fn cycle(clinic: &Clinic<'_>, recorded_at: &str) -> CycleMark {
    CycleMark {
        cycle_id: id(730),
        clinic_day: at("2026-11-02T00:00:00Z").date_naive(),
        clinic_id: clinic.clinic_id,
        subject_id: clinic.steriliser,
        ended_at: at("2026-11-02T16:00:00Z"),
        program: String::new(),
        recorded_at: at(recorded_at),
        key_id: id(1),
    }
}

#[sqlx::test]
async fn a_seal_waits_for_who_is_recording_and_holds_what_they_recorded(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T06:00:00Z")).await;
    let clinic = eventful_day(&app).await;
    let mut tx = store::begin(&pool, id(1)).await.expect("begun");
    assert!(store::cycles::insert(&mut tx, id(1), &cycle(&clinic, "2026-11-02T23:59:59Z")).await.expect("kept"));
    app.set(at("2026-11-03T00:10:00Z"));
    let sealing = tokio::spawn({
        let (pool, clock) = (pool.clone(), app.clock.clone());
        async move { sealer::seal(&pool, &clock).await }
    });
    until_one_waits(&pool).await;
    assert!(list(&clinic).await.is_empty());
    tx.commit().await.expect("committed");
    assert_eq!(sealing.await.expect("no panic").expect("it ticks").sealed, 1);
    assert_eq!(list(&clinic).await[0].record_count, 36);
    let check = clinic.manager.get(&format!("/v1/clinics/{}/verification", clinic.clinic_id)).await.expect(200);
    assert_eq!((&check["findings"], &check["days_checked"]), (&json!([]), &json!(1)));
}

#[sqlx::test]
async fn who_comes_too_late_for_the_seal_waits_for_it_and_is_refused(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T06:00:00Z")).await;
    let clinic = eventful_day(&app).await;
    let mut sealing = store::begin(&pool, id(1)).await.expect("begun");
    seals::keep_recorders_out(&mut sealing, id(1), clinic.clinic_id).await.expect("held");
    let late = cycle(&clinic, "2026-11-02T23:59:59Z");
    let recording = tokio::spawn({
        let pool = pool.clone();
        async move {
            let mut tx = store::begin(&pool, id(1)).await.expect("begun");
            store::cycles::insert(&mut tx, id(1), &late).await
        }
    });
    until_one_waits(&pool).await;
    let (end, due) = (at("2026-11-03T00:00:00Z"), at("2026-11-04T00:10:00Z"));
    seals::save_sealed(&mut sealing, id(1), clinic.clinic_id, end, due).await.expect("saved");
    sealing.commit().await.expect("committed");
    let refused = recording.await.expect("no panic");
    assert!(matches!(refused, Err(StoreError::Sealed { sealed_until, .. }) if sealed_until == end), "{refused:?}");
}

/// Every way to record evidence, at a clinic that is sealed beyond now: as by a clock that is behind.
#[sqlx::test]
async fn nothing_can_be_recorded_at_an_instant_that_is_sealed(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T06:00:00Z")).await;
    let clinic = eventful_day(&app).await;
    app.set(at("2026-11-03T08:20:00Z"));
    let flush = clinic.due_of(routine::start_flush()).await;
    let task = flush["task_id"].as_str().expect("an id").to_owned();
    let here = format!("/v1/clinics/{}", clinic.clinic_id);
    let hold = |n: u32| json!({ "hold_id": id(n), "step": "flush:syringe", "performed_by": "KV" });
    clinic.tablet.post(&format!("/v1/tasks/{task}/holds"), hold(740)).await.expect(201);
    let out = json!({ "state": "out_of_service", "reason": "repair" });
    let mut chair = scenario::operatory(clinic.clinic_id, "Chair 0");
    chair["service"] = out;
    clinic.admin.put(&format!("/v1/operatories/{}", clinic.chair), chair).await.expect(200);
    let missed = json!({ "kind": "missed_routine", "subject_id": clinic.steriliser, "reason": "x", "opened_by": "KV" });
    clinic.tablet.put(&format!("/v1/corrective-actions/{}", id(747)), missed).await.expect(201);
    let lead = json!({ "name": "Mara Oduya", "initials": "MO", "role": "clinic_lead", "active_from": "2026-01-05" });
    clinic.admin.put(&format!("/v1/staff/{}", id(749)), lead).await.expect(201);
    clinic.admin.put(&format!("/v1/staff/{}/pin", id(749)), json!({ "pin": "80264" })).await.expect(204);
    let signature = json!({ "staff_id": id(749), "pin": "80264" });
    let hold_back = json!({ "reason": "an inquiry", "signature": signature });
    clinic.manager.put(&format!("{here}/legal-holds/{}", id(750)), hold_back.clone()).await.expect(201);
    sqlx::query("update clinic_seal set sealed_until = '2026-11-03T08:20:00.000001Z'")
        .execute(&pool)
        .await
        .expect("set");
    let before = contents(&pool, id(1)).await;
    let back = scenario::operatory(clinic.clinic_id, "Chair 0");
    let (put, post) = (Method::PUT, Method::POST);
    for (client, method, path, body) in [
        (&clinic.tablet, &post, "/v1/completions".to_owned(), clinic.flush(741, &flush, 125)),
        (
            &clinic.tablet,
            &post,
            "/v1/completions/batch".to_owned(),
            json!({ "completions": [clinic.flush(741, &flush, 9)] }),
        ),
        (&clinic.tablet, &post, format!("/v1/tasks/{task}/holds"), hold(742)),
        (&clinic.tablet, &post, format!("/v1/tasks/{task}/holds/{}/end", id(740)), json!({ "performed_by": "KV" })),
        (
            &clinic.tablet,
            &post,
            format!("/v1/equipment/{}/cycles", clinic.steriliser),
            json!({ "cycle_id": id(743), "ended_at": "2026-11-03T08:10:00Z" }),
        ),
        (
            &clinic.tablet,
            &Method::PUT,
            format!("/v1/equipment/{}/cycles/{}/record", clinic.steriliser, id(743)),
            json!({ "csv": "elapsed_seconds,temperature_celsius\n0,134\n", "performed_by": "KV" }),
        ),
        (&clinic.desk, &post, format!("{here}/day-start"), json!({})),
        (&clinic.desk, &post, format!("{here}/day-end"), json!({})),
        (&clinic.desk, &post, format!("/v1/operatories/{}/seated", clinic.chair), json!({})),
        (&clinic.desk, &post, format!("/v1/operatories/{}/left", clinic.chair), json!({})),
        (
            &clinic.manager,
            &put,
            format!("{here}/site-events/{}", id(744)),
            json!({ "kind": "repair", "happened_at": "2026-11-03T07:00:00Z" }),
        ),
        (&clinic.desk, &put, format!("{here}/presence/2026-11-03"), json!({ "staff_ids": [] })),
        (&clinic.manager, &Method::DELETE, format!("{here}/site-events/{}", id(705)), Value::Null),
        (
            &clinic.tablet,
            &put,
            format!("/v1/quarantines/{}", id(745)),
            json!({ "subject_id": clinic.chair, "reason": "it drips", "begun_by": "KV" }),
        ),
        (
            &clinic.tablet,
            &put,
            format!("/v1/corrective-actions/{}", id(746)),
            json!({ "kind": "missed_routine", "subject_id": clinic.chair, "reason": "seen", "opened_by": "KV" }),
        ),
        (
            &clinic.tablet,
            &put,
            format!("/v1/corrective-actions/{}/steps/make-safe", id(747)),
            json!({ "record_id": id(748), "performed_at": "2026-11-03T08:10:00Z", "performed_by": "KV", "note": "x" }),
        ),
        (&clinic.manager, &put, format!("{here}/legal-holds/{}", id(751)), hold_back),
        (
            &clinic.manager,
            &post,
            format!("{here}/legal-holds/{}/lift", id(750)),
            json!({ "lift_id": id(752), "reason": "closed", "signature": signature }),
        ),
        (
            &clinic.manager,
            &put,
            format!("{here}/purges/{}", id(753)),
            json!({ "from": "2026-11-01", "until": "2026-11-02", "record_count": 1, "digest": "0".repeat(64),
                    "reason": "kept long enough", "signature": signature }),
        ),
        (
            &clinic.admin,
            &put,
            format!("/v1/staff/{}", id(707)),
            json!({ "name": "Kit Vale", "initials": "KV", "role": "clinician", "active_from": "2026-01-05" }),
        ),
        (
            &clinic.admin,
            &put,
            format!("/v1/staff/{}/competences/{}", id(707), id(716)),
            json!({ "for_what": { "kind": "family", "family": "waterlines" }, "valid_from": "2026-01-12",
                    "valid_until": "2027-01-11", "signed_off_by": "Mara Oduya" }),
        ),
        (
            &clinic.admin,
            &put,
            format!("/v1/instruments/{}", id(717)),
            json!({ "clinic_id": clinic.clinic_id, "name": "Gauge 2" }),
        ),
        // It comes back into service, which is a site event.
        (&clinic.admin, &put, format!("/v1/operatories/{}", clinic.chair), back),
    ] {
        let body = Some(body).filter(|body| !body.is_null());
        let answer = client.ask(method.clone(), &path, &[("idempotency-key", "\"late\"")], body.as_ref()).await;
        assert_eq!(
            (answer.status.as_u16(), answer.header("retry-after")),
            (503, "1"),
            "{method} {path}: {}",
            answer.text
        );
    }
    let after = contents(&pool, id(1)).await;
    // A try at a PIN is counted whatever becomes of the work.
    let is_kept = |table: &&String| *table != "staff_pin" && before[*table] != after[*table];
    let differs: Vec<&String> = before.keys().filter(is_kept).collect();
    assert!(differs.is_empty(), "{differs:?} changed");
}

#[sqlx::test]
async fn days_to_verify_are_bounded_and_only_those_who_look_over_a_clinic_may_ask(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T06:00:00Z")).await;
    let clinic = eventful_day(&app).await;
    let here = format!("/v1/clinics/{}", clinic.clinic_id);
    clinic.manager.get(&format!("{here}/chain-head")).await.expect(404);
    let nothing = clinic.manager.get(&format!("{here}/verification")).await.expect(200);
    assert_eq!((&nothing["days_checked"], &nothing["findings"]), (&json!(0), &json!([])));
    app.set(app.clock.now() + TimeDelta::days(40));
    sealer::tick(&pool, &app.clock).await.expect("it ticks");
    for (query, days) in
        [("", 31), ("?from=2026-11-02&until=2026-11-02", 1), ("?from=2026-12-01", 11), ("?until=2026-11-03", 2)]
    {
        let check = clinic.manager.get(&format!("{here}/verification{query}")).await.expect(200);
        assert_eq!((&check["days_checked"], &check["findings"]), (&json!(days), &json!([])), "{query}");
    }
    for (query, pointer) in [
        ("?from=2026-11-02&until=2026-12-03", "/until"),
        ("?from=2026-11-02&until=2026-11-01", "/until"),
        ("?from=+262142-12-31", "/from"),
        ("?until=1969-12-31", "/until"),
    ] {
        let refused = clinic.manager.get(&format!("{here}/verification{}", query.replace('+', "%2B"))).await;
        refused.expect(422);
        assert_eq!(refused.pointers(), [pointer], "{query}");
    }
    for client in [&clinic.tablet, &clinic.desk] {
        for path in [
            "verification",
            "chain-head",
            "day-seals",
            "record-proof?kind=a&record_id=b",
            "consistency-proof?old_size=1",
        ] {
            client.get(&format!("{here}/{path}")).await.expect(403);
        }
        client.get("/v1/seal-findings").await.expect(403);
    }
}

/// Whoever could stop the loop with one row that nobody can read would stop it for every other clinic.
#[sqlx::test]
async fn a_clinic_whose_seals_cannot_be_read_is_noted_and_the_others_are_checked(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T06:00:00Z")).await;
    let clinic = eventful_day(&app).await;
    let other = scenario::configure(clinic.admin.clone(), "Europe/London", 1).await;
    app.set(at("2026-11-04T12:00:00Z"));
    sealer::seal(&pool, &app.clock).await.expect("it ticks");
    let unguarded = "alter table day_seal drop constraint day_seal_root_check";
    sqlx::query(unguarded).execute(&pool).await.expect("the owner may");
    for (edit, clinic_id) in [
        ("update day_seal set root = '\\x00' where clinic_id = $1 and number = 0", clinic.clinic_id),
        ("update day_seal set record_count = 7 where clinic_id = $1 and number = 0", other.clinic_id),
    ] {
        sqlx::query(edit).bind(clinic_id).execute(&pool).await.expect("the owner may");
    }
    let report = sealer::tick(&pool, &app.clock).await.expect("it ticks");
    assert_eq!((report.checked, report.failed), (1, 1), "{report:?}");
    assert!(report.found > 0, "the edit at the other clinic");
    let noted: Option<String> = sqlx::query_scalar("select last_error from clinic_seal where clinic_id = $1")
        .bind(clinic.clinic_id)
        .fetch_one(&pool)
        .await
        .expect("a row");
    assert!(noted.is_some_and(|reason| reason.contains("root")), "it says which column");
    assert_eq!(sealer::tick(&pool, &app.clock).await.expect("it ticks").failed, 0, "it is left alone for a while");
}
