//! What a water advisory brings: site events, and the actions at each chair that held mains water.
//!
//! The rule of this file: a unit that held mains water while a notice stood is out of use until a named person releases
//! it, whether the notice was lifted or the unit left the mains before; and that is decided in the transaction that
//! records the one or the other.

use chrono::{DateTime, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use crate::domain::chain::ChainKind;
use crate::domain::corrective_action::ActionCause;
use crate::domain::site_event::SiteEventKind;
use crate::domain::subject::{Subject, SubjectKind};
use crate::domain::water_advisory::{
    AdvisoryEdge, Lifting, WaterAdvisory, derive_event_id, is_fed_from_mains, operatories_on_mains,
};
use crate::http::caller::Caller;
use crate::http::problem::ApiResult;
use crate::http::site_events;
use crate::store::clinics::subjects;
use crate::store::corrective_actions::actions::{self, Opening};
use crate::store::site_events::SiteEventRow;
use crate::store::water_advisories;

/// Records the site event that routines hang on, and has the clinic planned.
pub(super) async fn record_event(
    db: &mut PgConnection,
    caller: &Caller,
    advisory: &WaterAdvisory,
    edge: AdvisoryEdge,
    kind: SiteEventKind,
    happened_at: DateTime<Utc>,
) -> ApiResult<()> {
    let event = SiteEventRow {
        event_id: derive_event_id(advisory.advisory_id, advisory.clinic_id, edge),
        clinic_id: advisory.clinic_id,
        kind,
        subject_id: None,
        happened_at,
        note: advisory.called(),
        recorded_at: caller.now,
        key_id: caller.key_id,
        withdrawn_at: None,
    };
    site_events::record(db, caller, &event).await?;
    Ok(())
}

/// What follows when an advisory was lifted at its clinic: nothing while another one stands there.
pub(super) async fn after_lifting(
    db: &mut PgConnection,
    caller: &Caller,
    advisory: &WaterAdvisory,
    lifting: &Lifting,
) -> ApiResult<()> {
    let clinic_id = advisory.clinic_id;
    let standing = water_advisories::list_standing(&mut *db, caller.group_id, &[clinic_id], caller.now).await?;
    if !standing.is_empty() {
        return Ok(());
    }
    let kind = SiteEventKind::WaterAdvisoryLifted;
    record_event(&mut *db, caller, advisory, AdvisoryEdge::Lifted, kind, lifting.lifted_at).await?;
    let here = subjects::list_of_clinic(&mut *db, caller.group_id, clinic_id).await?;
    let mut chairs: Vec<Uuid> = operatories_on_mains(&here).map(|chair| chair.id).collect();
    // In one order, so that two transactions never wait for each other.
    chairs.sort_unstable();
    let reason = format!("{} was lifted", advisory.called());
    let cause_id = lifting.lifting_id;
    for chair in chairs {
        open(&mut *db, caller, (ChainKind::LinesAfterAdvisory, cause_id), (clinic_id, chair), &reason).await?;
    }
    open(db, caller, (ChainKind::PremisesAfterAdvisory, cause_id), (clinic_id, clinic_id), &reason).await
}

/// What follows when a unit that held mains water under an advisory gets a source of its own, or is moved to a clinic
/// where none stands.
pub(in crate::http) async fn after_leaving_mains(
    db: &mut PgConnection,
    caller: &Caller,
    before: &Subject,
    after: &Subject,
) -> ApiResult<()> {
    if before.kind != SubjectKind::Operatory || !is_fed_from_mains(before) {
        return Ok(());
    }
    if is_fed_from_mains(after) && before.clinic_id == after.clinic_id {
        return Ok(());
    }
    let clinics = [before.clinic_id, after.clinic_id];
    let standing = water_advisories::list_standing(&mut *db, caller.group_id, &clinics, caller.now).await?;
    let Some(held) = standing.iter().find(|a| a.clinic_id == before.clinic_id) else { return Ok(()) };
    if is_fed_from_mains(after) && standing.iter().any(|a| a.clinic_id == after.clinic_id) {
        return Ok(());
    }
    let reason = format!("its lines held mains water while {} stood", held.called());
    let what = (ChainKind::LinesAfterAdvisory, held.advisory_id);
    open(db, caller, what, (after.clinic_id, after.id), &reason).await
}

async fn open(
    db: &mut PgConnection,
    caller: &Caller,
    (kind, cause_id): (ChainKind, Uuid),
    (clinic_id, subject_id): (Uuid, Uuid),
    reason: &str,
) -> ApiResult<()> {
    let opening = Opening {
        kind,
        action_id: None,
        clinic_id,
        subject_id,
        line: None,
        cause: ActionCause::WaterAdvisory,
        cause_id: Some(cause_id),
        routine_id: None,
        counted: None,
        reason: reason.to_owned(),
        opened_by: String::new(),
        staff_id: None,
        key_id: Some(caller.key_id),
    };
    actions::open_for(db, caller.group_id, &opening, caller.now).await?;
    Ok(())
}
