//! Trying an edit first: the preview is what then happens, and nothing of a trial stays.

use std::collections::{BTreeMap, BTreeSet};

use axum::http::Method;
use chrono::TimeDelta;
use serde_json::{Value, json};
use sqlx::PgPool;
use uuid::Uuid;

use crate::support::app::{Answer, App, HORIZON_DAYS};
use crate::support::contents::contents;
use crate::support::scenario::{self, Clinic, routine};
use crate::support::{at, id};

/// What a preview tells and the database can be asked for: both windows' ends and why it is not required.
#[derive(Clone, Debug, PartialEq, Eq)]
struct Stored {
    clinic_id: String,
    /// All that planning decides.
    decided: Value,
    due_from: String,
    due_by: String,
    not_required: Option<String>,
    minutes: u64,
}

/// Every task of a group as it is stored, by id.
async fn stored(pool: &PgPool, group_id: Uuid) -> BTreeMap<String, Stored> {
    let rows: Vec<Value> = sqlx::query_scalar(
        "select to_jsonb(t) - array['planned_at', 'outcome_at', 'revision'] from task t where group_id = $1",
    )
    .bind(group_id)
    .fetch_all(pool)
    .await
    .expect("tasks");
    let text = |row: &Value, field: &str| row[field].as_str().expect("text").to_owned();
    rows.into_iter()
        .map(|row| {
            let not_required = (row["outcome"] == "not_required").then(|| text(&row, "outcome_reason"));
            let stored = Stored {
                clinic_id: text(&row, "clinic_id"),
                due_from: text(&row, "due_from"),
                due_by: text(&row, "due_by"),
                not_required,
                minutes: row["rough_minutes"].as_u64().expect("minutes"),
                decided: row.clone(),
            };
            (text(&row, "task_id"), stored)
        })
        .collect()
}

/// An edit: method, path, body.
#[derive(Clone, Debug)]
struct Edit(Method, String, Option<Value>);

impl Edit {
    fn put(path: impl Into<String>, body: Value) -> Self {
        Self(Method::PUT, path.into(), Some(body))
    }

    fn delete(path: impl Into<String>) -> Self {
        Self(Method::DELETE, path.into(), None)
    }

    async fn make(&self, clinic: &Clinic<'_>, query: &str) -> Answer {
        clinic.admin.call(self.0.clone(), &format!("{}{query}", self.1), &[], self.2.as_ref()).await
    }
}

fn instant(value: &Value) -> chrono::DateTime<chrono::Utc> {
    at(value.as_str().expect("an instant"))
}

/// What a preview tells of each task, its clinics taken in turn: the window before all, the window after all, the
/// reason. A subject that moves may have its task removed where it was and added where it comes.
fn told(preview: &Value) -> BTreeMap<String, (Value, Value, Value)> {
    let mut told: BTreeMap<String, (Value, Value, Value)> = BTreeMap::new();
    for clinic in preview["clinics"].as_array().expect("clinics") {
        for (kind, has_before, has_after) in
            [("added", false, true), ("moved", true, true), ("withdrawn", true, true), ("removed", true, false)]
        {
            let tasks = clinic[kind]["tasks"].as_array().expect("tasks");
            assert_eq!(clinic[kind]["count"], json!(tasks.len()), "these tests stay below 200 tasks of a kind");
            for task in tasks {
                let is_there = (!task["before"].is_null(), !task["after"].is_null());
                assert_eq!(is_there, (has_before, has_after), "{kind} {task}");
                let [before, after, because] = ["before", "after", "because"].map(|field| task[field].clone());
                told.entry(task["task_id"].as_str().expect("an id").to_owned())
                    .and_modify(|earlier| {
                        assert_eq!(earlier.1, before, "one clinic goes on where the other left off: {task}");
                        *earlier = (earlier.0.clone(), after.clone(), because.clone());
                    })
                    .or_insert((before, after, because));
            }
        }
    }
    told
}

fn same_window(shown: &Value, stored: Option<&Stored>) {
    let Some(stored) = stored else { return assert_eq!(*shown, Value::Null) };
    assert_eq!(instant(&shown["due_from"]), at(&stored.due_from), "{shown} {stored:?}");
    assert_eq!(instant(&shown["due_by"]), at(&stored.due_by), "{shown} {stored:?}");
    assert_eq!(shown["not_required"], json!(stored.not_required), "{shown} {stored:?}");
}

/// The law, for clinics on Greenwich time.
async fn preview_is_what_happens(app: &App, clinic: &Clinic<'_>, edit: &Edit) -> usize {
    preview_is_what_happens_at(app, clinic, edit, TimeDelta::zero()).await
}

/// The law: what a preview tells is what the stored tasks then become. Gives back the number of changes. Clinics are so
/// far ahead of UTC after the edit.
async fn preview_is_what_happens_at(app: &App, clinic: &Clinic<'_>, edit: &Edit, ahead: TimeDelta) -> usize {
    let held = contents(&app.pool, id(1)).await;
    let preview = edit.make(clinic, "?preview=true").await.expect(200);
    assert_eq!(contents(&app.pool, id(1)).await, held, "a trial of {edit:?} left something");
    let before = stored(&app.pool, id(1)).await;
    let made = edit.make(clinic, "").await;
    assert!(made.status.is_success(), "{edit:?}: {}", made.text);
    app.plan().await;
    let after = stored(&app.pool, id(1)).await;

    let told = told(&preview);
    for (task_id, (was, becomes, because)) in &told {
        same_window(was, before.get(task_id));
        same_window(becomes, after.get(task_id));
        if let Some(after) = after.get(task_id) {
            assert_eq!(*because, after.decided["because"], "{edit:?} {after:?}");
        }
    }
    let told: BTreeSet<&String> = told.keys().collect();
    let is_changed = |id: &&String| before.get(*id) != after.get(*id);
    let changed: BTreeSet<&String> = before.keys().chain(after.keys()).filter(is_changed).collect();
    assert_eq!(told, changed, "{edit:?}");
    for shown in preview["clinics"].as_array().expect("clinics") {
        same_minutes(shown, &before, &after, ahead);
    }
    changed.len()
}

/// The minutes of each day, summed anew from the stored tasks. All clinics of these tests are as far ahead of UTC in
/// December as in November, so that a local date can be told without zone rules.
fn same_minutes(shown: &Value, before: &BTreeMap<String, Stored>, after: &BTreeMap<String, Stored>, ahead: TimeDelta) {
    let days = shown["minutes"].as_array().expect("days");
    assert_eq!(days.len(), HORIZON_DAYS as usize + 1);
    for day in days {
        let sum = |tasks: &BTreeMap<String, Stored>| -> u64 {
            let here = tasks.values().filter(|t| shown["clinic_id"] == json!(t.clinic_id) && t.not_required.is_none());
            here.filter(|t| day["on"] == json!((at(&t.due_by) + ahead).date_naive())).map(|t| t.minutes).sum()
        };
        assert_eq!((&day["before"], &day["after"]), (&json!(sum(before)), &json!(sum(after))), "{day}");
    }
}

/// A routine done once in each week, on the day levelling chooses.
fn weekly(minutes: u32) -> Value {
    json!({
        "name": "Wipe the shelves", "subject_kind": "operatory",
        "anchor": { "kind": "period", "each": "week", "spread": true },
        "steps": [{ "key": "wipe", "instruction": "Wipe them.", "evidence": { "kind": "confirmation" } }],
        "sources": [{ "title": "common practice", "edition": "none", "seen": "common_practice" }],
        "rough_minutes": minutes,
    })
}

fn long_week() -> Value {
    let day = json!([{ "opens": "07:45", "closes": "19:00" }]);
    json!({ "week": { "monday": day, "tuesday": day, "thursday": day, "saturday": day } })
}

/// Two clinics of one group.
async fn two_clinics(app: &App) -> (Clinic<'_>, Clinic<'_>) {
    let admin = app.group(id(1)).await;
    let first = scenario::clinic_of(app, admin.clone(), "Europe/London", 0).await;
    let second = scenario::clinic_of(app, admin, "Europe/London", 1).await;
    (first, second)
}

fn routine_edit(of: Uuid, change: impl FnOnce(&mut Value)) -> Edit {
    let (_, mut content) = scenario::routines().into_iter().find(|(id, _)| *id == of).expect("one of the four");
    change(&mut content);
    Edit::put(format!("/v1/routines/{of}"), json!({ "routine": content }))
}

fn edits(clinic: &Clinic<'_>, other: &Clinic<'_>) -> Vec<Edit> {
    let path = format!("/v1/clinics/{}", clinic.clinic_id);
    let closure = json!({ "from_local": "2026-11-03T00:00", "until_local": "2026-11-06T00:00", "reason": "works" });
    let special = json!({ "sessions": [{ "opens": "10:00", "closes": "13:00" }], "reason": "open house" });
    let mut out = scenario::operatory(clinic.clinic_id, "Chair 0");
    out["service"] = json!({ "state": "out_of_service", "reason": "pump" });
    let chair = format!("/v1/operatories/{}", clinic.chair);
    let machine = json!({ "clinic_id": other.clinic_id, "kind": "steriliser", "name": "Steriliser 0",
                          "service": { "state": "in_service" } });
    vec![
        Edit::put(format!("{path}/hours"), long_week()),
        Edit::put(format!("{path}/closures/{}", id(900)), closure),
        Edit::put(format!("{path}/special-openings/2026-11-08"), special),
        Edit::delete(format!("{path}/special-openings/2026-11-08")),
        Edit::delete(format!("{path}/closures/{}", id(900))),
        Edit::put(&chair, out),
        Edit::put(&chair, scenario::operatory(clinic.clinic_id, "Chair 0")),
        // To the other clinic and back: two plans, one after the other.
        Edit::put(&chair, scenario::operatory(other.clinic_id, "Chair 0")),
        Edit::put(&chair, scenario::operatory(clinic.clinic_id, "Chair 0")),
        Edit::put(format!("/v1/equipment/{}", clinic.steriliser), machine),
        Edit::put(format!("/v1/operatories/{}", id(210)), scenario::operatory(clinic.clinic_id, "Chair 10")),
        Edit::put(format!("/v1/routines/{}", id(510)), json!({ "routine": weekly(30) })),
        routine_edit(routine::start_flush(), |content| content["in_use"] = json!(false)),
        routine_edit(routine::line_disinfection(), |content| {
            content["window"]["due_by_minutes"] = json!(45);
            content["rough_minutes"] = json!(35);
        }),
        Edit::put(
            "/v1/ladder",
            json!({ "rungs": [{ "after_minutes": 5, "counted_in": "elapsed_time", "audience": "clinic_lead" }] }),
        ),
        Edit::put(&path, json!({ "name": "Clinic 0", "zone": "Europe/Lisbon" })),
    ]
}

#[sqlx::test]
async fn a_preview_of_each_kind_of_edit_is_what_then_happens_and_nothing_of_it_stays(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T07:40:00Z")).await;
    let (clinic, other) = two_clinics(&app).await;
    let mut changes = BTreeMap::new();
    for (number, edit) in edits(&clinic, &other).iter().enumerate() {
        changes.insert(number, preview_is_what_happens(&app, &clinic, edit).await);
    }
    // Each moves tasks but the last: Lisbon keeps London's time.
    let last = changes.len() - 1;
    assert!(changes.iter().all(|(number, count)| (*count > 0) == (*number < last)), "{changes:?}");
}

/// Zones without daylight time (tz database), among them the two on either side of the date line, between which a
/// clinic's today is another.
#[sqlx::test]
async fn a_preview_of_another_zone_is_what_then_happens(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T10:40:00Z")).await;
    let (clinic, _) = two_clinics(&app).await;
    clinic.admin.put(&format!("/v1/routines/{}", id(510)), json!({ "routine": weekly(30) })).await.expect(201);
    app.plan().await;
    let path = format!("/v1/clinics/{}", clinic.clinic_id);
    for (zone, ahead_minutes) in [
        ("Pacific/Kiritimati", 14 * 60),
        ("Pacific/Pago_Pago", -11 * 60),
        ("Asia/Kathmandu", 5 * 60 + 45),
        ("America/Phoenix", -7 * 60),
        ("Europe/London", 0),
    ] {
        let edit = Edit::put(&path, json!({ "name": "Clinic 0", "zone": zone }));
        let ahead = TimeDelta::minutes(ahead_minutes);
        assert!(preview_is_what_happens_at(&app, &clinic, &edit, ahead).await > 20, "{zone}");
        app.advance(TimeDelta::hours(7));
        app.plan().await;
    }
}

/// Numbers that are the same in every run (the generator of Numerical Recipes, from memory).
struct Dice(u32);

impl Dice {
    fn below(&mut self, most: u32) -> u32 {
        self.0 = self.0.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        (self.0 >> 8) % most
    }

    /// Closures, hours and chairs of the clinic, one edit at a time.
    fn edit(&mut self, clinic: &Clinic<'_>) -> Edit {
        let path = format!("/v1/clinics/{}", clinic.clinic_id);
        let (from_hour, hours) = (self.below(20), 1 + self.below(60));
        let day = 2 + self.below(16);
        match self.below(5) {
            0 | 1 => {
                let from = at(&format!("2026-11-{day:02}T{from_hour:02}:00:00Z")).naive_utc();
                let until = from + TimeDelta::hours(hours.into());
                let text = |time: chrono::NaiveDateTime| time.format("%Y-%m-%dT%H:%M").to_string();
                let closure = json!({ "from_local": text(from), "until_local": text(until), "reason": "works" });
                Edit::put(format!("{path}/closures/{}", id(900 + self.below(3))), closure)
            }
            2 => Edit::delete(format!("{path}/closures/{}", id(900 + self.below(3)))),
            3 => {
                let sessions = json!([{ "opens": format!("{:02}:15", from_hour.min(18)), "closes": "19:45" }]);
                let special = json!({ "sessions": sessions, "reason": "open house" });
                Edit::put(format!("{path}/special-openings/2026-11-{day:02}"), special)
            }
            _ => {
                let mut chair = scenario::operatory(clinic.clinic_id, "Chair 0");
                if self.below(2) == 0 {
                    chair["service"] = json!({ "state": "out_of_service", "reason": "pump" });
                }
                Edit::put(format!("/v1/operatories/{}", clinic.chair), chair)
            }
        }
    }
}

#[sqlx::test]
async fn a_preview_is_what_then_happens_whatever_came_before_it(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T07:40:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    clinic.admin.put(&format!("/v1/routines/{}", id(510)), json!({ "routine": weekly(30) })).await.expect(201);
    app.plan().await;
    let mut dice = Dice(20_261_125);
    let mut changes = 0;
    for _ in 0..40 {
        changes += preview_is_what_happens(&app, &clinic, &dice.edit(&clinic)).await;
        app.advance(TimeDelta::hours(dice.below(9).into()));
        app.plan().await;
    }
    assert!(changes > 40, "{changes}");
}

#[sqlx::test]
async fn a_trial_is_refused_as_the_edit_is_and_a_slip_in_the_parameter_edits_nothing(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T07:40:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let held = contents(&pool, id(1)).await;
    let closures = format!("/v1/clinics/{}/closures/{}", clinic.clinic_id, id(900));
    let bad = json!({ "from_local": "2026-11-05T00:00", "until_local": "2026-11-04T00:00", "reason": "works" });
    let good = json!({ "from_local": "2026-11-04T00:00", "until_local": "2026-11-05T00:00", "reason": "works" });
    let nowhere = format!("/v1/clinics/{}/closures/{}", id(77), id(900));
    let taken = json!({ "key_id": id(7), "label": "one", "role": "reader", "reach": { "kind": "group" } });
    clinic.admin.post("/v1/keys", taken.clone()).await.expect(201);
    let other = json!({ "key_id": id(7), "label": "two", "role": "reader", "reach": { "kind": "group" } });
    for (edit, status) in [
        (Edit::put(&closures, bad), 422),
        (Edit::put(&nowhere, good.clone()), 404),
        (Edit(Method::POST, "/v1/keys".to_owned(), Some(other)), 409),
    ] {
        for query in ["", "?preview=true"] {
            edit.make(&clinic, query).await.expect(status);
        }
    }
    let path = format!("{closures}?preview=true");
    clinic.manager.put(&path, good.clone()).await.expect(403);
    for slip in ["?preveiw=true", "?preview=yes", "?preview=1"] {
        Edit::put(&closures, good.clone()).make(&clinic, slip).await.expect(400);
    }
    let key = json!({ "key_id": id(8), "label": "three", "role": "reader", "reach": { "kind": "group" } });
    let tried = clinic.admin.post("/v1/keys?preview=true", key).await.expect(200);
    assert_eq!((&tried["changes_configuration"], &tried["clinics"]), (&json!(true), &json!([])));
    let again = clinic.admin.post("/v1/keys?preview=true", taken).await.expect(200);
    assert_eq!(again["changes_configuration"], false);
    let mut now = contents(&pool, id(1)).await;
    let mut held = held;
    // The one key that was made, and the event that tells of it.
    for table in ["api_key", "event"] {
        assert_eq!(now.remove(table).map(|(rows, _)| rows), held.remove(table).map(|(rows, _)| rows + 1), "{table}");
    }
    assert_eq!(now, held);
}

#[sqlx::test]
async fn a_preview_lists_two_hundred_tasks_counts_all_and_says_how_many_clinics_it_leaves_out(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T07:40:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    for number in 0..52 {
        let body = json!({ "name": format!("Branch {number}"), "zone": "Europe/London" });
        clinic.admin.put(&format!("/v1/clinics/{}", id(1000 + number)), body).await.expect(201);
    }
    for number in 0..20 {
        let chair = scenario::operatory(clinic.clinic_id, &format!("More {number}"));
        clinic.admin.put(&format!("/v1/operatories/{}", id(2000 + number)), chair).await.expect(201);
    }
    let edit = routine_edit(routine::line_disinfection(), |content| content["rough_minutes"] = json!(26));
    let preview = edit.make(&clinic, "?preview=true").await.expect(200);
    assert_eq!(preview["clinics"].as_array().map(Vec::len), Some(50));
    assert_eq!(preview["clinics_left_out"], 3);
    let hours = format!("/v1/clinics/{}/hours?preview=true", clinic.clinic_id);
    let preview = clinic.admin.put(&hours, long_week()).await.expect(200);
    // Twenty chairs that are not planned yet have a flush and a disinfection on each open day.
    let added = &preview["clinics"][0]["added"];
    let count = added["count"].as_u64().expect("a count");
    assert!(count > 200, "{count}");
    assert_eq!(added["tasks"].as_array().map(Vec::len), Some(200));
}
