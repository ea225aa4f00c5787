//! A lot that is recalled: wherever it was used something is done, however often it is recalled and whenever the use is
//! entered.

use serde_json::{Value, json};
use sqlx::PgPool;
use uuid::Uuid;

use super::{LEAD, action, close, people, record, release, step, text};
use crate::products::{RIGHT, completion, lot, set_up};
use crate::support::app::App;
use crate::support::scenario::{self, Clinic};
use crate::support::{at, id};

const OPENED: Option<&str> = Some("2026-11-01T09:00:00Z");
const WHEN: &str = "2026-11-02T07:39:00Z";
const SECOND_CHAIR: u32 = 299;

async fn second_chair(clinic: &Clinic<'_>) -> Value {
    let path = format!("/v1/operatories/{}", id(SECOND_CHAIR));
    clinic.admin.put(&path, scenario::operatory(clinic.clinic_id, "Chair next door")).await.expect(201);
    clinic.admin.app.plan().await;
    let due = clinic.tablet.get(&format!("{path}/due")).await.expect(200);
    let task = due["tasks"].as_array().expect("tasks").iter().find(|task| task["routine_id"] == json!(id(820)));
    task.expect("the second chair's task").clone()
}

async fn recall(clinic: &Clinic<'_>, lot: Uuid, recalled: bool, reason: &str) {
    let body = json!({ "recalled": recalled, "reason": reason, "authority": "notice 1", "performed_by": "SQ" });
    clinic.manager.put(&format!("/v1/lots/{lot}/recall"), body).await.expect(201);
}

/// The actions of the lot about a subject, the oldest first.
async fn open_about(clinic: &Clinic<'_>, subject: Uuid) -> Vec<Value> {
    let list = format!("/v1/corrective-actions?state=open&kind=wrong_or_expired_product&subject_id={subject}");
    let items = clinic.manager.get(&list).await.expect(200)["items"].as_array().expect("a list").clone();
    let mut actions = Vec::new();
    for item in items {
        actions.push(action(clinic, &item).await);
    }
    actions
}

/// Rinse, repeat with the right lot, list every use, tell the lead: common practice, no source. Nobody's word stands for the
/// work that is done again.
async fn work_and_close(clinic: &Clinic<'_>, (item, n): (&Value, u32), (task, right): (&Value, Uuid)) {
    let app = clinic.admin.app;
    for (i, key) in (0..).zip(["remove", "repeat-with-right-lot", "list-uses", "tell-lead"]) {
        app.advance(chrono::TimeDelta::minutes(1));
        if key == "repeat-with-right-lot" {
            let word = step(clinic, item, key, record(clinic, n + i, &json!({}))).await;
            assert!(word.status.as_u16() == 409 && word.text.contains("the work again with a lot"), "{}", word.text);
            let now = app.clock.now().to_rfc3339();
            let again = completion(n + 5, task, right, 1000, &now);
            assert_eq!(clinic.tablet.post("/v1/completions", again).await.expect(201)["verdict"], "passed");
        }
        step(clinic, item, key, record(clinic, n + i, &json!({}))).await.expect(201);
    }
    release(clinic, &item["quarantine_ids"][0], n + 10, LEAD).await.expect(201);
    close(clinic, item, n + 11, LEAD).await.expect(201);
}

#[sqlx::test]
async fn each_recall_is_a_cause_of_its_own_and_a_use_that_is_entered_later_is_not_forgotten(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T07:40:00Z")).await;
    let (clinic, task) = set_up(&app, &[RIGHT], "waterlines").await;
    people(&clinic).await;
    let there = second_chair(&clinic).await;
    let lot = lot(&clinic, 831, RIGHT, "2027-01-31", OPENED).await;
    clinic.tablet.post("/v1/completions", completion(840, &task, lot, 1000, WHEN)).await.expect(201);
    recall(&clinic, lot, true, "the seal of the cap may leak").await;
    let first = open_about(&clinic, clinic.chair).await.pop().expect("an action");
    assert_eq!((&first["cause"], &first["cause_id"]), (&json!("lot"), &json!(lot)));
    // Other words about the same recall ask for nothing twice.
    recall(&clinic, lot, true, "the seal of the cap leaks").await;
    assert_eq!(open_about(&clinic, clinic.chair).await.len(), 1);

    // An offline tablet at the second chair: worked before the recall, entered after it, by a routine that asks for nothing.
    assert_eq!(open_about(&clinic, id(SECOND_CHAIR)).await, [] as [Value; 0]);
    clinic.tablet.post("/v1/completions", completion(841, &there, lot, 1000, WHEN)).await.expect(201);
    let late = open_about(&clinic, id(SECOND_CHAIR)).await;
    assert_eq!((late.len(), &late[0]["cause"], &late[0]["cause_id"]), (1, &json!("lot"), &json!(lot)));
    // Once more: noted.
    clinic.tablet.post("/v1/completions", completion(842, &there, lot, 1000, WHEN)).await.expect(201);
    let late = open_about(&clinic, id(SECOND_CHAIR)).await;
    assert_eq!(late.len(), 1);
    assert!(late[0]["notes"].to_string().contains(&id(842).to_string()), "{}", late[0]);

    // Worked and closed: the next use that comes in is a failure of its own.
    let right = self::lot(&clinic, 832, RIGHT, "2027-01-31", OPENED).await;
    work_and_close(&clinic, (&first, 500), (&task, right)).await;
    assert_eq!(open_about(&clinic, clinic.chair).await, [] as [Value; 0]);
    clinic.tablet.post("/v1/completions", completion(843, &task, lot, 1000, WHEN)).await.expect(201);
    let again = open_about(&clinic, clinic.chair).await;
    assert_eq!((again.len(), &again[0]["cause"], &again[0]["cause_id"]), (1, &json!("completion"), &json!(id(843))));
    work_and_close(&clinic, (&again[0], 520), (&task, right)).await;

    // Withdrawn and recalled once more: opened anew, and not the one that is closed.
    recall(&clinic, lot, false, "another lot was meant").await;
    recall(&clinic, lot, true, "this lot after all").await;
    let second = open_about(&clinic, clinic.chair).await;
    assert_eq!((second.len(), &second[0]["cause"]), (1, &json!("lot")));
    assert_ne!(second[0]["action_id"], first["action_id"]);
    assert!(text(&second[0]["reason"]).contains("this lot after all"));
}

#[sqlx::test]
async fn of_two_recalled_lots_on_one_chair_each_has_an_action_of_its_own(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T07:40:00Z")).await;
    let (clinic, task) = set_up(&app, &[RIGHT], "waterlines").await;
    let mut lots = Vec::new();
    for n in 0..2 {
        let lot = lot(&clinic, 831 + n, RIGHT, "2027-01-31", OPENED).await;
        clinic.tablet.post("/v1/completions", completion(840 + n, &task, lot, 1000, WHEN)).await.expect(201);
        lots.push(lot);
    }
    // The second one while the first one's action stands.
    for (lot, why) in lots.iter().zip(["the seal of the cap may leak", "the strength is below the label"]) {
        app.advance(chrono::TimeDelta::minutes(1));
        recall(&clinic, *lot, true, why).await;
    }
    let open = open_about(&clinic, clinic.chair).await;
    let of: Vec<_> = open.iter().map(|action| action["cause_id"].clone()).collect();
    assert_eq!(of, [json!(lots[0]), json!(lots[1])], "{open:?}");
    assert!(text(&open[1]["reason"]).contains("the strength is below the label"), "{}", open[1]);
}

#[sqlx::test]
async fn however_many_uses_came_after_it_no_chair_is_left_out(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T07:40:00Z")).await;
    let (clinic, task) = set_up(&app, &[RIGHT], "waterlines").await;
    let there = second_chair(&clinic).await;
    let lot = lot(&clinic, 831, RIGHT, "2027-01-31", OPENED).await;
    clinic.tablet.post("/v1/completions", completion(840, &task, lot, 1000, WHEN)).await.expect(201);
    clinic.tablet.post("/v1/completions", completion(841, &there, lot, 1000, "2026-11-02T07:39:30Z")).await.expect(201);
    // The second chair's use a thousand and one times over, as years of a long-lived lot would leave it.
    let copies = "create table copy_id as select gen_random_uuid() as id from generate_series(1, 1001);
        insert into completion select (jsonb_populate_record(c, jsonb_build_object('completion_id', k.id))).*
            from completion c, copy_id k where c.completion_id = $1;
        insert into step_result select (jsonb_populate_record(s, jsonb_build_object('completion_id', k.id))).*
            from step_result s, copy_id k where s.completion_id = $1;";
    for statement in copies.split(';').map(str::trim).filter(|statement| !statement.is_empty()) {
        let statement = sqlx::AssertSqlSafe(statement.replace("$1", &format!("'{}'", id(841))));
        sqlx::query(statement).execute(&pool).await.expect("the owner may");
    }
    recall(&clinic, lot, true, "the seal of the cap may leak").await;
    for chair in [clinic.chair, id(SECOND_CHAIR)] {
        assert_eq!(open_about(&clinic, chair).await.len(), 1, "{chair}");
    }
    let page = clinic.manager.get(&format!("/v1/lots/{lot}/uses?limit=2")).await;
    assert!(page.header("link").contains("rel=\"next\""));
    assert_eq!(page.expect(200)["total"], json!(1003));
}

/// Whichever of the two is first: the recall finds the use, or the use finds the recall.
#[sqlx::test]
async fn a_use_and_a_recall_at_once_leave_one_action(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T07:40:00Z")).await;
    let (clinic, task) = set_up(&app, &[RIGHT], "waterlines").await;
    let there = second_chair(&clinic).await;
    for (n, (task, chair)) in (0..).zip([(&task, clinic.chair), (&there, id(SECOND_CHAIR))]) {
        let lot = lot(&clinic, 831 + n, RIGHT, "2027-01-31", OPENED).await;
        let used = clinic.tablet.post("/v1/completions", completion(840 + n, task, lot, 1000, WHEN));
        let (used, ()) = tokio::join!(used, recall(&clinic, lot, true, "the seal of the cap may leak"));
        used.expect(201);
        let open = open_about(&clinic, chair).await;
        assert_eq!((open.len(), &open[0]["cause_id"]), (1, &json!(lot)));
    }
}
