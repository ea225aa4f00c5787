use chrono::TimeDelta;

use super::*;

fn quarantine(recorded_at: DateTime<Utc>, released_at: Option<DateTime<Utc>>) -> Quarantine {
    let id = Uuid::from_u128;
    Quarantine {
        quarantine_id: id(1),
        clinic_id: id(2),
        subject_id: id(3),
        line: None,
        load_reference: None,
        cycle_id: None,
        cause: CauseKind::Person,
        cause_id: None,
        reason: "Hose burst.".to_owned(),
        begun_at: recorded_at - TimeDelta::minutes(10),
        recorded_at,
        begun_by: "KV".to_owned(),
        staff_id: None,
        key_id: Some(id(4)),
        release: released_at.map(|recorded_at| Release {
            release_id: id(5),
            staff_id: id(6),
            released_by: "Kofi Vale".to_owned(),
            reason: "Hose replaced, lines flushed.".to_owned(),
            disposition: None,
            recorded_at,
            key_id: id(4),
        }),
    }
}

#[test]
fn it_stands_from_its_record_until_a_release_and_for_ever_without_one() {
    let at = |text: &str| text.parse::<DateTime<Utc>>().expect("an instant");
    let begun = at("2026-11-02T10:40:00Z");
    let released = quarantine(begun, Some(at("2026-11-03T09:00:00Z")));
    // What was entered at 10:40 was not known at 10:35, even if it says that it began at 10:30.
    assert!(!released.stands_at(at("2026-11-02T10:39:59Z")));
    assert!(released.stands_at(begun));
    assert!(released.stands_at(at("2026-11-03T08:59:59Z")));
    assert!(!released.stands_at(at("2026-11-03T09:00:00Z")));
    assert!(quarantine(begun, None).stands_at(at("2199-01-01T00:00:00Z")));
}

#[test]
fn every_cause_is_found_by_its_name() {
    for kind in CauseKind::ALL {
        assert_eq!(CauseKind::from_name(kind.as_str()), Some(kind));
    }
    assert_eq!(CauseKind::from_name("weather"), None);
}
