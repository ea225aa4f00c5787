//! A lead reviews a clinic day, explains its gaps and signs it; unsigned days climb the ladder.

mod asking;
mod later;
mod presence;
mod unready_seatings;

use axum::http::Method;
use chairtide::domain::access::Role;
use chairtide::store::reporting;
use serde_json::{Value, json};
use sqlx::{AssertSqlSafe, ConnectOptions as _, PgPool};
use uuid::Uuid;

use crate::support::app::{Answer, App, Client};
use crate::support::scenario::{self, Clinic, routine};
use crate::support::{at, id};

const LEAD: u32 = 801;
const GROUP_LEAD: u32 = 802;
const ASSISTANT: u32 = 803;
const MONDAY: &str = "2026-11-02";

/// People who can sign, each with the PIN of their number.
async fn people(admin: &Client<'_>) {
    for (n, name, initials, role) in [
        (LEAD, "Mara Oduya", "MO", "clinic_lead"),
        (GROUP_LEAD, "Tam Sorrel", "TS", "group_lead"),
        (ASSISTANT, "Ines Brook", "IB", "assistant"),
    ] {
        let person = json!({ "name": name, "initials": initials, "role": role, "active_from": "2024-01-01" });
        admin.put(&format!("/v1/staff/{}", id(n)), person).await.expect(201);
        admin.put(&format!("/v1/staff/{}/pin", id(n)), json!({ "pin": format!("{n}46") })).await.expect(204);
    }
}

async fn review(client: &Client<'_>, clinic: &Clinic<'_>, day: &str) -> Value {
    client.get(&format!("/v1/clinics/{}/days/{day}/review", clinic.clinic_id)).await.expect(200)
}

fn path(clinic: &Clinic<'_>, day: &str, n: u32) -> String {
    format!("/v1/clinics/{}/days/{day}/sign-offs/{}", clinic.clinic_id, id(n))
}

/// What a lead sends who saw this review and explains each gap that lacks words.
fn signature(review: &Value, who: u32) -> Value {
    let of = |list: &str| review[list].as_array().expect("a list").clone();
    let gaps = of("gaps").into_iter().chain(of("unready_seatings")).filter(|gap| gap["explanation"].is_null());
    let explanations: Vec<Value> =
        gaps.map(|gap| json!({ "gap": gap["gap"], "words": "short of one assistant" })).collect();
    json!({ "review_digest": review["review_digest"], "explanations": explanations, "note": "walked the rooms",
            "signature": { "staff_id": id(who), "pin": format!("{who}46") } })
}

fn kind_of(answer: &Answer) -> String {
    answer.json()["type"].as_str().expect("a problem").to_owned()
}

fn gaps(review: &Value) -> Vec<(String, bool)> {
    let of = |gap: &Value| (gap["kind"].as_str().expect("a kind").to_owned(), gap["explanation"].is_null());
    review["gaps"].as_array().expect("gaps").iter().map(of).collect()
}

/// A Monday evening in London, with people: the flush before the first patient was missed, the one after the only patient
/// is recorded, and the spore test is due since 16:30.
async fn monday_evening(app: &App) -> Clinic<'_> {
    let clinic = scenario::clinic(app, "Europe/London").await;
    people(&clinic.admin).await;
    app.set(at("2026-11-02T09:00:00Z"));
    let flush = clinic.leave("2026-11-02T09:00:00Z").await;
    app.set(at("2026-11-02T09:04:00Z"));
    clinic.tablet.post("/v1/completions", clinic.flush(820, &flush, 25)).await.expect(201);
    app.set(at("2026-11-02T18:05:00Z"));
    clinic
}

#[sqlx::test]
async fn a_lead_signs_a_day_that_is_over_with_every_gap_explained_and_nobody_else_does(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T06:00:00Z")).await;
    let clinic = monday_evening(&app).await;
    app.set(at("2026-11-02T17:59:59Z"));
    let early = review(&clinic.tablet, &clinic, MONDAY).await;
    assert_eq!((&early["state"], &early["over_at"]), (&json!("not_over"), &json!("2026-11-02T18:00:00Z")));
    let refused = clinic.tablet.put(&path(&clinic, MONDAY, 900), signature(&early, LEAD)).await;
    assert_eq!((refused.status.as_u16(), kind_of(&refused)), (409, "/problems/day-not-over".to_owned()));

    app.set(at("2026-11-02T18:05:00Z"));
    let seen = review(&clinic.tablet, &clinic, MONDAY).await;
    assert_eq!((&seen["state"], &seen["asked"], &seen["level"]), (&json!("unsigned"), &json!(true), &json!(0)));
    // Next opening by the hours: Tuesday, 08:30.
    assert_eq!(seen["overdue_at"], "2026-11-03T08:30:00Z");
    assert_eq!(gaps(&seen), [("missed".to_owned(), true), ("record_missing".to_owned(), true)], "{seen}");
    assert_eq!((&seen["task_counts"]["done"], &seen["entries"]), (&json!(1), &json!(1)));
    let may: Vec<&Value> = seen["may_sign"].as_array().expect("people").iter().map(|p| &p["initials"]).collect();
    assert_eq!(may, ["MO", "TS"]);

    let good = signature(&seen, LEAD);
    let with = |field: &str, value: Value| {
        let mut body = good.clone();
        body[field] = value;
        body
    };
    let one = json!([good["explanations"][0]]);
    for (body, status, problem) in [
        (with("explanations", json!([])), 409, "gaps-unexplained"),
        (with("explanations", one), 409, "gaps-unexplained"),
        (with("review_digest", json!("0".repeat(64))), 409, "review-changed"),
        (with("signature", json!({ "staff_id": id(LEAD), "pin": "99999" })), 403, "signature-refused"),
        (with("signature", json!({ "staff_id": id(ASSISTANT), "pin": "80346" })), 403, "signature-refused"),
    ] {
        let answer = clinic.tablet.put(&path(&clinic, MONDAY, 900), body).await;
        assert_eq!((answer.status.as_u16(), kind_of(&answer)), (status, format!("/problems/{problem}")));
    }
    let none = clinic.tablet.put(&path(&clinic, MONDAY, 900), with("explanations", json!([]))).await;
    assert!(
        seen["gaps"]
            .as_array()
            .expect("gaps")
            .iter()
            .all(|gap| none.text.contains(gap["gap"].as_str().expect("a name")))
    );
    let made_up = json!([{ "gap": format!("missed:{}", id(1)), "words": "x" }]);
    let unknown = clinic.tablet.put(&path(&clinic, MONDAY, 900), with("explanations", made_up)).await;
    assert_eq!((unknown.status.as_u16(), unknown.pointers()), (422, vec!["/explanations/0/gap".to_owned()]));
    let reader = clinic.admin.key("reader", json!({ "kind": "group" })).await;
    reader.put(&path(&clinic, MONDAY, 900), good.clone()).await.expect(403);

    let signed = clinic.tablet.put(&path(&clinic, MONDAY, 900), good.clone()).await.expect(201);
    assert_eq!((&signed["number"], &signed["signed_by"]), (&json!(1), &json!("Mara Oduya")));
    assert_eq!(clinic.tablet.put(&path(&clinic, MONDAY, 900), good.clone()).await.expect(200), signed);
    let other = clinic.tablet.put(&path(&clinic, MONDAY, 900), with("note", json!("another"))).await;
    assert_eq!((other.status.as_u16(), kind_of(&other)), (409, "/problems/sign-off-differs".to_owned()));
    let moved = clinic.tablet.put(&path(&clinic, "2026-10-30", 900), good).await;
    assert_eq!(kind_of(&moved), "/problems/sign-off-differs");
    let after = review(&clinic.manager, &clinic, MONDAY).await;
    assert_eq!((&after["state"], after["sign_offs"].as_array().map(Vec::len)), (&json!("signed"), Some(1)));
    assert!(gaps(&after).iter().all(|(_, lacks_words)| !lacks_words));
}

#[sqlx::test]
async fn what_arrives_after_the_signature_is_told_beside_it_and_may_be_signed_in_turn(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T06:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    people(&clinic.admin).await;
    app.set(at("2026-11-02T08:20:00Z"));
    let offline = clinic.flush(821, &clinic.due_of(routine::start_flush()).await, 125);
    app.set(at("2026-11-02T18:05:00Z"));
    let seen = review(&clinic.tablet, &clinic, MONDAY).await;
    let first = clinic.tablet.put(&path(&clinic, MONDAY, 900), signature(&seen, LEAD)).await.expect(201);
    app.set(at("2026-11-02T20:00:00Z"));
    clinic.tablet.post("/v1/completions", offline).await.expect(201);
    let later = review(&clinic.manager, &clinic, MONDAY).await;
    // The flush came after the signature, and so did a gap that nobody explained.
    assert_eq!(later["state"], "signed_with_later_gaps");
    assert_eq!(later["entries_after_signing"][0]["completion_id"], json!(id(821)));
    assert_eq!(later["entries_to_review"][0]["flags"][0]["flag"], "late_entry");
    assert_eq!(later["sign_offs"], json!([first]), "what was signed stays");
    // The flush is recorded, and nobody said why so late; the lines are not disinfected since 19:30, and nobody said why.
    let open = |kind: &str| (kind.to_owned(), true);
    assert_eq!(gaps(&later), [open("entered_late"), ("record_missing".to_owned(), false), open("record_missing")]);
    let stale = clinic.tablet.put(&path(&clinic, MONDAY, 901), signature(&seen, LEAD)).await;
    assert_eq!(kind_of(&stale), "/problems/review-changed");
    let second = clinic.tablet.put(&path(&clinic, MONDAY, 901), signature(&later, GROUP_LEAD)).await.expect(201);
    assert_eq!((&second["number"], second["explanations"].as_array().map(Vec::len)), (&json!(2), Some(2)));
    let now = review(&clinic.manager, &clinic, MONDAY).await;
    assert_eq!((&now["state"], now["sign_offs"].as_array().map(Vec::len)), (&json!("signed"), Some(2)));
}

/// Two leads at two instances, and one whose network repeats what it sent.
#[sqlx::test]
async fn of_two_who_sign_one_review_at_once_one_is_told_to_look_again(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T06:00:00Z")).await;
    let clinic = monday_evening(&app).await;
    let seen = review(&clinic.tablet, &clinic, MONDAY).await;
    let put = |n, who| {
        let (path, body) = (path(&clinic, MONDAY, n), signature(&seen, who));
        let client = clinic.tablet.clone();
        async move { client.call(Method::PUT, &path, &[], Some(&body)).await }
    };
    let (one, other, again) = tokio::join!(put(900, LEAD), put(901, GROUP_LEAD), put(900, LEAD));
    let mut answers = [one.status.as_u16(), other.status.as_u16(), again.status.as_u16()];
    answers.sort_unstable();
    assert!(matches!(answers, [200, 201, 409] | [201, 409, 409]), "{answers:?}");
    let refused = [&one, &other, &again].into_iter().filter(|answer| answer.status.as_u16() == 409);
    assert!(refused.map(kind_of).all(|kind| kind == "/problems/review-changed"));
    let after = review(&clinic.manager, &clinic, MONDAY).await;
    assert_eq!(after["sign_offs"].as_array().map(Vec::len), Some(1));
}

async fn unsigned(client: &Client<'_>) -> Vec<(String, u64, String)> {
    let list = client.get("/v1/overdue?kind=unsigned_day").await.expect(200);
    let text = |value: &Value| value.as_str().unwrap_or_default().to_owned();
    let of =
        |item: &Value| (text(&item["clinic_day"]), item["level"].as_u64().expect("a level"), text(&item["audience"]));
    list["items"].as_array().expect("items").iter().map(of).collect()
}

/// The ladder's default: at once the chair, after an opening hour the clinic's lead, after eight the group's manager.
#[sqlx::test]
async fn an_unsigned_day_is_overdue_at_the_next_opening_over_closures_and_climbs_the_ladder(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-06T06:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    people(&clinic.admin).await;
    let monday = json!({ "from_local": "2026-11-09T00:00", "until_local": "2026-11-10T00:00", "reason": "painters" });
    clinic.admin.put(&format!("/v1/clinics/{}/closures/{}", clinic.clinic_id, id(5)), monday).await.expect(201);
    app.plan().await;
    let told = |level: u64, audience: &str| vec![("2026-11-06".to_owned(), level, audience.to_owned())];
    for (instant, expected) in [
        ("2026-11-06T18:05:00Z", vec![]),
        ("2026-11-09T12:00:00Z", vec![]),
        ("2026-11-10T08:29:59Z", vec![]),
        ("2026-11-10T08:30:00Z", told(1, "chairside")),
        ("2026-11-10T09:30:00Z", told(2, "clinic_lead")),
        // Four opening hours to 12:30, and four from 13:30.
        ("2026-11-10T17:29:59Z", told(2, "clinic_lead")),
        ("2026-11-10T17:30:00Z", told(3, "group_manager")),
    ] {
        app.set(at(instant));
        app.plan().await;
        assert_eq!(unsigned(&clinic.manager).await, expected, "{instant}");
    }
    // Beside the tasks in one list, the highest first; and away from a client that knows of tasks only.
    let all = clinic.manager.get("/v1/overdue?kind=all").await.expect(200);
    let first = &all["items"][0];
    assert_eq!((&first["kind"], &first["title"]), (&json!("unsigned_day"), &json!("Day sign-off: signature missing")));
    assert_eq!((&first["task_id"], &first["subject_id"]), (&Value::Null, &json!(clinic.clinic_id)));
    let tasks = clinic.manager.get("/v1/overdue").await.expect(200);
    assert!(tasks["items"].as_array().expect("items").iter().all(|item| item["kind"] == "task"));
    let csv = clinic.manager.call(Method::GET, "/v1/overdue?kind=unsigned_day", &[("accept", "text/csv")], None).await;
    assert!(csv.text.lines().nth(1).is_some_and(|row| row.contains("unsigned_day")), "{}", csv.text);

    let login = format!("reader_{}", Uuid::new_v4().simple());
    let mut owner = pool.acquire().await.expect("a connection");
    sqlx::query(AssertSqlSafe(format!("create role {login} login"))).execute(&mut *owner).await.expect("the owner may");
    reporting::grant_login(&mut owner, id(1), &login).await.expect("let in");
    let options = (*pool.connect_options()).clone().username(&login);
    let mut reader = options.connect().await.expect("the login connects");
    let view = "select asked, unsigned_since::text, level, audience, signed_by, gaps_explained
                from reporting.day_sign_offs where clinic_day = '2026-11-06'";
    sqlx::query("set timezone = 'UTC'").execute(&mut reader).await.expect("set");
    sqlx::query("set chairtide.as_of = '2026-11-10T17:30Z'").execute(&mut reader).await.expect("set");
    let row: (bool, Option<String>, i32, Option<String>, Option<String>, i32) =
        sqlx::query_as(view).fetch_one(&mut reader).await.expect("a row");
    let since = Some("2026-11-06 18:00:00+00".to_owned());
    assert_eq!(row, (true, since, 3, Some("group_manager".to_owned()), None, 0));

    let seen = review(&clinic.tablet, &clinic, "2026-11-06").await;
    assert_eq!(seen["level"], 3);
    let count = i32::try_from(gaps(&seen).len()).expect("few");
    clinic.tablet.put(&path(&clinic, "2026-11-06", 900), signature(&seen, GROUP_LEAD)).await.expect(201);
    assert_eq!(unsigned(&clinic.manager).await, []);
    sqlx::query("set chairtide.as_of = '2026-11-10T17:31Z'").execute(&mut reader).await.expect("set");
    let row: (bool, Option<String>, i32, Option<String>, Option<String>, i32) =
        sqlx::query_as(view).fetch_one(&mut reader).await.expect("a row");
    assert_eq!(row, (true, None, 0, None, Some("Tam Sorrel".to_owned()), count));
    let words: i64 = sqlx::query_scalar("select count(*) from reporting.day_explanations where words <> ''")
        .fetch_one(&mut reader)
        .await
        .expect("readable");
    assert_eq!(words, i64::from(count));
    drop(reader);
    sqlx::query(AssertSqlSafe(format!("drop owned by {login}"))).execute(&mut *owner).await.expect("the owner may");
    sqlx::query(AssertSqlSafe(format!("drop role {login}"))).execute(&mut *owner).await.expect("the owner may");
}

/// New York's clocks go back on 2026-11-01 at 02:00: that night's session is an hour longer.
#[sqlx::test]
async fn a_night_session_is_signed_after_its_end_also_when_the_clocks_go_back(pool: PgPool) {
    let app = App::new(pool, at("2026-10-31T12:00:00Z")).await;
    let clinic = scenario::clinic(&app, "America/New_York").await;
    people(&clinic.admin).await;
    let night = json!([{ "opens": "18:00", "closes": "02:00" }]);
    let week = json!({ "week": { "saturday": night, "sunday": night } });
    clinic.admin.put(&format!("/v1/clinics/{}/hours", clinic.clinic_id), week).await.expect(200);
    app.plan().await;
    app.set(at("2026-11-01T06:30:00Z"));
    let seen = review(&clinic.tablet, &clinic, "2026-10-31").await;
    assert_eq!((&seen["state"], &seen["over_at"]), (&json!("not_over"), &json!("2026-11-01T07:00:00Z")));
    assert_eq!(seen["overdue_at"], "2026-11-01T23:00:00Z");
    app.set(at("2026-11-01T07:00:00Z"));
    let seen = review(&clinic.tablet, &clinic, "2026-10-31").await;
    clinic.tablet.put(&path(&clinic, "2026-10-31", 900), signature(&seen, LEAD)).await.expect(201);
}

#[sqlx::test]
async fn a_clinic_says_from_which_day_on_its_days_ask_and_closed_days_never_do(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T06:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let here = format!("/v1/clinics/{}/day-signing", clinic.clinic_id);
    // Nothing was set: from the day it was first planned.
    let first = json!({ "items": [{ "from_on": MONDAY, "is_asked": true }] });
    assert_eq!(clinic.manager.get(&here).await.expect(200), first);
    assert_eq!(review(&clinic.manager, &clinic, "2026-10-30").await["asked"], json!(false));
    assert_eq!(review(&clinic.manager, &clinic, "2026-11-07").await["asked"], json!(false), "a Saturday");
    let off = json!({ "from_on": "2026-11-03", "is_asked": false });
    let past = clinic.admin.put(&here, json!({ "from_on": "2026-11-01", "is_asked": false })).await;
    assert_eq!((past.status.as_u16(), past.pointers()), (422, vec!["/from_on".to_owned()]));
    clinic.manager.put(&here, off.clone()).await.expect(403);
    clinic.admin.put(&format!("{here}?preview=true"), off.clone()).await.expect(200);
    assert_eq!(clinic.manager.get(&here).await.expect(200), first, "a trial keeps nothing");
    clinic.admin.put(&here, off.clone()).await.expect(201);
    clinic.admin.put(&here, off).await.expect(200);
    app.plan().await;
    app.set(at("2026-11-05T12:00:00Z"));
    app.plan().await;
    let days: Vec<String> = unsigned(&clinic.manager).await.into_iter().map(|(day, ..)| day).collect();
    assert_eq!(days, [MONDAY], "Tuesday and Wednesday do not ask");
}

#[sqlx::test]
async fn keys_of_another_group_or_clinic_neither_see_nor_sign_a_day(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T06:00:00Z")).await;
    let clinic = monday_evening(&app).await;
    let seen = review(&clinic.tablet, &clinic, MONDAY).await;
    let elsewhere = scenario::clinic_of(&app, clinic.admin.clone(), "Europe/London", 1).await;
    let other = app.group(id(2)).await;
    people(&other).await;
    let mut strangers = vec![elsewhere.tablet.clone()];
    for role in [Role::Chairside, Role::Manager] {
        strangers.push(other.key(role.as_str(), json!({ "kind": "group" })).await);
    }
    for stranger in strangers {
        stranger.get(&format!("/v1/clinics/{}/days/{MONDAY}/review", clinic.clinic_id)).await.expect(404);
        stranger.put(&path(&clinic, MONDAY, 900), signature(&seen, LEAD)).await.expect(404);
    }
}
