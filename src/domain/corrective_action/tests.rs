use chrono::TimeDelta;

use super::*;

fn start() -> DateTime<Utc> {
    "2026-11-02T09:00:00Z".parse().expect("an instant")
}

fn before() -> DateTime<Utc> {
    start() - TimeDelta::seconds(1)
}

/// Tests an hour apart: `p` passed, `f` failed, `d` a second record that passed, `x` a second record that failed.
fn tests(made: &str) -> Vec<TestRun> {
    let run = |(i, kind): (usize, char)| TestRun {
        completion_id: Uuid::from_u128(100 + i as u128),
        made_at: start() + TimeDelta::hours(i64::try_from(i).expect("few")),
        recorded_at: start() + TimeDelta::hours(200),
        passed: matches!(kind, 'p' | 'd'),
        duplicate: matches!(kind, 'd' | 'x'),
    };
    made.chars().enumerate().map(run).collect()
}

/// Three consecutive passes: CDC, MMWR 52(RR-17) 2003, p. 24-25, read in a quotation. One that fails starts anew.
#[test]
fn only_tests_in_a_row_count_and_one_that_fails_starts_the_count_again() {
    for (made, passed, last) in [
        ("", 0, None),
        ("pp", 2, Some(1)),
        ("ppf", 0, None),
        ("ppfp", 1, Some(3)),
        ("ppfppp", 3, Some(5)),
        // One test that two people recorded is one test.
        ("pdp", 2, Some(2)),
        ("ppx", 0, None),
    ] {
        let last = last.map(|i| Uuid::from_u128(100 + i));
        assert_eq!(passed_in_a_row(&tests(made), before()), (passed, last), "{made}");
    }
}

#[test]
fn tests_made_before_the_step_before_do_not_count_and_order_of_arrival_decides_nothing() {
    let since = start() + TimeDelta::hours(2);
    assert_eq!(passed_in_a_row(&tests("pppp"), since).0, 1);
    let mut reversed = tests("fppp");
    reversed.reverse();
    assert_eq!(passed_in_a_row(&reversed, before()), passed_in_a_row(&tests("fppp"), before()));
    // Of one instant the failed one counts last.
    let mut at_once = tests("fp");
    at_once[0].made_at = at_once[1].made_at;
    assert_eq!(passed_in_a_row(&at_once, before()).0, 0);
}

#[test]
fn nobody_who_opened_an_action_or_recorded_a_step_of_it_is_a_second_person() {
    let step = StepRecord {
        record_id: Uuid::from_u128(1),
        step_key: "review".to_owned(),
        performed_at: start(),
        recorded_at: start(),
        performed_by: " kv ".to_owned(),
        key_id: Uuid::from_u128(2),
        note: String::new(),
        reference: String::new(),
        result: None,
        completion_id: None,
        early: false,
        late: false,
    };
    let steps = [step];
    assert!(not_a_second_person("", &steps, "Kofi Vale", "KV").is_some_and(|why| why.contains("review")));
    assert!(not_a_second_person("Mara Oduya", &[], "mara oduya", "MO").is_some());
    assert_eq!(not_a_second_person("", &steps, "Mara Oduya", "MO"), None);
}

#[test]
fn ids_are_derived_from_what_they_are_of_and_are_told_apart_from_a_clients() {
    let cause = Uuid::from_u128(7);
    let ids: std::collections::BTreeSet<Uuid> =
        ChainKind::ALL.into_iter().map(|kind| derive_action_id(kind, cause, Uuid::nil())).collect();
    assert_eq!(ids.len(), ChainKind::ALL.len());
    // RFC 9562, section 5.8: version 8 is the application's own layout.
    assert!(ids.iter().all(|id| id.get_version_num() == 8));
    assert_eq!(derive_quarantine_id(cause).get_version_num(), 8);
    assert_ne!(
        derive_note_id(cause, ActionNoteKind::Duplicate, cause),
        derive_note_id(cause, ActionNoteKind::FurtherFailure, cause)
    );
}
