//! Corrective actions: what was opened because something failed, its steps, its closing.
//!
//! The rule of this file: steps are recorded in order and once; a second person closes the action; nothing of it is ever
//! removed. It says what is recorded and what is missing, never that something is fit to be used.

pub mod chains;
mod closing;
mod documents;
pub mod quarantines;
mod recording;
mod work;

use std::collections::BTreeMap;

use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::Response;
use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use serde_json::json;
use sqlx::PgConnection;
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use uuid::Uuid;

pub use self::closing::CloseInput;
pub use self::documents::{ActionDocument, ActionInput, ActionListItem};
use self::quarantines::{find_subject, must_be_a_clients_id};
pub use self::recording::StepRecordInput;
use super::AppState;
use super::caller::Caller;
use super::configuration::{created_or_ok, without_faults};
use super::extract::{Body, Path, Query};
use super::openapi::{Example, Part};
use super::paging::{NewestFirst, linked};
use super::problem::{ApiError, ApiResult};
use super::samples;
use crate::domain::access::Role;
use crate::domain::chain::{ChainKind, StepOwner};
use crate::domain::corrective_action::{ActionCause, CorrectiveAction};
use crate::domain::cycle_load::Chamber;
use crate::domain::fault::{Fault, check_text};
use crate::store::corrective_actions::actions::{self, Opening};
use crate::store::corrective_actions::worklist::{self, ActionFilter, ListedAction};
use crate::store::corrective_actions::{self, held_loads};
use crate::store::{self, cycles};

const MAY_WORK: [Role; 3] = [Role::Chairside, Role::Manager, Role::Administrator];
const MAY_READ: [Role; 4] = [Role::Chairside, Role::Manager, Role::Reader, Role::Administrator];

/// Which actions are wanted.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct ActionQuery {
    /// Open ones, the oldest first; or closed ones, the one opened last first. Open when not given.
    #[param(inline)]
    pub state: Option<ActionState>,
    /// `true`: only those whose next step is overdue; `false`: only the others. For open ones.
    pub overdue: Option<bool>,
    /// Only in this clinic.
    pub clinic_id: Option<Uuid>,
    /// Only about this subject.
    pub subject_id: Option<Uuid>,
    /// Only of this kind.
    pub kind: Option<ChainKind>,
    /// Only those that wait for this owner. For open ones.
    pub owner: Option<StepOwner>,
    /// Most items in one answer; 100 when not given.
    #[param(minimum = 1, maximum = 500)]
    pub limit: Option<u16>,
    /// Where to go on, as the `Link` field of the page before gave it.
    #[param(pattern = "^[A-Za-z0-9_-]{34}$")]
    pub cursor: Option<String>,
}

/// Whether an action is open.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum ActionState {
    /// Nobody has closed it.
    Open,
    /// A second person closed it.
    Closed,
}

impl ActionQuery {
    fn filter(&self) -> ActionFilter {
        ActionFilter {
            action_id: None,
            clinic_id: self.clinic_id,
            subject_id: self.subject_id,
            kind: self.kind,
            owner: self.owner,
            overdue: self.overdue,
        }
    }

    fn is_closed(&self) -> bool {
        self.state == Some(ActionState::Closed)
    }

    /// The filters that the next page keeps.
    fn kept(&self) -> Vec<(&'static str, Option<String>)> {
        vec![
            ("state", self.state.map(|s| if s == ActionState::Open { "open" } else { "closed" }.to_owned())),
            ("overdue", self.overdue.map(|overdue| overdue.to_string())),
            ("clinic_id", self.clinic_id.map(|id| id.to_string())),
            ("subject_id", self.subject_id.map(|id| id.to_string())),
            ("kind", self.kind.map(|kind| kind.as_str().to_owned())),
            ("owner", self.owner.map(|owner| owner.as_str().to_owned())),
        ]
    }
}

/// One page of corrective actions.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct ActionPage {
    /// Open ones by age, the oldest first; closed ones, the one opened last first.
    pub items: Vec<ActionListItem>,
}

/// One page of the cycles that an action concerns.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct ActionCyclePage {
    /// When the last test that passed was made; null: none is recorded, and every recorded cycle is listed.
    #[schema(required)]
    pub since: Option<DateTime<Utc>>,
    /// The newest first.
    pub items: Vec<ActionCycle>,
}

/// A cycle that an action concerns.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct ActionCycle {
    /// The cycle.
    pub cycle_id: Uuid,
    /// When it ended.
    pub ended_at: DateTime<Utc>,
    /// What the machine calls its program; may be empty.
    pub program: String,
    /// Whether it ended after the action was opened: a repeat or a test, perhaps.
    pub after_opening: bool,
    /// What its load is called on its packs; null: not told.
    #[schema(required)]
    pub load_reference: Option<String>,
    /// Whether implantable devices were in it, which are withdrawn in any case; null: not told.
    #[schema(required)]
    pub holds_implants: Option<bool>,
    /// What was in the chamber; null: not told.
    #[schema(required)]
    pub chamber: Option<Chamber>,
    /// The quarantine of its load that the action began; null: none.
    #[schema(required)]
    pub quarantine_id: Option<Uuid>,
}

/// Its routes.
#[must_use]
pub fn router() -> OpenApiRouter<AppState> {
    OpenApiRouter::new()
        .routes(routes!(list_corrective_actions))
        .routes(routes!(get_corrective_action, put_corrective_action))
        .routes(routes!(list_corrective_action_cycles))
        .merge(recording::router())
        .merge(closing::router())
}

/// List corrective actions within the key's reach
///
/// Open ones by age, the oldest first, each with the step that comes next, whose it is, when it is due and the level of
/// the group's ladder it has reached. A `Link` field with `rel="next"` leads to the next page.
#[utoipa::path(get, path = "/v1/corrective-actions", operation_id = "list_corrective_actions", tag = "Corrective actions",
    params(ActionQuery),
    responses((status = 200, body = ActionPage, description = "One page of them",
        headers(("Link" = String, description = "The next page, when there is one (RFC 8288)"))),
        (status = 422, description = "`overdue` or `owner` is asked for of closed ones.", body = crate::http::problem::Problem, content_type = "application/problem+json")))]
async fn list_corrective_actions(
    State(state): State<AppState>,
    caller: Caller,
    Query(query): Query<ActionQuery>,
) -> ApiResult<Response> {
    caller.must_be(&MAY_READ)?;
    if query.is_closed() && (query.overdue.is_some() || query.owner.is_some()) {
        return Err(ApiError::rule_broken("/state", "must be open where overdue or owner is asked for"));
    }
    let paging = NewestFirst { limit: query.limit, cursor: query.cursor.clone() };
    let (limit, place) = (paging.limit()?, paging.place()?);
    let filter = query.filter();
    let (group_id, reach, now) = (caller.group_id, &caller.reach, caller.now);
    // One more than is shown tells whether there is a next page.
    let at_most = i64::from(limit) + 1;
    let mut tx = store::begin(&state.pool, group_id).await?;
    let mut found = if query.is_closed() {
        worklist::list_closed(&mut tx, group_id, reach, &filter, place, at_most).await?
    } else {
        worklist::list_open(&mut tx, group_id, reach, &filter, now, place, at_most).await?
    };
    tx.commit().await?;
    let place = |action: &ListedAction| (action.opened_at, action.action_id);
    let link = paging.cut_filtered("/v1/corrective-actions", &query.kept(), &mut found, limit, place);
    let page = ActionPage { items: found.into_iter().map(|listed| ActionListItem::of(listed, now)).collect() };
    Ok(linked(&page, link))
}

/// Read one corrective action
///
/// With its steps and how each was recorded, what stands before a release, what came in beside the steps, and its cautions.
#[utoipa::path(get, path = "/v1/corrective-actions/{action_id}", operation_id = "get_corrective_action", tag = "Corrective actions",
    params(("action_id" = Uuid, Path, description = "The action")),
    responses((status = 200, body = ActionDocument, description = "The action as it stands")))]
async fn get_corrective_action(
    State(state): State<AppState>,
    caller: Caller,
    Path(action_id): Path<Uuid>,
) -> ApiResult<Json<ActionDocument>> {
    caller.must_be(&MAY_READ)?;
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let action = find_action(&mut tx, &caller, action_id).await?;
    let document = ActionDocument::of(&mut tx, &caller, action).await?;
    tx.commit().await?;
    Ok(Json(document))
}

/// The action, if there is one within the caller's reach.
async fn find_action(db: &mut PgConnection, caller: &Caller, action_id: Uuid) -> ApiResult<CorrectiveAction> {
    corrective_actions::find(db, caller.group_id, action_id)
        .await?
        .filter(|a| caller.reach.covers_subject(a.clinic_id, a.subject_id))
        .ok_or_else(|| ApiError::not_found("corrective action"))
}

/// Open a corrective action by hand
///
/// For what no completion says: what somebody saw, or was told. The person is named by initials, or signs with a PIN of their
/// own. It goes by the chain in force now and keeps it. The same may be put any number of times under its id, and nothing else. While one of the kind is open about the subject,
/// another is refused with 409. The id must not be a UUID of version 8: those are the service's own.
#[utoipa::path(put, path = "/v1/corrective-actions/{action_id}", operation_id = "put_corrective_action", tag = "Corrective actions",
    params(("action_id" = Uuid, Path, description = "Its identity, made by the client")),
    request_body = ActionInput,
    responses((status = 201, body = ActionDocument, description = "It is open"),
              (status = 200, body = ActionDocument, description = "It was opened so before; as it stands now")))]
async fn put_corrective_action(
    State(state): State<AppState>,
    caller: Caller,
    Path(action_id): Path<Uuid>,
    Body(input): Body<ActionInput>,
) -> ApiResult<(StatusCode, Json<ActionDocument>)> {
    caller.must_be(&MAY_WORK)?;
    check(&input)?;
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let subject = find_subject(&mut tx, &caller, input.subject_id).await?;
    if let Some(standing) = corrective_actions::find(&mut tx, caller.group_id, action_id).await? {
        return stands(&mut tx, &caller, standing, &input).await;
    }
    tx.commit().await?;
    let teller = input.telling().teller(&state, &caller, subject.clinic_id).await?;
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let place = (subject.clinic_id, subject.id);
    corrective_actions::lock_subject(&mut tx, caller.group_id, place, caller.now).await?;
    if let Some(standing) = corrective_actions::find(&mut tx, caller.group_id, action_id).await? {
        return stands(&mut tx, &caller, standing, &input).await;
    }
    must_be_a_clients_id(action_id, "corrective action")?;
    let has_line = |line: &String| subject.circuits.contains(line) || subject.suction_lines.contains(line);
    if input.line.as_ref().is_some_and(|line| !has_line(line)) {
        return Err(ApiError::rule_broken("/line", "is no circuit or suction line of this subject"));
    }
    must_know_its_tests(&mut tx, &caller, &input).await?;
    let open = corrective_actions::list_open_of_subject(&mut tx, caller.group_id, subject.id).await?;
    if let Some(open) = open.iter().find(|a| a.kind == input.kind) {
        let detail = format!("corrective action {} of this kind is open about the subject", open.action_id);
        return Err(ApiError::conflict("action-open", "One of this kind is open", detail));
    }
    let opening = Opening {
        kind: input.kind,
        action_id: Some(action_id),
        clinic_id: subject.clinic_id,
        subject_id: subject.id,
        line: input.line.clone(),
        cause: ActionCause::Person,
        cause_id: None,
        routine_id: input.routine_id,
        counted: None,
        reason: input.reason.clone(),
        opened_by: teller.initials,
        staff_id: teller.staff_id,
        key_id: Some(caller.key_id),
    };
    let (created, action) = actions::open_for(&mut tx, caller.group_id, &opening, caller.now).await?;
    if !created {
        return stands(&mut tx, &caller, action, &input).await;
    }
    let document = ActionDocument::of(&mut tx, &caller, action).await?;
    tx.commit().await?;
    Ok((created_or_ok(true), Json(document)))
}

fn check(input: &ActionInput) -> ApiResult<()> {
    let mut faults = Vec::new();
    check_text(&mut faults, "/reason", &input.reason, 400);
    faults.extend(input.telling().faults());
    if let Some(line) = &input.line {
        check_text(&mut faults, "/line", line, 80);
    }
    without_faults((), faults).map_err(ApiError::rules_broken)
}

async fn stands(
    db: &mut PgConnection,
    caller: &Caller,
    standing: CorrectiveAction,
    input: &ActionInput,
) -> ApiResult<(StatusCode, Json<ActionDocument>)> {
    let is_same = standing.cause == ActionCause::Person
        && standing.kind == input.kind
        && standing.subject_id == input.subject_id
        && standing.line == input.line
        && standing.routine_id == input.routine_id
        && standing.reason == input.reason
        && input.telling().is_by(&standing.opened_by, standing.staff_id);
    if !is_same {
        return Err(ApiError::conflict(
            "action-differs",
            "The id names another action",
            "another action was opened under this id, and that is never changed; make a new id",
        ));
    }
    Ok((StatusCode::OK, Json(ActionDocument::of(db, caller, standing).await?)))
}

/// A step that asks for tests of no routine could never be recorded.
async fn must_know_its_tests(db: &mut PgConnection, caller: &Caller, input: &ActionInput) -> ApiResult<()> {
    let fault = if let Some(routine_id) = input.routine_id {
        let found = store::routines::find_newest(db, caller.group_id, routine_id).await?;
        found.is_none().then_some("names no routine of this group")
    } else {
        let chain = corrective_actions::chains::current(db, caller.group_id, input.kind).await?.chain;
        let needs = chain.steps.iter().any(|s| s.evidence.is_test() && s.evidence.names_routine().is_none());
        needs.then_some("must name the routine whose tests this chain asks for")
    };
    fault.map_or(Ok(()), |rule| Err(ApiError::rules_broken(vec![Fault::new("/routine_id", rule)])))
}

/// List the cycles that a failed test casts doubt on
///
/// Every recorded cycle of the action's equipment since the last test that passed, the newest first: what may have to be
/// recalled, with what its record says of the load and the quarantine of that. Loads with implantable devices are withdrawn
/// in any case. An action about something that runs no cycles has none. A `Link` field with `rel="next"` leads to the next page.
#[utoipa::path(get, path = "/v1/corrective-actions/{action_id}/cycles", operation_id = "list_corrective_action_cycles",
    tag = "Corrective actions", params(("action_id" = Uuid, Path, description = "The action"), NewestFirst),
    responses((status = 200, body = ActionCyclePage, description = "One page of them",
        headers(("Link" = String, description = "The next page, when there is one (RFC 8288)")))))]
async fn list_corrective_action_cycles(
    State(state): State<AppState>,
    caller: Caller,
    Path(action_id): Path<Uuid>,
    Query(query): Query<NewestFirst>,
) -> ApiResult<Response> {
    caller.must_be(&MAY_READ)?;
    let (limit, place) = (query.limit()?, query.place()?);
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let action = find_action(&mut tx, &caller, action_id).await?;
    let since = held_loads::find_since(&mut tx, caller.group_id, &action).await?;
    let at_most = i64::from(limit) + 1;
    let mut marks =
        cycles::list_of_subject_since(&mut tx, caller.group_id, action.subject_id, since, place, at_most).await?;
    let cycle_ids: Vec<Uuid> = marks.iter().map(|mark| mark.cycle_id).collect();
    let loads = cycles::records::list_loads(&mut tx, caller.group_id, &cycle_ids).await?;
    let held = corrective_actions::quarantines::list_held_for(&mut tx, caller.group_id, action_id, &cycle_ids).await?;
    let held: BTreeMap<Uuid, Uuid> = held.into_iter().collect();
    tx.commit().await?;
    let path = format!("/v1/corrective-actions/{action_id}/cycles");
    let link = query.cut(&path, &mut marks, limit, |mark| (mark.ended_at, mark.cycle_id));
    let items = marks.into_iter().map(|mark| {
        let load = loads.get(&mark.cycle_id).cloned().unwrap_or_default();
        ActionCycle {
            cycle_id: mark.cycle_id,
            ended_at: mark.ended_at,
            program: mark.program,
            after_opening: mark.ended_at > action.opened_at,
            load_reference: load.load_reference,
            holds_implants: load.holds_implants,
            chamber: load.chamber,
            quarantine_id: held.get(&mark.cycle_id).copied(),
        }
    });
    Ok(linked(&ActionCyclePage { since, items: items.collect() }, link))
}

/// Examples for the API's document.
pub(super) fn examples() -> Vec<Example> {
    let input = ActionInput {
        kind: ChainKind::SeparatorFullOrFaulty,
        subject_id: samples::EQUIPMENT,
        line: None,
        routine_id: None,
        reason: "The separator's alarm stays on.".to_owned(),
        opened_by: Some("KV".to_owned()),
        signature: None,
    };
    let document = documents::example(&input);
    let page = ActionPage { items: vec![documents::example_item(&document)] };
    let cycles = ActionCyclePage {
        since: Some(samples::morning(7, 0)),
        items: vec![ActionCycle {
            cycle_id: samples::CYCLE,
            ended_at: samples::morning(7, 55),
            program: "wrapped 134".to_owned(),
            after_opening: false,
            load_reference: Some("118".to_owned()),
            holds_implants: Some(false),
            chamber: Some(Chamber::Loaded),
            quarantine_id: Some(samples::QUARANTINE),
        }],
    };
    let example = |operation_id, part, value| Example { operation_id, part, value };
    let mut examples = vec![
        example("list_corrective_actions", Part::Response, json!(page)),
        example("get_corrective_action", Part::Response, json!(document)),
        example("put_corrective_action", Part::Request, json!(input)),
        example("put_corrective_action", Part::Response, json!(document)),
        example("list_corrective_action_cycles", Part::Response, json!(cycles)),
    ];
    examples.extend(recording::examples());
    examples.extend(closing::examples(&document));
    examples
}
