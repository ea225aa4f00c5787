//! Flags that a completion has by itself.

use super::*;
use crate::domain::staff::{CompetentFor, StaffRole};

fn at(text: &str) -> DateTime<Utc> {
    text.parse().expect("an instant")
}

fn on(day: &str) -> NaiveDate {
    day.parse().expect("a date")
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
        performed_at: at("2026-11-02T08:00:00Z"),
        entered_at: None,
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

/// So many seconds after the work, which was done at 08:00.
fn after(seconds: i64) -> DateTime<Utc> {
    at("2026-11-02T08:00:00Z") + TimeDelta::seconds(seconds)
}

#[test]
fn an_entry_may_follow_the_work_by_an_hour_and_no_more() {
    let person = Person::NotKept;
    let raised = |entered_at: Option<DateTime<Utc>>, recorded: &str| {
        flags(&Entry { entered_at, recorded_at: at(recorded), ..entry(&person) })
    };
    // Kept by a tablet that was offline: what counts is when it was entered, and not when it came.
    for recorded in ["2026-11-02T09:00:01Z", "2026-11-02T17:00:00Z"] {
        assert_eq!(raised(Some(after(3600)), recorded), []);
        assert_eq!(raised(Some(after(3601)), recorded), [Flag::EnteredLater]);
    }
    assert_eq!(raised(Some(after(-120)), "2026-11-02T08:00:00Z"), []);
    assert_eq!(raised(Some(after(-121)), "2026-11-02T08:00:00Z"), [Flag::EnteredBefore]);
    // Where the device does not say, it can only be seen that it came late.
    assert_eq!(raised(None, "2026-11-02T09:00:00Z"), []);
    assert_eq!(raised(None, "2026-11-02T09:00:01Z"), [Flag::NoEntryTime]);
    // Corrections and results say by themselves that they came later; what is declared not required was no work.
    let said = Entry { entered_at: Some(after(9000)), recorded_at: at("2026-11-02T17:00:00Z"), ..entry(&person) };
    assert_eq!(flags(&Entry { tells_of_before: true, ..said }), []);
    let declared = Entry { recorded_at: at("2026-11-02T17:00:00Z"), ..entry(&person) };
    assert_eq!(flags(&Entry { is_work: false, ..declared }), []);
}

#[test]
fn nothing_is_entered_after_it_was_sent() {
    let person = Person::NotKept;
    let raised = |seconds: i64, device_at: Option<&str>| {
        flags(&Entry { entered_at: Some(after(seconds)), device_at: device_at.map(at), ..entry(&person) })
    };
    assert_eq!(raised(120, None), []);
    assert_eq!(raised(121, None), [Flag::ClockDisagrees]);
    assert_eq!(raised(121, Some("2026-11-02T08:00:02Z")), []);
    assert_eq!(raised(123, Some("2026-11-02T08:00:02Z")), [Flag::ClockDisagrees]);
}
