//! Whatever is done to sealed evidence behind the service's back is named: by the owner of the tables, who can do all.

use std::collections::BTreeSet;

use chairtide::domain::seal::record::RecordName;
use chairtide::domain::seal::tamper::SealFinding;
use chairtide::jobs::sealer;
use chairtide::store::seals;
use serde_json::{Value, json};
use sqlx::{AssertSqlSafe, PgConnection, PgPool, Row as _};

use crate::seals::{eventful_day, sealed_day};
use crate::support::app::App;
use crate::support::scenario::Clinic;
use crate::support::{at, id};

/// A kind of record, said anew: its table, the columns that say which record of which clinic a row is, its id, and the
/// columns that are no part of it.
struct Kind {
    record: &'static str,
    table: &'static str,
    /// The columns of its id and of where it belongs; another value makes it another record, or none.
    names: &'static [&'static str],
    id: &'static str,
    /// Only these rows are such records.
    which: &'static str,
    without: &'static [&'static str],
    only: Option<&'static [&'static str]>,
}

const WHOLE: Kind = Kind { record: "", table: "", names: &[], id: "", which: "true", without: &[], only: None };
const KINDS: [Kind; 28] = [
    Kind {
        record: "day_sign_off",
        table: "day_sign_off",
        names: &["group_id", "clinic_id", "sign_off_id"],
        id: "sign_off_id::text",
        ..WHOLE
    },
    Kind {
        record: "water_advisory",
        table: "water_advisory",
        names: &["group_id", "clinic_id", "advisory_id"],
        id: "advisory_id::text",
        ..WHOLE
    },
    Kind {
        record: "water_advisory_lifting",
        table: "water_advisory_lifting",
        names: &["group_id", "clinic_id", "advisory_id"],
        id: "advisory_id::text",
        ..WHOLE
    },
    Kind {
        record: "quarantine",
        table: "quarantine",
        names: &["group_id", "clinic_id", "quarantine_id"],
        id: "quarantine_id::text",
        ..WHOLE
    },
    Kind {
        record: "quarantine_release",
        table: "quarantine_release",
        names: &["group_id", "clinic_id", "release_id"],
        id: "release_id::text",
        ..WHOLE
    },
    Kind {
        record: "corrective_action",
        table: "corrective_action",
        names: &["group_id", "clinic_id", "action_id"],
        id: "action_id::text",
        ..WHOLE
    },
    Kind {
        record: "corrective_action_step",
        table: "corrective_action_step",
        names: &["group_id", "clinic_id", "record_id"],
        id: "record_id::text",
        ..WHOLE
    },
    Kind {
        record: "corrective_action_note",
        table: "corrective_action_note",
        names: &["group_id", "clinic_id", "note_id"],
        id: "note_id::text",
        ..WHOLE
    },
    Kind {
        record: "corrective_action_close",
        table: "corrective_action_close",
        names: &["group_id", "clinic_id", "close_id"],
        id: "close_id::text",
        ..WHOLE
    },
    Kind {
        record: "miss_reason",
        table: "miss_reason",
        names: &["group_id", "clinic_id", "task_id", "number"],
        id: "task_id || '/' || number",
        ..WHOLE
    },
    Kind {
        record: "legal_hold",
        table: "legal_hold",
        names: &["group_id", "clinic_id", "legal_hold_id"],
        id: "legal_hold_id::text",
        ..WHOLE
    },
    Kind {
        record: "legal_hold_lift",
        table: "legal_hold_lift",
        names: &["group_id", "clinic_id", "lift_id"],
        id: "lift_id::text",
        ..WHOLE
    },
    Kind {
        record: "purge",
        table: "purge",
        names: &["group_id", "clinic_id", "purge_id"],
        id: "purge_id::text",
        ..WHOLE
    },
    Kind {
        record: "cycle_record",
        table: "cycle_record",
        names: &["group_id", "clinic_id", "cycle_id", "number"],
        id: "cycle_id || '/' || number",
        ..WHOLE
    },
    Kind {
        record: "completion",
        table: "completion",
        names: &["group_id", "clinic_id", "completion_id"],
        id: "completion_id::text",
        // The one without steps, so that an edit of its id touches no other record.
        which: "kind = 'not_required'",
        ..WHOLE
    },
    Kind {
        record: "step_result",
        table: "step_result",
        // Its day and its completion lead to when it was recorded.
        names: &["group_id", "clinic_day", "completion_id", "step_key"],
        id: "completion_id || '/' || step_key",
        ..WHOLE
    },
    Kind {
        record: "hold_mark",
        table: "hold_mark",
        names: &["group_id", "clinic_id", "hold_id", "edge"],
        id: "hold_id || '/' || edge",
        ..WHOLE
    },
    Kind {
        record: "day_mark",
        table: "day_mark",
        names: &["group_id", "clinic_id", "clinic_day", "edge"],
        id: "clinic_day || '/' || edge",
        ..WHOLE
    },
    Kind {
        record: "seating_mark",
        table: "seating_mark",
        names: &["group_id", "clinic_id", "mark_id"],
        id: "mark_id::text",
        ..WHOLE
    },
    Kind {
        record: "cycle_mark",
        table: "cycle_mark",
        names: &["group_id", "clinic_id", "cycle_id"],
        id: "cycle_id::text",
        ..WHOLE
    },
    Kind { record: "lot", table: "lot", names: &["group_id", "clinic_id", "lot_id"], id: "lot_id::text", ..WHOLE },
    Kind {
        record: "lot_mark",
        table: "lot_mark",
        names: &["group_id", "clinic_id", "lot_id", "number"],
        id: "lot_id || '/' || number",
        ..WHOLE
    },
    Kind {
        record: "presence_mark",
        table: "presence_mark",
        names: &["group_id", "clinic_id", "clinic_day", "number"],
        id: "clinic_day || '/' || number",
        ..WHOLE
    },
    Kind {
        record: "staff_mark",
        table: "staff_mark",
        names: &["group_id", "staff_id", "number"],
        id: "staff_id || '/' || number",
        ..WHOLE
    },
    Kind {
        record: "competence_mark",
        table: "competence_mark",
        names: &["group_id", "staff_id", "competence_id", "number"],
        id: "staff_id || '/' || competence_id || '/' || number",
        ..WHOLE
    },
    Kind {
        record: "instrument_mark",
        table: "instrument_mark",
        names: &["group_id", "instrument_id", "number"],
        id: "instrument_id || '/' || number",
        ..WHOLE
    },
    Kind {
        record: "site_event",
        table: "site_event",
        names: &["group_id", "clinic_id", "event_id"],
        id: "event_id::text",
        which: "withdrawn_at is null",
        without: &["withdrawn_at", "withdrawn_by_key"],
        ..WHOLE
    },
    Kind {
        record: "site_event_withdrawal",
        table: "site_event",
        names: &["group_id", "clinic_id", "event_id"],
        id: "event_id::text",
        which: "withdrawn_at is not null",
        only: Some(&["withdrawn_at", "withdrawn_by_key"]),
        ..WHOLE
    },
];

/// Lets the owner write what checks and keys would refuse: whoever edits rows can take those off too.
async fn take_checks_off(db: &mut PgConnection) {
    let constraints = sqlx::query(
        "select conrelid::regclass::text, conname::text from pg_constraint
         where contype in ('c', 'f') and conparentid = 0 and not exists (
             select from pg_inherits where inhrelid = conrelid)
           and conrelid::regclass::text = any('{completion,step_result,hold_mark,day_mark,seating_mark,cycle_mark,cycle_record,presence_mark,site_event,lot,lot_mark,quarantine,quarantine_release,corrective_action,corrective_action_step,corrective_action_note,corrective_action_close,corrective_action_next,miss_reason,day_sign_off,water_advisory,water_advisory_lifting,legal_hold,legal_hold_lift,purge,staff_mark,competence_mark,instrument_mark}')",
    );
    for row in constraints.fetch_all(&mut *db).await.expect("the catalogue") {
        let (table, name): (String, String) = (row.get(0), row.get(1));
        let sql = format!("alter table {table} drop constraint if exists {name} cascade");
        sqlx::query(AssertSqlSafe(sql)).execute(&mut *db).await.expect("the owner may");
    }
}

async fn columns(db: &mut PgConnection, table: &str) -> Vec<(String, String)> {
    sqlx::query_as(
        "select column_name::text, data_type::text from information_schema.columns
         where table_schema = 'public' and table_name = $1 order by ordinal_position",
    )
    .bind(table)
    .fetch_all(db)
    .await
    .expect("the catalogue")
}

/// SQL of another value of a column.
fn another(column: &str, data_type: &str) -> String {
    let (changed, instead_of_null) = match data_type {
        "uuid" => ("gen_random_uuid()".to_owned(), "gen_random_uuid()"),
        "text" => (format!("{column} || 'x'"), "'x'"),
        // The smallest step there is.
        "timestamp with time zone" => (format!("{column} + interval '1 microsecond'"), "'2026-11-02T09:00Z'"),
        // Within the month, whose partition there is.
        "date" => (format!("{column} + 1"), "'2026-11-03'"),
        "boolean" => (format!("not {column}"), "true"),
        "integer" | "smallint" => (format!("{column} + 1"), "1"),
        // The same number, written with one decimal more.
        "numeric" => (format!("{column} + 0.00"), "1"),
        "bytea" => (format!("sha256({column})"), "'\\x00'"),
        "ARRAY" if matches!(column, "staff_ids" | "entry_ids" | "clinic_ids" | "of_clinics") => {
            (format!("array_append({column}, gen_random_uuid())"), "'{}'")
        }
        "ARRAY" => (format!("array_append({column}, 'x')"), "'{}'"),
        "jsonb" => (format!("jsonb_build_array({column})"), "'[]'"),
        other => panic!("{column} is a {other}: how is it changed?"),
    };
    format!("coalesce({changed}, {instead_of_null})")
}

/// What the checks of all sealed days find.
async fn findings(db: &mut PgConnection, clinic: &Clinic<'_>) -> Vec<SealFinding> {
    let all = seals::list_seals(db, id(1), clinic.clinic_id).await.expect("seals");
    let mut found = seals::checks::check_chain(db, id(1), clinic.clinic_id, &all).await.expect("checked");
    let now = all.last().expect("a seal").sealed_at;
    found.extend(seals::checks::check_days(db, id(1), clinic.clinic_id, &all, now).await.expect("checked"));
    found
}

#[sqlx::test]
async fn an_edit_of_any_column_of_any_evidence_names_its_record_and_no_other(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T06:00:00Z")).await;
    let clinic = eventful_day(&app).await;
    let seal = sealed_day(&app, &clinic).await;
    let mut db = pool.acquire().await.expect("a connection");
    take_checks_off(&mut db).await;
    assert_eq!(findings(&mut db, &clinic).await, []);
    let mut edits = 0;
    for kind in &KINDS {
        let Kind { table, id: name, which, .. } = kind;
        let row = format!("from {table} where group_id = $1 and {which} order by {name} limit 1");
        let record_id: String = sqlx::query_scalar(AssertSqlSafe(format!("select {name} {row}")))
            .bind(id(1))
            .fetch_one(&mut *db)
            .await
            .unwrap_or_else(|error| panic!("{}: {error}", kind.record));
        let record = RecordName { kind: kind.record.to_owned(), id: record_id.clone() };
        for (column, data_type) in columns(&mut db, table).await {
            let is_part = kind.only.is_none_or(|only| only.contains(&column.as_str()));
            if !is_part || kind.without.contains(&column.as_str()) {
                continue;
            }
            sqlx::query("begin").execute(&mut *db).await.expect("begun");
            let sql = format!(
                "update {table} set {column} = {} where group_id = $1 and {name} = $2",
                another(&column, &data_type)
            );
            let done = sqlx::query(AssertSqlSafe(sql)).bind(id(1)).bind(&record_id).execute(&mut *db).await;
            assert_eq!(done.expect("the owner may").rows_affected(), 1, "{} {column}", kind.record);
            let found = findings(&mut db, &clinic).await;
            sqlx::query("rollback").execute(&mut *db).await.expect("back");
            edits += 1;
            let clinic_day = seal;
            if kind.names.contains(&column.as_str()) {
                let removed = SealFinding::RecordRemoved { clinic_day, record: record.clone() };
                assert!(found.contains(&removed), "{} {column}: {found:?}", kind.record);
            } else {
                let changed = SealFinding::RecordChanged { clinic_day, record: record.clone() };
                assert_eq!(found, [changed], "{} {column}", kind.record);
            }
        }
    }
    assert!(edits > 80, "only {edits} edits");
}

/// Values that neither JSON nor our types can tell: reading them must not fail.
#[sqlx::test]
async fn what_no_service_could_have_written_is_named_like_any_other_edit(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T06:00:00Z")).await;
    let clinic = eventful_day(&app).await;
    sealed_day(&app, &clinic).await;
    let mut db = pool.acquire().await.expect("a connection");
    take_checks_off(&mut db).await;
    for edit in [
        "update completion set performed_at = 'infinity' where group_id = $1",
        "update completion set performed_at = '-infinity' where group_id = $1",
        "update completion set performed_at = performed_at - interval '4051 years' where group_id = $1",
        "update completion set findings = '[0.5]' where group_id = $1",
        "update step_result set value = 'NaN' where group_id = $1 and value is not null",
        "update step_result set limits = '1e400' where group_id = $1 and limits is not null",
        "update cycle_mark set ended_at = 'infinity' where group_id = $1",
    ] {
        sqlx::query("begin").execute(&mut *db).await.expect("begun");
        let done = sqlx::query(edit).bind(id(1)).execute(&mut *db).await.expect("the owner may").rows_affected();
        let found = findings(&mut db, &clinic).await;
        sqlx::query("rollback").execute(&mut *db).await.expect("back");
        let changed = found.iter().filter(|f| matches!(f, SealFinding::RecordChanged { .. })).count();
        assert!(done > 0 && u64::try_from(changed) == Ok(done) && found.len() == changed, "{edit}: {found:?}");
    }
    for edit in
        ["recorded_at = 'infinity'", "recorded_at = '-infinity'", "recorded_at = recorded_at - interval '50 years'"]
    {
        sqlx::query("begin").execute(&mut *db).await.expect("begun");
        let sql = format!("update cycle_mark set {edit} where group_id = $1");
        sqlx::query(AssertSqlSafe(sql)).bind(id(1)).execute(&mut *db).await.expect("the owner may");
        let found = findings(&mut db, &clinic).await;
        sqlx::query("rollback").execute(&mut *db).await.expect("back");
        let named =
            found.iter().filter(|f| matches!(f, SealFinding::RecordRemoved { .. } | SealFinding::RecordChanged { .. }));
        assert!(named.count() == 1, "{edit}: {found:?}");
    }
}

/// What the verify call names: the kind of finding and the record.
async fn verified(clinic: &Clinic<'_>) -> Vec<(String, String, String)> {
    let path = format!("/v1/clinics/{}/verification", clinic.clinic_id);
    let check = clinic.manager.get(&path).await.expect(200);
    let text = |value: &Value| value.as_str().unwrap_or_default().to_owned();
    let findings = check["findings"].as_array().expect("a list");
    findings.iter().map(|f| (text(&f["finding"]), text(&f["record"]["kind"]), text(&f["record"]["id"]))).collect()
}

async fn run(pool: &PgPool, sql: String) -> u64 {
    let done = sqlx::query(AssertSqlSafe(sql.clone())).bind(id(1)).execute(pool).await;
    done.unwrap_or_else(|error| panic!("{sql}: {error}")).rows_affected()
}

#[sqlx::test]
async fn an_owners_update_delete_and_insert_in_any_table_of_evidence_is_named_by_the_verify_call(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T06:00:00Z")).await;
    let clinic = eventful_day(&app).await;
    sealed_day(&app, &clinic).await;
    assert_eq!(verified(&clinic).await, []);
    // A column to edit, and the one that makes a copy of a row another row.
    for (table, id_sql, edit, copied_as) in [
        ("completion", "completion_id::text", "note = note || '!'", "completion_id"),
        ("step_result", "completion_id || '/' || step_key", "verdict = 'failed'", "step_key"),
        ("hold_mark", "hold_id || '/' || edge", "performed_by = 'XX'", "hold_id"),
        ("day_mark", "clinic_day || '/' || edge", "marked_at = marked_at - interval '1 hour'", "clinic_day"),
        ("seating_mark", "mark_id::text", "marked_at = marked_at - interval '1 hour'", "mark_id"),
        ("cycle_mark", "cycle_id::text", "program = 'B'", "cycle_id"),
        ("presence_mark", "clinic_day || '/' || number", "staff_ids = '{}'", "number"),
        ("site_event", "event_id::text", "note = 'another'", "event_id"),
        ("corrective_action_note", "note_id::text", "kind = 'recorded_late'", "note_id"),
    ] {
        let which = match table {
            "completion" => "kind = 'not_required'",
            "site_event" => "withdrawn_at is null",
            "step_result" => "verdict = 'passed'",
            _ => "true",
        };
        run(&pool, format!("create table kept as select * from {table} where group_id = $1").replace("$1", &quoted()))
            .await;
        let record_id: String =
            sqlx::query_scalar(AssertSqlSafe(format!("select {id_sql} from kept where {which} order by 1 limit 1")))
                .fetch_one(&pool)
                .await
                .expect("a row");
        let this = format!("group_id = $1 and {id_sql} = '{record_id}'");
        let named = |finding: &str, id: &str| vec![(finding.to_owned(), table.to_owned(), id.to_owned())];

        assert_eq!(run(&pool, format!("update {table} set {edit} where {this}")).await, 1);
        assert_eq!(verified(&clinic).await, named("record_changed", &record_id), "{table}");

        assert_eq!(run(&pool, format!("delete from {table} where {this}")).await, 1);
        assert_eq!(verified(&clinic).await, named("record_removed", &record_id), "{table}");

        let value = match copied_as {
            "step_key" => "invented".to_owned(),
            "clinic_day" => "2026-11-04".to_owned(),
            "number" => "9999".to_owned(),
            _ => id(9_999).to_string(),
        };
        let back = format!("insert into {table} select * from kept where {this}");
        assert_eq!(run(&pool, back).await, 1);
        assert_eq!(verified(&clinic).await, [], "{table}: as it was");
        let copy = format!(
            "insert into {table} select (jsonb_populate_record(null::{table}, to_jsonb(k) || '{{\"{copied_as}\": \"{value}\"}}')).*
             from kept k where {this}"
        );
        assert_eq!(run(&pool, copy).await, 1);
        let found = verified(&clinic).await;
        assert!(
            matches!(&found[..], [(finding, kind, id)]
            if finding == "record_inserted" && kind == table && id.contains(&value)),
            "{table}: {found:?}"
        );
        run(&pool, format!("delete from {table} where group_id = $1 and {copied_as} = '{value}'")).await;
        assert_eq!(verified(&clinic).await, [], "{table}: as it was");
        run(&pool, "drop table kept".replace("$1", "")).await;
    }
}

/// By what completions made of their tasks it is answered how a chair stood at an instant gone by. It follows from the
/// completions, so it is held against them.
#[sqlx::test]
async fn an_owners_edit_of_what_a_completion_made_of_its_task_is_named(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T06:00:00Z")).await;
    let clinic = eventful_day(&app).await;
    sealed_day(&app, &clinic).await;
    assert_eq!(verified(&clinic).await, []);
    let (task, completion): (String, String) = sqlx::query_as(
        "select s.task_id::text, s.completion_id::text from task_settlement s
         join completion c on c.completion_id = s.completion_id
         where s.group_id = $1 and s.outcome = 'done' and not s.failed and c.verdict = 'passed' order by s.number limit 1",
    )
    .bind(id(1))
    .fetch_one(&pool)
    .await
    .expect("work that passed");
    run(&pool, format!("create table kept as select * from task_settlement where group_id = {}", quoted())).await;
    let this = format!("group_id = $1 and task_id = '{task}' and completion_id = '{completion}'");
    let named = |completion: &str| {
        vec![("settlement_changed".to_owned(), "task_settlement".to_owned(), format!("{task}/{completion}"))]
    };
    for edit in [
        "settled_at = settled_at - interval '1 hour'",
        "failed = true",
        "outcome = 'not_required'",
        "outcome = 'void'",
        "outcome = null",
        "outcome = 'result_pending'",
    ] {
        assert_eq!(run(&pool, format!("update task_settlement set {edit} where {this}")).await, 1);
        assert_eq!(verified(&clinic).await, named(&completion), "{edit}");
        let back =
            "update task_settlement s set settled_at = k.settled_at, outcome = k.outcome, failed = k.failed from kept k
                    where s.group_id = $1 and k.number = s.number";
        run(&pool, back.to_owned()).await;
        assert_eq!(verified(&clinic).await, [], "{edit}: as it was");
    }
    let columns = "group_id, task_id, clinic_day, settled_at, outcome, failed, completion_id";
    let copy = |of: &str| {
        format!(
            "insert into task_settlement ({columns}) select {} from kept where {this}",
            columns.replace("completion_id", of)
        )
    };
    run(&pool, copy("completion_id")).await;
    assert_eq!(verified(&clinic).await, named(&completion), "twice");
    run(&pool, format!("delete from task_settlement where {this}")).await;
    assert_eq!(verified(&clinic).await, named(&completion), "none");
    run(&pool, copy("completion_id")).await;
    assert_eq!(verified(&clinic).await, []);
    run(&pool, copy(&format!("'{}'::uuid", id(9_999)))).await;
    assert_eq!(verified(&clinic).await, named(&id(9_999).to_string()), "of no completion");
}

fn quoted() -> String {
    format!("'{}'", id(1))
}

#[sqlx::test]
async fn edits_of_leaves_seals_and_the_last_seal_are_found_and_kept_by_the_loop(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T06:00:00Z")).await;
    let clinic = eventful_day(&app).await;
    sealed_day(&app, &clinic).await;
    app.set(at("2026-11-04T12:00:00Z"));
    let report = sealer::tick(&pool, &app.clock).await.expect("it ticks");
    assert_eq!((report.sealed, report.checked, report.found), (1, 1, 0));
    let owner = async |sql: &str| run(&pool, sql.to_owned()).await;
    let kinds = async || verified(&clinic).await.into_iter().map(|(finding, ..)| finding).collect::<Vec<_>>();

    // The row and its leaf, so that no record can be named.
    owner("update cycle_mark set program = 'B' where group_id = $1").await;
    let mut db = pool.acquire().await.expect("a connection");
    let rows = seals::records::list(&mut db, id(1), clinic.clinic_id, None, app.clock.now()).await.expect("rows");
    let (_, cycle) = rows.into_iter().find(|(_, record)| record.kind == "cycle_mark").expect("a cycle");
    let leaf = cycle.leaf().expect("a leaf").to_string();
    owner(&format!("update seal_leaf set leaf = '\\x{leaf}' where group_id = $1 and kind = 'cycle_mark'")).await;
    assert_eq!(kinds().await, ["leaves_changed"]);

    // The loop finds it too, tells of it once, and does not take it back.
    app.set(at("2026-11-05T12:00:00Z"));
    let report = sealer::tick(&pool, &app.clock).await.expect("it ticks");
    assert_eq!((report.sealed, report.found), (1, 1));
    app.set(at("2026-11-06T12:00:00Z"));
    assert_eq!(sealer::tick(&pool, &app.clock).await.expect("it ticks").found, 0, "known");
    let listed = clinic.manager.get("/v1/seal-findings").await.expect(200);
    let expected = json!([{ "finding": "leaves_changed", "clinic_day": "2026-11-02" }]);
    assert_eq!(json!([listed["items"][0]["finding"]]), expected, "{listed}");
    assert_eq!(listed["items"].as_array().map(Vec::len), Some(1));
    let told: i64 = sqlx::query_scalar("select count(*) from event where kind = 'seal_broken'")
        .fetch_one(&pool)
        .await
        .expect("events");
    assert_eq!(told, 1);

    // And the root with them: then the chain says it.
    let sealed = seals::list_leaves(
        &mut db,
        id(1),
        clinic.clinic_id,
        (at("2026-11-02T00:00:00Z").date_naive(), at("2026-11-02T00:00:00Z").date_naive()),
    )
    .await
    .expect("leaves");
    let root = chairtide::domain::seal::day_root(sealed.values().next().expect("a day"));
    owner(&format!("update day_seal set root = '\\x{root}' where group_id = $1 and clinic_day = '2026-11-02'")).await;
    let found: BTreeSet<String> = kinds().await.into_iter().collect();
    assert_eq!(found, BTreeSet::from(["seal_broken".to_owned(), "head_lost".to_owned()]));
}

#[sqlx::test]
async fn what_was_sealed_lately_is_looked_at_every_night_however_many_days_there_are(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T06:00:00Z")).await;
    let clinic = eventful_day(&app).await;
    sealed_day(&app, &clinic).await;
    app.set(at("2027-01-15T12:00:00Z"));
    while sealer::tick(&pool, &app.clock).await.expect("it ticks").sealed > 0 {
        app.advance(chrono::TimeDelta::minutes(1));
    }
    let cycle = json!({ "cycle_id": id(710), "ended_at": "2027-01-15T12:00:00Z" });
    clinic.tablet.post(&format!("/v1/equipment/{}/cycles", clinic.steriliser), cycle).await.expect(201);
    app.set(at("2027-01-16T12:00:00Z"));
    assert_eq!(sealer::tick(&pool, &app.clock).await.expect("it ticks").sealed, 1);
    let sealed: i64 = sqlx::query_scalar("select count(*) from day_seal").fetch_one(&pool).await.expect("seals");
    assert!(sealed > 62, "{sealed} days are more than two checks look at");

    // The turn is at the first days, and the edits are of the newest day and of the first one.
    run(&pool, "update clinic_seal set check_number = 40 where group_id = $1".to_owned()).await;
    run(&pool, "update cycle_mark set program = 'edited' where group_id = $1".to_owned()).await;
    app.set(at("2027-01-17T12:00:00Z"));
    assert_eq!(sealer::tick(&pool, &app.clock).await.expect("it ticks").found, 1, "of the newest");
    app.set(at("2027-01-18T12:00:00Z"));
    assert_eq!(sealer::tick(&pool, &app.clock).await.expect("it ticks").found, 1, "of the first, in its turn");
}

#[sqlx::test]
async fn the_last_seal_removed_is_found_by_the_head_that_was_told_and_sealing_goes_on(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T06:00:00Z")).await;
    let clinic = eventful_day(&app).await;
    sealed_day(&app, &clinic).await;
    let cycle = json!({ "cycle_id": id(710), "ended_at": "2026-11-02T23:50:00Z" });
    clinic.tablet.post(&format!("/v1/equipment/{}/cycles", clinic.steriliser), cycle).await.expect(201);
    app.set(at("2026-11-04T12:00:00Z"));
    assert_eq!(sealer::tick(&pool, &app.clock).await.expect("it ticks").sealed, 1);
    let path = format!("/v1/clinics/{}/chain-head", clinic.clinic_id);
    let kept = clinic.manager.get(&path).await.expect(200);
    run(&pool, format!("update cycle_mark set program = 'edited' where group_id = $1 and cycle_id = '{}'", id(710)))
        .await;
    run(&pool, "delete from seal_leaf where group_id = $1 and clinic_day = '2026-11-03'".to_owned()).await;
    run(&pool, "delete from day_seal where group_id = $1 and clinic_day = '2026-11-03'".to_owned()).await;
    let lost = vec![("head_lost".to_owned(), String::new(), String::new())];
    assert_eq!(verified(&clinic).await, lost);
    // Sealed anew, with the edit in it, the chain is whole in itself; the head that was told of is not its own.
    app.set(at("2026-11-05T12:00:00Z"));
    assert_eq!(sealer::tick(&pool, &app.clock).await.expect("it ticks").sealed, 2);
    assert_eq!(verified(&clinic).await, lost);
    let size = kept["size"].as_u64().expect("a size");
    let then = clinic.manager.get(&format!("{path}?size={size}")).await.expect(200);
    assert_ne!(then["root"], kept["root"], "and a head kept elsewhere says so without any event");
}

/// Every column of every table of evidence is a member of its record: what is not in it could be edited unseen.
#[sqlx::test]
async fn records_have_every_column_of_their_tables(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T06:00:00Z")).await;
    let clinic = eventful_day(&app).await;
    let mut db = pool.acquire().await.expect("a connection");
    take_checks_off(&mut db).await;
    // No column of the rows is null: those are left out.
    let tables: BTreeSet<&str> = KINDS.iter().map(|kind| kind.table).collect();
    for table in tables {
        for (column, data_type) in columns(&mut db, table).await {
            let value = another(&column, &data_type);
            let sql = format!("update {table} set {column} = {value} where group_id = $1 and {column} is null");
            sqlx::query(AssertSqlSafe(sql)).bind(id(1)).execute(&mut *db).await.expect("the owner may");
        }
    }
    let rows =
        seals::records::list(&mut db, id(1), clinic.clinic_id, None, at("2026-11-03T00:00:00Z")).await.expect("rows");
    for kind in &KINDS {
        let records: Vec<_> = rows.iter().filter(|(_, record)| record.kind == kind.record).collect();
        assert!(!records.is_empty(), "no {}", kind.record);
        let expected: BTreeSet<String> = match kind.record {
            "site_event_withdrawal" => {
                ["group_id", "event_id", "withdrawn_at", "withdrawn_by_key"].map(str::to_owned).into()
            }
            _ => columns(&mut db, kind.table).await.into_iter().map(|(column, _)| column).collect(),
        };
        let without = |column: &String| !kind.without.contains(&column.as_str());
        let expected: BTreeSet<String> = expected.into_iter().filter(without).collect();
        for (_, record) in records {
            let members: BTreeSet<String> = record.fields.keys().cloned().collect();
            assert_eq!(members, expected, "{}", kind.record);
        }
    }
}
