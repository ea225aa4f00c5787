//! Public holidays from an iCalendar file, over HTTP: shown, applied, repeated, and files that mean harm.

use axum::body::Body;
use axum::http::Request;
use serde_json::{Value, json};
use sqlx::PgPool;
use uuid::Uuid;

use crate::support::app::{Answer, App, Client};
use crate::support::scenario::split_week;
use crate::support::{at, id};

/// RFC 5545, section 3.6.1: an event of whole days; a yearly rule; one that takes up no time.
const HOLIDAYS: &str = "BEGIN:VCALENDAR\r\nVERSION:2.0\r\n\
    BEGIN:VEVENT\r\nUID:winter\r\nSUMMARY:Winter feast\r\nDTSTART;VALUE=DATE:20201225\r\n\
    DTEND;VALUE=DATE:20201227\r\nRRULE:FREQ=YEARLY\r\nEND:VEVENT\r\n\
    BEGIN:VEVENT\r\nUID:early\r\nSUMMARY:Early closing\r\nDTSTART:20261224T120000\r\n\
    DTEND:20261224T150000\r\nEND:VEVENT\r\n\
    BEGIN:VEVENT\r\nUID:market\r\nSUMMARY:Market\r\nDTSTART;VALUE=DATE:20261207\r\nTRANSP:TRANSPARENT\r\nEND:VEVENT\r\n\
    END:VCALENDAR\r\n";

struct Place<'a> {
    admin: Client<'a>,
    clinic_id: Uuid,
}

impl<'a> Place<'a> {
    /// A clinic in London that is open Monday to Friday, on Wednesday 2026-12-02.
    async fn new(app: &'a App) -> Self {
        let admin = app.group(id(1)).await;
        let clinic_id = id(100);
        let clinic = json!({ "name": "Quayside", "zone": "Europe/London", "address": "1 Quay", "jurisdiction": "" });
        admin.put(&format!("/v1/clinics/{clinic_id}"), clinic).await.expect(201);
        admin.put(&format!("/v1/clinics/{clinic_id}/hours"), json!({ "week": split_week() })).await.expect(201);
        Self { admin, clinic_id }
    }

    fn path(&self) -> String {
        format!("/v1/clinics/{}/closures", self.clinic_id)
    }

    async fn send(&self, client: &Client<'_>, query: &str, kind: &str, body: impl Into<Body>) -> Answer {
        let request = Request::post(format!("{}/import{query}", self.path()))
            .header("authorization", format!("Bearer {}", client.token))
            .header("content-type", kind)
            .body(body.into())
            .expect("a well-formed request");
        self.admin.app.send(request).await
    }

    async fn import(&self, query: &str, file: &str) -> Answer {
        self.send(&self.admin, query, "text/calendar; charset=UTF-8", file.to_owned()).await
    }

    async fn standing(&self) -> Vec<Value> {
        self.admin.get(&self.path()).await.expect(200)["items"].as_array().expect("a list").clone()
    }

    async fn events(&self) -> i64 {
        let count = sqlx::query_scalar("select count(*) from event where body -> 'changed' ? 'closures'");
        count.fetch_one(&self.admin.app.pool).await.expect("a count")
    }
}

fn changes(import: &Value) -> Vec<&str> {
    let closures = import["closures"].as_array().expect("a list");
    closures.iter().map(|closure| closure["change"].as_str().expect("a word")).collect()
}

#[sqlx::test]
async fn a_file_is_shown_with_what_it_would_shut_and_nothing_is_written(pool: PgPool) {
    let app = App::new(pool, at("2026-12-02T11:00:00Z")).await;
    let place = Place::new(&app).await;
    let shown = place.import("?until=2026-12-31", HOLIDAYS).await.expect(200);
    assert_eq!(shown["applied"], false);
    // 2026-12-24 is a Thursday: open 08:30-12:30 and 13:30-18:00. The 25th is a Friday, the 26th a Saturday.
    let [early, winter] = shown["closures"].as_array().expect("a list").as_slice() else { panic!("{shown}") };
    assert_eq!([&early["from_local"], &early["until_local"]], ["2026-12-24T12:00", "2026-12-24T15:00"]);
    assert_eq!(
        early["open_days"],
        json!([{ "clinic_day": "2026-12-24", "is_shut": false, "sessions_lost": [
            { "opens": "12:00", "closes": "12:30" }, { "opens": "13:30", "closes": "15:00" }] }])
    );
    assert_eq!([&winter["from_local"], &winter["until_local"]], ["2026-12-25T00:00", "2026-12-27T00:00"]);
    assert_eq!([&winter["reason"], &winter["change"]], ["Winter feast", "new"]);
    assert_eq!(
        winter["open_days"],
        json!([{ "clinic_day": "2026-12-25", "is_shut": true, "sessions_lost": [
            { "opens": "08:30", "closes": "12:30" }, { "opens": "13:30", "closes": "18:00" }] }])
    );
    assert_eq!(
        shown["skipped"],
        json!([{ "uid": "market", "summary": "Market", "line": 16, "reason": "it takes up no time (TRANSP:TRANSPARENT)" }])
    );
    assert_eq!((place.standing().await.len(), place.events().await), (0, 0));
}

#[sqlx::test]
async fn a_file_is_applied_once_and_a_moved_event_moves_its_closure(pool: PgPool) {
    let app = App::new(pool, at("2026-12-02T11:00:00Z")).await;
    let place = Place::new(&app).await;
    let shown = place.import("", HOLIDAYS).await.expect(200);
    let applied = place.import("?apply=true", HOLIDAYS).await.expect(200);
    assert_eq!(applied["applied"], true);
    assert_eq!(applied["closures"], shown["closures"]);
    // 400 days from 2026-12-02 end on 2028-01-06: two winters.
    assert_eq!(changes(&applied), ["new", "new", "new"]);
    let standing = place.standing().await;
    assert_eq!((standing.len(), place.events().await), (3, 1));
    let again = place.import("?apply=true", HOLIDAYS).await.expect(200);
    assert_eq!(changes(&again), ["unchanged", "unchanged", "unchanged"]);
    // What it would shut is told against the hours without it, so it is told again.
    assert_eq!(again["closures"][0]["open_days"], shown["closures"][0]["open_days"]);
    assert_eq!((place.standing().await, place.events().await), (standing.clone(), 1));

    let moved = HOLIDAYS.replace("20261224T1", "20261223T1");
    let answer = place.import("?apply=true", &moved).await.expect(200);
    assert_eq!(changes(&answer), ["changed", "unchanged", "unchanged"]);
    let after = place.standing().await;
    assert_eq!((after.len(), &after[0]["closure_id"]), (3, &standing[0]["closure_id"]));
    assert_eq!([&after[0]["from_local"], &after[1]], [&json!("2026-12-23T12:00"), &standing[1]]);
    assert_eq!(place.events().await, 2);
}

/// RFC 5545, section 3.8.1.11: an event is cancelled by `STATUS:CANCELLED`; 3.8.4.4: one occurrence of a series is named
/// by its `RECURRENCE-ID`.
#[sqlx::test]
async fn a_cancelled_event_takes_its_closure_back_and_one_that_vanished_is_left_and_listed(pool: PgPool) {
    let app = App::new(pool, at("2026-12-02T11:00:00Z")).await;
    let place = Place::new(&app).await;
    let by_hand = json!({ "from_local": "2026-12-24T00:00", "until_local": "2026-12-25T00:00", "reason": "by hand" });
    place.admin.put(&format!("{}/{}", place.path(), id(900)), by_hand).await.expect(201);
    place.import("?apply=true", HOLIDAYS).await.expect(200);
    app.plan().await;
    let standing = place.standing().await;
    // By hand, early closing, and the winters of 2026 and 2027.
    assert_eq!((standing.len(), place.events().await), (4, 1));

    // The winter of 2027 is called off; the early closing left the file without a word.
    let cancelled = "BEGIN:VCALENDAR\r\nVERSION:2.0\r\n\
        BEGIN:VEVENT\r\nUID:winter\r\nSUMMARY:Winter feast\r\nDTSTART;VALUE=DATE:20201225\r\n\
        DTEND;VALUE=DATE:20201227\r\nRRULE:FREQ=YEARLY\r\nEND:VEVENT\r\n\
        BEGIN:VEVENT\r\nUID:winter\r\nRECURRENCE-ID;VALUE=DATE:20271225\r\nDTSTART;VALUE=DATE:20271225\r\n\
        STATUS:CANCELLED\r\nEND:VEVENT\r\nEND:VCALENDAR\r\n";
    let shown = place.import("", cancelled).await.expect(200);
    assert_eq!(changes(&shown), ["unchanged", "removed"]);
    let gone = &shown["closures"][1];
    assert_eq!([&gone["closure_id"], &gone["from_local"]], [&standing[3]["closure_id"], &json!("2027-12-25T00:00")]);
    // 2027-12-25 and 26 are a weekend: no day opens again.
    assert_eq!(gone["open_days"], json!([]));
    assert_eq!(shown["left_alone"], json!([standing[1]]));
    assert_eq!(standing[1]["reason"], "Early closing");
    assert_eq!(shown["skipped"][0]["reason"], "it is cancelled (STATUS:CANCELLED)");
    assert_eq!((place.standing().await, place.events().await), (standing.clone(), 1), "only shown");

    let applied = place.import("?apply=true", cancelled).await.expect(200);
    assert_eq!((&applied["closures"], &applied["left_alone"]), (&shown["closures"], &shown["left_alone"]));
    assert_eq!((place.standing().await, place.events().await), (standing[..3].to_vec(), 2));
    let told: Value = sqlx::query_scalar(
        "select body -> 'changed' from event
         where jsonb_array_length(body -> 'changed' -> 'removed_closure_ids') > 0",
    )
    .fetch_one(&app.pool)
    .await
    .expect("one event");
    assert_eq!(told, json!({ "closures": [], "removed_closure_ids": [standing[3]["closure_id"]] }));
    // A repeat finds nothing to take back, and tells nothing.
    let again = place.import("?apply=true", cancelled).await.expect(200);
    assert_eq!((changes(&again), place.events().await), (vec!["unchanged"], 2));

    // The whole series is called off: Friday the 25th opens again, and its tasks are wanted.
    let series = cancelled.replacen("RRULE:FREQ=YEARLY", "RRULE:FREQ=YEARLY\r\nSTATUS:CANCELLED", 1);
    let applied = place.import("?apply=true", &series).await.expect(200);
    assert_eq!(changes(&applied), ["removed"]);
    assert_eq!(applied["closures"][0]["open_days"][0]["clinic_day"], "2026-12-25");
    assert_eq!(place.standing().await, standing[..2]);
}

#[sqlx::test]
async fn only_an_administrator_of_the_group_may_import_or_look(pool: PgPool) {
    let app = App::new(pool, at("2026-12-02T11:00:00Z")).await;
    let place = Place::new(&app).await;
    let manager = place.admin.key("manager", json!({ "kind": "group" })).await;
    for query in ["", "?apply=true"] {
        place.send(&manager, query, "text/calendar", HOLIDAYS).await.expect(403);
    }
    let elsewhere = Place { admin: place.admin.clone(), clinic_id: id(101) };
    for query in ["", "?apply=true"] {
        elsewhere.import(query, HOLIDAYS).await.expect(404);
    }
}

#[sqlx::test]
async fn what_cannot_be_read_is_refused_and_nothing_is_written(pool: PgPool) {
    let app = App::new(pool, at("2026-12-02T11:00:00Z")).await;
    let place = Place::new(&app).await;
    for kind in ["application/json", "text/plain", "text/calendar; charset=iso-8859-1", ""] {
        let answer = place.send(&place.admin, "?apply=true", kind, HOLIDAYS).await;
        assert_eq!(answer.expect(415)["type"], "/problems/unsupported-media-type", "{kind}");
    }
    let mut latin_1 = HOLIDAYS.as_bytes().to_vec();
    latin_1.push(0xe9);
    place.send(&place.admin, "?apply=true", "text/calendar", latin_1).await.expect(400);
    place.import("?apply=true", &HOLIDAYS.replace("Market", "Mar\0ket")).await.expect(400);
    place.import("?apply=true", &"x".repeat(2_000_001)).await.expect(413);
    let deep = format!("BEGIN:VCALENDAR\n{}", "BEGIN:VEVENT\n".repeat(150_000));
    for file in ["", "{}", &HOLIDAYS[..HOLIDAYS.len() - 15], &deep] {
        let answer = place.import("?apply=true", file).await;
        assert_eq!(answer.expect(422)["type"], "/problems/rule-broken");
    }
    // One line of almost the whole limit, in a property that is read and in one that is not.
    for (name, skipped) in [("SUMMARY", 2), ("DESCRIPTION", 1)] {
        let long = HOLIDAYS.replacen("SUMMARY:", &format!("{name}:{}", ";".repeat(1_900_000)), 1);
        let shown = place.import("?apply=false", &long).await.expect(200);
        assert_eq!(shown["skipped"].as_array().map(Vec::len), Some(skipped), "{name}");
    }
    assert_eq!((place.standing().await.len(), place.events().await), (0, 0));
}

#[sqlx::test]
async fn the_days_that_are_looked_at_are_bounded(pool: PgPool) {
    let app = App::new(pool, at("2026-12-02T11:00:00Z")).await;
    let place = Place::new(&app).await;
    // From 2026-12-02: 800 days on is 2029-02-09, 400 days back is 2025-10-28.
    let cases: [(&str, &[&str]); 6] = [
        ("?until=2029-02-09", &[]),
        ("?until=2029-02-10", &["/until"]),
        ("?from=2025-10-28", &[]),
        ("?from=2025-10-27", &["/from"]),
        ("?until=2026-12-01", &["/until"]),
        ("?from=1969-12-31", &["/from", "/from"]),
    ];
    for (query, pointers) in cases {
        let answer = place.import(query, HOLIDAYS).await;
        assert_eq!(answer.status.as_u16(), if pointers.is_empty() { 200 } else { 422 }, "{query}");
        assert_eq!(answer.pointers(), pointers, "{query}");
    }
    place.import("?apply=maybe", HOLIDAYS).await.expect(400);
    place.import("?aply=true", HOLIDAYS).await.expect(400);
}
