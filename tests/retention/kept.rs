//! What keeps records when clinics, subjects and seals are not what they were.

use chairtide::domain::retention::{OwnYears, RecordClass, keeping};
use chairtide::jobs::sealer;
use chairtide::store;
use chrono::NaiveDate;
use serde_json::json;
use sqlx::PgPool;

use super::{
    LEAD, NOVEMBER, kind_of, later, old_clinic, old_day, purge, register, signature, signed, sums, trial, verified,
};
use crate::support::app::App;
use crate::support::scenario::{self, routine};
use crate::support::{at, id};

#[sqlx::test]
async fn a_law_of_a_place_binds_on_after_the_clinic_says_it_moved(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T08:00:00Z")).await;
    let clinic = scenario::clinic(&app, "America/Los_Angeles").await;
    let here = format!("/v1/clinics/{}", clinic.clinic_id);
    let site = |place: &str| json!({ "name": "Clinic 0", "zone": "America/Los_Angeles", "jurisdiction": place });
    clinic.admin.put(&here, site("US-WA")).await.expect(200);
    clinic.admin.put(&here, site("")).await.expect(200);
    let source = json!({ "title": "invented for the test", "edition": "none", "seen": "clinic_confirmed" });
    let short = json!({ "years": 1, "reason": "room on the shelf", "source": source });
    clinic.admin.put(&format!("{here}/retention/waterline_tests"), short).await.expect(201);
    let mut tx = store::begin(&pool, id(1)).await.expect("begun");
    let places = store::clinics::list_places(&mut tx, id(1), clinic.clinic_id).await.expect("read");
    // Washington's log of waterline tests: 5 years (WAC 246-817-660, read).
    for (day, years) in [("2024-03-01", 5), ("2026-11-02", 5), ("2090-01-01", 1)] {
        let day: NaiveDate = day.parse().expect("a date");
        let today: NaiveDate = "2098-01-01".parse().expect("a date");
        let told: i32 = sqlx::query_scalar("select years from kept_years($1, $2, 'waterline_tests', $3, $4)")
            .bind(id(1))
            .bind(clinic.clinic_id)
            .bind(day)
            .bind(today)
            .fetch_one(&mut *tx)
            .await
            .expect("an answer");
        let own = OwnYears { group: None, clinic: Some(1) };
        let kept = keeping(RecordClass::WaterlineTests, &places, own, (day, today));
        assert_eq!((told, i32::try_from(kept.years)), (years, Ok(years)), "{day}");
    }
    // The service's role writes no such row by itself.
    let denied = sqlx::query("update clinic_place set until_on = '1990-01-01'").execute(&mut *tx).await;
    let code =
        denied.expect_err("refused").as_database_error().and_then(|e| e.code().map(std::borrow::Cow::into_owned));
    assert_eq!(code.as_deref(), Some("42501"));
    drop(tx);
    let told = clinic.manager.get(&format!("{here}/retention")).await.expect(200);
    let earlier: Vec<_> =
        told["earlier_places"].as_array().expect("a list").iter().map(|p| &p["jurisdiction"]).collect();
    assert_eq!((earlier, &told["place_has_rules"]), (vec![&json!(""), &json!("US-WA")], &json!(false)));
}

#[sqlx::test]
async fn a_place_is_written_as_iso_3166_writes_it_unless_it_stood_so_before(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T08:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let here = format!("/v1/clinics/{}", clinic.clinic_id);
    let site = |place: &str| json!({ "name": "Clinic 0", "zone": "Europe/London", "jurisdiction": place });
    for place in ["UK", "England", "Washington", "us-wa", "US-WA-1", "GBR"] {
        let refused = clinic.admin.put(&here, site(place)).await;
        assert_eq!((refused.status.as_u16(), refused.pointers()), (422, vec!["/jurisdiction".to_owned()]), "{place}");
    }
    sqlx::query("update clinic set jurisdiction = 'Ontario'").execute(&pool).await.expect("the owner may");
    clinic.admin.put(&here, site("Ontario")).await.expect(200);
    let told = clinic.manager.get(&format!("{here}/retention")).await.expect(200);
    assert_eq!(told["place_has_rules"], json!(false));
    clinic.admin.put(&here, site("GB-ENG")).await.expect(200);
    let told = clinic.manager.get(&format!("{here}/retention")).await.expect(200);
    assert_eq!(told["place_has_rules"], json!(true));
}

/// Sampled on 3 November, read on the 6th: two completions of one task, in the seals of two days.
#[sqlx::test]
async fn a_sample_does_not_go_before_its_result(pool: PgPool) {
    let app = App::new(pool.clone(), at("2014-11-03T06:00:00Z")).await;
    let clinic = old_clinic(&app).await;
    app.set(at("2014-11-03T09:00:00Z"));
    let task = clinic.due_in_clinic(routine::spore_test()).await;
    clinic.tablet.post("/v1/completions", clinic.spore(702, &task, None)).await.expect(201);
    app.set(at("2014-11-06T09:00:00Z"));
    clinic.tablet.post("/v1/completions", clinic.spore(703, &task, Some("0"))).await.expect(201);
    app.set(at("2014-11-07T00:10:00Z"));
    while sealer::seal(&pool, &app.clock).await.expect("it ticks").sealed > 0 {}
    later(&app, &clinic).await;
    for (query, kept) in
        [("from=2014-11-01&until=2014-11-05", vec![register()]), ("from=2014-11-06&until=2014-11-30", vec![])]
    {
        let half = trial(&clinic, query).await;
        let stays = [vec![("sterilisation".to_owned(), "named_by_what_stays".to_owned(), 2)], kept].concat();
        assert_eq!(sums(&half), (vec![], stays), "{query}");
    }
    let whole = trial(&clinic, NOVEMBER).await;
    assert_eq!(sums(&whole), (vec![("sterilisation".to_owned(), 4)], vec![register()]));
    purge(&clinic, 900, signed(&whole, LEAD)).await.expect(201);
    assert_eq!(verified(&clinic, NOVEMBER).await["findings"], json!([]));
}

#[sqlx::test]
async fn a_clinic_whose_chain_of_seals_is_broken_loses_nothing_to_a_purge(pool: PgPool) {
    let app = App::new(pool.clone(), at("2014-11-03T06:00:00Z")).await;
    let clinic = old_day(&app).await;
    app.set(at("2014-11-05T00:10:00Z"));
    assert_eq!(sealer::seal(&pool, &app.clock).await.expect("it ticks").sealed, 1);
    later(&app, &clinic).await;
    let day = "from=2014-11-03&until=2014-11-03";
    let seen = trial(&clinic, day).await;
    assert_eq!(seen["record_count"], json!(15));
    // Of another day than the one that is asked for.
    sqlx::query("update day_seal set previous = sha256('x') where number = 1")
        .execute(&pool)
        .await
        .expect("the owner may");
    let (going, staying) = sums(&trial(&clinic, day).await);
    assert!(
        going.is_empty() && staying.iter().any(|(_, because, _)| because == "not_as_sealed"),
        "{going:?} {staying:?}"
    );
    assert_eq!(kind_of(&purge(&clinic, 900, signed(&seen, LEAD)).await), "/problems/nothing-to-purge");
}

#[sqlx::test]
async fn holds_that_were_lifted_leave_room_for_others(pool: PgPool) {
    let app = App::new(pool.clone(), at("2014-11-03T06:00:00Z")).await;
    let clinic = old_clinic(&app).await;
    sqlx::query(
        "with held as (
             insert into legal_hold (group_id, legal_hold_id, clinic_id, reason, staff_id, begun_by, recorded_at, key_id)
             select $1, gen_random_uuid(), $2, 'x', $3, 'x', '2014-11-03T05:00Z', $3 from generate_series(1, 5001)
             returning group_id, legal_hold_id, clinic_id)
         insert into legal_hold_lift (group_id, lift_id, legal_hold_id, clinic_id, reason, staff_id, lifted_by, recorded_at, key_id)
         select group_id, gen_random_uuid(), legal_hold_id, clinic_id, 'x', $3, 'x', '2014-11-03T05:30Z', $3 from held",
    )
    .bind(id(1))
    .bind(clinic.clinic_id)
    .bind(id(LEAD))
    .execute(&pool)
    .await
    .expect("the owner may");
    let hold = json!({ "reason": "an inquiry", "signature": signature(LEAD) });
    clinic.manager.put(&format!("/v1/clinics/{}/legal-holds/{}", clinic.clinic_id, id(910)), hold).await.expect(201);
}

#[sqlx::test]
async fn a_hold_on_a_chair_keeps_what_was_recorded_about_it_where_it_stood_before(pool: PgPool) {
    let app = App::new(pool.clone(), at("2014-11-03T06:00:00Z")).await;
    let clinic = old_day(&app).await;
    later(&app, &clinic).await;
    let other = scenario::configure_from(clinic.admin.clone(), "Europe/London", 1, "2014-01-01").await;
    let chair = format!("/v1/operatories/{}", clinic.chair);
    clinic.admin.put(&chair, scenario::operatory(other.clinic_id, "Chair 9")).await.expect(200);
    let holds = format!("/v1/clinics/{}/legal-holds", other.clinic_id);
    let on = |subject| json!({ "subject_id": subject, "reason": "an inquiry", "signature": signature(LEAD) });
    let never_there = clinic.manager.put(&format!("{holds}/{}", id(911)), on(clinic.steriliser)).await;
    assert_eq!((never_there.status.as_u16(), never_there.pointers()), (422, vec!["/subject_id".to_owned()]));
    clinic.admin.put(&format!("{holds}/{}", id(910)), on(clinic.chair)).await.expect(201);
    let seen = trial(&clinic, NOVEMBER).await;
    let (going, staying) = sums(&seen);
    let held =
        staying.iter().find(|(class, because, _)| (class.as_str(), because.as_str()) == ("routine_work", "legal_hold"));
    assert!(held.is_some_and(|(.., count)| *count >= 4), "{going:?} {staying:?}");
    assert!(going.contains(&("sterilisation".to_owned(), 4)), "of the steriliser it keeps nothing: {going:?}");
    // The database decides alike: it takes what the trial shows, and nothing that the hold keeps.
    purge(&clinic, 900, signed(&seen, LEAD)).await.expect(201);
    let mut tx = store::begin(&pool, id(1)).await.expect("begun");
    let why =
        super::database::purge_all(&mut tx, &clinic, at("2016-01-11T10:00:00Z"), None).await.expect_err("refused");
    assert!(why.contains("is under a legal hold"), "{why}");
}

#[sqlx::test]
async fn a_device_that_repeats_a_purged_completion_hears_that_it_was_purged(pool: PgPool) {
    let app = App::new(pool.clone(), at("2014-11-03T06:00:00Z")).await;
    let clinic = old_clinic(&app).await;
    app.set(at("2014-11-03T08:00:00Z"));
    let done = clinic.flush(701, &clinic.due_of(routine::start_flush()).await, 125);
    clinic.tablet.post("/v1/completions", done.clone()).await.expect(201);
    app.set(at("2014-11-04T00:10:00Z"));
    assert_eq!(sealer::seal(&pool, &app.clock).await.expect("it ticks").sealed, 1);
    later(&app, &clinic).await;
    purge(&clinic, 900, signed(&trial(&clinic, NOVEMBER).await, LEAD)).await.expect(201);
    let path = format!("/v1/completions/{}", id(701));
    for answer in [clinic.tablet.post("/v1/completions", done).await, clinic.manager.get(&path).await] {
        assert_eq!((answer.status.as_u16(), kind_of(&answer)), (409, "/problems/record-purged".to_owned()));
    }
    app.group(id(2)).await.get(&path).await.expect(404);
}
