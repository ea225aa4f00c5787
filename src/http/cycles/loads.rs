//! From the label on a pack to everything that is recorded of its load.
//!
//! The rule of this file: it tells what is recorded: the cycle, who handed its record in, the spore test that covers it, what
//! put the load out of use and who released it, and the work that names it. It says of no pack that it may be used.

use axum::Json;
use axum::extract::State;
use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};
use serde_json::json;
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use uuid::Uuid;

use crate::domain::access::Role;
use crate::domain::cautions;
use crate::domain::cycle_load::{Chamber, CycleVerdict, PrintedOutcome};
use crate::domain::fault::check_text;
use crate::domain::quarantine::CauseKind;
use crate::http::AppState;
use crate::http::caller::Caller;
use crate::http::clinics::find_reached;
use crate::http::configuration::without_faults;
use crate::http::corrective_actions::quarantines::QuarantineDocument;
use crate::http::extract::{Path, Query};
use crate::http::openapi::{Example, Part};
use crate::http::problem::{ApiError, ApiResult};
use crate::http::samples;
use crate::store;
use crate::store::corrective_actions::quarantines;
use crate::store::cycles::traced_loads::{self, CoveringTest, LoadCycle, NamedIn};

const MAY_READ: [Role; 4] = [Role::Chairside, Role::Manager, Role::Reader, Role::Administrator];

/// Most cycles and completions of one answer.
const MOST_CYCLES: i64 = 20;
const MOST_COMPLETIONS: i64 = 500;

/// Which load.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct LoadQuery {
    /// What it is called on its packs, as it was entered.
    #[param(min_length = 1, max_length = 80, example = "118")]
    pub load_reference: String,
    /// Only of this machine.
    pub equipment_id: Option<Uuid>,
}

/// What is recorded of a load.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct LoadTrace {
    /// What it is called on its packs.
    pub load_reference: String,
    /// Whether a quarantine of it stands now; null: nothing is recorded of such a load.
    #[schema(required)]
    pub out_of_use: Option<bool>,
    /// The records that are missing, in words: its cycle, or of each cycle what judges it; may be empty.
    pub missing: Vec<String>,
    /// The cycles whose record names it so, the newest first, 20 at most: machines may number alike, and begin again.
    pub cycles: Vec<TracedCycle>,
    /// What put it out of use, and who released it; the newest first, 200 at most.
    pub quarantines: Vec<QuarantineDocument>,
    /// The work of the clinic that names it, since the earliest of the cycles; the newest first, 500 at most.
    pub named_in: Vec<TracedCompletion>,
    /// How it is to be read.
    pub cautions: Vec<String>,
}

/// A cycle that a load came from.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct TracedCycle {
    /// The cycle.
    pub cycle_id: Uuid,
    /// The machine.
    pub equipment_id: Uuid,
    /// What people call that.
    pub equipment_name: String,
    /// The clinic day it ended on.
    pub clinic_day: NaiveDate,
    /// When it ended.
    pub ended_at: DateTime<Utc>,
    /// What the machine calls its program; may be empty.
    pub program: String,
    /// Number of its newest record, which tells the rest.
    #[schema(minimum = 0)]
    pub record_number: i32,
    /// The person who handed that in.
    pub performed_by: String,
    /// When it was recorded.
    pub recorded_at: DateTime<Utc>,
    /// How many readings it has; they stand in the cycle's record.
    #[schema(minimum = 0)]
    pub reading_count: i32,
    /// Whether implantable devices were in it; null: not told.
    #[schema(required)]
    pub holds_implants: Option<bool>,
    /// What was in the chamber; null: not told.
    #[schema(required)]
    pub chamber: Option<Chamber>,
    /// How it ended by the machine's print; null: not told.
    #[schema(required)]
    pub outcome_as_printed: Option<PrintedOutcome>,
    /// The machine's own words; null: not told.
    #[schema(required)]
    pub printed_words: Option<String>,
    /// Whether the record falls short; null: nothing of it could be judged.
    #[schema(required)]
    pub verdict: Option<CycleVerdict>,
    /// Why, and what could not be judged; may be empty.
    pub finding: String,
    /// The spore test that covers it; null: none is decided yet.
    #[schema(required)]
    pub spore_test: Option<TracedSporeTest>,
}

/// The spore test that covers a load.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct TracedSporeTest {
    /// The completion that holds its result.
    pub completion_id: Uuid,
    /// When it was made.
    pub made_at: DateTime<Utc>,
    /// Its verdict: `passed` or `failed`.
    pub verdict: String,
    /// Whether it ran in this very cycle; else it is the first one that was made after it.
    pub in_this_cycle: bool,
}

/// Work that names a load.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct TracedCompletion {
    /// The completion.
    pub completion_id: Uuid,
    /// The step that names it.
    pub step: String,
    /// On what it was worked.
    pub subject_id: Uuid,
    /// What people call that.
    pub subject_name: String,
    /// The routine.
    pub routine_id: Uuid,
    /// When it was done.
    pub performed_at: DateTime<Utc>,
    /// The person.
    pub performed_by: String,
    /// The completion's verdict.
    pub verdict: String,
}

impl TracedCycle {
    fn of(cycle: LoadCycle, test: Option<CoveringTest>) -> Self {
        Self {
            cycle_id: cycle.cycle_id,
            equipment_id: cycle.subject_id,
            equipment_name: cycle.subject_name,
            clinic_day: cycle.clinic_day,
            ended_at: cycle.ended_at,
            program: cycle.program,
            record_number: cycle.record_number,
            performed_by: cycle.performed_by,
            recorded_at: cycle.recorded_at,
            reading_count: cycle.reading_count,
            holds_implants: cycle.holds_implants,
            chamber: cycle.chamber,
            outcome_as_printed: cycle.outcome_as_printed,
            printed_words: cycle.printed_words,
            verdict: cycle.verdict,
            finding: cycle.finding,
            spore_test: test.map(|test| TracedSporeTest {
                completion_id: test.completion_id,
                made_at: test.made_at,
                verdict: test.verdict,
                in_this_cycle: test.in_this_cycle,
            }),
        }
    }

    /// What of its record is missing, in words.
    fn missing(&self) -> Vec<String> {
        let of = |what: &str| format!("record missing: {what} cycle {} of {}", self.cycle_id, self.equipment_name);
        let judged = self.verdict.is_none().then(|| of("a print, or readings, by which to judge"));
        let tested = self.spore_test.is_none().then(|| of("a decided spore test that covers"));
        judged.into_iter().chain(tested).collect()
    }
}

impl From<NamedIn> for TracedCompletion {
    fn from(named: NamedIn) -> Self {
        Self {
            completion_id: named.completion_id,
            step: named.step_key,
            subject_id: named.subject_id,
            subject_name: named.subject_name,
            routine_id: named.routine_id,
            performed_at: named.performed_at,
            performed_by: named.performed_by,
            verdict: named.verdict,
        }
    }
}

/// Its routes.
#[must_use]
pub fn router() -> OpenApiRouter<AppState> {
    OpenApiRouter::new().routes(routes!(list_loads))
}

/// List what is recorded of a load
///
/// By the number on its packs: the cycles whose record names it, the spore test that covers each, what put it out of use and
/// who released it, and the work that names it. Where two machines of the clinic number alike, say which is meant.
#[utoipa::path(
    get,
    path = "/v1/clinics/{clinic_id}/loads",
    operation_id = "list_loads",
    tag = "Corrective actions",
    params(("clinic_id" = Uuid, Path, description = "The clinic."), LoadQuery),
    responses(
        (status = 200, description = "What is recorded of it.", body = LoadTrace),
        (status = 422, description = "`load_reference` is empty, too long or holds control characters.",
            body = crate::http::problem::Problem, content_type = "application/problem+json")
    )
)]
async fn list_loads(
    State(state): State<AppState>,
    caller: Caller,
    Path(clinic_id): Path<Uuid>,
    Query(query): Query<LoadQuery>,
) -> ApiResult<Json<LoadTrace>> {
    caller.must_be(&MAY_READ)?;
    let label = query.load_reference;
    let mut faults = Vec::new();
    check_text(&mut faults, "/load_reference", &label, 80);
    without_faults((), faults).map_err(ApiError::rules_broken)?;
    let (group_id, place) = (caller.group_id, (clinic_id, query.equipment_id));
    let mut tx = store::begin(&state.pool, group_id).await?;
    find_reached(&mut tx, &caller, clinic_id).await?;
    let found = traced_loads::list_cycles(&mut tx, group_id, place, &label, MOST_CYCLES).await?;
    let since_on = found.iter().map(|cycle| cycle.clinic_day).min();
    let cycle_ids: Vec<Uuid> = found.iter().map(|cycle| cycle.cycle_id).collect();
    let mut missing = Vec::new();
    if found.is_empty() {
        missing.push(format!("record missing: a cycle whose load is called {label}"));
    }
    let mut cycles = Vec::with_capacity(found.len());
    for cycle in found {
        let (which, ended) = ((cycle.subject_id, cycle.cycle_id), (cycle.clinic_day, cycle.ended_at));
        let test = traced_loads::find_covering(&mut tx, group_id, which, ended).await?;
        let cycle = TracedCycle::of(cycle, test);
        missing.extend(cycle.missing());
        cycles.push(cycle);
    }
    let held = quarantines::list_of_load(&mut tx, group_id, place, (&label, &cycle_ids)).await?;
    let named = traced_loads::list_named_in(&mut tx, group_id, clinic_id, &label, since_on, MOST_COMPLETIONS).await?;
    tx.commit().await?;
    Ok(Json(LoadTrace {
        // Of a load that nobody recorded it cannot be said that it may be used.
        out_of_use: (!cycles.is_empty() || !held.is_empty()).then_some(held.iter().any(|q| q.stands_at(caller.now))),
        missing,
        load_reference: label,
        cycles,
        quarantines: held.into_iter().map(QuarantineDocument::from).collect(),
        named_in: named.into_iter().map(TracedCompletion::from).collect(),
        cautions: vec![cautions::RELEASE.to_owned()],
    }))
}

/// Examples for the API's document.
pub(in crate::http) fn examples() -> Vec<Example> {
    let cycle = TracedCycle {
        cycle_id: samples::CYCLE,
        equipment_id: samples::EQUIPMENT,
        equipment_name: "Steriliser 1".to_owned(),
        clinic_day: samples::day(),
        ended_at: samples::morning(7, 55),
        program: "wrapped 134".to_owned(),
        record_number: 0,
        performed_by: "KV".to_owned(),
        recorded_at: samples::morning(8, 0),
        reading_count: 3,
        holds_implants: Some(false),
        chamber: Some(Chamber::Loaded),
        outcome_as_printed: Some(PrintedOutcome::Complete),
        printed_words: Some("CYCLE OK".to_owned()),
        verdict: Some(CycleVerdict::Passed),
        finding: String::new(),
        spore_test: Some(TracedSporeTest {
            completion_id: samples::COMPLETION,
            made_at: samples::morning(9, 0),
            verdict: "failed".to_owned(),
            in_this_cycle: false,
        }),
    };
    let quarantine = QuarantineDocument {
        quarantine_id: samples::QUARANTINE,
        clinic_id: samples::CLINIC,
        subject_id: samples::EQUIPMENT,
        line: None,
        load_reference: Some("118".to_owned()),
        cycle_id: Some(samples::CYCLE),
        cause: CauseKind::CorrectiveAction,
        cause_id: Some(samples::ACTION),
        reason: "Spore test with growth: no test that passed is recorded".to_owned(),
        begun_at: samples::morning(9, 5),
        recorded_at: samples::morning(9, 5),
        begun_by: String::new(),
        staff_id: None,
        release: None,
    };
    let named = TracedCompletion {
        completion_id: samples::COMPLETION,
        step: "packs".to_owned(),
        subject_id: samples::OPERATORY,
        subject_name: "Chair 3".to_owned(),
        routine_id: samples::ROUTINE,
        performed_at: samples::morning(8, 40),
        performed_by: "KV".to_owned(),
        verdict: "passed".to_owned(),
    };
    let trace = LoadTrace {
        load_reference: "118".to_owned(),
        out_of_use: Some(true),
        missing: cycle.missing(),
        cycles: vec![cycle],
        quarantines: vec![quarantine],
        named_in: vec![named],
        cautions: vec![cautions::RELEASE.to_owned()],
    };
    vec![Example { operation_id: "list_loads", part: Part::Response, value: json!(trace) }]
}
