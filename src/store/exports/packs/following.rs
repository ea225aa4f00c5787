//! What belongs to a pack although its own day or clinic would leave it out: what followed from what is told, and who and what
//! has moved since.
//!
//! The rule of this file: only what a record of the pack names is fetched from outside it.

use crate::store::exports::record_sets::RecordSet;

macro_rules! completions_of_days {
    () => {
        "(select c.completion_id from reporting.completions c where c.clinic_id = any($1) and c.clinic_day between $3 and $4)"
    };
}

macro_rules! tasks_of_days {
    () => {
        "(select t.task_id from reporting.tasks t where t.clinic_id = any($1) and t.clinic_day between $3 and $4)"
    };
}

macro_rules! cycles_of_days {
    () => {
        "(select c.cycle_id from reporting.cycles c where c.clinic_id = any($1) and c.clinic_day between $3 and $4)"
    };
}

/// Actions, as `$row`, whose cause is of the pack's days.
macro_rules! caused_within {
    ($row:literal) => {
        concat!(
            "(",
            $row,
            ".cause = 'completion' and ",
            $row,
            ".cause_id in ",
            completions_of_days!(),
            " or ",
            $row,
            ".cause = 'missed_task' and ",
            $row,
            ".cause_id in ",
            tasks_of_days!(),
            " or ",
            $row,
            ".cause = 'cycle' and ",
            $row,
            ".cause_id in ",
            cycles_of_days!(),
            ")"
        )
    };
}

/// Actions that the pack tells.
macro_rules! actions_told {
    () => {
        concat!(
            "(select a.action_id from reporting.corrective_actions a where a.clinic_id = any($1)
              and (a.opened_at < $6 and (a.closed_at is null or a.closed_at >= $5) or ",
            caused_within!("a"),
            "))"
        )
    };
}

/// Rows that followed from what is told, whenever they were recorded: why a task was missed is said the day after, and what
/// a failure led to may take weeks.
pub(super) fn followed(set: &RecordSet) -> Option<&'static str> {
    Some(match set.name {
        "miss_reasons" => concat!("r.task_id in ", tasks_of_days!()),
        "corrective_actions" => caused_within!("r"),
        "corrective_action_steps" | "corrective_action_steps_asked" | "corrective_action_notes" => {
            concat!("r.action_id in ", actions_told!())
        }
        // How the register stood before, whenever that was said.
        "staff_marks" | "competence_marks" | "instrument_marks" => "r.recorded_at < $6",
        "cycle_records" => concat!("r.cycle_id in ", cycles_of_days!()),
        "quarantines" => concat!(
            "r.cause = 'completion' and r.cause_id in ",
            completions_of_days!(),
            " or r.cause = 'corrective_action' and r.cause_id in ",
            actions_told!(),
            " or r.cycle_id in ",
            cycles_of_days!()
        ),
        _ => return None,
    })
}

/// Which rows that are told whole are of the pack's time.
pub(super) fn times(set: &RecordSet) -> &'static str {
    match set.name {
        "readiness_intervals" => "r.not_ready_from < $6 and coalesce(r.not_ready_until, 'infinity') >= $5",
        _ => "true",
    }
}

macro_rules! named_here {
    () => {
        "(select c.staff_id from reporting.completions c where c.clinic_id = any($1) and c.clinic_day between $3 and $4
          union select m.staff_id from reporting.miss_reasons m where m.clinic_id = any($1)
          union select unnest(array[a.opened_by_staff_id, a.closed_by_staff_id]) from reporting.corrective_actions a
                where a.clinic_id = any($1)
          union select unnest(array[q.begun_by_staff_id, q.released_by_staff_id]) from reporting.quarantines q
                where q.clinic_id = any($1)
          union select k.marked_by_staff_id from reporting.lot_marks k where k.clinic_id = any($1)
          union select y.staff_id from reporting.cycle_records y where y.clinic_id = any($1)
          union select d.signed_by_staff_id from reporting.day_sign_offs d where d.clinic_id = any($1)
          union select e.signed_by_staff_id from reporting.day_explanations e where e.clinic_id = any($1)
          union select unnest(array[w.opened_by_staff_id, w.lifted_by_staff_id]) from reporting.water_advisories w
                where w.clinic_id = any($1)
          union select l.begun_by_staff_id from reporting.legal_holds l where l.clinic_id = any($1)
          union select l.lifted_by_staff_id from reporting.legal_holds l where l.clinic_id = any($1)
          union select p.purged_by_staff_id from reporting.purges p where p.clinic_id = any($1)
          union select unnest(n.staff_ids) from reporting.presence n
                where n.clinic_id = any($1) and n.clinic_day between $3 and $4)"
    };
}

/// Whom records of the clinic name by id, wherever they work now.
pub(in crate::store) const NAMED_HERE: &str = named_here!();

/// Which rows are of the clinic. Beside what is there now: people whom its records name, and subjects while they stood in it.
pub(super) fn here(set: &RecordSet) -> &'static str {
    match set.name {
        "staff" => {
            concat!("(cardinality(r.clinic_ids) = 0 or r.clinic_ids && $1 or r.staff_id in ", named_here!(), ")")
        }
        "competences" => concat!(
            "r.staff_id in (select p.staff_id from reporting.staff p where cardinality(p.clinic_ids) = 0
                            or p.clinic_ids && $1 or p.staff_id in ", named_here!(), ")"
        ),
        "subjects" => {
            "(r.clinic_id = any($1) or r.subject_id in
                (select c.subject_id from reporting.service_changes c where c.clinic_id = any($1)))"
        }
        // The ids stand in an array, so that Postgres looks only at these subjects; the view would otherwise put together
        // those of the whole group.
        "readiness_intervals" => {
            "r.subject_id = any(array(select u.subject_id from reporting.subjects u where u.clinic_id = any($1)
                                      union select c.subject_id from reporting.service_changes c where c.clinic_id = any($1)))
             and exists (select from (select c.clinic_id, c.changed_at,
                                             lead(c.changed_at) over (order by c.changed_at) as until_at
                                      from reporting.service_changes c where c.subject_id = r.subject_id) stood
                         where stood.clinic_id = any($1) and stood.changed_at < coalesce(r.not_ready_until, 'infinity')
                           and coalesce(stood.until_at, 'infinity') > r.not_ready_from)"
        }
        _ => set.of_clinics,
    }
}
