//! Times a pack of evidence of a year of one clinic against `COPY` of the same rows to CSV, side by side on one database;
//! `tests/benchmarks/run` starts it.
//!
//! The clinic has 10 chairs, 250 open days, 13 tasks a chair and day, each of which blocks its chair and most of which have a
//! completion with six holds and a reading, and is sealed. Two more clinics of the group have as much, of which the pack must
//! tell nothing. The pack holds each row twice, as CSV and as JSON, and each record once more in a proof; its page is made of
//! the same rows again. Beside the times stands by how much the memory of the process grew at most while the pack was
//! read, as the kernel says (`VmHWM`). Times are printed and not judged; that pack and `COPY` hold as many rows is asserted.

#![allow(dead_code, reason = "the benchmark uses a part of what the tests stand on")]

#[path = "../support/mod.rs"]
mod support;

use std::collections::BTreeMap;
use std::fs;
use std::io::Write as _;
use std::process::Command;
use std::time::{Duration, Instant};

use axum::body::Body;
use axum::http::Request;
use chairtide::jobs::sealer;
use chairtide::store::exports::record_sets::RECORD_SETS;
use chairtide::store::setup;
use chrono::TimeDelta;
use futures_util::StreamExt as _;
use serde_json::{Value, json};
use sqlx::{AssertSqlSafe, Executor as _, PgPool};
use tower::ServiceExt as _;

use self::support::app::{App, Client};
use self::support::{at, id, scenario};

const ROUNDS: usize = 3;

#[tokio::main]
async fn main() {
    let pool = database("chairtide_benchmark_pack").await;
    let app = App::new(pool.clone(), at("2026-01-05T03:00:00Z")).await;
    let admin = app.group(id(1)).await;
    let clinic = scenario::configure(admin.clone(), "Europe/London", 0).await;
    for offset in [1, 2] {
        scenario::configure(admin.clone(), "Europe/London", offset).await;
    }
    let records = live_a_year(&pool).await;
    app.set(at("2027-01-02T03:00:00Z"));
    sqlx::query("update clinic_seal set seal_due_at = sealed_until").execute(&pool).await.expect("due");
    for _ in 0..40 {
        sealer::seal(&pool, &app.clock).await.expect("sealed");
        app.advance(TimeDelta::minutes(1));
    }
    pool.execute("vacuum analyze").await.expect("analysed");

    let (mut packing, mut copying, mut growth, mut bytes) = (Vec::new(), Vec::new(), 0, 0);
    let told = rows_of_pack(&clinic.manager).await;
    for _ in 0..ROUNDS {
        let (taken, copied) = copy(&pool).await;
        assert_eq!(told, copied, "the same rows");
        copying.push(taken);
        forget_peak();
        let before = peak_kilobytes();
        let started = Instant::now();
        bytes = read_pack(&clinic.manager).await;
        packing.push(started.elapsed());
        growth = growth.max(peak_kilobytes() - before);
    }
    let seconds = |times: &mut Vec<Duration>| {
        times.sort_unstable();
        times[times.len() / 2].as_secs_f64()
    };
    println!(
        "{}",
        json!({
            "records": records, "pack_bytes": bytes, "pack_seconds": seconds(&mut packing),
            "copy_seconds": seconds(&mut copying), "memory_growth_kilobytes": growth,
        })
    );
}

/// A database of its own in the cluster that `DATABASE_URL` names, migrated.
async fn database(name: &str) -> PgPool {
    let url = std::env::var("DATABASE_URL").expect("set by tests/benchmarks/run");
    let options: sqlx::postgres::PgConnectOptions = url.parse().expect("a Postgres address");
    let owner = PgPool::connect_with(options.clone()).await.expect("Postgres answers");
    owner.execute(AssertSqlSafe(format!("drop database if exists {name}"))).await.expect("gone");
    owner.execute(AssertSqlSafe(format!("create database {name}"))).await.expect("made");
    let pool = chairtide::database::pool(options.database(name), 8);
    setup::MIGRATIONS.run(&pool).await.expect("migrated");
    pool
}

/// The year as rows, written past the service: it is not what is timed. How many records were written.
async fn live_a_year(pool: &PgPool) -> i64 {
    let mut db = pool.acquire().await.expect("a connection");
    for statement in YEAR {
        sqlx::query(*statement).execute(&mut *db).await.expect("written");
    }
    sqlx::query_scalar(
        "select (select count(*) from completion where clinic_id = $1)
              + (select count(*) from step_result s join completion c using (group_id, clinic_day, completion_id)
                 where c.clinic_id = $1)
              + (select count(*) from seating_mark where clinic_id = $1)",
    )
    .bind(id(100))
    .fetch_one(&mut *db)
    .await
    .expect("counted")
}

const YEAR: &[&str] = &[
    "set statement_timeout = 0",
    "select ensure_partitions('2026-01-01', '2027-04-01')",
    "insert into subject (group_id, subject_id, clinic_id, kind, name, water_source, circuits, suction_lines, service_state,
                          service_reason, service_since, created_at, updated_at)
     select group_id, gen_random_uuid(), clinic_id, kind, name || '-' || chair, water_source, circuits, suction_lines,
            service_state, service_reason, service_since, created_at, updated_at
     from subject cross join generate_series(2, 10) chair where kind = 'operatory'",
    "insert into subject_change (group_id, subject_id, changed_at, clinic_id, service_state, reason, water_source)
     select s.group_id, s.subject_id, s.service_since, s.clinic_id, s.service_state, '', s.water_source from subject s
     where not exists (select from subject_change c where c.group_id = s.group_id and c.subject_id = s.subject_id)",
    // Blocking routines, as those of the scenario: what a chair lacked follows from their tasks.
    "create temp table work as
     select d::date as day, n, gen_random_uuid() as task_id, gen_random_uuid() as completion_id, s.subject_id, s.clinic_id,
            s.group_id, d + interval '8 hours' + n * interval '40 minutes' as at, (select key_id from api_key limit 1) as key_id,
            (select routine_id from routine_version v where v.definition ->> 'blocks_from' is not null order by 1
             offset n % 2 limit 1) as routine_id, random() < 0.98 as is_done, random() < 0.01 as falls_short
     from generate_series('2026-01-05'::timestamptz, '2026-12-18', '1 day') d
     cross join subject s cross join generate_series(1, 13) n
     where extract(isodow from d) < 6 and s.kind = 'operatory'",
    "insert into task (group_id, clinic_day, task_id, clinic_id, subject_id, subject_kind, routine_id, routine_version, slot,
                       anchor_at, due_from, due_by, overdue_at, missed_at, blocks_at, rung_at, rung_audience, planned_at,
                       outcome, outcome_at, completion_id, done_late)
     select group_id, day, task_id, clinic_id, subject_id, 'operatory', routine_id, 1, 'bench:' || n, at, at,
            at + interval '20 minutes', at + interval '30 minutes', at + interval '1 hour', at, '{}', '{}', at,
            case when is_done then 'done' end, case when is_done then at + interval '5 minutes' end,
            case when is_done then completion_id end, false
     from work",
    "insert into completion (group_id, clinic_day, completion_id, task_id, clinic_id, kind, performed_at, recorded_at,
                             performed_by, key_id, verdict, findings, early, late, late_entry, outcome, flags, signed)
     select group_id, day, completion_id, task_id, clinic_id, 'performed', at + interval '4 minutes',
            at + interval '5 minutes', 'KV', key_id, case when falls_short then 'failed' else 'passed' end, '[]', false,
            false, false, 'done', '{}', false
     from work where is_done",
    "insert into task_settlement (group_id, task_id, clinic_day, settled_at, outcome, failed, completion_id)
     select group_id, task_id, day, at + interval '5 minutes', 'done', falls_short, completion_id from work where is_done",
    "insert into step_result (group_id, clinic_day, completion_id, step_key, ordinal, kind, status, verdict, elapsed_seconds,
                              measured_by, minimum_seconds)
     select group_id, day, completion_id, 'flush:line-' || s, s, 'hold', 'done', 'passed', 25, 'device', 20
     from work, generate_series(1, 6) s where is_done",
    "insert into step_result (group_id, clinic_day, completion_id, step_key, ordinal, kind, status, verdict, qualifier, value,
                              unit, limits)
     select group_id, day, completion_id, 'residual', 7, 'reading', 'done',
            case when falls_short then 'failed' else 'passed' end, 'eq', case when falls_short then 0.4 else 2 end, 'mg/L',
            '[{\"operator\": \"le\", \"value\": \"3\", \"unit\": \"mg/L\"}, {\"operator\": \"ge\", \"value\": \"1\", \"unit\": \"mg/L\"}]'
     from work where is_done",
    "insert into seating_mark (group_id, clinic_day, mark_id, clinic_id, operatory_id, edge, marked_at, recorded_at, key_id)
     select group_id, day, gen_random_uuid(), clinic_id, subject_id, 'left', at, at, key_id from work",
    "drop table work",
];

/// The same rows to CSV by Postgres alone; how long it took, and how many there are of each kind.
async fn copy(pool: &PgPool) -> (Duration, BTreeMap<String, u64>) {
    let mut db = pool.acquire().await.expect("a connection");
    db.execute("select set_config('role', 'chairtide_app', false), set_config('chairtide.group_id', (select group_id::text from dental_group limit 1), false), set_config('chairtide.as_of', '2027-01-02T03:40:00Z', false)")
        .await
        .expect("set");
    let mut rows_of = BTreeMap::new();
    let started = Instant::now();
    for set in &RECORD_SETS {
        let statement = format!("copy (select v.* from {}) to stdout (format csv)", of_clinic(set.name));
        let mut rows = db.copy_out_raw(&statement).await.expect("copied");
        let mut count = 0;
        while let Some(piece) = rows.next().await {
            // No text of these rows has a line break, so a line is a row.
            count += piece.expect("a piece").split(|byte| *byte == b'\n').count() as u64 - 1;
        }
        drop(rows);
        rows_of.insert(set.name.to_owned(), count);
    }
    let taken = started.elapsed();
    db.execute("reset role").await.expect("reset");
    (taken, rows_of)
}

/// The rows `v` of a view that are of the clinic of the pack.
fn of_clinic(view: &str) -> String {
    let clinic = id(100);
    match view {
        "step_results" | "lot_uses" => format!(
            "reporting.completions c join reporting.{view} v on v.completion_id = c.completion_id and v.clinic_day = c.clinic_day
             where c.clinic_id = '{clinic}'"
        ),
        "staff_marks" | "competence_marks" | "instrument_marks" => {
            format!("reporting.{view} v where '{clinic}' = any(v.of_clinics)")
        }
        "routines" | "products" | "staff" | "competences" => format!("reporting.{view} v"),
        // The first day of the next year is sealed, too.
        "seals" => format!("reporting.{view} v where v.clinic_id = '{clinic}' and v.clinic_day <= '2026-12-31'"),
        _ => format!("reporting.{view} v where v.clinic_id = '{clinic}'"),
    }
}

/// How many rows of each kind a pack holds, by its manifest, which is the last file of the archive and small.
async fn rows_of_pack(client: &Client<'_>) -> BTreeMap<String, u64> {
    let pack = tempfile::NamedTempFile::new().expect("a file");
    let path = format!("/v1/clinics/{}/evidence-pack?from=2026-01-01&to=2026-12-31", id(100));
    let request = Request::get(path).header("authorization", format!("Bearer {}", client.token)).body(Body::empty());
    let response = client.app.router().oneshot(request.expect("a request")).await.expect("answered");
    assert_eq!(response.status(), 200);
    let mut pieces = response.into_body().into_data_stream();
    while let Some(piece) = pieces.next().await {
        pack.as_file().write_all(&piece.expect("whole")).expect("written");
    }
    let script = "import sys, zipfile; print(zipfile.ZipFile(sys.argv[1]).read('manifest.json').decode())";
    let output = Command::new("python3").args(["-c", script]).arg(pack.path()).output().expect("python3");
    let manifest: Value = serde_json::from_slice(&output.stdout).expect("a manifest");
    assert_eq!(manifest["not_as_sealed"], json!([]));
    let files = manifest["files"].as_array().expect("files").iter();
    files
        .filter_map(|file| {
            let name = file["path"].as_str()?.strip_prefix("csv/")?.strip_suffix(".csv")?;
            Some((name.to_owned(), file["rows"].as_u64()?))
        })
        .collect()
}

/// Reads a pack to its end and keeps nothing of it; how large it is.
async fn read_pack(client: &Client<'_>) -> usize {
    let path = format!("/v1/clinics/{}/evidence-pack?from=2026-01-01&to=2026-12-31", id(100));
    let request = Request::get(path).header("authorization", format!("Bearer {}", client.token)).body(Body::empty());
    let response = client.app.router().oneshot(request.expect("a request")).await.expect("answered");
    assert_eq!(response.status(), 200);
    let mut pieces = response.into_body().into_data_stream();
    let mut bytes = 0;
    while let Some(piece) = pieces.next().await {
        bytes += piece.expect("whole").len();
    }
    bytes
}

/// Lets the kernel measure the peak anew (proc(5), `clear_refs`).
fn forget_peak() {
    fs::write("/proc/self/clear_refs", "5").expect("ours");
}

fn peak_kilobytes() -> i64 {
    let status = fs::read_to_string("/proc/self/status").expect("ours");
    let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:")).expect("a peak");
    line.trim().trim_end_matches(" kB").parse().expect("a number")
}
