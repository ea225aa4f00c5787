//! What comes after a signature: gaps that nobody explained, and words that its signer did not see.

use serde_json::{Value, json};
use sqlx::PgPool;

use super::{GROUP_LEAD, LEAD, MONDAY, gaps, kind_of, monday_evening, path, people, review, signature, unsigned};
use crate::support::app::App;
use crate::support::scenario::{self, routine};
use crate::support::{at, id};

/// At 18:05 the line disinfection is due and no gap. It is missed at 04:00, ten hours after closing; the spore test, which
/// was explained as missing, is missed on Saturday, five days after it was due.
#[sqlx::test]
async fn work_that_was_open_as_the_day_was_signed_and_is_then_missed_makes_the_day_ask_again(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T06:00:00Z")).await;
    let clinic = monday_evening(&app).await;
    let seen = review(&clinic.tablet, &clinic, MONDAY).await;
    assert_eq!(gaps(&seen).len(), 2, "the disinfection is none of them");
    clinic.tablet.put(&path(&clinic, MONDAY, 900), signature(&seen, LEAD)).await.expect(201);
    let state = async || review(&clinic.manager, &clinic, MONDAY).await["state"].as_str().expect("a state").to_owned();
    assert_eq!(state().await, "signed");
    for (instant, expected) in [
        ("2026-11-03T00:00:00Z", "signed_with_later_gaps"), // in its grace, and nobody said why
        ("2026-11-03T03:59:59Z", "signed_with_later_gaps"),
    ] {
        app.set(at(instant));
        app.plan().await;
        assert_eq!((state().await.as_str(), unsigned(&clinic.manager).await), (expected, vec![]), "{instant}");
    }
    // Planned at midnight, and again as the work is missed.
    app.set(at("2026-11-03T04:00:00Z"));
    app.plan().await;
    let told = |level: u64, audience: &str| vec![(MONDAY.to_owned(), level, audience.to_owned())];
    let later = review(&clinic.manager, &clinic, MONDAY).await;
    assert_eq!((&later["overdue_at"], &later["level"]), (&json!("2026-11-03T08:30:00Z"), &json!(0)));
    for (instant, expected) in [
        ("2026-11-03T08:29:59Z", vec![]),
        ("2026-11-03T08:30:00Z", told(1, "chairside")),
        ("2026-11-03T09:30:00Z", told(2, "clinic_lead")),
    ] {
        app.set(at(instant));
        app.plan().await;
        assert_eq!(unsigned(&clinic.manager).await, expected, "{instant}");
    }
    let level: Vec<(i32, bool)> = sqlx::query_as(
        "select level, unsigned_since = '2026-11-03T04:00Z' and reopened_at = unsigned_since from reporting.day_sign_offs
         where clinic_day = '2026-11-02'",
    )
    .fetch_all(&mut *as_service(&pool, "2026-11-03T09:30:00Z").await)
    .await
    .expect("readable");
    assert_eq!(level, [(2, true)]);

    let later = review(&clinic.tablet, &clinic, MONDAY).await;
    assert_eq!(later["state"], "signed_with_later_gaps");
    let without_words = json!({ "review_digest": later["review_digest"],
                                "signature": signature(&later, LEAD)["signature"] });
    let refused = clinic.tablet.put(&path(&clinic, MONDAY, 901), without_words).await;
    assert_eq!(kind_of(&refused), "/problems/gaps-unexplained");
    clinic.tablet.put(&path(&clinic, MONDAY, 901), signature(&later, GROUP_LEAD)).await.expect(201);
    assert_eq!((state().await.as_str(), unsigned(&clinic.manager).await), ("signed", vec![]));
    app.plan().await;
    assert_eq!(unsigned(&clinic.manager).await, []);

    // What was explained as not recorded yet is another gap once it is missed.
    app.set(at("2026-11-07T08:30:00Z"));
    app.plan().await;
    assert_eq!(state().await, "signed_with_later_gaps");
    app.set(at("2026-11-09T08:30:00Z"));
    app.plan().await;
    assert!(unsigned(&clinic.manager).await.iter().any(|(day, ..)| day == MONDAY));
}

/// A connection that reads the views as the service does, at an instant.
async fn as_service(pool: &PgPool, instant: &str) -> sqlx::Transaction<'static, sqlx::Postgres> {
    let mut tx = chairtide::store::begin(pool, id(1)).await.expect("begun");
    sqlx::query("select set_config('chairtide.as_of', $1, true)").bind(instant).execute(&mut *tx).await.expect("set");
    tx
}

#[sqlx::test]
async fn work_that_was_missed_with_a_reason_told_leaves_the_signature_as_it_is(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T06:00:00Z")).await;
    let clinic = monday_evening(&app).await;
    let seen = review(&clinic.tablet, &clinic, MONDAY).await;
    clinic.tablet.put(&path(&clinic, MONDAY, 900), signature(&seen, LEAD)).await.expect(201);
    app.set(at("2026-11-03T04:00:00Z"));
    let gap = review(&clinic.manager, &clinic, MONDAY).await["gaps"].as_array().expect("gaps").last().cloned();
    let task = gap.expect("the disinfection")["task_id"].as_str().expect("an id").to_owned();
    let reason = json!({ "code": "too_few_people", "reason": "nobody stayed", "told_by": "KV" });
    clinic.tablet.put(&format!("/v1/tasks/{task}/miss-reason"), reason).await.expect(201);
    app.plan().await;
    assert_eq!(review(&clinic.manager, &clinic, MONDAY).await["state"], "signed");
    app.set(at("2026-11-03T17:00:00Z"));
    assert_eq!(unsigned(&clinic.manager).await, []);
}

#[sqlx::test]
async fn words_and_quarantines_that_the_signer_did_not_see_make_the_review_another(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T06:00:00Z")).await;
    let clinic = monday_evening(&app).await;
    let first = review(&clinic.tablet, &clinic, MONDAY).await;
    let missed = first["gaps"].as_array().expect("gaps").iter().find(|gap| gap["kind"] == "missed").expect("the flush");
    let path_of_reason = format!("/v1/tasks/{}/miss-reason", missed["task_id"].as_str().expect("an id"));
    let mut seen = vec![first.clone()];
    for reason in ["the pump was slow", "treated all the same"] {
        let body = json!({ "code": "other", "reason": reason, "told_by": "KV" });
        clinic.tablet.put(&path_of_reason, body).await.expect(201);
        seen.push(review(&clinic.tablet, &clinic, MONDAY).await);
    }
    let out = json!({ "subject_id": clinic.chair, "reason": "a hose drips", "begun_by": "KV" });
    clinic.tablet.put(&format!("/v1/quarantines/{}", id(930)), out).await.expect(201);
    for old in &seen {
        let refused = clinic.tablet.put(&path(&clinic, MONDAY, 900), signature(old, LEAD)).await;
        assert_eq!(kind_of(&refused), "/problems/review-changed");
    }
    let now = review(&clinic.tablet, &clinic, MONDAY).await;
    let signed = clinic.tablet.put(&path(&clinic, MONDAY, 900), signature(&now, LEAD)).await.expect(201);
    let words =
        json!([{ "gap": missed["gap"], "words": "treated all the same", "given_by": "record", "person": "KV" }]);
    assert_eq!(signed["words_seen"], words);
}

#[sqlx::test]
async fn many_gaps_of_one_reason_are_explained_at_once(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T06:00:00Z")).await;
    let clinic = monday_evening(&app).await;
    let seen = review(&clinic.tablet, &clinic, MONDAY).await;
    let names: Vec<&Value> = seen["gaps"].as_array().expect("gaps").iter().map(|gap| &gap["gap"]).collect();
    let with = |single: Value, many: Value| {
        json!({ "review_digest": seen["review_digest"], "explanations": single, "explanations_of_many": many,
                "signature": signature(&seen, LEAD)["signature"] })
    };
    let storm = json!([{ "gaps": names, "words": "the street was flooded" }]);
    let here = path(&clinic, MONDAY, 900);
    let one = json!([{ "gap": names[0], "words": "x" }]);
    let made_up: Vec<String> = (0..5_000).map(|n| format!("missed:{}", id(n))).collect();
    for (body, pointer) in [
        (with(one, storm.clone()), "/explanations_of_many/0/gaps/0"),
        (with(json!([]), json!([{ "gaps": [], "words": "x" }])), "/explanations_of_many/0/gaps"),
        (with(json!([]), json!([{ "gaps": ["x"], "words": "x" }])), "/explanations_of_many/0/gaps/0"),
        (
            with(json!([{ "gap": names[0], "words": "x" }]), json!([{ "gaps": made_up, "words": "x" }])),
            "/explanations_of_many",
        ),
    ] {
        let refused = clinic.tablet.put(&here, body).await;
        assert_eq!((refused.status.as_u16(), refused.pointers()), (422, vec![pointer.to_owned()]));
    }
    let signed = clinic.tablet.put(&here, with(json!([]), storm.clone())).await.expect(201);
    assert_eq!(signed["explanations"].as_array().map(Vec::len), Some(2));
    assert_eq!(clinic.tablet.put(&here, with(json!([]), storm)).await.expect(200), signed);
    assert!(gaps(&review(&clinic.tablet, &clinic, MONDAY).await).iter().all(|(_, lacks_words)| !lacks_words));
}

/// Since when Monday asks again; `None`: it does not.
async fn reopened_at(pool: &PgPool) -> Option<String> {
    let sql =
        "select to_char(reopened_at at time zone 'UTC', 'YYYY-MM-DD HH24:MI') from day_to_sign where clinic_day = $1";
    let monday: chrono::NaiveDate = MONDAY.parse().expect("a date");
    sqlx::query_scalar(sql).bind(monday).fetch_one(pool).await.expect("a row")
}

/// Signed at 18:05; planned again at midnight, before the disinfection of that evening counts as missed.
#[sqlx::test]
async fn what_is_entered_late_after_the_signature_makes_the_day_ask_again_unless_words_came_with_it(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T06:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    people(&clinic.admin).await;
    app.set(at("2026-11-02T08:20:00Z"));
    let flush = clinic.due_of(routine::start_flush()).await;
    let mut offline = clinic.flush(821, &flush, 125);
    offline["reason"] = json!("the tablet had no network until the evening");
    app.set(at("2026-11-02T18:05:00Z"));
    let seen = review(&clinic.tablet, &clinic, MONDAY).await;
    clinic.tablet.put(&path(&clinic, MONDAY, 900), signature(&seen, LEAD)).await.expect(201);
    app.set(at("2026-11-02T20:00:00Z"));
    clinic.tablet.post("/v1/completions", offline.clone()).await.expect(201);
    let later = review(&clinic.manager, &clinic, MONDAY).await;
    let late = &later["gaps"][0];
    assert_eq!((&late["kind"], &late["task_id"]), (&json!("entered_late"), &flush["task_id"]));
    let words = json!({ "words": offline["reason"], "given_by": "record", "person": offline["performed_by"] });
    assert_eq!(late["explanation"], words);
    app.set(at("2026-11-03T00:00:00Z"));
    app.plan().await;
    assert_eq!(reopened_at(&pool).await, None);
}

#[sqlx::test]
async fn a_late_entry_or_a_seating_that_nobody_explained_makes_a_signed_day_ask_again(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T06:00:00Z")).await;
    for what in ["entry", "seating"] {
        app.set(at("2026-11-02T06:00:00Z"));
        let n = if what == "entry" { 1 } else { 2 };
        let clinic = scenario::clinic_of(&app, app.group(id(n)).await, "Europe/London", 0).await;
        people(&clinic.admin).await;
        app.set(at("2026-11-02T08:20:00Z"));
        let offline = clinic.flush(821, &clinic.due_of(routine::start_flush()).await, 125);
        app.set(at("2026-11-02T18:05:00Z"));
        let seen = review(&clinic.tablet, &clinic, MONDAY).await;
        clinic.tablet.put(&path(&clinic, MONDAY, 900), signature(&seen, LEAD)).await.expect(201);
        app.set(at("2026-11-02T20:00:00Z"));
        if what == "entry" {
            clinic.tablet.post("/v1/completions", offline).await.expect(201);
        } else {
            let path = format!("/v1/operatories/{}/seated", clinic.chair);
            clinic.desk.post_once(&path, what, json!({ "at": "2026-11-02T08:30:00Z" })).await.expect(201);
        }
        let later = review(&clinic.manager, &clinic, MONDAY).await;
        assert_eq!(later["state"], "signed_with_later_gaps", "{what}");
        app.set(at("2026-11-03T00:00:00Z"));
        app.plan().await;
        let asks: bool = sqlx::query_scalar(
            "select reopened_at is not null from day_to_sign where group_id = $1 and clinic_day = '2026-11-02'",
        )
        .bind(id(n))
        .fetch_one(&pool)
        .await
        .expect("a row");
        assert!(asks, "{what}");
        let later = review(&clinic.tablet, &clinic, MONDAY).await;
        clinic.tablet.put(&path(&clinic, MONDAY, 901), signature(&later, GROUP_LEAD)).await.expect(201);
        app.plan().await;
        let later = review(&clinic.tablet, &clinic, MONDAY).await;
        assert_eq!(later["state"], "signed", "{what}");
    }
}
