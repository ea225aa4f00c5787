//! What planning would do if an edit were kept.
//!
//! The rule of this file: nothing is worked out a second way. The edit has been made in its transaction, the planner's
//! own function looks at the result, and what it says is shown; the transaction is then rolled back by whoever opened
//! it.

use std::collections::BTreeMap;
use std::sync::Arc;

use chrono::{DateTime, Days, NaiveDate, NaiveTime, TimeDelta, Utc};
use serde::Serialize;
use serde_json::{Value, json};
use sqlx::PgConnection;
use utoipa::ToSchema;
use uuid::Uuid;

use super::plan_warnings::{self, PlanWarningDocument};
use crate::domain::load::{self, Weights};
use crate::domain::plan::PlannedTask;
use crate::domain::plan::because::{Because, Fact, RoutineNames};
use crate::domain::reconcile::{Change, WITHDRAWN};
use crate::domain::task::{Outcome, TaskId};
use crate::domain::zone::{self, Zone};
use crate::http::caller::Caller;
use crate::http::configuration::Moves;
use crate::http::problem::ApiResult;
use crate::http::samples;
use crate::store;
use crate::store::planning::{Purpose, Replanning};
use crate::store::tasks::Task;

/// Clinics of which a preview tells; of more it says how many there are.
const MOST_CLINICS: usize = 50;
/// Tasks of each kind of change that are listed for a clinic; all of them are counted.
const MOST_TASKS: usize = 200;

/// What an edit would do. Every rule was kept, or the edit would have been refused as it is without `preview`.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct Preview {
    /// The instant it was worked out for.
    pub as_of: DateTime<Utc>,
    /// Whether the edit changes anything; `false`: it stands already as sent.
    pub changes_configuration: bool,
    /// The clinics that would be planned anew, in the order of planning. What planning would do anyway, because of an
    /// earlier edit or since time went on, is part of it.
    #[schema(max_items = 50)]
    pub clinics: Vec<ClinicPreview>,
    /// Clinics that would be planned anew and are not listed here.
    #[schema(minimum = 0)]
    pub clinics_left_out: usize,
}

/// What an edit would do to the plan of one clinic.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct ClinicPreview {
    /// The clinic.
    pub clinic_id: Uuid,
    /// Tasks that come new.
    pub added: PreviewTasks,
    /// Tasks that stay and change: other instants, another version or reason, required or not, or taken over from the
    /// clinic their subject leaves.
    pub moved: PreviewTasks,
    /// Tasks that somebody may have seen as due: kept, as not required.
    pub withdrawn: PreviewTasks,
    /// Tasks that nobody can have seen as due: gone.
    pub removed: PreviewTasks,
    /// Rough minutes of required tasks by the day they are due, in the clinic's zone, from today to the planning
    /// horizon.
    pub minutes: Vec<DayMinutes>,
    /// What the plan of the coming 400 days would be warned about, and is not as it stands.
    #[schema(max_items = 200)]
    pub warnings: Vec<PlanWarningDocument>,
    /// Whether there may be further ones: at most 200 are listed, and a clinic's dates are looked at up to a bound.
    pub more_warnings: bool,
}

/// Tasks that change in one way.
#[derive(Clone, Debug, Default, Serialize, ToSchema)]
pub struct PreviewTasks {
    /// How many there are.
    #[schema(minimum = 0)]
    pub count: usize,
    /// The first 200 of them, by clinic day.
    #[schema(max_items = 200)]
    pub tasks: Vec<PreviewTask>,
}

/// A task that changes.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct PreviewTask {
    /// The task.
    pub task_id: TaskId,
    /// Its routine.
    pub routine_id: Uuid,
    /// What people call the routine.
    pub routine_name: String,
    /// Its subject.
    pub subject_id: Uuid,
    /// What people call the subject.
    pub subject_name: String,
    /// Which occurrence of the day it is.
    #[schema(example = "opening")]
    pub slot: String,
    /// The clinic day it belongs to.
    pub clinic_day: NaiveDate,
    /// Its window as it stands; null for one that comes new.
    #[schema(required)]
    pub before: Option<PreviewWindow>,
    /// Its window after planning; null for one that goes.
    #[schema(required)]
    pub after: Option<PreviewWindow>,
    /// The fact its moment would hang on, or hangs on where it goes; null where no reason was kept.
    #[schema(required)]
    pub because: Option<Because>,
    /// The same as a sentence.
    #[schema(required)]
    pub sentence: Option<String>,
}

/// When a task may and must be done.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct PreviewWindow {
    /// The work may start.
    pub due_from: DateTime<Utc>,
    /// The work is due by then.
    pub due_by: DateTime<Utc>,
    /// Why it is not required; null when it is.
    #[schema(required)]
    pub not_required: Option<String>,
}

/// The minutes of work on one day.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct DayMinutes {
    /// The day.
    pub on: NaiveDate,
    /// Rough minutes as they stand.
    #[schema(minimum = 0)]
    pub before: u64,
    /// Rough minutes after planning.
    #[schema(minimum = 0)]
    pub after: u64,
}

/// Works out what planning would do in a transaction that holds the edit, made after [`store::configuration::mark`]. The
/// edit is taken back on the way; the rest must be rolled back after.
///
/// # Errors
/// When the database does not answer.
pub(in crate::http) async fn work_out(
    db: &mut PgConnection,
    caller: &Caller,
    horizon_days: u32,
    changes_configuration: bool,
    moves: &Moves,
) -> ApiResult<Preview> {
    let Caller { group_id, now, .. } = *caller;
    let mut clinic_ids = match moves {
        Moves::Nothing => Vec::new(),
        Moves::Clinics(ids) => {
            let ids: Vec<Uuid> = ids.iter().copied().collect();
            store::planning::list_in_turn(db, group_id, Some(&ids), now).await?
        }
        Moves::Group => store::planning::list_in_turn(db, group_id, None, now).await?,
    };
    let clinics_left_out = clinic_ids.len().saturating_sub(MOST_CLINICS);
    clinic_ids.truncate(MOST_CLINICS);
    // A subject moves between two clinics: whichever is planned first leaves less to do for the other. Then the plans
    // are carried out one after the other, as the planner does; nothing else joins the plans of two clinics.
    let in_turn = matches!(moves, Moves::Clinics(_)) && clinic_ids.len() > 1;
    // A day more at both ends: the dates are the clinic's own.
    let span = (now - TimeDelta::days(2), now + TimeDelta::days(i64::from(horizon_days) + 2));
    let mut standing = Vec::new();
    for clinic_id in &clinic_ids {
        standing.push(store::planning::loads::list(db, group_id, *clinic_id, span).await?);
    }
    let (mut clinics, mut planned) = (Vec::new(), Vec::new());
    for (clinic_id, before) in clinic_ids.into_iter().zip(standing) {
        let purpose = if in_turn { Purpose::CarryOut } else { Purpose::Preview };
        let worked_out = store::planning::work_out(db, group_id, clinic_id, horizon_days, purpose, now).await?;
        let Some(replanning) = worked_out else { continue };
        let standing =
            if in_turn { store::planning::loads::list(db, group_id, clinic_id, span).await? } else { before.clone() };
        let after = load::after(standing, &replanning.changes);
        let zone = &replanning.clinic.hours.zone;
        let minutes = minutes(zone, zone::local(zone, now).date(), horizon_days, &before, &after);
        let names = Names::load(db, group_id, &replanning).await?;
        clinics.push(ClinicPreview { minutes, ..clinic_preview(clinic_id, &replanning, &names) });
        planned.push(Arc::clone(&replanning.clinic));
        if in_turn {
            store::planning::carry_out(db, group_id, clinic_id, &replanning, now).await?;
        }
    }
    // From here on the transaction shows what stood before the edit.
    store::configuration::take_back(db).await?;
    for (preview, clinic) in clinics.iter_mut().zip(planned) {
        let clinic_id = preview.clinic_id;
        let mut after = plan_warnings::look_at(Arc::clone(&clinic), clinic_id, now).await?;
        if !after.warnings.is_empty()
            && let Some(stood) = store::planning::load(db, group_id, clinic_id, horizon_days, now).await?
        {
            let before = plan_warnings::look_at(Arc::new(stood), clinic_id, now).await?;
            after.warnings.retain(|warning| !before.warnings.contains(warning));
        }
        preview.more_warnings = after.warnings_left_out > 0 || after.routines_left_out > 0;
        preview.warnings = plan_warnings::told(&clinic, after.warnings);
    }
    Ok(Preview { as_of: now, changes_configuration, clinics, clinics_left_out })
}

/// The load of each day from `today` to the horizon, days without any included.
fn minutes(zone: &Zone, today: NaiveDate, horizon_days: u32, before: &Weights, after: &Weights) -> Vec<DayMinutes> {
    let (before, after) = (load::minutes_by_day(zone, before.values()), load::minutes_by_day(zone, after.values()));
    let days = today.iter_days().take_while(|on| *on <= today + Days::new(horizon_days.into()));
    let of = |minutes: &BTreeMap<NaiveDate, u64>, on: NaiveDate| minutes.get(&on).copied().unwrap_or_default();
    days.map(|on| DayMinutes { on, before: of(&before, on), after: of(&after, on) }).collect()
}

/// What people call routines and subjects.
struct Names {
    routines: RoutineNames,
    subjects: BTreeMap<Uuid, String>,
}

impl Names {
    async fn load(db: &mut PgConnection, group_id: Uuid, replanning: &Replanning) -> ApiResult<Self> {
        let newest = replanning.clinic.routines.iter().filter_map(|versions| versions.last());
        let here = replanning.clinic.subjects.iter().map(|subject| subject.id);
        // A subject that left the clinic is not among its own any more, and some of its tasks are.
        let mut subject_ids: Vec<Uuid> = here.chain(replanning.existing.iter().map(|task| task.subject_id)).collect();
        subject_ids.sort_unstable();
        subject_ids.dedup();
        Ok(Self {
            routines: RoutineNames(newest.map(|v| (v.routine_id, v.routine.name.clone())).collect()),
            subjects: store::clinics::subjects::names(db, group_id, &subject_ids).await?,
        })
    }
}

fn clinic_preview(clinic_id: Uuid, replanning: &Replanning, names: &Names) -> ClinicPreview {
    let existing: BTreeMap<TaskId, &Task> = replanning.existing.iter().map(|task| (task.id, task)).collect();
    let zone = &replanning.clinic.hours.zone;
    let mut preview = ClinicPreview {
        clinic_id,
        added: PreviewTasks::default(),
        moved: PreviewTasks::default(),
        withdrawn: PreviewTasks::default(),
        removed: PreviewTasks::default(),
        minutes: Vec::new(),
        warnings: Vec::new(),
        more_warnings: false,
    };
    for change in &replanning.changes {
        let (of_its_kind, id, planned) = match change {
            Change::Add(task) => (&mut preview.added, task.id, Some(task)),
            Change::Set(task) => (&mut preview.moved, task.id, Some(task)),
            Change::Withdraw(id) => (&mut preview.withdrawn, *id, None),
            Change::Remove(id) => (&mut preview.removed, *id, None),
        };
        of_its_kind.count += 1;
        if of_its_kind.tasks.len() < MOST_TASKS {
            let before = existing.get(&id).copied();
            let is_withdrawn = matches!(change, Change::Withdraw(_));
            of_its_kind.tasks.extend(preview_task(zone, names, before, planned, is_withdrawn));
        }
    }
    preview
}

/// A task that changes; `None` when it stands on neither side, which no change does.
fn preview_task(
    zone: &Zone,
    names: &Names,
    before: Option<&Task>,
    planned: Option<&PlannedTask>,
    is_withdrawn: bool,
) -> Option<PreviewTask> {
    let stood = before.map(|task| (task.id, task.routine_id, task.subject_id, &task.slot, &task.times));
    let comes = planned.map(|task| (task.id, task.routine_id, task.subject_id, &task.slot, &task.times));
    let (task_id, routine_id, subject_id, slot, times) = comes.or(stood)?;
    let because = match planned {
        Some(task) => Some(task.because.clone()),
        None => before.and_then(|task| task.because.clone()),
    };
    let before = before.map(stored_window);
    let after = match planned {
        Some(task) => Some(planned_window(task)),
        None if is_withdrawn => before.clone().map(|w| PreviewWindow { not_required: Some(WITHDRAWN.to_owned()), ..w }),
        None => None,
    };
    Some(PreviewTask {
        task_id,
        routine_id,
        routine_name: names.routines.0.get(&routine_id).cloned().unwrap_or_default(),
        subject_id,
        subject_name: names.subjects.get(&subject_id).cloned().unwrap_or_default(),
        slot: slot.to_string(),
        clinic_day: task_id.clinic_day(),
        before,
        after,
        sentence: because.as_ref().map(|because| because.sentence(times.anchor_at, zone, &names.routines)),
        because,
    })
}

fn stored_window(task: &Task) -> PreviewWindow {
    let is_not_required = task.recorded.is_some_and(|(outcome, _)| outcome == Outcome::NotRequired);
    PreviewWindow {
        due_from: task.times.due_from,
        due_by: task.times.due_by,
        not_required: is_not_required.then(|| task.outcome_reason.clone()),
    }
}

fn planned_window(task: &PlannedTask) -> PreviewWindow {
    PreviewWindow {
        due_from: task.times.due_from,
        due_by: task.times.due_by,
        not_required: task.not_required.as_ref().map(|not_required| not_required.reason.clone()),
    }
}

/// The example of every operation that can be tried: a closure that takes a morning's flush away.
pub(in crate::http) fn example() -> Value {
    let day = samples::day();
    let due_by = day.and_time(NaiveTime::from_hms_opt(8, 0, 0).expect("a full hour of the day")).and_utc();
    let before = PreviewWindow { due_from: due_by - TimeDelta::hours(1), due_by, not_required: None };
    let after = PreviewWindow { not_required: Some("closed: public holidays".to_owned()), ..before.clone() };
    let because = Because { fact: Fact::PlannedOpening {}, moved: None, utc_offset_seconds: 0 };
    let utc: Zone = "Etc/UTC".parse().expect("every release of the zone data has it");
    let task = PreviewTask {
        task_id: TaskId::from_uuid(samples::TASK).expect("the sample is a derived id"),
        routine_id: samples::ROUTINE,
        routine_name: "Flush before the first patient".to_owned(),
        subject_id: samples::OPERATORY,
        subject_name: "Chair 2".to_owned(),
        slot: "opening".to_owned(),
        clinic_day: day,
        before: Some(before),
        after: Some(after),
        sentence: Some(because.sentence(due_by, &utc, &RoutineNames::default())),
        because: Some(because),
    };
    let clinic = ClinicPreview {
        clinic_id: samples::CLINIC,
        added: PreviewTasks::default(),
        moved: PreviewTasks { count: 1, tasks: vec![task] },
        withdrawn: PreviewTasks::default(),
        removed: PreviewTasks::default(),
        minutes: vec![DayMinutes { on: day, before: 5, after: 0 }],
        warnings: Vec::new(),
        more_warnings: false,
    };
    let as_of = samples::morning(7, 0);
    json!(Preview { as_of, changes_configuration: true, clinics: vec![clinic], clinics_left_out: 0 })
}
