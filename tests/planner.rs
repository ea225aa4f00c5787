//! The planner against a real database: what it makes, what it moves, and what it leaves alone.

use std::collections::BTreeMap;

use chrono::NaiveDate;
use serde_json::{Value, json};
use sqlx::PgPool;
use uuid::Uuid;

use crate::support::app::{App, HORIZON_DAYS};
use crate::support::contents::{contents, count};
use crate::support::scenario::{self, Clinic, routine};
use crate::support::{at, id};

/// A task as the planner decides it, by id.
type Plan = BTreeMap<Uuid, Value>;

/// The plan of a group: everything of its tasks but when they were planned.
async fn plan_of(pool: &PgPool, group_id: Uuid) -> Plan {
    let rows: Vec<(Uuid, Value)> = sqlx::query_as(
        "select task_id, to_jsonb(t) - array['planned_at', 'outcome_at', 'revision'] from task t where group_id = $1",
    )
    .bind(group_id)
    .fetch_all(pool)
    .await
    .expect("tasks");
    rows.into_iter().collect()
}

/// Has every clinic planned anew, as a change of the time zone data does.
async fn replan_everything(app: &App) -> usize {
    sqlx::query("update clinic_plan set zone_data = 'older'").execute(&app.pool).await.expect("marked");
    app.plan().await.tasks
}

/// Open every day from 08:30 to 18:00.
fn every_day() -> Value {
    let day = json!([{ "opens": "08:30", "closes": "18:00" }]);
    let days = ["monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday"];
    json!({ "week": days.map(|name| (name, day.clone())).into_iter().collect::<BTreeMap<_, _>>() })
}

fn hours_path(clinic: &Clinic<'_>) -> String {
    format!("/v1/clinics/{}/hours", clinic.clinic_id)
}

fn of_routine(plan: &Plan, routine_id: Uuid) -> impl Iterator<Item = &Value> {
    plan.values().filter(move |task| task["routine_id"] == json!(routine_id))
}

#[sqlx::test]
async fn planning_again_changes_nothing(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-01T12:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    clinic.desk.post(&format!("/v1/clinics/{}/day-start", clinic.clinic_id), json!({})).await.expect(201);
    let planned = plan_of(&pool, id(1)).await;
    assert!(planned.len() > 20, "{}", planned.len());
    let before = contents(&pool, id(1)).await;
    assert_eq!(app.plan().await.clinics, 0, "nothing is due for planning");
    assert_eq!(contents(&pool, id(1)).await, before);
    for _ in 0..2 {
        assert_eq!(replan_everything(&app).await, 0);
        let after = contents(&pool, id(1)).await;
        for table in ["task", "event"] {
            assert_eq!(after[table], before[table], "{table}");
        }
    }
}

#[sqlx::test]
async fn four_planners_at_once_plan_every_clinic_and_double_no_task(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-01T12:00:00Z")).await;
    for group in 1..=3 {
        let admin = app.group(id(group)).await;
        for (offset, zone) in [(0, "Europe/London"), (1, "America/New_York"), (2, "Australia/Adelaide")] {
            scenario::configure(admin.clone(), zone, offset).await;
        }
    }
    let (a, b, c, d) = tokio::join!(app.plan(), app.plan(), app.plan(), app.plan());
    let reports = [a, b, c, d];
    assert_eq!(reports.iter().map(|r| (r.clinics, r.failed)).fold((0, 0), |s, r| (s.0 + r.0, s.1 + r.1)), (9, 0));
    let unplanned = "select count(*) from clinic_plan where planned_through is null and $1 is not null";
    assert_eq!(count(&pool, unplanned, id(1)).await, 0);
    // The groups are configured alike, so their tasks have the same ids and times.
    let first = plan_of(&pool, id(1)).await;
    let doubled = "select count(*) - count(distinct (routine_id, subject_id, clinic_day, slot)) from task
                   where group_id = $1";
    for group in 1..=3 {
        assert!(plan_of(&pool, id(group)).await.keys().eq(first.keys()));
        assert_eq!(count(&pool, doubled, id(group)).await, 0);
    }
    assert_eq!(reports.iter().map(|r| r.tasks).sum::<usize>(), 3 * first.len());
    // And one planner alone has nothing to add.
    assert_eq!(replan_everything(&app).await, 0);
}

#[sqlx::test]
async fn the_plan_reaches_fourteen_days_ahead_and_each_day_adds_one(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T12:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    clinic.admin.put(&hours_path(&clinic), every_day()).await.expect(200);
    app.plan().await;
    let day = |task: &Value| task["clinic_day"].as_str().expect("a date").parse::<NaiveDate>().expect("a date");
    let days = async || {
        let plan = plan_of(&pool, id(1)).await;
        let mut days: Vec<NaiveDate> = of_routine(&plan, routine::line_disinfection()).map(day).collect();
        days.sort_unstable();
        days
    };
    let monday: NaiveDate = "2026-11-02".parse().expect("a date");
    let before = days().await;
    let ahead: Vec<NaiveDate> = monday.iter_days().take(HORIZON_DAYS as usize + 1).collect();
    assert!(before.iter().filter(|d| **d >= monday).zip(&ahead).all(|(has, wanted)| has == wanted), "{before:?}");
    assert!(before.last() >= ahead.last(), "{before:?}");

    app.set(at("2026-11-02T23:59:59Z"));
    assert_eq!(app.plan().await.clinics, 0, "the day is not over");
    app.set(at("2026-11-03T00:00:00Z"));
    app.plan().await;
    let after = days().await;
    assert_eq!(after[..before.len()], before);
    assert_eq!(after[before.len()..], [before.last().expect("days").succ_opt().expect("a next day")]);
}

/// Changes that move the plan; each leaves what was started or done alone.
#[sqlx::test]
async fn a_change_of_the_configuration_moves_what_is_to_come_and_leaves_what_was_begun(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T06:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    // Done: Monday's flush. Started and not ended: Monday's closing.
    app.set(at("2026-11-02T07:40:00Z"));
    let done = clinic.due_of(routine::start_flush()).await;
    clinic.tablet.post("/v1/completions", clinic.flush(7001, &done, 125)).await.expect(201);
    app.set(at("2026-11-02T17:40:00Z"));
    let started = clinic.due_of(routine::line_disinfection()).await;
    let hold = json!({ "hold_id": id(7002), "step": "contact", "performed_by": "KV" });
    let holds = format!("/v1/tasks/{}/holds", started["task_id"].as_str().expect("an id"));
    clinic.tablet.post(&holds, hold).await.expect(201);
    app.set(at("2026-11-02T17:45:00Z"));

    let task_id = |task: &Value| task["task_id"].as_str().and_then(|id| id.parse::<Uuid>().ok()).expect("an id");
    let begun = [task_id(&done), task_id(&started)];
    let original = plan_of(&pool, id(1)).await;
    let here = format!("/v1/clinics/{}", clinic.clinic_id);
    let earlier = json!([{ "opens": "07:00", "closes": "16:00" }]);
    let new_week = json!({ "week": { "monday": earlier, "tuesday": earlier, "wednesday": earlier } });
    let old_week = json!({ "week": scenario::split_week() });
    let closure = json!({ "from_local": "2026-11-02T00:00", "until_local": "2026-11-05T00:00", "reason": "works" });
    let closures = format!("{here}/closures/{}", id(900));
    let chair = format!("/v1/operatories/{}", clinic.chair);
    let unit = scenario::operatory(clinic.clinic_id, "Chair 0");
    let mut broken = unit.clone();
    broken["service"] = json!({ "state": "out_of_service", "reason": "the valve leaks" });
    let ladder =
        json!({ "rungs": [{ "after_minutes": 7, "counted_in": "elapsed_time", "audience": "group_manager" }] });
    let default_ladder = clinic.admin.get("/v1/ladder").await.expect(200);

    // Tuesday's flush: what it is by each change, and that the way back leads to the first plan.
    let tuesday = |plan: &Plan| {
        let task = of_routine(plan, routine::start_flush()).find(|t| t["clinic_day"] == "2026-11-03").cloned();
        task.map(|t| {
            (t["due_by"].clone(), t["outcome"].clone(), t["outcome_reason"].clone(), t["rung_audience"].clone())
        })
    };
    let usual = json!("2026-11-03T08:30:00+00:00");
    let rungs = json!(["chairside", "clinic_lead", "group_manager"]);
    let none = (Value::Null, json!(""));
    let closed = (json!("not_required"), json!("closed: works"));
    let out = (json!("not_required"), json!("out of service: the valve leaks"));
    let cases = [
        (
            hours_path(&clinic),
            new_week,
            Some(old_week),
            (json!("2026-11-03T07:00:00+00:00"), none.clone(), rungs.clone()),
        ),
        (closures, closure, None, (usual.clone(), closed, rungs.clone())),
        (chair, broken, Some(unit), (usual.clone(), out, rungs)),
        ("/v1/ladder".to_owned(), ladder, Some(default_ladder), (usual, none, json!(["group_manager"]))),
    ];
    for (path, change, back, (due_by, (outcome, reason), audience)) in cases {
        let put = clinic.admin.put(&path, change).await;
        assert!(put.status.is_success(), "{}", put.text);
        assert!(app.plan().await.tasks > 0, "{path}");
        let changed = plan_of(&pool, id(1)).await;
        assert_eq!(tuesday(&changed), Some((due_by, outcome, reason, audience)), "{path}");
        for task in &begun {
            assert_eq!(changed[task], original[task], "{path}");
        }
        let undone = match back {
            Some(body) => clinic.admin.put(&path, body).await,
            None => clinic.admin.delete(&path).await,
        };
        assert!(undone.status.is_success(), "{}", undone.text);
        app.plan().await;
        assert_eq!(plan_of(&pool, id(1)).await, original, "{path}");
    }
}

#[sqlx::test]
async fn a_new_version_of_a_routine_plans_the_days_from_its_date_on(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T07:40:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let original = plan_of(&pool, id(1)).await;
    let (_, mut content) = scenario::routines().remove(0);
    content["window"]["due_by_minutes"] = json!(-5);
    let version = json!({ "effective_on": "2026-11-05", "routine": content });
    clinic.admin.put(&format!("/v1/routines/{}", routine::start_flush()), version).await.expect(200);
    app.plan().await;
    let mut versions = Vec::new();
    for (task_id, task) in &plan_of(&pool, id(1)).await {
        let is_later = task["clinic_day"].as_str() >= Some("2026-11-05");
        if task["routine_id"] != json!(routine::start_flush()) || !is_later {
            assert_eq!(task, &original[task_id]);
            continue;
        }
        versions.push(task["routine_version"].clone());
        assert!(task["due_by"].as_str().is_some_and(|due| due.ends_with("08:25:00+00:00")), "{task}");
    }
    assert!(versions.len() > 5 && versions.iter().all(|v| *v == json!(2)), "{versions:?}");
}

#[sqlx::test]
async fn a_due_task_the_plan_no_longer_holds_stays_as_not_required_and_a_routine_out_of_use_plans_nothing(
    pool: PgPool,
) {
    let app = App::new(pool.clone(), at("2026-11-02T07:40:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let due = clinic.due_of(routine::start_flush()).await;
    let (_, mut content) = scenario::routines().remove(0);
    content["in_use"] = json!(false);
    let version = json!({ "effective_on": "2026-11-02", "routine": content });
    clinic.admin.put(&format!("/v1/routines/{}", routine::start_flush()), version).await.expect(200);
    app.plan().await;
    let task = clinic.task(&due).await["task"].clone();
    assert_eq!(task["state"], "not_required", "{task}");
    assert!(task["outcome_reason"].as_str().is_some_and(|reason| reason.starts_with("withdrawn")), "{task}");
    let plan = plan_of(&pool, id(1)).await;
    // A tablet may have fetched two days ahead; the days after them have none.
    let days: Vec<_> = of_routine(&plan, routine::start_flush()).map(|t| (&t["clinic_day"], &t["outcome"])).collect();
    let withdrawn = json!("not_required");
    let two_days = [json!("2026-11-02"), json!("2026-11-03"), json!("2026-11-04")];
    assert_eq!(days.len(), two_days.len(), "{days:?}");
    assert!(two_days.iter().all(|day| days.contains(&(day, &withdrawn))), "{days:?}");
    assert!(of_routine(&plan, routine::line_disinfection()).count() > 5);
    let ready = clinic.desk.get(&format!("/v1/operatories/{}/readiness", clinic.chair)).await.expect(200);
    assert_eq!(ready["ready_by_record"], json!(true));
    app.set(at("2026-11-09T12:00:00Z"));
    app.plan().await;
    assert_eq!(of_routine(&plan_of(&pool, id(1)).await, routine::start_flush()).count(), two_days.len());
}

/// A tablet that went offline with tomorrow's work, and an edit that took the work off the plan meanwhile.
#[sqlx::test]
async fn evidence_for_a_task_that_was_fetched_ahead_and_dropped_from_the_plan_is_kept(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T07:40:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let ahead = format!("/v1/operatories/{}/due?ahead_minutes=2880", clinic.chair);
    let list = clinic.tablet.get(&ahead).await.expect(200);
    let flushes = list["tasks"].as_array().expect("tasks").iter();
    let of_wednesday = flushes
        .filter(|t| t["routine_id"] == json!(routine::start_flush()))
        .find(|t| t["clinic_day"] == "2026-11-04")
        .expect("the flush of the day after tomorrow")
        .clone();
    let (_, mut content) = scenario::routines().remove(0);
    content["in_use"] = json!(false);
    let version = json!({ "effective_on": "2026-11-02", "routine": content });
    clinic.admin.put(&format!("/v1/routines/{}", routine::start_flush()), version).await.expect(200);
    app.plan().await;

    app.set(at("2026-11-04T08:20:00Z"));
    let kept = clinic.tablet.post("/v1/completions", clinic.flush(1, &of_wednesday, 125)).await.expect(201);
    assert_eq!(kept["verdict"], "passed", "{kept}");
    assert_eq!(clinic.task(&of_wednesday).await["task"]["state"], "done");
}

/// A clinic whose rows cannot be planned must not keep the others waiting.
#[sqlx::test]
async fn a_clinic_that_cannot_be_planned_is_noted_and_the_others_are_planned(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-01T12:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let other = json!({ "name": "Second", "zone": "Europe/London" });
    clinic.admin.put(&format!("/v1/clinics/{}", id(101)), other).await.expect(201);
    // A failure of the database itself, and only for the first clinic.
    let refuse = format!(
        "create function refuse() returns trigger language plpgsql as $$ begin
             if new.clinic_id = '{}' then raise exception 'broken for this clinic'; end if; return new;
         end $$;
         create trigger refuse before update of planned_through on clinic_plan for each row
             when (new.last_error is null) execute function refuse()",
        clinic.clinic_id
    );
    sqlx::raw_sql(sqlx::AssertSqlSafe(refuse)).execute(&pool).await.expect("a trigger");
    sqlx::query("update clinic_plan set zone_data = 'older'").execute(&pool).await.expect("marked");
    let report = app.plan().await;
    assert_eq!((report.clinics, report.failed), (1, 1));
    let noted: Vec<(Uuid, Option<String>)> =
        sqlx::query_as("select clinic_id, last_error from clinic_plan order by last_error nulls last")
            .fetch_all(&pool)
            .await
            .expect("plans");
    assert!(noted[0].1.as_deref().is_some_and(|error| error.contains("broken for this clinic")), "{noted:?}");
    assert_eq!(noted[1], (id(101), None));
}

#[sqlx::test]
async fn a_closure_that_is_taken_back_leaves_the_plan_as_it_was(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-01T12:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let original = plan_of(&pool, id(1)).await;
    let path = format!("/v1/clinics/{}/closures/{}", clinic.clinic_id, id(900));
    let whole_days = ("2026-11-09T00:00", "2026-11-11T00:00");
    for (from, until) in
        [whole_days, ("2026-11-04T08:00", "2026-11-04T10:00"), ("2026-11-02T00:00", "2027-11-01T00:00")]
    {
        let closure = json!({ "from_local": from, "until_local": until, "reason": "works in the street" });
        clinic.admin.put(&path, closure).await.expect(201);
        app.plan().await;
        let closed = plan_of(&pool, id(1)).await;
        assert_ne!(closed, original, "{from}");
        if (from, until) == whole_days {
            // Two flushes and two closings are not required; the test of the 9th moves to the 11th.
            let outcomes = closed.values().filter(|t| t["outcome_reason"] == "closed: works in the street").count();
            assert_eq!(outcomes, 4);
            let moved = of_routine(&closed, routine::spore_test()).find(|t| t["slot"] == "rule:2026-11-09");
            assert_eq!(moved.map(|t| &t["clinic_day"]), Some(&json!("2026-11-11")));
        }
        clinic.admin.delete(&path).await;
        app.plan().await;
        assert_eq!(plan_of(&pool, id(1)).await, original, "{from}");
    }
}

/// An interval drifts with the work: done two days late, it comes two days later the next time.
#[sqlx::test]
async fn a_completion_moves_what_is_counted_from_it(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T07:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let source = json!({ "title": "common practice", "edition": "none", "seen": "common_practice" });
    let content = json!({
        "name": "Wipe out the steriliser", "subject_kind": "steriliser",
        "anchor": { "kind": "interval", "every": { "days": 4 }, "place": { "kind": "opening" },
                    "closed_day": "next_open_day" },
        "window": { "may_start_minutes": 0, "due_by_minutes": 480, "overdue_minutes": 600, "missed_minutes": 5760 },
        "steps": [{ "key": "wipe", "instruction": "Wipe it out.", "evidence": { "kind": "confirmation" } }],
        "sources": [source], "rough_minutes": 10,
    });
    let body = json!({ "effective_on": "2026-11-02", "routine": content });
    clinic.admin.put(&format!("/v1/routines/{}", id(700)), body).await.expect(201);
    app.plan().await;
    let days = || async {
        let plan = plan_of(&pool, id(1)).await;
        let mut days: Vec<String> = of_routine(&plan, id(700))
            .filter(|t| t["outcome"] == Value::Null)
            .map(|t| t["slot"].as_str().expect("a slot").to_owned())
            .collect();
        days.sort();
        days.truncate(3);
        days
    };
    assert_eq!(days().await, ["interval:2026-11-02", "interval:2026-11-06", "interval:2026-11-10"]);
    app.set(at("2026-11-04T12:00:00Z"));
    app.plan().await;
    // From here on nothing but the completion has the clinic planned.
    let task = clinic.due_in_clinic(id(700)).await;
    let done = json!({ "completion_id": id(701), "task_id": task["task_id"], "kind": "performed",
                       "performed_at": "2026-11-04T11:30:00Z", "performed_by": "KV",
                       "steps": [{ "step": "wipe", "status": "done" }] });
    clinic.tablet.post("/v1/completions", done).await.expect(201);
    app.plan().await;
    assert_eq!(days().await, ["interval:2026-11-08", "interval:2026-11-12", "interval:2026-11-16"]);
}

/// British Columbia stays on UTC-7 from 2026-03-08 on (tz database 2026b, NEWS; read in `tz_staleness_2026.json`), so
/// its winter of 2026 lies an hour earlier than older data say.
#[sqlx::test]
async fn what_new_zone_data_moves_is_told_task_by_task(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-12-01T12:00:00Z")).await;
    let clinic = scenario::clinic(&app, "America/Vancouver").await;
    let none = clinic.manager.get("/v1/zone-moves").await.expect(200);
    assert_eq!(none["items"], json!([]), "nothing was planned with other data yet");
    // As a service with the data of 2025 left it: every instant an hour later.
    sqlx::query(
        "update task set anchor_at = anchor_at + interval '1 hour', due_from = due_from + interval '1 hour',
             due_by = due_by + interval '1 hour', overdue_at = overdue_at + interval '1 hour',
             missed_at = missed_at + interval '1 hour'
         where slot = 'opening' and clinic_day > '2026-12-03'",
    )
    .execute(&pool)
    .await
    .expect("moved");
    sqlx::query("update clinic_plan set zone_data = '2025b'").execute(&pool).await.expect("marked");
    app.plan().await;
    let moved = clinic.manager.get("/v1/zone-moves?limit=3").await;
    let page = moved.expect(200);
    let items = page["items"].as_array().expect("items");
    assert_eq!(items.len(), 3);
    assert!(moved.header("link").contains("next"), "more were moved than one page holds");
    for item in items {
        assert_eq!((&item["from_release"], &item["clinic_id"]), (&json!("2025b"), &json!(clinic.clinic_id)));
        let instant = |name: &str| at(item[name].as_str().expect("an instant"));
        assert_eq!(instant("anchor_before") - instant("anchor_after"), chrono::TimeDelta::hours(1), "{item}");
    }
    // 08:30 at UTC-7.
    let stored: Vec<(chrono::DateTime<chrono::Utc>,)> =
        sqlx::query_as("select anchor_at from task where slot = 'opening' and clinic_day = '2026-12-04'")
            .fetch_all(&pool)
            .await
            .expect("tasks");
    assert_eq!(stored[0].0, at("2026-12-04T15:30:00Z"));
}

#[sqlx::test]
async fn a_clinic_without_hours_plans_nothing(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-01T12:00:00Z")).await;
    let admin = app.group(id(1)).await;
    let clinic = json!({ "name": "Not open yet", "zone": "Europe/London" });
    admin.put(&format!("/v1/clinics/{}", id(100)), clinic).await.expect(201);
    admin.put(&format!("/v1/operatories/{}", id(200)), scenario::operatory(id(100), "Chair")).await.expect(201);
    let machine = json!({ "clinic_id": id(100), "kind": "steriliser", "name": "Steriliser",
                          "service": { "state": "in_service" } });
    admin.put(&format!("/v1/equipment/{}", id(300)), machine).await.expect(201);
    for (routine_id, content) in scenario::routines() {
        let body = json!({ "effective_on": "2026-01-01", "routine": content });
        admin.put(&format!("/v1/routines/{routine_id}"), body).await.expect(201);
    }
    assert_eq!(app.plan().await.clinics, 1);
    assert_eq!(plan_of(&pool, id(1)).await, Plan::new());

    // The first hours make the plan.
    let week = json!({ "week": scenario::split_week() });
    admin.put(&format!("/v1/clinics/{}/hours", id(100)), week).await.expect(201);
    app.plan().await;
    assert!(plan_of(&pool, id(1)).await.len() > 20);
}
