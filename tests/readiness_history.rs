//! What an operatory's record lacked at instants gone by: as it was answered then, over HTTP and in SQL.

use chrono::{DateTime, TimeDelta, Utc};
use serde_json::{Value, json};
use sqlx::{AssertSqlSafe, PgPool};

use crate::exports::auditor;
use crate::support::app::App;
use crate::support::scenario::{self, Clinic, routine};
use crate::support::{at, id};

/// What the record lacks now, without what only tells when it was asked.
async fn now(clinic: &Clinic<'_>) -> Value {
    asked(clinic, "").await
}

async fn asked(clinic: &Clinic<'_>, query: &str) -> Value {
    let path = format!("/v1/operatories/{}/readiness{query}", clinic.chair);
    let whole = clinic.admin.get(&path).await.expect(200);
    let mut standing = whole["standing"].clone();
    // What an action waits for is told of now alone.
    for obstacle in standing.as_array_mut().expect("a list") {
        obstacle["waits_for"] = json!(null);
    }
    json!({ "ready": whole["ready_by_record"], "missing": whole["missing"], "standing": standing })
}

fn instant(at: DateTime<Utc>) -> String {
    at.to_rfc3339_opts(chrono::SecondsFormat::Micros, true)
}

/// A lead who is trained to release.
async fn lead(clinic: &Clinic<'_>) {
    let path = format!("/v1/staff/{}", id(801));
    let person = json!({ "name": "Mara Oduya", "initials": "MO", "role": "clinic_lead", "active_from": "2024-01-01" });
    clinic.admin.put(&path, person).await.expect(201);
    clinic.admin.put(&format!("{path}/pin"), json!({ "pin": "80146" })).await.expect(204);
    let competence = json!({ "for_what": { "kind": "family", "family": "release" }, "valid_from": "2026-01-01",
                             "signed_off_by": "the group's lead" });
    clinic.admin.put(&format!("{path}/competences/{}", id(801)), competence).await.expect(201);
}

/// A day and a half with all that makes a record lack something; every look, with its instant.
async fn eventful(clinic: &Clinic<'_>) -> Vec<(DateTime<Utc>, Value)> {
    let app = clinic.admin.app;
    lead(clinic).await;
    let mut looks = Vec::new();
    let mut look = async |minutes: i64| {
        looks.push((app.clock.now(), now(clinic).await));
        app.advance(TimeDelta::minutes(minutes));
    };
    let flush = clinic.due_of(routine::start_flush()).await;
    look(5).await;
    clinic.tablet.post("/v1/completions", clinic.flush(7001, &flush, 20)).await.expect(201);
    look(5).await;
    clinic.tablet.post("/v1/completions", clinic.flush(7002, &flush, 125)).await.expect(201);
    look(40).await;
    let out = json!({ "subject_id": clinic.chair, "reason": "it leaks", "begun_by": "IB" });
    clinic.tablet.put(&format!("/v1/quarantines/{}", id(870)), out).await.expect(201);
    look(30).await;
    let signature = json!({ "staff_id": id(801), "pin": "80146" });
    let release = json!({ "release_id": id(871), "reason": "the seal was changed", "signature": signature });
    clinic.tablet.post(&format!("/v1/quarantines/{}/release", id(870)), release).await.expect(201);
    look(5).await;
    // It is taken back: the flush was of another chair.
    let mut taken_back = clinic.flush(7003, &flush, 20);
    taken_back["corrects"] = json!(id(7002));
    taken_back["reason"] = json!("of another chair");
    clinic.tablet.post("/v1/completions", taken_back).await.expect(201);
    look(20).await;
    let mut chair = scenario::operatory(clinic.clinic_id, "Chair 1");
    chair["service"] = json!({ "state": "out_of_service", "reason": "no suction" });
    clinic.admin.put(&format!("/v1/operatories/{}", clinic.chair), chair.clone()).await.expect(200);
    look(45).await;
    chair["service"] = json!({ "state": "in_service" });
    chair["water_source"] = json!("mains_air_gap");
    clinic.admin.put(&format!("/v1/operatories/{}", clinic.chair), chair.clone()).await.expect(200);
    look(10).await;
    let notice = json!({ "authority": "Saltmarrow Water", "started_at": app.clock.now(), "opened_by": "IB",
                         "clinic_ids": [clinic.clinic_id] });
    clinic.tablet.put(&format!("/v1/water-advisories/{}", id(700)), notice).await.expect(201);
    look(200).await;
    chair["water_source"] = json!("own_reservoir");
    clinic.admin.put(&format!("/v1/operatories/{}", clinic.chair), chair).await.expect(200);
    look(600).await;
    look(490).await;
    app.plan().await;
    let next = clinic.due_of(routine::start_flush()).await;
    clinic.tablet.post("/v1/completions", clinic.flush(7004, &next, 125)).await.expect(201);
    look(1).await;
    looks
}

#[sqlx::test]
async fn every_instant_is_answered_as_it_was_answered_then(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T07:40:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let from = app.clock.now();
    let looks = eventful(&clinic).await;
    let kinds: std::collections::BTreeSet<String> = looks.iter().map(|(_, seen)| seen.to_string()).collect();
    assert!(kinds.len() >= 9, "the looks saw different things: {}", kinds.len());
    for (when, seen) in &looks {
        assert_eq!(&asked(&clinic, &format!("?at={}", instant(*when))).await, seen, "{when}");
    }
    let until = app.clock.now();
    let path = format!("/v1/operatories/{}/readiness-history", clinic.chair);
    let history =
        clinic.admin.get(&format!("{path}?from={}&until={}", instant(from), instant(until))).await.expect(200);
    let intervals = history["intervals"].as_array().expect("a list").clone();
    for (when, seen) in &looks {
        let begun = |i: &&Value| at(i["from"].as_str().expect("an instant")) <= *when;
        let one = intervals.iter().rfind(begun).expect("an interval");
        assert_eq!((&one["ready_by_record"], &one["standing"]), (&seen["ready"], &seen["standing"]), "{when}");
        assert_eq!(one["missing"], seen["missing"], "{when}");
    }
    // The same times, put together by Postgres from the same rows, by a road of its own.
    let mut told: Vec<(DateTime<Utc>, Option<DateTime<Utc>>)> = Vec::new();
    for interval in intervals.iter().filter(|i| i["ready_by_record"] == json!(false)) {
        let (begins, ends) =
            (at(interval["from"].as_str().expect("an instant")), at(interval["until"].as_str().expect("one")));
        match told.last_mut() {
            Some((_, last)) if *last == Some(begins) => *last = Some(ends),
            _ => told.push((begins, Some(ends))),
        }
    }
    for (_, ends) in &mut told {
        *ends = ends.filter(|ends| *ends < until);
    }
    let mut reader = auditor(&pool, id(1)).await;
    let as_of = format!("set chairtide.as_of = '{}'", until.to_rfc3339());
    sqlx::query(AssertSqlSafe(as_of)).execute(&mut reader).await.expect("set");
    let in_sql: Vec<(DateTime<Utc>, Option<DateTime<Utc>>)> = sqlx::query_as(
        "select greatest(not_ready_from, $2), not_ready_until from reporting.readiness_intervals
         where subject_id = $1 and coalesce(not_ready_until, 'infinity') > $2 order by number",
    )
    .bind(clinic.chair)
    .bind(from)
    .fetch_all(&mut reader)
    .await
    .expect("rows");
    assert_eq!(in_sql, told);
    assert!(told.len() >= 3, "it was ready in between: {told:?}");
}

#[sqlx::test]
async fn a_late_entry_changes_nothing_before_it_was_recorded_and_what_cannot_be_asked_is_refused(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T07:40:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let flush = clinic.due_of(routine::start_flush()).await;
    let mut done = clinic.flush(7001, &flush, 125);
    app.set(at("2026-11-02T10:45:00Z"));
    done["performed_at"] = json!("2026-11-02T08:00:00Z");
    clinic.tablet.post("/v1/completions", done).await.expect(201);
    assert_eq!(asked(&clinic, "?at=2026-11-02T10:40:00Z").await["missing"][0]["lack"], "record_missing");
    assert_eq!(now(&clinic).await["ready"], json!(true));
    let path = format!("/v1/operatories/{}/readiness", clinic.chair);
    for query in ["?at=2026-11-02T10:45:01Z", "?at=1969-12-31T23:59:59Z"] {
        assert_eq!(clinic.admin.get(&format!("{path}{query}")).await.pointers(), ["/at"], "{query}");
    }
    for query in [
        "from=2026-11-02T10:45:00Z",
        "from=2026-11-02T08:00:00Z&until=2026-11-02T08:00:00Z",
        "from=2026-11-02T08:00:00Z&until=2026-11-02T10:45:01Z",
        "from=2026-10-01T08:00:00Z&until=2026-11-02T08:00:00Z",
        "from=1969-12-31T08:00:00Z&until=1970-01-02T08:00:00Z",
    ] {
        let answer = clinic.admin.get(&format!("{path}-history?{query}")).await;
        assert_eq!((answer.status.as_u16(), answer.pointers()), (422, vec!["/until".to_owned()]), "{query}");
    }
    clinic.admin.get(&format!("{path}-history?from=2026-11-02T08:00:00Z")).await.expect(200);
    clinic
        .admin
        .get(&format!("/v1/operatories/{}/readiness-history?from=2026-11-02T08:00:00Z", id(999)))
        .await
        .expect(404);
}
