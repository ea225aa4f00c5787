//! What is sent twice happens once: tablets and desks repeat when a network fails them.

use axum::http::Method;
use chrono::TimeDelta;
use serde_json::{Value, json};
use sqlx::PgPool;

use crate::support::app::{App, Client};
use crate::support::contents::count;
use crate::support::scenario::{self, routine};
use crate::support::{at, id};

const TURNOVERS: &str = "select count(*) from task where group_id = $1 and slot like 'turnover:%'";
const SEATINGS: &str = "select count(*) from seating_mark where group_id = $1";

/// Statuses: draft-ietf-httpapi-idempotency-key-header-07, section 2.7.
#[sqlx::test]
async fn a_departure_posted_twice_under_one_key_is_answered_twice_and_counted_once(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T09:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let left = format!("/v1/operatories/{}/left", clinic.chair);
    let seated = format!("/v1/operatories/{}/seated", clinic.chair);

    for path in [&left, &seated] {
        let without = clinic.desk.post(path, json!({})).await;
        assert_eq!(without.expect(400)["type"], "/problems/malformed-request");
    }
    assert_eq!(count(&pool, SEATINGS, id(1)).await, 0);

    let first = clinic.desk.post_once(&left, "k1", json!({})).await;
    assert_eq!(first.expect(201)["task_ids"].as_array().map(Vec::len), Some(1));
    // The clock goes on: an answer made anew would carry another instant.
    app.advance(TimeDelta::minutes(3));
    let second = clinic.desk.post_once(&left, "k1", json!({})).await;
    assert_eq!((second.status, &second.text), (first.status, &first.text));
    assert_eq!(second.header("content-type"), first.header("content-type"));

    for (path, body) in [(&left, json!({ "at": "2026-11-02T08:59:00Z" })), (&seated, json!({}))] {
        let other = clinic.desk.post_once(path, "k1", body).await;
        assert_eq!(other.expect(422)["type"], "/problems/idempotency-key-reused");
    }
    assert_eq!((count(&pool, TURNOVERS, id(1)).await, count(&pool, SEATINGS, id(1)).await), (1, 1));

    // Another key with the same instant is the same departure; another caller's key of the same text is another key.
    let again = clinic.desk.post_once(&left, "k2", json!({ "at": "2026-11-02T09:00:00Z" })).await.expect(200);
    assert_eq!(again, first.json());
    let elsewhere = clinic.admin.post_once(&left, "k1", json!({})).await.expect(201);
    assert_eq!(elsewhere["at"], "2026-11-02T09:03:00Z");
    assert_eq!(count(&pool, TURNOVERS, id(1)).await, 2);
}

#[sqlx::test]
async fn an_answer_is_kept_for_seven_days_and_then_forgotten(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T09:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let seated = format!("/v1/operatories/{}/seated", clinic.chair);
    let first = clinic.desk.post_once(&seated, "k", json!({})).await;
    app.set(at("2026-11-09T09:00:00Z"));
    app.keep_house().await;
    assert_eq!(clinic.desk.post_once(&seated, "k", json!({})).await.text, first.text);
    app.set(at("2026-11-09T09:00:01Z"));
    app.keep_house().await;
    let anew = clinic.desk.post_once(&seated, "k", json!({})).await.expect(201);
    assert_eq!(anew["at"], "2026-11-09T09:00:01Z");
}

#[sqlx::test]
async fn two_posts_at_once_under_one_key_make_one_turnover(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T09:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let left = format!("/v1/operatories/{}/left", clinic.chair);
    let (one, other) =
        tokio::join!(clinic.desk.post_once(&left, "k", json!({})), clinic.desk.post_once(&left, "k", json!({})));
    let statuses = [one.status.as_u16(), other.status.as_u16()];
    if statuses.contains(&409) {
        assert!(statuses.contains(&201), "{statuses:?}");
    } else {
        assert_eq!(statuses, [201, 201]);
        assert_eq!(one.text, other.text);
    }
    assert_eq!(count(&pool, TURNOVERS, id(1)).await, 1);
}

/// The clinic's plan is held by the test, so that the first request is certain to be under way.
#[sqlx::test]
async fn a_repeat_while_the_first_is_under_way_is_told_so(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T09:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let left = format!("/v1/operatories/{}/left", clinic.chair);
    let mut holder = pool.begin().await.expect("a transaction");
    sqlx::query("select from clinic_plan for update").execute(&mut *holder).await.expect("held");

    let repeat = async {
        let waiting = "select count(*) from pg_locks l join pg_stat_activity a using (pid)
                       where not l.granted and a.datname = current_database() and $1 is not null";
        for _ in 0..10_000 {
            if count(&pool, waiting, id(1)).await > 0 {
                break;
            }
        }
        let told = clinic.desk.post_once(&left, "k", json!({})).await;
        holder.commit().await.expect("let go");
        told
    };
    let (first, told) = tokio::join!(clinic.desk.post_once(&left, "k", json!({})), repeat);
    assert_eq!(told.expect(409)["type"], "/problems/request-in-flight");
    first.expect(201);
    assert_eq!(clinic.desk.post_once(&left, "k", json!({})).await.text, first.text);
    assert_eq!(count(&pool, TURNOVERS, id(1)).await, 1);
}

#[sqlx::test]
async fn a_day_starts_and_ends_once(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T08:20:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    for (edge, hour) in [("start", "08:20"), ("end", "18:05")] {
        let path = format!("/v1/clinics/{}/day-{edge}", clinic.clinic_id);
        app.set(at(&format!("2026-11-02T{hour}:00Z")));
        let first = clinic.desk.post(&path, json!({})).await.expect(201);
        app.advance(TimeDelta::minutes(1));
        let moment = json!({ "at": first["at"], "clinic_day": "2026-11-02" });
        for body in [json!({ "clinic_day": "2026-11-02" }), moment] {
            let repeated = clinic.desk.post(&path, body).await.expect(200);
            assert_eq!((&repeated["at"], &repeated["recorded_at"]), (&first["at"], &first["recorded_at"]));
            assert_eq!(repeated["tasks_changed"], 0);
        }
        let moved = clinic.desk.post(&path, json!({ "at": "2026-11-02T08:19:00Z" })).await;
        assert_eq!(moved.expect(409)["type"], "/problems/day-already-marked");
        // With a key of the caller's own, the very first answer comes back.
        let keyed = json!({ "at": first["at"] });
        let once = clinic.desk.post_once(&path, edge, keyed.clone()).await;
        assert_eq!(once.text, clinic.desk.post_once(&path, edge, keyed).await.text);
    }
    assert_eq!(count(&pool, "select count(*) from day_mark where group_id = $1", id(1)).await, 2);
}

/// Two administrators who revoke each other at once: one of them comes second, and holds a key no more.
#[sqlx::test]
async fn a_key_that_was_revoked_while_its_change_waited_changes_nothing(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T08:00:00Z")).await;
    let first = app.group(id(1)).await;
    let key = json!({ "key_id": id(50), "label": "second", "role": "administrator", "reach": { "kind": "group" } });
    let token = first.post("/v1/keys", key).await.expect(201)["token"].as_str().expect("shown once").to_owned();
    let second = Client { app: &app, token };
    let keys = first.get("/v1/keys").await.expect(200);
    let own = keys["items"].as_array().expect("keys").iter().find(|k| k["key_id"] != json!(id(50))).expect("the first");
    // The turn is held by somebody else while both have passed the door.
    let mut turn = pool.begin().await.expect("a transaction");
    chairtide::store::configuration::hold(&mut turn, id(1)).await.expect("the turn");
    let (own_path, second_path) =
        (format!("/v1/keys/{}", own["key_id"].as_str().expect("an id")), format!("/v1/keys/{}", id(50)));
    let both = async { tokio::join!(first.delete(&second_path), second.delete(&own_path)) };
    let release = async {
        let waiting = "select count(*) from pg_locks where locktype = 'advisory' and not granted
                       and database = (select oid from pg_database where datname = current_database())";
        loop {
            let count: i64 = sqlx::query_scalar(waiting).fetch_one(&pool).await.expect("locks");
            if count == 2 {
                break;
            }
            tokio::task::yield_now().await;
        }
        turn.rollback().await.expect("released");
    };
    let ((a, b), ()) = tokio::join!(both, release);
    let mut statuses = [a.status, b.status];
    statuses.sort_unstable();
    assert_eq!(statuses, [204, 401]);
}

#[sqlx::test]
async fn a_routine_put_twice_stays_at_its_version(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T06:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    for (routine_id, content) in scenario::routines() {
        let path = format!("/v1/routines/{routine_id}");
        let body = json!({ "effective_on": "2026-01-01", "routine": content });
        let put = clinic.admin.put(&path, body).await.expect(200);
        assert_eq!(put["version"], 1);
        let versions = clinic.admin.get(&format!("{path}/versions")).await.expect(200);
        assert_eq!(versions["items"].as_array().map(Vec::len), Some(1));
    }
    assert_eq!(app.plan().await.tasks, 0);
}

#[sqlx::test]
async fn a_completion_repeated_is_the_same_and_other_content_under_its_id_is_refused(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T07:40:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let flush = clinic.due_of(routine::start_flush()).await;
    let completion = clinic.flush(7001, &flush, 125);
    let first = clinic.tablet.post("/v1/completions", completion.clone()).await.expect(201);
    // Long after the window, and written in another order.
    app.set(at("2026-11-03T12:00:00Z"));
    let reversed: Vec<String> = completion
        .as_object()
        .expect("an object")
        .iter()
        .rev()
        .map(|(name, value)| format!("{}: {value}", json!(name)))
        .collect();
    let text = format!("{{ {} }}", reversed.join(", "));
    let request = axum::http::Request::builder()
        .method(Method::POST)
        .uri("/v1/completions")
        .header("authorization", format!("Bearer {}", clinic.tablet.token))
        .header("content-type", "application/json; charset=utf-8")
        .body(axum::body::Body::from(text))
        .expect("a request");
    assert_eq!(app.send(request).await.expect(200), first);

    let mut other = completion.clone();
    other["steps"][0]["elapsed_seconds"] = json!(130);
    let mut elsewhere = completion;
    elsewhere["task_id"] = clinic.leave("2026-11-03T11:50:00Z").await["task_id"].clone();
    for body in [other, elsewhere] {
        let refused = clinic.tablet.post("/v1/completions", body).await;
        assert_eq!(refused.expect(409)["type"], "/problems/completion-id-taken");
    }
    assert_eq!(clinic.task(&flush).await["completions"], json!([first]));
}

#[sqlx::test]
async fn a_hold_has_one_start_and_one_end(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T07:40:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let flush = clinic.due_of(routine::start_flush()).await;
    let holds = format!("/v1/tasks/{}/holds", flush["task_id"].as_str().expect("an id"));
    let start = |step: &str| json!({ "hold_id": id(7001), "step": step, "performed_by": "KV" });
    let end = format!("{holds}/{}/end", id(7001));
    let by = json!({ "performed_by": "KV" });

    assert_eq!(clinic.tablet.post(&end, by.clone()).await.expect(404)["type"], "/problems/not-found");
    let started = clinic.tablet.post(&holds, start("flush:syringe")).await.expect(201);
    app.advance(TimeDelta::seconds(50));
    assert_eq!(clinic.tablet.post(&holds, start("flush:syringe")).await.expect(200), started);
    let taken = clinic.tablet.post(&holds, start("flush:handpiece-1")).await;
    assert_eq!(taken.expect(409)["type"], "/problems/hold-id-taken");
    app.advance(TimeDelta::seconds(75));
    let ended = clinic.tablet.post(&end, by.clone()).await.expect(200);
    assert_eq!((&ended["hold_started_at"], &ended["elapsed_seconds"]), (&started["hold_started_at"], &json!(125)));
    app.advance(TimeDelta::seconds(300));
    assert_eq!(clinic.tablet.post(&end, by).await.expect(200), ended);
    assert_eq!(clinic.tablet.post(&holds, start("flush:syringe")).await.expect(200), ended);
}

#[sqlx::test]
async fn two_people_who_complete_one_task_are_both_kept_and_one_is_the_duplicate(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T07:40:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let flush = clinic.due_of(routine::start_flush()).await;
    let by = |completion, person: &str| {
        let mut body = clinic.flush(completion, &flush, 125);
        body["performed_by"] = json!(person);
        body
    };
    let (one, other) = tokio::join!(
        clinic.tablet.post("/v1/completions", by(7001, "KV")),
        clinic.tablet.post("/v1/completions", by(7002, "RM"))
    );
    one.expect(201);
    other.expect(201);
    let third = clinic.tablet.post("/v1/completions", by(7003, "TS")).await.expect(201);
    assert_eq!((&third["duplicate"], &third["verdict"]), (&json!(true), &json!("passed")));

    let task = clinic.task(&flush).await;
    assert_eq!(task["task"]["state"], "done");
    let kept = task["completions"].as_array().expect("a list");
    assert_eq!(kept.iter().filter(|c| c["duplicate"] == json!(false)).count(), 1, "{task}");
    let people: std::collections::BTreeSet<_> = kept.iter().map(|c| c["performed_by"].as_str()).collect();
    assert_eq!((kept.len(), people.len()), (3, 3), "{task}");
}

/// One tablet was offline: what it sends was done first, and in time.
#[sqlx::test]
async fn of_two_records_of_one_task_the_work_that_was_done_first_counts_whenever_it_comes(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T09:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let turnover = clinic.leave("2026-11-02T09:00:00Z").await;
    let by = |number: u32, person: &str, minute: u32| {
        let mut body = clinic.flush(number, &turnover, 25);
        (body["performed_by"], body["performed_at"]) = (json!(person), json!(format!("2026-11-02T09:{minute:02}:00Z")));
        body
    };
    app.set(at("2026-11-02T09:50:00Z"));
    let late = clinic.tablet.post("/v1/completions", by(7101, "KV", 40)).await.expect(201);
    assert_eq!((&late["late"], &late["duplicate"]), (&json!(true), &json!(false)));
    // When it was known to be done stays as it was.
    let done_late = async || -> Vec<bool> {
        let sql = "select done_late from task where slot like 'turnover:%' and outcome = 'done' and outcome_at = $1";
        sqlx::query_scalar(sql).bind(at("2026-11-02T09:50:00Z")).fetch_all(&pool).await.expect("the task")
    };
    assert_eq!(done_late().await, [true]);
    app.set(at("2026-11-02T18:00:00Z"));
    let first = clinic.tablet.post("/v1/completions", by(7102, "RM", 4)).await.expect(201);
    assert_eq!((&first["late"], &first["duplicate"]), (&json!(false), &json!(false)));
    let task = clinic.task(&turnover).await;
    assert_eq!((&task["task"]["state"], done_late().await), (&json!("done"), vec![false]), "{task}");
    let told = |task: &Value| {
        let completions = task["completions"].as_array().expect("a list").clone();
        completions.into_iter().map(|c| (c["performed_by"].clone(), c["duplicate"].clone())).collect::<Vec<_>>()
    };
    assert_eq!(told(&task), [(json!("KV"), json!(true)), (json!("RM"), json!(false))]);
    let counts: Vec<Value> = sqlx::query_scalar(
        "select body -> 'counts' from event where kind = 'completion_recorded' order by body ->> 'completion_id'",
    )
    .fetch_all(&pool)
    .await
    .expect("events");
    assert_eq!(counts, [json!(id(7101)), json!(id(7102))]);

    // The first one had not been held long enough: the other record of the work stands.
    let mut correction = by(7103, "RM", 4);
    correction["steps"] = clinic.flush(7103, &turnover, 5)["steps"].clone();
    (correction["corrects"], correction["reason"]) = (json!(id(7102)), json!("the stopwatch said five"));
    clinic.tablet.post("/v1/completions", correction).await.expect(201);
    let task = clinic.task(&turnover).await;
    assert_eq!((&task["task"]["state"], done_late().await), (&json!("done"), vec![true]), "{task}");
    let nobody = [(json!("KV"), json!(false)), (json!("RM"), json!(false)), (json!("RM"), json!(false))];
    assert_eq!(told(&task), nobody);
}

/// A failure is taken away by its correction alone, and by no other record, whatever instant that names.
#[sqlx::test]
async fn a_record_dated_before_a_failed_test_does_not_take_the_failure_away(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T09:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let spore = clinic.due_in_clinic(routine::spore_test()).await;
    app.set(at("2026-11-02T12:00:00Z"));
    let read = |number: u32, growth: &str, time: &str| {
        let mut body = clinic.spore(number, &spore, Some(growth));
        body["performed_at"] = json!(format!("2026-11-02T{time}:00Z"));
        body
    };
    let failed = clinic.tablet.post("/v1/completions", read(7201, "1", "11:00")).await.expect(201);
    assert_eq!(failed["verdict"], "failed");
    let before = clinic.tablet.post("/v1/completions", read(7202, "0", "10:00")).await.expect(201);
    assert_eq!((&before["verdict"], &before["duplicate"]), (&json!("passed"), &json!(true)));
    assert_eq!(clinic.task(&spore).await["task"]["failed_attempt"], json!(true));
}
