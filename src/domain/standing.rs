//! What stands against the use of a subject, whatever its own records say.
//!
//! The rule of this file: each obstacle names why, since when, and who can end it; nothing here ends one. A load that is
//! out of use is not the machine it came from, and stands against nothing but itself.

use chrono::{DateTime, Utc};
use uuid::Uuid;

use super::quarantine::{CauseKind, Quarantine};
use super::subject::{ServiceState, Subject, SubjectKind};
use super::water_advisory::{WaterAdvisory, is_fed_from_mains};

/// Who can put right what a subject lacks.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Solver {
    /// Whoever works at the chair or the machine, by recording the work.
    Chairside,
    /// The clinic's lead, or whom the lead names.
    ClinicLead,
    /// The laboratory or reader whose result is awaited.
    Laboratory,
}

/// What kind of obstacle.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ObstacleKind {
    /// It was taken out of service.
    OutOfService,
    /// It is in quarantine, and no release is recorded.
    Quarantine,
    /// A notice not to use mains water stands, and mains water feeds it.
    WaterAdvisory,
}

/// One thing that stands against a subject.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Obstacle {
    /// What kind.
    pub kind: ObstacleKind,
    /// The quarantine or advisory; `None`: the subject's own state.
    pub id: Option<Uuid>,
    /// The corrective action it came from; `None`: none.
    pub action_id: Option<Uuid>,
    /// The one line it concerns; `None`: the subject as a whole.
    pub line: Option<String>,
    /// Why, in words.
    pub reason: String,
    /// Since when it has stood.
    pub since: DateTime<Utc>,
    /// Who can end it.
    pub solved_by: Solver,
}

/// What stands against `subject` at `at`, the longest first. `quarantines` may hold those of other subjects too, and
/// `advisories` those of other clinics.
#[must_use]
pub fn standing(
    subject: &Subject,
    quarantines: &[Quarantine],
    advisories: &[WaterAdvisory],
    at: DateTime<Utc>,
) -> Vec<Obstacle> {
    let mut found: Vec<Obstacle> = quarantines
        .iter()
        .filter(|q| q.subject_id == subject.id && q.load_reference.is_none() && q.stands_at(at))
        .map(|q| Obstacle {
            kind: ObstacleKind::Quarantine,
            id: Some(q.quarantine_id),
            action_id: q.cause_id.filter(|_| q.cause == CauseKind::CorrectiveAction),
            line: q.line.clone(),
            reason: q.reason.clone(),
            since: q.begun_at,
            solved_by: Solver::ClinicLead,
        })
        .collect();
    if let ServiceState::OutOfService { reason, since } = &subject.service {
        found.push(Obstacle {
            kind: ObstacleKind::OutOfService,
            id: None,
            action_id: None,
            line: None,
            reason: reason.clone(),
            since: *since,
            solved_by: Solver::ClinicLead,
        });
    }
    if subject.kind == SubjectKind::Operatory && is_fed_from_mains(subject) {
        let here = advisories.iter().filter(|a| a.clinic_id == subject.clinic_id && a.stands_at(at));
        found.extend(here.map(|a| Obstacle {
            kind: ObstacleKind::WaterAdvisory,
            id: Some(a.advisory_id),
            action_id: None,
            line: None,
            reason: format!("{}; no mains water through the unit", a.called()),
            since: a.started_at,
            solved_by: Solver::ClinicLead,
        }));
    }
    found.sort_by_key(|obstacle| (obstacle.since, obstacle.id));
    found
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::fixtures::{at, id, operatory, taken_out_of_service};
    use crate::domain::quarantine::Release;

    fn quarantine(number: u128, subject_id: Uuid, recorded_at: &str) -> Quarantine {
        Quarantine {
            quarantine_id: id(number),
            clinic_id: id(1),
            subject_id,
            line: None,
            load_reference: None,
            cycle_id: None,
            cause: CauseKind::Person,
            cause_id: None,
            reason: "smells of solvent".to_owned(),
            begun_at: at(recorded_at),
            recorded_at: at(recorded_at),
            begun_by: "KV".to_owned(),
            staff_id: None,
            key_id: None,
            release: None,
        }
    }

    #[test]
    fn what_stands_is_told_longest_first_with_who_can_end_it() {
        let chair = taken_out_of_service("no suction", at("2026-11-29 10:00"), operatory(10));
        let held = [quarantine(2, chair.id, "2026-11-29 12:00"), quarantine(3, chair.id, "2026-11-29 09:00")];
        let found = standing(&chair, &held, &[], at("2026-11-30 08:00"));
        let told: Vec<_> = found.iter().map(|o| (o.kind, o.id, o.solved_by)).collect();
        assert_eq!(
            told,
            [
                (ObstacleKind::Quarantine, Some(id(3)), Solver::ClinicLead),
                (ObstacleKind::OutOfService, None, Solver::ClinicLead),
                (ObstacleKind::Quarantine, Some(id(2)), Solver::ClinicLead),
            ]
        );
    }

    #[test]
    fn another_subject_a_load_and_what_was_released_stand_against_nothing_here() {
        let chair = operatory(10);
        let elsewhere = quarantine(2, id(11), "2026-11-29 12:00");
        let mut load = quarantine(3, chair.id, "2026-11-29 12:00");
        load.load_reference = Some("L-17".to_owned());
        let mut released = quarantine(4, chair.id, "2026-11-29 12:00");
        released.release = Some(Release {
            release_id: id(5),
            staff_id: id(6),
            released_by: "Kit Vale".to_owned(),
            reason: "looked at".to_owned(),
            disposition: None,
            recorded_at: at("2026-11-29 13:00"),
            key_id: id(7),
        });
        let held = [elsewhere, load, released];
        assert_eq!(standing(&chair, &held, &[], at("2026-11-29 13:00")), []);
        // Until the release was recorded it stood.
        assert_eq!(standing(&chair, &held, &[], at("2026-11-29 12:59")).len(), 1);
    }
}
