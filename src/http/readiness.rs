//! What an operatory's record lacks: the desk and the chair look at it before somebody sits down.
//!
//! The rule of this file: an answer names what is missing and says that it is about records only; what may be done
//! with the chair is decided by a person.

pub mod board;
pub mod history;

use std::collections::BTreeSet;

use axum::Json;
use axum::extract::State;
use chrono::{DateTime, TimeDelta, Utc};
use serde::{Deserialize, Serialize};
use sqlx::PgConnection;
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use uuid::Uuid;

use super::AppState;
use super::caller::Caller;
use super::extract::{Path, Query};
use super::openapi::{Example, Part};
use super::problem::{ApiError, ApiResult};
use crate::domain::chain::StepOwner;
use crate::domain::readiness::{Lack, Missing, Readiness, readiness};
use crate::domain::standing::{Obstacle, ObstacleKind, Solver, standing};
use crate::domain::subject::{Subject, SubjectKind};
use crate::store;
use crate::store::corrective_actions::quarantines;
use crate::store::corrective_actions::worklist::{self, NextStep};

pub(super) const NOTICE: &str =
    "This is about records only; a named, trained person decides whether the operatory may be used.";

/// What an operatory's record lacks.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct ReadinessAnswer {
    /// The operatory.
    pub operatory_id: Uuid,
    /// The instant the answer is for.
    pub as_of: DateTime<Utc>,
    /// Nothing that blocks is missing from the records, and nothing stands against the operatory.
    pub ready_by_record: bool,
    /// Present when the operatory is out of service.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(nullable = false)]
    pub out_of_service: Option<OutOfServiceNote>,
    /// What is missing, longest first.
    pub missing: Vec<MissingRecord>,
    /// What stands against its use whatever was recorded, longest first; that it is out of service too.
    pub standing: Vec<StandingObstacle>,
    /// How the answer is to be read.
    #[schema(
        example = "This is about records only; a named, trained person decides whether the operatory may be used."
    )]
    pub notice: &'static str,
}

/// Why an operatory is out of service.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct OutOfServiceNote {
    /// Why.
    pub reason: String,
    /// Since when.
    pub since: DateTime<Utc>,
}

/// A blocking routine without the record it asks for.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct MissingRecord {
    /// The latest task that lacks a record.
    pub task_id: Uuid,
    /// Its routine.
    pub routine_id: Uuid,
    /// The routine's name in the version in force on the task's day.
    pub routine_name: String,
    /// What is wrong.
    pub lack: RecordLack,
    /// Who can put it right.
    pub solved_by: ReadinessSolver,
    /// Since when the routine has been without a record that keeps its rules.
    pub since: DateTime<Utc>,
    /// When the latest task was or is due.
    pub due_by: DateTime<Utc>,
    /// How many of its tasks in a row lack one.
    #[schema(minimum = 1)]
    pub occurrences: usize,
}

/// What is wrong with a record.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum RecordLack {
    /// There is none yet, and there is still time.
    RecordMissing,
    /// The window passed without one.
    Missed,
    /// It does not keep the rules.
    Failed,
    /// Its result is awaited.
    ResultAwaited,
}

impl From<Lack> for RecordLack {
    fn from(lack: Lack) -> Self {
        match lack {
            Lack::RecordMissing => Self::RecordMissing,
            Lack::Missed => Self::Missed,
            Lack::Failed => Self::Failed,
            Lack::ResultAwaited => Self::ResultAwaited,
        }
    }
}

impl From<Missing> for MissingRecord {
    fn from(missing: Missing) -> Self {
        Self {
            task_id: missing.task.id.as_uuid(),
            routine_id: missing.task.routine_id,
            routine_name: missing.task.routine_name,
            lack: missing.lack.into(),
            solved_by: missing.lack.solved_by().into(),
            since: missing.since,
            due_by: missing.task.due_by,
            occurrences: missing.occurrences,
        }
    }
}

/// Who can put right what a subject lacks.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum ReadinessSolver {
    /// Whoever works there, by recording the work.
    Chairside,
    /// The clinic's lead, or whom the lead names.
    ClinicLead,
    /// The laboratory or reader whose result is awaited.
    Laboratory,
}

impl From<Solver> for ReadinessSolver {
    fn from(solver: Solver) -> Self {
        match solver {
            Solver::Chairside => Self::Chairside,
            Solver::ClinicLead => Self::ClinicLead,
            Solver::Laboratory => Self::Laboratory,
        }
    }
}

/// What kind of thing stands against a subject.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum StandingKind {
    /// It was taken out of service.
    OutOfService,
    /// It is in quarantine, and no release is recorded.
    Quarantine,
    /// A water advisory stands at the clinic, and mains water feeds the unit.
    WaterAdvisory,
}

/// One thing that stands against a subject.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct StandingObstacle {
    /// What kind.
    pub kind: StandingKind,
    /// The quarantine or the water advisory; null: the subject's own state.
    #[schema(required)]
    pub id: Option<Uuid>,
    /// The corrective action it came from; null: none.
    #[schema(required)]
    pub action_id: Option<Uuid>,
    /// The one line it concerns; null: the subject as a whole.
    #[schema(required)]
    pub line: Option<String>,
    /// Why, in words.
    pub reason: String,
    /// Since when.
    pub since: DateTime<Utc>,
    /// Who can end it.
    pub solved_by: ReadinessSolver,
    /// What that corrective action waits for now; null: there is none, it is closed, or the answer is for an instant gone
    /// by.
    #[schema(required)]
    pub waits_for: Option<StandingStep>,
}

/// What comes next in the corrective action behind an obstacle.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct StandingStep {
    /// The key of the step in its chain; null: all steps are recorded, and a second person closes it.
    #[schema(required)]
    pub step: Option<String>,
    /// Whose turn it is.
    pub owner: StepOwner,
    /// When it should be recorded.
    pub due_by: DateTime<Utc>,
}

impl From<NextStep> for StandingStep {
    fn from(next: NextStep) -> Self {
        Self { step: next.step_key, owner: next.owner, due_by: next.due_by }
    }
}

impl From<Obstacle> for StandingObstacle {
    fn from(obstacle: Obstacle) -> Self {
        Self {
            kind: match obstacle.kind {
                ObstacleKind::OutOfService => StandingKind::OutOfService,
                ObstacleKind::Quarantine => StandingKind::Quarantine,
                ObstacleKind::WaterAdvisory => StandingKind::WaterAdvisory,
            },
            id: obstacle.id,
            action_id: obstacle.action_id,
            line: obstacle.line,
            reason: obstacle.reason,
            since: obstacle.since,
            solved_by: obstacle.solved_by.into(),
            waits_for: None,
        }
    }
}

/// What stands against each of some subjects, in their order, each with what its corrective action waits for: one query,
/// and none where nothing came from an action.
///
/// # Errors
/// When the store fails.
pub(super) async fn with_next_steps(
    db: &mut PgConnection,
    group_id: Uuid,
    standing: Vec<Vec<Obstacle>>,
) -> ApiResult<Vec<Vec<StandingObstacle>>> {
    let actions: BTreeSet<Uuid> = standing.iter().flatten().filter_map(|obstacle| obstacle.action_id).collect();
    let actions: Vec<Uuid> = actions.into_iter().collect();
    let next = worklist::list_next_steps(db, group_id, &actions).await?;
    let told = |obstacle: Obstacle| {
        let waits_for = obstacle.action_id.and_then(|id| next.get(&id)).cloned().map(StandingStep::from);
        StandingObstacle { waits_for, ..StandingObstacle::from(obstacle) }
    };
    Ok(standing.into_iter().map(|obstacles| obstacles.into_iter().map(told).collect()).collect())
}

/// What the records say about using each of `subjects` at `now`, in their order; three queries, however many they are.
///
/// # Errors
/// When the store fails.
pub(super) async fn of_all(
    db: &mut PgConnection,
    group_id: Uuid,
    subjects: &[Subject],
    now: DateTime<Utc>,
) -> ApiResult<Vec<Readiness>> {
    let ids: Vec<Uuid> = subjects.iter().map(|subject| subject.id).collect();
    let mut blocking = store::readiness::list_blocking(db, group_id, &ids, now).await?;
    let quarantines = quarantines::list_standing(db, group_id, &ids, now).await?;
    let clinics: BTreeSet<Uuid> = subjects.iter().map(|subject| subject.clinic_id).collect();
    let clinics: Vec<Uuid> = clinics.into_iter().collect();
    let advisories = store::water_advisories::list_standing(db, group_id, &clinics, now).await?;
    Ok(subjects
        .iter()
        .map(|s| readiness(standing(s, &quarantines, &advisories, now), blocking.remove(&s.id).unwrap_or_default()))
        .collect())
}

/// What the records say about using `operatory` at `now`.
///
/// # Errors
/// When the store fails.
pub async fn of(
    db: &mut PgConnection,
    group_id: Uuid,
    operatory: &Subject,
    now: DateTime<Utc>,
) -> ApiResult<ReadinessAnswer> {
    let mut found = of_all(db, group_id, std::slice::from_ref(operatory), now).await?;
    let readiness = found.pop().ok_or_else(ApiError::internal)?;
    let standing = with_next_steps(db, group_id, vec![readiness.standing.clone()]).await?;
    let standing = standing.into_iter().flatten().collect();
    Ok(ReadinessAnswer { standing, ..ReadinessAnswer::of(operatory.id, now, readiness) })
}

impl ReadinessAnswer {
    fn of(operatory_id: Uuid, as_of: DateTime<Utc>, readiness: Readiness) -> Self {
        Self {
            operatory_id,
            as_of,
            ready_by_record: readiness.is_ready(),
            out_of_service: readiness.out_of_service.map(|(reason, since)| OutOfServiceNote { reason, since }),
            missing: readiness.missing.into_iter().map(MissingRecord::from).collect(),
            standing: readiness.standing.into_iter().map(StandingObstacle::from).collect(),
            notice: NOTICE,
        }
    }
}

/// Which instant an answer is for.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct InstantQuery {
    /// What was it then, by what had been recorded by then; not in the future. Left out: now.
    pub at: Option<DateTime<Utc>>,
}

/// Read what an operatory's record lacks
///
/// Names every blocking routine of the operatory that lacks a record: none yet, its window passed, the record does not
/// keep the rules, or its result is awaited; and what stands against the operatory, such as a quarantine without a
/// release. It speaks about records only and never about the operatory itself. With `at` it answers for an instant
/// gone by; of a plan that was changed since, as it stands now.
#[utoipa::path(
    get,
    path = "/v1/operatories/{operatory_id}/readiness",
    operation_id = "get_readiness",
    tag = "Front desk",
    params(("operatory_id" = Uuid, Path, description = "The operatory"), InstantQuery),
    responses((status = 200, description = "What the record lacks", body = ReadinessAnswer))
)]
async fn get_readiness(
    State(state): State<AppState>,
    caller: Caller,
    Path(operatory_id): Path<Uuid>,
    Query(query): Query<InstantQuery>,
) -> ApiResult<Json<ReadinessAnswer>> {
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let operatory = find_operatory(&mut tx, &caller, operatory_id).await?;
    let answer = match query.at {
        None => of(&mut tx, caller.group_id, &operatory, caller.now).await?,
        Some(at) if at > caller.now || at < DateTime::UNIX_EPOCH => {
            return Err(ApiError::rule_broken("/at", "must not lie in the future, nor before 1970"));
        }
        Some(at) => {
            let past = store::readiness::history::load(&mut tx, caller.group_id, operatory, (at, at)).await?;
            ReadinessAnswer::of(operatory_id, at, past.at(at))
        }
    };
    tx.commit().await?;
    Ok(Json(answer))
}

/// The operatory, if the caller reaches it where it stands now.
pub(super) async fn find_operatory(db: &mut PgConnection, caller: &Caller, operatory_id: Uuid) -> ApiResult<Subject> {
    let operatory = store::clinics::subjects::find(db, caller.group_id, operatory_id)
        .await?
        .filter(|subject| subject.kind == SubjectKind::Operatory)
        .ok_or_else(|| ApiError::not_found("operatory"))?;
    caller.must_reach_subject(operatory.clinic_id, operatory.id, "operatory")?;
    Ok(operatory)
}

/// The routes of this resource.
pub(super) fn router() -> OpenApiRouter<AppState> {
    OpenApiRouter::new().routes(routes!(get_readiness))
}

/// An operatory whose opening flush has no record yet.
pub(super) fn example() -> ReadinessAnswer {
    let due_by = DateTime::from_timestamp(1_796_025_600, 0).expect("2026-11-30 08:00 UTC is an instant");
    ReadinessAnswer {
        operatory_id: Uuid::from_u128(0x1b2c_3d4e_5f60_4172_8394_a5b6_c7d8_e9fa),
        as_of: due_by + TimeDelta::minutes(35),
        ready_by_record: false,
        out_of_service: None,
        missing: vec![MissingRecord {
            task_id: Uuid::from_u128(0x0000_5133_4a1f_8c3e_9d52_7b60_e1f4_a8c9),
            routine_id: Uuid::from_u128(0x9e8d_7c6b_5a49_4838_a726_1504_f3e2_d1c0),
            routine_name: "Flush waterlines before the first patient".to_owned(),
            lack: RecordLack::RecordMissing,
            solved_by: ReadinessSolver::Chairside,
            since: due_by - TimeDelta::hours(1),
            due_by,
            occurrences: 1,
        }],
        standing: Vec::new(),
        notice: NOTICE,
    }
}

/// Example documents of this resource.
pub(super) fn examples() -> Vec<Example> {
    vec![Example {
        operation_id: "get_readiness",
        part: Part::Response,
        value: serde_json::to_value(example()).expect("an answer is plain JSON"),
    }]
}
