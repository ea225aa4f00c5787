//! Where nobody says who was on site, that is told once a day.

use serde_json::{Value, json};
use sqlx::PgPool;

use super::{LEAD, MONDAY, kind_of, monday_evening, path, review, signature};
use crate::support::app::{App, Client};
use crate::support::at;
use crate::support::id;
use crate::support::scenario::{self, Clinic, routine};

fn notices(review: &Value) -> Vec<&str> {
    review["notices"].as_array().expect("notices").iter().filter_map(|n| n["notice"].as_str()).collect()
}

async fn say_who_is_there(clinic: &Clinic<'_>, day: &str) {
    let path = format!("/v1/clinics/{}/presence/{day}", clinic.clinic_id);
    clinic.desk.put(&path, json!({ "staff_ids": [id(LEAD)] })).await.expect(201);
}

async fn listed(client: &Client<'_>, query: &str) -> Vec<(String, Value)> {
    let list = client.get(&format!("/v1/days-without-presence{query}")).await.expect(200);
    let items = list["items"].as_array().expect("a list");
    items.iter().map(|i| (i["clinic_day"].as_str().expect("a day").to_owned(), i["entries"].clone())).collect()
}

#[sqlx::test]
async fn a_day_without_a_list_of_those_on_site_says_so_once_until_there_is_one(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T06:00:00Z")).await;
    let clinic = monday_evening(&app).await;
    let seen = review(&clinic.tablet, &clinic, MONDAY).await;
    assert_eq!(notices(&seen), ["presence_not_recorded"]);
    assert!(seen["notices"][0]["finding"].as_str().is_some_and(|f| f.contains("nobody said who was on site")));
    // No entry is flagged for it.
    assert!(!seen["entries_to_review"].to_string().contains("on_site"), "{seen}");
    assert_eq!(listed(&clinic.manager, "").await, [(MONDAY.to_owned(), json!(1))]);

    // A signature is under what was shown: the list that comes meanwhile changes that.
    let before = signature(&seen, LEAD);
    say_who_is_there(&clinic, MONDAY).await;
    let changed = clinic.tablet.put(&path(&clinic, MONDAY, 900), before).await;
    assert_eq!((changed.status.as_u16(), kind_of(&changed)), (409, "/problems/review-changed".to_owned()));
    let seen = review(&clinic.tablet, &clinic, MONDAY).await;
    assert_eq!(notices(&seen), [""; 0]);
    clinic.tablet.put(&path(&clinic, MONDAY, 900), signature(&seen, LEAD)).await.expect(201);
    assert_eq!(listed(&clinic.manager, "").await, []);
}

#[sqlx::test]
async fn a_day_of_nothing_but_work_that_was_not_required_asks_for_no_list(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T08:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let flush = clinic.due_of(routine::start_flush()).await;
    let declared = json!({ "completion_id": id(820), "task_id": flush["task_id"], "performed_at": app.clock.now(),
                           "performed_by": "MO", "kind": "not_required", "steps": [],
                           "reason": "the chair is being painted" });
    clinic.manager.post("/v1/completions", declared).await.expect(201);
    let seen = review(&clinic.manager, &clinic, MONDAY).await;
    assert_eq!((&seen["entries"], notices(&seen)), (&json!(1), vec![]));
    assert_eq!(listed(&clinic.manager, "").await, []);
    // Work that fell short is work.
    app.set(at("2026-11-02T09:01:00Z"));
    let left = clinic.leave("2026-11-02T09:00:00Z").await;
    clinic.tablet.post("/v1/completions", clinic.flush(821, &left, 5)).await.expect(201);
    assert_eq!(notices(&review(&clinic.manager, &clinic, MONDAY).await), ["presence_not_recorded"]);
    assert_eq!(listed(&clinic.manager, "").await.len(), 1);
}

#[sqlx::test]
async fn the_list_of_such_days_leads_on_page_by_page_and_stays_within_reach(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T06:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let next = scenario::clinic_of(&app, clinic.admin.clone(), "Europe/London", 50).await;
    // A day without work asks for no list.
    assert_eq!(notices(&review(&clinic.manager, &clinic, MONDAY).await), [""; 0]);
    for (n, day) in [(820, "2026-11-02"), (821, "2026-11-03"), (822, "2026-11-04")] {
        for (of, more) in [(&clinic, 0), (&next, 50)] {
            let left_at = format!("{day}T09:{more:02}:00Z");
            app.set(at(&left_at));
            let flush = of.leave(&left_at).await;
            of.tablet.post("/v1/completions", of.flush(n + more, &flush, 25)).await.expect(201);
        }
    }
    let all = listed(&clinic.manager, "").await;
    assert_eq!(all.iter().map(|(day, _)| &day[8..]).collect::<Vec<_>>(), ["04", "04", "03", "03", "02", "02"]);
    let mut paged = Vec::new();
    let mut page = Some("/v1/days-without-presence?limit=4&days_back=7".to_owned());
    while let Some(path) = page.take() {
        let answer = clinic.manager.get(&path).await;
        page = answer.header("link").split(['<', '>']).nth(1).map(str::to_owned);
        paged.extend(answer.expect(200)["items"].as_array().expect("a list").clone());
    }
    assert_eq!(paged.len(), 6);
    assert!(paged.windows(2).all(|pair| pair[0] != pair[1]), "{paged:?}");
    assert_eq!(listed(&clinic.manager, "?days_back=1").await.len(), 4);
    let only = format!("?clinic_id={}", next.clinic_id);
    assert_eq!(listed(&clinic.manager, &only).await.len(), 3);
    let reader = clinic.admin.key("reader", json!({ "kind": "clinics", "clinic_ids": [clinic.clinic_id] })).await;
    assert_eq!(listed(&reader, "").await.len(), 3);
    reader.get(&format!("/v1/days-without-presence{only}")).await.expect(404);
    clinic.tablet.get("/v1/days-without-presence").await.expect(403);
    clinic.manager.get("/v1/days-without-presence?days_back=0").await.expect(400);
    clinic.manager.get("/v1/days-without-presence?cursor=x").await.expect(400);
}
