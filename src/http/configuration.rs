//! What every change of the configuration has in common.
//!
//! The rule of this file: only an administrator's key that reaches the whole group opens a `Change`, changes of a
//! group happen one at a time, and a change that moves plans marks them and wakes the planner once it is kept. What
//! stands already with the same content is left alone: no event, no new plan. Every change can be tried first: it then
//! takes the same way up to the commit, and leaves there with what it would do ([`super::planning::preview`]).

use std::collections::BTreeSet;

use axum::Json;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use chrono::{Datelike, NaiveDate};
use serde::Deserialize;
use serde_json::Value;
use sqlx::{PgConnection, Postgres, Transaction};
use utoipa::IntoParams;
use uuid::Uuid;

use super::AppState;
use super::caller::Caller;
use super::planning::preview::{self, Preview};
use super::problem::{ApiError, ApiResult};
use crate::domain::access::Role;
use crate::domain::event::EventKind;
use crate::domain::fault::Fault;
use crate::store;
use crate::store::clinics::ClinicRow;

/// How an edit is made. Unknown parameters are refused: a slip of the pen must not turn a trial into an edit.
#[derive(Clone, Copy, Debug, Default, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct EditQuery {
    /// `true`: try the edit, keep nothing of it, and answer 200 with what planning would then do.
    #[serde(default)]
    #[param(required = false)]
    pub preview: bool,
}

/// Why nothing was kept of an edit.
#[derive(Debug)]
pub(super) enum NotKept {
    /// It was refused.
    Refused(ApiError),
    /// It was only tried.
    Tried(Box<Preview>),
}

/// What the handler of an edit answers. A trial leaves through the error's side, as a refusal does, so that a handler
/// is written for the edit alone and cannot go on past a commit that kept nothing.
pub(super) type Edited<T> = Result<T, NotKept>;

impl<E> From<E> for NotKept
where
    ApiError: From<E>,
{
    fn from(error: E) -> Self {
        Self::Refused(error.into())
    }
}

impl IntoResponse for NotKept {
    fn into_response(self) -> Response {
        match self {
            Self::Refused(error) => error.into_response(),
            Self::Tried(preview) => Json(preview).into_response(),
        }
    }
}

/// Whose plans a change moves.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(super) enum Moves {
    /// Nobody's.
    #[default]
    Nothing,
    /// Those of these clinics: one, or the two between which a subject moves.
    Clinics(BTreeSet<Uuid>),
    /// Every clinic's.
    Group,
}

/// One change of the configuration, from the check of the caller's right to the commit.
pub(super) struct Change<'a> {
    state: &'a AppState,
    caller: &'a Caller,
    tx: Transaction<'static, Postgres>,
    is_trial: bool,
    moves: Moves,
    /// Something was told, so something changed.
    told: bool,
}

impl<'a> Change<'a> {
    /// Opens a change, and hands back what was checked for it.
    ///
    /// # Errors
    /// 403 when the key may not configure the group, 401 when it was revoked while this change waited, 422 when the check found faults.
    pub(super) async fn begin<T>(
        state: &'a AppState,
        caller: &'a Caller,
        edit: EditQuery,
        checked: Result<T, Vec<Fault>>,
    ) -> ApiResult<(Self, T)> {
        must_configure(caller)?;
        let checked = checked.map_err(ApiError::rules_broken)?;
        let mut tx = store::begin(&state.pool, caller.group_id).await?;
        store::configuration::hold(&mut tx, caller.group_id).await?;
        // Two administrators may revoke each other's key at once: whoever comes second holds a key no more.
        let key = store::keys::find(&mut tx, caller.group_id, caller.key_id).await?;
        if key.is_none_or(|key| key.revoked_at.is_some()) {
            return Err(ApiError::unauthenticated());
        }
        if edit.preview {
            store::configuration::mark(&mut tx).await?;
        }
        Ok((Self { state, caller, tx, is_trial: edit.preview, moves: Moves::Nothing, told: false }, checked))
    }

    /// The open transaction.
    pub(super) fn db(&mut self) -> &mut PgConnection {
        &mut self.tx
    }

    /// The clinic that is changed, or a part of which is.
    ///
    /// # Errors
    /// 404 when there is none.
    pub(super) async fn clinic(&mut self, clinic_id: Uuid) -> ApiResult<ClinicRow> {
        let found = store::clinics::find(&mut self.tx, self.caller.group_id, clinic_id).await?;
        found.ok_or_else(|| ApiError::not_found("clinic"))
    }

    /// Has the clinic planned anew.
    ///
    /// # Errors
    /// When the database does not answer.
    pub(super) async fn replan_clinic(&mut self, clinic_id: Uuid) -> ApiResult<()> {
        store::planning::mark_clinic(&mut self.tx, self.caller.group_id, clinic_id, self.caller.now).await?;
        match &mut self.moves {
            Moves::Group => {}
            Moves::Clinics(clinic_ids) => {
                clinic_ids.insert(clinic_id);
            }
            Moves::Nothing => self.moves = Moves::Clinics(BTreeSet::from([clinic_id])),
        }
        Ok(())
    }

    /// Has every clinic of the group planned anew.
    ///
    /// # Errors
    /// When the database does not answer.
    pub(super) async fn replan_group(&mut self) -> ApiResult<()> {
        // A mark holds the clinic's plan until the end, and a trial over many clinics takes a while: no desk waits for it.
        if !self.is_trial {
            store::planning::mark_group(&mut self.tx, self.caller.group_id, self.caller.now).await?;
        }
        self.moves = Moves::Group;
        Ok(())
    }

    /// Writes down what changed and with which key.
    ///
    /// # Errors
    /// When the database does not answer.
    pub(super) async fn tell(&mut self, kind: EventKind, clinic_id: Option<Uuid>, what: &Value) -> ApiResult<()> {
        let Caller { group_id, key_id, now, .. } = *self.caller;
        let body = serde_json::json!({ "by_key_id": key_id, "changed": what });
        store::events::append(&mut self.tx, group_id, kind, clinic_id, &body, now).await?;
        self.told = true;
        Ok(())
    }

    /// Keeps the change. One that is only tried ends here: nothing of it is kept, and the handler returns what it would
    /// do.
    ///
    /// # Errors
    /// When the database does not answer, or the change is a trial: then nothing was kept.
    pub(super) async fn commit(mut self) -> Edited<()> {
        if self.is_trial {
            let horizon_days = self.state.horizon_days;
            let preview = preview::work_out(&mut self.tx, self.caller, horizon_days, self.told, &self.moves).await?;
            self.tx.rollback().await?;
            return Err(NotKept::Tried(Box::new(preview)));
        }
        self.tx.commit().await?;
        if self.moves != Moves::Nothing {
            self.state.wake_planner.notify_one();
        }
        Ok(())
    }
}

/// Lets pass only a key that may configure the group.
///
/// # Errors
/// 403.
pub(super) fn must_configure(caller: &Caller) -> ApiResult<()> {
    caller.must_be(&[Role::Administrator])?;
    caller.must_reach_group()
}

/// Refuses one more where a group or a clinic holds as many as its plans are made for. The bounds are far above what
/// a practice has, and keep the work of one planning bounded whatever is sent.
///
/// # Errors
/// 409.
pub(super) fn must_have_room(standing: i64, most: i64, what: &str) -> ApiResult<()> {
    if standing < most {
        return Ok(());
    }
    Err(ApiError::conflict("too-many", "No more of these are kept", format!("there are at most {most} {what}")))
}

/// 201 for what was not there before, 200 for what was.
pub(super) fn created_or_ok(created: bool) -> StatusCode {
    if created { StatusCode::CREATED } else { StatusCode::OK }
}

/// What was checked, if nothing is wrong with it.
pub(super) fn without_faults<T>(checked: T, faults: Vec<Fault>) -> Result<T, Vec<Fault>> {
    if faults.is_empty() { Ok(checked) } else { Err(faults) }
}

/// The dates this service plans for. A bound, so that no sum of a date and a span can leave the calendar.
pub(super) fn check_date(faults: &mut Vec<Fault>, pointer: &str, date: NaiveDate) {
    if !(1970..=2199).contains(&date.year()) {
        faults.push(Fault::new(pointer, "must lie in the years 1970 to 2199"));
    }
}

/// Checks that every named id was found.
pub(super) fn check_found(faults: &mut Vec<Fault>, pointer: &str, missing: &[Uuid], what: &str) {
    faults
        .extend(missing.iter().map(|id| Fault::new(pointer, format!("names {id}, which is no {what} of this group"))));
}
