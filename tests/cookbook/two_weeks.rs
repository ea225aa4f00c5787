//! Two weeks in which things fail: actions, lots, training, service, the trend of a unit's water.

use serde_json::{Value, json};
use sqlx::PgPool;
use uuid::Uuid;

use super::{answers, as_manager};
use crate::products;
use crate::support::app::App;
use crate::support::scenario::{self, Clinic, routine};
use crate::support::{at, id};

const WATER_TEST: u32 = 505;
const SPORE_TEST: u32 = 506;
const FILL: u32 = 507;
const YEARLY: u32 = 508;
const PACKS: u32 = 509;
const PRODUCT: u32 = 810;

/// For a figure that stands for no published one.
fn invented() -> Value {
    json!({ "title": "invented for the test", "edition": "none", "seen": "from_memory" })
}

/// On Mondays, in a window of ten days.
fn weekly(name: &str, kind: &str, evidence: &Value, more: &Value) -> Value {
    let mut content = json!({
        "name": name, "subject_kind": kind, "sources": [invented()], "rough_minutes": 10,
        "anchor": { "kind": "calendar", "dates": { "rule": "FREQ=WEEKLY;BYDAY=MO", "starts_on": "2026-11-02" },
                    "place": { "kind": "opening" }, "closed_day": "next_open_day" },
        "window": { "may_start_minutes": 0, "due_by_minutes": 480, "overdue_minutes": 600, "missed_minutes": 14400 },
        "steps": [{ "key": "answer", "instruction": "Do it and say how it came out.", "evidence": evidence }],
    });
    content.as_object_mut().expect("an object").extend(more.as_object().expect("an object").clone());
    content
}

async fn configure(clinic: &Clinic<'_>) {
    let (admin, clinic_id) = (&clinic.admin, clinic.clinic_id);
    let here = json!({ "name": "Clinic 0", "zone": "Europe/London", "jurisdiction": "US-WA" });
    admin.put(&format!("/v1/clinics/{clinic_id}"), here).await.expect(200);
    let separator = json!({ "clinic_id": clinic_id, "kind": "amalgam_separator", "name": "Separator 1",
                            "service": { "state": "in_service" } });
    admin.put(&format!("/v1/equipment/{}", id(310)), separator).await.expect(201);
    let thermometer = json!({ "clinic_id": clinic_id, "name": "Thermometer 2", "serial": "TH-0417",
                              "calibrated_on": "2025-12-20", "calibration_ends_on": "2026-12-20" });
    admin.put(&format!("/v1/instruments/{}", id(930)), thermometer).await.expect(201);
    let product = products::product("Cleaner R", false, "7");
    admin.put(&format!("/v1/products/{}", id(PRODUCT)), product).await.expect(201);

    let at_most_500 = json!([{ "operator": "le", "value": "500", "unit": "[CFU]/mL", "source": invented() }]);
    let sample = json!({ "kind": "water_sample", "limits": at_most_500, "most_lines_in_pool": 1 });
    let fill =
        json!({ "kind": "product", "product_ids": [id(PRODUCT)], "use_key": "fill", "applied_to": "waterlines" });
    let yearly = json!({ "anchor": { "kind": "calendar", "place": { "kind": "opening" }, "closed_day": "next_open_day",
        "dates": { "rule": "FREQ=YEARLY;BYMONTH=11;BYMONTHDAY=25", "starts_on": "2025-11-25" } } });
    let of_family = json!({ "family": "water", "on_fail": "water_over_limit" });
    for (n, content) in [
        (WATER_TEST, weekly("Water test", "operatory", &sample, &of_family)),
        (SPORE_TEST, weekly("Spore test", "steriliser", &json!({ "kind": "spore_test" }), &json!({}))),
        (FILL, weekly("Fill the lines", "operatory", &fill, &json!({}))),
        (PACKS, weekly("Lay out", "operatory", &json!({ "kind": "reference", "at_most": 5 }), &json!({}))),
        (YEARLY, weekly("Yearly validation", "steriliser", &json!({ "kind": "confirmation" }), &yearly)),
    ] {
        let body = json!({ "effective_on": "2026-01-01", "routine": content });
        admin.put(&format!("/v1/routines/{}", id(n)), body).await.expect(201);
    }
    people(clinic).await;
}

/// Three whose training ends within 30, 60 and 90 days of the 16th, one who goes on after it, one whose training has
/// ended, one who left.
async fn people(clinic: &Clinic<'_>) {
    for (n, initials, left, valid_until) in [
        (801, "AA", None, "2026-12-16"),
        (802, "BB", None, "2026-12-17"),
        (803, "CC", None, "2027-02-14"),
        (804, "DD", None, "2026-12-01"),
        (805, "EE", None, "2026-11-01"),
        (806, "FF", Some("2026-11-10"), "2026-12-01"),
    ] {
        let mut person = json!({ "name": format!("Person {initials}"), "initials": initials, "role": "assistant",
                                 "active_from": "2026-01-05" });
        if let Some(left) = left {
            person["active_until"] = json!(left);
        }
        clinic.admin.put(&format!("/v1/staff/{}", id(n)), person).await.expect(201);
        train(clinic, n, n, "2026-01-05", valid_until).await;
    }
    train(clinic, 804, 899, "2026-12-01", "2027-12-01").await;
}

async fn train(clinic: &Clinic<'_>, person: u32, n: u32, from: &str, until: &str) {
    let competence = json!({ "for_what": { "kind": "family", "family": "water" }, "valid_from": from,
                             "valid_until": until, "signed_off_by": "the group's lead" });
    clinic.admin.put(&format!("/v1/staff/{}/competences/{}", id(person), id(n)), competence).await.expect(201);
}

async fn enter(clinic: &Clinic<'_>, n: u32, task: &Value, by: &str, step: Value) {
    let body = json!({ "completion_id": id(n), "task_id": task["task_id"], "performed_by": by, "steps": [step],
                       "performed_at": clinic.admin.app.clock.now() });
    clinic.tablet.post("/v1/completions", body).await.expect(201);
}

/// Colonies on 0.1 mL of the handpiece's water, each 10 CFU/mL, and none in the syringe's.
async fn water(clinic: &Clinic<'_>, n: u32, by: &str, colonies: u32) {
    let plate = |line: &str, colonies: u32| {
        json!({ "lines": [line], "found": { "kind": "plate", "plate": { "plated_ml": "0.1",
                "seen": { "kind": "counted", "colonies": colonies } } } })
    };
    let today = clinic.admin.app.clock.now().date_naive();
    let task = clinic
        .due(0)
        .await
        .into_iter()
        .find(|t| t["routine_id"] == json!(id(WATER_TEST)) && t["clinic_day"] == json!(today));
    let sample = json!({ "drawn_on": today, "draw": { "kind": "first_draw" }, "method": "spread plate",
        "medium": "R2A agar", "neutralised": true, "incubated_celsius": "22", "incubated_days": "7",
        "laboratory": "an invented laboratory", "results": [plate("handpiece-1", colonies), plate("syringe", 0)] });
    let given = json!({ "kind": "water_sample", "sample": sample });
    enter(clinic, n, &task.expect("today's"), by, json!({ "step": "answer", "status": "done", "given": given })).await;
}

async fn lot(clinic: &Clinic<'_>, n: u32, expires_on: &str) -> Uuid {
    let body = json!({ "product_id": id(PRODUCT), "clinic_id": clinic.clinic_id, "lot_number": format!("L-{n}"),
                       "expires_on": expires_on });
    clinic.tablet.put(&format!("/v1/lots/{}", id(n)), body).await.expect(201);
    let opened = json!({ "opened_at": clinic.admin.app.clock.now(), "performed_by": "AA" });
    clinic.tablet.put(&format!("/v1/lots/{}/opened", id(n)), opened).await.expect(201);
    id(n)
}

/// Load 118 ends before the spore test, and a pack of it is laid out after; load 119 has nothing to do with either.
async fn load_118(clinic: &Clinic<'_>) {
    for (n, label) in [(950, "118"), (952, "119")] {
        let cycles = format!("/v1/equipment/{}/cycles", clinic.steriliser);
        let cycle = json!({ "cycle_id": id(n), "ended_at": "2026-11-02T08:30:00Z", "program": "wrapped 134" });
        clinic.tablet.post(&cycles, cycle).await.expect(201);
        let record = json!({ "load_reference": label, "outcome_as_printed": "complete", "performed_by": "AA" });
        clinic.tablet.put(&format!("{cycles}/{}/record", id(n)), record).await.expect(201);
    }
    let laid_out = clinic.due_of(id(PACKS)).await;
    let given = json!({ "kind": "reference", "labels": ["117", "118"] });
    enter(clinic, 720, &laid_out, "BB", json!({ "step": "answer", "status": "done", "given": given })).await;
}

/// Monday the 2nd: water 50 CFU/mL, spores read, lines filled with a lot. The 9th: 120, by one whose training has ended;
/// that lot is recalled. The 16th: 510, by one who has no training; and six flushes are entered in five minutes.
async fn live_two_weeks(app: &App, clinic: &Clinic<'_>) {
    configure(clinic).await;
    app.plan().await;
    app.set(at("2026-11-02T09:00:00Z"));
    for (n, expires_on) in
        [(831, "2026-12-16"), (832, "2027-06-30"), (833, "2026-11-15"), (834, "2026-12-17"), (835, "2026-11-15")]
    {
        lot(clinic, n, expires_on).await;
    }
    let ended = json!({ "how": "emptied", "ended_at": "2026-11-02T09:00:00Z", "performed_by": "AA" });
    clinic.tablet.put(&format!("/v1/lots/{}/ended", id(835)), ended).await.expect(201);
    water(clinic, 701, "AA", 5).await;
    let spores = clinic.due_in_clinic(id(SPORE_TEST)).await;
    let strips = json!({ "test_lot": "BI-1", "control_lot": "BI-1", "test_growth": false, "control_growth": true });
    let given = json!({ "kind": "spore_test", "strips": strips });
    enter(clinic, 702, &spores, "AA", json!({ "step": "answer", "status": "done", "given": given })).await;
    load_118(clinic).await;
    let fill = clinic.due_of(id(FILL)).await;
    enter(clinic, 703, &fill, "AA", json!({ "step": "answer", "status": "done", "lot_id": id(832) })).await;

    app.set(at("2026-11-09T09:00:00Z"));
    app.plan().await;
    water(clinic, 704, "EE", 12).await;
    let recall = json!({ "recalled": true, "reason": "invented", "authority": "notice 1", "performed_by": "MO" });
    clinic.manager.put(&format!("/v1/lots/{}/recall", id(832)), recall).await.expect(201);
    let wet = json!({ "subject_id": clinic.steriliser, "load_reference": "118", "cycle_id": id(950), "begun_by": "AA",
                      "reason": "a pack was wet" });
    clinic.tablet.put(&format!("/v1/quarantines/{}", id(951)), wet).await.expect(201);

    app.set(at("2026-11-16T09:00:00Z"));
    app.plan().await;
    let stranger = json!({ "name": "Person GG", "initials": "GG", "role": "assistant", "active_from": "2026-11-01" });
    clinic.admin.put(&format!("/v1/staff/{}", id(807)), stranger).await.expect(201);
    water(clinic, 705, "GG", 51).await;
    let notice = json!({ "authority": "Saltmarrow Water", "notice_number": "7/26", "started_at": "2026-11-16T08:00:00Z",
                         "opened_by": "AA", "clinic_ids": [clinic.clinic_id] });
    clinic.tablet.put(&format!("/v1/water-advisories/{}", id(940)), notice).await.expect(201);
    let mut flushes = Vec::new();
    for minute in 0..6 {
        app.set(at(&format!("2026-11-16T10:0{minute}:00Z")));
        flushes.push(clinic.leave(&format!("2026-11-16T10:0{minute}:00Z")).await);
    }
    for (n, task) in (710..).zip(flushes) {
        app.advance(chrono::TimeDelta::seconds(30));
        let mut flush = clinic.flush(n, &task, 25);
        flush["performed_by"] = json!("BB");
        clinic.tablet.post("/v1/completions", flush).await.expect(201);
    }
}

#[sqlx::test]
async fn what_failed_ends_or_falls_due_is_told_by_the_queries_of_the_cookbook(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T06:00:00Z")).await;
    let ours = scenario::clinic(&app, "Europe/London").await;
    // Another group's clinic has a week too, and no row of it may show.
    scenario::clinic_of(&app, app.group(id(2)).await, "Europe/London", 50).await;
    live_two_weeks(&app, &ours).await;

    let mut manager = as_manager(&pool).await;
    manager.look_from("2026-11-16T12:00:00Z").await;
    let (clinic, chair) = ("Clinic 0", "Chair 0");
    let told = [
        // 51 colonies on 0.1 mL are 510 CFU/mL. Nobody took up this Monday's other tests of the chair.
        (
            "03_",
            json!([{ "clinic": clinic, "unit": chair, "clinic_day": "2026-11-16", "state": "done", "failed_counts": 1 }]),
        ),
        (
            "03b_",
            json!([{ "clinic": clinic, "unit": chair, "tests": 3, "counts": ["50", "120", "510"], "last_on": "2026-11-16",
                     "rises_in_a_row": 2 }]),
        ),
        // The spore test of the 2nd is a fortnight old.
        (
            "04_",
            json!([{ "clinic": clinic, "steriliser": "Steriliser 0", "service_state": "in_service",
                     "last_passed_at": "2026-11-02T09:00:00+00:00" }]),
        ),
        // The recall of the 9th, 7.1 days before, and this morning's water; which of them puts a chair out of use is the
        // shipped chains' to say.
        (
            "05_",
            json!([
                { "clinic": clinic, "subject": chair, "kind": "wrong_or_expired_product", "recalled_lot": "L-832",
                  "next_step": "remove", "owner": "assistant", "age_days": 7.1, "overdue": true, "out_of_use": true },
                { "clinic": clinic, "subject": chair, "kind": "water_over_limit", "recalled_lot": null,
                  "next_step": "stop", "owner": "assistant", "age_days": 0.1, "overdue": true, "out_of_use": true },
            ]),
        ),
        // The 16th of December is the 30th day from the 16th of November, the 17th no more. An emptied lot is no stock.
        (
            "08_",
            json!([
                { "clinic": clinic, "product": "Cleaner R", "lot_number": "L-832", "what": "recalled",
                  "expires_on": "2027-06-30", "days_left": 226, "uses": 1, "passed": 1 },
                { "clinic": clinic, "product": "Cleaner R", "lot_number": "L-833", "what": "expired",
                  "expires_on": "2026-11-15", "days_left": -1, "uses": 0, "passed": 0 },
                { "clinic": clinic, "product": "Cleaner R", "lot_number": "L-831", "what": "expiring",
                  "expires_on": "2026-12-16", "days_left": 30, "uses": 0, "passed": 0 },
            ]),
        ),
        (
            "09a_",
            json!([
                { "person": "Person AA", "initials": "AA", "for_what": "water", "valid_until": "2026-12-16",
                  "days_left": 30, "within_days": 30 },
                { "person": "Person BB", "initials": "BB", "for_what": "water", "valid_until": "2026-12-17",
                  "days_left": 31, "within_days": 60 },
                { "person": "Person CC", "initials": "CC", "for_what": "water", "valid_until": "2027-02-14",
                  "days_left": 90, "within_days": 90 },
            ]),
        ),
        (
            "09b_",
            json!([
                { "clinic": clinic, "performed_by": "EE", "routine": "Water test", "records": 1,
                  "last_performed_at": "2026-11-09T09:00:00+00:00", "had_ended": true },
                { "clinic": clinic, "performed_by": "GG", "routine": "Water test", "records": 1,
                  "last_performed_at": "2026-11-16T09:00:00+00:00", "had_ended": false },
            ]),
        ),
        // From the 5th of January to the 2nd of November are 301 days. What DD is trained for from December on was entered
        // in time.
        (
            "09c_",
            json!([
                entered_late("AA", "2026-12-16"),
                entered_late("BB", "2026-12-17"),
                entered_late("CC", "2027-02-14"),
                entered_late("DD", "2026-12-01"),
                entered_late("EE", "2026-11-01"),
                entered_late("FF", "2026-12-01"),
            ]),
        ),
        (
            "11_",
            json!([{ "clinic": clinic, "authority": "Saltmarrow Water", "notice_number": "7/26", "what": "stands",
                     "chair": null, "since": "2026-11-16T08:00:00+00:00" }]),
        ),
        ("14_", rows_of_load_118()),
        // 40 CFR 441.30(a)(1)(iii), read: until 2027-06-14, 210 days from the 16th of November.
        (
            "12_",
            json!([
                { "clinic": clinic, "what": "service", "subject": "Steriliser 0", "work": "Yearly validation",
                  "due_on": "2026-11-25", "days_left": 9, "state": "upcoming" },
                { "clinic": clinic, "what": "calibration", "subject": "Thermometer 2", "work": "TH-0417",
                  "due_on": "2026-12-20", "days_left": 34, "state": null },
                { "clinic": clinic, "what": "separator_deadline", "subject": "Separator 1",
                  "work": "40 CFR 441.30(a)(1)(iii)", "due_on": "2027-06-14", "days_left": 210, "state": null },
            ]),
        ),
    ];
    for (number, expected) in told {
        assert_eq!(answers(&mut manager, number).await, expected, "{number}");
    }
    // In quarantine since the recall of the 9th, longer than the seven days that are asked about, and since this morning for its
    // water as well; its water is its own, so the notice is not about it, and a load that is held is no machine.
    let out = answers(&mut manager, "02_").await;
    assert_eq!((out.as_array().map(Vec::len), &out[0]["subject"]), (Some(1), &json!(chair)), "{out}");
    assert_eq!(
        (&out[0]["days_out"], &out[0]["what"], &out[0]["still_out"]),
        (&json!(7.0), &json!("quarantine"), &json!(true)),
        "{out}"
    );
    // Six flushes within three minutes, each of which takes three by itself: all of them, the first as well as the last.
    let late = answers(&mut manager, "07_").await;
    let bursts = late_rows(&late).filter(|r| r["late"] == json!(false) && r["burst"] == json!(true)).count();
    assert_eq!((bursts, late_rows(&late).count()), (6, 6), "{late}");
    assert!(late_rows(&late).all(|r| r["performed_by"] == "BB" && r["routine"] == "Flush after a patient"), "{late}");

    // At an instant before anything failed, nothing of it shows.
    manager.look_from("2026-11-02T10:00:00Z").await;
    for number in ["03_", "04_", "05_", "07_", "09b_", "11_"] {
        assert_eq!(answers(&mut manager, number).await, json!([]), "{number}");
    }
    // And the deadline is no longer told of once it has passed.
    manager.look_from("2027-06-15T12:00:00Z").await;
    assert!(!answers(&mut manager, "12_").await.to_string().contains("separator_deadline"));
    manager.leave().await;
    assert_eq!(routine::spore_test(), id(504), "the scenario's own spore test is never taken up here");
}

fn entered_late(initials: &str, valid_until: &str) -> Value {
    json!({ "entered_on": "2026-11-02", "person": format!("Person {initials}"), "for_what": "water",
            "valid_from": "2026-01-05", "valid_until": valid_until, "days_after": 301, "state": 1,
            "signed_off_by": "the group's lead", "signed": false })
}

/// Its cycle, the test that covers it, the work that names it, and that it is out of use.
fn rows_of_load_118() -> Value {
    let row = |what: &str, at: &str, person: &str, recorded: &str| {
        json!({ "clinic": "Clinic 0", "machine": "Steriliser 0", "what": what, "happened_at": at, "person": person,
                "recorded": recorded, "ended_at": "2026-11-02T08:30:00+00:00" })
    };
    json!([
        row("cycle", "2026-11-02T08:30:00+00:00", "AA", "wrapped 134; complete; passed"),
        row("spore test", "2026-11-02T09:00:00+00:00", "AA", "passed, the first after it"),
        row("work", "2026-11-02T09:00:00+00:00", "BB", "Chair 0, answer"),
        row("out of use", "2026-11-09T09:00:00+00:00", "AA", "a pack was wet"),
    ])
}

fn late_rows(rows: &Value) -> impl Iterator<Item = &Value> {
    rows.as_array().into_iter().flatten()
}
