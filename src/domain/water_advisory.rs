//! Notices not to use mains water: boil-water advisories and their like.
//!
//! The rule of this file: what a person records of a notice is compared with where water comes from, and nothing more;
//! whether water may be used is for the authority that gave notice. A unit with a reservoir of its own that stood apart
//! from the mains all the time is spared (CDC, MMWR 52(RR-17), 2003, recommendations on boil-water advisories, read).

use chrono::{DateTime, Utc};
use uuid::Uuid;

use super::corrective_action::derive_id;
use super::subject::{Subject, SubjectKind, WaterSource};

/// A notice as it applies to one clinic.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct WaterAdvisory {
    /// Made by the client; the same in each clinic that the notice concerns.
    pub advisory_id: Uuid,
    /// Where it applies.
    pub clinic_id: Uuid,
    /// Who gave notice.
    pub authority: String,
    /// Its number; may be empty.
    pub notice_number: String,
    /// The area it names; may be empty.
    pub area: String,
    /// About the site; may be empty.
    pub note: String,
    /// From when it applies, as the notice says.
    pub started_at: DateTime<Utc>,
    /// When it reached us.
    pub recorded_at: DateTime<Utc>,
    /// The person.
    pub opened_by: String,
    /// The same by identity, where they signed for it; `None`: nobody did.
    pub staff_id: Option<Uuid>,
    /// The device or system.
    pub key_id: Uuid,
    /// Its end; `None`: in force.
    pub lifting: Option<Lifting>,
}

/// That a notice was lifted at a clinic, as a named person signed it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Lifting {
    /// Made by the client; the same in each clinic that is lifted at once.
    pub lifting_id: Uuid,
    /// Number of the notice that lifts it; may be empty.
    pub notice_number: String,
    /// On what grounds.
    pub reason: String,
    /// From when it applies no more, as that notice says.
    pub lifted_at: DateTime<Utc>,
    /// When that reached us.
    pub recorded_at: DateTime<Utc>,
    /// Who signed, by a PIN of their own.
    pub staff_id: Uuid,
    /// Their name as it was then.
    pub lifted_by: String,
    /// The device it was signed on.
    pub key_id: Uuid,
}

impl WaterAdvisory {
    /// Whether it stood at `at`, by what had been recorded by then.
    #[must_use]
    pub fn stands_at(&self, at: DateTime<Utc>) -> bool {
        self.recorded_at <= at && self.lifting.as_ref().is_none_or(|lifting| at < lifting.recorded_at)
    }

    /// Whether it applied at `at`, by what its notices say.
    #[must_use]
    pub fn applies_at(&self, at: DateTime<Utc>) -> bool {
        self.started_at <= at && self.lifting.as_ref().is_none_or(|lifting| at < lifting.lifted_at)
    }

    /// What people call it.
    ///
    /// # Examples
    /// ```
    /// # use chairtide::domain::water_advisory::call;
    /// assert_eq!(call("Saltmarrow Water", "7/26"), "water advisory 7/26 of Saltmarrow Water");
    /// assert_eq!(call("Saltmarrow Water", ""), "water advisory of Saltmarrow Water");
    /// ```
    #[must_use]
    pub fn called(&self) -> String {
        call(&self.authority, &self.notice_number)
    }
}

/// What people call an advisory.
#[must_use]
pub fn call(authority: &str, notice_number: &str) -> String {
    if notice_number.is_empty() {
        return format!("water advisory of {authority}");
    }
    format!("water advisory {notice_number} of {authority}")
}

/// Whether a subject is fed from the mains: every one but an operatory with a reservoir of its own. What a plant of the
/// clinic treats came from the mains.
#[must_use]
pub fn is_fed_from_mains(subject: &Subject) -> bool {
    subject.water_source != Some(WaterSource::OwnReservoir)
}

/// The operatories among `subjects` whose lines hold mains water.
pub fn operatories_on_mains(subjects: &[Subject]) -> impl Iterator<Item = &Subject> {
    subjects.iter().filter(|s| s.kind == SubjectKind::Operatory && is_fed_from_mains(s))
}

/// Which end of an advisory a site event tells of.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum AdvisoryEdge {
    /// It started.
    Started,
    /// It was lifted.
    Lifted,
}

/// The id of the site event that an advisory makes at a clinic.
#[must_use]
pub fn derive_event_id(advisory_id: Uuid, clinic_id: Uuid, edge: AdvisoryEdge) -> Uuid {
    let what = match edge {
        AdvisoryEdge::Started => b"chairtide water advisory started v1".as_slice(),
        AdvisoryEdge::Lifted => b"chairtide water advisory lifted v1".as_slice(),
    };
    derive_id(what, "", &[advisory_id, clinic_id])
}

#[cfg(test)]
mod tests {
    use chrono::TimeDelta;

    use super::*;
    use crate::domain::fixtures::{at, id, operatory};

    fn advisory(started_at: &str, recorded_at: &str) -> WaterAdvisory {
        WaterAdvisory {
            advisory_id: id(1),
            clinic_id: id(2),
            authority: "Saltmarrow Water".to_owned(),
            notice_number: "7/26".to_owned(),
            area: String::new(),
            note: String::new(),
            started_at: at(started_at),
            recorded_at: at(recorded_at),
            opened_by: "MO".to_owned(),
            staff_id: None,
            key_id: id(3),
            lifting: None,
        }
    }

    #[test]
    fn it_stands_from_its_record_to_the_record_of_its_lifting_and_applies_as_the_notices_say() {
        let mut notice = advisory("2026-11-30 06:00", "2026-11-30 08:00");
        notice.lifting = Some(Lifting {
            lifting_id: id(4),
            notice_number: String::new(),
            reason: "letter of the supplier".to_owned(),
            lifted_at: at("2026-12-01 06:00"),
            recorded_at: at("2026-12-01 09:00"),
            staff_id: id(5),
            lifted_by: "Mara Oduya".to_owned(),
            key_id: id(3),
        });
        let moment = TimeDelta::microseconds(1);
        let spans = [
            (WaterAdvisory::stands_at as fn(&WaterAdvisory, _) -> _, "2026-11-30 08:00", "2026-12-01 09:00"),
            (WaterAdvisory::applies_at, "2026-11-30 06:00", "2026-12-01 06:00"),
        ];
        for (holds, from, until) in spans {
            assert!(!holds(&notice, at(from) - moment) && holds(&notice, at(from)));
            assert!(holds(&notice, at(until) - moment) && !holds(&notice, at(until)));
        }
    }

    /// CDC, MMWR 52(RR-17), 2003: no water of the public system through the unit; an isolated source is exempt. Read.
    #[test]
    fn only_a_reservoir_of_its_own_is_apart_from_the_mains() {
        let told: Vec<_> = [WaterSource::MainsAirGap, WaterSource::TreatedPlant, WaterSource::OwnReservoir]
            .into_iter()
            .map(|source| {
                let mut chair = operatory(10);
                chair.water_source = Some(source);
                is_fed_from_mains(&chair)
            })
            .collect();
        assert_eq!(told, [true, true, false]);
    }
}
