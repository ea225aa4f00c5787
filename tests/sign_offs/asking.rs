//! Which days ask for a signature, after hours, ladder and closures changed.

use serde_json::json;
use sqlx::PgPool;

use super::{LEAD, MONDAY, monday_evening, path, people, review, signature, unsigned};
use crate::support::app::App;
use crate::support::scenario;
use crate::support::{at, id};

#[sqlx::test]
async fn a_closure_entered_days_after_an_unsigned_day_moves_the_opening_it_waits_for(pool: PgPool) {
    let app = App::new(pool, at("2026-11-06T06:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    // Sunday noon: Friday is older than yesterday.
    app.set(at("2026-11-08T12:00:00Z"));
    app.plan().await;
    let monday = json!({ "from_local": "2026-11-09T00:00", "until_local": "2026-11-10T00:00", "reason": "painters" });
    clinic.admin.put(&format!("/v1/clinics/{}/closures/{}", clinic.clinic_id, id(5)), monday).await.expect(201);
    app.plan().await;
    for (instant, expected) in [("2026-11-09T12:00:00Z", 0), ("2026-11-10T08:29:59Z", 0), ("2026-11-10T08:30:00Z", 1)] {
        app.set(at(instant));
        app.plan().await;
        let list = unsigned(&clinic.manager).await;
        assert_eq!(list.len(), expected, "{instant}: {list:?}");
    }
}

#[sqlx::test]
async fn a_ladder_that_tells_another_audience_at_the_same_minutes_is_followed(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T06:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let rung = |audience: &str| json!({ "rungs": [{ "after_minutes": 0, "counted_in": "elapsed_time", "audience": audience }] });
    for (audience, status) in [("chairside", 201), ("group_manager", 200)] {
        clinic.admin.put("/v1/ladder", rung(audience)).await.expect(status);
        app.plan().await;
    }
    app.set(at("2026-11-03T08:30:00Z"));
    assert_eq!(unsigned(&clinic.manager).await, [(MONDAY.to_owned(), 1, "group_manager".to_owned())]);
}

/// What the race leaves: the day's row was written while the signature under it was not committed yet.
#[sqlx::test]
async fn a_day_that_was_signed_as_its_row_was_written_is_signed(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T06:00:00Z")).await;
    let clinic = monday_evening(&app).await;
    let seen = review(&clinic.tablet, &clinic, MONDAY).await;
    clinic.tablet.put(&path(&clinic, MONDAY, 900), signature(&seen, LEAD)).await.expect(201);
    sqlx::query("update day_to_sign set signed_at = null where clinic_day = '2026-11-02'")
        .execute(&pool)
        .await
        .expect("the owner may");
    app.set(at("2026-11-03T00:00:00Z"));
    app.plan().await;
    app.set(at("2026-11-03T08:30:00Z"));
    assert_eq!(review(&clinic.manager, &clinic, MONDAY).await["level"], json!(0));
    let signed: Vec<bool> = sqlx::query_scalar(
        "select signed_at = '2026-11-02T18:05Z' or reopened_at is not null from day_to_sign where clinic_day = '2026-11-02'",
    )
    .fetch_all(&pool)
    .await
    .expect("rows");
    assert_eq!(signed, [true]);
}

/// It snowed on Monday and nobody came; the closure is entered on Tuesday. On the other Monday somebody had come.
#[sqlx::test]
async fn a_day_that_is_entered_as_closed_afterwards_asks_no_more_unless_something_was_recorded(pool: PgPool) {
    for somebody_came in [false, true] {
        let app = App::new(pool.clone(), at("2026-11-02T06:00:00Z")).await;
        let clinic = if somebody_came {
            let admin = app.group(id(2)).await;
            let clinic = scenario::configure(admin, "Europe/London", 1).await;
            app.plan().await;
            app.set(at("2026-11-02T08:30:00Z"));
            clinic.desk.post(&format!("/v1/clinics/{}/day-start", clinic.clinic_id), json!({})).await.expect(201);
            clinic
        } else {
            let clinic = scenario::clinic(&app, "Europe/London").await;
            people(&clinic.admin).await;
            clinic
        };
        app.set(at("2026-11-03T09:00:00Z"));
        app.plan().await;
        assert_eq!(unsigned(&clinic.manager).await.len(), 1);
        let snow = json!({ "from_local": "2026-11-02T00:00", "until_local": "2026-11-03T00:00", "reason": "snow" });
        clinic.admin.put(&format!("/v1/clinics/{}/closures/{}", clinic.clinic_id, id(5)), snow).await.expect(201);
        app.plan().await;
        assert_eq!(unsigned(&clinic.manager).await.len(), usize::from(somebody_came));
    }
}
