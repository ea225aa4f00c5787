//! Seals: what keeps recorders and the sealer apart, how far a clinic is, its chain and its leaves.
//!
//! The rule of this file: nothing slips behind a seal. Whoever records evidence calls [`keep_sealer_out`] in the same
//! transaction; the sealer calls [`keep_recorders_out`] before it reads. So a record is either seen by the sealer or
//! refused, and one that is refused may be posted again.

pub mod checks;
pub mod findings;
pub mod marks;
pub mod records;
pub mod settlements;
pub mod standing;

use std::collections::BTreeMap;

use chrono::{DateTime, NaiveDate, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use super::{Result, StoreError};
use crate::domain::seal::record::{Leaves, RecordName};
use crate::domain::seal::tree::TreeHash;
use crate::domain::seal::{ChainHead, DaySeal};

/// Keeps the sealer of a clinic out until the transaction ends, for evidence that is recorded at `recorded_at`.
///
/// # Errors
/// [`StoreError::Sealed`] when the instant is sealed already; or when the database does not answer.
pub async fn keep_sealer_out(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    recorded_at: DateTime<Utc>,
) -> Result<()> {
    let sealed_until = sqlx::query_scalar!("select keep_sealer_out($1, $2)", group_id, clinic_id).fetch_one(db).await?;
    match sealed_until {
        Some(sealed_until) if recorded_at < sealed_until => Err(StoreError::Sealed { clinic_id, sealed_until }),
        _ => Ok(()),
    }
}

/// As [`keep_sealer_out`], of several clinics: in the order given, which must be that of their ids, so that no two who do
/// so wait for each other.
///
/// # Errors
/// As [`keep_sealer_out`].
pub async fn keep_sealers_out(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_ids: &[Uuid],
    recorded_at: DateTime<Utc>,
) -> Result<()> {
    for clinic_id in clinic_ids {
        keep_sealer_out(&mut *db, group_id, *clinic_id, recorded_at).await?;
    }
    Ok(())
}

/// Refuses an instant that is sealed already, without keeping anybody out: for what is looked at before anything is kept.
///
/// # Errors
/// [`StoreError::Sealed`] when the instant is sealed already; or when the database does not answer.
pub async fn must_be_unsealed(db: &mut PgConnection, group_id: Uuid, clinic_id: Uuid, at: DateTime<Utc>) -> Result<()> {
    match find_progress(db, group_id, clinic_id).await? {
        Some(SealProgress { sealed_until, .. }) if at < sealed_until => {
            Err(StoreError::Sealed { clinic_id, sealed_until })
        }
        _ => Ok(()),
    }
}

/// Waits for everybody who is recording evidence of a clinic, and keeps others out until the transaction ends.
///
/// # Errors
/// When the database does not answer.
pub async fn keep_recorders_out(db: &mut PgConnection, group_id: Uuid, clinic_id: Uuid) -> Result<()> {
    sqlx::query!("select keep_recorders_out($1, $2)", group_id, clinic_id).fetch_one(db).await?;
    Ok(())
}

/// Groups that have a clinic to seal or to check, longest waiting first. Needs no tenant.
///
/// # Errors
/// When the database does not answer.
pub async fn list_groups_to_seal(db: &mut PgConnection, now: DateTime<Utc>, at_most: i32) -> Result<Vec<Uuid>> {
    let groups =
        sqlx::query_scalar!(r#"select groups_to_seal as "group_id!" from groups_to_seal($1, $2)"#, now, at_most);
    Ok(groups.fetch_all(db).await?)
}

/// How far a clinic is sealed and checked.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct SealProgress {
    /// The clinic.
    pub clinic_id: Uuid,
    /// End of the last seal; before the first, where it will begin.
    pub sealed_until: DateTime<Utc>,
    /// When an ended day is to be looked for.
    pub seal_due_at: DateTime<Utc>,
    /// The seal the next check goes on with.
    pub check_number: i32,
}

/// Makes the row of a new clinic; one that has it keeps it.
///
/// # Errors
/// When the database does not answer.
pub async fn insert_progress(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    sealed_until: DateTime<Utc>,
    now: DateTime<Utc>,
) -> Result<()> {
    sqlx::query!(
        "insert into clinic_seal (group_id, clinic_id, sealed_until, seal_due_at, check_due_at)
         values ($1, $2, $3, $4, $4) on conflict do nothing",
        group_id,
        clinic_id,
        sealed_until,
        now
    )
    .execute(db)
    .await?;
    Ok(())
}

/// How far a clinic is.
///
/// # Errors
/// When the database does not answer.
pub async fn find_progress(db: &mut PgConnection, group_id: Uuid, clinic_id: Uuid) -> Result<Option<SealProgress>> {
    Ok(sqlx::query_as!(
        SealProgress,
        "select clinic_id, sealed_until, seal_due_at, check_number from clinic_seal
         where group_id = $1 and clinic_id = $2",
        group_id,
        clinic_id
    )
    .fetch_optional(db)
    .await?)
}

/// Claims one clinic of the group that is due for sealing and that nobody else holds.
///
/// # Errors
/// When the database does not answer.
pub async fn claim_to_seal(db: &mut PgConnection, group_id: Uuid, now: DateTime<Utc>) -> Result<Option<SealProgress>> {
    Ok(sqlx::query_as!(
        SealProgress,
        "select clinic_id, sealed_until, seal_due_at, check_number from clinic_seal
         where group_id = $1 and seal_due_at <= $2
         order by seal_due_at, clinic_id limit 1 for update skip locked",
        group_id,
        now
    )
    .fetch_optional(db)
    .await?)
}

/// Claims one clinic of the group that is due for a check and that nobody else holds.
///
/// # Errors
/// When the database does not answer.
pub async fn claim_to_check(db: &mut PgConnection, group_id: Uuid, now: DateTime<Utc>) -> Result<Option<SealProgress>> {
    Ok(sqlx::query_as!(
        SealProgress,
        "select clinic_id, sealed_until, seal_due_at, check_number from clinic_seal
         where group_id = $1 and check_due_at <= $2
         order by check_due_at, clinic_id limit 1 for update skip locked",
        group_id,
        now
    )
    .fetch_optional(db)
    .await?)
}

/// Keeps how far a clinic is sealed, and when to look again. The caller has claimed it.
///
/// # Errors
/// When the database does not answer.
pub async fn save_sealed(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    sealed_until: DateTime<Utc>,
    seal_due_at: DateTime<Utc>,
) -> Result<()> {
    sqlx::query!(
        "update clinic_seal set sealed_until = $3, seal_due_at = $4, last_error = null
         where group_id = $1 and clinic_id = $2",
        group_id,
        clinic_id,
        sealed_until,
        seal_due_at
    )
    .execute(db)
    .await?;
    Ok(())
}

/// Keeps with which seal the next check of a clinic goes on, and when. The caller has claimed it.
///
/// # Errors
/// When the database does not answer.
pub async fn save_checked(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    check_number: i32,
    check_due_at: DateTime<Utc>,
) -> Result<()> {
    sqlx::query!(
        "update clinic_seal set check_number = $3, check_due_at = $4 where group_id = $1 and clinic_id = $2",
        group_id,
        clinic_id,
        check_number,
        check_due_at
    )
    .execute(db)
    .await?;
    Ok(())
}

/// Notes that a clinic cannot be sealed, and why; it is tried again at `retry_at`.
///
/// # Errors
/// When the database does not answer.
pub async fn note_failure(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    error: &str,
    retry_at: DateTime<Utc>,
) -> Result<()> {
    sqlx::query!(
        "update clinic_seal set seal_due_at = $3, last_error = $4 where group_id = $1 and clinic_id = $2",
        group_id,
        clinic_id,
        retry_at,
        error
    )
    .execute(db)
    .await?;
    Ok(())
}

/// Notes that a clinic cannot be checked, and why; it is tried again at `retry_at`.
///
/// # Errors
/// When the database does not answer.
pub async fn note_unchecked(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    error: &str,
    retry_at: DateTime<Utc>,
) -> Result<()> {
    sqlx::query!(
        "update clinic_seal set check_due_at = $3, last_error = $4 where group_id = $1 and clinic_id = $2",
        group_id,
        clinic_id,
        retry_at,
        error
    )
    .execute(db)
    .await?;
    Ok(())
}

/// Whether leaves of a clinic day have a partition to stand in.
///
/// # Errors
/// When the database does not answer.
pub async fn has_leaf_partition(db: &mut PgConnection, clinic_day: NaiveDate) -> Result<bool> {
    Ok(sqlx::query_scalar!(
        r#"select to_regclass('public.seal_leaf' || to_char($1::date::timestamp, '_YYYY_MM')) is not null as "has!""#,
        clinic_day
    )
    .fetch_one(db)
    .await?)
}

struct SealColumns {
    number: i32,
    clinic_day: NaiveDate,
    recorded_from: DateTime<Utc>,
    recorded_until: DateTime<Utc>,
    sealed_at: DateTime<Utc>,
    record_count: i32,
    root: Vec<u8>,
    previous: Option<Vec<u8>>,
}

impl SealColumns {
    fn seal(self, group_id: Uuid, clinic_id: Uuid) -> Result<DaySeal> {
        let day = self.clinic_day;
        let count = |column, value: i32| {
            usize::try_from(value).map_err(|error| StoreError::bad_row("day_seal", day, column, error))
        };
        Ok(DaySeal {
            group_id,
            clinic_id,
            number: count("number", self.number)?,
            clinic_day: day,
            recorded_from: self.recorded_from,
            recorded_until: self.recorded_until,
            sealed_at: self.sealed_at,
            record_count: count("record_count", self.record_count)?,
            root: hash("day_seal", day, "root", &self.root)?,
            previous: self.previous.map(|bytes| hash("day_seal", day, "previous", &bytes)).transpose()?,
        })
    }
}

pub(super) fn hash(table: &'static str, row: impl ToString, column: &'static str, bytes: &[u8]) -> Result<TreeHash> {
    <[u8; 32]>::try_from(bytes).map(TreeHash::from).map_err(|error| StoreError::bad_row(table, row, column, error))
}

/// Every seal of a clinic, by number.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn list_seals(db: &mut PgConnection, group_id: Uuid, clinic_id: Uuid) -> Result<Vec<DaySeal>> {
    let rows = sqlx::query_as!(
        SealColumns,
        "select number, clinic_day, recorded_from, recorded_until, sealed_at, record_count, root, previous
         from day_seal where group_id = $1 and clinic_id = $2 order by number",
        group_id,
        clinic_id
    )
    .fetch_all(db)
    .await?;
    rows.into_iter().map(|row| row.seal(group_id, clinic_id)).collect()
}

/// The seal of a clinic day.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn find_seal(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    clinic_day: NaiveDate,
) -> Result<Option<DaySeal>> {
    let row = sqlx::query_as!(
        SealColumns,
        "select number, clinic_day, recorded_from, recorded_until, sealed_at, record_count, root, previous
         from day_seal where group_id = $1 and clinic_id = $2 and clinic_day = $3",
        group_id,
        clinic_id,
        clinic_day
    )
    .fetch_optional(db)
    .await?;
    row.map(|row| row.seal(group_id, clinic_id)).transpose()
}

/// Keeps a seal with its leaves.
///
/// # Errors
/// When the database does not answer, or the clinic has such a seal.
pub async fn insert_seal(db: &mut PgConnection, seal: &DaySeal, leaves: &Leaves) -> Result<()> {
    let count = |column, value: usize| {
        i32::try_from(value).map_err(|error| StoreError::bad_row("day_seal", seal.clinic_day, column, error))
    };
    sqlx::query!(
        "insert into day_seal (group_id, clinic_id, number, clinic_day, recorded_from, recorded_until, sealed_at,
                               record_count, root, previous)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)",
        seal.group_id,
        seal.clinic_id,
        count("number", seal.number)?,
        seal.clinic_day,
        seal.recorded_from,
        seal.recorded_until,
        seal.sealed_at,
        count("record_count", seal.record_count)?,
        seal.root.as_bytes(),
        seal.previous.as_ref().map(|previous| previous.as_bytes().as_slice())
    )
    .execute(&mut *db)
    .await?;
    let (names, hashes): (Vec<&RecordName>, Vec<Vec<u8>>) =
        leaves.iter().map(|(name, leaf)| (name, leaf.as_bytes().to_vec())).unzip();
    let (kinds, ids): (Vec<String>, Vec<String>) =
        names.into_iter().map(|name| (name.kind.clone(), name.id.clone())).unzip();
    // Leaves of a seal that somebody took away may stand there still. Which of them differ is for a check to say.
    sqlx::query!(
        "insert into seal_leaf (group_id, clinic_day, clinic_id, kind, id, leaf)
         select $1, $2, $3, l.kind, l.id, l.leaf from unnest($4::text[], $5::text[], $6::bytea[]) as l(kind, id, leaf)
         on conflict do nothing",
        seal.group_id,
        seal.clinic_day,
        seal.clinic_id,
        &kinds,
        &ids,
        &hashes
    )
    .execute(db)
    .await?;
    Ok(())
}

/// The leaves of a clinic's seals from one clinic day to another, by day.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn list_leaves(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    (from, to): (NaiveDate, NaiveDate),
) -> Result<BTreeMap<NaiveDate, Leaves>> {
    let rows = sqlx::query!(
        "select clinic_day, kind, id, leaf from seal_leaf
         where group_id = $1 and clinic_id = $2 and clinic_day between $3 and $4",
        group_id,
        clinic_id,
        from,
        to
    )
    .fetch_all(db)
    .await?;
    let mut days: BTreeMap<NaiveDate, Leaves> = BTreeMap::new();
    for row in rows {
        let leaf = hash("seal_leaf", &row.id, "leaf", &row.leaf)?;
        days.entry(row.clinic_day).or_default().insert(RecordName { kind: row.kind, id: row.id }, leaf);
    }
    Ok(days)
}

/// The clinic day with whose seal a record was sealed, if it was.
///
/// # Errors
/// When the database does not answer.
pub async fn find_sealed_day(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    name: &RecordName,
) -> Result<Option<NaiveDate>> {
    Ok(sqlx::query_scalar!(
        "select clinic_day from seal_leaf where group_id = $1 and kind = $3 and id = $4 and clinic_id = $2
         order by clinic_day limit 1",
        group_id,
        clinic_id,
        name.kind,
        name.id
    )
    .fetch_optional(db)
    .await?)
}

/// The heads of a clinic's chain that its events told of.
///
/// # Errors
/// When the database does not answer.
pub async fn list_told_heads(db: &mut PgConnection, group_id: Uuid, clinic_id: Uuid) -> Result<Vec<ChainHead>> {
    let bodies = sqlx::query_scalar!(
        "select body -> 'head' from event where group_id = $1 and clinic_id = $2 and kind = 'day_sealed'",
        group_id,
        clinic_id
    )
    .fetch_all(db)
    .await?;
    // An event is a copy and no evidence: one that cannot be read as a head was edited, and tells nothing.
    Ok(bodies.into_iter().flatten().filter_map(|head| serde_json::from_value(head).ok()).collect())
}
