//! What the service's own role can do in the database: delete no evidence, and have nothing purged beyond the rules.

use chairtide::domain::retention::RecordClass;
use chairtide::domain::retention::purge::Candidate;
use chairtide::domain::seal::record::RecordName;
use chairtide::store::retention::purges::{self, Act, Outcome};
use chairtide::store::{self, StoreError, seals};
use chrono::{DateTime, NaiveDate, Utc};
use sqlx::{AssertSqlSafe, PgConnection, PgPool};

use super::{ASSISTANT, LEAD, keep_one_year, later, old_day, signature};
use crate::support::app::App;
use crate::support::scenario::Clinic;
use crate::support::{at, id};

fn date(text: &str) -> NaiveDate {
    text.parse().expect("a date")
}

/// Everything of that November that is free to go, as the store lists it.
async fn free(db: &mut PgConnection, clinic: &Clinic<'_>) -> Vec<Candidate> {
    let days = seals::list_seals(db, id(1), clinic.clinic_id).await.expect("seals");
    let found = purges::list_candidates(db, id(1), clinic.clinic_id, &days, date("2016-01-11")).await.expect("read");
    // The quarantine that stands, and nothing that names another record than these.
    found.into_iter().filter(|candidate| candidate.stays.is_none()).collect()
}

fn act<'a>(clinic: &Clinic<'_>, now: DateTime<Utc>, class: Option<RecordClass>, going: &'a [Candidate]) -> Act<'a> {
    Act {
        purge_id: id(950),
        clinic_id: clinic.clinic_id,
        record_class: class,
        days: (date("2014-11-01"), date("2014-11-30")),
        purged_on: now.date_naive(),
        recorded_at: now,
        reason: "as the test wants it",
        staff_id: id(LEAD),
        purged_by: "Mara Oduya",
        key_id: id(1),
        going,
    }
}

/// Purges all that is free, in the transaction.
pub(super) async fn purge_all(
    db: &mut PgConnection,
    clinic: &Clinic<'_>,
    now: DateTime<Utc>,
    class: Option<RecordClass>,
) -> Result<(), String> {
    let going = free(db, clinic).await;
    match purges::purge(db, id(1), &act(clinic, now, class, &going)).await.expect("an answer") {
        Outcome::Purged => Ok(()),
        Outcome::Refused(why) => Err(why),
    }
}

/// Tries an act in a transaction of its own that is rolled back; the reason of a refusal.
async fn refused(pool: &PgPool, make: impl AsyncFn(&mut PgConnection) -> Outcome) -> Option<String> {
    let mut tx = store::begin(pool, id(1)).await.expect("begun");
    let outcome = make(&mut tx).await;
    tx.rollback().await.expect("back");
    match outcome {
        Outcome::Purged => None,
        Outcome::Refused(why) => Some(why),
    }
}

#[sqlx::test]
async fn the_services_role_deletes_no_evidence_and_writes_no_purge(pool: PgPool) {
    let app = App::new(pool.clone(), at("2014-11-03T06:00:00Z")).await;
    old_day(&app).await;
    for table in [
        "completion",
        "step_result",
        "hold_mark",
        "day_mark",
        "seating_mark",
        "cycle_mark",
        "cycle_record",
        "lot",
        "lot_mark",
        "presence_mark",
        "staff_mark",
        "competence_mark",
        "instrument_mark",
        "site_event",
        "quarantine",
        "quarantine_release",
        "corrective_action",
        "corrective_action_step",
        "corrective_action_note",
        "corrective_action_close",
        "miss_reason",
        "legal_hold",
        "legal_hold_lift",
        "purge",
        "purge_entry",
        "seal_leaf",
        "day_seal",
        "retention_floor",
        "clinic_place",
    ] {
        let mut statements = vec![format!("delete from {table}"), format!("truncate {table}")];
        if ["purge", "purge_entry", "retention_floor", "clinic_place"].contains(&table) {
            statements.push(format!("insert into {table} select * from {table}"));
        }
        for sql in statements {
            let mut tx = store::begin(&pool, id(1)).await.expect("begun");
            let error = sqlx::query(AssertSqlSafe(sql.clone())).execute(&mut *tx).await.expect_err(&sql);
            let code = error.as_database_error().and_then(|error| error.code().map(std::borrow::Cow::into_owned));
            // SQLSTATE insufficient_privilege (PostgreSQL documentation, appendix A).
            assert_eq!(code.as_deref(), Some("42501"), "{sql}: {error}");
        }
    }
}

#[sqlx::test]
async fn the_function_refuses_each_act_beyond_the_rules_and_says_which(pool: PgPool) {
    let app = App::new(pool.clone(), at("2014-11-03T06:00:00Z")).await;
    let clinic = old_day(&app).await;
    let now = at("2016-01-11T10:00:00Z");
    app.set(now);
    app.keep_house().await;
    let all = async |db: &mut PgConnection| free(db, &clinic).await;
    let run = async |db: &mut PgConnection, act: Act<'_>| purges::purge(db, id(1), &act).await.expect("an answer");

    let tried = async |now: DateTime<Utc>, class: Option<RecordClass>| {
        refused(&pool, async |db| {
            let going = all(db).await;
            run(db, act(&clinic, now, class, &going)).await
        })
        .await
    };
    let why = tried(now, None).await;
    assert!(why.as_deref().is_some_and(|why| why.contains("is to be kept until 2024-11-03")), "{why:?}");
    keep_one_year(&clinic).await;
    let why = tried(now, None).await;
    assert_eq!(why, None, "and by the rules it goes");

    // A clock that runs ahead: ten years of keeping, and a service that believes it is 2099.
    let ahead = at("2099-01-01T10:00:00Z");
    let why = tried(ahead, None).await;
    assert!(why.as_deref().is_some_and(|why| why.contains("ahead of the database's")), "{why:?}");
    let why = refused(&pool, async |db| {
        let going = all(db).await;
        let act = Act { purged_on: date("2016-01-13"), ..act(&clinic, now, None, &going) };
        run(db, act).await
    })
    .await;
    assert!(why.as_deref().is_some_and(|why| why.contains("ahead of the database's")), "{why:?}");
    // An instant that is sealed already.
    let why = tried(at("2014-11-03T10:00:00Z"), None).await;
    assert!(why.as_deref().is_some_and(|why| why.contains("sealed already")), "{why:?}");

    for (edit, said) in [
        ("another day", "is not sealed with that day"),
        ("another id", "is not sealed with that day"),
        ("a plan", "is not sealed with that day"),
        ("twice", "duplicate"),
        ("nothing", "no records"),
    ] {
        let mut tx = store::begin(&pool, id(1)).await.expect("begun");
        let mut going = free(&mut tx, &clinic).await;
        match edit {
            "another day" => going[0].clinic_day = date("2014-11-04"),
            "another id" => going[0].name.id = id(999).to_string(),
            "a plan" => going[0].name = RecordName { kind: "task".to_owned(), id: id(999).to_string() },
            "twice" => going.push(going[0].clone()),
            _ => going.clear(),
        }
        let outcome = purges::purge(&mut tx, id(1), &act(&clinic, now, None, &going)).await;
        let why = match outcome {
            Ok(Outcome::Refused(why)) => why,
            Err(StoreError::Database(error)) => error.to_string(),
            other => panic!("{edit}: {other:?}"),
        };
        assert!(why.contains(said), "{edit}: {why}");
    }
    // In the name of somebody who could not have signed, or on no key.
    for edit in ["assistant", "another name", "nobody", "no key", "not at work"] {
        let why = refused(&pool, async |db| {
            let going = all(db).await;
            let act = act(&clinic, now, None, &going);
            let act = match edit {
                "assistant" => Act { staff_id: id(ASSISTANT), purged_by: "Ines Brook", ..act },
                "another name" => Act { purged_by: "Somebody Else", ..act },
                "nobody" => Act { staff_id: id(999), ..act },
                "no key" => Act { key_id: id(999), ..act },
                _ => {
                    sqlx::query("update staff set active_until = '2015-12-31'").execute(&mut *db).await.expect("left");
                    act
                }
            };
            run(db, act).await
        })
        .await;
        assert!(why.as_deref().is_some_and(|why| why.contains("may not purge here")), "{edit}: {why:?}");
    }
    // Of another class than was signed; what still stands; and what another record rests on.
    let class = Some(RecordClass::Amalgam);
    let why = tried(now, class).await;
    assert!(why.as_deref().is_some_and(|why| why.contains("is of another class")), "{why:?}");
    for (left_out, said) in [
        ("step_result", "is named by step_result"),
        ("quarantine_release", "is named by quarantine_release"),
        ("site_event_withdrawal", "is named by site_event_withdrawal"),
        ("completion", "is named by completion"),
    ] {
        let why = refused(&pool, async |db| {
            let mut going = free(db, &clinic).await;
            going.retain(|candidate| candidate.name.kind != left_out);
            run(db, act(&clinic, now, None, &going)).await
        })
        .await;
        assert!(why.as_deref().is_some_and(|why| why.contains(said)), "without {left_out}: {why:?}");
    }
    let why = refused(&pool, async |db| {
        let days = seals::list_seals(db, id(1), clinic.clinic_id).await.expect("seals");
        let going =
            purges::list_candidates(db, id(1), clinic.clinic_id, &days, date("2016-01-11")).await.expect("read");
        run(db, act(&clinic, now, None, &going)).await
    })
    .await;
    assert!(why.as_deref().is_some_and(|why| why.contains("stays: still_stands")), "{why:?}");

    let hold =
        serde_json::json!({ "record_class": "sterilisation", "reason": "an inquiry", "signature": signature(LEAD) });
    clinic.manager.put(&format!("/v1/clinics/{}/legal-holds/{}", clinic.clinic_id, id(910)), hold).await.expect(201);
    let why = tried(now, None).await;
    assert!(why.as_deref().is_some_and(|why| why.contains("is under a legal hold")), "{why:?}");
}

#[sqlx::test]
async fn a_transaction_of_another_group_has_nothing_purged_and_a_plain_login_may_not_ask(pool: PgPool) {
    let app = App::new(pool.clone(), at("2014-11-03T06:00:00Z")).await;
    let clinic = old_day(&app).await;
    app.group(id(2)).await;
    later(&app, &clinic).await;
    let now = at("2016-01-11T10:00:00Z");
    let mut tx = store::begin(&pool, id(1)).await.expect("begun");
    let going = free(&mut tx, &clinic).await;
    assert_eq!(going.len(), 15);
    tx.rollback().await.expect("back");
    for tenant in [Some(id(2)), None] {
        let mut tx = match tenant {
            Some(group_id) => store::begin(&pool, group_id).await.expect("begun"),
            None => store::begin_without_tenant(&pool).await.expect("begun"),
        };
        let outcome = purges::purge(&mut tx, id(1), &act(&clinic, now, None, &going)).await.expect("an answer");
        assert!(matches!(&outcome, Outcome::Refused(why) if why.contains("another tenant")), "{tenant:?}: {outcome:?}");
    }
    let may: Vec<String> = sqlx::query_scalar(
        "select r.rolname::text from pg_roles r, pg_proc p
         where p.proname = 'purge_records' and not r.rolsuper and has_function_privilege(r.oid, p.oid, 'execute')
           and r.rolname in ('chairtide_app', 'chairtide_reporting', 'pg_monitor')",
    )
    .fetch_all(&pool)
    .await
    .expect("the catalogue");
    assert_eq!(may, ["chairtide_app"]);
    let guarded: Vec<(bool, Option<Vec<String>>)> =
        sqlx::query_as("select prosecdef, proconfig from pg_proc where proname = 'purge_records'")
            .fetch_all(&pool)
            .await
            .expect("the catalogue");
    assert_eq!(guarded, [(true, Some(vec!["search_path=public, pg_temp".to_owned()]))]);
}
