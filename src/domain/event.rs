//! What other systems are told, under stable names.
//!
//! The rule of this file: a name, once released, keeps its meaning; a new meaning gets a new name.

/// A kind of event.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum EventKind {
    /// The desk started a clinic day.
    DayStarted,
    /// The desk ended a clinic day.
    DayEnded,
    /// A patient was seated.
    PatientSeated,
    /// A patient left.
    PatientLeft,
    /// A piece of equipment ran a cycle.
    CycleRecorded,
    /// Something that happened at a clinic was recorded.
    SiteEventRecorded,
    /// A site event was withdrawn as entered by mistake.
    SiteEventWithdrawn,
    /// A timed hold began.
    HoldStarted,
    /// A timed hold ended.
    HoldEnded,
    /// A completion was kept.
    CompletionRecorded,
    /// A clinic's plan changed.
    PlanChanged,
    /// A clinic, its hours, closures or special openings changed.
    ClinicChanged,
    /// An operatory or a piece of equipment changed.
    SubjectChanged,
    /// A routine got a new version.
    RoutineChanged,
    /// A product got a new version.
    ProductChanged,
    /// A lot was entered.
    LotRecorded,
    /// A lot was opened, emptied or discarded.
    LotMarked,
    /// A lot was recalled.
    LotRecalled,
    /// The recall of a lot was withdrawn as entered by mistake.
    LotRecallWithdrawn,
    /// An instrument was entered or changed.
    InstrumentChanged,
    /// Limits beside those of a routine were set or changed.
    LimitsChanged,
    /// What equipment wrote down of a cycle was recorded.
    CycleRecordKept,
    /// The group's ladder changed.
    LadderChanged,
    /// An API key was made.
    KeyCreated,
    /// An API key was revoked.
    KeyRevoked,
    /// A calendar feed was made.
    FeedCreated,
    /// A calendar feed was revoked.
    FeedRevoked,
    /// A person of the group changed, or got a PIN.
    StaffChanged,
    /// What a person was trained for changed.
    CompetenceChanged,
    /// The desk said who is on site.
    PresenceRecorded,
    /// What was recorded on a clinic day was sealed; with the chain's head, to be kept elsewhere.
    DaySealed,
    /// Something is not as it was sealed.
    SealBroken,
    /// How long a class of records is kept changed.
    RetentionChanged,
    /// A lead began a legal hold.
    LegalHoldBegun,
    /// A lead lifted a legal hold.
    LegalHoldLifted,
    /// A lead purged records that were kept long enough.
    RecordsPurged,
    /// Something was put out of use.
    QuarantineBegun,
    /// A named person released what was out of use.
    QuarantineReleased,
    /// A chain of the group got a new version.
    CorrectiveChainChanged,
    /// A corrective action was opened.
    CorrectiveActionOpened,
    /// A step of a corrective action was recorded.
    CorrectiveActionStepRecorded,
    /// Evidence that concerns an action came in beside its steps.
    CorrectiveActionNoted,
    /// A second person closed a corrective action.
    CorrectiveActionClosed,
    /// A person said why a task was missed.
    MissReasonRecorded,
    /// A notice not to use mains water was recorded for a clinic.
    WaterAdvisoryStarted,
    /// A named person recorded that such a notice was lifted at a clinic.
    WaterAdvisoryLifted,
    /// A lead signed a clinic day.
    DaySigned,
}

impl EventKind {
    /// The stable name.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::DayStarted => "day_started",
            Self::DayEnded => "day_ended",
            Self::PatientSeated => "patient_seated",
            Self::PatientLeft => "patient_left",
            Self::CycleRecorded => "cycle_recorded",
            Self::SiteEventRecorded => "site_event_recorded",
            Self::SiteEventWithdrawn => "site_event_withdrawn",
            Self::HoldStarted => "hold_started",
            Self::HoldEnded => "hold_ended",
            Self::CompletionRecorded => "completion_recorded",
            Self::PlanChanged => "plan_changed",
            Self::ClinicChanged => "clinic_changed",
            Self::SubjectChanged => "subject_changed",
            Self::RoutineChanged => "routine_changed",
            Self::ProductChanged => "product_changed",
            Self::LotRecorded => "lot_recorded",
            Self::LotMarked => "lot_marked",
            Self::LotRecalled => "lot_recalled",
            Self::LotRecallWithdrawn => "lot_recall_withdrawn",
            Self::InstrumentChanged => "instrument_changed",
            Self::LimitsChanged => "limits_changed",
            Self::CycleRecordKept => "cycle_record_kept",
            Self::LadderChanged => "ladder_changed",
            Self::KeyCreated => "key_created",
            Self::KeyRevoked => "key_revoked",
            Self::FeedCreated => "feed_created",
            Self::FeedRevoked => "feed_revoked",
            Self::StaffChanged => "staff_changed",
            Self::CompetenceChanged => "competence_changed",
            Self::PresenceRecorded => "presence_recorded",
            Self::DaySealed => "day_sealed",
            Self::SealBroken => "seal_broken",
            Self::RetentionChanged => "retention_changed",
            Self::LegalHoldBegun => "legal_hold_begun",
            Self::LegalHoldLifted => "legal_hold_lifted",
            Self::RecordsPurged => "records_purged",
            Self::QuarantineBegun => "quarantine_begun",
            Self::QuarantineReleased => "quarantine_released",
            Self::CorrectiveChainChanged => "corrective_chain_changed",
            Self::CorrectiveActionOpened => "corrective_action_opened",
            Self::CorrectiveActionStepRecorded => "corrective_action_step_recorded",
            Self::CorrectiveActionNoted => "corrective_action_noted",
            Self::CorrectiveActionClosed => "corrective_action_closed",
            Self::MissReasonRecorded => "miss_reason_recorded",
            Self::WaterAdvisoryStarted => "water_advisory_started",
            Self::WaterAdvisoryLifted => "water_advisory_lifted",
            Self::DaySigned => "day_signed",
        }
    }
}
