//! A failed water test, from the sample to the closing, with every wrong turn on the way.
//!
//! The limit is at most 500 CFU/mL: CDC, MMWR 52(RR-17) 2003, rec. VII.A, and WAC 246-817-660, effective 2021-01-23; both
//! read. Instants are UTC, which is London's time from November to March.

mod afterwards;
mod practice;

use chrono::TimeDelta;
use serde_json::{Value, json};
use sqlx::PgPool;

use self::practice::{
    ASSISTANT, CLINICIAN, EXPIRED_LOT, GOOD_LOT, GROUP_LEAD, LEAD, ONCE_TRAINED, OTHER_PRODUCT, RECALLED_LOT, close,
    colonies, draw, enter, problem, read, release, signed, step,
};
use crate::support::app::App;
use crate::support::scenario::{Clinic, routine};
use crate::support::{at, id};

#[sqlx::test]
async fn a_failed_water_test_goes_from_sample_to_release_and_no_wrong_turn_gets_through(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T06:00:00Z")).await;
    let clinic = practice::open(&app).await;
    app.set(at("2026-11-02T09:00:00Z"));
    a_control_that_did_not_grow_asks_for_the_test_again_at_once(&clinic).await;
    let second = a_pool_passes_and_says_nothing_of_a_single_line(&clinic).await;
    let action = one_line_is_over_and_the_chair_is_out_of_use(&clinic, &second).await;
    let opened = clinic.manager.get(&format!("/v1/corrective-actions/{action}")).await.expect(200);
    let quarantine = text(&opened["quarantine_ids"][0]);

    a_release_before_its_time_names_what_is_missing(&clinic, &action, &quarantine).await;
    steps_have_an_order(&clinic, &action).await;
    the_shock_treatment_passes_whole_or_not_at_all(&clinic, &action).await;
    what_was_filled_in_wrongly_is_worked_and_released_as_well(&clinic).await;
    a_retest_that_leaves_a_line_out_decides_nothing(&clinic, &action, &quarantine).await;
    the_retest_is_read_before_it_counts(&clinic, &action, &quarantine).await;
    only_one_who_is_trained_releases(&clinic, &quarantine).await;
    the_chair_is_ready_once_the_daily_records_are_there(&clinic).await;
    a_second_person_closes_it_weeks_later(&clinic, &action).await;

    app.set(at("2026-12-18T06:00:00Z"));
    app.keep_house().await;
    afterwards::every_day_is_as_it_was_sealed(&clinic).await;
    afterwards::other_systems_are_told_the_same(&pool, &clinic, &action).await;
}

fn text(value: &Value) -> String {
    value.as_str().unwrap_or_else(|| panic!("no text: {value}")).to_owned()
}

fn verdict_of(answer: &crate::support::app::Answer) -> String {
    text(&answer.expect(201)["verdict"])
}

async fn readiness(clinic: &Clinic<'_>) -> Value {
    clinic.tablet.get(&format!("/v1/operatories/{}/readiness", clinic.chair)).await.expect(200)
}

/// The unprocessed control must grow (ISO 11138-3; CDC; read, partly from memory).
async fn a_control_that_did_not_grow_asks_for_the_test_again_at_once(clinic: &Clinic<'_>) {
    let strips = |control_lot: &str, test: bool, control: bool| {
        json!([{ "step": "spores", "status": "done", "given": { "kind": "spore_test", "strips": {
            "test_lot": "BI-7", "control_lot": control_lot, "test_growth": test, "control_growth": control } } }])
    };
    let task = clinic.due_in_clinic(practice::spore_test()).await;
    assert_eq!(verdict_of(&enter(clinic, 701, &task, strips("BI-7", false, false)).await), "void");
    let again = clinic.due_in_clinic(practice::spore_test()).await;
    assert_ne!(again["task_id"], task["task_id"]);
    assert!(again["slot"].as_str().is_some_and(|slot| slot.starts_with("repeat")), "{again}");
    // A control of another lot shows no more than one that did not grow.
    assert_eq!(verdict_of(&enter(clinic, 702, &again, strips("BI-8", false, true)).await), "void");
    let third = clinic.due_in_clinic(practice::spore_test()).await;
    assert_eq!(verdict_of(&enter(clinic, 703, &third, strips("BI-7", false, true)).await), "passed");
    // A void test is no failure: it opened nothing.
    assert_eq!(clinic.manager.get("/v1/corrective-actions").await.expect(200)["items"], json!([]));
}

/// 30 colonies on 0.1 mL are 300 CFU/mL, and one of two lines may carry them all: a pool of n speaks for each line up to
/// 500/n (computed). That a pool hides a bad line: CDA Essentials 2019(6):40, read.
async fn a_pool_passes_and_says_nothing_of_a_single_line(clinic: &Clinic<'_>) -> Value {
    let app = clinic.admin.app;
    let first = clinic.due_of(practice::water_test()).await;
    let pool = json!([["handpiece-1", "syringe"]]);
    assert_eq!(draw(clinic, 710, &first, json!([])).await.pointers(), ["/steps/0/given/drawn/bottles"]);
    assert_eq!(verdict_of(&draw(clinic, 710, &first, pool).await), "result_pending");
    app.plan().await;
    // A sample is no result: the task waits for it, and its reading has a date of its own.
    assert_eq!(clinic.task(&first).await["task"]["state"], "result_pending");
    let reading = clinic.due_of(practice::reading_of_the_result()).await;
    assert_eq!(reading["due_by"], "2026-11-12T09:00:00Z");

    app.set(at("2026-11-09T09:00:00Z"));
    app.plan().await;
    let second = clinic.due(0).await.into_iter().find(|t| t["clinic_day"] == "2026-11-09" && is_water_test(t));
    let second = second.expect("the second Monday's test");
    let pooled = json!([colonies(&["handpiece-1", "syringe"], 30)]);
    let kept = read(clinic, 711, &first, "2026-11-02", pooled).await.expect(201);
    let line = &kept["steps"][0]["lines"][0];
    assert_eq!((&kept["verdict"], &line["reading"]["value"]), (&json!("passed"), &json!("300")));
    assert_eq!(
        (&line["pool"]["one_line_up_to"], &line["pool"]["speaks_for_each_up_to"], &line["pool"]["finding"]),
        (&json!("600"), &json!("250"), &json!("open_for_each_line"))
    );
    let read_it = enter(clinic, 712, &reading, json!([{ "step": "read", "status": "done" }])).await;
    assert_eq!(verdict_of(&read_it), "passed");
    second
}

fn is_water_test(task: &Value) -> bool {
    task["routine_id"] == json!(practice::water_test())
}

/// 51 colonies on 0.1 mL are 510 CFU/mL. None is less than 10, and never 0.
async fn one_line_is_over_and_the_chair_is_out_of_use(clinic: &Clinic<'_>, task: &Value) -> String {
    let app = clinic.admin.app;
    let each = json!([["handpiece-1"], ["syringe"]]);
    assert_eq!(verdict_of(&draw(clinic, 720, task, each).await), "result_pending");
    app.set(at("2026-11-16T09:00:00Z"));
    app.plan().await;
    let reported = |value: &str| {
        json!([{ "lines": ["handpiece-1"], "found": { "kind": "reported", "qualifier": "eq", "cfu_per_ml": value } },
               colonies(&["syringe"], 0)])
    };
    for (results, pointer) in [
        (reported("0"), "/steps/0/given/sample/results/0/found/cfu_per_ml"),
        (json!([colonies(&["handpiece-1"], 51), colonies(&["scaler"], 0)]), "/steps/0/given/sample/results/1/lines"),
        // The bottle that was over the limit is not left out.
        (json!([colonies(&["syringe"], 0)]), "/steps/0/given/sample/results"),
    ] {
        let refused = read(clinic, 721, task, "2026-11-09", results).await;
        refused.expect(422);
        assert!(refused.pointers().iter().any(|p| p == pointer), "{}", refused.text);
    }
    let seen = json!([colonies(&["handpiece-1"], 51), colonies(&["syringe"], 0)]);
    let kept = read(clinic, 721, task, "2026-11-09", seen.clone()).await.expect(201);
    assert_eq!(kept["verdict"], "failed");
    let lines = &kept["steps"][0]["lines"];
    assert_eq!(lines[0]["reading"], json!({ "qualifier": "eq", "value": "510", "unit": "[CFU]/mL" }));
    assert_eq!(lines[1]["reading"], json!({ "qualifier": "lt", "value": "10", "unit": "[CFU]/mL" }));
    // The tablet lost the answer and sends it again: one failure, one action.
    let again = read(clinic, 721, task, "2026-11-09", seen).await.expect(200);
    assert_eq!(again["recorded_at"], kept["recorded_at"]);
    let open = clinic.manager.get("/v1/corrective-actions?state=open").await.expect(200);
    assert_eq!(open["items"].as_array().map(Vec::len), Some(1), "{open}");
    let item = &open["items"][0];
    assert_eq!((&item["kind"], &item["waits_for"]["step"]), (&json!("water_over_limit"), &json!("stop")));

    let standing = readiness(clinic).await;
    assert_eq!(standing["ready_by_record"], json!(false));
    assert_eq!(
        (&standing["standing"][0]["kind"], &standing["standing"][0]["solved_by"]),
        (&json!("quarantine"), &json!("clinic_lead"))
    );
    let awaited = &standing["standing"][0];
    assert_eq!(
        (&awaited["action_id"], &awaited["waits_for"]["step"]),
        (&item["action_id"], &json!("stop")),
        "{awaited}"
    );
    assert_eq!(awaited["waits_for"]["owner"], item["waits_for"]["owner"]);
    let board = clinic.tablet.get(&format!("/v1/clinics/{}/readiness", clinic.clinic_id)).await.expect(200);
    let chairs = board["operatories"].as_array().expect("a list");
    assert!(chairs.iter().any(|chair| chair["standing"] == standing["standing"]), "{board}");
    // The desk seats somebody all the same: kept, and told what stands against the chair.
    let seated = format!("/v1/operatories/{}/seated", clinic.chair);
    let told = clinic.desk.post_once(&seated, "seat", json!({})).await.expect(201);
    assert_eq!(told["readiness"]["standing"], standing["standing"]);
    text(&item["action_id"])
}

/// What stands before a release: WAC 246-817-660 asks for remedial action at once when water is over the limit (read).
async fn a_release_before_its_time_names_what_is_missing(clinic: &Clinic<'_>, action: &str, quarantine: &str) {
    let early = release(clinic, quarantine, signed(LEAD)).await;
    early.expect(409);
    assert_eq!(problem(&early), "/problems/release-not-yet");
    for key in ["stop", "decide-use", "look-for-cause", "disinfect", "retest"] {
        assert!(early.text.contains(&format!("record missing: step {key}")), "{key}: {}", early.text);
    }
    let early = close(clinic, action, signed(GROUP_LEAD)).await;
    assert_eq!((early.status.as_u16(), problem(&early).as_str()), (409, "/problems/close-not-yet"));
}

async fn steps_have_an_order(clinic: &Clinic<'_>, action: &str) {
    let app = clinic.admin.app;
    let none = json!({});
    let first = step(clinic, action, "retest", 790, "IB", json!({ "completion_id": id(721) })).await;
    assert_eq!((first.status.as_u16(), problem(&first).as_str()), (409, "/problems/step-out-of-order"));
    step(clinic, action, "stop", 730, "IB", none.clone()).await.expect(201);
    app.advance(TimeDelta::minutes(10));
    let silent = step(clinic, action, "decide-use", 731, "KV", json!({ "note": "" })).await;
    assert_eq!(silent.pointers(), ["/note"]);
    step(clinic, action, "decide-use", 731, "KV", none.clone()).await.expect(201);
    // A repeat is harmless, and another text under the same step is not taken.
    step(clinic, action, "decide-use", 732, "KV", none.clone()).await.expect(409);
    step(clinic, action, "look-for-cause", 733, "MO", none).await.expect(201);
}

/// The product's contact time is 900 s at least; the figure is invented for the test.
async fn the_shock_treatment_passes_whole_or_not_at_all(clinic: &Clinic<'_>, action: &str) {
    let app = clinic.admin.app;
    app.plan().await;
    let recall = json!({ "recalled": true, "reason": "the seal of the cap may leak", "authority": "notice 1",
                         "performed_by": "MO" });
    clinic.manager.put(&format!("/v1/lots/{}/recall", id(RECALLED_LOT)), recall).await.expect(201);
    for lot in [GOOD_LOT, EXPIRED_LOT, RECALLED_LOT, OTHER_PRODUCT] {
        let opened = json!({ "opened_at": app.clock.now(), "performed_by": "IB" });
        clinic.tablet.put(&format!("/v1/lots/{}/opened", id(lot)), opened).await.expect(201);
    }
    let task = clinic.due_of(practice::shock()).await;
    let done = |step: &str| json!({ "step": step, "status": "done" });
    let worked = |lot: u32, soak: Value| {
        let mut soaked = done("soak");
        soaked.as_object_mut().expect("an object").extend(soak.as_object().expect("an object").clone());
        json!([done("empty"), { "step": "fill", "status": "done", "lot_id": id(lot) }, soaked,
               done("rinse:handpiece-1"), done("rinse:syringe")])
    };
    let hold = async |n: u32, seconds: i64| {
        let holds = format!("/v1/tasks/{}/holds", text(&task["task_id"]));
        let start = json!({ "hold_id": id(n), "step": "soak", "performed_by": "IB" });
        clinic.tablet.post(&holds, start).await.expect(201);
        app.advance(TimeDelta::seconds(seconds));
        let end = format!("{holds}/{}/end", id(n));
        clinic.tablet.post(&end, json!({ "performed_by": "IB" })).await.expect(200);
        json!({ "hold_id": id(n) })
    };
    let long = hold(745, 905).await;
    for (n, lot, soak, says) in [
        (740, OTHER_PRODUCT, json!({ "elapsed_seconds": 1000 }), "not a product of this step"),
        (741, EXPIRED_LOT, json!({ "elapsed_seconds": 1000 }), "expired on 2026-11-15"),
        (742, RECALLED_LOT, long.clone(), "recalled"),
        // The right lot does not make good what was soaked with another.
        (743, GOOD_LOT, long, "used by an earlier completion"),
        // Ten minutes are enough by the routine, and not by the product.
        (744, GOOD_LOT, hold(748, 899).await, "held 899 s of at least 900 s, the product's contact time"),
    ] {
        let kept = enter(clinic, n, &task, worked(lot, soak)).await.expect(201);
        assert!(kept["findings"].to_string().contains(says), "{says}: {kept}");
        // All of the cycle is to be done again, and not what was left of it.
        let steps = kept["steps"].as_array().expect("steps");
        assert!(kept["verdict"] == "failed" && steps.iter().all(|s| s["verdict"] == "failed"), "{says}: {kept}");
        let again = clinic.due_of(practice::shock()).await;
        assert_eq!((&again["task_id"], &again["failed_attempt"]), (&task["task_id"], &json!(true)));
    }

    // Somebody's word does not stand for it.
    let word = step(clinic, action, "disinfect", 734, "IB", json!({})).await;
    assert_eq!((word.status.as_u16(), problem(&word).as_str()), (409, "/problems/work-missing"));
    assert!(word.text.contains("a product in the waterlines by its lot"), "{}", word.text);
    // Nor does one of the attempts that fell short.
    let short = step(clinic, action, "disinfect", 734, "IB", json!({ "completion_id": id(744) })).await;
    assert_eq!(short.pointers(), ["/completion_id"]);
    let whole = enter(clinic, 747, &task, worked(GOOD_LOT, hold(746, 905).await)).await;
    assert_eq!(verdict_of(&whole), "passed");
    let recorded = step(clinic, action, "disinfect", 734, "IB", json!({})).await.expect(201);
    assert_eq!((&recorded["completion_id"], &recorded["result"]), (&json!(id(747)), &Value::Null));
}

/// Rinse, repeat with the right lot, list every use, tell the lead: for the wrong and the expired product, and for the
/// recalled lot.
async fn what_was_filled_in_wrongly_is_worked_and_released_as_well(clinic: &Clinic<'_>) {
    let app = clinic.admin.app;
    let open = clinic.manager.get("/v1/corrective-actions?kind=wrong_or_expired_product").await.expect(200);
    let mut causes = Vec::new();
    for (n, item) in (0..).zip(open["items"].as_array().expect("a list")) {
        let action = text(&item["action_id"]);
        let opened = clinic.manager.get(&format!("/v1/corrective-actions/{action}")).await.expect(200);
        causes.push((opened["cause"].clone(), opened["cause_id"].clone()));
        let quarantine = text(&opened["quarantine_ids"][0]);
        let release = async || {
            let body = json!({ "release_id": id(851 + n), "reason": "rinsed, and the whole cycle done again",
                               "signature": signed(LEAD) });
            clinic.tablet.post(&format!("/v1/quarantines/{quarantine}/release"), body).await
        };
        assert_eq!(problem(&release().await), "/problems/release-not-yet");
        for (i, (key, who)) in
            (0..).zip([("remove", "IB"), ("repeat-with-right-lot", "IB"), ("list-uses", "MO"), ("tell-lead", "SQ")])
        {
            app.advance(TimeDelta::minutes(1));
            step(clinic, &action, key, 780 + 4 * n + i, who, json!({})).await.expect(201);
        }
        release().await.expect(201);
        let body = json!({ "close_id": id(861 + n), "reason": "every use looked at", "signature": signed(CLINICIAN) });
        clinic.tablet.post(&format!("/v1/corrective-actions/{action}/close"), body).await.expect(201);
    }
    assert_eq!(causes, [(json!("completion"), json!(id(740))), (json!("lot"), json!(id(RECALLED_LOT)))]);
}

/// A pool hides a bad line: CDA Essentials 2019(6):40, read. Each of these passes, and says nothing of the line that was
/// over, or of the other one.
async fn a_retest_that_leaves_a_line_out_decides_nothing(clinic: &Clinic<'_>, action: &str, quarantine: &str) {
    let app = clinic.admin.app;
    let listed = async || clinic.due(0).await.into_iter().filter(is_water_test).collect::<Vec<_>>();
    assert_eq!(listed().await, [] as [Value; 0], "not before the fifth day");
    app.set(at("2026-11-23T08:00:00Z"));
    app.plan().await;
    for (n, bottles, says) in [
        // Without the line that was over.
        (755, json!([colonies(&["syringe"], 0)]), "left out the lines handpiece-1,"),
        // In a pool far below its part of the limit.
        (756, json!([colonies(&["handpiece-1", "syringe"], 1)]), "left out the lines handpiece-1, syringe,"),
        // With the line that was over, and too few all the same.
        (757, json!([colonies(&["handpiece-1"], 0)]), "left out the lines syringe,"),
    ] {
        // Each time the test is asked for anew.
        let retest = clinic.due_of(practice::water_test()).await;
        assert_eq!(verdict_of(&read(clinic, n, &retest, "2026-11-23", bottles).await), "passed");
        let named = step(clinic, action, "retest", 735, "IB", json!({ "completion_id": id(n) })).await;
        named.expect(422);
        assert_eq!(named.pointers(), ["/completion_id"]);
        assert!(named.text.contains(says), "{says}: {}", named.text);
        let other = step(clinic, action, "retest", 735, "IB", json!({ "completion_id": id(747) })).await;
        assert_eq!((other.status.as_u16(), problem(&other).as_str()), (409, "/problems/tests-missing"));
        assert!(other.text.contains(says), "{says}: {}", other.text);
        let early = release(clinic, quarantine, signed(LEAD)).await;
        assert_eq!((early.status.as_u16(), problem(&early).as_str()), (409, "/problems/release-not-yet"));
        assert!(early.text.contains("record missing: step retest") && early.text.contains(says), "{}", early.text);
        let standing = clinic.manager.get(&format!("/v1/corrective-actions/{action}")).await.expect(200);
        assert!(standing["missing_for_release"].to_string().contains(says), "{says}: {standing}");
        assert_eq!(standing["waits_for"]["step"], "retest");
        let early = close(clinic, action, signed(GROUP_LEAD)).await;
        assert!(problem(&early) == "/problems/close-not-yet" && early.text.contains(says), "{}", early.text);
        app.advance(TimeDelta::minutes(1));
    }
}

/// Tested again 5 to 10 days after the work: WAC 246-817-660, effective 2021-01-23, read. Exactly 500 is at most 500.
async fn the_retest_is_read_before_it_counts(clinic: &Clinic<'_>, action: &str, quarantine: &str) {
    let app = clinic.admin.app;
    app.set(at("2026-11-23T09:00:00Z"));
    let retest = clinic.due_of(practice::water_test()).await;
    let drawn = draw(clinic, 750, &retest, json!([["handpiece-1"], ["syringe"]])).await;
    assert_eq!(verdict_of(&drawn), "result_pending");
    let named = json!({ "completion_id": id(750) });
    let unread = step(clinic, action, "retest", 735, "IB", named).await;
    assert_eq!((unread.status.as_u16(), problem(&unread).as_str()), (409, "/problems/tests-missing"));
    release(clinic, quarantine, signed(LEAD)).await.expect(409);

    app.set(at("2026-11-30T09:00:00Z"));
    app.plan().await;
    let seen = json!([colonies(&["handpiece-1"], 50), colonies(&["syringe"], 0)]);
    assert_eq!(verdict_of(&read(clinic, 751, &retest, "2026-11-23", seen).await), "passed");
    // The test that failed is not the retest.
    let wrong = step(clinic, action, "retest", 735, "IB", json!({ "completion_id": id(721) })).await;
    assert_eq!(wrong.pointers(), ["/completion_id"]);
    let sampled_at = "2026-11-23T09:00:00Z";
    let named = json!({ "completion_id": id(751), "performed_at": sampled_at });
    let recorded = step(clinic, action, "retest", 735, "IB", named).await.expect(201);
    assert_eq!(
        (&recorded["result"], &recorded["early"], &recorded["late"]),
        (&json!("passed"), &json!(false), &json!(false))
    );
}

async fn only_one_who_is_trained_releases(clinic: &Clinic<'_>, quarantine: &str) {
    let app = clinic.admin.app;
    app.set(at("2026-11-30T14:00:00Z"));
    let wrong_pin = json!({ "staff_id": id(LEAD), "pin": "000000" });
    let nobody = json!({ "staff_id": id(899), "pin": "000000" });
    for (signature, says) in [
        (wrong_pin, "the PIN is wrong"),
        (nobody, "the person is unknown"),
        (signed(ASSISTANT), "IB is assistant"),
        (signed(CLINICIAN), "KV has no competence for \"release\""),
        (signed(ONCE_TRAINED), "OF had a competence for \"release\" that ended on 2026-11-29"),
    ] {
        let refused = release(clinic, quarantine, signature).await;
        assert_eq!((refused.status.as_u16(), problem(&refused).as_str()), (403, "/problems/signature-refused"));
        assert!(refused.text.replace("\\\"", "\"").contains(says), "{says}: {}", refused.text);
    }
    assert_eq!(readiness(clinic).await["standing"][0]["kind"], "quarantine");
    let released = release(clinic, quarantine, signed(LEAD)).await.expect(201);
    assert_eq!(released["release"]["released_by"], "Mara Oduya");
    assert_eq!(readiness(clinic).await["standing"], json!([]));
}

/// A release ends the quarantine, and no record of the daily work is given with it.
async fn the_chair_is_ready_once_the_daily_records_are_there(clinic: &Clinic<'_>) {
    let app = clinic.admin.app;
    assert_eq!(readiness(clinic).await["ready_by_record"], json!(false));
    app.set(at("2026-11-30T18:10:00Z"));
    let evening = clinic.due_of(routine::line_disinfection()).await;
    let done = |step: &str| json!({ "step": step, "status": "done" });
    let soak = json!({ "step": "contact", "status": "done", "elapsed_seconds": 605 });
    let whole = enter(clinic, 760, &evening, json!([done("empty"), done("fill"), soak, done("rinse")])).await;
    assert_eq!(verdict_of(&whole), "passed");
    app.set(at("2026-12-01T08:00:00Z"));
    app.plan().await;
    assert_eq!(readiness(clinic).await["ready_by_record"], json!(false), "the morning's flush");
    let flush = clinic.due_of(routine::start_flush()).await;
    clinic.tablet.post("/v1/completions", clinic.flush(761, &flush, 125)).await.expect(201);
    let ready = readiness(clinic).await;
    assert_eq!(
        (&ready["ready_by_record"], &ready["missing"], &ready["standing"]),
        (&json!(true), &json!([]), &json!([]))
    );
    assert!(ready["notice"].as_str().is_some_and(|notice| notice.contains("records only")), "{ready}");
}

/// Tested once more 21 to 28 days after the retest: WAC 246-817-660, effective 2021-01-23, read.
async fn a_second_person_closes_it_weeks_later(clinic: &Clinic<'_>, action: &str) {
    let app = clinic.admin.app;
    let unread = close(clinic, action, signed(GROUP_LEAD)).await;
    assert!(unread.text.contains("record missing: step follow-up-test"), "{}", unread.text);
    app.set(at("2026-12-14T09:30:00Z"));
    app.plan().await;
    let follow_up = clinic.due_of(practice::water_test()).await;
    let seen = json!([colonies(&["handpiece-1"], 4), colonies(&["syringe"], 0)]);
    assert_eq!(verdict_of(&read(clinic, 770, &follow_up, "2026-12-14", seen).await), "passed");
    let recorded = step(clinic, action, "follow-up-test", 736, "IB", json!({})).await.expect(201);
    assert_eq!((&recorded["early"], &recorded["late"]), (&json!(false), &json!(false)));
    step(clinic, action, "look-at-trend", 737, "MO", json!({})).await.expect(201);

    // Who worked on it cannot close it, whatever the role; nor one without the role; nor a wrong PIN.
    for (who, status, says) in [
        (signed(LEAD), 409, "second-person-needed"),
        (signed(CLINICIAN), 409, "second-person-needed"),
        (signed(ASSISTANT), 403, "signature-refused"),
        (json!({ "staff_id": id(GROUP_LEAD), "pin": "000000" }), 403, "signature-refused"),
    ] {
        let refused = close(clinic, action, who).await;
        assert_eq!((refused.status.as_u16(), problem(&refused)), (status, format!("/problems/{says}")));
    }
    let closed = close(clinic, action, signed(GROUP_LEAD)).await.expect(201);
    assert_eq!((&closed["closing"]["closed_by"], &closed["waits_for"]), (&json!("Sunniva Quill"), &Value::Null));
    let late = step(clinic, action, "repair", 738, "IB", json!({ "reference": "R 1" })).await;
    assert_eq!(problem(&late), "/problems/action-closed");
}
