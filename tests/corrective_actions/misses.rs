//! What was missed between two patients stays missed, and is looked at.

use chairtide::jobs::misses;
use serde_json::{Value, json};
use sqlx::PgPool;

use super::{ASSISTANT, CLINICIAN, LEAD, action, close, kind_of, people, record, signature, step, text};
use crate::support::app::App;
use crate::support::scenario::{self, Clinic, routine};
use crate::support::{at, id};

/// At the top of the list on the first page, the action then gets a row that is overdue since later.
async fn a_row_that_is_written_between_two_pages_is_on_one_of_them(app: &App, clinic: &Clinic<'_>) {
    let run = async |sql: &'static str| sqlx::query(sql).execute(&app.pool).await.expect("the owner may");
    run("create table kept_row as select * from corrective_action_next").await;
    run("update corrective_action_next set overdue_at = '2026-11-02T09:12Z', saved_at = '2026-11-02T09:40Z',
                rung_at = array['2026-11-02T09:12Z', '2026-11-02T09:13Z', '2026-11-02T09:14Z']::timestamptz[],
                rung_audience = array['chairside', 'clinic_lead', 'group_manager']")
    .await;
    let mut next = "/v1/overdue?kind=all&limit=1".to_owned();
    let mut kinds = Vec::new();
    loop {
        let page = clinic.manager.get(&next).await;
        kinds.extend(page.expect(200)["items"].as_array().expect("items").iter().map(|item| text(&item["kind"])));
        run("update corrective_action_next set overdue_at = '2026-11-02T09:44Z', saved_at = '2026-11-02T09:45:01Z',
                    rung_at = array['2026-11-02T09:44Z']::timestamptz[], rung_audience = array['chairside']")
        .await;
        let link = page.header("link").to_owned();
        let Some((target, _)) = link.trim_start_matches('<').split_once('>') else { break };
        target.clone_into(&mut next);
    }
    assert_eq!(kinds.first().map(String::as_str), Some("corrective_action"));
    assert_eq!(kinds.iter().filter(|kind| *kind == "corrective_action").count(), 1, "{kinds:?}");
    run("delete from corrective_action_next").await;
    run("insert into corrective_action_next select * from kept_row").await;
}

/// The clinic whose flush between patients opens an action when it is missed.
async fn clinic_with_miss_chain(app: &App) -> Clinic<'_> {
    let clinic = scenario::clinic(app, "Europe/London").await;
    people(&clinic).await;
    let (_, mut content) = scenario::routines().remove(1);
    content["on_miss"] = json!("missed_routine");
    let body = json!({ "effective_on": "2026-11-01", "routine": content });
    clinic.admin.put(&format!("/v1/routines/{}", routine::turnover_flush()), body).await.expect(200);
    app.plan().await;
    clinic
}

async fn look(app: &App) -> usize {
    let report = misses::tick(&app.pool, &app.clock).await.expect("it ticks");
    assert_eq!(report.failed, 0);
    report.opened
}

async fn open(clinic: &Clinic<'_>) -> Vec<Value> {
    let list = clinic.manager.get("/v1/corrective-actions?kind=missed_routine").await.expect(200);
    list["items"].as_array().expect("a list").clone()
}

#[sqlx::test]
async fn a_missed_turnover_task_opens_one_action_stays_missed_and_wants_a_reason(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T06:00:00Z")).await;
    let clinic = clinic_with_miss_chain(&app).await;
    app.set(at("2026-11-02T09:00:00Z"));
    let flush = clinic.leave("2026-11-02T09:00:00Z").await;
    assert_eq!(look(&app).await, 0, "its window is open");
    let reason_path = format!("/v1/tasks/{}/miss-reason", text(&flush["task_id"]));
    let reason = json!({ "reason": "the next patient was seated at once", "told_by": "IB" });
    assert_eq!(kind_of(&clinic.tablet.put(&reason_path, reason.clone()).await), "/problems/task-not-missed");
    // Missed an hour after the patient left: the routine's own window.
    app.set(at("2026-11-02T10:02:00Z"));
    assert_eq!(look(&app).await, 1);
    app.set(at("2026-11-02T10:05:00Z"));
    assert_eq!(look(&app).await, 0, "noted once");
    let item = open(&clinic).await.pop().expect("an action");
    assert_eq!((&item["waits_for"]["step"], &item["subject_id"]), (&json!("make-safe"), &json!(clinic.chair)));

    // Flushed now: kept, and the task stays missed.
    let mut late = clinic.flush(830, &flush, 25);
    late["performed_at"] = json!(app.clock.now());
    clinic.tablet.post("/v1/completions", late).await.expect(201);
    assert_eq!(clinic.task(&flush).await["task"]["state"], "missed");
    assert_eq!(action(&clinic, &item).await["cause_lifted"], json!(false));
    // Nobody's word makes safe, nor what is recorded of the missed task: its own task does.
    let refused = step(&clinic, &item, "make-safe", record(&clinic, 810, &json!({}))).await;
    assert_eq!(kind_of(&refused), "/problems/work-missing");
    let of_missed = record(&clinic, 810, &json!({ "completion_id": id(830) }));
    assert_eq!(step(&clinic, &item, "make-safe", of_missed).await.pointers(), ["/completion_id"]);
    let make_safe = clinic.due_of(routine::turnover_flush()).await;
    clinic.tablet.post("/v1/completions", clinic.flush(831, &make_safe, 25)).await.expect(201);
    for (n, key) in [(810, "make-safe"), (811, "tell-lead")] {
        step(&clinic, &item, key, record(&clinic, n, &json!({}))).await.expect(201);
    }
    let without = close(&clinic, &item, 860, LEAD).await;
    assert!(without.text.contains("why task"), "{}", without.text);
    clinic.tablet.put(&reason_path, reason.clone()).await.expect(201);
    clinic.tablet.put(&reason_path, reason).await.expect(200);
    let second = json!({ "reason": "the alarm was not heard", "told_by": "MO" });
    assert_eq!(clinic.tablet.put(&reason_path, second).await.expect(201)["number"], json!(2));
    let told = clinic.manager.get(&reason_path).await.expect(200);
    assert_eq!(told["items"].as_array().map(Vec::len), Some(2));
    close(&clinic, &item, 860, LEAD).await.expect(201);
}

#[sqlx::test]
async fn three_misses_of_a_routine_at_a_clinic_within_thirty_days_ask_for_a_lead_review(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T06:00:00Z")).await;
    let clinic = clinic_with_miss_chain(&app).await;
    let mut asked = Vec::new();
    for hour in [9, 11, 14] {
        app.set(at(&format!("2026-11-02T{hour:02}:00:00Z")));
        clinic.leave(&format!("2026-11-02T{hour:02}:00:00Z")).await;
        app.set(at(&format!("2026-11-02T{:02}:30:00Z", hour + 1)));
        assert_eq!(look(&app).await, 1);
        let newest = open(&clinic).await.pop().expect("an action");
        let steps = action(&clinic, &newest).await["steps"].as_array().expect("steps").len();
        asked.push(steps);
    }
    // Common practice, no source: three in thirty days.
    assert_eq!(asked, [2, 2, 3]);
}

#[sqlx::test]
async fn misses_of_different_routines_are_not_counted_together(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T06:00:00Z")).await;
    let clinic = scenario::configure(app.group(id(1)).await, "Europe/London", 0).await;
    people(&clinic).await;
    for (routine_id, mut content) in scenario::routines().into_iter().take(2) {
        content["on_miss"] = json!("missed_routine");
        let body = json!({ "effective_on": "2026-11-01", "routine": content });
        clinic.admin.put(&format!("/v1/routines/{routine_id}"), body).await.expect(200);
    }
    app.plan().await;
    for hour in [9, 11] {
        app.set(at(&format!("2026-11-02T{hour:02}:00:00Z")));
        clinic.leave(&format!("2026-11-02T{hour:02}:00:00Z")).await;
        app.set(at(&format!("2026-11-02T{:02}:05:00Z", hour + 1)));
        assert_eq!(look(&app).await, 1);
    }
    // Four hours after the opening at half past eight the morning's flush is missed too.
    app.set(at("2026-11-02T12:31:00Z"));
    assert_eq!(look(&app).await, 1);
    let open = open(&clinic).await;
    assert_eq!(open.len(), 3);
    for item in &open {
        let steps = action(&clinic, item).await["steps"].clone();
        assert_eq!(steps.as_array().map(Vec::len), Some(2), "{steps}");
    }
}

#[sqlx::test]
async fn work_that_was_done_in_its_window_and_recorded_late_lifts_the_miss(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T06:00:00Z")).await;
    let clinic = clinic_with_miss_chain(&app).await;
    app.set(at("2026-11-02T09:00:00Z"));
    let flush = clinic.leave("2026-11-02T09:00:00Z").await;
    app.set(at("2026-11-02T09:05:00Z"));
    let offline = clinic.flush(830, &flush, 25);
    app.set(at("2026-11-02T10:30:00Z"));
    assert_eq!(look(&app).await, 1);
    clinic.tablet.post("/v1/completions", offline).await.expect(201);
    let item = open(&clinic).await.pop().expect("an action");
    let standing = action(&clinic, &item).await;
    assert_eq!((&standing["cause_lifted"], &standing["notes"][0]["kind"]), (&json!(true), &json!("recorded_late")));
    // It was the clinician's work: whoever says that it was done after all does not close the action on that ground.
    let same = close(&clinic, &item, 860, CLINICIAN).await;
    assert_eq!(kind_of(&same), "/problems/second-person-needed");
    let closed = close(&clinic, &item, 860, LEAD).await.expect(201);
    assert_eq!(closed["closing"]["grounds"], "cause_corrected");
}

#[sqlx::test]
async fn old_misses_and_routines_that_do_not_ask_open_nothing(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T06:00:00Z")).await;
    let clinic = clinic_with_miss_chain(&app).await;
    app.set(at("2026-11-02T09:00:00Z"));
    clinic.leave("2026-11-02T09:00:00Z").await;
    // As after an upgrade: the group was never looked through. The flush before the first patient is missed as well.
    sqlx::query("update miss_watch set looked_until = null").execute(&pool).await.expect("set");
    app.set(at("2026-11-02T15:00:00Z"));
    assert_eq!(look(&app).await, 0);
    app.set(at("2026-11-02T16:10:00Z"));
    assert_eq!(look(&app).await, 0);
    assert!(open(&clinic).await.is_empty());
    let (one, other) = {
        clinic.leave("2026-11-02T16:10:00Z").await;
        app.set(at("2026-11-02T17:30:00Z"));
        tokio::join!(misses::tick(&app.pool, &app.clock), misses::tick(&app.pool, &app.clock))
    };
    assert_eq!(one.expect("it ticks").opened + other.expect("it ticks").opened, 1);
    assert_eq!(open(&clinic).await.len(), 1);
}

/// Seats the next patient.
async fn seat(clinic: &Clinic<'_>, at: &str) -> Value {
    let path = format!("/v1/operatories/{}/seated", clinic.chair);
    clinic.desk.post_once(&path, at, json!({ "at": at })).await.expect(201)
}

/// What the chair's record lacks of the flush between patients.
async fn lack(clinic: &Clinic<'_>) -> Option<Value> {
    let ready = clinic.tablet.get(&format!("/v1/operatories/{}/readiness", clinic.chair)).await.expect(200);
    let missing = ready["missing"].as_array().expect("a list").clone();
    missing.into_iter().find(|m| m["routine_id"] == json!(routine::turnover_flush()))
}

/// Front desk, tablet and lead: the patient is seated before anybody flushed, and nothing turns that into done.
#[sqlx::test]
async fn a_flush_whose_next_patient_is_seated_stays_missed_and_is_made_safe_explained_and_looked_at(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T06:00:00Z")).await;
    let clinic = clinic_with_miss_chain(&app).await;
    app.set(at("2026-11-02T09:00:00Z"));
    let flush = clinic.leave("2026-11-02T09:00:00Z").await;
    app.set(at("2026-11-02T09:12:00Z"));
    // Recorded all the same, and answered with what is missing: the desk decides.
    let seated = seat(&clinic, "2026-11-02T09:12:00Z").await;
    assert_eq!(seated["readiness"]["ready_by_record"], json!(false));
    let missing = seated["readiness"]["missing"].as_array().expect("a list");
    assert!(missing.iter().any(|m| m["routine_id"] == json!(routine::turnover_flush())), "{missing:?}");
    // Its own window would be open until 10:00.
    assert_eq!(clinic.task(&flush).await["task"]["state"], "missed");
    // At once, without the loop: the action, and its make-safe task.
    let item = open(&clinic).await.pop().expect("an action");
    assert_eq!((&item["waits_for"]["step"], &item["subject_id"]), (&json!("make-safe"), &json!(clinic.chair)));
    assert_eq!(look(&app).await, 0);
    let make_safe = clinic.due_of(routine::turnover_flush()).await;
    assert_ne!(make_safe["task_id"], flush["task_id"]);
    assert_eq!((&make_safe["because"]["fact"]["kind"], &make_safe["blocking"]), (&json!("missed_work"), &json!(true)));
    assert_eq!(make_safe["because"]["fact"]["task_id"], flush["task_id"]);
    let lacking = lack(&clinic).await.expect("not ready by record");
    assert_eq!((&lacking["task_id"], &lacking["occurrences"]), (&make_safe["task_id"], &json!(2)));
    // Planned again, the missed task stays as it is.
    app.plan().await;
    assert_eq!(clinic.task(&flush).await["task"]["missed_at"], "2026-11-02T09:12:00Z");

    // The tablet records it all the same: kept, flagged, and no good for the patient in the chair.
    app.set(at("2026-11-02T09:14:00Z"));
    let late = clinic.tablet.post("/v1/completions", clinic.flush(830, &flush, 25)).await.expect(201);
    assert!(late["flags"].to_string().contains("late_entry"), "{late}");
    assert_eq!(clinic.task(&flush).await["task"]["state"], "missed");
    assert!(lack(&clinic).await.is_some(), "the make-safe task is not recorded");
    let wrong = json!({ "code": "next_patient_seated", "reason": "x", "signature": { "staff_id": item["action_id"], "pin": "1234" } });
    let reason_path = format!("/v1/tasks/{}/miss-reason", text(&flush["task_id"]));
    assert_eq!(kind_of(&clinic.tablet.put(&reason_path, wrong).await), "/problems/signature-refused");
    let nobody = clinic.tablet.put(&reason_path, json!({ "reason": "x" })).await;
    assert_eq!((nobody.status.as_u16(), nobody.pointers()), (422, vec!["/told_by".to_owned()]));
    let reason =
        json!({ "code": "next_patient_seated", "reason": "seated at once", "signature": signature(ASSISTANT) });
    let told = clinic.tablet.put(&reason_path, reason.clone()).await.expect(201);
    assert_eq!((&told["told_by"], &told["code"]), (&json!("IB"), &json!("next_patient_seated")));
    clinic.tablet.put(&reason_path, reason).await.expect(200);

    // The step of the action is overdue half an hour after it was opened, and stands on the one list.
    app.set(at("2026-11-02T09:45:00Z"));
    let overdue = clinic.manager.get("/v1/overdue?kind=corrective_action").await.expect(200);
    let shown = &overdue["items"][0];
    assert_eq!((&shown["item_id"], &shown["step"]), (&item["action_id"], &json!("make-safe")));
    assert_eq!((&shown["overdue_at"], &shown["level"]), (&json!("2026-11-02T09:42:00Z"), &json!(1)));
    let mut paged = Vec::new();
    let mut next = "/v1/overdue?kind=all&limit=1".to_owned();
    while paged.len() < 20 {
        let page = clinic.manager.get(&next).await;
        paged.extend(page.expect(200)["items"].as_array().expect("items").clone());
        let link = page.header("link").to_owned();
        let Some((target, _)) = link.trim_start_matches('<').split_once('>') else { break };
        target.clone_into(&mut next);
    }
    let whole = clinic.manager.get("/v1/overdue?kind=all").await.expect(200);
    assert_eq!(json!(paged), whole["items"]);
    assert!(paged.len() >= 3, "the action, its make-safe task, and the flush of the morning: {paged:?}");
    a_row_that_is_written_between_two_pages_is_on_one_of_them(&app, &clinic).await;

    // Made safe: ready by record again, and the missed one is still missed.
    clinic.tablet.post("/v1/completions", clinic.flush(831, &make_safe, 25)).await.expect(201);
    assert_eq!(lack(&clinic).await, None);
    assert_eq!(clinic.task(&flush).await["task"]["state"], "missed");
    for (n, key) in [(810, "make-safe"), (811, "tell-lead")] {
        step(&clinic, &item, key, record(&clinic, n, &json!({}))).await.expect(201);
    }
    // The step rests on the clinician's flush.
    assert_eq!(kind_of(&close(&clinic, &item, 860, CLINICIAN).await), "/problems/second-person-needed");
    close(&clinic, &item, 860, LEAD).await.expect(201);
    // In the lead's evening review it is a gap that has its words.
    app.set(at("2026-11-02T18:05:00Z"));
    let day = format!("/v1/clinics/{}/days/2026-11-02/review", clinic.clinic_id);
    let review = clinic.manager.get(&day).await.expect(200);
    let gap = review["gaps"].as_array().expect("gaps").iter().find(|gap| gap["task_id"] == flush["task_id"]);
    let words = &gap.expect("a gap")["explanation"];
    assert_eq!((&words["words"], &words["given_by"]), (&json!("seated at once"), &json!("record")));
}

#[sqlx::test]
async fn it_is_missed_too_when_the_desk_tells_of_the_seating_before_the_departure(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T06:00:00Z")).await;
    let clinic = clinic_with_miss_chain(&app).await;
    app.set(at("2026-11-02T09:20:00Z"));
    seat(&clinic, "2026-11-02T09:12:00Z").await;
    let flush = clinic.leave("2026-11-02T09:00:00Z").await;
    assert_eq!(clinic.task(&flush).await["task"]["missed_at"], "2026-11-02T09:12:00Z");
    assert_eq!(open(&clinic).await.len(), 1);
    // A patient who leaves after that seating is another one.
    app.set(at("2026-11-02T09:40:00Z"));
    let next = clinic.leave("2026-11-02T09:40:00Z").await;
    assert_eq!(clinic.task(&next).await["task"]["state"], "due");
    assert_eq!(open(&clinic).await.len(), 1);
}

#[sqlx::test]
async fn work_recorded_offline_before_the_seating_counts_and_what_makes_safe_is_withdrawn_with_the_action(
    pool: PgPool,
) {
    let app = App::new(pool, at("2026-11-02T06:00:00Z")).await;
    let clinic = clinic_with_miss_chain(&app).await;
    app.set(at("2026-11-02T09:00:00Z"));
    let flush = clinic.leave("2026-11-02T09:00:00Z").await;
    app.set(at("2026-11-02T09:05:00Z"));
    let offline = clinic.flush(830, &flush, 25);
    app.set(at("2026-11-02T09:12:00Z"));
    seat(&clinic, "2026-11-02T09:12:00Z").await;
    let item = open(&clinic).await.pop().expect("an action");
    let make_safe = clinic.due_of(routine::turnover_flush()).await;
    app.set(at("2026-11-02T09:30:00Z"));
    clinic.tablet.post("/v1/completions", offline).await.expect(201);
    assert_eq!(clinic.task(&flush).await["task"]["state"], "done");
    // The clinician recorded the work that lifts it.
    close(&clinic, &item, 860, LEAD).await.expect(201);
    assert_eq!(clinic.task(&make_safe).await["task"]["state"], "not_required");
    assert_eq!(lack(&clinic).await, None);
}

#[sqlx::test]
async fn a_seating_told_of_hours_later_opens_what_its_missed_work_asks_for_with_the_answer(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T06:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let (_, mut content) = scenario::routines().remove(1);
    content["on_miss"] = json!("missed_routine");
    content["window"]["missed_minutes"] = json!(600);
    let body = json!({ "effective_on": "2026-11-01", "routine": content });
    clinic.admin.put(&format!("/v1/routines/{}", routine::turnover_flush()), body).await.expect(200);
    app.plan().await;
    app.set(at("2026-11-02T09:00:00Z"));
    let flush = clinic.leave("2026-11-02T09:00:00Z").await;
    // Longer ago than the loop over missed work looks back.
    app.set(at("2026-11-02T12:10:00Z"));
    seat(&clinic, "2026-11-02T09:10:00Z").await;
    let item = open(&clinic).await.pop().expect("an action, with no tick of the loop");
    let opened = action(&clinic, &item).await;
    assert_eq!(opened["cause_id"], flush["task_id"], "{opened}");
    assert_eq!(look(&app).await, 0, "there is nothing left to open");
    let due = clinic.tablet.get(&format!("/v1/operatories/{}/due", clinic.chair)).await.expect(200);
    let tasks = due["tasks"].as_array().expect("a list");
    assert!(tasks.iter().any(|task| task["because"]["fact"]["kind"] == "missed_work"), "{due}");
}
