//! What a lead should look at about a completion, or about a step of a corrective action.
//!
//! The rule of this file: a flag is raised and kept, never hidden, and never changes a verdict: it asks a person a
//! question about a record. What a completion shows by itself is worked out when it is recorded, from what is known then;
//! what several show only together is raised for each of them as the last one comes (`together`).

mod of_step;
mod together;

use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use super::evidence::{CLOCK_TOLERANCE, JudgedStep};
use super::staff::{Competence, StaffMember, Standing, Work, standing};

pub use self::of_step::{StepEntry, step_flags};
pub use self::together::{AT_ONE_GO, BURST_SPAN, FEWEST_ENTRIES, Performed, flags_together};

/// An entry that follows the work by no more was made while the times were known. No source: after an hour nobody tells the
/// minutes of a round of chairs by heart.
const ENTERED_SOON: TimeDelta = TimeDelta::hours(1);
/// What a lead should look at.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Flag {
    /// Recorded after the window had closed.
    LateEntry,
    /// Performed before the window opened.
    Early,
    /// Several pieces of work of one person within less time than they take.
    Burst,
    /// The device's clock and the service's differ.
    ClockDisagrees,
    /// The person is not among those who were on site that clinic day.
    NotOnSite,
    /// Nobody of the staff has these initials.
    PersonUnknown,
    /// The person was not on the staff that day.
    PersonInactive,
    /// The initials are not those of the person who was named by id.
    InitialsDiffer,
    /// The work takes a competence, and none of the person's is on record.
    NoCompetence,
    /// The competence for the work had ended.
    CompetenceExpired,
    /// A step of a corrective action was recorded by a person of another role than its owner's.
    NotTheOwner,
    /// A value was recorded whose limits were none in force that day.
    NoLimitInForce,
    /// A hold that the device timed, with no more than one number to show for it.
    HoldWithoutRecord,
    /// What the device noted of a hold is not what it sent.
    HoldDisagrees,
    /// On a tablet that several people share, named by id and without their PIN.
    Unsigned,
    /// On such a tablet, without the PIN that the clinic asks for.
    PinMissing,
    /// At a chair, packs of a load were named that was out of use then, or is now, or was discarded or processed again before.
    LoadOutOfUse,
    /// Entered on the device long after the work.
    EnteredLater,
    /// Entered on the device before the work was done.
    EnteredBefore,
    /// Several pieces of work of one person that were done apart, entered at one go.
    EnteredTogether,
    /// It came long after the work, and the device does not say when it was entered.
    NoEntryTime,
    /// Indicators without the last day of their lot.
    NoLastDay,
}

/// Whether a PIN was to be expected and did not come.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum PinMissed {
    /// It came, or the device is one person's.
    #[default]
    No,
    /// A shared tablet named a person by id, and no PIN says that they were there.
    ByNamed,
    /// The clinic asks for one on shared tablets.
    Asked,
}

impl PinMissed {
    /// What is missed of a completion that a shared tablet sent without a PIN: whether it names the person by id, and
    /// whether the clinic asks for the PIN.
    #[must_use]
    pub fn unsigned(named: bool, asked: bool) -> Self {
        match (asked, named) {
            (true, _) => Self::Asked,
            (false, true) => Self::ByNamed,
            (false, false) => Self::No,
        }
    }
}

impl Flag {
    /// Every flag.
    pub const ALL: [Self; 22] = [
        Self::LateEntry,
        Self::Early,
        Self::Burst,
        Self::ClockDisagrees,
        Self::NotOnSite,
        Self::PersonUnknown,
        Self::PersonInactive,
        Self::InitialsDiffer,
        Self::NoCompetence,
        Self::CompetenceExpired,
        Self::NotTheOwner,
        Self::NoLimitInForce,
        Self::HoldWithoutRecord,
        Self::HoldDisagrees,
        Self::Unsigned,
        Self::PinMissing,
        Self::LoadOutOfUse,
        Self::EnteredLater,
        Self::EnteredBefore,
        Self::EnteredTogether,
        Self::NoEntryTime,
        Self::NoLastDay,
    ];

    /// The stable name, as stored and served.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::LateEntry => "late_entry",
            Self::Early => "early",
            Self::Burst => "burst",
            Self::ClockDisagrees => "clock_disagrees",
            Self::NotOnSite => "not_on_site",
            Self::PersonUnknown => "person_unknown",
            Self::PersonInactive => "person_inactive",
            Self::InitialsDiffer => "initials_differ",
            Self::NoCompetence => "no_competence",
            Self::CompetenceExpired => "competence_expired",
            Self::NotTheOwner => "not_the_owner",
            Self::NoLimitInForce => "no_limit_in_force",
            Self::HoldWithoutRecord => "hold_without_record",
            Self::HoldDisagrees => "hold_disagrees",
            Self::Unsigned => "unsigned",
            Self::PinMissing => "pin_missing",
            Self::LoadOutOfUse => "load_out_of_use",
            Self::EnteredLater => "entered_later",
            Self::EnteredBefore => "entered_before",
            Self::EnteredTogether => "entered_together",
            Self::NoEntryTime => "no_entry_time",
            Self::NoLastDay => "no_last_day",
        }
    }

    /// The flag of a stable name.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|flag| flag.as_str() == name)
    }

    /// What it says, in words.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::LateEntry => "recorded after the window had closed",
            Self::Early => "performed before the window opened",
            Self::Burst => "one of several entries of this person within far less time than the work takes",
            Self::ClockDisagrees => "the device's clock and the service's differ by more than two minutes",
            Self::NotOnSite => "the person is not on the list of those who were on site that clinic day",
            Self::PersonUnknown => "nobody on the staff has these initials",
            Self::PersonInactive => "the person was not on the staff on the day of the work",
            Self::InitialsDiffer => "the initials that were sent are not those of the person who was named",
            Self::NoCompetence => "no competence of this person for this work is on record for that day",
            Self::CompetenceExpired => "the person's competence for this work had ended by that day",
            Self::NotTheOwner => "the step is another role's than this person's",
            Self::NoLimitInForce => "a value was judged by no limit: none of its limits is in force on that day here",
            Self::HoldWithoutRecord => "the device sent how long a hold took, and nothing to see that by",
            Self::HoldDisagrees => "what the device noted of a hold is not how long it says the hold took",
            Self::Unsigned => "a shared tablet named the person, and their PIN did not come with it",
            Self::PinMissing => "the clinic asks for the person's PIN on shared tablets, and none came with it",
            Self::EnteredLater => "entered on the device more than an hour after the work was done",
            Self::EnteredBefore => "entered on the device before the work was done, by the device's clock",
            Self::EnteredTogether => {
                "one of several entries of this person within five minutes, of work done over half an hour or more"
            }
            Self::NoEntryTime => {
                "came more than an hour after the work, and the device does not say when it was entered"
            }
            Self::NoLastDay => {
                "indicators were recorded without the last day of their lot, and not by the register of lots"
            }
            Self::LoadOutOfUse => {
                "packs of a load were named at the chair that was out of use then or is now, or was discarded or processed \
                 again before"
            }
        }
    }
}

/// Who a completion says did the work.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Person {
    /// The group keeps no staff: nothing can be said.
    NotKept,
    /// Nobody of the staff.
    Unknown,
    /// This person.
    Known(StaffMember),
}

impl Person {
    /// Whom initials mean on a day, of those who have or had them: who is there that day, else the last to have been.
    #[must_use]
    pub fn by_initials(mut namesakes: Vec<StaffMember>, day: NaiveDate) -> Self {
        namesakes.sort_by_key(|person| (person.is_active_on(day), person.active_from));
        namesakes.pop().map_or(Self::Unknown, Self::Known)
    }
}

/// On which days initials meant this one of those who have or had them, by [`Person::by_initials`]: from a day on (none: from
/// ever) and before another (none: for ever).
#[must_use]
pub fn days_of_initials(namesakes: &[StaffMember], staff_id: Uuid) -> Vec<(Option<NaiveDate>, Option<NaiveDate>)> {
    let means = |day: NaiveDate| match Person::by_initials(namesakes.to_vec(), day) {
        Person::Known(person) => person.staff_id == staff_id,
        _ => false,
    };
    let mut turns: Vec<NaiveDate> = namesakes
        .iter()
        .flat_map(|person| [Some(person.active_from), person.active_until.and_then(|day| day.succ_opt())])
        .flatten()
        .collect();
    turns.sort_unstable();
    turns.dedup();
    let Some(first) = turns.first() else { return Vec::new() };
    let before = first.pred_opt().filter(|day| means(*day)).map(|_| (None, Some(*first)));
    let nexts = turns.iter().skip(1).copied().map(Some).chain([None]);
    let later = turns.iter().zip(nexts).filter(|(day, _)| means(**day)).map(|(day, next)| (Some(*day), next));
    before.into_iter().chain(later).collect()
}

/// What is known about a completion when it is recorded.
#[derive(Debug)]
#[expect(clippy::struct_excessive_bools, reason = "each is a fact of its own")]
pub struct Entry<'a> {
    /// Performed before the window opened.
    pub early: bool,
    /// Recorded after the window had closed.
    pub late_entry: bool,
    /// The work was done, or tried; what is declared not required takes nobody's hands.
    pub is_work: bool,
    /// When it reached us.
    pub recorded_at: DateTime<Utc>,
    /// What the device's clock said then.
    pub device_at: Option<DateTime<Utc>>,
    /// It says by itself that it was entered later: a correction, or the result of a sample, under the sample's time.
    pub tells_of_before: bool,
    /// Who.
    pub person: &'a Person,
    /// The initials that were sent.
    pub initials: Option<&'a str>,
    /// The clinic day of the work.
    pub day: NaiveDate,
    /// Who was on site, where somebody said so.
    pub on_site: Option<&'a [Uuid]>,
    /// What the person was trained for.
    pub competences: &'a [Competence],
    /// The work, which may take a competence.
    pub work: Work<'a>,
    /// When the work was done, as the person says.
    pub performed_at: DateTime<Utc>,
    /// When it was entered on the device, by the device's clock, where that was said.
    pub entered_at: Option<DateTime<Utc>>,
    /// What was recorded, judged.
    pub steps: &'a [JudgedStep],
    /// Whether a PIN was to be expected and did not come.
    pub pin: PinMissed,
    /// Whether it names, at a chair, packs of a load that is not to be laid out.
    pub names_held_load: bool,
}

/// The flags that a completion has by itself, in the order of [`Flag::ALL`].
#[must_use]
pub fn flags(entry: &Entry<'_>) -> Vec<Flag> {
    let mut flags = Vec::new();
    let mut raise = |flag, is_raised: bool| flags.extend(is_raised.then_some(flag));
    raise(Flag::LateEntry, entry.late_entry);
    raise(Flag::Early, entry.early);
    let disagrees = |at: DateTime<Utc>| (at - entry.recorded_at).abs() > CLOCK_TOLERANCE;
    let entered_at = entry.entered_at;
    // Nothing is entered after it was sent.
    let is_ahead = |at: DateTime<Utc>| at - entry.device_at.unwrap_or(entry.recorded_at) > CLOCK_TOLERANCE;
    raise(Flag::ClockDisagrees, entry.device_at.is_some_and(disagrees) || entered_at.is_some_and(is_ahead));
    raise(Flag::PersonUnknown, *entry.person == Person::Unknown);
    if let Person::Known(person) = entry.person {
        let is_away = entry.on_site.is_some_and(|there| !there.contains(&person.staff_id));
        raise(Flag::NotOnSite, entry.is_work && is_away);
        raise(Flag::PersonInactive, !person.is_active_on(entry.day));
        raise(Flag::InitialsDiffer, entry.initials.is_some_and(|initials| !person.has_initials(initials)));
        if entry.is_work && entry.work.takes_competence() {
            let standing = standing(entry.competences, entry.work, entry.day);
            raise(Flag::NoCompetence, standing == Standing::Missing);
            raise(Flag::CompetenceExpired, matches!(standing, Standing::ExpiredOn(_)));
        }
    }
    raise(Flag::NoLimitInForce, entry.steps.iter().any(|step| step.no_limit_in_force));
    raise(Flag::HoldWithoutRecord, entry.steps.iter().any(JudgedStep::is_hold_without_record));
    raise(Flag::HoldDisagrees, entry.steps.iter().any(|step| !step.hold_disagreements().is_empty()));
    raise(Flag::Unsigned, entry.pin == PinMissed::ByNamed);
    raise(Flag::PinMissing, entry.pin == PinMissed::Asked);
    raise(Flag::LoadOutOfUse, entry.names_held_load);
    raise(Flag::NoLastDay, entry.steps.iter().any(JudgedStep::lacks_last_day));
    if entry.is_work && !entry.tells_of_before {
        let after_work = |at: DateTime<Utc>| at - entry.performed_at;
        raise(Flag::EnteredLater, entered_at.is_some_and(|at| after_work(at) > ENTERED_SOON));
        raise(Flag::EnteredBefore, entered_at.is_some_and(|at| after_work(at) < -CLOCK_TOLERANCE));
        raise(Flag::NoEntryTime, entered_at.is_none() && after_work(entry.recorded_at) > ENTERED_SOON);
    }
    flags.sort_unstable();
    flags
}

#[cfg(test)]
mod tests;
