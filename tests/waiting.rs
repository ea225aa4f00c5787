//! Who waits for whom: what two requests both need is taken in one order, so that no two ever wait for each other.

use serde_json::{Value, json};
use sqlx::{Connection as _, PgConnection, PgPool};
use uuid::Uuid;

use crate::support::app::App;
use crate::support::at;
use crate::support::scenario::{self, Clinic, routine};

/// Returns once a request waits for a lock that another connection has.
async fn until_somebody_waits(db: &mut PgConnection) {
    let waiting = "select exists (select from pg_stat_activity
                                  where datname = current_database() and wait_event_type = 'Lock')";
    for _ in 0..500 {
        if sqlx::query_scalar(waiting).fetch_one(&mut *db).await.expect("the owner sees who waits") {
            return;
        }
        tokio::time::sleep(std::time::Duration::from_millis(10)).await;
    }
    panic!("nobody waits");
}

/// A clinic whose flush between patients is use that an idle routine counts from: a completion has the plan made anew.
async fn clinic_with_counted_flush(app: &App) -> Clinic<'_> {
    let clinic = scenario::clinic(app, "Europe/London").await;
    let (_, mut content) = scenario::routines().remove(1);
    content["counts_as_use"] = json!(true);
    let body = json!({ "effective_on": "2026-11-01", "routine": content });
    clinic.admin.put(&format!("/v1/routines/{}", routine::turnover_flush()), body).await.expect(200);
    app.plan().await;
    clinic
}

fn task_id(task: &Value) -> Uuid {
    task["task_id"].as_str().expect("an id").parse().expect("a UUID")
}

#[sqlx::test]
async fn a_completion_that_waits_for_the_plan_holds_no_task_that_the_planner_wants(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T06:00:00Z")).await;
    let clinic = clinic_with_counted_flush(&app).await;
    app.set(at("2026-11-02T09:00:00Z"));
    let flush = clinic.leave("2026-11-02T09:00:00Z").await;
    app.set(at("2026-11-02T09:05:00Z"));
    let completion = clinic.flush(830, &flush, 25);

    let mut planner = pool.acquire().await.expect("a connection");
    let planner = async {
        let mut tx = planner.begin().await.expect("it begins");
        sqlx::query("select from clinic_plan where clinic_id = $1 for update")
            .bind(clinic.clinic_id)
            .execute(&mut *tx)
            .await
            .expect("nobody has the plan");
        until_somebody_waits(&mut tx).await;
        let task = sqlx::query_scalar::<_, Uuid>("select task_id from task where task_id = $1 for update nowait")
            .bind(task_id(&flush))
            .fetch_one(&mut *tx)
            .await;
        tx.commit().await.expect("it commits");
        task
    };
    let (held, answer) = tokio::join!(planner, clinic.tablet.post("/v1/completions", completion));
    assert_eq!(held.expect("the task is free"), task_id(&flush));
    assert_eq!(answer.expect(201)["verdict"], "passed");
}
