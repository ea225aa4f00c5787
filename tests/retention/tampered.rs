//! Purged and removed are told apart, whatever the owner of the tables writes.

use chairtide::jobs::sealer;
use serde_json::{Value, json};
use sqlx::{AssertSqlSafe, PgPool};

use super::{LEAD, NOVEMBER, later, old_day, purge, signed, trial, verified};
use crate::support::app::App;
use crate::support::scenario::Clinic;
use crate::support::{at, id};

async fn run(pool: &PgPool, sql: &str) -> u64 {
    let done = sqlx::query(AssertSqlSafe(sql.to_owned())).execute(pool).await;
    done.unwrap_or_else(|error| panic!("{sql}: {error}")).rows_affected()
}

/// The kinds of what is found, each with how often.
async fn found(clinic: &Clinic<'_>, query: &str) -> Vec<(String, usize)> {
    let check = verified(clinic, query).await;
    let mut kinds: Vec<String> = Vec::new();
    for finding in check["findings"].as_array().expect("a list") {
        kinds.push(finding["finding"].as_str().expect("a kind").to_owned());
    }
    kinds.sort();
    let mut counted: Vec<(String, usize)> = Vec::new();
    for kind in kinds {
        match counted.last_mut() {
            Some((last, count)) if *last == kind => *count += 1,
            _ => counted.push((kind, 1)),
        }
    }
    counted
}

fn kinds(expected: &[(&str, usize)]) -> Vec<(String, usize)> {
    expected.iter().map(|(kind, count)| ((*kind).to_owned(), *count)).collect()
}

#[sqlx::test]
async fn a_row_that_no_purge_lists_is_removed_and_a_purged_row_that_is_there_again_is_found(pool: PgPool) {
    let app = App::new(pool.clone(), at("2014-11-03T06:00:00Z")).await;
    let clinic = old_day(&app).await;
    later(&app, &clinic).await;
    run(&pool, "create table kept as select * from cycle_mark").await;
    let seen = trial(&clinic, &format!("{NOVEMBER}&record_class=sterilisation")).await;
    purge(&clinic, 900, signed(&seen, LEAD)).await.expect(201);
    assert_eq!(found(&clinic, NOVEMBER).await, []);
    // Removed beside it, without a purge.
    run(&pool, "create table day_kept as select * from day_mark").await;
    run(&pool, "delete from day_mark").await;
    assert_eq!(found(&clinic, NOVEMBER).await, kinds(&[("record_removed", 1)]));
    run(&pool, "insert into day_mark select * from day_kept").await;
    // Put back, as it was.
    run(&pool, "insert into cycle_mark select * from kept").await;
    assert_eq!(found(&clinic, NOVEMBER).await, kinds(&[("purged_record_present", 1)]));
    run(&pool, "update cycle_mark set program = 'another'").await;
    assert_eq!(found(&clinic, NOVEMBER).await, kinds(&[("purged_record_present", 1), ("record_changed", 1)]));
    // The loop says so too, and keeps it.
    let report = sealer::tick(&pool, &app.clock).await.expect("it ticks");
    assert!(report.found >= 2, "{report:?}");
}

#[sqlx::test]
async fn a_list_that_no_sound_purge_vouches_for_excuses_nothing(pool: PgPool) {
    let app = App::new(pool.clone(), at("2014-11-03T06:00:00Z")).await;
    let clinic = old_day(&app).await;
    later(&app, &clinic).await;
    let seen = trial(&clinic, &format!("{NOVEMBER}&record_class=sterilisation")).await;
    purge(&clinic, 900, signed(&seen, LEAD)).await.expect(201);
    app.set(at("2016-01-13T12:00:00Z"));
    while sealer::seal(&pool, &app.clock).await.expect("it ticks").sealed > 0 {}
    assert_eq!(found(&clinic, NOVEMBER).await, []);
    let day_of_purge = "from=2016-01-11&until=2016-01-11";
    assert_eq!(found(&clinic, day_of_purge).await, []);
    let entry = "insert into purge_entry (group_id, clinic_id, clinic_day, kind, id, leaf, purge_id)
                 select group_id, clinic_id, clinic_day, kind, id, leaf, ";

    // A row taken away and listed behind the service's back, under the purge that is there: its digest says otherwise.
    run(&pool, "create table kept as select * from day_mark").await;
    run(&pool, "delete from day_mark").await;
    run(&pool, &format!("{entry} '{}' from seal_leaf where kind = 'day_mark' and clinic_day = '2014-11-03'", id(900)))
        .await;
    let all = kinds(&[("purge_list_changed", 1), ("record_removed", 5)]);
    assert_eq!(found(&clinic, NOVEMBER).await, all);
    // With the digest set right in the purge: then the purge is not as it was sealed, here and on its own day.
    let digest =
        "(select encode(sha256(convert_to(string_agg(kind || ' ' || id || ' ' || encode(leaf, 'hex') || E'\\n', ''
                          order by kind, id), 'UTF8')), 'hex') from purge_entry)";
    run(&pool, "create table purge_kept as select * from purge").await;
    run(
        &pool,
        &format!(
            "update purge set record_count = 5, days = jsonb_build_array(jsonb_build_object(
                             'clinic_day', '2014-11-03', 'record_count', 5, 'digest', {digest}))"
        ),
    )
    .await;
    assert_eq!(found(&clinic, NOVEMBER).await, all);
    assert_eq!(found(&clinic, day_of_purge).await, kinds(&[("record_changed", 1)]));
    // With its leaf set right as well: then that day's leaves no longer give its seal.
    let mut db = pool.acquire().await.expect("a connection");
    let (_, record) = chairtide::store::seals::records::find_purge(&mut db, id(1), clinic.clinic_id, id(900))
        .await
        .expect("read")
        .expect("it is there");
    let leaf = record.leaf().expect("a leaf");
    run(&pool, &format!("update seal_leaf set leaf = '\\x{leaf}' where kind = 'purge'")).await;
    assert_eq!(found(&clinic, NOVEMBER).await, all);
    assert_eq!(found(&clinic, day_of_purge).await, kinds(&[("leaves_changed", 1)]));
    // A purge of one's own instead, in a day that is sealed.
    run(
        &pool,
        &format!("update seal_leaf l set leaf = '\\x{}' where kind = 'purge'", original_leaf(&pool, &clinic).await),
    )
    .await;
    run(&pool, "delete from purge").await;
    run(&pool, "insert into purge select * from purge_kept").await;
    run(&pool, "delete from purge_entry where kind = 'day_mark'").await;
    assert_eq!(found(&clinic, NOVEMBER).await, kinds(&[("record_removed", 1)]), "as before, but for the row");
    run(&pool, &format!("{entry} '{}' from seal_leaf where kind = 'day_mark' and clinic_day = '2014-11-03'", id(901)))
        .await;
    run(&pool, &format!(
        "insert into purge select (jsonb_populate_record(k, jsonb_build_object('purge_id', '{}', 'record_count', 1,
             'days', jsonb_build_array(jsonb_build_object('clinic_day', '2014-11-03', 'record_count', 1, 'digest',
                 (select encode(sha256(convert_to(kind || ' ' || id || ' ' || encode(leaf, 'hex') || E'\\n', 'UTF8')), 'hex')
                  from purge_entry where kind = 'day_mark')))))).* from purge_kept k", id(901))).await;
    assert_eq!(found(&clinic, NOVEMBER).await, kinds(&[("purge_list_changed", 1), ("record_removed", 1)]));
    assert_eq!(found(&clinic, day_of_purge).await, kinds(&[("record_inserted", 1)]));
    // Of a day to come, which no seal will ever look at: it is not taken at its word either.
    run(&pool, &format!("update purge set recorded_at = '2999-01-01' where purge_id = '{}'", id(901))).await;
    assert_eq!(found(&clinic, NOVEMBER).await, kinds(&[("purge_list_changed", 1), ("record_removed", 1)]));
    assert_eq!(found(&clinic, day_of_purge).await, []);
    // And the true purge taken away: nothing vouches for what it took.
    run(&pool, "delete from purge").await;
    assert_eq!(found(&clinic, NOVEMBER).await, kinds(&[("purge_list_changed", 2), ("record_removed", 5)]));
    assert_eq!(found(&clinic, day_of_purge).await, kinds(&[("record_removed", 1)]));
}

/// The leaf that the purge was sealed with, worked out from the row that was kept.
async fn original_leaf(pool: &PgPool, clinic: &Clinic<'_>) -> String {
    run(pool, "create table edited as select * from purge").await;
    run(pool, "delete from purge").await;
    run(pool, "insert into purge select * from purge_kept").await;
    let mut db = pool.acquire().await.expect("a connection");
    let found = chairtide::store::seals::records::find_purge(&mut db, id(1), clinic.clinic_id, id(900)).await;
    let leaf = found.expect("read").expect("it is there").1.leaf().expect("a leaf").to_string();
    run(pool, "delete from purge").await;
    run(pool, "insert into purge select * from edited").await;
    leaf
}

/// Evidence is not removed by taking the list away, and an unreadable purge is no purge; neither stops the check.
#[sqlx::test]
async fn a_list_without_lines_and_a_purge_that_cannot_be_read_vouch_for_nothing(pool: PgPool) {
    let app = App::new(pool.clone(), at("2014-11-03T06:00:00Z")).await;
    let clinic = old_day(&app).await;
    later(&app, &clinic).await;
    let seen = trial(&clinic, &format!("{NOVEMBER}&record_class=sterilisation")).await;
    purge(&clinic, 900, signed(&seen, LEAD)).await.expect(201);
    let nothing = kinds(&[("purge_list_changed", 1), ("record_removed", 4)]);
    run(&pool, "create table kept as select * from purge_entry").await;
    run(&pool, "delete from purge_entry").await;
    assert_eq!(found(&clinic, NOVEMBER).await, nothing);
    run(&pool, "insert into purge_entry select * from kept").await;
    assert_eq!(found(&clinic, NOVEMBER).await, []);
    run(&pool, "update purge set days = '\"none\"'").await;
    assert_eq!(found(&clinic, NOVEMBER).await, nothing);
    let check: Value = verified(&clinic, NOVEMBER).await;
    assert_eq!(check["purged"], json!([]));
}
