//! Somebody is seated in a chair that is not ready by its record: the desk decides, and it is kept and shown.

use serde_json::{Value, json};
use sqlx::PgPool;

use super::{LEAD, MONDAY, kind_of, path, people, review, signature};
use crate::support::app::App;
use crate::support::scenario::{self, Clinic, routine};
use crate::support::{at, id};

async fn seat(clinic: &Clinic<'_>, at: &str) -> Value {
    let path = format!("/v1/operatories/{}/seated", clinic.chair);
    clinic.desk.post_once(&path, at, json!({ "at": at })).await.expect(201)
}

/// What was kept with a seating: what was missing, and what stood.
async fn kept(pool: &PgPool, seated: &Value) -> (Value, Value) {
    sqlx::query_as("select missing, standing from seating_mark where mark_id = $1::text::uuid")
        .bind(seated["mark_id"].as_str())
        .fetch_one(pool)
        .await
        .expect("the owner reads everything")
}

#[sqlx::test]
async fn what_was_missing_and_what_stood_is_kept_as_it_was_then_and_shown_to_the_lead(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T06:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    people(&clinic.admin).await;
    app.set(at("2026-11-02T08:05:00Z"));
    let morning = clinic.due_of(routine::start_flush()).await;
    app.set(at("2026-11-02T08:10:00Z"));
    clinic.tablet.post("/v1/completions", clinic.flush(820, &morning, 125)).await.expect(201);
    let ready = seat(&clinic, "2026-11-02T08:10:00Z").await;
    assert_eq!(ready["readiness"]["ready_by_record"], json!(true), "{ready}");
    assert_eq!(kept(&pool, &ready).await, (json!([]), json!([])));

    // A hose bursts, and somebody is seated all the same.
    app.set(at("2026-11-02T09:00:00Z"));
    let body = json!({ "subject_id": clinic.chair, "reason": "a hose burst", "begun_by": "IB" });
    clinic.tablet.put(&format!("/v1/quarantines/{}", id(870)), body).await.expect(201);
    let seated = seat(&clinic, "2026-11-02T09:00:00Z").await;
    let (missing, standing) = kept(&pool, &seated).await;
    assert_eq!((&missing, &standing), (&json!([]), &seated["readiness"]["standing"]));
    assert_eq!((&standing[0]["kind"], &standing[0]["id"]), (&json!("quarantine"), &json!(id(870))));

    // The desk tells at nine of a seating before the flush: it was not flushed then, whatever was recorded since.
    let early = seat(&clinic, "2026-11-02T08:06:00Z").await;
    assert_eq!(early["readiness"]["as_of"], "2026-11-02T08:06:00Z");
    let (missing, standing) = kept(&pool, &early).await;
    assert_eq!((&missing[0]["routine_id"], &standing), (&json!(routine::start_flush()), &json!([])));

    app.set(at("2026-11-02T18:05:00Z"));
    let seen = review(&clinic.tablet, &clinic, MONDAY).await;
    let shown: Vec<(&Value, &Value)> =
        seen["unready_seatings"].as_array().expect("a list").iter().map(|s| (&s["seated_at"], &s["lacked"])).collect();
    assert_eq!(
        shown,
        [
            (&json!("2026-11-02T08:06:00Z"), &json!(["record missing: Flush before the first patient"])),
            (&json!("2026-11-02T09:00:00Z"), &json!(["quarantine: a hose burst"])),
        ]
    );

    // A signature is under them: one that is told of meanwhile makes it another review.
    let before = signature(&seen, LEAD);
    seat(&clinic, "2026-11-02T10:00:00Z").await;
    let changed = clinic.tablet.put(&path(&clinic, MONDAY, 900), before).await;
    assert_eq!((changed.status.as_u16(), kind_of(&changed)), (409, "/problems/review-changed".to_owned()));

    // And says of each how it came to that.
    let seen = review(&clinic.tablet, &clinic, MONDAY).await;
    let gap = seen["unready_seatings"][0]["gap"].as_str().expect("a name").to_owned();
    assert_eq!(gap, format!("seated_unready:{}", early["mark_id"].as_str().expect("an id")));
    let mut short = signature(&seen, LEAD);
    short["explanations"].as_array_mut().expect("a list").retain(|words| words["gap"] != json!(gap));
    let refused = clinic.tablet.put(&path(&clinic, MONDAY, 900), short).await;
    assert_eq!((refused.status.as_u16(), kind_of(&refused)), (409, "/problems/gaps-unexplained".to_owned()));
    assert!(refused.text.contains(&format!("explanation missing: {gap}, somebody was seated at")), "{}", refused.text);
    clinic.tablet.put(&path(&clinic, MONDAY, 900), signature(&seen, LEAD)).await.expect(201);
    let signed = review(&clinic.tablet, &clinic, MONDAY).await;
    assert_eq!(signed["unready_seatings"][0]["explanation"]["given_by"], "sign_off");
    assert_eq!(signed["state"], "signed");
    let explained: i64 = sqlx::query_scalar(
        "select count(*) from day_sign_off s cross join lateral jsonb_array_elements(s.explanations) e
         where e ->> 'kind' = 'seated_unready' and e ->> 'task_id' is null",
    )
    .fetch_one(&pool)
    .await
    .expect("the owner reads everything");
    assert_eq!(explained, 3);

    let told = clinic.manager.get("/v1/exports/seatings?limit=10").await.text;
    let rows: Vec<Value> = told.lines().map(|line| serde_json::from_str(line).expect("JSON")).collect();
    let row = rows.iter().find(|row| row["mark_id"] == seated["mark_id"]).expect("the seating");
    assert_eq!(row["standing"][0]["reason"], "a hose burst");
}
