//! The kinds of records that leave the service in bulk: which view of `reporting` holds them, in which order they come,
//! and whose they are.
//!
//! The rule of this file: a kind is told of by its view, so that whoever reads with SQL and whoever asks over HTTP get the
//! same columns. The order is one that nothing committed later can slip into: `recorded_at` comes from the request's
//! clock, and what is younger than [`crate::domain::seal::SETTLED_AFTER`] is not told yet.

/// When a row is told, and whether again.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Pace {
    /// Once: it is never changed.
    Recorded,
    /// Again whenever something came to it: a receiver replaces the row with the same key.
    Changed,
    /// Each time anew, as it stands: it is configuration, or follows from other rows.
    Whole,
}

/// Records of one kind.
#[derive(Debug)]
pub struct RecordSet {
    /// Its name, which is that of the view.
    pub name: &'static str,
    /// When a row is told.
    pub pace: Pace,
    /// What rows are read from. `r` is what orders them; `s`, where there is one, holds the columns.
    pub(super) from: &'static str,
    /// Where the end of a page is looked for: as `r`, with the same names.
    pub(super) places: &'static str,
    /// The instant they are ordered by; empty for [`Pace::Whole`].
    pub(super) at: &'static str,
    /// What tells them apart within an instant, with the types.
    pub(super) key: &'static [(&'static str, KeyType)],
    /// What orders the rows of one place, after a comma; may be empty.
    pub(super) then: &'static str,
    /// Which are of the clinics `$1`.
    pub(super) of_clinics: &'static str,
    /// When a row that changes was recorded first, and whether it still stands.
    pub(super) began: Option<(&'static str, &'static str)>,
    /// The clinic day they belong to; none: only an instant is known.
    pub(super) day: Option<&'static str>,
    /// Which are of a subject `$2`, a lot `$2`, a person `$2`; none: the kind says nothing of that.
    pub(super) of: [Option<&'static str>; 3],
}

/// Type of a part of a key.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum KeyType {
    /// A UUID.
    Id,
    /// A local date.
    Day,
    /// A whole number of four bytes.
    Number,
    /// A short text of ours.
    Name,
}

impl KeyType {
    pub(super) fn sql(self) -> &'static str {
        match self {
            Self::Id => "uuid",
            Self::Day => "date",
            Self::Number => "integer",
            Self::Name => "text",
        }
    }
}

impl RecordSet {
    /// The columns' alias in `from`.
    pub(super) fn row(&self) -> &'static str {
        if self.from.ends_with(" s") { "s" } else { "r" }
    }

    /// The column with the id that other records name a row by; none: its key is a day of a clinic.
    pub fn id_name(&self) -> Option<&'static str> {
        let (name, of) = self.key.first()?;
        let name = name.strip_prefix("r.")?;
        (*of == KeyType::Id && name != "clinic_id" && name != "subject_id").then_some(name)
    }

    /// The kind of record that a row is, where it is a state that a person, a competence or an instrument was in.
    pub fn mark_kind(&self) -> Option<&'static str> {
        (self.of_clinics == MARKED_FOR).then(|| self.places.trim_end_matches(" r"))
    }

    /// Columns of the parts of its key.
    pub fn key_names(&self) -> impl Iterator<Item = &'static str> {
        self.key.iter().map(|(name, _)| name.trim_start_matches("r."))
    }

    /// Types of the parts of its key.
    pub fn key_types(&self) -> impl ExactSizeIterator<Item = KeyType> {
        self.key.iter().map(|(_, of)| *of)
    }
}

/// Initials mean whoever had them at the time; another may have them now.
macro_rules! named {
    ($initials:expr, $at:expr) => {
        concat!(
            "(lower(btrim(",
            $initials,
            ")) = (select lower(p.initials) from reporting.staff p where p.staff_id = $2)
              and exists (select from unnest($7::timestamptz[], $8::timestamptz[]) as held (from_at, until_at)
                          where ",
            $at,
            " >= held.from_at and ",
            $at,
            " < held.until_at))"
        )
    };
}

/// Whoever signed for a record, or is named by the initials that were entered where nobody signed.
macro_rules! told_by {
    ($staff_id:expr, $initials:expr, $at:expr) => {
        concat!("(", $staff_id, " = $2 or ", $staff_id, " is null and ", named!($initials, $at), ")")
    };
}

/// A device may name the person by initials alone, so those count where nobody was named by id.
macro_rules! by_person {
    ($row:literal) => {
        concat!(
            "(",
            $row,
            ".staff_id = $2 or ",
            $row,
            ".staff_id is null and ",
            named!(concat!($row, ".performed_by"), concat!($row, ".performed_at")),
            ")"
        )
    };
}

macro_rules! completions_of_person {
    () => {
        concat!(
            "(select c.completion_id from reporting.completions c
              where c.clinic_id = any($1) and c.clinic_day between $3 and $4 and ",
            by_person!("c"),
            ")"
        )
    };
}

macro_rules! completions_with_lot {
    () => {
        "(select u.completion_id from reporting.lot_uses u where u.lot_id = $2 and u.clinic_day between $3 and $4)"
    };
}

macro_rules! completions_of_subject {
    () => {
        "(select c.completion_id from reporting.completions c
          join reporting.tasks t on t.task_id = c.task_id and t.clinic_day = c.clinic_day
          where t.subject_id = $2 and c.clinic_id = any($1) and c.clinic_day between $3 and $4)"
    };
}

/// What is told beside records that name it, so that nobody is left with a bare id: lots that were used, who worked, and on
/// what.
macro_rules! lots_used_in {
    ($completions:expr) => {
        concat!(
            "(select u.lot_id from reporting.lot_uses u where u.clinic_day between $3 and $4 and u.completion_id in ",
            $completions,
            ")"
        )
    };
}

macro_rules! people_who_worked_in {
    ($completions:expr) => {
        concat!(
            "(select p.staff_id from reporting.staff p where exists (
                 select from reporting.completions w
                 where w.clinic_id = any($1) and w.clinic_day between $3 and $4
                   and (w.staff_id = p.staff_id or w.staff_id is null and lower(btrim(w.performed_by)) = lower(p.initials))
                   and w.completion_id in ",
            $completions,
            "))"
        )
    };
}

macro_rules! subjects_worked_on_in {
    ($completions:expr) => {
        concat!(
            "(select t.subject_id from reporting.completions w
              join reporting.tasks t on t.task_id = w.task_id and t.clinic_day = w.clinic_day
              where w.clinic_id = any($1) and w.clinic_day between $3 and $4 and w.completion_id in ",
            $completions,
            ")"
        )
    };
}

macro_rules! products_of {
    ($lots:expr) => {
        concat!("r.product_id in (select l.product_id from reporting.lots l where l.lot_id in ", $lots, ")")
    };
}

/// Of a lot: those of its recall, and of work with it that fell short.
macro_rules! actions_of_lot {
    () => {
        concat!(
            "(select a.action_id from reporting.corrective_actions a where a.cause = 'lot' and a.cause_id = $2
              or a.cause = 'completion' and a.cause_id in ",
            completions_with_lot!(),
            ")"
        )
    };
}

/// Of work of a person that fell short.
macro_rules! actions_after_person {
    () => {
        concat!(
            "(select a.action_id from reporting.corrective_actions a where a.cause = 'completion' and a.cause_id in ",
            completions_of_person!(),
            ")"
        )
    };
}

macro_rules! holds_of {
    ($completions:expr) => {
        concat!(
            "r.hold_id in (select w.hold_id from reporting.step_results w where w.clinic_day between $3 and $4
                           and w.completion_id in ",
            $completions,
            ")"
        )
    };
}

const CLINIC: &str = "r.clinic_id = any($1)";
/// Each clinic that a mark concerns.
const MARKED_FOR: &str = "r.of_clinics && $1";
const SUBJECT: Option<&str> = Some("r.subject_id = $2");
/// Where a row without a subject is about the clinic as a whole, and so about each subject, too.
const SUBJECT_OR_ALL: Option<&str> = Some("(r.subject_id is null or r.subject_id = $2)");
const ACTIONS_OF_SUBJECT: Option<&str> =
    Some("r.action_id in (select a.action_id from reporting.corrective_actions a where a.subject_id = $2)");
const ACTIONS_OF_LOT: Option<&str> = Some(concat!("r.action_id in ", actions_of_lot!()));
/// Beside a condition on the days: without it every partition would be looked into.
const TASKS_OF_SUBJECT: Option<&str> = Some(
    "r.task_id in (select t.task_id from reporting.tasks t
                   where t.subject_id = $2 and t.clinic_id = any($1) and t.clinic_day between $3 and $4)",
);
const TASKS_OF_SUBJECT_EVER: Option<&str> =
    Some("r.task_id in (select t.task_id from reporting.tasks t where t.subject_id = $2 and t.clinic_id = any($1))");
const BY_PERSON: Option<&str> = Some(by_person!("r"));
const COMPLETED_BY: Option<&str> = Some(concat!("r.completion_id in ", completions_of_person!()));
const COMPLETION_ON: Option<&str> = Some(concat!("r.completion_id in ", completions_of_subject!()));
const WITH_LOT: Option<&str> = Some(concat!("r.completion_id in ", completions_with_lot!()));
const DAY: Option<&str> = Some("r.clinic_day");

use KeyType::{Day, Id, Name, Number};
use Pace::{Changed, Recorded, Whole};

/// Steps of a completion come with it, in its order: a page never ends between them.
macro_rules! of_completions {
    ($view:literal) => {
        concat!(
            "reporting.completions r cross join lateral (select v.* from reporting.",
            $view,
            // A fence: the view is then asked for one completion at a time, and not read whole and joined.
            " v where v.completion_id = r.completion_id and v.clinic_day = r.clinic_day offset 0) s"
        )
    };
}

/// Every kind, in the order of a pack.
#[rustfmt::skip]
pub static RECORD_SETS: [RecordSet; 41] = [
    RecordSet { name: "completions", pace: Recorded, began: None, from: "reporting.completions r", places: "completion r",
        at: "r.recorded_at", key: &[("r.completion_id", Id)], then: "", of_clinics: CLINIC, day: DAY,
        of: [TASKS_OF_SUBJECT, WITH_LOT, BY_PERSON] },
    RecordSet { name: "raised_flags", pace: Recorded, began: None, from: "reporting.raised_flags r", places: "raised_flag r",
        at: "r.recorded_at", key: &[("r.completion_id", Id), ("r.flag", Name)], then: "", of_clinics: CLINIC, day: DAY,
        of: [COMPLETION_ON, WITH_LOT, COMPLETED_BY] },
    RecordSet { name: "step_results", pace: Recorded, began: None, from: of_completions!("step_results"), places: "completion r",
        at: "r.recorded_at", key: &[("r.completion_id", Id)], then: ", s.ordinal, s.step_key", of_clinics: CLINIC, day: DAY,
        of: [TASKS_OF_SUBJECT, WITH_LOT, BY_PERSON] },
    RecordSet { name: "readings", pace: Recorded, began: None, from: "reporting.readings r", places: "completion r",
        at: "r.recorded_at", key: &[("r.completion_id", Id)], then: ", r.step_key", of_clinics: CLINIC, day: DAY,
        of: [SUBJECT, WITH_LOT, COMPLETED_BY] },
    RecordSet { name: "water_results", pace: Recorded, began: None, from: of_completions!("water_results"), places: "completion r",
        at: "r.recorded_at", key: &[("r.completion_id", Id)], then: ", s.step_key, s.bottle", of_clinics: CLINIC, day: DAY,
        of: [TASKS_OF_SUBJECT, WITH_LOT, BY_PERSON] },
    RecordSet { name: "lot_uses", pace: Recorded, began: None, from: of_completions!("lot_uses"), places: "completion r",
        at: "r.recorded_at", key: &[("r.completion_id", Id)], then: ", s.step_key", of_clinics: CLINIC, day: DAY,
        of: [TASKS_OF_SUBJECT, Some("s.lot_id = $2"), BY_PERSON] },
    RecordSet { name: "holds", pace: Recorded, began: None, from: "reporting.holds r", places: "hold_mark r",
        at: "r.marked_at", key: &[("r.hold_id", Id), ("r.edge", Name)], then: "", of_clinics: CLINIC, day: DAY,
        of: [TASKS_OF_SUBJECT, Some(holds_of!(completions_with_lot!())), Some(concat!("(", named!("r.performed_by", "r.marked_at"),
            " or ", holds_of!(completions_of_person!()), ")"))] },
    RecordSet { name: "cycles", pace: Recorded, began: None, from: "reporting.cycles r", places: "cycle_mark r",
        at: "r.recorded_at", key: &[("r.cycle_id", Id)], then: "", of_clinics: CLINIC, day: DAY,
        of: [SUBJECT, None, None] },
    RecordSet { name: "cycle_records", pace: Recorded, began: None, from: "reporting.cycle_records r", places: "cycle_record r",
        at: "r.recorded_at", key: &[("r.cycle_id", Id), ("r.number", Number)], then: "", of_clinics: CLINIC, day: None,
        of: [SUBJECT, None, Some(told_by!("r.staff_id", "r.performed_by", "r.recorded_at"))] },
    RecordSet { name: "day_marks", pace: Recorded, began: None, from: "reporting.day_marks r", places: "day_mark r",
        at: "r.recorded_at", key: &[("r.clinic_id", Id), ("r.clinic_day", Day), ("r.edge", Name)], then: "", of_clinics: CLINIC,
        day: DAY, of: [None; 3] },
    RecordSet { name: "seatings", pace: Recorded, began: None, from: "reporting.seatings r", places: "seating_mark r",
        at: "r.recorded_at", key: &[("r.mark_id", Id)], then: "", of_clinics: CLINIC, day: DAY,
        of: [Some("r.operatory_id = $2"), None, None] },
    RecordSet { name: "presence", pace: Recorded, began: None, from: "reporting.presence r", places: "presence_mark r",
        at: "r.recorded_at", key: &[("r.clinic_id", Id), ("r.clinic_day", Day), ("r.number", Number)], then: "",
        of_clinics: CLINIC, day: DAY, of: [None, None, Some("$2 = any(r.staff_ids)")] },
    RecordSet { name: "staff_marks", pace: Recorded, began: None, from: "reporting.staff_marks r", places: "staff_mark r",
        at: "r.recorded_at", key: &[("r.staff_id", Id), ("r.number", Number)], then: "", of_clinics: MARKED_FOR, day: None,
        of: [Some(concat!("r.staff_id in ", people_who_worked_in!(completions_of_subject!()))),
             Some(concat!("r.staff_id in ", people_who_worked_in!(completions_with_lot!()))), Some("r.staff_id = $2")] },
    RecordSet { name: "competence_marks", pace: Recorded, began: None, from: "reporting.competence_marks r",
        places: "competence_mark r", at: "r.recorded_at",
        key: &[("r.staff_id", Id), ("r.competence_id", Id), ("r.number", Number)], then: "", of_clinics: MARKED_FOR, day: None,
        of: [Some(concat!("r.staff_id in ", people_who_worked_in!(completions_of_subject!()))),
             Some(concat!("r.staff_id in ", people_who_worked_in!(completions_with_lot!()))), Some("r.staff_id = $2")] },
    RecordSet { name: "instrument_marks", pace: Recorded, began: None, from: "reporting.instrument_marks r",
        places: "instrument_mark r", at: "r.recorded_at", key: &[("r.instrument_id", Id), ("r.number", Number)], then: "",
        of_clinics: MARKED_FOR, day: None, of: [Some("r.instrument_id in (select q.instrument_id from reporting.readings q
            where q.clinic_id = any($1) and q.clinic_day between $3 and $4 and q.subject_id = $2)"), None, None] },
    RecordSet { name: "miss_reasons", pace: Recorded, began: None, from: "reporting.miss_reasons r", places: "miss_reason r",
        at: "r.recorded_at", key: &[("r.task_id", Id), ("r.number", Number)], then: "", of_clinics: CLINIC, day: None,
        of: [TASKS_OF_SUBJECT_EVER, None, Some(told_by!("r.staff_id", "r.told_by", "r.recorded_at"))] },
    RecordSet { name: "lot_marks", pace: Recorded, began: None, from: "reporting.lot_marks r", places: "lot_mark r",
        at: "r.recorded_at", key: &[("r.lot_id", Id), ("r.number", Number)], then: "", of_clinics: CLINIC, day: None,
        of: [Some(concat!("r.lot_id in ", lots_used_in!(completions_of_subject!()))), Some("r.lot_id = $2"),
             Some(told_by!("r.marked_by_staff_id", "r.marked_by", "r.marked_at"))] },
    RecordSet { name: "corrective_action_steps", pace: Recorded, began: None, from: "reporting.corrective_action_steps r",
        places: "corrective_action_step r", at: "r.recorded_at", key: &[("r.record_id", Id)], then: "", of_clinics: CLINIC,
        day: None, of: [ACTIONS_OF_SUBJECT, ACTIONS_OF_LOT, Some(concat!("(", by_person!("r"),
            " or r.action_id in ", actions_after_person!(), ")"))] },
    RecordSet { name: "corrective_action_steps_asked", pace: Recorded, began: None,
        from: "reporting.corrective_action_steps_asked r", places: "reporting.corrective_action_steps_asked r",
        at: "r.opened_at", key: &[("r.action_id", Id), ("r.number", Number)], then: "", of_clinics: CLINIC, day: None,
        of: [ACTIONS_OF_SUBJECT, ACTIONS_OF_LOT, Some(concat!("r.action_id in ", actions_after_person!()))] },
    RecordSet { name: "corrective_action_notes", pace: Recorded, began: None, from: "reporting.corrective_action_notes r",
        places: "corrective_action_note r", at: "r.recorded_at", key: &[("r.note_id", Id)], then: "", of_clinics: CLINIC,
        day: None, of: [ACTIONS_OF_SUBJECT, ACTIONS_OF_LOT, Some(concat!("r.action_id in ", actions_after_person!()))] },
    RecordSet { name: "service_changes", pace: Recorded, began: None, from: "reporting.service_changes r", places: "subject_change r",
        at: "r.changed_at", key: &[("r.subject_id", Id)], then: "", of_clinics: CLINIC, day: None,
        of: [SUBJECT, None, None] },
    RecordSet { name: "corrective_actions", pace: Changed, began: Some(("r.opened_at", "r.closed_at is null")), from: "reporting.corrective_actions r",
        places: "reporting.corrective_actions r",
        at: "greatest(r.opened_at, r.closed_at, (select max(w.recorded_at) from reporting.corrective_action_steps w
             where w.action_id = r.action_id))",
        key: &[("r.action_id", Id)], then: "", of_clinics: CLINIC, day: None,
        of: [SUBJECT, ACTIONS_OF_LOT, Some(concat!("(r.closed_by_staff_id = $2 or ", told_by!("r.opened_by_staff_id", "r.opened_by", "r.opened_at"),
            " or r.action_id in ", actions_after_person!(), ")"))] },
    RecordSet { name: "quarantines", pace: Changed, began: Some(("r.recorded_at", "r.released_at is null")), from: "reporting.quarantines r", places: "reporting.quarantines r",
        at: "greatest(r.recorded_at, r.released_at)", key: &[("r.quarantine_id", Id)], then: "", of_clinics: CLINIC, day: None,
        of: [SUBJECT,
            Some(concat!("(r.cause = 'lot' and r.cause_id = $2 or r.cause = 'corrective_action' and r.cause_id in ", actions_of_lot!(),
                " or r.cause = 'completion' and r.cause_id in ", completions_with_lot!(), ")")),
            Some(concat!("(r.released_by_staff_id = $2 or ", told_by!("r.begun_by_staff_id", "r.begun_by", "r.begun_at"),
                " or r.cause = 'corrective_action' and r.cause_id in ", actions_after_person!(),
                " or r.cause = 'completion' and r.cause_id in ", completions_of_person!(), ")"))] },
    RecordSet { name: "lots", pace: Changed, began: Some(("r.recorded_at", "r.ended_at is null")), from: "reporting.lots r", places: "reporting.lots r",
        at: "greatest(r.recorded_at, (select max(m.recorded_at) from reporting.lot_marks m where m.lot_id = r.lot_id))",
        key: &[("r.lot_id", Id)], then: "", of_clinics: CLINIC, day: None,
        of: [Some(concat!("r.lot_id in ", lots_used_in!(completions_of_subject!()))), Some("r.lot_id = $2"),
             Some(concat!("r.lot_id in ", lots_used_in!(completions_of_person!())))] },
    RecordSet { name: "day_explanations", pace: Recorded, began: None, from: "reporting.day_explanations r", places: "day_sign_off r",
        at: "r.recorded_at", key: &[("r.sign_off_id", Id)], then: ", r.task_id, r.gap", of_clinics: CLINIC, day: DAY,
        of: [TASKS_OF_SUBJECT, None, Some("r.signed_by_staff_id = $2")] },
    RecordSet { name: "day_sign_offs", pace: Whole, began: None, from: "reporting.day_sign_offs r", places: "reporting.day_sign_offs r",
        at: "", key: &[("r.clinic_id", Id), ("r.clinic_day", Day)], then: "", of_clinics: CLINIC, day: DAY, of: [Some("true"), Some("true"),
            Some("(r.signed_by_staff_id = $2 or exists (select from reporting.day_explanations e where e.clinic_id = r.clinic_id
                and e.clinic_day = r.clinic_day and e.signed_by_staff_id = $2))")] },
    RecordSet { name: "water_advisories", pace: Changed, began: Some(("r.recorded_at", "r.lifted_at is null")),
        from: "reporting.water_advisories r", places: "reporting.water_advisories r",
        at: "greatest(r.recorded_at, r.lifting_recorded_at)", key: &[("r.advisory_id", Id), ("r.clinic_id", Id)], then: "",
        of_clinics: CLINIC, day: None, of: [Some("true"), None, Some(concat!("(r.lifted_by_staff_id = $2 or ", told_by!("r.opened_by_staff_id", "r.opened_by", "r.recorded_at"), ")"))] },
    RecordSet { name: "legal_holds", pace: Changed, began: Some(("r.begun_at", "r.lifted_at is null")),
        from: "reporting.legal_holds r", places: "reporting.legal_holds r", at: "greatest(r.begun_at, r.lifted_at)",
        key: &[("r.legal_hold_id", Id)], then: "", of_clinics: CLINIC, day: None, of: [SUBJECT_OR_ALL, Some("r.subject_id is null"), Some("$2 in (r.begun_by_staff_id, r.lifted_by_staff_id)")] },
    RecordSet { name: "purges", pace: Recorded, began: None, from: "reporting.purges r", places: "reporting.purges r",
        at: "r.purged_at", key: &[("r.purge_id", Id)], then: "", of_clinics: CLINIC, day: None, of: [Some("true"), Some("true"), Some("r.purged_by_staff_id = $2")] },
    RecordSet { name: "site_events", pace: Changed, began: Some(("r.recorded_at", "false")), from: "reporting.site_events r", places: "reporting.site_events r",
        at: "greatest(r.recorded_at, r.withdrawn_at)", key: &[("r.event_id", Id)], then: "", of_clinics: CLINIC, day: None,
        of: [SUBJECT_OR_ALL, None, None] },
    RecordSet { name: "tasks", pace: Whole, began: None, from: "reporting.tasks r", places: "task r",
        at: "", key: &[("r.clinic_day", Day), ("r.task_id", Id)], then: "", of_clinics: CLINIC, day: DAY,
        of: [SUBJECT, WITH_LOT, COMPLETED_BY] },
    RecordSet { name: "readiness_intervals", pace: Whole, began: None, from: "reporting.readiness_intervals r",
        places: "reporting.readiness_intervals r", at: "", key: &[("r.subject_id", Id), ("r.number", Number)], then: "",
        of_clinics: "r.subject_id = any(array(select u.subject_id from reporting.subjects u where u.clinic_id = any($1)))", day: None, of: [SUBJECT, None, None] },
    RecordSet { name: "seals", pace: Whole, began: None, from: "reporting.seals r", places: "reporting.seals r",
        at: "", key: &[("r.clinic_id", Id), ("r.number", Number)], then: "", of_clinics: CLINIC, day: DAY, of: [Some("true"); 3] },
    RecordSet { name: "clinics", pace: Whole, began: None, from: "reporting.clinics r", places: "reporting.clinics r",
        at: "", key: &[("r.clinic_id", Id)], then: "", of_clinics: CLINIC, day: None, of: [Some("true"); 3] },
    RecordSet { name: "subjects", pace: Whole, began: None, from: "reporting.subjects r", places: "reporting.subjects r",
        at: "", key: &[("r.subject_id", Id)], then: "", of_clinics: CLINIC, day: None,
        of: [SUBJECT, Some(concat!("r.subject_id in ", subjects_worked_on_in!(completions_with_lot!()))),
             Some(concat!("r.subject_id in ", subjects_worked_on_in!(completions_of_person!())))] },
    RecordSet { name: "routines", pace: Whole, began: None, from: "reporting.routines r", places: "reporting.routines r",
        at: "", key: &[("r.routine_id", Id), ("r.version", Number)], then: "", of_clinics: "true", day: None,
        of: [Some("true"); 3] },
    RecordSet { name: "products", pace: Whole, began: None, from: "reporting.products r", places: "reporting.products r",
        at: "", key: &[("r.product_id", Id), ("r.version", Number)], then: "", of_clinics: "true", day: None,
        of: [Some(products_of!(lots_used_in!(completions_of_subject!()))),
             Some("r.product_id = (select l.product_id from reporting.lots l where l.lot_id = $2)"),
             Some(products_of!(lots_used_in!(completions_of_person!())))] },
    RecordSet { name: "instruments", pace: Whole, began: None, from: "reporting.instruments r", places: "reporting.instruments r",
        at: "", key: &[("r.instrument_id", Id)], then: "", of_clinics: CLINIC, day: None, of: [Some("r.instrument_id in (select q.instrument_id from reporting.readings q where q.clinic_id = any($1)
            and q.clinic_day between $3 and $4 and q.subject_id = $2)"), None, None] },
    RecordSet { name: "closures", pace: Whole, began: None, from: "reporting.closures r", places: "reporting.closures r",
        at: "", key: &[("r.closure_id", Id)], then: "", of_clinics: CLINIC, day: None, of: [None; 3] },
    RecordSet { name: "staff", pace: Whole, began: None, from: "reporting.staff r", places: "reporting.staff r",
        at: "", key: &[("r.staff_id", Id)], then: "", of_clinics: "(cardinality(r.clinic_ids) = 0 or r.clinic_ids && $1)",
        day: None, of: [Some(concat!("r.staff_id in ", people_who_worked_in!(completions_of_subject!()))),
                        Some(concat!("r.staff_id in ", people_who_worked_in!(completions_with_lot!()))), Some("r.staff_id = $2")] },
    RecordSet { name: "competences", pace: Whole, began: None, from: "reporting.competences r", places: "reporting.competences r",
        at: "", key: &[("r.staff_id", Id), ("r.competence_id", Id)], then: "",
        of_clinics: "r.staff_id in (select p.staff_id from reporting.staff p
                                    where cardinality(p.clinic_ids) = 0 or p.clinic_ids && $1)",
        day: None, of: [Some(concat!("r.staff_id in ", people_who_worked_in!(completions_of_subject!()))),
                        Some(concat!("r.staff_id in ", people_who_worked_in!(completions_with_lot!()))), Some("r.staff_id = $2")] },
];
