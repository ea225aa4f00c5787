//! What happened at a clinic: recorded once, never changed, withdrawn at most; and subjects that come back.

use std::collections::BTreeSet;

use axum::http::StatusCode;
use chairtide::domain::site_event::SiteEventKind;
use chairtide::domain::subject::Spell;
use chairtide::store::{self, reporting};
use chrono::{DateTime, Utc};
use serde_json::{Value, json};
use sqlx::{AssertSqlSafe, ConnectOptions as _, PgPool};
use uuid::Uuid;

use crate::support::app::App;
use crate::support::contents::{contents, count};
use crate::support::scenario::{self, Clinic};
use crate::support::{at, id};

const RECORDED: &str = "select count(*) from event where group_id = $1 and kind = 'site_event_recorded'";
const WITHDRAWN: &str = "select count(*) from event where group_id = $1 and kind = 'site_event_withdrawn'";
const DUE_NOW: &str = "select count(*) from clinic_plan where group_id = $1 and plan_due_at <= '2026-11-02T09:00:00Z'";

fn path(clinic: &Clinic<'_>, n: u32) -> String {
    format!("/v1/clinics/{}/site-events/{}", clinic.clinic_id, id(n))
}

fn plumbing() -> Value {
    json!({ "kind": "plumbing_change", "happened_at": "2026-11-02T07:00:00Z", "note": "A new tap." })
}

/// The events that make work, as the store gives them to the plan.
async fn counted(pool: &PgPool, clinic_id: Uuid) -> Vec<(SiteEventKind, Option<Uuid>, DateTime<Utc>)> {
    let mut tx = store::begin(pool, id(1)).await.expect("a transaction");
    let since = at("2026-01-01T00:00:00Z");
    let events = store::site_events::list_site_events(&mut tx, id(1), clinic_id, since).await.expect("events");
    events.into_iter().map(|e| (e.kind, e.subject_id, e.happened_at)).collect()
}

#[sqlx::test]
async fn a_site_event_is_recorded_once_and_stays_in_the_list_when_it_is_withdrawn(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T09:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let list = format!("/v1/clinics/{}/site-events", clinic.clinic_id);
    let made = clinic.manager.put(&path(&clinic, 1), plumbing()).await.expect(201);
    assert_eq!(
        made,
        json!({ "event_id": id(1), "clinic_id": clinic.clinic_id, "kind": "plumbing_change",
                "happened_at": "2026-11-02T07:00:00Z", "subject_id": null, "note": "A new tap.",
                "recorded_at": "2026-11-02T09:00:00Z", "withdrawn_at": null })
    );
    assert_eq!((count(&pool, RECORDED, id(1)).await, count(&pool, DUE_NOW, id(1)).await), (1, 1));
    app.plan().await;
    let before = contents(&pool, id(1)).await;
    assert_eq!(clinic.admin.put(&path(&clinic, 1), plumbing()).await.expect(200), made);
    let mut other = plumbing();
    other["kind"] = json!("commissioning");
    let conflict = clinic.admin.put(&path(&clinic, 1), other).await.expect(409);
    assert_eq!(conflict["type"], "/problems/site-event-differs");
    assert_eq!(contents(&pool, id(1)).await, before);
    let repair = json!({ "kind": "repair", "happened_at": "2026-11-02T08:00:00Z", "subject_id": clinic.chair });
    clinic.admin.put(&path(&clinic, 2), repair).await.expect(201);
    let at_clinic = (SiteEventKind::PlumbingChange, None, at("2026-11-02T07:00:00Z"));
    let at_chair = (SiteEventKind::Repair, Some(clinic.chair), at("2026-11-02T08:00:00Z"));
    assert_eq!(counted(&pool, clinic.clinic_id).await, [at_clinic, at_chair]);

    app.set(at("2026-11-03T10:00:00Z"));
    app.plan().await;
    for _ in 0..2 {
        assert_eq!(clinic.manager.delete(&path(&clinic, 1)).await.status, StatusCode::NO_CONTENT);
    }
    assert_eq!(count(&pool, WITHDRAWN, id(1)).await, 1);
    let due = "select count(*) from clinic_plan where group_id = $1 and plan_due_at <= '2026-11-03T10:00:00Z'";
    assert_eq!(count(&pool, due, id(1)).await, 1);
    assert_eq!(counted(&pool, clinic.clinic_id).await, [at_chair]);
    let mut withdrawn = made.clone();
    withdrawn["withdrawn_at"] = json!("2026-11-03T10:00:00Z");
    let shown = clinic.tablet.get(&list).await.expect(200);
    assert_eq!((&shown["items"][0]["kind"], &shown["items"][1]), (&json!("repair"), &withdrawn));
    // A repeat that comes late does not bring it back.
    assert_eq!(clinic.manager.put(&path(&clinic, 1), plumbing()).await.expect(200), withdrawn);

    let page = clinic.manager.get(&format!("{list}?limit=1")).await;
    let link = page.header("link").strip_prefix('<').and_then(|l| l.split_once('>')).expect("a next page").0.to_owned();
    let last = clinic.manager.get(&link).await;
    assert_eq!(last.expect(200)["items"], json!([withdrawn]));
    assert_eq!(last.header("link"), "");
}

#[sqlx::test]
async fn site_events_that_cannot_be_are_refused_and_nothing_of_them_is_kept(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T09:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let next = scenario::clinic_of(&app, clinic.admin.clone(), "Europe/London", 50).await;
    clinic.admin.put(&path(&clinic, 1), plumbing()).await.expect(201);
    let before = contents(&pool, id(1)).await;
    let with = |name: &str, value: Value| {
        let mut body = plumbing();
        body[name] = value;
        body
    };
    // A clock may run 120 seconds ahead.
    let refused = [
        (with("happened_at", json!("2026-11-02T09:02:01Z")), 422, "/happened_at"),
        (with("happened_at", json!("2026-08-04T08:59:59Z")), 422, "/happened_at"),
        (with("subject_id", json!(next.chair)), 422, "/subject_id"),
        (with("note", json!("x".repeat(401))), 422, "/note"),
        (with("kind", json!("flood")), 400, "/kind"),
        // These have a resource of their own.
        (with("kind", json!("water_advisory_started")), 422, "/kind"),
        (with("kind", json!("water_advisory_lifted")), 422, "/kind"),
        (with("patient", json!("x")), 400, "/patient"),
    ];
    for (body, status, pointer) in refused {
        let answer = clinic.manager.put(&path(&clinic, 2), body.clone()).await;
        answer.expect(status);
        assert_eq!(answer.pointers(), [pointer], "{body}");
    }
    let reader = clinic.admin.key("reader", json!({ "kind": "group" })).await;
    let after_key = contents(&pool, id(1)).await;
    for client in [&clinic.tablet, &clinic.desk, &reader] {
        client.put(&path(&clinic, 2), plumbing()).await.expect(403);
        client.delete(&path(&clinic, 1)).await.expect(403);
    }
    let nearby = format!("/v1/clinics/{}/site-events/{}", next.clinic_id, id(1));
    assert_eq!(clinic.manager.put(&nearby, plumbing()).await.expect(409)["type"], "/problems/site-event-differs");
    clinic.manager.delete(&nearby).await.expect(404);
    clinic.manager.delete(&path(&clinic, 2)).await.expect(404);
    assert_ne!(after_key, before);
    assert_eq!(contents(&pool, id(1)).await, after_key);
    // 90 days before 2026-11-02 is 2026-08-04 (Gregorian calendar); 400 characters of two bytes each are 400.
    let old = with("happened_at", json!("2026-08-04T09:00:00Z"));
    clinic.manager.put(&path(&clinic, 2), old).await.expect(201);
    clinic.manager.put(&path(&clinic, 3), with("note", json!("é".repeat(400)))).await.expect(201);
}

/// A chair that is taken out of service and comes back, twice.
#[sqlx::test]
async fn a_return_to_service_is_an_event_of_its_own_once_for_each_time(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T09:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let chair = format!("/v1/operatories/{}", clinic.chair);
    let unit = scenario::operatory(clinic.clinic_id, "Chair 0");
    let out = |reason: &str| {
        let mut body = unit.clone();
        body["service"] = json!({ "state": "out_of_service", "reason": reason });
        body
    };
    let steps = [
        ("2026-11-02T10:00:00Z", out("leaks")),
        ("2026-11-02T11:00:00Z", out("awaiting a part")),
        ("2026-11-02T12:00:00Z", unit.clone()),
        ("2026-11-02T12:30:00Z", unit.clone()),
        ("2026-11-03T10:00:00Z", out("leaks")),
        ("2026-11-03T12:00:00Z", unit.clone()),
    ];
    for (instant, body) in steps {
        app.set(at(instant));
        clinic.admin.put(&chair, body).await.expect(200);
    }
    let back = |instant| (SiteEventKind::ReturnToService, Some(clinic.chair), at(instant));
    let wanted = [back("2026-11-02T12:00:00Z"), back("2026-11-03T12:00:00Z")];
    assert_eq!(counted(&pool, clinic.clinic_id).await, wanted);
    assert_eq!(count(&pool, RECORDED, id(1)).await, 2);
    let shown = clinic.tablet.get(&format!("/v1/clinics/{}/site-events", clinic.clinic_id)).await.expect(200);
    let ids: BTreeSet<_> = shown["items"].as_array().expect("a list").iter().map(|i| i["event_id"].as_str()).collect();
    assert_eq!(ids.len(), 2);

    let mut tx = store::begin(&pool, id(1)).await.expect("a transaction");
    let subjects = store::clinics::subjects::list_of_clinic(&mut tx, id(1), clinic.clinic_id).await.expect("subjects");
    let of_chair = subjects.iter().find(|s| s.id == clinic.chair).expect("it stands there");
    let spell = |from, until, reason: &str| Spell { from: at(from), until: Some(at(until)), reason: reason.to_owned() };
    assert_eq!(
        of_chair.spells,
        [
            spell("2026-11-02T10:00:00Z", "2026-11-02T11:00:00Z", "leaks"),
            spell("2026-11-02T11:00:00Z", "2026-11-02T12:00:00Z", "awaiting a part"),
            spell("2026-11-03T10:00:00Z", "2026-11-03T12:00:00Z", "leaks"),
        ]
    );
    assert!(subjects.iter().filter(|s| s.id != clinic.chair).all(|s| s.spells.is_empty()));
}

/// What happened to a subject makes work where the subject stands, not where it stood.
#[sqlx::test]
async fn events_of_a_subject_follow_it_when_it_moves(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T09:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let next = scenario::clinic_of(&app, clinic.admin.clone(), "Europe/London", 50).await;
    let repair = json!({ "kind": "repair", "happened_at": "2026-11-02T08:00:00Z", "subject_id": clinic.chair });
    clinic.admin.put(&path(&clinic, 1), repair.clone()).await.expect(201);
    clinic.admin.put(&path(&clinic, 2), plumbing()).await.expect(201);
    let moved = scenario::operatory(next.clinic_id, "Chair 0");
    clinic.admin.put(&format!("/v1/operatories/{}", clinic.chair), moved).await.expect(200);
    let kinds = async |clinic_id| counted(&pool, clinic_id).await.into_iter().map(|e| e.0).collect::<Vec<_>>();
    assert_eq!(kinds(clinic.clinic_id).await, [SiteEventKind::PlumbingChange]);
    assert_eq!(kinds(next.clinic_id).await, [SiteEventKind::Repair]);
    clinic.admin.put(&path(&clinic, 1), repair).await.expect(200);
}

#[sqlx::test]
async fn the_database_and_the_domain_know_the_same_kinds_of_site_event(pool: PgPool) {
    let check: String = sqlx::query_scalar(
        "select pg_get_constraintdef(oid) from pg_constraint where conname = 'site_event_kind_known'",
    )
    .fetch_one(&pool)
    .await
    .expect("the constraint");
    let known: BTreeSet<&str> = check.split('\'').skip(1).step_by(2).collect();
    assert_eq!(known, SiteEventKind::ALL.iter().map(|kind| kind.as_str()).collect());
    for kind in SiteEventKind::ALL {
        assert_eq!(json!(kind), json!(kind.as_str()));
    }
}

#[sqlx::test]
async fn a_reporting_login_reads_the_cycles_and_site_events_of_its_group(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T09:00:00Z")).await;
    let ours = scenario::clinic(&app, "Europe/London").await;
    let theirs = scenario::clinic_of(&app, app.group(id(2)).await, "Europe/London", 50).await;
    for (clinic, n) in [(&ours, 1), (&theirs, 2)] {
        clinic.manager.put(&path(clinic, n), plumbing()).await.expect(201);
        clinic.manager.delete(&path(clinic, n)).await;
        let cycle = json!({ "cycle_id": id(n), "ended_at": "2026-11-02T08:40:00Z" });
        clinic.tablet.post(&format!("/v1/equipment/{}/cycles", clinic.steriliser), cycle).await.expect(201);
    }
    let login = format!("auditor_{}", Uuid::new_v4().simple());
    sqlx::query(AssertSqlSafe(format!("create role {login} login"))).execute(&pool).await.expect("a login");
    let mut owner = pool.acquire().await.expect("a connection");
    reporting::grant_login(&mut owner, id(1), &login).await.expect("let in");
    let options = (*pool.connect_options()).clone().username(&login);
    let mut reader = options.connect().await.expect("the login connects");
    let cycles: Vec<(Uuid, Uuid)> = sqlx::query_as("select cycle_id, subject_id from reporting.cycles")
        .fetch_all(&mut reader)
        .await
        .expect("readable");
    assert_eq!(cycles, [(id(1), ours.steriliser)]);
    let events: Vec<(Uuid, Option<DateTime<Utc>>)> =
        sqlx::query_as("select event_id, withdrawn_at from reporting.site_events")
            .fetch_all(&mut reader)
            .await
            .expect("readable");
    assert_eq!(events, [(id(1), Some(at("2026-11-02T09:00:00Z")))]);
    drop(reader);

    let undocumented: Vec<String> = sqlx::query_scalar(
        "select c.relname || '.' || a.attname from pg_class c join pg_attribute a on a.attrelid = c.oid
         where c.relnamespace = 'reporting'::regnamespace and c.relkind = 'v' and a.attnum > 0
           and col_description(c.oid, a.attnum) is null",
    )
    .fetch_all(&mut *owner)
    .await
    .expect("the catalogue");
    assert!(undocumented.is_empty(), "columns that other systems read without a word on them: {undocumented:?}");
    sqlx::query(AssertSqlSafe(format!("drop owned by {login}"))).execute(&mut *owner).await.expect("nothing left");
    sqlx::query(AssertSqlSafe(format!("drop role {login}"))).execute(&mut *owner).await.expect("gone");
}
