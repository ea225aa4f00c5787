//! The queries of `seed-demo/cookbook`, each run as a reporting login against a small invented week.
//!
//! The expected rows follow from the week's story by hand; what is not ours, the interval of a share and the day British
//! clocks change, stands with its source.

mod two_weeks;

use chairtide::store::reporting;
use serde_json::{Value, json};
use sqlx::pool::PoolConnection;
use sqlx::{AssertSqlSafe, ConnectOptions as _, PgConnection, PgPool, Postgres};
use uuid::Uuid;

use crate::support::app::App;
use crate::support::scenario::{self, Clinic, operatory, routine};
use crate::support::{at, id};

const FOLDER: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/seed-demo/cookbook");

/// A count of each line's water; the figure is invented for the test.
fn water_test() -> Value {
    let source = json!({ "title": "invented for the test", "edition": "none", "seen": "from_memory" });
    json!({
        "name": "Water test", "subject_kind": "operatory",
        "anchor": { "kind": "calendar", "dates": { "rule": "FREQ=WEEKLY;BYDAY=MO", "starts_on": "2026-11-02" },
                    "place": { "kind": "opening" }, "closed_day": "next_open_day" },
        "window": { "may_start_minutes": 0, "due_by_minutes": 480, "overdue_minutes": 600, "missed_minutes": 7200 },
        "steps": [{ "key": "count", "instruction": "Count of the sample.", "evidence": {
            "kind": "reading", "unit": "[CFU]/mL", "on_failure": "record", "result_may_follow": true,
            "limits": [{ "operator": "le", "value": "500", "unit": "[CFU]/mL", "source": source }] } }],
        "sources": [source], "rough_minutes": 10,
    })
}

/// Monday: the flush is done late, the water test fails, the spore test waits for its result, nobody disinfects the
/// lines. Tuesday: the flush is done in time and entered after its window. On Wednesday and Thursday the chair is out.
async fn live_a_week(app: &App, clinic: &Clinic<'_>) {
    let water = json!({ "effective_on": "2026-01-01", "routine": water_test() });
    clinic.admin.put(&format!("/v1/routines/{}", id(505)), water).await.expect(201);
    app.plan().await;
    app.set(at("2026-11-02T08:50:00Z"));
    let flush = clinic.due_of(routine::start_flush()).await;
    clinic.tablet.post("/v1/completions", clinic.flush(7001, &flush, 125)).await.expect(201);
    app.set(at("2026-11-02T09:00:00Z"));
    let spore = clinic.due_in_clinic(routine::spore_test()).await;
    clinic.tablet.post("/v1/completions", clinic.spore(7002, &spore, None)).await.expect(201);
    let sample = clinic.due_of(id(505)).await;
    let failed = json!({
        "completion_id": id(7003), "task_id": sample["task_id"], "performed_at": "2026-11-02T09:00:00Z",
        "performed_by": "KV", "steps": [{ "step": "count", "status": "done",
            "reading": { "qualifier": "eq", "value": "620", "unit": "[CFU]/mL" } }],
    });
    clinic.tablet.post("/v1/completions", failed).await.expect(201);

    app.set(at("2026-11-03T08:20:00Z"));
    app.plan().await;
    let flush = clinic.due_of(routine::start_flush()).await;
    let performed = clinic.flush(7004, &flush, 125);
    app.set(at("2026-11-03T13:20:00Z"));
    clinic.tablet.post("/v1/completions", performed).await.expect(201);

    app.set(at("2026-11-04T06:00:00Z"));
    let mut chair = operatory(clinic.clinic_id, "Chair 0");
    chair["service"] = json!({ "state": "out_of_service", "reason": "hose torn" });
    clinic.admin.put(&format!("/v1/operatories/{}", clinic.chair), chair).await.expect(200);
    app.plan().await;
    app.set(at("2026-11-06T06:00:00Z"));
    clinic
        .admin
        .put(&format!("/v1/operatories/{}", clinic.chair), operatory(clinic.clinic_id, "Chair 0"))
        .await
        .expect(200);
    let closure =
        json!({ "from_local": "2026-11-09T08:00", "until_local": "2026-11-09T12:00", "reason": "Staff morning" });
    clinic.admin.put(&format!("/v1/clinics/{}/closures/{}", clinic.clinic_id, id(9)), closure).await.expect(201);
    app.plan().await;
}

/// A login that reads `reporting` of the first group, and nothing else.
struct Manager {
    login: String,
    reader: PgConnection,
    owner: PoolConnection<Postgres>,
}

async fn as_manager(pool: &PgPool) -> Manager {
    let login = format!("manager_{}", Uuid::new_v4().simple());
    sqlx::query(AssertSqlSafe(format!("create role {login} login"))).execute(pool).await.expect("a login");
    let mut owner = pool.acquire().await.expect("a connection");
    reporting::grant_login(&mut owner, id(1), &login).await.expect("let in");
    let options = (*pool.connect_options()).clone().username(&login);
    let mut reader = options.connect().await.expect("the login connects");
    sqlx::query("set time zone 'UTC'").execute(&mut reader).await.expect("set");
    Manager { login, reader, owner }
}

impl Manager {
    async fn look_from(&mut self, as_of: &str) {
        let set = format!("set chairtide.as_of = '{as_of}'");
        sqlx::query(AssertSqlSafe(set)).execute(&mut self.reader).await.expect("set");
    }

    async fn leave(mut self) {
        drop(self.reader);
        for sql in [format!("drop owned by {}", self.login), format!("drop role {}", self.login)] {
            sqlx::query(AssertSqlSafe(sql)).execute(&mut *self.owner).await.expect("nothing left");
        }
    }
}

/// The rows of the one query of the cookbook whose file begins so.
async fn answers(manager: &mut Manager, begins: &str) -> Value {
    let files = std::fs::read_dir(FOLDER).expect("the cookbook");
    let name = |file: std::io::Result<std::fs::DirEntry>| file.expect("a file").path();
    let begins_so = |p: &std::path::PathBuf| p.file_name().is_some_and(|n| n.to_string_lossy().starts_with(begins));
    let found: Vec<_> = files.map(name).filter(begins_so).collect();
    assert_eq!(found.len(), 1, "{begins}: {found:?}");
    let query = std::fs::read_to_string(&found[0]).expect("readable");
    let query = query.trim_end().trim_end_matches(';');
    let sql = format!("select to_jsonb(q) from (\n{query}\n) q");
    let rows: Result<Vec<Value>, _> = sqlx::query_scalar(AssertSqlSafe(sql)).fetch_all(&mut manager.reader).await;
    Value::Array(rows.unwrap_or_else(|e| panic!("{begins}: {e}")))
}

#[sqlx::test]
async fn each_query_of_the_cookbook_tells_what_happened_in_a_known_week(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T07:40:00Z")).await;
    let ours = scenario::clinic(&app, "Europe/London").await;
    // Another group's clinic has a week too, and no row of it may show.
    scenario::clinic_of(&app, app.group(id(2)).await, "Europe/London", 50).await;
    live_a_week(&app, &ours).await;

    let mut manager = as_manager(&pool).await;
    manager.look_from("2026-11-06T06:00:00Z").await;
    let expected = [
        // Flushes of Monday (late) and Tuesday and the water test are done; the disinfections of both evenings missed,
        // and those block as the flushes do. Of two days the chair was out, four tasks are not required. Not
        // settled are the spore test and the two tasks of Friday.
        (
            "01_",
            json!([{ "clinic": "Clinic 0", "done": 3, "done_late": 1, "missed": 2, "not_required": 4,
                        "not_settled": 3, "blocking": 4, "blocking_done": 2, "blocking_rate": 0.5 }]),
        ),
        (
            "02_",
            json!([{ "clinic": "Clinic 0", "subject": "Chair 0", "kind": "operatory", "days_out": 2.0, "what": "service",
                        "reason": "hose torn", "still_out": false }]),
        ),
        (
            "03_",
            json!([{ "clinic": "Clinic 0", "unit": "Chair 0", "clinic_day": "2026-11-02", "state": "done",
                        "failed_counts": 1 }]),
        ),
        (
            "04_",
            json!([{ "clinic": "Clinic 0", "steriliser": "Steriliser 0", "service_state": "in_service",
                        "last_passed_at": null }]),
        ),
        // Grace was over 16 hours after Monday's opening at 08:30: 77.5 hours before.
        (
            "06_",
            json!([{ "clinic": "Clinic 0", "subject": "Steriliser 0", "routine": "Weekly spore test",
                        "clinic_day": "2026-11-02", "days_past_due": 3.2 }]),
        ),
        (
            "07_",
            json!([{ "clinic": "Clinic 0", "routine": "Flush before the first patient", "subject": "Chair 0",
                        "performed_by": "KV", "performed_at": "2026-11-03T08:20:00+00:00",
                        "recorded_at": "2026-11-03T13:20:00+00:00", "hours_between": 5.0, "late": true, "burst": false, "reason": "" }]),
        ),
        (
            "10_",
            json!([{ "clinic": "Clinic 0", "what": "closure", "local_moment": "2026-11-09T08:00:00",
                        "detail": "Staff morning" }]),
        ),
        // Two of four: 2 of 4 is 0.5, and the interval is symmetric about it.
        ("13_", json!([{ "clinic": "Clinic 0", "blocking": 4, "done": 2, "rate": 0.5, "lower": 0.15, "upper": 0.85 }])),
    ];
    for (number, expected) in expected {
        assert_eq!(answers(&mut manager, number).await, expected, "{number}");
    }

    // The result comes, no growth: nothing is awaited, and the steriliser has a test that passed.
    app.set(at("2026-11-06T07:00:00Z"));
    let spore = ours.due_in_clinic(routine::spore_test()).await;
    ours.tablet.post("/v1/completions", ours.spore(7005, &spore, Some("0"))).await.expect(201);
    manager.look_from("2026-11-06T07:00:00Z").await;
    for number in ["04_", "06_"] {
        assert_eq!(answers(&mut manager, number).await, json!([]), "{number}");
    }
    // And a week later it has none again, for nobody tested since.
    manager.look_from("2026-11-13T07:00:00Z").await;
    assert_eq!(answers(&mut manager, "04_").await.as_array().map(Vec::len), Some(1));

    // British clocks go forward an hour on the last Sunday of March, at 01:00 UTC: Summer Time Order 2002 (from memory).
    manager.look_from("2027-03-25T12:00:00Z").await;
    let change = json!({ "clinic": "Clinic 0", "what": "clock_change", "local_moment": "2027-03-28T00:00:00",
                         "detail": "+60 min" });
    assert_eq!(answers(&mut manager, "10_").await, json!([change]));

    // Wilson's intervals without correction, from R. G. Newcombe, Statistics in Medicine 17 (1998) 857-872, table I;
    // the figures are from memory.
    let published = [
        (81_i64, 263_i64, Some(("0.2553", "0.3662"))),
        (15, 148, Some(("0.0624", "0.1605"))),
        (0, 20, Some(("0.0000", "0.1611"))),
        (1, 29, Some(("0.0061", "0.1718"))),
        (0, 0, None),
    ];
    for (part, whole, expected) in published {
        let told: (Option<String>, Option<String>) =
            sqlx::query_as("select w.lower::text, w.upper::text from reporting.wilson_95($1, $2) w")
                .bind(part)
                .bind(whole)
                .fetch_one(&mut manager.reader)
                .await
                .expect("an interval");
        let expected = expected.map(|(lower, upper)| (lower.to_owned(), upper.to_owned())).unzip();
        assert_eq!(told, expected, "{part} of {whole}");
    }
    manager.leave().await;
}

/// Used on Monday and not since: by Friday the chair has three days without use behind it.
#[sqlx::test]
async fn a_chair_that_was_not_used_for_days_is_among_what_the_next_week_brings(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T07:40:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let restart = json!({ "effective_on": "2026-11-01", "routine": {
        "name": "Restart", "subject_kind": "operatory",
        "anchor": { "kind": "idle", "unused_days": 3, "on": "open_days" },
        "window": { "may_start_minutes": -60, "due_by_minutes": 0, "overdue_minutes": 10, "missed_minutes": 240 },
        "steps": [{ "key": "flush", "instruction": "Flush every line.", "evidence": { "kind": "confirmation" } }],
        "sources": [{ "title": "common practice", "edition": "none", "seen": "common_practice" }], "rough_minutes": 10,
    } });
    clinic.admin.put(&format!("/v1/routines/{}", id(505)), restart).await.expect(201);
    app.set(at("2026-11-02T09:00:00Z"));
    let path = format!("/v1/operatories/{}/seated", clinic.chair);
    clinic.desk.post_once(&path, "first", json!({ "at": "2026-11-02T09:00:00Z" })).await.expect(201);
    app.set(at("2026-11-06T06:00:00Z"));
    app.plan().await;
    let mut manager = as_manager(&pool).await;
    manager.look_from("2026-11-06T06:00:00Z").await;
    let expected = json!({ "clinic": "Clinic 0", "what": "idle_restart", "local_moment": "2026-11-06T08:30:00",
                           "detail": "Chair 0: Restart" });
    assert_eq!(answers(&mut manager, "10_").await[0], expected);
    manager.leave().await;
}
