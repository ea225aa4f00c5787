//! What is done when something of a kind fails: ordered steps, each with an owner, a window and the evidence it wants.
//!
//! The rule of this file: a chain is a document that is checked whole before it is kept, and it is data: which steps
//! there are, in which order, who owns them and which of them stand before a release. The service only counts and
//! compares; whether something may be used again is a named person's judgement.

pub mod cycle_tests;
pub mod defaults;
pub mod progress;
mod rules;
pub mod work;

use chrono::TimeDelta;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use self::cycle_tests::CycleDemand;
use self::work::WorkShown;
use super::cycle_load::Chamber;
use super::evidence::Verdict;
use super::limit::Source;
use super::water_sample::WaterCount;

/// What fails: each kind has one chain.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
#[schema(as = CorrectiveChainKind)]
pub enum ChainKind {
    /// Water of a unit or line over its limit.
    WaterOverLimit,
    /// A spore test with growth.
    PositiveSporeTest,
    /// A load whose indicator or mechanical record fell short.
    FailedLoad,
    /// A steriliser's daily control or steam-penetration test.
    FailedControlTest,
    /// A test of cleaning: protein residue, soil, foil.
    FailedCleaningTest,
    /// An outlet or cylinder out of its range.
    TemperatureOutOfRange,
    /// An amalgam separator that is full or faulty.
    SeparatorFullOrFaulty,
    /// Work whose window passed with no evidence.
    MissedRoutine,
    /// A product that is wrong, expired or recalled.
    WrongOrExpiredProduct,
    /// The lines of a unit that held mains water while a water advisory stood.
    LinesAfterAdvisory,
    /// The taps, filters and reservoirs of a clinic where a water advisory stood.
    PremisesAfterAdvisory,
    /// A steriliser that was installed, moved or had a major repair, before its first load.
    SteriliserSetUp,
}

impl ChainKind {
    /// Every kind.
    pub const ALL: [Self; 12] = [
        Self::WaterOverLimit,
        Self::PositiveSporeTest,
        Self::FailedLoad,
        Self::FailedControlTest,
        Self::FailedCleaningTest,
        Self::TemperatureOutOfRange,
        Self::SeparatorFullOrFaulty,
        Self::MissedRoutine,
        Self::WrongOrExpiredProduct,
        Self::LinesAfterAdvisory,
        Self::PremisesAfterAdvisory,
        Self::SteriliserSetUp,
    ];

    /// The stable name, as stored and served.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::WaterOverLimit => "water_over_limit",
            Self::PositiveSporeTest => "positive_spore_test",
            Self::FailedLoad => "failed_load",
            Self::FailedControlTest => "failed_control_test",
            Self::FailedCleaningTest => "failed_cleaning_test",
            Self::TemperatureOutOfRange => "temperature_out_of_range",
            Self::SeparatorFullOrFaulty => "separator_full_or_faulty",
            Self::MissedRoutine => "missed_routine",
            Self::WrongOrExpiredProduct => "wrong_or_expired_product",
            Self::LinesAfterAdvisory => "lines_after_advisory",
            Self::PremisesAfterAdvisory => "premises_after_advisory",
            Self::SteriliserSetUp => "steriliser_set_up",
        }
    }

    /// The kind of a stable name.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|kind| kind.as_str() == name)
    }

    /// What may be said in the place of what failed, so that an action of this kind has no ground left. That a spore test
    /// is void takes no growth back: each positive counts as a malfunction until a repeat is read (CDC, MMWR 52(RR-17)
    /// 2003, p. 24-25, read in a quotation).
    #[must_use]
    pub fn lifted_by(self) -> &'static [Verdict] {
        match self {
            Self::PositiveSporeTest => &[Verdict::Passed, Verdict::NotRequired],
            _ => &[Verdict::Passed, Verdict::NotRequired, Verdict::Void],
        }
    }
}

/// The chain of a kind.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = CorrectiveChain)]
pub struct Chain {
    /// What people call it.
    #[schema(example = "Spore test with growth")]
    pub name: String,
    /// Whether opening an action puts its subject in quarantine, until a named person releases it.
    pub quarantines: bool,
    /// Whether opening an action also puts in quarantine each load that its machine ran since the last test that passed,
    /// one by one; those with implantable devices first, and marked.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub holds_loads: bool,
    /// Whether each load with implantable devices is put in quarantine as its cycle is recorded, until a spore test that ran
    /// in that cycle has passed; and when that test's result is due, counted from that record. Left out: it is not.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub implant_test: Option<StepWindow>,
    /// The steps, in order.
    #[schema(min_items = 1, max_items = 30)]
    pub steps: Vec<ChainStep>,
    /// When a second person closes the action, counted from its last step.
    pub closing: StepWindow,
    /// On whose authority.
    #[schema(min_items = 1, max_items = 20)]
    pub sources: Vec<Source>,
    /// What can hurt, and what no software decides.
    #[serde(default)]
    #[schema(max_items = 20)]
    pub cautions: Vec<String>,
}

/// One step of a chain.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = CorrectiveChainStep)]
pub struct ChainStep {
    /// Name of the step within its chain: lower-case letters, digits and hyphens.
    #[schema(pattern = "^[a-z0-9][a-z0-9-]{0,39}$", example = "repeat-test")]
    pub key: String,
    /// What to do, as one instruction.
    #[schema(min_length = 1, max_length = 600)]
    pub instruction: String,
    /// Whose step it is: one of the roles of people.
    pub owner: StepOwner,
    /// When it may and must be done.
    pub window: StepWindow,
    /// What it wants as evidence.
    pub evidence: ChainEvidence,
    /// Nothing is released before it is recorded, and passed where it has a result.
    #[serde(default)]
    pub gates_release: bool,
    /// It is asked for only when an earlier step ended so; any one of these is enough. Empty: always.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    #[schema(max_items = 10)]
    pub only_if: Vec<Branch>,
    /// It is asked for only where the water that opened the action was tested for one of these. Empty: always.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    #[schema(max_items = 4)]
    pub if_counted: Vec<WaterCount>,
    /// It is asked for only when such actions are opened often.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub if_repeated: Option<Repeated>,
}

/// Whose step it is: one of the roles of people.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum StepOwner {
    /// Whoever works at the chair or in the decontamination room.
    Assistant,
    /// A licensed clinician.
    Clinician,
    /// The clinic's lead.
    ClinicLead,
    /// The group's lead.
    GroupLead,
    /// A competent engineer.
    Engineer,
}

impl StepOwner {
    /// Every owner.
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

    /// The owner of a stable name.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|owner| owner.as_str() == name)
    }
}

/// When a step may start, is due and becomes overdue: elapsed minutes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct StepWindow {
    /// From where the minutes are counted.
    pub counted_from: StepStart,
    /// It may be done; earlier is kept and flagged.
    #[serde(default)]
    #[schema(minimum = 0, maximum = 576_000, example = 7200)]
    pub may_start_minutes: u32,
    /// It is due by then; later is kept and flagged.
    #[schema(minimum = 0, maximum = 576_000, example = 14_400)]
    pub due_by_minutes: u32,
    /// Grace is over; the ladder starts.
    #[schema(minimum = 0, maximum = 576_000, example = 15_840)]
    pub overdue_minutes: u32,
}

/// From where a step's window is counted.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum StepStart {
    /// When the action was opened.
    Opening,
    /// When the step before it was done.
    StepBefore,
}

/// What a step wants as evidence.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(tag = "kind", rename_all = "snake_case", deny_unknown_fields)]
#[schema(as = CorrectiveChainEvidence)]
pub enum ChainEvidence {
    /// Somebody confirms that it was done.
    Confirmation {},
    /// What was found or decided, in words.
    Note {},
    /// The reference of a paper that is kept elsewhere.
    Reference {
        /// Which paper.
        #[schema(min_length = 1, max_length = 120, example = "engineer's report")]
        what: String,
    },
    /// Passed or failed, as a person judges it.
    Result {
        /// Not as a person says, but by the verdict of a test, where the subject has a routine whose failing opens actions of
        /// this kind: the action is then opened with a `test_result` of that routine in this place.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        tests_of: Option<ChainKind>,
    },
    /// The verdict of a test of the subject, made after the instant that the step's window is counted from: the first such
    /// completion is named. A test of water that passed decides nothing unless each line that is asked for stood in a bottle
    /// of its own: the lines sampled when it fell short, or the line or unit that a person opened the action about.
    TestResult {
        /// The routine it is a test of; absent: the one whose failing opened the action.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        routine_id: Option<Uuid>,
        /// One that passed counts only if it ran in the program of the test that failed. Growth counts in any.
        #[serde(default, skip_serializing_if = "std::ops::Not::not")]
        same_program: bool,
        /// One that passed counts only with the chamber like this.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        chamber: Option<Chamber>,
    },
    /// So many tests of the subject in a row that passed, made after the instant that the step's window is counted from;
    /// one that fails starts the count again, and one that leaves out a line is not counted.
    TestsPassed {
        /// How many.
        #[schema(minimum = 1, maximum = 10, example = 3)]
        count: u32,
        /// The routine they are tests of; absent: the one whose failing opened the action.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        routine_id: Option<Uuid>,
        /// One that passed counts only with the chamber like this.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        chamber: Option<Chamber>,
        /// Each ran in a cycle of its own, and between those the machine ran none, but for an empty one that fell not short.
        #[serde(default, skip_serializing_if = "std::ops::Not::not")]
        consecutive_cycles: bool,
        /// Minutes that must lie between one that counts and the next, where several within a short time would say no more than
        /// one does; absent: none. One made sooner is not counted and starts nothing again.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        #[schema(minimum = 1, maximum = 576_000, example = 8640)]
        at_least_minutes_apart: Option<u32>,
    },
    /// Work on the subject that stands in a completion which passed, done after the instant that the step's window is counted
    /// from. The newest that shows it counts, or the one that is named.
    Work {
        /// What its record must show.
        shows: WorkShown,
    },
    /// What became of each load that the action holds, signed as a release of it. No such load goes back to use as it was,
    /// whatever else is recorded, unless what opened the action was corrected.
    LoadsEnded {},
}

impl ChainEvidence {
    /// Whether the step ends with a result that later steps can hang on.
    #[must_use]
    pub fn has_result(&self) -> bool {
        matches!(self, Self::Result { .. } | Self::TestResult { .. })
    }

    /// Whether it rests on tests that somebody must make.
    #[must_use]
    pub fn is_test(&self) -> bool {
        matches!(self, Self::TestResult { .. } | Self::TestsPassed { .. })
    }

    /// The routine it names.
    #[must_use]
    pub fn names_routine(&self) -> Option<Uuid> {
        match self {
            Self::TestResult { routine_id, .. } | Self::TestsPassed { routine_id, .. } => *routine_id,
            _ => None,
        }
    }

    /// Whether so many tests that count, and others whose results are awaited, are enough that no further one is asked for
    /// yet.
    #[must_use]
    pub fn is_served_by(&self, counted: usize, awaited: usize) -> bool {
        match self {
            // Of tests that must lie apart, the next is not asked for before the one before it is read.
            Self::TestsPassed { at_least_minutes_apart: Some(_), .. } if awaited > 0 => true,
            Self::TestsPassed { count, .. } => counted + awaited >= *count as usize,
            _ => counted + awaited > 0,
        }
    }

    /// How far apart tests must lie of which it asks several.
    #[must_use]
    pub fn apart(&self) -> TimeDelta {
        match self {
            Self::TestsPassed { at_least_minutes_apart: Some(minutes), .. } => TimeDelta::minutes((*minutes).into()),
            _ => TimeDelta::zero(),
        }
    }

    /// What it asks of the cycles that its tests ran in; `None`: nothing.
    #[must_use]
    pub fn cycle_demand(&self) -> Option<CycleDemand> {
        let demand = match *self {
            Self::TestResult { same_program, chamber, .. } => {
                CycleDemand { same_program, chamber, ..CycleDemand::default() }
            }
            Self::TestsPassed { chamber, consecutive_cycles, .. } => {
                CycleDemand { chamber, consecutive: consecutive_cycles, ..CycleDemand::default() }
            }
            _ => return None,
        };
        (demand != CycleDemand::default()).then_some(demand)
    }
}

/// How a step with a result ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum StepEnd {
    /// It passed.
    Passed,
    /// It failed.
    Failed,
}

impl StepEnd {
    /// The stable name, as stored and served.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Passed => "passed",
            Self::Failed => "failed",
        }
    }

    /// The end of a stable name.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        [Self::Passed, Self::Failed].into_iter().find(|end| end.as_str() == name)
    }
}

/// An earlier step that ended in a way.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = StepCondition)]
pub struct Branch {
    /// The earlier step.
    #[schema(example = "repeat-test")]
    pub step: String,
    /// How it ended.
    pub ended: StepEnd,
}

/// How often such actions must have been opened.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Repeated {
    /// So many, this one among them.
    #[schema(minimum = 2, maximum = 100, example = 3)]
    pub at_least: u32,
    /// In so many days.
    #[schema(minimum = 1, maximum = 366, example = 30)]
    pub within_days: u32,
    /// Where they are counted.
    pub counted_at: CountedAt,
}

/// Where actions are counted.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum CountedAt {
    /// On the same subject.
    Subject,
    /// In the same clinic.
    Clinic,
    /// Of the same routine, in the same clinic.
    Routine,
}

impl Chain {
    /// Whether no load that an action of it holds goes back to use as it was.
    #[must_use]
    pub fn ends_loads(&self) -> bool {
        self.steps.iter().any(|step| matches!(step.evidence, ChainEvidence::LoadsEnded {}))
    }

    /// The chain with the steps that an action is opened with.
    #[must_use]
    pub fn for_opening(&self, occasion: &Occasion<'_>) -> Self {
        let asked = |step: &&ChainStep| {
            step.if_repeated.is_none_or(|rule| (occasion.opened)(&rule) >= rule.at_least)
                && (step.if_counted.is_empty() || step.if_counted.iter().any(|count| occasion.counted.contains(count)))
        };
        let as_opened = |step: &ChainStep| match step.evidence {
            ChainEvidence::Result { tests_of: Some(kind) } => {
                let routine_id = (occasion.routine_of)(kind);
                let by_test = ChainEvidence::TestResult { routine_id, same_program: false, chamber: None };
                let evidence = routine_id.map_or(ChainEvidence::Result { tests_of: None }, |_| by_test);
                ChainStep { evidence, ..step.clone() }
            }
            ChainEvidence::Work { shows: WorkShown::MissedWork {} } if !occasion.has_make_safe_task => {
                ChainStep { evidence: ChainEvidence::Note {}, ..step.clone() }
            }
            _ => step.clone(),
        };
        Self { steps: self.steps.iter().filter(asked).map(as_opened).collect(), ..self.clone() }
    }
}

/// What is known where an action is opened, and decides its steps.
pub struct Occasion<'a> {
    /// How many such actions there are by a rule, this one among them.
    pub opened: &'a dyn Fn(&Repeated) -> u32,
    /// By which routine the subject is tested whose failing opens actions of a kind.
    pub routine_of: &'a dyn Fn(ChainKind) -> Option<Uuid>,
    /// What the water that opened it was tested for.
    pub counted: &'a [WaterCount],
    /// Whether the missed work that opened it has a task that makes safe.
    pub has_make_safe_task: bool,
}

#[cfg(test)]
mod tests;
