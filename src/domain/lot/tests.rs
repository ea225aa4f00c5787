use super::*;
use crate::domain::zone;

fn at(text: &str) -> DateTime<Utc> {
    text.parse().expect("an instant")
}

fn zone(name: &str) -> Zone {
    zone::database().zone(name).expect("a zone")
}

fn day(text: &str) -> NaiveDate {
    text.parse().expect("a date")
}

/// Days are counted as terms of the trade have it, opened date and label days, at most the expiry (common practice, no
/// source); ends of days by hand from the zones' offsets: Honolulu is ten hours behind UTC, Auckland in November
/// thirteen ahead.
#[test]
fn a_lot_is_usable_through_its_last_day_at_its_clinic() {
    let cases = [
        // Never opened: through the expiry date.
        ("Pacific/Honolulu", None, None, "2026-11-30", "2026-12-01T10:00:00Z"),
        ("Pacific/Auckland", None, None, "2026-11-30", "2026-11-30T11:00:00Z"),
        // Opened on the 1st by the clinic's calendar, 28 days: through the 29th.
        ("Pacific/Honolulu", Some("2026-11-02T09:59:00Z"), Some(28), "2027-01-31", "2026-11-30T10:00:00Z"),
        ("Pacific/Honolulu", Some("2026-11-02T10:00:00Z"), Some(28), "2027-01-31", "2026-12-01T10:00:00Z"),
        // The expiry comes first.
        ("Europe/London", Some("2026-11-02T09:00:00Z"), Some(28), "2026-11-10", "2026-11-11T00:00:00Z"),
        // The day on which clocks go back in London has 25 hours.
        ("Europe/London", None, None, "2026-10-25", "2026-10-26T00:00:00Z"),
    ];
    for (name, opened, days, expires, until) in cases {
        let life = days.map(|days| InUseLife::Days { days });
        let got = in_use_until(day(expires), opened.map(at), life, &zone(name));
        assert_eq!(got, at(until), "{name} {opened:?} {days:?} {expires}");
    }
}

#[test]
fn hours_are_counted_from_the_minute() {
    let life = Some(InUseLife::Hours { hours: 24 });
    let opened = Some(at("2026-10-24T12:30:00Z"));
    let got = in_use_until(day("2027-01-31"), opened, life, &zone("Europe/London"));
    assert_eq!(got, at("2026-10-25T12:30:00Z"), "a day of 25 hours makes no hour longer");
}

fn mark(kind: LotMarkKind, when: &str) -> LotMark {
    LotMark {
        kind,
        marked_at: at(when),
        marked_by: "KV".to_owned(),
        staff_id: None,
        reason: String::new(),
        authority: String::new(),
        recorded_at: at(when),
    }
}

#[test]
fn the_last_mark_of_a_kind_counts() {
    let marks = [
        mark(LotMarkKind::Opened, "2026-11-02T09:00:00Z"),
        mark(LotMarkKind::Recalled, "2026-11-03T09:00:00Z"),
        mark(LotMarkKind::Opened, "2026-11-01T09:00:00Z"),
        mark(LotMarkKind::RecallWithdrawn, "2026-11-04T09:00:00Z"),
    ];
    assert_eq!(last_like(&marks, LotMarkKind::Opened).map(|m| m.marked_at), Some(at("2026-11-01T09:00:00Z")));
    assert!(standing_recall(&marks).is_none());
    assert!(standing_recall(&marks[..2]).is_some());
    assert!(last_like(&marks, LotMarkKind::Discarded).is_none());
}

#[test]
fn other_words_about_a_recall_are_the_same_recall_and_one_after_a_withdrawal_is_another() {
    let kinds = [
        (LotMarkKind::Opened, None),
        (LotMarkKind::Recalled, Some(2)),
        (LotMarkKind::Emptied, Some(2)),
        (LotMarkKind::Recalled, Some(2)),
        (LotMarkKind::RecallWithdrawn, None),
        (LotMarkKind::Discarded, None),
        (LotMarkKind::Recalled, Some(7)),
        (LotMarkKind::Recalled, Some(7)),
    ];
    let marks: Vec<_> = kinds.iter().map(|(kind, _)| mark(*kind, "2026-11-02T09:00:00Z")).collect();
    for (i, (_, number)) in kinds.iter().enumerate() {
        assert_eq!(standing_recall_number(&marks[..=i]), *number, "after {}", i + 1);
    }
    assert_eq!(standing_recall_number(&[]), None);
}

#[test]
fn every_kind_is_found_by_its_name() {
    for kind in LotMarkKind::ALL {
        assert_eq!(LotMarkKind::from_name(kind.as_str()), Some(kind));
    }
}
