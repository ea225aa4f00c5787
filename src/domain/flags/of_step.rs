//! What a lead should look at about a step of a corrective action.
//!
//! The rule of this file: a step is flagged for who recorded it, never for what it says. Where the person was is no flag:
//! an engineer reports from elsewhere, and a lead decides from another clinic.

use chrono::NaiveDate;

use super::{Flag, Person};
use crate::domain::chain::StepOwner;
use crate::domain::staff::{Competence, Standing, Work, standing};

/// What is known about a step when it is recorded.
#[derive(Debug)]
pub struct StepEntry<'a> {
    /// Who.
    pub person: &'a Person,
    /// The initials that were sent.
    pub initials: Option<&'a str>,
    /// The clinic day on which it was done.
    pub day: NaiveDate,
    /// Whose step it is.
    pub owner: StepOwner,
    /// What the person was trained for.
    pub competences: &'a [Competence],
    /// The routine whose tests it rests on; which may take a competence.
    pub work: Work<'a>,
}

/// The flags of a step, in the order of [`Flag::ALL`].
#[must_use]
pub fn step_flags(entry: &StepEntry<'_>) -> Vec<Flag> {
    let person = match entry.person {
        Person::NotKept => return Vec::new(),
        Person::Unknown => return vec![Flag::PersonUnknown],
        Person::Known(person) => person,
    };
    let mut flags = Vec::new();
    let mut raise = |flag, is_raised: bool| flags.extend(is_raised.then_some(flag));
    raise(Flag::PersonInactive, !person.is_active_on(entry.day));
    raise(Flag::InitialsDiffer, entry.initials.is_some_and(|initials| !person.has_initials(initials)));
    if entry.work.takes_competence() {
        let standing = standing(entry.competences, entry.work, entry.day);
        raise(Flag::NoCompetence, standing == Standing::Missing);
        raise(Flag::CompetenceExpired, matches!(standing, Standing::ExpiredOn(_)));
    }
    // The owner of a step and the role of a person are the same words.
    raise(Flag::NotTheOwner, person.role.as_str() != entry.owner.as_str());
    flags
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::staff::{CompetentFor, StaffMember, StaffRole};
    use uuid::Uuid;

    fn on(day: &str) -> NaiveDate {
        day.parse().expect("a date")
    }

    fn engineer() -> StaffMember {
        StaffMember {
            staff_id: Uuid::from_u128(1),
            name: "Kit Vale".to_owned(),
            initials: "KV".to_owned(),
            role: StaffRole::Engineer,
            clinic_ids: Vec::new(),
            active_from: on("2026-01-05"),
            active_until: Some(on("2026-11-27")),
        }
    }

    fn entry(person: &Person) -> StepEntry<'_> {
        StepEntry {
            person,
            initials: Some("kv"),
            day: on("2026-11-02"),
            owner: StepOwner::Engineer,
            competences: &[],
            work: Work::default(),
        }
    }

    #[test]
    fn a_step_is_its_owners_and_every_owner_is_a_role_of_people() {
        let person = Person::Known(engineer());
        assert_eq!(step_flags(&entry(&person)), []);
        for owner in StepOwner::ALL {
            let expected = if owner == StepOwner::Engineer { vec![] } else { vec![Flag::NotTheOwner] };
            assert_eq!(step_flags(&StepEntry { owner, ..entry(&person) }), expected, "{owner:?}");
            assert!(StaffRole::ALL.iter().any(|role| role.as_str() == owner.as_str()), "{owner:?}");
        }
    }

    #[test]
    fn who_is_nobody_or_was_not_there_or_has_other_initials_is_flagged() {
        assert_eq!(step_flags(&entry(&Person::NotKept)), []);
        assert_eq!(step_flags(&entry(&Person::Unknown)), [Flag::PersonUnknown]);
        let person = Person::Known(engineer());
        let late = StepEntry { day: on("2026-11-28"), initials: Some("MO"), ..entry(&person) };
        assert_eq!(step_flags(&late), [Flag::PersonInactive, Flag::InitialsDiffer]);
    }

    #[test]
    fn a_step_that_rests_on_tests_of_a_family_takes_a_competence() {
        let person = Person::Known(engineer());
        let work = Work { routine_id: Some(Uuid::from_u128(9)), family: Some("waterlines"), has_competences: false };
        assert_eq!(step_flags(&StepEntry { work, ..entry(&person) }), [Flag::NoCompetence]);
        let held = [Competence {
            competence_id: Uuid::from_u128(3),
            for_what: CompetentFor::Family { family: "waterlines".to_owned() },
            valid_from: on("2026-01-01"),
            valid_until: Some(on("2026-11-01")),
            signed_off_by: "the lead".to_owned(),
            signed_by_staff_id: None,
            note: String::new(),
        }];
        let trained = StepEntry { work, competences: &held, ..entry(&person) };
        assert_eq!(step_flags(&trained), [Flag::CompetenceExpired]);
        assert_eq!(step_flags(&StepEntry { day: on("2026-11-01"), ..trained }), []);
    }
}
