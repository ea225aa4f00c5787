//! Clinics: where they are, when they are open, and the dated exceptions to that.
//!
//! The rule of this file: a clinic is itself a subject, so keeping one keeps its subject row and its plan row with it.

pub mod instruments;
pub mod subjects;
pub mod weeks;

use std::collections::BTreeMap;

use chrono::{DateTime, NaiveDate, NaiveDateTime, TimeDelta, Utc};
use serde_json::Value;
use sqlx::PgConnection;
use uuid::Uuid;

use self::subjects::SubjectRow;
use super::{Result, StoreError, seals};
use crate::domain::hours::{Closure, Hours, Session, Week};
use crate::domain::retention::place::PlaceHeld;
use crate::domain::subject::{ServiceState, Subject, SubjectKind};
use crate::domain::zone::{self, Zone};

/// A clinic as configured.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ClinicRow {
    /// Its identity.
    pub clinic_id: Uuid,
    /// What people call it.
    pub name: String,
    /// Where its clocks stand.
    pub zone: Zone,
    /// Its address; may be empty.
    pub address: String,
    /// Whose code applies; may be empty.
    pub jurisdiction: String,
    /// Whose water it is, as the supplier's notices name the area; may be empty.
    pub supply_area: String,
    /// It asks for a PIN with whatever is recorded on a shared tablet.
    pub pin_required: bool,
    /// Its ordinary week; `None` until somebody sets it.
    pub week: Option<Week>,
}

struct Row {
    clinic_id: Uuid,
    name: String,
    zone: String,
    address: String,
    jurisdiction: String,
    supply_area: String,
    pin_required: bool,
    week: Option<Value>,
}

impl TryFrom<Row> for ClinicRow {
    type Error = StoreError;

    fn try_from(row: Row) -> Result<Self> {
        let zone = row.zone.parse().map_err(|error| StoreError::bad_row("clinic", row.clinic_id, "zone", error))?;
        let week = row
            .week
            .map(serde_json::from_value)
            .transpose()
            .map_err(|error| StoreError::bad_row("clinic", row.clinic_id, "week", error))?;
        Ok(Self {
            clinic_id: row.clinic_id,
            name: row.name,
            zone,
            address: row.address,
            jurisdiction: row.jurisdiction,
            supply_area: row.supply_area,
            pin_required: row.pin_required,
            week,
        })
    }
}

/// The clinic with this id.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn find(db: &mut PgConnection, group_id: Uuid, clinic_id: Uuid) -> Result<Option<ClinicRow>> {
    sqlx::query_as!(
        Row,
        "select clinic_id, name, zone, address, jurisdiction, supply_area, pin_required, week from clinic
         where group_id = $1 and clinic_id = $2",
        group_id,
        clinic_id
    )
    .fetch_optional(db)
    .await?
    .map(ClinicRow::try_from)
    .transpose()
}

/// Every clinic of the group, by name.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn list(db: &mut PgConnection, group_id: Uuid) -> Result<Vec<ClinicRow>> {
    sqlx::query_as!(
        Row,
        "select clinic_id, name, zone, address, jurisdiction, supply_area, pin_required, week from clinic
         where group_id = $1 order by name, clinic_id",
        group_id
    )
    .fetch_all(db)
    .await?
    .into_iter()
    .map(ClinicRow::try_from)
    .collect()
}

/// The places that a clinic had, the first first; the last is the one it has.
///
/// # Errors
/// When the database does not answer.
pub async fn list_places(db: &mut PgConnection, group_id: Uuid, clinic_id: Uuid) -> Result<Vec<PlaceHeld>> {
    Ok(sqlx::query_as!(
        PlaceHeld,
        "select jurisdiction, until_on from clinic_place where group_id = $1 and clinic_id = $2 order by number",
        group_id,
        clinic_id
    )
    .fetch_all(db)
    .await?)
}

/// Those of `clinic_ids` that are no clinic of the group.
///
/// # Errors
/// When the database does not answer.
pub async fn list_missing(db: &mut PgConnection, group_id: Uuid, clinic_ids: &[Uuid]) -> Result<Vec<Uuid>> {
    Ok(sqlx::query_scalar!(
        r#"select wanted.id as "id!" from unnest($2::uuid[]) as wanted(id)
           where not exists (select from clinic c where c.group_id = $1 and c.clinic_id = wanted.id)
           order by wanted.id"#,
        group_id,
        clinic_ids
    )
    .fetch_all(db)
    .await?)
}

/// How far clocks of instances may differ: evidence of a new clinic may be recorded from so long before it was made.
const CLOCKS_DIFFER: TimeDelta = TimeDelta::minutes(10);

/// Keeps a clinic, new or changed. A new one is due for planning at once.
///
/// # Errors
/// When the database does not answer.
pub async fn save(db: &mut PgConnection, group_id: Uuid, clinic: &ClinicRow, now: DateTime<Utc>) -> Result<()> {
    let week = clinic.week.as_ref().map(sqlx::types::Json);
    sqlx::query!(
        "insert into clinic
             (group_id, clinic_id, name, zone, address, jurisdiction, week, created_at, updated_at, supply_area,
              pin_required)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $8, $9, $10)
         on conflict (group_id, clinic_id) do update
         set name = excluded.name, zone = excluded.zone, address = excluded.address,
             jurisdiction = excluded.jurisdiction, week = excluded.week, updated_at = excluded.updated_at,
             supply_area = excluded.supply_area, pin_required = excluded.pin_required",
        group_id,
        clinic.clinic_id,
        clinic.name,
        clinic.zone.name(),
        clinic.address,
        clinic.jurisdiction,
        week as _,
        now,
        clinic.supply_area,
        clinic.pin_required
    )
    .execute(&mut *db)
    .await?;
    sqlx::query!(
        "insert into clinic_plan (group_id, clinic_id, plan_due_at) values ($1, $2, $3)
         on conflict (group_id, clinic_id) do nothing",
        group_id,
        clinic.clinic_id,
        now
    )
    .execute(&mut *db)
    .await?;
    seals::insert_progress(&mut *db, group_id, clinic.clinic_id, now - CLOCKS_DIFFER, now).await?;
    let before = subjects::find(&mut *db, group_id, clinic.clinic_id).await?;
    let itself = Subject {
        id: clinic.clinic_id,
        clinic_id: clinic.clinic_id,
        kind: SubjectKind::Clinic,
        name: clinic.name.clone(),
        water_source: None,
        circuits: Vec::new(),
        suction_lines: Vec::new(),
        service: ServiceState::InService,
        commissioned_on: before.map_or_else(|| zone::local(&clinic.zone, now).date(), |b| b.commissioned_on),
        spells: Vec::new(),
    };
    subjects::save(db, group_id, &SubjectRow { subject: itself, serial: String::new(), discharges_amalgam: None }, now)
        .await
}

/// Everything that decides when the clinic is open.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn hours(db: &mut PgConnection, group_id: Uuid, clinic_id: Uuid) -> Result<Option<Hours>> {
    let Some(clinic) = find(db, group_id, clinic_id).await? else { return Ok(None) };
    let closures = list_closures(db, group_id, clinic_id).await?.into_iter().map(|row| row.closure).collect();
    let special_openings: BTreeMap<_, _> = list_special_openings(db, group_id, clinic_id)
        .await?
        .into_iter()
        .map(|special| (special.opens_on, special.sessions))
        .collect();
    let dated_weeks = weeks::list_weeks(db, group_id, clinic_id).await?;
    Ok(Some(Hours { zone: clinic.zone, week: clinic.week, dated_weeks, closures, special_openings }))
}

/// A dated exception that closes a clinic.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ClosureRow {
    /// Its identity.
    pub closure_id: Uuid,
    /// From when until when, and why.
    pub closure: Closure,
}

struct ClosureColumns {
    closure_id: Uuid,
    from_local: NaiveDateTime,
    until_local: NaiveDateTime,
    reason: String,
}

impl From<ClosureColumns> for ClosureRow {
    fn from(row: ClosureColumns) -> Self {
        let closure = Closure { from: row.from_local, until: row.until_local, reason: row.reason };
        Self { closure_id: row.closure_id, closure }
    }
}

/// The clinic's closures, past ones too, by their start.
///
/// # Errors
/// When the database does not answer.
pub async fn list_closures(db: &mut PgConnection, group_id: Uuid, clinic_id: Uuid) -> Result<Vec<ClosureRow>> {
    let rows = sqlx::query_as!(
        ClosureColumns,
        "select closure_id, from_local, until_local, reason from closure
         where group_id = $1 and clinic_id = $2 order by from_local, closure_id",
        group_id,
        clinic_id
    )
    .fetch_all(db)
    .await?;
    Ok(rows.into_iter().map(ClosureRow::from).collect())
}

/// The clinic's closure with this id.
///
/// # Errors
/// When the database does not answer.
pub async fn find_closure(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    closure_id: Uuid,
) -> Result<Option<ClosureRow>> {
    let row = sqlx::query_as!(
        ClosureColumns,
        "select closure_id, from_local, until_local, reason from closure
         where group_id = $1 and clinic_id = $2 and closure_id = $3",
        group_id,
        clinic_id,
        closure_id
    )
    .fetch_optional(db)
    .await?;
    Ok(row.map(ClosureRow::from))
}

/// How many closures the clinic has, past ones too.
///
/// # Errors
/// When the database does not answer.
pub async fn count_closures(db: &mut PgConnection, group_id: Uuid, clinic_id: Uuid) -> Result<i64> {
    Ok(sqlx::query_scalar!(
        r#"select count(*) as "count!" from closure where group_id = $1 and clinic_id = $2"#,
        group_id,
        clinic_id
    )
    .fetch_one(db)
    .await?)
}

/// Keeps a closure, new or changed.
///
/// # Errors
/// When the database does not answer.
pub async fn save_closure(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    row: &ClosureRow,
    now: DateTime<Utc>,
) -> Result<()> {
    sqlx::query!(
        "insert into closure (group_id, clinic_id, closure_id, from_local, until_local, reason, created_at)
         values ($1, $2, $3, $4, $5, $6, $7)
         on conflict (group_id, clinic_id, closure_id) do update
         set from_local = excluded.from_local, until_local = excluded.until_local, reason = excluded.reason",
        group_id,
        clinic_id,
        row.closure_id,
        row.closure.from,
        row.closure.until,
        row.closure.reason,
        now
    )
    .execute(db)
    .await?;
    Ok(())
}

/// Takes a closure back; `false` when none stood.
///
/// # Errors
/// When the database does not answer.
pub async fn delete_closure(db: &mut PgConnection, group_id: Uuid, clinic_id: Uuid, closure_id: Uuid) -> Result<bool> {
    let done = sqlx::query!(
        "delete from closure where group_id = $1 and clinic_id = $2 and closure_id = $3",
        group_id,
        clinic_id,
        closure_id
    )
    .execute(db)
    .await?;
    Ok(done.rows_affected() == 1)
}

/// A dated exception that opens a clinic.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SpecialOpening {
    /// The clinic day whose sessions it replaces.
    pub opens_on: NaiveDate,
    /// The sessions of that day.
    pub sessions: Vec<Session>,
    /// Why.
    pub reason: String,
}

struct SpecialColumns {
    opens_on: NaiveDate,
    sessions: Value,
    reason: String,
}

impl TryFrom<SpecialColumns> for SpecialOpening {
    type Error = StoreError;

    fn try_from(row: SpecialColumns) -> Result<Self> {
        let sessions = serde_json::from_value(row.sessions)
            .map_err(|error| StoreError::bad_row("special_opening", row.opens_on, "sessions", error))?;
        Ok(Self { opens_on: row.opens_on, sessions, reason: row.reason })
    }
}

/// The clinic's special openings, past ones too, by date.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn list_special_openings(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
) -> Result<Vec<SpecialOpening>> {
    sqlx::query_as!(
        SpecialColumns,
        "select opens_on, sessions, reason from special_opening
         where group_id = $1 and clinic_id = $2 order by opens_on",
        group_id,
        clinic_id
    )
    .fetch_all(db)
    .await?
    .into_iter()
    .map(SpecialOpening::try_from)
    .collect()
}

/// The clinic's special opening of a date.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn find_special_opening(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    opens_on: NaiveDate,
) -> Result<Option<SpecialOpening>> {
    sqlx::query_as!(
        SpecialColumns,
        "select opens_on, sessions, reason from special_opening
         where group_id = $1 and clinic_id = $2 and opens_on = $3",
        group_id,
        clinic_id,
        opens_on
    )
    .fetch_optional(db)
    .await?
    .map(SpecialOpening::try_from)
    .transpose()
}

/// Keeps a special opening, new or changed.
///
/// # Errors
/// When the database does not answer.
pub async fn save_special_opening(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    special: &SpecialOpening,
    now: DateTime<Utc>,
) -> Result<()> {
    sqlx::query!(
        "insert into special_opening (group_id, clinic_id, opens_on, sessions, reason, created_at)
         values ($1, $2, $3, $4, $5, $6)
         on conflict (group_id, clinic_id, opens_on) do update
         set sessions = excluded.sessions, reason = excluded.reason",
        group_id,
        clinic_id,
        special.opens_on,
        sqlx::types::Json(&special.sessions) as _,
        special.reason,
        now
    )
    .execute(db)
    .await?;
    Ok(())
}

/// Takes a special opening back; `false` when none stood.
///
/// # Errors
/// When the database does not answer.
pub async fn delete_special_opening(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    opens_on: NaiveDate,
) -> Result<bool> {
    let done = sqlx::query!(
        "delete from special_opening where group_id = $1 and clinic_id = $2 and opens_on = $3",
        group_id,
        clinic_id,
        opens_on
    )
    .execute(db)
    .await?;
    Ok(done.rows_affected() == 1)
}
