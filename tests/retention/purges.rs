//! Trials, holds and purges over HTTP.

use std::process::Command;

use chairtide::domain::seal::ChainHead;
use chairtide::domain::seal::proof::check_proof;
use chairtide::jobs::sealer;
use chairtide::store::{self, reporting, seals};
use chrono::TimeDelta;
use serde_json::{Value, json};
use sqlx::{AssertSqlSafe, ConnectOptions as _, PgPool};
use uuid::Uuid;

use super::{
    ASSISTANT, LEAD, NOVEMBER, keep_one_year, kind_of, later, old_clinic, old_day, purge, register, signature, signed,
    sums, trial, verified,
};
use crate::support::app::App;
use crate::support::chance::Chance;
use crate::support::contents::{contents, count};
use crate::support::scenario::{self, Clinic, routine};
use crate::support::{at, id};

#[sqlx::test]
async fn a_trial_tells_what_would_go_and_what_stays_and_changes_nothing(pool: PgPool) {
    let app = App::new(pool.clone(), at("2014-11-03T06:00:00Z")).await;
    let clinic = old_day(&app).await;
    app.set(at("2016-01-11T10:00:00Z"));
    app.keep_house().await;
    let stays = |because: &str| {
        let row = |class: &str, n| (class.to_owned(), because.to_owned(), n);
        vec![row("sterilisation", 4), row("routine_work", 7), row("incidents", 5), register()]
    };
    let before = contents(&pool, id(1)).await;
    let nothing = trial(&clinic, NOVEMBER).await;
    assert_eq!((sums(&nothing), &nothing["record_count"]), ((vec![], stays("time_not_over")), &json!(0)));
    assert_eq!(contents(&pool, id(1)).await, before);
    let refused = purge(
        &clinic,
        900,
        signed(
            &json!({ "from": "2014-11-01", "until": "2014-11-30", "record_count": 1,
                                                      "digest": "0".repeat(64) }),
            LEAD,
        ),
    )
    .await;
    assert_eq!((refused.status.as_u16(), kind_of(&refused).as_str()), (409, "/problems/nothing-to-purge"));

    keep_one_year(&clinic).await;
    let whole = trial(&clinic, NOVEMBER).await;
    let row = |class: &str, n| (class.to_owned(), n);
    let going = vec![row("sterilisation", 4), row("routine_work", 7), row("incidents", 4)];
    let stands = vec![("incidents".to_owned(), "still_stands".to_owned(), 1), register()];
    assert_eq!((sums(&whole), &whole["record_count"]), ((going, stands), &json!(15)));
    assert_eq!((&whole["days_looked_at"], &whole["clinic_day"]), (&json!(1), &json!("2016-01-11")));
    let one = trial(&clinic, &format!("{NOVEMBER}&record_class=sterilisation")).await;
    assert_eq!(sums(&one), (vec![row("sterilisation", 4)], vec![]));
    // The last day that is kept is the same day a year on.
    for (now, count) in [("2015-11-03T23:59:00Z", 0), ("2015-11-04T00:01:00Z", 15)] {
        app.set(at(now));
        assert_eq!(trial(&clinic, NOVEMBER).await["record_count"], json!(count), "{now}");
    }
    for (query, pointer) in [
        ("from=2014-11-30&until=2014-11-01", "/until"),
        ("from=2013-11-01&until=2014-11-02", "/until"),
        ("until=1969-01-01", "/until"),
    ] {
        let refused = clinic.manager.get(&format!("/v1/clinics/{}/purge-trial?{query}", clinic.clinic_id)).await;
        refused.expect(422);
        assert_eq!(refused.pointers(), [pointer], "{query}");
    }
}

#[sqlx::test]
async fn a_legal_hold_stops_a_purge_until_a_lead_lifts_it(pool: PgPool) {
    let app = App::new(pool.clone(), at("2014-11-03T06:00:00Z")).await;
    let clinic = old_day(&app).await;
    later(&app, &clinic).await;
    let seen = trial(&clinic, NOVEMBER).await;
    let holds = format!("/v1/clinics/{}/legal-holds", clinic.clinic_id);
    let path = format!("{holds}/{}", id(910));
    let body = json!({ "record_class": "sterilisation", "from": "2014-11-01", "until": "2014-11-30",
                       "reason": "an inquiry", "signature": signature(LEAD) });
    let mut by_assistant = body.clone();
    by_assistant["signature"] = signature(ASSISTANT);
    assert_eq!(kind_of(&clinic.manager.put(&path, by_assistant).await), "/problems/signature-refused");
    clinic.tablet.put(&path, body.clone()).await.expect(403);
    let begun = clinic.manager.put(&path, body.clone()).await.expect(201);
    assert_eq!((&begun["begun_by"], &begun["lift"]), (&json!("Mara Oduya"), &Value::Null));
    assert_eq!(clinic.manager.put(&path, body.clone()).await.expect(200), begun);
    let mut other = body.clone();
    other["until"] = Value::Null;
    assert_eq!(kind_of(&clinic.manager.put(&path, other).await), "/problems/legal-hold-differs");

    // What was looked at before the hold is not what would go now; a hold of a class keeps what followed failures too.
    let refused = purge(&clinic, 900, signed(&seen, LEAD)).await;
    assert_eq!((refused.status.as_u16(), kind_of(&refused).as_str()), (409, "/problems/not-as-tried"));
    let (going, staying) = sums(&trial(&clinic, NOVEMBER).await);
    assert_eq!(going, [("routine_work".to_owned(), 7)]);
    let held = |class: &str, n| (class.to_owned(), "legal_hold".to_owned(), n);
    assert_eq!(staying, [held("sterilisation", 4), held("incidents", 5), register()]);
    let told = clinic.manager.get(&format!("/v1/clinics/{}/retention", clinic.clinic_id)).await.expect(200);
    assert_eq!(told["holds"], json!([begun]));

    let lift = json!({ "lift_id": id(911), "reason": "it is closed", "signature": signature(LEAD) });
    let lifted = clinic.manager.post(&format!("{path}/lift"), lift.clone()).await.expect(201);
    assert_eq!(clinic.manager.post(&format!("{path}/lift"), lift.clone()).await.expect(200), lifted);
    let mut again = lift;
    again["lift_id"] = json!(id(912));
    assert_eq!(kind_of(&clinic.manager.post(&format!("{path}/lift"), again).await), "/problems/lifted-already");
    let standing = clinic.manager.get(&format!("{holds}?standing=true")).await.expect(200);
    assert_eq!(
        (standing["items"].as_array().map(Vec::len), clinic.manager.get(&holds).await.expect(200)),
        (Some(0), json!({ "items": [lifted] }))
    );
    assert_eq!(trial(&clinic, NOVEMBER).await["digest"], seen["digest"]);
    // By subject: what is about another goes, what tells none stays.
    let of_chair = json!({ "subject_id": clinic.chair, "reason": "an inquiry", "signature": signature(LEAD) });
    clinic.manager.put(&format!("{holds}/{}", id(913)), of_chair).await.expect(201);
    let (going, _) = sums(&trial(&clinic, NOVEMBER).await);
    assert_eq!(going, [("sterilisation".to_owned(), 4)]);
    let nobody = json!({ "subject_id": id(999), "reason": "an inquiry", "signature": signature(LEAD) });
    assert_eq!(clinic.manager.put(&format!("{holds}/{}", id(914)), nobody).await.pointers(), ["/subject_id"]);
}

fn command(arguments: &[&str]) -> bool {
    let output = Command::new(env!("CARGO_BIN_EXE_chairtide")).args(arguments).output().expect("the program runs");
    output.status.success()
}

fn script(file: &str) -> bool {
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/seed-demo/check_proof.py");
    Command::new("python3").args([script, file]).output().expect("python3 is installed").status.success()
}

#[sqlx::test]
async fn a_purge_takes_what_was_shown_once_and_the_seals_verify_as_before(pool: PgPool) {
    let app = App::new(pool.clone(), at("2014-11-03T06:00:00Z")).await;
    let clinic = old_day(&app).await;
    let here = format!("/v1/clinics/{}", clinic.clinic_id);
    let old_head = clinic.manager.get(&format!("{here}/chain-head")).await.expect(200);
    let stranger = scenario::configure_from(app.group(id(2)).await, "Europe/London", 0, "2014-01-01").await;
    later(&app, &clinic).await;
    let proof_of = |kind: &str, record: Uuid| format!("{here}/record-proof?kind={kind}&record_id={record}");
    let before = clinic.manager.get(&proof_of("quarantine", id(708))).await;
    before.expect(200);
    let theirs = contents(&pool, id(2)).await;
    let seen = trial(&clinic, NOVEMBER).await;
    let body = signed(&seen, LEAD);

    let mut by_assistant = body.clone();
    by_assistant["signature"] = signature(ASSISTANT);
    assert_eq!(kind_of(&purge(&clinic, 900, by_assistant).await), "/problems/signature-refused");
    let path = format!("{here}/purges/{}", id(900));
    for client in [&clinic.tablet, &clinic.desk] {
        client.put(&path, body.clone()).await.expect(403);
    }
    // In their own clinic of the same id, the lead is nobody.
    assert_eq!(kind_of(&stranger.manager.put(&path, body.clone()).await), "/problems/signature-refused");
    let (one, other) = tokio::join!(purge(&clinic, 900, body.clone()), purge(&clinic, 900, body.clone()));
    let mut statuses = [one.status.as_u16(), other.status.as_u16()];
    statuses.sort_unstable();
    assert_eq!((statuses, one.json()), ([200, 201], other.json()), "two at once are one");
    let done = purge(&clinic, 900, body.clone()).await.expect(200);
    assert_eq!(done, one.json());
    assert_eq!(
        (&done["record_count"], &done["purged_by"], &done["days"]),
        (&json!(15), &json!("Mara Oduya"), &seen["days"])
    );
    let classes: Vec<_> = done["classes"]
        .as_array()
        .expect("a list")
        .iter()
        .map(|c| (&c["record_class"], &c["years"], &c["decided_by"]))
        .collect();
    let by_group = |class: &'static str| (json!(class), json!(1), json!("group"));
    let expected = [by_group("incidents"), by_group("routine_work"), by_group("sterilisation")];
    assert_eq!(classes, expected.iter().map(|(a, b, c)| (a, b, c)).collect::<Vec<_>>());
    let mut differing = body;
    differing["reason"] = json!("another");
    assert_eq!(kind_of(&purge(&clinic, 900, differing).await), "/problems/purge-differs");
    let left = count(&pool, "select count(*) from completion where group_id = $1", id(1)).await
        + count(&pool, "select count(*) from step_result where group_id = $1", id(1)).await
        + count(&pool, "select count(*) from hold_mark where group_id = $1", id(1)).await;
    assert_eq!(left, 0);
    assert_eq!(count(&pool, "select count(*) from quarantine where group_id = $1", id(1)).await, 1);
    assert_eq!(contents(&pool, id(2)).await, theirs, "somebody else's group is untouched");

    // Told apart from what was removed, and provable as before.
    let check = verified(&clinic, NOVEMBER).await;
    assert_eq!(check["findings"], json!([]));
    let part = &check["purged"][0];
    assert_eq!(
        (&part["record_count"], &part["purge_id"], &part["purged_by"]),
        (&json!(15), &json!(id(900)), &json!("Mara Oduya"))
    );
    let gone = clinic.manager.get(&proof_of("completion", id(701))).await;
    assert_eq!((gone.status.as_u16(), kind_of(&gone).as_str()), (409, "/problems/record-purged"));
    let after = clinic.manager.get(&proof_of("quarantine", id(708))).await;
    assert_eq!(after.text, before.text, "what stays has the proof it had");
    let folder = tempfile::tempdir().expect("a folder");
    let file = folder.path().join("proof.json");
    std::fs::write(&file, &after.text).expect("a file");
    let file = file.to_str().expect("a path");
    assert!(command(&["proof", "check", file]) && script(file));

    // The list names each with the hash that its day's seal has.
    let listed = clinic.manager.get(&format!("{path}/records?clinic_day=2014-11-03")).await.expect(200);
    let items = listed["items"].as_array().expect("a list");
    assert_eq!(items.len(), 15);
    let completion = items.iter().find(|item| item["id"] == json!(id(701))).expect("the flush");
    let leaf: Vec<u8> =
        sqlx::query_scalar("select leaf from seal_leaf where group_id = $1 and kind = 'completion' and id = $2")
            .bind(id(1))
            .bind(id(701).to_string())
            .fetch_one(&pool)
            .await
            .expect("the leaf");
    assert_eq!(completion["leaf"], json!(data_encoding::HEXLOWER.encode(&leaf)));
    clinic.manager.get(&format!("{here}/purges/{}/records?clinic_day=2014-11-03", id(901))).await.expect(404);
    assert_eq!(clinic.manager.get(&format!("{here}/purges")).await.expect(200)["items"], json!([done]));
    let told: Value = sqlx::query_scalar("select body from event where kind = 'records_purged'")
        .fetch_one(&pool)
        .await
        .expect("an event");
    assert_eq!(told["purge"], done);

    // A device that comes back after all this time hears that the record is not there, and nothing is kept twice.
    let cycle = json!({ "cycle_id": id(704), "ended_at": "2014-11-03T08:50:00Z", "program": "wrapped 134" });
    let again = clinic.tablet.post(&format!("/v1/equipment/{}/cycles", clinic.steriliser), cycle).await;
    assert!(again.status.is_client_error(), "{} {}", again.status, again.text);
    let gone = clinic.manager.get(&format!("/v1/completions/{}", id(701))).await;
    assert_eq!((gone.status.as_u16(), kind_of(&gone).as_str()), (409, "/problems/record-purged"));

    // Sealed itself, it goes on to vouch; and the chain was only added to.
    app.set(at("2016-01-13T12:00:00Z"));
    while sealer::seal(&pool, &app.clock).await.expect("it ticks").sealed > 0 {}
    let check = verified(&clinic, NOVEMBER).await;
    assert_eq!((&check["findings"], &check["purged"][0]["record_count"]), (&json!([]), &json!(15)));
    let head = clinic.manager.get(&format!("{here}/chain-head")).await.expect(200);
    let head: ChainHead = serde_json::from_value(head).expect("a head");
    let grown = clinic.manager.get(&format!("{here}/consistency-proof?old_size=1")).await;
    assert_eq!((&grown.expect(200)["old_head"], check_proof(&grown.text)), (&old_head, Ok(head)));
    let report = sealer::tick(&pool, &app.clock).await.expect("it ticks");
    assert_eq!((report.checked > 0, report.found, report.failed), (true, 0, 0), "{report:?}");
    let of_purge = clinic.manager.get(&proof_of("purge", id(900))).await;
    assert_eq!((of_purge.status.as_u16(), check_proof(&of_purge.text)), (200, Ok(head)));
}

#[sqlx::test]
async fn what_something_that_stays_rests_on_stays_with_it(pool: PgPool) {
    let app = App::new(pool.clone(), at("2014-11-03T06:00:00Z")).await;
    let clinic = old_day(&app).await;
    // A correction of the next year keeps what it corrects, with its steps and the hold they name.
    app.set(at("2015-06-01T10:00:00Z"));
    app.keep_house().await;
    let task: Uuid = sqlx::query_scalar("select task_id from completion where completion_id = $1")
        .bind(id(701))
        .fetch_one(&pool)
        .await
        .expect("the flush");
    let mut correction = clinic.flush(731, &json!({ "task_id": task }), 130);
    correction["performed_at"] = json!("2014-11-03T08:02:00Z");
    correction["corrects"] = json!(id(701));
    correction["reason"] = json!("another time was meant");
    clinic.tablet.post("/v1/completions", correction).await.expect(201);
    later(&app, &clinic).await;
    let (going, staying) = sums(&trial(&clinic, NOVEMBER).await);
    let row = |class: &str, n| (class.to_owned(), n);
    assert_eq!(going, [row("sterilisation", 4), row("routine_work", 2), row("incidents", 4)]);
    let stays = |class: &str, because: &str, n| (class.to_owned(), because.to_owned(), n);
    let rest = [stays("routine_work", "named_by_what_stays", 5), stays("incidents", "still_stands", 1), register()];
    assert_eq!(staying, rest);
    // One class alone is not taken from under another: the released quarantine goes with its release or not at all.
    let seen = trial(&clinic, &format!("{NOVEMBER}&record_class=incidents")).await;
    let done = purge(&clinic, 900, signed(&seen, LEAD)).await.expect(201);
    assert_eq!(done["record_count"], 4);
    assert_eq!(verified(&clinic, NOVEMBER).await["findings"], json!([]));
}

#[sqlx::test]
async fn a_day_that_is_not_as_it_was_sealed_loses_nothing_to_a_purge(pool: PgPool) {
    let app = App::new(pool.clone(), at("2014-11-03T06:00:00Z")).await;
    let clinic = old_day(&app).await;
    later(&app, &clinic).await;
    let seen = trial(&clinic, NOVEMBER).await;
    sqlx::query("update cycle_mark set program = 'another'").execute(&pool).await.expect("the owner may");
    let (going, staying) = sums(&trial(&clinic, NOVEMBER).await);
    assert!(
        going.is_empty() && staying.iter().any(|(_, because, _)| because == "not_as_sealed"),
        "{going:?} {staying:?}"
    );
    assert_eq!(kind_of(&purge(&clinic, 900, signed(&seen, LEAD)).await), "/problems/nothing-to-purge");
}

#[sqlx::test]
async fn a_purge_that_is_broken_off_before_its_end_took_nothing(pool: PgPool) {
    let app = App::new(pool.clone(), at("2014-11-03T06:00:00Z")).await;
    let clinic = old_day(&app).await;
    later(&app, &clinic).await;
    let seen = trial(&clinic, NOVEMBER).await;
    let before = contents(&pool, id(1)).await;
    // As a kill between the function and the commit.
    let mut tx = store::begin(&pool, id(1)).await.expect("begun");
    super::database::purge_all(&mut tx, &clinic, at("2016-01-11T10:00:00Z"), None).await.expect("it goes");
    tx.rollback().await.expect("back");
    let after = contents(&pool, id(1)).await;
    let differs: Vec<&String> = before.keys().filter(|table| before[*table] != after[*table]).collect();
    assert!(differs.is_empty(), "{differs:?}");
    purge(&clinic, 900, signed(&seen, LEAD)).await.expect(201);
}

#[sqlx::test]
async fn a_reporting_login_reads_the_purges_and_holds_of_its_group_and_no_other(pool: PgPool) {
    let app = App::new(pool.clone(), at("2014-11-03T06:00:00Z")).await;
    let clinic = old_day(&app).await;
    app.group(id(2)).await;
    later(&app, &clinic).await;
    let seen = trial(&clinic, NOVEMBER).await;
    purge(&clinic, 900, signed(&seen, LEAD)).await.expect(201);
    let hold = json!({ "reason": "an inquiry", "signature": signature(LEAD) });
    clinic.manager.put(&format!("/v1/clinics/{}/legal-holds/{}", clinic.clinic_id, id(910)), hold).await.expect(201);
    let mut owner = pool.acquire().await.expect("a connection");
    for (group, rows) in [(1, 1_i64), (2, 0)] {
        let login = format!("auditor_{}", Uuid::new_v4().simple());
        sqlx::query(AssertSqlSafe(format!("create role {login} login"))).execute(&mut *owner).await.expect("a login");
        reporting::grant_login(&mut owner, id(group), &login).await.expect("let in");
        let options = (*pool.connect_options()).clone().username(&login);
        let mut reader = options.connect().await.expect("the login connects");
        for view in ["purges", "legal_holds"] {
            let sql = format!("select count(*) from reporting.{view}");
            let seen: i64 = sqlx::query_scalar(AssertSqlSafe(sql)).fetch_one(&mut reader).await.expect("readable");
            assert_eq!(seen, rows, "{view} of group {group}");
        }
        drop(reader);
        for sql in [format!("drop owned by {login}"), format!("drop role {login}")] {
            sqlx::query(AssertSqlSafe(sql)).execute(&mut *owner).await.expect("nothing left");
        }
    }
}

/// Some days of whatever comes, each sealed; answers how many records were sealed.
async fn some_days(app: &App, clinic: &Clinic<'_>, chance: &mut Chance) -> usize {
    let mut n = 20_000;
    for day in 3..=7 {
        let morning = at(&format!("2014-11-{day:02}T08:00:00Z"));
        app.set(morning);
        app.plan().await;
        let flush = clinic.due_of(routine::start_flush()).await;
        app.advance(TimeDelta::minutes(3));
        n += 10;
        clinic.tablet.post("/v1/completions", clinic.flush(n, &flush, 125)).await.expect(201);
        if chance.percent(50) {
            app.advance(TimeDelta::minutes(5));
            let mut correction = clinic.flush(n + 1, &flush, 130);
            correction["corrects"] = json!(id(n));
            correction["reason"] = json!("another time was meant");
            clinic.tablet.post("/v1/completions", correction).await.expect(201);
        }
        for k in 2..chance.between(3, 5) {
            let cycle = json!({ "cycle_id": id(n + u32::try_from(k).expect("few")), "ended_at": app.clock.now() });
            clinic.tablet.post(&format!("/v1/equipment/{}/cycles", clinic.steriliser), cycle).await.expect(201);
        }
        let out = json!({ "subject_id": clinic.chair, "reason": "it drips", "begun_by": "KV" });
        clinic.tablet.put(&format!("/v1/quarantines/{}", id(n + 6)), out).await.expect(201);
        if chance.percent(60) {
            let release = json!({ "release_id": id(n + 7), "reason": "mended", "signature": signature(LEAD) });
            clinic.tablet.post(&format!("/v1/quarantines/{}/release", id(n + 6)), release).await.expect(201);
        }
        app.set(at(&format!("2014-11-{:02}T00:10:00Z", day + 1)));
        sealer::seal(&app.pool, &app.clock).await.expect("it ticks");
    }
    records(app, clinic).await.len()
}

/// What there is of those days.
async fn records(app: &App, clinic: &Clinic<'_>) -> Vec<chairtide::domain::seal::record::RecordName> {
    let mut db = app.pool.acquire().await.expect("a connection");
    let rows = seals::records::list(&mut db, id(1), clinic.clinic_id, None, at("2014-11-10T00:00:00Z")).await;
    rows.expect("rows").into_iter().map(|(_, record)| record.name()).collect()
}

/// Whatever was recorded and whichever part of it is purged: the rest has its proofs, and nothing is found.
#[sqlx::test]
async fn any_purge_that_is_allowed_leaves_every_other_record_verifying(pool: PgPool) {
    let app = App::new(pool.clone(), at("2014-11-03T06:00:00Z")).await;
    let clinic = old_clinic(&app).await;
    let here = format!("/v1/clinics/{}", clinic.clinic_id);
    let mut chance = Chance(7);
    let sealed = some_days(&app, &clinic, &mut chance).await;
    later(&app, &clinic).await;
    let head = clinic.manager.get(&format!("{here}/chain-head")).await.expect(200);
    let head: ChainHead = serde_json::from_value(head).expect("a head");
    let (mut purged, mut purges) = (0, 0);
    for round in 0..14 {
        let first = chance.between(3, 7);
        let class = *chance.one_of(&[
            "",
            "&record_class=sterilisation",
            "&record_class=routine_work",
            "&record_class=incidents",
        ]);
        let query = match round {
            13 => NOVEMBER.to_owned(),
            _ => format!("from=2014-11-{first:02}&until=2014-11-{:02}{class}", chance.between(first, 7)),
        };
        let hold = format!("{here}/legal-holds/{}", id(30_000 + round));
        let is_held = round < 13 && chance.percent(30);
        if is_held {
            let day = format!("2014-11-{:02}", chance.between(3, 7));
            let body = json!({ "from": day, "until": day, "reason": "x", "signature": signature(LEAD) });
            clinic.manager.put(&hold, body).await.expect(201);
        }
        let seen = trial(&clinic, &query).await;
        let going = usize::try_from(seen["record_count"].as_u64().expect("a count")).expect("few");
        let answer = purge(&clinic, 31_000 + round, signed(&seen, LEAD)).await;
        assert_eq!(answer.status.as_u16(), if going > 0 { 201 } else { 409 }, "{query}: {}", answer.text);
        purged += going;
        purges += usize::from(going > 0);
        let check = verified(&clinic, NOVEMBER).await;
        let counted: u64 =
            check["purged"].as_array().expect("a list").iter().filter_map(|p| p["record_count"].as_u64()).sum();
        assert_eq!((&check["findings"], usize::try_from(counted)), (&json!([]), Ok(purged)), "{query}");
        let left = records(&app, &clinic).await;
        assert_eq!(left.len() + purged, sealed, "{query}");
        for name in &left {
            let record_id = name.id.replace('/', "%2F").replace(':', "%3A");
            let proof =
                clinic.manager.get(&format!("{here}/record-proof?kind={}&record_id={record_id}", name.kind)).await;
            assert_eq!(check_proof(&proof.text), Ok(head), "{name} after {query}: {}", proof.text);
        }
        if is_held {
            let lift = json!({ "lift_id": id(32_000 + round), "reason": "x", "signature": signature(LEAD) });
            clinic.manager.post(&format!("{hold}/lift"), lift).await.expect(201);
        }
    }
    assert!(purges >= 4 && purged > sealed / 2, "{purges} purges took {purged} of {sealed}");
    let left = records(&app, &clinic).await;
    let stands = ["quarantine", "staff_mark", "competence_mark"];
    let is_left = |kind: &str| left.iter().any(|name| name.kind == kind);
    assert!(stands.into_iter().all(is_left), "what stands: {left:?}");
    assert!(left.iter().all(|name| stands.contains(&name.kind.as_str())), "only what stands: {left:?}");
}
