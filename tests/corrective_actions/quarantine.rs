//! What a person puts out of use, and what other systems read of it.

use chairtide::domain::quarantine::CauseKind;
use chairtide::store::corrective_actions::quarantines;
use chairtide::store::{self, reporting};
use serde_json::{Value, json};
use sqlx::{AssertSqlSafe, ConnectOptions as _, PgPool};
use std::collections::BTreeSet;
use uuid::Uuid;

use super::{CLINICIAN, LEAD, clinic_with_spore_chain, kind_of, only_open, people, record, release, spore, step};
use crate::support::app::App;
use crate::support::scenario;
use crate::support::{at, id};

#[sqlx::test]
async fn anybody_at_work_stops_something_and_only_one_who_is_trained_releases_it(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T08:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    people(&clinic).await;
    let path = format!("/v1/quarantines/{}", id(870));
    let body = json!({ "subject_id": clinic.chair, "line": "syringe", "begun_at": "2026-11-02T07:50:00Z",
                       "reason": "it drips", "begun_by": "IB" });
    let put = clinic.desk.put(&path, body.clone()).await.expect(201);
    assert_eq!((&put["cause"], &put["release"]), (&json!("person"), &Value::Null));
    assert_eq!(clinic.tablet.put(&path, body.clone()).await.expect(200), put);
    for (field, value, status, problem) in [
        ("reason", json!("it bursts"), 409, "/problems/quarantine-differs"),
        ("begun_at", json!("2026-11-02T07:51:00Z"), 409, "/problems/quarantine-differs"),
    ] {
        let mut other = body.clone();
        other[field] = value;
        let answer = clinic.tablet.put(&path, other).await;
        answer.expect(status);
        assert_eq!(kind_of(&answer), problem);
    }
    for (field, value, pointer) in [
        ("line", json!("coffee"), "/line"),
        ("begun_at", json!("2026-11-02T09:00:00Z"), "/begun_at"),
        ("begun_at", json!("2026-10-20T09:00:00Z"), "/begun_at"),
        ("subject_id", json!(clinic.clinic_id), "/subject_id"),
        ("cycle_id", json!(id(1)), "/cycle_id"),
    ] {
        let mut other = body.clone();
        other[field] = value;
        if pointer == "/subject_id" {
            other["line"] = Value::Null;
        }
        let answer = clinic.tablet.put(&format!("/v1/quarantines/{}", id(871)), other).await;
        answer.expect(422);
        assert_eq!(answer.pointers(), [pointer]);
    }
    let mut elsewhere = body.clone();
    elsewhere["subject_id"] = json!(id(999));
    clinic.tablet.put(&format!("/v1/quarantines/{}", id(871)), elsewhere).await.expect(404);
    // An id that the service derives could keep an action from being opened.
    let derived = "00000000-0000-8000-8000-000000000001";
    let reserved = clinic.tablet.put(&format!("/v1/quarantines/{derived}"), body).await;
    assert_eq!(kind_of(&reserved), "/problems/id-reserved");

    let mut tx = store::begin(&pool, id(1)).await.expect("begun");
    for (instant, standing) in [("2026-11-02T07:59:59Z", 0), ("2026-11-02T08:00:00Z", 1)] {
        let found = quarantines::list_standing(&mut tx, id(1), &[clinic.chair], at(instant)).await.expect("read");
        assert_eq!(found.len(), standing, "by what was recorded at {instant}");
    }
    tx.commit().await.expect("committed");
    app.set(at("2026-11-02T08:30:00Z"));
    release(&clinic, &json!(id(870)), 850, CLINICIAN).await.expect(403);
    release(&clinic, &json!(id(870)), 850, LEAD).await.expect(201);
    let mut tx = store::begin(&pool, id(1)).await.expect("begun");
    for (instant, standing) in [("2026-11-02T08:29:59Z", 1), ("2026-11-02T08:30:00Z", 0)] {
        let found = quarantines::list_standing(&mut tx, id(1), &[clinic.chair], at(instant)).await.expect("read");
        assert_eq!(found.len(), standing, "by what was recorded at {instant}");
    }
    let span = (at("2026-11-02T08:10:00Z"), at("2026-11-02T12:00:00Z"));
    let found = quarantines::list_between(&mut tx, id(1), &[clinic.chair], span).await.expect("read");
    assert!(found[0].release.is_some());
}

#[sqlx::test]
async fn the_database_and_the_domain_know_the_same_causes(pool: PgPool) {
    let check: String = sqlx::query_scalar(
        "select pg_get_constraintdef(oid) from pg_constraint where conname = 'quarantine_cause_known'",
    )
    .fetch_one(&pool)
    .await
    .expect("the constraint");
    let known: BTreeSet<&str> = check.split('\'').skip(1).step_by(2).collect();
    assert_eq!(known, CauseKind::ALL.iter().map(|kind| kind.as_str()).collect());
}

#[sqlx::test]
async fn a_reporting_login_reads_the_actions_steps_and_quarantines_of_its_group(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T06:00:00Z")).await;
    let clinic = clinic_with_spore_chain(&app).await;
    spore(&clinic, 830, "1").await;
    let item = only_open(&clinic).await;
    step(&clinic, &item, "take-out", record(&clinic, 810, &json!({}))).await.expect(201);
    app.group(id(2)).await;
    let mut owner = pool.acquire().await.expect("a connection");
    for (group, rows) in [(1, 1_i64), (2, 0)] {
        let login = format!("auditor_{}", Uuid::new_v4().simple());
        sqlx::query(AssertSqlSafe(format!("create role {login} login"))).execute(&mut *owner).await.expect("a login");
        reporting::grant_login(&mut owner, id(group), &login).await.expect("let in");
        let options = (*pool.connect_options()).clone().username(&login);
        let mut reader = options.connect().await.expect("the login connects");
        for view in ["corrective_actions", "corrective_action_steps", "quarantines"] {
            let sql = format!("select count(*) from reporting.{view}");
            let seen: i64 = sqlx::query_scalar(AssertSqlSafe(sql)).fetch_one(&mut reader).await.expect("readable");
            assert_eq!(seen, rows, "{view} of group {group}");
        }
        let next: Option<String> = sqlx::query_scalar("select next_step from reporting.corrective_actions")
            .fetch_optional(&mut reader)
            .await
            .expect("readable");
        assert_eq!(next.as_deref(), (group == 1).then_some("withdraw-implants"));
        drop(reader);
        for sql in [format!("drop owned by {login}"), format!("drop role {login}")] {
            sqlx::query(AssertSqlSafe(sql)).execute(&mut *owner).await.expect("nothing left");
        }
    }
}
