//! Rules that can never do what they say: refused where their content alone decides, warned about where it is the
//! clinics'; and an edit's warnings are told before it is made.
//!
//! Dates are counted with Python's `datetime`: 2026-11-02 is a Monday; the 400th day from it is Monday 2027-12-06, and
//! between lie 57 of each other day of the week.

use axum::http::Method;
use serde_json::{Value, json};
use sqlx::PgPool;
use uuid::Uuid;

use crate::support::app::{Answer, App, Client};
use crate::support::contents::contents;
use crate::support::scenario::{self, Clinic, routine};
use crate::support::{at, id};

const NOW: &str = "2026-11-02T07:40:00Z";

fn content(kind: &str, anchor: &Value) -> Value {
    let window = json!({ "may_start_minutes": 0, "due_by_minutes": 60, "overdue_minutes": 90, "missed_minutes": 600 });
    let mut content = json!({
        "name": "Wipe the shelves", "subject_kind": kind, "anchor": anchor, "window": window,
        "steps": [{ "key": "wipe", "instruction": "Wipe them.", "evidence": { "kind": "confirmation" } }],
        "sources": [{ "title": "common practice", "edition": "none", "seen": "common_practice" }],
        "rough_minutes": 5,
    });
    if anchor["kind"] == "period" {
        content.as_object_mut().expect("an object").remove("window");
    }
    content
}

fn by_rule(rule: &str, closed_day: &str) -> Value {
    json!({ "kind": "calendar", "dates": { "rule": rule, "starts_on": "2026-01-05" }, "place": { "kind": "opening" },
            "closed_day": closed_day })
}

fn path_of(routine: u32) -> String {
    format!("/v1/routines/{}", id(routine))
}

async fn put(client: &Client<'_>, routine: u32, content: &Value) -> Answer {
    client.put(&path_of(routine), json!({ "routine": content })).await
}

async fn warnings(client: &Client<'_>, clinic_id: Uuid) -> Vec<Value> {
    let told = client.get(&format!("/v1/clinics/{clinic_id}/plan-warnings")).await.expect(200);
    assert_eq!([&told["warnings_left_out"], &told["routines_left_out"]], [0, 0], "{told}");
    told["warnings"].as_array().expect("a list").clone()
}

fn kinds(warnings: &[Value]) -> Vec<&str> {
    warnings.iter().map(|warning| warning["finding"]["kind"].as_str().expect("a kind")).collect()
}

#[sqlx::test]
async fn a_clinic_without_hours_is_listed_and_says_that_nothing_is_planned(pool: PgPool) {
    let app = App::new(pool, at(NOW)).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    assert_eq!(warnings(&clinic.manager, clinic.clinic_id).await, Vec::<Value>::new());
    let branch = format!("/v1/clinics/{}", id(150));
    clinic.admin.put(&branch, json!({ "name": "Branch", "zone": "Europe/London" })).await.expect(201);
    let found = warnings(&clinic.manager, id(150)).await;
    // Its four routines are about chairs and sterilisers, and it has none.
    let nothing_here = "selects_nothing_here";
    assert_eq!(kinds(&found), ["no_hours", nothing_here, nothing_here, nothing_here, nothing_here]);
    assert_eq!(found[0]["routine_id"], Value::Null);
    let sentence = "No opening hours of the clinic were ever set, so nothing is planned from its hours.";
    assert_eq!(found[0]["sentence"], sentence);
    assert_eq!(found[1]["routine_name"], "Flush before the first patient");

    let page = clinic.manager.get("/v1/plan-warnings").await.expect(200);
    let listed: Vec<_> = page["items"].as_array().expect("items").iter().map(|item| &item["clinic_id"]).collect();
    assert_eq!(listed, [&json!(clinic.clinic_id), &json!(id(150))]);
    assert_eq!([&page["items"][1]["clinic_name"], &page["items"][1]["warnings"]], [&json!("Branch"), &json!(found)]);
    assert_eq!([&page["items"][0]["first_on"], &page["items"][0]["last_on"]], ["2026-11-02", "2027-12-06"]);
    assert_eq!([&page["group_warnings"], &page["as_of"]], [&json!([]), &json!(NOW)]);

    clinic.admin.put(&format!("{branch}/hours"), json!({ "week": {} })).await.expect(201);
    assert_eq!(kinds(&warnings(&clinic.manager, id(150)).await)[0], "never_open");
    clinic.admin.put(&format!("{branch}/hours"), json!({ "week": scenario::split_week() })).await.expect(200);
    assert_eq!(kinds(&warnings(&clinic.manager, id(150)).await), [nothing_here; 4]);
}

/// The law of the preview: what it warns about is what is then warned about and was not before.
async fn edit(clinic: &Clinic<'_>, method: Method, path: &str, body: Option<Value>) -> Vec<Value> {
    let before = warnings(&clinic.manager, clinic.clinic_id).await;
    let held = contents(&clinic.admin.app.pool, id(1)).await;
    let tried =
        clinic.admin.call(method.clone(), &format!("{path}?preview=true"), &[], body.as_ref()).await.expect(200);
    assert_eq!(contents(&clinic.admin.app.pool, id(1)).await, held, "a trial of {path} left something");
    let made = clinic.admin.call(method, path, &[], body.as_ref()).await;
    assert!(made.status.is_success(), "{path}: {}", made.text);
    let mut brought = warnings(&clinic.manager, clinic.clinic_id).await;
    brought.retain(|warning| !before.contains(warning));
    let mut clinics = tried["clinics"].as_array().expect("clinics").iter();
    let told = clinics.find(|told| told["clinic_id"] == json!(clinic.clinic_id)).expect("the clinic is previewed");
    assert_eq!((&told["warnings"], &told["more_warnings"]), (&json!(brought), &json!(false)), "{path}");
    brought
}

#[sqlx::test]
async fn an_edit_tells_before_it_is_made_what_the_plan_would_be_warned_about(pool: PgPool) {
    let app = App::new(pool, at(NOW)).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let here = format!("/v1/clinics/{}", clinic.clinic_id);
    let sundays = json!({ "routine": content("operatory", &by_rule("FREQ=WEEKLY;BYDAY=SU", "not_required")) });
    let brought = edit(&clinic, Method::PUT, &path_of(601), Some(sundays.clone())).await;
    assert_eq!(
        brought,
        [json!({
            "routine_id": id(601), "routine_name": "Wipe the shelves", "subject_id": null, "subject_name": null,
            "finding": { "kind": "every_date_closed", "dates": 57, "moved": 0,
                         "first_dates": ["2026-11-08", "2026-11-15", "2026-11-22"] },
            "sentence": "All dates in the coming 400 days fall on closed days, 57 of 57, the first on 2026-11-08: none \
                         is required.",
        })]
    );
    // What stands already is not told again.
    let weekly = json!({ "routine": content("operatory", &json!({ "kind": "period", "each": "week" })) });
    assert_eq!(edit(&clinic, Method::PUT, &path_of(602), Some(weekly)).await, Vec::<Value>::new());
    let closure = json!({ "from_local": "2026-12-19T00:00", "until_local": "2027-01-04T00:00", "reason": "holidays" });
    let brought = edit(&clinic, Method::PUT, &format!("{here}/closures/{}", id(900)), Some(closure)).await;
    // Mondays 21 and 28 December move to the first open Monday; ISO weeks 52 and 53 of 2026 are closed.
    let finding = |n: usize| &brought[n]["finding"];
    assert_eq!(kinds(&brought), ["dates_meet", "periods_closed"]);
    assert_eq!(*finding(0), json!({ "kind": "dates_meet", "days": 1, "first_on": "2027-01-04", "dates_on_first": 3 }));
    assert_eq!(*finding(1), json!({ "kind": "periods_closed", "closed": 2, "periods": 57, "first": "2026-W52" }));
    assert_eq!(brought[0]["routine_id"], json!(routine::spore_test()));
    // Open on Sundays: nothing is brought, and the first warning is gone.
    let mut week = scenario::split_week();
    week["sunday"] = json!([{ "opens": "10:00", "closes": "12:00" }]);
    let brought = edit(&clinic, Method::PUT, &format!("{here}/hours"), Some(json!({ "week": week }))).await;
    // The Sunday of 20 December is closed now as well, and neither Monday has an earlier day to go to.
    assert_eq!(brought, Vec::<Value>::new());
    assert_eq!(kinds(&warnings(&clinic.manager, clinic.clinic_id).await), ["dates_meet", "periods_closed"]);
    let gone = edit(&clinic, Method::DELETE, &format!("{here}/closures/{}", id(900)), None).await;
    assert_eq!(gone, Vec::<Value>::new());
    assert_eq!(warnings(&clinic.manager, clinic.clinic_id).await, Vec::<Value>::new());
}

#[sqlx::test]
async fn a_trial_of_a_new_clinic_or_a_moving_subject_warns_of_what_would_stand_then(pool: PgPool) {
    let app = App::new(pool, at(NOW)).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let body = json!({ "name": "Branch", "zone": "Europe/London" });
    let branch = format!("/v1/clinics/{}", id(150));
    let tried = clinic.admin.put(&format!("{branch}?preview=true"), body.clone()).await.expect(200);
    assert_eq!(kinds(tried["clinics"][0]["warnings"].as_array().expect("a list"))[0], "no_hours");
    clinic.admin.put(&branch, body).await.expect(201);
    let machine = json!({ "clinic_id": id(150), "kind": "steriliser", "name": "Steriliser 0",
                          "service": { "state": "in_service" } });
    let path = format!("/v1/equipment/{}", clinic.steriliser);
    let brought = edit(&clinic, Method::PUT, &path, Some(machine)).await;
    assert_eq!(kinds(&brought), ["selects_nothing_here"]);
    assert_eq!(brought[0]["routine_id"], json!(routine::spore_test()));
}

#[sqlx::test]
async fn who_reads_lists_sees_the_warnings_of_the_clinics_in_reach(pool: PgPool) {
    let app = App::new(pool, at(NOW)).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    clinic.admin.put(&format!("/v1/clinics/{}", id(150)), json!({ "name": "Branch", "zone": "UTC" })).await.expect(201);
    // A chair of the one clinic, limited to the other: nothing in the whole group.
    let mut nowhere = content("operatory", &json!({ "kind": "opening" }));
    nowhere["selection"] = json!({ "clinic_ids": [id(150)], "subject_ids": [clinic.chair] });
    put(&clinic.admin, 601, &nowhere).await.expect(201);
    let one = format!("/v1/clinics/{}/plan-warnings", clinic.clinic_id);
    let other = format!("/v1/clinics/{}/plan-warnings", id(150));
    for client in [&clinic.desk, &clinic.tablet] {
        client.get(&one).await.expect(403);
        client.get("/v1/plan-warnings").await.expect(403);
    }
    let reader = clinic.admin.key("reader", json!({ "kind": "group" })).await;
    let group_manager = clinic.admin.key("manager", json!({ "kind": "group" })).await;
    for client in [&clinic.admin, &reader, &group_manager] {
        client.get(&other).await.expect(200);
        let page = client.get("/v1/plan-warnings").await.expect(200);
        assert_eq!(page["items"].as_array().map(Vec::len), Some(2));
        let [warning] = page["group_warnings"].as_array().expect("a list").as_slice() else { panic!("{page}") };
        assert_eq!(
            (&warning["routine_id"], &warning["finding"]),
            (&json!(id(601)), &json!({ "kind": "selects_nothing" }))
        );
    }
    let manager = clinic.admin.key("manager", json!({ "kind": "clinics", "clinic_ids": [clinic.clinic_id] })).await;
    manager.get(&one).await.expect(200);
    manager.get(&other).await.expect(404);
    manager.get(&format!("/v1/clinics/{}/plan-warnings", id(77))).await.expect(404);
    let page = manager.get("/v1/plan-warnings").await.expect(200);
    assert_eq!((page["items"].as_array().map(Vec::len), &page["group_warnings"]), (Some(1), &json!([])));
}

#[sqlx::test]
async fn the_list_goes_from_clinic_to_clinic_page_by_page(pool: PgPool) {
    let app = App::new(pool, at(NOW)).await;
    let admin = app.group(id(1)).await;
    // Names and ids in opposite orders.
    for n in 0..5 {
        let body = json!({ "name": format!("Branch {}", 9 - n), "zone": "UTC" });
        admin.put(&format!("/v1/clinics/{}", id(150 + n)), body).await.expect(201);
    }
    let mut path = "/v1/plan-warnings?limit=2".to_owned();
    let mut pages = Vec::new();
    loop {
        let answer = admin.get(&path).await;
        let items = answer.expect(200)["items"].as_array().expect("items").clone();
        pages.push(items.iter().map(|item| item["clinic_id"].clone()).collect::<Vec<_>>());
        let link = answer.header("link");
        let Some(next) = link.strip_prefix('<').and_then(|l| l.strip_suffix(">; rel=\"next\"")) else { break };
        path = next.to_owned();
    }
    let wanted: Vec<Vec<Value>> =
        [vec![150, 151], vec![152, 153], vec![154]].map(|ids| ids.into_iter().map(|n| json!(id(n))).collect()).to_vec();
    assert_eq!(pages, wanted);
    for query in ["limit=0", "limit=51", "cursor=AAAAAAAAAAAAAAAAAAAAAAA", "cursor=x", "clinic_id=1"] {
        admin.get(&format!("/v1/plan-warnings?{query}")).await.expect(400);
    }
}

#[sqlx::test]
async fn a_routine_that_can_never_be_due_is_refused_with_the_reason(pool: PgPool) {
    let app = App::new(pool.clone(), at(NOW)).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let dates = |more: Value| {
        let mut anchor = by_rule("FREQ=WEEKLY;BYDAY=MO", "next_open_day");
        for (name, value) in more.as_object().expect("an object") {
            anchor["dates"][name] = value.clone();
        }
        content("operatory", &anchor)
    };
    let in_season = |anchor: &Value, from: &str, until: &str| {
        let mut content = content("operatory", anchor);
        content["season"] = json!({ "from": from, "until": until });
        content
    };
    let follow = |routine_id: Uuid| json!({ "kind": "follows", "routine_id": routine_id, "when": "recorded" });
    let idle =
        |routine_id: Uuid| json!({ "kind": "idle", "unused_days": 3, "on": "open_days", "strengthens": routine_id });
    let held = contents(&pool, id(1)).await;
    let ended = json!({ "starts_on": "2026-01-05", "ends_on": "2026-10-31" });
    for (content, pointer, reason) in [
        (dates(json!({ "ends_on": "2026-01-04" })), "/anchor/dates/ends_on", "must not be before starts_on"),
        (
            dates(json!({ "starts_on": "2027-01-05", "ends_on": "2027-01-10" })),
            "/anchor/dates/ends_on",
            "after ends_on",
        ),
        (
            dates(json!({ "ends_on": "2026-01-11", "except_on": ["2026-01-05"] })),
            "/anchor/dates/except_on",
            "takes out every date",
        ),
        (dates(json!({ "also_on": ["2026-01-01"] })), "/anchor/dates/also_on", "would never be due"),
        (dates(ended.clone()), "/anchor/dates", "no date from 2026-11-01 on"),
        (
            in_season(&by_rule("FREQ=YEARLY;BYMONTH=12;BYMONTHDAY=24", "not_required"), "05-01", "09-30"),
            "/season",
            "holds no date of the rule",
        ),
        (in_season(&json!({ "kind": "period", "each": "quarter" }), "07-01", "09-29"), "/season", "no period"),
        (content("operatory", &follow(id(77))), "/anchor/routine_id", "no routine of this group"),
        (content("operatory", &follow(id(601))), "/anchor/routine_id", "the routine itself"),
        (content("operatory", &follow(routine::spore_test())), "/anchor/routine_id", "another kind of subject"),
        (content("operatory", &idle(id(77))), "/anchor/strengthens", "no routine of this group"),
        (content("operatory", &idle(routine::line_disinfection())), "/anchor/strengthens", "neither on the opening"),
        (content("steriliser", &idle(routine::start_flush())), "/anchor/strengthens", "another kind of subject"),
    ] {
        for query in ["", "?preview=true"] {
            let path = format!("{}{query}", path_of(601));
            let answer = clinic.admin.put(&path, json!({ "routine": content })).await;
            let problem = answer.expect(422);
            assert_eq!(answer.pointers(), [format!("/routine{pointer}")], "{problem}");
            assert!(problem["errors"][0]["detail"].as_str().is_some_and(|d| d.contains(reason)), "{reason}: {problem}");
        }
    }
    assert_eq!(contents(&pool, id(1)).await, held);

    // What is over may be kept as not in use, and a repeat of what stood before it was over is harmless.
    let mut retired = dates(ended);
    retired["in_use"] = json!(false);
    put(&clinic.admin, 601, &retired).await.expect(201);
    let short = dates(json!({ "ends_on": "2026-11-09" }));
    put(&clinic.admin, 602, &short).await.expect(201);
    app.set(at("2026-11-20T07:40:00Z"));
    put(&clinic.admin, 602, &short).await.expect(200);
    let renamed = {
        let mut content = short.clone();
        content["name"] = json!("Wipe all shelves");
        content
    };
    put(&clinic.admin, 602, &renamed).await.expect(422);
}

#[sqlx::test]
async fn routines_that_would_wait_for_each_other_are_refused(pool: PgPool) {
    let app = App::new(pool, at(NOW)).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let follow = |n: u32| content("operatory", &json!({ "kind": "follows", "routine_id": id(n), "when": "passed" }));
    put(&clinic.admin, 601, &content("operatory", &json!({ "kind": "opening" }))).await.expect(201);
    put(&clinic.admin, 602, &follow(601)).await.expect(201);
    put(&clinic.admin, 603, &follow(602)).await.expect(201);
    for n in [602, 603] {
        let answer = put(&clinic.admin, 601, &follow(n)).await;
        answer.expect(422);
        assert_eq!(answer.pointers(), ["/routine/anchor/routine_id"], "{n}");
    }
    let idle = json!({ "kind": "idle", "unused_days": 3, "on": "open_days", "strengthens": id(601) });
    put(&clinic.admin, 604, &content("operatory", &idle)).await.expect(201);
}
