//! People: who may sign, what locks a PIN, and what a lead is shown about entries.

mod entry_times;
mod shared_tablets;
mod signed_acts;
mod training_record;

use chairtide::domain::flags::Flag;
use chrono::TimeDelta;
use serde_json::{Value, json};
use sqlx::PgPool;
use uuid::Uuid;

use crate::support::app::{Answer, App, Client};
use crate::support::scenario::{self, Clinic, routine};
use crate::support::{at, id};

fn kit() -> Uuid {
    id(801)
}

fn person(initials: &str, role: &str) -> Value {
    json!({ "name": format!("Person {initials}"), "initials": initials, "role": role, "active_from": "2026-01-05" })
}

async fn put_person(admin: &Client<'_>, staff_id: Uuid, document: Value) -> Answer {
    admin.put(&format!("/v1/staff/{staff_id}"), document).await
}

async fn give_pin(admin: &Client<'_>, staff_id: Uuid, pin: &str) {
    admin.put(&format!("/v1/staff/{staff_id}/pin"), json!({ "pin": pin })).await.expect(204);
}

async fn hold_competence(admin: &Client<'_>, n: u32, for_what: Value, until: Option<&str>) {
    let mut held = json!({ "for_what": for_what, "valid_from": "2026-01-05", "signed_off_by": "MO" });
    if let Some(until) = until {
        held["valid_until"] = json!(until);
    }
    let put = admin.put(&format!("/v1/staff/{}/competences/{}", kit(), id(n)), held).await;
    assert!(put.status.is_success(), "{}", put.text);
}

/// Asks whether Kit may sign, with what else must hold.
async fn sign(clinic: &Clinic<'_>, pin: &str, needs: Value) -> Answer {
    let mut body = needs;
    body["signature"] = json!({ "staff_id": kit(), "pin": pin });
    clinic.tablet.post(&format!("/v1/clinics/{}/signature-checks", clinic.clinic_id), body).await
}

fn refused_for(answer: &Answer) -> String {
    let problem = answer.expect(403);
    assert_eq!(problem["type"], "/problems/signature-refused");
    problem["detail"].as_str().expect("words").to_owned()
}

fn flags_of(completion: &Value) -> Vec<String> {
    let notes = completion["flags"].as_array().expect("flags").iter();
    notes
        .map(|note| {
            let flag = note["flag"].as_str().expect("a name").to_owned();
            assert_eq!(note["finding"], Flag::from_name(&flag).expect("a known flag").words());
            flag
        })
        .collect()
}

/// The start flush with a family, so that it takes a competence.
async fn flush_takes_a_competence(clinic: &Clinic<'_>) {
    let (_, mut content) = scenario::routines().remove(0);
    content["family"] = json!("waterlines");
    let body = json!({ "effective_on": "2026-11-02", "routine": content });
    clinic.admin.put(&format!("/v1/routines/{}", routine::start_flush()), body).await.expect(200);
    clinic.admin.app.plan().await;
}

#[sqlx::test]
async fn a_signature_is_refused_in_words_that_say_what_is_missing(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T08:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let needs = json!({});
    assert!(refused_for(&sign(&clinic, "4711", needs.clone()).await).contains("unknown here"));
    put_person(&clinic.admin, kit(), person("KV", "assistant")).await.expect(201);
    assert!(refused_for(&sign(&clinic, "4711", needs.clone()).await).contains("has no PIN"));
    give_pin(&clinic.admin, kit(), "4711").await;
    let signer = sign(&clinic, "4711", needs.clone()).await.expect(200);
    assert_eq!(signer, json!({ "staff_id": kit(), "name": "Person KV", "initials": "KV", "role": "assistant" }));
    assert!(refused_for(&sign(&clinic, "4712", needs.clone()).await).contains("the PIN is wrong"));
    for (pin, pointer) in [("47", "/signature/pin"), ("47 11", "/signature/pin")] {
        assert_eq!(sign(&clinic, pin, needs.clone()).await.pointers(), [pointer]);
    }

    let lead = json!({ "roles": ["clinic_lead", "group_lead"] });
    assert_eq!(
        refused_for(&sign(&clinic, "4711", lead).await),
        "KV is assistant; this takes clinic_lead or group_lead"
    );
    sign(&clinic, "4711", json!({ "roles": ["assistant"] })).await.expect(200);

    let release = json!({ "family": "release" });
    assert_eq!(
        refused_for(&sign(&clinic, "4711", release.clone()).await),
        "KV has no competence for \"release\" on record"
    );
    let family = json!({ "kind": "family", "family": "release" });
    hold_competence(&clinic.admin, 811, family.clone(), Some("2026-11-01")).await;
    assert_eq!(
        refused_for(&sign(&clinic, "4711", release.clone()).await),
        "KV had a competence for \"release\" that ended on 2026-11-01"
    );
    hold_competence(&clinic.admin, 811, family, Some("2026-11-02")).await;
    sign(&clinic, "4711", release.clone()).await.expect(200);
    // The last day ends with the clinic day.
    app.set(at("2026-11-03T08:00:00Z"));
    assert!(refused_for(&sign(&clinic, "4711", release).await).contains("ended on 2026-11-02"));
    let this_routine = json!({ "routine_id": routine::spore_test() });
    assert!(refused_for(&sign(&clinic, "4711", this_routine.clone()).await).contains("this routine"));
    let one = json!({ "kind": "routine", "routine_id": routine::spore_test() });
    hold_competence(&clinic.admin, 812, one, None).await;
    sign(&clinic, "4711", this_routine).await.expect(200);

    let mut elsewhere = person("KV", "assistant");
    let next = scenario::clinic_of(&app, clinic.admin.clone(), "Europe/London", 1).await;
    elsewhere["clinic_ids"] = json!([next.clinic_id]);
    put_person(&clinic.admin, kit(), elsewhere).await.expect(200);
    assert!(refused_for(&sign(&clinic, "4711", needs.clone()).await).contains("does not work at this clinic"));
    let mut left = person("KV", "assistant");
    left["active_until"] = json!("2026-11-02");
    put_person(&clinic.admin, kit(), left).await.expect(200);
    assert!(refused_for(&sign(&clinic, "4711", needs).await).contains("not on the staff on 2026-11-03"));
}

#[sqlx::test]
async fn five_wrong_pins_lock_a_person_for_a_time_that_doubles_and_the_right_one_waits_too(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T08:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    put_person(&clinic.admin, kit(), person("KV", "assistant")).await.expect(201);
    give_pin(&clinic.admin, kit(), "4711").await;
    // Four wrong and a right one: nothing is left of them.
    for pin in ["4712", "4713", "4714", "4715"] {
        sign(&clinic, pin, json!({})).await.expect(403);
    }
    sign(&clinic, "4711", json!({})).await.expect(200);
    for pin in ["4712", "4713", "4714", "4715", "4716"] {
        sign(&clinic, pin, json!({})).await.expect(403);
    }
    let locked = sign(&clinic, "4711", json!({})).await;
    assert_eq!(locked.expect(429)["type"], "/problems/pin-locked");
    assert_eq!(locked.header("retry-after"), "60");
    // Another instance on the same database, as after a restart.
    let other = App::new(pool.clone(), app.clock.now() + TimeDelta::milliseconds(59_500)).await;
    let there = Client { app: &other, token: clinic.tablet.token.clone() };
    let path = format!("/v1/clinics/{}/signature-checks", clinic.clinic_id);
    let body = |pin: &str| json!({ "signature": { "staff_id": kit(), "pin": pin } });
    let still = there.post(&path, body("4711")).await;
    still.expect(429);
    assert_eq!(still.header("retry-after"), "1");
    // The lock ends; one more wrong one locks for twice as long.
    app.set(at("2026-11-02T08:01:00Z"));
    sign(&clinic, "4717", json!({})).await.expect(403);
    assert_eq!(sign(&clinic, "4711", json!({})).await.header("retry-after"), "120");
    app.set(at("2026-11-02T08:03:00Z"));
    sign(&clinic, "4711", json!({})).await.expect(200);
    sign(&clinic, "4718", json!({})).await.expect(403);
    sign(&clinic, "4711", json!({})).await.expect(200);
}

/// However many come at once, no more than five are looked at.
#[sqlx::test]
async fn many_guesses_at_once_are_no_way_around_the_lock(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T08:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    put_person(&clinic.admin, kit(), person("KV", "assistant")).await.expect(201);
    give_pin(&clinic.admin, kit(), "4711").await;
    let guesses = (0..20).map(|n| format!("5{n:03}"));
    let mut answers = Vec::new();
    // Two at once: a test holds at most so many connections of its pool for long.
    let guesses: Vec<String> = guesses.collect();
    for pair in guesses.chunks(2) {
        let (one, two) = tokio::join!(sign(&clinic, &pair[0], json!({})), sign(&clinic, &pair[1], json!({})));
        answers.extend([one.status.as_u16(), two.status.as_u16()]);
    }
    assert_eq!(answers.iter().filter(|status| **status == 403).count(), 5, "{answers:?}");
    assert_eq!(answers.iter().filter(|status| **status == 429).count(), 15, "{answers:?}");
    let tries: i32 = sqlx::query_scalar("select tries from staff_pin").fetch_one(&pool).await.expect("a row");
    assert_eq!(tries, 5);
}

#[sqlx::test]
async fn a_pin_is_set_by_an_administrator_or_with_the_old_one_and_is_told_nowhere(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T08:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    put_person(&clinic.admin, kit(), person("KV", "assistant")).await.expect(201);
    let path = format!("/v1/staff/{}/pin", kit());
    clinic.admin.put(&format!("/v1/staff/{}/pin", id(899)), json!({ "pin": "4711" })).await.expect(404);
    for pin in ["1111", "1234", "987654", "123", "12345678901234", "pin!"] {
        assert_eq!(clinic.admin.put(&path, json!({ "pin": pin })).await.pointers(), ["/pin"], "{pin}");
    }
    clinic.tablet.put(&path, json!({ "pin": "4711" })).await.expect(403);
    clinic.admin.put(&path, json!({ "pin": "4711" })).await.expect(204);
    clinic.tablet.put(&path, json!({ "pin": "802613", "old_pin": "4712" })).await.expect(403);
    clinic.tablet.put(&path, json!({ "pin": "802613", "old_pin": "4711" })).await.expect(204);
    sign(&clinic, "4711", json!({})).await.expect(403);
    sign(&clinic, "802613", json!({})).await.expect(200);
    // A locked person gets another from an administrator, and may go on at once.
    for _ in 0..5 {
        sign(&clinic, "4711", json!({})).await.expect(403);
    }
    sign(&clinic, "802613", json!({})).await.expect(429);
    clinic.admin.put(&path, json!({ "pin": "60902" })).await.expect(204);
    sign(&clinic, "60902", json!({})).await.expect(200);
    // Neither what is kept nor what is told holds a PIN.
    let kept: Vec<String> = sqlx::query_scalar(
        "select to_jsonb(p)::text from staff_pin p union all select to_jsonb(s)::text from staff s
         union all select body::text from event",
    )
    .fetch_all(&pool)
    .await
    .expect("rows");
    assert!(kept.iter().any(|row| row.contains("pin_set_for_staff_id")), "{kept:?}");
    for pin in ["\"4711\"", "802613", "60902"] {
        assert!(!kept.iter().any(|row| row.contains(pin)), "{pin}: {kept:?}");
    }
}

#[sqlx::test]
async fn initials_are_one_persons_at_a_time_and_go_on_after_they_left(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T08:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    put_person(&clinic.admin, kit(), person("KV", "assistant")).await.expect(201);
    put_person(&clinic.admin, kit(), person("KV", "assistant")).await.expect(200);
    assert_eq!(put_person(&clinic.admin, id(802), person("kv", "clinician")).await.pointers(), ["/initials"]);
    let mut left = person("KV", "assistant");
    left["active_until"] = json!("2026-06-30");
    put_person(&clinic.admin, kit(), left.clone()).await.expect(200);
    let mut next = person("KV", "clinician");
    next["active_from"] = json!("2026-07-01");
    put_person(&clinic.admin, id(802), next).await.expect(201);
    // Coming back on the same days is refused as well.
    left["active_until"] = json!("2026-07-01");
    assert_eq!(put_person(&clinic.admin, kit(), left).await.pointers(), ["/initials"]);
    let all = clinic.tablet.get("/v1/staff").await.expect(200);
    assert_eq!(all["items"].as_array().expect("a list").len(), 2);
    let there = clinic.tablet.get("/v1/staff?active_on=2026-11-02").await.expect(200);
    assert_eq!(there["items"][0]["staff_id"], json!(id(802)));
    clinic.tablet.put(&format!("/v1/staff/{}", id(803)), person("MO", "engineer")).await.expect(403);
}

#[sqlx::test]
async fn a_completion_is_signed_by_the_right_pin_and_a_wrong_one_keeps_nothing(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T08:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    put_person(&clinic.admin, kit(), person("KV", "assistant")).await.expect(201);
    give_pin(&clinic.admin, kit(), "4711").await;
    let task = clinic.due_of(routine::start_flush()).await;
    let mut done = clinic.flush(821, &task, 125);
    done["pin"] = json!("4712");
    assert_eq!(clinic.tablet.post("/v1/completions", done.clone()).await.pointers(), ["/staff_id"]);
    done["staff_id"] = json!(kit());
    done.as_object_mut().expect("an object").remove("performed_by");
    refused_for(&clinic.tablet.post("/v1/completions", done.clone()).await);
    clinic.tablet.get(&format!("/v1/completions/{}", id(821))).await.expect(404);
    done["pin"] = json!("4711");
    let kept = clinic.tablet.post("/v1/completions", done.clone()).await.expect(201);
    assert_eq!(
        (&kept["performed_by"], &kept["staff_id"], &kept["signed"]),
        (&json!("KV"), &json!(kit()), &json!(true))
    );
    // A repeat asks for no PIN: not the right one, nor any.
    done["pin"] = json!("9999");
    assert_eq!(clinic.tablet.post("/v1/completions", done.clone()).await.expect(200), kept);
    done.as_object_mut().expect("an object").remove("pin");
    done["device_at"] = json!("2026-11-02T08:00:30Z");
    assert_eq!(clinic.tablet.post("/v1/completions", done.clone()).await.expect(200), kept);
    done["note"] = json!("another");
    clinic.tablet.post("/v1/completions", done).await.expect(409);
    // A tablet that was offline names the person and has no PIN.
    let mut offline = clinic.flush(822, &task, 125);
    offline["staff_id"] = json!(kit());
    let mut wrong = clinic.flush(823, &task, 125);
    (wrong["staff_id"], wrong["pin"]) = (json!(kit()), json!("4712"));
    let mut nobody = clinic.flush(824, &task, 125);
    nobody["staff_id"] = json!(id(899));
    let batch = json!({ "completions": [offline, wrong, nobody] });
    let answers = clinic.tablet.post("/v1/completions/batch", batch).await.expect(200)["answers"].clone();
    assert_eq!(answers[0]["completion"]["signed"], false);
    assert_eq!(answers[1]["problem"]["type"], "/problems/signature-refused");
    assert_eq!(answers[2]["problem"]["errors"][0]["pointer"], "/staff_id");
}

#[sqlx::test]
async fn what_is_odd_about_a_person_is_kept_and_flagged_and_changes_no_verdict(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T08:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    flush_takes_a_competence(&clinic).await;
    let task = clinic.due_of(routine::start_flush()).await;
    let post = async |n: u32, more: Value| {
        let mut done = clinic.flush(n, &task, 125);
        for (name, value) in more.as_object().expect("an object") {
            done[name] = value.clone();
        }
        let kept = clinic.tablet.post("/v1/completions", done).await.expect(201);
        assert_eq!(kept["verdict"], "passed");
        flags_of(&kept)
    };
    // A group that keeps no staff is told nothing about people.
    assert_eq!(post(831, json!({})).await, [""; 0]);
    put_person(&clinic.admin, kit(), person("KV", "assistant")).await.expect(201);
    assert_eq!(post(832, json!({ "performed_by": "ZZ" })).await, ["person_unknown"]);
    assert_eq!(post(833, json!({})).await, ["no_competence"]);
    assert_eq!(
        post(834, json!({ "staff_id": kit(), "performed_by": "ZZ" })).await,
        ["initials_differ", "no_competence"]
    );
    let waterlines = json!({ "kind": "family", "family": "waterlines" });
    hold_competence(&clinic.admin, 811, waterlines.clone(), Some("2026-11-01")).await;
    assert_eq!(post(835, json!({})).await, ["competence_expired"]);
    hold_competence(&clinic.admin, 811, waterlines, None).await;
    assert_eq!(post(836, json!({ "device_at": "2026-11-02T08:02:00Z" })).await, [""; 0]);
    assert_eq!(post(837, json!({ "device_at": "2026-11-02T07:57:59Z" })).await, ["clock_disagrees"]);

    // Who is there that day.
    put_person(&clinic.admin, id(802), person("MO", "clinic_lead")).await.expect(201);
    let there = format!("/v1/clinics/{}/presence/2026-11-02", clinic.clinic_id);
    clinic.desk.get(&there).await.expect(404);
    clinic.tablet.put(&there, json!({ "staff_ids": [] })).await.expect(403);
    assert_eq!(clinic.desk.put(&there, json!({ "staff_ids": [id(899)] })).await.pointers(), ["/staff_ids"]);
    let first = clinic.desk.put(&there, json!({ "staff_ids": [id(802)] })).await.expect(201);
    assert_eq!(clinic.desk.put(&there, json!({ "staff_ids": [id(802), id(802)] })).await.expect(200), first);
    assert_eq!(post(838, json!({})).await, ["not_on_site"]);
    let second = clinic.desk.put(&there, json!({ "staff_ids": [id(802), kit()] })).await.expect(201);
    assert_eq!((&first["number"], &second["number"]), (&json!(1), &json!(2)));
    assert_eq!(clinic.desk.get(&there).await.expect(200), second);
    assert_eq!(post(839, json!({})).await, [""; 0]);
    let late = format!("/v1/clinics/{}/presence/2026-12-02", clinic.clinic_id);
    assert_eq!(clinic.desk.put(&late, json!({ "staff_ids": [] })).await.pointers(), ["/clinic_day"]);

    let mut left = person("KV", "assistant");
    left["active_until"] = json!("2026-11-01");
    put_person(&clinic.admin, kit(), left).await.expect(200);
    assert_eq!(post(840, json!({})).await, ["person_inactive"]);
    assert_eq!(post(841, json!({ "staff_id": kit() })).await, ["person_inactive"]);
    // What was recorded before stays as it was.
    let before = clinic.tablet.get(&format!("/v1/completions/{}", id(836))).await.expect(200);
    assert_eq!((flags_of(&before).len(), &before["performed_by"]), (0, &json!("KV")));
}

#[sqlx::test]
async fn work_of_no_family_takes_a_competence_once_one_is_kept_for_its_routine(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T08:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    put_person(&clinic.admin, kit(), person("KV", "assistant")).await.expect(201);
    put_person(&clinic.admin, id(802), person("MO", "clinic_lead")).await.expect(201);
    let flags_at = async |n: u32, at_text: &str| {
        app.set(at(at_text));
        let flush = clinic.leave(at_text).await;
        flags_of(&clinic.tablet.post("/v1/completions", clinic.flush(n, &flush, 25)).await.expect(201))
    };
    assert_eq!(flags_at(831, "2026-11-02T09:00:00Z").await, [""; 0]);
    let competent = async |n: u32, who: Uuid| {
        let body = json!({ "for_what": { "kind": "routine", "routine_id": routine::turnover_flush() },
                           "valid_from": "2026-01-01", "signed_off_by": "the group's lead" });
        clinic.admin.put(&format!("/v1/staff/{who}/competences/{}", id(n)), body).await.expect(201);
    };
    // Somebody was found competent for it, and it was not this person.
    competent(811, id(802)).await;
    assert_eq!(flags_at(832, "2026-11-02T10:00:00Z").await, ["no_competence"]);
    competent(812, kit()).await;
    assert_eq!(flags_at(833, "2026-11-02T11:00:00Z").await, [""; 0]);
}

/// A clinic of six chairs, and their flushes before the first patient as they are due at an instant.
async fn six_flushes<'a>(app: &'a App, now: &str) -> (Clinic<'a>, Vec<Value>) {
    let clinic = scenario::clinic(app, "Europe/London").await;
    for n in 1..6 {
        let chair = scenario::operatory(clinic.clinic_id, &format!("Chair {n}"));
        clinic.admin.put(&format!("/v1/operatories/{}", id(210 + n)), chair).await.expect(201);
    }
    app.plan().await;
    app.set(at(now));
    let due = clinic.tablet.get(&format!("/v1/clinics/{}/due", clinic.clinic_id)).await.expect(200);
    let tasks = due["tasks"].as_array().expect("a list").iter();
    let flushes: Vec<_> = tasks.filter(|t| t["routine_id"] == json!(routine::start_flush())).cloned().collect();
    assert_eq!(flushes.len(), 6);
    (clinic, flushes)
}

#[sqlx::test]
async fn a_round_of_chairs_filled_in_at_one_go_is_a_burst_and_an_honest_offline_batch_is_none(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T07:00:00Z")).await;
    let (clinic, flushes) = six_flushes(&app, "2026-11-02T08:25:00Z").await;
    let batch = |first: u32, by: &str, apart: TimeDelta| {
        let mut performed_at = at("2026-11-02T07:35:00Z");
        let items = flushes.iter().zip(first..).map(|(task, n)| {
            let mut done = clinic.flush(n, task, 125);
            (done["performed_at"], done["performed_by"]) = (json!(performed_at), json!(by));
            performed_at += apart;
            done
        });
        json!({ "completions": items.collect::<Vec<_>>() })
    };
    // Six flushes of five minutes, seven minutes apart, that arrive at once.
    let honest = clinic.tablet.post("/v1/completions/batch", batch(851, "MO", TimeDelta::minutes(7))).await.expect(200);
    let flags = |answers: &Value| -> Vec<Vec<String>> {
        answers["answers"].as_array().expect("a list").iter().map(|a| flags_of(&a["completion"])).collect()
    };
    assert!(flags(&honest).iter().all(Vec::is_empty), "{honest}");
    // The same within two minutes and a half: it shows with the fifth, and then with each of them.
    let hasty = clinic.tablet.post("/v1/completions/batch", batch(861, "KV", TimeDelta::seconds(30))).await.expect(200);
    let counts: Vec<usize> = flags(&hasty).iter().map(Vec::len).collect();
    assert_eq!(counts, [0, 0, 0, 0, 1, 1], "{hasty}");
    assert_eq!(flags(&hasty)[4], ["burst"]);
    for n in 861..867 {
        let read = clinic.tablet.get(&format!("/v1/completions/{}", id(n))).await.expect(200);
        assert_eq!(flags_of(&read), ["burst"], "{n}");
    }
    // What is recorded now is told ten minutes later.
    assert_eq!(clinic.manager.get("/v1/exports/raised_flags").await.text, "");
    app.advance(TimeDelta::minutes(15));
    let raised = clinic.manager.get("/v1/exports/raised_flags").await.text;
    assert_eq!((raised.lines().count(), raised.matches(r#""flag":"burst""#).count()), (6, 6), "{raised}");

    // What the lead is shown, page by page and as CSV.
    let list = "/v1/entries-to-review?flag=burst&limit=1";
    let page = clinic.manager.get(list).await;
    let next = page.header("link").split(['<', '>']).nth(1).expect("a link").to_owned();
    let (one, two) = (page.expect(200), clinic.manager.get(&next).await);
    assert!(!two.header("link").is_empty(), "there are six");
    let two = two.expect(200);
    let seen = [&one["items"][0], &two["items"][0]];
    for item in seen {
        assert_eq!(
            (&item["performed_by"], &item["routine_name"]),
            (&json!("KV"), &json!("Flush before the first patient"))
        );
        assert_eq!(flags_of(item), ["burst"]);
    }
    assert_ne!(seen[0]["completion_id"], seen[1]["completion_id"]);
    let elsewhere = format!("/v1/entries-to-review?clinic_id={}", id(999));
    assert_eq!(clinic.manager.get(&elsewhere).await.expect(200)["items"], json!([]));
    assert_eq!(
        clinic.manager.get("/v1/entries-to-review?until=2026-11-02T08:25:00Z").await.expect(200)["items"],
        json!([])
    );
    clinic.manager.get("/v1/entries-to-review?from=9999-01-01T00:00:00Z").await.expect(422);
    clinic.tablet.get("/v1/entries-to-review").await.expect(403);
    let csv =
        clinic.manager.call(axum::http::Method::GET, "/v1/entries-to-review", &[("accept", "text/csv")], None).await;
    assert_eq!(csv.text.lines().count(), 7, "{}", csv.text);
    assert!(csv.text.lines().nth(1).is_some_and(|line| line.ends_with(",passed,burst")), "{}", csv.text);
}

#[sqlx::test]
async fn a_lead_is_told_which_competences_end_soon_and_who_works_without_one(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T08:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    flush_takes_a_competence(&clinic).await;
    put_person(&clinic.admin, kit(), person("KV", "assistant")).await.expect(201);
    let family = |name: &str| json!({ "kind": "family", "family": name });
    hold_competence(&clinic.admin, 811, family("release"), Some("2026-12-02")).await;
    hold_competence(&clinic.admin, 812, family("suction"), Some("2026-12-03")).await;
    hold_competence(&clinic.admin, 813, family("sterilisation"), Some("2026-11-01")).await;
    let task = clinic.due_of(routine::start_flush()).await;
    clinic.tablet.post("/v1/completions", clinic.flush(871, &task, 125)).await.expect(201);
    let told = clinic.manager.get("/v1/competences/expiring").await.expect(200);
    let ending: Vec<_> = told["ending"].as_array().expect("a list").iter().map(|c| &c["competence_id"]).collect();
    assert_eq!(ending, [&json!(id(811))]);
    let without = &told["without"][0];
    assert_eq!((&without["performed_by"], &without["completions"]), (&json!("KV"), &json!(1)));
    assert_eq!(without["routine_id"], json!(routine::start_flush()));
    let told = clinic.manager.get("/v1/competences/expiring?within_days=60").await.expect(200);
    assert_eq!(told["ending"].as_array().expect("a list").len(), 2);
    app.set(at("2026-12-04T08:00:00Z"));
    let told = clinic.manager.get("/v1/competences/expiring").await.expect(200);
    assert_eq!((&told["ending"], &told["without"]), (&json!([]), &json!([])));
    clinic.manager.get("/v1/competences/expiring?within_days=0").await.expect(400);
    clinic.tablet.get("/v1/competences/expiring").await.expect(403);
}

/// The views name no PIN, and completions gained their columns at the end.
#[sqlx::test]
async fn other_systems_read_people_and_flags_and_no_pin(pool: PgPool) {
    let columns: Vec<(String, String)> = sqlx::query_as(
        "select table_name::text, column_name::text from information_schema.columns
         where table_schema = 'reporting' order by table_name, ordinal_position",
    )
    .fetch_all(&pool)
    .await
    .expect("the catalogue");
    assert!(!columns.iter().any(|(_, column)| column.contains("pin") || column.contains("hash")), "{columns:?}");
    let of = |view: &str| columns.iter().filter(|(v, _)| v == view).map(|(_, c)| c.clone()).collect::<Vec<_>>();
    assert!(
        of("completions")
            .ends_with(&["staff_id", "signed", "flags", "device_at", "entered_at", "outcome"].map(str::to_owned))
    );
    for view in ["staff", "competences", "presence"] {
        assert!(of(view).contains(&if view == "presence" { "staff_ids" } else { "staff_id" }.to_owned()), "{view}");
    }
}
