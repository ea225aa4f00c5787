//! Each fact as its sentence, in the clinic's own time.

use serde_json::{Value, json};

use super::*;
use crate::domain::fixtures::{at, id, on, zone};

fn read(fact: Value, moved: Option<Move>) -> String {
    let fact = serde_json::from_value(fact).expect("a fact");
    let because = Because { fact, moved, utc_offset_seconds: 0 };
    let names = RoutineNames([(id(7), "Flush before the first patient".to_owned())].into());
    // 08:30 in winter; London is at UTC then.
    because.sentence(at("2026-11-30 08:30"), &zone("Europe/London"), &names)
}

#[test]
fn every_fact_reads_as_one_sentence() {
    let cases = [
        (json!({ "kind": "planned_opening" }), "By its hours the clinic opens at 08:30 on Monday 2026-11-30."),
        (
            json!({ "kind": "session_end", "posted": true }),
            "The front desk posted the end of the session at 08:30 on Monday 2026-11-30.",
        ),
        (
            json!({ "kind": "patient_left", "mark_id": id(1) }),
            "A patient left the operatory at 08:30 on Monday 2026-11-30.",
        ),
        (
            json!({ "kind": "period_due", "period": "2026-11", "chosen_on": "2026-11-30", "spread": true }),
            "Wanted once in 2026-11 and planned for 2026-11-30, where it evens out the clinic's work: \
             at 08:30 on Monday 2026-11-30.",
        ),
        (
            json!({ "kind": "last_done", "completion_id": id(1), "done_on": "2026-11-29", "days": 1 }),
            "Last done on 2026-11-29, and due 1 day after that: at 08:30 on Monday 2026-11-30.",
        ),
        (
            json!({ "kind": "opening_hours", "since_at": "2026-11-20T08:00:00Z", "hours": 0 }),
            "Never recorded as done, and due at the first opening it is there for: at 08:30 on Monday 2026-11-30.",
        ),
        (
            json!({ "kind": "unused", "last_used_on": "2026-11-27", "recorded": true, "unused_days": 2,
                    "instead_of": id(7) }),
            "Last used on 2026-11-27 by the record: 2 whole days without use, and this takes the place of \
             \u{201c}Flush before the first patient\u{201d}, at 08:30 on Monday 2026-11-30.",
        ),
        (
            json!({ "kind": "marks", "of": "cycles", "number": 120, "every": 40 }),
            "Cycle number 120 was at 08:30 on Monday 2026-11-30, and it is due after every 40.",
        ),
        (
            json!({ "kind": "site_event", "event_id": id(1), "event": "water_advisory_lifted" }),
            "A notice not to use mains water was lifted at 08:30 on Monday 2026-11-30.",
        ),
        (
            json!({ "kind": "completion", "completion_id": id(1), "routine_id": id(8), "when": "passed" }),
            "It follows another routine, which passed at 08:30 on Monday 2026-11-30.",
        ),
    ];
    for (fact, sentence) in cases {
        assert_eq!(read(fact, None), sentence);
    }
}

#[test]
fn a_date_that_was_moved_says_from_where() {
    let moved = Move { from_on: on("2026-11-29"), by: ClosedDayRule::NextOpenDay };
    assert_eq!(
        read(json!({ "kind": "rule_date", "rule": "FREQ=WEEKLY;BYDAY=SU" }), Some(moved)),
        "A date of the rule FREQ=WEEKLY;BYDAY=SU; 2026-11-29 is a closed day, so it moved to the next open day: \
         at 08:30 on Monday 2026-11-30."
    );
}

#[test]
fn the_moment_is_told_in_the_clinics_own_time() {
    let because = Because { fact: Fact::PlannedClosing {}, moved: None, utc_offset_seconds: -18_000 };
    // New York is five hours behind UTC in winter: the evening before, by UTC's date.
    let sentence = because.sentence(at("2026-12-01 02:15"), &zone("America/New_York"), &RoutineNames::default());
    assert_eq!(sentence, "By its hours the clinic closes at 21:15 on Monday 2026-11-30.");
}
