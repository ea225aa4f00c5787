//! What operatories and equipment have in common: both are subjects that stand in a clinic, move, and go out of
//! service and back.
//!
//! The rule of this file: a subject keeps its id and kind for ever. A move changes where it stands, never what it is.

use axum::Json;
use axum::http::StatusCode;
use chrono::{DateTime, Days, NaiveDate, Utc};
use serde::{Deserialize, Serialize};
use serde_json::json;
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use crate::domain::access::Reach;
use crate::domain::event::EventKind;
use crate::domain::fault::{Fault, check_text};
use crate::domain::site_event::SiteEventKind;
use crate::domain::subject::{ServiceState, Subject, SubjectKind};
use crate::http::AppState;
use crate::http::caller::Caller;
use crate::http::configuration::{Change, EditQuery, Edited, check_date, created_or_ok};
use crate::http::problem::{ApiError, ApiResult};
use crate::http::site_events::{self, derive_return_id};
use crate::http::water_advisories::after_leaving_mains;
use crate::store;
use crate::store::clinics::find as find_clinic;
use crate::store::clinics::subjects::SubjectRow;
use crate::store::site_events::SiteEventRow;

/// Which subjects are asked for.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct SubjectQuery {
    /// Only those that stand in this clinic.
    pub clinic_id: Option<Uuid>,
}

/// Whether it may be worked with, as it is set.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
#[serde(tag = "state", rename_all = "snake_case", deny_unknown_fields)]
pub enum ServiceInput {
    /// In use.
    InService {},
    /// Not usable: what falls due on it meanwhile is not required.
    OutOfService {
        /// Why.
        #[schema(min_length = 1, max_length = 200, example = "awaiting a spare part")]
        reason: String,
    },
}

impl ServiceInput {
    /// The state it asks for, were it to begin at `now`.
    pub(super) fn check(self, faults: &mut Vec<Fault>, now: DateTime<Utc>) -> ServiceState {
        match self {
            Self::InService {} => ServiceState::InService,
            Self::OutOfService { reason } => {
                check_text(faults, "/service/reason", &reason, 200);
                ServiceState::OutOfService { reason, since: now }
            }
        }
    }
}

/// Whether it may be worked with.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
#[serde(tag = "state", rename_all = "snake_case")]
pub enum ServiceDocument {
    /// In use.
    InService {},
    /// Not usable.
    OutOfService {
        /// Why.
        reason: String,
        /// Since when.
        since: DateTime<Utc>,
    },
}

impl From<ServiceState> for ServiceDocument {
    fn from(state: ServiceState) -> Self {
        match state {
            ServiceState::InService => Self::InService {},
            ServiceState::OutOfService { reason, since } => Self::OutOfService { reason, since },
        }
    }
}

/// How far ahead the first day of a subject may lie: equipment is ordered within a year.
const LONGEST_AHEAD: Days = Days::new(366);

/// A subject as somebody wants it.
pub(super) struct Wanted {
    /// Its row; `put` settles since when it is there, because that hangs on the clinic's zone and on what stands.
    pub(super) row: SubjectRow,
    /// Since when it is there, if they said so.
    pub(super) commissioned_on: Option<NaiveDate>,
}

/// Checks what can be checked of a first day without its clinic, and hands it back, or the date in UTC.
pub(super) fn check_commissioned_on(
    faults: &mut Vec<Fault>,
    wanted: Option<NaiveDate>,
    now: DateTime<Utc>,
) -> NaiveDate {
    if let Some(on) = wanted {
        check_date(faults, "/commissioned_on", on);
    }
    wanted.unwrap_or(now.date_naive())
}

/// The first day of a subject: as it is wanted, or as it stands, or the clinic day `today`. The local date would be a
/// day too late for a chair that is put in after midnight, in a session that lasts: its patient would leave no work.
fn settle_commissioned_on(
    wanted: Option<NaiveDate>,
    before: Option<&Subject>,
    today: NaiveDate,
) -> ApiResult<NaiveDate> {
    let stands = before.map(|subject| subject.commissioned_on);
    let on = wanted.or(stands).unwrap_or(today);
    if stands != Some(on) && on > today + LONGEST_AHEAD {
        let rule = format!("must be at most 366 days after the clinic's own today, {today}");
        return Err(ApiError::rule_broken("/commissioned_on", rule));
    }
    Ok(on)
}

/// The subjects of these kinds that the caller reaches, by name.
pub(super) async fn list<D: From<SubjectRow>>(
    state: &AppState,
    caller: &Caller,
    kinds: &[SubjectKind],
    query: &SubjectQuery,
) -> ApiResult<Vec<D>> {
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let rows = match (query.clinic_id, &caller.reach) {
        (Some(clinic_id), reach) => {
            caller.must_reach_clinic(clinic_id)?;
            // A clinic that is named in a key's reach exists; only the whole group's key can ask for one that does not.
            if reach.covers_group() && find_clinic(&mut tx, caller.group_id, clinic_id).await?.is_none() {
                return Err(ApiError::not_found("clinic"));
            }
            store::clinics::subjects::list(&mut tx, caller.group_id, kinds, Some(&[clinic_id])).await?
        }
        (None, Reach::Operatory { operatory_id }) => {
            let own = store::clinics::subjects::find_row(&mut tx, caller.group_id, *operatory_id).await?;
            own.into_iter().filter(|row| kinds.contains(&row.subject.kind)).collect()
        }
        (None, reach) => store::clinics::subjects::list(&mut tx, caller.group_id, kinds, reach.clinics()).await?,
    };
    tx.commit().await?;
    Ok(rows.into_iter().map(D::from).collect())
}

/// The subject, if it is of one of these kinds and the caller reaches it.
pub(super) async fn get<D: From<SubjectRow>>(
    state: &AppState,
    caller: &Caller,
    kinds: &[SubjectKind],
    subject_id: Uuid,
    what: &str,
) -> ApiResult<Json<D>> {
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let row = store::clinics::subjects::find_row(&mut tx, caller.group_id, subject_id).await?;
    tx.commit().await?;
    let row = row.filter(|row| kinds.contains(&row.subject.kind)).ok_or_else(|| ApiError::not_found(what))?;
    caller.must_reach_subject(row.subject.clinic_id, subject_id, what)?;
    Ok(Json(D::from(row)))
}

/// Creates or replaces a subject.
pub(super) async fn put<D: From<SubjectRow> + Serialize>(
    state: &AppState,
    caller: &Caller,
    edit: EditQuery,
    checked: Result<Wanted, Vec<Fault>>,
) -> Edited<(StatusCode, Json<D>)> {
    let (mut change, Wanted { mut row, commissioned_on }) = Change::begin(state, caller, edit, checked).await?;
    let before = store::clinics::subjects::find_row(change.db(), caller.group_id, row.subject.id).await?;
    if let Some(before) = &before {
        must_keep_kind(before.subject.kind, row.subject.kind)?;
        keep_since(&before.subject.service, &mut row.subject.service);
        // History is appended to by the store, never sent.
        row.subject.spells.clone_from(&before.subject.spells);
    }
    let clinic_id = row.subject.clinic_id;
    let hours = store::clinics::hours(change.db(), caller.group_id, clinic_id)
        .await?
        .ok_or_else(|| ApiError::rule_broken("/clinic_id", "names no clinic of this group"))?;
    let today = hours.clinic_day_of(caller.now);
    row.subject.commissioned_on = settle_commissioned_on(commissioned_on, before.as_ref().map(|b| &b.subject), today)?;
    let created = before.is_none();
    if before.as_ref() != Some(&row) {
        store::clinics::subjects::save(change.db(), caller.group_id, &row, caller.now).await?;
        if let Some(before) = &before {
            note_return(&mut change, caller, &before.subject, &row.subject).await?;
            after_leaving_mains(change.db(), caller, &before.subject, &row.subject).await?;
        }
        let moved_from = before.as_ref().map(|b| b.subject.clinic_id).filter(|left| *left != clinic_id);
        if before.is_none_or(|b| moves_plan(&b.subject, &row.subject)) {
            change.replan_clinic(clinic_id).await?;
        }
        if let Some(left) = moved_from {
            change.replan_clinic(left).await?;
        }
        let kind = row.subject.kind.as_str();
        let document = D::from(row);
        let what = json!({ "subject_kind": kind, "subject": document, "moved_from_clinic_id": moved_from });
        change.tell(EventKind::SubjectChanged, Some(clinic_id), &what).await?;
        change.commit().await?;
        return Ok((created_or_ok(created), Json(document)));
    }
    change.commit().await?;
    Ok((created_or_ok(created), Json(D::from(row))))
}

fn must_keep_kind(before: SubjectKind, wanted: SubjectKind) -> ApiResult<()> {
    if before == wanted {
        return Ok(());
    }
    Err(ApiError::conflict(
        "kind-is-fixed",
        "The id names something else",
        format!("this id was given to a {}; make a new one for a {}", before.as_str(), wanted.as_str()),
    ))
}

/// A subject that was out of service and still is has been so since the first time it was said.
fn keep_since(before: &ServiceState, wanted: &mut ServiceState) {
    if let (ServiceState::OutOfService { since: first, .. }, ServiceState::OutOfService { since, .. }) =
        (before, wanted)
    {
        *since = *first;
    }
}

/// A subject that comes back into service makes work: that is a site event of its own, one for each time it was out.
async fn note_return(change: &mut Change<'_>, caller: &Caller, before: &Subject, after: &Subject) -> ApiResult<()> {
    let (ServiceState::OutOfService { since, .. }, ServiceState::InService) = (&before.service, &after.service) else {
        return Ok(());
    };
    let event = SiteEventRow {
        event_id: derive_return_id(after.id, *since),
        clinic_id: after.clinic_id,
        kind: SiteEventKind::ReturnToService,
        subject_id: Some(after.id),
        happened_at: caller.now,
        note: String::new(),
        recorded_at: caller.now,
        key_id: caller.key_id,
        withdrawn_at: None,
    };
    site_events::record(change.db(), caller, &event).await?;
    Ok(())
}

/// Whether the plan sees a difference. Names and parts it does not: those are read when a task is.
fn moves_plan(before: &Subject, after: &Subject) -> bool {
    before.clinic_id != after.clinic_id
        || before.service != after.service
        || before.water_source != after.water_source
        || before.commissioned_on != after.commissioned_on
}
