//! Moments that belong to a clinic day as such: opening, first patient, session ends, closing.
//!
//! The rule of this file: what the desk posts goes before what the hours plan; and a day that a closure shut keeps its
//! moments, not required, while an ordinary closed day has none.

use chrono::{DateTime, NaiveDate, Utc};
use uuid::Uuid;

use super::because::Fact;
use super::{NotRequired, Occurrence, Planner, closed};
use crate::domain::facts::{Seating, SeatingEdge};
use crate::domain::hours::ClinicDay;
use crate::domain::subject::{Subject, SubjectKind};
use crate::domain::task::Slot;

impl Planner<'_> {
    /// The opening of a clinic day.
    pub(super) fn opening(&self, date: NaiveDate) -> Option<Occurrence> {
        let (at, fact, not_required) = self.edge(date, self.posted(date).started_at, Edge::Opening)?;
        Some(self.occurrence(Slot::Opening, date, at, fact, not_required))
    }

    /// The closing of a clinic day.
    pub(super) fn closing(&self, date: NaiveDate) -> Option<Occurrence> {
        let (at, fact, not_required) = self.edge(date, self.posted(date).ended_at, Edge::Closing)?;
        Some(self.occurrence(Slot::Closing, date, at, fact, not_required))
    }

    /// The moment before a subject's first patient of a clinic day.
    pub(super) fn first_patient(&self, subject: &Subject, date: NaiveDate) -> Option<Occurrence> {
        let counts = |seating: &&Seating| match subject.kind {
            SubjectKind::Operatory => seating.operatory_id == subject.id,
            // Of a chair that has come here since, the patients elsewhere were not this clinic's.
            _ => seating.clinic_id == subject.clinic_id,
        };
        let seated = self
            .seatings_on(date)
            .filter(|seating| seating.edge == SeatingEdge::Seated)
            .filter(counts)
            .min_by_key(|seating| (seating.marked_at, seating.mark_id));
        let (at, fact, not_required) = match seated {
            Some(seating) => (seating.marked_at, Fact::FirstSeating { mark_id: seating.mark_id }, None),
            None => self.edge(date, self.posted(date).started_at, Edge::Opening)?,
        };
        Some(self.occurrence(Slot::FirstPatient, date, at, fact, not_required))
    }

    /// The ends of a clinic day's sessions.
    pub(super) fn session_ends(&self, date: NaiveDate) -> Vec<Occurrence> {
        let day = self.days.day(date);
        let ended_at = self.posted(date).ended_at;
        let mut ends: Vec<Occurrence> = Vec::new();
        let held: Vec<_> = day
            .sessions
            .iter()
            .zip(&day.known_by)
            .filter(|((opens, _), _)| ended_at.is_none_or(|end| *opens < end))
            .collect();
        for (i, ((_, closes), known_by)) in held.iter().enumerate() {
            let posted = ended_at.filter(|_| i + 1 == held.len());
            let fact = Fact::SessionEnd { posted: posted.is_some() };
            ends.push(self.occurrence(Slot::SessionEnd(**known_by), date, posted.unwrap_or(*closes), fact, None));
        }
        let whole = self.unshut.day(date);
        let reason = self.closed_by(&day, date);
        for ((_, closes), known_by) in whole.sessions.iter().zip(&whole.known_by) {
            if !day.known_by.contains(known_by) {
                let fact = Fact::SessionEnd { posted: false };
                let not_required = Some(closed(&reason));
                ends.push(self.occurrence(Slot::SessionEnd(*known_by), date, *closes, fact, not_required));
            }
        }
        if let (Some(at), true, true) = (ended_at, day.sessions.is_empty(), self.posted(date).started_at.is_some()) {
            ends.push(self.occurrence(Slot::PostedSessionEnd, date, at, Fact::SessionEnd { posted: true }, None));
        }
        ends
    }

    /// Why sessions of a day are missing: the closure that shut it, or those that cut into it.
    fn closed_by(&self, day: &ClinicDay, date: NaiveDate) -> String {
        day.closed_by.clone().unwrap_or_else(|| {
            let mut cutting: Vec<_> =
                self.clinic.hours.closures.iter().filter(|closure| closure.touches(date)).collect();
            cutting.sort_by_key(|closure| (closure.from, closure.until, &closure.reason));
            cutting.first().map_or_else(String::new, |closure| closure.reason.clone())
        })
    }

    fn edge(
        &self,
        date: NaiveDate,
        posted: Option<DateTime<Utc>>,
        edge: Edge,
    ) -> Option<(DateTime<Utc>, Fact, Option<NotRequired>)> {
        let day = self.days.day(date);
        let (planned, by_hours, by_desk) = match edge {
            Edge::Opening => (day.opens_at(), Fact::PlannedOpening {}, Fact::PostedDayStart {}),
            Edge::Closing => (day.closes_at(), Fact::PlannedClosing {}, Fact::PostedDayEnd {}),
        };
        if let Some(at) = posted {
            return Some((at, by_desk, None));
        }
        if let Some(at) = planned {
            return Some((at, by_hours, None));
        }
        // A day the desk opened although the books called it closed ends when the desk says so, and not before.
        let reason = day.closed_by.as_ref().filter(|_| self.posted(date).started_at.is_none())?;
        let whole = self.unshut.day(date);
        let at = match edge {
            Edge::Opening => whole.opens_at(),
            Edge::Closing => whole.closes_at(),
        }?;
        Some((at, by_hours, Some(closed(reason))))
    }

    /// The turnovers of an operatory on a clinic day. A patient was in the chair, whatever the books say about its
    /// service state: the work is wanted.
    pub(super) fn turnovers(&self, operatory_id: Uuid, date: NaiveDate) -> Vec<Occurrence> {
        self.seatings_on(date)
            .filter(|seating| seating.edge == SeatingEdge::Left && seating.operatory_id == operatory_id)
            .map(|seating| {
                let mark_id = seating.mark_id;
                let fact = Fact::PatientLeft { mark_id };
                let occurrence = self.occurrence(Slot::Turnover(mark_id), date, seating.marked_at, fact, None);
                Occurrence { whatever_the_service: true, ..occurrence }
            })
            .collect()
    }
}

#[derive(Clone, Copy)]
enum Edge {
    Opening,
    Closing,
}
