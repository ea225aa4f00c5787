//! What is refused: with which status and name, and at which field. And nothing of it is kept.

use axum::body::Body;
use axum::http::{Method, Request};
use serde_json::{Value, json};
use sqlx::PgPool;

use crate::support::app::{Answer, App, Client};
use crate::support::contents::contents;
use crate::support::scenario::{self, Clinic, routine};
use crate::support::{at, id};

/// A request that must be refused: status, name of the problem, pointers of the bad fields.
struct Refused<'a> {
    client: &'a Client<'a>,
    method: Method,
    path: String,
    body: Value,
    wanted: (u16, &'static str, Vec<&'static str>),
}

const MALFORMED: (u16, &str) = (400, "malformed-request");
const BROKEN: (u16, &str) = (422, "rule-broken");

fn refused<'a>(
    client: &'a Client<'a>,
    method: Method,
    path: &str,
    body: Value,
    (status, name): (u16, &'static str),
    pointers: &[&'static str],
) -> Refused<'a> {
    Refused { client, method, path: path.to_owned(), body, wanted: (status, name, pointers.to_vec()) }
}

/// The answer is a problem document as RFC 9457, section 3.1, has it, with what this service promises besides.
#[track_caller]
fn check(answer: &Answer, (status, name, pointers): &(u16, &str, Vec<&str>), request: &str) {
    assert_eq!(answer.status.as_u16(), *status, "{request}: {}", answer.text);
    assert_eq!(answer.header("content-type"), "application/problem+json", "{request}");
    let problem = answer.json();
    assert_eq!(problem["type"], json!(format!("/problems/{name}")), "{request}: {problem}");
    assert_eq!(problem["status"], json!(status), "{request}");
    for member in ["title", "detail", "request_id"] {
        assert!(problem[member].as_str().is_some_and(|text| !text.is_empty()), "{request}: {member}: {problem}");
    }
    assert_eq!(problem["request_id"], answer.header("x-request-id"), "{request}");
    assert_eq!(answer.pointers(), *pointers, "{request}: {problem}");
}

/// Each request is refused as it says, and the database holds what it held before.
async fn check_all(app: &App, cases: Vec<Refused<'_>>) {
    let before = contents(&app.pool, id(1)).await;
    for case in cases {
        let request = format!("{} {} {}", case.method, case.path, case.body);
        let body = (!case.body.is_null()).then_some(&case.body);
        let key = [("idempotency-key", "\"refused\"")];
        let answer = case.client.call(case.method, &case.path, &key, body).await;
        check(&answer, &case.wanted, &request);
        assert_eq!(contents(&app.pool, id(1)).await, before, "{request}");
    }
}

/// A document with one member changed, by RFC 6901 pointer; null takes it away.
fn with(mut document: Value, pointer: &str, value: Value) -> Value {
    let (parent, name) = pointer.rsplit_once('/').expect("a pointer");
    match document.pointer_mut(parent).expect("the parent is there") {
        Value::Object(fields) if value.is_null() => drop(fields.remove(name)),
        Value::Object(fields) => drop(fields.insert(name.to_owned(), value)),
        Value::Array(items) => items[name.parse::<usize>().expect("a number")] = value,
        _ => panic!("nothing can be put into {parent}"),
    }
    document
}

#[sqlx::test]
async fn configuration_that_breaks_a_rule_is_refused_at_the_field(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T08:35:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let put = |path: &str, body, kind, pointers: &[&'static str]| {
        refused(&clinic.admin, Method::PUT, path, body, kind, pointers)
    };
    let here = format!("/v1/clinics/{}", clinic.clinic_id);
    let site = json!({ "name": "North", "zone": "Europe/London" });
    let hours = format!("{here}/hours");
    let session = |opens: &str, closes: &str| json!({ "opens": opens, "closes": closes });
    let overlap = json!({ "week": { "monday": [session("08:00", "12:00"), session("11:59", "13:00")] } });
    let into_tuesday =
        json!({ "week": { "monday": [session("18:00", "02:30")], "tuesday": [session("02:00", "09:00")] } });
    let closure = json!({ "from_local": "2026-12-24T14:00", "until_local": "2026-12-24T14:00", "reason": "holidays" });
    let closures = format!("{here}/closures/{}", id(900));
    let special = format!("{here}/special-openings/2026-12-05");
    let chair = format!("/v1/operatories/{}", clinic.chair);
    let unit = scenario::operatory(clinic.clinic_id, "Chair");
    let mut cases = vec![
        put(&here, with(site.clone(), "/zone", json!("Mars/Olympus")), BROKEN, &["/zone"]),
        put(&here, with(site.clone(), "/name", json!("")), BROKEN, &["/name"]),
        put(&here, with(site.clone(), "/name", json!("bell\u{7}")), BROKEN, &["/name"]),
        put(&here, with(site.clone(), "/name", json!("a\0b")), MALFORMED, &["/name"]),
        put(&here, with(site.clone(), "/colour", json!("blue")), MALFORMED, &["/colour"]),
        put(&here, with(site, "/zone", json!(1)), MALFORMED, &["/zone"]),
        put(&hours, overlap, BROKEN, &["/week/monday/1"]),
        put(&hours, into_tuesday, BROKEN, &["/week/tuesday/0"]),
        put(&hours, json!({ "week": { "monday": [session("8:30", "12:00")] } }), MALFORMED, &["/week/monday/0/opens"]),
        put(
            &hours,
            json!({ "week": { "monday": [session("08:30", "24:00")] } }),
            MALFORMED,
            &["/week/monday/0/closes"],
        ),
        put(&hours, json!({ "week": { "moonday": [] } }), MALFORMED, &["/week/moonday"]),
        put(&closures, closure.clone(), BROKEN, &["/until_local"]),
        put(&closures, with(closure, "/from_local", json!("2026-02-30T08:00")), BROKEN, &["/from_local"]),
        put(&special, json!({ "sessions": [], "reason": "none" }), BROKEN, &["/sessions"]),
        put(&format!("{here}/special-openings/2026-02-30"), json!({ "sessions": [], "reason": "" }), MALFORMED, &[]),
        put(&chair, with(unit.clone(), "/clinic_id", json!(id(9))), BROKEN, &["/clinic_id"]),
        put(&chair, with(unit.clone(), "/circuits/1", json!("handpiece-1")), BROKEN, &["/circuits/1"]),
        put(&chair, with(unit.clone(), "/water_source", json!("rain")), MALFORMED, &["/water_source"]),
        put(
            &format!("/v1/equipment/{}", clinic.chair),
            json!({ "clinic_id": clinic.clinic_id, "kind": "eyewash",
            "name": "Eyewash", "service": { "state": "in_service" } }),
            (409, "kind-is-fixed"),
            &[],
        ),
        put(
            "/v1/ladder",
            json!({ "rungs": [{ "after_minutes": 100_001, "counted_in": "elapsed_time",
            "audience": "chairside" }] }),
            BROKEN,
            &["/rungs/0/after_minutes"],
        ),
    ];
    cases.extend(routine_cases(&clinic));
    let key = json!({ "key_id": id(801), "label": "tablet", "role": "chairside", "reach": { "kind": "group" } });
    for (pointer, value, kind, pointers) in [
        ("/role", json!("owner"), MALFORMED, ["/role"]),
        ("/label", json!(" "), BROKEN, ["/label"]),
        ("/reach", json!({ "kind": "clinics", "clinic_ids": [] }), BROKEN, ["/reach/clinic_ids"]),
        ("/reach", json!({ "kind": "clinics", "clinic_ids": [id(9)] }), BROKEN, ["/reach/clinic_ids"]),
        ("/reach", json!({ "kind": "operatory", "operatory_id": id(9) }), BROKEN, ["/reach/operatory_id"]),
    ] {
        let body = with(key.clone(), pointer, value);
        cases.push(refused(&clinic.admin, Method::POST, "/v1/keys", body, kind, &pointers));
    }
    let forbidden = (403, "role-may-not");
    for client in [&clinic.desk, &clinic.tablet, &clinic.manager] {
        cases.push(refused(client, Method::PUT, &chair, unit.clone(), forbidden, &[]));
        cases.push(refused(client, Method::GET, "/v1/keys", Value::Null, forbidden, &[]));
    }
    check_all(&app, cases).await;
}

fn routine_cases<'a>(clinic: &'a Clinic<'a>) -> Vec<Refused<'a>> {
    let routines = scenario::routines();
    let of = |wanted| routines.iter().find(|(id, _)| *id == wanted).map(|(_, content)| content.clone());
    let spore = of(routine::spore_test()).expect("there");
    let rule = |rule: &str| with(spore.clone(), "/anchor/dates/rule", json!(rule));
    let in_rule = ["/routine/anchor/dates/rule"];
    let limit = "/steps/0/evidence/limits/0";
    let reading = |name: &str, value| with(spore.clone(), &format!("{limit}/{name}"), value);
    let window = |name: &str, minutes: i32| with(spore.clone(), &format!("/window/{name}_minutes"), json!(minutes));
    let cases = [
        // RFC 5545 allows all but the third of these (INTERVAL is a positive integer, section 3.3.10); what gives no
        // date, or a time of day, is refused here by this service's own rule.
        (rule("FREQ=YEARLY;BYMONTH=2;BYMONTHDAY=31"), BROKEN, in_rule.to_vec()),
        (rule("FREQ=DAILY;BYHOUR=9"), BROKEN, in_rule.to_vec()),
        (rule("FREQ=WEEKLY;INTERVAL=0"), BROKEN, in_rule.to_vec()),
        (rule("FREQ=HOURLY"), BROKEN, in_rule.to_vec()),
        (rule("every Monday"), BROKEN, in_rule.to_vec()),
        (with(spore.clone(), "/anchor/kind", json!("whenever")), MALFORMED, vec!["/routine/anchor/kind"]),
        (window("due_by", -1), BROKEN, vec!["/routine/window/due_by_minutes"]),
        (window("missed", 129_601), BROKEN, vec!["/routine/window/missed_minutes"]),
        (with(spore.clone(), "/sources", json!([])), BROKEN, vec!["/routine/sources"]),
        (with(spore.clone(), "/steps", json!([])), BROKEN, vec!["/routine/steps"]),
        (with(spore.clone(), "/steps/0/for_each", json!("circuit")), BROKEN, vec!["/routine/steps/0/for_each"]),
        (
            with(spore.clone(), "/selection", json!({ "clinic_ids": [id(9)] })),
            BROKEN,
            vec!["/routine/selection/clinic_ids"],
        ),
        (reading("unit", json!("mg/L")), BROKEN, vec!["/routine/steps/0/evidence/limits/0/unit"]),
        (reading("source", Value::Null), MALFORMED, vec!["/routine/steps/0/evidence"]),
        (with(spore.clone(), "/verdict", json!("sterile")), MALFORMED, vec!["/routine/verdict"]),
    ];
    let path = format!("/v1/routines/{}", routine::spore_test());
    let mut refusals: Vec<_> = cases
        .into_iter()
        .map(|(content, kind, pointers)| {
            refused(&clinic.admin, Method::PUT, &path, json!({ "routine": content }), kind, &pointers)
        })
        .collect();
    let back = json!({ "routine": window("missed", 7_300), "effective_on": "2026-10-31" });
    refusals.push(refused(&clinic.admin, Method::PUT, &path, back, BROKEN, &["/effective_on"]));
    refusals
}

#[sqlx::test]
async fn evidence_that_cannot_be_read_is_refused_at_the_field(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T08:35:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let flush = clinic.due_of(routine::start_flush()).await;
    let spore = clinic.due_in_clinic(routine::spore_test()).await;
    let mut work = clinic.flush(7001, &flush, 125);
    let record = work["steps"][0]["hold_record"].clone();
    for step in work["steps"].as_array_mut().expect("steps") {
        step.as_object_mut().expect("an answer").remove("hold_record");
    }
    let test = clinic.spore(7002, &spore, Some("0"));
    let post = |body, kind, pointers: &[&'static str]| {
        refused(&clinic.tablet, Method::POST, "/v1/completions", body, kind, pointers)
    };
    let void = |reason: &str| {
        let body = with(with(test.clone(), "/kind", json!("void")), "/steps", json!([]));
        with(body, "/reason", json!(reason))
    };
    let skipped = json!({ "step": "flush:syringe", "status": "skipped" });
    let too_long_and_skipped = json!({ "step": "flush:handpiece-1", "status": "skipped", "reason": "the tap ran dry",
                                       "elapsed_seconds": 604_801 });
    let not_found = (404, "not-found");
    let mut cases = vec![
        post(with(work.clone(), "/performed_at", json!("2026-11-02T08:37:01Z")), BROKEN, &["/performed_at"]),
        post(with(work.clone(), "/performed_at", json!("-262000-01-01T00:00:00Z")), BROKEN, &["/performed_at"]),
        post(with(work.clone(), "/performed_at", json!("2026-11-02T08:30:00")), MALFORMED, &["/performed_at"]),
        post(with(work.clone(), "/performed_by", json!("")), BROKEN, &["/performed_by"]),
        post(with(work.clone(), "/performed_by", json!("x".repeat(41))), BROKEN, &["/performed_by"]),
        post(with(work.clone(), "/patient_name", json!("nobody")), MALFORMED, &["/patient_name"]),
        post(with(work.clone(), "/kind", json!("perfect")), MALFORMED, &["/kind"]),
        post(with(work.clone(), "/task_id", json!(id(9))), not_found, &[]),
        post(with(work.clone(), "/task_id", json!("0000513a-0000-8000-8000-000000000000")), not_found, &[]),
        post(with(work.clone(), "/corrects", json!(id(9))), BROKEN, &["/reason", "/corrects"]),
        post(with(work.clone(), "/steps/0/step", json!("polish")), BROKEN, &["/steps/0/step"]),
        post(with(work.clone(), "/steps/1/step", json!("flush:handpiece-1")), BROKEN, &["/steps/1/step"]),
        post(with(work.clone(), "/steps/1", skipped), BROKEN, &["/steps/1/reason"]),
        post(with(work.clone(), "/steps/0/elapsed_seconds", Value::Null), BROKEN, &["/steps/0/elapsed_seconds"]),
        post(with(work.clone(), "/steps/0/elapsed_seconds", json!(-1)), MALFORMED, &["/steps/0/elapsed_seconds"]),
        post(with(work.clone(), "/steps/0/elapsed_seconds", json!(604_801)), BROKEN, &["/steps/0/elapsed_seconds"]),
        post(with(work.clone(), "/steps/0", too_long_and_skipped), BROKEN, &["/steps/0/elapsed_seconds"]),
        post(
            with(work.clone(), "/steps/0/hold_id", json!(id(9))),
            BROKEN,
            &["/steps/0/hold_id", "/steps/0/elapsed_seconds"],
        ),
        post(
            with(with(work.clone(), "/steps/0/hold_id", json!(id(9))), "/steps/0/hold_record", record.clone()),
            BROKEN,
            &["/steps/0/hold_record", "/steps/0/hold_id", "/steps/0/elapsed_seconds"],
        ),
        post(with(test.clone(), "/steps/0/hold_record", record), BROKEN, &["/steps/0/hold_record"]),
        post(
            with(with(work.clone(), "/steps/0/elapsed_seconds", Value::Null), "/steps/0/hold_id", json!(id(9))),
            BROKEN,
            &["/steps/0/hold_id"],
        ),
        post(with(work.clone(), "/steps/0/status", json!("result_pending")), BROKEN, &["/steps/0/status"]),
        post(
            with(work.clone(), "/steps/0/reading", test["steps"][0]["reading"].clone()),
            BROKEN,
            &["/steps/0/reading"],
        ),
        post(with(test.clone(), "/steps/0/reading", Value::Null), BROKEN, &["/steps/0/reading"]),
        post(with(test.clone(), "/steps/0/reading/unit", json!("mg/L")), BROKEN, &["/steps/0/reading/unit"]),
        post(with(test.clone(), "/steps/0/reading/unit", Value::Null), MALFORMED, &["/steps/0/reading"]),
        post(with(test.clone(), "/steps/0/reading/value", json!("none")), MALFORMED, &["/steps/0/reading/value"]),
        post(
            with(test.clone(), "/steps/0/reading/qualifier", json!("about")),
            MALFORMED,
            &["/steps/0/reading/qualifier"],
        ),
        post(void(""), BROKEN, &["/reason"]),
        post(with(void("control failed"), "/steps", test["steps"].clone()), BROKEN, &["/steps"]),
        post(with(void("no use"), "/kind", json!("not_required")), (403, "role-may-not"), &[]),
    ];
    let holds = format!("/v1/tasks/{}/holds", flush["task_id"].as_str().expect("an id"));
    let hold = json!({ "hold_id": id(7003), "step": "flush:syringe", "performed_by": "KV" });
    for (body, kind, pointer) in [
        (with(hold.clone(), "/step", json!("growth")), BROKEN, "/step"),
        (with(hold.clone(), "/performed_by", json!(" ")), BROKEN, "/performed_by"),
        (with(hold.clone(), "/hold_id", json!(7)), MALFORMED, "/hold_id"),
    ] {
        cases.push(refused(&clinic.tablet, Method::POST, &holds, body, kind, &[pointer]));
    }
    cases.push(refused(&clinic.desk, Method::POST, &holds, hold, (403, "role-may-not"), &[]));
    for edge in ["seated", "left"] {
        let path = format!("/v1/operatories/{}/{edge}", clinic.chair);
        for (body, kind, pointer) in [
            (json!({ "patient_name": "nobody" }), MALFORMED, "/patient_name"),
            (json!({ "at": "2026-11-02T08:37:01Z" }), BROKEN, "/at"),
            (json!({ "at": "2026-10-26T08:34:59Z" }), BROKEN, "/at"),
            (json!({ "at": "yesterday" }), MALFORMED, "/at"),
            (json!({ "clinic_day": "2026-11-04" }), BROKEN, "/clinic_day"),
            (json!({ "clinic_day": "2026-02-30" }), MALFORMED, "/clinic_day"),
        ] {
            cases.push(refused(&clinic.desk, Method::POST, &path, body, kind, &[pointer]));
        }
        let elsewhere = format!("/v1/operatories/{}/{edge}", clinic.steriliser);
        cases.push(refused(&clinic.desk, Method::POST, &elsewhere, json!({}), not_found, &[]));
    }
    check_all(&app, cases).await;
}

#[sqlx::test]
async fn questions_that_cannot_be_read_are_refused(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T08:35:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let due = format!("/v1/clinics/{}/due", clinic.clinic_id);
    let mut cases = Vec::new();
    for path in [
        "/v1/overdue?limit=0",
        "/v1/overdue?limit=501",
        "/v1/overdue?limit=many",
        "/v1/overdue?level=10",
        "/v1/overdue?level=-1",
        "/v1/overdue?level=high",
        "/v1/overdue?level_at_least=0",
        "/v1/overdue?level_at_least=10",
        "/v1/overdue?blocking=perhaps",
        "/v1/overdue?subject_kind=chair",
        "/v1/overdue?clinic_id=1",
        "/v1/overdue?colour=blue",
        "/v1/overdue?cursor=first",
        "/v1/overdue?cursor=AQAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA",
        "/v1/summary?from=2026-13-01",
        "/v1/summary?until=2026-11-02",
        &format!("{due}?ahead_minutes=2881"),
        &format!("{due}?ahead_minutes=-1"),
        "/v1/clinics/north",
        "/v1/clinics/%00",
        "/v1/clinics/%ff",
        "/v1/tasks/%00%00/",
    ] {
        let kind = if path.ends_with('/') { (404, "not-found") } else { MALFORMED };
        cases.push(refused(&clinic.manager, Method::GET, path, Value::Null, kind, &[]));
    }
    for (path, pointers) in [
        ("/v1/summary?from=2026-11-02&to=2026-11-01", ["/to"]),
        ("/v1/summary?from=2025-01-01&to=2026-11-01", ["/from"]),
    ] {
        cases.push(refused(&clinic.manager, Method::GET, path, Value::Null, BROKEN, &pointers));
    }
    for path in [
        "/v1/nothing",
        "/v1/%00",
        &format!("/v1/clinics/{}", id(9)),
        &format!("/v1/tasks/{}", id(9)),
        &format!("/v1/completions/{}", id(9)),
        &format!("/v1/operatories/{}/readiness", clinic.steriliser),
    ] {
        cases.push(refused(&clinic.manager, Method::GET, path, Value::Null, (404, "not-found"), &[]));
    }
    check_all(&app, cases).await;
}

/// Status codes: RFC 9110, sections 15.5.2 (401), 15.5.6 (405 and `Allow`), 15.5.7 (406), 15.5.14 (413), 15.5.16 (415).
#[sqlx::test]
async fn requests_that_break_the_protocol_are_refused(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T08:35:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let before = contents(&pool, id(1)).await;
    let bearer = format!("Bearer {}", clinic.admin.token);
    let with_key = |method: &str, path: &str, headers: &[(&str, &str)], body: Vec<u8>| {
        let request = Request::builder().method(method).uri(path).header("authorization", &bearer);
        let request = headers.iter().fold(request, |r, (name, value)| r.header(*name, *value));
        request.body(Body::from(body)).expect("a request")
    };
    let json_type = ("content-type", "application/json");
    let site = format!("/v1/clinics/{}", clinic.clinic_id);
    let seated = format!("/v1/operatories/{}/seated", clinic.chair);
    let name = |text: &str| format!("{{\"name\": {text}, \"zone\": \"Europe/London\"}}").into_bytes();

    let deep = [vec![b'['; 200], vec![b']'; 200]].concat();
    for body in [&b"{\"name\":"[..], b"", b"[]", b"\xff\xfe{}", b"{} {}", &deep] {
        let answer = app.send(with_key("PUT", &site, &[json_type], body.to_vec())).await;
        let pointers = if body == b"[]" { vec![""] } else { vec![] };
        check(&answer, &(400, "malformed-request", pointers), &String::from_utf8_lossy(body));
    }
    let other_types = [None, Some("text/plain"), Some("application/jsonx"), Some("application/x-www-form-urlencoded")];
    for content_type in other_types {
        let headers: Vec<_> = content_type.map(|t| ("content-type", t)).into_iter().collect();
        let answer = app.send(with_key("PUT", &site, &headers, name("\"North\""))).await;
        check(&answer, &(415, "unsupported-media-type", vec![]), &format!("{content_type:?}"));
    }
    let large = name(&json!("x".repeat(2_000_000)).to_string());
    let answer = app.send(with_key("PUT", &site, &[json_type], large)).await;
    check(&answer, &(413, "body-too-large", vec![]), "a body over the limit");

    for (method, path, allowed) in
        [("DELETE", "/v1/clinics", "GET"), ("POST", "/v1/overdue", "GET"), ("PATCH", &site, "PUT")]
    {
        let answer = app.send(with_key(method, path, &[], Vec::new())).await;
        check(&answer, &(405, "method-not-allowed", vec![]), &format!("{method} {path}"));
        assert!(answer.header("allow").split(',').any(|m| m.trim() == allowed), "{:?}", answer.headers);
    }
    for path in ["/v1/overdue", "/v1/summary"] {
        let answer = app.send(with_key("GET", path, &[("accept", "image/png")], Vec::new())).await;
        check(&answer, &(406, "not-acceptable", vec![]), path);
    }
    for key in ["", "\"\"", "tab\there", &"k".repeat(256)] {
        let answer = app.send(with_key("POST", &seated, &[json_type, ("idempotency-key", key)], b"{}".to_vec())).await;
        check(&answer, &(400, "malformed-request", vec![]), key);
    }
    let secret_of_another = format!("Bearer ct.{}.{}", id(1).simple(), "a".repeat(52));
    for authorization in ["", "Bearer", "Bearer ct.", "Basic YTpi", &bearer[..bearer.len() - 1], &secret_of_another] {
        let request = Request::builder().uri("/v1/clinics").header("authorization", authorization);
        let answer = app.send(request.body(Body::empty()).expect("a request")).await;
        check(&answer, &(401, "key-missing", vec![]), authorization);
        assert_eq!(answer.header("www-authenticate"), "Bearer");
    }
    assert_eq!(contents(&pool, id(1)).await, before);
}
