//! Plans that reach over months: what was decided for a period stays decided, whatever a look does not load.

use std::collections::BTreeMap;

use serde_json::{Value, json};
use sqlx::PgPool;
use uuid::Uuid;

use crate::support::app::App;
use crate::support::scenario;
use crate::support::{at, id};

fn period(each: &str, minutes: u32) -> Value {
    json!({
        "name": "Change the filter", "subject_kind": "operatory",
        "anchor": { "kind": "period", "each": each, "spread": true },
        "steps": [{ "key": "change", "instruction": "Change it.", "evidence": { "kind": "confirmation" } }],
        "sources": [{ "title": "common practice", "edition": "none", "seen": "common_practice" }],
        "rough_minutes": minutes,
    })
}

/// When the open tasks of a routine are due, by subject and slot.
async fn due(pool: &PgPool, routine_id: Uuid) -> BTreeMap<(Uuid, String), String> {
    let rows: Vec<(Uuid, String, String)> = sqlx::query_as(
        "select subject_id, slot, due_by::text from task
         where group_id = $1 and routine_id = $2 and outcome is null",
    )
    .bind(id(1))
    .bind(routine_id)
    .fetch_all(pool)
    .await
    .expect("the owner reads everything");
    rows.into_iter().map(|(subject_id, slot, due_by)| ((subject_id, slot), due_by)).collect()
}

/// Levelling a year weighs all of its days: those that were marked full in spring, and the routines as they were then.
#[sqlx::test]
async fn the_day_chosen_for_a_year_s_work_does_not_wander_as_the_year_goes_by(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-01-05T07:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    for number in 210..216 {
        let chair = scenario::operatory(clinic.clinic_id, &format!("Chair {number}"));
        clinic.admin.put(&format!("/v1/operatories/{}", id(number)), chair).await.expect(201);
    }
    let yearly = json!({ "effective_on": "2026-01-05", "routine": period("year", 30) });
    clinic.admin.put(&format!("/v1/routines/{}", id(510)), yearly).await.expect(201);
    app.plan().await;
    // Each chair's first choice is taken from it, and from summer on another routine takes ten times as long.
    for due_by in due(&pool, id(510)).await.values() {
        let full = format!("/v1/clinics/{}/full-days/{}", clinic.clinic_id, &due_by[..10]);
        clinic.admin.put(&full, json!({})).await.expect(201);
    }
    let (flush, mut content) = scenario::routines().remove(0);
    content["rough_minutes"] = json!(50);
    let version = json!({ "effective_on": "2026-06-01", "routine": content });
    clinic.admin.put(&format!("/v1/routines/{flush}"), version).await.expect(200);
    app.plan().await;
    let chosen = due(&pool, id(510)).await;
    assert_eq!(chosen.len(), 7);
    for now in ["2026-07-01T07:00:00Z", "2026-10-01T07:00:00Z", "2026-12-29T07:00:00Z"] {
        app.set(at(now));
        app.keep_house().await;
        app.plan().await;
        let still: BTreeMap<_, _> =
            due(&pool, id(510)).await.into_iter().filter(|((_, slot), _)| slot == "period:2026").collect();
        assert_eq!(still, chosen, "{now}");
    }
}

/// A patient's arrival has one day planned at once; what stands for periods that begin after it is not touched.
#[sqlx::test]
async fn a_patient_takes_nothing_of_later_periods_off_the_plan(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T09:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let weekly = json!({ "effective_on": "2026-11-02", "routine": period("week", 30) });
    clinic.admin.put(&format!("/v1/routines/{}", id(510)), weekly).await.expect(201);
    app.plan().await;
    let before = due(&pool, id(510)).await;
    assert!(before.len() >= 3, "this week, the next and the one after: {before:?}");
    for edge in ["seated", "left"] {
        let path = format!("/v1/operatories/{}/{edge}", clinic.chair);
        clinic.desk.post_once(&path, edge, json!({})).await.expect(201);
        assert_eq!(due(&pool, id(510)).await, before, "{edge}");
    }
}

/// Facts are listed for some months; marks before them are only counted, and each once.
#[sqlx::test]
async fn the_next_turnover_after_half_a_year_has_the_next_number(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-01-05T09:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let mut counted = period("week", 5);
    counted["anchor"] = json!({ "kind": "count", "of": "turnovers", "every": 3 });
    counted["window"] =
        json!({ "may_start_minutes": 0, "due_by_minutes": 60, "overdue_minutes": 90, "missed_minutes": 600 });
    let body = json!({ "effective_on": "2026-01-05", "routine": counted });
    clinic.admin.put(&format!("/v1/routines/{}", id(510)), body).await.expect(201);
    let left = format!("/v1/operatories/{}/left", clinic.chair);
    for now in ["2026-01-05T10:00:00Z", "2026-01-06T10:00:00Z", "2026-07-01T10:00:00Z"] {
        app.set(at(now));
        app.keep_house().await;
        app.plan().await;
        assert_eq!(due(&pool, id(510)).await, BTreeMap::new(), "{now}");
        clinic.desk.post_once(&left, now, json!({})).await.expect(201);
        app.plan().await;
    }
    let third = BTreeMap::from([((clinic.chair, "count:3".to_owned()), "2026-07-01 11:00:00+00".to_owned())]);
    assert_eq!(due(&pool, id(510)).await, third);
}
