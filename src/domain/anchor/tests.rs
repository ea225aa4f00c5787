//! Rules of the anchors, seasons, and their written forms.

use serde_json::{Value, json};

use super::*;
use crate::domain::fixtures::*;

fn pointers(anchor: &Anchor, kind: SubjectKind) -> Vec<String> {
    anchor.faults(kind).into_iter().map(|f| f.pointer).collect()
}

fn read(anchor: Value) -> Anchor {
    serde_json::from_value(anchor).expect("an anchor")
}

#[test]
fn an_anchor_names_each_broken_rule_and_its_place() {
    use SubjectKind::{Clinic, Eyewash, Operatory, Steriliser};
    let place = json!({ "kind": "opening" });
    for (anchor, kind, expected) in [
        (json!({ "kind": "first_patient" }), Operatory, vec![]),
        (json!({ "kind": "session_end" }), Clinic, vec![]),
        (json!({ "kind": "turnover" }), Clinic, vec![""]),
        (json!({ "kind": "period", "each": "week" }), Steriliser, vec![]),
        (
            json!({ "kind": "interval", "every": { "days": 7 }, "place": place, "closed_day": "next_open_day" }),
            Clinic,
            vec![],
        ),
        (json!({ "kind": "interval", "every": { "days": 7 } }), Clinic, vec!["/place", "/closed_day"]),
        (
            json!({ "kind": "interval", "every": { "days": 0 }, "place": place, "closed_day": "next_open_day" }),
            Clinic,
            vec!["/every/days"],
        ),
        (json!({ "kind": "interval", "every": { "opening_hours": 40 } }), Clinic, vec![]),
        (
            json!({ "kind": "interval", "every": { "opening_hours": 10_001 }, "place": place }),
            Clinic,
            vec!["/every/opening_hours", "/place"],
        ),
        (json!({ "kind": "idle", "unused_days": 3, "on": "open_days" }), Operatory, vec![]),
        (
            json!({ "kind": "idle", "unused_days": 3661, "on": "open_days", "place": place }),
            Operatory,
            vec!["/unused_days", "/place"],
        ),
        (json!({ "kind": "idle", "unused_days": 6, "on": "every_day", "place": place }), Eyewash, vec![]),
        (json!({ "kind": "idle", "unused_days": 6, "on": "every_day" }), Eyewash, vec!["/place"]),
        (
            json!({ "kind": "idle", "unused_days": 6, "on": "every_day", "place": place, "strengthens": id(1) }),
            Eyewash,
            vec!["/strengthens"],
        ),
        (json!({ "kind": "count", "of": "turnovers", "every": 10 }), Operatory, vec![]),
        (json!({ "kind": "count", "of": "turnovers", "every": 10 }), Steriliser, vec!["/of"]),
        (json!({ "kind": "count", "of": "cycles", "every": 0 }), Steriliser, vec!["/every"]),
        (json!({ "kind": "count", "of": "cycles", "every": 50 }), Eyewash, vec!["/of"]),
        (json!({ "kind": "event", "of": ["repair"] }), Operatory, vec![]),
        (json!({ "kind": "event", "of": [] }), Operatory, vec!["/of"]),
        (json!({ "kind": "follows", "routine_id": id(1), "when": "passed" }), Operatory, vec![]),
    ] {
        assert_eq!(pointers(&read(anchor.clone()), kind), expected, "{anchor}");
    }
}

#[test]
fn a_season_may_span_the_years_end_and_holds_its_leap_day() {
    let season = |from: &str, until: &str| -> Season {
        serde_json::from_value(json!({ "from": from, "until": until })).expect("a season")
    };
    for (from, until, date, expected) in [
        ("05-01", "09-30", "2026-05-01", true),
        ("05-01", "09-30", "2026-09-30", true),
        ("05-01", "09-30", "2026-10-01", false),
        ("11-01", "02-28", "2026-12-31", true),
        ("11-01", "02-28", "2027-02-28", true),
        ("11-01", "02-28", "2028-02-29", false),
        ("11-01", "02-29", "2028-02-29", true),
        ("11-01", "02-28", "2026-10-31", false),
    ] {
        assert_eq!(season(from, until).holds(on(date)), expected, "{from} to {until}, {date}");
    }
    for text in ["2-28", "02-30", "13-01", "0228", "02-28 "] {
        assert!(serde_json::from_value::<MonthDay>(json!(text)).is_err(), "{text}");
    }
    assert_eq!(json!(season("11-01", "02-29")), json!({ "from": "11-01", "until": "02-29" }));
}
