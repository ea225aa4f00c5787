//! What is kept how long, as it is told and set; and the same in the database.

use std::collections::BTreeMap;

use chairtide::domain::retention::place::PlaceHeld;
use chairtide::domain::retention::{OwnYears, RecordClass, keeping, shipped};
use chrono::NaiveDate;
use serde_json::{Value, json};
use sqlx::PgPool;

use crate::support::app::App;
use crate::support::scenario;
use crate::support::{at, id};

fn source() -> Value {
    json!({ "title": "invented for the test", "edition": "none", "seen": "clinic_confirmed" })
}

fn class<'v>(document: &'v Value, name: &str) -> &'v Value {
    let items = document["items"].as_array().expect("a list");
    items.iter().find(|item| item["record_class"] == name).expect("the class")
}

#[sqlx::test]
async fn nobody_sets_less_than_the_law_of_the_place_and_the_refusal_names_its_source(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T08:00:00Z")).await;
    let clinic = scenario::clinic(&app, "America/Los_Angeles").await;
    let here = format!("/v1/clinics/{}", clinic.clinic_id);
    let site = json!({ "name": "Clinic 0", "zone": "America/Los_Angeles", "jurisdiction": "US-WA" });
    clinic.admin.put(&here, site).await.expect(200);
    let told = clinic.manager.get(&format!("{here}/retention")).await.expect(200);
    let tests = class(&told, "waterline_tests");
    assert_eq!((&tests["years"], &tests["decided_by"]), (&json!(10), &json!("default")));
    let rule = &tests["rules"][0];
    assert_eq!(
        (&rule["key"], &rule["value"], &rule["unit"]),
        (&json!("us-wa-waterline-tests"), &json!(5), &json!("a"))
    );
    assert_eq!(rule["source"]["seen"], "read");
    let elsewhere: Vec<&Value> = told["kept_elsewhere"].as_array().expect("a list").iter().map(|r| &r["key"]).collect();
    assert_eq!(elsewhere, ["us-exposure", "us-injury-log"]);

    for path in [format!("{here}/retention/waterline_tests"), "/v1/retention/waterline_tests".to_owned()] {
        let short = json!({ "years": 4, "reason": "room on the shelf", "source": source() });
        let refused = clinic.admin.put(&path, short).await;
        refused.expect(422);
        assert_eq!(refused.pointers(), ["/years"], "{path}");
        assert!(refused.text.contains("WAC 246-817-660") && refused.text.contains("at least 5"), "{}", refused.text);
    }
    let short = json!({ "years": 4, "reason": "room on the shelf", "source": source() });
    let refused = clinic.admin.put(&format!("{here}/retention/sterilisation"), short).await;
    assert!(refused.text.contains("from memory, to be confirmed"), "{}", refused.text);
    for (body, pointer) in [
        (json!({ "years": 6, "reason": "six" }), "/source"),
        (json!({ "years": 0, "reason": "none", "source": source() }), "/years"),
        (json!({ "years": 101, "reason": "all" }), "/years"),
        (json!({ "years": 12, "reason": "" }), "/reason"),
    ] {
        let refused = clinic.admin.put(&format!("{here}/retention/waterline_tests"), body).await;
        refused.expect(422);
        assert_eq!(refused.pointers(), [pointer]);
    }
    clinic.admin.put(&format!("{here}/retention/tea"), json!({ "years": 12, "reason": "x" })).await.expect(404);
    clinic.manager.put(&format!("{here}/retention/amalgam"), json!({ "years": 12, "reason": "x" })).await.expect(403);

    let exact = json!({ "years": 5, "reason": "as the code says", "source": source() });
    let path = format!("{here}/retention/waterline_tests");
    clinic.admin.put(&path, exact.clone()).await.expect(201);
    clinic.admin.put(&path, exact).await.expect(200);
    clinic.admin.put("/v1/retention/equipment", json!({ "years": 25, "reason": "for the maker" })).await.expect(201);
    let told = clinic.manager.get(&format!("{here}/retention")).await.expect(200);
    // The law is named where it asks for as much as was set.
    assert_eq!(class(&told, "waterline_tests")["decided_by"], "us-wa-waterline-tests");
    assert_eq!(class(&told, "waterline_tests")["old_enough_until"], "2021-11-01");
    assert_eq!(
        (&class(&told, "equipment")["years"], &class(&told, "equipment")["decided_by"]),
        (&json!(25), &json!("group"))
    );
    let changed: i64 = sqlx::query_scalar("select count(*) from event where kind = 'retention_changed'")
        .fetch_one(&app.pool)
        .await
        .expect("events");
    assert_eq!(changed, 2, "a repeat changes nothing");
    // A clinic that moves to another law is bound by it, whatever was set before.
    let moved = json!({ "name": "Clinic 0", "zone": "America/Los_Angeles", "jurisdiction": "CA-ON" });
    clinic
        .admin
        .put(&format!("{here}/retention/sterilisation"), json!({ "years": 5, "reason": "x", "source": source() }))
        .await
        .expect(201);
    clinic.admin.put(&here, moved).await.expect(200);
    let told = clinic.manager.get(&format!("{here}/retention")).await.expect(200);
    let kept = class(&told, "sterilisation");
    assert_eq!((&kept["years"], &kept["decided_by"]), (&json!(10), &json!("ca-on-sterilisation")));
}

/// The database refuses by itself what is too early, so it has to know the same figures.
#[sqlx::test]
async fn the_database_and_the_shipped_file_have_the_same_floors(pool: PgPool) {
    type Floor = (String, String, String, i32, Option<NaiveDate>, Option<NaiveDate>);
    let mut kept: Vec<Floor> = sqlx::query_as(
        "select rule_key, record_class, jurisdiction, years, effective_from, effective_until from retention_floor",
    )
    .fetch_all(&pool)
    .await
    .expect("floors");
    let mut wanted: Vec<Floor> = Vec::new();
    for rule in shipped().rules.iter().filter(|rule| rule.is_floor()) {
        for class in &rule.classes {
            let years = i32::try_from(rule.value).expect("few");
            let dates = (rule.effective_from, rule.effective_until);
            wanted.push((
                rule.key.clone(),
                class.as_str().to_owned(),
                rule.jurisdiction.clone(),
                years,
                dates.0,
                dates.1,
            ));
        }
    }
    kept.sort();
    wanted.sort();
    assert_eq!(kept, wanted);
}

#[sqlx::test]
async fn the_database_and_the_domain_decide_alike_how_long_each_class_is_kept(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T08:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let days: Vec<NaiveDate> =
        ["2012-02-29", "2021-01-22", "2026-11-02"].into_iter().map(|day| day.parse().expect("a date")).collect();
    let mut compared = 0;
    let still = PlaceHeld::still;
    let left = |place: &str, until: &str| PlaceHeld { until_on: Some(until.parse().expect("a date")), ..still(place) };
    let mut histories: Vec<Vec<PlaceHeld>> =
        ["", "US", "us-wa", "US-WA-1", "US-CA", "USA", "GB-ENG", "CA-ON", "DE", "AU-SA", "Ontario"]
            .into_iter()
            .map(|place| vec![still(place)])
            .collect();
    histories.push(vec![left("US-WA", "2021-01-22"), still("")]);
    histories.push(vec![left("CA-ON", "2012-03-01"), left("GB", "2026-11-01"), still("US-CA")]);
    for places in histories {
        sqlx::query("delete from clinic_place").execute(&pool).await.expect("the owner may");
        for (number, place) in (1..).zip(&places) {
            sqlx::query("insert into clinic_place values ($1, $2, $3, $4, $5)")
                .bind(id(1))
                .bind(clinic.clinic_id)
                .bind(number)
                .bind(&place.jurisdiction)
                .bind(place.until_on)
                .execute(&pool)
                .await
                .expect("the owner may");
        }
        for (group, of_clinic) in [(None, None), (Some(2), None), (Some(30), Some(1)), (None, Some(5))] {
            sqlx::query("delete from retention_setting").execute(&pool).await.expect("the owner may");
            for (clinic_id, years) in [(None, group), (Some(clinic.clinic_id), of_clinic)] {
                let Some(years) = years else { continue };
                sqlx::query(
                    "insert into retention_setting (group_id, setting_id, clinic_id, record_class, years, reason, source, set_at)
                     select $1, gen_random_uuid(), $2, c, $3, 'x', '{}', '2026-11-02' from unnest($4::text[]) c",
                )
                .bind(id(1))
                .bind(clinic_id)
                .bind(i32::try_from(years).expect("few"))
                .bind(RecordClass::ALL.map(RecordClass::as_str).as_slice())
                .execute(&pool)
                .await
                .expect("the owner may");
            }
            for class in RecordClass::ALL {
                for day in &days {
                    for today in days.iter().filter(|today| *today >= day) {
                        let told: (i32, String) =
                            sqlx::query_as("select years, decided_by from kept_years($1, $2, $3, $4, $5)")
                                .bind(id(1))
                                .bind(clinic.clinic_id)
                                .bind(class.as_str())
                                .bind(day)
                                .bind(today)
                                .fetch_one(&pool)
                                .await
                                .expect("an answer");
                        let kept = keeping(class, &places, OwnYears { group, clinic: of_clinic }, (*day, *today));
                        let wanted = (i32::try_from(kept.years).expect("few"), kept.decided_by);
                        assert_eq!(
                            told, wanted,
                            "{class:?} at {places:?} set {group:?} {of_clinic:?} on {day} {today}"
                        );
                        compared += 1;
                    }
                }
            }
        }
    }
    assert!(compared > 1_000, "only {compared}");
}

/// The demo's routines, each with the class that its subject and steps ask for, written down from the trade and not from
/// the function.
#[sqlx::test]
async fn routines_belong_to_the_class_of_what_is_recorded(pool: PgPool) {
    let routines: Vec<Value> = serde_json::from_str(include_str!("../../seed-demo/routines.json")).expect("a list");
    let mut classes: BTreeMap<String, usize> = BTreeMap::new();
    let class_of = async |definition: &Value| -> String {
        let asked = sqlx::query_scalar("select routine_record_class($1)").bind(definition);
        asked.fetch_one(&pool).await.expect("an answer")
    };
    for item in &routines {
        let routine = &item["routine"];
        let name = routine["name"].as_str().expect("a name");
        let found = class_of(routine).await;
        let lower = name.to_lowercase();
        let wanted = match () {
            // These record that a sample was drawn and no result; the family `waterline_tests` would move them.
            () if lower.starts_with("water test after a repair") => "routine_work",
            () if lower.starts_with("water test") => "waterline_tests",
            () if lower.contains("amalgam separator") => "amalgam",
            () if ["steriliser", "spore", "washer", "ultrasonic", "pressure-vessel"]
                .iter()
                .any(|w| lower.contains(w)) =>
            {
                "sterilisation"
            }
            () if lower.contains("sentinel") || lower.contains("little-used") => "premises_water",
            () if ["compressor", "water plant", "eyewash"].iter().any(|w| lower.contains(w)) => "equipment",
            () => "routine_work",
        };
        assert_eq!(found, wanted, "{name}");
        *classes.entry(found).or_default() += 1;
    }
    assert_eq!(classes.len(), 6, "{classes:?}");
    for (definition, wanted) in [
        (json!({ "subject_kind": "clinic", "family": "training", "steps": [] }), "training"),
        // A family does not take from a law what is its own.
        (json!({ "subject_kind": "amalgam_separator", "family": "training", "steps": [] }), "amalgam"),
        (json!({ "subject_kind": "clinic", "family": "amalgam", "steps": [] }), "amalgam"),
        (json!({ "subject_kind": "operatory", "family": "equipment", "steps": [] }), "routine_work"),
        (json!({ "subject_kind": "clinic", "steps": [{ "evidence": { "kind": "spore_test" } }] }), "sterilisation"),
        (
            json!({ "subject_kind": "operatory", "steps": [{ "evidence": { "kind": "water_sample" } }] }),
            "waterline_tests",
        ),
        // What is counted at a tap is the premises' water, and a count in another volume is one too.
        (
            json!({ "subject_kind": "premises_outlet", "steps": [{ "evidence": { "kind": "water_sample" } }] }),
            "premises_water",
        ),
        (
            json!({ "subject_kind": "premises_outlet", "steps": [{ "evidence": { "kind": "reading", "unit": "[CFU]/mL" } }] }),
            "premises_water",
        ),
        (
            json!({ "subject_kind": "operatory", "steps": [{ "evidence": { "kind": "reading", "unit": "[CFU]/L" } }] }),
            "waterline_tests",
        ),
        (
            json!({ "subject_kind": "operatory", "steps": [{ "evidence": { "kind": "reading", "unit": "[CFU]/(100.mL)" } }] }),
            "waterline_tests",
        ),
    ] {
        assert_eq!(class_of(&definition).await, wanted, "{definition}");
    }
}
