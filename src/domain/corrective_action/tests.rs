use chrono::TimeDelta;

use super::*;

fn start() -> DateTime<Utc> {
    "2026-11-02T09:00:00Z".parse().expect("an instant")
}

fn before() -> DateTime<Utc> {
    start() - TimeDelta::seconds(1)
}

/// Tests an hour apart: `p` passed, `f` failed, `d` a second record that passed, `x` a second record that failed, `l` passed
/// and left two lines out.
fn tests(made: &str) -> Vec<TestRun> {
    let run = |(i, kind): (usize, char)| TestRun {
        completion_id: Uuid::from_u128(100 + i as u128),
        made_at: start() + TimeDelta::hours(i64::try_from(i).expect("few")),
        recorded_at: start() + TimeDelta::hours(200),
        passed: matches!(kind, 'p' | 'd' | 'l'),
        duplicate: matches!(kind, 'd' | 'x'),
        left_out: if kind == 'l' { vec!["handpiece-1".to_owned(), "syringe".to_owned()] } else { Vec::new() },
        counts_from: None,
    };
    made.chars().enumerate().map(run).collect()
}

fn in_a_row(tests: &[TestRun], since: DateTime<Utc>) -> TestsInARow {
    passed_in_a_row(tests, since, TimeDelta::zero())
}

/// Weekly until four are in range: common practice, no source. Here tests an hour apart must lie three hours apart.
#[test]
fn tests_that_must_lie_apart_count_once_within_that_time_and_one_that_fails_still_starts_anew() {
    let hours = |n: i64| start() + TimeDelta::hours(n);
    for (made, passed, last, next_from) in [
        ("p", 1, Some(0), Some(3)),
        ("pp", 1, Some(0), Some(3)),
        // Of those too near none moves the time on, so that whoever measures daily still gets there.
        ("pppp", 2, Some(3), Some(6)),
        ("ppppppp", 3, Some(6), Some(9)),
        ("ppfp", 1, Some(3), Some(6)),
        ("pppf", 0, None, None),
        ("pppx", 0, None, None),
    ] {
        let row = passed_in_a_row(&tests(made), before(), TimeDelta::hours(3));
        let last = last.map(|i| Uuid::from_u128(100 + i));
        assert_eq!((row.passed, row.last, row.next_from), (passed, last, next_from.map(hours)), "{made}");
    }
    let told = passed_in_a_row(&tests("pp"), before(), TimeDelta::hours(3)).left_out;
    let why = "the test made at 2026-11-02T10:00:00Z is too early: one that passed counts from 2026-11-02T12:00:00Z on";
    assert_eq!(told, [why]);
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
        // One that left lines out neither counts nor starts the count again.
        ("l", 0, None),
        ("pl", 1, Some(0)),
        ("plp", 2, Some(2)),
    ] {
        let last = last.map(|i| Uuid::from_u128(100 + i));
        let row = in_a_row(&tests(made), before());
        assert_eq!((row.passed, row.last, row.next_from), (passed, last, None), "{made}");
    }
}

/// A pool hides a bad line: CDA Essentials 2019(6):40, read. So no pool speaks for a line, whatever its count.
#[test]
fn a_passed_test_decides_only_with_every_line_that_is_asked_for_in_a_bottle_of_its_own() {
    let lines = |names: &str| names.split_whitespace().map(str::to_owned).collect::<Vec<_>>();
    let asked = lines("handpiece-1 handpiece-2 syringe");
    for (bottles, missing) in [
        (vec!["handpiece-1", "handpiece-2", "syringe"], ""),
        (vec!["handpiece-1", "handpiece-2", "syringe", "scaler"], ""),
        (vec!["handpiece-1", "handpiece-2"], "syringe"),
        (vec!["handpiece-1 handpiece-2 syringe"], "handpiece-1 handpiece-2 syringe"),
        (vec!["handpiece-1 handpiece-2", "syringe"], "handpiece-1 handpiece-2"),
        // In a pool as well as alone is alone.
        (vec!["handpiece-1", "handpiece-2", "syringe", "syringe scaler"], ""),
        (vec![], "handpiece-1 handpiece-2 syringe"),
    ] {
        let bottles: Vec<_> = bottles.into_iter().map(lines).collect();
        assert_eq!(left_out(&asked, &bottles), lines(missing), "{bottles:?}");
    }
    assert_eq!(left_out(&[], &[]), [""; 0]);
    for (kind, decides) in [("p", true), ("f", true), ("x", true), ("d", false), ("l", false)] {
        assert_eq!(tests(kind)[0].decides(), decides, "{kind}");
    }
    let why = tests("l")[0].says_too_little().expect("it says why");
    assert_eq!(
        why,
        "the test made at 2026-11-02T09:00:00Z left out the lines handpiece-1, syringe, or had them in a pool"
    );
    // Made before its step may begin, a pass decides nothing, and a failure does.
    let early = TestRun { counts_from: Some(start() + TimeDelta::days(5)), ..tests("p").remove(0) };
    assert!(!early.decides() && in_a_row(std::slice::from_ref(&early), start() - TimeDelta::hours(1)).passed == 0);
    assert!(early.says_too_little().is_some_and(|why| why.contains("is too early: one that passed counts from")));
    assert!(TestRun { passed: false, ..early }.decides());
    let failed = TestRun { passed: false, ..tests("l").remove(0) };
    assert!(failed.decides() && failed.says_too_little().is_none());
}

#[test]
fn tests_made_before_the_step_before_do_not_count_and_order_of_arrival_decides_nothing() {
    let since = start() + TimeDelta::hours(2);
    assert_eq!(in_a_row(&tests("pppp"), since).passed, 1);
    let mut reversed = tests("fppp");
    reversed.reverse();
    assert_eq!(in_a_row(&reversed, before()), in_a_row(&tests("fppp"), before()));
    // Of one instant the failed one counts last.
    let mut at_once = tests("fp");
    at_once[0].made_at = at_once[1].made_at;
    assert_eq!(in_a_row(&at_once, before()).passed, 0);
}

#[test]
fn nobody_who_had_a_hand_in_an_action_is_a_second_person() {
    let hand = |staff_id: Option<u128>, entered: &str| Hand {
        did: "recorded step review".to_owned(),
        staff_id: staff_id.map(Uuid::from_u128),
        entered: entered.to_owned(),
    };
    let kofi = Signing { staff_id: Uuid::from_u128(1), name: "Kofi Vale", initials: "KV" };
    for (hand, is_the_same) in [
        (hand(None, " kv "), true),
        (hand(None, "KOFI VALE"), true),
        (hand(Some(1), "KV"), true),
        // Whatever initials came with the id, and whoever the initials were said to be.
        (hand(Some(1), "MO"), true),
        (hand(Some(2), "KV"), true),
        (hand(Some(2), "MO"), false),
        (hand(None, "K"), false),
        (hand(None, ""), false),
    ] {
        let why = not_a_second_person(std::slice::from_ref(&hand), kofi);
        assert_eq!(why.is_some(), is_the_same, "{hand:?}");
        assert!(why.is_none_or(|why| why == "Kofi Vale recorded step review"));
    }
    let unnamed = Signing { name: "", initials: "", ..kofi };
    assert_eq!(not_a_second_person(&[Hand::of_opening("", None)], unnamed), None);
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
