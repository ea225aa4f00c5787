//! What happened and makes work: marks that are counted, site events, completions of other routines.
//!
//! The rule of this file: each of these has an instant of its own and an id of its own; the instant is the anchor, and
//! the id the slot.

use std::collections::BTreeSet;

use chrono::{DateTime, NaiveDate, Utc};
use uuid::Uuid;

use super::because::Fact;
use super::{Occurrence, Planner};
use crate::domain::anchor::{Counted, FollowsWhen};
use crate::domain::facts::{Finished, SeatingEdge};
use crate::domain::routine::RoutineVersion;
use crate::domain::site_event::SiteEventKind;
use crate::domain::subject::Subject;
use crate::domain::task::Slot;

impl Planner<'_> {
    /// Every so many turnovers or cycles of a subject.
    pub(super) fn counted(
        &self,
        version: &RoutineVersion,
        first_on: NaiveDate,
        subject: &Subject,
        of: Counted,
        every: u32,
        is_in_force: impl Fn(NaiveDate) -> bool,
    ) -> Vec<Occurrence> {
        self.marks(version.routine_id, first_on, subject, of)
            .filter(|(_, day, number)| number.is_multiple_of(every) && self.holds(*day) && is_in_force(*day))
            .map(|(at, day, number)| {
                let fact = Fact::Marks { of, number, every };
                let occurrence = self.occurrence(Slot::Count(number), day, at, fact, None);
                Occurrence { whatever_the_service: true, ..occurrence }
            })
            .collect()
    }

    /// The marks of a subject that a routine counts, in order: instant, clinic day and number. Those before the
    /// facts' list begins have only their number.
    pub(super) fn marks(
        &self,
        routine_id: Uuid,
        first_on: NaiveDate,
        subject: &Subject,
        of: Counted,
    ) -> impl Iterator<Item = (DateTime<Utc>, NaiveDate, u32)> {
        let facts = &self.clinic.facts;
        let mut marks: Vec<(DateTime<Utc>, Uuid, NaiveDate)> = match of {
            Counted::Turnovers => facts
                .seatings
                .iter()
                .filter(|seating| seating.edge == SeatingEdge::Left && seating.operatory_id == subject.id)
                .map(|seating| (seating.marked_at, seating.mark_id, seating.clinic_day))
                .collect(),
            Counted::Cycles => facts
                .cycles
                .iter()
                .filter(|cycle| cycle.subject_id == subject.id)
                .map(|cycle| (cycle.ended_at, cycle.mark_id, cycle.clinic_day))
                .collect(),
        };
        marks.retain(|(_, _, clinic_day)| *clinic_day >= first_on);
        marks.sort_unstable();
        let before = self.counted_before(routine_id, subject);
        marks.into_iter().zip(before + 1..).map(|((at, _, day), number)| (at, day, number))
    }

    /// How many marks were counted before the facts' list begins.
    pub(super) fn counted_before(&self, routine_id: Uuid, subject: &Subject) -> u32 {
        self.clinic.facts.counted_before.get(&(routine_id, subject.id)).copied().unwrap_or(0)
    }

    /// The site events of a clinic day that concern a subject.
    pub(super) fn site_events(
        &self,
        kinds: &BTreeSet<SiteEventKind>,
        subject: &Subject,
        date: NaiveDate,
    ) -> Vec<Occurrence> {
        let concerns = |named: Option<Uuid>| named.is_none_or(|id| id == subject.id);
        self.clinic
            .facts
            .events
            .iter()
            .filter(|event| kinds.contains(&event.kind) && concerns(event.subject_id))
            .filter(|event| self.clinic.hours.clinic_day_of(event.happened_at) == date)
            .map(|event| {
                let fact = Fact::SiteEvent { event_id: event.event_id, event: event.kind };
                self.occurrence(Slot::Event(event.event_id), date, event.happened_at, fact, None)
            })
            .collect()
    }

    /// The completions of another routine on the same subject, performed on a clinic day.
    pub(super) fn following(
        &self,
        routine_id: Uuid,
        when: FollowsWhen,
        subject: &Subject,
        date: NaiveDate,
    ) -> Vec<Occurrence> {
        let counts = |finished: Finished, of_sample: bool| match when {
            FollowsWhen::Recorded => !of_sample && !matches!(finished, Finished::Failed | Finished::OutsideWindow),
            FollowsWhen::Passed => finished == Finished::Passed,
            FollowsWhen::Failed => matches!(finished, Finished::Failed | Finished::DoneAndFailed),
        };
        self.clinic
            .facts
            .completions
            .iter()
            .filter(|done| {
                done.routine_id == routine_id && done.subject_id == subject.id && counts(done.finished, done.of_sample)
            })
            .filter(|done| self.clinic.hours.clinic_day_of(done.performed_at) == date)
            .map(|done| {
                let completion_id = done.completion_id;
                let fact = Fact::Completion { completion_id, routine_id, when };
                self.occurrence(Slot::Follows(completion_id), date, done.performed_at, fact, None)
            })
            .collect()
    }
}
