//! Flags, and the bursts among them.

use super::*;
use crate::domain::staff::{CompetentFor, StaffRole};

fn at(text: &str) -> DateTime<Utc> {
    text.parse().expect("an instant")
}

fn on(day: &str) -> NaiveDate {
    day.parse().expect("a date")
}

fn work(n: u128, seconds: i64, rough_minutes: u32) -> Performed {
    let performed_at = at("2026-11-02T08:00:00Z") + TimeDelta::seconds(seconds);
    Performed { task_id: Uuid::from_u128(n), performed_at, rough_minutes, entered_at: None }
}

fn kit(until: Option<&str>) -> StaffMember {
    StaffMember {
        staff_id: Uuid::from_u128(1),
        name: "Kit Vale".to_owned(),
        initials: "KV".to_owned(),
        role: StaffRole::Assistant,
        clinic_ids: Vec::new(),
        active_from: on("2026-01-05"),
        active_until: until.map(on),
    }
}

fn entry(person: &Person) -> Entry<'_> {
    Entry {
        early: false,
        late_entry: false,
        is_work: true,
        recorded_at: at("2026-11-02T08:00:00Z"),
        device_at: None,
        tells_of_before: false,
        person,
        initials: Some("kv"),
        day: on("2026-11-02"),
        on_site: None,
        competences: &[],
        work: Work::default(),
        performed: work(1, 0, 5),
        others: &[],
        steps: &[],
        pin: PinMissed::No,
        names_held_load: false,
    }
}

#[test]
fn an_ordinary_entry_has_no_flag() {
    for person in [Person::NotKept, Person::Known(kit(None))] {
        assert_eq!(flags(&entry(&person)), []);
    }
}

#[test]
fn clocks_may_differ_by_two_minutes_and_no_more() {
    let person = Person::NotKept;
    let raised = |device: &str| flags(&Entry { device_at: Some(at(device)), ..entry(&person) });
    assert_eq!(raised("2026-11-02T08:02:00Z"), []);
    assert_eq!(raised("2026-11-02T07:58:00Z"), []);
    assert_eq!(raised("2026-11-02T08:02:00.001Z"), [Flag::ClockDisagrees]);
    assert_eq!(raised("2026-11-02T07:57:59Z"), [Flag::ClockDisagrees]);
}

#[test]
fn a_person_is_looked_for_on_the_staff_and_on_the_list_of_the_day() {
    assert_eq!(flags(&entry(&Person::Unknown)), [Flag::PersonUnknown]);
    let gone = Person::Known(kit(Some("2026-11-01")));
    assert_eq!(flags(&entry(&gone)), [Flag::PersonInactive]);
    let there = Person::Known(kit(Some("2026-11-02")));
    let elsewhere = [Uuid::from_u128(2)];
    assert_eq!(flags(&Entry { on_site: Some(&elsewhere), ..entry(&there) }), [Flag::NotOnSite]);
    assert_eq!(flags(&Entry { on_site: Some(&[]), ..entry(&there) }), [Flag::NotOnSite]);
    assert_eq!(flags(&Entry { on_site: Some(&[Uuid::from_u128(1)]), ..entry(&there) }), []);
    assert_eq!(flags(&Entry { initials: Some("MO"), ..entry(&there) }), [Flag::InitialsDiffer]);
}

#[test]
fn initials_mean_whoever_is_there_that_day() {
    let (before, now) = (kit(Some("2026-06-30")), StaffMember { active_from: on("2026-07-01"), ..kit(None) });
    for both in [vec![before.clone(), now.clone()], vec![now.clone(), before.clone()]] {
        assert_eq!(Person::by_initials(both.clone(), on("2026-03-01")), Person::Known(before.clone()));
        assert_eq!(Person::by_initials(both, on("2026-11-02")), Person::Known(now.clone()));
    }
    assert_eq!(Person::by_initials(Vec::new(), on("2026-11-02")), Person::Unknown);
}

#[test]
fn the_days_of_initials_are_those_on_which_they_mean_the_person() {
    let first = StaffMember { staff_id: Uuid::from_u128(1), ..kit(Some("2026-06-30")) };
    let second = StaffMember { staff_id: Uuid::from_u128(2), active_from: on("2026-09-01"), ..kit(None) };
    let both = [first.clone(), second];
    for person in &both {
        let spans = days_of_initials(&both, person.staff_id);
        for day in on("2025-06-01").iter_days().take(900) {
            let within = spans
                .iter()
                .any(|(from, until)| from.is_none_or(|f| f <= day) && until.is_none_or(|until| day < until));
            let means = Person::by_initials(both.to_vec(), day) == Person::Known(person.clone());
            assert_eq!(within, means, "{day}");
        }
    }
    assert_eq!(days_of_initials(&both, Uuid::from_u128(3)), []);
    assert!(days_of_initials(&both, first.staff_id).contains(&(Some(first.active_from), Some(on("2026-07-01")))));
}

#[test]
fn a_routine_takes_a_competence_where_it_has_a_family_or_one_is_kept_for_it() {
    let person = Person::Known(kit(None));
    let family = Work { routine_id: Some(Uuid::from_u128(9)), family: Some("waterlines"), has_competences: false };
    let held = Competence {
        competence_id: Uuid::from_u128(3),
        for_what: CompetentFor::Family { family: "waterlines".to_owned() },
        valid_from: on("2026-01-01"),
        valid_until: Some(on("2026-11-01")),
        signed_off_by: "the lead".to_owned(),
        signed_by_staff_id: None,
        note: String::new(),
    };
    assert_eq!(flags(&Entry { work: Work { family: None, ..family }, ..entry(&person) }), []);
    // Kept for the routine by itself, a competence is asked for as well.
    let by_itself = Work { family: None, has_competences: true, ..family };
    assert_eq!(flags(&Entry { work: by_itself, ..entry(&person) }), [Flag::NoCompetence]);
    assert_eq!(flags(&Entry { work: family, ..entry(&person) }), [Flag::NoCompetence]);
    let ended = [held.clone()];
    assert_eq!(flags(&Entry { work: family, competences: &ended, ..entry(&person) }), [Flag::CompetenceExpired]);
    let valid = [Competence { valid_until: None, ..held }];
    assert_eq!(flags(&Entry { work: family, competences: &valid, ..entry(&person) }), []);
    assert_eq!(flags(&Entry { work: family, is_work: false, ..entry(&person) }), []);
}

/// Five tasks of five minutes: four of them lie between the first entry and the last, so 20 minutes of work.
#[test]
fn a_week_filled_in_at_one_go_is_a_burst_and_a_brisk_round_is_none() {
    let others = |apart: i64| (2..6).map(|n| work(n, i64::try_from(n - 1).unwrap_or(0) * apart, 5)).collect::<Vec<_>>();
    assert!(is_burst(work(1, 0, 5), &others(20)));
    // Twenty minutes in 400 seconds are three times the span exactly, and not more.
    assert!(!is_burst(work(1, 0, 5), &others(100)));
    assert!(is_burst(work(1, 0, 5), &others(99)));
    assert!(!is_burst(work(1, 0, 5), &others(300)));
    // Four are too few, and several entries for one task are one piece of work.
    assert!(!is_burst(work(1, 0, 5), &others(20)[1..]));
    assert!(!is_burst(work(2, 0, 5), &others(20)));
    // What takes no time can be done in none.
    assert!(!is_burst(
        work(1, 0, 0),
        &others(0).iter().map(|o| Performed { rough_minutes: 0, ..*o }).collect::<Vec<_>>()
    ));
}

#[test]
fn an_entry_long_after_a_burst_is_not_part_of_it() {
    let burst: Vec<_> = (1..6).map(|n| work(n, 10 * i64::try_from(n).unwrap_or(0), 5)).collect();
    assert!(is_burst(burst[2], &burst));
    assert!(!is_burst(work(9, 3_000, 5), &burst));
}

#[test]
fn a_pin_that_is_missed_is_told_once() {
    use PinMissed::{Asked, ByNamed, No};
    for (named, asked, missed) in
        [(false, false, No), (true, false, ByNamed), (true, true, Asked), (false, true, Asked)]
    {
        assert_eq!(PinMissed::unsigned(named, asked), missed, "named: {named}, asked: {asked}");
    }
    let person = Person::NotKept;
    assert_eq!(flags(&Entry { pin: ByNamed, ..entry(&person) }), [Flag::Unsigned]);
    assert_eq!(flags(&Entry { pin: Asked, late_entry: true, ..entry(&person) }), [Flag::LateEntry, Flag::PinMissing]);
}

#[test]
fn every_flag_is_read_back_from_its_name() {
    for flag in Flag::ALL {
        assert_eq!(Flag::from_name(flag.as_str()), Some(flag));
        assert_eq!(serde_json::json!(flag), serde_json::json!(flag.as_str()));
    }
}

/// Entered so many seconds after the work, which was done at 08:00.
fn entered(seconds: i64) -> Performed {
    Performed { entered_at: Some(at("2026-11-02T08:00:00Z") + TimeDelta::seconds(seconds)), ..work(1, 0, 5) }
}

#[test]
fn an_entry_may_follow_the_work_by_an_hour_and_no_more() {
    let person = Person::NotKept;
    let raised =
        |performed: Performed, recorded: &str| flags(&Entry { performed, recorded_at: at(recorded), ..entry(&person) });
    // Kept by a tablet that was offline: what counts is when it was entered, and not when it came.
    for recorded in ["2026-11-02T09:00:01Z", "2026-11-02T17:00:00Z"] {
        assert_eq!(raised(entered(3600), recorded), []);
        assert_eq!(raised(entered(3601), recorded), [Flag::EnteredLater]);
    }
    assert_eq!(raised(entered(-120), "2026-11-02T08:00:00Z"), []);
    assert_eq!(raised(entered(-121), "2026-11-02T08:00:00Z"), [Flag::EnteredBefore]);
    // Where the device does not say, it can only be seen that it came late.
    assert_eq!(raised(work(1, 0, 5), "2026-11-02T09:00:00Z"), []);
    assert_eq!(raised(work(1, 0, 5), "2026-11-02T09:00:01Z"), [Flag::NoEntryTime]);
    // Corrections and results say by themselves that they came later; what is declared not required was no work.
    let said = Entry { performed: entered(9000), recorded_at: at("2026-11-02T17:00:00Z"), ..entry(&person) };
    assert_eq!(flags(&Entry { tells_of_before: true, ..said }), []);
    let declared = Entry { performed: work(1, 0, 5), recorded_at: at("2026-11-02T17:00:00Z"), ..entry(&person) };
    assert_eq!(flags(&Entry { is_work: false, ..declared }), []);
}

#[test]
fn nothing_is_entered_after_it_was_sent() {
    let person = Person::NotKept;
    let raised = |seconds: i64, device_at: Option<&str>| {
        flags(&Entry { performed: entered(seconds), device_at: device_at.map(at), ..entry(&person) })
    };
    assert_eq!(raised(120, None), []);
    assert_eq!(raised(121, None), [Flag::ClockDisagrees]);
    assert_eq!(raised(121, Some("2026-11-02T08:00:02Z")), []);
    assert_eq!(raised(123, Some("2026-11-02T08:00:02Z")), [Flag::ClockDisagrees]);
}

#[test]
fn work_that_was_done_apart_and_entered_at_one_go_shows_with_the_fifth() {
    let person = Person::NotKept;
    // Done every eight minutes, from 08:00; entered from 08:40 on, so many seconds apart.
    let round = |count: i64, apart: i64, entered_apart: i64| {
        let piece = |n: i64| Performed {
            entered_at: Some(at("2026-11-02T08:40:00Z") + TimeDelta::seconds(entered_apart * n)),
            ..work(u128::try_from(n).expect("small"), apart * n, 2)
        };
        let others: Vec<Performed> = (1..count).map(piece).collect();
        let entry =
            Entry { performed: piece(0), others: &others, recorded_at: at("2026-11-02T08:41:00Z"), ..entry(&person) };
        flags(&entry)
    };
    assert_eq!(round(5, 480, 10), [Flag::EnteredTogether]);
    assert_eq!(round(4, 480, 10), []);
    // Half an hour and five minutes still count; a second less of the one, or one more of the other, does not.
    assert_eq!(round(5, 450, 75), [Flag::EnteredTogether]);
    assert_eq!(round(5, 449, 75), []);
    assert_eq!(round(5, 450, 76), []);
}
