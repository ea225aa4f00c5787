//! What a person was trained for, as evidence: every state is kept, sealed where it concerns somebody, and held against what
//! stands.

use axum::http::Method;
use chairtide::jobs::sealer;
use serde_json::{Value, json};
use sqlx::{AssertSqlSafe, PgPool};
use uuid::Uuid;

use super::{give_pin, kit, person, put_person, refused_for};
use crate::support::app::{App, Client};
use crate::support::scenario::{self, Clinic};
use crate::support::{at, id};

const PIN: &str = "80264";

fn held(valid_until: Option<&str>) -> Value {
    let mut held = json!({ "for_what": { "kind": "family", "family": "waterlines" }, "valid_from": "2026-01-05",
                           "signed_off_by": "MO" });
    if let Some(until) = valid_until {
        held["valid_until"] = json!(until);
    }
    held
}

fn competence_path() -> String {
    format!("/v1/staff/{}/competences/{}", kit(), id(811))
}

/// How the register's entries of a kind changed: the number, what it says and at which clinics it is sealed.
async fn marks(pool: &PgPool, table: &str, says: &str) -> Vec<(i32, String, Vec<Uuid>)> {
    let sql = format!(
        "select number, {says}::text, of_clinics from {table} where group_id = $1 order by recorded_at, number"
    );
    sqlx::query_as(AssertSqlSafe(sql)).bind(id(1)).fetch_all(pool).await.expect("marks")
}

async fn second_clinic(admin: &Client<'_>) -> Uuid {
    let clinic = json!({ "name": "Second", "zone": "Europe/London", "address": "", "jurisdiction": "GB" });
    admin.put(&format!("/v1/clinics/{}", id(190)), clinic).await.expect(201);
    id(190)
}

#[sqlx::test]
async fn each_state_is_kept_once_and_told_to_each_clinic_that_it_concerns(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T08:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let (admin, first) = (&clinic.admin, clinic.clinic_id);
    let second = second_clinic(admin).await;
    let works_at = |clinic_ids: &[Uuid]| {
        let mut body = person("KV", "assistant");
        body["clinic_ids"] = json!(clinic_ids);
        body
    };
    put_person(admin, kit(), works_at(&[first])).await.expect(201);
    admin.put(&competence_path(), held(None)).await.expect(201);
    let one = |says: &str| vec![(1, says.to_owned(), vec![first])];
    assert_eq!(marks(&pool, "staff_mark", "cardinality(clinic_ids)").await, one("1"));
    assert_eq!(marks(&pool, "competence_mark", "coalesce(valid_until::text, 'open')").await, one("open"));
    // A repeat and a trial leave none.
    put_person(admin, kit(), works_at(&[first])).await.expect(200);
    admin.put(&competence_path(), held(None)).await.expect(200);
    admin.put(&format!("{}?preview=true", competence_path()), held(Some("2026-12-31"))).await.expect(200);
    assert_eq!(marks(&pool, "competence_mark", "coalesce(valid_until::text, 'open')").await, one("open"));
    app.set(at("2026-11-02T08:01:00Z"));
    admin.put(&competence_path(), held(Some("2026-12-31"))).await.expect(200);
    // Moved: the clinic that they leave is told, and the one they come to is told of the competence too.
    app.set(at("2026-11-02T08:02:00Z"));
    put_person(admin, kit(), works_at(&[second])).await.expect(200);
    let told = marks(&pool, "staff_mark", "clinic_ids[1]").await;
    assert_eq!(told[1..], [(2, second.to_string(), vec![first, second])]);
    let told = marks(&pool, "competence_mark", "coalesce(valid_until::text, 'open')").await;
    let expected = [(2, "2026-12-31".to_owned(), vec![first]), (3, "2026-12-31".to_owned(), vec![second])];
    assert_eq!(told[1..], expected);
}

#[sqlx::test]
async fn a_new_clinic_is_told_of_those_who_work_everywhere_and_of_nobody_else(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T08:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    put_person(&clinic.admin, kit(), person("KV", "assistant")).await.expect(201);
    clinic.admin.put(&competence_path(), held(None)).await.expect(201);
    let mut elsewhere = person("NB", "assistant");
    elsewhere["clinic_ids"] = json!([clinic.clinic_id]);
    put_person(&clinic.admin, id(803), elsewhere).await.expect(201);
    app.set(at("2026-11-02T08:01:00Z"));
    let second = second_clinic(&clinic.admin).await;
    let told_there = |marks: Vec<(i32, String, Vec<Uuid>)>| -> Vec<(i32, String)> {
        marks.into_iter().filter(|(.., of)| *of == [second]).map(|(number, says, _)| (number, says)).collect()
    };
    assert_eq!(told_there(marks(&pool, "staff_mark", "initials").await), [(2, "KV".to_owned())]);
    assert_eq!(told_there(marks(&pool, "competence_mark", "family").await), [(2, "waterlines".to_owned())]);
    // Its first seal holds them, and finds nothing that was not there.
    app.set(at("2026-11-04T12:00:00Z"));
    let report = sealer::tick(&pool, &app.clock).await.expect("it ticks");
    assert_eq!((report.failed, report.found), (0, 0));
    let sealed: Vec<String> =
        sqlx::query_scalar("select kind from seal_leaf where clinic_id = $1 and kind like '%_mark' order by kind")
            .bind(second)
            .fetch_all(&pool)
            .await
            .expect("leaves");
    assert_eq!(sealed, ["competence_mark", "staff_mark"]);
}

#[sqlx::test]
async fn an_instrument_that_moves_is_told_of_at_both_clinics(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T08:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let second = second_clinic(&clinic.admin).await;
    let path = format!("/v1/instruments/{}", id(820));
    let gauge = |clinic_id: Uuid| json!({ "clinic_id": clinic_id, "name": "Gauge 1" });
    clinic.admin.put(&path, gauge(clinic.clinic_id)).await.expect(201);
    clinic.admin.put(&path, gauge(clinic.clinic_id)).await.expect(200);
    clinic.admin.put(&path, gauge(second)).await.expect(200);
    let expected = [
        (1, clinic.clinic_id.to_string(), vec![clinic.clinic_id]),
        (2, second.to_string(), vec![clinic.clinic_id, second]),
    ];
    assert_eq!(marks(&pool, "instrument_mark", "clinic_id").await, expected);
}

async fn findings(clinic: &Clinic<'_>) -> Vec<Value> {
    let path = format!("/v1/clinics/{}/verification", clinic.clinic_id);
    clinic.manager.get(&path).await.expect(200)["findings"].as_array().expect("a list").clone()
}

#[sqlx::test]
async fn an_owners_edit_of_how_somebody_stands_is_named_by_the_verify_call_and_by_the_nightly_loop(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T08:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    put_person(&clinic.admin, kit(), person("KV", "assistant")).await.expect(201);
    clinic.admin.put(&competence_path(), held(Some("2026-10-31"))).await.expect(201);
    let gauge = json!({ "clinic_id": clinic.clinic_id, "name": "Gauge 1", "calibrated_on": "2024-01-05",
                        "calibration_ends_on": "2025-01-05" });
    clinic.admin.put(&format!("/v1/instruments/{}", id(820)), gauge).await.expect(201);
    assert_eq!(findings(&clinic).await, [json!(null); 0]);
    let stands =
        |kind: &str, id: String| json!({ "finding": "standing_changed", "record": { "kind": kind, "id": id } });
    let competence = stands("competence", format!("{}/{}", kit(), id(811)));
    // Each with its way back.
    for (edit, back, expected) in [
        (
            "update staff set role = 'clinic_lead' where staff_id = $1",
            "update staff set role = 'assistant' where staff_id = $1",
            stands("staff", kit().to_string()),
        ),
        (
            "update competence set valid_until = '2027-10-31' where staff_id = $1",
            "update competence set valid_until = '2026-10-31' where staff_id = $1",
            competence.clone(),
        ),
        (
            "with kept as (delete from competence_mark where staff_id = $1 returning *) select from kept",
            "insert into competence_mark select group_id, staff_id, competence_id, 1, routine_id, family, valid_from,
                 valid_until, signed_off_by, signed_by_staff_id, note, array(select clinic_id from clinic), created_at, null
             from competence where staff_id = $1",
            competence.clone(),
        ),
        // A mark that no seal holds vouches for nothing.
        (
            "with edited as (update competence set valid_until = '2027-10-31' where staff_id = $1 returning *)
             insert into competence_mark select group_id, staff_id, competence_id, 2, routine_id, family, valid_from,
                 valid_until, signed_off_by, signed_by_staff_id, note, '{}', created_at, null
             from edited",
            "with gone as (delete from competence_mark where staff_id = $1 and number = 2 returning staff_id)
             update competence c set valid_until = '2026-10-31' from gone where c.staff_id = gone.staff_id",
            competence.clone(),
        ),
        (
            "insert into competence select group_id, staff_id, '00000000-0000-0000-0000-000000000001', routine_id, 'release',
                 valid_from, null, signed_off_by, note, created_at, null from competence where staff_id = $1",
            "delete from competence where staff_id = $1 and family = 'release'",
            stands("competence", format!("{}/00000000-0000-0000-0000-000000000001", kit())),
        ),
        (
            "update instrument set calibration_ends_on = '2027-01-05' where $1::uuid is not null",
            "update instrument set calibration_ends_on = '2025-01-05' where $1::uuid is not null",
            stands("instrument", id(820).to_string()),
        ),
    ] {
        sqlx::query(edit).bind(kit()).execute(&pool).await.expect(edit);
        assert_eq!(findings(&clinic).await, [expected], "{edit}");
        sqlx::query(back).bind(kit()).execute(&pool).await.expect(back);
        assert_eq!(findings(&clinic).await, [json!(null); 0], "{back}");
    }
    sqlx::query("update competence set note = 'x' where staff_id = $1")
        .bind(kit())
        .execute(&pool)
        .await
        .expect("edited");
    app.set(at("2026-11-04T12:00:00Z"));
    let report = sealer::tick(&pool, &app.clock).await.expect("it ticks");
    assert_eq!((report.failed, report.found), (0, 1));
    let listed = clinic.manager.get("/v1/seal-findings").await.expect(200);
    assert_eq!(listed["items"][0]["finding"], competence);
}

/// What stood before states were kept comes into the next seal, so that an edit of it together with its mark is found.
#[sqlx::test]
async fn what_stood_before_there_were_marks_is_sealed_with_the_next_day(pool: PgPool) {
    const SEALS_THEM: &str = include_str!("../../migrations/0055_first_marks_sealed.sql");
    let app = App::new(pool.clone(), at("2026-11-02T08:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    put_person(&clinic.admin, kit(), person("KV", "assistant")).await.expect(201);
    clinic.admin.put(&competence_path(), held(Some("2026-10-31"))).await.expect(201);
    let gauge = json!({ "clinic_id": clinic.clinic_id, "name": "Gauge 1" });
    clinic.admin.put(&format!("/v1/instruments/{}", id(820)), gauge).await.expect(201);
    let tables = ["staff_mark", "competence_mark", "instrument_mark"];
    // As a database had them that was older than marks.
    for table in tables {
        let sql = format!("update {table} set number = 0, of_clinics = '{{}}', key_id = null");
        sqlx::query(AssertSqlSafe(sql)).execute(&pool).await.expect("made old");
    }
    app.set(at("2026-11-04T12:00:00Z"));
    sealer::tick(&pool, &app.clock).await.expect("it ticks");
    sqlx::raw_sql(SEALS_THEM).execute(&pool).await.expect("migrated");
    let marked = marks(&pool, "competence_mark", "valid_until").await;
    assert_eq!(marked, [(0, "2026-10-31".to_owned(), vec![clinic.clinic_id])]);
    assert_eq!(findings(&clinic).await, [json!(null); 0]);
    app.set(at("2026-11-05T12:00:00Z"));
    let report = sealer::tick(&pool, &app.clock).await.expect("it ticks");
    assert_eq!((report.failed, report.found), (0, 0));
    let sealed: Vec<String> =
        sqlx::query_scalar("select kind from seal_leaf where kind like '%_mark' and id like '%/0' order by kind")
            .fetch_all(&pool)
            .await
            .expect("leaves");
    assert_eq!(sealed, ["competence_mark", "instrument_mark", "staff_mark"]);
    for sql in
        ["update competence set valid_until = '2027-10-31'", "update competence_mark set valid_until = '2027-10-31'"]
    {
        sqlx::query(sql).execute(&pool).await.expect("edited");
    }
    let found = findings(&clinic).await;
    assert_eq!((found.len(), &found[0]["finding"]), (1, &json!("record_changed")), "{found:?}");
}

#[sqlx::test]
async fn a_lead_signs_for_a_competence_with_their_pin_and_nobody_for_their_own(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T08:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let admin = &clinic.admin;
    for (staff_id, initials, role) in
        [(kit(), "KV", "clinic_lead"), (id(802), "MO", "clinic_lead"), (id(803), "NB", "assistant")]
    {
        put_person(admin, staff_id, person(initials, role)).await.expect(201);
        give_pin(admin, staff_id, PIN).await;
    }
    let mut elsewhere = person("PQ", "group_lead");
    elsewhere["clinic_ids"] = json!([second_clinic(admin).await]);
    put_person(admin, id(804), elsewhere).await.expect(201);
    give_pin(admin, id(804), PIN).await;
    let mut here = person("KV", "clinic_lead");
    here["clinic_ids"] = json!([clinic.clinic_id]);
    put_person(admin, kit(), here).await.expect(200);

    let signed = |staff_id: Uuid, pin: &str| {
        let mut body = held(None);
        body.as_object_mut().expect("an object").remove("signed_off_by");
        body["signature"] = json!({ "staff_id": staff_id, "pin": pin });
        body
    };
    for (body, words) in [
        (signed(kit(), PIN), "nobody signs for what they were trained for themselves"),
        (signed(id(803), PIN), "NB is assistant; this takes clinic_lead or group_lead"),
        (signed(id(804), PIN), "PQ does not work at this clinic"),
        (signed(id(802), "99999"), "the person is unknown here, has no PIN, or the PIN is wrong"),
    ] {
        assert_eq!(refused_for(&admin.put(&competence_path(), body).await), words);
    }
    let mut both = signed(id(802), PIN);
    both["signed_off_by"] = json!("MO");
    let mut neither = held(None);
    neither.as_object_mut().expect("an object").remove("signed_off_by");
    for body in [both, neither] {
        assert_eq!(admin.put(&competence_path(), body).await.pointers(), ["/signed_off_by"]);
    }
    assert_eq!(marks(&pool, "competence_mark", "note").await, []);
    // A key that may not keep the register learns nothing of PINs.
    let tablet = clinic.tablet.ask(Method::PUT, &competence_path(), &[], Some(&signed(id(802), "99999"))).await;
    assert_eq!(tablet.expect(403)["type"], "/problems/role-may-not");

    let answer = admin.put(&competence_path(), signed(id(802), PIN)).await.expect(201);
    assert_eq!((&answer["signed_off_by"], &answer["signed_by_staff_id"]), (&json!("Person MO"), &json!(id(802))));
    admin.put(&competence_path(), signed(id(802), PIN)).await.expect(200);
    app.set(at("2026-11-02T08:01:00Z"));
    let told = admin.put(&competence_path(), held(Some("2026-12-31"))).await.expect(200);
    assert_eq!(told["signed_by_staff_id"], json!(null), "what is sent without a signature counts as told");
    let states = marks(&pool, "competence_mark", "coalesce(signed_by_staff_id::text, 'told')").await;
    let states: Vec<(i32, &str)> = states.iter().map(|(number, says, _)| (*number, says.as_str())).collect();
    assert_eq!(states, [(1, id(802).to_string().as_str()), (2, "told")]);
}
