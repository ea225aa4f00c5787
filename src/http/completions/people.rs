//! Who did the work that a completion tells of, whether they signed for it, and what a lead should look at.
//!
//! The rule of this file: only a wrong PIN refuses a completion. Whatever else is odd about a person is kept beside
//! what they recorded; so is a PIN that a clinic asks for and that did not come: work that was done is never lost for it.

use std::collections::BTreeMap;

use chrono::Datelike as _;
use sqlx::PgConnection;
use uuid::Uuid;

use super::documents::CompletionInput;
use super::recording::Judged;
use crate::domain::evidence::{CompletionKind, StepStatus};
use crate::domain::fault::Fault;
use crate::domain::flags::{self, Entry, Flag, Person, PinMissed};
use crate::domain::staff::Work as Competent;
use crate::domain::task::Outcome;
use crate::http::AppState;
use crate::http::caller::Caller;
use crate::http::problem::{ApiError, ApiResult};
use crate::http::staff::signature::RightPins;
use crate::http::staff::who::{self, Said, Who};
use crate::http::tasks::Work;
use crate::store::completions;
use crate::store::completions::together::{self, Entered};
use crate::store::desk::presence;
use crate::store::{self, clinics, staff};

/// Whether the person's PIN came with it. What stands already under the id was signed or not when it was recorded: a
/// repeat asks for no PIN, which the person may have changed since.
///
/// # Errors
/// 403 when the PIN is wrong, 422 when it names nobody, 429 while the person's PIN is locked.
pub(super) async fn check_signature(
    state: &AppState,
    caller: &Caller,
    input: &CompletionInput,
    pins: &mut RightPins,
) -> ApiResult<bool> {
    let Some(pin) = &input.pin else { return Ok(false) };
    let Some(staff_id) = input.staff_id else {
        return Err(ApiError::rule_broken("/staff_id", "must say whose PIN it is"));
    };
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let stands = completions::find_receipt(&mut tx, caller.group_id, input.completion_id).await?;
    tx.commit().await?;
    if stands.is_none() {
        pins.check(state, caller, staff_id, pin).await?;
    }
    Ok(true)
}

/// Why what the device's clock said cannot be kept: it is no instant that anything is planned for.
pub(super) fn clock_faults(input: &CompletionInput) -> impl Iterator<Item = Fault> {
    let said = [("/device_at", input.device_at), ("/entered_at", input.entered_at)];
    let odd = said.into_iter().filter(|(_, at)| at.is_some_and(|at| !(1970..=2199).contains(&at.year())));
    odd.map(|(pointer, _)| Fault::new(pointer, "must lie in the years 1970 to 2199"))
}

/// Whether a result is entered under the time of its sample, which is recorded.
fn brings_result(input: &CompletionInput, work: &Work) -> bool {
    work.task.recorded.is_some_and(|(outcome, _)| outcome == Outcome::ResultPending)
        && work.routine.steps.iter().any(|step| step.evidence.result_may_follow())
        && input.steps.iter().all(|step| step.status != StepStatus::ResultPending)
}

/// Finds out who did it.
///
/// # Errors
/// When the database does not answer.
pub(super) async fn find(
    db: &mut PgConnection,
    caller: &Caller,
    input: &CompletionInput,
    work: &Work,
) -> ApiResult<Who> {
    let said = Said {
        staff_id: input.staff_id,
        initials: input.performed_by.as_deref(),
        clinic_id: work.task.clinic_id,
        performed_at: input.performed_at,
    };
    who::find(db, caller, said).await
}

/// What a lead should look at, as far as the completion shows it by itself.
///
/// # Errors
/// When the database does not answer.
pub(super) async fn flags(
    db: &mut PgConnection,
    caller: &Caller,
    input: &CompletionInput,
    work: &Work,
    judged: &Judged,
    signed: bool,
) -> ApiResult<Vec<Flag>> {
    let (group_id, clinic_id) = (caller.group_id, work.task.clinic_id);
    let (who, judgement) = (&judged.who, &judged.judgement);
    let staff_id = match &who.person {
        Person::Known(person) => Some(person.staff_id),
        _ => None,
    };
    let (mut on_site, mut competences, mut has_competences) = (None, Vec::new(), false);
    if let Some(staff_id) = staff_id {
        on_site = presence::find(db, group_id, clinic_id, who.day).await?.map(|mark| mark.staff_ids);
        competences = staff::list_competences(db, group_id, &[staff_id]).await?.remove(&staff_id).unwrap_or_default();
        has_competences = staff::has_competences_for(db, group_id, work.task.routine_id).await?;
    }
    let pin = if caller.shared && !signed {
        let asked = clinics::find(db, group_id, clinic_id).await?.is_some_and(|clinic| clinic.pin_required);
        PinMissed::unsigned(input.staff_id.is_some(), asked)
    } else {
        PinMissed::No
    };
    Ok(flags::flags(&Entry {
        early: judgement.early,
        late_entry: judgement.late_entry,
        is_work: input.kind == CompletionKind::Performed,
        recorded_at: caller.now,
        device_at: input.device_at,
        tells_of_before: input.corrects.is_some() || brings_result(input, work),
        person: &who.person,
        initials: input.performed_by.as_deref(),
        day: who.day,
        on_site: on_site.as_deref(),
        competences: &competences,
        work: Competent {
            routine_id: Some(work.task.routine_id),
            family: work.routine.family.as_deref(),
            has_competences,
        },
        performed_at: input.performed_at,
        entered_at: input.entered_at,
        steps: &judgement.steps,
        pin,
        names_held_load: judged.names_held_load,
    }))
}

/// Raises what this completion, which is kept already, shows together with others of the same person; answers what is new.
///
/// # Errors
/// When the database does not answer.
pub(super) async fn raise_flags(
    db: &mut PgConnection,
    caller: &Caller,
    input: &CompletionInput,
    work: &Work,
    who: &Who,
) -> ApiResult<BTreeMap<Uuid, Vec<Flag>>> {
    if input.kind != CompletionKind::Performed {
        return Ok(BTreeMap::new());
    }
    let entered = Entered {
        clinic_id: work.task.clinic_id,
        staff_id: input.staff_id,
        performed_by: &who.performed_by,
        performed_at: input.performed_at,
        entered_at: input.entered_at,
        recorded_at: caller.now,
    };
    Ok(together::raise_flags(db, caller.group_id, entered).await?)
}
