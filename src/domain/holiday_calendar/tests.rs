//! What a file means, against the text of RFC 5545; the section stands beside each row.

use std::collections::BTreeMap;

use chrono::NaiveDate;
use proptest::prelude::*;
use uuid::Uuid;

use super::*;

const CLINIC: Uuid = Uuid::from_u128(0xC1);

fn day(text: &str) -> NaiveDate {
    text.parse().unwrap()
}

fn file(events: &[&str]) -> String {
    let event = |lines: &&str| format!("BEGIN:VEVENT\r\n{}\r\nEND:VEVENT\r\n", lines.replace('|', "\r\n"));
    let events = events.iter().map(event).collect::<Vec<_>>().concat();
    format!("BEGIN:VCALENDAR\r\nVERSION:2.0\r\n{events}END:VCALENDAR\r\n")
}

/// Read for a clinic in New York, the zone of the RFC's examples.
fn read_between(text: &str, from: &str, until: &str) -> Result<Reading, CalendarError> {
    read_over(text, from, until, &BTreeMap::new())
}

fn read_over(
    text: &str,
    from: &str,
    until: &str,
    standing: &BTreeMap<Uuid, Closure>,
) -> Result<Reading, CalendarError> {
    let zone = "America/New_York".parse().unwrap();
    read(text, &Scope { clinic_id: CLINIC, zone: &zone, from: day(from), until: day(until), standing })
}

fn spans(reading: &Reading) -> Vec<String> {
    let local = |time: NaiveDateTime| time.format("%Y-%m-%dT%H:%M").to_string();
    reading.closures.iter().map(|c| format!("{}/{}", local(c.closure.from), local(c.closure.until))).collect()
}

fn reasons(reading: &Reading) -> Vec<&str> {
    reading.skipped.iter().map(|skipped| skipped.reason.as_str()).collect()
}

#[test]
fn an_event_closes_the_times_that_rfc_5545_gives_it() {
    // (section of RFC 5545, lines of the event, expected spans in New York time). The properties are the RFC's own.
    #[rustfmt::skip]
    let cases: [(&str, &str, &[&str]); 18] = [
        ("3.6.1, multi-day event whose DTEND is not included", "DTSTART;VALUE=DATE:20070628|DTEND;VALUE=DATE:20070709",
         &["2007-06-28T00:00/2007-07-09T00:00"]),
        ("3.6.1, DATE without DTEND lasts one day", "DTSTART;VALUE=DATE:20071102", &["2007-11-02T00:00/2007-11-03T00:00"]),
        ("3.3.6, P7W", "DTSTART;VALUE=DATE:20070101|DURATION:P7W", &["2007-01-01T00:00/2007-02-19T00:00"]),
        ("3.3.6, P15DT5H0M20S, rounded out to the minute", "DTSTART:20070101T080000|DURATION:P15DT5H0M20S",
         &["2007-01-01T08:00/2007-01-16T13:01"]),
        ("3.3.5 form 1, floating", "DTSTART:19980118T230000|DTEND:19980119T010000", &["1998-01-18T23:00/1998-01-19T01:00"]),
        ("3.3.5 form 2, UTC: 07:00Z is 02:00 in New York", "DTSTART:19980119T070000Z|DURATION:PT1H",
         &["1998-01-19T02:00/1998-01-19T03:00"]),
        ("3.3.5 form 3, TZID", "DTSTART;TZID=America/New_York:19980119T020000|DURATION:PT1H",
         &["1998-01-19T02:00/1998-01-19T03:00"]),
        ("3.3.5, a zone three hours behind New York", "DTSTART;TZID=America/Los_Angeles:19980119T090000|DURATION:PT1H",
         &["1998-01-19T12:00/1998-01-19T13:00"]),
        ("3.3.5, 02:30 in the gap of 2007-03-11 is 03:30", "DTSTART;TZID=America/New_York:20070311T023000|DURATION:PT1H",
         &["2007-03-11T03:30/2007-03-11T04:30"]),
        ("3.3.5, 01:30 in the fold of 2007-11-04 is the first", "DTSTART;TZID=America/New_York:20071104T013000|DTEND:20071104T073000Z",
         &["2007-11-04T01:30/2007-11-04T02:30"]),
        ("3.3.6, a nominal day over the change of 2007-03-11", "DTSTART;TZID=America/New_York:20070310T120000|DURATION:P1D",
         &["2007-03-10T12:00/2007-03-11T12:00"]),
        ("3.3.6, 24 exact hours over the same change", "DTSTART;TZID=America/New_York:20070310T120000|DURATION:PT24H",
         &["2007-03-10T12:00/2007-03-11T13:00"]),
        ("3.8.5.3, every January, UNTIL in UTC", "DTSTART;TZID=America/New_York:19980101T090000|DURATION:PT1H|RRULE:FREQ=DAILY;UNTIL=19980103T140000Z",
         &["1998-01-01T09:00/1998-01-01T10:00", "1998-01-02T09:00/1998-01-02T10:00", "1998-01-03T09:00/1998-01-03T10:00"]),
        ("3.3.10, UNTIL a second too early leaves the last out", "DTSTART;TZID=America/New_York:19980101T090000|DURATION:PT1H|RRULE:FREQ=DAILY;UNTIL=19980102T135959Z",
         &["1998-01-01T09:00/1998-01-01T10:00"]),
        ("3.3.10, UNTIL on the next UTC date", "DTSTART;TZID=America/New_York:19980101T200000|DURATION:PT1H|RRULE:FREQ=DAILY;UNTIL=19980103T010000Z",
         &["1998-01-01T20:00/1998-01-01T21:00", "1998-01-02T20:00/1998-01-02T21:00"]),
        ("3.8.5.3, first Friday, COUNT", "DTSTART;VALUE=DATE:19970905|RRULE:FREQ=MONTHLY;COUNT=2;BYDAY=1FR",
         &["1997-09-05T00:00/1997-09-06T00:00", "1997-10-03T00:00/1997-10-04T00:00"]),
        ("3.8.5.1, EXDATE", "DTSTART;VALUE=DATE:19970902|RRULE:FREQ=DAILY;COUNT=3|EXDATE;VALUE=DATE:19970903",
         &["1997-09-02T00:00/1997-09-03T00:00", "1997-09-04T00:00/1997-09-05T00:00"]),
        ("3.8.5.2, RDATE as dates and DTSTART with them", "DTSTART;VALUE=DATE:19970101|RDATE;VALUE=DATE:19970120,19970217",
         &["1997-01-01T00:00/1997-01-02T00:00", "1997-01-20T00:00/1997-01-21T00:00", "1997-02-17T00:00/1997-02-18T00:00"]),
    ];
    for (section, lines, expected) in cases {
        let reading = read_between(&file(&[&format!("UID:a|{lines}")]), "1997-01-01", "2007-12-31").unwrap();
        assert_eq!(
            (spans(&reading), reasons(&reading)),
            (expected.iter().map(ToString::to_string).collect(), vec![]),
            "{section}"
        );
    }
}

/// Section 3.8.5.2: `RDATE;VALUE=PERIOD:19960403T020000Z/19960403T040000Z,19960404T010000Z/PT3H`.
#[test]
fn a_period_has_a_length_of_its_own() {
    let event = "UID:a|DTSTART:19960402T010000Z|DURATION:PT30M|\
                 RDATE;VALUE=PERIOD:19960403T020000Z/19960403T040000Z,19960404T010000Z/PT3H";
    let reading = read_between(&file(&[event]), "1996-01-01", "1996-12-31").unwrap();
    // Eastern standard time, UTC-5, until 1996-04-07.
    let expected =
        ["1996-04-01T20:00/1996-04-01T20:30", "1996-04-02T21:00/1996-04-02T23:00", "1996-04-03T20:00/1996-04-03T23:00"];
    assert_eq!(spans(&reading), expected);
}

/// Sections 3.1 (folding, also within a word), 3.3.11 (escapes) and 3.8.1.12 (SUMMARY).
#[test]
fn a_reason_is_the_unfolded_summary_in_one_line_of_at_most_200_characters() {
    let cases = [
        ("SUMMARY:Mid\r\n win\r\n\tter", "Midwinter"),
        ("SUMMARY;LANGUAGE=en:Rest\\, then\\nwork\\; slowly", "Rest, then work; slowly"),
        ("SUMMARY;ALTREP=\"http://x.example/a;b:c\":Feast", "Feast"),
        ("SUMMARY:", "closed by the imported calendar"),
        ("COMMENT:none", "closed by the imported calendar"),
        ("SUMMARY:Füllhorn \u{1F384}", "Füllhorn \u{1F384}"),
    ];
    for (line, expected) in cases {
        let text = file(&[&format!("UID:a|DTSTART;VALUE=DATE:20261224|{line}")]);
        let reading = read_between(&text, "2026-12-01", "2026-12-31").unwrap();
        assert_eq!(reading.closures[0].closure.reason, expected, "{line:?}");
    }
    let long = file(&[&format!("UID:a|DTSTART;VALUE=DATE:20261224|SUMMARY:{}", "ü".repeat(300))]);
    let reading = read_between(&long, "2026-12-01", "2026-12-31").unwrap();
    assert_eq!(reading.closures[0].closure.reason, "ü".repeat(200));
}

/// Sections 3.8.4.4 (RECURRENCE-ID) and 3.8.1.11 (STATUS).
#[test]
fn an_override_replaces_its_occurrence_and_keeps_its_identity() {
    let series = "UID:a|SUMMARY:Works|DTSTART;VALUE=DATE:20270104|RRULE:FREQ=WEEKLY;COUNT=4";
    let moved = "UID:a|SUMMARY:Works|RECURRENCE-ID;VALUE=DATE:20270111|DTSTART;VALUE=DATE:20270113";
    let cancelled =
        "UID:a|SUMMARY:Works|RECURRENCE-ID;VALUE=DATE:20270118|DTSTART;VALUE=DATE:20270118|STATUS:CANCELLED";
    let before = read_between(&file(&[series]), "2027-01-01", "2027-12-31").unwrap();
    // Overrides may stand before their series.
    let after = read_between(&file(&[cancelled, moved, series]), "2027-01-01", "2027-12-31").unwrap();
    assert_eq!(
        spans(&after),
        ["2027-01-04T00:00/2027-01-05T00:00", "2027-01-13T00:00/2027-01-14T00:00", "2027-01-25T00:00/2027-01-26T00:00"]
    );
    let id = |reading: &Reading, n: usize| reading.closures[n].closure_id;
    assert_eq!([id(&after, 0), id(&after, 1), id(&after, 2)], [id(&before, 0), id(&before, 1), id(&before, 3)]);
    assert_eq!(reasons(&after), ["it is cancelled (STATUS:CANCELLED)"]);
    // The same instant in another notation names the same occurrence.
    let timed = "UID:a|DTSTART;TZID=America/New_York:20270104T090000|DURATION:PT1H|RRULE:FREQ=DAILY;COUNT=2";
    let in_utc = "UID:a|RECURRENCE-ID:20270105T140000Z|DTSTART:20270105T200000Z|DURATION:PT1H";
    let reading = read_between(&file(&[timed, in_utc]), "2027-01-01", "2027-12-31").unwrap();
    assert_eq!(spans(&reading), ["2027-01-04T09:00/2027-01-04T10:00", "2027-01-05T15:00/2027-01-05T16:00"]);
}

#[test]
fn what_is_not_understood_is_listed_and_the_rest_goes_on() {
    #[rustfmt::skip]
    let cases = [
        ("UID:a", "DTSTART is missing"),
        ("DTSTART;VALUE=DATE:20270104", "it has no UID, so that a repeat could not be told from a new event"),
        ("UID:a|DTSTART;VALUE=DATE:20270104|DTEND;VALUE=DATE:20270103", "its end is not after its start"),
        ("UID:a|DTSTART;VALUE=DATE:20270104|DTEND;VALUE=DATE:20270104", "its end is not after its start"),
        ("UID:a|DTSTART;VALUE=DATE:20270104|DTEND:20270105T000000", "its end and its start are not of one kind of time"),
        ("UID:a|DTSTART;VALUE=DATE:20270104|DTEND;VALUE=DATE:20270105|DURATION:P1D", "an event has DTEND or DURATION, not both"),
        ("UID:a|DTSTART;VALUE=DATE:20270104|DURATION:PT1H", "an event of whole days lasts whole days"),
        ("UID:a|DTSTART;VALUE=DATE:20270104|DURATION:-P1D", "DURATION `-P1D` is not a duration such as P1D or PT90M"),
        ("UID:a|DTSTART;VALUE=DATE:20270104|DURATION:P1W2D", "DURATION `P1W2D` is not a duration such as P1D or PT90M"),
        ("UID:a|DTSTART;VALUE=DATE:20270104|DURATION:P999999999W", "it lasts more than 400 days"),
        ("UID:a|DTSTART:20270104T080000", "it has a start and no length"),
        ("UID:a|DTSTART;VALUE=DATE:20270230", "DTSTART `20270230` cannot be read"),
        ("UID:a|DTSTART;VALUE=DATE:20270104X", "DTSTART `20270104X` cannot be read"),
        ("UID:a|DTSTART:20270104T250000|DURATION:PT1H", "DTSTART `20270104T250000` cannot be read"),
        ("UID:a|DTSTART;X='", "DTSTART `` cannot be read"),
        ("UID:a|DTSTART;VALUE=DATE:20270104|RRULE:FREQ=HOURLY", "RRULE: FREQ: `HOURLY` is not DAILY, WEEKLY, MONTHLY or YEARLY"),
        ("UID:a|DTSTART;VALUE=DATE:20270104|RRULE:FREQ=DAILY;COUNT=2;UNTIL=20270110", "RRULE ends by COUNT or by UNTIL, not both"),
        ("UID:a|DTSTART;VALUE=DATE:20270104|RRULE:FREQ=DAILY;UNTIL=soon", "UNTIL `soon` cannot be read"),
        ("UID:a|DTSTART;VALUE=DATE:20270104|RRULE:FREQ=DAILY;X=1", "RRULE: `X` is not a part of a recurrence rule"),
        ("UID:a|DTSTART;VALUE=DATE:20270104|RRULE:FREQ=WEEKLY;BYDAY=TU", "DTSTART is not a date of its RRULE, which RFC 5545 leaves undefined"),
        ("UID:a|DTSTART;VALUE=DATE:20270104|RRULE:FREQ=DAILY|RRULE:FREQ=DAILY", "RRULE is given more than once"),
        ("UID:a|DTSTART;VALUE=DATE:20270104|EXRULE:FREQ=DAILY", "EXRULE is not understood"),
        ("UID:a|DTSTART;VALUE=DATE:20270104|RRULE:FREQ=DAILY|EXDATE:20270105T000000", "EXDATE and DTSTART are not of one kind of time"),
        ("UID:a|DTSTART;VALUE=DATE:20270104|RDATE:20270105T000000", "RDATE and DTSTART are not of one kind of time"),
        ("UID:a|DTSTART;VALUE=DATE:20270104|TRANSP:TRANSPARENT", "it takes up no time (TRANSP:TRANSPARENT)"),
        ("UID:a|DTSTART;VALUE=DATE:20270104|STATUS:CANCELLED", "it is cancelled (STATUS:CANCELLED)"),
        ("UID:a|DTSTART;VALUE=DATE:20270104|STATUS:MAYBE", "STATUS `MAYBE` is not known"),
        ("UID:a|DTSTART;VALUE=DATE:20270104|RECURRENCE-ID;RANGE=THISANDFUTURE;VALUE=DATE:20270104", "line 7: RECURRENCE-ID with RANGE is not understood"),
    ];
    for (lines, reason) in cases {
        let text = file(&["UID:good|DTSTART;VALUE=DATE:20270301", lines]);
        let reading = read_between(&text, "2027-01-01", "2027-12-31").unwrap();
        assert_eq!(
            (spans(&reading), reasons(&reading)),
            (vec!["2027-03-01T00:00/2027-03-02T00:00".to_owned()], vec![reason]),
            "{lines}"
        );
        assert_eq!(reading.skipped[0].line, 7, "{lines}");
    }
    let zone = read_between(
        &file(&["UID:a|DTSTART;TZID=Somewhere:20270104T080000|DURATION:PT1H"]),
        "2027-01-01",
        "2027-12-31",
    );
    assert!(reasons(&zone.unwrap())[0].starts_with("`Somewhere` is not a zone"));
}

/// Section 3.4 and 3.6: a calendar is `BEGIN:VCALENDAR` to `END:VCALENDAR`, its components likewise.
#[test]
fn a_file_with_a_broken_frame_is_refused_whole() {
    let deep = format!("BEGIN:VCALENDAR\n{}", "BEGIN:VEVENT\n".repeat(150_000));
    let many = file(&vec!["UID:a"; MOST_EVENTS + 1]);
    let cases: [(&str, CalendarError); 9] = [
        ("", CalendarError::NotACalendar { line: 1 }),
        ("<html>", CalendarError::NotACalendar { line: 1 }),
        ("\r\nBEGIN:VEVENT\r\nEND:VEVENT", CalendarError::NotACalendar { line: 2 }),
        ("BEGIN:VCALENDAR\nBEGIN:VEVENT\nUID:a\n", CalendarError::CutShort),
        ("BEGIN:VCALENDAR\nBEGIN:VEVENT\nEND:VCALENDAR\n", CalendarError::WrongEnd { line: 3 }),
        ("END:VCALENDAR", CalendarError::WrongEnd { line: 1 }),
        ("BEGIN:VCALENDAR\nCALSCALE:CHINESE\nEND:VCALENDAR", CalendarError::NotGregorian { line: 2 }),
        (&deep, CalendarError::TooDeep { line: DEEPEST + 1 }),
        (&many, CalendarError::TooManyEvents),
    ];
    for (text, expected) in cases {
        let start: String = text.chars().take(60).collect();
        assert_eq!(read_between(text, "2027-01-01", "2027-12-31"), Err(expected), "{start:?}");
    }
    let daily = file(&["UID:a|DTSTART;VALUE=DATE:20270101|RRULE:FREQ=DAILY"]);
    assert_eq!(read_between(&daily, "2027-01-01", "2028-02-05"), Err(CalendarError::TooManyClosures));
    assert_eq!(read_between(&daily, "2027-01-01", "2028-02-04").unwrap().closures.len(), MOST_CLOSURES);
    // Twenty closures of 399 days and one of 19 touch 20 * 400 + 20 days, the last of them 20 too many.
    let long: Vec<_> = (0..20).map(|n| format!("UID:{n}|DTSTART;VALUE=DATE:20270101|DURATION:P399D")).collect();
    let mut long: Vec<_> = long.iter().map(String::as_str).collect();
    assert_eq!(read_between(&file(&long), "2027-01-01", "2027-12-31").unwrap().closures.len(), 20);
    long.push("UID:more|DTSTART;VALUE=DATE:20270101|DURATION:P19D");
    assert_eq!(read_between(&file(&long), "2027-01-01", "2027-12-31"), Err(CalendarError::TooManyDays));
}

#[test]
fn lines_inside_an_alarm_are_not_the_events() {
    let event = "UID:a|DTSTART;VALUE=DATE:20270104|BEGIN:VALARM|DURATION:PT5M|UID:b|END:VALARM";
    let reading = read_between(&file(&[event]), "2027-01-01", "2027-12-31").unwrap();
    assert_eq!(spans(&reading), ["2027-01-04T00:00/2027-01-05T00:00"]);
}

#[test]
fn a_second_reading_finds_everything_unchanged_and_a_moved_event_changed() {
    let events =
        ["UID:a|SUMMARY:One|DTSTART;VALUE=DATE:20270104", "UID:b|DTSTART;VALUE=DATE:20270201|RRULE:FREQ=YEARLY"];
    let first = read_between(&file(&events), "2027-01-01", "2027-12-31").unwrap();
    let again = read_over(&file(&events), "2027-01-01", "2027-12-31", &standing(&first)).unwrap();
    assert!(again.closures.iter().all(|closure| closure.novelty == Novelty::Unchanged));
    // Even out of the days that are looked at: else the old closure would stay.
    for start in ["20270105", "20280601"] {
        let moved = format!("UID:a|SUMMARY:One|DTSTART;VALUE=DATE:{start}");
        let reading = read_over(&file(&[&moved]), "2027-01-01", "2027-12-31", &standing(&first)).unwrap();
        let [closure] = reading.closures.as_slice() else { panic!("{start}: {reading:?}") };
        assert_eq!((closure.closure_id, closure.novelty), (first.closures[0].closure_id, Novelty::Changed), "{start}");
        assert_eq!(closure.closure.from.format("%Y%m%d").to_string(), start);
    }
}

fn standing(reading: &Reading) -> BTreeMap<Uuid, Closure> {
    reading.closures.iter().map(|closure| (closure.closure_id, closure.closure.clone())).collect()
}

/// What a second file changes, as `from novelty`, and what it leaves alone.
fn changes(first: &[&str], second: &[&str]) -> (Vec<String>, Vec<String>) {
    let before = read_between(&file(first), "2027-01-01", "2027-12-31").unwrap();
    let after = read_over(&file(second), "2027-01-01", "2027-12-31", &standing(&before)).unwrap();
    let date = |closure: &Closure| closure.from.format("%m-%dT%H").to_string();
    let changed = after.closures.iter().filter(|c| c.novelty != Novelty::Unchanged);
    (
        changed.map(|c| format!("{} {:?}", date(&c.closure), c.novelty)).collect(),
        after.left_alone.iter().map(|(_, closure)| date(closure)).collect(),
    )
}

/// What is cancelled, the first file, the second, what it changes and what it leaves alone.
type Case<'a> = (&'a str, &'a [&'a str], &'a [&'a str], Vec<String>, &'a [&'a str]);

/// RFC 5545: 3.8.1.11 (STATUS:CANCELLED), 3.8.4.4 (RECURRENCE-ID), 3.8.4.7 (UID), 3.8.7.4 (SEQUENCE).
#[test]
fn a_cancelled_event_takes_back_what_was_imported_of_it() {
    const ONE: &str = "UID:a|SUMMARY:One|DTSTART;VALUE=DATE:20270104";
    const WEEKLY: &str = "UID:w|SUMMARY:Works|DTSTART;VALUE=DATE:20270104|RRULE:FREQ=WEEKLY;COUNT=3";
    const MOVED: &str = "UID:w|SUMMARY:Works|RECURRENCE-ID;VALUE=DATE:20270111|DTSTART;VALUE=DATE:20270113";
    const EVENINGS: &str = "UID:e|DTSTART;TZID=America/New_York:20270104T200000|DURATION:PT1H|RRULE:FREQ=DAILY;COUNT=3";
    let gone = |dates: &[&str]| dates.iter().map(|date| format!("{date} Cancelled")).collect::<Vec<_>>();
    #[rustfmt::skip]
    let cases: [Case<'_>; 11] = [
        ("a lone event", &[ONE], &["UID:a|SEQUENCE:1|STATUS:CANCELLED|DTSTART;VALUE=DATE:20270104"], gone(&["01-04T00"]), &[]),
        ("without its start, by its UID alone", &[ONE], &["UID:a|STATUS:CANCELLED"], gone(&["01-04T00"]), &[]),
        ("of another UID on the same date", &[ONE], &["UID:b|STATUS:CANCELLED|DTSTART;VALUE=DATE:20270104"], gone(&[]), &["01-04T00"]),
        ("that only vanished", &[ONE], &[WEEKLY], vec!["01-04T00 New".to_owned(), "01-11T00 New".to_owned(), "01-18T00 New".to_owned()],
         &["01-04T00"]),
        ("a series", &[WEEKLY], &["UID:w|STATUS:CANCELLED|DTSTART;VALUE=DATE:20270104|RRULE:FREQ=WEEKLY;COUNT=3"],
         gone(&["01-04T00", "01-11T00", "01-18T00"]), &[]),
        ("a series with a moved occurrence", &[WEEKLY, MOVED], &["UID:w|STATUS:CANCELLED|DTSTART;VALUE=DATE:20270104|RRULE:FREQ=WEEKLY;COUNT=3"],
         gone(&["01-04T00", "01-13T00", "01-18T00"]), &[]),
        ("a series that lost its rule", &[WEEKLY], &["UID:w|STATUS:CANCELLED|DTSTART;VALUE=DATE:20270104"],
         gone(&["01-04T00", "01-11T00", "01-18T00"]), &[]),
        ("one occurrence of a series", &[WEEKLY], &[WEEKLY, "UID:w|RECURRENCE-ID;VALUE=DATE:20270111|DTSTART;VALUE=DATE:20270111|STATUS:CANCELLED"],
         gone(&["01-11T00"]), &[]),
        ("an occurrence that had moved", &[WEEKLY, MOVED], &[WEEKLY, "UID:w|RECURRENCE-ID;VALUE=DATE:20270111|STATUS:CANCELLED"],
         gone(&["01-13T00"]), &[]),
        // 2027-01-06T01:00Z is 20:00 on the 5th in New York; the 6th has an evening of its own.
        ("one occurrence, told by its instant, without its series", &[EVENINGS], &["UID:e|RECURRENCE-ID:20270106T010000Z|STATUS:CANCELLED"],
         gone(&["01-05T20"]), &["01-04T20", "01-06T20"]),
        ("that was revised since", &[ONE], &["UID:a|SEQUENCE:1|STATUS:CANCELLED", "UID:a|SUMMARY:One|SEQUENCE:2|DTSTART;VALUE=DATE:20270104"], gone(&[]), &[]),
    ];
    for (what, first, second, changed, left) in cases {
        let left: Vec<_> = left.iter().map(ToString::to_string).collect();
        assert_eq!(changes(first, second), (changed, left), "{what}");
    }
}

#[test]
fn what_lies_outside_the_days_of_interest_or_was_set_by_hand_is_not_taken_back() {
    let before = read_between(&file(&["UID:a|DTSTART;VALUE=DATE:20270104"]), "2027-01-01", "2027-12-31").unwrap();
    let mut stands = standing(&before);
    let by_hand = Closure { reason: "works".to_owned(), ..before.closures[0].closure.clone() };
    stands.insert(Uuid::from_u128(0x0b6f_2c3e_5d0a_4c57_9a53_7f1e_2a90_c009), by_hand);
    let cancelled = file(&["UID:a|STATUS:CANCELLED|DTSTART;VALUE=DATE:20270104"]);
    let later = read_over(&cancelled, "2027-01-05", "2027-12-31", &stands).unwrap();
    assert_eq!((later.closures, later.left_alone), (vec![], vec![]));
    let now = read_over(&cancelled, "2027-01-04", "2027-12-31", &stands).unwrap();
    assert_eq!((now.closures.len(), now.left_alone), (1, vec![]));
}

#[test]
fn of_two_revisions_the_later_counts() {
    let events = ["UID:a|SEQUENCE:1|DTSTART;VALUE=DATE:20270104", "UID:a|SEQUENCE:2|DTSTART;VALUE=DATE:20270105"];
    let reading = read_between(&file(&events), "2027-01-01", "2027-12-31").unwrap();
    assert_eq!(spans(&reading), ["2027-01-05T00:00/2027-01-06T00:00"]);
    assert_eq!(reasons(&reading), ["the event in line 8 has its UID and is taken instead"]);
}

/// Work is bounded: each of these rules counts through a hundred years and more, and the file holds 2,000 of them.
#[test]
fn rules_that_cost_too_much_are_skipped() {
    let lines: Vec<_> = (0..MOST_EVENTS)
        .map(|n| format!("UID:{n}|DTSTART;VALUE=DATE:19000101|RRULE:FREQ=YEARLY;COUNT=200000"))
        .collect();
    let text = file(&lines.iter().map(String::as_str).collect::<Vec<_>>());
    let reading = read_between(&text, "2027-02-01", "2027-12-01").unwrap();
    assert!(reasons(&reading).iter().all(|reason| reason.contains("take too long")), "{:?}", reasons(&reading).first());
    assert!(reading.closures.is_empty() && reading.skipped.len() > 1900, "{}", reading.skipped.len());
}

/// Years 1 to 1600, which no clock here can round to the minute, and an hour that New York's clocks show twice.
#[test]
fn one_event_does_not_fill_the_list_of_what_was_left_out() {
    let dates = |year: usize| (1..=12).map(move |month| format!("{year:04}{month:02}01"));
    let early: Vec<_> = (1..=1600).flat_map(dates).collect();
    let lists: Vec<_> = early.chunks(1600).map(|dates| format!("|RDATE;VALUE=DATE:{}", dates.join(","))).collect();
    let event = format!("UID:a|DTSTART;VALUE=DATE:20270104{}", lists.concat());
    let reading = read_between(&file(&[&event]), "2027-01-01", "2027-12-31").unwrap();
    assert_eq!((reading.closures.len(), reading.skipped.len()), (1, 0));
    // 2027-11-07: from 01:00 to 01:59:59 the first time, each an hour long, so that the clock shows the same again.
    let twice: Vec<_> = (0..3600).map(|second| format!("20271107T05{:02}{:02}Z", second / 60, second % 60)).collect();
    let lists: Vec<_> = twice.chunks(1800).map(|times| format!("|RDATE:{}", times.join(","))).collect();
    let event = format!("UID:a|DTSTART:20271107T050000Z|DURATION:PT1H{}", lists.concat());
    assert_eq!(read_between(&file(&[&event]), "2027-01-01", "2027-12-31"), Err(CalendarError::TooManyClosures));
    let once = "UID:a|DTSTART:20271107T050000Z|DURATION:PT1H";
    let reading = read_between(&file(&[once]), "2027-01-01", "2027-12-31").unwrap();
    assert_eq!(reasons(&reading), ["on 2027-11-07 it would close the clinic for no time or for over 400 days"]);
}

proptest! {
    /// No text makes the reader fail otherwise than by an error, and no closure is told outside what was asked.
    #[test]
    fn whatever_an_event_says_its_closures_touch_the_days_of_interest(
        lines in prop::collection::vec(("(DTSTART|DTEND|DURATION|RRULE|RDATE|EXDATE|RECURRENCE-ID|UID|STATUS)",
                                        "(;VALUE=DATE|;TZID=Europe/London|;X=\"|)",
                                        "(:2027010[0-9]|:2027010[0-9]T2[0-9]0000Z?|:P[0-9]{1,3}[DW]|:FREQ=(DAILY|YEARLY)(;COUNT=[0-9]|;UNTIL=2027010[0-9])?|:a|[^\r\n\0]{0,9})"), 0..9),
    ) {
        let line = |(name, parameters, value): &(String, String, String)| format!("|{name}{parameters}{value}");
        let body = lines.iter().map(line).collect::<Vec<_>>().concat();
        // A plain event beside it, so that a file that can be read gives one closure at least.
        let events = ["UID:certainly-there|DTSTART;VALUE=DATE:20270104", &format!("X-A:b{body}")];
        if let Ok(reading) = read_between(&file(&events), "2027-01-03", "2027-01-06") {
            prop_assert!(!reading.closures.is_empty());
            for closure in reading.closures {
                let Closure { from, until, .. } = closure.closure;
                prop_assert!(from < until);
                // What ends as the first day begins touches none of them.
                prop_assert!(from.date() <= day("2027-01-06") && until > day("2027-01-03").and_time(NaiveTime::MIN));
            }
        }
    }
}
