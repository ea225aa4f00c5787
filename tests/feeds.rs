//! Calendar feeds: who makes them, what is in them, and that an address can be taken back.

use axum::body::Body;
use axum::http::{Request, StatusCode};
use chrono::TimeDelta;
use serde_json::{Value, json};
use sqlx::PgPool;

use crate::support::app::{Answer, App};
use crate::support::scenario::{self, Clinic, routine};
use crate::support::{at, id};

const BEFORE_OPENING: &str = "2026-11-02T07:40:00Z";

fn input(number: u32, audience: &str, component: &str) -> Value {
    json!({ "feed_id": id(number), "label": "wall screen", "audience": audience, "component": component })
}

/// Makes a feed; its path.
async fn feed(clinic: &Clinic<'_>, number: u32, audience: &str, component: &str) -> String {
    let path = format!("/v1/clinics/{}/feeds", clinic.clinic_id);
    let made = clinic.manager.post(&path, input(number, audience, component)).await.expect(201);
    made["path"].as_str().expect("shown once").to_owned()
}

/// Asks as a calendar program does, without a key.
async fn fetch(app: &App, path: &str, tag: Option<&str>) -> Answer {
    let mut request = Request::get(path);
    if let Some(tag) = tag {
        request = request.header("if-none-match", tag);
    }
    app.send(request.body(Body::empty()).expect("a request")).await
}

/// The entries of a calendar as lists of unfolded lines.
fn entries(text: &str) -> Vec<Vec<String>> {
    let unfolded = text.replace("\r\n ", "");
    let mut found: Vec<Vec<String>> = Vec::new();
    for line in unfolded.lines() {
        if matches!(line, "BEGIN:VTODO" | "BEGIN:VEVENT") {
            found.push(Vec::new());
        } else if let Some(entry) = found.last_mut() {
            entry.push(line.to_owned());
        }
    }
    found
}

fn entry_of<'e>(entries: &'e [Vec<String>], task: &Value) -> &'e [String] {
    let uid = format!("UID:{}@chairtide-task", task["task_id"].as_str().expect("an id"));
    entries.iter().find(|entry| entry.contains(&uid)).unwrap_or_else(|| panic!("no {uid} in {entries:#?}"))
}

#[track_caller]
fn assert_has(entry: &[String], line: &str) {
    assert!(entry.iter().any(|l| l == line), "no {line} in {entry:#?}");
}

#[sqlx::test]
async fn a_feed_shows_the_clinics_tasks_and_follows_what_becomes_of_them(pool: PgPool) {
    let app = App::new(pool, at(BEFORE_OPENING)).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let path = feed(&clinic, 1, "chairside", "task").await;
    let first = fetch(&app, &path, None).await;
    assert_eq!((first.status, first.header("content-type")), (StatusCode::OK, "text/calendar; charset=utf-8"));
    let flush = clinic.due_of(routine::start_flush()).await;
    let found = entries(&first.text);
    // Ten open days from Monday the 2nd to Monday the 16th are eleven, each with a flush and a line disinfection;
    // and the three Mondays have a spore test.
    assert_eq!(found.len(), 11 * 2 + 3, "{}", first.text);
    let entry = entry_of(&found, &flush);
    // The window of the scenario: from an hour before the opening at 08:30.
    for line in ["DTSTART:20261102T073000Z", "DUE:20261102T083000Z", "STATUS:NEEDS-ACTION", "SEQUENCE:0"] {
        assert_has(entry, line);
    }
    assert_has(entry, "SUMMARY:Flush before the first patient: Chair 0");
    let description = entry.iter().find(|l| l.starts_with("DESCRIPTION:")).expect("a description");
    assert!(description.starts_with("DESCRIPTION:By its hours the clinic opens at 08:30"), "{description}");
    assert!(description.ends_with("away from faces."), "{description}");

    // Unchanged, whenever it is asked for on that day.
    app.advance(TimeDelta::minutes(30));
    let again = fetch(&app, &path, Some(first.header("etag"))).await;
    assert_eq!((again.status, again.text.as_str()), (StatusCode::NOT_MODIFIED, ""));

    let mut done = clinic.flush(1, &flush, 125);
    done["performed_by"] = json!("Initials-QX");
    done["note"] = json!("note-QX");
    clinic.tablet.post("/v1/completions", done).await.expect(201);
    let second = fetch(&app, &path, Some(first.header("etag"))).await;
    assert_eq!(second.status, StatusCode::OK);
    let found = entries(&second.text);
    for line in ["STATUS:COMPLETED", "COMPLETED:20261102T081000Z", "LAST-MODIFIED:20261102T081000Z"] {
        assert_has(entry_of(&found, &flush), line);
    }
    assert!(!second.text.contains("QX"), "a feed names no person");

    // A closure takes Tuesday's work away, and tells so with a higher SEQUENCE.
    let tuesday: Vec<Vec<String>> =
        found.into_iter().filter(|e| e.iter().any(|l| l == "DUE:20261103T083000Z")).collect();
    let [before] = tuesday.as_slice() else { panic!("one flush on Tuesday") };
    let uid = before.iter().find(|l| l.starts_with("UID:")).expect("an id").clone();
    let closure =
        json!({ "from_local": "2026-11-03T00:00", "until_local": "2026-11-04T00:00", "reason": "course of QX" });
    clinic.admin.put(&format!("/v1/clinics/{}/closures/{}", clinic.clinic_id, id(9)), closure).await.expect(201);
    app.plan().await;
    let third = fetch(&app, &path, None).await;
    let found = entries(&third.text);
    let after = found.iter().find(|e| e.contains(&uid)).expect("it stays, not required");
    assert_has(after, "STATUS:CANCELLED");
    assert_has(after, "SEQUENCE:1");
    assert!(!third.text.contains("QX"), "a closure's reason may name people");

    // Eight days later Monday the 2nd is gone, and the horizon has moved on.
    app.set(at("2026-11-10T07:40:00Z"));
    app.plan().await;
    let later = fetch(&app, &path, None).await;
    assert!(!later.text.contains(flush["task_id"].as_str().expect("an id")));
    assert!(later.text.contains("DUE:20261124T083000Z") && !later.text.contains("DUE:20261125T083000Z"));
}

#[sqlx::test]
async fn an_event_feed_shows_windows_as_events(pool: PgPool) {
    let app = App::new(pool, at(BEFORE_OPENING)).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let path = feed(&clinic, 1, "chairside", "event").await;
    let answer = fetch(&app, &path, None).await;
    assert!(!answer.text.contains("VTODO"));
    let flush = clinic.due_of(routine::start_flush()).await;
    let found = entries(&answer.text);
    for line in ["DTSTART:20261102T073000Z", "DTEND:20261102T083000Z", "STATUS:CONFIRMED", "TRANSP:TRANSPARENT"] {
        assert_has(entry_of(&found, &flush), line);
    }
}

#[sqlx::test]
async fn an_audience_gets_what_blocks_and_what_its_ladder_tells(pool: PgPool) {
    let app = App::new(pool, at(BEFORE_OPENING)).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let rungs = json!([{ "after_minutes": 5, "counted_in": "elapsed_time", "audience": "clinic_lead" }]);
    let put = clinic.admin.put("/v1/ladder", json!({ "rungs": rungs })).await;
    assert!(put.status.is_success(), "{}", put.text);
    app.plan().await;
    let mut counts = Vec::new();
    for (number, audience) in [(1, "chairside"), (2, "clinic_lead"), (3, "group_manager")] {
        let path = feed(&clinic, number, audience, "task").await;
        counts.push(entries(&fetch(&app, &path, None).await.text).len());
    }
    // The group's manager is on no rung: the flush and the line disinfection block, the three spore tests do not.
    assert_eq!(counts, [25, 25, 22]);
}

#[sqlx::test]
async fn an_address_is_shown_once_kept_as_a_hash_and_can_be_taken_back(pool: PgPool) {
    let app = App::new(pool.clone(), at(BEFORE_OPENING)).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let feeds = format!("/v1/clinics/{}/feeds", clinic.clinic_id);
    for client in [&clinic.desk, &clinic.tablet] {
        client.post(&feeds, input(1, "chairside", "task")).await.expect(403);
        client.get(&feeds).await.expect(403);
    }
    let path = feed(&clinic, 1, "chairside", "task").await;
    // A repeat makes no second address; the id with another content is taken.
    let repeat = clinic.manager.post(&feeds, input(1, "chairside", "task")).await.expect(200);
    assert_eq!(repeat["path"], Value::Null);
    clinic.manager.post(&feeds, input(1, "chairside", "event")).await.expect(409);
    let broken = json!({ "feed_id": id(2), "label": "", "audience": "chairside", "component": "task" });
    assert_eq!(clinic.manager.post(&feeds, broken).await.pointers(), ["/label"]);

    app.advance(TimeDelta::minutes(1));
    assert_eq!(fetch(&app, &path, None).await.status, StatusCode::OK);
    let list = clinic.admin.get(&feeds).await.expect(200);
    assert_eq!(
        (&list["items"][0]["label"], &list["items"][0]["last_used_at"]),
        (&json!("wall screen"), &json!("2026-11-02T07:41:00Z"))
    );

    // SHA-256 by Postgres, of the 32 bytes that RFC 4648 base32 writes in 52 characters.
    let secret = path.trim_end_matches(".ics").rsplit('.').next().expect("three parts");
    let bytes = data_encoding::BASE32_NOPAD.decode(secret.to_ascii_uppercase().as_bytes()).expect("base32");
    let (kept, hashed): (String, bool) =
        sqlx::query_as("select string_agg(f::text, ' '), bool_and(secret_hash = sha256($1)) from calendar_feed f")
            .bind(&bytes)
            .fetch_one(&pool)
            .await
            .expect("the feed");
    assert!(hashed && !kept.contains(secret) && !kept.contains(&data_encoding::HEXLOWER.encode(&bytes)), "{kept}");

    // The secret of a feed is no key, and that of a key no feed.
    let as_key =
        crate::support::app::Client { app: &app, token: path["/feeds/".len()..].trim_end_matches(".ics").into() };
    as_key.get("/v1/clinics").await.expect(401);
    for wrong in [
        format!("/feeds/{}.ics", clinic.manager.token),
        format!("/feeds/{}.ics", clinic.manager.token.replacen("ct.", "cf.", 1)),
        path.trim_end_matches(".ics").to_owned(),
        path.replace(&id(1).simple().to_string(), &id(2).simple().to_string()),
        "/feeds/calendar.ics".to_owned(),
    ] {
        assert_eq!(fetch(&app, &wrong, None).await.status, StatusCode::NOT_FOUND, "{wrong}");
    }

    let one = format!("{feeds}/{}", id(1));
    clinic.manager.delete(&one).await.expect(204);
    clinic.manager.delete(&one).await.expect(204);
    clinic.manager.delete(&format!("{feeds}/{}", id(77))).await.expect(404);
    assert_eq!(fetch(&app, &path, None).await.status, StatusCode::NOT_FOUND);
    let list = clinic.admin.get(&feeds).await.expect(200);
    assert_eq!(list["items"][0]["revoked_at"], "2026-11-02T07:41:00Z");
    let told: Vec<String> = sqlx::query_scalar("select kind from event where kind like 'feed_%' order by event_id")
        .fetch_all(&pool)
        .await
        .expect("events");
    assert_eq!(told, ["feed_created", "feed_revoked"]);
}
