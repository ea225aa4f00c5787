//! People who work in a group, and what they were trained for.
//!
//! The rule of this file: a person is never a device. Spans are days with both ends in them, so that "until Friday"
//! means what it says; whoever has left keeps their history.

use std::collections::BTreeSet;

use chrono::NaiveDate;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

/// What a person does in the group. The owner of a corrective step is one of the same words.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum StaffRole {
    /// Works at the chair and in the decontamination room.
    Assistant,
    /// Treats patients.
    Clinician,
    /// Answers for one clinic or a few.
    ClinicLead,
    /// Answers for the group.
    GroupLead,
    /// Services and tests equipment.
    Engineer,
}

impl StaffRole {
    /// Every role.
    pub const ALL: [Self; 5] = [Self::Assistant, Self::Clinician, Self::ClinicLead, Self::GroupLead, Self::Engineer];

    /// The stable name, as stored and served.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Assistant => "assistant",
            Self::Clinician => "clinician",
            Self::ClinicLead => "clinic_lead",
            Self::GroupLead => "group_lead",
            Self::Engineer => "engineer",
        }
    }
}

/// A person who works, or worked, in the group.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct StaffMember {
    /// Their identity.
    pub staff_id: Uuid,
    /// Their name.
    pub name: String,
    /// What completions name them by.
    pub initials: String,
    /// What they do.
    pub role: StaffRole,
    /// Where; empty: at every clinic.
    pub clinic_ids: Vec<Uuid>,
    /// First day.
    pub active_from: NaiveDate,
    /// Last day; `None`: none is set.
    pub active_until: Option<NaiveDate>,
}

impl StaffMember {
    /// Whether they are there on a day.
    #[must_use]
    pub fn is_active_on(&self, day: NaiveDate) -> bool {
        holds(self.active_from, self.active_until, day)
    }

    /// Whether they work at a clinic.
    #[must_use]
    pub fn works_at(&self, clinic_id: Uuid) -> bool {
        self.clinic_ids.is_empty() || self.clinic_ids.contains(&clinic_id)
    }

    /// The clinics they work at, of all that the group has.
    #[must_use]
    pub fn clinics_among(&self, all: &BTreeSet<Uuid>) -> BTreeSet<Uuid> {
        all.iter().copied().filter(|clinic_id| self.works_at(*clinic_id)).collect()
    }

    /// Whether the two are in the group on a common day.
    #[must_use]
    pub fn overlaps(&self, other: &Self) -> bool {
        self.active_until.is_none_or(|until| other.active_from <= until)
            && other.active_until.is_none_or(|until| self.active_from <= until)
    }

    /// Whether initials are theirs; the case of letters says nothing.
    #[must_use]
    pub fn has_initials(&self, initials: &str) -> bool {
        self.initials.to_lowercase() == initials.trim().to_lowercase()
    }
}

/// What a person was trained and signed for.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Competence {
    /// Its identity among those of the person.
    pub competence_id: Uuid,
    /// What for.
    pub for_what: CompetentFor,
    /// First day.
    pub valid_from: NaiveDate,
    /// Last day; `None`: it does not expire.
    pub valid_until: Option<NaiveDate>,
    /// Who found the person competent: as told, or the name of who signed.
    pub signed_off_by: String,
    /// Who signed for it with their PIN; `None`: it was told.
    pub signed_by_staff_id: Option<Uuid>,
    /// Free text; may be empty.
    pub note: String,
}

/// What a competence is for.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(tag = "kind", rename_all = "snake_case", deny_unknown_fields)]
pub enum CompetentFor {
    /// One routine.
    Routine {
        /// The routine.
        routine_id: Uuid,
    },
    /// Every routine of a family.
    Family {
        /// The family's key.
        #[schema(pattern = "^[a-z][a-z0-9_-]{0,39}$", example = "waterlines")]
        family: String,
    },
}

/// Work that may take a competence: one for the routine or one for its family will do.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Work<'a> {
    /// The routine.
    pub routine_id: Option<Uuid>,
    /// The family.
    pub family: Option<&'a str>,
    /// Whether the group keeps competences for this very routine, whoever's.
    pub has_competences: bool,
}

impl Work<'_> {
    /// Whether it takes a competence: its routine belongs to a family, or somebody was found competent for it by itself.
    #[must_use]
    pub fn takes_competence(self) -> bool {
        self.family.is_some() || self.has_competences
    }
}

/// How a person's competences stand to some work on a day.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Standing {
    /// One is valid.
    Valid,
    /// The last one ended on this day.
    ExpiredOn(NaiveDate),
    /// There is none, or none that has begun.
    Missing,
}

/// How competences stand to some work on a day.
#[must_use]
pub fn standing(competences: &[Competence], work: Work<'_>, day: NaiveDate) -> Standing {
    let fits = |c: &&Competence| match &c.for_what {
        CompetentFor::Routine { routine_id } => work.routine_id == Some(*routine_id),
        CompetentFor::Family { family } => work.family == Some(family.as_str()),
    };
    let mut ended = None;
    for competence in competences.iter().filter(fits).filter(|c| c.valid_from <= day) {
        match competence.valid_until {
            Some(until) if until < day => ended = ended.max(Some(until)),
            _ => return Standing::Valid,
        }
    }
    ended.map_or(Standing::Missing, Standing::ExpiredOn)
}

/// Whether a family's key is well-formed: a lower-case letter, then letters, digits, `_` and `-`; at most 40.
#[must_use]
pub fn is_family_key(key: &str) -> bool {
    key.len() <= 40
        && key.starts_with(|c: char| c.is_ascii_lowercase())
        && key.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '_' || c == '-')
}

fn holds(from: NaiveDate, until: Option<NaiveDate>, day: NaiveDate) -> bool {
    from <= day && until.is_none_or(|until| day <= until)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn on(day: &str) -> NaiveDate {
        day.parse().expect("a date")
    }

    fn person(from: &str, until: Option<&str>) -> StaffMember {
        StaffMember {
            staff_id: Uuid::from_u128(1),
            name: "Kit Vale".to_owned(),
            initials: "KV".to_owned(),
            role: StaffRole::Assistant,
            clinic_ids: Vec::new(),
            active_from: on(from),
            active_until: until.map(on),
        }
    }

    fn competence(family: &str, from: &str, until: Option<&str>) -> Competence {
        Competence {
            competence_id: Uuid::from_u128(2),
            for_what: CompetentFor::Family { family: family.to_owned() },
            valid_from: on(from),
            valid_until: until.map(on),
            signed_off_by: "the lead".to_owned(),
            signed_by_staff_id: None,
            note: String::new(),
        }
    }

    #[test]
    fn the_last_day_is_still_a_day_of_work() {
        let kit = person("2026-01-05", Some("2026-11-27"));
        let there = |day| kit.is_active_on(on(day));
        assert_eq!((there("2026-01-04"), there("2026-01-05")), (false, true));
        assert_eq!((there("2026-11-27"), there("2026-11-28")), (true, false));
    }

    #[test]
    fn two_who_are_never_there_on_one_day_do_not_overlap() {
        let first = person("2026-01-05", Some("2026-11-27"));
        assert!(!first.overlaps(&person("2026-11-28", None)));
        assert!(!person("2026-11-28", None).overlaps(&first));
        assert!(first.overlaps(&person("2026-11-27", None)));
        assert!(person("2026-11-27", None).overlaps(&first));
    }

    #[test]
    fn a_competence_for_the_routine_or_for_its_family_will_do() {
        let routine_id = Uuid::from_u128(9);
        let for_routine =
            Competence { for_what: CompetentFor::Routine { routine_id }, ..competence("any", "2026-01-01", None) };
        let work = Work { routine_id: Some(routine_id), family: Some("waterlines"), has_competences: false };
        let day = on("2026-11-26");
        assert_eq!(standing(std::slice::from_ref(&for_routine), work, day), Standing::Valid);
        assert_eq!(standing(&[competence("waterlines", "2026-01-01", None)], work, day), Standing::Valid);
        assert_eq!(standing(&[competence("suction", "2026-01-01", None)], work, day), Standing::Missing);
        assert_eq!(standing(&[for_routine], Work { routine_id: None, ..work }, day), Standing::Missing);
    }

    #[test]
    fn an_ended_competence_says_when_the_last_of_them_ended() {
        let work = Work { routine_id: None, family: Some("release"), has_competences: false };
        let held = [
            competence("release", "2024-01-01", Some("2024-12-31")),
            competence("release", "2025-01-01", Some("2026-10-31")),
            competence("release", "2027-01-01", None),
        ];
        assert_eq!(standing(&held, work, on("2026-10-31")), Standing::Valid);
        assert_eq!(standing(&held, work, on("2026-11-01")), Standing::ExpiredOn(on("2026-10-31")));
        assert_eq!(standing(&held, work, on("2023-12-31")), Standing::Missing);
    }

    #[test]
    fn a_family_is_a_short_key_in_lower_case() {
        for (key, is_one) in [("waterlines", true), ("a-2_b", true), ("", false), ("Waterlines", false), ("2nd", false)]
        {
            assert_eq!(is_family_key(key), is_one, "{key}");
        }
        assert!(!is_family_key(&"a".repeat(41)));
    }
}
