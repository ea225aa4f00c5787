//! In which cycle a spore test ran, and what that counts for: the repeat in the program that failed, three empty chambers
//! with nothing between them, and the same before a machine's first load.

use serde_json::{Value, json};
use sqlx::PgPool;

use super::{
    LEAD, action, clinic_with_strips, cycle, kind_of, only_open, record, release, spore_in, step, strips, strips_read,
    text, up_to_the_repeat,
};
use crate::support::app::App;
use crate::support::scenario::{Clinic, routine};
use crate::support::{at, id};

const START: &str = "2026-11-02T06:00:00Z";

/// A step of the action as it stands.
async fn step_of(clinic: &Clinic<'_>, item: &Value, key: &str) -> Value {
    let steps = action(clinic, item).await["steps"].clone();
    steps.as_array().expect("steps").iter().find(|s| s["key"] == key).expect("a step").clone()
}

/// The due spore test that the action asks for, by what it says of itself.
async fn wanted(clinic: &Clinic<'_>) -> Value {
    let list = clinic.tablet.get(&format!("/v1/clinics/{}/due", clinic.clinic_id)).await.expect(200);
    let tasks = list["tasks"].as_array().expect("a list");
    tasks.iter().find(|t| t["because"]["fact"]["kind"] == "wanted_test").expect("a wanted test").clone()
}

/// The repeat is made at once, loaded as it should be, in the same cycle that failed: CDC, MMWR 52(RR-17) 2003, p. 24-25,
/// read in a quotation.
#[sqlx::test]
async fn a_repeat_in_another_program_or_with_an_empty_chamber_is_no_repeat(pool: PgPool) {
    let app = App::new(pool, at(START)).await;
    let clinic = clinic_with_strips(&app).await;
    spore_in(&clinic, 830, true, "loaded").await;
    let item = only_open(&clinic).await;
    assert!(text(&wanted(&clinic).await["why"]).contains("loaded as it should be"));
    up_to_the_repeat(&app, &clinic, &item).await;
    // In a shorter program, and then in the right one without a load.
    for (n, program, chamber, says) in [
        (
            831,
            "bare 134",
            "loaded",
            "\u{201c}bare 134\u{201d}, and the test that failed in \u{201c}wrapped 134\u{201d}",
        ),
        (832, "wrapped 134", "empty", "its chamber was empty, and has to be loaded"),
    ] {
        app.advance(chrono::TimeDelta::minutes(20));
        cycle(&clinic, n + 1000, program).await;
        strips_read(&clinic, n, false, &json!({ "cycle_id": id(n + 1000), "chamber": chamber })).await;
        let named = record(&clinic, 843, &json!({ "completion_id": id(n) }));
        let refused = step(&clinic, &item, "repeat-test", named).await;
        refused.expect(409);
        assert_eq!(kind_of(&refused), "/problems/tests-missing");
        assert!(refused.text.contains(says), "{}", refused.text);
    }
    // One that does not say counts no more.
    app.advance(chrono::TimeDelta::minutes(20));
    strips_read(&clinic, 833, false, &json!({})).await;
    let silent = step(&clinic, &item, "repeat-test", record(&clinic, 843, &json!({ "completion_id": id(833) }))).await;
    assert!(silent.text.contains("the cycle it ran in is not named"), "{}", silent.text);
    app.advance(chrono::TimeDelta::minutes(20));
    spore_in(&clinic, 834, false, "loaded").await;
    let other = step(&clinic, &item, "repeat-test", record(&clinic, 843, &json!({ "completion_id": id(831) }))).await;
    assert_eq!(other.pointers(), ["/completion_id"]);
    let repeat = record(&clinic, 843, &json!({ "completion_id": id(834) }));
    assert_eq!(step(&clinic, &item, "repeat-test", repeat).await.expect(201)["result"], "passed");
}

#[sqlx::test]
async fn growth_in_another_program_is_a_repeat_that_failed(pool: PgPool) {
    let app = App::new(pool, at(START)).await;
    let clinic = clinic_with_strips(&app).await;
    spore_in(&clinic, 830, true, "loaded").await;
    let item = only_open(&clinic).await;
    up_to_the_repeat(&app, &clinic, &item).await;
    cycle(&clinic, 1831, "bare 134").await;
    strips_read(&clinic, 831, true, &json!({ "cycle_id": id(1831), "chamber": "loaded" })).await;
    let repeat = record(&clinic, 843, &json!({ "completion_id": id(831) }));
    assert_eq!(step(&clinic, &item, "repeat-test", repeat).await.expect(201)["result"], "failed");
}

/// Who did not say in which cycle the failed test ran says so in a correction, which takes no growth back.
#[sqlx::test]
async fn a_repeat_counts_once_it_is_said_in_which_program_the_failed_test_ran(pool: PgPool) {
    let app = App::new(pool, at(START)).await;
    let clinic = clinic_with_strips(&app).await;
    let failed = strips_read(&clinic, 830, true, &json!({})).await;
    let item = only_open(&clinic).await;
    up_to_the_repeat(&app, &clinic, &item).await;
    spore_in(&clinic, 831, false, "loaded").await;
    let repeat = record(&clinic, 843, &json!({ "completion_id": id(831) }));
    let refused = step(&clinic, &item, "repeat-test", repeat.clone()).await;
    refused.expect(409);
    assert!(refused.text.contains("correct that test so that it names its cycle"), "{}", refused.text);
    let mut corrected = strips(&clinic, 832, &failed, true, &json!({ "program": "Wrapped 134" }));
    corrected["corrects"] = json!(id(830));
    corrected["reason"] = json!("the program was not entered");
    clinic.tablet.post("/v1/completions", corrected).await.expect(201);
    assert_eq!(action(&clinic, &item).await["cause_lifted"], json!(false));
    assert_eq!(step(&clinic, &item, "repeat-test", repeat).await.expect(201)["result"], "passed");
}

/// Two strips of one completion, each with the cycle it ran in.
fn two_strips(clinic: &Clinic<'_>, n: u32, task: &Value, growth: bool, cycles: [u32; 2]) -> Value {
    let mut body = strips(clinic, n, task, growth, &json!({ "cycle_id": id(cycles[0]), "chamber": "loaded" }));
    let mut second =
        strips(clinic, n, task, growth, &json!({ "cycle_id": id(cycles[1]), "chamber": "loaded" }))["steps"][0].clone();
    second["step"] = json!("growth-below");
    body["steps"].as_array_mut().expect("steps").push(second);
    body
}

/// The repeat is made in the same cycle that failed: CDC, MMWR 52(RR-17) 2003, p. 24-25, read in a quotation.
#[sqlx::test]
async fn a_test_whose_strips_name_several_cycles_names_none(pool: PgPool) {
    let app = App::new(pool, at(START)).await;
    let clinic = clinic_with_strips(&app).await;
    let path = format!("/v1/routines/{}", routine::spore_test());
    let mut content = clinic.admin.get(&path).await.expect(200)["routine"].clone();
    let below = json!({ "key": "growth-below", "instruction": "Read the strips of the lower shelf.",
                        "evidence": { "kind": "spore_test" } });
    content["steps"].as_array_mut().expect("steps").push(below);
    let body = json!({ "effective_on": "2026-11-01", "routine": content });
    clinic.admin.put(&path, body).await.expect(200);
    app.plan().await;
    let read = async |n: u32, growth: bool, cycles: [u32; 2]| {
        let task = clinic.due_in_clinic(routine::spore_test()).await;
        let body = two_strips(&clinic, n, &task, growth, cycles);
        clinic.tablet.post("/v1/completions", body).await.expect(201)
    };
    cycle(&clinic, 1830, "wrapped 134").await;
    assert_eq!(read(830, true, [1830, 1830]).await["verdict"], "failed");
    let item = only_open(&clinic).await;
    up_to_the_repeat(&app, &clinic, &item).await;
    for (n, program) in [(1831, "wrapped 134"), (1832, "bare 134"), (1833, "wrapped 134")] {
        app.advance(chrono::TimeDelta::minutes(20));
        cycle(&clinic, n, program).await;
    }
    // Whichever of them is named first.
    for (n, cycles) in [(831, [1831, 1832]), (832, [1832, 1831])] {
        app.advance(chrono::TimeDelta::minutes(1));
        read(n, false, cycles).await;
        let repeat = record(&clinic, 843, &json!({ "completion_id": id(n) }));
        let refused = step(&clinic, &item, "repeat-test", repeat).await;
        refused.expect(409);
        assert!(refused.text.contains("the cycle it ran in is not named"), "{cycles:?}: {}", refused.text);
    }
    // Both strips in one cycle name it.
    app.advance(chrono::TimeDelta::minutes(1));
    read(833, false, [1833, 1833]).await;
    let repeat = record(&clinic, 843, &json!({ "completion_id": id(833) }));
    assert_eq!(step(&clinic, &item, "repeat-test", repeat).await.expect(201)["result"], "passed");
}

/// Works a positive test with a positive repeat up to the three empty chambers.
async fn up_to_three_empty(app: &App) -> (Clinic<'_>, Value) {
    let clinic = clinic_with_strips(app).await;
    spore_in(&clinic, 830, true, "loaded").await;
    let item = only_open(&clinic).await;
    app.advance(chrono::TimeDelta::minutes(20));
    spore_in(&clinic, 831, true, "loaded").await;
    up_to_the_repeat(app, &clinic, &item).await;
    for (n, key, more) in [
        (843, "repeat-test", json!({ "completion_id": id(831) })),
        (844, "withdraw-loads", json!({})),
        (845, "inspect", json!({ "reference": "R 7" })),
    ] {
        app.advance(chrono::TimeDelta::minutes(5));
        step(&clinic, &item, key, record(&clinic, n, &more)).await.expect(201);
    }
    (clinic, item)
}

/// Three consecutive empty-chamber cycles: CDC, MMWR 52(RR-17) 2003, p. 24-25, read in a quotation. Each has a control of its
/// lot that grew (ISO 11138-3; CDC; read, partly from memory), and a lot in date.
#[sqlx::test]
async fn three_passes_in_loaded_cycles_or_with_a_load_between_release_no_machine(pool: PgPool) {
    let app = App::new(pool, at(START)).await;
    let (clinic, item) = up_to_three_empty(&app).await;
    assert!(text(&wanted(&clinic).await["because"]["fact"]["instruction"]).contains("EMPTY chamber"));
    let counted = async || step_of(&clinic, &item, "three-empty").await["tests_passed"].clone();
    let next = || app.advance(chrono::TimeDelta::hours(1));
    for n in 832..835 {
        next();
        spore_in(&clinic, n, false, "loaded").await;
    }
    assert_eq!(counted().await, json!(0), "three loaded cycles");
    let left_out = step_of(&clinic, &item, "three-empty").await["tests_left_out"].clone();
    assert_eq!(left_out.as_array().map(Vec::len), Some(3), "{left_out}");
    for n in 835..837 {
        next();
        spore_in(&clinic, n, false, "empty").await;
    }
    assert_eq!(counted().await, json!(2));
    // One cycle is one test, whoever reads two strips of it.
    next();
    strips_read(&clinic, 837, false, &json!({ "cycle_id": id(1836), "chamber": "empty" })).await;
    assert_eq!(counted().await, json!(2));
    // A lot over its last day shows nothing: void, and asked for again.
    next();
    cycle(&clinic, 1838, "wrapped 134").await;
    let over = json!({ "cycle_id": id(1838), "chamber": "empty", "expires_on": "2026-11-01" });
    let task = clinic.due_in_clinic(routine::spore_test()).await;
    let void = clinic.tablet.post("/v1/completions", strips(&clinic, 838, &task, false, &over)).await.expect(201);
    assert_eq!(void["verdict"], "void");
    assert!(text(&void["steps"][0]["finding"]).contains("lot BI-2207 expired on 2026-11-01"), "{void}");
    // That cycle came between, and nothing says that it held no load.
    next();
    spore_in_any(&clinic, 839).await;
    assert_eq!(counted().await, json!(1));
    let refused = step(&clinic, &item, "three-empty", record(&clinic, 847, &json!({}))).await;
    assert_eq!(kind_of(&refused), "/problems/tests-missing");
    assert!(refused.text.contains("came between"), "{}", refused.text);
    // Its record says so, and the row stands again: two before it, and one after.
    let path = format!("/v1/equipment/{}/cycles/{}/record", clinic.steriliser, id(1838));
    let empty = json!({ "chamber": "empty", "outcome_as_printed": "complete", "performed_by": "IB" });
    clinic.tablet.put(&path, empty).await.expect(201);
    assert_eq!(counted().await, json!(3));
    // A cycle of which it comes out that it was broken off breaks the row.
    let corrected = json!({ "outcome_as_printed": "aborted", "reason": "the print was misread", "performed_by": "IB" });
    clinic.tablet.put(&path, corrected).await.expect(201);
    assert_eq!(counted().await, json!(1));
    let back = json!({ "outcome_as_printed": "complete", "reason": "it was not", "performed_by": "IB" });
    clinic.tablet.put(&path, back).await.expect(201);
    step(&clinic, &item, "three-empty", record(&clinic, 847, &json!({}))).await.expect(201);
    let quarantine = action(&clinic, &item).await["quarantine_ids"][0].clone();
    release(&clinic, &quarantine, 850, LEAD).await.expect(201);
}

/// As [`spore_in`] with an empty chamber, where a void test may have left a second one due.
async fn spore_in_any(clinic: &Clinic<'_>, n: u32) {
    cycle(clinic, n + 1000, "wrapped 134").await;
    let list = clinic.tablet.get(&format!("/v1/clinics/{}/due", clinic.clinic_id)).await.expect(200);
    let tasks = list["tasks"].as_array().expect("a list");
    let task = tasks.iter().find(|t| t["routine_id"] == json!(routine::spore_test())).expect("a test");
    let more = json!({ "cycle_id": id(n + 1000), "chamber": "empty" });
    clinic.tablet.post("/v1/completions", strips(clinic, n, task, false, &more)).await.expect(201);
}

/// Before the first load after installation, a move or a major repair: mechanical record, steam penetration, and three
/// consecutive empty-chamber cycles (CDC 2003; read). They are run one after the other, and read a day later.
#[sqlx::test]
async fn a_steriliser_that_was_set_up_is_out_of_use_until_three_empty_cycles_run_in_a_row_are_read(pool: PgPool) {
    let app = App::new(pool, at(START)).await;
    let clinic = clinic_with_strips(&app).await;
    // The week's own test, so that a further one has a model.
    spore_in(&clinic, 829, false, "loaded").await;
    app.advance(chrono::TimeDelta::minutes(10));
    let path = format!("/v1/corrective-actions/{}", id(870));
    let opening = json!({ "kind": "steriliser_set_up", "subject_id": clinic.steriliser, "opened_by": "MO",
                          "routine_id": routine::spore_test(), "reason": "moved to the new decontamination room" });
    let item = clinic.tablet.put(&path, opening).await.expect(201);
    let quarantine = item["quarantine_ids"][0].clone();
    for (n, key) in [(810, "mechanical"), (811, "penetration")] {
        app.advance(chrono::TimeDelta::minutes(30));
        step(&clinic, &item, key, record(&clinic, n, &json!({ "result": "passed" }))).await.expect(201);
    }
    let mut run = Vec::new();
    for n in [1841_u32, 1842, 1843] {
        app.advance(chrono::TimeDelta::minutes(50));
        cycle(&clinic, n, "wrapped 134").await;
        let task = wanted_unread(&clinic).await;
        let mut body = strips(&clinic, n, &task, false, &json!({ "cycle_id": id(n), "chamber": "empty" }));
        body["steps"][0]["status"] = json!("result_pending");
        let strips = body["steps"][0]["given"]["strips"].as_object_mut().expect("strips");
        strips.remove("test_growth");
        strips.remove("control_growth");
        assert_eq!(clinic.tablet.post("/v1/completions", body).await.expect(201)["verdict"], "result_pending");
        run.push(task);
    }
    // Three are run, and no fourth is asked for while they are awaited.
    assert!(wanted_tasks(&clinic).await.iter().all(|t| t["state"] == "result_pending"));
    app.advance(chrono::TimeDelta::days(1));
    for (n, task) in (880..).zip(&run) {
        let early = step(&clinic, &item, "three-empty", record(&clinic, 812, &json!({}))).await;
        assert_eq!(kind_of(&early), "/problems/tests-missing");
        release(&clinic, &quarantine, 850, LEAD).await.expect(409);
        // In which cycle it ran was said when it was run.
        clinic.tablet.post("/v1/completions", strips(&clinic, n, task, false, &json!({}))).await.expect(201);
    }
    step(&clinic, &item, "three-empty", record(&clinic, 812, &json!({}))).await.expect(201);
    release(&clinic, &quarantine, 850, LEAD).await.expect(201);
}

/// The steam-penetration test comes before the empty cycles, and goes on only when it passed (CDC 2003; read).
#[sqlx::test]
async fn a_set_up_whose_penetration_test_failed_goes_on_only_once_it_was_put_right(pool: PgPool) {
    let app = App::new(pool, at(START)).await;
    let clinic = clinic_with_strips(&app).await;
    let path = format!("/v1/corrective-actions/{}", id(870));
    let opening = json!({ "kind": "steriliser_set_up", "subject_id": clinic.steriliser, "opened_by": "MO",
                          "routine_id": routine::spore_test(), "reason": "moved to the new decontamination room" });
    let item = clinic.tablet.put(&path, opening).await.expect(201);
    let put = async |n: u32, key: &str, more: Value| {
        app.advance(chrono::TimeDelta::minutes(30));
        step(&clinic, &item, key, record(&clinic, n, &more)).await
    };
    let quarantine = item["quarantine_ids"][0].clone();
    // Words alone open no gate.
    assert_eq!(put(810, "mechanical", json!({})).await.pointers(), ["/result"]);
    put(810, "mechanical", json!({ "result": "passed" })).await.expect(201);
    put(811, "penetration", json!({ "result": "failed" })).await.expect(201);
    let early = put(812, "three-empty", json!({})).await.expect(409);
    assert!(early.to_string().contains("step engineer"), "{early}");
    let refused = release(&clinic, &quarantine, 850, LEAD).await.expect(409);
    assert!(refused.to_string().contains("record missing: step engineer"), "{refused}");
    put(813, "engineer", json!({ "reference": "report 12" })).await.expect(201);
    put(814, "mechanical-again", json!({ "result": "passed" })).await.expect(201);
    put(815, "penetration-again", json!({ "result": "failed" })).await.expect(201);
    let refused = release(&clinic, &quarantine, 850, LEAD).await.expect(409);
    assert!(refused.to_string().contains("step penetration-again was recorded as failed"), "{refused}");
}

async fn wanted_tasks(clinic: &Clinic<'_>) -> Vec<Value> {
    let list = clinic.tablet.get(&format!("/v1/clinics/{}/due", clinic.clinic_id)).await.expect(200);
    let is_wanted = |t: &&Value| t["because"]["fact"]["kind"] == "wanted_test";
    list["tasks"].as_array().expect("a list").iter().filter(is_wanted).cloned().collect()
}

async fn wanted_unread(clinic: &Clinic<'_>) -> Value {
    let unread: Vec<Value> =
        wanted_tasks(clinic).await.into_iter().filter(|t| t["state"] != "result_pending").collect();
    assert_eq!(unread.len(), 1, "{unread:?}");
    unread[0].clone()
}

#[sqlx::test]
async fn a_result_cannot_move_its_test_to_another_cycle(pool: PgPool) {
    let app = App::new(pool, at(START)).await;
    let clinic = clinic_with_strips(&app).await;
    let task = clinic.due_in_clinic(routine::spore_test()).await;
    let mut run = strips(&clinic, 830, &task, false, &json!({ "cycle_id": id(1830), "chamber": "loaded" }));
    run["steps"][0]["status"] = json!("result_pending");
    let lots = json!({ "test_lot": "BI-2207", "control_lot": "BI-2207", "cycle_id": id(1830), "chamber": "loaded" });
    run["steps"][0]["given"]["strips"] = lots;
    clinic.tablet.post("/v1/completions", run).await.expect(201);
    let other = strips(&clinic, 831, &task, false, &json!({ "cycle_id": id(1831), "chamber": "empty" }));
    let pointers = clinic.tablet.post("/v1/completions", other).await.pointers();
    assert_eq!(pointers, ["/steps/0/given/strips/cycle_id", "/steps/0/given/strips/chamber"]);
    let read = clinic.tablet.post("/v1/completions", strips(&clinic, 832, &task, false, &json!({}))).await.expect(201);
    assert_eq!(read["steps"][0]["given"]["strips"]["cycle_id"], json!(id(1830)));
}
