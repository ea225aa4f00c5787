//! Work on a chair's lines as steps of corrective actions ask for it: a flush of each line by itself, and a product that is
//! put in by its lot, held, and rinsed out of each line.

use serde_json::{Value, json};
use uuid::Uuid;

use super::app::Answer;
use super::id;
use super::scenario::{Clinic, device_hold};

const PRODUCT: u32 = 880;
const LOT: u32 = 881;

/// The tasks of a chair at which such work is recorded, however often.
pub(crate) struct LineWork {
    flush: Value,
    disinfection: Value,
}

/// Figures are invented for the test.
fn invented() -> Value {
    json!({ "title": "invented for the test", "edition": "none", "seen": "from_memory" })
}

fn routine(name: &str, steps: &Value) -> Value {
    json!({ "effective_on": "2026-11-01", "routine": {
        "name": name, "subject_kind": "operatory", "anchor": { "kind": "opening" }, "steps": steps, "rough_minutes": 10,
        "window": { "may_start_minutes": -600, "due_by_minutes": 480, "overdue_minutes": 600, "missed_minutes": 28800 },
        "sources": [invented()],
    } })
}

/// Sets a product with an opened lot, and two routines: a flush of at least 20 s a line, and a
/// disinfection that holds the product for 600 s.
pub(crate) async fn set(clinic: &Clinic<'_>) -> LineWork {
    let (admin, app) = (&clinic.admin, clinic.admin.app);
    let product = json!({ "effective_on": "2026-01-01", "product": {
        "name": "Line cleaner", "instructions": { "ifu_reference": "leaflet of the test", "edition": "1" },
        "uses": [{ "key": "fill", "purpose": "Filled into lines", "contact_minimum_seconds": 600, "source": invented() }],
        "oxidising": false, "ph": "7" } });
    admin.put(&format!("/v1/products/{}", id(PRODUCT)), product).await.expect(201);
    let lot = json!({ "product_id": id(PRODUCT), "clinic_id": clinic.clinic_id, "lot_number": "L-1",
                      "expires_on": "2027-06-30" });
    clinic.tablet.put(&format!("/v1/lots/{}", id(LOT)), lot).await.expect(201);
    let opened = json!({ "opened_at": "2026-10-30T09:00:00Z", "performed_by": "IB" });
    clinic.tablet.put(&format!("/v1/lots/{}/opened", id(LOT)), opened).await.expect(201);
    let flush = json!([{ "key": "run", "instruction": "Run each line.", "for_each": "circuit",
                         "evidence": { "kind": "hold", "minimum_seconds": 20, "source": invented() } }]);
    let disinfection = json!([
        { "key": "fill", "instruction": "Fill the lines.", "evidence": {
            "kind": "product", "product_ids": [id(PRODUCT)], "use_key": "fill", "applied_to": "waterlines" } },
        { "key": "soak", "instruction": "Hold it.", "evidence": {
            "kind": "hold", "minimum_seconds": 300, "source": invented(), "minimum_from": "fill" } },
        { "key": "rinse", "instruction": "Rinse the line.", "for_each": "circuit",
          "evidence": { "kind": "confirmation" } },
    ]);
    for (n, name, steps) in [(883, "Flush each line", flush), (884, "Disinfect the lines", disinfection)] {
        admin.put(&format!("/v1/routines/{}", id(n)), routine(name, &steps)).await.expect(201);
    }
    app.plan().await;
    let first = async |n: u32| {
        let path = format!("/v1/operatories/{}/due?routine_id={}&ahead_minutes=1440", clinic.chair, id(n));
        clinic.tablet.get(&path).await.expect(200)["tasks"][0].clone()
    };
    LineWork { flush: first(883).await, disinfection: first(884).await }
}

impl LineWork {
    /// Records a flush, each line held for so many seconds, as done now.
    pub(crate) async fn flush(&self, clinic: &Clinic<'_>, n: u32, lines: [u32; 2]) -> Uuid {
        let mut steps = Vec::new();
        for (line, seconds) in ["handpiece-1", "syringe"].into_iter().zip(lines) {
            steps.push(device_hold(clinic, &format!("run:{line}"), seconds));
        }
        self.post(clinic, n, &self.flush, steps).await.expect(201);
        id(n)
    }

    /// Records a disinfection with the lot, held for so many seconds, as done now.
    pub(crate) async fn disinfect(&self, clinic: &Clinic<'_>, n: u32, seconds: u32) -> Uuid {
        let filled = json!({ "step": "fill", "status": "done", "lot_id": id(LOT) });
        let rinsed =
            ["handpiece-1", "syringe"].map(|line| json!({ "step": format!("rinse:{line}"), "status": "done" }));
        let mut steps = vec![filled, device_hold(clinic, "soak", seconds)];
        steps.extend(rinsed);
        self.post(clinic, n, &self.disinfection, steps).await.expect(201);
        id(n)
    }

    async fn post(&self, clinic: &Clinic<'_>, n: u32, task: &Value, steps: Vec<Value>) -> Answer {
        let body = json!({ "completion_id": id(n), "task_id": task["task_id"], "performed_by": "IB",
                           "performed_at": clinic.admin.app.clock.now(), "steps": steps });
        clinic.tablet.post("/v1/completions", body).await
    }
}
