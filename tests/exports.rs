//! Records in bulk, held against what `reporting` shows to a login of the group.

use std::collections::{BTreeMap, BTreeSet};

use axum::http::Method;
use chairtide::store::exports::record_sets::{Pace, RECORD_SETS};
use chairtide::store::reporting;
use chrono::TimeDelta;
use serde_json::{Value, json};
use sqlx::{AssertSqlSafe, ConnectOptions as _, PgConnection, PgPool};
use uuid::Uuid;

use crate::support::app::{Answer, App, Client};
use crate::support::scenario::{self, Clinic, routine};
use crate::support::{at, id};
use crate::tenancy;

/// A login that reads the group's part of `reporting`, as an auditor has it.
pub(crate) async fn auditor(pool: &PgPool, group_id: Uuid) -> PgConnection {
    let login = format!("auditor_{}", Uuid::new_v4().simple());
    sqlx::query(AssertSqlSafe(format!("create role {login} login"))).execute(pool).await.expect("a login");
    let mut owner = pool.acquire().await.expect("a connection");
    reporting::grant_login(&mut owner, group_id, &login).await.expect("let in");
    let options = (*pool.connect_options()).clone().username(&login);
    let mut reader = options.connect().await.expect("the login connects");
    sqlx::query("set timezone = 'UTC'").execute(&mut reader).await.expect("set");
    reader
}

/// The rows that Postgres shows to the login, in our form: decimals are text, instants have six decimals and a Z.
pub(crate) async fn rows_of_view(reader: &mut PgConnection, view: &str, condition: &str) -> BTreeSet<String> {
    let columns: Vec<(String, String)> = sqlx::query_as(
        "select attname::text, format_type(atttypid, null) from pg_attribute
         where attrelid = ('reporting.' || $1)::regclass and attnum > 0 order by attnum",
    )
    .bind(view)
    .fetch_all(&mut *reader)
    .await
    .expect("the catalogue");
    let sql = format!("select to_jsonb(v) from reporting.{view} v where {condition}");
    let rows: Vec<Value> = sqlx::query_scalar(AssertSqlSafe(sql)).fetch_all(&mut *reader).await.expect("rows");
    let types: BTreeMap<String, String> = columns.into_iter().collect();
    let in_our_form = |mut row: Value| {
        for (name, value) in row.as_object_mut().expect("an object") {
            match (types[name].as_str(), &value) {
                ("numeric", Value::Number(number)) => *value = json!(number.to_string()),
                ("timestamp with time zone", Value::String(text)) => {
                    *value = json!(at(text).format("%Y-%m-%dT%H:%M:%S%.6fZ").to_string());
                }
                _ => {}
            }
        }
        row.to_string()
    };
    rows.into_iter().map(in_our_form).collect()
}

fn lines(answer: &Answer) -> Vec<String> {
    let line = |text: &str| serde_json::from_str::<Value>(text).expect("a line is JSON").to_string();
    answer.text.lines().map(line).collect()
}

/// Goes through an export to its end, so many rows at a time; the rows and the last cursor.
async fn walk(
    client: &Client<'_>,
    kind: &str,
    limit: u32,
    mut cursor: Option<String>,
) -> (Vec<String>, Option<String>) {
    let mut told = Vec::new();
    for _ in 0..500 {
        let from = cursor.map(|cursor| format!("&cursor={cursor}")).unwrap_or_default();
        let answer = client.get(&format!("/v1/exports/{kind}?limit={limit}{from}")).await;
        assert_eq!(answer.status, 200, "{kind}: {}", answer.text);
        told.extend(lines(&answer));
        cursor = Some(answer.header("export-cursor").to_owned()).filter(|cursor| !cursor.is_empty());
        if answer.header("link").is_empty() {
            return (told, cursor);
        }
    }
    panic!("{kind} has no end");
}

/// Steps of kinds that take a routine of their own to record.
pub(crate) async fn odd_steps(pool: &PgPool) {
    for (step, kind, rest) in [
        ("count", "reading", "qualifier = 'lt', value = 10.25, unit = '[CFU]/mL', limits = '[{\"operator\": \"le\"}]'"),
        ("cleaner", "product", "lot_id = (select lot_id from lot l where l.group_id = s.group_id limit 1)"),
        (
            "sample",
            "water_sample",
            "lines = '[{\"lines\": [\"syringe\"], \"reading\": {\"qualifier\": \"eq\", \"value\": \"620\"}},
                       {\"lines\": [\"scaler\"], \"reading\": {\"qualifier\": \"lt\", \"value\": \"10\"}}]'",
        ),
    ] {
        let insert =
            "insert into step_result (group_id, clinic_day, completion_id, step_key, ordinal, kind, status, verdict)
                      select group_id, clinic_day, completion_id, $1, 90, $2, 'done', 'passed' from completion";
        sqlx::query(insert).bind(step).bind(kind).execute(pool).await.expect("written");
        let update = format!("update step_result s set {rest} where step_key = $1");
        sqlx::query(AssertSqlSafe(update)).bind(step).execute(pool).await.expect("written");
    }
    let flag = "insert into raised_flag (group_id, completion_id, flag, clinic_id, clinic_day, recorded_at)
                select group_id, completion_id, 'burst', clinic_id, clinic_day, recorded_at from completion
                on conflict do nothing";
    sqlx::query(flag).execute(pool).await.expect("written");
}

/// Every kind of evidence, in two groups; the first has two clinics.
async fn two_groups(app: &App) -> (Client<'_>, Client<'_>) {
    let ours = app.group(id(1)).await;
    tenancy::fill(app, ours.clone(), 0).await;
    tenancy::fill(app, ours.clone(), 1).await;
    let theirs = app.group(id(2)).await;
    tenancy::fill(app, theirs.clone(), 50).await;
    // What a lead explains of a day takes a signature.
    let explained = r#"[{"gap": "missed:x", "kind": "missed", "task_id": null, "words": "nobody was there"}]"#;
    let update = "update day_sign_off set explanations = $1::jsonb";
    sqlx::query(update).bind(explained).execute(&app.pool).await.expect("written");
    odd_steps(&app.pool).await;
    (ours, theirs)
}

#[sqlx::test]
async fn every_kind_is_told_whole_and_once_over_many_steps_and_equals_the_view(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T07:40:00Z")).await;
    let (ours, _theirs) = two_groups(&app).await;
    app.advance(TimeDelta::hours(3));
    let mut reader = auditor(&pool, id(1)).await;
    let as_of = format!("set chairtide.as_of = '{}'", app.clock.now().to_rfc3339());
    sqlx::query(AssertSqlSafe(as_of)).execute(&mut reader).await.expect("set");
    let mut empty: Vec<&str> = Vec::new();
    for set in &RECORD_SETS {
        let expected = rows_of_view(&mut reader, set.name, "true").await;
        for limit in [1, 3, 100_000] {
            // Where there are many rows, many steps take long and show no more.
            if expected.len() > 40 * usize::try_from(limit).expect("a small number") {
                continue;
            }
            let (told, cursor) = walk(&ours, set.name, limit, None).await;
            let once: BTreeSet<String> = told.iter().cloned().collect();
            assert_eq!(once.len(), told.len(), "{}: a row was told twice in steps of {limit}", set.name);
            assert_eq!(once, expected, "{} in steps of {limit}", set.name);
            assert_eq!(cursor.is_none(), set.pace == Pace::Whole, "{}", set.name);
            if let Some(cursor) = cursor {
                app.advance(TimeDelta::minutes(1));
                let (more, _) = walk(&ours, set.name, limit, Some(cursor)).await;
                assert_eq!(more, Vec::<String>::new(), "{}: nothing came since", set.name);
                app.advance(TimeDelta::minutes(-1));
            }
        }
        if expected.is_empty() {
            empty.push(set.name);
        }
    }
    assert_eq!(empty, [""; 0], "nothing is shown by comparing nothing");
}

#[sqlx::test]
async fn every_view_that_is_promised_is_exported_and_has_words_for_each_column(pool: PgPool) {
    let views: BTreeSet<String> = sqlx::query_scalar(
        "select relname::text from pg_class where relnamespace = 'reporting'::regnamespace and relkind = 'v'",
    )
    .fetch_all(&pool)
    .await
    .expect("the catalogue")
    .into_iter()
    .collect();
    let mut exported: BTreeSet<String> = RECORD_SETS.iter().map(|set| set.name.to_owned()).collect();
    // One row that says which instant the others are for.
    exported.insert("clock".to_owned());
    assert_eq!(exported, views);
    let silent: Vec<String> = sqlx::query_scalar(
        "select c.relname || '.' || a.attname from pg_class c join pg_attribute a on a.attrelid = c.oid
         where c.relnamespace = 'reporting'::regnamespace and c.relkind = 'v' and a.attnum > 0
           and coalesce(col_description(c.oid, a.attnum), '') = ''",
    )
    .fetch_all(&pool)
    .await
    .expect("the catalogue");
    assert_eq!(silent, Vec::<String>::new());
    // And each asks the one view that knows whose rows its reader sees.
    let unasked: Vec<String> = sqlx::query_scalar(
        "select relname::text from pg_class where relnamespace = 'reporting'::regnamespace and relkind = 'v'
         and relname <> 'clock' and pg_get_viewdef(oid) not like '%reporting_reader%'",
    )
    .fetch_all(&pool)
    .await
    .expect("the catalogue");
    assert_eq!(unasked, Vec::<String>::new());
}

/// A patient leaves the chair; a row of `seatings` and a turnover.
async fn leave(clinic: &Clinic<'_>, instant: &str) {
    let path = format!("/v1/operatories/{}/left", clinic.chair);
    clinic.desk.post_once(&path, instant, json!({ "at": instant })).await.expect(201);
}

#[sqlx::test]
async fn while_others_write_each_record_comes_exactly_once_over_many_cursors(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T08:40:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let mut told = Vec::new();
    let mut cursor = None;
    for minute in 0..40 {
        let now = at("2026-11-02T09:00:00Z") + TimeDelta::minutes(minute);
        app.set(now);
        leave(&clinic, &now.format("%Y-%m-%dT%H:%M:%SZ").to_string()).await;
        // A step at a time, and at times only what one step gives.
        let from = cursor.as_ref().map(|cursor| format!("&cursor={cursor}")).unwrap_or_default();
        let answer = clinic.manager.get(&format!("/v1/exports/seatings?limit=2{from}")).await;
        let horizon = at(answer.header("export-horizon"));
        assert_eq!(horizon, now - TimeDelta::minutes(10), "no request works longer than ten minutes");
        for line in lines(&answer) {
            let row: Value = serde_json::from_str(&line).expect("JSON");
            assert!(at(row["recorded_at"].as_str().expect("an instant")) < horizon, "{row}");
            told.push(line);
        }
        cursor = Some(answer.header("export-cursor").to_owned());
    }
    app.advance(TimeDelta::minutes(11));
    told.extend(walk(&clinic.manager, "seatings", 7, cursor).await.0);
    let once: BTreeSet<String> = told.iter().cloned().collect();
    assert_eq!((told.len(), once.len()), (40, 40));
    let mut reader = auditor(&pool, id(1)).await;
    assert_eq!(once, rows_of_view(&mut reader, "seatings", "true").await);
}

#[sqlx::test]
async fn a_record_that_is_committed_late_is_not_lost(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T09:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    leave(&clinic, "2026-11-02T09:00:00Z").await;
    // A request that read its clock at nine and has not come to its commit; another overtakes it.
    let mut late = pool.begin().await.expect("a transaction");
    sqlx::query(
        "insert into seating_mark (group_id, clinic_day, mark_id, clinic_id, operatory_id, edge, marked_at, recorded_at, key_id)
         select group_id, clinic_day, $1, clinic_id, operatory_id, 'seated', marked_at, recorded_at, key_id from seating_mark",
    )
    .bind(Uuid::max())
    .execute(&mut *late)
    .await
    .expect("written");
    app.set(at("2026-11-02T09:05:00Z"));
    leave(&clinic, "2026-11-02T09:05:00Z").await;
    app.set(at("2026-11-02T09:09:00Z"));
    let (told, cursor) = walk(&clinic.manager, "seatings", 100, None).await;
    assert_eq!(told, Vec::<String>::new(), "something as old may still be at work");
    late.commit().await.expect("committed");
    app.set(at("2026-11-02T09:11:00Z"));
    let (told, cursor) = walk(&clinic.manager, "seatings", 100, cursor).await;
    assert_eq!(told.len(), 2, "the late one and the one beside it: {told:?}");
    app.set(at("2026-11-02T09:16:00Z"));
    let (told, _) = walk(&clinic.manager, "seatings", 100, cursor).await;
    assert_eq!(told.len(), 1, "{told:?}");
}

#[sqlx::test]
async fn what_something_came_to_is_told_again_as_it_stands(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T09:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let event = json!({ "kind": "repair", "happened_at": "2026-11-02T08:30:00Z" });
    let path = format!("/v1/clinics/{}/site-events/{}", clinic.clinic_id, id(801));
    clinic.manager.put(&path, event).await.expect(201);
    app.set(at("2026-11-02T09:20:00Z"));
    let (told, cursor) = walk(&clinic.manager, "site_events", 10, None).await;
    assert!(told.len() == 1 && told[0].contains(r#""withdrawn_at":null"#), "{told:?}");
    clinic.manager.delete(&path).await.expect(204);
    app.set(at("2026-11-02T09:40:00Z"));
    let (told, _) = walk(&clinic.manager, "site_events", 10, cursor).await;
    assert!(told.len() == 1 && told[0].contains(r#""withdrawn_at":"2026-11-02T09:20:00.000000Z""#), "{told:?}");
}

#[sqlx::test]
async fn csv_holds_the_same_values_and_disarms_what_people_typed(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T08:40:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let flush = clinic.due_of(routine::start_flush()).await;
    let mut completion = clinic.flush(7001, &flush, 125);
    completion["note"] = json!("=SUM(A1), \"said\"");
    clinic.tablet.post("/v1/completions", completion).await.expect(201);
    app.advance(TimeDelta::minutes(11));
    let csv = async |accept: &str| {
        clinic.manager.call(Method::GET, "/v1/exports/completions", &[("accept", accept)], None).await
    };
    let answer = csv("text/csv").await;
    assert_eq!(answer.header("content-type"), "text/csv; charset=utf-8; header=present");
    let mut read = csv::Reader::from_reader(answer.text.as_bytes());
    let names = read.headers().expect("a header").clone();
    let rows: Vec<csv::StringRecord> = read.records().collect::<Result<_, _>>().expect("rows");
    assert_eq!(rows.len(), 1);
    let lines = lines(&csv("application/x-ndjson").await);
    let row: Value = serde_json::from_str(&lines[0]).expect("JSON");
    for (name, cell) in names.iter().zip(&rows[0]) {
        let expected = match &row[name] {
            Value::Null => String::new(),
            Value::String(text) if name == "note" => format!("'{text}"),
            Value::String(text) => text.clone(),
            Value::Array(items) if items.is_empty() => "[]".to_owned(),
            other => other.to_string(),
        };
        assert_eq!(cell, expected, "{name}");
    }
    csv("application/json").await.expect(406);
    assert_eq!(names.len(), row.as_object().expect("an object").len());
}

#[sqlx::test]
async fn a_key_is_told_what_it_reaches_and_no_more(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T07:40:00Z")).await;
    let (ours, theirs) = two_groups(&app).await;
    app.advance(TimeDelta::hours(3));
    let elsewhere = ours.key("reader", json!({ "kind": "clinics", "clinic_ids": [id(100)] })).await;
    let rows = async |kind: &str| -> Vec<Value> {
        let (told, _) = walk(&ours, kind, 50_000, None).await;
        told.iter().map(|row| serde_json::from_str(row).expect("JSON")).collect()
    };
    let here = |row: &Value| row["clinic_id"] == json!(id(100));
    let works_here = |row: &Value| {
        let clinics = row["clinic_ids"].as_array().expect("a list");
        clinics.is_empty() || clinics.contains(&json!(id(100)))
    };
    let mut of_here: Vec<Value> = Vec::new();
    of_here.extend(rows("completions").await.iter().filter(|row| here(row)).map(|row| row["completion_id"].clone()));
    of_here.extend(rows("staff").await.iter().filter(|row| works_here(row)).map(|row| row["staff_id"].clone()));
    // By the clinic a row names, else by the completion or the person; routines and products are the whole group's.
    let is_of = |row: &String| {
        let row: Value = serde_json::from_str(row).expect("JSON");
        let names = |column: &str| row.get(column).map(|id| of_here.contains(id));
        row.get("clinic_id")
            .map_or_else(|| names("completion_id").or(names("staff_id")).unwrap_or(true), |_| here(&row))
    };
    for set in &RECORD_SETS {
        let (of_us, _) = walk(&ours, set.name, 50_000, None).await;
        let (of_them, _) = walk(&theirs, set.name, 50_000, None).await;
        let of_them: BTreeSet<String> = of_them.into_iter().collect();
        // The groups of the tests have routines of the same ids and words.
        assert!(
            set.name == "routines" || of_us.iter().all(|row| !of_them.contains(row)),
            "{}: a row of two groups",
            set.name
        );
        let (of_one, _) = walk(&elsewhere, set.name, 50_000, None).await;
        let of_one: BTreeSet<String> = of_one.into_iter().collect();
        let reached: BTreeSet<String> = of_us.iter().filter(|row| is_of(row)).cloned().collect();
        assert_eq!(of_one, reached, "{}", set.name);
        assert!(!of_one.is_empty(), "{}: nothing is shown by comparing nothing", set.name);
        if !["routines", "products"].contains(&set.name) {
            assert!(of_one.len() < of_us.len(), "{}: the other clinic has records, too", set.name);
        }
    }
    let path = "/v1/exports/completions";
    theirs.get(&format!("{path}?clinic_id={}", id(100))).await.expect(404);
    elsewhere.get(&format!("{path}?clinic_id={}", id(101))).await.expect(404);
    ours.get(&format!("{path}?clinic_id={}", id(102))).await.expect(404);
    assert_eq!(walk(&elsewhere, "completions", 9, None).await.0.len(), {
        let answer = ours.get(&format!("{path}?clinic_id={}", id(100))).await;
        lines(&answer).len()
    });
    let tablet = ours.key("chairside", json!({ "kind": "group" })).await;
    tablet.get(path).await.expect(403);
    for (query, status) in [("limit=0", 400), ("limit=100001", 400), ("cursor=AAAA", 400), ("form=csv", 400)] {
        ours.get(&format!("{path}?{query}")).await.expect(status);
    }
    ours.get("/v1/exports/api_key").await.expect(400);
}
