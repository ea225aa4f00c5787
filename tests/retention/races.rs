//! Purges beside what else goes on at the clinic.

use chairtide::jobs::sealer;
use serde_json::json;
use sqlx::PgPool;
use uuid::Uuid;

use super::{LEAD, NOVEMBER, later, old_day, purge, signature, signed, trial, verified};
use crate::support::app::App;
use crate::support::contents::count;
use crate::support::{at, id};

const FLUSHES: &str = "select count(*) from completion where group_id = $1 and completion_id::text like '%2bd'";

#[sqlx::test]
async fn of_two_purges_of_the_same_records_under_two_ids_one_takes_them(pool: PgPool) {
    let app = App::new(pool.clone(), at("2014-11-03T06:00:00Z")).await;
    let clinic = old_day(&app).await;
    later(&app, &clinic).await;
    let seen = trial(&clinic, NOVEMBER).await;
    let (one, other) = tokio::join!(purge(&clinic, 900, signed(&seen, LEAD)), purge(&clinic, 901, signed(&seen, LEAD)));
    let mut statuses = [one.status.as_u16(), other.status.as_u16()];
    statuses.sort_unstable();
    assert_eq!(statuses, [201, 409], "{} {}", one.text, other.text);
    let check = verified(&clinic, NOVEMBER).await;
    assert_eq!((&check["findings"], &check["purged"][0]["record_count"]), (&json!([]), &json!(15)));
    assert_eq!(check["purged"].as_array().map(Vec::len), Some(1));
}

#[sqlx::test]
async fn a_hold_that_is_begun_beside_a_purge_comes_before_it_or_after_it(pool: PgPool) {
    let app = App::new(pool.clone(), at("2014-11-03T06:00:00Z")).await;
    let clinic = old_day(&app).await;
    later(&app, &clinic).await;
    let seen = trial(&clinic, NOVEMBER).await;
    let hold = json!({ "reason": "an inquiry", "signature": signature(LEAD) });
    let path = format!("/v1/clinics/{}/legal-holds/{}", clinic.clinic_id, id(910));
    let (purged, held) = tokio::join!(purge(&clinic, 900, signed(&seen, LEAD)), clinic.manager.put(&path, hold));
    held.expect(201);
    let left = count(&pool, FLUSHES, id(1)).await;
    assert!(matches!((purged.status.as_u16(), left), (201, 0) | (409, 1)), "{left} left: {}", purged.text);
    assert_eq!(verified(&clinic, NOVEMBER).await["findings"], json!([]));
    assert_eq!(trial(&clinic, NOVEMBER).await["record_count"], json!(0));
}

#[sqlx::test]
async fn a_correction_beside_a_purge_never_corrects_what_is_gone(pool: PgPool) {
    let app = App::new(pool.clone(), at("2014-11-03T06:00:00Z")).await;
    let clinic = old_day(&app).await;
    later(&app, &clinic).await;
    let task: Uuid = sqlx::query_scalar("select task_id from completion where completion_id = $1")
        .bind(id(701))
        .fetch_one(&pool)
        .await
        .expect("the flush");
    let mut correction = clinic.flush(731, &json!({ "task_id": task }), 130);
    correction["performed_at"] = json!("2014-11-03T08:02:00Z");
    correction["corrects"] = json!(id(701));
    correction["reason"] = json!("another time was meant");
    let seen = trial(&clinic, NOVEMBER).await;
    let (purged, corrected) =
        tokio::join!(purge(&clinic, 900, signed(&seen, LEAD)), clinic.tablet.post("/v1/completions", correction));
    let dangling = count(
        &pool,
        "select count(*) from completion c where c.group_id = $1 and c.corrects is not null
           and not exists (select from completion o where o.group_id = c.group_id and o.completion_id = c.corrects)",
        id(1),
    )
    .await;
    assert_eq!(dangling, 0, "{} {}", purged.text, corrected.text);
    let statuses = (purged.status.as_u16(), corrected.status.as_u16());
    assert!(matches!(statuses, (201, 404 | 409 | 422 | 503) | (409, 201)), "{} {}", purged.text, corrected.text);
    assert_eq!(verified(&clinic, NOVEMBER).await["findings"], json!([]));
}

#[sqlx::test]
async fn a_purge_beside_the_sealer_is_sealed_with_its_day(pool: PgPool) {
    let app = App::new(pool.clone(), at("2014-11-03T06:00:00Z")).await;
    let clinic = old_day(&app).await;
    later(&app, &clinic).await;
    // Midnight and ten minutes, after a year and more: the sealer has days to make up.
    app.set(at("2016-01-12T00:10:00Z"));
    let seen = trial(&clinic, NOVEMBER).await;
    let (purged, sealed) = tokio::join!(purge(&clinic, 900, signed(&seen, LEAD)), sealer::seal(&pool, &app.clock));
    sealed.expect("it ticks");
    purged.expect(201);
    app.set(at("2016-01-14T12:00:00Z"));
    while sealer::seal(&pool, &app.clock).await.expect("it ticks").sealed > 0 {}
    for query in [NOVEMBER, "from=2016-01-10&until=2016-01-13"] {
        assert_eq!(verified(&clinic, query).await["findings"], json!([]), "{query}");
    }
    let proof = format!("/v1/clinics/{}/record-proof?kind=purge&record_id={}", clinic.clinic_id, id(900));
    clinic.manager.get(&proof).await.expect(200);
}
