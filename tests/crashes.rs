//! The service and its database killed at moments nobody chose.
//!
//! The rule of this file: what is killed is the real program with its own cluster, over real HTTP; what is checked is
//! what clients were answered, and the plan that the same changes make in a database that nobody disturbed.

mod kill;
mod ledger;
mod plan;

use chairtide::clock::Clock;
use chairtide::domain::zone;
use chrono::{Days, NaiveDate, TimeDelta};
use reqwest::Method;
use serde_json::{Value, json};
use sqlx::{PgConnection, PgPool};
use tokio::task::JoinHandle;

use self::kill::Victim;
use self::ledger::{Change, Ledger, text};
use crate::support::app::App;
use crate::support::chance::Chance;
use crate::support::service::{Service, is_live_server, until};
use crate::support::{id, scenario};

/// Where the pseudo-random numbers start. To try other moments, set this variable to another number.
const SEED: u64 = 0x51DE_CA12;
const SEED_VARIABLE: &str = "CHAIRTIDE_TEST_SEED";

const CLINICS: u32 = 6;
const CHAIRS_PER_CLINIC: u32 = 8;
const ZONES: [&str; CLINICS as usize] = [
    "Europe/London",
    "America/New_York",
    "Australia/Adelaide",
    "America/Vancouver",
    "Asia/Kathmandu",
    "Pacific/Auckland",
];

/// How often the plan, and then a batch, is disturbed.
const ROUNDS: u32 = 10;

/// Most completions of a batch.
const BATCH: usize = 40;

#[sqlx::test]
async fn whatever_is_killed_what_was_answered_stands_and_the_plan_is_that_of_an_undisturbed_service(fresh: PgPool) {
    let seed = std::env::var(SEED_VARIABLE).ok().map_or(SEED, |text| text.parse().expect("a number"));
    println!("seed {seed}");
    let mut chance = Chance(seed);
    let mut service = Service::new();
    let admin = service.create_group(id(1));
    service.start().await;
    let mut ledger = Ledger::new(&service, admin).await;
    configure(&mut ledger, &service).await;
    plan::until_settled(&mut service.database().await).await;

    let mut disturbed = 0;
    for round in 0..ROUNDS {
        disturbed += u32::from(kill_while_planning(&mut service, &mut ledger, &mut chance, round).await);
        ledger.check_configuration(&service).await;
        // Not after every round, so that some kills meet a plan that an earlier one has disturbed.
        if round % 2 == 0 || round + 1 == ROUNDS {
            check_settled(&service).await;
        }
    }
    assert!(disturbed >= ROUNDS / 2, "the plan was disturbed {disturbed} times only: the kills come too late");
    // From here on tasks are recorded, and what is recorded keeps the plan it was recorded under.

    let mut disturbed = 0;
    for round in 0..ROUNDS {
        disturbed += u32::from(kill_while_recording(&mut service, &mut ledger, &mut chance, round).await);
    }
    assert!(disturbed >= ROUNDS / 2, "a batch was disturbed {disturbed} times only: the kills come too late");
    assert!(ledger.completions() > 200, "only {} completions: too few to mean anything", ledger.completions());

    ledger.check_configuration(&service).await;
    let mut db = service.database().await;
    ledger.check_records(&service, &mut db).await;
    plan::check_whole(&mut db).await;
    check_plan(&service, &ledger, fresh).await;
    assert!(service.terminate().await.success());
}

#[tokio::test]
async fn a_service_that_is_asked_to_end_leaves_no_database_server_behind() {
    let mut service = Service::new();
    service.start().await;
    let server = service.database_server().expect("a database server runs");
    let ended = service.terminate().await;
    assert_eq!(ended.code(), Some(0), "{ended:?}");
    assert!(!is_live_server(server));
    assert!(!service.data_dir().join("pgdata/postmaster.pid").exists(), "it was stopped in order");
}

#[tokio::test]
async fn a_second_service_on_a_data_directory_is_refused_in_one_line_and_the_first_goes_on() {
    let mut service = Service::new();
    service.start().await;
    let second = service.run(&["serve"]);
    assert_eq!(second.status.code(), Some(1));
    let line = String::from_utf8(second.stderr).expect("UTF-8");
    assert_eq!(line.lines().count(), 1, "{line}");
    assert!(line.contains(&format!("process {}", service.process_id())), "{line}");
    service.until_ready().await;
    assert!(service.terminate().await.success());
}

/// Six clinics whose days began an hour ago, wherever they are: so there is work whenever the test runs, and no window
/// opens or closes while it does.
async fn configure(ledger: &mut Ledger, service: &Service) {
    let now = Clock::System.now();
    for (clinic, name) in (0..CLINICS).zip(ZONES) {
        let clinic_id = id(100 + clinic);
        let body = json!({ "name": format!("Clinic {clinic}"), "zone": name });
        ledger.put(service, format!("/v1/clinics/{clinic_id}"), body).await;
        let here = zone::local(&name.parse().expect("a zone"), now);
        let time = |minutes| (here + TimeDelta::minutes(minutes)).format("%H:%M").to_string();
        let sessions = json!([{ "opens": time(-60), "closes": time(240) }]);
        let days = ["monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday"];
        let week: Value = days.iter().map(|day| ((*day).to_owned(), sessions.clone())).collect();
        ledger.put(service, format!("/v1/clinics/{clinic_id}/hours"), json!({ "week": week })).await;
        for chair in 0..CHAIRS_PER_CLINIC {
            put_chair(ledger, service, clinic, chair).await;
        }
        let body = json!({ "clinic_id": clinic_id, "kind": "steriliser", "name": format!("Steriliser {clinic}"),
                           "service": { "state": "in_service" } });
        ledger.put(service, format!("/v1/equipment/{}", id(300 + clinic)), body).await;
    }
    for (routine_id, routine) in scenario::routines() {
        let body = json!({ "effective_on": "2026-01-01", "routine": routine });
        ledger.put(service, format!("/v1/routines/{routine_id}"), body).await;
    }
}

async fn put_chair(ledger: &mut Ledger, service: &Service, clinic: u32, chair: u32) {
    let body = json!({
        "clinic_id": id(100 + clinic), "name": format!("Chair {chair}"), "water_source": "own_reservoir",
        "circuits": ["handpiece-1", "syringe"], "suction_lines": ["suction-high"], "service": { "state": "in_service" },
    });
    ledger.put(service, format!("/v1/operatories/{}", chair_id(clinic, chair)), body).await;
}

fn chair_id(clinic: u32, chair: u32) -> uuid::Uuid {
    id(1000 + 100 * clinic + chair)
}

/// One round: an edit, and a kill while its plan is being made. Answers whether it still was.
async fn kill_while_planning(service: &mut Service, ledger: &mut Ledger, chance: &mut Chance, round: u32) -> bool {
    edit(ledger, service, round).await;
    let to_plan_yet = i64::try_from(chance.between(2, u64::from(CLINICS) - 1)).expect("a small number");
    let mut db = service.database().await;
    until("the planner works", async || (plan::pending(&mut db).await <= to_plan_yet).then_some(())).await;
    kill::pass(chance, 10).await;
    let pending = plan::pending(&mut db).await;
    let victim = Victim::of_round(round);
    println!("round {round}: {victim:?} killed with {pending} clinics to plan yet");
    victim.kill(service, chance).await;
    pending > 0
}

/// Edits that change the plan of every clinic, from days on that have not begun anywhere.
async fn edit(ledger: &mut Ledger, service: &Service, round: u32) {
    let later = |days| -> NaiveDate { Clock::System.now().date_naive() + Days::new(days) };
    let clinic = round % CLINICS;
    let closure = format!("/v1/clinics/{}/closures/{}", id(100), id(900));
    match round % 4 {
        0 => {
            let (from, until) = (format!("{}T00:00", later(6)), format!("{}T13:00", later(8)));
            let body = json!({ "from_local": from, "until_local": until, "reason": "works in the street" });
            ledger.put(service, closure, body).await;
        }
        1 => put_chair(ledger, service, clinic, CHAIRS_PER_CLINIC + round).await,
        2 => ledger.delete(service, closure).await,
        _ => {
            let rung = |after_minutes, audience| json!({ "after_minutes": after_minutes, "counted_in": "opening_time", "audience": audience });
            let rungs = json!([rung(round, "chairside"), rung(60 + round, "clinic_lead")]);
            ledger.put(service, "/v1/ladder".to_owned(), json!({ "rungs": rungs })).await;
        }
    }
    let routines = scenario::routines();
    // Not the calendar routine: the others make most of the tasks.
    let (routine_id, mut routine) = routines[round as usize % 3].clone();
    routine["rough_minutes"] = json!(30 + round);
    routine["window"]["overdue_minutes"] = json!(15 + round);
    if routine_id == scenario::routine::line_disinfection() {
        routine["window"]["overdue_minutes"] = json!(90 + round);
    }
    let body = json!({ "effective_on": later(4), "routine": routine });
    ledger.put(service, format!("/v1/routines/{routine_id}"), body).await;
}

/// One round: the desk's posts and a batch of completions, and a kill while they are being recorded; then what was not
/// answered is posted again. Answers whether the batch was not.
async fn kill_while_recording(service: &mut Service, ledger: &mut Ledger, chance: &mut Chance, round: u32) -> bool {
    let clinic = round % CLINICS;
    let clinic_path = format!("/v1/clinics/{}", id(100 + clinic));
    if round < CLINICS {
        ledger.start_day(service, format!("{clinic_path}/day-start"), Clock::System.now()).await;
    }
    for edge in ["seated", "left"] {
        let chair = u32::try_from(chance.between(0, u64::from(CHAIRS_PER_CLINIC) - 1)).expect("a small number");
        let posted = desk_post(clinic, chair, edge);
        let answer = ledger.admin(service);
        let answer = answer.must(Method::POST, &posted.path, posted.key.as_deref(), posted.body.as_ref()).await;
        ledger.note_mark(posted, answer);
    }
    let due = ledger.tablet(service).get(&format!("{clinic_path}/due?ahead_minutes=2880")).await;
    let due = due["tasks"].as_array().expect("a list");
    hold(ledger, service, due).await;
    let batch: Vec<Value> = due.iter().take(BATCH).map(|task| completion_of(task, chance)).collect();
    let size = batch.len();
    assert!(size > 5, "only {size} tasks are due");

    let mut db = service.database().await;
    let before = count_completions(&mut db).await;
    let target = i64::try_from(chance.between(1, size as u64 * 3 / 4)).expect("a small number");
    let batch_post = Change {
        method: Method::POST,
        path: "/v1/completions/batch".to_owned(),
        key: None,
        body: Some(json!({ "completions": batch })),
    };
    let batch_answer = post(ledger.tablet(service), &batch_post);
    until("completions are recorded", async || (count_completions(&mut db).await - before >= target).then_some(()))
        .await;
    let left = desk_post(clinic, 0, "left");
    let left_answer = post(ledger.admin(service), &left);
    kill::pass(chance, 10).await;
    let seen = count_completions(&mut db).await - before;
    let victim = Victim::of_round(round);
    println!("round {round}: {victim:?} killed with {seen} of {size} completions recorded");
    victim.kill(service, chance).await;

    let first = answer_of(batch_answer).await;
    let disturbed = first.is_none();
    let answers = match first {
        Some(answers) => answers,
        None => ledger.tablet(service).must(Method::POST, &batch_post.path, None, batch_post.body.as_ref()).await,
    };
    let answers = answers["answers"].as_array().expect("a list").clone();
    assert_eq!(answers.len(), size);
    let repeated = answers.iter().filter(|answer| answer["status"] == "repeated").count();
    // What another connection had seen was committed.
    assert!(!disturbed || i64::try_from(repeated).expect("small") >= seen, "{repeated} of {seen} are still there");
    for answer in answers {
        assert_ne!(answer["status"], "refused", "{answer}");
        ledger.note_completion(answer["completion"].clone());
    }
    let answer = match answer_of(left_answer).await {
        Some(answer) => answer,
        None => ledger.admin(service).must(Method::POST, &left.path, left.key.as_deref(), left.body.as_ref()).await,
    };
    assert_eq!(answer["task_ids"].as_array().map(Vec::len), Some(1), "one turnover routine: {answer}");
    ledger.note_mark(left, answer);
    disturbed
}

fn desk_post(clinic: u32, chair: u32, edge: &str) -> Change {
    Change {
        method: Method::POST,
        path: format!("/v1/operatories/{}/{edge}", chair_id(clinic, chair)),
        key: Some(uuid::Uuid::new_v4().to_string()),
        body: Some(json!({ "at": Clock::System.now() })),
    }
}

/// Starts a hold on the first task that wants one.
async fn hold(ledger: &mut Ledger, service: &Service, due: &[Value]) {
    let is_hold = |step: &&Value| step["evidence"]["kind"] == "hold";
    let steps = |task: &Value| task["steps"].as_array().expect("a list").clone();
    let found =
        due.iter().find_map(|task| Some((text(&task["task_id"]), text(&steps(task).iter().find(is_hold)?["step"]))));
    let (task_id, step) = found.expect("some task wants a hold");
    let body = json!({ "hold_id": uuid::Uuid::new_v4(), "step": step, "performed_by": "KV" });
    let path = format!("/v1/tasks/{task_id}/holds");
    let answer = ledger.tablet(service).must(Method::POST, &path, None, Some(&body)).await;
    ledger.note_hold(task_id, answer);
}

/// A completion with an answer to every step; now and then one that falls short.
fn completion_of(task: &Value, chance: &mut Chance) -> Value {
    let short = chance.between(1, 8) == 1;
    let answer = |step: &Value| {
        let mut answer = json!({ "step": step["step"], "status": "done" });
        let evidence = &step["evidence"];
        match evidence["kind"].as_str() {
            Some("hold") => {
                let minimum = evidence["minimum_seconds"].as_u64().expect("a number");
                answer["elapsed_seconds"] = json!(if short { minimum - 1 } else { minimum });
            }
            Some("reading") => {
                answer["reading"] = json!({ "qualifier": "eq", "value": "0", "unit": evidence["unit"] });
            }
            _ => {}
        }
        answer
    };
    let steps: Vec<Value> = task["steps"].as_array().expect("a list").iter().map(answer).collect();
    json!({
        "completion_id": uuid::Uuid::new_v4(), "task_id": task["task_id"], "performed_at": Clock::System.now(),
        "performed_by": "KV", "steps": steps,
    })
}

async fn count_completions(db: &mut PgConnection) -> i64 {
    sqlx::query_scalar("select count(*) from completion").fetch_one(db).await.expect("the database answers")
}

type Answer = reqwest::Result<(u16, Value)>;

/// Posts beside what the test does meanwhile.
fn post(client: crate::support::service::HttpClient, change: &Change) -> JoinHandle<Answer> {
    let Change { method, path, key, body } = change.clone();
    tokio::spawn(async move { client.call(method, &path, key.as_deref(), body.as_ref()).await })
}

/// The answer, if it is one: a client that is told nothing, or that the database is away, posts again.
async fn answer_of(posted: JoinHandle<Answer>) -> Option<Value> {
    match posted.await.expect("it does not panic") {
        Ok((200 | 201, answer)) => Some(answer),
        Ok((status, answer)) => {
            assert_eq!(status, 503, "{answer}");
            None
        }
        Err(_) => None,
    }
}

async fn check_settled(service: &Service) {
    let pool = PgPool::connect_with(service.database_options()).await.expect("the database answers");
    plan::check_settled(&pool).await;
    pool.close().await;
}

/// Planning again changes nothing, and a database that only ever saw the changes has the same plan.
async fn check_plan(service: &Service, ledger: &Ledger, fresh: PgPool) {
    let pool = PgPool::connect_with(service.database_options()).await.expect("the database answers");
    plan::check_settled(&pool).await;
    let now = Clock::System.now();
    let app = App::new(fresh, now).await;
    let admin = app.group(id(1)).await;
    for Change { method, path, key, body } in &ledger.changes {
        let key = key.as_ref().map(|key| format!("\"{key}\""));
        let headers: Vec<_> = key.iter().map(|key| ("idempotency-key", key.as_str())).collect();
        let answer = admin.call(method.clone(), path, &headers, body.as_ref()).await;
        assert!(answer.status.is_success(), "{method} {path}: {}", answer.text);
    }
    app.plan().await;
    let through = plan::planned_through(&pool).await.min(plan::planned_through(&app.pool).await);
    let here = plan::tasks(&pool, through, now).await;
    let there = plan::tasks(&app.pool, through, now).await;
    assert!(there.len() > 1500, "only {} tasks: too few to mean anything", there.len());
    let only = |these: &[String], those: &[String]| -> Vec<String> {
        these.iter().filter(|task| !those.contains(task)).take(3).cloned().collect()
    };
    assert_eq!(here.len(), there.len(), "only here {:#?}, only there {:#?}", only(&here, &there), only(&there, &here));
    assert!(here == there, "only here {:#?}, only there {:#?}", only(&here, &there), only(&there, &here));
    pool.close().await;
}
