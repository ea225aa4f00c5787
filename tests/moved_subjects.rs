//! What a subject takes along when it moves to another clinic of the group: its use, its counts, its dates.

use serde_json::{Value, json};
use sqlx::PgPool;

use crate::support::app::App;
use crate::support::scenario::{self, Clinic};
use crate::support::{at, id};

async fn two_clinics(app: &App) -> (Clinic<'_>, Clinic<'_>) {
    let admin = app.group(id(1)).await;
    let first = scenario::clinic_of(app, admin.clone(), "Europe/London", 0).await;
    let second = scenario::clinic_of(app, admin, "Europe/London", 1).await;
    (first, second)
}

fn routine(kind: &str, anchor: &Value) -> Value {
    json!({ "effective_on": "2026-11-02", "routine": {
        "name": "Wipe it out", "subject_kind": kind, "anchor": anchor,
        "window": { "may_start_minutes": 0, "due_by_minutes": 480, "overdue_minutes": 600, "missed_minutes": 2880 },
        "steps": [{ "key": "wipe", "instruction": "Wipe it out.", "evidence": { "kind": "confirmation" } }],
        "sources": [{ "title": "common practice", "edition": "none", "seen": "common_practice" }],
        "rough_minutes": 10,
    } })
}

/// Slots of a routine's tasks on a subject that are neither done nor taken back, with where they stand.
async fn open_slots(pool: &PgPool, routine: u32, subject: uuid::Uuid) -> Vec<(String, uuid::Uuid)> {
    sqlx::query_as(
        "select slot, clinic_id from task
         where group_id = $1 and routine_id = $2 and subject_id = $3 and outcome is null order by slot",
    )
    .bind(id(1))
    .bind(id(routine))
    .bind(subject)
    .fetch_all(pool)
    .await
    .expect("the owner reads everything")
}

#[sqlx::test]
async fn a_chair_that_moves_keeps_its_use_its_count_and_its_open_turnovers(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T09:00:00Z")).await;
    let (here, there) = two_clinics(&app).await;
    let chair = here.chair;
    for (number, anchor) in [
        (700, json!({ "kind": "count", "of": "turnovers", "every": 3 })),
        (701, json!({ "kind": "idle", "unused_days": 2, "on": "open_days" })),
        (702, json!({ "kind": "turnover" })),
    ] {
        here.admin.put(&format!("/v1/routines/{}", id(number)), routine("operatory", &anchor)).await.expect(201);
    }
    let left = format!("/v1/operatories/{chair}/left");
    // Used on Monday and Thursday, and moved on Thursday evening.
    here.desk.post_once(&left, "one", json!({})).await.expect(201);
    app.set(at("2026-11-05T10:00:00Z"));
    here.desk.post_once(&left, "two", json!({})).await.expect(201);
    app.set(at("2026-11-05T17:00:00Z"));
    app.plan().await;
    let unit = scenario::operatory(there.clinic_id, "Chair 0");
    here.admin.put(&format!("/v1/operatories/{chair}"), unit).await.expect(200);
    app.plan().await;
    // Thursday's turnover can still be done (its window is two days) and is now the other clinic's.
    let turnovers = open_slots(&pool, 702, chair).await;
    assert!(turnovers.iter().any(|(_, clinic_id)| *clinic_id == there.clinic_id), "{turnovers:?}");
    app.set(at("2026-11-06T10:00:00Z"));
    app.plan().await;
    // The one of Thursday and this one: the third in all.
    there.desk.post_once(&left, "three", json!({})).await.expect(201);
    app.plan().await;
    assert_eq!(open_slots(&pool, 700, chair).await, [("count:3".to_owned(), there.clinic_id)]);
    // Used the day before, so Friday has no idle task; Monday has, after a weekend.
    let idle: Vec<String> = sqlx::query_scalar(
        "select clinic_day::text from task
         where group_id = $1 and routine_id = $2 and subject_id = $3 and outcome is null
           and clinic_day between '2026-11-06' and '2026-11-09'
         order by 1",
    )
    .bind(id(1))
    .bind(id(701))
    .bind(chair)
    .fetch_all(&pool)
    .await
    .expect("the owner reads everything");
    assert_eq!(idle, ["2026-11-09"]);
}

/// A tablet that was offline brings work for a task that was missed before the machine moved: the next date is counted
/// from it where the machine stands.
#[sqlx::test]
async fn work_told_late_moves_the_dates_of_a_subject_where_it_stands_now(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T07:00:00Z")).await;
    let (here, there) = two_clinics(&app).await;
    let anchor = json!({ "kind": "interval", "every": { "days": 4 }, "place": { "kind": "opening" },
                         "closed_day": "next_open_day" });
    here.admin.put(&format!("/v1/routines/{}", id(700)), routine("steriliser", &anchor)).await.expect(201);
    app.set(at("2026-11-02T09:00:00Z"));
    app.plan().await;
    let task = here.due_in_clinic(id(700)).await;
    // Missed since 08:30.
    app.set(at("2026-11-04T10:00:00Z"));
    app.plan().await;
    let machine = json!({ "clinic_id": there.clinic_id, "kind": "steriliser", "name": "Steriliser 0",
                          "service": { "state": "in_service" } });
    here.admin.put(&format!("/v1/equipment/{}", here.steriliser), machine).await.expect(200);
    app.plan().await;
    let upcoming = || async {
        let open = open_slots(&pool, 700, here.steriliser).await;
        let here_now = open.into_iter().filter(|(_, clinic_id)| *clinic_id == there.clinic_id);
        here_now.map(|(slot, _)| slot).take(2).collect::<Vec<_>>()
    };
    assert_eq!(upcoming().await, ["interval:2026-11-06", "interval:2026-11-10"]);
    let done = json!({ "completion_id": id(701), "task_id": task["task_id"], "kind": "performed",
                       "performed_at": "2026-11-03T12:00:00Z", "performed_by": "KV",
                       "steps": [{ "step": "wipe", "status": "done" }] });
    let tablet = here.admin.key("chairside", json!({ "kind": "group" })).await;
    let kept = tablet.post("/v1/completions", done).await.expect(201);
    assert_eq!(kept["verdict"], "passed", "{kept}");
    app.plan().await;
    assert_eq!(upcoming().await, ["interval:2026-11-07", "interval:2026-11-11"]);
}

/// There and back, planned in between: every task is where and what it was.
#[sqlx::test]
async fn a_chair_that_comes_back_finds_its_plan(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T09:00:00Z")).await;
    let (here, there) = two_clinics(&app).await;
    // Other hours and another zone, so that the way there moves every task.
    let zone = json!({ "name": "Clinic 1", "zone": "Asia/Kathmandu" });
    here.admin.put(&format!("/v1/clinics/{}", there.clinic_id), zone).await.expect(200);
    app.plan().await;
    let plan = || async {
        let rows: Vec<(uuid::Uuid, Value)> = sqlx::query_as(
            "select task_id, to_jsonb(t) - array['planned_at', 'outcome_at', 'revision'] from task t
             where group_id = $1 order by 1",
        )
        .bind(id(1))
        .fetch_all(&pool)
        .await
        .expect("the owner reads everything");
        rows
    };
    let before = plan().await;
    for clinic_id in [there.clinic_id, here.clinic_id] {
        let unit = scenario::operatory(clinic_id, "Chair 0");
        here.admin.put(&format!("/v1/operatories/{}", here.chair), unit).await.expect(200);
        assert!(app.plan().await.tasks > 20);
    }
    assert_eq!(plan().await, before);
}

/// Each clinic's plan asks for tasks of the other's: of the chairs that came and of those that went. Two are planned at
/// once, so both must ask for them in one order.
#[sqlx::test]
async fn clinics_that_exchange_chairs_are_planned_at_once_without_waiting_for_each_other(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T06:00:00Z")).await;
    let (here, there) = two_clinics(&app).await;
    let chairs: Vec<u32> = (800..840).collect();
    for round in 0..6 {
        for chair in &chairs {
            let clinic_id = if (chair + round) % 2 == 0 { here.clinic_id } else { there.clinic_id };
            let unit = scenario::operatory(clinic_id, &format!("Chair {chair}"));
            let put = here.admin.put(&format!("/v1/operatories/{}", id(*chair)), unit).await;
            assert!(put.status.is_success(), "{}", put.text);
        }
        let report = app.plan().await;
        assert_eq!((report.clinics, report.failed), (2, 0), "round {round}");
    }
}
