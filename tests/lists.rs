//! What managers and other systems read: what is overdue, sums, readiness, and the reporting views.

use axum::http::Method;
use chairtide::store::reporting;
use chrono::TimeDelta;
use serde_json::{Value, json};
use sqlx::{AssertSqlSafe, ConnectOptions as _, PgConnection, PgPool};
use uuid::Uuid;

use crate::support::app::{Answer, App};
use crate::support::contents::count;
use crate::support::scenario::{self, Clinic, routine};
use crate::support::{at, id};

/// London and New York on a Tuesday, 10:00 UTC. What is overdue then, counted by hand: London opens at 08:30 UTC and
/// New York at 13:30 UTC. The ladder's second rung is 60 opening minutes after a task became overdue (common practice,
/// no source).
async fn two_clinics(app: &App) -> (Clinic<'_>, Clinic<'_>) {
    let london = scenario::clinic(app, "Europe/London").await;
    let york = scenario::clinic_of(app, london.admin.clone(), "America/New_York", 1).await;
    app.set(at("2026-11-03T09:30:00Z"));
    london.leave("2026-11-03T09:30:00Z").await;
    app.set(at("2026-11-03T10:00:00Z"));
    (london, york)
}

/// Clinic, routine, level and the instant it became overdue.
type Line = (Uuid, Uuid, u64, &'static str);

fn wanted(london: &Clinic<'_>, york: &Clinic<'_>) -> [Line; 4] {
    [
        // Monday's spore test: 16 hours after 08:30; level 2 since 09:30, an hour into Tuesday's opening.
        (london.clinic_id, routine::spore_test(), 2, "2026-11-03T00:30:00Z"),
        // Tuesday's flush: ten minutes after 08:30; level 2 since 09:40.
        (london.clinic_id, routine::start_flush(), 2, "2026-11-03T08:40:00Z"),
        // Monday's spore test in New York: 16 hours after 13:30; closed since.
        (york.clinic_id, routine::spore_test(), 1, "2026-11-03T05:30:00Z"),
        // The patient left at 09:30; a quarter of an hour later.
        (london.clinic_id, routine::turnover_flush(), 1, "2026-11-03T09:45:00Z"),
    ]
}

fn lines(list: &Value) -> Vec<(Value, Value, Value, Value)> {
    let line = |item: &Value| {
        (item["clinic_id"].clone(), item["routine_id"].clone(), item["level"].clone(), item["overdue_at"].clone())
    };
    list["items"].as_array().expect("a list").iter().map(line).collect()
}

fn as_lines(lines: &[&Line]) -> Vec<(Value, Value, Value, Value)> {
    lines.iter().map(|(c, r, level, at)| (json!(c), json!(r), json!(level), json!(at))).collect()
}

#[sqlx::test]
async fn what_is_overdue_is_listed_by_level_then_lateness_and_narrowed_by_each_filter(pool: PgPool) {
    let app = App::new(pool, at("2026-11-01T12:00:00Z")).await;
    let (london, york) = two_clinics(&app).await;
    let all = wanted(&london, &york);
    let [spore, flush, york_spore, turnover] = &all;
    let cases = [
        (String::new(), vec![spore, flush, york_spore, turnover]),
        (format!("clinic_id={}", york.clinic_id), vec![york_spore]),
        (format!("clinic_id={}", id(9)), vec![]),
        ("level=0".to_owned(), vec![]),
        ("level=1".to_owned(), vec![york_spore, turnover]),
        ("level=2".to_owned(), vec![spore, flush]),
        ("level=3".to_owned(), vec![]),
        ("level=1&blocking=true".to_owned(), vec![turnover]),
        ("level=2&level_at_least=1".to_owned(), vec![spore, flush]),
        ("level=1&level_at_least=2".to_owned(), vec![]),
        ("level_at_least=1".to_owned(), vec![spore, flush, york_spore, turnover]),
        ("level_at_least=2".to_owned(), vec![spore, flush]),
        ("level_at_least=3".to_owned(), vec![]),
        (format!("routine_id={}", routine::spore_test()), vec![spore, york_spore]),
        ("subject_kind=steriliser".to_owned(), vec![spore, york_spore]),
        ("subject_kind=operatory&level_at_least=2".to_owned(), vec![flush]),
        ("blocking=true".to_owned(), vec![flush, turnover]),
        ("blocking=false".to_owned(), vec![spore, york_spore]),
        (format!("blocking=true&clinic_id={}", york.clinic_id), vec![]),
    ];
    for (query, lines_wanted) in cases {
        let list = london.manager.get(&format!("/v1/overdue?{query}")).await.expect(200);
        assert_eq!(lines(&list), as_lines(&lines_wanted), "{query}");
        assert_eq!(list["as_of"], "2026-11-03T10:00:00Z");
    }
    let list = london.manager.get("/v1/overdue").await.expect(200);
    assert_eq!(
        (&list["items"][0]["audience"], &list["items"][2]["audience"]),
        (&json!("clinic_lead"), &json!("chairside"))
    );
    // From 05:30 to 10:00 are four and a half hours.
    assert_eq!(list["items"][2]["overdue_seconds"], 16_200);
}

#[sqlx::test]
async fn what_is_overdue_and_told_to_nobody_yet_is_at_level_0(pool: PgPool) {
    let app = App::new(pool, at("2026-11-01T12:00:00Z")).await;
    let london = scenario::clinic(&app, "Europe/London").await;
    // Its first rung is an hour after a task became overdue: 09:40 for the flush of 08:30.
    let ladder = json!({ "rungs": [{ "after_minutes": 60, "counted_in": "elapsed_time", "audience": "clinic_lead" }] });
    london.admin.put("/v1/ladder", ladder).await.expect(201);
    app.plan().await;
    for (now, level) in [("2026-11-02T09:39:00Z", 0), ("2026-11-02T09:40:00Z", 1)] {
        app.set(at(now));
        let flush: Line = (london.clinic_id, routine::start_flush(), level, "2026-11-02T08:40:00Z");
        for asked in [0, 1] {
            let list = london.manager.get(&format!("/v1/overdue?level={asked}")).await.expect(200);
            let wanted: &[&Line] = if asked == level { &[&flush] } else { &[] };
            assert_eq!(lines(&list), as_lines(wanted), "level {asked} at {now}");
        }
    }
}

/// The target of the `Link` field with `rel="next"` (RFC 8288), if there is one.
fn next(answer: &Answer) -> Option<String> {
    let link = answer.header("link");
    let target = link.strip_prefix('<')?.strip_suffix(">; rel=\"next\"")?;
    Some(target.to_owned())
}

#[sqlx::test]
async fn pages_followed_one_by_one_are_the_whole_list_as_of_the_first(pool: PgPool) {
    let app = App::new(pool, at("2026-11-01T12:00:00Z")).await;
    let (london, _york) = two_clinics(&app).await;
    let whole = london.manager.get("/v1/overdue").await.expect(200);
    for query in ["limit=1", "limit=3", "limit=1&blocking=true", "limit=1&level=1", "limit=4"] {
        app.set(at("2026-11-03T10:00:00Z"));
        let filter = query.split_once('&').map_or("", |(_, filter)| filter);
        let whole = london.manager.get(&format!("/v1/overdue?{filter}")).await.expect(200);
        let mut path = format!("/v1/overdue?{query}");
        let mut items = Vec::new();
        loop {
            let page = london.manager.get(&path).await;
            let list = page.expect(200);
            assert_eq!(list["as_of"], whole["as_of"], "{path}");
            items.extend(list["items"].as_array().expect("a list").clone());
            // Twenty minutes a page: the turnover's window closes meanwhile, at 10:30.
            app.advance(TimeDelta::minutes(20));
            match next(&page) {
                Some(target) => path = target,
                None => break,
            }
        }
        assert_eq!(json!(items), whole["items"], "{query}");
    }

    // What is recorded between two pages stays on the list that was begun, and is gone from the next.
    app.set(at("2026-11-03T10:00:00Z"));
    let first = london.manager.get("/v1/overdue?limit=1").await;
    app.set(at("2026-11-03T10:05:00Z"));
    let flush = london.due_of(routine::start_flush()).await;
    london.tablet.post("/v1/completions", london.flush(7001, &flush, 125)).await.expect(201);
    let second = london.manager.get(&next(&first).expect("a next page")).await.expect(200);
    assert_eq!(second["items"][0], whole["items"][1]);
    assert_eq!(london.manager.get("/v1/overdue").await.expect(200)["items"].as_array().map(Vec::len), Some(3));
    let cursor = next(&first).expect("a next page");
    app.set(at("2026-11-04T10:00:01Z"));
    london.manager.get(&cursor).await.expect(400);
}

#[sqlx::test]
async fn csv_has_the_rows_and_columns_of_json(pool: PgPool) {
    let app = App::new(pool, at("2026-11-01T12:00:00Z")).await;
    let (london, _york) = two_clinics(&app).await;
    let named = json!({ "name": "=Quay, \"old\" side", "zone": "Europe/London" });
    london.admin.put(&format!("/v1/clinics/{}", london.clinic_id), named).await.expect(200);
    for (path, rows) in
        [("/v1/overdue", 4), ("/v1/overdue?limit=2", 2), ("/v1/summary?from=2026-11-02&to=2026-11-03", 2)]
    {
        let as_json = london.manager.get(path).await;
        let as_csv = london.manager.call(Method::GET, path, &[("accept", "text/csv")], None).await;
        assert!(as_csv.header("content-type").starts_with("text/csv"), "{:?}", as_csv.headers);
        assert_eq!(as_csv.header("link"), as_json.header("link"));
        let mut reader = csv::Reader::from_reader(as_csv.text.as_bytes());
        let columns = reader.headers().expect("a header row").clone();
        let items = as_json.expect(200)["items"].as_array().expect("a list").clone();
        let records: Vec<csv::StringRecord> = reader.records().map(|r| r.expect("RFC 4180")).collect();
        assert_eq!((items.len(), records.len()), (rows, rows));
        for (item, record) in items.iter().zip(&records) {
            assert_eq!(item.as_object().map(serde_json::Map::len), Some(columns.len()));
            for (column, cell) in columns.iter().zip(record) {
                let text = match &item[column] {
                    Value::Null => String::new(),
                    // OWASP ASVS 5.0, 1.2.10: a cell that a spreadsheet would run is led by an apostrophe.
                    Value::String(text) if text.starts_with('=') => format!("'{text}"),
                    Value::String(text) => text.clone(),
                    other => other.to_string(),
                };
                assert_eq!(cell, text, "{path} {column}");
            }
        }
    }
}

/// RFC 9110, section 13.1.2.
#[sqlx::test]
async fn a_tablet_that_has_the_list_gets_304_until_something_changes(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T07:40:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    for path in [format!("/v1/clinics/{}/due", clinic.clinic_id), format!("/v1/operatories/{}/due", clinic.chair)] {
        app.set(at("2026-11-02T07:40:00Z"));
        let first = clinic.tablet.get(&path).await;
        first.expect(200);
        let tag = first.header("etag").to_owned();
        assert!(tag.starts_with('"') && tag.ends_with('"'), "{tag}");
        let again = async |tag: &str| clinic.tablet.call(Method::GET, &path, &[("if-none-match", tag)], None).await;
        app.set(at("2026-11-02T08:10:00Z"));
        for sent in [tag.clone(), format!("W/{tag}"), format!("\"other\", {tag}"), "*".to_owned()] {
            let unchanged = again(&sent).await;
            assert_eq!((unchanged.status.as_u16(), unchanged.text.as_str()), (304, ""), "{sent}");
            assert_eq!(unchanged.header("etag"), tag);
        }
        again("\"other\"").await.expect(200);
        // Nobody did anything, but the flush is in its grace now.
        app.set(at("2026-11-02T08:31:00Z"));
        let changed = again(&tag).await;
        assert_ne!((changed.expect(200), changed.header("etag")), (first.json(), tag.as_str()));
    }
    let path = format!("/v1/operatories/{}/due", clinic.chair);
    let before = clinic.tablet.get(&path).await.header("etag").to_owned();
    let flush = clinic.due_of(routine::start_flush()).await;
    clinic.tablet.post("/v1/completions", clinic.flush(7001, &flush, 125)).await.expect(201);
    let after = clinic.tablet.call(Method::GET, &path, &[("if-none-match", &before)], None).await;
    assert_eq!(after.expect(200)["tasks"], json!([]));
}

#[sqlx::test]
async fn the_summary_of_a_day_adds_up(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T06:00:00Z")).await;
    let here = scenario::clinic(&app, "Europe/London").await;
    let there = scenario::clinic_of(&app, here.admin.clone(), "Europe/London", 1).await;
    let post = async |clinic: &Clinic<'_>, body: Value| clinic.tablet.post("/v1/completions", body).await.expect(201);
    // Here: flush done late, one turnover done and one missed, the test's result awaited, the closing not required.
    app.set(at("2026-11-02T08:36:00Z"));
    post(&here, here.flush(1, &here.due_of(routine::start_flush()).await, 125)).await;
    post(&here, here.spore(2, &here.due_in_clinic(routine::spore_test()).await, None)).await;
    app.set(at("2026-11-02T09:00:00Z"));
    post(&here, here.flush(3, &here.leave("2026-11-02T08:59:00Z").await, 25)).await;
    here.leave("2026-11-02T09:00:00Z").await;
    // There: the test void and due again, nothing else.
    let void = json!({ "completion_id": id(4), "kind": "void", "performed_by": "KV", "performed_at": app.clock.now(),
                       "task_id": there.due_in_clinic(routine::spore_test()).await["task_id"],
                       "reason": "the control strip did not grow" });
    post(&there, void).await;
    app.set(at("2026-11-02T17:40:00Z"));
    let closing = here.due_of(routine::line_disinfection()).await;
    let not_required = json!({ "completion_id": id(5), "kind": "not_required", "performed_by": "RM",
                               "performed_at": app.clock.now(), "task_id": closing["task_id"], "reason": "no use" });
    here.manager.post("/v1/completions", not_required).await.expect(201);

    app.set(at("2026-11-02T22:00:00Z"));
    let summary = here.manager.get("/v1/summary?from=2026-11-02&to=2026-11-02").await.expect(200);
    let figures = |n: usize| {
        let item = &summary["items"][n];
        [
            "done",
            "done_late",
            "missed",
            "blocking_missed",
            "result_pending",
            "void",
            "not_required",
            "open",
            "overdue_now",
        ]
        .map(|name| item[name].as_i64().expect("a count"))
    };
    assert_eq!(summary["items"][0]["clinic_id"], json!(here.clinic_id));
    assert_eq!(figures(0), [2, 1, 1, 1, 1, 0, 1, 0, 0], "{summary}");
    // There the flush was missed; the closing is overdue since 19:30; the repeated test, due at 09:00, is in its grace
    // of eight hours no more since 17:00.
    assert_eq!(figures(1), [0, 0, 1, 1, 0, 1, 0, 2, 2], "{summary}");
    assert_eq!(
        (&summary["items"][0]["rate_done"], &summary["items"][1]["rate_done"]),
        (&json!("0.666"), &json!("0.000"))
    );
    let of_all: i64 = (0..2).map(figures).map(|f| f[0] + f[2] + f[4] + f[5] + f[6] + f[7]).sum();
    let tasks = "select count(*) from task where group_id = $1 and clinic_day = '2026-11-02'";
    assert_eq!(of_all, count(&pool, tasks, id(1)).await);
}

/// A flush that was missed stands in the way until the next one is recorded, however long ago it was.
#[sqlx::test]
async fn a_later_record_supersedes_a_missing_one(pool: PgPool) {
    let app = App::new(pool, at("2026-11-01T12:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let readiness = format!("/v1/operatories/{}/readiness", clinic.chair);
    let missing = async |instant: &str| {
        app.set(at(instant));
        let answer = clinic.desk.get(&readiness).await.expect(200);
        let of_flush = answer["missing"].as_array().expect("a list").iter();
        let found: Vec<Value> =
            of_flush.filter(|m| m["routine_id"] == json!(routine::start_flush())).cloned().collect();
        found.first().map(|m| (m["lack"].clone(), m["occurrences"].clone(), m["since"].clone()))
    };
    assert_eq!(missing("2026-11-02T07:29:00Z").await, None);
    let since = json!("2026-11-02T07:30:00Z");
    assert_eq!(missing("2026-11-02T07:30:00Z").await, Some((json!("record_missing"), json!(1), since.clone())));
    assert_eq!(missing("2026-11-02T12:30:00Z").await, Some((json!("missed"), json!(1), since.clone())));
    assert_eq!(missing("2026-11-03T07:40:00Z").await, Some((json!("record_missing"), json!(2), since)));
    let flush = clinic.due_of(routine::start_flush()).await;
    clinic.tablet.post("/v1/completions", clinic.flush(7001, &flush, 119)).await.expect(201);
    assert_eq!(missing("2026-11-03T07:50:00Z").await.map(|m| m.0), Some(json!("failed")));
    clinic.tablet.post("/v1/completions", clinic.flush(7002, &flush, 120)).await.expect(201);
    assert_eq!(missing("2026-11-03T07:51:00Z").await, None);
}

/// What a login sees of the tasks of Monday: state and level by name of the routine.
async fn seen(reader: &mut PgConnection, as_of: Option<&str>) -> Vec<(String, String, i32)> {
    let set = format!("set chairtide.as_of = '{}'", as_of.unwrap_or_default());
    sqlx::query(AssertSqlSafe(set)).execute(&mut *reader).await.expect("set");
    let tasks = sqlx::query_as(
        "select r.name, t.state, t.level from reporting.tasks t
         join reporting.routines r on (r.routine_id, r.version) = (t.routine_id, t.routine_version)
         where t.clinic_day = '2026-11-02' order by 1",
    );
    tasks.fetch_all(reader).await.expect("readable")
}

#[sqlx::test]
async fn a_reporting_login_reads_its_group_as_of_any_instant_and_nothing_else(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T07:40:00Z")).await;
    let ours = scenario::clinic(&app, "Europe/London").await;
    let theirs = scenario::clinic_of(&app, app.group(id(2)).await, "Europe/London", 50).await;
    let flush = ours.due_of(routine::start_flush()).await;
    app.set(at("2026-11-02T08:50:00Z"));
    ours.tablet.post("/v1/completions", ours.flush(7001, &flush, 125)).await.expect(201);
    theirs.tablet.post("/v1/completions", theirs.flush(7002, &theirs.due_of(routine::start_flush()).await, 125)).await;
    app.set(at("2026-11-02T19:31:00Z"));
    app.keep_house().await;

    let login = format!("auditor_{}", Uuid::new_v4().simple());
    sqlx::query(AssertSqlSafe(format!("create role {login} login"))).execute(&pool).await.expect("a login");
    let mut owner = pool.acquire().await.expect("a connection");
    reporting::grant_login(&mut owner, id(1), &login).await.expect("let in");
    let options = (*pool.connect_options()).clone().username(&login);
    let mut reader = options.connect().await.expect("the login connects");

    let line = |name: &str, state: &str, level| (name.to_owned(), state.to_owned(), level);
    let closing = |state, level| line("Long line disinfection", state, level);
    let start = |state, level| line("Flush before the first patient", state, level);
    let spore = |state| line("Weekly spore test", state, 0);
    assert_eq!(seen(&mut reader, None).await, [start("done", 0), closing("overdue", 1), spore("grace")]);
    let at_start = seen(&mut reader, Some("2026-11-02T08:45:00Z")).await;
    assert_eq!(at_start, [start("overdue", 1), closing("upcoming", 0), spore("due")]);
    let clinics: Vec<Uuid> =
        sqlx::query_scalar("select clinic_id from reporting.clinics").fetch_all(&mut reader).await.expect("readable");
    assert_eq!(clinics, [ours.clinic_id]);
    let completions: Vec<Uuid> = sqlx::query_scalar("select completion_id from reporting.completions")
        .fetch_all(&mut reader)
        .await
        .expect("readable");
    assert_eq!(completions, [id(7001)]);

    let tables: Vec<String> = sqlx::query_scalar(
        "select c.relname::text from pg_class c where c.relnamespace = 'public'::regnamespace
         and c.relkind in ('r', 'p', 'v', 'm') order by 1",
    )
    .fetch_all(&mut *owner)
    .await
    .expect("the catalogue");
    assert!(tables.len() > 20, "{tables:?}");
    for table in tables {
        let sql = format!("select from public.{table}");
        let refused = sqlx::query(AssertSqlSafe(sql)).execute(&mut reader).await.expect_err("no right");
        // SQLSTATE insufficient_privilege (PostgreSQL documentation, appendix A).
        let code = refused.as_database_error().and_then(sqlx::error::DatabaseError::code);
        assert_eq!(code.as_deref(), Some("42501"), "{table}");
    }
    for write in ["delete from reporting.tasks", "update reporting.clinics set name = 'x'"] {
        assert!(sqlx::query(write).execute(&mut reader).await.is_err(), "{write}");
    }
    drop(reader);
    sqlx::query(AssertSqlSafe(format!("drop role {login}"))).execute(&mut *owner).await.expect("gone");
}
