//! The invented group as its files hold it.
//!
//! The rule of this file: dates in the files are counted from the day the demo is loaded, in each clinic's own zone,
//! so that the demo never grows old. They become dates here and nowhere else.

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;

use anyhow::Context;
use chrono::{DateTime, Days, NaiveDate, NaiveDateTime, NaiveTime, Utc};
use serde::Deserialize;
use serde::de::DeserializeOwned;
use serde_json::{Map, Value, json};
use uuid::Uuid;

use super::people::Person;
use super::stock::Stock;
use super::story::Story;
use crate::domain::anchor::Anchor;
use crate::domain::hours::{Closure, Hours, Session, Week, minute_of_day};
use crate::domain::routine::Routine;
use crate::domain::subject::SubjectKind;
use crate::domain::zone::{self, Zone};

/// Everything the files say.
#[derive(Clone, Debug)]
pub(super) struct Seed {
    /// The group.
    pub group: GroupSeed,
    /// Its clinics.
    pub clinics: Vec<ClinicSeed>,
    /// Its routines.
    pub routines: Vec<RoutineSeed>,
    /// Its ladder, as the API takes it.
    pub ladder: Value,
    /// Who works where.
    pub staff: BTreeMap<Uuid, Vec<Person>>,
    /// What it works with.
    pub stock: Stock,
    /// What is to happen in the weeks behind.
    pub story: Story,
}

/// The group.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct GroupSeed {
    /// Its id.
    pub group_id: Uuid,
    /// Its name.
    pub name: String,
}

/// A clinic with all that stands in it.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct ClinicSeed {
    /// Its id.
    pub clinic_id: Uuid,
    /// The document that the API takes.
    pub clinic: ClinicDocument,
    /// Its ordinary week.
    pub week: Week,
    /// When it is closed.
    pub closures: Vec<ClosureSeed>,
    /// When it is open otherwise than in an ordinary week.
    pub special_openings: Vec<SpecialSeed>,
    /// Its operatories.
    pub operatories: Vec<OperatorySeed>,
    /// Its equipment.
    pub equipment: Vec<EquipmentSeed>,
}

/// A clinic's own document; the zone is read, the rest is handed on.
#[derive(Clone, Debug, Deserialize, serde::Serialize)]
pub(super) struct ClinicDocument {
    /// What people call it.
    pub name: String,
    /// Its IANA zone.
    pub zone: String,
    /// What else the API takes.
    #[serde(flatten)]
    pub rest: Map<String, Value>,
}

/// A closure, counted from the day of the load.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct ClosureSeed {
    /// Its id.
    pub closure_id: Uuid,
    /// First closed day.
    pub from_days: i64,
    /// First closed local time of that day.
    #[serde(with = "minute_of_day")]
    pub from_time: NaiveTime,
    /// Last day.
    pub until_days: i64,
    /// First local time of that day that is no longer closed.
    #[serde(with = "minute_of_day")]
    pub until_time: NaiveTime,
    /// Why.
    pub reason: String,
}

/// A special opening, counted from the day of the load.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct SpecialSeed {
    /// The day.
    pub days_from_today: i64,
    /// Its sessions.
    pub sessions: Vec<Session>,
    /// Why.
    pub reason: String,
}

/// An operatory.
#[derive(Clone, Debug, Deserialize)]
pub(super) struct OperatorySeed {
    /// Its id.
    pub operatory_id: Uuid,
    /// What people call it.
    pub name: String,
    /// Its waterlines.
    pub circuits: Vec<String>,
    /// What else the API takes.
    #[serde(flatten)]
    pub rest: Map<String, Value>,
}

/// A piece of equipment.
#[derive(Clone, Debug, Deserialize)]
pub(super) struct EquipmentSeed {
    /// Its id.
    pub equipment_id: Uuid,
    /// What the API takes.
    #[serde(flatten)]
    pub rest: Map<String, Value>,
}

/// A routine.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct RoutineSeed {
    /// Its id.
    pub routine_id: Uuid,
    /// Where its rule starts, counted from the day of the load: for a rule that is too rare to fall into four weeks
    /// by itself.
    #[serde(default)]
    pub starts_days: Option<i64>,
    /// The routine.
    pub routine: Routine,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct StaffSeed {
    clinic_id: Uuid,
    staff: Vec<Person>,
}

impl Seed {
    /// Reads the files of a directory.
    ///
    /// # Errors
    /// When one is missing or does not have its shape.
    pub(super) fn read(dir: &Path) -> anyhow::Result<Self> {
        let staff: Vec<StaffSeed> = read_file(dir, "staff.json")?;
        Ok(Self {
            group: read_file(dir, "group.json")?,
            clinics: read_file(dir, "clinics.json")?,
            routines: read_file(dir, "routines.json")?,
            ladder: read_file(dir, "ladder.json")?,
            staff: staff.into_iter().map(|s| (s.clinic_id, s.staff)).collect(),
            stock: read_file(dir, "products.json")?,
            story: read_file(dir, "story.json")?,
        })
    }

    /// The anchor of a routine; `None` for one the files do not hold.
    #[must_use]
    pub(super) fn anchor(&self, routine_id: Uuid) -> Option<&Anchor> {
        self.routines.iter().find(|r| r.routine_id == routine_id).map(|r| &r.routine.anchor)
    }
}

fn read_file<T: DeserializeOwned>(dir: &Path, name: &str) -> anyhow::Result<T> {
    let path = dir.join(name);
    let text = fs::read_to_string(&path).with_context(|| format!("cannot read {}", path.display()))?;
    serde_json::from_str(&text).with_context(|| format!("{} does not have the shape it should", path.display()))
}

/// The date `days` from `today`; `today` itself when that would leave the calendar.
#[must_use]
pub(super) fn date_from(today: NaiveDate, days: i64) -> NaiveDate {
    let distance = Days::new(days.unsigned_abs());
    let moved = if days < 0 { today.checked_sub_days(distance) } else { today.checked_add_days(distance) };
    moved.unwrap_or(today)
}

impl OperatorySeed {
    /// What the API takes, but for the clinic.
    pub(super) fn document(&self) -> Map<String, Value> {
        let mut document = self.rest.clone();
        document.insert("name".to_owned(), json!(self.name));
        document.insert("circuits".to_owned(), json!(self.circuits));
        document
    }
}

impl ClinicSeed {
    /// The waterlines of an operatory; none of anything else.
    #[must_use]
    pub(super) fn lines_of(&self, id: Uuid) -> &[String] {
        self.operatories.iter().find(|o| o.operatory_id == id).map_or(&[], |o| o.circuits.as_slice())
    }

    /// Whether an operatory stands in it.
    #[must_use]
    pub(super) fn has_operatory(&self, id: Uuid) -> bool {
        self.operatories.iter().any(|o| o.operatory_id == id)
    }

    /// Its zone.
    ///
    /// # Errors
    /// When the name is none.
    pub(super) fn zone(&self) -> anyhow::Result<Zone> {
        Ok(self.clinic.zone.parse()?)
    }

    /// Its local date at an instant.
    ///
    /// # Errors
    /// As [`Self::zone`].
    pub(super) fn date_at(&self, at: DateTime<Utc>) -> anyhow::Result<NaiveDate> {
        Ok(zone::local(&self.zone()?, at).date())
    }

    /// When it is open, as the sign on its door says.
    ///
    /// # Errors
    /// As [`Self::zone`].
    pub(super) fn hours(&self, today: NaiveDate) -> anyhow::Result<Hours> {
        let closures = self
            .closures
            .iter()
            .map(|c| Closure { from: c.from(today), until: c.until(today), reason: c.reason.clone() })
            .collect();
        let special_openings =
            self.special_openings.iter().map(|s| (date_from(today, s.days_from_today), s.sessions.clone())).collect();
        let week = Some(self.week.clone());
        Ok(Hours { zone: self.zone()?, week, dated_weeks: BTreeMap::new(), closures, special_openings })
    }
}

impl ClosureSeed {
    /// First closed local time.
    #[must_use]
    pub(super) fn from(&self, today: NaiveDate) -> NaiveDateTime {
        date_from(today, self.from_days).and_time(self.from_time)
    }

    /// First local time that is no longer closed.
    #[must_use]
    pub(super) fn until(&self, today: NaiveDate) -> NaiveDateTime {
        date_from(today, self.until_days).and_time(self.until_time)
    }
}

impl EquipmentSeed {
    /// Whether it is a steriliser, which runs cycles.
    #[must_use]
    pub(super) fn is_steriliser(&self) -> bool {
        self.rest.get("kind").and_then(Value::as_str) == Some(SubjectKind::Steriliser.as_str())
    }
}

impl RoutineSeed {
    /// The routine with its start counted from `today`.
    #[must_use]
    pub(super) fn routine(&self, today: NaiveDate) -> Routine {
        let mut routine = self.routine.clone();
        if let (Some(days), Anchor::Calendar { dates, .. }) = (self.starts_days, &mut routine.anchor) {
            dates.starts_on = date_from(today, days);
        }
        routine
    }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use chrono::TimeDelta;

    use super::*;
    use crate::domain::facts::Facts;
    use crate::domain::ladder::Ladder;
    use crate::domain::plan::{self, Clinic};
    use crate::domain::routine::RoutineVersion;
    use crate::domain::subject::{ServiceState, Spell, Subject, SubjectKind};
    use crate::domain::task::{State, state_at};

    fn seed() -> Seed {
        Seed::read(&Path::new(env!("CARGO_MANIFEST_DIR")).join("seed-demo")).expect("the files have their shape")
    }

    fn spells(service: &ServiceState) -> Vec<Spell> {
        match service {
            ServiceState::InService => Vec::new(),
            ServiceState::OutOfService { reason, since } => {
                vec![Spell { from: *since, until: None, reason: reason.clone() }]
            }
        }
    }

    /// The clinic with its equipment and the routines nobody got to, as the planner would be given it.
    fn clinic(seed: &Seed, clinic: &ClinicSeed, today: NaiveDate) -> Clinic {
        let subjects = clinic.equipment.iter().map(|e| {
            let kind = e.rest["kind"].as_str().and_then(SubjectKind::from_name).expect("a kind");
            let service = match e.rest["service"]["state"].as_str() {
                Some("in_service") => ServiceState::InService,
                _ => ServiceState::OutOfService { reason: String::new(), since: DateTime::UNIX_EPOCH },
            };
            Subject {
                id: e.equipment_id,
                clinic_id: clinic.clinic_id,
                kind,
                name: String::new(),
                water_source: None,
                circuits: Vec::new(),
                suction_lines: Vec::new(),
                spells: spells(&service),
                service,
                commissioned_on: NaiveDate::MIN,
            }
        });
        let left = seed.routines.iter().filter(|r| seed.story.left_undone.iter().any(|l| l.routine_id == r.routine_id));
        let version = |r: &RoutineSeed| RoutineVersion {
            routine_id: r.routine_id,
            version: 1,
            effective_on: date_from(today, -28),
            routine: r.routine(today),
        };
        Clinic {
            hours: clinic.hours(today).expect("a zone"),
            ladder: Ladder::default(),
            routines: left.map(|r| vec![version(r)]).collect(),
            subjects: subjects.collect(),
            full_days: BTreeSet::new(),
            first_days: BTreeMap::new(),
            facts: Facts::default(),
        }
    }

    #[test]
    fn every_routine_of_the_files_is_one_the_service_takes() {
        for routine in seed().routines {
            assert_eq!(routine.routine.faults(), [], "{}", routine.routine.name);
        }
    }

    #[test]
    fn every_clinic_has_overdue_work_and_an_open_hold_at_every_hour_of_the_week_the_demo_is_loaded() {
        let seed = seed();
        // A week in winter, one in summer, and those of a change of the clocks in London and in Adelaide.
        for week in ["2026-11-23", "2027-06-07", "2027-03-25", "2027-04-01"] {
            let monday: NaiveDate = week.parse().expect("a date");
            for hour in 0..7 * 24 {
                let until = monday.and_time(NaiveTime::MIN).and_utc() + TimeDelta::hours(hour);
                for site in &seed.clinics {
                    let today = site.date_at(until).expect("a zone");
                    let clinic = clinic(&seed, site, today);
                    let undone: Vec<_> = plan::plan(&clinic, date_from(today, -12), date_from(today, 1), today)
                        .into_iter()
                        .filter(|task| task.not_required.is_none())
                        .filter(|task| seed.story.stays_undone(task.routine_id, task.clinic_day, today))
                        .map(|task| (task.subject_kind, state_at(&task.times, None, until)))
                        .collect();
                    let name = &site.clinic.name;
                    assert!(undone.iter().any(|(_, state)| *state == State::Overdue), "{name} at {until}");
                    let open_hold = |(kind, state): &(SubjectKind, State)| {
                        *kind == SubjectKind::PremisesOutlet
                            && matches!(state, State::Due | State::Grace | State::Overdue)
                    };
                    assert!(undone.iter().any(open_hold), "{name} at {until}");
                }
            }
        }
    }

    #[test]
    fn every_reading_has_a_range_and_every_story_line_a_routine() {
        let seed = seed();
        let steps = |id: Uuid| seed.routines.iter().find(|r| r.routine_id == id).map(|r| &r.routine.steps);
        for routine in &seed.routines {
            for step in &routine.routine.steps {
                if matches!(step.evidence.kind(), "reading" | "water_sample") {
                    let range = seed.story.range(routine.routine_id, &step.key);
                    assert!(range.is_some_and(|r| r.low <= r.high), "{}: {}", routine.routine.name, step.key);
                }
            }
        }
        let story = &seed.story;
        let named = story.left_undone.iter().map(|l| l.routine_id);
        let named = named.chain(story.results_follow.iter().map(|r| r.routine_id));
        let named = named.chain(story.followed_when_missed.iter().copied());
        let named = named.chain(story.over_limit.iter().map(|o| o.routine_id));
        for id in named.chain(story.void_tests.iter().chain(&story.not_required).map(|d| d.routine_id)) {
            assert!(steps(id).is_some(), "{id}");
        }
    }
}
