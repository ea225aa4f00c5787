//! Where the failed water test is set: who works there, what is tested, and with what the lines are treated.

use serde_json::{Value, json};
use uuid::Uuid;

use crate::support::app::{Answer, App};
use crate::support::id;
use crate::support::scenario::{self, Clinic};

/// Leads the clinic and is trained for releases.
pub(super) const LEAD: u32 = 801;
/// Treats patients, and is not trained for releases.
pub(super) const CLINICIAN: u32 = 802;
/// Works at the chair.
pub(super) const ASSISTANT: u32 = 803;
/// Leads the group.
pub(super) const GROUP_LEAD: u32 = 804;
/// Treats patients; the training for releases has ended.
pub(super) const ONCE_TRAINED: u32 = 805;

/// The water test of a chair, on two Mondays.
pub(super) fn water_test() -> Uuid {
    id(905)
}
/// The shock treatment that a failed test asks for.
pub(super) fn shock() -> Uuid {
    id(906)
}
/// The laboratory's result, which is read days after the sample.
pub(super) fn reading_of_the_result() -> Uuid {
    id(907)
}
/// The spore test of the steriliser.
pub(super) fn spore_test() -> Uuid {
    id(908)
}

const CONCENTRATE: u32 = 810;
const SURFACE_CLEANER: u32 = 811;

pub(super) const GOOD_LOT: u32 = 831;
pub(super) const EXPIRED_LOT: u32 = 832;
pub(super) const RECALLED_LOT: u32 = 833;
pub(super) const OTHER_PRODUCT: u32 = 834;

fn common_practice() -> Value {
    json!({ "title": "common practice", "edition": "none", "seen": "common_practice" })
}

/// At most 500 CFU/mL: CDC, MMWR 52(RR-17) 2003, rec. VII.A, read.
fn cdc() -> Value {
    json!({ "title": "CDC, MMWR 52(RR-17)", "edition": "2003", "locator": "rec. VII.A", "seen": "read" })
}

fn water_test_content() -> Value {
    json!({
        "name": "Water test", "subject_kind": "operatory", "on_fail": "water_over_limit",
        "anchor": { "kind": "calendar", "place": { "kind": "opening" }, "closed_day": "next_open_day",
                    "dates": { "rule": "FREQ=MONTHLY;BYDAY=1MO,2MO;COUNT=2", "starts_on": "2026-11-02" } },
        "window": { "may_start_minutes": 0, "due_by_minutes": 480, "overdue_minutes": 960, "missed_minutes": 14400 },
        "steps": [{ "key": "count", "instruction": "Draw from every line.", "evidence": {
            "kind": "water_sample", "most_lines_in_pool": 10,
            "limits": [{ "operator": "le", "value": "500", "unit": "[CFU]/mL", "source": cdc() }] } }],
        "sources": [cdc()], "rough_minutes": 10,
    })
}

/// Empty, fill, hold, rinse: one cycle, which stands or falls whole. The hold takes the product's contact time.
fn shock_content() -> Value {
    let step = |key: &str, evidence: Value| {
        json!({ "key": key, "instruction": format!("{key}, as the maker tells."), "cycle": "shock",
                "evidence": evidence })
    };
    let mut rinse = step("rinse", json!({ "kind": "confirmation" }));
    rinse["for_each"] = json!("circuit");
    json!({
        "name": "Shock treatment after a failed water test", "subject_kind": "operatory",
        "anchor": { "kind": "follows", "routine_id": water_test(), "when": "failed" },
        "window": { "may_start_minutes": 0, "due_by_minutes": 2880, "overdue_minutes": 4320, "missed_minutes": 14400 },
        "steps": [
            step("empty", json!({ "kind": "confirmation" })),
            step("fill", json!({ "kind": "product", "product_ids": [id(CONCENTRATE)], "use_key": "fill",
                                 "applied_to": "waterlines" })),
            step("soak", json!({ "kind": "hold", "minimum_seconds": 600, "source": common_practice(),
                                 "minimum_from": "fill" })),
            rinse,
        ],
        "sources": [common_practice()], "rough_minutes": 30,
        "cautions": ["Nobody sits in the chair while disinfectant is in the lines."],
    })
}

/// The result is wanted ten days after the sample at the latest (the figure is invented for the test).
fn reading_content() -> Value {
    json!({
        "name": "Read the laboratory's result", "subject_kind": "operatory",
        "anchor": { "kind": "follows", "routine_id": water_test(), "when": "recorded" },
        "window": { "may_start_minutes": 0, "due_by_minutes": 14400, "overdue_minutes": 15840, "missed_minutes": 40320 },
        "steps": [{ "key": "read", "instruction": "Enter the result under its sample.",
                    "evidence": { "kind": "confirmation" } }],
        "sources": [common_practice()], "rough_minutes": 5,
    })
}

fn spore_test_content() -> Value {
    json!({
        "name": "Spore test with control", "subject_kind": "steriliser", "on_fail": "positive_spore_test",
        "anchor": { "kind": "calendar", "place": { "kind": "opening" }, "closed_day": "next_open_day",
                    "dates": { "rule": "FREQ=MONTHLY;BYDAY=1MO", "starts_on": "2026-11-02" } },
        "window": { "may_start_minutes": 0, "due_by_minutes": 480, "overdue_minutes": 960, "missed_minutes": 7200 },
        "steps": [{ "key": "spores", "instruction": "Run one, and keep one of its lot beside it.",
                    "evidence": { "kind": "spore_test" } }],
        "sources": [common_practice()], "rough_minutes": 10,
    })
}

/// The clinic with its people, routines and lots, planned; failures go by the shipped chain.
pub(super) async fn open(app: &App) -> Clinic<'_> {
    let clinic = scenario::clinic(app, "Europe/London").await;
    people(&clinic).await;
    lots(&clinic).await;
    for (routine_id, content) in [
        (water_test(), water_test_content()),
        (shock(), shock_content()),
        (reading_of_the_result(), reading_content()),
        (spore_test(), spore_test_content()),
    ] {
        let body = json!({ "effective_on": "2026-11-01", "routine": content });
        clinic.admin.put(&format!("/v1/routines/{routine_id}"), body).await.expect(201);
    }
    app.plan().await;
    clinic
}

async fn people(clinic: &Clinic<'_>) {
    for (n, name, initials, role) in [
        (LEAD, "Mara Oduya", "MO", "clinic_lead"),
        (CLINICIAN, "Kofi Vale", "KV", "clinician"),
        (ASSISTANT, "Ines Brook", "IB", "assistant"),
        (GROUP_LEAD, "Sunniva Quill", "SQ", "group_lead"),
        (ONCE_TRAINED, "Ode Farrow", "OF", "clinician"),
    ] {
        let person = json!({ "name": name, "initials": initials, "role": role, "active_from": "2024-01-01" });
        clinic.admin.put(&format!("/v1/staff/{}", id(n)), person).await.expect(201);
        clinic.admin.put(&format!("/v1/staff/{}/pin", id(n)), json!({ "pin": pin(n) })).await.expect(204);
    }
    for (n, until) in [(LEAD, Value::Null), (ASSISTANT, Value::Null), (ONCE_TRAINED, json!("2026-11-29"))] {
        let mut competence = json!({ "for_what": { "kind": "family", "family": "release" },
                                     "valid_from": "2026-01-01", "signed_off_by": "the group's lead" });
        if !until.is_null() {
            competence["valid_until"] = until;
        }
        clinic.admin.put(&format!("/v1/staff/{}/competences/{}", id(n), id(n)), competence).await.expect(201);
    }
}

async fn lots(clinic: &Clinic<'_>) {
    for (n, name) in [(CONCENTRATE, "Shock concentrate"), (SURFACE_CLEANER, "Surface cleaner")] {
        let product = crate::products::product(name, false, "7");
        clinic.admin.put(&format!("/v1/products/{}", id(n)), product).await.expect(201);
    }
    for (n, product, expires_on) in [
        (GOOD_LOT, CONCENTRATE, "2027-01-31"),
        (EXPIRED_LOT, CONCENTRATE, "2026-11-15"),
        (RECALLED_LOT, CONCENTRATE, "2027-01-31"),
        (OTHER_PRODUCT, SURFACE_CLEANER, "2027-01-31"),
    ] {
        let lot = json!({ "product_id": id(product), "clinic_id": clinic.clinic_id, "lot_number": format!("L-{n}"),
                          "expires_on": expires_on });
        clinic.tablet.put(&format!("/v1/lots/{}", id(n)), lot).await.expect(201);
    }
}

fn pin(n: u32) -> String {
    format!("{n}46")
}

/// A signature with the person's own PIN.
pub(super) fn signed(n: u32) -> Value {
    json!({ "staff_id": id(n), "pin": pin(n) })
}

/// The kind of a problem.
pub(super) fn problem(answer: &Answer) -> String {
    answer.json()["type"].as_str().unwrap_or_else(|| panic!("no problem: {}", answer.text)).to_owned()
}

/// What somebody enters about a task, now.
pub(super) async fn enter(clinic: &Clinic<'_>, n: u32, task: &Value, steps: Value) -> Answer {
    let body = json!({ "completion_id": id(n), "task_id": task["task_id"], "performed_by": "IB", "steps": steps,
                       "performed_at": clinic.admin.app.clock.now() });
    clinic.tablet.post("/v1/completions", body).await
}

/// Water is drawn from these bottles and sent away.
pub(super) async fn draw(clinic: &Clinic<'_>, n: u32, task: &Value, bottles: Value) -> Answer {
    let drawn = json!({ "draw": { "kind": "first_draw" }, "laboratory": "an invented laboratory", "bottles": bottles });
    let given = json!({ "kind": "water_drawn", "drawn": drawn });
    enter(clinic, n, task, json!([{ "step": "count", "status": "result_pending", "given": given }])).await
}

/// Colonies seen on 0.1 mL of a bottle: each stands for 10 CFU/mL.
pub(super) fn colonies(lines: &[&str], seen: u32) -> Value {
    json!({ "lines": lines, "found": { "kind": "plate", "plate": { "plated_ml": "0.1",
            "seen": { "kind": "counted", "colonies": seen } } } })
}

/// The laboratory's result of a sample.
pub(super) async fn read(clinic: &Clinic<'_>, n: u32, task: &Value, drawn_on: &str, results: Value) -> Answer {
    let sample = json!({
        "drawn_on": drawn_on, "draw": { "kind": "first_draw" }, "method": "spread plate", "medium": "R2A agar",
        "neutralised": true, "incubated_celsius": "22", "incubated_days": "7", "laboratory": "an invented laboratory",
        "results": results });
    let given = json!({ "kind": "water_sample", "sample": sample });
    enter(clinic, n, task, json!([{ "step": "count", "status": "done", "given": given }])).await
}

/// A record of a step of the action, now.
pub(super) async fn step(clinic: &Clinic<'_>, action: &str, key: &str, n: u32, by: &str, more: Value) -> Answer {
    let mut body = json!({ "record_id": id(n), "performed_at": clinic.admin.app.clock.now(), "performed_by": by,
                           "note": "seen and done" });
    body.as_object_mut().expect("an object").extend(more.as_object().expect("an object").clone());
    clinic.tablet.put(&format!("/v1/corrective-actions/{action}/steps/{key}"), body).await
}

/// Somebody tries to release what the action put out of use.
pub(super) async fn release(clinic: &Clinic<'_>, quarantine: &str, signature: Value) -> Answer {
    let body = json!({ "release_id": id(850), "reason": "every line retested, each within its limit",
                       "signature": signature });
    clinic.tablet.post(&format!("/v1/quarantines/{quarantine}/release"), body).await
}

/// Somebody tries to close the action.
pub(super) async fn close(clinic: &Clinic<'_>, action: &str, signature: Value) -> Answer {
    let body = json!({ "close_id": id(860), "reason": "the whole of it read", "signature": signature });
    clinic.tablet.post(&format!("/v1/corrective-actions/{action}/close"), body).await
}
