//! Evidence gathered offline: sent late, in one piece, in any order, and with mistakes in it.

use std::collections::{BTreeMap, BTreeSet};

use chairtide::domain::seal;
use chairtide::domain::seal::record::{Record, leaves};
use chairtide::domain::seal::tree::TreeHash;
use chairtide::store::seals;
use chrono::{DateTime, Days, TimeDelta, Utc};
use proptest::collection::vec;
use proptest::prelude::{Just, Strategy as _};
use proptest::strategy::ValueTree as _;
use proptest::test_runner::TestRunner;
use serde_json::{Value, json};
use sqlx::PgPool;
use uuid::Uuid;

use crate::support::app::{App, Client};
use crate::support::contents::{contents, count};
use crate::support::scenario::{self, Clinic, routine};
use crate::support::{at, id};

const COMPLETIONS: &str = "select count(*) from completion where group_id = $1";

async fn send(client: &Client<'_>, completions: &[Value]) -> Vec<Value> {
    let answer = client.post("/v1/completions/batch", json!({ "completions": completions })).await.expect(200);
    let answers = answer["answers"].as_array().expect("a list").clone();
    assert_eq!(answers.len(), completions.len());
    answers
}

/// Completions, as yet without ids, of what is due at the chairs of the clinic, each performed when it is due.
async fn due_work(clinic: &Clinic<'_>, ahead_minutes: u32) -> Vec<Value> {
    let path = format!("/v1/clinics/{}/due?ahead_minutes={ahead_minutes}", clinic.clinic_id);
    let list = clinic.tablet.get(&path).await.expect(200);
    let tasks = list["tasks"].as_array().expect("a list").iter().filter(|t| t["subject"]["kind"] == "operatory");
    let completion = |task: &Value| {
        let steps = task["steps"].as_array().expect("a list").iter().filter(|s| s["required"] == json!(true));
        let answer = |step: &Value| match step["evidence"]["kind"].as_str() {
            Some("hold") => json!({ "step": step["step"], "status": "done", "elapsed_seconds": 600 }),
            _ => json!({ "step": step["step"], "status": "done" }),
        };
        json!({
            "task_id": task["task_id"], "performed_at": task["due_by"], "performed_by": "KV", "steps": steps.map(answer).collect::<Vec<_>>(),
        })
    };
    tasks.map(completion).collect()
}

/// 25 chairs, two routines a day at each, ten working days: 500. The tablet fetched them two days at a time.
#[sqlx::test]
async fn a_tablet_that_was_offline_for_two_weeks_sends_500_completions_at_once(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-01T20:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    for n in 1..25 {
        let chair = scenario::operatory(clinic.clinic_id, &format!("Chair {n}"));
        clinic.admin.put(&format!("/v1/operatories/{}", id(2_000 + n)), chair).await.expect(201);
    }
    app.plan().await;
    let mut by_task = BTreeMap::new();
    while app.clock.now() < at("2026-11-15T20:00:00Z") {
        for completion in due_work(&clinic, 2 * 1440).await {
            by_task.entry(completion["task_id"].to_string()).or_insert(completion);
        }
        app.advance(TimeDelta::days(2));
    }
    let mut completions: Vec<Value> = by_task.into_values().collect();
    for (n, completion) in (10_000..).zip(&mut completions) {
        completion["completion_id"] = json!(id(n));
    }
    assert_eq!(completions.len(), 500);

    for status in ["recorded", "repeated"] {
        for (sent, answer) in completions.iter().zip(send(&clinic.tablet, &completions).await) {
            assert_eq!((&answer["status"], &answer["completion_id"]), (&json!(status), &sent["completion_id"]));
            let kept = &answer["completion"];
            assert_eq!((&kept["verdict"], &kept["late_entry"]), (&json!("passed"), &json!(true)), "{answer}");
        }
    }
    let done = "select count(*) from task where group_id = $1 and outcome = 'done' and subject_kind = 'operatory'
                and not done_late";
    assert_eq!((count(&pool, done, id(1)).await, count(&pool, COMPLETIONS, id(1)).await), (500, 500));
}

/// What became of a group's tasks and evidence, and what several entries raised together.
async fn settled(pool: &PgPool, group: u32) -> (Vec<String>, Vec<String>, Vec<String>) {
    let list = |sql: &'static str| sqlx::query_scalar(sql).bind(id(group)).fetch_all(pool);
    let tasks = list(
        "select (to_jsonb(t) - 'group_id')::text from task t where group_id = $1
                      order by task_id",
    )
    .await;
    let evidence = list(
        "select (to_jsonb(c) - 'group_id' - 'key_id')::text from completion c where group_id = $1
                         order by completion_id",
    )
    .await;
    let raised = list(
        "select (to_jsonb(f) - 'group_id')::text from raised_flag f where group_id = $1 order by completion_id, flag",
    )
    .await;
    (tasks.expect("tasks"), evidence.expect("evidence"), raised.expect("flags"))
}

/// A day's evidence with all that makes order matter: an attempt that failed, two people at one task, a sample and its
/// result, a correction, a void test; and all of it typed in at one go.
async fn hard_day(clinic: &Clinic<'_>, turnovers: &[Value; 3]) -> Vec<Value> {
    let app = clinic.admin.app;
    app.set(at("2026-11-02T08:35:00Z"));
    let spore = clinic.due_in_clinic(routine::spore_test()).await;
    let flush = clinic.due_of(routine::start_flush()).await;
    let performed = |mut completion: Value, time: &str| {
        completion["performed_at"] = json!(format!("2026-11-02T{time}:00Z"));
        completion
    };
    let mut completions = vec![
        performed(clinic.flush(1, &flush, 60), "08:00"),
        performed(clinic.flush(2, &flush, 125), "08:10"),
        performed(clinic.flush(3, &turnovers[0], 25), "09:03"),
        performed(clinic.flush(4, &turnovers[0], 30), "09:05"),
        performed(clinic.flush(5, &turnovers[1], 25), "10:04"),
        performed(clinic.flush(6, &turnovers[1], 9), "10:03"),
        performed(clinic.flush(7, &turnovers[2], 25), "11:40"),
        performed(clinic.spore(8, &spore, None), "08:50"),
        performed(clinic.spore(9, &spore, Some("0")), "08:55"),
        performed(clinic.spore(10, &spore, Some("1")), "20:00"),
    ];
    // The chair that was written down as flushed for 25 seconds had 9; the result belongs to another day's strip.
    completions[5]["corrects"] = json!(id(5));
    completions[5]["reason"] = json!("the stopwatch said nine");
    completions[8]["corrects"] = json!(id(8));
    completions[8]["reason"] = json!("read at once, by mistake noted as awaited");
    for completion in &mut completions {
        completion["entered_at"] = json!("2026-11-02T21:58:00Z");
    }
    completions
}

/// The completions as several tablets may send them: a correction with what it corrects, as it names that, a result with its
/// sample, and all else on any tablet, those of one task too; each tablet's in any order, and the tablets one after the other
/// in any order.
fn as_tablets_send_them(completions: &[Value], runner: &mut TestRunner) -> Vec<Vec<Value>> {
    let sampled = |c: &&Value| c["steps"].to_string().contains("result_pending");
    let tests: BTreeSet<String> = completions.iter().filter(sampled).map(|c| c["task_id"].to_string()).collect();
    let corrected = |c: &Value| {
        let of_test = Some(c["task_id"].to_string()).filter(|task_id| tests.contains(task_id));
        let own = if c["corrects"].is_null() { &c["completion_id"] } else { &c["corrects"] };
        of_test.unwrap_or_else(|| own.to_string())
    };
    let chains: Vec<String> = completions.iter().map(corrected).collect();
    let drawn = (Just(completions.to_vec()).prop_shuffle(), vec(0..3_usize, chains.len()));
    let (shuffled, tablet_of) = drawn.new_tree(runner).expect("a shuffle").current();
    let mut tablets = vec![Vec::new(); 3];
    for completion in shuffled {
        let chain = chains.iter().position(|chain| *chain == corrected(&completion)).expect("its chain");
        tablets[tablet_of[chain]].push(completion);
    }
    tablets.retain(|batch| !batch.is_empty());
    tablets
}

#[sqlx::test]
async fn the_order_of_batches_and_of_what_is_in_them_does_not_matter(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T06:00:00Z")).await;
    let mut runner = TestRunner::deterministic();
    let (mut ends, mut roots, mut orders) = (Vec::new(), Vec::new(), BTreeSet::new());
    for group in 1..=10 {
        app.set(at("2026-11-02T06:00:00Z"));
        // Every group has the same ids, so their tasks have too.
        let clinic = scenario::clinic_of(&app, app.group(id(group)).await, "Europe/London", 0).await;
        let mut turnovers = Vec::new();
        for left_at in ["2026-11-02T09:00:00Z", "2026-11-02T10:00:00Z", "2026-11-02T10:30:00Z"] {
            app.set(at(left_at));
            turnovers.push(clinic.leave(left_at).await);
        }
        let turnovers = turnovers.try_into().expect("three");
        let completions = hard_day(&clinic, &turnovers).await;
        let batches = match group {
            1 => vec![completions],
            2 => vec![completions.into_iter().rev().collect()],
            _ => as_tablets_send_them(&completions, &mut runner),
        };
        orders.insert(json!(batches).to_string());
        app.set(at("2026-11-02T22:00:00Z"));
        for batch in batches {
            for answer in send(&clinic.tablet, &batch).await {
                assert_eq!(answer["status"], "recorded", "group {group}: {answer}");
            }
        }
        ends.push(settled(&pool, group).await);
        roots.push(root_of_day(&pool, id(group), clinic.clinic_id).await);
    }
    assert_eq!(orders.len(), 10, "each another order");
    let (tasks, evidence, raised) = &ends[0];
    // But for the two corrections and the result, each entry is one of those of five tasks, done over hours.
    assert_eq!(raised.iter().filter(|row| row.contains("entered_together")).count(), 7, "{raised:?}");
    assert_eq!((tasks.iter().filter(|t| t.contains("\"done\"")).count(), evidence.len()), (3, 10));
    for end in &ends[1..] {
        for (rows, first) in [(&end.0, tasks), (&end.1, evidence), (&end.2, raised)] {
            assert_eq!(rows.len(), first.len());
            // Row by row: a failure is to say which.
            rows.iter().zip(first).for_each(|(row, first)| assert_eq!(row, first));
        }
    }
    assert!(roots.iter().all(|root| *root == roots[0]), "{roots:?}");
}

/// How many records a group has, and the root that would seal them: but for the group and the keys, which are random.
async fn root_of_day(pool: &PgPool, group_id: Uuid, clinic_id: Uuid) -> (usize, TreeHash) {
    let mut db = pool.acquire().await.expect("a connection");
    let rows =
        seals::records::list(&mut db, group_id, clinic_id, None, at("2026-11-03T00:00:00Z")).await.expect("rows");
    let mut records: Vec<Record> = rows.into_iter().map(|(_, record)| record).collect();
    for record in &mut records {
        record.fields.retain(|name, _| name != "group_id" && name != "key_id");
    }
    (records.len(), seal::day_root(&leaves(&records).expect("what the service writes can be hashed")))
}

#[sqlx::test]
async fn each_item_of_a_batch_is_answered_by_itself(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T07:40:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let flush = clinic.due_of(routine::start_flush()).await;
    let repeated = clinic.flush(1, &flush, 125);
    clinic.tablet.post("/v1/completions", repeated.clone()).await.expect(201);
    app.set(at("2026-11-02T09:00:00Z"));
    let turnover = clinic.leave("2026-11-02T08:58:00Z").await;
    let spore = clinic.due_in_clinic(routine::spore_test()).await;
    let with = |completion, name: &str, value: Value| {
        let mut body = clinic.flush(completion, &turnover, 25);
        body[name] = value;
        body
    };
    let mut not_required = with(10, "kind", json!("not_required"));
    (not_required["steps"], not_required["reason"]) = (json!([]), json!("no patient came"));
    let mut other_content = repeated.clone();
    other_content["note"] = json!("changed my mind");
    let batch = [
        (clinic.flush(2, &turnover, 25), "recorded", 0, ""),
        (with(3, "patient_name", json!("never kept")), "refused", 400, "/patient_name"),
        (repeated, "repeated", 0, ""),
        (other_content, "refused", 409, ""),
        (with(4, "note", json!("a\0b")), "refused", 400, "/note"),
        (with(5, "performed_at", json!("2026-11-02T09:30:00Z")), "refused", 422, "/performed_at"),
        (with(6, "task_id", json!(id(9))), "refused", 404, ""),
        (with(7, "task_id", json!("soon")), "refused", 400, "/task_id"),
        (not_required, "refused", 403, ""),
        (json!("a completion"), "refused", 400, ""),
        (Value::Null, "refused", 400, ""),
        (json!({ "completion_id": id(8) }), "refused", 400, ""),
        (clinic.spore(9, &spore, Some("0")), "recorded", 0, ""),
    ];
    let sent: Vec<Value> = batch.iter().map(|(item, ..)| item.clone()).collect();
    for ((item, status, code, pointer), answer) in batch.iter().zip(send(&clinic.tablet, &sent).await) {
        assert_eq!(answer["status"], *status, "{item}: {answer}");
        assert_eq!(answer["completion_id"], *item.get("completion_id").unwrap_or(&Value::Null));
        assert_eq!(answer.get("completion").is_some(), *status != "refused");
        assert_eq!(answer["problem"]["status"].as_u64().unwrap_or(0), *code, "{answer}");
        assert_eq!(answer["problem"]["errors"][0]["pointer"].as_str().unwrap_or_default(), *pointer, "{answer}");
    }
    assert_eq!(count(&pool, COMPLETIONS, id(1)).await, 3);
    let kept: String = sqlx::query_scalar("select string_agg(c::text, ' ') from completion c")
        .fetch_one(&pool)
        .await
        .expect("evidence");
    assert!(!kept.contains("never kept"));
}

#[sqlx::test]
async fn a_batch_of_none_or_of_more_than_500_is_refused_whole(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T07:40:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let flush = clinic.due_of(routine::start_flush()).await;
    let before = contents(&pool, id(1)).await;
    let too_many: Vec<Value> = (1..=501).map(|n| clinic.flush(n, &flush, 125)).collect();
    for completions in [too_many, Vec::new()] {
        let refused = clinic.tablet.post("/v1/completions/batch", json!({ "completions": completions })).await;
        refused.expect(400);
        assert_eq!(refused.pointers(), ["/completions"]);
    }
    let manager = clinic.manager.post("/v1/completions/batch", json!({ "completions": [] })).await;
    manager.expect(400);
    assert_eq!(contents(&pool, id(1)).await, before);
}

#[sqlx::test]
async fn work_done_in_its_window_counts_however_late_it_is_sent_and_work_done_after_it_does_not(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T07:40:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let monday = clinic.due_of(routine::start_flush()).await;
    let in_time = clinic.flush(1, &monday, 125);
    app.set(at("2026-11-03T07:40:00Z"));
    let tuesday = clinic.due_of(routine::start_flush()).await;
    app.set(at("2026-11-03T12:31:00Z"));
    let too_late = clinic.flush(2, &tuesday, 125);
    app.set(at("2026-11-04T06:00:00Z"));
    for task in [&monday, &tuesday] {
        assert_eq!(clinic.task(task).await["task"]["state"], "missed");
    }
    let answers = send(&clinic.tablet, &[in_time, too_late]).await;
    let flags = |n: usize| {
        let kept = &answers[n]["completion"];
        (kept["late"] == json!(true), kept["late_entry"] == json!(true))
    };
    assert_eq!((flags(0), flags(1)), ((false, true), (true, true)), "{answers:?}");
    assert_eq!(clinic.task(&monday).await["task"]["state"], "done");
    let missed = clinic.task(&tuesday).await;
    assert_eq!(
        (&missed["task"]["state"], &missed["completions"][0]["completion_id"]),
        (&json!("missed"), &json!(id(2)))
    );
    assert_ne!(missed["completions"][0]["findings"], json!([]), "a reader is told why it does not count");
}

#[sqlx::test]
async fn the_manager_may_declare_work_not_required_and_must_say_why(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T07:40:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let flush = clinic.due_of(routine::start_flush()).await;
    let mut declared = clinic.flush(1, &flush, 0);
    (declared["kind"], declared["steps"]) = (json!("not_required"), json!([]));
    let refused = send(&clinic.manager, std::slice::from_ref(&declared)).await;
    assert_eq!(refused[0]["problem"]["errors"][0]["pointer"], "/reason");
    declared["reason"] = json!("the operatory is being painted");
    let by_chairside = send(&clinic.tablet, std::slice::from_ref(&declared)).await;
    assert_eq!(by_chairside[0]["problem"]["status"], 403);
    // Whoever manages does not record the work itself.
    let work = send(&clinic.manager, &[clinic.flush(2, &flush, 125)]).await;
    assert_eq!(work[0]["problem"]["status"], 403);
    assert_eq!(clinic.task(&flush).await["task"]["state"], "due");

    assert_eq!(send(&clinic.manager, &[declared]).await[0]["completion"]["verdict"], "not_required");
    let task = clinic.task(&flush).await;
    let told = (&task["task"]["state"], &task["task"]["outcome_reason"]);
    assert_eq!(told, (&json!("not_required"), &json!("the operatory is being painted")));
    let ready = clinic.desk.get(&format!("/v1/operatories/{}/readiness", clinic.chair)).await.expect(200);
    assert_eq!(ready["missing"], json!([]));
}

/// An invalid spore test is repeated at once: common practice, no source.
#[sqlx::test]
async fn a_void_test_is_due_again_at_once(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T09:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let spore = clinic.due_in_clinic(routine::spore_test()).await;
    let mut void = clinic.spore(1, &spore, None);
    (void["kind"], void["steps"], void["reason"]) = (json!("void"), json!([]), json!("the control strip did not grow"));
    app.set(at("2026-11-02T15:00:00Z"));
    clinic.tablet.post("/v1/completions", void.clone()).await.expect(201);
    clinic.tablet.post("/v1/completions", void).await.expect(200);

    assert_eq!(clinic.task(&spore).await["task"]["state"], "void");
    let again = clinic.due_in_clinic(routine::spore_test()).await;
    assert_eq!(again["slot"], json!(format!("repeat:{}", id(1))));
    assert_eq!(
        (&again["due_from"], &again["due_by"]),
        (&json!("2026-11-02T15:00:00Z"), &json!("2026-11-02T15:00:00Z"))
    );
    assert_eq!(again["state"], "grace");
    app.plan().await;
    let kept = clinic.tablet.post("/v1/completions", clinic.spore(2, &again, Some("0"))).await.expect(201);
    assert_eq!((&kept["verdict"], &clinic.task(&again).await["task"]["state"]), (&json!("passed"), &json!("done")));
}

/// A void that was entered by mistake leaves no second test behind; a void corrected by a void leaves one.
#[sqlx::test]
async fn a_corrected_void_leaves_one_repeat_or_none(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T09:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let spore = clinic.due_in_clinic(routine::spore_test()).await;
    let void = |n: u32, corrects: Option<u32>| {
        let mut void = clinic.spore(n, &spore, None);
        (void["kind"], void["steps"], void["reason"]) = (json!("void"), json!([]), json!("the control did not grow"));
        void["corrects"] = json!(corrects.map(id));
        void
    };
    let repeats = || async {
        let rows: Vec<(String, Option<String>)> =
            sqlx::query_as("select slot, outcome from task where slot like 'repeat:%' order by slot")
                .fetch_all(&pool)
                .await
                .expect("tasks");
        rows
    };
    let first = format!("repeat:{}", id(1));
    clinic.tablet.post("/v1/completions", void(1, None)).await.expect(201);
    clinic.tablet.post("/v1/completions", void(2, Some(1))).await.expect(201);
    assert_eq!(repeats().await, [(first.clone(), None)], "one repeat, not two");
    let mut done = clinic.spore(3, &spore, Some("0"));
    (done["corrects"], done["reason"]) = (json!(id(2)), json!("the strip of another machine was meant"));
    clinic.tablet.post("/v1/completions", done).await.expect(201);
    assert_eq!(repeats().await, [(first.clone(), Some("not_required".to_owned()))]);
    // Void after all: the repeat that was withdrawn does not stand for it.
    clinic.tablet.post("/v1/completions", void(4, Some(3))).await.expect(201);
    let second = (format!("repeat:{}", id(4)), None);
    assert_eq!(repeats().await, [(first, Some("not_required".to_owned())), second]);
}

/// A void found when no window of its clinic day can be open any more is kept, and says what becomes of it.
#[sqlx::test]
async fn a_void_found_months_later_is_kept_and_says_that_no_repeat_follows(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T09:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let spore = clinic.due_in_clinic(routine::spore_test()).await;
    let mut void = clinic.spore(1, &spore, None);
    (void["kind"], void["steps"], void["reason"]) = (json!("void"), json!([]), json!("the control did not grow"));
    app.set(at("2027-02-12T09:00:00Z"));
    let kept = clinic.tablet.post("/v1/completions", void).await.expect(201);
    let findings = kept["findings"].to_string();
    assert!(findings.contains("too late for a repeat"), "{findings}");
    let repeats: i64 = sqlx::query_scalar("select count(*) from task where slot like 'repeat:%'")
        .fetch_one(&pool)
        .await
        .expect("a count");
    assert_eq!(repeats, 0);
}

/// The test is taken in its window; its strip is read days after. Growth in a test is a failed test and a done task.
#[sqlx::test]
async fn a_result_that_follows_after_the_window_completes_the_sample_taken_in_it(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T09:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    for (week, growth, verdict) in [(0, "0", "passed"), (1, "1", "failed")] {
        let monday: DateTime<Utc> = at("2026-11-02T09:00:00Z") + Days::new(7 * week);
        app.set(monday);
        app.plan().await;
        let spore = clinic.due_in_clinic(routine::spore_test()).await;
        let number = u32::try_from(10 * week).expect("small");
        let sample = clinic.tablet.post("/v1/completions", clinic.spore(number + 1, &spore, None)).await.expect(201);
        assert_eq!(sample["verdict"], "result_pending");
        // The window of the sample ended on Saturday at 08:30, five days after the opening.
        app.set(monday + Days::new(6));
        assert_eq!(clinic.due_in_clinic(routine::spore_test()).await["state"], "result_pending");
        let result = clinic.tablet.post("/v1/completions", clinic.spore(number + 2, &spore, Some(growth))).await;
        let result = result.expect(201);
        assert_eq!((&result["verdict"], &result["duplicate"]), (&json!(verdict), &json!(false)), "{result}");
        let task = clinic.task(&spore).await["task"].clone();
        assert_eq!((&task["state"], &task["failed_attempt"]), (&json!("done"), &json!(verdict == "failed")));
    }
}

#[sqlx::test]
async fn a_correction_points_at_what_it_corrects_and_both_stay(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T07:40:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let flush = clinic.due_of(routine::start_flush()).await;
    let first = clinic.tablet.post("/v1/completions", clinic.flush(1, &flush, 125)).await.expect(201);
    let mut correction = clinic.flush(2, &flush, 90);
    correction["corrects"] = json!(id(1));
    assert_eq!(clinic.tablet.post("/v1/completions", correction.clone()).await.pointers(), ["/reason"]);
    correction["reason"] = json!("read off the wrong stopwatch");
    let second = clinic.tablet.post("/v1/completions", correction).await.expect(201);
    assert_eq!((&second["corrects"], &second["verdict"]), (&json!(id(1)), &json!("failed")));

    let task = clinic.task(&flush).await;
    assert_eq!(task["completions"], json!([first, second]));
    assert_eq!((&task["task"]["state"], &task["task"]["failed_attempt"]), (&json!("due"), &json!(true)));
    let mut fork = clinic.flush(3, &flush, 125);
    (fork["corrects"], fork["reason"]) = (json!(id(1)), json!("once more"));
    assert_eq!(clinic.tablet.post("/v1/completions", fork.clone()).await.pointers(), ["/corrects"]);
    fork["corrects"] = json!(id(2));
    clinic.tablet.post("/v1/completions", fork).await.expect(201);
    assert_eq!(clinic.task(&flush).await["task"]["state"], "done");
}
