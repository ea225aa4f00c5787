//! The routines of the simulated group: one for every anchor there is.
//!
//! The rule of this file: their limits and windows are invented, so that windows are short and long, and meet.

use serde_json::{Value, json};

use crate::support::id;

fn source() -> Value {
    json!({ "title": "invented for the test", "edition": "none", "seen": "from_memory" })
}

/// A routine of one step; every third has a hold, so that attempts can fall short.
fn routine(number: u32, kind: &str, anchor: &Value, more: &Value) -> Value {
    let evidence = if number.is_multiple_of(3) {
        json!({ "kind": "hold", "minimum_seconds": 60, "source": source() })
    } else {
        json!({ "kind": "confirmation" })
    };
    let mut routine = json!({
        "name": format!("Routine {number}"), "subject_kind": kind, "anchor": anchor,
        "steps": [{ "key": "work", "instruction": "Do the work.", "evidence": evidence }],
        "sources": [source()], "rough_minutes": 5 + number % 4 * 5,
        "window": { "may_start_minutes": -60, "due_by_minutes": 30, "overdue_minutes": 60, "missed_minutes": 300 },
    });
    for (key, value) in more.as_object().expect("an object") {
        routine[key] = value.clone();
    }
    routine
}

/// Ids of routines begin here.
pub(super) const ROUTINES: u32 = 5000;

/// A routine for every anchor there is.
pub(super) fn routines() -> Vec<Value> {
    let days = |n: i32| n * 1440;
    let wide = json!({ "window": { "may_start_minutes": 0, "due_by_minutes": days(2), "overdue_minutes": days(3),
                                   "missed_minutes": days(6) } });
    let none = json!({});
    let rule = |rule: &str, place: Value, closed_day: &str| {
        json!({ "kind": "calendar", "dates": { "rule": rule, "starts_on": "2026-01-05", "except_on": ["2026-05-04"],
                "also_on": ["2026-05-06"] }, "place": place, "closed_day": closed_day })
    };
    let idle = |days: u32, strengthens: Option<u32>| {
        json!({ "kind": "idle", "unused_days": days, "on": "open_days",
                "strengthens": strengthens.map(|n| id(ROUTINES + n)) })
    };
    let period = |each: &str, spread: bool| json!({ "kind": "period", "each": each, "spread": spread });
    let opening = json!({ "kind": "opening" });
    let closing = json!({ "kind": "closing" });
    let half_past_two = json!({ "kind": "local_time", "at": "02:30" });
    let plain = |anchor: &str| json!({ "kind": anchor });
    let by_period = |more: Value| {
        let mut routine = more;
        routine["window"] =
            json!({ "may_start_minutes": 0, "due_by_minutes": 0, "overdue_minutes": 0, "missed_minutes": 0 });
        routine
    };
    let drafts: Vec<(&str, Value, Value)> = vec![
        (
            "operatory",
            plain("opening"),
            json!({ "counts_as_use": true, "blocks_from": "may_start", "runs_mains_water": true }),
        ),
        ("operatory", plain("first_patient"), json!({ "blocks_from": "due_by" })),
        ("operatory", plain("turnover"), json!({ "runs_mains_water": true })),
        ("clinic", plain("session_end"), json!({ "runs_mains_water": true })),
        ("operatory", plain("closing"), none.clone()),
        ("steriliser", rule("FREQ=WEEKLY;BYDAY=MO,SA", opening.clone(), "next_open_day"), wide.clone()),
        ("clinic", rule("FREQ=MONTHLY;BYDAY=-1FR", closing.clone(), "previous_open_day"), wide.clone()),
        ("clinic", rule("FREQ=DAILY;INTERVAL=3", half_past_two, "not_required"), none.clone()),
        ("operatory", period("week", true), by_period(json!({ "runs_mains_water": true }))),
        ("operatory", period("month", true), by_period(json!({ "blocks_from": "due_by" }))),
        ("steriliser", period("quarter", false), by_period(json!({}))),
        ("operatory", period("year", true), by_period(json!({}))),
        (
            "steriliser",
            json!({ "kind": "interval", "every": { "days": 5 }, "place": opening, "closed_day": "next_open_day" }),
            wide.clone(),
        ),
        ("steriliser", json!({ "kind": "interval", "every": { "opening_hours": 30 } }), wide.clone()),
        ("operatory", idle(2, Some(0)), none.clone()),
        ("operatory", idle(5, Some(0)), none.clone()),
        ("operatory", idle(3, Some(1)), none.clone()),
        (
            "premises_outlet",
            json!({ "kind": "idle", "unused_days": 3, "on": "every_day", "place": { "kind": "local_time", "at": "09:00" } }),
            json!({ "counts_as_use": true }),
        ),
        ("operatory", json!({ "kind": "count", "of": "turnovers", "every": 3 }), none.clone()),
        ("steriliser", json!({ "kind": "count", "of": "cycles", "every": 2 }), none.clone()),
        (
            "operatory",
            json!({ "kind": "event", "of": ["repair", "plumbing_change", "return_to_service"] }),
            wide.clone(),
        ),
        ("steriliser", json!({ "kind": "follows", "routine_id": id(ROUTINES + 5), "when": "recorded" }), wide.clone()),
        // Of the opening routine, whose hold may be cut short.
        ("operatory", json!({ "kind": "follows", "routine_id": id(ROUTINES), "when": "failed" }), none.clone()),
        (
            "operatory",
            plain("opening"),
            json!({ "season": { "from": "11-01", "until": "04-15" }, "selection": { "water_sources": ["own_reservoir"] },
                    "ladder": { "rungs": [{ "after_minutes": 45, "counted_in": "opening_time", "audience": "clinic_lead" }] } }),
        ),
    ];
    drafts.into_iter().zip(0..).map(|((kind, anchor, more), n)| routine(n, kind, &anchor, &more)).collect()
}
