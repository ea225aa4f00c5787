//! When entries were made on a device, beside when the work was done and when they came.

use axum::http::Method;
use chrono::TimeDelta;
use serde_json::{Value, json};
use sqlx::PgPool;

use super::{flags_of, six_flushes};
use crate::support::app::App;
use crate::support::scenario::{self, routine};
use crate::support::{at, id};

#[sqlx::test]
async fn a_round_typed_in_later_is_flagged_and_one_that_a_tablet_kept_offline_is_not(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T07:00:00Z")).await;
    let (clinic, flushes) = six_flushes(&app, "2026-11-02T10:00:00Z").await;
    // Six flushes, eight minutes apart, that arrive at ten; each entered when `entered` says.
    let send = async |first: u32, by: &str, entered: &dyn Fn(i32) -> Option<Value>| {
        let items = flushes.iter().zip(0..).map(|(task, n)| {
            let mut done = clinic.flush(first + u32::try_from(n).expect("small"), task, 125);
            done["performed_at"] = json!(at("2026-11-02T07:35:00Z") + TimeDelta::minutes(8) * n);
            done["performed_by"] = json!(by);
            if let Some(at) = entered(n) {
                done["entered_at"] = at;
            }
            done
        });
        let batch = json!({ "completions": items.collect::<Vec<_>>() });
        let answers = clinic.tablet.post("/v1/completions/batch", batch).await.expect(200);
        answers["answers"].as_array().expect("a list").iter().map(|a| flags_of(&a["completion"])).collect::<Vec<_>>()
    };
    let soon = |n: i32| Some(json!(at("2026-11-02T07:36:00Z") + TimeDelta::minutes(8) * n));
    assert_eq!(send(901, "KV", &soon).await, [[""; 0]; 6]);
    // All at ten to ten: the fifth, done 32 minutes after the first, shows what they are.
    let at_one_go = |n: i32| Some(json!(at("2026-11-02T09:50:00Z") + TimeDelta::seconds(10) * n));
    let typed = send(911, "MO", &at_one_go).await;
    assert_eq!(typed[..4], [["entered_later"]; 4]);
    assert_eq!(typed[4..], [["entered_later", "entered_together"]; 2]);
    assert_eq!(send(921, "NB", &|_| None).await, [["no_entry_time"]; 6]);

    let kept = clinic.tablet.get(&format!("/v1/completions/{}", id(911))).await.expect(200);
    assert_eq!(kept["entered_at"], "2026-11-02T09:50:00Z");
    assert_eq!(flags_of(&kept), ["entered_later", "entered_together"], "the first of them, read again");
    let list = "/v1/entries-to-review?flag=entered_together";
    let shown = clinic.manager.get(list).await.expect(200);
    assert_eq!(shown["items"].as_array().map(Vec::len), Some(6));
    let csv = clinic.manager.call(Method::GET, list, &[("accept", "text/csv")], None).await;
    let head: Vec<&str> = csv.text.lines().next().expect("a head").split(',').collect();
    let place = head.iter().position(|name| *name == "entered_at").expect("a column");
    let told: Vec<&str> = csv.text.lines().skip(1).filter_map(|line| line.split(',').nth(place)).collect();
    assert_eq!(told[..2], ["2026-11-02T09:50:50Z", "2026-11-02T09:50:40Z"]);
    assert_eq!(told.len(), 6);

    // An instant that nothing is planned for, and one that is none.
    let mut odd = clinic.flush(931, &flushes[0], 125);
    odd["entered_at"] = json!("0001-01-01T00:00:00Z");
    assert_eq!(clinic.tablet.post("/v1/completions", odd.clone()).await.pointers(), ["/entered_at"]);
    odd["entered_at"] = json!("ten to ten");
    assert_eq!(clinic.tablet.post("/v1/completions", odd).await.status, 400);
}

#[sqlx::test]
async fn a_correction_and_a_result_say_by_themselves_that_they_came_later(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T08:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let flush = clinic.due_of(routine::start_flush()).await;
    clinic.tablet.post("/v1/completions", clinic.flush(941, &flush, 125)).await.expect(201);
    let mut corrected = clinic.flush(942, &flush, 130);
    (corrected["corrects"], corrected["reason"]) = (json!(id(941)), json!("a slip of the finger"));
    app.set(at("2026-11-02T08:30:00Z"));
    let spore = clinic.due_in_clinic(routine::spore_test()).await;
    let (sampled, read) = (clinic.spore(943, &spore, None), clinic.spore(944, &spore, Some("0")));
    app.set(at("2026-11-02T10:00:00Z"));
    let flags = async |body: Value| flags_of(&clinic.tablet.post("/v1/completions", body).await.expect(201));
    assert_eq!(flags(corrected).await, [""; 0]);
    // The sample is work as any other; what was read of it stands under its time.
    assert_eq!(flags(sampled).await, ["no_entry_time"]);
    assert_eq!(flags(read).await, [""; 0]);
}

/// Six samples of one day, two hours apart, whose results are typed in at one go on the next morning, as they come.
#[sqlx::test]
async fn results_that_are_typed_in_together_under_the_times_of_their_samples_are_no_work_done_apart(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T06:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    for n in 1..6 {
        let machine = json!({ "clinic_id": clinic.clinic_id, "kind": "steriliser", "name": format!("Steriliser {n}"),
                              "service": { "state": "in_service" } });
        clinic.admin.put(&format!("/v1/equipment/{}", id(260 + n)), machine).await.expect(201);
    }
    app.plan().await;
    app.set(at("2026-11-02T08:30:00Z"));
    let due = clinic.tablet.get(&format!("/v1/clinics/{}/due?ahead_minutes=720", clinic.clinic_id)).await.expect(200);
    let tasks = due["tasks"].as_array().expect("a list").iter();
    let tests: Vec<&Value> = tasks.filter(|t| t["routine_id"] == json!(routine::spore_test())).collect();
    assert_eq!(tests.len(), 6, "{due}");
    let mut samples = Vec::new();
    for (task, n) in tests.iter().zip(940..) {
        let mut sample = clinic.spore(n, task, None);
        sample["entered_at"] = sample["performed_at"].clone();
        let kept = clinic.tablet.post("/v1/completions", sample.clone()).await.expect(201);
        assert_eq!(kept["verdict"], "result_pending", "{kept}");
        samples.push(sample);
        app.advance(TimeDelta::hours(2));
    }
    app.set(at("2026-11-03T10:00:00Z"));
    for (task, (sample, n)) in tests.iter().zip(samples.iter().zip(950..)) {
        let mut result = clinic.spore(n, task, Some("0"));
        result["performed_at"] = sample["performed_at"].clone();
        result["entered_at"] = json!("2026-11-03T09:59:30Z");
        let kept = clinic.tablet.post("/v1/completions", result).await.expect(201);
        assert_eq!((&kept["verdict"], flags_of(&kept)), (&json!("passed"), Vec::new()), "{kept}");
    }
    let shown = clinic.manager.get("/v1/entries-to-review?flag=entered_together").await.expect(200);
    assert_eq!(shown["items"], json!([]));
}
