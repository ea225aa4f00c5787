//! Many tablets that come back from a day without a network at the same moment.
//!
//! The rule of this file: whatever is sent is kept once under its id, one of a task's completions settles it, and
//! everybody is told so, in whichever order the database takes them.

use std::collections::{BTreeMap, BTreeSet};

use axum::body::Body;
use axum::http::{Method, Request, StatusCode};
use chairtide::jobs::sealer;
use serde_json::{Value, json};
use sqlx::PgPool;
use tokio::task::JoinSet;
use tower::ServiceExt as _;
use uuid::Uuid;

use crate::support::app::App;
use crate::support::scenario::{self, Clinic};
use crate::support::{at, id};

const TABLETS: u32 = 50;
const CHAIRS: u32 = 10;

/// What each tablet has to say: it was carried from chair to chair, so each task has completions of several tablets.
async fn gathered(clinic: &Clinic<'_>) -> Vec<Vec<Value>> {
    let path = format!("/v1/clinics/{}/due?ahead_minutes=960", clinic.clinic_id);
    let list = clinic.tablet.get(&path).await.expect(200);
    let of_chair = |task: &&Value| task["subject"]["kind"] == "operatory";
    let tasks: Vec<&Value> = list["tasks"].as_array().expect("a list").iter().filter(of_chair).collect();
    assert_eq!(tasks.len(), 2 * CHAIRS as usize, "a flush and a disinfection at each chair");
    let completion = |tablet: u32, n: usize, task: &Value| {
        let required = task["steps"].as_array().expect("a list").iter().filter(|step| step["required"] == json!(true));
        let steps: Vec<Value> = required
            .map(|step| match step["evidence"]["kind"].as_str() {
                Some("hold") => json!({ "step": step["step"], "status": "done", "elapsed_seconds": 600 }),
                _ => json!({ "step": step["step"], "status": "done" }),
            })
            .collect();
        let number = 10_000 + tablet * 100 + u32::try_from(n).expect("a few");
        json!({
            "completion_id": id(number), "task_id": task["task_id"], "performed_at": task["due_by"],
            "performed_by": format!("T{tablet}"), "steps": steps,
        })
    };
    // Every tablet has eight of the twenty tasks, another eight than its neighbours.
    let of_tablet = |tablet: u32| {
        let first = tablet as usize * 3;
        (0..8).map(|n| completion(tablet, n, tasks[(first + n) % tasks.len()])).collect()
    };
    (0..TABLETS).map(of_tablet).collect()
}

fn post(token: &str, completions: &[Value]) -> Request<Body> {
    Request::builder()
        .method(Method::POST)
        .uri("/v1/completions/batch")
        .header("authorization", format!("Bearer {token}"))
        .header("content-type", "application/json")
        .body(Body::from(json!({ "completions": completions }).to_string()))
        .expect("a well-formed request")
}

#[sqlx::test]
async fn fifty_tablets_send_the_same_offline_day_at_once_and_nothing_is_lost_or_doubled(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T07:30:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    for n in 1..CHAIRS {
        let chair = scenario::operatory(clinic.clinic_id, &format!("Chair {n}"));
        clinic.admin.put(&format!("/v1/operatories/{}", id(2_000 + n)), chair).await.expect(201);
    }
    app.plan().await;
    let gathered = gathered(&clinic).await;
    app.set(at("2026-11-02T21:00:00Z"));

    // Each sends its day twice at once: the first answer was slow to come.
    let mut senders = JoinSet::new();
    for completions in gathered.iter().chain(&gathered) {
        let (router, request) = (app.router(), post(&clinic.tablet.token, completions));
        senders.spawn(async move {
            let response = router.oneshot(request).await.expect("the router never fails");
            let status = response.status();
            let body = axum::body::to_bytes(response.into_body(), usize::MAX).await.expect("the body is whole");
            (status, serde_json::from_slice::<Value>(&body).expect("JSON"))
        });
    }
    let mut told: BTreeMap<String, Vec<String>> = BTreeMap::new();
    let mut again = 0;
    while let Some(answered) = senders.join_next().await {
        let (status, answer) = answered.expect("it did not panic");
        // Too many at once may be turned away; a tablet then sends the same again.
        if status == StatusCode::SERVICE_UNAVAILABLE {
            again += 1;
            continue;
        }
        assert_eq!(status, StatusCode::OK, "{answer}");
        for item in answer["answers"].as_array().expect("a list") {
            let word = |field: &str| item[field].as_str().expect("a text").to_owned();
            told.entry(word("completion_id")).or_default().push(word("status"));
        }
    }
    for completions in &gathered {
        let answer = clinic.tablet.post("/v1/completions/batch", json!({ "completions": completions })).await;
        for item in answer.expect(200)["answers"].as_array().expect("a list") {
            let known = told.contains_key(item["completion_id"].as_str().expect("an id"));
            assert!(item["status"] == "repeated" || !known && again > 0, "{item}");
        }
    }
    let recorded_once = |words: &Vec<String>| words.iter().filter(|word| *word == "recorded").count() == 1;
    assert!(told.values().all(recorded_once), "{told:?}");
    assert!(told.values().flatten().all(|word| word != "refused"), "{told:?}");

    let sent: BTreeSet<Uuid> = gathered
        .iter()
        .flatten()
        .map(|completion| completion["completion_id"].as_str().expect("an id").parse().expect("a UUID"))
        .collect();
    let kept: Vec<(Uuid, Uuid, bool)> = sqlx::query_as(
        "select c.completion_id, c.task_id, is_duplicate(c.duplicate, c.outcome, c.completion_id, t.completion_id)
             from completion c join task t using (group_id, clinic_day, task_id) where group_id = $1",
    )
    .bind(id(1))
    .fetch_all(&pool)
    .await
    .expect("the owner reads everything");
    assert_eq!(kept.len(), sent.len());
    assert_eq!(kept.iter().map(|(completion_id, ..)| *completion_id).collect::<BTreeSet<_>>(), sent);
    let mut settling: BTreeMap<Uuid, usize> = BTreeMap::new();
    for (_, task_id, duplicate) in &kept {
        *settling.entry(*task_id).or_default() += usize::from(!duplicate);
    }
    assert_eq!(settling.len(), 2 * CHAIRS as usize);
    assert!(settling.values().all(|count| *count == 1), "one completion settles a task: {settling:?}");
    let told_of: i64 = sqlx::query_scalar(
        "select count(distinct body ->> 'completion_id') from event where kind = 'completion_recorded' having count(*) = $1",
    )
    .bind(i64::try_from(sent.len()).expect("a few hundred"))
    .fetch_one(&pool)
    .await
    .expect("as many events as completions");
    assert_eq!(usize::try_from(told_of), Ok(sent.len()));

    // What was kept in whatever order is sealed, and is as it was sealed.
    app.set(at("2026-11-03T01:00:00Z"));
    let report = sealer::seal(&app.pool, &app.clock).await.expect("it seals");
    assert_eq!((report.sealed, report.failed), (1, 0));
    let check = clinic.manager.get(&format!("/v1/clinics/{}/verification", clinic.clinic_id)).await.expect(200);
    assert_eq!((&check["days_checked"], &check["findings"]), (&json!(1), &json!([])), "{check}");
}
